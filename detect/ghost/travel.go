package ghost

import (
	"math"
	"slices"
)

// going is how what moves goes in one picture.
type going struct {
	asked bool
	seen  bool    // the picture is there
	moves bool    // some tiles have vectors
	step  float64 // reduced samples, the median of those tiles
	// known is the share of the tiles that change of which it is known where they go,
	// and changed that of all tiles that change.
	known, changed float64
}

// going returns that of picture i, and keeps it with what is known of the picture.
func (s *state) going(i int) going {
	at := s.successions.at(i)
	if at == &nothing {
		return s.measureGoing(i)
	}
	if !at.going.asked {
		at.going = s.measureGoing(i)
	}
	return at.going
}

func (s *state) measureGoing(i int) (g going) {
	g.asked = true
	m, c := s.motion.At(i), s.cells.At(i)
	if m == nil || c == nil {
		return g
	}
	g.seen = true
	var v []float64
	changed := 0
	for k := range m.Tiles {
		t := &m.Tiles[k]
		if t.Changed > 0 {
			changed++
		}
		if t.Moving {
			v = append(v, inReduced(t.DX, t.DY, &c.Reduced))
		}
	}
	g.changed = float64(changed) / float64(len(m.Tiles))
	if g.moves = len(v) > 0; g.moves {
		slices.Sort(v)
		g.step = v[(len(v)-1)/2]
		g.known = float64(len(v)) / float64(max(changed, len(v)))
	}
	return g
}

// travel is how what moves goes in some pictures.
type travel struct {
	step float64 // reduced samples; 0 where not known
	// stray is the standard deviation of its logarithm.
	stray float64
	// known and changed are medians of those of the pictures.
	known, changed float64
}

// goes measures how far the tiles that move go in the pictures from one to before
// another.
func (s *state) goes(from, to int) (g travel) {
	var steps, known, all []float64
	for i := from; i < to; i++ {
		o := s.going(i)
		if o.seen {
			all = append(all, o.changed)
		}
		if o.moves {
			steps, known = append(steps, o.step), append(known, o.known)
		}
	}
	if len(steps) == 0 || 2*len(steps) < to-from {
		return g
	}
	mean, squares := 0.0, 0.0
	for _, v := range steps {
		l := math.Log(max(v, 1))
		mean, squares = mean+l, squares+l*l
	}
	mean /= float64(len(steps))
	g.stray = math.Sqrt(max(0, squares/float64(len(steps))-mean*mean))
	g.step, g.known, g.changed = median(steps), median(known), median(all)
	return g
}

// crawls reports whether the picture pans anywhere from one to before another by less
// than an edge is wide, so that all that goes with it is on the way.
func (s *state) crawls(from, to int) bool {
	for i := from; i < to; i++ {
		m, c := s.motion.At(i), s.cells.At(i)
		if m != nil && c != nil && m.Pan.Found && inReduced(m.Pan.DX, m.Pan.DY, &c.Reduced) < edgeWidth {
			return true
		}
	}
	return false
}
