package screen

import (
	"math"
	"slices"

	"setwitness/decode/screen/opencv"
)

// What a set shows changes; a wall, a board or a poster does not, nor does the
// picture in a mirroring bezel as much. A side of the screen is therefore where
// change in light begins, whatever edges lie beside it.

// smoothed is the side of the squares whose means are followed over time, in
// reduced samples: against noise.
const smoothed = 3

// flickers sets how much light changes over time at each reduced sample, as a
// standard deviation without what the noise of the sensor makes of it. That
// goes with the root of the light, and is what the quietest samples show.
func (s *survey) flickers(stack [][]uint8, light response) {
	n := s.w * s.h
	sum, square := make([]float32, n), make([]float32, n)
	mean := make([]uint8, n)
	for _, pix := range stack {
		if opencv.Blur(mean, pix, s.w, s.h, smoothed) != nil {
			continue
		}
		for i, c := range mean {
			l := light[c]
			sum[i] += l
			square[i] += l * l
		}
	}
	k := float32(len(stack))
	s.flicker = make([]float32, n)
	share := make([]float32, n)
	for i := range s.flicker {
		mean := sum[i] / k
		s.flicker[i] = max(0, square[i]/k-mean*mean)
		share[i] = s.flicker[i] / (mean + toe)
	}
	// A variance out of some dozen frames is a rough one: its mean is taken
	// over squares.
	if opencv.BlurFloat(share, s.w, s.h, quietSide) != nil {
		return
	}
	slices.Sort(share)
	noise := noiseOver * share[n/quietest]
	for i, v := range s.flicker {
		s.flicker[i] = float32(math.Sqrt(float64(max(0, v-noise*(sum[i]/k+toe)))))
	}
}

const (
	// A tenth of the frame is taken to show nothing but noise, in squares of
	// that side; out of some dozen frames the variance of noise seldom comes
	// out at more than that many times what it is.
	quietest  = 10
	quietSide = 5
	noiseOver = 2.5
)

// flickerLevels are the shares of what the liveliest parts of the frame do at
// which they are cut out, and flickerHole is the side of the quiet places within
// that are filled, in reduced samples.
var flickerLevels = []float32{0.04, 0.1, 0.25}

const flickerHole = 15

// lively puts quadrilaterals round where light changes.
func (s *survey) lively() []Quad {
	sorted := slices.Clone(s.flicker)
	slices.Sort(sorted)
	top := sorted[len(sorted)*9/10]
	if top < leastFlicker {
		return nil
	}
	var out []Quad
	mask, filled := make([]uint8, len(s.flicker)), make([]uint8, len(s.flicker))
	for _, level := range flickerLevels {
		for i, v := range s.flicker {
			mask[i] = 0
			if v >= level*top {
				mask[i] = 255
			}
		}
		if opencv.Morphology(filled, mask, s.w, s.h, opencv.Closing, flickerHole) == nil {
			out = append(out, s.pieces(filled)...)
		}
	}
	return out
}

// sides says of each side for which share of its length light changes inside
// of it and not outside (alive), and for which as much outside (leak).
type sides struct{ alive, leak [4]float64 }

const (
	livePoints = 24
	// Light inside is looked at this far from a side, in reduced samples:
	// beyond the blur of the edge and what is left of the sway, and before a
	// side that lies inside of this one.
	liveNear, liveFar, liveStep = 2, 5, 1.5
	// Change counts from this share of what the whole inside does, and from
	// where it can be told from what is left of the noise, of white.
	liveShare, leastLive = 0.03, 0.0007
	// Outside of the screen light changes by less than this share of what it
	// does inside: what bezels mirror and walls send back.
	mirrorMost = 0.5
)

// inside returns how much light changes inside of a quadrilateral, in the mean
// of some places.
func (s *survey) inside(q Quad) float64 {
	const across, down = 32, 18
	h := unitTo(q)
	var sum float64
	n := 0
	for i := range across * down {
		p := apply(&h, (float64(i%across)+0.5)/across, (float64(i/across)+0.5)/down)
		if x, y := int(math.Round(p.X)), int(math.Round(p.Y)); x >= 0 && y >= 0 && x < s.w && y < s.h {
			sum += float64(s.flicker[y*s.w+x])
			n++
		}
	}
	return sum / float64(max(n, 1))
}

// sides looks at the change of light along the sides of a quadrilateral of
// reduced samples.
func (s *survey) sides(q Quad, inside float64) (out sides) {
	least := max(liveShare*inside, leastLive)
	at := func(p Point) (float64, bool) {
		x, y := int(math.Round(p.X)), int(math.Round(p.Y))
		if x < 0 || y < 0 || x >= s.w || y >= s.h {
			return 0, false
		}
		return float64(s.flicker[y*s.w+x]), true
	}
	for side := range 4 {
		a, b := q[side], q[(side+1)%4]
		dx, dy := b.X-a.X, b.Y-a.Y
		length := max(math.Hypot(dx, dy), 1e-9)
		nx, ny := -dy/length, dx/length
		n := 0
		for i := range livePoints {
			t := 0.04 + 0.92*(float64(i)+0.5)/livePoints
			mean := func(sign float64) (float64, bool) {
				var sum float64
				k := 0
				for d := float64(liveNear); d <= liveFar; d += liveStep {
					if v, ok := at(Point{a.X + t*dx + sign*d*nx, a.Y + t*dy + sign*d*ny}); ok {
						sum += v
						k++
					}
				}
				return sum / float64(max(k, 1)), k > 0
			}
			in, ok := mean(1)
			beyond, seen := mean(-1)
			if !ok || !seen {
				continue
			}
			n++
			switch {
			case in >= least && beyond < mirrorMost*in:
				out.alive[side]++
			case beyond >= least:
				out.leak[side]++
			}
		}
		out.alive[side] /= float64(max(n, 1))
		out.leak[side] /= float64(max(n, 1))
	}
	return out
}

// of returns the mean share of live length of the sides that show, and the
// share that leaks of the side that leaks most.
func (s *sides) of(hidden [4]bool) (alive, leak float64) {
	n := 0
	for i := range s.alive {
		if !hidden[i] {
			n++
			alive += s.alive[i]
			leak = max(leak, s.leak[i])
		}
	}
	return alive / float64(max(n, 1)), leak
}
