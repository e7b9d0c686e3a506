package decode

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"

	"github.com/asticode/go-astiav"

	"setwitness/decode/picture"
	"setwitness/decode/plane"
)

// sheet is the planes of one frame, turned upright. It is counted; pictures
// that show it, whole or one of its fields, hold references. What it holds
// is memory of the decoder's frame, planes of its own, or some of each.
type sheet struct {
	planes [3]picture.Plane
	own    [3]bool
	frame  *frame // nil when no plane shares its memory
	shaper *shaper
	users  atomic.Int32
}

func (s *sheet) hold() { s.users.Add(1) }

func (s *sheet) drop() {
	if s.users.Add(-1) != 0 {
		return
	}
	for i, own := range s.own {
		if own {
			s.shaper.give(i, s.planes[i])
		}
	}
	if s.frame != nil {
		s.frame.drop()
		s.frame = nil
	}
}

// show makes a picture of planes of the sheet. It holds the sheet until its
// last release.
func (s *sheet) show(planes [3]picture.Plane, f *frame, index int) *picture.Picture {
	p := &picture.Picture{
		Frame: index, Time: f.time,
		Interlaced: f.flags.Interlaced, TopFirst: f.flags.TopFirst, Key: f.flags.Key, Damaged: f.damaged,
		Y: planes[0], Cb: planes[1], Cr: planes[2],
	}
	s.hold()
	p.SetRelease(s.drop)
	return p
}

// form is what the frames of a stream have in common as long as nothing
// changes.
type form struct {
	w, h   int
	format astiav.PixelFormat
}

func formOf(av *astiav.Frame) form {
	return form{av.Width(), av.Height(), av.PixelFormat()}
}

// shaper makes sheets of frames: all in the form of the first frame of the
// take, whatever comes later.
type shaper struct {
	form   form
	source plane.Layout // as stored
	layout plane.Layout // of the frames whose samples are read
	target form         // frames are converted to this where need be
	always bool         // no frame can be read as it is
	turn   turn
	colour picture.Colour

	scaler  *plane.Scaler
	from    form // of the scaler
	changed bool // a frame came in another form than the first
	pool    framePool

	mu   sync.Mutex
	free [3][]picture.Plane
}

// newShaper decides how the frames of a take are read, by its first.
func newShaper(first *frame, t turn, codec astiav.CodecID) (*shaper, error) {
	s := &shaper{form: formOf(first.av), turn: t}
	var err error
	if s.source, err = plane.Describe(int(s.form.format)); err != nil {
		return nil, fmt.Errorf("%w: %v", ErrUnsupported, err)
	}
	s.target = s.form
	s.layout = s.source
	if !readable(s.source) {
		s.always = true
	}
	if s.always || !s.source.Planar() {
		s.target.format = planar(s.source)
	}
	if s.always {
		if s.layout, err = plane.Describe(int(s.target.format)); err != nil {
			return nil, fmt.Errorf("%w: %v", ErrUnsupported, err)
		}
	}
	s.colour = colourOf(first.flags, s.source, codec)
	return s, nil
}

// readable reports whether luma and chroma can be picked out of a layout
// sample by sample.
func readable(l plane.Layout) bool {
	if l.Opaque || l.RGB {
		return false
	}
	for _, c := range l.Components {
		if c.Depth < 8 {
			return false
		}
	}
	return len(l.Components) > 0
}

// planar names the format of planes that holds all that a layout does: its
// own subsampling and depth for YUV, no subsampling for RGB.
func planar(l plane.Layout) astiav.PixelFormat {
	depth := 8
	for _, c := range l.Components {
		depth = max(depth, min(c.Depth, 16))
	}
	// The formats of libav know these depths.
	for _, d := range []int{8, 9, 10, 12, 14, 16} {
		if d >= depth {
			depth = d
			break
		}
	}
	name := "yuv444p"
	switch {
	case l.RGB:
	case l.Gray():
		name = "gray"
	case l.ChromaX == 1 && l.ChromaY == 1:
		name = "yuv420p"
	case l.ChromaX == 1 && l.ChromaY == 0:
		name = "yuv422p"
	case l.ChromaX == 2 && l.ChromaY == 0 && depth == 8:
		name = "yuv411p"
	}
	if depth > 8 {
		name = fmt.Sprintf("%s%dle", name, depth)
	}
	return astiav.FindPixelFormatByName(name)
}

// colourOf completes what the frame says by what is known of its form.
func colourOf(f plane.Flags, l plane.Layout, codec astiav.CodecID) picture.Colour {
	c := f.Colour
	switch {
	case len(l.Name) > 4 && l.Name[:4] == "yuvj":
		c.FullRange = true
	case l.RGB:
		// The conversion keeps the codes' range and, lacking a matrix of
		// RGB's own, uses that of BT.709 or, below HD, BT.601.
		c.FullRange = !f.RangeKnown || c.FullRange
	case l.Gray() && !f.RangeKnown:
		// libswscale, too, takes gray that says nothing for full; codecs
		// for broadcast are limited unless they say otherwise
		// (Rec. ITU-T H.264 and H.265, video_full_range_flag).
		c.FullRange = !broadcast(codec)
	}
	return c
}

func broadcast(codec astiav.CodecID) bool {
	switch codec.Name() {
	case "h264", "hevc", "mpeg1video", "mpeg2video", "vp8", "vp9", "av1":
		return true
	}
	return false
}

// format returns what the pictures of whole frames have in common.
func (s *shaper) format(aspect rational) picture.Format {
	f := picture.Format{
		W: s.form.w, H: s.form.h, Depth: s.layout.Components[0].Depth,
		ChromaX: s.layout.ChromaX, ChromaY: s.layout.ChromaY,
		Colour:          s.colour,
		SampleAspectNum: aspect.num, SampleAspectDen: aspect.den,
	}
	if s.turn.transpose {
		f.W, f.H = f.H, f.W
		f.ChromaX, f.ChromaY = f.ChromaY, f.ChromaX
		f.SampleAspectNum, f.SampleAspectDen = f.SampleAspectDen, f.SampleAspectNum
	}
	if s.layout.Gray() {
		f.ChromaX, f.ChromaY = -1, -1
	}
	return f
}

// sheet reads the planes of a frame, whose reference it takes over. The
// caller owns one reference of the sheet.
func (s *shaper) sheet(f *frame) (*sheet, error) {
	layout := s.layout
	if have := formOf(f.av); s.always || have != s.form {
		s.changed = s.changed || have != s.form
		g, err := s.convert(f, have)
		f.drop()
		if err != nil {
			return nil, err
		}
		f = g
		var derr error
		if layout, derr = plane.Describe(int(s.target.format)); derr != nil {
			f.drop()
			return nil, derr
		}
	}
	sh := &sheet{frame: f, shaper: s}
	sh.users.Store(1)
	n := 3
	if layout.Gray() {
		n = 1
	}
	shared := false
	for i := range n {
		share, err := s.read(sh, f, layout, i)
		if err != nil {
			sh.drop()
			return nil, err
		}
		shared = shared || share
	}
	if !shared {
		sh.frame = nil
		f.drop()
	}
	return sh, nil
}

// read fills plane i of a sheet and reports whether it shares f's memory.
func (s *shaper) read(sh *sheet, f *frame, layout plane.Layout, i int) (bool, error) {
	p, err := plane.View(f.av.UnsafePointer(), layout, i)
	view := err == nil
	if errors.Is(err, plane.ErrLayout) {
		w, h := f.av.Width(), f.av.Height()
		if i > 0 {
			w, h = -(-w >> layout.ChromaX), -(-h >> layout.ChromaY)
		}
		p = s.take(i, w, h, layout.Components[i].Depth)
		err = plane.Unpack(f.av.UnsafePointer(), layout, i, &p)
	}
	if err != nil {
		return false, err
	}
	if s.turn == (turn{}) {
		sh.planes[i], sh.own[i] = p, !view
		return view, nil
	}
	w, h := p.W, p.H
	if s.turn.transpose {
		w, h = h, w
	}
	d := s.take(i, w, h, p.Depth)
	plane.Turn(&d, &p, s.turn.transpose, s.turn.flipX, s.turn.flipY)
	if !view {
		s.give(i, p)
	}
	sh.planes[i], sh.own[i] = d, true
	return false, nil
}

// convert brings a frame into the target form, in a frame of its own.
func (s *shaper) convert(f *frame, have form) (*frame, error) {
	g := &frame{av: s.pool.take(), flags: f.flags, time: f.time, damaged: f.damaged, pool: &s.pool}
	g.users.Store(1)
	g.av.SetWidth(s.target.w)
	g.av.SetHeight(s.target.h)
	g.av.SetPixelFormat(s.target.format)
	if err := g.av.AllocBuffer(0); err != nil {
		g.drop()
		return nil, errors.New("no memory for a converted frame")
	}
	if s.scaler == nil || s.from != have {
		if s.scaler != nil {
			s.scaler.Close()
			s.scaler = nil
		}
		full := s.colour.FullRange || s.source.RGB
		scaler, err := plane.NewScaler(f.av.UnsafePointer(), g.av.UnsafePointer(), full)
		if err != nil {
			g.drop()
			return nil, err
		}
		s.scaler, s.from = scaler, have
	}
	if err := s.scaler.Scale(g.av.UnsafePointer(), f.av.UnsafePointer()); err != nil {
		g.drop()
		return nil, err
	}
	return g, nil
}

// take returns a plane for component i, new or used.
func (s *shaper) take(i, w, h, depth int) picture.Plane {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := len(s.free[i]); n > 0; n-- {
		p := s.free[i][n-1]
		if p.W == w && p.H == h && p.Depth == depth {
			s.free[i][n-1] = s.free[i][len(s.free[i])-1]
			s.free[i] = s.free[i][:len(s.free[i])-1]
			return p
		}
	}
	return picture.New(w, h, depth)
}

func (s *shaper) give(i int, p picture.Plane) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.free[i]) < maxFree {
		s.free[i] = append(s.free[i], p)
	}
}

func (s *shaper) close() {
	if s.scaler != nil {
		s.scaler.Close()
		s.scaler = nil
	}
	s.pool.close()
}

// turn is how the samples of a stored frame are rearranged to stand upright:
// transposed first, then mirrored along the axes of the result.
type turn struct{ transpose, flipX, flipY bool }

// turnOf reads a display matrix (ISO/IEC 14496-12, tkhd: x' = ax + cy + tx,
// y' = bx + dy + ty, row by row a b u, c d v, x y w). It reports false for
// angles that are not quarter turns.
func turnOf(m *astiav.DisplayMatrix) (turn, bool) {
	a, b, c, d := float64(int32(m[0])), float64(int32(m[1])), float64(int32(m[3])), float64(int32(m[4]))
	straight, crossed := abs(a)+abs(d), abs(b)+abs(c)
	// Encoders write sines and cosines in 16.16 fixed point, which leaves a
	// few units of the last place.
	const slack = 0.01
	switch {
	case straight == 0 && crossed == 0:
		return turn{}, true
	case crossed < slack*straight && a != 0 && d != 0:
		return turn{flipX: a < 0, flipY: d < 0}, true
	case straight < slack*crossed && b != 0 && c != 0:
		return turn{transpose: true, flipX: c < 0, flipY: b < 0}, true
	}
	return turn{}, false
}

func abs(v float64) float64 { return max(v, -v) }

// degrees is the turn clockwise that comes before the mirroring, if any.
func (t turn) degrees() int {
	switch {
	case t.transpose && t.flipX != t.mirrored():
		return 90
	case t.transpose:
		return 270
	case t.flipY:
		return 180
	}
	return 0
}

// mirrored reports whether the picture is mirrored left to right after its
// rotation.
func (t turn) mirrored() bool {
	if t.transpose {
		return t.flipX == t.flipY
	}
	return t.flipX != t.flipY
}
