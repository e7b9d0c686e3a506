package filming

import (
	"math"
	"math/rand/v2"
)

// Point is a place in continuous coordinates.
type Point struct{ X, Y float64 }

// Pose is where the camera stands.
type Pose struct {
	// Fill is the width of the screen as a share of the width of the frame.
	// Above about 1.3 no border is left in the frame: a close-up.
	Fill float64
	// YawDeg and PitchDeg are how far the screen is turned away from the
	// camera, about its upright and its level axis; RollDeg is how far it
	// is turned in the frame, clockwise.
	YawDeg, PitchDeg, RollDeg float64
	// ShiftX and ShiftY move the middle of the screen off the middle of
	// the frame, in shares of the frame's width and height.
	ShiftX, ShiftY float64
}

// Motion is how the camera moves from its pose. All of it is small turns of
// the camera, which move the frame's content as one.
type Motion struct {
	// SwayPx is the standard deviation of a slow random walk of 0.5 to 2 Hz
	// in either direction, ShakePx that of a tremor of 6 to 12 Hz, and
	// SwayDeg that of a slow turn about the axis.
	SwayPx, ShakePx, SwayDeg float64
	// ZoomPerS is the growth of the picture's size a second (0.02 is 2 %).
	ZoomPerS float64
	// DriftXPx and DriftYPx are px a second.
	DriftXPx, DriftYPx float64
	// A knock at BumpS (where BumpPx is not 0) throws the picture BumpPx to
	// the side, from where it swings back to a place a third of that off.
	BumpS, BumpPx float64
}

func (m Motion) moves() bool { return m != Motion{} }

// matrix is a plane projective map, row by row.
type matrix [9]float64

func (a matrix) times(b matrix) matrix {
	var out matrix
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				out[3*i+j] += a[3*i+k] * b[3*k+j]
			}
		}
	}
	return out
}

func (a matrix) inverse() matrix {
	out := matrix{
		a[4]*a[8] - a[5]*a[7], a[2]*a[7] - a[1]*a[8], a[1]*a[5] - a[2]*a[4],
		a[5]*a[6] - a[3]*a[8], a[0]*a[8] - a[2]*a[6], a[2]*a[3] - a[0]*a[5],
		a[3]*a[7] - a[4]*a[6], a[1]*a[6] - a[0]*a[7], a[0]*a[4] - a[1]*a[3],
	}
	d := a[0]*out[0] + a[1]*out[3] + a[2]*out[6]
	for i := range out {
		out[i] /= d
	}
	return out
}

func (a matrix) apply(p Point) Point {
	w := a[6]*p.X + a[7]*p.Y + a[8]
	return Point{(a[0]*p.X + a[1]*p.Y + a[2]) / w, (a[3]*p.X + a[4]*p.Y + a[5]) / w}
}

// lens is the camera's projection: a focal length and a middle in px, and the
// distortion.
type lens struct {
	f, cx, cy, k1, k2 float64
	// end is the square of the radius up to which the distortion holds: half
	// as far again as the corners of the frame. The polynomial turns back
	// somewhere beyond; from there on the picture only grows.
	end float64
}

func (c *Camera) lens() lens {
	l := lens{
		f:  float64(max(c.W, c.H)) / 2 / math.Tan(c.FieldOfViewDeg*math.Pi/360),
		cx: float64(c.W) / 2, cy: float64(c.H) / 2, k1: c.K1, k2: c.K2,
	}
	l.end = 1.5 * 1.5 * (l.cx*l.cx + l.cy*l.cy) / (l.f * l.f)
	return l
}

// distort moves a point from where a perfect lens would have it.
func (l lens) distort(p Point) Point {
	x, y := (p.X-l.cx)/l.f, (p.Y-l.cy)/l.f
	r2 := min(x*x+y*y, l.end)
	s := l.f * (1 + r2*(l.k1+r2*l.k2))
	return Point{l.cx + x*s, l.cy + y*s}
}

// straighten is the inverse of distort.
func (l lens) straighten(p Point) Point {
	x, y := (p.X-l.cx)/l.f, (p.Y-l.cy)/l.f
	s := l.shrink(x*x + y*y)
	return Point{l.cx + l.f*x*s, l.cy + l.f*y*s}
}

// shrink returns the radius before distortion as a share of the one after it,
// whose square is d2, by Newton's method.
func (l lens) shrink(d2 float64) float64 {
	if grow := 1 + l.end*(l.k1+l.end*l.k2); d2 >= l.end*grow*grow {
		return 1 / grow
	}
	s := 1.0
	for range 6 {
		r2 := d2 * s * s
		s -= (s*(1+r2*(l.k1+r2*l.k2)) - 1) / (1 + r2*(3*l.k1+5*r2*l.k2))
	}
	return s
}

// Geometry is the way from the raster to a camera frame.
type Geometry struct {
	// Homography maps raster coordinates to those of a camera without
	// distortion, row by row; Inverse is the way back.
	Homography, Inverse [9]float64
	lens                lens
}

// ToCamera returns where a point of the raster is in the camera frame.
func (g *Geometry) ToCamera(raster Point) Point {
	return g.lens.distort(matrix(g.Homography).apply(raster))
}

// ToRaster returns which point of the raster (or of the plane around it) is
// seen at a place in the camera frame.
func (g *Geometry) ToRaster(camera Point) Point {
	return matrix(g.Inverse).apply(g.lens.straighten(camera))
}

// Straighten takes the lens distortion out of a place in the camera frame:
// raster and straightened places are related by the homography alone.
func (g *Geometry) Straighten(camera Point) Point { return g.lens.straighten(camera) }

// Distort is the inverse of Straighten.
func (g *Geometry) Distort(straight Point) Point { return g.lens.distort(straight) }

// PxPerLine returns how many camera px there are for one line of the raster
// at a place on it, and PxPerColumn for one column.
func (g *Geometry) PxPerLine(raster Point) float64 { return g.scale(raster, 0, 0.5) }

// PxPerColumn returns how many camera px there are for one column.
func (g *Geometry) PxPerColumn(raster Point) float64 { return g.scale(raster, 0.5, 0) }

func (g *Geometry) scale(p Point, dx, dy float64) float64 {
	a, b := g.ToCamera(Point{p.X - dx, p.Y - dy}), g.ToCamera(Point{p.X + dx, p.Y + dy})
	return math.Hypot(b.X-a.X, b.Y-a.Y)
}

// pose returns the homography of a raster of w by h samples, whose samples
// are aspect times as wide as high, at the camera's own pose.
func (c *Camera) pose(w, h int, aspect float64) matrix {
	l := c.lens()
	sinY, cosY := math.Sincos(c.Pose.YawDeg * math.Pi / 180)
	sinP, cosP := math.Sincos(c.Pose.PitchDeg * math.Pi / 180)
	sinR, cosR := math.Sincos(c.Pose.RollDeg * math.Pi / 180)
	// The screen is one unit wide; the columns of its rotation are the
	// directions of its level and its upright edge.
	turn := matrix{cosR, -sinR, 0, sinR, cosR, 0, 0, 0, 1}.
		times(matrix{1, 0, 0, 0, cosP, -sinP, 0, sinP, cosP}).
		times(matrix{cosY, 0, sinY, 0, 1, 0, -sinY, 0, cosY})
	unit := 1 / float64(w)
	onto := matrix{unit, 0, -0.5, 0, unit / aspect, -float64(h) / 2 * unit / aspect, 0, 0, 1}
	distance := l.f / (c.Pose.Fill * float64(c.W))
	var out matrix
	// The distance at which the screen is as wide in the frame as asked
	// for; the steps converge fast, as the size goes with 1/distance.
	for range 20 {
		place := matrix{
			turn[0], turn[1], c.Pose.ShiftX * float64(c.W) * distance / l.f,
			turn[3], turn[4], c.Pose.ShiftY * float64(c.H) * distance / l.f,
			turn[6], turn[7], distance,
		}
		out = matrix{l.f, 0, l.cx, 0, l.f, l.cy, 0, 0, 1}.times(place).times(onto)
		a := out.apply(Point{0, float64(h) / 2})
		b := out.apply(Point{float64(w), float64(h) / 2})
		distance *= math.Hypot(b.X-a.X, b.Y-a.Y) / (c.Pose.Fill * float64(c.W))
	}
	return out
}

// wobble is a smooth random walk: a sum of sines.
type wobble struct{ amplitude, omega, phase [sines]float64 }

const sines = 7

func newWobble(r *rand.Rand, sigma, lowHz, highHz float64) wobble {
	var w wobble
	for i := range sines {
		w.amplitude[i] = sigma * math.Sqrt(2.0/sines)
		w.omega[i] = 2 * math.Pi * (lowHz + (highHz-lowHz)*(float64(i)+r.Float64())/sines)
		w.phase[i] = 2 * math.Pi * r.Float64()
	}
	return w
}

func (w *wobble) at(t float64) float64 {
	v := 0.0
	for i, a := range w.amplitude {
		v += a * math.Sin(w.omega[i]*t+w.phase[i])
	}
	return v
}

// mover is a motion with its random part drawn.
type mover struct {
	Motion
	swayX, swayY, shakeX, shakeY, turn wobble
	bumpAngle                          float64
}

func newMover(m Motion, r *rand.Rand) *mover {
	return &mover{
		Motion: m,
		swayX:  newWobble(r, m.SwayPx, 0.5, 2), swayY: newWobble(r, m.SwayPx, 0.5, 2),
		shakeX: newWobble(r, m.ShakePx, 6, 12), shakeY: newWobble(r, m.ShakePx, 6, 12),
		turn:      newWobble(r, m.SwayDeg, 0.4, 1.5),
		bumpAngle: 2 * math.Pi * r.Float64(),
	}
}

// A knock swings back at bumpHz and is over after some bumpDecayS (a phone on
// a light stand; common practice, no source).
const (
	bumpHz     = 8
	bumpDecayS = 0.08
)

// at returns how the frame's content is moved at t about a middle.
func (m *mover) at(t float64, l lens) matrix {
	dx := m.swayX.at(t) + m.shakeX.at(t) + m.DriftXPx*t
	dy := m.swayY.at(t) + m.shakeY.at(t) + m.DriftYPx*t
	if since := t - m.BumpS; m.BumpPx != 0 && since > 0 {
		const stays = 1.0 / 3
		swing := m.BumpPx * (stays*(1-math.Exp(-since/bumpDecayS)) + math.Exp(-since/bumpDecayS)*math.Sin(2*math.Pi*bumpHz*since))
		dx += swing * math.Cos(m.bumpAngle)
		dy += swing * math.Sin(m.bumpAngle)
	}
	s := math.Exp(m.ZoomPerS * t)
	sin, cos := math.Sincos(m.turn.at(t) * math.Pi / 180)
	a, b := s*cos, s*sin
	return matrix{a, -b, l.cx - a*l.cx + b*l.cy + dx, b, a, l.cy - b*l.cx - a*l.cy + dy, 0, 0, 1}
}
