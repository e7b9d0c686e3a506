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

// Fetch decodes a file once more and calls fn with the wanted pictures, which
// are given in ascending order, as soon as each is there. It holds each
// picture's reference until fn returns. Options are those of the first pass;
// with its Keys Fetch decodes no more than from the key frame before each group
// of wanted pictures to its last, and of those no frames that nothing wanted is
// built on, and knows a picture by its time; else, and for what is damaged, it
// decodes from the start and counts.
func Fetch(ctx context.Context, path string, o Options, wanted []Wanted, fn func(*picture.Picture) error) error {
	for i, w := range wanted {
		if w.Index < 0 || i > 0 && w.Index <= wanted[i-1].Index {
			return fmt.Errorf("%s: wanted pictures are not in ascending order", path)
		}
	}
	if len(wanted) == 0 {
		return nil
	}
	if len(o.Keys) > 0 {
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
	t.reader.wanted = wanted
	from := time.Duration(0) // no picture before this is still to come
	for i, w := range wanted {
		p, err := t.find(ctx, o.Keys, w.Time, from)
		if err != nil {
			return i, err
		}
		from = p.Time
		p.Index = w.Index
		p.Frame = w.Index
		if t.split != nil {
			p.Frame = w.Index / 2 // a take with keys has two fields a frame
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
func (t *Take) find(ctx context.Context, keys []Key, at, from time.Duration) (*picture.Picture, error) {
	key := keyFor(keys, at)
	if key == nil || key.time <= from+seekWorth*t.period {
		p, err := t.forward(ctx, at)
		if key == nil || !errors.Is(err, errNotFound) {
			return p, err
		}
	}
	if err := t.seek(ctx, key); err != nil {
		return nil, err
	}
	return t.forward(ctx, at)
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
