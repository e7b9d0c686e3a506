package origin

import (
	"math"
	"testing"

	"setwitness/decode/picture"
)

// drawn is fine lines that stand still and a soft spot that moves beside them, in a
// picture of a clip.
func drawn(i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(320, 240, 8)}
	for y := range 240 {
		for x := range 320 {
			dx, dy := float64(x)-60-6*float64(i), float64(y)-120
			v := 100.
			if x > 200 {
				v += 60 * float64(y%2)
			}
			if d := (dx*dx + dy*dy) / 900; d < 4 {
				v += (180 - v) * math.Exp(-d*d)
			}
			p.Y.Pix[y*320+x] = uint8(v)
		}
	}
	return p
}

// field is one of a picture's.
func field(p *picture.Picture, parity picture.Parity) *picture.Picture {
	out := &picture.Picture{Index: p.Index, Parity: parity, Y: picture.New(p.Y.W, p.Y.H/2, 8)}
	first := 0
	if parity == picture.Bottom {
		first = 1
	}
	for y := range p.Y.H / 2 {
		copy(out.Y.Pix[y*p.Y.W:][:p.Y.W], p.Y.Pix[(2*y+first)*p.Y.Stride:])
	}
	return out
}

// Fields of one instant, as of film, make their frame, also of what moves.
func TestDeinterlacedFilm(t *testing.T) {
	fine := func(i int) *picture.Picture {
		p := drawn(0)
		for k := range p.Y.Pix {
			p.Y.Pix[k] = uint8(100 + 60*((k/320+k%320/3+i*4)/6%2))
		}
		return p
	}
	want := Small(fine(10), 160)
	for _, c := range []struct {
		name          string
		before, after int // the instants of the fields beside one of instant 10
	}{{"first of two", 9, 10}, {"second of two", 10, 11}, {"one of three", 10, 10}} {
		got := Deinterlaced(field(fine(c.before), picture.Bottom), field(fine(10), picture.Top), field(fine(c.after), picture.Bottom), 160)
		for k, v := range got.Pix {
			if d := v - want.Pix[k]; d > 1 || d < -1 {
				t.Fatalf("%s: %.1f, not %.1f, in sample %d", c.name, v, want.Pix[k], k)
			}
		}
	}
}

// Of fields, what stands still is as sharp as in the frame, and what moves is where it is.
func TestDeinterlaced(t *testing.T) {
	for _, c := range []struct{ own, other picture.Parity }{{picture.Top, picture.Bottom}, {picture.Bottom, picture.Top}} {
		want := Small(drawn(10), 160)
		got := Deinterlaced(field(drawn(9), c.other), field(drawn(10), c.own), field(drawn(11), c.other), 160)
		if got.W != want.W || got.H != want.H || got.Step != want.Step || got.Rows != want.Rows || got.Shift != want.Shift {
			t.Fatalf("%d x %d, %d, %d, %g", got.W, got.H, got.Step, got.Rows, got.Shift)
		}
		sum, alone := 0., 0.
		field := Small(field(drawn(10), c.own), 160)
		for y := 2; y < want.H-2; y++ {
			for x := range want.W {
				d := float64(got.Pix[y*want.W+x] - want.Pix[y*want.W+x])
				sum += d * d
				fx, fy := want.toFrame(float64(x), float64(y))
				v, _, _, ok := field.at(field.fromFrame(fx, fy))
				if d = v - float64(want.Pix[y*want.W+x]); ok {
					alone += d * d
				}
			}
		}
		if sum > alone/20 {
			t.Errorf("parity %d: squares of %.0f, of the field alone %.0f", c.own, sum, alone)
		}
	}
	p := field(drawn(10), picture.Top)
	if got := Deinterlaced(nil, p, nil, 160); got.Rows != Small(p, 160).Rows || got.H != Small(p, 160).H {
		t.Errorf("without neighbours %+v", got)
	}
}
