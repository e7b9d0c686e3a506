package screen

import (
	"cmp"
	"image"
	"math"
	"slices"

	"setwitness/decode/screen/opencv"
)

// Points of light in a dark scene leave most of a screen as dark as the room around it: no
// part of its border shows as the side of something lit. But what lights reach a side end
// there, all along one straight line, and outside of it there is nothing anywhere. How much
// brighter it gets across such a line is therefore summed over its whole length, against
// what lies beside each other farther out, which says what noise makes of that.

const (
	// segments is the number of parts of a side, each taken for what its own light makes
	// of it: a few bright lights are not to outweigh all the rest.
	segments = 48
	// segmentRise is at most what one of them counts, in deviations of the noise: more
	// makes it no more certain.
	segmentRise = 3
	// A line that noise makes has a deviation of 1. Some ten thousand are looked at that
	// have little in common, of which the best comes to 4; all four sides have to be
	// clearer than that by far, for coding makes lines as well.
	leastClear = 6
	// A start that does not come to this without a bend of the lens is given up.
	worthBending = leastClear / 2
	// leastNoise is that of a mean of codes, which have no parts.
	leastNoise = 0.02

	// Lines are looked for up to so many reduced samples from where a side is thought to
	// be, once it is about known, and in the end where it is steepest.
	sideFar, sideNear, sidePlace = 12, 3, 4
	// The means on either side of a line, and those farther out, are taken over so many
	// samples: more than the lens blurs.
	sideMean = 3
	// Places across a side are so many to a sample.
	sidePlaces = 4
	// sideWide is how far out it is read.
	sideWide = sideFar + 2*sideMean

	// Lit is what is this much above the dark, in codes, at least, and then at levels of
	// which each is that many times the one before.
	leastLit, litStep = 0.3, 1.5
	// A curve keeps within a sample of a line for a seventh of its length, and by chance
	// lights begin near a line in some segments more: over the four sides more of them
	// have to begin there.
	leastAgreed = 1.5
	// What comes to lie where another did is the same, to so many reduced samples.
	sameStart = 2
	// How many times the sway is taken out and the sides are looked for again, and how
	// many more segments have to begin on them by it.
	steadyRounds, steadyGain = 3, 1.05
)

// Enclosed looks for a screen by what it shows alone, where Result finds none and it is
// known by other signs that the frames show one.
func (f *Finder) Enclosed() (Found, bool) {
	if f.err != nil || f.tooSmall() || len(f.stack) == 0 {
		return Found{}, false
	}
	s := f.survey(f.stack)
	best, ok := s.enclosed()
	if !ok {
		return Found{}, false
	}
	whole, first := slices.Repeat([]similarity{rest}, len(f.whole)), rest
	for range steadyRounds {
		stack, list := f.swaying(best.view)
		steady := f.survey(f.steadied(stack))
		e, ok := (&encloser{survey: steady}).enclose(best.view)
		if !ok || e.agreed < steadyGain*best.agreed {
			break
		}
		s, best, whole, first = steady, e, list, stack[0]
	}
	c := candidate{frame: f.whole[0].index, score: faintTrust, rough: 1}
	c.view = enlarge(best.view, f.factor, f.size)
	c.begin = f.swayed(c.view, whole)
	c.start = f.swayed(c.view, []similarity{first})[0]
	c.views, c.view = c.begin, c.begin[0]
	c.hidden = c.view.hidden()
	s.beside(&c, best.view.Quad)
	if !c.plausible() || c.hidden != [4]bool{} {
		return Found{}, false
	}
	found := f.describe(c)
	found.Why = "all that is lit in the dark ends along four straight sides in the shape of a set"
	return found, true
}

// An encloser looks for one in a survey.
type encloser struct {
	*survey
	flank  flank
	shares shares
}

// An enclosure is a quadrilateral of reduced samples round all that is lit.
type enclosure struct {
	view View
	// Over the four sides: how clearly they show, and which share of the segments is
	// steepest on them.
	clear, agreed float64
}

// enclosed returns the enclosure in the shape of a set whose sides show most clearly.
func (s *survey) enclosed() (best enclosure, ok bool) {
	smooth := slices.Clone(s.mean)
	if opencv.BlurFloat(smooth, s.w, s.h, smoothed) != nil {
		return best, false
	}
	sorted := slices.Clone(smooth)
	slices.Sort(sorted)
	low, high := sorted[len(sorted)/20], sorted[len(sorted)*99/100]
	n := encloser{survey: s}
	var known []Quad
	for above := float32(leastLit); above < high-low; above *= litStep {
		q, found := s.around(hull(smooth, s.w, s.h, low+above))
		if !found || q.area() < leastArea*float64(s.w*s.h) {
			continue
		}
		start, found := n.closed(View{Quad: q, Size: image.Pt(s.w, s.h)}, worthBending, sideFar)
		if !found || slices.ContainsFunc(known, func(o Quad) bool { return o.near(start.view.Quad, sameStart) }) {
			continue
		}
		known = append(known, start.view.Quad)
		e, found := n.enclose(start.view)
		if found && e.clear > best.clear && math.Abs(math.Log(e.view.measuredShape()/panelShape)) < shapeSlack {
			best, ok = e, true
		}
	}
	return best, ok
}

// hull returns the convex outline of the samples of a level or above, by Andrew's
// monotone chain ("Another efficient algorithm for convex hulls in two dimensions", 1979;
// from memory).
func hull(pix []float32, w, h int, level float32) []image.Point {
	var p []image.Point
	for y := range h {
		row := pix[y*w:][:w]
		from := slices.IndexFunc(row, func(v float32) bool { return v >= level })
		if from < 0 {
			continue
		}
		to := w - 1
		for row[to] < level {
			to--
		}
		p = append(p, image.Pt(from, y), image.Pt(to, y))
	}
	slices.SortFunc(p, func(a, b image.Point) int { return cmp.Or(cmp.Compare(a.X, b.X), cmp.Compare(a.Y, b.Y)) })
	p = slices.Compact(p)
	var out []image.Point
	for range 2 {
		from := len(out)
		for _, at := range p {
			for len(out) > from+1 {
				a, b := out[len(out)-2], out[len(out)-1]
				if (b.X-a.X)*(at.Y-a.Y)-(b.Y-a.Y)*(at.X-a.X) > 0 {
					break
				}
				out = out[:len(out)-1]
			}
			out = append(out, at)
		}
		out = out[:max(len(out)-1, 0)] // it begins the other half
		slices.Reverse(p)
	}
	return out
}

// A flank is what lies beside one side: for each segment, and each place across from
// sideFar outside of it to as far inside.
type flank struct {
	rise   [segments][]float32 // inwards, in codes
	beside [segments][]float32 // of what is outside against what is farther out
	steep  [segments][]float32 // the rise from one sample to the next
	within [segments]bool      // the frame
	n      int                 // of those
}

// across is the number of places.
const across = 2*sideFar*sidePlaces + 1

// read reads the mean of the frames beside a side of a view.
func (t *flank) read(s *survey, v View, side int) {
	if t.rise[0] == nil {
		for i := range segments {
			t.rise[i], t.beside[i], t.steep[i] = make([]float32, across), make([]float32, across), make([]float32, across)
		}
	}
	const (
		points = 8 // of a segment
		reach  = sideWide * sidePlaces
		margin = reach - sideFar*sidePlaces
		deep   = sideMean * sidePlaces
	)
	l, q := v.lens(), v.straight()
	a, b := q[side], q[(side+1)%4]
	normal := q.normal(side)
	at := func(along, d float64) Point {
		return l.distort(Point{a.X + along*(b.X-a.X) + d*normal.X, a.Y + along*(b.Y-a.Y) + d*normal.Y})
	}
	var codes [2*reach + 1]float32
	var sum [2*reach + 2]float32 // of what lies farther out
	t.n = 0
	for i := range segments {
		clear(codes[:])
		t.within[i] = true
		for j := range points {
			along := cornerShare + (1-2*cornerShare)*(float64(i)+(float64(j)+0.5)/points)/segments
			// On so short a way the lens bends the two halves of it next to nothing.
			out, on, in := at(along, -sideWide), at(along, 0), at(along, sideWide)
			for k := range codes {
				to, share := out, float64(reach-k)/reach
				if k > reach {
					to, share = in, -share
				}
				p := Point{on.X + share*(to.X-on.X), on.Y + share*(to.Y-on.Y)}
				x, y := max(0, min(p.X, float64(s.w-1)-1e-6)), max(0, min(p.Y, float64(s.h-1)-1e-6))
				if k > reach-deep && k < reach+deep && (x != p.X || y != p.Y) {
					t.within[i] = false
				}
				codes[k] += s.at(x, y) / points
			}
		}
		for k, c := range codes {
			sum[k+1] = sum[k] + c
		}
		if t.within[i] {
			t.n++
		}
		mean := func(from, n int) float32 { return (sum[from+n] - sum[from]) / float32(n) }
		for k := range across {
			at := k + margin
			outside := mean(at-deep, deep)
			t.rise[i][k] = mean(at+1, deep) - outside
			t.beside[i][k] = outside - mean(at-2*deep, deep)
			t.steep[i][k] = mean(at, sidePlaces+1) - mean(at-sidePlaces, sidePlaces+1)
		}
	}
}

// at returns the mean code at a place within the frame.
func (s *survey) at(x, y float64) float32 {
	ix, iy := int(x), int(y)
	fx, fy := float32(x)-float32(ix), float32(y)-float32(iy)
	p := s.mean[iy*s.w+ix:]
	top, bottom := p[0]+(p[1]-p[0])*fx, p[s.w]+(p[s.w+1]-p[s.w])*fx
	return top + (bottom-top)*fy
}

// normal points inwards from a side.
func (q *Quad) normal(side int) Point {
	a, b := q[side], q[(side+1)%4]
	length := math.Hypot(b.X-a.X, b.Y-a.Y)
	return Point{-(b.Y - a.Y) / length, (b.X - a.X) / length}
}

// place returns the place at which a line crosses a segment, from how far inwards it is at
// either end of the side.
func place(line [2]float64, i int) int {
	d := line[0] + (line[1]-line[0])*(float64(i)+0.5)/segments
	return min(max(int(math.Round((d+sideFar)*sidePlaces)), 0), across-1)
}

// noise returns the variance of what lies outside of a line.
func (t *flank) noise(line [2]float64) float64 {
	var sum float64
	for i := range segments {
		if t.within[i] {
			b := float64(t.beside[i][place(line, i)])
			sum += b * b
		}
	}
	return max(sum/float64(max(t.n, 1)), leastNoise*leastNoise)
}

// clear returns how clearly a line shows, in standard deviations of what noise makes.
func (t *flank) clear(line [2]float64) (z float64) {
	if t.n < segments*3/4 {
		return 0
	}
	noise := math.Sqrt(t.noise(line))
	for i := range segments {
		if t.within[i] {
			z += max(-segmentRise, min(segmentRise, float64(t.rise[i][place(line, i)])/noise))
		}
	}
	return z / math.Sqrt(float64(t.n))
}

// clearest returns the line that shows most clearly up to so far away.
func (t *flank) clearest(reach float64) (line [2]float64, z float64) {
	step := max(reach/sideFar, 0.5)
	for from := -reach; from <= reach; from += step {
		for to := -reach; to <= reach; to += step {
			if c := t.clear([2]float64{from, to}); c > z {
				line, z = [2]float64{from, to}, c
			}
		}
	}
	return line, z
}

// shares are how steep each segment is at each place, against where it is steepest near a
// line, as far as that stands out of noise.
type shares [segments][across]float32

func (t *flank) shares(g *shares, line [2]float64) {
	noise := float32(t.noise(line))
	for i := range segments {
		clear(g[i][:])
		if !t.within[i] {
			continue
		}
		at := place(line, i)
		from, to := max(at-sidePlace*sidePlaces, 0), min(at+sidePlace*sidePlaces, across-1)
		steep := t.steep[i]
		most := max(0, slices.Max(steep[from:to+1]))
		for k := from; k <= to; k++ {
			g[i][k] = steep[k] * most / (noise + most*most)
		}
	}
}

// of sums the shares along a line.
func (g *shares) of(line [2]float64) (sum float64) {
	for i := range g {
		sum += float64(g[i][place(line, i)])
	}
	return sum
}

// steepest returns the line, near another, along which most segments are steepest, and
// their share.
func (t *flank) steepest(g *shares, near [2]float64) (line [2]float64, agreed float64) {
	t.shares(g, near)
	line = near
	const n = sidePlace * sidePlaces
	for a := -n; a <= n; a++ {
		for b := -n; b <= n; b++ {
			l := [2]float64{near[0] + float64(a)/sidePlaces, near[1] + float64(b)/sidePlaces}
			if sum := g.of(l); sum > agreed {
				line, agreed = l, sum
			}
		}
	}
	return line, agreed / float64(max(t.n, 1))
}

// closed puts the four sides of a view where they show, up to so far away, one reach after
// another. It reports false where one of them does not come to so much.
func (n *encloser) closed(v View, least float64, reaches ...float64) (e enclosure, ok bool) {
	for _, reach := range reaches {
		b := border{corners: v.straight()}
		var lines [4][2]float64
		e = enclosure{}
		for side := range lines {
			b.normals[side] = b.corners.normal(side)
			n.flank.read(n.survey, v, side)
			line, clear := n.flank.clearest(reach)
			if clear < least {
				return e, false
			}
			var agreed float64
			lines[side], agreed = n.flank.steepest(&n.shares, line)
			e.clear, e.agreed = e.clear+clear, e.agreed+agreed
		}
		if v = b.shifted(v, b.crossings(lines)); !v.Quad.convex() {
			return e, false
		}
	}
	e.view = v
	return e, true
}

// enclose finds by what bend of the lens the sides near a view show.
func (n *encloser) enclose(start View) (best enclosure, ok bool) {
	try := func(v View, k1 float64, reaches ...float64) bool {
		v.K1 = k1
		e, closed := n.closed(v, leastClear, reaches...)
		if !closed || e.agreed < leastAgreed || e.agreed <= best.agreed {
			return false
		}
		best, ok = e, true
		return true
	}
	for _, k1 := range bends {
		try(start, k1, sideFar, sideNear)
	}
	if ok {
		v := best.view
		finer(v.K1, func(k1 float64) bool { return try(v, k1, sideNear) })
	}
	return best, ok
}

// swaying follows the camera through the reduced frames, and the kept ones, by the sides
// of a view.
func (f *Finder) swaying(v View) (stack, whole []similarity) {
	s := survey{w: f.small.X, h: f.small.Y, mean: make([]float32, f.small.X*f.small.Y)}
	var t flank
	var g [4]shares
	one := func(pix []uint8, last similarity) similarity {
		for i, c := range pix {
			s.mean[i] = float32(c)
		}
		w := v.moved(last)
		q := w.straight()
		for side := range g {
			t.read(&s, w, side)
			t.shares(&g[side], [2]float64{})
		}
		return between(v.straight(), q.swayed(&g))
	}
	stack = make([]similarity, len(f.stack))
	middle := len(stack) / 2
	last := rest
	for i := middle; i < len(stack); i++ {
		last = one(f.stack[i], last)
		stack[i] = last
	}
	last = stack[middle]
	for i := middle - 1; i >= 0; i-- {
		last = one(f.stack[i], last)
		stack[i] = last
	}
	for i := range f.whole {
		whole = append(whole, one(f.whole[i].small, stack[min(f.whole[i].index/f.every, len(stack)-1)]))
	}
	return stack, whole
}

// swayed returns a quadrilateral moved, turned and sized so that its sides lie where most
// segments are steepest.
func (q Quad) swayed(g *[4]shares) Quad {
	c := q.centre()
	size := math.Sqrt(q.area()) / 2
	moved := func(m similarity) (out Quad) {
		for i, p := range q {
			o := m.apply(Point{p.X - c.X, p.Y - c.Y})
			out[i] = Point{o.X + c.X, o.Y + c.Y}
		}
		return out
	}
	best, most := rest, math.Inf(-1)
	try := func(m similarity) {
		o, sum := moved(m), 0.0
		for side := range g {
			sum += g[side].of([2]float64{q.within(side, o[side]), q.within(side, o[(side+1)%4])})
		}
		if sum > most {
			best, most = m, sum
		}
	}
	try(rest)
	grid := func(reach, step float64, at func(from similarity, x, y float64) similarity) {
		from := best
		for x := -reach; x <= reach; x += step {
			for y := -reach; y <= reach; y += step {
				try(at(from, x, y))
			}
		}
	}
	const turned = 0.5 // reduced samples at a side, and as much for its growth
	for _, reach := range [2]float64{sideNear, 3. / sidePlaces} {
		grid(reach, max(reach/6, 1./sidePlaces), func(m similarity, x, y float64) similarity { return similarity{m.a, m.b, m.x + x, m.y + y} })
		grid(turned, 1./sidePlaces, func(m similarity, x, y float64) similarity {
			return similarity{m.a + x/size, m.b + y/size, m.x, m.y}
		})
	}
	return moved(best)
}
