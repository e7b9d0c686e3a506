package filming

import (
	"math"
	"math/rand/v2"

	"setwitness/decode/picture"
)

const (
	// node is how many camera px lie between places where the geometry is
	// computed; between them it is straight. At 15 degrees off the axis the
	// error is below 0.01 px.
	node = 8
	// most is how many displayed pictures one frame may touch.
	most = 16
	// linearTop and linearSteps cut linear light, where 1 is white, into
	// table entries of less than a fifth of a code in the dark.
	linearTop   = 2.0
	linearSteps = 1 << 15
	// coarse is how many of them share one entry in tables that need less:
	// small tables stay in the processor's cache.
	coarse = 8
	// noiseSize is how many random numbers are drawn; every row starts at
	// a place of its own in them.
	noiseSize = 1 << 18
	// far is how many standard deviations of the blur a point is away from
	// an edge that does not matter to it.
	far = 4
)

// shown is a source picture in light, blurred as the camera will blur it.
type shown struct {
	source   int
	light    []float32 // nits, of each sample of the raster
	mean     float64   // nits
	red, blu []float32 // share of the light, of each 2x2 samples; nil for gray
	// seen is the picture as the camera sees it while nothing moves.
	seen []float32
}

// renderer holds what rendering needs; it belongs to one capture.
type renderer struct {
	w, h              int // raster
	toLight           []float32
	power             []float32 // of 0 to 1, to the set's gamma
	blurX, blurY      []float32 // half kernels, from the middle
	stepX, stepY      float32   // width, in samples, of the step between two samples
	gridX, gridY      []float32 // light across a pixel of the panel; nil for none
	panelX, panelY    float32   // pixels of the panel a sample
	edgeX, edgeY      float64   // blur of the screen's edge in samples
	shrink            []float32 // lens: shares of radius by square of radius
	shrinkTop         float64
	falloff           []float32
	wallX, wallY      float32 // of the first sample of the map, on the raster
	wallPerU          float32 // samples of the map for one of the raster
	wallPerV          float32
	wallW, wallH      int
	wallNits, glow    []float32
	luma              []uint8 // by linear light
	cb, cr            []float32
	response          []float32
	likeWhite         []float32 // linear light by the encoded luma of white
	redGain, blueGain float32
	sigma             []float32
	chromaSigma       []float32
	noise             []float32

	keep  int      // source pictures that are kept
	shown []*shown // newest first
	means []float64
	gains []float64

	grid     grid
	seenRoom []float32 // the room while nothing moves

	// Rows in work.
	row, out, room, chroma, hueB, hueR []float32
	weights                            [][]float32
	only                               *shown // the only picture in the row
}

// grid is the geometry at the nodes of a frame.
type grid struct {
	n    int // nodes a row
	u, v []float32
	ok   bool
}

func (r *renderer) setUp(c *Capture) {
	cam, set := &c.Camera, &c.Set
	r.w, r.h = c.Source.Format.W, c.Source.Format.H
	r.keep = c.reach() + 2
	r.power = make([]float32, powerSteps)
	for i := range r.power {
		r.power[i] = float32(math.Pow(float64(i)/(powerSteps-1), set.gamma()))
	}
	r.toLight = set.light(c.Source.Format.Depth, c.Source.Format.Colour.FullRange)

	g := Geometry{Homography: c.base, Inverse: c.base.inverse(), lens: c.lens}
	middle := Point{float64(r.w) / 2, float64(r.h) / 2}
	sx, sy := g.PxPerColumn(middle), g.PxPerLine(middle)
	// What blurs in the camera: the lens, and the area of its pixel, whose
	// variance is 1/12 px^2.
	blur := math.Sqrt(cam.BlurPx*cam.BlurPx + 1.0/12)
	r.blurX, r.stepX = sampling(blur / sx)
	r.blurY, r.stepY = sampling(blur / sy)
	r.edgeX, r.edgeY = blur/sx, blur/sy
	if set.PanelW > 0 {
		r.panelX, r.panelY = float32(set.PanelW)/float32(r.w), float32(set.PanelH)/float32(r.h)
		r.gridX = panelGrid(set.PixelFill, sx/float64(r.panelX), cam.BlurPx)
		r.gridY = panelGrid(set.PixelFill, sy/float64(r.panelY), cam.BlurPx)
		if r.gridX == nil && r.gridY != nil {
			r.gridX = flatGrid()
		}
		if r.gridY == nil && r.gridX != nil {
			r.gridY = flatGrid()
		}
	}
	r.setUpLens(c)
	r.setUpResponse(c)
	r.setUpWall(c)

	r.noise = make([]float32, noiseSize+cam.W)
	rnd := rand.New(rand.NewPCG(uint64(c.seed), 3))
	for i := range noiseSize {
		r.noise[i] = float32(rnd.NormFloat64())
	}
	copy(r.noise[noiseSize:], r.noise)

	r.grid.n = (cam.W+node-1)/node + 1
	r.grid.u = make([]float32, r.grid.n*cam.H)
	r.grid.v = make([]float32, r.grid.n*cam.H)
	r.row, r.out = make([]float32, cam.W), make([]float32, cam.W)
	r.room = make([]float32, cam.W)
	r.chroma, r.hueB, r.hueR = make([]float32, cam.W/2), make([]float32, cam.W/2), make([]float32, cam.W/2)
}

// sampling returns how a raster is prepared for a blur of sigma samples. Each
// sample is a square of even light, of variance 1/12 itself. Reading between
// samples along a straight line stands for that square and a blur of another
// 1/12 together; what is more is blurred before, and where there is less the
// line is steeper: a step of less than a sample wide.
func sampling(sigma float64) (half []float32, step float32) {
	rest := sigma*sigma - 1.0/12
	if rest <= 0 {
		return nil, float32(sigma * math.Sqrt(12))
	}
	s := math.Sqrt(rest)
	n := int(math.Ceil(3 * s))
	sum := 0.0
	weights := make([]float64, n+1)
	for i := range weights {
		// The share of the Gaussian that falls on sample i.
		weights[i] = math.Erf((float64(i)+0.5)/s/math.Sqrt2) - math.Erf((float64(i)-0.5)/s/math.Sqrt2)
		sum += weights[i]
		if i > 0 {
			sum += weights[i]
		}
	}
	for _, w := range weights {
		half = append(half, float32(w/sum))
	}
	return half, 1
}

const (
	gridSteps  = 1024
	powerSteps = 4096
)

func flatGrid() []float32 {
	out := make([]float32, gridSteps)
	for i := range out {
		out[i] = 1
	}
	return out
}

// panelGrid returns the light across one pixel of the panel as the camera sees
// it: a lit stripe of a share fill, mean 1, after the blur of the lens and of
// the area of the camera's pixel, for a pitch in camera px. It is nil when
// nothing of it is left.
func panelGrid(fill, pitch, blurPx float64) []float32 {
	const (
		harmonics = 8
		visible   = 1e-3 // of the light: a tenth of a code
	)
	out := flatGrid()
	left := 0.0
	for n := 1; n <= harmonics; n++ {
		f := float64(n) / pitch
		a := 2 * sinc(float64(n)*fill) * math.Exp(-2*math.Pi*math.Pi*blurPx*blurPx*f*f) * sinc(f)
		left = max(left, math.Abs(a))
		for i := range out {
			phase := (float64(i)+0.5)/gridSteps - 0.5
			out[i] += float32(a * math.Cos(2*math.Pi*float64(n)*phase))
		}
	}
	if left < visible {
		return nil
	}
	return out
}

// sinc is sin(pi x)/(pi x).
func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

func (r *renderer) setUpLens(c *Capture) {
	l, cam := c.lens, &c.Camera
	const steps = 2048
	half := func(n int) float64 { return (float64(n)/2 + 2*node) / l.f }
	r.shrinkTop = half(cam.W)*half(cam.W) + half(cam.H)*half(cam.H)
	r.shrink = make([]float32, steps+2)
	for i := range r.shrink {
		r.shrink[i] = float32(l.shrink(r.shrinkTop * float64(i) / steps))
	}
	r.shrinkTop /= steps
	r.falloff = make([]float32, cam.W*cam.H)
	for y := range cam.H {
		for x := range cam.W {
			dx, dy := (float64(x)+0.5-l.cx)/l.f, (float64(y)+0.5-l.cy)/l.f
			cos2 := 1 / (1 + dx*dx + dy*dy)
			r.falloff[y*cam.W+x] = float32(1 - cam.Falloff*(1-cos2*cos2))
		}
	}
}

func (r *renderer) setUpResponse(c *Capture) {
	cam := &c.Camera
	one := func(g float64) float64 {
		if g == 0 {
			return 1
		}
		return g
	}
	red := one(cam.RedGain) * one(c.Set.RedGain)
	blue := one(cam.BlueGain) * one(c.Set.BlueGain)
	n := linearSteps
	r.luma, r.response = make([]uint8, n), make([]float32, n)
	r.redGain, r.blueGain = float32(red), float32(blue)
	r.likeWhite = make([]float32, powerSteps)
	next := 0
	for i := range n {
		x := (float64(i) + 0.5) * linearTop / linearSteps
		// BT.709-6 item 3.2.
		y := 0.2126*cam.response(red*x) + 0.7152*cam.response(x) + 0.0722*cam.response(blue*x)
		r.luma[i] = uint8(math.Round(cam.code(y)))
		r.response[i] = float32(cam.response(x))
		for next < powerSteps && y >= float64(next)/(powerSteps-1) {
			r.likeWhite[next] = float32(x)
			next++
		}
	}
	for ; next < powerSteps; next++ {
		r.likeWhite[next] = linearTop
	}
	n /= coarse
	r.cb, r.cr = make([]float32, n), make([]float32, n)
	r.sigma, r.chromaSigma = make([]float32, n), make([]float32, n)
	chroma := 224.0
	if cam.FullRange {
		chroma = 255
	}
	for i := range n {
		x := (float64(i) + 0.5) * coarse * linearTop / linearSteps
		er, eg, eb := cam.response(red*x), cam.response(x), cam.response(blue*x)
		y := 0.2126*er + 0.7152*eg + 0.0722*eb
		r.cb[i] = float32(128 + chroma*(eb-y)/1.8556)
		r.cr[i] = float32(128 + chroma*(er-y)/1.5748)
		r.sigma[i] = float32(math.Sqrt(x/cam.FullWellE + cam.ReadNoiseE*cam.ReadNoiseE/cam.FullWellE/cam.FullWellE))
		// The mean of four pixels has half of the noise.
		slope := (cam.response(x+1e-4) - cam.response(x)) / 1e-4
		r.chromaSigma[i] = float32(chroma * slope * float64(r.sigma[i]) / 2)
	}
}

// setUpWall renders the plane around the screen, as far as the camera may see.
func (r *renderer) setUpWall(c *Capture) {
	cam := &c.Camera
	g := Geometry{Homography: c.base, Inverse: c.base.inverse(), lens: c.lens}
	lo, hi := Point{math.Inf(1), math.Inf(1)}, Point{math.Inf(-1), math.Inf(-1)}
	margin := 4*node + 4*(cam.Motion.SwayPx+cam.Motion.ShakePx) + 2*cam.Motion.BumpPx + float64(cam.W)/50
	drift := math.Hypot(cam.Motion.DriftXPx, cam.Motion.DriftYPx) * c.times[len(c.times)-1]
	margin += drift + math.Abs(cam.Motion.ZoomPerS)*c.times[len(c.times)-1]*float64(cam.W)
	for i := range 9 {
		x := -margin + float64(i%3)/2*(float64(cam.W)+2*margin)
		y := -margin + float64(i/3)/2*(float64(cam.H)+2*margin)
		p := g.ToRaster(Point{x, y})
		lo = Point{min(lo.X, p.X), min(lo.Y, p.Y)}
		hi = Point{max(hi.X, p.X), max(hi.Y, p.Y)}
	}
	r.wallX, r.wallY = float32(lo.X), float32(lo.Y)
	r.wallW, r.wallH = cam.W/2, cam.H/2
	stepX, stepY := (hi.X-lo.X)/float64(r.wallW-1), (hi.Y-lo.Y)/float64(r.wallH-1)
	r.wallPerU, r.wallPerV = float32(1/stepX), float32(1/stepY)
	r.wallNits, r.glow = make([]float32, r.wallW*r.wallH), make([]float32, r.wallW*r.wallH)
	unit := 1 / float64(r.w)
	half := float64(r.h) / 2 * unit / c.aspect
	for j := range r.wallH {
		for i := range r.wallW {
			x := (lo.X + float64(i)*stepX - float64(r.w)/2) * unit
			y := (lo.Y + float64(j)*stepY - float64(r.h)/2) * unit / c.aspect
			n, glow := c.Room.wall(x, y, half)
			r.wallNits[j*r.wallW+i], r.glow[j*r.wallW+i] = float32(n), float32(glow)
		}
	}
}

// prepare returns a source picture in light.
func (r *renderer) prepare(c *Capture, source int) *shown {
	for i, s := range r.shown {
		if s.source == source {
			copy(r.shown[1:i+1], r.shown[:i])
			r.shown[0] = s
			return s
		}
	}
	var s *shown
	if len(r.shown) < r.keep {
		s = &shown{light: make([]float32, r.w*r.h)}
		r.shown = append(r.shown, s)
	} else {
		s = r.shown[r.keep-1]
	}
	copy(r.shown[1:], r.shown[:len(r.shown)-1])
	r.shown[0] = s
	s.source, s.seen = source, s.seen[:0]
	p := c.Source.At(source)
	sum := 0.0
	for y := range r.h {
		row := s.light[y*r.w : (y+1)*r.w]
		part := float32(0)
		if p.Y.Pix != nil {
			for x, v := range p.Y.Pix[y*p.Y.Stride:][:r.w] {
				row[x] = r.toLight[v]
				part += row[x]
			}
		} else {
			for x, v := range p.Y.Pix16[y*p.Y.Stride:][:r.w] {
				row[x] = r.toLight[v]
				part += row[x]
			}
		}
		sum += float64(part)
	}
	s.mean = sum / float64(r.w*r.h)
	s.red, s.blu = s.red[:0], s.blu[:0]
	if !p.Cb.Empty() && !p.Cr.Empty() {
		r.colour(s, p, c.Source.Format.Colour.FullRange)
	}
	r.blur(s.light)
	return s
}

// colour sets the shares of red and blue in the light of a picture, and its
// light by the sum of the three (BT.709-6 item 3.2 and BT.1886).
func (r *renderer) colour(s *shown, p *picture.Picture, fullRange bool) {
	w, h := r.w/2, r.h/2
	full := float32(p.Y.Full()) / 255
	zero, scale, black, white := float32(128)*full, 1/(224*full), 16*full, 219*full
	if fullRange {
		scale, black, white = 1/(255*full), 0, 255*full
	}
	power := func(v float32) float32 {
		return r.power[int(max(0, min(1, v))*(powerSteps-1)+0.5)]
	}
	for y := range h {
		cy := y * p.Cb.H / h
		for x := range w {
			cx := x * p.Cb.W / w
			// Dark samples carry no colour that could be told.
			luma := max(0.02, (float32(p.Y.At(2*x, 2*y))-black)/white)
			cb, cr := (float32(p.Cb.At(cx, cy))-zero)*scale, (float32(p.Cr.At(cx, cy))-zero)*scale
			er, eb := luma+1.5748*cr, luma+1.8556*cb
			eg := (luma - 0.2126*er - 0.0722*eb) / 0.7152
			red, green, blue := power(er), power(eg), power(eb)
			mean := 0.2126*red + 0.7152*green + 0.0722*blue
			if mean <= 0 {
				red, blue, mean = 1, 1, 1
			}
			s.red = append(s.red, red/mean)
			s.blu = append(s.blu, blue/mean)
			// Luma alone says too little of the light of strong colours.
			more := mean / power(luma)
			k := 2*y*r.w + 2*x
			s.light[k] *= more
			s.light[k+1] *= more
			s.light[k+r.w] *= more
			s.light[k+r.w+1] *= more
		}
	}
}

// blur does what the camera's blur does to the raster, in place.
func (r *renderer) blur(light []float32) {
	if n := len(r.blurX) - 1; n > 0 {
		line := make([]float32, r.w+2*n)
		for y := range r.h {
			row := light[y*r.w : (y+1)*r.w]
			copy(line[n:], row)
			for i := range n {
				line[i], line[n+r.w+i] = row[0], row[r.w-1]
			}
			for x := range row {
				near := line[x : x+2*n+1]
				v := near[n] * r.blurX[0]
				for k := 1; k <= n; k++ {
					v += (near[n-k] + near[n+k]) * r.blurX[k]
				}
				row[x] = v
			}
		}
	}
	if n := len(r.blurY) - 1; n > 0 {
		// The rows before the one in work are kept as they were.
		old := make([][]float32, n+1)
		for i := range old {
			old[i] = make([]float32, r.w)
		}
		at := func(y int) []float32 { return light[y*r.w : (y+1)*r.w] }
		for i := 1; i <= n; i++ {
			copy(old[i], at(0))
		}
		sum := make([]float32, r.w)
		for y := range r.h {
			copy(old[0], at(y))
			for x, v := range old[0] {
				sum[x] = v * r.blurY[0]
			}
			for k := 1; k <= n; k++ {
				above, below, weight := old[k][:len(sum)], at(min(y+k, r.h-1))[:len(sum)], r.blurY[k]
				for x := range sum {
					sum[x] += (above[x] + below[x]) * weight
				}
			}
			copy(at(y), sum)
			last := old[n]
			copy(old[1:], old[:n])
			old[0] = last
		}
	}
}

// place fills the grid with the geometry of a frame.
func (r *renderer) place(c *Capture, g *Geometry) {
	l, m := c.lens, g.Inverse
	for y := range c.Camera.H {
		dy := (float64(y) + 0.5 - l.cy) / l.f
		u, v := r.grid.u[y*r.grid.n:(y+1)*r.grid.n], r.grid.v[y*r.grid.n:(y+1)*r.grid.n]
		for i := range u {
			dx := (float64(i*node) + 0.5 - l.cx) / l.f
			at := (dx*dx + dy*dy) / r.shrinkTop
			k := int(at)
			part := at - float64(k)
			s := (float64(r.shrink[k])*(1-part) + float64(r.shrink[k+1])*part) * l.f
			px, py := l.cx+dx*s, l.cy+dy*s
			w := 1 / (m[6]*px + m[7]*py + m[8])
			u[i] = float32((m[0]*px + m[1]*py + m[2]) * w)
			v[i] = float32((m[3]*px + m[4]*py + m[5]) * w)
		}
	}
	r.grid.ok = true
}

// render renders frame i.
func (r *renderer) render(c *Capture, i int) *picture.Picture {
	cam := &c.Camera
	still := !cam.Motion.moves()
	if !still || !r.grid.ok {
		g := c.geometry(i)
		r.place(c, &g)
	}
	// Before the pictures are prepared, because it may ask for others.
	gain := float32(r.gain(c, c.times[i]+cam.ExposureS/2) / cam.SaturationNits)
	first, last := c.touched(i)
	var pics []*shown
	for d := first; d <= last; d++ {
		pics = append(pics, r.prepare(c, c.displayed[d].Source))
	}
	for len(r.weights) < len(pics) {
		r.weights = append(r.weights, make([]float32, cam.W))
	}
	p := &picture.Picture{Y: picture.New(cam.W, cam.H, 8), Cb: picture.New(cam.W/2, cam.H/2, 8), Cr: picture.New(cam.W/2, cam.H/2, 8)}
	rnd := rand.New(rand.NewPCG(uint64(c.seed), 1<<32|uint64(i)))
	area := float32(r.area(c))
	for y := range cam.H {
		flare := float32(0)
		if k := r.alone(c, i, first, len(pics), y); k >= 0 {
			r.only = pics[k]
			copy(r.out, r.setAt(c, r.only, y, still))
			flare = float32(r.only.mean)
		} else {
			r.only = nil
			r.weigh(c, i, first, len(pics), y)
			clear(r.out)
			for k, s := range pics {
				weights := r.weights[k]
				if zero(weights) {
					continue
				}
				row := r.setAt(c, s, y, still)[:len(weights)]
				out := r.out[:len(weights)]
				for x, w := range weights {
					out[x] += row[x] * w
				}
				flare += weights[cam.W/2] * float32(s.mean)
			}
		}
		flare *= float32(cam.Flare) * area * gain
		room := r.roomRow(c, y, still)
		fall := r.falloff[y*cam.W : (y+1)*cam.W]
		out := r.out
		for x := range out {
			out[x] = (out[x]+room[x])*fall[x]*gain + flare
		}
		if len(pics[0].red) > 0 {
			r.paint(c, p, pics, y)
		}
		r.expose(p.Y.Pix[y*cam.W:(y+1)*cam.W], out, rnd)
		r.tint(c, p, pics, y, rnd)
	}
	return p
}

func zero(w []float32) bool {
	for _, v := range w {
		if v != 0 {
			return false
		}
	}
	return true
}

// area is about the share of the frame that the screen covers.
func (r *renderer) area(c *Capture) float64 {
	f := c.Camera.Pose.Fill
	high := f * float64(c.Camera.W) * float64(r.h) / float64(r.w) / float64(c.Camera.H)
	return min(1, f) * min(1, high)
}

// alone returns which of n displayed pictures from first on is the only one in
// row y of frame i, in full light, or -1.
func (r *renderer) alone(c *Capture, i, first, n, y int) int {
	if c.Set.DipDepth > 0 || c.Set.BacklightDepth > 0 {
		return -1
	}
	cam := &c.Camera
	vs := r.grid.v[y*r.grid.n : (y+1)*r.grid.n]
	lo, hi := vs[0], vs[0]
	for _, v := range vs {
		lo, hi = min(lo, v), max(hi, v)
	}
	line := c.Set.RollS / float64(r.h)
	soon := max(0, min(float64(r.h), float64(lo))) * line
	late := max(0, min(float64(r.h), float64(hi))) * line
	t0 := c.times[i]
	t1 := t0 + cam.ExposureS
	if cam.Readout.Across() {
		t1 += cam.ReadoutS
	} else {
		row := cam.lineS() * cam.whole(cam.row(0.5, float64(y)+0.5))
		t0, t1 = t0+row, t1+row
	}
	k := 0
	for ; k < n-1; k++ {
		next := c.displayed[first+k+1].StartS
		if next+soon >= t1 {
			break
		}
		if next+late+c.Set.settled() > t0 {
			return -1
		}
	}
	return k
}

// weigh sets how much of the light of each of n displayed pictures from first
// on gets into the pixels of row y of frame i.
func (r *renderer) weigh(c *Capture, i, first, n, y int) {
	cam := &c.Camera
	line := c.Set.RollS / float64(r.h)
	var a, b [most]float32
	at := func(x int, v float64, w []float32) {
		row := cam.row(float64(x)+0.5, float64(y)+0.5)
		c.share(first, c.times[i]+cam.lineS()*cam.whole(row), max(0, min(float64(r.h), v))*line, w)
	}
	v := r.grid.v[y*r.grid.n : (y+1)*r.grid.n]
	at(0, float64(v[0]), a[:n])
	for block := range r.grid.n - 1 {
		x0 := block * node
		x1 := min(x0+node, cam.W)
		at(x0+node, float64(v[block+1]), b[:n])
		differs := float32(0)
		for k := range n {
			differs = max(differs, b[k]-a[k], a[k]-b[k])
		}
		switch {
		case differs == 0:
			for k := range n {
				w := r.weights[k]
				for x := x0; x < x1; x++ {
					w[x] = a[k]
				}
			}
		// A straight line between the nodes is off by less than the
		// difference: a code at most, even where black turns to white.
		case differs < 1.0/4096:
			for k := range n {
				w, d := r.weights[k], (b[k]-a[k])/node
				for x := x0; x < x1; x++ {
					w[x] = a[k] + float32(x-x0)*d
				}
			}
		default:
			var exact [most]float32
			dv := float64(v[block+1]-v[block]) / node
			for x := x0; x < x1; x++ {
				at(x, float64(v[block])+float64(x-x0)*dv, exact[:n])
				for k := range n {
					r.weights[k][x] = exact[k]
				}
			}
		}
		a = b
	}
}

// setAt returns the light of a picture in row y.
func (r *renderer) setAt(c *Capture, s *shown, y int, still bool) []float32 {
	w := c.Camera.W
	if !still {
		r.setRow(c, s, y, r.row)
		return r.row
	}
	if len(s.seen) == 0 {
		if cap(s.seen) < w*c.Camera.H {
			s.seen = make([]float32, w*c.Camera.H)
		}
		s.seen = s.seen[:w*c.Camera.H]
		for y := range c.Camera.H {
			r.setRow(c, s, y, s.seen[y*w:(y+1)*w])
		}
	}
	return s.seen[y*w : (y+1)*w]
}

// covered returns how much of the light at a place comes from within the
// screen.
func (r *renderer) covered(u, v float32) float32 {
	share := func(at float64, size int, sigma float64) float64 {
		d := min(at, float64(size)-at) / sigma
		if d > far {
			return 1
		}
		if d < -far {
			return 0
		}
		return 0.5 + 0.5*math.Erf(d/math.Sqrt2)
	}
	x := share(float64(u), r.w, r.edgeX)
	if x == 0 {
		return 0
	}
	return float32(x * share(float64(v), r.h, r.edgeY))
}

// inside reports whether a place lies so far inside the screen that its edge
// does not matter, and outside whether it lies so far outside.
func (r *renderer) inside(u, v float32) bool {
	mx, my := float32(max(1, far*r.edgeX)), float32(max(1, far*r.edgeY))
	return u > mx && u < float32(r.w)-mx && v > my && v < float32(r.h)-my
}

// outside reports whether all between two places lies so far outside that
// neither the screen nor its bezel matters.
func (r *renderer) outside(u0, v0, u1, v1, bezel float32) bool {
	mx, my := bezel+float32(far*r.edgeX), bezel+float32(far*max(r.edgeX, r.edgeY))
	w, h := float32(r.w), float32(r.h)
	return u0 < -mx && u1 < -mx || u0 > w+mx && u1 > w+mx || v0 < -my && v1 < -my || v0 > h+my && v1 > h+my
}

// setRow renders what the camera sees of a picture in row y: on the screen,
// in the bezel and on the wall.
func (r *renderer) setRow(c *Capture, s *shown, y int, dst []float32) {
	us, vs := r.grid.u[y*r.grid.n:(y+1)*r.grid.n], r.grid.v[y*r.grid.n:(y+1)*r.grid.n]
	bezel := float32(c.Room.Bezel * float64(r.w))
	for block := range r.grid.n - 1 {
		x0 := block * node
		x1 := min(x0+node, len(dst))
		u, v := us[block], vs[block]
		du, dv := (us[block+1]-u)/node, (vs[block+1]-v)/node
		part := dst[x0:x1]
		if r.inside(u, v) && r.inside(us[block+1], vs[block+1]) {
			switch {
			case r.gridX != nil:
				for i := range part {
					part[i] = r.read(s.light, u, v) * r.pixel(u, v)
					u, v = u+du, v+dv
				}
			case r.stepX < 1 || r.stepY < 1:
				for i := range part {
					part[i] = r.read(s.light, u, v)
					u, v = u+du, v+dv
				}
			default:
				r.readRow(part, s.light, u, v, du, dv)
			}
			continue
		}
		if u1, v1 := us[block+1], vs[block+1]; r.outside(u, v, u1, v1, bezel) {
			// The glow is smooth: its ends are enough.
			a, b := r.fromWall(r.glow, u, v)*float32(s.mean), r.fromWall(r.glow, u1, v1)*float32(s.mean)
			step := (b - a) / node
			for i := range part {
				part[i] = a
				a += step
			}
			continue
		}
		for i := range part {
			a := r.covered(u, v)
			light := float32(0)
			if a > 0 {
				light = a * r.read(s.light, u, v)
				if r.gridX != nil {
					light *= r.pixel(u, v)
				}
			}
			if a < 1 {
				light += (1 - a) * r.reflected(c, s, u, v, bezel)
			}
			part[i] = light
			u, v = u+du, v+dv
		}
	}
}

// readRow reads the light at places well inside the screen along a line.
func (r *renderer) readRow(dst, light []float32, u, v, du, dv float32) {
	u -= 0.5
	v -= 0.5
	for i := range dst {
		x, y := int(u), int(v)
		fx, fy := u-float32(x), v-float32(y)
		k := y*r.w + x
		up := light[k : k+2 : k+2]
		down := light[k+r.w : k+r.w+2 : k+r.w+2]
		a := up[0] + (up[1]-up[0])*fx
		b := down[0] + (down[1]-down[0])*fx
		dst[i] = a + (b-a)*fy
		u, v = u+du, v+dv
	}
}

// read returns the light of a picture at a place, of its nearest samples when
// it lies outside.
func (r *renderer) read(light []float32, u, v float32) float32 {
	u = max(0, min(float32(r.w-1), u-0.5))
	v = max(0, min(float32(r.h-1), v-0.5))
	x, y := min(int(u), r.w-2), min(int(v), r.h-2)
	fx, fy := u-float32(x), v-float32(y)
	if r.stepX < 1 {
		fx = max(0, min(1, (fx-0.5)/r.stepX+0.5))
	}
	if r.stepY < 1 {
		fy = max(0, min(1, (fy-0.5)/r.stepY+0.5))
	}
	k := y*r.w + x
	a := light[k] + (light[k+1]-light[k])*fx
	b := light[k+r.w] + (light[k+r.w+1]-light[k+r.w])*fx
	return a + (b-a)*fy
}

// pixel returns the light of the panel's pixel at a place, mean 1.
func (r *renderer) pixel(u, v float32) float32 {
	x, y := u*r.panelX, v*r.panelY
	x -= float32(math.Floor(float64(x)))
	y -= float32(math.Floor(float64(y)))
	return r.gridX[int(x*gridSteps)&(gridSteps-1)] * r.gridY[int(y*gridSteps)&(gridSteps-1)]
}

// beyond returns how far a place is outside the screen, in columns.
func (r *renderer) beyond(u, v float32) float32 {
	return max(-u, u-float32(r.w), -v, v-float32(r.h))
}

// reflected returns what the bezel or the wall sends back of a picture.
func (r *renderer) reflected(c *Capture, s *shown, u, v, bezel float32) float32 {
	out := r.beyond(u, v)
	a := r.onBezel(out, bezel)
	light := float32(0)
	if a > 0 {
		mu, mv := u, v
		if u < 0 {
			mu = -u
		} else if u > float32(r.w) {
			mu = 2*float32(r.w) - u
		}
		if v < 0 {
			mv = -v
		} else if v > float32(r.h) {
			mv = 2*float32(r.h) - v
		}
		light = a * float32(c.Room.BezelMirror) * r.read(s.light, mu, mv)
	}
	if a < 1 && c.Room.Glow > 0 {
		light += (1 - a) * r.fromWall(r.glow, u, v) * float32(s.mean)
	}
	return light
}

// onBezel returns the share of the bezel in the light of a place.
func (r *renderer) onBezel(out, bezel float32) float32 {
	d := float64(bezel-out) / r.edgeX
	if d > far {
		return 1
	}
	if d < -far || bezel == 0 {
		return 0
	}
	return float32(0.5 + 0.5*math.Erf(d/math.Sqrt2))
}

// fromWall reads a map of the plane around the screen.
func (r *renderer) fromWall(m []float32, u, v float32) float32 {
	fx := max(0, min(float32(r.wallW-1), (u-r.wallX)*r.wallPerU))
	fy := max(0, min(float32(r.wallH-1), (v-r.wallY)*r.wallPerV))
	x, y := min(int(fx), r.wallW-2), min(int(fy), r.wallH-2)
	fx -= float32(x)
	fy -= float32(y)
	k := y*r.wallW + x
	a := m[k] + (m[k+1]-m[k])*fx
	b := m[k+r.wallW] + (m[k+r.wallW+1]-m[k+r.wallW])*fx
	return a + (b-a)*fy
}

// roomRow returns the light of row y that is not the set's.
func (r *renderer) roomRow(c *Capture, y int, still bool) []float32 {
	w := c.Camera.W
	if !still {
		r.fillRoom(c, y, r.room)
		return r.room
	}
	if r.seenRoom == nil {
		r.seenRoom = make([]float32, w*c.Camera.H)
		for y := range c.Camera.H {
			r.fillRoom(c, y, r.seenRoom[y*w:(y+1)*w])
		}
	}
	return r.seenRoom[y*w : (y+1)*w]
}

func (r *renderer) fillRoom(c *Capture, y int, dst []float32) {
	us, vs := r.grid.u[y*r.grid.n:(y+1)*r.grid.n], r.grid.v[y*r.grid.n:(y+1)*r.grid.n]
	bezel := float32(c.Room.Bezel * float64(r.w))
	screen := float32(c.Room.ScreenNits)
	for block := range r.grid.n - 1 {
		x0 := block * node
		part := dst[x0:min(x0+node, len(dst))]
		u, v := us[block], vs[block]
		du, dv := (us[block+1]-u)/node, (vs[block+1]-v)/node
		if r.inside(u, v) && r.inside(us[block+1], vs[block+1]) {
			for i := range part {
				part[i] = screen
			}
			continue
		}
		if r.outside(u, v, us[block+1], vs[block+1], bezel) {
			for i := range part {
				part[i] = r.fromWall(r.wallNits, u, v)
				u, v = u+du, v+dv
			}
			continue
		}
		for i := range part {
			a := r.covered(u, v)
			light := a * screen
			if a < 1 {
				b := r.onBezel(r.beyond(u, v), bezel)
				around := b * float32(c.Room.BezelNits)
				if b < 1 {
					around += (1 - b) * r.fromWall(r.wallNits, u, v)
				}
				light += (1 - a) * around
			}
			part[i] = light
			u, v = u+du, v+dv
		}
	}
}

// expose turns a row of linear light into luma codes, with noise.
func (r *renderer) expose(dst []uint8, light []float32, rnd *rand.Rand) {
	noise := r.noise[rnd.IntN(noiseSize):][:len(light)]
	dst = dst[:len(light)]
	sigma, luma := r.sigma[:linearSteps/coarse], r.luma[:linearSteps]
	const scale = linearSteps / linearTop
	for x, v := range light {
		k := min(max(int(v*(scale/coarse)), 0), linearSteps/coarse-1)
		v += sigma[k] * noise[x]
		k = min(max(int(v*scale), 0), linearSteps-1)
		dst[x] = luma[k]
	}
}

// tint sets the chroma of a pair of rows when the second one is in work. Where
// a coloured picture has set it before, only noise is added.
func (r *renderer) tint(c *Capture, p *picture.Picture, pics []*shown, y int, rnd *rand.Rand) {
	w := c.Camera.W / 2
	mean := r.chroma
	if y%2 == 0 {
		for x := range mean {
			mean[x] = r.out[2*x] + r.out[2*x+1]
		}
		return
	}
	noiseB := r.noise[rnd.IntN(noiseSize):][:w]
	noiseR := r.noise[rnd.IntN(noiseSize):][:w]
	cb, cr := p.Cb.Pix[y/2*w:][:w], p.Cr.Pix[y/2*w:][:w]
	const scale = linearSteps / coarse / linearTop
	colour := len(pics[0].red) > 0
	tableB, tableR, sigma := r.cb[:linearSteps/coarse], r.cr[:linearSteps/coarse], r.chromaSigma[:linearSteps/coarse]
	for x := range mean {
		v := (mean[x] + r.out[2*x] + r.out[2*x+1]) / 4
		k := min(max(int(v*scale), 0), linearSteps/coarse-1)
		b, e := tableB[k], tableR[k]
		if colour {
			b, e = r.hueB[x], r.hueR[x]
		}
		b += sigma[k]*noiseB[x] + 0.5
		e += sigma[k]*noiseR[x] + 0.5
		cb[x], cr[x] = uint8(max(0, min(255, b))), uint8(max(0, min(255, e)))
	}
}

// main returns the picture with the most light in a pixel of the row.
func (r *renderer) main(pics []*shown, x int) *shown {
	if r.only != nil {
		return r.only
	}
	var out *shown
	best := float32(0)
	for k, s := range pics {
		if w := r.weights[k][x]; w > best {
			out, best = s, w
		}
	}
	return out
}

// paint gives the row in work the colours of coloured pictures: their chroma,
// and light that a camera of white light would give the same luma. The lens's
// blur of colours is left out: chroma is coarse as it is.
func (r *renderer) paint(c *Capture, p *picture.Picture, pics []*shown, y int) {
	g := &r.grid
	us, vs := g.u[y*g.n:(y+1)*g.n], g.v[y*g.n:(y+1)*g.n]
	encode := func(x float32) float32 {
		return r.response[min(max(int(x*(linearSteps/linearTop)), 0), linearSteps-1)]
	}
	scale := float32(224)
	if c.Camera.FullRange {
		scale = 255
	}
	for x := range r.hueB {
		k, part := 2*x/node, float32(2*x%node)/node
		u := us[k] + (us[k+1]-us[k])*part
		v := vs[k] + (vs[k+1]-vs[k])*part
		red, blue := float32(1), float32(1)
		if u >= 0 && v >= 0 && u < float32(r.w/2*2) && v < float32(r.h/2*2) {
			if s := r.main(pics, 2*x); s != nil {
				at := int(v/2)*(r.w/2) + int(u/2)
				red, blue = s.red[at], s.blu[at]
			}
		}
		green := (1 - 0.2126*red - 0.0722*blue) / 0.7152
		light := (r.out[2*x] + r.out[2*x+1]) / 2
		er, eg, eb := encode(light*red*r.redGain), encode(light*green), encode(light*blue*r.blueGain)
		luma := 0.2126*er + 0.7152*eg + 0.0722*eb
		r.hueB[x], r.hueR[x] = 128+scale*(eb-luma)/1.8556, 128+scale*(er-luma)/1.5748
		if light > 0 {
			like := r.likeWhite[min(int(luma*(powerSteps-1)+0.5), powerSteps-1)] / light
			r.out[2*x] *= like
			r.out[2*x+1] *= like
		}
	}
}

// Automatic exposure would have the mean of the set's pictures at autoLevel of
// white, but follows it by half of the distance only (in stops), as cameras
// that keep night looking like night (common practice, no source).
const (
	autoLevel  = 0.18
	autoFollow = 0.5
)

// gain returns how much the exposure has drifted at a time.
func (r *renderer) gain(c *Capture, t float64) float64 {
	cam := &c.Camera
	if cam.AutoExposureS == 0 {
		return 1
	}
	d := 0
	for d+1 < len(c.displayed) && c.displayed[d+1].StartS <= t {
		d++
	}
	aim := func(k int) float64 {
		mean := max(r.means[k], 1e-3*c.Set.PeakNits)
		g := math.Pow(autoLevel*cam.SaturationNits/mean, autoFollow)
		return max(1/cam.AutoExposureRange, min(cam.AutoExposureRange, g))
	}
	follow := func(from float64, k int, seconds float64) float64 {
		a := aim(k)
		return a + (from-a)*math.Exp(-seconds/cam.AutoExposureS)
	}
	for k := len(r.means); k <= d; k++ {
		r.means = append(r.means, r.prepare(c, c.displayed[k].Source).mean)
		if k == 0 {
			r.gains = append(r.gains, aim(0))
			continue
		}
		r.gains = append(r.gains, follow(r.gains[k-1], k-1, c.displayed[k].StartS-c.displayed[k-1].StartS))
	}
	return follow(r.gains[d], d, t-c.displayed[d].StartS)
}
