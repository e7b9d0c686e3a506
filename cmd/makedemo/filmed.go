package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/filming"
	"setwitness/testdata/filming/codec"
)

const (
	// filmedSeconds of the demo are filmed, around the pictures that are
	// mixed while the camera of the game turns.
	filmedSeconds = 2.0
	// filmedSeed draws the stand, the room and the noise.
	filmedSeed = 7
)

// filmed is a camera's take of a set that shows a stretch of the demo.
func (d *demo) filmed() (*filming.Capture, error) {
	at := -1
	for _, f := range d.sequence.Truth {
		if f.Kind == detect.Ghost {
			at = (f.First + f.Last) / 2
			break
		}
	}
	if at < 0 {
		return nil, fmt.Errorf("nothing to film: the demo has no mixed pictures")
	}
	n := int(filmedSeconds * rate)
	from := max(0, min(at-n/2, d.sequence.Len-n))
	s := faults.Sequence{Format: d.sequence.Format, Len: min(n, d.sequence.Len), At: func(i int) *picture.Picture {
		return d.sequence.At(from + i)
	}}
	for _, f := range d.sequence.Truth {
		if f.First >= from && f.Last < from+n {
			f.First, f.Last = f.First-from, f.Last-from
			s.Truth = append(s.Truth, f)
		}
	}
	situation, ok := filming.Named(filming.Hand, rate, filmedSeed)
	if !ok {
		return nil, fmt.Errorf("no situation %q to film in", filming.Hand)
	}
	return situation.Film(faults.Cached(s, 4), filmedSeconds, filmedSeed)
}

// writeFilmed films the demo and writes the camera's file.
func (d *demo) writeFilmed(ctx context.Context, path string) error {
	c, err := d.filmed()
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(filepath.Dir(path), ".filmed-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	made, err := codec.Write(c, dir, "take", codec.Options{})
	if err != nil {
		return err
	}
	return os.Rename(made, path)
}
