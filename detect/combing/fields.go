package combing

import (
	"image"

	"setwitness/decode/picture"
	"setwitness/detect/cells"
)

// unit is one 8-bit code in the unit of field samples: sixteenths leave room
// for the quarter codes of an interpolated line and for 12-bit takes.
const unit = 16

// fields holds a part of a picture taken apart into its two fields, each with
// a sample at every place, so that sample i of one lies where sample i of the
// other does.
type fields struct {
	x, y      int // raster place of sample 0
	w, h      int
	step      int     // raster lines from one row to the next
	even, odd []int16 // w*h, in units
	// inside is the part that lies in the picture, in samples and rows; clipped
	// is set where that is not all.
	inside  image.Rectangle
	clipped bool
	// at are the indices of the points chosen for searches, and span is where they lie.
	at   []int32
	span image.Rectangle

	lines cells.Lines
	reach []int32 // of rowCosts, for each of at
	sums  []int32 // of rowCosts
}

// resize makes room for a part of w by h samples at x, y.
func (f *fields) resize(x, y, w, h int) {
	f.x, f.y, f.w, f.h, f.step = x, y, w, h, 1
	f.inside, f.clipped = image.Rect(0, 0, w, h), false
	f.span = f.inside
	if cap(f.even) < w*h {
		f.even, f.odd = make([]int16, w*h), make([]int16, w*h)
	}
	f.even, f.odd = f.even[:w*h], f.odd[:w*h]
}

// split fills f with the part of p at x, y of w by h samples, where the
// fields are the even and the odd lines. A field's own line is taken as it
// is, the other is the mean of the two lines round it. Beyond the edge the
// picture goes on with its last samples.
func (f *fields) split(p *picture.Plane, x, y, w, h int) {
	f.resize(x, y, w, h)
	if p.Pix != nil {
		splitRows(f, p.Pix, p, 0)
	} else {
		splitRows(f, p.Pix16, p, p.Depth-8)
	}
}

// sample is a type of picture samples.
type sample interface{ uint8 | uint16 }

func splitRows[T sample](f *fields, pix []T, p *picture.Plane, shift int) {
	// Samples of more than twelve bits lose their last bits, far below any
	// noise. The mask spares the loops a test for shifts of a whole word.
	down := uint(shift) & 31
	lo, hi := clampColumns(f.x, f.w, p.W)
	for j := range f.h {
		y := min(max(f.y+j, 0), p.H-1)
		above, below := y-1, y+1
		if above < 0 {
			above = below
		}
		if below >= p.H {
			below = max(above, 0)
		}
		above = max(min(above, p.H-1), 0)
		own, other := f.even[j*f.w:(j+1)*f.w], f.odd[j*f.w:(j+1)*f.w]
		if y&1 == 1 {
			own, other = other, own
		}
		n := hi - lo
		b := pix[y*p.Stride+f.x+lo:][:n]
		a := pix[above*p.Stride+f.x+lo:][:n]
		c := pix[below*p.Stride+f.x+lo:][:n]
		to, mean := own[lo:hi][:n], other[lo:hi][:n]
		for i := range n {
			to[i] = int16(uint32(b[i]) << 4 >> down)
			mean[i] = int16((uint32(a[i]) + uint32(c[i])) << 3 >> down)
		}
		extend(own, lo, hi)
		extend(other, lo, hi)
	}
}

// clip notes which part of f lies in p.
func (f *fields) clip(p *picture.Plane) {
	all := f.inside
	first, last := 0, f.h
	for first < last && f.y+first*f.step < 0 {
		first++
	}
	for last > first && f.y+(last-1)*f.step >= p.H {
		last--
	}
	f.inside = all.Intersect(image.Rect(-f.x, first, p.W-f.x, last))
	f.clipped = f.inside != all
}

// clampColumns returns which of w columns from x on lie inside a picture of
// the given width; at least one does.
func clampColumns(x, w, width int) (lo, hi int) {
	lo = min(max(0, -x), w-1)
	hi = max(min(w, width-x), lo+1)
	return lo, hi
}

// extend repeats the first and the last of the samples lo to hi-1 to the ends
// of row.
func extend(row []int16, lo, hi int) {
	for i := range lo {
		row[i] = row[lo]
	}
	for i := hi; i < len(row); i++ {
		row[i] = row[hi-1]
	}
}

// average fills f with the means of the fields over squares of q pixels, of
// which the first begins at x, y of p; y is even.
func (f *fields) average(p *picture.Plane, x, y, w, h, q int) {
	f.resize(x, y, w, h)
	if p.Pix != nil {
		averageSquares(f, p.Pix, p, q)
	} else {
		averageSquares(f, p.Pix16, p, q)
	}
}

func averageSquares[T sample](f *fields, pix []T, p *picture.Plane, q int) {
	scale := float64(unit) / float64(int(1)<<(p.Depth-8)) / float64(q*q/2)
	for j := range f.h {
		y := f.y + j*q
		for i := range f.w {
			x := f.x + i*q
			var sum [2]uint32
			// Squares beyond the edge repeat the last ones inside.
			cx := max(0, min(x, p.W-q))
			cy := max(0, min(y, (p.H-q)&^1))
			for k := range q {
				row := pix[(cy+k)*p.Stride+cx:][:q]
				var s uint32
				for _, v := range row {
					s += uint32(v)
				}
				sum[k&1] += s
			}
			f.even[j*f.w+i] = int16(float64(sum[0]) * scale)
			f.odd[j*f.w+i] = int16(float64(sum[1]) * scale)
		}
	}
}
