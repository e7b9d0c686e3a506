package all

import (
	"context"
	"testing"
	"time"

	"setwitness/detect"
	"setwitness/testdata/filming"
	"setwitness/testdata/filming/codec"
	"setwitness/testdata/takes"
)

// TestFilmedGhost films a take with one ghost, reads the file as a phone writes
// it, and expects that ghost, when the set showed it, and nothing else.
func TestFilmedGhost(t *testing.T) {
	if testing.Short() {
		t.Skip("films a capture")
	}
	take, ok := takes.Named(1, "ghost-ball-panning")
	if !ok {
		t.Fatal("no such take")
	}
	situation, _ := filming.Named(filming.Stand, take.Format.Rate(), 7)
	situation.Camera.W, situation.Camera.H = 960, 540 // for speed
	const seconds = 1.3
	capture, err := situation.Film(filming.OfTake(take), seconds, 7)
	if err != nil {
		t.Fatal(err)
	}
	path, err := codec.Write(capture, t.TempDir(), "capture", codec.Options{})
	if err != nil {
		t.Fatal(err)
	}
	res := scanScreen(t, path)
	if len(res.Events) != 1 || res.Events[0].Kind != detect.Ghost {
		t.Fatalf("found %+v, want one ghost", res.Events)
	}
	truth := capture.Faults(960, 540)[0]
	began := capture.StampAt(capture.UpdateS(truth.First, float64(take.Format.H)/2))
	picture := time.Duration(float64(time.Second) / take.Format.Rate())
	// The first camera frame that shows a picture alone comes up to one and
	// an exposure after it began.
	frames := 2 * time.Second / 240
	if got := res.Times[res.Events[0].Start]; got < began-picture || got > began+picture+frames {
		t.Errorf("the ghost begins at %v, want %v", got, began)
	}
}

// scanScreen runs every stage over the pictures that a take of a screen shows.
func scanScreen(t *testing.T, path string) *detect.Result {
	t.Helper()
	ctx := context.Background()
	_, source, done, err := codec.Displayed(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	res, err := detect.Run(ctx, source, Stages(), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}
