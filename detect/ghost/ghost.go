// Package ghost finds extra copies of moving things, one picture's step ahead
// of or behind their true place: the mark of deinterlacing in the wrong
// cadence and of blended rate conversion.
//
// In: the looks of package echo. Out: marks of kind ghost.
package ghost

import (
	"fmt"
	"image"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// span is how many pictures on either side are compared with: half a second at
// 25 pictures a second, longer than any burst that belongs to one decision.
const span = 12

// Stage finds ghosts.
var Stage = &detect.Stage{
	Name:  "ghost",
	Title: "extra copies of moving things at one picture's step",
	Doc: "Finds copies of a moving thing (or of the whole moving picture) ahead of and behind its true place, " +
		"at the step that it makes from one picture to the next. Strength: amplitude of a copy, % of the " +
		"thing's own contrast. Compared with the same thing in the pictures around, so that a shadow or a " +
		"reflection at a fixed distance, a second thing of the same kind, and a periodic texture are not " +
		"reported; nor are dissolves, transparency and motion blur, which have no second edge at the step.",
	Kind: detect.Ghost,
	Needs: []detect.Need{
		{Stage: motion.Stage, Back: span, Ahead: span},
		{Stage: echo.Stage, Back: span, Ahead: span},
	},
	Options: []detect.Option{{
		Name: "floor", Default: 0.17, Min: 0.05, Max: 0.5, Unit: "of the thing's energy",
		Reason: "a peak of 0.17 is a single copy of 15 % of the contrast; natural things of a few hundred edge samples stray by 0.05 to 0.1",
	}},
	New: func(s *detect.Setup) (detect.State, error) {
		return &state{motion: motion.In(s), echo: echo.In(s), floor: s.Option("floor"), rate: s.Format.Rate()}, nil
	},
}

const (
	// A mixture of pictures one step apart cannot have a higher peak than
	// 1/sqrt(2) (weights 1, sqrt 2, 1); with room for noise.
	highest = 0.80
	// The profile of n samples strays by 1/sqrt(n); half as much again for the
	// choice of the highest among several peaks.
	strays = 1.5
	// A copy of less than this, in %, is below what the profile can tell from
	// texture (the floor option is a copy of 15 %), measured with its error.
	faintest = 12
	// A third repetition above this share of the first is a texture's.
	periodic = 0.5
	// How far the lag of a copy may lie from the step: what a thing
	// accelerates in the few pictures that its step is taken from, and half a
	// sample of the plane.
	stepTolerance, sampleTolerance = 0.06, 0.6
	// How far two ratios of lag to step may differ and be the same.
	ratioTolerance = 0.13
	// A copy at another distance than one step, or one without any clean
	// picture to compare with, needs company: the same in this many pictures
	// around, more than any chance run of like textures.
	leastAlike = 6
	// Two pictures of 24 a second mixed into one of 60 lie two and a half
	// steps apart, where textures have more chances: only the stronger
	// mixtures count (two thirds to one third gives 0.4).
	conversionPeak = 0.3
	// A clean look is one whose own peak is less than this share of the
	// suspicious one.
	cleanShare = 0.5
	// At least so many clean looks of the same thing make a comparison.
	leastClean = 3
	// A step that changes by this much over the time compared tells a copy
	// that keeps step from a companion at a fixed distance.
	stepSpread = 1.2
	// So many places of a picture that moves as a whole have to agree, and
	// at least this share of all that were looked at.
	leastPlaces, placesShare = 3, 0.6
)

type state struct {
	motion *motion.Store
	echo   *echo.Store
	floor  float64
	rate   float64

	examined, moved int
	weakest         []float64
	baseline        []float64
	energy          []float64
}

// Step decides on picture w.T.
func (s *state) Step(w *detect.Window) error {
	looks := s.echo.At(w.T)
	if m := s.motion.At(w.T); m != nil && m.Active > 0 {
		s.moved++
	}
	if len(looks) > 0 {
		s.examined++
	}
	for i := range looks {
		l := &looks[i]
		s.keepFloor(l)
		if m, ok := s.judge(w.T, l, looks); ok {
			m.Picture = w.T
			w.Mark(m)
		}
	}
	return nil
}

// rhythms are the lags of a copy over the step of the thing, as the known
// faults make them: a picture's step; half of it (both fields of a frame in one
// picture); the step of the source in conversions from 60 to 50, 50 to 60,
// 24 to 30, 25 to 60 and 24 to 60 a second.
var rhythms = []float64{1, 0.5, 5.0 / 6, 1.2, 1.25, 2.4, 2.5}

// rhythm returns the nearest of the rhythms, and whether a ratio measured at a
// lag in samples is that one.
func rhythm(ratio, lag float64) (float64, bool) {
	best := 0.0
	for _, r := range rhythms {
		if math.Abs(ratio-r) < math.Abs(ratio-best) {
			best = r
		}
	}
	return best, math.Abs(ratio/best-1) < stepTolerance+sampleTolerance/lag
}

// judge decides whether a look shows a ghost.
func (s *state) judge(t int, l *echo.Look, peers []echo.Look) (detect.Mark, bool) {
	p := l.Main
	// The profile of few edges strays more.
	need := s.floor + strays/math.Sqrt(l.Weight)
	// A texture's peak stands above deep valleys and is low itself, a thing's
	// own blur is high and has no valley: a copy has both.
	height := min(p.R, p.Prominence)
	if p.Prominence < 0.7*need || p.R < s.floor || p.R > highest {
		return detect.Mark{}, false
	}
	r, known := rhythm(p.Lag/l.Steps(), p.Lag)
	if third := l.At(3 * p.Lag); third > periodic*p.R {
		return detect.Mark{}, false
	}
	c := s.compare(t, l)
	confidence := 0.0
	sure := squash((height - need) / 0.06)
	c.height, c.second = p.R*l.Gain, l.Second
	places := 0
	if l.Whole {
		places, c.height, c.second = s.agree(l, peers)
	}
	switch {
	case !known, l.Whole && places < leastPlaces:
		// A chance repetition, or one place of many that repeats itself.
	case c.clean > 0 && c.clean < c.alike/2+c.other:
		// Now there, now not, without order: a texture or a crowd.
	case r == 1 && c.clean >= leastClean, r == 0.5 && c.clean >= leastClean && c.alike >= leastAlike:
		// The same thing is single in other pictures nearby.
		// The edges of a thing of one step's length answer with the
		// opposite sign, from which a copy has to rise first.
		rise := min(p.R-c.baseline, p.Prominence)
		confidence = squash((rise-s.floor-1/math.Sqrt(l.Weight))/0.06) * squash((rise-s.floor)/0.05+1)
	case r != 1 && r != 0.5:
		// A rate conversion mixes most pictures and leaves some of every
		// few alone.
		if c.clean >= 2 && c.alike >= leastAlike && (r < 1.5 || height > conversionPeak) {
			confidence = sure
		}
	case c.alike >= leastAlike && c.spread >= stepSpread && c.keepsStep:
		confidence = sure
	case l.Whole:
		confidence = sure * 0.9
	}
	if confidence < 0.2 {
		return detect.Mark{}, false
	}
	m := s.mark(l, c, confidence)
	return m, m.Strength >= faintest
}

// squash maps 0 to 0.5 and grows to 1.
func squash(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

type comparison struct {
	clean     int     // looks at the same thing without a peak of their own
	alike     int     // looks with one at the same ratio to their step
	other     int     // looks with one elsewhere
	baseline  float64 // what the clean ones show at this very lag
	spread    float64 // largest step over smallest among the alike
	keepsStep bool    // their lags follow their steps
	centre    float64 // along the path, where the clean ones expect the thing
	centres   int
	energy    float64 // of the clean ones

	height, second float64 // of the peaks, over the places of a whole picture
}

// compare looks for the same thing in the pictures around.
func (s *state) compare(t int, l *echo.Look) comparison {
	p := l.Main
	c := comparison{spread: 1, keepsStep: true}
	s.baseline, s.energy = s.baseline[:0], s.energy[:0]
	ratio := p.Lag / l.Steps()
	slowest, fastest := l.Speed, l.Speed
	here := middle(l.Region)
	for i := t - span; i <= t+span; i++ {
		if i == t {
			continue
		}
		looks := s.echo.At(i)
		at := here.Add(image.Pt(int(l.DX*float64(i-t)), int(l.DY*float64(i-t))))
		if l.Whole {
			at = here
		}
		o, distance := nearest(looks, at)
		if o == nil || distance > 3*l.Speed+float64(max(l.Region.Dx(), l.Region.Dy())) {
			continue
		}
		// Another thing, or the same after a bounce: not comparable.
		if turn := (o.DX*l.DX + o.DY*l.DY) / (o.Speed * l.Speed); turn < 0.8 || o.Speed > 2*l.Speed || l.Speed > 2*o.Speed {
			continue
		}
		own := o.Main
		switch {
		case min(own.R, own.Prominence) < cleanShare*min(p.R, p.Prominence):
			c.clean++
			s.energy = append(s.energy, o.Energy)
			s.baseline = append(s.baseline, o.At(p.Lag))
			if o.Along != 0 && !l.Whole {
				c.centre += o.Along + l.Speed*float64(t-i)
				c.centres++
			}
		case math.Abs(own.Lag/o.Steps()/ratio-1) < ratioTolerance:
			c.alike++
			slowest, fastest = min(slowest, o.Speed), max(fastest, o.Speed)
			// A companion at a fixed distance keeps its lag in pixels.
			if math.Abs(own.Lag/p.Lag-o.Steps()/l.Steps()) > 0.5*math.Abs(1-o.Steps()/l.Steps())+1/p.Lag {
				c.keepsStep = false
			}
		default:
			c.other++
		}
	}
	c.spread = fastest / slowest
	if c.clean > 0 {
		slices.Sort(s.baseline)
		c.baseline = s.baseline[len(s.baseline)*3/4]
		slices.Sort(s.energy)
		c.energy = s.energy[len(s.energy)/2]
	}
	return c
}

func middle(r image.Rectangle) image.Point { return r.Min.Add(r.Max).Div(2) }

// nearest returns the look whose middle is nearest to a point, and how far
// that is; nil when there is none.
func nearest(looks []echo.Look, p image.Point) (look *echo.Look, distance float64) {
	for i := range looks {
		d := middle(looks[i].Region).Sub(p)
		if far := math.Hypot(float64(d.X), float64(d.Y)); look == nil || far < distance {
			look, distance = &looks[i], far
		}
	}
	return look, distance
}

// agree counts the places of this picture that show the same lag; 0 when they
// are too small a share of all. It also returns the mean height of their peaks
// and of the second ones.
func (s *state) agree(l *echo.Look, peers []echo.Look) (n int, height, second float64) {
	all := 0
	for i := range peers {
		o := &peers[i]
		if !o.Whole {
			continue
		}
		all++
		own := o.Main
		if min(own.R, own.Prominence) > 0.7*s.floor && math.Abs(own.Lag/o.Steps()/(l.Main.Lag/l.Steps())-1) < ratioTolerance {
			n++
			height += own.R * o.Gain
			second += o.Second
		}
	}
	if n == 0 || float64(n) < placesShare*float64(all) {
		return 0, 0, 0
	}
	return n, height / float64(n), second / float64(n)
}

// mark states the amplitudes of the copies.
func (s *state) mark(l *echo.Look, c comparison, confidence float64) detect.Mark {
	px := l.Main.Lag * l.SamplePx
	m := map[string]float64{
		"step_px": l.Speed, "step_x_px": l.DX, "step_y_px": l.DY,
		"displacement_px": px, "peak": l.Main.R, "peak_elsewhere": c.baseline,
	}
	share, copies := s.amplitude(l, c)
	m["copies"] = float64(copies)
	if copies == 3 {
		m["ahead_pct"], m["behind_pct"] = 100*share, 100*share
		m["ahead_px"], m["behind_px"] = px, px
	} else {
		side := "behind"
		if c.centres > 0 && l.Along > c.centre/float64(c.centres) {
			side = "ahead"
		}
		m[side+"_pct"], m[side+"_px"] = 100*share, px
	}
	return detect.Mark{
		Kind: detect.Ghost, Region: l.Region, Strength: 100 * share, Confidence: confidence, Measures: m,
	}
}

// amplitude returns the weight of a copy and how many copies there are, the
// thing itself among them. Two copies have weights (w, 1-w) with w at most
// one half, three (w, 1-2w, w). The energy of the gradient falls to the sum
// of the squared weights where the thing is seen single in other pictures,
// and the height of the peak says the same; what blur and noise take from the
// one errs to the other side of what they take from the other, so that the
// mean of both is stated.
func (s *state) amplitude(l *echo.Look, c comparison) (w float64, copies int) {
	height := max(c.height-c.baseline, s.floor)
	x := min(height, 0.5)
	q := (1 - math.Sqrt(1-4*x*x)) / (2 * x)
	two := q / (1 + q)
	x = min(height, 1/math.Sqrt2)
	a := (1 - math.Sqrt(1-2*x*x)) / (2 * x)
	three := a / (1 + 2*a)
	squares := 0.5
	if !l.Whole && c.clean >= leastClean && c.energy > 0 {
		squares = max(1.0/3, min(1, l.Energy/c.energy))
		two = (two + (1-math.Sqrt(max(0, 2*squares-1)))/2) / 2
		three = (three + (4-math.Sqrt(max(0, 24*squares-8)))/12) / 2
	}
	// Two copies never fall below one half in energy nor rise above it in
	// height, and have no second peak, where (1/4, 1/2, 1/4) has 1/6.
	if squares < 0.42 || height > 0.55 || c.second > 0.08 {
		return three, 3
	}
	return two, 2
}

// keepFloor notes the weakest copy that this look could have shown.
func (s *state) keepFloor(l *echo.Look) {
	const most = 4096 // looks; the first minute is as good as the rest
	if len(s.weakest) == most {
		return
	}
	x := min(0.5, s.floor+strays/math.Sqrt(l.Weight))
	q := (1 - math.Sqrt(1-4*x*x)) / (2 * x)
	s.weakest = append(s.weakest, 100*q/(1+q))
}

// Coverage says how much of the take moved fast enough to show a ghost.
func (s *state) Coverage() detect.Coverage {
	c := detect.Coverage{Kind: detect.Ghost, State: detect.Examined}
	if s.rate > 0 {
		c.Seconds = float64(s.examined) / s.rate
	}
	switch {
	case s.examined == 0 && s.moved == 0:
		c.State, c.Why = detect.NotExaminable, "nothing moves in this take"
	case s.examined == 0:
		c.State, c.Why = detect.NotExaminable, "nothing moves fast enough for its copies to stand apart"
	default:
		slices.Sort(s.weakest)
		c.Floor = s.weakest[len(s.weakest)/2]
		if s.examined*2 < s.moved {
			c.State = detect.Limited
			c.Why = fmt.Sprintf("things moved fast enough to show copies in %d of %d pictures with motion", s.examined, s.moved)
		}
	}
	return c
}
