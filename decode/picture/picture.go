// Package picture holds the plain values that travel from decode to detect:
// planes of samples and the picture they belong to. It knows no decoder, so
// that everything behind it builds and tests without native libraries.
//
// Ownership: a Picture is immutable and counted. Whoever receives one from a
// decoder owns one reference and gives it back with Release; Retain takes
// another. The samples must not be read after the last Release: they may be
// memory of the decoder that is used again for a later picture.
package picture

import (
	"fmt"
	"sync/atomic"
	"time"
)

// Plane is a rectangle of samples, one of luma or chroma. Exactly one of Pix
// and Pix16 is set: Pix for a Depth of 8, Pix16 for 9 to 16. Row y starts at
// sample y*Stride and has W samples; what lies between W and Stride is
// padding that may be neither read nor written. The slice holds at least
// Stride*(H-1)+W samples.
type Plane struct {
	Pix    []uint8
	Pix16  []uint16
	Stride int // samples from one row to the next
	W, H   int // samples
	Depth  int // bits a sample: 8 to 16
}

// Empty reports whether the plane holds no samples (chroma of a gray take).
func (p *Plane) Empty() bool { return p.W == 0 || p.H == 0 }

// At returns the sample in column x of row y as a code value,
// 0 to 1<<Depth - 1.
func (p *Plane) At(x, y int) int {
	if p.Pix != nil {
		return int(p.Pix[y*p.Stride+x])
	}
	return int(p.Pix16[y*p.Stride+x])
}

// Full returns the largest code value that the depth allows.
func (p *Plane) Full() int { return 1<<p.Depth - 1 }

// Check reports why the plane cannot be used, or nil.
func (p *Plane) Check() error {
	if p.W <= 0 || p.H <= 0 {
		return fmt.Errorf("plane of %dx%d samples", p.W, p.H)
	}
	if p.Stride < p.W {
		return fmt.Errorf("stride of %d samples is less than the width of %d", p.Stride, p.W)
	}
	have, want := len(p.Pix), p.Stride*(p.H-1)+p.W
	if p.Depth != 8 {
		have = len(p.Pix16)
	}
	if have < want {
		return fmt.Errorf("plane holds %d samples, needs %d", have, want)
	}
	if p.Depth < 8 || p.Depth > 16 {
		return fmt.Errorf("depth of %d bits is outside 8 to 16", p.Depth)
	}
	return nil
}

// New returns a zeroed plane of its own memory with a stride equal to w.
func New(w, h, depth int) Plane {
	p := Plane{Stride: w, W: w, H: h, Depth: depth}
	if depth == 8 {
		p.Pix = make([]uint8, w*h)
	} else {
		p.Pix16 = make([]uint16, w*h)
	}
	return p
}

// Parity says which lines of a frame a picture holds.
type Parity uint8

// The parities: a whole frame, or one of its two fields (the top field has
// the frame's first line; BT.709-6 Table 2).
const (
	Frame Parity = iota
	Top
	Bottom
)

func (p Parity) String() string { return [...]string{"frame", "top", "bottom"}[p] }

// Colour describes what the code values mean. Names are those that FFmpeg
// prints (bt709, smpte2084, arib-std-b67 ...); empty when the file does not
// say.
type Colour struct {
	Transfer  string
	Primaries string
	Matrix    string
	FullRange bool
}

// Format is what all pictures of one take have in common.
type Format struct {
	W, H             int // luma samples of one picture, after rotation
	Depth            int // bits of a luma sample
	ChromaX, ChromaY int // log2 of the chroma subsampling; -1 where there is no chroma
	Colour           Colour
	// RateNum/RateDen is the nominal number of pictures a second (fields a
	// second when Fields is set). Zero when the file does not say.
	RateNum, RateDen int
	// SampleAspectNum/Den is the width of a sample over its height.
	SampleAspectNum, SampleAspectDen int
	// Fields is set when every picture is one field of an interlaced frame:
	// H is then half of the frame's height and neighbours in time have
	// opposite parity.
	Fields bool
}

// Rate returns the nominal pictures a second, or 0.
func (f Format) Rate() float64 {
	if f.RateDen == 0 {
		return 0
	}
	return float64(f.RateNum) / float64(f.RateDen)
}

// Matrix returns the matrix of luma and chroma, by the name that FFmpeg prints.
// A file that does not say, and one of RGB, whose pictures are converted:
// standard definition is BT.601, all else BT.709 (common practice, no source).
func (f Format) Matrix() string {
	const standardDefinition = 576 // lines
	lines := f.H
	if f.Fields {
		lines *= 2
	}
	switch {
	case f.Colour.Matrix != "" && f.Colour.Matrix != "gbr":
		return f.Colour.Matrix
	case lines <= standardDefinition:
		return "smpte170m"
	}
	return "bt709"
}

// Picture is what the set showed (or the file holds) for one refresh.
type Picture struct {
	Index  int           // place in presentation order, from 0 without gaps
	Frame  int           // index of the file's frame that it comes from, from 0
	Time   time.Duration // presentation time from the take's first video frame
	Parity Parity
	// Interlaced and TopFirst are the flags that the frame carried.
	Interlaced, TopFirst bool
	// Key is set where the frame is coded without reference to others.
	Key bool
	// Damaged is set from where the file lost data up to the next frame that
	// is coded without reference to others: what the picture shows may be
	// the decoder's guess.
	Damaged bool
	// Slowed is how much later than in life the file presents this picture,
	// both counted from the first frame: 0 unless the file plays slow motion.
	Slowed time.Duration
	// Trust is, for bands of rows of equal height from the top, 0 to 1, how
	// far the band shows this picture alone and no other; nil for all of it.
	Trust []float64
	// Ripple is by how much the light of a film's rows was uneven and was evened,
	// as a share of it: the rows are known to no better, as levels. 0 of what was
	// not filmed.
	Ripple    float64
	Y, Cb, Cr Plane

	refs    atomic.Int32
	release func()
}

// SetRelease makes the picture counted with one reference; release runs when
// the last reference is given back. A picture without it lives in Go memory
// and needs none.
func (p *Picture) SetRelease(release func()) {
	p.release = release
	p.refs.Store(1)
}

// Trusted reports whether the rows from top to before bottom can be trusted at
// all.
func (p *Picture) Trusted(top, bottom int) bool {
	n := len(p.Trust)
	if n == 0 || p.Y.H == 0 {
		return true
	}
	first, last := top*n/p.Y.H, (bottom*n-1)/p.Y.H
	for i := max(first, 0); i <= min(last, n-1); i++ {
		if p.Trust[i] == 0 {
			return false
		}
	}
	return true
}

// Retain takes one more reference.
func (p *Picture) Retain() {
	if p.release != nil {
		p.refs.Add(1)
	}
}

// Release gives one reference back. Giving back more than were taken is a
// programming error and panics.
func (p *Picture) Release() {
	if p.release == nil {
		return
	}
	switch n := p.refs.Add(-1); {
	case n == 0:
		p.release()
	case n < 0:
		panic("picture: released more often than retained")
	}
}
