package ghost

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// Sharp edges a step apart from picture to picture relate by what the differences of
// pictures that grow with their distance give, whatever they are mixed with, and have
// on the way what the copies cover.
func TestSharpEdges(t *testing.T) {
	const samples, step, edges, light = 4000, 20, 10, 100 * cells.Unit8
	plane := func(at float64, shutter float64, weights [3]float64) *cells.Map {
		m := &cells.Map{}
		m.Reduced.W, m.Reduced.H = samples, 1
		for x := range samples {
			v := 0.0
			for j, w := range weights {
				// Strips as wide as the way between edges, lit by turns.
				const instants = 40
				for e := range instants {
					k := at + float64(j-1) + shutter*(float64(e)+0.5)/instants
					if int(math.Floor((float64(x)-step*k)/(samples/edges)))%2 == 0 {
						v += w / instants
					}
				}
			}
			m.Reduced.Pix = append(m.Reduced.Pix, uint16(light*v))
		}
		return m
	}
	const third = 1.0 / 3
	for _, c := range []struct {
		name       string
		shutter    float64
		weights    [3]float64
		rho        float64
		way, stray float64 // and how far from it
	}{
		{"single", 0, [3]float64{0, 1, 0}, 0, 0, 0.05},
		{"open for half of the time", 0.5, [3]float64{0, 1, 0}, 0.1, 0, 0.3},
		{"open all the time", 1, [3]float64{0, 1, 0}, 0.25, 0, 0.3},
		{"two equal shares", 0, [3]float64{0.5, 0.5, 0}, 0.5, 5 * third, 0.1},
		{"three equal shares", 0, [3]float64{third, third, third}, 2 * third, 5, 0.1},
		{"a quarter, a half, a quarter", 0, [3]float64{0.25, 0.5, 0.25}, 2 * third, 10 * third, 0.1},
	} {
		var s sums
		s.add(&cells.Search{}, plane(0, c.shutter, c.weights), plane(1, c.shutter, c.weights), plane(2, c.shutter, c.weights), 0, 1, 1, []cells.Run{{To: samples}}, 40*cells.Unit8)
		r := s.relation(0)
		if math.Abs(r.rho-c.rho) > 0.02 {
			t.Errorf("%s: rho %.3f, want %.3f", c.name, r.rho, c.rho)
		}
		if way, _ := r.way(); math.Abs(way-c.way) > c.stray {
			t.Errorf("%s: %.2f on the way (%.2f, %.2f, %.2f), want %.2f", c.name, way, r.half, r.third, r.quarter, c.way)
		}
	}
}

// A fade is half way all over and moves nothing: what changes one way tells no density.
func TestFadeIsNotOnTheWay(t *testing.T) {
	strips := func(gain float64) *cells.Map {
		m := &cells.Map{}
		for x := range 4000 {
			m.Reduced.Pix = append(m.Reduced.Pix, uint16(gain*float64(100+50*(x/20%2))*cells.Unit8))
		}
		m.Reduced.W, m.Reduced.H = len(m.Reduced.Pix), 1
		return m
	}
	var s sums
	s.add(&cells.Search{}, strips(1), strips(1.2), strips(1.4), 0, 1, 1, []cells.Run{{To: 4000}}, 20*cells.Unit8)
	if r := s.relation(0); s.Half != s.Changed || r.half != 0 || r.third != 0 || r.quarter != 0 {
		t.Errorf("%d of %d half way, densities %.2f, %.2f, %.2f", s.Half, s.Changed, r.half, r.third, r.quarter)
	}
}
