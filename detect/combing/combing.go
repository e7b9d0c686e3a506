// Package combing finds lines of two fields from different instants woven
// into one picture.
//
// In: the cells of a picture (package cells), which show where lines
// alternate more than detail and noise explain, and the pixels there. Out:
// marks round what is combed, with the amplitude of the comb.
//
// A close look takes a window apart into its two fields and asks whether one
// displacement makes them alike. In a comb it does, the opposite displacement
// does not, and the displacement is along the motion there; detail too fine
// for one field (thin lines, stripes, lattices, text, aliasing) looks
// displaced either way or not at all. See look.go and evidence.go.
package combing

import (
	"image"
	"math"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
)

// Stage finds combing.
var Stage = &detect.Stage{
	Name:  "combing",
	Title: "fields of different instants woven into one picture",
	Doc: "Amplitude of the comb in % of full scale (90th percentile over combed pixels), where the two " +
		"fields of a picture agree with different instants: one displacement makes the fields alike, the " +
		"opposite one does not, and things move along it. Fine horizontal lines, stripes, lattices, " +
		"scrolling text, aliasing and static flicker look alike; for them no displacement helps, or both do.",
	Kind:  detect.Combing,
	Needs: []detect.Need{{Stage: cells.Stage}},
	Reads: true, Back: 1, Ahead: 1,
	New: func(s *detect.Setup) (detect.State, error) { return newState(s), nil },
}

const (
	// A window of a close look is four by three cells at 1080 lines: enough
	// for a displacement of half of it.
	windowW, windowH = 64, 48
	// looks a picture: for suspects, for those that were refuted lately,
	// and how many follow when looks succeed.
	baseLooks, againLooks, mostLooks = 5, 1, 6
	// the same for scaled combs, which cost more to look at
	baseScaled, mostScaled = 2, 4
	// After so many of these in vain, in every part of a picture where lines bend, a
	// picture is given one until one stands: the zone that shows most beyond what
	// was refuted comes first. Of the looks at woven combs that fail, one in so many is
	// then followed by one at a comb that is a little higher.
	vainScaled, overscanTurns = 30, 3
	// The lines' spectrum is taken in every listenEvery-th picture.
	listenEvery = 4
	// unknownOdds is the most that a look at a scaled comb is worth when no
	// other window has had its lines in the same place.
	unknownOdds = -0.2
	// weakOdds is where a look still extends an event.
	weakOdds = -0.5
	// A displacement is searched up to this share of the width, a thing that
	// crosses the picture in 0.8 s at 50 fields a second, and up to half of
	// it in height.
	reachShare = 1.0 / 40
	leastReach = 16
)

// verdict is a close look with what it was found to be worth.
type verdict struct {
	look
	odds      float64
	direction float64 // of the content along the displacement; 0 unknown
	joined    bool
}

type state struct {
	format   picture.Format
	cells    *cells.Store
	code     float32 // one 8-bit code in code values
	suspects *suspects
	looker   looker
	reach    image.Point
	window   image.Point
	tracker  *tracker
	overscan *tracker // of combs that are a little higher than woven ones
	verdicts []verdict
	grow     grower
	lately   []sighting
	// Looks in a row that found no scaled comb, and none that is a little higher.
	vain, vainOverscan int
	chances            float64 // what the samples of a comb have to outweigh
	coverage           coverage
}

func newState(s *detect.Setup) *state {
	f := s.Format
	st := &state{format: f, cells: cells.In(s), code: float32(int(1) << (f.Depth - 8))}
	u := max(1, (f.W+960)/1920)
	st.tracker, st.overscan = newTracker(f.H), newOverscan()
	st.window = image.Pt(min(windowW*u, f.W), min(windowH*u, f.H))
	st.reach.X = max(leastReach, int(float64(f.W)*reachShare))
	st.reach.Y = max(leastReach, st.reach.X/2)
	across, down := (f.W+cells.Size-1)/cells.Size, (f.H+cells.Size-1)/cells.Size
	st.chances = chances(across*down, st.reach, f.Rate())
	return st
}

// leastLines is what a picture needs to have for a comb to be told from
// detail in it.
const leastLines = 32

func (s *state) examinable() bool {
	return !s.format.Fields && s.format.H >= leastLines && s.format.W >= leastLines
}

// Step examines picture w.T.
func (s *state) Step(w *detect.Window) error {
	if !s.examinable() {
		return nil
	}
	m := s.cells.At(w.T)
	if s.suspects == nil {
		s.suspects = newSuspects(m.Cols, m.Rows)
	}
	s.suspects.find(m, s.code, s.tracker.lowest())
	s.coverage.count(s, w)
	s.verdicts = s.verdicts[:0]
	if s.suspects.fine.count > 0 {
		s.lookForWoven(w)
		s.mark(w, &s.suspects.fine)
	}
	s.verdicts = s.verdicts[:0]
	if s.suspects.coarse.count > 0 {
		s.lookForScaled(w)
		s.mark(w, &s.suspects.coarse)
	}
	return nil
}

// lookForWoven takes close looks at the zones that most deserve it.
func (s *state) lookForWoven(w *detect.Window) {
	budget, again := baseLooks, againLooks
	for len(s.verdicts) < budget {
		z := s.suspects.fine.next(again > 0)
		if z == nil {
			return
		}
		if z.tired() {
			again--
		}
		window := s.windowAt(z)
		v := s.judge(w, window, woven)
		if v.odds <= leastIntra {
			s.vainOverscan++
			if s.vainOverscan < vainScaled || s.vainOverscan%overscanTurns == 0 {
				v = s.judgeScaled(w, window, s.overscan)
			}
			if v.odds >= weakOdds {
				s.vainOverscan = 0
			}
		}
		if z.took(&v) {
			budget = min(budget+1, mostLooks)
		}
		s.verdicts = append(s.verdicts, v)
	}
}

// lookForScaled does the same for combs that a scaler has stretched.
func (s *state) lookForScaled(w *detect.Window) {
	budget, again := baseScaled, 1
	if s.vain >= vainScaled {
		budget = 1
	}
	for i := 0; i < budget; i++ {
		z := s.suspects.coarse.next(again > 0)
		if z == nil {
			return
		}
		if z.tired() {
			again--
		}
		window := s.windowAt(z)
		if i == 0 && w.T%listenEvery == 0 {
			s.tracker.listen(&s.looker, &w.Picture(w.T).Y, window)
		}
		v := s.judgeScaled(w, window, s.tracker)
		if s.vain++; v.odds >= weakOdds {
			s.vain = 0
			budget = max(budget, baseScaled)
		}
		if z.took(&v) {
			budget = min(budget+1, mostScaled)
		}
		s.verdicts = append(s.verdicts, v)
	}
}

// judgeScaled takes a close look along the likeliest of the carriers that a tracker has.
func (s *state) judgeScaled(w *detect.Window, window image.Rectangle, t *tracker) verdict {
	c, known, ok := t.find(&s.looker, &w.Picture(w.T).Y, w.T, window, s.suspects.noise)
	if !ok {
		return verdict{odds: impossible}
	}
	v := s.judge(w, window, c)
	switch {
	case known:
	case v.odds > -unknownOdds:
		v.odds = unknownOdds
	default:
		v.odds = impossible
	}
	return v
}

// took takes a look's outcome into the zone's memory and reports whether the
// look stood.
func (z *zone) took(v *verdict) bool {
	z.tried = true
	if v.odds < weakOdds {
		z.fatigue = max(z.fatigue, z.top)
	}
	return v.odds > 0
}

func (s *state) windowAt(z *zone) image.Rectangle {
	return s.suspects.windowAt(int(z.at), s.window, image.Pt(s.format.W, s.format.H))
}

// judge takes one close look.
func (s *state) judge(w *detect.Window, window image.Rectangle, c carrier) verdict {
	v := verdict{odds: impossible}
	l := &s.looker
	noise := s.suspects.noise * unit
	var ok bool
	at := rest{s.cells.At(w.T), s.suspects.rest}
	if v.look, ok = l.take(&w.Picture(w.T).Y, at, window, c, noise, s.reach); !ok {
		return v
	}
	noise *= v.carrier.raised()
	if v.along > explained*v.still {
		if before, after := w.Picture(w.T-1), w.Picture(w.T+1); before != nil && after != nil && l.shared(&v.look, &before.Y, &after.Y, noise, s.reach) {
			v.odds = v.sharedOdds()
			return v
		}
	}
	v.odds = v.intra(noise)
	if v.odds < leastIntra {
		return v
	}
	best, asked, rests := math.Inf(-1), false, true
	back := false
	var held [2]int // which field each neighbour has the same
	for i, side := range []int{-1, 1} {
		q := w.Picture(w.T + side)
		if q == nil {
			continue
		}
		c := l.follow(&v.look, &q.Y, courseReach*s.reach.X)
		asked = true
		rests = rests && v.rests(&c)
		best = max(best, v.instants(&c, noise))
		held[i] = v.held(&c, noise)
		d := -v.look.direction(&c) * float64(side)
		back = back || d*v.direction < 0
		if v.direction == 0 {
			v.direction = d
		}
	}
	if !asked {
		best = loneWeight
	} else if rests {
		best = frozenWeight
	} else if held[0]*held[1] < 0 {
		best = burstWeight
	} else if back {
		// What moves comes from one side and leaves to the other.
		best = strayWeight
	} else if (c != woven || v.far) && best < movesWeight {
		best = doubtful
	}
	v.odds += best
	return v
}

// Coverage says what the take could have shown.
func (s *state) Coverage() detect.Coverage { return s.coverage.report(s) }
