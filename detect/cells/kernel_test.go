package cells

import (
	"bytes"
	"image"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"setwitness/decode/picture"
)

// plane makes a plane of the given pattern with padding that must not matter.
func plane(r *rand.Rand, w, h, depth, pad int, pattern string) picture.Plane {
	p := picture.New(w+pad, h, depth)
	p.W = w
	for y := range h {
		for x := range w + pad {
			v := 0
			switch {
			case x >= w || pattern == "noise":
				v = r.IntN(p.Full() + 1)
			case pattern == "white", pattern == "lines" && y&1 == 0, pattern == "checks" && (x+y)&1 == 0:
				v = p.Full()
			}
			if depth == 8 {
				p.Pix[y*p.Stride+x] = uint8(v)
			} else {
				p.Pix16[y*p.Stride+x] = uint16(v)
			}
		}
	}
	return p
}

var patterns = []string{"noise", "black", "white", "lines", "checks"}

func TestKernelEqualsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, size := range [][2]int{{1, 1}, {2, 2}, {15, 3}, {16, 16}, {17, 33}, {65, 31}, {129, 18}, {257, 40}} {
		for _, depth := range []int{8, 10, 12, 16} {
			for _, pattern := range patterns {
				w, h := size[0], size[1]
				cur := plane(r, w, h, depth, r.IntN(9), pattern)
				prev := plane(r, w, h, depth, r.IntN(9), patterns[r.IntN(len(patterns))])
				f := picture.Format{W: w, H: h, Depth: depth}
				for _, before := range []*picture.Plane{nil, &prev} {
					a, b, c := newMap(f), newMap(f), newMap(f)
					for y := 0; y < h; y += 32 { // in bands
						kernel{}.cells(a, &cur, before, y, min(y+32, h))
					}
					twin{}.cells(b, &cur, before, 0, h)
					portable().cells(c, &cur, before, 0, h)
					for i := range a.Cells {
						if a.Cells[i] != b.Cells[i] || c.Cells[i] != b.Cells[i] {
							t.Fatalf("%dx%d, %d bits, %s, cell %d:\n  kernel   %+v\n  portable %+v\n  twin     %+v", w, h, depth, pattern, i, a.Cells[i], c.Cells[i], b.Cells[i])
						}
					}
				}
			}
		}
	}
}

func TestReduceEqualsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, depth := range []int{8, 10, 16} {
		for step := 1; step <= 5; step++ {
			// Equal weights have bodies of their own.
			for _, weight := range [][]uint32{{3, 4, 1}, {1}, {1, 1}, {1, 1, 1, 1}, {1, 1, 1, 1, 1, 1, 1, 1}} {
				const rows, down = 2, 2
				p := plane(r, 300*step+3, 1+(rows-1)*down+len(weight), depth, 5, patterns[step%2*2])
				total := uint32(0)
				for _, k := range weight {
					total += k
				}
				scale := uint32(Unit8) << 16 / (total * uint32(step) << (depth - 8))
				a, b := make([]uint16, rows*300), make([]uint16, rows*300)
				kernel{}.reduceRows(a, rows, &p, 1, weight, step, down, scale)
				twin{}.reduceRows(b, rows, &p, 1, weight, step, down, scale)
				for i := range a {
					if a[i] != b[i] {
						t.Fatalf("step %d, weights %v, %d bits, sample %d: kernel %d, twin %d", step, weight, depth, i, a[i], b[i])
					}
				}
			}
		}
	}
}

func TestDifferenceEqualsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, size := range [][2]int{{7, 9}, {960, 20}, {1100, 17}} {
		f := picture.Format{W: size[0], H: size[1], Depth: 8}
		a, b := newMap(f), newMap(f)
		for i := range a.Reduced.Pix {
			a.Reduced.Pix[i], b.Reduced.Pix[i] = uint16(r.IntN(4081)), uint16(r.IntN(4081))
		}
		for _, edge := range []int{4, 8, 16} {
			cols, rows := size[0]/edge+2, size[1]/edge+2
			got, want := make([]float32, cols*rows), make([]float32, cols*rows)
			for y := range rows {
				kernel{}.difference(&a.Reduced, &b.Reduced, edge, edge, cols, y, y+1, got)
			}
			twin{}.difference(&a.Reduced, &b.Reduced, edge, edge, cols, 0, rows, want)
			for i := range got {
				if got[i] != want[i] {
					t.Fatalf("%v, cells of %d, cell %d: kernel %g, twin %g", size, edge, i, got[i], want[i])
				}
			}
			// What lies beside the rectangle is left as it is.
			for _, in := range []image.Rectangle{image.Rect(0, 0, cols, rows), image.Rect(1, 1, cols-1, rows), image.Rect(cols-1, 0, cols, 1)} {
				for i := range got {
					got[i], want[i] = -1, -1
				}
				kernel{}.squaredDifference(&a.Reduced, &b.Reduced, edge, edge, cols, in, got)
				twin{}.squaredDifference(&a.Reduced, &b.Reduced, edge, edge, cols, in, want)
				for i := range got {
					if got[i] != want[i] || (got[i] < 0) == image.Pt(i%cols, i/cols).In(in) {
						t.Fatalf("%v, cells of %d in %v, cell %d squared: kernel %g, twin %g", size, edge, in, i, got[i], want[i])
					}
				}
			}
		}
	}
}

// A comb of amplitude d has the sums that the comment of Cell states (FACTS of
// the three-tap: it answers 2d to a comb and d to a step).
func TestCombSums(t *testing.T) {
	const d = 40
	p := picture.New(16, 34, 8)
	for y := range p.H {
		for x := range p.W {
			p.Pix[y*p.Stride+x] = uint8(100 + y%2*d)
		}
	}
	m := newMap(picture.Format{W: 16, H: 34, Depth: 8})
	kernel{}.cells(m, &p, nil, 0, p.H)
	c := m.At(0, 1)
	if c.Zigzag != 256*d || c.Second != 256*2*d || c.Vertical != 0 || c.Horizontal != 0 {
		t.Errorf("sums of a comb of %d: %+v", d, *c)
	}
}

// A still scene seen through alternating fields must stay still on the
// reduced plane: a vertical ramp is reproduced without any parity step.
func TestFieldsAlign(t *testing.T) {
	f := picture.Format{W: 1920, H: 540, Depth: 8, Fields: true}
	s := &Store{format: f}
	top, bottom := picture.New(1920, 540, 8), picture.New(1920, 540, 8)
	for y := range 540 {
		for x := range 1920 {
			top.Pix[y*1920+x] = uint8(2 * y * 200 / 1080)
			bottom.Pix[y*1920+x] = uint8((2*y + 1) * 200 / 1080)
		}
	}
	a, b := newMap(f), newMap(f)
	s.reduce(&a.Reduced, &top, picture.Top, 0, a.Reduced.H)
	s.reduce(&b.Reduced, &bottom, picture.Bottom, 0, b.Reduced.H)
	var worst int
	for i := 2 * a.Reduced.W; i < len(a.Reduced.Pix)-2*a.Reduced.W; i++ {
		worst = max(worst, absolute(int(a.Reduced.Pix[i])-int(b.Reduced.Pix[i])))
	}
	if worst > Unit8 { // rounding of the two ramps to whole codes
		t.Errorf("fields of a still ramp differ by %.2f codes", float64(worst)/Unit8)
	}
}

func BenchmarkCells1080p(b *testing.B) {
	f := picture.Format{W: 1920, H: 1080, Depth: 8}
	r := rand.New(rand.NewPCG(1, 2))
	cur, prev := plane(r, 1920, 1080, 8, 0, "noise"), plane(r, 1920, 1080, 8, 0, "noise")
	m, last := newMap(f), newMap(f)
	m.Reduced.Diff = m.Reduced.Diff[:m.Cols*m.Rows]
	s := &Store{format: f}
	b.ReportAllocs()
	for b.Loop() {
		s.kernel.cells(m, &cur, &prev, 0, cur.H)
		s.reduce(&m.Reduced, &cur, picture.Frame, 0, m.Reduced.H)
		s.kernel.difference(&m.Reduced, &last.Reduced, Size/m.Reduced.StepX, Size/m.Reduced.StepY, m.Cols, 0, m.Rows, m.Reduced.Diff)
	}
}

func TestSearchEqualsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	const w, h = 77, 41
	var p [6][]uint16
	for i := range p {
		p[i] = make([]uint16, w*h)
		for j := range p[i] {
			p[i][j] = uint16(r.IntN(4081))
		}
	}
	same := func(name string, a, b any) {
		t.Helper()
		if !reflect.DeepEqual(a, b) {
			t.Errorf("%s: kernel %v, twin %v", name, a, b)
		}
	}
	a, b := make([]uint16, w*h), make([]uint16, w*h)
	kernel{}.Median6(a[3:], p, w, w-8, h-1)
	twin{}.Median6(b[3:], p, w, w-8, h-1)
	same("Median6", a, b)
	pix, near := make([]uint16, w*h), [6][]uint16{}
	for k := range near {
		near[k] = make([]uint16, w*h)
	}
	cleared := 0
	for i := range pix {
		a[i], b[i] = 0xffff, 0xffff
		for k := range near {
			near[k][i] = uint16(int(p[0][i]) + 200 + r.IntN(80+i%7*30))
		}
		pix[i] = uint16(int(p[0][i]) + r.IntN(600))
	}
	behind := make([]uint16, w*h)
	kernel{}.Median6(behind, near, w, w, h)
	kernel{}.Steady(a, pix, behind, near, w, w-3, h, 40, 4, 60)
	twin{}.Steady(b, pix, behind, near, w, w-3, h, 40, 4, 60)
	same("Steady", a, b)
	for _, v := range a {
		if v == 0 {
			cleared++
		}
	}
	if cleared < len(a)/10 || cleared > len(a)*9/10 {
		t.Errorf("Steady cleared %d of %d", cleared, len(a))
	}
	kernel{}.StandOutMoved(a, p[0], p[1], w, h, 300)
	twin{}.StandOutMoved(b, p[0], p[1], w, h, 300)
	same("StandOutMoved", a, b)
	na, nb := make([]uint32, 8), make([]uint32, 8)
	kernel{}.Count(na, a, w, 10)
	twin{}.Count(nb, a, w, 10)
	same("Count", na, nb)
	kernel{}.HalveMask(b[:(w/2)*(h/2)], a, w, 0, h/2)
	twin{}.HalveMask(a[:(w/2)*(h/2)], slices.Clone(a), w, 0, h/2)
	same("HalveMask", a[:(w/2)*(h/2)], b[:(w/2)*(h/2)])
	ka, kb := make([]uint8, (w/2)*(h/2)), make([]uint8, (w/2)*(h/2))
	kernel{}.StandOut(a, p[0], p[1], w, w, h, 1500)
	kernel{}.Squares(ka[2:], a[4:], p[0][4:], p[1][4:], w, w/2-5, h/2-1, 3, 4000)
	twin{}.Squares(kb[2:], a[4:], p[0][4:], p[1][4:], w, w/2-5, h/2-1, 3, 4000)
	same("Squares", ka, kb)
	if n := bytes.Count(ka, []byte{1}); n == 0 || n > len(ka)/2 {
		t.Errorf("Squares: %d of %d", n, len(ka))
	}
	clear(a)
	clear(b)
	kernel{}.Halve(a, p[0], w, 3, h/2)
	twin{}.Halve(b, p[0], w, 3, h/2)
	same("Halve", a, b)
	clear(a)
	clear(b)
	kernel{}.StandOut(a[5:], p[0], p[1], w, w-9, h-1, 1500)
	twin{}.StandOut(b[5:], p[0], p[1], w, w-9, h-1, 1500)
	same("StandOut", a, b)
	// p[3] is p[2] moved by (5, -3): the search must say so.
	for y := range h {
		for x := range w {
			if u, v := x-5, y+3; u >= 0 && v < h {
				p[3][y*w+x] = p[2][v*w+u]
			}
		}
	}
	rect := Area{Rectangle: image.Rect(20, 9, 50, 30), RowStep: 1}
	f := kernel{}.Find(p[3], p[2], a, w, h, rect, image.Pt(0, 0), image.Pt(9, 6), 1)
	same("Find", f, twin{}.Find(p[3], p[2], a, w, h, rect, image.Pt(0, 0), image.Pt(9, 6), 1))
	if f.DX != 5 || f.DY != -3 || f.Residual != 0 {
		t.Errorf("Find: %+v, want 5, -3", f)
	}
	for _, wide := range []image.Rectangle{image.Rect(20, 9, 52, 30), image.Rect(0, 0, 16, 41)} { // listed, and not
		at := Area{Rectangle: wide, RowStep: 2}
		same("Find in whole runs", kernel{}.Find(p[3], p[2], a, w, h, at, image.Pt(1, 0), image.Pt(9, 6), 1),
			twin{}.Find(p[3], p[2], a, w, h, at, image.Pt(1, 0), image.Pt(9, 6), 1))
	}
	rect.RowStep = 3
	same("Find with strides", kernel{}.Find(p[3], p[2], a, w, h, rect, image.Pt(1, 0), image.Pt(8, 6), 2),
		twin{}.Find(p[3], p[2], a, w, h, rect, image.Pt(1, 0), image.Pt(8, 6), 2))
	for _, d := range [][2]int{{0, 0}, {60, 2}, {-70, -30}, {200, 0}} {
		m, n := kernel{}.Match(p[3], p[2], a, w, h, rect, d[0], d[1])
		m2, n2 := twin{}.Match(p[3], p[2], a, w, h, rect, d[0], d[1])
		if m != m2 || n != n2 {
			t.Errorf("Match %v: kernel %g of %d, twin %g of %d", d, m, n, m2, n2)
		}
	}
	for _, o := range []struct {
		area   Area
		dx, dy int
	}{
		{Area{Rectangle: image.Rect(20, 9, 52, 37), RowStep: 1}, 4, -2},   // one pass
		{Area{Rectangle: image.Rect(20, 9, 36, 37), RowStep: 2}, 5, -3},   // the match itself
		{Area{Rectangle: image.Rect(20, 9, 50, 30), RowStep: 1}, 1, 0},    // not a whole number of lanes
		{Area{Rectangle: image.Rect(0, 0, 32, 20), RowStep: 1}, 3, 1},     // over the rim
		{Area{Rectangle: image.Rect(30, 0, 62, 41), RowStep: 2}, -15, 12}, // over the other
		{Area{Rectangle: image.Rect(20, 9, 52, 37), RowStep: 1}, 300, 0},  // beyond
	} {
		m, n := kernel{}.Around(p[3], p[2], a, w, h, o.area, o.dx, o.dy)
		m2, n2 := twin{}.Around(p[3], p[2], a, w, h, o.area, o.dx, o.dy)
		same("Around", m, m2)
		same("counts of Around", n, n2)
		sparse := kernel{}.Sparse(a, w, o.area, &Sparse{})
		m, n = kernel{}.Around(p[3], p[2], a, w, h, sparse, o.dx, o.dy)
		same("sparse Around", m, m2)
		same("counts of sparse Around", n, n2)
		mean, count := kernel{}.Match(p[3], p[2], a, w, h, sparse, o.dx, o.dy)
		same("sparse Match", mean, m2[0])
		same("count of sparse Match", count, n2[0])
	}
	same("Apart", kernel{}.Apart(p[0], p[1][w+3:], w, w-3, h-1), twin{}.Apart(p[0], p[1][w+3:], w, w-3, h-1))
	dark, light := make([]uint16, w*h), slices.Repeat([]uint16{1 << 12}, w*h)
	same("largest Apart", kernel{}.Apart(dark, light, w, w, h), uint64(w*h)<<24)
	same("Set", kernel{}.Set(a, w, image.Rect(3, 2, 70, 40)), twin{}.Set(a, w, image.Rect(3, 2, 70, 40)))
	for _, rows := range []bool{false, true} {
		for _, back := range [][]uint16{nil, p[1]} {
			win := image.Rect(5, 3, 72, 38)
			n := win.Dx() * win.Dy()
			ga, gb, above := make([]int16, n), make([]int16, n), make([]int16, n)
			s, f := kernel{}.Gradient(ga, above, p[0], back, a, w, win, rows)
			s2, f2 := twin{}.Gradient(gb, above, p[0], back, a, w, win, rows)
			same("Gradient", ga, gb)
			same("sums of Gradient", [2]uint64{s, f}, [2]uint64{s2, f2})
		}
	}
	for _, rows := range []bool{false, true} {
		for _, n := range []int{3, 5, 11} {
			win, part := image.Rect(2, 1, 75, 41), image.Rect(7, 1, 72, 39)
			oa, ob := make([]int16, part.Dx()*part.Dy()), make([]int16, part.Dx()*part.Dy())
			s, f := kernel{}.outline(oa, p[0], p[1], a, w, win, part, n, rows, &outline{})
			s2, f2 := twin{}.outline(ob, p[0], p[1], a, w, win, part, n, rows, nil)
			same("outline", oa, ob)
			same("sums of outline", [2]uint64{s, f}, [2]uint64{s2, f2})
		}
	}
	g := make([]int16, w*h)
	for i := range g {
		if i/w%7 != 3 && i%w/20 != 1 { // runs of nothing between
			g[i] = int16(r.IntN(2047) - 1023)
		}
	}
	same("Dot", kernel{}.Dot(g[3:], w, g[w:], 20, 19, h-2), twin{}.Dot(g[3:], w, g[w:], 20, 19, h-2))
	// Lags against their definition, Cross against its twin.
	dx, dy := []int32{0, 3, -4, 76, 80, -70}, []int32{0, -2, 5, 40, 0, -9}
	la, lb := make([]float32, len(dx)), make([]float32, len(dx))
	for i := range dx {
		sum := 0
		for y := range h {
			for x := range w {
				if u, v := x+int(dx[i]), y+int(dy[i]); u >= 0 && u < w && v >= 0 && v < h {
					sum += int(g[y*w+x]) * int(g[v*w+u])
				}
			}
		}
		lb[i] = float32(sum)
	}
	(&Search{}).Lags(la, g, w, h, dx, dy)
	same("Lags", la, lb)
	px, py := []int32{0, 60, 3, 17, 1, 41}, []int32{0, 30, 9, 1, 30, 29}
	for _, width := range []int{5, 16, 17, 36} {
		places := px
		if width > 17 {
			places = []int32{0, 40, 3, 17, 1, 41}
		}
		kernel{}.cross(la, g[:width*11], width, 11, g, w, places, py, &runs{})
		twin{}.cross(lb, g[:width*11], width, 11, g, w, places, py, nil)
		same("cross", la, lb)
		clear(la)
		portable().cross(la, g[:width*11], width, 11, g, w, places, py, &runs{})
		same("portable cross", la, lb)
	}
	for i := range g { // the largest products
		g[i] = 1023
	}
	for _, k := range []kernel{{}, portable()} {
		k.cross(la[:1], g, w, h, g, w, dx, dy, &runs{})
		same("largest products", la[0], float32(1023*1023*w*h))
	}
}

func TestLiesBetweenEqualsTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const w, h = 173, 9
	for range 200 {
		spread := 1 + r.IntN(1<<r.IntN(13))
		var p [3][]uint16
		for k := range p {
			p[k] = make([]uint16, w*h)
			for i := range p[k] {
				p[k][i] = uint16(min(r.IntN(spread)+r.IntN(2)*(1<<12-spread), 1<<12))
			}
		}
		var runs []Run
		for x := int32(r.IntN(40)); x < w; x += int32(r.IntN(70)) {
			n := int32(r.IntN(90))
			runs = append(runs, Run{max(0, x-int32(r.IntN(2))), x, min(x+n, w)})
			x += n
		}
		far := int32(r.IntN(2 * spread))
		y0, step := r.IntN(h), 1+r.IntN(4)
		equal(t, p, w, y0, h, step, runs, far)
	}
	const long = 1 << 12
	var largest [3][]uint16 // samples that differ by as much as they can
	for k := range largest {
		largest[k] = make([]uint16, long)
		for i := range largest[k] {
			largest[k][i] = uint16((i + k) % 2 << 12)
		}
	}
	equal(t, largest, long, 0, 1, 1, []Run{{0, 0, long}}, 0)
}

// equal holds the forms of LiesBetween together.
func equal(t *testing.T, p [3][]uint16, w, y0, y1, step int, runs []Run, far int32) {
	t.Helper()
	want := Between{Half: 3}
	twin{}.LiesBetween(&want, p[0], p[1], p[2], w, y0, y1, step, runs, far)
	for _, k := range []kernel{{}, portable()} {
		got := Between{Half: 3}
		k.LiesBetween(&got, p[0], p[1], p[2], w, y0, y1, step, runs, far)
		if got != want {
			t.Fatalf("rows from %d in steps of %d, far %d, runs %v:\n  kernel %+v %+v\n  twin   %+v", y0, step, far, runs, k, got, want)
		}
	}
}

// TestEven holds the plane that is as fine across the lines as along them against the one
// for motion, of which a row is the mean of two of its rows; where both are as fine they
// are one.
func TestEven(t *testing.T) {
	for _, c := range []struct {
		w, rows int
		fields  bool
	}{{1936, 2, false}, {1936, 2, true}, {1280, 1, false}, {720, 1, true}} {
		f := picture.Format{W: c.w, H: 128, Depth: 8, Fields: c.fields}
		s := &Store{format: f, maps: []*Map{newMap(f)}}
		p := &picture.Picture{Y: plane(rand.New(rand.NewPCG(7, 8)), f.W, f.H, 8, 0, patterns[0])}
		m := &s.maps[0].Reduced
		s.reduce(m, &p.Y, picture.Frame, 0, m.H)
		even := s.Even(0, p)
		if even.W != m.W || even.H != c.rows*m.H || even.StepY*c.rows != m.StepY || (even == m) != (c.rows == 1) {
			t.Fatalf("%+v: %dx%d in steps of %dx%d beside %dx%d of %dx%d", c, even.W, even.H, even.StepX, even.StepY, m.W, m.H, m.StepX, m.StepY)
		}
		for y := range m.H {
			for x := range m.W {
				sum := 0
				for k := range c.rows {
					sum += int(even.Row(y*c.rows + k)[x])
				}
				if off := sum - c.rows*int(m.Row(y)[x]); absolute(off) > c.rows {
					t.Fatalf("%+v: sample %d, %d: the rows of the even plane sum up to %d more", c, x, y, off)
				}
			}
		}
	}
}
