package crops

import (
	"bytes"
	"image"
	"image/png"
	"math/rand/v2"
	"testing"
)

// What is written is read by the decoder of the standard library, which checks the sums of
// ISO/IEC 15948, and is the image to the bit; an encoder may be used again.
func TestEncode(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var e encoder
	for _, size := range []image.Point{{1, 1}, {257, 3}, {3, 129}, {320, 200}} {
		whole := image.NewRGBA(image.Rect(0, 0, size.X+9, size.Y+4))
		for i := range whole.Pix {
			if whole.Pix[i] = uint8(r.IntN(256)); i%4 == 3 {
				whole.Pix[i] = 255
			}
		}
		for _, img := range []*image.RGBA{whole, whole.SubImage(image.Rect(5, 2, 5+size.X, 2+size.Y)).(*image.RGBA)} {
			var b bytes.Buffer
			if err := e.encode(&b, img); err != nil {
				t.Fatal(err)
			}
			got, err := png.Decode(&b)
			if err != nil {
				t.Fatalf("%v: %v", img.Rect, err)
			}
			if got.Bounds().Size() != img.Rect.Size() {
				t.Fatalf("%v became %v", img.Rect, got.Bounds())
			}
			for y := range img.Rect.Dy() {
				for x := range img.Rect.Dx() {
					if a, b := img.At(img.Rect.Min.X+x, img.Rect.Min.Y+y), got.At(x, y); a != b {
						t.Fatalf("%v: %d,%d is %v, not %v", img.Rect, x, y, b, a)
					}
				}
			}
		}
	}
}
