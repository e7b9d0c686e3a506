package ghost

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// What is on the way goes with the slopes of an edge that moves, however soft it is,
// and not with those of copies that lie far apart: the shares are those of edges that
// are integrals of Gauss's curve, by the same sums over the curves themselves.
func TestSlopes(t *testing.T) {
	const size, light = 96, 100 * cells.Unit8
	edge := func(x, soft float64) float64 { return (1 + math.Erf(x/soft/math.Sqrt2)) / 2 }
	for _, c := range []struct {
		name       string
		soft, step float64
		weights    [3]float64
		want       float64
	}{
		{"slow", 3, 2, [3]float64{0, 1, 0}, 1},
		{"as far as it is wide", 3, 8, [3]float64{0, 1, 0}, 0.99},
		{"soft", 6, 6, [3]float64{0, 1, 0}, 1},
		{"two copies", 1, 8, [3]float64{0, 0.5, 0.5}, 0.46},
		{"three copies", 1, 8, [3]float64{0.25, 0.5, 0.25}, 0.44},
		{"two copies, six times as far apart as the edge is soft", 1, 6, [3]float64{0, 0.5, 0.5}, 0.615},
		{"two copies closer than the edge is wide", 6, 6, [3]float64{0, 0.5, 0.5}, 1},
	} {
		picture := func(k float64) *cells.Reduced {
			r := &cells.Reduced{W: size, H: size, StepX: 1, StepY: 1}
			for range size {
				for x := range size {
					at, v := float64(x-size/2)+0.3, 0.0
					for j, w := range c.weights {
						v += w * edge(at-c.step*(k+float64(j-1)), c.soft)
					}
					r.Pix = append(r.Pix, uint16(math.Round(light*v)))
				}
			}
			return r
		}
		f := slopeFit{before: picture(-1), on: picture(0), after: picture(1), far: light / 5}
		told, all, samples := f.tile(0, 0, size, size)
		if got := told / all; samples < fewestSloped || math.Abs(got-c.want) > 0.04 {
			t.Errorf("%s: %.2f of %d samples, want %.2f", c.name, got, samples, c.want)
		}
	}
}
