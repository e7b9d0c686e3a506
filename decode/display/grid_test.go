package display

import (
	"math"
	"testing"

	"setwitness/decode/picture"
)

// Columns of the panel's pixels go, an edge and what is as fine as a comb stay.
func TestGridless(t *testing.T) {
	const w, h, pitch, edge = 256, 8, 2.6, 120
	p := picture.New(w, h, 10)
	for y := range h {
		for x := range w {
			code := 400.0
			if x >= edge {
				code = 800
			}
			code += 60 * float64(y%2)
			p.Pix16[y*p.Stride+x] = uint16(code * (1 + 0.4*math.Sin(2*math.Pi*float64(x)/pitch)))
		}
	}
	g := gridless{pitch: pitch}
	g.even(&p)
	for y := range h {
		for x := range w {
			want := 400 + 60*float64(y%2)
			switch {
			case x < 3 || x >= w-3 || x > edge-3 && x < edge+3:
				continue
			case x >= edge:
				want += 400
			}
			// The grid is sampled at 2.6 to a period, and the window is made of
			// such samples: a tenth of it is left.
			if got := float64(p.Pix16[y*p.Stride+x]); math.Abs(got-want) > 0.1*0.4*want {
				t.Fatalf("at %d,%d: %.0f, want %.0f", x, y, got, want)
			}
		}
	}
}
