package ghost

import (
	"math"

	"setwitness/detect"
)

const (
	// phases of a conversion that are tried, and how far its source picture
	// resembles the next one.
	phases = 20
	// A conversion mixes two neighbours of its source. Within these shares of
	// the take's rate the mixtures follow a rhythm of their own; at the rate
	// itself all are alike.
	leastSource, mostSource, sameSource = 0.35, 1.5, 0.02
	// At least so many relations, over two periods of most conversions.
	leastRelations = 10
	// The rhythm must explain this share of how the relations differ, beside
	// a trend; rhythms of a codec's groups explain less than half, credits that
	// roll by parts of a line up to 0.85, and conversions above 0.9 somewhere.
	leastRhythm, rhythmSlack = 0.865, 0.03
	// Of a beat of which the pictures around hold less than so many, a dissolve or a lens
	// that is focused shows as much: it rises and falls once. It has to explain so much
	// more, and to be heard for as long as it takes to come again.
	beatsHeard, slowBeat = 1.5, 0.06
	// It is chosen by its source, phase, likeness and gain, and the trend beside
	// it.
	chosen = 5
	// Each third of it holds so much of the differences, and leaves no more of
	// its own unexplained.
	leastShare, mostLeft = 0.1, 0.5
	// Its swing has to be like that of mixtures, and as large as this.
	leastGain, mostGain = 0.5, 1.6
	leastSwing          = 0.06
	// The rates of a conversion are stated over 1.001 or not, which shifts its
	// phase by less than this share of a source picture in half a second.
	periodSlack = 0.03
	// Steps are taken from the looks at so many pictures on either side, and a
	// rhythm that cannot be heard goes on for so many.
	near = 3
	// The source has to move by more than a sample from picture to picture: a
	// line that moves by half a sample is the mean of its whole places, as in
	// a mixture. Two source pictures differ by so many times the energy that
	// neighbouring samples do.
	leastTravel = 1.5
	// Rhythms of two to four pictures are those of drawings that are held for
	// so long.
	heldLeast, heldMost = 2, 4
	// A picture of a pan that mixes two with the shares f and 1-f keeps 1-2f(1-f)
	// of their detail where the steps are longer than an edge, more where they are
	// not: its logarithm falls by two and more for so much f(1-f). A codec's groups,
	// and what comes into the picture, make less than a half.
	leastSoftening = 0.7
	// Less than this of the other picture is as good as none.
	leastBlend = 0.12
)

// likenesses are how far a source picture resembles the next one where it
// changed: not at all in fast motion, much in slow.
var likenesses = [...]float64{0, 0.35, 0.6, 0.8}

// rhythm is how the pictures around one relate where a conversion made them of
// a source with another rate.
type rhythm struct {
	source float64 // pictures a second
	phase  float64 // of the picture in the middle, in source pictures
	// of pictures -span to span-1
	rho, lean [2 * span]float64
	// energy is that of the difference from the picture before, of that of two
	// source pictures.
	energy [2 * span]float64
	period int     // pictures; 0 where longer than a second
	beats  float64 // in as many pictures as are heard
}

// conversions lists the rhythms of a take of so many pictures a second.
func conversions(rate float64) []rhythm {
	var list []rhythm
	for _, source := range sources {
		q := source / rate
		if rate <= 0 || q < leastSource || q > mostSource || math.Abs(q-1) < sameSource {
			continue
		}
		for k := range phases {
			if u := math.Round(1 / q); math.Abs(u*q-1) < sameSource && k != 0 && k%(phases/int(u)) != 0 {
				// An exact multiple has the source's own pictures among its
				// own; what is out of phase is a panel that settles.
				continue
			}
			for _, like := range likenesses {
				list = append(list, convert(source, q, float64(k)/phases, like))
			}
		}
	}
	return list
}

// convert predicts the relations. Picture k mixes the source pictures on either
// side of q*k+phase.
func convert(source, q, phase, like float64) rhythm {
	r := rhythm{source: source, phase: phase, period: period(q, int(source/q)), beats: 2 * span * math.Abs(q-math.Round(q))}
	alike := likeness(like, detail)
	const hair = 1e-9 // of a fraction that is none
	for n := range r.rho {
		p := predict(n-span, &alike, func(k int) (int, [3]float64) {
			u := q*float64(k) + phase
			whole := math.Floor(u + hair)
			f := max(0, u-whole)
			return int(whole), [3]float64{1 - f, f}
		})
		r.rho[n], r.lean[n], r.energy[n] = p.rho, p.lean, p.energy/(2*(1-alike[1]))
	}
	return r
}

// beat is a rhythm as found around a picture.
type beat struct {
	*rhythm
	explained float64
	travel    float64 // energy of the difference of two source pictures, a sample
}

// confidence is that of the marks of a beat.
func (b *beat) confidence() float64 {
	least := leastRhythm
	if b.beats < beatsHeard {
		least += slowBeat
	}
	return squash((b.explained - least) / rhythmSlack)
}

// share is that of the later source picture, 0 to 1, k pictures later.
func (b *beat) share(k int, rate float64) float64 {
	u := b.phase + b.source/rate*float64(k)
	const hair = 1e-9 // of a fraction that is none
	return max(0, u-math.Floor(u+hair))
}

// listened is the relations of the pictures around one, beside their trend; 0
// where none is known.
type listened struct {
	rho, lean, known, energy [2 * span]float64

	n     int
	total float64 // sum of squares of rho and lean
}

// listen returns the rhythm of the pictures around t, if any; that of those
// from t on where too few are known before: where they are and have none, half
// as many that follow one by chance are not enough.
func (s *state) listen(t int) (beat, bool) {
	if !s.successions.at(t).whole.known {
		return beat{}, false
	}
	b, ok := s.around(t, -span)
	if ok {
		return b, true
	}
	before := 0
	for i := t - span; i < t; i++ {
		if s.successions.at(i).whole.known {
			before++
		}
	}
	if before >= leastRelations {
		return beat{}, false
	}
	return s.around(t, 0)
}

// around returns the rhythm of the pictures around t, from another on.
func (s *state) around(t, from int) (best beat, ok bool) {
	l := &s.listened
	*l = listened{}
	for k := from; k < span; k++ {
		if r := s.successions.at(t + k).whole; r.known {
			l.rho[k+span], l.lean[k+span], l.known[k+span] = r.rho, r.lean, 1
			l.energy[k+span] = r.energy
			l.n++
		}
	}
	if l.n < leastRelations {
		return best, false
	}
	level(&l.rho, &l.known)
	for k := range l.rho {
		l.total += l.rho[k]*l.rho[k] + l.lean[k]*l.lean[k]
	}
	least := float64(l.n) * leastSwing * leastSwing
	if l.total < least {
		return best, false
	}
	for i := range s.conversions {
		c := &s.conversions[i]
		rho := c.rho
		level(&rho, &l.known)
		var cross, own float64
		for k, w := range l.known {
			cross += rho[k]*l.rho[k] + w*c.lean[k]*l.lean[k]
			own += rho[k]*rho[k] + w*c.lean[k]*c.lean[k]
		}
		gain := cross / own
		if own == 0 || gain < leastGain || gain > mostGain || gain*gain*own < least {
			continue
		}
		if e := cross * gain / l.total; e > best.explained {
			best = beat{rhythm: c, explained: e}
			ok = l.lasts(&rho, &c.lean, gain)
		}
	}
	if !ok || l.held(best) {
		return best, false
	}
	var seen, own float64
	for k, w := range l.known {
		seen, own = seen+w*l.energy[k], own+w*best.energy[k]
	}
	best.travel = seen / own
	best.explained = 1 - (1-best.explained)*byChance(l.n)/byChance(2*span)
	return best, best.confidence() >= leastMarked && (!s.pansNear(t) || s.softening(t, best) >= leastSoftening)
}

// pansNear reports whether any of the pictures around t is known to move as a whole:
// mixtures hide it in most.
func (s *state) pansNear(t int) bool {
	for i := t - span; i <= t+span; i++ {
		if s.panned(i) {
			return true
		}
	}
	return false
}

// softening is by how much the detail of the pictures around t falls with what a
// beat mixes, both beside their trends: the slope of its logarithm over f(1-f).
func (s *state) softening(t int, b beat) float64 {
	var mixed, lost, known [2 * span]float64
	for k, w := range s.listened.known {
		i := t + k - span
		x, y := s.detailOf(i, 0), s.detailOf(i, across(0))
		if w == 0 || x+y == 0 {
			continue
		}
		f := b.share(k-span, s.rate)
		mixed[k], lost[k], known[k] = f*(1-f), -math.Log(x+y), 1
	}
	level(&mixed, &known)
	level(&lost, &known)
	var own, cross float64
	for k, v := range mixed {
		own, cross = own+v*v, cross+v*lost[k]
	}
	if own == 0 {
		return 0
	}
	return cross / own
}

// byChance is by how much what is left of so many relations, two numbers each,
// has to be raised for what was chosen to fit them.
func byChance(relations int) float64 {
	free := 2*float64(relations) - 1
	return free / (free - chosen)
}

// held reports whether a rhythm of few pictures, another than the beat's,
// explains the relations as well.
func (l *listened) held(b beat) bool {
	for p := heldLeast; p <= heldMost; p++ {
		if b.period > 0 && b.period%p == 0 {
			continue
		}
		var n, rho, lean [heldMost]float64
		for k, w := range l.known {
			n[k%p], rho[k%p], lean[k%p] = n[k%p]+w, rho[k%p]+w*l.rho[k], lean[k%p]+w*l.lean[k]
		}
		explained := 0.0
		for i := range p {
			if n[i] > 0 {
				explained += (rho[i]*rho[i] + lean[i]*lean[i]) / n[i]
			}
		}
		if explained >= b.explained*l.total {
			return true
		}
	}
	return false
}

// lasts reports whether a rhythm goes on all the while, as no burst does.
func (l *listened) lasts(rho, lean *[2 * span]float64, gain float64) bool {
	var left, all [3]float64
	seen := 0
	for k, w := range l.known {
		if w == 0 {
			continue
		}
		i := seen * len(all) / l.n
		seen++
		x, y := l.rho[k]-gain*rho[k], l.lean[k]-gain*lean[k]
		left[i] += x*x + y*y
		all[i] += l.rho[k]*l.rho[k] + l.lean[k]*l.lean[k]
	}
	for i := range all {
		if all[i] < leastShare*l.total || left[i] > mostLeft*all[i] {
			return false
		}
	}
	return true
}

// level takes the trend from what is known of v, and the rest to 0.
func level(v, known *[2 * span]float64) {
	var n, x, xx, y, xy float64
	for k, w := range known {
		u := float64(k - span)
		n, x, xx, y, xy = n+w, x+w*u, xx+w*u*u, y+w*v[k], xy+w*u*v[k]
	}
	slope, mean := 0.0, y/n
	if d := n*xx - x*x; d > 0 {
		slope = (n*xy - x*y) / d
		mean = (y - slope*x) / n
	}
	for k, w := range known {
		v[k] = w * (v[k] - mean - slope*float64(k-span))
	}
}

// markRhythm marks a picture that a conversion of rates mixed, and reports
// whether a sure one is under way. What moved before the rhythm could be told, as a thing
// that came in, was converted too.
func (s *state) markRhythm(w *detect.Window) bool {
	b, ok := s.listen(w.T)
	if !ok || b.travel < leastTravel*s.steepness(w.T) {
		return w.T <= s.sure+near
	}
	if w.T > s.heard+span {
		s.heard = max(s.heard, w.T-span)
		for i := w.T - 1; i > s.heard && (s.comesIn(i) || s.begun(i, b)); i-- {
			s.markBeat(w, b, i, leastMarked)
		}
	}
	if w.T > s.heard+near || b.source != s.slow.source {
		s.slow = slowly{b.source, w.T}
	}
	s.heard = w.T
	confidence := b.confidence()
	if !b.again(w.T - s.slow.from) {
		confidence = leastMarked
	}
	s.markBeat(w, b, w.T, confidence)
	if confidence > 0.5 {
		s.sure = w.T
	}
	return w.T <= s.sure+near
}

// slowly is since which picture a beat of a source is heard all along.
type slowly struct {
	source float64
	from   int
}

// again reports whether a beat that is heard for so many pictures comes again in them, or
// in those around one.
func (b *beat) again(pictures int) bool {
	return b.beats >= beatsHeard || float64(pictures)*b.beats >= 2*span
}

// begun reports whether a beat is heard from picture i on.
func (s *state) begun(i int, b beat) bool {
	o, ok := s.around(i, 0)
	return ok && o.source == b.source
}

// comesIn reports whether something moves in picture i and has not told yet
// how: its relation is not known, or it reaches over the rim of the picture.
func (s *state) comesIn(i int) bool {
	n := s.successions.at(i)
	all := n.changed.all()
	inner := inPixels(all.Inset(-1))
	return !all.Empty() && (!n.whole.known || !inner.In(s.raster))
}

// markBeat marks picture i by the rhythm at picture w.T.
func (s *state) markBeat(w *detect.Window, b beat, i int, confidence float64) {
	later := b.share(i-w.T, s.rate)
	share := min(later, 1-later)
	if share < leastBlend {
		return
	}
	mixed := mixture{ahead: share}
	if later > 0.5 {
		mixed = mixture{behind: share}
	}
	m := detect.Mark{
		Kind: detect.Ghost, Picture: i, Strength: 100 * share, Confidence: confidence,
		Measures: mixed.measures(s.step(i) * s.rate / b.source),
	}
	m.Measures["source_per_s"] = b.source
	if b.period > 0 {
		m.Measures["period_pictures"] = float64(b.period)
	}
	for _, r := range s.successions.at(i).changed {
		if m.Region = inPixels(r).Intersect(s.raster); !m.Region.Empty() {
			w.Mark(m)
		}
	}
}

// period is after how many pictures a conversion of q source pictures each
// comes back to where it was; 0 where that takes longer than most.
func period(q float64, most int) int {
	for n := 1; n <= most; n++ {
		if u := q * float64(n); math.Abs(u-math.Round(u)) < periodSlack {
			return n
		}
	}
	return 0
}

// step is the median length of the steps that things and the picture make from
// picture t to the next; 0 where none is known.
func (s *state) step(t int) float64 {
	var v []float64
	for i := t - near; i <= t+near; i++ {
		for _, l := range s.echo.At(i) {
			v = append(v, l.Speed)
		}
	}
	if len(v) == 0 {
		return 0
	}
	return median(v)
}
