package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/testdata/faults"
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

// filmed films a clip off a set in a situation, or in one drawn for it, and returns
// the path of the take.
func filmed(path, dir, situation string, seed int64) (string, error) {
	clip, err := read(path)
	if err != nil {
		return "", err
	}
	s := filming.Random(clip.Format.Rate(), seed)
	if situation != "" {
		s, _ = filming.Named(situation, s.Set.RefreshHz, seed)
	}
	capture, err := s.Film(clip, 0, seed)
	if err != nil {
		return "", err
	}
	return codec.Write(capture, dir, "filmed", codec.Options{CaptureRate: true})
}

// read reads a short clip into memory.
func read(path string) (faults.Sequence, error) {
	take, err := decode.Open(path, decode.Options{})
	if err != nil {
		return faults.Sequence{}, err
	}
	defer take.Close()
	var all []*picture.Picture
	for {
		p, err := take.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return faults.Sequence{}, err
		}
		all = append(all, p) // kept, and never given back
	}
	return faults.Sequence{Format: take.Format(), Len: len(all), At: func(i int) *picture.Picture { return all[i] }}, nil
}
