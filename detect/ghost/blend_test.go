package ghost

import (
	"math"
	"testing"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// related is a stage of which only the relations of the first pictures are known.
func related(pictures int, of func(i int) relation) *state {
	s := &state{motion: &motion.Store{}, cells: &cells.Store{}, echo: &echo.Store{}}
	s.successions.next = pictures
	for i := range pictures {
		r := of(i)
		r.known = true
		s.successions.ring[i%len(s.successions.ring)].whole = r
	}
	return s
}

// What pictures relate and soften from one to the next and back tells mixtures,
// however things move; either alone, or both by and by, does not.
func TestBlends(t *testing.T) {
	const first, n, pictures = 10, 6, 24
	in := func(i int) bool { return i >= first && i < first+n }
	// Real pictures stray.
	stray := func(i int, by float64) float64 { return by * math.Sin(2.7*float64(i)) }
	type shown struct{ rho, loss, area float64 }
	usual := func(i int) shown { return shown{0.1 + stray(i, 0.06), stray(i+1, 0.03), 100} }
	for _, c := range []struct {
		name  string
		of    func(i int) shown
		found bool
	}{
		{"a mixture", func(i int) shown {
			s := usual(i)
			if in(i) {
				s.rho, s.loss, s.area = s.rho+0.5, s.loss+0.7, 130
			}
			return s
		}, true},
		{"nothing", usual, false},
		{"slower, and sharper for it", func(i int) shown {
			s := usual(i)
			if in(i) {
				s.rho, s.loss = s.rho+0.5, s.loss-0.2
			}
			return s
		}, false},
		{"coded worse", func(i int) shown {
			s := usual(i)
			if in(i) {
				s.loss += 0.7
			}
			return s
		}, false},
		{"softer by and by", func(i int) shown {
			s := usual(i)
			k := max(0, min(1, float64(i-first+3)/8))
			s.rho, s.loss = s.rho+0.5*k, s.loss+0.7*k
			return s
		}, false},
		{"a little softer from here on", func(i int) shown {
			s := usual(i)
			if i >= first {
				s.rho, s.loss = s.rho+0.35, s.loss+0.3
			}
			return s
		}, false},
		{"hidden for a while", func(i int) shown {
			s := usual(i)
			if in(i) {
				s.rho, s.loss, s.area = s.rho+0.5, s.loss+0.7, 20
			}
			return s
		}, false},
		{"softer than any mixture", func(i int) shown {
			s := usual(i)
			if in(i) {
				s.rho, s.loss = s.rho+0.5, s.loss+1.6
			}
			return s
		}, false},
		{"restless before", func(i int) shown {
			s := usual(i)
			if s.rho += stray(i, 0.5); in(i) {
				s.rho, s.loss = s.rho+0.5, s.loss+0.7
			}
			return s
		}, false},
	} {
		s := related(pictures, func(i int) relation {
			at := c.of(i)
			return relation{rho: at.rho, detail: 1000 * math.Exp(-at.loss), area: int(at.area)}
		})
		var firsts []int
		for i := blendBefore; i < pictures-blendAfter; i++ {
			if b := s.blends(i); b.sure >= decided {
				if firsts = append(firsts, i); !c.found || i != first || b.n != n {
					t.Errorf("%s: a burst of %d pictures from %d on", c.name, b.n, i)
				}
			}
		}
		if c.found && len(firsts) != 1 {
			t.Errorf("%s: bursts from %v on, want one from %d", c.name, firsts, first)
		}
	}
}

// The weights of a burst are told from how much its pictures relate and lose.
func TestBlendMixed(t *testing.T) {
	for _, c := range []struct {
		rho, rise, loss float64
		behind, ahead   float64
	}{
		// Pictures that are unlike each other relate by -1/2, mixed half and half by 0
		// and as (1/4, 1/2, 1/4) by 1/4; of the detail a half is left, and 3/8.
		{-0.5, 0.5, math.Log(2), 0.5, 0},
		{-0.5, 0.75, math.Log(8.0 / 3), 0.25, 0.25},
	} {
		b := blend{usual: usual{rho: c.rho}, rise: c.rise, loss: c.loss}
		if m := b.mixed(mixture{behind: c.behind, ahead: c.ahead}); math.Abs(m.behind-c.behind) > 0.03 || math.Abs(m.ahead-c.ahead) > 0.03 {
			t.Errorf("rise %.2f, loss %.2f: %+v, want %.2f and %.2f", c.rise, c.loss, m, c.behind, c.ahead)
		}
	}
}
