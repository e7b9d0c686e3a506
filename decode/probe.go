package decode

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/asticode/go-astiav"
)

// Frames larger than this are refused: the largest broadcast format is
// 7680x4320, and a header that states more is damaged or hostile.
const (
	maxSide   = 16384
	maxPixels = 8192 * 8192
)

// fileURL before a path keeps libav from taking a colon in it for a protocol.
const fileURL = "file:"

// Containers of libav that are lists of other files, or text drawn as
// pictures; a take is one recording.
var notTakes = []string{"hls", "dash", "concat", "imf", "tty"}

func openReader(path string, threads int) (*reader, error) {
	st, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, reason(err)
	case st.IsDir():
		return nil, ErrFolder
	case !st.Mode().IsRegular():
		return nil, ErrNotFile
	case st.Size() == 0:
		return nil, ErrEmpty
	}
	r := &reader{path: path, size: st.Size(), threads: threads, pool: &framePool{}}
	if err := r.open(); err != nil {
		r.close()
		return nil, err
	}
	return r, nil
}

// reason strips an error of the file's name, which the caller puts before it.
func reason(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

func (r *reader) open() error {
	file, err := sniff(r.path)
	if err != nil {
		return reason(err)
	}
	options := astiav.NewDictionary()
	defer options.Free()
	// A media file may name others to be loaded; only files may follow.
	if err := options.Set("protocol_whitelist", "file", 0); err != nil {
		return err
	}
	input := astiav.AllocFormatContext()
	if input == nil {
		return errors.New("no memory for the container")
	}
	if err := input.OpenInput(fileURL+r.path, nil, options); err != nil {
		if file.noIndex {
			return ErrNoIndex
		}
		if w, h, ok := file.size(); ok && tooLarge(w, h) {
			return fmt.Errorf("%w: %dx%d", ErrTooLarge, w, h)
		}
		return notMedia(err)
	}
	r.input = input
	if slices.Contains(notTakes, input.InputFormat().Name()) {
		return ErrNotMedia
	}
	// Before the probe, which would allocate such frames.
	if err := r.checkSizes(); err != nil {
		return err
	}
	if err := input.FindStreamInfo(nil); err != nil {
		return notMedia(err)
	}
	if err := r.checkSizes(); err != nil {
		return err
	}
	if r.stream = pick(input.Streams()); r.stream == nil {
		return ErrNoVideo
	}
	if file.missing > 0 {
		r.cut(fmt.Sprintf("by its header %d bytes are missing at its end", file.missing))
	}
	p := r.stream.CodecParameters()
	if r.codec = astiav.FindDecoder(p.CodecID()); r.codec == nil {
		return fmt.Errorf("%w: no decoder for %s", ErrUnsupported, cmp.Or(p.CodecID().Name(), "its codec"))
	}
	base := r.stream.TimeBase()
	r.clock = clock{
		num: int64(base.Num()), den: int64(base.Den()),
		restarts: input.InputFormat().Flags().Has(astiav.IOFormatFlagTsDiscont),
	}
	if g := r.guessedRate(); g.num > 0 {
		r.clock.period = g.period()
	}
	r.packet = astiav.AllocPacket()
	return r.openDecoder()
}

// notMedia adds libav's reason unless it says the same.
func notMedia(err error) error {
	if errors.Is(err, astiav.ErrInvaliddata) {
		return ErrNotMedia
	}
	return fmt.Errorf("%w (%s)", ErrNotMedia, strings.ToLower(err.Error()))
}

func tooLarge(w, h int) bool {
	return w > maxSide || h > maxSide || w*h > maxPixels
}

func (r *reader) checkSizes() error {
	for _, s := range r.input.Streams() {
		p := s.CodecParameters()
		if p.MediaType() == astiav.MediaTypeVideo && tooLarge(p.Width(), p.Height()) {
			return fmt.Errorf("%w: %dx%d", ErrTooLarge, p.Width(), p.Height())
		}
	}
	return nil
}

// pick returns the video stream with the largest frames, the first of equals,
// or nil. The picture on the sleeve of a sound file is no video.
func pick(streams []*astiav.Stream) *astiav.Stream {
	var best *astiav.Stream
	area := 0
	for _, s := range streams {
		p := s.CodecParameters()
		if p.MediaType() != astiav.MediaTypeVideo || sleeve(s, len(streams)) {
			continue
		}
		if a := p.Width() * p.Height(); best == nil || a > area {
			best, area = s, a
		}
	}
	return best
}

// sleeve reports whether a stream is a picture attached to other streams: a
// still-picture codec for which the container knows no rate.
func sleeve(s *astiav.Stream, streams int) bool {
	switch s.CodecParameters().CodecID() {
	case astiav.CodecIDMjpeg, astiav.CodecIDPng, astiav.CodecIDBmp, astiav.CodecIDGif, astiav.CodecIDWebp, astiav.CodecIDTiff:
		return streams > 1 && s.AvgFrameRate().Num() == 0
	}
	return false
}

func (r *reader) openDecoder() error {
	r.decoder = astiav.AllocCodecContext(r.codec)
	if r.decoder == nil {
		return errors.New("no memory for the decoder")
	}
	if err := r.stream.CodecParameters().ToCodecContext(r.decoder); err != nil {
		return fmt.Errorf("%w (%s)", ErrUnsupported, strings.ToLower(err.Error()))
	}
	r.decoder.SetThreadCount(r.threads)
	r.decoder.SetThreadType(astiav.ThreadTypeFrame | astiav.ThreadTypeSlice)
	options := astiav.NewDictionary()
	defer options.Free()
	// The size may change inside the stream.
	if err := options.Set("max_pixels", fmt.Sprint(maxPixels), 0); err != nil {
		return err
	}
	if err := r.decoder.Open(r.codec, options); err != nil {
		return fmt.Errorf("%w (%s: %s)", ErrUnsupported, r.codec.Name(), strings.ToLower(err.Error()))
	}
	return nil
}

func (r *reader) container() string { return r.input.InputFormat().Name() }

// fieldOrder is the order that the stream states, Progressive when it does
// not say. The binding shows it in the decoder's description only.
func (r *reader) fieldOrder() Scan {
	s := r.decoder.String()
	switch {
	case strings.Contains(s, "top first"), strings.Contains(s, "bottom coded first (swapped)"):
		return InterlacedTopFirst
	case strings.Contains(s, "bottom first"), strings.Contains(s, "top coded first (swapped)"):
		return InterlacedBottomFirst
	}
	return Progressive
}

func (r *reader) duration() time.Duration {
	base := r.stream.TimeBase()
	if d := r.stream.Duration(); d > 0 && d != astiav.NoPtsValue {
		if t, ok := scale(d, int64(base.Num()), int64(base.Den())); ok {
			return t
		}
	}
	if d := r.input.Duration(); d > 0 && d != astiav.NoPtsValue {
		if t, ok := scale(d, 1, int64(time.Second/time.Microsecond)); ok { // AV_TIME_BASE
			return t
		}
	}
	return 0
}

func (r *reader) sampleAspect(av *astiav.Frame) rational {
	a := r.input.GuessSampleAspectRatio(r.stream, av)
	if a.Num() <= 0 || a.Den() <= 0 {
		return rational{1, 1}
	}
	return rational{a.Num(), a.Den()}
}

// orientation returns how the frames are to be turned, and a warning when
// they cannot be turned as the file asks.
func (r *reader) orientation(av *astiav.Frame) (turn, string) {
	b := r.stream.SideData(astiav.PacketSideDataTypeDisplaymatrix)
	if len(b) == 0 {
		if d := av.SideData(astiav.FrameSideDataTypeDisplaymatrix); d != nil {
			b = d.Data()
		}
	}
	m, err := astiav.NewDisplayMatrixFromBytes(b)
	if err != nil {
		return turn{}, ""
	}
	t, ok := turnOf(m)
	if !ok {
		return turn{}, "the file asks to be turned by an angle that is not a quarter turn; it is read unturned"
	}
	return t, ""
}

// rational is a fraction; 0/1 is not known.
type rational struct{ num, den int }

func (q rational) value() float64 { return float64(q.num) / float64(q.den) }

// period returns the time between two frames at this rate.
func (q rational) period() time.Duration {
	return time.Duration(math.Round(float64(time.Second) * float64(q.den) / float64(q.num)))
}

func known(q astiav.Rational) rational {
	if q.Num() <= 0 || q.Den() <= 0 {
		return rational{0, 1}
	}
	r := rational{q.Num(), q.Den()}
	for _, u := range usualRates {
		if math.Abs(r.value()/u.value()-1) < sameRate {
			return u
		}
	}
	return r
}

func (r *reader) guessedRate() rational {
	if g := known(r.input.GuessFrameRate(r.stream, nil)); g.num > 0 {
		return g
	}
	return known(r.stream.AvgFrameRate())
}

// Rates that broadcast, film and cameras use.
var usualRates = []rational{
	{24000, 1001}, {24, 1}, {25, 1}, {30000, 1001}, {30, 1}, {48, 1}, {50, 1}, {60000, 1001}, {60, 1},
	{100, 1}, {120000, 1001}, {120, 1}, {240000, 1001}, {240, 1},
}

// How far a rate that was measured over a few frames with a clock of 1 ms may
// lie from the one that is meant: a rate that the header states needs less
// evidence than one that it does not.
const (
	statedTolerance = 0.06 // 1 ms at 60 frames a second
	usualTolerance  = 0.02
	// A stated rate this near to a usual one is that rate, rounded by a
	// container that stores the period: 24 and 24/1.001 lie ten times as far
	// apart.
	sameRate = 1e-4
)

// rates returns the nominal rate of frames, and the rate at which two fields
// follow two fields, which is lower than it nowhere and higher under soft
// pulldown. The header's rates are believed where the first frames bear them
// out: for variable rates and for pulldown they are often those of a clock.
func (r *reader) rates(first []*frame) (frames, pairs rational) {
	stated := []rational{r.guessedRate(), known(r.stream.AvgFrameRate())}
	var steps, fields []time.Duration
	repeats := false
	for i, f := range first[:len(first)-1] {
		d := first[i+1].time - f.time
		steps = append(steps, d)
		fields = append(fields, d/time.Duration(2+f.flags.Repeat))
		repeats = repeats || f.flags.Repeat > 0
	}
	if len(steps) == 0 || r.clock.missing > 0 {
		return stated[0], stated[0]
	}
	step, field := median(steps), median(fields)
	if n := len(steps) &^ 1; repeats && n > 0 {
		// Pulldown alternates between two and three fields.
		step = (first[n].time - first[0].time) / time.Duration(n)
	}
	if step <= 0 || field <= 0 {
		return stated[0], stated[0]
	}
	frames = nearest(step, stated)
	return frames, nearest(2*field, append(stated, frames))
}

// nearest names the rate of a measured step: one that the header states, a
// usual one, or the step's own.
func nearest(step time.Duration, stated []rational) rational {
	hz := float64(time.Second) / float64(step)
	for _, try := range []struct {
		rates     []rational
		tolerance float64
	}{{stated, statedTolerance}, {usualRates, usualTolerance}} {
		best, off := rational{}, try.tolerance
		for _, q := range try.rates {
			if d := math.Abs(q.value()/hz - 1); q.num > 0 && d < off {
				best, off = q, d
			}
		}
		if best.num > 0 {
			return best
		}
	}
	return rational{int(math.Round(hz * 1000)), 1000}
}

func median(d []time.Duration) time.Duration {
	s := slices.Sorted(slices.Values(d))
	return s[len(s)/2]
}
