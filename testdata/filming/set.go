package filming

import (
	"errors"
	"fmt"
	"math"
)

// Set is a TV set.
type Set struct {
	// RefreshHz is how often a second the panel is written anew. Source
	// pictures are repeated (or left out) as their own rate asks for: 24 on
	// 60 Hz gives 3:2, 50 on 100 Hz gives 2:2.
	RefreshHz float64
	// RollS is how long the update takes from the upper edge of the screen
	// to the lower one: 0 to 1/RefreshHz.
	RollS float64
	// PhaseS is when the first source picture's update begins at the upper
	// edge, 0 or earlier.
	PhaseS float64

	PeakNits, BlackNits float64
	Gamma               float64 // of BT.1886; 0 means 2.4

	// A panel that emits light by itself goes dark for DipS seconds at each
	// update, by DipDepth (0 none, 1 black). The dip rolls with the update.
	DipDepth, DipS float64
	// A backlight is dimmed by switching it: BacklightHz times a second it
	// is at full light for a share of BacklightDuty and lower by
	// BacklightDepth (0 to 1) for the rest, on the whole screen at once.
	BacklightHz, BacklightDepth, BacklightDuty float64

	// SettleS is the time constant with which the light of a liquid crystal
	// goes from one picture to the next; 0 is at once.
	SettleS float64

	// PanelW and PanelH are the pixels of the panel, and PixelFill the share
	// of their pitch, in either direction, that is lit. Without PanelW the
	// raster has no gaps.
	PanelW, PanelH int
	PixelFill      float64

	// RedGain and BlueGain are the set's white against the camera's; 0
	// means 1.
	RedGain, BlueGain float64
}

// check reports what cannot be.
func (s *Set) check() error {
	switch {
	case !(s.RefreshHz > 0):
		return fmt.Errorf("set of %g Hz", s.RefreshHz)
	case s.RollS < 0 || s.RollS > 1.0001/s.RefreshHz:
		return fmt.Errorf("update of %g s does not fit into a refresh of %g s", s.RollS, 1/s.RefreshHz)
	case s.PhaseS > 0:
		return errors.New("the set's phase is later than the first frame")
	case !(s.PeakNits > s.BlackNits) || s.BlackNits < 0:
		return fmt.Errorf("levels of %g and %g nits", s.BlackNits, s.PeakNits)
	case s.DipDepth != 0 && s.BacklightDepth != 0:
		return errors.New("a panel with dips has no backlight")
	case s.SettleS < 0 || s.SettleS > 0 && s.DipDepth+s.BacklightDepth != 0:
		return errors.New("a panel that settles has neither dips nor a switched backlight")
	case s.DipDepth < 0 || s.DipDepth > 1 || s.BacklightDepth < 0 || s.BacklightDepth > 1:
		return errors.New("depths of light are 0 to 1")
	case s.DipDepth > 0 && !(s.DipS > 0 && s.DipS < 1/s.RefreshHz):
		return fmt.Errorf("dip of %g s", s.DipS)
	case s.BacklightDepth > 0 && !(s.BacklightHz > 0 && s.BacklightDuty > 0 && s.BacklightDuty < 1):
		return errors.New("a backlight that is switched needs a rate and a duty between 0 and 1")
	case s.PanelW > 0 && !(s.PanelH > 0 && s.PixelFill > 0 && s.PixelFill <= 1):
		return errors.New("a panel needs both sizes and a fill above 0, 1 at most")
	}
	return nil
}

func (s *Set) gamma() float64 {
	if s.Gamma == 0 {
		return 2.4
	}
	return s.Gamma
}

// light returns the nits of each code value (BT.1886 Annex 1, limited or full
// range after BT.709-6 item 3).
func (s *Set) light(depth int, fullRange bool) []float32 {
	g := s.gamma()
	w, k := math.Pow(s.PeakNits, 1/g), math.Pow(s.BlackNits, 1/g)
	out := make([]float32, 1<<depth)
	for i := range out {
		v := float64(i) / float64(len(out)-1)
		if !fullRange {
			v = (float64(i)/float64(int(1)<<(depth-8)) - 16) / 219
		}
		// Sets clip above white here: what lies above it is outside the
		// range that the set was adjusted for.
		v = max(0, min(1, v))
		out[i] = float32(math.Pow((w-k)*v+k, g))
	}
	return out
}

// wave is a light that is at 1 for a share of a period, then lower by depth.
type wave struct {
	period, duty, depth float64
}

// until returns the integral of the light from 0 to t, in seconds of full
// light.
func (w wave) until(t float64) float64 {
	if w.depth == 0 {
		return t
	}
	n := math.Floor(t / w.period)
	rest := t - n*w.period
	on := w.duty * w.period
	dark := n*(w.period-on) + max(0, rest-on)
	return t - w.depth*dark
}

// backlight returns the light that is the same on the whole screen.
func (s *Set) backlight() wave {
	if s.BacklightDepth == 0 {
		return wave{}
	}
	return wave{1 / s.BacklightHz, s.BacklightDuty, s.BacklightDepth}
}

// emission returns the light that rolls with the update: full light first and
// the dip at the end of the refresh, up to the update.
func (s *Set) emission() wave {
	if s.DipDepth == 0 {
		return wave{}
	}
	return wave{1 / s.RefreshHz, 1 - s.DipS*s.RefreshHz, s.DipDepth}
}

// nothing is a share of light that cannot be seen beside the rest: less than a
// code, even of white in black.
const nothing = 2e-4

// settled is after how long nothing is left of the picture before.
func (s *Set) settled() float64 { return -math.Log(nothing) * s.SettleS }

// Displayed is a picture that the set showed: all refreshes in a row that hold
// the same source picture.
type Displayed struct {
	Source    int     // index of the source picture
	StartS    float64 // when its update began at the upper edge
	Refreshes int
}

// rounding keeps a source picture that begins exactly at a refresh from
// waiting for the next one.
const rounding = 1e-6

// show lists what the set shows from its first refresh to a time, of n source
// pictures of a rate. The last one stays.
func (s *Set) show(n int, rate, until float64) []Displayed {
	var out []Displayed
	for r := 0; ; r++ {
		at := s.PhaseS + float64(r)/s.RefreshHz
		if at > until && len(out) > 0 {
			return out
		}
		source := min(n-1, int(math.Floor(float64(r)*rate/s.RefreshHz+rounding)))
		if k := len(out) - 1; k >= 0 && out[k].Source == source {
			out[k].Refreshes++
			continue
		}
		out = append(out, Displayed{Source: source, StartS: at, Refreshes: 1})
	}
}
