package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/detect"
	"setwitness/report/compare"
	"setwitness/report/matrix"
)

// thrown is a clip of two seconds in which a square crosses the picture; woven
// from two fields if it is to be combed.
func thrown(t *testing.T, name string, combed bool) string {
	t.Helper()
	rate := "fps=25"
	if combed {
		rate = "tinterlace=interleave_top"
	}
	path := filepath.Join(t.TempDir(), name)
	ffmpeg(t, "-f", "lavfi", "-i", "color=gray:s=640x360:r=50:d=2", "-f", "lavfi", "-i", "color=white:s=60x60:r=50:d=2",
		"-filter_complex", "[0][1]overlay=x='20+8*n':y=150,"+rate, "-c:v", "libx264", "-crf", "12", "-preset", "veryfast", "-pix_fmt", "yuv420p", "-frames:v", "50", path)
	return path
}

// scanOf scans a clip and returns the folder.
func scanOf(t *testing.T, clip string, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "scan")
	if e := sw(t, append([]string{"scan", "--quiet", "--out", out, clip}, args...)...); e.code != exitDone {
		t.Fatal(e)
	}
	return out
}

func TestCompare(t *testing.T) {
	combed := scanOf(t, thrown(t, "on.mp4", true), "--setting", "film=on")
	clean := scanOf(t, thrown(t, "off.mp4", false), "--setting", "film=off")

	out := filepath.Join(t.TempDir(), "worse")
	e := sw(t, "compare", "--before", clean, "--after", combed, "--out", out)
	if e.code != exitRegressed || e.err != "" {
		t.Fatal(e)
	}
	for _, want := range []string{"regressed", "setting film:", "off -> on", "combing", "new", filepath.Join(out, compare.PageName)} {
		if !strings.Contains(e.out, want) {
			t.Errorf("%q is missing: %s", want, e)
		}
	}
	c, err := compare.Read(filepath.Join(out, compare.DocumentName))
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Pairs) != 1 || c.Pairs[0].Verdict != compare.New || c.Pairs[0].Kind != detect.Combing || !c.Regressed || !c.Aligned {
		t.Errorf("%+v", c)
	}
	page := read(t, filepath.Join(out, compare.PageName))
	if !strings.Contains(page, "film: off → on") {
		t.Error("the page lacks what was changed")
	}
	// The place is shown on both sides, also where nothing was found.
	if n := strings.Count(page, "data:image/png;base64,"); n != 2 || !strings.Contains(page, "where it was not found") {
		t.Errorf("%d pictures on the page", n)
	}

	// The other way round it is better, and the default folder stands beside
	// that of the scan.
	e = sw(t, "compare", "--before", combed, "--after", clean, "--json")
	if e.code != exitDone || e.err != "" {
		t.Fatal(e)
	}
	if c, err = compare.Decode(strings.NewReader(e.out)); err != nil || c.Regressed || c.Pairs[0].Verdict != compare.Fixed {
		t.Errorf("%v: %s", err, e)
	}
	if _, err := compare.Read(filepath.Join(clean+".comparison", compare.DocumentName)); err != nil {
		t.Error(err)
	}

	// A tolerance above its visibility lets it pass.
	e = sw(t, "compare", "--before", clean, "--after", combed, "--out", out, "--tolerance", "100000", "--quiet")
	if e.code != exitDone || e.out != "" || e.err != "" {
		t.Error(e)
	}
	if list(t, out) != compare.PageName+" "+compare.DocumentName && list(t, out) != compare.DocumentName+" "+compare.PageName {
		t.Errorf("the folder holds %q", list(t, out))
	}

	// The same take as several passes persists.
	e = sw(t, "compare", "--before", combed, "--before", combed, "--after", combed, "--out", out)
	if e.code != exitDone || !strings.Contains(e.out, "persisting") || !strings.Contains(e.out, "no repeated passes") {
		t.Error(e)
	}

	// Matrix.
	e = sw(t, "matrix", combed, clean, "--out", out)
	if e.code != exitDone || e.err != "" || !strings.Contains(e.out, "Gone with film=off") || !strings.Contains(e.out, "not settled") {
		t.Fatal(e)
	}
	b, err := os.Open(filepath.Join(out, matrix.DocumentName))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if m, err := matrix.Decode(b); err != nil || len(m.Rows) != 1 || len(m.Columns) != 2 {
		t.Errorf("%v: %+v", err, m)
	}
	if table := read(t, filepath.Join(out, matrix.TableName)); strings.Count(table, "\r\n") != 2 || !strings.Contains(table, "film=off: seen") {
		t.Errorf("the table is %q", table)
	}
}

func TestCompareUnusable(t *testing.T) {
	dir := t.TempDir()
	scan := scanOf(t, small(t, "a.mp4"))
	broken := filepath.Join(dir, "broken")
	write(t, filepath.Join(broken, findingsName), "{\n\"schema\": 3}")
	file := filepath.Join(dir, "file")
	write(t, file, "")
	for _, c := range []struct {
		args         []string
		file, reason string
	}{
		{[]string{"compare", "--after", scan}, "--before", "missing"},
		{[]string{"compare", "--before", scan}, "--after", "missing"},
		{[]string{"compare", "--before", "", "--after", scan}, "--before", "without a value"},
		{[]string{"compare", "--before", scan, "--after", filepath.Join(dir, "nowhere")}, filepath.Join(dir, "nowhere"), "no such folder"},
		{[]string{"compare", "--before", dir, "--after", scan}, dir, "holds no findings.json"},
		{[]string{"compare", "--before", file, "--after", scan}, file, "not the folder"},
		{[]string{"compare", "--before", broken, "--after", scan}, broken, "line 2"},
		{[]string{"compare", "--before", scan, "--after", scan, "--tolerance", "-1"}, "--tolerance", "negative"},
		{[]string{"compare", "--before", scan, "--after", scan, "--tolerance", "much"}, "--tolerance", "not a number"},
		{[]string{"compare", "--before", scan, "--after", scan, "x"}, "compare", "no arguments"},
		{[]string{"compare", "--before", scan, "--after", scan, "--out", file}, file, "cannot be written"},
		{[]string{"matrix", scan}, "matrix", "two folders"},
		{[]string{"matrix", scan, broken}, broken, "line 2"},
		{[]string{"matrix", scan, scan, "--out", filepath.Join(file, "x")}, file, "cannot be written"},
	} {
		refused(t, sw(t, c.args...), c.file, c.reason)
	}
}

// Takes that nothing lays beside each other give no all-clear.
func TestCompareUnaligned(t *testing.T) {
	one, other := scanOf(t, small(t, "a.mp4", "-vf", "negate")), scanOf(t, small(t, "b.mp4", "-frames:v", "20"))
	out := filepath.Join(t.TempDir(), "out")
	e := sw(t, "compare", "--before", one, "--after", other, "--out", out, "--quiet")
	if e.code != exitUnusable || strings.Count(e.err, "\n") != 1 || !strings.Contains(e.err, other) {
		t.Error(e)
	}
	if c, err := compare.Read(filepath.Join(out, compare.DocumentName)); err != nil || c.Aligned {
		t.Errorf("the comparison that says why: %v", err)
	}
}
