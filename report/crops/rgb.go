package crops

import (
	"image"

	"setwitness/decode/picture"
)

// RGB returns the pixels of a picture of a format inside r, for a screen of a
// computer.
func RGB(p *picture.Picture, f picture.Format, r image.Rectangle) *image.RGBA {
	return newConverter(f).window(p, r.Intersect(image.Rect(0, 0, p.Y.W, p.Y.H)))
}
