package report

import (
	"math"
	"testing"
	"time"

	"setwitness/detect"
)

// Values computed from Barten's short form (Proc. SPIE 5294, 2004) for a
// field of 10 degrees, and the same at 0.1 and 1 cd/m2 from the full form of
// Barten's book (SPIE Press 1999), which lie within 15 % of it between 0.25
// and 16 cycles a degree.
func TestSensitivity(t *testing.T) {
	cycles := []float64{0.25, 0.5, 1, 2, 4, 8, 16}
	for _, c := range []struct {
		light float64
		want  []float64
		tol   float64
	}{
		{0.01, []float64{54.42, 58.06, 54.55, 42.66, 25.78, 11.87, 3.19}, 0.002},
		{0.1, []float64{94.27, 128.76, 135.37, 109.77, 67.39, 31.96, 9.58}, 0.002},
		{1, []float64{112.35, 198.55, 277.47, 264.28, 172.37, 84.83, 27.87}, 0.002},
		{100, []float64{116.59, 226.88, 410.67, 609.01, 633.74, 426.12, 169.38}, 0.002},
		{0.1, []float64{95.3, 131.1, 138.5, 112.4, 68.7, 32.0, 8.9}, 0.15},
		{1, []float64{113.9, 206.1, 302.3, 301.3, 199.6, 96.6, 29.1}, 0.15},
	} {
		for i, u := range cycles {
			if got := sensitivity(u, c.light); math.Abs(got-c.want[i]) > c.tol*c.want[i] {
				t.Errorf("at %g c/deg and %g cd/m2: %.2f, want %.2f", u, c.light, got, c.want[i])
			}
		}
	}
}

// ITU-R BT.1886 Annex 1, for a white of 100 and a black of 0.05 cd/m2.
func TestLight(t *testing.T) {
	c := DefaultConditions()
	for _, v := range []struct{ level, want float64 }{{0, 0.05}, {0.01, 0.0817547}, {0.05, 0.309337}, {0.1, 0.861131}, {0.2, 3.05346}, {0.5, 20.9189}, {1, 100}} {
		if got := c.light(v.level); math.Abs(got-v.want) > 1e-5*v.want {
			t.Errorf("level %g: %g cd/m2, want %g", v.level, got, v.want)
		}
	}
}

func TestVisibility(t *testing.T) {
	c := DefaultConditions()
	v := func(k detect.Kind, s float64, m map[string]float64, d time.Duration) float64 {
		return visibility(c, k, s, m, 1080, d)
	}
	second := time.Second
	if got := v(detect.Posterisation, 3.5, nil, second); got != 3.5 {
		t.Errorf("a strength in JND becomes %g", got)
	}
	if v(detect.Combing, 10, nil, second) <= v(detect.Combing, 5, nil, second) {
		t.Error("a stronger comb is not more visible")
	}
	if v(detect.Combing, 10, nil, 20*time.Millisecond)*4.9 > v(detect.Combing, 10, nil, second) {
		t.Error("a comb of one fifth of the integration time counts more than that share")
	}
	if v(detect.Combing, 10, map[string]float64{"pitch_lines": 4}, second) <= v(detect.Combing, 10, nil, second) {
		t.Error("a coarser comb is not more visible")
	}
	for _, k := range detect.Kinds {
		if got := v(k, 0, nil, second); got != 0 {
			t.Errorf("%s of no strength has visibility %g", k, got)
		}
		for _, s := range []float64{1, 100, 500} {
			if got := v(k, s, nil, second); math.IsNaN(got) || math.IsInf(got, 0) || got <= 0 {
				t.Errorf("%s of strength %g: %g", k, s, got)
			}
		}
	}
}
