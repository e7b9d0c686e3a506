package display_test

import (
	"context"
	"errors"
	"io"
	"math"
	"math/rand/v2"
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

// rolled is a frame of 240 a second that shows nothing but the middle of a set of 50
// pictures a second: new ones come on row by row, over a share of the time that they
// stay.
type rolled struct {
	at, n int
	roll  float64
	noise *rand.Rand
	grain []float64
	// framed leaves dark room round it, and its ball rests for so many pictures.
	framed bool
	rests  float64
	wide   bool // stripes move all over it
}

func (r *rolled) Format() picture.Format {
	return picture.Format{W: 640, H: 360, Depth: 8, RateNum: 240, RateDen: 1}
}

func (r *rolled) Next(context.Context) (*picture.Picture, error) {
	if r.at == r.n {
		return nil, io.EOF
	}
	if r.grain == nil {
		for range 1 << 15 {
			r.grain = append(r.grain, 1.5*r.noise.NormFloat64()+0.5)
		}
	}
	const w, h = 640, 360
	p := &picture.Picture{Index: r.at, Frame: r.at, Time: time.Duration(r.at) * time.Second / 240, Y: picture.New(w, h, 8)}
	const exposure = 4 // instants
	for y := range h {
		at := r.noise.IntN(len(r.grain) - w) // in each row from elsewhere
		var balls [exposure][2]float64
		var shown [exposure]float64
		for e := range balls {
			t := (float64(r.at) + float64(e)/exposure/2) / 240
			k := max(math.Floor(t*50-r.roll*float64(y)/360), r.rests)
			shown[e] = k
			balls[e] = [2]float64{320 + 110*math.Sin(0.4*k), 180 + 60*math.Cos(0.3*k)}
		}
		for x := range w {
			v := 0.0
			for e, b := range balls {
				light := 60.0
				if r.wide && math.Mod(float64(x+2*y)+37*shown[e], 120) < 60 {
					light = 120
				} else if r.framed && (x < 64 || x >= 576 || y < 36 || y >= 324) {
					light = 18
				} else if dx, dy := float64(x)-b[0], float64(y)-b[1]; dx*dx+dy*dy < 70*70 {
					light = 175
				}
				v += light / exposure
			}
			p.Y.Pix[y*w+x] = uint8(v + r.grain[at+x])
		}
	}
	r.at++
	return p, nil
}

// Where no border shows, new pictures that come on row by row tell a film of a screen;
// those of a direct take are new all at once.
func TestRollTellsAScreen(t *testing.T) {
	for _, c := range []struct {
		roll       float64
		wide, want bool
	}{{0.6, false, true}, {0, false, false}, {0.6, true, true}, {0, true, false}} {
		const n = 120
		stamps := func(context.Context) ([]time.Duration, map[string]string, error) {
			times := make([]time.Duration, n)
			for i := range times {
				times[i] = time.Duration(i) * time.Second / 240
			}
			return times, nil, nil
		}
		r := &rolled{n: n, roll: c.roll, wide: c.wide, noise: rand.New(rand.NewPCG(1, 2))}
		survey, err := display.Examine(context.Background(), r, stamps, display.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if survey.Screen != c.want || c.want && (survey.Found.Kind != screen.CloseUp || math.Abs(survey.Estimate.Hz-50) > 0.1) {
			t.Errorf("roll %g, all over %v: screen %v, %s, %.2f Hz: %s", c.roll, c.wide, survey.Screen, survey.Found.Kind, survey.Estimate.Hz, survey.Why)
		}
	}
}

// What shows the whole border and a plain rhythm in its first second is not looked at
// for longer, for all of it is decoded again.
func TestSurveyEndsEarly(t *testing.T) {
	const n = 600
	stamps := func(context.Context) ([]time.Duration, map[string]string, error) {
		times := make([]time.Duration, n)
		for i := range times {
			times[i] = time.Duration(i) * time.Second / 240
		}
		return times, nil, nil
	}
	for rests, want := range map[float64]int{0: 241, 40: 482} {
		r := &rolled{n: n, roll: 0.6, noise: rand.New(rand.NewPCG(1, 3)), framed: true, rests: rests}
		survey, err := display.Examine(context.Background(), r, stamps, display.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !survey.Screen || math.Abs(survey.Estimate.Hz-50) > 0.02 {
			t.Errorf("resting for %g pictures: screen %v, %.3f Hz: %s", rests, survey.Screen, survey.Estimate.Hz, survey.Why)
		}
		if r.at != want {
			t.Errorf("resting for %g pictures: %d frames were looked at, want %d", rests, r.at, want)
		}
	}
}
