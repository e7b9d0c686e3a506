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
	mellowBefore, fewestBefore = 6, 4
	mellowAfter                = 3
	// A burst has so many pictures.
	fewestMellow, mostMellow = 3, 10
	// Of one that goes on for longer than is seen ahead nothing says that all is as
	// before once it is over: it has to be so much plainer. It ends where fewer than
	// so many of the pictures that follow are known and as soft.
	openMellow, mellowLapse = 1.3, 2
	// The relation has to rise by so much, a third of what equal shares of pictures
	// do that are unlike each other; and the logarithm of the detail to fall by so
	// much, of the 0.7 that they lose. Both have to be so many times what the
	// pictures before stray.
	mellowRise, mellowLoss, mellowStrays = 0.3, 0.25, 3
	// Within a burst each picture has this share of the rise and of the loss, and
	// those after it no more than the other.
	mellowWithin, mellowBeside = 0.5, 0.4
	// What moves has to stay as large to this factor: what goes behind something
	// leaves the small and the soft.
	mellowArea = 1.8
	// Places at rest lose no more than this share of what those that move do.
	mellowStill = 0.3
	// The confidence grows by one step of the logistic function for such shares of
	// the least rise and of the least loss.
	mellowSlack = 0.15
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
	for i := first - mellowBefore; i < first-1; i++ {
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

// middling returns the median of values and the median of what they differ from it.
func middling(v []float64) (middle, stray float64) {
	middle = median(v)
	off := make([]float64, len(v))
	for i := range v {
		off[i] = math.Abs(v[i] - middle)
	}
	return middle, median(off)
}

// mellow is a burst that is known by what it relates and softens.
type mellow struct {
	usual
	first, n   int
	rise, loss float64 // means
	sure       float64
	open       bool // it goes on for longer than is seen ahead
	lapse      int  // pictures at its end that do not show it
}

// at returns by how much picture i relates more and has less detail than those
// before a burst.
func (s *state) mellowAt(i int, u *usual) (rise, loss float64, known bool) {
	r := s.successions.at(i).whole
	if !r.known || r.detail == 0 {
		return 0, 0, false
	}
	a := float64(r.area) / u.area
	return r.rho - u.rho, u.detail - math.Log(r.detail), a < mellowArea && a > 1/mellowArea
}

// mellows returns the burst that begins at a picture; of confidence 0 if none does.
func (s *state) mellows(first int) (b mellow) {
	u, ok := s.usualBefore(first)
	if !ok {
		return b
	}
	b = mellow{usual: u, first: first}
	needRise, needLoss := max(mellowRise, mellowStrays*u.rhoStray), max(mellowLoss, mellowStrays*u.detailStray)
	for !b.open {
		rise, loss, known := s.mellowAt(first+b.n, &u)
		if !known || rise < mellowWithin*needRise || loss < mellowWithin*needLoss {
			break
		}
		b.rise, b.loss = b.rise+rise, b.loss+loss
		b.n++
		b.open = b.n > mostMellow
	}
	if b.n < fewestMellow {
		return b
	}
	b.rise, b.loss = b.rise/float64(b.n), b.loss/float64(b.n)
	// It begins at once, and no mixture is softer than one of equal shares.
	_, before, _ := s.mellowAt(first-1, &u)
	if _, start, _ := s.mellowAt(first, &u); start < mellowWithin*b.loss || before > mellowBeside*b.loss || b.loss > mostSoft {
		return b
	}
	for i := first + b.n; i < first+b.n+mellowAfter && !b.open; i++ {
		if r, l, known := s.mellowAt(i, &u); !known || l > mellowBeside*b.loss || r > mellowBeside*b.rise && i > first+b.n {
			return b
		}
	}
	if !s.softerAlong(first, b.n) || s.stillLoss(first, b.n) > mellowStill*b.loss {
		return b
	}
	if b.open {
		needRise, needLoss = openMellow*needRise, openMellow*needLoss
	}
	b.sure = squash(min(b.rise/needRise-1, b.loss/needLoss-1) / mellowSlack)
	return b
}

// mellowOn marks picture w.T where the last burst goes on in it, and reports whether
// it does.
func (s *state) mellowOn(w *detect.Window) bool {
	b := &s.lastMellow
	if !b.open || w.T < b.first+b.n {
		return false
	}
	m := s.motion.At(w.T)
	rise, loss, known := s.mellowAt(w.T, &b.usual)
	if b.lapse++; known && rise > mellowBeside*b.rise && loss > mellowWithin*b.loss {
		b.lapse = 0
	}
	if b.open = m != nil && !m.Cut && b.lapse <= mellowLapse; b.open && b.lapse == 0 {
		s.markMellowAt(w, w.T, b)
	}
	return b.open
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

// markMellow marks the pictures of a burst that begins at a picture, or that goes on
// in it.
func (s *state) markMellow(w *detect.Window) {
	if s.covered(w.T, s.raster) || s.mellowOn(w) {
		return
	}
	b := s.mellows(w.T)
	if b.sure < leastMarked {
		return
	}
	region := inPixels(s.successions.at(w.T).conspicuous.all()).Intersect(s.raster)
	s.spells = append(s.spells, told{spell: spell{first: b.first, n: b.n, mixture: mellowMixture, explained: 1}, region: region})
	for i := b.first; i < b.first+b.n; i++ {
		s.markMellowAt(w, i, &b)
	}
	s.lastMellow = b
}

func (s *state) markMellowAt(w *detect.Window, i int, b *mellow) {
	region := inPixels(s.successions.at(i).conspicuous.all()).Intersect(s.raster)
	if region.Empty() {
		return
	}
	w.Mark(detect.Mark{
		Kind: detect.Ghost, Picture: i, Region: region, Strength: 100 * mellowMixture.behind,
		Confidence: b.sure, Measures: mellowMixture.measures(s.step(i)),
	})
}

// mellowMixture is what a burst is taken to be of where its weights are not told.
var mellowMixture = mixture{behind: 0.25, ahead: 0.25}
