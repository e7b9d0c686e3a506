package report

import (
	"testing"

	"setwitness/detect"
)

func TestCoverageWords(t *testing.T) {
	for _, c := range []struct {
		row  Coverage
		want string
	}{
		{Coverage{Kind: detect.Combing, State: detect.Examined, Seconds: 12, Floor: &Quantity{Value: 2.1, Unit: "%"}},
			"examined for 12.0 s; anything above 2.1 % would have shown."},
		{Coverage{Kind: detect.Ghost, State: detect.Limited, Seconds: 6.54, Floor: &Quantity{Value: 8, Unit: "%"}, Why: "little motion"},
			"examined for 6.5 s, with limits (little motion); anything above 8 % would have shown."},
		{Coverage{Kind: detect.CadenceBreak, State: detect.Examined, Seconds: 1, Floor: &Quantity{Value: 1, Unit: "pictures"}},
			"examined for 1.0 s; anything above 1 picture would have shown."},
		{Coverage{Kind: detect.Vignetting, State: detect.NotExaminable, Why: NotBuilt}, "not examined (not built yet)."},
		{Coverage{Kind: detect.Vignetting, State: detect.NotExaminable}, "not examined."},
	} {
		if got := c.row.Words(); got != c.want {
			t.Errorf("%s: %q, want %q", c.row.Kind, got, c.want)
		}
	}
}

func TestWords(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 1: "1", 0.71: "0.71", 31.42: "31.4", 1234.5: "1234", 0.00123456: "0.00123", -4.5678: "-4.57", 100: "100"} {
		if got := Number(v); got != want {
			t.Errorf("Number(%g) is %q, want %q", v, got, want)
		}
	}
	for s, want := range map[float64]string{0: "0:00.000", 0.44: "0:00.440", 61.5: "1:01.500", 3661.001: "1:01:01.001", -0.04: "-0:00.040", 59.9996: "1:00.000"} {
		if got := Clock(s); got != want {
			t.Errorf("Clock(%g) is %q, want %q", s, got, want)
		}
	}
	for s, want := range map[float64]string{0: "0 s", 2.02: "2.02 s", 59.99: "59.99 s", 75: "1:15.0", 3661.26: "1:01:01.3"} {
		if got := Length(s); got != want {
			t.Errorf("Length(%g) is %q, want %q", s, got, want)
		}
	}
	for r, want := range map[Region]string{
		{X: 0, Y: 0, W: 1, H: 1}:             "whole picture",
		{X: 0.4, Y: 0.4, W: 0.2, H: 0.2}:     "centre, 20 × 20 % of the picture",
		{X: 0, Y: 0, W: 0.1, H: 0.1}:         "upper left, 10 × 10 % of the picture",
		{X: 0.9, Y: 0.45, W: 0.1, H: 0.1}:    "middle right, 10 × 10 % of the picture",
		{X: 0.95, Y: 0.95, W: 0.05, H: 0.05}: "lower right, 5 × 5 % of the picture",
	} {
		if got := r.Where(); got != want {
			t.Errorf("Where of %+v is %q, want %q", r, got, want)
		}
	}
}
