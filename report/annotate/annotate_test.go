package annotate

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/vision"
	"setwitness/report"
)

func format(w, h, depth, cx, cy int) picture.Format {
	return picture.Format{W: w, H: h, Depth: depth, ChromaX: cx, ChromaY: cy, Colour: picture.Colour{Matrix: "bt709"}, RateNum: 50, RateDen: 1}
}

// scene is a picture in which no two samples near each other are alike.
func scene(f picture.Format, i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(f.W, f.H, f.Depth)}
	rng := rand.New(rand.NewPCG(uint64(i), 7))
	fill := func(p *picture.Plane, mean, swing float64) {
		for y := range p.H {
			for x := range p.W {
				v := mean + swing*math.Sin(float64(x+9*i)/17)*math.Cos(float64(y)/11) + 6*rng.NormFloat64()
				c := int(v * float64(int(1)<<(f.Depth-8)))
				if p.Pix != nil {
					p.Pix[y*p.Stride+x] = uint8(c)
				} else {
					p.Pix16[y*p.Stride+x] = uint16(c)
				}
			}
		}
	}
	fill(&p.Y, 126, 70)
	if f.ChromaX >= 0 {
		w, h := -(-f.W >> f.ChromaX), -(-f.H >> f.ChromaY)
		p.Cb, p.Cr = picture.New(w, h, f.Depth), picture.New(w, h, f.Depth)
		fill(&p.Cb, 128, 40)
		fill(&p.Cr, 128, 40)
	}
	return p
}

func output(w, h, depth, cx, cy int) Output {
	return Output{W: w, H: h, Depth: depth, ChromaX: cx, ChromaY: cy, Colour: picture.Colour{Matrix: "bt709"}}
}

// Every sample of a view is one of the take's, scaled to the depth, or of chroma
// the mean of those that it stands for.
func TestView(t *testing.T) {
	for _, c := range []struct {
		name   string
		in     picture.Format
		out    Output
		kx, ky int
	}{
		{"as it is", format(64, 48, 8, 1, 1), output(64, 48, 8, 1, 1), 1, 1},
		{"odd", format(63, 47, 8, 1, 1), output(64, 48, 8, 1, 1), 1, 1},
		{"fields", format(64, 24, 8, 1, 1), output(64, 48, 8, 1, 1), 1, 2},
		{"enlarged", format(31, 17, 8, 1, 1), output(94, 52, 8, 1, 1), 3, 3},
		{"more bits", format(64, 48, 8, 1, 1), output(64, 48, 10, 1, 0), 1, 1},
		{"fewer bits", format(64, 48, 12, 0, 0), output(64, 48, 10, 1, 1), 1, 1},
		{"gray", format(64, 48, 8, -1, -1), output(64, 48, 8, 1, 1), 1, 1},
		{"4:1:1", format(64, 48, 8, 2, 0), output(64, 48, 8, 1, 0), 1, 1},
	} {
		p := scene(c.in, 3)
		canvas := NewCanvas(c.out)
		v := newView(c.in, c.out, image.Rect(0, 0, c.in.W, c.in.H), c.kx, c.ky, image.Point{})
		v.show(canvas, p)
		shift := c.out.Depth - c.in.Depth
		for y := range c.out.H {
			for x := range c.out.W {
				want := p.Y.At(min(x/c.kx, c.in.W-1), min(y/c.ky, c.in.H-1))
				if shift > 0 {
					want <<= shift
				} else if shift < 0 {
					want = (want + 1<<(-shift-1)) >> -shift
				}
				if got := canvas.Picture.Y.At(x, y); got != want {
					t.Fatalf("%s: luma at %d,%d is %d, want %d", c.name, x, y, got, want)
				}
			}
		}
		mean := func(p *picture.Plane) float64 {
			s := 0
			for y := range p.H {
				for x := range p.W {
					s += p.At(x, y)
				}
			}
			return float64(s) / float64(p.W*p.H) / float64(p.Full()+1)
		}
		want := 0.5
		if c.in.ChromaX >= 0 {
			want = mean(&p.Cb)
		}
		// A row or column that is repeated at an odd edge shifts the mean a little.
		if got := mean(&canvas.Picture.Cb); math.Abs(got-want) > 0.01 {
			t.Errorf("%s: mean chroma %.3f, want %.3f", c.name, got, want)
		}
	}
}

// A take of another range or matrix is shown in the output's codes: whatever the
// colour, it has those that the output has for it.
func TestRecode(t *testing.T) {
	as := func(o Output, matrix string, full bool) Output {
		o.Colour.Matrix, o.Colour.FullRange = matrix, full
		return o
	}
	for _, c := range []struct {
		name    string
		in, out Output
		needed  bool
	}{
		{"the same", as(output(16, 16, 8, 1, 1), "bt709", false), as(output(16, 16, 8, 1, 1), "bt709", false), false},
		{"range", as(output(16, 16, 8, 1, 1), "bt709", true), as(output(16, 16, 8, 1, 1), "bt709", false), true},
		{"range back", as(output(16, 16, 10, 1, 1), "bt709", false), as(output(16, 16, 10, 1, 0), "bt709", true), true},
		{"matrix", as(output(16, 16, 8, 1, 1), "smpte170m", false), as(output(16, 16, 8, 1, 1), "bt709", false), true},
		{"both, to more bits", as(output(16, 16, 8, 1, 1), "bt470bg", true), as(output(16, 16, 10, 0, 0), "bt2020nc", false), true},
		{"both, to fewer bits", as(output(16, 16, 10, 1, 1), "bt2020nc", false), as(output(16, 16, 8, 1, 1), "bt709", true), true},
		{"gray, range", as(output(16, 16, 8, -1, -1), "bt709", true), as(output(16, 16, 8, 1, 1), "smpte170m", false), true},
	} {
		in := c.in.Format()
		if needed, ok := Recoded(in, c.out.Format()); needed != c.needed || !ok {
			t.Errorf("%s: %v, %v", c.name, needed, ok)
		}
		for _, colour := range []rgb{{0, 0, 0}, {1, 1, 1}, {0.5, 0.5, 0.5}, {0.75, 0.1, 0.1}, {0.1, 0.75, 0.2}, {0.1, 0.2, 0.75}, {0.8, 0.7, 0.1}, {0.2, 0.6, 0.7}} {
			if in.ChromaX < 0 {
				colour = rgb{colour.r, colour.r, colour.r}
			}
			shown, want := codeOf(c.in, colour), codeOf(c.out, colour)
			p := &picture.Picture{Y: picture.New(16, 16, in.Depth)}
			fillPlane(&p.Y, image.Rect(0, 0, 16, 16), shown.y)
			if in.ChromaX >= 0 {
				p.Cb, p.Cr = picture.New(8, 8, in.Depth), picture.New(8, 8, in.Depth)
				fillPlane(&p.Cb, image.Rect(0, 0, 8, 8), shown.cb)
				fillPlane(&p.Cr, image.Rect(0, 0, 8, 8), shown.cr)
			}
			canvas := NewCanvas(c.out)
			newView(in, c.out, image.Rect(0, 0, 16, 16), 1, 1, image.Point{}).show(canvas, p)
			got := code{canvas.Picture.Y.At(9, 9), canvas.Picture.Cb.At(4, 4), canvas.Picture.Cr.At(4, 4)}
			// Half a code of each that goes in, and half of what comes out.
			within := 2 << max(c.out.Depth-c.in.Depth, 0)
			for _, d := range []int{got.y - want.y, got.cb - want.cb, got.cr - want.cr} {
				if d > within || d < -within {
					t.Errorf("%s: %+v is shown as %v, want %v", c.name, colour, got, want)
					break
				}
			}
		}
	}
	a, b := format(16, 16, 8, 1, 1), format(16, 16, 8, 1, 1)
	a.Colour.Matrix = "ictcp"
	if _, ok := Recoded(a, b); ok {
		t.Error("a matrix that is none is taken for one")
	}
}

// What is drawn lies in its boxes and its lines: every other sample stays.
func TestDrawHidesNothingElse(t *testing.T) {
	in, out := format(640, 360, 8, 1, 1), output(640, 360, 8, 1, 1)
	p, err := NewPanel(out, in, image.Rect(0, 0, 640, 360), 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	region := image.Rect(301, 150, 343, 181)
	p.Begin(Story{Caption: []string{"Combing, 14 % of full scale", "at 0:01.480"}, Region: region, Peak: region, Status: []string{"slowed 8x", "displayed picture 74"}})
	c := NewCanvas(out)
	pic := scene(in, 1)
	p.Draw(c, pic, Moment{Legend: "slowed 8x", Counter: "displayed picture 74", Lens: true})
	if p.lens == nil {
		t.Fatal("no lens")
	}
	around := even(region).Inset(-p.border())
	for y := range 360 {
		for x := range 640 {
			at := image.Pt(x, y)
			drawn := at.In(p.boxes.caption) || at.In(p.boxes.status) || at.In(p.boxes.label) || at.In(around) && !at.In(even(region))
			if !drawn && c.Picture.Y.At(x, y) != pic.Y.At(x, y) {
				t.Fatalf("the picture is changed at %d,%d", x, y)
			}
		}
	}
	// The lens shows samples of the place, and no others.
	for y := p.lens.to.Min.Y; y < p.lens.to.Max.Y; y++ {
		for x := p.lens.to.Min.X; x < p.lens.to.Max.X; x++ {
			sx, sy := p.lens.from.Min.X+(x-p.lens.to.Min.X)/p.lens.kx, p.lens.from.Min.Y+(y-p.lens.to.Min.Y)/p.lens.ky
			sx, sy = min(sx, p.lens.from.Max.X-1), min(sy, p.lens.from.Max.Y-1)
			if c.Picture.Y.At(x, y) != pic.Y.At(sx, sy) {
				t.Fatalf("the lens shows another sample at %d,%d", x, y)
			}
		}
	}
}

// A fault that is everywhere has no outline; where it is strongest is shown with the
// lens that enlarges it, and while that is held.
func TestDrawEverywhere(t *testing.T) {
	in, out := format(640, 360, 8, 1, 1), output(640, 360, 8, 1, 1)
	p, err := NewPanel(out, in, image.Rect(0, 0, 640, 360), 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	peak := image.Rect(300, 150, 340, 180)
	p.Begin(Story{Caption: []string{"Ghost"}, Peak: peak, Status: []string{"full speed"}})
	if p.lens == nil {
		t.Fatal("no lens")
	}
	c := NewCanvas(out)
	for _, m := range []struct {
		Moment
		outlined bool
	}{{Moment{}, false}, {Moment{Lens: true}, true}, {Moment{Lens: true, Peak: true}, true}} {
		p.Draw(c, scene(in, 1), m.Moment)
		if got := c.Picture.Y.At(320, peak.Min.Y-3) == c.colours.line.y; got != m.outlined {
			t.Errorf("%+v: outlined %v", m.Moment, got)
		}
	}
}

// Whatever the picture and the place: boxes lie in the panel and not on each
// other, the lens shows the middle of the place and does not hide it, and a small
// fault is hidden by nothing.
func TestLayout(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	lenses := 0
	for n := range 600 {
		sizes := [][2]int{{640, 480}, {1280, 720}, {1920, 1080}, {3840, 2160}, {1080, 1920}, {480, 854}, {854, 480}, {2048, 858}}
		s := sizes[rng.IntN(len(sizes))]
		out := output(s[0], s[1], 8, 1, 1)
		rect := image.Rect(0, 0, s[0], s[1])
		if n%3 == 0 {
			rect = image.Rect(s[0]/2, 0, s[0], s[1]) // beside another
		}
		p, err := NewPanel(out, format(s[0], s[1], 8, 1, 1), rect, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		w, h := 8+rng.IntN(s[0]/(1+rng.IntN(20))), 8+rng.IntN(s[1]/(1+rng.IntN(20)))
		x, y := rng.IntN(max(s[0]-w, 1)), rng.IntN(max(s[1]-h, 1))
		region := image.Rect(x, y, x+w, y+h).Intersect(image.Rect(0, 0, s[0], s[1]))
		p.Begin(Story{
			Caption: []string{"Near-black banding, 3.41 JND", "at 0:03.240 for 12.34 s", strings.Repeat("film-mode: automatic, ", n%9)},
			Region:  region, Peak: region,
			Status: []string{"slowed 8×: each picture shown 8 times", "displayed picture 12345, 1:00:03.240"},
		})
		boxes := []image.Rectangle{p.boxes.status, p.boxes.caption}
		for _, text := range p.story.Status {
			// Narrower panels are enlarged before it comes to this.
			if rect.Dx() >= 400 && p.letters.width(text) > p.boxes.status.Dx()-2*p.pad() {
				t.Errorf("%v: %q does not fit into %v", rect, text, p.boxes.status)
			}
		}
		if p.lens != nil {
			lenses++
			boxes = append(boxes, p.boxes.label)
			if p.lens.to.Overlaps(p.view.canvas(p.lens.from)) || !p.lens.to.In(p.boxes.label) {
				t.Errorf("%v in %v: the lens at %v hides what it shows", region, rect, p.lens.to)
			}
			if mid := region.Min.Add(region.Max).Div(2); region.In(p.view.from) && !mid.In(p.lens.from) {
				t.Errorf("%v: the lens shows %v", region, p.lens.from)
			}
		}
		for i, b := range boxes {
			if !b.In(rect) {
				t.Errorf("%v in %v: box %v", region, rect, b)
			}
			for _, o := range boxes[:i] {
				if b.Overlaps(o) {
					t.Errorf("%v in %v: boxes %v and %v", region, rect, o, b)
				}
			}
			if shown := p.view.canvas(region); w*h < s[0]*s[1]/50 && w < s[0]/4 && h < s[1]/8 && b.Overlaps(shown) {
				t.Errorf("%v in %v: box %v hides the fault", region, rect, b)
			}
		}
	}
	if lenses < 400 {
		t.Errorf("%d lenses of 600", lenses)
	}
}

// Deficiencies of colour vision at full strength, as matrices on linear light:
// Machado, Oliveira and Fernandes, "A physiologically-based model for simulation
// of color vision deficiency", 2009, table 1 (values from memory; their rows add
// up to 1, which keeps white white).
var deficiencies = map[string][9]float64{
	"none":   {1, 0, 0, 0, 1, 0, 0, 0, 1},
	"protan": {0.152286, 1.052583, -0.204868, 0.114503, 0.786281, 0.099216, -0.003882, -0.048116, 1.051998},
	"deutan": {0.367322, 0.860646, -0.227968, 0.280085, 0.672501, 0.047413, -0.011820, 0.042940, 0.968881},
	"tritan": {1.255528, -0.076749, -0.178779, -0.078411, 0.930809, 0.147602, 0.004733, 0.691367, 0.303900},
}

// Contrast ratios by W3C WCAG 2.1 (definition of contrast ratio; 1.4.6 asks for 7,
// 1.4.11 for 3), for every kind of colour vision.
func TestContrast(t *testing.T) {
	screen := vision.NewDisplay(vision.Conditions{EOTF: vision.SRGB, PeakNits: 1})
	for name, m := range deficiencies {
		for i := 0; i < 9; i += 3 {
			if s := m[i] + m[i+1] + m[i+2]; math.Abs(s-1) > 1e-5 {
				t.Fatalf("%s: row %d adds up to %g", name, i/3, s)
			}
		}
		luminance := func(c rgb) float64 {
			r, g, b := screen.Light(c.r), screen.Light(c.g), screen.Light(c.b)
			out := [3]float64{}
			for i := range out {
				out[i] = min(max(m[3*i]*r+m[3*i+1]*g+m[3*i+2]*b, 0), 1)
			}
			return 0.2126*out[0] + 0.7152*out[1] + 0.0722*out[2]
		}
		ratio := func(a, b rgb) float64 {
			x, y := luminance(a), luminance(b)
			return (max(x, y) + 0.05) / (min(x, y) + 0.05)
		}
		if r := ratio(ink, ground); r < 15 {
			t.Errorf("%s: ink on ground has a contrast of %.1f", name, r)
		}
		if r := ratio(line, dark); r < 11 {
			t.Errorf("%s: the outline has a contrast of %.1f", name, r)
		}
	}
}

// Codes of the drawing colours against SMPTE RP 219-1 (75 % bars of BT.709,
// 10 bits).
func TestCodes(t *testing.T) {
	o := output(16, 16, 10, 1, 0)
	for _, c := range []struct {
		rgb  rgb
		want code
	}{
		{rgb{0.75, 0.75, 0.75}, code{721, 512, 512}}, {rgb{0.75, 0.75, 0}, code{674, 176, 543}},
		{rgb{0, 0.75, 0.75}, code{581, 589, 176}}, {rgb{0.75, 0, 0}, code{204, 435, 848}}, {rgb{0, 0, 0.75}, code{111, 848, 481}},
	} {
		got := codeOf(o, c.rgb)
		if d := math.Abs(float64(got.y-c.want.y)) + math.Abs(float64(got.cb-c.want.cb)) + math.Abs(float64(got.cr-c.want.cr)); d > 1 {
			t.Errorf("%+v: %v, want %v", c.rgb, got, c.want)
		}
	}
}

// The counter of a slowed clip, of pictures that change from one to the next in every
// sample, is read back after H.264 at 2 Mbit/s by the ffmpeg program: it lies far
// nearer to what was written than to any text that differs in one digit. So it is at
// 1080 lines, and at the smaller letters of one of two takes side by side at 720.
func TestLegible(t *testing.T) {
	legible(t, 1920, 1080, image.Rect(0, 0, 1920, 1080))
	legible(t, 1280, 720, image.Rect(640, 0, 1280, 720))
}

func legible(t *testing.T, w, h int, panel image.Rectangle) {
	t.Helper()
	const frames, slow = 8, 8
	in, out := format(w, h, 8, 1, 1), output(w, h, 8, 1, 1)
	p, err := NewPanel(out, in, panel, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	text := func(i int) string { return fmt.Sprintf("displayed picture %d, 0:%02d.%03d", 1380+67*i, i, 40+79*i) }
	region := image.Rect(w/2, h/2, w/2+100, h/2+100)
	p.Begin(Story{Caption: []string{"Ghost, 24.8 % of the thing's contrast"}, Region: region, Peak: region, Status: []string{"slowed 8×: each picture shown 8 times", text(frames)}})
	c := NewCanvas(out)
	var raw bytes.Buffer
	for i := range frames {
		p.Draw(c, scene(in, i), Moment{Legend: "full speed", Counter: text(i)})
		for range slow {
			for _, pl := range []*picture.Plane{&c.Picture.Y, &c.Picture.Cb, &c.Picture.Cr} {
				raw.Write(pl.Pix)
			}
		}
	}
	ffmpeg := func(in *bytes.Buffer, args ...string) []byte {
		cmd := exec.Command("ffmpeg", append([]string{"-v", "error"}, args...)...)
		cmd.Stdin = in
		var errs bytes.Buffer
		cmd.Stderr = &errs
		b, err := cmd.Output()
		if err != nil {
			t.Fatalf("ffmpeg (must be installed): %v\n%s", err, errs.Bytes())
		}
		return b
	}
	coded := ffmpeg(&raw, "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", fmt.Sprintf("%dx%d", w, h), "-r", "50", "-i", "-",
		"-c:v", "libx264", "-preset", "veryfast", "-b:v", "2M", "-maxrate", "2M", "-bufsize", "2M", "-f", "h264", "-")
	box := p.boxes.status
	back := ffmpeg(bytes.NewBuffer(coded), "-f", "h264", "-i", "-", "-vf",
		fmt.Sprintf("crop=%d:%d:%d:%d,format=gray", box.Dx(), box.Dy(), box.Min.X, box.Min.Y), "-f", "rawvideo", "-")
	n := box.Dx() * box.Dy()
	if len(back) != n*frames*slow {
		t.Fatalf("%d bytes came back for %d frames of %d", len(back), frames*slow, n)
	}
	for i := range frames {
		got := back[(i*slow+slow-1)*n:][:n]
		rendered := func(s string) []int {
			p.write(c, box, []string{"full speed", s})
			out := make([]int, 0, n)
			for y := range box.Dy() {
				for x := range box.Dx() {
					out = append(out, c.Picture.Y.At(box.Min.X+x, box.Min.Y+y))
				}
			}
			return out
		}
		truth := text(i)
		right := rendered(truth)
		for k, r := range truth {
			if r < '0' || r > '9' {
				continue
			}
			for d := '0'; d <= '9'; d++ {
				if d == r {
					continue
				}
				other := truth[:k] + string(d) + truth[k+1:]
				// How much nearer the picture is to the truth, as a share of what
				// lies between the two before the compression: 1 is at the truth,
				// 0 half way.
				var nearer, apart float64
				for q, o := range rendered(other) {
					a, b, g := float64(right[q]), float64(o), float64(got[q])
					nearer += (g-b)*(g-b) - (g-a)*(g-a)
					apart += (a - b) * (a - b)
				}
				if nearer < 0.5*apart {
					t.Errorf("%d lines, frame %d: %q looks like %q (%.2f)", h, i, truth, other, nearer/apart)
				}
			}
		}
	}
}

func TestSpan(t *testing.T) {
	ms := func(n int) time.Duration { return time.Duration(n) * time.Millisecond }
	period := ms(20)
	short := SpanOf(&report.Finding{StartS: 1, EndS: 1.08, PeakS: 1.04}, period, 1)
	if short.From != ms(500) || short.To != ms(1580) || short.SlowFrom != ms(1000)-3*period-period/2 || short.SlowTo != ms(1080)+2*period+period/2 {
		t.Errorf("short: %+v", short)
	}
	long := SpanOf(&report.Finding{StartS: 1, EndS: 60, PeakS: 58}, period, 1)
	if long.To-long.From != mostFull || long.SlowTo-long.SlowFrom != slowestPictures*period || long.Peak < long.SlowFrom || long.Peak > long.SlowTo || long.From > long.SlowFrom {
		t.Errorf("long: %+v", long)
	}
	first := SpanOf(&report.Finding{StartS: 0, EndS: 0.02, PeakS: 0}, period, 1)
	if first.From != 0 || first.SlowFrom != 0 {
		t.Errorf("first: %+v", first)
	}
	// A file that plays eight times slower than life.
	slow := SpanOf(&report.Finding{StartS: 8, EndS: 8.6, PeakS: 8.3}, ms(33), 8)
	if slow.From != ms(4000) || slow.To != ms(12600) {
		t.Errorf("slowed: %+v", slow)
	}
}

func TestRates(t *testing.T) {
	for _, c := range []struct {
		in    Rate
		value float64
		every int
	}{{Rate{50, 1}, 50, 1}, {Rate{60000, 1001}, 59.94, 1}, {Rate{60, 1}, 60, 1}, {Rate{240, 1}, 60, 4}, {Rate{120000, 1001}, 59.94, 2}, {Rate{100, 1}, 50, 2}} {
		got, every := c.in.Divided()
		if math.Abs(got.Value()-c.value) > 0.001 || every != c.every {
			t.Errorf("%v: %v, every %d", c.in, got, every)
		}
	}
	for _, c := range [][3]int{{8, 1, 8}, {8, 4, 8}, {6, 4, 8}, {2, 4, 4}} {
		if got := Slow(c[0], c[1]); got != c[2] {
			t.Errorf("slow %d of every %d: %d", c[0], c[1], got)
		}
	}
	ms := func(list ...int) (out []time.Duration) {
		for _, n := range list {
			out = append(out, time.Duration(n)*time.Millisecond)
		}
		return out
	}
	for _, c := range []struct {
		times    []time.Duration
		variable bool
		want     string
	}{
		{ms(0, 20, 40, 60), false, "[1 1 1 1]"},
		{ms(0, 17, 41, 59), false, "[1 1 1 1]"}, // a clock of whole milliseconds
		{ms(0, 20, 80, 100), false, "[1 3 1 1]"},
		{ms(0, 30, 60, 90, 120), true, "[2 1 2 1 1]"},
		{ms(0, 60000), false, "[51 1]"},
		{nil, false, "[]"},
	} {
		if got := fmt.Sprint(Counts(c.times, Rate{50, 1}, c.variable)); got != c.want {
			t.Errorf("%v: %s, want %s", c.times, got, c.want)
		}
	}
}

func TestCaption(t *testing.T) {
	f := &report.Finding{Kind: detect.Ghost, StartS: 3.24, EndS: 3.3, Strength: report.Quantity{Value: 34.2, Unit: "%"}}
	got := strings.Join(Caption(f, map[string]string{"set": "A", "film mode": "off"}), "|")
	if got != "Ghost, 34.2 % of the thing's contrast|at 0:03.240 for 0.06 s|film mode: off, set: A" {
		t.Error(got)
	}
}

// Long and strange words are wrapped and cut, and never wider than their line.
func TestWrap(t *testing.T) {
	l, err := newLetters(20)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"", "one", strings.Repeat("word ", 60), strings.Repeat("x", 300), "日本語 ÄÖÜ €", "a\tb\nc"} {
		for _, width := range []int{40, 200, 600} {
			lines := l.wrap(text, width, 2)
			if len(lines) < 1 || len(lines) > 2 {
				t.Errorf("%.20q at %d: %d lines", text, width, len(lines))
			}
			for _, s := range lines {
				if l.width(s) > width {
					t.Errorf("%.20q at %d: %q is %d wide", text, width, s, l.width(s))
				}
			}
		}
	}
}

func BenchmarkDraw(b *testing.B) {
	in, out := format(1920, 1080, 8, 1, 1), output(1920, 1080, 8, 1, 1)
	p, err := NewPanel(out, in, image.Rect(0, 0, 1920, 1080), 1, 1)
	if err != nil {
		b.Fatal(err)
	}
	region := image.Rect(900, 500, 1000, 600)
	p.Begin(Story{Caption: []string{"Ghost, 24.8 % of the thing's contrast", "at 0:03.240"}, Region: region, Peak: region, Status: []string{"slowed", "displayed picture 1234"}})
	c, pic := NewCanvas(out), scene(in, 1)
	for b.Loop() {
		p.Draw(c, pic, Moment{Legend: "slowed", Counter: "displayed picture 1234", Lens: true})
	}
}
