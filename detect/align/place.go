package align

import (
	"math"

	"setwitness/detect/signature"
)

// pairing is a picture of the take and the one of the source that it shows.
type pairing struct{ take, source int }

const (
	// What differs smoothly over the picture (response, fall-off to the corners,
	// light in the room) is taken off with the mean of so many blocks to either
	// side.
	smoothReach = 2
	// Detail of less than so many codes is mostly what coding leaves.
	roughCodes = 1.
	// Scales and centres are known well enough, in shares of the picture, when a
	// step of the search moves them by less, and one step moves them by no more
	// than a block.
	placedShare, mostShare = 2e-4, 1. / signature.Cols
	placeSteps             = 10
	// Slopes are taken over such a share.
	probe = 2e-3
	// A block that is off by more than so many times what is usual counts less:
	// a caption or a reflection that only one of both has.
	usualTimes = 2.
	// Steps are shortened by this, as what they start from is curved.
	damping = 1e-3
)

// parameters of a fit: scale and centre across, scale and centre down.
const parameters = 4

// moved is a fit with one parameter changed by a share.
func (f Fit) moved(parameter int, by float64) Fit {
	switch parameter {
	case 0:
		f.OffsetX -= f.ScaleX * by / 2
		f.ScaleX *= 1 + by
	case 1:
		f.OffsetX += by
	case 2:
		f.OffsetY -= f.ScaleY * by / 2
		f.ScaleY *= 1 + by
	case 3:
		f.OffsetY += by
	}
	return f
}

type grid [signature.Blocks]float32

// place moves a fit so that pictures of the source lie on the take's as well as
// they can, by all that can be seen in both, whether it moves or not
// (Gauss-Newton). It returns the coefficient of correlation of what is not smooth.
func place(take, source *signature.Sequence, pairs []pairing, f Fit) (Fit, float64) {
	usual, gain, r := 0.0, 1.0, 0.0 // usual is a square, not known at first
	for range placeSteps {
		layers := [parameters + 1]*layer{f.layer()}
		for k := range parameters {
			layers[k+1] = f.moved(k, probe).layer()
		}
		var n normal
		var xx, yy, xy, count float64
		for _, p := range pairs {
			var laid [parameters + 1]grid
			for k, l := range layers {
				l.lay((*[signature.Blocks]float32)(&laid[k]), source.At(p.source))
			}
			var own grid
			var known [signature.Blocks]bool
			for b, v := range take.At(p.take) {
				own[b], known[b] = float32(v)/signature.Unit8, v != signature.Unknown
				for k := range laid {
					known[b] = known[b] && laid[k][b] >= 0
					laid[k][b] /= signature.Unit8
				}
			}
			own.roughen(&known)
			for k := range laid {
				laid[k].roughen(&known)
			}
			for b, ok := range known {
				if !ok {
					continue
				}
				v, w := float64(own[b]), float64(laid[0][b])
				xx, yy, xy, count = xx+v*v, yy+w*w, xy+v*w, count+1
				row := [parameters + 1]float64{w}
				for k := range parameters {
					row[k+1] = (float64(laid[k+1][b]) - w) / probe
				}
				weight := 1.0
				if usual > 0 {
					e := v - gain*w
					weight = 1 / (1 + e*e/(usualTimes*usualTimes*usual))
				}
				n.add(&row, v, weight)
			}
		}
		if xx == 0 || yy == 0 {
			return f, 0
		}
		r = xy / math.Sqrt(xx*yy)
		c, ok := n.solve()
		if !ok || c[0] <= 0 {
			return f, r
		}
		gain, usual = c[0], max(xx-xy*xy/yy, 0)/count
		largest := 0.0
		for k := range parameters {
			d := min(max(c[k+1]/c[0], -mostShare), mostShare)
			largest = max(largest, math.Abs(d))
			f = f.moved(k, d)
		}
		if largest < placedShare {
			break
		}
	}
	return f, r
}

// about sums a grid, and counts the blocks that are known, in the neighbourhood of
// each block.
func (g *grid) about(known *[signature.Blocks]bool) (sums, counts grid) {
	var rows, in grid
	for y := range signature.Rows {
		at := y * signature.Cols
		for x := range signature.Cols {
			for k := max(x-smoothReach, 0); k <= min(x+smoothReach, signature.Cols-1); k++ {
				if known[at+k] {
					rows[at+x] += g[at+k]
					in[at+x]++
				}
			}
		}
	}
	for y := range signature.Rows {
		for x := range signature.Cols {
			b := y*signature.Cols + x
			for k := max(y-smoothReach, 0); k <= min(y+smoothReach, signature.Rows-1); k++ {
				sums[b] += rows[k*signature.Cols+x]
				counts[b] += in[k*signature.Cols+x]
			}
		}
	}
	return sums, counts
}

// roughen takes off what is smooth, and evens out what is left: light that falls
// off, and a response that is steeper in the dark, change both.
func (g *grid) roughen(known *[signature.Blocks]bool) {
	sums, counts := g.about(known)
	var squares grid
	for b, ok := range known {
		if ok {
			g[b] -= sums[b] / counts[b]
			squares[b] = g[b] * g[b]
		}
	}
	sums, _ = squares.about(known)
	for b, ok := range known {
		if ok {
			g[b] /= float32(math.Sqrt(float64(sums[b]/counts[b]) + roughCodes*roughCodes))
		}
	}
}

// normal are the normal equations of a fit of least squares.
type normal struct {
	a [parameters + 1][parameters + 1]float64
	b [parameters + 1]float64
}

func (n *normal) add(row *[parameters + 1]float64, v, weight float64) {
	for i, p := range row {
		for k := 0; k <= i; k++ {
			n.a[i][k] += weight * p * row[k]
		}
		n.b[i] += weight * p * v
	}
}

// solve eliminates (Cholesky); ok is false where the values do not tell.
func (n *normal) solve() (c [parameters + 1]float64, ok bool) {
	var l [parameters + 1][parameters + 1]float64
	for i := range l {
		for k := 0; k <= i; k++ {
			v := n.a[i][k]
			if i == k {
				v *= 1 + damping
			}
			for m := range k {
				v -= l[i][m] * l[k][m]
			}
			if i > k {
				l[i][k] = v / l[k][k]
				continue
			}
			if v <= 0 {
				return c, false
			}
			l[i][i] = math.Sqrt(v)
		}
	}
	for i := range c {
		v := n.b[i]
		for k := range i {
			v -= l[i][k] * c[k]
		}
		c[i] = v / l[i][i]
	}
	for i := len(c) - 1; i >= 0; i-- {
		v := c[i]
		for k := i + 1; k < len(c); k++ {
			v -= l[k][i] * c[k]
		}
		c[i] = v / l[i][i]
	}
	return c, true
}
