package contour

import (
	"math"
	"time"
)

// chain is edges between the same two levels that continue each other from line
// to line.
type chain struct {
	edges       int
	from, to    int32   // lines
	least, most float32 // places on them
	left, right float32 // mean levels
	strayL      float32 // standard deviations of the levels
	strayR      float32
	stray       float32    // standard deviation of the step
	rank        int32      // how many contours of its gradient lie below it
	wide        float32    // mean
	length      float32    // raster pixels
	bend        float32    // standard deviation from a straight line, samples
	lean        float32    // of that line, samples along the lines for each from line to line
	speed       float32    // raster pixels a second
	luma        float32    // sum of the differences of luma across, codes of 8 bits
	jumps       [2]float32 // sums of those of Cb and Cr that are at once, from the lower side
	x, xx       float64    // sums for bend
	l, ll, lx   float64
	moved       float32
	followed    int
	gridded     int // edges on the grid of a codec's blocks
	fell        int // edges where the picture before had a slope
}

const (
	// A contour may run aslant by so many samples for each sample from line to
	// line: the lines of the other direction see it when it is steeper.
	aslant = 1.5
	// levelsAgree is the share of the step by which the levels beside two edges
	// of one contour may differ.
	levelsAgree = 0.3
	// missed is how many lines a contour may miss, and missedFilmed in what a
	// camera saw.
	missed, missedFilmed = 1, 3
	// leastEdges is how many lines a contour crosses at least: with sixteen
	// pixels of 1080 lines from one to the next, a twelfth of the height.
	leastEdges = 6
	// constant is the share of its step by which a level strays along a contour,
	// standard deviation: a contour follows one level, an edge of a thing
	// follows the thing.
	constant = 0.15
	// A chain of fewer edges than this is too short to tell whether it bends.
	bendEdges = 2 * leastEdges
	// straight is by how many samples, standard deviation, a line that is drawn
	// strays from straight: an edge is found to a sample.
	straight = 0.7
)

// grid is the pitch, raster pixels, of the blocks in which codecs transform, or
// half or a quarter of it (ITU-T H.264, H.265, MPEG-2: 8 to 32).
const grid = 8

// onGrid reports whether an edge lies on the grid of a codec's blocks.
func (t *tracer) onGrid(e *edge) bool {
	at := e.at * t.along
	if t.finer != nil {
		var ok bool
		if at, ok = t.finer.sharpest(at, (float32(e.line)+0.5)*float32(t.spacing)*t.aside, sharpWithin*t.along, e.step); !ok {
			return false
		}
	}
	return int(at+0.5)%grid == 0
}

// sharpWithin is how many samples from where an edge is seen softly its sharpest
// part is looked for.
const sharpWithin = 3

// sharpest returns the place, raster pixels along a line, near one that is given,
// in which most of an edge's step is taken at once, if there is one: of blocks that
// a codec rounded.
func (t *tracer) sharpest(along, aside, reach, step float32) (at float32, ok bool) {
	const most = 0.5 // of the step
	v := t.lines[min(max(int(aside/(float32(t.spacing)*t.aside)), 0), len(t.lines)-1)]
	from, to := max(int((along-reach)/t.along), 1), min(int((along+reach)/t.along), len(v)-2)
	best := most * magnitude(step)
	for x := from; x <= to; x++ {
		// A boundary between samples x-1 and x; a sample may lie across a block's.
		if d := magnitude(float32(v[x+1]+v[x]-v[x-1]-v[max(x-2, 0)]) / 2); d > best {
			at, best, ok = float32(x)*t.along, d, true
		}
	}
	return at, ok
}

// tip is the newest edge of a chain in the making.
type tip struct {
	edge  int32
	line  int32
	slope float32
}

// link gives each edge the edge before it of the same contour.
func (t *tracer) link() {
	t.tips = t.tips[:0]
	edges := t.edges
	gap := int32(missed)
	if t.drifts {
		gap = missedFilmed
	}
	for i := 0; i < len(edges); {
		line := edges[i].line
		n := i
		for n < len(edges) && edges[n].line == line {
			n++
		}
		keep := t.tips[:0]
		for _, p := range t.tips {
			if line-p.line <= gap+1 {
				keep = append(keep, p)
			}
		}
		t.tips = keep
		old := len(t.tips)
		for k := i; k < n; k++ {
			if j := t.before(&edges[k], old); j >= 0 {
				t.extend(j, int32(k))
			} else {
				t.tips = append(t.tips, tip{edge: int32(k), line: line})
			}
		}
		i = n
	}
}

// before returns which of the first n tips an edge continues best, or -1.
func (t *tracer) before(e *edge, n int) int {
	best, least := -1, float32(math.Inf(1))
	for j := range t.tips[:n] {
		p := &t.tips[j]
		if p.line == e.line {
			continue // another edge of this line was nearer
		}
		o := &t.edges[p.edge]
		down := float32(e.line-p.line) * float32(t.spacing)
		off := magnitude(e.at - o.at - p.slope*down)
		if off > aslant*down || off >= least || !e.follows(o) {
			continue
		}
		best, least = j, off
	}
	return best
}

// follows reports whether two edges have the same levels.
func (e *edge) follows(o *edge) bool {
	tol := levelsAgree * min(magnitude(e.step), magnitude(o.step))
	return e.step*o.step > 0 && magnitude(e.left-o.left) <= tol && magnitude(e.right-o.right) <= tol
}

// extend continues chain j by edge k.
func (t *tracer) extend(j int, k int32) {
	p, e := &t.tips[j], &t.edges[k]
	o := &t.edges[p.edge]
	slope := (e.at - o.at) / (float32(e.line-p.line) * float32(t.spacing))
	if o.before >= 0 {
		slope = (slope + p.slope) / 2
	}
	e.before = p.edge
	p.slope = max(-aslant, min(aslant, slope))
	p.edge, p.line = k, e.line
}

// gather makes chains of the links.
func (t *tracer) gather() {
	t.chains = t.chains[:0]
	for i := range t.edges {
		e := &t.edges[i]
		if e.before < 0 {
			e.contour = int32(len(t.chains))
			t.chains = append(t.chains, chain{from: e.line, least: e.at, most: e.at})
		} else {
			e.contour = t.edges[e.before].contour
		}
		c := &t.chains[e.contour]
		if e.before >= 0 {
			o := &t.edges[e.before]
			down := float32(e.line-o.line) * float32(t.spacing) * t.aside
			c.length += float32(math.Hypot(float64(down), float64((e.at-o.at)*t.along)))
		}
		c.take(e)
		if t.onGrid(e) {
			c.gridded++
		}
	}
	for i := range t.chains {
		t.chains[i].finish(t.spacing)
	}
}

func (c *chain) take(e *edge) {
	c.edges++
	c.to = e.line
	c.least, c.most = min(c.least, e.at), max(c.most, e.at)
	c.left += e.left
	c.right += e.right
	c.strayL += e.left * e.left
	c.strayR += e.right * e.right
	c.stray += e.step * e.step
	c.wide += e.wide
	x, l := float64(e.at), float64(e.line)
	c.x += x
	c.xx += x * x
	c.l += l
	c.ll += l * l
	c.lx += l * x
}

func (c *chain) finish(spacing int) {
	n := float32(c.edges)
	c.left, c.right, c.wide = c.left/n, c.right/n, c.wide/n
	c.strayL = root(float64(c.strayL/n) - float64(c.left)*float64(c.left))
	c.strayR = root(float64(c.strayR/n) - float64(c.right)*float64(c.right))
	c.stray = root(float64(c.stray/n) - sq(float64(c.step())))
	m := float64(c.edges)
	xx, ll, lx := c.xx/m-sq(c.x/m), c.ll/m-sq(c.l/m), c.lx/m-c.l/m*c.x/m
	if ll > 0 {
		c.bend = root(xx - lx*lx/ll)
		c.lean = float32(lx / ll)
	}
}

func sq(v float64) float64 { return v * v }

func root(v float64) float32 { return float32(math.Sqrt(max(v, 0))) }

func (c *chain) step() float32 { return magnitude(c.right - c.left) }

// jump is the mean of jumps, code values.
func (c *chain) jump(scale float64) (mean [2]float64) {
	for i, v := range c.jumps {
		mean[i] = float64(v) / float64(c.edges) * scale
	}
	return mean
}

// holds reports whether a chain is a contour.
func (t *tracer) holds(c *chain) bool {
	if c.edges < leastEdges {
		return false
	}
	if t.drifts {
		return c.stray <= constant*c.step()
	}
	return c.strayL <= constant*c.step() && c.strayR <= constant*c.step()
}

// speeds measures how fast contours moved since the picture before.
func (t *tracer) speeds(elapsed time.Duration) {
	if elapsed <= 0 || len(t.old) == 0 {
		return
	}
	reach := float32(fastest * linesAcross * float64(t.spacing) * elapsed.Seconds())
	k := 0
	for i := range t.edges {
		e := &t.edges[i]
		for k < len(t.old) && t.old[k].line < e.line {
			k++
		}
		best, moved := reach, float32(0)
		found := false
		for j := k; j < len(t.old) && t.old[j].line == e.line; j++ {
			if off := e.at - t.old[j].at; magnitude(off) < best && e.follows(&t.old[j]) {
				best, moved, found = magnitude(off), off, true
			}
		}
		if found {
			// With its sign, so that noise, which goes either way, is no move.
			c := &t.chains[e.contour]
			c.moved += moved
			c.followed++
		}
	}
	for i := range t.chains {
		c := &t.chains[i]
		if 2*c.followed >= c.edges {
			// Across itself, not along the line.
			run, down := float64((c.most-c.least)*t.along), float64(float32(c.to-c.from)*float32(t.spacing)*t.aside)
			lean := 1 / math.Sqrt(1+sq(run/max(down, 1)))
			c.speed = magnitude(c.moved) / float32(c.followed) * t.along / float32(elapsed.Seconds()) * float32(lean)
		}
	}
}

// falls counts the edges of contours where the look before had none between such levels
// on all of the line, and within them, where they are now, a level that went on: what
// sloped has fallen into plateaus.
func (t *tracer) falls() {
	const (
		// beyond is by how much of a step the level was beyond those beside the edge at
		// most: a table rounds to the nearest level, or the next below or above.
		beyond = 0.25
		// sloped is the share of the step by which the line rose at most where the edge
		// is now: of a slope between plateaus of the least width, less.
		sloped = 0.5
	)
	if !t.next || t.drifts {
		return
	}
	near := func(u []int32, from, to int) (mean float32) {
		for _, v := range u[max(from, 0):min(to, len(u))] {
			mean += float32(v)
		}
		return mean / float32(to-from)
	}
	k := 0
	for i := range t.edges {
		e := &t.edges[i]
		for k < len(t.old) && t.old[k].line < e.line {
			k++
		}
		c := &t.chains[e.contour]
		at, reach := int(e.at), leastBlurred+t.half
		u := t.was[e.line]
		if !t.holds(c) || at < reach || at+reach > len(u) {
			continue
		}
		low, high := near(u, at-reach, at-leastBlurred), near(u, at+leastBlurred, at+reach)
		size := magnitude(e.step)
		if magnitude(high-low) > sloped*size || magnitude((low+high)-(e.left+e.right)) > (1+2*beyond)*size {
			continue
		}
		fell := true
		for j := k; j < len(t.old) && t.old[j].line == e.line; j++ {
			fell = fell && !e.follows(&t.old[j])
		}
		if fell {
			c.fell++
		}
	}
}

// fastest is how fast a contour is followed, as a share of the width a second.
const fastest = 1.0 / 6
