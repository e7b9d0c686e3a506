package page

import (
	"bytes"
	"context"
	"image"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/vision"
	"setwitness/report"
	"setwitness/report/crops"
)

// discs is a take in which a bright disc crosses a striped ground; in some
// pictures the two parities of lines show it at different places.
type discs struct {
	f     picture.Format
	woven map[int]bool
}

func (d *discs) picture(i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(d.f.W, d.f.H, 8), Cb: picture.New(d.f.W/2, d.f.H/2, 8), Cr: picture.New(d.f.W/2, d.f.H/2, 8)}
	radius := d.f.H / 8
	for y := range d.f.H {
		cx := d.f.W/4 + 12*i
		if d.woven[i] && y%2 == 1 {
			cx -= 12
		}
		for x := range d.f.W {
			v := 60 + 30*((x+y)/40%2) + y*40/d.f.H
			if dx, dy := x-cx, y-d.f.H/2; dx*dx+dy*dy < radius*radius {
				v = 210
			}
			p.Y.Pix[y*d.f.W+x] = uint8(v)
		}
	}
	for i := range p.Cb.Pix {
		p.Cb.Pix[i], p.Cr.Pix[i] = 118, 126
	}
	return p
}

func (d *discs) Fetch(ctx context.Context, wanted []crops.Wanted, fn func(*picture.Picture) error) error {
	for _, w := range wanted {
		if err := fn(d.picture(w.Index)); err != nil {
			return err
		}
	}
	return nil
}

// Text that would break out of a page that does not escape it.
const hostile = `"><script>alert('x')</script><img src=x onerror=alert(1)> & 'q'`

// example builds a document with findings of three kinds and their pictures.
func example(t *testing.T, name string) (*report.Findings, []crops.Shots, float64) {
	t.Helper()
	f := picture.Format{W: 960, H: 540, Depth: 8, ChromaX: 1, ChromaY: 1, RateNum: 50, RateDen: 1, Colour: picture.Colour{Matrix: "bt709"}}
	src := &discs{f: f, woven: map[int]bool{9: true, 10: true, 11: true}}
	const n = 600
	r := &detect.Result{Format: f, Pictures: n, Conditions: vision.Reference(vision.BT1886)}
	for i := range n {
		r.Times = append(r.Times, time.Duration(i)*20*time.Millisecond)
		r.Frames = append(r.Frames, i)
	}
	region := func(i int) image.Rectangle { return image.Rect(240+12*i-70, 200, 240+12*i+70, 340) }
	r.Events = []detect.Event{
		{Kind: detect.Combing, Start: 9, End: 11, Peak: 10, Region: region(9).Union(region(11)), PeakRegion: region(10), Strength: 31.4, Confidence: 0.97, Visibility: 9.1,
			Measures: map[string]float64{"displacement_px": 12, "pitch_lines": 2, "area_percent": 3.4}},
		{Kind: detect.Ghost, Start: 20, End: 30, Peak: 25, Region: region(20).Union(region(30)), PeakRegion: region(25), Strength: 42, Confidence: 0.8, Visibility: 24,
			Measures: map[string]float64{"ahead_px": 12, "behind_px": 12.3, "period_pictures": 5}},
		{Kind: detect.CadenceBreak, Start: 400, End: 400, Peak: 400, Region: image.Rect(0, 0, 960, 540), PeakRegion: image.Rect(0, 0, 960, 540), Strength: 1, Confidence: 0.71, Visibility: 1},
		{Kind: detect.Combing, Start: 0, End: 1, Peak: 0, Region: region(0), PeakRegion: region(0), Strength: 6, Confidence: 0.55, Visibility: 0.8},
	}
	r.Coverage = []detect.Coverage{
		{Kind: detect.Combing, State: detect.Examined, Seconds: 12, Floor: 2.1},
		{Kind: detect.Ghost, State: detect.Limited, Seconds: 6.5, Floor: 8, Why: "little motion"},
		{Kind: detect.CadenceBreak, State: detect.Examined, Seconds: 11.2, Floor: 1},
	}
	r.Cadence = []detect.CadenceRun{{Start: 0, End: 300, Pattern: "1:1", NewPerS: 50}, {Start: 300, End: 420, Pattern: "3:2", NewPerS: 24}, {Start: 420, End: n, Pattern: "static"}}
	doc, peaks := report.Build(report.Input{
		Version: "0.0.0-test", Created: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC),
		Take: report.Take{Path: name, SHA256: strings.Repeat("0f", 32), Container: "mov,mp4", Codec: "h264", PixelFormat: "yuv420p", Width: 960, Height: 540,
			FrameRate: "50/1", Scan: report.Progressive, Transfer: "bt709", Primaries: "bt709", Matrix: "bt709", Range: "limited", DurationS: 12, Frames: n, DamagedPackets: 2},
		Result: r, Settings: map[string]string{"set": "prototype", "film mode": hostile}, Warnings: []string{"2 packets could not be decoded, the first at 1.200 s; what they held was not examined"},
	})
	shots, err := crops.Make(context.Background(), t.TempDir(), doc, peaks, f, r.Times, src)
	if err != nil {
		t.Fatal(err)
	}
	return doc, shots, crops.PixelAspect(f)
}

func render(t *testing.T, doc *report.Findings, shots []crops.Shots, aspect float64) string {
	t.Helper()
	return renderFilm(t, doc, shots, aspect, nil)
}

func renderFilm(t *testing.T, doc *report.Findings, shots []crops.Shots, aspect float64, screen *Screen) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, doc, shots, aspect, screen, nil); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Nothing in the page may make a browser go anywhere.
func TestSelfContained(t *testing.T) {
	doc, shots, aspect, screen := filmExample(t)
	html := renderFilm(t, doc, shots, aspect, screen)
	for _, bad := range []string{`https?://`, `//[a-z]+\.`, `@import`, `<link[^>]+stylesheet`, `<script[^>]+src`, `url\([^#]`, `<iframe`, `<object`} {
		text := regexp.MustCompile(`data:[a-z/]+;base64,[A-Za-z0-9+/=]*`).ReplaceAllString(html, "data")
		if m := regexp.MustCompile(bad).FindString(text); m != "" {
			t.Errorf("the page holds %q", m)
		}
	}
	for _, src := range regexp.MustCompile(`\ssrc="([^"]{0,30})`).FindAllStringSubmatch(html, -1) {
		if !strings.HasPrefix(src[1], "data:image/") {
			t.Errorf("a picture comes from %q", src[1])
		}
	}
	if !strings.Contains(html, `content="default-src 'none'`) {
		t.Error("the page does not forbid loading")
	}
}

func TestEscapes(t *testing.T) {
	doc, shots, aspect := example(t, "/takes/"+strings.ReplaceAll(hostile, "/", "")+".mp4")
	doc.Warnings = append(doc.Warnings, hostile)
	doc.Coverage[0].Why = hostile
	doc.Cadence[0].Pattern = hostile
	doc.Findings[0].Origin.Why = hostile
	doc.Findings[0].Measures[hostile] = 1
	doc.Findings[0].ID = hostile
	doc.View.Kind, doc.View.Why = "screen", hostile
	doc.View.Corners = make([][2]float64, 4)
	doc.View.Camera = &report.Camera{Capture: hostile, Refresh: hostile, Sample: &report.Sample{Camera: hostile, Picture: hostile}}
	html := renderFilm(t, doc, shots, aspect, &Screen{Timing: &Timing{ID: hostile, Frames: []Frame{{}, {End: 1}}}})
	if strings.Contains(html, "<script>alert") || strings.Contains(html, "<img src=x") {
		t.Error("text of the document reaches the page as markup")
	}
	if !strings.Contains(html, "&lt;script&gt;alert") {
		t.Error("text of the document is missing from the page")
	}
}

// The pages of takes that say little: no finding, no length, no pictures.
func TestEmpty(t *testing.T) {
	doc, _, _ := example(t, "match.mp4")
	doc.Findings, doc.Cadence, doc.Warnings = nil, nil, nil
	html := render(t, doc, nil, 1)
	for _, want := range []string{"Nothing was found in 12 s", `id="coverage"`} {
		if !strings.Contains(html, want) {
			t.Errorf("the page of a take without findings lacks %q", want)
		}
	}
	if strings.Contains(html, "Mind this") {
		t.Error("a page without warnings has the box for them")
	}
	doc.Take.DurationS = 0
	render(t, doc, nil, 0)
	doc.Coverage = nil
	render(t, doc, nil, math.NaN())

	doc, _, _ = example(t, "match.mp4")
	html = render(t, doc, nil, 1)
	if strings.Count(html, "only in the files beside it") != len(doc.Findings) {
		t.Error("findings whose pictures are only in files do not say so")
	}
	doc.Findings[0].Evidence = report.Evidence{}
	if html = render(t, doc, nil, 1); !strings.Contains(html, "could not be read again") {
		t.Error("a finding without pictures does not say so")
	}
}

// The page says what visibility is stated for, and what of it is assumed.
func TestConditions(t *testing.T) {
	doc, shots, aspect := example(t, "a.mp4")
	const stated = "Visibility is stated for: peak 100 cd/m², black 0.05 cd/m², BT.1886, 3 picture heights away."
	if html := render(t, doc, shots, aspect); !strings.Contains(html, stated) || strings.Contains(html, "that response is assumed") {
		t.Error("the page of a direct take states other conditions")
	}
	doc.Conditions.EOTF, doc.Conditions.ResponseAssumed = "srgb", true
	if html := render(t, doc, shots, aspect); !strings.Contains(html, "sRGB assumed of the camera") || !strings.Contains(html, "that response is assumed") {
		t.Error("the page of a take of a screen does not say that the camera's response is assumed")
	}
}

func TestWords(t *testing.T) {
	for name, want := range map[string]fact{"displacement_px": {"displacement", "12 px"}, "area_percent": {"area", "12 %"}, "copies": {"copies", "12"}, "rate_hz": {"rate", "12 Hz"}, "ahead_pct": {"ahead", "12 %"}, "area_share": {"area", "1200 %"}, "_px": {" px", "12"}, "crawl_px_s": {"crawl", "12 px/s"}, "source_per_s": {"source", "12 a second"}, "step_itp": {"step", "12 ΔE ITP"}} {
		if got := measure(name, 12); got != want {
			t.Errorf("measure(%q) is %q, want %q", name, got, want)
		}
	}
	for _, k := range detect.Kinds {
		if strengthWords(k) == "" {
			t.Errorf("%s: nothing says what its strength measures", k)
		}
	}
	for v, want := range map[float64]string{0: "not known", 1: "top", 2: "bottom"} {
		if got := measure("leading_field", v); got != (fact{"earlier field", want}) {
			t.Errorf("field %g is %q, want %s", v, got, want)
		}
	}
}

func TestFieldWords(t *testing.T) {
	for _, c := range []struct {
		name                  string
		scan                  report.Scan
		w, h, rotation, lines int
		want                  string
	}{
		{"progressive", report.Progressive, 1920, 1080, 0, 1080, "each frame was examined as one picture"},
		{"split", report.InterlacedTop, 1920, 1080, 0, 540, "top field first. Its frames were split"},
		{"split bottom", report.InterlacedBottom, 720, 480, 0, 240, "bottom field first. Its frames were split"},
		{"odd", report.InterlacedTop, 853, 479, 0, 240, "were split"},
		{"woven", report.InterlacedTop, 1920, 1080, 0, 1080, "examined woven"},
		{"split on request", report.Progressive, 1920, 1080, 0, 540, "because that was asked for"},
	} {
		doc := &report.Findings{Take: report.Take{Scan: c.scan, Width: c.w, Height: c.h, RotationDeg: c.rotation},
			View: report.View{Kind: "direct", Raster: report.Raster{Width: c.w, Height: c.lines}}}
		if got := fieldWords(doc); !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q in it", c.name, got, c.want)
		}
	}
}

// Ticks stand on the line, in order, few enough to be read, and begin at 0.
func TestTicks(t *testing.T) {
	for _, d := range []float64{0, 0.001, 0.02, 0.5, 1, 12, 59.94, 600, 7261, 200000, 1e9, math.NaN()} {
		got := ticks(d)
		if len(got) == 0 || len(got) > 8 || got[0].At != 0 {
			t.Fatalf("%g s: %d ticks %v", d, len(got), got)
		}
		for i, k := range got {
			if k.At < 0 || k.At > 100 || k.Label == "" || (i > 0 && k.At <= got[i-1].At) {
				t.Errorf("%g s: tick %d is %+v", d, i, k)
			}
		}
	}
}

// Pixels are stretched to their aspect and never squeezed.
func TestPanelAspect(t *testing.T) {
	img := crops.Image{Data: []byte{1}, Type: "image/png", W: 300, H: 100}
	for aspect, want := range map[float64][2]int{1: {300, 100}, 0.5: {300, 200}, 1.5: {450, 100}, 0: {300, 100}} {
		if p := show(img, aspect); p.W != want[0] || p.H != want[1] {
			t.Errorf("aspect %g: shown as %dx%d, want %v", aspect, p.W, p.H, want)
		}
	}
}

// variables reads the colours that a style sheet names.
func variables(css string) map[string]string {
	out := map[string]string{}
	for _, m := range regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{6});`).FindAllStringSubmatch(css, -1) {
		out[m[1]] = m[2]
	}
	return out
}

// ratio is the contrast ratio of two colours as WCAG 2.1 defines it.
func ratio(a, b string) float64 {
	luminance := func(c string) float64 {
		sum := 0.0
		for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
			n, err := strconv.ParseUint(c[1+2*i:3+2*i], 16, 8)
			if err != nil {
				return math.NaN()
			}
			v := float64(n) / 255
			if v <= 0.03928 {
				v /= 12.92
			} else {
				v = math.Pow((v+0.055)/1.055, 2.4)
			}
			sum += weight * v
		}
		return sum
	}
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

func kinds() []string {
	var out []string
	for _, k := range detect.Kinds {
		out = append(out, string(k))
	}
	return out
}

// A finding of small steps carries its crop with the codes spread and a profile,
// with words for who does not see them; others carry neither.
func TestSpread(t *testing.T) {
	image := func(w int) crops.Image { return crops.Image{Data: []byte{1}, Type: "image/png", W: w, H: 90} }
	shots := crops.Shots{Panels: [3]crops.Image{1: image(100)}, Lifted: image(300), Profile: image(800), Plotted: "luma"}
	f := report.Finding{ID: "f001", Kind: detect.Macroblocking, Evidence: report.Evidence{Lifted: "crops/l.png", Profile: "crops/p.png"}}
	single := &report.Findings{View: report.View{Raster: report.Raster{Width: 960, Height: 540}}, Findings: []report.Finding{f}}
	d := describe(single, 0, shots, 1)
	if len(d.Spread) != 2 || d.Spread[0].W != 300 || d.Spread[1].W != 800 {
		t.Fatalf("%+v", d.Spread)
	}
	for _, p := range d.Spread {
		if !strings.HasPrefix(p.Alt, "f001, macroblocking: ") || p.Name == "" {
			t.Errorf("%q, %q", p.Name, p.Alt)
		}
	}
	if n := len(d.Files); n != 2 {
		t.Errorf("%d files", n)
	}
	doc, all, aspect := example(t, "match.mp4")
	if strings.Contains(render(t, doc, all, aspect), `class="spread"`) {
		t.Error("findings that have no small steps carry a profile")
	}
	doc.Findings[0].Kind = detect.Macroblocking
	all[0].Lifted, all[0].Profile = image(300), image(800)
	if n := strings.Count(render(t, doc, all, aspect), `class="spread"`); n != 1 {
		t.Errorf("%d findings carry a profile", n)
	}
}

func TestSummary(t *testing.T) {
	doc, _, _ := example(t, "match.mp4")
	if got, want := build(doc, nil, 1, nil).Summary, "4 findings in 12 s: 2 of combing, 1 ghost, 1 cadence break."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	doc.Findings = append(doc.Findings, doc.Findings...)
	if got, want := build(doc, nil, 1, nil).Summary, "8 findings in 12 s: 4 of combing, 2 ghosts, 2 cadence breaks."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
