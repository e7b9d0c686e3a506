package main

import (
	"math"
	"path/filepath"
	"strings"
	"time"

	"setwitness/detect"
	content "setwitness/detect/align"
	"setwitness/report"
	"setwitness/report/annotate"
)

// story is what the clip tells of a finding of the take.
func (s *reviewed) story(f *report.Finding, status []string) annotate.Story {
	out := annotate.Story{Caption: annotate.Caption(f, s.doc.Conditions.Settings), Status: status}
	region, peak := f.Region, f.Region
	if f.PeakRegion != nil {
		peak = *f.PeakRegion
	}
	// What is all of the picture needs no outline, but all of a screen does that a
	// camera sees with what is round it.
	if s.filmed() || !region.Whole() {
		out.Region = s.pixels(region, seconds(f.PeakS))
	}
	if s.filmed() || !peak.Whole() {
		out.Peak = s.pixels(peak, seconds(f.PeakS))
	}
	if s.filmed() {
		out.Shape = s.film.shape(region, peak)
	}
	return out
}

// counterpart is what it tells of this take beside a finding of another, whose
// time is shifted by so much: the same fault, or that there is none.
func (s *reviewed) counterpart(f *report.Finding, shift time.Duration, status []string) annotate.Story {
	start, end := f.StartS+shift.Seconds(), f.EndS+shift.Seconds()
	slack := 2 * s.period(seconds(start)).Seconds()
	var same *report.Finding
	for i := range s.doc.Findings {
		o := &s.doc.Findings[i]
		if o.Kind == f.Kind && o.StartS <= end+slack && o.EndS >= start-slack && (same == nil || o.Strength.Value > same.Strength.Value) {
			same = o
		}
	}
	if same != nil {
		return s.story(same, status)
	}
	// The eye is to look at the same place.
	moved := *f
	moved.PeakS += shift.Seconds()
	out := s.story(&moved, status)
	out.Caption = []string{s.none(f.Kind), "at " + report.Clock(max(start, 0))} // this take may begin later
	if settings := annotate.Settings(s.doc.Conditions.Settings); settings != "" {
		out.Caption = append(out.Caption, settings)
	}
	return out
}

// none says what it is worth that a kind was not found.
func (s *reviewed) none(k detect.Kind) string {
	name := strings.ToLower(report.KindName(k))
	for _, c := range s.doc.Coverage {
		if c.Kind == k && c.State == detect.NotExaminable {
			return "Could not be examined for " + name
		}
	}
	return "No " + name + " found"
}

// beside says how the times of a take are those of another.
type beside struct {
	a, b *reviewed
	// content is where pictures of a are in b, nil where that cannot be told, for
	// which why says the reason.
	content *content.Alignment
	why     string
	// sourced is set where both were aligned to their source by the scan.
	sourced bool
}

// layBeside finds out how to show two takes at the same time of what was played:
// by the times of the source, if the scans knew it, else by what the pictures
// hold, else by the takes' own times.
func layBeside(a, b *reviewed) *beside {
	s := &beside{a: a, b: b}
	_, from := sourceOffset(a.doc, 0)
	_, to := sourceOffset(b.doc, 0)
	if s.sourced = from && to; s.sourced {
		return s
	}
	var err error
	if s.content, err = contentOf(a.folder, b.folder); err != nil {
		s.why = err.Error()
	}
	return s
}

func contentOf(a, b string) (*content.Alignment, error) {
	left, err := report.ReadSignatures(filepath.Join(a, signaturesName))
	if err != nil {
		return nil, err
	}
	right, err := report.ReadSignatures(filepath.Join(b, signaturesName))
	if err != nil {
		return nil, err
	}
	return content.Sequences(left, right)
}

// shift is what has to be added to a time of a for the same time in b, and ok is
// false where that is a guess.
func (s *beside) shift(at time.Duration) (shift time.Duration, ok bool) {
	switch {
	case s.sourced:
		from, _ := sourceOffset(s.a.doc, at.Seconds())
		to, _ := sourceOffset(s.b.doc, at.Seconds())
		return seconds(from - to), true
	case s.content != nil:
		return s.byContent(at)
	}
	return 0, false
}

// byContent is shift by what the pictures hold. Which picture of b is that of a
// moment is known to the picture, and at another rate it may be the one before or the
// one behind by turns: the mean over pictures before and behind, as many of either as
// one of the takes may play slower, says where between.
func (s *beside) byContent(at time.Duration) (time.Duration, bool) {
	there, ok := s.content.Source(at)
	if !ok {
		return 0, false
	}
	const either = 8 // pictures before and behind
	sum, n := there-at, 1
	step, apart := s.a.period(at), 2*s.b.period(there)
	for k := 1; k <= either; k++ {
		before, known := s.content.Source(at - time.Duration(k)*step)
		behind, also := s.content.Source(at + time.Duration(k)*step)
		mid := (before + behind) / 2
		if !known || !also || (mid-there).Abs() > apart {
			break // a cut, or the end
		}
		sum += mid - at
		n++
	}
	return sum / time.Duration(n), true
}

// sourceOffset is what has to be added to the time of a take for that of the
// source, by its finding nearest to a time.
func sourceOffset(doc *report.Findings, at float64) (float64, bool) {
	best, near := 0.0, math.Inf(1)
	for _, f := range doc.Findings {
		if f.SourceS != nil && math.Abs(f.PeakS-at) < near {
			best, near = *f.SourceS-f.PeakS, math.Abs(f.PeakS-at)
		}
	}
	return best, !math.IsInf(near, 1)
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
