package screen

import (
	"math"
	"slices"

	"setwitness/decode/picture"
)

// A dark scene in a room with the lights on leaves the set darker than the wall
// behind it: no lit quadrilateral stands in the frames, but a dark one. In the
// negative of the frames it is as bright as another, and its sides are those of the
// set's frame.

const (
	// shadedScore is how much of the border of such a one has to show, on all four
	// sides: furniture has dark outlines too.
	shadedScore = 0.6
	// mostFrame is the width of a set's frame at most, as a share of that of the set, and
	// leastFramed the step from the frame to the panel, in codes: a frame that is lit
	// unevenly has none as sharp.
	mostFrame, leastFramed = 0.045, 0.25
	// The levels of that step are read up to so many px from it, within a narrow frame.
	frameFar = 4
	// The four sides of a frame are as wide to so many px.
	alike = 2
	// A camera whose frames lie on each other to so many px stands still.
	stands = 0.5
	// shadedTrust is how far the outline is believed to be the screen's border.
	shadedTrust = 0.5
)

// Shaded looks for a set that is darker than the room, where Result finds none and
// it is known by other signs that the frames show one.
func (f *Finder) Shaded() (Found, bool) {
	if f.err != nil || f.tooSmall() || len(f.stack) == 0 {
		return Found{}, false
	}
	g := f.negative()
	best, ok := g.outline()
	if !ok {
		return Found{}, false
	}
	found := g.describe(best)
	found.View.Shaded, found.Start.Shaded = true, true
	found.Why = "the outline of a set stands darker than the room in the frames while what it shows changes; its frame may be within"
	if v, ok := f.unframed(&best); ok {
		found.Start.Quad = moved(v.Quad, best.view, best.start)
		found.View.Quad = v.Quad
		if wander(best.views) < stands {
			found.Start.Quad = v.Quad // and not only to some px
		}
		// What is followed is the outline.
		found.View.Bars, found.Start.Bars = v.Bars, v.Bars
		found.Why = "a set stands darker than the room in the frames, and its panel in its frame, while what it shows changes"
	}
	found.Confidence *= shadedTrust
	return found, true
}

// outline returns the best candidate in a negative that is a set as a whole.
func (f *Finder) outline() (candidate, bool) {
	list, _ := f.search(f.survey(f.stack))
	best, ok := choose(list)
	return best, ok && best.score >= shadedScore && best.hidden == [4]bool{} && best.offShape() <= shapeSlack
}

// outlined reports whether a candidate in a negative is a set by its outline though no
// more light changes within it than noise changes. It is known then by other signs that
// the frames show one.
func (c *candidate) outlined() bool {
	return c.hidden == [4]bool{} && c.steady < steadiest && c.offShape() < shapeSlack
}

// framed returns the panel within the dark outline of a set: where what it shows goes
// down at places to the level of the wall behind, no level cuts the two apart.
func (f *Finder) framed(s *survey) (candidate, bool) {
	c, ok := f.negative().outline()
	if !ok {
		return c, false
	}
	v, ok := f.unframed(&c)
	if !ok {
		return c, false
	}
	v.Bars = [4]float64{}
	q, k := v.Quad, float64(f.factor)
	for i, p := range q {
		q[i] = Point{(p.X+0.5)/k - 0.5, (p.Y+0.5)/k - 0.5}
	}
	for i := range c.views {
		c.views[i].Quad = moved(v.Quad, c.view, c.views[i])
	}
	c.start.Quad = moved(v.Quad, c.view, c.start)
	c.view = v
	c.score = min(c.score, faintTrust)
	s.beside(&c, q)
	return c, c.plausible()
}

// moved returns where a quadrilateral of the screen in one view lies in another.
func moved(q Quad, from, to View) Quad {
	for i, p := range q {
		q[i] = to.ToCamera(from.ToScreen(p))
	}
	return q
}

// negative returns a finder of the frames with light and dark exchanged.
func (f *Finder) negative() *Finder {
	g := *f
	g.turned = true
	g.stack, g.whole, g.glimpsed, g.spare = nil, nil, nil, nil
	turn := func(pix []uint8) []uint8 {
		out := slices.Clone(pix)
		for i, c := range out {
			out[i] = uint8(opposite(int(c), 8, f.full))
		}
		return out
	}
	for _, pix := range f.stack {
		g.stack = append(g.stack, turn(pix))
	}
	for _, k := range f.whole {
		p := picture.New(k.plane.W, k.plane.H, k.plane.Depth)
		copy(p.Pix, turn(k.plane.Pix))
		for i, c := range k.plane.Pix16 {
			p.Pix16[i] = uint16(opposite(int(c), k.plane.Depth, f.full))
		}
		g.whole = append(g.whole, kept{k.index, k.bright, p, turn(k.small)})
	}
	return &g
}

// light returns the light of each code of the reduced frames, or of the frames that
// they are the negatives of.
func (f *Finder) light() response {
	r := responseOf(8, f.full)
	if f.turned {
		r = r.negative(f.full)
	}
	return r
}

// unframed returns the panel within an outline, where all four sides of it show as a
// step, up or down, along all of their length: as deep in the frame on all of them, for
// what lies near a side in the picture makes steps as well, or else each the first.
func (f *Finder) unframed(c *candidate) (View, bool) {
	v := c.view
	across, down := v.density()
	var sides [4][]float64 // top, right, bottom, left; a sample each px
	px := [4]float64{down, across, down, across}
	n := int(mostFrame*across) + 2*frameFar
	for side := range sides {
		sides[side] = f.outwards(c, side%2 == 0, side == 1 || side == 2, n, -1/px[side])
	}
	at := func(side, i int) float64 { return math.Abs(step(sides[side], i, frameFar)) }
	// The frame is even up to the panel.
	const first = blurReach + frameFar
	var in [4]int
	size := leastFramed
	for i := first; i < n-frameFar; i++ {
		var here [4]int
		least := math.Inf(1)
		for side := range here {
			here[side] = i
			if side%2 == 0 { // as wide in what is seen at an angle
				here[side] = int(math.Round(float64(i) / across * panelShape * down))
			}
			if here[side] < first || here[side] >= n-frameFar {
				least = 0
				break
			}
			here[side] = steepest(sides[side], here[side])
			least = min(least, at(side, here[side]))
		}
		if least > size {
			in, size = here, least
		}
	}
	for side := range in {
		for i := first; i < n-frameFar && in[side] == 0; i++ {
			if s := at(side, i); s >= leastFramed && s >= at(side, i-1) && s > at(side, i+1) {
				in[side] = i
			}
		}
		if in[side] == 0 {
			return v, false
		}
	}
	var t [4]float64
	for side := range t {
		t[side] = edgeOf(sides[side], in[side], frameFar) / px[side]
	}
	w, h := 1-t[1]-t[3], 1-t[0]-t[2]
	v.Bars = [4]float64{-t[0] / h, -t[1] / w, -t[2] / h, -t[3] / w}
	v.Quad = Quad{v.ToCamera(t[3], t[0]), v.ToCamera(1-t[1], t[0]), v.ToCamera(1-t[1], 1-t[2]), v.ToCamera(t[3], 1-t[2])}
	return v, math.Abs(math.Log(v.measuredShape()/panelShape)) < shapeSlack
}

// steepest returns where, within a px or two of a place, a profile changes more than on
// either side, or that place.
func steepest(p []float64, i int) int {
	best, size := i, 0.0
	for k := i - alike; k <= i+alike; k++ {
		s := func(k int) float64 { return math.Abs(step(p, k, frameFar)) }
		if s(k) > size && s(k) >= s(k-1) && s(k) >= s(k+1) {
			best, size = k, s(k)
		}
	}
	return best
}
