package ghost

import (
	"math"
	"testing"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// Signs that are each too weak for a rule of its own tell a burst together, in the whole
// picture or in a part of it; what has some of them for another reason lacks the others.
func TestJointly(t *testing.T) {
	const first, n, pictures = 9, 3, 24
	in := func(i int) bool { return i >= first && i < first+n }
	stray := func(i int, by float64) float64 { return by * math.Sin(2.7*float64(i)) }
	type shown struct{ rho, half, detail, energy, lines, area float64 }
	usual := func(i int) shown {
		return shown{-0.35 + stray(i, 0.05), 0.3 + stray(i+1, 0.1), 9 + stray(i+2, 0.06), 12 + stray(i+3, 0.1), -0.4 + stray(i, 0.02), 100}
	}
	with := func(change func(s *shown)) func(i int) shown {
		return func(i int) shown {
			s := usual(i)
			if in(i) {
				change(&s)
			}
			return s
		}
	}
	mixed := func(s *shown) {
		s.rho, s.half, s.detail, s.energy, s.lines = s.rho+0.2, s.half+0.6, s.detail-0.7, s.energy-0.5, s.lines-0.2
	}
	for _, c := range []struct {
		name  string
		of    func(i int) shown
		found bool
	}{
		{"a mixture", with(mixed), true},
		{"nothing", usual, false},
		{"coded worse", with(func(s *shown) { s.detail, s.lines = s.detail-0.7, s.lines-0.2 }), false},
		{"slower, and as sharp", with(func(s *shown) { mixed(s); s.detail += 0.7 }), false},
		{"faster, and blurred by it", with(func(s *shown) { mixed(s); s.rho, s.energy = s.rho-0.3, s.energy+1 }), false},
		{"softer than any mixture", with(func(s *shown) { mixed(s); s.detail -= 1 }), false},
		{"slower by far, and a little softer", with(func(s *shown) { mixed(s); s.rho, s.detail, s.energy = s.rho+0.3, s.detail+0.35, s.energy-1.2 }), false},
		{"the fast thing hidden", with(func(s *shown) { mixed(s); s.area = 40 }), false},
		{"by and by", func(i int) shown {
			s, m := usual(i), usual(i)
			mixed(&m)
			k := max(0, 1-math.Abs(float64(i-first-1))/6)
			mix := func(a, b float64) float64 { return a + k*(b-a) }
			return shown{mix(s.rho, m.rho), mix(s.half, m.half), mix(s.detail, m.detail), mix(s.energy, m.energy), mix(s.lines, m.lines), s.area}
		}, false},
		{"it strays as much beside the burst", func(i int) shown {
			s := with(mixed)(i)
			s.detail, s.rho, s.half, s.energy = s.detail+stray(i, 0.7), s.rho+stray(i+1, 0.4), s.half+stray(i+2, 0.8), s.energy+stray(i+3, 0.8)
			return s
		}, false},
	} {
		for window := range len(windows) + 1 {
			s := &state{motion: &motion.Store{}, cells: &cells.Store{}, echo: &echo.Store{}}
			s.successions.next = pictures
			for i := range pictures {
				at, x := s.successions.at(i), c.of(i)
				r := relation{known: true, rho: x.rho, detail: math.Exp(x.detail), energy: math.Exp(x.energy),
					area: int(x.area), half: x.half, third: 0.3, quarter: 0.3}
				if window > 0 {
					at.places[window-1], at.linesIn[window-1] = r, x.lines
				} else {
					at.whole, at.lines = r, x.lines
				}
			}
			found := false
			for i := jointBeside; i < pictures-jointBeside; i++ {
				b := s.joint(i)
				if b.sure < decided || s.joint(i+1).sure > b.sure {
					continue
				}
				if found = true; !c.found || i != first || b.n != n || b.window != window {
					t.Errorf("%s, window %d: a burst of %d pictures from %d on in window %d", c.name, window, b.n, i, b.window)
				}
			}
			if found != c.found {
				t.Errorf("%s, window %d: found %v", c.name, window, found)
			}
		}
	}
}

// A flash is told from light that changes slowly.
func TestJumps(t *testing.T) {
	for _, c := range []struct {
		name  string
		light []float64
		jumps bool
	}{
		{"even", []float64{100, 100, 101, 100}, false},
		{"a slow change", []float64{100, 104, 108, 112, 116}, false},
		{"a flash", []float64{100, 100, 170, 120, 102}, true},
		{"darker", []float64{100, 70, 70, 70}, true},
		{"black", []float64{0, 0, 0}, false},
		{"none known", nil, false},
	} {
		if got := jumps(c.light); got != c.jumps {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
