package faults

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/scene"
)

// filter sends a gray sequence of 8 bits through a filter of FFmpeg and
// returns the planes that come out, w by h samples each, and what FFmpeg said.
func filter(t *testing.T, s Sequence, graph string, w, h int) (planes []picture.Plane, said string) {
	t.Helper()
	program, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Fatalf("ffmpeg is missing: scripts/test installs it (%v)", err)
	}
	in := filepath.Join(t.TempDir(), "in.y4m")
	var b bytes.Buffer
	fmt.Fprintf(&b, "YUV4MPEG2 W%d H%d F%d:%d Ip A1:1 Cmono\n", s.Format.W, s.Format.H, s.Format.RateNum, s.Format.RateDen)
	for i := range s.Len {
		b.WriteString("FRAME\n")
		b.Write(s.At(i).Y.Pix)
	}
	if err := os.WriteFile(in, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	var out, messages bytes.Buffer
	c := exec.Command(program, "-nostdin", "-i", in, "-vf", graph, "-vsync", "0", "-pix_fmt", "gray", "-f", "rawvideo", "-")
	c.Stdout, c.Stderr = &out, &messages
	if err := c.Run(); err != nil {
		t.Fatalf("ffmpeg: %v\n%s", err, messages.String())
	}
	raw := out.Bytes()
	for len(raw) >= w*h {
		planes = append(planes, picture.Plane{Pix: raw[:w*h], Stride: w, W: w, H: h, Depth: 8})
		raw = raw[w*h:]
	}
	return planes, messages.String()
}

func panning(w, h, n int, v float64, num int) Sequence {
	r := scene.Raster{W: w, H: h, RateNum: num, RateDen: 1, Shutter: 0.5, Seed: 5}
	return Sequence{Format: r.Format(), Len: n, At: scene.Pan(r, scene.Back{Surface: scene.Foliage}, scene.Move{X: v}).At}
}

func differ(a, b *picture.Plane) (most int) {
	for y := range a.H {
		for x := range a.W {
			most = max(most, abs(a.At(x, y)-b.At(x, y)))
		}
	}
	return most
}

// Pulldown is what FFmpeg's telecine filter makes, to the sample.
func TestTelecineIsThatOfFFmpeg(t *testing.T) {
	s := panning(96, 64, 16, 5, 24)
	for _, pattern := range [][]int{{2, 3}, {3, 2}, {2, 3, 3, 2}, {2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 3}} {
		name := ""
		for _, n := range pattern {
			name += strconv.Itoa(n)
		}
		want, _ := filter(t, s, "telecine=first_field=top:pattern="+name, 96, 64)
		got := Telecine(s, 30, 1, pattern...)
		if len(want) < got.Len-1 {
			t.Fatalf("pattern %s: %d frames, ffmpeg made %d", name, got.Len, len(want))
		}
		for k := range min(got.Len, len(want)) {
			p := got.At(k).Y
			if d := differ(&p, &want[k]); d != 0 {
				t.Errorf("pattern %s: frame %d differs by up to %d codes", name, k, d)
			}
		}
	}
}

// Scaled pictures are those of FFmpeg's scaler with the same kernels, give or
// take its rounding; its cubic has a slope of -0.6 where ours has -0.5 (the
// default of param1 in its documentation), which may make a few codes.
func TestScaleIsThatOfFFmpeg(t *testing.T) {
	s := panning(128, 72, 2, 5, 25)
	for _, c := range []struct {
		w, h   int
		filter Filter
		flags  string
		limit  int // codes
	}{
		{128, 135, Bilinear, "flags=bilinear+accurate_rnd", 2},
		{240, 135, Bicubic, "flags=bicubic+accurate_rnd", 4},
		{256, 144, Bicubic, "flags=bicubic+accurate_rnd", 4},
		{64, 36, Smooth, "flags=bilinear+accurate_rnd", 2},
	} {
		want, _ := filter(t, s, fmt.Sprintf("scale=%d:%d:%s", c.w, c.h, c.flags), c.w, c.h)
		p := Scale(s, c.w, c.h, c.filter).At(1).Y
		if d := differ(&p, &want[1]); d > c.limit {
			t.Errorf("%dx%d %s: differs by up to %d codes", c.w, c.h, c.flags, d)
		}
	}
}

// FFmpeg's idet filter sees woven fields of a whole picture for what they are,
// and none in the same pictures before weaving or after correct processing.
func TestIdetAgrees(t *testing.T) {
	s := panning(320, 180, 24, 6, 50)
	verdict := regexp.MustCompile(`Multi frame detection: TFF:\s*(\d+) BFF:\s*(\d+) Progressive:\s*(\d+) Undetermined:\s*(\d+)`)
	for _, c := range []struct {
		name string
		s    Sequence
		// least and most of its pictures that it may take for woven: it
		// is unsure about the line flicker of simple interpolation.
		least, most float64
	}{
		{"correct", s, 0, 0},
		{"woven", alternate(Weave(s, Where{First: 0, Last: 23}, 1)), 0.75, 1},
		{"interpolated", Bob(s), 0, 0.25},
	} {
		_, said := filter(t, c.s, "idet", c.s.Format.W, c.s.Format.H)
		m := verdict.FindStringSubmatch(said)
		if m == nil {
			t.Fatalf("idet said\n%s", said)
		}
		var n [4]int
		for i := range n {
			n[i], _ = strconv.Atoi(m[i+1])
		}
		if share := float64(n[0]+n[1]) / float64(c.s.Len); share < c.least || share > c.most {
			t.Errorf("%s: of %d pictures idet took %d for woven", c.name, c.s.Len, n[0]+n[1])
		}
	}
}

// alternate shows every second picture: those of one field order, as they lie
// in an interlaced file.
func alternate(s Sequence) Sequence {
	return pick(s, s.Len/2, func(k int) int { return 2 * k })
}
