// Package markers writes the findings of a take as markers for editing programs
// and players: WebVTT chapters, a CMX 3600 edit decision list, OpenTimelineIO
// and a table of comma-separated values.
//
// In: a findings document and the time code of a time line. Out: the four
// files. Times become labels of the time line; what is said of a finding is
// report.Sentence.
package markers

import (
	"cmp"
	"fmt"
	"math"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"setwitness/report"
	"setwitness/report/timecode"
)

// List is what the files are written from.
type List struct {
	Name    string         // of the take
	Media   string         // where the take is, seen from the file, with slashes
	Count   timecode.Count // of the time line
	Start   int            // number of the label that the first frame of the take has
	Length  int            // labels that the take lasts
	Notes   []string       // how times became labels
	Markers []Marker       // in the order of time
}

// Marker is one finding on the time line. In, Peak and Out are labels from the
// first frame of the take on; Out is the first that does not show it.
type Marker struct {
	*report.Finding
	Rank          int // 1 for the most worth looking at
	In, Peak, Out int
	Sentence      string
}

// jitter is how far, in labels, a time may lie before a label and still belong to
// it: files count in thousandths of a second, which is a sixteenth of a label at
// 60 a second.
const jitter = 0.1

// New lays the findings of doc on a time line that counts as c does. start is the
// label of the take's first frame; media is where the take is, seen from the
// files.
func New(doc *report.Findings, c timecode.Count, start, media string) (*List, error) {
	first, err := c.Picture(start)
	if err != nil {
		return nil, err
	}
	at := func(s float64) int { return int(math.Floor(max(s, 0)*c.Rate() + jitter)) }
	l := &List{Name: filepath.Base(doc.Take.Path), Media: path.Clean(filepath.ToSlash(media)), Count: c, Start: first, Length: 1}
	length := doc.Take.DurationS
	for i := range doc.Findings {
		f := &doc.Findings[i]
		m := Marker{Finding: f, Rank: i + 1, In: at(f.StartS), Peak: at(f.PeakS), Sentence: report.Sentence(doc, f)}
		m.Out = max(int(math.Ceil(f.EndS*c.Rate()-jitter)), m.Peak+1)
		l.Markers = append(l.Markers, m)
		length = max(length, f.EndS)
		l.Length = max(l.Length, m.Out)
	}
	l.Length = max(l.Length, int(math.Ceil(length*c.Rate()-jitter)))
	if first+l.Length > c.Day() {
		return nil, fmt.Errorf("time code from %s runs past midnight in this take", start)
	}
	slices.SortStableFunc(l.Markers, func(a, b Marker) int { return cmp.Or(cmp.Compare(a.StartS, b.StartS), cmp.Compare(b.EndS, a.EndS)) })
	l.Notes = notes(doc, c, c.Label(first))
	return l, nil
}

// Label is the label that lies n after that of the take's first frame.
func (l *List) Label(n int) string { return l.Count.Label(l.Start + n) }

// notes say how the times of a take became labels.
func notes(doc *report.Findings, c timecode.Count, start string) []string {
	out := []string{fmt.Sprintf("Time code counts %s; the first frame of the take is %s.", c, start)}
	if doc.Take.VariableFrameRate {
		out = append(out, "The frames of the file do not follow evenly: each time of the file was put on the even time line, to the label at or before it.")
		return out
	}
	rate := RateOf(doc.Take.FrameRate)
	if rate == 0 {
		return append(out, "The file states no frame rate: each time was put on the time line, to the label at or before it.")
	}
	const same = 0.0002 // as a share; files state rates with two or three digits after the point
	whole := func(v float64) bool { return math.Round(v) >= 1 && math.Abs(v/math.Round(v)-1) < same }
	frames, labels := rate/c.Rate(), c.Rate()/rate
	switch {
	case math.Abs(frames-1) < same:
	case whole(frames):
		out = append(out, fmt.Sprintf("The file has %s frames a second, which no time code counts here: %.0f of its frames share a label.", report.Number(rate), frames))
	case whole(labels):
		out = append(out, fmt.Sprintf("The file has %s frames a second: each of them has %.0f labels.", report.Number(rate), labels))
	default:
		out = append(out, fmt.Sprintf("The file has %s frames a second: each time was put on the time line, to the label at or before it.", report.Number(rate)))
	}
	return out
}

// RateOf reads the rate of a document, "30000/1001", as a number; 0 where there
// is none.
func RateOf(s string) float64 {
	n, d := Fraction(s)
	if n <= 0 || d <= 0 {
		return 0
	}
	return float64(n) / float64(d)
}

// Fraction reads a rate of a document as its two numbers; zeros where there is
// none.
func Fraction(s string) (num, den int) {
	if n, err := fmt.Sscanf(s, "%d/%d", &num, &den); err != nil || n != 2 {
		return 0, 0
	}
	return num, den
}

// title names a marker in a few words.
func (m Marker) title() string {
	return fmt.Sprintf("%s %s, %s", m.ID, report.KindName(m.Kind), m.Strength)
}

// oneLine keeps a text of a document on its line.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, s)
}
