package contour

import (
	"time"

	"setwitness/detect/cells"
)

// soft looks for contours that are not sharp. What had grain when it fell into plateaus
// changes from one to the next over as much of the slope as the grain covers, in shares
// of both levels, which coders blend. In the dark eyes are most sensitive to about a
// cycle a degree (Barten 1999 at 0.1 to 1 cd/m2), fifty lines of 1080 at three heights,
// and in colour to less than one (Mullen 1985), and see such steps as well as sharp ones;
// in luma above, to three or four, and see them if they are larger (softTimes).
type soft struct {
	tracers [2]*tracer
	kernel  cells.Lines
	pix     []uint16
	row     []int32
}

// softColumns are about how many samples the planes are wide in which contours are
// looked for that are not sharp: a third of the reduced plane's, and a sixth, so
// that contours may be so many times as wide.
var softColumns = [...]int{320, 160}

// lookSoftly adds to a field the gradients of a channel whose contours are too soft for
// look, which was there before and left those from first on. What a camera saw has soft
// edges of its lens and codec, and is left alone.
func (s *Store) lookSoftly(f *Field, c Channel, first int, sharp, luma *plate, elapsed time.Duration) {
	least := &s.softly
	if c != Luma {
		least = &s.least[c]
	}
	before, from := first, sharp
	for i, columns := range softColumns {
		k := &s.soft[c][i]
		first = len(f.Gradients)
		p, ok := k.shrink(from, max(1, (from.w+columns/2)/columns))
		if !ok {
			return
		}
		for d := range k.tracers {
			if k.tracers[d] == nil {
				k.tracers[d] = newTracer(&p, d == 1, least)
				k.tracers[d].finer, k.tracers[d].coarse = s.tracers[c][d], true
			}
		}
		s.trace(f, c, &k.tracers, &p, luma, elapsed)
		f.Gradients = merge(f.Gradients, first, s.reach())
		f.Gradients = better(f.Gradients, before, first, s.reach())
		from = &p
	}
}

// shrink returns a plane of the means of n by n samples of another, and false where
// it would be too small, or as large.
func (s *soft) shrink(from *plate, n int) (plate, bool) {
	w, h := from.w/n, from.h/n
	if n < 2 || w < leastSide || h < leastSide {
		return plate{}, false
	}
	if len(s.pix) != w*h {
		s.pix, s.row = make([]uint16, w*h), make([]int32, w*n)
	}
	// Rows in the unit of lines.
	scale := int32((one << cells.LineShift) / (from.full * int32(n)))
	for y := range h {
		s.kernel.Row(s.row, from.from(y*n, 0), n, scale)
		to := s.pix[y*w : (y+1)*w]
		for x := range to {
			sum := int32(n / 2)
			for _, k := range s.row[x*n : (x+1)*n] {
				sum += k
			}
			to[x] = uint16(sum / int32(n))
		}
	}
	return plate{w: w, h: h, pix16: s.pix, stride: w, stepX: from.stepX * n, stepY: from.stepY * n, full: one}, true
}

// plainlyMore is how many times the length of what was seen sharply has to be seen
// softly to count in its place, for plateaus are measured less well.
const plainlyMore = 1.2

// better drops, of gradients that were seen both sharply, before first, and softly,
// those of which less was seen. All are of one channel, from from on.
func better(gs []Gradient, from, first, reach int) []Gradient {
	for k := len(gs) - 1; k >= first; k-- {
		var sharp float64
		for i := from; i < first; i++ {
			if gs[i].same(&gs[k], reach) {
				sharp += gs[i].length()
			}
		}
		if gs[k].length() <= plainlyMore*sharp {
			// Exchanged, so that no two share memory.
			last := len(gs) - 1
			gs[k], gs[last] = gs[last], gs[k]
			gs = gs[:last]
			continue
		}
		if sharp == 0 {
			continue
		}
		for i := first - 1; i >= from; i-- {
			if gs[i].same(&gs[k], reach) {
				// Its place is taken by the last that was seen sharply.
				gs[i].Contours = gs[i].Contours[:0]
			}
		}
	}
	return gs
}

// length is that of all contours of a gradient, raster pixels.
func (g *Gradient) length() (sum float64) {
	for i := range g.Contours {
		sum += g.Contours[i].Length
	}
	return sum
}
