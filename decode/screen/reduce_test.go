package screen

import (
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
)

func TestReduce(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, depth := range []int{8, 10} {
		p := picture.New(37, 23, depth)
		for i := range p.W * p.H {
			v := r.IntN(p.Full() + 1)
			if p.Pix != nil {
				p.Pix[i] = uint8(v)
			} else {
				p.Pix16[i] = uint16(v)
			}
		}
		for factor := 1; factor <= 3; factor++ {
			q := Reduce(&p, factor)
			if q.W != 37/factor || q.H != 23/factor || q.Depth != depth {
				t.Fatalf("%d bits by %d: %dx%d of %d bits", depth, factor, q.W, q.H, q.Depth)
			}
			for y := range q.H {
				for x := range q.W {
					sum := 0
					for i := range factor * factor {
						sum += p.At(x*factor+i%factor, y*factor+i/factor)
					}
					if got, want := q.At(x, y), sum/(factor*factor); got != want {
						t.Fatalf("%d bits by %d: sample %d,%d is %d, want %d", depth, factor, x, y, got, want)
					}
				}
			}
		}
	}
}
