package scene

import (
	"math"
	"testing"

	"setwitness/decode/picture"
)

func raster(w, h int) Raster {
	return Raster{W: w, H: h, Depth: 10, RateNum: 50, RateDen: 1, Shutter: 0.5, Seed: 3}
}

// moments returns the mass over the background, and its centre, of a plane
// before a backdrop of one level.
func moments(p picture.Plane, level float64) (mass, x, y float64) {
	for j := range p.H {
		for i := range p.W {
			d := float64(p.At(i, j))/4 - level
			mass += d
			x += d * (float64(i) + 0.5)
			y += d * (float64(j) + 0.5)
		}
	}
	return mass, x / mass, y / mass
}

// flat is a wall without any texture or light fall-off.
func flat(s *Scene, code float64) *Scene {
	s.elements[0] = &backdrop{sight: see(func() *canvas {
		return newCanvas(newSheetLayer(s.W, s.H, s.Colour, gray(code)), s.W, s.H)
	})}
	return s
}

// A disc covers pi r^2 samples and lies, on average over the exposure, where
// the way says: geometry, whatever the speed, shutter and place between
// samples.
func TestBallIsWhereItSays(t *testing.T) {
	for _, speed := range []float64{0, 3, 17.3, 60} {
		for _, shutter := range []float64{0.1, 0.5, 1} {
			r := raster(480, 200)
			r.Shutter = shutter
			const d, level, back = 41.0, 200.0, 80.0
			s := flat(Toss(r, Back{}, Move{}, Ball{Diameter: d, Speed: speed, Angle: 10, Level: level, X: 0.3, Y: 0.45}), back)
			for _, at := range []float64{0.02, 0.0437} {
				mass, x, y := moments(s.Luma(at), back)
				th, ok := s.Thing("ball 1", at)
				if !ok {
					t.Fatal("no ball")
				}
				if want := math.Pi * d * d / 4 * (level - back); math.Abs(mass/want-1) > 0.004 {
					t.Errorf("speed %g shutter %g: mass %.0f, want %.0f", speed, shutter, mass, want)
				}
				if math.Abs(x-th.X) > 0.03 || math.Abs(y-th.Y) > 0.03 {
					t.Errorf("speed %g shutter %g: centre %.3f, %.3f, want %.3f, %.3f", speed, shutter, x, y, th.X, th.Y)
				}
			}
		}
	}
}

// Under gravity the second difference of the height over equal times is
// g T^2, the same everywhere (the definition of free fall).
func TestThrownBallFallsFreely(t *testing.T) {
	r := raster(960, 540)
	s := Toss(r, Back{}, Move{}, Ball{Diameter: 20, Speed: 12, Angle: -60, X: 0.1, Y: 0.9, Way: Thrown})
	height := func(at float64) float64 { th, _ := s.Thing("ball 1", at); return th.Y }
	const step = 0.02
	want := 1.6 * 540 * step * step
	for _, at := range []float64{0.1, 0.3, 0.7} {
		if got := height(at+step) - 2*height(at) + height(at-step); math.Abs(got-want) > 1e-6 {
			t.Errorf("at %g s: second difference %g, want %g", at, got, want)
		}
	}
}

// A pan by whole samples shows the same samples moved, up to the rounding;
// with an open shutter it shows their running mean, and the mean of all
// samples stays.
func TestPanMovesSamples(t *testing.T) {
	r := raster(320, 120)
	r.Shutter = 0.001
	s := Pan(r, Back{Surface: Gravel, Contrast: 60}, Move{X: 4})
	a, b := s.Luma(0.5), s.Luma(0.5+r.Instant(1))
	for y := range r.H {
		for x := range r.W - 4 {
			if d := a.At(x+4, y) - b.At(x, y); d < -1 || d > 1 {
				t.Fatalf("sample %d, %d: %d moved from %d", x, y, b.At(x, y), a.At(x+4, y))
			}
		}
	}
	// Between half samples, over which a canvas is constant, the mean of a
	// sample changes linearly: the trapezoidal rule over sharp pictures is
	// the blurred one.
	sharp := make([]picture.Plane, 9)
	for i := range sharp {
		sharp[i] = s.Luma(0.5 + (float64(i)-4)*0.5/4*r.Instant(1))
	}
	r.Shutter = 1
	blurred := Pan(r, Back{Surface: Gravel, Contrast: 60}, Move{X: 4}).Luma(0.5)
	for y := range r.H {
		for x := range r.W {
			want := -float64(sharp[0].At(x, y)+sharp[8].At(x, y)) / 2
			for i := range sharp {
				want += float64(sharp[i].At(x, y))
			}
			if d := float64(blurred.At(x, y)) - want/8; math.Abs(d) > 1.5 {
				t.Fatalf("sample %d, %d: %d, want %.1f", x, y, blurred.At(x, y), want/8)
			}
		}
	}
}

// The long filter with the running sum gives what the direct one gives.
func TestLongFilterIsTheDirectOne(t *testing.T) {
	for _, blur := range []float64{5, 9.3, 40.25} {
		k := newKernel(3.37, blur)
		line := make([]int32, 64*over+len(k.weight))
		for i := range line {
			line[i] = int32(hash2(i, 0, 5) % (235 * fine))
		}
		a, b := make([]uint16, 64), make([]uint16, 64)
		reduce(a, line, k.weight)
		reduceLong(b, line, make([]int32, len(line)+1), k.weight)
		for i := range a {
			// Rounding spreads over the taps: a unit of 1/4096 each.
			if d := int(a[i]) - int(b[i]); d < -2*fine/8 || d > 2*fine/8 {
				t.Fatalf("blur %g: sample %d is %d, want %d", blur, i, b[i], a[i])
			}
		}
		sum := int32(0)
		for _, w := range k.weight {
			sum += w
		}
		if sum != one {
			t.Errorf("blur %g: weights sum to %d of %d", blur, sum, one)
		}
	}
}

// A field of an instant is the lines of its parity of the picture of that
// instant: the top field has the first line (BT.709-6 Table 2).
func TestFieldsAreLinesOfThePicture(t *testing.T) {
	r := raster(320, 180)
	r.Depth, r.Grain, r.Colour = 8, 2, true
	for name, s := range map[string]*Scene{
		"game":    BallGame(r, Game{PanWidth: 40, PanPeriod: 5}),
		"cloth":   Cloth(r, Back{}, 9, 4),
		"zoom":    Zoom(r, Back{Surface: Street}, 1.4, 6),
		"ticker":  Ticker(r, Back{Surface: Foliage}, Move{X: 2, Y: 1.2}, Band{Speed: 3, Size: 14}),
		"confett": Shower(r, Back{}, Confetti, 40),
	} {
		const at = 0.31
		whole := s.Picture(at, picture.Frame)
		for row, parity := range []picture.Parity{picture.Top, picture.Bottom} {
			f := s.Picture(at, parity)
			if f.Y.H != 90 || f.Parity != parity {
				t.Fatalf("%s: field of %d lines, parity %v", name, f.Y.H, f.Parity)
			}
			for y := range f.Y.H {
				for x := range f.Y.W {
					if got, want := f.Y.At(x, y), whole.Y.At(x, 2*y+row); got != want {
						t.Fatalf("%s: %v field, sample %d, %d is %d, want %d", name, parity, x, y, got, want)
					}
				}
			}
			for y := range f.Cb.H {
				for x := range f.Cb.W {
					if f.Cb.At(x, y) != whole.Cb.At(x, 2*y+row) {
						t.Fatalf("%s: chroma of the %v field differs", name, parity)
					}
				}
			}
		}
	}
}

// Grain has the strength that was asked for, is new in every instant and the
// same whenever one instant is rendered again.
func TestGrain(t *testing.T) {
	r := raster(400, 300)
	r.Grain = 2
	s := flat(Pan(r, Back{}, Move{}), 110)
	spread := func(a, b picture.Plane) float64 {
		sum, n := 0.0, 0.0
		for y := range a.H {
			for x := range a.W {
				d := float64(a.At(x, y)-b.At(x, y)) / 4
				sum += d * d
				n++
			}
		}
		return math.Sqrt(sum / n)
	}
	a, b, again := s.Luma(0.1), s.Luma(0.12), s.Luma(0.1)
	if got := spread(a, again); got != 0 {
		t.Errorf("the same instant differs by %g codes", got)
	}
	// Two independent exposures differ by sqrt 2 of one deviation.
	if got, want := spread(a, b), 2*math.Sqrt2; math.Abs(got/want-1) > 0.08 {
		t.Errorf("two instants differ by %.2f codes, want %.2f", got, want)
	}
}

// Seeds make different takes, and one seed always the same.
func TestSeeds(t *testing.T) {
	r := raster(320, 180)
	at := func(seed int64) int {
		r.Seed = seed
		p := BallGame(r, Game{}).Luma(0.4)
		sum := 0
		for i, v := range p.Pix16 {
			sum += int(v) * (i%97 + 1)
		}
		return sum
	}
	first := at(1)
	if at(1) != first {
		t.Error("one seed gives two pictures")
	}
	if at(2) == first {
		t.Error("two seeds give one picture")
	}
}

// A dissolve is the weighted mean of its scenes (the definition).
func TestDissolve(t *testing.T) {
	r := raster(160, 90)
	mk := func(code float64) *Scene { return flat(Pan(r, Back{}, Move{}), code) }
	s := mk(100).Dissolved(mk(180), func(t float64) float64 { return t })
	for _, at := range []float64{0, 0.25, 1} {
		p := s.Luma(at)
		if got, want := float64(p.At(50, 40))/4, 100+80*at; math.Abs(got-want) > 0.3 {
			t.Errorf("at %g: %g, want %g", at, got, want)
		}
	}
}

// In the ball game the ball flies freely between hands and floor: over each
// flight the height's second difference is one constant.
func TestGameBallFliesFreely(t *testing.T) {
	r := raster(1280, 720)
	s := BallGame(r, Game{})
	n := 0
	for _, f := range s.Flights() {
		if f[0] < 0 || f[1] > 10 || f[1]-f[0] < 0.3 {
			continue
		}
		n++
		h := func(u float64) float64 { th, _ := s.Thing("ball", f[0]+u*(f[1]-f[0])); return th.Y }
		// The projection bends the path a little where the ball also travels
		// in depth.
		a, b := h(0.4)-2*h(0.3)+h(0.2), h(0.8)-2*h(0.7)+h(0.6)
		if a <= 0 || b <= 0 || a/b < 0.7 || a/b > 1.4 {
			t.Errorf("flight %.2f to %.2f: second differences %g and %g", f[0], f[1], a, b)
		}
	}
	if n < 5 {
		t.Errorf("%d flights in 10 s", n)
	}
}
