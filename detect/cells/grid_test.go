package cells

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"setwitness/decode/picture"
)

// profiles makes the profiles of a plane by one kernel.
func profiles(k interface {
	gridColumns([]int16, *picture.Plane, int)
	gridRows([]int16, *picture.Plane, int)
	gridStrip(*Profile, []int16, int)
}, p *picture.Plane) (columns, rows Profile) {
	columns.clear(p.W)
	sums := make([]int16, p.W)
	for y := 0; y+Strip <= p.H; y += Strip {
		k.gridColumns(sums, p, y)
		k.gridStrip(&columns, sums, GridUnit(p.Depth))
	}
	rows.clear(p.H)
	n := p.W / Strip
	sums = make([]int16, n*p.H)
	if n > 0 {
		k.gridRows(sums, p, n)
	}
	for i := range n {
		k.gridStrip(&rows, sums[i*p.H:(i+1)*p.H], GridUnit(p.Depth))
	}
	return columns, rows
}

func TestGridEqualsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for _, size := range [][2]int{{1, 8}, {9, 9}, {10, 16}, {64, 33}, {73, 24}, {74, 64}, {200, 40}} {
		for _, depth := range []int{8, 9, 10, 12, 16} {
			for _, pattern := range patterns {
				p := plane(r, size[0], size[1], depth, r.IntN(9), pattern)
				c, d := profiles(kernel{}, &p)
				e, f := profiles(twin{}, &p)
				if !reflect.DeepEqual(c, e) || !reflect.DeepEqual(d, f) {
					t.Fatalf("%v, %d bits, %s: kernel %v %v, twin %v %v", size, depth, pattern, c, d, e, f)
				}
			}
		}
	}
}

// Blocks of 12 samples that differ by 3 codes have edges of 3 codes where they
// meet and nothing halfway, both ways, and strips of 8 lines of which each
// counts at most 16.
func TestProfileOfBlocks(t *testing.T) {
	const pitch, step = 12, 3
	for _, depth := range []int{8, 10, 12} {
		p := picture.New(20*pitch, 16*pitch, depth)
		for y := range p.H {
			for x := range p.W {
				v := (40 + step*((x/pitch+y/pitch)&1)) << (depth - 8)
				if depth == 8 {
					p.Pix[y*p.Stride+x] = uint8(v)
				} else {
					p.Pix16[y*p.Stride+x] = uint16(v)
				}
			}
		}
		var g Grid
		columns, rows := make([]Profile, GridBands(p.H)), make([]Profile, GridBands(p.W))
		g.Columns(columns, &p)
		g.Rows(rows, &p)
		for _, all := range [][]Profile{columns, rows} {
			q := all[0]
			at, between := 5*pitch-1, 5*pitch-1+pitch/2
			// Of three strips, the second is half in the next row of blocks:
			// five of eight count.
			want := step * GridUnit(depth) * 5
			if got := int(q.Size[at]); got != want {
				t.Errorf("%d bits: size %d at an edge, want %d", depth, got, want)
			}
			if q.Size[between] != 0 || q.Edge[between] != 0 || q.Edge[at] <= 0 || q.Edge[at] > GridBand*gridShare {
				t.Errorf("%d bits: size %d between edges, edges %d there and %d at one", depth, q.Size[between], q.Edge[between], q.Edge[at])
			}
		}
	}
}

func BenchmarkGrid1080p(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	p := plane(r, 1920, 1080, 8, 0, "noise")
	var g Grid
	columns, rows := make([]Profile, GridBands(p.H)), make([]Profile, GridBands(p.W))
	for b.Loop() {
		g.Columns(columns, &p)
		g.Rows(rows, &p)
	}
}
