package annotate

import (
	"image"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

// matrices are those of luma and two differences of colour, which codes can be
// brought from and to.
var matrices = []string{"bt709", "smpte170m", "bt470bg", "bt2020nc", "smpte240m", "fcc"}

// Recoded reports whether pictures of a format have to be brought to the codes of
// another to stand beside its pictures, and ok whether they can be.
func Recoded(in, other picture.Format) (needed, ok bool) {
	a, b := in.Matrix(), other.Matrix()
	if in.ChromaX < 0 || a == b {
		return in.Colour.FullRange != other.Colour.FullRange, true
	}
	return true, slices.Contains(matrices, a) && slices.Contains(matrices, b)
}

// recoding brings codes of one range and matrix to those of another, of the same
// depth. Gray stays gray, so that luma hangs on all three codes and colour on its
// own two.
type recoding struct {
	lumaZero, lumaTo       float64
	luma, lumaCb, lumaCr   float64
	middle                 float64 // code of no colour
	cbCb, cbCr, crCb, crCr float64
}

// newRecoding returns nil where the codes are the same already.
func newRecoding(in picture.Format, o Output) *recoding {
	if needed, _ := Recoded(in, o.Format()); !needed {
		return nil
	}
	// Quantisation of ITU-R BT.709-6 item 3; full range as ITU-T H.273 has it.
	type coding struct{ zero, luma, chroma float64 }
	step := float64(int(1) << (o.Depth - 8))
	of := func(full bool) coding {
		if most := 256*step - 1; full {
			return coding{0, most, most}
		}
		return coding{16 * step, 219 * step, 224 * step}
	}
	from, to := of(in.Colour.FullRange), of(o.Colour.FullRange)
	kr, kb := vision.LumaWeights(in.Matrix())
	if in.ChromaX < 0 {
		kr, kb = vision.LumaWeights(o.Format().Matrix()) // of gray any is right
	}
	lr, lb := vision.LumaWeights(o.Format().Matrix())
	kg, lg := 1-kr-kb, 1-lr-lb
	// Blue and red less luma, and what the two matrices make of it.
	blue, red := 2*(1-kb), 2*(1-kr)
	cb, cr := blue*(lb-lg*kb/kg), red*(lr-lg*kr/kg)
	colour := to.chroma / from.chroma
	return &recoding{
		lumaZero: from.zero, lumaTo: to.zero,
		luma: to.luma / from.luma, lumaCb: cb * to.luma / from.chroma, lumaCr: cr * to.luma / from.chroma,
		middle: 128 * step,
		cbCb:   (blue - cb) / (2 * (1 - lb)) * colour, cbCr: -cr / (2 * (1 - lb)) * colour,
		crCb: -cb / (2 * (1 - lr)) * colour, crCr: (red - cr) / (2 * (1 - lr)) * colour,
	}
}

// apply recodes a rectangle of the canvas, which is even.
func (r *recoding) apply(c *Canvas, at image.Rectangle) {
	y, cb, cr := &c.Picture.Y, &c.Picture.Cb, &c.Picture.Cr
	luma := func(x0, y0, x1, y1 int, add float64) {
		for j := y0; j < y1; j++ {
			for i := x0; i < x1; i++ {
				put(y, i, j, r.lumaTo+(float64(y.At(i, j))-r.lumaZero)*r.luma+add)
			}
		}
	}
	if c.out.ChromaX < 0 {
		luma(at.Min.X, at.Min.Y, at.Max.X, at.Max.Y, 0)
		return
	}
	sx, sy := c.out.ChromaX, c.out.ChromaY
	of := c.chroma(at)
	for j := of.Min.Y; j < of.Max.Y; j++ {
		for i := of.Min.X; i < of.Max.X; i++ {
			b, d := float64(cb.At(i, j))-r.middle, float64(cr.At(i, j))-r.middle
			put(cb, i, j, r.middle+r.cbCb*b+r.cbCr*d)
			put(cr, i, j, r.middle+r.crCb*b+r.crCr*d)
			luma(i<<sx, j<<sy, min((i+1)<<sx, at.Max.X), min((j+1)<<sy, at.Max.Y), r.lumaCb*b+r.lumaCr*d)
		}
	}
}

// put sets a sample to the nearest code that there is.
func put(p *picture.Plane, x, y int, v float64) {
	code := int(min(max(v, 0), float64(p.Full())) + 0.5)
	if p.Pix != nil {
		p.Pix[y*p.Stride+x] = uint8(code)
	} else {
		p.Pix16[y*p.Stride+x] = uint16(code)
	}
}
