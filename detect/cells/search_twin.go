package cells

import (
	"image"
	"slices"
)

// Median6 is the twin of the native form; see there.
func (twin) Median6(dst []uint16, p [6][]uint16, w, n, rows int) {
	for y := range rows {
		for i := y * w; i < y*w+n; i++ {
			v := [6]uint16{p[0][i], p[1][i], p[2][i], p[3][i], p[4][i], p[5][i]}
			slices.Sort(v[:])
			dst[i] = uint16((int(v[2]) + int(v[3]) + 1) / 2)
		}
	}
}

// Steady is the twin of the native form; see there.
func (twin) Steady(mask, pix, behind []uint16, p [6][]uint16, w, n, rows int, threshold, times, most uint16) {
	for y := range rows {
		for i := y * w; i < y*w+n; i++ {
			if mask[i] == 0 {
				continue
			}
			v := [6]uint16{p[0][i], p[1][i], p[2][i], p[3][i], p[4][i], p[5][i]}
			slices.Sort(v[:])
			m := int(behind[i])
			spread := max(0, min(int(v[4])-m, m-int(v[1])))
			if d := int(pix[i]) - m; spread <= int(most) && max(d, -d) <= int(threshold)+int(times)*spread {
				mask[i] = 0
			}
		}
	}
}

// StandOut is the twin of the native form; see there.
func (twin) StandOut(mask, a, b []uint16, w, n, rows int, threshold uint16) {
	for y := range rows {
		for i := y * w; i < y*w+n; i++ {
			mask[i] = 0
			if absolute(int(a[i])-int(b[i])) > int(threshold) {
				mask[i] = 0xffff
			}
		}
	}
}

// StandOutMoved is the twin of the native form; see there.
func (twin) StandOutMoved(mask, a, b []uint16, w, h int, threshold uint16) {
	at := func(x, y int) int { return int(b[max(0, min(h-1, y))*w+x]) }
	for y := range h {
		for x := range w {
			mask[y*w+x] = 0
			if x == 0 || x == w-1 {
				continue
			}
			slope := max(absolute(at(x+1, y)-at(x-1, y)), absolute(at(x, y+1)-at(x, y-1))) / 2
			if absolute(int(a[y*w+x])-at(x, y)) > slope+int(threshold) {
				mask[y*w+x] = 0xffff
			}
		}
	}
}

// Count is the twin of the native form; see there.
func (twin) Count(count []uint32, mask []uint16, w, tile int) {
	clear(count[:(w+tile-1)/tile])
	for y := range len(mask)/w - 1 {
		for x := range w - 1 {
			at := y*w + x
			count[x/tile] += uint32(mask[at] & mask[at+1] & mask[at+w] & mask[at+w+1] & 1)
		}
	}
}

// Halve is the twin of the native form; see there.
func (twin) Halve(dst, src []uint16, w, from, to int) {
	for y := from; y < to; y++ {
		for x := range w / 2 {
			at := 2*y*w + 2*x
			dst[y*(w/2)+x] = uint16((int(src[at]) + int(src[at+1]) + int(src[at+w]) + int(src[at+w+1]) + 2) / 4)
		}
	}
}

// HalveMask is the twin of the native form; see there.
func (twin) HalveMask(dst, src []uint16, w, from, to int) {
	for y := from; y < to; y++ {
		for x := range w / 2 {
			at := 2*y*w + 2*x
			dst[y*(w/2)+x] = src[at] | src[at+1] | src[at+w] | src[at+w+1]
		}
	}
}

// Squares is the twin of the native form; see there.
func (twin) Squares(dst []uint8, mask, a, b []uint16, w, n, rows, most, threshold int) {
	for y := range rows {
		for x := range n {
			set, d := 0, 0
			for _, at := range [4]int{2 * (y*w + x), 2*(y*w+x) + 1, (2*y+1)*w + 2*x, (2*y+1)*w + 2*x + 1} {
				set += int(mask[at] & 1)
				d += int(a[at]) - int(b[at])
			}
			dst[y*(w/2)+x] = 0
			if set >= most && absolute(d) >= threshold {
				dst[y*(w/2)+x] = 1
			}
		}
	}
}

func (twin) match(cur, prev, mask []uint16, w, h int, a Area, dx, dy int) (sum, n int) {
	inside := a.Intersect(image.Rect(0, 0, w, h).Add(image.Pt(dx, dy)))
	for y := inside.Min.Y; y < inside.Max.Y; y++ {
		if (y-a.Min.Y)%a.RowStep != 0 {
			continue
		}
		for x := inside.Min.X; x < inside.Max.X; x++ {
			if mask[y*w+x] != 0 {
				sum += absolute(int(cur[y*w+x]) - int(prev[(y-dy)*w+x-dx]))
				n++
			}
		}
	}
	return sum, n
}

// Match is the twin of the native form; see there.
func (t twin) Match(cur, prev, mask []uint16, w, h int, a Area, dx, dy int) (mean float32, n int) {
	sum, n := t.match(cur, prev, mask, w, h, a, dx, dy)
	if n == 0 {
		return 0, 0
	}
	return float32(sum) / float32(n), n
}

// Sparse is the twin of the native form, which reads the whole area all the
// same; see there.
func (twin) Sparse(_ []uint16, _ int, a Area, _ *Sparse) Area { return a }

// Around is the twin of the native form; see there.
func (t twin) Around(cur, prev, mask []uint16, w, h int, a Area, dx, dy int) (mean [5]float32, n [5]int) {
	for i, d := range [5]image.Point{{}, {-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
		mean[i], n[i] = t.Match(cur, prev, mask, w, h, a, dx+d.X, dy+d.Y)
	}
	return mean, n
}

// Find is the twin of the native form; see there.
func (t twin) Find(cur, prev, mask []uint16, w, h int, a Area, centre, reach image.Point, stride int) Found {
	still, all := t.Match(cur, prev, mask, w, h, a, 0, 0)
	f := Found{Residual: still, Still: still}
	best := float32(-1)
	for dy := centre.Y - reach.Y; dy <= centre.Y+reach.Y; dy += stride {
		for dx := centre.X - reach.X; dx <= centre.X+reach.X; dx += stride {
			m, n := t.Match(cur, prev, mask, w, h, a, dx, dy)
			if n*4 < all*3 || n == 0 {
				continue
			}
			// More than all samples at the best mean so far cannot win.
			if sum, _ := t.match(cur, prev, mask, w, h, a, dx, dy); best >= 0 && sum > int(best*float32(all))+1 {
				continue
			}
			if best < 0 || m < best {
				best = m
				f.DX, f.DY, f.Residual = int32(dx), int32(dy), m
			}
		}
	}
	return f
}

// cross is the twin of the native form; see there.
func (twin) cross(out []float32, a []int16, w, h int, b []int16, bw int, x, y []int32, _ *runs) {
	for i := range out {
		sum := 0
		for v := range h {
			for u := range w {
				sum += int(a[v*w+u]) * int(b[(v+int(y[i]))*bw+u+int(x[i])])
			}
		}
		out[i] = float32(sum)
	}
}

// Set is the twin of the native form; see there.
func (twin) Set(mask []uint16, w int, r image.Rectangle) int {
	n := 0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for _, v := range mask[y*w+r.Min.X : y*w+r.Max.X] {
			n += int(v & 1)
		}
	}
	return n
}

// Gradient is the twin of the native form; see there.
func (twin) Gradient(out, above []int16, pix, back, mask []uint16, w int, win image.Rectangle, rows bool) (squares, fourths uint64) {
	clear(out)
	ww, wh := win.Dx(), win.Dy()
	at := func(x, y int) int { return (win.Min.Y+y)*w + win.Min.X + x }
	for y := range wh {
		for x := range ww {
			i := at(x, y)
			switch v := &above[y*ww+x]; {
			case back == nil:
				*v = int16(pix[i])
			case mask[i] != 0:
				*v = int16(int(pix[i]) - int(back[i]))
			default:
				*v = 0
			}
		}
	}
	prewitt := func(at func(x, y int) int, x, y int) (d int) {
		for k := -1; k <= 1; k++ {
			if rows {
				d += at(x+k, y+1) - at(x+k, y-1)
			} else {
				d += at(x+1, y+k) - at(x-1, y+k)
			}
		}
		return d
	}
	for y := 1; y < wh-1; y++ {
		for x := 1; x < ww-1; x++ {
			d := prewitt(func(x, y int) int { return int(above[y*ww+x]) }, x, y)
			if back != nil {
				f := prewitt(func(x, y int) int { return int(pix[at(x, y)]) }, x, y)
				if d > 0 {
					d = max(0, min(d, f))
				} else {
					d = min(0, max(d, f))
				}
			}
			d = max(-1023, min(1023, d/8))
			out[y*ww+x] = int16(d)
			squares += uint64(d * d)
			fourths += uint64(d * d * d * d)
		}
	}
	return squares, fourths
}

// outline is the twin of the native form; see there.
func (twin) outline(out []int16, pix, back, mask []uint16, w int, win, part image.Rectangle, n int, rows bool, _ *outline) (squares, fourths uint64) {
	clear(out)
	above := func(x, y int) int {
		if i := y*w + x; image.Pt(x, y).In(win) && mask[i] != 0 {
			return int(pix[i]) - int(back[i])
		}
		return 0
	}
	smooth := make([]int, win.Dx()*win.Dy())
	at := func(x, y int) *int { return &smooth[(y-win.Min.Y)*win.Dx()+x-win.Min.X] }
	for y := win.Min.Y; y < win.Max.Y; y++ {
		for x := win.Min.X; x < win.Max.X; x++ {
			sum := 0
			for v := -n / 2; v <= n/2; v++ {
				for u := -n / 2; u <= n/2; u++ {
					sum += above(x+u, y+v)
				}
			}
			*at(x, y) = sum / (n * n)
		}
	}
	inner := part.Intersect(win.Inset(1))
	for y := inner.Min.Y; y < inner.Max.Y; y++ {
		for x := inner.Min.X; x < inner.Max.X; x++ {
			d := 0
			for k := -1; k <= 1; k++ {
				if rows {
					d += *at(x+k, y+1) - *at(x+k, y-1)
				} else {
					d += *at(x+1, y+k) - *at(x-1, y+k)
				}
			}
			d = max(-1023, min(1023, d/8))
			out[(y-part.Min.Y)*part.Dx()+x-part.Min.X] = int16(d)
			squares += uint64(d * d)
			fourths += uint64(d * d * d * d)
		}
	}
	return squares, fourths
}

// Dot is the twin of the native form; see there.
func (twin) Dot(a []int16, aw int, b []int16, bw, w, h int) int64 {
	var sum int64
	for y := range h {
		for x := range w {
			sum += int64(a[y*aw+x]) * int64(b[y*bw+x])
		}
	}
	return sum
}

// Apart is the twin of the native form; see there.
func (twin) Apart(a, b []uint16, w, n, rows int) (sum uint64) {
	for y := range max(rows, 0) {
		for x := range max(n, 0) {
			d := int64(a[y*w+x]) - int64(b[y*w+x])
			sum += uint64(d * d)
		}
	}
	return sum
}

// LiesBetween is the twin of the native form; see there.
func (twin) LiesBetween(out *Between, a, b, c []uint16, w, y0, y1, step int, runs []Run, far int32) {
	for y := y0; y < y1; y += step {
		for _, r := range runs {
			last := int64(b[y*w+int(r.Beside)])
			for i := y*w + int(r.From); i < y*w+int(r.To); i++ {
				v := int64(b[i])
				d, e, rise := v-int64(a[i]), int64(c[i])-v, v-last
				last = v
				out.Before += d * d
				out.After += e * e
				out.Both += d * e
				out.Detail += rise * rise
				way := max(d+e, -d-e)
				if way <= int64(far) {
					continue
				}
				out.Changed++
				if d+e > 0 {
					out.Brighter++
				}
				switch off := max(d-e, e-d); {
				case 10*off < 2*way:
					out.Half++
				case 10*off < 5*way:
					out.Third++
				case 10*off < 8*way:
					out.Quarter++
				}
			}
		}
	}
}
