package filming

import (
	"fmt"
	"math"
)

// Direction is the way in which the camera reads its rows, in the frame as it
// is shown upright.
type Direction int

// The directions. A phone held upright reads across the frame.
const (
	Down Direction = iota
	Up
	Rightward
	Leftward
)

// Across reports whether the readout runs along the width of the frame.
func (d Direction) Across() bool { return d == Rightward || d == Leftward }

func (d Direction) String() string { return [...]string{"down", "up", "rightward", "leftward"}[d] }

// Stamping is how the camera stamps its frames.
type Stamping int

// The ways of stamping: by the clock; stretched to StretchTo frames a second
// throughout; or only the middle third stretched, as a phone stores a slow
// stretch that its user marked.
const (
	RealTime Stamping = iota
	Stretched
	MiddleStretched
)

// Camera is a camera and how it is held.
type Camera struct {
	W, H int // px of a frame, upright
	// RateNum/RateDen is how many frames a second are taken.
	RateNum, RateDen int
	// JitterS is the standard deviation of a frame's own time against the
	// even rate, and DropShare the share of frames that are missing.
	JitterS, DropShare float64
	// ClockPPM is by how many millionths the camera's seconds are longer
	// than the set's; stamps are by the camera's.
	ClockPPM  float64
	Stamps    Stamping
	StretchTo int // frames a second of stretched stamps; 0 means 30
	// Rotation is how far a player has to turn the stored frames clockwise
	// to show them upright: 0, 90, 180 or 270 degrees.
	Rotation int

	ExposureS float64
	// ReadoutS is how long reading takes: the rows begin their exposures
	// one after the other, ReadoutS divided by their number apart.
	ReadoutS float64
	Readout  Direction

	// FieldOfViewDeg is what the longer side of a frame covers.
	FieldOfViewDeg float64
	// K1 and K2 are the radial distortion in units of the focal length
	// (x_distorted = x (1 + K1 r^2 + K2 r^4), as in Brown's model and
	// OpenCV's).
	K1, K2 float64
	BlurPx float64 // standard deviation of the lens's blur
	// Falloff is the light lost away from the axis: 1 is the natural cos^4
	// fall-off, 0 none (or corrected by the camera).
	Falloff float64
	// Flare is the share of the frame's mean light that the lens spreads
	// evenly over it.
	Flare float64

	// FullWellE is how many electrons make white at the gain in use, and
	// ReadNoiseE the standard deviation of the noise that the dark has.
	FullWellE, ReadNoiseE float64
	// SaturationNits is the luminance, shown for the whole exposure, that
	// makes white before the exposure drifts.
	SaturationNits float64
	// Shoulder is the share of white, in linear light, above which the
	// response bends towards it; 0 or 1 means a hard end.
	Shoulder          float64
	RedGain, BlueGain float64 // of the white balance; 0 means 1
	// AutoExposureS is the time constant, in seconds, with which the gain
	// follows the mean level of the set's pictures; 0 is a locked exposure.
	// The gain stays within AutoExposureRange (2 is half to double).
	AutoExposureS, AutoExposureRange float64
	FullRange                        bool

	Pose   Pose
	Motion Motion
}

// Rate returns frames a second.
func (c *Camera) Rate() float64 { return float64(c.RateNum) / float64(c.RateDen) }

func (c *Camera) check() error {
	switch {
	case c.W < 16 || c.H < 16 || c.W%2 != 0 || c.H%2 != 0:
		return fmt.Errorf("frames of %dx%d px", c.W, c.H)
	case c.RateNum <= 0 || c.RateDen <= 0:
		return fmt.Errorf("%d/%d frames a second", c.RateNum, c.RateDen)
	case !(c.ExposureS > 0) || c.ExposureS > 1.0001/c.Rate():
		return fmt.Errorf("exposure of %g s at %g frames a second", c.ExposureS, c.Rate())
	case c.ReadoutS < 0 || c.ReadoutS > 1.0001/c.Rate():
		return fmt.Errorf("readout of %g s at %g frames a second", c.ReadoutS, c.Rate())
	case !(c.FieldOfViewDeg > 0 && c.FieldOfViewDeg < 150):
		return fmt.Errorf("field of view of %g degrees", c.FieldOfViewDeg)
	case !(c.SaturationNits > 0):
		return fmt.Errorf("saturation at %g nits", c.SaturationNits)
	case !(c.FullWellE > 0) || c.ReadNoiseE < 0:
		return fmt.Errorf("full well of %g and read noise of %g electrons", c.FullWellE, c.ReadNoiseE)
	case c.AutoExposureS > 0 && c.AutoExposureRange < 1:
		return fmt.Errorf("exposure range of %g", c.AutoExposureRange)
	case c.DropShare < 0 || c.DropShare > 0.5:
		return fmt.Errorf("share of missing frames of %g", c.DropShare)
	case c.Rotation%90 != 0 || c.Rotation < 0 || c.Rotation > 270:
		return fmt.Errorf("rotation by %d degrees", c.Rotation)
	case !(c.Pose.Fill > 0):
		return fmt.Errorf("screen fills %g of the frame", c.Pose.Fill)
	}
	return nil
}

// rows is how many rows the sensor reads for a frame.
func (c *Camera) rows() int {
	if c.Readout.Across() {
		return c.W
	}
	return c.H
}

// row returns the sensor's row, from the one that is read first, of a point
// of the frame, continuously. The exposure belongs to whole rows: the pixel
// from row r to r+1 starts with row r.
func (c *Camera) row(x, y float64) float64 {
	switch c.Readout {
	case Up:
		y = float64(c.H) - y
	case Rightward:
		return x
	case Leftward:
		return float64(c.W) - x
	}
	return y
}

// lineS is the time from one row's start to the next one's.
func (c *Camera) lineS() float64 { return c.ReadoutS / float64(c.rows()) }

// whole returns the row that holds a continuous place.
func (c *Camera) whole(row float64) float64 {
	return max(0, min(float64(c.rows()-1), math.Floor(row)))
}

// response returns the encoded value, 0 to 1, of a linear one (IEC 61966-2-1,
// with the shoulder).
func (c *Camera) response(x float64) float64 {
	if k := c.Shoulder; k > 0 && k < 1 && x > k {
		x = 1 - (1-k)*math.Exp(-(x-k)/(1-k))
	}
	x = max(0, min(1, x))
	if x <= 0.0031308 {
		return 12.92 * x
	}
	return 1.055*math.Pow(x, 1/2.4) - 0.055
}

// code returns the 8-bit luma code of an encoded value.
func (c *Camera) code(v float64) float64 {
	if c.FullRange {
		return 255 * v
	}
	return 16 + 219*v
}
