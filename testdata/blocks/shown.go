package blocks

import (
	"cmp"
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
// and three at least, have it. codes is what a twentieth of the edges in these squares
// exceed, each as long as a block: a step of 8-bit codes. Both decide what an exam asks for.
//
// In a square, a step is by how much the coder's error differs across the edge of
// a block, over the length of that block, as far as the coded picture has that step,
// as the root of the mean square, less
// what it is in the middle of blocks. Steps of the coded picture in the
// middle of blocks hide it as noise does (Barten 1999: in squares).
func Shown(good, coded *picture.Plane, region image.Rectangle, g Grid) (jnd, codes float64) {
	c := vision.Reference(vision.BT1886)
	c.Lines = good.H
	v, err := vision.New(c, vision.Coding{Depth: good.Depth}, vision.Colour{})
	if err != nil {
		return math.NaN(), math.NaN() // a plane of a depth that no take has
	}
	region = region.Intersect(image.Rect(0, 0, good.W, good.H))
	code := math.Ldexp(1, good.Depth-8)
	size := 2 * v.Degrees(math.Sqrt(g.PitchX*g.PitchY))
	type place struct {
		jnd   float64
		edges []float64
	}
	var all []place
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
			all = append(all, place{step / math.Hypot(1, others), m.sizes})
		}
	}
	const share, least = 20, 3
	if len(all) < least {
		return 0, 0
	}
	slices.SortFunc(all, func(a, b place) int { return cmp.Compare(b.jnd, a.jnd) })
	n := max(len(all)/share, least)
	var edges []float64
	for _, p := range all[:n] {
		edges = append(edges, p.edges...)
	}
	if len(edges) == 0 {
		return 0, 0
	}
	slices.Sort(edges)
	return all[n-1].jnd, edges[len(edges)-1-len(edges)/share] / code
}

// measured gathers the steps of a square, in codes.
type measured struct {
	good, coded    *picture.Plane
	square         image.Rectangle
	on, off, scene float64 // sums of squares
	edges, middles float64
	sizes          []float64 // of the steps at edges
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
	// The error has a step, too, where the coder took one of the scene away; what is seen
	// is no more than the coded picture has.
	across := func(place, from float64) (shown, is float64) {
		u := int(math.Round(place))
		n, wrong := 0.0, 0.0
		for v := int(math.Round(from)); v < int(math.Round(from+length)); v++ {
			step := func(p *picture.Plane) float64 {
				return (at(p, u, v) + at(p, u+1, v) - at(p, u-1, v) - at(p, u-2, v)) / 2
			}
			c := step(m.coded)
			wrong += c - step(m.good)
			is += c
			n++
		}
		wrong, is = wrong/n, is/n
		return max(min(wrong*math.Copysign(1, is), math.Abs(is)), 0), is
	}
	for v := first(r.Min.Y, length, start); v+length <= float64(r.Max.Y); v += length {
		for u := first(r.Min.X, pitch, phase); u+pitch <= float64(r.Max.X); u += pitch {
			shown, _ := across(u, v)
			m.on += shown * shown
			m.edges++
			m.sizes = append(m.sizes, shown)
			shown, is := across(u+pitch/2, v)
			m.off += shown * shown
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
