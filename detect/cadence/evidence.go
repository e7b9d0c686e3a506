package cadence

import (
	"cmp"
	"image"
	"math"
	"slices"
	"time"

	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// reach is how many pictures away a new picture may be from one that repeats
// it, so that both can be compared: the longest hold of a pattern is 8.
const reach = 9

const (
	// changeRatio times the noise is what a cell must differ by to have
	// changed: its mean |difference| strays by a tenth of itself and the
	// noise of a bright part is up to twice that of a dark one.
	changeRatio = 2
	// changeFloor is 0.4 of an 8-bit code: what rounding in a codec leaves.
	changeFloor = 0.4 * cells.Unit8
	// evident is what a cell changes by that only motion does: 5 codes on
	// average. The flicker of coding stays under it even where it is bad.
	evident = 5 * cells.Unit8
	// leader is the share of the strongest change near a picture that makes
	// another one fit to compare with: a ticker or a flicker of coding that
	// never rests changes less than what it is put over.
	leader = 0.35
	// oneSided is where the lines of one parity count as repeating while
	// the others move: less than this share of their difference.
	oneSided = 0.4
	// leastStep is the step in pixels below which the direction of a
	// displacement means nothing: the search is good to a quarter of one.
	leastStep = 0.5
	// turned60 is the cosine of the angle beyond which things turn round: the step
	// between two that are 120 degrees apart is half as long as they are, and can
	// hide in noise.
	turned60 = 0.5
	// restsBy is how much of the change of the pictures farther off those beside a picture
	// have in which things rest: what swings goes as the sine of the time, 1/2 to 1/sqrt(2)
	// up to an eighth of its period from a picture to the next.
	restsBy = 0.8
)

// top is the most that one picture can say, and sure the share of the motion
// that shows in it for which it says nothing either way. A repeat shows none
// of it but coding noise (up to a fifth), a new picture all of it but what
// happens to fall together (a third).
const (
	top       = 10
	undecided = 0.4
	slope     = 40
	// Fields of one instant differ by the fine detail that falls between
	// their lines, so that a field which repeats shows more.
	undecidedField = 0.55
	// Two moving cells may be chance; beyond that, fewCells is the number
	// for which a picture says half of what many cells would.
	chanceCells = 2
	fewCells    = 2.5
)

// note is what the maps say about one picture, kept until its neighbours on
// both sides are known.
type note struct {
	index   int
	time    time.Duration
	diff    []float32 // mean |difference| of each cell, cells.Reduced unit
	changed []int     // the cells in which that is more than the threshold
	mean    []float32 // mean of each cell, same unit
	twice   []float32 // fields: mean |difference| to the last field but one
	tiles   []motion.Tile
	own     float32 // noise of the picture itself
	noise   float32 // the most of it and of those just before
	active  float32 // cells that changed, each up to 1
	moved   float32 // those of them that are motion: a displacement explains them or they change much
	carried float32 // those of them that a displacement explains
	other   float32 // active, of twice
	lean    float32 // 1 the even lines repeat and the odd ones move, -1 the reverse
	shade   bool    // light changes, nothing moves: a fade or a flash
	sum     float32 // of diff
	movers  int     // moving tiles
	cut     bool
	anew    bool    // coded without the pictures before it, which those were not
	gap     float32 // periods since the picture before
}

// record is what one picture says about the cadence.
type record struct {
	index int
	time  time.Duration
	// repeat is the evidence that the picture shows what the one before it
	// shows: positive for, negative against, zero unknown.
	repeat float32
	half   float32 // frames: that the lines of one side alone repeat
	side   half
	third  float32 // fields: that it shows what the last but one shows
	still  bool    // nothing moves near it
	cut    bool
	gap    bool    // the file's own times leave pictures out before it
	shown  float32 // share of the motion that shows
	cells  float32 // cells that would have to show it
	frozen bool    // nothing at all changes, as hardly happens while something moves
	stirs  bool    // it changes by more than the repeats beside it do; not of fields
	alive  float32 // tiles in which things go on in the picture itself; not of fields
	after  int     // the nearest picture before it with as much change as any; not of fields
	slows  bool    // that one changes by less than the one before it
	step   step
	region image.Rectangle
}

// step is how far things move at a picture, against the nearest new pictures
// before and after it.
type step struct {
	before, at, after float32 // mean length, px
	// ratio is the length at the picture over the mean of the lengths before
	// and after, along their direction: the median of the tiles. At a
	// picture that repeats it is the length after over the one before.
	ratio float32
	agree float32 // tiles that say so
	fit   float32 // tiles in which things go on steadily before and after
	tiles float32 // tiles that move before, at and after
	// even is how much the things of the fit change without their
	// displacement, in the picture before or after that shows less of it
	// over the other.
	even float32
}

// notes keeps the notes of the newest pictures.
type notes struct {
	fields             bool
	scale              float32 // of code values to the unit of the reduced plane
	cols, rows         int     // cells
	tileCols, tileRows int
	ring               [2*reach + 1]note
	newest             int
	periods            [9]time.Duration // the newest times between pictures
	ratios             []float32
	// Fields: how far the detail between the lines alone makes each cell
	// differ from field to field, and the field in which it last rested so
	// that this showed.
	detail []float32
	rested []int
}

func newNotes(fields bool, depth int) *notes {
	return &notes{fields: fields, scale: cells.Unit8 / float32(int(1)<<(depth-8)), newest: -1}
}

func (n *notes) at(i int) *note {
	if i < 0 || i > n.newest || i <= n.newest-len(n.ring) {
		return nil
	}
	return &n.ring[i%len(n.ring)]
}

// take notes picture i.
func (n *notes) take(i int, at time.Duration, m *cells.Map, mo *motion.Map) {
	k := &n.ring[i%len(n.ring)]
	n.cols, n.rows, n.tileCols, n.tileRows = m.Cols, m.Rows, mo.Cols, mo.Rows
	*k = note{index: i, time: at, cut: mo.Cut, own: mo.Noise, noise: n.noise(i, mo.Noise),
		diff:    append(k.diff[:0], m.Reduced.Diff...),
		changed: k.changed[:0],
		mean:    k.mean[:0],
		twice:   k.twice[:0],
		tiles:   append(k.tiles[:0], mo.Tiles...),
	}
	for c := range m.Cells {
		k.mean = append(k.mean, n.scale*float32(m.Cells[c].Sum)/float32(m.Cells[c].Pixels))
	}
	n.newest = i
	if len(k.diff) == 0 {
		return
	}
	threshold := k.threshold()
	for c, d := range k.diff {
		k.sum += d
		if d > threshold {
			k.changed = append(k.changed, c)
		}
	}
	for t := range k.tiles {
		if k.tiles[t].Moving {
			k.movers++
		}
	}
	k.gap = n.gap(k)
	n.count(k, m)
	k.shade = n.shaded(k)
	if n.fields && m.HasDiff {
		for c := range m.Cells {
			x := &m.Cells[c]
			k.twice = append(k.twice, n.scale*float32(x.Diff[0]+x.Diff[1])/float32(x.Pixels))
		}
		if len(n.detail) == 0 {
			n.detail, n.rested = make([]float32, len(k.twice)), make([]int, len(k.twice))
			for c := range n.rested {
				n.rested[c] = -restKnown
			}
		}
		for c, d := range k.twice {
			k.other += weigh(d, threshold)
			if d <= threshold {
				n.detail[c], n.rested[c] = k.diff[c], i
			}
		}
	}
}

// lately is how many pictures back the noise of a picture is looked for: a codec
// leaves most of one that repeats as it was, so that no noise shows in it, and codes
// some of it a little better, which is no motion.
const lately = 4

// noise returns the most noise of picture i, whose own is given, and of those just
// before it.
func (n *notes) noise(i int, own float32) float32 {
	most := own
	for j := i - 1; j >= i-lately; j-- {
		o := n.at(j)
		if o == nil || o.cut {
			break
		}
		most = max(most, o.own)
	}
	return most
}

func (k *note) threshold() float32 { return changeRatio*k.noise + changeFloor }

// weigh counts a cell from 0 at the threshold to 1 at twice the threshold, so
// that a cell next to it does not decide by a hair.
func weigh(diff, threshold float32) float32 {
	return min(1, max(0, (diff-threshold)/threshold))
}

// count counts the cells that changed.
func (n *notes) count(k *note, m *cells.Map) {
	threshold := k.threshold()
	var even, odd float32
	for _, c := range k.changed {
		d := k.diff[c]
		w := weigh(d, threshold)
		k.active += w
		carried := k.tiles[motion.TileOf(c, n.cols, n.tileCols)].Moving
		if carried {
			k.carried += w
		}
		if carried || d > evident {
			k.moved += w
		}
		e, o := float32(m.Cells[c].Diff[0]), float32(m.Cells[c].Diff[1])
		if e < oneSided*o {
			even += w
		} else if o < oneSided*e {
			odd += w
		}
	}
	if k.active > 0 && !n.fields {
		k.lean = (even - odd) / k.active
	}
}

// gap is the time since the picture before, in periods of the pictures
// before that: more than one where the file itself says that one is missing.
func (n *notes) gap(k *note) float32 {
	b := n.at(k.index - 1)
	if b == nil {
		return 1
	}
	d := k.time - b.time
	known := min(k.index-1, len(n.periods))
	sorted := n.periods
	s := sorted[:known]
	slices.Sort(s)
	n.periods[(k.index-1)%len(n.periods)] = d
	if known < 3 || s[known/2] <= 0 {
		return 1
	}
	return float32(d) / float32(s[known/2])
}

// A picture changes in its light where more than shadeShare of the change of
// its cells is in one direction, over shadeArea of the picture or more.
const (
	shadeShare = 0.6
	shadeArea  = 0.1
)

// shaded reports whether what changed in picture k is the light: brighter
// everywhere or darker everywhere, and no displacement explains it.
func (n *notes) shaded(k *note) bool {
	p := n.at(k.index - 1)
	if p == nil || k.active < shadeArea*float32(len(k.diff)) || k.carried > k.active/2 {
		return false
	}
	var sum, all float32
	for _, c := range k.changed {
		sum += k.mean[c] - p.mean[c]
		all += k.diff[c]
	}
	return abs(sum) > shadeShare*all
}

// dips reports whether a picture is darker than both of two others, or brighter, over much
// of it, as where light goes out and comes again: what it shows less of is contrast.
func (n *notes) dips(k, b, a *note) bool {
	threshold := k.threshold()
	var side float32
	for _, o := range [2]*note{b, a} {
		var sum, all float32
		cells := 0
		for c, v := range k.mean {
			if d := v - o.mean[c]; abs(d) > threshold {
				sum, all = sum+d, all+abs(d)
				cells++
			}
		}
		if float32(cells) < shadeArea*float32(len(k.mean)) || abs(sum) < shadeShare*all || sum*side < 0 {
			return false
		}
		side = sum
	}
	return true
}

func abs(v float32) float32 { return max(v, -v) }

func (k *note) usable() bool { return !k.shade && len(k.diff) > 0 }

// A cut changes more than cutRatio times what any picture within cutReach
// does: what is called a cut is else the first new picture after one that
// was held.
const (
	cutRatio = 1.4
	cutReach = 6
)

// cut reports whether picture k begins a new scene.
func (n *notes) cut(k *note) bool {
	if !k.cut {
		return false
	}
	for j := -cutReach; j <= cutReach; j++ {
		if o := n.at(k.index + j); j != 0 && o != nil && k.sum < cutRatio*o.sum {
			return false
		}
	}
	return true
}

// nearest returns the picture nearest to i in one direction (dir 1 or -1)
// that changed about as much as any within reach, on this side of a cut, or
// nil.
func (n *notes) nearest(i, dir int, amount func(*note) float32) *note {
	var found *note
	var most float32
	for pass := range 2 {
		for j := 1; j <= reach; j++ {
			k := n.at(i + dir*j)
			if k == nil || dir > 0 && n.cut(k) {
				break
			}
			if k.usable() {
				if a := amount(k); pass == 0 {
					most = max(most, a)
				} else if a > 0 && a >= leader*most {
					found = k
					break
				}
			}
			if n.cut(k) {
				break
			}
		}
	}
	return found
}

// change is how much moves in picture k, in cells.
func change(k *note) float32 {
	if k.moved >= enough {
		return k.moved
	}
	return k.moved + unexplained*(k.active-k.moved)
}

func changeOfOther(k *note) float32 { return k.other }

// evidence turns the share of the motion that shows into evidence that a
// picture repeats.
func (n *notes) evidence(share, weight float32) float32 {
	even := float32(undecided)
	if n.fields {
		even = undecidedField
	}
	weight = max(0, weight-chanceCells)
	return min(top, max(-top, slope*(even-share))) * weight / (weight + fewCells)
}

// judge compares picture i with the new pictures around it.
func (n *notes) judge(i int, r *record) {
	k := n.at(i)
	*r = record{index: i, time: k.time, cut: n.cut(k), gap: k.gap > 1.5}
	if r.cut || len(k.diff) == 0 {
		return
	}
	b, a := n.nearest(i, -1, change), n.nearest(i, 1, change)
	if b == nil && a == nil {
		r.still = k.active < 1
		return
	}
	if k.shade {
		return
	}
	if n.fields {
		r.third, _ = n.third(k)
	}
	if b == nil || a == nil {
		// Where motion begins or ends a new picture shows as one; whether a
		// picture repeats cannot be told.
		o := b
		if o == nil {
			o = a
		}
		if k.active > o.active/2 {
			r.repeat = n.evidence(1, min(k.active, o.active)) * n.explained(k, o)
		}
		return
	}
	share, weight := n.share(k, b, a)
	r.shown, r.cells = share, weight
	explained := n.explained(b, a)
	if explained == 0 && weight < thin*float32(len(k.diff)) || weight < chanceCells {
		r.still = abs(r.third) < 1
		n.sameLines(k, r)
		return
	}
	if n.dips(k, b, a) {
		return
	}
	r.repeat = n.evidence(share, weight) * (0.3 + 0.7*min(1, 4*explained))
	left, flow := n.flow(k, b, a, r)
	if flow > 0 {
		// The cells know less of the noise of moving detail, the tiles less
		// of what moves by little: both have to be content.
		trust := flow / (flow + fewTiles)
		r.repeat += trust * (n.evidence((left+share)/2, cellsOfTile*flow) - r.repeat)
	}
	if n.fields {
		n.sameLines(k, r)
	} else {
		r.half = min(top, max(-top, 20*(abs(k.lean)-0.5))) * k.active / (k.active + fewCells)
		if r.side = evenLines; k.lean < 0 {
			r.side = oddLines
		}
	}
	if !n.fields {
		r.frozen = k.sum < frozenShare*min(b.sum, a.sum)
		if r.frozen && n.steady(i) {
			r.repeat = max(r.repeat, frozenRepeat)
		}
	}
	if r.repeat > 0 && !r.frozen && (n.turns(k, b, a) || n.rests(k, b, a)) {
		r.repeat = 0
	}
	if r.repeat < 0 {
		n.displacement(k, b, a, r)
	} else if !n.fields {
		r.alive = k.goesOn()
		r.after, r.slows = b.index, n.slows(k, b)
		sum, active := n.quietest(i)
		r.stirs = k.sum > stirRatio*sum+frozenShare*min(b.sum, a.sum) || k.active > 2*active+chanceCells
	}
}

// beside returns those of the two pictures before picture i and the two after it
// that could be compared with the one before them, the quietest first.
func (n *notes) beside(i int) (list [4]*note, known int) {
	for _, at := range [...]int{i - 2, i - 1, i + 1, i + 2} {
		if o := n.at(at); o != nil && len(o.diff) > 0 {
			list[known] = o
			known++
		}
	}
	slices.SortFunc(list[:known], func(a, b *note) int { return cmp.Compare(a.sum, b.sum) })
	return list, known
}

// steady reports whether the pictures on either side of picture i, two and two,
// change about as much as each other.
func (n *notes) steady(i int) bool {
	list, known := n.beside(i)
	return known == len(list) && list[known-1].sum < steadyRatio*list[0].sum
}

// quietest is the change of the second quietest of the four pictures beside picture
// i, and its changed cells: of film, those of a repeat.
func (n *notes) quietest(i int) (sum, active float32) {
	list, known := n.beside(i)
	if known < 2 {
		return math.MaxFloat32, math.MaxFloat32
	}
	return list[1].sum, list[1].active
}

// slows reports whether new picture b changes by less than the new one before it
// does, beside what picture k that repeats it has of noise.
func (n *notes) slows(k, b *note) bool {
	bb := n.nearest(b.index, -1, change)
	return bb == nil || b.sum-k.sum < atRest*(bb.sum-k.sum)
}

// goesOn is the number of tiles in which things move by more than what a hand
// trembles. A picture that is held has none, whatever its coding adds.
func (k *note) goesOn() float32 {
	var n float32
	for i := range k.tiles {
		if t := &k.tiles[i]; t.Moving && hypot(t.DX, t.DY) >= slow {
			n++
		}
	}
	return n
}

const (
	// frozenShare is how much of the change of new pictures is left in one that is
	// held, at qualities above those of streaming. Of a scene that rests, a camera's
	// noise alone leaves more.
	frozenShare = 0.04
	// frozenRepeat is what that says where the pictures around change steadily,
	// within steadyRatio, however small the thing is that does it: what comes to
	// rest, or is drawn every few pictures, does not.
	frozenRepeat, steadyRatio = 0.9 * top, 1.5
	// stirRatio is how much more than a repeat beside it a film's new picture changes
	// at least, though its camera rests: noise and coding give a tenth.
	stirRatio = 1.1
	// thin is the share of the picture below which change without any
	// displacement is not motion but the flicker of coding.
	thin = 0.05
)

// explained is the share of the change in pictures b and a that displacements
// explain. What is taken for a cut has none.
func (n *notes) explained(b, a *note) float32 {
	if b.cut || a.cut {
		return 1
	}
	return (b.moved + a.moved) / (b.active + a.active)
}

// share is how much of the motion that picture k would have to show, if it
// were new, shows in it: over the cells that change both in b before it and
// in a after it.
func (n *notes) share(k, b, a *note) (share, weight float32) {
	noise := max(a.noise, b.noise, k.noise)
	threshold := changeRatio*noise + changeFloor
	all := a.cut || b.cut // no tile is said to move
	// Fine detail differs from field to field without moving; where fields
	// of the same lines differ by less, it hides what moves.
	fine := n.fields && len(a.twice) > 0 && len(b.twice) > 0
	var plain, faint, plainShown, faintShown float32
	for _, c := range a.changed {
		o := a // the one that sets what k would have to show
		if b.diff[c] < a.diff[c] {
			o = b
		}
		would := o.diff[c]
		if would <= threshold || fine && o.twice[c] < fineShare*would {
			continue
		}
		w := weigh(would, threshold)
		t := motion.TileOf(c, n.cols, n.tileCols)
		if fine && !all && !b.tiles[t].Moving && !a.tiles[t].Moving {
			if n.newest-n.rested[c] > restKnown {
				w *= restUnknown
			} else if would < beyondDetail*n.detail[c] {
				continue
			}
		}
		p := w * power(k.diff[c], would, noise)
		if all || would > evident || b.tiles[t].Moving || a.tiles[t].Moving {
			plain += w
			plainShown += p
		} else {
			faint += w
			faintShown += p
		}
	}
	if plain < enough {
		plain += unexplained * faint
		plainShown += unexplained * faintShown
	}
	least := min(change(a), change(b))
	if fine {
		least = 0
	}
	if plain < 0.3*least && change(k) > 0.5*least {
		// Things that cross a cell within a picture leave no cell that
		// changes both before and after.
		return 1, 0.5 * least
	}
	if plain == 0 {
		return 0, 0
	}
	share = root(plainShown / plain)
	if least > 0 {
		// A thing may take the very place of another like it, and leave that
		// unchanged; then its own old and new place change instead. Nothing
		// changes anywhere in a repeat.
		own := change(k)
		if min(a.moved, b.moved) >= enough {
			own = k.moved // as of those
		}
		share = max(share, root(min(1, own/least)))
	}
	return share, plain
}

// power is how much of the power of a difference would shows in d, both
// beside noise: noise and motion add as powers.
func power(d, would, noise float32) float32 {
	n := noise * noise
	return min(1, (d*d-n)/(would*would-n))
}

func root(v float32) float32 { return float32(math.Sqrt(float64(max(0, v)))) }

const (
	// restKnown is how many fields long it is known how a cell looks at rest:
	// half a second, in which a slow thing crosses it. Where that is unknown,
	// and no displacement explains the change, a cell counts restUnknown; where
	// it is known, it has to change beyondDetail times as much.
	restKnown    = 30
	restUnknown  = 0.15
	beyondDetail = 1.5
	// A field that repeats shows the detail between the lines alone, which
	// says so only where that is less than half of the difference that motion
	// and detail make together, as powers: where fields of the same lines
	// differ by root(1-1/4) of it or more.
	fineShare = 0.87
	// enough cells that plainly move decide alone.
	enough = 6
	// unexplained is what else a cell counts whose change no displacement
	// explains, against one of a moving tile.
	unexplained = 0.25
)

// sameLines makes a field that lies in a hold of three a repeat. Where a field
// equals the last but one, which has the same lines, both fields after that
// one repeat it: no detail that falls between the lines blurs this, as it
// blurs the difference of neighbours.
func (n *notes) sameLines(k *note, r *record) {
	for _, f := range [2]*note{k, n.at(k.index + 1)} {
		if f == nil || f != k && n.cut(f) {
			continue
		}
		if third, cells := n.third(f); third > r.repeat {
			r.repeat, r.cells = third, max(r.cells, cells)
		}
	}
}

// third is the evidence that field k shows what the last field but one shows,
// and how many cells would have to show otherwise.
func (n *notes) third(k *note) (evidence, weight float32) {
	b, a := n.nearest(k.index, -1, changeOfOther), n.nearest(k.index, 1, changeOfOther)
	if b == nil || a == nil || len(k.twice) == 0 {
		return 0, 0
	}
	noise := max(a.noise, b.noise, k.noise)
	threshold := changeRatio*noise + changeFloor
	var shown float32
	for c, d := range k.twice {
		would := min(a.twice[c], b.twice[c])
		if would <= threshold {
			continue
		}
		w := weigh(would, threshold)
		weight += w
		shown += w * power(d, would, noise)
	}
	if weight == 0 {
		return 0, 0
	}
	return n.evidence(root(shown/weight), weight), weight
}

// along reports whether two displacements in pictures so far apart have one
// direction and lengths that differ by less than a lost picture and the
// speeding up of a thing explain; the later one may make up for all between.
func along(b, a *motion.Tile, apart int) bool {
	const most, each = 3.3, 1.65
	lb, la := hypot(b.DX, b.DY), hypot(a.DX, a.DY)
	return b.DX*a.DX+b.DY*a.DY > 0.7*lb*la && la < max(most, each*float32(apart))*lb && lb < most*la
}

const (
	// fewTiles is the number of tiles that say half of what is said.
	fewTiles = 2
	// cellsOfTile is how many cells a moving thing covers in a tile.
	cellsOfTile = 4
)

// flow looks at the tiles in which a thing moves on from b to a in one
// direction. What is left there when the displacement is taken out is the
// noise of sensor and coding, so how much of the motion shows in picture k is
// how far its difference lies above that. It returns this share and the
// number of tiles.
func (n *notes) flow(k, b, a *note, r *record) (left, flow float32) {
	n.ratios = n.ratios[:0]
	var lb, la, shown, would, against float32
	for t := range k.tiles {
		tb := &b.tiles[t]
		if !tb.Moving || hypot(tb.DX, tb.DY) < leastStep {
			continue
		}
		ta := n.near(a, t)
		if ta == nil {
			continue
		}
		if !along(tb, ta, a.index-b.index) {
			against++
			continue
		}
		noise := max(tb.Residual, ta.Residual, k.noise)
		if w := min(tb.Still, ta.Still); w > 1.1*noise {
			would++
			if tk := &k.tiles[t]; tk.Changed > 0 && tk.Still == 0 {
				// Nothing stands out that could be measured by itself.
				shown += n.changed(t, k, b, a)
			} else {
				shown += power(tk.Still, w, noise)
			}
		}
		flow++
		lb += hypot(tb.DX, tb.DY)
		la += hypot(ta.DX, ta.DY)
		n.ratios = append(n.ratios, hypot(ta.DX, ta.DY)/hypot(tb.DX, tb.DY))
		r.region = r.region.Union(n.place(t))
	}
	if flow == 0 {
		r.region = n.bounds(b, a)
		r.step = step{tiles: against}
		return 0, 0
	}
	slices.Sort(n.ratios)
	r.step = step{before: lb / flow, after: la / flow, ratio: n.ratios[len(n.ratios)/2], agree: flow, fit: flow, tiles: flow + against}
	if would == 0 {
		return 0, 0
	}
	return root(shown / would), flow
}

// displacement measures how far things go at the new picture k against the
// new pictures around it.
func (n *notes) displacement(k, b, a *note, r *record) {
	n.ratios = n.ratios[:0]
	r.step = step{}
	var sb, sk, sa, stillBefore, stillAfter float32
	for t := range k.tiles {
		tk := &k.tiles[t]
		if !tk.Moving {
			continue
		}
		tb, ta := n.near(b, t), n.near(a, t)
		if tb == nil || ta == nil {
			continue
		}
		r.step.tiles++
		x, y := (tb.DX+ta.DX)/2, (tb.DY+ta.DY)/2
		l := hypot(x, y)
		// Up to one step twice as long as the other: their difference is
		// then two thirds of their mean.
		if l < leastStep || hypot(tb.DX-ta.DX, tb.DY-ta.DY) > 0.75*l {
			continue
		}
		q := (tk.DX*x + tk.DY*y) / (l * l)
		if hypot(tk.DX-q*x, tk.DY-q*y) > 0.35*l {
			continue
		}
		n.ratios = append(n.ratios, q)
		sb += hypot(tb.DX, tb.DY)
		sk += hypot(tk.DX, tk.DY)
		sa += hypot(ta.DX, ta.DY)
		if tb.Still > 0 && ta.Still > 0 { // else nothing stands out there
			stillBefore, stillAfter = stillBefore+tb.Still, stillAfter+ta.Still
		}
	}
	c := float32(len(n.ratios))
	if c == 0 {
		return
	}
	r.step.fit = c
	if r.step.even = 1; stillBefore > 0 {
		r.step.even = min(stillBefore, stillAfter) / max(stillBefore, stillAfter)
	}
	r.step.tiles = max(r.step.tiles, float32(min(b.movers, a.movers)))
	slices.Sort(n.ratios)
	m := n.ratios[len(n.ratios)/2]
	for _, q := range n.ratios {
		if abs(q-m) < 0.25 {
			r.step.agree++
		}
	}
	r.step.before, r.step.at, r.step.after, r.step.ratio = sb/c, sk/c, sa/c, m
	// Things go further in a longer time; where times only jitter, the steps
	// may well be even, so that a shorter time asks for nothing.
	if longer := 2 * k.gap / (b.gap + a.gap); longer > 1 {
		r.step.ratio /= longer
	}
}

// changed is how much of the change that the cells of tile t show in both b and
// a they show in k, as a power.
func (n *notes) changed(t int, k, b, a *note) float32 {
	noise := max(k.noise, b.noise, a.noise)
	var dk, db, da float32
	x0, y0 := t%n.tileCols*motion.TileCells, t/n.tileCols*motion.TileCells
	for y := y0; y < min(n.rows, y0+motion.TileCells); y++ {
		for x := x0; x < min(n.cols, x0+motion.TileCells); x++ {
			c := y*n.cols + x
			dk += max(0, k.diff[c]-noise)
			db += max(0, b.diff[c]-noise)
			da += max(0, a.diff[c]-noise)
		}
	}
	would := min(db, da)
	if would == 0 {
		return 1
	}
	return min(1, dk*dk/(would*would))
}

func hypot(x, y float32) float32 { return float32(math.Hypot(float64(x), float64(y))) }

// turns reports whether most of what moves goes another way after picture k than
// before it, by the pictures nearest to it in which as much moves: a hand that
// trembles and things that swing rest for a picture where they turn round, and repeat
// none.
func (n *notes) turns(k, b, a *note) bool {
	least := min(b.movers, a.movers) / 2
	p, q := n.moving(k.index, -1, least), n.moving(k.index, 1, least)
	if p == nil || q == nil {
		return false
	}
	both, turned := 0, 0
	for t := range p.tiles {
		v, w := &p.tiles[t], &q.tiles[t]
		lv, lw := hypot(v.DX, v.DY), hypot(w.DX, w.DY)
		if !v.Moving || !w.Moving || min(lv, lw) < leastStep {
			continue
		}
		both++
		if v.DX*w.DX+v.DY*w.DY < turned60*lv*lw {
			turned++
		}
	}
	return 2*turned > both
}

// rests reports whether what moves slows down to picture k and gathers speed from it, so
// that it may rest there: the pictures on either side change by less than those farther off.
func (n *notes) rests(k, b, a *note) bool {
	bb, aa := n.nearest(b.index, -1, change), n.nearest(a.index, 1, change)
	return bb != nil && aa != nil && b.sum-k.sum < restsBy*(bb.sum-k.sum) && a.sum-k.sum < restsBy*(aa.sum-k.sum)
}

// moving returns the note nearest to picture i in a direction of time in which more
// than so many tiles move; nil where there is none within reach.
func (n *notes) moving(i, dir, least int) *note {
	for d := 1; d <= reach; d++ {
		if o := n.at(i + dir*d); o == nil || o.movers > least {
			return o
		}
	}
	return nil
}

// near returns the moving tile at t, or one next to it, or nil.
func (n *notes) near(k *note, t int) *motion.Tile {
	if k.tiles[t].Moving {
		return &k.tiles[t]
	}
	x, y := t%n.tileCols, t/n.tileCols
	for v := max(0, y-1); v <= min(n.tileRows-1, y+1); v++ {
		for u := max(0, x-1); u <= min(n.tileCols-1, x+1); u++ {
			if o := &k.tiles[v*n.tileCols+u]; o.Moving {
				return o
			}
		}
	}
	return nil
}

// place is the rectangle of tile t in raster pixels.
func (n *notes) place(t int) image.Rectangle {
	const size = motion.TileCells * cells.Size
	x, y := t%n.tileCols*size, t/n.tileCols*size
	return image.Rect(x, y, x+size, y+size)
}

// bounds is the box of the cells that change in both b and a.
func (n *notes) bounds(b, a *note) image.Rectangle {
	var r image.Rectangle
	threshold := max(a.threshold(), b.threshold())
	for c := range b.diff {
		if min(a.diff[c], b.diff[c]) > threshold {
			x, y := c%n.cols*cells.Size, c/n.cols*cells.Size
			r = r.Union(image.Rect(x, y, x+cells.Size, y+cells.Size))
		}
	}
	return r
}
