// Package decode turns a file into the pictures of a take. A path and options
// go in; pictures come out in presentation order, each with the time that the
// file gives it, with planes that share the decoder's memory wherever the
// file's layout allows it.
//
// Ownership: a Take owns everything native and gives it back in Close. The
// caller owns one reference of each picture that Next returns, may release it
// from any goroutine, and may release it after Close: the samples live as
// long as a picture that shows them.
//
// What goes wrong inside a file does not end a take: packets that do not
// decode are counted, timed and skipped, and Summary tells what was lost.
package decode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"time"

	"github.com/asticode/go-astiav"

	"setwitness/decode/picture"
)

// Fields says what becomes of the two fields of interlaced frames.
type Fields uint8

// FieldsAuto splits what is flagged interlaced, since a set receives fields;
// FieldsWeave keeps whole frames; FieldsSplit splits whatever the flags say.
const (
	FieldsAuto Fields = iota
	FieldsWeave
	FieldsSplit
)

func (f Fields) String() string { return [...]string{"auto", "weave", "split"}[f] }

// ParseFields reads the name of a way to treat fields.
func ParseFields(s string) (Fields, error) {
	for _, f := range []Fields{FieldsAuto, FieldsWeave, FieldsSplit} {
		if s == f.String() {
			return f, nil
		}
	}
	return 0, fmt.Errorf("fields %q is none of auto, weave and split", s)
}

// Options says how a take is read.
type Options struct {
	Fields Fields
	// Threads is the number of threads that decode; 0 chooses.
	Threads int
	// Keys are for Fetch: those of the first pass's Summary.
	Keys []Key
}

// More threads than this gain little and each holds a frame.
const maxThreads = 16

func (o Options) threads() int {
	if o.Threads > 0 {
		return min(o.Threads, maxThreads)
	}
	return min(runtime.GOMAXPROCS(0), maxThreads)
}

// Reasons for which a file cannot be read at all. Open wraps them with the
// file's name; a file that is missing wraps fs.ErrNotExist.
var (
	ErrFolder      = errors.New("is a folder, not a file")
	ErrNotFile     = errors.New("is not a regular file")
	ErrEmpty       = errors.New("is empty")
	ErrNotMedia    = errors.New("is not a video file, or one that is damaged at its start")
	ErrNoIndex     = errors.New("has no index (moov): the recording was cut off before it was finished")
	ErrNoVideo     = errors.New("holds no video")
	ErrTooLarge    = errors.New("states an absurd picture size")
	ErrUnsupported = errors.New("is in a form that cannot be decoded")
	ErrNoPictures  = errors.New("holds video of which no picture can be decoded")
)

// Scan is how the frames of a file were scanned, by their flags.
type Scan string

// The scans, as the findings document names them.
const (
	Progressive           Scan = "progressive"
	InterlacedTopFirst    Scan = "interlaced-tff"
	InterlacedBottomFirst Scan = "interlaced-bff"
)

// Info is what the file says about itself and what is done with it.
type Info struct {
	Path        string
	Container   string // by its libav name
	Codec       string // by its libav name
	PixelFormat string // as stored in the file
	W, H        int    // of a frame as stored, before rotation
	Rotation    int    // degrees clockwise, already applied to the pictures
	Mirrored    bool   // already applied to the pictures
	// RateNum/RateDen is the nominal number of frames a second, 0/1 when
	// neither the file nor its first frames tell.
	RateNum, RateDen int
	Scan             Scan
	Colour           picture.Colour
	Duration         time.Duration // by the file's header; 0 when it does not say
	// FieldsDone says in a sentence what was done about fields.
	FieldsDone string
}

// Damage is one place where the file lost data.
type Damage struct {
	Time   time.Duration // nearest presentation time
	Reason string
}

// Summary is what a take turned out to hold, up to where it was read.
type Summary struct {
	Frames   int // decoded and delivered
	Pictures int
	// Damaged counts packets and frames that did not decode; Places holds
	// the first of them.
	Damaged int
	Places  []Damage
	// CutShort is set when the file ends before its own end.
	CutShort bool
	// VariableRate is set when frames do not follow each other at one rate.
	VariableRate bool
	// Keys are where decoding can begin anew, in order. There are none where
	// a picture's time does not name it: where the file does not give each
	// one a time of its own.
	Keys     []Key
	Duration time.Duration // from the first frame to the end of the last
	Warnings []string
}

// maxPlaces bounds the list of damage; the count goes on.
const maxPlaces = 100

// Take reads one file. It is used by one goroutine; its pictures may be
// released by any.
type Take struct {
	info   Info
	format picture.Format
	reader *reader
	shaper *shaper
	split  *splitter // nil for whole frames

	first   []*frame // decoded by Open to see their flags
	pending []*picture.Picture
	err     error // what Next returns from now on

	keys    []Key
	lastKey int // frame of the last of keys

	frames, pictures    int
	period              time.Duration // nominal, of two fields
	previous            *pace
	intervals, uneven   int
	interlaced, repeats int // frames flagged so
}

// pace is what the regularity of the frame after depends on.
type pace struct {
	time   time.Duration
	repeat int
}

// Open opens a file and decodes its first frames, so that Format and Info are
// known when it returns.
func Open(path string, o Options) (*Take, error) {
	t := &Take{}
	if err := t.open(path, o); err != nil {
		t.Close()
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return t, nil
}

// The flags of this many frames decide how a take is read: enough that one
// wrong flag is outvoted, few because each is held in memory.
const firstFrames = 6

func (t *Take) open(path string, o Options) error {
	astiav.SetLogLevel(astiav.LogLevelQuiet) // the reader reports what it meets
	r, err := openReader(path, o.threads())
	if err != nil {
		return err
	}
	t.reader = r
	for len(t.first) < firstFrames {
		f, err := r.next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		t.first = append(t.first, f)
	}
	if len(t.first) == 0 {
		return ErrNoPictures
	}
	return t.describe(path, o)
}

// describe derives Info and Format from the header and the first frames.
func (t *Take) describe(path string, o Options) error {
	r := t.reader
	head := t.first[0]
	turn, turnNote := r.orientation(head.av)
	s, err := newShaper(head, turn, r.codec.ID())
	if err != nil {
		return err
	}
	t.shaper = s
	if turnNote != "" {
		r.warn(turnNote)
	}
	scan := scanOf(t.first, r.fieldOrder())
	split, done := chooseFields(o.Fields, scan, s)
	rate, pairs := r.rates(t.first)
	if pairs.num > 0 {
		t.period = pairs.period()
		r.clock.period = t.period
	}

	t.info = Info{
		Path: path, Container: r.container(), Codec: r.codec.ID().Name(), PixelFormat: s.source.Name,
		W: head.av.Width(), H: head.av.Height(),
		Rotation: turn.degrees(), Mirrored: turn.mirrored(),
		RateNum: rate.num, RateDen: rate.den,
		Scan: scan, Colour: s.colour, Duration: r.duration(), FieldsDone: done,
	}
	t.format = s.format(r.sampleAspect(head.av))
	t.format.RateNum, t.format.RateDen = rate.num, rate.den
	if split {
		t.split = newSplitter(scan, r.codec.ID(), s, t.period/2)
		t.format = t.split.format(t.format, pairs)
		t.info.FieldsDone = fieldsNote(done, t.format)
	}
	return nil
}

// Info returns what the file says about itself.
func (t *Take) Info() Info { return t.info }

// Format returns what all pictures of the take have in common.
func (t *Take) Format() picture.Format { return t.format }

// Next returns the next picture in presentation order; the caller owns one
// reference. After the last it returns io.EOF. When ctx ends it returns
// ctx's error and may be called again.
func (t *Take) Next(ctx context.Context) (*picture.Picture, error) {
	for len(t.pending) == 0 {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if t.err != nil {
			return nil, t.err
		}
		if err := t.more(ctx); err != nil {
			return nil, err
		}
	}
	p := t.pending[0]
	t.pending = t.pending[:copy(t.pending, t.pending[1:])]
	return p, nil
}

// more makes pictures of the next frame, if it gives any.
func (t *Take) more(ctx context.Context) error {
	f, err := t.nextFrame(ctx)
	if errors.Is(err, io.EOF) {
		t.err = io.EOF
		if t.split != nil {
			t.deliver(t.split.flush())
		}
		return nil
	}
	if err != nil {
		return err
	}
	sh, err := t.shaper.sheet(f)
	if err != nil {
		// A frame that cannot be brought into the take's format is lost
		// like one that does not decode.
		t.reader.damage(f.time, err.Error())
		return nil
	}
	t.watch(f)
	t.mark(f)
	if t.split == nil {
		t.deliver([]*picture.Picture{sh.show(sh.planes, f, t.frames)})
	} else {
		t.deliver(t.split.add(f, sh, t.frames))
	}
	sh.drop()
	t.frames++
	return nil
}

func (t *Take) nextFrame(ctx context.Context) (*frame, error) {
	if len(t.first) > 0 {
		f := t.first[0]
		t.first = t.first[1:]
		return f, nil
	}
	return t.reader.next(ctx)
}

func (t *Take) deliver(pictures []*picture.Picture) {
	for _, p := range pictures {
		p.Index = t.pictures
		t.pictures++
	}
	t.pending = append(t.pending, pictures...)
}

// Frames follow evenly when an interval differs from the nominal one by less
// than a container's clock of 1 ms and the jitter of a broadcast clock can
// explain (common practice, no source).
const (
	evenSlack = 1500 * time.Microsecond
	evenShare = 20 // of the nominal interval
)

// watch notes what Summary tells about the frames.
func (t *Take) watch(f *frame) {
	if f.flags.Interlaced {
		t.interlaced++
	}
	if f.flags.Repeat > 0 {
		t.repeats++
	}
	if p := t.previous; p != nil && t.period > 0 {
		want := t.period * time.Duration(2+p.repeat) / 2
		if d := f.time - p.time - want; d.Abs() > evenSlack+want/evenShare {
			t.uneven++
		}
		t.intervals++
	}
	t.previous = &pace{time: f.time, repeat: f.flags.Repeat}
}

// A rate is variable when this share of the intervals is uneven, and at
// least two: one lost frame does not make it so.
const (
	unevenShare = 100
	unevenLeast = 2
)

// Summary tells what the take turned out to hold so far.
func (t *Take) Summary() Summary {
	r := t.reader
	s := Summary{
		Frames: t.frames, Pictures: t.pictures,
		Damaged: r.damaged, Places: append([]Damage(nil), r.places...),
		CutShort:     r.cutShort,
		VariableRate: t.uneven >= unevenLeast && t.uneven*unevenShare >= t.intervals,
	}
	if r.clock.steady() && !t.shaper.changed && (t.split == nil || t.interlaced == t.frames && t.repeats == 0) {
		s.Keys = slices.Clone(t.keys)
	}
	if t.previous != nil {
		s.Duration = t.previous.time + t.period*time.Duration(2+t.previous.repeat)/2
	}
	s.Warnings = t.warnings()
	return s
}

func (t *Take) warnings() []string {
	r := t.reader
	var w []string
	add := func(format string, a ...any) { w = append(w, fmt.Sprintf(format, a...)) }
	if r.cutShort {
		add("the file is cut short: %s", r.cutWhy)
	}
	if r.damaged > 0 {
		add("packets or frames that did not decode: %d, the first at %.3f s (%s)",
			r.damaged, r.places[0].Time.Seconds(), r.places[0].Reason)
	}
	w = append(w, r.clock.warnings()...)
	w = append(w, r.warned...)
	if t.shaper.changed {
		add("the picture format changes inside the file; later frames were converted to that of the first")
	}
	if t.split == nil && t.info.Scan == Progressive && t.interlaced > 1 {
		add("%d of %d frames are flagged interlaced; the take is read as progressive", t.interlaced, t.frames)
	}
	if t.split != nil && t.info.Scan != Progressive && t.interlaced < t.frames {
		add("%d of %d frames are flagged progressive inside an interlaced take", t.frames-t.interlaced, t.frames)
	}
	if t.repeats > 0 {
		add("%d of %d frames are to be shown for longer than their two fields (soft pulldown)", t.repeats, t.frames)
	}
	return w
}

// Close gives the native memory back, except what pictures still show.
func (t *Take) Close() {
	for _, f := range t.first {
		f.drop()
	}
	t.first = nil
	if t.split != nil {
		t.split.close()
	}
	for _, p := range t.pending {
		p.Release()
	}
	t.pending = nil
	if t.shaper != nil {
		t.shaper.close()
	}
	if t.reader != nil {
		t.reader.close()
	}
	t.err = errClosed
}

var errClosed = errors.New("the take is closed")
