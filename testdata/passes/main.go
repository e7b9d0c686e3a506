// Passes writes repeated takes of the same thing: what a set shows in them is
// the same, and start, noise, coding and, in films of a screen, the camera's
// stand, hold and timing differ. What scans of them say of a fault differs by
// no more than the measurement's own spread.
package main

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"setwitness/decode/picture"
	"setwitness/testdata/blocks"
	"setwitness/testdata/faults"
	"setwitness/testdata/filming"
	filmcodec "setwitness/testdata/filming/codec"
	"setwitness/testdata/gradients"
	"setwitness/testdata/takes"
	"setwitness/testdata/takes/codec"
)

type settings struct {
	dir, only   string
	seed        int64
	count       int
	film, names bool
}

func main() {
	var s settings
	flag.StringVar(&s.dir, "dir", "", "write DIR/TAKE/PASS.mp4 below this `folder`")
	flag.StringVar(&s.only, "only", "", "takes with one of these `names` (comma between them)")
	flag.Int64Var(&s.seed, "seed", 1, "seed of the catalogues and of what differs")
	flag.IntVar(&s.count, "count", 5, "passes of each take")
	flag.BoolVar(&s.film, "film", false, "film the takes off a set")
	flag.BoolVar(&s.names, "names", false, "only print the names of the takes")
	flag.Parse()
	if err := run(s); err != nil {
		fmt.Fprintln(os.Stderr, "passes:", err)
		os.Exit(1)
	}
}

func run(s settings) error {
	for _, t := range slices.Concat(takes.All(s.seed), gradients.All(s.seed), blocks.All(s.seed)) {
		if s.only != "" && !slices.Contains(strings.Split(s.only, ","), t.Name) || s.film && t.Format.Fields {
			continue
		}
		if s.names {
			fmt.Println(t.Name)
			continue
		}
		dir := filepath.Join(s.dir, t.Name)
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		for i := range s.count {
			r := rand.New(rand.NewPCG(uint64(s.seed), uint64(i)))
			name := fmt.Sprintf("pass-%d", i+1)
			if err := write(s, late(t, r.IntN(lateMost)), dir, name, int64(i), r); err != nil {
				return fmt.Errorf("%s, pass %d: %w", t.Name, i+1, err)
			}
		}
	}
	return nil
}

// lateMost is how many pictures of a take a pass may miss at its start.
const lateMost = 5

// late leaves out the first n pictures of a take.
func late(t takes.Take, n int) takes.Take {
	all := t.Picture
	t.Frames -= n
	t.Picture = func(i int) *picture.Picture {
		p, at := all(i+n), all(i)
		return &picture.Picture{Index: i, Frame: i, Time: at.Time, Parity: p.Parity, Y: p.Y, Cb: p.Cb, Cr: p.Cr}
	}
	t.Truth = nil
	return t
}

func write(s settings, t takes.Take, dir, name string, pass int64, r *rand.Rand) error {
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	if !s.film {
		t.Name = name
		// What analogue parts and dither of a recorder leave, and the range of
		// qualities that recorders use (common practice, no source).
		_, err := codec.Write(noisy(t, between(0.3, 0.9), r.Uint64()), dir, 16+r.IntN(6))
		return err
	}
	source := filming.OfTake(t)
	// One set, one camera, one stand: those of the take's seed.
	situation, _ := filming.Named(filming.Stand, refresh(t.Format.Rate()), s.seed)
	situation.Set.PhaseS = -between(0, 1/situation.Set.RefreshHz)
	c := &situation.Camera
	c.Pose.YawDeg += between(-1, 1)
	c.Pose.PitchDeg += between(-0.5, 0.5)
	c.Pose.RollDeg += between(-0.5, 0.5)
	c.Pose.ShiftX += between(-0.01, 0.01)
	c.Pose.ShiftY += between(-0.01, 0.01)
	c.Motion = filming.Motion{SwayPx: between(0, 1.5), ShakePx: between(0, 0.3), SwayDeg: between(0, 0.05)}
	capture, err := situation.Film(faults.Cached(source, cached), 0, s.seed*1000+pass)
	if err != nil {
		return err
	}
	_, err = filmcodec.Write(capture, dir, name, filmcodec.Options{CaptureRate: true})
	return err
}

// cached pictures of a source are kept: an exposure sees two of them.
const cached = 8

// refresh is that of a set that shows a rate.
func refresh(rate float64) float64 {
	for _, hz := range []float64{50, 60} {
		if n := hz / rate; n > 0.99 && n-float64(int(n+0.01)) < 0.01 {
			return hz
		}
	}
	return 60
}

// noisy adds noise to every sample: sigma is its standard deviation in codes of
// 8 bits.
func noisy(t takes.Take, sigma float64, seed uint64) takes.Take {
	all := t.Picture
	t.Picture = func(i int) *picture.Picture {
		p := all(i)
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		return &picture.Picture{
			Index: i, Frame: i, Time: p.Time, Parity: p.Parity,
			Y: noisyPlane(p.Y, sigma, r), Cb: noisyPlane(p.Cb, sigma, r), Cr: noisyPlane(p.Cr, sigma, r),
		}
	}
	return t
}

func noisyPlane(p picture.Plane, sigma float64, r *rand.Rand) picture.Plane {
	if p.Empty() {
		return p
	}
	out := picture.New(p.W, p.H, p.Depth)
	codes := sigma * float64(int(1)<<(p.Depth-8))
	for y := range p.H {
		for x := range p.W {
			v := float64(p.At(x, y)) + codes*r.NormFloat64()
			code := min(max(int(v+0.5), 0), p.Full())
			if out.Pix16 != nil {
				out.Pix16[y*out.Stride+x] = uint16(code)
			} else {
				out.Pix[y*out.Stride+x] = uint8(code)
			}
		}
	}
	return out
}
