package main

import (
	"context"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/report"
	"setwitness/report/annotate"
	"setwitness/report/flashes"
	"setwitness/testdata/filming"
)

// showsFilm makes clips and stills of a scanned film of a screen: straightened,
// they show the pictures that the scan saw.
func showsFilm(t *testing.T, folder string, doc *report.Findings, capture *filming.Capture) {
	t.Helper()
	outlinesFilm(t, folder, doc, capture)
	out := filepath.Join(t.TempDir(), "clip.mp4")
	for _, c := range []struct{ view, size, rate string }{
		{"rectified", fmt.Sprintf("%dx%d", doc.View.Raster.Width, doc.View.Raster.Height), "50/1"},
		{"filmed", fmt.Sprintf("%dx%d", doc.Take.Width, doc.Take.Height), "60/1"}, // one of four frames of 240 a second
	} {
		if e := sw(t, "annotate", folder, "--view", c.view, "--slow", "4", "--out", out, "--quiet"); e != (ended{}) {
			t.Fatal(e)
		}
		s := ffprobe(t, out).Streams[0]
		if size := fmt.Sprintf("%vx%v", s["width"], s["height"]); size != c.size || s["avg_frame_rate"] != c.rate {
			t.Errorf("%s: %s at %s frames a second, want %s at %s", c.view, size, s["avg_frame_rate"], c.size, c.rate)
		}
	}
	if e := sw(t, "stills", folder, "--quiet"); e != (ended{}) {
		t.Fatal(e)
	}
	row := captions(t, filepath.Join(folder, stillsName))[0]
	still := pngOf(t, filepath.Join(folder, stillsName, row["file"]))
	shown := pngOf(t, filepath.Join(folder, filepath.FromSlash(doc.View.Camera.Sample.Picture)))
	// The page shows the picture of the strongest finding, reduced if it is wide.
	if k := (doc.View.Raster.Width + shownColumns - 1) / shownColumns; k != 1 {
		t.Fatalf("the film's pictures are reduced %d times", k)
	}
	far, all := 0, 0
	for y := 0; y < shown.Bounds().Dy(); y += 3 {
		for x := 0; x < shown.Bounds().Dx(); x += 3 {
			a, _, _, _ := shown.At(x, y).RGBA()
			b, _, _, _ := still.At(x, y).RGBA()
			all++
			if d := int(a>>8) - int(b>>8); d < -2 || d > 2 {
				far++
			}
		}
	}
	// What the outline covers differs.
	if far > all/10 {
		t.Errorf("%d of %d samples of the still are not those that the scan saw", far, all)
	}
	// Without the record of its pictures a film cannot be shown, and says so.
	bare := filepath.Join(t.TempDir(), "bare")
	write(t, filepath.Join(bare, findingsName), read(t, filepath.Join(folder, findingsName)))
	refused(t, sw(t, "annotate", bare), report.DisplayedName, "no such file")
}

// outlinesFilm puts a finding on a part of the screen and looks where the clip
// outlines it in the camera's frames: along the sides that the capture itself says
// the part has in that frame, and not along those of an upright box.
func outlinesFilm(t *testing.T, folder string, doc *report.Findings, capture *filming.Capture) {
	t.Helper()
	asked := filepath.Join(t.TempDir(), "scan")
	write(t, filepath.Join(asked, report.DisplayedName), read(t, filepath.Join(folder, report.DisplayedName)))
	some := *doc
	f := doc.Findings[0]
	f.Region = report.Region{X: 0.55, Y: 0.05, W: 0.4, H: 0.35}
	f.PeakRegion = &report.Region{X: 0.6, Y: 0.1, W: 0.3, H: 0.2}
	some.Findings = []report.Finding{f}
	if err := report.Write(filepath.Join(asked, findingsName), &some); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), "clip.mkv")
	if e := sw(t, "annotate", asked, "--view", "filmed", "--slow", "4", "--codec", "ffv1", "--out", out, "--quiet"); e != (ended{}) {
		t.Fatal(e)
	}
	// At full speed every fourth frame is shown, that of the peak among them; the
	// first lies half a second before the finding.
	peak := 0
	for capture.Frame(peak).Stamp < seconds(f.PeakS) {
		peak++
	}
	first := peak % 4
	for capture.Frame(first).Stamp < seconds(f.StartS)-500*time.Millisecond {
		first += 4
	}
	frame := capture.Frame(first)
	w, h := float64(capture.Source.Format.W), float64(capture.Source.Format.H)
	at := func(u, v float64) (x, y float64) {
		q := frame.ToCamera(filming.Point{X: u * w, Y: v * h})
		return q.X, q.Y
	}
	shown, taken := pictureAt(t, out, 0), pictureAt(t, doc.Take.Path, first)
	drawn := func(x, y float64) bool {
		return shown.Y.At(int(x), int(y)) != taken.Y.At(int(x), int(y))
	}
	r := f.Region
	sides := [4][4]float64{{r.X, r.Y, r.X + r.W, r.Y}, {r.X + r.W, r.Y, r.X + r.W, r.Y + r.H}, {r.X, r.Y + r.H, r.X + r.W, r.Y + r.H}, {r.X, r.Y, r.X, r.Y + r.H}}
	askew := 0.0
	for i, s := range sides {
		const looks = 40 // along a side
		met := 0
		for k := range looks {
			u := (float64(k) + 0.5) / looks
			x, y := at(s[0]+u*(s[2]-s[0]), s[1]+u*(s[3]-s[1]))
			// The outline reaches six pixels outside, and the scan knows the corners to
			// about two.
			out := func(d float64) bool {
				switch i {
				case 0:
					return drawn(x, y-d)
				case 1:
					return drawn(x+d, y)
				case 2:
					return drawn(x, y+d)
				}
				return drawn(x-d, y)
			}
			if out(3) && !out(-3) && !out(-6) && !out(10) {
				met++
			}
		}
		x0, y0 := at(s[0], s[1])
		x1, y1 := at(s[2], s[3])
		askew = max(askew, min(math.Abs(x1-x0), math.Abs(y1-y0)))
		if met < looks*9/10 {
			t.Errorf("side %d of the region has the outline at %d of %d places", i, met, looks)
		}
	}
	if askew < 10 {
		t.Fatalf("the film is askew by %.1f px alone, which a box would not miss", askew)
	}
}

// pictureAt decodes one picture of a clip, which is released with the test.
func pictureAt(t *testing.T, path string, index int) *picture.Picture {
	t.Helper()
	take, err := decode.Open(path, decode.Options{Fields: decode.FieldsWeave})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	for {
		p, err := take.Next(context.Background())
		if err != nil {
			t.Fatalf("%s: picture %d: %v", path, index, err)
		}
		if p.Index == index {
			t.Cleanup(p.Release)
			return p
		}
		p.Release()
	}
}

func TestFilm(t *testing.T) {
	ms := time.Millisecond
	f := &film{Displayed: &report.Displayed{
		Raster: report.Raster{Width: 640, Height: 360}, Lenses: []report.CameraLens{{Width: 1280, Height: 720}},
	}}
	for i := range 20 {
		// The file plays eight times slower than life from its tenth picture on.
		p := report.MadePicture{Number: i, Life: time.Duration(i) * 20 * ms}
		p.Time = p.Life + time.Duration(max(i-10, 0))*140*ms
		p.Parts = []report.MadePart{{To: 360, Corners: [8]float64{99.5, 49.5, 739.5, 49.5, 739.5, 409.5, 99.5, 409.5}}}
		f.Pictures = append(f.Pictures, p)
	}
	for at, life := range map[time.Duration]time.Duration{0: 0, 50 * ms: 50 * ms, 200 * ms: 200 * ms, 280 * ms: 210 * ms, 1640 * ms: 380 * ms} {
		if got := f.life(at); got != life {
			t.Errorf("%v of the file is %v of life, want %v", at, got, life)
		}
	}
	if a, b := f.slowness(80*ms), f.slowness(1000*ms); math.Abs(a-1) > 0.05 || math.Abs(b-8) > 0.2 {
		t.Errorf("slowness %g and %g", a, b)
	}
	// In a frame of which no picture was made the screen lies between where it was
	// and will be; before the first and behind the last it stays.
	for i := range f.Pictures {
		p := &f.Pictures[i].Parts[0]
		p.Frame = 10 + 4*i
		for k := range p.Corners {
			p.Corners[k] += float64(8 * i)
		}
		f.frames = append(f.frames, p)
	}
	for frame, moved := range map[int]float64{0: 0, 10: 0, 14: 8, 15: 10, 17: 14, 86: 152, 90: 152} {
		v, ok := f.viewIn(frame)
		if want := (screen.Point{X: 739.5 + moved, Y: 409.5 + moved}); !ok || v.Quad[2] != want {
			t.Errorf("in frame %d a corner is at %v, want %v", frame, v.Quad[2], want)
		}
	}
	// The outline of a quarter of a screen that is seen askew ends where the
	// diagonals cross, which no projection changes.
	v := screen.View{Size: image.Pt(1280, 720), Quad: screen.Quad{{X: 100, Y: 80}, {X: 1100, Y: 40}, {X: 1000, Y: 640}, {X: 140, Y: 560}}}
	p := outline(v, report.Region{W: 0.5, H: 0.5})
	cross := func(a, b, c annotate.Point) float64 { return (b.X-a.X)*(c.Y-a.Y) - (b.Y-a.Y)*(c.X-a.X) }
	for _, d := range [2][2]int{{0, 2}, {1, 3}} {
		a, b := v.Quad[d[0]], v.Quad[d[1]]
		if off := cross(annotate.Point{X: a.X + 0.5, Y: a.Y + 0.5}, annotate.Point{X: b.X + 0.5, Y: b.Y + 0.5}, p[2*outlinePoints]); math.Abs(off) > 1 {
			t.Errorf("the middle of the screen lies beside a diagonal, %g", off)
		}
	}
	f.camera.W, f.camera.H = 1280, 720
	if r := f.inFrame(report.Region{X: 0.25, Y: 0.5, W: 0.5, H: 0.25}, 0); r.Intersect(image.Rect(260, 230, 580, 320)) != image.Rect(260, 230, 580, 320) || r.Dx() > 322 || r.Dy() > 92 {
		t.Errorf("a region lies at %v of the frame", r)
	}
	for fps, want := range map[float64]annotate.Rate{239.999: {Num: 240, Den: 1}, 239.76: {Num: 240000, Den: 1001}, 59.94: {Num: 60000, Den: 1001}, 87.5: {Num: 87500, Den: 1000}} {
		if got := usualRate(fps, sameRate); got != want {
			t.Errorf("%g is %v, want %v", fps, got, want)
		}
	}
	for fps, want := range map[float64]annotate.Rate{29.83: {Num: 30000, Den: 1001}, 60.06: {Num: 60, Den: 1}, 25.1: {Num: 25, Den: 1}, 17: {Num: 17000, Den: 1000}} {
		if got := usualRate(fps, meantRate); got != want {
			t.Errorf("in the mean %g is %v, want %v", fps, got, want)
		}
	}
}

// A clip that would flash too often is slowed further, or shown without its part
// at full speed, or not made, and a line says which.
func TestAnnotateFlashes(t *testing.T) {
	for _, c := range []struct {
		name, every string // pictures after which the light changes
		slow        string
		code        int
		says        string
	}{
		{"8 Hz", "3", "8", exitDone, "slowed 8 times and not shown at full speed"},
		{"25 Hz", "1", "4", exitDone, "slowed 16 times and not shown at full speed"},
		{"25 Hz, slowed little", "1", "2", exitUnusable, "left out: it would flash"},
	} {
		clip := filepath.Join(t.TempDir(), "strobe.mp4")
		ffmpeg(t, "-f", "lavfi", "-i", "testsrc2=s=320x240:r=50:d=2", "-vf",
			"drawbox=c=white:t=fill:enable='lt(mod(n,2*"+c.every+"),"+c.every+")'", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", clip)
		folder := filepath.Join(t.TempDir(), "scan")
		if e := sw(t, "scan", "--quiet", "--out", folder, clip); e.code != exitDone {
			t.Fatal(e)
		}
		plant(t, folder)
		out := filepath.Join(t.TempDir(), "clip.mkv")
		e := sw(t, "annotate", folder, "--slow", c.slow, "--codec", "ffv1", "--out", out)
		if e.code != c.code || !strings.Contains(e.out+e.err, c.says) {
			t.Errorf("%s: want %q; %s", c.name, c.says, e)
		}
		if c.code != exitDone {
			if got := list(t, filepath.Dir(out)); got != "" {
				t.Errorf("%s: left behind: %q", c.name, got)
			}
			continue
		}
		// The finished file, measured again.
		m, s := flashMeter(t, out)
		for _, p := range pictures(t, out) {
			m.Show(s.Sample(p), 1)
		}
		if r := m.Result(); !r.Safe() {
			t.Errorf("%s: the clip flashes: %+v", c.name, r)
		}
	}
}

// flashMeter measures the pictures of a clip.
func flashMeter(t *testing.T, path string) (*flashes.Meter, *flashes.Sampler) {
	t.Helper()
	take, err := decode.Open(path, decode.Options{Fields: decode.FieldsWeave})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	return flashes.NewMeter(take.Format().Rate()), flashes.NewSampler(take.Format())
}

// plant puts a finding into a scan, in place of what was found.
func plant(t *testing.T, folder string) {
	t.Helper()
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	doc.Findings = []report.Finding{{
		ID: "f001", Kind: "macroblocking", StartS: 1, EndS: 1.4, PeakS: 1.2, StartFrame: 50, EndFrame: 69, PeakFrame: 60,
		Region: report.Region{X: 0.1, Y: 0.1, W: 0.2, H: 0.2}, Strength: report.Quantity{Value: 3, Unit: "JND"}, Confidence: 0.9,
		Origin: report.Origin{Verdict: "undetermined", Why: "for the test"}, Measures: map[string]float64{},
	}}
	if err := report.Write(filepath.Join(folder, findingsName), doc); err != nil {
		t.Fatal(err)
	}
}

// Takes of odd sizes and forms give clips that players take.
func TestAnnotateForms(t *testing.T) {
	for _, c := range []struct {
		name, file  string
		args        []string
		codec, want string
	}{
		{"odd size", "odd.mkv", []string{"-vf", "scale=853:479", "-c:v", "ffv1", "-pix_fmt", "yuv420p"}, "h264", "854 480 yuv420p"},
		{"gray of 10 bits", "gray.mkv", []string{"-c:v", "ffv1", "-pix_fmt", "gray10le"}, "ffv1", "960 540 gray10le"},
		{"RGB", "rgb.mkv", []string{"-c:v", "ffv1", "-pix_fmt", "bgr0"}, "h264", "960 540 yuvj420p"},
		{"colour in every fourth column", "bands.mkv", []string{"-c:v", "ffv1", "-pix_fmt", "yuv411p"}, "ffv1", "960 540 yuv422p"},
		{"upright", "upright.mp4", []string{"-vf", "scale=180:320", "-pix_fmt", "yuv420p"}, "h264", "540 960 yuv420p"},
		{"one picture a field", "fields.ts", []string{"-vf", "scale=720:576,tinterlace=interleave_top", "-c:v", "mpeg2video", "-flags", "+ildct+ilme", "-top", "1"}, "h264", "720 576 yuv420p"},
	} {
		clip := filepath.Join(t.TempDir(), c.file)
		ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", "testsrc2=s=320x180:r=25:d=2"}, c.args...), clip)...)
		folder := filepath.Join(t.TempDir(), "scan")
		if e := sw(t, "scan", "--quiet", "--out", folder, clip); e.code != exitDone {
			t.Fatal(e)
		}
		plant(t, folder)
		codec := clipCodecs[slices.IndexFunc(clipCodecs, func(k clipCodec) bool { return k.name == c.codec })]
		if e := sw(t, "annotate", folder, "--slow", "2", "--codec", c.codec, "--quiet"); e.code != exitDone {
			t.Errorf("%s: %s", c.name, e)
			continue
		}
		s := ffprobe(t, filepath.Join(folder, annotatedName+codec.extension)).Streams[0]
		if got := fmt.Sprint(s["width"], s["height"], s["pix_fmt"]); strings.ReplaceAll(got, " ", "") != strings.ReplaceAll(c.want, " ", "") {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
