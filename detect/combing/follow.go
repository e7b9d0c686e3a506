package combing

import (
	"image"
	"math"

	"setwitness/decode/picture"
)

// course says how far what each field shows lies from the same field of
// another picture, in displacements between the fields.
type course struct {
	even, odd         float64
	evenCost, oddCost float64 // what is left along it, in units
	evenRest, oddRest float64 // what is left when nothing moves
	// what is left of each field along the other's course
	evenCrossed, oddCrossed float64
}

// courseReach is how many displacements between the fields a course may be
// long: pictures two frames apart of a comb between neighbouring fields of a
// frame make four fields; a picture more for a cadence.
const courseReach = 3

// follow measures the course of the content from picture q to the one of the
// last look, at the points where its fields differ.
func (l *looker) follow(k *look, q *picture.Plane, limit int) course {
	length := math.Hypot(k.dx, k.dy)
	reach := int(math.Ceil(min(courseReach*length, float64(limit))))
	ux, uy := k.dx/length, k.dy/length
	step := 1
	if reach > 16 {
		step = 2
	}
	compare := l.compare
	if k.carrier != woven {
		compare = l.compareLoaded(k, q, image.Pt(int(math.Ceil(float64(reach)*math.Abs(ux))), int(math.Ceil(float64(reach)*math.Abs(uy)))))
	}
	c := course{evenCost: math.MaxFloat64, oddCost: math.MaxFloat64}
	var atEven, atOdd int
	at := func(s int) (float64, float64) {
		return compare(q, int(math.Round(float64(s)*ux)), int(math.Round(float64(s)*uy)))
	}
	try := func(s int, even, odd bool) {
		e, o := at(s)
		if s == 0 {
			c.evenRest, c.oddRest = e, o
		}
		if even && e < c.evenCost {
			c.evenCost, atEven = e, s
		}
		if odd && o < c.oddCost {
			c.oddCost, atOdd = o, s
		}
	}
	first := reach / step * step
	for s := -first; s <= first; s += step {
		try(s, true, true)
	}
	if step > 1 {
		e, o := atEven, atOdd
		try(e-1, true, false)
		try(e+1, true, false)
		try(o-1, false, true)
		try(o+1, false, true)
	}
	c.evenCrossed, _ = at(atOdd)
	_, c.oddCrossed = at(atEven)
	c.even, c.odd = float64(atEven)/length, float64(atOdd)/length
	return c
}

// compare is the mean |difference| of each field at the points of the last
// look to the same field of q, dx, dy back.
func (l *looker) compare(q *picture.Plane, dx, dy int) (even, odd float64) {
	f := &l.own
	shift := q.Depth - 8
	var e, o int
	for _, p := range l.few {
		x, y := int(p.x)+f.x-dx, int(p.y)+f.y-dy
		x = max(0, min(x, q.W-1))
		y = max(1, min(y, q.H-2))
		own := q.At(x, y) << 4 >> shift
		other := (q.At(x, y-1) + q.At(x, y+1)) << 3 >> shift
		if y&1 == 1 {
			own, other = other, own
		}
		e += abs(int(f.even[p.at]) - own)
		o += abs(int(f.odd[p.at]) - other)
	}
	n := float64(len(l.few))
	return float64(e) / n, float64(o) / n
}

// compareLoaded returns compare for a comb along a carrier: the part of q that
// displacements up to r lead to is taken apart once.
func (l *looker) compareLoaded(k *look, q *picture.Plane, r image.Point) func(*picture.Plane, int, int) (float64, float64) {
	f, g := &l.own, &l.near
	ry := r.Y/f.step + 1
	// The points lie in the window.
	left, top := k.window.Min.X-f.x, (k.window.Min.Y-f.y)/f.step
	g.load(q, k.carrier, k.window.Min.X-r.X, k.window.Min.Y-ry*f.step, k.window.Dx()+2*r.X, k.window.Dy()/f.step+2*ry)
	return func(_ *picture.Plane, dx, dy int) (even, odd float64) {
		row := int(math.Round(float64(dy) / float64(f.step)))
		var e, o int
		for _, p := range l.few {
			x, y := int(p.x)-left+r.X-dx, int(p.y)-top+ry-row
			i := y*g.w + x
			e += abs(int(f.even[p.at]) - int(g.even[i]))
			o += abs(int(f.odd[p.at]) - int(g.odd[i]))
		}
		n := float64(len(l.few))
		return float64(e) / n, float64(o) / n
	}
}
