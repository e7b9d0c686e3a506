package motion

import (
	"image"
	"math/rand/v2"
	"slices"
	"testing"
)

// Against a list: what is added is found, between any two cells, and joined with what is
// added to another set.
func TestChanges(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, cells := range []int{1, 63, 64, 65, 1000} {
		var a, b, both Changes
		a.reset(cells)
		b.reset(cells)
		in := make([]bool, cells)
		for range cells / 3 {
			x, y := r.IntN(cells), r.IntN(cells)
			a.add(x)
			b.add(y)
			in[x], in[y] = true, true
		}
		both.Copy(&a)
		both.Union(&b)
		for range 50 {
			from := r.IntN(cells)
			end := from + r.IntN(cells-from+1)
			var want, got []int
			for c := from; c < end; c++ {
				if in[c] {
					want = append(want, c)
				}
			}
			for c := both.Next(from, end); c < end; c = both.Next(c+1, end) {
				got = append(got, c)
			}
			if !slices.Equal(got, want) {
				t.Fatalf("%d cells, %d to %d: %v, want %v", cells, from, end, got, want)
			}
		}
		a.reset(cells)
		if c := a.Next(0, cells); c != cells {
			t.Errorf("%d cells: %d is left after a reset", cells, c)
		}
	}
}

// Of two tiles side by side the cells of one are left; where none is to be, all are.
func TestChangesWithin(t *testing.T) {
	const cols, rows = 2 * TileCells, TileCells
	m := &Map{Cols: 2, Rows: 1, Tiles: make([]Tile, 2)}
	for kept, want := range map[int]int{0: cols * rows / 2, 1: cols * rows / 2, 2: cols * rows} {
		var c Changes
		c.reset(cols * rows)
		for i := range cols * rows {
			c.add(i)
		}
		c.Within(m, cols, func(tile int) bool { return tile == kept })
		n := 0
		for at := c.Next(0, cols*rows); at < cols*rows; at = c.Next(at+1, cols*rows) {
			if n++; kept < 2 && at%cols/TileCells != kept {
				t.Errorf("keeping tile %d leaves cell %d", kept, at)
			}
		}
		if n != want {
			t.Errorf("keeping tile %d leaves %d cells, want %d", kept, n, want)
		}
		n, want = 0, TileCells*TileCells
		if kept == 0 {
			want = 0
		}
		second := image.Rect(TileCells, 0, cols, rows)
		for at := range c.In(second, cols) {
			if n++; !image.Pt(at%cols, at/cols).In(second) {
				t.Errorf("cell %d is not of the second tile", at)
			}
		}
		if n != want || c.Has(TileCells) != (want > 0) {
			t.Errorf("keeping tile %d leaves %d cells of the second, want %d; its first one: %v", kept, n, want, c.Has(TileCells))
		}
	}
}
