package display

import "testing"

// A plane serves again once it was given back, and not before.
func TestPlanes(t *testing.T) {
	var s planes
	a, b := s.take(4, 3, 12), s.take(4, 3, 12)
	if &a.Pix16[0] == &b.Pix16[0] {
		t.Error("two pictures share a plane")
	}
	s.give(a)
	if c := s.take(4, 3, 12); &c.Pix16[0] != &a.Pix16[0] {
		t.Error("a plane that was given back lies idle")
	}
	if d := s.take(4, 3, 12); &d.Pix16[0] == &a.Pix16[0] || &d.Pix16[0] == &b.Pix16[0] {
		t.Error("a plane in use is taken")
	}
}
