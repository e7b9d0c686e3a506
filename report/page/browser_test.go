package page

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	browserdomain "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"setwitness/report"
)

// deadline is for a browser that hangs; nothing is measured by it.
const deadline = 2 * time.Minute

type step = chromedp.Action[chromedp.Void]

// send makes a step of a protocol command.
func send[P, R any](command cdp.Command[P, R], params P) step {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, command, params)
		return err
	})
}

func media(m emulation.SetEmulatedMediaParams) step { return send(emulation.SetEmulatedMedia, m) }

// visitor is a person at a browser with the page open.
type visitor struct {
	*testing.T
	ctx context.Context
	mu  sync.Mutex
	bad []string // requests that leave the page, and errors
	may []string // what is none of them
}

// launch starts one browser for the tests of this file.
func launch(t *testing.T) context.Context {
	t.Helper()
	options := []chromedp.ExecAllocatorOption{
		chromedp.Flag("headless", true), chromedp.Flag("no-sandbox", true), chromedp.Flag("disable-gpu", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("no-first-run", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.UserDataDir(t.TempDir()),
	}
	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	// Waits for the browser, whose folder is removed next.
	t.Cleanup(func() { chromedp.Cancel(ctx); cancel() })
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("these tests need Chromium: %v", err)
	}
	return ctx
}

// visit opens the file in a tab of its own of w by h pixels.
func visit(t *testing.T, browser context.Context, path string, w, h int64, scale float64, extra ...step) *visitor {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	v := &visitor{T: t, ctx: ctx}
	address := (&url.URL{Scheme: "file", Path: path}).String()
	err := chromedp.Listen(ctx, func(e any) {
		switch e := e.(type) {
		case *network.EventRequestWillBeSent:
			if u := e.Request.URL; !strings.HasPrefix(u, "data:") && u != address {
				v.fault("request of " + u)
			}
		case *runtime.EventExceptionThrown:
			v.fault("exception: " + e.ExceptionDetails.Text)
		case *runtime.EventConsoleAPICalled:
			v.fault(fmt.Sprintf("console: %v", e.Type))
		case *log.EventEntryAdded:
			v.fault("log: " + e.Entry.Text)
		case *cdppage.EventJavascriptDialogOpening:
			v.fault("dialog: " + e.Message)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	// Scroll bars take room on some systems and none on others.
	v.do(send(emulation.SetScrollbarsHidden, emulation.SetScrollbarsHiddenParams{Hidden: true}),
		send(network.Enable, network.EnableParams{}), send(log.Enable, cdp.Empty{}), chromedp.EmulateViewport(w, h, chromedp.EmulateScale(scale)))
	v.do(append(extra, chromedp.Navigate(address))...)
	return v
}

func (v *visitor) fault(s string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !slices.Contains(v.may, s) {
		v.bad = append(v.bad, s)
	}
}

// clean fails the test if the page asked for anything or complained.
func (v *visitor) clean() {
	v.Helper()
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, b := range v.bad {
		v.Errorf("the page made a %s", b)
	}
}

// mayAsk lets the page ask for a file.
func (v *visitor) mayAsk(path string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	wanted := "request of " + (&url.URL{Scheme: "file", Path: path}).String()
	v.bad = slices.DeleteFunc(v.bad, func(s string) bool { return s == wanted })
	v.may = append(v.may, wanted)
}

func (v *visitor) do(steps ...step) {
	v.Helper()
	if err := chromedp.Do(v.ctx, steps...); err != nil {
		v.Fatal(err)
	}
}

// js evaluates an expression.
func js[T any](v *visitor, expression string) T {
	v.Helper()
	out, err := chromedp.Run(v.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		v.Fatal(err)
	}
	return out
}

// until waits for an expression to become true: painting is held back on
// purpose.
func (v *visitor) until(expression string) {
	v.Helper()
	v.do(chromedp.Poll[chromedp.Void](expression, chromedp.WithPollingTimeout(10*time.Second)))
}

func (v *visitor) press(keys ...string) {
	v.Helper()
	for _, k := range keys {
		v.do(chromedp.KeyEvent(k))
	}
}

// shot keeps what the visitor sees where SETWITNESS_SCREENSHOTS points.
func (v *visitor) shot(name string, whole bool) {
	v.Helper()
	folder := os.Getenv("SETWITNESS_SCREENSHOTS")
	if folder == "" {
		return
	}
	take := chromedp.CaptureScreenshot()
	if whole {
		take = chromedp.FullScreenshot(100)
	}
	b, err := chromedp.Run(v.ctx, take)
	if err != nil {
		v.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), b, 0o644); err != nil {
		v.Fatal(err)
	}
}

func TestInBrowser(t *testing.T) {
	doc, shots, aspect := example(t, "match of the reds \"<b>\" & blues.mp4")
	shots[len(shots)-1].Lifted, shots[len(shots)-1].Profile, shots[len(shots)-1].Plotted = shots[0].Context, shots[0].Context, "luma"
	path := filepath.Join(t.TempDir(), "report with spaces & #.html")
	if err := os.WriteFile(path, []byte(render(t, doc, shots, aspect)), 0o644); err != nil {
		t.Fatal(err)
	}
	bare := *doc
	bare.Findings, bare.Warnings = nil, nil
	empty := filepath.Join(t.TempDir(), "empty.html")
	if err := os.WriteFile(empty, []byte(render(t, &bare, nil, 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	browser := launch(t)

	t.Run("desktop", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		if got := js[string](v, `document.querySelector("h1").textContent`); got != filepath.Base(`match of the reds "<b>" & blues.mp4`) {
			t.Errorf("the heading is %q", got)
		}
		// A click on a mark in the time line gives its finding focus.
		v.do(chromedp.Click(chromedp.CSS(`.lane.kind-combing a[href="#f002"]`)))
		v.until(`document.activeElement.id === "f002"`)
		if top := js[float64](v, `document.getElementById("f002").getBoundingClientRect().top`); top < -1 || top > 450 {
			t.Errorf("the finding is %g px from the top of the window", top)
		}
		// So does Enter on a mark that has focus.
		v.do(chromedp.Focus(chromedp.CSS(`.lane.kind-ghost a[href="#f003"]`)))
		v.press(kb.Enter)
		v.until(`document.activeElement.id === "f003" && location.hash === "#f003"`)
		v.shot("finding", false)
		v.clean()
	})

	t.Run("step", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		now := func(name string) {
			t.Helper()
			v.until(fmt.Sprintf(`[...document.querySelectorAll("#f002 .panel")].filter(p => getComputedStyle(p).visibility === "visible").map(p => p.dataset.name).join() === %q`, name))
			if got := js[string](v, `[...document.querySelectorAll("#f002 [data-step]")].filter(b => b.getAttribute("aria-pressed") === "true").map(b => b.textContent).join()`); got != name {
				t.Errorf("the pressed button is %q, the picture %q", got, name)
			}
		}
		now("At the peak")
		v.do(chromedp.Focus(chromedp.CSS(`#f002 .stage`)))
		v.press(kb.ArrowLeft)
		now("Before")
		v.press(kb.ArrowLeft) // there is none before it
		now("Before")
		v.press(kb.ArrowRight, kb.ArrowRight)
		now("After")
		v.press(kb.Home)
		now("Before")
		v.do(chromedp.Click(chromedp.CSS(`#f002 [data-step="2"]`)))
		now("After")
		v.until(`document.getElementById("live").textContent === "f002: After"`)

		// A finding at the first picture has nothing before it, and its step
		// there is off.
		if !js[bool](v, `document.querySelector("#f001 [data-step='0']").disabled`) {
			t.Error("a step to a picture that is not there can be taken")
		}
		v.do(chromedp.Focus(chromedp.CSS(`#f001 .stage`)))
		v.press(kb.ArrowLeft)
		if got := js[string](v, `document.querySelector("#f001 .panel.now").dataset.name`); got != "At the peak" {
			t.Errorf("a step to nothing shows %q", got)
		}
		v.clean()
	})

	// The sentence goes to the clipboard, by the mouse and by the keyboard; where
	// the browser does not allow that, it is selected.
	t.Run("copy", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		for _, name := range []string{"clipboard-read", "clipboard-write"} {
			v.do(send(browserdomain.SetPermission, browserdomain.SetPermissionParams{
				Permission: &browserdomain.PermissionDescriptor{Name: name}, Setting: browserdomain.PermissionSettingGranted,
			}))
		}
		label := func(id, want string) {
			t.Helper()
			v.until(fmt.Sprintf(`document.querySelector("#%s .copy").textContent === %q`, id, want))
		}
		for _, c := range []struct {
			id  string
			act func()
		}{
			{"f002", func() { v.do(chromedp.Click(chromedp.CSS("#f002 .copy"))) }},
			{"f003", func() { v.do(chromedp.Focus(chromedp.CSS("#f003 .copy"))); v.press(kb.Enter) }},
		} {
			c.act()
			label(c.id, "Copied")
			var want string
			for i := range doc.Findings {
				if doc.Findings[i].ID == c.id {
					want = report.Sentence(doc, &doc.Findings[i])
				}
			}
			if got := js[string](v, `navigator.clipboard.readText()`); got != want || want == "" {
				t.Errorf("%s: the clipboard holds %q, want %q", c.id, got, want)
			}
		}
		v.do(chromedp.Evaluate[chromedp.Void](`navigator.clipboard.writeText = () => Promise.reject(new Error("no")); document.execCommand = () => false; getSelection().removeAllRanges()`))
		v.do(chromedp.Click(chromedp.CSS("#f002 .copy")))
		label("f002", "Selected")
		if got := js[bool](v, `getSelection().toString() === document.querySelector("#f002 .sentence").textContent`); !got {
			t.Error("the sentence is not selected")
		}
		label("f002", "Copy sentence") // after a while
		v.clean()
	})

	// However fast the keys come, the picture changes less than six times a
	// second, which is less than three flashes (WCAG 2.3.1).
	t.Run("flash", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		got := js[[]float64](v, `new Promise(done => {
			const viewer = document.querySelector("#f002 .viewer"), stage = viewer.querySelector(".stage"), at = [];
			new MutationObserver(() => at.push(performance.now())).observe(stage, {subtree: true, attributes: true, attributeFilter: ["class"]});
			let n = 0;
			const t = setInterval(() => {
				stage.dispatchEvent(new KeyboardEvent("keydown", {key: n % 2 ? "ArrowRight" : "ArrowLeft", bubbles: true}));
				if (++n === 60) { clearInterval(t); setTimeout(() => done(at), 400); }
			}, 15);
		})`)
		if len(got) < 2 {
			t.Fatalf("the picture changed %d times", len(got))
		}
		for i := 1; i < len(got); i++ {
			if d := got[i] - got[i-1]; d < 167 {
				t.Errorf("two changes of the picture lie %.0f ms apart", d)
			}
		}
		// A key that is held down steps once.
		v.do(chromedp.Evaluate[chromedp.Void](`{const s = document.querySelector("#f003 .stage");
			s.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", repeat: true, bubbles: true}))}`))
		if got := js[string](v, `document.querySelector("#f003 [aria-pressed=true]").textContent`); got != "At the peak" {
			t.Errorf("a repeated key steps to %q", got)
		}
	})

	t.Run("enlarge", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		shown := `document.querySelector("#enlarged .now").dataset.name`
		v.do(chromedp.Click(chromedp.CSS(`#f002 .enlarge`)))
		v.until(`document.getElementById("enlarged").open && ` + shown + ` === "At the peak"`)
		v.shot("enlarged", false)
		if got := js[string](v, `document.querySelector("#enlarged h2").textContent.trim()`); !strings.Contains(got, "f002") || !strings.Contains(got, "Combing") {
			t.Errorf("the enlarged picture is titled %q", got)
		}
		// Enlarged by a whole factor, so that lines stay lines.
		k := js[float64](v, `{const i = document.querySelector("#enlarged .now img"); i.getBoundingClientRect().width / i.naturalWidth}`)
		if k < 2 || k != float64(int(k)) {
			t.Errorf("enlarged %g times", k)
		}
		v.press(kb.ArrowRight)
		v.until(shown + ` === "After"`)
		v.press(kb.ArrowRight)
		v.until(shown + ` === "Whole picture"`)
		// Focus stays inside while it is open.
		for range 12 {
			v.press(kb.Tab)
			if !js[bool](v, `document.activeElement === document.body || !!document.activeElement.closest("#enlarged")`) {
				t.Fatal("focus leaves the dialog")
			}
		}
		v.press(kb.Escape)
		v.until(`!document.getElementById("enlarged").open`)
		v.until(`document.activeElement.matches("#f002 .enlarge")`)

		// Enter on the picture does the same, and the button closes.
		v.do(chromedp.Focus(chromedp.CSS(`#f003 .stage`)))
		v.press(kb.Enter)
		v.until(`document.getElementById("enlarged").open && document.querySelector("#enlarged h2").textContent.includes("f003")`)
		v.do(chromedp.Click(chromedp.CSS(`#enlarged .close`)))
		v.until(`!document.getElementById("enlarged").open && document.activeElement.matches("#f003 .stage")`)

		// The whole picture opens as itself.
		v.do(chromedp.Click(chromedp.CSS(`#f003 .whole`)))
		v.until(`document.getElementById("enlarged").open && ` + shown + ` === "Whole picture"`)
		v.press(kb.Escape)

		// So do the pictures of small steps.
		v.do(chromedp.Click(chromedp.CSS(`.spread figure:nth-child(2) .whole`)))
		v.until(`document.getElementById("enlarged").open && ` + shown + ` === "Profile"`)
		v.press(kb.ArrowLeft)
		v.until(shown + ` === "Lifted"`)
		v.clean()
	})

	t.Run("order and kind", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		list := `[...document.querySelectorAll(".finding")].filter(a => !a.hidden).map(a => a.id).join()`
		byRank := js[string](v, list)
		v.do(chromedp.Click(chromedp.CSS(`[data-order="start"]`)))
		if got := js[string](v, list); got != "f001,f002,f003,f004" || got == byRank {
			t.Errorf("by time: %s, by rank: %s", got, byRank)
		}
		v.do(chromedp.Click(chromedp.CSS(`[data-kind="ghost"]`)))
		if got := js[string](v, list); got != "f003" {
			t.Errorf("ghosts: %s", got)
		}
		// A mark of another kind brings its finding back.
		v.do(chromedp.Click(chromedp.CSS(`.lane a[href="#f004"]`)))
		v.until(`document.activeElement.id === "f004"`)
		v.do(chromedp.Click(chromedp.CSS(`[data-order="rank"]`)))
		if got := js[string](v, list); got != byRank {
			t.Errorf("back by rank: %s, want %s", got, byRank)
		}
		v.clean()
	})

	// A person with a keyboard alone meets everything in order, and sees
	// where they are.
	t.Run("keyboard", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		v.press(kb.Tab)
		if got := js[string](v, `document.activeElement.textContent`); got != "Skip to the findings" {
			t.Errorf("the first stop is %q", got)
		}
		seen := map[string]bool{}
		for range 60 {
			v.press(kb.Tab)
			stop := js[struct {
				What    string
				Outline bool
			}](v, `{const e = document.activeElement; const s = getComputedStyle(e), b = e.querySelector && e.querySelector(".mark-bar");
				({What: e.className && e.className.baseVal !== undefined ? e.className.baseVal : (e.className || e.tagName),
				  Outline: (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) > 0) || (!!b && parseFloat(getComputedStyle(b).strokeWidth) >= 3)})}`)
			seen[stop.What] = true
			if !stop.Outline && stop.What != "BODY" {
				t.Errorf("%q has focus and does not show it", stop.What)
			}
		}
		for _, want := range []string{"hit", "stage", "enlarge", "whole"} {
			if !seen[want] {
				t.Errorf("the keyboard does not reach %q, only %v", want, seen)
			}
		}
		v.clean()
	})

	t.Run("structure", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 900, 1)
		if got := js[string](v, `["header","main","footer"].map(n => document.querySelectorAll("body > " + n).length).join()`); got != "1,1,1" {
			t.Errorf("landmarks: %s", got)
		}
		var levels []int
		if err := json.Unmarshal([]byte(js[string](v, `JSON.stringify([...document.querySelectorAll("h1,h2,h3,h4")].filter(h => !h.closest("dialog")).map(h => Number(h.tagName[1])))`)), &levels); err != nil {
			t.Fatal(err)
		}
		for i, l := range levels {
			if (i == 0) != (l == 1) || (i > 0 && l > levels[i-1]+1) {
				t.Errorf("heading levels %v", levels)
				break
			}
		}
		for what, expression := range map[string]string{
			"pictures without a text":   `[...document.images].filter(i => !i.alt).length`,
			"sections without a name":   `[...document.querySelectorAll("section, nav, article, dialog")].filter(s => !document.getElementById(s.getAttribute("aria-labelledby"))).length`,
			"buttons without a name":    `[...document.querySelectorAll("button")].filter(b => !b.textContent.trim() && !b.getAttribute("aria-label")).length`,
			"ids that are there twice":  `{const all = [...document.querySelectorAll("[id]")].map(e => e.id); all.length - new Set(all).size}`,
			"links to nowhere":          `[...document.querySelectorAll('a[href^="#"]')].filter(a => !document.getElementById(a.getAttribute("href").slice(1))).length`,
			"broken pictures":           `[...document.images].filter(i => !i.complete || !i.naturalWidth).length`,
			"moving things":             `document.getAnimations().length + document.querySelectorAll("video,audio,marquee").length`,
			"coverage rows missing":     `9 - document.querySelectorAll(".coverage li").length`,
			"marks missing":             `4 - document.querySelectorAll(".hit").length`,
			"cautions missing":          `4 - document.querySelectorAll("#cautions li").length`,
			"elements of hostile names": `document.querySelectorAll("h1 b, dd img, dd script").length`,
		} {
			if got := js[int](v, expression); got != 0 {
				t.Errorf("%s: %d", what, got)
			}
		}
		if got := js[string](v, `document.querySelector(".coverage li").textContent`); got != "Combing: examined for 12.0 s. A comb of 2.1 % of full scale or more on something that moves would have been found; less may have been missed." {
			t.Errorf("coverage says %q", got)
		}
		v.clean()
	})

	film := filepath.Join(t.TempDir(), "film.html")
	filmDoc, filmShots, filmAspect, screen := filmExample(t)
	if err := os.WriteFile(film, []byte(renderFilm(t, filmDoc, filmShots, filmAspect, screen)), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Run("film", func(t *testing.T) { lookAtFilm(t, visit(t, browser, film, 1280, 900, 1), filmDoc, screen) })
	t.Run("film at a phone", func(t *testing.T) {
		v := visit(t, browser, film, 360, 740, 2)
		// The diagram is wider than the window and scrolls by itself, from its
		// middle on, also by keyboard.
		box := `document.querySelector(".scroll:has(.timing)")`
		if !js[bool](v, box+`.scrollWidth > `+box+`.clientWidth + 100 && Math.abs(2 * `+box+`.scrollLeft - `+box+`.scrollWidth + `+box+`.clientWidth) < 3`) {
			t.Error("the diagram does not scroll from its middle")
		}
		at := js[float64](v, box+`.scrollLeft`)
		v.do(chromedp.Focus(chromedp.CSS(`.scroll:has(.timing)`)))
		v.press(kb.ArrowRight)
		v.until(fmt.Sprintf(`%s.scrollLeft > %g`, box, at))
		v.clean()
	})

	for name, c := range map[string]struct {
		path  string
		w     int64
		scale float64
		extra []step
	}{
		"film-phone":     {film, 360, 2, nil},
		"film-narrowest": {film, 320, 1, nil},
		"film-print":     {film, 760, 1, []step{media(emulation.SetEmulatedMediaParams{Media: "print"})}},
		"film-no-script": {film, 1280, 1, []step{send(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})}},
		"film-dark": {film, 1280, 1, []step{
			media(emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}}),
		}},
		"desktop":     {path, 1280, 1, nil},
		"phone":       {path, 360, 2, nil},
		"narrowest":   {path, 320, 1, nil},
		"tablet":      {path, 800, 1, nil},
		"wide":        {path, 2200, 1, nil},
		"empty":       {empty, 1280, 1, nil},
		"empty-phone": {empty, 360, 2, nil},
		"dark": {path, 1280, 1, []step{
			media(emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}}),
		}},
		"print":     {path, 760, 1, []step{media(emulation.SetEmulatedMediaParams{Media: "print"})}},
		"no-script": {path, 1280, 1, []step{send(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})}},
	} {
		t.Run(name, func(t *testing.T) {
			v := visit(t, browser, c.path, c.w, 800, c.scale, c.extra...)
			// Nothing is wider than the window.
			if over := js[[]string](v, fmt.Sprintf(`[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > %d + 0.5 && !e.closest(".scroll") && !e.closest("svg") && e.checkVisibility()).map(e => e.tagName + "." + e.className)`, c.w)); len(over) > 0 {
				t.Errorf("wider than the window: %v", over)
			}
			if w := js[int64](v, `document.documentElement.scrollWidth`); w > c.w {
				t.Errorf("the page is %d px wide in a window of %d", w, c.w)
			}
			for what, expression := range map[string]string{
				"sections without a name":  `[...document.querySelectorAll("section, nav, article, dialog")].filter(s => !document.getElementById(s.getAttribute("aria-labelledby"))).length`,
				"ids that are there twice": `{const all = [...document.querySelectorAll("[id]")].map(e => e.id); all.length - new Set(all).size}`,
				"broken pictures":          `[...document.images].filter(i => !i.complete || !i.naturalWidth || !i.alt).length`,
			} {
				if got := js[int](v, expression); got != 0 {
					t.Errorf("%s: %d", what, got)
				}
			}
			v.shot(name, true)
			v.clean()
		})
	}

	t.Run("dark is dark", func(t *testing.T) {
		v := visit(t, browser, path, 1280, 800, 1, media(emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}}))
		if got := js[string](v, `getComputedStyle(document.body).backgroundColor`); got != "rgb(21, 24, 27)" {
			t.Errorf("the ground is %s", got)
		}
	})

	// On paper all three pictures of a finding stand side by side and nothing
	// is left that only works by hand.
	t.Run("paper", func(t *testing.T) {
		v := visit(t, browser, path, 760, 1000, 1, media(emulation.SetEmulatedMediaParams{Media: "print"}))
		if got := js[int](v, `[...document.querySelectorAll("#f002 .panel")].filter(p => getComputedStyle(p).visibility === "visible").length`); got != 3 {
			t.Errorf("%d pictures on paper, want 3", got)
		}
		if got := js[int](v, `[...document.querySelectorAll("button")].filter(b => b.checkVisibility() && !b.classList.contains("whole")).length`); got != 0 {
			t.Errorf("%d buttons on paper", got)
		}
		pdf, err := chromedp.Run(v.ctx, chromedp.PrintToPDF())
		if err != nil {
			t.Fatal(err)
		}
		if len(pdf) < 10000 {
			t.Errorf("the print is %d bytes", len(pdf))
		}
	})
}

// Text and marks stand out from their ground by the ratios of WCAG 2.1, 1.4.3
// and 1.4.11, in both schemes.
func TestContrast(t *testing.T) {
	schemes := strings.SplitN(style, "@media (prefers-color-scheme: dark)", 2)
	for name, css := range map[string]string{"light": schemes[0], "dark": strings.SplitN(schemes[1], "* {", 2)[0]} {
		c := variables(css)
		check := func(front, back string, want float64) {
			t.Helper()
			if got := ratio(c[front], c[back]); got < want {
				t.Errorf("%s: %s on %s has a contrast of %.2f, want %.1f", name, front, back, got, want)
			}
		}
		for _, ground := range []string{"paper", "sheet", "faint"} {
			check("ink", ground, 7)
			check("soft", ground, 4.5)
			check("accent", ground, 4.5)
		}
		check("ring", "paper", 3)
		check("ring", "sheet", 3)
		check("ink", "warn", 7)
		for i := range 4 {
			check("shade-ink", fmt.Sprintf("shade-%d", i), 4.5)
		}
		for _, k := range kinds() {
			check(k, "faint", 3)
			check(k, "sheet", 3)
		}
	}
}
