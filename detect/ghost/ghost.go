// Package ghost finds extra copies of moving things, one picture's step ahead
// of or behind their true place: the mark of deinterlacing in the wrong
// cadence and of blended rate conversion.
//
// In: the looks of package echo. Out: marks of kind ghost.
package ghost

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/cells"
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
		"thing's own contrast. Compared with the same thing in the pictures around, or, where those have copies " +
		"as well, with its steps, which a copy keeps to however they change; so that a shadow or a " +
		"reflection at a fixed distance, a second thing of the same kind, and a periodic texture are not " +
		"reported; nor are dissolves, transparency and motion blur, which have no second edge at the step.",
	Kind: detect.Ghost,
	Needs: []detect.Need{
		{Stage: cells.Stage, Back: 2 * pairsBeside, Ahead: span},
		{Stage: motion.Stage, Back: span, Ahead: span},
		{Stage: echo.Stage, Back: span, Ahead: span},
	},
	Options: []detect.Option{{
		Name: "floor", Default: 0.17, Min: 0.05, Max: 0.5, Unit: "of the thing's energy",
		Reason: "a peak of 0.17 is a single copy of 15 % of the contrast; natural things of a few hundred edge samples stray by 0.05 to 0.1",
	}},
	New: func(s *detect.Setup) (detect.State, error) {
		st := &state{
			cells: cells.In(s), motion: motion.In(s), echo: echo.In(s),
			floor: s.Option("floor"), rate: s.Format.Rate(), heard: -1 - span, sure: -1 - span,
		}
		st.fields, st.raster = s.Format.Fields, image.Rect(0, 0, s.Format.W, s.Format.H)
		st.successions.filmed = s.Viewer.Camera
		st.rhythms = rhythms(st.rate)
		st.conversions = conversions(st.rate)
		st.jerks = jerks(st.conversions, st.rate)
		return st, nil
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
	// ribbed is how unlike itself, at some lag, a thing has to be to have ribs:
	// the two edges of a bar are opposite at its width, which is -0.5, and no
	// more; those of many bars beside each other all are.
	ribbed = -0.6
	// Clean looks at one thing differ from each other by less than this.
	ribStrays = 0.15
	// How far the lag of a copy may lie from the step: what a thing
	// accelerates in the few pictures that its step is taken from, and half a
	// sample of the plane.
	stepTolerance, sampleTolerance = 0.06, 0.6
	// In a burst the step is that of the pictures around, which a thing that slows
	// down or goes off misses by as much: such a lag is a step's where no rhythm that
	// lasts has it.
	burstTolerance = 0.2
	// The lags that package echo looks at, over the step.
	leastRatio, mostRatio = 0.4, 2.7
	// How far two ratios of lag to step may differ and be the same.
	ratioTolerance = 0.13
	// A copy at another distance than one step, or one without any clean
	// picture to compare with, needs company: the same in this many pictures
	// around, more than any chance run of like textures.
	leastAlike = 6
	// Marks below this extend no event that anybody would see.
	leastMarked = 0.2
	// A clean look is one whose own peak is less than this share of the
	// suspicious one.
	cleanShare = 0.5
	// Mixing takes energy from the gradient: weights (1/4, 1/2, 1/4) leave
	// 3/8 of it at steps longer than an edge, and (1/10, 4/5, 1/10) two
	// thirds. A look with less than this share of what the same thing has in
	// the pictures around is worth a comparison with those that have more.
	faded = 0.75
	// Three equal weights leave a third, and a background that shows through
	// hides half of that: a look with less is at something else.
	leastMixed = 0.15
	// The same thing in clean pictures has this share of energy at least from one to
	// another, where copies that lie too close to be seen are told by what it loses.
	steady = 0.9
	// A mixture never has more energy than what it is mixed of; a look with so
	// many times the usual is at something else, or out of the dark.
	gains = 1.5
	// A mixture resembles itself at the lag of its copies by more than the
	// clean thing does: by this share at least of what its weights say, where
	// noise, the background and a vector that is not quite right take from it.
	leastKept, keptSlack = 0.4, 0.05
	// Where a fit leaves next to no doubt, to so much and with weights known to so
	// much: what sways resembles itself by half of it at most. Three equal copies have a
	// third each.
	plainCopy, plainKept, plainError = 0.3, 0.8, 1.5 * leastError
	// Copies that show no peak of their own must lie so many samples apart:
	// two widths of an edge.
	leastUnseen = 6.0
	// Those that stand above the clean thing's likeness need one and a half.
	leastClose = 4.5
	// At least so many references have to agree: one may itself be at fault.
	leastFits = 2
	// Where energy alone tells the clean looks, so many are tried.
	mostLively = 4
	// At least so many looks at the same thing say what its energy is.
	leastLooks = 5
	// Faults come in bursts: what the pictures beside do not show as well has
	// to be so many times as sure.
	lonely = 2
	// and its copies so many times the faintest.
	lonelyFaint = 1.5
	// Copies without a peak of their own have to be a fifth of the thing: a
	// limb that swings or a shadow that parts leaves less.
	unseenFaint = 5.0 / 3
	// What is not the thing itself counts when it is so many of its standard
	// errors; that the profile has a peak there speaks for it already.
	significant = 2
	// A weight of a fit is never surer than this: fractions of a sample and
	// blur that changes.
	leastError = 0.02
	// The second copy is there when it has this share of the first.
	bothSides = 0.4
	// The relation of a mixture to the pictures beside it rises by this share
	// at least of what its weights say.
	leastRisen = 0.2
	// A mixture loses this share at least of the energy that its weights take from the
	// thing, and half of it or more as filmed; noise and a background that shows
	// through give some back. A ball whose seams turn into view gains.
	leastLost = 0.2
	// Steps of two things that differ by this much are not alike by chance;
	// logarithm.
	stepsApart = 0.2
	// What a conversion moves relates to itself by more and by less from one picture
	// to the next. Over so many pictures on either side it does by this share at
	// least of what mixtures do: what else moves takes from it.
	evenSpan, evenShare = 6, 0.7
	// A background that resembles itself at a lag by more than this repeats there:
	// one of other texture does so at no lag longer than its edges, and one of
	// tiles by a half and more.
	tiledLike = 0.3
	// What repeats of it makes a copy where it has this share of the energy of the
	// look, the least peak that tells one (see the floor option): the shading of a
	// plain wall is like itself at all lags, and makes none.
	tiledShare = 0.17
	// A step that changes by this much over the time compared (the standard
	// deviation of its logarithm; a fifth from first to last) tells a copy that
	// keeps step from a companion at a fixed distance, whose lag does not: the
	// lag has to change by this share of what the step does.
	stepChange, lagFollows = 0.05, 0.6
	// A look of which another has so much is at a part of the same.
	mostOfPart = 0.75
	// So many places of a picture that moves as a whole have to agree, and
	// at least this share of all that were looked at; more where no clean
	// picture is near to hold them against.
	leastPlaces, placesShare      = 3, 0.6
	leastPlacesAlone, placesAlone = 6, 0.8
)

type state struct {
	cells  *cells.Store
	motion *motion.Store
	echo   *echo.Store
	floor  float64
	rate   float64

	examined, moved int
	weakest         []float64

	fields      bool
	raster      image.Rectangle
	successions successions
	soft        softnesses
	trial       trial
	spells      []told
	conversions []rhythm
	jerks       map[float64]float64
	listened    listened
	sightings   sightings
	lastSoft    softBurst
	lastOf      mixture
	jointUntil  int // the end of the last burst that is told by all signs together
	pairsUntil  int // of the last one that is told by what its pictures differ by
	pairs       pairs
	apartnesses [mostApart + 2*pairsBeside + mostPaired + 2]apartness
	partSteps   [2*pairsBeside + mostPaired + 2]partStep
	series      series
	// The newest pictures with a rhythm, and with one that is sure.
	heard, sure int
	slow        slowly

	rhythms  []float64
	fitter   fitter
	doubts   []doubt
	verdicts []verdict
	peers    []reference
	baseline []float64
	energy   []float64
}

// verdict is what one look shows.
type verdict struct {
	confidence float64
	ratio      float64 // of the copy's lag to the step
	lag        float64 // samples
	weights    fit
	compared   bool // with clean looks at the same thing
	comparison comparison
}

// Step decides on picture w.T.
func (s *state) Step(w *detect.Window) error {
	s.relate(w.T + span)
	converted := s.markRhythm(w)
	if !converted {
		s.markBursts(w)
		s.markSoft(w)
		s.markMixes(w)
	}
	looks := s.echo.At(w.T)
	if m := s.motion.At(w.T); m != nil && m.Active > 0 {
		s.moved++
	}
	if len(looks) > 0 {
		s.examined++
	}
	for i := range looks {
		s.keepFloor(&looks[i])
	}
	if converted {
		return nil // and every copy is told
	}
	s.verdicts = s.verdicts[:0]
	for i := range looks {
		s.verdicts = append(s.verdicts, s.judge(w.T, &looks[i]))
	}
	for i := range looks {
		v := &s.verdicts[i]
		if v.confidence < leastMarked || !looks[i].Whole && !s.shown(looks, i) || s.covered(w.T, looks[i].Region) || s.partial(looks, i) {
			continue
		}
		if looks[i].Whole && !s.agreed(looks, v) {
			s.doubtAt(w.T, &looks[i], v, false)
			continue
		}
		m := s.mark(&looks[i], v, v.weights.centred())
		if looks[i].Whole && v.compared {
			k, weights := s.shared(looks, v)
			m.Strength, m.Measures = s.measure(&looks[k], &s.verdicts[k], weights)
		}
		if m.Strength >= faintest {
			m.Picture = w.T
			w.Mark(m)
			s.toldAt(w.T, &looks[i], v)
			behind, ahead := m.Measures["behind_pct"]/100, m.Measures["ahead_pct"]/100
			s.told(w.T, i, v.confidence, behind, ahead)
		}
	}
	s.markLasting(w, looks)
	s.settle(w)
	s.markJoint(w)
	s.markPairs(w)
	return nil
}

// agreed reports whether enough places of a picture that moves as a whole show
// what one of them does.
func (s *state) agreed(looks []echo.Look, v *verdict) bool {
	all, told, n := 0, 0, 0
	for i := range looks {
		if !looks[i].Whole {
			continue
		}
		all++
		o := &s.verdicts[i]
		alike := math.Abs(o.ratio/v.ratio-1) < ratioTolerance
		if alike && o.compared {
			told++
		}
		if alike && o.confidence >= leastMarked {
			n++
		}
	}
	if !v.compared {
		return n >= leastPlacesAlone && float64(n) >= placesAlone*float64(all)
	}
	// What is large without filling the picture has few places, and where
	// there is nothing to compare with nothing is told.
	return n >= min(leastPlaces, all) && float64(n) >= placesShare*float64(told)
}

// shown reports whether a thing that is clean in no picture has company: dashes
// or two balls have copies of their own at all times, and only another thing
// elsewhere, with the same at its own step, tells that they are not.
func (s *state) shown(looks []echo.Look, i int) bool {
	v := &s.verdicts[i]
	if v.compared {
		return true
	}
	company := false
	for k := range looks {
		l, o := &looks[k], &s.verdicts[k]
		apart := math.Abs(math.Log(l.Speed/looks[i].Speed)) > stepsApart
		if !apart && l.Main.R > highest && math.Abs(l.Main.Lag/l.Steps()/v.ratio-1) < ratioTolerance {
			return false // so is what moves along with it, and more than any mixture
		}
		if o.confidence >= leastMarked && apart && !l.Region.Overlaps(looks[i].Region) && math.Abs(o.ratio/v.ratio-1) < ratioTolerance {
			company = true
		}
	}
	return company
}

// partial reports whether a look is at a part of a thing that is looked at as a
// whole too, and shows no copies: the part has none that the thing has not.
func (s *state) partial(looks []echo.Look, i int) bool {
	part := &looks[i]
	for k := range looks {
		l := &looks[k]
		if k == i || l.Whole || part.Whole || s.verdicts[k].confidence >= leastMarked ||
			math.Hypot(l.DX-part.DX, l.DY-part.DY) > panSlack*part.Speed {
			continue
		}
		in, of, all := area(l.Region.Intersect(part.Region)), area(part.Region), area(l.Region)
		if float64(in) > mostOfPart*float64(of) && all > of {
			return true
		}
	}
	return false
}

func area(r image.Rectangle) int { return r.Dx() * r.Dy() }

// shared returns the median weights of the places of a picture that moves as a
// whole which show the same as one of them does, and which place has the median
// displacement: they are of one mixture, and a place with little detail takes
// one copy for another, and half its step for the whole.
func (s *state) shared(looks []echo.Look, v *verdict) (place int, weights fit) {
	f := &s.fitter
	f.behind, f.ahed, f.own = f.behind[:0], f.ahed[:0], f.own[:0]
	var alike []int
	for i := range looks {
		o := &s.verdicts[i]
		if looks[i].Whole && o.compared && o.confidence >= leastMarked && math.Abs(o.ratio/v.ratio-1) < ratioTolerance {
			w := o.weights.centred()
			f.behind, f.ahed, f.own = append(f.behind, w.behind), append(f.ahed, w.ahead), append(f.own, w.own)
			alike = append(alike, i)
		}
	}
	px := func(i int) float64 { return s.verdicts[i].lag * looks[i].SamplePx }
	slices.SortFunc(alike, func(a, b int) int { return cmp.Compare(px(a), px(b)) })
	w := fit{behind: median(f.behind), own: median(f.own), ahead: median(f.ahed), err: v.weights.err}
	sum := w.behind + w.own + w.ahead
	w.behind, w.own, w.ahead = w.behind/sum, w.own/sum, w.ahead/sum
	return alike[len(alike)/2], w
}

// sources are the rates of pictures that a conversion may start from, a second;
// the ones over 1.001 are as good as these.
var sources = []float64{24, 25, 30, 50, 60}

// rhythms lists the lags of a copy over the step of the thing, as faults make
// them in a take of so many pictures a second: one picture's step; half of it
// (both fields of a frame in one picture); the step of another source rate,
// when a conversion blends its pictures. A take of unknown rate has the first
// two only.
func rhythms(rate float64) []float64 {
	list := []float64{1, 0.5}
	for _, r := range sources {
		ratio := rate / r
		// Two source pictures of nearly or exactly one step of the take are
		// the first case, and more than three steps apart no blend joins them.
		if ratio > leastRatio && ratio < mostRatio && !slices.ContainsFunc(list, func(o float64) bool {
			return math.Abs(ratio/o-1) < stepTolerance
		}) {
			list = append(list, ratio)
		}
	}
	return list
}

// rhythm returns the nearest of the rhythms, and whether a ratio measured at a
// lag in samples is that one.
func (s *state) rhythm(ratio, lag float64) (float64, bool) {
	best := 0.0
	for _, r := range s.rhythms {
		if math.Abs(ratio-r) < math.Abs(ratio-best) {
			best = r
		}
	}
	return best, math.Abs(ratio/best-1) < stepTolerance+sampleTolerance/lag
}

// judge decides whether a look shows a ghost.
func (s *state) judge(t int, l *echo.Look) verdict {
	v := verdict{ratio: 1, lag: l.Steps()}
	p := l.Main
	// The profile of few edges strays more.
	need := s.floor + strays/math.Sqrt(l.Weight)
	ratio, known := s.rhythm(p.Lag/v.lag, p.Lag)
	// A texture's peak stands above deep valleys and is low itself, a thing's
	// own blur is high and has no valley: a copy has both.
	v.comparison = s.compare(t, l)
	c := &v.comparison
	off := (!known || ratio != 1 && ratio != 0.5 && c.alike < leastAlike) && math.Abs(p.Lag/v.lag-1) < burstTolerance
	if off {
		ratio, known = 1, true
	}
	if c.usual > 0 && l.Energy > gains*c.usual {
		return v
	}
	peak := known && p.Prominence >= 0.7*need && p.R >= s.floor && p.R <= highest && l.At(3*p.Lag) <= periodic*p.R
	if peak {
		v.ratio, v.lag = ratio, p.Lag
	}
	// Copies that lie close leave no valley; the clean looks tell what the
	// thing's own edges do there.
	exceeds := known && ratio == 1 && c.clean >= leastLooks && p.R-c.baseline >= need && v.lag >= leastClose
	unseen := l.Energy < faded*c.usual && v.lag >= leastUnseen
	near := !peak && !exceeds && !unseen && !l.Whole && c.fades(l)
	if !peak && (l.Energy < leastMixed*c.usual || !exceeds && !unseen && !near) {
		return v
	}
	if !peak && !exceeds && !near && c.resembles(v.lag, s.floor) || !l.Whole && c.ribbed(l) {
		return v
	}
	const least = faintest / 100.0
	if v.ratio == 1 && !c.textured && s.contradicted(t, l, c, fit{own: 1 - least, ahead: least}) {
		return v // without a fit, which costs more
	}
	c.unseen = !peak
	explained := leastExplained
	if v.ratio != 1 {
		explained = leastConverted
	}
	var fits int
	if !c.usually {
		v.weights, fits = s.against(t, l, v.lag, explained, c)
	}
	switch {
	case !l.Whole && !(fits >= leastFits && v.weights.plain()) && s.tiled(t, l, v.lag):
		// Its copies may be the background's.
	case fits >= leastFits:
		// The same thing is single in other pictures nearby.
		v.compared = true
		if v.ratio != 1 && c.alike < leastAlike && !s.woven(t, l, &v) || v.ratio != 1 && alone(s.echo.At(t), l, v) ||
			v.ratio != 1 && v.ratio != 0.5 && s.even(t, l, v.ratio) {
			break
		}
		least := float64(significant)
		faint := faintest / 100.0
		if off && peak && !s.accompanied(t, l, v.ratio, faint) {
			break // a step that the pictures around miss is a burst's, which is longer
		}
		if !peak || v.weights.sure() < lonely*least || v.weights.copy() < lonelyFaint*faint {
			switch {
			case v.weights.plain() && l.Energy < faded*c.usual:
				// Needs neither a peak nor company.
			case !peak && v.weights.profiles && min(v.weights.ahead, v.weights.behind) < faint:
				// Legs that pass each other spread a profile to one side as well.
				return v
			case !peak && !s.accompanied(t, l, v.ratio, unseenFaint*faint):
				return v
			case !peak && !v.weights.profiles && s.panned(t) && !c.rises(l.At(v.lag), v.lag, v.weights):
				// What a thing uncovers of a background that moves fits its outline.
				return v
			case near:
				faint *= unseenFaint
				least *= lonely
			case !peak:
				faint *= unseenFaint
			case s.accompanied(t, l, v.ratio, faint):
			default:
				least *= lonely
				faint *= lonelyFaint
			}
		}
		if v.ratio == 1 && !(v.weights.profiles && s.panned(t)) && s.contradicted(t, l, c, v.weights.centred()) {
			return v
		}
		if !l.Whole && (!c.loses(l, v.lag, v.weights) || !v.weights.profiles && s.single(t, l, v.lag, c, v.weights)) {
			return v
		}
		v.confidence = squash(min((v.weights.copy()-faint)/leastError, v.weights.sure()-least, (v.weights.keeps-leastKept)/keptSlack))
	case len(c.references) > 0 && !c.textured:
		// The clean looks show another thing, or it turns: nothing is sure.
	case !peak || v.ratio != 1 && v.ratio != 0.5:
		// Without any clean picture only the plain rhythms are believed.
	case c.alike >= leastAlike && c.clean == 0 && (l.Whole || c.keepsStep):
		v.confidence = squash((min(p.R, p.Prominence) - need) / 0.06)
	}
	return v
}

// woven reports whether a look shows both fields of a frame, half a step apart, in a
// burst: without company in many pictures the copies have to be plain, of half the
// thing's energy, and in the picture before or after as well.
func (s *state) woven(t int, l *echo.Look, v *verdict) bool {
	const share = lonelyFaint * faintest / 100
	return v.ratio == 0.5 && l.Energy < faded*v.comparison.usual && v.weights.copy() >= share &&
		v.weights.sure() >= lonely*significant && s.accompanied(t, l, v.ratio, share)
}

// panned reports whether picture t moves as a whole, so that the relations of
// pictures are those of what lies behind a thing.
func (s *state) panned(t int) bool {
	m := s.motion.At(t)
	return m != nil && m.Pan.Found
}

// accompanied reports whether the same thing has a copy of more than a share at
// the same ratio in the picture before or after.
func (s *state) accompanied(t int, l *echo.Look, ratio, share float64) bool {
	for _, i := range [2]int{t - 1, t + 1} {
		o := s.same(t, l, i)
		if o == nil {
			continue
		}
		lag := ratio * o.Steps()
		if math.Abs(o.Main.Lag/lag-1) < ratioTolerance {
			lag = o.Main.Lag
		}
		other := s.compare(i, o)
		f, fits := s.against(i, o, lag, leastExplained, &other)
		if fits >= leastFits && f.copy() > share && f.sure() > significant && f.keeps > leastKept {
			return true
		}
	}
	return false
}

// squash maps 0 to 0.5 and grows to 1.
func squash(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

func middle(r image.Rectangle) image.Point { return r.Min.Add(r.Max).Div(2) }

// nearest returns the look like another, at a thing or a sample of a whole
// picture, whose middle is nearest to a point, and how far that is; nil when there
// is none. One with much more energy or less is at something else: mixtures of a
// thing have no less than leastMixed of it.
func nearest(looks []echo.Look, p image.Point, like *echo.Look) (look *echo.Look, distance float64) {
	least := 0
	for i := range looks {
		o := &looks[i]
		if o.Whole != like.Whole || min(o.Energy, like.Energy) < leastMixed*max(o.Energy, like.Energy) {
			continue
		}
		d := middle(o.Region).Sub(p)
		if far := d.X*d.X + d.Y*d.Y; look == nil || far < least {
			look, least = o, far
		}
	}
	return look, math.Sqrt(float64(least))
}

// mark states the amplitudes of the copies.
func (s *state) mark(l *echo.Look, v *verdict, w fit) detect.Mark {
	strength, measures := s.measure(l, v, w)
	return detect.Mark{Kind: detect.Ghost, Region: l.Region, Strength: strength, Confidence: v.confidence, Measures: measures}
}

// measure returns the strength of a verdict, %, and the numbers behind it.
func (s *state) measure(l *echo.Look, v *verdict, w fit) (strength float64, measures map[string]float64) {
	px := v.lag * l.SamplePx
	m := map[string]float64{
		"step_px": l.Speed, "step_x_px": l.DX, "step_y_px": l.DY,
		"displacement_px": px, "peak": l.At(v.lag), "peak_elsewhere": v.comparison.baseline,
	}
	if l.Main.Lag == 0 {
		delete(m, "peak_elsewhere") // that is where the look has its own peak, and it has none
	}
	behind, ahead := w.behind, w.ahead
	if !v.compared {
		behind, ahead = persistent(l.At(v.lag)*l.Gain, l.Second)
	} else {
		// What is less than its error, or a trace beside the other copy, is none.
		least := max(bothSides*max(behind, ahead), significant*w.err)
		if behind < least {
			behind = 0
		}
		if ahead < least {
			ahead = 0
		}
	}
	copies := 1.0
	for _, side := range []struct {
		name  string
		share float64
	}{{"ahead", ahead}, {"behind", behind}} {
		if side.share > 0 {
			m[side.name+"_pct"], m[side.name+"_px"] = 100*side.share, px
			copies++
		}
	}
	m["copies"] = copies
	return 100 * max(behind, ahead), m
}

// persistent returns the weights of the copies in a ghost that has no clean
// picture near, from the height of its peaks: two copies have weights
// (w, 1-w) and no second peak, three (w, 1-2w, w), where (1/4, 1/2, 1/4) has
// 1/6.
func persistent(height, second float64) (behind, ahead float64) {
	if height > 0.55 || second > 0.08 {
		x := min(height, 1/math.Sqrt2)
		a := (1 - math.Sqrt(max(0, 1-2*x*x))) / (2 * x)
		return a / (1 + 2*a), a / (1 + 2*a)
	}
	x := min(height, 0.5)
	q := (1 - math.Sqrt(1-4*x*x)) / (2 * x)
	return q / (1 + q), 0
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
