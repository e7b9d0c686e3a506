package ghost

import (
	"image"
	"testing"

	"setwitness/detect/echo"
)

// The longest burst that is seen whole leaves more pictures without it than with it.
func TestCommon(t *testing.T) {
	for _, c := range []struct {
		clean, alike, peers int
		want                bool
	}{{0, 15, 15, true}, {1, 20, 24, true}, {0, longest - 1, 2 * span, false}, {4, 20, 24, false}, {0, 0, 0, false}} {
		if got := (&comparison{clean: c.clean, alike: c.alike}).common(c.peers); got != c.want {
			t.Errorf("%d clean and %d alike of %d: %v", c.clean, c.alike, c.peers, got)
		}
	}
}

// Of a thing near the edge nothing is known of what goes along with it beyond.
func TestInside(t *testing.T) {
	s := &state{raster: image.Rect(0, 0, 640, 360)}
	for _, c := range []struct {
		x     int
		ratio float64
		whole bool
		want  bool
	}{{320, 1, false, true}, {10, 1, false, false}, {630, 1, false, false}, {30, 1, false, true}, {30, 2, false, false}, {10, 1, true, true}} {
		l := echo.Look{Region: image.Rect(c.x-5, 100, c.x+5, 110), DX: 20, Speed: 20, Whole: c.whole}
		if got := s.inside(&l, c.ratio); got != c.want {
			t.Errorf("at %d, ratio %g, whole %v: %v", c.x, c.ratio, c.whole, got)
		}
	}
}

// Clean looks are not like themselves where a look has no peak of its own.
func TestMeasureWithoutPeak(t *testing.T) {
	s := &state{}
	for _, lag := range []float64{0, 5} {
		l := echo.Look{Speed: 5, SamplePx: 1, Profile: make([]float32, 12), Main: echo.Peak{Lag: lag}}
		v := verdict{lag: 5, compared: true, comparison: comparison{baseline: 0.2}}
		_, m := s.measure(&l, &v, fit{behind: 0.3, own: 0.4, ahead: 0.3})
		if _, stated := m["peak_elsewhere"]; stated != (lag > 0) {
			t.Errorf("peak at %g: %v", lag, m)
		}
	}
}

// A mixture of halves has half the energy of things that are unlike themselves at its
// lag, and all of it where they are the same there; what shows through hides some of
// the loss, and a ball that turns gains instead.
func TestLoses(t *testing.T) {
	look := func(energy, like float32) *echo.Look {
		l := echo.Look{Energy: float64(energy), Profile: make([]float32, 12)}
		for i := range l.Profile {
			l.Profile[i] = like
		}
		return &l
	}
	halves := fit{own: 0.5, ahead: 0.5}
	for _, c := range []struct {
		energy, like float32
		want         bool
	}{{50, 0, true}, {85, 0, true}, {95, 0, false}, {110, 0, false}, {95, 0.8, true}} {
		o := comparison{references: []reference{{1, look(90, c.like)}, {9, look(110, c.like)}}}
		if got := o.loses(look(c.energy, 0), 5, halves); got != c.want {
			t.Errorf("%g of 100, like itself by %g: %v", c.energy, c.like, got)
		}
	}
	if !(&comparison{}).loses(look(110, 0), 5, halves) {
		t.Error("nothing to compare with speaks against a look")
	}
}

// Two of the same thing, or three, that make up a look leave little doubt; a pendulum
// that comes to rest and noise that is dithered fit as two that resemble themselves by
// less.
func TestPlain(t *testing.T) {
	for _, c := range []struct {
		name string
		fit  fit
		want bool
	}{
		{"halves", fit{behind: 0.54, own: 0.46, err: 0.01, keeps: 0.95}, true},
		{"thirds", fit{behind: 0.33, own: 0.34, ahead: 0.33, err: 0.03, keeps: 0.82}, true},
		{"pendulum", fit{behind: 0.05, own: 0.46, ahead: 0.49, err: 0.06, keeps: 0.49}, false},
		{"dither", fit{behind: 0.55, own: 0.44, ahead: 0.01, err: 0.03, keeps: 0.68}, false},
		{"the thing alone", fit{own: 0.98, ahead: 0.02, err: 0.01, keeps: 0.9}, false},
		{"two that lie apart", fit{behind: 0.5, ahead: 0.5, err: 0.01, keeps: 0.9}, false},
		{"weights hardly known", fit{own: 0.5, ahead: 0.5, err: 0.2, keeps: 0.9}, false},
	} {
		if got := c.fit.plain(); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
