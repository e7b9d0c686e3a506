package screen

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
)

// bayer is the threshold, 0 to 1, of the ordered dither of Bayer 1973 of so many
// pixels, a power of two.
func bayer(n, x, y int) float64 {
	v, scale := 0.0, 0.25
	for ; n > 1; n /= 2 {
		v += scale * float64((x^y)&1<<1|y&1)
		x, y, scale = x>>1, y>>1, scale/4
	}
	return v
}

// A gradient that was brought to fewer bits by ordered dither is no close-up of a
// panel, though its grid is as regular; a panel's grid is.
func TestGrid(t *testing.T) {
	const w, h = 640, 400
	r := rand.New(rand.NewPCG(1, 2))
	look := func(of func(x, y int) float64) (px, share float64) {
		f := NewFinder(w, h)
		for range 4 {
			p := picture.New(w, h, 8)
			for y := range h {
				for x := range w {
					p.Pix[y*p.Stride+x] = uint8(of(x, y))
				}
			}
			f.Add(&p)
		}
		return f.grid()
	}
	slope := func(x, y int) float64 { return 30 + 40*math.Sin(2.2*float64(x)/w+0.9*float64(y)/h) }
	for _, n := range []int{2, 4, 8} {
		for _, step := range []float64{1, 4} {
			t.Run(fmt.Sprintf("dither of %d, steps of %g", n, step), func(t *testing.T) {
				if px, share := look(func(x, y int) float64 {
					return step * math.Floor(slope(x, y)/step+bayer(n, x, y))
				}); share >= gridShare {
					t.Errorf("taken for a panel of %.2f px in %.0f %% of the windows", px, 100*share)
				}
			})
		}
	}
	// Panels, seen a little from the side: the pitch changes across the frame.
	for _, pitch := range []float64{2.3, 3, 4, 6.1} {
		t.Run(fmt.Sprintf("panel of %g px", pitch), func(t *testing.T) {
			px, share := look(func(x, y int) float64 {
				p := pitch * (1 + 0.06*(float64(x)/w-0.5))
				return slope(x, y)*(1+0.2*math.Cos(2*math.Pi*float64(x)/p)+0.2*math.Cos(2*math.Pi*float64(y)/p)) + r.NormFloat64()
			})
			if share < gridShare || math.Abs(px/pitch-1) > 0.05 {
				t.Errorf("%.2f px in %.0f %% of the windows", px, 100*share)
			}
		})
	} // A panel seen from the front, turned by a fifth of a degree; and letters that a
	// picture was made with, a row and a column each.
	t.Run("turned panel", func(t *testing.T) {
		const turn = 0.2 * math.Pi / 180
		px, share := look(func(x, y int) float64 {
			u, v := float64(x)-turn*float64(y), float64(y)+turn*float64(x)
			return slope(x, y)*(1+0.2*math.Cos(2*math.Pi*u/2.6)+0.2*math.Cos(2*math.Pi*v/2.6)) + r.NormFloat64()
		})
		if share < gridShare || math.Abs(px/2.6-1) > 0.05 {
			t.Errorf("%.2f px in %.0f %% of the windows", px, 100*share)
		}
	})
	t.Run("letters", func(t *testing.T) {
		const pitch = 11
		var letters [w/pitch + 1][h/pitch + 1][4]float64
		for i := range letters {
			for k := range letters[i] {
				for j := range letters[i][k] {
					letters[i][k][j] = 160 * r.Float64()
				}
			}
		}
		if px, share := look(func(x, y int) float64 {
			u, v := x%pitch-2, y%pitch-2
			if u < 0 || v < 0 || u >= 7 || v >= 7 {
				return 20
			}
			return 20 + letters[x/pitch][y/pitch][u/4*2+v/4]
		}); share >= gridShare {
			t.Errorf("taken for a panel of %.2f px in %.0f %% of the windows", px, 100*share)
		}
	})
}
