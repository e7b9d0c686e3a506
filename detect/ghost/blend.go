package ghost

import (
	"image"
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
	area                float64
}

// usualBefore is what the pictures before one show; false where too few are known.
func (s *state) usualBefore(first int) (u usual, ok bool) {
	var rho, detail, area []float64
	for i := first - blendBefore; i < first-1; i++ {
		if r := s.successions.at(i).whole; r.known && r.detail > 0 {
			rho, detail, area = append(rho, r.rho), append(detail, math.Log(r.detail)), append(area, float64(r.area))
		}
	}
	// The one before relates to the first of the burst.
	if r := s.successions.at(first - 1).whole; r.known && r.detail > 0 {
		detail, area = append(detail, math.Log(r.detail)), append(area, float64(r.area))
	}
	if len(rho) < fewestBefore {
		return u, false
	}
	u.rho, u.rhoStray = middling(rho)
	u.detail, u.detailStray = middling(detail)
	u.area, _ = middling(area)
	return u, true
}

// blend is a burst that is known by what it relates and softens.
type blend struct {
	mixedBurst
	usual
	rise, loss float64 // means
}

// blendAt returns by how much picture i relates more and has less detail than those
// before a burst.
func (s *state) blendAt(i int, u *usual) (rise, loss float64, known bool) {
	r := s.successions.at(i).whole
	if !r.known || r.detail == 0 {
		return 0, 0, false
	}
	a := float64(r.area) / u.area
	return r.rho - u.rho, u.detail - math.Log(r.detail), a < blendArea && a > 1/blendArea
}

// blends returns the burst that begins at a picture; of confidence 0 if none does.
func (s *state) blends(first int) (b blend) {
	u, ok := s.usualBefore(first)
	if !ok {
		return b
	}
	b = blend{mixedBurst: mixedBurst{first: first}, usual: u}
	needRise, needLoss := max(blendRise, blendStrays*u.rhoStray), max(blendLoss, blendStrays*u.detailStray)
	for !b.open {
		rise, loss, known := s.blendAt(first+b.n, &u)
		if !known || rise < blendWithin*needRise || loss < blendWithin*needLoss {
			break
		}
		b.rise, b.loss = b.rise+rise, b.loss+loss
		b.n++
		b.open = b.n > mostBlended
	}
	if b.n < fewestBlended {
		return b
	}
	b.rise, b.loss = b.rise/float64(b.n), b.loss/float64(b.n)
	// It begins at once, and no mixture is softer than one of equal shares.
	_, before, _ := s.blendAt(first-1, &u)
	if _, start, _ := s.blendAt(first, &u); start < blendWithin*b.loss || before > blendBeside*b.loss || b.loss > mostSoft {
		return b
	}
	for i := first + b.n; i < first+b.n+blendAfter && !b.open; i++ {
		if r, l, known := s.blendAt(i, &u); !known || l > blendBeside*b.loss || r > blendBeside*b.rise && i > first+b.n {
			return b
		}
	}
	if !s.staysAsLarge(first, b.n, true, !b.open, false) || !s.softerAlong(first, b.n) || s.stillLoss(first, b.n, wholePicture) > blendStill*b.loss || s.onSlopes(&b.mixedBurst) {
		return b
	}
	if b.open {
		needRise, needLoss = openBlend*needRise, openBlend*needLoss
	}
	b.sure = squash(min(b.rise/needRise-1, b.loss/needLoss-1) / blendSlack)
	b.of = b.mixed(s.side(&b))
	return b
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
		if off := math.Hypot(rise-b.rise, loss-b.loss); off < least {
			best, least = m, off
		}
	}
	return best
}

// stillLoss is the logarithm of what the detail of the places that are at rest as a
// burst begins falls by in it, in a part of the picture: mixed with itself it keeps it
// all, out of focus or coded worse it is softer too.
func (s *state) stillLoss(first, n int, part image.Rectangle) float64 {
	m := s.motion.At(first)
	if m == nil {
		return 0
	}
	threshold := motion.ChangedAbove(m.Noise)
	rest := s.cells.At(first).Reduced.Diff
	of := func(i int) float64 {
		sum := 0.0
		if c := s.cells.At(i); c != nil {
			in := partCells(part, c)
			for y := in.Min.Y; y < in.Max.Y; y++ {
				for k := y*c.Cols + in.Min.X; k < y*c.Cols+in.Max.X; k++ {
					if rest[k] <= threshold {
						sum += float64(c.Cells[k].Horizontal)
					}
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
		rise, loss, known := s.blendAt(w.T, &last.usual)
		return known && rise > blendBeside*last.rise && loss > blendWithin*last.loss
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
