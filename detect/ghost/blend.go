package ghost

import (
	"math"

	"setwitness/detect"
	"setwitness/detect/motion"
)

// A mixture relates to the pictures beside it by more than they do, and what moves
// in it has less detail than in them. Either alone has other reasons: what slows
// down relates by more, and is sharper for it; what goes faster is blurred, and
// relates by less; a picture that is coded worse is softer, and relates to none. Both
// at once, from one picture to the next and back after some, has only mixtures, however
// the things in it move.
const (
	// So many pictures before a burst, of which so many have to be known, and so
	// many after it, say what is usual.
	blendBefore, fewestBefore = 6, 4
	blendAfter                = 3
	// A burst has so many pictures.
	fewestBlended, mostBlended = 3, 10
	// Of one that goes on for longer than is seen ahead nothing says that all is as
	// before once it is over: it has to be so many times as plain. It ends where more
	// than so many pictures that follow each other do not show it.
	openBlend, blendLapse = 1.3, 2
	// The relation has to rise by so much, a third of what equal shares of pictures
	// do that are unlike each other; and the logarithm of the detail to fall by so
	// much, of the 0.7 that they lose. Both have to be so many times what the
	// pictures before stray.
	blendRise, blendLoss, blendStrays = 0.3, 0.25, 3
	// Fields that are blended line by line, (1/4, 1/2, 1/4) of the lines, lose what is
	// finest between the lines, wherever it is: what alternates from line to line all of
	// it, edges a third. Where that goes at once and comes back at once, by so much of
	// its logarithm, less will do of the rest: of what two fields half a step apart
	// relate more by, 1/6 for edges that are sharp, a half, and a fifth of what equal shares
	// lose along the lines where it moves, each for the other up to twice that. What is out
	// of focus, coded worse or filled in from one field loses either there or here.
	blendLines                            = 0.12
	halfStepRise, halfStepLoss, mostSigns = 0.08, 0.15, 2
	// Two fields a whole step apart relate more by 1/2, so nearer to that they are.
	halfOrWhole = (1./6 + 1./2) / 2
	// Within a burst each picture has this share of the rise and of the loss, and
	// those after it no more than the other.
	blendWithin, blendBeside = 0.5, 0.4
	// What moves has to stay as large to this factor: what goes behind something
	// leaves the small and the soft.
	blendArea = 1.8
	// Places at rest lose no more than this share of what those that move do.
	blendStill = 0.3
	// The confidence grows by one step of the logistic function for such shares of
	// the least rise and of the least loss.
	blendSlack = 0.15
)

// usual is what the pictures before a burst show.
type usual struct {
	rho, rhoStray       float64
	detail, detailStray float64 // logarithm
	lines, linesStray   float64 // as those of succession
	area                float64
}

// usualBefore is what the pictures before one show; false where too few are known.
func (s *state) usualBefore(first int) (u usual, ok bool) {
	var rho, detail, lines, area []float64
	for i := first - blendBefore; i < first; i++ {
		at := s.successions.at(i)
		if r := at.whole; r.known && r.detail > 0 {
			// The one before relates to the first of the burst.
			if i < first-1 {
				rho = append(rho, r.rho)
			}
			detail, lines, area = append(detail, math.Log(r.detail)), append(lines, at.lines), append(area, float64(r.area))
		}
	}
	if len(rho) < fewestBefore {
		return u, false
	}
	u.rho, u.rhoStray = middling(rho)
	u.detail, u.detailStray = middling(detail)
	u.lines, u.linesStray = middling(lines)
	u.area, _ = middling(area)
	return u, true
}

// blend is a burst that is known by what it relates and softens.
type blend struct {
	mixedBurst
	usual
	by     blended // means
	factor float64 // that what moves stays as large to
}

// blended is by how much a picture relates more, has less detail where it moves and
// less between its lines than those before a burst.
type blended struct{ rise, loss, lines float64 }

// blendAt returns that of picture i, in which what moves is as large to a factor.
func (s *state) blendAt(i int, u *usual, factor float64) (b blended, known bool) {
	at := s.successions.at(i)
	r := at.whole
	if !r.known || r.detail == 0 {
		return b, false
	}
	a := float64(r.area) / u.area
	return blended{r.rho - u.rho, u.detail - math.Log(r.detail), u.lines - at.lines}, a < factor && a > 1/factor
}

// blends returns the burst that begins at a picture; of confidence 0 if none does.
func (s *state) blends(first int) blend {
	u, ok := s.usualBefore(first)
	if !ok {
		return blend{}
	}
	need := blended{rise: max(blendRise, blendStrays*u.rhoStray), loss: max(blendLoss, blendStrays*u.detailStray)}
	if b := s.blendsBy(first, &u, need); b.sure >= leastMarked {
		return b
	}
	return s.blendsBy(first, &u, blended{halfStepRise, halfStepLoss, max(blendLines, blendStrays*u.linesStray)})
}

// blendsBy returns the burst that shows what it needs: in each picture the lines, or
// where none are asked for the rise and the loss.
func (s *state) blendsBy(first int, u *usual, need blended) (b blend) {
	b = blend{mixedBurst: mixedBurst{first: first}, usual: *u, factor: blendArea}
	if need.lines > 0 {
		b.factor = math.Inf(1) // the lines tell the burst
	}
	for !b.open {
		at, known := s.blendAt(first+b.n, u, b.factor)
		shown := at.rise >= blendWithin*need.rise && at.loss >= blendWithin*need.loss
		if need.lines > 0 {
			shown = at.lines >= blendWithin*need.lines
		}
		if !known || !shown {
			break
		}
		b.by.rise, b.by.loss, b.by.lines = b.by.rise+at.rise, b.by.loss+at.loss, b.by.lines+at.lines
		b.n++
		b.open = b.n > mostBlended
	}
	if b.n < fewestBlended {
		return b
	}
	b.by.rise, b.by.loss, b.by.lines = b.by.rise/float64(b.n), b.by.loss/float64(b.n), b.by.lines/float64(b.n)
	if need.lines > 0 && b.by.lines < need.lines {
		return b
	}
	// No mixture is softer than one of equal shares.
	beside, ok := s.atOnce(&b, need)
	if !ok || b.by.loss > mostSoft {
		return b
	}
	if !s.staysAsLarge(first, b.n, true, !b.open, false) || !s.softerAlong(first, b.n) || s.stillLoss(first, b.n) > blendStill*b.by.loss {
		return b
	}
	// Half a step is often no wider than an edge.
	if need.lines == 0 && s.onSlopes(&b.mixedBurst) {
		return b
	}
	if b.open {
		need.rise, need.loss = openBlend*need.rise, openBlend*need.loss
	}
	excess := min(b.by.rise/need.rise, b.by.loss/need.loss) - 1
	if need.lines > 0 {
		// Beside it is as much after it as before.
		b.by.rise, b.by.loss = b.by.rise-beside.rise/2, b.by.loss-beside.loss/2
		if b.by.loss < need.loss || b.by.rise < need.rise/mostSigns {
			return b
		}
		excess = (min(b.by.rise/need.rise, mostSigns)+min(b.by.loss/need.loss, mostSigns))/2 - 1
	}
	b.sure = squash(excess / blendSlack)
	if need.lines > 0 && b.by.rise < halfOrWhole {
		b.of = mixture{ahead: 0.5, fields: true}
	} else {
		b.of = b.mixed(s.side(&b))
	}
	return b
}

// atOnce reports whether a burst begins and ends from one picture to the next, by its
// lines where it needs them, as what moves strays more; and returns the mean of the
// pictures after it.
func (s *state) atOnce(b *blend, need blended) (after blended, ok bool) {
	start, _ := s.blendAt(b.first, &b.usual, b.factor)
	before, _ := s.blendAt(b.first-1, &b.usual, b.factor)
	if need.lines > 0 {
		ok = start.lines >= blendWithin*b.by.lines && before.lines <= blendBeside*b.by.lines
	} else {
		ok = start.loss >= blendWithin*b.by.loss && before.loss <= blendBeside*b.by.loss
	}
	if b.open {
		return after, ok
	}
	for i := b.first + b.n; i < b.first+b.n+blendAfter; i++ {
		at, known := s.blendAt(i, &b.usual, b.factor)
		first := i == b.first+b.n // which relates to the last of the burst
		if need.lines > 0 {
			ok = ok && known && at.lines <= blendBeside*b.by.lines
		} else {
			ok = ok && known && at.loss <= blendBeside*b.by.loss && (first || at.rise <= blendBeside*b.by.rise)
		}
		if !first {
			after.rise, after.loss = after.rise+at.rise/(blendAfter-1), after.loss+at.loss/(blendAfter-1)
		}
	}
	return after, ok
}

// side is where the copies of a burst lie that is known as blended: on both sides
// unless how the relations of its first pictures and its last differ says otherwise.
func (s *state) side(b *blend) (side mixture) {
	both := mixture{behind: 0.25, ahead: 0.25}
	if b.n > longest {
		return both
	}
	t := &s.trial
	*t = trial{before: b.rho}
	for k := range t.relations {
		t.relations[k] = s.successions.at(b.first + k - besides - 1).whole
	}
	after, _, known := s.beside(t, b.n+1, b.n+besides)
	if known < leastAfter {
		return both
	}
	t.alike((b.rho+after)/2, detail)
	side, most := both, t.explained(b.n, after, both, true)+diluted
	for _, m := range [...]mixture{{behind: 0.5}, {ahead: 0.5}} {
		if e := t.explained(b.n, after, m, true); e > most {
			side, most = m, e
		}
	}
	return side
}

// mixed returns the weights on the sides where there are any whose rise and loss are
// nearest to a burst's.
func (b *blend) mixed(side mixture) (best mixture) {
	like, single := alikeAt(b.rho, detail)
	least := math.Inf(1)
	for share := 0.1; share < 2; share += 0.02 {
		m := mixture{behind: share * side.behind, ahead: share * side.ahead}
		own := 1 - m.behind - m.ahead
		if own < max(m.behind, m.ahead) {
			break
		}
		rise := predict(0, &like, func(k int) (int, [3]float64) { return k - 1, [3]float64{m.behind, own, m.ahead} }).rho - single
		// Detail of a sample or two is unlike itself a step away.
		loss := -math.Log(own*own + m.behind*m.behind + m.ahead*m.ahead)
		if off := math.Hypot(rise-b.by.rise, loss-b.by.loss); off < least {
			best, least = m, off
		}
	}
	return best
}

// stillLoss is the logarithm of what the detail of the places that are at rest as a
// burst begins falls by in it: mixed with itself it keeps it all, out of focus or
// coded worse it is softer too.
func (s *state) stillLoss(first, n int) float64 {
	m := s.motion.At(first)
	if m == nil {
		return 0
	}
	threshold := motion.ChangedAbove(m.Noise)
	rest := s.cells.At(first).Reduced.Diff
	of := func(i int) float64 {
		sum := 0.0
		if c := s.cells.At(i); c != nil {
			for k := range c.Cells {
				if rest[k] <= threshold {
					sum += float64(c.Cells[k].Horizontal)
				}
			}
		}
		return sum
	}
	before, within := of(first-2), of(first+n/2)
	if before == 0 || within == 0 {
		return 0
	}
	return math.Log(before / within)
}

// markBlend marks the pictures of a burst that begins at a picture, or that goes on
// in it.
func (s *state) markBlend(w *detect.Window) {
	last := &s.lastBlend
	if s.covered(w.T, s.raster) || s.goesOn(w, &last.mixedBurst, func() bool {
		at, known := s.blendAt(w.T, &last.usual, last.factor)
		return known && at.rise > blendBeside*last.by.rise && at.loss > blendWithin*last.by.loss
	}) {
		return
	}
	b := s.blends(w.T)
	if b.sure < leastMarked {
		return
	}
	s.markMixedBurst(w, &b.mixedBurst)
	*last = b
}
