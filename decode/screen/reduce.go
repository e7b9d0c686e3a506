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
