package macroblocking

import "testing"

// A coder's blocks begin at the border of the picture.
func TestWhereBlocksLie(t *testing.T) {
	for _, c := range []struct {
		comb     comb
		axis     int
		length   float64
		from, to float64
		want     bool
	}{
		{comb{8, 8}, 0, 1920, 0, 1920, true},
		{comb{8, 4}, 0, 1920, 0, 1920, false},
		{comb{12, 0.3}, 0, 1920, 0, 1920, true},      // of 1280 samples to a line
		{comb{12.03, 11.62}, 0, 640, 0, 640, true},   // of 426, told badly
		{comb{16.1, 0}, 0, 1920, 0, 1920, false},     // more badly
		{comb{18.78, 18.6}, 0, 1280, 0, 1280, false}, // of no raster
		{comb{18, 0}, 1, 1080, 0, 1080, true},        // of 480 lines
		{comb{21.38, 20.0}, 0, 1920, 640, 704, true}, // of 1440 samples, told in a part
		{comb{21.38, 20.0}, 0, 1920, 0, 1920, false},
	} {
		if got := c.comb.lies(c.axis, c.length, c.from, c.to); got != c.want {
			t.Errorf("%v along %g: %v", c.comb, c.length, got)
		}
	}
}

// The grids that coders make in 1080 lines are among those that are tried.
func TestGridsOfRasters(t *testing.T) {
	all := gridsOfRasters(1920, 1080)
	for _, want := range []grid{{{pitch: 8}, {pitch: 8}}, {{pitch: 12}, {pitch: 12}}, {{pitch: 32.0 / 3}, {pitch: 8}}, {{pitch: 64.0 / 3}, {pitch: 18}}} {
		found := false
		for _, g := range all {
			found = found || g.same(want)
			if g[0].pitch < leastPitch || g[1].pitch > mostPitch {
				t.Errorf("%v is not looked for", g)
			}
		}
		if !found {
			t.Errorf("%v is missing in %v", want, all)
		}
	}
}
