package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// outliner takes the gradient of the coarse outline of what stands out from
// the background. It keeps only scratch memory.
type outliner struct {
	above []int16
	sums  []int32
}

// measure fills g with the gradient, along the axis nearer to the unit vector
// ux, uy, of what stands out in a window, averaged over squares of n samples,
// n odd. Unlike echo.Gradient's own it has all that stands out: copies let the
// background through, whose texture the average takes out. What lies beside
// the window counts in the average.
func (o *outliner) measure(g *echo.Gradient, r *cells.Reduced, m *motion.Map, win image.Rectangle, ux, uy float64, n int) {
	wide := win.Inset(-n).Intersect(image.Rect(0, 0, r.W, r.H))
	w, h := wide.Dx(), wide.Dy()
	o.above = slices.Grow(o.above[:0], w*h)[:w*h]
	for y := range h {
		from := (wide.Min.Y+y)*r.W + wide.Min.X
		pix, back, mask := r.Pix[from:from+w], m.Background[from:from+w], m.StandsOut[from:from+w]
		dst := o.above[y*w : (y+1)*w]
		for x := range dst {
			dst[x] = 0
			if mask[x] != 0 {
				dst[x] = int16(int(pix[x]) - int(back[x]))
			}
		}
	}
	o.smooth(w, h, n)
	o.prewitt(g, w, h, win.Sub(wide.Min), math.Abs(uy) > math.Abs(ux))
}

// smooth averages over squares of n samples; what lies beyond counts as
// nothing.
func (o *outliner) smooth(w, h, n int) {
	half := n / 2
	o.sums = slices.Grow(o.sums[:0], w*h)[:w*h]
	for y := range h {
		row, out := o.above[y*w:(y+1)*w], o.sums[y*w:(y+1)*w]
		sum := int32(0)
		for x := -half; x < w; x++ {
			if x+half < w {
				sum += int32(row[x+half])
			}
			if x-half-1 >= 0 {
				sum -= int32(row[x-half-1])
			}
			if x >= 0 {
				out[x] = sum
			}
		}
	}
	for x := range w {
		sum := int32(0)
		for y := -half; y < h; y++ {
			if y+half < h {
				sum += o.sums[(y+half)*w+x]
			}
			if y-half-1 >= 0 {
				sum -= o.sums[(y-half-1)*w+x]
			}
			if y >= 0 {
				o.above[y*w+x] = int16(sum / int32(n*n))
			}
		}
	}
}

// prewitt is the gradient of echo.Gradient, in the same unit, of part of a
// window of w by h samples; 0 at the rim.
func (o *outliner) prewitt(g *echo.Gradient, w, h int, part image.Rectangle, rows bool) {
	const least, most = -1023, 1023
	g.W, g.H = part.Dx(), part.Dy()
	g.Pix = slices.Grow(g.Pix[:0], g.W*g.H)[:g.W*g.H]
	clear(g.Pix)
	step, across := 1, w
	if rows {
		step, across = w, 1
	}
	var sum, fourth float64
	for y := max(part.Min.Y, 1); y < min(part.Max.Y, h-1); y++ {
		out := g.Pix[(y-part.Min.Y)*g.W:]
		for x := max(part.Min.X, 1); x < min(part.Max.X, w-1); x++ {
			a, b := y*w+x+step, y*w+x-step
			d := int(o.above[a]) + int(o.above[a-across]) + int(o.above[a+across]) -
				int(o.above[b]) - int(o.above[b-across]) - int(o.above[b+across])
			d = max(least, min(most, d/8))
			out[x-part.Min.X] = int16(d)
			e := float64(d) * float64(d)
			sum += e
			fourth += e * e
		}
	}
	g.Energy, g.Weight = sum, 0
	if fourth > 0 {
		g.Weight = sum * sum / fourth
	}
}
