package filming

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"sync"
	"time"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
	"setwitness/testdata/takes"
)

// Capture is a set filmed by a camera. Frames are rendered when they are asked
// for; asking in order is fastest. Its methods may be called from several
// goroutines.
type Capture struct {
	// Format is that of the camera's frames, upright.
	Format picture.Format
	Frames int
	// Source is what the set was given. Its Truth is in source pictures;
	// Displayed and DisplayedBy translate.
	Source faults.Sequence
	Set    Set
	Camera Camera
	Room   Room

	displayed []Displayed
	times     []float64 // s, of each frame's first exposure
	stamps    []time.Duration
	base      matrix // raster to straight camera px at the own pose
	lens      lens
	mover     *mover
	seed      int64

	aspect float64 // width of a sample of the raster over its height

	mu    sync.Mutex
	ready bool
	renderer
}

// Film films what the set shows of a source for some seconds (0: until the
// source ends). One seed always gives the same capture.
func Film(source faults.Sequence, set Set, camera Camera, room Room, seconds float64, seed int64) (*Capture, error) {
	if source.Len <= 0 || source.Format.Fields || source.Format.Rate() <= 0 {
		return nil, errors.New("filming: the source needs whole pictures at a rate")
	}
	if err := set.check(); err != nil {
		return nil, fmt.Errorf("filming: %w", err)
	}
	if err := camera.check(); err != nil {
		return nil, fmt.Errorf("filming: %w", err)
	}
	if seconds == 0 {
		seconds = float64(source.Len)/source.Format.Rate() + set.PhaseS
	}
	c := &Capture{Source: source, Set: set, Camera: camera, Room: room, seed: seed, lens: camera.lens()}
	c.Format = picture.Format{
		W: camera.W, H: camera.H, Depth: 8, ChromaX: 1, ChromaY: 1,
		Colour:  picture.Colour{Transfer: "bt709", Primaries: "bt709", Matrix: "bt709", FullRange: camera.FullRange},
		RateNum: camera.RateNum, RateDen: camera.RateDen, SampleAspectNum: 1, SampleAspectDen: 1,
	}
	c.clock(seconds)
	if c.Frames == 0 {
		return nil, fmt.Errorf("filming: no frame in %g s", seconds)
	}
	if c.reach() > most {
		return nil, fmt.Errorf("filming: a frame holds more than %d pictures", most)
	}
	last := c.times[c.Frames-1] + camera.ReadoutS + camera.ExposureS
	c.displayed = set.show(source.Len, source.Format.Rate(), last)
	f := source.Format
	c.aspect = 1
	if f.SampleAspectNum > 0 && f.SampleAspectDen > 0 {
		c.aspect = float64(f.SampleAspectNum) / float64(f.SampleAspectDen)
	}
	c.base = camera.pose(f.W, f.H, c.aspect)
	c.mover = newMover(camera.Motion, rand.New(rand.NewPCG(uint64(seed), 2)))
	return c, nil
}

// clock sets the time and the stamp of each frame.
func (c *Capture) clock(seconds float64) {
	cam := &c.Camera
	r := rand.New(rand.NewPCG(uint64(c.seed), 1))
	period := 1 / cam.Rate()
	var own []float64 // times by the camera's clock
	for i := 0; ; i++ {
		t := float64(i) * float64(cam.RateDen) / float64(cam.RateNum)
		if t+cam.ReadoutS+cam.ExposureS > seconds {
			break
		}
		// Never so much that frames would change places.
		jitter := max(-period/3, min(period/3, cam.JitterS*r.NormFloat64()))
		missing := r.Float64() < cam.DropShare
		if i == 0 {
			jitter, missing = 0, false
		}
		if !missing {
			own = append(own, t+jitter)
			c.times = append(c.times, (t+jitter)*(1+cam.ClockPPM*1e-6))
		}
	}
	c.Frames = len(c.times)
	stretch := 1.0
	if cam.Stamps != RealTime {
		to := cam.StretchTo
		if to == 0 {
			to = 30
		}
		stretch = cam.Rate() / float64(to)
		if cam.Stamps == Stretched {
			c.Format.RateNum, c.Format.RateDen = to, 1
		}
	}
	stamp, before := 0.0, 0.0
	for i, t := range own {
		step := t - before
		if cam.Stamps == Stretched || cam.Stamps == MiddleStretched && i > c.Frames/3 && i <= 2*c.Frames/3 {
			step *= stretch
		}
		stamp += step
		before = t
		c.stamps = append(c.stamps, time.Duration(math.Round(stamp*1e9)))
	}
}

// Displayed returns what the set showed, in order of time.
func (c *Capture) Displayed() []Displayed { return c.displayed }

// DisplayedBy returns the first and the last displayed picture that hold one
// of the source pictures from first to last; ok is false when the set had left
// out all of them or did not get there.
func (c *Capture) DisplayedBy(first, last int) (from, to int, ok bool) {
	from = -1
	for i, d := range c.displayed {
		if d.Source >= first && d.Source <= last {
			if from < 0 {
				from = i
			}
			to = i
		}
	}
	return max(from, 0), to, from >= 0
}

// Faults returns what is wrong in the source as it is displayed: First and Last
// are displayed pictures, places are those on a raster of w by h. What was not
// displayed is left out.
func (c *Capture) Faults(w, h int) []faults.Truth {
	var out []faults.Truth
	for _, t := range faults.Scale(c.Source, w, h, faults.Smooth).Truth {
		from, to, ok := c.DisplayedBy(t.First, t.Last)
		if ok {
			t.First, t.Last = from, to
			out = append(out, t)
		}
	}
	return out
}

// DisplayedAt returns which displayed picture the middle of the screen showed
// at a presentation time of the file.
func (c *Capture) DisplayedAt(stamp time.Duration) int {
	i, found := slices.BinarySearch(c.stamps, stamp)
	t := 0.0
	switch {
	case found || i == 0:
		t = c.times[min(i, c.Frames-1)]
	case i == c.Frames:
		t = c.times[i-1]
	default:
		share := float64(stamp-c.stamps[i-1]) / float64(c.stamps[i]-c.stamps[i-1])
		t = c.times[i-1] + share*(c.times[i]-c.times[i-1])
	}
	return c.current(t, float64(c.Source.Format.H)/2)
}

// current returns which displayed picture a line shows at a time; the first
// one also before its update.
func (c *Capture) current(t, line float64) int {
	n := sort.Search(len(c.displayed), func(d int) bool { return c.UpdateS(d, line) > t })
	return max(0, n-1)
}

// Frame is the truth about one camera frame.
type Frame struct {
	Index int
	// TimeS is when the exposure of the row that is read first began, and
	// Stamp the frame's presentation time in the file.
	TimeS float64
	Stamp time.Duration
	Geometry
	// Corners are those of the lit raster in the frame: upper left, upper
	// right, lower right, lower left.
	Corners [4]Point

	c *Capture
}

// Frame returns the truth about frame i.
func (c *Capture) Frame(i int) Frame {
	f := Frame{Index: i, TimeS: c.times[i], Stamp: c.stamps[i], Geometry: c.geometry(i), c: c}
	w, h := float64(c.Source.Format.W), float64(c.Source.Format.H)
	for k, p := range [4]Point{{0, 0}, {w, 0}, {w, h}, {0, h}} {
		f.Corners[k] = f.ToCamera(p)
	}
	return f
}

// geometry returns that of frame i, taken in the middle of its readout.
func (c *Capture) geometry(i int) Geometry {
	h := c.base
	if c.Camera.Motion.moves() {
		h = c.mover.at(c.times[i]+(c.Camera.ReadoutS+c.Camera.ExposureS)/2, c.lens).times(h)
	}
	return Geometry{Homography: h, Inverse: h.inverse(), lens: c.lens}
}

// StampAt returns the presentation time in the file that belongs to a time of
// the capture, between frames by proportion.
func (c *Capture) StampAt(timeS float64) time.Duration {
	if c.Frames == 1 {
		return c.stamps[0]
	}
	i, _ := slices.BinarySearch(c.times, timeS)
	i = max(1, min(i, c.Frames-1))
	a, b := c.times[i-1], c.times[i]
	return c.stamps[i-1] + time.Duration((timeS-a)/(b-a)*float64(c.stamps[i]-c.stamps[i-1]))
}

// Exposure is what a point of a camera frame was exposed to.
type Exposure struct {
	// First is the first displayed picture, and Shares how much of the time
	// of exposure belongs to it and to those that follow. None is 0.
	First  int
	Shares []float64
}

// Main returns the displayed picture with the largest share, and that share.
func (e Exposure) Main() (displayed int, share float64) {
	for i, s := range e.Shares {
		if s > share {
			displayed, share = e.First+i, s
		}
	}
	return displayed, share
}

// Share returns the share of a displayed picture.
func (e Exposure) Share(displayed int) float64 {
	if i := displayed - e.First; i >= 0 && i < len(e.Shares) {
		return e.Shares[i]
	}
	return 0
}

// Mixed reports whether another picture than the main one has more than a
// share of the exposure.
func (e Exposure) Mixed(share float64) bool {
	_, main := e.Main()
	return 1-main > share
}

// At returns the exposure of the camera pixel that holds a place in the frame.
func (f *Frame) At(camera Point) Exposure {
	x, y := math.Floor(camera.X)+0.5, math.Floor(camera.Y)+0.5
	return f.c.exposure(f.StartS(camera), f.ToRaster(Point{x, y}).Y)
}

// LightAt returns the shares of light, where At has those of time: they also
// hold what dips and the backlight take away, and what is left of a picture
// while a liquid crystal settles on the next one. Their sum is less than 1
// where there are dips.
func (f *Frame) LightAt(camera Point) Exposure {
	c := f.c
	first, last := c.touched(f.Index)
	w := make([]float32, last-first+1)
	h := float64(c.Source.Format.H)
	x, y := math.Floor(camera.X)+0.5, math.Floor(camera.Y)+0.5
	line := max(0, min(h, f.ToRaster(Point{x, y}).Y))
	c.share(first, f.StartS(camera), line/h*c.Set.RollS, w)
	for len(w) > 1 && w[0] == 0 {
		w, first = w[1:], first+1
	}
	for len(w) > 1 && w[len(w)-1] == 0 {
		w = w[:len(w)-1]
	}
	e := Exposure{First: first}
	for _, v := range w {
		e.Shares = append(e.Shares, float64(v))
	}
	return e
}

// AtRaster returns the exposure of the camera pixel that sees a place on the
// raster.
func (f *Frame) AtRaster(raster Point) Exposure { return f.At(f.ToCamera(raster)) }

// Rows returns the exposure of each row of the frame (each column, when the
// readout runs across it) where it crosses the middle of the raster.
func (f *Frame) Rows() []Exposure {
	cam := &f.c.Camera
	middle := f.ToCamera(Point{float64(f.c.Source.Format.W) / 2, float64(f.c.Source.Format.H) / 2})
	out := make([]Exposure, cam.rows())
	for i := range out {
		p := Point{middle.X, float64(i) + 0.5}
		if cam.Readout.Across() {
			p = Point{float64(i) + 0.5, middle.Y}
		}
		out[i] = f.At(p)
	}
	return out
}

// StartS returns when the exposure of the pixel at a place began.
func (f *Frame) StartS(camera Point) float64 {
	cam := &f.c.Camera
	row := cam.row(math.Floor(camera.X)+0.5, math.Floor(camera.Y)+0.5)
	return f.TimeS + cam.lineS()*cam.whole(row)
}

// UpdateS returns when the set began to show a displayed picture in a line of
// the raster.
func (c *Capture) UpdateS(displayed int, line float64) float64 {
	h := float64(c.Source.Format.H)
	return c.displayed[displayed].StartS + c.Set.RollS*max(0, min(h, line))/h
}

// exposure returns what an exposure that starts at t saw of a line.
func (c *Capture) exposure(t, line float64) Exposure {
	end := t + c.Camera.ExposureS
	d := c.current(t, line)
	e := Exposure{First: d}
	for at := t; ; d++ {
		next := end
		if d+1 < len(c.displayed) {
			next = min(end, c.UpdateS(d+1, line))
		}
		e.Shares = append(e.Shares, (next-at)/c.Camera.ExposureS)
		if next >= end {
			return e
		}
		at = next
	}
}

// Picture renders frame i.
func (c *Capture) Picture(i int) *picture.Picture {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.makeReady()
	p := c.render(c, i)
	p.Index, p.Frame, p.Time = i, i, c.stamps[i]
	return p
}

// Gain returns how much the exposure of frame i has drifted: 1 is none. The
// pictures up to there are rendered for it, if they have not been.
func (c *Capture) Gain(i int) float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.makeReady()
	return c.gain(c, c.times[i]+c.Camera.ExposureS/2)
}

func (c *Capture) makeReady() {
	if !c.ready {
		c.setUp(c)
		c.ready = true
	}
}

// Stream plays the capture from its first frame, once, in memory.
func (c *Capture) Stream() *Stream { return &Stream{c: c} }

// Stream is a capture being played; it is a detect.Source.
type Stream struct {
	c    *Capture
	next int
}

// Format returns the format of the frames.
func (s *Stream) Format() picture.Format { return s.c.Format }

// Next renders the next frame.
func (s *Stream) Next(ctx context.Context) (*picture.Picture, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if s.next >= s.c.Frames {
		return nil, io.EOF
	}
	s.next++
	return s.c.Picture(s.next - 1), nil
}

// OfTake makes a source of a take.
func OfTake(t takes.Take) faults.Sequence {
	return faults.Sequence{Format: t.Format, Len: t.Frames, At: t.Picture, Truth: t.Truth}
}

// OfScene makes a source of n pictures of a scene.
func OfScene(s *scene.Scene, n int) faults.Sequence {
	return faults.Sequence{Format: s.Format(), Len: n, At: s.At}
}
