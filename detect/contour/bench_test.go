package contour

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A picture of 1080 lines that is looked at, half of it texture, half a gradient
// that fell into plateaus: luma, reduced, and both planes of chroma.
func BenchmarkLook(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	y := drawn(960, 540, 8, func(x, y float64) float64 {
		if x < 0.5 {
			return 120 + 20*r.NormFloat64()
		}
		return 3 * math.Round(slanted(30, 150)(x, y)/3)
	})
	s, f := look(b, y)
	luma := &plate{w: y.W, h: y.H, pix8: y.Pix, stride: y.Stride, stepX: 2, stepY: 2, full: 1}
	b.Run("load", func(b *testing.B) {
		for b.Loop() {
			for _, t := range s.tracers[Luma] {
				t.load(luma, 0, 0)
			}
		}
	})
	b.Run("find", func(b *testing.B) {
		for b.Loop() {
			for _, t := range s.tracers[Luma] {
				t.edges = t.edges[:0]
				for i, v := range t.lines {
					t.edges = t.find(t.edges, i, v)
				}
			}
		}
	})
	b.Run("all", func(b *testing.B) {
		for b.Loop() {
			f.Gradients = f.Gradients[:0]
			s.look(f, Luma, luma, nil, Every)
			s.look(f, Blue, luma, nil, Every)
			s.look(f, Red, luma, nil, Every)
		}
	})
}
