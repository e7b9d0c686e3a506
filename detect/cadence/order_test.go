package cadence

import (
	"context"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
	"setwitness/testdata/takes"
)

// Pairs in the wrong order are one finding that begins with the first of them.
func TestWrongOrder(t *testing.T) {
	for _, name := range []string{"cadence-swapped-ball", "cadence-swapped-pan"} {
		take, ok := takes.Named(1, name)
		if !ok {
			t.Fatalf("no take is called %s", name)
		}
		res, err := detect.Run(context.Background(), take.Source(), []*detect.Stage{cells.Stage, motion.Stage, Stage}, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		want := take.Truth[0]
		if len(res.Events) != 1 || res.Events[0].Start != want.First || res.Events[0].End != want.Last {
			t.Errorf("%s: found %+v, want pictures %d to %d", name, res.Events, want.First, want.Last)
		}
	}
}

// Vectors alone tell: what turns round goes as far back as on, what goes on has no
// turn, and two turns are a bounce unless the pace before and after says otherwise.
func TestGoesBack(t *testing.T) {
	of := func(steps ...float32) (times int) {
		s := &state{format: picture.Format{W: 64, H: 64}, notes: newNotes(false, 8)}
		s.notes.tileCols, s.notes.tileRows = 2, 1
		for i, x := range steps {
			s.notes.newest = i
			tile := motion.Tile{Moving: x != 0, DX: x, DY: x / 10}
			s.notes.ring[i%len(s.notes.ring)] = note{index: i, tiles: []motion.Tile{tile, tile}}
			if i > 1 {
				s.order(s.notes.at(i - 2))
			}
		}
		s.markOrder()
		return len(s.left)
	}
	for _, c := range []struct {
		name  string
		steps []float32
		want  int // marks
	}{
		{"steady", []float32{7, 7, 7, 7, 7, 7, 7, 7, 7}, 0},
		{"pairs", []float32{7, 7, 14, -7, 21, -7, 21, -7, 14, 7, 7}, 6},
		{"two pairs", []float32{7, 7, 14, -7, 21, -7, 14, 7, 7}, 4},
		{"one pair", []float32{7, 7, 14, -7, 14, 7, 7}, 2},
		{"one pair of a thing that speeds up", []float32{6, 7, 15, -8, 17, 9, 10}, 2},
		{"turns twice", []float32{7, 7, 14, -7, 14, 14, 14}, 0},
		{"jerks", []float32{0, 0, 14, -7, 14, 0, 0}, 0},
		{"begins with a pair", []float32{14, -7, 14, 7, 7}, 0},
		{"to and fro", []float32{9, -9, 9, -9, 9, -9, 9, -9}, 0},
		{"each picture twice", []float32{9, 0, 9, 0, 9, 0, 9}, 0},
		{"too slow to tell", []float32{1, 1, 2, -1, 3, -1, 3, -1, 3, -1, 2}, 0},
	} {
		if got := of(c.steps...); got != c.want {
			t.Errorf("%s: %d marks, want %d", c.name, got, c.want)
		}
	}
}
