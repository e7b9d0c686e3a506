package combing

import (
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
)

// look is a close look at one window, in figures. Costs are mean |differences|
// between the fields, in units, over samples where the two fields differ.
type look struct {
	window  image.Rectangle // raster pixels
	carrier carrier
	pixels  int // how many samples differ
	// dx, dy is where the odd field shows what the even field shows, from
	// there, in raster pixels.
	dx, dy float64
	still  float64 // cost without a displacement
	along  float64 // cost along dx, dy
	mirror float64 // least cost near -dx, -dy
	detail float64 // mean |difference| of neighbouring lines of one field
	edge   bool    // the displacement lies at the end of the search
	far    bool    // the displacement lies beyond the usual reach
	// histogram of the |difference| of the fields where they differ, in 8-bit
	// codes.
	histogram [256]int32
}

const (
	// The difference of the fields is smoothed over smoothX samples and
	// smoothY lines to either side before it is held against the noise: a
	// comb keeps its sign along an edge, what else differs does not.
	smoothX, smoothY = 1, 2
	smoothArea       = (2*smoothX + 1) * (2*smoothY + 1)
	// smoothNoise is the deviation of the smoothed difference for white noise
	// of deviation 1: the sum of (1 3 4 4 4 3 1)/10 down and 3 across.
	smoothNoise = 0.476
	// maskNoise deviations of it are passed by one sample in 16000.
	maskNoise = 4.0
	// maskFloor is the least smoothed difference that counts, in 8-bit codes:
	// less is lost among the steps of an 8-bit codec.
	maskFloor = 2.0
	// leastPixels have to differ: 6 lines of 4 samples.
	leastPixels = 24
	// A displacement is searched on tryPoints samples and measured on
	// measurePoints: their mean is then known to a tenth, and to a twentieth.
	tryPoints, measurePoints = 96, 256
	// convincing is the share of the cost without a displacement below which
	// a displacement along the line needs no search in two dimensions.
	convincing = 0.3
	// promising is the share of the coarse cost without a displacement
	// below which a coarse displacement is worth a search.
	promising = 0.85
	// mostCoarse squares to either side are searched in two dimensions.
	mostCoarse = 12
	// farReach times the usual reach is searched along the line where more
	// than explainedFar of the difference is left, and lines of one field
	// differ by less than plainFar of it, which detail never does.
	farReach, explainedFar, plainFar = 5, 0.5, 0.5
	// asWell times the least cost is no worse.
	asWell = 1.25
	// mostDetail is the share of the difference between the fields by which
	// neighbouring lines of one field may differ. White noise, and detail as
	// fine as the lines, make them differ by as much as the fields do, 1.15
	// (computed for noise) and hardly less after a codec; in combs over
	// foliage, gravel and grain it is 0.3 to 0.4, and below 0.8 in 98 of 100
	// cells and looks (measured on invented takes).
	mostDetail = 0.8
	// What a scaler took from a comb is made up for where it took a third or more,
	// up to what the noise of a good take stands. One that makes a picture larger
	// leaves 0.77 and more of it; one that makes it smaller by three to four 0.1 to
	// 0.32, by two to three 0.17 at most (measured with FFmpeg's). The samples have
	// to keep to one gain by this correlation, squared.
	leastRaised, mostRaised = 1.5, 6.0
	leastLinear             = 0.5
	// rowMargin is how many lines beyond the window a search along the line
	// reads.
	rowMargin = smoothY
)

// place is a sample of a window.
type place struct{ x, y int16 }

// point is a sample of fields: its place and its index.
type point struct {
	place
	at int32
}

// looker holds the memory of close looks.
type looker struct {
	own, near, coarse fields
	column            []int32
	mask              []place // samples of the window in which the fields differ
	points            []point // a spread choice of mask as samples of own
	few               []point // a smaller choice
	tops              [4]candidate
	products          []float64 // of lost
	mask2             []place
	few2              []point
	// Of the window last sampled: its lines at some columns, a carrier line
	// by line, and a row of its envelope.
	samples        []float32
	columns, lines int
	turns          []complex64
	re, im         []float32
}

// candidate is a displacement with its cost.
type candidate struct {
	cost  float64
	x, y  int
	reach int // how far along the line was searched, where that differs
}

// take looks at the window of p for a comb along carrier c, where at does not
// say that nothing moves. noise is the deviation of noise and r how far
// displacements are searched. It reports whether the fields differ in enough
// samples for the figures to mean something.
func (l *looker) take(p *picture.Plane, at rest, window image.Rectangle, c carrier, noise float64, r image.Point) (look, bool) {
	k := look{window: window, carrier: c}
	step := c.step()
	w, h := window.Dx(), window.Dy()/step
	// Displacements of f are in rows.
	r.Y /= step
	f := &l.own
	load := func(mx, my int) {
		f.load(p, c, window.Min.X-mx, window.Min.Y-my*step, w+2*mx, h+2*my)
	}
	load(smoothX, smoothY)
	// Beyond the edge the last samples come again, which noise does not
	// stand smoothing over.
	inside := image.Rectangle{f.inside.Min.Add(image.Pt(smoothX, smoothY)), f.inside.Max.Sub(image.Pt(smoothX, smoothY))}
	l.findMask(f, image.Rect(smoothX, smoothY, smoothX+w, smoothY+h).Intersect(inside), l.threshold(noise))
	l.leaveOut(at, window.Min, step)
	k.pixels = len(l.mask)
	if k.pixels < leastPixels {
		return k, false
	}
	// Grain and detail that no field resolves go before the search, which is
	// what a look costs.
	l.choose(f, smoothX, smoothY)
	differ := l.cost(f, l.few, 0, 0) / l.detailOf(f)
	if differ < 1/mostDetail && (!c.inUse || differ < 1/(mostDetail*mostRaised)) {
		return k, false
	}
	// A sample more to all sides, for the fraction.
	mx, my := r.X+1, rowMargin
	load(mx, my)
	l.choose(f, mx, my)
	if c.inUse {
		gain, told := l.lost(f, image.Pt(r.X, 0))
		if !told {
			load(mx, r.Y+1)
			l.choose(f, mx, r.Y+1)
			gain, _ = l.lost(f, r)
		}
		raised := gain >= leastRaised
		if raised {
			c.gain = gain
			k.carrier = c
		}
		if raised || !told {
			load(mx, my)
			l.choose(f, mx, my)
		}
		differ = l.cost(f, l.few, 0, 0) / l.detailOf(f)
		if differ < 1/mostDetail {
			return k, false
		}
	}
	best := candidate{cost: l.cost(f, l.few, 0, 0)}
	still := best.cost
	f.rowCosts(len(l.few), 0, r.X, func(dx int, cost float64) {
		if cost < best.cost {
			best = candidate{cost: cost, x: dx}
		}
	})
	best = l.descend(f, best, image.Pt(r.X, rowMargin-1))
	if best.cost > convincing*still {
		for i := range l.tops {
			l.tops[i].cost = math.MaxFloat64
		}
		my = r.Y + 2
		var found bool
		if c == woven {
			// The coarse search spares the large part from being loaded
			// when it finds nothing.
			q := 2
			for r.X/q > mostCoarse {
				q *= 2
			}
			if found = l.searchCoarse(p, window, q, r.X/q, r.Y/q); found {
				load(mx, my)
				l.choose(f, mx, my)
			}
		} else {
			load(mx, my)
			l.choose(f, mx, my)
			found = l.searchSparse(f, r, promising*still)
		}
		for _, t := range l.tops {
			if found && t.cost < math.MaxFloat64 {
				t.cost = l.cost(f, l.few, t.x, t.y)
				if t = l.descend(f, t, r); t.cost < best.cost {
					best = t
				}
			}
		}
	}
	if c == woven && best.cost > explainedFar*still && l.detailOf(f) < plainFar*still {
		// Each field is plain by itself, and nothing near explains the
		// difference: what the other field shows may lie further away.
		if far, ok := l.searchFar(p, window, r); ok && far.cost < best.cost {
			best, r.X, k.far = far, far.reach, true
			mx = r.X + 1
		} else if ok {
			load(mx, my)
			l.choose(f, mx, my)
		}
	}
	best = l.shorten(f, best)
	k.edge = abs(best.x) >= r.X || abs(best.y) >= r.Y
	l.measure(f, &k, best, image.Pt(mx, (f.h-h)/2))
	k.dy *= float64(step)
	return k, true
}

// lost returns by how much the difference between the fields of f has to be raised
// to make up for what a scaler took of it, and whether a displacement up to reach
// tells so. A scaler that makes a picture smaller mixes lines, so that each field
// holds a part of the other. Where the even field shows at x what the odd one does
// at x+d, the mean b of the fields and half of their difference v satisfy
//
//	b(x+d) - b(x) = gain (v(x) + v(x+d))
//
// for all samples, and hardly do where there is no comb.
func (l *looker) lost(f *fields, reach image.Point) (gain float64, told bool) {
	best := leastLinear
	step := 1
	if reach.Y > 0 {
		step = 2
	}
	n := 2*reach.X + 1
	l.products = slices.Grow(l.products[:0], 3*n)[:3*n]
	across, means, differences := l.products[:n], l.products[n:2*n], l.products[2*n:]
	for dy := -reach.Y; dy <= reach.Y; dy++ {
		f.lines.Products(across, means, differences, f.even, f.odd, f.at, dy*f.w-reach.X)
		for i := 0; i < n; i += step {
			if a := across[i]; a > 0 && a*a > best*means[i]*differences[i] {
				best, gain, told = a*a/(means[i]*differences[i]), a/differences[i], true
			}
		}
	}
	return min(gain, mostRaised), told
}

// shorten returns the part of displacement c along the line or across it where
// that does as well: along an edge any displacement does.
func (l *looker) shorten(f *fields, c candidate) candidate {
	limit := c.cost * asWell
	for _, part := range []candidate{{y: c.y, reach: c.reach}, {x: c.x, reach: c.reach}} {
		if part.x == c.x && part.y == c.y {
			continue
		}
		// The part may lie beside the least cost.
		best := candidate{cost: math.MaxFloat64}
		for d := -1; d <= 1; d++ {
			t := part
			if t.x == 0 {
				t.y += d
			} else {
				t.x += d
			}
			if t.cost = f.costBelow(l.few, t.x, t.y, best.cost); t.cost < best.cost {
				best = t
			}
		}
		if best.cost <= limit {
			return best
		}
	}
	return c
}

// searchFar looks for a displacement along the line beyond r. Where it reports
// one it leaves the fields loaded for that, else as they were.
func (l *looker) searchFar(p *picture.Plane, window image.Rectangle, r image.Point) (candidate, bool) {
	for i := range l.tops {
		l.tops[i].cost = math.MaxFloat64
	}
	q := 8
	for farReach*r.X/q > 4*mostCoarse {
		q *= 2
	}
	if !l.searchCoarse(p, window, q, farReach*r.X/q, 1) {
		return candidate{}, false
	}
	c := l.tops[0]
	reach := image.Pt(abs(c.x)+q, r.Y)
	mx, my := reach.X+1, reach.Y+2
	f := &l.own
	f.load(p, woven, window.Min.X-mx, window.Min.Y-my, window.Dx()+2*mx, window.Dy()+2*my)
	l.choose(f, mx, my)
	c.cost = l.cost(f, l.few, c.x, c.y)
	c = l.descend(f, c, reach)
	c.reach = reach.X
	return c, true
}

// searchSparse tries every second displacement and leaves the best ones in
// l.tops. It reports whether any costs less than limit.
func (l *looker) searchSparse(f *fields, r image.Point, limit float64) bool {
	const apart = 2
	n := len(l.few) / 2
	found := false
	for dy := -r.Y; dy <= r.Y; dy++ {
		f.rowCosts(n, dy, r.X, func(dx int, cost float64) {
			if cost < limit && (dx+r.X)%apart == 0 {
				found = true
				l.insert(candidate{cost: cost, x: dx, y: dy}, apart)
			}
		})
	}
	return found
}

// threshold is the least smoothed difference between fields that noise of the
// given deviation does not explain.
func (l *looker) threshold(noise float64) int32 {
	return int32(max(maskFloor*unit, maskNoise*smoothNoise*noise))
}

// extent returns the part of window in which the fields differ by more than
// threshold.
func (l *looker) extent(p *picture.Plane, window image.Rectangle, c carrier, threshold int32) image.Rectangle {
	step := c.step()
	w, h := window.Dx(), window.Dy()/step
	f := &l.own
	f.load(p, c, window.Min.X-smoothX, window.Min.Y-smoothY*step, w+2*smoothX, h+2*smoothY)
	l.findMask(f, image.Rect(smoothX, smoothY, smoothX+w, smoothY+h), threshold)
	if len(l.mask) == 0 {
		return image.Rectangle{}
	}
	x0, x1 := int16(w), int16(0)
	for _, m := range l.mask {
		x0, x1 = min(x0, m.x), max(x1, m.x)
	}
	y0, y1 := int(l.mask[0].y), int(l.mask[len(l.mask)-1].y)
	return image.Rect(int(x0), y0*step, int(x1)+1, (y1+1)*step).Add(window.Min)
}

// findMask gathers the samples in the part in of f where the smoothed
// difference between the fields exceeds threshold. Their places begin at
// sample smoothX, smoothY of f.
func (l *looker) findMask(f *fields, in image.Rectangle, threshold int32) {
	l.mask = l.mask[:0]
	if in.Empty() {
		return
	}
	n := in.Dx() + 2*smoothX
	if cap(l.column) < n {
		l.column = make([]int32, n)
	}
	col := l.column[:n]
	clear(col)
	add := func(y int) {
		i := y*f.w + in.Min.X - smoothX
		e, o := f.even[i:][:n], f.odd[i:][:n]
		for i := range col {
			col[i] += int32(e[i]) - int32(o[i])
		}
	}
	remove := func(y int) {
		i := y*f.w + in.Min.X - smoothX
		e, o := f.even[i:][:n], f.odd[i:][:n]
		for i := range col {
			col[i] -= int32(e[i]) - int32(o[i])
		}
	}
	for y := in.Min.Y - smoothY; y < in.Min.Y+smoothY; y++ {
		add(y)
	}
	limit := uint32(threshold * smoothArea)
	for y := in.Min.Y; y < in.Max.Y; y++ {
		add(y + smoothY)
		for x := range n - 2*smoothX {
			if s := col[x] + col[x+1] + col[x+2]; uint32(s)+limit > 2*limit {
				l.mask = append(l.mask, place{int16(x + in.Min.X - smoothX), int16(y - smoothY)})
			}
		}
		remove(y - smoothY)
	}
}

// leaveOut takes the samples out of the mask whose cells are at rest: lines as
// fine as a comb that something moves in front of. The mask begins at raster
// place min, its rows step lines apart.
func (l *looker) leaveOut(at rest, min image.Point, step int) {
	kept := l.mask[:0]
	for _, m := range l.mask {
		if !at.cell(min.X+int(m.x), min.Y+int(m.y)*step) {
			kept = append(kept, m)
		}
	}
	l.mask = kept
}

// choose spreads points over the mask, whose origin is at mx, my of f.
func (l *looker) choose(f *fields, mx, my int) {
	l.points = spread(l.points[:0], l.mask, measurePoints, f.w, mx, my)
	l.few = spread(l.few[:0], l.mask, tryPoints, f.w, mx, my)
	f.chosen(l.few)
}

// chosen notes the points that displacements are searched on.
func (f *fields) chosen(points []point) {
	f.at, f.span = f.at[:0], image.Rectangle{}
	for _, p := range points {
		f.at = append(f.at, p.at)
		f.span = f.span.Union(image.Rect(int(p.x), int(p.y), int(p.x)+1, int(p.y)+1))
	}
}

// rowCosts calls do with costs over the first n of the chosen points, which are few: of all
// displacements by dy rows and up to reach samples to either side.
func (f *fields) rowCosts(n, dy, reach int, do func(dx int, cost float64)) {
	n &^= 1
	if n == 0 {
		return
	}
	var within []int32
	if f.clipped && !f.span.In(f.reachable(reach, dy)) {
		f.reach = f.reach[:0]
		for _, at := range f.at[:n] {
			f.reach = append(f.reach, int32(f.reachAt(int(at)%f.w, int(at)/f.w, dy)))
		}
		within = f.reach
	}
	f.sums = slices.Grow(f.sums[:0], 2*reach+1)[:2*reach+1]
	f.lines.Costs(f.sums, f.even, f.odd, f.at[:n], within, dy*f.w, -reach)
	for i, sum := range f.sums {
		if sum < math.MaxInt32 {
			do(i-reach, float64(sum)/float64(n/2))
		}
	}
}

// reachAt is how far to either side a displacement by dy rows leads from a sample to a
// place in the picture both ways, -1 where it does nowhere.
func (f *fields) reachAt(x, y, dy int) int {
	if r := f.reachable(0, dy); y < r.Min.Y || y >= r.Max.Y {
		return -1
	}
	return max(-1, min(x-f.inside.Min.X, f.inside.Max.X-1-x))
}

func spread(to []point, mask []place, most, stride, mx, my int) []point {
	n := len(mask)
	k := min(n, most)
	for i := range k {
		m := mask[(i*n+n/2)/k]
		x, y := int(m.x)+mx, int(m.y)+my
		to = append(to, point{place{int16(x), int16(y)}, int32(y*stride + x)})
	}
	return to
}

// cost is the mean |difference| between the fields over the points, when the
// odd field shows the even field's content dx, dy away. Half of the points are
// looked for in the odd field and half in the even one, and the worse half
// counts: a line that only one field has is explained by what lies beside it
// one way round, but not the other.
func (l *looker) cost(f *fields, points []point, dx, dy int) float64 {
	return f.costBelow(points, dx, dy, math.MaxFloat64)
}

// costPiece points are summed before a cost is held against its limit.
const costPiece = 16

// costBelow is cost, or anything that is not below limit where cost is not.
func (f *fields) costBelow(points []point, dx, dy int, limit float64) float64 {
	n := len(points) &^ 1
	most := int32(min(limit*float64(n/2), math.MaxInt32))
	if f.clipped && !f.span.In(f.reachable(dx, dy)) {
		return f.costInside(points[:n], dx, dy, most)
	}
	o := dy*f.w + dx
	even, odd := f.even, f.odd
	odd = odd[:len(even)]
	var forth, back int32
	for from := 0; from < n; from += costPiece {
		piece := points[from:min(from+costPiece, n)]
		for i := 0; i+1 < len(piece); i += 2 {
			p, q := int(piece[i].at), int(piece[i+1].at)
			d := int32(even[p]) - int32(odd[p+o])
			g := int32(odd[q]) - int32(even[q-o])
			m, k := d>>31, g>>31
			forth += (d ^ m) - m
			back += (g ^ k) - k
		}
		if max(forth, back) > most {
			return math.MaxFloat64
		}
	}
	return float64(max(forth, back)) / float64(n/2)
}

// costInside is costBelow at the edge of the picture, for sums of most at most. A
// point from which the displacement leads outside one way or the other says nothing:
// it keeps its difference without a displacement, so that neither direction gains.
// Where most points do, there is no cost to tell.
func (f *fields) costInside(points []point, dx, dy int, most int32) float64 {
	o := dy*f.w + dx
	var s [2]int32
	outside := 0
	inside := f.reachable(dx, dy)
	for i, p := range points {
		q := int(p.at)
		switch {
		case !p.in(inside):
			s[i&1] += int32(abs(int(f.even[q]) - int(f.odd[q])))
			outside++
		case i&1 == 0:
			s[0] += int32(abs(int(f.even[q]) - int(f.odd[q+o])))
		default:
			s[1] += int32(abs(int(f.odd[q]) - int(f.even[q-o])))
		}
		if i%costPiece == costPiece-1 && max(s[0], s[1]) > most {
			return math.MaxFloat64
		}
	}
	if 2*outside > len(points) {
		return math.MaxFloat64
	}
	return float64(max(s[0], s[1])) / float64(len(points)/2)
}

// reachable is the part of f from which dx, dy leads to a place in the picture
// both ways.
func (f *fields) reachable(dx, dy int) image.Rectangle {
	dx, dy = abs(dx), abs(dy)
	r := f.inside
	return image.Rectangle{r.Min.Add(image.Pt(dx, dy)), r.Max.Sub(image.Pt(dx, dy))}
}

// in reports whether the place lies in r.
func (p place) in(r image.Rectangle) bool {
	return int(p.x) >= r.Min.X && int(p.x) < r.Max.X && int(p.y) >= r.Min.Y && int(p.y) < r.Max.Y
}

const (
	// A point is explained when less than pointExplained of its difference
	// is left.
	pointExplained = 1.0 / 3
	// bothWays is the share of points that have to be explained each way
	// round before either way counts.
	bothWays = 0.25
)

// costEither is cost, but lets each point be explained one way or the other:
// where a thing hides what is behind it in one field, only that field's
// content can be found in the other. That counts as far as both ways explain
// some points; a line that only one field has is explained one way alone.
func (f *fields) costEither(points []point, dx, dy int) float64 {
	o := dy*f.w + dx
	reachable := f.reachable(dx, dy)
	var forth, back, either, forthN, backN, outside int
	for _, p := range points {
		q := int(p.at)
		still := abs(int(f.even[q]) - int(f.odd[q]))
		a, b := still, still
		if !f.clipped || p.in(reachable) {
			a = abs(int(f.even[q]) - int(f.odd[q+o]))
			b = abs(int(f.odd[q]) - int(f.even[q-o]))
		} else {
			outside++
		}
		forth += a
		back += b
		either += min(a, b)
		if limit := int(float64(still) * pointExplained); a < limit || b < limit {
			if a < limit {
				forthN++
			}
			if b < limit {
				backN++
			}
		}
	}
	n := float64(len(points))
	if 2*outside > len(points) {
		return math.MaxFloat64
	}
	share := min(1, float64(min(forthN, backN))/(bothWays*n))
	return (share*float64(either) + (1-share)*float64(max(forth, back))) / n
}

// descend walks from c to the least cost near it, no further than r.
func (l *looker) descend(f *fields, c candidate, r image.Point) candidate {
	for step := 2; step > 0; {
		best := c
		for j := -step; j <= step; j += step {
			for i := -step; i <= step; i += step {
				x, y := c.x+i, c.y+j
				if i == 0 && j == 0 || abs(x) > r.X || abs(y) > r.Y {
					continue
				}
				if k := f.costBelow(l.few, x, y, best.cost); k < best.cost {
					best = candidate{cost: k, x: x, y: y}
				}
			}
		}
		if best == c {
			step--
		}
		c = best
	}
	return c
}

// measure fills the figures of k for displacement c. f lies margin beyond the
// window.
func (l *looker) measure(f *fields, k *look, c candidate, margin image.Point) {
	at := func(dx, dy int) float64 {
		if abs(dx) > margin.X || abs(dy) > margin.Y {
			return math.MaxFloat64
		}
		return f.costEither(l.points, dx, dy)
	}
	k.still, k.along = at(0, 0), at(c.x, c.y)
	k.mirror = math.MaxFloat64
	for j := -1; j <= 1; j++ {
		for i := -1; i <= 1; i++ {
			k.mirror = min(k.mirror, at(-c.x+i, -c.y+j))
		}
	}
	k.dx = float64(c.x) + vertex(at(c.x-1, c.y), k.along, at(c.x+1, c.y))
	k.dy = float64(c.y) + vertex(at(c.x, c.y-1), k.along, at(c.x, c.y+1))
	k.detail = l.detailOf(f)
	for _, p := range l.points {
		seen := float64(abs(int(f.even[p.at])-int(f.odd[p.at]))) / k.carrier.raised()
		k.histogram[min(int(seen)/unit, 255)]++
	}
}

// detailOf is the mean |difference| between neighbouring lines of one field at
// the points.
func (l *looker) detailOf(f *fields) float64 {
	s := 0
	for _, p := range l.few {
		i := int(p.at)
		s += abs(int(f.even[i-f.w]) - int(f.even[i+f.w]))
		s += abs(int(f.odd[i-f.w]) - int(f.odd[i+f.w]))
	}
	return float64(s) / float64(2*len(l.few))
}

// vertex returns where, between -1/2 and 1/2, a V through three costs of
// which b is the least has its point: costs of mean |differences| rise in
// straight lines from their minimum.
func vertex(a, b, c float64) float64 {
	if a == math.MaxFloat64 || c == math.MaxFloat64 {
		return 0
	}
	steep := max(a, c) - b
	if steep <= 0 {
		return 0
	}
	return max(-0.5, min(0.5, (a-c)/(2*steep)))
}

// searchCoarse tries all displacements up to rx, ry squares on fields averaged
// over squares of q pixels, and leaves the best ones, apart from one another,
// in l.tops. It reports whether any is promising.
func (l *looker) searchCoarse(p *picture.Plane, window image.Rectangle, q, rx, ry int) bool {
	c := &l.coarse
	c.average(p, window.Min.X-rx*q, window.Min.Y&^1-ry*q, window.Dx()/q+2*rx, window.Dy()/q+2*ry, q)
	points := l.coarsePoints(c, rx, ry)
	if len(points) < 2 {
		return false
	}
	limit := promising * l.cost(c, points, 0, 0)
	found := false
	c.chosen(points)
	for dy := -ry; dy <= ry; dy++ {
		c.rowCosts(len(points), dy, rx, func(dx int, cost float64) {
			if cost < limit {
				found = true
				l.insert(candidate{cost: cost, x: dx * q, y: dy * q}, q)
			}
		})
	}
	return found
}

// insert puts c among the best candidates unless a better one is its
// neighbour on a grid of q.
func (l *looker) insert(c candidate, q int) {
	t := l.tops[:]
	at := len(t) - 1
	for i := range t {
		if t[i].cost < math.MaxFloat64 && abs(t[i].x-c.x) <= q && abs(t[i].y-c.y) <= q {
			if t[i].cost <= c.cost {
				return
			}
			at = i
			break
		}
	}
	if t[at].cost <= c.cost {
		return
	}
	for ; at > 0 && t[at-1].cost > c.cost; at-- {
		t[at] = t[at-1]
	}
	t[at] = c
}

// coarsePoints returns the coarse samples of the window in which the fields
// differ by more than the mean.
func (l *looker) coarsePoints(c *fields, mx, my int) []point {
	sum := 0
	w, h := c.w-2*mx, c.h-2*my
	for y := my; y < my+h; y++ {
		for i := y*c.w + mx; i < y*c.w+mx+w; i++ {
			sum += abs(int(c.even[i]) - int(c.odd[i]))
		}
	}
	mean := sum / (w * h)
	l.mask2 = l.mask2[:0]
	for y := range h {
		for x := range w {
			i := (y+my)*c.w + x + mx
			if abs(int(c.even[i])-int(c.odd[i])) > mean {
				l.mask2 = append(l.mask2, place{int16(x), int16(y)})
			}
		}
	}
	l.few2 = spread(l.few2[:0], l.mask2, tryPoints, c.w, mx, my)
	return l.few2
}

func abs(v int) int {
	if v < 0 {
		return -v
	}
	return v
}
