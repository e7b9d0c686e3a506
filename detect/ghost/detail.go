package ghost

import (
	"image"
	"math"

	"setwitness/detect/cells"
	"setwitness/detect/trend"
)

// Mixtures of pictures have less detail than what they are made of: of weights w they lose
//
//	1/2 (1 - sum w w) D
//
// of the energy of their gradient, where D is what the gradients of two pictures differ by
// that are a step apart, in squares, which is the same for any two where edges go farther
// than they are wide. What goes too far, too early or too late for some pictures loses none.
const (
	// The logarithm of the energy strays by so much at least, as edges fall between
	// samples and pictures are coded by turns better and worse, and at most for it to say
	// anything: half of what halves lose where half of the cells are at rest.
	leastDetailStrays, mostDetailStrays = 0.03, 0.15
	// What is expected of a mixture is known to this share of it, as some of its edges are
	// wider than the step.
	expectedDetail = 0.2
	// No more than so many pictures of a burst are independent, which share their scene.
	mostToldBy = 3
	// Fades and dissolves lose more than mixtures do: no mixture has less than this share of the energy.
	leastDetailLeft = 0.2
	// What slows down for some pictures differs as three copies do, and what changes its pace
	// as the end of a burst does. That it loses no detail alone tells it from them: which has
	// to be as sure by itself as pairs are.
	leastToldAlone = pairsPrior
)

// detailTells returns by how much the detail of the pictures of a burst makes the logarithm of
// the odds grow that they are mixtures; false, and 0, where it cannot tell.
func (s *state) detailTells(p *pairs, of mixture) (odds float64, known bool) {
	from, to := p.first-p.before, p.first+p.n+p.after
	var beside, when, apart [2 * pairsBeside]float64
	var within [mostPaired]float64
	n, m := 0, 0
	for i := from; i < to; i++ {
		in := i >= p.first && i < p.first+p.n
		energy, differs := s.detailIn(i, p.where, !in && i != from && i != p.first+p.n)
		switch {
		case energy == 0:
			return 0, false
		case in:
			within[i-p.first] = math.Log(energy)
			continue
		}
		beside[n], when[n] = math.Log(energy), float64(i)
		if n++; differs > 0 {
			// Noise of neighbours adds twice as much as that of one sample.
			apart[m] = max(0, differs-2*p.noise)
			m++
		}
	}
	var fit trend.Fit
	usual := fit.Add(beside[:n], when[:n])
	strays := max(leastDetailStrays, p.straysOf(&fit))
	if strays > mostDetailStrays {
		return 0, false
	}
	expected := of.detailLeft(median(apart[:m]) / math.Exp(usual))
	off := func(v, strays float64) float64 { v = min(math.Abs(v/strays), mostPairOff); return v * v }
	for _, v := range within[:p.n] {
		v -= usual
		odds += off(v, strays) - off(v-expected, max(strays, expectedDetail*-expected))
	}
	return odds / float64(p.n) / 2 * float64(min(p.n, mostToldBy)), true
}

// keepsDetail reports whether the pictures of a burst surely keep the detail of a region, of
// raster pixels, which mixtures that differ by a whole step do not.
func (s *state) keepsDetail(first, n int, region image.Rectangle, of mixture) bool {
	c := s.cells.At(first)
	if c == nil || of.fields || n > mostPaired {
		return false
	}
	p := &s.pairs
	p.first, p.n, p.before, p.after = first, n, pairsBeside, pairsBeside
	if !s.moving(p, inCells(region).Intersect(image.Rect(0, 0, c.Cols, c.Rows))) {
		return false
	}
	told, _ := s.detailTells(p, of)
	return told < -leastToldAlone
}

// detailLeft is the logarithm of what mixtures keep of the energy of their gradient, where
// gradients a step apart differ by so many times as much.
func (m mixture) detailLeft(apart float64) float64 {
	kept := 1 - m.behind - m.ahead
	lost := (1 - m.behind*m.behind - kept*kept - m.ahead*m.ahead) / 2 * apart
	return math.Log(max(leastDetailLeft, 1-lost))
}

// detailIn is the mean square of what neighbours in a row differ by in some cells of a
// picture, and of what that differs by from the picture before, where that is asked for;
// 0 where there is no such picture.
func (s *state) detailIn(i int, where []int, apart bool) (energy, differs float64) {
	c, before := s.cells.At(i), s.cells.At(i-1)
	if c == nil || apart && before == nil {
		return 0, 0
	}
	r := &c.Reduced
	w, h := cells.Size/r.StepX, cells.Size/r.StepY
	n := 0
	var sum, sums int
	for _, k := range where {
		x0, y0 := k%c.Cols*w, k/c.Cols*h
		x1, y1 := min(x0+w, r.W-1), min(y0+h, r.H)
		for y := y0; y < y1; y++ {
			row := r.Row(y)[x0 : x1+1]
			n += len(row) - 1
			for x, v := range row[1:] {
				d := int(v) - int(row[x])
				sum += d * d
			}
			if !apart {
				continue
			}
			old := before.Reduced.Row(y)[x0 : x1+1]
			for x, v := range row[1:] {
				d := int(v) - int(row[x]) - int(old[x+1]) + int(old[x])
				sums += d * d
			}
		}
	}
	if n == 0 {
		return 0, 0
	}
	return float64(sum) / float64(n), float64(sums) / float64(n)
}
