package motion

import (
	"slices"

	"setwitness/detect/cells"
)

// The background of a picture is the median of six pictures around it, apart
// by backgroundStep: a thing that moves by a third of its own length or more
// from picture to picture is gone from it.
const (
	backgroundStep = 3
	backgroundSpan = 3 * backgroundStep
)

const (
	// standOutRatio times the noise (a mean |difference| of two pictures, so
	// 1.13 standard deviations of one) is where a sample stands out from the
	// background: about three standard deviations.
	standOutRatio = 2.5
	standOutFloor = cells.Unit8 // coding noise at moving edges
	// A sample of a picture at rest has to stand out by so many times what the second
	// of its six backgrounds is off their median, on the side where that is less: three
	// standard deviations. A thing that passes is an outlier on one side. Grain and a
	// codec's noise differ from place to place and from what pictures that follow each
	// other show of them, and a film's edges tremble with the camera. Where most of a
	// direct take stirs it may be the scene that moves, which spreads by as much.
	unsteady = 4
	// What is more unsteady than this is no noise but moves in a way that nothing
	// followed.
	noisiest = 8 * cells.Unit8
	// mostStandOut keeps the sum of threshold and slope within the 15 bits
	// that the kernel has for it.
	mostStandOut = 1 << 14
)

// sheet is a picture that lends its samples to the background of another: what
// is at x, y there is at x-dx, y-dy here.
type sheet struct {
	pix    []uint16
	dx, dy int
}

// background fills m.Background and m.StandsOut where something changed.
func (s *Store) background(t int, cm *cells.Map, m *Map) {
	r := &cm.Reduced
	clear(s.standing)
	var list [2 * backgroundSpan / backgroundStep]sheet
	sheets := list[:0]
	moved, past := false, 0
	for k := -backgroundSpan; k <= backgroundSpan; k += backgroundStep {
		o := s.cells.At(t + k)
		if k == 0 || o == nil {
			continue
		}
		x, y := s.pans.between(t+k, t)
		sheets = append(sheets, sheet{o.Reduced.Pix, samples(float32(x), r.StepX), samples(float32(y), r.StepY)})
		moved = moved || x != 0 || y != 0
		if k < 0 {
			past++
		}
	}
	if len(sheets) < 3 {
		// A take of a few pictures: no background, everything stands out.
		for i := range m.StandsOut {
			m.StandsOut[i] = 0xffff
		}
		s.countAll(r, m)
		return
	}
	m.HasBackground = true
	threshold := uint16(min(standOutRatio*m.Noise+standOutFloor, mostStandOut))
	if !moved {
		s.still(r, m, sheets, threshold)
		return
	}
	_, th := TileSize(r)
	for ty := range m.Rows {
		first, last := ty*th, min((ty+1)*th, r.H)
		if !m.stirs(0, m.Cols, ty) {
			clear(m.StandsOut[min(first, last)*r.W : last*r.W])
			continue
		}
		for y := first; y < last; y++ {
			s.movedRow(r, m, y, sheets[:past], sheets[past:])
		}
	}
	// The sheets lie on whole samples: what an edge changes by over half a
	// sample, and as much again for rotation, zoom and lens, is no thing.
	s.search.StandOutMoved(m.StandsOut, r.Pix, m.Background, r.W, r.H, threshold)
	s.countAll(r, m)
}

// still makes the background of a picture that does not pan, and what stands
// out from it, in the tiles that stir, and counts that.
func (s *Store) still(r *cells.Reduced, m *Map, sheets []sheet, threshold uint16) {
	var pix [6][]uint16
	s.stir = s.stir[:0]
	for i := range m.Tiles {
		s.stir = append(s.stir, m.stirs(i%m.Cols, i%m.Cols+1, i/m.Cols))
	}
	from := func(at int) [len(pix)][]uint16 {
		for i := range pix { // fewer sheets count twice
			pix[i] = sheets[i%len(sheets)].pix[at:]
		}
		return pix
	}
	s.stirring(r, m, func(at, n, rows int) {
		s.search.Median6(m.Background[at:], from(at), r.W, n, rows)
	})
	if l := s.light(r, m); l.known {
		s.lay(r, m, l)
		threshold = max(threshold, uint16(unrestRatio*l.unrest+standOutFloor))
	}
	steady := s.filmed || float64(s.stirred()) < leastStirring*float64(len(m.Tiles))
	// Row of tiles by row of tiles, so that what is counted is still in the cache.
	for ty := range m.Rows {
		s.runs(r, m, ty, false, func(at, n, rows int) {
			for y := range rows {
				clear(m.StandsOut[at+y*r.W:][:n])
			}
		})
		s.runs(r, m, ty, true, func(at, n, rows int) {
			s.search.StandOut(m.StandsOut[at:], r.Pix[at:], m.Background[at:], r.W, n, rows, threshold)
			if !steady {
				return
			}
			s.search.Steady(m.StandsOut[at:], r.Pix[at:], m.Background[at:], from(at), r.W, n, rows, threshold, unsteady, noisiest)
		})
		s.count(r, m, ty)
	}
}

// stirring calls do with the first sample, the columns and the rows of each run of
// tiles that stir.
func (s *Store) stirring(r *cells.Reduced, m *Map, do func(at, n, rows int)) {
	for ty := range m.Rows {
		s.runs(r, m, ty, true, do)
	}
}

// runs is stirring for one row of tiles, for those that stir or for those that do not.
func (s *Store) runs(r *cells.Reduced, m *Map, ty int, stir bool, do func(at, n, rows int)) {
	tw, th := TileSize(r)
	first, last := ty*th, min((ty+1)*th, r.H)
	if last <= first {
		return
	}
	for tx := 0; tx < m.Cols; tx++ {
		from := tx
		for tx < m.Cols && s.stir[ty*m.Cols+tx] == stir {
			tx++
		}
		if n := min(tx*tw, r.W) - from*tw; n > 0 {
			do(first*r.W+from*tw, n, last-first)
		}
	}
}

// countAll counts what stands out in each tile.
func (s *Store) countAll(r *cells.Reduced, m *Map) {
	for ty := range m.Rows {
		s.count(r, m, ty)
	}
}

// count counts what stands out in a row of tiles.
func (s *Store) count(r *cells.Reduced, m *Map, ty int) {
	tw, th := TileSize(r)
	if from, to := ty*th*r.W, min((ty+1)*th, r.H)*r.W; to > from {
		s.search.Count(s.standing[ty*m.Cols:], m.StandsOut[from:to], r.W, tw)
	}
}

// stirs reports whether anything changed in tiles from to to-1 of a row or in
// those beside them.
func (m *Map) stirs(from, to, ty int) bool {
	from, to = max(0, from-1), min(m.Cols, to+1)
	for y := max(0, ty-1); y < min(m.Rows, ty+2); y++ {
		if slices.ContainsFunc(m.Tiles[y*m.Cols+from:y*m.Cols+to], func(t Tile) bool { return t.Changed > 0 }) {
			return true
		}
	}
	return false
}

// movedRow makes one row of the background of a panning picture. Where some of
// the sheets do not reach, at the rims that the pan comes from and goes to,
// those of one side of time stand in; where neither reaches the picture is its
// own background and nothing stands out.
func (s *Store) movedRow(r *cells.Reduced, m *Map, y int, past, future []sheet) {
	dst := m.Background[y*r.W : (y+1)*r.W]
	pFrom, pTo := reach(r, y, past)
	fFrom, fTo := reach(r, y, future)
	both := [2]int{max(pFrom, fFrom), min(pTo, fTo)}
	var rows [6][]uint16
	fill := func(from, to int, lists ...[]sheet) {
		if to <= from {
			return
		}
		n := 0
		for _, list := range lists {
			for _, sh := range list {
				at := (y-sh.dy)*r.W - sh.dx
				rows[n] = sh.pix[at+from : at+to]
				n++
			}
		}
		for i := n; i < len(rows); i++ {
			rows[i] = rows[i-n]
		}
		s.search.Median6(dst[from:], rows, r.W, to-from, 1)
	}
	own := func(from, to int) {
		if to > from {
			copy(dst[from:to], r.Pix[y*r.W+from:y*r.W+to])
		}
	}
	if both[1] <= both[0] {
		both = [2]int{0, 0}
	}
	fill(both[0], both[1], past, future)
	for _, side := range [2][2]int{{0, both[0]}, {both[1], r.W}} {
		from, to := side[0], side[1]
		// Of the two times the one that reaches further into this side.
		pf, pt, list := max(from, pFrom), min(to, pTo), past
		if ff, ft := max(from, fFrom), min(to, fTo); ft-ff > pt-pf {
			pf, pt, list = ff, ft, future
		}
		if pt <= pf {
			own(from, to)
			continue
		}
		own(from, pf)
		fill(pf, pt, list)
		own(pt, to)
	}
}

// reach returns the columns of row y that all the sheets cover; none where
// there are fewer than three of them, too few for a median.
func reach(r *cells.Reduced, y int, sheets []sheet) (from, to int) {
	if len(sheets) < 3 {
		return 0, 0
	}
	from, to = 0, r.W
	for _, sh := range sheets {
		if y-sh.dy < 0 || y-sh.dy >= r.H {
			return 0, 0
		}
		from, to = max(from, sh.dx), min(to, r.W+sh.dx)
	}
	return from, max(from, to)
}
