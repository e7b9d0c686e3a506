package align

import (
	"math"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect/signature"
)

// Of a plane that rises along both axes each place has what the plane has there, whatever
// the raster and whichever lines a picture holds.
func TestViewIsMeans(t *testing.T) {
	for _, c := range []struct {
		w, h, depth int
		parity      picture.Parity
	}{
		{1920, 1080, 8, picture.Frame}, {480, 270, 8, picture.Frame}, {720, 288, 10, picture.Top}, {720, 288, 10, picture.Bottom},
		{1920, 540, 8, picture.Top}, {1920, 540, 8, picture.Bottom}, {240, 136, 12, picture.Frame},
	} {
		p := &picture.Picture{Y: picture.New(c.w, c.h, c.depth), Parity: c.parity}
		lines, line := 1, 0
		if c.parity != picture.Frame {
			lines = 2
		}
		if c.parity == picture.Bottom {
			line = 1
		}
		plane := func(x, y float64) float64 { return 20 + 100*x + 90*y } // of shares of the frame
		for y := range c.h {
			for x := range c.w {
				v := plane((float64(x)+0.5)/float64(c.w), (float64(lines*y+line)+0.5)/float64(lines*c.h))
				if c.depth == 8 {
					p.Y.Pix[y*c.w+x] = uint8(v)
				} else {
					p.Y.Pix16[y*c.w+x] = uint16(v * float64(int(1)<<(c.depth-8)))
				}
			}
		}
		v := NewView(p)
		down := 0.5 / float64(int(1)<<(c.depth-8)) // codes were rounded down
		sum := 0.
		for y := 2; y < viewRows-2; y++ {
			for x := 2; x < viewCols-2; x++ {
				want := plane((float64(x)+0.5)/viewCols, (float64(y)+0.5)/viewRows) - down
				d := float64(v.codes[y*viewCols+x])/signature.Unit8 - want
				if sum += d; math.Abs(d) > 1.2 {
					t.Fatalf("%dx%d %v: place %d, %d is %.2f off", c.w, c.h, c.parity, x, y, d)
				}
			}
		}
		// A quarter of a line of a field is 0.08 codes in 288 lines.
		if mean := sum / ((viewCols - 4) * (viewRows - 4)); math.Abs(mean) > 0.02 {
			t.Errorf("%dx%d %v: %.3f off in the mean", c.w, c.h, c.parity, mean)
		}
	}
}
