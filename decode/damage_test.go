package decode_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
)

const motion = "testsrc2=s=320x240:r=25:d=4"

// rewrite stores a changed copy of a file.
func rewrite(t *testing.T, path string, change func(b []byte) []byte) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), filepath.Base(path))
	if err := os.WriteFile(out, change(b), 0o666); err != nil {
		t.Fatal(err)
	}
	return out
}

func says(warnings []string, text string) bool {
	return strings.Contains(strings.Join(warnings, "\n"), text)
}

// A recording that was cut off gives all that is in it, and a warning.
func TestCutShort(t *testing.T) {
	for _, c := range []struct{ file, args string }{
		{"a.mp4", "-c:v libx264 -g 25 -movflags +faststart"},
		{"a.mov", "-c:v prores_ks -movflags +faststart"},
		{"a.mkv", "-c:v libx264 -g 25"},
		{"a.avi", "-c:v mjpeg"},
		{"a.y4m", "-pix_fmt yuv420p"},
		{"a.mxf", "-c:v mpeg2video -g 12 -q:v 3"},
	} {
		t.Run(c.file, func(t *testing.T) {
			t.Parallel()
			whole := clip(t, c.file, motion, split(c.args)...)
			cut := rewrite(t, whole, func(b []byte) []byte { return b[:len(b)*6/10+1] })
			want := read(t, whole, decode.Options{})
			got := read(t, cut, decode.Options{})
			if !got.summary.CutShort || !says(got.summary.Warnings, "cut short") {
				t.Errorf("no word of the cut: %+v", got.summary)
			}
			if n := len(got.pictures); n < 40 || n > 75 {
				t.Errorf("%d of %d pictures from six tenths of the file", n, len(want.pictures))
			}
			for i, p := range got.pictures {
				if w := want.pictures[i]; p.time != w.time || !bytes.Equal(p.samples, w.samples) {
					t.Errorf("picture %d at %v is not that of the whole file", i, p.time)
					break
				}
			}
		})
	}
}

// What was lost in the middle is counted and timed; the take goes on, and
// every picture that is not as it was is flagged, also those that are shown
// before what they build on.
func TestGarbageInTheMiddle(t *testing.T) {
	for _, c := range []struct{ file, args string }{
		{"a.ts", "-c:v libx264 -g 25 -bf 2 -threads 1"},
		{"a.mpg", "-c:v mpeg2video -g 12 -q:v 3"},
		{"a.mkv", "-c:v libx264 -g 25 -threads 1 -bitexact"},
		{"a.mp4", "-c:v libx265 -x265-params log-level=none:keyint=25"},
	} {
		t.Run(c.file, func(t *testing.T) {
			t.Parallel()
			whole := clip(t, c.file, motion, split(c.args)...)
			want := map[time.Duration][]byte{}
			for _, p := range read(t, whole, decode.Options{}).pictures {
				want[p.time.Round(time.Millisecond)] = p.samples
			}
			for _, garbage := range []struct{ percent, bytes, threads int }{
				{30, 50, 1}, {40, 60, 3}, {50, 2000, 1}, {50, 2000, 3}, {60, 2000, 2},
			} {
				bad := rewrite(t, whole, func(b []byte) []byte {
					for i := range garbage.bytes {
						b[len(b)*garbage.percent/100+i] = byte(i * i >> 3)
					}
					return b
				})
				got := read(t, bad, decode.Options{Threads: garbage.threads})
				s := got.summary
				if s.Damaged == 0 || len(s.Places) == 0 || !says(s.Warnings, "did not decode") {
					t.Errorf("%v: no word of the damage: %+v", garbage, s)
					continue
				}
				// The bytes lie about where the time lies.
				middle := time.Duration(garbage.percent) * 40 * time.Millisecond
				if off := s.Places[0].Time - middle; off.Abs() > time.Second {
					t.Errorf("%v: damage at %v, not about %v", garbage, s.Places[0].Time, middle)
				}
				if n := len(got.pictures); n < 60 || n >= 100 {
					t.Errorf("%v: %d of 100 pictures", garbage, n)
				}
				flagged := 0
				for _, p := range got.pictures {
					if p.damaged {
						flagged++
					} else if !bytes.Equal(p.samples, want[p.time.Round(time.Millisecond)]) {
						t.Errorf("%v: the picture at %v is not what it was and not flagged; damage %v", garbage, p.time, s.Places)
						break
					}
				}
				// From the damage to the next key frame but one.
				if last := got.pictures[len(got.pictures)-1]; last.damaged || flagged > 50 {
					t.Errorf("%v: %d pictures are flagged as damaged; the last: %v", garbage, flagged, last.damaged)
				}
			}
		})
	}
}

// Two recordings in one file: the clock starts anew and the picture size
// changes. The times go on and the second comes in the size of the first.
func TestJoinedRecordings(t *testing.T) {
	a := clip(t, "a.ts", "testsrc2=s=320x240:r=25:d=2", "-c:v", "libx264")
	b := clip(t, "b.ts", "testsrc2=s=192x144:r=25:d=2", "-c:v", "libx264")
	second, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	both := rewrite(t, a, func(first []byte) []byte { return append(first, second...) })
	r := read(t, both, decode.Options{})
	if n := len(r.pictures); n < 98 || n > 100 {
		t.Errorf("%d pictures of 100", n)
	}
	if end := r.summary.Duration; end < 3900*time.Millisecond || end > 4100*time.Millisecond {
		t.Errorf("4 s of pictures end at %v", end)
	}
	if !says(r.summary.Warnings, "format changes") || !says(r.summary.Warnings, "clock anew") || len(r.summary.Keys) > 0 {
		t.Errorf("warnings %q", r.summary.Warnings)
	}
}

// A take is read as its first frames are flagged; that later ones are flagged
// otherwise is said.
func TestFlagsChange(t *testing.T) {
	progressive := clip(t, "p.ts", "testsrc2=s=64x48:r=25:d=1", "-c:v", "libx264")
	interlaced := clip(t, "i.ts", "testsrc2=s=64x48:r=25:d=1", "-c:v", "libx264", "-flags", "+ildct+ilme", "-top", "1")
	join := func(a, b string) string {
		second, err := os.ReadFile(b)
		if err != nil {
			t.Fatal(err)
		}
		return rewrite(t, a, func(first []byte) []byte { return append(first, second...) })
	}
	r := read(t, join(progressive, interlaced), decode.Options{})
	if r.format.Fields || !says(r.summary.Warnings, "flagged interlaced") {
		t.Errorf("progressive first: %+v, %q", r.format, r.summary.Warnings)
	}
	r = read(t, join(interlaced, progressive), decode.Options{})
	if !r.format.Fields || !says(r.summary.Warnings, "flagged progressive") || len(r.summary.Keys) > 0 {
		t.Errorf("interlaced first: %+v, %q", r.format, r.summary.Warnings)
	}
	for i, p := range r.pictures[1:] {
		if p.parity == r.pictures[i].parity {
			t.Errorf("fields %d and %d are both %s", i, i+1, p.parity)
		}
	}
}

func TestRefuses(t *testing.T) {
	dir := t.TempDir()
	file := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pipe := filepath.Join(dir, "pipe.mp4")
	if err := syscall.Mkfifo(pipe, 0o666); err != nil {
		t.Fatal(err)
	}
	text := strings.Repeat("This is a shopping list: eggs, flour, and two lemons.\n", 100)
	late := clip(t, "late.mp4", motion, "-c:v", "libx264")
	noIndex := rewrite(t, late, func(b []byte) []byte { return b[:bytes.LastIndex(b, []byte("moov"))-4] })
	sound := clip(t, "sound.mp4", "sine=d=1", "-c:a", "aac")
	cover := filepath.Join(dir, "cover.mp4")
	ffmpeg(t, "-i", sound, "-f", "lavfi", "-i", "testsrc2=s=64x64:d=0.04", "-map", "0", "-map", "1", "-c:a", "copy",
		"-c:v", "png", "-frames:v", "1", "-disposition:v:0", "attached_pic", cover)
	good := clip(t, "good.ts", motion, "-c:v", "libx264")
	avi := rewrite(t, clip(t, "huge.avi", "testsrc2=s=64x48:d=0.2", "-c:v", "rawvideo", "-pix_fmt", "yuv420p"), func(b []byte) []byte {
		b = bytes.ReplaceAll(b, []byte{64, 0, 0, 0, 48, 0, 0, 0}, []byte{0xA0, 0x86, 1, 0, 0xA0, 0x86, 1, 0})
		return b
	})
	for _, c := range []struct {
		name, path string
		want       error
	}{
		{"missing", filepath.Join(dir, "nosuch.mp4"), fs.ErrNotExist},
		{"folder", dir, decode.ErrFolder},
		{"pipe", pipe, decode.ErrNotFile},
		{"empty", file("empty.mp4", ""), decode.ErrEmpty},
		{"text as mp4", file("text.mp4", text), decode.ErrNotMedia},
		{"text", file("text.txt", text), decode.ErrNotMedia},
		{"playlist", file("list.m3u8", "#EXTM3U\n#EXT-X-TARGETDURATION:4\n#EXTINF:4,\n"+good+"\n#EXT-X-ENDLIST\n"), decode.ErrNotMedia},
		{"list of files", file("list.ffconcat", "ffconcat version 1.0\nfile "+filepath.Base(good)+"\n"), decode.ErrNotMedia},
		{"no index", noIndex, decode.ErrNoIndex},
		{"sound", sound, decode.ErrNoVideo},
		{"sound with a sleeve", cover, decode.ErrNoVideo},
		{"absurd y4m", file("huge.y4m", "YUV4MPEG2 W100000 H100000 F25:1 Ip A1:1 C420jpeg\nFRAME\nxxxx"), decode.ErrTooLarge},
		{"absurd avi", avi, decode.ErrTooLarge},
		{"wide y4m", file("wide.y4m", "YUV4MPEG2 W20000 H16 F25:1 Ip A1:1 C420jpeg\nFRAME\n"+strings.Repeat("x", 20000*16*3/2)), decode.ErrTooLarge},
		{"no decoder", rewrite(t, clip(t, "odd.avi", "testsrc2=s=64x48:d=0.2", "-c:v", "mjpeg"), func(b []byte) []byte {
			return bytes.ReplaceAll(b, []byte("MJPG"), []byte("QQQQ"))
		}), decode.ErrUnsupported},
		{"no pictures", file("none.y4m", "YUV4MPEG2 W64 H48 F25:1 Ip A1:1 C420jpeg\nFRAME\nxxxx"), decode.ErrNoPictures},
	} {
		take, err := decode.Open(c.path, decode.Options{})
		if err == nil {
			take.Close()
			t.Errorf("%s: opened", c.name)
			continue
		}
		if !errors.Is(err, c.want) {
			t.Errorf("%s: error %q, want %q", c.name, err, c.want)
		}
		if m := err.Error(); strings.Count(m, filepath.Base(c.path)) != 1 || strings.Contains(m, "\n") {
			t.Errorf("%s: error %q does not name the file once, in one line", c.name, m)
		}
	}
}

func TestParseFields(t *testing.T) {
	for _, f := range []decode.Fields{decode.FieldsAuto, decode.FieldsWeave, decode.FieldsSplit} {
		if got, err := decode.ParseFields(f.String()); err != nil || got != f {
			t.Errorf("%s: %v, %v", f, got, err)
		}
	}
	for _, s := range []string{"", "Auto", "bob", "auto "} {
		if _, err := decode.ParseFields(s); err == nil {
			t.Errorf("%q is taken", s)
		}
	}
}

// A take that is stopped can go on where it stood.
func TestCancel(t *testing.T) {
	path := clip(t, "a.mp4", motion, "-c:v", "libx264")
	take := open(t, path, decode.Options{})
	ctx, cancel := context.WithCancel(context.Background())
	next := func(ctx context.Context, want int) {
		t.Helper()
		p, err := take.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if p.Index != want {
			t.Errorf("picture %d, want %d", p.Index, want)
		}
		p.Release()
	}
	for i := range 20 {
		next(ctx, i)
	}
	cancel()
	for range 3 {
		if _, err := take.Next(ctx); !errors.Is(err, context.Canceled) {
			t.Fatalf("after the end of the context: %v", err)
		}
	}
	if s := take.Summary(); s.Pictures != 20 {
		t.Errorf("summary of %d pictures, 20 were read", s.Pictures)
	}
	next(context.Background(), 20)
}

// Pictures outlive their take, on any goroutine.
func TestPicturesOutliveTheTake(t *testing.T) {
	for _, args := range []string{"-c:v libx264", "-c:v rawvideo -pix_fmt nv12"} {
		path := clip(t, "a.mkv", "testsrc2=s=128x96:r=25:d=0.4", split(args)...)
		want := read(t, path, decode.Options{})
		take, err := decode.Open(path, decode.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var kept []*picture.Picture
		for range 8 {
			p, err := take.Next(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			p.Retain()
			p.Release()
			kept = append(kept, p)
		}
		take.Close()
		take.Close()
		if _, err := take.Next(context.Background()); err == nil {
			t.Error("a closed take gives pictures")
		}
		done := make(chan bool)
		go func() {
			defer close(done)
			for i, p := range kept {
				if !bytes.Equal(samplesOf(p), want.pictures[i].samples) {
					t.Errorf("picture %d changed after Close", i)
				}
				p.Release()
			}
		}()
		<-done
	}
}
