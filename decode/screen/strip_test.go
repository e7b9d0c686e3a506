package screen

import "testing"

// A view that lacks a strip along one side is completed to the shape of a set on
// either side of those two.
func TestCompleted(t *testing.T) {
	whole := straightOn(small, 700)
	part := func(l, top, r, bottom float64) *candidate {
		v := whole
		v.Quad = Quad{whole.ToCamera(l, top), whole.ToCamera(r, top), whole.ToCamera(r, bottom), whole.ToCamera(l, bottom)}
		return &candidate{view: v, views: []View{v}}
	}
	for _, c := range []struct {
		name string
		of   *candidate
		want int // which of those returned is the whole one, -1 for none
	}{
		{"above", part(0, 0.1, 1, 1), 0},
		{"below", part(0, 0, 1, 0.92), 1},
		{"on the left", part(0.08, 0, 1, 1), 0},
		{"on the right", part(0, 0, 0.9, 1), 1},
		{"the shape of a set", part(0, 0, 1, 1), -1},
		{"a wide film", part(0, 0.13, 1, 0.87), -1},
		{"cut off", func() *candidate { c := part(0, 0, 1, 0.92); c.hidden[2] = true; return c }(), -1},
	} {
		list := c.of.completed()
		if c.want < 0 {
			if len(list) > 0 {
				t.Errorf("%s: %d more", c.name, len(list))
			}
			continue
		}
		if len(list) != 2 {
			t.Fatalf("%s: %d more", c.name, len(list))
		}
		if e := corner(list[c.want].view.Quad, whole.Quad); e > 3 {
			t.Errorf("%s: off by %.1f px", c.name, e)
		}
	}
}
