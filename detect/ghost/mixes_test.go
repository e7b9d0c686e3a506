package ghost

import (
	"testing"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// Mixtures that last are told by how they relate and by what is on the way in them, both
// at once and in nearly all pictures, and so is of what they are.
func TestMixesFrom(t *testing.T) {
	plain := relation{known: true, rho: 0.1, half: 0.4, third: 0.4, quarter: 0.4}
	two := relation{known: true, rho: 0.5, half: 2, third: 0.2, quarter: 0.3}
	three := relation{known: true, rho: 0.66, half: 2, third: 0.2, quarter: 0.3}
	quarters := relation{known: true, rho: 0.66, half: 0.3, third: 2.2, quarter: 0.3}
	fade := relation{known: true, rho: 0.6, half: 5, third: 0.1, quarter: 0.1}
	slow := relation{known: true, rho: 0.9, half: 2, third: 0.2, quarter: 0.3}
	all := func(r relation) func(int) relation { return func(int) relation { return r } }
	but := func(r, o relation, places ...int) func(int) relation {
		return func(i int) relation {
			for _, p := range places {
				if p == i {
					return o
				}
			}
			return r
		}
	}
	for _, c := range []struct {
		name string
		of   func(i int) relation
		is   mixture // none where nothing is told
	}{
		{"single pictures", all(plain), mixture{}},
		{"two", all(two), mixture{behind: 0.5}},
		{"three", all(three), mixture{behind: 1. / 3, ahead: 1. / 3}},
		{"a quarter, a half, a quarter", all(quarters), mixture{behind: 0.25, ahead: 0.25}},
		{"all but one", but(three, plain, 3), mixture{behind: 1. / 3, ahead: 1. / 3}},
		{"all but two", but(three, plain, 2, 4), mixture{}},
		{"one is not known", but(three, relation{}, 2), mixture{}},
		{"a fade", all(fade), mixture{}},
		{"what goes slowly", all(slow), mixture{}},
	} {
		s := &state{motion: &motion.Store{}, cells: &cells.Store{}, echo: &echo.Store{}}
		s.successions.next = lastingMixes
		for i := range lastingMixes {
			s.successions.at(i).whole = c.of(i)
		}
		if sure, of := s.mixesFrom(0); sure >= decided != (c.is != mixture{}) || sure >= decided && of != c.is {
			t.Errorf("%s: %.2f, %+v", c.name, sure, of)
		}
	}
}
