package align

import (
	"context"
	"math"
)

const (
	// Beliefs that are so many pictures of the source earlier or later are looked at in a
	// pan: one that crosses the picture in six seconds goes by some pixels from picture to
	// picture, and a crop of some per cent by which they may be mistaken is a dozen of that.
	mostBeside = 12
	// Over so many pictures a pan or zoom is even where what lies midway between the places
	// before and after is less than half as far from the one between.
	panReach, panShare = 4, 0.5
	// Where a source ends is known to so much of the picture, as it is laid by pictures that
	// need not be those shown.
	laidShare = 2 * alikeFits
	// By so many nats, for a block of one picture, is a belief worse at most in an even pan
	// or zoom with the source laid as suits it: with scenes of stills that pan or zoom it was
	// by half of that.
	evenNats = 1.
)

// acrossPan looks again at a belief whose take may as well show pictures earlier or later
// with the source laid elsewhere: in an even pan or zoom both look alike, as far as the
// edges of the source leave room, and blocks are explained best where the least falls
// between those of the source. In views the right one leaves noise and coding alone, the
// wrong one also what the source's own pictures differ by. It reports whether it has
// changed the belief, and whether views leave doubt about those beyond the reach of a closer
// look.
func (a *Alignment) acrossPan(ctx context.Context, views Views) (changed, doubtful bool, err error) {
	if a.found.fit.from(&full) < alikeFits {
		return false, false, nil // most takes show all of their source
	}
	m := improver{a.take, a.source, period(a.source).Seconds()}
	beside := func(k int) belief { return m.placed(a.found.later(k, m.source.Len(), m.period)) }
	own := m.judged(beside(0))
	if before, after := beside(-panReach), beside(panReach); !evenly(&before.fit, &own.fit, &after.fit) {
		return false, false, nil
	}
	beliefs, later := []belief{*a.found}, []int{0}
	for _, way := range []int{-1, 1} {
		for k := 1; k <= mostBeside; k++ {
			b := beside(way * k)
			if !b.fit.endsAs(&own.fit) {
				break
			}
			if b = m.judged(b); b.misfit > own.misfit+evenNats*float64(m.take.Len()) {
				break
			}
			beliefs, later = append(beliefs, b), append(later, way*k)
		}
	}
	left, err := m.leftOfViews(ctx, views, beliefs)
	if err != nil {
		return false, false, err
	}
	best := 0
	for k, l := range left {
		if l < left[best] {
			best = k
		}
	}
	for k, l := range left {
		// A closer look tells those within its reach, and what makes it sure is better known.
		beyond := later[k] < later[best]-viewReach || later[k] > later[best]+viewReach
		doubtful = doubtful || beyond && left[best] > clearlyLess*l && m.apart(&beliefs[k], &beliefs[best])
	}
	if best == 0 {
		return false, doubtful, nil
	}
	a.found = &beliefs[best]
	a.state(&m, *a.found)
	return true, doubtful, nil
}

// from is how far from where another fit has it a corner of the picture lies, at most.
func (f *Fit) from(g *Fit) float64 {
	most := 0.
	for _, at := range []float64{0, 1} {
		x := (f.ScaleX-g.ScaleX)*at + f.OffsetX - g.OffsetX
		y := (f.ScaleY-g.ScaleY)*at + f.OffsetY - g.OffsetY
		most = max(most, math.Abs(x), math.Abs(y))
	}
	return most
}

// evenly reports whether a source is laid on and on the same way for pictures before,
// at and after some.
func evenly(before, at, after *Fit) bool {
	mid := Fit{(before.ScaleX + after.ScaleX) / 2, (before.OffsetX + after.OffsetX) / 2, (before.ScaleY + after.ScaleY) / 2, (before.OffsetY + after.OffsetY) / 2}
	by := before.from(after) / 2
	return by > alikeFits && mid.from(at) < panShare*by
}

// endsAs reports whether a take that shows a source by one fit could show it by this one:
// nothing from beyond where the source ends, and its bars where they are.
func (f *Fit) endsAs(own *Fit) bool {
	beyond := func(f *Fit) [4]float64 {
		return [4]float64{-f.OffsetX, f.OffsetX + f.ScaleX - 1, -f.OffsetY, f.OffsetY + f.ScaleY - 1}
	}
	now := beyond(own)
	for k, b := range beyond(f) {
		if o := now[k]; b < min(o, 0)-laidShare || o < -laidShare && b > o+laidShare {
			return false
		}
	}
	return true
}
