package cells

import (
	"image"
	"slices"
)

// Search is the native kernels on reduced planes that the motion and echo
// measurements share. All planes are in the unit of Reduced.Pix.
type Search struct {
	kernel
	outlines outline
	runs     runs
	padded   []int16
	x, y     []int32
}

// runs is scratch of cross: the samples of a that are not zero, where each run
// of them lies, and the sums.
type runs struct {
	packed []int16
	at     []uint32
	sums   []int64
}

// Cross sets out[i] to the sum of a(u,v)*b(x[i]+u,y[i]+v) over a plane a of w
// columns and h rows, which must lie inside b, of bw columns, at each of the
// places; |a| and |b| are at most 1023. What is zero in a costs little.
func (s *Search) Cross(out []float32, a []int16, w, h int, b []int16, bw int, x, y []int32) {
	s.cross(out, a, w, h, b, bw, x, y, &s.runs)
}

// Lags sets out[i] to the sum of g(x,y)*g(x+dx[i],y+dy[i]) over a plane of w
// columns and h rows; |g| is at most 1023. What is zero costs little.
func (s *Search) Lags(out []float32, g []int16, w, h int, dx, dy []int32) {
	// Nothing around it, so that no lag leaves the plane.
	padX, padY := 0, 0
	for i := range dx {
		padX, padY = max(padX, absolute(int(dx[i]))), max(padY, absolute(int(dy[i])))
	}
	wide := w + 2*padX
	s.padded = slices.Grow(s.padded[:0], wide*(h+2*padY))[:wide*(h+2*padY)]
	clear(s.padded[:padY*wide])
	clear(s.padded[(padY+h)*wide:])
	for y := range h {
		row := s.padded[(y+padY)*wide:][:wide]
		clear(row[:padX])
		copy(row[padX:], g[y*w:(y+1)*w])
		clear(row[padX+w:])
	}
	s.x, s.y = s.x[:0], s.y[:0]
	for i := range dx {
		s.x, s.y = append(s.x, dx[i]+int32(padX)), append(s.y, dy[i]+int32(padY))
	}
	s.cross(out, g, w, h, s.padded, wide, s.x, s.y, &s.runs)
}

// SquaredDifference sets the cells in a rectangle of a list, which is as long as the maps of
// two pictures, to the mean squared difference of their reduced planes in each, in squares of
// the unit of Reduced.Pix, of every other row.
func (s *Search) SquaredDifference(list []float32, a, b *Map, in image.Rectangle) {
	s.squaredDifference(&a.Reduced, &b.Reduced, Size/a.Reduced.StepX, Size/a.Reduced.StepY, a.Cols, in, list)
}

// outline is scratch of Search.Outline.
type outline struct {
	above, smooth []int16
	columns       []int32
}

// Outline sets out, of the size of part, to the gradient of the coarse outline
// of what stands out in a window of a plane of w columns: pix less back where
// mask is set, averaged over squares of n samples, n odd, with nothing beyond
// the window; then Prewitt's gradient as of Gradient, 0 at the rim of the
// window. part lies inside the window. It returns the sums of the squares and
// of the fourth powers of out.
func (s *Search) Outline(out []int16, pix, back, mask []uint16, w int, win, part image.Rectangle, n int, rows bool) (squares, fourths uint64) {
	return s.outline(out, pix, back, mask, w, win, part, n, rows, &s.outlines)
}

// Found is the best displacement of a search.
type Found struct {
	DX, DY int32
	// Residual is the mean |difference| along the displacement, Still the
	// one without any.
	Residual, Still float32
}

// Area is the samples that a match looks at: every RowStep-th row of a
// rectangle.
type Area struct {
	image.Rectangle
	RowStep int // 1 or more
	// Sparse, if not nil, is where the mask is set, which must then be the
	// mask of the match; see Search.Sparse.
	Sparse *Sparse
}

// Sparse is where a mask is set within an area.
type Sparse struct {
	list []uint32 // offsets of runs of samples of which any is set
	set  int      // samples
}

// Run is samples of a row, To exclusive, and one beside the first of them, or itself.
type Run struct{ Beside, From, To int32 }

// Between is how a picture lies between the one before and the one after it.
type Between struct {
	// Sums over the squares of its differences from the two, over their product, and
	// over the squares of its own differences from sample to sample of a row.
	Before, After, Both, Detail int64
	// How many samples change far from the picture before to the one after, and how
	// many of them become brighter.
	Changed, Brighter int64
	// How many of those lie half way between the two (what the sample is off the one
	// before differs from what it is off the one after by less than 2 tenths of the
	// way), about a third of the way from one of them (5 tenths), and near one (8 tenths).
	Half, Third, Quarter int64
}

// Add takes in another one.
func (b *Between) Add(o *Between) {
	b.Before, b.After, b.Both, b.Detail = b.Before+o.Before, b.After+o.After, b.Both+o.Both, b.Detail+o.Detail
	b.Changed, b.Brighter = b.Changed+o.Changed, b.Brighter+o.Brighter
	b.Half, b.Third, b.Quarter = b.Half+o.Half, b.Third+o.Third, b.Quarter+o.Quarter
}
