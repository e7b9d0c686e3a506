package align

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"setwitness/detect/signature"
)

const (
	// unit is one 8-bit code in what changes of a block.
	unit = 64
	// missing is a block that is not known.
	missing = math.MinInt16
	// Changes of a block are counted against its mean over so much time before
	// and after.
	fineMean = 500 * time.Millisecond
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
	// differ by a thousandth do so every hundred pictures or so), that it jumps,
	// and that one picture alone is another than its time says (a set that
	// drops or repeats one), more for each picture.
	driftNats, jumpNats, otherNats, awayNats = 2, 10, 4, 1
	// A single picture strays by no more than so many of the source.
	strays = 2
)

// stretch is a part of the take that one chain says where to look for.
type stretch struct {
	take, source *signature.Sequence
	rate, origin float64 // source seconds = origin + rate * take seconds, in life
	first, last  int     // pictures of the take
	takes, of    float64 // usual seconds of the source from picture to picture: in the take, in the source

	lowest   int     // picture of the source that y begins with
	x, y     []int16 // what changes: Blocks for each picture
	edges    map[[2]int][]int16
	gain     float64
	weight   [signature.Blocks]float64
	typical  float64 // residual of a picture that fits
	reachJ   int     // pictures of the source to either side of the line
	residual []float64
	held     []int   // of each picture, the one before it that it repeats, or itself
	step     float64 // s between delays

	shown     []int // of each picture from first on; -1 outside the source
	lags      []float64
	explained float64
	margin    float64
}

// highPass returns what changes in pictures from lo to hi, hi inclusive, against
// the mean of those among them that are up to half before and after.
func highPass(s *signature.Sequence, lo, hi int, half time.Duration) []int16 {
	out := make([]int16, (hi-lo+1)*signature.Blocks)
	var sum, n [signature.Blocks]int64
	from, to := lo, lo
	for i := lo; i <= hi; i++ {
		for ; to <= hi && s.Lives[to] <= s.Lives[i]+half; to++ {
			for b, v := range s.At(to) {
				if v != signature.Unknown {
					sum[b] += int64(v)
					n[b]++
				}
			}
		}
		for ; s.Lives[from] < s.Lives[i]-half; from++ {
			for b, v := range s.At(from) {
				if v != signature.Unknown {
					sum[b] -= int64(v)
					n[b]--
				}
			}
		}
		row := out[(i-lo)*signature.Blocks:]
		for b, v := range s.At(i) {
			row[b] = missing
			if v != signature.Unknown {
				row[b] = int16((int64(v)*n[b] - sum[b]) / n[b] / (signature.Unit8 / unit))
			}
		}
	}
	return out
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
		beyond := s.reachJ + 1 + int(math.Ceil(fineMean.Seconds()/s.of))
		s.lowest = max(0, s.clamp(s.line(s.first))-beyond)
		highest := min(s.source.Len()-1, s.clamp(s.line(s.last))+beyond)
		s.x = highPass(s.take, s.first, s.last, time.Duration(float64(fineMean)/s.rate))
		s.y = highPass(s.source, s.lowest, highest, fineMean)
		s.edges = map[[2]int][]int16{}
		s.step = min(s.of, s.takes) / phases
		if round == 0 {
			for b := range s.weight {
				s.weight[b] = 1
			}
			s.weigh(s.constant())
		}
		lag := s.constant()
		s.measure()
		s.hold(func(int) float64 { return lag })
		s.path()
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
	s.path()
}

// refit moves the line to the pictures from first to last of those shown.
func (s *stretch) refit(first, last int) {
	var l straightLine
	for t := first; t <= last; t++ {
		if s.shown[t] >= 0 {
			i := s.first + t
			l.add(s.take.Lives[i].Seconds(), s.line(i)+s.lags[t])
		}
	}
	s.first, s.last = s.first+first, s.first+last
	s.origin, s.rate = l.fit(s.origin, s.rate)
}

// crop leaves the pictures from first to last of those shown.
func (s *stretch) crop(first, last int) {
	wide := 2*s.reachJ + 1
	s.shown, s.lags = s.shown[first:last+1], s.lags[first:last+1]
	s.x = s.x[first*signature.Blocks : (last+1)*signature.Blocks]
	s.residual = s.residual[first*wide : (last+1)*wide]
	s.held = s.held[first : last+1]
	s.first, s.last = s.first+first, s.first+last
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

// changes returns what changes in picture i of the take and j of the source.
func (s *stretch) changes(i, j int) (x, y []int16) {
	x = s.x[(i-s.first)*signature.Blocks:][:signature.Blocks]
	half := time.Duration(float64(fineMean) / s.rate)
	l := s.take.Lives
	before, after := min(half, l[i]-l[s.first]), min(half, l[s.last]-l[i])
	if before == half && after == half {
		return x, s.y[(j-s.lowest)*signature.Blocks:][:signature.Blocks]
	}
	// Near the ends of the stretch the mean is over fewer pictures, and that of
	// the source has to be over the same.
	y, ok := s.edges[[2]int{i, j}]
	if !ok {
		y = make([]int16, signature.Blocks)
		change(y, s.source, j, time.Duration(float64(before)*s.rate), time.Duration(float64(after)*s.rate))
		s.edges[[2]int{i, j}] = y
	}
	return x, y
}

// change sets out to what changes in picture i against the mean from before it
// to after.
func change(out []int16, s *signature.Sequence, i int, before, after time.Duration) {
	const slack = time.Millisecond // files round times to this
	var sum, n [signature.Blocks]int64
	at := sort.Search(s.Len(), func(k int) bool { return s.Lives[k] >= s.Lives[i]-before-slack })
	for ; at < s.Len() && s.Lives[at] <= s.Lives[i]+after+slack; at++ {
		for b, v := range s.At(at) {
			if v != signature.Unknown {
				sum[b] += int64(v)
				n[b]++
			}
		}
	}
	for b, v := range s.At(i) {
		out[b] = missing
		if v != signature.Unknown {
			out[b] = int16((int64(v)*n[b] - sum[b]) / n[b] / (signature.Unit8 / unit))
		}
	}
}

// inside reports whether picture j of the source is at hand.
func (s *stretch) inside(j int) bool {
	return j >= s.lowest && (j-s.lowest+1)*signature.Blocks <= len(s.y)
}

// most pictures say what the constant delay is.
const mostSampled = 1500

// constant finds the delay, against the line, at which all pictures together fit
// best, and the gain between them.
func (s *stretch) constant() float64 {
	best, bestR := 0.0, math.Inf(-1)
	every := (s.last-s.first)/mostSampled + 1
	for lag := -band; lag <= band; lag += s.step {
		var xx, yy, xy float64
		for i := s.first; i <= s.last; i += every {
			j := s.at(s.line(i) + lag)
			if j < 0 || !s.inside(j) {
				continue
			}
			x, y := s.changes(i, j)
			for b, w := range s.weight {
				if x[b] == missing || y[b] == missing {
					continue
				}
				p, q := float64(x[b]), float64(y[b])
				xx += w * p * p
				yy += w * q * q
				xy += w * p * q
			}
		}
		if r := xy / math.Sqrt(xx*yy); xx > 0 && yy > 0 && r > bestR {
			best, bestR = lag, r
			s.gain = max(xy/yy, 0)
		}
	}
	return best
}

// weigh gives blocks that fit badly less weight: a corner that reflects a lamp, a
// caption that only the take has.
func (s *stretch) weigh(lag float64) {
	var sum, n [signature.Blocks]float64
	for i := s.first; i <= s.last; i++ {
		j := s.at(s.line(i) + lag)
		if j < 0 || !s.inside(j) {
			continue
		}
		x, y := s.changes(i, j)
		for b := range s.weight {
			if x[b] == missing || y[b] == missing {
				continue
			}
			d := float64(x[b]) - s.gain*float64(y[b])
			sum[b] += d * d
			n[b]++
		}
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
	floor := variances[len(variances)/2] + grain*grain*unit*unit
	for b := range s.weight {
		s.weight[b] = 0
		if n[b] > 0 {
			s.weight[b] = floor / (floor + sum[b]/n[b])
		}
	}
}

// distance is the residual of picture i of the take against j of the source, in
// squared codes.
func (s *stretch) distance(i, j int, gain float64) float64 {
	x, y := s.changes(i, j)
	var sum, n float64
	for b, w := range s.weight {
		if x[b] == missing || y[b] == missing {
			continue
		}
		d := float64(x[b]) - gain*float64(y[b])
		sum += w * d * d
		n += w
	}
	if n == 0 {
		return 0
	}
	return sum / n / (unit * unit)
}

// known is the distance with the gain, from those that were measured.
func (s *stretch) known(i, j int) float64 {
	if k := j - s.clamp(s.line(i)) + s.reachJ; k >= 0 && k <= 2*s.reachJ {
		return s.residual[(i-s.first)*(2*s.reachJ+1)+k]
	}
	return s.distance(i, j, s.gain)
}

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
				d = s.distance(i, j, s.gain)
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
	heldShare = 0.2
	heldNoise = 2 // times the typical residual
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
		// The means that changes are counted against move as well, so these are
		// blocks as they are.
		on := s.between(s.source, a, b) * s.gain * s.gain
		now := s.between(s.take, i-1, i)
		if on > heldNoise*s.typical && now < heldShare*on+s.typical && i-s.held[t-1] < mostHeld {
			s.held[t] = s.held[t-1]
		}
	}
}

// between is how two pictures of one sequence differ, in squared codes.
func (s *stretch) between(of *signature.Sequence, a, b int) float64 {
	p, q := of.At(a), of.At(b)
	var sum, n float64
	for k, w := range s.weight {
		if p[k] == signature.Unknown || q[k] == signature.Unknown {
			continue
		}
		d := float64(p[k]) - float64(q[k])
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

// path finds the likeliest delays (Viterbi), and from them the pictures.
func (s *stretch) path() {
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
}

// explain says how much of what changes the path explains, and how much worse
// it would be a picture earlier or later.
func (s *stretch) explain() {
	p := max(s.of, s.takes)
	var left, all float64
	margin := [2]float64{}
	for t, j := range s.shown {
		if j < 0 {
			continue
		}
		i := s.first + t
		left += s.known(i, j)
		all += s.distance(i, j, 0)
		for k, d := range [2]float64{-p, p} {
			other := s.due(i, s.lags[t]+d)
			if other < 0 || other == j || !s.inside(other) {
				continue
			}
			if c := s.cost(i, other); !math.IsInf(c, 0) {
				margin[k] += c - s.cost(i, j)
			}
		}
	}
	if all > 0 {
		s.explained = max(0, 1-left/all)
	}
	// Neighbours in time err alike.
	s.margin = max(0, min(margin[0], margin[1])) / 2
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
			d := r.distance(i, r.shown[i-r.first], r.gain)
			better += foldNats * (math.Log1p(d/s.typical) - math.Log1p(s.distance(i, j, s.gain)/s.typical))
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
// the stretch: by their blocks as they are, with the gain of what changes and an
// offset for each block.
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
				all = append(all, (float64(x)-s.gain*float64(y))/signature.Unit8)
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
			e := v - s.gain*float64(y[b])/signature.Unit8 - offset[b]
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
