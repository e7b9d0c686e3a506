package motion

import (
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
)

// Stage measures motion.
var Stage = &detect.Stage{
	Name:  "motion",
	Title: "what moves, and by how much",
	Doc: "Displacement of each tile of 64x64 raster pixels since the picture before, in raster pixels, " +
		"found by matching the pixels that stand out from the background (the median of six pictures " +
		"around, each moved along the pan between them, in the light of the picture where it does not pan); " +
		"and the pan. Leaves no marks.",
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
	// A cut changes most of the picture, the coarse pictures before and
	// after have little in common, and either no displacement explains most
	// of it or it changes more than twice as much as the pictures on either
	// side do.
	cutShare, cutLikeness, cutFollowed, cutRatio = 0.5, 0.7, 0.3, 2.0
	// quantileCells is how many cells a quantile is taken from: a twentieth
	// of them is still a dozen.
	quantileCells = 256
	// leastFollowed tiles make an estimate of noise.
	leastFollowed = 20
)

// Store keeps the newest maps and the backgrounds that belong to them.
type Store struct {
	format picture.Format
	filmed bool // by a camera, whose pictures tremble
	cells  *cells.Store
	search cells.Search
	maps   []*Map
	newest int

	scratch  []float32
	pans     pans
	guesses  guesses
	halves   halves
	halfMask []uint16
	// quarterMask is halfMask halved once more.
	quarterMask []uint16
	sparse      cells.Sparse // of the tile in hand
	lost        []lost
	patience    []int    // by tile
	lostAt      []int    // the last picture in which nothing explained it, by tile
	searches    int      // that a picture spends on tiles that stay lost
	standing    []uint32 // squares of samples that stand out, by tile
	ranges      [lightRanges][]behind
	stir        []bool // tiles that stir
	off         []off  // by tile
}

func newStore(s *detect.Setup) *Store {
	return &Store{format: s.Format, filmed: s.Viewer.Camera, cells: cells.In(s), maps: make([]*Map, max(s.History, memory+1)), newest: -1}
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
	if s.patience == nil {
		n := len(s.maps[at].Tiles)
		s.patience, s.lostAt, s.standing = make([]int, n), make([]int, n), make([]uint32, n)
		s.searches = fullSearches
	}
	m := s.maps[at]
	s.newest = t
	clear(m.Tiles)
	m.Cut, m.Active, m.Noise, m.HasBackground, m.Pan = false, 0, 0, false, Pan{}
	m.Changes.reset(len(cm.Cells))
	s.pan(t + backgroundSpan)
	before := s.cells.At(t - 1)
	if before == nil {
		return nil
	}
	m.Noise, m.Pan = s.noise(t), s.pans.bridged(t)
	threshold := changed(m.Noise)
	for y := range cm.Rows {
		tiles := m.Tiles[y/TileCells*m.Cols:][:m.Cols]
		for x, d := range cm.Reduced.Diff[y*cm.Cols:][:cm.Cols] {
			if d > threshold {
				m.Active++
				m.Changes.add(y*cm.Cols + x)
				tiles[x/TileCells].Changed += 1.0 / (TileCells * TileCells)
			}
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

// ChangedAbove is what a cell must differ by to count as changed, under a
// noise as of Map.Noise.
func ChangedAbove(noise float32) float32 { return changed(noise) }

// changed is what a cell must differ by to count as changed.
func changed(noise float32) float32 { return changeRatio*noise + changeFloor }

func (s *Store) newMap(cm *cells.Map) *Map {
	m := &Map{Cols: (cm.Cols + TileCells - 1) / TileCells, Rows: (cm.Rows + TileCells - 1) / TileCells}
	m.Tiles = make([]Tile, m.Cols*m.Rows)
	m.Background = make([]uint16, len(cm.Reduced.Pix))
	m.StandsOut = make([]uint16, len(cm.Reduced.Pix))
	return m
}

// noise estimates the mean |difference| between two pictures of a still scene:
// what this picture alone shows, or what the vectors left of the last one,
// whichever is less. The latter stands in while everything moves.
func (s *Store) noise(t int) float32 {
	noise := s.pans.note(t).quiet
	last := s.At(t - 1)
	if last == nil {
		return noise
	}
	v := s.scratch[:0]
	for i := range last.Tiles {
		if last.Tiles[i].Moving {
			v = append(v, last.Tiles[i].Residual)
		}
	}
	s.scratch = v
	if len(v) >= leastFollowed {
		slices.Sort(v)
		noise = min(noise, v[len(v)/5]+changeFloor)
	}
	return noise
}

// quiet is the noise as one picture shows it: the difference to the picture
// before in the quietest fifth of the cells, or from pixel to pixel in the
// flattest, whichever is less.
func (s *Store) quiet(cm *cells.Map) float32 {
	// An odd stride does not fall on one column of an even number.
	stride := len(cm.Cells)/quantileCells | 1
	v := s.scratch[:0]
	for i := 0; i < len(cm.Reduced.Diff); i += stride {
		v = append(v, cm.Reduced.Diff[i])
	}
	slices.Sort(v)
	temporal := v[len(v)/5]
	v = v[:0]
	depth := float32(int(1) << (s.format.Depth - 8))
	for i := 0; i < len(cm.Cells); i += stride {
		v = append(v, float32(cm.Cells[i].Horizontal)/float32(cm.Cells[i].Pixels)/depth)
	}
	slices.Sort(v)
	s.scratch = v
	// Horizontal is a mean |difference| of two samples, as the temporal one
	// is; averaging StepX*StepY samples takes their root off it.
	r := &cm.Reduced
	spatial := v[len(v)/20] * cells.Unit8 / float32(math.Sqrt(float64(r.StepX*r.StepY)))
	return min(temporal, spatial+changeFloor)
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
