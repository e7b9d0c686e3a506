package align

import (
	"context"
	"slices"
)

const (
	// besideNats is what a fit costs by which a source lies beside the middle.
	besideNats = offCentreNats / 2
	// clearlyLess of what another belief leaves is no matter of how the source is laid:
	// what falls between its places is known less well, which changes what is left by a
	// sixth.
	clearlyLess = 0.8
)

// toMiddle looks again at a belief that the source lies beside the middle of the take. In a
// pan a picture earlier or later in the middle looks the same, and blocks, which are known
// the better the less falls between those of the source, may be explained the better
// by the wrong one. In views the right one leaves noise and coding alone, the wrong one
// also what the source's own pictures differ by. It reports whether it has changed
// the belief, and whether views tell.
func (a *Alignment) toMiddle(ctx context.Context, views Views) (changed, sure bool, err error) {
	if a.found.fit.offCentre() < besideNats {
		return false, false, nil
	}
	m := improver{a.take, a.source, period(a.source).Seconds()}
	beliefs := []belief{*a.found}
	for k := -mostLater; k <= mostLater; k++ {
		if k == 0 {
			continue
		}
		if b := m.placed(a.found.later(k, m.source.Len(), m.period)); b.fit.offCentre() < besideNats {
			beliefs = append(beliefs, b)
		}
	}
	if len(beliefs) == 1 {
		return false, false, nil
	}
	left, err := m.leftOfViews(ctx, views, beliefs)
	if err != nil {
		return false, false, err
	}
	own, best := left[0], 1
	for k := range left[1:] {
		if left[k+1] < left[best] {
			best = k + 1
		}
	}
	if own < clearlyLess*left[best] {
		return false, false, nil
	}
	a.found = &beliefs[best]
	a.state(&m, *a.found)
	return true, left[best] < clearlyLess*own, nil
}

// leftOfViews is what each of some beliefs leaves of a place in views of the take, as
// a mean square, with the source laid where it suits that belief best.
func (m *improver) leftOfViews(ctx context.Context, views Views, beliefs []belief) ([]float64, error) {
	var mine, theirs []int
	paths := make([][]pairing, len(beliefs))
	for k := range beliefs {
		paths[k] = beliefs[k].pairs()
		for _, p := range paths[k] {
			mine, theirs = append(mine, p.take), append(theirs, p.source)
		}
	}
	for _, l := range []*[]int{&mine, &theirs} {
		slices.Sort(*l)
		*l = slices.Compact(*l)
	}
	var e evener
	takes, rows := map[int]*evened{}, map[int]*[viewRows]bool{}
	err := views.Take(ctx, mine, func(i int, v *View) { takes[i], rows[i] = e.even(full, v), v.comparable() })
	if err != nil {
		return nil, err
	}
	sources := map[int]*View{}
	if err := views.Source(ctx, theirs, func(j int, v *View) { sources[j] = v }); err != nil {
		return nil, err
	}
	out := make([]float64, len(beliefs))
	for k, b := range beliefs {
		c := &closer{m: m, fit: b.fit, takes: takes, sources: map[int]*evened{}, rows: rows}
		for _, p := range paths[k] {
			if v := sources[p.source]; v != nil && takes[p.take] != nil {
				c.sources[p.source] = e.even(b.fit, v)
				c.samples = append(c.samples, viewed{take: p.take, source: p.source})
			}
		}
		path := make([]int, len(c.samples))
		c.place(path)
		c.weigh(c.laid(&c.by), new(plane), path)
		out[k] = c.typical
	}
	return out, nil
}
