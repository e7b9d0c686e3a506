package screen

import (
	"fmt"
	"image"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

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

// What the finder is less sure of than this counts as found, but not towards
// the errors: takes of nothing but near black.
const sure = 0.7

// A tally collects errors.
type tally struct {
	found, total int
	find, follow []float64 // px, of the worst corner
	lines        []float64 // of rectified places, lines of the raster
}

func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(v))
	return s[min(int(q*float64(len(s))), len(s)-1)]
}

// seeds is how many seeds of each situation are filmed: one, for time's sake,
// or as many as SETWITNESS_SEEDS says.
func seeds(t *testing.T) int64 {
	s := os.Getenv("SETWITNESS_SEEDS")
	if s == "" {
		return 1
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Simulated takes: the screen is found in 98 % of them at least, corners are
// off by less than 1 px in the median and 3 px at worst, and rectified lines
// lie within half a line of where they are.
func TestFilmedTakes(t *testing.T) {
	t.Parallel()
	var all tally
	for seed := range seeds(t) {
		for i, name := range filming.Names() {
			if name == filming.CloseUp || os.Getenv("SETWITNESS_SEEDS") == "" && i%3 != 1 {
				continue
			}
			s, _ := filming.Named(name, 50, seed)
			played, c := filmed(t, s, int(seed)*7+i, 1.2, seed)
			t.Logf("%-12s %-8s %s", name, played, all.take(t, c))
		}
	}
	t.Logf("found %d of %d; corners: median %.2f px, worst %.2f; followed: median %.2f px, 98 %% %.2f, worst %.2f; lines: median %.2f, worst %.2f",
		all.found, all.total, quantile(all.find, 0.5), quantile(all.find, 1),
		quantile(all.follow, 0.5), quantile(all.follow, 0.98), quantile(all.follow, 1),
		quantile(all.lines, 0.5), quantile(all.lines, 1))
	if float64(all.found) < 0.98*float64(all.total) {
		t.Errorf("found %d of %d", all.found, all.total)
	}
	if quantile(all.find, 0.5) > 1 || quantile(all.find, 1) > 3 {
		t.Errorf("corners off by %.2f px in the median and %.2f at worst", quantile(all.find, 0.5), quantile(all.find, 1))
	}
	if quantile(all.follow, 0.5) > 1 || quantile(all.follow, 0.98) > 3 {
		t.Errorf("followed corners off by %.2f px in the median and %.2f in 2 %%", quantile(all.follow, 0.5), quantile(all.follow, 0.98))
	}
	if e := quantile(all.lines, 0.5); e > 0.5 {
		t.Errorf("lines off by %.2f in the median", e)
	}
}

// A close-up shows no border but the panel's own pixels.
func TestFilmedCloseUp(t *testing.T) {
	t.Parallel()
	s, _ := filming.Named(filming.CloseUp, 50, 1)
	_, c := filmed(t, s, 0, 1.2, 1)
	f := NewFinder(c.Format.W, c.Format.H)
	for _, i := range spread(c, 4) {
		p := c.Picture(i)
		f.Add(&p.Y)
		p.Release()
	}
	got, err := f.Result()
	if err != nil {
		t.Fatal(err)
	}
	frame := c.Frame(0)
	middle := filming.Point{X: float64(c.Source.Format.W) / 2, Y: float64(c.Source.Format.H) / 2}
	want := frame.PxPerLine(middle) * float64(c.Source.Format.H) / float64(s.Set.PanelH)
	if got.Kind != CloseUp || math.Abs(got.PxPerLine/want-1) > 0.03 {
		t.Errorf("%s with %.2f px a line instead of %.2f: %s", got.Kind, got.PxPerLine, want, got.Why)
	}
}

// take finds and follows the screen of one take.
func (a *tally) take(t *testing.T, c *filming.Capture) string {
	f := NewFinder(c.Format.W, c.Format.H)
	const probed, followed = 6, 8
	at := spread(c, probed)
	for _, i := range at {
		p := c.Picture(i)
		f.Add(&p.Y)
		p.Release()
	}
	found, err := f.Result()
	if err != nil {
		t.Fatal(err)
	}
	a.total++
	if found.Kind != Screen {
		return fmt.Sprintf("%s: %s", found.Kind, found.Why)
	}
	a.found++
	if found.LitArea {
		return "only the lit area shows"
	}
	e := corner(found.View.Quad, truth(c.Frame(at[found.Frame])))
	if found.Confidence < sure {
		return fmt.Sprintf("too dark to be sure (%.2f): corners %.2f px", found.Confidence, e)
	}
	a.find = append(a.find, e)
	// Frames as they come, from where a take may begin.
	follower := NewFollower(found.Start)
	var follow, lines []float64
	for i := range followed {
		p := c.Picture(i)
		v := follower.Follow(&p.Y)
		p.Release()
		frame := c.Frame(i)
		follow = append(follow, corner(v.Quad, truth(frame)))
		lines = append(lines, lineError(c, frame, v))
	}
	a.follow = append(a.follow, follow...)
	a.lines = append(a.lines, lines...)
	return fmt.Sprintf("corners %.2f px, followed %.2f px, lines %.2f, confidence %.2f",
		e, quantile(follow, 1), quantile(lines, 1), found.Confidence)
}

// lineError is by how many lines a place of the screen is rectified to a wrong
// one, at worst over the screen.
func lineError(c *filming.Capture, f filming.Frame, v View) float64 {
	raster := RasterSize(v, image.Pt(1920, 1080))
	var e float64
	for j := range 5 {
		for i := range 5 {
			x, y := float64(i)/4, float64(j)/4
			p := f.ToCamera(filming.Point{X: x * float64(c.Source.Format.W), Y: y * float64(c.Source.Format.H)})
			_, got := v.ToScreen(Point{p.X - 0.5, p.Y - 0.5})
			e = max(e, math.Abs(got-y)*float64(raster.Y))
		}
	}
	return e
}
