package screen

import (
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
)

// A Follower follows a screen from one camera frame to the next by its border
// alone, so that what moves on the screen does not move the view. Used by one
// goroutine.
type Follower struct {
	// What is followed is the picture within these bars.
	bars   [4]float64
	aspect float64 // of the screen

	view View // of the last frame
	// held is the same with the screen held in its shape: what content does
	// to one side is in the view but not here, and so is not passed on.
	held     View
	velocity Point // px a frame, of the whole
	// growth is by how much it grows from one frame to the next, as the
	// natural logarithm: a zoom, or a hand that comes nearer.
	growth float64
	// first are the corners without the lens's bend in the first frame, and sizes the
	// logarithms of how much larger the screen was in those after it, while all of its
	// sides show; grown is how many of them there are, firstFrames once they are used.
	first Quad
	sizes [firstFrames]float64
	grown int
	// shape is what the corners without the lens's bend are taken to be, up
	// to displacement, turn and size.
	shape    Quad
	count    int
	border   border
	reduced  []uint8
	response response

	// Of the last frame measured: profiles that lay in the frame, and how
	// many sides showed.
	possible [4]int
	total    float64

	// started is set once a frame has been measured.
	started bool
	// carried counts the frames since the border was last seen.
	carried int
	// restless is the mean square by which frames differed from where they
	// were expected, and calm counts frames since the last knock.
	restless float64
	calm     int
}

const (
	// The border is looked for this far from where it is expected, in px,
	// from one frame to the next, and this far when it is not there.
	nearReach = 7
	farReach  = 40
	farStep   = 2.0
	// Against where it is expected the screen moves and turns as one by some
	// px from a frame to the next where nothing else is seen, grows by next
	// to nothing (half a percent a second) more or less than it did, and keeps
	// its shape; each corner may then lie a little off that.
	followMove, followTurn, followGrow = 0.5, 0.5, 0.02
	followRigid, followCorner          = 0.02, 0.08
	firstGrow                          = 4
	// The shape follows what is seen by this share a frame: the camera turns
	// and the perspective with it, but slower than content moves along a
	// side.
	shapeShare = 0.006
	// What it grew more than expected it grows on by this share. The prior lets
	// through about a fifth of a deviation a frame; a fourth of that again lets
	// the two settle as fast as they can without swinging.
	growShare = 0.05
	// So many frames say how it grows before anything is known of that. The size is let
	// through by so many px in them, and what they say is believed where it is so many
	// times its own error, and no less than a percent a second: content that moves
	// along a side draws it as well.
	firstFrames, firstFree  = 12, 0.08
	firstTimes, leastGrowth = 5, 5e-5
	// A hand or a zoom key changes the size by less than this a frame: half
	// as large again in a second of 240 frames.
	mostGrowth = 0.002
	// Below this share of profiles a side does not show.
	leastSeen = 0.12
)

// A knock is a displacement against the expected one that the hand's own
// tremor does not explain.
const (
	// knockLeast is in px of 720 lines: a hand's tremor reaches a third of
	// that from frame to frame at 240 a second.
	knockLeast = 1.5
	// knockTimes is in standard deviations of the frames before.
	knockTimes = 7
	// calmFrames have to pass before another knock is told from the swing of
	// the last.
	calmFrames = 12
	// The unrest is a mean over about this many frames.
	unrestFrames = 40
)

// NewFollower makes a follower that expects the screen at first in its first
// frame, or not far from there.
func NewFollower(first View) *Follower {
	first.Carried, first.Cut = false, false
	bars, aspect := first.Bars, first.Aspect
	first = first.lit()
	f := &Follower{bars: bars, aspect: aspect, view: first, held: first, restless: 0.05, calm: calmFrames}
	f.possible = [4]int{followProfiles, followProfiles, followProfiles, followProfiles}
	f.shape = first.straight()
	return f
}

// Follow finds the screen in the next frame.
func (f *Follower) Follow(p *picture.Plane) View {
	v := f.follow(p)
	if f.bars == [4]float64{} {
		return v
	}
	return v.around(f.bars, f.aspect)
}

func (f *Follower) follow(p *picture.Plane) View {
	if p.Check() != nil || !f.view.Quad.convex() {
		return f.carry()
	}
	if len(f.response) != 1<<p.Depth {
		f.response = f.responseOf(p, p.Depth)
	}
	light := frame{p, f.response}
	b := &f.border
	expected := f.expect()
	var next, again outcome
	ok := false
	f.count++
	if f.started && f.carried == 0 {
		next = f.near(light, expected, usual, followProfiles)
		ok = b.enough(next.fit)
		if !ok {
			next = f.near(light, expected, dim, dimProfiles)
			ok = b.enough(next.fit)
		}
	}
	// Where less shows than in the frame before, the camera may have been
	// knocked; a side that never shows may be content that was taken for the
	// border while that was dark.
	if !ok || next.fit.total() < f.total-lostTotal || f.count%doubtFrames == 0 && b.doubtful(next.fit) {
		again = f.regain(light, expected)
		if f.certain(expected, again) && (!ok || again.fit.total() > next.fit.total()+doubtGain) {
			next, ok = again, true
			next.regained = true
		}
	}
	if !ok && f.started && f.carried%searchFrames == searchFrames-1 {
		if v, near := f.wide(p, expected); near {
			again = f.regain(light, v)
			if f.certain(expected, again) {
				next, ok = again, true
				next.regained = true
			}
		}
	}
	if !ok || !next.view.Quad.convex() || !next.held.Quad.convex() {
		return f.carry()
	}
	return f.accept(expected, next)
}

const (
	// A screen that stays lost is looked for in the frame made smaller, every
	// so many frames, by so much of its shorter side.
	searchFrames = 8
	searchSide   = 180
)

// wide looks for a screen that was moved far, in the frame made smaller.
func (f *Follower) wide(p *picture.Plane, expected View) (View, bool) {
	factor := max(1, min(p.W, p.H)/searchSide)
	w, h := p.W/factor, p.H/factor
	if cap(f.reduced) < w*h {
		f.reduced = make([]uint8, w*h)
	}
	small := picture.Plane{Pix: f.reduced[:w*h], Stride: w, W: w, H: h, Depth: 8}
	reduce(p, factor, w, h, small.Pix)
	v := expected
	v.Size = image.Pt(w, h)
	k := float64(factor)
	for i, c := range v.Quad {
		v.Quad[i] = Point{(c.X+0.5)/k - 0.5, (c.Y+0.5)/k - 0.5}
	}
	b := &f.border
	b.read(frame{&small, f.responseOf(p, 8)}, v, followProfiles, farReach/farStep, farStep)
	if len(b.samples) < followProfiles {
		return expected, false
	}
	found := enlarge(b.shifted(v, b.displaced(farReach, farStep)), factor, expected.Size)
	return found, found.Quad.convex()
}

// responseOf returns the light of codes of a depth in a frame, or of its negative.
func (f *Follower) responseOf(p *picture.Plane, depth int) response {
	full := fullRange(p)
	r := responseOf(depth, full)
	if f.view.Shaded {
		r = r.negative(full)
	}
	return r
}

// fullRange reports whether a frame holds codes that limited range does not:
// more of them than coding makes of black.
func fullRange(p *picture.Plane) bool {
	const every, share = 16, 50
	n, below := 0, 0
	for y := 0; y < p.H; y += every {
		for x := 0; x < p.W; x += every {
			n++
			if p.At(x, y)>>(p.Depth-8) < belowBlack {
				below++
			}
		}
	}
	return below*share > n
}

// An outcome is what a frame says: the view, and the same with the screen held
// in its shape.
type outcome struct {
	view, held View
	fit        fitted
	regained   bool
	dim        bool // it shows over long stretches only
}

const (
	// nearCut is how far off the fitted side an edge may be to count, px:
	// twice what content does to it, and some of the lens's bend that was
	// not modelled. rigidCut is the same while the shape is held.
	nearCut, rigidCut = 1.2, 1.6
	// A doubtful view is held against what a wide search finds every so many
	// frames, which has to show more of the border by this share of a side.
	doubtFrames = 6
	doubtGain   = 0.4
	// lostTotal is how much of the border, in sides, does not get lost from
	// one frame to the next by itself.
	lostTotal = 0.5
)

// dim is how a frame is looked at that is too dark for the usual way: long
// stretches of each side at once.
var dim = sharpness{lines: 15, apart: 2.5, least: 0.01}

const dimProfiles = 24

// near fits the border close to where it is expected: first in its shape, then
// each corner by itself.
func (f *Follower) near(light frame, expected View, how sharpness, count int) outcome {
	b := &f.border
	b.stack([]frame{light}, []View{expected}, count, nearReach, 1, how)
	// Between the frame where it was found and the first one it may have
	// grown by a second's zoom, and while it was not seen as well; a dim one
	// does not tell.
	grow := followGrow * float64(1+f.carried)
	if how == usual && f.grown < firstFrames {
		grow = max(grow, firstFree)
	}
	if !f.started && how == usual {
		grow = firstGrow
	}
	d, _ := b.fit(shift{}, loose{followMove, followTurn, grow, followRigid}, nearReach, rigidCut)
	o := outcome{held: b.shifted(expected, d)}
	d, o.fit = b.fit(d, loose{followMove, followTurn, grow, followCorner}, rigidCut, nearCut)
	o.view = b.shifted(expected, d)
	o.view.Confidence = confidence(o.fit)
	o.dim = how != usual
	return o
}

// straight returns the corners without the lens's bend.
func (v View) straight() Quad {
	l := v.lens()
	q := v.Quad
	for i, p := range q {
		q[i] = l.undistort(p)
	}
	return q
}

// onto returns the quadrilateral displaced, turned and sized to lie as near
// to another as it can.
func (q Quad) onto(to Quad) Quad {
	s := between(q, to)
	for i, p := range q {
		q[i] = s.apply(p)
	}
	return q
}

// expect returns the view if the movement goes on and the shape stays.
func (f *Follower) expect() View {
	v := f.held
	v.Carried, v.Cut = false, false
	l := v.lens()
	q := f.shape.onto(v.straight())
	c, k := q.centre(), math.Exp(f.growth)
	for i, p := range q {
		v.Quad[i] = l.distort(Point{
			c.X + k*(p.X-c.X) + f.velocity.X, c.Y + k*(p.Y-c.Y) + f.velocity.Y})
	}
	return v
}

func (f *Follower) carry() View {
	confidence := f.view.Confidence
	f.held = f.expect()
	f.view = f.held
	// A hand comes back: what it did when it was last seen says nothing
	// after a few frames.
	f.velocity.X *= 0.7
	f.velocity.Y *= 0.7
	f.growth *= 0.7
	f.carried++
	f.view.Carried = true
	// Its place is the less certain the longer nothing was seen.
	f.view.Confidence = confidence * 0.98
	return f.view
}

// enough reports whether a fit pins down a screen whose shape is known.
func (b *border) enough(fit fitted) bool {
	sides, possible := 0, 0
	for i, n := range b.possible {
		if n == 0 {
			continue
		}
		possible++
		if fit.seen[i] >= 2*leastSeen {
			sides++
		}
	}
	return possible > 0 && sides >= min(2, possible) && fit.total() >= leastSeen*float64(possible)
}

// certain reports whether an outcome pins down a screen that was lost: level
// and upright sides have to show, and all of them if it is far away, for
// content may look like a side and two sides can be moved along themselves.
func (f *Follower) certain(expected View, o outcome) bool {
	scale := float64(min(expected.Size.X, expected.Size.Y)) / 720
	a, b := expected.Quad.centre(), o.held.Quad.centre()
	limit := wanderLeast + wanderFrame*float64(f.carried)
	if !f.started {
		limit = wanderFirst
	}
	near := math.Hypot(a.X-b.X, a.Y-b.Y) < scale*limit
	level, upright, all := 0, 0, true
	for i, s := range o.fit.seen {
		switch {
		case f.possible[i] < followProfiles/4:
		case s < certainSeen:
			all = false
		case i%2 == 0:
			level++
		default:
			upright++
		}
	}
	return level > 0 && upright > 0 && (near || all)
}

const (
	certainSeen = 0.4
	// How far from where it was last seen the screen may be, px of 720
	// lines, at once and for each frame that it was not seen: a hand's sway.
	wanderLeast, wanderFrame = 4, 0.1
	// The same for the first frame, against the one where it was found.
	wanderFirst = 25
)

// doubtful reports whether a side that lies in the frame does not show.
func (b *border) doubtful(fit fitted) bool {
	for i, n := range b.possible {
		if n > followProfiles/2 && fit.seen[i] < leastSeen {
			return true
		}
	}
	return false
}

// total is how many sides show, in whole ones.
func (f fitted) total() float64 { return f.seen[0] + f.seen[1] + f.seen[2] + f.seen[3] }

func confidence(fit fitted) float64 {
	var c float64
	for _, s := range fit.seen {
		c += min(s/wholeSide, 1) / 4
	}
	return c
}

// regain looks for the border where it is expected and farther away, and takes
// where more of it shows.
func (f *Follower) regain(light frame, expected View) outcome {
	b := &f.border
	here := f.near(light, expected, usual, followProfiles)
	if !b.enough(here.fit) {
		here = f.near(light, expected, dim, dimProfiles)
	}
	b.read(light, expected, followProfiles, farReach/farStep, farStep)
	if len(b.samples) < followProfiles/2 {
		return here
	}
	d := b.displaced(farReach, farStep)
	d, _ = b.fit(d, loose{farStep, farStep, followGrow, followRigid}, 3*farStep, 2*farStep)
	v := b.shifted(expected, d)
	if !v.Quad.convex() {
		return here
	}
	least := here.fit.total()
	if !f.started && b.enough(here.fit) {
		// The first frame is one of those that it was found in, with dark content along a
		// side perhaps, and lines of the picture beside it.
		least += doubtGain
	}
	if there := f.near(light, v, usual, followProfiles); there.fit.total() > least {
		return there
	}
	return here
}

// accept takes a measured view and learns from it how the camera moves.
func (f *Follower) accept(expected View, o outcome) View {
	was, is, due := f.held.Quad.centre(), o.held.Quad.centre(), expected.Quad.centre()
	view := o.view
	square := (is.X-due.X)*(is.X-due.X) + (is.Y-due.Y)*(is.Y-due.Y)
	scale := float64(min(view.Size.X, view.Size.Y)) / 720
	switch {
	case !f.started:
	case f.carried > 0:
		// Farther than a hand sways meanwhile: it was moved.
		far := scale * (wanderLeast + wanderFrame*float64(f.carried))
		view.Cut = square > far*far
	default:
		limit := max(knockLeast*scale, knockTimes*math.Sqrt(f.restless))
		if square > limit*limit {
			view.Cut = f.calm >= calmFrames
			f.calm = 0
		} else {
			f.calm++
			f.restless += (square - f.restless) / unrestFrames
		}
	}
	f.velocity = Point{}
	if f.started && f.carried == 0 && !o.regained {
		// Only sides at a right angle to it show a movement.
		if o.fit.seen[1]+o.fit.seen[3] >= certainSeen {
			f.velocity.X = is.X - was.X
		}
		if o.fit.seen[0]+o.fit.seen[2] >= certainSeen {
			f.velocity.Y = is.Y - was.Y
		}
	}
	f.grow(expected, o)
	f.started, f.carried = true, 0
	f.view, f.held = view, o.held
	f.possible, f.total = f.border.possible, o.fit.total()
	// The shape follows what is seen.
	seen := view.straight()
	shape := f.shape.onto(seen)
	for i := range shape {
		shape[i].X += shapeShare * (seen[i].X - shape[i].X)
		shape[i].Y += shapeShare * (seen[i].Y - shape[i].Y)
	}
	f.shape = shape
	return view
}

// grow learns by how much the screen grows.
func (f *Follower) grow(expected View, o outcome) {
	whole := !o.dim && slices.Min(o.fit.seen[:]) >= wholeSide
	switch {
	case !f.started:
		if f.first = o.held.straight(); !whole {
			f.grown = firstFrames
		}
	case f.carried > 0:
	case o.regained:
		f.growth, f.grown = 0, firstFrames
	case f.grown < firstFrames && whole:
		s := between(f.first, o.held.straight())
		f.sizes[f.grown] = math.Log(math.Hypot(s.a, s.b))
		if f.grown++; f.grown == firstFrames {
			f.growth = growthOf(f.sizes[:])
		}
	default:
		f.grown = firstFrames
		s := between(expected.straight(), o.held.straight())
		f.growth += growShare * math.Log(math.Hypot(s.a, s.b))
		f.growth = max(-mostGrowth, min(mostGrowth, f.growth))
	}
}

// growthOf is the slope of a line through sizes, 0 where that is not sure.
func growthOf(sizes []float64) float64 {
	n := float64(len(sizes))
	middle, mean := (n-1)/2, 0.0
	for _, y := range sizes {
		mean += y / n
	}
	var xx, xy, yy float64
	for i, y := range sizes {
		x := float64(i) - middle
		xx, xy, yy = xx+x*x, xy+x*(y-mean), yy+(y-mean)*(y-mean)
	}
	slope := xy / xx
	err := math.Sqrt(max(0, yy-slope*xy) / (n - 2) / xx)
	if math.Abs(slope) < max(firstTimes*err, leastGrowth) {
		return 0
	}
	return max(-mostGrowth, min(mostGrowth, slope))
}
