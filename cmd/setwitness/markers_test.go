package main

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"setwitness/report"
)

// scannedAt writes a folder as a scan does, of a take with another frame rate.
func scannedAt(t *testing.T, rate string) (folder string, doc *report.Findings) {
	t.Helper()
	doc, err := report.Read(filepath.Join("..", "..", "report", "testdata", "findings.golden.json"))
	if err != nil {
		t.Fatal(err)
	}
	doc.Take.FrameRate, doc.Take.Path = rate, "match & replay.mp4"
	folder = filepath.Join(t.TempDir(), "scan")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := report.Write(filepath.Join(folder, findingsName), doc); err != nil {
		t.Fatal(err)
	}
	return folder, doc
}

func TestMarkers(t *testing.T) {
	scan, doc := scannedAt(t, "30000/1001")
	e := sw(t, "markers", scan)
	if e.code != exitDone || e.err != "" || !strings.Contains(e.out, "29.97 drop frame") {
		t.Fatal(e)
	}
	if got := list(t, scan); got != "findings.json made.json markers.csv markers.edl markers.otio markers.vtt" {
		t.Errorf("the folder holds %s", got)
	}
	if edl := read(t, filepath.Join(scan, "markers.edl")); !strings.Contains(edl, "FCM: DROP FRAME") || !strings.Contains(edl, "00:00:00;12") {
		t.Errorf("at 29.97 the list says\n%s", edl)
	}
	// What else there is to say of time code.
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--drop-frame=off"}, "FCM: NON-DROP FRAME"},
		{[]string{"--drop-frame", "--start-timecode", "01:00:00:00"}, " 01:00:00;"},
		{[]string{"--rate", "25"}, "* LOC: 00:00:00:10"},
		{[]string{"--rate", "60000/1001", "--start-timecode", "10:00:00;00"}, "* LOC: 10:00:00;2"},
		{[]string{"--rate", "23.976", "--start-timecode", "00:59:59:23"}, "* LOC: 01:00:00:"},
	} {
		e := sw(t, append([]string{"markers", scan, "--format", "edl", "--out", "-"}, c.args...)...)
		if e.code != exitDone || e.err != "" || !strings.Contains(e.out, c.want) {
			t.Errorf("%q: want %q; %s", c.args, c.want, e)
		}
	}
	// All findings, or some.
	rows := func(args ...string) (ids []string) {
		t.Helper()
		e := sw(t, append([]string{"markers", scan, "--format", "csv", "--out", "-"}, args...)...)
		if e.code != exitDone || e.err != "" {
			t.Fatal(e)
		}
		for line := range strings.Lines(e.out) {
			id, _, _ := strings.Cut(line, ",")
			ids = append(ids, id)
		}
		return ids[1:]
	}
	first := doc.Findings[0]
	for _, c := range []struct {
		args []string
		want []string
	}{
		{nil, []string{"f001", "f002", "f003"}},
		{[]string{"--top", "1"}, []string{first.ID}},
		{[]string{"--kind", "ghost"}, []string{"f002"}},
		{[]string{"--finding", "f003,f001"}, []string{"f001", "f003"}},
	} {
		if got := rows(c.args...); !slices.Equal(slices.Sorted(slices.Values(got)), c.want) {
			t.Errorf("%q: %q, want %q", c.args, got, c.want)
		}
	}
	// A file, a folder that is made, one that is there.
	dir := t.TempDir()
	for _, c := range []struct {
		out, format, want string
	}{
		{filepath.Join(dir, "chapters.vtt"), "vtt", "chapters.vtt"},
		{filepath.Join(dir, "new"), "all", "new/markers.csv"},
		{filepath.Join(dir, "new"), "csv", "new/markers.csv"},
		{filepath.Join(dir, "newer") + "/", "otio", "newer/markers.otio"},
	} {
		if e := sw(t, "markers", scan, "--format", c.format, "--out", c.out, "--quiet"); e.code != exitDone || e.out+e.err != "" {
			t.Errorf("%s: %s", c.out, e)
		}
		if _, err := os.Stat(filepath.Join(dir, c.want)); err != nil {
			t.Error(err)
		}
	}
	if n := len(doc.Findings); strings.Count(read(t, filepath.Join(dir, "new", "markers.csv")), "\r\n") != n+1 {
		t.Errorf("the table has not %d records", n+1)
	}
	// The take is found from where the file is.
	write(t, filepath.Join(filepath.Dir(scan), "match & replay.mp4"), "")
	if e := sw(t, "markers", scan, "--format", "otio", "--out", "-"); !strings.Contains(e.out, `"target_url": "../match%20&%20replay.mp4"`) {
		t.Error(e)
	}
}

func TestMarkersRefuse(t *testing.T) {
	scan, _ := scannedAt(t, "25/1")
	take := filepath.Join(filepath.Dir(scan), "match & replay.mp4")
	write(t, take, "pictures")
	for _, c := range []struct {
		args        []string
		what, wants string
	}{
		{nil, "folder of a scan", "--help"},
		{[]string{filepath.Join(scan, "none")}, "none", "no such file"},
		{[]string{scan, "--format", "srt"}, "--format", `"srt"`},
		{[]string{scan, "--out", "-"}, "--out", "one --format"},
		{[]string{scan, "--drop-frame=maybe"}, "--drop-frame", "maybe"},
		{[]string{scan, "--drop-frame"}, "--drop-frame", "29.97"},
		{[]string{scan, "--kind", "smear"}, "--kind", "smear"},
		{[]string{scan, "--kind", "vignetting"}, "scan", "no finding of the kind"},
		{[]string{scan, "--top", "0"}, "--top", "at least one"},
		{[]string{scan, "--finding", "f009"}, "scan", `"f009"`},
		{[]string{scan, "--rate", "26"}, "--rate", "26"},
		{[]string{scan, "--rate", "0.0000000000000025"}, "--rate", "none of"},
		{[]string{scan, "--start-timecode", "1:00"}, "--start-timecode", "hh:mm:ss:ff"},
		{[]string{scan, "--start-timecode", "01:00:00;00"}, "--start-timecode", "semicolon"},
		{[]string{scan, "--rate", "29.97", "--start-timecode", "01:01:00:00"}, "--start-timecode", "dropped"},
		{[]string{scan, "--out", filepath.Join(scan, findingsName)}, findingsName, "not a directory"},
		{[]string{scan, "--out", ""}, "--out", ""},
		{[]string{scan, "--format", "csv", "--out", filepath.Join(scan, findingsName)}, findingsName, "made from"},
		{[]string{scan, "--format", "csv", "--out", take}, "match & replay.mp4", "made from"},
	} {
		refused(t, sw(t, append([]string{"markers"}, c.args...)...), c.what, c.wants)
	}
	write(t, filepath.Join(scan, findingsName), "{}")
	refused(t, sw(t, "markers", scan), findingsName, "schema")
}

// A full disk leaves the earlier file and nothing else, and the reason is told.
func TestMarkersDiskFull(t *testing.T) {
	scan, _ := scannedAt(t, "25/1")
	disk := tmpfs(t, "size=4k")
	path := filepath.Join(disk, "x.otio")
	write(t, path, "the earlier one")
	refused(t, sw(t, "markers", scan, "--format", "otio", "--out", path), "x.otio", "no space left")
	if got := list(t, disk); got != "x.otio" || read(t, path) != "the earlier one" {
		t.Errorf("the disk holds %s", got)
	}
}

// FFmpeg reads the chapters: as many cues, at the times of the findings.
func TestMarkersByFFmpeg(t *testing.T) {
	scan, doc := scannedAt(t, "50/1")
	if e := sw(t, "markers", scan, "--format", "vtt"); e.code != exitDone {
		t.Fatal(e)
	}
	out, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "packet=pts_time,duration_time", "-of", "csv=p=0", filepath.Join(scan, "markers.vtt")).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var starts []string
	for line := range strings.Lines(string(out)) {
		start, _, _ := strings.Cut(strings.TrimSpace(line), ",")
		starts = append(starts, start)
	}
	for _, f := range doc.Findings {
		if want := strconv.FormatFloat(f.StartS, 'f', 6, 64); !strings.Contains(strings.Join(starts, " "), want) {
			t.Errorf("FFmpeg reads cues at %q, none at %s", starts, want)
		}
	}
}

// A general-purpose editor imports the list: Debian's openshot-qt finds the take by
// its name and puts as many clips on its time line, at the labels of the findings. It
// knows no dropped labels.
func TestMarkersByEditor(t *testing.T) {
	const python, importer = "/usr/bin/python3", "/usr/lib/python3/dist-packages/openshot_qt/classes/importers/edl.py"
	if _, err := os.Stat(importer); err != nil {
		t.Skip("openshot-qt is not installed, as scripts/test does")
	}
	script, err := filepath.Abs(filepath.Join("testdata", "import_edl.py"))
	if err != nil {
		t.Fatal(err)
	}
	for _, rate := range []string{"25/1", "24000/1001", "50/1"} {
		scan, doc := scannedAt(t, rate)
		take := filepath.Join(filepath.Dir(scan), "match & replay.mp4")
		ffmpeg(t, "-f", "lavfi", "-i", "testsrc2=s=64x48:r="+rate+":d=8", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", take)
		if e := sw(t, "markers", scan, "--format", "edl", "--start-timecode", "00:00:00:00", "--drop-frame=off"); e.code != exitDone {
			t.Fatal(e)
		}
		num, den, _ := strings.Cut(rate, "/")
		cmd := exec.Command(python, script, filepath.Join(scan, "markers.edl"), num, den)
		cmd.Dir = filepath.Dir(take)
		cmd.Env = append(os.Environ(), "QT_QPA_PLATFORM=offscreen", "HOME="+t.TempDir())
		var errs strings.Builder
		cmd.Stderr = &errs
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v\n%s%s", rate, err, out, errs.String())
		}
		type clip struct {
			File                 string
			Position, Start, End float64
			Lines                int
		}
		var clips []clip
		for line := range strings.Lines(string(out)) {
			if !strings.HasPrefix(line, "{") {
				continue // the editor's own messages
			}
			var c clip
			if err := json.Unmarshal([]byte(line), &c); err != nil {
				t.Fatal(err)
			}
			clips = append(clips, c)
		}
		starts := map[float64]bool{} // findings that begin together share an event
		for _, f := range doc.Findings {
			starts[f.StartS] = true
		}
		if len(clips) != len(starts) {
			t.Fatalf("%s: the editor has %d clips for findings at %v\n%s", rate, len(clips), starts, out)
		}
		for _, f := range doc.Findings {
			n, err := strconv.Atoi(num)
			d, err2 := strconv.Atoi(den)
			if err != nil || err2 != nil {
				t.Fatal(err, err2)
			}
			label := float64(d) / float64(n)
			i := slices.IndexFunc(clips, func(c clip) bool {
				// Seconds of the count are longer than seconds where the rate is a
				// thousandth lower.
				return math.Abs(c.Start-f.StartS) < label+f.StartS/1000
			})
			if i < 0 {
				t.Errorf("%s: %s at %g s is not among %+v", rate, f.ID, f.StartS, clips)
				continue
			}
			if c := clips[i]; c.File != "match & replay.mp4" || c.Lines != 48 || c.Position != c.Start || c.End <= c.Start {
				t.Errorf("%s: %s is %+v", rate, f.ID, c)
			}
		}
	}
}
