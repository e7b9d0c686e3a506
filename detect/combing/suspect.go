package combing

import (
	"image"
	"math"

	"setwitness/detect/cells"
)

const (
	// detailShare of the difference between neighbouring lines of one field
	// is what alternates from line to line in pictures without a comb: the
	// median is a twentieth, the 999th thousandth about a quarter
	// (measured on real footage).
	detailShare = 0.25
	// The ratio of the second to the first difference of lines is tan(pi f)
	// for frequency f. bendRatio times its median is more than detail shows
	// (measured on real footage), but no more than bendShare of what the
	// comb of the lowest frequency that may be there has.
	bendRatio = 1.5
	bendShare = 0.8
	// noiseRatio times the floor is more than noise makes in a whole cell:
	// the mean over 256 samples strays by a twentieth, and noise differs with
	// brightness by less than the rest.
	noiseRatio = 1.35
	// suspectFloor is the least excess in 8-bit codes, the rounding of codecs.
	suspectFloor = 0.5
	// noiseCeiling bounds the deviation taken for noise, in 8-bit codes: grain
	// of six codes is the strongest in use. More is a comb all over.
	noiseCeiling = 6
	// noiseQuantile of the cells, at least, are flat enough to show noise
	// alone.
	noiseQuantile = 0.15
	// What white noise of deviation 1 makes of the cells' sums: the mean of
	// min(|a-b|, |c-b|) where the signs agree, and of |a-2b+c| (computed).
	zigzagNoise, secondNoise = 0.565, 1.954
	// The same for |a-b|, 1.128 (computed), less what makes the noise of
	// cameras and codecs softer along a line than across.
	alongNoise = 0.8
	// moved is the mean |difference| in 8-bit codes to the picture before
	// beyond what noise makes (1.13 of its deviation), from which a cell has
	// moved.
	moved      = 1.0
	movedNoise = 1.13 * 1.5
	// floorCells are enough for the quantile of noise to be that of 0.13 to
	// 0.17 of all cells.
	floorCells = 500
	// zoneCols by zoneRows cells make a zone: one close look at a time goes
	// to a zone, which spreads the looks over the picture.
	zoneCols, zoneRows = 8, 6
	// fatigueFade is what remains a picture later of the memory that a zone
	// did not stand a close look.
	fatigueFade = 0.9
	// fatigueShare of what did not stand a close look is taken off a zone's
	// rank, and freshRatio times that is news.
	fatigueShare, freshRatio = 0.8, 1.25
)

// layer holds, for one picture, which cells are suspect of one kind of comb.
type layer struct {
	excess []float32 // of each cell, 8-bit codes; 0 where nothing is suspect
	count  int       // of suspect cells
	zones  []zone
}

type zone struct {
	top     float32 // greatest excess
	at      int32   // the cell that has it
	fatigue float32
	rank    float32
	tried   bool
}

// suspects holds the suspect cells of a picture: in fine those whose lines
// alternate, which a comb of two lines does, in coarse those whose lines bend
// more than they rise, which a scaled comb does. Cells in which nothing changed
// since the picture before are not suspect: a comb is made by motion, and what
// is combed and stands still is a repeat of a picture that was looked at.
type suspects struct {
	cols, rows   int
	zonesX       int
	fine, coarse layer
	noise        float64 // deviation of noise, 8-bit codes
	zigzag       float64 // alternation of noise, 8-bit codes
	second       float64 // bend of noise, 8-bit codes
	bend         float64 // ratio of bend to rise above which a cell is suspect
	moving       bool    // something moved
	rest         uint32  // the most that a whole cell at rest changes, code values

	zigzags, seconds, bends, levels histogram
}

// rest tells where a picture is as the one before was.
type rest struct {
	m    *cells.Map
	most uint32 // that a cell at rest changes
}

// cell reports whether the cell at raster place x, y is at rest.
func (r rest) cell(x, y int) bool {
	c := r.m.At(x/cells.Size, y/cells.Size)
	return r.m.HasDiff && c.Diff[0]+c.Diff[1] <= r.most
}

// histogram counts values on a scale that suits sums of cells: sixteenths.
type histogram [128]int32

const histogramScale = 16

func (h *histogram) add(v float32) { h[min(int(v*histogramScale), len(h)-1)]++ }

// quantile returns the value below which a share of what was added lies.
func (h *histogram) quantile(share float64) float64 {
	n := int32(0)
	for _, k := range h {
		n += k
	}
	left := int32(share * float64(n))
	for b, k := range h {
		if left -= k; left < 0 {
			return (float64(b) + 0.5) / histogramScale
		}
	}
	return float64(len(h)) / histogramScale
}

func newSuspects(cols, rows int) *suspects {
	s := &suspects{cols: cols, rows: rows}
	s.zonesX = (cols + zoneCols - 1) / zoneCols
	n := s.zonesX * ((rows + zoneRows - 1) / zoneRows)
	for _, l := range []*layer{&s.fine, &s.coarse} {
		l.excess, l.zones = make([]float32, cols*rows), make([]zone, n)
	}
	return s
}

// measureFloor finds what noise and detail make of the cells.
func (s *suspects) measureFloor(m *cells.Map, code float32, lowest float64) {
	// Enough cells for the quantiles, from all columns.
	step := max(3, len(m.Cells)/floorCells)
	for m.Cols%step == 0 {
		step++
	}
	clear(s.zigzags[:])
	clear(s.seconds[:])
	clear(s.bends[:])
	clear(s.levels[:])
	const whole = cells.Size * cells.Size
	scale := 1 / (whole * code)
	rise := uint32(2 * whole * code) // a cell with some detail
	for i := 0; i < len(m.Cells); i += step {
		c := &m.Cells[i]
		if c.Pixels != whole {
			continue
		}
		s.zigzags.add(float32(c.Zigzag) * scale)
		s.seconds.add(float32(c.Second) * scale)
		s.levels.add(float32(c.Horizontal) * scale)
		if c.Vertical > rise {
			s.bends.add(float32(c.Second) / float32(c.Vertical))
		}
	}
	s.zigzag = min(s.zigzags.quantile(noiseQuantile), noiseCeiling*zigzagNoise)
	s.second = min(s.seconds.quantile(noiseQuantile), noiseCeiling*secondNoise)
	// Lines all over the picture are no noise: that differs along a line too.
	s.noise = min(max(s.zigzag/zigzagNoise, s.second/secondNoise), s.levels.quantile(noiseQuantile)/alongNoise)
	s.bend = min(bendRatio*s.bends.quantile(0.5), bendShare*math.Tan(math.Pi*min(lowest, 0.25)))
}

// find fills s from the cells of a picture.
// code is one 8-bit code in code values of the take, lowest the lowest
// frequency of a comb to look for.
func (s *suspects) find(m *cells.Map, code float32, lowest float64) {
	s.measureFloor(m, code, lowest)
	s.fine.begin()
	s.coarse.begin()
	s.moving = false
	const whole = cells.Size * cells.Size
	zigzag := uint32(float32(noiseRatio*s.zigzag+suspectFloor) * code * whole)
	second := uint32(float32(noiseRatio*s.second+2*suspectFloor) * code * whole)
	still := uint32(float32(movedNoise*s.noise+moved) * code * whole)
	s.rest = uint32(float32(movedNoise*s.noise+suspectFloor) * code * whole)
	// In 256ths.
	bend := uint64(s.bend * 256)
	for y := range s.rows {
		row := m.Cells[y*m.Cols:][:s.cols]
		zones := y / zoneRows * s.zonesX
		for x := range row {
			c, i := &row[x], y*s.cols+x
			if !s.moving && m.HasDiff && c.Diff[0]+c.Diff[1] > still {
				s.moving = true
			}
			if c.Zigzag <= zigzag && c.Second <= second {
				continue
			}
			change := c.Diff[0] + c.Diff[1]
			if !m.HasDiff {
				change = math.MaxUint32
			}
			if limit := zigzag + c.Vertical/(1/detailShare); c.Zigzag > limit && change > s.rest &&
				float32(c.Vertical) < mostDetail/2*float32(c.Second) {
				s.fine.add(zones+x/zoneCols, i, float32(c.Zigzag-limit)/(float32(c.Pixels)*code))
			}
			if limit := second + uint32(uint64(c.Vertical)*bend>>8); c.Second > limit && change > still {
				s.coarse.add(zones+x/zoneCols, i, float32(c.Second-limit)/(float32(c.Pixels)*code))
			}
		}
	}
	s.fine.end()
	s.coarse.end()
}

func (l *layer) begin() {
	l.count = 0
	clear(l.excess)
	for i := range l.zones {
		z := &l.zones[i]
		z.top, z.tried = 0, false
		z.fatigue *= fatigueFade
	}
}

func (l *layer) add(zone, cell int, excess float32) {
	l.count++
	l.excess[cell] = excess
	if z := &l.zones[zone]; excess > z.top {
		z.top, z.at = excess, int32(cell)
	}
}

func (l *layer) end() {
	for i := range l.zones {
		z := &l.zones[i]
		z.rank = z.top - fatigueShare*z.fatigue
	}
}

// tired reports whether a zone did not stand a close look lately and shows
// little more now.
func (z *zone) tired() bool { return z.top < freshRatio*z.fatigue }

// next returns the untried zone that most deserves a look, or nil; tired ones
// only where again is set.
func (l *layer) next(again bool) *zone {
	var best *zone
	for i := range l.zones {
		z := &l.zones[i]
		if !z.tried && z.top > 0 && (again || !z.tired()) && (best == nil || z.rank > best.rank) {
			best = z
		}
	}
	return best
}

// windowAt returns a window of the given size round a cell, moved inside the
// raster.
func (s *suspects) windowAt(cell int, size, raster image.Point) image.Rectangle {
	x := (cell%s.cols)*cells.Size + cells.Size/2 - size.X/2
	y := (cell/s.cols)*cells.Size + cells.Size/2 - size.Y/2
	x, y = max(0, min(x, raster.X-size.X)), max(0, min(y, raster.Y-size.Y))
	return image.Rect(x, y, x+size.X, y+size.Y)
}
