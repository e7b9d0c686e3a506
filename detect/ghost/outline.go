package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// outline fills g with the gradient, along the axis nearer to the unit vector
// ux, uy, of the coarse outline of what stands out in a window, averaged over
// squares of n samples, n odd. Unlike echo.Gradient's own it has all that stands
// out: copies let the background through, whose texture the average takes out.
// What lies beside the window counts in the average.
func (f *fitter) outline(g *echo.Gradient, r *cells.Reduced, m *motion.Map, win image.Rectangle, ux, uy float64, n int) {
	wide := win.Inset(-n).Intersect(image.Rect(0, 0, r.W, r.H))
	g.W, g.H = win.Dx(), win.Dy()
	g.Pix = slices.Grow(g.Pix[:0], g.W*g.H)[:g.W*g.H]
	squares, fourths := f.search.Outline(g.Pix, r.Pix, m.Background, m.StandsOut, r.W, wide, win, n, math.Abs(uy) > math.Abs(ux))
	g.Energy, g.Weight = float64(squares), 0
	if fourths > 0 {
		g.Weight = g.Energy * g.Energy / float64(fourths)
	}
}
