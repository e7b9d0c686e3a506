package align

import (
	"math"
)

// displaced is by how much a source lies beside where it was laid: right and down in
// places of a view, in the middle and more for each width and height from it.
type displaced [4]float64

// products are sums over the places of two views, take and source, of what is left of
// the take (r), how that changes where the source is displaced (g), and how the source
// changes from picture to picture (d).
type products struct {
	rr, rd, dd float64
	rg, gd     displaced
	gg         [4][4]float64
	places     float64 // how many count
	known      bool
}

// left is what is left of the take where the source is displaced.
func (p *products) left(by *displaced) float64 {
	v := p.rr
	for k, c := range by {
		v -= 2 * c * p.rg[k]
		for l, d := range by {
			v += c * d * p.gg[k][l]
		}
	}
	return v
}

// along is how far what is left lies in the direction of the source's time.
func (p *products) along(by *displaced) float64 {
	if p.dd <= 0 {
		return 0
	}
	v := p.rd
	for k, c := range by {
		v -= c * p.gd[k]
	}
	return v / math.Sqrt(p.dd)
}

// sum takes the products of a picture of the take with picture j of the source.
func (p *products) sum(own *plane, l *laidViews, j int, counts []uint8, rows *[viewRows]bool) {
	now := l.at(j)
	if now == nil {
		return
	}
	before, after, each := l.changes(j)
	p.known = true
	const first = (viewMargin + viewStep - 1) / viewStep * viewStep
	for y := first; y < viewRows-viewMargin; y += viewStep {
		if !rows[y] {
			continue
		}
		counts := counts[y/viewStep*(viewCols/viewStep):][:viewCols/viewStep]
		var places, rr, rd, dd, rx, ry, ru, dx, dy, du, xx, xy, yy, ux, uy, uu float32
		at := y * viewCols
		for x := first; x < viewCols-viewMargin; x += viewStep {
			w := float32(counts[x/viewStep]) / 255
			if w == 0 {
				continue
			}
			i := at + x
			places += w
			r, d := own[i]-now[i], (after[i]-before[i])*each
			gx, gy := (now[i-1]-now[i+1])/2, (now[i-viewCols]-now[i+viewCols])/2
			gu := (float32(x) - viewCols/2) * gx / viewCols
			wr, wd, wx, wu := w*r, w*d, w*gx, w*gu
			rr, rd, dd = rr+wr*r, rd+wr*d, dd+wd*d
			rx, ry, ru = rx+wr*gx, ry+wr*gy, ru+wr*gu
			dx, dy, du = dx+wd*gx, dy+wd*gy, du+wd*gu
			xx, xy, yy = xx+wx*gx, xy+wx*gy, yy+w*gy*gy
			ux, uy, uu = ux+wu*gx, uy+wu*gy, uu+wu*gu
		}
		v := (float64(y) - viewRows/2) / viewRows
		p.places += float64(places)
		p.rr, p.rd, p.dd = p.rr+float64(rr), p.rd+float64(rd), p.dd+float64(dd)
		for k, s := range [4]float32{rx, ry, ru, ry} {
			p.rg[k] += factor(k, v) * float64(s)
		}
		for k, s := range [4]float32{dx, dy, du, dy} {
			p.gd[k] += factor(k, v) * float64(s)
		}
		for k, row := range [4][4]float32{{xx, xy, ux, xy}, {xy, yy, uy, yy}, {ux, uy, uu, uy}, {xy, yy, uy, yy}} {
			for l, s := range row {
				p.gg[k][l] += factor(k, v) * factor(l, v) * float64(s)
			}
		}
	}
}

// factor is that of a row, which lies so far from the middle, for a part of a displacement.
func factor(part int, v float64) float64 {
	if part == 3 {
		return v
	}
	return 1
}

func (d *displaced) less(than *displaced) (out displaced) {
	for k := range d {
		out[k] = d[k] - than[k]
	}
	return out
}

// most is by how much a displacement moves a place at most.
func (d *displaced) most() float64 {
	return max(math.Abs(d[0])+math.Abs(d[2])/2, math.Abs(d[1])+math.Abs(d[3])/2)
}

// displaced is the fit with the source displaced.
func (f Fit) displaced(d *displaced) Fit {
	// What is at x comes to x + (d0 + d2 (x - 1/2)) / viewCols.
	a, b := 1+d[2]/viewCols, 1+d[3]/viewRows
	return Fit{
		f.ScaleX * a, f.OffsetX*a + (d[0]-d[2]/2)/viewCols,
		f.ScaleY * b, f.OffsetY*b + (d[1]-d[3]/2)/viewRows,
	}
}
