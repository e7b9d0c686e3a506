package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	"setwitness/decode/encode"
	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// size is how large the demo is and which game it shows.
type size struct {
	w, h    int
	seconds float64
	bitRate int // bits a second
	// seed gives a game in which every fault finds its place; newDemo says
	// so where one does not.
	seed int64
}

// full is the demo as people see it. A sports channel of 720 lines and 50
// pictures a second has about 10 Mbit/s (common practice, no source).
var full = size{w: 1280, h: 720, seconds: 12, bitRate: 10_000_000, seed: 213}

const (
	rate = 50
	// grain of a camera in a well lit hall, in 8-bit codes.
	grain = 1.1
	// margin around the ball, as a share of the height, that the processor's
	// wrong decision takes in.
	margin = 1.0 / 120
)

// demo is the take before it is written.
type demo struct {
	size     size
	sequence faults.Sequence
	ahead    *ahead
}

// newDemo makes the game and puts the faults into it.
func newDemo(s size) (*demo, error) {
	r := scene.Raster{
		W: s.w, H: s.h, RateNum: rate, RateDen: 1,
		Shutter: 0.5, Grain: grain, Colour: true, Seed: s.seed,
	}
	game := scene.BallGame(r, scene.Game{PanWidth: 0.33 * float64(s.w), Seconds: s.seconds})
	frames := int(s.seconds * rate)
	a := newAhead(game.At, frames)
	d := &demo{size: s, ahead: a}
	// Seen as the set shows it when it is right: picture k is the world at
	// instant k, with the vertical softness of a camera that scans fields.
	q := faults.Cached(faults.Soften(faults.Sequence{Format: game.Format(), Len: frames, At: a.at}), 4)
	q, err := spoil(q, game, s)
	d.sequence = q
	return d, err
}

// spoil puts the faults into the sequence, one after the other in time, each
// within its share of the length.
func spoil(q faults.Sequence, game *scene.Scene, s size) (faults.Sequence, error) {
	share := func(part float64) float64 { return part * s.seconds }
	// Speeds are seen against the size of the picture.
	unit := float64(s.h) / 720
	ball := func(i int) scene.Thing { th, _ := game.Thing("ball", game.Instant(i)); return th }
	pan := func(i int) float64 {
		ax, _ := game.Camera(game.Instant(i))
		bx, _ := game.Camera(game.Instant(i + 1))
		return bx - ax
	}
	// flight returns a flight of the ball that stands out from the camera's
	// own motion as clearly as any between two times.
	flight := func(from, to float64) (faults.Where, error) {
		clear := game.ClearFlights(share(from), share(to), 9*unit)
		if len(clear) == 0 {
			return faults.Where{}, fmt.Errorf("no flight of the ball can be seen well between %.1f and %.1f s", share(from), share(to))
		}
		mid := slices.MinFunc(clear, func(a, b int) int { return cmp.Compare(math.Abs(pan(a)), math.Abs(pan(b))) })
		a, b := ball(mid), ball(mid+1)
		return faults.Where{
			First: mid - 2, Last: mid + 1,
			Region: faults.Around(func(i int) image.Rectangle { return ball(i).Rect() }, 1, int(math.Ceil(margin*float64(s.h)))),
			Step:   math.Hypot(b.X-a.X, b.Y-a.Y),
		}, nil
	}
	// fastest returns the picture between two times where the camera turns
	// fastest over n pictures.
	fastest := func(from, to float64, n int, least float64) (int, error) {
		best, at := 0.0, 0
		for i := int(share(from) * rate); i < int(share(to)*rate)-n; i++ {
			slowest := math.Inf(1)
			for k := i; k < i+n; k++ {
				slowest = math.Min(slowest, math.Abs(pan(k)))
			}
			if slowest > best {
				best, at = slowest, i
			}
		}
		if best < least*unit {
			return 0, fmt.Errorf("the camera turns by %.1f samples a picture at most between %.1f and %.1f s", best, share(from), share(to))
		}
		return at, nil
	}

	// The ball woven in flight.
	w, err := flight(0.08, 0.30)
	if err != nil {
		return q, err
	}
	q = faults.Weave(q, w, 1)
	// Whole pictures mixed while the camera turns.
	at, err := fastest(0.35, 0.52, 5, 3)
	if err != nil {
		return q, err
	}
	q = faults.Blend(q, faults.Where{First: at, Last: at + 4, Step: math.Abs(pan(at + 2))}, faults.Three(.25, .5, .25))
	// The ball shown three times in flight.
	w, err = flight(0.55, 0.72)
	if err != nil {
		return q, err
	}
	q = faults.Blend(q, w, faults.Three(.25, .5, .25))
	// Motion at half the rate.
	const halved = 24
	at, err = fastest(0.73, 0.84, halved, 0.5)
	if err != nil {
		return q, err
	}
	q = faults.Halve(q, at, at+halved-1)
	// One picture twice, and the one that would make up for it left out a
	// tenth of a second later.
	at, err = fastest(0.88, 0.98, 8, 0.5)
	if err != nil {
		return q, err
	}
	return faults.RepeatThenDrop(q, at+1, at+6), nil
}

// write encodes the take.
func (d *demo) write(ctx context.Context, path string) error {
	d.ahead.start(runtime.NumCPU())
	defer d.ahead.stop()
	f := d.sequence.Format
	w, err := encode.Create(encode.Options{
		Path: path, W: f.W, H: f.H, RateNum: f.RateNum, RateDen: f.RateDen,
		Colour: f.Colour, BitRate: d.size.bitRate, GOP: rate,
		Private: map[string]string{"preset": "veryfast", "movflags": "+faststart"},
	})
	if err != nil {
		return err
	}
	for i := range d.sequence.Len {
		err := ctx.Err()
		if err == nil {
			p := d.sequence.At(i)
			err = w.Write(&picture.Picture{Index: i, Frame: i, Time: time.Duration(i) * time.Second / rate, Y: p.Y, Cb: p.Cb, Cr: p.Cr})
		}
		if err != nil {
			w.Abort()
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	return w.Close()
}

// truthFile is the form of OUT.truth.json. Its regions, times and frames mean
// what those of a findings document mean.
type truthFile struct {
	Faults []truth `json:"faults"`
}

type truth struct {
	Kind       string             `json:"kind"`
	StartFrame int                `json:"start_frame"`
	EndFrame   int                `json:"end_frame"`
	StartS     float64            `json:"start_s"`
	EndS       float64            `json:"end_s"`
	Region     region             `json:"region"`
	Measures   map[string]float64 `json:"measures"`
}

type region struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	W float64 `json:"w"`
	H float64 `json:"h"`
}

func (d *demo) truth() truthFile {
	var out truthFile
	f := d.sequence.Format
	w, h := float64(f.W), float64(f.H)
	for _, t := range d.sequence.Truth {
		r := t.Region
		out.Faults = append(out.Faults, truth{
			Kind: string(t.Kind), StartFrame: t.First, EndFrame: t.Last,
			StartS: float64(t.First) / rate, EndS: float64(t.Last+1) / rate,
			Region:   region{float64(r.Min.X) / w, float64(r.Min.Y) / h, float64(r.Dx()) / w, float64(r.Dy()) / h},
			Measures: t.Measures,
		})
	}
	return out
}

func (d *demo) writeTruth(path string) error {
	b, err := json.MarshalIndent(d.truth(), "", "  ")
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".truth*")
	if err != nil {
		return err
	}
	_, err = f.Write(append(b, '\n'))
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
