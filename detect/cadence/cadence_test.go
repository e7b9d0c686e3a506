package cadence

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"testing"

	"setwitness/decode"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// Film that FFmpeg's fps and telecine filters turn into pictures or fields of
// another rate must be read as the pattern that the filter makes (FFmpeg's
// documentation of telecine; progressive holds by common practice, no
// source), with no break in it.
func TestPatternsOfFFmpeg(t *testing.T) {
	source := "testsrc2=size=640x360:rate=%s:duration=4"
	for _, c := range []struct{ rate, filter, want string }{
		{"30", "fps=60", "2:2"},
		{"24", "fps=60", "3:2"},
		{"25", "fps=50", "2:2"},
	} {
		out := filepath.Join(t.TempDir(), "film.mkv")
		cmd := exec.Command("ffmpeg", "-v", "error", "-f", "lavfi", "-i", fmt.Sprintf(source, c.rate),
			"-vf", c.filter+",format=yuv420p", "-c:v", "ffv1", out)
		if msg, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("ffmpeg: %v: %s", err, msg)
		}
		take, err := decode.Open(out, decode.Options{})
		if err != nil {
			t.Fatal(err)
		}
		res, err := detect.Run(context.Background(), take, []*detect.Stage{cells.Stage, motion.Stage, Stage}, nil, nil)
		take.Close()
		if err != nil {
			t.Fatal(err)
		}
		in := 0
		for _, r := range res.Cadence {
			if r.Pattern == c.want {
				in += r.End - r.Start
			}
		}
		if in*10 < res.Pictures*8 {
			t.Errorf("%s by %s: %v, want %s", c.rate, c.filter, res.Cadence, c.want)
		}
		for _, e := range res.Events {
			t.Errorf("%s by %s: break in pictures %d to %d, confidence %.2f", c.rate, c.filter, e.Start, e.End, e.Confidence)
		}
	}
}
