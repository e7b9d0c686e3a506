package screen

import (
	"math"
	"slices"

	"setwitness/decode/screen/opencv"
)

// A similarity is how a frame lies against where the others are brought to: turned
// and sized by the complex number a+bi, then displaced, in reduced samples.
type similarity struct{ a, b, x, y float64 }

// rest is no sway.
var rest = similarity{a: 1}

func (s similarity) apply(p Point) Point {
	return Point{s.a*p.X - s.b*p.Y + s.x, s.b*p.X + s.a*p.Y + s.y}
}

func (s similarity) inverse() similarity {
	n := s.a*s.a + s.b*s.b
	a, b := s.a/n, -s.b/n
	return similarity{a, b, -(a*s.x - b*s.y), -(b*s.x + a*s.y)}
}

// between returns the sway that takes one quadrilateral as near to another as
// it can: least squares, which for complex numbers is one quotient.
func between(from, to Quad) similarity {
	a, b := from.centre(), to.centre()
	var re, im, n float64
	for i := range from {
		x, y := from[i].X-a.X, from[i].Y-a.Y
		u, v := to[i].X-b.X, to[i].Y-b.Y
		re += x*u + y*v
		im += x*v - y*u
		n += x*x + y*y
	}
	re, im = re/n, im/n
	return similarity{re, im, b.X - re*a.X + im*a.Y, b.Y - im*a.X - re*a.Y}
}

const (
	// trackers is how many quadrilaterals are tried to follow the camera by:
	// not the best one has to be the screen's, any that stands in the room
	// sways with it.
	trackers      = 4
	trackProfiles = 20
	// A hand sways by less than this many reduced samples from one frame of
	// the survey to the next: some 25 px of 720 lines.
	swayMost = 10
	// stillSway is what the fit of a reduced frame strays by on a stand,
	// reduced samples.
	stillSway = 0.4
	// A frame that shows less than this share of what the brightest shows of
	// the border is taken to lie where the one before does: it is dark.
	trackLeast = 0.3
	// Something stands still that shows as well, by this share, where it was
	// as where it is followed to; and it is something worth following if as
	// much of it shows as this share of what shows most.
	unmovedShare, stillLike = 0.9, 0.6
	// trackSure is the share of the profiles that has to show what is
	// followed, over all frames: below, it is followed by noise.
	trackSure = 0.25
)

// track follows the camera through the reduced frames by the quadrilateral of
// which most shows in all of them. It reports false for a camera that stands
// still, or if there is nothing to follow.
func (f *Finder) track(s *survey, rough []candidate) (stack, whole []similarity, ok bool) {
	resp := responseOf(8, f.full)
	var b border
	best, still := 0.0, 0.0
	bright := f.smallPlane(s.bright)
	for _, c := range rough[:min(len(rough), trackers)] {
		// What the brightest of all frames showed is wider than what one of
		// them shows by as much as the camera swayed.
		b.read(frame{&bright, resp}, c.view, trackProfiles, swayMost+2, 1)
		d := b.vote(swayMost, 1)
		d, _ = b.fit(d, loose{2, 2, 2, 2}, 3, 1)
		if c.view = b.shifted(c.view, d); !c.view.Quad.convex() {
			continue
		}
		// From the last place that was sure: a zoom or a drift goes on.
		var unmoved float64
		one := func(pix []uint8, from similarity) (similarity, float64) {
			p := f.smallPlane(pix)
			v := c.view
			for i, q := range v.Quad {
				v.Quad[i] = from.apply(q)
			}
			b.read(frame{&p, resp}, v, trackProfiles, swayMost+2, 1)
			d, _ := b.fit(b.displaced(swayMost, 1), loose{1, 1, 1, 0.05}, 3, 1)
			var back shift
			for i, q := range c.view.Quad {
				back[2*i], back[2*i+1] = q.X-v.Quad[i].X, q.Y-v.Quad[i].Y
			}
			unmoved += b.support(back, 1)
			return between(c.view.Quad, b.shifted(v, d).Quad), b.support(d, 1)
		}
		list := make([]similarity, len(f.stack))
		start := max(0, slices.IndexFunc(f.stack, func(pix []uint8) bool { return &pix[0] == &s.bright[0] }))
		var sum, top float64
		list[start], top = one(f.stack[start], rest)
		sum = top
		for _, step := range [2]int{1, -1} {
			last := list[start]
			for i := start + step; i >= 0 && i < len(list); i += step {
				at, support := one(f.stack[i], last)
				if support >= trackLeast*top {
					last = at
				}
				list[i] = last
				sum += support
			}
		}
		if unmoved > unmovedShare*sum {
			still = max(still, unmoved)
		}
		if sum <= best {
			continue
		}
		best = sum
		stack, whole = list, make([]similarity, len(f.whole))
		for i := range whole {
			near := list[min(f.whole[i].index/f.every, len(list)-1)]
			var support float64
			if whole[i], support = one(f.whole[i].small, near); support < trackLeast*top {
				whole[i] = near
			}
		}
	}
	// What does not move tells of the camera; what does may be on the screen.
	if still > stillLike*best {
		return nil, nil, false
	}
	if best == 0 || best < trackSure*4*trackProfiles*float64(len(f.stack)) {
		return nil, nil, false
	}
	spread := 0.0
	for _, c := range [2]Point{{}, {float64(f.small.X), float64(f.small.Y)}} {
		var x, y, xx, yy float64
		for _, s := range stack {
			p := s.apply(c)
			x, y, xx, yy = x+p.X, y+p.Y, xx+p.X*p.X, yy+p.Y*p.Y
		}
		n := float64(len(stack))
		spread = max(spread, math.Sqrt(max(0, xx/n-x*x/n/n)+max(0, yy/n-y*y/n/n)))
	}
	return stack, whole, spread > stillSway
}

// steadied returns the reduced frames with the sway taken out of them.
func (f *Finder) steadied(list []similarity) [][]uint8 {
	out := make([][]uint8, len(f.stack))
	for i, pix := range f.stack {
		s := list[i].inverse()
		out[i] = make([]uint8, len(pix))
		if opencv.Warp(out[i], pix, f.small.X, f.small.Y, &[6]float64{s.a, -s.b, s.x, s.b, s.a, s.y}) != nil {
			out[i] = pix
		}
	}
	return out
}
