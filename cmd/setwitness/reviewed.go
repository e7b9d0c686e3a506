package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/report"
)

// reviewed is a take whose scan is read again, with the pictures of the take.
type reviewed struct {
	doc     *report.Findings
	folder  string
	path    string // of the take
	options decode.Options
	index   decode.Index
	in      picture.Format // of the pictures that are shown
	film    *film          // nil for a direct take
}

// openReviewed reads what scan wrote into a folder and makes sure that the take is
// still the one that was scanned. It is looked for at moved, or else where it was
// at the scan or beside the folder. view is how a film of a screen is shown.
func openReviewed(ctx context.Context, folder, moved, view string) (*reviewed, error) {
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil {
		return nil, unusable{err}
	}
	s := &reviewed{doc: doc, folder: folder}
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
	if doc.View.Kind == "screen" {
		if s.film, err = openFilm(folder, doc); err != nil {
			return nil, err
		}
		s.film.straight = view != viewFilmed
		s.in = s.film.format(s.in)
	}
	return s, nil
}

// How films of a screen are shown: the rebuilt pictures, or the camera's frames.
const viewRectified, viewFilmed = "rectified", "filmed"

const viewUsage = "how a film of a screen is shown: rectified (the pictures of the set, rebuilt and straightened; the default) or filmed (the camera's frames)"

func checkView(view string) error {
	if view != "" && view != viewRectified && view != viewFilmed {
		return fmt.Errorf("--view %q is neither rectified nor filmed", view)
	}
	return nil
}

// noFilm says that --view is of no use for takes, if it is not.
func noFilm(view string, takes ...*reviewed) error {
	if view == "" || slices.ContainsFunc(takes, func(s *reviewed) bool { return s.film != nil }) {
		return nil
	}
	return unusable{fmt.Errorf("%s: --view is for films of a screen, and this is a direct take", takes[0].path)}
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
	call := func(p *picture.Picture) error {
		own = fn(p)
		return own
	}
	var err error
	if s.film != nil && s.film.straight {
		o := s.options
		o.Keys = s.index.Keys
		fetch := func(ctx context.Context, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
			return decode.Fetch(ctx, s.path, o, wanted, fn)
		}
		err = s.film.straighten(ctx, from, to, fetch, call)
	} else {
		err = decode.Stretches(ctx, s.path, s.options, s.index, []decode.Stretch{{From: max(from, 0), To: to}}, call)
	}
	if err != nil && !errors.Is(err, own) {
		return unusableUnless(ctx, err)
	}
	return err
}

// filmed reports whether the camera's frames of a screen are shown, and not what was
// rebuilt of them.
func (s *reviewed) filmed() bool { return s.film != nil && !s.film.straight }

// pixels turns a region of the document into pixels of the pictures that are
// shown round a time.
func (s *reviewed) pixels(r report.Region, t time.Duration) image.Rectangle {
	if s.filmed() {
		return s.film.inFrame(r, t)
	}
	w, h := float64(s.in.W), float64(s.in.H)
	round := func(v float64) int { return int(math.Round(v)) }
	return image.Rect(round(r.X*w), round(r.Y*h), round((r.X+r.W)*w), round((r.Y+r.H)*h))
}

// life turns a time of the take into one of life.
func (s *reviewed) life(t time.Duration) time.Duration {
	if s.film == nil {
		return t
	}
	return s.film.life(t)
}

// slowness is how many times slower than life the take plays round a time.
func (s *reviewed) slowness(t time.Duration) float64 {
	if s.film == nil {
		return 1
	}
	return s.film.slowness(t)
}

// period is the take's time from one picture to the next round a time.
func (s *reviewed) period(t time.Duration) time.Duration {
	const unknown = 40 * time.Millisecond // that of 25 a second, as for files without any rate (FFmpeg's default)
	if r := s.in.Rate(); r > 0 {
		return time.Duration(float64(time.Second) / r * s.slowness(t))
	}
	return unknown
}

// counter numbers a picture that is shown.
func (s *reviewed) counter(p *picture.Picture) string {
	at := report.Clock(p.Time.Seconds())
	if s.filmed() {
		return fmt.Sprintf("displayed picture %d, camera frame %d, %s", s.film.at(p.Time), p.Index, at)
	}
	return fmt.Sprintf("displayed picture %d, %s", p.Index, at)
}
