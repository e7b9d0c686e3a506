package align

import (
	"cmp"
	"context"
	"math"
	"slices"
)

// Views gives views of pictures of the take and of the source, each once, in ascending
// order as they are asked for. What cannot be read is left out.
type Views interface {
	Take(ctx context.Context, pictures []int, do func(i int, v *View)) error
	Source(ctx context.Context, pictures []int, do func(j int, v *View)) error
}

const (
	// So many pictures of a take are looked at closer, in stretches of so many if it has
	// more: pictures of the source around are read once for all of a stretch.
	mostViewed, viewedAtOnce = 200, 10
	// Each is held against so many pictures of the source before and after the one that it
	// was taken for.
	viewReach = 4
	// Whole places in that many pictures of the path say which of them the source does not
	// explain: a caption that only the take has.
	weighViews = 24
	// Of places beside each other every other one says as much as all, as they are softened.
	viewStep = 2
	// Squares of less, in the unit of evened pictures, are those of coding everywhere.
	leastLeft = 1e-4
	// So many places at least err alike: those that are softened over each other. In what
	// makes sure, those of a codec's macroblock that is a tenth of a small picture's height.
	leastAlike, sureAlike = 4, 30
	// What coding does wrong it does alike for some pictures, which say no more than one;
	// and none says more than so many nats, as it alone may have a fault.
	alikePictures, mostViewNats = 4, 3.
	// What it costs, in nats, that the path leaves out or holds a picture, which one in some
	// hundred does, and that it runs back.
	viewJumpNats, viewBackNats = 5, 10
	// So often a path that comes to the end of that, or is out of phase, is looked at again
	// from there.
	mostFarther = 4
	// Rounds after which a path and its fit suit each other, if they do.
	viewRounds = 8
	// What is left of a source that is displaced is linear, for less than this in places of
	// a view; beyond, it is laid anew, at most so many times.
	linearPlaces, mostLaidAnew = 0.3, 4
	// Pictures differ that can be told from each other by so many nats.
	toldNats = 0.5
	// sureViews is by how many nats another path has to be worse for a doubt of 1/e: of some
	// hundred takes of real footage the wrong ones were better than theirs by 6.5 at most.
	sureViews = 4.
	// certainBlocks is the confidence from which blocks are enough.
	certainBlocks = 0.95
)

// viewed is a picture of the take that is looked at closer.
type viewed struct {
	run, at, take, source int     // at: which of its run
	due                   float64 // pictures of the source since the one before, by its time
}

// closer looks at a take and its source closer than their blocks do.
type closer struct {
	m              *improver
	fit            Fit
	samples        []viewed
	takes, sources map[int]*evened         // the source laid by the fit
	rows           map[int]*[viewRows]bool // of the take's pictures, those that can be compared

	by      displaced // of the source, in pairs
	weight  *plane
	usual   *plane                      // mean square of what is left about each place
	moves   [][]uint8                   // of each sample, how far each place counts, in 1/255
	pairs   [][2*viewReach + 1]products // of each sample, with the pictures of the source around
	typical float64                     // mean square of what is left of a place
	level   []float64                   // of each, the mean square that the nearest of them leaves
}

// LookCloser reads views of pictures where the blocks leave doubt, where they lay the
// source beside the middle, and where an even pan or zoom may be mistaken for another place
// of the source in the picture, and lets them decide.
func (a *Alignment) LookCloser(ctx context.Context, views Views) error {
	if a.Still || a.found == nil {
		return nil
	}
	if a.Confidence < certainBlocks {
		if err := a.lookCloser(ctx, views); err != nil {
			return err
		}
	}
	other, doubtful, err := a.acrossPan(ctx, views)
	if err != nil {
		return err
	}
	if other {
		a.Confidence, a.Near = 0, 0 // blocks said so of what was believed
		if err := a.lookCloser(ctx, views); err != nil {
			return err
		}
	}
	if doubtful {
		a.Confidence, a.Near = 0, 0
	}
	changed, sure, err := a.toMiddle(ctx, views)
	if err != nil || !changed {
		return err
	}
	if err := a.lookCloser(ctx, views); err != nil {
		return err
	}
	if !sure && a.found.fit.offCentre() < besideNats {
		// What is likely beforehand makes nothing sure. A look from the middle that ends
		// beside it again does.
		a.Confidence, a.Near = 0, 0
	}
	return nil
}

func (a *Alignment) lookCloser(ctx context.Context, views Views) error {
	for range mostFarther {
		if farther, err := a.closer(ctx, views); err != nil || !farther {
			return err
		}
		// Nothing was held against what lies beyond.
		a.Confidence, a.Near = 0, 0
	}
	return nil
}

// closer looks once; farther is set where the path comes to the end of what was read, or
// another phase suits the take better.
func (a *Alignment) closer(ctx context.Context, views Views) (farther bool, err error) {
	m := improver{a.take, a.source, period(a.source).Seconds()}
	c := &closer{m: &m, fit: a.found.fit, samples: a.found.viewed()}
	if len(c.samples) == 0 {
		return false, nil
	}
	for n := 1; n < len(c.samples); n++ {
		s, t := &c.samples[n-1], &c.samples[n]
		t.due = (m.take.Lives[t.take] - m.take.Lives[s.take]).Seconds() * a.found.runs[t.run].rate / m.period
	}
	if err := c.read(ctx, views); err != nil {
		return false, err
	}
	best := way{after: make([]int, len(c.samples))}
	c.place(best.after)
	var rivals []way
	ended := false
	for range viewRounds {
		c.tabulate(best.after)
		before := best.after
		if best, rivals, ended = c.search(before, a.tried); ended && slices.Equal(best.after, before) {
			break
		}
		c.by, ended = best.by, false
	}
	c.levels(&best.by)
	blocks, beside := a.Confidence, a.Near
	b := c.changed(*a.found, &best)
	if p, ok := c.phased(b, &best); ok {
		a.found = &p
		a.state(&m, p)
		return true, nil
	}
	a.state(&m, b)
	a.Confidence, a.Near = 0, 0
	if ended {
		margin, near := c.margins(&best, rivals)
		// Beliefs beyond the reach of the views are judged by blocks alone.
		far := m.margin(a.found, a.tried, func(t, b *belief) bool { return m.apart(t, b) && c.beyond(t) })
		a.Confidence, a.Near = a.sureBy(min(margin, far)/sureViews), a.sureBy(min(near, far)/sureViews)
	}
	if !slices.ContainsFunc(best.after, func(k int) bool { return k != 0 }) {
		// What both say is as sure as the surer of them.
		a.Confidence, a.Near = max(a.Confidence, blocks), max(a.Near, beside)
	}
	a.found = &b
	return slices.Max(best.after) > viewReach-mostLater || slices.Min(best.after) < mostLater-viewReach, nil
}

// viewed are the pictures of a belief that are looked at closer.
func (b *belief) viewed() []viewed {
	var all []viewed
	for k, r := range b.runs {
		for t, j := range r.shown {
			if j >= 0 {
				all = append(all, viewed{run: k, at: t, take: r.first + t, source: j})
			}
		}
	}
	if len(all) <= mostViewed {
		return all
	}
	const stretches = mostViewed / viewedAtOnce
	var out []viewed
	for k := range stretches {
		at := k * (len(all) - viewedAtOnce) / (stretches - 1)
		out = append(out, all[at:at+viewedAtOnce]...)
	}
	return slices.Compact(out)
}

// read reads the views that are needed.
func (c *closer) read(ctx context.Context, views Views) error {
	var mine, theirs []int
	for _, s := range c.samples {
		mine = append(mine, s.take)
		for j := s.source - viewReach - 1; j <= s.source+viewReach+1; j++ {
			if j >= 0 && j < c.m.source.Len() {
				theirs = append(theirs, j)
			}
		}
	}
	for _, l := range []*[]int{&mine, &theirs} {
		slices.Sort(*l)
		*l = slices.Compact(*l)
	}
	c.takes, c.sources, c.rows = map[int]*evened{}, map[int]*evened{}, map[int]*[viewRows]bool{}
	var e evener
	err := views.Take(ctx, mine, func(i int, v *View) {
		c.takes[i] = e.even(full, v)
		c.rows[i] = v.comparable()
	})
	if err != nil {
		return err
	}
	return views.Source(ctx, theirs, func(j int, v *View) { c.sources[j] = e.even(c.fit, v) })
}

// own fills in the view of a take's picture.
func (c *closer) own(to *plane, i int) bool {
	v := c.takes[i]
	if v == nil {
		return false
	}
	for i, x := range v {
		to[i] = float32(x) / evenUnit
	}
	return true
}

// place displaces the source so that a path leaves the least, by all places alike.
func (c *closer) place(path []int) {
	every := len(c.samples)/weighViews + 1
	own := new(plane)
	for range mostLaidAnew {
		l := c.laid(&c.by)
		c.weigh(l, own, path)
		counts := make([]uint8, viewCols/viewStep*viewRows/viewStep)
		for i := range counts {
			counts[i] = uint8(255 * c.weight[i/(viewCols/viewStep)*viewStep*viewCols+i%(viewCols/viewStep)*viewStep])
		}
		w := way{own: make([]products, len(c.samples)), at: c.by}
		for k := every / 2; k < len(c.samples); k += every {
			if s := c.samples[k]; c.own(own, s.take) {
				w.own[k].sum(own, l, s.source+path[k], counts, c.rows[s.take])
			}
		}
		w.after = path
		c.displace(&w)
		moved := w.by.less(&c.by)
		if c.by = w.by; moved.most() < linearPlaces/3 {
			break
		}
	}
}

// tabulate takes the products of each sample with the pictures of the source around; the
// path says which places count.
func (c *closer) tabulate(path []int) {
	l, own := c.laid(&c.by), new(plane)
	c.weigh(l, own, path)
	c.pairs = make([][2*viewReach + 1]products, len(c.samples))
	c.moves = make([][]uint8, len(c.samples))
	var e evener
	for n, s := range c.samples {
		if !c.own(own, s.take) {
			continue
		}
		c.moves[n] = c.moving(&e, l, s.source+path[n])
		for k := range c.pairs[n] {
			c.pairs[n][k].sum(own, l, s.source+k-viewReach, c.moves[n], c.rows[s.take])
		}
	}
}

// moving says how far each place counts when picture j is up: a codec leaves what changes
// less than it gets wrong as it was, so that it looks late.
func (c *closer) moving(e *evener, l *laidViews, j int) []uint8 {
	const w, h = viewCols / viewStep, viewRows / viewStep
	out := make([]uint8, w*h)
	if l.at(j) == nil {
		return out
	}
	before, after, each := l.changes(j)
	for i, v := range after {
		d := (v - before[i]) * each
		e.squares[i] = d * d
	}
	e.about(&e.mean, &e.squares, evenReach)
	for y := range h {
		for x := range w {
			i := y*viewStep*viewCols + x*viewStep
			d, r := e.mean[i], c.usual[i]
			share := d / (d + r + leastLeft)
			out[y*w+x] = uint8(255 * c.weight[i] * share * share)
		}
	}
	return out
}

// column is the products of a path alone, with the source displaced.
func (c *closer) column(after []int, by *displaced) []products {
	l, own := c.laid(by), new(plane)
	out := make([]products, len(c.samples))
	for n, s := range c.samples {
		if c.own(own, s.take) {
			out[n].sum(own, l, s.source+after[n], c.moves[n], c.rows[s.take])
		}
	}
	return out
}

// weigh gives each place a weight by what the path leaves there: none where the source
// is not known.
func (c *closer) weigh(l *laidViews, own *plane, path []int) {
	squares, n := new(plane), 0
	every := len(c.samples)/weighViews + 1
	for k := every / 2; k < len(c.samples); k += every {
		s := c.samples[k]
		now := l.at(s.source + path[k])
		if now == nil || !c.own(own, s.take) {
			continue
		}
		for i, v := range own {
			d := v - now[i]
			squares[i] += d * d
		}
		n++
	}
	for i := range squares {
		squares[i] /= float32(max(n, 1))
	}
	across, down := c.fit.viewKnown()
	usual, places := 0., 0
	known := func(do func(i int)) {
		for y, in := range down {
			for x, also := range across {
				if in && also {
					do(y*viewCols + x)
				}
			}
		}
	}
	known(func(i int) {
		usual += math.Log(float64(squares[i]) + leastLeft)
		places++
	})
	usual = math.Exp(usual / float64(max(places, 1)))
	c.typical = usual
	c.weight = new(plane)
	known(func(i int) { c.weight[i] = float32(1 / (1 + float64(squares[i])/(usualTimes*usualTimes*usual))) })
	var e evener
	c.usual = new(plane)
	e.about(c.usual, squares, evenReach)
}

// levels takes what the nearest pictures leave of each sample, where the source is
// displaced.
func (c *closer) levels(by *displaced) {
	c.level = make([]float64, len(c.samples))
	further := by.less(&c.by)
	for n, k := range c.nearest(by) {
		c.level[n] = leastLeft
		if p := c.pair(n, k); p != nil && p.places > 0 {
			c.level[n] += max(p.left(&further), 0) / p.places
		}
	}
}

// noise is the usual square of what a way leaves in the direction of time, as a multiple
// of the level, where the source moves.
func (c *closer) noise(w *way) float64 {
	type square struct{ of, places float64 }
	var squares []square
	all := 0.
	for n := range w.after {
		if p, further := c.products(w, n); p != nil && p.dd > 0 {
			s := p.along(&further)
			squares = append(squares, square{s * s / c.level[n], p.places})
			all += p.places
		}
	}
	slices.SortFunc(squares, func(a, b square) int { return cmp.Compare(a.of, b.of) })
	// The median of the squares of normal values is this share of their mean.
	const medianShare = 0.4549
	for _, s := range squares {
		if all -= 2 * s.places; all <= 0 {
			return max(s.of/medianShare, leastAlike)
		}
	}
	return leastAlike
}

// nats is what so much more that is left of a sample costs.
func (c *closer) nats(n int, left, noise float64) float64 {
	return min(max(left/(2*noise*c.level[n]*alikePictures), -mostViewNats), mostViewNats)
}

// worse is by how many nats a way is worse than another, by a noise. Where the source lies
// at other places, all that is left differs by how it is laid as well, and what lies in
// the direction of time says which is right.
func (c *closer) worse(w, than *way, noise float64) float64 {
	return w.penalty - than.penalty + c.leaves(w, than, noise)
}

// leaves is worse by what both leave of the take alone.
func (c *closer) leaves(w, than *way, noise float64) float64 {
	sum := 0.
	moved := w.by.less(&than.by)
	measure := c.left
	if moved.most() > linearPlaces {
		measure = func(w *way, n int) (float64, bool) {
			s, ok := c.along(w, n)
			return s * s, ok
		}
	}
	for n := range c.samples {
		p, ok := measure(w, n)
		q, also := measure(than, n)
		switch {
		case ok && also:
			sum += c.nats(n, p-q, noise)
		case also:
			sum += mostViewNats
		case ok:
			sum -= mostViewNats
		}
	}
	return sum
}

// differs reports whether two pictures of the source beside that of a sample differ by
// more than noise: by their blocks, or by what changes from one to the next.
func (c *closer) differs(n, a, b int, noise float64) bool {
	i, j := c.samples[n].source+a, c.samples[n].source+b
	if i == j || i < 0 || j < 0 || i >= c.m.source.Len() || j >= c.m.source.Len() {
		return i != j
	}
	if p := c.pair(n, a); p != nil && c.nats(n, p.dd*float64((a-b)*(a-b)), noise) > toldNats {
		return true
	}
	return differ(c.m.source.At(i), c.m.source.At(j), nil) > grain*grain
}

// margins are by how much the best of other ways is worse: any, and any but those that
// are all along beside it with the source where it is.
func (c *closer) margins(best *way, rivals []way) (any, near float64) {
	any, near = math.Inf(1), math.Inf(1)
	told := c.noise(best)
	noise := max(told, sureAlike)
	for k := range rivals {
		w := &rivals[k]
		others, farthest := 0, 0
		for n := range w.after {
			if c.differs(n, w.after[n], best.after[n], told) {
				others++
			}
			farthest = max(farthest, w.after[n]-best.after[n], best.after[n]-w.after[n])
		}
		if float64(others) <= otherPath*float64(len(w.after)) {
			continue
		}
		// What is likely beforehand decides where nothing else does, but makes nothing sure.
		v := max(0, c.leaves(w, best, noise))
		any = min(any, v)
		if moved := w.by.less(&best.by); farthest > 1 || moved.most() > alikeFits*viewCols {
			near = min(near, v)
		}
	}
	return any, near
}

// phased is a belief with all delays a part of a picture longer or shorter, if that
// leaves less: of pictures that are shown for longer by turns, others are.
func (c *closer) phased(b belief, best *way) (belief, bool) {
	noise := c.noise(best)
	out, least := b, -float64(viewJumpNats)
	for phase := 1 - phases; phase < phases; phase++ {
		p := b
		p.runs = slices.Clone(b.runs)
		later := make([][]int, len(p.runs))
		for k := range p.runs {
			r := &p.runs[k]
			if len(r.lags) != len(r.shown) {
				return b, false
			}
			s := c.m.stretch(r, c.m.source)
			shown := slices.Clone(r.shown)
			later[k] = make([]int, len(shown))
			for t, j := range shown {
				u := s.line(r.first+t) + r.lags[t]
				now, then := s.at(u), s.at(u+float64(phase)/phases*c.m.period)
				if j >= 0 && now >= 0 && then >= 0 && j+then-now >= 0 && j+then-now < c.m.source.Len() {
					later[k][t] = then - now
					shown[t] += then - now
				}
			}
			r.shown = shown
		}
		after := slices.Clone(best.after)
		for n, s := range c.samples {
			after[n] = max(-viewReach, min(viewReach, after[n]+later[s.run][s.at]))
		}
		w := c.suited(after)
		if v := c.leaves(&w, best, min(noise, c.noise(&w))); v < least {
			least, out = v, p
		}
	}
	return out, least < -viewJumpNats
}

// changed is the belief by a way; pictures between samples go with the nearest one.
func (c *closer) changed(b belief, w *way) belief {
	b.fit = c.fit.displaced(&w.by)
	runs := slices.Clone(b.runs)
	for k := range runs {
		runs[k].shown = slices.Clone(runs[k].shown)
		n := 0
		var of []int // samples
		for i, s := range c.samples {
			if s.run == k {
				of = append(of, i)
			}
		}
		for t, j := range runs[k].shown {
			for n+1 < len(of) && c.samples[of[n+1]].at-t < t-c.samples[of[n]].at {
				n++
			}
			if j < 0 || len(of) == 0 {
				continue
			}
			if j += w.after[of[n]]; j < 0 || j >= c.m.source.Len() {
				j = -1
			}
			runs[k].shown[t] = j
		}
	}
	b.runs = runs
	return b
}
