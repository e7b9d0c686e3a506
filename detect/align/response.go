package align

import (
	"math"
	"slices"
	"sort"
	"time"

	"setwitness/detect/signature"
)

// most pictures say what the constant delay is.
const mostSampled = 64

// moments are sums over pairs of values of one block.
type moments struct{ n, x, y, xx, yy, xy float64 }

func (m *moments) add(x, y float64) {
	m.n, m.x, m.y, m.xx, m.yy, m.xy = m.n+1, m.x+x, m.y+y, m.xx+x*x, m.yy+y*y, m.xy+x*y
}

// about returns the sums about the means.
func (m *moments) about() (xx, yy, xy float64) {
	if m.n == 0 {
		return 0, 0, 0
	}
	return m.xx - m.x*m.x/m.n, m.yy - m.y*m.y/m.n, m.xy - m.x*m.y/m.n
}

// addCodes adds the blocks that two pictures both know, in 8-bit codes.
func addCodes(m *[signature.Blocks]moments, x, y []uint16) {
	y = y[:len(x)]
	for b, v := range x {
		if w := y[b]; v != signature.Unknown && w != signature.Unknown {
			m[b].add(float64(v)/signature.Unit8, float64(w)/signature.Unit8)
		}
	}
}

// codes calls do with the blocks that picture i of the take and j of the source
// both know, in 8-bit codes.
func (s *stretch) codes(i, j int, do func(b int, x, y float64)) {
	x, y := s.take.At(i), s.source.At(j)
	for b, v := range x {
		if v != signature.Unknown && y[b] != signature.Unknown {
			do(b, float64(v)/signature.Unit8, float64(y[b])/signature.Unit8)
		}
	}
}

// constant finds the delay, against the line, at which all pictures together fit
// best.
func (s *stretch) constant() float64 {
	every := (s.last-s.first)/mostSampled + 1
	var lags, rs []float64
	var shown, before []int
	for lag := -band; lag <= band; lag += s.step {
		shown = shown[:0]
		for i := s.first; i <= s.last; i += every {
			shown = append(shown, s.at(s.line(i)+lag))
		}
		r := 0.0
		if len(rs) > 0 && slices.Equal(shown, before) {
			r = rs[len(rs)-1]
		} else {
			r = s.correlates(every, shown)
		}
		lags, rs = append(lags, lag), append(rs, r)
		shown, before = before, shown
	}
	// Of delays that fit equally well, the middle one.
	best := slices.Max(rs)
	first := slices.Index(rs, best)
	last := first
	for last+1 < len(rs) && rs[last+1] >= best-1e-9 {
		last++
	}
	return (lags[first] + lags[last]) / 2
}

// correlates is how what changes in each block correlates over every so many pictures
// and those that are shown then.
func (s *stretch) correlates(every int, shown []int) float64 {
	var m [signature.Blocks]moments
	for t, j := range shown {
		if j >= 0 {
			addCodes(&m, s.take.At(s.first+t*every), s.source.At(j))
		}
	}
	var xx, yy, xy float64
	for b, w := range s.weight {
		p, q, r := m[b].about()
		xx, yy, xy = xx+w*p, yy+w*q, xy+w*r
	}
	if xx <= 0 || yy <= 0 {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}

const (
	// Between two scenes the blocks differ by at least this share of the
	// differences among themselves: those of unrelated pictures do by twice as
	// much, things that move hardly ever by a third.
	cutShare = 1.
	// cutCodes, root mean square, are more than noise and lamps do.
	cutCodes = 3.
)

// scenes divides the stretch into parts that have offsets of their own: at cuts,
// as another scene meets another part of a camera's response, and so that none is
// much longer than what drifts takes.
func (s *stretch) scenes() {
	s.starts = append(s.starts[:0], s.first)
	from := s.first
	for i := s.first + 1; i <= s.last; i++ {
		if s.take.Lives[i]-s.take.Lives[from] > offsetSeconds*time.Second || cut(s.take.At(i-1), s.take.At(i)) {
			s.starts, from = append(s.starts, i), i
		}
	}
}

// cut reports whether a scene ends between two pictures.
func cut(p, q []uint16) bool {
	var n, a, b, aa, bb, d float64
	for k := range p {
		if p[k] == signature.Unknown || q[k] == signature.Unknown {
			continue
		}
		x, y := float64(p[k])/signature.Unit8, float64(q[k])/signature.Unit8
		n, a, b, aa, bb, d = n+1, a+x, b+y, aa+x*x, bb+y*y, d+(x-y)*(x-y)
	}
	if n == 0 {
		return false
	}
	return d/n > max(cutCodes*cutCodes, cutShare*(aa/n-a*a/n/n+bb/n-b*b/n/n)/2)
}

// part is the part in which picture i lies.
func (s *stretch) part(i int) int {
	return max(sort.Search(len(s.starts), func(k int) bool { return s.starts[k] > i })-1, 0)
}

// calibrate finds gain and offset of each block along a path. A block in which
// little changes takes the gain of all.
func (s *stretch) calibrate(shown func(t int) int) {
	s.scenes()
	s.offset = make([][signature.Blocks]float64, len(s.starts))
	m := make([][signature.Blocks]moments, len(s.offset))
	for i := s.first; i <= s.last; i++ {
		if j := shown(i - s.first); j >= 0 {
			addCodes(&m[s.part(i)], s.take.At(i), s.source.At(j))
		}
	}
	var yy, xy [signature.Blocks]float64
	var all, allY float64
	for b := range yy {
		for p := range m {
			_, q, r := m[p][b].about()
			yy[b], xy[b] = yy[b]+q, xy[b]+r
		}
		all, allY = all+s.weight[b]*xy[b], allY+s.weight[b]*yy[b]
	}
	gain := 1.0
	if allY > 0 {
		gain = max(all/allY, 0)
	}
	prior := allY / signature.Blocks
	for b := range yy {
		s.gain[b] = gain
		if prior > 0 {
			s.gain[b] = max((xy[b]+prior*gain)/(yy[b]+prior), 0)
		}
		for p := range m {
			if v := &m[p][b]; v.n > 0 {
				s.offset[p][b] = (v.x - s.gain[b]*v.y) / v.n
			}
		}
	}
}

// weighSamples pictures say what is usually left of each block.
const weighSamples = 101

// weigh finds what is usually left of each block along a path, and gives those
// that fit badly less weight: a corner that reflects a lamp, a caption that only
// the take has.
func (s *stretch) weigh(shown func(t int) int) {
	every := (s.last-s.first)/weighSamples + 1
	var left [signature.Blocks][]float64
	var d residual
	for i := s.first; i <= s.last; i += every {
		j := shown(i - s.first)
		if j < 0 {
			continue
		}
		s.differ(i, j, &d)
		for b, ok := range d.known {
			if ok {
				left[b] = append(left[b], float64(d.codes[b])*float64(d.codes[b]))
			}
		}
	}
	// The median of the squares of normal values is this share of their mean.
	const medianShare = 0.4549
	var all []float64
	for b, l := range left {
		s.noise[b] = grain * grain
		if len(l) > 0 {
			slices.Sort(l)
			s.noise[b] += l[len(l)/2] / medianShare
			all = append(all, s.noise[b])
		}
	}
	if len(all) == 0 {
		return
	}
	slices.Sort(all)
	usual := all[len(all)/2]
	for b := range s.weight {
		s.weight[b] = 0
		if len(left[b]) > 0 {
			s.weight[b] = usual / (usual + s.noise[b])
		}
	}
}

// residual is what a picture of the source leaves of one of the take.
type residual struct {
	codes grid
	known [signature.Blocks]bool

	counts  grid // how many are known about each, kept from picture to picture
	counted bool
}

// differ fills in what picture j of the source leaves of i of the take, but for
// what is smooth over the picture: a codec lets the brightness of what is at rest
// follow late.
func (s *stretch) differ(i, j int, d *residual) {
	offset := &s.offset[s.part(i)]
	x, y := s.take.At(i), s.source.At(j)
	same := d.counted
	for b, v := range x {
		known := v != signature.Unknown && y[b] != signature.Unknown
		same = same && known == d.known[b]
		d.known[b] = known
		d.codes[b] = 0
		if known {
			d.codes[b] = float32((float64(v)-s.gain[b]*float64(y[b]))/signature.Unit8 - offset[b])
		}
	}
	if !same {
		var ones grid
		for b, ok := range d.known {
			if ok {
				ones[b] = 1
			}
		}
		ones.about(&d.counts)
		d.counted = true
	}
	var sums grid
	d.codes.about(&sums)
	for b, ok := range d.known {
		if ok {
			d.codes[b] -= sums[b] / d.counts[b]
		}
	}
}

// evidence is what it costs, in nats, to take picture i of the take for j of the
// source, if the picture can be trusted.
func (s *stretch) evidence(i, j int) float64 {
	d := &s.left
	s.differ(i, j, d)
	nats, product, known := 0.0, 1.0, 0
	for b, ok := range d.known {
		if !ok {
			continue
		}
		known++
		product *= 1 + float64(d.codes[b])*float64(d.codes[b])/s.noise[b]
		// The logarithm of several at once.
		if known%8 == 0 {
			nats += math.Log(product)
			product = 1
		}
	}
	if known == 0 {
		return 0
	}
	return foldNats * (nats + math.Log(product)) * signature.Blocks / float64(known)
}

// choice is the picture that is shown when one is due, and what that costs in
// nats.
type choice struct {
	shown int
	cost  float64
}

// costs are the choices of each picture of the take for those of the source that
// may be due.
type costs struct {
	first, wide int
	low         []int // of each picture of the take, the first of the source
	trust       []float64
	choices     []choice
}

// trust is how far a picture can be trusted that looks like j of the source most:
// the less things move from that to those beside it, against what is left of it,
// the less. A codec leaves what moves little as it was, so that it looks late.
func (s *stretch) trust(i, j int) float64 {
	moved := 0.0
	if j > 0 {
		moved = differ(s.source.At(j-1), s.source.At(j), &s.gain)
	}
	if j+1 < s.source.Len() {
		moved = max(moved, differ(s.source.At(j), s.source.At(j+1), &s.gain))
	}
	left, n := 0.0, 0.0
	offset := &s.offset[s.part(i)]
	s.codes(i, j, func(b int, x, y float64) {
		d := x - s.gain[b]*y - offset[b]
		left += d * d
		n++
	})
	if n == 0 || moved == 0 {
		return 0
	}
	return moved / (moved + left/n)
}

// differ is how two pictures of one sequence differ, in squared codes, those of a
// source in codes of the take by the gain of each block.
func differ(p, q []uint16, gain *[signature.Blocks]float64) float64 {
	sum, n := 0.0, 0.0
	for b, v := range p {
		if v == signature.Unknown || q[b] == signature.Unknown {
			continue
		}
		d := (float64(v) - float64(q[b])) / signature.Unit8
		if gain != nil {
			d *= gain[b]
		}
		sum += d * d
		n++
	}
	if n == 0 {
		return 0
	}
	return sum / n
}

// at is the choice of picture i when j is due, or is none of the source if j < 0.
func (c *costs) at(i, j int) choice {
	k := i - c.first
	if d := j - c.low[k]; j >= 0 && d >= 0 && d < c.wide {
		return c.choices[k*c.wide+d]
	}
	return choice{-1, outside}
}

func (c *costs) crop(first, last int) {
	c.choices = c.choices[(first-c.first)*c.wide : (last+1-c.first)*c.wide]
	c.low = c.low[first-c.first : last+1-c.first]
	c.trust = c.trust[first-c.first : last+1-c.first]
	c.first = first
}

// tabulate takes the costs of all pairs within the band about the line.
func (s *stretch) tabulate() {
	reach := int(math.Ceil(band/s.of)) + strays
	c := costs{first: s.first, wide: 2*reach + 1}
	nats := make([]float64, c.wide)
	e := s.even(reach)
	for i := s.first; i <= s.last; i++ {
		low := s.clamp(s.line(i)) - reach
		c.low = append(c.low, low)
		for k := range nats {
			nats[k] = math.Inf(1)
			j := low + k
			switch {
			case j < 0 || j >= s.source.Len():
			case e != nil:
				nats[k] = e.evidence(i, j)
			default:
				nats[k] = s.evidence(i, j)
			}
		}
		least := slices.Min(nats)
		trust := 0.0
		if !math.IsInf(least, 1) {
			trust = s.trust(i, low+slices.Index(nats, least))
		}
		c.trust = append(c.trust, trust)
		for k := range nats {
			nats[k] = min(trust*(nats[k]-least), outside)
		}
		for k := range nats {
			best := choice{low + k, nats[k]}
			for d := -strays; d <= strays; d++ {
				if q := k + d; d != 0 && q >= 0 && q < c.wide {
					if n := nats[q] + otherNats + awayNats*math.Abs(float64(d)); n < best.cost {
						best = choice{low + q, n}
					}
				}
			}
			c.choices = append(c.choices, best)
		}
	}
	s.costs = c
}
