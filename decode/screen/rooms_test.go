package screen

import (
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/filming"
)

// Edges of furniture, as straight as the screen's and parallel to them, belong
// to things that do not change: on a stand, and in a hand that lets all edges
// move.
func TestFurnitureIsNoBorder(t *testing.T) {
	t.Parallel()
	const half = 9. / 32 // of the screen's height, in its widths
	for _, c := range []struct {
		situation string
		content   int
		things    []filming.Thing
	}{
		{filming.Stand, 4, []filming.Thing{
			{X0: -2, Y0: half + 0.035, X1: 2, Y1: 2, Nits: 30, Glow: 1},        // a board
			{X0: -2, Y0: half + 0.075, X1: 2, Y1: 2, Nits: 9, Glow: 0.3},       // its front
			{X0: 0.535, Y0: -2, X1: 0.6, Y1: half + 0.035, Nits: 4, Glow: 0.1}, // a shelf
		}},
		{filming.Hand, 1, []filming.Thing{
			{X0: -0.56, Y0: -half - 0.05, X1: 0.56, Y1: half + 0.04, Nits: 3, Glow: 0.2}, // a niche
		}},
	} {
		s, _ := filming.Named(c.situation, 50, 4)
		s.Camera.W, s.Camera.H = 960, 540
		s.Room.WallNits, s.Room.BezelNits, s.Room.ScreenNits, s.Room.BoardNits = 20, 1, 0.3, 0
		s.Room.Things = c.things
		name, film := filmed(t, s, c.content, 1.2, 4)
		f := NewFinder(film.Format.W, film.Format.H)
		at := spread(film, 8)
		for _, i := range at {
			p := film.Picture(i)
			f.Add(&p.Y)
			p.Release()
		}
		got, err := f.Result()
		if err != nil {
			t.Fatal(err)
		}
		if e := corner(got.View.Quad, truth(film.Frame(at[got.Frame]))); got.Kind != Screen || got.LitArea || e > 3 {
			t.Errorf("%s with %s: %s, lit area %v, off by %.2f px: %s", c.situation, name, got.Kind, got.LitArea, e, got.Why)
		}
		if e := corner(got.Start.Quad, truth(film.Frame(0))); e > 8 {
			t.Errorf("%s with %s: off by %.2f px in the first frame", c.situation, name, e)
		}
	}
}

// Where a crowd in the dark lies along a side, each frame shows a few places of it, and
// all frames together show where it goes.
func TestCrowdAlongASide(t *testing.T) {
	t.Parallel()
	for seed := range uint64(5) {
		v := randomView(rand.New(rand.NewPCG(seed, 3)), small)
		b := newBooth(t, small, v, seed)
		b.panel = 0.0003
		r := rand.New(rand.NewPCG(seed, 8))
		type head struct{ x, y, light int }
		heads := make([]head, 700)
		for i := range heads {
			heads[i] = head{r.IntN(3 * 1280), r.IntN(260), 60 + r.IntN(120)}
		}
		pictures := game(int64(seed))
		shots := film(b, 8, 0, func(i int) picture.Plane {
			p := pictures(i)
			for k := range p.Pix[:p.W*p.H*2/5] {
				p.Pix[k] = 16
			}
			for _, h := range heads {
				x, y := h.x-60*i, h.y
				for k := -9; k <= 9; k++ {
					for l := -9; l <= 9; l++ {
						if u, w := x+k, y+l; k*k+l*l < 81 && u >= 0 && u < p.W && w >= 0 && w < p.H*2/5 {
							p.Pix[w*p.W+u] = uint8(h.light)
						}
					}
				}
			}
			return p
		})
		got := found(t, shots)
		// One frame alone puts it a pixel off.
		if e := corner(got.View.Quad, v.Quad); e > 0.5 {
			t.Errorf("seed %d: off by %.2f px", seed, e)
		}
	}
}

// A dark scene before a wall as light as that is found by the set's dark outline and
// the panel within, whose edge may go up or down; a room without a set has none.
func TestShaded(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		wall, panel, bezel float64
		lit                int // codes of the scene are over so much
		most               float64
	}{{0.03, 0.0015, 0.012, 80, 1}, {0.03, 0.00002, 0.012, 60, 1}, {0.008, 0.001, 0.02, 60, 1}} {
		v := straightOn(small, 700)
		b := newBooth(t, small, v, 1)
		b.wall, b.panel, b.bezel = c.wall, c.panel, c.bezel
		pictures := game(2)
		shots := film(b, 8, 0, func(i int) picture.Plane {
			p := pictures(i)
			for k, x := range p.Pix {
				p.Pix[k] = 16
				// A light that passes on the picture, and does not reach its sides.
				if y, z := k/p.W-p.H/2, k%p.W-p.W/3-i*p.W/30; y*y+z*z < p.H*p.H/16 {
					p.Pix[k] = 16 + x/uint8(1+255/c.lit)
				}
			}
			return p
		})
		f := NewFinder(small.X, small.Y)
		for i := range shots {
			f.Add(&shots[i].plane)
		}
		got, ok := f.Shaded()
		if e := corner(got.View.Quad, v.Quad); !ok || e > c.most {
			t.Errorf("wall %g, black %g: found %v, off by %.2f px: %s", c.wall, c.panel, ok, e, got.Why)
		}
	}
	b := newBooth(t, small, straightOn(small, 3000), 1)
	f := NewFinder(small.X, small.Y)
	pictures := game(2)
	for i := range 8 {
		c := pictures(i)
		p := b.shoot(&c, 0, 0)
		f.Add(&p)
	}
	if got, ok := f.Shaded(); ok {
		t.Errorf("a set in a picture without any: %v", got.View.Quad)
	}
}

// A picture of a few codes shows in the mean of all frames.
func TestNearBlackScreen(t *testing.T) {
	t.Parallel()
	for _, bend := range []float64{0, -0.02} {
		v := straightOn(small, 700)
		v.K1 = bend
		b := newBooth(t, small, v, 1)
		b.wall, b.noise = 0.0003, 2
		pictures := game(2)
		shots := film(b, 8, 0, func(i int) picture.Plane {
			c := pictures(i)
			for k, x := range c.Pix {
				c.Pix[k] = 20 + x/40
			}
			return c
		})
		got := found(t, shots)
		if e := corner(got.View.Quad, v.Quad); got.Kind != Screen || e > 1 {
			t.Errorf("bend %g: %s, off by %.2f px, bend %g: %s", bend, got.Kind, e, got.View.K1, got.Why)
		}
		if got.Confidence > sure {
			t.Errorf("confidence %.2f", got.Confidence)
		}
	}
}

// A dark page stands out from its surroundings by little of the light that is in
// it, and where something bright touches its border by far more.
func TestDarkPage(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 700)
	v.K1 = 0.02
	for _, shake := range []int{0, 12} {
		b := newBooth(t, small, v, 2)
		b.wall, b.noise, b.panel = 0.0003, 1, 0.001
		shots := film(b, 8, shake, func(i int) picture.Plane {
			p := picture.New(480, 270, 8)
			for y := range p.H {
				for x := range p.W {
					c := 22
					switch {
					case x > 30 && x < 220:
						c = 60
						if y%23 < 9 && (x/7+y/23+i)%3 == 0 {
							c = 200
						}
					case x > 250 && x < 450 && y > 40 && y < 150:
						c = 110
					}
					p.Pix[y*p.Stride+x] = uint8(c)
				}
			}
			return p
		})
		got := found(t, shots)
		if e := corner(got.View.Quad, b.moved(shots[got.Frame].dx, shots[got.Frame].dy)); got.Kind != Screen || e > 1.5 {
			t.Errorf("shaken by %d: %s, off by %.2f px, bend %g: %s", shake, got.Kind, e, got.View.K1, got.Why)
		}
	}
}

// A white line along a side, a few pixels within it, is brighter than the border of
// a dark ground; the lens is told from the border all the same.
func TestLineBesideTheBorder(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 700)
	v.K1 = -0.01
	b := newBooth(t, small, v, 3)
	seed := uint64(1)
	shots := film(b, 8, 0, func(i int) picture.Plane {
		p := picture.New(480, 270, 8)
		for y := range p.H {
			for x := range p.W {
				seed = seed*6364136223846793005 + 1442695040888963407
				c := 70
				switch gap := 3 + x*5/p.W; {
				case y < 40: // a crowd
					c = 30 + int(seed>>33)%110
				case y > p.H-gap-3 && y < p.H-gap, y > 40 && y < 43, x > p.W-gap-3 && x < p.W-gap:
					c = 235
				case x > 40+4*i && x < 90+4*i && y > 90 && y < 150:
					c = 200
				}
				p.Pix[y*p.Stride+x] = uint8(c)
			}
		}
		return p
	})
	got := found(t, shots)
	if e := corner(got.View.Quad, v.Quad); got.Kind != Screen || e > 1 {
		t.Errorf("%s, off by %.2f px, bend %g: %s", got.Kind, e, got.View.K1, got.Why)
	}
}

// The sway that is told from the border is that of the camera, to a part of a
// reduced sample.
func TestTracksTheSway(t *testing.T) {
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 2)
	pictures := game(3)
	path := [][2]int{{0, 0}, {10, -8}, {-12, 4}, {6, 14}, {-4, -10}, {14, 6}}
	f := NewFinder(smallest.X, smallest.Y)
	for i, m := range path {
		c := pictures(i)
		p := b.shoot(&c, m[0], m[1])
		f.Add(&p)
	}
	s := f.survey(f.stack)
	stack, whole, ok := f.track(s, f.roughs(s))
	if !ok || len(stack) != len(path) || len(whole) != len(path) {
		t.Fatalf("%v, %d frames, %d whole", ok, len(stack), len(whole))
	}
	middle := Point{float64(f.small.X) / 2, float64(f.small.Y) / 2}
	first := stack[0].apply(middle)
	for i, m := range path {
		p := stack[i].apply(middle)
		k := 2 * float64(f.factor) // half pixels to reduced samples
		x, y := float64(m[0]-path[0][0])/k, float64(m[1]-path[0][1])/k
		if e := math.Hypot(p.X-first.X-x, p.Y-first.Y-y); e > 0.35 {
			t.Errorf("frame %d: off by %.2f reduced samples", i, e)
		}
	}
}

func TestSimilarity(t *testing.T) {
	s := similarity{a: 1.1 * math.Cos(0.2), b: 1.1 * math.Sin(0.2), x: 3, y: -7}
	q := Quad{{1, 2}, {90, 5}, {88, 60}, {3, 55}}
	moved := q
	for i, p := range q {
		moved[i] = s.apply(p)
	}
	if got := between(q, moved); math.Hypot(got.a-s.a, got.b-s.b)+math.Hypot(got.x-s.x, got.y-s.y) > 1e-9 {
		t.Errorf("%+v instead of %+v", got, s)
	}
	for i, p := range moved {
		if b := s.inverse().apply(p); math.Hypot(b.X-q[i].X, b.Y-q[i].Y) > 1e-9 {
			t.Errorf("%v back is %v", p, b)
		}
	}
}

// The lit part of a screen with bars and the screen around it are inverses.
func TestBarsOfAView(t *testing.T) {
	v := View{Quad: Quad{{100, 80}, {560, 90}, {550, 330}, {110, 320}}, Size: smallest, K1: -0.04, Aspect: 16. / 9, Bars: [4]float64{0.1, 0.02, 0.15, 0.01}}
	lit := v.lit()
	if lit.Bars != [4]float64{} || !lit.Quad.convex() || lit.Quad.area() >= v.Quad.area() {
		t.Fatalf("%+v", lit)
	}
	back := lit.around(v.Bars, v.Aspect)
	if e := corner(back.Quad, v.Quad); e > 1e-6 || back.Bars != v.Bars || back.Aspect != v.Aspect {
		t.Errorf("%+v is off by %g px", back, e)
	}
	// Bars are shares of the screen: the picture's upper left corner.
	p := v.ToCamera(0.01, 0.1)
	if math.Hypot(p.X-lit.Quad[0].X, p.Y-lit.Quad[0].Y) > 1e-9 {
		t.Errorf("corner at %v instead of %v", lit.Quad[0], p)
	}
}
