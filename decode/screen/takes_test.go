package screen

import (
	"fmt"
	"image"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/filming"
	"setwitness/testdata/scene"
)

// truth returns the corners of a filmed frame in this package's coordinates.
func truth(f filming.Frame) Quad {
	var q Quad
	for i, p := range f.Corners {
		q[i] = Point{p.X - 0.5, p.Y - 0.5}
	}
	return q
}

// played draws what the set shows: bright, dark, fading, moving, still, and
// full of straight lines of its own.
func played(n int, seed int64) (string, faults.Sequence) {
	r := scene.Raster{W: 960, H: 540, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 0.6, Seed: seed}
	wall := scene.Back{Surface: scene.Plain, Tone: 95}
	ball := scene.Ball{Diameter: 60, Speed: 12, Level: 205, Y: 0.5}
	var s *scene.Scene
	names := []string{"game", "foliage", "street", "dark", "cartoon", "fading", "bars", "tiles", "wall", "gravel"}
	name := names[n%len(names)]
	switch name {
	case "game":
		s = scene.BallGame(r, scene.Game{PanWidth: 150, PanPeriod: 4, Seconds: 4})
	case "foliage":
		s = scene.Toss(r, scene.Back{Surface: scene.Foliage}, scene.Move{X: 2}, ball)
	case "street":
		s = scene.Pan(r, scene.Back{Surface: scene.Street}, scene.Move{X: 6})
	case "dark":
		s = scene.Toss(r, scene.Back{Surface: scene.Plain, Tone: 30, Contrast: 2}, scene.Move{}, scene.Ball{Diameter: 90, Speed: 9, Level: 52, Y: 0.4})
	case "cartoon":
		s = scene.Cartoon(r, 4, 2)
	case "fading":
		s = scene.BallGame(r, scene.Game{PanWidth: 100, PanPeriod: 4, Seconds: 4}).Graded(func(t float64) (gain, lift float64) {
			g := math.Max(0.02, math.Min(1, math.Abs(t-0.8)*2))
			return g, 16 * (1 - g)
		})
	case "bars":
		s = scene.Pan(r, scene.Back{Surface: scene.Upright, Period: 130, Duty: 0.8, Tone: 150, Contrast: 110}, scene.Move{X: 1.5})
	case "tiles":
		s = scene.Toss(r, scene.Back{Surface: scene.Tiled, Period: 170, Duty: 0.95, Tone: 120}, scene.Move{}, ball)
	case "wall":
		s = scene.Toss(r, wall, scene.Move{}, ball)
	case "gravel":
		s = scene.Pan(r, scene.Back{Surface: scene.Gravel, Tone: 70, Contrast: 40}, scene.Move{X: 3, Y: 1})
	}
	return name, filming.OfScene(s, 100)
}

// filmed returns a capture of number n of what a set may show.
func filmed(t testing.TB, s filming.Situation, n int, seconds float64, seed int64) (string, *filming.Capture) {
	t.Helper()
	name, source := played(n, seed)
	c, err := s.Film(source, seconds, seed)
	if err != nil {
		t.Fatal(err)
	}
	return name, c
}

// spread returns n frames spread over a capture.
func spread(c *filming.Capture, n int) []int {
	var out []int
	for i := range n {
		out = append(out, i*(c.Frames-1)/max(n-1, 1))
	}
	return slices.Compact(out)
}

func find(t testing.TB, c *filming.Capture, n int) (*Finder, []int) {
	f := NewFinder(c.Format.W, c.Format.H)
	at := spread(c, n)
	for _, i := range at {
		p := c.Picture(i)
		f.Add(&p.Y)
		p.Release()
	}
	return f, at
}

func TestFindsFilmedScreens(t *testing.T) {
	n := 3
	if s, err := strconv.Atoi(os.Getenv("SEEDS")); err == nil {
		n = s
	}
	var errs []float64
	total := 0
	names := filming.Names()
	if n := os.Getenv("ONLY"); n != "" {
		names = []string{n}
	}
	for i, name := range names {
		if name == filming.CloseUp {
			continue
		}
		for seed := range int64(n) {
			s, _ := filming.Named(name, 50, seed)
			played, c := filmed(t, s, int(seed)*7+i, 2, seed)
			name := name + " " + played
			f, at := find(t, c, 8)
			found, err := f.Result()
			if err != nil {
				t.Fatal(err)
			}
			total++
			if found.Kind != Screen {
				t.Logf("%s %d: MISSED: %s: %s", name, seed, found.Kind, found.Why)
				if os.Getenv("SHOW") != "" {
					show(t, f, fmt.Sprintf("/tmp/screen/%s%d", name, seed), truth(c.Frame(at[0])))
				}
				continue
			}
			want := truth(c.Frame(at[found.Frame]))
			e := corner(found.View.Quad, want)
			errs = append(errs, e)
			l := found.View.lens()
			flen := float64(max(s.Camera.W, s.Camera.H)) / 2 / math.Tan(s.Camera.FieldOfViewDeg*math.Pi/360)
			k := l.half / flen
			t.Logf("%s %d: corner %.2f px, k1 %.3f for %.3f, confidence %.2f aspect %.2f", name, seed, e, found.View.K1, s.Camera.K1*k*k+s.Camera.K2*k*k*k*k, found.Confidence, found.View.Aspect)
			if e > 3 && os.Getenv("SHOW") != "" {
				show(t, f, fmt.Sprintf("/tmp/screen/%s%d", name, seed), want)
			}
		}
	}
	slices.Sort(errs)
	if len(errs) > 0 {
		t.Logf("found %d of %d, worst corners: median %.2f, 90%% %.2f worst %.2f", len(errs), total, errs[len(errs)/2], errs[len(errs)*9/10], errs[len(errs)-1])
	}
}

func dump(t testing.TB, name string, f *Finder) {
	s := f.survey()
	un := make([]uint8, len(s.unrest))
	for i, u := range s.unrest {
		un[i] = uint8(min(u*4, 255))
	}
	write := func(n string, p picture.Plane) {
		o, _ := os.Create(n)
		fmt.Fprintf(o, "P5 %d %d 255\n", p.W, p.H)
		o.Write(p.Pix)
		o.Close()
	}
	write(name+"-max.pgm", picture.Plane{Pix: s.most, W: s.w, H: s.h})
	write(name+"-unrest.pgm", picture.Plane{Pix: un, W: s.w, H: s.h})
	write(name+"-frame.pgm", f.whole[0].plane)
}

func show(t testing.TB, f *Finder, name string, want Quad) {
	dump(t, name, f)
	for _, c := range f.search(f.survey()) {
		t.Logf("   cand %.1f k1 %.3f rough %.2f score %.2f seen %.2f contrast %.2f rms %.2f hidden %v", c.view.Quad, c.view.K1, c.rough, c.score, c.fit.seen, c.fit.contrast, c.fit.rms, c.hidden)
	}
	t.Logf("   truth %.1f", want)
}

func s2(c *filming.Capture) image.Point { return image.Pt(c.Format.W, c.Format.H) }
