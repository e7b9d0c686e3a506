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

	above  []int16
	search cells.Search
}

// Measure takes the gradient in a window of a reduced plane, along the unit
// vector ux, uy: of the plane itself (plain), or of what stands out from the
// background. The window must lie inside the plane.
func (g *Gradient) Measure(r *cells.Reduced, m *motion.Map, win image.Rectangle, plain bool, ux, uy float64) {
	w, h := win.Dx(), win.Dy()
	g.W, g.H, g.Energy, g.Weight = w, h, 0, 0
	g.Pix = slices.Grow(g.Pix[:0], w*h)[:w*h]
	g.above = slices.Grow(g.above[:0], w*h)[:w*h]
	// A thing hides the background, whose texture then stands in the
	// difference from it; the gradient of the picture itself has the texture
	// where the thing is not. Only what both have belongs to the thing.
	background, mask := m.Background, m.StandsOut
	if plain {
		background, mask = nil, nil
	}
	// Along the axis nearer to the path.
	squares, fourths := g.search.Gradient(g.Pix, g.above, r.Pix, background, mask, r.W, win, math.Abs(uy) > math.Abs(ux))
	sum, fourth := float64(squares), float64(fourths)
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
