package ghost

import (
	"image"
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
	"setwitness/detect/trend"
)

// By how much two pictures differ, in squares, depends on how many steps they are apart
// alone, while things go on: say by V(0) = 0, V(1), V(2) and so on, whatever it is that
// moves, and in any part of the picture. What mixtures differ by follows from that, of
// weights w at times s and u at times t:
//
//	sum w u V(s-t) - 1/2 sum w w' V(s-s') - 1/2 sum u u' V(t-t')
//
// which is what the square of a sum expands to. Halves of a picture and the next one
// differ by half as much, in amplitude, from the picture that follows the burst as
// pictures a step apart do, and by more from the one before it; from those farther off
// they differ by less, as half of the detail cancels. All that is compared of a burst
// with the pictures beside it is weighed at once, so that things need neither be told
// from each other nor followed.

const (
	// So many pictures on either side of a burst are compared with it and with each
	// other, no more than so many steps apart.
	pairsBeside, mostApart = 5, 6
	// A burst has so many pictures, as many ahead as are kept.
	fewestPaired, mostPaired = 2, span - pairsBeside
	// The step out of a burst of halves, or into one, is half of the usual, and the one
	// at its other end more than the usual: no more than this share of it, and so many
	// times as much as the other.
	pairsDip, pairsRise = 0.75, 1.4
	// Of three copies the steps at both ends fall to 0.7 or 0.8 of the usual, and those
	// within to 0.6: no more than such a share.
	copiesDip, copiesWithin = 0.9, 0.8
	// The usual steps grow or shrink by no more than this factor from one to the next but
	// one, which is past what squares that stray by mostPairStrays do by far.
	mostUneven = 1.5
	// At least so many cells move.
	fewestPairCells = 6
	// How far the logarithm of what two pictures differ by strays: at least by this, as
	// edges fall between samples, and at most for it to say anything: what goes unsteadily,
	// bounces or stops strays by more, and goes half a step too far at times. Where the
	// detail tells of halves by itself, by so much.
	leastPairStrays, mostPairStrays, mostTold = 0.1, 0.14, 0.18
	// What differs by more than so many deviations counts as that many.
	mostPairOff = 5.0
	// As a burst, pictures differ by no more than so many deviations, root mean square,
	// and none by more.
	pairsFit, worstPair = 1.27, 4
	// Of all pairs so many are independent: those of a burst share its pictures.
	pairsAlike = 4
	// The logarithm of the odds against a burst at one place: some dozens of places and
	// lengths at each of thousands of pictures. None of 240 varied takes without a ghost
	// goes beyond it.
	pairsPrior = 8.5
	// Less than this is not asked for the detail.
	leastPairOdds = 2.0
)

// pairedMixtures are those that are looked for: halves of a picture and the next one, and
// of one and the last, and three copies. Mixtures of half a step are too like what things
// do that go unevenly.
var pairedMixtures = [...]mixture{
	{ahead: 0.5}, {behind: 0.5},
	{behind: 0.25, ahead: 0.25}, {behind: 1. / 3, ahead: 1. / 3},
}

// apartness is by how much a picture differs from those before it.
type apartness struct {
	picture int // 0 is none yet: none is before it
	// squares are the mean squared differences of cells from the picture so many
	// before, less one, in squares of the unit of cells.Reduced.Pix, in the parts of
	// the picture that are known, a bit each.
	squares [mostApart][]float32
	known   [mostApart]uint16
}

// apart returns the mean squared differences of the cells of two pictures in some parts of
// them, the later one first; nil where one of them is not at hand.
func (s *state) apart(i, steps int, in image.Rectangle) []float32 {
	a, b := s.cells.At(i), s.cells.At(i-steps)
	if a == nil || b == nil || a.Cols != b.Cols {
		return nil
	}
	k := &s.apartnesses[i%len(s.apartnesses)]
	if k.picture != i {
		k.picture, k.known = i, [mostApart]uint16{}
	}
	list, known := &k.squares[steps-1], &k.known[steps-1]
	if n := a.Cols * a.Rows; len(*list) != n {
		*list = make([]float32, n)
	}
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for x := in.Min.X; x < in.Max.X; x++ {
			if bit := uint16(1) << (y*parts + x); *known&bit == 0 {
				s.successions.search.SquaredDifference(*list, a, b, partCells(image.Rect(x, y, x+1, y+1), a))
				*known |= bit
			}
		}
	}
	return *list
}

// pairs are what some pictures differ by from each other, in some of their cells.
type pairs struct {
	first, n int
	// So many pictures before and after the burst are compared with it.
	before, after int
	part          image.Rectangle // of the picture, in parts of it
	moves         motion.Changes  // in any of the pictures
	where         []int           // the cells of the part in which anything moves
	noise         float64         // squared
	// usual is the logarithm of what pictures so many steps apart differ by, which
	// strays by so much.
	usual  [mostApart + 1]float64
	strays float64
}

// pairedIn are the parts of a picture in which bursts are looked for, as of windows: all of
// it, the windows, and each part by itself, so that a fault in a part of the picture fills
// one of them.
var pairedIn = func() []image.Rectangle {
	list := append([]image.Rectangle{wholePicture}, windows[:]...)
	for y := range parts {
		for x := range parts {
			list = append(list, image.Rect(x, y, x+1, y+1))
		}
	}
	return list
}()

// pairedBurst is the surest burst of some, and all parts of the picture that show it, as
// rectangles of cells; of odds 0 if there is none.
type pairedBurst struct {
	mixedBurst
	in   []image.Rectangle
	odds float64
}

// add takes in a burst in a part of the picture, of those odds.
func (b *pairedBurst) add(first, n int, of mixture, in image.Rectangle, odds float64) {
	switch {
	case odds <= 0:
	case first == b.first && n == b.n && of == b.of:
		b.in, b.odds = append(b.in, in), max(b.odds, odds)
	case odds > b.odds:
		*b = pairedBurst{mixedBurst{first: first, n: n, of: of}, []image.Rectangle{in}, odds}
	}
	b.sure = squash(b.odds)
}

// paired returns the surest burst that begins at a picture.
func (s *state) paired(first int) (best pairedBurst) {
	c := s.cells.At(first)
	if c == nil {
		return best
	}
	for _, part := range pairedIn {
		r := partCells(part, c)
		n, of, odds := s.pairedPart(first, part, r)
		best.add(first, n, of, r, odds)
	}
	return best
}

// pairedPart returns the length and the mixture of the surest burst that begins at a
// picture in one part of it, which is that rectangle of cells, and the logarithm of its
// odds.
func (s *state) pairedPart(first int, part, in image.Rectangle) (length int, mixed mixture, odds float64) {
	var steps [2*pairsBeside + mostPaired]float64
	for k := range steps {
		steps[k] = s.stepIn(first-pairsBeside+1+k, part)
		if steps[k] == 0 && k <= pairsBeside+fewestPaired {
			return 0, mixed, 0
		}
	}
	for n := fewestPaired; n <= mostPaired && !s.cutBeside(first, n); n++ {
		p := &s.pairs
		learnt := false
		steps := steps[:2*pairsBeside+n-1]
		usual, known := usualStep(steps)
		for _, of := range pairedMixtures {
			if !known || !stepsAs(steps, of, usual) {
				continue
			}
			if !learnt {
				p.first, p.n, p.before, p.after, p.part = first, n, pairsBeside, pairsBeside, part
				if learnt = s.moving(p, in) && p.learn(s.total); !learnt {
					break
				}
			}
			if of.copies() && p.strays > mostPairStrays {
				continue
			}
			if o := s.pairedOdds(of, of.copies()); o > odds {
				length, mixed, odds = n, of, o
			}
		}
	}
	return length, mixed, odds
}

// pairedOdds is the logarithm of the odds that the burst that was learnt is of a mixture, by
// its pairs and its detail; 0 or less if they are against it. Alone is set where other things
// differ by the same, so that the detail has to tell by itself.
func (s *state) pairedOdds(of mixture, alone bool) float64 {
	p := &s.pairs
	o := p.odds(of, s.total)
	if o <= leastPairOdds {
		return 0
	}
	told, known := s.detailTells(p, of)
	if known && told < 0 || (alone || p.strays > mostPairStrays) && told < leastToldAlone {
		return 0
	}
	if alone {
		told -= leastToldAlone
	}
	return o + told - pairsPrior
}

// copies reports whether a mixture has copies on both sides.
func (m mixture) copies() bool { return m.behind > 0 && m.ahead > 0 }

// usualStep is the median of steps beside a burst, of those of pictures beside it, into it,
// in it, out of it and beside it again; false where those beside it are not even.
func usualStep(steps []float64) (usual float64, known bool) {
	first, last := pairsBeside-1, len(steps)-pairsBeside
	if steps[last] == 0 {
		return 0, false
	}
	var list [2 * pairsBeside]float64
	around := list[:copy(list[:], steps[:first])+copy(list[first:], steps[last+1:])]
	if !even(around) {
		return 0, false
	}
	return median(around), true
}

// stepsAs reports whether such steps, of which that is usual, may be those of a mixture.
func stepsAs(steps []float64, of mixture, usual float64) bool {
	first, last := pairsBeside-1, len(steps)-pairsBeside
	if of.copies() {
		within := 0.0
		for _, v := range steps[first+1 : last] {
			within += v / float64(last-first-1)
		}
		return max(steps[first], steps[last]) <= copiesDip*usual && within <= copiesWithin*usual
	}
	long, short := steps[first], steps[last]
	if of.behind > 0 {
		long, short = short, long
	}
	return long >= pairsRise*short && short <= pairsDip*usual
}

// stepIn is by how much a picture differs from the one before in a rectangle of parts,
// without noise; 0 where that is not known, or too little moves.
func (s *state) stepIn(i int, in image.Rectangle) float64 {
	c, m := s.cells.At(i), s.motion.At(i)
	if c == nil || m == nil || len(c.Reduced.Diff) == 0 {
		return 0
	}
	k := &s.partSteps[i%len(s.partSteps)]
	if k.picture != i {
		k.measure(i, c, m)
	}
	sum, n := float32(0), 0
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for x := in.Min.X; x < in.Max.X; x++ {
			sum, n = sum+k.sums[y*parts+x], n+k.cells[y*parts+x]
		}
	}
	if n < fewestPairCells {
		return 0
	}
	return float64(sum)
}

// even reports whether steps beside a burst are of about one length.
func even(steps []float64) bool {
	for i := 2; i < len(steps); i++ {
		if a, b := steps[i-2], steps[i]; max(a, b) > mostUneven*min(a, b) {
			return false
		}
	}
	return true
}

// partStep is by how much a picture differs from the one before in its parts: the sum over
// the cells that change, without noise, and how many those are.
type partStep struct {
	picture int // 0 is none yet: it differs from none
	sums    [parts * parts]float32
	cells   [parts * parts]int
}

func (k *partStep) measure(i int, c *cells.Map, m *motion.Map) {
	*k = partStep{picture: i}
	for part := range k.sums {
		in := partCells(image.Rect(part%parts, part/parts, part%parts+1, part/parts+1), c)
		for at := range m.Changes.In(in, c.Cols) {
			k.sums[part], k.cells[part] = k.sums[part]+c.Reduced.Diff[at]-m.Noise, k.cells[part]+1
		}
	}
}

// moving sets the cells of a rectangle in which anything moves in a burst or beside it, and
// the noise; false where that is not known, or too little moves.
func (s *state) moving(p *pairs, in image.Rectangle) bool {
	first := s.cells.At(p.first)
	if first == nil {
		return false
	}
	noise := float32(0)
	for i := p.first - p.before + 1; i < p.first+p.n+p.after; i++ {
		c, m := s.cells.At(i), s.motion.At(i)
		if c == nil || m == nil || len(c.Reduced.Diff) == 0 {
			return false
		}
		noise = max(noise, m.Noise)
		if i == p.first-p.before+1 {
			p.moves.Copy(&m.Changes)
		}
		p.moves.Union(&m.Changes)
	}
	p.where = p.where[:0]
	for at := range p.moves.In(in, first.Cols) {
		p.where = append(p.where, at)
	}
	if len(p.where) < fewestPairCells {
		return false
	}
	// The mean |difference| of Gaussian noise is 0.8 of its deviation.
	p.noise = max(1, float64(noise)*float64(noise)*math.Pi/2)
	return true
}

// total is what a picture differs by from the one so many steps before it, in squares, in
// the cells of the pairs and without noise; 0 where that is not known.
func (s *state) total(i, steps int) float64 {
	p := &s.pairs
	list := s.apart(i, steps, p.part)
	if list == nil {
		return 0
	}
	sum := 0.0
	for _, c := range p.where {
		sum += float64(list[c])
	}
	// A hundredth of the noise is below what anything is told from.
	return max(sum/float64(len(p.where))-p.noise, p.noise/100)
}

// learn takes in what the pictures on either side of a burst differ by from each other;
// false where that is not known, or strays too far to tell anything.
func (p *pairs) learn(total func(i, steps int) float64) bool {
	from, to := p.first-p.before, p.first+p.n+p.after
	var fit trend.Fit
	for steps := 1; steps <= mostApart; steps++ {
		var list, when [2 * pairsBeside]float64
		count := 0
		for i := from + steps; i < to; i++ {
			if i >= p.first && i-steps < p.first+p.n {
				continue // on both sides, or in the burst
			}
			d := total(i, steps)
			if d == 0 {
				return false
			}
			list[count], when[count] = math.Log(d), float64(i)-float64(steps)/2
			count++
		}
		if count == 0 {
			p.usual[steps] = p.usual[steps-1]
			continue
		}
		p.usual[steps] = fit.Add(list[:count], when[:count])
	}
	p.strays = max(leastPairStrays, p.straysOf(&fit))
	return p.strays <= mostTold
}

// straysOf is how far what is usual beside a burst strays in it: of one side alone the trend
// is not known to go on.
func (p *pairs) straysOf(fit *trend.Fit) float64 {
	if p.before == 0 || p.after == 0 {
		return fit.Spread()
	}
	return fit.Strays()
}

// between is what pictures so many steps apart differ by.
func (p *pairs) between(steps int) float64 {
	if steps < 0 {
		steps = -steps
	}
	if steps == 0 {
		return 0
	}
	return math.Exp(p.usual[min(steps, mostApart)])
}

// share is a picture's share of a mixture: how far from it that picture is.
type share struct {
	at     int
	weight float64
}

// expects is what two pictures differ by that are mixtures.
func (p *pairs) expects(a, b []share) float64 {
	sum := 0.0
	for _, x := range a {
		for _, y := range b {
			sum += x.weight * y.weight * p.between(x.at-y.at)
		}
	}
	for _, list := range [...][]share{a, b} {
		for _, x := range list {
			for _, y := range list {
				sum -= x.weight * y.weight * p.between(x.at-y.at) / 2
			}
		}
	}
	return sum
}

// shares returns of which pictures one is made if the burst is of that mixture.
func (p *pairs) shares(i int, of mixture) []share {
	if i < p.first || i >= p.first+p.n {
		return []share{{i, 1}}
	}
	return []share{{i - 1, of.behind}, {i, 1 - of.behind - of.ahead}, {i + 1, of.ahead}}
}

// odds returns by how much what the pictures of a burst differ by makes the logarithm of the
// odds grow that they are mixtures; 0 where it does not fit.
func (p *pairs) odds(of mixture, total func(i, steps int) float64) float64 {
	var clean, mixed, worst float64
	n := 0
	for i := p.first; i < p.first+p.n+min(p.after, pairsBeside); i++ {
		for steps := 1; steps < mostApart; steps++ {
			b := i - steps
			if b < p.first-min(p.before, pairsBeside) || i >= p.first+p.n && (b >= p.first+p.n || b < p.first) {
				continue
			}
			d := total(i, steps)
			if d == 0 {
				return 0
			}
			// A third of the noise's strays is left beside what the noise is taken off.
			off := func(expected float64) float64 {
				o := math.Log((d+p.noise/3)/(expected+p.noise/3)) / p.strays
				return min(math.Abs(o), mostPairOff)
			}
			a, m := off(p.between(steps)), off(p.expects(p.shares(i, of), p.shares(b, of)))
			clean, mixed, worst = clean+a*a, mixed+m*m, max(worst, m)
			n++
		}
	}
	if mixed > pairsFit*pairsFit*float64(n) || worst >= worstPair {
		return 0
	}
	return pairsAlike * (clean - mixed) / float64(n) / 2
}

// markPairs marks the pictures of a burst that begins at a picture and that no other rule
// has found.
func (s *state) markPairs(w *detect.Window) {
	if w.T < max(s.pairsUntil, s.jointUntil) || s.covered(w.T, s.raster) {
		return
	}
	b := s.paired(w.T)
	if b.odds == 0 {
		b = s.pairedEnd(w.T)
	}
	if b.odds == 0 {
		return
	}
	region := func(i int) (r image.Rectangle) {
		for _, part := range b.in {
			r = r.Union(s.changesIn(i, part))
		}
		return r
	}
	if s.covered(w.T, region(w.T)) {
		return
	}
	s.pairsUntil = max(w.T, b.first+b.n)
	for i := b.first; i < b.first+b.n; i++ {
		s.markMixed(w, i, region(i), b.of, b.sure)
	}
}
