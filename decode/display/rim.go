package display

import (
	"setwitness/decode/picture"
	"setwitness/decode/screen"
)

// rim is how many samples at each side of a picture are not what the set showed
// there: a lens blurs a border over about a pixel, sharpening draws a line beside
// it as wide again, and the border of a hand-held take is known to half a pixel, so
// that they flicker by tens of codes where white meets a black frame. A raster has
// about one sample for each pixel of the camera.
const rim = 2

// rimOf returns the rim of planes that have one sample for so many of luma: none
// in a close-up, of which no side is a border.
func (s *Survey) rimOf(luma int) int {
	if s.Found.Kind == screen.CloseUp {
		return 0
	}
	return rim / luma
}

// coverRim puts what lies next to the rim over it, at all four sides.
func coverRim(p *picture.Plane, n int) {
	if n <= 0 || p.W <= 2*n || p.H <= 2*n {
		return
	}
	if p.Pix != nil {
		cover(p.Pix, p.Stride, p.W, p.H, n)
	} else {
		cover(p.Pix16, p.Stride, p.W, p.H, n)
	}
}

func cover[T uint8 | uint16](pix []T, stride, w, h, n int) {
	for y := n; y < h-n; y++ {
		row := pix[y*stride:][:w]
		for x := range n {
			row[x], row[w-1-x] = row[n], row[w-1-n]
		}
	}
	top, bottom := pix[n*stride:][:w], pix[(h-1-n)*stride:][:w]
	for y := range n {
		copy(pix[y*stride:][:w], top)
		copy(pix[(h-1-y)*stride:][:w], bottom)
	}
}
