package main

import (
	"bytes"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/detect"
	"setwitness/detect/vision"
	"setwitness/report"
)

const reportFiles = "crops crops/f001-context.png crops/f001-crop.png crops/f001-strip.png findings.json report.html"

func TestScan(t *testing.T) {
	d := newDesk(t)
	clip := d.clip(t, "match.mp4")
	if code := run(d.factory, []string{"scan", clip, "--setting", "set=living room"}); code != exitDone {
		t.Fatalf("exit code %d, stderr %q", code, d.err)
	}
	if got := list(t, clip+".setwitness"); got != reportFiles {
		t.Errorf("the folder holds %q", got)
	}
	doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
	if err != nil {
		t.Fatal(err)
	}
	// sha256sum of the file's eight letters.
	if doc.Take.SHA256 != "752f502ee3ac574467c34d2881aabe52eac51a2491d707bf11b09d2b9f0d4546" {
		t.Errorf("checksum is %s", doc.Take.SHA256)
	}
	if len(doc.Findings) != 1 || doc.Conditions.Settings["set"] != "living room" || doc.Created != "2026-01-02T03:04:05Z" {
		t.Errorf("document is %+v", doc)
	}
	if d.err.Len() != 0 {
		t.Errorf("stderr is %q", d.err)
	}
	for _, want := range []string{"match.mp4", "f001", "0:00.060", "combing", "12 %", "report.html", "anything above 2 % would have shown"} {
		if !strings.Contains(d.out.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, d.out)
		}
	}
	if strings.Contains(d.out.String(), "\x1b") {
		t.Error("colour codes where there is no terminal")
	}
}

func TestJSONAndQuiet(t *testing.T) {
	d := newDesk(t)
	clip := d.clip(t, "match.mp4")
	out := filepath.Join(d.dir, "out")
	if code := run(d.factory, []string{"scan", "--json", "--out", out, clip}); code != exitDone {
		t.Fatalf("exit code %d: %s", code, d.err)
	}
	file, err := os.ReadFile(filepath.Join(out, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(d.out.Bytes(), file) {
		t.Error("--json prints another document than the file")
	}
	d.out.Reset()
	if code := run(d.factory, []string{"scan", "--quiet", "--out", out, clip}); code != exitDone || d.out.Len()+d.err.Len() != 0 {
		t.Errorf("--quiet: exit code %d, prints %q and %q", code, d.out, d.err)
	}
}

// One bad clip among several: the others are scanned, the code is 2.
func TestSeveral(t *testing.T) {
	d := newDesk(t)
	out := filepath.Join(d.dir, "out")
	args := []string{"scan", "--out", out, d.clip(t, "a/match.mp4"), d.clip(t, "bad.mp4"), d.clip(t, "b/match.mkv")}
	if code := run(d.factory, args); code != exitUnusable {
		t.Errorf("exit code %d", code)
	}
	if got := strings.TrimSpace(d.err.String()); strings.Count(got, "\n") != 0 || !strings.Contains(got, "bad.mp4: is not a video file") {
		t.Errorf("stderr is %q", got)
	}
	for _, name := range []string{"match", "match-2"} {
		if got := list(t, filepath.Join(out, name)); got != reportFiles {
			t.Errorf("%s holds %q", name, got)
		}
	}
	if entries, _ := os.ReadDir(out); len(entries) != 2 {
		t.Errorf("out holds %q", list(t, out))
	}
}

// The document says what was asked of the scan, however it was written down, and
// not what makes no difference to it.
func TestRequest(t *testing.T) {
	for line, want := range map[string]map[string]string{
		"": nil,
		"--threads 2 --quiet --setting set=A --fields auto --option marker.level=1": {"option.marker.level": "1"},
		"--from=direct --distance 2.5 --option marker.level=2.50":                   {"from": "direct", "distance": "2.5", "option.marker.level": "2.5"},
	} {
		d := newDesk(t)
		clip := d.clip(t, "match.mp4")
		if code := run(d.factory, append([]string{"scan", clip}, strings.Fields(line)...)); code != exitDone {
			t.Fatalf("%q: exit code %d, stderr %q", line, code, d.err)
		}
		doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
		if err != nil {
			t.Fatal(err)
		}
		if !maps.Equal(doc.Request, want) || doc.Interrupted {
			t.Errorf("%q: the request is %v, interrupted %t", line, doc.Request, doc.Interrupted)
		}
	}
}

// An interrupt writes what was found so far and says that it is partial.
func TestInterrupt(t *testing.T) {
	d := newDesk(t)
	d.take.onNext = func(i int) error {
		if i == 7 {
			d.soft()
		}
		return nil
	}
	clip := d.clip(t, "match.mp4")
	other := d.clip(t, "other.mp4")
	if code := run(d.factory, []string{"scan", clip, other}); code != exitInterrupted {
		t.Errorf("exit code %d", code)
	}
	doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
	if err != nil {
		t.Fatal(err)
	}
	if len(doc.Findings) != 1 || len(doc.Warnings) != 1 || !doc.Interrupted || !strings.Contains(doc.Warnings[0], "partial result") || doc.Take.Frames != 8 {
		t.Errorf("%d findings, %d frames, warnings %q", len(doc.Findings), doc.Take.Frames, doc.Warnings)
	}
	if got := d.err.String(); !strings.Contains(got, "interrupted at 0:00.140 of 0:00.200") || strings.Count(got, "\n") != 1 {
		t.Errorf("stderr is %q", got)
	}
	if _, err := os.Stat(other + ".setwitness"); err == nil {
		t.Error("the next clip was scanned after an interrupt")
	}
}

// Interrupted before the first picture, or twice: nothing is written and
// nothing is left.
func TestInterruptEarly(t *testing.T) {
	for name, prepare := range map[string]func(d *desk){
		"before the first picture": func(d *desk) { d.soft() },
		"twice":                    func(d *desk) { d.take.onNext = func(int) error { d.soft(); d.hard(); return nil } },
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			clip := d.clip(t, "match.mp4")
			prepare(d)
			d.onStep = nil
			if code := run(d.factory, []string{"scan", clip}); code != exitInterrupted {
				t.Errorf("exit code %d", code)
			}
			if got := list(t, d.dir); got != "match.mp4" {
				t.Errorf("left behind: %q", got)
			}
		})
	}
}

// Failures of our own are told apart from bad input, and leave nothing.
func TestInternal(t *testing.T) {
	for name, onStep := range map[string]func(int) error{
		"error": func(i int) error {
			if i == 5 {
				return errors.New("the sums do not add up")
			}
			return nil
		},
		"panic": func(i int) error {
			if i == 5 {
				panic("index out of range")
			}
			return nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			d.onStep = onStep
			clip := d.clip(t, "match.mp4")
			if code := run(d.factory, []string{"scan", clip, d.clip(t, "bad.mp4")}); code != exitInternal {
				t.Errorf("exit code %d", code)
			}
			if !strings.Contains(d.err.String(), "match.mp4: internal failure") {
				t.Errorf("stderr is %q", d.err)
			}
			if got := list(t, d.dir); got != "bad.mp4 match.mp4" {
				t.Errorf("left behind: %q", got)
			}
		})
	}
}

// A take that breaks off gives what was found up to there.
func TestBrokenTake(t *testing.T) {
	d := newDesk(t)
	d.take.onNext = func(i int) error {
		if i == 6 {
			return errors.New("the disk was pulled out")
		}
		return nil
	}
	clip := d.clip(t, "match.mp4")
	if code := run(d.factory, []string{"scan", "--quiet", clip}); code != exitDone {
		t.Errorf("exit code %d: %s", code, d.err)
	}
	doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
	if err != nil {
		t.Fatal(err)
	}
	if len(doc.Findings) != 1 || len(doc.Warnings) != 1 || !strings.Contains(doc.Warnings[0], "the disk was pulled out") {
		t.Errorf("%d findings, warnings %q", len(doc.Findings), doc.Warnings)
	}
	d.take.n = 0
	d.err.Reset()
	if code := run(d.factory, []string{"scan", clip}); code != exitUnusable || !strings.Contains(d.err.String(), "no picture can be decoded") {
		t.Errorf("no pictures: exit code %d, %q", code, d.err)
	}
}

func TestScanLine(t *testing.T) {
	for _, c := range []struct {
		line string
		want scanOptions
	}{
		{"a.mp4", scanOptions{clips: []string{"a.mp4"}}},
		{"a.mp4 b.mp4 --out x --fields split --threads 3 --json --quiet", scanOptions{
			clips: []string{"a.mp4", "b.mp4"}, out: "x", fields: decode.FieldsSplit, threads: 3, json: true, quiet: true}},
		{"--from direct --fields=weave a.mp4", scanOptions{clips: []string{"a.mp4"}, fields: decode.FieldsWeave, view: display.Options{From: display.Direct}}},
		{"--setting a=b=c --setting d= a.mp4", scanOptions{clips: []string{"a.mp4"}, settings: map[string]string{"a": "b=c", "d": ""}}},
		{"--option marker.level=2.5 a.mp4", scanOptions{clips: []string{"a.mp4"}, options: map[string]float64{"marker.level": 2.5}}},
		{"--peak-nits 600 --black-nits 0 --eotf hlg --distance 1.5 a.mp4", scanOptions{clips: []string{"a.mp4"},
			viewing: viewing{eotf: vision.HLG, peak: 600, distance: 1.5, blackStated: true}}},
		{"--black-nits -0 a.mp4", scanOptions{clips: []string{"a.mp4"}, viewing: viewing{blackStated: true}}},
		{"-- --odd.mp4", scanOptions{clips: []string{"--odd.mp4"}}},
	} {
		if c.want.settings == nil {
			c.want.settings = map[string]string{}
		}
		if c.want.options == nil {
			c.want.options = map[string]float64{}
		}
		d := newDesk(t)
		var got *scanOptions
		cmd := newCmdScan(d.factory, func(o *scanOptions) error { got = o; return nil })
		cmd.SetArgs(strings.Fields(c.line))
		if err := cmd.Execute(); err != nil {
			t.Errorf("%s: %v", c.line, err)
			continue
		}
		// TestRequest looks at these, and TestList.
		got.request, got.asked, got.atOnce = nil, asked{}, 0
		if !reflect.DeepEqual(*got, c.want) {
			t.Errorf("%s: %+v, want %+v", c.line, *got, c.want)
		}
	}
}

// What the command line leaves out comes from the take and the reference for it;
// what it states stands.
func TestViewing(t *testing.T) {
	stated := viewing{eotf: vision.BT1886, peak: 250, black: 0.2, blackStated: true, distance: 1.5}
	for _, c := range []struct {
		viewing  viewing
		transfer string
		filmed   bool
		want     string
	}{
		{viewing{}, "", false, "peak 100 cd/m², black 0.05 cd/m², BT.1886, 3 picture heights away"},
		{viewing{}, "bt709", false, "peak 100 cd/m², black 0.05 cd/m², BT.1886, 3 picture heights away"},
		{viewing{}, "iec61966-2-1", false, "peak 100 cd/m², black 0.05 cd/m², sRGB, 3 picture heights away"},
		{viewing{}, "smpte2084", false, "peak 1000 cd/m², black 0.005 cd/m², PQ, 3 picture heights away"},
		{viewing{}, "arib-std-b67", false, "peak 1000 cd/m², black 0.005 cd/m², HLG, 3 picture heights away"},
		{viewing{peak: 600, blackStated: true}, "smpte2084", false, "peak 600 cd/m², black 0 cd/m², PQ, 3 picture heights away"},
		{viewing{}, "bt709", true, "peak 100 cd/m², black 0.05 cd/m², sRGB assumed of the camera, 3 picture heights away"},
		{stated, "smpte2084", false, "peak 250 cd/m², black 0.2 cd/m², BT.1886, 1.5 picture heights away"},
		{stated, "bt709", true, "peak 250 cd/m², black 0.2 cd/m², BT.1886 assumed of the camera, 1.5 picture heights away"},
	} {
		if got := c.viewing.conditions(c.transfer, c.filmed).String(); got != c.want {
			t.Errorf("%+v for %q: %q, want %q", c.viewing, c.transfer, got, c.want)
		}
	}
}

// The conditions of the command line are those of the document, the table and
// the visibility.
func TestConditions(t *testing.T) {
	var seen []float64
	for _, distance := range []string{"6", "50"} {
		d := newDesk(t)
		clip := d.clip(t, "match.mp4")
		if code := run(d.factory, []string{"scan", clip, "--peak-nits", "200", "--black-nits", "0.1", "--eotf", "srgb", "--distance", distance}); code != exitDone {
			t.Fatalf("exit code %d: %s", code, d.err)
		}
		doc, err := report.Read(filepath.Join(clip+".setwitness", findingsName))
		if err != nil {
			t.Fatal(err)
		}
		if c := doc.Conditions; c.PeakNits != 200 || c.BlackNits != 0.1 || c.EOTF != "srgb" || c.ResponseAssumed {
			t.Errorf("conditions are %+v", c)
		}
		if want := "visibility for: peak 200 cd/m², black 0.1 cd/m², sRGB, " + distance + " picture heights away"; !strings.Contains(d.out.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, d.out)
		}
		seen = append(seen, doc.Findings[0].VisibilityJND)
	}
	if !(seen[0] > seen[1] && seen[1] > 0) {
		t.Errorf("a comb of %g JND from near has %g from afar", seen[0], seen[1])
	}
}

func TestWrongLines(t *testing.T) {
	for line, want := range map[string]string{
		"scan":                     "no clip is named",
		"scan --from moon a.mp4":   "none of auto, direct and screen",
		"scan --corners 1,2 a.mp4": "--corners",
		"scan --from direct --corners 1,1,9,1,9,9,1,9 a.mp4":     "--corners",
		"scan --capture-fps 0.5 a.mp4":                           "outside 1 to 10000",
		"scan --capture-fps NaN a.mp4":                           "outside 1 to 10000",
		"scan --lines-per-px 0 a.mp4":                            "--lines-per-px 0 is outside 0.02 to 20 lines",
		"scan --lines-per-px NaN a.mp4":                          "not a number",
		"scan --lines-per-px two a.mp4":                          "not a number",
		"scan --from direct --lines-per-px 0.4 a.mp4":            "--lines-per-px are of a screen",
		"scan --source b.mp4 a.mp4":                              "--source",
		"scan --fields bob a.mp4":                                "--fields",
		"scan --threads -1 a.mp4":                                "negative",
		"scan --threads many a.mp4":                              "--threads: \"many\" is not a whole number (see",
		"scan --capture-fps many a.mp4":                          "--capture-fps: \"many\" is not a number (see",
		"scan --json=maybe a.mp4":                                "--json: \"maybe\" is not true or false (see",
		"scan --setting novalue a.mp4":                           "key=value",
		"scan --setting =x a.mp4":                                "key=value",
		"scan --setting a=1 --setting a=2 x":                     "twice",
		"scan --option marker.level a.mp4":                       "stage.name=value",
		"scan --option marker.x=1 a.mp4":                         "no stage has it",
		"scan --option marker.level=x a.mp4":                     "not a number",
		"scan --option marker.level=99 a":                        "outside 0 to 10",
		"scan --option marker.level=NaN a":                       "not a number",
		"scan --option marker.level=1 --option marker.level=2 a": "twice",
		"scan --peak-nits 5 a.mp4":                               "--peak-nits 5 is outside 10 to 10000 cd/m2",
		"scan --peak-nits NaN a.mp4":                             "not a number",
		"scan --peak-nits inf a.mp4":                             "outside 10 to 10000",
		"scan --black-nits -1 a.mp4":                             "outside 0 to 5",
		"scan --black-nits dark a.mp4":                           "not a number",
		"scan --eotf gamma a.mp4":                                "none of auto, bt1886, srgb, pq and hlg",
		"scan --eotf= a.mp4":                                     "--eotf is given without a value",
		"scan --distance 0.1 a.mp4":                              "--distance 0.1 is outside 0.25 to 50 picture heights",
		"scan --distance 3H a.mp4":                               "not a number",
		"scan --peak-nits= a.mp4":                                "--peak-nits is given without a value",
		"scan --corners= a.mp4":                                  "--corners is given without a value",
		"scan --out= a.mp4":                                      "--out is given without a value",
		"scan --loud a.mp4":                                      "--loud",
		"scna a.mp4":                                             "scna",
		"stages all":                                             "no arguments",
		"version --short":                                        "--short",
	} {
		d := newDesk(t)
		if code := run(d.factory, strings.Fields(line)); code != exitUnusable {
			t.Errorf("%s: exit code %d", line, code)
		}
		if got := d.err.String(); !strings.Contains(got, want) || strings.Count(got, "\n") != 1 || !strings.HasPrefix(got, "setwitness: ") {
			t.Errorf("%s: stderr is %q, want one line with %q", line, got, want)
		}
		if d.out.Len() != 0 {
			t.Errorf("%s: stdout is %q", line, d.out)
		}
	}
}

// Any command line either runs or gives one line and code 2.
func FuzzScanLine(f *testing.F) {
	f.Add("--setting\x00a=b\x00--option\x00marker.level=3\x00x.mp4")
	f.Add("--fields\x00split\x00--threads\x00-9\x00--from=screen")
	f.Add("--peak-nits\x001e3\x00--black-nits\x000x1p-4\x00--eotf\x00pq\x00--distance\x001.5\x00x.mp4")
	f.Add("--lines-per-px\x000.4\x00--from\x00screen\x00x.mp4")
	f.Add("--option\x00marker.level=1e400\x00--json=maybe\x00-h")
	f.Fuzz(func(t *testing.T, line string) {
		var out, errs bytes.Buffer
		d := &factory{streams: streams{out: &out, err: &errs}, stages: func() []*detect.Stage { return []*detect.Stage{markerStage(nil)} }}
		ran := false
		root := newRoot(d)
		scan := newCmdScan(d, func(o *scanOptions) error {
			ran = true
			for _, v := range o.options {
				if !(v >= 0 && v <= 10) {
					t.Errorf("option value %g was let through", v)
				}
			}
			for _, transfer := range []string{"", "smpte2084", "arib-std-b67"} {
				for _, filmed := range []bool{false, true} {
					if err := o.viewing.conditions(transfer, filmed).Check(); err != nil {
						t.Errorf("conditions that cannot be used were let through: %v", err)
					}
				}
			}
			if l := o.view.LinesPerPx; l != 0 && !(l >= leastLinesPerPx && l <= mostLinesPerPx) {
				t.Errorf("%g lines a pixel were let through", l)
			}
			for k, v := range o.settings {
				if k == "" || !printable(k) || !printable(v) {
					t.Errorf("setting %q=%q was let through", k, v)
				}
			}
			return nil
		})
		for _, c := range root.Commands() {
			if c.Name() == "scan" {
				root.RemoveCommand(c)
			}
		}
		root.AddCommand(scan)
		root.SetArgs(append([]string{"scan"}, strings.Split(line, "\x00")...))
		err := root.Execute()
		var mend unusable
		if err != nil && !errors.As(err, &mend) {
			t.Errorf("%q is reported as a failure of the program: %v", line, err)
		}
		if err != nil && ran {
			t.Errorf("%q ran and failed: %v", line, err)
		}
		if err != nil {
			complain(&errs, err)
			if strings.Count(errs.String(), "\n") != 1 {
				t.Errorf("%q gives %q", line, errs.String())
			}
		}
	})
}

func TestStagesCommand(t *testing.T) {
	d := newDesk(t)
	if code := run(d.factory, []string{"stages"}); code != exitDone {
		t.Fatal(d.err)
	}
	want := "marker: marks picture 3\n    Marks picture 3.\n    Finds combing; strength in %.\n    --option marker.level=1  (0 to 10 codes)\n        for tests\n"
	if d.out.String() != want {
		t.Errorf("%q, want %q", d.out, want)
	}
	d.out.Reset()
	if code := run(d.factory, []string{"version"}); code != exitDone || !strings.HasPrefix(d.out.String(), "setwitness "+version+" (go") {
		t.Errorf("version: %q", d.out)
	}
	d.out.Reset()
	if code := run(d.factory, nil); code != exitDone || !strings.Contains(d.out.String(), "scan") {
		t.Errorf("without a command: %q", d.out)
	}
}
