package annotate

import (
	"image"
	"image/draw"
	"math"

	"golang.org/x/image/vector"
)

// Point is a place in a picture, in pixels from its top left corner.
type Point struct{ X, Y float64 }

// Corners are those of a rectangle, from the top left one clockwise.
func Corners(r image.Rectangle) []Point {
	x0, y0, x1, y1 := float64(r.Min.X), float64(r.Min.Y), float64(r.Max.X), float64(r.Max.Y)
	return []Point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}
}

// Around returns the smallest rectangle of pixels that holds the points.
func Around(points []Point) image.Rectangle {
	var out image.Rectangle
	for _, p := range points {
		x, y := int(math.Floor(p.X)), int(math.Floor(p.Y))
		out = out.Union(image.Rect(x, y, max(x+1, int(math.Ceil(p.X))), max(y+1, int(math.Ceil(p.Y)))))
	}
	return out
}

// edge is the width of each of the dark lines between which an outline runs.
const edge = 2 // px

// strokes calls paint for the dark band round a polygon and then for the light
// line in its middle. At the edge of bounds the line runs inside.
func strokes(polygon []Point, bounds image.Rectangle, wide int, paint func(mask *image.Alpha, light bool)) {
	inner := bounds.Inset(wide + 2*edge)
	var corners []Point
	for _, p := range polygon {
		p.X = min(max(p.X, float64(inner.Min.X)), float64(inner.Max.X))
		p.Y = min(max(p.Y, float64(inner.Min.Y)), float64(inner.Max.Y))
		corners = append(corners, p)
	}
	if area(corners) == 0 {
		return
	}
	paint(band(corners, 0, float64(wide+2*edge), bounds), false)
	paint(band(corners, edge, float64(edge+wide), bounds), true)
}

// area is positive for a polygon that runs clockwise.
func area(polygon []Point) float64 {
	s := 0.0
	for i, p := range polygon {
		q := polygon[(i+1)%len(polygon)]
		s += p.X*q.Y - q.X*p.Y
	}
	return s / 2
}

// band covers what lies between two distances outside a polygon.
func band(polygon []Point, from, to float64, bounds image.Rectangle) *image.Alpha {
	outer, inner := grown(polygon, to), grown(polygon, from)
	mask := image.NewAlpha(Around(outer).Intersect(bounds))
	at, size := mask.Rect.Min, mask.Rect.Size()
	r := vector.NewRasterizer(size.X, size.Y)
	draws := func(p Point, to func(x, y float32)) { to(float32(p.X-float64(at.X)), float32(p.Y-float64(at.Y))) }
	ring := func(points []Point) {
		draws(points[0], r.MoveTo)
		for _, p := range points[1:] {
			draws(p, r.LineTo)
		}
		r.ClosePath()
	}
	ring(outer)
	// In the other direction, so that it takes away what it holds.
	for i, j := 0, len(inner)-1; i < j; i, j = i+1, j-1 {
		inner[i], inner[j] = inner[j], inner[i]
	}
	ring(inner)
	r.DrawOp = draw.Src
	r.Draw(mask, mask.Rect, image.Opaque, image.Point{})
	return mask
}

// grown moves the sides of a polygon outwards by so many pixels.
func grown(polygon []Point, by float64) []Point {
	if area(polygon) < 0 {
		by = -by
	}
	// Points that lie on each other have no side between them.
	var corners []Point
	for i, p := range polygon {
		if q := polygon[(i+1)%len(polygon)]; p != q {
			corners = append(corners, p)
		}
	}
	outwards := func(a, b Point) Point {
		l := math.Hypot(b.X-a.X, b.Y-a.Y)
		return Point{(b.Y - a.Y) / l, (a.X - b.X) / l}
	}
	out := make([]Point, len(corners))
	for i, p := range corners {
		n := len(corners)
		a, b := outwards(corners[(i+n-1)%n], p), outwards(p, corners[(i+1)%n])
		m := Point{a.X + b.X, a.Y + b.Y}
		// The point of a corner sharper than 60 degrees would lie far away.
		const blunt = 1
		k := 2 * by / max(m.X*m.X+m.Y*m.Y, blunt)
		out[i] = Point{p.X + k*m.X, p.Y + k*m.Y}
	}
	return out
}
