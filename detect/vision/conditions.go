// Package vision says how visible a difference on a screen is, in just
// noticeable differences (JND), for stated conditions of viewing.
//
// In: code values of a take, or luminances, and the conditions: peak and black
// of the screen, its transfer function, the distance, the lines of the raster.
// Out: luminance in cd/m2, angles in degrees, contrast sensitivity, and how
// many times a step, a grating, a patch or a colour step exceeds what can just
// be seen.
//
// The models are published ones, named beside each function. All of them are
// of the most critical viewing: the eye is adapted to the place that it looks
// at, and nothing around masks it. What is counted is multiples of the
// threshold (the reciprocal of the modulation that is seen half of the time),
// so that twice the contrast is twice the JND.
package vision

import (
	"fmt"
	"math"
	"strconv"
)

// EOTF is an electro-optical transfer function: how a signal becomes light.
type EOTF string

// The transfer functions, by their names in the findings document.
const (
	BT1886 EOTF = "bt1886" // ITU-R BT.1886, SDR television
	SRGB   EOTF = "srgb"   // IEC 61966-2-1, computers and, for want of better, cameras
	PQ     EOTF = "pq"     // SMPTE ST 2084, ITU-R BT.2100
	HLG    EOTF = "hlg"    // ITU-R BT.2100, ARIB STD-B67
)

// ParseEOTF reads the name of a transfer function.
func ParseEOTF(s string) (EOTF, error) {
	switch e := EOTF(s); e {
	case BT1886, SRGB, PQ, HLG:
		return e, nil
	}
	return "", fmt.Errorf("%q is none of bt1886, srgb, pq and hlg", s)
}

// EOTFOf returns the transfer function that shows a signal of the given
// transfer characteristics, which are named as FFmpeg prints them (ITU-T H.273
// Table 3). Whatever is neither PQ nor HLG nor sRGB, stated or not, is what
// sets show by BT.1886.
func EOTFOf(transfer string) EOTF {
	switch transfer {
	case "smpte2084":
		return PQ
	case "arib-std-b67":
		return HLG
	case "iec61966-2-1":
		return SRGB
	}
	return BT1886
}

// FilmedEOTF returns what is assumed of a camera whose film of a screen is
// tagged with the given transfer characteristics: the curve of sRGB unless it is
// tagged as PQ or HLG, for phones write such a curve and tag it as video's
// (common practice, no source).
func FilmedEOTF(transfer string) EOTF {
	if e := EOTFOf(transfer); e != BT1886 {
		return e
	}
	return SRGB
}

// Conditions of viewing.
type Conditions struct {
	PeakNits  float64 // luminance of reference white (SDR, HLG) or at which the screen clips (PQ), cd/m2
	BlackNits float64 // luminance of black, cd/m2
	EOTF      EOTF
	// DistanceHeights is the viewing distance in picture heights.
	DistanceHeights float64
	// Lines is the height of the raster: what spans the height of the picture.
	Lines int
	// Camera says that the codes are those of a camera that filmed the screen.
	// EOTF is then what is assumed of the camera, whose full scale is taken for
	// the peak.
	Camera bool
}

// What conditions may be: from a dim projection to what PQ can state, from a
// screen that fills the field of view to one that is a dot, and from a black
// that cannot be measured to one that a lit room gives. The bounds of peak and
// black leave a contrast of 2 in the worst case.
const (
	LeastPeak, MostPeak         = 10.0, 10000.0 // cd/m2
	LeastBlack, MostBlack       = 0.0, 5.0      // cd/m2
	LeastDistance, MostDistance = 0.25, 50.0    // picture heights
)

// Reference returns the conditions that are taken where none are stated.
//
// SDR: white of 100 cd/m2 (ITU-R BT.2035), a black of 0.05 cd/m2 as a good LCD or
// a dim room gives (common practice, no source). HDR: 1000 and 0.005 cd/m2, the
// least peak and the highest black of the reference viewing of ITU-R BT.2100-2.
// The distance is the 3 picture heights at which HDTV is assessed (ITU-R BT.710),
// and the raster that of HDTV. The Recommendations' numbers are from memory.
func Reference(e EOTF) Conditions {
	c := Conditions{PeakNits: 100, BlackNits: 0.05, EOTF: e, DistanceHeights: 3, Lines: 1080}
	if e == PQ || e == HLG {
		c.PeakNits, c.BlackNits = 1000, 0.005
	}
	return c
}

// Check reports why conditions cannot be used, or nil.
func (c Conditions) Check() error {
	if _, err := ParseEOTF(string(c.EOTF)); err != nil {
		return fmt.Errorf("transfer function: %w", err)
	}
	for _, v := range []struct {
		name            string
		is, least, most float64
		unit            string
	}{
		{"peak", c.PeakNits, LeastPeak, MostPeak, "cd/m2"},
		{"black", c.BlackNits, LeastBlack, MostBlack, "cd/m2"},
		{"distance", c.DistanceHeights, LeastDistance, MostDistance, "picture heights"},
	} {
		// Written so that what is no number is refused.
		if !(v.is >= v.least && v.is <= v.most) {
			return fmt.Errorf("%s of %g is outside %g to %g %s", v.name, v.is, v.least, v.most, v.unit)
		}
	}
	if c.Lines < 1 {
		return fmt.Errorf("a raster of %d lines", c.Lines)
	}
	return nil
}

// String states the conditions in words for a report.
func (c Conditions) String() string {
	n := func(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }
	as := c.EOTF.words()
	if c.Camera {
		as += " assumed of the camera"
	}
	return fmt.Sprintf("peak %s cd/m², black %s cd/m², %s, %s picture heights away", n(c.PeakNits), n(c.BlackNits), as, n(c.DistanceHeights))
}

// words is how people write the name.
func (e EOTF) words() string {
	switch e {
	case BT1886:
		return "BT.1886"
	case SRGB:
		return "sRGB"
	case PQ:
		return "PQ"
	case HLG:
		return "HLG"
	}
	return string(e)
}

// LinesPerDegree returns how many lines of the raster one degree of the field
// of view holds at the centre of the screen: 2 D n tan(0.5 deg) for n lines at
// D picture heights.
func (c Conditions) LinesPerDegree() float64 {
	return 2 * c.DistanceHeights * float64(c.Lines) * math.Tan(math.Pi/360)
}

// Degrees returns the angle that so many lines of the raster fill at the centre
// of the screen.
func (c Conditions) Degrees(lines float64) float64 {
	return 360 / math.Pi * math.Atan(lines/(2*c.DistanceHeights*float64(c.Lines)))
}

// CyclesPerDegree returns the spatial frequency of a pattern that repeats after
// pitch lines of the raster: combing repeats after 2.
func (c Conditions) CyclesPerDegree(pitch float64) float64 {
	return c.LinesPerDegree() / pitch
}

// The width of a picture over its height: that of television sets (ITU-R
// BT.709-6 item 2).
const pictureAspect = 16.0 / 9

// Across returns the angle that a share of the width of the picture fills, for a
// picture that fills the screen.
func (c Conditions) Across(share float64) float64 {
	return c.Degrees(share * pictureAspect * float64(c.Lines))
}

// Picture returns the angles that the width and the height of the picture fill.
func (c Conditions) Picture() (width, height float64) {
	return c.Across(1), c.Degrees(float64(c.Lines))
}
