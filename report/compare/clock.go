package compare

import (
	"fmt"
	"math"
	"slices"
)

// clock leads from the time of a take to the common time.
type clock struct {
	by  Alignment
	why string
	// common is the common time at a time of the take; ok is false where the
	// take has nothing that the others have.
	common   func(s float64) (at float64, ok bool)
	from, to float64 // stretch of common time that the take covers
}

// shifted is a clock that differs by a constant.
func shifted(by Alignment, why string, offset, duration float64) clock {
	return clock{by, why, func(s float64) (float64, bool) { return s + offset, true }, offset, offset + duration}
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
	return f.Peak >= from && f.Peak <= to || min(f.End, to)-max(f.Start, from) >= (f.End-f.Start)/2
}

// clocks lays the takes of all scans beside each other. The common time is that
// of the source where the first take is aligned with it, else that of the first
// take. sourced says which.
func clocks(scans []*Scan) (out []clock, sourced bool) {
	out = make([]clock, len(scans))
	first := scans[0]
	offset, sourced := sourceOffset(first)
	for i, s := range scans {
		duration := s.Doc.Take.DurationS
		own, ok := sourceOffset(s)
		switch {
		case i == 0 && !sourced:
			out[i] = shifted(ByOwnTime, "its time is the common one", 0, duration)
		case sourced && ok:
			out[i] = shifted(BySource, "it was aligned to the source clip when it was scanned", own, duration)
		case sameTake(first, s):
			out[i] = shifted(ByOwnTime, "it is the same file as the first take", offset, duration)
		case sameLength(first, s):
			out[i] = shifted(ByOwnTime, "it has the length and the frame rate of the first take, so that their times are taken for the same", offset, duration)
		default:
			out[i] = clock{by: Unaligned, why: unalignedWhy(first, s), common: func(float64) (float64, bool) { return 0, false }}
		}
	}
	return out, sourced
}

// sourceOffset is what a take's time lacks to that of the source, from what its
// findings say.
func sourceOffset(s *Scan) (float64, bool) {
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
	return offsets[len(offsets)/2], true
}

func sameTake(a, b *Scan) bool { return a.Doc.Take.SHA256 == b.Doc.Take.SHA256 }

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
