package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/detect"
	"setwitness/detect/all"
	"setwitness/report"
	"setwitness/testdata/filming"
	"setwitness/testdata/filming/codec"
	"setwitness/testdata/takes"
)

// A film of a set that shows a ball in three copies for three pictures: the
// program says by itself that it is a film of a screen, where the screen is and
// how fast its pictures follow, and finds the ghost when the set showed it.
func TestFilmed(t *testing.T) {
	take, ok := takes.Named(1, "ghost-three-25-50-25")
	if !ok {
		t.Fatal("the take is gone from the catalogue")
	}
	stand, ok := filming.Named(filming.Stand, 50, 3)
	if !ok {
		t.Fatal("the situation is gone")
	}
	const seconds = 1.6
	capture, err := stand.Film(filming.OfTake(take), seconds, 3)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	clip, err := codec.Write(capture, dir, "filmed", codec.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	if e := sw(t, "scan", clip, "--out", out, "--quiet"); e.code != exitDone || e.err != "" {
		t.Fatal(e)
	}
	doc, err := report.Read(filepath.Join(out, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	v := doc.View
	if v.Kind != "screen" || math.Abs(v.RefreshHz-50) > 0.05 {
		t.Fatalf("view of kind %q, %.3f Hz; want a screen of 50 Hz", v.Kind, v.RefreshHz)
	}
	if v.DisplayedFrames < int(0.9*seconds*50) || v.MixedFrames == 0 {
		t.Errorf("%d pictures were displayed and %d frames mixed in %.1f s", v.DisplayedFrames, v.MixedFrames, seconds)
	}
	if c := doc.Conditions; !c.ResponseAssumed || c.EOTF != "srgb" {
		t.Errorf("conditions are %+v; want the camera's response assumed", c)
	}
	if c := doc.Cadence; len(c) != 1 || c[0].Pattern != "1:1" || math.Abs(c[0].NewPicturesPerS-v.RefreshHz) > 0.01 {
		t.Errorf("a set of %g Hz that shows a new picture each time has the cadence %+v", v.RefreshHz, c)
	}
	truth := capture.Frame(0).Corners
	for i, c := range v.Corners {
		// The capture's pixels have their centres at halves.
		if d := math.Hypot(c[0]-truth[i].X+0.5, c[1]-truth[i].Y+0.5); d > 3 {
			t.Errorf("corner %d at %v, want %v", i, c, truth[i])
		}
	}
	if len(doc.Findings) != 1 || doc.Findings[0].Kind != detect.Ghost {
		t.Fatalf("findings: %+v", doc.Findings)
	}
	fault := capture.Faults(v.Raster.Width, v.Raster.Height)[0]
	begin := capture.Displayed()[fault.First].StartS
	if got := doc.Findings[0].StartS; got < begin-0.02 || got > begin+2*0.02 {
		t.Errorf("the ghost begins at %.3f s, want %.3f s", got, begin)
	}
	if len(doc.Warnings) != 0 {
		t.Errorf("a take in which everything was found has warnings %q", doc.Warnings)
	}
	// The page shows the camera's frame, where its screen is, and which frames
	// show what.
	c := v.Camera
	if v.Why == "" || c == nil || c.Sample == nil || c.Capture == "" || c.Refresh == "" {
		t.Fatalf("of the camera it is said %+v", c)
	}
	if c.Border != report.PanelBorder || c.TrustedShare < 0.9 || c.CornersSpreadPx > 1 || c.SwayPx > 3 || c.FramesPerPicture < 4.7 || c.FramesPerPicture > 4.9 {
		t.Errorf("of the camera it is said %+v", c)
	}
	truth = capture.Frame(c.Sample.Frame).Corners
	for i, p := range c.Sample.Corners {
		if d := math.Hypot(p[0]-truth[i].X+0.5, p[1]-truth[i].Y+0.5); d > 3 {
			t.Errorf("corner %d of frame %d at %v, want %v", i, c.Sample.Frame, p, truth[i])
		}
	}
	if peak := doc.Findings[0].PeakFrame; c.Sample.Frame < peak-6 || c.Sample.Frame > peak+6 {
		t.Errorf("frame %d is shown for a peak at frame %d", c.Sample.Frame, peak)
	}
	html, err := os.ReadFile(filepath.Join(out, pageName))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"How the camera saw the screen", `class="timing"`, "peak of f001", `class="bar-mixed"`, `class="edge"`} {
		if !strings.Contains(string(html), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for name, want := range map[string]image.Point{c.Sample.Camera: image.Pt(doc.Take.Width, doc.Take.Height), c.Sample.Picture: image.Pt(v.Raster.Width, v.Raster.Height)} {
		f, err := os.Open(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		size, err := png.DecodeConfig(f)
		f.Close()
		if err != nil || size.Width != want.X || size.Height != want.Y {
			t.Errorf("%s: %d x %d, %v; want %v", name, size.Width, size.Height, err, want)
		}
	}
	for _, name := range []string{doc.Findings[0].Evidence.Crop, doc.Findings[0].Evidence.Strip} {
		if m, err := filepath.Glob(filepath.Join(out, name)); err != nil || len(m) != 1 {
			t.Errorf("%q is not there", name)
		}
	}
	showsFilm(t, out, doc, capture)
	// Without a finding, as before the ghost, the page shows a frame of the
	// beginning.
	early := filepath.Join(dir, "early.mp4")
	ffmpeg(t, "-i", clip, "-t", fmt.Sprint(begin-0.1), "-c", "copy", early)
	if e := sw(t, "scan", early, "--out", out, "--quiet"); e.code != exitDone {
		t.Fatal(e)
	}
	if doc, err = report.Read(filepath.Join(out, findingsName)); err != nil {
		t.Fatal(err)
	}
	if html, err = os.ReadFile(filepath.Join(out, pageName)); err != nil {
		t.Fatal(err)
	}
	if c := doc.View.Camera; len(doc.Findings) != 0 || c == nil || c.Sample == nil || c.Sample.Frame > 100 ||
		!strings.Contains(string(html), `class="timing"`) || strings.Contains(string(html), "peak of") {
		t.Errorf("without a finding the page shows %+v", doc.View.Camera)
	}
	// Told that there is no screen, it examines the camera's frames themselves.
	if e := sw(t, "scan", clip, "--from", "direct", "--out", out, "--quiet"); e.code != exitDone {
		t.Fatal(e)
	}
	if doc, err = report.Read(filepath.Join(out, findingsName)); err != nil || doc.View.Kind != "direct" || doc.View.Why != "the user says so" || doc.Conditions.ResponseAssumed {
		t.Errorf("view %+v, conditions %+v, %v; want direct", doc.View, doc.Conditions, err)
	}
	if _, err := os.Stat(filepath.Join(out, report.DisplayedName)); err == nil {
		t.Error("the earlier scan's record of displayed pictures is still there")
	}
}

// Where nothing of a film can be read again, its page does without.
func TestExhibitOfNothing(t *testing.T) {
	f := &filmed{survey: &display.Survey{}, source: &display.Source{}}
	doc := &report.Findings{View: report.View{Camera: &report.Camera{}}}
	r := &rebuilt{parts: f.source.Parts, fetch: func(context.Context, []decode.Wanted, func(*picture.Picture) error) error {
		return errors.New("the disk was pulled out")
	}}
	s, err := newExhibit(f, r, doc, nil, picture.Format{}, nil).write(context.Background(), t.TempDir())
	if err != nil || s == nil || s.Timing != nil || s.Camera.W != 0 || doc.View.Camera.Sample != nil {
		t.Errorf("%+v, %v, %+v", s, err, doc.View.Camera)
	}
	if len(doc.Warnings) != 1 || !strings.Contains(doc.Warnings[0], "pulled out") {
		t.Errorf("warnings %q", doc.Warnings)
	}
}

// Only what a reader has to beware of is a warning.
func TestCautions(t *testing.T) {
	f := &filmed{survey: &display.Survey{Screen: true}}
	f.survey.Found.Confidence, f.survey.Found.View.Confidence, f.survey.Found.LitArea = 0.5, 0.4, true
	f.survey.Estimate.Reason = "nothing moves on the screen"
	f.survey.Ambiguous = true
	f.survey.Found.Hidden = [4]bool{0: true, 3: true}
	got := strings.Join(f.words(display.Facts{Frames: 10, Cuts: 1, Unlocked: 10}), "\n")
	for _, want := range []string{"not sure", "panel's own edge", "outside the camera's frame (top, left)", "not known: nothing moves", "--capture-fps", "another place once", "In 10 of 10"} {
		if !strings.Contains(got, want) {
			t.Errorf("the words lack %q:\n%s", want, got)
		}
	}
	if got := f.border(); got != report.LitBorder {
		t.Errorf("the border is said to be that of %q", got)
	}
	*f.survey = display.Survey{Screen: true, Why: "four sides", Found: screen.Found{Confidence: 1, View: screen.View{Confidence: 1}}}
	f.survey.Estimate.Found, f.survey.Estimate.Reason, f.survey.Timing.Reason = true, "50 a second", "240 a second"
	if got := f.words(display.Facts{Frames: 10}); len(got) != 0 {
		t.Errorf("facts are warnings: %q", got)
	}
	f.survey.Found.Kind = screen.CloseUp
	if got := f.border(); got != report.NoBorder {
		t.Errorf("a close-up has a border of %q", got)
	}
	f.given = true
	if got := f.border(); got != report.GivenBorder {
		t.Errorf("given corners are said to be %q", got)
	}
	f.survey.Found.Hidden[2] = true
	if got := f.words(display.Facts{}); len(got) != 1 || !strings.HasPrefix(got[0], "The bottom side") {
		t.Errorf("a side outside the frame: %q", got)
	}
}

// In a close-up the lines are told by the panel's pixels, by the user, or not
// at all; with a border, the user still knows better.
func TestCombsOfCloseUps(t *testing.T) {
	for _, c := range []struct {
		kind      screen.Kind
		pxPerLine float64
		combless  bool
		why       string
	}{
		{screen.CloseUp, 2.5, false, ""},
		{screen.CloseUp, 0.8, true, "1.6 pixels to a pair of the set's lines, and"},
		{screen.CloseUp, 0, true, "--lines-per-px"},
		{screen.Screen, 1.1, false, ""},
		{screen.Screen, 0, true, "of 1080"},
	} {
		s := &display.Survey{Screen: true, Found: screen.Found{Kind: c.kind, View: screen.Whole(image.Pt(1280, 720)), PxPerLine: c.pxPerLine}}
		f := &filmed{survey: s}
		if f.combless() != c.combless || c.combless && !strings.Contains(f.whyCombless(), c.why) {
			t.Errorf("%s with %g px a line: combless %v, %s", c.kind, c.pxPerLine, f.combless(), f.whyCombless())
		}
	}
}

// A film that shows no combs is not searched for them.
func TestStagesOfAFilm(t *testing.T) {
	for _, c := range []struct {
		pxPerLine float64
		combs     bool
	}{{0.9, false}, {1.1, true}} {
		f := filmed{survey: &display.Survey{Screen: true, Found: screen.Found{Kind: screen.CloseUp, PxPerLine: c.pxPerLine}}}
		given := map[string]float64{"combing.floor": 2, "ghost.floor": 0.2}
		stages, options := f.stages(all.Stages(), given)
		combs := slices.ContainsFunc(stages, func(s *detect.Stage) bool { return s.Kind == detect.Combing })
		if _, ok := options["combing.floor"]; combs != c.combs || ok != c.combs || options["ghost.floor"] != 0.2 || len(given) != 2 {
			t.Errorf("%g px a line: combs are looked for: %v, options %v of %v", c.pxPerLine, combs, options, given)
		}
	}
}

// What a camera cannot show is said to be out of its reach.
func TestLimits(t *testing.T) {
	view := screen.Whole(image.Pt(1280, 720))
	found := &display.Survey{Screen: true, Found: screen.Found{View: view}}
	found.Estimate.Found = true
	f := &filmed{survey: found}
	facts := display.Facts{Frames: 100, Trusted: 1}
	c := detect.Coverage{Kind: detect.Combing, State: detect.Examined, Seconds: 2, Floor: 1}
	f.limit(&c, facts)
	if c.State != detect.Examined {
		t.Errorf("nothing in the way: %+v", c)
	}
	facts.Trusted = 0.25
	f.limit(&c, facts)
	if c.State != detect.Limited || c.Seconds != 0.5 {
		t.Errorf("a quarter of the rows trusted: %+v", c)
	}
	found.Estimate.Found = false
	facts.Unlocked = facts.Frames
	f.limit(&c, facts)
	if c.State != detect.NotExaminable {
		t.Errorf("no refresh found: %+v", c)
	}
	// Contours stand still, and need no refresh.
	c = detect.Coverage{Kind: detect.NearBlackBanding, State: detect.Examined, Seconds: 2, Floor: 1}
	facts.Trusted = 0
	f.limit(&c, facts)
	if c.State != detect.Examined || c.Seconds != 2 {
		t.Errorf("contours where no refresh was found: %+v", c)
	}
}
