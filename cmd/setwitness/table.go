package main

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"setwitness/detect"
	"setwitness/report"
)

// mostRows of findings are listed and mostSaid of them said in words; the page
// has them all.
const mostRows, mostSaid = 20, 3

// table is what a person at a terminal is told of a take.
func table(doc *report.Findings, pagePath string, colour bool) string {
	bold, dim, off := "", "", ""
	if colour {
		bold, dim, off = "\x1b[1m", "\x1b[2m", "\x1b[0m"
	}
	var b strings.Builder
	t := doc.Take
	fmt.Fprintf(&b, "%s%s%s  %d x %d %s, %s, %s\n", bold, oneLine(t.Path), off, t.Width, t.Height, t.Codec, t.Scan, report.Length(t.DurationS))
	if v := doc.View; v.Why != "" {
		kind := "a direct take"
		if v.Kind == "screen" {
			kind = "a film of a screen"
		}
		fmt.Fprintf(&b, "  %s%s:%s %s\n", dim, kind, off, oneLine(v.Why))
	}
	if c := doc.View.Camera; c != nil {
		fmt.Fprintf(&b, "  %scamera:%s %s\n", dim, off, oneLine(c.Capture))
		if c.Refresh != "" {
			fmt.Fprintf(&b, "  %sset:%s %s\n", dim, off, oneLine(c.Refresh))
		}
	}
	if a := doc.Alignment; a != nil {
		fmt.Fprintf(&b, "  %ssource:%s %s: %s\n", dim, off, oneLine(a.Path), oneLine(a.Words()))
	}
	if r := doc.Reference; r != nil {
		fmt.Fprintf(&b, "  %sbeside it:%s %s\n", dim, off, oneLine(r.Words()))
	}
	switch {
	case len(doc.Findings) == 0 && doc.Reference.Differs():
		b.WriteString("  no findings; beside the source:\n")
	case len(doc.Findings) == 0:
		b.WriteString("  nothing found\n")
	default:
		rows := [][]string{{"", "time", "kind", "strength", "visibility", "sure", "where"}}
		if doc.Alignment != nil {
			rows[0] = append(rows[0], "origin")
		}
		for _, f := range doc.Findings[:min(len(doc.Findings), mostRows)] {
			rows = append(rows, []string{
				f.ID, report.Clock(f.PeakS), string(f.Kind), f.Strength.String(),
				report.Number(f.VisibilityJND) + " JND", fmt.Sprintf("%.2f", f.Confidence), f.Region.Where(),
			})
			if doc.Alignment != nil {
				rows[len(rows)-1] = append(rows[len(rows)-1], f.Origin.Verdict)
			}
		}
		for i, line := range align(rows) {
			if i == 0 {
				line = dim + line + off
			}
			b.WriteString("  " + line + "\n")
		}
		if more := len(doc.Findings) - mostRows; more > 0 {
			fmt.Fprintf(&b, "  and %d more in the report\n", more)
		}
		for i := range doc.Findings[:min(len(doc.Findings), mostSaid)] {
			f := &doc.Findings[i]
			fmt.Fprintf(&b, "  %s%s:%s %s\n", dim, f.ID, off, oneLine(report.Sentence(doc, f)))
		}
	}
	if r := doc.Reference; r != nil {
		for i := range r.Differences[:min(len(r.Differences), mostSaid)] {
			d := &r.Differences[i]
			fmt.Fprintf(&b, "  %s%s:%s %s\n", dim, d.ID, off, oneLine(d.Sentence()))
		}
		if more := len(r.Differences) - mostSaid; more > 0 {
			fmt.Fprintf(&b, "  and %d more differences from the source in the report\n", more)
		}
	}
	if len(doc.Findings) > 0 || doc.Reference.Differs() {
		fmt.Fprintf(&b, "  %svisibility for:%s %s\n", dim, off, oneLine(doc.Conditions.String()))
	}
	var resting []string
	for _, c := range doc.Coverage {
		if c.State == detect.NotExaminable && c.Why == report.NotBuilt {
			resting = append(resting, string(c.Kind))
			continue
		}
		fmt.Fprintf(&b, "  %s%s:%s %s\n", dim, c.Kind, off, oneLine(c.Words()))
	}
	if len(resting) > 0 {
		fmt.Fprintf(&b, "  %snot examined (%s): %s%s\n", dim, report.NotBuilt, strings.Join(resting, ", "), off)
	}
	for _, w := range doc.Warnings {
		fmt.Fprintf(&b, "  %smind:%s %s\n", bold, off, oneLine(w))
	}
	if pagePath != "" {
		fmt.Fprintf(&b, "  report: %s\n", oneLine(pagePath))
	}
	return b.String()
}

// align pads columns to the same width.
func align(rows [][]string) []string {
	wide := make([]int, len(rows[0]))
	for _, r := range rows {
		for i, c := range r {
			wide[i] = max(wide[i], utf8.RuneCountInString(c))
		}
	}
	out := make([]string, len(rows))
	for k, r := range rows {
		var b strings.Builder
		for i, c := range r {
			b.WriteString(c)
			if i < len(r)-1 {
				b.WriteString(strings.Repeat(" ", wide[i]-utf8.RuneCountInString(c)+2))
			}
		}
		out[k] = b.String()
	}
	return out
}

// counts states how many of each there are.
func counts[K ~string](n map[K]int, order []K) string {
	var words []string
	for _, k := range order {
		if n[k] > 0 {
			words = append(words, fmt.Sprintf("%d %s", n[k], k))
		}
	}
	if len(words) == 0 {
		return "nothing"
	}
	return strings.Join(words, ", ")
}
