package matrix

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"strings"
	"testing"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/testdata/comparisons"
)

const takeS = 20

// taken is the scan of a take with settings ("film=off,input=1080i") and
// combing at 5 s, if it shows that.
func taken(settings string, combing bool) *compare.Scan {
	var found []report.Finding
	if combing {
		found = append(found, comparisons.Finding(detect.Combing, 5, 20))
	}
	s := comparisons.Scan(takeS, found...)
	s.Doc.Conditions.Settings = map[string]string{}
	for _, pair := range strings.Split(settings, ",") {
		if name, v, ok := strings.Cut(pair, "="); ok {
			s.Doc.Conditions.Settings[name] = v
		}
	}
	return s
}

func build(t *testing.T, scans ...*compare.Scan) *Matrix {
	t.Helper()
	m, err := Build(scans, Options{Version: "0.0.0-test"})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// times repeats a take.
func times(n int, settings string, combing bool) (out []*compare.Scan) {
	for range n {
		out = append(out, taken(settings, combing))
	}
	return out
}

func join(parts ...[]*compare.Scan) (out []*compare.Scan) {
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// The chances are those of FACTS' tables for Fisher's test (tables computed with
// another program): 4 against 4 2/70, 3 against 3 0.1, 5 against 5 2/252.
func TestSeparation(t *testing.T) {
	for _, c := range []struct {
		name    string
		scans   []*compare.Scan
		words   []string
		settled bool
		p, holm float64
		tried   int
	}{
		{"one setting, clean", join(times(4, "film=off", false), times(4, "film=on", true)),
			[]string{"Gone with film=off (0 of 4 takes), present otherwise (4 of 4)", "p = 0.0286"}, true, 2. / 70, 2. / 70, 1},
		{"too few", join(times(3, "film=off", false), times(3, "film=on", true)),
			[]string{"not settled", "3 takes against 3 can settle nothing"}, false, 0.1, 0.1, 1},
		{"one take", join(times(1, "film=off", false), times(3, "film=on", true)),
			[]string{"(0 of 1 take)", "1 take against 3 can settle nothing"}, false, 0.25, 0.25, 1},
		{"a second setting that does nothing", join(times(3, "film=off,sharp=0", false), times(2, "film=off,sharp=9", false), times(3, "film=on,sharp=9", true), times(2, "film=on,sharp=0", true)),
			[]string{"Gone with film=off (0 of 5 takes)", "Holm's correction for the 2 ways"}, true, 2. / 252, 4. / 252, 2},
		{"nothing to do with it", join(times(2, "film=off", false), times(2, "film=off", true), times(2, "film=on", true), times(2, "film=on", false)),
			[]string{"As frequent", "not settled"}, false, 1, 1, 1},
		{"confounded", join(times(5, "film=off,firmware=1", false), times(5, "film=on,firmware=2", true)),
			[]string{"firmware changed together with film", "either may be it"}, true, 2. / 252, 2. / 252, 1},
		{"a value against two others", join(times(4, "mode=a", false), times(3, "mode=b", true), times(3, "mode=c", true)),
			[]string{"Gone with mode=a (0 of 4 takes), present otherwise (6 of 6)", "3 ways"}, true, 1. / 210, 3. / 210, 3},
		{"not stated", join(times(4, "", false), times(4, "film=on", true)), []string{"film"}, true, 2. / 70, 2. / 70, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := build(t, c.scans...)
			if len(m.Rows) != 1 {
				t.Fatalf("%d rows", len(m.Rows))
			}
			r := m.Rows[0]
			for _, want := range c.words {
				if !strings.Contains(r.Words, want) {
					t.Errorf("%q does not say %q", r.Words, want)
				}
			}
			b := r.Best
			if b == nil || b.Settled != c.settled || math.Abs(b.P-c.p) > 1e-5 || math.Abs(b.PHolm-c.holm) > 1e-5 || b.Tried != c.tried {
				t.Errorf("%+v, want p %.5f, %.5f of %d", b, c.p, c.holm, c.tried)
			}
		})
	}
}

// Gone in one mode with one input, present otherwise: no single setting says
// that.
func TestTwoSettings(t *testing.T) {
	m := build(t, join(times(5, "film=off,input=p", false), times(5, "film=off,input=i", true), times(5, "film=on,input=p", true), times(5, "film=on,input=i", true))...)
	r := m.Rows[0]
	if r.Both == nil || !r.Both.Settled || !strings.Contains(r.Words, "gone with film=off and input=p (0 of 5 takes), present otherwise (15 of 15)") {
		t.Errorf("%s (%+v)", r.Words, r.Both)
	}
	if !strings.HasPrefix(m.Words, "Settings decide over one fault. Combing at 0:05.000: ") {
		t.Error(m.Words)
	}
}

// A pair is not said where a single setting tells as much.
func TestOneIsEnough(t *testing.T) {
	m := build(t, join(times(3, "film=off,input=p", false), times(3, "film=off,input=i", false), times(3, "film=on,input=p", true), times(3, "film=on,input=i", true))...)
	if r := m.Rows[0]; r.Both != nil || !r.Best.Settled {
		t.Errorf("%s", r.Words)
	}
}

func TestCells(t *testing.T) {
	blind := taken("film=on", false)
	blind.Doc.Coverage[0] = report.Coverage{Kind: detect.Combing, State: detect.NotExaminable, Why: "nothing moves in this take"}
	other := comparisons.Scan(takeS-3, comparisons.Finding(detect.Combing, 5, 20))
	other.Doc.Conditions.Settings = map[string]string{"film": "off"}
	m := build(t, taken("film=on,set=prototype", true), taken("film=on", true), blind, taken("film=off", false), other)
	if got := m.Columns; len(got) != 3 || got[1].Name() != "film=on, set="+NotStated || len(got[1].Takes) != 2 {
		t.Fatalf("%+v", got)
	}
	// The take of another length stands for itself: nothing lays it beside the
	// others.
	if len(m.Rows) != 2 || len(m.Warnings) == 0 {
		t.Fatalf("%d rows, warnings %q", len(m.Rows), m.Warnings)
	}
	for _, r := range m.Rows {
		if r.Cells[0].Seen == 0 {
			continue
		}
		var got []string
		for _, c := range r.Cells {
			got = append(got, fmt.Sprintf("%d/%d", c.Seen, c.Of))
		}
		if s := strings.Join(got, " "); s != "1/1 1/1 0/1" {
			t.Errorf("cells %s", s)
		}
		if c := r.Cells[1]; c.Strength.Value != 20 || len(c.Unable) != 1 || !strings.Contains(c.Unable[0], "nothing moves") {
			t.Errorf("%+v", c)
		}
	}
}

func TestEverywhereAndNowhere(t *testing.T) {
	m := build(t, taken("film=on", true), taken("film=off", true))
	if !strings.Contains(m.Rows[0].Words, "Present in all 2 takes") {
		t.Error(m.Rows[0].Words)
	}
	if m := build(t, taken("film=on", false), taken("film=off", false)); m.Words != "No take shows a fault." {
		t.Error(m.Words)
	}
	if m := build(t, taken("", true), taken("", false)); !strings.Contains(m.Words, "do not differ in any setting") || len(m.Columns) != 1 {
		t.Error(m.Words)
	}
	if _, err := Build([]*compare.Scan{taken("", true)}, Options{}); err == nil {
		t.Error("a matrix of one take")
	}
}

// What was written is read again to the byte, and the table has its columns.
func TestRoundTrip(t *testing.T) {
	m := build(t, join(times(4, "=1+1=off", false), times(4, "film=on", true))...)
	var b, again bytes.Buffer
	if err := Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	d, err := Decode(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if err := Encode(&again, d); err != nil || again.String() != b.String() {
		t.Errorf("%v: another document", err)
	}
	var table bytes.Buffer
	if err := EncodeTable(&table, m); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil || len(rows) != 1+len(m.Rows) || len(rows[0]) != 8+3*len(m.Columns)+4 {
		t.Fatalf("%v: %q", err, rows)
	}
	for _, row := range rows {
		for _, v := range row {
			if strings.HasPrefix(v, "=") {
				t.Errorf("a spreadsheet would take %q for a formula", v)
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	m, err := Build(join(times(2, "film=off", false), times(2, "film=on", true)), Options{Version: "0.0.0-test"})
	if err != nil {
		f.Fatal(err)
	}
	var b bytes.Buffer
	if err := Encode(&b, m); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add([]byte(`{"schema":"setwitness.matrix/1"}`))
	f.Add([]byte(strings.Replace(b.String(), `"seen": 2`, `"seen": 3`, 1)))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := Decode(bytes.NewReader(b))
		if err != nil {
			return
		}
		// What is read can be written, shown and read again.
		var out bytes.Buffer
		if err := Encode(&out, m); err != nil {
			t.Fatal(err)
		}
		if _, err := Decode(&out); err != nil {
			t.Fatal(err)
		}
		if err := EncodeTable(&bytes.Buffer{}, m); err != nil {
			t.Fatal(err)
		}
	})
}
