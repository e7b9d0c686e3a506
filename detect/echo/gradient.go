package echo

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// Gradient is the difference along a path of what stands out from the
// background in a window, or of the plane itself.
type Gradient struct {
	// W, H is the size of the window in samples and Pix its W*H values, in
	// the unit of cells.Reduced.Pix over 8/3, -1023 to 1023; 0 at the rim.
	W, H int
	Pix  []int16
	// Energy is the sum of the squares without that of noise, 0 where there
	// is nothing but noise.
	Energy float64
	// Weight is the number of samples that carry the energy (its
	// participation ratio).
	Weight float64

	above []int16
}

// Measure takes the gradient in a window of a reduced plane, along the unit
// vector ux, uy: of the plane itself (plain), or of what stands out from the
// background. The window must lie inside the plane.
func (g *Gradient) Measure(r *cells.Reduced, m *motion.Map, win image.Rectangle, plain bool, ux, uy float64) {
	w, h := win.Dx(), win.Dy()
	g.W, g.H, g.Energy, g.Weight = w, h, 0, 0
	g.Pix = slices.Grow(g.Pix[:0], w*h)[:w*h]
	clear(g.Pix)
	g.above = slices.Grow(g.above[:0], w*h)[:w*h]
	for y := range h {
		from := (win.Min.Y+y)*r.W + win.Min.X
		dst := g.above[y*w : (y+1)*w]
		if plain {
			for x, v := range r.Pix[from : from+w] {
				dst[x] = int16(v)
			}
			continue
		}
		pix, back, mask := r.Pix[from:from+w], m.Background[from:from+w], m.StandsOut[from:from+w]
		for x := range dst {
			dst[x] = 0
			if mask[x] != 0 {
				dst[x] = int16(int(pix[x]) - int(back[x]))
			}
		}
	}
	// The gradient is Prewitt's: a difference along the axis nearer to the
	// path, averaged over three lines across it.
	step, across, pixStep, pixAcross := 1, w, 1, r.W
	if math.Abs(uy) > math.Abs(ux) {
		step, across, pixStep, pixAcross = w, 1, r.W, 1
	}
	var sum, fourth float64
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			a, b := i+step, i-step
			d := int(g.above[a]) + int(g.above[a-across]) + int(g.above[a+across]) -
				int(g.above[b]) - int(g.above[b-across]) - int(g.above[b+across])
			if d == 0 {
				continue
			}
			if !plain {
				// A thing hides the background, whose texture then stands
				// in the difference from it; the gradient of the picture
				// itself has the texture where the thing is not. Only what
				// both have belongs to the thing.
				k := (win.Min.Y+y)*r.W + win.Min.X + x
				a, b := k+pixStep, k-pixStep
				f := int(r.Pix[a]) + int(r.Pix[a-pixAcross]) + int(r.Pix[a+pixAcross]) -
					int(r.Pix[b]) - int(r.Pix[b-pixAcross]) - int(r.Pix[b+pixAcross])
				if d > 0 {
					d = max(0, min(d, f))
				} else {
					d = min(0, max(d, f))
				}
			}
			d = max(-1023, min(1023, d/8))
			g.Pix[i] = int16(d)
			e := float64(d) * float64(d)
			sum += e
			fourth += e * e
		}
	}
	noise := 0.0
	if plain {
		// Noise is a mean |difference| of two pictures; its variance in one
		// is Noise^2 pi/4, in a difference of three and three samples six
		// times that.
		n := float64(m.Noise) / 8
		noise = n * n * math.Pi / 4 * 6 * float64(w*h)
	}
	if sum <= 2*noise || fourth == 0 {
		return // what is there is noise
	}
	g.Energy, g.Weight = sum-noise, sum*sum/fourth
}
