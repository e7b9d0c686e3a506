package ghost

import "setwitness/detect"

// mixedBurst is pictures that follow each other and are mixed wherever they change.
type mixedBurst struct {
	first, n int
	of       mixture
	sure     float64
	open     bool // it goes on for longer than is seen ahead
	lapse    int  // pictures at its end that do not show it
}

// markMixedBurst marks the pictures of a burst that begins at picture w.T.
func (s *state) markMixedBurst(w *detect.Window, b *mixedBurst) {
	s.spells = append(s.spells, told{spell: spell{first: b.first, n: b.n, mixture: b.of, explained: 1}, region: s.changes(w.T)})
	for i := b.first; i < b.first+b.n; i++ {
		s.markMixed(w, i, b.of, b.sure)
	}
}

// goesOn marks picture w.T where an open burst goes on in it, which it does until more
// than a few pictures that follow each other do not show it, and reports whether it does.
func (s *state) goesOn(w *detect.Window, b *mixedBurst, shows func() bool) bool {
	if !b.open || w.T < b.first+b.n {
		return false
	}
	if b.lapse++; shows() {
		b.lapse = 0
	}
	m := s.motion.At(w.T)
	if b.open = m != nil && !m.Cut && b.lapse <= blendLapse; b.open && b.lapse == 0 {
		s.markMixed(w, w.T, b.of, b.sure)
	}
	return b.open
}

// markMixed marks picture i as a mixture where it changes.
func (s *state) markMixed(w *detect.Window, i int, of mixture, sure float64) {
	region := s.changes(i)
	if region.Empty() {
		return
	}
	w.Mark(detect.Mark{
		Kind: detect.Ghost, Picture: i, Region: region, Strength: 100 * max(of.behind, of.ahead),
		Confidence: sure, Measures: of.measures(s.step(i)),
	})
}
