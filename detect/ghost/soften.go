package ghost

import (
	"image"
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// A mixture of the pictures of a pan is softer along the pan than they are, and
// as sharp across it, whatever the length of the steps: those of a slow pan are
// shorter than an edge is wide, so that no copy stands apart. A lens out of
// focus and a picture that is coded worse are softer both ways, and a pan that
// is blurred because it goes faster relates the pictures less, not more.
const (
	// So many pictures before a burst, and so many after it, have to be as sharp
	// as each other along the pan, which goes on all the while.
	sharpBefore, sharpAfter = 5, 3
	// The steps of the pan have to be found in so many of those before, and to
	// differ by less than this share: matches of a filmed pan fail now and then.
	fewestPans, straight = 2, 0.4
	// Steps of less than a sample soften less than the pictures' own changes do.
	leastSoftStep = 1.0
	// A burst has at least so many pictures: a single one may be coded worse,
	// along its vectors.
	fewestSoft = 2
	// Softness is told in the logarithm of the energy along the pan over that
	// across it. It has to rise by so much, and by so many times what the
	// pictures before stray, which is 0.01 to 0.03 where a hand holds the camera.
	leastSoft, softStrays = 0.1, 4
	// Within a burst it stays above this share of its rise, and after it below
	// the other.
	softWithin, softAfter = 0.6, 0.3
	// A mixture softens across the pan by less than this share of along it.
	mostAcross = 0.6
	// Across it none gains: what grows sharper there by this share of what is lost
	// along is another scene that takes the place of the first.
	mostGained = 0.5
	// Three equal shares leave a third of the energy along the pan, and no mixture
	// less; blur that a transition adds does. The logarithm, with a tenth for noise.
	mostSoft = 1.2
	// A burst that goes on ends where the softness falls from one picture to the
	// next by this share of it, whatever comes into the pan by then.
	softEnds = 0.4
	// Least copy in a mixture that is told so: noise, and what does not go with
	// the pan, take up to half of what it says. What does not end within sight may be
	// another focus or coding as well: of steps that are longer than an edge is wide,
	// which soften by all that they mix, it has to show a whole copy.
	leastSoftCopy = leastCopy / 2
	// So many pictures are seen ahead. A burst that lasts for longer goes on for as
	// long as the pictures stay softer.
	seenAhead = span - 1
	// The confidence grows by one step of the logistic function for so much
	// softness above the least.
	softSlack = 0.04
)

// softness is the energy of the detail of one picture between neighbours in each
// direction; 0 where it was not asked for.
type softness struct {
	picture int
	energy  [len(neighbours)]float64
}

// neighbours are the directions from a sample to another; each is at right
// angles to the one after it or before it.
var neighbours = [...]image.Point{{1, 0}, {0, 1}, {1, 1}, {1, -1}}

// softnesses keeps those of the newest pictures.
type softnesses [2*span + 2]softness

// detailOf returns the energy of the detail of picture i in a direction; 0 where
// the take has no such picture.
func (s *state) detailOf(i, direction int) float64 {
	c := s.cells.At(i)
	if c == nil {
		return 0
	}
	o := &s.soft[i%len(s.soft)]
	if o.picture != i {
		*o = softness{picture: i}
	}
	if o.energy[direction] == 0 {
		// All rows count: a fine line that falls between two of them comes and
		// goes with the least motion.
		l := lags{r: &c.Reduced, d: neighbours[direction], search: &s.successions.search}
		o.energy[direction] = l.whole(1)
	}
	return o.energy[direction]
}

// along is the direction of a pan among the neighbours.
func along(dx, dy float64) int {
	turn := int(math.Round(math.Atan2(dy, dx)/(math.Pi/4))+8) % 4
	return [4]int{0, 2, 1, 3}[turn]
}

// across is the one at right angles to it.
func across(direction int) int { return direction ^ 1 }

// softBurst is a run of pictures that are softer along a pan than those beside
// them.
type softBurst struct {
	first, n  int
	direction int
	step      float64 // raster pixels
	open      bool    // it goes on for longer than is seen ahead
	base      float64 // what the softness is of
	by        float64 // softness, mean
	last      float64 // that of its newest picture
	rho       float64 // relation of the pictures before it
	least     float64 // that had to be
}

// samples is the step of the pan in reduced samples along the direction; a diagonal one is
// as long as both its sides.
func (b *softBurst) samples(r *cells.Reduced) float64 {
	d := neighbours[b.direction]
	return b.step / math.Hypot(float64(d.X*r.StepX), float64(d.Y*r.StepY))
}

// softens returns the burst that begins at a picture.
func (s *state) softens(first int) (b softBurst, ok bool) {
	twice := s.successions.at(first).whole.twice && s.successions.at(first+1).whole.twice
	if !twice && !s.rises(first) {
		return b, false
	}
	dx, dy, ok := s.panBefore(first)
	if !ok {
		return b, false
	}
	b = softBurst{first: first, direction: along(dx, dy), step: math.Hypot(dx, dy)}
	var sharp, wide [sharpBefore]float64
	for k := range sharp {
		i := first - 1 - k
		m := s.motion.At(i)
		v, w, known := s.softAt(i, b.direction)
		if !known || m == nil || m.Cut {
			return b, false
		}
		sharp[k], wide[k] = v, w
	}
	base, stray := line(sharp[:])
	b.base = base
	baseAcross, _ := line(wide[:])
	b.least = max(leastSoft, softStrays*stray)
	softer := func(i int) (soft, across float64, known bool) {
		m := s.motion.At(i)
		v, w, known := s.softAt(i, b.direction)
		return base - v, baseAcross - w, known && m != nil && !m.Cut
	}
	start, _, known := softer(first)
	if !known || start < b.least {
		return b, false
	}
	sum, sumAcross := 0.0, 0.0
	for {
		soft, across, known := softer(first + b.n)
		if !known || soft > mostSoft {
			return b, false
		}
		if soft < softWithin*start {
			break
		}
		sum, sumAcross, b.last = sum+soft, sumAcross+across, soft
		if b.n++; b.n == seenAhead {
			b.open = true
			break
		}
	}
	b.by = sum / float64(b.n)
	for k := 0; k < sharpAfter && !b.open; k++ {
		if soft, _, known := softer(first + b.n + k); !known || soft > softAfter*b.by {
			return b, false
		}
	}
	byAcross := sumAcross / float64(b.n)
	if b.n < fewestSoft || byAcross > mostAcross*(b.by+byAcross) || byAcross < -mostGained*b.by {
		return b, false
	}
	if twice {
		return b, !b.open && s.shownTwice(first, b.n)
	}
	// All of its pictures relate more than those before, on the whole.
	within, related := s.relates(first, first+b.n)
	b.rho, ok = s.relates(first-sharpBefore, first-1)
	return b, ok && related && within-b.rho > leastRise
}

// shownTwice reports whether the pictures of a burst repeat each other, as fields do
// that are woven as if they were of film, and those before and after it do not.
// Mixtures that are shown twice relate to nothing; but what halves motion without
// mixing softens none.
func (s *state) shownTwice(first, n int) bool {
	for i := first - sharpBefore; i < first+n+sharpAfter; i++ {
		r := s.successions.at(i).whole
		switch {
		case i >= first && i < first+n-1:
			if !r.twice {
				return false
			}
		case i < first-1 || i > first+n:
			if !r.known {
				return false
			}
		}
	}
	return true
}

// softerAlong reports whether so many pictures are softer along the pan before
// them than across it, where there is one of steps that soften: mixtures are.
func (s *state) softerAlong(first, n int) bool {
	dx, dy, ok := s.panBefore(first)
	if !ok {
		return true
	}
	mean := func(from, to int) float64 {
		sum := 0.0
		for i := from; i < to; i++ {
			v, _, known := s.softAt(i, along(dx, dy))
			if !known {
				return math.NaN()
			}
			sum += v
		}
		return sum / float64(to-from)
	}
	softer := mean(first-sharpBefore, first) - mean(first, first+n)
	return !(softer < leastSoft/2 || softer > mostSoft)
}

// panBefore returns the median of the steps of the pan before a picture, where
// some are found and agree, and are long enough to soften.
func (s *state) panBefore(first int) (dx, dy float64, ok bool) {
	var pans []motion.Pan
	for i := first - sharpBefore; i < first; i++ {
		if m := s.motion.At(i); m != nil && m.Pan.Found {
			pans = append(pans, m.Pan)
		}
	}
	if len(pans) < fewestPans {
		return 0, 0, false
	}
	x, y := s.baseline[:0], s.energy[:0]
	for _, p := range pans {
		x, y = append(x, float64(p.DX)), append(y, float64(p.DY))
	}
	s.baseline, s.energy = x, y
	dx, dy = median(x), median(y)
	r := &s.cells.At(first).Reduced
	long := math.Hypot(dx/float64(r.StepX), dy/float64(r.StepY)) >= leastSoftStep
	for _, p := range pans {
		if math.Hypot(float64(p.DX)-dx, float64(p.DY)-dy) > straight*math.Hypot(dx, dy) {
			return 0, 0, false
		}
	}
	return dx, dy, long
}

// rises reports whether the first two pictures of a burst, or either, relate to
// those beside them more than the ones before do.
func (s *state) rises(first int) bool {
	before, ok := s.relates(first-sharpBefore, first-1)
	a, b := s.successions.at(first).whole, s.successions.at(first+1).whole
	return ok && a.known && b.known && max(a.rho, b.rho)-before > leastRise
}

// relates is the mean relation of the pictures from one to before another.
func (s *state) relates(from, to int) (mean float64, ok bool) {
	n := 0
	for i := from; i < to; i++ {
		if r := s.successions.at(i).whole; r.known {
			mean, n = mean+r.rho, n+1
		}
	}
	return mean / float64(max(n, 1)), n > 0
}

// softAt returns the logarithms of the energy of picture i along a direction
// over that across it, and of that across.
func (s *state) softAt(i, direction int) (ratio, wide float64, known bool) {
	a, c := s.detailOf(i, direction), s.detailOf(i, across(direction))
	if a == 0 || c == 0 {
		return 0, 0, false
	}
	return math.Log(a / c), math.Log(c), true
}

// line returns where values, the newest first, go on to, by their mean and half
// their trend, and how far they stray from their line.
func line(v []float64) (next, stray float64) {
	n := float64(len(v))
	mean, slope, xx := 0.0, 0.0, 0.0
	for _, y := range v {
		mean += y / n
	}
	for k, y := range v {
		x := (n-1)/2 - float64(k)
		slope, xx = slope+x*y, xx+x*x
	}
	slope /= xx
	for k, y := range v {
		stray = max(stray, math.Abs(y-mean-slope*((n-1)/2-float64(k))))
	}
	return mean + slope*n/2, stray
}

// mixed returns the weight of the copies on either side in the pictures of a
// burst, as mixtures of three, from what the last sharp picture is like at the
// lags that they lie apart. Noise adds the same to the differences at all lags,
// so that those at two tell.
func (s *state) mixed(b softBurst) float64 {
	const near, far = 1, 3
	d := neighbours[b.direction]
	r := &s.cells.At(b.first - 1).Reduced
	step := b.samples(r)
	search := &s.successions.search
	sharp := lags{r: r, d: d, search: search}
	soft := lags{r: &s.cells.At(b.first).Reduced, d: d, search: search}
	// Light that changes does so both ways.
	_, before, _ := s.softAt(b.first-1, b.direction)
	_, within, _ := s.softAt(b.first, b.direction)
	seen := (soft.at(far) - soft.at(near)) * math.Exp(before-within)
	left := func(apart float64) float64 {
		of := func(lag float64) float64 { return (sharp.at(lag+apart) + sharp.at(lag-apart)) / 2 }
		return of(far) - of(near)
	}
	own, once, twice := left(0), left(step), left(2*step)
	best, least := 0.0, math.Inf(1)
	const steps = 100 // of a weight
	for k := range steps/3 + 1 {
		w := float64(k) / steps
		kept := ((1-2*w)*(1-2*w)+2*w*w)*own + 4*w*(1-2*w)*once + 2*w*w*twice
		if off := math.Abs(kept - seen); off < least {
			best, least = w, off
		}
	}
	return best
}

// lags are the mean squares of the differences of samples that lie so many
// neighbours apart.
type lags struct {
	r    *cells.Reduced
	d    image.Point
	memo map[int]float64

	search *cells.Search
}

// at returns that at a lag, interpolated; it is the same either way.
func (l *lags) at(lag float64) float64 {
	lag = math.Abs(lag)
	k := int(lag)
	return l.whole(k)*(1-lag+float64(k)) + l.whole(k+1)*(lag-float64(k))
}

func (l *lags) whole(lag int) float64 {
	if l.memo == nil {
		l.memo = map[int]float64{0: 0}
	}
	if v, ok := l.memo[lag]; ok {
		return v
	}
	x, y := lag*l.d.X, lag*l.d.Y
	first, w, h := max(0, -y), l.r.W-x, l.r.H-max(y, -y)
	if w <= 0 || h <= 0 {
		return 0
	}
	sum := l.search.Apart(l.r.Pix[first*l.r.W:], l.r.Pix[(first+y)*l.r.W+x:], l.r.W, w, h)
	l.memo[lag] = float64(sum) / float64(w*h)
	return l.memo[lag]
}

// markSoft marks the pictures of a burst that begins at a picture and is known
// by what it softens, or that goes on in it.
func (s *state) markSoft(w *detect.Window) {
	if s.covered(w.T, s.raster) {
		return
	}
	if s.softOn(w) {
		return
	}
	b, ok := s.softens(w.T)
	if !ok {
		return
	}
	weight, least := s.mixed(b), leastSoftCopy
	if b.open && b.samples(&s.cells.At(b.first).Reduced) >= edgeWidth {
		least = leastCopy
	}
	if weight < least {
		return
	}
	of := mixture{behind: weight, ahead: weight}
	s.spells = append(s.spells, told{
		spell:  spell{first: b.first, n: b.n, mixture: of, explained: 1},
		region: s.raster,
	})
	for i := b.first; i < b.first+b.n; i++ {
		s.markSoftAt(w, i, b, of)
	}
	if b.open {
		s.lastSoft, s.lastOf = b, of
	}
}

func (s *state) markSoftAt(w *detect.Window, i int, b softBurst, of mixture) {
	w.Mark(detect.Mark{
		Kind: detect.Ghost, Picture: i, Region: s.raster, Strength: 100 * max(of.behind, of.ahead),
		Confidence: squash((b.by - b.least) / softSlack), Measures: of.measures(b.step),
	})
}

// softOn marks picture w.T where the last burst goes on in it, and reports
// whether it does.
func (s *state) softOn(w *detect.Window) bool {
	b := &s.lastSoft
	if !b.open || w.T != b.first+b.n {
		return false
	}
	m, here := s.motion.At(w.T), s.successions.at(w.T).whole
	v, _, known := s.softAt(w.T, b.direction)
	soft := b.base - v
	b.open = known && m != nil && !m.Cut && here.known && here.rho-b.rho > leastRise &&
		soft >= softWithin*b.by && soft > b.last-softEnds*b.by
	if !b.open {
		return false
	}
	b.n++
	b.last = soft
	s.markSoftAt(w, w.T, *b, s.lastOf)
	return true
}
