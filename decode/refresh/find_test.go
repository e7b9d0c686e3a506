package refresh

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

var grid240 = Layout{Cols: 64, Rows: 48, Black: 16}

// rateGoal is the error of the rate that takes of two seconds may have, Hz.
const rateGoal = 0.05

// The frames of a picture and the exposure's share are arithmetic: 240 against
// 50 are 4.8, 239.76 against 59.94 exactly 4.
func TestFindArithmetic(t *testing.T) {
	tests := []struct{ fps, hz, frames float64 }{
		{240, 50, 4.8}, {240000. / 1001, 60000. / 1001, 4}, {240, 24, 10}, {240, 25, 9.6},
		{240, 100, 2.4}, {240, 120, 2}, {120, 50, 2.4}, {240, 60000. / 1001, 4.004},
	}
	for i, c := range tests {
		const exposure, slope = 0.7, 0.0113
		frames, _ := camera{seconds: 2, hz: c.hz, fps: c.fps, exposure: exposure, slope: slope, phase: 0.0031, noise: 0.4, show: pan(0.004), seed: uint64(i)}.film()
		e := Find(grid240, frames, FindOptions{})
		t.Logf("%7.3f against %6.3f: %8.4f Hz (error %+.4f, said %.4f), %.4f frames, exposure %.3f, slope %.2f ms", c.fps, c.hz, e.Hz, e.Hz-c.hz, e.HzError, e.FramesPerPicture, e.ExposureShare, 1e3*e.Slope)
		if !e.Found || math.Abs(e.Hz-c.hz) > rateGoal || math.Abs(e.FramesPerPicture-c.frames) > 0.003 {
			t.Errorf("%g against %g: %.4f Hz, %.4f frames a picture, want %g: %s", c.fps, c.hz, e.Hz, e.FramesPerPicture, c.frames, e.Reason)
		}
		if math.Abs(e.ExposureShare-exposure) > 0.07 || math.Abs(e.Slope-slope) > 0.0005 {
			t.Errorf("%g against %g: exposure %.3f, slope %.5f", c.fps, c.hz, e.ExposureShare, e.Slope)
		}
		if e.Confidence < 0.9 {
			t.Errorf("%g against %g: confidence %.2f", c.fps, c.hz, e.Confidence)
		}
	}
}

// A mixed exposure holds the new picture for as much of it as has passed since
// the update: share = (t - start) / exposure.
func TestMixedShare(t *testing.T) {
	l := Lock{Epoch: 0.1, Period: 0.02, Slope: 0.012, Across: 0.002, Exposure: 0.004}
	for _, c := range []struct {
		t, y, x, since float64
		k              int
	}{
		{0.1, 0, 0, 0, 0}, {0.101, 0, 0, 0.001, 0}, {0.1, 0.5, 0, 0.014, -1},
		{0.1 + 0.012 + 0.002 + 0.04 + 0.003, 1, 1, 0.003, 2},
	} {
		// A hair later, so that rounding does not decide.
		k, since := l.Picture(c.t+1e-9, c.y, c.x)
		if k != c.k || math.Abs(since-c.since) > 1e-6 {
			t.Errorf("at %g (%g, %g): picture %d since %g, want %d, %g", c.t, c.y, c.x, k, since, c.k, c.since)
		}
	}
	_, ds, truths := follow(camera{seconds: 2, hz: 50, fps: 240, exposure: 0.9, slope: 0.01, phase: 0.002, noise: 0.3, show: pan(0.004)}, nil, FollowOptions{})
	for _, d := range ds {
		for b, v := range d.Bands {
			if want := truths[d.Frame][b].share; want > 0.1 && want < 0.9 && (!v.Mixed || math.Abs(v.Share-want) > 0.05) {
				t.Fatalf("frame %d band %d: mixed %v, share %.3f, want %.3f", d.Frame, b, v.Mixed, v.Share, want)
			}
		}
	}
}

// What is later by some time is found later by it, and a roll that is turned
// upside down has the opposite slope.
func TestFindSymmetry(t *testing.T) {
	base := camera{seconds: 1.6, hz: 50, fps: 240, exposure: 0.6, slope: 0.009, phase: 0.004, noise: 0.4, show: pan(0.005)}
	frames, _ := base.film()
	e := Find(grid240, frames, FindOptions{})
	const later = 0.0123
	moved := append([]Frame(nil), frames...)
	for i := range moved {
		moved[i].Time += later
	}
	s := Find(grid240, moved, FindOptions{})
	if d := math.Remainder(s.Epoch-e.Epoch-later, e.Period); math.Abs(d) > 5e-5 || math.Abs(s.Slope-e.Slope) > 5e-5 {
		t.Errorf("shifted by %g s: epoch off by %g, slope by %g", later, d, s.Slope-e.Slope)
	}
	turned := append([]Frame(nil), frames...)
	for i := range turned {
		g := make([]float32, len(frames[i].Grid))
		for r := range grid240.Rows {
			copy(g[r*grid240.Cols:][:grid240.Cols], frames[i].Grid[(grid240.Rows-1-r)*grid240.Cols:])
		}
		turned[i].Grid = g
	}
	r := Find(grid240, turned, FindOptions{})
	if math.Abs(r.Slope+e.Slope) > 1e-4 || math.Abs(r.Hz-e.Hz) > 0.01 {
		t.Errorf("turned: slope %g of %g, %g Hz of %g", r.Slope, e.Slope, r.Hz, e.Hz)
	}
	if d := math.Remainder(r.Start(0, 0, 0.5)-e.Start(0, 1, 0.5), e.Period); math.Abs(d) > 1e-4 {
		t.Errorf("turned: the top begins %g s off", d)
	}
}

// ball is a small one that crosses a still screen.
func ball(k int, y, x float64) float64 {
	d := math.Hypot((y-0.5)*9/16, x-math.Mod(0.011*float64(k), 1))
	return 0.1 + 0.02*math.Sin(37*x+3*y) + 0.4/(1+math.Exp(400*(d-0.02)))
}

// The dips of a panel lie at a slant where the camera is held upright, and hide
// what moves from who allows the light but a tilt along a row.
func TestFindBesideSlantingDips(t *testing.T) {
	c := camera{seconds: 1.5, hz: 50, fps: 120, exposure: 0.2, slope: 0.012, across: 0.002, phase: 0.003, noise: 0.1,
		dips: 0.6, dipLength: 0.3, dipHz: 100, dipSlope: 0.012, dipAcross: 0.008, show: ball}
	frames, _ := c.film()
	if e := Find(grid240, frames, FindOptions{}); !e.Found || math.Abs(e.Hz-c.hz) > rateGoal {
		t.Errorf("%.2f of %.2f Hz at %.0f frames a second: %s", e.Hz, c.hz, c.fps, e.Reason)
	}
}

// A small thing on a still screen tells the rate although an encoder that skips
// all that is still writes the whole screen anew, with other errors, at key
// frames five frames apart.
func TestFindBesideKeyFrames(t *testing.T) {
	for i, c := range []camera{
		{hz: 50, fps: 120, exposure: 0.3, slope: 0.012},
		{hz: 60000. / 1001, fps: 240, exposure: 0.9, slope: 0.012},
		{hz: 50, fps: 240000. / 1001, exposure: 0.3, slope: 0.004},
	} {
		c.seconds, c.show, c.phase, c.seed = 1.5, ball, 0.003, uint64(i)
		frames, _ := c.film()
		r := rand.New(rand.NewPCG(c.seed, 5))
		errors := make([]float32, len(frames[0].Grid))
		for i, f := range frames {
			for j := range f.Grid {
				if i%5 == 0 {
					errors[j] = 0.4 * float32(r.NormFloat64())
				}
				f.Grid[j] += errors[j]
			}
		}
		if e := Find(grid240, frames, FindOptions{}); !e.Found || math.Abs(e.Hz-c.hz) > rateGoal {
			t.Errorf("%.2f of %.2f Hz at %.2f frames a second: %s", e.Hz, c.hz, c.fps, e.Reason)
		}
	}
}

// Where the screen is dark between pictures, an encoder writes each frame anew, with
// other errors, and what changes from frame to frame is not the pictures alone.
func TestFindBesideFlashes(t *testing.T) {
	for i, c := range []camera{
		{hz: 50, exposure: 0.7, dipLength: 0.5, show: pan(0.004), dipSlope: -0.003},
		{hz: 50, exposure: 0.7, dipLength: 0.5, show: head, dipSlope: 0.005},
		{hz: 60, exposure: 0.5, dipLength: 0.5, show: pan(0.001), dipSlope: 0.001},
	} {
		c.seconds, c.fps, c.slope, c.dips, c.seed = 1.5, 240, 0.001, 1, uint64(i)
		c.phase = c.dipLength / 2 / c.hz // they change in the dark
		frames, _ := c.film()
		r := rand.New(rand.NewPCG(c.seed, 5))
		for _, f := range frames {
			for j := range f.Grid {
				f.Grid[j] += 0.5 * float32(r.NormFloat64())
			}
		}
		if e := Find(grid240, frames, FindOptions{}); !e.Found || math.Abs(e.Hz-c.hz) > rateGoal {
			t.Errorf("%.2f of %.2f Hz: %s", e.Hz, c.hz, e.Reason)
		}
	}
}

// A camera at the set's own pace shows no single picture, and says so; what
// does not move tells nothing, and that is said as well.
func TestFindRefuses(t *testing.T) {
	still := func(int, float64, float64) float64 { return 0.2 }
	tests := []struct {
		name   string
		camera camera
		unlike bool
		words  string
	}{
		{"60 of 60", camera{seconds: 3, fps: 60, hz: 60, exposure: 1, show: pan(0.004)}, true, "every frame differs"},
		{"60 of 50", camera{seconds: 3, fps: 60, hz: 50, exposure: 0.8, show: pan(0.004)}, true, "every frame differs"},
		{"50 of 60", camera{seconds: 3, fps: 50, hz: 60, exposure: 0.3, show: pan(0.004)}, true, "every frame differs"},
		{"60 of 50, fast", camera{seconds: 3, fps: 60, hz: 50, exposure: 1, show: pan(0.02)}, true, "every frame differs"},
		{"30 of 60", camera{seconds: 3, fps: 30, hz: 60, exposure: 0.5, show: head}, true, "every frame differs"},
		{"flat", camera{seconds: 2, fps: 240, hz: 60, exposure: 0.5, show: still}, false, "nothing moves"},
		{"flat with dips", camera{seconds: 2, fps: 240, hz: 60, exposure: 0.5, show: still, dips: 0.8, dipLength: 0.1, dipSlope: 0.01}, false, "nothing moves"},
		{"still with drift", camera{seconds: 2, fps: 240, hz: 60, exposure: 0.5, show: stillUntil(9999, head), drift: 0.3}, false, "nothing moves"},
		{"short", camera{seconds: 0.1, fps: 240, hz: 60, exposure: 0.5, show: head}, false, "too short"},
	}
	for _, c := range tests {
		c.camera.noise, c.camera.slope = 0.4, 0.012
		frames, _ := c.camera.film()
		e := Find(grid240, frames, FindOptions{})
		if e.Found || e.Unlike != c.unlike || !strings.Contains(e.Reason, c.words) {
			t.Errorf("%s: found %v (%.2f Hz), unlike %v: %s", c.name, e.Found, e.Hz, e.Unlike, e.Reason)
		}
	}
	if e := Find(grid240, nil, FindOptions{}); e.Found || e.Reason == "" {
		t.Error("an estimate from nothing")
	}
}

// BenchmarkRates prints the errors over rates, cameras, exposures, rolls and
// seeds.
func BenchmarkRates(b *testing.B) {
	for b.Loop() {
		for _, hz := range []float64{24000. / 1001, 24, 25, 50, 60000. / 1001, 60, 100, 120} {
			for _, fps := range []float64{240, 240000. / 1001, 120} {
				if hz > fps/2 {
					continue
				}
				worst, n, line := 0.0, 0, ""
				for _, exposure := range []float64{0.2, 0.6, 1} {
					for seed, slope := range []float64{0.013, -0.009, 0.003} {
						c := camera{seconds: 2, hz: hz, fps: fps, exposure: exposure, slope: slope, phase: 0.0031 * float64(seed+1), noise: 0.4, show: pan(0.004), seed: uint64(seed)}
						frames, _ := c.film()
						e := Find(grid240, frames, FindOptions{})
						n++
						if d := math.Abs(e.Hz - hz); !(d <= rateGoal) {
							line += fmt.Sprintf(" [exposure %.1f, slope %.0f ms: %.3f]", exposure, slope*1e3, e.Hz)
						} else {
							worst = max(worst, d)
						}
					}
				}
				fmt.Printf("%7.3f Hz at %7.3f: worst error %.4f Hz of %d; missed:%s\n", hz, fps, worst, n, line)
			}
		}
	}
}

// A panel whose light goes over exponentially with a time constant has shown
// 1 - shows of the new picture, over an exposure, after some constants; one that
// changes at once leaves nothing.
func TestFindTail(t *testing.T) {
	for _, c := range []struct{ response, least, most float64 }{{0, 0, 0.0003}, {0.002, 0.001, 0.006}, {0.003, 0.002, 0.009}} {
		frames, _ := camera{seconds: 2, hz: 50, fps: 240, exposure: 0.5, slope: 0.011, phase: 0.003, noise: 0.3, response: c.response, show: pan(0.004)}.film()
		e := Find(grid240, frames, FindOptions{})
		if !e.Found || e.Tail < c.least || e.Tail > c.most || e.Lead > e.Tail {
			t.Errorf("time constant %g s: found %v, exposure %.4f s, tail %.4f s, lead %.4f s", c.response, e.Found, e.Exposure, e.Tail, e.Lead)
		}
		// What the old picture leaves at the end of the tail.
		end := e.Start(0, 0.5, 0.5) + e.Exposure + e.Tail
		since := math.Mod(end-0.003-0.011*0.5, 0.02)
		if c.response > 0 && meanExp(since, 0.5/240, c.response) > 0.1 {
			t.Errorf("time constant %g s: %.2f of the old picture after the tail", c.response, meanExp(since, 0.5/240, c.response))
		}
	}
}

// A set of 100 or 120 Hz whose panel dips at every refresh, and that shows
// each picture twice, is counted by its pictures.
func TestFindNewPictures(t *testing.T) {
	twice := func(k int) int { return k / 2 }
	for _, c := range []struct {
		camera camera
		want   float64
	}{
		{camera{hz: 100, show24: twice, dips: 0.9, dipLength: 0.1, dipSlope: 0.008, exposure: 0.6, noise: 0.3, show: pan(0.004)}, 50},
		{camera{hz: 120, show24: twice, dips: 0.9, dipLength: 0.1, dipSlope: 0.008, exposure: 0.6, noise: 0.3, show: head}, 60},
		{camera{hz: 120, exposure: 0.9, noise: 0.3, show: pan(0.004)}, 120},
	} {
		c.camera.seconds, c.camera.fps, c.camera.slope, c.camera.phase = 2, 240, 0.006, 0.003
		frames, _ := c.camera.film()
		if e := Find(grid240, frames, FindOptions{}); !e.Found || math.Abs(e.Hz-c.want) > rateGoal {
			t.Errorf("%g Hz: %.3f pictures a second, want %g: %s", c.camera.hz, e.Hz, c.want, e.Reason)
		}
	}
}

// Changes that take a single camera frame come together at each multiple of
// their rate alike: where half of all change is noise, the highest of these is
// not taken for the rate.
func TestChooseNoHarmonic(t *testing.T) {
	const fps, frames = 240, 480
	r := rand.New(rand.NewPCG(1, 2))
	s := newSeries(grid240, frames+1)
	d := &finder{s: s, step: 1. / fps, units: make([]float64, len(s.units))}
	for i := range frames {
		row := make([]float64, len(s.units))
		for u := range row {
			if r.IntN(8) == 0 {
				row[u] = 0.6 * r.Float64()
			}
			if i%4 == 0 && s.units[u].y > 0.9 {
				row[u] = 0.9
			}
			d.units[u] += row[u]
			d.total += row[u]
		}
		d.change, d.quiet = append(d.change, row), append(d.quiet, false)
		d.times = append(d.times, (float64(i)+0.5)/fps)
	}
	c, ok, why := d.choose(FindOptions{})
	t.Logf("%.2f a second of a change of %.0f, %.2f coherent, %v", c.f, d.total, c.coherent, ok)
	if ok && math.Abs(c.f-60) > 1 {
		t.Errorf("%.1f pictures a second, want 60 or none: %s", c.f, why)
	}
}

// Beside 60 lies 60/1.001, of which a lock that begins there sees fewer mixed frames.
func TestFindBesideAnotherRate(t *testing.T) {
	c := camera{seconds: 1.3, hz: 60, fps: 240, exposure: 0.25, slope: 0.008, across: 0.002, phase: 0.0021, noise: 0.5, show: ball, seed: 3}
	frames, _ := c.film()
	if e := Find(grid240, frames, FindOptions{}); !e.Found || math.Abs(e.Hz-c.hz) > rateGoal {
		t.Errorf("%.3f of %.3f Hz: %s", e.Hz, c.hz, e.Reason)
	}
}

// Where nothing but one thing moves down the screen, a little more rate looks like a little
// less roll: the rate is one that sets have, of which 60 and 60/1.001 lie too near to be told
// apart in so few pictures. One of no set that plainly fits is left as it is.
func TestFindWhereOneThingFalls(t *testing.T) {
	falls := func(k int, y, x float64) float64 {
		d := math.Hypot((y-0.05-0.025*float64(k-30))*9/16, x-0.2-0.012*float64(k-30))
		return 0.1 + 0.02*math.Sin(37*x+3*y) + 0.4/(1+math.Exp(400*(d-0.02)))
	}
	const near = 0.07 // Hz
	for i, c := range []struct {
		camera
		goal float64
	}{
		{camera{hz: 60, exposure: 0.24, slope: 0.018, phase: 0.0031, show: falls}, near},
		{camera{hz: 60, exposure: 0.4, slope: 0.009, phase: 0.0011, show: falls}, near},
		{camera{hz: 50, exposure: 0.6, slope: 0.014, phase: 0.0071, show: falls}, rateGoal},
		{camera{hz: 53.5, exposure: 0.6, slope: 0.014, phase: 0.0071, show: pan(0.004)}, rateGoal},
		{camera{hz: 49, exposure: 0.6, slope: 0.012, phase: 0.0031, show: pan(0.004)}, rateGoal},
		{camera{hz: 59.5, exposure: 0.6, slope: 0.012, phase: 0.0031, show: pan(0.004)}, rateGoal},
	} {
		c.seconds, c.fps, c.noise, c.seed = 1.5, 120, 0.4, uint64(i)
		frames, _ := c.film()
		if e := Find(grid240, frames, FindOptions{}); !e.Found || math.Abs(e.Hz-c.hz) > c.goal {
			t.Errorf("%.3f of %.3f Hz, roll %.1f of %.1f ms: %s", e.Hz, c.hz, 1e3*e.Slope, 1e3*c.slope, e.Reason)
		}
	}
}
