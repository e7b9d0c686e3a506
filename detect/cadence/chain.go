package cadence

import (
	"image"
	"time"
)

// edge is how many new pictures at either end of a chain say how fast things
// moved there.
const edge = 8

// chain is a stretch of the take in which one pattern runs without a cut,
// whatever stumbles it holds.
type chain struct {
	start, end int // pictures, end exclusive
	from, to   time.Duration
	kind       kindOfState // inPattern, irregular or static
	pattern    int         // index, -1 for none
	cut        bool        // it begins with a cut or a gap
	fresh      int         // new pictures in it that show motion
	held       bool        // the newest of them was seen to be held
	repeats    int         // pictures that repeat, by pattern or by evidence
	holds      int         // runs of them
	holding    bool        // the newest picture is one of them
	alive      float32     // tiles in which things go on in those all the same
	sure       float32     // how many pictures the evidence decided
	shows      int         // pictures in a pattern at which a break would have shown
	region     image.Rectangle
	head, tail [edge]float32 // steps of the first and the last new pictures, px
	steps      int           // how many were measured
	firstSteps [2]step
	lastStep   step
}

// faint is the share of the most that a picture can say below which the
// pictures of a chain, on average, say too little: less than three cells move,
// or what changes is noise.
const faint = 0.2

// still reports whether too little moves in a chain for the order of its
// pictures to be read.
func (c *chain) still() bool {
	return c.kind == static || c.sure < faint*float32(c.end-c.start)
}

// leastToShow is the evidence that a picture has to hold for a break at it to
// show. Where every picture is new that picture alone tells; where some repeat,
// all that follow are in the new phase and add up, as long as they say anything.
func leastToShow(p *pattern) float32 {
	if len(p.places) == 1 {
		return stumble
	}
	return tells
}

// tells is the evidence from which a picture says anything: a tenth of the most.
const tells = top / 10

type builder struct {
	chains   []chain
	breaches []breach
	recent   [7]fresh // the newest new pictures, newest last
	pattern  int      // of the newest picture
	expect   int      // place that it comes to next
	moved    float32  // cells of the newest new picture
	newest   int      // that picture
	hidden   float32  // share of the motion that does not show in it
}

// fresh is a new picture with its step.
type fresh struct {
	picture int
	step    step
	region  image.Rectangle
	chain   int
	before  int
}

func (b *builder) last() *chain {
	if len(b.chains) == 0 {
		return nil
	}
	return &b.chains[len(b.chains)-1]
}

func (b *builder) add(f *follower, r *record, n *node, expected bool) {
	kind := n.kind
	if kind == held {
		kind = inPattern
	}
	c := b.last()
	loose := r.cut || r.gap
	if c == nil || c.kind != kind || !same(f, c.pattern, n.pattern) || loose {
		b.chains = append(b.chains, chain{start: r.index, from: r.time, kind: kind, pattern: n.pattern, cut: loose})
		c = b.last()
		b.recent = [len(b.recent)]fresh{}
	} else if !expected && n.kind == inPattern && n.pattern == b.pattern {
		b.shift(len(f.patterns[n.pattern].places), r, n.at, c.fresh)
	}
	if n.kind == held {
		b.hold(r, n.at, c.fresh, len(f.patterns[n.pattern].places) == 1)
	}
	if n.kind == inPattern || n.kind == held {
		b.expect = f.nodes[n.next].at
	}
	b.pattern = n.pattern
	c.end, c.to = r.index+1, r.time
	c.region = c.region.Union(r.region)
	c.sure += abs(r.repeat) / top
	if c.kind == inPattern && abs(r.repeat) >= leastToShow(&f.patterns[n.pattern]) {
		c.shows++
	}
	new := r.repeat < 0
	if kind == inPattern {
		new = !n.place.repeat
	}
	if !new {
		c.repeats++
		if !c.holding {
			c.holds++
		}
		c.holding = true
		c.alive += r.alive
		c.held = c.held || r.repeat >= tells
		return
	}
	c.holding = false
	b.resume(r)
	b.moved, b.newest, b.hidden = r.cells, r.index, r.hidden()
	if r.repeat < 0 || c.held {
		c.fresh++
	}
	c.held = false
	if r.repeat < 0 && r.step.agree > 0 {
		v := r.step.at
		if c.steps < edge {
			c.head[c.steps] = v
		}
		if c.steps < len(c.firstSteps) {
			c.firstSteps[c.steps] = r.step
		}
		c.lastStep = r.step
		c.tail[c.steps%edge] = v
		c.steps++
	}
	copy(b.recent[:], b.recent[1:])
	b.recent[len(b.recent)-1] = fresh{r.index, r.step, r.region, len(b.chains) - 1, c.fresh - 1}
	b.jump()
	b.rest()
}

func same(f *follower, a, b int) bool {
	if a < 0 || b < 0 {
		return a == b
	}
	return f.patterns[a].name == f.patterns[b].name
}

// jump looks for a lost picture among the newest new ones.
func (b *builder) jump() {
	if lost, odds, ok := lostBefore(&b.recent); ok {
		x := &b.recent[len(b.recent)/2]
		b.breaches = append(b.breaches, breach{first: x.picture, last: x.picture, lost: lost,
			chain: x.chain, fresh: x.before, odds: odds, step: x.step, stepped: true, region: x.region})
	}
}

// shift notes that the pattern went on at another place than expected.
func (b *builder) shift(n int, r *record, at, fresh int) {
	x := breach{first: r.index, last: r.index, chain: len(b.chains) - 1, fresh: fresh, odds: 3,
		expected: b.expect, found: at, step: r.step, region: r.region}
	// So many places were left out, or the rest of the period came once more.
	if left := (at - b.expect + n) % n; left <= n/2 {
		x.lost = left
	} else {
		x.repeated = n - left
	}
	b.breaches = append(b.breaches, x)
}

const (
	// atRest is the share of the cells that would have to show a repeat below which
	// those of the new picture before it say that things rested by then: before a
	// picture held too long as much moves as around it, nine tenths and more where
	// there are enough to count.
	atRest = 0.75
	// rested is what that speaks against a picture held too long.
	rested = 6
	// Beside a picture held too long all of the motion shows, or 0.85 of it in strong
	// grain (measured). A camera that comes to rest and goes on again shows by and by
	// less of it, and more: coasting is how much each share below speaks against one.
	allShows, coasting = 0.8, 20
	// tapers is the share of the steps a picture or two away that the last step before
	// a rest, and the first one after it, are less than: a camera has weight, and so
	// has what it follows.
	tapers = 0.6
)

// coasts is what the share of the motion that does not show in a new picture beside a
// held one takes from its odds.
func coasts(hidden float32) float32 { return coasting * max(0, hidden-1+allShows) }

// hidden is the share of the motion that does not show in a picture; 0 where that is
// not known.
func (r *record) hidden() float32 {
	if r.cells == 0 {
		return 0
	}
	return 1 - r.shown
}

// resume takes in the first new picture after one that was held.
func (b *builder) resume(r *record) {
	if k := len(b.breaches) - 1; k >= 0 {
		if x := &b.breaches[k]; x.last == r.index-1 && x.live && x.chain == len(b.chains)-1 {
			x.odds -= coasts(r.hidden())
			if x.repeated > 1 {
				x.odds -= coasting * max(0, x.shown-codedShare)
			}
		}
	}
}

// rest lowers the odds of a picture that was held where things came to rest before it
// by shorter and shorter steps, and went on by longer and longer ones: three new ones
// before it and four after it tell.
func (b *builder) rest() {
	const before, after = 2, 3
	k := len(b.breaches) - 1
	if k < 0 {
		return
	}
	x := &b.breaches[k]
	if !x.live || x.chain != len(b.chains)-1 || b.recent[before].picture >= x.first || b.recent[after].picture <= x.last {
		return
	}
	step := func(i int) float32 { return b.recent[i].step.at }
	if last, next := step(before), step(after); last > 0 && next > 0 &&
		last < tapers*max(step(0), step(1)) && next < tapers*max(step(len(b.recent)-2), step(len(b.recent)-1)) {
		x.odds -= rested
	}
}

// hold notes a picture too many at a place of the pattern.
func (b *builder) hold(r *record, at, fresh int, everyNew bool) {
	odds := heldOdds(r, everyNew)
	shown := r.motionShown()
	rests := false
	slows := r.slows || r.after < b.newest
	if everyNew && slows && r.cells >= exactCells && b.moved < atRest*r.cells {
		odds -= rested
		rests = true
	}
	if everyNew {
		odds -= coasts(b.hidden)
	}
	if k := len(b.breaches) - 1; k >= 0 {
		if x := &b.breaches[k]; x.last == r.index-1 && x.repeated > 0 && x.chain == len(b.chains)-1 {
			x.repeated++
			x.last = r.index
			if rests {
				x.odds = min(x.odds, odds) // so did those before it
			} else if everyNew {
				// One that shows some of the motion is not held.
				x.odds = max(x.odds, odds)
				x.shown = max(x.shown, shown)
			} else {
				// Some of them are the pattern's own repeats.
				x.odds = min(x.odds, odds)
			}
			x.region = x.region.Union(r.region)
			return
		}
	}
	b.breaches = append(b.breaches, breach{first: r.index, last: r.index, repeated: 1, chain: len(b.chains) - 1,
		fresh: fresh, odds: odds, live: everyNew, shown: shown, expected: at + 1, found: at, step: r.step, region: r.region})
}
