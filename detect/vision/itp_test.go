package vision

import (
	"math"
	"testing"
)

// colour-science's test_ictcp.py, BT.2020 light in cd/m2. T is half of CT (ITU-R
// BT.2124).
func TestITP(t *testing.T) {
	got := ITPOf(0.45620519, 0.03081071, 0.04091952)
	near(t, "I", got.I, 0.07351364, 1e-8)
	near(t, "CT", 2*got.T, 0.00475253, 1e-8)
	near(t, "CP", got.P, 0.09351596, 1e-8)
	// Grey has no colour, whatever its light.
	for _, l := range []float64{0, 0.01, 1, 100, 10000} {
		grey := ITPOf(l, l, l)
		near(t, "I of grey", grey.I, pqLevel(l), 1e-12)
		near(t, "T of grey", grey.T, 0, 1e-12)
		near(t, "P of grey", grey.P, 0, 1e-12)
	}
}

// The example that colour-science's documentation has for Delta E_ITP (ITU-R
// BT.2124), in I, CT, CP.
func TestDeltaE(t *testing.T) {
	a := ITP{0.4885468072, -0.04739350675 / 2, 0.07475401302}
	b := ITP{0.4899203231, -0.04567508203 / 2, 0.07361341775}
	near(t, "difference", DeltaE(a, b), 1.42657228, 1e-8)
	near(t, "difference back", DeltaE(b, a), 1.42657228, 1e-8)
	near(t, "no difference", DeltaE(a, a), 0, 0)
}

// What the chromaticities give is what ITU-R BT.2087 prints for BT.709 to BT.2020.
func TestToBT2020(t *testing.T) {
	want, got := toBT2020("bt709"), between("bt709", "bt2020")
	for i := range 3 {
		for j := range 3 {
			near(t, "BT.709 to BT.2020", got[i][j], want[i][j], 5e-5)
		}
	}
	for _, p := range []string{"", "bt709", "bt470bg", "smpte170m", "smpte432", "bt2020"} {
		m := toBT2020(p)
		for _, v := range m.times([3]float64{1, 1, 1}) {
			near(t, p+": white", v, 1, 1e-12)
		}
	}
	// The luminance weights of ITU-R BT.709-6 and BT.2020-2 are the middle row
	// of the matrix to XYZ.
	for p, want := range map[string][3]float64{"bt709": {0.2126, 0.7152, 0.0722}, "bt2020": {0.2627, 0.6780, 0.0593}, "smpte170m": {0.2124, 0.7011, 0.0866}} {
		m := toXYZ(p)
		for j := range 3 {
			near(t, p+": luminance", m[1][j], want[j], 5.1e-5)
		}
	}
}

// ITU-R BT.2111-2 carries bars of BT.709's colours in BT.2020 containers: PQ at
// 58 % and HLG at 75 %, 10-bit R, G and B. Light of full BT.709 primaries has to
// come out as those codes: transfer function, range and matrix in one.
func TestBars(t *testing.T) {
	m := toBT2020("bt709")
	colours := [][3]float64{{1, 1, 0}, {0, 1, 1}, {0, 1, 0}, {1, 0, 1}, {1, 0, 0}, {0, 0, 1}}
	check := func(name string, q Coding, level func(light float64) float64, want [][3]float64) {
		t.Helper()
		for i, colour := range colours {
			for k, v := range m.times(colour) {
				if got := math.Round(q.Code(level(v))); got != want[i][k] {
					t.Errorf("%s: colour %v has code %g, want %g", name, colour, got, want[i][k])
				}
			}
		}
	}
	pq := func(v float64) float64 { return pqLevel(v * pqLight(0.58)) }
	check("PQ narrow", Coding{Depth: 10}, pq, [][3]float64{{568, 571, 381}, {484, 566, 571}, {474, 564, 368}, {536, 361, 564}, {530, 350, 256}, {317, 236, 562}})
	check("PQ full", Coding{Depth: 10, Full: true}, pq, [][3]float64{{589, 592, 370}, {491, 586, 592}, {478, 584, 355}, {551, 347, 584}, {544, 334, 225}, {296, 201, 582}})
	hlg := func(v float64) float64 { return hlgLevel(v * hlgScene(0.75)) }
	check("HLG", Coding{Depth: 10}, hlg, [][3]float64{{713, 719, 316}, {538, 709, 718}, {512, 706, 296}, {651, 286, 705}, {639, 269, 164}, {227, 147, 702}})
}
