package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"

	"setwitness/detect"
	"setwitness/testdata/comparisons"
)

const (
	// By so much at most the faults of a kind are made stronger or weaker alike.
	mostChanged = 2.5
	// Beside that each changes by a factor of its own (standard deviation of its logarithm).
	changedApart = 0.1
)

// overall compares invented scans of which all faults of a kind became stronger or weaker by
// much the same factor, and counts how often the interval of the overall change holds the mean of
// what those did that it is over.
func overall(w io.Writer, s settings) error {
	for _, d := range []struct {
		name   string
		passes int
		takes  comparisons.Takes
	}{
		{"overall change, one pass a side", 1, comparisons.Takes{Seconds: 60, Late: 0.5, False: 0.2}},
		{"overall change, three passes a side", 3, comparisons.Takes{Seconds: 60, Late: 0.5, False: 0.2}},
		{"overall change, films, three passes a side", 3, comparisons.Takes{Seconds: 60, Late: 2, False: 0.3, Filmed: true}},
	} {
		r := rand.New(rand.NewPCG(s.seed, uint64(len(d.name))))
		type count struct{ held, all, none int }
		kinds := map[detect.Kind]*count{}
		var total count
		var widths []float64
		for range s.pairs {
			faults := comparisons.Faults(r, 8+r.IntN(8), d.takes.Seconds)
			factor := map[detect.Kind]float64{}
			for _, k := range detect.Kinds {
				factor[k] = math.Exp((2*r.Float64() - 1) * math.Log(mostChanged))
			}
			before, after := slices.Clone(faults), slices.Clone(faults)
			logs := map[detect.Kind][]float64{} // of what the faults changed by
			for i, f := range faults {
				if f.Kind == detect.CadenceBreak {
					continue // pictures are whole
				}
				// Faults that both sides show, so that none is left out for what it became.
				before[i].Strength = max(f.Strength, 3*mostChanged*f.Floor)
				after[i].Strength = before[i].Strength * factor[f.Kind] * math.Exp(changedApart*r.NormFloat64())
				logs[f.Kind] = append(logs[f.Kind], math.Log(after[i].Strength/before[i].Strength))
			}
			c, err := passes(r, d.takes, d.passes, before, after)
			if err != nil {
				return err
			}
			for _, o := range c.Overall {
				if len(logs[o.Kind]) == 0 {
					continue // a false alarm alone
				}
				mean := 0.0
				for _, l := range logs[o.Kind] {
					mean += l / float64(len(logs[o.Kind]))
				}
				if kinds[o.Kind] == nil {
					kinds[o.Kind] = &count{}
				}
				for _, n := range []*count{kinds[o.Kind], &total} {
					if o.Change == nil {
						n.none++
						continue
					}
					n.all++
					if p := 100 * math.Expm1(mean); o.Change.Low <= p && p <= o.Change.High {
						n.held++
					}
				}
				if c := o.Change; c != nil {
					widths = append(widths, (c.High-c.Low)/(100+c.Percent)*100)
				}
			}
		}
		fmt.Fprintf(w, "%s: %d comparisons\n", d.name, s.pairs)
		say := func(name string, n *count) {
			fmt.Fprintf(w, "  %-20s the interval holds the change in %4d of %4d (%5.1f %%); no number in %d\n", name, n.held, n.all, 100*float64(n.held)/math.Max(float64(n.all), 1), n.none)
		}
		for _, k := range detect.Kinds {
			if n := kinds[k]; n != nil {
				say(string(k), n)
			}
		}
		say("all", &total)
		if slices.Sort(widths); len(widths) > 0 {
			fmt.Fprintf(w, "  half of the intervals are narrower than %.0f %% of what the strength became\n", widths[len(widths)/2])
		}
	}
	return nil
}
