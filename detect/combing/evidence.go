package combing

import (
	"image"
	"math"
)

// Weights of the evidence, in natural logarithms of odds. They were set so
// that close looks at progressive footage fall well below even odds, and
// looks at the same footage woven from fields above (common practice, no
// source).
const (
	// A suspect window is no comb more often than not.
	prior = -0.5
	// The least cost near the opposite displacement is as low as the best
	// one in anything that is no comb: detail too fine for one field looks
	// displaced either way.
	mirrorWeight = 5.0 // per factor e of mirror cost over cost
	mirrorEven   = 0.8 // logarithm of the factor that is worth nothing
	mirrorMost   = 2.0
	// A displacement that explains a comb takes most of the cost away.
	stillWeight = 4.0
	stillEven   = 0.6
	// Where neighbouring lines of one field differ by more than the fields
	// do, detail explains what is seen.
	detailWeight = 3.0
	// Fewer samples say less.
	fewPixels, fewWeight = 96, 2.0
	// A displacement at the end of the search is likely none.
	edgeWeight = 2.0
	// Far away there is more to be alike by chance.
	farWeight = 2.0
	// Below these odds the neighbours are not asked: nothing in the footage
	// without combs came above -1.6.
	leastIntra = -1.0

	burstWeight  = 3.0  // the fields agree with different instants of a neighbour
	weaveWeight  = 2.0  // both fields move on along the displacement
	movesWeight  = 1.0  // one of them does
	frozenWeight = -3.0 // neither moves
	strayWeight  = -2.5 // neither is found along the displacement, or both come and leave on one side
	// doubtful is in place of the last two for scaled combs, as lines at rest
	// of any pitch are common and a scaler leaves less to tell them by, and
	// for displacements far away.
	doubtful = -4.0
	// loneWeight is the doubt about a look whose picture has no neighbour.
	loneWeight = -2.0
	// agreeWeight is added for each look that found the same displacement,
	// up to agreeMost of them.
	agreeWeight, agreeMost = 1.0, 4

	courseTolerance = 0.3 // of the displacement between the fields
	leastCourse     = 0.3 // of the displacement between the fields
	leastWeave      = 0.75
	// followed is the share of the difference between the fields which may
	// be left when a field is followed to its neighbour.
	followed = 0.5
	// sameField is the share of it that may be left between two pictures
	// of the same field: a codec's rounding.
	sameField = 0.1
	// scaledField is the same for scaled combs, as a share of what the other
	// field changes by: taken apart along a carrier, a field keeps a fifth to a
	// quarter of the other where both have edges. What moves and is not woven
	// changes both by much the same.
	scaledField = 0.35
	// atRest is the share of the difference between the fields by which a field
	// at least differs from the same field of a neighbour where what is combed
	// moves: the pictures are twice as far apart as the fields, so that 0.7 to 2
	// of it are seen, and 0.2 to 0.65 where lines at rest are coded anew. Of two
	// pictures that have one field in common the other counts alone: oneField is
	// what a codec leaves of the common one, as a share of the other.
	atRest, oneField = 0.6, 0.3
	// better is how much more is left without a displacement when a field
	// has moved.
	better = 1.3

	// mostOdds keeps a confidence below 0.99: what one picture or the next
	// shows is never independent.
	mostOdds = 4.6
)

// A displacement smaller than this makes no comb that anyone sees: less than
// three quarters of a sample along a line is lost in the width of an edge,
// and by up to a line and a half of a frame the fields of a sharp horizontal
// edge lie apart in any picture.
const leastDX, leastDY = 0.75, 1.75

// explained is the share of the difference between the fields that a
// displacement may leave. One that leaves more than it takes away is chance: of
// a comb only what was hidden in one field and what the lines of the other
// miss is left, and neither is the greater part of a window that is full of
// moved edges.
const explained = 0.5

// leastScaledDY is the same as leastDY for scaled combs, in lines of the frame
// before the scaler: the low-pass of the fields widens edges.
const leastScaledDY = 2.5

func (k *look) leastDY() float64 {
	if k.carrier == woven {
		return leastDY
	}
	return leastScaledDY * k.carrier.pitch() / 2
}

// independent is how many samples of a window say one thing: the smoothing of
// the mask spans 15, a block of the smallest transform of H.264 and HEVC 4 by 4
// (common practice, no source).
const independent = 16

// independentAcross is the same for a displacement across the lines: the edges that
// show it lie along the lines, and are the same from sample to sample as far as a
// block of 8 by 8 of the older codecs goes (ISO/IEC 13818-2), whose patterns of lines
// a low rate leaves in place of an edge.
const independentAcross = 64

// explainedBy returns how much likelier the samples of a look are when its
// displacement explains them than when it does not, in natural logarithms:
// differences are taken to fall off exponentially, round the mean that is left
// along the displacement or round the one without it.
func (k *look) explainedBy() float64 {
	// A sixteenth of a code is what the samples resolve.
	r := max(k.along, 1) / max(k.still, 1)
	if r >= 1 {
		return 0
	}
	samples := independent
	if math.Abs(k.dx) < leastDX {
		samples = independentAcross
	}
	return float64(k.pixels) / float64(samples) * (r - 1 - math.Log(r))
}

// chances returns the natural logarithm of how many displacements of how many
// cells may look like a comb by chance in a second: the best of that many is what
// a look sees.
func chances(cells int, reach image.Point, rate float64) float64 {
	displacements := float64((2*reach.X+1)*(2*reach.Y+1)) / independent
	return math.Log(float64(cells)) + math.Log(displacements) + math.Log(max(1, rate))
}

// impossible are the odds of a look that found nothing.
const impossible = -10.0

// confidence is the probability of a logarithm of odds.
func confidence(odds float64) float64 { return 1 / (1 + math.Exp(-min(odds, mostOdds))) }

// less returns a cost without the part that noise makes in it, down to half of
// that: the noise is not known better.
func less(cost, noise float64) float64 {
	return math.Sqrt(max(cost*cost-noise*noise, 0) + noise*noise/4)
}

// costNoise is the cost that white noise of deviation 1 makes: the mean
// |difference| of a line and the mean of two others.
const costNoise = 0.98

// intra returns what the picture alone says for a comb. noise is the
// deviation of noise in units.
func (k *look) intra(noise float64) float64 {
	if math.Abs(k.dx) < leastDX && math.Abs(k.dy) < k.leastDY() {
		return impossible
	}
	// Of a level edge that moves up or down any lines are a part, if raised enough.
	if k.carrier.gain > 0 && math.Abs(k.dx) < leastDX {
		return impossible
	}
	noise *= costNoise
	along, still, mirror := less(k.along, noise), less(k.still, noise), less(k.mirror, noise)
	if along > explained*still {
		return impossible
	}
	odds := prior + mirrorWeight*(min(mirrorMost, math.Log(mirror/along))-mirrorEven)
	odds += stillWeight * min(0, math.Log(still/along)-stillEven)
	odds -= detailWeight * max(0, math.Log(k.detail/k.still))
	if k.edge {
		odds -= edgeWeight
	}
	if k.far {
		odds -= farWeight
	}
	return odds - k.few()
}

// few is what a look at few samples is worth less.
func (k *look) few() float64 { return fewWeight * max(0, math.Log(fewPixels/float64(k.pixels))) }

// instants returns what a neighbouring picture adds: whether the two fields
// agree with instants that are not the same.
func (k *look) instants(c *course, noise float64) float64 {
	limit := followed*k.still + noise*costNoise
	even, odd := c.evenCost < limit, c.oddCost < limit
	movesEven := even && math.Abs(c.even) > leastCourse && c.evenRest > better*c.evenCost
	movesOdd := odd && math.Abs(c.odd) > leastCourse && c.oddRest > better*c.oddCost
	apart := math.Abs(c.odd - c.even)
	switch {
	case even && odd && (movesEven || movesOdd) && math.Abs(apart-1) < courseTolerance:
		// Along each other's course both have to be worse off, which they
		// are not where a pattern repeats.
		if min(c.evenCrossed-better*c.evenCost, c.oddCrossed-better*c.oddCost) > 0 {
			return burstWeight
		}
		return strayWeight
	case movesEven && movesOdd && apart < courseTolerance:
		// From one picture to the next things move by twice the displacement
		// between fields that follow one another, by as much where the
		// fields are as far apart as the pictures, and hardly by less.
		if min(math.Abs(c.even), math.Abs(c.odd)) > leastWeave {
			return weaveWeight
		}
		return strayWeight
	case even && odd && !movesEven && !movesOdd:
		return frozenWeight
	case movesEven || movesOdd:
		return movesWeight
	}
	return strayWeight
}

// rests reports whether a neighbouring picture shows the same at the points of
// the look: what differs between the fields is then no motion, but lines.
func (k *look) rests(c *course) bool {
	low, high := min(c.evenRest, c.oddRest), max(c.evenRest, c.oddRest)
	return low+high < 2*atRest*k.still && (high < atRest*k.still || low > oneField*high)
}

// held returns which field a neighbouring picture has the same, 1 for the even
// and -1 for the odd one, where it has another in place of the other; 0 where
// that is not so. A picture that has one field of the picture before and the
// other of the one after is woven, however its content moves.
func (k *look) held(c *course, noise float64) int {
	other := followed*k.still + noise*costNoise
	if k.carrier != woven {
		return sharedField(c.evenRest, c.oddRest, other, func(changed float64) float64 { return scaledField * changed })
	}
	return sharedField(c.evenRest, c.oddRest, other, func(float64) float64 { return sameField*k.still + noise*costNoise })
}

// sharedField returns which field two pictures share, 1 for the even and -1 for the odd
// one, by the differences of both: that of the other is above least, and its own below
// what most says of that; 0 where that is not so.
func sharedField(even, odd, least float64, most func(other float64) float64) int {
	switch {
	case odd > least && even < most(odd):
		return 1
	case even > least && odd < most(even):
		return -1
	}
	return 0
}

// direction returns how the content moves along the displacement between the
// fields, in displacements: the course of the field that is followed best.
func (k *look) direction(c *course) float64 {
	d, cost := c.even, c.evenCost
	if math.Abs(c.odd) > leastCourse && (c.oddCost < cost || math.Abs(c.even) <= leastCourse) {
		d, cost = c.odd, c.oddCost
	}
	if cost > followed*k.still || math.Abs(d) <= leastCourse {
		return 0
	}
	return d
}
