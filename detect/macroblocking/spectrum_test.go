package macroblocking

import (
	"math/rand/v2"
	"slices"
	"testing"
)

func TestMiddleIsThatOfTheSorted(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for n := 1; n < 200; n++ {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(r.IntN(n)) // some of them equal
		}
		sorted := slices.Sorted(slices.Values(v))
		if got := middle(v); got != sorted[n/2] {
			t.Fatalf("middle of %v is %g, want %g", sorted, got, sorted[n/2])
		}
	}
}
