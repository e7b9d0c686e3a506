package scene

import "math"

// ink is a colour: luma as an 8-bit code, chroma as distance from its zero.
type ink struct{ y, u, v float32 }

// rgb makes an ink of 8-bit red, green and blue (BT.709 matrix, limited
// range).
func rgb(hex uint32) ink {
	r, g, b := float32(hex>>16&255)/255, float32(hex>>8&255)/255, float32(hex&255)/255
	y := 0.2126*r + 0.7152*g + 0.0722*b
	return ink{16 + 219*y, 224 * (b - y) / 1.8556, 224 * (r - y) / 1.5748}
}

// gray is an ink without colour.
func gray(code float64) ink { return ink{y: float32(code)} }

// lit scales the light of an ink; black stays black.
func (k ink) lit(f float32) ink {
	return ink{16 + (k.y-16)*f, k.u * min(f, 1.2), k.v * min(f, 1.2)}
}

func (k ink) mix(o ink, w float32) ink {
	return ink{k.y + (o.y-k.y)*w, k.u + (o.u-k.u)*w, k.v + (o.v-k.v)*w}
}

// layer is a rectangle of premultiplied colour and coverage on which shapes
// are drawn, back to front. Shapes are placed in the world and fall on the
// layer moved by tx, ty and scaled by scale.
type layer struct {
	x0, y0, w, h int // where it lies in the picture
	a, y, u, v   []float32
	colour       bool
	tx, ty       float64
	scale        float64
	// share, when not zero, adds shapes up with that weight in place of
	// laying them over one another: a lone shape's mean over the exposure.
	share float32
}

func (l *layer) reset(x0, y0, x1, y1 int) {
	l.x0, l.y0, l.w, l.h = x0, y0, max(x1-x0, 0), max(y1-y0, 0)
	n := l.w * l.h
	for _, p := range []*[]float32{&l.a, &l.y, &l.u, &l.v} {
		if cap(*p) < n {
			*p = make([]float32, n)
		}
		*p = (*p)[:n]
		clear(*p)
	}
	if l.scale == 0 {
		l.scale = 1
	}
}

// newSheetLayer makes an opaque layer for a canvas of w by h samples.
func newSheetLayer(w, h int, colour bool, fill ink) *layer {
	l := &layer{colour: colour, scale: over}
	l.reset(0, 0, w*over, h*over)
	for i := range l.a {
		l.a[i], l.y[i], l.u[i], l.v[i] = 1, fill.y, fill.u, fill.v
	}
	return l
}

func (l *layer) put(i int, cover float32, k ink) {
	if l.share > 0 {
		cover *= l.share
		l.a[i] += cover
		l.y[i] += cover * k.y
		if l.colour {
			l.u[i] += cover * k.u
			l.v[i] += cover * k.v
		}
		return
	}
	rest := 1 - cover
	l.a[i] = l.a[i]*rest + cover
	l.y[i] = l.y[i]*rest + cover*k.y
	if l.colour {
		l.u[i] = l.u[i]*rest + cover*k.u
		l.v[i] = l.v[i]*rest + cover*k.v
	}
}

// place maps a point of the world to the layer.
func (l *layer) place(x, y float64) (px, py float64) {
	return x*l.scale + l.tx - float64(l.x0), y*l.scale + l.ty - float64(l.y0)
}

// clip returns the samples between two corners, inside the layer.
func (l *layer) clip(x0, y0, x1, y1 float64) (ix0, iy0, ix1, iy1 int) {
	return max(int(math.Floor(x0)), 0), max(int(math.Floor(y0)), 0),
		min(int(math.Ceil(x1)), l.w), min(int(math.Ceil(y1)), l.h)
}

// shader gives the ink of a place on a shape, in the shape's own coordinates.
type shader func(u, v float32) ink

func plain(k ink) shader { return func(_, _ float32) ink { return k } }

// disc draws a disc. Its shader sees -1..1 in both directions.
func (l *layer) disc(x, y, r float64, shade shader) {
	cx, cy := l.place(x, y)
	r *= l.scale
	x0, y0, x1, y1 := l.clip(cx-r-1, cy-r-1, cx+r+1, cy+r+1)
	inner, outer := float32(math.Max(r-0.5, 0)), float32(r+0.5)
	inner2, outer2 := inner*inner, outer*outer
	inv := float32(1 / r)
	for j := y0; j < y1; j++ {
		dy := float32(float64(j) + 0.5 - cy)
		for i := x0; i < x1; i++ {
			dx := float32(float64(i) + 0.5 - cx)
			d2 := dx*dx + dy*dy
			if d2 >= outer2 {
				continue
			}
			cover := float32(1)
			if d2 > inner2 {
				cover = min(outer-sqrt32(d2), 1)
			}
			l.put(j*l.w+i, cover, shade(dx*inv, dy*inv))
		}
	}
}

func sqrt32(v float32) float32 { return float32(math.Sqrt(float64(v))) }

// limb draws a capsule from (ax, ay) with radius ra to (bx, by) with radius
// rb. Its shader sees 0..1 along it and -1..1 across.
func (l *layer) limb(ax, ay, ra, bx, by, rb float64, shade shader) {
	px, py := l.place(ax, ay)
	qx, qy := l.place(bx, by)
	ra, rb = ra*l.scale, rb*l.scale
	r := math.Max(ra, rb)
	x0, y0, x1, y1 := l.clip(math.Min(px, qx)-r-1, math.Min(py, qy)-r-1, math.Max(px, qx)+r+1, math.Max(py, qy)+r+1)
	dx, dy := float32(qx-px), float32(qy-py)
	inv := 1 / max(dx*dx+dy*dy, 1e-6)
	length := sqrt32(dx*dx + dy*dy)
	r0, dr := float32(ra), float32(rb-ra)
	for j := y0; j < y1; j++ {
		vy := float32(float64(j) + 0.5 - py)
		// Only the stretch of the limb that comes near this row matters.
		u0, u1 := 0.0, 1.0
		if h := qy - py; math.Abs(h) > 1e-3 {
			u0, u1 = (float64(vy)-r-1)/h, (float64(vy)+r+1)/h
			if u0 > u1 {
				u0, u1 = u1, u0
			}
			u0, u1 = math.Max(u0, 0), math.Min(u1, 1)
		}
		left, right := px+u0*(qx-px), px+u1*(qx-px)
		i0 := max(int(math.Floor(math.Min(left, right)-r-1)), x0)
		i1 := min(int(math.Ceil(math.Max(left, right)+r+1)), x1)
		for i := i0; i < i1; i++ {
			vx := float32(float64(i) + 0.5 - px)
			along := min(max((vx*dx+vy*dy)*inv, 0), 1)
			ex, ey := vx-along*dx, vy-along*dy
			rad := r0 + dr*along
			d2 := ex*ex + ey*ey
			if d2 >= (rad+0.5)*(rad+0.5) {
				continue
			}
			cover := float32(1)
			if in := rad - 0.5; in <= 0 || d2 > in*in {
				cover = min(rad+0.5-sqrt32(d2), 1)
				if rad < 0.5 {
					// Thinner than a sample: never more than its width.
					cover = min(cover, 2*rad)
				}
			}
			across := (vy*dx - vx*dy) / max(length, 1e-3) / max(rad, 1e-3)
			l.put(j*l.w+i, cover, shade(along, min(max(across, -1), 1)))
		}
	}
}

// shade draws a soft ellipse, full in the middle and gone at its edge.
func (l *layer) shade(x, y, rx, ry float64, strength float32, k ink) {
	cx, cy := l.place(x, y)
	rx, ry = rx*l.scale, ry*l.scale
	x0, y0, x1, y1 := l.clip(cx-rx, cy-ry, cx+rx, cy+ry)
	for j := y0; j < y1; j++ {
		dy := float32((float64(j) + 0.5 - cy) / ry)
		for i := x0; i < x1; i++ {
			dx := float32((float64(i) + 0.5 - cx) / rx)
			d := 1 - dx*dx - dy*dy
			if d > 0 {
				l.put(j*l.w+i, strength*d*min(d*2, 1), k)
			}
		}
	}
}

// box draws an upright rectangle with exact coverage. Its shader sees 0..1 in
// both directions.
func (l *layer) box(x0, y0, x1, y1 float64, shade shader) {
	ax, ay := l.place(x0, y0)
	bx, by := l.place(x1, y1)
	i0, j0, i1, j1 := l.clip(ax, ay, bx, by)
	ix, iy := float32(1/math.Max(bx-ax, 1e-6)), float32(1/math.Max(by-ay, 1e-6))
	for j := j0; j < j1; j++ {
		cy := float32(math.Min(by, float64(j+1)) - math.Max(ay, float64(j)))
		v := float32(float64(j)+0.5-ay) * iy
		for i := i0; i < i1; i++ {
			cx := float32(math.Min(bx, float64(i+1)) - math.Max(ax, float64(i)))
			l.put(j*l.w+i, cx*cy, shade(float32(float64(i)+0.5-ax)*ix, v))
		}
	}
}

type point struct{ x, y float64 }

// polygon fills a polygon (even-odd), sampled on four lines a sample with
// exact coverage along them. Its shader sees samples of the layer from the
// first point.
func (l *layer) polygon(pts []point, shade shader) {
	const lines = 4
	p := make([]point, len(pts))
	x0, y0 := math.Inf(1), math.Inf(1)
	x1, y1 := math.Inf(-1), math.Inf(-1)
	for i, q := range pts {
		p[i].x, p[i].y = l.place(q.x, q.y)
		x0, x1 = math.Min(x0, p[i].x), math.Max(x1, p[i].x)
		y0, y1 = math.Min(y0, p[i].y), math.Max(y1, p[i].y)
	}
	i0, j0, i1, j1 := l.clip(x0, y0, x1, y1)
	if i0 >= i1 || j0 >= j1 {
		return
	}
	cover := make([]float32, i1-i0+1)
	var cross []float64
	for j := j0; j < j1; j++ {
		clear(cover)
		for k := range lines {
			y := float64(j) + (float64(k)+0.5)/lines
			cross = cross[:0]
			for i := range p {
				a, b := p[i], p[(i+1)%len(p)]
				if (a.y <= y) != (b.y <= y) {
					cross = append(cross, a.x+(y-a.y)/(b.y-a.y)*(b.x-a.x))
				}
			}
			for i := 1; i < len(cross); i++ {
				for m := i; m > 0 && cross[m] < cross[m-1]; m-- {
					cross[m], cross[m-1] = cross[m-1], cross[m]
				}
			}
			for i := 0; i+1 < len(cross); i += 2 {
				span(cover, cross[i]-float64(i0), cross[i+1]-float64(i0), 1.0/lines)
			}
		}
		for i := i0; i < i1; i++ {
			if c := cover[i-i0]; c > 0 {
				l.put(j*l.w+i, min(c, 1), shade(float32(float64(i)+0.5-p[0].x), float32(float64(j)+0.5-p[0].y)))
			}
		}
	}
}

// span adds the coverage of a stretch from a to b of one line.
func span(cover []float32, a, b float64, weight float32) {
	a, b = math.Max(a, 0), math.Min(b, float64(len(cover)-1))
	if a >= b {
		return
	}
	i, k := int(a), int(b)
	if i == k {
		cover[i] += float32(b-a) * weight
		return
	}
	cover[i] += float32(float64(i+1)-a) * weight
	for m := i + 1; m < k; m++ {
		cover[m] += weight
	}
	cover[k] += float32(b-float64(k)) * weight
}

// actor is a thing that is drawn anew for each picture.
type actor struct {
	// bounds is the box in the world outside of which nothing is drawn.
	bounds func(t float64) (x0, y0, x1, y1 float64)
	draw   func(l *layer, t float64)
	// lone is set where draw draws one shape, or shapes that do not cover
	// each other.
	lone bool
	// reach is how far a part may travel in a second besides the movement of
	// the bounds.
	reach float64
	// fixed to the picture (a graphic) rather than to the world.
	fixed bool
	// calm is set for what never changes.
	calm bool
}

func (a *actor) still(s *Scene) bool { return a.calm && (a.fixed || s.camera == nil) }

// maxExposures bounds how many instants of one exposure are drawn; a step of
// a sample between two of them leaves no visible grain in the blur.
const maxExposures = 96

// jointStep is the step in samples for things of many parts, whose edges are
// soft and move by little.
const jointStep = 1.6

type brush struct{ sum, part layer }

func (a *actor) paint(s *Scene, f *frame, t0, t1 float64) {
	box := func(t float64) (x0, y0, x1, y1 float64) {
		x0, y0, x1, y1 = a.bounds(t)
		if !a.fixed {
			cx, cy := s.cam(t)
			x0, y0, x1, y1 = x0-cx, y0-cy, x1-cx, y1-cy
		}
		return
	}
	ax0, ay0, ax1, ay1 := box(t0)
	bx0, by0, bx1, by1 := box(t1)
	mx0, my0, mx1, my1 := box((t0 + t1) / 2)
	x0 := max(int(math.Floor(min(ax0, bx0, mx0)))-1, 0)
	y0 := max(int(math.Floor(min(ay0, by0, my0)))-1, 0)
	x1 := min(int(math.Ceil(max(ax1, bx1, mx1)))+1, s.W)
	y1 := min(int(math.Ceil(max(ay1, by1, my1)))+1, s.H)
	if x0 >= x1 || y0 >= y1 {
		return
	}
	// Chroma needs whole pairs.
	x0, y0 = x0&^1, y0&^1
	path := math.Max(math.Hypot(bx0-ax0, by0-ay0), math.Hypot(bx1-ax1, by1-ay1)) + a.reach*(t1-t0)
	if !a.lone {
		path /= jointStep
	}
	n := min(max(int(math.Ceil(path)), 1), maxExposures)

	b, _ := s.brushes.Get().(*brush)
	if b == nil {
		b = &brush{}
	}
	defer s.brushes.Put(b)
	b.sum.colour, b.part.colour = s.Colour, s.Colour
	b.sum.reset(x0, y0, x1, y1)
	b.sum.share = 0
	if a.lone {
		b.sum.share = 1 / float32(n)
	}
	for i := range n {
		t := t0 + (t1-t0)*(float64(i)+0.5)/float64(n)
		var cx, cy float64
		if !a.fixed {
			cx, cy = s.cam(t)
		}
		if a.lone || n == 1 {
			b.sum.tx, b.sum.ty = -cx, -cy
			a.draw(&b.sum, t)
			continue
		}
		px0, py0, px1, py1 := box(t)
		b.part.reset(max(int(px0)-1, x0), max(int(py0)-1, y0), min(int(px1)+2, x1), min(int(py1)+2, y1))
		b.part.tx, b.part.ty = -cx, -cy
		a.draw(&b.part, t)
		b.sum.add(&b.part, 1/float32(n))
	}
	b.sum.onto(f)
}

// add adds w times another layer that lies inside of this one.
func (l *layer) add(o *layer, w float32) {
	for j := range o.h {
		at := (j+o.y0-l.y0)*l.w + o.x0 - l.x0
		from := j * o.w
		one := func(dst, src []float32) {
			dst = dst[at : at+o.w]
			for i, v := range src[from : from+o.w] {
				dst[i] += v * w
			}
		}
		one(l.a, o.a)
		one(l.y, o.y)
		if l.colour {
			one(l.u, o.u)
			one(l.v, o.v)
		}
	}
}

// onto lays the layer over a frame.
func (l *layer) onto(f *frame) {
	for j := range l.h {
		y := l.y0 + j - f.row
		if y < 0 || y%f.step != 0 || y/f.step >= f.h {
			continue
		}
		dst := f.y[y/f.step*f.w+l.x0:][:l.w]
		a, src := l.a[j*l.w:][:l.w], l.y[j*l.w:][:l.w]
		for i, c := range a {
			if c > 0 {
				dst[i] = clampFine(int32(float32(dst[i])*(1-c) + src[i]*fine + 0.5))
			}
		}
	}
	if f.cb == nil {
		return
	}
	for j := 0; j+1 < l.h; j += 2 {
		row := (l.y0 + j) / 2 * f.cw
		for i := 0; i+1 < l.w; i += 2 {
			k := j*l.w + i
			c := (l.a[k] + l.a[k+1] + l.a[k+l.w] + l.a[k+l.w+1]) / 4
			if c <= 0 {
				continue
			}
			at := row + (l.x0+i)/2
			lay := func(p []uint16, s []float32) {
				v := (s[k] + s[k+1] + s[k+l.w] + s[k+l.w+1]) / 4
				p[at] = clampFine(int32((float32(p[at])-chromaZero)*(1-c) + v*fine + chromaZero + 0.5))
			}
			lay(f.cb, l.u)
			lay(f.cr, l.v)
		}
	}
}
