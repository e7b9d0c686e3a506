package scene

import (
	"image"
	"math"
	"sync"

	"setwitness/decode/picture"
)

// fine is one 8-bit code in the unit in which scenes are composed: enough
// steps that rounding stays far below a 10-bit code.
const fine = 64

// Raster says how a scene is sampled.
type Raster struct {
	W, H  int
	Depth int // 8 or 10; 0 means 8
	// Rate is how many pictures a second follow each other; it and Shutter
	// set the time of exposure, nothing else.
	RateNum, RateDen int
	// Shutter is the share of the picture period for which the shutter is
	// open: 0.5 is the camera's 180 degrees, 1 is 360 degrees.
	Shutter float64
	// Grain is the standard deviation of the sensor's noise at mid grey, in
	// 8-bit codes; it grows with the square root of the level.
	Grain float64
	// Colour adds chroma (4:2:0); without it pictures are gray.
	Colour bool
	Seed   int64
}

// Rate returns pictures a second.
func (r Raster) Rate() float64 { return float64(r.RateNum) / float64(r.RateDen) }

// Instant returns the time of picture i in seconds.
func (r Raster) Instant(i int) float64 { return float64(i) * float64(r.RateDen) / float64(r.RateNum) }

// exposure returns the seconds for which the shutter is open.
func (r Raster) exposure() float64 { return r.Shutter / r.Rate() }

// Format returns the format of whole pictures.
func (r Raster) Format() picture.Format {
	f := picture.Format{
		W: r.W, H: r.H, Depth: max(r.Depth, 8), ChromaX: -1, ChromaY: -1,
		Colour:  picture.Colour{Transfer: "bt709", Primaries: "bt709", Matrix: "bt709"},
		RateNum: r.RateNum, RateDen: r.RateDen, SampleAspectNum: 1, SampleAspectDen: 1,
	}
	if r.Colour {
		f.ChromaX, f.ChromaY = 1, 1
	}
	return f
}

// Thing is something in the scene whose place is known.
type Thing struct {
	Name string
	X, Y float64 // centre
	W, H float64 // extent
}

// Rect returns the samples that the thing may touch.
func (t Thing) Rect() image.Rectangle {
	return image.Rect(
		int(math.Floor(t.X-t.W/2)), int(math.Floor(t.Y-t.H/2)),
		int(math.Ceil(t.X+t.W/2)), int(math.Ceil(t.Y+t.H/2)))
}

// Scene is one invented world in front of one camera. Its methods may be
// called from several goroutines.
type Scene struct {
	Raster
	elements []element
	camera   func(t float64) (x, y float64) // top left of the picture in the world
	things   []func(t float64) Thing        // in the world
	// grade scales and lifts the finished picture (flashes, fades); nil for
	// none.
	grade func(t float64) (gain, lift float64)
	// blend, if set, mixes another scene over this one with a weight of 0
	// to 1 (dissolves).
	blend       *Scene
	blendWeight func(t float64) float64

	flights func() [][2]float64 // when a ball flies free

	once   sync.Once
	still  *frame // the leading elements that never change
	nStill int
	grain  []int16
	gain   [256]int32 // grain by level
	pool   sync.Pool  // of frames
	// brushes are the layers on which actors are drawn.
	brushes sync.Pool
}

// element is one thing to paint, from back to front.
type element interface {
	// paint draws the mean over the exposure from t0 to t1.
	paint(s *Scene, f *frame, t0, t1 float64)
	// still reports whether the element looks the same at all times.
	still(s *Scene) bool
}

// frame is a picture under composition in the fine unit. It holds rows row,
// row+step, row+2*step ... of the raster, h of them.
type frame struct {
	w, h, row, step int
	y               []uint16
	// Chroma is composed for whole frames only and stays nil in fields'
	// frames, where cb and cr are taken from the lines of the parity.
	cw, ch int
	cb, cr []uint16
}

const chromaZero = 128 * fine

func (s *Scene) newFrame(row, step int) *frame {
	f := &frame{w: s.W, h: (s.H - row + step - 1) / step, row: row, step: step}
	f.y = make([]uint16, f.w*f.h)
	if s.Colour {
		f.cw, f.ch = (s.W+1)/2, (s.H+1)/2
		f.cb = make([]uint16, f.cw*f.ch)
		f.cr = make([]uint16, f.cw*f.ch)
	}
	return f
}

func (f *frame) copyFrom(o *frame) {
	if o.step == f.step {
		copy(f.y, o.y)
	} else {
		for j := range f.h {
			at := f.row + j*f.step
			copy(f.y[j*f.w:(j+1)*f.w], o.y[at*f.w:(at+1)*f.w])
		}
	}
	copy(f.cb, o.cb)
	copy(f.cr, o.cr)
}

func (s *Scene) cam(t float64) (x, y float64) {
	if s.camera == nil {
		return 0, 0
	}
	return s.camera(t)
}

// Camera returns where the top left of the picture is in the world at t.
func (s *Scene) Camera(t float64) (x, y float64) { return s.cam(t) }

// Things returns what is in the scene at t, in samples of the picture.
func (s *Scene) Things(t float64) []Thing {
	cx, cy := s.cam(t)
	var out []Thing
	for _, f := range s.things {
		th := f(t)
		th.X -= cx
		th.Y -= cy
		out = append(out, th)
	}
	return out
}

// Thing returns the first thing of that name at t.
func (s *Scene) Thing(name string, t float64) (Thing, bool) {
	for _, th := range s.Things(t) {
		if th.Name == name {
			return th, true
		}
	}
	return Thing{}, false
}

// Flights returns the stretches of time, in seconds, in which the ball of a
// ball game flies free from one hand or bounce to the next; none in other
// scenes.
func (s *Scene) Flights() [][2]float64 {
	if s.flights == nil {
		return nil
	}
	return s.flights()
}

// setUp paints what never changes once, and makes the grain.
func (s *Scene) setUp() {
	s.once.Do(func() {
		for s.nStill < len(s.elements) && s.elements[s.nStill].still(s) {
			s.nStill++
		}
		if s.nStill > 0 {
			s.still = s.newFrame(0, 1)
			for _, e := range s.elements[:s.nStill] {
				e.paint(s, s.still, 0, 0)
			}
		}
		s.grain = grainTile(s.Seed)
		for i := range s.gain {
			// Shot noise grows with the square root of the light; a floor
			// of a third stands for the electronics.
			level := math.Max(0, float64(i)-16) / (110 - 16)
			s.gain[i] = int32(math.Round(s.Grain * fine * (1.0/3 + 2.0/3*math.Sqrt(level)) / grainUnit * 256))
		}
	})
}

func (s *Scene) compose(f *frame, t float64) {
	s.setUp()
	if s.still != nil {
		f.copyFrom(s.still)
	}
	half := s.exposure() / 2
	for _, e := range s.elements[s.nStill:] {
		e.paint(s, f, t-half, t+half)
	}
	if s.blend != nil {
		if w := s.blendWeight(t); w > 0 {
			g, _ := s.pool.Get().(*frame)
			if g == nil || g.step != f.step || g.row != f.row {
				g = s.newFrame(f.row, f.step)
			}
			s.blend.compose(g, t)
			mix(f.y, g.y, w)
			mix(f.cb, g.cb, w)
			mix(f.cr, g.cr, w)
			s.pool.Put(g)
		}
	}
	if s.grade != nil {
		gain, lift := s.grade(t)
		if gain != 1 || lift != 0 {
			grade(f, gain, lift)
		}
	}
}

func mix(dst, src []uint16, w float64) {
	k := int32(math.Round(w * 4096))
	for i, d := range dst {
		dst[i] = uint16((int32(d)*(4096-k) + int32(src[i])*k + 2048) >> 12)
	}
}

// grade scales luma above black and chroma around its zero, then lifts luma.
func grade(f *frame, gain, lift float64) {
	k, up := int32(gain*1024), int32(lift*fine)
	for i, v := range f.y {
		f.y[i] = clampFine((int32(v)-16*fine)*k>>10 + 16*fine + up)
	}
	for _, c := range [][]uint16{f.cb, f.cr} {
		for i, v := range c {
			c[i] = clampFine((int32(v)-chromaZero)*min(k, 1024)>>10 + chromaZero)
		}
	}
}

func clampFine(v int32) uint16 { return uint16(min(max(v, 0), 255*fine)) }

// Picture renders the picture, or the field, of instant t.
func (s *Scene) Picture(t float64, parity picture.Parity) *picture.Picture {
	row, step := 0, 1
	switch parity {
	case picture.Top:
		step = 2
	case picture.Bottom:
		row, step = 1, 2
	}
	f, _ := s.pool.Get().(*frame)
	if f == nil || f.row != row || f.step != step {
		f = s.newFrame(row, step)
	}
	defer s.pool.Put(f)
	s.compose(f, t)
	p := &picture.Picture{Parity: parity}
	depth := max(s.Depth, 8)
	p.Y = picture.New(f.w, f.h, depth)
	s.quantise(&p.Y, f.y, f, t)
	if s.Colour {
		// A field's chroma is that of the lines of its parity.
		ch := (f.ch - row + step - 1) / step
		p.Cb, p.Cr = picture.New(f.cw, ch, depth), picture.New(f.cw, ch, depth)
		for j := range ch {
			at := (row + j*step) * f.cw
			quantiseRow(&p.Cb, j, f.cb[at:at+f.cw])
			quantiseRow(&p.Cr, j, f.cr[at:at+f.cw])
		}
	}
	return p
}

// Luma renders the luma plane of the whole picture at instant t.
func (s *Scene) Luma(t float64) picture.Plane { return s.Picture(t, picture.Frame).Y }

// At renders picture i, at its own instant.
func (s *Scene) At(i int) *picture.Picture {
	t := s.Instant(i)
	p := s.Picture(t, picture.Frame)
	p.Index, p.Frame = i, i
	return p
}

func quantiseRow(p *picture.Plane, j int, src []uint16) {
	if p.Pix != nil {
		dst := p.Pix[j*p.Stride : j*p.Stride+p.W]
		for x, v := range src {
			dst[x] = uint8(min((int32(v)+fine/2)/fine, 255))
		}
		return
	}
	dst := p.Pix16[j*p.Stride : j*p.Stride+p.W]
	unit := int32(fine) >> (p.Depth - 8)
	for x, v := range src {
		dst[x] = uint16(min((int32(v)+unit/2)/unit, 1<<p.Depth-1))
	}
}

// quantise adds the grain of instant t and rounds to code values.
func (s *Scene) quantise(p *picture.Plane, src []uint16, f *frame, t float64) {
	if s.Grain == 0 {
		for j := range f.h {
			quantiseRow(p, j, src[j*f.w:(j+1)*f.w])
		}
		return
	}
	at := mix64(math.Float64bits(math.Round(t*1e7)) ^ uint64(s.Seed)*0x9e3779b97f4a7c15)
	ox, oy := int(at%grainSize), int(at>>16%grainSize)
	row := make([]uint16, f.w)
	for j := range f.h {
		noise := s.grain[((oy+f.row+j*f.step)%grainSize)*grainSize:][:grainSize]
		in := src[j*f.w : (j+1)*f.w]
		for x := 0; x < f.w; {
			from := (ox + x) % grainSize
			n := min(grainSize-from, f.w-x)
			tile, from16, to := noise[from:from+n], in[x:x+n], row[x:x+n]
			for i, v := range from16 {
				to[i] = clampFine(int32(v) + int32(tile[i])*s.gain[(v>>6)&255]>>8)
			}
			x += n
		}
		quantiseRow(p, j, row)
	}
}
