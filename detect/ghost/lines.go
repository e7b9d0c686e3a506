package ghost

import (
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
)

// Fields that are blended line by line, (1/4, 1/2, 1/4) of the lines, lose what is
// finest between the lines, wherever it is: what alternates from line to line all of
// it, edges a third. Where that goes from one picture to the next, and comes back so,
// little else is needed to know that two fields were mixed: that what moves relates by
// more, or has less detail along its lines. What is out of focus or coded worse loses
// along the lines at rest as well, and what is filled in from one field in neither.
const (
	// The logarithm of what is between the lines, over what is along them, falls by so
	// much, and so many times what it strays.
	fieldLines, fieldStrays = 0.12, 3
	// Each picture has the first share of that, and those beside it no more than the
	// other.
	fieldWithin, fieldBeside = 0.5, 0.4
	// So many pictures on either side say what is usual; of how they relate so many have
	// to be known, and so many follow a burst.
	fieldUsual, fewestUsual = 6, 3
	// A burst has so many pictures.
	fewestFields, mostFields = 3, 10
	// Two fields half a step apart relate by 1/6 more where edges are sharp, a whole step
	// apart by 1/2, and equal shares lose 0.7 of the logarithm of their detail. A half of
	// the first and a fifth of the last are enough together, or twice either without the
	// other; the rise counts up to four times, and there has to be half of one.
	fieldRise, fieldLoss         = 0.08, 0.15
	leastFieldRise               = 0.5
	mostFieldRise, mostFieldLoss = 4, 2
	halfOrWhole                  = (1./6 + 1./2) / 2
	// What is at rest loses less than that along the lines.
	fieldStill = 0.15
	// All of the picture loses it: of so many by so many parts of it, this share of those
	// that have a quarter of the usual detail. What comes into the picture without detail
	// between its lines is in some.
	fieldParts, fieldEverywhere, fieldDetail = 4, 0.7, 0.25
	// What goes is not woven fields that end: of those the zigzag is half of the second
	// difference from line to line, of the finest detail of pictures a fifth.
	mostZigzag = 0.35
)

// fieldBurst is a burst of pictures whose fields are blended.
type fieldBurst struct {
	mixedBurst
	usual, lost float64 // of the lines: beside it, and by how much less in it
}

// linesLost is by how much picture i has less between its lines than is usual beside a burst;
// false where that is not known.
func (s *state) linesLost(i int, b *fieldBurst) (lost float64, known bool) {
	m := s.motion.At(i)
	v := s.successions.at(i).lines
	return b.usual - v, v != 0 && (m == nil || !m.Cut)
}

// fieldsFrom returns the burst that begins at a picture; of confidence 0 if none does.
func (s *state) fieldsFrom(first int) (b fieldBurst) {
	b.first = first
	var usual []float64
	for i := first - fieldUsual; i < first; i++ {
		if _, known := s.linesLost(i, &b); known {
			usual = append(usual, s.successions.at(i).lines)
		}
	}
	if len(usual) < fieldUsual {
		return b
	}
	var stray float64
	b.usual, stray = middling(usual)
	need := max(fieldLines, fieldStrays*stray)
	for !b.open {
		lost, known := s.linesLost(first+b.n, &b)
		if !known || lost < fieldWithin*need {
			break
		}
		b.lost += lost
		b.n++
		b.open = b.n > mostFields
	}
	if b.n < fewestFields {
		return b
	}
	if b.lost /= float64(b.n); b.lost < need || !s.fieldsAtOnce(&b) {
		return b
	}
	if before, within := s.cells.At(first-1), s.cells.At(first+1); before != nil && within != nil &&
		(!b.everywhere(before, within) || combedBefore(before, within)) {
		return b
	}
	in, out := s.usualChange(first, first+b.n), s.usualChange(first-fieldUsual, first-1)
	after := s.usualChange(first+b.n+1, first+b.n+1+fieldUsual)
	if !b.open && after.known >= fewestUsual {
		out.rho, out.detail = (out.rho+after.rho)/2, (out.detail+after.detail)/2
	}
	if in.known < min(fewestUsual, b.n-1) || out.known < fewestUsual {
		return b
	}
	rise, loss := (in.rho-out.rho)/fieldRise, (out.detail-in.detail)/fieldLoss
	if b.open {
		rise, loss = rise/openBlend, loss/openBlend
	}
	if rise < leastFieldRise || !s.staysAsLarge(first, b.n, true, !b.open, true) || s.stillLoss(first, b.n, wholePicture) > fieldStill {
		return b
	}
	b.sure = squash(((min(rise, mostFieldRise)+max(0, min(loss, mostFieldLoss)))/2 - 1) / blendSlack)
	// A whole step apart or half of one, whichever is nearer.
	b.of = mixture{ahead: 0.5, fields: in.rho-out.rho < halfOrWhole}
	return b
}

// fieldsAtOnce reports whether a burst begins and ends from one picture to the next.
func (s *state) fieldsAtOnce(b *fieldBurst) bool {
	last := b.first + b.n
	if start, _ := s.linesLost(b.first, b); start < fieldWithin*b.lost {
		return false
	}
	if before, _ := s.linesLost(b.first-1, b); before > fieldBeside*b.lost {
		return false
	}
	for i := last; i < last+fewestUsual && !b.open; i++ {
		if lost, known := s.linesLost(i, b); !known || lost > fieldBeside*b.lost {
			return false
		}
	}
	return true
}

// everywhere reports whether most parts of the picture lose what a burst does, from the
// picture before it to one within.
func (b *fieldBurst) everywhere(before, within *cells.Map) bool {
	type detail struct{ second, horizontal float64 }
	parts := func(m *cells.Map) (p [fieldParts * fieldParts]detail) {
		for k := range m.Cells {
			at := &p[k/m.Cols*fieldParts/m.Rows*fieldParts+k%m.Cols*fieldParts/m.Cols]
			at.second += float64(m.Cells[k].Second)
			at.horizontal += float64(m.Cells[k].Horizontal)
		}
		return p
	}
	was, is := parts(before), parts(within)
	all, lost, mean := 0, 0, 0.0
	for i := range was {
		mean += was[i].second / float64(len(was))
	}
	for i := range was {
		if was[i].second < fieldDetail*mean || was[i].horizontal == 0 || is[i].second == 0 || is[i].horizontal == 0 {
			continue
		}
		all++
		if math.Log(was[i].second/was[i].horizontal*is[i].horizontal/is[i].second) >= fieldWithin*b.lost {
			lost++
		}
	}
	return float64(lost) >= fieldEverywhere*float64(all)
}

// combedBefore reports whether what a picture has from line to line, and the one within
// a burst has not, alternates as woven fields do.
func combedBefore(before, within *cells.Map) bool {
	along := func(m *cells.Map) (zigzag, second float64) {
		horizontal := 0.0
		for k := range m.Cells {
			c := &m.Cells[k]
			zigzag, second, horizontal = zigzag+float64(c.Zigzag), second+float64(c.Second), horizontal+float64(c.Horizontal)
		}
		if horizontal == 0 {
			return 0, 0
		}
		return zigzag / horizontal, second / horizontal
	}
	zigzag, second := along(before)
	zigzagWithin, secondWithin := along(within)
	return zigzag-zigzagWithin > mostZigzag*(second-secondWithin)
}

// markFields marks the pictures of a burst that begins at a picture, or that goes on
// in it.
func (s *state) markFields(w *detect.Window) {
	last := &s.lastFields
	if s.covered(w.T, s.raster) || s.goesOn(w, &last.mixedBurst, func() bool {
		lost, known := s.linesLost(w.T, last)
		return known && lost > fieldBeside*last.lost
	}) {
		return
	}
	b := s.fieldsFrom(w.T)
	if b.sure < leastMarked {
		return
	}
	s.markMixedBurst(w, &b.mixedBurst)
	*last = b
}
