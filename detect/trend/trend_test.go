package trend

import (
	"math"
	"testing"
)

// Groups that lie on one slope do not stray, whatever their means and times; what each
// value is off by is found back, without the slope.
func TestFit(t *testing.T) {
	const slope = 0.3
	for _, off := range []float64{0, 0.5} {
		var f Fit
		for group, mean := range []float64{4, -1, 7} {
			var values, times []float64
			for i := range 4 {
				at := float64(i + 10*group)
				// Two up and two down, which are of no slope and no mean.
				sign := []float64{1, -1, -1, 1}[i]
				times, values = append(times, at), append(values, mean+slope*(at-float64(10*group)-1.5)+sign*off)
			}
			if got := f.Add(values, times); math.Abs(got-mean) > 1e-12 {
				t.Errorf("mean %g, not %g", got, mean)
			}
		}
		// Twelve values, three means and a slope.
		if got, want := f.Strays(), off*math.Sqrt(12./(12-3-1)); math.Abs(got-want) > 1e-7 {
			t.Errorf("strays by %g, not %g", got, want)
		}
	}
}
