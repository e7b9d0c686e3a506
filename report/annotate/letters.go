package annotate

import (
	"fmt"
	"image"
	"strings"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// letters draws text of one size. Glyphs are kept: the counter changes with
// every picture.
type letters struct {
	face    font.Face
	glyphs  map[rune]*glyph
	ascent  int
	spacing int // from line to line
}

type glyph struct {
	mask    *image.Alpha
	offset  image.Point // of the mask from the dot
	advance fixed.Int26_6
}

// newLetters prepares letters of a size, px from line to line about 1.2 times
// as much.
func newLetters(size float64) (*letters, error) {
	parsed, err := opentype.Parse(gomedium.TTF)
	if err != nil {
		return nil, fmt.Errorf("font: %w", err)
	}
	face, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		return nil, fmt.Errorf("font: %w", err)
	}
	m := face.Metrics()
	return &letters{face: face, glyphs: map[rune]*glyph{}, ascent: m.Ascent.Ceil(), spacing: m.Height.Ceil()}, nil
}

func (l *letters) glyph(r rune) *glyph {
	if g := l.glyphs[r]; g != nil {
		return g
	}
	// At a whole pixel: the same letter always looks the same.
	box, mask, at, advance, _ := l.face.Glyph(fixed.Point26_6{}, r)
	g := &glyph{mask: image.NewAlpha(image.Rect(0, 0, box.Dx(), box.Dy())), offset: box.Min, advance: advance}
	for y := range box.Dy() {
		for x := range box.Dx() {
			_, _, _, a := mask.At(at.X+x, at.Y+y).RGBA()
			g.mask.Pix[y*g.mask.Stride+x] = uint8(a >> 8)
		}
	}
	l.glyphs[r] = g
	return g
}

func (l *letters) width(text string) int {
	w := 0
	for _, r := range text {
		w += l.glyph(r).advance.Round()
	}
	return w
}

// draw puts a line of text on a canvas, at its top left corner.
func (l *letters) draw(c *Canvas, at image.Point, text string) {
	l.each(at, text, func(mask *image.Alpha, at image.Point) { c.cover(mask, at, c.colours.ink) })
}

// each calls put with the mask of each letter of a line whose top left corner is
// given, and the place of the mask's own.
func (l *letters) each(at image.Point, text string, put func(mask *image.Alpha, at image.Point)) {
	x := at.X
	for _, r := range text {
		g := l.glyph(r)
		put(g.mask, image.Pt(x+g.offset.X, at.Y+l.ascent+g.offset.Y))
		x += g.advance.Round()
	}
}

// wrap breaks text into lines of at most a width; what no line holds is cut off
// with an ellipsis, and so is what does not fit into so many lines.
func (l *letters) wrap(text string, width, lines int) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(text) {
		longer := strings.TrimSpace(line + " " + word)
		if line != "" && l.width(longer) > width {
			out = append(out, line)
			longer = word
		}
		line = longer
	}
	out = append(out, line)
	cut := len(out) > lines
	out = out[:min(len(out), lines)]
	for i, s := range out {
		if last := i == len(out)-1; l.width(s) > width || last && cut {
			out[i] = l.shorten(s, width)
		}
	}
	return out
}

func (l *letters) shorten(s string, width int) string {
	r := []rune(s)
	for len(r) > 0 && l.width(string(r)+"…") > width {
		r = r[:len(r)-1]
	}
	return strings.TrimSpace(string(r)) + "…"
}
