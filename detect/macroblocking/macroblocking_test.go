package macroblocking_test

import (
	"context"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/macroblocking"
	"setwitness/detect/motion"
	"setwitness/detect/vision"
	"setwitness/testdata/blocks"
)

var stages = []*detect.Stage{cells.Stage, motion.Stage, macroblocking.Stage}

func run(t *testing.T, src detect.Source) *detect.Result {
	t.Helper()
	res, err := detect.Run(context.Background(), src, stages, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// A few takes of package blocks, whose exam runs all of them.
func TestTakes(t *testing.T) {
	if testing.Short() {
		t.Skip("plays takes")
	}
	chosen := map[string]bool{
		"blocks-own-8-place": true, "blocks-3:2": true, "blocks-4:3-place": true,
		"clean-tiles-faint": true, "clean-bricks": true, "clean-fence-at-step": true, "clean-checks": true, "clean-halftone": true,
		"clean-panel-grid": true, "clean-grid-lines": true, "clean-lattice": true,
	}
	for _, k := range blocks.All(1) {
		if !chosen[k.Name] {
			continue
		}
		delete(chosen, k.Name)
		if k.Negative != "" {
			k.Frames = min(k.Frames, 25)
		}
		t.Run(k.Name, func(t *testing.T) {
			t.Parallel()
			out := k.Score(run(t, k.Source()).Events)
			for _, m := range out.Misses {
				t.Errorf("missed %+v", m)
			}
			for _, e := range out.False {
				t.Errorf("%s: found %+v", k.Negative, e)
			}
			for _, h := range out.Hits {
				for _, m := range []string{blocks.PitchX, blocks.PitchY} {
					if got, want := h.Event.Measures[m], h.Truth.Measures[m]; math.Abs(got/want-1) > 0.02 {
						t.Errorf("%s is %.2f, want %.2f", m, got, want)
					}
				}
				for _, m := range []string{"dark_share", "flicker_share", "area_share"} {
					if v, ok := h.Event.Measures[m]; !ok || v < 0 || v > 1 {
						t.Errorf("%s is %v", m, v)
					}
				}
			}
		})
	}
	for name := range chosen {
		t.Errorf("no take is called %s", name)
	}
}

// sequence is a source of pictures that a function draws.
type sequence struct {
	format picture.Format
	n, at  int
	draw   func(i int) picture.Plane
}

func (s *sequence) Format() picture.Format { return s.format }

func (s *sequence) Next(context.Context) (*picture.Picture, error) {
	if s.at == s.n {
		return nil, io.EOF
	}
	s.at++
	i := s.at - 1
	return &picture.Picture{Index: i, Frame: i, Time: time.Duration(i) * time.Second / 25, Y: s.draw(i)}, nil
}

// noise is a plane of a level with noise.
func noise(w, h int, level, sigma float64) picture.Plane {
	r := rand.New(rand.NewPCG(uint64(w), uint64(h)))
	p := picture.New(w, h, 8)
	for i := range p.Pix {
		p.Pix[i] = uint8(min(max(math.Round(level+sigma*r.NormFloat64()), 0), 255))
	}
	return p
}

// What a take could have shown depends on how large, smooth and long it is.
func TestCoverage(t *testing.T) {
	for _, c := range []struct {
		name  string
		w, h  int
		n     int
		sigma float64
		state detect.CoverageState
	}{
		{"smooth", 640, 360, 20, 0.5, detect.Examined},
		{"small", 120, 90, 20, 0.5, detect.NotExaminable},
		{"nothing but texture", 640, 360, 20, 60, detect.NotExaminable},
		{"one picture", 640, 360, 1, 0.5, detect.Limited},
	} {
		p := noise(c.w, c.h, 100, c.sigma)
		src := &sequence{format: picture.Format{W: c.w, H: c.h, Depth: 8, RateNum: 25, RateDen: 1}, n: c.n, draw: func(int) picture.Plane { return p }}
		res := run(t, src)
		if len(res.Coverage) != 1 || len(res.Events) != 0 {
			t.Fatalf("%s: %+v, %+v", c.name, res.Coverage, res.Events)
		}
		got := res.Coverage[0]
		if got.State != c.state || c.state == detect.Examined && (got.Floor < 1 || got.Seconds < 0.5) || c.state != detect.Examined && got.Why == "" {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// Steps that no coder leaves are drawn, as those of a picture of large pixels.
func TestLargePixels(t *testing.T) {
	const w, h, size = 640, 384, 16
	for tones, want := range map[int]int{12: 1, 32: 0} {
		p := picture.New(w, h, 8)
		for y := range h {
			for x := range w {
				p.Pix[y*w+x] = uint8(60 + rand.New(rand.NewPCG(4, uint64(y/size*w+x/size))).IntN(tones))
			}
		}
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 20, draw: func(int) picture.Plane { return p }}
		if res := run(t, src); len(res.Events) != want {
			t.Errorf("%d tones: found %+v", tones, res.Events)
		}
	}
}

// Blocks that single codes part are reported when they are asked for, and coverage says
// that they are not.
func TestLeastStep(t *testing.T) {
	const w, h, size = 640, 384, 16
	p := picture.New(w, h, 8)
	for y := range h {
		for x := range w {
			p.Pix[y*w+x] = uint8(60 + rand.New(rand.NewPCG(4, uint64(y/size*w+x/size))).IntN(2))
		}
	}
	for least, want := range map[float64]int{1: 0, 0.9: 1} {
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 20, draw: func(int) picture.Plane { return p }}
		res, err := detect.Run(context.Background(), src, stages, map[string]float64{"macroblocking.least-step": least}, nil)
		if err != nil {
			t.Fatal(err)
		}
		c := res.Coverage[0]
		if len(res.Events) != want || (c.Why != "") != (want == 0) || want == 0 && c.Floor < 1.2 {
			t.Errorf("least step %g: found %+v, coverage %+v", least, res.Events, c)
		}
	}
}

// The floor rises with the noise of the take.
func TestFloorRisesWithNoise(t *testing.T) {
	last := 0.0
	for _, sigma := range []float64{0.5, 10, 25} {
		p := noise(640, 360, 100, sigma)
		src := &sequence{format: picture.Format{W: 640, H: 360, Depth: 8, RateNum: 25, RateDen: 1}, n: 10, draw: func(int) picture.Plane { return p }}
		floor := run(t, src).Coverage[0].Floor
		if floor < last {
			t.Errorf("noise of %g codes: floor of %.2f JND after %.2f", sigma, floor, last)
		}
		last = floor
	}
	if last <= 1 {
		t.Errorf("floor of %.2f JND in strong noise", last)
	}
}

// levels is a plane of blocks of 16 samples with levels from 30 to 34 by chance.
func levels(w, h, seed int) picture.Plane {
	const size = 16
	p := picture.New(w, h, 8)
	for y := range h {
		for x := range w {
			r := rand.New(rand.NewPCG(uint64(seed), uint64(y/size*w+x/size)))
			p.Pix[y*w+x] = uint8(30 + r.IntN(5))
		}
	}
	return p
}

// Where a camera filmed a screen, blocks that fill the picture with no raster of
// television are the camera's own.
func TestCamerasBlocks(t *testing.T) {
	for _, c := range []struct {
		h      int
		camera bool
		want   int
	}{{360, false, 1}, {384, false, 1}, {360, true, 1}, {384, true, 0}} {
		p := levels(640, c.h, 1)
		src := &sequence{format: picture.Format{W: 640, H: c.h, Depth: 8, RateNum: 25, RateDen: 1}, n: 15, draw: func(int) picture.Plane { return p }}
		conditions := vision.Reference(vision.SRGB)
		conditions.Camera = c.camera
		res, err := detect.RunUnder(context.Background(), conditions, src, stages, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Events) != c.want {
			t.Errorf("640x%d, filmed %v: found %+v", c.h, c.camera, res.Events)
		}
	}
}

// What shows for a tenth of a second is too short to be seen as blocks, even where
// the same grid is there all the time, too faint to be seen.
func TestOneLookIsNoFinding(t *testing.T) {
	const w, h, n, size = 640, 384, 40, 16
	draw := func(codes int) picture.Plane {
		p := picture.New(w, h, 10)
		for y := range h {
			for x := range w {
				r := rand.New(rand.NewPCG(1, uint64(y/size*w+x/size)))
				p.Pix16[y*w+x] = uint16(240 + r.IntN(codes+1))
			}
		}
		return p
	}
	faint, plain := draw(1), draw(16)
	for _, c := range []struct{ first, last, want int }{{21, 23, 0}, {21, 32, 1}} {
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 10, RateNum: 25, RateDen: 1}, n: n, draw: func(i int) picture.Plane {
			if i >= c.first && i <= c.last {
				return plain
			}
			return faint
		}}
		if res := run(t, src); len(res.Events) != c.want {
			t.Errorf("blocks in pictures %d to %d: found %+v", c.first, c.last, res.Events)
		}
	}
}

// Blocks that stay as they are do not flicker, those that have new levels at
// every picture do; that and the step are what the maker of the take says.
func TestMeasures(t *testing.T) {
	flicker := map[bool]float64{}
	for _, still := range []bool{true, false} {
		const w, h, n = 640, 384, 30
		var planes []picture.Plane
		for i := range n {
			if still {
				i = 0
			}
			planes = append(planes, levels(w, h, i))
		}
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: n, draw: func(i int) picture.Plane { return planes[i] }}
		res := run(t, src)
		if len(res.Events) != 1 {
			t.Fatalf("found %+v", res.Events)
		}
		m := res.Events[0].Measures
		flicker[still] = m["flicker_share"]
		// Two of the levels 0 to 4 differ by 1.6 on average.
		if m["step_codes"] < 1.1 || m["step_codes"] > 1.8 || m["dark_share"] != 1 {
			t.Errorf("still %v: %v", still, m)
		}
		// Along an edge of four blocks none differ by more than 4, and one in twenty
		// by more than 2.5 on average.
		if k := m["top_step_codes"]; k < 2.2 || k > 4 || m["top_step_jnd"] < res.Events[0].Strength {
			t.Errorf("still %v, strength %.2f: %v", still, res.Events[0].Strength, m)
		}
	}
	if flicker[true] > 0.01 || flicker[false] < 0.7 {
		t.Errorf("flicker of still blocks %.2f, of others %.2f", flicker[true], flicker[false])
	}
}

// Blocks that differ by the least that the signal can show are no fault, though
// they can be seen in the dark; those of a signal of more bits are finer.
func TestSingleLevelsAreNoFault(t *testing.T) {
	for _, c := range []struct{ depth, apart, want int }{{8, 1, 0}, {8, 2, 1}, {10, 4, 1}, {10, 2, 0}} {
		p := picture.New(640, 360, c.depth)
		for y := range p.H {
			for x := range p.W {
				r := rand.New(rand.NewPCG(1, uint64(y/16*p.W+x/16)))
				v := 30<<(c.depth-8) + r.IntN(2)*c.apart
				if c.depth == 8 {
					p.Pix[y*p.W+x] = uint8(v)
				} else {
					p.Pix16[y*p.W+x] = uint16(v)
				}
			}
		}
		src := &sequence{format: picture.Format{W: p.W, H: p.H, Depth: c.depth, RateNum: 25, RateDen: 1}, n: 15, draw: func(int) picture.Plane { return p }}
		if res := run(t, src); len(res.Events) != c.want {
			t.Errorf("%d levels of %d bits: found %+v", c.apart, c.depth, res.Events)
		}
	}
}

// Nor are they where lights of the scene, which lie on the grid here and there, make
// its edges larger.
func TestLightsAmongSingleLevels(t *testing.T) {
	src := &sequence{format: picture.Format{W: 1280, H: 704, Depth: 8, RateNum: 25, RateDen: 1}, n: 30, draw: func(i int) picture.Plane {
		p := picture.New(1280, 704, 8)
		for y := range p.H {
			for x := range p.W {
				// A third of the blocks has one code more in some of its quarters, at
				// each picture others.
				r := rand.New(rand.NewPCG(uint64(i/2+1), uint64(y/16*p.W+x/16)))
				quarters := r.IntN(16) * (r.IntN(3) / 2)
				p.Pix[y*p.W+x] = uint8(17 + quarters>>(y/8%2*2+x/8%2)&1)
			}
		}
		r := rand.New(rand.NewPCG(7, 7))
		for range 500 {
			x, y := (r.IntN(p.W)+3*i)%(p.W-4), r.IntN(p.H/2)
			for v := range 3 {
				for u := range 3 {
					p.Pix[(y+v)*p.W+x+u] = uint8(40 + r.IntN(120))
				}
			}
		}
		return p
	}}
	if res := run(t, src); len(res.Events) != 0 {
		t.Errorf("found %+v", res.Events)
	}
}

// Squares of plain tones are blocks where they lie as a coder's do, also where the border
// was cut off, where they take new tones, or rest while the scene moves; else they are a
// mosaic, which rests or moves with the scene.
func TestBlocksRest(t *testing.T) {
	const w, h = 640, 384
	for _, c := range []struct {
		name  string
		size  int // of a square
		x, y  int // where the first begins
		boils bool
		speed int // pixels in ten pictures
		pan   int // of the scene, pixels from picture to picture
		want  int
	}{
		{"from the border", 16, 0, 0, false, 0, 0, 1},
		{"of a picture whose border was cut off", 16, 5, 9, false, 0, 0, 1},
		{"a mosaic", 18, 5, 9, false, 0, 0, 0},
		{"off the border, with new tones", 18, 5, 9, true, 0, 0, 1},
		{"off the border, at rest in a pan", 18, 5, 9, false, 0, 8, 1},
		{"a mosaic that moves", 16, 0, 0, false, 6, 0, 0},
		{"a mosaic that moves by half a square from picture to picture", 16, 0, 0, false, 80, 0, 0},
		{"a mosaic in a pan", 18, 5, 9, false, 80, 8, 0},
	} {
		size := c.size
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 30, draw: func(i int) picture.Plane {
			p := picture.New(w, h, 8)
			of := uint64(0)
			if c.boils {
				of = uint64(i / 2)
			}
			left := c.x + c.speed*i/10
			for y := range h {
				for x := range w {
					// A code of noise, so that nothing is without any.
					n := rand.New(rand.NewPCG(uint64(i), uint64(y*w+x))).IntN(2)
					r := rand.New(rand.NewPCG(of, uint64((y+size-c.y)/size*w+(x+20*size-left)/size)))
					p.Pix[y*w+x] = uint8(36 + r.IntN(6) + n)
					// Lamps of the scene.
					const apart, far = 64, 20 * 64
					u, v := (x-c.pan*i+far)/apart, y/apart
					lamp := rand.New(rand.NewPCG(7, uint64(u*99+v)))
					if du, dv := (x-c.pan*i+far)%apart-8-lamp.IntN(48), y%apart-8-lamp.IntN(48); c.pan > 0 && du*du+dv*dv < 36 {
						p.Pix[y*w+x] = 90
					}
				}
			}
			return p
		}}
		if res := run(t, src); len(res.Events) != c.want {
			t.Errorf("%s: found %+v", c.name, res.Events)
		}
	}
}

// Squares off the border that come while the scene rests are a coder's; those of a mosaic
// come with another scene.
func TestBlocksCome(t *testing.T) {
	const w, h, size, first, last = 640, 384, 18, 18, 44
	for _, c := range []struct {
		name  string
		level int // of what is there before and after
		want  int
	}{{"blocks", 38, 1}, {"a mosaic between cuts", 60, 0}} {
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 60, draw: func(i int) picture.Plane {
			p := picture.New(w, h, 8)
			for y := range h {
				for x := range w {
					n := rand.New(rand.NewPCG(uint64(i), uint64(y*w+x))).IntN(2)
					v := c.level
					if i >= first && i <= last {
						v = 36 + rand.New(rand.NewPCG(0, uint64((y+7)/size*w+(x+11)/size))).IntN(6)
					}
					p.Pix[y*w+x] = uint8(v + n)
				}
			}
			return p
		}}
		res := run(t, src)
		if len(res.Events) != c.want {
			t.Errorf("%s: found %+v", c.name, res.Events)
		}
		for _, e := range res.Events {
			if e.Start < first || e.Start > first+5 || e.End < last-5 || e.End > last {
				t.Errorf("%s: in pictures %d to %d", c.name, e.Start, e.End)
			}
		}
	}
}

// Blocks that hold most of a slope have edges that are not the wider for it.
func TestBlocksOnSlope(t *testing.T) {
	const w, h, size, held = 640, 384, 8, 0.75
	p := picture.New(w, h, 8)
	in := func(x int) float64 { return float64(x/size*size) + held*float64(x%size) }
	for y := range h {
		for x := range w {
			n := rand.New(rand.NewPCG(3, uint64(y*w+x))).Float64()
			p.Pix[y*w+x] = uint8(40 + 0.4*math.Abs(math.Mod(in(x), 320)-160) + 0.4*math.Abs(math.Mod(in(y), 320)-160) + n)
		}
	}
	src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 15, draw: func(int) picture.Plane { return p }}
	if res := run(t, src); len(res.Events) != 1 {
		t.Errorf("found %+v", res.Events)
	}
}

// foundFrom runs two seconds of one picture with another in its place from first to last,
// which have to be found as one event that begins within two looks.
func foundFrom(t *testing.T, usual, blocks picture.Plane, first, last int) {
	t.Helper()
	src := &sequence{format: picture.Format{W: usual.W, H: usual.H, Depth: 8, RateNum: 25, RateDen: 1}, n: 50, draw: func(i int) picture.Plane {
		if i >= first && i <= last {
			return blocks
		}
		return usual
	}}
	res := run(t, src)
	if len(res.Events) != 1 || res.Events[0].Start < first || res.Events[0].Start > first+5 || res.Events[0].End > last {
		t.Errorf("found %+v", res.Events)
	}
}

// Blocks begin where they do, though another coder leaves its grid, of single codes, in
// the same places all along.
func TestBeginsAmongFaintBlocks(t *testing.T) {
	const w, h, first, last = 640, 384, 18, 32
	draw := func(codes int) picture.Plane {
		p := picture.New(w, h, 8)
		for y := range h {
			for x := range w {
				p.Pix[y*w+x] = uint8(30 + rand.New(rand.NewPCG(4, uint64(y/16*w+x/16))).IntN(codes+1))
			}
		}
		return p
	}
	faint, plain := draw(1), draw(4)
	foundFrom(t, faint, plain, first, last)
}

// A third of a second of another coder's blocks in a part of the picture is found, though
// it lies in two spans and the take's own coder leaves its grid, of single codes, everywhere.
func TestShortBurst(t *testing.T) {
	const w, h, first, last = 1280, 720, 13, 20
	part := image.Rect(130, 220, 770, 580)
	draw := func(burst bool) picture.Plane {
		p := picture.New(w, h, 8)
		for y := range h {
			for x := range w {
				v := 30 + rand.New(rand.NewPCG(4, uint64(y/16*w+x/16))).IntN(8)/7
				if burst && image.Pt(x, y).In(part) {
					v = 27 + rand.New(rand.NewPCG(5, uint64(y/20*w+x*9/256))).IntN(9)
				}
				p.Pix[y*w+x] = uint8(v)
			}
		}
		return p
	}
	own, burst := draw(false), draw(true)
	foundFrom(t, own, burst, first, last)
}

// Large pixels of a drawing that scrolls by them have steps that follow each other up and
// down, as those of no slope do.
func TestScrolledPixels(t *testing.T) {
	const w, h, size, cols, rows = 1280, 720, 18, 72, 40
	at := func(x, y int) int { return (y+rows)%rows*cols + (x+cols)%cols }
	var raw, tone [cols * rows]int
	r := rand.New(rand.NewPCG(6, 0))
	for i := range raw {
		raw[i] = r.IntN(6)
	}
	for y := range rows {
		for x := range cols {
			var near []int
			for i := range 25 {
				near = append(near, raw[at(x+i%5-2, y+i/5-2)])
			}
			slices.Sort(near)
			tone[at(x, y)] = near[len(near)/2]
		}
	}
	src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 25, draw: func(i int) picture.Plane {
		p := picture.New(w, h, 8)
		for y := range h {
			for x := range w {
				p.Pix[y*w+x] = uint8(20 + 9*tone[at(x/size+i/3, y/size)])
			}
		}
		return p
	}}
	if res := run(t, src); len(res.Events) != 0 {
		t.Errorf("found %+v", res.Events)
	}
}

// Steps of a code or two across the pickets of a fence are hidden by the pickets, as those
// beside them are.
func TestPicketsHideSteps(t *testing.T) {
	const w, h, size = 640, 384, 16
	for contrast, want := range map[int]int{0: 1, 60: 0} {
		p := picture.New(w, h, 8)
		for y := range h {
			for x := range w {
				v := 80 + rand.New(rand.NewPCG(4, uint64(y/size*w+x/size))).IntN(3)
				// Soft at the edges, and no two alike.
				pickets := [8]int{1, 2, 3, 3, 2, 1, 0, 0}
				v += pickets[x%8] * (contrast - rand.New(rand.NewPCG(5, uint64(x/8))).IntN(contrast/3+1)) / 3
				p.Pix[y*w+x] = uint8(v)
			}
		}
		src := &sequence{format: picture.Format{W: w, H: h, Depth: 8, RateNum: 25, RateDen: 1}, n: 20, draw: func(int) picture.Plane { return p }}
		if res := run(t, src); len(res.Events) != want {
			t.Errorf("a contrast of %d codes: found %+v", contrast, res.Events)
		}
	}
}
