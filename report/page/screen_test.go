package page

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/crops"
	"setwitness/testdata/browser"
)

// The timing of the example: a camera of 240 frames a second, exposed for
// half of a frame, before a set of 50 pictures a second that begins to show
// them at the top and 10 ms later at the bottom.
const (
	exampleStep     = 1.0 / 240
	examplePeriod   = 1.0 / 50
	exampleExposure = exampleStep / 2
	exampleDown     = 0.010
	exampleBands    = 48
)

// begins returns when picture k begins to show at a height.
func begins(k int, y float64) float64 { return 0.003 + float64(k)*examplePeriod + exampleDown*y }

// exampleTiming cuts frames into runs by the closed form: a row that was
// exposed from end-exposure to end is mixed if an update falls in between.
func exampleTiming(first, n int) *Timing {
	t := &Timing{Exposure: exampleExposure, ID: "f002", Peak: 10, Top: 0.25, Bottom: 0.5}
	for i := first; i < first+n; i++ {
		end := float64(i) * exampleStep
		f := Frame{Number: i, Shown: end, End: end, Known: i != first}
		for b := range exampleBands {
			y := (float64(b) + 0.5) / exampleBands
			k := int(math.Floor((end - begins(0, y)) / examplePeriod))
			r := Run{To: float64(b+1) / exampleBands, Picture: k, Mixed: end-begins(k, y) < exampleExposure}
			r.Still = r.Mixed && b >= 44
			if m := len(f.Runs); m > 0 && f.Runs[m-1].Picture == r.Picture && f.Runs[m-1].Mixed == r.Mixed && f.Runs[m-1].Still == r.Still {
				f.Runs[m-1].To = r.To
				continue
			}
			f.Runs = append(f.Runs, r)
		}
		t.Frames = append(t.Frames, f)
	}
	for k := t.Frames[0].Runs[len(t.Frames[0].Runs)-1].Picture - 1; k <= t.Frames[n-1].Runs[0].Picture+1; k++ {
		t.Pictures = append(t.Pictures, Picture{
			Number: k, Index: k - 1,
			Begin: [4]float64{begins(k, 0), begins(k, 0), begins(k, 1), begins(k, 1)},
			End:   [4]float64{begins(k+1, 0), begins(k+1, 0), begins(k+1, 1), begins(k+1, 1)},
		})
	}
	return t
}

func grey(w, h int, v uint8) crops.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetRGBA(x, y, color.RGBA{v, v, uint8(x * 255 / w), 255})
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		panic(err)
	}
	return crops.Image{Data: b.Bytes(), Type: "image/png", W: w, H: h}
}

// filmExample is the example as a camera of 1280 by 720 saw it on a screen.
func filmExample(t *testing.T) (*report.Findings, []crops.Shots, float64, *Screen) {
	t.Helper()
	doc, shots, aspect := example(t, "film.mp4")
	doc.Take.Width, doc.Take.Height, doc.Take.FrameRate = 1280, 720, "240/1"
	corners := [4][2]float64{{128, 72}, {1152, 90}, {1088, 648}, {192, 576}}
	doc.View = report.View{
		Kind: "screen", Why: "four straight sides show", Raster: doc.View.Raster, RefreshHz: 50, DisplayedFrames: 600, MixedFrames: 700, CameraPxPerLine: 1.1,
		Corners: corners[:],
		Camera: &report.Camera{
			Capture: "240 frames a second", Refresh: "50.00 new pictures a second", FramesPerPicture: 4.8,
			ExposureMs: 1000 * exampleExposure, DownMs: 1000 * exampleDown, Border: report.PanelBorder, CornersConfidence: 0.93, CornersSpreadPx: 0.234, SwayPx: 11.26,
			CarriedFrames: 3, TrustedShare: 0.985, NoiseCodes: 0.41,
			Sample: &report.Sample{Frame: 50, TimeS: 0.208333, Corners: corners, Camera: "crops/camera.png", Picture: "crops/screen.png"},
		},
	}
	s := &Screen{Camera: grey(640, 360, 40), Picture: grey(480, 270, 120), BuiltFrom: []int{49, 50, 51}, Timing: exampleTiming(34, 32)}
	for i, a := range corners {
		b := corners[(i+1)%4]
		for k := range 4 {
			f := float64(k) / 4
			s.Outline = append(s.Outline, [2]float64{(a[0] + f*(b[0]-a[0])) / 1280, (a[1] + f*(b[1]-a[1])) / 720})
		}
	}
	return doc, shots, aspect, s
}

// lookAtFilm does with the page of a film what a person would who wants to know
// whether to believe it.
func lookAtFilm(t *testing.T, v *browser.Visitor, doc *report.Findings, s *Screen) {
	// Facts are no cautions.
	if got := browser.JS[string](v, `document.querySelector(".notice").textContent`); strings.Contains(got, "straight sides") || !strings.Contains(got, "packets") {
		t.Errorf("the cautions are %q", got)
	}
	take := browser.JS[string](v, `document.getElementById("take").textContent`)
	for _, want := range []string{"four straight sides show", "50.00 new pictures", "240 frames a second", "600, rebuilt", "700 of 600 frames"} {
		if !strings.Contains(take, want) {
			t.Errorf("the take's facts lack %q", want)
		}
	}
	// From the head of the page to the camera.
	v.Do(chromedp.Click(chromedp.CSS(`.short a[href="#camera"]`)))
	v.Until(`Math.abs(document.getElementById("camera").getBoundingClientRect().top) < 60`)
	v.Shot("film")
	words := browser.JS[string](v, `document.getElementById("camera").innerText`)
	for _, want := range []string{"Sure (confidence 0.93)", "0.23 camera pixels", "by up to 11.3 camera pixels", "In 3 frames too little", "as high as 1.1 camera pixels",
		"top left 128.0, 72.0", "in frame 50", "Camera frame 50 at 0:00.208, with the found border of the screen", "rebuilt from camera frames 49, 50 and 51",
		"at the top and 10 ms later at the bottom"} {
		if !strings.Contains(words, want) {
			t.Errorf("the camera's words lack %q:\n%s", want, words)
		}
	}
	// The border lies on the picture where it was found.
	border := func(within string) {
		t.Helper()
		got := browser.JS[[][2]float64](v, `{const f = document.querySelector("`+within+`"), i = f.querySelector("img").getBoundingClientRect(), p = f.querySelector("polygon"), m = p.getScreenCTM();
			[...p.points].map(q => q.matrixTransform(m)).map(q => [(q.x - i.x) / i.width, (q.y - i.y) / i.height])}`)
		if len(got) != len(s.Outline) {
			t.Fatalf("%s: the border has %d points", within, len(got))
		}
		for i, p := range got {
			if d := math.Hypot(p[0]-s.Outline[i][0], p[1]-s.Outline[i][1]); d > 0.002 {
				t.Errorf("%s: point %d of the border is drawn at %v, want %v", within, i, p, s.Outline[i])
			}
		}
	}
	border(".seen")
	// Enlarged it goes along, and the next step is the straightened picture.
	v.Do(chromedp.Click(chromedp.CSS(`.seen .whole`)))
	v.Until(`document.getElementById("enlarged").open && document.querySelector("#enlarged .now").dataset.name === "Camera frame"`)
	border("#enlarged .now")
	if k := browser.JS[float64](v, `{const i = document.querySelector("#enlarged .now img"); i.getBoundingClientRect().width / i.naturalWidth}`); k < 1 {
		t.Errorf("a picture of 640 columns is enlarged %g times in a window of 1280", k)
	}
	v.Shot("film-enlarged")
	v.Press(kb.ArrowRight)
	v.Until(`document.querySelector("#enlarged .now").dataset.name === "Screen, straightened"`)
	v.Press(kb.Escape)
	v.Until(`!document.getElementById("enlarged").open && document.activeElement.matches(".seen .whole")`)

	// The diagram has a bar for each frame with a hatch where it is mixed, and
	// the updates go down to the right as the set's do.
	mixed, bars := 0, len(s.Timing.Frames)
	for _, f := range s.Timing.Frames {
		for _, r := range f.Runs {
			if f.Known && r.Mixed && !r.Still {
				mixed++
			}
		}
	}
	for expression, want := range map[string]int{
		`document.querySelectorAll(".timing .exposure").length`: bars,
		`[...document.querySelectorAll(".timing .bar-mixed")].filter(r => getComputedStyle(r).fill.includes("#hatch") && r.getBoundingClientRect().height > 0).length`: mixed,
		`document.querySelectorAll(".timing .bar-unknown").length`:                                                                                                                 len(s.Timing.Frames[0].Runs),
		`[...document.querySelectorAll(".timing .update")].filter(l => l.x2.baseVal.value > l.x1.baseVal.value).length`:                                                            len(s.Timing.Pictures),
		`document.querySelectorAll(".timing text.peak").length`:                                                                                                                    2,
		`document.querySelectorAll(".legend li").length`:                                                                                                                           6,
		`[...document.querySelectorAll("[aria-labelledby]")].flatMap(e => e.getAttribute("aria-labelledby").split(" ")).filter(i => !document.getElementById(i)).length`:           0,
		`[...document.querySelectorAll("svg")].filter(s => !s.closest("[aria-hidden], [role=img]") && !s.getAttribute("aria-label") && !s.getAttribute("aria-labelledby")).length`: 0,
	} {
		if got := browser.JS[int](v, expression); got != want {
			t.Errorf("%s is %d, want %d", expression, got, want)
		}
	}
	if got := browser.JS[string](v, `document.getElementById("timing-name").textContent`); got != "Camera frames 34 to 65 (0:00.142 to 0:00.271) against the pictures of the set, around the peak of f002" {
		t.Errorf("the diagram is called %q", got)
	}
	// The legend leads to the finding.
	v.Do(chromedp.Click(chromedp.CSS(`.legend a`)))
	v.Until(`location.hash === "#f002"`)

	// The same in words, opened by keyboard.
	v.Do(chromedp.Focus(chromedp.CSS(`#camera summary`)))
	v.Press(kb.Enter)
	v.Until(`document.querySelector("#camera details").open`)
	row := browser.JS[string](v, `[...document.querySelectorAll("#camera details tbody tr")].map(r => r.innerText).find(r => r.startsWith("picture 9\t"))`)
	// Picture 10 of the set begins at 203 ms at the top and at 213 ms at the
	// bottom, the next 20 ms later: frames end on multiples of 1/240 s, so 49
	// (204.2) is the first that sees it at all, mixed with the one before, and
	// 56 (233.3) the last.
	if row != "picture 9\t50 to 55\t49 to 51, 54 to 56" {
		t.Errorf("the table says %q", row)
	}
	v.Clean()
}

// Frames of the drawing stand to scale: the hatch covers exactly the rows whose
// exposure the line of an update crosses.
func TestTimingToScale(t *testing.T) {
	s := exampleTiming(34, 32)
	for i := range s.Frames {
		s.Frames[i].Known = true
	}
	d := draw(s, &report.Camera{DownMs: 10})
	if len(d.Bars) != len(s.Frames) || d.Narrowed || d.Across || !d.Mixed || !d.Still || d.Unknown {
		t.Fatalf("%d bars, %+v", len(d.Bars), d)
	}
	hatched := 0
	for i, b := range d.Bars {
		bottom := d.Top
		for _, g := range b.Segments {
			if math.Abs(g.Y-bottom) > 0.11 {
				t.Errorf("bar %d has a gap at %g", i, bottom)
			}
			bottom = g.Y + g.H
			for y := g.Y + 4; y < g.Y+g.H-4; y++ {
				crossed := slices.ContainsFunc(d.Fields, func(f field) bool {
					x := f.X1 + (y-d.Top)/d.PlotH*(f.X2-f.X1)
					return x > b.X && x < b.X+b.W
				})
				if mixed := g.Class == "mixed" || g.Class == "still"; mixed != crossed {
					t.Fatalf("bar %d at height %g: mixed %v, an update crosses it %v", i, y, mixed, crossed)
				}
				hatched++
			}
		}
		if math.Abs(bottom-d.Bottom) > 0.11 {
			t.Errorf("bar %d ends at %g", i, bottom)
		}
	}
	if hatched == 0 {
		t.Error("nothing was looked at")
	}
	// Labels keep apart and on the paper.
	for _, list := range [][]label{d.Frames, d.Times, d.Labels} {
		for i, l := range list {
			half := 4 * float64(len(l.Text))
			if l.X-half < 0 || l.X+half > d.W || i > 0 && l.X-half < list[i-1].X+4*float64(len(list[i-1].Text)) {
				t.Errorf("label %q at %g runs into another or off the paper", l.Text, l.X)
			}
		}
	}
}

// Timings as they may come: none, exposures as long as a frame, an upright
// camera, huge numbers, no finding.
func TestTimingHostile(t *testing.T) {
	c := &report.Camera{Refresh: "50 a second", DownMs: -3, AcrossMs: 4}
	for _, s := range []*Timing{{}, {Frames: []Frame{{}}}, {Frames: []Frame{{End: 1}, {End: 1}}}, {Frames: []Frame{{End: math.NaN()}, {}}}} {
		if d := draw(s, c); d != nil {
			t.Errorf("%+v is drawn", s)
		}
	}
	s := exampleTiming(34, 32)
	s.Exposure, s.ID = 1, ""
	for i := range s.Frames {
		s.Frames[i].Number += 1234567
		s.Frames[i].Shown += 8000
	}
	for i := range s.Pictures {
		p := &s.Pictures[i]
		p.Index = -1
		for k := range 2 {
			p.Begin[2*k+1] += 0.004
			p.End[2*k+1] += 0.004
		}
	}
	d := draw(s, c)
	if !d.Narrowed || !d.Across || d.Mark != "" {
		t.Errorf("narrowed %v, across %v, mark %q", d.Narrowed, d.Across, d.Mark)
	}
	if !strings.Contains(d.Slope, "at the bottom and 3 ms later at the top, and on the left and 4 ms later on the right") {
		t.Errorf("the slope is %q", d.Slope)
	}
	c.Refresh = ""
	if got := draw(s, c).Slope; got != "" {
		t.Errorf("without a refresh the slope is %q", got)
	}
	for i, b := range d.Bars {
		if i > 0 && b.X < d.Bars[i-1].X+d.Bars[i-1].W {
			t.Errorf("bar %d runs into the one before", i)
		}
	}
	if len(d.Frames) < 2 || len(d.Times) < 2 {
		t.Errorf("%d frames and %d times have labels", len(d.Frames), len(d.Times))
	}
}

// A film of which frame and timing could not be had again still has a page.
func TestFilmWithoutPictures(t *testing.T) {
	doc, shots, aspect, _ := filmExample(t)
	doc.View.Camera.Sample = nil
	doc.View.Camera.CornersConfidence = 0.3
	doc.View.Camera.CarriedFrames, doc.View.Camera.SwayPx, doc.View.Camera.CornersSpreadPx = 1, 0, 0
	unknown := &Timing{Frames: []Frame{{}, {End: 1}}}
	for _, s := range []*Screen{nil, {}, {Timing: unknown}} {
		html := renderFilm(t, doc, shots, aspect, s)
		for _, want := range []string{"could not be read again", "Not sure (confidence 0.30)", "in the first frame", "less than 0.01 camera pixels", "In one frame too little", "nothing to draw"} {
			if !strings.Contains(html, want) {
				t.Errorf("the page lacks %q", want)
			}
		}
		if strings.Contains(html, "<svg class=\"timing\"") {
			t.Error("there is a diagram of nothing")
		}
	}
}

// What is drawn on the camera's frame is called what it is.
func TestBorders(t *testing.T) {
	for b, want := range map[report.Border]string{
		report.PanelBorder: "found border of the screen", report.LitBorder: "border of the lit picture", report.GivenBorder: "Given for the first frame",
		report.NoBorder: "as a close-up",
	} {
		doc, shots, aspect, s := filmExample(t)
		doc.View.Camera.Border = b
		html := renderFilm(t, doc, shots, aspect, s)
		if !strings.Contains(html, want) {
			t.Errorf("%s: the page lacks %q", b, want)
		}
		if got := strings.Contains(html, `<polygon class="edge"`); got != (b != report.NoBorder) {
			t.Errorf("%s: a border is drawn: %v", b, got)
		}
		if b == report.NoBorder && (strings.Contains(html, "Movement") || strings.Contains(html, "confidence 0.93")) {
			t.Error("of a border that is not there something is said")
		}
	}
}

func TestSpans(t *testing.T) {
	for want, list := range map[string][]int{"none": nil, "3": {3}, "3, 4": {3, 4}, "3 to 5": {3, 4, 5}, "1, 3 to 6, 9, 10": {1, 3, 4, 5, 6, 9, 10}} {
		if got := spans(list); got != want {
			t.Errorf("spans(%v) is %q, want %q", list, got, want)
		}
	}
	for want, list := range map[string][]int{"": nil, "camera frame 7": {7}, "camera frames 7 and 8": {7, 8}, "camera frames 7, 8 and 11": {7, 8, 11}} {
		if got := numbers(list); got != want {
			t.Errorf("numbers(%v) is %q, want %q", list, got, want)
		}
	}
}

// Every kind says in words of its own what would have been found.
func TestCoverageWords(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range detect.Kinds {
		c := report.Coverage{Kind: k, State: detect.Limited, Seconds: 3, Why: "little motion.", Floor: &report.Quantity{Value: 2.5, Unit: k.Unit()}}
		floor := floorWords(c)
		if !strings.Contains(floor, "2.5 "+k.Unit()) || !strings.Contains(floor, "would have been found") {
			t.Errorf("%s: %q", k, floor)
		}
		seen[floor] = true
		if got := coverageWords(c); got != "examined for 3.0 s, with limits: little motion." {
			t.Errorf("%s: %q", k, got)
		}
		c.State = detect.NotExaminable
		if got := coverageWords(c); got != "this take could not have shown it: little motion." || floorWords(c) != "" {
			t.Errorf("%s: %q, %q", k, got, floorWords(c))
		}
	}
	// Banding and posterisation are steps in JND alike.
	if len(seen) < len(detect.Kinds)-1 {
		t.Errorf("%d sentences for %d kinds", len(seen), len(detect.Kinds))
	}
	if got := coverageWords(report.Coverage{State: detect.NotExaminable, Why: report.NotBuilt}); !strings.Contains(got, "not built yet") {
		t.Errorf("a kind without a stage: %q", got)
	}
}

// People whose eyes lack one kind of cone tell the two tints and the mark from
// each other, and so does everybody on a print without colour. Simulation by
// the matrices of Machado, Oliveira and Fernandes, "A physiologically-based
// model for simulation of color vision deficiency", 2009, for a full lack
// (values from memory; each keeps white white), on linear light.
func TestColourVision(t *testing.T) {
	lacks := map[string][3][3]float64{
		"none":   {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		"protan": {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
		"deutan": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
		"tritan": {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
	}
	schemes := strings.SplitN(style, "@media (prefers-color-scheme: dark)", 2)
	paper := regexp.MustCompile(`(?s)@media print \{(.*)`).FindString(style)
	for name, css := range map[string]string{"light": schemes[0], "dark": strings.SplitN(schemes[1], "* {", 2)[0], "print": paper} {
		c := variables(css)
		for lack, m := range lacks {
			for _, row := range m {
				if s := row[0] + row[1] + row[2]; math.Abs(s-1) > 2e-5 {
					t.Errorf("%s: white does not stay white (%g)", lack, s)
				}
			}
			// Differences in CIELAB, of which 2.3 is just noticeable side by side
			// (from memory); bars are small and stand apart.
			for _, pair := range [][2]string{{"even", "odd"}, {"even", "mark"}, {"odd", "mark"}, {"even", "even-ground"}, {"odd", "odd-ground"}, {"even-ground", "odd-ground"}} {
				least := 25.0
				if pair[1] == "odd-ground" && pair[0] == "even-ground" {
					least = 6 // the lines between them tell them apart as well
				}
				a, b := lab(t, c[pair[0]], m), lab(t, c[pair[1]], m)
				if d := math.Sqrt(math.Pow(a[0]-b[0], 2) + math.Pow(a[1]-b[1], 2) + math.Pow(a[2]-b[2], 2)); d < least {
					t.Errorf("%s, %s: %s and %s differ by %.0f, want %.0f", name, lack, pair[0], pair[1], d, least)
				}
			}
		}
		if r := ratio(c["even"], c["odd"]); r < 2 {
			t.Errorf("%s: without colour the tints differ by a ratio of %.2f alone", name, r)
		}
	}
}

// lab is a colour of sRGB, as seen through a matrix, in CIELAB (IEC 61966-2-1
// and CIE 15, white D65; values from memory).
func lab(t *testing.T, hex string, m [3][3]float64) [3]float64 {
	t.Helper()
	var light [3]float64
	for i := range light {
		n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		v := float64(n) / 255
		if light[i] = v / 12.92; v > 0.04045 {
			light[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	var seen [3]float64
	for i, row := range m {
		seen[i] = min(max(row[0]*light[0]+row[1]*light[1]+row[2]*light[2], 0), 1)
	}
	xyz := [3][3]float64{{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}
	white := [3]float64{0.9505, 1, 1.0890}
	var f [3]float64
	for i, row := range xyz {
		v := (row[0]*seen[0] + row[1]*seen[1] + row[2]*seen[2]) / white[i]
		if f[i] = v*841/108 + 4.0/29; v > 216.0/24389 {
			f[i] = math.Cbrt(v)
		}
	}
	return [3]float64{116*f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])}
}
