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

// steady returns view i of a list with its corners on the parabola through
// those of the frames around it, up to half of them on either side and none
// beyond a cut.
func steady(list []screen.View, i, half int) screen.View {
	from, to := i, i
	for from > max(0, i-half) && !list[from].Cut {
		from--
	}
	for to < min(len(list)-1, i+half) && !list[to+1].Cut {
		to++
	}
	v := list[i]
	// Fewer points than a parabola and its noise need stay as they are.
	if to-from < 4 {
		return v
	}
	weights := parabola(from-i, to-i)
	for c := range v.Quad {
		var p screen.Point
		for k, w := range weights {
			q := list[from+k].Quad[c]
			p.X += w * q.X
			p.Y += w * q.Y
		}
		v.Quad[c] = p
	}
	return v
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
