// Package contour looks for contours in soft gradients: places where a slope
// was broken into plateaus.
//
// In: the reduced luma plane of package cells and the chroma planes, about five
// times a second. Out: for each picture that was looked at, a Field: gradients
// with their contours, each with the levels on either side. What is a fault, the
// detectors that need the stage decide.
//
// Lines are taken through a plane, along the rows and along the columns, each
// the mean of a few samples across. On a line an edge is a sharp change from one
// plateau to another. Edges between the same two levels that continue each other
// from line to line are a contour; contours with a plateau between them whose
// levels go on in the same direction are a gradient. A shape's border has no
// next plateau; texture, dither and grain have none at all; and what is lit has
// no two levels that stay the same along an edge.
package contour

import (
	"image"
	"math"
	"slices"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/vision"
)

// Every is the time between two pictures that are looked at. What begins between them is
// taken to begin halfway, and so told to half of it, as much as its start is stated to.
// A camera's noise takes the mean of what it saw over filmEvery.
const Every, filmEvery = 200 * time.Millisecond, 100 * time.Millisecond

// Stage measures.
var Stage = &detect.Stage{
	Name:  "contour",
	Title: "contours in soft gradients",
	Doc: "Contours between plateaus, in luma and chroma five times a second, and in the luma of films ten times: levels on either side, length, " +
		"width of the plateaus, and which belong to one gradient. Leaves no marks.",
	Needs: []detect.Need{{Stage: cells.Stage}},
	Reads: true,
	Options: []detect.Option{{
		Name: leastStep, Default: 1.6, Min: 0.9, Max: 8, Unit: "levels",
		Reason: "steps of one level are all that the take's depth can show, and nothing that a processor lost; two are " +
			"every other level lost, and 1.6 lies between by ratio and a codec's rounding; 0.9 finds the contours of single " +
			"codes as well",
	}},
	New: func(s *detect.Setup) (detect.State, error) { return newStore(s), nil },
}

// leastStep is the option that says how many levels a step is at least.
const leastStep = "least-step"

// Channel is a plane of a picture.
type Channel uint8

// The channels.
const (
	Luma Channel = iota
	Blue         // Cb
	Red          // Cr
)

// Contour is the border between two plateaus.
type Contour struct {
	// Low and High are the levels on either side, code values of the take.
	Low, High float64
	Region    image.Rectangle // raster pixels
	// Length is in raster pixels. It is 0 for a contour that runs more along
	// the lines than across: those of the other direction measure it.
	Length float64
	// Wide is the mean width of the narrower plateau beside it, raster pixels.
	Wide float64
	// Straight is set when it does not bend, Upright when it is straight along
	// the rows or columns.
	Straight, Upright bool
	// Angle is that of a straight one, radians from the columns of the raster on.
	Angle float64
	// Speed is how fast it moves across itself, pixels a second; 0 where the
	// picture looked at before has none between these levels nearby.
	Speed float64
	// Rank is, in what a camera saw, how many contours of the gradient lie below
	// this one: there levels change from place to place.
	Rank int
	// Gridded is the share of it that lies on the grid of a codec's blocks.
	Gridded float64
	// Other are the levels of the other channels at its middle, code values.
	Other [3]float64
	// LumaStep is how much luma differs across it, code values: of a contour
	// in chroma.
	LumaStep float64
	// Fell is set when the picture looked at before had a slope there instead, and no
	// contour between these levels.
	Fell bool
	// Painted is set when it parts two colours: of a contour in luma that was seen
	// sharply.
	Painted bool
}

// Step is the difference of the levels.
func (c *Contour) Step() float64 { return c.High - c.Low }

// Gradient is contours in a row: from plateau to plateau the levels go on in
// one direction.
type Gradient struct {
	Channel  Channel
	Contours []Contour
	Region   image.Rectangle // raster pixels
}

// Field is what one picture shows.
type Field struct {
	Picture int
	// First is the first picture that the look is the mean of, in a film; else the one
	// halfway from the look before, where what is seen for the first time begins.
	First     int
	Time      time.Duration
	Gradients []Gradient
	// Soft is the share of the picture, in luma, that slopes gently, in the dark
	// range and above: where contours would show.
	Soft [2]float64
	// Slow is the share of it that slopes so gently that single codes of 8 bits would
	// have plateaus wide enough to be told.
	Slow [2]float64
	// Noise is the standard deviation of a line's sample, code values.
	Noise float64
	// Ripple is by how much light that a camera saw was uneven from row to row, as
	// a share of it.
	Ripple float64
}

// NearBlack is the share of peak luminance up to which a level is dark, as the
// field speaks of near black (common practice, no source).
const NearBlack = 0.05

// Store keeps the newest field.
type Store struct {
	format  picture.Format
	viewer  *vision.Viewer
	cells   *cells.Store
	scale   float64 // code values of the take to one of 8 bits
	lost    float64 // levels to a step, at least
	least   [3][levels]float32
	softly  [levels]float32 // least step of a contour that is not sharp
	dark    float64         // code of the take up to which a level is near black
	every   time.Duration
	due     time.Duration
	field   Field
	known   bool
	newest  int              // picture looked at
	looks   int              // pictures looked at
	seen    [3]time.Duration // when each channel was looked at last
	tracers [3][2]*tracer
	soft    [3][len(softColumns)]soft
	average *average
	chroma  *[2]plate // of the picture in hand, if it has any that are looked at
	// coloured is set when pictures of a film have had chroma.
	coloured bool
}

// In returns the store for a stage that needs Stage.
func In(s *detect.Setup) *Store { return s.Needed(Stage).(*Store) }

func newStore(s *detect.Setup) *Store {
	st := &Store{format: s.Format, viewer: s.Viewer, cells: cells.In(s), scale: math.Ldexp(1, s.Format.Depth-8), lost: s.Option(leastStep), dark: darkCode(s.Viewer), every: Every}
	for i := range levels {
		step := leastVisible(s.Viewer, st.lost*within, float64(i)*st.scale) / st.scale
		st.least[Luma][i] = float32(one * step)
		st.softly[i] = st.least[Luma][i]
		if float64(i)*st.scale > st.dark {
			st.softly[i] *= softTimes
		}
		st.least[Blue][i] = float32(one * st.lost * within * colourTimes)
	}
	st.least[Red] = st.least[Blue]
	if s.Viewer.Camera {
		// The light of the first pictures is not even yet.
		st.average, st.every, st.due = &average{}, filmEvery, 2*filmEvery
	}
	return st
}

// darkCode is the code of the take up to which a level is near black.
func darkCode(v *vision.Viewer) float64 { return v.Code(v.LevelFor(NearBlack * v.PeakNits)) }

const (
	// within is the share of the least step that an edge has: edges of one
	// contour stray.
	within = 0.85
	// softTimes is how many times the step is, above the dark range, of a contour that is
	// not sharp: at a cycle a degree eyes see half of what they see at three to four
	// (Barten 1999 at 10 to 100 cd/m2).
	softTimes = 2
	// colourTimes is how many times the step is in chroma, in codes of 8 bits,
	// what it is in luma: codecs round chroma more coarsely, and leave steps of
	// two codes in gradients that had all of them.
	colourTimes = 1.6
	// A step is visible when it is one JND by the DICOM display function, the
	// milder of the two models, or, where that does not reach, six by Barten's:
	// what one JND of the first is by the second near its lower end (PS3.14 and
	// Barten 1999 at 0.05 to 1 cd/m2: 6 to 9).
	visibleGSDF, visibleBarten = 1, 6
)

// visible reports whether the models say that a step between two codes shows.
func visible(v *vision.Viewer, a, b float64) bool {
	s := v.Step(a, b)
	return s.GSDF >= visibleGSDF || s.GSDF == 0 && s.Barten >= visibleBarten
}

// leastVisible is the least step that is looked for at a level, code values: one
// that shows, and so many times that of a gradient that has lost none.
func leastVisible(v *vision.Viewer, times, level float64) float64 {
	step := times * unit(v, level)
	const finer = 1.05
	for most := v.Most() / 8; step < most && !visible(v, level, level+step); step *= finer {
	}
	return step
}

// unit is the step of a gradient that has all of its levels, code values of the
// take: one. What a camera saw has no codes of its own set: there it is one of 8
// bits, of a signal that the screen showed by BT.1886, as large as the camera
// shows it.
func unit(v *vision.Viewer, level float64) float64 {
	if !v.Camera {
		return 1
	}
	const codes = 219
	set := vision.NewDisplay(vision.Conditions{PeakNits: v.PeakNits, BlackNits: v.BlackNits, EOTF: vision.BT1886})
	shown := set.LevelFor(v.CodeLight(level))
	after := v.Code(v.LevelFor(set.Light(shown + 1.0/codes)))
	return max(after-v.Code(v.LevelFor(set.Light(shown))), math.Ldexp(1, v.Depth-8)/4)
}

// At returns what picture i shows, or nil where it was not looked at or is no
// longer kept. The caller may read it until its own Step ends.
func (s *Store) At(i int) *Field {
	if !s.known || s.field.Picture != i {
		return nil
	}
	return &s.field
}

// Step looks at picture w.T when it is time.
func (s *Store) Step(w *detect.Window) error {
	s.known = false
	p, now := w.Picture(w.T), w.Time()
	due := s.isDue(now, p)
	if s.average == nil && !due {
		return nil
	}
	r := s.cells.Even(w.T, p)
	if r.W < leastSide || r.H < leastSide {
		return nil
	}
	if s.average != nil {
		s.average.add(r)
	}
	if !due {
		return nil
	}
	s.due = now + s.every
	f := &s.field
	f.Picture, f.First, f.Time, f.Gradients = w.T, w.T-(w.T-max(s.newest, 0))/2, now, f.Gradients[:0]
	s.newest = w.T
	f.Ripple = p.Ripple
	pix := r.Pix
	if s.average != nil {
		f.First = w.T + 1 - int(s.average.n)
		pix = s.average.take()
	}
	s.known = true
	luma := plate{w: r.W, h: r.H, pix16: pix, stride: r.W, stepX: r.StepX, stepY: r.StepY, full: cells.Unit8}
	elapsed := s.since(Luma, now)
	chroma := [...]plate{s.chromaPlate(p, &p.Cb), s.chromaPlate(p, &p.Cr)}
	s.chroma = nil
	if s.average == nil && chroma[0].w >= leastSide && chroma[0].h >= leastSide {
		s.chroma = &chroma
	}
	s.look(f, Luma, &luma, nil, elapsed)
	s.survey(f, s.cells.At(w.T), r)
	if s.average == nil {
		if f.Soft[0]+f.Soft[1] >= leastSoft {
			s.lookSoftly(f, Luma, 0, &luma, nil, elapsed)
		}
		f.Gradients = join(f.Gradients, 0, func(a, b *Gradient) bool { return a.alike(b, leastTable*s.scale) })
	}
	s.looks++
	for i, c := range [...]Channel{Blue, Red} {
		plane := &chroma[i]
		// Of a film the planes take turns.
		if plane.w < leastSide || plane.h < leastSide || s.average != nil && s.looks%2 == i {
			continue
		}
		first, elapsed := len(f.Gradients), s.since(c, now)
		s.look(f, c, plane, &luma, elapsed)
		if s.average == nil {
			s.lookSoftly(f, c, first, plane, &luma, elapsed)
		}
	}
	for i := range f.Gradients {
		s.surround(&f.Gradients[i], p, &luma)
	}
	return nil
}

// chromaPlate is a plane of chroma.
func (s *Store) chromaPlate(p *picture.Picture, plane *picture.Plane) plate {
	return plate{w: plane.W, h: plane.H, pix8: plane.Pix, pix16: plane.Pix16, stride: plane.Stride,
		stepX: max(1, p.Y.W/max(1, plane.W)), stepY: max(1, p.Y.H/max(1, plane.H)), full: int32(s.scale)}
}

// isDue reports whether a picture is looked at. Of a film some have chroma, about
// as many as are looked at: then those are.
func (s *Store) isDue(now time.Duration, p *picture.Picture) bool {
	if s.average == nil {
		return now >= s.due
	}
	chroma := !p.Cb.Empty()
	s.coloured = s.coloured || chroma
	if s.coloured && now < s.due+s.every {
		return chroma && now >= s.due-s.every/2
	}
	return now >= s.due
}

// since returns how long ago a channel was looked at, and that it is now.
func (s *Store) since(c Channel, now time.Duration) time.Duration {
	before := s.seen[c]
	s.seen[c] = now
	return now - before
}

// leastSide is what a plane needs for a contour to cross enough lines of it.
const leastSide = 64

func (s *Store) look(f *Field, c Channel, p, luma *plate, elapsed time.Duration) {
	first := len(f.Gradients)
	s.trace(f, c, &s.tracers[c], p, luma, elapsed)
	f.Gradients = merge(f.Gradients, first, s.reach())
}

// reach is nextTo in raster pixels.
func (s *Store) reach() int { return int(nextTo * float64(s.format.W)) }

// trace adds the gradients that tracers of both directions see in a plane.
func (s *Store) trace(f *Field, c Channel, tracers *[2]*tracer, p, luma *plate, elapsed time.Duration) {
	for d := range 2 {
		t := tracers[d]
		if t == nil {
			t = newTracer(p, d == 1, &s.least[c])
			t.drifts = s.average != nil
			tracers[d] = t
		}
		t.load(p, f.Time, elapsed)
		t.trace(elapsed)
		if luma != nil {
			t.lumaSteps(luma)
		}
		if c == Luma && t.finer == nil && s.chroma != nil {
			t.chromaJumps(s.chroma)
		}
		for _, b := range t.bands() {
			g := f.grow(c)
			for _, k := range b {
				o := t.contour(k, p, s.scale)
				o.Painted = c == Luma && s.painted(&o, k.jump(s.scale))
				g.Region = g.Region.Union(o.Region)
				g.Contours = append(g.Contours, o)
			}
		}
	}
}

// painted reports whether a contour in luma, across which Cb and Cr jump by so many
// codes, parts two colours. A processor has lost levels of luma, and leaves chroma
// alone, or those of primaries, each of which then changes by a level or not at all;
// things have any colours.
func (s *Store) painted(c *Contour, jump [2]float64) bool {
	const (
		// leastJump is what a coder leaves of chroma, codes of 8 bits, and neutral the
		// share of the step in luma up to which the primaries change alike.
		leastJump, neutral = 2.0, 0.4
		// mostJump is how many times the step in luma chroma jumps where red changes
		// alone (2.4). Blue alone has no steps that show in luma.
		mostJump = 3.0
		// none and all are the shares of the largest change of a primary that the
		// others have where they have not changed, and where they have.
		none, all = 0.3, 0.7
	)
	most := math.Hypot(jump[0], jump[1])
	if most < leastJump*s.scale || most < neutral*c.Step() {
		return false
	}
	if most > mostJump*c.Step() {
		return true
	}
	grey := 128 * s.scale
	change := s.viewer.Primaries(c.High, grey+jump[0], grey+jump[1])
	for i, p := range s.viewer.Primaries(c.Low, grey, grey) {
		change[i] = math.Abs(change[i] - p)
	}
	largest := slices.Max(change[:])
	return slices.ContainsFunc(change[:], func(v float64) bool { return v > none*largest && v < all*largest })
}

// grow adds a gradient, in the memory of one of an earlier picture.
func (f *Field) grow(c Channel) *Gradient {
	n := len(f.Gradients)
	if n < cap(f.Gradients) {
		f.Gradients = f.Gradients[:n+1]
	} else {
		f.Gradients = append(f.Gradients, Gradient{})
	}
	g := &f.Gradients[n]
	*g = Gradient{Channel: c, Contours: g.Contours[:0]}
	return g
}

// merge joins the gradients from first on that the two directions see of one.
func merge(gs []Gradient, first, reach int) []Gradient {
	return join(gs, first, func(a, b *Gradient) bool { return a.same(b, reach) })
}

// join joins the gradients from first on that are one.
func join(gs []Gradient, first int, one func(a, b *Gradient) bool) []Gradient {
	for i := first; i < len(gs); i++ {
		for k := len(gs) - 1; k > i; k-- {
			if one(&gs[i], &gs[k]) {
				gs[i].Contours = append(gs[i].Contours, gs[k].Contours...)
				gs[i].Region = gs[i].Region.Union(gs[k].Region)
				// Exchanged, so that no two share memory.
				last := len(gs) - 1
				gs[k], gs[last] = gs[last], gs[k]
				gs = gs[:last]
				k = last
			}
		}
	}
	return gs
}

// same reports whether two gradients share a place and a contour's levels.
func (g *Gradient) same(o *Gradient, reach int) bool {
	if !g.Region.Inset(-reach).Overlaps(o.Region) {
		return false
	}
	for i := range g.Contours {
		for k := range o.Contours {
			a, b := &g.Contours[i], &o.Contours[k]
			tol := levelsAgree * min(a.Step(), b.Step())
			if math.Abs(a.Low-b.Low) < tol && math.Abs(a.High-b.High) < tol && a.Region.Inset(-reach).Overlaps(b.Region) {
				return true
			}
		}
	}
	return false
}

// alike reports whether two gradients have two contours or more of the very same
// levels, by least code values apart: then one table made both, wherever they are. Paint does so as well, but
// of so many tones in a row things are seldom drawn twice.
func (g *Gradient) alike(o *Gradient, least float64) bool {
	n := 0
	for i := range g.Contours {
		a := &g.Contours[i]
		if a.Step() < least {
			continue
		}
		for k := range o.Contours {
			b := &o.Contours[k]
			if tol := agreed * min(a.Step(), b.Step()); math.Abs(a.Low-b.Low) < tol && math.Abs(a.High-b.High) < tol {
				n++
				break
			}
		}
	}
	return n >= leastContours
}

// nextTo is how near, as a share of the width, two contours of the same levels
// lie that are of one gradient: a codec breaks them here and there.
const nextTo = 1.0 / 12

// surround notes what the other channels show at each contour of a gradient.
func (s *Store) surround(g *Gradient, p *picture.Picture, luma *plate) {
	for i := range g.Contours {
		c := &g.Contours[i]
		mid := c.Region.Min.Add(c.Region.Max).Div(2)
		for k, plane := range []*picture.Plane{&p.Y, &p.Cb, &p.Cr} {
			c.Other[k] = 128 * s.scale
			if !plane.Empty() {
				c.Other[k] = float64(plane.At(min(mid.X*plane.W/p.Y.W, plane.W-1), min(mid.Y*plane.H/p.Y.H, plane.H-1)))
			}
		}
	}
}

// survey notes how much of the picture slopes gently, and how noisy it is there.
func (s *Store) survey(f *Field, m *cells.Map, r *cells.Reduced) {
	const (
		calm = 2.5 // codes of 8 bits that a cell's pixels differ from the next, mean
		// From a cell to the next but one a slope rises by half a code at
		// least, else it is a plain area, and by no more than eight.
		leastRise, mostRise = 0.5, 8
		// widely is how many times as wide as the least a plateau of a code is then.
		widely = 4
		// The mean |a-2b+c| of noise of a standard deviation of one.
		second = 1.95
	)
	dark := s.dark / s.scale
	mean := func(x, y int) float64 { c := m.At(x, y); return float64(c.Sum) / float64(c.Pixels) / s.scale }
	var share, slow [2]int
	slowly := 2 * cells.Size / (widely * leastWide * float64(s.format.W))
	var curved, pixels float64
	for y := 1; y+1 < m.Rows; y++ {
		for x := 1; x+1 < m.Cols; x++ {
			c := m.At(x, y)
			n := float64(c.Pixels) * s.scale
			if float64(c.Horizontal) > calm*n || float64(c.Vertical) > 2*calm*n {
				continue
			}
			rise := max(math.Abs(mean(x+1, y)-mean(x-1, y)), math.Abs(mean(x, y+1)-mean(x, y-1)))
			if rise < leastRise || rise > mostRise {
				continue
			}
			above := 0
			if mean(x, y) > dark {
				above = 1
			}
			share[above]++
			if rise < slowly {
				slow[above]++
			}
			curved += float64(c.Second)
			pixels += float64(c.Pixels)
		}
	}
	all := float64(m.Cols * m.Rows)
	f.Soft = [2]float64{float64(share[0]) / all, float64(share[1]) / all}
	f.Slow = [2]float64{float64(slow[0]) / all, float64(slow[1]) / all}
	f.Noise = 0
	if pixels > 0 {
		f.Noise = curved / pixels / second / math.Sqrt(float64(r.StepX*r.StepY*s.tracers[Luma][0].thick))
	}
}
