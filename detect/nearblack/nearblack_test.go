package nearblack

import (
	"context"
	"math"
	"testing"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/contour"
	"setwitness/testdata/gradients"
)

func scan(t *testing.T, name string, options map[string]float64) (*detect.Result, []detect.Event) {
	t.Helper()
	take, ok := gradients.Named(1, name)
	if !ok {
		t.Fatalf("no take %s", name)
	}
	res, err := detect.Run(context.Background(), take.Source(), []*detect.Stage{cells.Stage, contour.Stage, Stage}, options, nil)
	if err != nil {
		t.Fatal(err)
	}
	o := take.Score(res.Events)
	for _, m := range o.Misses {
		t.Errorf("%s: missed %+v", name, m)
	}
	for _, e := range o.False {
		t.Errorf("%s: false %+v", name, e)
	}
	for _, h := range o.Hits {
		if want, ok := h.Truth.Measures[gradients.StepCodes]; ok && math.Abs(h.Event.Measures["step_codes"]-want) > 0.1*want {
			t.Errorf("%s: a step of %.2f codes, want %.2f", name, h.Event.Measures["step_codes"], want)
		}
	}
	return res, res.Events
}

// Dark gradients that lost levels are found with their step and when they lost
// them; those that did not are not.
func TestTakes(t *testing.T) {
	for _, name := range []string{"dark-ramp-1", "clean-dark-random", "clean-stairs-dark"} {
		_, events := scan(t, name, nil)
		for _, e := range events {
			// By the models one code near black is 8 to 30 JND by
			// Barten, and more than one by the DICOM function.
			if k := e.Measures["step_codes"]; e.Strength < 6*k || e.Strength > 30*k || e.Measures["step_gsdf_jnd"] < k {
				t.Errorf("%s: %.1f JND for %.1f codes", name, e.Strength, k)
			}
			if e.Measures["crawl_px_s"] > 10 {
				t.Errorf("%s: still contours crawl by %.1f px a second", name, e.Measures["crawl_px_s"])
			}
			if m := e.Measures; m["levels_present"] >= m["levels_expected"] {
				t.Errorf("%s: %g levels of %g", name, m["levels_present"], m["levels_expected"])
			}
		}
	}
}

// In a fade contours crawl.
func TestCrawl(t *testing.T) {
	_, events := scan(t, "dark-fade", nil)
	if len(events) != 1 || events[0].Measures["crawl_px_s"] < 10 {
		t.Errorf("contours do not crawl: %+v", events)
	}
}

// Contours of single codes are reported when they are asked for.
func TestLeastStep(t *testing.T) {
	take, _ := gradients.Named(1, "honest-dark")
	for least, want := range map[float64]int{1.6: 0, 0.9: 1} {
		options := map[string]float64{contour.Stage.Name + ".least-step": least}
		res, err := detect.Run(context.Background(), take.Source(), []*detect.Stage{cells.Stage, contour.Stage, Stage}, options, nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Events) != want {
			t.Errorf("least step %g: %d events, want %d", least, len(res.Events), want)
		}
	}
}

func TestCoverage(t *testing.T) {
	res, _ := scan(t, "clean-dark-diffuse", nil)
	if c := res.Coverage[0]; c.State != detect.Examined || c.Seconds < 1 || c.Floor < 5 || c.Floor > 50 {
		t.Errorf("a dark gradient: %+v", c)
	}
	res, _ = scan(t, "clean-honest-ramp", nil)
	if c := res.Coverage[0]; c.State != detect.NotExaminable || c.Why == "" {
		t.Errorf("a bright one: %+v", c)
	}
}
