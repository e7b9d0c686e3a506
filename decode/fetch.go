package decode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"setwitness/decode/picture"
)

// Wanted names a picture of a take: its place and its time as the first pass
// gave them.
type Wanted struct {
	Index int
	Time  time.Duration
}

// Decoding on is cheaper than seeking up to this distance: a seek lands on a
// key frame, and those are mostly half a second to two seconds apart (common
// practice, no source).
const seekWorth = 2 * time.Second

// How far before a wanted picture a seek aims, in turn: close first, then
// further back in case the key frame found there does not lead to it.
var seekMargins = []time.Duration{0, 2 * time.Second, 10 * time.Second}

// Fetch decodes a file once more and calls fn with the wanted pictures, which
// are given in ascending order. It holds each picture's reference until fn
// returns. Options are those of the first pass; with Steady set, and only
// then, Fetch seeks and knows a picture by its time; else it decodes from the
// start and counts.
func Fetch(ctx context.Context, path string, o Options, wanted []Wanted, fn func(*picture.Picture) error) error {
	for i, w := range wanted {
		if w.Index < 0 || i > 0 && w.Index <= wanted[i-1].Index {
			return fmt.Errorf("%s: wanted pictures are not in ascending order", path)
		}
	}
	if len(wanted) == 0 {
		return nil
	}
	if o.Steady {
		n, err := fetchByTime(ctx, path, o, wanted, fn)
		if !errors.Is(err, errNotFound) {
			return err
		}
		wanted = wanted[n:]
	}
	return fetchByCount(ctx, path, o, wanted, fn)
}

func fetchByCount(ctx context.Context, path string, o Options, wanted []Wanted, fn func(*picture.Picture) error) error {
	t, err := Open(path, o)
	if err != nil {
		return err
	}
	defer t.Close()
	for len(wanted) > 0 {
		p, err := t.Next(ctx)
		if errors.Is(err, io.EOF) {
			return fmt.Errorf("%s: picture %d at %.3f s is not in the file", path, wanted[0].Index, wanted[0].Time.Seconds())
		}
		if err != nil {
			return err
		}
		if p.Index == wanted[0].Index {
			err = fn(p)
			wanted = wanted[1:]
		}
		p.Release()
		if err != nil {
			return err
		}
	}
	return nil
}

// errNotFound says that no picture has exactly the wanted time.
var errNotFound = errors.New("no picture at this time")

// fetchByTime returns how many pictures it delivered.
func fetchByTime(ctx context.Context, path string, o Options, wanted []Wanted, fn func(*picture.Picture) error) (int, error) {
	t, err := Open(path, o)
	if err != nil {
		return 0, err
	}
	defer t.Close()
	at := time.Duration(0) // no picture before this is still to come
	for i, w := range wanted {
		p, err := t.find(ctx, w.Time, at)
		if err != nil {
			return i, err
		}
		at = p.Time
		p.Index = w.Index
		p.Frame = w.Index
		if t.split != nil {
			p.Frame = w.Index / 2 // a steady take has two fields a frame
		}
		err = fn(p)
		p.Release()
		if err != nil {
			return i + 1, err
		}
	}
	return len(wanted), nil
}

// find returns the picture at exactly time at; the take stands at time from.
func (t *Take) find(ctx context.Context, at, from time.Duration) (*picture.Picture, error) {
	if at-from < seekWorth {
		p, err := t.forward(ctx, at)
		if !errors.Is(err, errNotFound) {
			return p, err
		}
	}
	for _, margin := range seekMargins {
		if err := t.seek(max(at-margin, 0)); err != nil {
			return nil, errNotFound // counting from the start needs no seek
		}
		p, err := t.forward(ctx, at)
		if !errors.Is(err, errNotFound) {
			return p, err
		}
	}
	return nil, errNotFound
}

// forward goes on to the picture at exactly time at.
func (t *Take) forward(ctx context.Context, at time.Duration) (*picture.Picture, error) {
	for {
		p, err := t.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil, errNotFound
		}
		if err != nil {
			return nil, err
		}
		if p.Time == at && !p.Damaged {
			return p, nil
		}
		late := p.Time >= at
		p.Release()
		if late {
			return nil, errNotFound
		}
	}
}

// seek moves the take to a key frame at or before a time.
func (t *Take) seek(at time.Duration) error {
	for _, p := range t.pending {
		p.Release()
	}
	t.pending = t.pending[:0]
	for _, f := range t.first {
		f.drop()
	}
	t.first = nil
	if t.split != nil {
		t.split.close()
	}
	t.err, t.previous = nil, nil
	return t.reader.seek(at)
}
