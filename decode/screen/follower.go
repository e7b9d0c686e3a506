package screen

import (
	"math"

	"setwitness/decode/picture"
)

// A Follower follows a screen from one camera frame to the next by its border
// alone, so that what moves on the screen does not move the view. Used by one
// goroutine.
type Follower struct {
	view     View
	velocity shift // of the corners, px a frame
	border   border
	response response

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
	// Against where it is expected the screen moves as one by some px from a
	// frame to the next (a hand at 30 frames a second), and out of its shape
	// only slowly.
	followCommon, followCorner = 2.5, 0.12
	// Below this share of profiles, on two sides at least, a frame does not
	// say where the screen is.
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
	return &Follower{view: first, restless: 0.05, calm: calmFrames}
}

// Follow finds the screen in the next frame.
func (f *Follower) Follow(p *picture.Plane) View {
	if p.Check() != nil || !f.view.Quad.convex() {
		return f.carry()
	}
	if len(f.response) != 1<<p.Depth {
		f.response = responseOf(p.Depth)
	}
	light := frame{p, f.response}
	b := &f.border
	expected := f.expect()
	var view View
	ok := false
	if f.started && f.carried == 0 {
		b.read(light, expected, followProfiles, nearReach, 1)
		d, fit := b.fit(shift{}, loose{followCommon, followCorner}, nearReach, nearCut)
		if ok = f.enough(fit); ok {
			view = b.shifted(expected, d)
			view.Confidence = confidence(fit)
		}
	}
	if !ok {
		view, ok = f.regain(light, expected)
	}
	if !ok || !view.Quad.convex() {
		return f.carry()
	}
	return f.accept(expected, view)
}

// nearCut is how far off the fitted side an edge may be to count, px: twice
// what content does to it, and some of the lens's bend that was not modelled.
const nearCut = 1.2

// expect returns the view if the movement goes on.
func (f *Follower) expect() View {
	v := f.view
	v.Carried, v.Cut = false, false
	for i := range v.Quad {
		v.Quad[i].X += f.velocity[2*i]
		v.Quad[i].Y += f.velocity[2*i+1]
	}
	return v
}

func (f *Follower) carry() View {
	// A hand comes back: what it did when it was last seen says nothing
	// after a few frames.
	f.view = f.expect()
	for i := range f.velocity {
		f.velocity[i] *= 0.7
	}
	f.carried++
	f.view.Carried = true
	// Its place is the less certain the longer nothing was seen.
	f.view.Confidence *= 0.98
	return f.view
}

// enough reports whether a fit pins the screen down.
func (f *Follower) enough(fit fitted) bool {
	sides, total, possible := 0, 0.0, 0
	for i, n := range f.border.possible {
		if n == 0 {
			continue
		}
		possible++
		total += fit.seen[i]
		if fit.seen[i] >= 2*leastSeen {
			sides++
		}
	}
	return possible > 0 && sides >= min(2, possible) && total >= leastSeen*float64(possible)
}

func confidence(fit fitted) float64 {
	var c float64
	for _, s := range fit.seen {
		c += min(s/wholeSide, 1) / 4
	}
	return c
}

// regain looks for the border farther away.
func (f *Follower) regain(light frame, expected View) (View, bool) {
	b := &f.border
	b.read(light, expected, followProfiles, farReach/farStep, farStep)
	if len(b.samples) < followProfiles/2 {
		return expected, false
	}
	d := b.displaced(farReach, farStep)
	d, _ = b.fit(d, loose{farStep, 1}, 3*farStep, 2*farStep)
	v := b.shifted(expected, d)
	if !v.Quad.convex() {
		return expected, false
	}
	b.read(light, v, followProfiles, nearReach, 1)
	d, fit := b.fit(shift{}, loose{followCommon, 2 * followCorner}, nearReach, nearCut)
	v = b.shifted(v, d)
	v.Confidence = confidence(fit)
	return v, f.enough(fit)
}

// displaced finds the displacement, without turning, that most samples agree
// on: level from the upright sides, upright from the level ones.
func (b *border) displaced(reach, step float64) shift {
	n := int(reach / step)
	var move Point
	for axis := range 2 {
		best := 0.0
		for i := -n; i <= n; i++ {
			at := float64(i) * step
			score := -1e-3 * math.Abs(float64(i)) // of equals the nearest
			for m := range b.samples {
				s := &b.samples[m]
				if s.side%2 != axis {
					continue
				}
				// Inwards is down on top and up at the bottom.
				sign := 1.0
				if s.side == 1 || s.side == 2 {
					sign = -1
				}
				if e, off := s.nearest(sign * at); off < 2*step {
					score += (1 - off/(2*step)) * min(e.contrast/fullContrast, 1)
				}
			}
			if score > best {
				best = score
				if axis == 0 {
					move.Y = at
				} else {
					move.X = at
				}
			}
		}
	}
	var d shift
	for i := range 4 {
		d[2*i], d[2*i+1] = move.X, move.Y
	}
	return d
}

// accept takes a measured view and learns from it how the camera moves.
func (f *Follower) accept(expected, view View) View {
	var off, moved shift
	var square float64
	for i := range view.Quad {
		off[2*i], off[2*i+1] = view.Quad[i].X-expected.Quad[i].X, view.Quad[i].Y-expected.Quad[i].Y
		moved[2*i], moved[2*i+1] = view.Quad[i].X-f.view.Quad[i].X, view.Quad[i].Y-f.view.Quad[i].Y
	}
	// As one: the mean over the corners.
	var x, y float64
	for i := range 4 {
		x += off[2*i] / 4
		y += off[2*i+1] / 4
	}
	square = x*x + y*y
	if f.started && f.carried == 0 {
		scale := float64(min(view.Size.X, view.Size.Y)) / 720
		limit := max(knockLeast*scale, knockTimes*math.Sqrt(f.restless))
		if square > limit*limit {
			view.Cut = f.calm >= calmFrames
			f.calm = 0
		} else {
			f.calm++
			f.restless += (square - f.restless) / unrestFrames
		}
		f.velocity = moved
	} else {
		f.velocity = shift{}
	}
	f.started, f.carried = true, 0
	f.view = view
	return view
}
