package screen

// #cgo CFLAGS: -O3 -std=c11
// #cgo LDFLAGS: -lm
// #include "kernel.h"
import "C"

import (
	"unsafe"

	"setwitness/decode/picture"
)

// reduce fills dst with the means of factor x factor samples of an 8-bit
// scale, row by row; w and h are what dst holds.
func reduce(p *picture.Plane, factor, w, h int, dst []uint8) {
	if p.Pix == nil || factor > 32 {
		reduceTwin(p, factor, w, h, dst)
		return
	}
	C.sw_screen_reduce((*C.uint8_t)(unsafe.Pointer(&p.Pix[0])), C.size_t(p.Stride),
		C.int(factor), C.int(w), C.int(h), (*C.uint8_t)(unsafe.Pointer(&dst[0])))
}

// Reduce returns a frame made smaller by a factor, each sample the mean of a
// square, rounded down; what is left over at the right and below is cut off.
func Reduce(p *picture.Plane, factor int) picture.Plane {
	out := picture.New(p.W/factor, p.H/factor, p.Depth)
	if p.Pix != nil && out.W > 0 && out.H > 0 {
		reduce(p, factor, out.W, out.H, out.Pix)
		return out
	}
	for y := range out.H {
		for x := range out.W {
			sum := 0
			for r := range factor {
				for c := range factor {
					sum += p.At(x*factor+c, y*factor+r)
				}
			}
			out.Pix16[y*out.Stride+x] = uint16(sum / (factor * factor))
		}
	}
	return out
}

func reduceTwin(p *picture.Plane, factor, w, h int, dst []uint8) {
	for y := range h {
		for x := range w {
			s := 0
			for r := range factor {
				for c := range factor {
					s += p.At(x*factor+c, y*factor+r)
				}
			}
			dst[y*w+x] = uint8(s / (factor * factor) >> (p.Depth - 8))
		}
	}
}
