package crops

import (
	"image"
	"math"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

// Mapping says in words how pictures of a transfer are brought to a screen of
// a computer, or is empty where the code values are shown as they are.
func Mapping(transfer string) string {
	switch transfer {
	case pq, hlg:
		return "The take is HDR. Its pictures are shown here for orientation: colours are brought to BT.709, " +
			"light is stated against the reference white of 203 cd/m² and compressed so that 1000 cd/m² becomes white. " +
			"Levels and banding cannot be judged on them."
	}
	return ""
}

// Transfers by the names that FFmpeg prints.
const (
	pq  = "smpte2084"
	hlg = "arib-std-b67"
)

// A converter turns the samples of a take's pictures into RGB for a screen.
// It is not safe for use by several goroutines.
type converter struct {
	format             picture.Format
	yScale, cScale     float32 // code values to signal levels of 0 to 1 and -0.5 to 0.5
	yZero, cZero       float32 // codes of black and of no colour
	rCr, gCb, gCr, bCb float32
	hdr                *hdr
	cb, cr             []float32 // one line of chroma at luma pitch
	line               []float32
}

func newConverter(f picture.Format) *converter {
	kr, kb := vision.LumaWeights(f.Matrix())
	kg := 1 - kr - kb
	c := &converter{
		format: f,
		rCr:    float32(2 * (1 - kr)),
		bCb:    float32(2 * (1 - kb)),
		gCr:    float32(-2 * (1 - kr) * kr / kg),
		gCb:    float32(-2 * (1 - kb) * kb / kg),
	}
	// Quantisation of BT.709-6 item 3 and BT.2100-2 Table 9.
	step := float64(int(1) << (f.Depth - 8))
	c.cZero = float32(128 * step)
	if f.Colour.FullRange {
		full := 256*step - 1
		c.yScale, c.cScale = float32(1/full), float32(1/full)
	} else {
		c.yZero = float32(16 * step)
		c.yScale, c.cScale = float32(1/(219*step)), float32(1/(224*step))
	}
	if f.Colour.Transfer == pq || f.Colour.Transfer == hlg {
		c.hdr = newHDR(f.Colour.Transfer)
	}
	return c
}

// window returns the pixels of p inside r, which must lie in the picture.
func (c *converter) window(p *picture.Picture, r image.Rectangle) *image.RGBA {
	dst := image.NewRGBA(image.Rect(0, 0, r.Dx(), r.Dy()))
	c.resize(r.Dx())
	for y := range r.Dy() {
		c.row(dst.Pix[y*dst.Stride:], p, r.Min.X, r.Min.Y+y)
	}
	return dst
}

// whole returns the whole picture.
func (c *converter) whole(p *picture.Picture) *image.RGBA {
	return c.window(p, image.Rect(0, 0, p.Y.W, p.Y.H))
}

// reduce returns img with each pixel the mean of fx by fy.
func reduce(img *image.RGBA, fx, fy int) *image.RGBA {
	if fx == 1 && fy == 1 {
		return img
	}
	w, h := img.Rect.Dx()/fx, img.Rect.Dy()/fy
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	sum := make([]uint32, 4*w)
	n := uint32(fx * fy)
	for y := range h {
		clear(sum)
		for k := range fy {
			row := img.Pix[(y*fy+k)*img.Stride:]
			for x := range w {
				s := sum[4*x : 4*x+3 : 4*x+3]
				for i := range fx {
					q := row[4*(x*fx+i) : 4*(x*fx+i)+3 : 4*(x*fx+i)+3]
					s[0] += uint32(q[0])
					s[1] += uint32(q[1])
					s[2] += uint32(q[2])
				}
			}
		}
		row := dst.Pix[y*dst.Stride:]
		for x := range w {
			for i := range 3 {
				row[4*x+i] = uint8((sum[4*x+i] + n/2) / n)
			}
			row[4*x+3] = 255
		}
	}
	return dst
}

func (c *converter) resize(w int) {
	if cap(c.cb) < w {
		c.cb, c.cr = make([]float32, w), make([]float32, w)
	}
	c.cb, c.cr = c.cb[:w], c.cr[:w]
}

// row converts len(c.cb) pixels of row y from column x0 into dst.
func (c *converter) row(dst []uint8, p *picture.Picture, x0, y int) {
	gray := c.format.ChromaX < 0 || p.Cb.Empty() || p.Cr.Empty()
	if !gray {
		c.chroma(c.cb, &p.Cb, x0, y, p.Parity)
		c.chroma(c.cr, &p.Cr, x0, y, p.Parity)
	}
	for i := range c.cb {
		v := (float32(p.Y.At(x0+i, y)) - c.yZero) * c.yScale
		r, g, b := v, v, v
		if !gray {
			cb, cr := c.cb[i], c.cr[i]
			r += c.rCr * cr
			g += c.gCb*cb + c.gCr*cr
			b += c.bCb * cb
		}
		if c.hdr != nil {
			r, g, b = c.hdr.show(r, g, b)
		}
		q := dst[4*i : 4*i+4 : 4*i+4]
		q[0], q[1], q[2], q[3] = byteOf(r), byteOf(g), byteOf(b), 255
	}
}

func byteOf(v float32) uint8 {
	switch {
	case v >= 1:
		return 255
	case v > 0:
		return uint8(v*255 + 0.5)
	}
	return 0
}

// chroma interpolates row y of a chroma plane at luma pitch. Samples are sited
// as by default in MPEG-2, H.264 and HEVC: with the left one of the luma
// samples that they stand for, and vertically midway between two lines of a
// frame, a quarter or three quarters down from one line to the next of a top
// or bottom field (ITU-T H.264 clause 6.2, from memory).
func (c *converter) chroma(dst []float32, plane *picture.Plane, x0, y int, parity picture.Parity) {
	v := float32(y)
	if ny := c.format.ChromaY; ny > 0 {
		sub := float32(int(1) << ny)
		site := (sub - 1) / 2
		switch parity {
		case picture.Top:
			site = 0.25
		case picture.Bottom:
			site = 0.75
		}
		v = (v - site) / sub
	}
	j, fy := split(v, plane.H)
	// One line of the plane, between the two that are nearest.
	if cap(c.line) < plane.W {
		c.line = make([]float32, plane.W)
	}
	line := c.line[:plane.W]
	sub := int(1) << c.format.ChromaX
	first, last := x0/sub, min((x0+len(dst)-1)/sub+1, plane.W-1)
	for i := first; i <= last; i++ {
		a := float32(plane.At(i, j))
		if fy > 0 {
			a += (float32(plane.At(i, j+1)) - a) * fy
		}
		line[i] = (a - c.cZero) * c.cScale
	}
	share := 1 / float32(sub)
	for i := range dst {
		k := (x0 + i) >> c.format.ChromaX
		if k >= plane.W-1 {
			dst[i] = line[plane.W-1]
			continue
		}
		dst[i] = line[k]
		if r := (x0 + i) & (sub - 1); r > 0 {
			dst[i] += (line[k+1] - line[k]) * float32(r) * share
		}
	}
}

// split cuts a position into the sample before it and the way to the next
// one, which is 0 at and beyond either end of n samples.
func split(v float32, n int) (int, float32) {
	if v <= 0 {
		return 0, 0
	}
	i := int(v)
	if i >= n-1 {
		return n - 1, 0
	}
	return i, v - float32(i)
}

// hdr shows PQ and HLG pictures on a screen of standard range.
type hdr struct {
	light []float32 // signal level to light, reference white is 1
	code  []float32 // square root of light to the level of sRGB
}

const (
	hdrSteps       = 4096   // entries of a table: four a step of 10-bit video
	referenceWhite = 203.0  // cd/m2, ITU-R BT.2408
	compressedPeak = 1000.0 // cd/m2 that become white; the usual mastering peak
)

func newHDR(transfer string) *hdr {
	h := &hdr{light: make([]float32, hdrSteps+1), code: make([]float32, hdrSteps+1)}
	peak := float64(vision.MostPeak) // PQ is absolute
	if transfer == hlg {
		// The gamma of its system is applied to each primary, which differs
		// from the standard in the saturation of strong colours alone.
		peak = compressedPeak
	}
	set := vision.NewDisplay(vision.Conditions{EOTF: vision.EOTFOf(transfer), PeakNits: peak})
	page := vision.NewDisplay(vision.Conditions{EOTF: vision.SRGB, PeakNits: 1})
	for i := range h.light {
		v := float64(i) / hdrSteps
		h.light[i] = float32(set.Light(v) / referenceWhite)
		h.code[i] = float32(page.LevelFor(v * v))
	}
	return h
}

// show takes R'G'B' of BT.2020 primaries.
func (h *hdr) show(r, g, b float32) (float32, float32, float32) {
	r, g, b = look(h.light, r), look(h.light, g), look(h.light, b)
	// BT.2020 to BT.709 primaries (ITU-R BT.2087 Annex 2 and its inverse).
	r, g, b = 1.6605*r-0.5876*g-0.0728*b, -0.1246*r+1.1329*g-0.0083*b, -0.0182*r-0.1006*g+1.1187*b
	// The largest of the three decides, so that hues stay.
	if m := max(r, g, b); m > 0 {
		const white = compressedPeak / referenceWhite
		k := (1 + m/(white*white)) / (1 + m)
		r, g, b = r*k, g*k, b*k
	}
	root := func(v float32) float32 { return look(h.code, float32(math.Sqrt(float64(max(v, 0))))) }
	return root(r), root(g), root(b)
}

func look(table []float32, v float32) float32 {
	return table[min(max(int(v*hdrSteps+0.5), 0), hdrSteps)]
}
