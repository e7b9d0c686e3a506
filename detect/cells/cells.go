// Package cells reads every luma plane once and reduces it to cells of 16x16
// raster pixels and to a small plane. It is the one pass over the pixels that
// every stage shares.
//
// In: the pictures of a take. Out, for each: a Map of Cell sums, and the
// Reduced plane with its own difference to the picture before.
//
// The kernel is C (kernel.c), compiled for several instruction sets and
// chosen when the program loads; twin.go is the same in plain Go, which
// the tests hold the kernel against to the bit, and which builds under the
// tag purego.
package cells

import (
	"setwitness/decode/picture"
	"setwitness/detect"
)

// Size is the edge of a cell in raster pixels.
const Size = 16

// Cell holds sums over the pixels of one cell, in code values of the take's
// depth. With a, b, c three pixels below one another, b in the cell (a and c
// may lie in the next cell; the first and the last line of the picture have
// no b), and r the pixel right of b:
//
//	Pixels  how many pixels the cell has (fewer at the right and lower edge)
//	Sum     b
//	SumSq   b*b
//	Zigzag  min(|a-b|, |c-b|) where a-b and c-b have the same sign, else 0:
//	        what alternates from line to line
//	Second  |a-2b+c|
//	Vertical  |c-a|: detail that lines of one field show by themselves
//	Horizontal |r-b|
//	Diff    |b-p| with p the same pixel of the picture before it, apart for
//	        even and odd lines; in a take of fields p is from the field before
//	        the last one, which has the same lines
//
// A comb of amplitude d between its two fields has Zigzag = d, Second = 2d
// and Vertical = 0 a pixel.
type Cell struct {
	Pixels     uint32
	Sum        uint32
	SumSq      uint64
	Zigzag     uint32
	Second     uint32
	Vertical   uint32
	Horizontal uint32
	Diff       [2]uint32
}

// Map is the cells of one picture, row by row.
type Map struct {
	Cols, Rows int
	Cells      []Cell // Cols*Rows
	// HasDiff is false where there is no picture to take Diff from.
	HasDiff bool
	Reduced Reduced
}

// At returns the cell in column x of row y.
func (m *Map) At(x, y int) *Cell { return &m.Cells[y*m.Cols+x] }

// Reduced is the luma plane averaged over StepX by StepY pixels, about 960
// samples wide (720 to 1440) whatever the raster, so that searching for motion costs the
// same for every take. Samples are in sixteenths of an 8-bit code
// (0 to 4080) whatever the depth of the take: averaging eight samples leaves
// three bits more than they had.
//
// In a take of fields the two parities are brought to the same place: a top
// field is moved down and a bottom field up by a quarter of a field line,
// each by the filter (3/4, 1/4), so that both lose the same detail and a
// still scene stays still.
type Reduced struct {
	W, H         int
	StepX, StepY int
	Pix          []uint16 // W*H
	// Diff is the mean |difference| to the reduced picture before, for each
	// cell, in the unit of Pix; nil where there is none.
	Diff []float32
}

// Unit8 is one 8-bit code in the unit of Reduced.Pix.
const Unit8 = 16

// Row returns row y.
func (r *Reduced) Row(y int) []uint16 { return r.Pix[y*r.W : (y+1)*r.W] }

// Steps returns the averaging steps for a raster. What moves fast moves along the lines,
// as cameras pan and things fly: across them a wide raster is averaged over twice as many.
func Steps(f picture.Format) (x, y int) {
	x, y = evenSteps(f)
	if x > 1 {
		y = min(2*y, Size)
	}
	return x, y
}

// evenSteps are those that span as much of the picture across the lines as along them.
func evenSteps(f picture.Format) (x, y int) {
	// Powers of two, so that a cell is a whole number of samples.
	for x = 1; x < Size && f.W > 1440*x; x *= 2 {
	}
	y = x
	if f.Fields {
		y = max(1, x/2)
	}
	return x, y
}

// bandRows of a frame of 1920 columns are 120 kB, a part of the second-level
// cache.
const bandRows = 4 * Size

// Stage reads the pixels.
var Stage = &detect.Stage{
	Name:  "cells",
	Title: "one pass over the pixels",
	Doc: "Sums over cells of 16x16 pixels (mean, variance, alternation from line to line, detail, " +
		"difference to the picture before by line parity) and a reduced plane for the search of motion. " +
		"Leaves no marks.",
	Reads: true,
	Back:  2,
	New:   func(s *detect.Setup) (detect.State, error) { return newStore(s) },
}

// Store keeps the newest maps.
type Store struct {
	format picture.Format
	maps   []*Map
	newest int
	kernel kernel

	weight, edgeWeight []uint32 // of reduce
	even               Reduced
}

// In returns the store for a stage that needs Stage.
func In(s *detect.Setup) *Store { return s.Needed(Stage).(*Store) }

func newStore(s *detect.Setup) (*Store, error) {
	st := &Store{format: s.Format, maps: make([]*Map, max(s.History, 2)), newest: -1}
	return st, nil
}

// At returns the map of picture i, or nil where the take has none or it is no
// longer kept. The caller may read it until its own Step ends.
func (s *Store) At(i int) *Map {
	if i < 0 || i > s.newest || i <= s.newest-len(s.maps) {
		return nil
	}
	return s.maps[i%len(s.maps)]
}

// Step measures picture w.T.
func (s *Store) Step(w *detect.Window) error {
	p := w.Picture(w.T)
	before := w.Picture(w.T - 1)
	if s.format.Fields {
		before = w.Picture(w.T - 2)
	}
	at := w.T % len(s.maps)
	if s.maps[at] == nil {
		s.maps[at] = newMap(s.format)
	}
	m := s.maps[at]
	if err := p.Y.Check(); err != nil {
		return err
	}
	m.HasDiff = before != nil
	var prev *picture.Plane
	if before != nil {
		prev = &before.Y
	}
	r := &m.Reduced
	last := s.At(w.T - 1)
	r.Diff = r.Diff[:0]
	if last != nil {
		r.Diff = r.Diff[:m.Cols*m.Rows]
	}
	// Band by band, so that what one kernel has read the next finds in the
	// cache.
	for y := 0; y < p.Y.H; y += bandRows {
		to := min(y+bandRows, p.Y.H)
		s.kernel.cells(m, &p.Y, prev, y, to)
		s.reduce(r, &p.Y, p.Parity, y/r.StepY, min(to/r.StepY, r.H))
		if last != nil {
			s.kernel.difference(r, &last.Reduced, Size/r.StepX, Size/r.StepY, m.Cols, y/Size, (to+Size-1)/Size, r.Diff)
		}
	}
	s.newest = w.T
	return nil
}

func newMap(f picture.Format) *Map {
	m := &Map{Cols: (f.W + Size - 1) / Size, Rows: (f.H + Size - 1) / Size}
	m.Cells = make([]Cell, m.Cols*m.Rows)
	m.Reduced = newReduced(f, Steps)
	m.Reduced.Diff = make([]float32, 0, m.Cols*m.Rows)
	return m
}

func newReduced(f picture.Format, steps func(picture.Format) (x, y int)) (r Reduced) {
	r.StepX, r.StepY = steps(f)
	r.W, r.H = f.W/r.StepX, f.H/r.StepY
	r.Pix = make([]uint16, r.W*r.H)
	return r
}

// Even returns the reduced plane of picture i, which is p, as fine across the lines as
// along them: for what looks at shapes. It has no Diff, and is that of the map where that
// is as fine; the caller may read it until its own Step ends.
func (s *Store) Even(i int, p *picture.Picture) *Reduced {
	m := &s.At(i).Reduced
	if _, y := evenSteps(s.format); y == m.StepY {
		return m
	}
	if s.even.Pix == nil {
		s.even = newReduced(s.format, evenSteps)
	}
	s.reduce(&s.even, &p.Y, p.Parity, 0, s.even.H)
	return &s.even
}
