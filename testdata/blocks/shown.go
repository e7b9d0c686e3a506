package blocks

import (
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

// Grid is where the edges of blocks lie: at phase, phase+pitch and so on, in
// pixels, along rows (X) and along columns (Y); an edge at x lies between samples
// x-1 and x.
type Grid struct{ PitchX, PhaseX, PitchY, PhaseY float64 }

// side is the edge of the squares that blocks are measured in, in pixels: four
// blocks of the commonest size.
const side = 64

// Shown is how visible the blocks of a coded picture are, in JND, measured from
// what it was coded of, which no detector has: a twentieth of the squares of a region,
// and three at least, have it. It decides what an exam asks for.
//
// In a square, a step is by how much the coder's error differs across the edge of
// a block, over the length of that block, as the root of the mean square, less
// what it differs by in the middle of blocks. Steps of the coded picture in the
// middle of blocks hide it as noise does (Barten 1999: in squares).
func Shown(good, coded *picture.Plane, region image.Rectangle, g Grid) float64 {
	c := vision.Reference(vision.BT1886)
	c.Lines = good.H
	v, err := vision.New(c, vision.Coding{Depth: good.Depth}, vision.Colour{})
	if err != nil {
		return math.NaN() // a plane of a depth that no take has
	}
	region = region.Intersect(image.Rect(0, 0, good.W, good.H))
	code := math.Ldexp(1, good.Depth-8)
	size := 2 * v.Degrees(math.Sqrt(g.PitchX*g.PitchY))
	var all []float64
	for y := region.Min.Y; y < region.Max.Y; y += side {
		for x := region.Min.X; x < region.Max.X; x += side {
			square := image.Rect(x, y, x+side, y+side).Intersect(region)
			if square.Dx() < side/2 || square.Dy() < side/2 {
				continue
			}
			m := measured{good: good, coded: coded, square: square}
			m.axis(g.PitchX, g.PhaseX, g.PitchY, g.PhaseY, false)
			m.axis(g.PitchY, g.PhaseY, g.PitchX, g.PhaseX, true)
			perCode := v.Patch(m.mean()+code, m.mean(), size) / code
			step, others := m.step()*perCode, m.others()*perCode
			all = append(all, step/math.Hypot(1, others))
		}
	}
	const share, least = 20, 3
	if len(all) < least {
		return 0
	}
	slices.Sort(all)
	return all[len(all)-max(len(all)/share, least)]
}

// measured gathers the steps of a square, in codes.
type measured struct {
	good, coded    *picture.Plane
	square         image.Rectangle
	on, off, scene float64 // sums of squares
	edges, middles float64
}

// axis takes in the edges between samples that follow each other along a row, or
// down a column, each as long as a block is along the other axis.
func (m *measured) axis(pitch, phase, length, start float64, down bool) {
	r := m.square
	if down {
		r = image.Rect(r.Min.Y, r.Min.X, r.Max.Y, r.Max.X)
	}
	at := func(p *picture.Plane, u, v int) float64 {
		if down {
			u, v = v, u
		}
		return float64(p.At(min(max(u, 0), p.W-1), min(max(v, 0), p.H-1)))
	}
	first := func(from int, pitch, phase float64) float64 {
		return phase + pitch*math.Ceil((float64(from)-phase)/pitch)
	}
	across := func(place, from float64) (wrong, is float64) {
		u := int(math.Round(place))
		n := 0.0
		for v := int(math.Round(from)); v < int(math.Round(from+length)); v++ {
			step := func(p *picture.Plane) float64 {
				return (at(p, u, v) + at(p, u+1, v) - at(p, u-1, v) - at(p, u-2, v)) / 2
			}
			c := step(m.coded)
			wrong += c - step(m.good)
			is += c
			n++
		}
		return wrong / n, is / n
	}
	for v := first(r.Min.Y, length, start); v+length <= float64(r.Max.Y); v += length {
		for u := first(r.Min.X, pitch, phase); u+pitch <= float64(r.Max.X); u += pitch {
			wrong, _ := across(u, v)
			m.on += wrong * wrong
			m.edges++
			wrong, is := across(u+pitch/2, v)
			m.off += wrong * wrong
			m.scene += is * is
			m.middles++
		}
	}
}

func (m *measured) step() float64 {
	if m.edges == 0 || m.middles == 0 {
		return 0
	}
	// The mean of a few squares strays: of a normal distribution by the root of two
	// over their number. Half as much again is taken off.
	stray := 1.5 * math.Sqrt(2/m.edges)
	return math.Sqrt(max(m.on/m.edges-(1+stray)*m.off/m.middles, 0))
}

func (m *measured) others() float64 {
	if m.middles == 0 {
		return 0
	}
	return math.Sqrt(m.scene / m.middles)
}

// mean is the mean code of the square.
func (m *measured) mean() float64 {
	sum := 0.0
	for y := m.square.Min.Y; y < m.square.Max.Y; y++ {
		for x := m.square.Min.X; x < m.square.Max.X; x++ {
			sum += float64(m.coded.At(x, y))
		}
	}
	return sum / float64(m.square.Dx()*m.square.Dy())
}
