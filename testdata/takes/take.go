// Package takes is a catalogue of invented takes with known faults, and of
// takes without any that look as if they had one.
//
// In: a seed. Out: takes by name, each with its pictures and the truth about
// them; Score holds what a run found against the truth. Package exam runs all
// stages over the catalogue and prints what they missed and what they made up.
package takes

import (
	"cmp"
	"context"
	"image"
	"io"
	"math"
	"slices"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
)

// Take is one take of the catalogue.
type Take struct {
	Name   string
	Format picture.Format
	Frames int
	// Picture renders picture i. The caller must not write to its planes.
	Picture func(i int) *picture.Picture
	// Truth says what is wrong; nothing else is.
	Truth []faults.Truth
	// Negative says what a take without faults looks like; empty for the
	// others.
	Negative string
}

// from makes a take of a sequence.
func from(name string, s faults.Sequence) Take {
	return Take{Name: name, Format: s.Format, Frames: s.Len, Truth: s.Truth, Picture: func(i int) *picture.Picture {
		p := s.At(i)
		return &picture.Picture{
			Index: i, Frame: i, Time: when(s.Format, i), Parity: p.Parity,
			Y: p.Y, Cb: p.Cb, Cr: p.Cr,
		}
	}}
}

func when(f picture.Format, i int) time.Duration {
	return time.Duration(int64(i) * int64(f.RateDen) * int64(time.Second) / int64(f.RateNum))
}

// Source plays the take from its first picture, once, in memory.
func (t Take) Source() *Source { return &Source{take: t} }

// Source is a take being played; it is a detect.Source.
type Source struct {
	take Take
	next int
}

// Format returns the format of the pictures.
func (s *Source) Format() picture.Format { return s.take.Format }

// Next renders the next picture.
func (s *Source) Next(ctx context.Context) (*picture.Picture, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if s.next >= s.take.Frames {
		return nil, io.EOF
	}
	s.next++
	return s.take.Picture(s.next - 1), nil
}

// Hit is a fault that was found.
type Hit struct {
	Truth faults.Truth
	Event detect.Event
	// Late is how long after the fault began the event does, in seconds.
	Late float64
	// Again are further events on the same fault: it was found in pieces.
	Again []detect.Event
}

// Outcome is what a run over one take got right and wrong.
type Outcome struct {
	Hits   []Hit
	Misses []faults.Truth
	False  []detect.Event
}

// onset is how far the start of an event may lie from that of the fault.
const onset = 200 * time.Millisecond

// settle is how much longer it may take where the fault is a pattern that
// has to be seen more than once.
const settle = 300 * time.Millisecond

// Score holds events against the truth of a take. An event finds a fault when
// it is of its kind, starts with it, and is where it is. Further events within
// the time and place of a fault that was found are no false alarms.
func (t Take) Score(events []detect.Event) Outcome {
	rate := t.Format.Rate()
	slack := int(math.Round(onset.Seconds() * rate))
	used := make([]bool, len(events))
	var out Outcome
	for _, truth := range t.Truth {
		limit := slack
		if _, ok := truth.Measures[faults.Period]; ok {
			limit += int(math.Round(settle.Seconds() * rate))
		}
		var mine []int
		for i, e := range events {
			if !used[i] && named(truth, e.Kind) && truth.Region.Overlaps(e.Region) &&
				e.Start >= truth.First-slack && e.Start <= truth.Last+slack {
				mine = append(mine, i)
			}
		}
		slices.SortStableFunc(mine, func(a, b int) int {
			// The right kind first, then the first in time.
			rank := func(i int) int {
				if events[i].Kind == truth.Kind {
					return 0
				}
				return 1
			}
			return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(events[a].Start, events[b].Start))
		})
		first := slices.IndexFunc(mine, func(i int) bool { return abs(events[i].Start-truth.First) <= limit })
		if first < 0 {
			out.Misses = append(out.Misses, truth)
			continue
		}
		h := Hit{Truth: truth, Event: events[mine[first]], Late: float64(events[mine[first]].Start-truth.First) / rate}
		for k, i := range mine {
			used[i] = true
			if k != first {
				h.Again = append(h.Again, events[i])
			}
		}
		out.Hits = append(out.Hits, h)
	}
	for i, e := range events {
		if !used[i] {
			out.False = append(out.False, e)
		}
	}
	return out
}

func named(t faults.Truth, k detect.Kind) bool { return t.Kind == k || slices.Contains(t.Or, k) }

func abs(v int) int { return max(v, -v) }

// thing returns a function that gives the place of a thing in picture i.
func thing(at func(i int) (x, y, w, h float64)) func(i int) image.Rectangle {
	return func(i int) image.Rectangle {
		x, y, w, h := at(i)
		return image.Rect(int(math.Floor(x-w/2)), int(math.Floor(y-h/2)), int(math.Ceil(x+w/2)), int(math.Ceil(y+h/2)))
	}
}
