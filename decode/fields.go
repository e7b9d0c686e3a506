package decode

import (
	"fmt"
	"time"

	"github.com/asticode/go-astiav"

	"setwitness/decode/picture"
)

// scanOf decides how a file was scanned: by the flags of most of its first
// frames, or of any of them where the stream itself states an order of
// fields. A single flag in a progressive stream is an encoder's slip.
func scanOf(first []*frame, stated Scan) Scan {
	flagged, top := 0, 0
	for _, f := range first {
		if f.flags.Interlaced {
			flagged++
			if f.flags.TopFirst {
				top++
			}
		}
	}
	switch {
	case flagged == 0, flagged*2 <= len(first) && stated == Progressive:
		return Progressive
	case top*2 == flagged && stated != Progressive:
		return stated
	case top*2 >= flagged:
		return InterlacedTopFirst
	}
	return InterlacedBottomFirst
}

// The least height of which the two fields can be examined.
const leastSplit = 16

// chooseFields decides whether frames are split, and says what is done.
func chooseFields(o Fields, scan Scan, s *shaper) (bool, string) {
	what := map[Scan]string{
		Progressive:           "the frames are flagged progressive",
		InterlacedTopFirst:    "the frames are flagged interlaced, top field first",
		InterlacedBottomFirst: "the frames are flagged interlaced, bottom field first",
	}[scan]
	wanted := o == FieldsSplit || o == FieldsAuto && scan != Progressive
	switch {
	case !wanted && scan == Progressive:
		return false, what + " and examined as they are"
	case !wanted:
		return false, what + "; they are examined with their fields woven, as asked"
	case s.turn.transpose:
		return false, what + "; they are turned by a quarter, so their fields cannot be split"
	case s.form.h < leastSplit:
		return false, what + "; they have too few lines to be split into fields"
	case o == FieldsSplit && scan == Progressive:
		return true, what + " and split into their fields, as asked"
	}
	return true, what + ", and split into their fields, as a set receives them"
}

// splitter turns frames into their fields. It holds each frame until the
// next, whose time says how long the fields of the first are shown.
type splitter struct {
	lines   [2]int // of a field: luma, chroma
	swapped bool   // the frames are upside down, which swaps the fields
	spacing time.Duration
	first   picture.Parity // of the next field of a frame that does not say

	waiting *frame // its time and flags alone; the sheet holds its memory
	sheet   *sheet
	index   int
}

// Without any rate, fields of one lone frame are shown at this distance (50
// fields a second).
const loneSpacing = 20 * time.Millisecond

func newSplitter(scan Scan, codec astiav.CodecID, s *shaper, spacing time.Duration) *splitter {
	h := s.form.h / 2
	chroma := h
	if !s.layout.Gray() && s.layout.ChromaY > 0 {
		// Both fields need the same number of chroma lines too.
		chroma = (-(-s.form.h >> s.layout.ChromaY)) / 2
		h = min(h, chroma<<s.layout.ChromaY)
	}
	if spacing <= 0 {
		spacing = loneSpacing
	}
	x := &splitter{lines: [2]int{h, chroma}, spacing: spacing, first: picture.Top}
	// An even number of lines upside down brings the last, a bottom line,
	// to the top.
	x.swapped = s.turn.flipY && s.form.h%2 == 0
	if scan == InterlacedBottomFirst || scan == Progressive && codec == astiav.CodecIDDvvideo {
		x.first = picture.Bottom // DV is bottom first (IEC 61834-2; from memory)
	}
	return x
}

// format turns the format of whole frames into that of their fields.
func (x *splitter) format(f picture.Format, frames rational) picture.Format {
	f.H = x.lines[0]
	f.Fields = true
	f.RateNum, f.RateDen = 2*frames.num, frames.den
	// The lines of a field lie two lines of the frame apart.
	if f.SampleAspectNum%2 == 0 {
		f.SampleAspectNum /= 2
	} else {
		f.SampleAspectDen *= 2
	}
	return f
}

// add takes a frame with its sheet and returns the fields of the one before.
func (x *splitter) add(f *frame, sh *sheet, index int) []*picture.Picture {
	out := x.emit(f.time, true)
	sh.hold()
	x.waiting = &frame{flags: f.flags, time: f.time, damaged: f.damaged}
	x.sheet, x.index = sh, index
	return out
}

// flush returns the fields of the last frame.
func (x *splitter) flush() []*picture.Picture { return x.emit(0, false) }

func (x *splitter) close() {
	if x.sheet != nil {
		x.sheet.drop()
		x.sheet, x.waiting = nil, nil
	}
}

func (x *splitter) emit(next time.Duration, known bool) []*picture.Picture {
	f := x.waiting
	if f == nil {
		return nil
	}
	n := 2 + max(f.flags.Repeat, 0)
	spacing := x.spacing
	if known {
		// A gap in the file does not stretch the fields before it.
		if s := (next - f.time) / time.Duration(n); s < spacing*3/2 {
			spacing = s
		}
	}
	parity := x.first
	if f.flags.Interlaced {
		parity = picture.Bottom
		if f.flags.TopFirst {
			parity = picture.Top
		}
	}
	var out []*picture.Picture
	for i := range n {
		p := x.sheet.show(x.planes(parity), f, x.index)
		p.Time = f.time + time.Duration(i)*spacing
		p.Parity = x.lies(parity)
		out = append(out, p)
		parity = other(parity)
	}
	// Fields alternate through frames that do not state an order.
	x.first = parity
	x.close()
	return out
}

func other(p picture.Parity) picture.Parity {
	if p == picture.Top {
		return picture.Bottom
	}
	return picture.Top
}

// lies returns where the lines of a field lie once the frame stands upright.
func (x *splitter) lies(p picture.Parity) picture.Parity {
	if x.swapped {
		return other(p)
	}
	return p
}

// planes returns the lines of one field, as planes of twice the stride.
func (x *splitter) planes(parity picture.Parity) [3]picture.Plane {
	var out [3]picture.Plane
	line := 0
	if x.lies(parity) == picture.Bottom {
		line = 1
	}
	for i, p := range x.sheet.planes {
		if p.Empty() {
			continue
		}
		q := picture.Plane{W: p.W, H: x.lines[min(i, 1)], Depth: p.Depth, Stride: 2 * p.Stride}
		if p.Pix != nil {
			q.Pix = p.Pix[line*p.Stride:]
		} else {
			q.Pix16 = p.Pix16[line*p.Stride:]
		}
		out[i] = q
	}
	return out
}

// fieldsNote is added to what is done about fields, with the rate.
func fieldsNote(done string, f picture.Format) string {
	if !f.Fields || f.Rate() == 0 {
		return done
	}
	return fmt.Sprintf("%s: %.4g fields a second", done, f.Rate())
}
