package contour

import (
	"time"

	"setwitness/detect/cells"
)

// soft looks for contours near black that are not sharp. What had grain when it
// fell into plateaus changes from one to the next over as much of the slope as the
// grain covers, in shares of both levels, which coders blend. In the dark eyes are
// most sensitive to about a cycle a degree (Barten 1999 at 0.1 to 1 cd/m2), fifty
// lines of 1080 at three heights, and see such steps; above, to three or four, and
// hardly do.
type soft struct {
	tracers [2]*tracer
	kernel  cells.Lines
	pix     []uint16
	rows    []uint32
}

// softColumns are about how many samples the planes are wide in which contours are
// looked for that are not sharp: a third of the reduced plane's, and a sixth, so
// that contours may be so many times as wide.
var softColumns = [...]int{320, 160}

// lookSoftly adds to a field the gradients whose contours are too soft for look,
// which was there before. What a camera saw has soft edges of its lens and codec,
// and is left alone.
func (s *Store) lookSoftly(f *Field, luma *plate, elapsed time.Duration) {
	first, from := len(f.Gradients), luma
	for i, columns := range softColumns {
		k := &s.soft[i]
		p, ok := k.shrink(from, max(1, (from.w+columns/2)/columns))
		if !ok {
			return
		}
		for d := range k.tracers {
			if k.tracers[d] == nil {
				k.tracers[d] = newTracer(&p, d == 1, &s.softly)
				k.tracers[d].finer = s.tracers[Luma][d]
			}
		}
		s.trace(f, Luma, &k.tracers, &p, nil, elapsed)
		f.Gradients = merge(f.Gradients, first, s.reach())
		f.Gradients = better(f.Gradients, first, s.reach())
		first, from = len(f.Gradients), &p
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
		s.pix, s.rows = make([]uint16, w*h), make([]uint32, from.stride)
	}
	area := uint32(n * n)
	for y := range h {
		clear(s.rows)
		s.kernel.AddRows(s.rows, from.pix16[y*n*from.stride:(y+1)*n*from.stride], n)
		to := s.pix[y*w : (y+1)*w]
		for x := range to {
			sum := area / 2
			for _, k := range s.rows[x*n : (x+1)*n] {
				sum += k
			}
			to[x] = uint16(sum / area)
		}
	}
	return plate{w: w, h: h, pix16: s.pix, stride: w, stepX: from.stepX * n, stepY: from.stepY * n, full: from.full}, true
}

// better drops, of gradients that were seen both sharply, before first, and softly,
// those of which less was seen.
func better(gs []Gradient, first, reach int) []Gradient {
	for k := len(gs) - 1; k >= first; k-- {
		var sharp float64
		for i := range gs[:first] {
			if gs[i].same(&gs[k], reach) {
				sharp += gs[i].length()
			}
		}
		if gs[k].length() <= sharp {
			// Exchanged, so that no two share memory.
			last := len(gs) - 1
			gs[k], gs[last] = gs[last], gs[k]
			gs = gs[:last]
			continue
		}
		if sharp == 0 {
			continue
		}
		for i := first - 1; i >= 0; i-- {
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
