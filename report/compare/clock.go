package compare

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"setwitness/detect/align"
	"setwitness/detect/signature"
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

// clocks lays the takes of all scans beside the first.
func clocks(scans []*Scan) []clock {
	out := make([]clock, len(scans))
	first := scans[0]
	for i, s := range scans {
		if i == 0 {
			out[i] = shifted(ByOwnTime, "its time is the common one", 0, s.Doc.Take.DurationS)
			continue
		}
		out[i] = beside(first, s)
	}
	return out
}

// beside lays the take of a scan beside the first one.
func beside(first, s *Scan) clock {
	duration := s.Doc.Take.DurationS
	if s.Doc.Take.SHA256 == first.Doc.Take.SHA256 {
		return shifted(ByOwnTime, "it is the same file as the first take", 0, duration)
	}
	one, ok := sourceOffset(first)
	other, ok2 := sourceOffset(s)
	if ok && ok2 {
		return shifted(BySource, "both were aligned to the source clip when they were scanned", other-one, duration)
	}
	why := ""
	if first.signatures != nil && s.signatures != nil {
		a, err := align.Sequences(s.signatures, first.signatures)
		if err == nil && a.Still {
			c := shifted(ByContent, "the same picture stands in it all the time as in the first take, so that any time of it is any other", 0, duration)
			c.still = true
			return c
		}
		if err == nil {
			return contentClock(a, s.signatures)
		}
		why = "by what its pictures hold: " + err.Error()
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

// reach is how far from a picture whose place is known the time goes on as it
// does there: what a fault does to a few pictures hides which they are.
const reach = 1.0 // s

// contentClock goes by what the pictures hold.
func contentClock(a *align.Alignment, take *signature.Sequence) clock {
	// Where the place is known: times of the take and common ones, in order of
	// the former.
	var own, common []float64
	for _, t := range take.Times {
		if at, ok := a.Source(t); ok {
			own, common = append(own, t.Seconds()), append(common, at.Seconds())
		}
	}
	c := clock{
		by:  ByContent,
		why: fmt.Sprintf("%.0f %% of its pictures were found in the first take, with a confidence of %.2f", 100*a.Known(), a.Confidence),
	}
	if len(own) == 0 {
		return unaligned("none of its pictures was found in the first take")
	}
	c.common = func(s float64) (float64, bool) {
		i := sort.SearchFloat64s(own, s)
		if i == len(own) || i > 0 && s-own[i-1] < own[i]-s {
			i--
		}
		// A picture's time is known to the picture; between two of the take it
		// goes on.
		return common[i] + s - own[i], math.Abs(s-own[i]) <= reach
	}
	c.own = func(at float64) (float64, bool) {
		// Where a clip was played in a loop, the first time.
		best := 0
		for i := range common {
			if math.Abs(common[i]-at) < math.Abs(common[best]-at) {
				best = i
			}
		}
		return own[best], math.Abs(common[best]-at) <= reach
	}
	c.from, c.to = slices.Min(common), slices.Max(common)
	if n := len(take.Times); n > 1 {
		c.to += (take.Times[n-1] - take.Times[n-2]).Seconds()
	}
	return c
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
