// Package encode writes clips. Pictures go in, in presentation order; a file
// comes out under its name when Close has finished it, and none when the
// writer is aborted. The demo, the tests and the annotated clips use it.
package encode

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"github.com/asticode/go-astiav"

	"setwitness/decode/picture"
	"setwitness/decode/plane"
)

// Options says what to write. The container follows from the extension of
// Path.
type Options struct {
	Path string
	W, H int
	// RateNum/RateDen is the number of frames a second.
	RateNum, RateDen int
	// VariableRate takes the times from the pictures instead of counting.
	VariableRate bool
	Codec        string // an encoder of libavcodec; libx264 when empty
	PixelFormat  string // planar YUV or gray, little endian; yuv420p when empty
	// Parity is Frame for progressive frames; Top or Bottom for frames that
	// are two woven fields, of which that one is first.
	Parity picture.Parity
	Colour picture.Colour
	// SampleAspectNum/Den is the width of a sample over its height; square
	// when zero.
	SampleAspectNum, SampleAspectDen int
	// Rotation is how far a player turns the pictures clockwise: 0, 90, 180
	// or 270 degrees.
	Rotation int
	BitRate  int // bits a second; the encoder's own constant quality when 0
	GOP      int // frames from one key frame to the next at most; the encoder's own when 0
	// Private are options of the encoder or the container, by their libav
	// names (crf, preset, movflags ...). They win over the defaults.
	Private map[string]string
}

// The clock of a file with a variable rate, as in MPEG systems: fine enough
// for every broadcast rate.
const variableClock = 90000

// fileURL before a path keeps libav from taking a colon in it for a protocol.
const fileURL = "file:"

// Numbers of libav's option field_order: which field is coded and shown
// first.
const (
	fieldOrderTop    = "2"
	fieldOrderBottom = "3"
)

// Writer writes one clip. End it with Close or Abort.
type Writer struct {
	o       Options
	temp    string
	layout  plane.Layout
	base    astiav.Rational // of the encoder's times
	muxer   *astiav.FormatContext
	io      *astiav.IOContext
	encoder *astiav.CodecContext
	stream  *astiav.Stream
	frame   *astiav.Frame
	packet  *astiav.Packet
	next    int64 // earliest time of the next picture
	err     error // what broke the writer
}

// Create opens a clip for writing, under a temporary name beside its own.
func Create(o Options) (*Writer, error) {
	w := &Writer{o: o}
	if err := w.open(); err != nil {
		w.Abort()
		return nil, fmt.Errorf("%s: %w", o.Path, err)
	}
	return w, nil
}

func (w *Writer) open() error {
	o := &w.o
	if o.Codec == "" {
		o.Codec = "libx264"
	}
	if o.PixelFormat == "" {
		o.PixelFormat = "yuv420p"
	}
	if o.W <= 0 || o.H <= 0 {
		return fmt.Errorf("frames of %dx%d", o.W, o.H)
	}
	if o.RateNum <= 0 || o.RateDen <= 0 {
		return fmt.Errorf("rate of %d/%d frames a second", o.RateNum, o.RateDen)
	}
	if o.Rotation < 0 || o.Rotation > 270 || o.Rotation%90 != 0 {
		return fmt.Errorf("rotation by %d degrees is not 0, 90, 180 or 270", o.Rotation)
	}
	astiav.SetLogLevel(astiav.LogLevelQuiet)

	codec := astiav.FindEncoderByName(o.Codec)
	if codec == nil {
		return fmt.Errorf("no encoder %s", o.Codec)
	}
	format := astiav.FindPixelFormatByName(o.PixelFormat)
	layout, err := plane.Describe(int(format))
	if err != nil {
		return fmt.Errorf("no pixel format %s", o.PixelFormat)
	}
	if !layout.Planar() || layout.RGB || layout.Alpha {
		return fmt.Errorf("pixel format %s is not planar YUV or gray", o.PixelFormat)
	}
	w.layout = layout

	if w.temp, err = reserve(o.Path); err != nil {
		return err
	}
	if w.muxer, err = astiav.AllocOutputFormatContext(nil, "", fileURL+w.temp); err != nil {
		return fmt.Errorf("no container for this extension: %w", err)
	}
	options := astiav.NewDictionary()
	defer options.Free()
	if err := w.setOptions(options, w.muxer.OutputFormat().Name()); err != nil {
		return err
	}
	if err := w.openEncoder(codec, format, options); err != nil {
		return err
	}
	if err := w.openFile(options); err != nil {
		return err
	}
	if left := options.Get("", nil, astiav.NewDictionaryFlags(astiav.DictionaryFlagIgnoreSuffix)); left != nil {
		return fmt.Errorf("neither %s nor the container knows the option %s", o.Codec, left.Key())
	}

	w.frame, w.packet = astiav.AllocFrame(), astiav.AllocPacket()
	w.frame.SetWidth(o.W)
	w.frame.SetHeight(o.H)
	w.frame.SetPixelFormat(format)
	if err := w.frame.AllocBuffer(0); err != nil {
		return fmt.Errorf("memory for a frame: %w", err)
	}
	plane.SetColour(w.frame.UnsafePointer(), o.Colour)
	return nil
}

// reserve makes an empty file beside path, with path's own extension because
// the container follows from it.
func reserve(path string) (string, error) {
	dir, base := filepath.Split(path)
	for i := range 100 {
		temp := filepath.Join(dir, fmt.Sprintf(".%d-%d-%s", os.Getpid(), i, base))
		f, err := os.OpenFile(temp, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		return temp, f.Close()
	}
	return "", errors.New("too many unfinished files of this name")
}

// setOptions gathers the options by their libav names, the caller's last.
func (w *Writer) setOptions(d *astiav.Dictionary, container string) error {
	o := &w.o
	set := map[string]string{"threads": "auto", "color_range": "tv"}
	if o.Colour.FullRange {
		set["color_range"] = "pc"
	}
	for name, v := range map[string]string{
		"color_trc": o.Colour.Transfer, "color_primaries": o.Colour.Primaries, "colorspace": o.Colour.Matrix,
	} {
		if v != "" {
			set[name] = v
		}
	}
	if o.BitRate > 0 {
		set["b"] = strconv.Itoa(o.BitRate)
	}
	if o.GOP > 0 {
		set["g"] = strconv.Itoa(o.GOP)
	}
	switch o.Parity {
	case picture.Top:
		set["flags"], set["field_order"] = "+ildct+ilme", fieldOrderTop
	case picture.Bottom:
		set["flags"], set["field_order"] = "+ildct+ilme", fieldOrderBottom
	}
	switch o.Codec {
	case "libx264":
		set["preset"] = "veryfast"
		if o.BitRate == 0 {
			set["crf"] = "18" // visually close to the source (common practice, no source)
		}
	case "libx265":
		set["preset"] = "veryfast"
		set["x265-params"] = "log-level=none" // it prints past libav's log otherwise
	}
	if container == "mp4" || container == "mov" {
		set["movflags"] = "+faststart" // plays in a browser before it is loaded
	}
	maps.Copy(set, o.Private)
	for _, name := range slices.Sorted(maps.Keys(set)) {
		if err := d.Set(name, set[name], 0); err != nil {
			return fmt.Errorf("option %s: %w", name, err)
		}
	}
	return nil
}

func (w *Writer) openEncoder(codec *astiav.Codec, format astiav.PixelFormat, options *astiav.Dictionary) error {
	o := &w.o
	w.base = astiav.NewRational(o.RateDen, o.RateNum)
	if o.VariableRate {
		w.base = astiav.NewRational(1, variableClock)
	}
	w.encoder = astiav.AllocCodecContext(codec)
	w.encoder.SetWidth(o.W)
	w.encoder.SetHeight(o.H)
	w.encoder.SetPixelFormat(format)
	w.encoder.SetTimeBase(w.base)
	w.encoder.SetFramerate(astiav.NewRational(o.RateNum, o.RateDen))
	if o.SampleAspectNum > 0 && o.SampleAspectDen > 0 {
		w.encoder.SetSampleAspectRatio(astiav.NewRational(o.SampleAspectNum, o.SampleAspectDen))
	}
	if w.muxer.OutputFormat().Flags().Has(astiav.IOFormatFlagGlobalheader) {
		w.encoder.SetFlags(w.encoder.Flags().Add(astiav.CodecContextFlagGlobalHeader))
	}
	if err := w.encoder.Open(codec, options); err != nil {
		return fmt.Errorf("%s does not take %dx%d %s at %d/%d a second: %w",
			o.Codec, o.W, o.H, o.PixelFormat, o.RateNum, o.RateDen, err)
	}
	return nil
}

func (w *Writer) openFile(options *astiav.Dictionary) error {
	o := &w.o
	w.stream = w.muxer.NewStream(nil)
	if w.stream == nil {
		return errors.New("no memory for a stream")
	}
	if err := w.encoder.ToCodecParameters(w.stream.CodecParameters()); err != nil {
		return err
	}
	w.stream.SetTimeBase(w.base)
	w.stream.SetAvgFrameRate(astiav.NewRational(o.RateNum, o.RateDen))
	// Some containers go by the stream's own, others by that of its parameters.
	w.stream.SetSampleAspectRatio(w.encoder.SampleAspectRatio())
	if o.Rotation != 0 {
		m := astiav.NewDisplayMatrixFromRotation(float64(o.Rotation))
		if err := w.stream.AddSideData(astiav.PacketSideDataTypeDisplaymatrix, m.Bytes()); err != nil {
			return err
		}
	}
	var err error
	if w.io, err = astiav.OpenIOContext(fileURL+w.temp, astiav.NewIOContextFlags(astiav.IOContextFlagWrite)); err != nil {
		return err
	}
	w.muxer.SetPb(w.io)
	if err := w.muxer.WriteHeader(options); err != nil {
		return fmt.Errorf("container %s does not take %s: %w", w.muxer.OutputFormat().Name(), o.Codec, err)
	}
	return nil
}

// Write adds a picture. It must have the size, depth and subsampling of the
// clip's pixel format; a picture without chroma is written as gray. Its
// samples are copied, its reference stays with the caller.
func (w *Writer) Write(p *picture.Picture) error {
	if w.err != nil {
		return w.err
	}
	if err := w.write(p); err != nil {
		w.err = fmt.Errorf("%s: picture %d: %w", w.o.Path, p.Index, err)
	}
	return w.err
}

func (w *Writer) write(p *picture.Picture) error {
	if err := plane.MakeWritable(w.frame.UnsafePointer()); err != nil {
		return err
	}
	for i, src := range []*picture.Plane{&p.Y, &p.Cb, &p.Cr} {
		if i > 0 && w.layout.Gray() {
			break
		}
		dst, err := plane.View(w.frame.UnsafePointer(), w.layout, i)
		if err != nil {
			return err
		}
		if i > 0 && src.Empty() {
			fill(&dst)
			continue
		}
		if err := copyPlane(&dst, src); err != nil {
			return fmt.Errorf("component %d: %w", i, err)
		}
	}
	at := w.next
	if w.o.VariableRate {
		at = ticks(p.Time)
		if at < w.next {
			return fmt.Errorf("time %v does not follow the picture before", p.Time)
		}
	}
	w.next = at + 1
	w.frame.SetPts(at)
	w.frame.SetPictureType(astiav.PictureTypeNone)
	if w.o.Parity != picture.Frame {
		plane.SetFields(w.frame.UnsafePointer(), w.o.Parity == picture.Top)
	}
	return w.encode(w.frame)
}

func ticks(t time.Duration) int64 {
	s, rest := int64(t/time.Second), int64(t%time.Second)
	return s*variableClock + (rest*variableClock+int64(time.Second)/2)/int64(time.Second)
}

func copyPlane(dst, src *picture.Plane) error {
	if err := src.Check(); err != nil {
		return err
	}
	if src.W != dst.W || src.H != dst.H || src.Depth != dst.Depth {
		return fmt.Errorf("%dx%d samples of %d bits, the clip takes %dx%d of %d bits",
			src.W, src.H, src.Depth, dst.W, dst.H, dst.Depth)
	}
	for y := range src.H {
		d, s := y*dst.Stride, y*src.Stride
		if src.Depth == 8 {
			copy(dst.Pix[d:d+dst.W], src.Pix[s:s+src.W])
		} else {
			copy(dst.Pix16[d:d+dst.W], src.Pix16[s:s+src.W])
		}
	}
	return nil
}

// fill gives every sample of a chroma plane the code value of no colour.
func fill(p *picture.Plane) {
	none := 1 << (p.Depth - 1)
	for y := range p.H {
		for x := range p.W {
			if p.Depth == 8 {
				p.Pix[y*p.Stride+x] = uint8(none)
			} else {
				p.Pix16[y*p.Stride+x] = uint16(none)
			}
		}
	}
}

// encode hands a frame, or nil at the end, to the encoder and writes the
// packets that come out.
func (w *Writer) encode(f *astiav.Frame) error {
	if err := w.encoder.SendFrame(f); err != nil {
		return fmt.Errorf("encoding: %w", err)
	}
	for {
		err := w.encoder.ReceivePacket(w.packet)
		if errors.Is(err, astiav.ErrEagain) || errors.Is(err, astiav.ErrEof) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("encoding: %w", err)
		}
		if w.packet.Duration() == 0 && !w.o.VariableRate {
			w.packet.SetDuration(1)
		}
		w.packet.SetStreamIndex(w.stream.Index())
		w.packet.RescaleTs(w.base, w.stream.TimeBase())
		if err := w.muxer.WriteInterleavedFrame(w.packet); err != nil {
			return fmt.Errorf("writing: %w", err)
		}
	}
}

// Close finishes the clip and gives it its name. If anything went wrong, now
// or before, it leaves no file and returns the error.
func (w *Writer) Close() error {
	err := w.err
	if err == nil {
		err = w.finish()
	}
	if err == nil {
		w.free()
		err = os.Rename(w.temp, w.o.Path)
	}
	if err != nil {
		w.err = err
		w.Abort()
		return err
	}
	w.temp = ""
	w.err = fmt.Errorf("%s: the clip is closed", w.o.Path)
	return nil
}

func (w *Writer) finish() error {
	if err := w.encode(nil); err != nil {
		return fmt.Errorf("%s: %w", w.o.Path, err)
	}
	if err := w.muxer.WriteTrailer(); err != nil {
		return fmt.Errorf("%s: writing: %w", w.o.Path, err)
	}
	io := w.io
	w.io = nil
	if err := io.Close(); err != nil {
		return fmt.Errorf("%s: writing: %w", w.o.Path, err)
	}
	return nil
}

// Abort ends the writer and leaves no file. After Close it does nothing.
func (w *Writer) Abort() {
	w.free()
	if w.temp != "" {
		os.Remove(w.temp)
		w.temp = ""
	}
	if w.err == nil {
		w.err = fmt.Errorf("%s: the clip is closed", w.o.Path)
	}
}

func (w *Writer) free() {
	if w.io != nil {
		w.io.Close()
		w.io = nil
	}
	if w.packet != nil {
		w.packet.Free()
		w.packet = nil
	}
	if w.frame != nil {
		w.frame.Free()
		w.frame = nil
	}
	if w.encoder != nil {
		w.encoder.Free()
		w.encoder = nil
	}
	if w.muxer != nil {
		w.muxer.Free()
		w.muxer = nil
	}
}
