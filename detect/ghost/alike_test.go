package ghost

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// A background of tiles is like itself at their pitch and at no other lag, one
// of noise as fine as they at none.
func TestTiled(t *testing.T) {
	const w, h, pitch = 200, 120, 16
	random := rand.New(rand.NewPCG(3, 4))
	noise := make([]int16, w*h)
	for i := range noise {
		noise[i] = int16(40 * random.NormFloat64())
	}
	for _, c := range []struct {
		name  string
		tiles float64 // of the contrast
		lag   float64
		thing float64 // its energy over that of such tiles
		want  bool
	}{
		{"tiles, at their pitch", 400, pitch, 1, true},
		{"tiles, at half of it", 400, pitch / 2, 1, false},
		{"noise", 0, pitch, 1, false},
		{"shades, behind a thing of much contrast", 400, pitch, 50, false},
	} {
		r := cells.Reduced{W: w, H: h, StepX: 1, StepY: 1, Pix: make([]uint16, w*h)}
		for i := range r.Pix {
			r.Pix[i] = uint16(noise[i] + 800)
			if i/w%pitch < 3 {
				r.Pix[i] -= uint16(c.tiles)
			}
		}
		l := echo.Look{Region: image.Rect(20, 20, 180, 100), DX: 0, DY: 12, Speed: 12, SamplePx: 1}
		// Two edges of three eighths of 400 in each pitch of the window.
		l.Energy = c.thing * 2 * 150 * 150 * 160 * 80 / pitch
		if got := new(fitter).tiled(r, &motion.Map{}, &l, c.lag); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// What a wheel's spokes show at two steps and a body beside them does not is no
// conversion.
func TestAlone(t *testing.T) {
	at := func(x int, r, weight float64) echo.Look {
		l := echo.Look{Region: image.Rect(x, 0, x+50, 50), DX: 6, Speed: 6, SamplePx: 1, Weight: weight,
			Main: echo.Peak{Lag: 12.5, R: r, Prominence: r}, Profile: make([]float32, 24)}
		for k := range l.Profile {
			l.Profile[k] = float32(r * math.Exp(-math.Abs(float64(k)-12.5)))
		}
		return l
	}
	const unclear = 60 // samples say less than what is looked for
	for _, c := range []struct {
		name   string
		others []echo.Look
		want   bool
	}{
		{"nothing else", nil, false},
		{"all else", []echo.Look{at(100, 0.3, 500), at(200, 0.25, 500)}, false},
		{"all but one of three", []echo.Look{at(100, 0.3, 500), at(200, 0.25, 500), at(300, 0, 500), at(400, 0.3, 500)}, false},
		{"a body beside it", []echo.Look{at(100, 0.02, 500)}, true},
		{"what overlaps", []echo.Look{at(20, 0.02, 500)}, false},
		{"too little to tell", []echo.Look{at(100, 0.02, unclear)}, false},
	} {
		l := at(0, 0.3, 400)
		looks := append([]echo.Look{l}, c.others...)
		if got := alone(looks, &looks[0], verdict{ratio: 25.0 / 12, lag: 12.5}); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// What moves evenly has relations that differ little, and what any conversion between
// rates far from each other moves has not, wherever in its rhythm it is looked at.
func TestJerks(t *testing.T) {
	const rate = 50
	least := jerks(conversions(rate), rate)
	for _, source := range []float64{24, 25, 30} {
		if v := least[rate/source]; v < 0.25 || v > 0.5 {
			t.Errorf("%g to %d a second: relations differ by %.3f, want a quarter to a half", source, rate, v)
		}
	}
	var even swing
	for k := range 2*evenSpan + 1 {
		even.add(-0.3+0.05*math.Sin(float64(k)), 0.05*math.Cos(float64(k)))
	}
	if v := even.rms(); math.Abs(v-0.05) > 0.01 || v > evenShare*least[rate/24.0] {
		t.Errorf("even relations differ by %.3f, want 0.05", v)
	}
}

// Two equal copies of what resembles itself by nothing do by a half; what does by less
// than a fifth has none.
func TestRises(t *testing.T) {
	clean := echo.Look{Profile: make([]float32, 20)}
	c := comparison{references: []reference{{look: &clean}, {look: &clean}}}
	two := fit{own: 0.5, ahead: 0.5}
	if v := two.mixed(0); v != 0.5 {
		t.Errorf("two equal copies resemble themselves by %g, want 0.5", v)
	}
	if three := (fit{behind: 0.25, own: 0.5, ahead: 0.25}); math.Abs(three.mixed(0)-2.0/3) > 1e-9 {
		t.Errorf("three copies resemble themselves by %g, want 2/3", three.mixed(0))
	}
	for at, want := range map[float64]bool{0.45: true, 0.25: true, 0.15: false, -0.1: false} {
		if got := c.rises(at, 8, two); got != want {
			t.Errorf("at %g: %v, want %v", at, got, want)
		}
	}
}
