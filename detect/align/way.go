package align

import (
	"math"
	"slices"

	"setwitness/decode/leastsquares"
)

// way is a path through the samples, in pictures of the source after those of the
// belief, with the displacement that suits it.
type way struct {
	after   []int
	by      displaced
	penalty float64
	own     []products // of each sample, with the source displaced as at says; nil for those of pairs
	at      displaced
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
