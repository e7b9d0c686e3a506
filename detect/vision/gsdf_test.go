package vision

import (
	"math"
	"testing"
)

// Luminances of JND indices: DICOM PS3.14 Table B-1 (1 to 5 and 1023), the
// formula of section 7.1 else; 512 as colour-science has it.
func TestGSDFLight(t *testing.T) {
	for _, c := range []struct{ index, nits float64 }{
		{1, 0.0500}, {2, 0.0547}, {3, 0.0594}, {4, 0.0643}, {5, 0.0696}, {10, 0.0991}, {20, 0.1750}, {50, 0.5574}, {100, 1.8508},
		{200, 8.2179}, {300, 23.399}, {400, 55.364}, {500, 119.13}, {512, 130.065284}, {700, 480.50}, {900, 1795.1}, {1000, 3439.2},
	} {
		relative(t, "luminance", GSDFLight(c.index), c.nits, 1e-3)
	}
	near(t, "512", GSDFLight(512), 130.065284, 1e-5)
	near(t, "1023", GSDFLight(1023), 3993.4040, 0.1)
}

// Indices of luminances: PS3.14 section 7.1; 12 cd/m2 is the example of its
// Annex D.2, and 1 cd/m2 leaves the first coefficient alone.
func TestGSDFIndex(t *testing.T) {
	near(t, "index of the least", GSDFIndex(0.05), 1.03, 5e-3)
	for _, c := range []struct{ nits, index float64 }{
		{0.1, 10.118}, {0.5, 46.558}, {1, 71.498068}, {10, 216.872}, {12, 233.320}, {100, 476.364}, {1000, 810.487},
	} {
		near(t, "index", GSDFIndex(c.nits), c.index, 6e-4)
	}
}

// PS3.14 Annex D.2, a film on a light box: of 256 P-values between 12.0 and
// 1271.9 cd/m2, each the same number of JND apart, Table D.2-1 prints the
// densities.
func TestGSDFFilm(t *testing.T) {
	const box, room = 2000, 10
	least, most := GSDFIndex(12.0), GSDFIndex(1271.9)
	for _, c := range []struct{ p, density float64 }{{0, 3.000}, {1, 2.936}, {16, 2.405}, {64, 1.698}, {128, 1.122}, {192, 0.641}, {254, 0.207}, {255, 0.200}} {
		l := GSDFLight(least + (most-least)*c.p/255)
		near(t, "density", -math.Log10((l-room)/box), c.density, 0.0016)
	}
}

func TestGSDFInverse(t *testing.T) {
	last := 0.0
	for index := 1.0; index <= mostIndex; index += 0.25 {
		l := GSDFLight(index)
		if l <= last {
			t.Fatalf("index %g has %g cd/m2 after %g", index, l, last)
		}
		last = l
		// The two published fits are no exact inverses of each other.
		near(t, "index of its luminance", GSDFIndex(l), index, 0.12)
	}
	last = 0
	for x := math.Log10(LeastGSDF); x <= math.Log10(MostGSDF); x += 0.001 {
		if got := GSDFIndex(math.Pow(10, x)); got <= last {
			t.Fatalf("%g cd/m2 has index %g after %g", math.Pow(10, x), got, last)
		} else {
			last = got
		}
	}
	for _, wild := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 0, 1e300} {
		for _, got := range []float64{GSDFLight(wild), GSDFIndex(wild)} {
			if math.IsNaN(got) || math.IsInf(got, 0) {
				t.Errorf("%g gives %g", wild, got)
			}
		}
	}
}
