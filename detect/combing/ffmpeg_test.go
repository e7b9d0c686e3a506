package combing

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/footage"
)

const (
	realW, realH = 640, 360 // to which real clips are scaled
	realPictures = 36       // of the source
)

// idetLine is what FFmpeg's idet filter says of one picture, as its metadata
// filter prints it.
var idetLine = regexp.MustCompile(`lavfi\.idet\.single\.current_frame=(\w+)`)

// treated sends the first pictures of a clip through a graph of FFmpeg's
// filters, and returns what comes out with idet's verdict on each picture:
// progressive, tff, bff or undetermined.
func treated(t *testing.T, clip, graph string) (faults.Sequence, []string) {
	t.Helper()
	program, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Fatalf("ffmpeg is missing: scripts/test installs it (%v)", err)
	}
	said := filepath.Join(t.TempDir(), "idet")
	full := fmt.Sprintf("trim=end_frame=%d,scale=%d:%d:flags=area,format=gray,setfield=prog,%s,idet,metadata=print:file=%s",
		realPictures, realW, realH, graph, said)
	var out, messages bytes.Buffer
	c := exec.Command(program, "-nostdin", "-v", "error", "-i", clip, "-an", "-vf", full, "-vsync", "0", "-pix_fmt", "gray", "-f", "rawvideo", "-")
	c.Stdout, c.Stderr = &out, &messages
	if err := c.Run(); err != nil {
		t.Fatalf("ffmpeg: %v\n%s", err, messages.String())
	}
	s := grey(out.Bytes())
	text, err := os.ReadFile(said)
	if err != nil {
		t.Fatal(err)
	}
	var verdicts []string
	for _, m := range idetLine.FindAllStringSubmatch(string(text), -1) {
		verdicts = append(verdicts, m[1])
	}
	return s, verdicts
}

// Noise that codecs have made their own is no comb, though its blocks are
// alike by chance now and then: FFmpeg's test patterns with its noise filter,
// through two of its encoders.
func TestCodedNoise(t *testing.T) {
	program, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Fatalf("ffmpeg is missing: scripts/test installs it (%v)", err)
	}
	for _, c := range []struct{ pattern, noise, encoder, quality string }{
		{"testsrc2", "10", "mjpeg", "9"},
		{"testsrc2", "6", "mpeg2video", "3"},
	} {
		coded := filepath.Join(t.TempDir(), "coded.avi")
		for _, arguments := range [][]string{
			{"-f", "lavfi", "-i", fmt.Sprintf("%s=%dx%d:25:d=8", c.pattern, realW, realH),
				"-vf", "noise=allf=t:alls=" + c.noise + ",format=yuvj420p", "-c:v", c.encoder, "-q:v", c.quality, "-strict", "-1", "-threads", "1", coded},
			{"-i", coded, "-vf", "format=gray", "-f", "rawvideo", coded + ".raw"},
		} {
			if said, err := exec.Command(program, append([]string{"-nostdin", "-v", "error"}, arguments...)...).CombinedOutput(); err != nil {
				t.Fatalf("ffmpeg %v: %v\n%s", arguments, err, said)
			}
		}
		raw, err := os.ReadFile(coded + ".raw")
		if err != nil {
			t.Fatal(err)
		}
		s := grey(raw)
		for _, e := range examine(t, s).Events {
			t.Errorf("%+v: pictures %d to %d of %d at %v, confidence %.2f", c, e.Start, e.End, s.Len, e.Region, e.Confidence)
		}
	}
}

// grey is the sequence of raw 8-bit pictures.
func grey(raw []byte) faults.Sequence {
	s := faults.Sequence{Len: len(raw) / (realW * realH), Format: picture.Format{W: realW, H: realH, Depth: 8, RateNum: 50, RateDen: 1}}
	s.At = func(i int) *picture.Picture {
		pix := raw[i*realW*realH:][:realW*realH]
		return &picture.Picture{Index: i, Frame: i, Y: picture.Plane{Pix: pix, Stride: realW, W: realW, H: realH, Depth: 8}}
	}
	return s
}

// clips are real progressive footage with motion all the time: two that
// Debian's opencv-doc brings, and one of the footage that lies beside the
// repository.
func clips(t *testing.T) []string {
	const doc = "/usr/share/doc/opencv-doc/examples/data/"
	all := []string{doc + "Megamind.avi", doc + "vtest.avi"}
	t.Run("footage", func(t *testing.T) { all = append(all, footage.Path(t, "clips/sowt-with-video.mov")) })
	return all
}

// Verdicts on whole pictures agree with those of FFmpeg's idet filter: what
// its filters weave from real progressive pictures idet and the stage both
// take for woven, each picture of a woven take and two of five of 2:3 pulldown
// (SMPTE RP 197 describes it; the filter's pattern=23); on the progressive
// originals both are silent. idet takes what interpolating de-interlacers make
// for woven now and then, because the lines flicker; the stage never does.
func TestIdetAgrees(t *testing.T) {
	const parity = "tinterlace=interleave_top,"
	for _, clip := range clips(t) {
		for _, c := range []struct {
			graph string
			woven float64 // share of the pictures
		}{
			{"null", 0},
			{"tinterlace=interleave_top,setfield=prog", 1},
			{"interlace=scan=bff:lowpass=0,setfield=prog", 1},
			{"telecine=pattern=23,setfield=prog", 2.0 / 5},
			{parity + "bwdif=mode=send_field:parity=tff", 0},
			{parity + "yadif=mode=send_field:parity=tff", 0},
			{parity + "w3fdif=mode=field:parity=tff", 0},
			{parity + "estdif=mode=field:parity=tff", 0},
		} {
			s, verdicts := treated(t, clip, c.graph)
			if len(verdicts) != s.Len {
				t.Fatalf("%s, %s: %d pictures, idet spoke of %d", filepath.Base(clip), c.graph, s.Len, len(verdicts))
			}
			idet := 0
			for _, v := range verdicts {
				if v == "tff" || v == "bff" {
					idet++
				}
			}
			marked, spanned := 0, 0
			for _, e := range examine(t, s).Events {
				marked += e.Pictures
				spanned += e.End - e.Start + 1
			}
			share := func(n int) float64 { return float64(n) / float64(s.Len) }
			t.Logf("%-13s %-50s idet %3.0f %%, marked %3.0f %%, spanned %3.0f %%", filepath.Base(clip), c.graph, 100*share(idet), 100*share(marked), 100*share(spanned))
			if c.woven == 0 && marked > 0 {
				t.Errorf("%s, %s: %d pictures marked, idet took %d of %d for woven", filepath.Base(clip), c.graph, marked, idet, s.Len)
			}
			// A take that is woven throughout is one finding from end to end;
			// that some pictures in it get no mark of their own, where little
			// moves, is what the joining is for.
			const slack = 0.1 // the pictures at either end
			if c.woven > 0 && share(spanned) < share(idet)-slack || share(marked) < c.woven/2 || share(marked) > c.woven+slack {
				t.Errorf("%s, %s: of %d pictures %d marked and %d spanned, %.0f %% are woven; idet took %d for woven",
					filepath.Base(clip), c.graph, s.Len, marked, spanned, 100*c.woven, idet)
			}
		}
	}
}
