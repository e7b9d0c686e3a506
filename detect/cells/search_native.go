//go:build !purego

package cells

/*
#include "search.h"

// The kernels keep no pointer and call nothing back.
#cgo noescape sw_median6
#cgo nocallback sw_median6
#cgo noescape sw_steady
#cgo nocallback sw_steady
#cgo noescape sw_stand_out
#cgo nocallback sw_stand_out
#cgo noescape sw_stand_out_moved
#cgo nocallback sw_stand_out_moved
#cgo noescape sw_count
#cgo nocallback sw_count
#cgo noescape sw_halve
#cgo nocallback sw_halve
#cgo noescape sw_halve_mask
#cgo nocallback sw_halve_mask
#cgo noescape sw_squares
#cgo nocallback sw_squares
#cgo noescape sw_match
#cgo nocallback sw_match
#cgo noescape sw_around
#cgo nocallback sw_around
#cgo noescape sw_blocks
#cgo nocallback sw_blocks
#cgo noescape sw_match_blocks
#cgo nocallback sw_match_blocks
#cgo noescape sw_around_blocks
#cgo nocallback sw_around_blocks
#cgo noescape sw_search
#cgo nocallback sw_search
#cgo noescape sw_cross
#cgo nocallback sw_cross
#cgo noescape sw_cross_portable
#cgo nocallback sw_cross_portable
#cgo noescape sw_set
#cgo nocallback sw_set
#cgo noescape sw_gradient
#cgo nocallback sw_gradient
#cgo noescape sw_outline
#cgo nocallback sw_outline
#cgo noescape sw_dot
#cgo nocallback sw_dot
#cgo noescape sw_apart
#cgo nocallback sw_apart
#cgo noescape sw_lies_between
#cgo nocallback sw_lies_between
#cgo noescape sw_lies_between_portable
#cgo nocallback sw_lies_between_portable
*/
import "C"

import (
	"image"
	"math"
	"slices"
	"unsafe"
)

func u16(s []uint16) *C.uint16_t { return (*C.uint16_t)(&s[0]) }

// Median6 sets each sample of dst to the median (mean of the middle two) of
// the samples of six planes, in a rectangle of n columns and some rows that
// all seven slices begin at, of planes of w columns.
func (kernel) Median6(dst []uint16, p [6][]uint16, w, n, rows int) {
	C.sw_median6(u16(p[0]), u16(p[1]), u16(p[2]), u16(p[3]), u16(p[4]), u16(p[5]), C.int(w), C.int(n), C.int(rows), u16(dst))
}

// Steady clears the mask where pix is no farther from behind than threshold and so many
// times what six planes spread round that, the second of each side, unless that is more
// than most, in a rectangle as Median6 has it; threshold+times*most is below 2^16.
func (kernel) Steady(mask, pix, behind []uint16, p [6][]uint16, w, n, rows int, threshold, times, most uint16) {
	C.sw_steady(u16(p[0]), u16(p[1]), u16(p[2]), u16(p[3]), u16(p[4]), u16(p[5]), u16(pix), u16(behind),
		C.int(w), C.int(n), C.int(rows), C.uint16_t(threshold), C.uint16_t(times), C.uint16_t(most), u16(mask))
}

// StandOut sets mask to 0xffff where |a-b| is above the threshold, else 0, in
// a rectangle as Median6 has it.
func (kernel) StandOut(mask, a, b []uint16, w, n, rows int, threshold uint16) {
	C.sw_stand_out(u16(a), u16(b), C.int(w), C.int(n), C.int(rows), C.uint16_t(threshold), u16(mask))
}

// StandOutMoved sets mask to 0xffff where |a-b| is above the threshold by more
// than b changes over one sample there, else 0; and to 0 in the first and the
// last column. Planes have w columns and h rows.
func (kernel) StandOutMoved(mask, a, b []uint16, w, h int, threshold uint16) {
	C.sw_stand_out_moved(u16(a), u16(b), C.int(w), C.int(h), C.uint16_t(threshold), u16(mask))
}

// Count sets count[i] to how many squares of 2x2 samples of a mask of w columns
// are set whole, of those that begin in columns i*tile to (i+1)*tile-1.
func (kernel) Count(count []uint32, mask []uint16, w, tile int) {
	C.sw_count(u16(mask), C.int(w), C.int(len(mask)/w), C.int(tile), (*C.uint32_t)(&count[0]))
}

// Halve averages 2x2 samples of a plane of w columns into rows from to to-1 of
// dst.
func (kernel) Halve(dst, src []uint16, w, from, to int) {
	C.sw_halve(u16(src), C.int(w), C.int(from), C.int(to), u16(dst))
}

// HalveMask is Halve for a mask: a sample is set where any of its four is.
func (kernel) HalveMask(dst, src []uint16, w, from, to int) {
	C.sw_halve_mask(u16(src), C.int(w), C.int(from), C.int(to), u16(dst))
}

// Squares sets dst to 1 for each square of 2x2 samples of which at least most are
// set in the mask, and of which the sums in a and b differ by the threshold or more,
// else to 0: n squares across and rows down, where mask, a and b, planes of w
// columns, and dst, a plane of w/2, begin.
func (kernel) Squares(dst []uint8, mask, a, b []uint16, w, n, rows, most, threshold int) {
	C.sw_squares(u16(mask), u16(a), u16(b), C.int(w), C.int(n), C.int(rows), C.int(most), C.int(threshold), (*C.uint8_t)(&dst[0]))
}

// Match returns the mean |difference| over the masked samples of a between
// cur and prev displaced by dx, dy (what is at x in cur was at x-dx in prev),
// and how many samples of it lie inside both planes. Planes have w columns and
// h rows.
func (kernel) Match(cur, prev, mask []uint16, w, h int, a Area, dx, dy int) (mean float32, n int) {
	if a.Sparse != nil && a.Sub(image.Pt(dx, dy)).In(image.Rect(0, 0, w, h)) {
		if a.Sparse.set == 0 {
			return 0, 0
		}
		list := a.Sparse.list
		sum := C.sw_match_blocks(u16(cur), u16(prev), u16(mask), (*C.uint32_t)(&list[0]), C.uint32_t(len(list)), C.ptrdiff_t(-dy*w-dx))
		return float32(sum) / float32(a.Sparse.set), a.Sparse.set
	}
	var count C.uint32_t
	sum := C.sw_match(u16(cur), u16(prev), u16(mask), C.int(w), C.int(h),
		C.int(a.Min.X), C.int(a.Min.Y), C.int(a.Max.X), C.int(a.Max.Y), C.int(a.RowStep),
		C.int(dx), C.int(dy), math.MaxUint64, &count)
	if count == 0 {
		return 0, 0
	}
	return float32(sum) / float32(count), int(count)
}

// Sparse lists where a mask of w columns is set within an area, so that little
// else is read, into memory that it may use again.
func (kernel) Sparse(mask []uint16, w int, a Area, s *Sparse) Area {
	const lanes = 16
	runs := a.Dx() / lanes * a.Dy()
	if a.Dx()%lanes != 0 || a.RowStep != 1 || runs < 1 || runs >= 1<<15 {
		return a // the whole area it is
	}
	s.list = slices.Grow(s.list[:0], runs)[:runs]
	var set C.uint32_t
	n := C.sw_blocks(u16(mask), C.int(w), C.int(a.Min.X), C.int(a.Min.Y), C.int(a.Max.X), C.int(a.Max.Y), (*C.uint32_t)(&s.list[0]), &set)
	s.list, s.set = s.list[:n], int(set)
	a.Sparse = s
	return a
}

// Around is Match at a displacement and one sample to the left, to the right,
// above and below it, in this order.
func (kernel) Around(cur, prev, mask []uint16, w, h int, a Area, dx, dy int) (mean [5]float32, n [5]int) {
	var sum [5]C.uint64_t
	if a.Sparse != nil && a.Sparse.set > 0 && a.Sub(image.Pt(dx, dy)).In(image.Rect(1, 1, w-1, h-1)) {
		list := a.Sparse.list
		C.sw_around_blocks(u16(cur), u16(prev), u16(mask), C.int(w), (*C.uint32_t)(&list[0]), C.uint32_t(len(list)), C.ptrdiff_t(-dy*w-dx), &sum[0])
		for i := range sum {
			mean[i], n[i] = float32(sum[i])/float32(a.Sparse.set), a.Sparse.set
		}
		return mean, n
	}
	var count [5]C.uint32_t
	C.sw_around(u16(cur), u16(prev), u16(mask), C.int(w), C.int(h),
		C.int(a.Min.X), C.int(a.Min.Y), C.int(a.Max.X), C.int(a.Max.Y), C.int(a.RowStep),
		C.int(dx), C.int(dy), &sum[0], &count[0])
	for i := range sum {
		if n[i] = int(count[i]); n[i] > 0 {
			mean[i] = float32(sum[i]) / float32(n[i])
		}
	}
	return mean, n
}

// Find returns the displacement with the least Match within reach of centre,
// trying every stride-th one. One that takes more than a quarter of the
// samples out of the planes is not tried.
func (kernel) Find(cur, prev, mask []uint16, w, h int, a Area, centre, reach image.Point, stride int) Found {
	var f Found
	C.sw_search(u16(cur), u16(prev), u16(mask), C.int(w), C.int(h),
		C.int(a.Min.X), C.int(a.Min.Y), C.int(a.Max.X), C.int(a.Max.Y), C.int(a.RowStep),
		C.int(centre.X), C.int(centre.Y), C.int(reach.X), C.int(reach.Y), C.int(stride), (*C.sw_found)(unsafe.Pointer(&f)))
	return f
}

// cross is Search.Cross with its scratch.
func (k kernel) cross(out []float32, a []int16, w, h int, b []int16, bw int, x, y []int32, s *runs) {
	const lanes = 16
	n := (w + lanes - 1) / lanes * h
	s.packed, s.at = slices.Grow(s.packed[:0], n*lanes)[:n*lanes], slices.Grow(s.at[:0], n)[:n]
	s.sums = slices.Grow(s.sums[:0], len(out))[:len(out)]
	p, q, u, v := (*C.int16_t)(&a[0]), (*C.int16_t)(&b[0]), (*C.int32_t)(&x[0]), (*C.int32_t)(&y[0])
	packed, at, sums := (*C.int16_t)(&s.packed[0]), (*C.uint32_t)(&s.at[0]), (*C.int64_t)(&s.sums[0])
	if k.withoutAVX2 {
		C.sw_cross_portable(p, C.int(w), C.int(h), q, C.int(bw), u, v, C.int(len(out)), packed, at, sums)
	} else {
		C.sw_cross(p, C.int(w), C.int(h), q, C.int(bw), u, v, C.int(len(out)), packed, at, sums)
	}
	for i, v := range s.sums {
		out[i] = float32(v)
	}
}

// Set returns how many samples of a mask of w columns are set in a rectangle,
// which must lie inside.
func (kernel) Set(mask []uint16, w int, r image.Rectangle) int {
	return int(C.sw_set(u16(mask), C.int(w), C.int(r.Min.X), C.int(r.Min.Y), C.int(r.Max.X), C.int(r.Max.Y)))
}

// Gradient sets out, of the size of the window, to Prewitt's gradient of what
// stands out in a window of a plane of w columns: pix less back where mask is
// set, else nothing; back nil takes the plane itself. The gradient runs along
// rows, that is downwards, or along columns, is divided by 8 and clipped to
// 1023 either way; 0 at the rim. Of what stands out only that much is kept
// which the plane itself has too, with the same sign. above is scratch of the
// size of out. The window has at most 1024 columns. It returns the sums of the
// squares and of the fourth powers of out.
func (kernel) Gradient(out, above []int16, pix, back, mask []uint16, w int, win image.Rectangle, rows bool) (squares, fourths uint64) {
	var sum, fourth C.uint64_t
	var b, m *C.uint16_t
	at := win.Min.Y*w + win.Min.X
	if back != nil {
		b, m = u16(back[at:]), u16(mask[at:])
	}
	along := C.int(0)
	if rows {
		along = 1
	}
	C.sw_gradient(u16(pix[at:]), b, m, C.int(w), C.int(win.Dx()), C.int(win.Dy()), along,
		(*C.int16_t)(&above[0]), (*C.int16_t)(&out[0]), &sum, &fourth)
	return uint64(sum), uint64(fourth)
}

// outline is Search.Outline with its scratch.
func (kernel) outline(out []int16, pix, back, mask []uint16, w int, win, part image.Rectangle, n int, rows bool, s *outline) (squares, fourths uint64) {
	all := win.Dx() * win.Dy()
	s.above, s.smooth = slices.Grow(s.above[:0], all)[:all], slices.Grow(s.smooth[:0], all)[:all]
	s.columns = slices.Grow(s.columns[:0], win.Dx()+n)[:win.Dx()+n]
	var sum, fourth C.uint64_t
	along := C.int(0)
	if rows {
		along = 1
	}
	at := win.Min.Y*w + win.Min.X
	part = part.Sub(win.Min)
	C.sw_outline(u16(pix[at:]), u16(back[at:]), u16(mask[at:]), C.int(w), C.int(win.Dx()), C.int(win.Dy()), C.int(n), along,
		C.int(part.Min.X), C.int(part.Min.Y), C.int(part.Max.X), C.int(part.Max.Y),
		(*C.int16_t)(&s.above[0]), (*C.int16_t)(&s.smooth[0]), (*C.int32_t)(&s.columns[0]), (*C.int16_t)(&out[0]), &sum, &fourth)
	return uint64(sum), uint64(fourth)
}

// Dot returns the sum of a*b over rectangles of w columns and h rows that both
// slices begin at, of planes of aw and bw columns; |a| and |b| are at most 1023
// and w at most 2048.
func (kernel) Dot(a []int16, aw int, b []int16, bw, w, h int) int64 {
	return int64(C.sw_dot((*C.int16_t)(&a[0]), C.int(aw), (*C.int16_t)(&b[0]), C.int(bw), C.int(w), C.int(h)))
}

// Apart returns the sum of the squared differences of a and b, of samples of 1<<12 at
// most, in a rectangle as Median6 has it.
func (kernel) Apart(a, b []uint16, w, n, rows int) uint64 {
	if n <= 0 || rows <= 0 {
		return 0
	}
	return uint64(C.sw_apart(u16(a), u16(b), C.int(w), C.int(n), C.int(rows)))
}

// LiesBetween adds to out what the runs of samples of every step-th row from y0 to
// before y1 tell of how plane b lies between planes a and c, all of w columns and of
// samples of 1<<12 at most. A change is far that is more than far.
func (k kernel) LiesBetween(out *Between, a, b, c []uint16, w, y0, y1, step int, runs []Run, far int32) {
	if y0 >= y1 || len(runs) == 0 {
		return
	}
	list, to := (*C.sw_run)(unsafe.Pointer(&runs[0])), (*C.sw_between)(unsafe.Pointer(out))
	if k.withoutAVX2 {
		C.sw_lies_between_portable(u16(a), u16(b), u16(c), C.int(w), C.int(y0), C.int(y1), C.int(step), list, C.int(len(runs)), C.int32_t(far), to)
		return
	}
	C.sw_lies_between(u16(a), u16(b), u16(c), C.int(w), C.int(y0), C.int(y1), C.int(step), list, C.int(len(runs)), C.int32_t(far), to)
}
