package cells

import "setwitness/decode/picture"

// gridColumns sets out to the sums of the rows from y on.
func (twin) gridColumns(out []int16, p *picture.Plane, y int) {
	for x := range out {
		sum := 0
		for i := range Strip {
			sum += p.At(x, y+i)
		}
		out[x] = int16(sum >> max(p.Depth-10, 0))
	}
}

// gridRows sets out to the sums of the columns of n segments, the rows of a
// segment one after another.
func (twin) gridRows(out []int16, p *picture.Plane, n int) {
	for i := range n {
		for y := range p.H {
			sum := 0
			for x := range Strip {
				sum += p.At(i*Strip+x, y)
			}
			out[i*p.H+y] = int16(sum >> max(p.Depth-10, 0))
		}
	}
}

// gridStrip adds one strip to a profile.
func (twin) gridStrip(out *Profile, sums []int16, unit int) {
	s := func(x int) int {
		return int(sums[x+1]) + int(sums[x+2]) - int(sums[x]) - int(sums[x-1])
	}
	e := func(x int) int {
		return absolute(s(x)) - (absolute(s(x-gridSide))+absolute(s(x+gridSide)))>>1
	}
	end := len(sums) - gridReach - 1
	for from := gridReach; from < end; from += gridWindow {
		to := min(from+gridWindow, end)
		total := 0
		for x := from; x < to; x++ {
			total += absolute(e(x))
		}
		limit := min(gridFloor*unit+gridSpread*total/(to-from), 1<<15-1)
		scale := gridShare << 15 / limit
		for x := from; x < to; x++ {
			v := max(min(e(x), limit), -limit)
			out.Edge[x] += int16((v*scale + 1<<14) >> 15)
			b := min(absolute(s(x)), gridCap*unit)
			out.Size[x] += int16(b)
			if s(x) < 0 {
				b = -b
			}
			out.Sign[x] += int16(b)
		}
	}
}
