package macroblocking

import (
	"cmp"
	"image"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/cells"
)

// judge says which tiles of a look show a grid, and whether that is blocks.
type judge struct {
	setup      *detect.Setup
	cols, rows int     // tiles
	unit       float64 // one 8-bit code in the unit of Size and Sign of a band
	code       float64 // one 8-bit code in codes of the take
	least      float64 // 8-bit codes that the largest steps of a finding exceed
	axes, near [2][]sums
	line       []sums
	across     []int32
	shows      []bool
	alone      int          // the axis that shows the grid by itself, or neither
	perCode    [256]float64 // JND of a step of one 8-bit code, by 8-bit luma
	perPitch   float64
	jnds       []float64
	edges      []edge
	folded     []float64
	places     []float64 // of a band, where a grid shows
	pairs      [][2]float64
	steps      []float64 // of a grid, in each look
	sizes      []int16   // of a tile's edges
}

// neither axis shows the grid by itself: both do.
const neither = -1

func newJudge(s *detect.Setup, cols, rows int) judge {
	j := judge{setup: s, cols: cols, rows: rows, alone: neither}
	j.unit = float64(cells.GridUnit(s.Format.Depth) * cells.GridBand)
	j.code = float64(int(1) << (s.Format.Depth - 8))
	const finer = 0.75 // of a take of more than 8 bits, whose coders round as coarsely
	switch j.least = s.Option(leastStep); {
	case s.Viewer.Camera:
		j.least = 0 // it averages pictures of a signal that is not known
	case j.code > 1:
		j.least *= finer
	}
	for a := range j.axes {
		j.axes[a], j.near[a] = make([]sums, cols*rows), make([]sums, cols*rows)
	}
	j.line = make([]sums, max(cols, rows))
	j.shows = make([]bool, cols*rows)
	return j
}

const (
	// leastZ is how sure a tile with those around it has to be on the mean of
	// both axes, in standard deviations, and weakZ along each: of five hundred
	// tiles, chance gives that once in a million looks, but textures are no
	// noise.
	leastZ, weakZ = 5, 2.5
	// wholeZ is how sure all tiles that show a grid have to be together, along each
	// axis: the few edges of one thing that happen to lie on it are not.
	wholeZ = 6.5
	// againZ is how sure the tiles in which several looks together showed a grid
	// have to be in one of them, along each axis: where and which grid are known
	// then, and chance gives that along both axes never.
	againZ = 4
	// leastContrast is how much larger than beside a step on the grid has to be
	// along each axis: below, steps are less than half of what else there is (in
	// squares), and nobody sees them.
	leastContrast = 1.1
	// filmContrast is the same in a film: the place is smooth, but for the grid.
	filmContrast = 1.25
	// Where a scene hides the edges along one axis (planks of a floor), the other
	// may show the grid alone, but surer, if along the hidden one all of those
	// tiles together show it, as steps or as steps that do not go on: hiddenZ, and
	// less once a grid is known. One that shows by more than mostHiddenZ is not
	// hidden, and was judged.
	aloneZ, aloneContrast = 7, 1.4
	hiddenZ, hiddenKnownZ = 5, 2.5
	mostHiddenZ           = 20
	// aloneShare is the share of the picture that then has to show it: what a
	// single thing has by chance along one axis is not so large.
	aloneShare = 0.15
	// aloneWeight is what a tile counts where one axis shows the grid: both say
	// more, and more surely which grid it is.
	aloneWeight = 0.25
	// leastTiles is how many tiles have to show a grid: with fewer, one thing with
	// a few edges is enough.
	leastTiles = 6
	// Of tiles, also those count whose steps are seen less than the finding has to
	// be, for what shows there is the same grid.
	leastShare = 0.3
)

// tell fills shows with the tiles in which a profile, the sum of several looks,
// shows a grid along both axes, and returns how many they are: 0 where they are
// too few.
func (j *judge) tell(luma []float64, looks float64) int {
	j.alone = neither
	n := 0
	for i := range j.shows {
		p, q := &j.near[0][i], &j.near[1][i]
		u, v := p.z(), q.z()
		j.shows[i] = min(u, v) > weakZ && u*u+v*v > 2*leastZ*leastZ &&
			min(p.contrast(), q.contrast()) > j.contrast() && j.seen(i, luma, looks)
		if j.shows[i] {
			n++
		}
	}
	across, down := j.whole(0), j.whole(1)
	if n < leastTiles || min(across.z(), down.z()) <= wholeZ {
		return 0
	}
	return n
}

// tellAgain is tell for one look, in the tiles that several looks together showed.
func (j *judge) tellAgain(luma []float64, within []bool) int {
	j.alone = neither
	copy(j.shows, within)
	across, down := j.whole(0), j.whole(1)
	if min(across.z(), down.z()) <= againZ {
		return 0
	}
	n := 0
	for i, ok := range within {
		j.shows[i] = ok && min(j.near[0][i].z(), j.near[1][i].z()) > 0 && j.seen(i, luma, 1)
		if j.shows[i] {
			n++
		}
	}
	if n < leastTiles {
		return 0
	}
	return n
}

// tellAlone is tell where axis a shows the grid and the other hardly does.
func tellAlone[T int16 | int32](j *judge, at func(axis, band int) profile[T], g grid, a int, luma []float64, looks float64, known bool) int {
	least := float64(hiddenZ)
	if known {
		least = hiddenKnownZ
	}
	j.alone = a
	n := 0
	var hidden sums
	for i := range j.shows {
		s := &j.near[a][i]
		if j.shows[i] = s.z() > aloneZ && s.contrast() > aloneContrast && j.seen(i, luma, looks); j.shows[i] {
			n++
			hidden.add(&j.axes[1-a][i])
		}
	}
	if float64(n) < max(leastTiles, aloneShare*float64(len(j.shows))) || hidden.z() > mostHiddenZ {
		return 0
	}
	// Few grids come this far, and what does not go on is dear.
	if hidden.z() <= least && crossed(j, at, g, 1-a) <= least {
		return 0
	}
	return n
}

// load gathers the profiles of one look, or the sum of several, on a grid.
func load[T int16 | int32](j *judge, at func(axis, band int) profile[T], g grid) {
	for b := range j.rows {
		gather(g[0], j.axes[0][b*j.cols:(b+1)*j.cols], at(0, b))
	}
	for b := range j.cols {
		gather(g[1], j.line[:j.rows], at(1, b))
		for y := range j.rows {
			j.axes[1][y*j.cols+b] = j.line[y]
		}
	}
	j.prepare(g)
	for a := range j.near {
		for i := range j.shows {
			j.near[a][i] = j.around(a, i)
		}
	}
}

// crossed is how sure the tiles that show a grid are, all together, along axis a by
// what of the profiles does not go on along the lines of the grid.
func crossed[T int16 | int32](j *judge, at func(axis, band int) profile[T], g grid, a int) float64 {
	bands, along := j.rows, j.cols
	if a == 1 {
		bands, along = along, bands
	}
	var all sums
	for b := range bands {
		p := at(a, b)
		j.across = crossing(j.across, p)
		gather(g[a], j.line[:along], profile[int32]{edge: j.across, size: j.across})
		for x := range along {
			i := b*j.cols + x
			if a == 1 {
				i = x*j.cols + b
			}
			if j.shows[i] {
				all.add(&j.line[x])
			}
		}
	}
	return all.z()
}

// whole sums all tiles that show a grid.
func (j *judge) whole(a int) (s sums) {
	for i, ok := range j.shows {
		if ok {
			s.add(&j.axes[a][i])
		}
	}
	return s
}

// box is that of all tiles that show a grid, pixels.
func (j *judge) box() (box image.Rectangle) {
	for i, ok := range j.shows {
		if ok {
			x, y := i%j.cols*tile, i/j.cols*tile
			box = box.Union(image.Rect(x, y, x+tile, y+tile))
		}
	}
	return box
}

// around sums a tile and those next to it.
func (j *judge) around(a, i int) (s sums) {
	x, y := i%j.cols, i/j.cols
	for v := max(y-1, 0); v <= min(y+1, j.rows-1); v++ {
		for u := max(x-1, 0); u <= min(x+1, j.cols-1); u++ {
			s.add(&j.axes[a][v*j.cols+u])
		}
	}
	return s
}

// seen reports whether the steps of a tile can be seen at all.
func (j *judge) seen(i int, luma []float64, looks float64) bool {
	perUnit := j.jnd(luma[i]) / (j.unit * looks)
	p, q := &j.near[0][i], &j.near[1][i]
	return masked(max(j.rise(p), j.rise(q))*perUnit, j.others(p, q)*perUnit) > leastShare*leastVisible
}

// others is the mean step beside the grid, along both axes: a fence hides steps across
// its pickets as well as those beside them, as noise does that has no direction.
func (j *judge) others(p, q *sums) float64 { return (j.beside(p) + j.beside(q)) / 2 }

// rise is the step of s, and beside what there is besides. In a film both have
// gone through a lens and a codec that smear the one into the other: what is
// larger by a little is none, and what there is beside hides nothing from those
// who watch the set, for it is the camera's.
func (j *judge) rise(s *sums) float64 {
	if j.setup.Viewer.Camera {
		return max(s.step(), 0)
	}
	return s.rise()
}

func (j *judge) beside(s *sums) float64 {
	if j.setup.Viewer.Camera {
		return 0
	}
	return s.beside()
}

// contrast is what leastContrast is for the take.
func (j *judge) contrast() float64 {
	if j.setup.Viewer.Camera {
		return filmContrast
	}
	return leastContrast
}

// masked is how many JND a step has among others of the scene, of which each
// would have so many by itself: what is seen at all hides what is less (Barten
// 1999, noise adds to the eye's own in squares).
func masked(step, others float64) float64 { return step / math.Hypot(1, others) }

// prepare makes jnd one of steps between blocks of a grid.
func (j *judge) prepare(g grid) {
	// Pitches that differ by less are told apart by nobody.
	const same = 0.1 // pixels
	pitch := math.Sqrt(g[0].pitch * g[1].pitch)
	if math.Abs(pitch-j.perPitch) < same {
		return
	}
	j.perPitch = pitch
	j.perCode = [256]float64{}
}

// pair is how many blocks an edge is seen by: the two that it parts.
const pair = 2

// jnd is the JND of a step of one 8-bit code between blocks of a luma.
func (j *judge) jnd(luma float64) float64 {
	i := min(max(int(luma/j.code), 0), len(j.perCode)-1)
	if j.perCode[i] == 0 {
		v := j.setup.Viewer
		j.perCode[i] = v.Patch((float64(i)+1)*j.code, float64(i)*j.code, pair*v.Degrees(j.perPitch))
	}
	return j.perCode[i]
}

// weigh is how much of the sum of several looks shows a grid, and by how large steps: the
// take's own coder leaves its grid everywhere, of which little is seen, and would hide a
// burst of another's.
func (j *judge) weigh(s *searcher, looks []*look, g grid, known bool) float64 {
	at := func(a, b int) profile[int32] { return s.sum[a][b] }
	luma, n := looks[len(looks)-1].luma, float64(len(looks))
	load(j, at, g)
	var total float64
	if j.tell(luma, n) > 0 {
		for i, ok := range j.shows {
			if ok {
				total += min(j.near[0][i].z(), j.near[1][i].z()) * (j.rise(&j.near[0][i]) + j.rise(&j.near[1][i]))
			}
		}
		return total
	}
	for a := range g {
		if tellAlone(j, at, g, a, luma, n, known) == 0 {
			continue
		}
		for i, ok := range j.shows {
			if ok {
				total += j.near[a][i].z() * j.rise(&j.near[a][i]) * aloneWeight
			}
		}
		return total
	}
	return 0
}

// tellLook returns how many tiles of one look show a grid that is blocks, of
// those within which several looks together showed it.
func (j *judge) tellLook(k *look, g grid, known bool, within []bool) int {
	at := func(a, b int) profile[int16] { return one(&k.axes[a][b]) }
	load(j, at, g)
	if len(within) > 0 {
		n := 0
		if j.setup.Viewer.Camera {
			// Its codec carries what is faint from one picture over to the next, so
			// that a look has to show the grid by itself.
			n = j.tell(k.luma, 1)
		} else {
			n = j.tellAgain(k.luma, within)
		}
		if n > 0 && j.blocks(k, g) {
			return n
		}
	}
	for a := range g {
		if n := tellAlone(j, at, g, a, k.luma, 1, known); n > 0 && j.blocks(k, g) {
			return n
		}
	}
	j.alone = neither
	return 0
}

// traits are what tells blocks from what a scene shows, along one axis, of the
// edges in tiles that show the grid, each as long as a tile.
type traits struct {
	// step is how much larger than beside a step is, in 8-bit codes.
	step float64
	// aligned is the share of a step that has one sign over the length of a tile:
	// all of it for joints and bars, none for a chequered cloth.
	aligned float64
	// lasts is how much of the step is left some pixels on: none of a line, after
	// which the level is the same as before.
	lasts float64
	// flat is how much of it is left in the middle of the next block: none of dots.
	flat float64
	// wide is the width of a step, as a share of the pitch, with the slope that
	// goes on in the middle of the blocks on either side taken off.
	wide float64
	// turns is how steps follow each other along a line: -1 up and down by turns,
	// as bars do, -1/2 for levels by chance, 1 always up or always down, as a slope
	// in blocks does.
	turns float64
}

// Limits of traits. Blocks of which two and more lie along a tile have steps
// that neither all agree nor cancel, but where the scene is a slope in which
// steps are small.
const (
	// leastAligned is the share of what chance leaves of steps with either sign: of
	// n along a tile the root of n. Less means that they take turns down the tile.
	leastAligned = 0.52
	mostAligned  = 0.85
	// slopeStep is as large as steps then are, 8-bit codes. Along one axis at least they go
	// on in one direction more often than back: those of large pixels do along none.
	slopeStep  = 2.5
	leastLasts = 0.3
	leastFlat  = 0.3 // of steps that are all aligned; what blocks hold may hide it
	leastTurns = -0.85
	// mostWide is the share of the pitch over which a step goes on as Sign shows it,
	// on the mean of the axes, and widest along either: a coder's is two pixels of
	// eight wide, and three of seven where it was scaled down, while what a texture
	// blends from one point of a lattice to the next is as steep only over two
	// thirds of the way. A lens widens both.
	mostWide, widest = 0.5, 0.6
	// mostStep, in 8-bit codes: coders that leave more on average in places that
	// should be smooth are not met with (MPEG-2, H.264 and JPEG at their worst leave 4.7
	// of real clips); mosaics and pictures of large pixels are.
	mostStep = 8
	// mostEdge is the step of a single edge above which it is the scene's: one
	// border of a thing on the grid must not speak for hundreds of blocks.
	mostEdge = 3 * mostStep
)

// blocks reports whether the tiles of a look that show a grid show blocks.
func (j *judge) blocks(k *look, g grid) bool {
	var wide, axes float64
	both := [...]traits{j.traits(k, g[0], 0), j.traits(k, g[1], 1)}
	rises := j.alone == neither && max(both[0].turns, both[1].turns) > 0
	for a, t := range both {
		slope := rises && t.step <= slopeStep
		// As many steps lie along a tile as there are blocks along the other axis.
		chance := math.Sqrt(g[1-a].pitch / tile)
		if t.aligned < leastAligned*min(1, chance) {
			return false
		}
		if j.alone == 1-a {
			continue // what else the steps there are like is the scene's
		}
		if t.aligned > mostAligned && !slope ||
			t.lasts < leastLasts || t.aligned > mostAligned && t.flat < leastFlat || t.turns < leastTurns || t.step > mostStep {
			return false
		}
		if wide += t.wide; t.wide > widest && !j.setup.Viewer.Camera {
			return false
		}
		axes++
	}
	return j.setup.Viewer.Camera || wide <= mostWide*axes
}

// tileOf is the tile of a place along a band of an axis.
func (j *judge) tileOf(a, band int, at float64) int {
	along := int(at+1) / tile
	if a == 0 {
		return band*j.cols + min(along, j.cols-1)
	}
	return min(along, j.rows-1)*j.cols + band
}

func (j *judge) traits(k *look, c comb, a int) traits {
	var signs, sizes, near, net, slope, squares, products float64
	period := int(math.Round(c.pitch))
	// A line of a pixel has s beside it up to three boundaries away.
	const reach = 3
	for b := range k.axes[a] {
		p := one(&k.axes[a][b])
		before, ok := 0.0, false
		c.on(len(p.edge), func(_ int, at float64) {
			if !j.shows[j.tileOf(a, b, at)] {
				ok = false
				return
			}
			x := int(at + 0.5)
			if float64(p.size[x]) > mostEdge*j.unit {
				ok = false
				return
			}
			sign := float64(p.sign[x])
			signs += math.Abs(sign)
			sizes += float64(p.size[x])
			change := func(from, to int) (sum float64) {
				for i := max(from, 0); i < min(to, len(p.sign)); i++ {
					sum += float64(p.sign[i])
				}
				return math.Copysign(1, sign) * sum
			}
			near += change(x-reach, x+reach+1)
			net += change(x-period/2, x-period/2+period)
			slope += (change(x-period/2, x-period/2+1) + change(x-period/2+period, x-period/2+period+1)) / 2
			if ok {
				products += sign * before
				squares += (sign*sign + before*before) / 2
			}
			before, ok = sign, true
		})
	}
	all := j.whole(a)
	// s of a sharp step sums to twice its largest.
	return traits{step: all.step() / j.unit, aligned: share(signs, sizes),
		lasts: share(near, 2*signs), flat: share(net, 2*signs), turns: share(products, squares),
		wide: share(net-float64(period)*slope, signs-slope) / c.pitch}
}

// share is a/b, or 0 of nothing.
func share(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return a / b
}

// lopsided is how many times the smaller of the steps along the two axes, of a tile
// and those around it, counts at most: a coder's are about as large along both,
// while a thing that lies on the grid by chance lies along one.
const lopsided = 2

// What is seen of blocks is where they are seen best: the strength is what a
// twentieth of the tiles that show the grid have, and three at least, since one
// or two may have a thing on the grid.
const visibleShare, visibleTiles = 20, 3

// strength is the JND of what is seen of the grid, and the mean step in 8-bit
// codes.
func (j *judge) strength(k *look, g grid) (jnd, codes float64) {
	j.jnds = j.jnds[:0]
	for i, ok := range j.shows {
		if !ok {
			continue
		}
		step, others := j.step(k, g, i)
		codes += step
		perCode := j.jnd(k.luma[i])
		j.jnds = append(j.jnds, masked(step*perCode, others*perCode))
	}
	slices.Sort(j.jnds)
	n := len(j.jnds)
	return j.jnds[n-max(n/visibleShare, visibleTiles)], codes / float64(n)
}

// step is the step of a tile's blocks, and that of what else there is, in 8-bit
// codes.
func (j *judge) step(k *look, g grid, i int) (step, others float64) {
	p, q := &j.axes[0][i], &j.axes[1][i]
	if j.alone != neither {
		step = j.rise(&j.axes[j.alone][i])
	} else {
		if j.setup.Viewer.Camera {
			step = (j.rise(p) + j.rise(q)) / 2
		} else {
			step = math.Sqrt(max((p.square()+q.square())/2, 0))
		}
		if most := lopsided * min(j.rise(&j.near[0][i]), j.rise(&j.near[1][i])); step > most {
			step = max(most, min(step, j.common(k, g, i)))
		}
	}
	return step / j.unit, j.others(p, q) / j.unit
}

// mostSlope is by how much a slope that is coded as blocks goes on beside their steps at
// most, codes of 8 bits a sample: eight in a block of 16, which are more than its own step.
// Fine lines differ by more everywhere, also where a block ends.
const mostSlope = 0.5

// common is the step that half of a tile's edges exceed along the axis that has most, for
// both: a slope has its steps along the axis that it rises along, at nearly every edge,
// while a thing has one or two.
func (j *judge) common(k *look, g grid, i int) float64 {
	a, band, from := 0, i/j.cols, i%j.cols*tile
	if j.axes[1][i].square() > j.axes[0][i].square() {
		a, band, from = 1, i%j.cols, i/j.cols*tile
	}
	j.sizes = j.sizes[:0]
	size := k.axes[a][band].Size
	at := g[a].phase - 1
	for at += g[a].pitch * math.Ceil((float64(from-1)-at)/g[a].pitch); at < float64(min(from+tile, len(size))-1); at += g[a].pitch {
		if at >= 0 {
			j.sizes = append(j.sizes, max(size[int(at)], size[int(at)+1]))
		}
	}
	if len(j.sizes) == 0 {
		return 0
	}
	slices.Sort(j.sizes)
	half, beside := float64(j.sizes[(len(j.sizes)-1)/2]), j.axes[a][i].beside()
	if beside > mostSlope*j.unit {
		return 0
	}
	return math.Sqrt(max(half*half-beside*beside, 0) / 2)
}

const (
	// smoothStep is the mean step beside a grid, 8-bit codes, up to which a tile is
	// smooth: three of four neighbours are equal where steps are of a code.
	smoothStep = 0.25
	// plainContrast is how much larger than beside the steps on a grid are in a tile
	// that is not smooth and yet says by itself how large they are: lights that lie
	// on the grid by chance are one of many.
	plainContrast = 2
)

// plain reports whether a tile that shows the grid says by itself how large its
// steps are.
func (j *judge) plain(i int) bool {
	p, q := &j.axes[0][i], &j.axes[1][i]
	return max(p.beside(), q.beside()) < smoothStep*j.unit || min(j.near[0][i].contrast(), j.near[1][i].contrast()) > plainContrast
}

// top is what a twentieth of the edges of the grid exceed, each as long as a tile
// and in one that shows the grid: the step in 8-bit codes, and its JND. The mean of
// all says less of what is seen, for many edges have no step. plain is the step in
// the plain ones of the tiles, if they are enough.
func (j *judge) top(k *look, g grid) (codes, jnd, plain float64) {
	tiles := 0
	for i, ok := range j.shows {
		if ok && j.plain(i) {
			tiles++
		}
	}
	j.edges = j.edges[:0]
	for a := range g {
		if j.alone == 1-a {
			continue
		}
		for b := range k.axes[a] {
			p := one(&k.axes[a][b])
			g[a].on(len(p.edge), func(_ int, at float64) {
				i := j.tileOf(a, b, at)
				// A scaled edge lies between two boundaries.
				size := float64(max(p.size[int(at)], p.size[int(at)+1]))
				if !j.shows[i] || size > mostEdge*j.unit {
					return
				}
				beside := j.axes[a][i].beside()
				step, perCode := math.Sqrt(max(size*size-beside*beside, 0))/j.unit, j.jnd(k.luma[i])
				others := j.others(&j.axes[0][i], &j.axes[1][i]) / j.unit
				j.edges = append(j.edges, edge{step, masked(step*perCode, others*perCode), j.plain(i)})
			})
		}
	}
	n := len(j.edges)
	if n == 0 {
		return 0, 0, 0
	}
	slices.SortFunc(j.edges, func(a, b edge) int { return cmp.Compare(a.jnd, b.jnd) })
	e := j.edges[n-1-n/visibleShare]
	codes, jnd = e.codes, e.jnd
	if tiles < leastTiles {
		return codes, jnd, codes
	}
	j.edges = slices.DeleteFunc(j.edges, func(e edge) bool { return !e.plain })
	if n = len(j.edges); n == 0 {
		return codes, jnd, 0
	}
	return codes, jnd, j.edges[n-1-n/visibleShare].codes
}

// boils reports whether what the grid's steps are changes from one of several looks to
// the next by more than those beside do: of what a scene shows on a lattice of its own,
// which rests where the grid does, nothing.
func (j *judge) boils(looks []*look, g grid) bool {
	const (
		least = 0.3
		// shown is the share of the most that two looks have of a grid's steps which those
		// have that tell: half of it has where blocks begin. Less may be noise.
		shown = 0.25
	)
	most := 0.0
	j.pairs = j.pairs[:0]
	for i := 1; i < len(looks); i++ {
		changed, all := j.changes(looks[i], looks[i-1], g)
		most = max(most, all)
		// By more than a block's largest step the scene is another one.
		if j.differs(looks[i], looks[i-1]) <= mostStep {
			j.pairs = append(j.pairs, [2]float64{changed, all})
		}
	}
	return slices.ContainsFunc(j.pairs, func(p [2]float64) bool { return p[1] > shown*most && p[0] > least*p[1] })
}

// changes is the energy of what a grid's steps change by from one look to another, and
// of the steps, each more than beside.
func (j *judge) changes(k, before *look, g grid) (change, steps float64) {
	// beside is how far from an edge nothing is left of it.
	const beside = aside + 1
	var changed, all [2]float64 // on the grid, beside
	for a := range g {
		if j.alone == 1-a {
			continue
		}
		for b := range k.axes[a] {
			is, was := k.axes[a][b].Sign, before.axes[a][b].Sign
			add := func(x, on int, weight float64) {
				if x >= 0 && x < len(is) {
					u, v := float64(is[x]), float64(was[x])
					changed[on] += (u - v) * (u - v) * weight
					all[on] += (u*u + v*v) * weight
				}
			}
			g[a].on(len(is), func(_ int, at float64) {
				if x := int(at + 0.5); j.shows[j.tileOf(a, b, at)] {
					add(x, 0, 1)
					add(x-beside, 1, 0.5)
					add(x+beside, 1, 0.5)
				}
			})
		}
	}
	return changed[0] - changed[1], max(all[0]-all[1], 0)
}

// comes reports whether a grid comes or goes from one of several looks to the next, of the
// same scene: a coder's blocks do so where its quality changes, and what a scene shows on
// a lattice stays.
func (j *judge) comes(looks []*look, g grid) bool {
	const (
		// kept is the share of its steps that a grid keeps at most that goes, and shown
		// what it has at least before, of the most: half of them, in squares. Noise and
		// coders change those of a scene by less.
		kept, shown = 0.25, 0.25
		// rests is by how much the tiles differ at most, 8-bit codes, if the scene is the
		// same: blocks keep their means to within the least step that a coder has.
		rests = 1
	)
	j.steps = j.steps[:0]
	for _, k := range looks {
		load(j, func(a, b int) profile[int16] { return one(&k.axes[a][b]) }, g)
		sum := 0.0
		for a := range g {
			if j.alone != 1-a {
				all := j.whole(a)
				sum += max(all.square(), 0)
			}
		}
		j.steps = append(j.steps, sum)
	}
	most := slices.Max(j.steps)
	for i := 1; i < len(looks); i++ {
		less, more := min(j.steps[i], j.steps[i-1]), max(j.steps[i], j.steps[i-1])
		if more > shown*most && less < kept*more && j.differs(looks[i], looks[i-1]) <= rests {
			return true
		}
	}
	return false
}

// differs is by how much two looks differ in the tiles that show a grid, 8-bit codes.
func (j *judge) differs(k, before *look) float64 {
	var sum, tiles float64
	for i, ok := range j.shows {
		if ok {
			sum += math.Abs(k.luma[i] - before.luma[i])
			tiles++
		}
	}
	return share(sum, tiles*j.code)
}

// drifts reports whether a grid moves along an axis: whether its edges are larger where
// it would be at some speed than where it would be at rest.
func (j *judge) drifts(looks []*look, g grid) bool {
	const (
		step = 0.5 // pixels
		// resting is the share of the largest that edges at rest have at least. A
		// sharp edge that moves by two pixels has less on average.
		resting = 0.9
	)
	first, last := looks[0].picture, looks[len(looks)-1].picture
	if first == last {
		return false
	}
	for a := range g {
		if j.alone == 1-a {
			continue
		}
		// What each look has at each place within a pitch.
		places := int(math.Round(g[a].pitch / step))
		j.folded = slices.Grow(j.folded[:0], places*len(looks))[:places*len(looks)]
		clear(j.folded)
		for p := range places {
			c := comb{g[a].pitch, g[a].phase + float64(p)*g[a].pitch/float64(places)}
			for b := range looks[0].axes[a] {
				j.places = j.places[:0]
				c.on(len(looks[0].axes[a][b].Edge), func(_ int, at float64) {
					if j.shows[j.tileOf(a, b, at)] {
						j.places = append(j.places, at)
					}
				})
				for i, k := range looks {
					edge, sum := k.axes[a][b].Edge, &j.folded[i*places+p]
					for _, at := range j.places {
						*sum += between(edge, at)
					}
				}
			}
		}
		rest, most := 0.0, 0.0
		for from := range places {
			// By up to a pitch from picture to picture: what moves by as much rests, by
			// turns, in most of the looks.
			for moved := range places * (last - first) {
				sum := 0.0
				for i, k := range looks {
					at := from + int(math.Round(float64(moved*(k.picture-first))/float64(last-first)))
					sum += j.folded[i*places+at%places]
				}
				if most = max(most, sum); moved == 0 {
					rest = max(rest, sum)
				}
			}
		}
		if rest < resting*most {
			return true
		}
	}
	return false
}

// edge is the step between two blocks.
type edge struct {
	codes, jnd float64
	plain      bool // in a tile that is
}

// boiling is how much of the steps has changed from one look to the next, 0 to
// 1: of blocks that have new levels at each look, all.
func (j *judge) boiling(k, before *look, g grid) float64 {
	var changed, all float64
	for a := range g {
		for b := range k.axes[a] {
			is, was := k.axes[a][b].Sign, before.axes[a][b].Sign
			g[a].on(len(is), func(_ int, at float64) {
				if j.shows[j.tileOf(a, b, at)] {
					x := int(at + 0.5)
					u, v := float64(is[x]), float64(was[x])
					changed += (u - v) * (u - v)
					all += u*u + v*v
				}
			})
		}
	}
	return min(share(changed, all), 1)
}
