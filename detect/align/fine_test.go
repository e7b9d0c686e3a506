package align

import (
	"math/rand/v2"
	"testing"
	"time"

	"setwitness/detect/signature"
)

// A lead-in of one colour, or of something else, does not belong to the source after it, also
// where such pictures blunted the response so much that all fit badly; dark pictures of a dark
// source do.
func TestBelong(t *testing.T) {
	const n, led = 60, 20
	for _, c := range []struct {
		name        string
		first       int
		take, of    float64 // contrast of the first pictures, of the take and of the source
		gain, usual float64
		other       bool // the first show something else
	}{
		{"lead-in", led, 0, 1, 0.6, 1, false},
		{"follows well", led, 0, 1, 1, 1, false},
		{"a menu", led, 0.8, 1, 0.4, 1, true},
		{"begins dark", 0, 0.05, 0.05, 1, 1, false},
		{"all of it soft", 0, 0.3, 1, 0.3, 0.3, false},
	} {
		r := rand.New(rand.NewPCG(3, 4))
		var pattern [n][signature.Blocks]float64
		for i := range pattern {
			for b := range pattern[i] {
				pattern[i][b] = 60 * r.Float64()
			}
		}
		draw := func(before, after float64, other bool) *signature.Sequence {
			s := &signature.Sequence{Aspect: 16. / 9}
			for i := range n {
				contrast := after
				if i < led {
					contrast = before
				}
				for b := range pattern[i] {
					v := pattern[i][b] - 30
					if other && i < led {
						v = 30 * float64(b/40%2*2-1)
					}
					s.Values = append(s.Values, uint16((80+contrast*v)*signature.Unit8))
				}
				s.Times = append(s.Times, time.Duration(i)*40*time.Millisecond)
			}
			s.Lives = s.Times
			return s
		}
		s := &stretch{take: draw(c.take, c.usual, c.other), source: draw(c.of, 1, false), last: n - 1}
		for b := range s.gain {
			s.gain[b], s.weight[b] = c.gain, 1
		}
		for i := range n {
			s.shown = append(s.shown, i)
		}
		if first, last := s.belong(); first != c.first || last != n-1 {
			t.Errorf("%s: pictures %d to %d", c.name, first, last)
		}
	}
}

// What a menu before a clip changes does not blunt the response by which the clip's first
// scene, shorter than the next, belongs to it.
func TestFollowAfterMenu(t *testing.T) {
	const n, menu, cut = 80, 30, 38 // pictures of the take, of the menu, and up to the first cut
	r := rand.New(rand.NewPCG(5, 6))
	var scenes [2][2 * signature.Blocks]float64
	for k := range scenes {
		for b := range scenes[k] {
			scenes[k][b] = 30 + 120*r.Float64()
		}
	}
	draw := func(before bool) *signature.Sequence {
		s := &signature.Sequence{Aspect: 16. / 9}
		for i := range n {
			scene := &scenes[min(i/cut, 1)]
			for b := range signature.Blocks {
				v := scene[b]
				if b%3 == 0 { // moves
					v = scene[b+7*i]
				}
				if before && i < menu {
					v = 30 + 170*float64(b/50%2)
				}
				s.Values = append(s.Values, uint16((v+0.3*r.NormFloat64())*signature.Unit8))
			}
			s.Times = append(s.Times, time.Duration(i)*40*time.Millisecond)
		}
		s.Lives = s.Times
		return s
	}
	s := &stretch{take: draw(true), source: draw(false), rate: 1, last: n - 1}
	if err := s.follow(); err != nil {
		t.Fatal(err)
	}
	if s.first != menu || s.last != n-1 {
		t.Errorf("pictures %d to %d of %d", s.first, s.last, n)
	}
}
