package screen

import (
	"testing"

	"setwitness/decode/picture"
)

// dusk is a soft dark slope of light that hardly changes, to so many codes above black.
func dusk(most int) func(i int) picture.Plane {
	return func(int) picture.Plane {
		p := picture.New(480, 270, 8)
		for k := range p.Pix {
			x, y := k%p.W-p.W*3/5, k/p.W-p.H*4/5
			p.Pix[k] = uint8(16 + max(0, most-most*(x*x+2*y*y)/(p.W*p.W/3)))
		}
		return p
	}
}

// A slope near black changes by less than noise does. The outline of the set shows all
// the same where the wall is lighter.
func TestShadedStill(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 700)
	b := newBooth(t, small, v, 4)
	b.wall, b.panel, b.bezel = 0.01, 0.0015, 0.014
	f := NewFinder(small.X, small.Y)
	for _, s := range film(b, 8, 0, dusk(12)) {
		f.Add(&s.plane)
	}
	got, ok := f.Shaded()
	if e := corner(got.View.Quad, v.Quad); !ok || e > 1.5 {
		t.Errorf("found %v, off by %.2f px: %s", ok, e, got.Why)
	}
}

// What is near the sides in the picture makes steps as well, which may come first or be
// larger; those of the panel lie as deep in the frame on all sides.
func TestUnframed(t *testing.T) {
	t.Parallel()
	v := straightOn(small, 700)
	b := newBooth(t, small, v, 5)
	b.wall, b.panel, b.bezel = 0.012, 0.0012, 0.012
	shots := film(b, 6, 0, func(i int) picture.Plane {
		p := dusk(4)(i)
		for y := range p.H {
			for x := 4; x < 9; x++ { // a strip beside the left side, and one to the right
				p.Pix[y*p.W+x], p.Pix[y*p.W+p.W-1-x] = 60, 60
			}
		}
		return p
	})
	f := NewFinder(small.X, small.Y)
	for i := range shots {
		f.Add(&shots[i].plane)
	}
	// The outline, of which a strip of the wall's shadow belongs to no side alone.
	c := candidate{view: v}
	out := v
	out.Quad = Quad{v.ToCamera(-0.012, -0.012*panelShape), v.ToCamera(1.012, -0.012*panelShape),
		v.ToCamera(1.012, 1+0.012*panelShape), v.ToCamera(-0.012, 1+0.012*panelShape)}
	c.view = out
	for range f.whole {
		c.views = append(c.views, out)
	}
	got, ok := f.unframed(&c)
	if e := corner(got.Quad, v.Quad); !ok || e > 1.5 {
		t.Errorf("found %v, off by %.2f px", ok, e)
	}
	if e := corner(got.lit().Quad, out.Quad); e > 1.5 {
		t.Errorf("what is followed is off the outline by %.2f px", e)
	}
}

// A set that is darker than the wall is followed by its outline.
func TestFollowsShaded(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 6)
	b.wall, b.panel, b.bezel = 0.02, 0.0005, 0.016
	path := sway(30)
	first := v
	first.Shaded = true
	across := b.bezel
	first.Bars = [4]float64{-across * panelShape, -across, -across * panelShape, -across}
	f := NewFollower(first)
	picture := dusk(10)
	for i, m := range path {
		c := picture(i)
		p := b.shoot(&c, m[0], m[1])
		got := f.Follow(&p)
		if e := corner(got.Quad, b.moved(m[0], m[1])); e > 1.5 || got.Carried {
			t.Fatalf("frame %d: off by %.2f px, carried %v", i, e, got.Carried)
		}
	}
}
