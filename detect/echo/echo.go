// Package echo measures how much a moving thing resembles itself at each lag
// along its own path: a copy of the thing a picture's step ahead or behind
// shows as a peak at that lag.
//
// In: the reduced planes, backgrounds and vectors of packages cells and
// motion. Out, for each picture: a list of Looks, one for each small thing
// that moves, with those that share their tiles with others and fly past them,
// and up to twelve, spread over the picture, where much of it moves.
//
// The measured quantity is the autocorrelation of the gradient along the path
// of what stands out from the background (of the plane itself where the
// background moves too). Edges of one thing follow each other with opposite
// signs or not at all, so that a clean thing has no positive peak; a picture
// that mixes pictures one step apart with weights w(i) has the peaks
//
//	R(k) = sum w(i) w(i+k) / sum w(i)^2
//
// at k steps: 0.5 for two equal copies, 2/3 and 1/6 for (1/4, 1/2, 1/4).
package echo

import (
	"image"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

const (
	// vectorSpan is how many pictures before and after lend their vectors: a
	// burst of wrong pictures has none of its own that can be trusted.
	vectorSpan = 4
	// Vectors of one thing over that time agree to this share of their
	// length (a ball that falls changes its step by less) and two pixels.
	vectorsDiffer, vectorSlack = 0.25, 2.0
	// slowest step that can be told from the blur of an edge, in samples of
	// the reduced plane: an edge is two to three samples wide.
	slowest = 3.0
	// A thing that changes by less shows no copies: the strongest that a mixture
	// makes, half of it, would be one code of 8 bits. What a codec leaves behind
	// what moved is of that kind.
	leastContrast = 2 * cells.Unit8
	// A region of no more tiles than this is looked at as one thing.
	thingTiles = 10
	// A picture that moves as a whole is sampled in a grid of this many
	// places.
	placesX, placesY = 4, 3
	// The profile reaches this many steps, so that a third repetition can be
	// seen, which only a periodic texture has.
	reachSteps = 3.3
	longest    = 200 // samples
	// leastRatio and mostRatio bound the lag of a copy over the step: half a
	// step where both fields of a frame are blended, two and a half where
	// 24 pictures a second are blended to 60.
	leastRatio = 0.4
	mostRatio  = 2.7
	// Three shares show again at two steps, where the outline of a thing as long as
	// one step takes nothing from them, as it does from the first peak: one that is
	// this share as prominent at half the lag is the first, and the other its echo.
	firstShare = 0.7
	// A peak that stands out by less is a texture's, and its height of no
	// interest.
	leastRefined = 0.1
	// widest window: the kernel that sums the lags takes rows of 1024 samples.
	widest = 1000
	// A path is looked at in the plane itself where more than this share of
	// the surroundings changed and stands out: the background moves.
	backgroundMoves = 0.5
	// Where more of a panning picture than this stands out it is not for what
	// moves through it.
	thingsOfPan = 0.6
)

// Look is what one place in one picture shows.
type Look struct {
	Region image.Rectangle // raster pixels
	// DX, DY is the step of the thing from picture to picture, raster pixels,
	// and Speed its length.
	DX, DY, Speed float64
	// Profile[k] is R at a lag of k samples along the path, for k from 0;
	// Profile[0] is 1. SamplePx is raster pixels a sample along the path.
	Profile  []float32
	SamplePx float64
	// Main is the most prominent peak at a lag that a copy can have.
	Main Peak
	// Gain is how much higher the main peak is one sample beside the path
	// than on it, 1 or more.
	Gain float64
	// Second is R at twice the lag of the main peak, the highest within two
	// samples of the path, which may be curved.
	Second float64
	// Weight is the number of samples that carry the gradient
	// (its participation ratio): the profile strays by about one over its
	// root.
	Weight float64
	// Energy is the gradient's own energy, comparable between looks at one
	// thing.
	Energy float64
	// Whole is set where the background moves too, so that the look is a
	// sample of a picture that moves as a whole.
	Whole bool
}

// At returns the profile at a lag in samples, interpolated; 0 beyond its end.
func (l *Look) At(lag float64) float64 {
	i := int(lag)
	if lag < 0 || i+1 >= len(l.Profile) {
		return 0
	}
	f := lag - float64(i)
	return float64(l.Profile[i])*(1-f) + float64(l.Profile[i+1])*f
}

// Peak is a maximum of a profile.
type Peak struct {
	Lag        float64 // samples
	R          float64
	Prominence float64 // above the higher of the two valleys beside it
}

// peak returns the most prominent maximum of a profile between two lags in
// samples, or the one at half its lag that is nearly so; the zero value when there is
// none.
func peak(p []float32, from, to float64) Peak {
	best := highest(p, from, to)
	half := best.Lag / 2
	if half < from {
		return best
	}
	// Steps that change, and outlines, move the two by a sample and a tenth.
	slack := 1 + half/10
	if first := highest(p, half-slack, half+slack); first.R > 0 && first.Prominence >= firstShare*best.Prominence {
		return first
	}
	return best
}

// highest returns the most prominent maximum of a profile between two lags.
func highest(p []float32, from, to float64) Peak {
	var best Peak
	for k := max(2, int(math.Ceil(from))); k <= int(to) && k+1 < len(p); k++ {
		if p[k] < p[k-1] || p[k] < p[k+1] {
			continue
		}
		left, right := p[k], p[k]
		for i := k / 3; i < k; i++ {
			left = min(left, p[i])
		}
		for i := k + 1; i <= k+max(3, k*6/10) && i < len(p); i++ {
			right = min(right, p[i])
		}
		prominence := float64(p[k] - max(left, right))
		if prominence <= best.Prominence {
			continue
		}
		lag := float64(k)
		if bend := p[k-1] - 2*p[k] + p[k+1]; bend < 0 {
			lag += float64((p[k-1] - p[k+1]) / (2 * bend))
		}
		best = Peak{Lag: lag, R: float64(p[k]), Prominence: prominence}
	}
	return best
}

// Steps returns the speed in samples of the profile.
func (l *Look) Steps() float64 { return l.Speed / l.SamplePx }

// Stage measures echoes.
var Stage = &detect.Stage{
	Name:  "echo",
	Title: "how moving things resemble themselves along their path",
	Doc: "Autocorrelation of the gradient along the path of each moving thing, at lags up to three of its " +
		"steps. Leaves no marks.",
	Needs: []detect.Need{
		{Stage: cells.Stage},
		{Stage: motion.Stage, Back: vectorSpan, Ahead: vectorSpan},
	},
	New: func(s *detect.Setup) (detect.State, error) {
		return &Store{cells: cells.In(s), motion: motion.In(s), looks: make([][]Look, s.History), newest: -1}, nil
	},
}

// Store keeps the newest looks.
type Store struct {
	cells  *cells.Store
	motion *motion.Store
	search cells.Search
	looks  [][]Look
	newest int

	group    []int
	stack    []int
	courses  []course
	asked    []bool // of the tiles of this picture
	answers  []course
	spots    spots
	gradient Gradient
	dx, dy   []int32
	sums     []float32
	vx, vy   []float64
	sorted   []float64
}

// In returns the store for a stage that needs Stage.
func In(s *detect.Setup) *Store { return s.Needed(Stage).(*Store) }

// At returns the looks at picture i; none where nothing moved.
func (s *Store) At(i int) []Look {
	if i < 0 || i > s.newest || i <= s.newest-len(s.looks) {
		return nil
	}
	return s.looks[i%len(s.looks)]
}

// Step looks at picture w.T.
func (s *Store) Step(w *detect.Window) error {
	at := w.T % len(s.looks)
	out := s.looks[at][:0]
	s.newest = w.T
	s.noteSpots(w.T + vectorSpan)
	m := s.motion.At(w.T)
	if m.HasBackground && !m.Cut {
		out = s.survey(out, w.T, s.cells.At(w.T), m)
		out = s.flights(out, w.T, s.cells.At(w.T), m)
	}
	s.looks[at] = out
	return nil
}

// survey finds what moves and looks at it.
func (s *Store) survey(out []Look, t int, cm *cells.Map, m *motion.Map) []Look {
	if s.group == nil {
		n := len(m.Tiles)
		s.group, s.asked, s.answers = make([]int, n), make([]bool, n), make([]course, n)
	}
	clear(s.group)
	clear(s.asked)
	var wide []int
	for i := range m.Tiles {
		if s.group[i] != 0 || !m.Tiles[i].Thing || m.Tiles[i].Still < leastContrast {
			continue
		}
		tiles := s.flood(t, m, i)
		if len(tiles) > thingTiles {
			wide = append(wide, tiles...)
			continue
		}
		box := bounds(m, tiles)
		if l, ok := s.look(t, cm, m, box, box.Inset(-2), thing, s.expected(t, m, i)); ok {
			out = append(out, l)
		}
	}
	for i := range m.Tiles {
		if pans(m, i) {
			wide = append(wide, i)
		}
	}
	if len(wide) == 0 {
		return out
	}
	// One tile in each place of the grid, the one with the most to see.
	var best [placesX * placesY]int
	for i := range best {
		best[i] = -1
	}
	for _, i := range wide {
		p := i/m.Cols*placesY/m.Rows*placesX + i%m.Cols*placesX/m.Cols
		if best[p] < 0 || m.Tiles[i].Still > m.Tiles[best[p]].Still {
			best[p] = i
		}
	}
	for _, i := range best {
		if i < 0 {
			continue
		}
		x, y := i%m.Cols, i/m.Cols
		box := image.Rect(x, y, x+1, y+1)
		of := sample
		if pans(m, i) {
			of = panSample
		}
		if l, ok := s.look(t, cm, m, box, box.Inset(-1), of, course{}); ok {
			out = append(out, l)
		}
	}
	return out
}

// pans reports whether tile i does what the picture does as a whole.
func pans(m *motion.Map, i int) bool { return m.Pan.Found && m.Tiles[i].Moving && !m.Tiles[i].Thing }

// withPan reports whether a course is that of the picture as a whole where most
// of it stands out: that is no thing, the picture is wrong all over, or its
// background is.
func withPan(m *motion.Map, c course) bool {
	if !m.Pan.Found || !c.agrees(course{true, float64(m.Pan.DX), float64(m.Pan.DY)}) {
		return false
	}
	if m.Pan.Carried {
		return true
	}
	things, changed := 0, 0
	for i := range m.Tiles {
		if m.Tiles[i].Changed > 0 {
			changed++
		}
		if m.Tiles[i].Thing {
			things++
		}
	}
	return float64(things) > thingsOfPan*float64(changed)
}

// surroundings is the share of what lies in and around a window that moves: of
// the cells that changed or of the samples that stand out, whichever is less.
// A large thing fills its own window but not what surrounds it.
func (s *Store) surroundings(r *cells.Reduced, m *motion.Map, win, box image.Rectangle) float64 {
	var cellsChanged float64
	tiles := box.Inset(-1).Intersect(image.Rect(0, 0, m.Cols, m.Rows))
	for y := tiles.Min.Y; y < tiles.Max.Y; y++ {
		for x := tiles.Min.X; x < tiles.Max.X; x++ {
			cellsChanged += float64(m.At(x, y).Changed)
		}
	}
	moved := cellsChanged / float64(tiles.Dx()*tiles.Dy())
	if moved <= backgroundMoves {
		return moved
	}
	wide := win.Inset(-cells.Size * motion.TileCells / r.StepX / 2).Intersect(image.Rect(0, 0, r.W, r.H))
	out := s.search.Set(m.StandsOut, r.W, wide)
	return min(moved, float64(out)/float64(wide.Dx()*wide.Dy()))
}

// course is a displacement from picture to picture, raster pixels.
type course struct {
	known bool
	x, y  float64
}

// agrees reports whether two courses may be of one thing.
func (c course) agrees(o course) bool { return c.near(o, c.slack()) }

// slack is how far a course may lie from another of the same thing.
func (c course) slack() float64 { return vectorsDiffer*math.Sqrt(c.x*c.x+c.y*c.y) + vectorSlack }

func (c course) near(o course, slack float64) bool {
	x, y := c.x-o.x, c.y-o.y
	return x*x+y*y < slack*slack
}

// expected returns the course of the thing in a tile: of those that things at
// the tile or beside it have in the pictures around, the one that most others
// agree with, and of those the nearest in time. A wrong picture has none
// itself, or a wrong one.
func (s *Store) expected(t int, m *motion.Map, i int) course {
	if s.asked[i] {
		return s.answers[i]
	}
	s.asked[i] = true
	s.answers[i] = s.ask(t, m, i)
	return s.answers[i]
}

func (s *Store) ask(t int, m *motion.Map, i int) course {
	x, y := i%m.Cols, i/m.Cols
	s.courses = s.courses[:0]
	for k := range 2*vectorSpan + 1 {
		at := t + (k+1)/2 // t, t+1, t-1, t+2 ...
		if k%2 == 0 {
			at = t - k/2
		}
		o := s.motion.At(at)
		if o == nil {
			continue
		}
		best := &o.Tiles[i] // its own, else the first of those beside it
		if !best.Thing || !best.Moving {
			best = nil
		}
		for v := max(0, y-1); v <= min(m.Rows-1, y+1) && best == nil; v++ {
			for u := max(0, x-1); u <= min(m.Cols-1, x+1); u++ {
				if tile := o.At(u, v); tile.Thing && tile.Moving {
					best = tile
					break
				}
			}
		}
		if best != nil {
			s.courses = append(s.courses, course{true, float64(best.DX), float64(best.DY)})
		}
	}
	var most int
	var out course
	for _, c := range s.courses {
		n, slack := 0, c.slack()
		for _, o := range s.courses {
			if c.near(o, slack) {
				n++
			}
		}
		if n > most {
			most, out = n, c
		}
	}
	return out
}

// flood gathers the tiles around one that hold the same thing, by their
// courses. Tiles without one are taken in and lead no further.
func (s *Store) flood(t int, m *motion.Map, first int) []int {
	s.stack = append(s.stack[:0], first)
	s.group[first] = 1
	own := s.expected(t, m, first)
	tiles := []int{first}
	for len(s.stack) > 0 {
		i := s.stack[len(s.stack)-1]
		s.stack = s.stack[:len(s.stack)-1]
		x, y := i%m.Cols, i/m.Cols
		for v := max(0, y-1); v <= min(m.Rows-1, y+1); v++ {
			for u := max(0, x-1); u <= min(m.Cols-1, x+1); u++ {
				j := v*m.Cols + u
				if s.group[j] != 0 || !m.Tiles[j].Thing {
					continue
				}
				c := s.expected(t, m, j)
				if own.known && c.known && !own.agrees(c) {
					continue
				}
				s.group[j] = 1
				tiles = append(tiles, j)
				if c.known || !own.known {
					s.stack = append(s.stack, j)
				}
				if !own.known && c.known {
					own = c
				}
			}
		}
	}
	return tiles
}

func bounds(m *motion.Map, tiles []int) image.Rectangle {
	var r image.Rectangle
	for _, i := range tiles {
		x, y := i%m.Cols, i/m.Cols
		r = r.Union(image.Rect(x, y, x+1, y+1))
	}
	return r
}

// subject is what a look is at.
type subject int

const (
	thing     subject = iota // a small thing
	sample                   // a place where much moves
	panSample                // a place that pans with the picture
)

// lends reports whether tile i has a vector of a subject: the pan behind a
// thing is not the thing's, nor the other way round.
func (of subject) lends(m *motion.Map, i int) bool {
	switch {
	case !m.Tiles[i].Moving:
		return false
	case of == thing && m.Pan.Found, of == panSample:
		return m.Tiles[i].Thing == (of == thing)
	}
	return true
}

// vector is the median of the displacements of the tiles near a place in the
// pictures around t, of those that agree with a known course.
func (s *Store) vector(t int, tiles image.Rectangle, of subject, own course) (x, y float64, ok bool) {
	s.vx, s.vy = s.vx[:0], s.vy[:0]
	slack := own.slack()
	for i := t - vectorSpan; i <= t+vectorSpan; i++ {
		m := s.motion.At(i)
		if m == nil {
			continue
		}
		r := tiles.Intersect(image.Rect(0, 0, m.Cols, m.Rows))
		for v := r.Min.Y; v < r.Max.Y; v++ {
			for u := r.Min.X; u < r.Max.X; u++ {
				tile := m.At(u, v)
				if !of.lends(m, v*m.Cols+u) {
					continue
				}
				if !own.known || own.near(course{true, float64(tile.DX), float64(tile.DY)}, slack) {
					s.vx, s.vy = append(s.vx, float64(tile.DX)), append(s.vy, float64(tile.DY))
				}
			}
		}
	}
	// Two vectors that agree are the least that is not chance.
	if len(s.vx) < 2 {
		return 0, 0, false
	}
	s.sorted = append(s.sorted[:0], s.vx...)
	slices.Sort(s.sorted)
	x = s.sorted[len(s.sorted)/2]
	s.sorted = append(s.sorted[:0], s.vy...)
	slices.Sort(s.sorted)
	y = s.sorted[len(s.sorted)/2]
	agree := 0
	median := course{true, x, y}
	slack = median.slack()
	for i := range s.vx {
		if median.near(course{true, s.vx[i], s.vy[i]}, slack) {
			agree++
		}
	}
	return x, y, agree >= 2 && 2*agree >= len(s.vx)
}

// look measures one place, box in tiles; near is where its vectors are taken
// from.
func (s *Store) look(t int, cm *cells.Map, m *motion.Map, box, near image.Rectangle, of subject, own course) (Look, bool) {
	r := &cm.Reduced
	vx, vy, ok := s.vector(t, near, of, own)
	if !ok {
		return Look{}, false
	}
	tw, th := motion.TileSize(r)
	win := window(r, image.Rect(box.Min.X*tw, box.Min.Y*th, box.Max.X*tw, box.Max.Y*th), vx, vy)
	plain := of == panSample || withPan(m, course{true, vx, vy}) || s.surroundings(r, m, win, box) > backgroundMoves
	return s.measure(r, m, win, vx, vy, plain)
}

// window is the part of a plane, in reduced samples, that a thing and its copies
// may be in.
func window(r *cells.Reduced, box image.Rectangle, vx, vy float64) image.Rectangle {
	padX, padY := int(1.5*math.Abs(vx)/float64(r.StepX))+4, int(1.5*math.Abs(vy)/float64(r.StepY))+4
	win := image.Rect(box.Min.X-padX, box.Min.Y-padY, box.Max.X+padX, box.Max.Y+padY).Intersect(image.Rect(0, 0, r.W, r.H))
	if win.Dx() > widest {
		win.Max.X = win.Min.X + widest
	}
	return win
}

// measure takes the profile of a window along a displacement.
func (s *Store) measure(r *cells.Reduced, m *motion.Map, win image.Rectangle, vx, vy float64, plain bool) (Look, bool) {
	sx, sy := vx/float64(r.StepX), vy/float64(r.StepY)
	speed := math.Hypot(sx, sy)
	if speed < slowest || speed > longest/2 {
		return Look{}, false
	}
	ux, uy := sx/speed, sy/speed
	l := Look{DX: vx, DY: vy, Speed: math.Hypot(vx, vy), Gain: 1}
	l.SamplePx = l.Speed / speed
	l.Region = image.Rect(win.Min.X*r.StepX, win.Min.Y*r.StepY, win.Max.X*r.StepX, win.Max.Y*r.StepY)
	g := &s.gradient
	g.Measure(r, m, win, plain, ux, uy)
	energy := g.Energy
	if energy == 0 {
		return Look{}, false
	}
	l.Weight = g.Weight
	n := min(int(reachSteps*speed)+4, longest)
	s.dx, s.dy, s.sums = s.dx[:0], s.dy[:0], s.sums[:0]
	for k := range n {
		s.dx = append(s.dx, int32(math.Round(float64(k)*ux)))
		s.dy = append(s.dy, int32(math.Round(float64(k)*uy)))
		s.sums = append(s.sums, 0)
	}
	s.search.Lags(s.sums, g.Pix, win.Dx(), win.Dy(), s.dx, s.dy)
	l.Profile = make([]float32, n)
	for k, v := range s.sums {
		share := float32(1)
		if plain {
			// The plane goes on beyond the window; what is seen of each lag
			// is the part where both ends lie inside.
			share = float32(win.Dx()-abs(s.dx[k])) * float32(win.Dy()-abs(s.dy[k])) / float32(win.Dx()*win.Dy())
		}
		if share > 0 {
			l.Profile[k] = v / float32(energy) / share
		}
	}
	l.Profile[0] = 1
	l.Energy, l.Whole = energy, plain
	l.Main = peak(l.Profile, leastRatio*l.Steps(), mostRatio*l.Steps())
	s.refine(&l, win)
	return l, true
}

// refine looks for the true height of the main peak beside the path: a vector
// is never quite right, and fine texture forgives less than a sample.
func (s *Store) refine(l *Look, win image.Rectangle) {
	if l.Main.Prominence < leastRefined {
		return
	}
	k := int(l.Main.Lag + 0.5)
	x, y := s.dx[k], s.dy[k]
	best, second := s.greatest(win, x, y, 1), s.greatest(win, 2*x, 2*y, 2)
	if s.sums[k] > 0 {
		l.Gain = max(1, float64(best/s.sums[k]))
	}
	l.Second = float64(second) / l.Energy
}

// greatest returns the greatest sum within reach of a lag.
func (s *Store) greatest(win image.Rectangle, x, y, reach int32) float32 {
	var dx, dy [25]int32
	var sums [25]float32
	n := 0
	for v := -reach; v <= reach; v++ {
		for u := -reach; u <= reach; u++ {
			dx[n], dy[n] = x+u, y+v
			n++
		}
	}
	s.search.Lags(sums[:n], s.gradient.Pix, win.Dx(), win.Dy(), dx[:n], dy[:n])
	return slices.Max(sums[:n])
}

func abs(v int32) int {
	if v < 0 {
		return int(-v)
	}
	return int(v)
}
