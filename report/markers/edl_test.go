package markers

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/timecode"
)

// decision is one event of a list, as it was read.
type decision struct {
	reel, clip string
	in, out    int // source
	at, to     int // record
	locators   []locator
	comments   []string
}

type locator struct {
	at           int
	colour, text string
}

var (
	// Columns as in the lists that OpenTimelineIO has for its tests
	// (tests/sample_data/screening_example.edl): number, reel of eight letters,
	// channel, transition, then source in and out and record in and out.
	eventLine = regexp.MustCompile(`^(\d{3})  (.{8}) V     C        (\S+) (\S+) (\S+) (\S+)$`)
	// The importer of Debian's openshot-qt looks for events by these, anywhere in a line.
	digitsBeforeWords = regexp.MustCompile(`\d{3} `)

	locatorLine = regexp.MustCompile(`^\* LOC: (\S+) ([A-Z]{3,7}) +(.+)$`)
)

// readEDL reads a CMX 3600 list and is strict about it.
func readEDL(text string, c timecode.Count) ([]decision, error) {
	lines := strings.Split(text, "\r\n")
	if lines[len(lines)-1] != "" || strings.ContainsAny(strings.ReplaceAll(text, "\r\n", ""), "\r\n") {
		return nil, fmt.Errorf("lines do not end in CR LF")
	}
	lines = lines[:len(lines)-1]
	mode := "FCM: NON-DROP FRAME"
	if c.Drop() {
		mode = "FCM: DROP FRAME"
	}
	if len(lines) < 2 || !strings.HasPrefix(lines[0], "TITLE: ") || len(lines[0]) > len("TITLE: ")+70 || lines[1] != mode {
		return nil, fmt.Errorf("the list begins %q", lines[:min(len(lines), 2)])
	}
	var out []decision
	for _, line := range lines[2:] {
		for _, r := range line {
			if r < ' ' || r > '~' {
				return nil, fmt.Errorf("%q has letters beyond ASCII", line)
			}
		}
		if m := eventLine.FindStringSubmatch(line); m != nil {
			if m[1] != fmt.Sprintf("%03d", len(out)+1) {
				return nil, fmt.Errorf("event %s is number %d", m[1], len(out)+1)
			}
			d := decision{reel: strings.TrimSpace(m[2])}
			for i, to := range []*int{&d.in, &d.out, &d.at, &d.to} {
				n, err := c.Picture(m[3+i])
				if err != nil {
					return nil, err
				}
				if c.Drop() != strings.Contains(m[3+i], ";") {
					return nil, fmt.Errorf("%s does not say how it counts", m[3+i])
				}
				*to = n
			}
			switch {
			case d.out <= d.in || d.out-d.in != d.to-d.at:
				return nil, fmt.Errorf("%q: lengths differ or are none", line)
			case len(out) > 0 && d.at < out[len(out)-1].to:
				return nil, fmt.Errorf("%q begins before the event before it ends", line)
			}
			out = append(out, d)
			continue
		}
		if !strings.HasPrefix(line, "* ") {
			return nil, fmt.Errorf("%q is neither an event nor a comment", line)
		}
		if len(out) == 0 {
			continue
		}
		d := &out[len(out)-1]
		switch {
		case strings.HasPrefix(line, "* FROM CLIP NAME: "):
			if d.clip != "" {
				return nil, fmt.Errorf("%q: a second clip name", line)
			}
			d.clip = strings.TrimPrefix(line, "* FROM CLIP NAME: ")
		case strings.HasPrefix(line, "* LOC:"):
			m := locatorLine.FindStringSubmatch(line)
			if m == nil {
				return nil, fmt.Errorf("%q is no locator", line)
			}
			at, err := c.Picture(m[1])
			if err != nil || at < d.at || at >= d.to {
				return nil, fmt.Errorf("%q lies outside its event (%v)", line, err)
			}
			d.locators = append(d.locators, locator{at, m[2], m[3]})
		default:
			if len(line) > 80 {
				return nil, fmt.Errorf("%q is longer than 80 columns", line)
			}
			if digitsBeforeWords.MatchString(line) {
				return nil, fmt.Errorf("%q can be taken for an event", line)
			}
			d.comments = append(d.comments, strings.TrimPrefix(line, "* "))
		}
	}
	return out, nil
}

// checkEDL holds a list against the findings.
func checkEDL(t *testing.T, l *List) []decision {
	t.Helper()
	text := written(t, l.WriteEDL)
	got, err := readEDL(text, l.Count)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	seen := map[string]int{}
	for _, d := range got {
		if d.reel == "" || len(d.reel) > 8 || d.clip == "" || d.in != d.at {
			t.Errorf("event %+v", d)
		}
		for _, o := range d.locators {
			id, _, _ := strings.Cut(o.text, " ")
			seen[id]++
			for _, m := range l.Markers {
				if m.ID == id && l.Start+m.In != o.at {
					t.Errorf("%s is at %d, want %d", id, o.at, l.Start+m.In)
				}
			}
		}
	}
	for _, m := range l.Markers {
		if seen[m.ID] != 1 && len(got) < edlEvents {
			t.Errorf("%s has %d locators", m.ID, seen[m.ID])
		}
	}
	return got
}

func TestEDL(t *testing.T) {
	got := checkEDL(t, list(t, example(), "01:00:00;00"))
	// f001 and f002 begin together, f003 and f004 each end one before.
	if len(got) != 3 || len(got[0].locators) != 2 || got[0].to != got[1].at || got[1].to != got[2].at {
		t.Errorf("%+v", got)
	}
	// The first minute has 1798 labels after 1800, and the locator of f003 is the
	// last before the two that are dropped.
	l := list(t, example(), "01:00:00;00")
	if label := l.Label(1799); label != "01:00:59;29" || got[1].locators[0].at != l.Start+1799 {
		t.Errorf("f003 is at %s, %+v", label, got[1])
	}
	all := strings.Join(got[1].comments, " ")
	for _, want := range []string{"f003: 01:00:59;29 to 01:01:00;04, peak 01:01:00;02, confidence 0.90", "two extra"} {
		if !strings.Contains(all, want) {
			t.Errorf("comments lack %q: %s", want, all)
		}
	}
	for seed := range uint64(200) {
		checkEDL(t, list(t, random(seed), "10:00:00:00"))
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

// A list has room for 999 events: those of lowest rank are left out, and it says
// how many.
func TestEDLFull(t *testing.T) {
	doc := example()
	doc.Take.FrameRate = "25/1"
	doc.Findings = nil
	const many = 1010
	for i := range many {
		at := float64(i*7%many) / 5
		doc.Findings = append(doc.Findings, report.Finding{ID: fmt.Sprintf("f%04d", i), Kind: detect.Combing, StartS: at, PeakS: at, EndS: at + 1})
	}
	l := list(t, doc, "00:00:00:00")
	got := checkEDL(t, l)
	if len(got) != edlEvents {
		t.Fatalf("%d events", len(got))
	}
	text := written(t, l.WriteEDL)
	if !strings.Contains(text, "11 findings of lower rank are not in it.") || strings.Contains(text, " f1009 ") || !strings.Contains(text, " f0998 ") {
		t.Error("the list does not say what it leaves out, or leaves out others")
	}
}

// The reader finds fault with what is at fault.
func TestReadEDL(t *testing.T) {
	c := timecode.For(25, 1)
	good := "TITLE: x\r\nFCM: NON-DROP FRAME\r\n* note\r\n001  AX       V     C        01:00:00:00 01:00:01:00 01:00:00:00 01:00:01:00\r\n* LOC: 01:00:00:05 RED     x\r\n"
	if got, err := readEDL(good, c); err != nil || len(got) != 1 || len(got[0].locators) != 1 {
		t.Fatal(got, err)
	}
	for _, edit := range [][2]string{
		{"\r\n", "\n"}, {"NON-DROP", "DROP"}, {"001  AX", "002  AX"}, {"01:00:01:00 01:00:00:00", "01:00:02:00 01:00:00:00"},
		{"AX       V", "AX V"}, {"* note", "note"}, {"01:00:00:05", "01:00:01:00"}, {"* note", "* nöte"}, {"01:00:01:00\r\n* LOC", "01:00:01;00\r\n* LOC"},
	} {
		if bad := strings.Replace(good, edit[0], edit[1], 1); bad == good {
			t.Errorf("%q changes nothing", edit)
		} else if _, err := readEDL(bad, c); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
