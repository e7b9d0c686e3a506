package ghost

import "testing"

// A slow beat, of which the pictures around one hold not all, is believed when it comes
// again: 24 pictures a second shown at 25 have theirs once in 25 pictures.
func TestSlowBeat(t *testing.T) {
	for _, c := range []struct {
		source, rate float64
		pictures     int
		again        bool
	}{
		{24, 25, 0, false}, {24, 25, 20, false}, {24, 25, 25, true},
		{25, 24, 20, false}, {25, 24, 24, true},
		{24, 30, 0, true}, {60, 50, 0, true},
	} {
		b := beat{}
		for _, r := range conversions(c.rate) {
			if r.source == c.source {
				b.rhythm = &r
				break
			}
		}
		if b.rhythm == nil {
			t.Fatalf("%g to %g is no conversion", c.source, c.rate)
		}
		if got := b.again(c.pictures); got != c.again {
			t.Errorf("%g to %g, heard for %d pictures: comes again %v", c.source, c.rate, c.pictures, got)
		}
	}
}
