package markers

import (
	"encoding/csv"
	"io"
	"strconv"
)

var columns = []string{
	"id", "kind", "start_s", "peak_s", "end_s", "source_s", "start_timecode", "peak_timecode", "end_timecode", "start_frame", "peak_frame", "end_frame",
	"strength", "unit", "visibility_jnd", "confidence", "region", "region_x", "region_y", "region_w", "region_h", "origin", "sentence",
}

// WriteCSV writes the findings as a table (RFC 4180), in the order of time. Frames
// are those of the file; the end is the first instant and label that does not
// show the finding, and the last frame that does.
func (l *List) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	num := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	rows := [][]string{columns}
	for _, m := range l.Markers {
		source := "" // not known
		if m.SourceS != nil {
			source = num(*m.SourceS)
		}
		rows = append(rows, []string{
			oneLine(m.ID), string(m.Kind), num(m.StartS), num(m.PeakS), num(m.EndS), source, l.Label(m.In), l.Label(m.Peak), l.Label(m.Out),
			strconv.Itoa(m.StartFrame), strconv.Itoa(m.PeakFrame), strconv.Itoa(m.EndFrame),
			num(m.Strength.Value), m.Strength.Unit, num(m.VisibilityJND), num(m.Confidence),
			m.Region.Where(), num(m.Region.X), num(m.Region.Y), num(m.Region.W), num(m.Region.H), m.Origin.Verdict, m.Sentence,
		})
	}
	return c.WriteAll(rows)
}
