package decode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
	"time"

	"github.com/asticode/go-astiav"

	"setwitness/decode/picture"
)

// Index is where the frames of a file are and where decoding can begin anew, as
// far as its packets tell. It is empty for a file whose stamps do not name its
// frames; such a file is decoded from the start.
type Index struct {
	Times []time.Duration // of the frames, from the first that can be decoded
	Keys  []Key           // for Options
}

// ReadIndex reads the packets of a file and decodes its first frames alone.
func ReadIndex(ctx context.Context, path string) (Index, error) {
	t, err := Open(path, Options{Fields: FieldsWeave, Threads: 1})
	if err != nil {
		return Index{}, err
	}
	c := t.reader.clock
	t.Close()
	if !c.started || !c.steady() {
		return Index{}, nil
	}
	r, err := openReader(path, 1)
	if err != nil {
		return Index{}, fmt.Errorf("%s: %w", path, err)
	}
	defer r.close()
	var x Index
	last, first := int64(astiav.NoPtsValue), true
	for {
		if err := ctx.Err(); err != nil {
			return Index{}, err
		}
		if r.input.ReadFrame(r.packet) != nil {
			break // what follows a break cannot be decoded either
		}
		p := r.packet
		if p.StreamIndex() != r.stream.Index() || p.Flags().Has(astiav.PacketFlagDiscard) {
			p.Unref()
			continue
		}
		at, k := p.Pts(), keyOf(p)
		p.Unref()
		if at == astiav.NoPtsValue {
			return Index{}, nil
		}
		when, ok := c.raw(at)
		if step, valid := scale(at-last, c.num, c.den); !ok || !first && (!valid || step < -stepBack || c.restarts && step > stepForward) {
			return Index{}, nil // the file's clock starts anew
		}
		last, first = at, false
		if when < 0 {
			continue // it builds on frames from before the file
		}
		if k.known {
			k.time = when
			if n := len(x.Keys); n == 0 || k.time-x.Keys[n-1].time >= seekWorth*c.period {
				x.Keys = append(x.Keys, k)
			}
		}
		x.Times = append(x.Times, when)
	}
	slices.Sort(x.Times)
	x.Times = slices.Compact(x.Times)
	return x, nil
}

// frame returns the index of the frame that is shown at a time.
func (x Index) frame(at time.Duration) int {
	return max(sort.Search(len(x.Times), func(i int) bool { return x.Times[i] > at })-1, 0)
}

// Stretch is the pictures of a take from one time to another, both included.
type Stretch struct{ From, To time.Duration }

// Stretches decodes the pictures of some stretches of a file, which are given
// in the order of time and do not overlap, and calls fn with each; fn may retain
// it. It decodes from the key frame before each stretch, where the index has
// one.
func Stretches(ctx context.Context, path string, o Options, x Index, list []Stretch, fn func(*picture.Picture) error) error {
	for i, s := range list {
		if s.To < s.From || i > 0 && s.From <= list[i-1].To {
			return fmt.Errorf("%s: the stretches are not in the order of time", path)
		}
	}
	s := stretcher{path: path, options: o, index: x}
	defer s.close()
	for i, want := range list {
		if err := s.run(ctx, list[i:], want, fn); err != nil {
			return err
		}
	}
	return nil
}

// stretcher is a take on its way from stretch to stretch.
type stretcher struct {
	path    string
	options Options
	index   Index
	take    *Take
	at      time.Duration    // of the last picture that was read
	beyond  *picture.Picture // read already, after the stretch before
}

func (s *stretcher) close() {
	if s.beyond != nil {
		s.beyond.Release()
	}
	if s.take != nil {
		s.take.Close()
	}
}

func (s *stretcher) open() (err error) {
	s.take, err = Open(s.path, s.options)
	s.at = 0
	return err
}

func (s *stretcher) run(ctx context.Context, rest []Stretch, want Stretch, fn func(*picture.Picture) error) error {
	if s.take == nil {
		if err := s.open(); err != nil {
			return err
		}
		s.want(rest)
	}
	if k := keyFor(s.index.Keys, want.From); k != nil && k.time > s.at+seekWorth*s.take.period {
		if s.beyond != nil {
			s.beyond.Release()
			s.beyond = nil
		}
		if err := s.take.seek(ctx, k); errors.Is(err, errNotFound) {
			// A container that cannot be searched is read from the start.
			s.take.Close()
			s.take, s.index.Keys = nil, nil
			if err := s.open(); err != nil {
				return err
			}
		} else if err != nil {
			return err
		}
	}
	for {
		p := s.beyond
		s.beyond = nil
		if p == nil {
			var err error
			if p, err = s.take.Next(ctx); errors.Is(err, io.EOF) {
				return nil
			} else if err != nil {
				return err
			}
			s.at = p.Time
		}
		if p.Time > want.To {
			s.beyond = p
			return nil
		}
		err := error(nil)
		if p.Time >= want.From {
			s.number(p)
			err = fn(p)
		}
		p.Release()
		if err != nil {
			return err
		}
	}
}

// want tells the reader which frames are decoded for their own sake.
func (s *stretcher) want(list []Stretch) {
	for _, w := range list {
		for i := s.index.frame(w.From); i < len(s.index.Times) && s.index.Times[i] <= w.To; i++ {
			s.take.reader.wanted = append(s.take.reader.wanted, Wanted{Index: i, Time: s.index.Times[i]})
		}
	}
}

// number gives a picture the place that it has in the whole file.
func (s *stretcher) number(p *picture.Picture) {
	if len(s.index.Times) == 0 {
		return
	}
	p.Frame = s.index.frame(p.Time)
	p.Index = p.Frame
	if s.take.split != nil {
		p.Index *= 2 // two fields a frame
		if p.Time > s.index.Times[p.Frame] {
			p.Index++
		}
	}
}
