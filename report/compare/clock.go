package compare

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"setwitness/detect/align"
)

// clock leads from the time of a take to the common time, which is that of the
// first take.
type clock struct {
	by  Alignment
	why string
	// common is the common time at a time of the take; ok is false where the
	// take has nothing that the first one has.
	common func(s float64) (at float64, ok bool)
	// own leads back from the common time.
	own      func(at float64) (s float64, ok bool)
	from, to float64 // stretch of common time that the take covers
	// still says that the same stands all the time, so that any time of the take
	// is any other.
	still bool
}

// shifted is a clock that differs by a constant.
func shifted(by Alignment, why string, offset, duration float64) clock {
	return clock{
		by: by, why: why, from: offset, to: offset + duration,
		common: func(s float64) (float64, bool) { return s + offset, true },
		own:    func(at float64) (float64, bool) { return at - offset, at >= offset && at < offset+duration },
	}
}

// covers reports whether a stage could have looked in full at a fault that
// another take, home, shows.
func (c *clock) covers(f *Fault, home *clock, slowness float64) bool {
	// The stages look at no more than this on either side of a picture (the
	// widest is the median background of package motion); less will do where
	// home had no more itself.
	const margin = 0.2 // s of life
	from := c.from + min(margin*slowness, max(f.Peak-home.from, 0))
	to := c.to - min(margin*slowness, max(home.to-f.Peak, 0))
	// A long fault shows at other times than that of its peak as well.
	return c.still || f.Peak >= from && f.Peak <= to || min(f.End, to)-max(f.Start, from) >= (f.End-f.Start)/2
}

// clocks lays the takes of all scans beside the first: each by itself, or, where
// that cannot be done, by way of another one that is laid already.
func clocks(scans []*Scan) []clock {
	out := make([]clock, len(scans))
	out[0] = shifted(ByOwnTime, "its time is the common one", 0, scans[0].Doc.Take.DurationS)
	for i, s := range scans[1:] {
		out[i+1] = beside(scans[0], s)
	}
	for again := true; again; {
		again = false
		for i, s := range scans {
			if out[i].by != Unaligned {
				continue
			}
			for k, by := range scans[1:] {
				if out[k+1].by == Unaligned {
					continue
				}
				if c := beside(by, s); c.by != Unaligned {
					out[i] = c.through(&out[k+1], by.Name())
					again = true
					break
				}
			}
		}
	}
	return out
}

// through is a clock that leads to the time of another take, whose own clock
// leads on.
func (c clock) through(on *clock, name string) clock {
	out := clock{by: c.by, still: c.still || on.still, why: "by way of " + name + ": " + c.why}
	out.common = func(s float64) (float64, bool) {
		at, ok := c.common(s)
		if !ok {
			return 0, false
		}
		return on.common(at)
	}
	out.own = func(at float64) (float64, bool) {
		s, ok := on.own(at)
		if !ok {
			return 0, false
		}
		return c.own(s)
	}
	out.from, _ = on.common(c.from)
	out.to, _ = on.common(c.to)
	return out
}

// beside lays the take of a scan beside the first one.
func beside(first, s *Scan) clock {
	duration := s.Doc.Take.DurationS
	if s.Doc.Take.SHA256 == first.Doc.Take.SHA256 {
		return shifted(ByOwnTime, "it is the same file as the first take", 0, duration)
	}
	if c, ok := bySource(first, s); ok {
		return c
	}
	why := ""
	if first.signatures != nil && s.signatures != nil {
		c, err := byContent(first, s)
		if err == nil {
			return c
		}
		why = "by what its pictures hold, with the other take as the source: " + err.Error()
		// Recordings of two clips may have the same length.
		if errors.Is(err, align.ErrDifferent) {
			return unaligned(why)
		}
	}
	if sameLength(first, s) {
		return shifted(ByOwnTime, "it has the length and the frame rate of the first take, so that their times are taken for the same", 0, duration)
	}
	if why == "" {
		why = unalignedWhy(first, s)
	}
	return unaligned(why)
}

func unaligned(why string) clock {
	none := func(float64) (float64, bool) { return 0, false }
	return clock{by: Unaligned, why: why, common: none, own: none}
}

// byContent looks for the pictures of each of two takes in the other one: a take
// of which a part stands still may be found in the other and not the other way
// round. The error is that of the first way.
func byContent(first, s *Scan) (clock, error) {
	a, err := align.Sequences(s.signatures, first.signatures)
	from, reversed := s.signatures, false
	if err != nil {
		b, other := align.Sequences(first.signatures, s.signatures)
		if errors.Is(err, align.ErrEmpty) && errors.Is(other, align.ErrEmpty) {
			return s.stands("hardly anything shows or moves in it and in the first take, so that any time of it is any other; nothing tells whether both show the same clip"), nil
		}
		if other != nil {
			return clock{}, err
		}
		a, from, reversed = b, first.signatures, true
	}
	if a.Still {
		return s.stands("the same picture stands in it all the time as in the first take, so that any time of it is any other"), nil
	}
	// Where the place is known.
	var at []instant
	for _, t := range from.Times {
		if other, ok := a.Source(t); ok {
			at = append(at, instant{t.Seconds(), other.Seconds()})
		}
	}
	if len(at) == 0 {
		return clock{}, errors.New("none of its pictures was found in the first take")
	}
	if reversed {
		for i := range at {
			at[i].own, at[i].common = at[i].common, at[i].own
		}
	}
	slices.SortStableFunc(at, func(a, b instant) int { return cmp.Compare(a.own, b.own) })
	// The last picture stays for as long as the others do.
	lasts := (at[len(at)-1].own - at[0].own) / float64(max(len(at)-1, 1))
	c := contentClock(at, lasts, s.Doc.Take.DurationS, first.Doc.Take.DurationS, first.slowness()/s.slowness())
	c.why = fmt.Sprintf("%.0f %% of the pictures were found again, with a confidence of %.2f", 100*a.Known(), a.Confidence)
	return c, nil
}

// stands is the clock of a take in which nothing moves.
func (s *Scan) stands(why string) clock {
	c := shifted(ByContent, why, 0, s.Doc.Take.DurationS)
	c.still = true
	return c
}

// instant is a time of a take and the common time that shows the same.
type instant struct{ own, common float64 }

// reach is how far from a picture whose place is known the time goes on as it
// does there: what a fault does to a few pictures hides which they are.
const reach = 1.0 // s

// contentClock goes by instants, which are in the order of the take. What the last of
// them shows lasts for so many seconds of the take. own is the take's length, first
// that of the first take, and rate how many seconds of the latter go by in one of the
// former.
func contentClock(at []instant, lasts, own, first, rate float64) clock {
	start, end := at[0], at[len(at)-1]
	c := clock{by: ByContent, from: math.Inf(1), to: math.Inf(-1)}
	c.common = func(s float64) (float64, bool) {
		i, _ := slices.BinarySearchFunc(at, s, func(a instant, s float64) int { return cmp.Compare(a.own, s) })
		if i == len(at) || i > 0 && s-at[i-1].own < at[i].own-s {
			i--
		}
		// Before and after what both show, time goes on.
		return at[i].common + rate*(s-at[i].own), math.Abs(s-at[i].own) <= reach || s < start.own || s > end.own
	}
	c.own = func(t float64) (float64, bool) {
		// Where a clip was played in a loop, the first time.
		best := at[0]
		for _, a := range at {
			if math.Abs(a.common-t) < math.Abs(best.common-t) {
				best = a
			}
		}
		s := best.own + (t-best.common)/rate
		return s, s >= 0 && s < own && (math.Abs(best.common-t) <= reach || s < start.own || s > end.own)
	}
	for _, a := range at {
		c.from, c.to = min(c.from, a.common), max(c.to, a.common)
	}
	c.to += rate * lasts
	// What the take shows before the first one begins, or after it ends, is of the
	// same clip; what it shows instead of a part of the first one is not.
	if start.common <= reach {
		c.from = min(c.from, start.common-rate*start.own)
	}
	if end.common >= first-reach {
		c.to = max(c.to, end.common+rate*(own-end.own))
	}
	return c
}

// bySource lays two takes beside each other that were aligned to one source clip
// when they were scanned.
func bySource(first, s *Scan) (clock, bool) {
	const why = "both were aligned to the source clip when they were scanned"
	a, b := first.Doc.Alignment, s.Doc.Alignment
	if a == nil || b == nil {
		one, ok := sourceOffset(first)
		other, ok2 := sourceOffset(s)
		return shifted(BySource, why, other-one, s.Doc.Take.DurationS), ok && ok2
	}
	if a.SHA256 != b.SHA256 || a.Still || b.Still {
		return clock{}, false
	}
	var at []instant
	for _, span := range b.Spans {
		rate := b.Rate / s.slowness()
		const step = reach / 2
		add := func(t float64) {
			if common, ok := shows(first, span.SourceS+rate*(t-span.StartS)); ok {
				at = append(at, instant{t, common})
			}
		}
		for t := span.StartS; t < span.EndS; t += step {
			add(t)
		}
		add(span.EndS)
	}
	if len(at) == 0 {
		return clock{}, false
	}
	slices.SortStableFunc(at, func(a, b instant) int { return cmp.Compare(a.own, b.own) })
	c := contentClock(at, 0, s.Doc.Take.DurationS, first.Doc.Take.DurationS, first.slowness()/s.slowness())
	c.by, c.why = BySource, why
	return c, true
}

// shows is when a take first shows a time of its source.
func shows(s *Scan, source float64) (at float64, ok bool) {
	a := s.Doc.Alignment
	rate := a.Rate / s.slowness()
	for _, span := range a.Spans {
		if rate <= 0 {
			break
		}
		if at := span.StartS + (source-span.SourceS)/rate; at >= span.StartS && at <= span.EndS {
			return at, true
		}
	}
	return 0, false
}

// sourceOffset is what a take's time lacks to that of the source, from what its
// findings say; ok is false where they say nothing, or not the same, as in a
// clip that is played in a loop.
func sourceOffset(s *Scan) (offset float64, ok bool) {
	var offsets []float64
	for _, f := range s.Doc.Findings {
		if f.SourceS != nil {
			offsets = append(offsets, *f.SourceS-f.PeakS)
		}
	}
	if len(offsets) == 0 {
		return 0, false
	}
	slices.Sort(offsets)
	const agree = 0.25 // s: dropped and repeated pictures
	return offsets[len(offsets)/2], offsets[len(offsets)-1]-offsets[0] <= agree
}

// sameLength reports whether two takes are as long as each other to the
// picture: recordings of one clip from its start to its end. A camera is started
// and stopped by hand, so that nothing follows for films of a screen.
func sameLength(a, b *Scan) bool {
	p, q := a.Doc.Take, b.Doc.Take
	return !a.filmed() && !b.filmed() && p.FrameRate == q.FrameRate && p.Frames == q.Frames &&
		math.Abs(p.DurationS-q.DurationS) < math.Max(p.DurationS, q.DurationS)/float64(max(p.Frames, 1))
}

func unalignedWhy(a, b *Scan) string {
	switch {
	case a.filmed() || b.filmed():
		return "a film of a screen starts when somebody starts it, and nothing tells which of its pictures are those of the first take"
	case a.Doc.Take.FrameRate != b.Doc.Take.FrameRate:
		return fmt.Sprintf("it has %s frames a second and the first take %s, and nothing else tells which pictures are the same", b.Doc.Take.FrameRate, a.Doc.Take.FrameRate)
	}
	return fmt.Sprintf("it has %d frames and the first take %d, and nothing else tells which pictures are the same", b.Doc.Take.Frames, a.Doc.Take.Frames)
}
