package screen

import "testing"

// What changes mostly outside of a candidate is no screen; what changes inside of it, or
// rests, may be one.
func TestRestless(t *testing.T) {
	const w, h = 160, 90
	quad := Quad{{X: 40, Y: 20}, {X: 120, Y: 20}, {X: 120, Y: 70}, {X: 40, Y: 70}}
	for _, c := range []struct {
		name            string
		inside, outside float32
		want            bool
	}{
		{"a screen", 0.1, 0.001, false},
		{"a part of a picture", 0.1, 0.1, true},
		{"a picture that rests", 0, 0, false},
	} {
		s := &survey{w: w, h: h, factor: 1, flicker: make([]float32, w*h)}
		for i := range s.flicker {
			s.flicker[i] = c.outside
			if x, y := i%w, i/w; x > 40 && x < 120 && y > 20 && y < 70 {
				s.flicker[i] = c.inside
			}
		}
		f := NewFinder(w, h)
		f.whole = []kept{{}}
		v := View{Quad: quad}
		v.Size.X, v.Size.Y = w, h
		if got := f.restless(s, candidate{view: v}, []similarity{rest}); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
