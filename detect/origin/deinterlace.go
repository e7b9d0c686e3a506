package origin

import (
	"setwitness/decode/picture"
)

const (
	// fieldStill is by how many codes the lines of the fields before and after may differ
	// where nothing moves: noise and codecs leave less in means of several pixels.
	fieldStill = 2.5
	// ofOneInstant is how much less two fields of one instant comb, in squares, than two that
	// follow each other where something moves: of three instants a step apart, none does.
	ofOneInstant = 3
)

// Deinterlaced is the frame that a good de-interlacer makes of a field, as small as Small
// makes it: the lines between are those of the fields before and after where nothing moves
// from one of these to the other; else those of one that is of the same instant, as of
// film; and if neither is, the means of those above and below. before and after are of the
// other parity; without them the field is reduced as it is.
func Deinterlaced(before, p, after *picture.Picture, columns int) *Reduced {
	if before == nil || after == nil || p.Parity == picture.Frame || before.Parity != after.Parity || before.Parity == p.Parity {
		return Small(p, columns)
	}
	step := max(1, p.Y.W/columns)
	own, earlier, later := narrow(p, step), narrow(before, step), narrow(after, step)
	w, lines := p.Y.W/step, min(p.Y.H, before.Y.H)
	r := &Reduced{Step: step, Rows: step, W: w, H: 2 * lines / step, Pix: make([]float32, w*(2*lines/step))}
	first := 0 // line of the frame that the field begins with
	if p.Parity == picture.Bottom {
		first = 1
	}
	// between goes through the samples of the lines that the field lacks: those of both
	// others there, the mean of those above and below, and how far something moves, 0 to 1.
	between := func(do func(x, y int, a, b, mean, moves float32)) {
		for y := 1 - first; y < r.H*step; y += 2 {
			a, b := earlier[y/2*w:][:w], later[y/2*w:][:w]
			above, below := own[max(0, (y-1)/2)*w:][:w], own[min(lines-1, (y+1)/2)*w:][:w]
			for x, v := range a {
				d := max(v-b[x], b[x]-v)
				do(x, y, v, b[x], (above[x]+below[x])/2, min(max(d/fieldStill-1, 0), 1))
			}
		}
	}
	var combs [2]float32 // with the field before and the one after
	between(func(_, _ int, a, b, mean, moves float32) {
		combs[0] += moves * (a - mean) * (a - mean)
		combs[1] += moves * (b - mean) * (b - mean)
	})
	between(func(x, y int, a, b, mean, moves float32) {
		switch {
		case ofOneInstant*combs[0] < combs[1]:
			mean = a
		case ofOneInstant*combs[1] < combs[0]:
			mean = b
		}
		r.Pix[y/step*w+x] += (1-moves)*(a+b)/2 + moves*mean
	})
	for y := first; y < r.H*step; y += 2 {
		out := r.Pix[y/step*w:][:w]
		for x, v := range own[y/2*w:][:w] {
			out[x] += v
		}
	}
	for i := range r.Pix {
		r.Pix[i] /= float32(step)
	}
	return r
}

// narrow is the lines of a picture, reduced to means of so many samples, in 8-bit codes.
func narrow(p *picture.Picture, step int) []float32 {
	w := p.Y.W / step
	out := make([]float32, w*p.Y.H)
	scale := 1 / float32(step*int(1)<<(p.Y.Depth-8))
	for y := range p.Y.H {
		row := out[y*w:][:w]
		addLine(row, &p.Y, y, step)
		for x := range row {
			row[x] *= scale
		}
	}
	return out
}
