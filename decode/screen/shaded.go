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
	mostFrame, leastFramed = 0.03, 0.25
	// The levels of that step are read up to so many px from it, within a narrow frame.
	frameFar = 4
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
	list, _ := g.search(g.survey(g.stack))
	best, ok := choose(list)
	if !ok || best.score < shadedScore || best.hidden != [4]bool{} || best.offShape() > shapeSlack {
		return Found{}, false
	}
	found := g.describe(best)
	found.Why = "the outline of a set stands darker than the room in the frames while what it shows changes; its frame may be within"
	if v, ok := f.unframed(&best); ok {
		for i, p := range v.Quad {
			found.Start.Quad[i] = best.start.ToCamera(best.view.ToScreen(p))
		}
		found.View.Quad = v.Quad
		if wander(best.views) < stands {
			found.Start.Quad = v.Quad // and not only to some px
		}
		found.Why = "a set stands darker than the room in the frames, and its panel in its frame, while what it shows changes"
	}
	found.Confidence *= shadedTrust
	return found, true
}

// negative returns a finder of the frames with light and dark exchanged.
func (f *Finder) negative() *Finder {
	g := *f
	g.turned = true
	g.stack, g.whole, g.glimpsed, g.spare = nil, nil, nil, nil
	turn := func(pix []uint8) []uint8 {
		out := slices.Clone(pix)
		for i, c := range out {
			out[i] = uint8(f.opposite(int(c), 8))
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
			p.Pix16[i] = uint16(f.opposite(int(c), k.plane.Depth))
		}
		g.whole = append(g.whole, kept{k.index, k.bright, p, turn(k.small)})
	}
	return &g
}

// opposite returns the code that is as far from white as another is from black.
func (f *Finder) opposite(code, depth int) int {
	black, white := 16<<(depth-8), 235<<(depth-8)
	if f.full {
		black, white = 0, 1<<depth-1
	}
	return min(max(black+white-code, 0), 1<<depth-1)
}

// light returns the light of each code of the reduced frames.
func (f *Finder) light() response {
	r := responseOf(8, f.full)
	if !f.turned {
		return r
	}
	out := make(response, len(r))
	for c := range out {
		out[c] = r[f.opposite(c, 8)]
	}
	return out
}

// unframed returns the panel within an outline, where all four sides of it show as a
// step, up or down, along all of their length.
func (f *Finder) unframed(c *candidate) (View, bool) {
	v := c.view
	across, down := v.density()
	n := int(mostFrame*across) + 2*frameFar
	var in [4]float64 // top, right, bottom, left
	for side := range in {
		level, far, px := side%2 == 0, side == 1 || side == 2, across
		if level {
			px = down
		}
		p := f.outwards(c, level, far, n, -1/px)
		// The frame is even up to the panel: the first step is that.
		at := 0
		for i := blurReach + frameFar; i < n-frameFar && at == 0; i++ {
			if s := math.Abs(step(p, i, frameFar)); s >= leastFramed && s >= math.Abs(step(p, i-1, frameFar)) && s > math.Abs(step(p, i+1, frameFar)) {
				at = i
			}
		}
		if at == 0 {
			return v, false
		}
		in[side] = edgeOf(p, at, frameFar) / px
	}
	v.Quad = Quad{v.ToCamera(in[3], in[0]), v.ToCamera(1-in[1], in[0]), v.ToCamera(1-in[1], 1-in[2]), v.ToCamera(in[3], 1-in[2])}
	return v, math.Abs(math.Log(v.measuredShape()/panelShape)) < shapeSlack
}
