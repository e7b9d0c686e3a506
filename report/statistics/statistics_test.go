package statistics

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// Newcombe, "Two-sided confidence intervals for the single proportion",
// Statistics in Medicine 17 (1998), Table I, method 3 (score), from memory and
// computed again; small counts computed with another program.
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{
		{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718},
		{3, 3, 0.4385, 1}, {5, 5, 0.5655, 1}, {4, 5, 0.3755, 0.9638}, {3, 5, 0.2307, 0.8824},
		{0, 5, 0, 0.4345}, {10, 10, 0.7225, 1}, {0, 10, 0, 0.2775}, {0, 0, 0, 1},
	} {
		i := Wilson(c.k, c.n)
		if math.Abs(i.Low-c.low) > 5e-5 || math.Abs(i.High-c.high) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.k, c.n, i.Low, i.High, c.low, c.high)
		}
	}
}

// The bounds of the score interval are where the score test of a normal
// distribution just does not reject: gonum's own tail says so.
func TestWilsonInvertsTheScoreTest(t *testing.T) {
	for n := 1; n < 40; n += 3 {
		for k := range n + 1 {
			i := Wilson(k, n)
			for _, p := range []float64{i.Low, i.High} {
				if p == 0 || p == 1 {
					continue
				}
				z := (float64(k)/float64(n) - p) / math.Sqrt(p*(1-p)/float64(n))
				if tail := 2 * distuv.UnitNormal.Survival(math.Abs(z)); math.Abs(tail-(1-Level)) > 1e-9 {
					t.Errorf("%d of %d at %g: tail %g", k, n, p, tail)
				}
			}
		}
	}
}

// The tea tasting is that of Fisher, The Design of Experiments (1935); the
// table of 1, 9, 11, 3 is widely printed (from memory); all were computed with
// another program.
func TestFisher(t *testing.T) {
	for _, c := range []struct {
		a, b, c, d int
		want       float64
	}{
		{3, 1, 1, 3, 0.4857142857}, {4, 0, 0, 4, 2.0 / 70}, {1, 9, 11, 3, 0.0027594562}, {5, 0, 0, 5, 2.0 / 252},
		{3, 0, 0, 3, 0.1}, {5, 0, 1, 4, 0.047619047619}, {0, 0, 0, 0, 1}, {2, 0, 3, 0, 1}, {0, 4, 0, 1, 1},
	} {
		got, err := Fisher(c.a, c.b, c.c, c.d)
		if err != nil || math.Abs(got-c.want) > 1e-6*c.want+1e-9 {
			t.Errorf("%d %d / %d %d: %.10f (%v), want %.10f", c.a, c.b, c.c, c.d, got, err, c.want)
		}
	}
	if _, err := Fisher(1, -1, 0, 0); err == nil {
		t.Error("a count below zero was taken")
	}
}

// Given how many events there were, two binomial counts of the same
// probability follow the distribution that the test uses: the sum over gonum's
// binomials gives the same, whatever the probability is.
func TestFisherAgainstBinomials(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		n, m := r.IntN(12), r.IntN(12)
		a, c := r.IntN(n+1), r.IntN(m+1)
		p := 0.1 + 0.8*r.Float64()
		one, two := distuv.Binomial{N: float64(n), P: p}, distuv.Binomial{N: float64(m), P: p}
		events := a + c
		var all, sum float64
		joint := func(x int) float64 { return one.Prob(float64(x)) * two.Prob(float64(events-x)) }
		for x := max(0, events-m); x <= min(n, events); x++ {
			all += joint(x)
			if joint(x) <= joint(a)*(1+1e-6) {
				sum += joint(x)
			}
		}
		got, err := Fisher(a, n-a, c, m-c)
		if err != nil || math.Abs(got-sum/all) > 1e-6 {
			t.Fatalf("%d of %d against %d of %d: %g (%v), want %g", a, n, c, m, got, err, sum/all)
		}
	}
}

// Swapping rows or columns changes nothing, and probabilities are some.
func TestFisherIsSymmetric(t *testing.T) {
	for a := range 5 {
		for b := range 5 {
			for c := range 5 {
				for d := range 5 {
					p, _ := Fisher(a, b, c, d)
					q, _ := Fisher(c, d, a, b)
					s, _ := Fisher(b, a, d, c)
					if math.Abs(p-q) > 1e-9 || math.Abs(p-s) > 1e-9 || p < 0 || p > 1 {
						t.Errorf("%d %d / %d %d: %g, %g, %g", a, b, c, d, p, q, s)
					}
				}
			}
		}
	}
}

func TestHolm(t *testing.T) {
	// By hand: 0.01*4, then 0.013*3 may not fall below that, 0.03*2, 0.2*1.
	got := Holm([]float64{0.2, 0.01, 0.03, 0.013})
	for i, want := range []float64{0.2, 0.04, 0.06, 0.04} {
		if math.Abs(got[i]-want) > 1e-12 {
			t.Errorf("%d: %g, want %g", i, got[i], want)
		}
	}
	if got := Holm([]float64{0.9, 0.8}); !slices.Equal(got, []float64{1, 1}) {
		t.Errorf("%v", got)
	}
	if len(Holm(nil)) != 0 {
		t.Error("something from nothing")
	}
}

// Two-sided 95 % quantiles as printed in tables of Student's t and the normal
// distribution (NIST e-Handbook 1.3.6.7.1 and .2; from memory).
func TestQuantiles(t *testing.T) {
	for freedom, want := range map[float64]float64{1: 12.706, 2: 4.303, 3: 3.182, 5: 2.571, 10: 2.228, 30: 2.042} {
		if got := Student(1, freedom, 0.95); math.Abs(got-want) > 6e-4 {
			t.Errorf("t with %g degrees of freedom: %.4f, want %.3f", freedom, got, want)
		}
	}
	if got := Normal(2, 0.95); math.Abs(got-2*1.95996) > 1e-4 {
		t.Errorf("normal: %g", got)
	}
}

// By hand: without any trial before, none of m is 1/(m+1); one further trial
// has the event with (k+1)/(n+2); and B(3,5)/B(3,2) = (2!4!/7!)/(2!1!/4!).
func TestNoneOf(t *testing.T) {
	for _, c := range []struct {
		m, k, n int
		want    float64
	}{{3, 0, 0, 0.25}, {1, 4, 5, 1 - 5.0/7}, {1, 0, 9, 1 - 1.0/11}, {3, 2, 3, 4.0 / 35}, {0, 2, 3, 1}} {
		if got := NoneOf(c.m, c.k, c.n); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("none of %d after %d of %d: %g, want %g", c.m, c.k, c.n, got, c.want)
		}
	}
}
