package decode_test

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/encode"
	"setwitness/decode/picture"
)

// RGB becomes full-range YUV without subsampling. The expected codes follow
// from the definition of Y', C'B and C'R with the luma coefficients of
// Rec. ITU-R BT.601-7 item 2.5 and BT.709-6 item 3.2 (from memory).
func TestRGB(t *testing.T) {
	for _, c := range []struct {
		file, size, format string
		kr, kb             float64
		depth              int
	}{
		{"a.avi", "64x48", "bgr24", 0.299, 0.114, 8},
		{"a.mkv", "1280x720", "gbrp", 0.2126, 0.0722, 8},
		{"b.mkv", "64x48", "gbrp10le", 0.299, 0.114, 10},
		{"a.mov", "64x48", "rgba", 0.299, 0.114, 8},
	} {
		codec := map[byte]string{'b': "rawvideo", 'g': "ffv1", 'r': "png"}[c.format[0]]
		var w, h int
		if _, err := fmt.Sscanf(c.size, "%dx%d", &w, &h); err != nil {
			t.Fatal(err)
		}
		colours := [][3]int{{255, 255, 255}, {0, 0, 0}, {128, 128, 128}, {255, 0, 0}, {0, 255, 0}, {0, 0, 255}, {40, 90, 200}}
		var b []byte
		for _, rgb := range colours {
			b = append(b, bytes.Repeat([]byte{byte(rgb[0]), byte(rgb[1]), byte(rgb[2])}, w*h)...)
		}
		dir := t.TempDir()
		source, path := filepath.Join(dir, "source.rgb"), filepath.Join(dir, c.file)
		if err := os.WriteFile(source, b, 0o666); err != nil {
			t.Fatal(err)
		}
		ffmpeg(t, "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", c.size, "-i", source, "-c:v", codec, "-pix_fmt", c.format, path)
		take := open(t, path, decode.Options{})
		f := take.Format()
		if f.Depth != c.depth || f.ChromaX != 0 || f.ChromaY != 0 || !f.Colour.FullRange {
			t.Fatalf("%s: format %+v", c.format, f)
		}
		for _, rgb := range colours {
			p, err := take.Next(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			top := float64(int(1)<<c.depth - 1)
			r, g, b := float64(rgb[0])/255, float64(rgb[1])/255, float64(rgb[2])/255
			y := c.kr*r + (1-c.kr-c.kb)*g + c.kb*b
			cb, cr := (b-y)/(2-2*c.kb), (r-y)/(2-2*c.kr)
			half := float64(int(1) << (c.depth - 1))
			want := [3]float64{y * top, math.Min(half+cb*top, top), math.Min(half+cr*top, top)}
			// The conversion works in 15 bits and rounds; ten-bit RGB made
			// from eight-bit codes is a little off to begin with.
			tolerance := 1.5 * top / 255
			for i, pl := range []picture.Plane{p.Y, p.Cb, p.Cr} {
				if got := pl.At(f.W/2, f.H/2); math.Abs(float64(got)-want[i]) > tolerance {
					t.Errorf("%s %v: component %d is %d, want %.1f", c.format, rgb, i, got, want[i])
				}
			}
			p.Release()
		}
	}
}

// scene paints pictures of which no two lines or columns are alike.
func scene(w, h, i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(w, h, 8), Cb: picture.New((w+1)/2, (h+1)/2, 8), Cr: picture.New((w+1)/2, (h+1)/2, 8)}
	for n, pl := range []picture.Plane{p.Y, p.Cb, p.Cr} {
		for y := range pl.H {
			for x := range pl.W {
				pl.Pix[y*pl.Stride+x] = uint8(x*7 + y*13 + i*31 + n*50)
			}
		}
	}
	return p
}

func write(t testing.TB, o encode.Options, n int, change func(i int, p *picture.Picture)) {
	t.Helper()
	w, err := encode.Create(o)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	for i := range n {
		p := scene(o.W, o.H, i)
		if change != nil {
			change(i, p)
		}
		if err := w.Write(p); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// What encode writes without loss comes back to the sample.
func TestRoundTrip(t *testing.T) {
	o := encode.Options{
		Path: filepath.Join(t.TempDir(), "a.mkv"), W: 51, H: 37, RateNum: 60000, RateDen: 1001,
		Codec:  "ffv1",
		Colour: picture.Colour{Transfer: "smpte2084", Primaries: "bt2020", Matrix: "bt2020nc", FullRange: true},
	}
	write(t, o, 9, nil)
	r := read(t, o.Path, decode.Options{})
	for i, p := range r.pictures {
		if !bytes.Equal(p.samples, samplesOf(scene(o.W, o.H, i))) {
			t.Errorf("picture %d changed", i)
		}
	}
	f := r.format
	if len(r.pictures) != 9 || f.W != 51 || f.H != 37 || f.RateNum != 60000 || f.RateDen != 1001 || f.Colour != o.Colour {
		t.Errorf("%d pictures of %+v", len(r.pictures), f)
	}
	if i := r.info; i.Path != o.Path || i.W != 51 || i.H != 37 || i.Colour != o.Colour || i.Scan != decode.Progressive || i.Rotation != 0 {
		t.Errorf("info %+v", i)
	}
}

// A turned file is read upright, as the ffmpeg program shows it.
func TestRotation(t *testing.T) {
	for _, degrees := range []int{90, 180, 270} {
		o := encode.Options{
			Path: filepath.Join(t.TempDir(), "a.mp4"), W: 66, H: 50, RateNum: 25, RateDen: 1, Rotation: degrees,
			SampleAspectNum: 4, SampleAspectDen: 3, Private: map[string]string{"crf": "0"},
		}
		write(t, o, 3, nil)
		r := read(t, o.Path, decode.Options{})
		sameSamples(t, r.samples(), raw(t, o.Path, "yuv420p"))
		w, h, aspect := 66, 50, "4:3"
		if degrees != 180 {
			w, h, aspect = 50, 66, "3:4"
		}
		f := r.format
		if f.W != w || f.H != h || fmt.Sprintf("%d:%d", f.SampleAspectNum, f.SampleAspectDen) != aspect {
			t.Errorf("turned by %d: format %+v", degrees, f)
		}
		if i := r.info; i.Rotation != degrees || i.Mirrored || i.W != 66 || i.H != 50 {
			t.Errorf("turned by %d: info %+v", degrees, i)
		}
	}
}

// lines returns every second line of a picture's planes, from line first.
func lines(p *picture.Picture, first int) []byte {
	var out []byte
	for _, pl := range []picture.Plane{p.Y, p.Cb, p.Cr} {
		for y := first; y < pl.H; y += 2 {
			out = append(out, pl.Pix[y*pl.Stride:y*pl.Stride+pl.W]...)
		}
	}
	return out
}

// Fields come out in the order in which they were taken, each with its own
// lines and its own time: woven here from pictures of 50 a second.
func TestFields(t *testing.T) {
	const w, h, frames = 64, 48, 6
	for _, c := range []struct {
		first            picture.Parity
		scan             decode.Scan
		codec, extension string
		rotation         int
	}{
		{picture.Top, decode.InterlacedTopFirst, "ffv1", "mkv", 0},
		{picture.Bottom, decode.InterlacedBottomFirst, "ffv1", "mkv", 0},
		{picture.Top, decode.InterlacedTopFirst, "libx264", "mp4", 0},
		{picture.Bottom, decode.InterlacedBottomFirst, "libx264", "mp4", 0},
		{picture.Top, decode.InterlacedTopFirst, "libx264", "mp4", 180},
		{picture.Bottom, decode.InterlacedBottomFirst, "libx264", "mp4", 180},
	} {
		o := encode.Options{
			Path: filepath.Join(t.TempDir(), "a."+c.extension), W: w, H: h, RateNum: 25, RateDen: 1,
			Codec: c.codec, Parity: c.first, Rotation: c.rotation,
		}
		if c.codec == "libx264" {
			o.Private = map[string]string{"crf": "0"}
		}
		var want [][]byte // the fields in order, as taken
		write(t, o, frames, func(i int, p *picture.Picture) {
			early, late := scene(w, h, 100+2*i), scene(w, h, 101+2*i)
			top, bottom := early, late
			if c.first == picture.Bottom {
				top, bottom = late, early
			}
			for n, pl := range []picture.Plane{p.Y, p.Cb, p.Cr} {
				t := []picture.Plane{top.Y, top.Cb, top.Cr}[n]
				b := []picture.Plane{bottom.Y, bottom.Cb, bottom.Cr}[n]
				for y := range pl.H {
					src := t
					if y%2 == 1 {
						src = b
					}
					copy(pl.Pix[y*pl.Stride:][:pl.W], src.Pix[y*src.Stride:][:src.W])
				}
			}
			if c.first == picture.Top {
				want = append(want, lines(early, 0), lines(late, 1))
			} else {
				want = append(want, lines(early, 1), lines(late, 0))
			}
		})
		name := fmt.Sprintf("%s %s turned %d", c.codec, c.first, c.rotation)
		for _, how := range []decode.Fields{decode.FieldsAuto, decode.FieldsSplit} {
			r := read(t, o.Path, decode.Options{Fields: how})
			if r.info.Scan != c.scan || !strings.Contains(r.info.FieldsDone, "split into their fields") || !strings.Contains(r.info.FieldsDone, "50 fields a second") {
				t.Errorf("%s: %s, %q", name, r.info.Scan, r.info.FieldsDone)
			}
			if f := r.format; !f.Fields || f.H != h/2 || f.RateNum != 50 || f.RateDen != 1 || f.SampleAspectNum*2 != f.SampleAspectDen {
				t.Errorf("%s: format %+v", name, f)
			}
			if len(r.pictures) != 2*frames || r.summary.Frames != frames || len(r.summary.Keys) == 0 {
				t.Fatalf("%s: %d fields; %+v", name, len(r.pictures), r.summary)
			}
			for i, p := range r.pictures {
				parity := c.first
				if (i%2 == 1) != (c.rotation == 180) { // upside down, the fields swap their lines
					parity = map[picture.Parity]picture.Parity{picture.Top: picture.Bottom, picture.Bottom: picture.Top}[parity]
				}
				if p.time != time.Duration(i)*20*time.Millisecond || p.frame != i/2 || p.parity != parity {
					t.Errorf("%s: field %d of frame %d at %v has parity %v", name, i, p.frame, p.time, p.parity)
				}
				got := p.samples
				if c.rotation == 180 {
					got = upside(got, w, h/2)
				}
				if !bytes.Equal(got, want[i]) {
					t.Errorf("%s: field %d does not hold the lines that were taken then", name, i)
				}
			}
		}
		woven := read(t, o.Path, decode.Options{Fields: decode.FieldsWeave})
		if len(woven.pictures) != frames || woven.format.Fields || woven.info.Scan != c.scan || !strings.Contains(woven.info.FieldsDone, "woven, as asked") {
			t.Errorf("%s: woven into %d pictures; %q", name, len(woven.pictures), woven.info.FieldsDone)
		}
	}
}

// upside turns the packed planes of a 4:2:0 picture by 180 degrees.
func upside(b []byte, w, h int) []byte {
	var out []byte
	for _, n := range []int{w * h, w * h / 4, w * h / 4} {
		plane := slices.Clone(b[:n])
		slices.Reverse(plane)
		out, b = append(out, plane...), b[n:]
	}
	return out
}

// The pictures that are coded without others are known: all of them, or the first of each
// group, as the encoder was told.
func TestKeyPictures(t *testing.T) {
	for _, c := range []struct {
		arguments []string
		group     int
	}{
		{[]string{"-c:v", "mpeg2video", "-g", "6", "-bf", "2"}, 6},
		{[]string{"-c:v", "libx264", "-g", "5", "-sc_threshold", "0"}, 5},
		{[]string{"-c:v", "mjpeg"}, 1},
	} {
		r := read(t, clip(t, "a.mkv", "testsrc2=s=64x48:r=25:d=1", c.arguments...), decode.Options{})
		for i, p := range r.pictures {
			if p.key != (i%c.group == 0) {
				t.Errorf("%v: picture %d: key %v", c.arguments, i, p.key)
			}
		}
	}
}

// Fields are split on request whatever the flags say, and not by themselves
// where the flags say progressive.
func TestFieldsOfProgressive(t *testing.T) {
	path := clip(t, "a.mkv", "testsrc2=s=64x48:r=25:d=0.4", "-c:v", "ffv1")
	if r := read(t, path, decode.Options{}); r.format.Fields || len(r.pictures) != 10 {
		t.Errorf("auto: %d pictures of %+v", len(r.pictures), r.format)
	}
	r := read(t, path, decode.Options{Fields: decode.FieldsSplit})
	if !r.format.Fields || len(r.pictures) != 20 || r.pictures[0].parity != picture.Top || r.info.Scan != decode.Progressive {
		t.Errorf("split: %d pictures of %+v", len(r.pictures), r.format)
	}
	if !strings.Contains(r.info.FieldsDone, "as asked") {
		t.Errorf("done: %q", r.info.FieldsDone)
	}
	// Odd numbers of lines, in luma and in chroma.
	for _, size := range []string{"64x47", "64x45", "64x46", "64x18"} {
		path := clip(t, "odd.mkv", "testsrc2=s="+size+":r=25:d=0.2", "-c:v", "ffv1", "-pix_fmt", "yuv420p")
		read(t, path, decode.Options{Fields: decode.FieldsSplit})
	}
}

// Times come from the file, however they lie.
func TestTimes(t *testing.T) {
	ts := clip(t, "a.ts", "testsrc2=s=64x48:r=25:d=4", "-c:v", "libx264", "-g", "10")
	with := func(name string, args ...string) string {
		path := filepath.Join(t.TempDir(), name)
		ffmpeg(t, append(append([]string{}, args...), path)...)
		return path
	}
	mp4 := with("a.mp4", "-i", ts, "-c", "copy")
	irregular := encode.Options{Path: filepath.Join(t.TempDir(), "v.mp4"), W: 64, H: 48, RateNum: 30, RateDen: 1, VariableRate: true}
	write(t, irregular, 40, func(i int, p *picture.Picture) {
		p.Time = time.Duration(i)*33*time.Millisecond + time.Duration(i*i%7)*4*time.Millisecond + time.Duration(i/20)*700*time.Millisecond
	})
	for _, c := range []struct {
		name, path string
		variable   bool
	}{
		{"negative", with("n.mkv", "-i", ts, "-c", "copy", "-output_ts_offset", "-50", "-avoid_negative_ts", "disabled"), false},
		{"huge", with("h.mkv", "-i", ts, "-c", "copy", "-output_ts_offset", "4000000000"), false},
		{"wraps", with("w.ts", "-i", ts, "-c", "copy", "-output_ts_offset", "95441", "-muxdelay", "0"), false},
		{"late", with("l.mp4", "-i", ts, "-c", "copy", "-output_ts_offset", "30"), false},
		{"edit list", with("e.mp4", "-ss", "0.3", "-i", mp4, "-c", "copy"), false},
		{"variable", irregular.Path, true},
		{"slower clock", with("s.mkv", "-i", ts, "-c", "copy"), false},
	} {
		p := ffprobe(t, c.path)
		r := read(t, c.path, decode.Options{})
		sameTimes(t, r.times(), p.times(t))
		if s := r.summary; s.VariableRate != c.variable || len(s.Keys) == 0 || s.CutShort || s.Damaged > 0 || len(s.Warnings) != 0 {
			t.Errorf("%s: summary %+v", c.name, s)
		}
		if c.name == "edit list" && len(r.pictures) > 95 {
			t.Errorf("edit list: %d pictures of the 4 s that begin at 0.3 s", len(r.pictures))
		}
	}

	// A bare stream has no times.
	r := read(t, with("a.h264", "-i", ts, "-c", "copy"), decode.Options{})
	if n := len(r.pictures); n != 100 || r.pictures[99].time != 99*40*time.Millisecond || len(r.summary.Keys) > 0 || !says(r.summary.Warnings, "no time in the file") {
		t.Errorf("bare stream: %d pictures; %+v", n, r.summary)
	}
}

// Fetch gives exactly the pictures that the first pass gave, to the bit.
func TestFetch(t *testing.T) {
	const source = "testsrc2=s=96x64:r=25:d=8"
	edited := func(t *testing.T, path string) string {
		to := filepath.Join(t.TempDir(), "edited.mp4")
		ffmpeg(t, "-ss", "0.7", "-i", path, "-c", "copy", to)
		return to
	}
	turned := func(t *testing.T, path string) string {
		to := filepath.Join(t.TempDir(), "turned.mp4")
		ffmpeg(t, "-i", path, "-c", "copy", "-metadata:s:v", "rotate=90", to)
		return to
	}
	joined := func(t *testing.T, path string) string {
		to := filepath.Join(t.TempDir(), "joined.ts")
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, append(b, b...), 0o600); err != nil {
			t.Fatal(err)
		}
		return to
	}
	damaged := func(t *testing.T, path string) string {
		return rewrite(t, path, func(b []byte) []byte {
			for _, percent := range []int{30, 55} {
				for i := range 600 {
					b[len(b)*percent/100+i] = byte(i * i >> 3)
				}
			}
			return b
		})
	}
	cut := func(t *testing.T, path string) string {
		return rewrite(t, path, func(b []byte) []byte { return b[len(b)/5 : len(b)*4/5] })
	}
	for _, c := range []struct {
		name, file, args string
		fields           decode.Fields
		seeks            bool
		change           func(t *testing.T, path string) string
	}{
		{"H.264 in MP4", "a.mp4", "-c:v libx264 -g 50 -bf 3", decode.FieldsAuto, true, nil},
		{"open GOP", "a.mkv", "-c:v libx264 -x264-params open-gop=1:keyint=25:bframes=3", decode.FieldsAuto, true, nil},
		{"open GOP in TS", "b.ts", "-c:v libx264 -x264-params open-gop=1:keyint=25:bframes=3", decode.FieldsAuto, true, nil},
		{"open GOP in MP4", "o.mp4", "-c:v libx264 -x264-params open-gop=1:keyint=25:bframes=3:b-pyramid=normal", decode.FieldsAuto, true, nil},
		{"intra refresh", "r.mp4", "-c:v libx264 -g 40 -x264-params intra-refresh=1", decode.FieldsAuto, true, nil},
		{"HEVC", "h.mp4", "-c:v libx265 -x265-params open-gop=1:keyint=25:bframes=4:log-level=none", decode.FieldsAuto, true, nil},
		{"HEVC in TS", "h.ts", "-c:v libx265 -x265-params open-gop=1:keyint=25:bframes=4:log-level=none", decode.FieldsAuto, true, nil},
		{"MPEG-2 in TS", "a.ts", "-c:v mpeg2video -g 15 -bf 2", decode.FieldsAuto, true, nil},
		{"split fields", "i.mp4", "-c:v libx264 -g 25 -flags +ildct+ilme -top 1", decode.FieldsAuto, true, nil},
		{"split fields in TS", "i.ts", "-c:v mpeg2video -bf 2 -flags +ildct+ilme -top 1", decode.FieldsAuto, true, nil},
		{"split fields in PS", "i.mpg", "-c:v mpeg2video -bf 2 -flags +ildct+ilme -top 0", decode.FieldsAuto, false, nil},
		{"all key frames", "a.avi", "-c:v mjpeg", decode.FieldsWeave, true, nil},
		{"flags against the fields", "a.avi", "-c:v mjpeg", decode.FieldsSplit, false, nil},
		{"hidden frames", "a.webm", "-c:v libvpx -g 30 -auto-alt-ref 1 -lag-in-frames 10 -deadline realtime -b:v 300k", decode.FieldsAuto, true, nil},
		{"no stamps", "a.h264", "-c:v libx264", decode.FieldsAuto, false, nil},
		{"variable rate", "v.mp4", "-vf select='mod(n*n\\,7)-1' -fps_mode vfr -c:v libx264 -g 30", decode.FieldsAuto, true, nil},
		{"edit list", "e.mp4", "-c:v libx264 -g 50 -bf 3", decode.FieldsAuto, true, edited},
		{"turned", "t.mp4", "-c:v libx264 -g 50 -bf 3", decode.FieldsAuto, true, turned},
		{"cut out of a broadcast", "c.ts", "-c:v libx264 -g 25 -bf 3", decode.FieldsAuto, true, cut},
		{"clock anew", "j.ts", "-c:v libx264 -g 25 -bf 3", decode.FieldsAuto, false, joined},
		{"damaged MP4", "d.mp4", "-c:v libx264 -g 25 -bf 3", decode.FieldsAuto, true, damaged},
		{"damaged TS", "d.ts", "-c:v libx264 -g 25 -bf 3", decode.FieldsAuto, true, damaged},
		{"damaged open GOP", "d2.ts", "-c:v mpeg2video -g 12 -bf 2", decode.FieldsAuto, true, damaged},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			path := clip(t, c.file, source, split(c.args)...)
			if c.change != nil {
				path = c.change(t, path)
			}
			// What is concealed is the same from pass to pass with one thread.
			o := decode.Options{Fields: c.fields, Threads: 1}
			first := read(t, path, o)
			n := len(first.pictures)
			if seeks := len(first.summary.Keys) > 0; seeks != c.seeks {
				t.Errorf("places to seek to: %d; %+v", len(first.summary.Keys), first.summary)
			}
			r := rand.New(rand.NewPCG(7, uint64(n)))
			groups := [][]int{{0}, {n - 1}, {1, 2, 3, n / 2, n/2 + 1, n - 2}, {n/2 - 1}, {7, n/3 + 1, n/3 + 20}}
			for range 4 {
				var g []int
				for i := r.IntN(n / 3); i+2 < n; i += 3 + r.IntN(n/3) {
					g = append(g, i, i+1, i+2)
				}
				groups = append(groups, g)
			}
			for k, indexes := range groups {
				o.Keys = nil
				if k%4 != 0 && c.seeks {
					o.Keys = first.summary.Keys
				}
				var wanted []decode.Wanted
				for _, i := range indexes {
					wanted = append(wanted, decode.Wanted{Index: i, Time: first.pictures[i].time})
				}
				var got []int
				fetch := decode.Fetch
				if o.Keys != nil && first.summary.Damaged == 0 {
					fetch = func(ctx context.Context, path string, o decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
						_, err := decode.FetchByTime(ctx, path, o, wanted, fn)
						return err
					}
				}
				err := fetch(context.Background(), path, o, wanted, func(p *picture.Picture) error {
					want := first.pictures[p.Index]
					if p.Time != want.time || p.Frame != want.frame || p.Parity != want.parity || !bytes.Equal(samplesOf(p), want.samples) {
						t.Errorf("group %d: picture %d (frame %d, %v) is not that of the first pass", k, p.Index, p.Frame, p.Time)
					}
					got = append(got, p.Index)
					return nil
				})
				if err != nil || !slices.Equal(got, indexes) {
					t.Errorf("group %d: pictures %v of %v: %v", k, got, indexes, err)
				}
			}
		})
	}
}

// On the way from a key frame to a wanted picture no more is decoded than that
// is built on, where the codec says so.
func TestFetchLeavesOut(t *testing.T) {
	for _, c := range []struct {
		file, args string
		most       int // frames from picture 50, a key frame, to picture 95
	}{
		{"a.mp4", "-c:v libx264 -g 50 -bf 3 -x264-params b-pyramid=none:b-adapt=0:scenecut=0", 46/4 + 5},
		{"a.ts", "-c:v mpeg2video -g 50 -bf 2 -sc_threshold 1000000000", 46/3 + 5},
		{"a.mkv", "-c:v libx264 -g 50 -bf 0 -x264-params scenecut=0", 46},
	} {
		path := clip(t, c.file, "testsrc2=s=96x64:r=25:d=4", split(c.args)...)
		first := read(t, path, decode.Options{})
		n, err := decode.Decoded(path, decode.Options{Keys: first.summary.Keys}, decode.Wanted{Index: 95, Time: first.pictures[95].time})
		if err != nil || n > c.most || n < 8 {
			t.Errorf("%s: %d frames, want at most %d: %v", c.file, n, c.most, err)
		}
	}
}

func TestFetchErrors(t *testing.T) {
	path := clip(t, "a.mp4", "testsrc2=s=64x48:r=25:d=1", "-c:v", "libx264")
	keep := func(*picture.Picture) error { return nil }
	keys := read(t, path, decode.Options{}).summary.Keys
	fetch := func(ctx context.Context, seek bool, fn func(*picture.Picture) error, wanted ...decode.Wanted) error {
		o := decode.Options{}
		if seek {
			o.Keys = keys
		}
		return decode.Fetch(ctx, path, o, wanted, fn)
	}
	ms := time.Millisecond
	for _, seek := range []bool{false, true} {
		if err := fetch(context.Background(), seek, keep); err != nil {
			t.Errorf("nothing wanted: %v", err)
		}
		if err := fetch(context.Background(), seek, keep, decode.Wanted{Index: 99, Time: 3960 * ms}); err == nil || !strings.Contains(err.Error(), "picture 99") {
			t.Errorf("a picture past the end: %v", err)
		}
		if err := fetch(context.Background(), seek, keep, decode.Wanted{Index: 3, Time: 120 * ms}, decode.Wanted{Index: 2, Time: 80 * ms}); err == nil {
			t.Error("descending pictures are taken")
		}
		stop := fmt.Errorf("enough")
		if err := fetch(context.Background(), seek, func(*picture.Picture) error { return stop }, decode.Wanted{Index: 3, Time: 120 * ms}); err != stop {
			t.Errorf("the caller's error comes back as %v", err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		if err := fetch(ctx, seek, keep, decode.Wanted{Index: 20, Time: 800 * ms}); err != context.Canceled {
			t.Errorf("cancelled: %v", err)
		}
	}
	// A time that names no picture leaves counting.
	n := 0
	err := fetch(context.Background(), true, func(p *picture.Picture) error { n = p.Index; return nil }, decode.Wanted{Index: 5, Time: 201 * ms})
	if err != nil || n != 5 {
		t.Errorf("a wrong time: picture %d, %v", n, err)
	}
}

// Native memory has one owner and goes back: what is resident must not grow
// with the number of takes.
func TestNoLeak(t *testing.T) {
	path := clip(t, "a.mkv", "testsrc2=s=640x480:r=25:d=0.2", "-c:v", "rawvideo", "-pix_fmt", "yuv420p")
	rotated := filepath.Join(t.TempDir(), "r.mp4")
	ffmpeg(t, "-i", path, "-c:v", "libx264", "-metadata:s:v", "rotate=90", rotated)
	rgb := clip(t, "b.avi", "testsrc2=s=640x480:r=25:d=0.2", "-c:v", "rawvideo", "-pix_fmt", "bgr24")
	round := func() {
		for _, p := range []string{path, rotated, rgb} {
			for _, pictures := range []int{0, 3, 100} { // frames still inside, or none
				take, err := decode.Open(p, decode.Options{Fields: decode.FieldsSplit, Threads: 2})
				if err != nil {
					t.Fatal(err)
				}
				for range pictures {
					picture, err := take.Next(context.Background())
					if err != nil {
						break
					}
					picture.Release()
				}
				take.Close()
			}
		}
		if _, err := decode.Open(filepath.Dir(path), decode.Options{}); err == nil {
			t.Fatal("a folder opens")
		}
	}
	for range 10 {
		round()
	}
	before := resident(t)
	const rounds = 30
	for range rounds {
		round()
	}
	// One frame of 0.4 MB lost by each of 9 takes a round would be 108 MB.
	if grown := resident(t) - before; grown > 30<<20 {
		t.Errorf("%d MB more are resident after %d takes", grown>>20, 9*rounds)
	}
}

// resident returns the resident memory of this process in bytes.
func resident(t *testing.T) int64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		t.Skip(err)
	}
	var size, pages int64
	if _, err := fmt.Sscan(string(b), &size, &pages); err != nil {
		t.Fatal(err)
	}
	return pages * int64(os.Getpagesize())
}
