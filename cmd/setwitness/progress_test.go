package main

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"setwitness/detect"
	"setwitness/report"
)

func TestProgress(t *testing.T) {
	var b bytes.Buffer
	now := time.Unix(0, 0)
	clock := func() time.Time { return now }
	p := newProgress(streams{err: &b, errColumns: 100}, clock, "match.mp4", time.Minute)
	p.at(0)
	now = now.Add(10 * time.Millisecond)
	p.at(time.Second) // too soon
	now = now.Add(10 * time.Second)
	p.at(30 * time.Second)
	lines := strings.Split(b.String(), "\r")
	if len(lines) != 3 {
		t.Fatalf("drew %q", b.String())
	}
	if got := lines[2]; got != "match.mp4  [==============              ]  50 %  3.0 times real time  0:10 left\x1b[K" {
		t.Errorf("drew %q", got)
	}
	p.clear()
	p.clear()
	if !strings.HasSuffix(b.String(), "left\x1b[K\r\x1b[K") {
		t.Errorf("clearing ends with %q", b.String())
	}

	// Without a terminal nothing is drawn.
	b.Reset()
	p = newProgress(streams{err: &b}, clock, "match.mp4", time.Minute)
	p.at(time.Second)
	p.clear()
	if b.Len() != 0 {
		t.Errorf("drew %q without a terminal", b.String())
	}
}

// The bar fits any terminal, with any name, and without a length.
func TestProgressFits(t *testing.T) {
	for _, total := range []time.Duration{0, time.Hour} {
		for columns := 1; columns < 130; columns++ {
			p := newProgress(streams{errColumns: columns}, time.Now, strings.Repeat("é", 60)+"\n\x1b[2J", total)
			line := p.line(2*time.Hour, 3*time.Second)
			if n := utf8.RuneCountInString(line); n >= columns && columns > 1 {
				t.Fatalf("%d columns: a line of %d: %q", columns, n, line)
			}
			if strings.ContainsAny(line, "\n\x1b") {
				t.Fatalf("a name reaches the terminal as a command: %q", line)
			}
		}
	}
}

func TestTable(t *testing.T) {
	doc := &report.Findings{
		Take: report.Take{Path: "match\x1b[31m.mp4", Width: 1920, Height: 1080, Codec: "h264", Scan: report.Progressive, DurationS: 12},
		Coverage: []report.Coverage{
			{Kind: detect.Combing, State: detect.Examined, Seconds: 12, Floor: &report.Quantity{Value: 2.1, Unit: "%"}},
			{Kind: detect.Vignetting, State: detect.NotExaminable, Why: report.NotBuilt},
		},
		View:     report.View{Kind: "screen", Why: "four straight sides", Camera: &report.Camera{Capture: "240 frames a second", Refresh: "50 pictures a second"}},
		Warnings: []string{"the file is cut short"},
	}
	plain := table(doc, "out/report.html", false)
	for _, want := range []string{"nothing found", "combing: examined for 12.0 s; anything above 2.1 % would have shown.", "not examined (not built yet): vignetting", "mind: the file is cut short",
		"a film of a screen: four straight sides", "camera: 240 frames a second", "set: 50 pictures a second", "report: out/report.html"} {
		if !strings.Contains(plain, want) {
			t.Errorf("the table lacks %q:\n%s", want, plain)
		}
	}
	if strings.Contains(plain, "\x1b") {
		t.Error("an escape code reaches the table")
	}
	for i := range mostRows + 5 {
		doc.Findings = append(doc.Findings, report.Finding{ID: "f" + strings.Repeat("0", i%3), Kind: detect.Combing, Strength: report.Quantity{Value: float64(i), Unit: "%"}})
	}
	full := table(doc, "out/report.html", true)
	if !strings.Contains(full, "and 5 more") || strings.Count(full, " combing ") != mostRows {
		t.Errorf("%d rows:\n%s", strings.Count(full, " combing "), full)
	}
	if n := strings.Count(full, "is woven from the lines of two instants"); n != mostSaid {
		t.Errorf("%d findings are said in words", n)
	}
	// Columns stand below their headings, whatever their width.
	rows := strings.Split(regexp.MustCompile(`\x1b\[[0-9]m`).ReplaceAllString(full, ""), "\n")
	at := strings.Index(rows[4], "kind")
	for _, r := range rows[5 : 5+mostRows] {
		if strings.Index(r, "combing") != at {
			t.Errorf("the kind does not stand below its heading: %q", r)
		}
	}
}
