// Package browser lets tests look at a page as a person at a browser does: in
// headless Chromium, by mouse and keyboard.
//
// In: a file. Out: what the page shows, and a failed test where it asks for
// anything outside itself, complains, or breaks a rule that holds for all pages.
package browser

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

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// deadline is for a browser that hangs; nothing is measured by it.
const deadline = 2 * time.Minute

// Step is one thing that a visitor does.
type Step = chromedp.Action[chromedp.Void]

// Send makes a step of a protocol command.
func Send[P, R any](command cdp.Command[P, R], params P) Step {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, command, params)
		return err
	})
}

// Dark asks for the dark colours.
func Dark() Step {
	return Send(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
}

// Print shows the page as on paper.
func Print() Step {
	return Send(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
}

// NoScript lets no script run.
func NoScript() Step {
	return Send(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
}

// Scaled is a display of w by h pixels of a page, each of which is scale pixels of
// its own.
func Scaled(w, h int64, scale float64) Step {
	return chromedp.EmulateViewport(w, h, chromedp.EmulateScale(scale))
}

// Visitor is a person at a browser with the page open.
type Visitor struct {
	*testing.T
	ctx   context.Context
	width int64
	mu    sync.Mutex
	bad   []string // requests that leave the page, and errors
	may   []string // what is none of them
}

// Launch starts one browser for the tests of a package.
func Launch(t *testing.T) context.Context {
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

// Visit opens the file in a tab of its own of w by h pixels.
func Visit(t *testing.T, browser context.Context, path string, w, h int64, extra ...Step) *Visitor {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	v := &Visitor{T: t, ctx: ctx, width: w}
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
	v.Do(Send(emulation.SetScrollbarsHidden, emulation.SetScrollbarsHiddenParams{Hidden: true}),
		Send(network.Enable, network.EnableParams{}), Send(log.Enable, cdp.Empty{}), chromedp.EmulateViewport(w, h))
	v.Do(append(extra, chromedp.Navigate(address))...)
	return v
}

func (v *Visitor) fault(s string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !slices.Contains(v.may, s) {
		v.bad = append(v.bad, s)
	}
}

// MayAsk lets the page ask for a file.
func (v *Visitor) MayAsk(path string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	wanted := "request of " + (&url.URL{Scheme: "file", Path: path}).String()
	v.bad = slices.DeleteFunc(v.bad, func(s string) bool { return s == wanted })
	v.may = append(v.may, wanted)
}

// Do does steps.
func (v *Visitor) Do(steps ...Step) {
	v.Helper()
	if err := chromedp.Do(v.ctx, steps...); err != nil {
		v.Fatal(err)
	}
}

// Until waits for an expression to become true: painting may be held back on
// purpose.
func (v *Visitor) Until(expression string) {
	v.Helper()
	v.Do(chromedp.Poll[chromedp.Void](expression, chromedp.WithPollingTimeout(10*time.Second)))
}

// Press presses keys.
func (v *Visitor) Press(keys ...string) {
	v.Helper()
	for _, k := range keys {
		v.Do(chromedp.KeyEvent(k))
	}
}

// JS evaluates an expression.
func JS[T any](v *Visitor, expression string) T {
	v.Helper()
	return Run(v, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// Shot keeps what the window shows where SETWITNESS_SCREENSHOTS points, WholeShot
// all of the page.
func (v *Visitor) Shot(name string) {
	v.Helper()
	v.keep(name, chromedp.CaptureScreenshot())
}

// WholeShot is Shot of all of the page.
func (v *Visitor) WholeShot(name string) {
	v.Helper()
	v.keep(name, chromedp.FullScreenshot(100))
}

func (v *Visitor) keep(name string, take chromedp.Action[[]byte]) {
	v.Helper()
	folder := os.Getenv("SETWITNESS_SCREENSHOTS")
	if folder == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), Run(v, take), 0o644); err != nil {
		v.Fatal(err)
	}
}

// Run does an action and returns what it gives.
func Run[T any](v *Visitor, action chromedp.Action[T]) T {
	v.Helper()
	out, err := chromedp.Run(v.ctx, action)
	if err != nil {
		v.Fatal(err)
	}
	return out
}

// Sound fails the test where the page breaks a rule that holds for all pages:
// it asks for nothing outside itself, is no wider than the window, has its
// landmarks, headings in order, and names for all that a person can meet.
func (v *Visitor) Sound() {
	v.Helper()
	if over := JS[[]string](v, fmt.Sprintf(`[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > %d + 0.5 && !e.closest(".scroll") && !e.closest("svg") && e.checkVisibility()).map(e => e.tagName + "." + e.className)`, v.width)); len(over) > 0 {
		v.Errorf("wider than the window: %v", over)
	}
	if w := JS[int64](v, `document.documentElement.scrollWidth`); w > v.width {
		v.Errorf("the page is %d px wide in a window of %d", w, v.width)
	}
	if got := JS[string](v, `["header","main","footer"].map(n => document.querySelectorAll("body > " + n).length).join()`); got != "1,1,1" {
		v.Errorf("landmarks: %s", got)
	}
	var levels []int
	if err := json.Unmarshal([]byte(JS[string](v, `JSON.stringify([...document.querySelectorAll("h1,h2,h3,h4")].filter(h => !h.closest("dialog")).map(h => Number(h.tagName[1])))`)), &levels); err != nil {
		v.Fatal(err)
	}
	for i, l := range levels {
		if (i == 0) != (l == 1) || (i > 0 && l > levels[i-1]+1) {
			v.Errorf("heading levels %v", levels)
			break
		}
	}
	for what, expression := range map[string]string{
		"pictures without a text":  `[...document.images].filter(i => !i.alt).length`,
		"broken pictures":          `[...document.images].filter(i => !i.complete || !i.naturalWidth).length`,
		"sections without a name":  `[...document.querySelectorAll("section, nav, article, dialog")].filter(s => !document.getElementById(s.getAttribute("aria-labelledby"))).length`,
		"buttons without a name":   `[...document.querySelectorAll("button, input")].filter(b => !b.textContent.trim() && !b.getAttribute("aria-label")).length`,
		"ids that are there twice": `{const all = [...document.querySelectorAll("[id]")].map(e => e.id); all.length - new Set(all).size}`,
		"links to nowhere":         `[...document.querySelectorAll('a[href^="#"]')].filter(a => !document.getElementById(a.getAttribute("href").slice(1))).length`,
		"moving things":            `document.getAnimations().length + document.querySelectorAll("video,audio,marquee").length`,
	} {
		if got := JS[int](v, expression); got != 0 {
			v.Errorf("%s: %d", what, got)
		}
	}
	v.Clean()
}

// Clean fails the test if the page asked for anything or complained.
func (v *Visitor) Clean() {
	v.Helper()
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, b := range v.bad {
		v.Errorf("the page made a %s", b)
	}
}
