package crops

import (
	"image/png"

	"setwitness/decode/picture"
)

// Whole returns all of a picture of a format, lossless, with each pixel the
// mean of as many as no more than most columns need.
func Whole(p *picture.Picture, f picture.Format, most int) (Image, error) {
	m := maker{convert: newConverter(f), encode: png.Encoder{CompressionLevel: png.BestSpeed}}
	img := m.convert.whole(p)
	k := (img.Rect.Dx() + most - 1) / most
	return m.image(reduce(img, k, k), true)
}
