// Package nearblack finds banding near black: contours in dark soft gradients.
//
// In: the contours of package contour. Out: marks round the gradients that fell
// into plateaus, with the step between them.
package nearblack

import (
	"setwitness/detect"
	"setwitness/detect/contour"
	"setwitness/detect/vision"
)

// Stage finds banding near black.
var Stage = &detect.Stage{
	Name:  "near-black-banding",
	Title: "contours in dark soft gradients",
	Doc: "Step from plateau to plateau in JND (Barten, edge between large areas) in gradients below 5 % of peak " +
		"luminance of which levels were lost; beside it the step in codes and by the DICOM function, the length of the " +
		"contours, the levels that there are and those that there should be, and how fast contours crawl. A step of one " +
		"code of the take is no loss. Dither, grain, borders of things, staircases, flat-shaded drawings and the blocks " +
		"of a codec look alike: they have no plateaus, no next plateau in the same direction, levels that stray, or " +
		"borders on the codec's grid.",
	Kind:  detect.NearBlackBanding,
	Needs: []detect.Need{{Stage: contour.Stage}},
	New: func(s *detect.Setup) (detect.State, error) {
		return &state{contour.NewWatch(s, detect.NearBlackBanding, true), s.Viewer}, nil
	},
}

type state struct {
	*contour.Watch
	viewer *vision.Viewer
}

// Step examines picture w.T.
func (s *state) Step(w *detect.Window) error {
	s.Watch.Step(w, func(_ *contour.Gradient, p *contour.Part) (float64, map[string]float64, bool) {
		m := p.Measures(s.viewer)
		return s.LumaStep(p, m), m, true
	})
	return nil
}
