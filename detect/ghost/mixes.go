package ghost

import "setwitness/detect"

// A mixture that lasts has no clean picture beside it. For edges that are sharp, a step
// apart, the differences of pictures grow with their distance alone, which gives the
// relation rho = 0, 0.1 where the shutter is open for half of the time and 0.25 for all of
// it, 1/2 for two equal shares and 2/3 for (1/4, 1/2, 1/4); and few of the samples that
// change are on the way from what was there to what comes, of mixtures all that their
// copies cover. Where half of what moves goes twice as far as an edge is wide, both at once
// are those of mixtures alone. (Of a view from a moving car the half that is near goes
// far.)
const (
	// So many pictures that follow each other show it, all but one of them by this
	// share.
	lastingMixes, lastingWithin = 6, 0.7
	// Rho is more than that of a shutter that is open all the time, by a half, and no
	// more than that of three equal shares, with room for edges that are wide. The
	// density on the way is what equal shares rise by and a third more.
	openShutter, mostRelation = 0.4, 0.75
	lastingWay                = 0.6
	// A fade has nearly all on the way, and known vectors in few of its tiles; so has a
	// camera that trembles, whose tiles have any vector by chance.
	mostWay, leastKnown = 2.4, 0.25
	// Edges are so many samples wide.
	edgeWidth = 3.0
	// A thing of three tones that are each a step wide has as much on the way for as
	// long as its step stays the same: it fills no more than this share of the picture,
	// or its steps differ by so much (the standard deviation of their logarithm).
	mostOfOne, stepsStray = 0.2, 0.1
	// The confidence grows by one step of the logistic function for such a share of what
	// is asked for.
	mixesSlack = 0.15
	// Relations of more than this are of three equal shares, of less of two.
	twoOrThree = (1./2 + 2./3) / 2
)

// passing is by how much more of what changes far in picture i is on the way than near its
// ends; false where that is not known, or a scene begins.
func (s *state) passing(i int) (way float64, known bool) {
	m := s.motion.At(i)
	way, known = s.successions.at(i).whole.way()
	return way, known && (m == nil || !m.Cut)
}

// mixes is how sure it is that picture t is one of those that are mixed for long, and of
// what.
func (s *state) mixes(t int) (sure float64, of mixture) {
	if !s.mixesIn(t) {
		return 0, of
	}
	for first := t - lastingMixes + 1; first <= t; first++ {
		if c, m := s.mixesFrom(first); c > sure && s.travels(first, t) {
			sure, of = c, m
		}
	}
	return sure, of
}

// mixesIn reports whether picture i shows what mixtures do.
func (s *state) mixesIn(i int) bool {
	way, known := s.passing(i)
	return known && min(way/lastingWay, s.successions.at(i).whole.rho/openShutter) >= lastingWithin
}

// mixesFrom is how sure the pictures from one on are mixed by what they show, and of what.
func (s *state) mixesFrom(first int) (sure float64, of mixture) {
	var ways, rhos []float64
	var half, third float64
	less := 0
	for i := first; i < first+lastingMixes; i++ {
		way, known := s.passing(i)
		if !known {
			return 0, of
		}
		if !s.mixesIn(i) {
			less++
		}
		r := s.successions.at(i).whole
		ways, rhos = append(ways, way), append(rhos, r.rho)
		half, third = half+r.half, third+r.third
	}
	way, rho := median(ways), median(rhos)
	if less > 1 || way > mostWay || rho > mostRelation {
		return 0, of
	}
	switch {
	case half <= third:
		of = mixture{behind: 0.25, ahead: 0.25}
	case rho > twoOrThree:
		of = mixture{behind: 1. / 3, ahead: 1. / 3}
	default:
		of = mixture{behind: 0.5}
	}
	return squash((min(way/lastingWay, rho/openShutter) - 1) / mixesSlack), of
}

// travels reports whether what moves in the pictures from one on goes far enough for what
// is on the way to be of copies, and is no single thing.
func (s *state) travels(first, t int) bool {
	// Where nothing is sloped at all nothing is known.
	if share, known := s.sloped(first, lastingMixes); !known || share > mostSlopedLong || s.crawls(first, first+lastingMixes) {
		return false
	}
	g := s.goes(first, first+lastingMixes)
	return g.step >= 2*edgeWidth && g.known >= leastKnown &&
		(g.changed >= mostOfOne || s.goes(t-lastingMixes, t+lastingMixes).stray >= stepsStray)
}

// markMixes marks picture w.T where it is one of those that are mixed for long.
func (s *state) markMixes(w *detect.Window) {
	if s.covered(w.T, s.raster) {
		return
	}
	if sure, of := s.mixes(w.T); sure >= leastMarked {
		s.markMixed(w, w.T, s.changes(w.T), of, sure)
	}
}
