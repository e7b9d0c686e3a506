package align

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"
)

// stretched is a view whose columns are drawn apart from the left side on, as one that is
// cut off at the right.
func stretched(v *View, by float64) *View {
	out := &View{codes: make([]uint16, len(v.codes)), known: v.known}
	for i := range out.codes {
		x := max((float64(i%viewCols)+0.5)/by-0.5, 0)
		k := int(x)
		row := v.codes[i/viewCols*viewCols:][:viewCols]
		p, q := float64(row[k]), float64(row[min(k+1, viewCols-1)])
		out.codes[i] = uint16(p + (q-p)*(x-float64(k)) + 0.5)
	}
	return out
}

// In an even pan of which one side is cut off pictures earlier, with as much taken
// to be cut off at the other side, look like those that are shown, but for the grain of each. Without
// grain nothing is sure, and where nothing is cut off there is no room for others.
func TestAcrossPan(t *testing.T) {
	const (
		step, by = 3, 1.06
		n, first = 20, 12
		off      = -5 // pictures, more than a closer look reaches
	)
	for _, c := range []struct {
		name              string
		grain             float64
		off               int
		by                float64
		changed, doubtful bool
	}{
		{"grain", 1.5, off, by, true, false},
		{"no grain", 0, off, by, true, true},
		{"believed rightly", 1.5, 0, by, false, false},
		{"whole", 1.5, 0, 1, false, false},
	} {
		r := rand.New(rand.NewPCG(3, 9))
		x := newTexture(6)
		var g given
		for j := range 50 {
			g.source = append(g.source, x.view(-float64(step*j), 1, c.grain, r))
		}
		for i := range n {
			g.take = append(g.take, stretched(g.source[first+i], c.by))
		}
		for _, v := range g.take {
			for k := range v.codes {
				v.codes[k] += uint16(r.IntN(30)) // an eighth of a code or less
			}
		}
		a := believed(g, from(first+c.off, n))
		// The pan goes to the right: a picture earlier has to lie to the left.
		a.found.fit = Fit{ScaleX: c.by, OffsetX: float64(c.off*step) / viewCols * c.by, ScaleY: 1}
		changed, doubtful, err := a.acrossPan(context.Background(), g)
		if err != nil {
			t.Fatal(err)
		}
		if doubtful != c.doubtful || c.grain > 0 && changed != c.changed {
			t.Errorf("%s: changed %v, doubtful %v", c.name, changed, doubtful)
		}
		if c.grain > 0 && !slices.Equal(a.found.pictures(n), from(first, n)) {
			t.Errorf("%s: %v", c.name, a.found.pictures(n))
		}
	}
}
