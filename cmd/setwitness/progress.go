package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"setwitness/report"
)

// progress is a bar on a terminal that says how far a scan is, how fast it
// goes and how long it will take. Without a terminal it is silent.
type progress struct {
	w       io.Writer
	columns int
	now     func() time.Time
	label   string
	total   time.Duration // of the take, 0 when the file does not say

	start, shown time.Time
	drawn        bool
}

const (
	drawEvery  = 100 * time.Millisecond // smooth, and no work to speak of
	barColumns = 28
)

func newProgress(s streams, now func() time.Time, label string, total time.Duration) *progress {
	return &progress{w: s.err, columns: s.errColumns, now: now, label: oneLine(label), total: total, start: now()}
}

// at draws that the scan has come to a time of the take.
func (p *progress) at(t time.Duration) {
	if p.columns == 0 {
		return
	}
	now := p.now()
	if now.Sub(p.shown) < drawEvery {
		return
	}
	p.shown = now
	p.drawn = true
	fmt.Fprint(p.w, "\r"+p.line(t, now.Sub(p.start))+"\x1b[K")
}

func (p *progress) line(t, spent time.Duration) string {
	speed := 0.0
	if spent > 0 {
		speed = t.Seconds() / spent.Seconds()
	}
	var s string
	if p.total > 0 {
		share := min(max(t.Seconds()/p.total.Seconds(), 0), 1)
		full := int(share * barColumns)
		s = fmt.Sprintf("  [%s%s] %3.0f %%", strings.Repeat("=", full), strings.Repeat(" ", barColumns-full), 100*share)
	} else {
		s = "  at " + report.Clock(t.Seconds())
	}
	if speed > 0 {
		s += fmt.Sprintf("  %.1f times real time", speed)
		if left := p.total - t; p.total > 0 && left >= 0 {
			s += "  " + brief(time.Duration(float64(left)/speed)) + " left"
		}
	}
	// The label gives way to the numbers, and all of it to the terminal.
	room := p.columns - 1 - len([]rune(s))
	label := []rune(p.label)
	if len(label) > max(room, 0) {
		label = label[:max(room, 0)]
	}
	line := []rune(string(label) + s)
	if len(line) > p.columns-1 {
		line = line[:max(p.columns-1, 0)]
	}
	return string(line)
}

// clear removes the bar.
func (p *progress) clear() {
	if p.drawn {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.drawn = false
	}
}

// brief states how long something takes, to the second.
func brief(d time.Duration) string {
	s := int(d.Round(time.Second).Seconds())
	if s >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}
