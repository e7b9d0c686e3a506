package page

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	browserdomain "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"setwitness/report"
	"setwitness/testdata/browser"
)

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
	chromium := browser.Launch(t)

	t.Run("desktop", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		if got := browser.JS[string](v, `document.querySelector("h1").textContent`); got != filepath.Base(`match of the reds "<b>" & blues.mp4`) {
			t.Errorf("the heading is %q", got)
		}
		// A click on a mark in the time line gives its finding focus.
		v.Do(chromedp.Click(chromedp.CSS(`.lane.kind-combing a[href="#f002"]`)))
		v.Until(`document.activeElement.id === "f002"`)
		if top := browser.JS[float64](v, `document.getElementById("f002").getBoundingClientRect().top`); top < -1 || top > 450 {
			t.Errorf("the finding is %g px from the top of the window", top)
		}
		// So does Enter on a mark that has focus.
		v.Do(chromedp.Focus(chromedp.CSS(`.lane.kind-ghost a[href="#f003"]`)))
		v.Press(kb.Enter)
		v.Until(`document.activeElement.id === "f003" && location.hash === "#f003"`)
		v.Shot("finding")
		v.Clean()
	})

	t.Run("step", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		now := func(name string) {
			t.Helper()
			v.Until(fmt.Sprintf(`[...document.querySelectorAll("#f002 .panel")].filter(p => getComputedStyle(p).visibility === "visible").map(p => p.dataset.name).join() === %q`, name))
			if got := browser.JS[string](v, `[...document.querySelectorAll("#f002 [data-step]")].filter(b => b.getAttribute("aria-pressed") === "true").map(b => b.textContent).join()`); got != name {
				t.Errorf("the pressed button is %q, the picture %q", got, name)
			}
		}
		now("At the peak")
		v.Do(chromedp.Focus(chromedp.CSS(`#f002 .stage`)))
		v.Press(kb.ArrowLeft)
		now("Before")
		v.Press(kb.ArrowLeft) // there is none before it
		now("Before")
		v.Press(kb.ArrowRight, kb.ArrowRight)
		now("After")
		v.Press(kb.Home)
		now("Before")
		v.Do(chromedp.Click(chromedp.CSS(`#f002 [data-step="2"]`)))
		now("After")
		v.Until(`document.getElementById("live").textContent === "f002: After"`)

		// A finding at the first picture has nothing before it, and its step
		// there is off.
		if !browser.JS[bool](v, `document.querySelector("#f001 [data-step='0']").disabled`) {
			t.Error("a step to a picture that is not there can be taken")
		}
		v.Do(chromedp.Focus(chromedp.CSS(`#f001 .stage`)))
		v.Press(kb.ArrowLeft)
		if got := browser.JS[string](v, `document.querySelector("#f001 .panel.now").dataset.name`); got != "At the peak" {
			t.Errorf("a step to nothing shows %q", got)
		}
		v.Clean()
	})

	// The sentence goes to the clipboard, by the mouse and by the keyboard; where
	// the browser does not allow that, it is selected.
	t.Run("copy", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		for _, name := range []string{"clipboard-read", "clipboard-write"} {
			v.Do(browser.Send(browserdomain.SetPermission, browserdomain.SetPermissionParams{
				Permission: &browserdomain.PermissionDescriptor{Name: name}, Setting: browserdomain.PermissionSettingGranted,
			}))
		}
		label := func(id, want string) {
			t.Helper()
			v.Until(fmt.Sprintf(`document.querySelector("#%s .copy").textContent === %q`, id, want))
		}
		for _, c := range []struct {
			id  string
			act func()
		}{
			{"f002", func() { v.Do(chromedp.Click(chromedp.CSS("#f002 .copy"))) }},
			{"f003", func() { v.Do(chromedp.Focus(chromedp.CSS("#f003 .copy"))); v.Press(kb.Enter) }},
		} {
			c.act()
			label(c.id, "Copied")
			var want string
			for i := range doc.Findings {
				if doc.Findings[i].ID == c.id {
					want = report.Sentence(doc, &doc.Findings[i])
				}
			}
			if got := browser.JS[string](v, `navigator.clipboard.readText()`); got != want || want == "" {
				t.Errorf("%s: the clipboard holds %q, want %q", c.id, got, want)
			}
		}
		v.Do(chromedp.Evaluate[chromedp.Void](`navigator.clipboard.writeText = () => Promise.reject(new Error("no")); document.execCommand = () => false; getSelection().removeAllRanges()`))
		v.Do(chromedp.Click(chromedp.CSS("#f002 .copy")))
		label("f002", "Selected")
		if got := browser.JS[bool](v, `getSelection().toString() === document.querySelector("#f002 .sentence").textContent`); !got {
			t.Error("the sentence is not selected")
		}
		label("f002", "Copy sentence") // after a while
		v.Clean()
	})

	// However fast the keys come, the picture changes less than six times a
	// second, which is less than three flashes (WCAG 2.3.1).
	t.Run("flash", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		got := browser.JS[[]float64](v, `new Promise(done => {
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
		v.Do(chromedp.Evaluate[chromedp.Void](`{const s = document.querySelector("#f003 .stage");
			s.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", repeat: true, bubbles: true}))}`))
		if got := browser.JS[string](v, `document.querySelector("#f003 [aria-pressed=true]").textContent`); got != "At the peak" {
			t.Errorf("a repeated key steps to %q", got)
		}
	})

	t.Run("enlarge", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		shown := `document.querySelector("#enlarged .now").dataset.name`
		v.Do(chromedp.Click(chromedp.CSS(`#f002 .enlarge`)))
		v.Until(`document.getElementById("enlarged").open && ` + shown + ` === "At the peak"`)
		v.Shot("enlarged")
		if got := browser.JS[string](v, `document.querySelector("#enlarged h2").textContent.trim()`); !strings.Contains(got, "f002") || !strings.Contains(got, "Combing") {
			t.Errorf("the enlarged picture is titled %q", got)
		}
		// Enlarged by a whole factor, so that lines stay lines.
		k := browser.JS[float64](v, `{const i = document.querySelector("#enlarged .now img"); i.getBoundingClientRect().width / i.naturalWidth}`)
		if k < 2 || k != float64(int(k)) {
			t.Errorf("enlarged %g times", k)
		}
		v.Press(kb.ArrowRight)
		v.Until(shown + ` === "After"`)
		v.Press(kb.ArrowRight)
		v.Until(shown + ` === "Whole picture"`)
		// Focus stays inside while it is open.
		for range 12 {
			v.Press(kb.Tab)
			if !browser.JS[bool](v, `document.activeElement === document.body || !!document.activeElement.closest("#enlarged")`) {
				t.Fatal("focus leaves the dialog")
			}
		}
		v.Press(kb.Escape)
		v.Until(`!document.getElementById("enlarged").open`)
		v.Until(`document.activeElement.matches("#f002 .enlarge")`)

		// Enter on the picture does the same, and the button closes.
		v.Do(chromedp.Focus(chromedp.CSS(`#f003 .stage`)))
		v.Press(kb.Enter)
		v.Until(`document.getElementById("enlarged").open && document.querySelector("#enlarged h2").textContent.includes("f003")`)
		v.Do(chromedp.Click(chromedp.CSS(`#enlarged .close`)))
		v.Until(`!document.getElementById("enlarged").open && document.activeElement.matches("#f003 .stage")`)

		// The whole picture opens as itself.
		v.Do(chromedp.Click(chromedp.CSS(`#f003 .whole`)))
		v.Until(`document.getElementById("enlarged").open && ` + shown + ` === "Whole picture"`)
		v.Press(kb.Escape)

		// So do the pictures of small steps.
		v.Do(chromedp.Click(chromedp.CSS(`.spread figure:nth-child(2) .whole`)))
		v.Until(`document.getElementById("enlarged").open && ` + shown + ` === "Profile"`)
		v.Press(kb.ArrowLeft)
		v.Until(shown + ` === "Lifted"`)
		v.Clean()
	})

	t.Run("order and kind", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		list := `[...document.querySelectorAll(".finding")].filter(a => !a.hidden).map(a => a.id).join()`
		byRank := browser.JS[string](v, list)
		v.Do(chromedp.Click(chromedp.CSS(`[data-order="start"]`)))
		if got := browser.JS[string](v, list); got != "f001,f002,f003,f004" || got == byRank {
			t.Errorf("by time: %s, by rank: %s", got, byRank)
		}
		v.Do(chromedp.Click(chromedp.CSS(`[data-kind="ghost"]`)))
		if got := browser.JS[string](v, list); got != "f003" {
			t.Errorf("ghosts: %s", got)
		}
		// A mark of another kind brings its finding back.
		v.Do(chromedp.Click(chromedp.CSS(`.lane a[href="#f004"]`)))
		v.Until(`document.activeElement.id === "f004"`)
		v.Do(chromedp.Click(chromedp.CSS(`[data-order="rank"]`)))
		if got := browser.JS[string](v, list); got != byRank {
			t.Errorf("back by rank: %s, want %s", got, byRank)
		}
		v.Clean()
	})

	// A person with a keyboard alone meets everything in order, and sees
	// where they are.
	t.Run("keyboard", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		v.Press(kb.Tab)
		if got := browser.JS[string](v, `document.activeElement.textContent`); got != "Skip to the findings" {
			t.Errorf("the first stop is %q", got)
		}
		seen := map[string]bool{}
		for range 60 {
			v.Press(kb.Tab)
			stop := browser.JS[struct {
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
		v.Clean()
	})

	t.Run("structure", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		v.Sound()
		for what, expression := range map[string]string{
			"coverage rows missing":     `9 - document.querySelectorAll(".coverage li").length`,
			"marks missing":             `4 - document.querySelectorAll(".hit").length`,
			"cautions missing":          `4 - document.querySelectorAll("#cautions li").length`,
			"elements of hostile names": `document.querySelectorAll("h1 b, dd img, dd script").length`,
		} {
			if got := browser.JS[int](v, expression); got != 0 {
				t.Errorf("%s: %d", what, got)
			}
		}
		if got := browser.JS[string](v, `document.querySelector(".coverage li").textContent`); got != "Combing: examined for 12.0 s. A comb of 2.1 % of full scale or more on something that moves would have been found; less may have been missed." {
			t.Errorf("coverage says %q", got)
		}
	})

	film := filepath.Join(t.TempDir(), "film.html")
	filmDoc, filmShots, filmAspect, screen := filmExample(t)
	if err := os.WriteFile(film, []byte(renderFilm(t, filmDoc, filmShots, filmAspect, screen)), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Run("film", func(t *testing.T) { lookAtFilm(t, browser.Visit(t, chromium, film, 1280, 900), filmDoc, screen) })
	t.Run("film at a phone", func(t *testing.T) {
		v := browser.Visit(t, chromium, film, 360, 740, browser.Scaled(360, 740, 2))
		// The diagram is wider than the window and scrolls by itself, from its
		// middle on, also by keyboard.
		box := `document.querySelector(".scroll:has(.timing)")`
		if !browser.JS[bool](v, box+`.scrollWidth > `+box+`.clientWidth + 100 && Math.abs(2 * `+box+`.scrollLeft - `+box+`.scrollWidth + `+box+`.clientWidth) < 3`) {
			t.Error("the diagram does not scroll from its middle")
		}
		at := browser.JS[float64](v, box+`.scrollLeft`)
		v.Do(chromedp.Focus(chromedp.CSS(`.scroll:has(.timing)`)))
		v.Press(kb.ArrowRight)
		v.Until(fmt.Sprintf(`%s.scrollLeft > %g`, box, at))
		v.Clean()
	})

	for name, c := range map[string]struct {
		path  string
		w     int64
		scale float64
		extra []browser.Step
	}{
		"film-phone":     {film, 360, 2, nil},
		"film-narrowest": {film, 320, 1, nil},
		"film-print":     {film, 760, 1, []browser.Step{browser.Print()}},
		"film-no-script": {film, 1280, 1, []browser.Step{browser.NoScript()}},
		"film-dark": {film, 1280, 1, []browser.Step{
			browser.Dark(),
		}},
		"desktop":     {path, 1280, 1, nil},
		"phone":       {path, 360, 2, nil},
		"narrowest":   {path, 320, 1, nil},
		"tablet":      {path, 800, 1, nil},
		"wide":        {path, 2200, 1, nil},
		"empty":       {empty, 1280, 1, nil},
		"empty-phone": {empty, 360, 2, nil},
		"dark": {path, 1280, 1, []browser.Step{
			browser.Dark(),
		}},
		"print":     {path, 760, 1, []browser.Step{browser.Print()}},
		"no-script": {path, 1280, 1, []browser.Step{browser.NoScript()}},
	} {
		t.Run(name, func(t *testing.T) {
			v := browser.Visit(t, chromium, c.path, c.w, 800, append([]browser.Step{browser.Scaled(c.w, 800, c.scale)}, c.extra...)...)
			v.Sound()
			v.WholeShot(name)
		})
	}

	t.Run("dark is dark", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 800, browser.Dark())
		if got := browser.JS[string](v, `getComputedStyle(document.body).backgroundColor`); got != "rgb(21, 24, 27)" {
			t.Errorf("the ground is %s", got)
		}
	})

	// On paper all three pictures of a finding stand side by side and nothing
	// is left that only works by hand.
	t.Run("paper", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 760, 1000, browser.Print())
		if got := browser.JS[int](v, `[...document.querySelectorAll("#f002 .panel")].filter(p => getComputedStyle(p).visibility === "visible").length`); got != 3 {
			t.Errorf("%d pictures on paper, want 3", got)
		}
		if got := browser.JS[int](v, `[...document.querySelectorAll("button")].filter(b => b.checkVisibility() && !b.classList.contains("whole")).length`); got != 0 {
			t.Errorf("%d buttons on paper", got)
		}
		pdf := browser.Run(v, chromedp.PrintToPDF())
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
