package motion

import (
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
)

// The background of a picture is the median of six pictures around it, apart
// by backgroundStep: a thing that moves by a third of its own length or more
// from picture to picture is gone from it.
const (
	backgroundStep = 3
	backgroundSpan = 3 * backgroundStep
)

// Stage measures motion.
var Stage = &detect.Stage{
	Name:  "motion",
	Title: "what moves, and by how much",
	Doc: "Displacement of each tile of 64x64 raster pixels since the picture before, in raster pixels, " +
		"found by matching the pixels that stand out from the background (the median of six pictures " +
		"around). Leaves no marks.",
	Needs: []detect.Need{{Stage: cells.Stage, Back: backgroundSpan, Ahead: backgroundSpan}},
	New:   func(s *detect.Setup) (detect.State, error) { return newStore(s), nil },
}

const (
	// changeRatio times the noise is what a cell must differ by to count as
	// changed: the mean over the 64 or more samples of a cell strays by a
	// tenth of itself, compression makes it several times that.
	changeRatio = 2.5
	// changeFloor is a quarter of an 8-bit code: a take without noise still
	// has the rounding of its codec.
	changeFloor = cells.Unit8 / 4
	// standOutRatio times the noise (a mean |difference| of two pictures, so
	// 1.13 standard deviations of one) is where a sample stands out from the
	// background: about three standard deviations.
	standOutRatio = 2.5
	standOutFloor = cells.Unit8 // coding noise at moving edges
	// leastStandOut samples have to stand out in a tile before it can be
	// matched: a disc of 4 samples across.
	leastStandOut = 12
	// A displacement explains a tile when it leaves no more than this share
	// of the difference without it, beside noise.
	explained = 0.45
	// followed is the same for a displacement that needs no further search.
	followed = 0.25
	// A cut changes most of the picture, the coarse pictures before and
	// after have little in common, and either no displacement explains most
	// of it or it changes more than twice as much as the pictures on either
	// side do.
	cutShare, cutLikeness, cutFollowed, cutRatio = 0.5, 0.7, 0.3, 2.0
	// sparse is the share of a tile that stands out below which a thing is
	// taken to be small, and matched with what reaches into the next tiles:
	// the edge of a disc alone fits anywhere.
	sparse = 0.25
	// noiseStride: every seventh cell is enough for a quantile, and a prime
	// does not fall on one column.
	noiseStride = 7
	// leastFollowed tiles make an estimate of noise.
	leastFollowed = 20
	// reach of a full search in samples of the halved plane: 80 and 48
	// reduced samples, that is 160 and 96 pixels of a 1080-line raster.
	reachX, reachY = 40, 24
	// fullSearches bounds the cost of a picture in which nothing is
	// predictable (a cut, a shaken camera).
	fullSearches = 3
	// A place that a full search could not explain is not searched again for
	// this many pictures.
	patience = 12
	// Every second row is enough where much stands out, and to find the
	// neighbourhood of the best displacement.
	denseRows, searchRows = 2, 2
)

// Store keeps the newest maps and the backgrounds that belong to them.
type Store struct {
	format picture.Format
	cells  *cells.Store
	search cells.Search
	maps   []*Map
	newest int

	scratch                     []float32
	halfCur, halfPrev, halfMask []uint16
	popular                     []image.Point
	patience                    []int // by tile
}

func newStore(s *detect.Setup) *Store {
	return &Store{format: s.Format, cells: cells.In(s), maps: make([]*Map, s.History), newest: -1}
}

// At returns the map of picture i, or nil where the take has none or it is no
// longer kept.
func (s *Store) At(i int) *Map {
	if i < 0 || i > s.newest || i <= s.newest-len(s.maps) {
		return nil
	}
	return s.maps[i%len(s.maps)]
}

// Step measures the motion from picture w.T-1 to w.T.
func (s *Store) Step(w *detect.Window) error {
	t := w.T
	cm := s.cells.At(t)
	at := t % len(s.maps)
	if s.maps[at] == nil {
		s.maps[at] = s.newMap(cm)
	}
	m := s.maps[at]
	s.newest = t
	clear(m.Tiles)
	m.Cut, m.Active, m.Noise, m.HasBackground = false, 0, 0, false
	before := s.cells.At(t - 1)
	if before == nil {
		return nil
	}
	m.Noise = s.noise(t, cm)
	threshold := changeRatio*m.Noise + changeFloor
	for i, d := range cm.Reduced.Diff {
		if d > threshold {
			m.Active++
			x, y := i%cm.Cols/TileCells, i/cm.Cols/TileCells
			m.At(x, y).Changed += 1.0 / (TileCells * TileCells)
		}
	}
	if m.Active == 0 {
		return nil
	}
	s.background(t, cm, m)
	s.displacements(t, cm, before, m)
	if m.Cut = s.isCut(t, cm, m); m.Cut {
		for i := range m.Tiles {
			m.Tiles[i].Moving, m.Tiles[i].DX, m.Tiles[i].DY = false, 0, 0
		}
	}
	return nil
}

func (s *Store) newMap(cm *cells.Map) *Map {
	m := &Map{Cols: (cm.Cols + TileCells - 1) / TileCells, Rows: (cm.Rows + TileCells - 1) / TileCells}
	m.Tiles = make([]Tile, m.Cols*m.Rows)
	m.Background = make([]uint16, len(cm.Reduced.Pix))
	m.StandsOut = make([]uint16, len(cm.Reduced.Pix))
	return m
}

// noise estimates the mean |difference| between two pictures of a still scene:
// what the quietest fifth of the cells shows, or what the flattest cells of
// this picture show from pixel to pixel, or what the vectors left of the last
// one, whichever is least. The latter two stand in while everything moves.
func (s *Store) noise(t int, cm *cells.Map) float32 {
	v := s.scratch[:0]
	for i := 0; i < len(cm.Reduced.Diff); i += noiseStride {
		v = append(v, cm.Reduced.Diff[i])
	}
	slices.Sort(v)
	temporal := v[len(v)/5]
	v = v[:0]
	depth := float32(int(1) << (s.format.Depth - 8))
	for i := 0; i < len(cm.Cells); i += noiseStride {
		v = append(v, float32(cm.Cells[i].Horizontal)/float32(cm.Cells[i].Pixels)/depth)
	}
	slices.Sort(v)
	s.scratch = v[:0]
	// Horizontal is a mean |difference| of two samples, as the temporal one
	// is; averaging StepX*StepY samples takes their root off it.
	r := &cm.Reduced
	spatial := v[len(v)/20] * cells.Unit8 / float32(math.Sqrt(float64(r.StepX*r.StepY)))
	noise := min(temporal, spatial+changeFloor)
	// What the vectors of the picture before left unexplained is noise and
	// what they did not follow.
	if last := s.At(t - 1); last != nil {
		v = v[:0]
		for i := range last.Tiles {
			if last.Tiles[i].Moving {
				v = append(v, last.Tiles[i].Residual)
			}
		}
		if len(v) >= leastFollowed {
			slices.Sort(v)
			noise = min(noise, v[len(v)/5]+changeFloor)
		}
		s.scratch = v[:0]
	}
	return noise
}

// isCut compares coarse thumbnails of two pictures.
func (s *Store) isCut(t int, cm *cells.Map, m *Map) bool {
	if float64(m.Active) < cutShare*float64(len(cm.Cells)) {
		return false
	}
	if likeness(cm, s.cells.At(t-1)) > cutLikeness {
		return false
	}
	changed, moving := 0, 0
	for i := range m.Tiles {
		if m.Tiles[i].Changed > 0 {
			changed++
		}
		if t := &m.Tiles[i]; t.Moving && t.Residual < followed*t.Still+m.Noise {
			moving++
		}
	}
	if float64(moving) < cutFollowed*float64(changed) {
		return true
	}
	here := mean(cm.Reduced.Diff)
	for _, o := range []int{t - 1, t + 1} {
		if n := s.cells.At(o); n != nil && len(n.Reduced.Diff) > 0 && cutRatio*mean(n.Reduced.Diff) > here {
			return false
		}
	}
	return true
}

func mean(v []float32) float32 {
	var sum float32
	for _, x := range v {
		sum += x
	}
	return sum / float32(len(v))
}

// likeness is the correlation of the cell means of two pictures, -1 to 1.
func likeness(a, b *cells.Map) float64 {
	var sa, sb, aa, bb, ab float64
	n := float64(len(a.Cells))
	for i := range a.Cells {
		x := float64(a.Cells[i].Sum) / float64(a.Cells[i].Pixels)
		y := float64(b.Cells[i].Sum) / float64(b.Cells[i].Pixels)
		sa, sb, aa, bb, ab = sa+x, sb+y, aa+x*x, bb+y*y, ab+x*y
	}
	va, vb := aa-sa*sa/n, bb-sb*sb/n
	if va <= 0 || vb <= 0 {
		return 0
	}
	return (ab - sa*sb/n) / math.Sqrt(va*vb)
}

// background fills m.Background and m.StandsOut.
func (s *Store) background(t int, cm *cells.Map, m *Map) {
	var planes [6][]uint16
	n := 0
	for k := -backgroundSpan; k <= backgroundSpan; k += backgroundStep {
		if o := s.cells.At(t + k); k != 0 && o != nil {
			planes[n] = o.Reduced.Pix
			n++
		}
	}
	if n < 3 {
		// A take of a few pictures: no background, everything stands out.
		for i := range m.StandsOut {
			m.StandsOut[i] = 0xffff
		}
		return
	}
	for i := n; i < len(planes); i++ {
		planes[i] = planes[(i-n)%n]
	}
	s.search.Median6(m.Background, planes)
	s.search.StandOut(m.StandsOut, cm.Reduced.Pix, m.Background, uint16(standOutRatio*m.Noise)+standOutFloor)
	m.HasBackground = true
}

func (s *Store) displacements(t int, cm, before *cells.Map, m *Map) {
	r, p := &cm.Reduced, &before.Reduced
	hw, hh := r.W/2, r.H/2
	if s.halfCur == nil {
		s.halfCur, s.halfPrev, s.halfMask = make([]uint16, hw*hh), make([]uint16, hw*hh), make([]uint16, hw*hh)
	}
	if s.patience == nil {
		s.patience = make([]int, len(m.Tiles))
	}
	halved := false
	budget := fullSearches
	if hw == 0 || hh == 0 {
		budget = 0 // too thin to halve
	}
	last := s.At(t - 1)
	tw, th := TileCells*cells.Size/r.StepX, TileCells*cells.Size/r.StepY
	all := image.Rect(0, 0, r.W, r.H)
	for ty := range m.Rows {
		for tx := range m.Cols {
			tile := m.At(tx, ty)
			if tile.Changed == 0 {
				continue
			}
			rect := cells.Area{Rectangle: image.Rect(tx*tw, ty*th, (tx+1)*tw, (ty+1)*th).Intersect(all), RowStep: 1}
			still, n := s.search.Match(r.Pix, p.Pix, m.StandsOut, r.W, r.H, rect, 0, 0)
			tile.Still = still
			if n < leastStandOut || still < m.Noise+changeFloor {
				continue
			}
			if float64(n) < sparse*float64(tw*th) {
				rect.Rectangle = rect.Inset(-tw / 2).Intersect(all)
				still, n = s.search.Match(r.Pix, p.Pix, m.StandsOut, r.W, r.H, rect, 0, 0)
			} else {
				rect.RowStep = denseRows
				n /= denseRows
			}
			best := cells.Found{Residual: still}
			try := func(d image.Point) {
				res, k := s.search.Match(r.Pix, p.Pix, m.StandsOut, r.W, r.H, rect, d.X, d.Y)
				if k*4 >= n*3 && res < best.Residual {
					best = cells.Found{DX: int32(d.X), DY: int32(d.Y), Residual: res}
				}
			}
			for _, d := range s.guesses(m, last, tx, ty, r) {
				try(d)
			}
			if best.Residual > followed*still+m.Noise && budget > 0 && s.patience[ty*m.Cols+tx] == 0 {
				budget--
				if !halved {
					s.halve(r, p, m, hw, hh)
					halved = true
				}
				half := cells.Area{Rectangle: image.Rect(rect.Min.X/2, rect.Min.Y/2, rect.Max.X/2, rect.Max.Y/2), RowStep: searchRows}
				f := s.search.Find(s.halfCur, s.halfPrev, s.halfMask, hw, hh, half, image.Point{}, image.Pt(reachX, reachY), 2)
				f = s.search.Find(s.halfCur, s.halfPrev, s.halfMask, hw, hh, half, image.Pt(int(f.DX), int(f.DY)), image.Pt(1, 1), 1)
				try(image.Pt(int(f.DX)*2, int(f.DY)*2))
				if best.Residual > explained*still+m.Noise {
					s.patience[ty*m.Cols+tx] = patience
				}
			}
			s.patience[ty*m.Cols+tx] = max(0, s.patience[ty*m.Cols+tx]-1)
			// Walk downhill to the whole sample, no more than a full search
			// may be off.
			for range 3 {
				if best.Residual < m.Noise {
					break
				}
				f := s.search.Find(r.Pix, p.Pix, m.StandsOut, r.W, r.H, rect, image.Pt(int(best.DX), int(best.DY)), image.Pt(1, 1), 1)
				if f.Residual >= best.Residual {
					break
				}
				best = f
			}
			tile.Residual = best.Residual
			if best.Residual > explained*still+m.Noise || (best.DX == 0 && best.DY == 0) {
				continue
			}
			fx, fy := s.fraction(r, p, m, rect, best)
			tile.Moving = true
			tile.DX = (float32(best.DX) + fx) * float32(r.StepX)
			tile.DY = (float32(best.DY) + fy) * float32(r.StepY)
		}
	}
	s.vote(m, r)
}

// halve makes the planes of the full search. A halved sample stands out where
// any of its four does.
func (s *Store) halve(r, p *cells.Reduced, m *Map, hw, hh int) {
	s.search.Halve(s.halfCur, r.Pix, r.W, r.H)
	s.search.Halve(s.halfPrev, p.Pix, p.W, p.H)
	s.search.Halve(s.halfMask, m.StandsOut, r.W, r.H)
	for i, v := range s.halfMask {
		if v != 0 {
			s.halfMask[i] = 0xffff
		}
	}
}

// guesses lists displacements worth a try for a tile: of its neighbours in
// this picture, of the same place in the picture before, and the popular ones.
func (s *Store) guesses(m, last *Map, tx, ty int, r *cells.Reduced) []image.Point {
	out := make([]image.Point, 0, 12)
	add := func(t *Tile) {
		if t.Moving {
			p := image.Pt(int(math.Round(float64(t.DX)/float64(r.StepX))), int(math.Round(float64(t.DY)/float64(r.StepY))))
			if !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	if tx > 0 {
		add(m.At(tx-1, ty))
	}
	if ty > 0 {
		add(m.At(tx, ty-1))
	}
	if last != nil {
		add(last.At(tx, ty))
		for _, d := range []image.Point{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
			if x, y := tx+d.X, ty+d.Y; x >= 0 && x < m.Cols && y >= 0 && y < m.Rows {
				add(last.At(x, y))
			}
		}
	}
	for _, p := range s.popular {
		if !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

// vote keeps the two commonest displacements for the next picture.
func (s *Store) vote(m *Map, r *cells.Reduced) {
	votes := map[image.Point]int{}
	for i := range m.Tiles {
		if t := &m.Tiles[i]; t.Moving {
			votes[image.Pt(int(t.DX)/r.StepX, int(t.DY)/r.StepY)]++
		}
	}
	s.popular = s.popular[:0]
	for range 2 {
		var best image.Point
		n := 0
		for p, k := range votes {
			if k > n || k == n && (p.X < best.X || p.X == best.X && p.Y < best.Y) {
				best, n = p, k
			}
		}
		if n > 0 {
			s.popular = append(s.popular, best)
			delete(votes, best)
		}
	}
}

// fraction refines a displacement by a parabola through the residuals on
// either side, along each axis.
func (s *Store) fraction(r, p *cells.Reduced, m *Map, rect cells.Area, f cells.Found) (x, y float32) {
	at := func(dx, dy int) float32 {
		v, n := s.search.Match(r.Pix, p.Pix, m.StandsOut, r.W, r.H, rect, int(f.DX)+dx, int(f.DY)+dy)
		if n == 0 {
			return math.MaxFloat32
		}
		return v
	}
	vertex := func(lo, mid, hi float32) float32 {
		bend := lo - 2*mid + hi
		if bend <= 0 || lo < mid || hi < mid || lo > 1e30 || hi > 1e30 {
			return 0
		}
		return (lo - hi) / (2 * bend)
	}
	return vertex(at(-1, 0), f.Residual, at(1, 0)), vertex(at(0, -1), f.Residual, at(0, 1))
}
