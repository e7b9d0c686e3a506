package refresh

// #cgo CFLAGS: -O3 -std=c11
// #include "kernel.h"
import "C"

import (
	"slices"

	"setwitness/decode/picture"
)

// mergeRows are summed at a time: of 1920 samples each they fit into a second-level
// cache beside what they are made of.
const mergeRows = 16

// merger averages views by their weights. It keeps memory between calls.
type merger struct {
	sums    []int32
	offsets [mergeRows]int32 // of rows, added to their sums
}

// merge fills dst with the average. Black stays where it is whatever the gains were.
func (m *merger) merge(dst *picture.Plane, views []view, black int) {
	const one, shift = 1 << weightBits, weightBits - MoreBits
	for from := 0; from < dst.H; from += mergeRows {
		rows := min(mergeRows, dst.H-from)
		m.sums = slices.Grow(m.sums[:0], rows*dst.W)[:rows*dst.W]
		clear(m.sums)
		for y := range rows {
			rest, any := int32(one), false
			for i := range views {
				w := views[i].weight[from+y]
				rest -= w
				any = any || w != 0
			}
			offset := int32(0)
			if any {
				offset = 1<<(shift-1) + int32(black)*rest
			}
			m.offsets[y] = offset
		}
		for i := range views {
			if v := &views[i]; slices.ContainsFunc(v.weight[from:from+rows], func(w int32) bool { return w != 0 }) {
				add(m.sums, &v.rows, from, v.weight[from:from+rows])
			}
		}
		round(dst, from, m.sums, m.offsets[:rows], shift)
	}
}

// add adds the rows of a plane, from one on, each times its weight.
func add(sums []int32, p *picture.Plane, from int, weight []int32) {
	if p.Pix == nil {
		addTwin(sums, p, from, weight)
		return
	}
	C.sw_refresh_add((*C.int32_t)(&sums[0]), (*C.uint8_t)(&p.Pix[from*p.Stride]), C.size_t(p.Stride),
		(*C.int32_t)(&weight[0]), C.int(p.W), C.int(len(weight)))
}

// addTwin does what the kernel does, for planes of any depth.
func addTwin(sums []int32, p *picture.Plane, from int, weight []int32) {
	for y, w := range weight {
		for x := range p.W {
			sums[y*p.W+x] += w * int32(p.At(x, from+y))
		}
	}
}

// round sets rows of a plane of 9 bits or more, from one on, to the sums and what is added
// to all of a row, shifted down, within the range of codes.
func round(dst *picture.Plane, from int, sums, offsets []int32, shift int) {
	C.sw_refresh_round((*C.uint16_t)(&dst.Pix16[from*dst.Stride]), C.size_t(dst.Stride), (*C.int32_t)(&sums[0]),
		(*C.int32_t)(&offsets[0]), C.int(shift), C.int(dst.Full()), C.int(dst.W), C.int(len(sums)/dst.W))
}

// roundTwin does what the kernel does.
func roundTwin(dst *picture.Plane, from int, sums, offsets []int32, shift int) {
	for i, s := range sums {
		dst.Pix16[(from+i/dst.W)*dst.Stride+i%dst.W] = uint16(min(max((s+offsets[i/dst.W])>>shift, 0), int32(dst.Full())))
	}
}
