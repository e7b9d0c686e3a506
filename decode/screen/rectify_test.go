package screen

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
)

// smooth fills a plane with a pattern that interpolation follows closely.
func smooth(p *picture.Plane, f func(x, y float64) float64) {
	for y := range p.H {
		for x := range p.W {
			c := int(math.Round(f(float64(x), float64(y)) * float64(p.Full())))
			if p.Pix != nil {
				p.Pix[y*p.Stride+x] = uint8(c)
			} else {
				p.Pix16[y*p.Stride+x] = uint16(c)
			}
		}
	}
}

func waves(x, y float64) float64 {
	return 0.5 + 0.2*math.Sin(x/7) + 0.2*math.Cos(y/9+x/23)
}

var tilted = View{
	Quad: Quad{{41.3, 32.7}, {588.1, 12.2}, {601.9, 350.4}, {22.6, 322.8}},
	Size: image.Pt(640, 360), K1: -0.06,
}

func TestRectifyReadsTheRightPlaces(t *testing.T) {
	for _, depth := range []int{8, 10} {
		src := picture.New(640, 360, depth)
		smooth(&src, waves)
		raster := image.Pt(401, 229) // not a multiple of the steps
		dst := picture.New(raster.X, raster.Y, depth)
		if err := NewRectifier(raster).Rectify(&dst, &src, tilted, 0, raster.Y); err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		for y := range dst.H {
			for x := range dst.W {
				c := tilted.ToCamera((float64(x)+0.5)/float64(dst.W), (float64(y)+0.5)/float64(dst.H))
				got := float64(dst.At(x, y)) / float64(dst.Full())
				worst = max(worst, math.Abs(got-waves(c.X, c.Y)))
			}
		}
		// The pattern's steepest slope is 0.05 a pixel: 0.03 px at most with
		// this strong lens on a small frame, rounding of the codes aside.
		if limit := 0.0015 + 1/float64(dst.Full()); worst > limit {
			t.Errorf("depth %d: off by %.4f of full scale, more than %.4f", depth, worst, limit)
		}
	}
}

// The kernel and its plain twin agree to the bit, inside the frame and beyond
// its edges, however a screen lies in it, and write nothing beyond the rows asked
// for.
func TestRectifyTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	src := picture.Plane{Pix: make([]uint8, 140*100), Stride: 140, W: 128, H: 100, Depth: 8}
	for i := range src.Pix {
		src.Pix[i] = uint8(r.IntN(2) * 255)
	}
	for name, quad := range map[string]Quad{
		"beyond the edges": {{-6, -4}, {134, 3}, {121, 108}, {3, 94}},
		"level":            {{4, 4}, {120, 4}, {120, 94}, {4, 94}},
		"leaning down":     {{6, 4}, {120, 9}, {118, 96}, {4, 90}},
		"leaning up":       {{4, 9}, {118, 4}, {120, 90}, {6, 96}},
		"steep":            {{40, 4}, {120, 40}, {80, 95}, {5, 60}},
		"upside down":      {{120, 94}, {4, 92}, {6, 4}, {122, 5}},
		"made larger":      {{50, 40}, {70, 41}, {71, 60}, {49, 59}},
	} {
		t.Run(name, func(t *testing.T) {
			v := View{Quad: quad, Size: image.Pt(128, 100)}
			for _, w := range []int{53, 117} { // 2.2 and about one pixel apart
				raster := image.Pt(w, 40)
				rect := NewRectifier(raster)
				got, want := picture.New(w, 40, 8), picture.New(w, 40, 8)
				for i := range got.Pix {
					got.Pix[i], want.Pix[i] = 77, 77
				}
				if err := rect.Rectify(&got, &src, v, 3, 37); err != nil {
					t.Fatal(err)
				}
				p := v.project()
				rect.above.row, rect.below.row = -1, -1
				for row := 3; row < 37; row++ {
					rect.cubicTwin(&want, &src, row, rect.nodes(&p, 1, 1, row))
				}
				for i := range got.Pix {
					if got.Pix[i] != want.Pix[i] {
						t.Fatalf("sample %d,%d of %d: kernel %d, twin %d", i%got.Stride, i/got.Stride, w, got.Pix[i], want.Pix[i])
					}
				}
			}
		})
	}
}

func TestRectifyRowsAlone(t *testing.T) {
	src := picture.New(640, 360, 8)
	smooth(&src, waves)
	raster := image.Pt(320, 180)
	rect := NewRectifier(raster)
	whole, rows := picture.New(320, 180, 8), picture.New(320, 180, 8)
	if err := rect.Rectify(&whole, &src, tilted, 0, 180); err != nil {
		t.Fatal(err)
	}
	for _, cut := range [][2]int{{90, 180}, {0, 13}, {13, 90}} {
		if err := rect.Rectify(&rows, &src, tilted, cut[0], cut[1]); err != nil {
			t.Fatal(err)
		}
	}
	for i := range whole.Pix {
		if whole.Pix[i] != rows.Pix[i] {
			t.Fatalf("row %d differs when made apart", i/320)
		}
	}
}

func TestRectifyRefuses(t *testing.T) {
	rect := NewRectifier(image.Pt(32, 32))
	good, src := picture.New(32, 32, 8), picture.New(64, 64, 8)
	small, deep := picture.New(31, 32, 8), picture.New(32, 32, 10)
	v := Whole(image.Pt(64, 64))
	crossed := v
	crossed.Quad[1], crossed.Quad[2] = crossed.Quad[2], crossed.Quad[1]
	for name, err := range map[string]error{
		"size":  rect.Rectify(&small, &src, v, 0, 32),
		"depth": rect.Rectify(&deep, &src, v, 0, 32),
		"rows":  rect.Rectify(&good, &src, v, 0, 33),
		"quad":  rect.Rectify(&good, &src, crossed, 0, 32),
		"empty": rect.Rectify(&good, &picture.Plane{}, v, 0, 32),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if err := rect.Rectify(&good, &src, v, 0, 32); err != nil {
		t.Error(err)
	}
}

func TestSample(t *testing.T) {
	for _, depth := range []int{8, 12} {
		src := picture.New(640, 360, depth)
		smooth(&src, waves)
		var rect Rectifier
		grid := make([]float32, 64*48)
		rect.Sample(grid, 64, 48, &src, tilted)
		for i, got := range grid {
			c := tilted.ToCamera((float64(i%64)+0.5)/64, (float64(i/64)+0.5)/48)
			// The mean of 8 pixels in both directions is that at their
			// middle, less by the curvature.
			if d := math.Abs(float64(got)/float64(src.Full()) - waves(c.X, c.Y)); d > 0.02 {
				t.Fatalf("depth %d, cell %d: off by %.3f", depth, i, d)
			}
		}
	}
	// Beyond the frame the nearest neighbourhood inside is read.
	src := picture.New(40, 30, 8)
	smooth(&src, func(x, y float64) float64 { return 0.4 })
	v := View{Quad: Quad{{-100, -50}, {100, -50}, {100, 90}, {-100, 90}}, Size: image.Pt(40, 30)}
	grid := make([]float32, 9)
	var rect Rectifier
	rect.Sample(grid, 3, 3, &src, v)
	for _, g := range grid {
		if g != 102 {
			t.Fatalf("mean of an even plane is %g", g)
		}
	}
}

func TestSampleTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	src := picture.New(100, 60, 8)
	for i := range src.Pix {
		src.Pix[i] = uint8(r.IntN(256))
	}
	v := View{Quad: Quad{{3, 2}, {95, 5}, {97, 57}, {1, 52}}, Size: image.Pt(100, 60)}
	var rect Rectifier
	got, want := make([]float32, 16*9), make([]float32, 16*9)
	rect.Sample(got, 16, 9, &src, v)
	sampleTwin(want, &src, rect.index[:len(want)], rect.part[:2*len(want)], sampleSize)
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("cell %d: kernel %g, twin %g", i, got[i], want[i])
		}
	}
}

func TestReduceTwin(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, factor := range []int{1, 2, 3, 4, 7, 8} {
		w, h := 37, 5
		p := picture.Plane{Pix: make([]uint8, (w*factor+9)*(h*factor)), Stride: w*factor + 9, W: w * factor, H: h * factor, Depth: 8}
		for i := range p.Pix {
			p.Pix[i] = uint8(r.IntN(256))
		}
		p.Pix[0] = 255
		got, want := make([]uint8, w*h), make([]uint8, w*h)
		reduce(&p, factor, w, h, got)
		reduceTwin(&p, factor, w, h, want)
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("factor %d, sample %d: kernel %d, twin %d", factor, i, got[i], want[i])
			}
		}
	}
}

func BenchmarkRectify(b *testing.B) {
	src := picture.New(1920, 1080, 8)
	smooth(&src, waves)
	v := View{Quad: Quad{{101, 92}, {1808, 62}, {1851, 1010}, {72, 982}}, Size: image.Pt(1920, 1080), K1: -0.05}
	raster := image.Pt(1920, 1080)
	dst := picture.New(raster.X, raster.Y, 8)
	r := NewRectifier(raster)
	for b.Loop() {
		if err := r.Rectify(&dst, &src, v, 0, raster.Y); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSample(b *testing.B) {
	src := picture.New(1920, 1080, 8)
	v := View{Quad: Quad{{101, 92}, {1808, 62}, {1851, 1010}, {72, 982}}, Size: image.Pt(1920, 1080), K1: -0.05}
	grid := make([]float32, 64*48)
	r := NewRectifier(image.Pt(64, 48))
	for b.Loop() {
		r.Sample(grid, 64, 48, &src, v)
	}
}
