package vision

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	// Written so that what is no number fails.
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.12g, want %.12g (give or take %g)", what, got, want, tolerance)
	}
}

// relative is near within a share of the value.
func relative(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	near(t, what, got, want, share*math.Abs(want))
}

func conditions(e EOTF, peak, black float64) Conditions {
	return Conditions{PeakNits: peak, BlackNits: black, EOTF: e, DistanceHeights: 3, Lines: 1080}
}

// Levels and codes: ITU-R BT.709-6 item 3, BT.2100-2 Table 9, and the codes of
// SMPTE RP 219-1 and BT.2111-2 for levels in %.
func TestCoding(t *testing.T) {
	narrow8, narrow10, narrow12 := Coding{Depth: 8}, Coding{Depth: 10}, Coding{Depth: 12}
	full8, full10 := Coding{Depth: 8, Full: true}, Coding{Depth: 10, Full: true}
	for _, c := range []struct {
		coding      Coding
		level, code float64
	}{
		{narrow8, 0, 16}, {narrow8, 1, 235}, {narrow10, 0, 64}, {narrow10, 1, 940}, {narrow12, 0, 256}, {narrow12, 1, 3760},
		{full8, 0, 0}, {full8, 1, 255}, {full10, 0, 0}, {full10, 1, 1023},
		// SMPTE RP 219-1: PLUGE and the 15 % grey, 10 bits.
		{narrow10, -0.02, 46}, {narrow10, 0.02, 82}, {narrow10, 0.04, 99}, {narrow10, 0.15, 195},
		// BT.2111-2 stair, 10 bits, and the same of full range.
		{narrow10, 0.1, 152}, {narrow10, 0.2, 239}, {narrow10, 0.3, 327}, {narrow10, 0.5, 502}, {narrow10, 0.9, 852},
		{narrow10, 1.09, 1019}, {full10, 0.1, 102}, {full10, 0.3, 307}, {full10, 0.9, 921},
		{narrow8, 0.18, 55}, {narrow8, 0.75, 180}, {narrow8, 1.09, 255},
	} {
		if got := math.Round(c.coding.Code(c.level)); got != c.code {
			t.Errorf("%+v: level %g is code %g, want %g", c.coding, c.level, got, c.code)
		}
		near(t, "level of the code", c.coding.Level(c.code), c.level, 0.6/(219*c.coding.step()))
	}
	// Ends and middle of chroma (the same items).
	near(t, "chroma 16", narrow8.Chroma(16), -0.5, 1e-12)
	near(t, "chroma 128", narrow8.Chroma(128), 0, 0)
	near(t, "chroma 960", narrow10.Chroma(960), 0.5, 1e-12)
	near(t, "full chroma 512", full10.Chroma(512), 0, 0)
}

// Codes go to levels and back, over the whole coding; the levels rise; what lies
// outside is finite and held at the ends.
func TestCodingInverse(t *testing.T) {
	for depth := 8; depth <= 16; depth++ {
		for _, full := range []bool{false, true} {
			q := Coding{depth, full}
			last := math.Inf(-1)
			stride := max(1, 1<<depth/5000)
			for code := 0; code < 1<<depth; code += stride {
				l := q.Level(float64(code))
				if !(l > last) || l < leastLevel || l > mostLevel {
					t.Fatalf("%+v: code %d has level %g after %g", q, code, l, last)
				}
				last = l
				near(t, "code", q.Code(l), float64(code), 1e-8*q.step())
			}
			for _, wild := range []float64{-1, -1e300, math.Inf(-1), math.NaN()} {
				if q.Level(wild) != q.Level(0) || q.Code(wild) != 0 || q.Chroma(wild) != q.Chroma(0) {
					t.Errorf("%+v: %g is not held at the lower end", q, wild)
				}
			}
			for _, wild := range []float64{1 << 17, 1e300, math.Inf(1)} {
				if q.Level(wild) != q.Level(q.Most()) || q.Code(wild) != q.Most() {
					t.Errorf("%+v: %g is not held at the upper end", q, wild)
				}
			}
		}
	}
}

func TestLight(t *testing.T) {
	light := func(c Conditions, want map[float64]float64, share float64) {
		t.Helper()
		d := NewDisplay(c)
		for level, nits := range want {
			relative(t, string(c.EOTF)+" of the level", d.Light(level), nits, share)
		}
	}
	// ITU-R BT.1886 Annex 1: values of the formula for a white of 100 cd/m2.
	light(conditions(BT1886, 100, 0), map[float64]float64{0.01: 0.00158489, 0.05: 0.0754272, 0.1: 0.398107, 0.5: 18.9465, 1: 100}, 1e-5)
	light(conditions(BT1886, 100, 0.01), map[float64]float64{0: 0.01, 0.01: 0.0245623, 0.03: 0.0787195, 0.2: 2.56232, 0.5: 19.9409}, 1e-5)
	light(conditions(BT1886, 100, 0.05), map[float64]float64{0: 0.05, 0.01: 0.0817547, 0.05: 0.309337, 0.1: 0.861131, 0.5: 20.9189}, 1e-5)
	light(conditions(BT1886, 100, 0.1), map[float64]float64{0: 0.1, 0.02: 0.200294, 0.04: 0.343035, 0.1: 1.06379, 0.5: 21.6049, 1: 100}, 1e-5)
	// colour-science, itur_bt_1886.py: black 0, white 1.
	light(conditions(BT1886, 1, 0), map[float64]float64{0.18: 0.016317514686316, 0.4090077288641: 0.11699185725296}, 1e-10)
	// IEC 61966-2-1, 8-bit codes; 0.5 and 0.4613... as colour-science's
	// test_srgb.py has them.
	light(conditions(SRGB, 1, 0), map[float64]float64{
		1. / 255: 0.00030353, 10. / 255: 0.00303527, 11. / 255: 0.00334654, 32. / 255: 0.01444384,
		128. / 255: 0.21586050, 188. / 255: 0.50288646, 0.461356129500442: 0.18}, 1.2e-5)
	light(conditions(SRGB, 200, 0.2), map[float64]float64{0: 0.2, 1: 200}, 1e-12)
	// SMPTE ST 2084: colour-science's test_st_2084.py and hlg-tools' tests.
	light(conditions(PQ, 10000, 0), map[float64]float64{
		0.1: 0.324565591, 0.2: 2.42926330, 0.3: 10.0382263, 0.4: 32.4479179, 0.5: 92.2457090, 0.6: 244.005192,
		0.7: 620.879382, 0.8: 1555.17836, 0.9: 3905.64465, 1: 10000, 0.508078421517399: 100, 0.652578597563067: 400,
		0.751827096247041: 1000, 0.926546704: 5000}, 1e-6)
	light(conditions(PQ, 1000, 0.005), map[float64]float64{0: 0.005, 0.1: 0.329565591, 0.8: 1000, 1: 1000}, 1e-6)
	// ITU-R BT.2100-2 Table 5 on a display of 1000 cd/m2: 6.476039826 is
	// colour-science's; reference white and grey are those of BT.2408 (203 and
	// 26 cd/m2 at 75 and 38 %).
	light(conditions(HLG, 1000, 0), map[float64]float64{0.212132034355964: 6.476039826, 0.5: 50.697, 0.75: 203.15, 0.38: 26.24, 1: 1000}, 1e-3)
	light(conditions(HLG, 1000, 0), map[float64]float64{0.212132034355964: 6.476039826}, 1e-9)
	light(conditions(HLG, 400, 0), map[float64]float64{0.5: 30.72, 0.75: 101.46, 1: 400}, 1e-4)
	// The black lift puts level 0 at the black and leaves white.
	light(conditions(HLG, 1000, 0.01), map[float64]float64{0: 0.01, 1: 1000}, 1e-7)

	// The OETF of HLG, from hlg-tools' tests.
	for scene, level := range map[float64]float64{0.1: 0.544089493962, 0.2: 0.693894268644, 0.5: 0.871643470874, 1. / 12: 0.5, 0.18 / 12: 0.212132034355964} {
		near(t, "HLG OETF", hlgLevel(scene), level, 1e-11)
	}
	// System gamma: BT.2100-2 Table 5 notes 5e and 5f.
	for peak, gamma := range map[float64]float64{400: 1.0329, 600: 1.1068, 1000: 1.2, 2000: 1.3264, 4000: 1.4812} {
		near(t, "system gamma", systemGamma(peak), gamma, 6e-5)
	}
}

// 10-bit codes of PQ for round luminances, limited and full range: table of SMPTE
// ST 2084 with ITU-R BT.2100-2 Table 9; 203, 26 cd/m2 as in BT.2408.
func TestPQCodes(t *testing.T) {
	d := NewDisplay(conditions(PQ, 10000, 0))
	narrow, full := Coding{Depth: 10}, Coding{Depth: 10, Full: true}
	for _, c := range []struct{ nits, narrow, full float64 }{
		{0.005, 77, 15}, {0.01, 83, 22}, {0.05, 104, 47}, {0.1, 119, 64}, {0.5, 167, 120}, {1, 195, 153}, {5, 281, 254},
		{10, 327, 307}, {26, 397, 389}, {50, 450, 450}, {100, 509, 520}, {203, 573, 594}, {400, 636, 668}, {600, 674, 712},
		{1000, 723, 769}, {4000, 855, 923},
	} {
		l := d.LevelFor(c.nits)
		if a, b := math.Round(narrow.Code(l)), math.Round(full.Code(l)); a != c.narrow || b != c.full {
			t.Errorf("%g cd/m2 is %g narrow and %g full, want %g and %g", c.nits, a, b, c.narrow, c.full)
		}
	}
	for code, nits := range map[float64]float64{65: 5.259e-5, 68: 5.657e-4, 76: 0.004164, 96: 0.030002, 128: 0.146483} {
		relative(t, "light of a narrow code", d.Light(narrow.Level(code)), nits, 5e-4)
	}
}

// Light rises with the level and goes back to it, wherever the screen can show
// it; it is finite for whatever is asked.
func TestLightInverse(t *testing.T) {
	for _, e := range []EOTF{BT1886, SRGB, PQ, HLG} {
		for _, peak := range []float64{LeastPeak, 100, 399, 400, 1000, 2000, 2001, MostPeak} {
			for _, black := range []float64{0, 1e-4, 0.05, MostBlack} {
				c := conditions(e, peak, black)
				if err := c.Check(); err != nil {
					t.Fatal(err)
				}
				d := NewDisplay(c)
				last := -1.0
				const n = 1500
				for i := range n + 1 {
					level := leastLevel + (mostLevel-leastLevel)*float64(i)/n
					l := d.Light(level)
					if !(l >= last) || math.IsInf(l, 0) || l < 0 {
						t.Fatalf("%s: level %g has %g cd/m2 after %g", c, level, l, last)
					}
					back := d.LevelFor(l)
					// To the last digits that a luminance keeps of a level: those
					// near black are lost in the black that is added.
					if again := d.Light(back); math.Abs(again-l) > 1e-9*max(l, peak*1e-6) {
						t.Fatalf("%s: %g cd/m2 becomes level %g, which has %g", c, l, back, again)
					}
					if l > last && l > black*1.001 && l < peak*0.999 && level > 0.001 && math.Abs(back-level) > 1e-6 {
						t.Fatalf("%s: level %g comes back as %g", c, level, back)
					}
					last = l
				}
				relative(t, c.String()+": black", d.Light(0), black, 1e-7)
				if e != PQ {
					relative(t, c.String()+": white", d.Light(1), peak, 1e-7)
				}
				for _, wild := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300} {
					for _, got := range []float64{d.Light(wild), d.LevelFor(wild)} {
						if math.IsNaN(got) || math.IsInf(got, 0) {
							t.Errorf("%s: %g gives %g", c, wild, got)
						}
					}
				}
			}
		}
	}
}
