package ghost

import (
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/echo"
)

// doubt is a place of a picture that moves as a whole which shows copies that the
// others do not: each has its own step, and more or less detail to show them by. It
// is settled where places of the pictures beside show the same weights, alone or as
// all do: the first pictures of a burst have fewer clean ones at hand that are alike.
type doubt struct {
	picture int
	look    echo.Look
	verdict verdict
	marked  bool
}

const (
	// So many pictures before and after may settle a doubt, and so many of them and
	// its own have to show the same.
	settleSpan, settlePictures = 2, 3
	// Weights are the same that differ by less: those of a mixture stray by a few
	// hundredths, those of textures as it comes.
	settleWeights = 0.1
)

// doubtAt keeps what a place of picture t shows alone, or, marked, as others do.
func (s *state) doubtAt(t int, l *echo.Look, v *verdict, marked bool) {
	if v.compared && v.ratio == 1 {
		s.doubts = append(s.doubts, doubt{picture: t, look: *l, verdict: *v, marked: marked})
	}
}

// toldAt keeps what a place of picture t shows as enough of them do, which settles doubts
// beside it.
func (s *state) toldAt(t int, l *echo.Look, v *verdict) {
	if l.Whole {
		s.doubtAt(t, l, v, true)
	}
}

// settle marks the doubts that the pictures up to this one settle.
func (s *state) settle(w *detect.Window) {
	s.doubts = slices.DeleteFunc(s.doubts, func(d doubt) bool { return d.picture < w.T-2*settleSpan })
	for i := range s.doubts {
		d := &s.doubts[i]
		if d.marked || !s.settled(d) {
			continue
		}
		d.marked = true
		weights := d.verdict.weights.centred()
		m := s.mark(&d.look, &d.verdict, weights)
		if m.Strength >= faintest {
			m.Picture = d.picture
			w.Mark(m)
		}
	}
}

// settled reports whether enough pictures show what a place does.
func (s *state) settled(d *doubt) bool {
	own := d.verdict.weights.centred()
	n, last := 0, -1
	for i := range s.doubts {
		o := &s.doubts[i]
		if o.picture == last || o.picture < d.picture-settleSpan || o.picture > d.picture+settleSpan {
			continue
		}
		w := o.verdict.weights.centred()
		// Of two equal copies either may be taken for the thing.
		if math.Abs(w.own-own.own) < settleWeights && math.Abs(max(w.behind, w.ahead)-max(own.behind, own.ahead)) < settleWeights {
			n, last = n+1, o.picture
		}
	}
	return n >= settlePictures
}
