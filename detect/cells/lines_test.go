package cells

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The native kernels on lines give what their definition in Go gives, to the
// bit, over odd sizes, both sample sizes, flat and noisy lines and long slopes,
// and leave what lies behind the result alone.
func TestLinesLikeTheirTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const guard = -7
	guarded := func(n int) []int32 {
		d := make([]int32, n+1)
		d[n] = guard
		return d
	}
	for range 300 {
		w, h, thick := 8+r.IntN(90), 8+r.IntN(70), 1+r.IntN(5)
		spacing := thick + r.IntN(6)
		lines := (w-thick)/spacing + 1
		s := Samples{Stride: w + r.IntN(9)}
		if r.IntN(2) == 0 {
			s.Pix = make([]uint8, s.Stride*(h-1)+w)
			for i := range s.Pix {
				s.Pix[i] = uint8(r.IntN(256))
			}
		} else {
			s.Pix16 = make([]uint16, s.Stride*(h-1)+w)
			for i := range s.Pix16 {
				s.Pix16[i] = uint16(r.IntN(4096))
			}
		}
		scale := int32(1 + r.IntN(1<<14))
		var k lineKernel
		var twin lineTwin
		a, b := guarded(w), guarded(w)
		k.row(a[:w], s, thick, scale)
		twin.row(b[:w], s, thick, scale)
		c, d := guarded(h*lines), guarded(h*lines)
		k.columns(c[:h*lines], s, h, lines, spacing, thick, scale)
		twin.columns(d[:h*lines], s, h, lines, spacing, thick, scale)
		if !slices.Equal(a, b) || !slices.Equal(c, d) {
			t.Fatalf("%d by %d, %d thick, %d apart: rows or columns differ", w, h, thick, spacing)
		}
		rows, mean, swing := make([]int32, thick), make([]float32, thick), make([]float32, thick)
		for i := range rows {
			rows[i] = int32(r.IntN(h) * s.Stride)
			mean[i], swing[i] = r.Float32()/float32(thick), 4*r.Float32()-2
		}
		var even, odd [2][]int16
		for i := range even {
			even[i], odd[i] = make([]int16, w+1), make([]int16, w+1)
		}
		k.apart(even[0][:w], odd[0][:w], s, rows, mean, swing, make([]float32, 2*w))
		twin.apart(even[1][:w], odd[1][:w], s, rows, mean, swing, nil)
		if !slices.Equal(even[0], even[1]) || !slices.Equal(odd[0], odd[1]) {
			t.Fatalf("%d columns of %d rows: fields taken apart differ", w, thick)
		}
	}
	for range 2000 {
		n, half := 1+r.IntN(120), 1+r.IntN(6)
		v := make([]int32, n)
		level, slope := int32(r.IntN(256*LineUnit)), int32(0)
		for i := range v {
			if r.IntN(9) == 0 {
				level += int32(r.IntN(1200) - 600)
				slope = int32(r.IntN(60) - 30)
			}
			level += slope
			v[i] = level + int32(r.IntN(1+r.IntN(40)))
		}
		var least [LineLevels]int32
		for i := range least {
			least[i] = int32(20 + r.IntN(200))
		}
		lowest, longest := slices.Min(least[:]), 4+r.IntN(20)
		sums, other := guarded(n+1), guarded(n+1)
		var native, twin Lines
		got := native.Peaks(v, half, &least, lowest, longest, sums[:n+1])
		twin.jumps, twin.found = make([]int32, n+1), make([]Peak, n+1)
		want := twin.found[:lineTwin{}.peaks(v, half, &least, lowest, longest, other[:n+1], twin.jumps, twin.found)]
		if !slices.Equal(got, want) || !slices.Equal(sums, other) {
			t.Fatalf("%d samples, half %d: peaks %v, want %v", n, half, got, want)
		}
	}
}

func TestRowsAddedLikeTheirTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for w := 1; w < 70; w++ {
		pix := make([]uint16, 5*w)
		for i := range pix {
			pix[i] = uint16(r.IntN(1 << 16))
		}
		got, want := make([]uint32, w), make([]uint32, w)
		lineKernel{}.addRows(got, pix, 5)
		lineTwin{}.addRows(want, pix, 5)
		if !slices.Equal(got, want) {
			t.Errorf("%d wide: %v, want %v", w, got, want)
		}
	}
}

func TestCostsEqualTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	even, odd := make([]int16, 900), make([]int16, 900)
	for i := range even {
		even[i], odd[i] = int16(r.IntN(1<<16)-1<<15), int16(r.IntN(1<<16)-1<<15)
	}
	for range 200 {
		n, base := 1+r.IntN(100), r.IntN(400)-200
		from := -r.IntN(n)
		got, want := make([]int32, n), make([]int32, n)
		at := make([]int32, r.IntN(9))
		reach := make([]int32, len(at))
		for i := range at {
			at[i], reach[i] = int32(300+r.IntN(300)), int32(r.IntN(n+2)-1)
		}
		for _, reach := range [][]int32{nil, reach} {
			lineKernel{}.costs(got, even, odd, at, reach, base, from)
			lineTwin{}.costs(want, even, odd, at, reach, base, from)
			if !slices.Equal(got, want) {
				t.Fatalf("%d displacements by %d, from %d on, at %v within %v: %v, want %v", n, base, from, at, reach, got, want)
			}
		}
		var sums, others [3][]float64
		for i := range sums {
			sums[i], others[i] = make([]float64, n), make([]float64, n)
		}
		lineKernel{}.products(sums[0], sums[1], sums[2], even, odd, at, base+from)
		lineTwin{}.products(others[0], others[1], others[2], even, odd, at, base+from)
		for i := range sums {
			if !slices.Equal(sums[i], others[i]) {
				t.Fatalf("%d displacements from %d on, at %v: sums %d are %v, want %v", n, base+from, at, i, sums[i], others[i])
			}
		}
	}
}
