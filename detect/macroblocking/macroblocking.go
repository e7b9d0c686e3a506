// Package macroblocking finds block edges on a regular grid.
//
// In: a picture every tenth of a second, and its cells. Out: marks round what
// shows the grid, with its pitch and phase, the step at its edges and how
// visible that is.
//
// Each look reduces the picture to profiles (cells.Grid): how much larger the
// step across each boundary of columns, and of rows, is than beside it, in bands
// of 64 lines. A coder's grid stays where it is while scenes move, so that what
// half a second of looks sums to repeats after the pitch of the grid, and of
// nothing else; see search.go. Where in the picture it shows, and whether what
// shows are steps between flat blocks, is told of each look; see judge.go.
package macroblocking

import (
	"image"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// Stage finds macroblocking.
var Stage = &detect.Stage{
	Name:  "macroblocking",
	Title: "block edges on a regular grid",
	Doc: "Visibility in JND of the step between two blocks (Barten, a patch of the size of both; the 95th " +
		"percentile over the places that show the grid, less what other steps there hide of it), where steps across columns or rows of pixels are " +
		"larger than beside on a grid of 5.5 to 80 pixels that stays in place: pitch and phase are found along " +
		"each axis. Tiles, blinds, rows of windows, halftones, grids of lines and moire look alike; their edges " +
		"are no steps between flat blocks, all agree or take turns, move with the scene, or rest with it where no coder's " +
		"blocks lie. Where a camera filmed a " +
		"screen, a grid that fills the picture with no raster of television is the camera's own and not reported.",
	Kind:  detect.Macroblocking,
	Needs: []detect.Need{{Stage: cells.Stage}, {Stage: motion.Stage}},
	Reads: true, Ahead: 1,
	Options: []detect.Option{{
		Name: leastStep, Default: 1, Min: 0.9, Max: 8, Unit: "codes",
		Reason: "steps of one code of 8 bits are the least that such a take can show: what slopes without grain has them, and " +
			"any coder leaves them on its grid; 0.9 finds them as well",
	}},
	New: func(s *detect.Setup) (detect.State, error) { return newState(s), nil },
}

// leastStep is the option that says how many codes of 8 bits the largest steps of a
// finding exceed.
const leastStep = "least-step"

const (
	// looksEvery is how many seconds lie between two pictures that are looked
	// at: an event begins about that late at most.
	looksEvery = 0.1
	// spanLooks is how many of them a grid is searched in at a time.
	spanLooks = 5
	// leastLooks is how many of these have to show a grid that was not known
	// before. What moves by its own period from one look to the next stays in
	// place for two.
	leastLooks = 3
	// leastVisible is the JND that a finding needs, and a mark that extends one.
	leastVisible = 1
	leastExtends = 0.7
	// refinements is how often a grid is fitted to the tiles that show it, more of
	// which then do.
	refinements = 2
	// leastSide is the least raster, in pixels, in which a grid is looked for.
	leastSide = 2 * tile
	// dark is the share of the peak's light below which a place is dark.
	dark = 0.05
)

// uneven is by how many pictures the distances of looks differ, so that a scene
// that moves by what it repeats after from one to the next does not stand still.
var uneven = [...]int{-1, 2, 0, 1, -2}

// look is what one picture shows.
type look struct {
	picture int
	pan     float64            // pixels from the picture before
	axes    [2][]cells.Profile // boundaries of columns by bands of rows; the other way round
	luma    []float64          // mean code of each tile
	mark    *detect.Mark       // of the grid that it shows, if it can be seen
	marked  bool               // and was left
	near    bool               // the mark is nearly one that makes an event, or is
}

type state struct {
	setup      *detect.Setup
	cells      *cells.Store
	motion     *motion.Store
	kernel     cells.Grid
	cols, rows int     // tiles
	every      int     // pictures from look to look
	next       int     // picture to look at
	taken      int     // looks
	looks      []*look // oldest first, two spans at most
	fresh      int     // looks since the last search
	search     searcher
	judge      judge
	known      []grid // the grid of the last span, if it showed one
	within     []bool // tiles that show the grid of the last span
	coded      bool   // it lies or boils as a coder's does
	moves      bool   // the grid that was looked at last does
	coverage   coverage
}

func newState(s *detect.Setup) *state {
	st := &state{setup: s, cells: cells.In(s), motion: motion.In(s), every: 1}
	if r := s.Format.Rate(); r > 0 {
		st.every = max(1, int(math.Round(looksEvery*r)))
	}
	st.cols, st.rows = cells.GridBands(s.Format.W), cells.GridBands(s.Format.H)
	st.judge = newJudge(s, st.cols, st.rows)
	return st
}

func (s *state) examinable() bool {
	return s.setup.Format.W >= leastSide && s.setup.Format.H >= leastSide
}

// Step examines picture w.T.
func (s *state) Step(w *detect.Window) error {
	if !s.examinable() {
		return nil
	}
	if w.T == s.next {
		s.take(w)
		s.next += max(1, s.every+uneven[s.taken%len(uneven)])
		s.taken++
	}
	if s.fresh == spanLooks || w.Last() && s.fresh > 0 {
		s.examine(w)
		s.fresh = 0
	}
	return nil
}

// take looks at a picture.
func (s *state) take(w *detect.Window) {
	var k *look
	if len(s.looks) == 2*spanLooks {
		k = s.looks[0]
		s.looks = append(s.looks[:0], s.looks[1:]...)
	} else {
		k = &look{luma: make([]float64, s.cols*s.rows)}
		k.axes[0], k.axes[1] = make([]cells.Profile, s.rows), make([]cells.Profile, s.cols)
	}
	p := w.Picture(w.T)
	k.picture, k.mark, k.marked, k.near = w.T, nil, false, false
	k.pan = 0
	if m := s.motion.At(w.T); m != nil && m.Pan.Found && !m.Pan.Carried {
		k.pan = math.Hypot(float64(m.Pan.DX), float64(m.Pan.DY))
	}
	s.kernel.Columns(k.axes[0], &p.Y)
	s.kernel.Rows(k.axes[1], &p.Y)
	m := s.cells.At(w.T)
	const n = tile / cells.Size
	for i := range k.luma {
		x, y := i%s.cols*n, i/s.cols*n
		var sum, pixels uint32
		for v := y; v < min(y+n, m.Rows); v++ {
			for u := x; u < min(x+n, m.Cols); u++ {
				c := m.At(u, v)
				sum += c.Sum
				pixels += c.Pixels
			}
		}
		k.luma[i] = float64(sum) / float64(max(pixels, 1))
	}
	s.looks = append(s.looks, k)
	s.fresh++
	s.coverage.count(s, k, w.Time())
}

// examine searches the newest looks for a grid and marks those that show one.
func (s *state) examine(w *detect.Window) {
	span := s.looks[max(0, len(s.looks)-spanLooks):]
	g, ok := s.find(span)
	// The looks before have been held against a grid that was known then.
	from := 0
	if slices.ContainsFunc(s.known, g.same) {
		from = len(s.looks) - len(span)
	}
	s.known = s.known[:0]
	if !ok {
		return
	}
	s.known = append(s.known, g)
	for i, k := range s.looks {
		if i < from || k.mark != nil {
			continue
		}
		var before *look
		if i > 0 {
			before = s.looks[i-1]
		}
		k.mark = s.markOf(k, before, g)
	}
	s.drop()
	begins := slices.ContainsFunc(s.looks, func(k *look) bool { return k.mark != nil && k.mark.Confidence >= decision })
	// What one look alone shows is too short to be seen as blocks.
	for i, k := range s.looks {
		if k.mark == nil || k.marked || len(s.looks) > 1 &&
			(i == 0 || s.looks[i-1].mark == nil) && (i+1 == len(s.looks) || s.looks[i+1].mark == nil) {
			continue
		}
		// What only extends waits for what it does.
		if !begins && (i == 0 || !s.looks[i-1].marked) {
			continue
		}
		mark := *k.mark
		if mark.Confidence >= decision && len(s.looks) > 1 && !s.supported(i) {
			if i+1 == len(s.looks) && !w.Last() {
				continue // the next look is not known yet
			}
			mark.Confidence = extends
		}
		w.Mark(mark)
		k.marked = true
	}
}

// faintest is the share of the strongest mark nearby that a mark has at least which only
// extends. What has half of it or less where blocks begin or end is another coder's, or
// of the same one while it was good enough: any coder leaves its own grid, just seen.
const faintest = 0.5

// drop takes the marks, of those that were not left, that would only extend and are too
// faint beside the others.
func (s *state) drop() {
	strongest := 0.0
	for _, k := range s.looks {
		if k.mark != nil {
			strongest = max(strongest, k.mark.Strength)
		}
	}
	for i, k := range s.looks {
		if k.mark != nil && !k.marked && k.mark.Strength < faintest*strongest &&
			(k.mark.Confidence < decision || !s.supported(i)) {
			k.mark, k.near = nil, false
		}
	}
}

// supported reports whether the look before or after look i shows much the same:
// lights of a scene lie on the grid in one look and not in the next.
func (s *state) supported(i int) bool {
	near := func(i int) bool { return i >= 0 && i < len(s.looks) && s.looks[i].mark != nil && s.looks[i].near }
	return near(i-1) || near(i+1)
}

// find returns the grid of which a span of looks shows most.
func (s *state) find(span []*look) (grid, bool) {
	s.search.load(span)
	w, h := s.setup.Format.W, s.setup.Format.H
	g, found := s.most(span, s.search.grids(s.cols, s.rows), s.known)
	if found {
		known := slices.ContainsFunc(s.known, g.same)
		for range refinements {
			s.judge.weigh(&s.search, span, g, known)
			g = s.search.refine(g, s.judge.shows, s.cols, s.judge.alone)
		}
		if s.holds(span, g, known) {
			return g, true
		}
		// What moves may be, by turns, where parts of it would rest.
		if s.moves {
			return g, false
		}
	}
	if s.setup.Viewer.Camera {
		return g, false
	}
	grids := s.search.coded(w, h)
	if found {
		grids = append(grids, s.search.near(g)...)
	}
	if g, found = s.most(span, grids, nil); !found {
		return g, false
	}
	return g, s.holds(span, g, slices.ContainsFunc(s.known, g.same))
}

// most returns which of some grids, and of those known before, a span of looks shows
// most of, if any.
func (s *state) most(span []*look, grids, known []grid) (best grid, found bool) {
	most := 0.0
	for i, g := range slices.Concat(grids, known) {
		if total := s.judge.weigh(&s.search, span, g, i >= len(grids)); total > most {
			best, most = g, total
		}
	}
	return best, most > 0
}

// holds reports whether what a span of looks shows of a grid is blocks.
func (s *state) holds(span []*look, g grid, known bool) bool {
	s.moves = false
	s.judge.weigh(&s.search, span, g, known)
	s.within = s.within[:0]
	if s.judge.alone == neither {
		s.within = append(s.within, s.judge.shows...)
	}
	if r := g[0].pitch / g[1].pitch; r < 1/mostAspect || r > mostAspect {
		return false
	}
	if s.setup.Viewer.Camera {
		if !g.ofSet(s.setup.Format.W, s.setup.Format.H) {
			return false
		}
	} else if !s.mayBeCoded(g) || !s.ofCoder(span, g, known) {
		return false
	}
	n := 0
	count := func(looks []*look) {
		for _, k := range looks {
			if s.judge.tellLook(k, g, known, s.within) > 0 {
				n++
			}
		}
	}
	count(span)
	if n > 0 && n < leastLooks && !known {
		count(s.looks[:len(s.looks)-len(span)]) // where a short burst began
	}
	return known && n > 0 || n >= min(leastLooks, len(span))
}

// mayBeCoded reports whether the grid that the tiles show can be a coder's. One of an
// aspect that no raster gives has to fill half of the picture, as a coder's does in
// places that are smooth: a crowd or a front of windows lies where it is. Nor is one a
// coder's that has the blocks of the take's own coder along one axis and lines of the
// scene along the other.
func (s *state) mayBeCoded(g grid) bool {
	w, h := s.setup.Format.W, s.setup.Format.H
	if g.ofRaster(w, h) {
		return true
	}
	if g[0].own(w) || g[1].own(h) {
		return false
	}
	return s.fills()
}

// fills reports whether half of the picture shows the grid.
func (s *state) fills() bool {
	n := 0
	for _, ok := range s.judge.shows {
		if ok {
			n++
		}
	}
	return 2*n >= len(s.judge.shows)
}

// ofCoder reports whether a grid, in the tiles that show it, rests where it is and either
// lies as that of a coder does, has its pitch and fills the picture, rests while the scene
// moves along, boils, or comes or goes at once: what things of the scene repeat after moves
// with them, or is as still as they are.
func (s *state) ofCoder(span []*look, g grid, known bool) bool {
	j := &s.judge
	if s.moves = j.drifts(span, g); s.moves {
		return false
	}
	if known && s.coded {
		return true
	}
	box := j.box()
	s.coded = g[0].lies(0, float64(s.setup.Format.W), float64(box.Min.X), float64(box.Max.X)) &&
		g[1].lies(1, float64(s.setup.Format.H), float64(box.Min.Y), float64(box.Max.Y))
	s.coded = s.coded || s.fills() && (g.cropped(s.setup.Format.W, s.setup.Format.H) || s.pans(span)) || j.boils(span, g)
	// Where it begins in the span before it is told in this one at times.
	s.coded = s.coded || j.comes(s.looks, g)
	return s.coded
}

// pans reports whether most of several looks are of a scene that moves along as a whole, by
// more from one to the next than a grid that rests may seem to: it would take its lattices along.
func (s *state) pans(looks []*look) bool {
	const least = 2 // pixels, by which a sharp edge has moved for sure
	n := 0
	for _, k := range looks {
		if k.pan*float64(s.every) >= least {
			n++
		}
	}
	return n >= leastLooks
}

// markOf is the mark of a look, if it shows a grid that can be seen; before is the
// look before it, if there is one.
func (s *state) markOf(k, before *look, g grid) *detect.Mark {
	j := &s.judge
	n := j.tellLook(k, g, true, s.within)
	if n == 0 {
		return nil
	}
	strength, codes := j.strength(k, g)
	if strength < leastExtends {
		return nil
	}
	top, seen, plain := j.top(k, g)
	inDark := 0
	for i, ok := range j.shows {
		if !ok {
			continue
		}
		if v := s.setup.Viewer; v.CodeLight(k.luma[i]) < dark*v.PeakNits {
			inDark++
		}
	}
	measures := map[string]float64{
		"step_codes": codes, "top_step_codes": top, "top_step_jnd": seen,
		"pitch_x_px": g[0].pitch, "pitch_y_px": g[1].pitch,
		"phase_x_px": math.Mod(g[0].phase, g[0].pitch), "phase_y_px": math.Mod(g[1].phase, g[1].pitch),
		"dark_share": float64(inDark) / float64(n),
		"area_share": float64(n) / float64(j.cols*j.rows),
	}
	if before != nil {
		measures["flicker_share"] = j.boiling(k, before, g)
	}
	var confidence float64
	confidence, k.near = j.confidence(strength, top, plain, seen, n)
	return &detect.Mark{
		Kind: detect.Macroblocking, Picture: k.picture,
		Region:     j.box().Intersect(image.Rect(0, 0, s.setup.Format.W, s.setup.Format.H)),
		Strength:   strength,
		Confidence: confidence,
		Measures:   measures,
	}
}

// decision is the confidence from which a mark makes an event, extends that of one
// that only extends it.
const decision, extends = 0.5, 0.45

// surely is how many tiles more than the least halve the doubt.
const surely = 20

// confidence of a mark: below the point of decision for one that only extends, as
// do steps that hardly anywhere are visible by themselves, or nowhere larger than
// the least that a take of 8 bits can show: with as much any coder leaves its grid in
// places without grain. In a take of more bits, whose coders round as coarsely, it is a
// little less than a code, and told. In plain tiles, where nothing of the scene lies
// on the grid by chance, they have to be as large nearly all along. near is set if
// nothing is wanting but more than the least step.
func (j *judge) confidence(strength, top, plain, seen float64, tiles int) (confidence float64, near bool) {
	const nearly = 0.9
	near = min(strength, seen) >= leastVisible && plain >= nearly*j.least
	if !near || top <= j.least {
		return extends, near
	}
	return 1 - (1-decision)*math.Exp2(-float64(tiles-leastTiles+1)/surely), near
}

// Coverage says what the take could have shown.
func (s *state) Coverage() detect.Coverage { return s.coverage.report(s) }
