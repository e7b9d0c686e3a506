package align

import (
	"math"
	"testing"

	"setwitness/detect/signature"
)

// What is shown leaves less than what is up a picture earlier or later, however the
// camera answers and wherever the source lies.
func TestMisfit(t *testing.T) {
	source := show(300, 50, 5, at(50))
	for _, c := range []struct {
		name string
		fit  Fit
		how  func(*signature.Sequence) *signature.Sequence
	}{
		{"as it is", full, func(s *signature.Sequence) *signature.Sequence { return s }},
		{"filmed", full, func(s *signature.Sequence) *signature.Sequence { return filmed(s, 4) }},
		{"larger", Fit{1.05, -0.02, 1.04, -0.01}, func(s *signature.Sequence) *signature.Sequence { return filmed(s, 4) }},
		{"with a caption", full, func(s *signature.Sequence) *signature.Sequence {
			for i := range s.Len() {
				for b := 40; b < 48; b++ {
					s.At(i)[b] = 230 * signature.Unit8
				}
			}
			return s
		}},
	} {
		take := c.how(showIn(c.fit, 100, 50, 5, func(i int) float64 { return float64(i+70) / 50 }))
		left := map[int]float64{}
		for by := -2; by <= 2; by++ {
			shown := make([]int, take.Len())
			for i := range shown {
				shown[i] = i + 70 + by
			}
			nats, n := misfit(take, source, c.fit, 0, shown)
			if left[by] = nats * float64(n); n != take.Len() {
				t.Errorf("%s: %d pictures are judged", c.name, n)
			}
		}
		for by := -2; by <= 2; by++ {
			if by != 0 && left[by] < left[0]+sureNats {
				t.Errorf("%s: %d pictures later leave %.1f nats, the right ones %.1f", c.name, by, left[by], left[0])
			}
		}
	}
}

// The scale that suits values of Cauchy's distribution is its own.
func TestCauchy(t *testing.T) {
	const n, wide = 20000, 3.
	squares := make([]float32, n)
	for i := range squares {
		x := wide * math.Tan(math.Pi*((float64(i)+0.5)/n-0.5))
		squares[i] = float32(x * x)
	}
	// The mean of log(1+x*x) of a standard one is log 4.
	if got, want := cauchy(squares, scale(squares)), math.Log(4)+math.Log(wide); math.Abs(got-want) > 0.02 {
		t.Errorf("%.3f nats, want %.3f", got, want)
	}
}
