package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
)

const (
	// referenceSpan is how many pictures before and after a picture may lend
	// the clean look that it is held against: things keep their shape that
	// long.
	referenceSpan = 6
	// At most so many clean looks on either side.
	referencesEachSide = 2
	// A thing may be this share of its step away from where its vector
	// expects it, or this many samples: it accelerates, and vectors of a
	// burst are poor.
	strayShare, straySamples = 0.6, 2
	// across the path it strays less.
	strayAcross = 2
	// A reference that explains less than this share of the look's energy
	// shows another thing, or the same turned. What is left may be much: the
	// background that the thing hides, the noise of both.
	leastExplained = 0.25
	// At another lag than the step chance has more ways: most of the look must
	// be explained.
	leastConverted = 0.5
	// The weights of a mixture add up to one; fractions of a sample take from
	// the sum, and fades give or take, as does what is behind the thing: a
	// white ball stands out less from a bright sky.
	leastSum, mostSum = 0.2, 1.4
	// A shifted thing must have this share of its energy to itself, beside the
	// other shifts: tiles that moved by their own size look the same, and any
	// weights would do.
	leastOwn = 0.2
	// An edge is three samples wide: so many samples of the weight make one
	// independent observation.
	samplesPerEdge = 3
	// Detail that is finer than this share of a copy's lag cannot tell the
	// copies apart better than their outlines do, and the background's shows
	// through them.
	smoothing = 4
	// A mixture's likeness to itself must differ by this much from the clean
	// thing's to tell them apart.
	leastTold = 0.1
	// At least this share of a window must be in the reference, too.
	leastShared = 0.5
)

// fit is a look explained as a sum of a clean look at the same thing, at its
// own place and at the lag of the copies behind and ahead of it.
type fit struct {
	behind, own, ahead float64 // weights, 0 or more, of sum 1
	err                float64 // standard error of a weight
	explained          float64 // share of the look's energy
	// keeps is by how much the look resembles itself at the lag, from 0, as
	// little as the clean one does, to 1, as much as a mixture of such
	// weights should; 0 where those are the same.
	keeps float64
	left  float64 // energy of the look over that of the clean one
	// profiles is set where those tell the weights.
	profiles bool
}

// copy is the larger of the two lesser weights that lie side by side: the
// strongest copy of the thing, wherever the thing itself was taken to be.
func (f fit) copy() float64 { return max(min(f.own, f.behind), min(f.own, f.ahead)) }

// plain reports whether a fit shows two of the thing, each three tenths of it or more, and the
// look resembles itself as they would, with next to no doubt. Limbs and shadows that part
// leave the fit some, or resemble themselves by less.
func (f fit) plain() bool {
	return f.copy() >= plainCopy && f.keeps >= plainKept && f.err <= plainError
}

// centred returns the weights with the thing itself where most of it is: a
// vector that is off by a step takes a copy for it.
func (f fit) centred() fit {
	switch {
	case f.own >= max(f.behind, f.ahead):
	case f.behind > f.ahead:
		f.behind, f.own, f.ahead = 0, f.behind, f.own
	default:
		f.behind, f.own, f.ahead = f.own, f.ahead, 0
	}
	return f
}

// sure is by how many standard errors there is more than the thing itself.
func (f fit) sure() float64 {
	return (1 - max(f.own, f.behind, f.ahead)) / (math.Sqrt2 * max(f.err, leastError))
}

// reference is a clean look at the same thing in another picture.
type reference struct {
	picture int
	look    *echo.Look
}

// fitter explains looks by clean ones. It keeps only scratch memory.
type fitter struct {
	search       cells.Search
	here, there  echo.Gradient
	x, y         []int32
	sums         []float32
	behind, ahed []float64
	own, errs    []float64
	kept         []float64
	profile      profile
	clean        []profile
	other        profile // one of the clean ones, and
	spread       profile // what a mixture would make of it
	beside       []float64
}

// against returns the median over the references of what each explains, and
// how many explain at least the given share. The thing's own fine detail says
// most; where the background's shows through it, only its coarse outline is
// told from that, and where neither is sure, its profile along the path.
func (s *state) against(t int, l *echo.Look, lag, explained float64, c *comparison) (fit, int) {
	one, fits := s.median(t, l, lag, explained, c, 1)
	if l.Whole {
		return one, fits
	}
	if fits < leastFits {
		if smooth := int(lag/smoothing) | 1; smooth > 1 {
			one, fits = s.median(t, l, lag, explained, c, smooth)
		}
	}
	if fits < leastFits || s.panned(t) || one.keeps < leastKept || one.sure() < lonely*significant {
		if along, n := s.byProfile(t, l, lag, c); n >= leastFits {
			return along, n
		}
	}
	return one, fits
}

// median returns the median over the references, whose detail and the look's
// are averaged over squares of so many samples.
func (s *state) median(t int, l *echo.Look, lag, explained float64, c *comparison, smooth int) (fit, int) {
	f := &s.fitter
	f.behind, f.ahed, f.own, f.errs, f.kept = f.behind[:0], f.ahed[:0], f.own[:0], f.errs[:0], f.kept[:0]
	// A mixture has less energy than what it is made of; the background's
	// texture, where it is averaged, adds to it.
	demands := c.textured || c.unseen && smooth == 1
	for _, r := range c.references {
		if one, ok := s.explain(t, l, lag, r, smooth); ok && one.explained >= explained && (!demands || one.left < faded) {
			f.behind, f.ahed = append(f.behind, one.behind), append(f.ahed, one.ahead)
			f.own, f.errs = append(f.own, one.own), append(f.errs, one.err)
			f.kept = append(f.kept, one.keeps)
		}
	}
	if len(f.own) == 0 {
		return fit{}, 0
	}
	return fit{behind: median(f.behind), own: median(f.own), ahead: median(f.ahed), err: median(f.errs), keeps: median(f.kept)}, len(f.own)
}

func median(v []float64) float64 {
	slices.Sort(v)
	return (v[len(v)/2] + v[(len(v)-1)/2]) / 2
}

// explain fits a look at picture t by least squares.
func (s *state) explain(t int, l *echo.Look, samples float64, ref reference, smooth int) (fit, bool) {
	f := &s.fitter
	r, o := &s.cells.At(t).Reduced, s.cells.At(ref.picture)
	m, om := s.motion.At(t), s.motion.At(ref.picture)
	if o == nil || om == nil || !om.HasBackground {
		return fit{}, false
	}
	win, ux, uy := path(l, r)
	lag := int(samples + 0.5)
	stray := int(strayShare*l.Steps() + straySamples)
	// What is at x here is at x-back there.
	k := float64(t - ref.picture)
	back := image.Pt(int(math.Round(k*l.DX/float64(r.StepX))), int(math.Round(k*l.DY/float64(r.StepY))))
	reach := float64(stray + lag)
	margin := image.Pt(int(math.Abs(ux)*reach)+strayAcross+2, int(math.Abs(uy)*reach)+strayAcross+2)

	// The part of the window that the reference covers with all shifts.
	plane := image.Rect(0, 0, r.W, r.H)
	inside := image.Rectangle{plane.Min.Add(margin), plane.Max.Sub(margin)}
	part := win.Intersect(inside.Add(back))
	if part.Empty() || float64(part.Dx()*part.Dy()) < leastShared*float64(win.Dx()*win.Dy()) {
		return fit{}, false
	}
	there := part.Sub(back)
	there.Min, there.Max = there.Min.Sub(margin), there.Max.Add(margin)
	if smooth > 1 {
		f.outline(&f.here, r, m, part, ux, uy, smooth)
		f.outline(&f.there, &o.Reduced, om, there, ux, uy, smooth)
	} else {
		f.here.Measure(r, m, part, l.Whole, ux, uy)
		f.there.Measure(&o.Reduced, om, there, l.Whole, ux, uy)
	}
	if f.here.Energy == 0 || f.there.Energy == 0 {
		return fit{}, false
	}
	side := image.Pt(0, 1)
	if math.Abs(uy) > math.Abs(ux) {
		side = image.Pt(1, 0)
	}
	at := func(along, across int) image.Point {
		return image.Pt(int(math.Round(float64(along)*ux)), int(math.Round(float64(along)*uy))).
			Add(side.Mul(across)).Add(margin)
	}
	best, ok := f.place(stray, lag, at)
	if !ok {
		return fit{}, false
	}
	one, ok := f.solve(at(best.X+lag, best.Y), at(best.X, best.Y), at(best.X-lag, best.Y), smooth)
	if ok {
		one.keeps = f.keeps(one, at(lag, 0).Sub(at(0, 0)), smooth > 1)
	}
	return one, ok
}

// place looks for the shift along and across the path at which the reference
// and its two copies explain most. Of two that explain the same, as a single
// copy and the thing itself do, it takes the one nearer to where the thing was
// expected.
func (f *fitter) place(stray, lag int, at func(along, across int) image.Point) (image.Point, bool) {
	n := 2*(stray+lag) + 1
	f.x, f.y = f.x[:0], f.y[:0]
	for c := -strayAcross; c <= strayAcross; c++ {
		for j := range n {
			p := at(j-stray-lag, c)
			f.x, f.y = append(f.x, int32(p.X)), append(f.y, int32(p.Y))
		}
	}
	f.sums = slices.Grow(f.sums[:0], len(f.x))[:len(f.x)]
	f.search.Cross(f.sums, f.here.Pix, f.here.W, f.here.H, f.there.Pix, f.there.W, f.x, f.y)
	var best image.Point
	most := 0.0
	for c := -strayAcross; c <= strayAcross; c++ {
		row := f.sums[(c+strayAcross)*n : (c+strayAcross+1)*n]
		for j := -stray; j <= stray; j++ {
			i := j + stray + lag
			sum := 0.0
			for _, v := range [3]float32{row[i-lag], row[i], row[i+lag]} {
				if v > 0 {
					sum += float64(v) * float64(v)
				}
			}
			sum *= 1 - 0.2*math.Abs(float64(j))/float64(stray+1)
			if sum > most {
				best, most = image.Pt(j, c), sum
			}
		}
	}
	return best, most > 0
}

// solve fits here by there at three places, and by fewer where a weight would
// be negative.
func (f *fitter) solve(behind, own, ahead image.Point, smooth int) (fit, bool) {
	var a [3][3]float64
	var b [3]float64
	w, h := f.here.W, f.here.H
	places := [3]image.Point{behind, own, ahead}
	at := func(p image.Point) []int16 { return f.there.Pix[p.Y*f.there.W+p.X:] }
	for i, p := range places {
		for k := i; k < len(places); k++ {
			a[i][k] = float64(f.search.Dot(at(p), f.there.W, at(places[k]), f.there.W, w, h))
		}
		b[i] = float64(f.search.Dot(at(p), f.there.W, f.here.Pix, w, w, h))
	}
	energy := float64(f.search.Dot(f.here.Pix, w, f.here.Pix, w, w, h))
	a[1][0], a[2][0], a[2][1] = a[0][1], a[0][2], a[1][2]
	x, variance, ok := positive(a, b)
	if !ok || a[1][1] == 0 {
		return fit{}, false
	}
	sum := x[0] + x[1] + x[2]
	explained := (x[0]*b[0] + x[1]*b[1] + x[2]*b[2]) / energy
	if sum < leastSum || sum > mostSum {
		return fit{}, false
	}
	independent := max(1, f.here.Weight/float64(max(samplesPerEdge, smooth*smooth)))
	left := (1 - explained) * energy / independent
	worst := max(variance[0], variance[2])
	return fit{behind: x[0] / sum, own: x[1] / sum, ahead: x[2] / sum, err: math.Sqrt(left*worst) / sum, explained: explained, left: energy / a[1][1]}, true
}

// keeps compares the look's own likeness at a lag with that of the clean one
// and with that of the mixture.
func (f *fitter) keeps(w fit, lag image.Point, texture bool) float64 {
	here := f.likeness(&f.here, lag)
	clean := f.likeness(&f.there, lag)
	if texture {
		// The background's texture is like itself at no lag.
		here /= max(w.explained, leastExplained)
	}
	mixed := w.mixed(clean)
	if mixed-clean < leastTold {
		return 0
	}
	return (here - clean) / (mixed - clean)
}

// mixed is how much a mixture of such weights resembles itself at the lag of its
// copies, where what is mixed does by clean.
func (f fit) mixed(clean float64) float64 {
	c0, c1, c2 := f.products()
	return (c1 + (c0+c2)*clean) / (c0 + 2*c1*clean)
}

// kept is the share that a mixture of such weights has of the energy of what is
// mixed, which resembles itself at the lag by clean.
func (f fit) kept(clean float64) float64 {
	c0, c1, _ := f.products()
	return c0 + 2*c1*clean
}

// products returns the weights' own products at no lag, at one and at two.
func (f fit) products() (c0, c1, c2 float64) {
	return f.behind*f.behind + f.own*f.own + f.ahead*f.ahead, f.own * (f.behind + f.ahead), f.behind * f.ahead
}

// likeness is the correlation of a gradient with itself at a lag.
func (f *fitter) likeness(g *echo.Gradient, lag image.Point) float64 {
	in := image.Rect(0, 0, g.W, g.H)
	both := in.Intersect(in.Sub(lag))
	energy := f.search.Dot(g.Pix, g.W, g.Pix, g.W, g.W, g.H)
	if energy == 0 || both.Empty() {
		return 0
	}
	at := func(p image.Point) []int16 { return g.Pix[p.Y*g.W+p.X:] }
	return float64(f.search.Dot(at(both.Min), g.W, at(both.Min.Add(lag)), g.W, both.Dx(), both.Dy())) / float64(energy)
}

// positive solves the normal equations for weights of 0 or more.
func positive(a [3][3]float64, b [3]float64) (x, inverse [3]float64, ok bool) {
	var use [3]bool
	for i := range use {
		use[i] = a[i][i] > 0
	}
	for range 3 {
		if x, inverse, ok = leastSquares(a, b, use); !ok {
			return x, inverse, false
		}
		worst := -1
		for i, v := range x {
			if v < 0 && (worst < 0 || v < x[worst]) {
				worst = i
			}
		}
		if worst < 0 {
			break
		}
		use[worst] = false
	}
	return x, inverse, ok
}

// leastSquares solves the normal equations for the unknowns in use and returns
// the diagonal of the inverse; the others are zero.
func leastSquares(a [3][3]float64, b [3]float64, use [3]bool) (x, inverse [3]float64, ok bool) {
	var list []int
	for i, u := range use {
		if u {
			list = append(list, i)
		}
	}
	n := len(list)
	var m [3][7]float64
	for i, p := range list {
		for j, q := range list {
			m[i][j] = a[p][q]
		}
		m[i][n] = b[p]
		m[i][n+1+i] = 1
	}
	for i := range n {
		pivot := m[i][i]
		if pivot <= leastOwn*a[list[i]][list[i]] {
			return x, inverse, false
		}
		for j := range m[i] {
			m[i][j] /= pivot
		}
		for k := range n {
			if k == i {
				continue
			}
			factor := m[k][i]
			for j := range m[k] {
				m[k][j] -= factor * m[i][j]
			}
		}
	}
	for i, p := range list {
		x[p], inverse[p] = m[i][n], m[i][n+1+i]
	}
	return x, inverse, n > 0
}
