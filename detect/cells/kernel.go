//go:build !purego

package cells

/*
#cgo CFLAGS: -O3 -std=c11
#include "kernel.h"

// The kernels keep no pointer and call nothing back.
#cgo noescape sw_cells_8
#cgo nocallback sw_cells_8
#cgo noescape sw_cells_8_portable
#cgo nocallback sw_cells_8_portable
#cgo noescape sw_cells_16
#cgo nocallback sw_cells_16
#cgo noescape sw_cells_16_portable
#cgo nocallback sw_cells_16_portable
#cgo noescape sw_reduce_8
#cgo nocallback sw_reduce_8
#cgo noescape sw_reduce_16
#cgo nocallback sw_reduce_16
#cgo noescape sw_difference
#cgo nocallback sw_difference
#cgo noescape sw_squared_difference
#cgo nocallback sw_squared_difference
*/
import "C"

import (
	"image"
	"unsafe"

	"setwitness/decode/picture"
)

// kernel is the native form; see twin for what each method computes.
type kernel struct {
	withoutAVX2 bool
}

// portable is the kernel of a processor without AVX2.
func portable() kernel { return kernel{withoutAVX2: true} }

func (k kernel) cells(m *Map, cur, prev *picture.Plane, from, to int) {
	out := (*C.sw_cell)(unsafe.Pointer(&m.Cells[0]))
	w, h, first, last := C.int(cur.W), C.int(cur.H), C.int(from), C.int(to)
	if cur.Pix != nil {
		var p *C.uint8_t
		var stride C.size_t
		if prev != nil {
			p, stride = (*C.uint8_t)(&prev.Pix[0]), C.size_t(prev.Stride)
		}
		if k.withoutAVX2 {
			C.sw_cells_8_portable((*C.uint8_t)(&cur.Pix[0]), C.size_t(cur.Stride), p, stride, w, h, first, last, out)
			return
		}
		C.sw_cells_8((*C.uint8_t)(&cur.Pix[0]), C.size_t(cur.Stride), p, stride, w, h, first, last, out)
		return
	}
	var p *C.uint16_t
	var stride C.size_t
	if prev != nil {
		p, stride = (*C.uint16_t)(&prev.Pix16[0]), C.size_t(prev.Stride)
	}
	if k.withoutAVX2 {
		C.sw_cells_16_portable((*C.uint16_t)(&cur.Pix16[0]), C.size_t(cur.Stride), p, stride, w, h, first, last, out)
		return
	}
	C.sw_cells_16((*C.uint16_t)(&cur.Pix16[0]), C.size_t(cur.Stride), p, stride, C.int(cur.Depth), w, h, first, last, out)
}

func (kernel) reduceRows(dst []uint16, rows int, p *picture.Plane, y int, weight []uint32, stepX, stepY int, scale uint32) {
	if rows == 0 {
		return
	}
	k, n := (*C.uint32_t)(&weight[0]), C.int(len(weight))
	sx, sy, w, d := C.int(stepX), C.int(stepY), C.int(len(dst)/rows), (*C.uint16_t)(&dst[0])
	if p.Pix != nil {
		C.sw_reduce_8((*C.uint8_t)(&p.Pix[y*p.Stride]), C.size_t(p.Stride), k, n, sx, sy, w, C.int(rows), C.uint32_t(scale), d)
		return
	}
	C.sw_reduce_16((*C.uint16_t)(&p.Pix16[y*p.Stride]), C.size_t(p.Stride), k, n, sx, sy, w, C.int(rows), C.uint32_t(scale), d)
}

func (kernel) difference(a, b *Reduced, cellW, cellH, cols, from, to int, out []float32) {
	first := min(from*cellH, a.H) // a cell may lie beyond the planes
	p, q := a.Pix[first*a.W:], b.Pix[first*a.W:]
	if len(p) == 0 {
		clear(out[from*cols : to*cols])
		return
	}
	C.sw_difference((*C.uint16_t)(&p[0]), (*C.uint16_t)(&q[0]), C.int(a.W), C.int(a.H-first),
		C.int(cellW), C.int(cellH), C.int(cols), C.int(to-from), (*C.float)(&out[from*cols]))
}

func (kernel) squaredDifference(a, b *Reduced, cellW, cellH, cols int, in image.Rectangle, out []float32) {
	x, y := in.Min.X*cellW, in.Min.Y*cellH
	if x >= a.W || y >= a.H || in.Empty() { // a cell may lie beyond the planes
		clearCells(out, cols, in)
		return
	}
	at := y*a.W + x
	C.sw_squared_difference((*C.uint16_t)(&a.Pix[at]), (*C.uint16_t)(&b.Pix[at]), C.size_t(a.W), C.int(a.W-x), C.int(a.H-y),
		C.int(cellW), C.int(cellH), C.int(in.Dx()), C.int(in.Dy()), (*C.float)(&out[in.Min.Y*cols+in.Min.X]), C.size_t(cols))
}

func clearCells(list []float32, cols int, in image.Rectangle) {
	for y := in.Min.Y; y < in.Max.Y; y++ {
		clear(list[y*cols+in.Min.X : y*cols+in.Max.X])
	}
}
