package display_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"testing"

	"setwitness/testdata/filming"
	"setwitness/testdata/filming/codec"
	"setwitness/testdata/scene"
)

// TestThroughCodec films a set, writes the capture as a phone does, and holds
// the pictures that are rebuilt from the file against what the set showed.
func TestThroughCodec(t *testing.T) {
	if testing.Short() {
		t.Skip("films three captures")
	}
	for _, c := range []struct {
		situation string
		num, den  int
	}{
		{filming.Stand, 50, 1},
		{filming.Hand, 60000, 1001},
		// Stretched to 30 a second, which the file says nothing of.
		{filming.Slowed, 50, 1},
	} {
		t.Run(fmt.Sprintf("%s %d", c.situation, c.num/c.den), func(t *testing.T) {
			t.Parallel()
			rate := float64(c.num) / float64(c.den)
			situation, _ := filming.Named(c.situation, rate, 7)
			// For speed.
			situation.Camera.W, situation.Camera.H = 640, 360
			situation.Camera.Motion.SwayPx /= 2
			situation.Camera.Motion.ShakePx /= 2
			s := scene.Pan(scene.Raster{W: 640, H: 360, RateNum: c.num, RateDen: c.den, Shutter: 0.5, Grain: 0.8, Seed: 3},
				scene.Back{Surface: scene.Street}, scene.Move{X: 4, Seconds: 2})
			const seconds = 1.2
			capture, err := situation.Film(filming.OfScene(s, int(seconds*rate)+2), seconds, 7)
			if err != nil {
				t.Fatal(err)
			}
			path, err := codec.Write(capture, t.TempDir(), "capture", codec.Options{})
			if err != nil {
				t.Fatal(err)
			}
			check(t, path, capture, rate)
		})
	}
}

func check(t *testing.T, path string, capture *filming.Capture, rate float64) {
	t.Helper()
	ctx := context.Background()
	survey, source, done, err := codec.Displayed(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer done()
	if e := &survey.Estimate; !e.Found || math.Abs(e.Hz-rate) > 0.05 {
		t.Fatalf("%.3f Hz, want %.3f: %s", e.Hz, rate, e.Reason)
	}
	// Which picture of the set's the trusted rows come from, a few rows each.
	w, h := float64(capture.Source.Format.W), float64(capture.Source.Format.H)
	shown := capture.Displayed()
	var list []int
	rows, right := 0, 0
	for {
		p, err := source.Next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		votes := map[int]int{}
		for _, y := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
			row := int(y * float64(p.Y.H))
			if !p.Trusted(row, row+1) {
				continue
			}
			for _, part := range source.Parts(p.Index) {
				if row < part.From || row >= part.To {
					continue
				}
				f := capture.Frame(part.Frame)
				e := f.AtRaster(filming.Point{X: w / 2, Y: y * h})
				k, share := e.Main()
				rows++
				if 1-share < 0.06 {
					votes[shown[k].Source]++
				}
				for i, q := range part.View.Quad {
					// A view counts from the centre of the first pixel.
					if off := math.Hypot(q.X+0.5-f.Corners[i].X, q.Y+0.5-f.Corners[i].Y); off > 3 {
						t.Fatalf("corner %d of frame %d is %.2f px off", i, part.Frame, off)
					}
				}
			}
		}
		main, most := -1, 0
		for s, n := range votes {
			if n > most {
				main, most = s, n
			}
		}
		right += most
		if main >= 0 {
			list = append(list, main)
		}
		p.Release()
	}
	if rows == 0 || float64(right) < 0.995*float64(rows) {
		t.Errorf("%d of %d rows show the picture that they should, alone", right, rows)
	}
	for i := 1; i < len(list); i++ {
		if list[i] < list[i-1] {
			t.Errorf("picture %d of the set after picture %d", list[i], list[i-1])
		}
	}
	if want := int(float64(capture.Frames) / capture.Camera.Rate() * rate); len(list) < want-2 {
		t.Errorf("%d pictures rebuilt, the set showed %d", len(list), want)
	}
	if f := source.Facts(); f.Unlocked > 0 {
		t.Errorf("the refresh was lost for %d of %d frames", f.Unlocked, f.Frames)
	}
}
