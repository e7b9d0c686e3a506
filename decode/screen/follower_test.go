package screen

import (
	"image"
	"math"
	"testing"

	"setwitness/decode/picture"
	"setwitness/testdata/scene"
)

// followed films frames with a screen that is displaced by half pixels, and
// returns what the follower makes of them, which starts a little off.
func followed(b *booth, path [][2]int, content func(i int) picture.Plane) []View {
	first := b.view
	for i := range first.Quad {
		first.Quad[i].X += 2
		first.Quad[i].Y -= 3
	}
	f := NewFollower(first)
	var out []View
	for i, m := range path {
		c := content(i)
		p := b.shoot(&c, m[0], m[1])
		out = append(out, f.Follow(&p))
	}
	return out
}

// smallest is a frame just large enough, so that many are filmed fast.
var smallest = image.Pt(640, 360)

func worst(b *booth, views []View, path [][2]int, from, to int) float64 {
	var e float64
	for i := from; i < to; i++ {
		e = max(e, corner(views[i].Quad, b.moved(path[i][0], path[i][1])))
	}
	return e
}

func sway(n int) [][2]int {
	var path [][2]int
	for i := range n {
		t := float64(i)
		path = append(path, [2]int{
			int(math.Round(12 * math.Sin(t/9))), int(math.Round(9*math.Sin(t/7+1) - 9*math.Sin(1))),
		})
	}
	return path
}

func TestFollowsSway(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 3)
	path := sway(30)
	views := followed(b, path, game(3))
	if e := worst(b, views, path, 1, len(path)); e > 1 {
		t.Errorf("off by %.2f px", e)
	}
	for i, v := range views {
		if v.Carried || v.Cut {
			t.Fatalf("frame %d: carried %v, cut %v", i, v.Carried, v.Cut)
		}
		if v.Confidence < 0.5 {
			t.Errorf("frame %d: confidence %.2f", i, v.Confidence)
		}
	}
}

// Dark content along two sides of the first frame, and its edge beside one of them, are no
// sign that the screen lies elsewhere than where it was found.
func TestFollowsFromDarkSides(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 3)
	pictures := game(3)
	p := pictures(0)
	for y := range p.H {
		row := p.Pix[y*p.Stride:][:p.W]
		dark := func(from, to int) {
			for x := from; x < to; x++ {
				row[x] = 16
			}
		}
		dark(0, p.W/8)
		if y > p.H*9/20 {
			dark(p.W-10*p.W/480, p.W) // 10 px of the camera
		}
	}
	shot := b.shoot(&p, 0, 0)
	if off := corner(NewFollower(v).Follow(&shot).Quad, v.Quad); off > 1 {
		t.Errorf("off by %.2f px", off)
	}
}

// A zoom, at 240 frames a second, goes on as it began: a view that lags behind it loses
// the sides, one after the other, within a few frames of a large screen.
func TestFollowsZoom(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		size           image.Point
		width          float64
		frames         int
		growth, atMost float64 // a second; px in any frame
	}{
		{smallest, 420, 50, 1.08, 0.5},
		{small, 560, 24, 0.85, 0.5},
	} {
		v := straightOn(c.size, c.width)
		m := Point{float64(c.size.X-1) / 2, float64(c.size.Y-1) / 2}
		f := NewFollower(v)
		pictures := game(11)
		for i := range c.frames {
			zoomed := v
			k := math.Pow(c.growth, float64(i)/240)
			for n, q := range v.Quad {
				zoomed.Quad[n] = Point{m.X + k*(q.X-m.X), m.Y + k*(q.Y-m.Y)}
			}
			b := newBooth(t, c.size, zoomed, 11)
			p := pictures(i)
			shot := b.shoot(&p, 0, 0)
			if off := corner(f.Follow(&shot).Quad, zoomed.Quad); off > c.atMost {
				t.Errorf("%g a second, frame %d: off by %.2f px", c.growth, i, off)
			}
		}
	}
}

// A line through sizes is believed where it is plain: one frame that is off is no zoom,
// nor is what strays.
func TestGrowthOf(t *testing.T) {
	for _, c := range []struct {
		name string
		size func(i int) float64
		want float64
	}{
		{"zoom", func(i int) float64 { return 2e-4*float64(i) + 2e-5*float64(i%3) }, 2e-4},
		{"one frame", func(i int) float64 { return 4e-4 * float64(i/11) }, 0},
		{"noise", func(i int) float64 { return 3e-4 * math.Sin(float64(i*i)) }, 0},
		{"rest", func(int) float64 { return 0 }, 0},
	} {
		var sizes [firstFrames]float64
		for i := range sizes {
			sizes[i] = c.size(i)
		}
		if got := growthOf(sizes[:]); math.Abs(got-c.want) > 1e-5 {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
	}
}

// Bars that travel over the screen draw edges as straight and strong as its
// border.
func TestContentDoesNotMoveTheView(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 4)
	bars := scene.Pan(scene.Raster{W: 480, H: 270, RateNum: 50, RateDen: 1, Shutter: 0.5, Seed: 4},
		scene.Back{Surface: scene.Upright, Period: 70, Duty: 0.8, Tone: 150, Contrast: 110}, scene.Move{X: 0.6})
	path := make([][2]int, 40)
	views := followed(b, path, func(i int) picture.Plane { return bars.Luma(float64(i) / 50) })
	if e := worst(b, views, path, 1, len(path)); e > 1.5 {
		t.Errorf("off by %.2f px", e)
	}
}

// The view is carried through black and found again on the other side of it,
// a little farther on.
func TestCarriesThroughBlack(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 5)
	b.panel = 0.0003 // as the bezel: black shows nothing
	b.wall = 0.0003
	path := sway(45)
	pictures := game(5)
	views := followed(b, path, func(i int) picture.Plane {
		if i >= 15 && i < 30 {
			p := picture.New(480, 270, 8)
			for k := range p.Pix {
				p.Pix[k] = 16
			}
			return p
		}
		return pictures(i)
	})
	for i := 15; i < 30; i++ {
		if !views[i].Carried {
			t.Fatalf("frame %d shows nothing and is not carried", i)
		}
	}
	if e := worst(b, views, path, 31, len(path)); e > 1 {
		t.Errorf("off by %.2f px after black", e)
	}
	for i := 31; i < len(path); i++ {
		if views[i].Carried {
			t.Errorf("frame %d is carried", i)
		}
	}
}

// A knock of 10 px within a frame is a cut, once.
func TestKnockIsACut(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 480)
	b := newBooth(t, smallest, v, 6)
	path := make([][2]int, 40)
	for i := 20; i < len(path); i++ {
		path[i] = [2]int{20, -12}
	}
	views := followed(b, path, game(6))
	for i, v := range views {
		if v.Cut != (i == 20) {
			t.Errorf("frame %d: cut %v", i, v.Cut)
		}
	}
	if e := worst(b, views, path, 21, len(path)); e > 1 {
		t.Errorf("off by %.2f px after the knock", e)
	}
}

// A screen that was moved far, as when the phone is set down anew, is found
// again.
func TestFindsAgainFarAway(t *testing.T) {
	t.Parallel()
	v := straightOn(smallest, 400)
	b := newBooth(t, smallest, v, 8)
	path := make([][2]int, 30)
	for i := 5; i < len(path); i++ {
		path[i] = [2]int{-70, 60} // 46 px
	}
	views := followed(b, path, game(8))
	cuts := 0
	for _, v := range views {
		if v.Cut {
			cuts++
		}
	}
	if cuts != 1 {
		t.Errorf("%d cuts", cuts)
	}
	if e := worst(b, views, path, 20, len(path)); e > 1 {
		t.Errorf("off by %.2f px", e)
	}
}

func TestFollowRefuses(t *testing.T) {
	f := NewFollower(straightOn(smallest, 480))
	if v := f.Follow(&picture.Plane{}); !v.Carried {
		t.Error("an empty frame is not carried")
	}
	f = NewFollower(View{Size: smallest})
	p := picture.New(640, 360, 8)
	if v := f.Follow(&p); !v.Carried {
		t.Error("a view without area is followed")
	}
}
