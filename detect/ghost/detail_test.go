package ghost

import (
	"math"
	"testing"
)

// gradient is what the neighbours of a row differ by.
func gradient(row []float64) []float64 {
	list := make([]float64, len(row)-1)
	for x := range list {
		list[x] = row[x+1] - row[x]
	}
	return list
}

func energy(row []float64) (sum float64) {
	for _, v := range row {
		sum += v * v
	}
	return sum
}

// What mixtures lose of their detail follows from what the pictures differ by that they are
// made of.
func TestDetailLeft(t *testing.T) {
	for _, step := range []float64{1, 3, 12} {
		before, now, after := moved(2, -step), moved(2, 0), moved(2, step)
		apart := rows{gradient(now), gradient(after)}.differ(1, 1) * float64(len(now)-1) / energy(gradient(now))
		for _, of := range pairedMixtures {
			mixed := make([]float64, len(now))
			for x := range mixed {
				mixed[x] = of.behind*before[x] + (1-of.behind-of.ahead)*now[x] + of.ahead*after[x]
			}
			left := math.Log(energy(gradient(mixed)) / energy(gradient(now)))
			if of.copies() && step < 12 {
				continue // the outer two differ by more than a step
			}
			if expected := of.detailLeft(apart); math.Abs(left-expected) > 0.2*math.Abs(expected) {
				t.Errorf("%+v at steps of %.0f: %.3f, not %.3f", of, step, left, expected)
			}
		}
	}
}
