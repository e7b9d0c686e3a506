package cadence

import (
	"testing"

	"setwitness/detect/cells"
)

// Light that goes out and comes again is told from what goes on while it falls, or where
// one thing is darker.
func TestDips(t *testing.T) {
	const count = 100
	of := func(mean func(c int) float32) *note {
		k := &note{mean: make([]float32, count), noise: cells.Unit8}
		for c := range k.mean {
			k.mean[c] = cells.Unit8 * mean(c)
		}
		return k
	}
	even := func(v float32) *note { return of(func(int) float32 { return v }) }
	moved := func(at int) *note {
		return of(func(c int) float32 {
			if c/20 == at {
				return 90
			}
			return 60
		})
	}
	for _, c := range []struct {
		name    string
		b, k, a *note
		dips    bool
	}{
		{"it goes out", even(60), even(20), even(60), true},
		{"a flash", even(60), even(90), even(50), true},
		{"it falls", even(60), even(40), even(20), false},
		{"something moves", moved(0), moved(1), moved(2), false},
		{"nothing does", even(60), even(60), even(60), false},
		{"one thing is darker", even(60), of(func(c int) float32 {
			if c < 5 {
				return 20
			}
			return 60
		}), even(60), false},
	} {
		if dips := new(notes).dips(c.k, c.b, c.a); dips != c.dips {
			t.Errorf("%s: %v", c.name, dips)
		}
	}
}
