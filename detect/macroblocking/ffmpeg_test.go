package macroblocking_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect/macroblocking"
	"setwitness/testdata/footage"
)

// ffmpeg runs FFmpeg, which scripts/test installs.
func ffmpeg(t *testing.T, args ...string) []byte {
	t.Helper()
	program, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Skipf("no ffmpeg: %v", err)
	}
	var out, messages bytes.Buffer
	c := exec.Command(program, append([]string{"-nostdin", "-v", "error", "-y"}, args...)...)
	c.Stdout, c.Stderr = &out, &messages
	if err := c.Run(); err != nil {
		t.Fatalf("ffmpeg %s: %v\n%s", strings.Join(args, " "), err, messages.String())
	}
	return out.Bytes()
}

// read reads a file's luma, scaled to w by h.
func read(t *testing.T, path string, w, h int) []picture.Plane {
	t.Helper()
	data := ffmpeg(t, "-i", path, "-an", "-vf", fmt.Sprintf("scale=%d:%d:flags=bicubic,format=gray", w, h), "-f", "rawvideo", "-")
	var out []picture.Plane
	for ; len(data) >= w*h; data = data[w*h:] {
		out = append(out, picture.Plane{Pix: data[:w*h], Stride: w, W: w, H: h, Depth: 8})
	}
	return out
}

// encoders are FFmpeg's, at low rates and without a deblocking filter, with the
// edges of blocks that they leave.
var encoders = map[string][]string{
	"mpeg2video": {"-c:v", "mpeg2video", "-q:v", "31"},
	"libx264":    {"-c:v", "libx264", "-preset", "veryfast", "-crf", "38", "-x264-params", "no-deblock=1"},
	"mjpeg":      {"-c:v", "mjpeg", "-pix_fmt", "yuvj420p", "-q:v", "28"},
}

// Real footage, encoded and then scaled by known ratios, has the grid of its
// coder at that scale, along each axis: blocks of 8 samples, or macroblocks of
// 16 where a coder leaves no edges within them.
func TestPitchOfScaledCodecs(t *testing.T) {
	if testing.Short() {
		t.Skip("encodes footage")
	}
	for _, c := range []struct {
		clip, encoder    string
		codedW, codedH   int
		scaledW, scaledH int
	}{
		{"clips/sowt-with-video.mov", "mpeg2video", 1280, 720, 1920, 1080},
		{"clips/sowt-with-video.mov", "libx264", 1440, 1080, 1920, 1080},
		{"clips/sowt-with-video.mov", "mjpeg", 640, 360, 1280, 720},
		{"sky/dusk_phone_hevc.mp4", "mpeg2video", 1440, 1080, 1920, 1080},
		{"sky/dusk_phone_hevc.mp4", "mjpeg", 720, 576, 1280, 720},
		{"ball/ball.mp4", "libx264", 1280, 720, 1280, 720},
		{"ball/ball.mp4", "mjpeg", 640, 360, 1440, 810},
	} {
		t.Run(fmt.Sprintf("%s %s %dx%d", filepath.Base(c.clip), c.encoder, c.codedW, c.codedH), func(t *testing.T) {
			source := footage.Path(t, c.clip)
			path := filepath.Join(t.TempDir(), "coded.mkv")
			args := []string{"-i", source, "-an", "-vf", fmt.Sprintf("fps=25,trim=end_frame=12,scale=%d:%d:flags=area", c.codedW, c.codedH)}
			ffmpeg(t, append(append(args, encoders[c.encoder]...), path)...)
			planes := read(t, path, c.scaledW, c.scaledH)
			src := &sequence{format: picture.Format{W: c.scaledW, H: c.scaledH, Depth: 8, RateNum: 25, RateDen: 1}, n: len(planes),
				draw: func(i int) picture.Plane { return planes[i] }}
			res := run(t, src)
			if len(res.Events) != 1 {
				t.Fatalf("found %+v", res.Events)
			}
			for name, scale := range map[string]float64{
				"pitch_x_px": float64(c.scaledW) / float64(c.codedW), "pitch_y_px": float64(c.scaledH) / float64(c.codedH),
			} {
				got := res.Events[0].Measures[name]
				off := math.Inf(1)
				for _, block := range []float64{8, 16} {
					off = min(off, math.Abs(got/(block*scale)-1))
				}
				if off > 0.02 {
					t.Errorf("%s is %.3f at a scale of %.4f", name, got, scale)
				}
			}
		})
	}
}

// blockLine is what FFmpeg's blockdetect filter says of a picture, as its
// metadata filter prints it.
var blockLine = regexp.MustCompile(`lavfi\.block=([0-9.]+)`)

// The measure of blocks ranks the qualities of an encoder as the encoder does,
// within every clip, and no worse than FFmpeg's blockdetect filter (Muijs and
// Kirenko, EUSIPCO 2005) on the same files.
func TestRankOfQualities(t *testing.T) {
	if testing.Short() {
		t.Skip("encodes footage")
	}
	const w, h, pictures = 480, 272, 4
	qualities := []int{2, 6, 11, 18, 31}
	worst, theirs := 1.0, 1.0
	clips := []string{
		"clips/sowt-with-video.mov", "sky/dusk_phone_hevc.mp4", "ball/ball.mp4", "ball/ball3.mp4", "clips/bbb_1920x1080_60fps_vp8.webm",
		"clips/sample_with_increasing_timestamps_360p.mp4", "clips/sample_edit_list.mp4", "street/car-detection.mp4",
	}
	for _, clip := range clips {
		t.Run(filepath.Base(clip), func(t *testing.T) {
			source := footage.Path(t, clip)
			dir := t.TempDir()
			var ours, filter, order []float64
			for _, q := range qualities {
				path, said := filepath.Join(dir, strconv.Itoa(q)+".mkv"), filepath.Join(dir, "said")
				ffmpeg(t, "-i", source, "-an", "-vf", fmt.Sprintf("trim=end_frame=%d,scale=%d:%d:flags=area,setpts=N/25/TB,fps=25,format=yuv420p", pictures, w, h),
					"-c:v", "mpeg2video", "-qmin", "1", "-q:v", strconv.Itoa(q), path)
				var sum float64
				planes := read(t, path, w, h)
				for i := range planes {
					sum += macroblocking.Blockiness(&planes[i], 8, 8)
				}
				ours = append(ours, sum/float64(len(planes)))
				ffmpeg(t, "-i", path, "-an", "-vf", "blockdetect,metadata=print:file="+said, "-f", "null", "-")
				text, err := os.ReadFile(said)
				if err != nil {
					t.Fatal(err)
				}
				sum = 0
				found := blockLine.FindAllStringSubmatch(string(text), -1)
				for _, m := range found {
					v, err := strconv.ParseFloat(m[1], 64)
					if err != nil {
						t.Fatal(err)
					}
					sum += v
				}
				filter = append(filter, sum/float64(len(found)))
				order = append(order, float64(q))
			}
			a, b := spearman(ours, order), spearman(filter, order)
			t.Logf("ours %.2f: %.3f; blockdetect %.2f: %.3f", a, ours, b, filter)
			if a < 0.9 {
				t.Errorf("rank correlation with the encoder's quality %.2f: %.3f", a, ours)
			}
			worst, theirs = min(worst, a), min(theirs, b)
		})
	}
	if worst < theirs {
		t.Errorf("the worst rank correlation is %.2f, and %.2f with blockdetect", worst, theirs)
	}
}

// spearman is the rank correlation of two series without equal values.
func spearman(a, b []float64) float64 {
	rank := func(v []float64, x float64) (n float64) {
		for _, y := range v {
			if y < x {
				n++
			}
		}
		return n
	}
	var sum float64
	for i := range a {
		d := rank(a, a[i]) - rank(b, b[i])
		sum += d * d
	}
	n := float64(len(a))
	return 1 - 6*sum/(n*(n*n-1))
}

func TestSpearman(t *testing.T) {
	// One swap of neighbours among five: 1 - 6*2/(5*24).
	if got := spearman([]float64{1, 2, 4, 3, 5}, []float64{1, 2, 3, 4, 5}); math.Abs(got-0.9) > 1e-12 {
		t.Errorf("got %g", got)
	}
	if got := spearman([]float64{3, 2, 1}, slices.Clone([]float64{1, 2, 3})); got != -1 {
		t.Errorf("got %g", got)
	}
}

// The grained chequer of FFmpeg's test pattern lies on a grid, and its squares take
// turns: no blocks.
func TestChequerOfTestPattern(t *testing.T) {
	if testing.Short() {
		t.Skip("draws pictures")
	}
	const w, h = 1280, 720
	data := ffmpeg(t, "-f", "lavfi", "-i", fmt.Sprintf("testsrc2=s=%dx%d:r=50", w, h), "-ss", "2.2", "-t", "0.8",
		"-vf", "format=yuv420p,extractplanes=y", "-pix_fmt", "gray", "-f", "rawvideo", "-")
	src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 50, RateDen: 1}, n: len(data) / (w * h),
		draw: func(i int) picture.Plane {
			return picture.Plane{Pix: data[i*w*h : (i+1)*w*h], Stride: w, W: w, H: h, Depth: 8}
		}}
	if src.n != 40 {
		t.Fatalf("%d pictures", src.n)
	}
	for _, e := range run(t, src).Events {
		t.Errorf("found %+v", e)
	}
}
