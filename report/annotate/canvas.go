package annotate

import (
	"encoding/binary"
	"image"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

// Output is what the pictures of a clip have in common.
type Output struct {
	W, H  int // even
	Depth int
	// ChromaX and ChromaY are log2 of the chroma subsampling; -1 where there is
	// no chroma.
	ChromaX, ChromaY                 int
	Colour                           picture.Colour
	SampleAspectNum, SampleAspectDen int
}

// Format is the format of the output's pictures.
func (o Output) Format() picture.Format {
	return picture.Format{
		W: o.W, H: o.H, Depth: o.Depth, ChromaX: o.ChromaX, ChromaY: o.ChromaY, Colour: o.Colour,
		SampleAspectNum: o.SampleAspectNum, SampleAspectDen: o.SampleAspectDen,
	}
}

// Canvas is a picture of the output that is drawn on.
type Canvas struct {
	Picture picture.Picture
	out     Output
	colours colours
}

// NewCanvas makes one that is dark all over.
func NewCanvas(o Output) *Canvas {
	c := &Canvas{out: o, colours: coloursOf(o)}
	c.Picture.Y = picture.New(o.W, o.H, o.Depth)
	if o.ChromaX >= 0 {
		w, h := -(-o.W >> o.ChromaX), -(-o.H >> o.ChromaY)
		c.Picture.Cb, c.Picture.Cr = picture.New(w, h, o.Depth), picture.New(w, h, o.Depth)
	}
	c.fill(image.Rect(0, 0, o.W, o.H), c.colours.ground)
	return c
}

// Divide draws a dark line down a column between two panels.
func (c *Canvas) Divide(x int) {
	const half = 2 // px
	c.fill(even(image.Rect(x-half, 0, x+half, c.out.H)), c.colours.dark)
}

// code is a colour as code values.
type code struct{ y, cb, cr int }

// colours are those that are drawn with.
type colours struct{ ground, ink, line, dark code }

// rgb is a colour as signal levels.
type rgb struct{ r, g, b float64 }

// What is drawn is told apart by light and dark, not by hue alone: ink on ground
// has a contrast ratio of 15, the line between its dark edges one of 11, with
// full colour vision and with any of its deficiencies (W3C WCAG 1.4.6 asks for 7
// of text, 1.4.11 for 3 of other things).
var (
	ground = rgb{0.07, 0.07, 0.07}
	ink    = rgb{0.94, 0.94, 0.94}
	line   = rgb{1, 0.80, 0.10}
	dark   = rgb{0, 0, 0}
)

// White of a caption in HDR, as a signal level: the reference white of ITU-R
// BT.2408 (58 % of PQ, 75 % of HLG; from memory).
const whitePQ, whiteHLG = 0.58, 0.75

func coloursOf(o Output) colours {
	white := 1.0
	switch vision.EOTFOf(o.Colour.Transfer) {
	case vision.PQ:
		white = whitePQ
	case vision.HLG:
		white = whiteHLG
	}
	of := func(c rgb) code { return codeOf(o, rgb{c.r * white, c.g * white, c.b * white}) }
	return colours{ground: of(ground), ink: of(ink), line: of(line), dark: of(dark)}
}

// codeOf is the inverse of ITU-R BT.709-6 item 3 and BT.2100-2 Table 9.
func codeOf(o Output, c rgb) code {
	kr, kb := vision.LumaWeights(o.Format().Matrix())
	y := kr*c.r + (1-kr-kb)*c.g + kb*c.b
	cb, cr := (c.b-y)/(2*(1-kb)), (c.r-y)/(2*(1-kr))
	q := vision.Coding{Depth: o.Depth, Full: o.Colour.FullRange}
	step := float64(int(1) << (o.Depth - 8))
	chroma := func(v float64) int {
		const zero, limited = 128, 224
		if q.Full {
			return int(v*q.Most() + zero*step + 0.5)
		}
		return int(v*limited*step + zero*step + 0.5)
	}
	return code{int(q.Code(y) + 0.5), chroma(cb), chroma(cr)}
}

// even rounds a rectangle outwards to whole chroma samples of any subsampling in
// use, so that what is drawn has no coloured fringe.
func even(r image.Rectangle) image.Rectangle {
	const grid = 2
	down := func(v int) int { return v - ((v%grid)+grid)%grid }
	return image.Rect(down(r.Min.X), down(r.Min.Y), down(r.Max.X+grid-1), down(r.Max.Y+grid-1))
}

// fill gives a rectangle, which is even, a colour.
func (c *Canvas) fill(r image.Rectangle, v code) {
	r = r.Intersect(image.Rect(0, 0, c.out.W, c.out.H))
	if r.Empty() {
		return
	}
	fillPlane(&c.Picture.Y, r, v.y)
	if c.out.ChromaX >= 0 {
		r = c.chroma(r)
		fillPlane(&c.Picture.Cb, r, v.cb)
		fillPlane(&c.Picture.Cr, r, v.cr)
	}
}

// chroma is a rectangle of luma in chroma samples.
func (c *Canvas) chroma(r image.Rectangle) image.Rectangle {
	x, y := c.out.ChromaX, c.out.ChromaY
	return image.Rect(r.Min.X>>x, r.Min.Y>>y, -(-r.Max.X >> x), -(-r.Max.Y >> y))
}

func fillPlane(p *picture.Plane, r image.Rectangle, v int) {
	for y := r.Min.Y; y < r.Max.Y; y++ {
		if p.Pix != nil {
			row := p.Pix[y*p.Stride+r.Min.X : y*p.Stride+r.Max.X]
			for i := range row {
				row[i] = uint8(v)
			}
			continue
		}
		row := p.Pix16[y*p.Stride+r.Min.X : y*p.Stride+r.Max.X]
		for i := range row {
			row[i] = uint16(v)
		}
	}
}

// frame draws a line of a width just inside a rectangle.
func (c *Canvas) frame(r image.Rectangle, wide int, v code) {
	in := r.Inset(wide)
	if in.Empty() {
		c.fill(r, v)
		return
	}
	c.fill(image.Rect(r.Min.X, r.Min.Y, r.Max.X, in.Min.Y), v)
	c.fill(image.Rect(r.Min.X, in.Max.Y, r.Max.X, r.Max.Y), v)
	c.fill(image.Rect(r.Min.X, in.Min.Y, in.Min.X, in.Max.Y), v)
	c.fill(image.Rect(in.Max.X, in.Min.Y, r.Max.X, in.Max.Y), v)
}

// outline draws a light line between two dark ones round a rectangle, so that
// it shows on anything; at the edge of bounds it runs inside.
func (c *Canvas) outline(r, bounds image.Rectangle, wide int) {
	r = even(r)
	outer := r.Inset(-wide - 2*edge).Intersect(bounds)
	c.frame(outer, edge, c.colours.dark)
	c.frame(outer.Inset(edge), wide, c.colours.line)
	c.frame(outer.Inset(edge+wide), edge, c.colours.dark)
}

// surround is outline for a polygon.
func (c *Canvas) surround(polygon []Point, bounds image.Rectangle, wide int) {
	strokes(polygon, bounds, wide, func(mask *image.Alpha, light bool) {
		v := c.colours.dark
		if light {
			v = c.colours.line
		}
		c.cover(mask, mask.Rect.Min, v)
	})
}

// cover blends a colour into the picture as far as a mask covers it, whose top left
// corner comes to lie at a place.
func (c *Canvas) cover(mask *image.Alpha, at image.Point, v code) {
	whole := image.Rect(0, 0, c.out.W, c.out.H)
	r := mask.Rect.Add(at.Sub(mask.Rect.Min)).Intersect(whole)
	if r.Empty() {
		return
	}
	row := func(y int) []uint8 { return mask.Pix[(y-at.Y)*mask.Stride+r.Min.X-at.X:][:r.Dx()] }
	for y := r.Min.Y; y < r.Max.Y; y++ {
		m := row(y)
		for x := covered(m, 0); x < len(m); x = covered(m, x+1) {
			blend(&c.Picture.Y, y*c.Picture.Y.Stride+r.Min.X+x, v.y, int(m[x]))
		}
	}
	if c.out.ChromaX < 0 {
		return
	}
	// A sample of chroma is covered as far as what it stands for: the sums of a row
	// of them are gathered from as many lines of luma.
	sx, sy := c.out.ChromaX, c.out.ChromaY
	of := c.chroma(r)
	sums := make([]int, of.Dx())
	for cy := of.Min.Y; cy < of.Max.Y; cy++ {
		any := false
		for y := max(cy<<sy, r.Min.Y); y < min((cy+1)<<sy, r.Max.Y); y++ {
			m := row(y)
			for x := covered(m, 0); x < len(m); x = covered(m, x+1) {
				sums[(r.Min.X+x)>>sx-of.Min.X] += int(m[x])
				any = true
			}
		}
		if !any {
			continue
		}
		for i, sum := range sums {
			if a := sum >> (sx + sy); a > 0 {
				k := cy*c.Picture.Cb.Stride + of.Min.X + i
				blend(&c.Picture.Cb, k, v.cb, a)
				blend(&c.Picture.Cr, k, v.cr, a)
			}
		}
		clear(sums)
	}
}

// covered returns the place of the first sample of a mask, from one on, that is not
// 0. Most of a mask is.
func covered(m []uint8, from int) int {
	const word = 8
	for from+word <= len(m) && binary.LittleEndian.Uint64(m[from:]) == 0 {
		from += word
	}
	for from < len(m) && m[from] == 0 {
		from++
	}
	return from
}

// blend mixes a code into a sample, by so many of 255.
func blend(p *picture.Plane, i, v, a int) {
	if p.Pix != nil {
		have := int(p.Pix[i])
		p.Pix[i] = uint8((have*(255-a) + v*a + 127) / 255)
	} else {
		have := int(p.Pix16[i])
		p.Pix16[i] = uint16((have*(255-a) + v*a + 127) / 255)
	}
}
