package align

import (
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect/signature"
)

// The raster of a view: a pan of a hundredth of a pixel of it is still known from all
// of its edges together, and what is finer coding and scaling change.
const viewCols, viewRows = 320, 180

// View is a small picture, by which those are told apart whose blocks are alike: means of
// luma in viewCols by viewRows places of the frame.
type View struct {
	codes []uint16       // row by row, in 1/signature.Unit8 of an 8-bit code
	known [viewRows]bool // of each row, whether it shows this picture alone
}

// NewView reduces a picture. The lines of a field lie where they do in its frame.
func NewView(p *picture.Picture) *View {
	v := &View{codes: make([]uint16, viewRows*viewCols)}
	shift := 0. // by which the field's lines begin after the frame's, in lines of it
	switch p.Parity {
	case picture.Top:
		shift = -0.25
	case picture.Bottom:
		shift = 0.25
	}
	unit := float32(signature.Unit8) / float32(int(1)<<(p.Y.Depth-8))
	sums := make([]float32, p.Y.W)
	across := make([]taps, viewCols)
	for x := range across {
		across[x] = meet(x, viewCols, p.Y.W, 0)
	}
	for y := range viewRows {
		clear(sums)
		down := meet(y, viewRows, p.Y.H, -shift)
		v.known[y] = p.Trusted(down.first, down.first+len(down.weights))
		for k, w := range down.weights {
			at := (down.first + k) * p.Y.Stride
			if p.Y.Pix != nil {
				addRow(sums, p.Y.Pix[at:at+p.Y.W], w*unit)
			} else {
				addRow(sums, p.Y.Pix16[at:at+p.Y.W], w*unit)
			}
		}
		out := v.codes[y*viewCols:][:viewCols]
		for x, t := range across {
			mean := float32(0)
			for k, v := range sums[t.first:][:len(t.weights)] {
				mean += t.weights[k] * v
			}
			out[x] = uint16(min(mean+0.5, signature.Unknown-1))
		}
	}
	return v
}

// comparable says of each row of a view whether all about it show one picture alone.
func (v *View) comparable() *[viewRows]bool {
	rows := new([viewRows]bool)
	for y := viewMargin; y < viewRows-viewMargin; y++ {
		rows[y] = !slices.Contains(v.known[y-viewMargin:y+viewMargin+1], false)
	}
	return rows
}

func addRow[T uint8 | uint16](sums []float32, row []T, weight float32) {
	sums = sums[:len(row)]
	for x, v := range row {
		sums[x] += weight * float32(v)
	}
}

// meet is which of n samples part i of parts is made of, begun so much later.
func meet(i, parts, n int, later float64) taps {
	from := min(max(float64(i*n)/float64(parts)+later, 0), float64(n)-0.5)
	to := min(max(float64((i+1)*n)/float64(parts)+later, from+0.25), float64(n))
	t := taps{first: int(from)}
	for k := t.first; float64(k) < to; k++ {
		in := min(to, float64(k+1)) - max(from, float64(k))
		t.weights = append(t.weights, float32(in/(to-from)))
	}
	return t
}

type plane [viewRows * viewCols]float32

// evened is a view that is evened out, in 1/evenUnit of what is usual about each place; a
// whole neighbourhood in one place is 17 of that.
type evened [viewRows * viewCols]int16

const evenUnit = 1024

// Reach of the neighbourhood that evens out a view, and of that which softens it.
const evenReach, softReach = 8, 1

// viewMargin is how far from what is not known a view that is evened out is not known
// either, with some places for the source to be displaced.
const viewMargin = evenReach + softReach + 4

// layView fills in the view of a source laid into the take's picture, linearly between its
// places.
func (f Fit) layView(to *plane, from *View) {
	across, down := between(f.ScaleX, f.OffsetX, viewCols), between(f.ScaleY, f.OffsetY, viewRows)
	for y, d := range down {
		if !d.within {
			clear(to[y*viewCols:][:viewCols])
			continue
		}
		p, q := from.codes[d.at*viewCols:][:viewCols], from.codes[(d.at+1)*viewCols:][:viewCols]
		out := to[y*viewCols:][:viewCols]
		for x, a := range across {
			if !a.within {
				out[x] = 0
				continue
			}
			u := float32(p[a.at])*(1-a.share) + float32(p[a.at+1])*a.share
			v := float32(q[a.at])*(1-a.share) + float32(q[a.at+1])*a.share
			out[x] = (u*(1-d.share) + v*d.share) / signature.Unit8
		}
	}
}

// betweenTwo is a place between one of the source's and the next.
type betweenTwo struct {
	at     int
	share  float32
	within bool
}

func between(scale, offset float64, n int) []betweenTwo {
	out := make([]betweenTwo, n)
	for i := range out {
		u := ((float64(i)+0.5)/float64(n)-offset)/scale*float64(n) - 0.5
		at := int(math.Floor(u))
		// The last places of both ends are as good as half a place beyond.
		switch {
		case u < -0.5 || u > float64(n)-0.5:
			continue
		case at < 0:
			at = 0
			u = 0
		case at > n-2:
			at = n - 2
			u = float64(n - 1)
		}
		out[i] = betweenTwo{at, float32(u - float64(at)), true}
	}
	return out
}

// viewKnown is which places of a take a source laid by a fit, and all about them, fill.
func (f Fit) viewKnown() (across, down []bool) {
	axis := func(scale, offset float64, n int) []bool {
		in := between(scale, offset, n)
		out := make([]bool, n)
		for i := range out {
			out[i] = i >= viewMargin && i < n-viewMargin && in[i-viewMargin].within && in[i+viewMargin].within
		}
		return out
	}
	return axis(f.ScaleX, f.OffsetX, viewCols), axis(f.ScaleY, f.OffsetY, viewRows)
}

// evener evens out views.
type evener struct{ laid, soft, mean, squares, rows plane }

// even takes off what is smooth, and evens out what is left: light that falls off, and a
// response that is steeper in the dark, change both. The view is laid by a fit.
func (e *evener) even(f Fit, v *View) *evened {
	f.layView(&e.laid, v)
	e.about(&e.soft, &e.laid, softReach)
	e.about(&e.mean, &e.soft, evenReach)
	for i, v := range e.mean {
		e.soft[i] -= v
		e.squares[i] = e.soft[i] * e.soft[i]
	}
	e.about(&e.mean, &e.squares, evenReach)
	out := new(evened)
	for i, v := range e.mean {
		out[i] = int16(e.soft[i] / float32(math.Sqrt(float64(max(v, 0))+evenCodes*evenCodes)) * evenUnit)
	}
	return out
}

// evenCodes is the detail below which what there is is mostly noise and coding.
const evenCodes = 2

// about fills in the means about each place.
func (e *evener) about(to, from *plane, reach int) {
	for y := range viewRows {
		row, out := from[y*viewCols:][:viewCols], e.rows[y*viewCols:][:viewCols]
		sum := float32(0)
		for _, v := range row[:reach] {
			sum += v
		}
		for x := range out {
			if x+reach < viewCols {
				sum += row[x+reach]
			}
			if x > reach {
				sum -= row[x-reach-1]
			}
			out[x] = sum / float32(min(x+reach, viewCols-1)-max(x-reach, 0)+1)
		}
	}
	var sum [viewCols]float32
	add := func(y int, sign float32) {
		for x, v := range e.rows[y*viewCols:][:viewCols] {
			sum[x] += sign * v
		}
	}
	for y := range reach {
		add(y, 1)
	}
	for y := range viewRows {
		if y+reach < viewRows {
			add(y+reach, 1)
		}
		if y > reach {
			add(y-reach-1, -1)
		}
		n := 1 / float32(min(y+reach, viewRows-1)-max(y-reach, 0)+1)
		for x, v := range &sum {
			to[y*viewCols+x] = v * n
		}
	}
}
