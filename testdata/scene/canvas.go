package scene

import (
	"math"
	"sync"
)

// over is how many samples of a canvas go on one sample of the picture, in
// each direction: enough that a pan by a fraction of a sample keeps its
// sharpness.
const over = 2

// sheet is one plane of a canvas.
type sheet struct {
	w, h int
	pix  []uint16 // fine unit
}

// canvas is a picture of the world, wider than the raster or higher, that
// does not change. Chroma is at half the size.
type canvas struct {
	w, h      int // samples of the raster
	y, cb, cr sheet
}

// newCanvas takes what was painted on a layer of over times the size.
func newCanvas(l *layer, w, h int) *canvas {
	c := &canvas{w: w, h: h}
	c.y = sheet{w * over, h * over, make([]uint16, w*over*h*over)}
	for i, v := range l.y {
		c.y.pix[i] = clampFine(int32(v * fine))
	}
	if l.colour {
		half := func(src []float32) sheet {
			s := sheet{w * over / 2, h * over / 2, make([]uint16, w*over/2*h*over/2)}
			for y := range s.h {
				for x := range s.w {
					i := 2*y*l.w + 2*x
					v := (src[i] + src[i+1] + src[i+l.w] + src[i+l.w+1]) / 4
					s.pix[y*s.w+x] = clampFine(int32((v + 128) * fine))
				}
			}
			return s
		}
		c.cb, c.cr = half(l.u), half(l.v)
	}
	return c
}

// sight is a canvas that is painted when it is first seen, so that a catalogue
// of scenes costs nothing until one is played.
type sight struct {
	once sync.Once
	make func() *canvas
	got  *canvas
}

func (s *sight) canvas() *canvas {
	s.once.Do(func() { s.got, s.make = s.make(), nil })
	return s.got
}

func see(make func() *canvas) *sight { return &sight{make: make} }

// kernel1 is a filter of one dimension that turns samples of a sheet into
// samples of the picture: sample i of the picture is the weighted sum of
// len(weight) samples of the sheet from first+i*over on. Weights sum to one.
type kernel1 struct {
	first  int
	weight []int32
}

const one = 1 << 12 // unit of the weights

// newKernel makes the filter for the mean over the area of a sample of the
// picture that starts at offset, and over a straight movement of length blur
// around it; both in samples of the picture.
func newKernel(offset, blur float64) kernel1 {
	p, q := over/2.0, math.Abs(blur)*over/2
	centre := (offset + 0.5) * over
	// cdf is the integral of the box of half width p that was convolved with
	// the box of half width q.
	ramp := func(s float64) float64 { s = math.Max(s, 0); return s * s / 2 }
	cdf := func(s float64) float64 {
		if q < 1e-3 {
			return math.Min(math.Max((s+p)/(2*p), 0), 1)
		}
		return (ramp(s+p+q) - ramp(s+p-q) - ramp(s-p+q) + ramp(s-p-q)) / (4 * p * q)
	}
	k := kernel1{first: int(math.Floor(centre - p - q + 1e-9))}
	last := int(math.Ceil(centre + p + q - 1e-9))
	before := cdf(float64(k.first) - centre)
	sum, largest := int32(0), 0
	for i := k.first; i < last; i++ {
		after := cdf(float64(i+1) - centre)
		w := int32(math.Round((after - before) * one))
		before = after
		k.weight = append(k.weight, w)
		sum += w
		if w > k.weight[largest] {
			largest = i - k.first
		}
	}
	k.weight[largest] += one - sum
	return k
}

// draw paints the part of the sheet whose top left is at x, y (samples of the
// picture) onto w samples of each row of dst from column x0 on, over rows y0
// to y1 of the raster, with the blur of a movement by bx, by. What lies
// outside of the sheet continues its edge.
func (s *sheet) draw(dst *frameRows, x, y, bx, by float64, rect area) {
	kx := newKernel(x, bx)
	ky := newKernel(y, by)
	n := rect.x1 - rect.x0
	need := n*over + len(kx.weight)
	line := make([]int32, need)
	var prefix []int32
	if len(kx.weight) > directTaps {
		prefix = make([]int32, need+1)
	}
	for row := range dst.rows {
		at := dst.row + row*dst.step - rect.y0
		if at < 0 || at >= rect.y1-rect.y0 {
			continue
		}
		s.combine(line, ky.first+at*over, ky.weight, kx.first)
		out := dst.pix[row*dst.w+rect.x0:][:n]
		if prefix == nil {
			reduce(out, line, kx.weight)
		} else {
			reduceLong(out, line, prefix, kx.weight)
		}
	}
}

// area is a rectangle of the raster.
type area struct{ x0, y0, x1, y1 int }

// frameRows is one plane of a frame.
type frameRows struct {
	pix                []uint16
	w, rows, row, step int
}

// Filters longer than this use a running sum for their flat middle.
const directTaps = 12

// combine makes the weighted sum of rows from row on, for the columns from
// column on.
func (s *sheet) combine(line []int32, row int, weight []int32, column int) {
	clear(line)
	// The columns that the sheet has; those beyond repeat the edge.
	lo, hi := min(max(-column, 0), len(line)), min(max(s.w-column, 0), len(line))
	for i, w := range weight {
		if w == 0 {
			continue
		}
		r := min(max(row+i, 0), s.h-1)
		src := s.pix[r*s.w : (r+1)*s.w]
		if lo < hi {
			in := src[column+lo : column+hi]
			out := line[lo:hi]
			out = out[:len(in)]
			for x, v := range in {
				out[x] += int32(v) * w
			}
		}
		for x := range lo {
			line[x] += int32(src[0]) * w
		}
		for x := hi; x < len(line); x++ {
			line[x] += int32(src[s.w-1]) * w
		}
	}
	for x, v := range line {
		line[x] = (v + one/2) >> 12
	}
}

func reduce(out []uint16, line, weight []int32) {
	if len(weight) == 2 {
		a, b := weight[0], weight[1]
		for x := range out {
			in := line[2*x : 2*x+2 : 2*x+2]
			out[x] = uint16((in[0]*a + in[1]*b + one/2) >> 12)
		}
		return
	}
	if len(weight) == 3 {
		a, b, c := weight[0], weight[1], weight[2]
		for x := range out {
			in := line[2*x : 2*x+3 : 2*x+3]
			out[x] = uint16((in[0]*a + in[1]*b + in[2]*c + one/2) >> 12)
		}
		return
	}
	for x := range out {
		in := line[x*over : x*over+len(weight)]
		sum := int32(one / 2)
		for i, w := range weight {
			sum += in[i] * w
		}
		out[x] = uint16(sum >> 12)
	}
}

func reduceLong(out []uint16, line, prefix, weight []int32) {
	sum := int32(0)
	for i, v := range line {
		prefix[i] = sum
		sum += v
	}
	prefix[len(line)] = sum
	const edge = 4 // taps on either side that are not in the flat middle
	n := len(weight)
	middle := weight[n/2]
	// Rounding leaves the taps of the middle a unit apart; what they miss of
	// the sum goes to the first tap after the edge.
	rest := int32(0)
	for _, w := range weight[edge : n-edge] {
		rest += w - middle
	}
	for x := range out {
		at := x * over
		v := int64(prefix[at+n-edge]-prefix[at+edge]) * int64(middle)
		v += int64(line[at+n/2]) * int64(rest)
		for i := range edge {
			v += int64(line[at+i])*int64(weight[i]) + int64(line[at+n-1-i])*int64(weight[n-1-i])
		}
		out[x] = uint16(min(max((v+one/2)>>12, 0), 255*fine))
	}
}

// backdrop paints a canvas as the camera moves over it, or as it moves by
// itself inside a window of the picture.
type backdrop struct {
	sight *sight
	// offset is where the top left of the window is on the canvas; nil means
	// that of the camera in the world.
	offset func(t float64) (x, y float64)
	window *area // nil for the whole picture
}

func (b *backdrop) still(s *Scene) bool { return b.offset == nil && s.camera == nil }

func (b *backdrop) paint(s *Scene, f *frame, t0, t1 float64) {
	offset := b.offset
	if offset == nil {
		offset = s.cam
	}
	win := area{0, 0, s.W, s.H}
	if b.window != nil {
		win = *b.window
	}
	x0, y0 := offset(t0)
	x1, y1 := offset(t1)
	dx, dy := x1-x0, y1-y0
	// A slanted movement is cut into steps short enough that the rectangle
	// that the two filters make of each passes for the slanted line.
	steps := 1
	if dx != 0 && dy != 0 {
		steps = min(max(int(math.Ceil(math.Min(math.Abs(dx), math.Abs(dy))/1.5)), 1), 12)
	}
	paintSheets(b.sight.canvas(), f, win, steps, func(i int) (x, y, bx, by float64) {
		u := (float64(i) + 0.5) / float64(steps)
		return x0 + dx*u, y0 + dy*u, dx / float64(steps), dy / float64(steps)
	})
}

func paintSheets(c *canvas, f *frame, win area, steps int, at func(i int) (x, y, bx, by float64)) {
	one := func(src *sheet, dst *frameRows, scale float64, win area) {
		if steps == 1 {
			x, y, bx, by := at(0)
			src.draw(dst, x*scale, y*scale, bx*scale, by*scale, win)
			return
		}
		sum := make([]uint32, len(dst.pix))
		part := *dst
		part.pix = make([]uint16, len(dst.pix))
		for i := range steps {
			x, y, bx, by := at(i)
			src.draw(&part, x*scale, y*scale, bx*scale, by*scale, win)
			for j, v := range part.pix {
				sum[j] += uint32(v)
			}
		}
		n := uint32(steps)
		for row := range dst.rows {
			if y := dst.row + row*dst.step; y < win.y0 || y >= win.y1 {
				continue
			}
			for x := win.x0; x < win.x1; x++ {
				dst.pix[row*dst.w+x] = uint16((sum[row*dst.w+x] + n/2) / n)
			}
		}
	}
	one(&c.y, &frameRows{f.y, f.w, f.h, f.row, f.step}, 1, win)
	if f.cb != nil {
		half := area{win.x0 / 2, win.y0 / 2, (win.x1 + 1) / 2, (win.y1 + 1) / 2}
		one(&c.cb, &frameRows{f.cb, f.cw, f.ch, 0, 1}, 0.5, half)
		one(&c.cr, &frameRows{f.cr, f.cw, f.ch, 0, 1}, 0.5, half)
	}
}

// lens paints a canvas through an affine map that changes with time (zoom,
// rotation): the sample at x, y of the picture shows the canvas at
// cx + (x-w/2)*a - (y-h/2)*b, cy + (x-w/2)*b + (y-h/2)*a.
type lens struct {
	sight *sight
	view  func(t float64) (cx, cy, a, b float64)

	once sync.Once
	soft [3]sheet // each sample the mean over over x over samples from it on
}

func (l *lens) soften() {
	c := l.sight.canvas()
	for i, s := range []*sheet{&c.y, &c.cb, &c.cr} {
		o := sheet{s.w, s.h, make([]uint16, len(s.pix))}
		for y := range s.h {
			y1 := min(y+1, s.h-1)
			for x := range s.w {
				x1 := min(x+1, s.w-1)
				o.pix[y*s.w+x] = uint16((uint32(s.pix[y*s.w+x]) + uint32(s.pix[y*s.w+x1]) +
					uint32(s.pix[y1*s.w+x]) + uint32(s.pix[y1*s.w+x1]) + 2) / 4)
			}
		}
		l.soft[i] = o
	}
}

func (l *lens) still(*Scene) bool { return false }

func (l *lens) paint(s *Scene, f *frame, t0, t1 float64) {
	l.once.Do(l.soften)
	// The corner travels farthest.
	w, h := float64(s.W), float64(s.H)
	corner := func(t float64) (x, y float64) {
		cx, cy, a, b := l.view(t)
		return cx - w/2*a + h/2*b, cy - w/2*b - h/2*a
	}
	ax, ay := corner(t0)
	bx, by := corner(t1)
	n := min(max(int(math.Ceil(math.Hypot(bx-ax, by-ay)/2)), 1), 4)
	one := func(src *sheet, dst *frameRows, scale float64) {
		sum := make([]uint32, len(dst.pix))
		for i := range n {
			t := t0 + (t1-t0)*(float64(i)+0.5)/float64(n)
			cx, cy, a, b := l.view(t)
			src.affine(sum, dst, cx*scale, cy*scale, a, b, w*scale/2, h*scale/2)
		}
		for i, v := range sum {
			dst.pix[i] = uint16((v + uint32(n)/2) / uint32(n))
		}
	}
	one(&l.soft[0], &frameRows{f.y, f.w, f.h, f.row, f.step}, 1)
	if f.cb != nil {
		one(&l.soft[1], &frameRows{f.cb, f.cw, f.ch, 0, 1}, 0.5)
		one(&l.soft[2], &frameRows{f.cr, f.cw, f.ch, 0, 1}, 0.5)
	}
}

func (s *sheet) affine(sum []uint32, dst *frameRows, cx, cy, a, b, halfW, halfH float64) {
	const bits = 16
	for row := range dst.rows {
		dy := float64(dst.row+row*dst.step) + 0.5 - halfH
		dx := 0.5 - halfW
		// The soft sheet's sample i stands for the area from i on, hence its
		// centre is at i+over/2.
		u := int64(((cx+dx*a-dy*b)*over - over/2) * (1 << bits))
		v := int64(((cy+dx*b+dy*a)*over - over/2) * (1 << bits))
		du, dv := int64(a*over*(1<<bits)), int64(b*over*(1<<bits))
		out := sum[row*dst.w : (row+1)*dst.w]
		for x := range out {
			iu, iv := int(u>>bits), int(v>>bits)
			fu, fv := uint32(u>>8)&255, uint32(v>>8)&255
			iu, iv = min(max(iu, 0), s.w-2), min(max(iv, 0), s.h-2)
			p := s.pix[iv*s.w+iu:]
			q := p[s.w : s.w+2]
			p = p[:2]
			top := uint32(p[0])*(256-fu) + uint32(p[1])*fu
			bottom := uint32(q[0])*(256-fu) + uint32(q[1])*fu
			out[x] += (top>>8*(256-fv) + bottom>>8*fv) >> 8
			u += du
			v += dv
		}
	}
}
