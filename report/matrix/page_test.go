package matrix

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/report"
	"setwitness/testdata/browser"
)

// Text that would break out of a page that does not escape it.
const hostile = `"><script>alert('x')</script><img src=x onerror=alert(1)> & 'q'`

func TestPage(t *testing.T) {
	scans := join(times(4, "film=off,firmware=1", false), times(4, "film=on,firmware=2", true), times(2, "film=on,firmware=2,room="+hostile, true))
	for _, s := range scans {
		s.Folder = t.TempDir()
		if err := report.Write(filepath.Join(s.Folder, "findings.json"), s.Doc); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(s.Folder, "report.html"), []byte("<title>scan</title>"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	m := build(t, scans...)
	dir := filepath.Join(t.TempDir(), "out")
	if err := WriteFolder(dir, m, scans); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 3 {
		t.Fatalf("%v: %v", err, entries)
	}
	path := filepath.Join(dir, PageName)
	html, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(html), hostile) {
		t.Error("a setting is not escaped")
	}
	b := browser.Launch(t)
	for name, c := range map[string]struct {
		w     int64
		extra []browser.Step
	}{
		"matrix-desktop": {1280, nil},
		"matrix-phone":   {360, nil},
		"matrix-dark":    {1280, []browser.Step{browser.Dark()}},
		"matrix-print":   {760, []browser.Step{browser.Print()}},
	} {
		t.Run(name, func(t *testing.T) {
			v := browser.Visit(t, b, path, c.w, 900, c.extra...)
			v.Sound()
			v.WholeShot(name)
			if got := browser.JS[string](v, `[...document.querySelectorAll(".cell b")].map(c => c.textContent).join(" ")`); got != "0/4 4/4 2/2" {
				t.Errorf("cells %s", got)
			}
			if got := browser.JS[string](v, `document.querySelector(".notice").textContent`); !strings.Contains(got, "film, firmware") && !strings.Contains(got, "firmware, film") {
				t.Errorf("confounded settings are not said: %q", got)
			}
			if got := browser.JS[int](v, `document.querySelectorAll('.cell a[href$="report.html#f001"]').length`); got != 6 {
				t.Errorf("%d links to findings", got)
			}
		})
	}
}
