package combing

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
)

// Where nothing has scaled a woven comb, windows anywhere in the picture agree on its
// phase: small print that moves by little, which differs from line to line of a field by
// as much as the fields do, is told by what lies beyond a line and its neighbours.
func TestOverscanKnowsWovenCombs(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	p := picture.New(width, height, 8)
	for y := range height {
		for x := range width {
			at := float64(x + 3*(y%2))
			p.Pix[y*p.Stride+x] = uint8(120 + 50*math.Sin(at/2.1+float64(y)/9) + 3*r.NormFloat64())
		}
	}
	tracker, l, known := newOverscan(), &looker{}, 0
	const windows, learnt = 12, 5
	for i := range windows {
		x, y := r.IntN(width-64), 70*(i%4)+r.IntN(30)
		c, ok, _ := tracker.find(l, &p, i, image.Rect(x, y, x+64, y+48), 3)
		if i >= learnt && ok && math.Abs(c.pitch()-2) < 0.01 {
			known++
		}
	}
	if known < windows-learnt {
		t.Errorf("%d of %d windows know a comb of two lines", known, windows-learnt)
	}
}
