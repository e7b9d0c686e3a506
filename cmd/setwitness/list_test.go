package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/summary"
)

func TestParseList(t *testing.T) {
	for text, want := range map[string][]listed{
		"a.mp4":                              {{1, "a.mp4", nil}},
		"a.mp4\n":                            {{1, "a.mp4", nil}},
		"\ufeff# takes\r\na b.mp4\r\n\r\nc":  {{2, "a b.mp4", nil}, {4, "c", nil}},
		"  # no take\n ./#1.mp4 ":            {{2, "./#1.mp4", nil}},
		"a.mp4\t\t set=A \t--from=direct\t ": {{1, "a.mp4", []string{"set=A", "--from=direct"}}},
		"é\xff.mp4\tnote=two words":          {{1, "é\xff.mp4", []string{"note=two words"}}},
	} {
		if got, err := parseList(text); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%q: %+v, %v", text, got, err)
		}
	}
	for text, want := range map[string]string{
		"":                  "names no take",
		"# nothing\n\n":     "names no take",
		"a\n\tset=A":        "line 2: it starts with a tab",
		"a\nb\x00.mp4\tc=d": "line 2: is no text",
	} {
		if got, err := parseList(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %+v, %v, want %q", text, got, err, want)
		}
	}
}

// What is read from a list and written as one is read again as the same, and a
// list that is refused names a line of it.
func FuzzParseList(f *testing.F) {
	f.Add("a.mp4\tset=A\t--from=screen\n# x\n\nb.mp4")
	f.Add("\ufeffa\r\nb\t\t\tc=d\r\n")
	f.Add("\t\n \t \n#\ta")
	f.Add("a\u00a0\tb\u2003=c\n\u0085d")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := parseList(text)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("%q is refused with %q", text, err)
			}
			return
		}
		var again strings.Builder
		line := 1
		for _, l := range got {
			for ; line < l.line; line++ {
				again.WriteString("\n")
			}
			again.WriteString(strings.Join(append([]string{l.path}, l.fields...), "\t"))
		}
		if twice, err := parseList(again.String()); err != nil || !reflect.DeepEqual(twice, got) {
			t.Errorf("%q is %+v, and written again %+v, %v", text, got, twice, err)
		}
		// Every take comes to be asked something, or the line is refused.
		a := nothingAsked()
		a.settings = []string{"set=A"}
		for _, l := range got {
			own, err := a.and(l.fields, ".")
			if err == nil {
				err = new(scanOptions).parse(&factory{stages: func() []*detect.Stage { return []*detect.Stage{markerStage(nil)} }}, own)
			}
			if err != nil && strings.Contains(oneLine(err.Error()), "\n") {
				t.Errorf("%q is refused with %q", l.fields, err)
			}
		}
	})
}

// A line's own words go before those for all takes, and a program that is given
// them as a command line understands the same.
func TestAsked(t *testing.T) {
	f := &factory{stages: func() []*detect.Stage { return []*detect.Stage{markerStage(nil)} }}
	base := nothingAsked()
	base.distance, base.settings, base.options = "2", []string{"set=A", "film=on"}, []string{"marker.level=1"}
	for line, want := range map[string]string{
		"": "--distance=2 --option=marker.level=1 --setting=film=on --setting=set=A",
		"film=off --distance=4 --option=marker.level=3": "--distance=4 --option=marker.level=3 --setting=film=off --setting=set=A",
		"--setting=x=y=z --from=screen --fields=auto":   "--distance=2 --from=screen --option=marker.level=1 --setting=film=on --setting=set=A --setting=x=y=z",
		"--capture-fps=240 --peak-nits=500":             "--capture-fps=240 --distance=2 --option=marker.level=1 --peak-nits=500 --setting=film=on --setting=set=A",
	} {
		own, err := base.and(strings.Fields(line), "lists")
		if err != nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		if got := strings.Join(own.args(), " "); got != want {
			t.Errorf("%s: %s, want %s", line, got, want)
		}
		var direct, through scanOptions
		if err := direct.parse(f, own); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		cmd := newCmdScan(f, func(o *scanOptions) error { through = *o; return nil })
		cmd.SetArgs(append(own.args(), "a.mp4"))
		if err := cmd.Execute(); err != nil {
			t.Errorf("%s: %v", line, err)
		}
		if !reflect.DeepEqual(direct.view, through.view) || direct.viewing != through.viewing || !maps.Equal(direct.settings, through.settings) ||
			!maps.Equal(direct.options, through.options) || !maps.Equal(direct.request, through.request) || direct.fields != through.fields {
			t.Errorf("%s: asked are %+v, and through a command line %+v", line, direct, through)
		}
	}
	for line, want := range map[string]string{
		"novalue":              "not key=value",
		"a=1 a=2":              "twice",
		"--loud=1":             "loud",
		"--quiet=true":         "quiet",
		"--out=x":              "out",
		"--from":               `"--from" is not --flag=value`,
		"--":                   "is not --flag=value",
		"--help=x":             "is not --flag=value",
		"--from=":              "given without a value",
		"--capture-fps=x":      `--capture-fps: "x" is not a number`,
		"--option=marker.x=1":  "no stage has it",
		"--option=nothing":     "stage.name=value",
		"--eotf=gamma":         "none of auto",
		"--distance=1000":      "outside",
		"--lines-per-px=three": "not a number",
	} {
		own, err := base.and(strings.Fields(line), "lists")
		if err == nil {
			err = new(scanOptions).parse(f, own)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", line, err, want)
		}
	}
}

// takes writes a list and the files that it names.
func (d *desk) takes(t *testing.T, lines ...string) string {
	t.Helper()
	for _, l := range lines {
		path, _, _ := strings.Cut(l, "\t")
		if path != "" && !strings.HasPrefix(path, "#") && !strings.Contains(path, "missing") {
			write(t, d.clip(t, path), "pictures of "+path)
		}
	}
	names := filepath.Join(d.dir, "takes.txt")
	write(t, names, strings.Join(lines, "\n"))
	return names
}

// states are what became of the takes of a list, by path and line.
func states(t *testing.T, path string) map[string]summary.State {
	t.Helper()
	s, err := summary.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]summary.State{}
	for _, take := range s.Takes {
		out[fmt.Sprintf("%d %s", take.Line, take.Path)] = take.State
	}
	return out
}

func TestList(t *testing.T) {
	d := newDesk(t)
	out := filepath.Join(d.dir, "out")
	names := d.takes(t, "# of a day", "a/match.mp4\tset=B", "bad.mp4", "", "missing.mp4", "b/match.mkv\t--option=marker.level=3\tfilm=off")
	args := []string{"scan", "--list", names, "--out", out, "--at-once", "2", "--setting", "set=A"}
	if code := run(d.factory, args); code != exitUnusable {
		t.Errorf("exit code %d, %s", code, d.err)
	}
	for _, want := range []string{"bad.mp4: is not a video file\n", "missing.mp4"} {
		if !strings.Contains(d.err.String(), want) {
			t.Errorf("stderr is %q, want %q", d.err, want)
		}
	}
	s, err := summary.Read(filepath.Join(out, "summary.json"))
	if err != nil {
		t.Fatal(err)
	}
	if want := map[summary.State]int{summary.Scanned: 2, summary.Failed: 2}; !maps.Equal(s.Counts, want) || s.List != names || s.Part != "" || len(s.Takes) != 4 {
		t.Errorf("the summary is %+v", s)
	}
	if want := map[detect.Kind]summary.Found{detect.Combing: {Takes: 2, Findings: 2}}; !reflect.DeepEqual(s.Found, want) {
		t.Errorf("found are %v", s.Found)
	}
	if f := s.Takes[1]; f.Line != 3 || f.State != summary.Failed || !strings.HasSuffix(f.Why, "bad.mp4: is not a video file") || f.SHA256 != "" {
		t.Errorf("the bad take is %+v", f)
	}
	for _, want := range []string{"5     missing.mp4  failed", "4 takes: 2 scanned, 2 failed\n", "combing: 2 in 2 takes\n", "summary: " + out} {
		if !strings.Contains(d.out.String(), want) {
			t.Errorf("%q is missing in %s", want, d.out)
		}
	}
	for name, want := range map[string]map[string]string{"match": {"set": "B"}, "match-2": {"set": "A", "film": "off"}} {
		if got := list(t, filepath.Join(out, name)); got != reportFiles {
			t.Errorf("%s holds %q", name, got)
		}
		doc, err := report.Read(filepath.Join(out, name, findingsName))
		if err != nil || !maps.Equal(doc.Conditions.Settings, want) {
			t.Errorf("%s: settings %v, %v", name, doc.Conditions.Settings, err)
		}
	}
	if entries, _ := os.ReadDir(out); len(entries) != 3 {
		t.Errorf("out holds %q", list(t, out))
	}

	// Once more: what is finished is not done again, whatever else is.
	scans := 0
	inner := d.another
	d.another = func(soft, hard context.Context, args []string) (int, string, error) {
		scans++
		return inner(soft, hard, args)
	}
	d.out.Reset()
	again := func(wanted int, change func()) {
		t.Helper()
		scans = 0
		change()
		run(d.factory, append(args, "--at-once", "1"))
		if scans != wanted+2 { // the bad ones are tried each time
			t.Errorf("%d programs ran, want %d", scans, wanted+2)
		}
	}
	again(0, func() {})
	if got := states(t, filepath.Join(out, "summary.json")); got["2 a/match.mp4"] != summary.Skipped || got["6 b/match.mkv"] != summary.Skipped {
		t.Errorf("states are %v", got)
	}
	document := filepath.Join(out, "match", findingsName)
	again(1, func() { write(t, filepath.Join(d.dir, "a/match.mp4"), "other pictures") })
	again(1, func() { write(t, document, read(t, document)[:100]) })
	again(1, func() {
		write(t, document, strings.Replace(read(t, document), `"version": "`+version, `"version": "0.0.9`, 1))
	})
	again(1, func() {
		write(t, document, strings.Replace(read(t, document), `"request"`, `"interrupted": true, "request"`, 1))
		write(t, document, strings.Replace(read(t, document), `"take": {`, `"interrupted": true, "take": {`, 1))
	})
	again(2, func() { args = append(args, "--distance", "2") })
	again(0, func() {})
	again(2, func() { args = append(args, "--setting", "note=x") })
	again(0, func() {})
	// What a scan that was killed left is removed when its take comes again.
	again(1, func() {
		write(t, document, "{")
		write(t, filepath.Join(out, "match", ".setwitness-123", "half"), "")
	})
	if got := list(t, filepath.Join(out, "match")); got != reportFiles {
		t.Errorf("the folder holds %q", got)
	}
}

// Parts hold every take once, and write different files.
func TestListParts(t *testing.T) {
	d := newDesk(t)
	var lines []string
	for i := range 7 {
		lines = append(lines, fmt.Sprintf("%d/match.mp4", i))
	}
	names := d.takes(t, lines...)
	out := filepath.Join(d.dir, "out")
	folders := map[string]int{}
	for i := range 3 {
		if code := run(d.factory, []string{"scan", "--quiet", "--list", names, "--out", out, "--part", fmt.Sprintf("%d/3", i)}); code != exitDone {
			t.Fatal(d.err)
		}
		s, err := summary.Read(filepath.Join(out, fmt.Sprintf("summary-%d-of-3.json", i)))
		if err != nil || s.Part != fmt.Sprintf("%d/3", i) || s.Counts[summary.Scanned] != len(s.Takes) {
			t.Errorf("%+v, %v", s, err)
		}
		for _, take := range s.Takes {
			folders[take.Folder]++
			if want := fmt.Sprintf("%d/match.mp4", take.Line-1); take.Path != want || (take.Line-1)%3 != i {
				t.Errorf("part %d: %+v", i, take)
			}
		}
	}
	if len(folders) != 7 {
		t.Errorf("folders are %v", folders)
	}
	// The whole list then finds all done, and sums them up.
	d.another = nil
	if code := run(d.factory, []string{"scan", "--quiet", "--list", names, "--out", out}); code != exitDone {
		t.Fatal(d.err)
	}
	if s, err := summary.Read(filepath.Join(out, "summary.json")); err != nil || s.Counts[summary.Skipped] != 7 || s.Found[detect.Combing].Takes != 7 {
		t.Errorf("%+v, %v", s, err)
	}
	// A part may be empty.
	if code := run(d.factory, []string{"scan", "--quiet", "--list", names, "--out", out, "--part", "8/9"}); code != exitDone {
		t.Fatal(d.err)
	}
	if got := states(t, filepath.Join(out, "summary-8-of-9.json")); len(got) != 0 {
		t.Errorf("an empty part has %v", got)
	}
	// Any count of parts holds every take once.
	for count := 1; count < 12; count++ {
		for i := range 30 {
			n := 0
			for index := range count {
				if (part{index, count}).holds(i) {
					n++
				}
			}
			if n != 1 || !(part{}).holds(i) {
				t.Errorf("take %d is in %d of %d parts", i, n, count)
			}
		}
	}
}

func TestListWrongLines(t *testing.T) {
	d := newDesk(t)
	file := func(name, text string) string {
		path := filepath.Join(d.dir, name)
		write(t, path, text)
		return path
	}
	good := d.takes(t, "a.mp4")
	for line, want := range map[string]string{
		"--list " + good:                                                   "--list needs --out",
		"--list " + good + " --out x b.mp4":                                `"b.mp4" is named beside a list`,
		"--list " + good + " --out x --at-once 0":                          "--at-once 0",
		"--list " + good + " --out x --at-once many":                       "not a whole number",
		"--list " + good + " --out x --part 3":                             "not INDEX/COUNT",
		"--list " + good + " --out x --part a/b":                           "not INDEX/COUNT",
		"--list " + good + " --out x --part -1/3":                          "not INDEX/COUNT",
		"--list " + good + " --out x --part 8/8":                           "the last of 8 is 7/8",
		"--list= --out x":                                                  "--list is given without a value",
		"--list nowhere.txt --out x":                                       "nowhere.txt",
		"--list " + d.dir + " --out x":                                     "directory",
		"--list " + file("empty", "\n#") + " --out x":                      "it names no take",
		"--list " + file("loud", "a.mp4\na.mp4\t--loud=x"):                 "--list needs",
		"--list " + file("wrong", "a.mp4\n\nb\t--eotf=x") + " --out x":     "wrong: line 3: --eotf",
		"--list " + file("twice", "a.mp4\tx=1\n./a.mp4\tx=1") + " --out x": "twice: line 2: it asks the same as line 1",
		"--list " + good + " --out " + good:                                "not a directory",
		"--at-once 2 a.mp4":                                                "--at-once belongs to --list",
		"--part 0/2 a.mp4":                                                 "--part belongs to --list",
	} {
		d.err.Reset()
		if code := run(d.factory, append([]string{"scan"}, strings.Fields(line)...)); code != exitUnusable {
			t.Errorf("%s: exit code %d", line, code)
		}
		if got := d.err.String(); !strings.Contains(got, want) || strings.Count(got, "\n") != 1 {
			t.Errorf("%s: stderr is %q, want one line with %q", line, got, want)
		}
	}
	if _, err := os.Stat("x"); err == nil {
		t.Error("a folder was made for a list that is refused")
	}
}

// No more takes at the same time than asked for.
func TestListAtOnce(t *testing.T) {
	d := newDesk(t)
	var lines []string
	for i := range 12 {
		lines = append(lines, fmt.Sprintf("%d.mp4", i))
	}
	var now, most atomic.Int32
	meet := make(chan struct{})
	d.another = func(_, _ context.Context, args []string) (int, string, error) {
		n := now.Add(1)
		for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
		}
		// Three have to be here together before any goes on.
		if n == 3 {
			select {
			case <-meet:
			default:
				close(meet)
			}
		}
		<-meet
		now.Add(-1)
		return exitUnusable, "setwitness: no pictures", nil
	}
	run(d.factory, []string{"scan", "--list", d.takes(t, lines...), "--out", filepath.Join(d.dir, "out"), "--at-once", "3"})
	if most.Load() != 3 {
		t.Errorf("%d takes at once", most.Load())
	}
}

// A scan that breaks down is told as a failure of the tool, an interrupted one
// as such, and what was not reached waits.
func TestListEnds(t *testing.T) {
	for name, c := range map[string]struct {
		code  int
		said  string
		err   error
		state summary.State
		why   string
		exit  int
	}{
		"bad take":       {exitUnusable, "setwitness: a.mp4: no video\n", nil, summary.Failed, "a.mp4: no video", exitUnusable},
		"internal":       {exitInternal, "goroutine 1\nsetwitness: a.mp4: internal failure: x\n", nil, summary.Failed, "a.mp4: internal failure: x", exitInternal},
		"signal":         {0, "", errors.New("signal: killed"), summary.Failed, "internal failure: the scan broke down: signal: killed", exitInternal},
		"native failure": {2, "SIGSEGV: segmentation violation\nPC=0x1 m=0", nil, summary.Failed, "broke down: exit code 2 (SIGSEGV: segmentation violation)", exitInternal},
		"no report":      {exitDone, "", nil, summary.Failed, "without a report", exitInternal},
		"interrupted":    {exitInterrupted, "setwitness: a.mp4: interrupted", nil, summary.Interrupted, "", exitInterrupted},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			names := d.takes(t, "a.mp4", "b.mp4")
			d.another = func(context.Context, context.Context, []string) (int, string, error) {
				if c.code == exitInterrupted {
					d.soft()
				}
				return c.code, c.said, c.err
			}
			out := filepath.Join(d.dir, "out")
			if code := run(d.factory, []string{"scan", "--list", names, "--out", out, "--at-once", "1"}); code != c.exit {
				t.Errorf("exit code %d, %s", code, d.err)
			}
			s, err := summary.Read(filepath.Join(out, "summary.json"))
			if err != nil {
				t.Fatal(err)
			}
			second := c.state
			if c.state == summary.Interrupted {
				second = summary.Waiting
			}
			if a, b := s.Takes[0], s.Takes[1]; a.State != c.state || !strings.Contains(a.Why, c.why) || b.State != second {
				t.Errorf("the takes are %+v and %+v", a, b)
			}
			if got := list(t, out); got != "summary.json" {
				t.Errorf("left behind: %q", got)
			}
		})
	}
}

// With the program itself: real clips, a bad one, Ctrl-C and going on.
func TestListOfClips(t *testing.T) {
	dir := t.TempDir()
	clip := small(t, "match.mp4", "-vf", "tinterlace=interleave_top")
	for _, name := range []string{"one.mp4", "two.mp4", "three.mp4"} {
		write(t, filepath.Join(dir, name), read(t, clip))
	}
	write(t, filepath.Join(dir, "letter.mp4"), strings.Repeat("no film ", 1000))
	names := filepath.Join(dir, "takes.txt")
	write(t, names, "one.mp4\tset=A\nletter.mp4\ntwo.mp4\tset=A\tfirmware=2\nthree.mp4\t--fields=weave\n")
	out := filepath.Join(dir, "out")
	// Two machines share the work first, at the same time.
	var parts sync.WaitGroup
	shared := filepath.Join(dir, "shared")
	for i, want := range []string{"2 takes: 2 scanned\n", "2 takes: 1 scanned, 1 failed\n"} {
		parts.Go(func() {
			if e := sw(t, "scan", "--list", names, "--out", shared, "--part", fmt.Sprintf("%d/2", i)); !strings.Contains(e.out, want) {
				t.Errorf("part %d: %s", i, e)
			}
		})
	}
	parts.Wait()
	e := sw(t, "scan", "--list", names, "--out", shared)
	if e.code != exitUnusable || !strings.Contains(e.out, "4 takes: 3 skipped, 1 failed") {
		t.Error(e)
	}
	e = sw(t, "scan", "--list", names, "--out", out, "--at-once", "2")
	if e.code != exitUnusable || strings.Count(e.err, "\n") != 1 || !strings.Contains(e.err, "letter.mp4: ") || !strings.Contains(e.out, "4 takes: 3 scanned, 1 failed") {
		t.Fatal(e)
	}
	for _, name := range []string{"one", "two", "three"} {
		whole(t, filepath.Join(out, name))
	}
	e = sw(t, "scan", "--list", names, "--out", out, "--json")
	if e.code != exitUnusable || !strings.Contains(e.out, `"skipped": 3`) || read(t, filepath.Join(out, "summary.json")) != e.out {
		t.Error(e)
	}
	if e = sw(t, "ledger", "--ledger", filepath.Join(dir, "ledger.db"), "add", "--setting", "set=A", filepath.Join(out, "one"), filepath.Join(out, "two"), filepath.Join(out, "three")); e.code != exitDone || strings.Count(e.out, "scan ") != 3 {
		t.Error(e)
	}
}

// A take that was scanned beside its source clip is finished as long as that is the
// same.
func TestListSource(t *testing.T) {
	dir := t.TempDir()
	clip := small(t, "match.mp4")
	write(t, filepath.Join(dir, "clips", "played.mp4"), read(t, clip))
	write(t, filepath.Join(dir, "take.mp4"), read(t, small(t, "take.mp4", "-crf", "30")))
	names := filepath.Join(dir, "takes.txt")
	out := filepath.Join(dir, "out")
	scan := func(line, want string) {
		t.Helper()
		write(t, names, "take.mp4"+line)
		if e := sw(t, "scan", "--list", names, "--out", out); !strings.Contains(e.out, want) {
			t.Errorf("%q: %s", line, e)
		}
	}
	scan("", "1 scanned")
	scan("\t--source=clips/played.mp4", "1 scanned")
	doc, err := report.Read(filepath.Join(out, "take", findingsName))
	if err != nil || doc.Alignment == nil || doc.Alignment.SHA256 == doc.Take.SHA256 {
		t.Fatalf("%+v, %v", doc, err)
	}
	scan("\t--source=clips/played.mp4", "1 skipped")
	write(t, filepath.Join(dir, "clips", "played.mp4"), read(t, small(t, "match.mp4", "-crf", "20")))
	scan("\t--source=clips/played.mp4", "1 scanned")
	scan("\t--source=clips/gone.mp4", "1 failed")
	scan("", "1 scanned")
}

// Ctrl-C ends the takes at work with what they have, starts no others, and says
// so; the list then goes on where it was.
func TestListCtrlC(t *testing.T) {
	dir := t.TempDir()
	piece := small(t, "piece.mp4", "-vf", "scale=1280:720", "-preset", "ultrafast")
	long := filepath.Join(dir, "long.mp4")
	ffmpeg(t, "-stream_loop", "119", "-i", piece, "-c", "copy", long)
	write(t, filepath.Join(dir, "short.mp4"), read(t, piece))
	write(t, filepath.Join(dir, "last.mp4"), read(t, piece))
	names := filepath.Join(dir, "takes.txt")
	write(t, names, "short.mp4\nlong.mp4\nlast.mp4\n")
	out := filepath.Join(dir, "out")
	sent := false
	e := atTerminal(t, []string{"TERM=xterm"}, func(text string, p *os.Process) {
		if !sent && strings.Contains(text, "1/3 takes, 1 at work") {
			sent = true
			if err := p.Signal(os.Interrupt); err != nil {
				t.Error(err)
			}
		}
	}, "scan", "--list", names, "--out", out, "--at-once", "1")
	if !sent || e.code != exitInterrupted || !strings.Contains(e.out, "interrupted; the same command goes on from here") {
		t.Fatalf("sent %t: %s", sent, e)
	}
	want := map[string]summary.State{"1 short.mp4": summary.Scanned, "2 long.mp4": summary.Interrupted, "3 last.mp4": summary.Waiting}
	got := states(t, filepath.Join(out, "summary.json"))
	if _, err := os.Stat(filepath.Join(out, "long")); err != nil && got["2 long.mp4"] == summary.Waiting {
		want["2 long.mp4"] = summary.Waiting // it was ended before its first picture
	}
	if !maps.Equal(got, want) {
		t.Errorf("states are %v", got)
	}
	have := []string{}
	entries, err := os.ReadDir(out)
	for _, f := range entries {
		have = append(have, f.Name())
	}
	have = slices.DeleteFunc(have, func(n string) bool { return n == "long" }) // it may have been ended before its first picture
	if err != nil || !slices.Equal(have, []string{"short", "summary.json"}) {
		t.Errorf("out holds %v, %v", have, err)
	}
	write(t, long, read(t, piece)) // so that the test is short
	if e := sw(t, "scan", "--list", names, "--out", out); e.code != exitDone || !strings.Contains(e.out, "3 takes: 2 scanned, 1 skipped") {
		t.Error(e)
	}
}

// A list that is killed takes its scans with it, so that no two scan one take when it goes on.
func TestListKilled(t *testing.T) {
	dir := t.TempDir()
	piece := small(t, "piece.mp4", "-vf", "scale=1280:720", "-preset", "ultrafast")
	long := filepath.Join(dir, "long.mp4")
	ffmpeg(t, "-stream_loop", "119", "-i", piece, "-c", "copy", long)
	names := filepath.Join(dir, "takes.txt")
	write(t, names, "long.mp4\n")
	out := filepath.Join(dir, "out")
	// atWork counts the programs that scan a take of it.
	atWork := func() (n int) {
		lines, err := filepath.Glob("/proc/[0-9]*/cmdline")
		if err != nil || len(lines) == 0 {
			t.Fatalf("no programs are listed: %v", err)
		}
		for _, l := range lines {
			text, _ := os.ReadFile(l) // it may have ended
			if strings.Contains(string(text), "--out="+filepath.Join(out, "long")) {
				n++
			}
		}
		return n
	}
	until := func(want int) {
		t.Helper()
		for range 1000 {
			if atWork() == want {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
		t.Fatalf("%d programs scan a take, not %d", atWork(), want)
	}
	cmd := exec.Command(binary, "scan", "--list", names, "--out", out, "--quiet")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(1)
	cmd.Process.Kill()
	cmd.Wait()
	until(0)
	if _, err := os.Stat(filepath.Join(out, "long", findingsName)); err == nil {
		t.Error("the take was finished")
	}
}
