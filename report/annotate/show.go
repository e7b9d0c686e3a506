package annotate

import (
	"image"

	"setwitness/decode/picture"
)

// view shows part of a take's pictures on the canvas: enlarged by whole factors
// alone, and brought to the output's depth and subsampling. A colour that the
// output samples more coarsely is the mean of what it stands for, one that it
// samples more finely is repeated; so no picture shows what the take does not.
type view struct {
	from   image.Rectangle // of the take's pictures
	kx, ky int             // factors
	to     image.Rectangle // of the canvas, even; where from is smaller its edge is repeated
	luma   lines
	chroma lines
	full   bool      // range of the take's codes
	recode *recoding // nil where the output's codes are the take's
}

// lines map places of the canvas to samples of the take.
type lines struct{ x, y [][2]int }

func newView(in picture.Format, o Output, from image.Rectangle, kx, ky int, at image.Point) *view {
	v := &view{from: from, kx: kx, ky: ky, full: in.Colour.FullRange, recode: newRecoding(in, o)}
	v.to = even(image.Rect(0, 0, from.Dx()*kx, from.Dy()*ky)).Add(at)
	v.luma = lines{axis(v.to.Dx(), from.Min.X, from.Max.X, kx, 0, 0), axis(v.to.Dy(), from.Min.Y, from.Max.Y, ky, 0, 0)}
	if o.ChromaX >= 0 && in.ChromaX >= 0 {
		v.chroma = lines{
			axis(v.to.Dx(), from.Min.X, from.Max.X, kx, o.ChromaX, in.ChromaX),
			axis(v.to.Dy(), from.Min.Y, from.Max.Y, ky, o.ChromaY, in.ChromaY),
		}
	}
	return v
}

// axis gives, for the samples of n luma places of the canvas, the first and the
// last sample of the take that they stand for.
func axis(n, from, to, k, out, in int) [][2]int {
	a := make([][2]int, -(-n >> out))
	at := func(i int) int { return min(from+i/k, to-1) >> in }
	for i := range a {
		a[i] = [2]int{at(i << out), at(i<<out + 1<<out - 1)}
	}
	return a
}

// canvas returns where the take's rectangle r is on the canvas.
func (v *view) canvas(r image.Rectangle) image.Rectangle {
	r = r.Intersect(v.from).Sub(v.from.Min)
	return image.Rect(r.Min.X*v.kx, r.Min.Y*v.ky, r.Max.X*v.kx, r.Max.Y*v.ky).Add(v.to.Min)
}

// point is canvas for one place.
func (v *view) point(p Point) Point {
	return Point{
		(p.X-float64(v.from.Min.X))*float64(v.kx) + float64(v.to.Min.X),
		(p.Y-float64(v.from.Min.Y))*float64(v.ky) + float64(v.to.Min.Y),
	}
}

// show draws the picture.
func (v *view) show(c *Canvas, p *picture.Picture) {
	v.copy(c, p)
	if v.recode != nil {
		v.recode.apply(c, v.to)
	}
}

// copy draws the picture in the codes that it has.
func (v *view) copy(c *Canvas, p *picture.Picture) {
	o := c.out
	copyLines(&c.Picture.Y, v.to.Min, &p.Y, v.luma, v.full)
	if o.ChromaX < 0 {
		return
	}
	at := image.Pt(v.to.Min.X>>o.ChromaX, v.to.Min.Y>>o.ChromaY)
	for _, pl := range [2][2]*picture.Plane{{&c.Picture.Cb, &p.Cb}, {&c.Picture.Cr, &p.Cr}} {
		if pl[1].Empty() || v.chroma.x == nil {
			fillPlane(pl[0], c.chroma(v.to), 1<<(o.Depth-1))
			continue
		}
		// Chroma has its zero in the middle: it is moved as that of limited
		// range is.
		copyLines(pl[0], at, pl[1], v.chroma, false)
	}
}

// copyLines fills a part of dst from src.
func copyLines(dst *picture.Plane, at image.Point, src *picture.Plane, l lines, full bool) {
	plain := src.Depth == dst.Depth
	for i := 0; plain && i < len(l.x); i++ {
		plain = l.x[i] == [2]int{l.x[0][0] + i, l.x[0][0] + i}
	}
	for y, s := range l.y {
		from := (at.Y+y)*dst.Stride + at.X
		switch {
		case y > 0 && s == l.y[y-1]:
			// As the line above.
			if dst.Pix != nil {
				copy(dst.Pix[from:from+len(l.x)], dst.Pix[from-dst.Stride:])
			} else {
				copy(dst.Pix16[from:from+len(l.x)], dst.Pix16[from-dst.Stride:])
			}
		case plain && s[0] == s[1]:
			k := s[0]*src.Stride + l.x[0][0]
			if dst.Pix != nil {
				copy(dst.Pix[from:from+len(l.x)], src.Pix[k:])
			} else {
				copy(dst.Pix16[from:from+len(l.x)], src.Pix16[k:])
			}
		default:
			for x, t := range l.x {
				v := src.At(t[0], s[0])
				if s[0] != s[1] || t[0] != t[1] {
					v = (v + src.At(t[1], s[0]) + src.At(t[0], s[1]) + src.At(t[1], s[1]) + 2) / 4
				}
				v = rescale(v, src.Depth, dst.Depth, full)
				if dst.Pix != nil {
					dst.Pix[from+x] = uint8(v)
				} else {
					dst.Pix16[from+x] = uint16(v)
				}
			}
		}
	}
}

// rescale brings a code to another depth: limited range is scaled by powers of
// two (BT.709-6 item 3), full range from end to end.
func rescale(v, from, to int, full bool) int {
	switch {
	case from == to:
		return v
	case full:
		most := 1<<from - 1
		return (v*(1<<to-1) + most/2) / most
	case from < to:
		return v << (to - from)
	}
	n := from - to
	return min((v+1<<(n-1))>>n, 1<<to-1)
}
