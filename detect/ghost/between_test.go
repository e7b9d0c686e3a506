package ghost

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// Sharp edges a step apart from picture to picture relate by what the differences of
// pictures that grow with their distance give, whatever they are mixed with, and have
// on the way what the copies cover.
func TestSharpEdges(t *testing.T) {
	const samples, step, edges, light = 4000, 20, 10, 100 * cells.Unit8
	plane := func(at float64, shutter float64, weights [3]float64) *cells.Map {
		m := &cells.Map{}
		m.Reduced.W, m.Reduced.H = samples, 1
		for x := range samples {
			v := 0.0
			for j, w := range weights {
				// Strips as wide as the way between edges, lit by turns.
				const instants = 40
				for e := range instants {
					k := at + float64(j-1) + shutter*(float64(e)+0.5)/instants
					if int(math.Floor((float64(x)-step*k)/(samples/edges)))%2 == 0 {
						v += w / instants
					}
				}
			}
			m.Reduced.Pix = append(m.Reduced.Pix, uint16(light*v))
		}
		return m
	}
	const third = 1.0 / 3
	for _, c := range []struct {
		name       string
		shutter    float64
		weights    [3]float64
		rho        float64
		way, stray float64 // and how far from it
	}{
		{"single", 0, [3]float64{0, 1, 0}, 0, 0, 0.05},
		{"open for half of the time", 0.5, [3]float64{0, 1, 0}, 0.1, 0, 0.3},
		{"open all the time", 1, [3]float64{0, 1, 0}, 0.25, 0, 0.3},
		{"two equal shares", 0, [3]float64{0.5, 0.5, 0}, 0.5, 5 * third, 0.1},
		{"three equal shares", 0, [3]float64{third, third, third}, 2 * third, 5, 0.1},
		{"a quarter, a half, a quarter", 0, [3]float64{0.25, 0.5, 0.25}, 2 * third, 10 * third, 0.1},
	} {
		var s sums
		s.add(&cells.Search{}, plane(0, c.shutter, c.weights), plane(1, c.shutter, c.weights), plane(2, c.shutter, c.weights), 0, 1, 1, []cells.Run{{To: samples}}, 40*cells.Unit8)
		r := s.relation(0)
		if math.Abs(r.rho-c.rho) > 0.02 {
			t.Errorf("%s: rho %.3f, want %.3f", c.name, r.rho, c.rho)
		}
		if way := max(r.half, r.third) - r.quarter; math.Abs(way-c.way) > c.stray {
			t.Errorf("%s: %.2f on the way (%.2f, %.2f, %.2f), want %.2f", c.name, way, r.half, r.third, r.quarter, c.way)
		}
	}
}

// A fade is half way all over and moves nothing: what changes one way tells no density.
func TestFadeIsNotOnTheWay(t *testing.T) {
	strips := func(gain float64) *cells.Map {
		m := &cells.Map{}
		for x := range 4000 {
			m.Reduced.Pix = append(m.Reduced.Pix, uint16(gain*float64(100+50*(x/20%2))*cells.Unit8))
		}
		m.Reduced.W, m.Reduced.H = len(m.Reduced.Pix), 1
		return m
	}
	var s sums
	s.add(&cells.Search{}, strips(1), strips(1.2), strips(1.4), 0, 1, 1, []cells.Run{{To: 4000}}, 20*cells.Unit8)
	if r := s.relation(0); s.Half != s.Changed || r.half != 0 || r.third != 0 || r.quarter != 0 {
		t.Errorf("%d of %d half way, densities %.2f, %.2f, %.2f", s.Half, s.Changed, r.half, r.third, r.quarter)
	}
}

// A burst is told by what is on the way in it and how it relates, both at once.
func TestCrossings(t *testing.T) {
	const first, n, pictures = 9, 5, 24
	in := func(i int) bool { return i >= first && i < first+n }
	stray := func(i int, by float64) float64 { return by * math.Sin(2.7*float64(i)) }
	type shown struct{ rho, half, sloped, area, energy float64 }
	usual := func(i int) shown { return shown{0.1 + stray(i, 0.05), 0.4 + stray(i+1, 0.1), 0.8, 100, 1000} }
	mixed := func(i int) shown {
		s := usual(i)
		if in(i) {
			s.rho, s.half, s.sloped = s.rho+0.4, s.half+0.9, 0.5
		}
		return s
	}
	for _, c := range []struct {
		name  string
		of    func(i int) shown
		found bool
	}{
		{"a mixture", mixed, true},
		{"nothing", usual, false},
		{"on the way only", func(i int) shown { s := mixed(i); s.rho = usual(i).rho; return s }, false},
		{"slower: it relates only", func(i int) shown { s := mixed(i); s.half = usual(i).half; return s }, false},
		{"slower: what is on the way goes with the slopes", func(i int) shown { s := mixed(i); s.sloped = 0.9; return s }, false},
		{"a dissolve", func(i int) shown {
			s := mixed(i)
			if in(i) {
				s.half += 1.8
			}
			return s
		}, false},
		{"on the way in the pictures before too", func(i int) shown {
			s := mixed(i)
			s.half += 0.8
			return s
		}, false},
		{"the fast thing hidden", func(i int) shown {
			s := mixed(i)
			if in(i) {
				s.area = 25
			}
			return s
		}, false},
		{"all of it changes", func(i int) shown {
			s := mixed(i)
			if in(i) {
				s.area = 400
			}
			return s
		}, false},
		{"something else is shown, which hardly changes", func(i int) shown {
			s := mixed(i)
			if in(i) {
				s.energy = 90
			}
			return s
		}, false},
		{"what stood still moves", func(i int) shown {
			s := mixed(i)
			if in(i) {
				s.energy = 20000
			}
			return s
		}, false},
		{"as much as mixtures of three change", func(i int) shown {
			s := mixed(i)
			if in(i) {
				s.energy = 330
			}
			return s
		}, true},
		{"by and by", func(i int) shown {
			s := usual(i)
			k := max(0, 1-math.Abs(float64(i-first-2))/6)
			s.rho, s.half, s.sloped = s.rho+0.5*k, s.half+0.9*k, 0.8-0.5*k
			return s
		}, false},
	} {
		s := related(pictures, func(i int) relation {
			at := c.of(i)
			return relation{rho: at.rho, detail: 1000, energy: at.energy, area: int(at.area), half: at.half, third: 0.4, quarter: 0.45}
		})
		for i := range pictures {
			s.successions.at(i).slope = slope{asked: true, known: true, share: c.of(i).sloped}
		}
		found := false
		for i := betweenBeside; i < pictures-betweenBeside; i++ {
			b := s.crossings(i)
			if b.sure < decided || s.crossings(i+1).sure > b.sure {
				continue
			}
			if found = true; !c.found || i != first || b.n != n {
				t.Errorf("%s: a burst of %d pictures from %d on", c.name, b.n, i)
			}
		}
		if found != c.found {
			t.Errorf("%s: found %v", c.name, found)
		}
	}
}

// The weights of a burst are told from where on the way its samples are.
func TestCrossedBy(t *testing.T) {
	for _, c := range []struct {
		name             string
		half, third, low float64
		rel              float64
		want             mixture
	}{
		{"two", 1.5, 0.8, 0.4, 0.5, mixture{behind: 0.5}},
		{"three equal", 2, 0.8, 0.4, 0.67, mixture{behind: 1.0 / 3, ahead: 1.0 / 3}},
		{"three", 0.5, 1.5, 0.7, 0.6, mixture{behind: 0.25, ahead: 0.25}},
		{"behind", 0.4, 1.5, 0.2, 0.3, mixture{behind: 0.3}},
		{"ahead", 0.4, 1.5, 1.3, 0.3, mixture{ahead: 0.3}},
	} {
		s := related(12, func(int) relation { return relation{half: c.half, third: c.third, low: c.low} })
		if got := s.crossedBy(&crossing{mixedBurst: mixedBurst{first: 4, n: 4}, rel: c.rel}); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}
