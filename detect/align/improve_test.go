package align

import (
	"math"
	"testing"

	"setwitness/detect/signature"
)

// panned is a wide picture of n spots that passes by at an even pace, step blocks a
// picture, the source being laid into it by a fit.
func panned(f Fit, n int, step float64, from int, seed uint64) *signature.Sequence {
	s := showIn(Fit{ScaleX: 1, ScaleY: 1}, n, 50, seed, func(int) float64 { return 0 })
	for i := range n {
		for b := range signature.Blocks {
			x := (float64(b%signature.Cols) + 0.5 - f.OffsetX*signature.Cols) / f.ScaleX
			y := (float64(b/signature.Cols) + 0.5 - f.OffsetY*signature.Rows) / f.ScaleY
			x += step * float64(i+from)
			v := 110 + 40*math.Sin(0.71*x+0.3*y) + 30*math.Sin(0.43*x-0.9*y) + 20*math.Sin(0.29*x+2)
			s.At(i)[b] = uint16(signature.Unit8 * v)
		}
	}
	return s
}

// Of an even pan with overscan, in which a picture later looks like a little beside,
// the source lies in the middle.
func TestPanWithOverscan(t *testing.T) {
	source := panned(full, 260, 0.35, 0, 1)
	f := Fit{1.05, -0.025, 1.05, -0.025}
	a, err := Sequences(filmed(panned(f, 120, 0.35, 70, 1), 7), source)
	if err != nil {
		t.Fatal(err)
	}
	if a.Pictures[60] != 130 {
		t.Errorf("picture 60 shows %d, fit %.4v, confidence %.2f", a.Pictures[60], a.Fit, a.Confidence)
	}
}

// A centred fit costs nothing, one beside it no more than is said.
func TestOffCentre(t *testing.T) {
	for _, c := range []struct {
		fit   Fit
		nats  float64
		about float64
	}{
		{full, 0, 1e-9}, {Fit{1.1, -0.05, 0.8, 0.1}, 0, 1e-9}, {Fit{1, centred, 1, 0}, offCentreNats * (1 - math.Exp(-0.5)), 1e-9},
		{Fit{1.06, 0, 1.06, 0}, offCentreNats, 0.01},
	} {
		if got := c.fit.offCentre(); math.Abs(got-c.nats) > c.about {
			t.Errorf("%v costs %.3f nats, want %.3f", c.fit, got, c.nats)
		}
	}
}

// Where a take lost two pictures and its path does not say so, the piece from there on
// gains the most two pictures later; of a take that lost none, no piece gains.
func TestMisplaced(t *testing.T) {
	source := show(300, 50, 9, at(50))
	const n, lost = 100, 60
	shown := make([]int, n)
	for i := range shown {
		shown[i] = i + 70
	}
	for _, dropped := range []int{0, 2} {
		take := filmed(show(n, 50, 9, func(i int) float64 {
			if i >= lost {
				i += dropped
			}
			return float64(i+70) / 50
		}), 4)
		m := improver{take, source, period(source).Seconds()}
		r := run{shown: shown}
		b := belief{fit: full, runs: []run{r}}
		now, later := look(take, source, full, 0, shown), b.moved(0, piece{to: n}, 2, source.Len())
		j := judge(now)
		p, ok := now.misplaced(j.each(now), j.each(look(take, source, full, 0, later.runs[0].shown)), n)
		if !ok || dropped > 0 && (p.from < lost-1 || p.from > lost+1 || p.to != n || p.jumps != 1) {
			t.Errorf("%d lost: the piece is %+v", dropped, p)
		}
		if gains := m.judged(b.moved(0, p, 2, source.Len())).misfit < m.judged(b).misfit; gains != (dropped > 0) {
			t.Errorf("%d lost: that a piece of %+v gains is %v", dropped, p, gains)
		}
	}
}

// A pan by hand that goes to and fro: a path that is early on the way to and late on the way
// back suits a source that is laid beside its place. What goes straight on is found.
func TestStraight(t *testing.T) {
	sway := func(f Fit, n, from int) *signature.Sequence {
		s := panned(f, n, 0, 0, 1)
		for i := range n {
			at := float64(i+from) / 50
			copy(s.At(i), panned(f, 1, 6*math.Sin(0.9*at)+0.3*math.Sin(4.3*at), 1, 1).At(0))
		}
		return s
	}
	const n, first = 150, 40
	truth := Fit{1.026, 0, 1.02, 0}
	take, source := sway(truth, n, first), sway(full, 260, 0)
	m := &improver{filmed(take, 7), source, period(source).Seconds()}
	bent := run{first: 0, shown: make([]int, n), lags: make([]float64, n), step: m.period / phases, rate: 0.99, origin: float64(first+1) / 50, events: 2}
	for i := range n {
		bent.shown[i] = first + i + 1
		if v := math.Cos(0.9 * float64(first+i) / 50); v < 0 {
			bent.shown[i] = first + i - 1
		}
	}
	wrong := belief{fit: Fit{1.026, -0.004, 1.02, 0}, runs: []run{bent}}
	c, ok := m.straight(wrong)
	if !ok || c.runs[0].rate != 1 {
		t.Fatalf("rate %v, other %v", c.runs[0].rate, ok)
	}
	for i := 1; i < n; i++ {
		if c.runs[0].shown[i] != c.runs[0].shown[i-1]+1 {
			t.Fatalf("bends before picture %d: %v", i, c.runs[0].shown)
		}
	}
	if _, ok := m.straight(c); ok {
		t.Error("what goes straight on has bends")
	}
	best, _ := m.improve(wrong)
	for i, j := range best.runs[0].shown {
		if j != first+i {
			t.Fatalf("picture %d shows %d, want %d; fit %.4v", i, j, first+i, best.fit)
		}
	}
}
