package cells

import (
	"image"

	"setwitness/decode/picture"
)

// twin is the kernel in plain Go: the definition that the native form is held
// against.
type twin struct{}

// cells fills m.Cells from rows from to to-1 of the plane cur and, where it is
// not nil, of the plane prev of the same size. from is a multiple of Size, and
// to too or the height.
func (twin) cells(m *Map, cur, prev *picture.Plane, from, to int) {
	clear(m.Cells[from/Size*m.Cols : (to+Size-1)/Size*m.Cols])
	for y := from; y < to; y++ {
		for x := range cur.W {
			c := m.At(x/Size, y/Size)
			b := cur.At(x, y)
			c.Pixels++
			c.Sum += uint32(b)
			c.SumSq += uint64(b) * uint64(b)
			if x+1 < cur.W {
				c.Horizontal += uint32(absolute(cur.At(x+1, y) - b))
			}
			if prev != nil {
				c.Diff[y&1] += uint32(absolute(b - prev.At(x, y)))
			}
			if y == 0 || y == cur.H-1 {
				continue
			}
			u, v := cur.At(x, y-1)-b, cur.At(x, y+1)-b
			if (u > 0) == (v > 0) && u != 0 && v != 0 {
				c.Zigzag += uint32(min(absolute(u), absolute(v)))
			}
			c.Second += uint32(absolute(u + v))
			c.Vertical += uint32(absolute(v - u))
		}
	}
}

// reduceRows fills dst with so many rows of the reduced plane, the first from rows y to
// y+len(weight)-1 of p, each further one from those stepY below: weighted, summed over
// stepX columns, times scale/65536, rounded.
func (twin) reduceRows(dst []uint16, rows int, p *picture.Plane, y int, weight []uint32, stepX, stepY int, scale uint32) {
	for k := range dst {
		w := len(dst) / rows
		x, top := k%w, y+k/w*stepY
		var sum uint32
		for i, weight := range weight {
			for j := range stepX {
				sum += weight * uint32(p.At(x*stepX+j, top+i))
			}
		}
		dst[k] = uint16((sum*scale + 0x8000) >> 16)
	}
}

// difference fills out, of cols columns, in rows from to to-1 with the mean
// |a-b| of each cell of cellW by cellH samples; 0 for a cell beyond the planes.
func (twin) difference(a, b *Reduced, cellW, cellH, cols, from, to int, out []float32) {
	for cy := from; cy < to; cy++ {
		for cx := range cols {
			var sum, n uint32
			for y := cy * cellH; y < min((cy+1)*cellH, a.H); y++ {
				for x := cx * cellW; x < min((cx+1)*cellW, a.W); x++ {
					sum += uint32(absolute(int(a.Row(y)[x]) - int(b.Row(y)[x])))
					n++
				}
			}
			out[cy*cols+cx] = 0
			if n > 0 {
				out[cy*cols+cx] = float32(sum) / float32(n)
			}
		}
	}
}

// squaredDifference fills out, of cols columns and so many rows, with the mean of (a-b)^2 in
// every other row of each cell of cellW by cellH samples; 0 for a cell beyond the planes.
func (twin) squaredDifference(a, b *Reduced, cellW, cellH, cols int, in image.Rectangle, out []float32) {
	for cy := in.Min.Y; cy < in.Max.Y; cy++ {
		for cx := in.Min.X; cx < in.Max.X; cx++ {
			var sum, n uint32
			for y := cy * cellH; y < min((cy+1)*cellH, a.H); y += 2 {
				for x := cx * cellW; x < min((cx+1)*cellW, a.W); x++ {
					d := int32(a.Row(y)[x]) - int32(b.Row(y)[x])
					sum += uint32(d * d)
					n++
				}
			}
			out[cy*cols+cx] = 0
			if n > 0 {
				out[cy*cols+cx] = float32(sum) / float32(n)
			}
		}
	}
}

func absolute(v int) int {
	if v < 0 {
		return -v
	}
	return v
}
