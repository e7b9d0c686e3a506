package display

import (
	"testing"

	"setwitness/decode/picture"
	"setwitness/decode/screen"
)

// The samples at a border show what lies beside them, those of a close-up themselves.
func TestRim(t *testing.T) {
	for _, kind := range []screen.Kind{screen.Screen, screen.CloseUp} {
		s := Survey{}
		s.Found.Kind = kind
		for _, depth := range []int{8, 12} {
			p := picture.New(9, 7, depth)
			set := func(x, y, v int) {
				if p.Pix != nil {
					p.Pix[y*p.Stride+x] = uint8(v)
				} else {
					p.Pix16[y*p.Stride+x] = uint16(v)
				}
			}
			for y := range 7 {
				for x := range 9 {
					set(x, y, 10*y+x)
				}
			}
			coverRim(&p, s.rimOf(1))
			for y := range 7 {
				for x := range 9 {
					want := 10*y + x
					if kind != screen.CloseUp {
						want = 10*min(max(y, rim), 6-rim) + min(max(x, rim), 8-rim)
					}
					if got := p.At(x, y); got != want {
						t.Errorf("kind %v, %d bits: %d at %d,%d, want %d", kind, depth, got, x, y, want)
					}
				}
			}
		}
	}
}
