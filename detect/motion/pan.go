package motion

import (
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
)

const (
	// A pan is looked for in this many places of the picture, one tile in
	// each, the one with the most detail.
	panCols, panRows = 8, 4
	// texture times the noise is what the mean |difference| of neighbouring
	// pixels in a tile must be: the quietest detail that still decides
	// between two displacements.
	texture = 2
	// At least so many places must have detail, and more than this share of
	// them must move alike.
	leastPanPlaces, panShare = 6, 0.5
	// A pan changes its speed by less than this many samples of the halved
	// plane from picture to picture, that is 12 raster pixels at 1080 lines:
	// the hand that starts to swing a camera.
	panChange = 3
	// So many places are searched fully when the pan is not like the last.
	panSearches = 4
	// After a picture that does not pan though it moves, this many go by
	// without a full search.
	panPatience = 4
	// So many rows of a place on the halved plane say where it went.
	panPlaceRows = 16
	// Over fewer pictures than bridge, longer than most bursts of wrong ones, a
	// pan is taken to have gone on, where those of so many pictures before and
	// after, piers, differ by no more than a share. (A conversion of rates
	// mixes pictures all along and has none.)
	bridge, piers, bridgeDiffer = 7, 3, 0.25
	// Two places agree when they differ by no more than a sample of the
	// halved plane: rotation, zoom and lens stretch a pan by a little.
	panAgree = 1
	// A pan of less than a sample a picture is measured over so many pictures, over
	// which it has to come to so many samples: a filmed picture that stands still
	// trembles by a tenth of one or two, and the pictures that make a background lie
	// half as far apart again. Its places agree to so many samples, which few would by
	// chance: a third of all places is enough where fewer rest, for people fill those
	// where they walk.
	creepSpan, leastCreep, creepAgree, creepShare = 6, 1.0, 0.5, 1.0 / 3
)

// pans keeps what was found about the newest pictures as they came in.
type pans struct {
	ring   [2*backgroundSpan + 2]panNote
	next   int         // the picture to look at
	last   image.Point // pan of the newest picture that had one, halved samples
	idle   int         // pictures to go before the next full search
	places []panPlace
	votes  []image.Point
	x, y   []float32
	sorted []float32
	crept  image.Point // in creepSpan pictures, where the newest crept
	all    []uint16    // a mask of everything
}

type panNote struct {
	picture int
	pan     Pan
	crept   Pan     // the same where it is too slow to be told from the picture before
	lost    bool    // most of it moved, and not alike
	quiet   float32 // noise as this picture alone shows it
}

type panPlace struct {
	area   image.Rectangle // reduced samples
	detail float32         // mean |difference| of neighbouring samples
	still  float32
}

func (p *pans) note(i int) *panNote { return &p.ring[i%len(p.ring)] }

// at returns the pan from picture i-1 to i.
func (p *pans) at(i int) Pan {
	if i >= 0 && p.note(i).picture == i {
		return p.note(i).pan
	}
	return Pan{}
}

// bridged returns the pan from picture i-1 to i, or, where a wrong picture
// moved and followed none, what lies between those of the pictures before and
// after, if these agree: a camera does not stop for a moment.
func (p *pans) bridged(i int) Pan {
	pan := p.at(i)
	if pan.Found || !p.isLost(i) {
		return pan
	}
	first, last := i, i
	for first > i-bridge && p.isLost(first-1) {
		first--
	}
	for last < i+bridge && p.isLost(last+1) {
		last++
	}
	if last-first >= bridge {
		return pan
	}
	before, after := p.at(first-1), p.at(last+1)
	for k := range piers {
		if !before.alike(p.at(first-1-k)) || !before.alike(p.at(last+1+k)) {
			return pan
		}
	}
	return Pan{Found: true, Carried: true, DX: (before.DX + after.DX) / 2, DY: (before.DY + after.DY) / 2}
}

// isLost reports whether picture i moved and followed no pan.
func (p *pans) isLost(i int) bool { return i >= 0 && p.note(i).picture == i && p.note(i).lost }

// alike reports whether two pans may be of one move.
func (a Pan) alike(b Pan) bool {
	x, y := float64(a.DX-b.DX), float64(a.DY-b.DY)
	return a.Found && b.Found && math.Hypot(x, y) <= bridgeDiffer*math.Hypot(float64(a.DX), float64(a.DY))
}

// between returns the displacement from picture from to picture to, in raster
// pixels, of what follows the pan.
func (p *pans) between(from, to int) (x, y float64) {
	sign := 1.0
	if from > to {
		from, to, sign = to, from, -1
	}
	for i := from + 1; i <= to; i++ {
		pan := p.bridged(i)
		if !pan.Found && i >= 0 && p.note(i).picture == i {
			pan = p.note(i).crept
		}
		x, y = x+sign*float64(pan.DX), y+sign*float64(pan.DY)
	}
	return x, y
}

// pan looks at the pictures up to number to.
func (s *Store) pan(to int) {
	for ; s.pans.next <= to; s.pans.next++ {
		i := s.pans.next
		cm := s.cells.At(i)
		if cm == nil {
			return // the take ends here
		}
		n := s.pans.note(i)
		*n = panNote{picture: i}
		if before := s.cells.At(i - 1); before != nil {
			n.quiet = s.quiet(cm)
			n.pan, n.lost = s.findPan(i, cm, before, n.quiet)
			if !n.pan.Found {
				s.creep(i, cm, n.quiet)
			}
		}
	}
}

func (s *Store) findPan(i int, cm, before *cells.Map, noise float32) (pan Pan, lost bool) {
	p := &s.pans
	r := &cm.Reduced
	if r.W < 2 || r.H < 2 {
		return Pan{}, false
	}
	if p.all == nil {
		p.all = make([]uint16, len(r.Pix))
		for k := range p.all {
			p.all[k] = 0xffff
		}
	}
	s.detailed(cm, noise)
	moved := 0
	for k := range p.places {
		o := &p.places[k]
		area := cells.Area{Rectangle: o.area, RowStep: denseRows}
		o.still, _ = s.search.Match(r.Pix, before.Reduced.Pix, p.all, r.W, r.H, area, 0, 0)
		if o.still > changed(noise) {
			moved++
		}
	}
	need := p.most()
	if len(p.places) < leastPanPlaces || moved < need {
		return Pan{}, false
	}
	now, then := s.halves.at(s, i), s.halves.at(s, i-1)
	found, n := s.panNear(p.last, r, now, then, noise)
	if n < need && p.idle == 0 {
		p.idle = panPatience
		// The places that moved most, in turn, say where to look.
		slices.SortFunc(p.places, func(a, b panPlace) int { return int(b.still) - int(a.still) })
		for k := 0; k < panSearches && n < need; k++ {
			f := s.search.Find(now, then, p.all, r.W/2, r.H/2, halfArea(p.places[k].area, panStep(r)),
				image.Point{}, image.Pt(reachX, reachY), 2)
			found, n = s.panNear(image.Pt(int(f.DX), int(f.DY)), r, now, then, noise)
		}
	}
	p.idle = max(0, p.idle-1)
	if n < need || found == (image.Point{}) {
		return Pan{}, n < need
	}
	p.last, p.idle = found, 0
	// The whole samples and their fractions, as the median of the places that
	// agree.
	p.x, p.y = p.x[:0], p.y[:0]
	for k, v := range p.votes {
		if !agree(v, found) {
			continue
		}
		area := cells.Area{Rectangle: p.places[k].area, RowStep: denseRows}
		x, y, _ := s.settle(r, &before.Reduced, p.all, area, v.Mul(2))
		p.x, p.y = append(p.x, x), append(p.y, y)
	}
	x, y := p.median()
	return Pan{Found: true, DX: x * float32(r.StepX), DY: y * float32(r.StepY)}, false
}

// creep looks for a pan that is too slow to be told from one picture to the next, and
// notes it for those up to picture i that have none: the background is laid by it, but
// no tile follows it, for a step of less than a sample is no vector.
func (s *Store) creep(i int, cm *cells.Map, noise float32) {
	p, r := &s.pans, &cm.Reduced
	before, half := s.cells.At(i-creepSpan), s.cells.At(i-creepSpan/2)
	if before == nil || len(p.places) < leastPanPlaces {
		return
	}
	shows, rests := 0, 0
	p.x, p.y = p.x[:0], p.y[:0]
	for _, o := range p.places {
		if o.detail < changed(noise) {
			continue // a pan of a sample would not show in it
		}
		shows++
		area := cells.Area{Rectangle: o.area, RowStep: denseRows}
		still, _ := s.search.Match(r.Pix, before.Reduced.Pix, p.all, r.W, r.H, area, 0, 0)
		if still <= changed(noise) {
			rests++
			continue
		}
		from := p.crept
		if from == (image.Point{}) { // half of the way is within a walk from rest
			x, y, _ := s.settle(r, &half.Reduced, p.all, area, from)
			from = image.Pt(samples(2*x, 1), samples(2*y, 1))
		}
		x, y, left := s.settle(r, &before.Reduced, p.all, area, from)
		if left <= explained*still+noise {
			p.x, p.y = append(p.x, x), append(p.y, y)
		}
	}
	p.crept = image.Point{}
	need := max(leastPanPlaces, int(creepShare*float64(shows)), rests+1)
	if len(p.x) < need {
		return
	}
	x, y := p.median()
	n := 0
	for k := range p.x {
		if math.Hypot(float64(p.x[k]-x), float64(p.y[k]-y)) < creepAgree {
			n++
		}
	}
	if n < need || math.Hypot(float64(x), float64(y)) < leastCreep {
		return
	}
	p.crept = image.Pt(samples(x, 1), samples(y, 1))
	pan := Pan{Found: true, DX: x / creepSpan * float32(r.StepX), DY: y / creepSpan * float32(r.StepY)}
	for j := i - creepSpan + 1; j <= i; j++ {
		if n := p.note(j); n.picture == j && !n.pan.Found {
			n.crept = pan
		}
	}
}

// median returns that of what the places settled at, samples.
func (p *pans) median() (x, y float32) {
	middle := func(v []float32) float32 {
		p.sorted = append(p.sorted[:0], v...)
		slices.Sort(p.sorted)
		return p.sorted[len(p.sorted)/2]
	}
	return middle(p.x), middle(p.y)
}

// most is how many places are most of them.
func (p *pans) most() int { return int(panShare*float64(len(p.places))) + 1 }

// panNear matches every place within panChange of a displacement and returns
// the one that most agree on, with their number; 0 where that cannot be most of them.
func (s *Store) panNear(centre image.Point, r *cells.Reduced, now, then []uint16, noise float32) (image.Point, int) {
	p := &s.pans
	p.votes = p.votes[:0]
	need, without := p.most(), 0
	for _, o := range p.places {
		f := s.search.Find(now, then, p.all, r.W/2, r.H/2, halfArea(o.area, panStep(r)), centre, image.Pt(panChange, panChange), 1)
		v := image.Pt(int(f.DX), int(f.DY))
		if f.Residual > explained*f.Still+noise {
			v = nowhere
			if without++; len(p.places)-without < need {
				return image.Point{}, 0 // the others are too few
			}
		}
		p.votes = append(p.votes, v)
	}
	var best image.Point
	most := 0
	for _, v := range p.votes {
		if v == nowhere {
			continue
		}
		n := 0
		for _, o := range p.votes {
			if agree(v, o) {
				n++
			}
		}
		if n > most {
			best, most = v, n
		}
	}
	return best, most
}

// nowhere is the vote of a place that nothing explains.
var nowhere = image.Pt(math.MinInt32, math.MinInt32)

func agree(a, b image.Point) bool {
	d := a.Sub(b)
	return max(d.X, -d.X) <= panAgree && max(d.Y, -d.Y) <= panAgree
}

// detailed fills s.pans.places.
func (s *Store) detailed(cm *cells.Map, noise float32) {
	p := &s.pans
	p.places = p.places[:0]
	r := &cm.Reduced
	tw, th := TileSize(r)
	cols, rows := (cm.Cols+TileCells-1)/TileCells, (cm.Rows+TileCells-1)/TileCells
	depth := uint32(1) << (s.format.Depth - 8)
	least := uint32(texture * noise / cells.Unit8 * float32(cells.Size*cells.Size*TileCells*TileCells))
	for py := range panRows {
		for px := range panCols {
			var best image.Point
			var most uint32
			// Tiles at the rim are left out: a pan carries them off.
			for ty := max(1, py*rows/panRows); ty < min(rows-1, (py+1)*rows/panRows); ty++ {
				for tx := max(1, px*cols/panCols); tx < min(cols-1, (px+1)*cols/panCols); tx++ {
					var detail uint32
					for y := ty * TileCells; y < min(cm.Rows, (ty+1)*TileCells); y++ {
						for x := tx * TileCells; x < min(cm.Cols, (tx+1)*TileCells); x++ {
							c := cm.At(x, y)
							detail += (c.Horizontal + c.Vertical/2) / depth
						}
					}
					if detail > most {
						best, most = image.Pt(tx, ty), detail
					}
				}
			}
			if most <= least {
				continue
			}
			area := image.Rect(best.X*tw, best.Y*th, (best.X+1)*tw, (best.Y+1)*th).Intersect(image.Rect(0, 0, r.W, r.H))
			if area.Dx() >= 4 && area.Dy() >= 4 {
				pixels := cells.Size * cells.Size * TileCells * TileCells
				p.places = append(p.places, panPlace{area: area, detail: float32(most) / float32(pixels) * cells.Unit8})
			}
		}
	}
}

// TileSize is the size of a tile in reduced samples.
func TileSize(r *cells.Reduced) (w, h int) {
	return TileCells * cells.Size / r.StepX, TileCells * cells.Size / r.StepY
}

// panStep is the step from row to row of a place on the halved plane.
func panStep(r *cells.Reduced) int {
	_, th := TileSize(r)
	return max(1, th/2/panPlaceRows)
}

func halfArea(r image.Rectangle, step int) cells.Area {
	return cells.Area{Rectangle: image.Rect(r.Min.X/2, r.Min.Y/2, r.Max.X/2, r.Max.Y/2), RowStep: step}
}

// halves keeps the planes of the newest pictures, halved once and twice, made
// when asked for.
type halves struct {
	ring [backgroundSpan + 3]struct {
		picture, quarter int
		pix, small       []uint16
	}
}

// at returns the halved plane of picture i, W/2 columns and H/2 rows.
func (h *halves) at(s *Store, i int) []uint16 {
	r := &s.cells.At(i).Reduced
	o := &h.ring[i%len(h.ring)]
	if o.pix == nil {
		o.pix, o.small = make([]uint16, (r.W/2)*(r.H/2)), make([]uint16, (r.W/4)*(r.H/4))
		o.picture, o.quarter = -1, -1
	}
	if o.picture != i {
		s.search.Halve(o.pix, r.Pix, r.W, 0, r.H/2)
		o.picture = i
	}
	return o.pix
}

// quarter returns the plane of picture i halved twice, W/4 columns and H/4
// rows.
func (h *halves) quarter(s *Store, i int) []uint16 {
	pix := h.at(s, i)
	o := &h.ring[i%len(h.ring)]
	if r := &s.cells.At(i).Reduced; o.quarter != i {
		s.search.Halve(o.small, pix, r.W/2, 0, r.H/4)
		o.quarter = i
	}
	return o.small
}
