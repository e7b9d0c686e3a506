package report

import (
	"math"
	"time"

	"setwitness/detect"
)

// The visibility of a finding is an estimate from its strength, its pitch and
// its duration alone: the luminance modulation that the strength amounts to at
// mid grey under the conditions, times the contrast sensitivity there. Level
// and masking of the scene around it are not looked at. What it rests on:
//
//   - the sensitivity is the short form of P. G. J. Barten, "Formula for the
//     contrast sensitivity of the human eye", Proc. SPIE 5294 (2004);
//   - light follows ITU-R BT.1886 Annex 1;
//   - a thing shown for less than the integration time of the eye counts by
//     its share of it (Bloch's law), with the 0.1 s of Barten's model;
//   - what one lost or repeated picture is worth is common practice, no
//     source.

const (
	eyeIntegration = 100 * time.Millisecond // Barten 1999, T of the typical observer
	midGrey        = 0.5                    // signal level, where no level was measured
	fieldDegrees   = 10.0                   // size of what is looked at, as in Barten's table
	// A moving thing carries detail at all scales and its copy is as large as
	// itself; the eye is most sensitive near this many cycles a degree at
	// television light levels.
	thingCycles = 2.0
	// A thing that stands out from its background does so by about this share
	// of the signal range (geometric mean of faint, 4 %, and glaring, 100 %).
	thingContrast = 0.2
)

// defaultConditions is the viewing of SDR television that the figures are
// stated for: reference white of 100 cd/m2 as in BT.1886 and BT.2035, a black
// of 0.05 cd/m2 as a good LCD or a dim room gives, and the 3 picture heights
// of BT.1127 and BT.710.
var defaultConditions = Conditions{PeakNits: 100, BlackNits: 0.05, EOTF: "bt1886", DistanceHeights: 3}

// DefaultConditions returns the conditions that apply when none are given.
func DefaultConditions() Conditions { return defaultConditions }

// visibility estimates how many times the threshold a finding is. lines is
// the height of the whole picture in lines.
func visibility(c Conditions, k detect.Kind, strength float64, measures map[string]float64, lines int, shown time.Duration) float64 {
	perDegree := float64(lines) * c.DistanceHeights * math.Pi / 180
	var jnd float64
	switch {
	case k.Unit() == "JND":
		return strength
	case k == detect.CadenceBreak:
		// A viewer who looks for it just sees one picture too many or too
		// few; the stumble does not fade with its short duration.
		return strength
	case k == detect.Combing:
		pitch := 2.0
		if p := measures["pitch_lines"]; p > 0 {
			pitch = p
		}
		jnd = c.modulation(strength/100) * sensitivity(perDegree/pitch, c.light(midGrey))
	case k == detect.Ghost:
		jnd = c.modulation(strength/100*thingContrast) * sensitivity(thingCycles, c.light(midGrey))
	default:
		jnd = c.modulation(strength/100) * sensitivity(thingCycles, c.light(midGrey))
	}
	return jnd * min(1, shown.Seconds()/eyeIntegration.Seconds())
}

// light is the luminance of a signal level from 0 to 1 (BT.1886 Annex 1).
func (c Conditions) light(v float64) float64 {
	const gamma = 2.4
	w, b := math.Pow(c.PeakNits, 1/gamma), math.Pow(c.BlackNits, 1/gamma)
	return math.Pow(w-b, gamma) * math.Pow(max(v+b/(w-b), 0), gamma)
}

// modulation is the luminance modulation of two levels around mid grey that
// lie swing apart.
func (c Conditions) modulation(swing float64) float64 {
	swing = min(max(swing, 0), 1)
	hi, lo := c.light(midGrey+swing/2), c.light(midGrey-swing/2)
	return (hi - lo) / (hi + lo)
}

// sensitivity is the contrast sensitivity at u cycles a degree and a
// luminance of l cd/m2.
func sensitivity(u, l float64) float64 {
	return 5200 * math.Exp(-0.0016*u*u*math.Pow(1+100/l, 0.08)) /
		math.Sqrt((1+144/(fieldDegrees*fieldDegrees)+0.64*u*u)*(63/math.Pow(l, 0.83)+1/(1-math.Exp(-0.02*u*u))))
}
