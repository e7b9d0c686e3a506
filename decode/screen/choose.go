package screen

import (
	"math"
	"slices"
)

// leastQuality is where a quadrilateral is believed to be a screen's border.
const leastQuality = 0.45

// choose returns the best of the candidates: whose border is good, in whose
// sides light begins to change, and which has the shape of a picture. Of those
// that are about as good, the largest; of two that are about as large the one
// with the stronger border.
func choose(all []candidate) (candidate, bool) {
	all = slices.DeleteFunc(slices.Clone(all), func(c candidate) bool { return c.score < leastQuality })
	if len(all) == 0 {
		return candidate{}, false
	}
	lively := 0.0
	for i := range all {
		alive, _ := all[i].sides.of(all[i].hidden)
		lively = max(lively, alive)
	}
	value := func(c *candidate) float64 { return c.score * c.lively(lively) * c.shapely() }
	// A strip of the picture may stand still, and begin as straight as a border does.
	for i := range all {
		for k := range all {
			if all[k].extends(&all[i]) {
				all[i].score *= deadWorth
				break
			}
		}
	}
	out := all[0]
	for _, c := range all {
		if value(&c) > value(&out) {
			out = c
		}
	}
	best, strong := value(&out), 0.0
	for _, c := range all {
		if value(&c) >= asGood*best {
			strong = max(strong, c.rough)
		}
	}
	size := func(c *candidate) float64 { return c.view.Quad.area() }
	for _, c := range all {
		if value(&c) < asGood*best || c.rough < halfStrong*strong || c.score < sureSide*out.score {
			continue
		}
		ratio := size(&c) / size(&out)
		a, b := c.offShape(), out.offShape()
		switch {
		case a < shapeSlack/2 && b > shapeSlack || b < shapeSlack/2 && a > shapeSlack:
			// One has the shape of a set and the other none.
			if a < b {
				out = c
			}
		case a > shapeSlack && b > shapeSlack:
			// Where neither fills the panel, size says nothing.
		case out.rough < halfStrong*strong,
			ratio > sameSize && !bezel(&c, &out),
			ratio < 1/sameSize && bezel(&out, &c),
			ratio >= 1/sameSize && ratio <= sameSize && c.rough > out.rough:
			out = c
		}
	}
	return out, true
}

const (
	// Where the picture changes along a fair part of the sides of one
	// candidate, others are worth less the less it does along theirs, down to
	// this share for none.
	livelyEnough = 0.2
	deadWorth    = 0.45
	// The shape of a picture that does not fill the panel is worth this much,
	// and one that no picture has that.
	barredWorth, oddWorth = 0.95, 0.7
	// What the frame cuts off may be anything: where all of a screen shows,
	// that is it.
	cutWorth = 0.7
	// A candidate whose surroundings change as much as they may loses this.
	ringLoss = 0.3
)

// extends reports whether a candidate has the shape of a set and shows whole, and another
// is a part of it that has not and goes as far on three sides.
func (c *candidate) extends(part *candidate) bool {
	if c.score < wholeBorder || c.offShape() > shapeSlack/2 || part.offShape() < shapeSlack {
		return false
	}
	const noise = 3 // px
	same, within := 0, true
	// In one frame: the camera may sway.
	whole, inner := c.views[0].Quad, part.views[0].Quad
	for i := range whole {
		off, least := 0.0, 0.0
		for _, o := range [2]Point{inner[i], inner[(i+1)%4]} {
			in := whole.within(i, o)
			off, least = max(off, math.Abs(in)), min(least, in)
		}
		within = within && least > -noise
		if off < noise {
			same++
		}
	}
	return within && same == 3
}

// lively is how much of its worth a candidate keeps for the change of light
// along its sides, against the most that one of them has.
func (c *candidate) lively(most float64) float64 {
	alive, leak := c.sides.of(c.hidden)
	w := (1 - leakLoss*leak) * (1 - ringLoss*min(1, c.calm/calmest))
	if most > livelyEnough {
		w *= deadWorth + (1-deadWorth)*alive/most
	}
	return w
}

// shapely is 1 for the shape of a usual picture and less for others.
func (c *candidate) shapely() float64 {
	if c.hidden != [4]bool{} {
		return cutWorth
	}
	off := math.Inf(1)
	for _, s := range shapes {
		off = min(off, math.Abs(math.Log(c.view.measuredShape()/s)))
	}
	worth := func(best, off float64) float64 { return best - (best-oddWorth)*min(1, off/shapeSlack) }
	return max(worth(1, c.offShape()), worth(barredWorth, off))
}

// offShape is how far a candidate is from the shape of a set, as a logarithm.
func (c *candidate) offShape() float64 {
	if c.hidden != [4]bool{} {
		return shapeSlack
	}
	return math.Abs(math.Log(c.view.measuredShape() / panelShape))
}

// bezel reports whether what a larger candidate adds to a smaller one is no more
// than the set's frame.
func bezel(larger, smaller *candidate) bool {
	a, b := larger.view.Quad, smaller.view.Quad
	width := math.Hypot(b[1].X-b[0].X, b[1].Y-b[0].Y)
	const noise = 3 // px
	wider, faint := 0, false
	for i := range a {
		p, q := b[i], b[(i+1)%4]
		dx, dy := q.X-p.X, q.Y-p.Y
		mx, my := (a[i].X+a[(i+1)%4].X-p.X-q.X)/2, (a[i].Y+a[(i+1)%4].Y-p.Y-q.Y)/2
		out := (mx*dy - my*dx) / math.Hypot(dx, dy) // outwards is to the left
		if out > noise {
			wider++
			faint = faint || out < bezelMost*width && larger.fit.contrast[i] < bezelContrast*smaller.fit.contrast[i]
		}
	}
	// A frame goes round; a strip beyond one side alone belongs to the picture
	// if the shape of the set says so.
	return faint && (wider > 1 || larger.offShape() > smaller.offShape())
}

const (
	// asGood is how much of the best worth another candidate needs to be
	// preferred for its size: the noise of a quality.
	asGood = 0.83
	// sureSide is the same for how much of the border shows.
	sureSide = 0.85
	// halfStrong is the same for the contrast of its border.
	halfStrong = 0.6
	// A strip of at most this share of the screen's width between two borders
	// is the bezel, if the outer border has less than that share of the
	// contrast of the inner one.
	bezelMost     = 0.03
	bezelContrast = 0.5
	// sameSize is how much larger an area has to be to be another one: fits of one
	// border differ by a third of a pixel at a side, of some hundred, and a line in
	// the picture that is taken for a side lies at least two pixels off at one end.
	sameSize = 1.006
)
