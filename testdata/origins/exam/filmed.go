package main

import (
	"fmt"
	"os"
	"path/filepath"

	"setwitness/testdata/filming"
	"setwitness/testdata/filming/codec"
)

// film films so many clean clips with a camera whose exposures are longer than
// the set shows a picture, so that nearly all of its frames are mixed. The set
// makes no fault, nor has the source one: no finding may be the set's.
func film(tool, work string, seed int64, count int, seconds float64) error {
	dir := filepath.Join(work, fmt.Sprintf("filmed-%d", seed))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	verdicts := map[string]int{}
	for i, c := range filming.Clean(seed, count, seconds) {
		refresh := c.Situation.Set.RefreshHz
		if s, ok := filming.Named(filming.Ordinary, refresh, c.Seed); ok {
			c.Situation = s
		}
		name := fmt.Sprintf("%02d", i)
		source := filepath.Join(dir, name+"-source.mkv")
		if err := write(source, c.Source); err != nil {
			return err
		}
		capture, err := c.Film()
		if err != nil {
			return err
		}
		take, err := codec.Write(capture, dir, name, codec.Options{CaptureRate: true})
		if err != nil {
			return err
		}
		doc, err := scan(tool, dir, "screen", source, take)
		if err != nil {
			return err
		}
		aligned := "not aligned: " + doc.Alignment.Why
		if doc.Alignment.Why == "" {
			aligned = fmt.Sprintf("aligned, sure to %.0f %%", 100*doc.Alignment.Confidence)
		}
		fmt.Printf("%s at %.4g Hz: %d mixed frames, %s, %d findings\n", c.Name, refresh, doc.View.MixedFrames, aligned, len(doc.Findings))
		for _, f := range doc.Findings {
			verdicts[string(f.Origin.Verdict)]++
			fmt.Printf("  %s at %.2f s is %s: %s\n", f.Kind, f.PeakS, f.Origin.Verdict, f.Origin.Why)
		}
		for _, path := range []string{source, take} {
			if err := os.Remove(path); err != nil {
				return err
			}
		}
	}
	fmt.Printf("%d filmed takes without a fault; findings: %d set, %d source, %d capture, %d undetermined\n",
		count, verdicts["set"], verdicts["source"], verdicts["capture"], verdicts["undetermined"])
	return nil
}
