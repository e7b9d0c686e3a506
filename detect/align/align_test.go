package align

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"setwitness/detect/signature"
)

// show makes the signatures of n pictures, rate a second, of soft things that
// move as they please before a backdrop; when is the time in the scene of
// picture i.
func show(n int, rate float64, seed uint64, when func(i int) float64) *signature.Sequence {
	return showIn(full, n, rate, seed, when)
}

// showIn is show with the scene laid into the picture by a fit; black is beside it.
func showIn(f Fit, n int, rate float64, seed uint64, when func(i int) float64) *signature.Sequence {
	r := rand.New(rand.NewPCG(seed, 1))
	type thing struct{ x, y, ax, ay, fx, fy, px, py, size, light float64 }
	things := make([]thing, 7)
	for k := range things {
		things[k] = thing{r.Float64(), r.Float64(), 0.1 + 0.3*r.Float64(), 0.1 + 0.3*r.Float64(),
			0.2 + r.Float64(), 0.2 + r.Float64(), 7 * r.Float64(), 7 * r.Float64(), 0.05 + 0.05*r.Float64(), 120*r.Float64() - 60}
	}
	type spot struct{ x, y, size, light float64 }
	spots := make([]spot, 60)
	for k := range spots {
		spots[k] = spot{r.Float64(), r.Float64(), 0.03 + 0.03*r.Float64(), 80*r.Float64() - 40}
	}
	place := func(b int) (x, y float64) {
		return ((float64(b%signature.Cols)+0.5)/signature.Cols - f.OffsetX) / f.ScaleX, ((float64(b/signature.Cols)+0.5)/signature.Rows - f.OffsetY) / f.ScaleY
	}
	back := make([]float64, signature.Blocks)
	for b := range back {
		back[b] = 110
		x, y := place(b)
		for _, p := range spots {
			back[b] += p.light * math.Exp(-((x-p.x)*(x-p.x)+(y-p.y)*(y-p.y))/2/p.size/p.size)
		}
	}
	s := &signature.Sequence{Aspect: 16. / 9}
	for i := range n {
		t := when(i)
		for b := range signature.Blocks {
			v := back[b]
			atX, atY := place(b)
			if atX < 0 || atX > 1 || atY < 0 || atY > 1 {
				s.Values = append(s.Values, 16*signature.Unit8)
				continue
			}
			for _, h := range things {
				x := h.x + h.ax*math.Sin(h.fx*t+h.px) - atX
				y := h.y + h.ay*math.Sin(h.fy*1.3*t+h.py) - atY
				v += h.light * math.Exp(-(x*x+y*y)/2/h.size/h.size)
			}
			s.Values = append(s.Values, uint16(signature.Unit8*min(max(v, 0), 250)))
		}
		at := time.Duration(float64(i) / rate * float64(time.Second))
		s.Times, s.Lives = append(s.Times, at), append(s.Lives, at)
	}
	return s
}

// at is the time of picture i of a source of rate pictures a second.
func at(rate float64) func(int) float64 { return func(i int) float64 { return float64(i) / rate } }

// filmed changes the blocks as a camera does: response, fall-off, noise.
func filmed(s *signature.Sequence, seed uint64) *signature.Sequence {
	r := rand.New(rand.NewPCG(seed, 2))
	for i := range s.Len() {
		for b := range s.At(i) {
			x, y := float64(b%signature.Cols)/(signature.Cols-1)-0.5, float64(b/signature.Cols)/(signature.Rows-1)-0.5
			v := math.Pow(float64(s.At(i)[b])/signature.Unit8/255, 1.3) * 180 * (1 - 0.6*(x*x+y*y))
			s.At(i)[b] = uint16(max(0, v+12+0.05*r.NormFloat64()) * signature.Unit8)
		}
	}
	return s
}

func TestSequences(t *testing.T) {
	source := show(600, 50, 1, at(50))
	for _, c := range []struct {
		name string
		take *signature.Sequence
		want func(i int) int // picture of the source
	}{
		{"a cut", show(160, 50, 1, func(i int) float64 { return float64(i+203) / 50 }), func(i int) int { return i + 203 }},
		{"at 60", show(190, 60, 1, func(i int) float64 { return float64(100+int(float64(i)*50/60+1e-9)) / 50 }), func(i int) int { return 100 + int(float64(i)*50/60+1e-9) }},
		{"every second one", show(160, 50, 1, func(i int) float64 { return float64(60+i/2*2) / 50 }), func(i int) int { return 60 + i/2*2 }},
		{"one shown twice", show(160, 50, 1, func(i int) float64 {
			if i == 80 {
				i--
			}
			return float64(i+300) / 50
		}), func(i int) int {
			if i == 80 {
				i--
			}
			return i + 300
		}},
		{"one dropped and closed up", show(160, 50, 1, func(i int) float64 { return float64(i+100+i/90) / 50 }), func(i int) int { return i + 100 + i/90 }},
	} {
		for _, how := range []string{"as it is", "filmed"} {
			if c.name == "every second one" && how == "filmed" {
				continue // repeats cannot be told in so much noise
			}
			take := c.take
			if how == "filmed" {
				take = filmed(take, 3)
			}
			a, err := Sequences(take, source)
			if err != nil {
				t.Errorf("%s, %s: %v", c.name, how, err)
				continue
			}
			wrong := 0
			for i, j := range a.Pictures {
				// What moves by less than noise cannot be told.
				if w := c.want(i); j != w && (j < 0 || differ(source.At(j), source.At(w), nil) > grain*grain) {
					wrong++
				}
			}
			// Filmed, a third of the take moves by hardly more than its noise.
			if wrong > 2 || a.Confidence < 0.8 {
				t.Errorf("%s, %s: %d of %d pictures are wrong, confidence %.2f, spans %v", c.name, how, wrong, take.Len(), a.Confidence, a.Spans)
			}
			if span := a.Spans[0]; span.Start != source.Lives[a.Pictures[span.First]] || span.Rate != 1 {
				t.Errorf("%s, %s: %v begins with picture %d", c.name, how, span, a.Pictures[span.First])
			}
			if c.name == "one shown twice" && (a.Due(79) != 379 || a.Due(80) != 380 || a.Due(81) != 381) {
				t.Errorf("%s, %s: due are %d, %d, %d", c.name, how, a.Due(79), a.Due(80), a.Due(81))
			}
			if s, ok := a.Source(take.Times[120] + time.Millisecond); !ok || s != source.Times[a.Pictures[120]] {
				t.Errorf("%s, %s: Source says %v, %v", c.name, how, s, ok)
			}
		}
	}
}

func TestWhyNot(t *testing.T) {
	source := show(600, 50, 1, at(50))
	still := show(200, 50, 1, func(int) float64 { return 3 })
	periodic := show(600, 50, 1, func(i int) float64 { return float64(i%150) / 50 })
	for _, c := range []struct {
		name         string
		take, source *signature.Sequence
		want         error
	}{
		{"short", show(20, 50, 1, at(50)), source, ErrShort},
		{"short source", source, show(20, 50, 1, at(50)), ErrShort},
		{"still", still, source, ErrStill},
		{"another scene", show(200, 50, 2, at(50)), source, ErrDifferent},
		{"a loop in the source", show(160, 50, 1, func(i int) float64 { return float64((i+40)%150) / 50 }), periodic, ErrAmbiguous},
		{"a loop in the source, smaller", showIn(Fit{0.95, 0.025, 0.95, 0.025}, 160, 50, 1, func(i int) float64 { return float64((i+40)%150) / 50 }), periodic, ErrAmbiguous},
	} {
		if a, err := Sequences(c.take, c.source); !errors.Is(err, c.want) {
			t.Errorf("%s: %+v, %v", c.name, a, err)
		}
	}
	a, err := Sequences(still, show(300, 50, 1, func(int) float64 { return 3 }))
	if err != nil || !a.Still {
		t.Errorf("two still ones: %+v, %v", a, err)
	}
	if _, err := Sequences(nil, source); err == nil {
		t.Error("no signatures are aligned")
	}
}

// A source that changes by a little more than what stands still, as noise does, stands as still
// as a take of it that does; one that changes by more does not.
func TestStillInNoise(t *testing.T) {
	still := show(200, 50, 1, func(int) float64 { return 3 })
	// flickers changes half of the picture so that it has that many times the most of
	// what stands still.
	flickers := func(times float64) *signature.Sequence {
		s := show(250, 50, 1, func(int) float64 { return 3 })
		for codes := 0.02; ; codes *= 1.02 {
			out := *s
			out.Values = slices.Clone(s.Values)
			for i := range out.Values {
				if i%signature.Cols < signature.Cols/2 {
					v := codes * math.Sin(float64(i/signature.Blocks)/7)
					out.Values[i] = uint16(float64(out.Values[i]) + math.Round(v*signature.Unit8))
				}
			}
			if r := reduce(&out, 1); r.energy(0, r.n) >= times*stillCodes*stillCodes*float64(channels*r.n) {
				return &out
			}
		}
	}
	if a, err := Sequences(still, flickers(1.3)); err != nil || !a.Still {
		t.Errorf("in noise: %+v, %v", a, err)
	}
	if a, err := Sequences(still, flickers(4)); !errors.Is(err, ErrStill) {
		t.Errorf("where it changes: %+v, %v", a, err)
	}
}

// A take that is ambiguous where the source lies best is so although another fit
// finds one place.
func TestAmbiguousAbove(t *testing.T) {
	at := func(explained float64) *Alignment { return &Alignment{Explained: explained, Pictures: []int{1, 2}} }
	for _, c := range []struct {
		name  string
		found []*Alignment
		want  bool
	}{
		{"nothing else", nil, true},
		{"a worse fit", []*Alignment{at(0.9)}, true},
		{"a better one among them", []*Alignment{at(0.9), at(0.97)}, false},
		{"still", []*Alignment{{Still: true}}, false},
		{"half of it", []*Alignment{{Explained: 0.99, Pictures: []int{1, -1}}}, true},
	} {
		if got := (&ambiguousError{explained: 0.95}).above(c.found); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A camera whose exposure follows what it films changes all of the picture by more than
// what moves in it does.
func TestExposureDrifts(t *testing.T) {
	const first, n = 210, 90
	source := show(400, 50, 1, at(50))
	take := show(n, 50, 1, func(i int) float64 { return float64(i+first) / 50 })
	for i := range n {
		for b, v := range take.At(i) {
			take.At(i)[b] = uint16(float64(v) * (1 + 0.12*math.Pow(math.Sin(math.Pi*float64(i)/n), 2)))
		}
	}
	a, err := Sequences(take, source)
	if err != nil {
		t.Fatal(err)
	}
	for i, j := range a.Pictures {
		if j != i+first {
			t.Errorf("picture %d is %d of the source, want %d", i, j, i+first)
		}
	}
}

// A picture of which nothing is known, as when a camera starts in the middle of one, is
// no change.
func TestStartsUnknown(t *testing.T) {
	s := show(60, 50, 1, at(50))
	whole := reduce(s, 1)
	for b := range s.At(0) {
		s.At(0)[b] = signature.Unknown
	}
	if e, want := reduce(s, 1).energy(0, whole.n), whole.energy(0, whole.n); math.Abs(e-want) > want/50 {
		t.Errorf("what changes is %.3g, want %.3g", e, want)
	}
}

// Of a scene that comes to rest and is played twice, what each time shows is explained though
// the place found for it would have more pictures that look like the take's but for what moves.
func TestTwiceToRest(t *testing.T) {
	const first, rest, n = 84, 105, 96
	source := show(250, 30, 1, func(i int) float64 { return float64(min(i, rest)) / 10 })
	take := filmed(show(2*n, 30, 1, func(i int) float64 { return float64(min(first+i%n, rest)) / 10 }), 3)
	a, err := Sequences(take, source)
	if err != nil {
		t.Fatal(err)
	}
	wrong := 0
	for i, j := range a.Pictures {
		if w := first + i%n; j < 0 || min(j, rest) != min(w, rest) {
			wrong++
		}
	}
	if wrong > 2 || len(a.Spans) != 2 {
		t.Errorf("%d of %d pictures are wrong, spans %v: %v", wrong, 2*n, a.Spans, a.Pictures)
	}
}

// Of a picture that is cut on one side alone, what is small and moves lies beside itself, and
// hardly any of it is explained until the source is laid where its pictures want it.
func TestCutOnOneSide(t *testing.T) {
	truth := Fit{1.066, -0.066, 1.057, -0.057}
	source := small(full, 150, 0)
	take := filmed(small(truth, 57, 60), 3)
	for _, f := range []Fit{full, full.zoomed(1.07, 1.07)} {
		laid := f.lay(source)
		if cs, rate, err := search(take, laid); err == nil {
			if a, err := settle(take, laid, cs, rate); err == nil {
				t.Errorf("with the source at %v %.2f is explained, which is no test", f, a.Explained)
			}
		}
	}
	a, err := Sequences(take, source)
	if err != nil {
		t.Fatal(err)
	}
	for i, j := range a.Pictures {
		if j != 60+i {
			t.Errorf("picture %d shows %d", i, j)
		}
	}
	if by := a.Fit.from(&truth); by > 0.01 {
		t.Errorf("the source lies at %.4v, %.4f of the picture beside its place", a.Fit, by)
	}
}

// small is n pictures, ten a second, of things smaller than a block that go their ways before
// a backdrop, from picture from on.
func small(f Fit, n, from int) *signature.Sequence {
	s := showIn(f, n, 10, 5, func(int) float64 { return 0 })
	r := rand.New(rand.NewPCG(8, 1))
	for range 12 {
		x, y, vx, vy, dark := r.Float64(), r.Float64(), 0.1*r.NormFloat64(), 0.02*r.NormFloat64(), 60*r.Float64()+30
		for i := range n {
			at := float64(i+from) / 10
			atX, atY := f.OffsetX+f.ScaleX*math.Mod(x+vx*at+9, 1), f.OffsetY+f.ScaleY*math.Mod(y+vy*at+9, 1)
			for b := range signature.Blocks {
				dx, dy := float64(b%signature.Cols)+0.5-atX*signature.Cols, float64(b/signature.Cols)+0.5-atY*signature.Rows
				v := dark * math.Exp(-(dx*dx+dy*dy)/0.2)
				s.At(i)[b] = uint16(max(0, float64(s.At(i)[b])-v*signature.Unit8))
			}
		}
	}
	return s
}
