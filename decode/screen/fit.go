package screen

import (
	"math"

	"setwitness/decode/leastsquares"
)

// A sample is one profile across a side: where on the side it was taken and
// which edges it shows.
type sample struct {
	side  int     // 0 top, 1 right, 2 bottom, 3 left
	along float64 // 0 at the side's first corner, 1 at its second
	// edges in pixels of a lens without distortion, inwards from the side.
	edges []edge
}

// A border is what one frame shows of the screen's border near a view.
type border struct {
	samples []sample
	corners Quad // of the view, without distortion
	normals [4]Point
	// possible counts, for each side, the profiles that lie in the frame.
	possible [4]int
	// full is the contrast, for each side, at which a sample has full weight.
	full [4]float64
	// sure is the contrast from which on an edge is no noise.
	sure float64

	profile profile
	store   []edge
	outer   []float64
}

// Profiles are taken off the corners by this share of a side: there the other
// side's edge is in the way.
const cornerShare = 0.025

// read takes count profiles across each side of the view, reach steps long to
// either side.
func (b *border) read(f frame, v View, count, reach int, step float64) {
	b.stack([]frame{f}, []View{v}, count, reach, step, usual)
}

// stack does what read does on the mean of frames, each at its own view; the
// samples are those of the first.
func (b *border) stack(f []frame, v []View, count, reach int, step float64, how sharpness) {
	b.samples = b.samples[:0]
	b.store = b.store[:0]
	b.possible, b.full = [4]int{}, [4]float64{}
	b.also(f, v, count, reach, step, how)
}

// also adds the samples of more frames.
func (b *border) also(f []frame, v []View, count, reach int, step float64, how sharpness) {
	l := v[0].lens()
	straight := make([]Quad, len(v))
	for i := range v {
		straight[i] = v[i].straight()
	}
	b.corners = straight[0]
	b.sure = sureTimes * float64(how.least)
	for side := range 4 {
		from, to := b.corners[side], b.corners[(side+1)%4]
		dx, dy := to.X-from.X, to.Y-from.Y
		length := math.Hypot(dx, dy)
		if length < 1 {
			continue
		}
		// Corners go round clockwise with y downwards, so inwards is to the
		// right of the way.
		n := Point{-dy / length, dx / length}
		b.normals[side] = n
		for i := range count {
			s := cornerShare + (1-2*cornerShare)*(float64(i)+0.5)/float64(count)
			on := Point{from.X + s*dx, from.Y + s*dy}
			at := l.distort(on)
			b.profile.clear(reach)
			frames := 0
			for k := range f {
				p, q := straight[k][side], straight[k][(side+1)%4]
				there := l.distort(Point{p.X + s*(q.X-p.X), p.Y + s*(q.Y-p.Y)})
				if b.profile.add(f[k], there, n, reach, step, how) {
					frames++
				}
			}
			if frames == 0 {
				continue
			}
			b.profile.finish(frames * how.lines)
			b.possible[side]++
			start := len(b.store)
			b.store = b.profile.edges(b.store, step, how.least)
			edges := outermost(b.store[start:])
			b.store = b.store[:start+len(edges)]
			if len(edges) == 0 {
				continue
			}
			if l.k1 != 0 {
				for i, e := range edges {
					p := l.undistort(Point{at.X + e.at*n.X, at.Y + e.at*n.Y})
					edges[i].at = (p.X-on.X)*n.X + (p.Y-on.Y)*n.Y
				}
			}
			b.samples = append(b.samples, sample{side: side, along: s, edges: edges})
			for _, e := range edges {
				b.full[side] = max(b.full[side], fullShare*e.contrast)
			}
		}
		b.full[side] = min(b.full[side], fullContrast)
	}
}

// shift is how far each corner moves, without distortion: x0, y0, x1, y1 ...
type shift [8]float64

// at returns how far inwards the side moves at a sample.
func (d *shift) at(b *border, s *sample) float64 {
	n := b.normals[s.side]
	i, k := 2*s.side, 2*((s.side+1)%4)
	return (1-s.along)*(d[i]*n.X+d[i+1]*n.Y) + s.along*(d[k]*n.X+d[k+1]*n.Y)
}

// nearest returns the sample's edge nearest to a distance.
func (s *sample) nearest(to float64) (edge, float64) {
	best, off := edge{}, math.Inf(1)
	for _, e := range s.edges {
		if d := math.Abs(e.at - to); d < off {
			best, off = e, d
		}
	}
	return best, off
}

// loose is what is known of the shift before looking, as standard deviations
// in pixels at the corners: of the common displacement, turn and growth, and of
// each corner beside them.
type loose struct{ move, turn, grow, corner float64 }

// A fitted border says how well the samples follow the sides.
type fitted struct {
	seen     [4]float64 // share of the possible profiles that show the side
	contrast [4]float64 // mean, of those
	rms      float64    // px, of those
	used     int
}

// The rise in shade at which a sample has full weight: a tenth of
// white, or this share of the strongest of the side. Fainter ones count less:
// there dark content lies at the border, and what lies behind it draws the
// edge inwards.
const (
	fullContrast = 0.3
	fullShare    = 0.6
)

// weight is 0 to 1: how much an edge counts.
func (b *border) weight(side int, e edge) float64 {
	w := min(e.contrast/b.full[side], 1)
	return w * w
}

// inwards is how much nearer an edge inside of a side has to be than one
// outside to count as much: content has edges, the dark around it has none.
const inwards = 0.7

// sums are over the samples of a side, by their weights: of the products of the shares
// that the shifts of its first and its second corner have in that of each sample, and
// of these times where its edge is.
type sums struct {
	first, both, second float64
	atFirst, atSecond   float64
}

func (s *sums) add(along, at, w float64) {
	first, second := w*(1-along), w*along
	s.first += first * (1 - along)
	s.both += first * along
	s.second += second * along
	s.atFirst += first * at
	s.atSecond += second * at
}

// equations adds what the samples of a side ask of the shift to the normal equations.
func (b *border) equations(side int, s *sums, a *matrix, g *shift) {
	n := b.normals[side]
	normal := [2]float64{n.X, n.Y}
	i, k := 2*side, 2*((side+1)%4)
	for p, u := range normal {
		for q, v := range normal {
			a[i+p][i+q] += s.first * u * v
			a[i+p][k+q] += s.both * u * v
			a[k+p][i+q] += s.both * u * v
			a[k+p][k+q] += s.second * u * v
		}
		g[i+p] += s.atFirst * u
		g[k+p] += s.atSecond * u
	}
}

// fit finds the shift that the samples ask for, by least squares whose weights
// fall to nothing at a distance (Beaton and Tukey's biweight) that shrinks
// from wide to narrow, starting from a shift.
func (b *border) fit(d shift, l loose, wide, narrow float64) (shift, fitted) {
	prior := b.prior(l)
	start := d
	const rounds = 6
	for round := range rounds {
		cut := wide * math.Pow(narrow/wide, float64(round)/(rounds-1))
		a := prior
		var g shift
		// The prior pulls towards where the fit started.
		for i := range g {
			for j := range g {
				g[i] += prior[i][j] * start[j]
			}
		}
		var sides [4]sums
		for i := range b.samples {
			s := &b.samples[i]
			at := d.at(b, s)
			e, off := s.nearest(at)
			if e.at > at {
				off /= inwards
			}
			if off >= cut {
				continue
			}
			r := off / cut
			sides[s.side].add(s.along, e.at, (1-r*r)*(1-r*r)*b.weight(s.side, e)/(edgeNoise*edgeNoise))
		}
		for side := range sides {
			b.equations(side, &sides[side], &a, &g)
		}
		n, ok := leastsquares.Solve(func(i, k int) float64 { return a[i][k] }, g[:])
		if !ok {
			break
		}
		d = shift(n)
	}
	return d, b.judge(d, narrow)
}

// edgeNoise is the standard deviation of one located edge, px: the picture's
// content at the border moves it more than noise does.
const edgeNoise = 0.35

// faintShare is how much of a side's full contrast an edge needs to show it:
// fainter ones are noise beside it, unless they exceed by sureTimes what stands out
// of noise at all. A dark page may have a bright thing at a part of its side.
const faintShare, sureTimes = 0.2, 3

// judge tells how well a shift follows the samples.
func (b *border) judge(d shift, narrow float64) fitted {
	var f fitted
	var n [4]int
	var sum float64
	for i := range b.samples {
		s := &b.samples[i]
		e, off := s.nearest(d.at(b, s))
		if off >= narrow || e.contrast < min(faintShare*b.full[s.side], b.sure) {
			continue
		}
		n[s.side]++
		f.used++
		f.contrast[s.side] += e.contrast
		sum += off * off
	}
	for i := range n {
		if n[i] > 0 {
			f.seen[i] = float64(n[i]) / float64(b.possible[i])
			f.contrast[i] /= float64(n[i])
		}
	}
	if f.used > 0 {
		f.rms = math.Sqrt(sum / float64(f.used))
	}
	return f
}

type matrix [8][8]float64

// prior returns the information matrix of a shift that is the sum of common
// movements and of one of each corner: the inverse of B S² Bᵀ + corner² I for
// an orthonormal basis B of the movements and their deviations S.
func (b *border) prior(l loose) matrix {
	c := b.corners.centre()
	var basis [4]shift
	for i, p := range b.corners {
		x, y := p.X-c.X, p.Y-c.Y
		basis[0][2*i], basis[1][2*i+1] = 1, 1
		basis[2][2*i], basis[2][2*i+1] = -y, x
		basis[3][2*i], basis[3][2*i+1] = x, y
	}
	// The four are at right angles already: the corners are centred.
	var a matrix
	outer := 1 / (l.corner * l.corner)
	for i, s := range [4]float64{l.move, l.move, l.turn, l.grow} {
		inner := 1/(l.corner*l.corner+s*s) - outer
		var n float64
		for _, x := range basis[i] {
			n += x * x
		}
		if n == 0 {
			continue
		}
		for p, x := range basis[i] {
			for q, y := range basis[i] {
				a[p][q] += inner * x * y / n
			}
		}
	}
	for p := range a {
		a[p][p] += outer
	}
	return a
}

// vote finds, for each side alone, the straight line that most samples agree
// on, among all that the samples' reach allows: where the start is too rough
// for a fit. It returns the shift of corners that the lines' crossings make.
func (b *border) vote(reach, step float64) shift {
	var ends [4][2]float64
	n := int(math.Round(reach / step))
	for side := range 4 {
		best := 0.0
		for i := -n; i <= n; i++ {
			for k := -n; k <= n; k++ {
				from, to := float64(i)*step, float64(k)*step
				var score float64
				for m := range b.samples {
					s := &b.samples[m]
					if s.side != side {
						continue
					}
					e, off := s.nearest(from + (to-from)*s.along)
					if off < 2*step {
						score += (1 - off/(2*step)) * clearness(e)
					}
				}
				// Of equals, the one that turns the side least, and the
				// outer one.
				score -= 1e-3 * (math.Abs(from-to) + from + to) / step
				if score > best {
					best = score
					ends[side] = [2]float64{from, to}
				}
			}
		}
	}
	return b.crossings(ends)
}

// clearContrast is where an edge counts in full when places are compared: far
// above noise, so that strong content does not outweigh a faint border.
const clearContrast = 0.08

func clearness(e edge) float64 { return min(e.contrast/clearContrast, 1) }

// support is how many samples show an edge within a distance of a shift.
func (b *border) support(d shift, narrow float64) float64 {
	var g float64
	for i := range b.samples {
		s := &b.samples[i]
		if e, off := s.nearest(d.at(b, s)); off < narrow {
			g += (1 - off/narrow) * clearness(e)
		}
	}
	return g
}

// displaced finds the displacement, without turning, that most samples agree
// on: level from the upright sides, upright from the level ones.
func (b *border) displaced(reach, step float64) shift {
	n := int(reach / step)
	var move Point
	for axis := range 2 {
		best := 0.0
		for i := -n; i <= n; i++ {
			at := float64(i) * step
			score := -1e-3 * math.Abs(float64(i)) // of equals the nearest
			for m := range b.samples {
				s := &b.samples[m]
				if s.side%2 != axis {
					continue
				}
				// Inwards is down on top and up at the bottom.
				sign := 1.0
				if s.side == 1 || s.side == 2 {
					sign = -1
				}
				if e, off := s.nearest(sign * at); off < 2*step {
					score += (1 - off/(2*step)) * clearness(e)
				}
			}
			if score > best {
				best = score
				if axis == 0 {
					move.Y = at
				} else {
					move.X = at
				}
			}
		}
	}
	var d shift
	for i := range 4 {
		d[2*i], d[2*i+1] = move.X, move.Y
	}
	return d
}

// crossings turns movements of the sides, at their first and second corner,
// into movements of the corners.
func (b *border) crossings(ends [4][2]float64) shift {
	var d shift
	for i := range 4 {
		p, q := (i+3)%4, i // the sides that end and start at corner i
		c := crossing(b.moved(p, ends[p]), b.moved(q, ends[q]))
		d[2*i], d[2*i+1] = c.X-b.corners[i].X, c.Y-b.corners[i].Y
		if math.IsNaN(d[2*i]+d[2*i+1]) || math.IsInf(d[2*i]+d[2*i+1], 0) {
			return shift{}
		}
	}
	return d
}

func (b *border) moved(side int, ends [2]float64) [2]Point {
	n := b.normals[side]
	p, q := b.corners[side], b.corners[(side+1)%4]
	return [2]Point{
		{p.X + ends[0]*n.X, p.Y + ends[0]*n.Y},
		{q.X + ends[1]*n.X, q.Y + ends[1]*n.Y},
	}
}

// crossing returns where two lines meet; NaN or infinite for parallels.
func crossing(a, b [2]Point) Point {
	ax, ay := a[1].X-a[0].X, a[1].Y-a[0].Y
	bx, by := b[1].X-b[0].X, b[1].Y-b[0].Y
	t := ((b[0].X-a[0].X)*by - (b[0].Y-a[0].Y)*bx) / (ax*by - ay*bx)
	return Point{a[0].X + t*ax, a[0].Y + t*ay}
}

// shifted returns the view with its corners moved.
func (b *border) shifted(v View, d shift) View {
	l := v.lens()
	for i, p := range b.corners {
		v.Quad[i] = l.distort(Point{p.X + d[2*i], p.Y + d[2*i+1]})
	}
	return v
}
