package vision

import "math"

// Colour names the primaries and the matrix of a take, as FFmpeg prints them
// (ITU-T H.273 Tables 2 and 4). Empty or unknown ones are those of ITU-R BT.709.
type Colour struct{ Primaries, Matrix string }

type matrix [3][3]float64

func (m *matrix) times(v [3]float64) (out [3]float64) {
	for i := range out {
		out[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
	}
	return out
}

func (m *matrix) product(n *matrix) (out matrix) {
	for i := range 3 {
		for j := range 3 {
			out[i][j] = m[i][0]*n[0][j] + m[i][1]*n[1][j] + m[i][2]*n[2][j]
		}
	}
	return out
}

func (m *matrix) inverse() (out matrix) {
	minor := func(r0, r1, c0, c1 int) float64 { return m[r0][c0]*m[r1][c1] - m[r0][c1]*m[r1][c0] }
	for i := range 3 {
		for j := range 3 {
			// The transpose of the cofactors; cyclic indices carry the sign.
			out[j][i] = minor((i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3)
		}
	}
	det := m[0][0]*out[0][0] + m[0][1]*out[1][0] + m[0][2]*out[2][0]
	for i := range 3 {
		for j := range 3 {
			out[i][j] /= det
		}
	}
	return out
}

// chromaticities are x and y of red, green and blue, all for a white of D65
// (ITU-T H.273 Table 2; the values from memory but for BT.709 and BT.2020).
func chromaticities(primaries string) [3][2]float64 {
	switch primaries {
	case "bt2020":
		return [3][2]float64{{0.708, 0.292}, {0.170, 0.797}, {0.131, 0.046}}
	case "smpte432":
		return [3][2]float64{{0.680, 0.320}, {0.265, 0.690}, {0.150, 0.060}}
	case "bt470bg":
		return [3][2]float64{{0.640, 0.330}, {0.290, 0.600}, {0.150, 0.060}}
	case "smpte170m", "smpte240m":
		return [3][2]float64{{0.630, 0.340}, {0.310, 0.595}, {0.155, 0.070}}
	}
	return [3][2]float64{{0.640, 0.330}, {0.300, 0.600}, {0.150, 0.060}}
}

// toXYZ is the matrix from linear RGB of the given primaries to CIE XYZ (SMPTE
// RP 177).
func toXYZ(primaries string) matrix {
	column := func(x, y float64) [3]float64 { return [3]float64{x / y, 1, (1 - x - y) / y} }
	p := chromaticities(primaries)
	var m matrix
	for j := range 3 {
		for i, v := range column(p[j][0], p[j][1]) {
			m[i][j] = v
		}
	}
	white := column(0.3127, 0.3290) // D65
	inverse := m.inverse()
	gain := inverse.times(white)
	for i := range 3 {
		for j := range 3 {
			m[i][j] *= gain[j]
		}
	}
	return m
}

// toBT2020 is the matrix from linear RGB of the given primaries to that of
// ITU-R BT.2020; from BT.709 with the digits of ITU-R BT.2087.
func toBT2020(primaries string) matrix {
	switch primaries {
	case "bt2020":
		return matrix{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	case "smpte432", "bt470bg", "smpte170m", "smpte240m":
		return between(primaries, "bt2020")
	}
	return matrix{{0.6274, 0.3293, 0.0433}, {0.0691, 0.9195, 0.0114}, {0.0164, 0.0880, 0.8956}}
}

// between is the matrix from linear RGB of some primaries to that of others.
func between(from, to string) matrix {
	m, n := toXYZ(from), toXYZ(to)
	back := n.inverse()
	return back.product(&m)
}

// LumaWeights are those of red and blue in luma (ITU-T H.273 Table 4).
func LumaWeights(matrix string) (red, blue float64) {
	switch matrix {
	case "bt2020nc", "bt2020c":
		return 0.2627, 0.0593
	case "bt470bg", "smpte170m":
		return 0.299, 0.114
	case "smpte240m":
		return 0.212, 0.087
	case "fcc":
		return 0.30, 0.11
	}
	return 0.2126, 0.0722
}

// ITP is a colour in the space of ITU-R BT.2124: I, T = CT/2 and P = CP of
// ICtCp in its PQ form (ITU-R BT.2100-2 Table 7).
type ITP struct{ I, T, P float64 }

// ITPOf returns the colour of display light, in cd/m2 for each primary of ITU-R
// BT.2020 (white of l cd/m2 is l, l, l).
func ITPOf(r, g, b float64) ITP {
	const full = 4096
	l := pqLevel((1688*r + 2146*g + 262*b) / full)
	m := pqLevel((683*r + 2951*g + 462*b) / full)
	s := pqLevel((99*r + 309*g + 3688*b) / full)
	return ITP{
		I: (l + m) / 2,
		T: (6610*l - 13613*m + 7003*s) / full / 2,
		P: (17933*l - 17390*m - 543*s) / full,
	}
}

// DeltaE returns the colour difference of ITU-R BT.2124, of which one unit is
// one JND at the most critical adaptation.
func DeltaE(a, b ITP) float64 {
	i, t, p := a.I-b.I, a.T-b.T, a.P-b.P
	return 720 * math.Sqrt(i*i+t*t+p*p)
}
