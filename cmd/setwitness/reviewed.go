package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/report"
)

// reviewed is a take whose scan is read again, with the pictures of the take.
type reviewed struct {
	doc     *report.Findings
	path    string // of the take
	options decode.Options
	index   decode.Index
	in      picture.Format
}

// openReviewed reads what scan wrote into a folder and makes sure that the take is
// still the one that was scanned. It is looked for at moved, or else where it was
// at the scan or beside the folder.
func openReviewed(ctx context.Context, folder, moved string) (*reviewed, error) {
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil {
		return nil, unusable{err}
	}
	s := &reviewed{doc: doc}
	if s.path, err = findTake(folder, doc.Take.Path, moved); err != nil {
		return nil, err
	}
	sum, err := sumFile(ctx, s.path)
	if err != nil {
		return nil, err
	}
	if sum != doc.Take.SHA256 {
		return nil, unusable{fmt.Errorf("%s: is not the take that was scanned into %s: its SHA-256 is another", s.path, folder)}
	}
	if s.index, err = decode.ReadIndex(ctx, s.path); err != nil {
		return nil, unusableUnless(ctx, err)
	}
	s.options.Fields = decode.FieldsWeave
	if lines := uprightLines(&doc.Take); doc.View.Kind == "direct" && doc.View.Raster.Height <= lines/2 {
		s.options.Fields = decode.FieldsSplit
	}
	t, err := decode.Open(s.path, s.options)
	if err != nil {
		return nil, unusable{err}
	}
	s.in = t.Format()
	t.Close()
	return s, nil
}

// uprightLines is the number of lines of a take once it is turned.
func uprightLines(t *report.Take) int {
	if t.RotationDeg%180 != 0 {
		return t.Width
	}
	return t.Height
}

func findTake(folder, path, moved string) (string, error) {
	if moved != "" {
		return moved, nil
	}
	for _, p := range []string{path, filepath.Join(filepath.Dir(filepath.Clean(folder)), filepath.Base(path))} {
		if info, err := os.Stat(p); err == nil && info.Mode().IsRegular() {
			return p, nil
		}
	}
	return "", unusable{fmt.Errorf("%s: the take is not there any more; --take can say where it is", path)}
}

// unusableUnless is an error of a file, unless the context ended.
func unusableUnless(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return unusable{err}
}

// read calls fn with the pictures from one time to another.
func (s *reviewed) read(ctx context.Context, from, to time.Duration, fn func(*picture.Picture) error) error {
	var own error // of fn
	err := decode.Stretches(ctx, s.path, s.options, s.index, []decode.Stretch{{From: max(from, 0), To: to}}, func(p *picture.Picture) error {
		own = fn(p)
		return own
	})
	if err != nil && !errors.Is(err, own) {
		return unusableUnless(ctx, err)
	}
	return err
}

// pixels turns a region of the document into pixels of the pictures.
func (s *reviewed) pixels(r report.Region) image.Rectangle {
	w, h := float64(s.in.W), float64(s.in.H)
	round := func(v float64) int { return int(math.Round(v)) }
	return image.Rect(round(r.X*w), round(r.Y*h), round((r.X+r.W)*w), round((r.Y+r.H)*h))
}

// period is the time from one picture to the next.
func (s *reviewed) period() time.Duration {
	if r := s.in.Rate(); r > 0 {
		return time.Duration(float64(time.Second) / r)
	}
	return 0
}
