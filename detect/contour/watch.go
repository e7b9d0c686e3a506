package contour

import (
	"fmt"
	"math"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/vision"
)

// Watch is what the detectors of one range of luma have in common.
type Watch struct {
	kind   detect.Kind
	format picture.Format
	viewer *vision.Viewer
	store  *Store
	dark   bool // the range near black, else the one above
	// eight is a code of 8 bits, code values of the take: television that is not HDR
	// is mostly made with 8 bits, whatever the depth of its file.
	eight  float64
	finer  int // looks at slopes that had levels between those of 8 bits
	memory memory
	part   Part

	pictures, shown int // pictures looked at; those of them with a soft gradient
	last, step      time.Duration
	seconds         time.Duration
	noise           float64 // sum over the shown, code values
	ripple          float64 // sum over the shown, share of the light
}

// NewWatch watches the range near black or the one above for a stage that needs
// Stage.
func NewWatch(s *detect.Setup, kind detect.Kind, dark bool) *Watch {
	w := &Watch{kind: kind, format: s.Format, viewer: s.Viewer, store: In(s), dark: dark}
	if e := s.Viewer.EOTF; !s.Viewer.Camera && (e == vision.BT1886 || e == vision.SRGB) {
		w.eight = w.store.scale
	}
	return w
}

// Step leaves marks of every gradient that fell into plateaus in picture w.T and
// in a look before or after. measure gives their strength and measures; what it
// does not hold for a fault is left out.
func (x *Watch) Step(w *detect.Window, measure func(g *Gradient, p *Part) (strength float64, measures map[string]float64, fault bool)) {
	f := x.store.At(w.T)
	if f == nil {
		return
	}
	x.count(f)
	x.memory.begin()
	defer x.noteFiner(f)
	for i := range f.Gradients {
		g := &f.Gradients[i]
		if g.Channel != Luma && x.dark {
			continue
		}
		p := &x.part
		if g.Channel == Luma {
			p.measure(g.Contours, x.lost, x.unit, x.viewer.Camera)
		} else {
			p.measure(g.Contours, x.lostColour, x.unitColour, false)
		}
		if p.Contours == 0 {
			continue
		}
		p.fell = x.memory.fell(g.Channel, p)
		odds := p.odds(x.format, g.Channel)
		if odds > 0 && g.Channel == Luma && !x.viewer.Camera && !p.fell {
			odds -= min(oddsOthers*max(0, p.others(x.store.cells.At(w.T))-mostOthers), againstOthers)
		}
		if odds <= 0 {
			continue
		}
		strength, measures, fault := measure(g, p)
		if !fault {
			continue
		}
		mark := detect.Mark{
			Kind: x.kind, Picture: w.T, Region: p.Region, Strength: strength, Confidence: confidence(odds), Measures: measures,
		}
		first := mark
		first.Picture, first.Confidence = f.First, min(first.Confidence, doubtful)
		if x.memory.again(g.Channel, p, first, w.Mark) {
			w.Mark(mark)
		}
	}
}

// LumaStep returns how visible the step of a part of luma is, JND by Barten's
// model, and adds to its measures what the DICOM function says.
func (x *Watch) LumaStep(p *Part, measures map[string]float64) float64 {
	mid := (p.Low + p.High) / 2
	step := x.viewer.Step(mid-p.Step/2, mid+p.Step/2)
	measures["step_gsdf_jnd"] = step.GSDF
	return step.Barten
}

// unitColour is the unit of chroma: a code of 8 bits, for the eye sees less in
// colour than a finer coding holds.
func (x *Watch) unitColour(float64) float64 { return x.store.scale }

func (x *Watch) unit(level float64) float64 { return unit(x.viewer, level) }

// lost reports whether a contour of luma is in the range and larger than what a
// gradient shows that has lost nothing.
func (x *Watch) lost(c *Contour) bool {
	mid := (c.Low + c.High) / 2
	return mid <= x.store.dark == x.dark && c.Step() >= x.store.lost*x.single(mid) && !x.rippled(c)
}

// rippled reports whether a contour runs along the rows and may be the edge of a band
// of light: a backlight that is switched lights the rows of each of a camera's frames
// unlike, and where its rate is a multiple of the set's the same rows are lit alike in
// all of its pictures, so that what is evened keeps some of it.
func (x *Watch) rippled(c *Contour) bool {
	return c.Region.Dx() > c.Region.Dy() && c.Step() < x.store.field.Ripple*(c.Low+c.High)/2
}

// single is the step, at a level, of a gradient that has lost none. In a take that has
// shown no finer ones the levels of 8 bits are all that it was made of.
func (x *Watch) single(level float64) float64 {
	if x.finer < leastFiner {
		return max(x.unit(level), x.eight)
	}
	return x.unit(level)
}

const (
	// leastFiner is how many looks have to show levels between those of 8 bits.
	leastFiner = 2
	// mostFine is the noise, codes of 8 bits, up to which a slope of 8 bits has contours:
	// with more, noise dithers it.
	mostFine = 0.1
)

// noteFiner counts a look at a slope, without noise, that has no contours: it has levels
// between those of 8 bits.
func (x *Watch) noteFiner(f *Field) {
	slow := f.Slow[1]
	if x.dark {
		slow = f.Slow[0]
	}
	if x.eight <= 1 || slow < leastSoft || f.Noise > mostFine*x.eight {
		return
	}
	for i := range f.Gradients {
		if f.Gradients[i].Channel == Luma {
			return
		}
	}
	x.finer++
}

// smoothLuma is by how much luma may differ across a contour in colour, codes of
// 8 bits: it is nearly smooth there, else it is a thing's edge.
const smoothLuma = 2

// lostColour is lost for chroma.
func (x *Watch) lostColour(c *Contour) bool {
	return c.Step() >= x.store.lost*colourTimes*x.store.scale && c.LumaStep <= smoothLuma*x.store.scale
}

// leastSoft is the share of the picture that has to slope gently for a fault to
// show: a field as large as the smallest gradient that is told.
const leastSoft = 0.005

func (x *Watch) count(f *Field) {
	if x.pictures > 0 && f.Time > x.last {
		x.step = f.Time - x.last
	}
	x.last = f.Time
	x.pictures++
	soft := f.Soft[1]
	if x.dark {
		soft = f.Soft[0]
	}
	if soft < leastSoft {
		return
	}
	x.shown++
	x.seconds += x.step
	x.noise += f.Noise
	x.ripple += f.Ripple
}

// Where the floor is stated, as shares of peak luminance: in the middle of either
// range by code.
const darkFloor, brightFloor = 0.01, 0.2

// Coverage says what the take could have shown.
func (x *Watch) Coverage() detect.Coverage {
	c := detect.Coverage{Kind: x.kind, State: detect.NotExaminable}
	where := "above the dark range"
	at := brightFloor
	if x.dark {
		where, at = fmt.Sprintf("below %g %% of peak luminance", 100*NearBlack), darkFloor
	}
	if x.shown == 0 {
		c.Why = "no soft gradient " + where
		return c
	}
	c.State, c.Seconds = detect.Examined, x.seconds.Seconds()
	level := x.viewer.Code(x.viewer.LevelFor(at * x.viewer.PeakNits))
	unit := x.single(level)
	step := math.Max(x.store.lost*unit, x.noise/float64(x.shown)*noiseTimes)
	c.Floor = x.viewer.Step(level, level+step).Barten
	if x.store.lost > 1 {
		own := x.viewer.Step(level, level+unit)
		c.Why = fmt.Sprintf("contours of single codes are no fault: %.0f JND by Barten's model", own.Barten)
		if own.GSDF > 0 {
			c.Why += fmt.Sprintf(", %.1f by the DICOM function", own.GSDF)
		}
		if unit > x.unit(level) {
			c.Why = "the take has shown no finer levels than those of 8 bits; " + c.Why
		}
		if x.viewer.Camera {
			c.Why = "the signal of the set is taken for one of 8 bits; " + c.Why
		}
	}
	if step > x.store.lost*unit {
		c.State = detect.Limited
		c.Why = "noise hides smaller steps"
	}
	if r := x.ripple / float64(x.shown); r*level > step {
		c.State = detect.Limited
		c.Why = fmt.Sprintf("light that differs from row to row by %.0f %% hides smaller steps that lie along the rows", 100*r)
	}
	return c
}

// noiseTimes is how many times the noise of a line's sample a step has to be to
// be found: a plateau's mean stray, 0.8 of the standard deviation, may be
// flatStray of it.
const noiseTimes = 0.8 / flatStray
