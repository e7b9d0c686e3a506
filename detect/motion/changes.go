package motion

import (
	"image"
	"iter"
	"math/bits"
)

// Changes is a set of the cells of a picture, row by row: a bit for each. The zero value
// is the set of none.
type Changes struct {
	words []uint64
}

// reset empties the set, of so many cells.
func (c *Changes) reset(cells int) {
	if n := (cells + 63) / 64; len(c.words) != n {
		c.words = make([]uint64, n)
		return
	}
	clear(c.words)
}

func (c *Changes) add(cell int) { c.words[cell>>6] |= 1 << (cell & 63) }

// Copy makes the set that of another.
func (c *Changes) Copy(o *Changes) { c.words = append(c.words[:0], o.words...) }

// Union adds the cells of a set of a picture of the same size.
func (c *Changes) Union(o *Changes) {
	for i := range min(len(c.words), len(o.words)) {
		c.words[i] |= o.words[i]
	}
}

// Next returns the first cell of the set from one on, or end if none before end is of it.
func (c *Changes) Next(from, end int) int {
	for from < end {
		i := from >> 6
		if i >= len(c.words) {
			return end
		}
		if w := c.words[i] >> (from & 63); w != 0 {
			return min(from+bits.TrailingZeros64(w), end)
		}
		from = (i + 1) << 6
	}
	return end
}

// Has reports whether a cell is of the set.
func (c *Changes) Has(cell int) bool { return c.Next(cell, cell+1) == cell }

// In yields the cells of the set that lie in a rectangle of a picture with so many columns
// of cells, row by row.
func (c *Changes) In(r image.Rectangle, cols int) iter.Seq[int] {
	return func(yield func(int) bool) {
		for y := r.Min.Y; y < r.Max.Y; y++ {
			end := y*cols + r.Max.X
			for at := c.Next(y*cols+r.Min.X, end); at < end; at = c.Next(at+1, end) {
				if !yield(at) {
					return
				}
			}
		}
	}
}

// Within leaves those of the set that lie in tiles of which keep says so of a map of so
// many columns of cells, if any do.
func (c *Changes) Within(m *Map, cols int, keep func(tile int) bool) {
	any := false
	for i := range m.Tiles {
		any = any || keep(i)
	}
	if !any {
		return
	}
	end := len(c.words) * 64
	for at := c.Next(0, end); at < end; at = c.Next(at+1, end) {
		if !keep(TileOf(at, cols, m.Cols)) {
			c.words[at>>6] &^= 1 << (at & 63)
		}
	}
}
