package cells

import (
	"image"
	"math/rand/v2"
	"testing"
)

// A full search over a tile of a halved plane, and a match of a whole one.
func BenchmarkSearch(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	const w, h = 480, 270
	var p [3][]uint16
	for i := range p {
		p[i] = make([]uint16, w*h)
		for k := range p[i] {
			p[i][k] = uint16(r.IntN(4081))
		}
	}
	for k := range p[2] {
		p[2][k] = 0xffff
	}
	at := Area{Rectangle: image.Rect(200, 120, 232, 152), RowStep: 1}
	b.Run("Find", func(b *testing.B) {
		for b.Loop() {
			kernel{}.Find(p[0], p[1], p[2], w, h, at, image.Point{}, image.Pt(40, 24), 2)
		}
	})
	b.Run("Match", func(b *testing.B) {
		for b.Loop() {
			kernel{}.Match(p[0], p[1], p[2], w, h, at, 3, 1)
		}
	})
}
