package crops

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"strings"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"

	"setwitness/decode/picture"
)

// A lift spreads the codes of a place, so that what lies a code or two apart in
// its dark shows on an ordinary monitor.
type lift struct {
	from, to int     // luma codes that become black and white
	gain     float64 // how many times as far apart
	colour   float64 // the same for colour
	cut      bool    // more than noise lies beyond the codes
}

const (
	// What a hundredth of the samples at either end has is noise, or a light in
	// the dark: it may be clipped.
	liftClipped = 0.01
	// A step of one 8-bit code comes out as at least 1/16 of the way from black
	// to white, which any monitor shows: more gain would show noise alone.
	mostLift = 16
	// The typical step comes out as this part of the way or more, about ten codes of
	// an ordinary monitor, which is seen at a glance where it is sharp (common
	// practice, no source).
	liftedStep = 24
	// Codes beyond those of the steps that are shown as well, as a share of them.
	liftMargin = 0.1
)

// liftOf chooses the lift of a place: by the codes in which the place has steps,
// where all of them would leave those too small to see.
func (c *converter) liftOf(p *picture.Picture, r image.Rectangle, s *survey) lift {
	counts := make([]int, p.Y.Full()+1)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			counts[p.Y.At(x, y)]++
		}
	}
	clipped := int(liftClipped * float64(r.Dx()*r.Dy()))
	edge := func(from, step int) int {
		left := clipped
		for code := from; code >= 0 && code < len(counts); code += step {
			if left -= counts[code]; left < 0 {
				return code
			}
		}
		return from
	}
	span := 1 / float64(c.yScale)
	least := span / mostLift
	// A set shows what lies below black as black.
	black := float64(c.yZero)
	low, high := max(float64(edge(0, 1)), black), max(float64(edge(len(counts)-1, -1)), black)
	cut := false
	if width := max(least, liftedStep*s.typical); high-low > width {
		if a, b, ok := s.codes(width); ok {
			margin := liftMargin * (b - a)
			low, high, cut = max(a-margin, low), min(b+margin, high), true
		}
	}
	if high-low < least {
		middle := (low + high) / 2
		low = max(middle-least/2, black)
		high = low + least
	}
	l := lift{from: int(low), to: int(high + 0.5), cut: cut}
	l.gain = span / float64(l.to-l.from)
	l.colour = l.gain
	return l
}

// tinted is the lift of a fault in colour alone: luma stays as it is, since it
// would hide it.
func (c *converter) tinted(colour float64) lift {
	black := float64(c.yZero)
	return lift{from: int(black), to: int(black + 1/float64(c.yScale) + 0.5), gain: 1, colour: colour}
}

// colourLift is how many times colour has to be spread for its steps to show.
func (c *converter) colourLift(s *survey) float64 {
	if s.typical == 0 {
		return 1
	}
	return min(max(1/float64(c.cScale)/(liftedStep*s.typical), 1), mostLift)
}

// lifted returns the pixels of p inside r, spread. Colour is spread about its
// mean by as much, where it matters; else the pixels are grey.
func (c *converter) lifted(p *picture.Picture, r image.Rectangle, l lift, colour bool) *image.RGBA {
	dst := image.NewRGBA(image.Rect(0, 0, r.Dx(), r.Dy()))
	colour = colour && c.format.ChromaX >= 0 && !p.Cb.Empty() && !p.Cr.Empty()
	c.resize(r.Dx())
	var cbMean, crMean float32
	if colour {
		for y := range r.Dy() {
			c.chroma(c.cb, &p.Cb, r.Min.X, r.Min.Y+y, p.Parity)
			c.chroma(c.cr, &p.Cr, r.Min.X, r.Min.Y+y, p.Parity)
			for i := range c.cb {
				cbMean, crMean = cbMean+c.cb[i], crMean+c.cr[i]
			}
		}
		n := float32(r.Dx() * r.Dy())
		cbMean, crMean = cbMean/n, crMean/n
	}
	gain := float32(l.colour)
	for y := range r.Dy() {
		if colour {
			c.chroma(c.cb, &p.Cb, r.Min.X, r.Min.Y+y, p.Parity)
			c.chroma(c.cr, &p.Cr, r.Min.X, r.Min.Y+y, p.Parity)
		}
		row := dst.Pix[y*dst.Stride:]
		for i := range r.Dx() {
			v := float32(p.Y.At(r.Min.X+i, r.Min.Y+y)-l.from) / float32(l.to-l.from)
			red, green, blue := v, v, v
			if colour {
				cb, cr := cbMean+(c.cb[i]-cbMean)*gain, crMean+(c.cr[i]-crMean)*gain
				red += c.rCr * cr
				green += c.gCb*cb + c.gCr*cr
				blue += c.bCb * cb
			}
			q := row[4*i : 4*i+4 : 4*i+4]
			q[0], q[1], q[2], q[3] = byteOf(red), byteOf(green), byteOf(blue), 255
		}
	}
	return dst
}

// words state the lift.
func (l lift) words(full int) string {
	s := fmt.Sprintf("luma codes %d to %d of %d are shown as black to white, %s", l.from, l.to, full, apart(l.gain))
	if l.cut {
		s += "; what is darker or brighter is cut off"
	}
	if l.colour != l.gain {
		s += "; colours are " + apart(l.colour)
	}
	return s
}

func apart(gain float64) string {
	if s := fmt.Sprintf("%.2g", gain); s != "1" {
		return s + " times as far apart"
	}
	return "as far apart as they are"
}

const captionSize, captionPad = 14, 6 // pixels

// captioned puts words under a picture, over several lines where it is narrow.
func captioned(img *image.RGBA, words string) (*image.RGBA, error) {
	parsed, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, err
	}
	face, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: captionSize, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return nil, err
	}
	defer face.Close()
	lines := wrap(face, words, img.Rect.Dx()-2*captionPad)
	height := face.Metrics().Height.Ceil()
	w, h := img.Rect.Dx(), img.Rect.Dy()
	out := image.NewRGBA(image.Rect(0, 0, w, h+len(lines)*height+2*captionPad))
	draw.Draw(out, out.Rect, image.NewUniform(color.RGBA{24, 24, 24, 255}), image.Point{}, draw.Src)
	draw.Draw(out, img.Rect, img, image.Point{}, draw.Src)
	d := font.Drawer{Dst: out, Src: image.NewUniform(color.RGBA{235, 235, 235, 255}), Face: face}
	for i, line := range lines {
		d.Dot = fixed.P(captionPad, h+captionPad+i*height+face.Metrics().Ascent.Ceil())
		d.DrawString(line)
	}
	return out, nil
}

// wrap breaks words into lines of at most so many pixels; a single word may be
// longer.
func wrap(face font.Face, words string, most int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(words) {
		longer := strings.TrimSpace(line + " " + word)
		if line != "" && font.MeasureString(face, longer).Ceil() > most {
			lines = append(lines, line)
			longer = word
		}
		line = longer
	}
	return append(lines, line)
}
