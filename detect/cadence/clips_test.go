package cadence_test

import (
	"testing"

	"setwitness/decode"
	"setwitness/testdata/footage"
)

// Real clips, each looked at picture by picture around what is said of it.
func TestRealClips(t *testing.T) {
	for _, c := range []struct {
		name     string
		path     func(t *testing.T) string
		pictures int   // that are read
		breaks   []int // pictures at which a break peaks
	}{
		// A film in which every picture is new.
		{"film", debian("Megamind.avi"), 80, nil},
		// The same film with picture 70 once more in the place of 71, of which
		// it differs by 0.1 codes on average where its neighbours differ by
		// four. A mirrored picture (75) and a shifted one (80) break no order.
		{"film, damaged", debian("Megamind_bugy.avi"), 100, []int{71}},
		// People on a walk-way, ten pictures a second.
		{"walk-way", debian("vtest.avi"), 80, nil},
		// A plain wall before a ball is thrown: around picture 123 nothing
		// moves but the exposure, and no two pictures are equal.
		{"ball", clip("ball/ball3.mp4"), 135, nil},
		// A telephone's zoom: from 49 to 80 the picture rests, zooms, and
		// rests again while its sharpness steps (74, 77, 81); none is a
		// repeat, none is missing.
		{"zoom", clip("clips/sample_with_increasing_timestamps_360p.mp4"), 100, nil},
		{"pan over lights", clip("clips/sowt-with-video.mov"), 60, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := read(t, c.path(t), decode.FieldsAuto, c.pictures)
			var got []int
			for _, e := range r.Events {
				got = append(got, e.Peak)
			}
			if len(got) != len(c.breaks) || len(got) > 0 && got[0] != c.breaks[0] {
				t.Errorf("breaks at %v, want %v", got, c.breaks)
			}
			if r.in("1:1") < 0.7 {
				t.Errorf("read as %v, want 1:1", r.Cadence)
			}
		})
	}
}

func debian(name string) func(*testing.T) string {
	return func(t *testing.T) string {
		path := "/usr/share/doc/opencv-doc/examples/data/" + name
		present(t, path)
		return path
	}
}

func clip(name string) func(*testing.T) string {
	return func(t *testing.T) string { return footage.Path(t, name) }
}

// A camera's 30 pictures a second that were thinned to 24 by leaving out every
// fifth: the file says 24 without a gap, and where a ball flies every fourth
// step is twice as long (67, 71, 75 ...). The order itself is 1:1.
func TestThinnedClip(t *testing.T) {
	r := read(t, footage.Path(t, "ball/ball2.mp4"), decode.FieldsAuto, 110)
	if len(r.Events) == 0 || r.in("1:1") < 0.8 {
		t.Fatalf("%d breaks, %v", len(r.Events), r.Cadence)
	}
	for _, e := range r.Events {
		if before, at, after := e.Measures["displacement_before_px"], e.Measures["displacement_px"], e.Measures["displacement_after_px"]; e.Measures["pictures_lost"] != 1 || at < 1.2*max(before, after) {
			t.Errorf("break at picture %d: %v", e.Peak, e.Measures)
		}
	}
}

// The test pattern of film on video, of which one file holds the repeated
// fields and the other the flags that ask for them: both show 24000/1001 film
// frames a second.
func TestTelecinedPattern(t *testing.T) {
	for name, want := range map[string]string{
		"pattern/bt601-525_480_telecined_hard.ts":  "3:2",
		"pattern/bt601-525_480_telecined_soft.ts":  "1:1",
		"pattern/bt601-525_480_progressive.ts":     "1:1",
		"pattern/bt601-525_480_interlaced_tff.mkv": "1:1",
	} {
		t.Run(name, func(t *testing.T) {
			r := read(t, footage.Path(t, name), decode.FieldsAuto, 120)
			if r.in(want) < 0.95 || len(r.Events) != 0 {
				t.Errorf("%v, breaks %v; want %s", r.Cadence, r.Events, want)
			}
			rate := 24000.0 / 1001
			if name == "pattern/bt601-525_480_interlaced_tff.mkv" {
				rate = 60000.0 / 1001
			}
			if got := r.Cadence[0].NewPerS; got < 0.98*rate || got > 1.02*rate {
				t.Errorf("%.2f new a second, want %.2f", got, rate)
			}
		})
	}
}

// A film that comes to rest and goes on has no break, however it is shown:
// what flickers at rest is neither motion halved nor pictures lost. Its fine
// ribs differ from field to field where they hardly move; then the order is
// not known, and no wrong one is stated.
func TestRestIsNoBreak(t *testing.T) {
	source := footage.Path(t, "clips/sample_with_increasing_timestamps_360p.mp4")
	for _, c := range []struct {
		rate, filters string
		fields        decode.Fields
		truth         string
	}{
		{"24", "fps=60", decode.FieldsWeave, "3:2"},
		{"24", "telecine=pattern=23", decode.FieldsWeave, "3:2"},
		{"24", "telecine=pattern=23", decode.FieldsSplit, "3:2"},
		{"25", "telecine=pattern=22", decode.FieldsSplit, "2:2"},
	} {
		r := read(t, film(t, source, c.rate, 4, c.filters+",setfield=tff"), c.fields, all)
		for _, e := range r.Events {
			t.Errorf("%s, %v: break in pictures %d to %d, confidence %.2f; %v", c.filters, c.fields, e.Start, e.End, e.Confidence, r.Cadence)
		}
		wrong := 0
		for _, run := range r.Cadence {
			if run.Pattern != c.truth && run.Pattern != "irregular" && run.Pattern != "static" {
				wrong += run.End - run.Start
			}
		}
		if r.in(c.truth) < 0.3 || wrong*20 > r.Pictures {
			t.Errorf("%s, %v: %d pictures in a wrong pattern: %v; want %s", c.filters, c.fields, wrong, r.Cadence, c.truth)
		}
	}
}
