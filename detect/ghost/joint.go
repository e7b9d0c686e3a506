package ghost

import (
	"image"
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/echo"
)

// What mixes pictures shows in several ways at once: what moves has less detail, it
// relates by more to the pictures beside, more of it is on the way between them, the
// pictures differ by less from each other, and blended fields lose what is finest
// between the lines. Each may be weak: a ball that goes farther than it is wide relates
// to nothing, a slow pan has much on the way at all times. What each says is weighed by
// how far it strays beside the burst, and added up; in the whole picture, in parts of it,
// as a fault may be in one alone, and in each thing that moves.

// sign is one of the ways in which mixtures show.
type sign struct {
	// of returns it in a picture, or a part of it, of that relation and that logarithm of
	// the detail from line to line; false where it is not known.
	of func(r *relation, lines float64) (v float64, known bool)
	// expected is what it changes by in mixtures of equal shares, less a third for what
	// else moves in the picture, and least how far it strays where it seems not to.
	expected, least float64
	// shared is set where the pictures beside a burst have a part of it: it is of their
	// differences from those in the burst.
	shared bool
}

const (
	detailSign = iota
	relationSign
	waySign
	differenceSign
	linesSign
)

// Equal shares of two pictures keep half of the detail (0.69 of the logarithm); they
// relate by 1/2 more a step apart and by 1/6 half a step apart, and differ by half as
// much. Fields that are blended line by line lose 0.3 to 0.7 between the lines.
var signs = [...]sign{
	detailSign: {func(r *relation, _ float64) (float64, bool) {
		return -math.Log(max(r.detail, 1)), r.known && r.detail > 0
	}, 0.45, 0.06, false},
	relationSign: {func(r *relation, _ float64) (float64, bool) { return r.rho, r.known }, 0.25, 0.05, true},
	waySign:      {func(r *relation, _ float64) (float64, bool) { return r.way() }, 0.45, 0.1, true},
	differenceSign: {func(r *relation, _ float64) (float64, bool) {
		return -math.Log(max(r.energy, 1)), r.known
	}, 0.4, 0.12, true},
	linesSign: {func(_ *relation, lines float64) (float64, bool) { return -lines, lines != 0 }, 0.25, 0.03, false},
}

const (
	// So many pictures on either side of a burst say what is usual, and at least so many
	// have to be known.
	jointBeside, fewestJoint = 6, 3
	// A burst has so many pictures, of which enough follow that are seen.
	fewestJointly, mostJointly = 2, 8
	// How far what a sign changes by differs from what is expected of it, by how the
	// shares are and what else moves, as a share of that; and how much the logarithm of
	// the odds may grow by one sign: what is not Gaussian strays farther than its
	// deviation says.
	signStrays, mostOdds = 0.4, 4
	// The odds have to be so many times even: there are some dozens of places and lengths
	// to choose from at each picture, and thousands of pictures without a fault for one
	// with it.
	jointOdds = 9
	// A thing is one of up to a dozen, and what passes it changes what it shows.
	thingOdds = 2
	// What is less than this by far is not asked for the rest.
	leastAsked = jointOdds - 3
	// The detail has to fall by so much, as all mixtures lose some; three equal shares
	// leave a third, and no mixture less. Differences fall to a ninth where three
	// pictures are mixed that are unlike each other.
	leastJointLoss, mostJointLoss, mostJointFall = 0.2, 1.3, 2.5
	// The first and the last picture have such a share of the loss, those beside them no
	// more than the other.
	jointWithin, jointBesides = 0.5, 0.45
	// (1/4, 1/2, 1/4) lose 0.98 of the logarithm of the detail and differ by 2.1 less, no
	// mixture by more for what it loses; half as much again for things at rest, which keep
	// their detail. What slows down differs by less, and loses little.
	fallPerLoss = 1.5 * 2.1
	// From the picture before it falls by half of the least at once.
	leastJointFall = leastJointLoss / 2
	// What is at rest loses no more than this share of it.
	jointStill = 0.3
	// From one picture to the next a part of it becomes lighter or darker by less than
	// this, whatever moves in it: a thing a tenth as wide as the part, twice as bright.
	mostLighter = 1.1
	// What moves has to stay as large to this factor: what goes behind something
	// leaves the small and the soft.
	jointArea = 1.8
	// Relations that rise by more are of fields a whole step apart, by less of those half
	// of one apart.
	halfOrWhole = (1./6 + 1./2) / 2
)

// view is what of each picture is looked at: all of it, window 0, one of the windows, or
// where the thing of a look at picture t is.
type view struct {
	window int
	look   *echo.Look
	t      int
}

// part is what it is of the picture, in parts of it: all of it for a thing, which goes.
func (v *view) part() image.Rectangle {
	if v.window > 0 {
		return windows[v.window-1]
	}
	return wholePicture
}

// seen returns what a view shows of picture i, as far as it is at hand: the relation, and
// the logarithm of the detail from line to line, 0 for a thing.
func (s *state) seen(i int, v *view) (r relation, lines float64) {
	at := s.successions.at(i)
	switch {
	case v.look != nil:
		return s.of(v.t, v.look, i), 0
	case v.window > 0:
		return at.places[v.window-1], at.linesIn[v.window-1]
	}
	return at.whole, at.lines
}

// series is what a view shows from picture from on.
type series struct {
	from      int
	relations [2*(jointBeside+1) + mostJointly]relation
	lines     [2*(jointBeside+1) + mostJointly]float64 // logarithm of the detail from line to line
}

// jointBurst is a burst that is known by all of its signs together, and where.
type jointBurst struct {
	mixedBurst
	view
	changed [len(signs)]float64 // what each sign changes by
}

// lookAlong fills the series of a view around the first picture of what may be a burst.
func (s *state) lookAlong(first int, v *view) *series {
	o := &s.series
	*o = series{from: first - jointBeside - 1}
	for k := range o.relations {
		i := o.from + k
		if v.look == nil || i < first {
			o.relations[k], o.lines[k] = s.seen(i, v)
			continue
		}
		if i == first && len(o.known(detailSign, o.from, first-1)) < fewestJoint {
			break // none that follows would tell
		}
		o.relations[k] = s.expected(v.t, v.look, i)
		if i < first+fewestJointly && !o.relations[k].known {
			break // nor a burst that begins with it
		}
	}
	return o
}

// at returns one of the signs in picture i.
func (o *series) at(sign, i int) (float64, bool) {
	return signs[sign].of(&o.relations[i-o.from], o.lines[i-o.from])
}

// known lists those that are known of some pictures.
func (o *series) known(sign, from, to int) (list []float64) {
	for i := from; i < to; i++ {
		if x, known := o.at(sign, i); known {
			list = append(list, x)
		}
	}
	return list
}

// changeOf is by how much a sign is more in a burst than beside it, and how far it
// strays there; false where that is not known.
func (o *series) changeOf(sign int, b *jointBurst) (change, stray float64, known bool) {
	g := &signs[sign]
	first, last, near := b.first, b.first+b.n, 1
	if g.shared {
		near = 2
	}
	before := o.known(sign, first-jointBeside-1, first-near+1)
	after := o.known(sign, last+near-1, last+jointBeside+1)
	within := first
	if sign == differenceSign {
		within++ // the first differs from one that is not mixed
	}
	in := o.known(sign, within, last)
	if len(before) < fewestJoint || len(after) < fewestJoint || len(in) == 0 {
		return 0, 0, false
	}
	was, _ := middling(before)
	is, _ := middling(after)
	// Which are now what they differ from that by.
	stray = max(g.least, deviation*median(append(before, after...)), math.Abs(was-is)/2)
	return median(in) - (was+is)/2, stray, true
}

// deviation is the standard deviation over the median of what differs from the middle,
// for Gauss's distribution, with a fifth for that of few.
const deviation = 1.2 * 1.4826

// jointly weighs what all signs of a burst say together, as the logarithm of odds, and
// which part of that what is on the way says.
func (o *series) jointly(b *jointBurst) (odds, way float64) {
	for k := range signs {
		change, stray, known := o.changeOf(k, b)
		if !known {
			if k == detailSign {
				return 0, 0
			}
			continue
		}
		b.changed[k] = change
		if k == detailSign && (change < leastJointLoss || change > mostJointLoss || !o.losesAtOnce(b)) ||
			k == differenceSign && change > min(mostJointFall, fallPerLoss*b.changed[detailSign]) {
			return 0, 0
		}
		// Of two of Gauss's distributions, with the same deviation.
		expected := signs[k].expected
		variance := stray*stray + signStrays*signStrays*expected*expected
		more := min(mostOdds, (change-expected/2)*expected/variance)
		if odds += more; k == waySign {
			way = more
		}
	}
	return odds, way
}

// losesAtOnce reports whether the detail falls from one picture to the next as a burst
// begins, and is back at its end.
func (o *series) losesAtOnce(b *jointBurst) bool {
	last := b.first + b.n
	before := o.known(detailSign, b.first-jointBeside-1, b.first)
	after := o.known(detailSign, last, last+jointBeside+1)
	usual := (median(before) + median(after)) / 2
	share := func(i int) (float64, bool) {
		v, known := o.at(detailSign, i)
		return (v - usual) / b.changed[detailSign], known
	}
	for i := b.first; i < last; i++ {
		if v, known := share(i); !known || (i == b.first || i == last-1) && v < jointWithin {
			return false
		}
	}
	for _, i := range [...]int{b.first - 1, last} {
		if v, known := share(i); !known || v > jointBesides {
			return false
		}
	}
	return true
}

// joint returns the surest burst that begins at a picture; of confidence 0 if none does.
func (s *state) joint(first int) (best jointBurst) {
	most := 0.0
	for window := range len(windows) + 1 {
		s.jointIn(first, view{window: window}, &best, &most)
	}
	looks := s.echo.At(first)
	for k := range looks {
		if !looks[k].Whole {
			s.jointIn(first, view{look: &looks[k], t: first}, &best, &most)
		}
	}
	best.sure = squash(most - jointOdds)
	best.of = best.mixture()
	return best
}

// jointIn looks for a surer burst than the best so far in what a view is of.
func (s *state) jointIn(first int, v view, best *jointBurst, most *float64) {
	// That the detail falls spares most pictures the rest.
	detail := func(i int) (float64, bool) {
		r, _ := s.seen(i, &v)
		return signs[detailSign].of(&r, 0)
	}
	was, known := detail(first - 1)
	is, now := detail(first)
	if !known || !now || is-was < leastJointFall {
		return
	}
	o := s.lookAlong(first, &v)
	for n := fewestJointly; n <= mostJointly && !s.cutBeside(first, n); n++ {
		b := jointBurst{mixedBurst: mixedBurst{first: first, n: n}, view: v}
		odds, way := o.jointly(&b)
		if v.look != nil {
			odds -= thingOdds
		}
		if odds <= max(*most, leastAsked) {
			continue
		}
		if way > 0 && s.onSlopes(first, n) {
			odds -= way // what goes with the slopes is of no mixture
		}
		if odds > *most && o.staysLarge(&b) && s.softerAlong(first, n) && !s.flashes(first, n, v.part()) &&
			s.stillLoss(first, n, v.part()) <= jointStill*b.changed[detailSign] {
			*best, *most = b, odds
		}
	}
}

// stillLoss is the logarithm of what the detail of the places that are at rest as a
// burst begins falls by in it, in a part of the picture: mixed with itself it keeps it
// all, out of focus or coded worse it is softer too.
func (s *state) stillLoss(first, n int, part image.Rectangle) float64 {
	m := s.motion.At(first)
	if m == nil {
		return 0
	}
	of := func(i int) float64 {
		c := s.cells.At(i)
		if c == nil {
			return 0
		}
		return sumIn(part, c, func(k int) uint32 {
			if m.Changes.Has(k) {
				return 0
			}
			return c.Cells[k].Horizontal
		})
	}
	before, within := of(first-2), of(first+n/2)
	if before == 0 || within == 0 {
		return 0
	}
	return math.Log(before / within)
}

// cutBeside reports whether a scene begins near a burst or in it.
func (s *state) cutBeside(first, n int) bool {
	for i := first - jointBeside - 1; i <= first+n+jointBeside; i++ {
		if m := s.motion.At(i); m != nil && m.Cut {
			return true
		}
	}
	return false
}

// flashes reports whether the light of a part of the picture jumps in a burst or beside it:
// no mixture's does, and after a flash a coder takes some pictures to be as good as before.
func (s *state) flashes(first, n int, part image.Rectangle) bool {
	var light []float64
	for i := first - 2; i < first+n+2; i++ {
		c := s.cells.At(i)
		if c == nil {
			continue
		}
		light = append(light, sumIn(part, c, func(k int) uint32 { return c.Cells[k].Sum }))
	}
	return jumps(light)
}

// sumIn is the sum over the cells of a part of the picture.
func sumIn(part image.Rectangle, c *cells.Map, of func(k int) uint32) (sum float64) {
	in := partCells(part, c)
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for k := y*c.Cols + in.Min.X; k < y*c.Cols+in.Max.X; k++ {
			sum += float64(of(k))
		}
	}
	return sum
}

// jumps reports whether light changes at once.
func jumps(light []float64) bool {
	for i := 1; i < len(light); i++ {
		if max(light[i-1], light[i]) > mostLighter*min(light[i-1], light[i]) {
			return true
		}
	}
	return false
}

// staysLarge reports whether what moves stays as large in a burst as beside it.
func (o *series) staysLarge(b *jointBurst) bool {
	areas := func(from, to int) (list []float64) {
		for _, r := range o.relations[from-o.from : to-o.from] {
			if r.known && r.area > 0 {
				list = append(list, float64(r.area))
			}
		}
		return list
	}
	last := b.first + b.n
	in, out := areas(b.first, last), append(areas(b.first-jointBeside-1, b.first-1), areas(last+1, last+jointBeside+1)...)
	if len(in) == 0 || len(out) == 0 {
		return false
	}
	a := median(in) / median(out)
	return a < jointArea && a > 1/jointArea
}

// mixture is that of which a burst has lost as much detail as (a, 1-2a, a) takes of what is
// unlike itself a step away, 1-4a+6a^2 of it left; or blended fields, where it is lost
// between the lines.
func (b *jointBurst) mixture() mixture {
	if b.changed[linesSign] > signs[linesSign].expected/2 {
		return mixture{ahead: 0.5, fields: b.changed[relationSign] < halfOrWhole}
	}
	left := max(1./3, math.Exp(-b.changed[detailSign]))
	a := (1 - math.Sqrt(1-1.5*(1-left))) / 3
	return mixture{behind: a, ahead: a}
}

// jointRegion is where a picture changes in the window of a burst.
func (s *state) jointRegion(i int, b *jointBurst) (r image.Rectangle) {
	if l := b.look; l != nil {
		k := float64(i - b.t)
		return l.Region.Add(image.Pt(int(k*l.DX), int(k*l.DY))).Intersect(s.raster)
	}
	if b.window == 0 {
		return s.changes(i)
	}
	if c := s.cells.At(i); c != nil {
		r = s.changesIn(i, partCells(b.part(), c))
	}
	return r
}

// changesIn is where a picture changes in a rectangle of cells.
func (s *state) changesIn(i int, in image.Rectangle) (r image.Rectangle) {
	c, m := s.cells.At(i), s.motion.At(i)
	if c == nil || m == nil {
		return r
	}
	for at := range m.Changes.In(in, c.Cols) {
		x, y := at%c.Cols, at/c.Cols
		r = r.Union(image.Rect(x, y, x+1, y+1))
	}
	return inPixels(r).Intersect(s.raster)
}

// markJoint marks the pictures of a burst that begins at a picture. It comes last: what
// is told by other rules is told with better weights.
func (s *state) markJoint(w *detect.Window) {
	if w.T < s.jointUntil || s.covered(w.T, s.raster) {
		return
	}
	b := s.joint(w.T)
	if b.sure < decided || s.covered(w.T, s.jointRegion(w.T, &b)) {
		return
	}
	// One picture early explains much of a burst, too.
	if next := s.joint(w.T + 1); next.sure > b.sure {
		return
	}
	s.jointUntil = b.first + b.n
	for i := b.first; i < b.first+b.n; i++ {
		s.markMixed(w, i, s.jointRegion(i, &b), b.of, b.sure)
	}
}
