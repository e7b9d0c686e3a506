package ghost

import "image"

// Of a burst that lasts for longer than what is compared, one end is seen at a time: of halves
// the one at which the step is half of the usual, where those of a picture and the last
// begin, and where those of a picture and the next one end. What changes its pace there
// differs by the same; so the detail has to tell by itself. The ends of copies are too like
// those of a second exposure.

// pairedEnd returns the surest burst of which an end is at a picture, as far as it is
// compared.
func (s *state) pairedEnd(at int) (best pairedBurst) {
	c := s.cells.At(at)
	if c == nil || s.cutBeside(at-mostPaired, 2*mostPaired) {
		return best
	}
	for _, part := range pairedIn {
		if !s.stepsEnd(at, part) {
			continue
		}
		r := partCells(part, c)
		for _, of := range pairedMixtures {
			if of.copies() {
				continue
			}
			p := &s.pairs
			p.n, p.part = mostPaired, part
			if p.first, p.before, p.after = at, 2*pairsBeside, 0; of.ahead > 0 {
				p.first, p.before, p.after = at-mostPaired, 0, 2*pairsBeside
			}
			if s.moving(p, r) && p.learn(s.total) {
				best.add(p.first, p.n, of, r, s.pairedOdds(of, true))
			}
		}
	}
	return best
}

// stepsEnd reports whether the step before a picture is that of an end between those on
// either side, which are even.
func (s *state) stepsEnd(at int, part image.Rectangle) bool {
	var list [2 * pairsBeside]float64
	step := s.stepIn(at, part)
	if step == 0 {
		return false
	}
	for k := range pairsBeside {
		list[k], list[pairsBeside+k] = s.stepIn(at-pairsBeside+k, part), s.stepIn(at+1+k, part)
		if list[k] == 0 || list[pairsBeside+k] == 0 {
			return false
		}
	}
	before, after := list[:pairsBeside], list[pairsBeside:]
	return even(before) && even(after) && step <= pairsDip*min(median(before), median(after))
}
