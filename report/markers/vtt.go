package markers

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// WriteVTT writes the findings as WebVTT chapters (W3C WebVTT: a file that uses
// chapter title text and only nested cues), and says each before its chapter. Of
// two findings that overlap without one lying inside the other, the chapter of
// the earlier ends where the later begins; two of the same stretch share one.
// The sentences state the true times.
func (l *List) WriteVTT(w io.Writer) error {
	var b strings.Builder
	b.WriteString("WEBVTT\n\nNOTE\n" + vttNote("Findings of "+l.Name+".") + "\n")
	for _, n := range l.Notes {
		b.WriteString(vttNote(n) + "\n")
	}
	for _, c := range l.cues() {
		b.WriteString("\nNOTE\n")
		var ids, titles []string
		for _, m := range c.markers {
			b.WriteString(vttNote(m.Sentence) + "\n")
			ids, titles = append(ids, m.ID), append(titles, m.title())
		}
		fmt.Fprintf(&b, "\n%s\n%s --> %s\n%s\n", vttNote(strings.Join(ids, " ")), vttTime(c.from), vttTime(c.to), vttText.Replace(oneLine(strings.Join(titles, "; "))))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// cue is a stretch of time in ms.
type cue struct {
	from, to int64
	markers  []Marker
}

func (l *List) cues() []cue {
	var out []cue
	var open []int // cues of out that the next may lie in, from the outermost on
	for _, m := range l.Markers {
		c := cue{from: ms(m.StartS), to: ms(m.EndS), markers: []Marker{m}}
		// A cue ends after it begins.
		c.to = max(c.to, c.from+1)
		for len(open) > 0 {
			o := &out[open[len(open)-1]]
			if o.to > c.from {
				if o.to >= c.to {
					break
				}
				if o.from < c.from {
					o.to = c.from
				} else {
					// They begin together: the longer one is the outer.
					c.to = o.to
					break
				}
			}
			open = open[:len(open)-1]
		}
		open = append(open, len(out))
		out = append(out, c)
	}
	// One that was cut short may have become like one inside it.
	first := map[[2]int64]int{}
	kept := out[:0]
	for _, c := range out {
		k := [2]int64{c.from, c.to}
		if i, ok := first[k]; ok {
			kept[i].markers = append(kept[i].markers, c.markers...)
			continue
		}
		first[k] = len(kept)
		kept = append(kept, c)
	}
	return kept
}

func ms(s float64) int64 { return int64(math.Round(max(s, 0) * 1000)) }

func vttTime(ms int64) string {
	return fmt.Sprintf("%02d:%02d:%02d.%03d", ms/3_600_000, ms/60_000%60, ms/1000%60, ms%1000)
}

var vttText = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

// vttNote keeps a comment or a name from looking like the times of a cue.
func vttNote(s string) string { return strings.ReplaceAll(oneLine(s), "-->", "->") }
