package screen

import (
	"image"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestFindsScreens(t *testing.T) {
	size := image.Pt(960, 540)
	var errs []float64
	n := 8
	for seed := range n {
		r := rand.New(rand.NewPCG(uint64(seed), 1))
		v := randomView(r, size)
		b := newBooth(t, size, v, uint64(seed))
		s := content(int64(seed))
		f := NewFinder(size.X, size.Y)
		var moves [][2]int
		for i := range 8 {
			c := s.Luma(float64(i) * 1.3)
			m := [2]int{r.IntN(9) - 4, r.IntN(9) - 4}
			moves = append(moves, m)
			p := b.shoot(&c, m[0], m[1])
			f.Add(&p)
		}
		found, err := f.Result()
		if err != nil {
			t.Fatal(err)
		}
		if found.Kind != Screen {
			t.Errorf("seed %d: %s: %s", seed, found.Kind, found.Why)
			continue
		}
		m := moves[found.Frame]
		e := corner(found.View.Quad, b.moved(m[0], m[1]))
		errs = append(errs, e)
		t.Logf("seed %d: worst corner %.2f px, k1 %.3f for %.3f, confidence %.2f aspect %.2f", seed, e, found.View.K1, v.K1, found.Confidence, found.View.Aspect)
	}
	slices.Sort(errs)
	if len(errs) > 0 {
		t.Logf("found %d of %d, worst corners: median %.2f, worst %.2f", len(errs), n, errs[len(errs)/2], errs[len(errs)-1])
	}
}
