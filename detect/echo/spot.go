package echo

import (
	"bytes"
	"cmp"
	"image"
	"math"
	"slices"
	"sort"

	"setwitness/decode/leastsquares"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// A small thing that passes others shares its tile with them, so that no
// displacement explains the tile. It is told as a spot, a small connected piece
// of what stands out, that goes on from picture to picture by even steps.

const (
	// A spot has so many cores at least, squares of 2x2 samples that stand out
	// with the four beside them: a disc of eight samples across has four, and an
	// arm that touches it none. It is no wider or higher than so many squares:
	// most of a tile's edge at 720 lines, for a thing with its copies on either
	// side. A ball of six samples has one core: a spot as well, where there are not
	// more of them than are followed.
	leastSpot, smallSpot, widestSpot = 4, 1, 50
	// So many samples of a square stand out: noise sets one or two of them, along
	// edges that tremble.
	mostOfSquare = 3
	// Where more of a picture's tiles than this hold something that stands out,
	// the pieces of it are no things.
	mostSpotted = 0.5
	// Of more spots than this in a picture none is followed: a shower.
	mostSpots = 64
	// From one picture to the next a spot keeps its size to this factor: copies
	// spread it over three places, and some of it is lost before a background
	// of its own tone.
	spotSizes = 3.0
	// A spot is where its last two steps lead to this share of a step, and so
	// many samples for each step that it was not seen for: a burst of copies
	// begins and ends with half a step.
	spotStray, spotSlack = 0.4, 1.5
	// It goes on for so many pictures of the nine that lend vectors, and in no
	// other way for so many.
	leastFlight, leastWay = 5, 4
	// Of spokes, drops and dashes one is taken for another: no more than so many
	// spots of a picture have its size, to this factor.
	mostTwins, twinSizes = 8, 1.25
	// The places of a flight keep to a parabola by this share of its step and
	// so many samples: limbs that swing and pieces of a larger thing come and
	// go.
	flightStray, flightSlack = 0.3, 1.0
)

// noteSpots finds the spots of the pictures up to number to.
func (s *Store) noteSpots(to int) {
	for ; s.spots.next <= to; s.spots.next++ {
		m := s.motion.At(s.spots.next)
		if m == nil {
			return // the take ends here
		}
		s.spots.note(s.spots.next, m, &s.cells.At(s.spots.next).Reduced)
	}
}

// flights looks at the spots that fly where no look at a thing has been yet.
func (s *Store) flights(out []Look, t int, cm *cells.Map, m *motion.Map) []Look {
	r := &cm.Reduced
	known := len(out)
	list := s.spots.at(t)
	if len(list) > mostSpots {
		return out
	}
	for i := range list {
		p := &list[i]
		if twins(list, p) > mostTwins {
			continue
		}
		f, ok := s.spots.follow(t, p)
		if !ok {
			continue
		}
		vx, vy := f.x*float64(r.StepX), f.y*float64(r.StepY)
		at := image.Pt(int(p.x*float64(r.StepX)), int(p.y*float64(r.StepY)))
		if slices.ContainsFunc(out[:known], func(l Look) bool {
			return at.In(l.Region) && course{true, l.DX, l.DY}.agrees(course{true, vx, vy})
		}) {
			continue
		}
		if l, ok := s.measure(r, m, window(r, p.box, vx, vy), vx, vy, false); ok {
			out = append(out, l)
		}
	}
	return out
}

// spot is a small piece of what stands out: its middle in reduced samples, and
// its cores.
type spot struct {
	x, y float64
	n    int
	box  image.Rectangle // reduced samples
}

// spots keeps those of the pictures that lend vectors.
type spots struct {
	ring   [2*vectorSpan + 1]spotted
	next   int // the picture to look at
	search cells.Search
	square []uint8 // 1 where most of a square of 2x2 samples stands out
	pieces []piece // of the picture in hand
	above  []run   // of the row above, and
	row    []run   // of the row in hand
	// parabolas are the fits of the flights so far, by the places that they know.
	parabolas map[int]*parabola
}

type spotted struct {
	picture int
	list    []spot
	across  []int // the same from left to right, as indices into it
}

// piece is connected cores: how many, the sums of their places, and where they
// are. What turned out to be part of another piece has that as its whole.
type piece struct {
	n, x, y int
	box     image.Rectangle
	whole   int
}

// run is cores side by side, to exclusive, of a piece.
type run struct{ from, to, piece int }

func (s *spots) of(i int) *spotted { return &s.ring[i%len(s.ring)] }

// at returns the spots of picture i.
func (s *spots) at(i int) []spot {
	if i < 0 || s.of(i).picture != i {
		return nil
	}
	return s.of(i).list
}

// note finds the spots of picture i in and beside the tiles that nothing
// explains.
func (s *spots) note(i int, m *motion.Map, r *cells.Reduced) {
	o := s.of(i)
	o.picture, o.list, o.across = i, o.list[:0], o.across[:0]
	if !m.HasBackground || m.Cut {
		return
	}
	things, lost := 0, image.Rectangle{}
	for k := range m.Tiles {
		t := &m.Tiles[k]
		if t.Thing && t.Still >= leastContrast {
			things++
		}
		if t.Thing && !t.Moving {
			x, y := k%m.Cols, k/m.Cols
			lost = lost.Union(image.Rect(x-1, y-1, x+2, y+2))
		}
	}
	if lost.Empty() || float64(things) > mostSpotted*float64(len(m.Tiles)) {
		return
	}
	cols, rows := r.W/2, r.H/2
	if s.square == nil {
		s.square = make([]uint8, cols*rows)
	}
	clear(s.square)
	for y := range m.Rows {
		for x := 0; x < m.Cols; x++ {
			from := x
			for x < m.Cols && lostNear(m, x, y) {
				x++
			}
			if x > from {
				s.mark(m, r, from, x, y)
			}
		}
	}
	s.pieces, s.above = s.pieces[:0], s.above[:0]
	_, th := motion.TileSize(r)
	for y := max(1, lost.Min.Y*th/2); y < min(rows-1, lost.Max.Y*th/2); y++ {
		s.gather(y, cols)
	}
	for k := range s.pieces {
		p := &s.pieces[k]
		if p.whole == k && p.n >= smallSpot && max(p.box.Dx(), p.box.Dy()) <= widestSpot {
			n := float64(p.n)
			o.list = append(o.list, spot{
				x: 2*float64(p.x)/n + 1, y: 2*float64(p.y)/n + 1, n: p.n,
				box: image.Rectangle{p.box.Min.Mul(2), p.box.Max.Mul(2)},
			})
		}
	}
	if len(o.list) > mostSpots {
		o.list = slices.DeleteFunc(o.list, func(p spot) bool { return p.n < leastSpot })
	}
	o.sort()
}

// sort puts the spots of a picture in order from left to right.
func (o *spotted) sort() {
	o.across = o.across[:0]
	for k := range o.list {
		o.across = append(o.across, k)
	}
	slices.SortFunc(o.across, func(a, b int) int { return cmp.Compare(o.list[a].x, o.list[b].x) })
}

// lostNear reports whether a tile or one beside it holds a thing that nothing
// explains.
func lostNear(m *motion.Map, x, y int) bool {
	for v := max(0, y-1); v < min(m.Rows, y+2); v++ {
		for u := max(0, x-1); u < min(m.Cols, x+2); u++ {
			if t := m.At(u, v); t.Thing && !t.Moving {
				return true
			}
		}
	}
	return false
}

// mark notes the squares of tiles from one to before another of a row of which most
// stands out.
func (s *spots) mark(m *motion.Map, r *cells.Reduced, from, to, ty int) {
	cols, rows := r.W/2, r.H/2
	tw, th := motion.TileSize(r)
	x, y := from*tw/2, ty*th/2
	n, h := min((to-from)*tw/2, cols-x), min(th/2, rows-y)
	if n <= 0 || h <= 0 {
		return
	}
	at := 2 * (y*r.W + x)
	s.search.Squares(s.square[y*cols+x:], m.StandsOut[at:], r.Pix[at:], m.Background[at:], r.W, n, h, mostOfSquare, 4*leastContrast)
}

// gather joins the cores of a row of squares to the pieces of the row above.
func (s *spots) gather(y, cols int) {
	own := s.square[y*cols : (y+1)*cols]
	up, down := s.square[(y-1)*cols:y*cols], s.square[(y+1)*cols:(y+2)*cols]
	core := func(x int) bool { return own[x]&own[x-1]&own[x+1]&up[x]&down[x] != 0 }
	s.row = s.row[:0]
	k := 0 // of the runs above, the first that does not end before
	for x := 1; x < cols-1; x++ {
		next := bytes.IndexByte(own[x:cols-1], 1)
		if next < 0 {
			break
		}
		if x += next; !core(x) {
			continue
		}
		one := run{from: x, piece: -1}
		for x++; x < cols-1 && core(x); x++ {
		}
		one.to = x
		for k < len(s.above) && s.above[k].to <= one.from {
			k++
		}
		for j := k; j < len(s.above) && s.above[j].from < one.to; j++ {
			one.piece = s.join(one.piece, s.above[j].piece)
		}
		if one.piece < 0 {
			one.piece = len(s.pieces)
			s.pieces = append(s.pieces, piece{whole: one.piece})
		}
		p := &s.pieces[one.piece]
		n := one.to - one.from
		p.n, p.x, p.y = p.n+n, p.x+n*(one.from+one.to-1)/2, p.y+n*y
		p.box = p.box.Union(image.Rect(one.from-1, y-1, one.to+1, y+2))
		s.row = append(s.row, one)
	}
	s.above, s.row = s.row, s.above
}

// join makes two pieces one, and returns it; a is -1 for none.
func (s *spots) join(a, b int) int {
	for s.pieces[b].whole != b {
		b = s.pieces[b].whole
	}
	if a < 0 || a == b {
		return b
	}
	p, q := &s.pieces[a], &s.pieces[b]
	p.n, p.x, p.y, p.box = p.n+q.n, p.x+q.x, p.y+q.y, p.box.Union(q.box)
	q.whole = a
	return a
}

// flight is a spot followed through the pictures around.
type flight struct {
	at   [2*vectorSpan + 1]*spot // of pictures t-vectorSpan to t+vectorSpan
	n    int
	x, y float64 // samples a picture
}

// follow returns the flight of a spot of picture t, where it can be followed in
// one way only: of spokes, drops or dashes one is taken for another.
func (s *spots) follow(t int, p *spot) (best flight, ok bool) {
	ways := 0
	next, last := 1, -1
	beside := s.at(t + next)
	if len(beside) == 0 {
		// In the next picture too much stands out.
		next, last = last, next
		beside = s.at(t + next)
	}
	for k := range beside {
		q := &beside[k]
		f := flight{n: 2}
		f.at[vectorSpan], f.at[vectorSpan+next] = p, q
		if !p.like(q, spotSizes) || math.Hypot(q.x-p.x, q.y-p.y) > longest/2 {
			continue
		}
		for i := vectorSpan + 2*next; i >= 0 && i < len(f.at); i += next {
			s.step(&f, t, i, next)
		}
		for i := vectorSpan + last; i >= 0 && i < len(f.at); i += last {
			s.step(&f, t, i, last)
		}
		if f.n < leastWay || !s.even(&f) {
			continue
		}
		if ways++; ways > 1 {
			return best, false
		}
		best = f
	}
	return best, ways == 1 && best.n >= leastFlight
}

// step takes in the spot of place i, where the nearest two before it in a
// direction of time lead.
func (s *spots) step(f *flight, t, i, way int) {
	a := i - way
	for f.at[a] == nil {
		a -= way
	}
	b := a - way
	for f.at[b] == nil {
		b -= way
	}
	p, q := f.at[a], f.at[b]
	k := float64(i-a) / float64(a-b)
	x, y := p.x+k*(p.x-q.x), p.y+k*(p.y-q.y)
	least := spotStray*math.Hypot(p.x-q.x, p.y-q.y)/math.Abs(float64(a-b)) + spotSlack*max(1, math.Abs(k))
	list := s.at(t + i - vectorSpan)
	if len(list) == 0 {
		return
	}
	across, taken := s.of(t+i-vectorSpan).across, 0
	reach := least
	from := sort.Search(len(across), func(n int) bool { return list[across[n]].x > x-reach })
	for _, j := range across[from:] {
		o := &list[j]
		dx, dy := o.x-x, o.y-y
		if dx >= reach {
			break
		}
		if dx < -least || dx > least || dy > least || dy < -least {
			continue
		}
		// Of two as near the first of the list is taken.
		if d := math.Hypot(dx, dy); (d < least || d == least && f.at[i] != nil && j < taken) && p.like(o, spotSizes) {
			least, taken = d, j
			if f.at[i] == nil {
				f.n++
			}
			f.at[i] = o
		}
	}
}

// like reports whether two spots are of one size, to a factor and a core: where
// the squares lie makes as much.
func (p *spot) like(q *spot, factor float64) bool {
	a, b := float64(p.n+1), float64(q.n+1)
	return a <= factor*b && b <= factor*a
}

// twins counts the spots that have the size of one, and that with them.
func twins(list []spot, p *spot) (n int) {
	for i := range list {
		if p.like(&list[i], twinSizes) {
			n++
		}
	}
	return n
}

// even fits a parabola to the places of a flight, and reports whether they keep
// to it at a step that shows copies.
func (s *spots) even(f *flight) bool {
	var bx, by [3]float64 // sums of the places, over powers of time
	places := 0
	for i, p := range f.at {
		if p == nil {
			continue
		}
		places |= 1 << i
		k, power := float64(i-vectorSpan), 1.0
		for j := range bx {
			bx[j], by[j] = bx[j]+power*p.x, by[j]+power*p.y
			power *= k
		}
	}
	fit := s.parabola(places)
	if fit == nil {
		return false
	}
	cx, cy := fit.of(&bx), fit.of(&by)
	f.x, f.y = cx[1], cy[1]
	speed := math.Hypot(f.x, f.y)
	if speed < slowest || speed > longest/2 {
		return false
	}
	for i, p := range f.at {
		if p == nil {
			continue
		}
		k := float64(i - vectorSpan)
		if math.Hypot(cx[0]+k*cx[1]+k*k*cx[2]-p.x, cy[0]+k*cy[1]+k*k*cy[2]-p.y) > flightStray*speed+flightSlack {
			return false
		}
	}
	return true
}

// parabola turns sums of values over powers of time into the coefficients of the
// parabola that fits them: the inverse of its normal equations.
type parabola [3][3]float64

func (a *parabola) of(b *[3]float64) (c [3]float64) {
	for i := range c {
		c[i] = a[i][0]*b[0] + a[i][1]*b[1] + a[i][2]*b[2]
	}
	return c
}

// parabola returns the fit of values that are known at some places of a flight, one
// bit for each; nil where those are too few.
func (s *spots) parabola(places int) *parabola {
	if s.parabolas == nil {
		s.parabolas = map[int]*parabola{}
	}
	fit, known := s.parabolas[places]
	if known {
		return fit
	}
	var m [5]float64 // sums of powers of time
	for i := range 2*vectorSpan + 1 {
		if places>>i&1 == 0 {
			continue
		}
		power := 1.0
		for j := range m {
			m[j] += power
			power *= float64(i - vectorSpan)
		}
	}
	fit = &parabola{}
	for i := range fit {
		var unit [3]float64
		unit[i] = 1
		column, ok := leastsquares.Solve(func(i, k int) float64 { return m[i+k] }, unit[:])
		if !ok {
			fit = nil
			break
		}
		for k := range column {
			fit[k][i] = column[k]
		}
	}
	s.parabolas[places] = fit
	return fit
}
