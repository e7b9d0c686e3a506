package echo

import (
	"image"
	"math"
	"testing"

	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// drawn is a picture of 2x1 tiles of 64 samples, of which what inside says stands
// out and nothing has a displacement.
func drawn(inside func(x, y int) bool) (*motion.Map, *cells.Reduced) {
	const w, h = 128, 64
	r := &cells.Reduced{W: w, H: h, StepX: 1, StepY: 1, Pix: make([]uint16, w*h)}
	m := &motion.Map{
		Cols: 2, Rows: 1, Tiles: make([]motion.Tile, 2), HasBackground: true,
		Background: make([]uint16, w*h), StandsOut: make([]uint16, w*h),
	}
	m.Tiles[0].Thing = true
	for i := range r.Pix {
		if inside(i%w, i/w) {
			r.Pix[i], m.StandsOut[i] = 100*cells.Unit8, 0xffff
		}
	}
	return m, r
}

func disc(cx, cy, radius float64) func(x, y int) bool {
	return func(x, y int) bool { return math.Hypot(float64(x)+0.5-cx, float64(y)+0.5-cy) < radius }
}

func TestSpots(t *testing.T) {
	ball := disc(40, 32, 10)
	for _, c := range []struct {
		name   string
		inside func(x, y int) bool
		want   []image.Point // middles
	}{
		{"a ball", ball, []image.Point{{40, 32}}},
		{"with specks about", func(x, y int) bool { return ball(x, y) || x%5 == 0 && y%4 == 0 }, []image.Point{{40, 32}}},
		{"that an arm touches", func(x, y int) bool { return ball(x, y) || x < 34 && y >= 30 && y < 34 }, []image.Point{{40, 32}}},
		{"in two tiles", disc(66, 30, 10), []image.Point{{66, 30}}},
		{"a ball of six samples", disc(41, 31, 3.2), []image.Point{{41, 31}}},
		{"two", func(x, y int) bool { return ball(x, y) || disc(20, 12, 7)(x, y) }, []image.Point{{20, 12}, {40, 32}}},
		{"a cup", func(x, y int) bool {
			return disc(40, 32, 20)(x, y) && (y >= 32 || !disc(40, 32, 10)(x, y))
		}, []image.Point{{40, 35}}},
		{"as wide as the picture", func(_, y int) bool { return y > 20 && y < 40 }, nil},
		{"an arm", func(x, y int) bool { return x < 50 && y >= 30 && y < 34 }, nil},
		{"nothing", func(int, int) bool { return false }, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s spots
			m, r := drawn(c.inside)
			s.note(3, m, r)
			got := s.at(3)
			if len(got) != len(c.want) {
				t.Fatalf("%d spots: %+v", len(got), got)
			}
			for i, p := range got {
				if math.Hypot(p.x-float64(c.want[i].X), p.y-float64(c.want[i].Y)) > 2 {
					t.Errorf("a spot at %.1f,%.1f, want %v", p.x, p.y, c.want[i])
				}
			}
			if s.at(2) != nil || s.at(3+len(s.ring)) != nil {
				t.Error("spots of pictures that were not looked at")
			}
		})
	}
}

func TestFollow(t *testing.T) {
	// place is where the spots of picture k are; x 0 for none.
	run := func(place func(k float64) [][2]float64) (flight, bool) {
		var s spots
		for i := range len(s.ring) {
			o := s.of(i)
			o.picture = i
			for _, p := range place(float64(i)) {
				o.list = append(o.list, spot{x: p[0], y: p[1], n: 50})
			}
			o.sort()
		}
		return s.follow(vectorSpan, &s.at(vectorSpan)[0])
	}
	thrown := func(k float64) [2]float64 { return [2]float64{100 + 12*k, 200 - 9*k + 0.4*k*k} }
	f, ok := run(func(k float64) [][2]float64 { return [][2]float64{thrown(k)} })
	if !ok || math.Abs(f.x-12) > 0.01 || math.Abs(f.y-(0.8*vectorSpan-9)) > 0.01 || f.n != 2*vectorSpan+1 {
		t.Errorf("a throw: %v, %+v", ok, f)
	}
	for _, lost := range []float64{vectorSpan - 1, vectorSpan + 1} {
		f, ok := run(func(k float64) [][2]float64 {
			if k == lost {
				return nil
			}
			p := thrown(k)
			if k > lost && k < lost+2 {
				p[0] += 2 // and a part of it behind something
			}
			return [][2]float64{p}
		})
		if !ok || math.Abs(f.x-12) > 0.5 || f.n != 2*vectorSpan {
			t.Errorf("a throw that nothing shows in picture %g: %v, %+v", lost, ok, f)
		}
	}
	if _, ok := run(func(k float64) [][2]float64 {
		if k > 6 || k < 3 {
			return nil
		}
		return [][2]float64{thrown(k)}
	}); ok {
		t.Error("four pictures are no flight")
	}
	if _, ok := run(func(k float64) [][2]float64 {
		// Every second spoke where the one before it was.
		var out [][2]float64
		for i := range 9 {
			out = append(out, [2]float64{200 + 20*float64(i) + 10*k, 100})
		}
		return out
	}); ok {
		t.Error("one of a row of spokes is followed")
	}
	if _, ok := run(func(k float64) [][2]float64 { return [][2]float64{{100 + k, 50}} }); ok {
		t.Error("what goes too slowly to show copies is followed")
	}
}
