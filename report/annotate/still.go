package annotate

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
)

const (
	// Letters of a still, as those of a clip; a narrow one has them smaller.
	leastStillLetters = 14.0 // px
	// A detail is enlarged towards this width.
	detailWidth = 640 // px
	// A detail reaches beyond its region by a quarter of it, and no less than a
	// macroblock.
	detailShare, detailLeast = 4, 16
)

// Still returns a picture with a caption below it, which hides nothing of it. The
// picture keeps its own pixels, each enlarged kx by ky; the polygon, in pixels of
// the picture, is outlined, if there is one.
func Still(img *image.RGBA, polygon []Point, kx, ky int, caption []string) (*image.RGBA, error) {
	w, h := img.Rect.Dx()*kx, img.Rect.Dy()*ky
	l, err := newLetters(max(leastStillLetters, min(float64(h)/letterShare, float64(w)/letterShareWidth)))
	if err != nil {
		return nil, err
	}
	pad := max(4, l.spacing/3)
	var lines []string
	for _, s := range caption {
		lines = append(lines, l.wrap(s, max(w-2*pad, 1), mostLines)...)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h+2*pad+len(lines)*l.spacing))
	draw.Draw(out, out.Rect, image.NewUniform(ground.colour()), image.Point{}, draw.Src)
	for y := range h {
		row := out.Pix[y*out.Stride:]
		from := img.Pix[y/ky*img.Stride:]
		for x := range w {
			copy(row[4*x:4*x+4], from[4*(x/kx):])
		}
	}
	shown := make([]Point, len(polygon))
	for i, p := range polygon {
		shown[i] = Point{p.X * float64(kx), p.Y * float64(ky)}
	}
	put := func(mask *image.Alpha, at image.Point, c rgb) {
		draw.DrawMask(out, mask.Rect.Add(at.Sub(mask.Rect.Min)), image.NewUniform(c.colour()), image.Point{}, mask, mask.Rect.Min, draw.Over)
	}
	strokes(shown, image.Rect(0, 0, w, h), max(2, h/540*2), func(mask *image.Alpha, light bool) {
		c := dark
		if light {
			c = line
		}
		put(mask, mask.Rect.Min, c)
	})
	for i, s := range lines {
		l.each(image.Pt(pad, h+pad+i*l.spacing), s, func(mask *image.Alpha, at image.Point) {
			put(mask, at, ink)
		})
	}
	return out, nil
}

// Detail returns what of a picture a detail of a region shows, and the whole
// factor by which it is to be enlarged.
func Detail(region, whole image.Rectangle) (image.Rectangle, int) {
	x, y := max(detailLeast, region.Dx()/detailShare), max(detailLeast, region.Dy()/detailShare)
	r := image.Rect(region.Min.X-x, region.Min.Y-y, region.Max.X+x, region.Max.Y+y).Intersect(whole)
	return r, max(1, detailWidth/max(r.Dx(), 1))
}

// Enlarged says so, and how.
func Enlarged(k int) string {
	if k == 1 {
		return "native pixels"
	}
	return fmt.Sprintf("enlarged %d× (nearest)", k)
}

func (c rgb) colour() color.RGBA {
	b := func(v float64) uint8 { return uint8(v*255 + 0.5) }
	return color.RGBA{b(c.r), b(c.g), b(c.b), 255}
}
