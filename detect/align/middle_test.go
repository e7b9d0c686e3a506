package align

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"
)

// In an even pan a picture later beside looks like the one in the middle, but for its own
// grain: that says which of both is shown. Where there is none the middle is likelier,
// and not sure.
func TestToMiddle(t *testing.T) {
	const step = 6 // places from picture to picture
	for _, c := range []struct {
		name          string
		grain         float64
		beside        int // places that the take's pictures lie beside, in truth
		changed, sure bool
	}{
		{"in the middle", 1.5, 0, true, true},
		{"beside", 1.5, step, false, false},
		{"without grain", 0, 0, true, false},
	} {
		r := rand.New(rand.NewPCG(8, 7))
		x := newTexture(5)
		var g given
		for j := range 30 {
			g.source = append(g.source, x.view(float64(step*j), 1, c.grain, r))
		}
		const n, first = 16, 6
		for i := range n {
			v := &View{codes: slices.Clone(g.source[first+i].codes), known: g.source[first+i].known}
			for y := range viewRows {
				row := v.codes[y*viewCols:][:viewCols]
				copy(row[c.beside:], slices.Clone(row))
			}
			for k := range v.codes {
				v.codes[k] += uint16(r.IntN(30)) // noise of the take, an eighth of a code or less
			}
			g.take = append(g.take, v)
		}
		shown := from(first, n)
		if c.beside == 0 {
			shown = from(first+1, n)
		}
		a := believed(g, shown)
		// The pan goes to the right: a picture later has to lie to the left.
		a.found.fit.OffsetX = float64(step) / viewCols
		if c.beside == 0 {
			a.found.fit.OffsetX = -float64(step) / viewCols
		}
		changed, sure, err := a.toMiddle(context.Background(), g)
		if err != nil {
			t.Fatal(err)
		}
		if changed != c.changed || sure != c.sure {
			t.Errorf("%s: changed %v, sure %v", c.name, changed, sure)
		}
		if changed && !slices.Equal(a.Pictures, from(first, n)) {
			t.Errorf("%s: %v", c.name, a.Pictures)
		}
	}
}
