package cells

import "math"

// lineTwin is the kernels on lines in plain Go: the definition that the native
// form is held against.
type lineTwin struct{}

func (s Samples) at(i int) int32 {
	if s.Pix != nil {
		return int32(s.Pix[i])
	}
	return int32(s.Pix16[i])
}

func (lineTwin) row(dst []int32, s Samples, thick int, scale int32) {
	for x := range dst {
		var sum int32
		for k := range thick {
			sum += s.at(k*s.Stride + x)
		}
		dst[x] = sum * scale >> LineShift
	}
}

func (lineTwin) columns(dst []int32, s Samples, h, lines, spacing, thick int, scale int32) {
	for i := range lines {
		for y := range h {
			var sum int32
			for k := range thick {
				sum += s.at(y*s.Stride + i*spacing + k)
			}
			dst[i*h+y] = sum * scale >> LineShift
		}
	}
}

func (lineTwin) peaks(v []int32, half int, least *[LineLevels]int32, lowest int32, longest int, sums, _ []int32, out []Peak) int {
	n := len(v)
	sum := int32(0)
	for i, s := range v {
		sums[i] = sum
		sum += s
	}
	sums[n] = sum
	count, start := 0, -1
	var best Peak
	end := func(x int) {
		if start < 0 {
			return
		}
		if x-start > longest {
			best = Peak{At: int32((start + x) / 2)}
		}
		out[count] = best
		count++
		start = -1
	}
	size := func(v int32) int32 { return max(v, -v) }
	for x := half; x+half <= n; x++ {
		jump := sums[x+half] - 2*sums[x] + sums[x-half]
		level := min(max(int(v[min(x, n-1)])/LineUnit, 0), LineLevels-1)
		if size(jump) < lowest || size(jump) < least[level] {
			end(x)
			continue
		}
		if start >= 0 && (jump > 0) != (best.Jump > 0) {
			end(x)
		}
		if start < 0 {
			start, best = x, Peak{int32(x), jump}
		} else if size(jump) > size(best.Jump) {
			best = Peak{int32(x), jump}
		}
	}
	end(max(half, n-half+1))
	return count
}

func (lineTwin) addRows(columns []uint32, pix []uint16, rows int) {
	for y := range rows {
		for x, v := range pix[y*len(columns):][:len(columns)] {
			columns[x] += uint32(v)
		}
	}
}

func (lineTwin) apart(even, odd []int16, s Samples, rows []int32, mean, swing, _ []float32) {
	for x := range even {
		var base, envelope float32
		for k, row := range rows {
			v := float32(s.at(int(row) + x))
			// The conversions keep the products from being fused with the sums.
			base += float32(mean[k] * v)
			envelope += float32(swing[k] * v)
		}
		even[x], odd[x] = int16(int32(base+envelope)), int16(int32(base-envelope))
	}
}

func (lineTwin) costs(dst []int32, even, odd []int16, at, reach []int32, base, from int) {
	for k := range dst {
		var sum [2]int32
		outside := 0
		for i, here := range at {
			own, other, there := even, odd, int(here)+base+from+k
			if i%2 == 1 {
				own, other, there = odd, even, int(here)-base-from-k
			}
			if reach != nil && absolute(from+k) > int(reach[i]) {
				there = int(here)
				outside++
			}
			sum[i%2] += int32(absolute(int(own[here]) - int(other[there])))
		}
		if dst[k] = max(sum[0], sum[1]); 2*outside > len(at) {
			dst[k] = math.MaxInt32
		}
	}
}

func (lineTwin) products(across, means, differences []float64, even, odd []int16, at []int32, first int) {
	for k := range across {
		var products, squares, others int
		for _, i := range at {
			j := int(i) + first + k
			b := int(even[j]) + int(odd[j]) - int(even[i]) - int(odd[i])
			v := int(even[i]) - int(odd[i]) + int(even[j]) - int(odd[j])
			products, squares, others = products+b*v, squares+b*b, others+v*v
		}
		across[k], means[k], differences[k] = float64(products), float64(squares), float64(others)
	}
}
