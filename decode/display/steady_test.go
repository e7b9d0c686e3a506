package display

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/screen"
)

// shaken returns views of a screen whose true corners are moved by move, each
// measured with errors that stay for some frames, as content makes them, and
// with those of each frame.
func shaken(n int, seed uint64, move func(i int) (dx, dy float64)) (measured, truth []screen.View) {
	r := rand.New(rand.NewPCG(seed, 5))
	var held [8]float64
	for i := range n {
		v := screen.View{Size: image.Pt(1280, 720), Quad: screen.Quad{{X: 200, Y: 100}, {X: 1080, Y: 110}, {X: 1070, Y: 600}, {X: 210, Y: 590}}}
		dx, dy := move(i)
		for c := range v.Quad {
			v.Quad[c].X += dx
			v.Quad[c].Y += dy
		}
		truth = append(truth, v)
		if i%5 == 0 { // a picture is in about five frames of 240 a second
			for k := range held {
				held[k] = 0.2 * r.NormFloat64()
			}
		}
		for c := range v.Quad {
			v.Quad[c].X += held[2*c] + 0.05*r.NormFloat64()
			v.Quad[c].Y += held[2*c+1] + 0.05*r.NormFloat64()
		}
		measured = append(measured, v)
	}
	return measured, truth
}

// placed runs a steadier over views and returns by how much corners are off at
// worst and how far they leap from frame to frame at most beyond what they
// moved, after the first second.
func placed(measured, truth []screen.View) (off, leap float64) {
	s := newSteadier(240)
	var before screen.View
	for i := range measured {
		v := s.at(measured, i)
		if i > 240 && i < len(measured)-s.half {
			for c := range v.Quad {
				p, q, t, u := v.Quad[c], before.Quad[c], truth[i].Quad[c], truth[i-1].Quad[c]
				off = max(off, math.Hypot(p.X-t.X, p.Y-t.Y))
				leap = max(leap, math.Hypot(p.X-q.X-t.X+u.X, p.Y-q.Y-t.Y+u.Y))
			}
		}
		before = v
	}
	return off, leap
}

func TestSteadier(t *testing.T) {
	sine := func(px, hz float64) func(i int) (float64, float64) {
		return func(i int) (float64, float64) {
			a := 2 * math.Pi * hz * float64(i) / 240
			return px * math.Sin(a), px * math.Cos(a)
		}
	}
	for _, c := range []struct {
		name      string
		move      func(i int) (dx, dy float64)
		off, leap float64 // px
	}{
		{"on a stand", func(int) (float64, float64) { return 0, 0 }, 0.15, 0.012},
		{"in the hand", sine(4, 1), 0.5, 0.07},
		{"a calm hand", sine(0.5, 0.5), 0.45, 0.07},
		{"pushed slowly", func(i int) (float64, float64) { return 0.6 * float64(i) / 240, 0 }, 0.5, 0.07},
		{"a heavy stand that sinks", func(i int) (float64, float64) { return 0, 0.05 * float64(i) / 240 }, 0.2, 0.02},
		{"rests after moving", func(i int) (float64, float64) { return 3 * math.Exp(-float64(i)/200), 0 }, 0.45, 0.07},
	} {
		for seed := range uint64(3) {
			measured, truth := shaken(960, seed, c.move)
			if off, leap := placed(measured, truth); off > c.off || leap > c.leap {
				t.Errorf("%s, seed %d: corners are off by %.3f px and leap by %.3f", c.name, seed, off, leap)
			} else {
				t.Logf("%s, seed %d: corners are off by %.3f px and leap by %.3f", c.name, seed, off, leap)
			}
		}
	}
}

// Nothing from before a knock helps to place what comes after it.
func TestSteadierCut(t *testing.T) {
	measured, truth := shaken(600, 1, func(i int) (float64, float64) {
		if i < 300 {
			return 0, 0
		}
		return 7, 2
	})
	measured[300].Cut = true
	s := newSteadier(240)
	for i := range measured {
		v := s.at(measured, i)
		for c := range v.Quad {
			if e := math.Hypot(v.Quad[c].X-truth[i].Quad[c].X, v.Quad[c].Y-truth[i].Quad[c].Y); e > 1 {
				t.Fatalf("frame %d: corner %d is off by %.2f px", i, c, e)
			}
		}
	}
}
