package markers

import (
	"bytes"
	"encoding/csv"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/asticode/go-astisub"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/timecode"
)

var update = flag.Bool("update", false, "write the golden files")

// example is a take at 29.97 frames a second with findings that overlap.
func example() *report.Findings {
	finding := func(id string, kind detect.Kind, start, peak, end float64, strength float64) report.Finding {
		const rate = 30000.0 / 1001
		return report.Finding{
			ID: id, Kind: kind, StartS: start, PeakS: peak, EndS: end,
			StartFrame: int(math.Round(start * rate)), PeakFrame: int(math.Round(peak * rate)), EndFrame: int(math.Round(end*rate)) - 1,
			Region: report.Region{X: 0.1, Y: 0.4, W: 0.2, H: 0.2}, Strength: report.Quantity{Value: strength, Unit: kind.Unit()}, VisibilityJND: 4.5, Confidence: 0.9,
			Origin: report.Origin{Verdict: "undetermined", Why: "no source clip was given"}, Measures: map[string]float64{},
		}
	}
	const frame = 1001.0 / 30000
	doc := &report.Findings{
		Take: report.Take{Path: "takes/match --> \"1\" & <2> × é, final.mp4", Width: 1920, Height: 1080, FrameRate: "30000/1001", DurationS: 4000 * frame, Frames: 4000},
		View: report.View{Kind: "direct", Raster: report.Raster{Width: 1920, Height: 1080}},
		Conditions: report.Conditions{Settings: map[string]string{
			"film mode": "auto --> \"on\",\r\n* LOC: 00:00:00:00 RED x", "note": "a & b <c> × \u2028=1+1",
		}},
		Findings: []report.Finding{
			finding("f003", detect.Ghost, 1799*frame, 1800*frame, 1802*frame, 34.25),
			finding("f001", detect.Combing, 10*frame, 12*frame, 15*frame, 14),
			finding("f002", detect.CadenceBreak, 10*frame, 10*frame, 1800*frame, 1),
			finding("f004", detect.Macroblocking, 1801*frame, 1801*frame, 3000*frame, 2.5),
			finding("f005", detect.Posterisation, 1801*frame, 1801*frame, 3000*frame, 3),
		},
	}
	source := 59.5
	doc.Findings[0].SourceS = &source
	doc.Findings[0].Measures = map[string]float64{"ahead_px": 14, "behind_px": 14, "ahead_pct": 34.25, "behind_pct": 34.25}
	return doc
}

func list(t testing.TB, doc *report.Findings, start string) *List {
	t.Helper()
	l, err := New(doc, timecode.For(Fraction(doc.Take.FrameRate)), start, "../takes/match #1.mp4")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func written(t testing.TB, write func(io.Writer) error) string {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	l := list(t, example(), "01:00:00;00")
	for name, write := range map[string]func(io.Writer) error{"vtt": l.WriteVTT, "edl": l.WriteEDL, "otio": l.WriteOTIO, "csv": l.WriteCSV} {
		got := written(t, write)
		path := filepath.Join("testdata", "markers.golden."+name)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("differs from %s; run with -update and look at the difference\n%s", path, got)
		}
	}
}

// Times become the labels that show them, whatever a file's clock rounds.
func TestLabels(t *testing.T) {
	for _, c := range []struct {
		name, rate       string
		fields, variable bool
		start, peak, end float64
		in, at, out      int
		note             string
	}{
		{"frames", "25/1", false, false, 0.4, 0.44, 0.6, 10, 11, 15, ""},
		{"thousandths of a second", "60/1", false, false, 0.033, 0.05, 0.067, 2, 3, 4, ""},
		{"the second field of a frame", "25/1", true, false, 0.42, 0.42, 0.44, 10, 10, 11, ""},
		{"both fields", "25/1", true, false, 0.42, 0.44, 0.46, 10, 11, 12, ""},
		{"no length", "25/1", false, false, 1, 1, 1, 25, 25, 26, ""},
		{"camera", "240/1", false, false, 3.0 / 240, 5.0 / 240, 9.0 / 240, 0, 1, 3, "The file has 240 frames a second, which no time code counts here: 4 of its frames share a label."},
		{"slow file", "25/2", false, false, 0.08, 0.08, 0.16, 2, 2, 4, "The file has 12.5 frames a second: each of them has 2 labels."},
		{"odd file", "273/10", false, false, 1, 1, 1.1, 25, 25, 28, "The file has 27.3 frames a second: each time was put on the time line"},
		{"no rate", "0/1", false, false, 1, 1, 1.1, 25, 25, 28, "states no frame rate"},
		{"variable rate", "50/1", false, true, 1.019, 1.02, 1.05, 51, 51, 53, "do not follow evenly"},
	} {
		t.Run(c.name, func(t *testing.T) {
			doc := example()
			doc.Take.FrameRate, doc.Take.VariableFrameRate = c.rate, c.variable
			doc.Findings = doc.Findings[:1]
			f := &doc.Findings[0]
			f.StartS, f.PeakS, f.EndS = c.start, c.peak, c.end
			l := list(t, doc, "00:00:00:00")
			if m := l.Markers[0]; m.In != c.in || m.Peak != c.at || m.Out != c.out {
				t.Errorf("labels %d, %d, %d, want %d, %d, %d", m.In, m.Peak, m.Out, c.in, c.at, c.out)
			}
			if got := strings.Join(l.Notes[1:], "\n"); !strings.Contains(got, c.note) || c.note == "" && got != "" {
				t.Errorf("notes are %q, want %q", got, c.note)
			}
		})
	}
}

func TestNewRefuses(t *testing.T) {
	for start, want := range map[string]string{"nonsense": "hh:mm:ss:ff", "00:01:00;00": "dropped", "23:59:00;02": "midnight"} {
		if _, err := New(example(), timecode.For(30000, 1001), start, "x.mp4"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", start, err, want)
		}
	}
}

// random is a take with findings at random times, that overlap in every way.
func random(seed uint64) *report.Findings {
	r := rand.New(rand.NewPCG(seed, 1))
	rates := []string{"25/1", "30000/1001", "60000/1001", "240/1", "24000/1001", "50/1"}
	doc := example()
	doc.Take.FrameRate = rates[r.IntN(len(rates))]
	doc.Findings = nil
	for i := range 1 + r.IntN(30) {
		start := float64(r.IntN(400)) / 50
		end := start + float64(r.IntN(60))/50
		if r.IntN(4) == 0 {
			start, end = math.Floor(start), math.Floor(end)+1
		}
		doc.Findings = append(doc.Findings, report.Finding{
			ID: fmt.Sprintf("f%03d", i+1), Kind: detect.Kinds[r.IntN(len(detect.Kinds))], StartS: start, PeakS: (start + end) / 2, EndS: end, Confidence: r.Float64(),
		})
	}
	return doc
}

// WebVTT by a library that knows nothing of this program: every cue is read back
// with its times and text, and of any two cues one lies inside the other or they
// do not overlap (WebVTT, "file using only nested cues").
func TestVTT(t *testing.T) {
	check := func(t *testing.T, l *List) *astisub.Subtitles {
		t.Helper()
		text := written(t, l.WriteVTT)
		subs, err := astisub.ReadFromWebVTT(strings.NewReader(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if n := strings.Count(text, " --> "); len(subs.Items) != n || n == 0 {
			t.Fatalf("%d cues were read of %d", len(subs.Items), n)
		}
		ids := map[string]int{}
		for i, a := range subs.Items {
			for _, m := range l.Markers {
				if strings.Contains(a.String(), m.ID+" ") {
					ids[m.ID]++
					if d := a.StartAt - time.Duration(m.StartS*float64(time.Second)); d.Abs() > time.Millisecond {
						t.Errorf("%s starts at %v, want %g s", m.ID, a.StartAt, m.StartS)
					}
				}
			}
			if a.EndAt <= a.StartAt {
				t.Errorf("cue %d ends at %v and starts at %v", i, a.EndAt, a.StartAt)
			}
			for _, b := range subs.Items[i+1:] {
				apart := b.StartAt >= a.EndAt || a.StartAt >= b.EndAt
				inside := b.StartAt >= a.StartAt && b.EndAt <= a.EndAt
				if !apart && !inside || a.StartAt == b.StartAt && a.EndAt == b.EndAt {
					t.Errorf("%v to %v and %v to %v are neither apart nor nested", a.StartAt, a.EndAt, b.StartAt, b.EndAt)
				}
			}
		}
		for _, m := range l.Markers {
			if ids[m.ID] != 1 {
				t.Errorf("%s is in %d cues", m.ID, ids[m.ID])
			}
		}
		return subs
	}
	subs := check(t, list(t, example(), "00:00:00:00"))
	if got := subs.Items[1].String(); got != "f001 Combing, 14 %" {
		t.Errorf("the second cue says %q", got)
	}
	for seed := range uint64(200) {
		check(t, list(t, random(seed), "00:00:00:00"))
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

func TestCSV(t *testing.T) {
	l := list(t, example(), "01:00:00;00")
	text := written(t, l.WriteCSV)
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	// RFC 4180: each record ends in CR LF, no other line ends are there.
	if n := strings.Count(text, "\r\n"); n != len(rows) || n != strings.Count(text, "\n") {
		t.Errorf("%d records and %d line ends", len(rows), n)
	}
	if len(rows) != len(l.Markers)+1 || !slices.Equal(rows[0], columns) {
		t.Fatalf("%d records, the first is %q", len(rows), rows[0])
	}
	for i, r := range rows[1:] {
		m := l.Markers[i]
		cell := func(name string) string { return r[slices.Index(columns, name)] }
		number := func(name string) float64 {
			v, err := strconv.ParseFloat(cell(name), 64)
			if err != nil {
				t.Error(err)
			}
			return v
		}
		if cell("id") != m.ID || cell("kind") != string(m.Kind) || cell("sentence") != m.Sentence || number("start_s") != m.StartS || number("strength") != m.Strength.Value ||
			cell("unit") != m.Strength.Unit || number("confidence") != m.Confidence || number("region_w") != m.Region.W || number("end_frame") != float64(m.EndFrame) {
			t.Errorf("%s is %q", m.ID, r)
		}
		if got := cell("source_s"); (got == "59.5") != (m.SourceS != nil) {
			t.Errorf("%s is at %q of the source", m.ID, got)
		}
		if n, err := l.Count.Picture(cell("start_timecode")); err != nil || n != l.Start+m.In {
			t.Errorf("%s starts at %s", m.ID, cell("start_timecode"))
		}
	}
}
