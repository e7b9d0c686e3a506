// Package screen finds the lit screen in the frames of a camera, follows it
// from frame to frame and rectifies it.
//
// In: luma planes of camera frames. Out: a View, which says where the screen
// lies in a frame, and rasters of the screen alone as if the camera had stood
// straight before it.
//
// A Finder looks at some frames and says what they show; its View is where to
// start a Follower, which gives a View for every frame; a Rectifier samples
// and rectifies frames at their views, onto a raster of RasterSize.
//
// A picture with black bars is rectified with them where the panel's own edge
// can be seen, so that the raster is the panel's. Where it cannot, the view is
// that of the lit picture alone (Found.LitArea), with the picture's own shape
// in View.Aspect: the raster then has fewer lines than the panel, in the same
// proportion, and the picture is not stretched.
//
// Coordinates: camera pixels have their centres at integers, so that a frame
// of w pixels reaches from -0.5 to w-0.5. On the screen u runs from 0 at its
// left edge to 1 at its right one and v from 0 at the top to 1 at the bottom,
// as a viewer sees it. The centre of column i of a raster of n is therefore
// at u = (i+0.5)/n.
package screen

import (
	"image"
	"math"
)

// Point is a place in a camera frame, in pixels.
type Point struct{ X, Y float64 }

// Quad holds the screen's corners: top left, top right, bottom right, bottom
// left, as a viewer sees the screen. A corner may lie outside the frame.
type Quad [4]Point

// View is where the screen lies in one camera frame.
type View struct {
	Quad Quad
	// Size is the camera frame's, in pixels.
	Size image.Point
	// K1 is the radial distortion of the lens: a ray that a lens without
	// distortion puts at r from the frame's centre arrives at r(1+K1 r²), r
	// in halves of the frame's diagonal (the first term of the series of
	// Brown, "Close-range camera calibration", 1971). Negative is a barrel.
	K1 float64
	// Aspect is the screen's width over its height as its viewers see it; 0
	// when it is not known.
	Aspect float64
	// Bars are the shares of the screen's height and width, at its top, right,
	// bottom and left, that a picture with black bars leaves dark. A Follower
	// goes by the edges of the picture then. Below 0 they are what the frame of
	// the set adds, and it goes by the edges of that.
	Bars [4]float64
	// Shaded is set where what a Follower goes by is darker than what lies around
	// it, as a set in a lit room is.
	Shaded bool
	// Confidence is 0 to 1: how far the corners can be trusted.
	Confidence float64
	// Carried is set when too little of the border could be seen in this
	// frame and the view is that of earlier ones.
	Carried bool
	// Cut is set when the camera was knocked: nothing joins this frame to
	// the one before.
	Cut bool
}

// Whole returns the view of a frame that is nothing but the screen.
func Whole(size image.Point) View {
	l, t := -0.5, -0.5
	r, b := float64(size.X)-0.5, float64(size.Y)-0.5
	return View{
		Quad: Quad{{l, t}, {r, t}, {r, b}, {l, b}}, Size: size,
		Aspect: float64(size.X) / float64(max(size.Y, 1)), Confidence: 1,
	}
}

// ToCamera returns the camera pixel that shows the place u, v of the screen.
func (v View) ToCamera(x, y float64) Point { p := v.project(); return p.point(x, y) }

// ToScreen is the inverse of ToCamera.
func (v View) ToScreen(p Point) (x, y float64) { q := v.project(); return q.unit(p) }

// lit returns the view of the picture alone, without its bars.
func (v View) lit() View {
	b := v.Bars
	p := v
	p.Bars = [4]float64{}
	p.Quad = Quad{v.ToCamera(b[3], b[0]), v.ToCamera(1-b[1], b[0]), v.ToCamera(1-b[1], 1-b[2]), v.ToCamera(b[3], 1-b[2])}
	return p
}

// around is the inverse of lit.
func (v View) around(bars [4]float64, aspect float64) View {
	w, h := 1-bars[1]-bars[3], 1-bars[0]-bars[2]
	l, t, r, b := -bars[3]/w, -bars[0]/h, 1+bars[1]/w, 1+bars[2]/h
	p := v
	p.Bars, p.Aspect = bars, aspect
	p.Quad = Quad{v.ToCamera(l, t), v.ToCamera(r, t), v.ToCamera(r, b), v.ToCamera(l, b)}
	return p
}

// lens maps between pixels of a lens without distortion and real ones.
type lens struct {
	cx, cy, half float64 // centre and half the diagonal, px
	k1           float64
}

func (v View) lens() lens {
	w, h := float64(v.Size.X), float64(v.Size.Y)
	return lens{cx: (w - 1) / 2, cy: (h - 1) / 2, half: max(math.Hypot(w, h)/2, 1), k1: v.K1}
}

func (l lens) distort(p Point) Point {
	if l.k1 == 0 {
		return p
	}
	x, y := (p.X-l.cx)/l.half, (p.Y-l.cy)/l.half
	s := 1 + l.k1*(x*x+y*y)
	return Point{l.cx + (p.X-l.cx)*s, l.cy + (p.Y-l.cy)*s}
}

// undistort inverts distort by Newton's method on the radius. A barrel has a
// largest radius; what lies beyond is put there.
func (l lens) undistort(p Point) Point {
	if l.k1 == 0 {
		return p
	}
	rd := math.Hypot(p.X-l.cx, p.Y-l.cy) / l.half
	if rd == 0 {
		return p
	}
	r := rd
	for range 8 {
		d := 1 + 3*l.k1*r*r
		if d < 0.1 { // near the fold of a barrel the inverse is not unique
			break
		}
		step := (r*(1+l.k1*r*r) - rd) / d
		r -= step
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	s := r / rd
	return Point{l.cx + (p.X-l.cx)*s, l.cy + (p.Y-l.cy)*s}
}

// projection is a view made ready to map many points.
type projection struct {
	h, inverse [9]float64 // unit square to undistorted pixels, row by row
	lens       lens
}

func (v View) project() projection {
	l := v.lens()
	var q Quad
	for i, p := range v.Quad {
		q[i] = l.undistort(p)
	}
	h := unitTo(q)
	return projection{h: h, inverse: invert(h), lens: l}
}

func (p *projection) point(u, v float64) Point {
	return p.lens.distort(apply(&p.h, u, v))
}

func (p *projection) unit(c Point) (u, v float64) {
	c = p.lens.undistort(c)
	o := apply(&p.inverse, c.X, c.Y)
	return o.X, o.Y
}

func apply(h *[9]float64, x, y float64) Point {
	w := h[6]*x + h[7]*y + h[8]
	return Point{(h[0]*x + h[1]*y + h[2]) / w, (h[3]*x + h[4]*y + h[5]) / w}
}

// unitTo returns the homography that takes the corners of the unit square to
// those of q, in closed form (Heckbert, "Fundamentals of Texture Mapping and
// Image Warping", 1989, section 2.2.3; from memory).
func unitTo(q Quad) [9]float64 {
	dx1, dx2 := q[1].X-q[2].X, q[3].X-q[2].X
	dy1, dy2 := q[1].Y-q[2].Y, q[3].Y-q[2].Y
	sx, sy := q[0].X-q[1].X+q[2].X-q[3].X, q[0].Y-q[1].Y+q[2].Y-q[3].Y
	det := dx1*dy2 - dx2*dy1
	g := (sx*dy2 - dx2*sy) / det
	h := (dx1*sy - sx*dy1) / det
	return [9]float64{
		q[1].X - q[0].X + g*q[1].X, q[3].X - q[0].X + h*q[3].X, q[0].X,
		q[1].Y - q[0].Y + g*q[1].Y, q[3].Y - q[0].Y + h*q[3].Y, q[0].Y,
		g, h, 1,
	}
}

// invert returns the adjugate, which as a homography is the inverse.
func invert(m [9]float64) [9]float64 {
	return [9]float64{
		m[4]*m[8] - m[5]*m[7], m[2]*m[7] - m[1]*m[8], m[1]*m[5] - m[2]*m[4],
		m[5]*m[6] - m[3]*m[8], m[0]*m[8] - m[2]*m[6], m[2]*m[3] - m[0]*m[5],
		m[3]*m[7] - m[4]*m[6], m[1]*m[6] - m[0]*m[7], m[0]*m[4] - m[1]*m[3],
	}
}

// convex reports whether the corners go round clockwise (y downwards) with
// every inner angle clearly below 180 degrees, so that a homography exists.
func (q Quad) convex() bool {
	for i := range q {
		a, b, c := q[i], q[(i+1)%4], q[(i+2)%4]
		ux, uy, vx, vy := b.X-a.X, b.Y-a.Y, c.X-b.X, c.Y-b.Y
		cross := ux*vy - uy*vx
		if !(cross > leastTurn*math.Hypot(ux, uy)*math.Hypot(vx, vy)) {
			return false
		}
	}
	return true
}

// leastTurn is the sine of the least turn at a corner: a screen seen so flat
// that its corners turn by less than 6 degrees shows nothing.
const leastTurn = 0.1

func (q Quad) area() float64 {
	var s float64
	for i := range q {
		a, b := q[i], q[(i+1)%4]
		s += a.X*b.Y - a.Y*b.X
	}
	return s / 2
}

func (q Quad) centre() Point {
	var c Point
	for _, p := range q {
		c.X += p.X / 4
		c.Y += p.Y / 4
	}
	return c
}

// density is how many camera pixels a whole screen would be wide and high if
// all of it were sampled as coarsely as where the camera sampled it least.
func (v View) density() (across, down float64) {
	p := v.project()
	const steps, d = 4, 1e-4
	across, down = math.Inf(1), math.Inf(1)
	for j := range steps + 1 {
		for i := range steps + 1 {
			x := d + (1-2*d)*float64(i)/steps
			y := d + (1-2*d)*float64(j)/steps
			a, b := p.densityAt(x, y, d)
			across, down = min(across, a), min(down, b)
		}
	}
	return across, down
}

// middleDensity is the same of the middle of the screen.
func (v View) middleDensity() (across, down float64) {
	p := v.project()
	return p.densityAt(0.5, 0.5, 1e-4)
}

// densityAt is that of a place, from points d of the screen to either side.
func (p *projection) densityAt(x, y, d float64) (across, down float64) {
	l, r := p.point(x-d, y), p.point(x+d, y)
	t, b := p.point(x, y-d), p.point(x, y+d)
	return math.Hypot(r.X-l.X, r.Y-l.Y) / (2 * d), math.Hypot(b.X-t.X, b.Y-t.Y) / (2 * d)
}

// PxPerLine returns camera pixels for each of so many lines of the screen,
// where it is least.
func (v View) PxPerLine(lines int) float64 {
	_, down := v.density()
	return down / float64(max(lines, 1))
}

// MiddlePxPerLine is the same at the middle of the screen.
func (v View) MiddlePxPerLine(lines int) float64 {
	_, down := v.middleDensity()
	return down / float64(max(lines, 1))
}

// Shapes that a picture may have, of which a measured one is taken to be the
// nearest: television, wide computer screens, and the cinema's.
var shapes = [...]float64{4. / 3, 16. / 10, 16. / 9, 1.85, 2, 2.2, 2.35, 2.39, 21. / 9, 32. / 9}

// shape returns the aspect ratio of the screen: the one that is known, or the
// one that the perspective tells.
func (v View) shape() float64 {
	if v.Aspect > 0 {
		return v.Aspect
	}
	return v.measuredShape()
}

// The focal length of a phone's main camera in long sides of its frame: 26 mm
// on film of 36 mm. Video is often cropped a little further (common practice,
// no source).
const usualFocal = 0.8

// A focal length out of the perspective is believed within these limits, in
// long sides of the frame: from the widest lens of a phone to its longest.
const leastFocal, mostFocal = 0.4, 6

// measuredShape recovers the aspect ratio of the rectangle from its
// perspective, for square pixels and a lens whose axis passes the frame's
// centre (Zhang and He, "Whiteboard scanning and image enhancement", 2007,
// equations 20 and 21; from memory): the columns of the homography are the
// rectangle's sides as the camera sees them, so they have to be at right
// angles, which gives the focal length, and their lengths then compare.
func (v View) measuredShape() float64 {
	p := v.project()
	long := float64(max(v.Size.X, v.Size.Y))
	// Columns relative to the centre of the frame.
	h := p.h
	col := func(i int) (x, y, w float64) {
		return h[i] - p.lens.cx*h[6+i], h[3+i] - p.lens.cy*h[6+i], h[6+i]
	}
	ax, ay, aw := col(0)
	bx, by, bw := col(1)
	focal := usualFocal * long
	if f2 := -(ax*bx + ay*by) / (aw * bw); f2 > 0 {
		// Where one pair of sides is nearly parallel in the frame the focal
		// length is a quotient of two noises. It is used when both pairs
		// converge by this much over the screen.
		const enough = 0.05
		if f := math.Sqrt(f2) / long; f > leastFocal && f < mostFocal && min(math.Abs(aw), math.Abs(bw)) > enough {
			focal = f * long
		}
	}
	length := func(x, y, w float64) float64 { return math.Sqrt((x*x+y*y)/(focal*focal) + w*w) }
	return length(ax, ay, aw) / length(bx, by, bw)
}

// nearestShape returns the usual shape within tolerance (a share) of a, or a.
func nearestShape(a, tolerance float64) float64 {
	best, off := a, tolerance
	for _, s := range shapes {
		if d := math.Abs(math.Log(a / s)); d < off {
			best, off = s, d
		}
	}
	return best
}

// leastRaster keeps a raster large enough for the stages' cells, samples.
const leastRaster = 32

// RasterSize returns the size of a raster with square samples in the shape of
// the screen that claims no more than the camera resolved: at the middle of the
// screen a sample is no smaller than a camera pixel. (At the far side of a screen
// that is seen at an angle a pixel covers more of it, and at the near one less. Were
// the far side to say how many samples there are, of a screen that is seen from 25
// degrees a third of what the camera saw of its middle would be lost.) It is at
// most max, and even so that halved chroma fits.
func RasterSize(v View, most image.Point) image.Point {
	across, down := v.middleDensity()
	shape := v.shape()
	h := min(down, across/shape, float64(most.Y), float64(most.X)/shape)
	even := func(x float64, most int) int {
		n := int(math.Floor(x/2+1e-6)) * 2
		return min(max(n, leastRaster), max(most/2*2, leastRaster))
	}
	return image.Pt(even(math.Round(h*shape), most.X), even(h, most.Y))
}
