package display

import (
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
)

// lit returns a textured picture, moved to the right by so many columns, whose
// rows are lit by a factor.
func lit(shift int, factor func(y float64) float64) picture.Plane {
	return litAcross(shift, func(_, y float64) float64 { return factor(y) })
}

func litAcross(shift int, factor func(x, y float64) float64) picture.Plane {
	const w, h, black = 320, 180, 16 << 4
	r := rand.New(rand.NewPCG(3, 4))
	texture := make([]float64, w)
	for i := range texture {
		texture[i] = 400 + 2000*r.Float64()
	}
	p := picture.New(w, h, 12)
	for y := range h {
		for x := range w {
			f := factor((float64(x)+0.5)/w, (float64(y)+0.5)/h)
			p.Pix16[y*p.Stride+x] = uint16(black + f*texture[((x-shift+y/20)%w+w)%w])
		}
	}
	return p
}

func TestLight(t *testing.T) {
	flat := func(float64) float64 { return 1 }
	ripple := func(y float64) float64 { return 1 + 0.12*math.Sin(9*y+1) }
	fade := func(float64) float64 { return 0.9 }
	shadow := func(y float64) float64 { return 1 - 0.5*math.Floor(2*y) }
	// How far the rows' levels, against the mean of all, are off.
	worst := func(p, q picture.Plane) float64 {
		var rows []float64
		mean := 0.0
		for y := range p.H {
			var a, b float64
			for x := range p.W {
				a += float64(p.At(x, y)) - 16<<4
				b += float64(q.At(x, y)) - 16<<4
			}
			rows = append(rows, a/b)
			mean += a / b / float64(p.H)
		}
		m := 0.0
		for _, r := range rows {
			m = max(m, math.Abs(r/mean-1))
		}
		return m
	}
	for _, c := range []struct {
		name          string
		second, wants picture.Plane
		within        float64
	}{
		{"a ripple is taken out", lit(0, ripple), lit(0, flat), 0.015},
		{"nothing is done where nothing changes", lit(0, flat), lit(0, flat), 1e-9},
		{"a fade is even", lit(0, fade), lit(0, fade), 2e-4},
		{"what moves stays", lit(7, ripple), lit(7, ripple), 1e-9},
		{"a shadow stays", lit(0, shadow), lit(0, shadow), 1e-9},
	} {
		l := light{black: 16 << 4}
		first := lit(0, flat)
		l.even(&first, 0, true)
		l.even(&c.second, 0, true)
		if got := worst(c.second, c.wants); got > c.within {
			t.Errorf("%s: off by %.3f of the level", c.name, got)
		}
	}
}

// A camera that is held upright reads across the rows, and the ripple of the
// light lies at a slant. A thing that moves in front of it stays.
func TestSlantingLight(t *testing.T) {
	const w, h, black = 320, 180, 16 << 4
	still := func(x, y float64) float64 { return 1 }
	ripple := func(x, y float64) float64 { return 1 + 0.3*math.Sin(14*y+3*x) }
	ball := func(at float64) func(x, y float64) float64 {
		return func(x, y float64) float64 {
			if math.Hypot(x-at, (y-0.5)*h/w) < 0.04 {
				return 1.4
			}
			return 1
		}
	}
	both := func(a, b func(x, y float64) float64) func(x, y float64) float64 {
		return func(x, y float64) float64 { return a(x, y) * b(x, y) }
	}
	l := light{black: black}
	first := litAcross(0, still)
	l.even(&first, 0, true)
	second, want := litAcross(0, both(ripple, ball(0.4))), litAcross(0, ball(0.4))
	l.even(&second, 0, true)
	// The light of all of the picture may go up or down as a whole.
	var ratios []float64
	mean := 0.0
	for i, v := range second.Pix16 {
		r := (float64(v) - black) / (float64(want.Pix16[i]) - black)
		ratios = append(ratios, r)
		mean += r / float64(len(second.Pix16))
	}
	most := 0.0
	for _, r := range ratios {
		most = max(most, math.Abs(r/mean-1))
	}
	if most > 0.08 {
		t.Errorf("off by %.3f of the level", most)
	}
}

// TestFlicker has a backlight that lights whole pictures unlike the next, and a
// fade.
func TestFlicker(t *testing.T) {
	level := func(p *picture.Plane) float64 {
		sum := 0.0
		for y := range p.H {
			for x := range p.W {
				sum += float64(p.At(x, y) - 16<<4)
			}
		}
		return sum / float64(p.W*p.H)
	}
	whole := func(f float64) func(float64) float64 { return func(float64) float64 { return f } }
	l := light{black: 16 << 4}
	var first float64
	for i := range 40 {
		p := lit(0, whole(1+0.1*math.Sin(2*math.Pi*float64(i)/5)))
		l.even(&p, 0, true)
		if i == 0 {
			first = level(&p)
		}
		if off := level(&p)/first - 1; math.Abs(off) > 0.02 {
			t.Errorf("picture %d of a flicker by a tenth: its level is off by %.3f", i, off)
		}
	}
	before := first
	for i := range 60 {
		f := 1 - 0.5*min(1, float64(i)/30)
		p := lit(0, whole(f))
		l.even(&p, 0, true)
		now := level(&p)
		if now > before*1.001 {
			t.Errorf("picture %d of a fade is brighter than the one before", i)
		}
		before = now
	}
	if off := before/(first*0.5) - 1; math.Abs(off) > 0.05 {
		t.Errorf("after a fade to a half the level is off by %.3f", off)
	}
}

// A ripple that changes from picture to picture is told, the same one in all is not.
func TestUneven(t *testing.T) {
	for _, c := range []struct {
		name   string
		phase  float64 // of each picture after the one before
		height float64
		want   float64 // least and most, as a share
		most   float64
	}{
		{"a backlight that is switched", 2.1, 0.08, 0.06, 0.2},
		{"the same in all pictures", 0, 0.08, 0, 0},
		{"hardly any", 2.1, 0.005, 0, 0},
	} {
		var l light
		for i := range 30 {
			p := lit(0, func(y float64) float64 { return 1 + c.height*math.Sin(9*y+c.phase*float64(i)) })
			l.even(&p, 1, true)
		}
		if got := l.uneven(); got < c.want || got > c.most {
			t.Errorf("%s: uneven by %.3f, want %.3f to %.3f", c.name, got, c.want, c.most)
		}
	}
}
