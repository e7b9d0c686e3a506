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

// band covers what lies between two distances outside a polygon. It is drawn in
// quarters of the way round: to draw all at once takes as long as the inside is large.
func band(polygon []Point, from, to float64, bounds image.Rectangle) *image.Alpha {
	inner, outer := grown(polygon, from), grown(polygon, to)
	out := image.NewAlpha(Around(outer).Intersect(bounds))
	const quarters = 4
	for q := range quarters {
		// There along the outside, back along the inside.
		var part []Point
		first, last := q*len(outer)/quarters, (q+1)*len(outer)/quarters
		for i := first; i <= last; i++ {
			part = append(part, outer[i%len(outer)])
		}
		for i := last; i >= first; i-- {
			part = append(part, inner[i%len(inner)])
		}
		add(out, part)
	}
	return out
}

// add covers what a polygon does, as far as it lies in the mask. Where two polygons
// meet on a sample, each covers a part of it.
func add(mask *image.Alpha, polygon []Point) {
	r := Around(polygon).Intersect(mask.Rect)
	if r.Empty() {
		return
	}
	v := vector.NewRasterizer(r.Dx(), r.Dy())
	place := func(p Point) (x, y float32) { return float32(p.X - float64(r.Min.X)), float32(p.Y - float64(r.Min.Y)) }
	v.MoveTo(place(polygon[0]))
	for _, p := range polygon[1:] {
		v.LineTo(place(p))
	}
	v.ClosePath()
	v.DrawOp = draw.Src
	part := image.NewAlpha(r)
	v.Draw(part, r, image.Opaque, image.Point{})
	for y := r.Min.Y; y < r.Max.Y; y++ {
		to := mask.Pix[mask.PixOffset(r.Min.X, y):][:r.Dx()]
		for x, a := range part.Pix[part.PixOffset(r.Min.X, y):][:r.Dx()] {
			to[x] += min(a, 255-to[x])
		}
	}
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
