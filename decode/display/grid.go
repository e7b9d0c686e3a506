package display

import "setwitness/decode/picture"

// A close-up shows the panel's pixels, which stand still before whatever moves
// behind them and make it look like itself at every multiple of their pitch. What
// is finer than one of them is no picture of the set's.

// A gridless evens the panel's columns out of pictures.
type gridless struct {
	pitch float64   // of the panel's pixels, samples; 0 for none to even out
	sums  []float64 // of a row up to each sample
}

// even takes the mean over one pitch along each row. Rows stay as they are: a comb
// is as fine as two of them.
func (g *gridless) even(p *picture.Plane) {
	if g.pitch <= 1 {
		return
	}
	for y := range p.H {
		if p.Pix != nil {
			evenRow(g, p.Pix[y*p.Stride:][:p.W])
		} else {
			evenRow(g, p.Pix16[y*p.Stride:][:p.W])
		}
	}
}

func evenRow[T uint8 | uint16](g *gridless, row []T) {
	g.sums = append(g.sums[:0], 0)
	sum := 0.0
	for _, v := range row {
		sum += float64(v)
		g.sums = append(g.sums, sum)
	}
	// The window ends within samples.
	upTo := func(x float64) float64 {
		i := min(int(x), len(row)-1)
		return g.sums[i] + (x-float64(i))*(g.sums[i+1]-g.sums[i])
	}
	half := g.pitch / 2
	for i := range row {
		from, to := max(0, float64(i)+0.5-half), min(float64(len(row)), float64(i)+0.5+half)
		row[i] = T((upTo(to)-upTo(from))/(to-from) + 0.5)
	}
}
