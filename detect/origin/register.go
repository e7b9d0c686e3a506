package origin

import (
	"errors"
	"image"
	"math"

	"setwitness/decode/leastsquares"
	"setwitness/decode/picture"
)

// Map says where the picture of a source lies: what is at x, y in the take's
// raster is at ScaleX*x + OffsetX, ScaleY*y + OffsetY in the source's frame.
// Pixels have their centres at whole numbers. There is no turn and no mirror: a
// set makes none.
type Map struct {
	ScaleX, OffsetX, ScaleY, OffsetY float64
}

// Between is the map of a source of size from that fills the take's raster but
// for what scale and offset say, in shares of the take: what is at x in the
// source, 0 to 1, is at offset + scale*x in the take.
func Between(take, source image.Point, scaleX, offsetX, scaleY, offsetY float64) Map {
	axis := func(t, s int, scale, offset float64) (float64, float64) {
		k := float64(s) / float64(t) / scale
		// Edges of pixels lie half a pixel before their centres.
		return k, (0.5-offset*float64(t))*k - 0.5
	}
	var m Map
	m.ScaleX, m.OffsetX = axis(take.X, source.X, scaleX, offsetX)
	m.ScaleY, m.OffsetY = axis(take.Y, source.Y, scaleY, offsetY)
	return m
}

// At returns the place in the source of a place in the take.
func (m Map) At(x, y float64) (float64, float64) {
	return m.ScaleX*x + m.OffsetX, m.ScaleY*y + m.OffsetY
}

// Patch is a part of a luma plane in 8-bit codes.
type Patch struct {
	Rect image.Rectangle // of its frame
	Pix  []float32       // row by row
	// Line and Lines say which lines of a frame it holds: all of them, or those
	// of one field, Lines apart from Line on.
	Line, Lines int
}

// Cut copies a part of a picture; r counts in the pixels of the frame that the
// picture is, or is a field of. What lies outside is left out.
func Cut(p *picture.Picture, r image.Rectangle) *Patch {
	o := &Patch{Lines: 1}
	switch p.Parity {
	case picture.Top:
		o.Lines = 2
	case picture.Bottom:
		o.Lines, o.Line = 2, 1
	}
	rows := image.Rect(r.Min.X, floorDiv(r.Min.Y-o.Line, o.Lines), r.Max.X, floorDiv(r.Max.Y-o.Line, o.Lines)+1)
	rows = rows.Intersect(image.Rect(0, 0, p.Y.W, p.Y.H))
	o.Rect = rows
	unit := float32(int(1) << (p.Y.Depth - 8))
	o.Pix = make([]float32, 0, rows.Dx()*rows.Dy())
	for y := rows.Min.Y; y < rows.Max.Y; y++ {
		for x := rows.Min.X; x < rows.Max.X; x++ {
			o.Pix = append(o.Pix, float32(p.Y.At(x, y))/unit)
		}
	}
	return o
}

func floorDiv(a, b int) int { return int(math.Floor(float64(a) / float64(b))) }

// Small reduces a picture to about so many columns, by means over blocks; a
// field has half of the lines.
func Small(p *picture.Picture, columns int) *Reduced {
	step := max(1, p.Y.W/columns)
	lines := 1
	if p.Parity != picture.Frame {
		lines = 2
	}
	down := max(1, step/lines)
	r := &Reduced{Step: step, Rows: down * lines, W: p.Y.W / step, H: p.Y.H / down}
	if lines == 2 && p.Parity == picture.Bottom {
		r.Shift = 1
	}
	unit := float32(int(1) << (p.Y.Depth - 8))
	r.Pix = make([]float32, r.W*r.H)
	scale := 1 / (unit * float32(step*down))
	for y := range r.H {
		out := r.Pix[y*r.W : (y+1)*r.W]
		for j := range down {
			addLine(out, &p.Y, y*down+j, step)
		}
		for x := range out {
			out[x] *= scale
		}
	}
	return r
}

// addLine adds so many samples of a line of a plane to each of out.
func addLine(out []float32, p *picture.Plane, line, step int) {
	from := line * p.Stride
	to := from + len(out)*step
	if p.Pix != nil {
		sum(out, p.Pix[from:to], step)
	} else {
		sum(out, p.Pix16[from:to], step)
	}
}

// sum adds so many samples of a row to each of out.
func sum[T uint8 | uint16](out []float32, row []T, step int) {
	for x := range out {
		n := 0
		for _, v := range row[x*step : (x+1)*step] {
			n += int(v)
		}
		out[x] += float32(n)
	}
}

// Reduced is a small picture.
type Reduced struct {
	W, H       int
	Step, Rows int     // pixels and lines of the frame that a sample stands for
	Shift      float64 // lines that the first line lies below the frame's
	Pix        []float32
}

// at samples between pixels, linearly; ok is false outside.
func (r *Reduced) at(x, y float64) (v, dx, dy float64, ok bool) {
	fx, fy := math.Floor(x), math.Floor(y)
	i, j := int(fx), int(fy)
	if i < 0 || j < 0 || i+1 >= r.W || j+1 >= r.H {
		return 0, 0, 0, false
	}
	x, y = x-fx, y-fy
	a, b := float64(r.Pix[j*r.W+i]), float64(r.Pix[j*r.W+i+1])
	c, d := float64(r.Pix[(j+1)*r.W+i]), float64(r.Pix[(j+1)*r.W+i+1])
	v = a*(1-x)*(1-y) + b*x*(1-y) + c*(1-x)*y + d*x*y
	return v, (b-a)*(1-y) + (d-c)*y, (c-a)*(1-x) + (d-b)*x, true
}

// toFrame and fromFrame go between samples and pixels of the frame.
func (r *Reduced) toFrame(x, y float64) (float64, float64) {
	s, l := float64(r.Step), float64(r.Rows)
	return x*s + (s-1)/2, y*l + (l-1)/2 - r.between() + r.Shift
}

// between is how far the middle of the lines of a field lies above that of the
// frame's lines that they stand for.
func (r *Reduced) between() float64 {
	if r.Rows > r.Step || r.Shift != 0 {
		return 0.5
	}
	return 0
}

func (r *Reduced) fromFrame(x, y float64) (float64, float64) {
	s, l := float64(r.Step), float64(r.Rows)
	return (x - (s-1)/2) / s, (y - (l-1)/2 + r.between() - r.Shift) / l
}

// Pair is one picture of a take and what the source has there.
type Pair struct {
	Take, Source *Reduced
	every        int // samples of the take from one that is compared to the next; 0 is 1
}

// ErrUnregistered says that pictures cannot be laid on each other.
var ErrUnregistered = errors.New("the pictures cannot be laid on each other")

const (
	// registerRounds of least squares bring the map from some per cent off to a
	// fraction of a pixel.
	registerRounds = 30
	// enough is the change of the map, in samples at the border, at which it is
	// done.
	enough = 0.002
	// leastCorrelation is what pictures that are the same have when they are
	// laid on each other; of a film, a good deal more.
	leastCorrelation = 0.7
)

// Register refines a map by least squares over pairs (Lucas and Kanade, with a
// gain and an offset of luma for each pair), from coarse to fine, and returns the
// correlation that it reaches.
func Register(pairs []Pair, start Map) (Map, float64, error) {
	m := start
	r := 0.0
	for _, blur := range []int{8, 4, 2, 0} {
		soft := make([]Pair, len(pairs))
		for i, p := range pairs {
			// Soft pictures say nothing new from one sample to the next.
			soft[i] = Pair{p.Take.Soft(blur), p.Source.Soft(blur), max(1, blur/2)}
		}
		for range registerRounds {
			next, c, moved, ok := step(soft, m)
			if !ok {
				return m, 0, ErrUnregistered
			}
			m, r = next, c
			if moved < enough {
				break
			}
		}
	}
	if r < leastCorrelation {
		return m, r, ErrUnregistered
	}
	return m, r, nil
}

// Soft is a box blur of so many samples to either side, twice.
func (r *Reduced) Soft(n int) *Reduced {
	if n == 0 {
		return r
	}
	o := *r
	o.Pix = append([]float32(nil), r.Pix...)
	for range 2 {
		box(o.Pix, r.W, r.H, 1, r.W, n)
		box(o.Pix, r.H, r.W, r.W, 1, n)
	}
	return &o
}

// box averages lines of length n, step apart; the lines lie next apart.
func box(pix []float32, n, lines, step, next, half int) {
	line := make([]float64, n+1)
	for l := range lines {
		for i := range n {
			line[i+1] = line[i] + float64(pix[l*next+i*step])
		}
		for i := range n {
			a, b := max(0, i-half), min(n, i+half+1)
			pix[l*next+i*step] = float32((line[b] - line[a]) / float64(b-a))
		}
	}
}

// step is one step of Gauss and Newton. The gain and offset of each pair are
// those of the map before.
func step(pairs []Pair, m Map) (next Map, correlation, moved float64, ok bool) {
	var h [4][4]float64
	var right [4]float64
	var explained, all float64
	for _, p := range pairs {
		var n, sx, sy, sxx, syy, sxy float64
		p.each(m, func(t, s, _, _, _, _ float64) {
			n++
			sx, sy, sxx, syy, sxy = sx+t, sy+s, sxx+t*t, syy+s*s, sxy+t*s
		})
		if n < 64 {
			continue
		}
		tt, ss, ts := sxx-sx*sx/n, syy-sy*sy/n, sxy-sx*sy/n
		if ss <= 0 || tt <= 0 || ts <= 0 {
			continue
		}
		gain := ts / ss
		offset := (sx - gain*sy) / n
		explained += ts * ts / ss / tt * n
		all += n
		p.each(m, func(t, s, dx, dy, x, y float64) {
			e := t - gain*s - offset
			j := [4]float64{gain * dx * x, gain * dx, gain * dy * y, gain * dy}
			for a := range 4 {
				for b := range 4 {
					h[a][b] += j[a] * j[b]
				}
				right[a] += j[a] * e
			}
		})
	}
	if all == 0 {
		return m, 0, 0, false
	}
	// A little weight on no change, where nothing in the picture tells.
	for a := range 4 {
		h[a][a] *= 1.001
		h[a][a] += 1e-6
	}
	d, ok := leastsquares.Solve(func(i, k int) float64 { return h[i][k] }, right[:])
	if !ok {
		return m, 0, 0, false
	}
	const most = 8 // pixels of the source in one step
	half := 0.5
	shift := math.Max(math.Abs(d[1])+half*math.Abs(d[0]), math.Abs(d[3])+half*math.Abs(d[2]))
	if shift > most {
		for k := range d {
			d[k] *= most / shift
		}
	}
	// The scales count in a picture of width 1 about its middle, for the sake of
	// the numbers.
	w, hgt := pairs[0].Take.frame()
	next = m
	next.ScaleX += d[0] / w
	next.OffsetX += d[1] - d[0]/2
	next.ScaleY += d[2] / hgt
	next.OffsetY += d[3] - d[2]/2
	return next, math.Sqrt(explained / all), shift / float64(pairs[0].Source.Step), true
}

// frame returns the size of the frame in pixels.
func (r *Reduced) frame() (w, h float64) { return float64(r.W * r.Step), float64(r.H * r.Rows) }

// each calls do with the samples of the take and, of the source, the value and
// its slopes per pixel of the source's frame, and the place, -0.5 to 0.5.
func (p Pair) each(m Map, do func(t, s, dx, dy, x, y float64)) {
	w, h := p.Take.frame()
	every := max(1, p.every)
	for y := 0; y < p.Take.H; y += every {
		for x := 0; x < p.Take.W; x += every {
			fx, fy := p.Take.toFrame(float64(x), float64(y))
			sx, sy := p.Source.fromFrame(m.At(fx, fy))
			v, dx, dy, ok := p.Source.at(sx, sy)
			if !ok {
				continue
			}
			do(float64(p.Take.Pix[y*p.Take.W+x]), v, dx/float64(p.Source.Step), dy/float64(p.Source.Rows), fx/w-0.5, fy/h-0.5)
		}
	}
}
