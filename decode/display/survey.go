// Package display turns the frames of a camera that filmed a set into the
// pictures that the set displayed.
//
// In: the frames of a take, and when they were captured. Out: first a Survey,
// which says whether the take is of a screen at all, where the screen is, how
// fast the set puts up pictures and what cannot be told; then a Source, which
// yields one picture for each that the set displayed, on a raster of the screen
// alone, with how far each band of it can be trusted.
//
// Package screen finds, follows and rectifies; package refresh tells which
// displayed picture each frame shows where. This package lets frames through
// both, keeps the few that are needed, and remembers of which frames each
// picture was made, so that it can be made again in colour as evidence.
package display

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"sort"
	"time"

	"setwitness/decode/picture"
	"setwitness/decode/refresh"
	"setwitness/decode/screen"
)

// Frames yields the frames of a take in the order of their presentation; the
// caller owns each one that it gets. Next returns io.EOF after the last.
type Frames interface {
	Format() picture.Format
	Next(ctx context.Context) (*picture.Picture, error)
}

// From says what a take is of.
type From int

// What a take is of: to be found out, the signal itself, or a screen.
const (
	Auto From = iota
	Direct
	Screen
)

// Options are what the user knows better.
type Options struct {
	From From
	// Corners overrides where the screen is in the first frame.
	Corners *screen.Quad
	// LinesPerPx is how many of the set's lines a camera pixel is high, 0 if
	// that is not known: for close-ups, in which no border tells it.
	LinesPerPx float64
	// CaptureRate is the frames a second of the camera, 0 if the file is to
	// be asked.
	CaptureRate float64
	// Doubt allows that the survey of a take that is probably direct leaves a
	// Doubt.
	Doubt bool
}

// told reports whether the user says what the take is of.
func (o *Options) told() bool { return o.From != Auto || o.Corners != nil || o.LinesPerPx > 0 }

const (
	// The grid that changes are seen in: cells a third of a ball's size, and
	// as many rows as an exposure of an eighth of the roll needs to stand
	// apart.
	gridCols, gridRows = 64, 48
	// What is looked at before the pictures are built: two seconds of life
	// hold a hundred updates. Most takes tell after half of that all that they
	// tell at all, and their frames are decoded again afterwards.
	probeSeconds, earlySeconds = 2.0, 1.0
	// A rate that has no other beside it is as sure after half a second, in which the
	// corners of a whole border are, too.
	soonSeconds = 0.5
	// They do where the whole border shows (not that of a picture with bars, round
	// which the panel is faint) and nearly all change falls on a rate of the trade,
	// which is known to a third of a picture in a minute.
	sureBorder, sureRhythm, sureHz = 0.9, 0.9, 0.005
	// A take without any sign of a screen in its first frames is not looked
	// at further: a glance costs a tenth of a second of decoding.
	glanceFrames = 8
	// A take that shows no clear sign at the glance is decided by this many
	// frames spread over the probe.
	spreadFrames = 24
	// sureDirect is the confidence at which the glance is believed.
	sureDirect = 0.6
	// provenDirect is that of black bars which no sensor makes: at rates that no signal
	// has, nothing less ends the look.
	provenDirect = 0.95
	// The probe keeps frames reduced to at most this width, on which the set's
	// updates are timed by means over 8x8 samples: two seconds of 240 frames
	// each take no more than an eighth of a gigabyte.
	probeWidth = 640
)

// Largest raster: that of the sources.
var largest = image.Pt(1920, 1080)

// Survey is what is known of a take before its pictures are built.
type Survey struct {
	// Screen is set for a take of a screen; Why says what that rests on.
	Screen bool
	Why    string
	Found  screen.Found
	// Raster is the size of the pictures that will be built.
	Raster image.Point
	// Timing says when the frames were captured.
	Timing refresh.Timing
	// Ambiguous is set when Timing rests on the set's refresh and another rate
	// of capture fits as well.
	Ambiguous bool
	// Estimate is the set's refresh against the camera.
	Estimate refresh.Estimate
	// Doubt is set where the take is to be read as a direct one until it says
	// otherwise.
	Doubt *Doubt

	stamps []time.Duration
	black  int
}

// life returns the real time of a presentation time, both from the first
// frame.
func (s *Survey) life(shown time.Duration) float64 {
	n := len(s.stamps)
	if n < 2 || len(s.Timing.Real) != n {
		return shown.Seconds()
	}
	i := min(max(sort.Search(n, func(i int) bool { return s.stamps[i] > shown })-1, 0), n-2)
	step := (s.stamps[i+1] - s.stamps[i]).Seconds()
	if step <= 0 {
		return s.Timing.Real[i]
	}
	return s.Timing.Real[i] + (shown-s.stamps[i]).Seconds()/step*(s.Timing.Real[i+1]-s.Timing.Real[i])
}

// Stamps reads the presentation times of all frames of a take, rising, and what
// the file says of itself.
type Stamps func(context.Context) (times []time.Duration, tags map[string]string, err error)

// Examine looks at the beginning of a take. It asks for the stamps, which are
// to be read from the whole file, only where a glance does not show that the
// take is direct. The error is that of reading; that something cannot be told
// is none.
func Examine(ctx context.Context, take Frames, stamps Stamps, o Options) (*Survey, error) {
	f := take.Format()
	s := &Survey{Why: "the user says so"}
	if o.From == Direct {
		return s, nil
	}
	if !f.Colour.FullRange {
		s.black = 16 << (f.Depth - 8) // BT.709-6 item 5.6: black at 16 of 8 bits
	}
	p := &probe{survey: s, options: o, stamps: stamps, finder: screen.NewFinder(f.W, f.H)}
	for {
		done, err := p.next(ctx, take)
		if err != nil {
			return nil, err
		}
		if done {
			break
		}
	}
	return s, p.decide(ctx, f)
}

// probe is the look at the beginning of a take.
type probe struct {
	survey  *Survey
	options Options
	stamps  Stamps // nil once they were read
	finder  *screen.Finder

	kept   []kept
	camera bool // the file says that one made it
	// Whether the glance makes it worth while to decide early, what it found then, whether
	// that was tried after half a second, and whether it was done.
	promising, soon, decided bool
	first                    screen.Found
	// found is what the glance took for a direct take, nil where it did not or
	// was not sure and frames follow.
	found *screen.Found
}

// reduction returns by what factor frames of a width are made smaller.
func reduction(w int) int { return (w + probeWidth - 1) / probeWidth }

// kept is a reduced frame.
type kept struct {
	plane picture.Plane
	index int
	shown time.Duration
}

func (p *probe) next(ctx context.Context, take Frames) (done bool, err error) {
	c, err := take.Next(ctx)
	if errors.Is(err, io.EOF) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	defer c.Release()
	if err := c.Y.Check(); err != nil {
		return false, fmt.Errorf("frame %d at %.3f s: %w", c.Frame, c.Time.Seconds(), err)
	}
	n := len(p.kept)
	p.kept = append(p.kept, kept{screen.Reduce(&c.Y, reduction(c.Y.W)), c.Frame, c.Time})
	if n < glanceFrames {
		if p.options.Corners == nil {
			p.finder.Add(&c.Y)
		}
		if n+1 < glanceFrames {
			return false, nil
		}
		if p.glance(take.Format().Rate()) {
			return true, nil
		}
		if err := p.timing(ctx); err != nil {
			return false, err
		}
		if p.found != nil && p.options.Doubt && p.survey.Timing.Rate <= mostDirect {
			p.survey.Doubt = &Doubt{finder: p.finder, every: p.every()}
			return true, nil
		}
		p.found = nil
		return false, nil
	}
	if p.options.Corners == nil && n%p.every() == 0 && p.survey.life(c.Time) <= probeSeconds {
		p.finder.Add(&c.Y)
	}
	life := p.survey.life(c.Time)
	if p.promising && n+1 >= p.fewest() {
		try := life >= earlySeconds
		if !try && !p.soon && life >= soonSeconds {
			p.soon = true
			try = p.alone(take.Format())
		}
		if try {
			p.promising = life < earlySeconds
			if done, err = p.early(ctx, take.Format()); done || err != nil {
				return done, err
			}
		}
	}
	return life >= probeSeconds && n+1 >= p.fewest(), nil
}

// sureView reports whether the whole border of a screen shows.
func sureView(f *screen.Found) bool {
	return f.Kind == screen.Screen && !f.LitArea && f.Hidden == [4]bool{} && f.View.Bars == [4]float64{} &&
		min(f.Confidence, f.View.Confidence) >= sureBorder
}

// alone reports whether the rate of the set's pictures is sure already, on the screen as
// the glance found it, and has no other beside it.
func (p *probe) alone(f picture.Format) bool {
	s := *p.survey
	s.Found = p.first
	s.Raster = screen.RasterSize(s.Found.View, largest)
	s.refresh(p.kept, f)
	return s.Estimate.Alone() && s.sureRefresh()
}

// sureRefresh reports whether the rate of the set's pictures is beyond doubt.
func (s *Survey) sureRefresh() bool {
	e := &s.Estimate
	return e.Found && e.Nominal > 0 && e.Confidence >= sureRhythm && e.HzError <= sureHz && !s.Ambiguous
}

// early decides by the frames so far if they leave no doubt.
func (p *probe) early(ctx context.Context, f picture.Format) (sure bool, err error) {
	s, q := *p.survey, *p
	q.survey = &s
	if err := q.decide(ctx, f); err != nil {
		return false, err
	}
	sure = sureView(&s.Found) && s.sureRefresh() && (s.Estimate.Alone() || p.seconds() >= earlySeconds)
	if sure {
		*p.survey, p.decided = s, true
	}
	return sure, nil
}

// seconds is how much of life was looked at.
func (p *probe) seconds() float64 { return p.survey.life(p.kept[len(p.kept)-1].shown) }

// fewest is the number of frames that are looked at whatever they take: a file
// that may be played slower than life is long for what it shows.
func (p *probe) fewest() int {
	if t := &p.survey.Timing; t.Source == refresh.Spacing && t.Rate <= refresh.MostPlayed {
		return refresh.FewestSlowed
	}
	return 0
}

// every is the number of frames of which one is looked at for a screen.
func (p *probe) every() int { return max(1, int(probeSeconds*p.survey.Timing.Rate/spreadFrames)) }

// glance reports whether the first frames show for sure that the take is direct.
// It sets found where they show that, and promising where they show a whole screen.
func (p *probe) glance(rate float64) bool {
	if p.options.told() {
		return false
	}
	found, err := p.finder.Result()
	if err != nil || found.Kind != screen.Direct {
		p.promising, p.first = err == nil && sureView(&found), found
		return false
	}
	p.found = &found
	if rate > mostDirect && found.Confidence < provenDirect {
		// A close-up of a set changes up to the edges of the frame as well.
		return false
	}
	return found.Confidence >= sureDirect
}

// timing reads when the frames were captured.
func (p *probe) timing(ctx context.Context) error {
	if p.stamps == nil {
		return nil
	}
	times, tags, err := p.stamps(ctx)
	if err != nil {
		return err
	}
	s := p.survey
	s.stamps, s.Timing = times, refresh.RealTimes(times, tags, p.options.CaptureRate)
	p.camera, p.stamps = refresh.ByCamera(tags), nil
	return nil
}

func (p *probe) decide(ctx context.Context, f picture.Format) error {
	if p.decided {
		return nil
	}
	s := p.survey
	size := image.Pt(f.W, f.H)
	if len(p.kept) == 0 {
		return nil
	}
	switch {
	case p.options.Corners != nil:
		s.Found = screen.FromCorners(*p.options.Corners, size)
	case p.found != nil:
		s.Found = *p.found
	default:
		var err error
		if s.Found, err = p.finder.Result(); err != nil {
			return err
		}
	}
	s.Why = s.Found.Why
	bordered := s.Found.Kind == screen.Screen
	switch {
	case s.Found.Kind != screen.Direct:
		s.Screen = true
	case p.options.From == Screen || p.options.LinesPerPx > 0:
		// The user knows that it is a screen: one that fills the frame.
		s.Screen = true
		s.closeUp(size)
		s.Why = "the user says so; no border of a screen was found, so the whole frame is taken as a close-up"
	case p.options.From == Auto && p.found == nil && s.Timing.Rate > mostDirect && s.rolls(p.kept, f):
		s.Screen = true
		const rolls = "new pictures come on row by row, as on a set before a camera"
		if found, ok := p.unlit(); ok {
			s.Found, s.Why = found, found.Why+"; "+rolls
			break
		}
		s.Why = "no border of a screen shows, but " + rolls + "; the whole frame is taken as a close-up"
		return nil
	default:
		return nil
	}
	if l := p.options.LinesPerPx; l > 0 {
		s.Found.PxPerLine = 1 / l
		s.Why += fmt.Sprintf("; the user says that a camera pixel is as high as %.3g of the set's lines", l)
	}
	if err := p.timing(ctx); err != nil {
		return err
	}
	s.Raster = screen.RasterSize(s.Found.View, largest)
	s.refresh(p.kept, f)
	if bordered && !p.options.told() {
		s.judge(p.camera)
	}
	return nil
}

// unlit looks for a screen that does not stand in the frames as something lit.
func (p *probe) unlit() (screen.Found, bool) {
	if found, ok := p.finder.Enclosed(); ok {
		return found, true
	}
	return p.finder.Shaded()
}

// closeUp takes whole frames of a size as a close-up.
func (s *Survey) closeUp(size image.Point) {
	s.Found.Kind, s.Found.View, s.Found.Start = screen.CloseUp, screen.Whole(size), screen.Whole(size)
}

// leastRoll is how long after the first row the last one changes, as a share of the time
// from picture to picture, before the pictures of a file count as filmed: those of a
// direct take change all at once, and are known to a hundredth.
const leastRoll = 0.1

// rolls reports whether the whole frames show a set's new pictures coming on row by
// row, and takes them as a close-up then.
func (s *Survey) rolls(list []kept, f picture.Format) bool {
	before := *s
	s.closeUp(image.Pt(f.W, f.H))
	s.Raster = screen.RasterSize(s.Found.View, largest)
	s.refresh(list, f)
	if s.Estimate.Nominal > 0 && s.rolled() {
		return true
	}
	*s = before
	return false
}

// refresh estimates the set's refresh from the reduced frames.
func (s *Survey) refresh(list []kept, f picture.Format) {
	scale := 1 / float64(reduction(f.W))
	follower := screen.NewFollower(scaled(s.Found.Start, scale))
	rectifier := screen.NewRectifier(s.Raster)
	views := make([]screen.View, len(list))
	for i := range list {
		views[i] = follower.Follow(&list[i].plane)
	}
	var frames []refresh.Frame
	steady := newSteadier(s.Timing.Rate)
	for i := range list {
		k := &list[i]
		grid := make([]float32, gridCols*gridRows)
		rectifier.Sample(grid, gridCols, gridRows, &k.plane, steady.at(views, i))
		frames = append(frames, refresh.Frame{Index: k.index, Time: s.life(k.shown), Shown: k.shown, Grid: grid})
	}
	s.Estimate = refresh.Find(s.layout(), frames, refresh.FindOptions{})
	if s.Timing.Source != refresh.Spacing {
		return
	}
	// Without metadata the file may play slower than life: then the set's
	// refresh has a rate that no set has, or its roll is too slow for any.
	rate, sure := 0.0, false
	if s.Estimate.Found {
		rate, sure = refresh.GuessCapture(s.Timing.Rate, s.Estimate.Hz)
	} else if s.Timing.Rate <= refresh.MostPlayed {
		rate, sure = refresh.FindSlowed(s.layout(), frames, s.Timing.Rate)
	}
	if rate == 0 {
		return
	}
	s.Timing = refresh.RealTimes(s.stamps, nil, rate)
	s.Timing.Source = refresh.Refresh
	s.Timing.Reason = fmt.Sprintf("by the set's refresh the camera took %.4g frames a second", rate)
	s.Ambiguous = !sure
	for i := range frames {
		frames[i].Time = s.life(frames[i].Shown)
	}
	s.Estimate = refresh.Find(s.layout(), frames, refresh.FindOptions{})
}

func (s *Survey) layout() refresh.Layout {
	return refresh.Layout{Cols: gridCols, Rows: gridRows, Black: float64(s.black)}
}

// scaled returns a view of the same screen in a frame of another size.
func scaled(v screen.View, k float64) screen.View {
	for i, c := range v.Quad {
		v.Quad[i] = screen.Point{X: (c.X+0.5)*k - 0.5, Y: (c.Y+0.5)*k - 0.5}
	}
	v.Size = image.Pt(int(math.Round(float64(v.Size.X)*k)), int(math.Round(float64(v.Size.Y)*k)))
	return v
}
