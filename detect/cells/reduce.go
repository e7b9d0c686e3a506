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
	rows := func(from, to, first int, w []uint32) {
		s.kernel.reduceRows(r.Pix[from*r.W:to*r.W], to-from, p, first, w, r.StepX, r.StepY, scale)
	}
	up := 0
	switch n := len(weight); {
	case from >= to:
		return
	case parity == picture.Top && (to-1)*r.StepY+n > p.H:
		// The last row has no line below it to lean on: its own twice.
		to--
		rows(to, to+1, to*r.StepY, s.edge(weight[:n-1], n-2, weight[n-1]))
	case parity == picture.Bottom:
		if up = 1; from == 0 {
			rows(0, 1, 0, s.edge(weight[1:], 0, weight[0]))
			from++
		}
	}
	rows(from, to, from*r.StepY-up, weight)
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
