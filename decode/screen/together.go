package screen

// Where dark content lies along a side, single frames show the border in places
// only, and what lies behind draws their fits to either side by many pixels. The set
// has one shape in all frames, though, and each shows other places of it.

// leastTogether is the share of the samples of all kept frames that have to show the
// border: those of one side in four. Less is a screen that is dark all over.
const leastTogether = 0.25

// refineTogether fits one view, moved as the camera moves, to the edges that each
// of the kept frames shows, from wherever one of them alone put it: singles.
func (f *Finder) refineTogether(b *border, c *candidate, singles []View) {
	resp := responseOf(f.whole[0].plane.Depth, f.full)
	moves := c.moves()
	read := func(v View, reach int) {
		b.read(frame{&f.whole[0].plane, resp}, v, searchProfiles, reach, 1)
		for i := 1; i < len(moves); i++ {
			b.also([]frame{{&f.whole[i].plane, resp}}, []View{v.moved(moves[i])}, searchProfiles, reach, 1, usual)
		}
		b.corners = v.straight()
	}
	fit := func(v View) (View, float64, bool) {
		gain := 0.0
		for _, p := range [...]pass{{8, 5, 2}, {6, 3, 1}} {
			read(v, p.reach)
			d, _ := b.fit(shift{}, loose{4, 4, 4, 3}, p.wide, p.narrow)
			if v = b.shifted(v, d); !v.Quad.convex() {
				return v, 0, false
			}
			gain = b.gain(d, p.narrow)
		}
		return v, gain, true
	}
	var best View
	most := 0.0
	try := func(v View, k1 float64) bool {
		v.K1 = k1
		v, gain, ok := fit(v)
		if ok = ok && gain > most; ok {
			best, most = v, gain
		}
		return ok
	}
	try(c.begin[0], c.view.K1)
	try(c.views[0], c.view.K1)
	for i, v := range singles {
		try(v.moved(moves[i].inverse()), c.view.K1)
	}
	if most < leastTogether*float64(4*searchProfiles*len(f.whole)) {
		return
	}
	finer(best.K1, func(k1 float64) bool { return try(best, k1) })
	read(best, 6)
	if seen := b.anywhere(1); c.score < wholeBorder {
		for side := range seen {
			c.fit.seen[side] = max(c.fit.seen[side], seen[side])
		}
		c.score = max(c.score, c.quality())
	}
	for i := range c.views {
		c.views[i] = best.moved(moves[i])
		if f.whole[i].index == c.frame {
			c.view = c.views[i]
		}
	}
}

// anywhere returns for each side the share of its places at which at least one of the
// frames that were read shows an edge within so many px of it.
func (b *border) anywhere(narrow float64) (seen [4]float64) {
	at := map[[2]int]bool{}
	for i := range b.samples {
		s := &b.samples[i]
		if e, off := s.nearest(0); off < narrow && e.contrast >= min(faintShare*b.full[s.side], b.sure) {
			at[[2]int{s.side, int(s.along * searchProfiles)}] = true
		}
	}
	for k := range at {
		seen[k[0]] += 1. / searchProfiles
	}
	return seen
}
