package motion

import (
	"math"
	"slices"

	"setwitness/detect/cells"
)

const (
	// A change of light is one of the whole picture: of fewer tiles that stir it
	// cannot be told from what moves in them.
	leastStirring = 0.5
	// The change is told in so many ranges of the background's codes, by about so
	// many samples of the picture; so many of a range tell its median to a tenth of
	// what they stray by.
	lightRanges, lightSamples, fewestOfRange = 16, 1 << 13, 1 << 6
	// Half a code less is lost in the rounding of codes.
	leastLight = cells.Unit8 / 2
	// A line that leaves so much of what the ranges show is not the light's: the
	// rounding of codes leaves a quarter of a small change.
	mostUnlike = 0.3
	// What the samples of the median tile that stirs are off their background by, once
	// the light is even, is noise and what a codec adds: a thing fills less than half
	// of its own tiles and those beside. More is a scene that moves all over.
	mostUnrest = cells.Unit8
	// unrestRatio times that (a mean |difference| of a sample to a median of six: 0.9
	// standard deviations of one) is three standard deviations of it, as of
	// standOutRatio.
	unrestRatio = 3.4
)

// lit is what the light of a picture made of its background.
type lit struct {
	known        bool
	offset, gain float64 // added to a sample of the background, and of it per unit
	// unrest is what the samples of the median tile are then off it.
	unrest float64
}

// at is what the light adds to a sample of the background.
func (l lit) at(background uint16) float64 { return l.offset + l.gain*float64(background) }

// stirred is how many tiles stir.
func (s *Store) stirred() (n int) {
	for _, stirs := range s.stir {
		if stirs {
			n++
		}
	}
	return n
}

// light compares a picture that does not pan with its background, from which a
// camera's exposure, a lamp's flicker and the steps of a codec take it all over.
func (s *Store) light(r *cells.Reduced, m *Map) (l lit) {
	stirring := s.stirred()
	if stirring == 0 {
		return lit{}
	}
	share := float64(stirring) / float64(len(m.Tiles))
	for k := range s.ranges {
		s.ranges[k] = s.ranges[k][:0]
	}
	tw, th := TileSize(r)
	// An odd stride does not fall on one column of an even number.
	stride := max(1, int(share*float64(r.W*r.H/lightSamples))) | 1
	s.stirring(r, m, func(at, n, rows int) {
		tile := at/r.W/th*m.Cols + at%r.W/tw
		for from := at; from < at+rows*r.W; from += r.W {
			of, next := tile, from+tw // the tile of a sample, and where the one after begins
			for i := (from + stride - 1) / stride * stride; i < from+n; i += stride {
				for ; i >= next; next += tw {
					of++
				}
				b := m.Background[i]
				k := min(int(b)*lightRanges/(256*cells.Unit8), lightRanges-1)
				s.ranges[k] = append(s.ranges[k], behind{int32(r.Pix[i]) - int32(b), b, int32(of)})
			}
		}
	})
	if share >= leastStirring {
		l.fit(s.ranges[:])
	}
	s.off = slices.Grow(s.off[:0], len(m.Tiles))[:len(m.Tiles)]
	clear(s.off)
	for _, list := range s.ranges {
		for _, o := range list {
			t := &s.off[o.tile]
			t.sum, t.n = t.sum+float32(math.Abs(float64(o.off)-l.at(o.background))), t.n+1
		}
	}
	v := s.scratch[:0]
	for _, t := range s.off {
		if t.n > 0 {
			v = append(v, t.sum/t.n)
		}
	}
	s.scratch = v
	if len(v) == 0 {
		return lit{}
	}
	slices.Sort(v)
	l.unrest = float64(v[len(v)/2])
	l.known = l.unrest <= mostUnrest
	return l
}

// off is what the samples of a tile that were looked at are off their background.
type off struct{ sum, n float32 }

// behind is how far a sample of a tile is off its background, and that.
type behind struct {
	off        int32
	background uint16
	tile       int32
}

// fit lays a line through the medians of the ranges, of which one may be that of
// a thing: it goes without the worst.
func (l *lit) fit(ranges [][]behind) {
	type point struct{ x, y, n float64 }
	var points []point
	for _, list := range ranges {
		if len(list) < fewestOfRange {
			continue
		}
		x := 0.0
		for _, o := range list {
			x += float64(o.background)
		}
		n := float64(len(list))
		points = append(points, point{x / n, float64(medianOff(list)), n})
	}
	line := func() {
		var n, x, y, xx, xy float64
		for _, p := range points {
			n, x, y, xx, xy = n+p.n, x+p.n*p.x, y+p.n*p.y, xx+p.n*p.x*p.x, xy+p.n*p.x*p.y
		}
		l.offset, l.gain = 0, 0
		if n == 0 {
			return
		}
		if spread := xx - x*x/n; len(points) > 2 && spread > 0 {
			l.gain = (xy - x*y/n) / spread
		}
		l.offset = (y - l.gain*x) / n
	}
	line()
	if len(points) > 3 {
		worst, most := 0, 0.0
		for i, p := range points {
			if d := math.Abs(p.y - l.offset - l.gain*p.x); d > most {
				worst, most = i, d
			}
		}
		points = slices.Delete(points, worst, worst+1)
		line()
	}
	// Where things come and go in every range no line goes through most of them.
	var most, seen, left float64
	for _, p := range points {
		most = max(most, math.Abs(l.offset+l.gain*p.x))
		seen, left = seen+p.n*math.Abs(p.y), left+p.n*math.Abs(p.y-l.offset-l.gain*p.x)
	}
	if most < leastLight || left > mostUnlike*seen {
		l.offset, l.gain = 0, 0
	}
}

// medianOff is the median of what samples are off their background by.
func medianOff(list []behind) int32 {
	least, most := list[0].off, list[0].off
	for _, o := range list {
		least, most = min(least, o.off), max(most, o.off)
	}
	// A count of each value takes one pass; they are of 256 codes at most.
	var counts [2*256*cells.Unit8 + 1]uint16
	for _, o := range list {
		counts[o.off-least]++
	}
	left := len(list) / 2
	for v := least; v < most; v++ {
		if left -= int(counts[v-least]); left < 0 {
			return v
		}
	}
	return most
}

// lay brings the background of the tiles that stir to the light of the picture.
func (s *Store) lay(r *cells.Reduced, m *Map, l lit) {
	if l.offset == 0 && l.gain == 0 {
		return
	}
	var table [256 * cells.Unit8]uint16
	for b := range table {
		table[b] = uint16(max(0, math.Round(float64(b)+l.at(uint16(b)))))
	}
	s.stirring(r, m, func(at, n, rows int) {
		for y := range rows {
			row := m.Background[at+y*r.W:][:n]
			for i, b := range row {
				row[i] = table[min(int(b), len(table)-1)]
			}
		}
	})
}
