package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/detect"
	"setwitness/report"
)

// filmed is a clip in which a camera filmed a set.
type filmed struct {
	survey *display.Survey
	source *display.Source
	given  bool // the corners were, by the user
}

// survey looks at the beginning of a clip, which may take its first pictures, and
// returns nil for a direct take, with what doubt there is of that; there is none
// after a patient look.
func (s *scan) survey(ctx context.Context, t take, patient bool) (*filmed, *display.Doubt, error) {
	switch {
	case s.o.view.From == display.Direct:
		s.directWhy = "the user says so"
		return nil, nil, nil
	case t.Format().Fields && s.o.view.From == display.Auto:
		s.directWhy = "it holds fields, which no camera that is pointed at a set records"
		return nil, nil, nil
	case s.f.stamps == nil:
		return nil, nil, nil
	}
	stamps := func(ctx context.Context) ([]time.Duration, map[string]string, error) { return s.f.stamps(ctx, s.clip) }
	o := s.o.view
	o.Doubt = !patient
	survey, err := display.Examine(ctx, t, stamps, o)
	if err != nil {
		return nil, nil, s.unread(ctx, err)
	}
	if !survey.Screen {
		s.directWhy = survey.Why
		return nil, survey.Doubt, nil
	}
	return &filmed{survey: survey, given: s.o.view.Corners != nil}, nil, nil
}

// unread is the error of a clip that could not be read through.
func (s *scan) unread(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if !strings.HasPrefix(err.Error(), s.clip) {
		err = fmt.Errorf("%s: %w", s.clip, err)
	}
	return unusable{err}
}

func (f *filmed) start(t take) (err error) {
	f.source, err = f.survey.Source(t)
	return err
}

// Below so many camera pixels to a pair of lines the two lines of a pair fall
// into one pixel somewhere (sampling: a period needs two samples).
const leastPxPerPair = 2.0

// setLines are the lines of the sets that are reviewed, where the size of the
// panel is not known (common practice, no source).
const setLines = 1080

// Below this share of trusted rows a take shows single pictures in places only.
const leastTrusted = 0.5

// describe adds to a document's input what the camera's view was and what it
// could not show.
func (f *filmed) describe(in *report.Input) {
	s, facts := f.survey, f.source.Facts()
	v := s.Found.View
	view := &report.View{
		Kind:            "screen",
		Why:             s.Why,
		Raster:          report.Raster{Width: s.Raster.X, Height: s.Raster.Y},
		DisplayedFrames: facts.Displayed,
		MixedFrames:     facts.Mixed,
		CameraPxPerLine: rounded(v.MiddlePxPerLine(s.Raster.Y)),
	}
	for _, c := range corners(v.Quad) {
		view.Corners = append(view.Corners, c)
	}
	view.Camera = &report.Camera{
		Capture:           s.Timing.Reason,
		Border:            f.border(),
		CornersConfidence: rounded(min(max(v.Confidence, 0), 1)),
		CornersSpreadPx:   rounded(facts.Spread),
		SwayPx:            rounded(facts.Sway),
		CarriedFrames:     facts.Carried,
		TrustedShare:      rounded(facts.Trusted),
		NoiseCodes:        rounded(facts.Noise),
	}
	if e := &s.Estimate; e.Found {
		view.RefreshHz = rounded(e.Hz)
		view.Camera.Refresh = e.Reason
		view.Camera.FramesPerPicture = rounded(e.FramesPerPicture)
		view.Camera.ExposureMs = rounded(1000 * e.Exposure)
		view.Camera.DownMs, view.Camera.AcrossMs = rounded(1000*e.Slope), rounded(1000*e.Across)
	}
	in.View = view
	in.Warnings = append(in.Warnings, f.words(facts)...)
	r := *in.Result
	r.Coverage = slices.Clone(r.Coverage)
	r.Events = slices.Clone(r.Events)
	r.Cadence = slices.Clone(r.Cadence)
	if s.Estimate.Found {
		// The refresh was found over many pictures; the time of a single one is
		// that of a camera frame, and at either end of the take not even that.
		for i := range r.Cadence {
			c := &r.Cadence[i]
			c.NewPerS = c.NewShare * s.Estimate.Hz
		}
	}
	if f.combless() { // no stage looked for combs
		r.Coverage = append(r.Coverage, detect.Coverage{Kind: detect.Combing, State: detect.NotExaminable, Why: f.whyCombless()})
	}
	for i := range r.Coverage {
		c := &r.Coverage[i]
		f.limit(c, facts)
		if c.State == detect.NotExaminable {
			r.Events = slices.DeleteFunc(r.Events, func(e detect.Event) bool { return e.Kind == c.Kind })
		}
	}
	in.Result = &r
}

func (f *filmed) border() report.Border {
	switch found := &f.survey.Found; {
	case f.given:
		return report.GivenBorder
	case found.Kind == screen.CloseUp:
		return report.NoBorder
	case found.LitArea:
		return report.LitBorder
	}
	return report.PanelBorder
}

// Below these confidences the user should look whether the screen was found
// where it is: that there is one at all, and its corners, of which the page
// calls anything above fairly sure.
const sureScreen, sureCorners = 0.7, 0.5

// words are what a reader of the report has to beware of.
func (f *filmed) words(facts display.Facts) []string {
	s := f.survey
	var w []string
	if s.Found.Confidence < sureScreen || s.Found.View.Confidence < sureCorners {
		w = append(w, "Where the screen lies is not sure; --corners can say it.")
	}
	if s.Found.LitArea {
		w = append(w, "The panel's own edge could not be seen: the lit picture is taken as the screen.")
	}
	var hidden []string
	for i, side := range [4]string{"top", "right", "bottom", "left"} {
		if s.Found.Hidden[i] {
			hidden = append(hidden, side)
		}
	}
	switch n := len(hidden); {
	case n == 1:
		w = append(w, "The "+hidden[0]+" side of the screen lies outside the camera's frame; where it is was extrapolated.")
	case n > 1:
		w = append(w, "Sides of the screen lie outside the camera's frame ("+strings.Join(hidden, ", ")+"); where they are was extrapolated.")
	}
	if s.Ambiguous {
		w = append(w, "Another rate of capture fits as well as the one that was taken; --capture-fps can say it.")
	}
	if !s.Estimate.Found && s.Estimate.Reason != "" {
		w = append(w, "The set's refresh is not known: "+s.Estimate.Reason+".")
	}
	if facts.Cuts > 0 {
		w = append(w, fmt.Sprintf("The camera was knocked or moved to another place %s; nothing was compared across that.", times(facts.Cuts)))
	}
	if facts.Frames > 0 && facts.Unlocked > 0 {
		w = append(w, fmt.Sprintf("In %d of %d camera frames it is not known which picture of the set they show.", facts.Unlocked, facts.Frames))
	}
	return w
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// pxPerPair is the camera pixels to a pair of the set's lines, and whether
// anything tells them.
func (f *filmed) pxPerPair() (pair float64, told bool) {
	if px := f.survey.Found.PxPerLine; px > 0 {
		return 2 * px, true
	}
	return 2 * f.survey.Found.View.PxPerLine(setLines), f.survey.Found.Kind != screen.CloseUp
}

// combless reports whether the camera shows no combs.
func (f *filmed) combless() bool {
	pair, _ := f.pxPerPair()
	return pair < leastPxPerPair
}

// whyCombless says why the camera shows no combs.
func (f *filmed) whyCombless() string {
	switch pair, told := f.pxPerPair(); {
	case !told:
		return "how many camera pixels there are to a line of the set is not known, and a comb needs two to a pair; --lines-per-px can say it"
	case f.survey.Found.PxPerLine > 0:
		return fmt.Sprintf("the camera has %.2g pixels to a pair of the set's lines, and a comb needs two", pair)
	default:
		return fmt.Sprintf("the camera has %.2g pixels to a pair of the set's lines (of %d), and a comb needs two", pair, setLines)
	}
}

// stages returns those that can see something in the film, and their options:
// what passes for a comb in one that shows none would stand for the ghosts there.
func (f *filmed) stages(all []*detect.Stage, options map[string]float64) ([]*detect.Stage, map[string]float64) {
	if !f.combless() {
		return all, options
	}
	all, options = slices.Clone(all), maps.Clone(options)
	all = slices.DeleteFunc(all, func(s *detect.Stage) bool { return s.Kind == detect.Combing })
	maps.DeleteFunc(options, func(name string, _ float64) bool {
		stage, _, _ := strings.Cut(name, ".")
		return !slices.ContainsFunc(all, func(s *detect.Stage) bool { return s.Name == stage })
	})
	return all, options
}

// limit lowers a coverage to what the camera could see.
func (f *filmed) limit(c *detect.Coverage, facts display.Facts) {
	if c.State == detect.NotExaminable {
		return
	}
	switch {
	case !f.survey.Estimate.Found && facts.Unlocked == facts.Frames && c.Kind.PerPicture():
		c.State, c.Seconds, c.Floor = detect.NotExaminable, 0, 0
		c.Why = "single pictures of the set cannot be told apart: " + f.survey.Estimate.Reason
	case facts.Trusted < leastTrusted && c.Kind.PerPicture():
		c.State = detect.Limited
		c.Seconds *= facts.Trusted
		c.Why = fmt.Sprintf("only %.0f %% of the rows were exposed to one picture alone", 100*facts.Trusted)
	}
}

// corners are those of a document.
func corners(q screen.Quad) (out [4][2]float64) {
	for i, c := range q {
		out[i] = [2]float64{rounded(c.X), rounded(c.Y)}
	}
	return out
}

func rounded(v float64) float64 { return math.Round(v*1000) / 1000 }

// colour is the format of the pictures that rebuilt fetches.
func (f *filmed) colour(camera picture.Format) picture.Format {
	o := f.source.Format()
	o.Depth = camera.Depth
	if camera.ChromaX >= 0 {
		o.ChromaX, o.ChromaY = 1, 1
	}
	return o
}

// rebuilt reads displayed pictures again.
func (f *filmed) rebuilt(s *scan, o decode.Options) *rebuilt {
	return &rebuilt{
		raster: f.survey.Raster, parts: f.source.Parts, kept: f.source,
		fetch: func(ctx context.Context, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
			return s.f.fetch(ctx, s.clip, o, wanted, fn)
		},
	}
}
