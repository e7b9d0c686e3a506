//go:build !purego

package cells

/*
#cgo CFLAGS: -O3 -std=c11
#include "lines.h"

// The kernels keep no pointer and call nothing back.
#cgo noescape sw_rows_8
#cgo nocallback sw_rows_8
#cgo noescape sw_rows_16
#cgo nocallback sw_rows_16
#cgo noescape sw_columns_8
#cgo nocallback sw_columns_8
#cgo noescape sw_columns_16
#cgo nocallback sw_columns_16
#cgo noescape sw_peaks
#cgo nocallback sw_peaks
#cgo noescape sw_add_rows
#cgo nocallback sw_add_rows
#cgo noescape sw_costs
#cgo nocallback sw_costs
#cgo noescape sw_products
#cgo nocallback sw_products
#cgo noescape sw_apart_8
#cgo nocallback sw_apart_8
#cgo noescape sw_apart_16
#cgo nocallback sw_apart_16
*/
import "C"

import "unsafe"

// lineKernel is the native form; see lineTwin for what each method computes.
type lineKernel struct{}

func (lineKernel) row(dst []int32, s Samples, thick int, scale int32) {
	d, w, n := (*C.int32_t)(&dst[0]), C.int(len(dst)), C.int(thick)
	if s.Pix != nil {
		C.sw_rows_8(d, (*C.uint8_t)(&s.Pix[0]), C.size_t(s.Stride), w, n, C.int32_t(scale))
		return
	}
	C.sw_rows_16(d, (*C.uint16_t)(&s.Pix16[0]), C.size_t(s.Stride), w, n, C.int32_t(scale))
}

func (lineKernel) columns(dst []int32, s Samples, h, lines, spacing, thick int, scale int32) {
	d := (*C.int32_t)(&dst[0])
	rows, n, step, wide := C.int(h), C.int(lines), C.int(spacing), C.int(thick)
	if s.Pix != nil {
		C.sw_columns_8(d, (*C.uint8_t)(&s.Pix[0]), C.size_t(s.Stride), rows, n, step, wide, C.int32_t(scale))
		return
	}
	C.sw_columns_16(d, (*C.uint16_t)(&s.Pix16[0]), C.size_t(s.Stride), rows, n, step, wide, C.int32_t(scale))
}

func (lineKernel) peaks(v []int32, half int, least *[LineLevels]int32, lowest int32, longest int, sums, jumps []int32, out []Peak) int {
	return int(C.sw_peaks((*C.int32_t)(&v[0]), C.int(len(v)), C.int(half), (*C.int32_t)(&least[0]), C.int32_t(lowest), C.int(longest),
		(*C.int32_t)(&sums[0]), (*C.int32_t)(&jumps[0]), (*C.sw_peak)(unsafe.Pointer(&out[0]))))
}

func (lineKernel) addRows(columns []uint32, pix []uint16, rows int) {
	if rows <= 0 || len(columns) == 0 {
		return
	}
	_ = pix[rows*len(columns)-1]
	C.sw_add_rows((*C.uint32_t)(&columns[0]), (*C.uint16_t)(&pix[0]), C.size_t(len(columns)), C.int(rows))
}

func (lineKernel) apart(even, odd []int16, s Samples, rows []int32, mean, swing, sums []float32) {
	e, o, w := (*C.int16_t)(&even[0]), (*C.int16_t)(&odd[0]), C.int(len(even))
	r, a, b, n := (*C.int32_t)(&rows[0]), (*C.float)(&mean[0]), (*C.float)(&swing[0]), C.int(len(rows))
	if s.Pix != nil {
		C.sw_apart_8(e, o, (*C.uint8_t)(&s.Pix[0]), w, r, a, b, n, (*C.float)(&sums[0]))
		return
	}
	C.sw_apart_16(e, o, (*C.uint16_t)(&s.Pix16[0]), w, r, a, b, n, (*C.float)(&sums[0]))
}

func (lineKernel) costs(dst []int32, even, odd []int16, at, reach []int32, base, from int) {
	if len(at) == 0 {
		clear(dst)
		return
	}
	var r *C.int32_t
	if reach != nil {
		r = (*C.int32_t)(&reach[0])
	}
	C.sw_costs((*C.int16_t)(&even[0]), (*C.int16_t)(&odd[0]), (*C.int32_t)(&at[0]), r, C.int(len(at)), C.ptrdiff_t(base), C.int(from),
		C.int(len(dst)), (*C.int32_t)(&dst[0]))
}

func (lineKernel) products(across, means, differences []float64, even, odd []int16, at []int32, first int) {
	if len(at) == 0 {
		clear(across)
		clear(means)
		clear(differences)
		return
	}
	C.sw_products((*C.int16_t)(&even[0]), (*C.int16_t)(&odd[0]), (*C.int32_t)(&at[0]), C.int(len(at)), C.ptrdiff_t(first), C.int(len(across)),
		(*C.double)(&across[0]), (*C.double)(&means[0]), (*C.double)(&differences[0]))
}
