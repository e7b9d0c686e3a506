package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/ledger"
)

// The full loop is `go test ./cmd/setwitness -run TestLedgerKilled -kills 200`;
// the package's own tests hold a lighter program against 200 kills each time.
var kills = flag.Int("kills", 12, "how often TestLedgerKilled kills a program that writes to a ledger")

// books of a test are in a folder of its own.
func inLedger(t *testing.T) (file string, run func(args ...string) ended) {
	t.Helper()
	file = filepath.Join(t.TempDir(), "lab", "ledger.db")
	return file, func(args ...string) ended {
		t.Helper()
		return sw(t, append([]string{"ledger", "--ledger", file}, args...)...)
	}
}

// rescanned writes a folder as a scan of another take writes it, without the time
// that a scan takes.
func rescanned(t *testing.T, dir string, change func(*report.Findings)) string {
	t.Helper()
	doc, err := report.Read(filepath.Join(dir, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	change(doc)
	out := filepath.Join(t.TempDir(), "scan")
	if err := os.CopyFS(out, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	if err := report.Write(filepath.Join(out, findingsName), doc); err != nil {
		t.Fatal(err)
	}
	return out
}

// From scans of clips to a baseline and checks against it, one of a clip that is
// woven from fields.
func TestLedger(t *testing.T) {
	file, led := inLedger(t)
	scan := func(firmware, rate string, filter ...string) string {
		clip, out := filepath.Join(t.TempDir(), "match.mp4"), filepath.Join(t.TempDir(), "out")
		ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", "testsrc2=s=320x180:d=3:r=" + rate}, filter...), clip)...)
		if e := sw(t, "scan", "--quiet", "--out", out, "--setting", "set=living room", "--setting", "firmware="+firmware, clip); e.code != exitDone {
			t.Fatal(e)
		}
		return out
	}
	good, woven := scan("2.1", "25"), scan("2.2", "50", "-vf", "tinterlace=interleave_top")

	refused(t, led("list"), file, "there is no ledger")
	refused(t, led("check", good), file, "there is no ledger")
	e := led("add", good)
	if e.code != exitDone || e.err != "" || !strings.HasPrefix(e.out, "scan 1: match.mp4 of set living room, firmware 2.1; ") {
		t.Fatal(e)
	}
	if e = led("add", good); e.code != exitDone || !strings.HasPrefix(e.out, "scan 1: there already (same take") || strings.Contains(e.out, "mind") {
		t.Error(e)
	}
	refused(t, led("check", good), file, `has no baseline "baseline" for set "living room"`)
	if e = led("baseline", "1"); e.code != exitDone || e.out != "scan 1 is the baseline \"baseline\" of set living room\n" {
		t.Error(e)
	}

	// The baseline's folder is gone, and the same take comes again: all is as it was.
	again := rescanned(t, good, func(*report.Findings) {})
	if err := os.RemoveAll(good); err != nil {
		t.Fatal(err)
	}
	if e = led("check", again); e.code != exitDone || e.err != "" || !strings.HasPrefix(e.out, "nothing is new or stronger") {
		t.Error(e)
	}
	if c, err := compare.Read(filepath.Join(again+".comparison", compare.DocumentName)); err != nil || c.Before[0].Folder != "scan 1" || c.After[0].Folder != again ||
		!slices.Equal(c.Warnings, []string{"scan 1, " + again + " are scans of the same file, which are no repeated passes"}) {
		t.Errorf("%+v, %v", c, err)
	}

	// With the next firmware there is combing.
	out := filepath.Join(t.TempDir(), "verdict")
	e = led("check", woven, "--out", out, "--json")
	c, err := compare.Decode(strings.NewReader(e.out))
	if err != nil || e.code != exitRegressed || !c.Regressed || len(c.Settings) != 1 || c.Settings[0].Name != "firmware" {
		t.Fatalf("%s, %v", e, err)
	}
	if c, err := compare.Read(filepath.Join(out, compare.DocumentName)); err != nil || !c.Regressed {
		t.Errorf("%+v, %v", c, err)
	}

	var list struct {
		Scans     []ledger.Scan
		Baselines []ledger.Baseline
		Checks    []ledger.Check
	}
	if err := json.Unmarshal([]byte(led("list", "--json").out), &list); err != nil {
		t.Fatal(err)
	}
	if len(list.Scans) != 2 || list.Scans[1].Findings[detect.Combing] == 0 || len(list.Baselines) != 1 || len(list.Checks) != 2 || list.Checks[0].Regressed || !list.Checks[1].Regressed {
		t.Errorf("listed: %+v", list)
	}
	e = led("list")
	for _, want := range []string{"living room", "2.2", "match.mp4", "combing", "\nbaseline", "\ncheck", "yes"} {
		if !strings.Contains(e.out, want) {
			t.Errorf("%q is not listed: %s", want, e)
		}
	}
	if e = led("list", "--set", "kitchen"); e.out != "no scans\n" {
		t.Error(e)
	}

	// What was stored comes back.
	back := filepath.Join(t.TempDir(), "back")
	if e = led("show", "2", "--out", back); e.code != exitDone {
		t.Error(e)
	}
	if _, err := compare.Load(back); err != nil || read(t, filepath.Join(back, findingsName)) != led("show", "2", "--json").out {
		t.Errorf("the folder came back otherwise, %v", err)
	}
	refused(t, led("show", "2", "--out", back), back, "is there already")
	if e = led("show", "1"); !strings.Contains(e.out, "belongs to the baseline baseline") || !strings.Contains(e.out, "coverage") && !strings.Contains(e.out, "combing:") || strings.Contains(e.out, "report:") {
		t.Error(e)
	}
	refused(t, led("show", "3"), file, "has no scan 3")

	// A backup is a ledger.
	copied := filepath.Join(t.TempDir(), "backup.db")
	if e = led("backup", copied); e.code != exitDone {
		t.Error(e)
	}
	if a, b := led("list").out, sw(t, "ledger", "list", "--ledger", copied).out; a != b {
		t.Errorf("the backup lists %s, the ledger %s", b, a)
	}

	// A ledger of a newer program is left alone. The version of the schema stands
	// at byte 60 of an SQLite file (SQLite's description of its file format, 1.3).
	b := []byte(read(t, copied))
	b[60]++
	write(t, copied, string(b))
	for _, command := range [][]string{{"list"}, {"add", woven}, {"check", woven}, {"backup", filepath.Join(t.TempDir(), "b.db")}} {
		refused(t, sw(t, append([]string{"ledger", "--ledger", copied}, command...)...), copied, "use a newer one")
	}
	if read(t, copied) != string(b) {
		t.Error("a ledger of a newer program was changed")
	}
}

func TestLedgerWrongLines(t *testing.T) {
	d := newDesk(t)
	t.Setenv("XDG_DATA_HOME", filepath.Join(d.dir, "data"))
	clip := d.clip(t, "match.mp4")
	if code := run(d.factory, []string{"scan", clip, "--quiet", "--setting", "set=A"}); code != exitDone {
		t.Fatal(d.err)
	}
	dir := clip + ".setwitness"
	if code := run(d.factory, []string{"ledger", "add", dir}); code != exitDone {
		t.Fatal(d.err)
	}
	for line, want := range map[string]string{
		"ledger sell":                          `unknown command "sell"`,
		"ledger add":                           "no folder of a scan is named",
		"ledger add nowhere":                   "nowhere: is no folder of a scan",
		"ledger add --setting set":             "no folder",
		"ledger add --setting set=B " + dir:    "set=A, which is not B",
		"ledger add --setting set " + dir:      "is not key=value",
		"ledger list extra":                    "takes no arguments",
		"ledger list --ledger " + clip:         "no ledger",
		"ledger list --ledger " + d.dir:        "no file that could be a ledger",
		"ledger show":                          "one scan must be named",
		"ledger show x":                        `"x" is not the number of a scan`,
		"ledger show 0":                        `"0" is not the number of a scan`,
		"ledger show 1 --out=":                 "--out is given without a value",
		"ledger baseline":                      "no folder of a scan",
		"ledger baseline 7":                    "has no scan 7",
		"ledger baseline 1 1":                  "named twice",
		"ledger baseline 1 --name=":            `--name "" is no name`,
		"ledger check":                         "no folder of a scan",
		"ledger check nowhere":                 "nowhere",
		"ledger check --tolerance x " + dir:    `"x" is not a number`,
		"ledger check --name film " + dir:      `has no baseline "film"`,
		"ledger backup":                        "must be named",
		"ledger backup " + clip:                "match.mp4",
		"ledger backup " + d.dir + "/no/b.db":  "no such file",
		"ledger add --ledger /dev/null " + dir: "no file that could be a ledger",
	} {
		d.err.Reset()
		if code := run(d.factory, strings.Fields(line)); code != exitUnusable {
			t.Errorf("%s: exit code %d", line, code)
		}
		if got := d.err.String(); !strings.Contains(got, want) || strings.Count(got, "\n") != 1 {
			t.Errorf("%s: stderr is %q, want %q", line, got, want)
		}
	}
	if _, err := os.Stat(filepath.Join(d.dir, "data", "setwitness", "ledger.db")); err != nil {
		t.Error(err)
	}
	// The same scan twice on one side is no second pass.
	d.err.Reset()
	if code := run(d.factory, []string{"ledger", "baseline", "1"}); code != exitDone {
		t.Fatal(d.err)
	}
	if code := run(d.factory, []string{"ledger", "check", dir, dir}); code != exitUnusable || !strings.Contains(d.err.String(), "named before") {
		t.Errorf("exit code %d, %s", code, d.err)
	}
}

// Programs that are killed while they write lose nothing that they said they had
// stored, and leave a ledger that is whole.
func TestLedgerKilled(t *testing.T) {
	first := filepath.Join(t.TempDir(), "out")
	if e := sw(t, "scan", "--quiet", "--out", first, "--setting", "set=living room", small(t, "match.mp4", "-vf", "tinterlace=interleave_top")); e.code != exitDone {
		t.Fatal(e)
	}
	file := filepath.Join(t.TempDir(), "ledger.db")
	random := rand.New(rand.NewPCG(7, 7))
	acknowledged := map[string]bool{} // lines of programs that were killed
	next := 0
	for range *kills {
		var dirs []string
		for range 6 {
			next++
			dirs = append(dirs, rescanned(t, first, func(d *report.Findings) {
				d.Take.SHA256 = fmt.Sprintf("%064x", next)
				d.Take.Path = fmt.Sprintf("take-%d.mp4", next)
			}))
		}
		cmd := exec.Command(binary, append([]string{"ledger", "add", "--ledger", file}, dirs...)...)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// From the start of the program, or from one of its acknowledgments on.
		after, delay := random.IntN(5), time.Duration(random.IntN(30))*time.Millisecond
		var once sync.Once
		kill := func() { time.AfterFunc(delay, func() { once.Do(func() { cmd.Process.Kill() }) }) }
		if after == 0 {
			delay *= 5 // it has to load first
			kill()
		}
		lines := bufio.NewScanner(out)
		for n := 1; lines.Scan(); n++ {
			acknowledged[lines.Text()] = true
			if n == after {
				kill()
			}
		}
		if err := cmd.Wait(); err != nil && !errors.As(err, new(*exec.ExitError)) {
			t.Fatal(err)
		}
		if _, err := os.Stat(file); err != nil {
			continue // killed before it had made one
		}
		whole := func() error {
			l, err := ledger.Open(t.Context(), file)
			if err != nil {
				return err
			}
			defer l.Close()
			if err := l.Verify(t.Context()); err != nil {
				return err
			}
			scans, err := l.Scans(t.Context(), "")
			if err != nil {
				return err
			}
			there := map[string]bool{}
			for _, s := range scans {
				there[fmt.Sprintf("scan %d: %s of set living room; %s", s.ID, s.Take, counts(s.Findings, detect.Kinds))] = true
			}
			for line := range acknowledged {
				if !there[line] {
					return fmt.Errorf("%q was said and is not there", line)
				}
			}
			if len(scans) > 0 {
				return l.Restore(t.Context(), scans[len(scans)-1].ID, t.TempDir())
			}
			return nil
		}
		if err := whole(); err != nil {
			t.Fatal(err)
		}
	}
	if len(acknowledged) == 0 {
		t.Error("nothing was ever stored")
	}
	t.Logf("%d kills, %d of %d scans were acknowledged", *kills, len(acknowledged), next)
}

// A full disk gives one line, and the ledger stays as it was.
func TestLedgerDiskFull(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	if e := sw(t, "scan", "--quiet", "--out", dir, "--setting", "set=living room", small(t, "match.mp4", "-vf", "tinterlace=interleave_top")); e.code != exitDone {
		t.Fatal(e)
	}
	disk := tmpfs(t, "size=600k")
	file := filepath.Join(disk, "ledger.db")
	stored := 0
	for n := range 200 {
		one := rescanned(t, dir, func(d *report.Findings) { d.Take.SHA256 = fmt.Sprintf("%064x", n) })
		e := sw(t, "ledger", "add", "--ledger", file, one)
		if e.code == exitDone {
			stored++
			continue
		}
		refused(t, e, file, "no space left")
		break
	}
	e := sw(t, "ledger", "list", "--ledger", file)
	if got := strings.Count(e.out, "match.mp4"); e.code != exitDone || got != stored || stored == 0 {
		t.Errorf("%d scans were stored, listed: %s", stored, e)
	}
	refused(t, sw(t, "ledger", "backup", "--ledger", file, filepath.Join(disk, "backup.db")), "backup.db", "no space left")
	if got := list(t, disk); strings.Contains(got, "backup") || strings.Contains(got, ".setwitness-") {
		t.Errorf("left behind: %q", got)
	}
}

func TestLedgerHelp(t *testing.T) {
	d := newDesk(t)
	for _, command := range []string{"", "add", "list", "show", "baseline", "check", "backup"} {
		d.out.Reset()
		if code := run(d.factory, strings.Fields("ledger "+command+" --help")); code != exitDone || !strings.Contains(d.out.String(), "--ledger FILE") {
			t.Errorf("ledger %s: exit code %d, %s", command, code, d.out)
		}
	}
	d.out.Reset()
	if run(d.factory, []string{"ledger", "--help"}); !strings.Contains(d.out.String(), "$XDG_DATA_HOME") {
		t.Errorf("the help does not say where the ledger is: %s", d.out)
	}
}
