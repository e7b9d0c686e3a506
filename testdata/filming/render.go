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

// renderer holds what rendering needs; it belongs to one capture.
type renderer struct {
	w, h              int // raster
	toLight           []float32
	power             []float32 // of 0 to 1, to the set's gamma
	blurX, blurY      []float32 // half kernels, from the middle
	stepX, stepY      float32   // width, in samples, of the step between two samples
	gridX, gridY      []float32 // light across a pixel of the panel; nil for none
	panelX, panelY    float32   // pixels of the panel a sample
	edgeX, edgeY      float32   // blur of the screen's edge in samples
	edge              []float32
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
	r.edgeX, r.edgeY = float32(blur/sx), float32(blur/sy)
	r.setUpEdge()
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
		flare, light := float32(0), r.out
		if k := r.alone(c, i, first, len(pics), y); k >= 0 {
			r.only = pics[k]
			light = r.setAt(c, r.only, y, still)
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
		out := r.out
		light, room := light[:len(out)], r.roomRow(c, y, still)[:len(out)]
		fall := r.falloff[y*cam.W:][:len(out)]
		for x := range out {
			out[x] = (light[x]+room[x])*fall[x]*gain + flare
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
	var a, middle, b [most]float32
	// straight is how far the weights may be off a straight line from node
	// to node: less than a code, even where black turns to white.
	const straight = 1.0 / 4096
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
		same := true
		for k := range n {
			same = same && a[k] == b[k]
		}
		if same {
			for k := range n {
				w := r.weights[k][x0:x1]
				for x := range w {
					w[x] = a[k]
				}
			}
			a = b
			continue
		}
		dv := float64(v[block+1]-v[block]) / node
		at(x0+node/2, float64(v[block])+node/2*dv, middle[:n])
		bend := float32(0)
		for k := range n {
			d := middle[k] - (a[k]+b[k])/2
			bend = max(bend, d, -d)
		}
		if bend < straight {
			for k := range n {
				w := r.weights[k]
				d := (middle[k] - a[k]) / (node / 2)
				for x := x0; x < min(x0+node/2, x1); x++ {
					w[x] = a[k] + float32(x-x0)*d
				}
				d = (b[k] - middle[k]) / (node / 2)
				for x := x0 + node/2; x < x1; x++ {
					w[x] = middle[k] + float32(x-x0-node/2)*d
				}
			}
			a = b
			continue
		}
		for x := x0; x < x1; x++ {
			at(x, float64(v[block])+float64(x-x0)*dv, middle[:n])
			for k := range n {
				r.weights[k][x] = middle[k]
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
