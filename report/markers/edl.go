package markers

import (
	"cmp"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"setwitness/detect"
)

// Bounds of a CMX 3600 list: events are numbered with three digits, and a line
// is as wide as the terminal was (common practice, no source).
const edlEvents, edlColumns, edlTitle = 999, 80, 70

// reel is that of files, which have none (common practice, no source).
const reel = "AX"

// locators are the colours of the locators, by name; editing programs have no
// more than these (common practice, no source).
var locators = map[detect.Kind]string{
	detect.Combing: "CYAN", detect.Ghost: "MAGENTA", detect.CadenceBreak: "YELLOW", detect.NearBlackBanding: "BLUE",
	detect.Macroblocking: "RED", detect.Posterisation: "GREEN", detect.ColumnStreaks: "WHITE", detect.Vignetting: "BLACK",
	detect.LimiterStep: "WHITE",
}

// event is a stretch of the list with the findings that begin in its first
// label.
type event struct {
	in, out int
	markers []Marker
}

// WriteEDL writes the findings as a CMX 3600 edit decision list: the stretches of
// the take where they show, each at its own place on the time line, one after the
// other. Where findings overlap, an event ends where the next one begins; each
// finding has a locator, and comments that say its true times and what it is.
// The most worth looking at are taken where there are more than a list can hold.
func (l *List) WriteEDL(w io.Writer) error {
	var b strings.Builder
	line := func(format string, a ...any) { b.WriteString(ascii(fmt.Sprintf(format, a...)) + "\r\n") }
	line("TITLE: %.*s", edlTitle, ascii("Findings of "+l.Name))
	if l.Count.Drop() {
		line("FCM: DROP FRAME")
	} else {
		line("FCM: NON-DROP FRAME")
	}
	events, left := l.events()
	comment := func(head, text string) {
		for _, part := range wrap(ascii(text), edlColumns-len("* ")-len(head)) {
			line("* %s%s", head, part)
		}
	}
	for _, n := range l.Notes {
		comment("", n)
	}
	if left > 0 {
		comment("", fmt.Sprintf("A list holds %d events: %d findings of lower rank are not in it.", edlEvents, left))
	}
	for i, e := range events {
		in, out := l.Label(e.in), l.Label(e.out)
		line("%03d  %-8s V     C        %s %s %s %s", i+1, reel, in, out, in, out)
		line("* FROM CLIP NAME: %s", l.Name)
		for _, m := range e.markers {
			line("* LOC: %s %-7s %s", in, locators[m.Kind], m.title())
			comment(m.ID+": ", fmt.Sprintf("%s to %s, peak %s, confidence %.2f", l.Label(m.In), l.Label(m.Out), l.Label(m.Peak), m.Confidence))
			comment(m.ID+": ", m.Sentence)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// events groups the findings, and says how many are left out.
func (l *List) events() (events []event, left int) {
	ranked := slices.SortedFunc(slices.Values(l.Markers), func(a, b Marker) int { return cmp.Compare(a.Rank, b.Rank) })
	starts := map[int]bool{}
	taken := map[string]bool{}
	for _, m := range ranked {
		if !starts[m.In] && len(starts) == edlEvents {
			left++
			continue
		}
		starts[m.In], taken[m.ID] = true, true
	}
	for _, m := range l.Markers {
		if !taken[m.ID] {
			continue
		}
		if n := len(events); n > 0 {
			e := &events[n-1]
			if e.in == m.In {
				e.out, e.markers = max(e.out, m.Out), append(e.markers, m)
				continue
			}
			e.out = min(e.out, m.In)
		}
		events = append(events, event{m.In, m.Out, []Marker{m}})
	}
	return events, left
}

var numbered = regexp.MustCompile(`[0-9]{3}$`)

var plainer = strings.NewReplacer("×", "x", "²", "2", "Δ", "d", "°", " deg", "–", "-", "’", "'")

// ascii writes a text in the letters that a list has.
func ascii(s string) string {
	return strings.Map(func(r rune) rune {
		if r > '~' {
			return '?'
		}
		return r
	}, oneLine(plainer.Replace(s)))
}

// wrap breaks a text into lines of so many columns, and breaks a longer word. A line
// ends behind a number of three digits: readers exist that take one with words behind
// it, wherever it stands, for that of an event.
func wrap(s string, columns int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		if numbered.MatchString(line) {
			lines, line = append(lines, line), ""
		}
		for len(word) > columns {
			if line != "" {
				lines, line = append(lines, line), ""
			}
			lines, word = append(lines, word[:columns]), word[columns:]
		}
		switch {
		case line == "":
			line = word
		case len(line)+1+len(word) <= columns:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}
