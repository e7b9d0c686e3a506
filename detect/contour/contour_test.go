package contour

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"fmt"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/vision"
	"setwitness/testdata/footage"
)

// still shows one picture some times, 25 a second.
type still struct {
	format picture.Format
	p      *picture.Picture
	n, i   int
}

func (s *still) Format() picture.Format { return s.format }

func (s *still) Next(context.Context) (*picture.Picture, error) {
	if s.i == s.n {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: s.i, Frame: s.i, Y: s.p.Y, Cb: s.p.Cb, Cr: s.p.Cr}
	s.i++
	return p, nil
}

// look returns what the stage sees in one picture of luma, steps of single codes
// too.
func look(t testing.TB, y picture.Plane) (*Store, *Field) {
	t.Helper()
	src := &still{n: 1, p: &picture.Picture{Y: y}, format: picture.Format{W: y.W, H: y.H, Depth: y.Depth, ChromaX: -1, ChromaY: -1, RateNum: 25, RateDen: 1}}
	var store *Store
	keep := *Stage
	keep.New = func(s *detect.Setup) (detect.State, error) {
		state, err := Stage.New(s)
		store = state.(*Store)
		return state, err
	}
	if _, err := detect.Run(context.Background(), src, []*detect.Stage{cells.Stage, &keep}, map[string]float64{"contour.least-step": 0.9}, nil); err != nil {
		t.Fatal(err)
	}
	return store, &store.field
}

// everything is a part of the gradient with the most levels.
func everything(f *Field) (best Part) {
	for i := range f.Gradients {
		var p Part
		p.measure(f.Gradients[i].Contours, func(*Contour) bool { return true }, func(float64) float64 { return 1 }, false)
		if p.Levels > best.Levels {
			best = p
		}
	}
	return best
}

// drawn makes a plane of a function of the place, 0 to 1 each way.
func drawn(w, h, depth int, at func(x, y float64) float64) picture.Plane {
	p := picture.New(w, h, depth)
	for y := range h {
		for x := range w {
			v := int(math.Round(at((float64(x)+0.5)/float64(w), (float64(y)+0.5)/float64(h))))
			if depth == 8 {
				p.Pix[y*w+x] = uint8(v)
			} else {
				p.Pix16[y*w+x] = uint16(v)
			}
		}
	}
	return p
}

// A full-width ramp of n bits in limited range has plateaus of W/(219*2^(n-8))
// pixels, and N steps on it are 8 + log2(N/219) effective bits.
func TestRamp(t *testing.T) {
	for _, bits := range []float64{4, 5, 6, 7} {
		steps := 219 * math.Exp2(bits-8)
		y := drawn(1920, 1080, 8, func(x, _ float64) float64 { return 16 + 219*math.Floor(x*steps)/steps })
		_, f := look(t, y)
		p := everything(f)
		if want := 1920 / steps; math.Abs(p.Wide-want) > 0.35*want+4 {
			t.Errorf("%g bits: plateaus of %.1f px, want %.1f", bits, p.Wide, want)
		}
		range8 := (p.High - p.Low) / 219
		if got := 8 + math.Log2((p.Levels-1)/range8/219); math.Abs(got-bits) > 0.5 {
			t.Errorf("%.2f effective bits of %g (%g levels from %.1f to %.1f)", got, bits, p.Levels, p.Low, p.High)
		}
	}
}

// slanted is a gradient at an angle that spans share of the range.
func slanted(from, share float64) func(x, y float64) float64 {
	return func(x, y float64) float64 { return from + share*(0.7*x+0.3*y+0.06*x*x) }
}

// The effective depth of a gradient that was brought to so many bits is told to
// half a bit, from 3 to 8 bits, by a take of 8 and one of 10.
func TestEffectiveDepth(t *testing.T) {
	for bits := 3; bits <= 8; bits++ {
		for _, depth := range []int{8, 10} {
			// As many levels as show plateaus wide enough to be told.
			span := min(219, 10*math.Exp2(float64(8-bits)))
			at := slanted(20, span)
			unit := math.Exp2(float64(8 - bits))
			y := drawn(1280, 720, depth, func(x, y float64) float64 {
				return math.Round(at(x, y)/unit) * unit * math.Exp2(float64(depth-8))
			})
			_, f := look(t, y)
			p := everything(f)
			if got := float64(depth) - math.Log2(p.Step); p.Levels < 3 || math.Abs(got-float64(bits)) > 0.5 {
				t.Errorf("%.2f effective bits of %d in %d, %g levels", got, bits, depth, p.Levels)
			}
		}
	}
}

// What zimg (FFmpeg's zscale) brings to so many bits without dither has
// contours of that depth, and with any of its dithers none.
func TestDithered(t *testing.T) {
	const w, h = 640, 360
	for bits := 5; bits <= 8; bits++ {
		span := min(0.8, 10*math.Exp2(float64(-bits)))
		for _, way := range []string{"none", "ordered", "random", "error_diffusion"} {
			t.Run(fmt.Sprint(bits, " bits ", way), func(t *testing.T) {
				// zscale rounds to 8 bits: the gradient is made as much smaller as
				// the result is made larger.
				filter := fmt.Sprintf("geq=lum='65535*(0.1+%g*(0.7*X/W+0.3*Y/H+0.06*X*X/W/W))*%g':cb=32768:cr=32768,zscale=rangein=full:range=full:dither=%s,format=yuv420p",
					span, math.Exp2(float64(bits-8)), way)
				cmd := exec.Command("ffmpeg", "-v", "error", "-f", "lavfi", "-i", fmt.Sprintf("nullsrc=s=%dx%d,format=yuv420p16", w, h),
					"-vf", filter, "-frames:v", "1", "-f", "rawvideo", "-")
				raw, err := cmd.Output()
				if err != nil {
					t.Fatalf("ffmpeg: %v", err)
				}
				raw = raw[:w*h]
				y := picture.Plane{Pix: raw, W: w, H: h, Stride: w, Depth: 8}
				for i := range raw {
					raw[i] <<= 8 - bits
				}
				_, f := look(t, y)
				p := everything(f)
				if way != "none" {
					if p.Levels > 0 {
						t.Errorf("%g levels of a step of %.2f", p.Levels, p.Step)
					}
					return
				}
				if got := 8 - math.Log2(p.Step); p.Levels < 4 || math.Abs(got-float64(bits)) > 0.5 {
					t.Errorf("%.2f effective bits, %g levels", got, p.Levels)
				}
			})
		}
	}
}

// What looks like a contour and is none.
func TestLookAlikes(t *testing.T) {
	for name, at := range map[string]func(x, y float64) float64{
		"a slope":          slanted(30, 190),
		"one border":       func(x, y float64) float64 { return 60 + 6*math.Floor(x+0.2*y+0.3) },
		"a soft border":    func(x, y float64) float64 { return 90 + 30*math.Tanh(12*(x-0.5)) },
		"stripes":          func(x, y float64) float64 { return 90 + 8*float64(int(24*x+3*y)&1) },
		"an edge on light": func(x, y float64) float64 { return 60 + 50*y + 6*math.Floor(3*x+0.2*y) },
	} {
		_, f := look(t, drawn(960, 540, 8, func(x, y float64) float64 { return at(x, y) }))
		if p := everything(f); p.Step > 1.6 {
			t.Errorf("%s: %g levels of a step of %.2f", name, p.Levels, p.Step)
		}
	}
}

// visibilityMap reads the map of visible bands that is published beside the
// banded frame (a MATLAB 5 file: a matrix of doubles, column by column).
func visibilityMap(t *testing.T, path string, w, h int) []float64 {
	t.Helper()
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const header, tag = 128, 8
	z, err := zlib.NewReader(bytes.NewReader(file[header+tag:]))
	if err != nil {
		t.Fatal(err)
	}
	raw, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	raw = raw[len(raw)-8*w*h:]
	out := make([]float64, w*h)
	for x := range w {
		for y := range h {
			out[y*w+x] = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*(x*h+y):]))
		}
	}
	return out
}

// Contours of a real banded frame are where the band visibility map that is
// published with it has bands (test data of Tu, Lin, Wang, Adsumilli, Bovik,
// ICASSP 2020), twice as often as chance would have it.
func TestBandedFrame(t *testing.T) {
	const w, h = 1920, 1080
	path := footage.Path(t, "banded/sky2_1s_trans_248_1920x1080.yuv")
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	visible := visibilityMap(t, path[:len(path)-len(filepath.Ext(path))]+".mat", w, h)
	s, _ := look(t, picture.Plane{Pix: raw[:w*h], W: w, H: h, Stride: w, Depth: 8})
	const reach = 4 // pixels: a sample of the reduced plane on either side
	shows := func(x, y int) bool {
		for v := max(0, y-reach); v <= min(h-1, y+reach); v++ {
			for u := max(0, x-reach); u <= min(w-1, x+reach); u++ {
				if visible[v*w+u] > 0 {
					return true
				}
			}
		}
		return false
	}
	hits, edges := 0, 0
	for d, tr := range s.tracers[Luma] {
		for i := range tr.edges {
			e := &tr.edges[i]
			if !tr.holds(&tr.chains[e.contour]) {
				continue
			}
			x, y := int(e.at*tr.along), int((float32(e.line)+0.5)*float32(tr.spacing)*tr.aside)
			if d == 1 {
				x, y = y, x
			}
			edges++
			if shows(x, y) {
				hits++
			}
		}
	}
	chance, n := 0, 0
	for y := 0; y < h; y += 8 {
		for x := 0; x < w; x += 8 {
			n++
			if shows(x, y) {
				chance++
			}
		}
	}
	got, by := float64(hits)/float64(max(edges, 1)), float64(chance)/float64(n)
	t.Logf("%d edges of contours, %.0f %% on published bands, %.0f %% by chance", edges, 100*got, 100*by)
	if edges < 200 || got < 0.8 || got < 2*by {
		t.Errorf("%d edges, %.0f %% of them on published bands, %.0f %% by chance", edges, 100*got, 100*by)
	}
}

// A picture that is looked at costs no memory once the first ones were.
func TestAllocations(t *testing.T) {
	y := drawn(960, 540, 8, func(x, y float64) float64 { return 3 * math.Round(slanted(30, 150)(x, y)/3) })
	p := &plate{w: y.W, h: y.H, pix8: y.Pix, stride: y.Stride, stepX: 1, stepY: 1, full: 1}
	s, f := look(t, y)
	if n := testing.AllocsPerRun(10, func() {
		f.Gradients = f.Gradients[:0]
		s.look(f, Luma, p, nil, Every)
	}); n > 0 {
		t.Errorf("%g allocations", n)
	}
	if len(f.Gradients) == 0 {
		t.Error("nothing to see")
	}
}

// What a camera saw: its lens darkens the corners by more than a step, its noise
// is averaged over the pictures between two looks. A gradient that the set broke
// into plateaus is told by steps that stay, and one that has all levels of 8
// bits is not.
func TestFilmed(t *testing.T) {
	const w, h, pictures = 960, 540, 12
	c := vision.Reference(vision.SRGB)
	c.Camera = true
	for step, want := range map[float64]bool{5: true, 1: false} {
		r := rand.New(rand.NewPCG(8, 9))
		src := &film{format: picture.Format{W: w, H: h, Depth: 12, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}}
		for range pictures {
			src.planes = append(src.planes, drawn(w, h, 12, func(x, y float64) float64 {
				v := math.Round(slanted(110, 60)(x, y)/step) * step
				fall := 1 - 0.3*((x-0.5)*(x-0.5)+(y-0.5)*(y-0.5))
				return 16*v*fall + 16*r.NormFloat64()
			}))
		}
		var watch *Watch
		found := 0
		judge := &detect.Stage{Name: "judge", Title: "judge", Doc: "judge", Needs: []detect.Need{{Stage: Stage}},
			New: func(s *detect.Setup) (detect.State, error) {
				watch = NewWatch(s, detect.Posterisation, false)
				return judged(func(win *detect.Window) error {
					watch.Step(win, func(*Gradient, *Part) (float64, map[string]float64, bool) {
						found++
						return 0, nil, false
					})
					return nil
				}), nil
			}}
		if _, err := detect.RunUnder(context.Background(), c, src, []*detect.Stage{cells.Stage, Stage, judge}, nil, nil); err != nil {
			t.Fatal(err)
		}
		if found > 0 != want {
			t.Errorf("steps of %g codes: found %d times", step, found)
		}
		if cover := watch.Coverage(); cover.Floor <= 0 || cover.Why == "" {
			t.Errorf("steps of %g codes: coverage %+v", step, cover)
		}
	}
}

// A slope with the levels of 8 bits, in a take of more, has lost none that its maker had,
// unless the take has shown finer ones.
func TestEightBitsInTen(t *testing.T) {
	const w, h, pictures = 960, 540, 40
	slope := func(step float64) picture.Plane {
		return drawn(w, h, 10, func(x, y float64) float64 { return 4 * math.Round(slanted(110, 20)(x, y)/step) * step })
	}
	fine, eight, seven := slope(0.25), slope(1), slope(2)
	for _, c := range []struct {
		name        string
		first, last picture.Plane
		want        bool
	}{
		{"8 bits", eight, eight, false},
		{"7 bits", seven, seven, true},
		{"10 bits, then 8", fine, eight, true},
		{"10 bits", fine, fine, false},
	} {
		src := &film{format: picture.Format{W: w, H: h, Depth: 10, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}}
		for i := range pictures {
			p := c.first
			if i > pictures/2 {
				p = c.last
			}
			src.planes = append(src.planes, p)
		}
		found := 0
		judge := &detect.Stage{Name: "judge", Title: "judge", Doc: "judge", Needs: []detect.Need{{Stage: Stage}},
			New: func(s *detect.Setup) (detect.State, error) {
				watch := NewWatch(s, detect.Posterisation, false)
				return judged(func(win *detect.Window) error {
					watch.Step(win, func(*Gradient, *Part) (float64, map[string]float64, bool) {
						found++
						return 0, nil, false
					})
					return nil
				}), nil
			}}
		if _, err := detect.Run(context.Background(), src, []*detect.Stage{cells.Stage, Stage, judge}, nil, nil); err != nil {
			t.Fatal(err)
		}
		if found > 0 != c.want {
			t.Errorf("%s: found %d times", c.name, found)
		}
	}
}

// judged is a state of a function.
type judged func(*detect.Window) error

func (j judged) Step(w *detect.Window) error { return j(w) }

// film shows planes one after the other, 50 a second.
type film struct {
	format picture.Format
	planes []picture.Plane
	i      int
}

func (f *film) Format() picture.Format { return f.format }

func (f *film) Next(context.Context) (*picture.Picture, error) {
	if f.i == len(f.planes) {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: f.i, Frame: f.i, Time: time.Duration(f.i) * 20 * time.Millisecond, Y: f.planes[f.i]}
	f.i++
	return p, nil
}

// What lies along the rows and is less than the ripple of the light is no contour.
func TestRippledContours(t *testing.T) {
	along, across := image.Rect(10, 50, 200, 60), image.Rect(10, 50, 20, 200)
	for _, c := range []struct {
		name   string
		ripple float64
		step   float64
		region image.Rectangle
		want   bool
	}{
		{"along the rows", 0.1, 6, along, true},
		{"larger than the ripple", 0.1, 14, along, false},
		{"across the rows", 0.1, 6, across, false},
		{"even light", 0, 6, along, false},
	} {
		x := Watch{store: &Store{field: Field{Ripple: c.ripple}}}
		if got := x.rippled(&Contour{Low: 100, High: 100 + c.step, Region: c.region}); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
