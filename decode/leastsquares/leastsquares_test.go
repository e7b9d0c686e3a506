package leastsquares

import (
	"math"
	"testing"
)

// The line through five points by the normal equations of a textbook's straight-line
// fit: y = 1.1 + 0.9 x for x = 0..4 and y = 1, 2, 3, 4, 4.5 (worked by hand).
func TestLine(t *testing.T) {
	y := []float64{1, 2, 3, 4, 4.5}
	var a [2][2]float64
	var b [2]float64
	for x, v := range y {
		row := [2]float64{1, float64(x)}
		for i := range row {
			for k := range row {
				a[i][k] += row[i] * row[k]
			}
			b[i] += row[i] * v
		}
	}
	x, ok := Solve(func(i, k int) float64 { return a[i][k] }, b[:])
	if !ok || math.Abs(x[0]-1.1) > 1e-12 || math.Abs(x[1]-0.9) > 1e-12 {
		t.Errorf("%v, %v", x, ok)
	}
	if _, ok := Solve(func(i, k int) float64 { return 1 }, b[:]); ok {
		t.Error("two unknowns that are the same are told apart")
	}
}

// Sums of squares of unlike units are solved all the same (a Hilbert matrix of five,
// whose condition is about 5e5, with units a million apart).
func TestUnlikeUnits(t *testing.T) {
	const n = 5
	unit := [n]float64{1, 1e6, 1e-3, 1, 1e3}
	at := func(i, k int) float64 { return unit[i] * unit[k] / float64(1+i+k) }
	want := [n]float64{3, -2e-6, 1e3, 4, 5e-3}
	var b [n]float64
	for i := range b {
		for k := range want {
			b[i] += at(i, k) * want[k]
		}
	}
	x, ok := Solve(at, b[:])
	for i, v := range x {
		if !ok || math.Abs(v/want[i]-1) > 1e-9 {
			t.Errorf("unknown %d is %g, want %g", i, v, want[i])
		}
	}
}
