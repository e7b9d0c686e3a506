package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/echo"
)

const (
	// The clean looks must themselves be alike: what one of them leaves of
	// another has to be less than this share of what one leaves of the look
	// that copies explain.
	strangers = 1.0 / 3
	// Copies explain this share of what the thing alone leaves, as nothing but
	// noise and texture should be left, ...
	leastByCopies = 0.6
	// ... and move what there is of the thing without adding to it or taking
	// from it, give or take what is behind it.
	leastMass, mostMass = 0.7, 1.4
	// A mixture's profile differs from the clean one by this share at least of
	// what its weights say.
	leastSpread = 0.3
	// A thing reaches across its path as far as this share of the most that
	// stands out there, and its path bends by so many samples in the pictures
	// that are compared.
	rim, strayBeside = 0.1, 8
)

// A profile is what stands out in a window, summed across the path: how much
// of the thing lies at each place along it. A ball that spins keeps its
// profile, and texture that it hides averages out.
type profile []float64

// strip is where profiles are taken: a window around a place, in reduced
// samples, within reach of the path's line on either side; ux, uy is the unit
// vector of the path.
type strip struct {
	win        image.Rectangle
	ux, uy     float64
	below, top float64 // samples beside the line
}

// stripOf returns that of a look at picture t: as wide as what stands out there.
func (s *state) stripOf(t int, l *echo.Look) strip {
	var p strip
	p.win, p.ux, p.uy = path(l, &s.cells.At(t).Reduced)
	half := int((math.Abs(p.uy)*float64(p.win.Dx())+math.Abs(p.ux)*float64(p.win.Dy()))/2) + 1
	beside := slices.Grow(s.fitter.beside[:0], 2*half+1)[:2*half+1]
	s.fitter.beside = beside
	clear(beside)
	s.standing(t, p, func(_, across, v float64) { beside[int(across+float64(half)+0.5)] += math.Abs(v) })
	most := 0
	for i, v := range beside {
		if v > beside[most] {
			most = i
		}
	}
	from, to := most, most
	for from > 0 && beside[from-1] > rim*beside[most] {
		from--
	}
	for to+1 < len(beside) && beside[to+1] > rim*beside[most] {
		to++
	}
	// The path bends.
	p.below, p.top = float64(from-half-strayBeside), float64(to-half+strayBeside)
	return p
}

// standing calls visit with the place, along the path and across it from the
// middle of a strip's window, of each sample of picture t that stands out, and
// with how far.
func (s *state) standing(t int, p strip, visit func(along, across, v float64)) {
	r, m := &s.cells.At(t).Reduced, s.motion.At(t)
	cx, cy := float64(p.win.Min.X+p.win.Max.X-1)/2, float64(p.win.Min.Y+p.win.Max.Y-1)/2
	in := p.win.Intersect(image.Rect(0, 0, r.W, r.H))
	for y := in.Min.Y; y < in.Max.Y; y++ {
		pix, behind, out := r.Pix[y*r.W:][:r.W], m.Background[y*r.W:][:r.W], m.StandsOut[y*r.W:][:r.W]
		dy := float64(y) - cy
		for x := in.Min.X; x < in.Max.X; x++ {
			if out[x] != 0 {
				dx := float64(x) - cx
				visit(dx*p.ux+dy*p.uy, dy*p.ux-dx*p.uy, float64(pix[x])-float64(behind[x]))
			}
		}
	}
}

// moved returns the strip so many pictures later along a look's path.
func (p strip) moved(l *echo.Look, pictures float64) strip {
	step := l.Steps() * pictures
	p.win = p.win.Add(image.Pt(int(math.Round(step*p.ux)), int(math.Round(step*p.uy))))
	return p
}

// project takes the profile of a strip of picture t.
func (s *state) project(dst profile, t int, p strip) profile {
	half := int((math.Abs(p.ux)*float64(p.win.Dx())+math.Abs(p.uy)*float64(p.win.Dy()))/2) + 1
	dst = slices.Grow(dst[:0], 2*half+1)[:2*half+1]
	clear(dst)
	s.standing(t, p, func(along, across, v float64) {
		if across >= p.below && across <= p.top {
			dst[int(along+float64(half)+0.5)] += v
		}
	})
	return dst
}

// at returns the profile at a place, interpolated; 0 beyond its ends.
func (p profile) at(x float64) float64 {
	i := int(math.Floor(x))
	if i < 0 || i+1 >= len(p) {
		return 0
	}
	f := x - float64(i)
	return p[i]*(1-f) + p[i+1]*f
}

func (p profile) energy() (e float64) {
	for _, v := range p {
		e += v * v
	}
	return e
}

func (p profile) mass() (m float64) {
	for _, v := range p {
		m += v
	}
	return m
}

// profileFit is a profile explained by a clean one.
type profileFit struct {
	fit
	mass float64 // of the look, over that of the clean one
	// alone is what the clean thing without copies leaves of the look's
	// energy, and copied what it leaves with them.
	alone, copied float64
}

// explain fits p by a clean profile and its copies at a lag, shifted against
// it by no more than stray; samples. Both have the same length.
func (p profile) explain(clean profile, lag float64, stray int) (best profileFit, ok bool) {
	energy := p.energy()
	if energy == 0 {
		return best, false
	}
	best.alone, best.copied = 1, 1
	for shift := -stray; shift <= stray; shift++ {
		var a [3][3]float64
		var b [3]float64
		for i, v := range p {
			x := float64(i - shift)
			c := [3]float64{clean.at(x + lag), clean.at(x), clean.at(x - lag)}
			for j := range c {
				for k := range j + 1 {
					a[j][k] += c[j] * c[k]
				}
				b[j] += c[j] * v
			}
		}
		a[0][1], a[0][2], a[1][2] = a[1][0], a[2][0], a[2][1]
		if a[1][1] == 0 {
			continue
		}
		best.alone = min(best.alone, 1-max(0, b[1])*b[1]/a[1][1]/energy)
		x, variance, solved := positive(a, b)
		mass := x[0] + x[1] + x[2]
		left := 1 - (x[0]*b[0]+x[1]*b[1]+x[2]*b[2])/energy
		if !solved || left >= best.copied {
			continue
		}
		ok = true
		independent := max(1, float64(len(p))/samplesPerEdge)
		best.copied, best.mass = left, mass
		best.fit = fit{
			behind: x[0] / mass, own: x[1] / mass, ahead: x[2] / mass, explained: 1 - left,
			err: math.Sqrt(left*energy/independent*max(variance[0], variance[2])) / mass,
		}
	}
	return best, ok
}

// apart is the share of a profile's energy that another leaves of it, shifted
// by no more than stray samples.
func (p profile) apart(other profile, stray int) float64 {
	energy, left := p.energy(), 1.0
	for shift := -stray; shift <= stray && energy > 0; shift++ {
		own, both := 0.0, 0.0
		for i := max(0, shift); i < min(len(p), len(p)+shift); i++ {
			v := other[i-shift]
			own, both = own+v*v, both+v*p[i]
		}
		if both > 0 {
			left = min(left, 1-both*both/own/energy)
		}
	}
	return left
}

// byProfile explains a look by the profiles of the clean ones, and returns how
// many of them do. Where those do not, or none is known, and the copies show,
// the pictures around count as clean in which the thing, where its path takes
// it, is as much as here but closer together.
func (s *state) byProfile(t int, l *echo.Look, lag float64, c *comparison) (fit, int) {
	f := &s.fitter
	here := s.stripOf(t, l)
	stray := int(strayShare*l.Steps() + straySamples)
	f.profile = s.project(f.profile, t, here)
	f.clean = f.clean[:0]
	for _, ref := range c.references {
		if s.shows(ref.picture) {
			f.clean = append(f.clean, s.project(nil, ref.picture, here.moved(l, float64(ref.picture-t))))
		}
	}
	if one, n := f.byClean(lag, stray); n >= leastFits || c.unseen {
		return one, n
	}
	f.clean = f.clean[:0]
	for _, side := range [2]int{-1, 1} {
		for k, n := 1, 0; k <= referenceSpan && n < referencesEachSide; k++ {
			if s.closer(t+side*k, here.moved(l, float64(side*k))) {
				n++
			}
		}
	}
	return f.byClean(lag, stray)
}

// byClean explains the profile in hand by the clean ones.
func (f *fitter) byClean(lag float64, stray int) (fit, int) {
	f.behind, f.ahed, f.own, f.errs, f.kept = f.behind[:0], f.ahed[:0], f.own[:0], f.errs[:0], f.kept[:0]
	for i, clean := range f.clean {
		one, ok := f.profile.explain(clean, lag, stray)
		byCopies := one.alone - one.copied
		if !ok || one.mass < leastMass || one.mass > mostMass || byCopies < leastByCopies*one.alone {
			continue
		}
		// What the nearest of the other clean ones leaves of this one.
		apart := 1.0
		for k, other := range f.clean {
			if k != i {
				apart = min(apart, clean.apart(other, stray))
			}
		}
		if apart > strangers*byCopies {
			continue
		}
		f.behind, f.ahed = append(f.behind, one.behind), append(f.ahed, one.ahead)
		f.own, f.errs = append(f.own, one.own), append(f.errs, one.err)
		f.kept = append(f.kept, byCopies/one.alone)
	}
	if len(f.own) == 0 {
		return fit{}, 0
	}
	return fit{behind: median(f.behind), own: median(f.own), ahead: median(f.ahed), err: median(f.errs), keeps: median(f.kept), profiles: true}, len(f.own)
}

// single reports whether the profile of a look stays that of the clean ones
// where the weights of a mixture would spread it: what turns or comes in over
// the rim may look like copies of its own detail.
func (s *state) single(t int, l *echo.Look, lag float64, c *comparison, w fit) bool {
	f := &s.fitter
	here := s.stripOf(t, l)
	stray := int(strayShare*l.Steps() + straySamples)
	f.profile = s.project(f.profile, t, here)
	n, alike := 0, 0
	for _, ref := range c.references {
		if !s.shows(ref.picture) {
			continue
		}
		f.other = s.project(f.other, ref.picture, here.moved(l, float64(ref.picture-t)))
		f.spread = f.spread[:0]
		for i := range f.other {
			x := float64(i)
			f.spread = append(f.spread, w.behind*f.other.at(x+lag)+w.own*f.other[i]+w.ahead*f.other.at(x-lag))
		}
		n++
		if f.profile.apart(f.other, stray) < leastSpread*f.spread.apart(f.other, stray) {
			alike++
		}
	}
	return alike >= leastFits && 2*alike > n
}

// shows reports whether a picture can lend a profile.
func (s *state) shows(i int) bool {
	m := s.motion.At(i)
	return m != nil && m.HasBackground && s.cells.At(i) != nil
}

// closer takes the profile of a strip of picture i as a clean one, where it has
// as much as the one in hand, and less spread.
func (s *state) closer(i int, there strip) bool {
	f := &s.fitter
	if !s.shows(i) {
		return false
	}
	r := &s.cells.At(i).Reduced
	if !there.win.In(image.Rect(0, 0, r.W, r.H)) {
		return false
	}
	p := s.project(nil, i, there)
	mass := p.mass() / f.profile.mass()
	if mass < leastMass || mass > mostMass || f.profile.energy() > faded*p.energy() {
		return false
	}
	f.clean = append(f.clean, p)
	return true
}
