package ghost

import (
	"image"
	"math"

	"setwitness/detect"
)

const (
	// What moves in mixtures is three times as large as beside them at most, as what is
	// dissolved changes all over, and a third as large at least, as where a fast thing has
	// gone the slow ones are left; but plain mixtures lose what is fine. So many pictures
	// before and after the burst tell that, and so many of its own.
	mixedArea, mixedBeside, mixedWithin = 3, 6, 4
	// Mixtures of three pictures differ from each other by 1/9 of the energy that single
	// ones do where those are unlike each other, and relate by 0; by 1/3 where they
	// differ by their distance, and relate by 2/3. What differs by less than half of that
	// is something else that is shown.
	mixedEnergy, mixedPerRho = 1. / 9 / 2, 1. / 3 / 2
	// Nor do mixtures differ by more than single ones do. What goes three times as far from
	// one picture to the next does, by nine times the energy where edges are soft; what
	// differs by more did not move before, and tells nothing about it.
	mostMixedEnergy = 10
)

// staysAsLarge reports whether what changes in a burst is as large as on the sides that
// are known, or no larger where that is enough, and changes as much as mixtures of it do.
func (s *state) staysAsLarge(first, n int, before, after, noLarger bool) bool {
	last, part := first+n, min(n, mixedWithin)
	for _, side := range [...]struct {
		known   bool
		out, in int
	}{{before, first - mixedBeside, first}, {after, last, last - part}} {
		if !side.known {
			continue
		}
		out, in := s.usualChange(side.out, side.out+mixedBeside), s.usualChange(side.in, side.in+part)
		if out.known == 0 || in.known == 0 {
			continue // nothing to compare with
		}
		if a := in.area / out.area; a > mixedArea || !noLarger && a < 1/float64(mixedArea) || in.energy > mostMixedEnergy*out.energy ||
			in.energy < (mixedEnergy+mixedPerRho*max(0, in.rho))*out.energy {
			return false
		}
	}
	return true
}

// change is how large what changes is in some pictures, by how much, how they relate
// and the logarithm of its detail: medians of those that are known, and of how many.
type change struct {
	area, energy, rho, detail float64
	known                     int
}

func (s *state) usualChange(from, to int) (c change) {
	var areas, energies, rhos, details []float64
	for i := from; i < to; i++ {
		if r := s.successions.at(i).whole; r.known && r.detail > 0 {
			areas, energies = append(areas, float64(r.area)), append(energies, r.energy)
			rhos, details = append(rhos, r.rho), append(details, math.Log(r.detail))
		}
	}
	if c.known = len(areas); c.known > 0 {
		c.area, c.energy, c.rho, c.detail = median(areas), median(energies), median(rhos), median(details)
	}
	return c
}

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
	s.markMixedIn(w, i, s.changes(i), of, sure)
}

// markMixedIn marks picture i as a mixture in a region.
func (s *state) markMixedIn(w *detect.Window, i int, region image.Rectangle, of mixture, sure float64) {
	if region.Empty() {
		return
	}
	w.Mark(detect.Mark{
		Kind: detect.Ghost, Picture: i, Region: region, Strength: 100 * max(of.behind, of.ahead),
		Confidence: sure, Measures: of.measures(s.step(i)),
	})
}
