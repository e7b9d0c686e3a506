package screen

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"gocv.io/x/gocv"

	"setwitness/decode/picture"
)

// lights is a dark picture in which so many lights pass by, where they are shown.
func lights(seed uint64, n int, shown func(x, y float64) bool) func(i int) picture.Plane {
	const w, h = 480, 270
	r := rand.New(rand.NewPCG(seed, 5))
	at := make([][3]float64, n)
	for k := range at {
		at[k] = [3]float64{r.Float64() * w, r.Float64() * h, 60 + 150*r.Float64()}
	}
	return func(i int) picture.Plane {
		p := picture.New(w, h, 8)
		for k := range p.Pix {
			p.Pix[k] = 16
		}
		for _, l := range at {
			x, y := math.Mod(l[0]+7*float64(i), w), math.Mod(l[1]+2*float64(i), h)
			for dy := -2; dy <= 2; dy++ {
				for dx := -2; dx <= 2; dx++ {
					u, v := int(x)+dx, int(y)+dy
					if u >= 0 && v >= 0 && u < w && v < h && shown(float64(u)/w, float64(v)/h) {
						p.Pix[v*w+u] = uint8(l[2])
					}
				}
			}
		}
		return p
	}
}

func everywhere(x, y float64) bool { return true }

// Of points of light in the dark nothing tells the screen but that all of them end at
// straight sides.
func TestEnclosed(t *testing.T) {
	t.Parallel()
	for seed, c := range []struct {
		turned, sways bool
		lights        int // in each frame alone enough of them have to end at the sides where it sways
		most          float64
	}{{false, false, 170, 4}, {true, true, 300, 8}} {
		v := straightOn(small, 700)
		if c.turned {
			v = randomView(rand.New(rand.NewPCG(3, 1)), small)
		}
		b := newBooth(t, small, v, uint64(seed))
		b.wall, b.panel = 0.0004, 0.0002
		shown := lights(uint64(seed), c.lights, everywhere)
		f := NewFinder(small.X, small.Y)
		var first Quad
		for i := range 24 {
			var dx, dy int
			if c.sways { // by half pixels
				dx, dy = int(math.Round(14*math.Sin(float64(i)/4))), int(math.Round(10*math.Sin(float64(i)/3+1)))
			}
			if i == 0 {
				first = b.moved(dx, dy)
			}
			p := shown(i)
			p = b.shoot(&p, dx, dy)
			f.Add(&p)
		}
		if r, err := f.Result(); err != nil || r.Kind == Screen {
			t.Errorf("%+v: %v without a look at what encloses the lights, %v", c, r.Kind, err)
		}
		got, ok := f.Enclosed()
		if e := corner(got.Start.Quad, first); !ok || e > c.most {
			t.Errorf("%+v: found %v, off by %.2f px", c, ok, e)
		}
	}
}

// Lights that end nowhere along straight lines, or not in the shape of a set, have no
// screen round them, and neither have those that go on beyond the frame.
func TestNothingEncloses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		width float64
		shown func(x, y float64) bool
	}{
		"round":  {700, func(x, y float64) bool { return math.Hypot(x-0.5, y-0.5) < 0.45 }},
		"square": {700, func(x, y float64) bool { return math.Abs(x-0.5) < 0.28 }},
		"beyond": {1400, everywhere},
		"ragged": {700, func(x, y float64) bool {
			return math.Abs(x-0.5) < 0.42+0.05*math.Sin(23*y) && math.Abs(y-0.5) < 0.41+0.06*math.Sin(17*x)
		}},
	} {
		b := newBooth(t, small, straightOn(small, c.width), 3)
		b.wall, b.panel = 0.0004, 0.0002
		f := NewFinder(small.X, small.Y)
		for _, s := range film(b, 24, 0, lights(3, 170, c.shown)) {
			f.Add(&s.plane)
		}
		if got, ok := f.Enclosed(); ok {
			t.Errorf("%s: found %.0f", name, got.View.Quad)
		}
	}
}

// The outline is that of OpenCV's own function.
func TestHull(t *testing.T) {
	const w, h = 60, 40
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 7))
		pix := make([]float32, w*h)
		var points []image.Point
		for range 1 + r.IntN(30) {
			p := image.Pt(r.IntN(w), r.IntN(h))
			pix[p.Y*w+p.X] = 1
			points = append(points, p)
		}
		v := gocv.NewPointVectorFromPoints(points)
		out := gocv.NewMat()
		gocv.ConvexHull(v, &out, true, true)
		want := map[image.Point]bool{}
		for i := range out.Rows() {
			c := out.GetVeciAt(i, 0)
			want[image.Pt(int(c[0]), int(c[1]))] = true
		}
		v.Close()
		out.Close()
		got := hull(pix, w, h, 0.5)
		for _, p := range got {
			if !want[p] {
				t.Errorf("seed %d: %v is no corner", seed, p)
			}
		}
		if len(got) != len(want) {
			t.Errorf("seed %d: %d corners, want %d", seed, len(got), len(want))
		}
	}
	if got := hull(make([]float32, w*h), w, h, 0.5); len(got) != 0 {
		t.Errorf("nothing has the outline %v", got)
	}
}
