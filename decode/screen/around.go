package screen

import (
	"math"
	"slices"
)

// Many a direct take has a rectangle in which something changes while all around it rests: a
// picture within the picture, a set in a scene, a window. What lies around the rectangle
// tells more of a camera before a set than the rectangle does.

// Around is what lies around a screen that was found.
type Around struct {
	// Seen is set where enough of it is in the frames.
	Seen bool
	// Light is its mean light, of white.
	Light float64
	// Noise is how much it varies over time in the median, in codes of the reduced frames.
	Noise float64
	// Glow is how much light it gains for what the screen gains, in the mean of both, and
	// GlowError the standard error of that; infinite where what is shown stays as light.
	Glow, GlowError float64
}

const (
	// What lies around begins this far out, as a share of the screen's size: beyond its
	// frame, and what the lens spreads.
	aroundFrom = 1.06
	// leastAround is the least share of the frame that tells something.
	leastAround = 0.02
)

// surround looks at what lies around a quadrilateral of reduced samples.
func (s *survey) surround(q Quad, light response) (a Around) {
	const within, around = 1, 2
	c := q.centre()
	out := q
	for i, p := range q {
		out[i] = Point{c.X + aroundFrom*(p.X-c.X), c.Y + aroundFrom*(p.Y-c.Y)}
	}
	in, beyond := invert(unitTo(q)), invert(unitTo(out))
	inside := func(h *[9]float64, x, y int) bool {
		p := apply(h, float64(x), float64(y))
		return p.X > 0 && p.X < 1 && p.Y > 0 && p.Y < 1
	}
	where := make([]uint8, s.w*s.h)
	var noise []float32
	n := 0
	for i := range where {
		switch x, y := i%s.w, i/s.w; {
		case inside(&in, x, y):
			where[i] = within
			n++
		case !inside(&beyond, x, y):
			where[i] = around
			noise = append(noise, s.unrest[i])
		}
	}
	if a.GlowError = math.Inf(1); n == 0 || float64(len(noise)) < leastAround*float64(len(where)) {
		return a
	}
	a.Seen = true
	slices.Sort(noise)
	a.Noise = float64(noise[len(noise)/2])
	var lit, thrown []float64
	for _, frame := range s.frames {
		var sum [3]float64
		for i, c := range frame {
			sum[where[i]] += float64(light[c])
		}
		lit = append(lit, sum[within]/float64(n))
		thrown = append(thrown, sum[around]/float64(len(noise)))
		a.Light += thrown[len(thrown)-1] / float64(len(s.frames))
	}
	// From look to look: over all of them the exposure of the camera may follow.
	var xx, xy, yy float64
	for i := 1; i < len(lit); i++ {
		dx, dy := lit[i]-lit[i-1], thrown[i]-thrown[i-1]
		xx, xy, yy = xx+dx*dx, xy+dx*dy, yy+dy*dy
	}
	if k := float64(len(lit) - 2); xx > 0 && k > 0 {
		a.Glow = xy / xx
		a.GlowError = math.Sqrt(max(0, yy-a.Glow*xy) / (k * xx))
	}
	return a
}

// LaidIn reports whether all sides that show keep to the rows and columns of the frame, as
// those of a picture do that was put into another.
func (f *Found) LaidIn() bool {
	for side := range f.Hidden {
		if !f.Hidden[side] && !f.View.level(side) {
			return false
		}
	}
	return true
}

// level reports whether a side keeps to the frame's rows, or columns, from end to end.
func (v View) level(side int) bool {
	p, q := v.Quad[side], v.Quad[(side+1)%4]
	if side%2 == 0 {
		return math.Abs(p.Y-q.Y) < straightest
	}
	return math.Abs(p.X-q.X) < straightest
}

const (
	// whole is the least share of the frame that a set fills which somebody films for its
	// picture: a bit more than half of its width (common practice, no source).
	whole = 1. / 3
	// wholeQuality is that of a border that shows all round.
	wholeQuality = 0.9
)

// WholeSet reports whether what was found looks in all ways like a set that somebody points
// a camera at: its shape, as far as that can be measured, its size, its border.
func (f *Found) WholeSet() bool {
	v := f.View
	return f.Kind == Screen && !f.Still && !f.LitArea && f.Hidden == [4]bool{} && v.Confidence >= wholeQuality &&
		v.Quad.area() >= whole*float64(v.Size.X*v.Size.Y) && math.Abs(math.Log(v.measuredShape()/panelShape)) < pictureSlack
}
