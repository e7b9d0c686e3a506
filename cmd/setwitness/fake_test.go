package main

import (
	"bytes"
	"context"
	"errors"
	"image"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
)

// fakeTake is a take of gray pictures, 50 a second.
type fakeTake struct {
	n      int
	at     int
	onNext func(i int) error
	show   func(i int) picture.Plane // gray ones of 64x48 where it is nil
	fields bool                      // of what it shows, the top one first
}

func (f *fakeTake) Format() picture.Format {
	w, h := 64, 48
	if f.show != nil {
		p := f.show(0)
		w, h = p.W, p.H
	}
	if f.fields {
		h /= 2
	}
	return picture.Format{W: w, H: h, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1, Fields: f.fields}
}

func (f *fakeTake) picture(i int) *picture.Picture {
	grey := picture.New(64, 48, 8)
	for k := range grey.Pix {
		grey.Pix[k] = 126
	}
	if f.show != nil {
		grey = f.show(i)
	}
	p := &picture.Picture{Index: i, Frame: i, Time: time.Duration(i) * 20 * time.Millisecond, Y: grey}
	if f.fields {
		p.Parity, p.Y = picture.Top, picture.New(grey.W, grey.H/2, 8)
		if i%2 == 1 {
			p.Parity = picture.Bottom
		}
		for y := range p.Y.H {
			copy(p.Y.Pix[y*p.Y.Stride:][:grey.W], grey.Pix[(2*y+i%2)*grey.Stride:])
		}
	}
	return p
}

func (f *fakeTake) Next(ctx context.Context) (*picture.Picture, error) {
	if f.at == f.n {
		return nil, io.EOF
	}
	if f.onNext != nil {
		if err := f.onNext(f.at); err != nil {
			return nil, err
		}
	}
	f.at++
	return f.picture(f.at - 1), nil
}

func (f *fakeTake) Info() decode.Info {
	return decode.Info{Container: "fake", Codec: "fake", PixelFormat: "gray", W: 64, H: 48, RateNum: 50, RateDen: 1,
		Scan: decode.Progressive, Duration: time.Duration(f.n) * 20 * time.Millisecond}
}

func (f *fakeTake) Summary() decode.Summary {
	return decode.Summary{Frames: f.at, Pictures: f.at, Duration: time.Duration(f.at) * 20 * time.Millisecond}
}

func (f *fakeTake) Close() {}

// marker is a stage that leaves a mark on picture 3, and does to itself what
// a test asks for.
type marker struct{ onStep func(t int) error }

func (m *marker) Step(w *detect.Window) error {
	if w.T == 3 {
		w.Mark(detect.Mark{Kind: detect.Combing, Picture: 3, Region: image.Rect(10, 10, 30, 30), Strength: 12, Confidence: 0.9})
	}
	if m.onStep != nil {
		return m.onStep(w.T)
	}
	return nil
}

func (m *marker) Coverage() detect.Coverage {
	return detect.Coverage{Kind: detect.Combing, State: detect.Examined, Seconds: 1, Floor: 2}
}

func markerStage(onStep func(t int) error) *detect.Stage {
	return &detect.Stage{
		Name: "marker", Title: "marks picture 3", Doc: "Marks picture 3.", Kind: detect.Combing,
		Options: []detect.Option{{Name: "level", Default: 1, Min: 0, Max: 10, Unit: "codes", Reason: "for tests"}},
		New:     func(*detect.Setup) (detect.State, error) { return &marker{onStep}, nil },
	}
}

// desk is a factory of fakes with what it printed.
type desk struct {
	*factory
	out, err   *bytes.Buffer
	soft, hard context.CancelFunc
	take       *fakeTake
	onStep     func(t int) error
	dir        string
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	d := &desk{out: &bytes.Buffer{}, err: &bytes.Buffer{}, take: &fakeTake{n: 10}, dir: t.TempDir()}
	soft, softly := context.WithCancel(context.Background())
	hard, hardly := context.WithCancel(context.Background())
	t.Cleanup(softly)
	t.Cleanup(hardly)
	d.soft, d.hard = softly, hardly
	d.factory = &factory{
		streams: streams{out: d.out, err: d.err},
		open: func(path string, _ decode.Options) (take, error) {
			if strings.Contains(path, "bad") {
				return nil, errors.New(path + ": is not a video file")
			}
			again := *d.take
			again.at = 0
			return &again, nil
		},
		fetch: func(ctx context.Context, _ string, _ decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
			for _, w := range wanted {
				if err := ctx.Err(); err != nil {
					return err
				}
				if err := fn(d.take.picture(w.Index)); err != nil {
					return err
				}
			}
			return nil
		},
		stages:  func() []*detect.Stage { return []*detect.Stage{markerStage(d.onStep)} },
		now:     func() time.Time { return time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC) },
		signals: func() (context.Context, context.Context, func()) { return soft, hard, func() {} },
	}
	d.another = func(soft, hard context.Context, args []string) (int, string, error) {
		var said bytes.Buffer
		other := *d.factory
		other.streams = streams{out: io.Discard, err: &said}
		other.signals = func() (context.Context, context.Context, func()) { return soft, hard, func() {} }
		code := run(&other, args)
		return code, said.String(), nil
	}
	return d
}

// clip makes a file for the checksum.
func (d *desk) clip(t *testing.T, name string) string {
	t.Helper()
	path := filepath.Join(d.dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("pictures"), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// list names everything below a folder.
func list(t *testing.T, dir string) string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(dir, func(path string, _ os.DirEntry, err error) error {
		if err == nil && path != dir {
			rel, _ := filepath.Rel(dir, path)
			names = append(names, rel)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(names, " ")
}
