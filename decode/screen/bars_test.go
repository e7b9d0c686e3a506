package screen

import (
	"image"
	"testing"
)

// Bars of a direct take keep to the frame's rows and end in its edges; a screen before a
// camera does not, though it is cut off or nearly straight.
func TestMadeWithBars(t *testing.T) {
	for _, c := range []struct {
		name   string
		quad   Quad
		hidden [4]bool
		bars   bool
	}{
		{"bars above and below", Quad{{2, 59.3}, {1052, 59.5}, {936, 479.7}, {2, 479.6}}, [4]bool{}, true},
		{"bars beside", Quad{{120, 2}, {840, 1}, {840, 500}, {120.2, 530}}, [4]bool{}, true},
		{"bars, both ends hidden", Quad{{-1, 60}, {961, 60}, {961, 480}, {-1, 480}}, [4]bool{1: true, 3: true}, true},
		{"a screen inside the frame", Quad{{100, 60}, {860, 60}, {860, 480}, {100, 480}}, [4]bool{}, false},
		{"a screen that is cut off", Quad{{2, 59}, {1052, 62}, {1052, 483}, {2, 479}}, [4]bool{1: true}, false},
		{"a screen that fills the frame", Quad{{1, 1}, {958, 3}, {959, 538}, {0, 537}}, [4]bool{true, true, true, true}, false},
	} {
		if v := (View{Quad: c.quad, Size: image.Pt(960, 540)}); v.madeWithBars(c.hidden) != c.bars {
			t.Errorf("%s: %v", c.name, !c.bars)
		}
	}
}
