package ghost

import (
	"image"

	"setwitness/detect"
)

const (
	// What moves in mixtures is three times as large as beside them at most, as what is
	// dissolved changes all over. So many pictures before and after the burst tell that, and
	// so many of its own.
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

// growsNoLarger reports whether what changes in a burst is no larger than beside it, and
// changes as much as mixtures of that do.
func (s *state) growsNoLarger(first, n int) bool {
	last, part := first+n, min(n, mixedWithin)
	for _, side := range [...]struct{ out, in int }{{first - mixedBeside, first}, {last, last - part}} {
		out, in := s.usualChange(side.out, side.out+mixedBeside), s.usualChange(side.in, side.in+part)
		if !out.known || !in.known {
			continue // nothing to compare with
		}
		if in.area > mixedArea*out.area || in.energy > mostMixedEnergy*out.energy ||
			in.energy < (mixedEnergy+mixedPerRho*max(0, in.rho))*out.energy {
			return false
		}
	}
	return true
}

// change is how large what changes is in some pictures, by how much and how they relate:
// medians of those that are known.
type change struct {
	known             bool
	area, energy, rho float64
}

func (s *state) usualChange(from, to int) (c change) {
	var areas, energies, rhos []float64
	for i := from; i < to; i++ {
		if r := s.successions.at(i).whole; r.known && r.detail > 0 {
			areas, energies, rhos = append(areas, float64(r.area)), append(energies, r.energy), append(rhos, r.rho)
		}
	}
	if c.known = len(areas) > 0; c.known {
		c.area, c.energy, c.rho = median(areas), median(energies), median(rhos)
	}
	return c
}

// mixedBurst is pictures that follow each other and are mixed wherever they change.
type mixedBurst struct {
	first, n int
	of       mixture
	sure     float64
}

// markMixed marks picture i as a mixture in a region.
func (s *state) markMixed(w *detect.Window, i int, region image.Rectangle, of mixture, sure float64) {
	if region.Empty() {
		return
	}
	w.Mark(detect.Mark{
		Kind: detect.Ghost, Picture: i, Region: region, Strength: 100 * max(of.behind, of.ahead),
		Confidence: sure, Measures: of.measures(s.step(i)),
	})
}
