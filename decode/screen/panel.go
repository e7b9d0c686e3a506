package screen

import (
	"math"
	"slices"
)

// A picture with black bars lights only a part of the panel. Where the panel's
// black is not quite that of the bezel, or the bezel that of the wall, the
// panel's own edge still shows as a faint step along the whole length of a
// side, far below the noise of one pixel but not below that of all of them
// together.

// Panels of television sets have this shape; the bars fill what the picture
// leaves of it.
const panelShape = 16. / 9

const (
	// A lit picture whose shape is within this share of the panel's fills it;
	// it may have a usual shape that is within pictureSlack of what is
	// measured, which is right to half a percent.
	filledSlack, pictureSlack = 0.03, 0.015
	// The panel's edge is looked for within this many px of where the panel's
	// shape puts it; the bezel's outer edge is farther away.
	barPlace = 2
	// Levels on either side of a step are read over so many px, so far from
	// it: beyond the lens's blur, and within a narrow bezel.
	stepNear, stepFar = 2, 6
	// The edge's steps, in codes, have to be above this: below, a wall that
	// is lit unevenly makes them too. They also have to stand out against
	// the rest of the bars by that factor.
	leastStep, stepOut = 0.12, 3
)

// panel looks for the panel round a lit picture, and returns the view of it.
func (f *Finder) panel(c *candidate) (View, bool) {
	shape := c.view.measuredShape()
	level := shape > panelShape // bars above and below, or else left and right
	across, down := c.view.density()
	px := down
	if !level {
		px = across
	}
	// Where the edge is, px outwards, if the picture has one of the usual
	// shapes.
	var due []float64
	for _, s := range shapes {
		if math.Abs(math.Log(s/shape)) < pictureSlack && math.Abs(math.Log(s/panelShape)) > filledSlack {
			due = append(due, (max(s/panelShape, panelShape/s)-1)/2*px)
		}
	}
	if len(due) == 0 {
		return c.view, false
	}
	// Profiles outwards on both sides, a sample each px.
	n := int(slices.Max(due)+barPlace) + 2*stepFar
	var sides [2][]float64
	for side := range sides {
		sides[side] = f.outwards(c, level, side == 1, n, 1/px)
	}
	at, size, rest := 0, 0.0, 0.0
	for i := stepFar + blurReach; i < n-stepFar; i++ {
		s := math.Hypot(step(sides[0], i, stepFar), step(sides[1], i, stepFar)) / math.Sqrt2
		off := math.Inf(1)
		for _, d := range due {
			off = min(off, math.Abs(float64(i)-d))
		}
		if off <= barPlace && s > size {
			at, size = i, s
		} else if float64(i) < slices.Min(due)-barPlace-stepFar {
			rest = max(rest, s)
		}
	}
	if size < leastStep || size < stepOut*rest {
		return c.view, false
	}
	v := c.view
	var ends [2]float64
	for side := range sides {
		ends[side] = edgeOf(sides[side], at, stepFar) / px
	}
	whole := 1 + ends[0] + ends[1]
	if level {
		v.Bars = [4]float64{ends[0] / whole, 0, ends[1] / whole, 0}
		v.Quad = Quad{v.ToCamera(0, -ends[0]), v.ToCamera(1, -ends[0]), v.ToCamera(1, 1+ends[1]), v.ToCamera(0, 1+ends[1])}
	} else {
		v.Bars = [4]float64{0, ends[1] / whole, 0, ends[0] / whole}
		v.Quad = Quad{v.ToCamera(-ends[0], 0), v.ToCamera(1+ends[1], 0), v.ToCamera(1+ends[1], 1), v.ToCamera(-ends[0], 1)}
	}
	return v, true
}

// blurReach is how far the lens's blur of a lit edge reaches, px.
const blurReach = 4

// sameShape is how far, in px, corners of different frames are off the same
// shape: some times what each is measured to.
const sameShape = 1.5

// outwards returns mean codes along lines beside the picture, at distances of
// 0, 1, 2 ... steps (in pictures) from its edge, over all kept frames.
func (f *Finder) outwards(c *candidate, level, far bool, n int, step float64) []float64 {
	sum, count := make([]float64, n), make([]float64, n)
	for k := range f.whole {
		// A frame in which a side is dark may be fitted to something else.
		if !c.view.Quad.onto(c.views[k].Quad).near(c.views[k].Quad, sameShape) {
			continue
		}
		p := &f.whole[k].plane
		proj := c.views[k].project()
		const points = 600 // along a line
		for i := range n {
			d := -float64(i) * step
			if far {
				d = 1 - d
			}
			for j := range points {
				along := 0.04 + 0.92*float64(j)/(points-1)
				u, v := along, d
				if !level {
					u, v = d, along
				}
				at := proj.point(u, v)
				x, y := int(math.Round(at.X)), int(math.Round(at.Y))
				if x < 0 || y < 0 || x >= p.W || y >= p.H {
					continue
				}
				sum[i] += float64(p.At(x, y)) / float64(int(1)<<(p.Depth-8))
				count[i]++
			}
		}
	}
	for i := range sum {
		sum[i] /= max(count[i], 1)
	}
	return sum
}

// step is how much a profile changes about a place, by what lies up to so far from it.
func step(p []float64, i, far int) float64 {
	var a, b float64
	for k := stepNear; k <= far; k++ {
		a += p[max(i-k, 0)]
		b += p[min(i+k, len(p)-1)]
	}
	return (b - a) / float64(far-stepNear+1)
}

// edgeOf returns where a profile is half of the way between its levels on
// either side of a place.
func edgeOf(p []float64, i, far int) float64 {
	var a, b float64
	for k := stepNear; k <= far; k++ {
		a += p[max(i-k, 0)] / float64(far-stepNear+1)
		b += p[min(i+k, len(p)-1)] / float64(far-stepNear+1)
	}
	half := (a + b) / 2
	for k := max(i-stepNear, 0); k < min(i+stepNear, len(p)-1); k++ {
		if (p[k]-half)*(p[k+1]-half) <= 0 && p[k] != p[k+1] {
			return float64(k) + (half-p[k])/(p[k+1]-p[k])
		}
	}
	return float64(i)
}
