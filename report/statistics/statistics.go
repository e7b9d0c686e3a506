// Package statistics says how sure counts and ratios are.
//
// In: how often something was seen in how many takes, or logarithms of measured
// strengths. Out: intervals and probabilities. Quantiles and tails of
// distributions are gonum's; what it lacks is here.
package statistics

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

// Level is the share of intervals that hold the true value.
const Level = 0.95

// Interval is a lower and an upper bound.
type Interval struct{ Low, High float64 }

// Wilson returns the two-sided score interval at Level for a probability of
// which k of n trials had the event (Wilson 1927; NIST e-Handbook 7.2.4.1).
// Without trials nothing is known.
func Wilson(k, n int) Interval {
	if n <= 0 {
		return Interval{0, 1}
	}
	z := Normal(1, Level)
	p, m := float64(k)/float64(n), float64(n)
	mid := (p + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	i := Interval{max(mid-half, 0), min(mid+half, 1)}
	// At the ends the bound is exact, whatever rounding makes of it.
	if k == 0 {
		i.Low = 0
	}
	if k == n {
		i.High = 1
	}
	return i
}

// Normal returns half the width of the interval of a normal distribution of that
// standard deviation.
func Normal(deviation, level float64) float64 {
	return deviation * distuv.UnitNormal.Quantile(0.5+level/2)
}

// Student returns half the width of the interval of a mean whose standard error
// was estimated with that many degrees of freedom.
func Student(standardError, freedom, level float64) float64 {
	return standardError * distuv.StudentsT{Sigma: 1, Nu: freedom}.Quantile(0.5+level/2)
}

// Fisher returns the two-sided probability of Fisher's exact test: that a table
//
//	      event  none
//	one     a      b
//	other   c      d
//
// of these margins is as unlikely as this one or less, if the event is equally
// likely in both rows. The error tells a count below zero.
func Fisher(a, b, c, d int) (float64, error) {
	if min(a, b, c, d) < 0 {
		return 0, errors.New("a table of counts holds one below zero")
	}
	first, second, events := a+b, c+d, a+c
	// The first cell is hypergeometric.
	chance := func(x int) float64 {
		return math.Exp(choose(first, x) + choose(second, events-x) - choose(first+second, events))
	}
	// Tables as likely as this one count, whatever rounding makes of them.
	const slack = 1 + 1e-7
	limit := chance(a) * slack
	sum := 0.0
	for x := max(0, events-second); x <= min(first, events); x++ {
		if p := chance(x); p <= limit {
			sum += p
		}
	}
	return min(sum, 1), nil
}

// choose is the logarithm of how many ways there are to choose k of n.
func choose(n, k int) float64 { return combin.LogGeneralizedBinomial(float64(n), float64(k)) }

// NoneOf returns the chance that none of m further trials has an event that k of
// n trials had, where nothing is known of it beforehand (the rule of succession,
// Laplace 1774).
func NoneOf(m, k, n int) float64 {
	a, b := float64(k+1), float64(n-k+1)
	return math.Exp(mathext.Lbeta(a, b+float64(m)) - mathext.Lbeta(a, b))
}

// Holm corrects probabilities for how many there are (Holm 1979): each result
// may be compared with a level that then holds for all of them together.
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	out := make([]float64, len(p))
	most := 0.0
	for rank, i := range order {
		most = max(most, min(p[i]*float64(len(p)-rank), 1))
		out[i] = most
	}
	return out
}
