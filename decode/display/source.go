package display

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"setwitness/decode/picture"
	"setwitness/decode/refresh"
	"setwitness/decode/screen"
)

// Source yields the pictures that the set displayed, rebuilt from the frames of
// a take. Used by one goroutine.
type Source struct {
	survey *Survey
	take   Frames
	format picture.Format

	view      *screen.Follower
	lock      *refresh.Follower
	builder   *refresh.Builder
	rectifier *screen.Rectifier
	grid      []float32
	planes    planes // of the pictures
	gridless  gridless
	light     light
	chroma    chroma

	// fresh are camera frames, with their views beside them, whose place is
	// not steadied yet, from half of them that are, which lend their views.
	fresh   []*picture.Picture
	views   []screen.View
	steady  *steadier
	held    []held // camera frames that may still be asked for
	ready   []*picture.Picture
	ended   bool
	made    made            // of what each picture was made
	numbers []int           // of each picture, in the order of time
	lives   []time.Duration // when each was shown in life
	parts   []Part          // of the picture that is being built
	record  record
	keeper  keeper
	facts   Facts

	first   *screen.Quad // where the screen was at first
	strays  float64      // sum of squares, px
	strayed int
}

// planes keeps those of pictures that were released, for pictures to come.
type planes struct {
	mu    sync.Mutex
	spare []picture.Plane
}

func (s *planes) take(w, h, depth int) picture.Plane {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := len(s.spare); n > 0 {
		p := s.spare[n-1]
		s.spare = s.spare[:n-1]
		return p
	}
	return picture.New(w, h, depth)
}

func (s *planes) give(p picture.Plane) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.spare = append(s.spare, p)
}

type held struct {
	frame *picture.Picture
	view  screen.View
}

// Part is rows of one camera frame that a picture was made of.
type Part struct {
	Frame    int           // of the file
	Shown    time.Duration // its presentation time
	View     screen.View
	From, To int // rows of the raster, To exclusive
}

// Facts are what became of the take.
type Facts struct {
	Frames    int // camera frames read
	Displayed int // pictures rebuilt
	// Mixed is the camera frames of which some band saw two pictures.
	Mixed int
	// Trusted is the share of all bands of all pictures that an unmixed
	// exposure shows.
	Trusted float64
	// Unlocked is the camera frames for which the set's refresh was not
	// known.
	Unlocked int
	// Carried is the frames in which the border could not be seen, Cuts
	// those before which the camera was knocked.
	Carried, Cuts int
	// Noise is the standard deviation of a sample of one exposure, in codes
	// of the file.
	Noise float64
	// Spread is by how many camera pixels, root mean square, what one frame
	// says of a corner differs from its path over the frames around, and Sway
	// the farthest that a corner went from where it was at first.
	Spread, Sway float64

	trusted, bands float64
}

// Source starts to rebuild the pictures of a take of a screen, from its first
// frame on.
func (s *Survey) Source(take Frames) (*Source, error) {
	if !s.Screen {
		return nil, errors.New("a direct take has no displayed pictures to rebuild")
	}
	f := take.Format()
	o := &Source{
		survey: s, take: take,
		view:      screen.NewFollower(s.Found.Start),
		rectifier: screen.NewRectifier(s.Raster),
		grid:      make([]float32, gridCols*gridRows),
		steady:    newSteadier(s.Timing.Rate),
	}
	o.light.black = float64(int(s.black) << refresh.MoreBits)
	if s.Found.Kind == screen.CloseUp {
		o.gridless.pitch = s.Found.PxPerLine * float64(s.Raster.X) / float64(max(f.W, 1))
	}
	estimate := &s.Estimate
	if !estimate.Found {
		estimate = nil
	}
	o.lock = refresh.NewFollower(s.layout(), estimate, refresh.FollowOptions{})
	var err error
	o.builder, err = refresh.NewBuilder(refresh.BuildOptions{
		W: s.Raster.X, H: s.Raster.Y, Depth: f.Depth, Black: s.black, Plane: o.planes.take,
	}, o, o.built)
	if err != nil {
		return nil, err
	}
	o.format = picture.Format{
		W: s.Raster.X, H: s.Raster.Y, Depth: f.Depth + refresh.MoreBits, ChromaX: -1, ChromaY: -1, Colour: f.Colour,
		SampleAspectNum: 1, SampleAspectDen: 1,
	}
	o.format.RateNum, o.format.RateDen = rate(s.Estimate)
	return o, nil
}

// rate returns the pictures a second as a fraction.
func rate(e refresh.Estimate) (num, den int) {
	hz := e.Hz
	if e.Nominal > 0 {
		hz = e.Nominal
	}
	if hz <= 0 {
		return 0, 1
	}
	// The rates over 1.001 (SMPTE ST 170 and its successors) are not rounded.
	if n := math.Round(hz * 1.001); math.Abs(n/1.001-hz) < math.Abs(math.Round(hz)-hz) {
		return int(n) * 1000, 1001
	}
	return int(math.Round(hz * 1000)), 1000
}

// Format returns the format of the rebuilt pictures: luma alone. Ten times a
// second one has chroma as well, half as wide and high.
func (o *Source) Format() picture.Format { return o.format }

// Facts returns what became of the take so far.
func (o *Source) Facts() Facts {
	f := o.facts
	if f.bands > 0 {
		f.Trusted = f.trusted / f.bands
	}
	if o.strayed > 0 {
		f.Spread = math.Sqrt(o.strays / float64(o.strayed))
	}
	return f
}

// Parts returns of which rows of which camera frames picture i was made, the
// one to prefer first.
func (o *Source) Parts(i int) []Part { return o.made.of(i) }

// Life returns when picture i was shown in life, from the first frame on.
func (o *Source) Life(i int) time.Duration { return o.lives[i] }

// Close lets the camera frames go that are still held.
func (o *Source) Close() {
	for _, c := range o.fresh {
		c.Release()
	}
	for _, h := range o.held {
		h.frame.Release()
	}
	o.fresh, o.held = nil, nil
	o.keeper.latest, o.keeper.spare = nil, nil
}

// Next returns the next displayed picture; the caller owns one reference.
func (o *Source) Next(ctx context.Context) (*picture.Picture, error) {
	for len(o.ready) == 0 {
		if o.ended {
			return nil, io.EOF
		}
		c, err := o.take.Next(ctx)
		switch {
		case errors.Is(err, io.EOF):
			o.ended = true
			for len(o.fresh) > 0 {
				if err := o.place(); err != nil {
					return nil, err
				}
			}
			if err := o.add(o.lock.Flush()); err != nil {
				return nil, err
			}
			if err := o.builder.Flush(); err != nil {
				return nil, err
			}
			o.Close()
		case err != nil:
			return nil, err
		default:
			if err := o.push(c); err != nil {
				return nil, err
			}
		}
	}
	p := o.ready[0]
	o.ready = o.ready[:copy(o.ready, o.ready[1:])]
	return p, nil
}

// push takes the next camera frame and its reference.
func (o *Source) push(c *picture.Picture) error {
	o.facts.Frames++
	v := o.view.Follow(&c.Y)
	if v.Cut {
		o.facts.Cuts++
	}
	if v.Carried {
		o.facts.Carried++
	}
	o.fresh, o.views = append(o.fresh, c), append(o.views, v)
	if len(o.fresh) <= o.steady.half {
		return nil
	}
	return o.place()
}

// place steadies the oldest fresh frame and lets it through the lock.
func (o *Source) place() error {
	i := len(o.views) - len(o.fresh)
	c, v := o.fresh[0], o.steady.at(o.views, i)
	o.watch(o.views[i], v)
	o.fresh = o.fresh[:copy(o.fresh, o.fresh[1:])]
	if i >= o.steady.half {
		o.views = o.views[:copy(o.views, o.views[i-o.steady.half+1:])]
	}
	if v.Cut {
		o.lock.Cut()
	}
	o.held = append(o.held, held{c, v})
	o.rectifier.Sample(o.grid, gridCols, gridRows, &c.Y, v)
	return o.add(o.lock.Push(refresh.Frame{
		Index: c.Frame, Time: o.survey.life(c.Time), Shown: c.Time, Grid: o.grid,
	}))
}

// watch measures how far the corners of one frame are from their path, and how
// far that leads.
func (o *Source) watch(measured, path screen.View) {
	if path.Carried {
		return
	}
	if o.first == nil {
		o.first = &path.Quad
	}
	for i, c := range path.Quad {
		o.strays += math.Pow(measured.Quad[i].X-c.X, 2) + math.Pow(measured.Quad[i].Y-c.Y, 2)
		o.strayed++
		o.facts.Sway = max(o.facts.Sway, math.Hypot(c.X-o.first[i].X, c.Y-o.first[i].Y))
	}
}

// add lets decisions through the builder and lets go of frames.
func (o *Source) add(list []refresh.Decision) error {
	lock, _ := o.lock.Locked()
	for i := range list {
		d := &list[i]
		o.record.add(d, lock)
		if !d.Locked {
			o.facts.Unlocked++
		}
		if slices.ContainsFunc(d.Bands, func(b refresh.Band) bool { return b.Mixed && !b.Still }) {
			o.facts.Mixed++
		}
		if err := o.builder.Add(d); err != nil {
			return err
		}
	}
	oldest := o.builder.Oldest()
	n := 0
	for n < len(o.held) && o.held[n].frame.Frame < oldest {
		o.held[n].frame.Release()
		n++
	}
	o.held = o.held[:copy(o.held, o.held[n:])]
	return nil
}

// heldAt returns a camera frame that is held, or nil.
func (o *Source) heldAt(frame int) *held {
	i, ok := slices.BinarySearchFunc(o.held, frame, func(h held, f int) int { return h.frame.Frame - f })
	if !ok {
		return nil
	}
	return &o.held[i]
}

// Rectify is for the builder.
func (o *Source) Rectify(dst *picture.Plane, frame, fromRow, toRow int) error {
	h := o.heldAt(frame)
	if h == nil {
		return fmt.Errorf("camera frame %d is no longer held", frame)
	}
	o.parts = append(o.parts, Part{Frame: frame, Shown: h.frame.Time, View: h.view, From: fromRow, To: toRow})
	return o.rectifier.Rectify(dst, &h.frame.Y, h.view, fromRow, toRow)
}

// noiseOf is the standard deviation of a picture's samples, in its codes.
func noiseOf(b *refresh.Built) float64 {
	n := 0
	for _, e := range b.Exposures {
		n += e
	}
	each := max(float64(n)/float64(len(b.Exposures)), 1)
	return b.Noise * math.Ldexp(1, refresh.MoreBits) / math.Sqrt(each)
}

// built receives a picture from the builder.
func (o *Source) built(b *refresh.Built) error {
	p := &picture.Picture{
		Index: o.facts.Displayed, Frame: b.Frame, Time: b.Time, Y: b.Y, Trust: b.Trust,
		Slowed: b.Time - time.Duration(b.Real*float64(time.Second)),
	}
	p.SetRelease(func() { o.planes.give(b.Y) })
	o.gridless.even(&p.Y)
	o.light.even(&p.Y, noiseOf(b), b.Locked)
	if b.Locked {
		// Elsewhere what is evened is the mean of all ripples, which keeps none.
		p.Ripple = o.light.uneven()
	}
	coverRim(&p.Y, o.survey.rimOf(1))
	if !b.Locked {
		// Which picture these rows show is not known.
		p.Trust = make([]float64, len(b.Trust))
	}
	for _, t := range p.Trust {
		o.facts.bands++
		if t > 0 {
			o.facts.trusted++
		}
	}
	o.facts.Noise = b.Noise
	o.facts.Displayed++
	if err := o.addChroma(p); err != nil {
		return fmt.Errorf("displayed picture %d: chroma: %w", b.Picture, err)
	}
	o.made.add(o.parts)
	o.keeper.add(p.Index, o.parts, o.survey.Raster.Y, func(frame int) *picture.Picture {
		if h := o.heldAt(frame); h != nil {
			return h.frame
		}
		return nil
	})
	o.numbers = append(o.numbers, b.Picture)
	o.lives = append(o.lives, p.Time-p.Slowed)
	o.parts = o.parts[:0]
	o.ready = append(o.ready, p)
	return nil
}
