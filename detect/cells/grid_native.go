//go:build !purego

package cells

/*
#include "grid.h"

// The kernels keep no pointer and call nothing back.
#cgo noescape sw_grid_columns_8
#cgo nocallback sw_grid_columns_8
#cgo noescape sw_grid_columns_16
#cgo nocallback sw_grid_columns_16
#cgo noescape sw_grid_rows_8
#cgo nocallback sw_grid_rows_8
#cgo noescape sw_grid_rows_16
#cgo nocallback sw_grid_rows_16
#cgo noescape sw_grid_strip
#cgo nocallback sw_grid_strip
*/
import "C"

import "setwitness/decode/picture"

func i16(s []int16) *C.int16_t { return (*C.int16_t)(&s[0]) }

// gridColumns, gridRows and gridStrip are as in twin.
func (kernel) gridColumns(out []int16, p *picture.Plane, y int) {
	if p.Pix != nil {
		C.sw_grid_columns_8((*C.uint8_t)(&p.Pix[y*p.Stride]), C.size_t(p.Stride), C.int(len(out)), i16(out))
		return
	}
	C.sw_grid_columns_16((*C.uint16_t)(&p.Pix16[y*p.Stride]), C.size_t(p.Stride), C.int(p.Depth), C.int(len(out)), i16(out))
}

func (kernel) gridRows(out []int16, p *picture.Plane, n int) {
	if p.Pix != nil {
		C.sw_grid_rows_8((*C.uint8_t)(&p.Pix[0]), C.size_t(p.Stride), C.int(n), C.int(p.H), i16(out))
		return
	}
	C.sw_grid_rows_16((*C.uint16_t)(&p.Pix16[0]), C.size_t(p.Stride), C.int(p.Depth), C.int(n), C.int(p.H), i16(out))
}

func (kernel) gridStrip(out *Profile, sums []int16, unit int) {
	C.sw_grid_strip(i16(sums), C.int(len(sums)), C.int(unit), i16(out.Edge), i16(out.Size), i16(out.Sign))
}
