// Package posterisation finds gradients that fell into plateaus above the dark
// range, in luma or in colour alone.
//
// In: the contours of package contour. Out: marks round the gradients, with the
// step between the plateaus.
package posterisation

import (
	"math"

	"setwitness/detect"
	"setwitness/detect/contour"
)

// Stage finds posterisation.
var Stage = &detect.Stage{
	Name:  "posterisation",
	Title: "gradients that fell into plateaus, in luma or in colour",
	Doc: "Step from plateau to plateau in JND in gradients above 5 % of peak luminance of which levels were lost: by " +
		"Barten's model in luma (edge between large areas), as Delta E_ITP (BT.2124, one is one JND) where chroma fell " +
		"into plateaus and luma is nearly smooth. Beside it the effective bits, the levels lost, and in colour the range " +
		"of hue. A step of one code of the take is no loss. Flat-shaded drawings, staircases, graphics, clouds, dither, " +
		"grain and the blocks of a codec look alike: see near-black-banding.",
	Kind:  detect.Posterisation,
	Needs: []detect.Need{{Stage: contour.Stage}},
	New: func(s *detect.Setup) (detect.State, error) {
		return &state{Watch: contour.NewWatch(s, detect.Posterisation, false), setup: s}, nil
	},
}

type state struct {
	*contour.Watch
	setup *detect.Setup
}

// leastColour is the least step in colour, Delta E_ITP: one is what the most
// critical adaptation shows, and twice that is seen without looking for it
// (common practice, no source).
const leastColour = 2

// Step examines picture w.T.
func (s *state) Step(w *detect.Window) error {
	s.Watch.Step(w, func(g *contour.Gradient, p *contour.Part) (float64, map[string]float64, bool) {
		m := p.Measures(s.setup.Viewer)
		m["effective_bits"] = float64(s.setup.Format.Depth) - math.Log2(p.Step)
		m["levels_lost"] = p.Expected - p.Levels
		if g.Channel == contour.Luma {
			return s.LumaStep(p, m), m, true
		}
		strength := s.colour(g, p, m)
		return strength, m, strength >= leastColour
	})
	return nil
}

// colour measures the step and the range of hue of a gradient in chroma, and
// returns the step, Delta E_ITP.
func (s *state) colour(g *contour.Gradient, p *contour.Part, m map[string]float64) float64 {
	v := s.setup.Viewer
	var step, n float64
	low, high := math.Inf(1), math.Inf(-1)
	var first float64
	for i := range g.Contours {
		c := &g.Contours[i]
		if mid := (c.Low + c.High) / 2; mid < p.Low || mid > p.High {
			continue
		}
		a, b := c.Other, c.Other
		a[g.Channel], b[g.Channel] = c.Low, c.High
		step += v.ColourStep(a, b)
		n++
		for _, k := range [][3]float64{a, b} {
			hue := math.Atan2(v.Chroma(k[contour.Red]), v.Chroma(k[contour.Blue])) * 180 / math.Pi
			if math.IsInf(low, 1) {
				first = hue
			}
			// The short way round from the first one.
			hue = first + math.Mod(hue-first+540, 360) - 180
			low, high = min(low, hue), max(high, hue)
		}
	}
	if n == 0 {
		return 0
	}
	m["hue_range_deg"] = high - low
	m["step_itp"] = step / n
	return step / n
}
