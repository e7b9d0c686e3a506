package screen

import (
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"setwitness/decode/picture"
)

// candidate is a quadrilateral that may be the screen, in full camera pixels.
type candidate struct {
	view   View
	frame  int
	views  []View  // of the kept frames
	hidden [4]bool // sides that are the frame's own edge
	fit    fitted  // over all kept frames
	rough  float64 // score on the reduced frames
	score  float64
	// steady is how far the corners wander over the frames, as a share of
	// the frame's diagonal; calm is how much the surroundings change against
	// the inside.
	steady, calm float64
	outside      float64 // share of all change in the frames
	still        bool    // the inside does not change either
}

// Levels at which the brightest and the restless parts of the frames are cut
// out, in codes. Each level is about a third above the one before: a screen
// stands out from its surroundings by more, at one level or another.
var (
	brightLevels = []uint8{24, 30, 38, 50, 65, 85, 110, 140, 175}
	unrestLevels = []uint8{3, 4, 6, 8, 11, 15, 20, 27, 36}
)

// leastArea is the least share of the frame that a screen worth measuring
// covers: a quarter of its width.
const leastArea = 0.06

// candidates cuts the survey at many levels and puts quadrilaterals round the
// pieces, in reduced samples.
func (s *survey) candidates() []Quad {
	var out []Quad
	unrest := make([]uint8, len(s.unrest))
	for i, u := range s.unrest {
		unrest[i] = uint8(min(u, 255))
	}
	mask := make([]uint8, len(s.most))
	for _, m := range []struct {
		from   []uint8
		levels []uint8
	}{{s.most, brightLevels}, {unrest, unrestLevels}} {
		for _, level := range m.levels {
			for i, c := range m.from {
				mask[i] = 0
				if c >= level {
					mask[i] = 255
				}
			}
			out = append(out, s.pieces(mask)...)
		}
	}
	out = append(out, s.lined(s.most)...)
	return append(out, s.lined(s.bright)...)
}

// Depths of the dark line that a bezel draws before a wall as bright as the
// screen, in codes.
var lineDepths = []uint8{5, 9, 16, 28, 48}

// Widths of that line at most, in reduced samples: bezels up to 1 % and up to
// 3 % of the frame's width.
var lineWidths = []int{7, 17}

// lined puts quadrilaterals into dark lines: where it is darker than what lies
// on either side of a line.
func (s *survey) lined(pix []uint8) []Quad {
	m, err := gocv.NewMatFromBytes(s.h, s.w, gocv.MatTypeCV8U, pix)
	if err != nil {
		return nil
	}
	defer m.Close()
	var out []Quad
	mask := make([]uint8, len(pix))
	for _, width := range lineWidths {
		kernel := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(width, width))
		hat := gocv.NewMat()
		gocv.MorphologyEx(m, &hat, gocv.MorphBlackhat, kernel)
		depth := hat.ToBytes()
		hat.Close()
		kernel.Close()
		for _, least := range lineDepths {
			for i, d := range depth {
				mask[i] = 255
				if d >= least {
					mask[i] = 0
				}
			}
			out = append(out, s.pieces(mask)...)
		}
	}
	return out
}

// pieces returns a quadrilateral round each large connected piece of a mask,
// as it is and without the thin parts that join it to others.
func (s *survey) pieces(mask []uint8) []Quad {
	var out []Quad
	m, err := gocv.NewMatFromBytes(s.h, s.w, gocv.MatTypeCV8U, mask)
	if err != nil {
		return nil
	}
	defer m.Close()
	kernel := gocv.GetStructuringElement(gocv.MorphRect, image.Pt(5, 5))
	defer kernel.Close()
	opened := gocv.NewMat()
	defer opened.Close()
	gocv.MorphologyEx(m, &opened, gocv.MorphOpen, kernel)
	for _, from := range []gocv.Mat{m, opened} {
		contours := gocv.FindContours(from, gocv.RetrievalList, gocv.ChainApproxSimple)
		for i := range contours.Size() {
			c := contours.At(i)
			if gocv.ContourArea(c) < leastArea/2*float64(s.w*s.h) {
				continue
			}
			hull := gocv.NewMat()
			gocv.ConvexHull(c, &hull, true, true)
			points := gocv.NewPointVectorFromMat(hull)
			if q, ok := s.around(points.ToPoints()); ok {
				out = append(out, q)
			}
			points.Close()
			hull.Close()
		}
		contours.Close()
	}
	return out
}

// around returns the quadrilateral that a convex outline comes from: its sides
// are dropped one by one, each time the one whose neighbours, made longer
// until they meet, add the least area. Sides along the frame's edge go first:
// there the frame cuts the screen off.
func (s *survey) around(outline []image.Point) (Quad, bool) {
	n := len(outline)
	if n < 4 {
		return Quad{}, false
	}
	p := make([]Point, n)
	var area float64
	for i, o := range outline {
		p[i] = Point{float64(o.X), float64(o.Y)}
		next := outline[(i+1)%n]
		area += float64(o.X*next.Y-o.Y*next.X) / 2
	}
	if area < 0 {
		slices.Reverse(p)
		area = -area
	}
	const rim = 1.5 // reduced samples
	w, h := float64(s.w-1), float64(s.h-1)
	atRim := func(a, b Point) bool {
		return a.X < rim && b.X < rim || a.Y < rim && b.Y < rim ||
			a.X > w-rim && b.X > w-rim || a.Y > h-rim && b.Y > h-rim
	}
	for len(p) > 4 {
		best, at, cost := -1, Point{}, math.Inf(1)
		for i := range p {
			a, b := p[i], p[(i+1)%len(p)]
			before, after := p[(i+len(p)-1)%len(p)], p[(i+2)%len(p)]
			x := crossing([2]Point{before, a}, [2]Point{after, b})
			// The crossing has to lie ahead of both neighbours.
			if !((x.X-a.X)*(a.X-before.X)+(x.Y-a.Y)*(a.Y-before.Y) >= 0 &&
				(x.X-b.X)*(b.X-after.X)+(x.Y-b.Y)*(b.Y-after.Y) >= 0) {
				continue
			}
			c := math.Abs((b.X-a.X)*(x.Y-a.Y)-(b.Y-a.Y)*(x.X-a.X)) / 2
			if c > area/2 {
				continue
			}
			if atRim(a, b) {
				c /= 1000
			}
			if c < cost {
				best, at, cost = i, x, c
			}
		}
		if best < 0 {
			return Quad{}, false
		}
		next := (best + 1) % len(p)
		p[best] = at
		p = slices.Delete(p, next, next+1)
	}
	q := Quad(p)
	if !q.convex() {
		return q, false
	}
	return q.upright(), true
}

// upright returns the quadrilateral with the corner first from which the side
// runs most to the right: cameras are held upright, or turned by the file's
// own note.
func (q Quad) upright() Quad {
	best, first := math.Inf(-1), 0
	for i := range q {
		a, b := q[i], q[(i+1)%4]
		d, e := q[(i+3)%4], q[(i+2)%4]
		// Both the side and the one across.
		if r := (b.X - a.X + e.X - d.X) / (math.Hypot(b.X-a.X, b.Y-a.Y) + math.Hypot(e.X-d.X, e.Y-d.Y)); r > best {
			best, first = r, i
		}
	}
	return Quad{q[first], q[(first+1)%4], q[(first+2)%4], q[(first+3)%4]}
}

// Profiles across each side.
const (
	searchProfiles = 64
	followProfiles = 48
)

// search returns what may be a screen in the frames.
func (f *Finder) search(s *survey) []candidate {
	most := picture.Plane{Pix: s.most, Stride: s.w, W: s.w, H: s.h, Depth: 8}
	light := frame{&most, responseOf(8, f.full)}
	var rough []candidate
	var b border
	for _, q := range s.candidates() {
		c, ok := roughly(light, &b, q)
		if !ok {
			continue
		}
		same := slices.IndexFunc(rough, func(o candidate) bool { return o.view.Quad.near(c.view.Quad, 2) })
		switch {
		case same < 0:
			rough = append(rough, c)
		case c.rough > rough[same].rough:
			rough[same] = c
		}
	}
	slices.SortStableFunc(rough, func(a, b candidate) int { return int(math.Copysign(1, b.rough-a.rough)) })
	if len(rough) > mostCandidates {
		rough = rough[:mostCandidates]
	}
	var fine []candidate
	for _, c := range rough {
		small := c.view.Quad
		c.view = enlarge(c.view, f.factor, f.size)
		if f.refine(&b, &c) {
			var ring, inside float64
			ring, inside, c.outside = s.surroundings(small)
			c.calm = ring / max(inside, 1e-9)
			c.still = inside < stillFlicker
			if c.plausible() {
				fine = append(fine, c)
			}
		}
	}
	if _, ok := choose(fine); !ok {
		return f.searchFaint(s)
	}
	return fine
}

// mostCandidates bounds the work on full frames.
const mostCandidates = 8

func (q Quad) near(o Quad, px float64) bool {
	for i := range q {
		if math.Hypot(q[i].X-o[i].X, q[i].Y-o[i].Y) > px {
			return false
		}
	}
	return true
}

// enlarge turns a view of reduced frames into one of whole ones.
func enlarge(v View, factor int, size image.Point) View {
	k := float64(factor)
	for i, p := range v.Quad {
		v.Quad[i] = Point{(p.X+0.5)*k - 0.5, (p.Y+0.5)*k - 0.5}
	}
	v.Size = size
	return v
}

// roughly fits a quadrilateral to the brightest that the reduced frames were.
func roughly(light frame, b *border, q Quad) (candidate, bool) {
	v := View{Quad: q, Size: image.Pt(light.W, light.H)}
	if q.area() < leastArea*float64(light.W*light.H) {
		return candidate{}, false
	}
	const reach, profiles = 6, 32
	b.read(light, v, profiles, reach, 1)
	d := b.vote(reach-1, 1)
	v = b.shifted(v, d)
	if !v.Quad.convex() {
		return candidate{}, false
	}
	b.read(light, v, profiles, 4, 1)
	d, fit := b.fit(shift{}, loose{4, 4, 4, 2}, 3, 1.5)
	v = b.shifted(v, d)
	if !v.Quad.convex() {
		return candidate{}, false
	}
	c := candidate{view: v, fit: fit}
	for side := range fit.seen {
		if b.possible[side] < profiles/4 {
			c.hidden[side] = true
			continue
		}
		c.rough += fit.seen[side] * min(fit.contrast[side]/fullContrast, 1)
	}
	c.rough *= math.Sqrt(v.Quad.area() / float64(light.W*light.H))
	return c, true
}

// Bends of the lens that are tried first, from a strong barrel to a strong
// cushion of a phone's wide camera.
var bends = [...]float64{0, -0.03, 0.03, -0.06, 0.06, -0.1}

// refine fits the candidate to each of the kept frames, with one bend of the
// lens for all.
func (f *Finder) refine(b *border, c *candidate) bool {
	rough := c.view
	resp := responseOf(f.whole[0].plane.Depth, f.full)
	// First the frames' own places, with a loose fit.
	views := make([]View, len(f.whole))
	measure := func(k1 float64, reach int, step float64, l loose, wide, narrow float64) (float64, fitted, int) {
		var total float64
		var all fitted
		best, most := 0, -1.0
		for i := range f.whole {
			v := views[i]
			v.K1 = k1
			b.read(frame{&f.whole[i].plane, resp}, v, searchProfiles, reach, step)
			d, fit := b.fit(shift{}, l, wide, narrow)
			nv := b.shifted(v, d)
			if !nv.Quad.convex() {
				continue
			}
			views[i] = nv
			gain := b.gain(d, narrow)
			total += gain
			all.support += b.support(d, narrow)
			if gain > most {
				best, most = i, gain
			}
			for s := range all.seen {
				all.seen[s] = max(all.seen[s], fit.seen[s])
				all.contrast[s] = max(all.contrast[s], fit.contrast[s])
			}
			all.rms += fit.rms * float64(fit.used)
			all.used += fit.used
		}
		if all.used > 0 {
			all.rms /= float64(all.used)
		}
		return total, all, best
	}
	// What the brightest of all frames showed is wider than the screen by as
	// much as the camera swayed, if it did.
	reach := max(4*f.factor, 8)
	near := loose{float64(reach), float64(reach), float64(reach), 2 * float64(f.factor)}
	begin := slices.Repeat([]View{c.view}, len(views))
	copy(views, begin)
	_, still, _ := measure(0, reach, 1, near, float64(reach), 2)
	if swayed, ok := f.swayed(b, c.view, resp); ok {
		copy(views, swayed)
		if _, moved, _ := measure(0, reach, 1, near, float64(reach), 2); moved.support > still.support {
			begin = swayed
		}
	}
	var gain, k1 float64
	gain = -1
	var starts []View
	for _, k := range bends {
		copy(views, begin)
		g, _, _ := measure(k, reach, 1, near, float64(reach), 2)
		if g > gain {
			gain, k1 = g, k
			starts = slices.Clone(views)
		}
	}
	// Then the bend in smaller and smaller steps.
	copy(views, starts)
	gain, _, _ = measure(k1, 8, 1, loose{4, 4, 4, 2}, 5, 1.5)
	for step := 0.015; step > 0.002; step /= 2 {
		for _, k := range []float64{k1 - step, k1 + step} {
			copy(views, starts)
			g, _, _ := measure(k, 8, 1, loose{4, 4, 4, 2}, 5, 1.5)
			if g > gain {
				gain, k1 = g, k
				starts = slices.Clone(views)
			}
		}
	}
	copy(views, starts)
	_, c.fit, c.frame = measure(k1, 6, 1, loose{3, 3, 3, 3}, 3, 1)
	c.view = views[c.frame]
	c.views = views
	c.steady = wander(views) / math.Hypot(float64(f.size.X), float64(f.size.Y))
	c.frame = f.whole[c.frame].index
	c.view.K1 = k1
	c.hidden = c.view.hidden()
	c.score = c.quality()
	if c.score < faintBelow {
		f.refineFaint(b, c, rough)
	}
	return c.view.Quad.convex()
}

// faint is how all kept frames are looked at together where one alone shows too
// little: long stretches of each side at once, for edges of a code or two.
var faint = sharpness{lines: 15, apart: 2.5, least: 0.004}

const (
	// Below this quality the frames are looked at together.
	faintBelow    = 0.8
	faintProfiles = 24
)

// refineFaint fits one view to all kept frames together, from where the reduced
// frames put it, and takes it if it is better. It supposes that the camera
// stands still.
func (f *Finder) refineFaint(b *border, c *candidate, rough View) {
	resp := responseOf(f.whole[0].plane.Depth, f.full)
	frames := make([]frame, len(f.whole))
	views := make([]View, len(f.whole))
	for i := range frames {
		frames[i] = frame{&f.whole[i].plane, resp}
	}
	best := *c
	for _, k := range bends {
		v := rough
		v.K1 = k
		ok := true
		var fit fitted
		for _, pass := range [...]struct {
			reach        int
			wide, narrow float64
		}{{4*f.factor + 4, float64(3 * f.factor), 2.5}, {8, 3, 1.5}} {
			for i := range views {
				views[i] = v
			}
			b.stack(frames, views, faintProfiles, pass.reach, 1, faint)
			var d shift
			d, fit = b.fit(shift{}, loose{4, 4, 4, 2}, pass.wide, pass.narrow)
			v = b.shifted(v, d)
			if ok = v.Quad.convex(); !ok {
				break
			}
		}
		if !ok {
			continue
		}
		try := *c
		try.view, try.fit, try.frame = v, fit, f.whole[0].index
		try.views = slices.Repeat([]View{v}, len(views))
		try.hidden = v.hidden()
		quality := try.quality()
		try.score = quality * faintTrust
		if quality >= faintLeast && try.score > best.score+faintGain {
			best = try
		}
	}
	best.rough = c.rough
	*c = best
}

// A border that no single frame shows has to show nearly whole in all frames
// together, and is believed less.
const (
	faintLeast = 0.85
	// faintGain is by how much a bend of the lens has to improve on none.
	faintGain  = 0.02
	faintTrust = 0.65
)

// Heights above the darkest at which the mean of the reduced frames is cut, in
// 32nds of a code: a screen in the dark that is hardly lit itself.
var faintLevels = []uint8{12, 20, 32, 50, 80, 125, 200}

// searchFaint looks for a screen that is too dark for any frame alone.
func (f *Finder) searchFaint(s *survey) []candidate {
	floor := s.floor()
	pix := make([]uint8, len(s.mean))
	for i, m := range s.mean {
		pix[i] = uint8(max(0, min(255, 32*(m-floor))))
	}
	var quads []Quad
	mask := make([]uint8, len(pix))
	for _, level := range faintLevels {
		for i, c := range pix {
			mask[i] = 0
			if c >= level {
				mask[i] = 255
			}
		}
		for _, q := range s.pieces(mask) {
			if q.area() >= leastArea*float64(s.w*s.h) && !slices.ContainsFunc(quads, func(o Quad) bool { return o.near(q, 2) }) {
				quads = append(quads, q)
			}
		}
	}
	var out []candidate
	var b border
	for _, q := range quads[:min(len(quads), mostCandidates)] {
		v := enlarge(View{Quad: q, Size: image.Pt(s.w, s.h)}, f.factor, f.size)
		c := candidate{rough: math.Sqrt(q.area() / float64(s.w*s.h))}
		f.refineFaint(&b, &c, v)
		if c.score == 0 || !c.view.Quad.convex() {
			continue
		}
		// Where it is as dark as that, light changes by less than the noise,
		// and nothing is known of the surroundings but that they are darker.
		ring, inside, outside := s.surroundings(q)
		if inside >= stillFlicker || s.level(q) >= darkCode {
			c.calm, c.outside = ring/max(inside, 1e-9), outside
		}
		if c.plausible() {
			out = append(out, c)
		}
	}
	return out
}

// level returns the mean code inside of a quadrilateral of reduced samples.
func (s *survey) level(q Quad) float64 {
	h := invert(unitTo(q))
	var sum float64
	n := 0
	for y := range s.h {
		for x := range s.w {
			if p := apply(&h, float64(x), float64(y)); p.X > 0 && p.X < 1 && p.Y > 0 && p.Y < 1 {
				sum += float64(s.mean[y*s.w+x])
				n++
			}
		}
	}
	return sum / float64(max(n, 1))
}

// floor returns the mean code below which a twentieth of the reduced samples
// lie.
func (s *survey) floor() float32 {
	sorted := slices.Clone(s.mean)
	slices.Sort(sorted)
	return sorted[len(sorted)/20]
}

// swayed returns where the screen lies in each kept frame if the camera moved
// between them: the frame that shows it best is fitted alone, and the others
// with that one's shape.
func (f *Finder) swayed(b *border, v View, resp response) ([]View, bool) {
	const step, gate = 4, 3
	most := 0.0
	shape := v
	for i := range f.whole {
		b.read(frame{&f.whole[i].plane, resp}, v, searchProfiles, farReach/farStep, farStep)
		d, _ := b.fit(b.vote(farReach, step), loose{step, step, step, step}, 2*step, gate)
		if g := b.support(d, gate); g > most {
			if s := b.shifted(v, d); s.Quad.convex() {
				most, shape = g, s
			}
		}
	}
	out := make([]View, len(f.whole))
	for i := range f.whole {
		b.read(frame{&f.whole[i].plane, resp}, shape, searchProfiles, farReach/farStep, farStep)
		d, _ := b.fit(b.displaced(farReach, farStep), loose{step, step, 1, 1}, 2*step, gate)
		if out[i] = b.shifted(shape, d); !out[i].Quad.convex() {
			return nil, false
		}
	}
	return out, true
}

// gain is how well a shift explains the samples.
func (b *border) gain(d shift, narrow float64) float64 {
	var g float64
	for i := range b.samples {
		s := &b.samples[i]
		if e, off := s.nearest(d.at(b, s)); off < narrow {
			r := off / narrow
			g += (1 - r*r) * (1 - r*r) * b.weight(s.side, e)
		}
	}
	return g
}

// A side of which this share shows is as good as whole: the rest may be dark
// content.
const wholeSide = 0.7

// quality is 0 to 1: whether this is a border of straight sides.
func (c *candidate) quality() float64 {
	q, n := 1.0, 0
	for s := range c.fit.seen {
		if c.hidden[s] {
			continue
		}
		n++
		q *= min(c.fit.seen[s]/wholeSide, 1)
	}
	if n == 0 {
		return 0
	}
	return math.Pow(q, 1/float64(n)) * math.Sqrt(float64(n)/4)
}

// leastQuality is where a quadrilateral is believed to be a screen's border.
const leastQuality = 0.45

// choose returns the outermost of the good candidates: of those that are about
// as good as the best, the largest. Of two that are about as large it is the one with
// the stronger border.
func choose(all []candidate) (candidate, bool) {
	var out candidate
	for _, c := range all {
		if c.score > out.score {
			out = c
		}
	}
	best := out.score
	strong := 0.0
	for _, c := range all {
		if c.score >= asGood*best {
			strong = max(strong, c.rough)
		}
	}
	size := func(c *candidate) float64 { return c.view.Quad.area() }
	for _, c := range all {
		if c.score < asGood*best || c.rough < halfStrong*strong {
			continue
		}
		ratio := size(&c) / size(&out)
		a, b := c.offShape(), out.offShape()
		switch {
		case a < shapeSlack/2 && b > shapeSlack || b < shapeSlack/2 && a > shapeSlack:
			// One has the shape of a set and the other none.
			if a < b {
				out = c
			}
		case out.rough < halfStrong*strong,
			ratio > sameSize && !bezel(&c, &out),
			ratio < 1/sameSize && bezel(&out, &c),
			ratio >= 1/sameSize && ratio <= sameSize && c.rough > out.rough:
			out = c
		}
	}
	return out, best >= leastQuality
}

// A screen is wider than high, by what sets and their pictures are and what
// perspective does to a measure of it, and it fills a fair part of the frame.
const (
	leastShape, mostShape = 1.1, 4
	// The surroundings change in light by less than this share of what the
	// screen itself does; where sides lie outside of the frame and prove
	// nothing, by less than that.
	calmest, calmestCut = 0.15, 0.08
	// Of a screen three sides show at least; where two do not, any two lines
	// of a scene would do. A corner lies no farther outside of the frame than
	// by this share of it.
	leastSides = 3
	// cutScore is the quality that a border has to have if it is cut off.
	cutScore  = 0.7
	farCorner = 0.35
	// Less than this share of all the change in the frames happens outside.
	mostOutside = 0.2
	// A hand moves the frame by less than this share of its diagonal while
	// somebody films.
	steadiest = 0.03
)

// rim is how far inside of the frame a side has to lie for its surroundings to
// show, px.
const rim = 5

// hidden tells which sides show less than a quarter of their length with
// something beside it.
func (v View) hidden() [4]bool {
	var out [4]bool
	const points = 16
	for side := range out {
		n := 0
		for i := range points {
			s := (float64(i) + 0.5) / points
			c := [4][2]float64{{s, 0}, {1, s}, {1 - s, 1}, {0, 1 - s}}[side]
			p := v.ToCamera(c[0], c[1])
			if p.X >= rim && p.Y >= rim && p.X <= float64(v.Size.X-1)-rim && p.Y <= float64(v.Size.Y-1)-rim {
				n++
			}
		}
		out[side] = n < points/4
	}
	return out
}

// plausible reports whether a candidate is a screen for all that is known of
// screens.
func (c *candidate) plausible() bool {
	limit, visible := calmest, 0
	for _, h := range c.hidden {
		if h {
			limit = calmestCut
		} else {
			visible++
		}
	}
	for _, p := range c.view.Quad {
		w, h := float64(c.view.Size.X), float64(c.view.Size.Y)
		if p.X < -farCorner*w || p.X > (1+farCorner)*w || p.Y < -farCorner*h || p.Y > (1+farCorner)*h {
			return false
		}
	}
	shape := c.view.measuredShape()
	if visible < leastSides || visible < 4 && c.score < cutScore || c.steady >= steadiest || shape < leastShape || shape > mostShape {
		return false
	}
	if c.calm < limit && c.outside < mostOutside {
		return true
	}
	// A still picture proves nothing by its changes: then it has to look like
	// a set in all other ways.
	return c.still && visible == 4 && c.score > stillScore && math.Abs(math.Log(shape/panelShape)) < shapeSlack
}

const (
	// Below this change of light, of white, a picture stands still but for
	// noise.
	stillFlicker = 0.004
	stillScore   = 0.95
	// How far a still screen is believed: anything framed looks like it.
	stillTrust = 0.5
)

// offShape is how far a candidate is from the shape of a set, as a logarithm.
func (c *candidate) offShape() float64 {
	if c.hidden != [4]bool{} {
		return shapeSlack
	}
	return math.Abs(math.Log(c.view.measuredShape() / panelShape))
}

// bezel reports whether what a larger candidate adds to a smaller one is no more
// than the set's frame.
func bezel(larger, smaller *candidate) bool {
	a, b := larger.view.Quad, smaller.view.Quad
	width := math.Hypot(b[1].X-b[0].X, b[1].Y-b[0].Y)
	const noise = 3 // px
	for i := range a {
		p, q := b[i], b[(i+1)%4]
		dx, dy := q.X-p.X, q.Y-p.Y
		mx, my := (a[i].X+a[(i+1)%4].X-p.X-q.X)/2, (a[i].Y+a[(i+1)%4].Y-p.Y-q.Y)/2
		out := (mx*dy - my*dx) / math.Hypot(dx, dy) // outwards is to the left
		if out > noise && out < bezelMost*width && larger.fit.contrast[i] < bezelContrast*smaller.fit.contrast[i] {
			return true
		}
	}
	return false
}

const (
	// asGood is how much of the best quality another candidate needs to be
	// preferred for its size: the noise of a quality.
	asGood = 0.9
	// halfStrong is the same for the contrast of its border.
	halfStrong = 0.6
	// A strip of at most this share of the screen's width between two borders
	// is the bezel, if the outer border has less than that share of the
	// contrast of the inner one.
	bezelMost     = 0.03
	bezelContrast = 0.5
	// sameSize is how much larger an area has to be to be another one.
	sameSize = 1.015
)

// describe makes the result of the chosen candidate.
func (f *Finder) describe(c candidate) Found {
	found := Found{Kind: Screen, View: c.view, Frame: c.frame, Hidden: c.hidden, Confidence: c.score}
	shape := c.view.measuredShape()
	aspect := nearestShape(shape, shapeSlack)
	cut := c.hidden != [4]bool{}
	switch {
	case cut:
		found.Why = "a lit quadrilateral with straight sides stands in the frames while its content changes; it is cut off by the frame's edge"
		found.Confidence *= 0.7
	case math.Abs(math.Log(shape/panelShape)) < shapeSlack:
		// What is about as wide as a set is one.
		aspect = panelShape
		found.Why = "a lit quadrilateral with straight sides in the shape of a set stands in the frames while its content changes"
	default:
		if v, ok := f.panel(&c); ok {
			found.View = v
			aspect = panelShape
			found.Why = "a lit picture with black bars stands in the frames, and the edge of the panel shows round it"
			break
		}
		found.LitArea = true
		found.Why = "a lit quadrilateral with straight sides stands in the frames while its content changes; the panel's own edge beyond black bars does not show"
	}
	if c.still && c.calm >= calmest {
		found.Why = "a quadrilateral with straight sides in the shape of a set stands in the frames, but nothing in it changes"
		found.Confidence *= stillTrust
	}
	found.View.Aspect = aspect
	found.View.Confidence = c.score
	return found
}

// shapeSlack is how far a measured shape may be off the usual one that it is
// taken for.
const shapeSlack = 0.06

// wander returns the root mean square by which corners differ from their mean.
func wander(views []View) float64 {
	var sum float64
	n := float64(len(views))
	for i := range 4 {
		var x, y, xx, yy float64
		for _, v := range views {
			p := v.Quad[i]
			x, y, xx, yy = x+p.X, y+p.Y, xx+p.X*p.X, yy+p.Y*p.Y
		}
		sum += max(0, xx/n-x*x/n/n+yy/n-y*y/n/n)
	}
	return math.Sqrt(sum / 4)
}

// surroundings compares how much light changes over time in a ring round a
// quadrilateral, given in reduced samples, and inside of it, in the mean; and
// in sum, which share of all change happens outside.
func (s *survey) surroundings(q Quad) (ring, inside, outside float64) {
	c := q.centre()
	scaled := func(k float64) [9]float64 {
		r := q
		for i := range r {
			r[i] = Point{c.X + k*(q[i].X-c.X), c.Y + k*(q[i].Y-c.Y)}
		}
		return invert(unitTo(r))
	}
	const near, far = 1.06, 1.25
	in, edge, out := scaled(0.95), scaled(near), scaled(far)
	within := func(h *[9]float64, x, y float64) bool {
		p := apply(h, x, y)
		return p.X > 0 && p.X < 1 && p.Y > 0 && p.Y < 1
	}
	var nr, ni int
	for y := range s.h {
		for x := range s.w {
			fx, fy := float64(x), float64(y)
			u := max(0, float64(s.flicker[y*s.w+x]-s.noise))
			switch {
			case within(&in, fx, fy):
				inside += u
				ni++
			case within(&edge, fx, fy):
			case within(&out, fx, fy):
				ring += u
				nr++
				fallthrough
			default:
				outside += u
			}
		}
	}
	outside /= max(outside+inside, 1e-9)
	return ring / float64(max(nr, 1)), inside / float64(max(ni, 1)), outside
}
