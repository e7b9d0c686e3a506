package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/echo"
)

// comparison is what the same thing shows in the pictures around.
type comparison struct {
	clean     int     // looks without a peak of their own
	alike     int     // looks with one at the same ratio to their step
	baseline  float64 // what the clean ones show at this very lag
	usually   bool    // most are alike and next to none clean: of these nothing can be told
	keepsStep bool    // the step changes among the alike, and their lags with it
	usual     float64 // their median energy; 0 where they are few
	// references are the nearest clean ones on either side.
	references []reference
	textured   bool // the references are known by their energy alone
	unseen     bool // the look has no peak of its own
}

// compare looks for the same thing in the pictures around.
func (s *state) compare(t int, l *echo.Look) comparison {
	p := l.Main
	c := comparison{}
	s.peers, s.baseline, s.energy = s.peers[:0], s.baseline[:0], s.energy[:0]
	for i := t - span; i <= t+span; i++ {
		if o := s.same(t, l, i); i != t && o != nil {
			s.peers = append(s.peers, reference{i, o})
			s.energy = append(s.energy, o.Energy)
		}
	}
	if len(s.energy) >= leastLooks {
		c.usual = median(s.energy)
	}
	height, ratio := min(p.R, p.Prominence), p.Lag/l.Steps()
	follows := follower{}
	follows.add(l)
	for _, r := range s.peers {
		o := r.look
		own := min(o.Main.R, o.Main.Prominence)
		switch {
		case !s.inside(o, ratio):
			// What goes along with it may be beyond the picture's edge.
		case own < max(cleanShare*height, s.floor/2):
			c.clean++
			s.baseline = append(s.baseline, o.At(p.Lag))
			if o.Energy >= faded*c.usual {
				c.refer(t, r)
			}
		case math.Abs(o.Main.Lag/o.Steps()/ratio-1) < ratioTolerance:
			c.alike++
			follows.add(o)
		}
	}
	c.keepsStep = follows.step()
	// Where texture hides whether a look is clean, energy tells: what is mixed
	// of others has less than they.
	c.usually = c.common(len(s.peers))
	if len(c.references) < leastFits && !c.usually {
		s.peers = slices.DeleteFunc(s.peers, func(r reference) bool { return !s.inside(r.look, ratio) })
		c.textured = c.liveliest(t, s.peers)
	}
	if c.clean > 0 {
		slices.Sort(s.baseline)
		c.baseline = s.baseline[len(s.baseline)*3/4]
	}
	return c
}

// common reports whether most of so many looks are alike, and next to none clean: a pair
// of lights is one in all pictures, a burst is of fewer than there are around it.
func (c *comparison) common(peers int) bool { return c.clean < leastFits && 2*c.alike > peers }

// inside reports whether the copies of what a look is at, at a ratio to its step, would
// lie in the picture on both sides.
func (s *state) inside(l *echo.Look, ratio float64) bool {
	p, d := middle(l.Region), image.Pt(int(ratio*l.DX), int(ratio*l.DY))
	return l.Whole || p.Add(d).In(s.raster) && p.Sub(d).In(s.raster)
}

// follower tells whether lags follow steps, by the line of their logarithms.
type follower struct{ n, x, y, xx, xy float64 }

func (f *follower) add(l *echo.Look) {
	x, y := math.Log(l.Steps()), math.Log(max(l.Main.Lag, 1))
	f.n, f.x, f.y, f.xx, f.xy = f.n+1, f.x+x, f.y+y, f.xx+x*x, f.xy+x*y
}

func (f *follower) step() bool {
	xx, xy := f.xx/f.n-f.x*f.x/(f.n*f.n), f.xy/f.n-f.x*f.y/(f.n*f.n)
	return xx > stepChange*stepChange && xy > lagFollows*xx
}

// liveliest takes the peers with the most energy as references, and reports
// whether there are any.
func (c *comparison) liveliest(t int, peers []reference) bool {
	c.references = c.references[:0]
	for _, r := range peers {
		if r.picture < t-referenceSpan || r.picture > t+referenceSpan || r.look.Energy > gains*c.usual {
			continue
		}
		at := len(c.references)
		for at > 0 && c.references[at-1].look.Energy < r.look.Energy {
			at--
		}
		c.references = slices.Insert(c.references, at, r)
		if len(c.references) > mostLively {
			c.references = c.references[:mostLively]
		}
	}
	return len(c.references) > 0
}

// fades reports whether a look has less energy than the same thing in the pictures
// before and after, which have as much as each other: copies so close that they
// run into each other show by nothing else.
func (c *comparison) fades(l *echo.Look) bool {
	least, most := math.Inf(1), 0.0
	for _, r := range c.references {
		least, most = min(least, r.look.Energy), max(most, r.look.Energy)
	}
	return len(c.references) >= leastFits && !c.textured && least >= steady*most && l.Energy < faded*least
}

// resembles reports whether the clean looks at the same thing are as alike to
// themselves at a lag as a copy would make them: a shadow with soft edges, which
// has less energy wherever it grows softer.
func (c *comparison) resembles(lag, floor float64) bool {
	n := 0
	for _, r := range c.references {
		if r.look.At(lag) > floor {
			n++
		}
	}
	return 2*n > len(c.references)
}

// rises reports whether a look resembles itself at a lag by as much more than the
// clean ones as a mixture of such weights would.
func (c *comparison) rises(at, lag float64, w fit) bool {
	clean := 0.0
	for _, r := range c.references {
		clean += r.look.At(lag) / float64(len(c.references))
	}
	return at-clean >= leastKept*(w.mixed(clean)-clean)
}

// loses reports whether a look has less energy than the clean ones, as a mixture of
// such weights has, or there are none of these.
func (c *comparison) loses(l *echo.Look, lag float64, w fit) bool {
	energy, clean := 0.0, 0.0
	for _, r := range c.references {
		energy += r.look.Energy / float64(len(c.references))
		clean += r.look.At(lag) / float64(len(c.references))
	}
	return len(c.references) == 0 || energy-l.Energy >= leastLost*(1-w.kept(clean))*energy
}

// same returns the look at the thing of l in picture i, or nil.
func (s *state) same(t int, l *echo.Look, i int) *echo.Look {
	at := middle(l.Region)
	if !l.Whole {
		at = at.Add(image.Pt(int(l.DX*float64(i-t)), int(l.DY*float64(i-t))))
	}
	o, distance := nearest(s.echo.At(i), at, l)
	if o == nil || distance > 3*l.Speed+float64(max(l.Region.Dx(), l.Region.Dy())) {
		return nil
	}
	// Another thing, or the same after a bounce: not comparable.
	if turn := (o.DX*l.DX + o.DY*l.DY) / (o.Speed * l.Speed); turn < 0.8 || o.Speed > 2*l.Speed || l.Speed > 2*o.Speed {
		return nil
	}
	return o
}

// refer keeps a clean look as a reference for picture t, where it is one of
// the nearest. Looks come in order of time.
func (c *comparison) refer(t int, r reference) {
	if r.picture < t-referenceSpan || r.picture > t+referenceSpan {
		return
	}
	side := 0
	for _, o := range c.references {
		if (o.picture < t) == (r.picture < t) {
			side++
		}
	}
	switch {
	case side < referencesEachSide:
		c.references = append(c.references, r)
	case r.picture < t:
		// The later ones before t are nearer.
		copy(c.references, c.references[1:])
		c.references[len(c.references)-1] = r
	}
}
