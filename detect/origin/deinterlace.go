package origin

import (
	"setwitness/decode/picture"
)

// fieldStill is by how many codes the lines of the fields before and after may differ where
// nothing moves: noise and codecs leave less in means of several pixels.
const fieldStill = 2.5

// Deinterlaced is the frame that a good de-interlacer makes of a field, as small as Small
// makes it: the lines between are those of the fields before and after where nothing moves
// from one of these to the other, and else the means of those above and below. before and
// after are of the other parity; without them the field is reduced as it is.
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
	for y := range r.H * step {
		out := r.Pix[y/step*w:][:w]
		if y%2 == first {
			for x, v := range own[y/2*w:][:w] {
				out[x] += v
			}
			continue
		}
		a, b := earlier[y/2*w:][:w], later[y/2*w:][:w]
		above, below := own[max(0, (y-1)/2)*w:][:w], own[min(lines-1, (y+1)/2)*w:][:w]
		for x, v := range a {
			d := max(v-b[x], b[x]-v)
			moves := min(max(d/fieldStill-1, 0), 1)
			out[x] += (1-moves)*(v+b[x])/2 + moves*(above[x]+below[x])/2
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
		at := y * p.Y.Stride
		if p.Y.Pix != nil {
			sum(row, p.Y.Pix[at:at+w*step], step)
		} else {
			sum(row, p.Y.Pix16[at:at+w*step], step)
		}
		for x := range row {
			row[x] *= scale
		}
	}
	return out
}
