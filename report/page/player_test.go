package page

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"setwitness/testdata/browser"
)

// A name that has to be escaped, in an address as in HTML.
const oddClip = "annotated #1 & <b> 100%.mp4"

// pageWithClip writes a page with an annotated clip beside it.
func pageWithClip(t *testing.T) string {
	t.Helper()
	doc, shots, aspect := example(t, "match "+slotStart+" of the reds.mp4")
	folder := t.TempDir()
	path := filepath.Join(folder, "report.html")
	if err := os.WriteFile(path, []byte(render(t, doc, shots, aspect)), 0o644); err != nil {
		t.Fatal(err)
	}
	clip, err := os.ReadFile(filepath.Join("testdata", "clip.mp4"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, oddClip), clip, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func chapters() []Chapter {
	return []Chapter{
		{Finding: "f003", At: 0, Title: "f003 Ghost at 0:00.500"},
		{Finding: "f002", At: 1.5, Title: hostile},
		{Finding: "f999", At: 3},
	}
}

func TestAddPlayer(t *testing.T) {
	path := pageWithClip(t)
	plain, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(plain, []byte(slotStart)); n != 1 {
		t.Fatalf("the page has %d places for a player", n)
	}
	if bytes.Contains(plain, []byte("<video")) {
		t.Error("a page without a clip has a player")
	}
	if err := AddPlayer(path, "another.mp4"); err != nil {
		t.Fatal(err)
	}
	// The second takes the place of the first.
	if err := AddPlayer(path, oddClip, chapters()...); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	html := string(got)
	for part, want := range map[string]int{
		"<video": 1, "another.mp4": 0, "autoplay": 0, " loop ": 1, `preload="metadata"`: 1, " controls": 1, `<a href="#cautions">`: 2,
		`src="annotated%20%231%20&amp;%20%3Cb%3E%20100%25.mp4"`:        1,
		`href="annotated%20%231%20&amp;%20%3Cb%3E%20100%25.mp4#t=1.5"`: 1,
		"annotated #1 &amp; &lt;b&gt; 100%.mp4</a>":                    1,
		"<script>alert": 0, `data-finding="f003"`: 1, `> f999</a>`: 1,
	} {
		if n := strings.Count(html, part); n != want {
			t.Errorf("%q is there %d times, want %d", part, n, want)
		}
	}
	// Nothing else of the page has changed.
	before, rest, _ := strings.Cut(html, slotStart)
	_, after, _ := strings.Cut(rest, slotEnd)
	if before+slotStart+slotEnd+after != string(plain) {
		t.Error("more than the player has changed")
	}
	entries, _ := os.ReadDir(filepath.Dir(path))
	if len(entries) != 2 {
		t.Errorf("%d files beside the page, want the clip and the page", len(entries))
	}
}

func TestAddPlayerRefuses(t *testing.T) {
	path := pageWithClip(t)
	plain, _ := os.ReadFile(path)
	for _, name := range []string{"", ".", "/clip.mp4", "../clip.mp4", "a/../../clip.mp4"} {
		if err := AddPlayer(path, name); err == nil || !strings.Contains(err.Error(), "beside the page") {
			t.Errorf("a clip named %q: %v", name, err)
		}
	}
	if now, _ := os.ReadFile(path); !bytes.Equal(now, plain) {
		t.Error("a refused clip changes the page")
	}
	foreign := filepath.Join(t.TempDir(), "report.html")
	for _, content := range []string{"<p>another page</p>", slotEnd + slotStart} {
		if err := os.WriteFile(foreign, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := AddPlayer(foreign, "clip.mp4"); err == nil || !strings.Contains(err.Error(), "scan the take again") {
			t.Errorf("a page %q: %v", content, err)
		}
		if now, _ := os.ReadFile(foreign); string(now) != content {
			t.Error("a page without a place for a player was changed")
		}
	}
	if err := AddPlayer(filepath.Join(t.TempDir(), "none.html"), "clip.mp4"); !os.IsNotExist(err) {
		t.Errorf("no page: %v", err)
	}
}

func TestPlayerInBrowser(t *testing.T) {
	path := pageWithClip(t)
	if err := AddPlayer(path, oddClip, chapters()...); err != nil {
		t.Fatal(err)
	}
	clip := filepath.Join(filepath.Dir(path), oddClip)
	chromium := browser.Launch(t)
	const video = `document.querySelector("#player video")`

	t.Run("desktop", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 1280, 900)
		v.MayAsk(clip)
		v.Until(video + `.readyState >= 1`)
		if got := browser.JS[string](v, video+`.error ? "error" : [`+video+`.paused, `+video+`.autoplay, `+video+`.loop, `+video+`.currentTime, `+video+`.duration].join()`); got != "true,false,false,0,4" {
			t.Errorf("paused, plays by itself, loops, time, length: %s", got)
		}
		// A chapter, by the mouse and by the keyboard.
		v.Do(chromedp.Click(chromedp.CSS(`.chapters .place[data-at="1.5"]`)))
		v.Until(video + `.currentTime === 1.5`)
		v.Until(`[...document.querySelectorAll(".chapters [aria-current]")].map(a => a.dataset.finding).join() === "f002"`)
		v.Do(chromedp.Focus(chromedp.CSS(`.chapters .place[data-at="3"]`)))
		v.Press(kb.Enter)
		v.Until(`[...document.querySelectorAll(".chapters [aria-current]")].map(a => a.dataset.finding).join() === "f999"`)
		if got := browser.JS[float64](v, video+`.currentTime`); got != 3 {
			t.Errorf("Enter on the chapter at 3 s goes to %g s", got)
		}
		// A finding that the clip shows leads to it, one that it does not has no way.
		if n := browser.JS[int](v, `document.querySelectorAll(".in-clip").length`); n != 2 {
			t.Errorf("%d findings lead into the clip", n)
		}
		v.Do(chromedp.Focus(chromedp.CSS(`#f003 .in-clip`)))
		v.Press(kb.Enter)
		v.Until(video + `.currentTime === 0 && document.activeElement.matches(".chapters [data-at='0']")`)
		v.Until(video + `.getBoundingClientRect().top >= 0 && ` + video + `.getBoundingClientRect().bottom <= innerHeight + 1`)
		// and from the clip to the finding.
		v.Do(chromedp.Click(chromedp.CSS(`.chapters .shown[href="#f002"]`)))
		v.Until(`document.activeElement.id === "f002"`)
		if !browser.JS[bool](v, video+`.paused`) {
			t.Error("a way into the clip starts it")
		}
		v.Do(chromedp.Evaluate[chromedp.Void](`document.getElementById("player").scrollIntoView()`))
		v.Shot("player")
		v.Clean()
	})

	t.Run("phone", func(t *testing.T) {
		v := browser.Visit(t, chromium, path, 360, 740, browser.Scaled(360, 740, 2))
		v.MayAsk(clip)
		v.Until(video + `.readyState >= 1`)
		if w := browser.JS[int](v, `document.documentElement.scrollWidth`); w > 360 {
			t.Errorf("the page is %d px wide", w)
		}
		v.Do(chromedp.Click(chromedp.CSS(`#f002 .in-clip`)))
		v.Until(video + `.currentTime === 1.5`)
		v.Shot("player-phone")
		v.Clean()
	})

	t.Run("no clip", func(t *testing.T) {
		if err := os.Remove(clip); err != nil {
			t.Fatal(err)
		}
		v := browser.Visit(t, chromium, path, 1280, 900)
		v.Until(`!document.getElementById("player-missing").hidden`)
	})
}
