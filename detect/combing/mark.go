package combing

import (
	"image"
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
)

// grower gathers suspect cells round close looks into regions.
type grower struct {
	seen  []uint8
	queue []int32
}

const (
	unseen uint8 = iota
	taken
	barred // inside a window that did not stand a look
)

// mark gathers the suspect cells round the looks that stood into regions and
// leaves a mark for each.
func (s *state) mark(w *detect.Window, l *layer) {
	found := false
	for i := range s.verdicts {
		found = found || s.verdicts[i].odds > weakOdds
	}
	if !found {
		return
	}
	g := &s.grow
	if g.seen == nil {
		g.seen = make([]uint8, len(l.excess))
	}
	clear(g.seen)
	for i := range s.verdicts {
		if s.verdicts[i].odds <= weakOdds {
			s.fill(s.verdicts[i].window, barred)
		}
	}
	for i := range s.verdicts {
		if s.verdicts[i].odds > weakOdds {
			s.fill(s.verdicts[i].window, unseen)
		}
	}
	for i := range s.verdicts {
		v := &s.verdicts[i]
		if v.odds > weakOdds && !v.joined {
			r := s.gather(v, l)
			s.outweigh(w.T, r)
			s.leave(w, r)
		}
	}
}

// cellsOf returns the cells that a window touches.
func (s *state) cellsOf(r image.Rectangle) image.Rectangle {
	return image.Rect(r.Min.X/cells.Size, r.Min.Y/cells.Size,
		(r.Max.X+cells.Size-1)/cells.Size, (r.Max.Y+cells.Size-1)/cells.Size)
}

func (s *state) fill(window image.Rectangle, with uint8) {
	c := s.cellsOf(window)
	for y := c.Min.Y; y < c.Max.Y; y++ {
		for x := c.Min.X; x < c.Max.X; x++ {
			s.grow.seen[y*s.suspects.cols+x] = with
		}
	}
}

// region is what one mark is about.
type region struct {
	box       image.Rectangle // cells
	cells     int
	best      *verdict
	odds      float64
	agree     int
	explained float64    // what the samples say for it, natural logarithm
	histogram [256]int32 // of the |difference| of the fields, 8-bit codes
}

// gather spreads from the window of v over suspect cells next to one another,
// or with one cell between, and takes the looks in them along.
func (s *state) gather(v *verdict, l *layer) *region {
	g := &s.grow
	cols, rows := s.suspects.cols, s.suspects.rows
	r := &region{}
	g.queue = g.queue[:0]
	push := func(x, y int) {
		if x < 0 || y < 0 || x >= cols || y >= rows {
			return
		}
		i := y*cols + x
		if g.seen[i] != unseen || l.excess[i] == 0 {
			return
		}
		g.seen[i] = taken
		g.queue = append(g.queue, int32(i))
		r.box = r.box.Union(image.Rect(x, y, x+1, y+1))
		r.cells++
	}
	seed := func(window image.Rectangle) {
		c := s.cellsOf(window)
		for y := c.Min.Y; y < c.Max.Y; y++ {
			for x := c.Min.X; x < c.Max.X; x++ {
				push(x, y)
			}
		}
	}
	seed(v.window)
	for n := 0; n < len(g.queue); n++ {
		x, y := int(g.queue[n])%cols, int(g.queue[n])/cols
		for dy := -1; dy <= 1; dy++ {
			for dx := -1; dx <= 1; dx++ {
				push(x+dx, y+dy)
			}
		}
		push(x-2, y)
		push(x+2, y)
		push(x, y-2)
		push(x, y+2)
	}
	for i := range s.verdicts {
		o := &s.verdicts[i]
		if o.odds <= weakOdds || o.joined || o != v && !s.touches(o.window) {
			continue
		}
		o.joined = true
		if r.best == nil || o.odds > r.best.odds {
			r.best = o
		}
		for b, n := range o.histogram {
			r.histogram[b] += n
		}
	}
	r.odds = r.best.odds
	r.explained = r.best.explainedBy()
	for i := range s.verdicts {
		if o := &s.verdicts[i]; o != r.best && o.joined && o.odds > 0 && o.agrees(&r.best.look) && !o.sameAs(&r.best.look) {
			r.agree++
			r.explained += o.explainedBy()
		}
	}
	if r.best.level() && r.cells < fewLevel {
		r.odds -= levelWeight
	}
	if r.odds > 0 {
		r.odds += agreeWeight * float64(min(r.agree, agreeMost))
	}
	return r
}

// sameAs reports whether two looks are at the same samples, for the most part: what is
// combed lies where their windows overlap, and says nothing twice.
func (k *look) sameAs(o *look) bool {
	shared := k.window.Intersect(o.window)
	return 2*shared.Dx()*shared.Dy() > k.window.Dx()*k.window.Dy()
}

// A thing that only rises or falls is combed along its level edges alone. There a
// scaled comb of a few pairs of lines looks like an edge that passes beside a line
// at rest; a line of text is fewLevel cells long, and a thing with an edge of that
// length is no accident.
const (
	fewLevel    = 8
	levelPairs  = 3.0
	levelWeight = 3.0
)

// level reports whether a look shows a scaled comb of few lines, made by a
// displacement down the picture.
func (k *look) level() bool {
	return k.carrier != woven && math.Abs(k.dx) < leastDX && math.Abs(k.dy) < levelPairs*k.carrier.pitch()
}

// sighting is a region of an earlier picture.
type sighting struct {
	picture   int
	look      look
	explained float64
}

// sightingMemory is how many pictures back a comb says something for this one:
// one may lie between, as in pulldown.
const sightingMemory = 2

// outweigh lowers the odds of a region of picture t by as much as chance
// explains: by what its samples, and those of the same comb in the pictures
// before, say less than the number of places that a comb was looked for in.
func (s *state) outweigh(t int, r *region) {
	all := r.explained
	kept := s.lately[:0]
	for _, o := range s.lately {
		if t-o.picture > sightingMemory {
			continue
		}
		kept = append(kept, o)
		if o.picture < t && s.follows(&r.best.look, &o) {
			all += o.explained
		}
	}
	s.lately = append(kept, sighting{t, r.best.look, r.explained})
	r.odds += min(0, all-s.chances)
}

// follows reports whether a look shows the comb of an earlier sighting: the
// displacement is the same, either field leading, and what moves by it, twice
// from picture to picture, leads from one to the other.
func (s *state) follows(k *look, o *sighting) bool {
	turned := *k
	turned.dx, turned.dy = -k.dx, -k.dy
	if !o.look.agrees(k) && !o.look.agrees(&turned) {
		return false
	}
	reach := int(2 * sightingMemory * math.Ceil(math.Hypot(k.dx, k.dy)))
	return o.look.window.Inset(-reach).Overlaps(k.window)
}

// touches reports whether any suspect cell of the window was taken.
func (s *state) touches(window image.Rectangle) bool {
	c := s.cellsOf(window)
	for y := c.Min.Y; y < c.Max.Y; y++ {
		for x := c.Min.X; x < c.Max.X; x++ {
			if s.grow.seen[y*s.suspects.cols+x] == taken {
				return true
			}
		}
	}
	return false
}

// agrees reports whether two looks found the same displacement, to a quarter
// of it or a pixel and a half.
func (k *look) agrees(o *look) bool {
	apart := math.Hypot(k.dx-o.dx, k.dy-o.dy)
	return apart < max(1.5, math.Hypot(k.dx, k.dy)/4)
}

func (s *state) leave(w *detect.Window, r *region) {
	b := r.best
	full := 255.0
	amplitude := 100 * percentile(r.histogram[:], 0.9) / full
	leading := 0.0
	switch {
	case b.direction > 0:
		leading = 1
	case b.direction < 0:
		leading = 2
	}
	w.Mark(detect.Mark{
		Kind:       detect.Combing,
		Picture:    w.T,
		Region:     s.tighten(w, r),
		Strength:   amplitude,
		Confidence: confidence(r.odds),
		Measures: map[string]float64{
			"amplitude_pct":   amplitude,
			"area_share":      float64(r.cells) / float64(s.suspects.cols*s.suspects.rows),
			"displacement_px": math.Hypot(b.dx, b.dy),
			"dx_px":           b.dx,
			"dy_px":           b.dy,
			"pitch_lines":     b.carrier.pitch(),
			"leading_field":   leading,
		},
	})
}

// percentile returns the value below which the given share of a histogram
// lies.
func percentile(h []int32, share float64) float64 {
	var n int32
	for _, k := range h {
		n += k
	}
	left := share * float64(n)
	for i, k := range h {
		if float64(k) >= left && k > 0 {
			return float64(i) + left/float64(k)
		}
		left -= float64(k)
	}
	return float64(len(h))
}

// mostEdgeCells is how many cells along one side of a region are read to find
// where in them the comb begins; along a longer side a cell is little.
const mostEdgeCells = 24

// tighten returns the raster pixels of a region, its sides moved to where the
// comb begins in the outermost cells.
func (s *state) tighten(w *detect.Window, r *region) image.Rectangle {
	raster := image.Rect(0, 0, s.format.W, s.format.H)
	box := image.Rect(r.box.Min.X*cells.Size, r.box.Min.Y*cells.Size, r.box.Max.X*cells.Size, r.box.Max.Y*cells.Size)
	out := box.Intersect(raster)
	p := &w.Picture(w.T).Y
	threshold := s.looker.threshold(s.suspects.noise * unit)
	// Half a comb of the typical amplitude here.
	raised := r.best.carrier.raised()
	threshold = max(int32(raised*float64(threshold)), int32(raised*percentile(r.histogram[:], 0.5)*unit/2))
	strip := func(c image.Rectangle) image.Rectangle {
		return s.looker.extent(p, c.Intersect(raster), r.best.carrier, threshold)
	}
	const z = cells.Size
	if r.box.Dy() <= mostEdgeCells {
		if e := strip(image.Rect(box.Min.X-z, box.Min.Y, box.Min.X+z, box.Max.Y)); !e.Empty() {
			out.Min.X = e.Min.X
		}
		if e := strip(image.Rect(box.Max.X-z, box.Min.Y, box.Max.X+z, box.Max.Y)); !e.Empty() {
			out.Max.X = e.Max.X
		}
	}
	if r.box.Dx() <= mostEdgeCells {
		if e := strip(image.Rect(box.Min.X, box.Min.Y-z, box.Max.X, box.Min.Y+z)); !e.Empty() {
			out.Min.Y = e.Min.Y
		}
		if e := strip(image.Rect(box.Min.X, box.Max.Y-z, box.Max.X, box.Max.Y+z)); !e.Empty() {
			out.Max.Y = e.Max.Y
		}
	}
	return out.Intersect(raster)
}
