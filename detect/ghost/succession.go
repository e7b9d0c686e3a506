package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// relation is how a picture, or a thing in it, relates to the pictures before
// and after, by the two differences between them. It takes no vector.
type relation struct {
	known bool
	// rho is the correlation of the difference from the picture before with
	// that to the picture after: -1/2 where what moves goes further than its
	// own detail is wide, towards 1 where it goes less, and 1 where the
	// picture is a mixture of the other two.
	rho float64
	// lean is half the logarithm of the ratio of the energies of the two
	// differences, the one before over the one after.
	lean float64
	// energy is that of the difference from the picture before, a sample.
	energy float64
	// detail is that of the differences of neighbours in the picture where it
	// changes, a sample, and area how many cells that is.
	detail float64
	area   int
	// half, third and quarter are how dense the samples that change by far from the
	// picture before to the one after lie half way between the two, about a third of
	// the way from one of them, and near one; 1 where they lie anywhere alike. All are
	// 0 where too few change by far, or nearly all one way.
	half, third, quarter float64
	// twice is set where the picture shows what one of the two does, and not what
	// the other does; it is not known then.
	twice bool
}

// succession is the relations of one picture.
type succession struct {
	whole  relation
	places [len(windows)]relation // the same in parts of it
	things []relation             // of the looks at the picture, in their order
	// changed is where anything did, and conspicuous where most of it lies, in
	// cells, in each band of the picture from its top: a camera may know some
	// bands and not others.
	changed, conspicuous places
	// lines is the logarithm of the detail from line to line over that along the lines,
	// wherever it is, and linesIn the same in parts of the picture.
	lines   float64
	linesIn [len(windows)]float64
	going   going // once it is asked for
	slope   slope // once it is asked for
}

const (
	// bands is how many bands of rows a picture is told in.
	bands = 4
	// So many samples of the reduced plane tell the sums of a picture and of a
	// thing to a few per cent, if detail is ten samples long; of more, rows are
	// left out.
	enoughSamples, enoughOfThing = 1 << 13, 1 << 12
	// At least so many cells have to change.
	leastChangedCells = 3
	// Cells count that change by this share of what the energy of all changes
	// lies at: many that flicker a little would hide the few that move.
	conspicuous = 0.25
	// What is left of the energy of a difference without that of noise must be
	// this share of it.
	leastDifference = 0.3
	// Where one difference is six times the other the picture repeats one of
	// its neighbours; logarithm.
	mostLean = 1.8
	// A change is far where noise moves a sample by less than a tenth of the way, which
	// is half as wide as what counts as half way; at least so much, which is some
	// times what a codec leaves. Fewer than so many of them tell no density to a
	// quarter.
	farNoise, leastFar = 18, 16 * cells.Unit8
	fewestFar          = 100
	// What moves has an edge that becomes brighter for each that becomes darker; where
	// nearly all changes one way it is the light, or a fade, which is on the way all over.
	oneSided = 0.95
)

// A picture is cut into parts by parts; windows are where faults are looked for that
// are in some of them alone: half as wide and half as high as the picture.
const parts = 4

var windows = [...]image.Rectangle{
	image.Rect(0, 0, 2, 2), image.Rect(1, 0, 3, 2), image.Rect(2, 0, 4, 2),
	image.Rect(0, 1, 2, 3), image.Rect(1, 1, 3, 3), image.Rect(2, 1, 4, 3),
	image.Rect(0, 2, 2, 4), image.Rect(1, 2, 3, 4), image.Rect(2, 2, 4, 4),
}

var wholePicture = image.Rect(0, 0, parts, parts)

// partCells turns a rectangle of parts into one of the cells of a picture.
func partCells(r image.Rectangle, m *cells.Map) image.Rectangle {
	at := func(k, n int) int { return (k*n + parts - 1) / parts }
	return image.Rect(at(r.Min.X, m.Cols), at(r.Min.Y, m.Rows), at(r.Max.X, m.Cols), at(r.Max.Y, m.Rows))
}

// places are rectangles of cells in the bands of a picture.
type places [bands]image.Rectangle

// add takes in the cells from one column to another of row y, of so many rows.
func (p *places) add(from, to, y, rows int) {
	band := &p[y*bands/rows]
	*band = band.Union(image.Rect(from, y, to+1, y+1))
}

// all is the rectangle around them.
func (p *places) all() (r image.Rectangle) {
	for _, band := range p {
		r = r.Union(band)
	}
	return r
}

// changed is by how much a cell differs from the same one of the picture before or after.
type changed struct {
	x, y int
	by   float32
}

// successions keeps those of the newest pictures.
type successions struct {
	filmed  bool
	ring    [2*span + 2]succession
	next    int            // the picture to relate
	changes motion.Changes // of between
	changed []changed      // of a rectangle, by more than noise
	moves   []bool         // of the cells of that and the ones around it
	parts   [parts * parts]sums
	// Of a row of cells, the samples that are summed, and those of them in one part.
	runs, within []cells.Run
	search       cells.Search
}

var nothing succession

func (r *successions) at(i int) *succession {
	if i < 0 || i >= r.next || i < r.next-len(r.ring) {
		return &nothing
	}
	return &r.ring[i%len(r.ring)]
}

// relate takes the relations of the pictures before number to.
func (s *state) relate(to int) {
	for ; s.successions.next < to; s.successions.next++ {
		i := s.successions.next
		s.note(i)
		a, b, c := s.cells.At(i-1), s.cells.At(i), s.cells.At(i+1)
		m, n := s.motion.At(i), s.motion.At(i+1)
		out := &s.successions.ring[i%len(s.successions.ring)]
		*out = succession{things: out.things[:0]}
		if a == nil || b == nil || c == nil || m == nil || n == nil || m.Cut || n.Cut || s.fields {
			continue
		}
		out.measureLines(b)
		noise, changes := max(m.Noise, n.Noise), s.successions.between(m, n, b.Cols)
		out.whole = s.successions.relation(a, b, c, noise, changes, image.Rect(0, 0, b.Cols, b.Rows), out)
		for _, l := range s.echo.At(i) {
			if l.Whole {
				out.things = append(out.things, relation{})
			} else {
				out.things = append(out.things, s.successions.relation(a, b, c, noise, changes, inCells(l.Region), nil))
			}
		}
	}
}

// between returns the cells that change to a picture or from it, by the motion to it and
// from it, until it is asked for others.
func (r *successions) between(to, from *motion.Map, cols int) *motion.Changes {
	r.changes.Copy(&to.Changes)
	r.changes.Union(&from.Changes)
	if r.filmed {
		// A camera's noise, and edges that tremble, change everywhere.
		r.changes.Within(to, cols, func(tile int) bool {
			return to.Tiles[tile].Thing || from.Tiles[tile].Thing || to.Tiles[tile].Moving || from.Tiles[tile].Moving
		})
	}
	return &r.changes
}

// relation takes that of picture b to those before and after, where anything
// changed conspicuously within a rectangle of cells, and says where if asked.
func (r *successions) relation(a, b, c *cells.Map, noise float32, changes *motion.Changes, in image.Rectangle, where *succession) relation {
	p := &b.Reduced
	in = in.Intersect(image.Rect(0, 0, b.Cols, b.Rows))
	// One cell of nothing around it.
	wide := in.Dx() + 2
	r.moves = slices.Grow(r.moves[:0], wide*(in.Dy()+2))[:wide*(in.Dy()+2)]
	clear(r.moves)
	threshold := motion.ChangedAbove(noise)
	r.changed = r.changed[:0]
	var sum, squares float32
	for y := in.Min.Y; y < in.Max.Y; y++ {
		first, last, end := -1, 0, y*b.Cols+in.Max.X
		for at := changes.Next(y*b.Cols+in.Min.X, end); at < end; at = changes.Next(at+1, end) {
			if d := max(p.Diff[at], c.Reduced.Diff[at]); d > threshold {
				x := at - y*b.Cols
				r.changed = append(r.changed, changed{x, y, d})
				sum, squares = sum+d, squares+d*d
				if last = x; first < 0 {
					first = x
				}
			}
		}
		if where != nil && first >= 0 {
			where.changed.add(first, last, y, b.Rows)
		}
	}
	if sum == 0 {
		return relation{}
	}
	threshold = max(threshold, conspicuous*squares/sum)
	n := 0
	for i := 0; i < len(r.changed); {
		y, first, last := r.changed[i].y, -1, 0
		for ; i < len(r.changed) && r.changed[i].y == y; i++ {
			x := r.changed[i].x
			if r.changed[i].by <= threshold {
				continue
			}
			n++
			// What moves reaches into the cells beside it.
			k := (y-in.Min.Y+1)*wide + x - in.Min.X + 1
			r.moves[k], r.moves[k-1], r.moves[k+1], r.moves[k-wide], r.moves[k+wide] = true, true, true, true, true
			if last = x; first < 0 {
				first = x
			}
		}
		if where != nil && first >= 0 {
			where.conspicuous.add(first, last, y, b.Rows)
		}
	}
	if n < leastChangedCells {
		return relation{}
	}
	n = 0
	for _, moves := range r.moves {
		if moves {
			n++
		}
	}
	enough := enoughSamples
	if where == nil {
		enough = enoughOfThing
	}
	cw, ch := cells.Size/p.StepX, cells.Size/p.StepY
	step := 1 + n*cw*ch/enough
	r.parts = [parts * parts]sums{}
	// What the whole picture shows is summed in its parts.
	var edges [parts + 1]int32
	for k := range edges {
		edges[k] = int32(min(partCells(image.Rect(0, 0, k, 1), b).Max.X*cw, p.W))
	}
	far := int32(farChange(noise))
	for cy := in.Min.Y; cy < in.Max.Y; cy++ {
		r.runs = r.runs[:0]
		moves := r.moves[(cy-in.Min.Y+1)*wide+1:][:in.Dx()]
		for x := 0; x < len(moves); x++ {
			from := x
			for x < len(moves) && moves[x] {
				x++
			}
			if x > from {
				first := int32((in.Min.X + from) * cw)
				r.runs = append(r.runs, cells.Run{Beside: first, From: first, To: int32(min((in.Min.X+x)*cw, p.W))})
			}
		}
		if len(r.runs) == 0 {
			continue
		}
		// The rows that are left out differ from one row of cells to the next.
		y0, y1 := cy*ch+cy%step, min((cy+1)*ch, p.H)
		if where == nil {
			r.parts[0].add(&r.search, a, b, c, y0, y1, step, r.runs, far)
			continue
		}
		for k := range parts {
			r.within = r.within[:0]
			for _, run := range r.runs {
				if from, to := max(run.From, edges[k]), min(run.To, edges[k+1]); from < to {
					r.within = append(r.within, cells.Run{Beside: max(run.From, from-1), From: from, To: to})
				}
			}
			r.parts[cy*parts/b.Rows*parts+k].add(&r.search, a, b, c, y0, y1, step, r.within, far)
		}
	}
	var all sums
	for k := range r.parts {
		all.join(&r.parts[k])
	}
	out := all.relation(noise)
	out.area = n
	if where != nil {
		r.placed(noise, float64(step)/float64(cw*ch), where)
	}
	return out
}

// placed takes the relations in parts of a picture from the sums in them, of which
// each sample stands for so much of a cell.
func (r *successions) placed(noise float32, cell float64, out *succession) {
	for i, w := range windows {
		var in sums
		for y := w.Min.Y; y < w.Max.Y; y++ {
			for x := w.Min.X; x < w.Max.X; x++ {
				in.join(&r.parts[y*parts+x])
			}
		}
		if in.samples > 0 {
			out.places[i] = in.relation(noise)
			out.places[i].area = int(cell*float64(in.samples) + 0.5)
		}
	}
}

// measureLines takes the logarithm of the detail of a picture from line to line over that
// along its lines, in all of it and in its parts; 0 where there is none.
func (s *succession) measureLines(m *cells.Map) {
	var second, horizontal [parts * parts]uint64
	for y := range m.Rows {
		row := m.Cells[y*m.Cols:][:m.Cols]
		for k := range parts {
			at := y*parts/m.Rows*parts + k
			part := partCells(image.Rect(k, 0, k+1, 1), m)
			for x := part.Min.X; x < part.Max.X; x++ {
				second[at] += uint64(row[x].Second)
				horizontal[at] += uint64(row[x].Horizontal)
			}
		}
	}
	in := func(w image.Rectangle) float64 {
		var across, along uint64
		for y := w.Min.Y; y < w.Max.Y; y++ {
			for x := w.Min.X; x < w.Max.X; x++ {
				across, along = across+second[y*parts+x], along+horizontal[y*parts+x]
			}
		}
		if across == 0 || along == 0 {
			return 0
		}
		return math.Log(float64(across) / float64(along))
	}
	s.lines = in(wholePicture)
	for i, w := range windows {
		s.linesIn[i] = in(w)
	}
}

// farChange is what a sample changes by at least where it changes far.
func farChange(noise float32) int64 { return int64(max(leastFar, farNoise*noise)) }

// thirdWay is the tenths of the way that what a picture is off the one before it may
// differ from what it is off the one after where it is a third of the way from one of
// them; see cells.Between.
const thirdWay = 5

// onTheWay reports whether a sample that differs from the picture before and to the one
// after by so much is half way between them or a third of it.
func onTheWay(before, after int64) bool {
	return 10*max(before-after, after-before) < thirdWay*max(before+after, -before-after)
}

// inCells turns a rectangle of raster pixels into one of the cells that it
// touches.
func inCells(r image.Rectangle) image.Rectangle {
	const size = cells.Size
	return image.Rect(r.Min.X/size, r.Min.Y/size, (r.Max.X+size-1)/size, (r.Max.Y+size-1)/size)
}

// sums are what so many samples tell of how a picture lies between the ones before and
// after it.
type sums struct {
	cells.Between
	samples int
}

// join takes in other sums.
func (s *sums) join(o *sums) {
	s.Between.Add(&o.Between)
	s.samples += o.samples
}

// add takes in the runs of every step-th row from y0 to before y1; a change is far that
// is more than far.
func (s *sums) add(search *cells.Search, a, b, c *cells.Map, y0, y1, step int, runs []cells.Run, far int32) {
	search.LiesBetween(&s.Between, a.Reduced.Pix, b.Reduced.Pix, c.Reduced.Pix, b.Reduced.W, y0, y1, step, runs, far)
	for _, r := range runs {
		s.samples += int(r.To-r.From) * max(0, (y1-y0+step-1)/step)
	}
}

// relation takes what noise adds off the sums.
func (s *sums) relation(noise float32) (out relation) {
	// Noise is the mean |difference| of two pictures, of which the variance is
	// pi/2 of its square; two differences that share a picture have minus half
	// of it in common.
	n := float64(s.samples) * float64(noise) * float64(noise) * math.Pi / 2
	x, y, xy := float64(s.Before)-n, float64(s.After)-n, float64(s.Both)+n/2
	if a, b := x <= leastDifference*float64(s.Before), y <= leastDifference*float64(s.After); a || b {
		out.twice = a != b
		return out
	}
	out.rho = max(-1, min(1, xy/math.Sqrt(x*y)))
	out.lean = math.Log(x/y) / 2
	out.energy = x / float64(s.samples)
	out.detail = float64(s.Detail) / float64(s.samples)
	out.known = math.Abs(out.lean) < mostLean
	if one := max(s.Brighter, s.Changed-s.Brighter); s.Changed >= fewestFar && float64(one) < oneSided*float64(s.Changed) {
		density := func(n int64, width float64) float64 { return float64(n) / float64(s.Changed) / width }
		out.half, out.third, out.quarter = density(s.Half, 0.2), density(s.Third, 0.3), density(s.Quarter, 0.3)
	}
	out.twice = !out.known
	return out
}

// way is by how much more of what changes far is on the way than near its ends; false where
// that is not known.
func (r *relation) way() (v float64, known bool) {
	return max(r.half, r.third) - r.quarter, r.known && r.half+r.third+r.quarter > 0
}

// of returns the relation in picture i of the thing of look l at picture t, or
// that of the whole picture where there is no look or it is at a place of it.
func (s *state) of(t int, l *echo.Look, i int) relation {
	if l == nil || l.Whole {
		return s.successions.at(i).whole
	}
	if o := s.same(t, l, i); o != nil {
		looks, things := s.echo.At(i), s.successions.at(i).things
		for k := range things {
			if &looks[k] == o {
				return things[k]
			}
		}
	}
	return relation{}
}

// expected is the same for a picture that may have no look at the thing: it
// has the thing all the same, where its step takes it.
func (s *state) expected(t int, l *echo.Look, i int) relation {
	if r := s.of(t, l, i); r.known || l == nil || l.Whole {
		return r
	}
	a, b, c := s.cells.At(i-1), s.cells.At(i), s.cells.At(i+1)
	m, n := s.motion.At(i), s.motion.At(i+1)
	if a == nil || b == nil || c == nil || m == nil || n == nil || m.Cut || n.Cut || s.fields {
		return relation{}
	}
	region := l.Region.Add(image.Pt(int(l.DX*float64(i-t)), int(l.DY*float64(i-t))))
	if !region.In(s.raster) {
		return relation{}
	}
	return s.successions.relation(a, b, c, max(m.Noise, n.Noise), s.successions.between(m, n, b.Cols), inCells(region), nil)
}

// steepness is the mean energy of the differences of samples beside and below
// each other where picture t changes conspicuously.
func (s *state) steepness(t int) float64 {
	r := &s.cells.At(t).Reduced
	sum, n := 0.0, 0
	for _, place := range s.successions.at(t).conspicuous {
		in := inSamples(inPixels(place), r).Intersect(image.Rect(0, 0, r.W-1, r.H-1))
		step := 1 + in.Dx()*in.Dy()/enoughSamples
		for y := in.Min.Y; y < in.Max.Y; y += step {
			row, below := r.Row(y), r.Row(y+1)
			for x := in.Min.X; x < in.Max.X; x++ {
				dx, dy := float64(row[x+1])-float64(row[x]), float64(below[x])-float64(row[x])
				sum += dx*dx + dy*dy
				n++
			}
		}
	}
	return sum / float64(max(n, 1))
}

// detail is how fast the likeness of pictures falls with their distance: with
// the distance itself where edges are sharp, with its square where they are
// soft; what has detail of many sizes lies between.
const detail, sharp, soft = 1.5, 1, 2

// likeness returns how far a picture where it changed resembles the ones after
// it, from how far it resembles the next.
func likeness(next, detail float64) (l [8]float64) {
	for n := range l {
		l[n] = math.Pow(next, math.Pow(float64(n), detail))
	}
	l[0] = 1
	return l
}

// predict returns the relation of picture k where each picture mixes three of a
// source that follow each other, from the first on, with weights.
func predict(k int, alike *[8]float64, mixed func(k int) (first int, weights [3]float64)) relation {
	var first [3]int
	var weights [3][3]float64
	for i := range first {
		first[i], weights[i] = mixed(k - 1 + i)
	}
	dot := func(i, j int) float64 {
		sum := 0.0
		for x, v := range weights[i] {
			for y, w := range weights[j] {
				if v != 0 && w != 0 {
					n := first[i] + x - first[j] - y
					sum += v * w * alike[min(max(n, -n), len(alike)-1)]
				}
			}
		}
		return sum
	}
	aa, bb, cc, ab, bc, ac := dot(0, 0), dot(1, 1), dot(2, 2), dot(0, 1), dot(1, 2), dot(0, 2)
	before, after := aa+bb-2*ab, bb+cc-2*bc
	return relation{known: true, rho: (ab + bc - bb - ac) / math.Sqrt(before*after), lean: math.Log(before/after) / 2, energy: before}
}
