package echo

import (
	"math"
	"testing"
)

func TestPeak(t *testing.T) {
	for _, c := range []struct {
		name string
		step float64
		p    []float32
		want float64 // lag; 0 for none
	}{
		{"a ball of ten samples", 12, []float32{1, .91, .72, .47, .18, -.05, -.24, -.36, -.37, -.36, -.36, -.26, -.2, -.13, -.06, -.02, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 0},
		// As a film of a screen shows it: the far rim takes as much from the first peak
		// as the second has less.
		{"the same in three places", 12, []float32{1, .85, .5, .21, 0, 0, 0, .1, .1, .16, .23, .3, .31, .29, .18, .05, -.02, -.04, .06, .16, .23, .32, .32, .28, .21, .12, .04, 0, -.04, 0, 0, 0, .06}, 12},
		{"in two", 10, []float32{1, .8, .4, .1, 0, -.1, -.1, 0, .2, .4, .5, .4, .2, 0, 0, -.1, -.1, -.1, 0, .05, .1, .05, 0, 0, 0, 0, 0, 0, 0}, 10},
		// A trifle half way is texture's.
		{"two steps of it apart", 10, []float32{1, .8, .4, .1, 0, -.1, -.1, 0, .05, .1, .15, .1, 0, 0, 0, -.1, -.1, .1, .2, .4, .5, .4, .2, 0, 0, 0, 0, 0, 0}, 20},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := peak(c.p, leastRatio*c.step, mostRatio*c.step)
			if c.want == 0 && got.Prominence > 0.1 || c.want > 0 && math.Abs(got.Lag-c.want) > 1 {
				t.Errorf("%+v, not %v", got, c.want)
			}
		})
	}
}
