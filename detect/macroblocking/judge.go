package macroblocking

import (
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
	axes, near [2][]sums
	line       []sums
	shows      []bool
	alone      int          // the axis that shows the grid by itself, or neither
	perCode    [256]float64 // JND of a step of one 8-bit code, by 8-bit luma
	perPitch   float64
	jnds       []float64
}

// neither axis shows the grid by itself: both do.
const neither = -1

func newJudge(s *detect.Setup, cols, rows int) judge {
	j := judge{setup: s, cols: cols, rows: rows, alone: neither}
	j.unit = float64(cells.GridUnit(s.Format.Depth) * cells.GridBand)
	j.code = float64(int(1) << (s.Format.Depth - 8))
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
	// leastContrast is how much larger than beside a step on the grid has to be
	// along each axis: the place is smooth, but for the grid.
	leastContrast = 1.25
	// Where a scene hides the edges along one axis (planks of a floor), the other
	// may show the grid alone, but surer, if along the hidden one all of those
	// tiles together show it: hiddenZ, and less once a grid is known.
	aloneZ, aloneContrast = 7, 1.4
	hiddenZ, hiddenKnownZ = 5, 2.5
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
// shows a grid, and returns how many they are: 0 where they are too few.
func tell[T int16 | int32](j *judge, at func(axis, band int) profile[T], luma []float64, looks float64, g grid, known bool) int {
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
	j.alone = neither
	n := 0
	for i := range j.shows {
		for a := range j.near {
			j.near[a][i] = j.around(a, i)
		}
		p, q := &j.near[0][i], &j.near[1][i]
		u, v := p.z(), q.z()
		j.shows[i] = min(u, v) > weakZ && u*u+v*v > 2*leastZ*leastZ &&
			min(p.contrast(), q.contrast()) > leastContrast && j.seen(i, luma, looks)
		if j.shows[i] {
			n++
		}
	}
	if across, down := j.whole(0), j.whole(1); n >= leastTiles && min(across.z(), down.z()) > wholeZ {
		return n
	}
	least := float64(hiddenZ)
	if known {
		least = hiddenKnownZ
	}
	for a := range j.near {
		n = 0
		var hidden sums
		for i := range j.shows {
			s := &j.near[a][i]
			if j.shows[i] = s.z() > aloneZ && s.contrast() > aloneContrast && j.seen(i, luma, looks); j.shows[i] {
				n++
				hidden.add(&j.axes[1-a][i])
			}
		}
		if float64(n) >= max(leastTiles, aloneShare*float64(len(j.shows))) && hidden.z() > least {
			j.alone = a
			return n
		}
	}
	return 0
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
	step := max(j.near[0][i].step(), j.near[1][i].step()) / j.unit / looks
	return step*j.jnd(luma[i]) > leastShare*leastVisible
}

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

// weigh is how much of the sum of several looks shows a grid.
func (j *judge) weigh(s *searcher, looks []*look, g grid, known bool) float64 {
	at := func(a, b int) profile[int32] { return s.sum[a][b] }
	if tell(j, at, looks[len(looks)-1].luma, float64(len(looks)), g, known) == 0 {
		return 0
	}
	var total float64
	for i, ok := range j.shows {
		switch {
		case !ok:
		case j.alone == neither:
			total += min(j.near[0][i].z(), j.near[1][i].z())
		default:
			total += j.near[j.alone][i].z() * aloneWeight
		}
	}
	return total
}

// tellLook is tell for one look, and whether what shows are blocks.
func (j *judge) tellLook(k *look, g grid, known bool) (n int, blocks bool) {
	at := func(a, b int) profile[int16] { return one(&k.axes[a][b]) }
	if n = tell(j, at, k.luma, 1, g, known); n == 0 {
		return 0, false
	}
	return n, j.blocks(k, g)
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
	slopeStep    = 2.5 // 8-bit codes
	leastLasts   = 0.3
	leastFlat    = 0.3 // of steps that are all aligned; what blocks hold may hide it
	leastTurns   = -0.85
	// mostStep, in 8-bit codes: coders that leave more on average in places that
	// should be smooth are not met with; mosaics are.
	mostStep = 12
	// mostEdge is the step of a single edge above which it is the scene's: one
	// border of a thing on the grid must not speak for hundreds of blocks.
	mostEdge = 2 * mostStep
)

// blocks reports whether the tiles of a look that show a grid show blocks.
func (j *judge) blocks(k *look, g grid) bool {
	for a := range g {
		if j.alone == 1-a {
			continue
		}
		t := j.traits(k, g[a], a)
		slope := t.step <= slopeStep && j.alone == neither
		// As many steps lie along a tile as there are blocks along the other axis.
		chance := math.Sqrt(g[1-a].pitch / tile)
		if t.aligned < leastAligned*min(1, chance) || t.aligned > mostAligned && !slope ||
			t.lasts < leastLasts || t.aligned > mostAligned && t.flat < leastFlat || t.turns < leastTurns || t.step > mostStep {
			return false
		}
	}
	return true
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
	var signs, sizes, near, net, squares, products float64
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
				for _, v := range p.sign[max(from, 0):min(to, len(p.sign))] {
					sum += float64(v)
				}
				return math.Copysign(1, sign) * sum
			}
			near += change(x-reach, x+reach+1)
			net += change(x-period/2, x-period/2+period)
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
		lasts: share(near, 2*signs), flat: share(net, 2*signs), turns: share(products, squares)}
}

// share is a/b, or 0 of nothing.
func share(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return a / b
}

// lopsided is how many times the smaller of the steps along the two axes counts
// at most: a coder's are about as large along both, while a thing that lies on
// the grid by chance lies along one.
const lopsided = 2

// strength is the JND that a tenth of the tiles that show the grid exceed, and
// the mean step in 8-bit codes.
func (j *judge) strength(luma []float64) (jnd, codes float64) {
	j.jnds = j.jnds[:0]
	for i, ok := range j.shows {
		if !ok {
			continue
		}
		step := 0.0
		if j.alone != neither {
			step = j.near[j.alone][i].step()
		} else {
			u, v := j.near[0][i].step(), j.near[1][i].step()
			step = min((u+v)/2, lopsided*min(u, v))
		}
		step /= j.unit
		codes += step
		j.jnds = append(j.jnds, step*j.jnd(luma[i]))
	}
	slices.Sort(j.jnds)
	return j.jnds[len(j.jnds)*9/10], codes / float64(len(j.jnds))
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
