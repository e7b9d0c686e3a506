package combing

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect/cells"
)

// A pale shaded ball of 26 samples passes before a pale board with dark letters, which
// one field of a woven picture shows and the other hides, so that no displacement
// explains the window. Pictures that share fields with their neighbours tell it all
// the same, and by how much the fields are apart; progressive ones, a letter that
// flickers in one field and a board at rest tell nothing.
func TestShared(t *testing.T) {
	const w, h = 240, 160
	// A scaler makes two lines of three.
	const larger = 1.5
	scaled := func(p *picture.Plane) *picture.Plane {
		q := picture.New(w, h*3/2, 8)
		for y := range q.H {
			from := (float64(y)+0.5)/larger - 0.5
			above := max(0, int(math.Floor(from)))
			below, share := min(above+1, h-1), max(0, from-float64(above))
			for x := range w {
				q.Pix[y*q.Stride+x] = uint8((1-share)*float64(p.At(x, above)) + share*float64(p.At(x, below)) + 0.5)
			}
		}
		return &q
	}
	stretched := carrier{frequency: 0.5 / larger, phase: -math.Pi / larger * (larger/2 - 0.5)}
	const still = math.MaxInt
	// scene is a picture with its even lines of one instant and its odd lines of another.
	scene := func(seed uint64, even, odd float64, flicker bool) *picture.Plane {
		p := picture.New(w, h, 8)
		r := rand.New(rand.NewPCG(seed, 3))
		for y := range h {
			at := even
			if y&1 == 1 {
				at = odd
			}
			cx, cy := 120+11*at, 80-2*at
			for x := range w {
				v := 195.0
				if x%18 < 6 && y > 62 && y < 98 {
					v = 70
					if flicker && y&1 == 1 {
						v = 140
					}
				}
				if d := math.Hypot(float64(x)-cx, float64(y)-cy); at < still && d < 13 {
					v = 235 - 5*d + 40*math.Sin(float64(x)-cx)/4
					if float64(x) > cx+6 {
						v = 90
					}
				}
				p.Pix[y*p.Stride+x] = uint8(v + r.NormFloat64() + 0.5)
			}
		}
		return &p
	}
	for _, c := range []struct {
		name               string
		before, now, after *picture.Plane
		shared             bool
		dx                 float64
	}{
		{"in a burst", scene(1, 0, -1, false), scene(2, 0, 1, false), scene(3, 2, 1, false), true, 11},
		{"the odd field older", scene(1, -2, -1, false), scene(2, 0, -1, false), scene(3, 0, 1, false), true, -11},
		{"the first of a burst", scene(1, -1, -1, false), scene(2, 0, 1, false), scene(3, 2, 1, false), false, 0},
		{"the last of a burst", scene(1, 0, -1, false), scene(2, 0, 1, false), scene(3, 2, 2, false), false, 0},
		{"progressive", scene(1, -2, -2, false), scene(2, 0, 0, false), scene(3, 2, 2, false), false, 0},
		{"a comb of its own fields", scene(1, -2, -1, false), scene(2, 0, 1, false), scene(3, 2, 3, false), false, 0},
		{"flicker", scene(1, still, still, false), scene(2, still, still, true), scene(3, still, still, false), false, 0},
		{"at rest", scene(1, still, still, true), scene(2, still, still, true), scene(3, still, still, true), false, 0},
	} {
		l := &looker{}
		reach := image.Pt(24, 12)
		window := image.Rect(96, 56, 160, 104)
		k, ok := l.take(c.now, rest{m: &cells.Map{Cols: w, Rows: h, Cells: make([]cells.Cell, w*h)}}, window, woven, unit, reach)
		if !ok {
			if c.shared {
				t.Errorf("%s: not looked at", c.name)
			}
			continue
		}
		got := l.shared(&k, c.before, c.after, unit, reach)
		if got != c.shared || got && math.Abs(k.dx-c.dx) > 1 {
			t.Errorf("%s: shared: %v, %.1f px apart, want %v, %.1f", c.name, got, k.dx, c.shared, c.dx)
		}
		window = image.Rect(96, 84, 160, 156)
		if k, ok = l.take(scaled(c.now), rest{m: &cells.Map{Cols: w, Rows: 2 * h, Cells: make([]cells.Cell, 2*w*h)}}, window, stretched, unit, reach); !ok {
			if c.shared {
				t.Errorf("%s, scaled: not looked at", c.name)
			}
			continue
		}
		if got := l.shared(&k, scaled(c.before), scaled(c.after), unit, reach); got != c.shared || got && math.Abs(k.dx-c.dx) > 1.5 {
			t.Errorf("%s, scaled: shared: %v, %.1f px apart, want %v, %.1f", c.name, got, k.dx, c.shared, c.dx)
		}
	}
}
