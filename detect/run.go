package detect

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect/signature"
	"setwitness/detect/vision"
)

// Source yields the pictures of a take in presentation order; the caller
// owns each one that it gets. Next returns io.EOF after the last.
type Source interface {
	Format() picture.Format
	Next(ctx context.Context) (*picture.Picture, error)
}

// A Keeper is a Source that can keep what a picture was made of: the evidence of the
// events wants the pictures once more in which these are strongest.
type Keeper interface {
	// Keep asks for picture i, Drop says that an event that asked for it does so no more.
	Keep(i int)
	Drop(i int)
}

// Window is what a stage sees while it steps at picture T.
type Window struct {
	T int

	run   *run
	stage *Stage
}

// Picture returns picture i, or nil where the take has none. i must lie
// within the window that the stage declared, and the stage must be one that
// reads, else it panics.
func (w *Window) Picture(i int) *picture.Picture {
	if !w.stage.Reads {
		panic(fmt.Sprintf("detect: stage %s reads pictures without declaring it", w.stage.Name))
	}
	if i < w.T-w.stage.Back || i > w.T+w.stage.Ahead {
		panic(fmt.Sprintf("detect: stage %s at picture %d reads picture %d outside its window", w.stage.Name, w.T, i))
	}
	return w.run.picture(i)
}

// Last reports whether the take ends with picture T. The stage must have
// declared a window ahead, else it panics.
func (w *Window) Last() bool {
	if w.stage.Ahead == 0 {
		panic(fmt.Sprintf("detect: stage %s does not wait for the next picture", w.stage.Name))
	}
	return w.T == w.run.newest
}

// Time returns when picture T was shown in life, from the first: its
// presentation time but in files that play slower.
func (w *Window) Time() time.Duration {
	p := w.run.picture(w.T)
	return p.Time - p.Slowed
}

// Anew reports whether the file's coding begins anew with picture T, where it does not do
// so with every one: what a codec left out of those before comes at once.
func (w *Window) Anew() bool {
	p, before := w.run.picture(w.T), w.run.picture(w.T-1)
	return p.Key && before != nil && !before.Key
}

// Mark leaves a mark. Its kind must be the stage's own. One whose rows cannot be
// trusted, in its picture or the one before, is dropped: what was exposed
// across two pictures shows both, and that is the camera's doing; contours and
// blocks it does not make. Nor is a break of the cadence told where the file lost data,
// for a decoder then shows a picture again, or where most of a picture cannot be
// trusted.
func (w *Window) Mark(m Mark) {
	if m.Kind != w.stage.Kind || m.Kind == "" {
		panic(fmt.Sprintf("detect: stage %s leaves a mark of kind %q", w.stage.Name, string(m.Kind)))
	}
	for _, i := range [2]int{m.Picture - 1, m.Picture} {
		if p := w.run.picture(i); m.Kind.PerPicture() && p != nil && !p.Trusted(m.Region.Min.Y, m.Region.Max.Y) {
			return
		}
	}
	if m.Kind == CadenceBreak && (w.run.guessed[m.Picture] || w.run.guessed[m.Picture-1]) {
		return
	}
	m.seen = w.run.glance(m.Picture, m.Region)
	w.run.joiner.add(m)
}

// CadenceRun is a stretch of the take in which new pictures follow each
// other in one way.
type CadenceRun struct {
	Start, End int     // pictures, End exclusive
	Pattern    string  // 1:1, 2:2, 3:2, 2:3:3:2 ..., static or irregular
	NewPerS    float64 // by the times of the pictures
	NewShare   float64 // new pictures among all
}

// Result is what a run found. It holds whatever was found up to the point
// where the run ended, also when Run returns an error beside it.
type Result struct {
	Format picture.Format
	// Conditions are those that visibility is stated for, with the raster of
	// the take.
	Conditions vision.Conditions
	Pictures   int
	Times      []time.Duration // presentation time of each picture
	Frames     []int           // the file's frame of each picture
	Events     []Event         // in order of start
	Faint      []Event         // those that were too unsure to be one
	Coverage   []Coverage      // of the kinds that a stage examined
	Cadence    []CadenceRun
	// Signatures are those of the pictures; nil where no stage takes them.
	Signatures *signature.Sequence
	Spent      map[string]time.Duration // wall time in each stage, by name
}

type slot struct {
	stage *Stage
	state State
	delay int
	next  int // picture to step at
	win   Window
	spent time.Duration
}

type run struct {
	ring []*picture.Picture // picture i is at i % len(ring)
	// hold is how many of the newest pictures have their samples. Those
	// before are in bare, with what is known of them beside, and a sketch.
	hold     int
	bare     []picture.Picture
	sketches []sketch
	newest   int
	slots    []*slot
	joiner   *joiner
	viewer   *vision.Viewer
	lives    []time.Duration // when each picture was shown in life, from the first
	guessed  map[int]bool    // pictures of which most is not known
	res      *Result
}

func (r *run) picture(i int) *picture.Picture {
	if i < 0 || i > r.newest || i <= r.newest-len(r.ring) {
		return nil
	}
	return r.ring[i%len(r.ring)]
}

// Run is RunUnder the reference conditions of the take's own transfer.
func Run(ctx context.Context, src Source, stages []*Stage, options map[string]float64, progress func(*picture.Picture)) (*Result, error) {
	c := vision.Reference(vision.EOTFOf(src.Format().Colour.Transfer))
	return RunUnder(ctx, c, src, stages, options, progress)
}

// RunUnder steps the stages over all pictures of src, and states visibility for
// the given conditions; their lines are taken from the format. options maps
// "stage.option" to values; an unknown name or a value out of range is an
// error. progress, if not nil, is called after each picture. When ctx ends,
// or when src fails, RunUnder returns the result so far beside the error.
func RunUnder(ctx context.Context, c vision.Conditions, src Source, stages []*Stage, options map[string]float64, progress func(*picture.Picture)) (*Result, error) {
	if err := Validate(stages); err != nil {
		return nil, err
	}
	if err := checkOptions(stages, options); err != nil {
		return nil, err
	}
	viewer, err := viewerOf(c, src.Format())
	if err != nil {
		return nil, fmt.Errorf("conditions of viewing: %w", err)
	}
	r := &run{newest: -1, guessed: map[int]bool{}, viewer: viewer}
	r.res = &Result{Format: src.Format(), Conditions: viewer.Conditions, Spent: map[string]time.Duration{}}
	r.joiner = newJoiner(src.Format())
	r.joiner.keeper, _ = src.(Keeper)
	if err := r.setUp(stages, options); err != nil {
		return nil, err
	}
	defer r.release()

	err = r.pump(ctx, src, progress)
	late := r.finish()
	if err == nil {
		err = late
	}
	return r.res, err
}

func checkOptions(stages []*Stage, options map[string]float64) error {
	known := map[string]Option{}
	for _, s := range stages {
		for _, o := range s.Options {
			known[s.Name+"."+o.Name] = o
		}
	}
	for name, v := range options {
		o, ok := known[name]
		if !ok {
			return fmt.Errorf("no stage has an option %s", name)
		}
		if !(v >= o.Min && v <= o.Max) {
			return fmt.Errorf("option %s: %g is outside %g to %g", name, v, o.Min, o.Max)
		}
	}
	return nil
}

// setUp computes delays and histories from the declared windows and makes
// the states.
func (r *run) setUp(stages []*Stage, options map[string]float64) error {
	delay := map[*Stage]int{}
	keep := 1
	r.hold = 1
	for _, s := range stages {
		d := s.Ahead
		for _, n := range s.Needs {
			d = max(d, delay[n.Stage]+n.Ahead)
		}
		delay[s] = d
		keep = max(keep, d+s.Back+1)
		if s.Reads {
			r.hold = max(r.hold, d+s.Back+1)
		}
	}
	history := map[*Stage]int{}
	for _, s := range stages {
		history[s] = max(history[s], 1)
		for _, n := range s.Needs {
			history[n.Stage] = max(history[n.Stage], delay[s]+n.Back-delay[n.Stage]+1)
		}
	}
	r.ring, r.bare, r.sketches = make([]*picture.Picture, keep), make([]picture.Picture, keep), make([]sketch, keep)
	states := map[*Stage]State{}
	for _, s := range stages {
		state, err := s.New(&Setup{Format: r.res.Format, Viewer: r.viewer, History: history[s], stage: s, states: states, options: options})
		if err != nil {
			return fmt.Errorf("stage %s: %w", s.Name, err)
		}
		if _, ok := state.(Examiner); !ok && s.Kind != "" {
			return fmt.Errorf("stage %s leaves marks and states no coverage", s.Name)
		}
		states[s] = state
		sl := &slot{stage: s, state: state, delay: delay[s]}
		sl.win = Window{run: r, stage: s}
		r.slots = append(r.slots, sl)
	}
	return nil
}

func (r *run) pump(ctx context.Context, src Source, progress func(*picture.Picture)) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		p, err := src.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		r.newest++
		r.strip(r.newest - r.hold)
		at := r.newest % len(r.ring)
		r.ring[at] = p
		r.sketches[at].draw(&p.Y) // while its samples are in the cache
		if p.Damaged || mostlyDoubtful(p.Trust) {
			r.guessed[r.newest] = true
		}
		r.res.Pictures++
		r.res.Times = append(r.res.Times, p.Time)
		r.res.Frames = append(r.res.Frames, p.Frame)
		r.lives = append(r.lives, p.Time-p.Slowed)
		for _, s := range r.slots {
			if err := r.stepTo(s, r.newest-s.delay); err != nil {
				return err
			}
		}
		if progress != nil {
			progress(p)
		}
	}
}

// mostlyDoubtful reports whether more than half of the bands cannot be trusted.
func mostlyDoubtful(trust []float64) bool {
	n := 0
	for _, t := range trust {
		if t == 0 {
			n++
		}
	}
	return 2*n > len(trust)
}

// strip lets the samples of picture i go.
func (r *run) strip(i int) {
	if i < 0 {
		return
	}
	at := i % len(r.ring)
	p, b := r.ring[at], &r.bare[at]
	b.Index, b.Frame, b.Time, b.Key, b.Damaged, b.Slowed, b.Trust = p.Index, p.Frame, p.Time, p.Key, p.Damaged, p.Slowed, p.Trust
	b.Y = picture.Plane{W: p.Y.W, H: p.Y.H, Depth: p.Y.Depth}
	r.ring[at] = b
	p.Release()
}

// glance looks at a region of picture i.
func (r *run) glance(i int, region image.Rectangle) glance {
	p := r.picture(i)
	if p != nil && i <= r.newest-r.hold {
		return r.sketches[i%len(r.ring)].glance(region, p.Y.Depth)
	}
	return glanceAt(p, region)
}

func (r *run) stepTo(s *slot, t int) error {
	start := time.Now()
	defer func() { s.spent += time.Since(start) }()
	for ; s.next <= t; s.next++ {
		s.win.T = s.next
		if err := s.state.Step(&s.win); err != nil {
			return fmt.Errorf("picture %d at %.3f s: stage %s: %w", s.next, r.picture(s.next).Time.Seconds(), s.stage.Name, err)
		}
	}
	return nil
}

// finish steps every stage over the pictures that it still waits for, and
// gathers events and coverage. It returns the first error of a stage; the
// others go on to their end.
func (r *run) finish() (first error) {
	// Step by step, so that a reader never finds a measurement overwritten
	// by one that ran ahead of it.
	for extra := 1; extra <= len(r.ring); extra++ {
		for _, s := range r.slots {
			if err := r.stepTo(s, min(r.newest, r.newest+extra-s.delay)); err != nil {
				s.next = r.newest + 1 // this stage ends here
				if first == nil {
					first = err
				}
			}
		}
	}
	r.res.Events = r.joiner.finish()
	r.res.Faint = r.joiner.faint
	for i := range r.res.Events {
		e := &r.res.Events[i]
		e.Visibility = visibility(r.viewer, r.res.Format.W, e, r.shown(e))
	}
	for _, s := range r.slots {
		r.res.Spent[s.stage.Name] = s.spent
		if e, ok := s.state.(Examiner); ok && s.stage.Kind != "" {
			r.res.Coverage = append(r.res.Coverage, r.covered(e.Coverage()))
		}
		if c, ok := s.state.(interface{ Cadence() []CadenceRun }); ok {
			r.res.Cadence = c.Cadence()
		}
		if g, ok := s.state.(interface{ Signatures() *signature.Sequence }); ok {
			r.res.Signatures = g.Signatures()
		}
	}
	return first
}

// covered returns a coverage that says no less than the events of its kind: what was
// found could be seen there, by whatever the stage goes for the rest of the take.
func (r *run) covered(c Coverage) Coverage {
	if c.State != NotExaminable {
		return c
	}
	var found time.Duration
	for i := range r.res.Events {
		if e := &r.res.Events[i]; e.Kind == c.Kind {
			found += r.shown(e)
		}
	}
	if found > 0 {
		c.State, c.Seconds, c.Floor = Limited, found.Seconds(), 0
		if c.Why != "" {
			c.Why = "but for what was found: " + c.Why
		}
	}
	return c
}

// shown is how long an event could be seen in life.
func (r *run) shown(e *Event) time.Duration {
	n := len(r.lives)
	if e.End+1 < n {
		return r.lives[e.End+1] - r.lives[e.Start]
	}
	// The last picture stays for a picture period, or for as long as the one
	// before it where the file states no rate.
	var stays time.Duration
	if rate := r.res.Format.Rate(); rate > 0 {
		stays = time.Duration(float64(time.Second) / rate)
	} else if n > 1 {
		stays = r.lives[n-1] - r.lives[n-2]
	}
	return r.lives[e.End] - r.lives[e.Start] + stays
}

func (r *run) release() {
	for i := max(0, r.newest-r.hold+1); i <= r.newest; i++ {
		r.ring[i%len(r.ring)].Release()
	}
}
