package ghost

import (
	"image"
	"math"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// What things show by nature is no ghost: stripes of their own, a background that
// repeats, spokes that are alike at any lag, an even pace.

// ribs reports whether a thing is of stripes across its path, so that its step
// may be off by some of them and other stripes pass for its copies.
func ribs(l *echo.Look) bool {
	for lag := 2.0; lag <= l.Steps(); lag++ {
		if l.At(lag) < ribbed {
			return true
		}
	}
	return false
}

// ribbed reports whether the thing of a look has ribs. A mixture with copies as like
// it as p at a lag L resembles itself at k as the thing does at k, and p times as it
// does at L-k and at L+k: it is no rib what the clean looks explain so, where there
// are some.
func (c *comparison) ribbed(l *echo.Look) bool {
	if !ribs(l) || c.textured || len(c.references) < leastFits {
		return ribs(l)
	}
	p, lag := max(0, l.Main.R), l.Main.Lag
	for k := 2.0; k <= l.Steps(); k++ {
		if l.At(k) >= ribbed {
			continue
		}
		least := math.Inf(1)
		for _, r := range c.references {
			o := r.look
			least = min(least, o.At(k)+p*(o.At(math.Abs(lag-k))+o.At(lag+k)))
		}
		if l.At(k) < least-ribStrays {
			return true
		}
	}
	return false
}

// tiled reports whether the background behind a thing repeats itself at a lag, and
// plainly: what it hides and shows again is then a copy at that lag by itself.
func (f *fitter) tiled(background cells.Reduced, m *motion.Map, l *echo.Look, lag float64) bool {
	r := &background
	win, ux, uy := path(l, r)
	f.here.Measure(r, m, win.Intersect(image.Rect(0, 0, r.W, r.H)), true, ux, uy)
	like := f.likeness(&f.here, image.Pt(int(math.Round(lag*ux)), int(math.Round(lag*uy))))
	return like > tiledLike && like*f.here.Energy > tiledShare*l.Energy
}

// tiled reports so of picture t.
func (s *state) tiled(t int, l *echo.Look, lag float64) bool {
	m := s.motion.At(t)
	background := s.cells.At(t).Reduced
	background.Pix = m.Background
	return s.fitter.tiled(background, m, l, lag)
}

// alone reports whether a look shows the copies of a conversion of rates that
// others in the picture do not: a conversion mixes the whole of it, but spokes and
// bars are alike at some lag wherever they are.
func alone(looks []echo.Look, l *echo.Look, v verdict) bool {
	alike, clean := 0, 0
	for i := range looks {
		o := &looks[i]
		if o == l || o.Region.Overlaps(l.Region) || strays/math.Sqrt(o.Weight) > l.Main.R/2 {
			continue
		}
		lag := v.ratio * o.Steps()
		most := 0.0
		for d := -sampleTolerance; d <= sampleTolerance; d += sampleTolerance {
			most = max(most, o.At(lag*(1+stepTolerance*d)+d))
		}
		if most < cleanShare*l.Main.R {
			clean++
		} else {
			alike++
		}
	}
	return clean > 0 && 2*clean > alike
}

// even reports whether the thing of a look relates to itself in much the same way in
// all pictures around t: a conversion mixes them unequally, so that what it moves goes
// on by jerks.
func (s *state) even(t int, l *echo.Look, ratio float64) bool {
	var g swing
	for i := t - evenSpan; i <= t+evenSpan; i++ {
		if r := s.of(t, l, i); r.known {
			g.add(r.rho, r.lean)
		}
	}
	return g.n > evenSpan && g.rms() < evenShare*s.jerks[ratio]
}

// swing is by how much relations differ.
type swing struct{ n, rho, squares float64 }

func (g *swing) add(rho, lean float64) {
	g.n, g.rho, g.squares = g.n+1, g.rho+rho, g.squares+rho*rho+lean*lean
}

func (g *swing) rms() float64 { return math.Sqrt(max(0, g.squares/g.n-g.rho*g.rho/(g.n*g.n))) }

// jerks returns the least that the relations of conversions differ by over pictures
// as many as even looks at, by the ratio of the rates.
func jerks(list []rhythm, rate float64) map[float64]float64 {
	least := map[float64]float64{}
	for _, c := range list {
		for at := evenSpan; at < len(c.rho)-evenSpan; at++ {
			var g swing
			for k := at - evenSpan; k <= at+evenSpan; k++ {
				g.add(c.rho[k], c.lean[k])
			}
			if v, ok := least[rate/c.source]; !ok || g.rms() < v {
				least[rate/c.source] = g.rms()
			}
		}
	}
	return least
}

// contradicted reports whether a picture relates to those before and after as
// the clean ones do, where a mixture would not: a texture that slides along
// itself has the same copies at all times.
func (s *state) contradicted(t int, l *echo.Look, c *comparison, m fit) bool {
	own := s.of(t, l, t)
	if !own.known {
		return false
	}
	clean := s.baseline[:0]
	for _, r := range c.references {
		if o := s.of(t, l, r.picture); o.known {
			clean = append(clean, o.rho)
		}
	}
	s.baseline = clean
	if len(clean) < leastFits {
		return false
	}
	base := median(clean)
	like, single := alikeAt(base, detail)
	rise := math.Inf(1)
	// Alone, and among others like it.
	for reach := range 2 {
		p := predict(0, &like, func(k int) (int, [3]float64) {
			if k < -reach || k > reach {
				return k - 1, [3]float64{0, 1, 0}
			}
			return k - 1, [3]float64{m.behind, m.own, m.ahead}
		})
		rise = min(rise, p.rho-single)
	}
	return own.rho-base < leastRisen*rise
}
