package main

import (
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/report"
	"setwitness/report/annotate"
	"setwitness/report/flashes"
)

// showsFilm makes clips and stills of a scanned film of a screen: straightened,
// they show the pictures that the scan saw.
func showsFilm(t *testing.T, folder string, doc *report.Findings) {
	t.Helper()
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
	f.camera.W, f.camera.H = 1280, 720
	if r := f.inFrame(report.Region{X: 0.25, Y: 0.5, W: 0.5, H: 0.25}, 0); r.Intersect(image.Rect(260, 230, 580, 320)) != image.Rect(260, 230, 580, 320) || r.Dx() > 322 || r.Dy() > 92 {
		t.Errorf("a region lies at %v of the frame", r)
	}
	for fps, want := range map[float64]annotate.Rate{239.999: {Num: 240, Den: 1}, 239.76: {Num: 240000, Den: 1001}, 59.94: {Num: 60000, Den: 1001}, 87.5: {Num: 87500, Den: 1000}} {
		if got := usualRate(fps); got != want {
			t.Errorf("%g is %v, want %v", fps, got, want)
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
