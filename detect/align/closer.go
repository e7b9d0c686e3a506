package align

import (
	"cmp"
	"context"
	"math"
	"slices"

	"setwitness/decode/leastsquares"
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

// closer looks at a take and its source closer than their blocks do.
type closer struct {
	m              *improver
	fit            Fit
	samples        []viewed
	takes, sources map[int]*evened         // the source laid by the fit
	rows           map[int]*[viewRows]bool // of the take's pictures, those that can be compared

	by     displaced // of the source, in pairs
	weight *plane
	usual  *plane                      // mean square of what is left about each place
	moves  [][]uint8                   // of each sample, how far each place counts, in 1/255
	pairs  [][2*viewReach + 1]products // of each sample, with the pictures of the source around
	level  []float64                   // of each, the mean square that the nearest of them leaves
}

// way is a path through the samples, in pictures of the source after those of the
// belief, with the displacement that suits it.
type way struct {
	after   []int
	by      displaced
	penalty float64
	own     []products // of each sample, with the source displaced as at says; nil for those of pairs
	at      displaced
}

// LookCloser reads views of pictures where the blocks leave doubt, and lets them decide.
func (a *Alignment) LookCloser(ctx context.Context, views Views) error {
	if a.Still || a.found == nil || a.Confidence >= certainBlocks {
		return nil
	}
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
		var rows [viewRows]bool
		for y := viewMargin; y < viewRows-viewMargin; y++ {
			rows[y] = !slices.Contains(v.known[y-viewMargin:y+viewMargin+1], false)
		}
		c.rows[i] = &rows
	})
	if err != nil {
		return err
	}
	return views.Source(ctx, theirs, func(j int, v *View) { c.sources[j] = e.even(c.fit, v) })
}

// laidViews keeps the views of the source, displaced, as long as they are near.
type laidViews struct {
	c            *closer
	across, down []betweenTwo
	kept         map[int]*plane
	spare        []*plane
}

func (c *closer) laid(by *displaced) *laidViews {
	return &laidViews{
		c: c, kept: map[int]*plane{},
		across: between(1+by[2]/viewCols, (by[0]-by[2]/2)/viewCols, viewCols),
		down:   between(1+by[3]/viewRows, (by[1]-by[3]/2)/viewRows, viewRows),
	}
}

// at is picture j of the source, nil if it was not read.
func (l *laidViews) at(j int) *plane {
	if p := l.kept[j]; p != nil {
		return p
	}
	v := l.c.sources[j]
	if v == nil {
		return nil
	}
	for k, p := range l.kept {
		if k < j-2*viewReach-2 || k > j+2*viewReach+2 {
			l.spare = append(l.spare, p)
			delete(l.kept, k)
		}
	}
	var p *plane
	if n := len(l.spare); n > 0 {
		p, l.spare = l.spare[n-1], l.spare[:n-1]
	} else {
		p = new(plane)
	}
	for y, d := range l.down {
		from, next, out := v[d.at*viewCols:][:viewCols], v[(d.at+1)*viewCols:][:viewCols], p[y*viewCols:][:viewCols]
		for x, a := range l.across {
			u := float32(from[a.at])*(1-a.share) + float32(from[a.at+1])*a.share
			v := float32(next[a.at])*(1-a.share) + float32(next[a.at+1])*a.share
			out[x] = (u*(1-d.share) + v*d.share) / evenUnit
		}
	}
	l.kept[j] = p
	return p
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

// changes are the pictures before and after j, and what their difference is to be
// multiplied by for that from one to the next.
func (l *laidViews) changes(j int) (before, after *plane, each float32) {
	before, after, each = l.at(j-1), l.at(j+1), 0.5
	if before == nil {
		before, each = l.at(j), 1
	}
	if after == nil {
		after, each = l.at(j), 1
	}
	return before, after, each
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
	c.weight = new(plane)
	known(func(i int) { c.weight[i] = float32(1 / (1 + float64(squares[i])/(usualTimes*usualTimes*usual))) })
	var e evener
	c.usual = new(plane)
	e.about(c.usual, squares, evenReach)
}

// products are those of a sample on a way, with what the source has to be displaced
// further; nil where there are none.
func (c *closer) products(w *way, n int) (p *products, further displaced) {
	if w.own == nil {
		return c.pair(n, w.after[n]), w.by.less(&c.by)
	}
	if p = &w.own[n]; !p.known {
		p = nil
	}
	return p, w.by.less(&w.at)
}

// pair is the products of a sample with the picture so many after the belief's; nil where
// there are none.
func (c *closer) pair(n, after int) *products {
	k := after + viewReach
	if k < 0 || k > 2*viewReach || !c.pairs[n][k].known {
		return nil
	}
	return &c.pairs[n][k]
}

// displace displaces the source of a way further so that the least is left.
func (c *closer) displace(w *way) {
	var a [4][4]float64
	var b displaced
	for n := range w.after {
		p, _ := c.products(w, n)
		if p == nil {
			continue
		}
		for i := range b {
			b[i] += p.rg[i]
			for l := range b {
				a[i][l] += p.gg[i][l]
			}
		}
	}
	w.by = c.by
	if w.own != nil {
		w.by = w.at
	}
	if x, ok := leastsquares.Solve(func(i, k int) float64 { return a[i][k] }, b[:]); ok {
		for i, v := range x {
			w.by[i] += v
		}
	}
}

// left is what a way leaves of a sample.
func (c *closer) left(w *way, n int) (float64, bool) {
	p, further := c.products(w, n)
	if p == nil {
		return 0, false
	}
	return p.left(&further), true
}

// along is how far what a way leaves of a sample lies in the direction of time.
func (c *closer) along(w *way, n int) (float64, bool) {
	p, further := c.products(w, n)
	if p == nil {
		return 0, false
	}
	return p.along(&further), true
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

// suited is a way with the displacement that suits its path, and what both cost alone.
func (c *closer) suited(after []int) way {
	w := way{after: after}
	c.displace(&w)
	w.penalty = c.penalty(&w)
	return w
}

// laidAnew is a way with the source laid where it suits its path, if that is far from
// where it lies for others.
func (c *closer) laidAnew(w way) way {
	moved := w.by.less(&c.by)
	if moved.most() < linearPlaces {
		return w
	}
	for range mostLaidAnew {
		w.at = w.by
		w.own = c.column(w.after, &w.at)
		c.displace(&w)
		if moved := w.by.less(&w.at); moved.most() < linearPlaces/3 {
			break
		}
	}
	w.penalty = c.penalty(&w)
	return w
}

func (c *closer) penalty(w *way) float64 {
	p := c.fit.displaced(&w.by).offCentre()
	for n := 1; n < len(w.after); n++ {
		p += c.change(n, w.after[n-1], w.after[n])
	}
	return p
}

// change is what it costs that a sample is so many after the belief's and the one
// before it so many.
func (c *closer) change(n, before, after int) float64 {
	s, t := c.samples[n-1], c.samples[n]
	if s.run != t.run {
		return 0
	}
	// A change that puts right where the belief leaves out or holds a picture is none.
	step, own := t.source+after-s.source-before, t.source-s.source
	cost := 0.
	if odd := math.Abs(float64(step)-t.due) >= 1; odd || before != after && math.Abs(float64(own)-t.due) < 1 {
		cost += viewJumpNats
	}
	if step < 0 && own >= 0 {
		cost += viewBackNats
	}
	return cost
}

// followed is the likeliest path by a displacement (Viterbi), and the displacement that
// suits that, in turn.
func (c *closer) followed(after []int) way {
	w := c.suited(after)
	noise := math.Inf(1)
	for range viewRounds {
		// By what the nearest pictures leave, so that a wrong path is not its own measure.
		noise = min(noise, c.noise(&way{after: c.nearest(&w.by), by: w.by}))
		next := c.viterbi(&w.by, noise)
		if slices.Equal(next, w.after) {
			break
		}
		w = c.suited(next)
	}
	return w
}

// nearest is for each sample the picture that leaves the least.
func (c *closer) nearest(by *displaced) []int {
	out := make([]int, len(c.samples))
	further := by.less(&c.by)
	for n := range c.samples {
		least := math.Inf(1)
		for k := -viewReach; k <= viewReach; k++ {
			if p := c.pair(n, k); p != nil {
				if v := p.left(&further); v < least {
					least, out[n] = v, k
				}
			}
		}
	}
	return out
}

func (c *closer) viterbi(by *displaced, noise float64) []int {
	const states = 2*viewReach + 1
	further := by.less(&c.by)
	var score [states]float64
	back := make([][states]int, len(c.samples))
	for n := range c.samples {
		var cost [states]float64
		least := math.Inf(1)
		for k := range cost {
			cost[k] = math.Inf(1)
			if p := c.pair(n, k-viewReach); p != nil {
				cost[k] = p.left(&further)
				least = min(least, cost[k])
			}
		}
		var next [states]float64
		for k := range next {
			best := math.Inf(1)
			if n == 0 {
				best = 0
			} else {
				for q, v := range score {
					if v += c.change(n, q-viewReach, k-viewReach); v < best {
						best, back[n][k] = v, q
					}
				}
			}
			own := mostViewNats
			if !math.IsInf(cost[k], 1) {
				own = c.nats(n, cost[k]-least, noise)
			} else if math.IsInf(least, 1) {
				own = 0
			}
			next[k] = best + own
		}
		score = next
	}
	k := viewReach // as the belief has it, if in doubt
	for q, v := range score {
		if v < score[k] {
			k = q
		}
	}
	out := make([]int, len(c.samples))
	for n := len(out) - 1; n >= 0; n-- {
		out[n] = k - viewReach
		k = back[n][k]
	}
	return out
}

// search finds the best way, and others that are held against it; ok is false where it
// lies elsewhere than all have been looked at, or none was found.
func (c *closer) search(after []int, tried []belief) (best way, rivals []way, ok bool) {
	now := c.suited(after)
	c.levels(&now.by)
	starts := [][]int{after}
	for k := 1; k <= mostLater; k++ {
		starts = append(starts, shifted(after, k), shifted(after, -k))
	}
	for k := range tried {
		if after, ok := c.path(&tried[k]); ok && !slices.ContainsFunc(starts, func(s []int) bool { return slices.Equal(s, after) }) {
			starts = append(starts, after)
		}
	}
	var ways []way
	for _, s := range starts {
		w := c.followed(s)
		if !slices.ContainsFunc(ways, func(v way) bool { return slices.Equal(v.after, w.after) }) {
			ways = append(ways, c.laidAnew(w))
		}
	}
	best = ways[0]
	for range viewRounds {
		if best.own != nil {
			return best, nil, false
		}
		rivals = append(c.beside(&best), ways...)
		noise := c.noise(&best)
		least, at := -leastGain, -1
		for k := range rivals {
			if v := c.worse(&rivals[k], &best, min(noise, c.noise(&rivals[k]))); v < least {
				least, at = v, k
			}
		}
		if at < 0 {
			return best, rivals, true
		}
		best = rivals[at]
	}
	return best, nil, false
}

// path is another belief's, if it is within reach all along.
func (c *closer) path(b *belief) ([]int, bool) {
	shown := b.pictures(c.m.take.Len())
	out := make([]int, len(c.samples))
	far := 0
	for n, s := range c.samples {
		j := shown[s.take]
		if j < 0 {
			continue
		}
		if out[n] = j - s.source; out[n] < -viewReach || out[n] > viewReach {
			far++
			out[n] = max(-viewReach, min(viewReach, out[n]))
		}
	}
	return out, float64(far) <= otherPath*float64(len(c.samples))
}

// beyond reports whether views do not reach another belief.
func (c *closer) beyond(b *belief) bool {
	_, ok := c.path(b)
	return !ok
}

func shifted(after []int, by int) []int {
	out := make([]int, len(after))
	for n, k := range after {
		out[n] = max(-viewReach, min(viewReach, k+by))
	}
	return out
}

// beside are ways that are earlier or later, all along or in a piece.
func (c *closer) beside(w *way) (out []way) {
	n := len(w.after)
	for k := -mostLater; k <= mostLater; k++ {
		if k == 0 {
			continue
		}
		out = append(out, c.laidAnew(c.suited(shifted(w.after, k))))
		for third := range 3 {
			after := slices.Clone(w.after)
			from, to := third*n/3, (third+1)*n/3
			copy(after[from:to], shifted(after[from:to], k))
			out = append(out, c.laidAnew(c.suited(after)))
		}
		if p, ok := c.piece(w, k); ok {
			out = append(out, p)
		}
	}
	return out
}

// piece is the way with that piece of it, so long that it makes another path, so many
// pictures later that costs the least.
func (c *closer) piece(w *way, by int) (way, bool) {
	// All by the products of the pairs, as they are laid alike.
	now, later := way{after: w.after, by: w.by}, way{after: shifted(w.after, by), by: w.by}
	noise := c.noise(w)
	n := len(w.after)
	sums, others := make([]float64, n+1), make([]int, n+1)
	for k := range n {
		p, ok := c.left(&later, k)
		q, also := c.left(&now, k)
		v := mostViewNats
		if ok && also {
			v = c.nats(k, p-q, noise)
		}
		sums[k+1], others[k+1] = sums[k]+v, others[k]
		if c.differs(k, w.after[k], later.after[k], noise) {
			others[k+1]++
		}
	}
	// Of those that end before each, the one that costs the least and is long enough.
	least, from, to := math.Inf(1), 0, 0
	start, begin := 0, 0
	for k := 1; k <= n; k++ {
		for float64(others[k]-others[start]) > otherPath*float64(n) {
			if sums[start] >= sums[begin] {
				begin = start
			}
			if v := sums[k] - sums[begin]; v < least {
				least, from, to = v, begin, k
			}
			start++
		}
		if start > 0 {
			if v := sums[k] - sums[begin]; v < least {
				least, from, to = v, begin, k
			}
		}
	}
	if to == 0 {
		return way{}, false
	}
	after := slices.Clone(w.after)
	copy(after[from:to], later.after[from:to])
	p := way{after: after, by: w.by}
	p.penalty = c.penalty(&p)
	return p, true
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
