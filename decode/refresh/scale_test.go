package refresh

import (
	"math/rand/v2"
	"slices"
	"testing"

	"setwitness/decode/picture"
)

func TestScaleIsItsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for _, depth := range []int{9, 12, 16} {
		for _, w := range []int{1, 17, 64, 333} {
			a := picture.New(w, 5, depth)
			for i := range a.Pix16 {
				a.Pix16[i] = uint16(r.IntN(a.Full() + 1))
			}
			a.Pix16[0], a.Pix16[len(a.Pix16)-1] = 0, uint16(a.Full())
			b := a
			b.Pix16 = slices.Clone(a.Pix16)
			gains := []int32{1 << GainBits, 0, 4 << GainBits, 1 << (GainBits - 1), 70001}
			Scale(&a, gains, 16<<(depth-8))
			scaleTwin(&b, gains, 16<<(depth-8))
			if !slices.Equal(a.Pix16, b.Pix16) {
				t.Errorf("%d samples of %d bits differ", w, depth)
			}
		}
	}
	p := picture.New(3, 3, 12)
	copy(p.Pix16, []uint16{256, 1256, 100})
	Scale(&p, []int32{1 << (GainBits + 1), 0, 0}, 256)
	if got := p.Pix16[:3]; got[0] != 256 || got[1] != 2256 || got[2] != 0 {
		t.Errorf("twice as light: %d", got)
	}
}
