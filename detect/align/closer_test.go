package align

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"setwitness/detect/signature"
)

// texture is a picture without end: detail at all scales, by waves in all directions.
type texture []struct{ fx, fy, phase, codes float64 }

func newTexture(seed uint64) texture {
	r := rand.New(rand.NewPCG(seed, 3))
	out := make(texture, 16)
	for k := range out {
		w := &out[k]
		f := 0.02 * math.Pow(30, r.Float64()) // radians for each place of a view
		a := 2 * math.Pi * r.Float64()
		w.fx, w.fy, w.phase, w.codes = f*math.Cos(a), f*math.Sin(a), 2*math.Pi*r.Float64(), math.Pow(f, -0.6)
	}
	return out
}

// view is the texture moved to the right, with noise, at a share of its contrast.
func (x texture) view(right, contrast, noise float64, r *rand.Rand) *View {
	v := &View{codes: make([]uint16, viewRows*viewCols)}
	for y := range viewRows {
		v.known[y] = true
		row := v.codes[y*viewCols:][:viewCols]
		sums := make([]float64, viewCols)
		for _, w := range x {
			// A wave goes on from place to place by a turn.
			s, c := math.Sincos(w.fx*-right + w.fy*float64(y) + w.phase)
			ds, dc := math.Sincos(w.fx)
			for i := range sums {
				sums[i] += w.codes * s
				s, c = s*dc+c*ds, c*dc-s*ds
			}
		}
		for i, s := range sums {
			row[i] = uint16(signature.Unit8 * min(max(120+contrast*s+noise*r.NormFloat64(), 0), 250))
		}
	}
	return v
}

// sequence is what the blocks of views say, 25 a second.
func sequence(views []*View) *signature.Sequence {
	s := &signature.Sequence{Aspect: 16. / 9}
	const w, h = viewCols / signature.Cols, viewRows / signature.Rows
	for i, v := range views {
		for b := range signature.Blocks {
			sum := 0
			for y := range h {
				for x := range w {
					sum += int(v.codes[(b/signature.Cols*h+y)*viewCols+b%signature.Cols*w+x])
				}
			}
			s.Values = append(s.Values, uint16(sum/(w*h)))
		}
		at := time.Duration(i) * 40 * time.Millisecond
		s.Times, s.Lives = append(s.Times, at), append(s.Lives, at)
	}
	return s
}

// given are views that are there.
type given struct{ take, source []*View }

func (g given) Take(_ context.Context, pictures []int, do func(i int, v *View)) error {
	for _, i := range pictures {
		do(i, g.take[i])
	}
	return nil
}

func (g given) Source(_ context.Context, pictures []int, do func(j int, v *View)) error {
	for _, j := range pictures {
		do(j, g.source[j])
	}
	return nil
}

// pan is a slow one by a hand that is not quite steady, and a take of pictures of it, each
// mixed from those of the source by shares.
func pan(shown []int, mixed float64, steady bool) given {
	r := rand.New(rand.NewPCG(7, 7))
	x := newTexture(5)
	var g given
	at := 0.
	var places []float64
	for range 60 {
		places = append(places, at)
		at += 0.3
		if !steady {
			at += 0.15 * r.NormFloat64()
		}
		g.source = append(g.source, x.view(places[len(places)-1], 1, 0.2, r))
	}
	for _, j := range shown {
		v := x.view(places[j]+1.5, 0.8, 0.4, r) // beside, by half a per cent
		if mixed > 0 {
			o := x.view(places[j+1]+1.5, 0.8, 0.4, r)
			for i, c := range o.codes {
				v.codes[i] = uint16((1-mixed)*float64(v.codes[i]) + mixed*float64(c))
			}
		}
		g.take = append(g.take, v)
	}
	return g
}

// believed is an alignment of which the blocks left doubt.
func believed(g given, shown []int) *Alignment {
	a := &Alignment{take: sequence(g.take), source: sequence(g.source), Explained: 1}
	a.found = &belief{fit: full, runs: []run{{shown: shown, rate: 1}}}
	a.tried = []belief{*a.found}
	return a
}

func from(first, n int) []int {
	out := make([]int, n)
	for t := range out {
		out[t] = first + t
	}
	return out
}

// A slow pan that blocks place two pictures off, or of which they miss where a picture was
// dropped, is right to the picture after a closer look, and the source lies where it does.
func TestLookCloser(t *testing.T) {
	dropped := append(from(8, 20), from(29, 20)...)
	for _, c := range []struct {
		name            string
		shown, believed []int
	}{
		{"two off", from(10, 40), from(12, 40)},
		{"six off", from(10, 40), from(16, 40)},
		{"dropped", dropped, from(9, 40)},
		{"a piece off", from(10, 40), append(append(from(10, 12), from(21, 14)...), from(36, 14)...)},
	} {
		g := pan(c.shown, 0, false)
		a := believed(g, c.believed)
		if err := a.LookCloser(context.Background(), g); err != nil {
			t.Fatal(err)
		}
		wrong := 0
		for i, j := range a.Pictures {
			if j != c.shown[i] {
				wrong++
			}
		}
		if wrong > 1 || a.Confidence < 0.8 {
			t.Errorf("%s: %d of %d wrong, confidence %.2f: %v", c.name, wrong, len(c.shown), a.Confidence, a.Pictures)
		}
		if d := a.Fit.OffsetX*viewCols - 1.5; math.Abs(d) > 0.05 || math.Abs(a.Fit.ScaleX-1) > 1e-3 {
			t.Errorf("%s: the source lies at %.4v, %.3f places off", c.name, a.Fit, d)
		}
	}
}

// A take in which each picture is as much of one as of the next is not sure of either, but
// that it is one of both; nor is a pan so even that a picture later looks like a little beside.
func TestLookCloserDoubts(t *testing.T) {
	g := pan(from(10, 40), 0.5, false)
	a := believed(g, from(10, 40))
	if err := a.LookCloser(context.Background(), g); err != nil {
		t.Fatal(err)
	}
	if a.Confidence > 0.9 || a.Near < 0.9 {
		t.Errorf("mixed: confidence %.2f, near %.2f", a.Confidence, a.Near)
	}
	g = pan(from(10, 40), 0, true)
	a = believed(g, from(11, 40))
	if err := a.LookCloser(context.Background(), g); err != nil {
		t.Fatal(err)
	}
	if a.Confidence > 0.9 {
		t.Errorf("even: confidence %.2f, %v", a.Confidence, a.Pictures)
	}
}

// Of a pan that is shown 62.5 times a second, each picture for two or three of the take's, a
// path out of phase has a third of them one early; a closer look shifts it, also where all of it
// was taken to be a picture later in between.
func TestLookCloserPhase(t *testing.T) {
	const n = 60
	at := func(t int, phase float64) int { return 10 + int(0.4*float64(t)+phase) }
	var shown, blocks []int
	for t := range n {
		shown, blocks = append(shown, at(t, 0.65)), append(blocks, at(t, 0.3))
	}
	g := pan(shown, 0, false)
	for _, later := range []int{0, 1} {
		a := believed(g, blocks)
		for i := range n {
			a.take.Lives[i] = time.Duration(i) * 16 * time.Millisecond
		}
		a.take.Times = a.take.Lives
		r := &a.found.runs[0]
		r.origin, r.lags = (10+0.3)*0.04, make([]float64, n)
		if later > 0 {
			moved := a.found.later(later, a.source.Len(), 0.04)
			a.found = &moved
		}
		if err := a.LookCloser(context.Background(), g); err != nil {
			t.Fatal(err)
		}
		wrong := 0
		for i, j := range a.Pictures {
			if j != shown[i] {
				wrong++
			}
		}
		if wrong > 0 {
			t.Errorf("%d later: %d of %d wrong: %v", later, wrong, n, a.Pictures)
		}
	}
}
