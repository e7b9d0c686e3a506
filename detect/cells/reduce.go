package cells

import "setwitness/decode/picture"

// reduce fills rows from to to-1 of r from the luma plane of a picture of the
// given parity.
func (s *Store) reduce(r *Reduced, p *picture.Plane, parity picture.Parity, from, to int) {
	weight := s.weights(r.StepY, parity)
	total := uint32(0)
	for _, k := range weight {
		total += k
	}
	scale := uint32(Unit8) << 16 / (total * uint32(r.StepX) << (p.Depth - 8))
	for y := from; y < to; y++ {
		first := y * r.StepY
		w := weight
		switch {
		case parity == picture.Top && first+len(w) > p.H:
			// The last row has no line below it to lean on: its own twice.
			w = s.edge(weight[:len(weight)-1], len(weight)-2, weight[len(weight)-1])
		case parity == picture.Bottom && first == 0:
			w = s.edge(weight[1:], 0, weight[0])
		case parity == picture.Bottom:
			first--
		}
		s.kernel.reduceRow(r.Row(y), p, first, w, r.StepX, scale)
	}
}

// weights returns the weights of the rows that make one reduced row, in
// quarters for fields. A top field's line 2k lies a quarter of a field line
// above the middle of its line pair, a bottom field's 2k+1 as far below it, so
// the top leans on the line below and the bottom on the line above.
func (s *Store) weights(step int, parity picture.Parity) []uint32 {
	w := s.weight[:0]
	switch parity {
	case picture.Frame:
		for range step {
			w = append(w, 1)
		}
	case picture.Top:
		w = append(w, 3)
		for range step - 1 {
			w = append(w, 4)
		}
		w = append(w, 1)
	case picture.Bottom:
		w = append(w, 1)
		for range step - 1 {
			w = append(w, 4)
		}
		w = append(w, 3)
	}
	s.weight = w
	return w
}

// edge returns w with more added to entry i, in memory of its own.
func (s *Store) edge(w []uint32, i int, more uint32) []uint32 {
	s.edgeWeight = append(s.edgeWeight[:0], w...)
	s.edgeWeight[i] += more
	return s.edgeWeight
}
