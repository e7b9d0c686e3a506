// Package gradients makes takes of soft gradients for tests: broken into
// plateaus as a processor with too few levels does it, and with all their
// levels, dithered, grainy or only looking alike.
//
// In: a seed. Out: takes (package takes) by name with the truth about them;
// Real makes more of real clips. Package exam, below, runs the stages over them,
// in memory and through H.264.
package gradients

import (
	"math"
	"math/rand/v2"
)

// field is a smooth surface, 0 to 1, on a raster wider than the picture where
// the camera pans over it.
type field struct {
	w, h int
	v    []float32
}

// draw draws values.
type draw struct{ *rand.Rand }

func (d draw) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

// The shapes of gradients.
const (
	ramp     = "ramp"     // a plane, at any angle
	sky      = "sky"      // brighter towards the horizon, and to one side
	glow     = "glow"     // a lamp's halo
	vignette = "vignette" // darker to the corners
	waves    = "waves"    // a softly lit wall, a curtain out of focus
)

// newField makes a field of a shape that spans 0 to 1.
func newField(shape string, w, h int, d draw) *field {
	f := &field{w: w, h: h, v: make([]float32, w*h)}
	var at func(x, y float64) float64 // y from 0 to 1, x by the same unit
	aspect := float64(w) / float64(h)
	switch shape {
	case ramp:
		sin, cos := math.Sincos(d.between(0, 2*math.Pi))
		at = func(x, y float64) float64 { return x*cos + y*sin }
	case sky:
		bend, power, side := d.between(-0.25, 0.25), d.between(0.7, 1.5), d.between(0, 1)
		at = func(x, y float64) float64 {
			u := x/aspect - side
			return math.Pow(y, power) + bend*u*u
		}
	case glow:
		cx, cy, size := aspect*d.between(0.2, 0.8), d.between(0.1, 0.9), d.between(0.5, 0.9)
		at = func(x, y float64) float64 { return math.Exp(-(sq(x-cx) + sq(y-cy)) / (2 * size * size)) }
	case vignette:
		cx, cy := aspect*d.between(0.4, 0.6), d.between(0.4, 0.6)
		at = func(x, y float64) float64 { return math.Pow(1+0.8*(sq(x-cx)+sq(y-cy)), -2) }
	default:
		type wave struct{ x, y, phase, size float64 }
		var ws []wave
		for i := range 4 {
			angle, turns := d.between(0, 2*math.Pi), d.between(0.3, 0.9)*(1+0.4*float64(i))
			ws = append(ws, wave{2 * math.Pi * turns * math.Cos(angle) / aspect, 2 * math.Pi * turns * math.Sin(angle), d.between(0, 7), 1 / float64(i+1)})
		}
		at = func(x, y float64) (v float64) {
			for _, k := range ws {
				v += k.size * math.Sin(k.x*x+k.y*y+k.phase)
			}
			return v
		}
	}
	lo, hi := float32(math.Inf(1)), float32(math.Inf(-1))
	for y := range h {
		for x := range w {
			v := float32(at((float64(x)+0.5)/float64(h), (float64(y)+0.5)/float64(h)))
			f.v[y*w+x] = v
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	for i := range f.v {
		f.v[i] = (f.v[i] - lo) / (hi - lo)
	}
	return f
}

func sq(v float64) float64 { return v * v }
