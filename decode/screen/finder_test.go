package screen

import (
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/scene"
)

// A take is what a booth films for the finder: pictures of content, each with
// the camera moved by half pixels.
type shot struct {
	plane  picture.Plane
	dx, dy int
}

func film(b *booth, n int, shake int, content func(i int) picture.Plane) []shot {
	var out []shot
	for i := range n {
		c := content(i)
		s := shot{dx: b.r.IntN(2*shake+1) - shake, dy: b.r.IntN(2*shake+1) - shake}
		s.plane = b.shoot(&c, s.dx, s.dy)
		out = append(out, s)
	}
	return out
}

func found(t *testing.T, shots []shot) Found {
	t.Helper()
	f := NewFinder(shots[0].plane.W, shots[0].plane.H)
	for i := range shots {
		f.Add(&shots[i].plane)
	}
	r, err := f.Result()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func game(seed int64) func(i int) picture.Plane {
	s := content(seed)
	return func(i int) picture.Plane { return s.Luma(float64(i) * 0.7) }
}

var small = image.Pt(960, 540)

// straightOn lies square in the frame, with w px of its width.
func straightOn(size image.Point, w float64) View {
	h := w * 9 / 16
	cx, cy := float64(size.X)/2, float64(size.Y)/2
	return View{
		Quad: Quad{{cx - w/2, cy - h/2}, {cx + w/2, cy - h/2}, {cx + w/2, cy + h/2}, {cx - w/2, cy + h/2}},
		Size: size, Aspect: 16. / 9,
	}
}

func TestFindsAnyPose(t *testing.T) {
	t.Parallel()
	for seed := range uint64(3) {
		v := randomView(rand.New(rand.NewPCG(seed, 1)), small)
		b := newBooth(t, small, v, seed)
		shots := film(b, 6, 5, game(int64(seed)))
		got := found(t, shots)
		if got.Kind != Screen || got.LitArea {
			t.Errorf("seed %d: %s: %s", seed, got.Kind, got.Why)
			continue
		}
		if e := corner(got.View.Quad, b.moved(shots[got.Frame].dx, shots[got.Frame].dy)); e > 1 {
			t.Errorf("seed %d: corners off by %.2f px", seed, e)
		}
		if got.View.Aspect != 16./9 {
			t.Errorf("seed %d: shape %g", seed, got.View.Aspect)
		}
	}
}

// A window's frame on the screen is steady, straight and strong, and yet no
// border: the picture changes outside of it too.
func TestPrefersTheOutermostFrame(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 700)
	b := newBooth(t, small, v, 1)
	pictures := game(3)
	shots := film(b, 6, 2, func(i int) picture.Plane {
		c := pictures(i)
		for y := range c.H {
			for x := range c.W {
				inside := x > 80 && x < 400 && y > 45 && y < 225
				frame := x > 60 && x < 420 && y > 25 && y < 245 && !inside
				switch {
				case frame:
					c.Pix[y*c.Stride+x] = 17
				case !inside:
					c.Pix[y*c.Stride+x] = uint8(40 + int(c.Pix[y*c.Stride+x])/4)
				}
			}
		}
		return c
	})
	got := found(t, shots)
	if e := corner(got.View.Quad, b.moved(shots[got.Frame].dx, shots[got.Frame].dy)); got.Kind != Screen || e > 2 {
		t.Errorf("%s at %.1f instead of %.1f: %s", got.Kind, got.View.Quad, v.Quad, got.Why)
	}
}

// Two opposite corners lie outside of the frame; their sides meet there.
func TestExtrapolatesCorners(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 800)
	roll := 7 * math.Pi / 180
	for i, p := range v.Quad {
		x, y := p.X-480, p.Y-270
		v.Quad[i] = Point{480 + 1.06*(x*math.Cos(roll)-y*math.Sin(roll)), 270 + 1.06*(x*math.Sin(roll)+y*math.Cos(roll))}
	}
	out := 0
	for _, p := range v.Quad {
		if p.X < 0 || p.Y < 0 || p.X > 959 || p.Y > 539 {
			out++
		}
	}
	if out != 2 {
		t.Fatalf("%d corners outside of the frame: %.0f", out, v.Quad)
	}
	b := newBooth(t, small, v, 1)
	shots := film(b, 6, 0, game(2))
	got := found(t, shots)
	if e := corner(got.View.Quad, v.Quad); got.Kind != Screen || e > 3 {
		t.Errorf("%s, off by %.2f px at %.1f instead of %.1f: %s", got.Kind, e, got.View.Quad, v.Quad, got.Why)
	}
}

func TestBars(t *testing.T) {
	t.Parallel()
	bars := func(i int) picture.Plane {
		s := content(5).Letterboxed(0.128)
		return s.Luma(float64(i) * 0.7)
	}
	// The panel's black is a little brighter than the bezel: its edge shows.
	v := straightOn(small, 700)
	b := newBooth(t, small, v, 1)
	b.panel = 0.002
	shots := film(b, 6, 0, bars)
	got := found(t, shots)
	if e := corner(got.View.Quad, v.Quad); got.Kind != Screen || got.LitArea || e > 3 {
		t.Errorf("%s, lit area %v, off by %.2f px: %s", got.Kind, got.LitArea, e, got.Why)
	}
	// It is as dark as the bezel: only the picture shows.
	b.panel, b.bezel = 0.0003, 0.2
	got = found(t, film(b, 6, 0, bars))
	h := v.Quad[3].Y - v.Quad[0].Y
	bar := 0.128 * h
	lit := v.Quad
	lit[0].Y, lit[1].Y, lit[2].Y, lit[3].Y = lit[0].Y+bar, lit[1].Y+bar, lit[2].Y-bar, lit[3].Y-bar
	if e := corner(got.View.Quad, lit); got.Kind != Screen || !got.LitArea || e > 3 {
		t.Errorf("%s, lit area %v, off by %.2f px: %s", got.Kind, got.LitArea, e, got.Why)
	}
	if a := got.View.Aspect; a < 2.3 || a > 2.45 {
		t.Errorf("picture of %.2f:1", a)
	}
}

// Direct takes: the picture to all four edges, and with bars of exact black.
func TestDirectTakes(t *testing.T) {
	t.Parallel()
	r := scene.Raster{W: 960, H: 540, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 1, Seed: 4}
	game := scene.BallGame(r, scene.Game{PanWidth: 100, PanPeriod: 5, Seconds: 10})
	tiles := scene.Toss(r, scene.Back{Surface: scene.Tiled, Period: 170, Duty: 0.95, Tone: 120}, scene.Move{},
		scene.Ball{Diameter: 60, Speed: 12, Level: 205, Y: 0.5})
	pillars := func(t float64) picture.Plane {
		p := game.Luma(t)
		for y := range p.H {
			for x := range p.W {
				if x < 120 || x >= p.W-120 {
					p.Pix[y*p.Stride+x] = 16
				}
			}
		}
		return p
	}
	windowed := func(t float64) picture.Plane {
		p := pillars(t)
		for y := range p.H {
			if y < 60 || y >= p.H-60 {
				for x := range p.W {
					p.Pix[y*p.Stride+x] = 16
				}
			}
		}
		return p
	}
	// What coding leaves in black.
	coded := func(f func(float64) picture.Plane) func(float64) picture.Plane {
		rnd := rand.New(rand.NewPCG(1, 1))
		return func(t float64) picture.Plane {
			p := f(t)
			for i, c := range p.Pix {
				if c == 16 && rnd.IntN(20) == 0 {
					p.Pix[i]++
				}
			}
			return p
		}
	}
	for name, at := range map[string]func(float64) picture.Plane{
		"full": game.Luma, "tiles": tiles.Luma,
		"letterboxed": game.Letterboxed(0.128).Luma, "pillarboxed": pillars, "windowed": windowed,
		"letterboxed and coded": coded(game.Letterboxed(0.1).Luma), "windowed and coded": coded(windowed),
	} {
		f := NewFinder(960, 540)
		for i := range 8 {
			p := at(float64(i) * 0.9)
			f.Add(&p)
		}
		got, err := f.Result()
		if err != nil || got.Kind != Direct || got.View.Quad != Whole(small).Quad {
			t.Errorf("%s: %s at %.1f, %v: %s", name, got.Kind, got.View.Quad, err, got.Why)
		}
		t.Logf("%s: %.2f %s", name, got.Confidence, got.Why)
	}
}

// A still picture on a set is found, but not believed as much.
func TestStillScreen(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 700)
	b := newBooth(t, small, v, 1)
	still := content(7).Luma(1)
	got := found(t, film(b, 6, 0, func(int) picture.Plane { return still }))
	if e := corner(got.View.Quad, v.Quad); got.Kind != Screen || e > 1 {
		t.Errorf("%s, off by %.2f px: %s", got.Kind, e, got.Why)
	}
}

func TestFinderRefuses(t *testing.T) {
	f := NewFinder(960, 540)
	if _, err := f.Result(); err == nil {
		t.Error("no error without frames")
	}
	p := picture.New(640, 360, 8)
	f.Add(&p)
	if _, err := f.Result(); err == nil {
		t.Error("no error for a frame of another size")
	}
	f = NewFinder(960, 540)
	f.Add(&picture.Plane{})
	if _, err := f.Result(); err == nil {
		t.Error("no error for an empty frame")
	}
	for _, size := range []image.Point{{2, 2}, {8, 8}, {32, 1000}, {4098, 16}} { // a clip all the same
		f = NewFinder(size.X, size.Y)
		p := picture.New(size.X, size.Y, 8)
		f.Add(&p)
		if got, err := f.Result(); err != nil || got.Kind != Direct || !strings.Contains(got.Why, "too small") {
			t.Errorf("frames of %v are %+v, %v", size, got, err)
		}
	}
	f = NewFinder(960, 540)
	black := picture.New(960, 540, 8)
	for range 3 {
		f.Add(&black)
	}
	if got, err := f.Result(); err != nil || got.Kind != Direct || got.Confidence > 0.5 {
		t.Errorf("black frames: %s %.2f, %v", got.Kind, got.Confidence, err)
	}
}

// A long probe keeps a bounded number of frames, spread over all of it.
func TestFinderThinsOut(t *testing.T) {
	f := NewFinder(64, 36)
	for i := range 500 {
		p := picture.New(64, 36, 8)
		for k := range p.Pix {
			p.Pix[k] = uint8(i / 2)
		}
		f.Add(&p)
	}
	if len(f.stack) > mostReduced || len(f.stack) < mostReduced/2 || len(f.whole) != mostWhole {
		t.Fatalf("%d reduced and %d whole frames are kept", len(f.stack), len(f.whole))
	}
	for i, s := range f.stack {
		if want := uint8(i * f.every / 2); s[0] != want {
			t.Fatalf("reduced frame %d is of code %d instead of %d", i, s[0], want)
		}
	}
}
