package vision

import "math"

// The constants of P. G. J. Barten, "Contrast Sensitivity of the Human Eye and
// Its Effects on Image Quality", SPIE Press 1999, for the typical observer, as
// Report ITU-R BT.2246 uses them.
const (
	snr          = 3.0       // k, signal to noise at the threshold
	integration  = 0.1       // T, s
	efficiency   = 0.03      // eta, of the quanta that reach the eye
	blur0        = 0.5 / 60  // sigma0, deg
	blurPupil    = 0.08 / 60 // Cab, deg for each mm of the pupil
	mostDegrees  = 12.0      // Xmax, deg: the largest area that is integrated
	mostCycles   = 15.0      // Nmax: the most cycles that are integrated
	neuralNoise  = 3e-8      // Phi0, s deg2
	inhibition   = 7.0       // u0, cycles/deg below which neighbours inhibit
	photonFactor = 1.2274e6  // p, photons/s/deg2/Td, of a white screen
)

// IntegrationSeconds is the time over which the eye adds up light, T of
// Barten's model: what is shown for less counts by its share of it (Bloch's
// law).
const IntegrationSeconds = integration

// Sensitivity returns the contrast sensitivity of an eye at u cycles a degree
// on a field of l cd/m2 and width by height degrees: the reciprocal of the
// modulation of a sinusoidal grating, (max-min)/(max+min), that is seen half of
// the time with both eyes. Barten 1999, full form.
func Sensitivity(u, l, width, height float64) float64 {
	return sensitivity(u, eyeAt(l, width, height), width, height)
}

// eye is the state of the eye's optics at one luminance.
type eye struct {
	blur  float64 // sigma, deg
	noise float64 // of the quanta, 1/(eta p E), s deg2
}

// eyeAt is the eye that looks at a field of l cd/m2 and width by height
// degrees.
func eyeAt(l, width, height float64) eye {
	d := pupil(l, width, height)
	return eye{blurOf(d), 1 / (efficiency * photonFactor * illuminance(l, d))}
}

// pupil is the diameter of the pupil, mm.
func pupil(l, width, height float64) float64 {
	const wide = 40 // deg, the field for which the constants were found
	return 5 - 3*math.Tanh(0.4*math.Log10(l*width*height/(wide*wide)))
}

// blurOf is the standard deviation of the line spread, deg, of a pupil of d mm.
func blurOf(d float64) float64 { return math.Hypot(blur0, blurPupil*d) }

// illuminance is that of the retina, Td, with the Stiles-Crawford effect.
func illuminance(l, d float64) float64 {
	return math.Pi * d * d / 4 * l * (1 - math.Pow(d/9.7, 2) + math.Pow(d/12.4, 4))
}

// opticalMTF is the share of modulation that reaches the retina.
func opticalMTF(u, blur float64) float64 {
	return math.Exp(-2 * math.Pi * math.Pi * blur * blur * u * u)
}

// extent is the size of what is integrated, deg.
func extent(u, size float64) float64 {
	return 1 / math.Sqrt(1/(size*size)+1/(mostDegrees*mostDegrees)+u*u/(mostCycles*mostCycles))
}

func sensitivity(u float64, e eye, width, height float64) float64 {
	area := extent(u, width) * extent(u, height)
	neural := neuralNoise / -math.Expm1(-(u/inhibition)*(u/inhibition))
	return opticalMTF(u, e.blur) / snr / math.Sqrt(2/integration/area*(e.noise+neural))
}

// Frequencies, cycles a degree, between which the eye is most sensitive at any
// luminance and size.
const leastBest, mostBest = 0.02, 20.0

// bestSensitivity is the largest sensitivity at or above the frequency from.
// The sensitivity has one maximum, which is searched by golden section over the
// logarithm of the frequency.
func bestSensitivity(from float64, e eye, width, height float64) float64 {
	if from >= mostBest {
		return sensitivity(from, e, width, height)
	}
	from = max(from, leastBest)
	at := func(x float64) float64 { return sensitivity(math.Exp(x), e, width, height) }
	const (
		golden = 0.6180339887498949
		near   = 1e-3 // of the frequency: the sensitivity is flat at its maximum
	)
	a, b := math.Log(from), math.Log(mostBest)
	c, d := b-golden*(b-a), a+golden*(b-a)
	fc, fd := at(c), at(d)
	for b-a > near {
		if fc > fd {
			b, d, fd = d, c, fc
			c = b - golden*(b-a)
			fc = at(c)
		} else {
			a, c, fc = c, d, fd
			d = a + golden*(b-a)
			fd = at(d)
		}
	}
	// Where the sensitivity only falls, the end is the maximum.
	return max(at(a), fc, fd)
}
