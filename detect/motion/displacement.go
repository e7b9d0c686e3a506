package motion

import (
	"cmp"
	"image"
	"math"
	"slices"

	"setwitness/detect/cells"
)

const (
	// So many squares of 2x2 samples have to stand out in a tile before it can
	// be matched: a disc of 4 samples across has 5, scattered noise none.
	leastStandOut = 5
	// A displacement explains a tile when it leaves no more than this share
	// of the difference without it, beside noise.
	explained = 0.45
	// followed is the same for a displacement that needs no further search.
	followed = 0.25
	// sparse is the share of a tile that stands out below which a thing is
	// taken to be small, and matched with what reaches into the next tiles:
	// the edge of a disc alone fits anywhere.
	sparse = 0.25
	// reach of a full search in samples of the halved plane: 80 and 48
	// reduced samples, or where these are fewer down the picture, as much of it
	// as that is of 540: 160 and 96 pixels of a 1080-line raster.
	reachX, reachY, reachOf = 40, 24, 540 / 2
	// fullSearches bounds the cost of a picture in which nothing is
	// predictable (a cut, a shaken camera). Places that were lost in the picture before
	// as well share fewer, down to fewestSearches, the longer none of them is found: what
	// flickers, turns or boils has no displacement, and a search finds none each time.
	fullSearches, fewestSearches = 8, 3
	// A place that a full search could not explain gives way to others for
	// this many pictures; a ball in flight crosses a tile in three or four.
	patience = 2
	// memory is how many pictures back a thing's vector is still tried near
	// where it was: bursts of wrong pictures are mostly shorter.
	memory = 3
	// So many squares that stand out are large: a disc of 10 samples across,
	// which is still one when the plane is halved twice.
	largeStandOut = 64
	// Every second row is enough where much stands out, and to find the
	// neighbourhood of the best displacement.
	denseRows, searchRows = 2, 2
	// The way from a full search to the whole sample is no longer than this.
	longestWalk = 4
	// A slow thing that nothing led to is found by a walk from rest, which a
	// place may take in one of so many pictures.
	walkTurns = 4
)

// guesses are the displacements, in reduced samples, that are worth a try.
type guesses struct {
	list    []image.Point
	popular []image.Point // of the picture before
	votes   []image.Point
}

// matcher is one picture being matched with the one before.
type matcher struct {
	s    *Store
	t    int
	r, p *cells.Reduced
	m    *Map
	last *Map
}

// lost is a thing that no guess explains.
type lost struct {
	x, y int     // tile
	seen float32 // how much of it is to be seen: difference times squares
}

func (s *Store) displacements(t int, cm, before *cells.Map, m *Map) {
	r := &cm.Reduced
	k := matcher{s: s, t: t, r: r, p: &before.Reduced, m: m, last: s.At(t - 1)}
	s.lost = s.lost[:0]
	for ty := range m.Rows {
		for tx := range m.Cols {
			if m.At(tx, ty).Changed == 0 {
				continue
			}
			if k.thing(tx, ty, false); !m.At(tx, ty).Thing {
				k.follows(tx, ty)
			}
		}
	}
	if r.W >= 2 && r.H >= 2 { // else too thin to halve
		k.searchLost()
	}
	s.vote(m, r)
}

// searchLost searches for the most conspicuous of what no guess explained, and
// tries what that gives on the rest.
func (k *matcher) searchLost() {
	s := k.s
	slices.SortFunc(s.lost, func(a, b lost) int { return cmp.Compare(b.seen, a.seen) })
	searches, again, found := 0, 0, false
	for _, l := range s.lost {
		at := l.y*k.m.Cols + l.x
		stays := s.lostAt[at] == k.t-1
		s.lostAt[at] = k.t
		if s.patience[at] > 0 {
			s.patience[at]--
			continue
		}
		if searches == fullSearches || stays && again >= s.searches {
			continue
		}
		searches++
		if stays {
			again++
		}
		if k.thing(l.x, l.y, true); k.m.At(l.x, l.y).Moving {
			found = true
		} else {
			s.patience[at] = patience
		}
	}
	if !found {
		s.searches = max(fewestSearches, s.searches/2)
		return
	}
	s.searches = fullSearches
	for _, l := range s.lost {
		if !k.m.At(l.x, l.y).Moving {
			k.thing(l.x, l.y, false)
		}
	}
}

// area is a tile in reduced samples.
func (k *matcher) area(tx, ty int) image.Rectangle {
	tw, th := TileSize(k.r)
	return image.Rect(tx*tw, ty*th, (tx+1)*tw, (ty+1)*th).Intersect(image.Rect(0, 0, k.r.W, k.r.H))
}

// follows asks whether a tile goes with the pan.
func (k *matcher) follows(tx, ty int) {
	if !k.m.Pan.Found {
		return
	}
	tile := k.m.At(tx, ty)
	area := cells.Area{Rectangle: k.area(tx, ty), RowStep: denseRows}
	all := k.s.pans.all
	tile.Still, _ = k.s.search.Match(k.r.Pix, k.p.Pix, all, k.r.W, k.r.H, area, 0, 0)
	if tile.Still < k.m.Noise+changeFloor {
		return
	}
	pan := image.Pt(samples(k.m.Pan.DX, k.r.StepX), samples(k.m.Pan.DY, k.r.StepY))
	x, y, residual := k.s.settle(k.r, k.p, all, area, pan)
	tile.Residual = residual
	if residual > explained*tile.Still+k.m.Noise || (x == 0 && y == 0) {
		return
	}
	tile.Moving, tile.DX, tile.DY = true, x*float32(k.r.StepX), y*float32(k.r.StepY)
}

// thing matches what stands out in a tile: by guesses and, if asked for, by a
// full search. What nothing explains is noted as lost, unless it was searched.
func (k *matcher) thing(tx, ty int, search bool) {
	s, r, p, m := k.s, k.r, k.p, k.m
	tile := m.At(tx, ty)
	match := func(a cells.Area, d image.Point) (float32, int) {
		return s.search.Match(r.Pix, p.Pix, m.StandsOut, r.W, r.H, a, d.X, d.Y)
	}
	standing := s.standing[ty*m.Cols+tx]
	if standing < leastStandOut {
		return
	}
	rect := k.area(tx, ty)
	area := cells.Area{Rectangle: rect, RowStep: 1}
	still, n := match(area, image.Point{})
	if still < m.Noise+changeFloor {
		return
	}
	tile.Thing, tile.Still = true, still
	tw, th := TileSize(r)
	if float64(n) < sparse*float64(tw*th) {
		area.Rectangle = rect.Inset(-tw / 2).Intersect(image.Rect(0, 0, r.W, r.H))
		area = s.search.Sparse(m.StandsOut, r.W, area, &s.sparse)
		still, n = match(area, image.Point{})
	} else {
		area.RowStep = denseRows
		n /= denseRows
	}
	best, residual := image.Point{}, still
	try := func(d image.Point) {
		if res, c := match(area, d); c*4 >= n*3 && res < residual && k.stood(area, d) {
			best, residual = d, res
		}
	}
	for _, d := range k.guesses(tx, ty) {
		if try(d); residual <= followed*still+m.Noise {
			break
		}
	}
	if search {
		try(k.fullSearch(area.Rectangle, standing))
	}
	// What nothing explains is walked after in turn only.
	if residual > explained*still+m.Noise && (best == image.Point{}) && !search && (k.t+ty*m.Cols+tx)%walkTurns != 0 {
		tile.Residual = residual
		s.lost = append(s.lost, lost{tx, ty, still * float32(standing)})
		return
	}
	x, y, residual := s.settle(r, p, m.StandsOut, area, best)
	tile.Residual = residual
	if residual > explained*still+m.Noise || (best == image.Point{} && x == 0 && y == 0) {
		if !search {
			s.lost = append(s.lost, lost{tx, ty, still * float32(standing)})
		}
		return
	}
	tile.Moving, tile.DX, tile.DY = true, x*float32(r.StepX), y*float32(r.StepY)
}

// stood reports whether most of what stands out in an area did so in the picture before as
// well, displaced by d. A background that happens to be as bright as a small thing did
// not; what is displaced by less than half a tile may lie in front of its own place.
func (k *matcher) stood(area cells.Area, d image.Point) bool {
	tw, th := TileSize(k.r)
	if k.last == nil || !k.last.HasBackground || max(d.X, -d.X) < tw/2 && max(d.Y, -d.Y) < th/2 {
		return true
	}
	in := area.Add(image.Pt(-d.X, -d.Y)).Intersect(image.Rect(0, 0, k.r.W, k.r.H)).Add(d)
	all, stood := 0, 0
	for y := in.Min.Y; y < in.Max.Y; y++ {
		now := k.m.StandsOut[y*k.r.W:]
		then := k.last.StandsOut[(y-d.Y)*k.r.W:]
		for x := in.Min.X; x < in.Max.X; x++ {
			if now[x] != 0 {
				all++
				if then[x-d.X] != 0 {
					stood++
				}
			}
		}
	}
	return 2*stood >= all
}

// fullSearch returns the best displacement of all within reach, to a sample of
// the halved plane. A thing of which much stands out is searched for on the
// plane halved twice, which costs a sixteenth.
func (k *matcher) fullSearch(rect image.Rectangle, standing uint32) image.Point {
	s := k.s
	w, h := k.r.W/2, k.r.H/2
	reach := image.Pt(reachX, min(reachY, (h*reachY+reachOf-1)/reachOf))
	now, then := s.halves.at(s, k.t), s.halves.at(s, k.t-1)
	if s.halfMask == nil {
		s.halfMask, s.quarterMask = make([]uint16, w*h), make([]uint16, (w/2)*(h/2))
	}
	area := halfArea(rect, 1)
	s.search.HalveMask(s.halfMask, k.m.StandsOut, k.r.W, area.Min.Y, min(area.Max.Y, h))
	var start image.Point
	if quarter := image.Rect(area.Min.X/2, area.Min.Y/2, area.Max.X/2, area.Max.Y/2); standing >= largeStandOut && !quarter.Empty() {
		s.search.HalveMask(s.quarterMask, s.halfMask, w, quarter.Min.Y, quarter.Max.Y)
		f := s.search.Find(s.halves.quarter(s, k.t), s.halves.quarter(s, k.t-1), s.quarterMask, w/2, h/2,
			cells.Area{Rectangle: quarter, RowStep: 1}, image.Point{}, reach.Div(2), 1)
		start = image.Pt(2*int(f.DX), 2*int(f.DY))
	} else {
		area.RowStep = searchRows
		f := s.search.Find(now, then, s.halfMask, w, h, area, image.Point{}, reach, 2)
		start = image.Pt(int(f.DX), int(f.DY))
	}
	f := s.search.Find(now, then, s.halfMask, w, h, area, start, image.Pt(1, 1), 1)
	return image.Pt(int(f.DX)*2, int(f.DY)*2)
}

// guesses lists displacements worth a try for a tile: of its neighbours in
// this picture, of the same place in the picture before, and the popular ones.
func (k *matcher) guesses(tx, ty int) []image.Point {
	g := &k.s.guesses
	g.list = g.list[:0]
	add := func(t *Tile) {
		if t.Moving {
			p := image.Pt(samples(t.DX, k.r.StepX), samples(t.DY, k.r.StepY))
			if !slices.Contains(g.list, p) {
				g.list = append(g.list, p)
			}
		}
	}
	if tx > 0 {
		add(k.m.At(tx-1, ty))
	}
	if ty > 0 {
		add(k.m.At(tx, ty-1))
	}
	if k.last != nil {
		add(k.last.At(tx, ty))
		for _, d := range [4]image.Point{{-1, 0}, {1, 0}, {0, -1}, {0, 1}} {
			if x, y := tx+d.X, ty+d.Y; x >= 0 && x < k.m.Cols && y >= 0 && y < k.m.Rows {
				add(k.last.At(x, y))
			}
		}
	}
	// A blend or a weave has no vector of its own: those before it may still
	// hold after it.
	for back := 2; back <= memory; back++ {
		m := k.s.At(k.t - back)
		if m == nil {
			break
		}
		for v := max(0, ty-1); v <= min(m.Rows-1, ty+1); v++ {
			for u := max(0, tx-1); u <= min(m.Cols-1, tx+1); u++ {
				if t := m.At(u, v); t.Thing {
					add(t)
				}
			}
		}
	}
	for _, p := range g.popular {
		if !slices.Contains(g.list, p) {
			g.list = append(g.list, p)
		}
	}
	return g.list
}

// samples is a length in raster pixels as the nearest whole number of samples.
func samples(px float32, step int) int { return int(math.Round(float64(px) / float64(step))) }

// vote keeps the two commonest displacements for the next picture.
func (s *Store) vote(m *Map, r *cells.Reduced) {
	g := &s.guesses
	g.votes, g.popular = g.votes[:0], g.popular[:0]
	for i := range m.Tiles {
		if t := &m.Tiles[i]; t.Moving {
			g.votes = append(g.votes, image.Pt(samples(t.DX, r.StepX), samples(t.DY, r.StepY)))
		}
	}
	slices.SortFunc(g.votes, func(a, b image.Point) int {
		if a.X != b.X {
			return a.X - b.X
		}
		return a.Y - b.Y
	})
	var most, second int
	var first, other image.Point
	for from := 0; from < len(g.votes); {
		to := from
		for to < len(g.votes) && g.votes[to] == g.votes[from] {
			to++
		}
		switch n := to - from; {
		case n > most:
			other, second = first, most
			first, most = g.votes[from], n
		case n > second:
			other, second = g.votes[from], n
		}
		from = to
	}
	if most > 0 {
		g.popular = append(g.popular, first)
	}
	if second > 0 {
		g.popular = append(g.popular, other)
	}
}

// settle walks downhill from a displacement to the whole sample with the least
// residual and refines it by a parabola through the residuals on either side,
// along each axis.
func (s *Store) settle(r, p *cells.Reduced, mask []uint16, area cells.Area, start image.Point) (x, y, residual float32) {
	const unknown = math.MaxFloat32
	best := start
	var around [5]float32 // here and to the left, right, above and below
	for step := 0; ; step++ {
		mean, n := s.search.Around(r.Pix, p.Pix, mask, r.W, r.H, area, best.X, best.Y)
		least := 0
		for i := range around {
			if around[i] = mean[i]; n[i] == 0 {
				around[i] = unknown
			}
			if around[i] < around[least] {
				least = i
			}
		}
		if least == 0 || step == longestWalk {
			break
		}
		best = best.Add(sides[least])
	}
	residual = around[0]
	vertex := func(lo, mid, hi float32) float32 {
		bend := lo - 2*mid + hi
		if bend <= 0 || lo < mid || hi < mid || lo == unknown || hi == unknown {
			return 0
		}
		return (lo - hi) / (2 * bend)
	}
	return float32(best.X) + vertex(around[1], residual, around[2]),
		float32(best.Y) + vertex(around[3], residual, around[4]), residual
}

// sides are the steps of a walk, in the order of cells.Search.Around.
var sides = [5]image.Point{{}, {-1, 0}, {1, 0}, {0, -1}, {0, 1}}
