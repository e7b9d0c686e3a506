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
