package ghost

import (
	"math"
	"slices"

	"setwitness/detect"
)

// An edge that passes a place takes it from what was there to what comes, and few
// pictures catch it on the way: the share of the shutter's time, and those that lie
// under the width of the edge. Of a picture that mixes two or three, a step apart, all
// that its copies cover is on the way, half of it or a third. Both this and that the
// picture relates to those beside it by more is so in slow motion too, which a step
// of several samples is not.
//
// For edges that are sharp, a step s apart, the differences of pictures grow with
// their distance alone, which gives the relation rho = 0, 0.1 where the shutter is
// open for half of the time and 0.25 for all of it, 1/2 for two equal shares and 2/3
// for (1/4, 1/2, 1/4).
const (
	// So many pictures before a burst, without the one beside it, and so many after it
	// say what is usual; on either side at least so many.
	betweenBeside, fewestBeside = 5, 3
	// A burst has so many pictures: of more than these nothing is seen that follows.
	fewestBetween, mostBetween = 3, 8
	// What is usual has its samples not on the way; slow and soft things have.
	mostUsualBetween = 0.45
	// The density on the way rises by a half in plain mixtures of equal shares, and
	// rho by a quarter at least; each by so much, and by twice what the others stray,
	// both together by three times.
	betweenRise, relationRise   = 0.45, 0.25
	leastBetween, leastRelation = 0.3, 0.12
	leastOut, leastOutBoth      = 2, 3
	// Of sharp edges more is on the way than mostWay only where three pictures are
	// mixed, whose rho is 2/3; in a dissolve all of what changes far is, and what moves
	// in either scene makes rho small.
	threeShares = 0.55
	// Each picture of a burst has the second share of what it rises by, of which the
	// first and the last show a part, the first, and those beside it have less than
	// that: what slows down relates by more from picture to picture.
	betweenWithin, betweenInside = 0.35, 0.6
	// Those farther off that say what is usual have less than half of it.
	betweenUsual = 0.5
	// A pan by fewer samples is no wider than an edge.
	widerThanEdge = 3.0
)

// between is by how much more of what changes far is on the way in picture i than
// near its ends; false where that is not known.
func (s *state) between(i int) (way float64, known bool) {
	r := s.successions.at(i).whole
	return r.way(), r.known && r.half+r.third+r.quarter > 0
}

// way is by how much more of what changes far is on the way than near its ends.
func (r *relation) way() float64 { return max(r.half, r.third) - r.quarter }

// crossing is a burst that is known by what is on the way in it.
type crossing struct {
	mixedBurst
	way, rho  float64 // of the pictures beside it
	rise, rel float64 // medians of what those in it have more
}

// crossed is what picture i has of the rise of a burst.
func (s *state) crossed(i int, c *crossing) (share float64, known bool) {
	way, known := s.between(i)
	if !known {
		return 0, false
	}
	return ((way-c.way)/c.rise + (s.successions.at(i).whole.rho-c.rho)/c.rel) / 2, true
}

// crossings returns the surest burst that begins at a picture; of confidence 0 where
// none does.
func (s *state) crossings(first int) (best crossing) {
	before := s.knownBetween(first-betweenBeside-1, first-1, first)
	if len(before) < fewestBeside {
		before = nil
	}
	for n := 1; n <= mostBetween+1; n++ {
		if _, known := s.between(first + n - 1); !known {
			break
		}
		if n < fewestBetween {
			continue
		}
		c := crossing{mixedBurst: mixedBurst{first: first, n: n, open: n > mostBetween}}
		if s.cross(&c, before) && c.sure > best.sure {
			best = c
		}
	}
	return best
}

// knownBetween lists the pictures from one to before another of which it is known
// what is on the way, in the same scene as picture of, which may lie beyond them.
func (s *state) knownBetween(from, to, of int) (list []int) {
	for i := from; i < max(to, of+1); i++ {
		if m := s.motion.At(i); m != nil && m.Cut {
			if i > of {
				break
			}
			list = list[:0]
		}
		if _, known := s.between(i); known && i < to {
			list = append(list, i)
		}
	}
	return list
}

// cross measures a burst of known place against the pictures beside it, and reports
// whether it is one.
func (s *state) cross(c *crossing, before []int) bool {
	last := c.first + c.n
	var after []int
	if !c.open {
		after = s.knownBetween(last+1, last+1+betweenBeside, last)
		if len(after) < fewestBeside {
			return false
		}
	}
	beside := append(slices.Clone(before), after...)
	if len(beside) < fewestBeside+1 {
		return false
	}
	var ways, rhos []float64
	for _, i := range beside {
		way, _ := s.between(i)
		ways, rhos = append(ways, way), append(rhos, s.successions.at(i).whole.rho)
	}
	var wayStrays, rhoStrays float64
	c.way, wayStrays = middling(ways)
	c.rho, rhoStrays = middling(rhos)
	if c.way > mostUsualBetween {
		return false
	}
	ways, rhos = ways[:0], rhos[:0]
	for i := c.first; i < last; i++ {
		way, _ := s.between(i)
		ways, rhos = append(ways, way-c.way), append(rhos, s.successions.at(i).whole.rho-c.rho)
	}
	c.rise, c.rel = median(ways), median(rhos)
	if way := c.way + c.rise; way < leastBetween || way > mostWay && c.rho+c.rel < threeShares {
		return false
	}
	if c.rise < max(leastBetween, leastOut*wayStrays) || c.rel < max(leastRelation, leastOut*rhoStrays) ||
		(c.rise/wayStrays+c.rel/rhoStrays)/2 < leastOutBoth {
		return false
	}
	excess := (c.rise/betweenRise+c.rel/relationRise)/2 - 1
	if c.open {
		excess = (excess+1)/openBlend - 1
	}
	if excess < 0 || !s.comesAtOnce(c, beside) || !s.keepsOn(c, before, after) {
		return false
	}
	c.sure = squash(excess / blendSlack)
	c.of = s.crossedBy(c)
	return true
}

// comesAtOnce reports whether all pictures of a burst have their share of it, and none
// beside it has.
func (s *state) comesAtOnce(c *crossing, beside []int) bool {
	for i := c.first; i < c.first+c.n; i++ {
		least := betweenInside
		if i == c.first || i == c.first+c.n-1 {
			least = betweenWithin
		}
		if share, _ := s.crossed(i, c); share < least {
			return false
		}
	}
	for _, i := range beside {
		if share, _ := s.crossed(i, c); share > betweenUsual {
			return false
		}
	}
	edges := []int{c.first - 1}
	if !c.open {
		edges = append(edges, c.first+c.n)
	}
	for _, i := range edges {
		if share, known := s.crossed(i, c); known && share > betweenWithin {
			return false
		}
	}
	return true
}

// keepsOn reports whether what moves in a burst goes on as it does beside it, and
// is not on the way because it goes less.
func (s *state) keepsOn(c *crossing, before, after []int) bool {
	last := c.first + c.n
	if s.crawls(c.first-2, last+2) {
		return false
	}
	if s.onSlopes(&c.mixedBurst) {
		return false
	}
	return s.staysAsLarge(c.first, c.n, len(before) > 0, len(after) > 0, false)
}

// crossedBy is the mixture that has on the way what a burst has there: half of it for
// two equal shares, and for three, which relate by more; a third from either end for
// (1/4, 1/2, 1/4), which makes two steps of it; from one end alone for one copy of about
// a third.
func (s *state) crossedBy(c *crossing) mixture {
	const lopsided = 3 // times as much on one side as on the other
	var half, low, high float64
	for i := c.first; i < c.first+c.n; i++ {
		r := s.successions.at(i).whole
		half, low, high = half+r.half, low+r.low, high+r.third-r.low
	}
	two, three := mixture{behind: 0.5}, mixture{behind: 1. / 3, ahead: 1. / 3}
	switch {
	case half > low+high:
		if c.misses(three) < c.misses(two) {
			return three
		}
		return two
	case high > lopsided*low:
		return mixture{behind: 0.3}
	case low > lopsided*high:
		return mixture{ahead: 0.3}
	}
	return mixture{behind: 0.25, ahead: 0.25}
}

// misses is by how much the rise of the relations in a burst is not that of a mixture.
func (c *crossing) misses(m mixture) float64 {
	like, single := alikeAt(c.rho, sharp)
	p := predict(0, &like, func(k int) (int, [3]float64) {
		return k - 1, [3]float64{m.behind, 1 - m.behind - m.ahead, m.ahead}
	})
	return math.Abs(p.rho - single - c.rel)
}

// markCrossing marks the pictures of a burst that begins at a picture, or that goes on
// in it.
func (s *state) markCrossing(w *detect.Window) {
	c := &s.lastCrossing
	if s.covered(w.T, s.raster) || s.goesOn(w, &c.mixedBurst, func() bool {
		share, known := s.crossed(w.T, c)
		return known && share > betweenWithin
	}) {
		return
	}
	b := s.crossings(w.T)
	if b.sure < leastMarked {
		return
	}
	// One picture early explains much of a burst, too.
	if next := s.crossings(w.T + 1); next.sure > b.sure {
		return
	}
	s.markMixedBurst(w, &b.mixedBurst)
	*c = b
}

// A mixture that lasts has nothing beside it. Where half of what moves goes twice as far
// as an edge is wide, its relations and what is on the way are those of mixtures all the
// same. (Of a view from a moving car the half that is near goes far.)
const (
	// So many pictures that follow each other show it, all but one of them by this
	// share.
	lastingBetween, lastingWithin = 6, 0.7
	// Rho is more than that of a shutter that is open all the time, by a half, and no
	// more than that of three equal shares, with room for edges that are wide. The
	// density on the way is what equal shares rise by and a third more.
	openShutter, mostRelation = 0.4, 0.75
	lastingWay                = 0.6
	// A fade has nearly all on the way, and known vectors in few of its tiles; so has a
	// camera that trembles, whose tiles have any vector by chance.
	mostWay, leastKnown = 2.4, 0.25
	farEnough           = 2 * widerThanEdge
	// A thing of three tones that are each a step wide has as much on the way for as
	// long as its step stays the same: it fills no more than this share of the picture,
	// or its steps differ by so much (the standard deviation of their logarithm).
	mostOfOne, stepsStray = 0.2, 0.1
)

// mixes is how sure it is that picture t is one of those that are mixed for long.
func (s *state) mixes(t int) (sure float64, of mixture) {
	least := func(i int) (share float64, known bool) {
		way, known := s.between(i)
		return min(way/lastingWay, s.successions.at(i).whole.rho/openShutter), known
	}
	if share, known := least(t); !known || share < lastingWithin {
		return 0, of
	}
	for first := t - lastingBetween + 1; first <= t; first++ {
		if len(s.knownBetween(first, first+lastingBetween, first)) < lastingBetween {
			continue
		}
		var ways, rhos []float64
		less := 0
		for i := first; i < first+lastingBetween; i++ {
			if share, _ := least(i); share < lastingWithin {
				less++
			}
			way, _ := s.between(i)
			ways, rhos = append(ways, way), append(rhos, s.successions.at(i).whole.rho)
		}
		way, rho := median(ways), median(rhos)
		if less > 1 || way > mostWay || rho > mostRelation || s.crawls(first, first+lastingBetween) {
			continue
		}
		g := s.goes(first, first+lastingBetween)
		if share, known := s.sloped(first, first+lastingBetween); !known || share > mostSlopedLong {
			continue
		}
		if g.step < farEnough || g.known < leastKnown || g.changed < mostOfOne && s.goes(t-lastingBetween, t+lastingBetween).stray < stepsStray {
			continue
		}
		if c := squash((min(way/lastingWay, rho/openShutter) - 1) / blendSlack); c > sure {
			sure = c
			of = s.crossedBy(&crossing{mixedBurst: mixedBurst{first: first, n: lastingBetween}, rel: rho})
		}
	}
	return sure, of
}

// markMixes marks picture w.T where it is one of those that are mixed for long.
func (s *state) markMixes(w *detect.Window) {
	if s.covered(w.T, s.raster) {
		return
	}
	if sure, of := s.mixes(w.T); sure >= leastMarked {
		s.markMixed(w, w.T, of, sure)
	}
}
