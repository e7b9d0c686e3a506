package ghost

import (
	"cmp"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/echo"
)

// A ghost that lasts, as one of a set that keeps to the wrong cadence, has no
// clean picture near that it could be held against. What tells it is that nearly
// everything that moves has a peak at its own step, whatever it looks like and
// however far it goes: dashes, twins and the texture of a fence have theirs at a
// distance of their own, which a step meets by chance and for as long as it stays
// the same.
const (
	// So many looks in span pictures, from the one in hand on or up to it, say what
	// most do, and this share of them has the peak. Of clean ones a tenth do, and
	// half where a scene has much of one kind.
	fewestLasting, leastLasting = 10, 0.6
	// A thing as long as its step, or one that crosses another, has no peak anywhere: of
	// things whose steps differ that share is of those that have one, which are this
	// share of all. Of clean ones hardly any two of different steps have it.
	leastPeaked = 0.35
	// Where all steps are the same, more of the places of a picture that moves as
	// a whole have to have it: what is built of like parts has one distance.
	leastSteady = 0.7
	// Steps are not the same where so many have the peak whose steps differ from
	// those of so many others by this share: of a companion at a fixed distance
	// one of the two groups has none, for half of it moves the peak off the step.
	fewestEither, stepsDiffer = 3, 0.25
	// lastingSlack is the share of looks by which confidence grows by one step of
	// the logistic function.
	lastingSlack = 0.06
	// What the vectors of mixtures miss the step by, samples: nothing around tells
	// them better.
	lastingTolerance = 1.0
	// A mixture has no higher peak than 1/sqrt(2), but what little detail a place
	// has may add its own. Half of all looks are not higher; stripes are.
	highestLasting, highestHalf = 0.9, 0.72
	// A mixture of three has no third repetition; that of a texture which fills a
	// small place only is lower than the first, but there.
	repeats = 0.2
	// The valley before a peak is shallow where a step is shorter than the thing; of
	// so many looks this share of the height of the least peak is enough.
	valley = 0.3
	// Copies that are told in one picture go on in those beside where so many that
	// follow each other have them, with a gap of no more than lapse: of clean looks
	// one may.
	fewestOn, lapse = 3, 2
	// decided is the confidence of what is reported.
	decided = 0.5
)

// sighting is what a look says of a ghost that lasts.
type sighting struct {
	whole  bool
	copied float64 // the rhythm at which it has a peak, over its step; 0 without
	slow   bool    // too slow for one
	peaked bool    // it has a peak, at a rhythm or elsewhere
	dx, dy float64
	step   float64
	// height and second are what Main.R and Second of the look are, the first
	// beside the path where it is higher there.
	height, second float64
	// sure is the confidence of the mark that the look has, 0 without one, and
	// behind and ahead the weights of the copies that it states.
	sure, behind, ahead float64
}

// sightings are those of the newest pictures.
type sightings [2*span + 2][]sighting

// note takes in the looks at picture i.
func (s *state) note(i int) {
	at := &s.sightings[i%len(s.sightings)]
	*at = (*at)[:0]
	for _, l := range s.echo.At(i) {
		g := sighting{
			whole: l.Whole, slow: l.Steps() < leastClose, dx: l.DX, dy: l.DY, step: l.Speed,
			height: l.Main.R * l.Gain, second: l.Second,
		}
		if !s.fields && !g.slow {
			g.copied, g.peaked = s.copied(&l)
		}
		*at = append(*at, g)
	}
}

// sighted returns what was noted of the looks at picture i, in their order.
func (s *state) sighted(i int) []sighting {
	if i < 0 || i >= s.successions.next || i <= s.successions.next-len(s.sightings) {
		return nil
	}
	return s.sightings[i%len(s.sightings)]
}

// copied returns at which of the rhythms that last a look has a peak, 0 where at
// none, and whether it has one at all.
func (s *state) copied(l *echo.Look) (ratio float64, peaked bool) {
	p := l.Main
	need := s.floor + strays/math.Sqrt(l.Weight)
	if p.R < need || p.Prominence < valley*need {
		return 0, false
	}
	if p.R > highestLasting || third(l) > repeats*p.R {
		return 0, true
	}
	for _, ratio := range lastingRhythms {
		if p.Lag >= leastClose && math.Abs(p.Lag/l.Steps()/ratio-1) < stepTolerance+lastingTolerance/p.Lag {
			return ratio, true
		}
	}
	return 0, true
}

// third is the highest that a profile is at three times the lag of its peak, which
// is known to half a sample.
func third(l *echo.Look) float64 {
	const within = 1.5
	lag := 3 * l.Main.Lag
	return max(l.At(lag-within), l.At(lag), l.At(lag+within))
}

// lastingRhythms are those of a set that keeps to one way: of copies a step apart,
// and of two fields of one frame.
var lastingRhythms = [...]float64{1, 0.5}

// lasting returns how sure it is that all that moves as a whole, or all things
// that move by themselves, have copies at a rhythm around picture t, and the
// weights of those on either side of the thing.
func (s *state) lasting(t int, whole bool, ratio float64) (sure, behind, ahead float64) {
	before, after := s.gather(t-span+1, t, whole, ratio), s.gather(t, t+span-1, whole, ratio)
	copied := append(before.copied, after.copied...)
	least := leastLasting
	switch steady := !differ(copied); {
	case !whole && (steady || ratio != 1), steady && ratio != 1:
		// Lamps that flicker twice while the shutter is open show a thing twice,
		// half a step apart.
		return 0, 0, 0
	case steady:
		least = leastSteady
	}
	var height, second []float64
	for _, g := range copied {
		height, second = append(height, g.height), append(second, g.second)
	}
	if median(height) > highestHalf {
		return 0, 0, 0
	}
	behind, ahead = persistent(median(height), median(second))
	if whole {
		return max(before.sure(least), after.sure(least)), behind, ahead
	}
	return max(before.things().sure(least), after.things().sure(least)), behind, ahead
}

// gathered is what the looks at some pictures say.
type gathered struct {
	looks, peaked int
	copied        []sighting
}

func (s *state) gather(from, to int, whole bool, ratio float64) (g gathered) {
	for i := from; i <= to; i++ {
		for _, one := range s.sighted(i) {
			if one.whole != whole || one.slow {
				continue
			}
			g.looks++
			if one.peaked {
				g.peaked++
			}
			if one.copied == ratio {
				g.copied = append(g.copied, one)
			}
		}
	}
	return g
}

// things leaves the looks that have a peak, where enough of those at things have the
// one that is asked for.
func (g gathered) things() *gathered {
	if float64(len(g.copied)) >= leastPeaked*float64(g.looks) {
		g.looks = g.peaked
	}
	return &g
}

func (g *gathered) sure(least float64) float64 {
	if g.looks < fewestLasting {
		return 0
	}
	return squash((float64(len(g.copied))/float64(g.looks) - least) / lastingSlack)
}

// differ reports whether the steps of some differ from those of others.
func differ(v []sighting) bool {
	if len(v) == 0 {
		return false
	}
	slow := slices.MinFunc(v, func(a, b sighting) int { return cmp.Compare(a.step, b.step) })
	for _, from := range [...]sighting{slow, v[0]} {
		near, far := 0, 0
		for _, g := range v {
			apart := math.Hypot(g.dx-from.dx, g.dy-from.dy) / max(g.step, from.step)
			if apart < stepsDiffer/2 {
				near++
			} else if apart >= stepsDiffer {
				far++
			}
		}
		if near >= fewestEither && far >= fewestEither {
			return true
		}
	}
	return false
}

// markLasting marks the looks at picture w.T that have the copies which all
// around them have, and those that go on with the ones of a marked picture beside.
func (s *state) markLasting(w *detect.Window, looks []echo.Look) {
	here := s.sighted(w.T)
	for _, whole := range [2]bool{false, true} {
		for _, ratio := range lastingRhythms {
			fresh := func(g sighting) bool { return g.whole == whole && g.copied == ratio && g.sure == 0 }
			if !slices.ContainsFunc(here, fresh) {
				continue
			}
			sure, behind, ahead := s.lasting(w.T, whole, ratio)
			if sure < leastMarked {
				continue
			}
			for i := range looks {
				if fresh(here[i]) && !s.covered(w.T, looks[i].Region) {
					s.markCopied(w, w.T, i, sure, behind, ahead)
				}
			}
		}
	}
	for i := range looks {
		s.goOn(w, i)
	}
}

// goOn marks look i at picture w.T where the same thing has a mark in a picture
// before and its copies last for some pictures more; and where it has a mark of
// its own, those before that have copies without one.
func (s *state) goOn(w *detect.Window, i int) {
	here := &s.sighted(w.T)[i]
	if here.copied == 0 || !s.most(w.T, here) {
		return
	}
	if here.sure == 0 {
		for back := 1; back <= lapse; back++ {
			k := s.sameAt(w.T, i, w.T-back)
			if k < 0 {
				continue
			}
			if o := s.sighted(w.T - back)[k]; o.sure >= decided && o.copied == here.copied {
				if s.run(w.T, i, 1) >= fewestOn {
					s.markCopied(w, w.T, i, o.sure, o.behind, o.ahead)
				}
				return
			}
		}
		return
	}
	if here.sure < decided || s.run(w.T, i, -1) < fewestOn {
		return
	}
	for t, at := w.T, i; ; {
		k := s.sameAt(t, at, t-1)
		if k < 0 {
			return
		}
		if o := &s.sighted(t - 1)[k]; o.copied != here.copied || o.sure > 0 || !s.most(t-1, o) {
			return
		}
		t, at = t-1, k
		s.markCopied(w, t, at, here.sure, here.behind, here.ahead)
	}
}

// most reports whether most places of a picture that moves as a whole have the
// copies that one of them has; of a thing it is the thing alone that counts.
func (s *state) most(t int, one *sighting) bool {
	if !one.whole {
		return true
	}
	all := s.gather(t, t, true, one.copied)
	return 2*len(all.copied) >= all.looks
}

// run is in how many pictures that follow each other, from picture t on or back,
// the thing of look i has copies.
func (s *state) run(t, i, step int) (n int) {
	ratio := s.sighted(t)[i].copied
	for i >= 0 && s.sighted(t)[i].copied == ratio {
		n++
		i = s.sameAt(t, i, t+step)
		t += step
	}
	return n
}

// sameAt returns which of the looks at picture to is at the thing of look i at
// picture t; -1 where none is.
func (s *state) sameAt(t, i, to int) int {
	if s.sighted(to) == nil {
		return -1
	}
	o := s.same(t, &s.echo.At(t)[i], to)
	looks := s.echo.At(to)
	for k := range looks {
		if &looks[k] == o {
			return k
		}
	}
	return -1
}

// markCopied marks look i at picture t, of which no clean one is known.
func (s *state) markCopied(w *detect.Window, t, i int, sure, behind, ahead float64) {
	l := &s.echo.At(t)[i]
	v := verdict{confidence: sure, ratio: s.sighted(t)[i].copied, lag: l.Main.Lag, compared: true}
	if m := s.mark(l, &v, fit{behind: behind, own: 1 - behind - ahead, ahead: ahead}); m.Strength >= faintest {
		m.Picture = t
		delete(m.Measures, "peak_elsewhere")
		w.Mark(m)
		s.told(t, i, sure, behind, ahead)
	}
}

// told notes what the mark of look i at picture t says.
func (s *state) told(t, i int, sure, behind, ahead float64) {
	g := &s.sighted(t)[i]
	g.sure, g.behind, g.ahead = sure, behind, ahead
}
