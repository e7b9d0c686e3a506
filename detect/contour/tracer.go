package contour

import (
	"image"
	"math"
	"time"

	"setwitness/detect/cells"
)

// plate is a plane of samples as lines are taken from it. Exactly one of pix8
// and pix16 is set.
type plate struct {
	w, h         int
	pix8         []uint8
	pix16        []uint16
	stride       int
	stepX, stepY int   // raster pixels to a sample
	full         int32 // a code of 8 bits in samples
}

// tracer finds contours across the lines of one direction of one plane.
type tracer struct {
	liner
	across  bool    // lines are columns
	finer   *tracer // the same direction of the plane that this one's is the means of
	spacing int     // samples from line to line
	thick   int     // samples that a line is the mean of
	along   float32
	aside   float32 // raster pixels to a sample along the line and across
	lines   [][]int32
	flat    []int32
	was     [][]int32 // lines of what was loaded before
	flatWas []int32
	loaded  time.Duration // when lines were
	next    bool          // was is of the look just before
	edges   []edge
	chains  []chain
	tips    []tip
	parents []int32
	pairs   map[[2]int32]int
	old     []edge // of the picture looked at before
	list    [][]*chain
	at      map[int32]int
}

const (
	// linesAcross is how many lines cross a plane along its width; as far
	// from each other are those along its height.
	linesAcross = 120
	// windowsAcross is the width of a plane over that of the half window over
	// which a jump is taken: plateaus are twice as wide at least.
	windowsAcross = 320
)

func newTracer(p *plate, across bool, least *[levels]float32) *tracer {
	t := &tracer{across: across, pairs: map[[2]int32]int{}, at: map[int32]int{}}
	t.spacing = max(4, (p.w+linesAcross/2)/linesAcross)
	t.thick = max(2, t.spacing/2)
	n, long := p.h/t.spacing, p.w
	t.along, t.aside = float32(p.stepX), float32(p.stepY)
	if across {
		n, long = p.w/t.spacing, p.h
		t.along, t.aside = t.aside, t.along
	}
	t.lines, t.was = make([][]int32, n), make([][]int32, n)
	both := make([]int32, 2*n*long)
	for i := range n {
		t.lines[i], t.was[i] = both[i*long:(i+1)*long], both[(n+i)*long:(n+i+1)*long]
	}
	t.flat, t.flatWas = both[:n*long], both[n*long:]
	t.prepare(max(3, (p.w+windowsAcross/2)/windowsAcross), least, long)
	return t
}

// load takes the lines from a plane, now, elapsed after the look before.
func (t *tracer) load(p *plate, now, elapsed time.Duration) {
	t.next = elapsed > 0 && t.loaded == now-elapsed
	t.loaded = now
	t.lines, t.was = t.was, t.lines
	t.flat, t.flatWas = t.flatWas, t.flat
	skip := (t.spacing - t.thick) / 2
	scale := int32((one << cells.LineShift) / (p.full * int32(t.thick)))
	if t.across {
		t.kernel.Columns(t.flat, p.from(0, skip), p.h, len(t.lines), t.spacing, t.thick, scale)
		return
	}
	for i, v := range t.lines {
		t.kernel.Row(v, p.from(i*t.spacing+skip, 0), t.thick, scale)
	}
}

// from returns the samples from a row and column on.
func (p *plate) from(row, column int) cells.Samples {
	at := row*p.stride + column
	if p.pix8 != nil {
		return cells.Samples{Pix: p.pix8[at:], Stride: p.stride}
	}
	return cells.Samples{Pix16: p.pix16[at:], Stride: p.stride}
}

// trace finds the contours of the lines, elapsed after those before.
func (t *tracer) trace(elapsed time.Duration) {
	t.old = append(t.old[:0], t.edges...)
	t.edges = t.edges[:0]
	for i, v := range t.lines {
		t.edges = t.find(t.edges, i, v)
	}
	t.link()
	t.gather()
	t.speeds(elapsed)
	t.falls()
	t.group()
}

func (t *tracer) root(i int32) int32 {
	for t.parents[i] != i {
		t.parents[i] = t.parents[t.parents[i]]
		i = t.parents[i]
	}
	return i
}

// alike is how many times one step of a gradient may be as large as the next.
const alike = 2.5

// group joins contours that have a plateau between them.
func (t *tracer) group() {
	t.parents = t.parents[:0]
	for i := range t.chains {
		t.parents = append(t.parents, int32(i))
	}
	clear(t.pairs)
	for i := range t.edges {
		e := &t.edges[i]
		if e.next < 0 {
			continue
		}
		a, b := e.contour, t.edges[e.next].contour
		if t.holds(&t.chains[a]) && t.holds(&t.chains[b]) {
			t.pairs[[2]int32{a, b}]++
		}
	}
	for p, n := range t.pairs {
		a, b := &t.chains[p[0]], &t.chains[p[1]]
		if n < leastEdges/2 || max(a.step(), b.step()) > alike*min(a.step(), b.step()) {
			delete(t.pairs, p)
			continue
		}
		t.parents[t.root(p[0])] = t.root(p[1])
	}
	if t.drifts {
		t.order()
	}
}

// mostRanks ends the count of contours one above the other where noise has made
// a ring of them.
const mostRanks = 64

// order counts how many contours lie below each of its gradient.
func (t *tracer) order() {
	for changed, round := true, 0; changed && round < mostRanks; round++ {
		changed = false
		for p := range t.pairs {
			below, above := &t.chains[p[0]], &t.chains[p[1]]
			if below.right < below.left {
				below, above = above, below
			}
			if above.rank <= below.rank {
				above.rank, changed = below.rank+1, true
			}
		}
	}
}

// bands lists the contours of each gradient.
func (t *tracer) bands() [][]*chain {
	clear(t.at)
	list := t.list[:0]
	for i := range t.chains {
		c := &t.chains[i]
		if !t.holds(c) {
			continue
		}
		r := t.root(int32(i))
		k, ok := t.at[r]
		if !ok {
			k = len(list)
			t.at[r] = k
			if k < cap(list) {
				list = list[:k+1]
				list[k] = list[k][:0]
			} else {
				list = append(list, nil)
			}
		}
		list[k] = append(list[k], c)
	}
	t.list = list
	n := 0
	for i := range list {
		// One contour alone is a shape's border.
		if len(list[i]) > 1 {
			list[n], list[i] = list[i], list[n]
			n++
		}
	}
	return list[:n]
}

// contour states a chain in raster pixels and codes of the take.
func (t *tracer) contour(c *chain, p *plate, scale float64) Contour {
	a, b := int(c.least*t.along), int(math.Ceil(float64(c.most*t.along)))+1
	lo, hi := int(float32(c.from)*float32(t.spacing)*t.aside), int(float32(c.to+1)*float32(t.spacing)*t.aside)
	o := Contour{
		Region: image.Rect(a, lo, b, hi),
		Low:    float64(min(c.left, c.right)) / one * scale, High: float64(max(c.left, c.right)) / one * scale,
		Wide: float64(c.wide * t.along), Straight: c.edges >= bendEdges && c.bend < straight, Speed: float64(c.speed),
	}
	if t.across {
		o.Region = image.Rect(lo, a, hi, b)
	}
	o.Region = o.Region.Intersect(image.Rect(0, 0, p.w*p.stepX, p.h*p.stepY))
	run := (c.most - c.least) * t.along
	down := float32(c.to-c.from) * float32(t.spacing) * t.aside
	if run <= down {
		o.Length = float64(c.length)
	}
	o.Upright = o.Straight && run < 2*t.along
	o.Angle = math.Atan2(float64(c.lean*t.along), float64(float32(t.spacing)*t.aside))
	if t.across {
		o.Angle = math.Pi/2 - o.Angle
	}
	o.Gridded = float64(c.gridded) / float64(c.edges)
	o.Fell = 2*c.fell > c.edges
	o.Rank = int(c.rank)
	o.LumaStep = float64(c.luma) / float64(c.edges) * scale
	return o
}

// each calls do with every edge of what is a contour, its contour, and where it is along
// and across a line, raster pixels.
func (t *tracer) each(do func(e *edge, c *chain, u, v float32)) {
	for i := range t.edges {
		e := &t.edges[i]
		if c := &t.chains[e.contour]; t.holds(c) {
			do(e, c, e.at*t.along, (float32(e.line)+0.5)*float32(t.spacing)*t.aside)
		}
	}
}

// lumaSteps measures, for a tracer of chroma, how much luma differs across each
// contour, in codes of 8 bits, but for a slope that goes on beside it.
func (t *tracer) lumaSteps(luma *plate) {
	if len(t.chains) == 0 {
		return
	}
	off := float32(t.half+mostBlurred) * t.along
	t.each(func(_ *edge, c *chain, u, v float32) {
		near := t.sample(luma, u+off/2, v) - t.sample(luma, u-off/2, v)
		far := t.sample(luma, u+off, v) - t.sample(luma, u-off, v)
		// Of a slope nothing is left; where there is none, noise counts once.
		c.luma += min(magnitude(far), magnitude(2*near-far))
	})
}

// sample is that of a plane at a place along and across a line, raster pixels, in codes
// of 8 bits.
func (t *tracer) sample(p *plate, u, v float32) float32 {
	if t.across {
		u, v = v, u
	}
	at := min(max(int(v)/p.stepY, 0), p.h-1)*p.stride + min(max(int(u)/p.stepX, 0), p.w-1)
	if p.pix8 != nil {
		return float32(p.pix8[at]) / float32(p.full)
	}
	return float32(p.pix16[at]) / float32(p.full)
}

// chromaJumps measures, for a tracer of luma, by how much planes of chroma change at
// once where luma does.
func (t *tracer) chromaJumps(chroma *[2]plate) {
	// Twice the samples that a chroma plane's edge takes, raster pixels; a slope goes on
	// beyond, an edge does not.
	const off = 6
	t.each(func(e *edge, c *chain, u, v float32) {
		rise := float32(off)
		if e.step < 0 {
			rise = -off
		}
		for k := range chroma {
			p := &chroma[k]
			near := t.sample(p, u+rise, v) - t.sample(p, u-rise, v)
			far := t.sample(p, u+2*rise, v) - t.sample(p, u-2*rise, v)
			c.jumps[k] += 2*near - far
		}
	})
}
