package codec

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/testdata/filming"
	"setwitness/testdata/scene"
)

// A file comes back with the frames upright, the stamps of the capture and
// about the size that was asked for.
func TestRoundTrip(t *testing.T) {
	for _, c := range []struct {
		situation string
		rotation  int
		bits      float64
	}{{filming.Stand, 0, 0}, {filming.Portrait, 90, 0}, {filming.Portrait, 270, 0}, {filming.Hand, 180, 0.4}, {filming.Slowed, 0, 0}, {filming.PartSlowed, 0, 0}} {
		s, _ := filming.Named(c.situation, 50, 3)
		s.Camera.W, s.Camera.H = s.Camera.W/4, s.Camera.H/4
		s.Camera.Rotation = c.rotation
		s.Camera.Readout = filming.Down
		s.Camera.FullWellE = 1e5
		src := filming.OfScene(scene.Pan(scene.Raster{W: 320, H: 180, RateNum: 50, RateDen: 1, Shutter: 0.5, Colour: true, Seed: 3},
			scene.Back{Surface: scene.Street}, scene.Move{X: 2}), 20)
		capture, err := s.Film(src, 0.3, 3)
		if err != nil {
			t.Fatal(err)
		}
		path, err := Write(capture, t.TempDir(), "a", Options{BitsPerPixel: c.bits, CaptureRate: c.situation == filming.Slowed})
		if err != nil {
			t.Fatal(err)
		}
		source, err := decode.Open(path, decode.Options{Threads: 1})
		if err != nil {
			t.Fatal(err)
		}
		if f := source.Format(); f.W != capture.Format.W || f.H != capture.Format.H || f.Colour.FullRange != capture.Format.Colour.FullRange {
			t.Errorf("%+v: format %+v, want %+v", c, f, capture.Format)
		}
		n := 0
		for ; ; n++ {
			p, err := source.Next(context.Background())
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			q := capture.Picture(n)
			diff := 0.0
			for y := range q.Y.H {
				for x := range q.Y.W {
					diff += math.Abs(float64(p.Y.At(x, y) - q.Y.At(x, y)))
				}
			}
			if diff /= float64(q.Y.W * q.Y.H); diff > 4 {
				t.Errorf("%+v: frame %d differs by %.2f codes on average", c, n, diff)
			}
			if d := p.Time - q.Time; d < -20*time.Microsecond || d > 20*time.Microsecond {
				t.Errorf("%+v: frame %d at %v, want %v", c, n, p.Time, q.Time)
			}
			p.Release()
		}
		source.Close()
		if n != capture.Frames {
			t.Errorf("%+v: %d frames of %d", c, n, capture.Frames)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		want := c.bits
		if want == 0 {
			want = BitsPerPixel
		}
		spent := float64(info.Size()) * 8 / float64(n*capture.Format.W*capture.Format.H)
		t.Logf("%+v: %.3f bits a pixel", c, spent)
		if spent > 2*want {
			t.Errorf("%+v: %.3f bits a pixel", c, spent)
		}
		if c.situation == filming.Slowed {
			out, err := exec.Command("ffprobe", "-v", "error", "-show_entries", "format_tags", path).Output()
			if err != nil || !strings.Contains(string(out), "com.android.capture.fps=240.000000") {
				t.Errorf("tags %s, %v", out, err)
			}
		}
	}
}
