package vision

import (
	"math"
	"testing"
)

// Unit values of colour-science's test_barten1999.py for the parts of Barten's
// model (1999).
func TestBartenParts(t *testing.T) {
	for _, c := range []struct {
		what            string
		got, want, with float64
	}{
		{"MTF 4", opticalMTF(4, 0.01), 0.968910791191297, 1e-12},
		{"MTF 8", opticalMTF(8, 0.01), 0.881323136669471, 1e-12},
		{"MTF 4 blurred", opticalMTF(4, 0.05), 0.454040738727245, 1e-12},
		{"pupil 20", pupil(20, 60, 60), 3.262346170373243, 1e-12},
		{"pupil 20, 60 by 30", pupil(20, 60, 30), 3.519054451149336, 1e-12},
		{"pupil 100", pupil(100, 60, 60), 2.7931307, 1e-7},
		{"blur", blurOf(2.1), 0.008791157173231, 1e-12},
		{"illuminance 20", illuminance(20, 2.1), 66.082316060529919, 1e-9},
		{"illuminance 100", illuminance(100, 2.1), 330.4115803, 1e-6},
		{"extent 4", extent(4, 60), 3.572948005052482, 1e-12},
		{"extent 8", extent(8, 60), 1.851640199545103, 1e-12},
		{"sensitivity 4", sensitivity(4, eye{blurOf(2.1), 1 / (efficiency * photonFactor * illuminance(20, 2.1))}, 60, 60), 360.8691122, 1e-6},
		// The same test takes p = 1.2e6 here.
		{"sensitivity of given light", sensitivity(4, eye{0.01, 1 / (efficiency * 1.2e6 * 65)}, 60, 60), 352.761342126727, 1e-8},
	} {
		near(t, c.what, c.got, c.want, c.with)
	}
}

// The contrast that can just be detected, 2/(1.27 S), for Report ITU-R BT.2246
// Fig. 31 (field of 60 degrees): values of colour-science's barten1999.py.
func TestDetectableContrast(t *testing.T) {
	for _, c := range []struct{ nits, contrast float64 }{
		{0.01, 0.0218764}, {0.0278256, 0.0141848}, {0.0774264, 0.0095244}, {0.215443, 0.0066805}, {0.599484, 0.0049246},
		{1.66810, 0.0038228}, {4.64159, 0.0031188}, {12.9155, 0.0026627}, {35.9381, 0.0023674}, {100, 0.0021814},
	} {
		got := 2 / (squareWave * bestSensitivity(0, eyeAt(c.nits, 60, 60), 60, 60))
		relative(t, "detectable contrast", got, c.contrast, 1e-4)
	}
}

// P. G. J. Barten, Proc. SPIE 5294 (2004), gives a short form for a field of
// angular size w and says that it stands for the whole formula; the two lie
// within 15 % of each other from 0.25 to 16 cycles a degree in the light of dark
// scenes.
func TestShortForm(t *testing.T) {
	const w = 10.0
	short := func(u, l float64) float64 {
		return 5200 * math.Exp(-0.0016*u*u*math.Pow(1+100/l, 0.08)) /
			math.Sqrt((1+144/(w*w)+0.64*u*u)*(63/math.Pow(l, 0.83)+1/(1-math.Exp(-0.02*u*u))))
	}
	for _, l := range []float64{0.1, 1} {
		for u := 0.25; u <= 16; u *= 2 {
			relative(t, "sensitivity", Sensitivity(u, l, w, w), short(u, l), 0.16)
		}
	}
	// Values of the full form at 0.1 and 1 cd/m2.
	for i, u := range []float64{0.25, 0.5, 1, 2, 4, 8, 16, 32} {
		near(t, "0.1 cd/m2", Sensitivity(u, 0.1, w, w), []float64{95.3, 131.1, 138.5, 112.4, 68.7, 32.0, 8.9, 0.4}[i], 0.051)
		near(t, "1 cd/m2", Sensitivity(u, 1, w, w), []float64{113.9, 206.1, 302.3, 301.3, 199.6, 96.6, 29.1, 1.7}[i], 0.051)
	}
}

// The search finds what trying every frequency finds, and sensitivity grows with
// light and with size.
func TestBestSensitivity(t *testing.T) {
	for _, size := range []float64{0.03, 0.3, 2, 10, 33, 100} {
		last := 0.0
		for l := 1e-4; l <= 1e4; l *= 10 {
			e := eyeAt(l, 33, 19)
			for _, from := range []float64{0, 1 / (2 * size)} {
				want := 0.0
				for u := max(from, leastBest); u <= max(mostBest, from); u *= 1.01 {
					want = max(want, sensitivity(u, e, size, size))
				}
				got := bestSensitivity(from, e, size, size)
				if got < want*0.9999 || got > want*1.001 {
					t.Errorf("%g deg, %g cd/m2 from %g: %g, want %g", size, l, from, got, want)
				}
			}
			got := bestSensitivity(0, e, size, size)
			if got <= last || got < bestSensitivity(0, e, size/2, size/2) {
				t.Errorf("%g deg, %g cd/m2: %g after %g", size, l, got, last)
			}
			last = got
		}
	}
}
