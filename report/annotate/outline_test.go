package annotate

import (
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"setwitness/decode/picture"
)

// away is how far outside a convex polygon that runs clockwise a place lies,
// negative inside.
func away(polygon []Point, x, y float64) float64 {
	d := math.Inf(1)
	inside := true
	for i, a := range polygon {
		b := polygon[(i+1)%len(polygon)]
		dx, dy := b.X-a.X, b.Y-a.Y
		if dx*(y-a.Y)-dy*(x-a.X) < 0 {
			inside = false
		}
		t := min(max(((x-a.X)*dx+(y-a.Y)*dy)/(dx*dx+dy*dy), 0), 1)
		d = min(d, math.Hypot(x-a.X-t*dx, y-a.Y-t*dy))
	}
	if inside {
		return -d
	}
	return d
}

// The outline of a region seen askew runs round it and hides nothing of it: what
// is drawn lies just outside, dark, light and dark from the region outwards, and
// every other sample stays.
func TestSurround(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for n := range 12 {
		depth := 8 + n%2*2
		in, out := format(640, 360, depth, 1, 1), output(640, 360, depth, 1, 1)
		p, err := NewPanel(out, in, image.Rect(0, 0, 640, 360), 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		off := func(x, y float64) Point { return Point{x + 20*rng.Float64(), y + 14*rng.Float64()} }
		quad := []Point{off(280, 150), off(350, 145), off(355, 210), off(275, 205)}
		p.Begin(Story{Status: []string{"full speed", "displayed picture 1"}, Region: Around(quad), Peak: Around(quad), Shape: func(*picture.Picture, bool) []Point { return slices.Clone(quad) }})
		c := NewCanvas(out)
		pic := scene(in, n)
		p.Draw(c, pic, Moment{Legend: "full speed", Counter: "displayed picture 1"})
		wide := float64(p.wide)
		light, lights := 0, 0
		for y := range 360 {
			for x := range 640 {
				got, had := c.Picture.Y.At(x, y), pic.Y.At(x, y)
				d := away(quad, float64(x)+0.5, float64(y)+0.5)
				switch at := image.Pt(x, y); {
				case at.In(p.boxes.status) || at.In(p.boxes.caption):
				case d < -0.8 || d > 2*(wide+2*edge)+1: // corners are pointed
					if got != had {
						t.Fatalf("%v: the picture is changed at %d,%d, %.1f px from it", quad, x, y, d)
					}
				case d > 0.8 && d < edge-0.8:
					if got != c.colours.dark.y {
						t.Fatalf("%v: %d at %d,%d, %.1f px from it, is not dark", quad, got, x, y, d)
					}
				case d > edge+0.8 && d < edge+wide-0.8:
					lights++
					if got == c.colours.line.y {
						light++
					}
				}
				if cx, cy := x/2, y/2; d < -2.5 && c.Picture.Cb.At(cx, cy) != pic.Cb.At(cx, cy) {
					t.Fatalf("%v: the colour is changed at %d,%d, inside", quad, x, y)
				}
			}
		}
		// Round the corners the line runs further outside.
		if lights < 50 || light < lights*9/10 {
			t.Errorf("%v: %d of %d samples of the line are light", quad, light, lights)
		}
	}
}

// Of a region that reaches beyond the picture, or fills it, the outline runs inside
// the picture's edge.
func TestSurroundAtEdge(t *testing.T) {
	o := output(640, 360, 8, 1, 1)
	c := NewCanvas(o)
	bounds := image.Rect(0, 0, 640, 360)
	c.surround([]Point{{-40, -30}, {700, 20}, {650, 200}, {-20, 220}}, bounds, 2)
	for _, at := range []image.Point{{3, 60}, {3, 150}, {636, 100}, {40, 3}} {
		if c.Picture.Y.At(at.X, at.Y) != c.colours.line.y {
			t.Errorf("no line at %v", at)
		}
	}
	// What has no area has no outline.
	c = NewCanvas(o)
	c.surround([]Point{{700, 10}, {800, 10}, {800, 90}, {700, 90}}, bounds, 2)
	c.surround(nil, bounds, 2)
	for i, v := range c.Picture.Y.Pix {
		if int(v) != c.colours.ground.y {
			t.Fatalf("sample %d is drawn on", i)
		}
	}
}
