package cadence

import (
	"testing"

	"setwitness/detect/motion"
)

// A hand that trembles rests where it turns round; what is held for a picture goes on
// as before.
func TestTurns(t *testing.T) {
	const tiles = 100
	type step struct{ x, y float32 }
	for _, c := range []struct {
		name  string
		steps []step // of pictures one after the other; 0 is not told
		turns bool
	}{
		{"held", []step{{2, 0}, {2, 0.2}, {}, {2, 0.4}, {2, 0.5}}, false},
		{"bent", []step{{2, 0}, {2, 1}, {}, {1.4, 1.4}, {1, 2}}, false},
		{"back", []step{{2, 0}, {1, 0}, {}, {-1, 0}, {-2, 0}}, true},
		{"round", []step{{2, 0}, {1, 1}, {}, {-0.8, 1}, {-2, 0}}, true},
		{"held twice", []step{{2, 0}, {}, {}, {2, 0}, {2, 0}}, false},
		{"at an end", []step{{}, {}, {}, {2, 0}, {2, 0}}, false},
	} {
		n := newNotes(false, 8)
		n.newest = len(c.steps) - 1
		for i, s := range c.steps {
			k := n.at(i)
			k.index, k.tiles = i, make([]motion.Tile, tiles)
			for j := range k.tiles {
				k.tiles[j].DX, k.tiles[j].DY, k.tiles[j].Moving = s.x, s.y, s != step{}
			}
			if s != (step{}) {
				k.movers = tiles
			}
		}
		if got := n.turns(n.at(2), n.at(1), n.at(3)); got != c.turns {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// What swings is slower beside the picture in which it rests than farther off; what is
// held is as fast.
func TestRests(t *testing.T) {
	for _, c := range []struct {
		name  string
		sums  []float32 // of the change of pictures one after the other
		rests bool
	}{
		{"held", []float32{94, 92, 11, 95, 90}, false},
		{"held as it slows down", []float32{94, 68, 11, 50, 40}, false},
		{"swings", []float32{94, 68, 11, 45, 82}, true},
		{"at an end", []float32{0, 68, 11, 45, 82}, false},
	} {
		n := newNotes(false, 8)
		n.newest = len(c.sums) - 1
		for i, sum := range c.sums {
			k := n.at(i)
			k.index, k.sum, k.moved, k.active, k.diff = i, sum, sum, sum, []float32{sum}
		}
		if got := n.rests(n.at(2), n.at(1), n.at(3)); got != c.rests {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
