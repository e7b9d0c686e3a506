package faults

import (
	"image"
	"math"

	"setwitness/decode/picture"
	"setwitness/detect"
)

// Tap is the weight of picture k+Offset in a blended picture k.
type Tap struct {
	Offset int
	Weight float64
}

// Three returns the taps of a blend of the picture before, its own and the
// one after.
func Three(before, own, after float64) []Tap { return []Tap{{-1, before}, {0, own}, {1, after}} }

// Two returns the taps of a blend with one neighbour.
func Two(own float64, offset int, other float64) []Tap { return []Tap{{0, own}, {offset, other}} }

// Blend shows, where w says, weighted means of pictures.
func Blend(s Sequence, w Where, taps []Tap) Sequence {
	t := w.truth(s, detect.Ghost)
	for _, tap := range taps {
		switch {
		case tap.Offset > 0:
			t.Measures[Ahead] += 100 * tap.Weight
		case tap.Offset < 0:
			t.Measures[Behind] += 100 * tap.Weight
		}
	}
	return s.with(func(k int) *picture.Picture {
		r, ok := w.in(k, s.Format)
		if !ok {
			return s.At(k)
		}
		return blended(s, k, r, taps)
	}, t)
}

func blended(s Sequence, k int, r image.Rectangle, taps []Tap) *picture.Picture {
	var from []*picture.Picture
	var weights []int32
	sum, largest := int32(0), 0
	for i, tap := range taps {
		from = append(from, s.near(k+tap.Offset))
		weights = append(weights, int32(math.Round(tap.Weight*weightUnit)))
		sum += weights[i]
		if weights[i] > weights[largest] {
			largest = i
		}
	}
	weights[largest] += weightUnit - sum
	p := copyOf(s.near(k))
	eachPlane(p, r, func(n int, dst *picture.Plane, r image.Rectangle) {
		src := make([]*picture.Plane, len(from))
		for i := range from {
			src[i] = plane(from[i], n)
		}
		row := make([]int32, r.Dx())
		for y := r.Min.Y; y < r.Max.Y; y++ {
			clear(row)
			for i, q := range src {
				if q.Pix != nil {
					accumulate(row, q.Pix[y*q.Stride+r.Min.X:], weights[i])
				} else {
					accumulate(row, q.Pix16[y*q.Stride+r.Min.X:], weights[i])
				}
			}
			if dst.Pix != nil {
				settle(dst.Pix[y*dst.Stride+r.Min.X:], row)
			} else {
				settle(dst.Pix16[y*dst.Stride+r.Min.X:], row)
			}
		}
	})
	return p
}

const weightUnit = 1 << 12

func accumulate[T sample](row []int32, src []T, w int32) {
	src = src[:len(row)]
	for x, v := range src {
		row[x] += int32(v) * w
	}
}

func settle[T sample](dst []T, row []int32) {
	dst = dst[:len(row)]
	for x, v := range row {
		dst[x] = T((v + weightUnit/2) / weightUnit)
	}
}

// ConvertRate shows the sequence at another rate by mixing, for every instant
// of the new rate, the picture before and the one after it by their distance
// in time. The sequence then lasts as long as before.
func ConvertRate(s Sequence, num, den int) Sequence {
	in, out := s.Format.Rate(), float64(num)/float64(den)
	n := int(float64(s.Len-1)*out/in) + 1
	// Position k*in/out of the old sequence, as a fraction without rounding.
	a, b := s.Format.RateNum*den, s.Format.RateDen*num
	r := s
	r.Format.RateNum, r.Format.RateDen = num, den
	r.Len = n
	position := func(k int) (i int, later float64) { return k * a / b, float64(k*a%b) / float64(b) }
	period := b / gcd(a, b)
	t := Truth{Kind: detect.Ghost, First: 0, Last: n - 1, Region: image.Rect(0, 0, s.Format.W, s.Format.H),
		Measures: map[string]float64{Period: float64(period)}}
	r.Truth = nil
	return r.with(func(k int) *picture.Picture {
		i, later := position(k)
		p := s.near(i)
		if later == 0 {
			return p
		}
		q := blended(s, i, image.Rect(0, 0, s.Format.W, s.Format.H), Two(1-later, 1, later))
		q.Index = k
		return q
	}, t)
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
