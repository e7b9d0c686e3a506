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

// A strip of a picture that stands still begins as straight as a border. Where the set
// shows whole with it, it belongs to the picture; between black bars it does not.
func TestExtends(t *testing.T) {
	t.Parallel()
	set := candidate{view: straightOn(small, 700), score: 1}
	set.views = []View{set.view}
	part := func(top, bottom float64) *candidate {
		v := set.view
		v.Quad = Quad{v.ToCamera(0, top), v.ToCamera(1, top), v.ToCamera(1, bottom), v.ToCamera(0, bottom)}
		// Of a swaying camera, shown best in another frame.
		best := v
		for i := range best.Quad {
			best.Quad[i].X += 9
		}
		return &candidate{view: best, views: []View{v}, score: 1}
	}
	for _, c := range []struct {
		name string
		part *candidate
		want bool
	}{
		{"a strip above", part(0.2, 1), true},
		{"a strip below", part(0, 0.75), true},
		{"bars", part(0.12, 0.88), false},
		{"the set itself", part(0, 1), false},
		{"beyond the set", part(0.3, 1.1), false},
	} {
		if got := set.extends(c.part); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// The strip stands still, and the rest does not.
	still, lively := set, *part(0.22, 1)
	still.sides = sides{alive: [4]float64{0, 0.4, 0.4, 0.4}}
	lively.sides = sides{alive: [4]float64{1, 0.9, 0.5, 0.8}}
	still.rough, lively.rough = 2.3, 2.5
	if got, ok := choose([]candidate{lively, still}); !ok || got.view != still.view {
		t.Error("the part that changes was taken for the screen")
	}
}
