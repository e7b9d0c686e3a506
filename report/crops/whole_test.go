package crops

import (
	"bytes"
	"image/png"
	"testing"

	"setwitness/decode/picture"
)

// A picture that is too wide is halved, a third of it taken and so on; one that
// is not keeps every pixel.
func TestWhole(t *testing.T) {
	f := picture.Format{W: 90, H: 60, Depth: 8, ChromaX: 1, ChromaY: 1, Colour: picture.Colour{Matrix: "bt709"}}
	p := (&fake{f: f}).picture(3)
	all := newConverter(f).whole(p)
	for most, want := range map[int][3]int{90: {90, 60, 1}, 200: {90, 60, 1}, 89: {45, 30, 2}, 30: {30, 20, 3}} {
		got, err := Whole(p, f, most)
		if err != nil {
			t.Fatal(err)
		}
		if got.W != want[0] || got.H != want[1] || got.Type != "image/png" {
			t.Errorf("at most %d columns: %d x %d of %s", most, got.W, got.H, got.Type)
		}
		img, err := png.Decode(bytes.NewReader(got.Data))
		if err != nil {
			t.Fatal(err)
		}
		k := want[2]
		for _, at := range [][2]int{{0, 0}, {7, 5}, {got.W - 1, got.H - 1}} {
			sum := 0
			for i := range k * k {
				sum += int(all.RGBAAt(at[0]*k+i%k, at[1]*k+i/k).G)
			}
			_, g, _, _ := img.At(at[0], at[1]).RGBA()
			if d := sum/(k*k) - int(g>>8); d < -1 || d > 1 {
				t.Errorf("at most %d columns: pixel %v is %d, the mean %d", most, at, g>>8, sum/(k*k))
			}
		}
	}
}
