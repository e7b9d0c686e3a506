package align

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"setwitness/detect/signature"
)

const (
	// Blocks of both differ by an offset each that stays so long: the camera's
	// exposure and the light of the room drift slower.
	offsetSeconds = 8.0
	// What a block's mean is good for at best, in codes: rounding and what is
	// left of noise.
	grain = 0.03
	// The delay of a chain is known this well, from bins and their vertex.
	band = 0.2 // s
	// Delays are told apart by this share of a picture: 50 shown in 60 a second
	// have six phases.
	phases = 8
	// A picture says so many nats for each e-fold that its residual is smaller:
	// half the number of its blocks that change independently (common practice,
	// no source).
	foldNats = 5
	// What it costs, in nats, that the delay moves by a phase (clocks that
	// differ by a thousandth do so every hundred pictures or so, which alone
	// were 5 nats; but codecs and errors of geometry err alike for some
	// pictures, which therefore say no more than one), that it jumps,
	// and that one picture alone is another than its time says (a set that
	// drops or repeats one), more for each picture.
	driftNats, jumpNats, otherNats, awayNats = 20, 60, 5, 1
	// A single picture strays by no more than so many of the source.
	strays = 2
)

// stretch is a part of the take that one chain says where to look for.
type stretch struct {
	take, source *signature.Sequence
	rate, origin float64 // source seconds = origin + rate * take seconds, in life
	first, last  int     // pictures of the take
	takes, of    float64 // usual seconds of the source from picture to picture: in the take, in the source

	// What the take should show of the source: gain * it + offset, for each
	// block, and the offset for each of equal parts of the stretch.
	gain   [signature.Blocks]float64
	offset [][signature.Blocks]float64
	weight [signature.Blocks]float64

	typical  float64 // residual of a picture that fits
	reachJ   int     // pictures of the source to either side of the line
	residual []float64
	held     []int   // of each picture, the one before it that it repeats, or itself
	step     float64 // s between delays

	shown     []int // of each picture from first on; -1 outside the source
	lags      []float64
	explained float64
	margin    float64
	other     float64 // nats by which a path at another rate is worse
}

// at returns the picture of the source that is up at a time in its life, or -1.
func (s *stretch) at(u float64) int {
	d := time.Duration(u * float64(time.Second))
	l := s.source.Lives
	if d < l[0] || u >= l[len(l)-1].Seconds()+s.of {
		return -1
	}
	return sort.Search(len(l), func(i int) bool { return l[i] > d }) - 1
}

// clamp is at, with the first and last picture for times beyond the source.
func (s *stretch) clamp(u float64) int {
	d := time.Duration(u * float64(time.Second))
	l := s.source.Lives
	return min(max(sort.Search(len(l), func(i int) bool { return l[i] > d })-1, 0), len(l)-1)
}

// line is the time in the source of picture i by the chain.
func (s *stretch) line(i int) float64 { return s.origin + s.rate*s.take.Lives[i].Seconds() }

// rounds are enough: the first finds most of the pictures with the line of the
// chain, the others follow the line of those that were found.
const rounds = 3

// follow finds which picture is shown when.
func (s *stretch) follow() error {
	s.of = period(s.source).Seconds()
	for round := range rounds {
		s.takes = period(s.take).Seconds() * s.rate
		// What lies beyond the source is not looked at.
		for s.first < s.last && s.line(s.first) < s.source.Lives[0].Seconds()-band {
			s.first++
		}
		for s.last > s.first && s.line(s.last) > s.source.Lives[s.source.Len()-1].Seconds()+band {
			s.last--
		}
		if s.last-s.first < fewest {
			return fmt.Errorf("%w: hardly a picture of it lies within the source", ErrDifferent)
		}
		s.reachJ = int(math.Ceil(band/s.of)) + strays
		s.step = min(s.of, s.takes) / phases
		if round == 0 {
			for b := range s.weight {
				s.weight[b] = 1
			}
		}
		lag := s.constant()
		along := func(t int) int { return s.at(s.line(s.first+t) + lag) }
		s.calibrate(along)
		s.weigh(along)
		s.measure()
		s.hold(func(int) float64 { return lag })
		s.path(true)
		s.again()
		first, last := s.belong()
		if last-first < fewest {
			return fmt.Errorf("%w: its pictures do not look like those of the source", ErrDifferent)
		}
		if round < rounds-1 {
			s.refit(first, last)
			continue
		}
		s.crop(first, last)
	}
	s.explain()
	return nil
}

// fewest pictures are a stretch.
const fewest = 4

// again takes the residuals along the path for what is typical, and follows it
// once more: along a constant delay they are too large where it drifts.
func (s *stretch) again() {
	s.calibrate(func(t int) int { return s.shown[t] })
	s.measure()
	var fitting []float64
	for t, j := range s.shown {
		if j >= 0 {
			fitting = append(fitting, s.known(s.first+t, j))
		}
	}
	if len(fitting) == 0 {
		return
	}
	slices.Sort(fitting)
	s.typical = grain*grain + fitting[len(fitting)/2]
	s.hold(func(t int) float64 { return s.lags[t] })
	s.path(true)
}

// refit moves the line to the pictures from first to last of those shown.
func (s *stretch) refit(first, last int) {
	s.first, s.last = s.first+first, s.first+last
	s.shown, s.lags, s.held = s.shown[first:last+1], s.lags[first:last+1], s.held[first:last+1]
	wide := 2*s.reachJ + 1
	s.residual = s.residual[first*wide : (last+1)*wide]
	s.pace()
}

const (
	// oddNats is what it costs, in nats, that a source is not shown in real time:
	// half of a jump, which is rarer in takes of files.
	oddNats = 30
	// alikeRates differ by no more than clocks do.
	alikeRates = 0.002
	// Lines are tried in steps of this share of a picture, over so many pictures.
	lineStep, lineSamples = 0.25, 200
	// Paths are the same that differ in fewer of their pictures.
	otherPath = 0.1
)

// pace chooses the rate at which the likeliest path is the likeliest of all, and
// keeps by how much the best other one is worse.
func (s *stretch) pace() {
	mid := s.middle()
	at := s.origin + s.rate*mid
	tilt := band / max((s.take.Lives[s.last]-s.take.Lives[s.first]).Seconds()/2, band)
	odd, lag := s.straight(tilt)
	tried := []float64{odd}
	if math.Abs(s.rate-odd) > alikeRates {
		tried = append(tried, s.rate)
	}
	for _, group := range [][]float64{usualRates, films, slowMotion} {
		for _, r := range group {
			if math.Abs(r-odd) < tilt && !slices.Contains(tried, r) {
				tried = append(tried, r)
			}
		}
	}
	type way struct {
		rate  float64
		shown []int
		nats  float64
	}
	var ways []way
	for _, rate := range tried {
		r := *s
		r.rate, r.origin = rate, at+lag-rate*mid
		r.measure()
		r.typical = s.typical
		for _, bends := range []bool{true, false} {
			w := way{rate: rate, nats: r.path(bends)}
			w.shown = r.shown
			if rate != 1 {
				w.nats += oddNats
			}
			ways = append(ways, w)
		}
	}
	best := slices.MinFunc(ways, func(a, b way) int { return cmp.Compare(a.nats, b.nats) })
	s.other = math.Inf(1)
	for _, w := range ways {
		differ := 0
		for t, j := range w.shown {
			if j != best.shown[t] {
				differ++
			}
		}
		if float64(differ) > otherPath*float64(len(w.shown)) {
			s.other = min(s.other, w.nats-best.nats)
		}
	}
	s.rate, s.origin = best.rate, at+lag-best.rate*mid
}

// middle is when in life the middle of the stretch is in the take.
func (s *stretch) middle() float64 {
	return (s.take.Lives[s.first] + s.take.Lives[s.last]).Seconds() / 2
}

// straight finds the line along which all pictures together fit best, of those
// that differ from the present one by no more than tilt: its rate, and its delay
// in the middle.
func (s *stretch) straight(tilt float64) (rate, lag float64) {
	every := (s.last-s.first)/lineSamples + 1
	wide := 2*s.reachJ + 1
	mid := s.middle()
	var ts []int
	choices := make([]choice, 0, (lineSamples+1)*wide)
	for t := 0; s.first+t <= s.last; t += every {
		ts = append(ts, t)
		row := make([]choice, wide)
		s.weighUp(s.first+t, row)
		choices = append(choices, row...)
	}
	step := lineStep * min(s.of, s.takes)
	turn := step / max((s.take.Lives[s.last]-s.take.Lives[s.first]).Seconds()/2, band)
	least := math.Inf(1)
	for k := -int(tilt / turn); k <= int(tilt/turn); k++ {
		for q := -int(band / step); q <= int(band/step); q++ {
			cost := 0.0
			for n, t := range ts {
				i := s.first + t
				shift := float64(q)*step + float64(k)*turn*(s.take.Lives[s.held[t]].Seconds()-mid)
				c := float64(outside)
				if j := s.due(i, shift); j >= 0 {
					if at := j - s.clamp(s.line(i)) + s.reachJ; at >= 0 && at < wide {
						c = min(c, choices[n*wide+at].cost)
					}
				}
				cost += c
				if cost >= least {
					break
				}
			}
			if cost < least {
				least, rate, lag = cost, s.rate+float64(k)*turn, float64(q)*step
			}
		}
	}
	return rate, lag
}

// crop leaves the pictures from first to last of those shown.
func (s *stretch) crop(first, last int) {
	wide := 2*s.reachJ + 1
	s.shown, s.lags = s.shown[first:last+1], s.lags[first:last+1]
	s.residual = s.residual[first*wide : (last+1)*wide]
	s.held = s.held[first : last+1]
	s.first, s.last = s.first+first, s.first+last
	s.calibrate(func(t int) int { return s.shown[t] })
}

// straightLine is a fit of y = a + b*x.
type straightLine struct{ n, x, y, xx, xy, x0, y0 float64 }

func (l *straightLine) add(x, y float64) {
	if l.n == 0 {
		l.x0, l.y0 = x, y
	}
	x, y = x-l.x0, y-l.y0
	l.n, l.x, l.y, l.xx, l.xy = l.n+1, l.x+x, l.y+y, l.xx+x*x, l.xy+x*y
}

// fit returns a and b, or those given where the values do not tell.
func (l *straightLine) fit(a, b float64) (float64, float64) {
	d := l.n*l.xx - l.x*l.x
	if l.n < fewest || d <= 0 {
		return a, b
	}
	b = (l.n*l.xy - l.x*l.y) / d
	return l.y0 + (l.y-b*l.x)/l.n - b*l.x0, b
}

// most pictures say what the constant delay is.
const mostSampled = 1500

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
	for lag := -band; lag <= band; lag += s.step {
		var m [signature.Blocks]moments
		for i := s.first; i <= s.last; i += every {
			if j := s.at(s.line(i) + lag); j >= 0 {
				s.codes(i, j, func(b int, x, y float64) { m[b].add(x, y) })
			}
		}
		var xx, yy, xy float64
		for b, w := range s.weight {
			p, q, r := m[b].about()
			xx, yy, xy = xx+w*p, yy+w*q, xy+w*r
		}
		r := 0.0
		if xx > 0 && yy > 0 {
			r = xy / math.Sqrt(xx*yy)
		}
		lags, rs = append(lags, lag), append(rs, r)
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

// parts is how many equal parts of the stretch have an offset of their own.
func (s *stretch) parts() int {
	return max(1, int((s.take.Lives[s.last]-s.take.Lives[s.first]).Seconds()/offsetSeconds))
}

// part is the part in which picture i lies.
func (s *stretch) part(i int) int { return (i - s.first) * len(s.offset) / (s.last - s.first + 1) }

// calibrate finds gain and offset of each block along a path. A block in which
// little changes takes the gain of all.
func (s *stretch) calibrate(shown func(t int) int) {
	s.offset = make([][signature.Blocks]float64, s.parts())
	m := make([][signature.Blocks]moments, len(s.offset))
	for i := s.first; i <= s.last; i++ {
		if j := shown(i - s.first); j >= 0 {
			part := &m[s.part(i)]
			s.codes(i, j, func(b int, x, y float64) { part[b].add(x, y) })
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

// weigh gives blocks that fit badly less weight: a corner that reflects a lamp, a
// caption that only the take has.
func (s *stretch) weigh(shown func(t int) int) {
	var sum, n [signature.Blocks]float64
	for i := s.first; i <= s.last; i++ {
		j := shown(i - s.first)
		if j < 0 {
			continue
		}
		offset := &s.offset[s.part(i)]
		s.codes(i, j, func(b int, x, y float64) {
			d := x - s.gain[b]*y - offset[b]
			sum[b] += d * d
			n[b]++
		})
	}
	var variances []float64
	for b := range sum {
		if n[b] > 0 {
			variances = append(variances, sum[b]/n[b])
		}
	}
	if len(variances) == 0 {
		return
	}
	slices.Sort(variances)
	floor := variances[len(variances)/2] + grain*grain
	for b := range s.weight {
		s.weight[b] = 0
		if n[b] > 0 {
			s.weight[b] = floor / (floor + sum[b]/n[b])
		}
	}
}

// distance is the residual of picture i of the take against j of the source, in
// squared codes.
func (s *stretch) distance(i, j int) float64 {
	offset := &s.offset[s.part(i)]
	x, y := s.take.At(i), s.source.At(j)
	var sum, n float64
	for b, w := range s.weight {
		if x[b] == signature.Unknown || y[b] == signature.Unknown {
			continue
		}
		d := (float64(x[b])-s.gain[b]*float64(y[b]))/signature.Unit8 - offset[b]
		sum += w * d * d
		n += w
	}
	if n == 0 {
		return 0
	}
	return sum / n
}

// known is the distance, from those that were measured.
func (s *stretch) known(i, j int) float64 {
	if k := j - s.clamp(s.line(i)) + s.reachJ; k >= 0 && k <= 2*s.reachJ {
		return s.residual[(i-s.first)*(2*s.reachJ+1)+k]
	}
	return s.distance(i, j)
}

// inside reports whether the source has a picture j.
func (s *stretch) inside(j int) bool { return j >= 0 && j < s.source.Len() }

// measure takes the residuals of all pairs in the band, and the typical one of
// those that fit best.
func (s *stretch) measure() {
	wide := 2*s.reachJ + 1
	s.residual = make([]float64, (s.last-s.first+1)*wide)
	var fitting []float64
	for i := s.first; i <= s.last; i++ {
		low := s.clamp(s.line(i)) - s.reachJ
		least := math.Inf(1)
		for k := range wide {
			d := math.Inf(1)
			if j := low + k; s.inside(j) {
				d = s.distance(i, j)
			}
			s.residual[(i-s.first)*wide+k] = d
			least = min(least, d)
		}
		if !math.IsInf(least, 1) {
			fitting = append(fitting, least)
		}
	}
	s.typical = grain * grain
	if len(fitting) > 0 {
		slices.Sort(fitting)
		s.typical += fitting[len(fitting)/2]
	}
}

const (
	// A picture repeats the one before it when it differs from that by less than
	// this share of what it would if things went on to move, beside the noise;
	// where they move so little that this tells nothing, it does not matter.
	heldShare = 0.1
	heldNoise = 4    // times the typical residual
	heldCodes = 0.15 // root mean square that codecs do not smooth away
	// No more pictures than so many are one: 24 a second in 120.
	mostHeld = 6
)

// hold finds the pictures that repeat the one before, with the delay of each.
func (s *stretch) hold(lag func(t int) float64) {
	s.held = make([]int, s.last-s.first+1)
	for t := range s.held {
		i := s.first + t
		s.held[t] = i
		if t == 0 {
			continue
		}
		a, b := s.at(s.line(i-1)+lag(t)), s.at(s.line(i)+lag(t))
		if a == b && b > 0 {
			a-- // at the pace of the source
		}
		if a < 0 || b < 0 {
			continue
		}
		on := s.between(s.source, a, b, &s.gain)
		now := s.between(s.take, i-1, i, nil)
		if on > heldNoise*s.typical+heldCodes*heldCodes && now < heldShare*on+s.typical && i-s.held[t-1] < mostHeld {
			s.held[t] = s.held[t-1]
		}
	}
}

// between is how two pictures of one sequence differ, in squared codes of the
// take.
func (s *stretch) between(of *signature.Sequence, a, b int, gain *[signature.Blocks]float64) float64 {
	p, q := of.At(a), of.At(b)
	var sum, n float64
	for k, w := range s.weight {
		if p[k] == signature.Unknown || q[k] == signature.Unknown {
			continue
		}
		d := float64(p[k]) - float64(q[k])
		if gain != nil {
			d *= gain[k]
		}
		sum += w * d * d
		n += w
	}
	if n == 0 {
		return 0
	}
	return sum / n / (signature.Unit8 * signature.Unit8)
}

// due returns the picture of the source that is due at picture i with a delay: a
// picture that is repeated is the one that was due when it was first shown.
func (s *stretch) due(i int, lag float64) int { return s.at(s.line(s.held[i-s.first]) + lag) }

// choice is the picture that is shown when one is due, and what that costs in
// nats.
type choice struct {
	shown int
	cost  float64
}

// weighUp fills in the choices of picture i for all pictures of the band that may
// be due.
func (s *stretch) weighUp(i int, choices []choice) {
	wide := 2*s.reachJ + 1
	low := s.clamp(s.line(i)) - s.reachJ
	row := s.residual[(i-s.first)*wide:][:wide]
	costs := make([]float64, wide)
	for k, d := range row {
		costs[k] = foldNats * math.Log1p(d/s.typical)
	}
	for k := range choices {
		best := choice{low + k, costs[k]}
		for d := -strays; d <= strays; d++ {
			if q := k + d; d != 0 && q >= 0 && q < wide {
				if c := costs[q] + otherNats + awayNats*math.Abs(float64(d)); c < best.cost {
					best = choice{low + q, c}
				}
			}
		}
		choices[k] = best
	}
}

// cost is what it costs, in nats, to take picture i for j.
func (s *stretch) cost(i, j int) float64 { return foldNats * math.Log1p(s.known(i, j)/s.typical) }

// outside is what a picture costs that lies beyond the source.
const outside = 20

// path finds the likeliest delays (Viterbi), and from them the pictures; one
// delay throughout unless it bends. It returns what they cost, in nats.
func (s *stretch) path(bends bool) float64 {
	n := s.last - s.first + 1
	states := 2*int(band/s.step) + 1
	lag := func(k int) float64 { return float64(k-states/2) * s.step }
	score, next := make([]float64, states), make([]float64, states)
	back := make([]int16, n*states)
	wide := 2*s.reachJ + 1
	choices := make([]choice, n*wide)
	// chosen is the choice at picture t with delay k; none beyond the source.
	chosen := func(t, k int) choice {
		i := s.first + t
		if j := s.due(i, lag(k)); j >= 0 {
			if q := j - s.clamp(s.line(i)) + s.reachJ; q >= 0 && q < wide {
				return choices[t*wide+q]
			}
		}
		return choice{-1, outside}
	}
	for t := range n {
		s.weighUp(s.first+t, choices[t*wide:][:wide])
		jumped, from := math.Inf(1), 0
		for k, v := range score {
			if v < jumped {
				jumped, from = v, k
			}
		}
		jumped += jumpNats
		for k := range next {
			best, b := score[k], k
			if !bends {
				next[k], back[t*states+k] = best+min(chosen(t, k).cost, 2*outside), int16(b)
				continue
			}
			for _, q := range [2]int{k - 1, k + 1} {
				if q >= 0 && q < states && score[q]+driftNats < best {
					best, b = score[q]+driftNats, q
				}
			}
			if jumped < best {
				best, b = jumped, from
			}
			next[k], back[t*states+k] = best+min(chosen(t, k).cost, 2*outside), int16(b)
		}
		score, next = next, score
	}
	// Of delays that fit equally well, the middle one.
	k, ties := 0, 0
	least := slices.Min(score)
	for q, v := range score {
		if v <= least+1e-9 {
			k += q
			ties++
		}
	}
	k /= ties
	if score[k] > least+1e-9 {
		k = slices.Index(score, least)
	}
	s.shown, s.lags = make([]int, n), make([]float64, n)
	for t := n - 1; t >= 0; t-- {
		s.lags[t] = lag(k)
		s.shown[t] = chosen(t, k).shown
		k = int(back[t*states+k])
	}
	return least
}

// explain says how much of what changes the path explains, and how much worse
// it would be a picture earlier or later.
func (s *stretch) explain() {
	p := max(s.of, s.takes)
	var left float64
	var all [signature.Blocks]moments
	margin := [2]float64{}
	for t, j := range s.shown {
		if j < 0 {
			continue
		}
		i := s.first + t
		offset := &s.offset[s.part(i)]
		s.codes(i, j, func(b int, x, y float64) {
			d := x - s.gain[b]*y - offset[b]
			left += s.weight[b] * d * d
			all[b].add(x, 0)
		})
		for k, d := range [2]float64{-p, p} {
			if other := s.due(i, s.lags[t]+d); other >= 0 && other != j {
				margin[k] += s.cost(i, other) - s.cost(i, j)
			}
		}
	}
	changes := 0.0
	for b, w := range s.weight {
		xx, _, _ := all[b].about()
		changes += w * xx
	}
	if changes > 0 {
		s.explained = max(0, 1-left/changes)
	}
	// Neighbours in time err alike.
	s.margin = max(0, min(margin[0], margin[1], s.other)) / 2
}

const (
	// A rival place is looked at closer when windows that the chain consists of
	// fit it with at least this share of what they are worth.
	rivalShare = 0.5
	// rivalNats is by how much the chain's place has to be better.
	rivalNats = 12
	// leastExplained is how much of what changes a source has to explain: half
	// is what other material of the same kind may, with a gain to choose.
	leastExplained = 0.4
)

// rivals returns an error where the stretch fits other places of the source as
// well, or fits none.
func (s *stretch) rivals(c *chain, rate float64) error {
	if s.explained < leastExplained {
		return fmt.Errorf("%w: it explains %.0f %% of what changes", ErrDifferent, 100*s.explained)
	}
	own := 0.0
	type place struct{ lag, worth float64 }
	var places []place
	for i, w := range c.windows {
		own += worth(c.rs[i])
		for _, p := range w.peaks {
			if math.Abs(p.lag-c.lags[i])*binSeconds <= 2*band {
				continue
			}
			k := slices.IndexFunc(places, func(q place) bool { return math.Abs(q.lag-p.lag) <= lagBins })
			if k < 0 {
				places = append(places, place{p.lag, 0})
				k = len(places) - 1
			}
			places[k].worth += worth(p.r)
		}
	}
	for _, q := range places {
		if q.worth < rivalShare*own {
			continue
		}
		r := *s
		lag, drift := c.line()
		r.origin += (q.lag - lag - drift*c.windows[len(c.windows)/2].middle()) * binSeconds
		first, last := s.first, s.last
		if r.follow() != nil {
			continue
		}
		// By the residuals of both, over the pictures that both have.
		better := 0.0
		for t, j := range s.shown {
			i := first + t
			if j < 0 || i < r.first || i > r.last || r.shown[i-r.first] < 0 {
				continue
			}
			d := r.distance(i, r.shown[i-r.first])
			better += foldNats * (math.Log1p(d/s.typical) - math.Log1p(s.distance(i, j)/s.typical))
		}
		if last-first < 2*(r.last-r.first) && better/2 < rivalNats {
			at := s.source.Lives[0] + time.Duration((q.lag+c.windows[0].middle())*binSeconds*float64(time.Second))
			return fmt.Errorf("%w: near %.2f s as well", ErrAmbiguous, at.Seconds())
		}
	}
	return nil
}

const (
	// A picture belongs to the stretch when its blocks differ from the source's
	// by less than so many times what is typical, or by less than a share of how
	// they differ among themselves.
	belongs, belongsShare = 8, 0.25
	// One picture says no more than so many nats of whether it belongs.
	mostNats = 2
)

// offsetSamples pictures say how the blocks of both differ all along.
const offsetSamples = 101

// belong returns the first and the last of the pictures shown that do belong to
// the stretch: by their blocks, with offsets that those that do not belong move
// little.
func (s *stretch) belong() (first, last int) {
	n := len(s.shown)
	var offset [signature.Blocks]float64
	for b := range offset {
		var all []float64
		for t := 0; t < n; t += n/offsetSamples + 1 {
			if s.shown[t] < 0 {
				continue
			}
			x, y := s.take.At(s.first + t)[b], s.source.At(s.shown[t])[b]
			if x != signature.Unknown && y != signature.Unknown {
				all = append(all, (float64(x)-s.gain[b]*float64(y))/signature.Unit8)
			}
		}
		if len(all) > 0 {
			slices.Sort(all)
			offset[b] = all[len(all)/2]
		}
	}
	differ, spread := make([]float64, n), make([]float64, n)
	var sorted []float64
	for t := range n {
		if s.shown[t] < 0 {
			continue
		}
		var d, w, m, mm, k float64
		x, y := s.take.At(s.first+t), s.source.At(s.shown[t])
		for b := range x {
			if x[b] == signature.Unknown || y[b] == signature.Unknown {
				continue
			}
			v := float64(x[b]) / signature.Unit8
			e := v - s.gain[b]*float64(y[b])/signature.Unit8 - offset[b]
			d += s.weight[b] * e * e
			w += s.weight[b]
			m += v
			mm += v * v
			k++
		}
		if w > 0 {
			differ[t], spread[t] = d/w, mm/k-m*m/k/k
		}
		sorted = append(sorted, differ[t])
	}
	if len(sorted) == 0 {
		return 0, -1
	}
	slices.Sort(sorted)
	usual := sorted[len(sorted)/2] + grain*grain
	// The run of pictures that belong the most (Kadane).
	var best, sum float64
	last = -1
	from := 0
	for t := range n {
		v := -float64(mostNats)
		if s.shown[t] >= 0 {
			v = math.Log(max(belongs*usual, belongsShare*spread[t]) / (differ[t] + grain*grain))
			v = min(max(v, -mostNats), mostNats)
		}
		if sum <= 0 {
			sum, from = 0, t
		}
		if sum += v; sum > best {
			best, first, last = sum, from, t
		}
	}
	return first, last
}

// keep enters the pictures that no other stretch has and returns the span.
func (s *stretch) keep(a *Alignment) Span {
	first, last := 0, len(s.shown)-1
	for first <= last && a.Pictures[s.first+first] >= 0 {
		first++
	}
	for last >= first && a.Pictures[s.first+last] >= 0 {
		last--
	}
	var l straightLine
	for t := first; t <= last; t++ {
		j := s.shown[t]
		a.Pictures[s.first+t] = j
		if j >= 0 {
			l.add(s.take.Lives[s.first+t].Seconds(), s.source.Lives[j].Seconds())
		}
	}
	span := Span{First: s.first + first, Last: s.first + last}
	if last < first {
		return span
	}
	origin, rate := l.fit(s.origin, s.rate)
	start := origin + rate*s.take.Lives[span.First].Seconds()
	span.Start, span.Rate = time.Duration(start*float64(time.Second)), rate
	return span
}
