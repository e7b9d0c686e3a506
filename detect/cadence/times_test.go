package cadence_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cadence"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// A picture that the file's own times leave out is no break; the same
// pictures played without a gap are one. FFmpeg's select filter leaves them
// out and keeps the times, its setpts filter closes the gap.
func TestTimesExplainGaps(t *testing.T) {
	present(t, walkway)
	for _, c := range []struct {
		filters string
		breaks  int
	}{
		{"select='not(eq(n,50))'", 0},
		{"select='not(between(n,50,52))'", 0},
		{"select='not(eq(n,50)+eq(n,53))'", 0},
		{"select='not(eq(n,50))',setpts=N/(50*TB)", 1},
		{"select='not(between(n,50,52))',setpts=N/(50*TB)", 1},
	} {
		program, err := exec.LookPath("ffmpeg")
		if err != nil {
			t.Skipf("ffmpeg is missing, which makes the material: scripts/test installs it (%v)", err)
		}
		out := filepath.Join(t.TempDir(), "times.nut")
		said, err := exec.Command(program, "-nostdin", "-v", "error", "-r", "50", "-i", walkway, "-vf", pan+c.filters,
			"-frames:v", "105", "-vsync", "passthrough", "-pix_fmt", "yuv420p", "-c:v", "rawvideo", out).CombinedOutput()
		if err != nil {
			t.Fatalf("ffmpeg: %v: %s", err, said)
		}
		r := read(t, out, decode.FieldsAuto, all)
		if len(r.Events) != c.breaks {
			t.Errorf("%s: breaks %v, want %d", c.filters, r.Events, c.breaks)
		}
		if len(r.Cadence) != 1 || r.Cadence[0].Pattern != "1:1" {
			t.Errorf("%s: %v, want 1:1 throughout", c.filters, r.Cadence)
		}
	}
}

// reel plays a sequence with times of its own.
type reel struct {
	faults.Sequence
	next int
	at   func(i int) time.Duration
}

func (r *reel) Format() picture.Format { return r.Sequence.Format }

func (r *reel) Next(context.Context) (*picture.Picture, error) {
	if r.next == r.Len {
		return nil, io.EOF
	}
	from := r.Sequence.At(r.next)
	p := &picture.Picture{Index: r.next, Frame: r.next, Time: r.at(r.next), Parity: from.Parity, Y: from.Y, Cb: from.Cb, Cr: from.Cr}
	r.next++
	return p, nil
}

func follow(t testing.TB, s faults.Sequence, at func(i int) time.Duration) *detect.Result {
	t.Helper()
	res, err := detect.Run(context.Background(), &reel{Sequence: s, at: at}, []*detect.Stage{cells.Stage, motion.Stage, cadence.Stage}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// steady is the time of picture i of a take of 50 a second.
func steady(i int) time.Duration { return time.Duration(i) * 20 * time.Millisecond }

func raster(w, h int) scene.Raster {
	return scene.Raster{W: w, H: h, RateNum: 50, RateDen: 1, Shutter: 0.5, Seed: 11}
}

func played(r scene.Raster, s *scene.Scene, n int) faults.Sequence {
	return faults.Cached(faults.Sequence{Format: r.Format(), Len: n, At: s.At}, 4)
}

// Whatever the times of a file, pictures that show the world at those times
// have no break, and neither have pictures of a steady clock that are shown
// at uneven times (the holds of 3:2, a clock that jitters). How many are new a
// second comes from the times.
func TestUnevenTimes(t *testing.T) {
	const n = 70
	r := raster(320, 240)
	world := scene.Pan(r, scene.Back{Surface: scene.Street}, scene.Move{X: 4})
	for _, c := range []struct {
		name string
		ms   func(i int) float64 // from picture i to the next
	}{
		{"3:2 holds of 60", func(i int) float64 { return []float64{50, 100.0 / 3}[i%2] }},
		{"one in four is long", func(i int) float64 { return []float64{20, 20, 20, 40}[i%4] }},
		{"short and three times as long", func(i int) float64 { return []float64{10, 30}[i%2] }},
		{"jitter of a third", func(i int) float64 { return 20 + 6.6*math.Sin(float64(i*i)) }},
		{"from 50 to 25 a second", func(i int) float64 { return 20 + 20*float64(i/35) }},
		{"from 25 to 50 a second", func(i int) float64 { return 40 - 20*float64(i/35) }},
		{"a stall", func(i int) float64 { return []float64{20, 200}[max(0, 1-max(i-40, 40-i))] }},
	} {
		times := make([]time.Duration, n+1)
		for i := range n {
			times[i+1] = times[i] + time.Duration(c.ms(i)*float64(time.Millisecond))
		}
		at := func(i int) time.Duration { return times[i] }
		shown := map[string]faults.Sequence{"of a steady clock": played(r, world, n), "of those times": {
			Format: r.Format(), Len: n, At: func(i int) *picture.Picture { return world.Picture(times[i].Seconds(), picture.Frame) },
		}}
		for what, s := range shown {
			res := follow(t, s, at)
			for _, e := range res.Events {
				t.Errorf("%s, pictures %s: break in pictures %d to %d, confidence %.2f, %v", c.name, what, e.Start, e.End, e.Confidence, e.Measures)
			}
			if len(res.Cadence) != 1 || res.Cadence[0].Pattern != "1:1" {
				t.Errorf("%s, pictures %s: %v, want 1:1", c.name, what, res.Cadence)
				continue
			}
			if got := res.Cadence[0].NewShare; math.Abs(got-1) > 1e-6 {
				t.Errorf("%s, pictures %s: %.3f of the pictures are new, want all", c.name, what, got)
			}
			if got, want := res.Cadence[0].NewPerS, n/times[n].Seconds(); math.Abs(got-want) > 0.1*want {
				t.Errorf("%s, pictures %s: %.2f new a second, want %.2f", c.name, what, got, want)
			}
		}
	}
}

// Where nothing, or too little, moves no order is stated, or only the true one,
// no break is found, and the coverage says so.
func TestTooLittleIsNotGuessed(t *testing.T) {
	r := raster(320, 240)
	grain := r
	grain.Grain = 3
	far := scene.Move{X: 1.0 / 50}
	for _, c := range []struct {
		name   string
		raster scene.Raster
		scene  func(scene.Raster) *scene.Scene
	}{
		{"still", r, func(r scene.Raster) *scene.Scene {
			return scene.Pan(r, scene.Back{Surface: scene.Street}, scene.Move{})
		}},
		{"still under grain", grain, func(r scene.Raster) *scene.Scene {
			return scene.Pan(r, scene.Back{Surface: scene.Street}, scene.Move{})
		}},
		{"drift of a fiftieth of a pixel", grain, func(r scene.Raster) *scene.Scene {
			return scene.Pan(r, scene.Back{Surface: scene.Street}, far)
		}},
		{"a plain field that moves", grain, func(r scene.Raster) *scene.Scene {
			return scene.Pan(r, scene.Back{Surface: scene.Plain, Tone: 120, Contrast: 0.3}, scene.Move{X: 5})
		}},
		{"a speck", grain, func(r scene.Raster) *scene.Scene {
			return scene.Toss(r, scene.Back{Surface: scene.Plain, Tone: 120}, scene.Move{}, scene.Ball{Diameter: 2, Speed: 1, Level: 140})
		}},
	} {
		for _, hold := range [][]int{{1}, {3, 2}, {1, 1, 1, 2}} {
			truth := strings.ReplaceAll(strings.Trim(fmt.Sprint(hold), "[]"), " ", ":")
			if len(hold) == 1 {
				truth += ":" + truth
			}
			read := false
			s := faults.Hold(played(c.raster, c.scene(c.raster), 50), 50, 1, hold...)
			res := follow(t, s, steady)
			for _, e := range res.Events {
				t.Errorf("%s, held %v: break in pictures %d to %d, confidence %.2f, %v", c.name, hold, e.Start, e.End, e.Confidence, e.Measures)
			}
			for _, run := range res.Cadence {
				if read = read || run.Pattern == truth; run.Pattern != "static" && run.Pattern != "irregular" && run.Pattern != truth {
					t.Errorf("%s, held %v: pictures %d to %d are read as %s", c.name, hold, run.Start, run.End, run.Pattern)
				}
			}
			if cover := res.Coverage[0]; !read && (cover.State == detect.Examined || cover.Why == "" || cover.Seconds > 0.2) {
				t.Errorf("%s, held %v: coverage %+v", c.name, hold, cover)
			}
		}
	}
}

// Of a thing that moves for a part of the take only, the rest is not stated
// as covered.
func TestCoverageIsOfWhatMoves(t *testing.T) {
	const n = 180
	r := raster(320, 240)
	world := scene.Pan(r, scene.Back{Surface: scene.Street}, scene.Move{X: 4})
	for _, moving := range []int{0, 80, n} {
		s := faults.Sequence{Format: r.Format(), Len: n, At: func(i int) *picture.Picture {
			return world.At(min(i, moving))
		}}
		res := follow(t, s, steady)
		cover := res.Coverage[0]
		want := float64(moving) / 50
		if math.Abs(cover.Seconds-want) > 0.5 {
			t.Errorf("%d of %d pictures move: %+v, want about %.1f s", moving, n, cover, want)
		}
		if (cover.State == detect.Examined) != (moving == n) || (cover.State == detect.NotExaminable) != (moving == 0) {
			t.Errorf("%d of %d pictures move: %+v", moving, n, cover)
		}
		if len(res.Events) != 0 {
			t.Errorf("%d of %d pictures move: a halt is reported: %+v", moving, n, res.Events)
		}
	}
}
