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

// mellows returns the burst that begins at a picture, by what it relates and
// softens, and how sure it is.
func (s *state) mellows(first int) (n int, sure float64) {
	u, ok := s.usualBefore(first)
	if !ok {
		return 0, 0
	}
	needRise, needLoss := max(mellowRise, mellowStrays*u.rhoStray), max(mellowLoss, mellowStrays*u.detailStray)
	of := func(i int) (rise, loss float64, known bool) {
		r := s.successions.at(i).whole
		if !r.known || r.detail == 0 {
			return 0, 0, false
		}
		a := float64(r.area) / u.area
		return r.rho - u.rho, u.detail - math.Log(r.detail), a < mellowArea && a > 1/mellowArea
	}
	rises, losses := 0.0, 0.0
	for {
		rise, loss, known := of(first + n)
		if !known || rise < mellowWithin*needRise || loss < mellowWithin*needLoss {
			break
		}
		rises, losses = rises+rise, losses+loss
		if n++; n > mostMellow {
			return 0, 0
		}
	}
	if n < fewestMellow {
		return 0, 0
	}
	rise, loss := rises/float64(n), losses/float64(n)
	// It begins at once, and no mixture is softer than one of equal shares.
	_, before, _ := of(first - 1)
	if _, start, _ := of(first); start < mellowWithin*loss || before > mellowBeside*loss || loss > mostSoft {
		return 0, 0
	}
	for i := first + n; i < first+n+mellowAfter; i++ {
		if r, l, known := of(i); !known || l > mellowBeside*loss || r > mellowBeside*rise && i > first+n {
			return 0, 0
		}
	}
	if !s.softerAlong(first, n) || s.stillLoss(first, n) > mellowStill*loss {
		return 0, 0
	}
	return n, squash(min(rise/needRise-1, loss/needLoss-1) / mellowSlack)
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

// markMellow marks the pictures of a burst that begins at a picture and is known by
// what it relates and softens.
func (s *state) markMellow(w *detect.Window) {
	if s.covered(w.T, s.raster) {
		return
	}
	n, sure := s.mellows(w.T)
	if sure < leastMarked {
		return
	}
	of := mixture{behind: mellowShare, ahead: mellowShare}
	region := inPixels(s.successions.at(w.T).conspicuous.all()).Intersect(s.raster)
	s.spells = append(s.spells, told{spell: spell{first: w.T, n: n, mixture: of, explained: 1}, region: region})
	px := s.step(w.T)
	for i := w.T; i < w.T+n; i++ {
		m := detect.Mark{Kind: detect.Ghost, Picture: i, Strength: 100 * of.behind, Confidence: sure, Measures: of.measures(px)}
		if m.Region = inPixels(s.successions.at(i).conspicuous.all()).Intersect(s.raster); !m.Region.Empty() {
			w.Mark(m)
		}
	}
}

// mellowShare is what either copy is taken to have where it is not told.
const mellowShare = 0.25
