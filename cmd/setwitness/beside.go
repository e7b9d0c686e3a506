package main

import (
	"math"
	"strings"
	"time"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/annotate"
)

// story is what the clip tells of a finding of the take.
func (s *reviewed) story(f *report.Finding, status []string) annotate.Story {
	out := annotate.Story{Caption: annotate.Caption(f, s.doc.Conditions.Settings), Status: status}
	if f.Region.Whole() {
		return out
	}
	out.Region = s.pixels(f.Region, seconds(f.PeakS))
	if f.PeakRegion != nil {
		out.Peak = s.pixels(*f.PeakRegion, seconds(f.PeakS))
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
	out.Caption = []string{s.none(f.Kind), "at " + report.Clock(start)}
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

// shiftTo returns what has to be added to the time of a finding in one take for
// the same time of the source in another: by what the nearest findings know of
// the source, else the takes are taken to have been started together.
func shiftTo(a, b *report.Findings, f *report.Finding) time.Duration {
	from, ok := sourceOffset(a, f.PeakS)
	if !ok {
		return 0
	}
	to, ok := sourceOffset(b, f.PeakS)
	if !ok {
		return 0
	}
	return seconds(from - to)
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

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
