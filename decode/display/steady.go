package display

import (
	"math"

	"setwitness/decode/screen"
)

// steadySeconds is how far on either side of a frame the views of others help
// to place its corners: a hand sways at no more than a few hertz, so that over
// a twentieth of a second its path is a parabola, and the border measured in
// one frame strays by a third of a camera pixel, which would look like change
// in every frame.
const (
	steadySeconds = 0.1
	fewestSteady  = 3
	mostSteady    = 24
)

// steadyFrames returns the frames on either side that are used at a rate.
func steadyFrames(rate float64) int {
	return min(max(int(math.Round(steadySeconds*rate)), fewestSteady), mostSteady)
}

// A steadier places the corners of frames that are asked for in their order.
// Used by one goroutine.
type steadier struct {
	half int // frames on either side that help
	// mean is that of the corners over the stretch in which they have not
	// moved, and n counts its frames.
	mean screen.Quad
	n    int
	// since counts frames since it last moved, as far as it matters.
	since int
}

func newSteadier(rate float64) *steadier { return &steadier{half: steadyFrames(rate)} }

const (
	// On a stand the corners stray about one place by what content and noise
	// do to each frame's measure. They count as at rest when the middle of
	// the screen goes by less than stillMove px from the first to the second
	// half of the frames around one, a tenth of a second: three times what the
	// measures stray by, and a third of what a hand sways meanwhile.
	stillMove = 0.2
	// And when no corner, in the mean of the frames around, is farther than
	// this from where it has been, px: beyond, it was turned or pushed slowly.
	stillOff = 0.25
	// At twice these values nothing of the rest's mean is used; between,
	// there is no leap from one to the other.
	stillFade = 2
	// The mean at rest goes back over about so many times the frames on
	// either side: one second.
	stillTimes = 10
)

// at returns view i of a list with its corners where they are at rest, if they
// are, or else on the parabola through those of the frames around it, up to
// half of them on either side and none beyond a cut.
func (s *steadier) at(list []screen.View, i int) screen.View {
	v := list[i]
	if v.Cut {
		s.n = 0
	}
	from, to := around(list, i, s.half)
	// Fewer points than a parabola and its noise need stay as they are.
	if to-from < 4 {
		return v
	}
	middle := (from + to + 1) / 2
	first, second := meanQuad(list[from:middle]), meanQuad(list[middle:to+1])
	var mean screen.Quad
	var move screen.Point
	for c := range mean {
		mean[c] = screen.Point{X: (first[c].X + second[c].X) / 2, Y: (first[c].Y + second[c].Y) / 2}
		move.X += (second[c].X - first[c].X) / 4
		move.Y += (second[c].Y - first[c].Y) / 4
	}
	// Where a stretch begins there is nothing that a rest could leap from;
	// after a movement it is believed by and by.
	if s.n == 0 {
		s.mean, s.since = mean, 2*s.half
	}
	s.since = min(s.since+1, 2*s.half)
	s.n = min(s.n+1, stillTimes*s.half)
	off := 0.0
	for c, p := range mean {
		q := &s.mean[c]
		q.X += (p.X - q.X) / float64(s.n)
		q.Y += (p.Y - q.Y) / float64(s.n)
		off = max(off, math.Hypot(p.X-q.X, p.Y-q.Y))
	}
	rest := fade(math.Hypot(move.X, move.Y)/stillMove) * fade(off/stillOff)
	if rest == 0 {
		s.mean, s.n, s.since = mean, 1, 0
	}
	rest *= float64(s.since) / float64(2*s.half)
	weights := parabola(from-i, to-i)
	for c := range v.Quad {
		var p screen.Point
		for k, w := range weights {
			q := list[from+k].Quad[c]
			p.X += w * q.X
			p.Y += w * q.Y
		}
		q := s.mean[c]
		v.Quad[c] = screen.Point{X: p.X + rest*(q.X-p.X), Y: p.Y + rest*(q.Y-p.Y)}
	}
	return v
}

// fade goes from 1 at 1 and below to 0 at stillFade and above.
func fade(x float64) float64 { return max(0, min(1, (stillFade-x)/(stillFade-1))) }

// around returns the first and the last frame that help to place frame i.
func around(list []screen.View, i, half int) (from, to int) {
	from, to = i, i
	for from > max(0, i-half) && !list[from].Cut {
		from--
	}
	for to < min(len(list)-1, i+half) && !list[to+1].Cut {
		to++
	}
	return from, to
}

func meanQuad(list []screen.View) (q screen.Quad) {
	n := float64(len(list))
	for i := range list {
		for c, p := range list[i].Quad {
			q[c].X += p.X / n
			q[c].Y += p.Y / n
		}
	}
	return q
}

// parabola returns the weights that give, from values at the whole numbers from
// a to b, the value at 0 of the parabola that fits them best (Savitzky and
// Golay, Analytical Chemistry 36, 1964).
func parabola(a, b int) []float64 {
	var s [5]float64 // sums of powers
	for x := a; x <= b; x++ {
		p := 1.0
		for k := range s {
			s[k] += p
			p *= float64(x)
		}
	}
	// The first row of the inverse of the normal matrix.
	c0 := s[2]*s[4] - s[3]*s[3]
	c1 := s[2]*s[3] - s[1]*s[4]
	c2 := s[1]*s[3] - s[2]*s[2]
	det := s[0]*c0 + s[1]*c1 + s[2]*c2
	w := make([]float64, 0, b-a+1)
	for x := a; x <= b; x++ {
		w = append(w, (c0+c1*float64(x)+c2*float64(x)*float64(x))/det)
	}
	return w
}
