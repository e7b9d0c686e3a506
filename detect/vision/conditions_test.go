package vision

import (
	"math"
	"strings"
	"testing"
)

func TestConditions(t *testing.T) {
	for _, e := range []EOTF{BT1886, SRGB, PQ, HLG} {
		if err := Reference(e).Check(); err != nil {
			t.Errorf("%s: %v", e, err)
		}
		if got, err := ParseEOTF(string(e)); err != nil || got != e {
			t.Errorf("%s is read as %q, %v", e, got, err)
		}
	}
	if got := Reference(BT1886).String(); got != "peak 100 cd/m², black 0.05 cd/m², BT.1886, 3 picture heights away" {
		t.Errorf("conditions read %q", got)
	}
	camera := Reference(SRGB)
	camera.Camera = true
	if got := camera.String(); !strings.Contains(got, ", sRGB assumed of the camera, ") {
		t.Errorf("conditions read %q", got)
	}
	for name, change := range map[string]func(*Conditions){
		"transfer function": func(c *Conditions) { c.EOTF = "gamma" },
		"peak of 9":         func(c *Conditions) { c.PeakNits = 9 },
		"peak of NaN":       func(c *Conditions) { c.PeakNits = math.NaN() },
		"peak of +Inf":      func(c *Conditions) { c.PeakNits = math.Inf(1) },
		"black of -0.1":     func(c *Conditions) { c.BlackNits = -0.1 },
		"black of 6":        func(c *Conditions) { c.BlackNits = 6 },
		"distance of 0":     func(c *Conditions) { c.DistanceHeights = 0 },
		"raster of 0":       func(c *Conditions) { c.Lines = 0 },
	} {
		c := Reference(BT1886)
		change(&c)
		if err := c.Check(); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := New(c, Coding{Depth: 8}, Colour{}); err == nil {
			t.Errorf("a viewer of a %s", name)
		}
	}
	if _, err := New(Reference(PQ), Coding{Depth: 7}, Colour{}); err == nil {
		t.Error("codes of 7 bits")
	}
}

// The names are those of ITU-T H.273 as FFmpeg prints them.
func TestEOTFOf(t *testing.T) {
	for transfer, want := range map[string]EOTF{
		"": BT1886, "bt709": BT1886, "smpte170m": BT1886, "bt2020-10": BT1886, "unknown": BT1886,
		"iec61966-2-1": SRGB, "smpte2084": PQ, "arib-std-b67": HLG,
	} {
		if got := EOTFOf(transfer); got != want {
			t.Errorf("%q is shown by %s, want %s", transfer, got, want)
		}
		if want == BT1886 {
			want = SRGB
		}
		if got := FilmedEOTF(transfer); got != want {
			t.Errorf("a film tagged %q: %s, want %s", transfer, got, want)
		}
	}
}

// Design distances of ITU-R BT.2022 and BT.1769: HD at 3.2, UHD at 1.6 and 8K
// at 0.8 picture heights all have 60 lines to the degree, one a minute of arc.
func TestAngles(t *testing.T) {
	for _, c := range []struct {
		lines          int
		distance, want float64
	}{{1080, 3.2, 60.32}, {2160, 1.6, 60.32}, {4320, 0.8, 60.32}, {576, 6, 60.32}, {1080, 3, 56.55}, {2160, 1.5, 56.55}, {2160, 3, 113.10}} {
		k := Conditions{DistanceHeights: c.distance, Lines: c.lines}
		near(t, "lines a degree", k.LinesPerDegree(), c.want, 0.005)
		near(t, "cycles a degree of combing", k.CyclesPerDegree(2), c.want/2, 0.005)
		near(t, "one line", k.Degrees(1)*k.LinesPerDegree(), 1, 1e-4)
	}
	// One minute of arc a line (the same Recommendations, before rounding).
	near(t, "distance", 1/(Conditions{DistanceHeights: 1, Lines: 1080}).Degrees(1)/60, 1/3.18, 1e-3)
	// Report ITU-R BT.2246 takes a field of 60 degrees for a picture that is
	// seen from 1.5 heights.
	width, height := Conditions{DistanceHeights: 1.5, Lines: 2160}.Picture()
	near(t, "width", width, 60, 1.5)
	near(t, "height", height, 2*math.Atan(1./3)*180/math.Pi, 1e-9)
}
