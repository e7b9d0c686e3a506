package faults

import (
	"image"
	"math"

	"setwitness/decode/picture"
	"setwitness/detect"
)

// Filter is how a picture is scaled.
type Filter int

// The filters. None of them widens when it makes a picture smaller, as in a
// set's scaler of fixed length; Smooth does.
const (
	Nearest  Filter = iota
	Bilinear        // two lines
	Bicubic         // four lines (Keys 1981, a = -0.5)
	Smooth          // the mean over the area of a sample, no alias
)

// weight returns the filter's value at a distance in source samples; k is how
// many source samples go on one.
func (f Filter) weight(d, k float64) float64 {
	d = math.Abs(d)
	switch f {
	case Bilinear:
		return math.Max(1-d, 0)
	case Bicubic:
		const a = -0.5
		switch {
		case d < 1:
			return (a+2)*d*d*d - (a+3)*d*d + 1
		case d < 2:
			return a*d*d*d - 5*a*d*d + 8*a*d - 4*a
		}
		return 0
	case Smooth:
		return math.Max(1-d/math.Max(k, 1), 0)
	}
	return 0
}

type taps struct {
	first  int
	weight []int32
}

// plan makes the filter of every sample of n from those of m. Sample centres
// of both grids lie at (i+0.5)/n, so that the picture as a whole does not
// move (the usual phase of a scaler).
func plan(m, n int, f Filter) []taps {
	k := float64(m) / float64(n)
	out := make([]taps, n)
	reach := map[Filter]float64{Nearest: 0, Bilinear: 1, Bicubic: 2, Smooth: math.Max(k, 1)}[f]
	for i := range out {
		c := (float64(i)+0.5)*k - 0.5
		if f == Nearest {
			out[i] = taps{min(max(int(math.Round(c)), 0), m-1), []int32{weightUnit}}
			continue
		}
		lo, hi := int(math.Ceil(c-reach)), int(math.Floor(c+reach))
		// Beyond the edge the last sample goes on.
		first, last := max(lo, 0), min(hi, m-1)
		w := make([]float64, last-first+1)
		sum := 0.0
		for j := lo; j <= hi; j++ {
			v := f.weight(float64(j)-c, k)
			w[min(max(j, first), last)-first] += v
			sum += v
		}
		t := taps{first: first, weight: make([]int32, len(w))}
		total, largest := int32(0), 0
		for j, v := range w {
			t.weight[j] = int32(math.Round(v / sum * weightUnit))
			total += t.weight[j]
			if t.weight[j] > t.weight[largest] {
				largest = j
			}
		}
		t.weight[largest] += weightUnit - total
		out[i] = t
	}
	return out
}

// Scale scales every picture to w by h; the truth goes with it. A comb of two
// lines then has a pitch of 2*h/H lines; where the picture gets so small that
// no comb can be left the fault is a ghost.
func Scale(s Sequence, w, h int, f Filter) Sequence {
	r := s
	r.Format.W, r.Format.H = w, h
	kx, ky := float64(w)/float64(s.Format.W), float64(h)/float64(s.Format.H)
	r.Truth = nil
	for _, t := range s.Truth {
		m := map[string]float64{}
		for name, v := range t.Measures {
			switch name {
			case Displacement:
				v *= kx
			case Pitch:
				v *= ky
			case Amplitude:
				// What the filter leaves of it is the filter's business.
				continue
			}
			m[name] = v
		}
		t.Measures = m
		t.Region = image.Rect(int(float64(t.Region.Min.X)*kx), int(float64(t.Region.Min.Y)*ky),
			int(math.Ceil(float64(t.Region.Max.X)*kx)), int(math.Ceil(float64(t.Region.Max.Y)*ky)))
		if t.Kind == detect.Combing && ky != 1 {
			t.Or = append([]detect.Kind{detect.Ghost}, t.Or...)
			if m[Pitch] < 2 {
				// Two lines of one field can no longer be told apart: two
				// copies are left, or an alias.
				t.Kind, t.Or = detect.Ghost, []detect.Kind{detect.Combing}
				delete(m, Pitch)
			}
		}
		r.Truth = append(r.Truth, t)
	}
	type plans struct{ x, y []taps }
	made := map[image.Point]plans{}
	for _, p := range []image.Point{{0, 0}, {1, 1}, {1, 0}} {
		made[p] = plans{plan(half(s.Format.W, p.X), half(w, p.X), f), plan(half(s.Format.H, p.Y), half(h, p.Y), f)}
	}
	luma := made[image.Point{}]
	chroma := made[image.Point{max(s.Format.ChromaX, 0), max(s.Format.ChromaY, 0)}]
	return r.with(func(k int) *picture.Picture {
		p := s.At(k)
		q := &picture.Picture{Index: k, Frame: k, Time: p.Time}
		q.Y = resample(&p.Y, luma.x, luma.y)
		if !p.Cb.Empty() {
			q.Cb, q.Cr = resample(&p.Cb, chroma.x, chroma.y), resample(&p.Cr, chroma.x, chroma.y)
		}
		return q
	})
}

func half(n, shift int) int { return (n + 1<<shift - 1) >> shift }

func resample(p *picture.Plane, px, py []taps) picture.Plane {
	q := picture.New(len(px), len(py), p.Depth)
	row := make([]int32, p.W)
	full := int32(p.Full())
	for y, ty := range py {
		clear(row)
		for i, w := range ty.weight {
			at := (ty.first + i) * p.Stride
			if p.Pix != nil {
				accumulate(row, p.Pix[at:at+p.W], w)
			} else {
				accumulate(row, p.Pix16[at:at+p.W], w)
			}
		}
		if len(px) == p.W {
			for x, v := range row {
				put(&q, y*q.Stride+x, min(max((v+weightUnit/2)>>12, 0), full))
			}
			continue
		}
		for x, v := range row {
			row[x] = (v + 128) >> 8 // four bits finer than codes
		}
		for x, tx := range px {
			sum := int32(0)
			in := row[tx.first : tx.first+len(tx.weight)]
			for i, w := range tx.weight {
				sum += in[i] * w
			}
			put(&q, y*q.Stride+x, min(max((sum+weightUnit*8)>>16, 0), full))
		}
	}
	return q
}

func put(p *picture.Plane, i int, v int32) {
	if p.Pix != nil {
		p.Pix[i] = uint8(v)
	} else {
		p.Pix16[i] = uint16(v)
	}
}
