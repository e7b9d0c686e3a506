package refresh

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// stamps returns times from steps in seconds, rounded to ticks a second.
func stamps(ticks float64, steps ...[2]float64) []time.Duration {
	at := 0.0
	out := []time.Duration{0}
	for _, s := range steps {
		for range int(s[0]) {
			at += s[1]
			out = append(out, time.Duration(math.Round(at*ticks)/ticks*float64(time.Second)))
		}
	}
	return out
}

func TestRealTimes(t *testing.T) {
	tags := map[string]string{"com.android.capture.fps": "240.000000", "minor_version": "0"}
	intent := map[string]string{"com.apple.quicktime.full-frame-rate-playback-intent": "0"}
	tests := []struct {
		name    string
		shown   []time.Duration
		tags    map[string]string
		given   float64
		source  TimingSource
		rate    float64
		seconds float64 // real, of all
		slowed  []Stretch
	}{
		{"real stamps", stamps(90000, [2]float64{240, 1. / 240}), nil, 0, Spacing, 240, 1, nil},
		{"real stamps that say so", stamps(90000, [2]float64{240, 1. / 240}), tags, 0, Metadata, 240, 1, nil},
		{"real stamps that ask for slow play", stamps(90000, [2]float64{240, 1. / 240}), intent, 0, Spacing, 240, 1, nil},
		{"stretched", stamps(90000, [2]float64{240, 1. / 30}), tags, 0, Metadata, 240, 1, []Stretch{{0, 241}}},
		{"stretched to 24", stamps(90000, [2]float64{240, 1. / 24}), tags, 0, Metadata, 240, 1, []Stretch{{0, 241}}},
		{"stretched, without a word", stamps(90000, [2]float64{240, 1. / 30}), nil, 0, Spacing, 30, 8, nil},
		{"stretched, given", stamps(90000, [2]float64{240, 1. / 30}), nil, 239.76, Given, 239.76, 240 / 239.76, []Stretch{{0, 241}}},
		{"given against the file", stamps(90000, [2]float64{240, 1. / 30}), tags, 120, Given, 120, 2, []Stretch{{0, 241}}},
		{"middle slowed", stamps(90000, [2]float64{240, 1. / 240}, [2]float64{480, 1. / 30}, [2]float64{240, 1. / 240}), nil, 0, Spacing, 240, 4, []Stretch{{240, 721}}},
		{"middle slowed, said", stamps(90000, [2]float64{240, 1. / 240}, [2]float64{480, 1. / 30}, [2]float64{240, 1. / 240}), tags, 0, Metadata, 240, 4, []Stretch{{240, 721}}},
		{"lost frames", stamps(90000, [2]float64{100, 1. / 240}, [2]float64{1, 4. / 240}, [2]float64{100, 1. / 240}), nil, 0, Spacing, 240, 204. / 240, nil},
		{"a gap in slow time", stamps(90000, [2]float64{1, 8. / 30}, [2]float64{60, 1. / 30}), tags, 0, Metadata, 240, 68. / 240, []Stretch{{0, 62}}},
		{"coarse ticks", stamps(600, [2]float64{240, 1. / 240}), nil, 0, Spacing, 240, 1, nil},
		{"damaged metadata", stamps(90000, [2]float64{60, 1. / 60}), map[string]string{"com.android.capture.fps": "NaN"}, 0, Spacing, 60, 1, nil},
		{"metadata slower than the stamps", stamps(90000, [2]float64{240, 1. / 240}), map[string]string{"com.android.capture.fps": "30"}, 0, Spacing, 240, 1, nil},
	}
	for _, c := range tests {
		got := RealTimes(c.shown, c.tags, c.given)
		last := got.Real[len(got.Real)-1]
		if got.Source != c.source || math.Abs(got.Rate/c.rate-1) > 2e-3 || math.Abs(last/c.seconds-1) > 2e-3 {
			t.Errorf("%s: %v at %g a second, %g s; want %v, %g, %g (%s)", c.name, got.Source, got.Rate, last, c.source, c.rate, c.seconds, got.Reason)
		}
		if len(got.Slowed) != len(c.slowed) || len(c.slowed) == 1 && got.Slowed[0] != c.slowed[0] {
			t.Errorf("%s: slowed %v, want %v", c.name, got.Slowed, c.slowed)
		}
		if got.Reason == "" {
			t.Errorf("%s: no reason", c.name)
		}
	}
	// 240 a second in ticks of 600 come in steps of 2 and 3; straightened,
	// every frame is where it was captured.
	for i, v := range RealTimes(stamps(600, [2]float64{240, 1. / 240}), nil, 0).Real {
		if math.Abs(v-float64(i)/240) > 1e-4 {
			t.Fatalf("frame %d at %g s, want %g", i, v, float64(i)/240)
		}
	}
	// Times that vary by themselves stay.
	uneven := []time.Duration{0}
	for i := range 100 {
		uneven = append(uneven, uneven[i]+time.Duration(4_000_000+300_000*(i%3)+7*i))
	}
	for i, v := range RealTimes(uneven, nil, 0).Real {
		if math.Abs(v-uneven[i].Seconds()) > 1e-9 {
			t.Fatalf("uneven frame %d moved from %v to %g", i, uneven[i], v)
		}
	}
}

// The tags and times of real phones' files, read by FFmpeg.
func TestRealTimesOfFootage(t *testing.T) {
	folder := os.Getenv("SETWITNESS_FOOTAGE")
	if folder == "" {
		folder = "../../../shared/footage"
	}
	for _, name := range []string{"sample_android_slow_motion.mp4", "sample_sef_slow_motion.mp4"} {
		path := filepath.Join(folder, "clips", name)
		if _, err := os.Stat(path); err != nil {
			t.Skipf("no footage: %v", err)
		}
		out, err := exec.Command("ffprobe", "-v", "error", "-select_streams", "v", "-of", "json",
			"-show_entries", "format_tags:packet=pts_time", path).Output()
		if err != nil {
			t.Skipf("ffprobe: %v", err)
		}
		var p struct {
			Packets []struct {
				Time float64 `json:"pts_time,string"`
			}
			Format struct{ Tags map[string]string }
		}
		if err := json.NewDecoder(bytes.NewReader(out)).Decode(&p); err != nil {
			t.Fatal(err)
		}
		var shown []time.Duration
		for _, q := range p.Packets {
			shown = append(shown, time.Duration(q.Time*float64(time.Second)))
		}
		sortTimes(shown)
		got := RealTimes(shown, p.Format.Tags, 0)
		// Both files state 240 and are written at 30.
		if got.Source != Metadata || got.Rate != 240 || math.Abs(got.Speed-8) > 0.05 {
			t.Errorf("%s: %v, %g a second, %g times slower: %s", name, got.Source, got.Rate, got.Speed, got.Reason)
		}
	}
}

func sortTimes(v []time.Duration) {
	for i := range v {
		for j := i; j > 0 && v[j] < v[j-1]; j-- {
			v[j], v[j-1] = v[j-1], v[j]
		}
	}
}

func TestGuessCapture(t *testing.T) {
	tests := []struct {
		played, seen, want float64
		sure               bool
	}{
		{30, 50. / 8, 240, false},        // or 25 at 120
		{30, 59.94 / 8, 240, false},      // or 29.97 at 120
		{30, 24. / 4 * 1.25, 240, false}, // 7.5: 60 at 240, 30 at 120
		{30, 120. / 32, 240, false},      // 30 at 240, 120 at 960
		{30, 50, 0, false},               // life
		{30, 11, 0, false},               // nothing fits
		{0, 10, 0, false},                // no rate
	}
	for _, c := range tests {
		got, sure := GuessCapture(c.played, c.seen)
		if got != c.want || sure != c.sure {
			t.Errorf("GuessCapture(%g, %g) = %g, %v; want %g, %v", c.played, c.seen, got, sure, c.want, c.sure)
		}
	}
}

func FuzzRealTimes(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, "240", 0.0)
	f.Add([]byte{0, 0, 0}, "x", -1.0)
	f.Add([]byte{255, 1, 255, 1}, "1e300", math.Inf(1))
	f.Fuzz(func(t *testing.T, steps []byte, rate string, given float64) {
		shown := []time.Duration{0}
		for i, s := range steps {
			shown = append(shown, shown[i]+time.Duration(s)*time.Millisecond)
		}
		got := RealTimes(shown, map[string]string{keyCaptureRate: rate}, given)
		if len(got.Real) != len(shown) || got.Reason == "" {
			t.Fatalf("%d times of %d, reason %q", len(got.Real), len(shown), got.Reason)
		}
		for i := 1; i < len(got.Real); i++ {
			if !(got.Real[i] >= got.Real[i-1]) {
				t.Fatalf("frame %d at %g s, before frame %d at %g s", i, got.Real[i], i-1, got.Real[i-1])
			}
		}
	})
}

// A film that is written at 30 a second and does not say that it was taken at
// 240 tells so by the set's roll and rate; one that was taken at 30 shows no
// rhythm of a set at any rate.
func TestFindSlowed(t *testing.T) {
	for _, c := range []struct {
		name    string
		camera  camera
		stretch float64 // of the frames' times
		want    float64
	}{
		{"50 at 240", camera{hz: 50, fps: 240}, 8, 240},
		{"59.94 at 240", camera{hz: 60000. / 1001, fps: 240}, 8, 240},
		{"50 at 120", camera{hz: 50, fps: 120}, 4, 240}, // cannot be told from 100 at 240
		{"60 at 30", camera{hz: 60, fps: 30}, 1, 0},
		{"50 at 30", camera{hz: 50, fps: 30}, 1, 0},
		{"24 at 30", camera{hz: 24, fps: 30}, 1, 0},
		{"25 at 30", camera{hz: 25, fps: 30}, 1, 0},
	} {
		c.camera.seconds = (FewestSlowed + 0.5) / c.camera.fps
		c.camera.exposure, c.camera.slope, c.camera.phase, c.camera.noise, c.camera.show = 0.7, 0.011, 0.003, 0.3, pan(0.004)
		frames, _ := c.camera.film()
		for i := range frames {
			frames[i].Time *= c.stretch
		}
		if rate, _ := FindSlowed(grid240, frames, 30); rate != c.want {
			t.Errorf("%s: taken at %g a second, want %g", c.name, rate, c.want)
		}
	}
}

// Rates that stand alone are told apart from all others of the trade by the first few
// pictures; with the divisors by 1.001 it takes more.
func TestAlone(t *testing.T) {
	for nominal, want := range map[float64]bool{
		0: false, 24: false, 24 / 1.001: false, 25: true, 30: false, 48: true, 50: true, 60 / 1.001: false, 60: false, 100: true, 120: false, 144: true,
	} {
		e := Estimate{Found: true, Nominal: nominal}
		if e.Alone() != want {
			t.Errorf("%.3f stands alone: %v", nominal, !want)
		}
	}
}

// A camera writes its maker, its model or its system, and a coder only what it is.
func TestByCamera(t *testing.T) {
	for key, want := range map[string]bool{
		"com.android.version": true, "com.android.capture.fps": true, "com.apple.quicktime.model": true,
		"com.apple.quicktime.full-frame-rate-playback-intent": true, "Make": true,
		"encoder": false, "major_brand": false, "com.apple.quicktime.software": false, "maker": false,
	} {
		if got := ByCamera(map[string]string{"creation_time": "2026-01-01", key: "1"}); got != want {
			t.Errorf("%s: %v", key, got)
		}
	}
}
