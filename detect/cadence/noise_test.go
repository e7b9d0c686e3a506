package cadence

import "testing"

// The noise of a picture that a codec repeats is that of those before it, on this
// side of a cut.
func TestNoiseOfRepeats(t *testing.T) {
	n := newNotes(false, 8)
	for i, k := range []note{{own: 9}, {own: 5}, {own: 4, cut: true}, {own: 3}, {}, {}, {own: 2}, {}} {
		k.index = i
		n.ring[i%len(n.ring)] = k
		n.newest = i
	}
	for _, c := range []struct {
		i         int
		own, want float32
	}{
		{1, 5, 9},
		{4, 0, 3},
		{4, 6, 6},
		{7, 0, 3},
		{8, 0, 2}, // the pictures of more than that are too long ago
	} {
		if got := n.noise(c.i, c.own); got != c.want {
			t.Errorf("picture %d with noise %g of its own: %g, want %g", c.i, c.own, got, c.want)
		}
	}
}
