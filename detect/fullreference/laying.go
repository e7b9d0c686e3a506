package fullreference

import (
	"math"

	"setwitness/decode/picture"
	"setwitness/detect/origin"
)

// Laying brings whole pictures of a source to the raster of a take: by cubic
// convolution (Keys 1981, a = -1/2), stretched where the source has more pixels
// than the take, so that nothing finer than the take's own is folded into it.
type Laying struct {
	w, h             int
	sourceW, sourceH int
	across, down     []taps
	in, half, out    []float32
}

// taps are the samples of the source that one of the take is made of.
type taps struct {
	first   int
	weights []float32
	inside  bool
}

// NewLaying makes one.
func NewLaying(w, h, sourceW, sourceH int, where origin.Map) *Laying {
	return &Laying{
		w: w, h: h, sourceW: sourceW, sourceH: sourceH,
		across: plan(w, sourceW, where.ScaleX, where.OffsetX), down: plan(h, sourceH, where.ScaleY, where.OffsetY),
		in: make([]float32, sourceW*sourceH), half: make([]float32, w*sourceH), out: make([]float32, w*h),
	}
}

func plan(n, of int, scale, offset float64) []taps {
	out := make([]taps, n)
	wide := math.Max(1, scale)
	for i := range out {
		at := scale*float64(i) + offset
		first, last := int(math.Ceil(at-2*wide)), int(math.Floor(at+2*wide))
		t := taps{first: max(0, first), inside: first >= 0 && last < of}
		var sum float64
		var weights []float64
		for k := t.first; k <= min(last, of-1); k++ {
			v := cubic((float64(k) - at) / wide)
			weights, sum = append(weights, v), sum+v
		}
		for _, v := range weights {
			t.weights = append(t.weights, float32(v/sum))
		}
		out[i] = t
	}
	return out
}

func cubic(d float64) float64 {
	switch d = math.Abs(d); {
	case d < 1:
		return (1.5*d-2.5)*d*d + 1
	case d < 2:
		return ((-0.5*d+2.5)*d-4)*d + 2
	}
	return 0
}

// Has reports whether the source has all of a rectangle.
func (l *Laying) Has(x0, y0, x1, y1 int) bool {
	return x0 >= 0 && y0 >= 0 && x1 <= l.w && y1 <= l.h && x0 < x1 && y0 < y1 &&
		l.across[x0].inside && l.across[x1-1].inside && l.down[y0].inside && l.down[y1-1].inside
}

// Lay returns a picture in the take's raster, in 8-bit codes; it is good until
// the next call.
func (l *Laying) Lay(p *picture.Plane) []float32 {
	unpack(l.in, p, l.sourceW, l.sourceH)
	for y := range l.sourceH {
		from, to := l.in[y*l.sourceW:(y+1)*l.sourceW], l.half[y*l.w:(y+1)*l.w]
		for x := range to {
			t := &l.across[x]
			var sum float32
			for k, v := range t.weights {
				sum += v * from[t.first+k]
			}
			to[x] = sum
		}
	}
	for y := range l.h {
		t := &l.down[y]
		to := l.out[y*l.w : (y+1)*l.w]
		clear(to)
		for k, v := range t.weights {
			for x, s := range l.half[(t.first+k)*l.w:][:l.w] {
				to[x] += v * s
			}
		}
	}
	return l.out
}
