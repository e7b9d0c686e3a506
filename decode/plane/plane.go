// Package plane reaches what the libav binding does not: the samples of a
// frame as planes that share its memory, the flags and the colour description
// that a frame carries, and the conversion of layouts that are not planar.
// Frames come in as the pointers that the binding hands out; picture.Plane
// values and plain numbers go out.
//
// It is the only package that includes libav headers. It owns no frame: a
// plane of View must not be used after its frame is unreferenced.
package plane

/*
#cgo pkg-config: libavcodec libavutil libswscale
#cgo CFLAGS: -O3 -std=c11
#include <stdlib.h>
#include <libavcodec/avcodec.h>
#include <libavutil/frame.h>
#include <libavutil/pixdesc.h>
#include <libswscale/swscale.h>

// The loops run over bytes that libav lays out; a sample of two bytes is
// assembled from them so that neither alignment nor byte order matters.
static void unpack8(uint8_t *restrict dst, ptrdiff_t dst_stride,
                    const uint8_t *restrict src, ptrdiff_t src_stride,
                    int step, int shift, int mask, int w, int h)
{
	for (int y = 0; y < h; y++, dst += dst_stride, src += src_stride)
		for (int x = 0; x < w; x++)
			dst[x] = (src[(ptrdiff_t)x * step] >> shift) & mask;
}

static void unpack16(uint16_t *restrict dst, ptrdiff_t dst_stride,
                     const uint8_t *restrict src, ptrdiff_t src_stride,
                     int step, int big_endian, int shift, int mask, int w, int h)
{
	int lo = big_endian ? 1 : 0, hi = 1 - lo;
	for (int y = 0; y < h; y++, dst += dst_stride, src += src_stride)
		for (int x = 0; x < w; x++) {
			const uint8_t *s = src + (ptrdiff_t)x * step;
			dst[x] = ((s[lo] | s[hi] << 8) >> shift) & mask;
		}
}

// The tiles keep both rows and columns of a transposition in the cache.
enum { TILE = 32 };

#define TURN(name, type)                                                              \
	static void name(type *restrict dst, ptrdiff_t dst_stride, const type *restrict src, \
	                 ptrdiff_t step_x, ptrdiff_t step_y, int w, int h)                   \
	{                                                                                    \
		for (int ty = 0; ty < h; ty += TILE)                                             \
			for (int tx = 0; tx < w; tx += TILE)                                         \
				for (int y = ty; y < h && y < ty + TILE; y++)                            \
					for (int x = tx; x < w && x < tx + TILE; x++)                        \
						dst[y * dst_stride + x] = src[x * step_x + y * step_y];          \
	}
TURN(turn8, uint8_t)
TURN(turn16, uint16_t)

static int frame_scale(struct SwsContext *c, AVFrame *dst, const AVFrame *src)
{
	return sws_scale(c, (const uint8_t *const *)src->data, src->linesize, 0, src->height,
	                 dst->data, dst->linesize);
}

// Colour coefficients for swscale of an AVColorSpace. Where the file does not
// say, HD and above is BT.709 and anything smaller BT.601, as sets assume.
static const int *coefficients(int space, int height)
{
	if (space == AVCOL_SPC_UNSPECIFIED || space == AVCOL_SPC_RESERVED || space == AVCOL_SPC_RGB)
		space = height >= 720 ? AVCOL_SPC_BT709 : AVCOL_SPC_SMPTE170M;
	return sws_getCoefficients(space);
}

static int set_colour(struct SwsContext *c, int space, int height, int src_full, int dst_full)
{
	const int *k = coefficients(space, height);
	return sws_setColorspaceDetails(c, k, src_full, k, dst_full, 0, 1 << 16, 1 << 16);
}
*/
import "C"

import (
	"errors"
	"fmt"
	"unsafe"

	"setwitness/decode/picture"
)

// Component says where the samples of one component lie in a pixel format.
type Component struct {
	Plane  int // index of the memory plane
	Step   int // bytes from one sample to the next
	Offset int // bytes before the first sample
	Shift  int // bits below the sample's least significant bit
	Depth  int // bits a sample
}

// Layout describes a pixel format of libav.
type Layout struct {
	Name             string
	Components       []Component // luma, blue and red difference; or R, G, B; alpha last
	ChromaX, ChromaY int         // log2 of the chroma subsampling
	BigEndian        bool
	RGB, Alpha       bool
	// Opaque formats hold no samples that can be picked out one by one:
	// palettes, bit streams, hardware surfaces, floats, sensor mosaics.
	Opaque bool
}

// Describe returns the layout of a pixel format, by its libav number.
func Describe(format int) (Layout, error) {
	d := C.av_pix_fmt_desc_get(C.enum_AVPixelFormat(format))
	if d == nil {
		return Layout{}, fmt.Errorf("unknown pixel format %d", format)
	}
	l := Layout{
		Name:    C.GoString(d.name),
		ChromaX: int(d.log2_chroma_w), ChromaY: int(d.log2_chroma_h),
		BigEndian: d.flags&C.AV_PIX_FMT_FLAG_BE != 0,
		RGB:       d.flags&(C.AV_PIX_FMT_FLAG_RGB|C.AV_PIX_FMT_FLAG_PAL) != 0,
		Alpha:     d.flags&C.AV_PIX_FMT_FLAG_ALPHA != 0,
		Opaque: d.flags&(C.AV_PIX_FMT_FLAG_PAL|C.AV_PIX_FMT_FLAG_BITSTREAM|C.AV_PIX_FMT_FLAG_HWACCEL|
			C.AV_PIX_FMT_FLAG_FLOAT|C.AV_PIX_FMT_FLAG_BAYER) != 0,
	}
	for i := range int(d.nb_components) {
		c := d.comp[i]
		l.Components = append(l.Components, Component{
			Plane: int(c.plane), Step: int(c.step), Offset: int(c.offset),
			Shift: int(c.shift), Depth: int(c.depth),
		})
		if c.depth > 16 || c.step > 8 {
			l.Opaque = true
		}
	}
	return l, nil
}

// Gray reports whether the format has luma alone.
func (l Layout) Gray() bool {
	n := len(l.Components)
	if l.Alpha {
		n--
	}
	return n == 1
}

// Planar reports whether the samples of every colour component lie side by
// side in a plane of their own, as picture.Plane wants them.
func (l Layout) Planar() bool {
	if l.Opaque || l.BigEndian {
		return false
	}
	for _, c := range l.Components {
		if c.Depth < 8 || c.Shift != 0 || c.Offset != 0 || c.Step != bytes(c.Depth) {
			return false
		}
	}
	return true
}

func bytes(depth int) int {
	if depth > 8 {
		return 2
	}
	return 1
}

// size returns the samples of component i of a frame.
func (l Layout) size(f *C.AVFrame, i int) (w, h int) {
	w, h = int(f.width), int(f.height)
	if i == 1 || i == 2 {
		w, h = -(-w >> l.ChromaX), -(-h >> l.ChromaY)
	}
	return w, h
}

// ErrLayout says that a frame's samples cannot be seen as planes in place.
var ErrLayout = errors.New("samples do not lie in planes of their own")

// View returns component i of a frame as a plane that shares the frame's
// memory, for reading and, on a frame that is writable, for writing. Layouts
// that are not planar and rows that run upwards give ErrLayout.
func View(frame unsafe.Pointer, l Layout, i int) (picture.Plane, error) {
	f := (*C.AVFrame)(frame)
	if !l.Planar() || i >= len(l.Components) {
		return picture.Plane{}, ErrLayout
	}
	c := l.Components[i]
	stride := int(f.linesize[c.Plane])
	data := f.data[c.Plane]
	w, h := l.size(f, i)
	if data == nil || stride < w*c.Step || stride%c.Step != 0 {
		return picture.Plane{}, ErrLayout
	}
	p := picture.Plane{Stride: stride / c.Step, W: w, H: h, Depth: c.Depth}
	n := p.Stride*(h-1) + w
	if c.Depth == 8 {
		p.Pix = unsafe.Slice((*uint8)(unsafe.Pointer(data)), n)
	} else {
		p.Pix16 = unsafe.Slice((*uint16)(unsafe.Pointer(data)), n)
	}
	return p, nil
}

// Unpack copies component i of a frame into dst, which has its size and
// depth, whatever the order, packing and direction of the frame's rows.
func Unpack(frame unsafe.Pointer, l Layout, i int, dst *picture.Plane) error {
	f := (*C.AVFrame)(frame)
	if l.Opaque || i >= len(l.Components) {
		return ErrLayout
	}
	c := l.Components[i]
	w, h := l.size(f, i)
	if dst.W != w || dst.H != h || dst.Depth != c.Depth {
		return fmt.Errorf("plane of %dx%d samples of %d bits for a component of %dx%d of %d bits",
			dst.W, dst.H, dst.Depth, w, h, c.Depth)
	}
	if err := dst.Check(); err != nil {
		return err
	}
	if f.data[c.Plane] == nil {
		return ErrLayout
	}
	mask := C.int(1<<c.Depth - 1)
	if dst.Depth == 8 {
		src := (*C.uint8_t)(unsafe.Add(unsafe.Pointer(f.data[c.Plane]), c.Offset))
		C.unpack8((*C.uint8_t)(&dst.Pix[0]), C.ptrdiff_t(dst.Stride), src, C.ptrdiff_t(f.linesize[c.Plane]),
			C.int(c.Step), C.int(c.Shift), mask, C.int(w), C.int(h))
		return nil
	}
	bigEndian := C.int(0)
	if l.BigEndian {
		bigEndian = 1
	}
	src := (*C.uint8_t)(unsafe.Add(unsafe.Pointer(f.data[c.Plane]), c.Offset))
	C.unpack16((*C.uint16_t)(&dst.Pix16[0]), C.ptrdiff_t(dst.Stride), src, C.ptrdiff_t(f.linesize[c.Plane]),
		C.int(c.Step), bigEndian, C.int(c.Shift), mask, C.int(w), C.int(h))
	return nil
}

// Turn copies src into dst, transposed if asked, then mirrored left to right
// (flipX) and top to bottom (flipY) as seen in dst, which has the size of the
// result and the depth of src. Both planes pass Check.
func Turn(dst, src *picture.Plane, transpose, flipX, flipY bool) {
	stepX, stepY := 1, src.Stride
	if transpose {
		stepX, stepY = stepY, stepX
	}
	origin := 0
	if flipX {
		origin += stepX * (dst.W - 1)
		stepX = -stepX
	}
	if flipY {
		origin += stepY * (dst.H - 1)
		stepY = -stepY
	}
	if src.Depth == 8 {
		C.turn8((*C.uint8_t)(&dst.Pix[0]), C.ptrdiff_t(dst.Stride), (*C.uint8_t)(&src.Pix[origin]),
			C.ptrdiff_t(stepX), C.ptrdiff_t(stepY), C.int(dst.W), C.int(dst.H))
		return
	}
	C.turn16((*C.uint16_t)(&dst.Pix16[0]), C.ptrdiff_t(dst.Stride), (*C.uint16_t)(&src.Pix16[origin]),
		C.ptrdiff_t(stepX), C.ptrdiff_t(stepY), C.int(dst.W), C.int(dst.H))
}

// Flags is what a decoded frame says about itself.
type Flags struct {
	Interlaced, TopFirst bool
	Repeat               int   // field periods for which it is shown beyond its two
	Key                  bool  // it is coded without reference to others
	Broken               bool  // the decoder had to make up some of it
	Time                 int64 // best presentation time, in the stream's time base
	HasTime              bool
	Duration             int64 // 0 when the file does not say
	Colour               picture.Colour
	RangeKnown           bool // the file says whether the range is full
}

// Read returns the flags of a decoded frame.
func Read(frame unsafe.Pointer) Flags {
	f := (*C.AVFrame)(frame)
	return Flags{
		Interlaced: f.interlaced_frame != 0,
		TopFirst:   f.top_field_first != 0,
		Repeat:     int(f.repeat_pict),
		Key:        f.key_frame != 0,
		Broken:     f.flags&C.AV_FRAME_FLAG_CORRUPT != 0 || f.decode_error_flags != 0,
		Time:       int64(f.best_effort_timestamp),
		HasTime:    f.best_effort_timestamp != C.AV_NOPTS_VALUE,
		Duration:   int64(f.pkt_duration),
		Colour: picture.Colour{
			Transfer:  known(C.av_color_transfer_name(f.color_trc)),
			Primaries: known(C.av_color_primaries_name(f.color_primaries)),
			Matrix:    known(C.av_color_space_name(f.colorspace)),
			FullRange: f.color_range == C.AVCOL_RANGE_JPEG,
		},
		RangeKnown: f.color_range != C.AVCOL_RANGE_UNSPECIFIED,
	}
}

// known turns a name of libav into ours: empty where the file does not say.
func known(name *C.char) string {
	if name == nil {
		return ""
	}
	switch s := C.GoString(name); s {
	case "unknown", "reserved":
		return ""
	default:
		return s
	}
}

// SkipUnreferenced tells a decoder (an AVCodecContext), from the next packet
// on, whether it leaves out frames that no other is built on, where its codec
// says which they are.
func SkipUnreferenced(decoder unsafe.Pointer, skip bool) {
	c := (*C.AVCodecContext)(decoder)
	c.skip_frame = C.AVDISCARD_DEFAULT
	if skip {
		c.skip_frame = C.AVDISCARD_NONREF
	}
}

// SetFields marks a frame as two fields in the given order, for an encoder.
func SetFields(frame unsafe.Pointer, topFirst bool) {
	f := (*C.AVFrame)(frame)
	f.interlaced_frame = 1
	f.top_field_first = 0
	if topFirst {
		f.top_field_first = 1
	}
}

// SetColour says what the codes of a frame mean, for encoders that write that
// into each of them. Names are those that FFmpeg prints; what it does not know
// stays unsaid.
func SetColour(frame unsafe.Pointer, c picture.Colour) {
	f := (*C.AVFrame)(frame)
	f.color_range = C.AVCOL_RANGE_MPEG
	if c.FullRange {
		f.color_range = C.AVCOL_RANGE_JPEG
	}
	named := func(name string, find func(*C.char) C.int) (C.int, bool) {
		s := C.CString(name)
		defer C.free(unsafe.Pointer(s))
		v := find(s)
		return v, v >= 0
	}
	if v, ok := named(c.Primaries, func(s *C.char) C.int { return C.av_color_primaries_from_name(s) }); ok {
		f.color_primaries = C.enum_AVColorPrimaries(v)
	}
	if v, ok := named(c.Transfer, func(s *C.char) C.int { return C.av_color_transfer_from_name(s) }); ok {
		f.color_trc = C.enum_AVColorTransferCharacteristic(v)
	}
	if v, ok := named(c.Matrix, func(s *C.char) C.int { return C.av_color_space_from_name(s) }); ok {
		f.colorspace = C.enum_AVColorSpace(v)
	}
}

// MakeWritable gives a frame samples of its own if others hold references to
// them, as an encoder does to the frames that it was sent.
func MakeWritable(frame unsafe.Pointer) error {
	if C.av_frame_make_writable((*C.AVFrame)(frame)) < 0 {
		return errors.New("no memory for a frame")
	}
	return nil
}

// Scaler converts frames of one size and format to another. Close it.
type Scaler struct {
	c *C.struct_SwsContext
}

// NewScaler makes a converter from frames like src to frames like dst, whose
// size and format are set. Matrix and range of YUV are the same on both sides
// unless one of them is RGB: RGB becomes YUV of the matrix that src names,
// or else of the one usual for its size. full is the range of dst.
func NewScaler(src, dst unsafe.Pointer, full bool) (*Scaler, error) {
	s, d := (*C.AVFrame)(src), (*C.AVFrame)(dst)
	if C.sws_isSupportedInput(C.enum_AVPixelFormat(s.format)) == 0 ||
		C.sws_isSupportedOutput(C.enum_AVPixelFormat(d.format)) == 0 {
		return nil, errors.New("no conversion between these pixel formats")
	}
	flags := C.int(C.SWS_BICUBIC | C.SWS_ACCURATE_RND | C.SWS_FULL_CHR_H_INP | C.SWS_FULL_CHR_H_INT | C.SWS_BITEXACT)
	c := C.sws_getContext(s.width, s.height, C.enum_AVPixelFormat(s.format),
		d.width, d.height, C.enum_AVPixelFormat(d.format), flags, nil, nil, nil)
	if c == nil {
		return nil, errors.New("no conversion between these sizes and pixel formats")
	}
	r := C.int(0)
	if full {
		r = 1
	}
	C.set_colour(c, C.int(s.colorspace), s.height, r, r)
	return &Scaler{c: c}, nil
}

// Scale converts src into dst, whose samples are allocated.
func (s *Scaler) Scale(dst, src unsafe.Pointer) error {
	if C.frame_scale(s.c, (*C.AVFrame)(dst), (*C.AVFrame)(src)) < 0 {
		return errors.New("conversion of the pixel format")
	}
	return nil
}

// Close gives the converter's memory back.
func (s *Scaler) Close() {
	C.sws_freeContext(s.c)
	s.c = nil
}
