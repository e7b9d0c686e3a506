package ghost

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/detect/cells"
)

// rows are pictures of one row each, which goes round.
type rows [][]float64

// differ is the mean square of what a picture differs by from the one so many before.
func (r rows) differ(i, steps int) float64 {
	sum := 0.0
	for x, v := range r[i] {
		sum += (v - r[i-steps][x]) * (v - r[i-steps][x])
	}
	return sum / float64(len(r[i]))
}

// moved is a row of hills whose slopes are so wide, moved by so much.
func moved(width, by float64) []float64 {
	const length = 512
	random := rand.New(rand.NewPCG(1, 2))
	row := make([]float64, length)
	for range 40 {
		at, height := random.Float64()*length, random.NormFloat64()*40
		for x := range row {
			d := math.Mod(float64(x)-at-by, length)
			if d < 0 {
				d += length
			}
			d = min(d, length-d)
			row[x] += height * math.Exp(-d*d/(2*width*width))
		}
	}
	return row
}

// What mixtures differ by follows from what the pictures that they are made of do.
func TestMixturesDiffer(t *testing.T) {
	const step, count = 3.0, 12
	clean := make(rows, count)
	for i := range clean {
		clean[i] = moved(2, step*float64(i))
	}
	p := pairs{first: 4, n: 4, before: pairsBeside, after: pairsBeside}
	for steps := 1; steps <= mostApart; steps++ {
		p.usual[steps] = math.Log(clean.differ(count-1, steps))
	}
	for _, of := range append(pairedMixtures[:], mixture{ahead: 1. / 3}) {
		shown := append(rows{}, clean...)
		for i := p.first; i < p.first+p.n; i++ {
			shown[i] = make([]float64, len(clean[i]))
			for _, s := range p.shares(i, of) {
				for x, v := range clean[s.at] {
					shown[i][x] += s.weight * v
				}
			}
		}
		for i := p.first; i < count-1; i++ {
			for steps := 1; steps <= min(i, 4); steps++ {
				is, expected := shown.differ(i, steps), p.expects(p.shares(i, of), p.shares(i-steps, of))
				if math.Abs(is-expected) > 0.01*is+1e-6 {
					t.Errorf("%+v: pictures %d and %d differ by %.2f, not %.2f", of, i-steps, i, is, expected)
				}
			}
		}
	}
}

// Bursts of mixtures of two pictures are told by what pictures differ by; what jerks,
// slows down, gets soft or is shown half a step too early, and what bounces, is not.
func TestPairs(t *testing.T) {
	const first, n, count = 8, 3, 20
	in := func(i int) bool { return i >= first && i < first+n }
	at := func(i int) float64 { return 4 * float64(i) }
	mix := func(a, b []float64, share float64) []float64 {
		row := make([]float64, len(a))
		for x := range row {
			row[x] = (1-share)*a[x] + share*b[x]
		}
		return row
	}
	when := func(of func(i int) []float64) func(i int) []float64 {
		return func(i int) []float64 {
			if in(i) {
				return of(i)
			}
			return moved(2, at(i))
		}
	}
	for _, c := range []struct {
		name string
		of   func(i int) []float64
		is   mixture // none
	}{
		{"halves of the next", when(func(i int) []float64 { return mix(moved(2, at(i)), moved(2, at(i+1)), 0.5) }), mixture{ahead: 0.5}},
		{"halves of the last", when(func(i int) []float64 { return mix(moved(2, at(i)), moved(2, at(i-1)), 0.5) }), mixture{behind: 0.5}},
		{"nothing", when(func(i int) []float64 { return moved(2, at(i)) }), mixture{}},
		{"half a step early", when(func(i int) []float64 { return moved(2, at(i)+2) }), mixture{}},
		{"softer", when(func(i int) []float64 { return moved(3, at(i)) }), mixture{}},
		{"softer and early", when(func(i int) []float64 { return moved(3, at(i)+2) }), mixture{}},
		{"it slows down", when(func(i int) []float64 { return moved(2, at(first)+2*float64(i-first)) }), mixture{}},
		{"a jolt", when(func(i int) []float64 { return moved(2, at(i)+float64(3*(i%2))) }), mixture{}},
		{"something passes", when(func(i int) []float64 { return mix(moved(2, at(i)), moved(5, 100-at(i)), 0.5) }), mixture{}},
		{"unsteady", func(i int) []float64 { return moved(2, at(i)+1.5*math.Sin(2.7*float64(i))) }, mixture{}},
	} {
		shown := make(rows, count)
		random := rand.New(rand.NewPCG(3, 4))
		for i := range shown {
			shown[i] = c.of(i)
			for x := range shown[i] {
				shown[i][x] += random.NormFloat64()
			}
		}
		var best mixedBurst
		odds := 0.0
		for from := pairsBeside; from < count-pairsBeside-fewestPaired; from++ {
			for length := fewestPaired; length <= mostPaired && from+length+pairsBeside <= count; length++ {
				for _, of := range pairedMixtures[:2] {
					p := pairs{first: from, n: length, before: pairsBeside, after: pairsBeside, noise: 2}
					total := func(i, steps int) float64 { return max(shown.differ(i, steps)-p.noise, p.noise/100) }
					if !p.learn(total) || p.strays > mostPairStrays {
						continue
					}
					if o := p.odds(of, total) - pairsPrior; o > odds {
						odds, best = o, mixedBurst{first: from, n: length, of: of}
					}
				}
			}
		}
		if found := c.is != (mixture{}); found != (odds > 0) || found && (best.first != first || best.n != n || best.of != c.is) {
			t.Errorf("%s: odds of %.1f of %+v", c.name, odds, best)
		}
	}
}

// The end of a long burst is told by what pictures differ by, as far as what goes evenly and
// what gets faster or softer does not fit it.
func TestPairedEnd(t *testing.T) {
	const first, count = 3, 24
	mix := func(i int, of mixture) []float64 {
		a, b := moved(2, 4*float64(i)), moved(2, 4*float64(i+1))
		if of.behind > 0 {
			b = moved(2, 4*float64(i-1))
		}
		for x := range a {
			a[x] = (a[x] + b[x]) / 2
		}
		return a
	}
	for _, c := range []struct {
		name string
		of   mixture
		in   func(i int) []float64
		is   bool
	}{
		{"halves of the next end", pairedMixtures[0], func(i int) []float64 { return mix(i, pairedMixtures[0]) }, true},
		{"halves of the last begin", pairedMixtures[1], func(i int) []float64 { return mix(i, pairedMixtures[1]) }, true},
		{"even", pairedMixtures[0], func(i int) []float64 { return moved(2, 4*float64(i)) }, false},
		{"softer", pairedMixtures[1], func(i int) []float64 { return moved(4, 4*float64(i)) }, false},
		{"half a step early", pairedMixtures[0], func(i int) []float64 { return moved(2, 4*float64(i)+2) }, false},
	} {
		p := pairs{first: first, n: mostPaired, after: 2 * pairsBeside, noise: 2}
		if c.of.behind > 0 {
			p.first, p.before, p.after = first+2*pairsBeside, 2*pairsBeside, 0
		}
		shown := make(rows, count)
		random := rand.New(rand.NewPCG(5, 6))
		for i := range shown {
			if shown[i] = moved(2, 4*float64(i)); i >= p.first && i < p.first+p.n {
				shown[i] = c.in(i)
			}
			for x := range shown[i] {
				shown[i][x] += random.NormFloat64()
			}
		}
		total := func(i, steps int) float64 { return max(shown.differ(i, steps)-p.noise, p.noise/100) }
		if !p.learn(total) {
			t.Errorf("%s: strays by %.2f", c.name, p.strays)
		} else if o := p.odds(c.of, total); o > leastPairOdds != c.is {
			t.Errorf("%s: odds of %.1f", c.name, o)
		}
	}
}

// Of what begins before the take does nothing is known.
func TestPairsBeforeTake(t *testing.T) {
	s := &state{cells: new(cells.Store)}
	if s.moving(&pairs{first: -1, n: mostPaired, after: 2 * pairsBeside}, image.Rect(0, 0, 4, 4)) {
		t.Error("what is not there moves")
	}
}
