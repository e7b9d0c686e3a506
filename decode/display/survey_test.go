package display_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/testdata/scene"
)

// reel yields the pictures of a scene as a take does.
type reel struct {
	*scene.Scene
	at, n int
}

func (r *reel) Next(context.Context) (*picture.Picture, error) {
	if r.at == r.n {
		return nil, io.EOF
	}
	p := r.Picture(float64(r.at)/50, picture.Frame)
	p.Time = time.Duration(r.at) * 20 * time.Millisecond
	r.at++
	return p, nil
}

// The stamps cost a pass through the whole file: they are asked for once, and
// only where the first frames do not settle the matter.
func TestStampsWhereNeeded(t *testing.T) {
	s := scene.Pan(scene.Raster{W: 320, H: 180, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 0.8, Seed: 3},
		scene.Back{Surface: scene.Street}, scene.Move{X: 4, Seconds: 2})
	gone := errors.New("the disk was pulled out")
	for name, c := range map[string]struct {
		frames, asked int
		from          display.From
		err           error
	}{
		"direct at a glance":      {100, 0, display.Auto, nil},
		"the user says direct":    {100, 0, display.Direct, nil},
		"the user says screen":    {20, 1, display.Screen, nil},
		"a screen of few frames":  {3, 1, display.Screen, nil},
		"stamps cannot be read":   {20, 1, display.Screen, gone},
		"nor those of few frames": {3, 1, display.Screen, gone},
	} {
		asked := 0
		stamps := func(context.Context) ([]time.Duration, map[string]string, error) {
			asked++
			times := make([]time.Duration, c.frames)
			for i := range times {
				times[i] = time.Duration(i) * 20 * time.Millisecond
			}
			return times, nil, c.err
		}
		survey, err := display.Examine(context.Background(), &reel{Scene: s, n: c.frames}, stamps, display.Options{From: c.from})
		if err != c.err || asked != c.asked {
			t.Errorf("%s: asked %d times, want %d; %v", name, asked, c.asked, err)
			continue
		}
		if err == nil && survey.Screen != (c.from == display.Screen) {
			t.Errorf("%s: screen is %v: %s", name, survey.Screen, survey.Why)
		}
		if err == nil && survey.Screen && survey.Timing.Rate < 49.9 {
			t.Errorf("%s: %.1f frames a second", name, survey.Timing.Rate)
		}
	}
}

// Who says how many lines a pixel is high says that it is a screen, and that of
// a close-up where no border shows.
func TestLinesPerPx(t *testing.T) {
	s := scene.Pan(scene.Raster{W: 320, H: 180, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 0.8, Seed: 3},
		scene.Back{Surface: scene.Street}, scene.Move{X: 4, Seconds: 2})
	stamps := func(context.Context) ([]time.Duration, map[string]string, error) {
		times := make([]time.Duration, 20)
		for i := range times {
			times[i] = time.Duration(i) * 20 * time.Millisecond
		}
		return times, nil, nil
	}
	survey, err := display.Examine(context.Background(), &reel{Scene: s, n: 20}, stamps, display.Options{LinesPerPx: 0.4})
	if err != nil {
		t.Fatal(err)
	}
	if f := survey.Found; !survey.Screen || f.Kind != screen.CloseUp || f.PxPerLine != 2.5 || !strings.Contains(survey.Why, "0.4 of the set's lines") {
		t.Errorf("%v, %s, %g px a line: %s", survey.Screen, f.Kind, f.PxPerLine, survey.Why)
	}
}
