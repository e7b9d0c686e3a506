package vision

import "math"

// Coding is how signal levels are written as codes: ITU-R BT.709-6 item 3,
// BT.2100-2 Table 9.
type Coding struct {
	Depth int  // bits a code, 8 to 16
	Full  bool // full range; else limited (narrow)
}

// Codes of limited range at 8 bits: black, and the codes from there to white;
// for chroma the codes from one end to the other.
const (
	limitedBlack  = 16
	limitedLuma   = 219
	limitedChroma = 224
	noColour      = 128
)

// step is how many codes there are to one of 8 bits.
func (q Coding) step() float64 { return math.Ldexp(1, q.Depth-8) }

// Most returns the largest code.
func (q Coding) Most() float64 { return 256*q.step() - 1 }

// Level returns the signal level of a luma (or R'G'B') code, which may be the
// mean of several: 0 is black, 1 is white. Codes outside of the coding count as
// the nearest that it has.
func (q Coding) Level(code float64) float64 {
	code = clamp(code, 0, q.Most())
	if q.Full {
		return code / q.Most()
	}
	return (code/q.step() - limitedBlack) / limitedLuma
}

// Code returns the code of a signal level, not rounded, and no further than the
// coding goes.
func (q Coding) Code(level float64) float64 {
	if q.Full {
		return clamp(level*q.Most(), 0, q.Most())
	}
	return clamp((level*limitedLuma+limitedBlack)*q.step(), 0, q.Most())
}

// Chroma returns the level, -0.5 to 0.5, of a chroma code.
func (q Coding) Chroma(code float64) float64 {
	code = clamp(code, 0, q.Most()) - noColour*q.step()
	if q.Full {
		return code / q.Most()
	}
	return code / (limitedChroma * q.step())
}

// The levels that codes can have: those of limited range, whose codes go on
// below black and above white.
const (
	leastLevel = -limitedBlack / 219.0
	mostLevel  = (256 - limitedBlack) / 219.0
)

// clamp is v within bounds; what is no number becomes the lower one.
func clamp(v, least, most float64) float64 {
	if !(v > least) {
		return least
	}
	return min(v, most)
}

// Display turns levels into light under given conditions, and back. It holds
// what the transfer function needs more than once.
type Display struct {
	peak, black float64
	eotf        EOTF
	a, b        float64 // BT.1886
	gamma, lift float64 // HLG
}

// NewDisplay prepares the transfer function of conditions that pass Check.
func NewDisplay(c Conditions) Display {
	d := Display{peak: c.PeakNits, black: c.BlackNits, eotf: c.EOTF}
	switch c.EOTF {
	case BT1886:
		w, k := math.Pow(d.peak, 1/gamma1886), math.Pow(d.black, 1/gamma1886)
		d.a, d.b = math.Pow(w-k, gamma1886), k/(w-k)
	case HLG:
		d.gamma = systemGamma(d.peak)
		// The square root of BT.2100 is the OETF of so little light.
		d.lift = hlgLevel(math.Pow(d.black/d.peak, 1/d.gamma))
	}
	return d
}

// Light returns the luminance, cd/m2, of a level of luma where there is no
// colour. It never falls as the level rises.
//
//   - bt1886: ITU-R BT.1886 Annex 1. Levels below black and above white are
//     shown as far as codes go.
//   - srgb: IEC 61966-2-1 between black and peak.
//   - pq: SMPTE ST 2084, which is absolute and knows no black: the black of the
//     conditions is light that the screen adds, and the sum is clipped at the
//     peak.
//   - hlg: ITU-R BT.2100-2 Table 5, with the system gamma and the black lift
//     that belong to peak and black.
func (d *Display) Light(level float64) float64 {
	v := clamp(level, leastLevel, mostLevel)
	switch d.eotf {
	case SRGB:
		return d.black + (d.peak-d.black)*srgbLight(v)
	case PQ:
		return min(d.black+pqLight(v), d.peak)
	case HLG:
		return d.peak * math.Pow(hlgScene(d.lifted(v)), d.gamma)
	}
	return d.a * math.Pow(max(v+d.b, 0), gamma1886)
}

// LevelFor returns the level that gives a luminance: the inverse of Light. Where
// several levels give the same (all below what the screen can show, all above
// where it clips), it is the one nearest to those that do not.
func (d *Display) LevelFor(nits float64) float64 {
	l := clamp(nits, 0, d.Light(mostLevel))
	var v float64
	switch d.eotf {
	case SRGB:
		v = srgbLevel((l - d.black) / (d.peak - d.black))
	case PQ:
		if l <= d.black {
			return 0
		}
		v = pqLevel(l - d.black)
	case HLG:
		v = (hlgLevel(math.Pow(l/d.peak, 1/d.gamma)) - d.lift) / (1 - d.lift)
	default:
		v = math.Pow(l/d.a, 1/gamma1886) - d.b
	}
	return clamp(v, leastLevel, mostLevel)
}

// gamma1886 is the exponent of ITU-R BT.1886 Annex 1.
const gamma1886 = 2.4

// srgbLight is IEC 61966-2-1.
func srgbLight(v float64) float64 {
	switch {
	case v <= 0:
		return 0
	case v <= 0.04045:
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

func srgbLevel(l float64) float64 {
	switch {
	case l <= 0:
		return 0
	case l <= 0.04045/12.92:
		return 12.92 * l
	}
	return 1.055*math.Pow(l, 1/2.4) - 0.055
}

// The constants of SMPTE ST 2084 (ITU-R BT.2100-2 Table 4).
const (
	pqM1   = 2610.0 / 16384
	pqM2   = 2523.0 / 32
	pqC1   = 3424.0 / 4096
	pqC2   = 2413.0 / 128
	pqC3   = 2392.0 / 128
	pqPeak = 10000 // cd/m2
)

// pqLight is the EOTF of SMPTE ST 2084, in cd/m2.
func pqLight(v float64) float64 {
	if v <= 0 {
		return 0
	}
	p := math.Pow(min(v, 1), 1/pqM2)
	return pqPeak * math.Pow(max(p-pqC1, 0)/(pqC2-pqC3*p), 1/pqM1)
}

// pqLevel is its inverse.
func pqLevel(l float64) float64 {
	y := math.Pow(clamp(l/pqPeak, 0, 1), pqM1)
	return math.Pow((pqC1+pqC2*y)/(1+pqC3*y), pqM2)
}

// The constants of HLG (ITU-R BT.2100-2 Table 5): b = 1 - 4a and
// c = 0.5 - a ln(4a).
const (
	hlgA = 0.17883277
	hlgB = 1 - 4*hlgA
	hlgC = 0.559910729529562
)

// hlgScene is the inverse of the OETF: scene light of a level.
func hlgScene(v float64) float64 {
	switch {
	case v <= 0:
		return 0
	case v <= 0.5:
		return v * v / 3
	}
	return (math.Exp((v-hlgC)/hlgA) + hlgB) / 12
}

// hlgLevel is the OETF.
func hlgLevel(e float64) float64 {
	switch {
	case e <= 0:
		return 0
	case e <= 1.0/12:
		return math.Sqrt(3 * e)
	}
	return hlgA*math.Log(12*e-hlgB) + hlgC
}

// lifted is a level after the black lift of HLG.
func (d *Display) lifted(v float64) float64 { return (1-d.lift)*v + d.lift }

// systemGamma is the exponent of the OOTF of HLG for a peak: ITU-R BT.2100-2
// Table 5, note 5e, for 400 to 2000 cd/m2 and the extended form of note 5f
// beyond (the notes' numbers from memory).
func systemGamma(peak float64) float64 {
	if peak >= 400 && peak <= 2000 {
		return 1.2 + 0.42*math.Log10(peak/1000)
	}
	return 1.2 * math.Pow(1.111, math.Log2(peak/1000))
}
