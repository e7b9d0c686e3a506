package screen_test

import (
	"context"
	"testing"

	"setwitness/decode"
	"setwitness/decode/screen"
	"setwitness/testdata/footage"
)

// Real clips of ordinary scenes are no screens.
func TestOrdinaryScenesAreDirect(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		"ball/ball.mp4", "ball/ball2.mp4", "ball/ball3.mp4", "ball/ball4.mp4",
		"street/bottle-detection.mp4", "street/car-detection.mp4",
		"sky/dusk_phone_hevc.mp4",
		"clips/portrait_4k60.mp4", "clips/sample_with_increasing_timestamps_360p.mp4",
		"clips/bbb_1920x1080_60fps_vp8.webm", "clips/bbb_2500ms.ts", "clips/sd-hls0000000000.ts",
		"clips/sowt-with-video.mov", "clips/pixel7_videoOnly_cleaned.mp4", "clips/sample_edit_list.mp4",
		"clips/roadtrip-vp92-10bit.webm", "hdr/hdr10-video-with-sdr-container.mp4", "hdr/hlg10-color-test.mp4",
		"pattern/bt601-525_480_progressive.ts",
	} {
		t.Run(name, func(t *testing.T) {
			found := look(t, footage.Path(t, name))
			t.Logf("%s %.2f: %s", found.Kind, found.Confidence, found.Why)
			if found.Kind != screen.Direct {
				t.Errorf("taken for a %s at %.1f: %s", found.Kind, found.View.Quad, found.Why)
			}
		})
	}
}

// look probes the first second or two of a file.
func look(t *testing.T, path string) screen.Found {
	t.Helper()
	take, err := decode.Open(path, decode.Options{Fields: decode.FieldsWeave})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	f := screen.NewFinder(take.Format().W, take.Format().H)
	n, every := 36, 5
	if f := take.Format(); f.W*f.H > 1920*1080 {
		n, every = 15, 2 // they take long to decode
	}
	for i := range n {
		p, err := take.Next(context.Background())
		if err != nil {
			break
		}
		if i%every == 0 {
			f.Add(&p.Y)
		}
		p.Release()
	}
	found, err := f.Result()
	if err != nil {
		t.Fatal(err)
	}
	return found
}
