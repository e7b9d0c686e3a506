package decode

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/asticode/go-astiav"
)

// Stamps reads the presentation times of a file's video frames, rising, from
// the first, without decoding any, and the tags of the file and of its video
// stream by their names. A file that breaks off gives those before the break.
// The times may miss frames whose packets have none.
func Stamps(ctx context.Context, path string) ([]time.Duration, map[string]string, error) {
	r, err := openReader(path, 1)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	defer r.close()
	tags := map[string]string{}
	for _, d := range []*astiav.Dictionary{r.input.Metadata(), r.stream.Metadata()} {
		if d == nil {
			continue
		}
		var e *astiav.DictionaryEntry
		for {
			if e = d.Get("", e, astiav.NewDictionaryFlags(astiav.DictionaryFlagIgnoreSuffix)); e == nil {
				break
			}
			tags[e.Key()] = e.Value()
		}
	}
	base := r.stream.TimeBase()
	var ticks []int64
	for ctx.Err() == nil {
		if err := r.input.ReadFrame(r.packet); err != nil {
			if !errors.Is(err, astiav.ErrEof) && len(ticks) == 0 {
				return nil, nil, fmt.Errorf("%s: %w", path, err)
			}
			break
		}
		// What an edit list leaves out is decoded and not shown.
		shown := !r.packet.Flags().Has(astiav.PacketFlagDiscard)
		if pts := r.packet.Pts(); shown && r.packet.StreamIndex() == r.stream.Index() && pts != astiav.NoPtsValue {
			ticks = append(ticks, pts)
		}
		r.packet.Unref()
	}
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	slices.Sort(ticks)
	ticks = slices.Compact(ticks)
	times := make([]time.Duration, len(ticks))
	for i, t := range ticks {
		seconds := float64(t-ticks[0]) * float64(base.Num()) / float64(base.Den())
		times[i] = time.Duration(seconds * float64(time.Second))
	}
	return times, tags, nil
}
