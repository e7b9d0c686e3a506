package compare_test

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/crops"
	"setwitness/testdata/browser"
	"setwitness/testdata/comparisons"
)

// Text that would break out of a page that does not escape it.
const hostile = `"><script>alert('x')</script><img src=x onerror=alert(1)> & 'q'`

// folder writes a scan into a folder with a crop for each finding, which is of
// one tone with a bar at column 600 of the raster.
func folder(t *testing.T, s *compare.Scan, tone uint8) *compare.Scan {
	t.Helper()
	s.Folder = t.TempDir()
	raster := image.Rect(0, 0, s.Doc.View.Raster.Width, s.Doc.View.Raster.Height)
	for i := range s.Doc.Findings {
		f := &s.Doc.Findings[i]
		peak := f.Region
		f.PeakRegion = &peak
		f.Evidence = report.Evidence{Crop: f.ID + "-crop.png", Context: f.ID + "-context.png"}
		px := func(v float64, of int) int { return int(v*float64(of) + 0.5) }
		window := crops.Window(image.Rect(px(peak.X, raster.Dx()), px(peak.Y, raster.Dy()), px(peak.X+peak.W, raster.Dx()), px(peak.Y+peak.H, raster.Dy())), raster)
		img := image.NewRGBA(window)
		for y := window.Min.Y; y < window.Max.Y; y++ {
			for x := window.Min.X; x < window.Max.X; x++ {
				c := color.RGBA{tone, tone, tone, 255}
				if x >= 600 && x < 610 {
					c = color.RGBA{255, 0, 0, 255}
				}
				img.SetRGBA(x, y, c)
			}
		}
		var b bytes.Buffer
		if err := png.Encode(&b, img); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(s.Folder, f.Evidence.Crop), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := report.Write(filepath.Join(s.Folder, "findings.json"), s.Doc); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(s.Folder, "report.html"), []byte("<title>scan</title>"), 0o644); err != nil {
		t.Fatal(err)
	}
	return s
}

// example is a comparison with each verdict, written into a folder.
func example(t *testing.T) (dir string, c *compare.Comparison) {
	t.Helper()
	aside := at(found(detect.Combing, 2, 40), 0.42, 0.38)
	before := folder(t, with(taken(found(detect.Combing, 2, 20), found(detect.Ghost, 5, 60), found(detect.NearBlackBanding, 8, 20), found(detect.Combing, 11, 30)), func(d *report.Findings) {
		d.Conditions.Settings = map[string]string{"film": "on", "room": hostile}
	}), 60)
	after := folder(t, with(taken(aside, found(detect.NearBlackBanding, 8, 10), found(detect.Combing, 11, 30), found(detect.CadenceBreak, 14, 2), sure(found(detect.Macroblocking, 17, 3), 0.6)), func(d *report.Findings) {
		d.Conditions.Settings = map[string]string{"film": "off"}
	}), 200)
	for _, s := range []*compare.Scan{before, after} {
		if again, err := compare.Load(s.Folder); err != nil || len(again.Doc.Findings) != len(s.Doc.Findings) {
			t.Fatalf("the folder cannot be read again: %v", err)
		}
	}
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{Version: "0.0.0-test"})
	if err != nil {
		t.Fatal(err)
	}
	dir = filepath.Join(t.TempDir(), "out")
	if err := compare.WriteFolder(dir, c, []*compare.Scan{before}, []*compare.Scan{after}); err != nil {
		t.Fatal(err)
	}
	return dir, c
}

func TestFolder(t *testing.T) {
	dir, c := example(t)
	again, err := compare.Read(filepath.Join(dir, compare.DocumentName))
	if err != nil || len(again.Pairs) != len(c.Pairs) {
		t.Fatal(err)
	}
	seen := map[compare.Verdict]bool{}
	for _, p := range c.Pairs {
		seen[p.Verdict] = true
	}
	for _, v := range compare.Verdicts {
		if !seen[v] {
			t.Errorf("the example has nothing %s", v)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 {
		t.Errorf("%v: %v", err, entries)
	}
	b, err := os.ReadFile(filepath.Join(dir, compare.PageName))
	if err != nil {
		t.Fatal(err)
	}
	// Nothing in the page may make a browser go anywhere.
	html := regexp.MustCompile(`data:[a-z/]+;base64,[A-Za-z0-9+/=]*`).ReplaceAllString(string(b), "data")
	for _, bad := range []string{`https?://`, `@import`, `<link[^>]+stylesheet`, `<script[^>]+src`, `url\([^#]`, `<iframe`} {
		if got := regexp.MustCompile(bad).FindString(html); got != "" {
			t.Errorf("the page holds %q", got)
		}
	}
	if strings.Contains(html, hostile) {
		t.Error("a setting is not escaped")
	}
}

// Where a take is at hand, the place is shown also where nothing was found; a take
// that cannot be read costs its picture alone.
func TestLook(t *testing.T) {
	before, after := folder(t, taken(found(detect.Combing, 2, 20)), 60), folder(t, taken(), 0)
	after.Doc.Take.SHA256 = strings.Repeat("1", 64)
	raster := image.Rect(0, 0, 1280, 720)
	for name, c := range map[string]struct {
		look func(float64) (image.Image, error)
		want int
	}{
		"there":     {func(s float64) (image.Image, error) { return image.NewRGBA(raster), nil }, 2},
		"not there": {nil, 1},
		"broken":    {func(float64) (image.Image, error) { return nil, os.ErrNotExist }, 1},
		"another":   {func(float64) (image.Image, error) { return image.NewRGBA(image.Rect(0, 0, 8, 8)), nil }, 1},
	} {
		asked := -1.0
		after.Look = nil
		if c.look != nil {
			after.Look = func(s float64) (image.Image, error) { asked = s; return c.look(s) }
		}
		one, two := []*compare.Scan{before}, []*compare.Scan{after}
		cmp, err := compare.Compare(one, two, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := compare.WritePage(&b, cmp, one, two, t.TempDir()); err != nil {
			t.Fatal(err)
		}
		if got := strings.Count(b.String(), "data:image/png;base64,"); got != c.want {
			t.Errorf("%s: %d pictures, want %d", name, got, c.want)
		}
		if c.look != nil && asked != before.Doc.Findings[0].PeakS {
			t.Errorf("%s: asked for %g s", name, asked)
		}
	}
}

// What moves is shown at one instant on both sides, or is not laid over each
// other.
func TestOneInstant(t *testing.T) {
	late := found(detect.Combing, 2, 19)
	late.PeakS = 2.3
	before, after := folder(t, taken(found(detect.Combing, 2, 20)), 60), folder(t, taken(late), 90)
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	page := func() string {
		var b bytes.Buffer
		if err := compare.WritePage(&b, c, []*compare.Scan{before}, []*compare.Scan{after}, t.TempDir()); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if html := page(); !strings.Contains(html, "which are two instants") || strings.Contains(html, `data-way="wipe"`) {
		t.Error("two instants are laid over each other")
	}
	after.Look = func(s float64) (image.Image, error) {
		if s != 2.1 {
			t.Errorf("asked for %g s", s)
		}
		return image.NewRGBA(image.Rect(0, 0, 1280, 720)), nil
	}
	if html := page(); !strings.Contains(html, "the same instant; strongest at 0:02.300") || !strings.Contains(html, `data-way="wipe"`) {
		t.Error("the same instant is not shown")
	}
}

func TestPage(t *testing.T) {
	dir, c := example(t)
	path := filepath.Join(dir, compare.PageName)
	b := browser.Launch(t)
	id := func(v compare.Verdict) string {
		for _, p := range c.Pairs {
			if p.Verdict == v {
				return "#" + p.ID
			}
		}
		t.Fatalf("nothing is %s", v)
		return ""
	}

	t.Run("wipe", func(t *testing.T) {
		v := browser.Visit(t, b, path, 1280, 900)
		at := id(compare.Stronger)
		if got := browser.JS[string](v, `[...document.querySelectorAll("`+at+` .twins img")].map(i => i.naturalWidth + "x" + i.naturalHeight).join()`); len(strings.Split(got, ",")) != 2 || strings.Split(got, ",")[0] != strings.Split(got, ",")[1] {
			t.Errorf("the crops of both sides are %s", got)
		}
		// Both crops are cut to the same part of the picture: the bar stands at
		// the same column.
		if got := browser.JS[string](v, `[...document.querySelectorAll("`+at+` .twins img")].map(i => { const c = document.createElement("canvas"); c.width = i.naturalWidth; c.height = 1; const g = c.getContext("2d"); g.drawImage(i, 0, 0); const p = g.getImageData(0, 0, c.width, 1).data; let x = 0; while (x < c.width && !(p[4*x] === 255 && p[4*x+1] === 0)) x++; return x; }).join()`); strings.Split(got, ",")[0] != strings.Split(got, ",")[1] || strings.HasPrefix(got, "0,") {
			t.Errorf("the bar stands at columns %s", got)
		}
		v.Do(chromedp.Click(chromedp.CSS(at + ` [data-way="wipe"]`)))
		if browser.JS[bool](v, `document.querySelector("`+at+` .twins").checkVisibility()`) || !browser.JS[bool](v, `document.querySelector("`+at+` .wiped").checkVisibility()`) {
			t.Error("the wipe does not take the place of the two crops")
		}
		clip := `getComputedStyle(document.querySelector("` + at + ` .over-it")).clipPath`
		if got := browser.JS[string](v, clip); !strings.Contains(got, "50%") {
			t.Errorf("the wipe starts at %s", got)
		}
		v.Do(chromedp.Focus(chromedp.CSS(at + ` .wipe input`)))
		v.Press(kb.ArrowRight, kb.ArrowRight)
		if got := browser.JS[string](v, clip); !strings.Contains(got, "52%") {
			t.Errorf("after two keys the wipe is at %s", got)
		}
		v.Press(kb.End)
		if got := browser.JS[string](v, clip); !strings.Contains(got, "100%") {
			t.Errorf("at its end the wipe is at %s", got)
		}
		if got := browser.JS[string](v, `document.querySelector("`+at+` .wipe input").getAttribute("aria-valuetext")`); got != "100 % before, 0 % after" {
			t.Errorf("the slider says %q", got)
		}
		// Dragging in the picture moves it too.
		browser.JS[bool](v, `{const s = document.querySelector("`+at+` .wiped"), r = s.getBoundingClientRect(); s.dispatchEvent(new PointerEvent("pointerdown", {pointerId: 1, isPrimary: true, clientX: r.left + r.width / 4, clientY: r.top + 5, bubbles: true})); true}`)
		if got := browser.JS[string](v, clip); !strings.Contains(got, "25%") {
			t.Errorf("after a drag the wipe is at %s", got)
		}
		v.Shot("compare-wipe")
	})

	t.Run("one side", func(t *testing.T) {
		v := browser.Visit(t, b, path, 1280, 900)
		for _, verdict := range []compare.Verdict{compare.New, compare.Fixed} {
			at := id(verdict)
			if got := browser.JS[string](v, `document.querySelectorAll("`+at+` .twins img").length + "," + document.querySelectorAll("`+at+` .note").length + "," + document.querySelectorAll("`+at+` .wipe").length`); got != "1,1,0" {
				t.Errorf("%s: pictures, notes and wipes %s", verdict, got)
			}
			// It is said in a sentence, with where it is absent.
			absent := map[compare.Verdict]string{compare.New: "; absent before (film on, room ", compare.Fixed: "; absent afterwards (film off); "}[verdict]
			if got := browser.JS[string](v, `document.querySelector("`+at+` .sentence").textContent`); !strings.Contains(got, absent) {
				t.Errorf("%s: %q lacks %q", verdict, got, absent)
			}
			if got := browser.JS[string](v, `new Promise(done => {
				const b = document.querySelector("`+at+` .copy");
				new MutationObserver(() => done(b.textContent)).observe(b, {childList: true, characterData: true, subtree: true});
				b.click();
			})`); got != "Copied" && got != "Selected" {
				t.Errorf("%s: the button to copy says %q", verdict, got)
			}
		}
		if n := browser.JS[int](v, `document.querySelectorAll("`+id(compare.Persisting)+` .sentence").length`); n != 0 {
			t.Error("a fault of both sides is said to be absent in one")
		}
		v.Clean()
	})

	t.Run("verdicts", func(t *testing.T) {
		v := browser.Visit(t, b, path, 1280, 900)
		shown := `[...document.querySelectorAll(".list > article")].filter(a => !a.hidden).map(a => a.dataset.verdict).join()`
		v.Do(chromedp.Click(chromedp.CSS(`[data-verdict="fixed"]`)))
		if got := browser.JS[string](v, shown); got != "fixed" {
			t.Errorf("fixed shows %s", got)
		}
		// A row of the plot brings its fault back.
		at := id(compare.Stronger)
		v.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector('.change a[href="` + at + `"]').dispatchEvent(new MouseEvent("click", {bubbles: true, cancelable: true}))`))
		if got := browser.JS[string](v, `"#" + document.activeElement.id`); got != at {
			t.Errorf("the plot leads to %s, not %s", got, at)
		}
		v.Clean()
	})

	pairs := len(c.Pairs)
	for name, c := range map[string]struct {
		w     int64
		extra []browser.Step
	}{
		"compare-desktop":   {1280, nil},
		"compare-phone":     {360, nil},
		"compare-dark":      {1280, []browser.Step{browser.Dark()}},
		"compare-print":     {760, []browser.Step{browser.Print()}},
		"compare-no-script": {1280, []browser.Step{browser.NoScript()}},
	} {
		t.Run(name, func(t *testing.T) {
			v := browser.Visit(t, b, path, c.w, 900, c.extra...)
			v.Sound()
			v.WholeShot(name)
			if got := browser.JS[int](v, `document.querySelectorAll("article").length`); got != pairs {
				t.Errorf("%d faults on the page", got)
			}
		})
	}
}

// A page of no faults says what that is worth.
func TestEmptyPage(t *testing.T) {
	var b bytes.Buffer
	scans := []*compare.Scan{comparisons.Scan(20)}
	c, err := compare.Compare(scans, scans, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := compare.WritePage(&b, c, scans, scans, t.TempDir()); err != nil || !strings.Contains(b.String(), "Neither side shows a fault") {
		t.Errorf("%v", err)
	}
}
