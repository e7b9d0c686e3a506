package macroblocking

import (
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/detect/cells"
)

// noisy makes a profile with edges on a comb in noise.
func noisy(r *rand.Rand, n int, c comb, height float64) []int32 {
	p := make([]float64, n)
	for x := range p {
		p[x] = 10 * r.NormFloat64()
	}
	c.on(n, func(_ int, at float64) {
		i := int(at)
		f := at - float64(i)
		p[i] += height * (1 - f)
		p[i+1] += height * f
	})
	out := make([]int32, n)
	for x := range p {
		out[x] = int32(math.Round(p[x]))
	}
	return out
}

// The pitch and the phase of a comb are found, whatever they are.
func TestPitchAndPhaseAreFound(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var s spectrum
	for _, pitch := range []float64{6, 8, 9, 10.6667, 12, 13.37, 16, 18, 21.3333, 24, 31, 36} {
		for range 4 {
			want := comb{pitch, pitch * r.Float64()}
			p := noisy(r, 960, want, 10*math.Sqrt(pitch))
			s.of(p)
			found, nats := s.best(len(p))
			if nats < leastNats/2 {
				t.Errorf("%v: evidence of %.1f nats", want, nats)
				continue
			}
			got := settle(p, comb{pitch: found}, false).smallest(p)
			if math.Abs(got.pitch/pitch-1) > 0.005 {
				t.Errorf("%v: found a pitch of %.3f", want, got.pitch)
				continue
			}
			// In the middle of the profile, where an error of the pitch is least.
			off := math.Remainder(got.phase-want.phase+math.Round(480/pitch)*(got.pitch-pitch), pitch)
			if math.Abs(off) > 1 {
				t.Errorf("%v: found a phase of %.2f, off by %.2f", want, got.phase, off)
			}
		}
	}
}

// Beside a comb that shows more, one of another pitch is found, and of one alone
// nothing is left.
func TestSecondPitch(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	var s spectrum
	for _, height := range []float64{0, 60} {
		p := noisy(r, 960, comb{20, 7}, 120)
		for x, v := range noisy(r, 960, comb{12, 3}, height) {
			p[x] += v
		}
		s.of(p)
		first, _ := s.best(len(p))
		s.without(first)
		second, nats := s.best(len(p))
		if math.Abs(first/20-1) > 0.01 || (nats > leastNats/2) != (height > 0) || height > 0 && math.Abs(second/12-1) > 0.01 {
			t.Errorf("height %g: %.2f, then %.2f with %.1f nats", height, first, second, nats)
		}
	}
}

// Noise repeats after no pitch.
func TestNoiseHasNoPitch(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var s spectrum
	for range 200 {
		p := noisy(r, 512, comb{8, 0}, 0)
		s.of(p)
		if pitch, nats := s.best(len(p)); nats > leastNats/2 {
			t.Errorf("noise: pitch %.2f with %.1f nats", pitch, nats)
		}
	}
}

// Blocks of 16 samples that show those of 8 in them have a pitch of 8, and 16 if
// they do not.
func TestSmallestBlocks(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct{ within, want float64 }{{0, 16}, {25, 16}, {70, 8}, {80, 8}} {
		p := noisy(r, 960, comb{16, 3}, 80)
		for x, v := range noisy(r, 960, comb{16, 11}, c.within) {
			p[x] += v
		}
		if got := (comb{16, 3}).smallest(p); got.pitch != c.want {
			t.Errorf("edges of 80, and %g within: pitch %g, want %g", c.within, got.pitch, c.want)
		}
		if got := (comb{8, 3}).smallest(p); got.pitch != c.want || c.want == 16 && got.phase != 3 {
			t.Errorf("edges of 80, and %g within: from 8 to %v, want %g", c.within, got, c.want)
		}
	}
}

// Sums beside a comb are of nothing that belongs to its edges.
func TestGather(t *testing.T) {
	const n = 3 * tile
	p := profile[int32]{make([]int32, n), make([]int32, n), make([]int32, n)}
	c := comb{12, 5}
	count := 0
	c.on(n, func(_ int, at float64) {
		// A sharp step and what is beside it.
		for d, v := range map[int]int32{-1: 50, 0: 100, 1: 50} {
			if x := int(at) + d; x >= 0 && x < n {
				p.size[x] = v
			}
		}
		p.edge[int(at)] = 10
		count++
	})
	out := make([]sums, 3)
	gather(c, out, p)
	var all sums
	for i := range out {
		all.add(&out[i])
	}
	if int(all.nOn) != count || all.on != float64(10*count) || all.sizeOn != float64(100*count) {
		t.Errorf("on %d edges: %+v", count, all)
	}
	if all.off != 0 || all.sizeOff != 0 || all.nOff < n/3 {
		t.Errorf("beside: %+v", all)
	}
	if z := all.z(); z < weakZ {
		t.Errorf("z of %.1f", z)
	}
}

// A line of the scene goes on along a band and leaves nothing of what blocks beside
// each other leave.
func TestCrossing(t *testing.T) {
	p := profile[int32]{size: make([]int32, 20), sign: make([]int32, 20)}
	p.size[5], p.sign[5] = 90, -90
	p.size[13], p.sign[13] = 80, -10
	for x, v := range crossing(nil, p) {
		want := map[int]int32{10: -35, 13: 70, 16: -35}[x]
		if v != want {
			t.Errorf("%d at %d, want %d", v, x, want)
		}
	}
}

// A step is told from the noise that it lies in, and noise alone is none.
func TestRise(t *testing.T) {
	const n, edges = 20000, 8
	r := rand.New(rand.NewPCG(7, 8))
	for _, c := range []struct{ step, noise float64 }{{4, 0}, {4, 2}, {4, 4}, {4, 8}, {0, 4}} {
		var mean float64
		for range n / edges {
			var s sums
			for range edges {
				for range cells.GridBand {
					s.sizeOn += math.Abs(c.step*r.NormFloat64() + c.noise*r.NormFloat64())
					s.sizeOff += math.Abs(c.noise * r.NormFloat64())
				}
				s.nOn++
				s.nOff++
			}
			mean += s.rise() / cells.GridBand / (n / edges)
		}
		// The mean magnitude of a normal distribution is 0.8 of its deviation; what
		// chance adds to noise alone is taken off.
		want := 0.8 * c.step
		if mean > want+0.15*c.noise || mean < want-0.2*want-0.15*c.noise {
			t.Errorf("steps of %g in noise of %g: %.2f, want %.2f", c.step, c.noise, mean, want)
		}
	}
}

// Grids of sets have pitches that fill the picture with a raster of television,
// whatever raster a filmed screen is brought to; those of cameras do not.
func TestGridOfSet(t *testing.T) {
	const w, h = 1232, 693 // a raster that a filmed screen was brought to
	for _, c := range []struct {
		codedW, codedH float64
		want           bool
	}{
		{1920, 1080, true}, {1280, 720, true}, {1440, 1080, true}, {720, 576, true}, {704, 480, true}, {960, 540, true}, {3840, 2160, true},
		{1100, 619, false}, {1530, 861, false}, {1920, 1000, false}, {1920, 480, false}, {1280, 1080, false},
	} {
		for _, block := range []float64{8, 16, 32} {
			g := grid{{pitch: block * w / c.codedW}, {pitch: block * h / c.codedH}}
			if got := g.ofSet(w, h); got != c.want {
				t.Errorf("blocks of %g in %gx%g: %v", block, c.codedW, c.codedH, got)
			}
		}
	}
}

// Blocks are square in some raster of television, in the picture's own or where the
// aspect was kept; what a crowd or a front of windows repeats after is not.
func TestAspectOfCoders(t *testing.T) {
	for _, c := range []struct {
		w, h int
		x, y float64
		want bool
	}{
		{1920, 1080, 8, 8, true},
		{1280, 720, 13.2, 13.2, true}, // any raster made larger with its aspect kept
		{1920, 1080, 8.0 * 1920 / 1440, 8, true},
		{1920, 1080, 8.0 * 1920 / 720, 15, true},
		{1920, 1080, 8.0 * 1920 / 704, 16.0 * 1080 / 576, true},
		{1280, 720, 8.0 * 1280 / 854, 12, true},
		{640, 360, 8.0 * 640 / 426, 12, true},
		{1920, 1080, 8.0 * 1920 / 720, 16.0 * 1080 / 576, true}, // of fields
		{720, 576, 22.32, 19.18, false},
		{720, 480, 24.08, 66.5, false},
		{720, 576, 16.01, 19.03, false},
		{1920, 1080, 30, 26, false},
	} {
		if got := (grid{{pitch: c.x}, {pitch: c.y}}).ofRaster(c.w, c.h); got != c.want {
			t.Errorf("%d x %d: %g by %g: %v", c.w, c.h, c.x, c.y, got)
		}
	}
}

// The blocks of the take's own coder are told though their pitch is off by a little.
func TestOwnBlocks(t *testing.T) {
	for _, c := range []struct {
		pitch, phase float64
		length       int
		want         bool
	}{
		{8, 0, 540, true}, {16, 15.9, 540, true}, {15.9, 1.15, 540, true}, {15.8, 1, 540, false}, {15.95, 0.9, 540, true}, {32.05, 31.9, 1080, true},
		{16, 4, 540, false}, {10, 0, 540, false}, {8.5, 0, 540, false},
	} {
		if got := (comb{c.pitch, c.phase}).own(c.length); got != c.want {
			t.Errorf("%g from %g: %v", c.pitch, c.phase, got)
		}
	}
}
