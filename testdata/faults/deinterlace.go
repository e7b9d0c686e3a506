package faults

import (
	"image"
	"math"

	"setwitness/decode/picture"
	"setwitness/detect"
)

// Weave shows, where w says, field k woven with that of instant k+from (1 or
// -1, or another odd distance).
func Weave(s Sequence, w Where, from int) Sequence {
	t := w.truth(s, detect.Combing)
	t.Measures[Pitch] = 2
	if w.Contrast != 0 {
		t.Measures[Amplitude] = 100 * math.Abs(w.Contrast) / float64(int(1)<<s.Format.Depth-1)
	}
	if w.Step != 0 {
		t.Measures[Displacement] = w.Step * math.Abs(float64(from))
	}
	return s.with(func(k int) *picture.Picture {
		r, ok := w.in(k, s.Format)
		if !ok {
			return s.At(k)
		}
		return woven(s, k, from, r)
	}, t)
}

// woven is picture k with the lines of the other parity from picture k+from.
func woven(s Sequence, k, from int, r image.Rectangle) *picture.Picture {
	p, o := copyOf(s.At(k)), s.near(k+from)
	eachPlane(p, r, func(n int, dst *picture.Plane, r image.Rectangle) {
		copyLines(dst, plane(o, n), r, 1-k&1)
	})
	return p
}

// copyLines copies the lines of a parity (0 even, 1 odd).
func copyLines(dst, src *picture.Plane, r image.Rectangle, parity int) {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		if y&1 != parity {
			continue
		}
		if dst.Pix != nil {
			copy(dst.Pix[y*dst.Stride+r.Min.X:][:r.Dx()], src.Pix[y*src.Stride+r.Min.X:])
		} else {
			copy(dst.Pix16[y*dst.Stride+r.Min.X:][:r.Dx()], src.Pix16[y*src.Stride+r.Min.X:])
		}
	}
}

// WeaveBlend weaves like Weave and then filters vertically by [1 2 1]/4: the
// comb is gone and two copies of half the contrast are left.
func WeaveBlend(s Sequence, w Where, from int) Sequence {
	t := w.truth(s, detect.Ghost)
	side := Ahead
	if from < 0 {
		side = Behind
	}
	t.Measures[side] = 50
	if w.Step != 0 {
		t.Measures[Displacement] = w.Step * math.Abs(float64(from))
	}
	return s.with(func(k int) *picture.Picture {
		r, ok := w.in(k, s.Format)
		if !ok {
			return s.At(k)
		}
		p := woven(s, k, from, r)
		q := copyOf(p)
		eachPlane(q, r, func(n int, dst *picture.Plane, r image.Rectangle) { vertical121(dst, plane(p, n), r) })
		return q
	}, t)
}

func vertical121(dst, src *picture.Plane, r image.Rectangle) {
	if dst.Pix != nil {
		rows121(dst.Pix, src.Pix, dst.Stride, src.Stride, src.H, r)
	} else {
		rows121(dst.Pix16, src.Pix16, dst.Stride, src.Stride, src.H, r)
	}
}

func rows121[T sample](dst, src []T, ds, ss, h int, r image.Rectangle) {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		a := src[max(y-1, 0)*ss+r.Min.X:][:r.Dx()]
		b := src[y*ss+r.Min.X:][:r.Dx()]
		c := src[min(y+1, h-1)*ss+r.Min.X:][:r.Dx()]
		out := dst[y*ds+r.Min.X:][:r.Dx()]
		for x := range out {
			out[x] = T((uint32(a[x]) + 2*uint32(b[x]) + uint32(c[x]) + 2) / 4)
		}
	}
}

// Soften filters every picture vertically by [1 2 1]/4, as a camera does that
// reads two lines of its sensor for each line of a field.
func Soften(s Sequence) Sequence {
	return s.with(func(k int) *picture.Picture {
		p := s.At(k)
		q := copyOf(p)
		eachPlane(q, image.Rect(0, 0, p.Y.W, p.Y.H), func(n int, dst *picture.Plane, r image.Rectangle) {
			vertical121(dst, plane(p, n), r)
		})
		return q
	})
}

// Bob is a correct, simple de-interlacer: the lines of field k, and between
// them the mean of the line above and below. Fine lines flicker with it.
func Bob(s Sequence) Sequence {
	return s.with(func(k int) *picture.Picture {
		p := copyOf(s.At(k))
		eachPlane(p, image.Rect(0, 0, p.Y.W, p.Y.H), func(_ int, dst *picture.Plane, r image.Rectangle) {
			if dst.Pix != nil {
				fillLines(dst.Pix, dst.Stride, r, 1-k&1)
			} else {
				fillLines(dst.Pix16, dst.Stride, r, 1-k&1)
			}
		})
		return p
	})
}

// fillLines replaces the lines of a parity by the mean of their neighbours.
func fillLines[T sample](pix []T, stride int, r image.Rectangle, parity int) {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		if y&1 != parity {
			continue
		}
		up, down := y-1, y+1
		if up < 0 {
			up = down
		}
		if down >= r.Max.Y {
			down = up
		}
		if up < 0 || up >= r.Max.Y {
			continue // a plane of one line
		}
		a, b := pix[up*stride+r.Min.X:][:r.Dx()], pix[down*stride+r.Min.X:][:r.Dx()]
		out := pix[y*stride+r.Min.X:][:r.Dx()]
		for x := range out {
			out[x] = T((uint32(a[x]) + uint32(b[x]) + 1) / 2)
		}
	}
}

// Adaptive is a correct de-interlacer of the usual kind: where nothing moves
// between the fields before and after (both of the other parity), their mean
// fills the missing lines, elsewhere the mean of the lines above and below.
// Between the two, over a range of threshold codes of 8 bits, it mixes.
func Adaptive(s Sequence, threshold int) Sequence {
	return s.with(func(k int) *picture.Picture {
		p := copyOf(s.At(k))
		before, after := s.near(k-1), s.near(k+1)
		eachPlane(p, image.Rect(0, 0, p.Y.W, p.Y.H), func(n int, dst *picture.Plane, r image.Rectangle) {
			a, b := plane(before, n), plane(after, n)
			limit := threshold << (dst.Depth - 8)
			if dst.Pix != nil {
				adaptLines(dst.Pix, a.Pix, b.Pix, dst.Stride, a.Stride, b.Stride, r, 1-k&1, limit)
			} else {
				adaptLines(dst.Pix16, a.Pix16, b.Pix16, dst.Stride, a.Stride, b.Stride, r, 1-k&1, limit)
			}
		})
		return p
	})
}

func adaptLines[T sample](dst, before, after []T, ds, bs, as int, r image.Rectangle, parity, limit int) {
	moved := make([]int, r.Dx())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		if y&1 != parity || y == 0 || y+1 >= r.Max.Y {
			continue
		}
		up, down := dst[(y-1)*ds:][:r.Dx()], dst[(y+1)*ds:][:r.Dx()]
		b, a := before[y*bs:][:r.Dx()], after[y*as:][:r.Dx()]
		for x := range moved {
			moved[x] = abs(int(a[x]) - int(b[x]))
		}
		out := dst[y*ds:][:r.Dx()]
		for x := range out {
			// Movement next door counts: an edge is as wide as its blur.
			m := moved[x]
			for d := max(x-2, 0); d <= min(x+2, len(moved)-1); d++ {
				m = max(m, moved[d])
			}
			still := min(max(2*limit-m, 0), limit)
			spatial, temporal := int(up[x])+int(down[x]), int(a[x])+int(b[x])
			out[x] = T((temporal*still + spatial*(limit-still) + limit) / (2 * limit))
		}
	}
}

func abs(v int) int { return max(v, -v) }
