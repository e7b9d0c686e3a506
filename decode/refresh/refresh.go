// Package refresh finds out, from a camera's frames of a lit screen, when the
// set shows a new picture, and which of its pictures each camera frame shows
// where.
//
// In comes, for each camera frame, the real time of its capture and a small
// grid of means over the screen (row 0 at its top). Out come the set's
// refresh (Find), for each frame and band of rows the number of the displayed
// picture or that the exposure straddles two (Follower), and the displayed
// pictures themselves, built from unmixed exposures (Builder).
//
// # The model
//
// A set writes a new picture from one edge to the other, and a camera reads
// its rows one after the other. Both are straight lines over the screen, and
// only their difference shows: a new picture number k begins to show in the
// row at height y (0 top, 1 bottom) and the column at x (0 left, 1 right) of
// the frames from time
//
//	epoch + k*period + slope*y + across*x
//
// on, is mixed with the one before for as long as the exposure lasts, and
// stands alone from then until the next begins. The package finds these five
// numbers; where in the file's frame a row is read needs not be known.
//
// # What it cannot tell
//
// A picture needs two camera frames, so 100 and 120 new pictures a second need
// a camera of 240. Where it has no more than three, a band of a frame that looks
// like the next or the last one, and unlike the other, is taken to show one
// picture although the timing alone leaves it open. At exactly two frames a picture a roll down the screen and
// one up it look the same as long as things move evenly; the one down is then
// taken. Where only a small part of the screen moves, the roll over the rest
// is assumed, and the rest is marked as mixed wherever that could be wrong.
// The set's own refresh is seen only through changes: pictures that come 24,
// 25 or 30 times a second in an even rhythm are counted at that rate, whatever
// the set repeats them for. A panel that takes its time to change counts as a
// longer exposure. Dips that roll across the direction of the camera's readout
// (a camera held upright) can hide small motion.
package refresh

import (
	"math"
	"time"
)

// Layout says what the grids of a take hold.
type Layout struct {
	Cols, Rows int
	Black      float64 // code value of no light: 16 in limited range video of 8 bits
}

// Frame is one camera frame. The grid is copied where it must be kept.
type Frame struct {
	Index int           // in the file
	Time  float64       // real seconds of its capture, see Timing
	Shown time.Duration // the file's own presentation time
	Grid  []float32     // Cols*Rows code values, row by row from the top
}

// Lock is the timing of a set against a camera, see the package comment.
// Times are seconds.
type Lock struct {
	Epoch    float64 // begin of picture 0 in the top left corner
	Period   float64
	Slope    float64 // later at the bottom than at the top by this; either sign
	Across   float64 // later at the right than at the left (camera upright)
	Exposure float64 // how long a change takes from its first trace to its end
	// Tail is for how long after its end a change that settles slowly can still
	// be seen, and Lead for how long before its begin it has to be reckoned with.
	Tail, Lead float64
	// EpochError and PeriodError are standard errors. EpochError holds in the
	// middle of what was seen, not for picture 0.
	EpochError, PeriodError float64

	known  int // the picture for which EpochError holds
	spread [parameters][parameters]float64
}

// Start returns when picture k begins to show at height y and place x.
func (l *Lock) Start(k int, y, x float64) float64 {
	return l.Epoch + float64(k)*l.Period + l.Slope*y + l.Across*x
}

// Picture returns the number of the picture that a frame captured at time t
// shows at height y and place x, and how long ago it began to show.
func (l *Lock) Picture(t, y, x float64) (k int, since float64) {
	d := t - l.Start(0, y, x)
	k = int(math.Floor(d / l.Period))
	return k, d - float64(k)*l.Period
}

// Estimate is what Find found out.
type Estimate struct {
	Lock
	Found bool
	Hz    float64 // pictures a second; 0 when not found
	// HzError is its standard error.
	HzError float64
	// Nominal is the nearest rate of the trade, or 0 when none is near.
	Nominal float64
	// ExposureShare is the exposure as a share of the time from frame to frame.
	ExposureShare float64
	// FramesPerPicture is the camera's frames to one displayed picture.
	FramesPerPicture float64
	// Confidence, 0 to 1: how much of all change falls on the grid of updates.
	Confidence float64
	// Noise is the standard deviation of one grid value, in codes.
	Noise float64
	// Unlike is true when the take shows change but no displayed picture can
	// be told apart (a real-time capture); false with Found false means that
	// nothing moved, or too little was seen.
	Unlike bool
	// Reason says in plain words what was found or why nothing was.
	Reason string

	rest     []float64 // change energy in each unit that does not count
	cost     float64   // mean of a trace, in variances
	traces   int       // of mixed frames and their neighbours
	reach    float64   // of levels at which the rhythm showed
	searched bool      // there was enough change for a search
	reading  reading   // that it was found by
}

// tradeRates are the picture rates and refresh rates that sets are driven at:
// film, the two broadcast families with their doubles, and the divisors by
// 1.001 of 60 Hz countries (SMPTE ST 2036-1, ITU-R BT.2020-2 Table 2 list all
// but 48 and 144, which are common practice).
var tradeRates = [...]float64{24 / 1.001, 24, 25, 30 / 1.001, 30, 48, 50, 60 / 1.001, 60, 100, 120 / 1.001, 120, 144}

// nominalTolerance is how far a measured rate may lie from a rate of the
// trade, as a share: the clocks of phones and sets agree to about 1e-4, and
// file times that are written as 240 a second may be 240/1.001 (1e-3).
const nominalTolerance = 2e-3

// nominal returns the rate of the trade nearest to hz, or 0.
func nominal(hz float64) float64 {
	best := 0.0
	for _, r := range tradeRates {
		if math.Abs(hz-r) <= nominalTolerance*r && math.Abs(hz-r) < math.Abs(hz-best) {
			best = r
		}
	}
	return best
}

// beside is by what share two rates of the trade differ that belong together.
const beside = 2e-3

// Alone reports whether the rate is one of the trade that has none beside it, as 60 has
// 60/1.001: those are told apart only over a second and more.
func (e *Estimate) Alone() bool {
	for _, r := range tradeRates {
		if r != e.Nominal && math.Abs(r-e.Nominal) < beside*r {
			return false
		}
	}
	return e.Found && e.Nominal > 0
}
