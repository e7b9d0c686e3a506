package encode_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"setwitness/decode/encode"
	"setwitness/decode/picture"
)

// A scene that every codec keeps well: a ramp with a bright bar that moves
// dx columns a picture.
func scene(w, h, depth, chromaX, chromaY, i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(w, h, depth)}
	paint(&p.Y, func(x, y int) int { return 40 + 120*x/w + 40*b2i(x/8 == i%(w/8)) })
	if chromaX >= 0 {
		cw, ch := -(-w >> chromaX), -(-h >> chromaY)
		p.Cb, p.Cr = picture.New(cw, ch, depth), picture.New(cw, ch, depth)
		paint(&p.Cb, func(x, y int) int { return 100 + 50*y/ch })
		paint(&p.Cr, func(x, y int) int { return 160 - 50*x/cw })
	}
	return p
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// paint sets a plane from a function that gives 8-bit code values.
func paint(p *picture.Plane, f func(x, y int) int) {
	for y := range p.H {
		for x := range p.W {
			v := f(x, y) << (p.Depth - 8)
			if p.Depth == 8 {
				p.Pix[y*p.Stride+x] = uint8(v)
			} else {
				p.Pix16[y*p.Stride+x] = uint16(v)
			}
		}
	}
}

type probe struct {
	Streams []struct {
		CodecName  string `json:"codec_name"`
		PixFmt     string `json:"pix_fmt"`
		Width      int
		Height     int
		ColorRange string                       `json:"color_range"`
		ColorSpace string                       `json:"color_space"`
		Transfer   string                       `json:"color_transfer"`
		Primaries  string                       `json:"color_primaries"`
		FieldOrder string                       `json:"field_order"`
		Rate       string                       `json:"avg_frame_rate"`
		Sar        string                       `json:"sample_aspect_ratio"`
		SideData   []struct{ Rotation float64 } `json:"side_data_list"`
	}
	Frames []struct {
		Time       string `json:"best_effort_timestamp_time"`
		Interlaced int    `json:"interlaced_frame"`
		TopFirst   int    `json:"top_field_first"`
		Key        int    `json:"key_frame"`
	}
}

func ffprobe(t *testing.T, path string) probe {
	t.Helper()
	out, err := exec.Command("ffprobe", "-v", "error", "-of", "json", "-show_streams", "-show_frames", path).Output()
	if err != nil {
		t.Fatalf("ffprobe (ffmpeg must be installed): %v", err)
	}
	var p probe
	if err := json.Unmarshal(out, &p); err != nil {
		t.Fatal(err)
	}
	if len(p.Streams) != 1 {
		t.Fatalf("%d streams", len(p.Streams))
	}
	return p
}

func write(t *testing.T, o encode.Options, pictures ...*picture.Picture) {
	t.Helper()
	w, err := encode.Create(o)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	for _, p := range pictures {
		if err := w.Write(p); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

func scenes(n, w, h, depth, cx, cy int) []*picture.Picture {
	var s []*picture.Picture
	for i := range n {
		s = append(s, scene(w, h, depth, cx, cy, i))
	}
	return s
}

// Lossless codecs must give back every sample, read by the ffmpeg program.
func TestLossless(t *testing.T) {
	for _, c := range []struct {
		format        string
		depth, cx, cy int
	}{
		{"yuv420p", 8, 1, 1}, {"yuv422p", 8, 1, 0}, {"yuv444p", 8, 0, 0}, {"gray", 8, -1, -1},
		{"yuv420p10le", 10, 1, 1}, {"yuv422p12le", 12, 1, 0},
	} {
		t.Run(c.format, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "a:b.mkv")
			pictures := scenes(3, 50, 38, c.depth, c.cx, c.cy)
			write(t, encode.Options{Path: path, W: 50, H: 38, RateNum: 25, RateDen: 1, Codec: "ffv1", PixelFormat: c.format}, pictures...)
			raw, err := exec.Command("ffmpeg", "-v", "error", "-i", "file:"+path, "-f", "rawvideo", "-").Output()
			if err != nil {
				t.Fatalf("ffmpeg (must be installed): %v", err)
			}
			var want []byte
			for _, p := range pictures {
				for _, pl := range []picture.Plane{p.Y, p.Cb, p.Cr} {
					want = append(want, pl.Pix...)
					for _, v := range pl.Pix16 {
						want = append(want, byte(v), byte(v>>8))
					}
				}
			}
			if string(raw) != string(want) {
				t.Errorf("ffmpeg reads other samples than were written (%d bytes, want %d)", len(raw), len(want))
			}
		})
	}
}

func TestDescription(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.mp4")
	write(t, encode.Options{
		Path: path, W: 64, H: 48, RateNum: 60000, RateDen: 1001, GOP: 4, Rotation: 90,
		SampleAspectNum: 16, SampleAspectDen: 11,
		Colour:  picture.Colour{Transfer: "arib-std-b67", Primaries: "bt2020", Matrix: "bt2020nc", FullRange: true},
		Private: map[string]string{"crf": "30", "sc_threshold": "0"},
	}, scenes(9, 64, 48, 8, 1, 1)...)
	p := ffprobe(t, path)
	s := p.Streams[0]
	if s.CodecName != "h264" || s.Width != 64 || s.Height != 48 || s.Rate != "60000/1001" || s.Sar != "16:11" {
		t.Errorf("stream %+v", s)
	}
	if s.ColorRange != "pc" || s.ColorSpace != "bt2020nc" || s.Transfer != "arib-std-b67" || s.Primaries != "bt2020" {
		t.Errorf("colour of %+v", s)
	}
	// ffprobe counts anticlockwise.
	if len(s.SideData) != 1 || s.SideData[0].Rotation != -90 {
		t.Errorf("rotation %+v", s.SideData)
	}
	if len(p.Frames) != 9 || p.Frames[4].Key != 1 || p.Frames[8].Key != 1 || p.Frames[3].Key != 0 {
		t.Errorf("frames %+v", p.Frames)
	}
}

// The shape of samples and the colours are in every container, whether it goes by
// the stream or by what the encoder writes.
func TestContainers(t *testing.T) {
	for _, c := range []struct{ file, codec, format string }{
		{"a.mp4", "libx264", "yuv420p"}, {"a.mov", "prores_ks", "yuv422p10le"}, {"a.mkv", "ffv1", "yuv420p"},
	} {
		depth, cy := 8, 1
		if c.codec == "prores_ks" {
			depth, cy = 10, 0
		}
		path := filepath.Join(t.TempDir(), c.file)
		write(t, encode.Options{
			Path: path, W: 720, H: 576, RateNum: 50, RateDen: 1, Codec: c.codec, PixelFormat: c.format,
			SampleAspectNum: 16, SampleAspectDen: 15,
			Colour: picture.Colour{Transfer: "bt709", Primaries: "bt470bg", Matrix: "bt470bg"},
		}, scenes(2, 720, 576, depth, 1, cy)...)
		s := ffprobe(t, path).Streams[0]
		if s.Sar != "16:15" || s.Rate != "50/1" || s.PixFmt != c.format {
			t.Errorf("%s: %+v", c.file, s)
		}
		if s.ColorRange != "tv" || s.ColorSpace != "bt470bg" || s.Transfer != "bt709" || s.Primaries != "bt470bg" {
			t.Errorf("%s: colour of %+v", c.file, s)
		}
	}
}

func TestFieldOrder(t *testing.T) {
	for _, c := range []struct {
		codec, file, format string
		parity              picture.Parity
		interlaced, top     int
	}{
		{"libx264", "a.mp4", "yuv420p", picture.Top, 1, 1},
		{"libx264", "a.mkv", "yuv420p", picture.Bottom, 1, 0},
		{"libx264", "a.ts", "yuv420p", picture.Frame, 0, 0},
		{"mpeg2video", "a.mpg", "yuv420p", picture.Top, 1, 1},
		{"mpeg2video", "a.ts", "yuv422p", picture.Bottom, 1, 0},
		{"ffv1", "a.mkv", "yuv422p10le", picture.Bottom, 1, 0},
		{"dvvideo", "a.dv", "yuv420p", picture.Bottom, 1, 0},
	} {
		t.Run(c.codec+" "+c.parity.String(), func(t *testing.T) {
			path := filepath.Join(t.TempDir(), c.file)
			w, h, depth, cy := 720, 576, 8, 1
			if strings.HasPrefix(c.format, "yuv422") {
				cy = 0
			}
			if strings.HasSuffix(c.format, "10le") {
				depth = 10
			}
			write(t, encode.Options{Path: path, W: w, H: h, RateNum: 25, RateDen: 1, Codec: c.codec, PixelFormat: c.format, Parity: c.parity},
				scenes(3, w, h, depth, 1, cy)...)
			p := ffprobe(t, path)
			if len(p.Frames) != 3 {
				t.Errorf("%d frames, want 3", len(p.Frames))
			}
			for i, f := range p.Frames {
				if f.Interlaced != c.interlaced || f.TopFirst != c.top {
					t.Errorf("frame %d is flagged %+v", i, f)
				}
			}
		})
	}
}

func TestVariableRate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.mp4")
	times := []time.Duration{0, 40, 60, 400, 410}
	pictures := scenes(len(times), 64, 48, 8, 1, 1)
	for i := range pictures {
		pictures[i].Time = times[i] * time.Millisecond
	}
	write(t, encode.Options{Path: path, W: 64, H: 48, RateNum: 25, RateDen: 1, VariableRate: true}, pictures...)
	var got []string
	for _, f := range ffprobe(t, path).Frames {
		got = append(got, f.Time)
	}
	if s := strings.Join(got, " "); s != "0.000000 0.040000 0.060000 0.400000 0.410000" {
		t.Errorf("times %s", s)
	}
}

// The file appears under its name when it is whole, and not before.
func TestNaming(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.mp4")
	names := func() string {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		var s []string
		for _, e := range entries {
			s = append(s, e.Name())
		}
		return strings.Join(s, " ")
	}
	o := encode.Options{Path: path, W: 64, H: 48, RateNum: 25, RateDen: 1}
	w, err := encode.Create(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(scene(64, 48, 8, 1, 1, 0)); err != nil {
		t.Fatal(err)
	}
	if s := names(); s == "a.mp4" || !strings.HasSuffix(s, "a.mp4") {
		t.Errorf("files while writing: %q", s)
	}
	w.Abort()
	if s := names(); s != "" {
		t.Errorf("files after Abort: %q", s)
	}
	if w.Write(scene(64, 48, 8, 1, 1, 0)) == nil || w.Close() == nil {
		t.Error("an aborted writer still writes")
	}
	write(t, o, scene(64, 48, 8, 1, 1, 0))
	if s := names(); s != "a.mp4" {
		t.Errorf("files after Close: %q", s)
	}
}

func TestRefuses(t *testing.T) {
	good := encode.Options{W: 64, H: 48, RateNum: 25, RateDen: 1}
	for name, change := range map[string]func(o *encode.Options){
		"frames of 0x48":    func(o *encode.Options) { o.W = 0 },
		"rate of 0/1":       func(o *encode.Options) { o.RateNum = 0 },
		"rotation by 45":    func(o *encode.Options) { o.Rotation = 45 },
		"no encoder nosuch": func(o *encode.Options) { o.Codec = "nosuch" },
		"no pixel format":   func(o *encode.Options) { o.PixelFormat = "nosuch" },
		"not planar":        func(o *encode.Options) { o.PixelFormat = "nv12" },
		"does not take":     func(o *encode.Options) { o.PixelFormat = "yuv410p" },
		"option nosuch":     func(o *encode.Options) { o.Private = map[string]string{"nosuch": "1"} },
		"container":         func(o *encode.Options) { o.Path += ".nosuch" },
		"no such file":      func(o *encode.Options) { o.Path = filepath.Join(o.Path, "a.mp4") },
	} {
		dir := t.TempDir()
		o := good
		o.Path = filepath.Join(dir, "a.mp4")
		change(&o)
		w, err := encode.Create(o)
		if err == nil {
			w.Abort()
			t.Errorf("%s: taken", name)
			continue
		}
		if !strings.Contains(err.Error(), name) {
			t.Errorf("error %q does not say %q", err, name)
		}
		if left, _ := os.ReadDir(dir); len(left) != 0 {
			t.Errorf("%s: left %v", name, left)
		}
	}
	o := good
	o.Path = filepath.Join(t.TempDir(), "a.mp4")
	w, err := encode.Create(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(scene(32, 48, 8, 1, 1, 0)); err == nil || !strings.Contains(err.Error(), "32x48") {
		t.Errorf("a picture of another size: %v", err)
	}
	if err := w.Close(); err == nil {
		t.Error("a broken clip was finished")
	}
}
