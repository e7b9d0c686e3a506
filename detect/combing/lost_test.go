package combing

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"
)

// Two fields that show a texture d apart, of whose difference a scaler left a
// share, give that share back; two textures that have nothing to do with each other
// give none.
func TestLost(t *testing.T) {
	const w, h, margin = 120, 60, 26
	texture := func(seed uint64) func(x, y int) float64 {
		r := rand.New(rand.NewPCG(seed, 1))
		var waves [12][3]float64
		for i := range waves {
			a, size := 2*math.Pi*r.Float64(), 5+25*r.Float64()
			waves[i] = [3]float64{math.Cos(a) / size, math.Sin(a) / size, 7 * r.Float64()}
		}
		return func(x, y int) float64 {
			v := 0.0
			for _, a := range waves {
				v += 15 * unit * math.Sin(2*math.Pi*(a[0]*float64(x)+a[1]*float64(y))+a[2])
			}
			return v
		}
	}
	one, other := texture(1), texture(2)
	for _, c := range []struct {
		name   string
		left   float64
		dx, dy int
		odd    func(x, y int) float64
		reach  image.Point
		told   bool
	}{
		{"nothing lost", 1, 7, 0, one, image.Pt(24, 0), true},
		{"two thirds lost", 0.33, 7, 0, one, image.Pt(24, 0), true},
		{"five sixths lost, to the left", 1.0 / 6, -12, 0, one, image.Pt(24, 0), true},
		{"slanting", 0.33, 8, -4, one, image.Pt(24, 8), true},
		{"another texture", 0.33, 0, 0, other, image.Pt(24, 8), false},
	} {
		l := &looker{}
		f := &l.own
		f.resize(0, 0, w, h)
		r := rand.New(rand.NewPCG(9, 9))
		for y := range h {
			for x := range w {
				e, o := one(x, y), c.odd(x-c.dx, y-c.dy)
				mean, half := (e+o)/2, c.left*(e-o)/2
				f.even[y*w+x] = int16(1600 + mean + half + unit*r.NormFloat64())
				f.odd[y*w+x] = int16(1600 + mean - half + unit*r.NormFloat64())
			}
		}
		for range tryPoints {
			x, y := margin+r.IntN(w-2*margin), margin+r.IntN(h-2*margin)
			l.few = append(l.few, point{place{int16(x), int16(y)}, int32(y*w + x)})
		}
		f.chosen(l.few)
		gain, told := l.lost(f, c.reach)
		if told != c.told || told && math.Abs(gain*c.left-1) > 0.12 {
			t.Errorf("%s: gain %.2f, %v, want %.2f, %v", c.name, gain, told, 1/c.left, c.told)
		}
	}
}

// A displacement down the picture does not say that a scaler took anything: a level
// edge that moves has all lines in it.
func TestRaisedLevelEdge(t *testing.T) {
	for _, c := range []struct {
		gain, dx, dy float64
		stands       bool
	}{
		{0, 0.2, 6, true},
		{3, 0.2, 6, false},
		{3, 6, 0.2, true},
		{3, 6, 6, true},
	} {
		k := look{carrier: carrier{frequency: 0.4, gain: c.gain}, dx: c.dx, dy: c.dy, pixels: 500,
			still: 400, along: 60, mirror: 400, detail: 100}
		if got := k.intra(10) > 0; got != c.stands {
			t.Errorf("raised by %g, displacement %g,%g: stands %v", c.gain, c.dx, c.dy, got)
		}
	}
}
