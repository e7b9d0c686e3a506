package screen

import (
	"cmp"
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/decode/screen/opencv"
)

// candidate is a quadrilateral that may be the screen, in full camera pixels.
type candidate struct {
	view   View
	frame  int
	begin  []View  // of the kept frames, before they are fitted
	views  []View  // of the kept frames
	start  View    // in the first frame, to some px
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
	lies         Quad    // in the survey
	sides        sides
	promise      float64 // of a rough candidate
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
	out = append(out, s.lively()...)
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
	var out []Quad
	mask, depth := make([]uint8, len(pix)), make([]uint8, len(pix))
	for _, width := range lineWidths {
		if opencv.Morphology(depth, pix, s.w, s.h, opencv.BlackHat, width) != nil {
			continue
		}
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

// pieceJoint is how wide, in reduced samples, the parts are that join pieces.
const pieceJoint = 5

// pieces returns a quadrilateral round each large connected piece of a mask,
// as it is and without the thin parts that join it to others.
func (s *survey) pieces(mask []uint8) []Quad {
	var out []Quad
	opened := make([]uint8, len(mask))
	if opencv.Morphology(opened, mask, s.w, s.h, opencv.Opening, pieceJoint) != nil {
		return nil
	}
	for _, from := range [][]uint8{mask, opened} {
		outlines, err := opencv.Outlines(from, s.w, s.h, leastArea/2*float64(s.w*s.h))
		if err != nil {
			continue
		}
		for _, o := range outlines {
			if q, ok := s.around(o); ok {
				out = append(out, q)
			}
		}
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

// search returns what may be a screen in the frames, and the survey that it
// was found in.
func (f *Finder) search(s *survey) ([]candidate, *survey) {
	rough := f.roughs(s)
	whole, first := slices.Repeat([]similarity{rest}, len(f.whole)), rest
	if stack, list, ok := f.track(s, rough); ok {
		// In the hand all edges of the room flicker; steadied they do not.
		s, whole, first = f.survey(f.steadied(stack)), list, stack[0]
		rough = f.roughs(s)
	}
	f.glimpsed = nil
	var fine []candidate
	var b border
	add := func(list []candidate) {
		for _, c := range list {
			if f.restless(s, c, whole) || !f.refine(&b, &c) {
				continue
			}
			if q := f.weigh(s, &c, whole); c.plausible() {
				for j, p := range q {
					q[j] = first.apply(p)
				}
				f.glimpsed = append(f.glimpsed, q)
				c.start = f.startAt(&b, q, c.view.K1)
				fine = append(fine, c)
			}
		}
	}
	add(f.settled(&b, rough, whole))
	best, ok := choose(fine)
	if !ok || best.score < faintTrust {
		// What shows no better than that may be a part of a screen that shows
		// whole in all frames together.
		faint := f.searchFaint(s, whole, first)
		fine = append(fine, faint...)
		if len(faint) > 0 && !f.turned {
			if c, ok := choose(fine); ok && c.offShape() > shapeSlack {
				if c, ok := f.framed(s); ok {
					return []candidate{c}, s
				}
			}
		}
	}
	if ok && !f.turned && best.score < halfShown && best.hidden == [4]bool{} {
		// Where a side shows in places only, the frame that goes round tells it.
		if c, ok := f.framed(s); ok && c.agrees(&best) {
			return []candidate{c}, s
		}
	}
	if ok {
		add(best.completed())
	}
	return fine, s
}

// halfShown is the quality of a border of which one side shows to a half.
const halfShown = 0.8

// agrees reports whether the sides of another candidate that show whole are those of
// this one.
func (c *candidate) agrees(other *candidate) bool {
	for i := range other.fit.seen {
		if other.fit.seen[i] < wholeSide {
			continue
		}
		for _, o := range [2]Point{c.view.Quad[i], c.view.Quad[(i+1)%4]} {
			if math.Abs(other.view.Quad.within(i, o)) > 2*sameShape {
				return false
			}
		}
	}
	return true
}

// within is how far a point lies within the line of a side, px; below 0 beyond it.
func (q *Quad) within(side int, o Point) float64 {
	a, b := q[side], q[(side+1)%4]
	return ((b.X-a.X)*(o.Y-a.Y) - (b.Y-a.Y)*(o.X-a.X)) / math.Hypot(b.X-a.X, b.Y-a.Y)
}

// completed returns, where a candidate has not the shape of a set but for a
// strip, what has it with a strip more along one of its sides: a line across the
// picture near its edge is a border as good as any, and what lies beyond it may
// be too dark, or too still, to be cut out with the rest.
func (c *candidate) completed() []candidate {
	if off := c.offShape(); c.hidden != [4]bool{} || off < shapeSlack/2 || off > mostStrip {
		return nil
	}
	var out []candidate
	ratio := c.view.measuredShape() / panelShape
	strip := max(ratio, 1/ratio) - 1
	for _, side := range [2]float64{-strip, 1 + strip} {
		d := candidate{rough: c.rough, begin: slices.Clone(c.views)}
		for i := range d.begin {
			v := &d.begin[i]
			l, t, r, b := 0.0, 0.0, 1.0, 1.0
			if ratio > 1 {
				t, b = min(side, 0), max(side, 1)
			} else {
				l, r = min(side, 0), max(side, 1)
			}
			v.Quad = Quad{v.ToCamera(l, t), v.ToCamera(r, t), v.ToCamera(r, b), v.ToCamera(l, b)}
		}
		d.views = slices.Clone(d.begin)
		d.view = d.views[0]
		out = append(out, d)
	}
	return out
}

// mostStrip is the widest strip beyond a side that is looked for, as a logarithm
// of shapes: the bars of a wide film are more.
const mostStrip = 0.2

// roughs returns quadrilaterals that fit the survey, the most promising first.
func (f *Finder) roughs(s *survey) []candidate {
	most := f.smallPlane(s.most)
	light := frame{&most, responseOf(8, f.full)}
	var rough []candidate
	var b border
	for _, q := range append(s.candidates(), f.glimpsed...) {
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
	for i := range rough {
		c := &rough[i]
		c.sides = s.sides(c.view.Quad, s.inside(c.view.Quad))
		alive, leak := c.sides.of(c.hidden)
		c.promise = c.rough * (deadPromise + (1-deadPromise)*alive) * (1 - leakLoss*leak)
	}
	slices.SortStableFunc(rough, func(a, b candidate) int { return cmp.Compare(b.promise, a.promise) })
	return rough
}

const (
	// A border whose sides are not alive promises this much of one whose
	// sides are: the picture may stand still.
	deadPromise = 0.25
	// leakLoss is how much less a side is worth outside of which light
	// changes all along as it does inside.
	leakLoss = 0.6
)

// settled returns the most promising of the rough candidates, each fitted to
// the kept frames without a bend of the lens, and those that came to lie on
// the same sides only once.
func (f *Finder) settled(b *border, rough []candidate, whole []similarity) []candidate {
	var out []candidate
	for _, c := range rough[:min(len(rough), mostSettled)] {
		c.view = enlarge(c.view, f.factor, f.size)
		if !f.settle(b, &c, whole) {
			continue
		}
		if c.hidden = c.view.hidden(); c.quality() < unsettled {
			continue
		}
		if !slices.ContainsFunc(out, func(o candidate) bool { return o.view.Quad.near(c.view.Quad, float64(f.factor)) }) {
			out = append(out, c)
		}
		if len(out) == mostCandidates {
			break
		}
	}
	return out
}

// weigh says of a refined candidate how light changes around it, and returns
// where it lies in the survey.
func (f *Finder) weigh(s *survey, c *candidate, whole []similarity) Quad {
	q := c.view.Quad
	k := float64(f.factor)
	for i := range f.whole {
		if f.whole[i].index != c.frame {
			continue
		}
		back := whole[i].inverse()
		for j, p := range q {
			q[j] = back.apply(Point{(p.X+0.5)/k - 0.5, (p.Y+0.5)/k - 0.5})
		}
	}
	var ring, inside float64
	c.lies = q
	ring, inside, c.outside = s.surroundings(q)
	c.sides = s.sides(q, inside)
	c.calm = ring / max(inside, 1e-9)
	c.still = inside < stillFlicker && s.alive(q) < aliveElsewhere
	return q
}

// restless reports whether so much of all change lies outside of a candidate that is still
// to be refined that no fit of its sides, which moves them by some samples, makes a screen of
// it. The fit costs some ten times as much as this look.
func (f *Finder) restless(s *survey, c candidate, whole []similarity) bool {
	c.frame = f.whole[0].index
	f.weigh(s, &c, whole)
	return !c.still && c.outside > surelyOutside
}

// alive returns the share of all samples that lie outside of a quadrilateral, and
// change.
func (s *survey) alive(q Quad) float64 {
	h := invert(unitTo(q))
	n := 0
	for i, u := range s.flicker {
		if u < 2*stillFlicker {
			continue
		}
		if p := apply(&h, float64(i%s.w), float64(i/s.w)); p.X < 0 || p.X > 1 || p.Y < 0 || p.Y > 1 {
			n++
		}
	}
	return float64(n) / float64(len(s.flicker))
}

// aliveElsewhere is the share of the frame that changes outside of what stands still
// before that is one thing of several on a page: a line of text has as much.
const aliveElsewhere = 0.003

// startSeen is how much of the border, in sides, has to show in the first frame
// to be gone by.
const startSeen = 2

// startAt returns the view of the first frame, of which only the reduced one
// is kept, from where the sway puts it.
func (f *Finder) startAt(b *border, q Quad, k1 float64) View {
	const reach = 4 // reduced samples: what is left of the sway
	v := View{Quad: q, Size: f.small, K1: k1}
	p := f.smallPlane(f.stack[0])
	b.read(frame{&p, responseOf(8, f.full)}, v, trackProfiles, reach+2, 1)
	d, fit := b.fit(b.displaced(reach, 1), loose{1, 1, 0.3, 0.1}, 3, 1)
	if moved := b.shifted(v, d); fit.total() >= startSeen && moved.Quad.convex() {
		v = moved
	}
	return enlarge(v, f.factor, f.size)
}

// mostSettled and mostCandidates bound the work on full frames.
const (
	mostSettled    = 24
	mostCandidates = 6
	// unsettled is the quality below which a candidate without the lens's
	// bend is given up.
	unsettled = 0.2
)

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

// leastBend is the last step in which the bend of the lens is searched: a third of a
// pixel at the corners of 720 lines.
const leastBend = 0.004

// measure fits each of the views to its kept frame, with one bend of the lens
// for all, and returns how well that explains the samples, what shows in all
// together and which frame shows most.
func (f *Finder) measure(b *border, views []View, k1 float64, reach int, l loose, wide, narrow float64) (float64, fitted, int) {
	resp := responseOf(f.whole[0].plane.Depth, f.full)
	var total float64
	var all fitted
	best, most := 0, -1.0
	for i := range f.whole {
		v := views[i]
		v.K1 = k1
		b.read(frame{&f.whole[i].plane, resp}, v, searchProfiles, reach, 1)
		d, fit := b.fit(shift{}, l, wide, narrow)
		nv := b.shifted(v, d)
		if !nv.Quad.convex() {
			continue
		}
		views[i] = nv
		gain := b.gain(d, narrow)
		total += gain
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

// swayed returns where the sway puts a view in each of the kept frames.
func (f *Finder) swayed(v View, whole []similarity) []View {
	out := slices.Repeat([]View{v}, len(whole))
	k := float64(f.factor)
	for i, s := range whole {
		for j, p := range v.Quad {
			p = s.apply(Point{(p.X+0.5)/k - 0.5, (p.Y+0.5)/k - 0.5})
			out[i].Quad[j] = Point{(p.X+0.5)*k - 0.5, (p.Y+0.5)*k - 0.5}
		}
	}
	return out
}

// settle fits a rough candidate to each of the kept frames, from where the
// sway puts it.
func (f *Finder) settle(b *border, c *candidate, whole []similarity) bool {
	c.views = f.swayed(c.view, whole)
	reach := max(settleReach*f.factor, 8)
	near := loose{float64(reach), float64(reach), float64(reach), 2 * float64(f.factor)}
	var best int
	c.begin = slices.Clone(c.views)
	_, c.fit, best = f.measure(b, c.views, 0, reach, near, float64(reach), 2)
	c.frame = f.whole[best].index
	c.view = c.views[0]
	return c.view.Quad.convex()
}

// settleReach is how far the sides of a rough candidate may be off in the
// kept frames, in reduced samples: what the fit of one frame and the bend of
// the lens make.
const settleReach = 3

// refine fits the candidate to each of the kept frames, with one bend of the
// lens for all.
func (f *Finder) refine(b *border, c *candidate) bool {
	views := c.views
	rough := c.begin[0]
	reach := max(settleReach*f.factor, 8)
	near := loose{float64(reach), float64(reach), float64(reach), 2 * float64(f.factor)}
	var gain, k1 float64
	gain = -1
	var starts []View
	for _, k := range bends {
		copy(views, c.begin)
		g, _, _ := f.measure(b, views, k, reach, near, float64(reach), 2)
		if g > gain {
			gain, k1 = g, k
			starts = slices.Clone(views)
		}
	}
	// Then the bend in smaller and smaller steps.
	copy(views, starts)
	gain, _, _ = f.measure(b, views, k1, 8, loose{4, 4, 4, 2}, 5, 1.5)
	var beside [2]float64 // the gain a step to either side
	step := 0.03
	with := func(k float64) float64 {
		copy(views, starts)
		g, _, _ := f.measure(b, views, k, 8, loose{4, 4, 4, 2}, 5, 1.5)
		return g
	}
	for step > leastBend {
		step /= 2
		middle, was := k1, gain
		for side, k := range [2]float64{middle - step, middle + step} {
			if beside[side] = with(k); beside[side] > gain {
				gain, k1 = beside[side], k
				starts = slices.Clone(views)
			}
		}
		switch {
		case k1 < middle:
			beside = [2]float64{0, was}
		case k1 > middle:
			beside = [2]float64{was, 0}
		}
	}
	for side := range beside {
		if beside[side] == 0 {
			beside[side] = with(k1 + step*float64(2*side-1))
		}
	}
	// Between the steps it is told by a parabola.
	if bend := beside[0] - 2*gain + beside[1]; bend < 0 {
		k1 += step * max(-0.5, min(0.5, (beside[0]-beside[1])/(2*bend)))
	}
	copy(views, starts)
	_, c.fit, c.frame = f.measure(b, views, k1, 6, loose{3, 3, 3, 3}, 3, 1)
	c.view = views[c.frame]
	c.steady = wander(views) / math.Hypot(float64(f.size.X), float64(f.size.Y))
	c.frame = f.whole[c.frame].index
	c.view.K1 = k1
	c.hidden = c.view.hidden()
	c.score = c.quality()
	singles := slices.Clone(views)
	if c.score < faintBelow {
		f.refineFaint(b, c, rough)
	}
	if c.score < wholeBorder {
		f.refineTogether(b, c, singles)
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
// frames put it, moved as the camera moves, and takes it if it is no worse.
func (f *Finder) refineFaint(b *border, c *candidate, rough View) {
	resp := responseOf(f.whole[0].plane.Depth, f.full)
	moves := c.moves()
	frames := make([]frame, len(f.whole))
	views := make([]View, len(f.whole))
	for i := range frames {
		frames[i] = frame{&f.whole[i].plane, resp}
	}
	// What was settled on the reduced frames is left for what is as good on
	// whole ones: they are sharper.
	best, gain := *c, faintGain
	if rough == c.view {
		gain = -faintGain
	}
	with := func(v View, k float64, passes [2]pass) (try candidate, explained float64, ok bool) {
		v.K1 = k
		v, fit, explained, ok := b.closeIn(frames, moves, views, v, faintProfiles, passes, loose{4, 4, 4, 2}, faint)
		if !ok {
			return try, 0, false
		}
		try = *c
		try.view, try.fit, try.frame = v, fit, f.whole[0].index
		try.views = slices.Repeat([]View{v}, len(views))
		for i, m := range moves {
			try.views[i] = v.moved(m)
		}
		try.hidden, try.start = v.hidden(), v
		quality := try.quality()
		try.score = quality * faintTrust
		return try, explained, quality >= faintLeast
	}
	most, took := 0.0, false
	for _, k := range bends {
		passes := [2]pass{{4*f.factor + 4, float64(3 * f.factor), 2.5}, {8, 3, 1.5}}
		if try, explained, ok := with(rough, k, passes); ok && try.score > best.score+gain {
			gain = faintGain
			best, most, took = try, explained, true
		}
	}
	if took {
		finer(best.view.K1, func(k float64) bool {
			try, explained, ok := with(best.view, k, [2]pass{{8, 5, 2}, {8, 3, 1.5}})
			if ok = ok && explained > most; ok {
				best, most = try, explained
			}
			return ok
		})
	}
	best.rough = c.rough
	*c = best
}

// moves returns how the camera moves from the first kept frame to each.
func (c *candidate) moves() []similarity {
	list := make([]similarity, len(c.begin))
	for i, v := range c.begin {
		list[i] = between(c.begin[0].Quad, v.Quad)
	}
	return list
}

// moved returns the view moved as a camera moves that sways.
func (v View) moved(s similarity) View {
	for i, p := range v.Quad {
		v.Quad[i] = s.apply(p)
	}
	return v
}

// finer tries bends of the lens in smaller and smaller steps from one on, and goes
// on from where one improved. How much of a border shows hardly tells bends that
// lie close together, how well they explain where it shows does.
func finer(bend float64, improves func(k float64) bool) {
	for step := 0.03; step > 0.002; step /= 2 {
		for _, k := range [2]float64{bend - step, bend + step} {
			if improves(k) {
				bend = k
			}
		}
	}
}

// A border that no single frame shows has to show nearly whole in all frames
// together, and is believed less.
const (
	faintLeast = 0.85
	// faintGain is by how much a bend of the lens has to improve on none.
	faintGain  = 0.02
	faintTrust = 0.65
)

const (
	// The mean of all reduced frames is cut at so many levels, evenly between
	// what a twentieth of it is darker and what a twentieth is brighter than,
	// once it has been smoothed over squares of that side.
	faintLevels, faintSide = 9, 5
	// Below the first of them so many more follow, each at half the height: a dark
	// page with bright things on it stands out from its surroundings by little
	// of the range.
	faintBelowFirst = 4
	// Less than this between the two, in codes, is no screen but noise.
	faintRange = 0.3
	// Codes of the mean are kept to a sixteenth.
	faintDepth = 12
)

// faintSmall is how that mean is looked at.
var faintSmall = sharpness{lines: 9, apart: 1.2, least: 0.002}

// searchFaint looks for a screen that is too dark for any frame alone: in the
// mean of all reduced ones, of which the sway puts the kept ones and the first elsewhere.
func (f *Finder) searchFaint(s *survey, whole []similarity, first similarity) []candidate {
	mean := s.meanPlane()
	smooth := make([]float32, len(s.mean))
	for i, v := range s.mean {
		smooth[i] = v
		mean.Pix16[i] = uint16(v*(1<<(faintDepth-8)) + 0.5)
	}
	if opencv.BlurFloat(smooth, s.w, s.h, faintSide) != nil {
		return nil
	}
	sorted := slices.Clone(smooth)
	slices.Sort(sorted)
	low, high := sorted[len(sorted)/20], sorted[len(sorted)*19/20]
	if high-low < faintRange {
		return nil
	}
	var quads []Quad
	mask := make([]uint8, len(smooth))
	var levels []float32
	step := (high - low) / (faintLevels + 1)
	for k := faintBelowFirst; k > 0; k-- {
		if above := step / float32(int(1)<<k); above > faintRange {
			levels = append(levels, low+above)
		}
	}
	for k := range faintLevels {
		levels = append(levels, low+step*float32(k+1))
	}
	for _, level := range levels {
		for i, c := range smooth {
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
	for _, q := range quads[:min(len(quads), mostFaint)] {
		c, ok := f.settleFaint(&b, frame{&mean, responseOf(faintDepth, f.full)}, q)
		if !ok {
			continue
		}
		c.rough = math.Sqrt(q.area() / float64(s.w*s.h))
		c.begin = f.swayed(c.view, whole)
		c.views, c.view = slices.Clone(c.begin), c.begin[0]
		f.refineFaint(&b, &c, c.view)
		if c.score == 0 || !c.view.Quad.convex() {
			continue
		}
		still := f.swayed(c.view, []similarity{whole[0].inverse()})[0]
		c.start = f.swayed(still, []similarity{first})[0]
		inside := s.beside(&c, q)
		if c.plausible() || f.turned && inside < stillFlicker && c.outlined() {
			out = append(out, c)
		}
	}
	return out
}

// beside says of a candidate that lies at a quadrilateral how light changes around it,
// and returns how much it does inside. Where it is as dark as that, light changes by less
// than the noise, and nothing is known of the surroundings but that they are darker.
func (s *survey) beside(c *candidate, q Quad) (inside float64) {
	ring, inside, outside := s.surroundings(q)
	c.lies = q
	c.sides = s.sides(q, inside)
	if inside >= stillFlicker || s.level(q) >= darkCode {
		c.calm, c.outside = ring/max(inside, 1e-9), outside
	}
	return inside
}

// meanPlane returns the mean of the reduced frames.
func (s *survey) meanPlane() picture.Plane {
	mean := picture.New(s.w, s.h, faintDepth)
	for i, v := range s.mean {
		mean.Pix16[i] = uint16(v*(1<<(faintDepth-8)) + 0.5)
	}
	return mean
}

// mostFaint bounds the quadrilaterals that are tried.
const mostFaint = 16

// pass is one fit of a view: how far across the sides is looked, and between
// which distances from them a sample loses its weight, px.
type pass struct {
	reach        int
	wide, narrow float64
}

// closeIn fits one view, moved as the camera moves from the first frame to each, to all
// frames together, from wide to narrow, and says how well that explains the samples;
// views is scratch of their number. ok is false where no quadrilateral is left.
func (b *border) closeIn(frames []frame, moves []similarity, views []View, v View, profiles int, passes [2]pass, free loose, how sharpness) (_ View, fit fitted, explained float64, ok bool) {
	for _, p := range passes {
		for i := range views {
			views[i] = v.moved(moves[i])
		}
		b.stack(frames, views, profiles, p.reach, 1, how)
		var d shift
		d, fit = b.fit(shift{}, free, p.wide, p.narrow)
		if v = b.shifted(v, d); !v.Quad.convex() {
			return v, fit, 0, false
		}
		explained = b.support(d, p.narrow)
	}
	return v, fit, explained, true
}

// settleFaint fits a quadrilateral to the mean of the reduced frames.
func (f *Finder) settleFaint(b *border, mean frame, q Quad) (candidate, bool) {
	var best candidate
	most := 0.0
	with := func(k float64) (c candidate, explained float64, ok bool) {
		v := View{Quad: q, Size: f.small, K1: k}
		v, fit, explained, ok := b.closeIn([]frame{mean}, []similarity{rest}, make([]View, 1), v, trackProfiles, [2]pass{{7, 5, 1.5}, {6, 1.5, 0.7}}, loose{3, 3, 3, 2}, faintSmall)
		if !ok {
			return c, 0, false
		}
		v = enlarge(v, f.factor, f.size)
		c = candidate{view: v, fit: fit, start: v, hidden: v.hidden(), frame: f.whole[0].index, views: slices.Repeat([]View{v}, len(f.whole))}
		quality := c.quality()
		c.score = quality * faintTrust
		return c, explained, quality >= faintLeast
	}
	for _, k := range bends {
		if c, explained, ok := with(k); ok && c.score > best.score+faintGain {
			best, most = c, explained
		}
	}
	if best.score > 0 {
		finer(best.view.K1, func(k float64) bool {
			c, explained, ok := with(k)
			if ok = ok && explained > most; ok {
				best, most = c, explained
			}
			return ok
		})
	}
	return best, best.score > 0
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

// gain is how well a shift explains the samples. An edge as strong as most of its side
// counts in full: a line of the picture may be brighter than the border beside it. Fainter
// ones count less, as in a fit.
func (b *border) gain(d shift, narrow float64) float64 {
	var g float64
	full := b.typical()
	for i := range b.samples {
		s := &b.samples[i]
		if e, off := s.nearest(d.at(b, s)); off < narrow {
			r, share := off/narrow, min(e.contrast/full[s.side], 1)
			g += (1 - r*r) * (1 - r*r) * share * share
		}
	}
	return g
}

// typical is the median contrast, for each side, of the outermost edges of its samples,
// but no more than is full for any.
func (b *border) typical() (full [4]float64) {
	for side := range full {
		v := b.outer[:0]
		for i := range b.samples {
			if s := &b.samples[i]; s.side == side {
				v = append(v, s.edges[0].contrast)
			}
		}
		b.outer = v
		if len(v) > 0 {
			slices.Sort(v)
			full[side] = min(v[len(v)/2], fullContrast)
		}
	}
	return full
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
	// Less than this share of all the change in the frames happens outside. Twice as
	// much leaves no doubt before the sides were fitted.
	mostOutside   = 0.2
	surelyOutside = 2 * mostOutside
	// A hand moves the frame by less than this share of its diagonal while
	// somebody films.
	steadiest = 0.03
	// No camera is held, or stands, so straight before a screen that two of its sides keep
	// to the frame's rows within a pixel from end to end, a twentieth of a degree or so,
	// while a third lies in the frame's own edge, within this share of the frame: bars do
	// that a picture was made with.
	straightest, edgeShare = 1.0, 0.01
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

// madeWithBars reports whether a border is that of the bars of a direct take, where the sides
// that are hidden count as in the frame's edge.
func (v View) madeWithBars(hidden [4]bool) bool {
	w, h := float64(v.Size.X), float64(v.Size.Y)
	atEdge := func(side int) bool {
		p, q := v.Quad[side], v.Quad[(side+1)%4]
		off := [4]float64{(p.Y + q.Y) / 2 / h, 1 - (p.X+q.X)/2/w, 1 - (p.Y+q.Y)/2/h, (p.X + q.X) / 2 / w}[side]
		return hidden[side] || off < edgeShare
	}
	for side := range 2 {
		if v.level(side) && v.level(side+2) && !hidden[side] && !hidden[side+2] && (atEdge(side+1) || atEdge((side+3)%4)) {
			return true
		}
	}
	return false
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
	if c.view.madeWithBars(c.hidden) {
		return false
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
	case nearestShape(shape, shapeSlack) != panelShape && f.barred(&c, &found):
		aspect = panelShape
	case math.Abs(math.Log(shape/panelShape)) < shapeSlack:
		// What is about as wide as a set is one.
		aspect = panelShape
		found.Why = "a lit quadrilateral with straight sides in the shape of a set stands in the frames while its content changes"
	default:
		found.LitArea = true
		alive, _ := c.sides.of(c.hidden)
		found.Confidence *= litTrust * (litDead + (1-litDead)*min(1, alive/livelyEnough))
		found.Why = "a lit quadrilateral with straight sides stands in the frames while its content changes; the panel's own edge beyond black bars does not show"
	}
	if found.Still = c.still && c.calm >= calmest; found.Still {
		found.Why = "a quadrilateral with straight sides in the shape of a set stands in the frames, but nothing in it changes"
		found.Confidence *= stillTrust
	}
	found.View.Aspect = aspect
	found.View.Confidence = c.score
	found.Start = found.View
	for i, p := range found.View.Quad {
		found.Start.Quad[i] = c.start.ToCamera(c.view.ToScreen(p))
	}
	return found
}

// What has not the shape of a set is believed less, and less still, down to a
// share, if the picture does not change along its sides.
const litTrust, litDead = 0.85, 0.75

// barred takes the panel round a picture with black bars for the screen if its
// edge shows.
func (f *Finder) barred(c *candidate, found *Found) bool {
	v, ok := f.panel(c)
	if ok {
		found.View = v
		found.Why = "a lit picture with black bars stands in the frames, and the edge of the panel shows round it"
	}
	return ok
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
			u := float64(s.flicker[y*s.w+x])
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
