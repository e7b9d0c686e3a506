package fullreference

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect/origin"
)

// texture is fine detail of all directions, in slow slopes.
func texture(w, h int, shift float64) *picture.Picture {
	p := &picture.Picture{Y: picture.New(w, h, 8)}
	for y := range h {
		for x := range w {
			u, v := float64(x)-shift, float64(y)
			code := 110 + 25*math.Sin(u/40)*math.Cos(v/31) + 14*math.Sin(2.1*u+0.4*v) + 14*math.Sin(0.3*u+1.8*v) +
				12*math.Sin(1.2*u) + 12*math.Cos(1.1*v) + 30*math.Sin(0.7*u+0.6*v)
			p.Y.Pix[y*w+x] = uint8(min(max(code+0.5, 0), 255))
		}
	}
	return p
}

// changed is a picture with a function of its own pixels in a rectangle, and noise.
func changed(p *picture.Picture, r image.Rectangle, noise float64, f func(at func(x, y int) float64, x, y int) float64) *picture.Picture {
	d := rand.New(rand.NewPCG(4, uint64(len(p.Y.Pix))))
	q := &picture.Picture{Y: picture.New(p.Y.W, p.Y.H, 8)}
	at := func(x, y int) float64 {
		return float64(p.Y.At(min(max(x, 0), p.Y.W-1), min(max(y, 0), p.Y.H-1)))
	}
	for y := range p.Y.H {
		for x := range p.Y.W {
			v := at(x, y)
			if image.Pt(x, y).In(r) {
				v = f(at, x, y)
			}
			q.Y.Pix[y*p.Y.W+x] = uint8(min(max(v+noise*d.NormFloat64()+0.5, 0), 255))
		}
	}
	return q
}

func soften(at func(x, y int) float64, x, y int) float64 {
	var sum float64
	for j := -1; j <= 1; j++ {
		for i := -1; i <= 1; i++ {
			sum += at(x+i, y+j) * float64((2-max(i, -i))*(2-max(j, -j)))
		}
	}
	return sum / 16
}

// doubled repeats every other line.
func doubled(at func(x, y int) float64, x, y int) float64 { return at(x, y&^1) }

func asItIs(at func(x, y int) float64, x, y int) float64 { return at(x, y) }

func TestDifferences(t *testing.T) {
	const w, h, n = 448, 320, 10
	part := image.Rect(128, 96, 352, 256)
	sources := make([]*picture.Picture, n)
	for i := range sources {
		sources[i] = texture(w, h, float64(3*i))
	}
	all := image.Rect(0, 0, w, h)
	for _, c := range []struct {
		name        string
		first, last int // pictures with the change
		where       image.Rectangle
		noise       float64
		change      func(at func(x, y int) float64, x, y int) float64
		want        What // none where it is empty
	}{
		{"as it is", 0, n, all, 0, asItIs, ""},
		{"noise", 0, n, all, 4, asItIs, ""},
		{"soft throughout", 0, n, all, 1, soften, ""},
		{"soft in a part", 0, n, part, 1, soften, FineDetail},
		{"soft for a while", 4, 6, all, 1, soften, FineDetail},
		{"soft in a part for a while, noise", 4, 7, part, 3, soften, FineDetail},
		{"lines doubled for a while", 3, 6, all, 1, doubled, DownDetail},
		{"another picture", 4, 6, all, 1, func(at func(x, y int) float64, x, y int) float64 { return at(x+37, y+11) }, ""},
	} {
		d := NewDetail(w, h, w, h, origin.Map{ScaleX: 1, ScaleY: 1})
		var samples []*Sample
		for i := range n {
			change := asItIs
			if i >= c.first && i <= c.last {
				change = c.change
			}
			s := d.Compare(changed(sources[i], c.where, c.noise, change), sources[i], nil)
			s.Picture, s.Of = 10*i, 10*i
			samples = append(samples, s)
		}
		transfers := Transfers(samples, 1, 1)
		got := Differences(samples, &transfers)
		if c.want == "" {
			if len(got) > 0 {
				t.Errorf("%s: %+v", c.name, got)
			}
			continue
		}
		if len(got) != 1 {
			t.Errorf("%s: %d differences: %+v", c.name, len(got), got)
			continue
		}
		g := got[0]
		if g.What != c.want || g.First != 10*c.first || g.Last != 10*min(c.last, n-1) || most(g.Lost[:]) < lostShare || !g.Focus.In(c.where) ||
			!g.PeakRegion.In(c.where.Inset(-Side)) || g.PeakRegion.Dx()*2 < c.where.Dx() || g.Codes < 2 {
			t.Errorf("%s: %+v", c.name, g)
		}
	}
}

// What is as fine in the take as in the source laid on it is so at any size, and
// the plan of the laying leaves flat pictures flat.
func TestLaying(t *testing.T) {
	for _, c := range []struct{ w, h, sourceW, sourceH int }{{320, 180, 320, 180}, {320, 180, 640, 360}, {640, 360, 320, 180}, {300, 200, 640, 360}} {
		m := origin.Between(image.Pt(c.w, c.h), image.Pt(c.sourceW, c.sourceH), 1, 0, 1, 0)
		l := NewLaying(c.w, c.h, c.sourceW, c.sourceH, m)
		flat := picture.New(c.sourceW, c.sourceH, 8)
		slope := picture.New(c.sourceW, c.sourceH, 8)
		for y := range c.sourceH {
			for x := range c.sourceW {
				flat.Pix[y*c.sourceW+x] = 77
				slope.Pix[y*c.sourceW+x] = uint8(20 + 200*x/c.sourceW)
			}
		}
		for i, v := range l.Lay(&flat) {
			if math.Abs(float64(v)-77) > 1e-3 {
				t.Fatalf("%+v: flat pixel %d is %g", c, i, v)
			}
		}
		const off = 1.5 // codes: the slope is of whole ones
		for i, v := range l.Lay(&slope) {
			x := i % c.w
			sx, _ := m.At(float64(x), 0)
			if l.Has(x, c.h/2, x+1, c.h/2+1) && math.Abs(float64(v)-20-200*sx/float64(c.sourceW)) > off {
				t.Fatalf("%+v: column %d is %g", c, x, v)
			}
		}
		if l.Has(-1, 0, 5, 5) || l.Has(0, 0, c.w+1, 5) {
			t.Errorf("%+v: has what lies outside", c)
		}
	}
}

// Fine alternation is folded to grey and not to coarse waves where the source has
// more pixels than the take.
func TestLayingFolds(t *testing.T) {
	l := NewLaying(200, 10, 500, 25, origin.Between(image.Pt(200, 10), image.Pt(500, 25), 1, 0, 1, 0))
	p := picture.New(500, 25, 8)
	for y := range p.H {
		for x := range p.W {
			p.Pix[y*p.W+x] = uint8(60 + 120*(x%2))
		}
	}
	for i, v := range l.Lay(&p)[4*200+5 : 4*200+195] {
		if math.Abs(float64(v)-120) > 3 {
			t.Fatalf("column %d is %g", i+5, v)
		}
	}
}
