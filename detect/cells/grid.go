package cells

import (
	"slices"

	"setwitness/decode/picture"
)

// A picture is looked at for block edges in strips of so many lines. That is
// the edge of the smallest block that a codec transforms whole in most
// standards (MPEG-2, H.264, JPEG: 8 samples), so that a strip is mostly within
// one row of blocks, while noise is averaged.
const Strip = 8

// GridBand is how many strips one Profile sums: 64 lines.
const GridBand = 8

// Profile holds sums over the strips of a band, for each boundary along them:
// entry x is for the boundary between samples x and x+1. With c the sums over
// the lines of a strip and
//
//	s(x) = c(x+1) + c(x+2) - c(x) - c(x-1)
//	e(x) = |s(x)| - (|s(x-3)| + |s(x+3)|)/2
//
// which is about nothing on average wherever nothing is special about x:
//
//	Edge  e in units of what it commonly is over 64 boundaries there, so that
//	      a strip counts the same whatever its noise and texture, and no more
//	      than 16
//	Size  |s|, no more than 32 codes of 8 bits
//	Sign  s, likewise
//
// One 8-bit code of s is GridUnit. The first four and the last five entries
// are zero.
type Profile struct {
	Edge, Size, Sign []int16
}

// How entries of a profile are made.
const (
	gridSide   = 3 // boundaries from x to those that it is held against
	gridReach  = gridSide + 1
	gridWindow = 64 // boundaries that share a measure of what is common
	gridShare  = 16 // the most that Edge counts for a strip
	// gridSpread times the mean |e| is the most that counts; of noise, 98 %
	// are within.
	gridSpread = 3
	// gridFloor, in 8-bit codes, is added to that, for places without noise.
	gridFloor = 2
	gridCap   = 32 // 8-bit codes
)

// GridUnit is one 8-bit code in the unit of Size and Sign for one strip of a
// take of a depth: two samples of eight lines, in 10-bit codes at most.
func GridUnit(depth int) int { return 2 * Strip << (min(depth, 10) - 8) }

// Grid makes profiles.
type Grid struct {
	kernel
	sums []int16
}

// Columns fills out, one profile for each band of a plane from the top, with
// the boundaries between its columns. Lines that make no strip are left out.
func (g *Grid) Columns(out []Profile, p *picture.Plane) {
	g.sums = slices.Grow(g.sums[:0], p.W)[:p.W]
	for i := range out {
		out[i].clear(p.W)
		for j := i * GridBand; j < min((i+1)*GridBand, p.H/Strip); j++ {
			g.gridColumns(g.sums, p, j*Strip)
			g.gridStrip(&out[i], g.sums, GridUnit(p.Depth))
		}
	}
}

// Rows fills out, one profile for each band of a plane from the left, with the
// boundaries between its rows.
func (g *Grid) Rows(out []Profile, p *picture.Plane) {
	n := p.W / Strip
	g.sums = slices.Grow(g.sums[:0], n*p.H)[:n*p.H]
	if n > 0 {
		g.gridRows(g.sums, p, n)
	}
	for i := range out {
		out[i].clear(p.H)
		for j := i * GridBand; j < min((i+1)*GridBand, n); j++ {
			g.gridStrip(&out[i], g.sums[j*p.H:(j+1)*p.H], GridUnit(p.Depth))
		}
	}
}

// GridBands is how many profiles so many lines fill.
func GridBands(lines int) int { return (lines/Strip + GridBand - 1) / GridBand }

// clear makes the profile one of n zeros.
func (p *Profile) clear(n int) {
	for _, s := range []*[]int16{&p.Edge, &p.Size, &p.Sign} {
		*s = slices.Grow((*s)[:0], n)[:n]
		clear(*s)
	}
}
