package vision

import (
	"math"
	"testing"
)

func viewer(t testing.TB, c Conditions, q Coding, colour Colour) *Viewer {
	t.Helper()
	v, err := New(c, q, colour)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Report ITU-R BT.2246 Fig. 31 (a field of 60 degrees is a UHD picture at 1.5
// heights, give or take a degree): a step of one 10-bit PQ code is about 5 times
// what can just be seen, one of 12 bits about 1.3, from 0.01 to 100 cd/m2.
func TestPQStep(t *testing.T) {
	c := Conditions{PeakNits: 10000, BlackNits: 0, EOTF: PQ, DistanceHeights: 1.5, Lines: 2160}
	for depth, want := range map[int][]float64{
		10: {4.74, 4.81, 4.93, 5.04, 5.14, 5.21, 5.24, 5.24, 5.23, 5.21},
		12: {1.21, 1.22, 1.24, 1.27, 1.29, 1.30, 1.31, 1.31, 1.31, 1.30},
	} {
		v := viewer(t, c, Coding{Depth: depth}, Colour{})
		for i, nits := range []float64{0.01, 0.0278256, 0.0774264, 0.215443, 0.599484, 1.66810, 4.64159, 12.9155, 35.9381, 100} {
			code := v.Code(v.LevelFor(nits))
			relative(t, "step", v.Step(code-0.5, code+0.5).Barten, want[i], 0.025)
		}
	}
}

// One 8-bit code of BT.1886 just above black is 9 to 27 % of the light there
// (formula of Annex 1 for 100 and 0.05 cd/m2).
func TestNearBlack(t *testing.T) {
	v := viewer(t, Reference(BT1886), Coding{Depth: 8}, Colour{})
	for code, percent := range map[float64]float64{16: 26.75, 17: 24.08, 20: 18.52, 24: 14.16, 30: 10.46, 35: 8.59} {
		a, b := v.CodeLight(code), v.CodeLight(code+1)
		near(t, "step in % of light", 100*(b/a-1), percent, 0.006)
		s := v.Step(code, code+1)
		// By the table of the detectable contrast above, for a field of 60
		// degrees; a smaller picture is a little less critical.
		want := 2 * (b - a) / (a + b) * squareWave / 2 * bestSensitivity(0, eyeAt((a+b)/2, 60, 60), 60, 60)
		relative(t, "step in JND", s.Barten, want, 0.12)
		if s.Barten < 8 || s.Barten > 30 {
			t.Errorf("a step from code %g is %g JND, want 10 to 25", code, s.Barten)
		}
		// The two models agree on what is visible at all, the second being the
		// milder one: its target is smaller and finer.
		if !(s.GSDF > 1 && s.GSDF < s.Barten) {
			t.Errorf("a step from code %g is %g JND by the GSDF and %g by Barten", code, s.GSDF, s.Barten)
		}
	}
	if s := v.Step(0, 16); s.GSDF != 0 || s.Barten <= 0 {
		t.Errorf("a step out of the range of the GSDF: %+v", s)
	}
	// DICOM PS3.14: from 1 to 100 cd/m2 there are 476.364-71.498 JND.
	near(t, "large step", v.Step(v.Code(v.LevelFor(1)), v.Code(v.LevelFor(100))).GSDF, 476.364-71.498, 1e-3)
}

// A larger step shows no less, up or down, by either model.
func TestStepGrows(t *testing.T) {
	for _, e := range []EOTF{BT1886, SRGB, PQ, HLG} {
		for _, depth := range []int{8, 10, 12} {
			v := viewer(t, Reference(e), Coding{Depth: depth}, Colour{})
			for from := 0.0; from < v.Most(); from += v.Most() / 13 {
				var last Step
				for to := from; to <= v.Most(); to += v.Most() / 97 {
					s := v.Step(from, to)
					if back := v.Step(to, from); back != s {
						t.Fatalf("%s, %d bits: from %g to %g %+v, back %+v", e, depth, from, to, s, back)
					}
					// Past the range of the GSDF there is none.
					if s.Barten < last.Barten || s.GSDF < last.GSDF && s.GSDF != 0 {
						t.Fatalf("%s, %d bits: from %g to %g %+v, less far %+v", e, depth, from, to, s, last)
					}
					last = s
				}
			}
		}
	}
}

// Steps in the table agree with the search.
func TestStepTable(t *testing.T) {
	v := viewer(t, Reference(BT1886), Coding{Depth: 8}, Colour{})
	for l := 2e-4; l < 9e3; l *= 1.13 {
		relative(t, "largest sensitivity", v.bestAt(l), bestSensitivity(0, v.eyeAt(l), v.width, v.height), 5e-3)
	}
}

// Combing at its own frequency: the same as a grating there, but for the factor
// of a rectangular wave; coarser, larger, stronger and longer lines show more.
func TestLines(t *testing.T) {
	v := viewer(t, Reference(BT1886), Coding{Depth: 8}, Colour{})
	// 1080 lines at 3 heights: 28.27 cycles a degree.
	u := v.CyclesPerDegree(2)
	near(t, "frequency", u, 28.27, 0.01)
	a, b := v.CodeLight(110), v.CodeLight(140)
	want := 1.27 * (b - a) / (a + b) * Sensitivity(u, (a+b)/2, v.width, v.height)
	relative(t, "lines", v.Lines(110, 140, 2, v.width, v.height), want, 1e-12)
	base := v.Lines(110, 140, 2, 3, 3)
	for name, got := range map[string]float64{
		"coarser": v.Lines(110, 140, 4, 3, 3), "larger": v.Lines(110, 140, 2, 6, 6), "stronger": v.Lines(100, 150, 2, 3, 3),
	} {
		if got <= base {
			t.Errorf("%s lines have %g JND, the others %g", name, got, base)
		}
	}
	// From farther away they are finer.
	far := Reference(BT1886)
	far.DistanceHeights = 6
	if got := viewer(t, far, Coding{Depth: 8}, Colour{}).Lines(110, 140, 2, 1.5, 1.5); got >= base/10 {
		t.Errorf("from twice as far lines of 28 cycles a degree have %g JND of %g", got, base)
	}
}

func TestPatch(t *testing.T) {
	v := viewer(t, Reference(BT1886), Coding{Depth: 8}, Colour{})
	last := 0.0
	for size := 0.005; size < 40; size *= 1.3 {
		got := v.Patch(100, 104, size)
		if got <= last {
			t.Fatalf("a patch of %g deg has %g JND, a smaller one %g", size, got, last)
		}
		last = got
	}
	// A large patch is a step.
	relative(t, "large patch", last, v.Step(100, 104).Barten, 0.05)
	// A share of light is the same as its codes.
	l := v.CodeLight(100)
	relative(t, "shade", v.Shade(100, v.CodeLight(104)/l-1, 1), v.Patch(104, 100, 1), 1e-9)
	near(t, "brighter or darker", v.Patch(104, 100, 1), v.Patch(100, 104, 1), 1e-12)
}

// A grey step has the difference of its PQ levels, times 720 (ITU-R BT.2124);
// and colour adds to it.
func TestColourStep(t *testing.T) {
	for _, e := range []EOTF{BT1886, SRGB, PQ, HLG} {
		v := viewer(t, Reference(e), Coding{Depth: 10}, Colour{"bt2020", "bt2020nc"})
		grey := v.ColourStep([3]float64{400, 512, 512}, [3]float64{402, 512, 512})
		near(t, string(e)+": grey", grey, 720*(pqLevel(v.CodeLight(402))-pqLevel(v.CodeLight(400))), 1e-6)
		if got := v.ColourStep([3]float64{400, 512, 512}, [3]float64{402, 520, 512}); got <= grey {
			t.Errorf("%s: a step in colour too is %g of %g", e, got, grey)
		}
	}
	// 75 % bars (SMPTE RP 219-1, 10-bit Y', Cb, Cr in BT.709): each is its
	// colour, in which two components have the light of 0.75 or of black.
	v := viewer(t, conditions(BT1886, 100, 0), Coding{Depth: 10}, Colour{"bt709", "bt709"})
	m := toBT2020("bt709")
	on := v.Light(0.75)
	for _, c := range []struct{ codes, rgb [3]float64 }{
		{[3]float64{721, 512, 512}, [3]float64{1, 1, 1}}, {[3]float64{674, 176, 543}, [3]float64{1, 1, 0}},
		{[3]float64{581, 589, 176}, [3]float64{0, 1, 1}}, {[3]float64{534, 253, 207}, [3]float64{0, 1, 0}},
		{[3]float64{251, 771, 817}, [3]float64{1, 0, 1}}, {[3]float64{204, 435, 848}, [3]float64{1, 0, 0}},
		{[3]float64{111, 848, 481}, [3]float64{0, 0, 1}},
	} {
		light := m.times([3]float64{on * c.rgb[0], on * c.rgb[1], on * c.rgb[2]})
		want := ITPOf(light[0], light[1], light[2])
		// Codes are rounded: half a step of each of the three.
		if got := DeltaE(v.ITP(c.codes[0], c.codes[1], c.codes[2]), want); !(got < 1.5) {
			t.Errorf("bar %v is %.2f away from its colour", c.codes, got)
		}
	}
}

// Whatever is asked, the answer is a number, and no less than 0.
func TestFinite(t *testing.T) {
	wild := []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e300, -1, 0, 1e-300, 0.5, 16, 255, 256, 1e300}
	for _, e := range []EOTF{BT1886, SRGB, PQ, HLG} {
		for _, black := range []float64{0, 0.05} {
			c := Reference(e)
			c.BlackNits = black
			v := viewer(t, c, Coding{Depth: 8}, Colour{})
			check := func(name string, got float64, args ...float64) {
				if !(got >= 0) || math.IsInf(got, 0) {
					t.Errorf("%s: %s of %v is %g", c, name, args, got)
				}
			}
			for _, a := range wild {
				for _, b := range wild {
					s := v.Step(a, b)
					check("step", s.Barten, a, b)
					check("step by GSDF", s.GSDF, a, b)
					check("colour", v.ColourStep([3]float64{a, b, a}, [3]float64{b, a, a}), a, b)
					for _, x := range wild {
						check("lines", v.Lines(a, b, x, 3, 3), a, b, x)
						check("lines of a size", v.Lines(a, b, 2, x, 3), a, b, x)
						check("grating", v.Grating(a, b, x, 3, 3), a, b, x)
						check("patch", v.Patch(a, b, x), a, b, x)
						check("shade", v.Shade(a, b, x), a, b, x)
					}
				}
			}
		}
	}
}

func TestAllocations(t *testing.T) {
	v := viewer(t, Reference(HLG), Coding{Depth: 10}, Colour{"bt2020", "bt2020nc"})
	var sum float64
	if n := testing.AllocsPerRun(100, func() {
		s := v.Step(100, 101)
		sum += s.Barten + s.GSDF + v.Lines(100, 120, 2, 3, 3) + v.Grating(100, 120, 4, 3, 3) + v.Patch(100, 120, 1) + v.Shade(100, 0.1, 1) +
			v.ColourStep([3]float64{400, 512, 512}, [3]float64{402, 520, 512}) + v.LevelFor(v.CodeLight(200))
	}); n != 0 {
		t.Errorf("%g allocations a judgement", n)
	}
	if sum == 0 {
		t.Error("nothing was judged")
	}
}

func BenchmarkStep(b *testing.B) {
	v := viewer(b, Reference(BT1886), Coding{Depth: 8}, Colour{})
	for b.Loop() {
		v.Step(20, 21)
	}
}

func BenchmarkPatch(b *testing.B) {
	v := viewer(b, Reference(BT1886), Coding{Depth: 8}, Colour{})
	for b.Loop() {
		v.Patch(20, 21, 1)
	}
}

// Codes are stated as the take has them, and those of a film as 8 bits have them.
func TestStated(t *testing.T) {
	c := Reference(SRGB)
	if got := viewer(t, c, Coding{Depth: 12}, Colour{}).Stated(40); got != 40 {
		t.Errorf("40 codes of 12 bits are stated as %g", got)
	}
	c.Camera = true
	if got := viewer(t, c, Coding{Depth: 12}, Colour{}).Stated(40); got != 2.5 {
		t.Errorf("40 codes of a film's 12 bits are stated as %g", got)
	}
}
