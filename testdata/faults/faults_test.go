package faults

import (
	"image"
	"math"
	"reflect"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/scene"
)

// edges is a sequence of a bright bar that moves by v samples a picture over
// a dark ground, without blur.
func edges(w, h, n, depth, dark, bright, barWidth int, v int) Sequence {
	f := picture.Format{W: w, H: h, Depth: depth, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}
	return Sequence{Format: f, Len: n, At: func(i int) *picture.Picture {
		p := &picture.Picture{Index: i, Frame: i, Time: time.Duration(i) * 20 * time.Millisecond, Y: picture.New(w, h, depth)}
		for y := range h {
			for x := range w {
				c := dark
				if at := 20 + v*i; x >= at && x < at+barWidth {
					c = bright
				}
				put(&p.Y, y*w+x, int32(c))
			}
		}
		return p
	}}
}

// numbered is a sequence whose every sample tells the picture's number and
// the line.
func numbered(w, h, n int) Sequence {
	f := picture.Format{W: w, H: h, Depth: 16, ChromaX: -1, ChromaY: -1, RateNum: 24, RateDen: 1}
	return Sequence{Format: f, Len: n, At: func(i int) *picture.Picture {
		p := &picture.Picture{Index: i, Frame: i, Y: picture.New(w, h, 16)}
		for y := range h {
			for x := range w {
				p.Y.Pix16[y*w+x] = uint16(i*100 + y%2)
			}
		}
		return p
	}}
}

// A comb of amplitude d has |a-2b+c| = 2d on exactly v samples of every inner
// line behind and ahead of a moving edge (FACTS: line metrics; the example
// d 100, v 6).
func TestWeaveMakesACombOfTheContrast(t *testing.T) {
	for _, depth := range []int{8, 10} {
		s := edges(400, 32, 20, depth, 60, 160, 80, 6)
		w := Weave(s, Where{First: 8, Last: 9, Step: 6, Contrast: 100}, 1)
		for _, k := range []int{7, 8, 9, 10} {
			p := w.At(k).Y
			n := 0
			for y := 1; y < p.H-1; y++ {
				for x := range p.W {
					if v := abs(p.At(x, y-1) - 2*p.At(x, y) + p.At(x, y+1)); v != 0 {
						if v != 200 {
							t.Fatalf("picture %d: |a-2b+c| is %d, want 200", k, v)
						}
						n++
					}
				}
			}
			want := 0
			if k == 8 || k == 9 {
				want = 2 * 6 * (p.H - 2) // two edges
			}
			if n != want {
				t.Errorf("depth %d picture %d: %d samples of comb, want %d", depth, k, n, want)
			}
		}
		tr := w.Truth[0]
		if tr.Kind != detect.Combing || tr.First != 8 || tr.Last != 9 || tr.Measures[Pitch] != 2 || tr.Measures[Displacement] != 6 {
			t.Errorf("truth %+v", tr)
		}
		if got, want := tr.Measures[Amplitude], 100*100/float64(int(1)<<depth-1); math.Abs(got-want) > 1e-9 {
			t.Errorf("amplitude %g, want %g", got, want)
		}
	}
}

// The lines of field k stay, those of the other parity come from the other
// instant: top first, as BT.709-6 Table 2 orders the fields.
func TestWeaveKeepsTheFieldOfTheInstant(t *testing.T) {
	s := numbered(16, 8, 10)
	for _, from := range []int{1, -1} {
		w := Weave(s, Where{First: 0, Last: 9}, from)
		for k := 1; k < 9; k++ {
			for y := range 8 {
				want := k
				if y&1 != k&1 {
					want = k + from
				}
				if got := w.At(k).Y.At(3, y) / 100; got != want {
					t.Errorf("from %d picture %d line %d shows instant %d, want %d", from, k, y, got, want)
				}
			}
		}
	}
}

func TestLocalWeaveLeavesTheRest(t *testing.T) {
	s := numbered(16, 8, 4)
	r := image.Rect(4, 2, 9, 7)
	w := Weave(s, Where{First: 1, Last: 2, Region: func(int) image.Rectangle { return r }}, 1)
	for y := range 8 {
		for x := range 16 {
			want := 1
			if image.Pt(x, y).In(r) && y&1 == 0 {
				want = 2
			}
			if got := w.At(1).Y.At(x, y) / 100; got != want {
				t.Errorf("sample %d, %d shows %d, want %d", x, y, got, want)
			}
		}
	}
	if w.Truth[0].Region != r {
		t.Errorf("region %v", w.Truth[0].Region)
	}
}

// Vertically filtered by [1 2 1]/4, a weave is the mean of both fields.
func TestWeaveBlendIsHalfAndHalf(t *testing.T) {
	s := edges(400, 16, 20, 8, 60, 160, 80, 6)
	w := WeaveBlend(s, Where{First: 5, Last: 5}, 1)
	p, a, b := w.At(5).Y, s.At(5).Y, s.At(6).Y
	for y := 1; y < 15; y++ {
		for x := range 400 {
			if got, want := p.At(x, y), (a.At(x, y)+b.At(x, y)+1)/2; got != want {
				t.Fatalf("sample %d, %d is %d, want %d", x, y, got, want)
			}
		}
	}
}

// leastSquares solves F = alpha A + (1-alpha) B for alpha and returns the
// share that it leaves (FACTS: blended frames).
func leastSquares(f, a, b *picture.Plane) (alpha, rest float64) {
	var num, den float64
	for y := range f.H {
		for x := range f.W {
			fb, ab := float64(f.At(x, y)-b.At(x, y)), float64(a.At(x, y)-b.At(x, y))
			num += fb * ab
			den += ab * ab
		}
	}
	alpha = num / den
	for y := range f.H {
		for x := range f.W {
			d := float64(f.At(x, y)) - alpha*float64(a.At(x, y)) - (1-alpha)*float64(b.At(x, y))
			rest += d * d
		}
	}
	return alpha, math.Sqrt(rest / den)
}

// The weights of linear rate conversion as fractions towards the later
// picture, from FACTS 4.5 (computed there from k*in/out mod 1).
func TestRateConversionHasThePublishedWeights(t *testing.T) {
	r := scene.Raster{W: 160, H: 90, Depth: 10, RateNum: 60, RateDen: 1, Shutter: 0.5, Seed: 1}
	s := scene.Pan(r, scene.Back{Surface: scene.Gravel}, scene.Move{X: 5})
	for _, c := range []struct {
		in, out int
		later   []float64
	}{
		{60, 50, []float64{0, .2, .4, .6, .8}},
		{50, 60, []float64{0, 5. / 6, 2. / 3, 1. / 2, 1. / 3, 1. / 6}},
		{24, 60, []float64{0, .4, .8, .2, .6}},
		{24, 30, []float64{0, .8, .6, .4, .2}},
	} {
		src := Sequence{Format: r.Format(), Len: 20, At: s.At}
		src.Format.RateNum = c.in
		got := ConvertRate(src, c.out, 1)
		if got.Truth[0].Measures[Period] != float64(len(c.later)) {
			t.Errorf("%d to %d: period %g", c.in, c.out, got.Truth[0].Measures[Period])
		}
		for k := range len(c.later) + 2 {
			want := c.later[k%len(c.later)]
			i := k * c.in / c.out
			alpha, rest := leastSquares(&got.At(k).Y, &src.At(i+1).Y, &src.At(i).Y)
			if math.Abs(alpha-want) > 0.003 || rest > 0.02 {
				t.Errorf("%d to %d, picture %d: weight %.4f, rest %.3f, want %.4f", c.in, c.out, k, alpha, rest, want)
			}
		}
	}
}

func TestBlendWeights(t *testing.T) {
	s := edges(400, 8, 20, 8, 40, 200, 10, 20)
	for _, c := range []struct {
		taps []Tap
		want [3]float64
	}{
		{Three(.25, .5, .25), [3]float64{.25, .5, .25}},
		{Three(.33, .34, .33), [3]float64{.33, .34, .33}},
		{Three(.15, .7, .15), [3]float64{.15, .7, .15}},
		{Two(.5, 1, .5), [3]float64{0, .5, .5}},
		{Two(.7, -1, .3), [3]float64{.3, .7, 0}},
	} {
		b := Blend(s, Where{First: 4, Last: 6, Step: 20}, c.taps)
		p := b.At(5).Y
		// The bar is narrower than its step: each copy stands alone.
		for j, want := range c.want {
			got := float64(p.At(20+20*(4+j)+5, 4)-40) / 160
			if math.Abs(got-want) > 0.004 {
				t.Errorf("%v: copy %d has %.3f of the contrast, want %.2f", c.taps, j-1, got, want)
			}
		}
		if m := b.Truth[0].Measures; math.Abs(m[Behind]-100*c.want[0]) > 1e-9 || math.Abs(m[Ahead]-100*c.want[2]) > 1e-9 {
			t.Errorf("truth %v", m)
		}
		if !reflect.DeepEqual(b.At(7).Y, s.At(7).Y) {
			t.Error("a picture outside the burst changed")
		}
	}
}

// The field maps of FACTS 4.2, read there from what FFmpeg's telecine filter
// makes of numbered pictures.
func TestFieldMaps(t *testing.T) {
	euro := []int{2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 3}
	for _, c := range []struct {
		name    string
		pattern []int
		want    map[int][2]int // by frame
		mixed   [2]int         // of
	}{
		{"2:3", []int{2, 3}, map[int][2]int{0: {0, 0}, 1: {1, 1}, 2: {1, 2}, 3: {2, 3}, 4: {3, 3}}, [2]int{12, 30}},
		{"3:2", []int{3, 2}, map[int][2]int{0: {0, 0}, 1: {0, 1}, 2: {1, 2}, 3: {2, 2}, 4: {3, 3}}, [2]int{12, 30}},
		{"2:3:3:2", []int{2, 3, 3, 2}, map[int][2]int{0: {0, 0}, 1: {1, 1}, 2: {1, 2}, 3: {2, 2}, 4: {3, 3}}, [2]int{6, 30}},
		{"24 to 25", euro, map[int][2]int{0: {0, 0}, 11: {11, 11}, 12: {11, 12}, 13: {12, 13}}, [2]int{12, 25}},
		{"5:5", []int{5, 5}, map[int][2]int{0: {0, 0}, 1: {0, 0}, 2: {0, 1}, 3: {1, 1}, 4: {1, 1}}, [2]int{12, 60}},
		{"6:4", []int{6, 4}, map[int][2]int{0: {0, 0}, 1: {0, 0}, 2: {0, 0}, 3: {1, 1}, 4: {1, 1}}, [2]int{0, 60}},
	} {
		for k, want := range c.want {
			if top, bottom := FieldMap(k, c.pattern...); top != want[0] || bottom != want[1] {
				t.Errorf("%s: frame %d is %d/%d, want %d/%d", c.name, k, top, bottom, want[0], want[1])
			}
		}
		mixed := 0
		for k := range c.mixed[1] {
			if top, bottom := FieldMap(k, c.pattern...); top != bottom {
				mixed++
			}
		}
		if mixed != c.mixed[0] {
			t.Errorf("%s: %d of %d frames are mixed, want %d", c.name, mixed, c.mixed[1], c.mixed[0])
		}
		s := Telecine(numbered(4, 8, 40), 30, 1, c.pattern...)
		for k := range 20 {
			top, bottom := FieldMap(k, c.pattern...)
			p := s.At(k).Y
			if p.At(0, 0) != top*100 || p.At(0, 1) != bottom*100+1 {
				t.Errorf("%s: frame %d holds %d and %d, want %d/%d", c.name, k, p.At(0, 0), p.At(0, 1), top, bottom)
			}
		}
	}
}

func TestCadence(t *testing.T) {
	s := numbered(2, 2, 12)
	ids := func(q Sequence) []int {
		var out []int
		for k := range q.Len {
			out = append(out, q.At(k).Y.At(0, 0)/100)
			if q.At(k).Index != k {
				t.Errorf("picture %d has index %d", k, q.At(k).Index)
			}
		}
		return out
	}
	for _, c := range []struct {
		name string
		q    Sequence
		want []int
	}{
		{"repeat", Repeat(s, 3, 1), []int{0, 1, 2, 3, 3, 4, 5, 6, 7, 8, 9, 10, 11}},
		{"drop", Drop(s, 3, 2), []int{0, 1, 2, 5, 6, 7, 8, 9, 10, 11}},
		{"both", RepeatDrop(s, 3), []int{0, 1, 2, 3, 3, 5, 6, 7, 8, 9, 10, 11}},
		{"later", RepeatThenDrop(s, 3, 6), []int{0, 1, 2, 3, 3, 4, 5, 7, 8, 9, 10, 11}},
		{"halve", Halve(s, 4, 9), []int{0, 1, 2, 3, 4, 4, 6, 6, 8, 8, 10, 11}},
		{"3:2", Hold(s, 60, 1, 3, 2), []int{0, 0, 0, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5, 5, 6, 6, 6, 7, 7, 8, 8, 8, 9, 9, 10, 10, 10, 11, 11}},
	} {
		if got := ids(c.q); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A scaler leaves a flat picture flat and a ramp a ramp, keeps the middle in
// the middle, and bicubic takes a quadratic curve exactly (Keys 1981: third
// order).
func TestScalePhase(t *testing.T) {
	f := picture.Format{W: 8, H: 90, Depth: 16, ChromaX: -1, ChromaY: -1}
	s := Sequence{Format: f, Len: 1, At: func(int) *picture.Picture {
		p := &picture.Picture{Y: picture.New(8, 90, 16)}
		for y := range 90 {
			for x := range 8 {
				p.Y.Pix16[y*8+x] = uint16(1000 + 200*y)
			}
		}
		return p
	}}
	for _, h := range []int{135, 169, 60, 180, 90} {
		for _, filter := range []Filter{Bilinear, Bicubic, Smooth} {
			p := Scale(s, 8, h, filter).At(0).Y
			k := 90 / float64(h)
			for y := h / 8; y < h*7/8; y++ {
				want := 1000 + 200*((float64(y)+0.5)*k-0.5)
				// A triangle that is not a whole number of samples wide is
				// not exact on a ramp: up to a twentieth of a line.
				limit := 4.0
				if filter == Smooth {
					limit = 200.0 / 20
				}
				if got := float64(p.At(4, y)); math.Abs(got-want) > limit {
					t.Fatalf("filter %d to %d lines: line %d is %g, want %.1f", filter, h, y, got, want)
				}
			}
		}
	}
}

// The pitch of a comb scaled from 576 to 1080 lines is 3.75 lines, frequency
// 0.2667 a line; from 480 to 1080 4.5 (0.2222); from 1080 to 2160 4 (0.25):
// FACTS 4.3. The strongest frequency of a column through the comb says so.
func TestScaledCombPitch(t *testing.T) {
	for _, c := range []struct {
		from, to int
		want     float64
	}{{576, 1080, 0.2667}, {480, 1080, 0.2222}, {1080, 2160, 0.25}, {480, 2160, 0.1111}} {
		s := edges(64, c.from, 3, 8, 60, 160, 20, 10)
		q := Scale(Weave(s, Where{First: 1, Last: 1}, 1), 64, c.to, Bicubic)
		p := q.At(1).Y
		best, at := 0.0, 0.0
		for f := 0.05; f < 0.5; f += 0.0005 {
			re, im := 0.0, 0.0
			for y := range p.H {
				v := float64(p.At(33, y) - 110)
				re += v * math.Cos(2*math.Pi*f*float64(y))
				im += v * math.Sin(2*math.Pi*f*float64(y))
			}
			if e := math.Hypot(re, im); e > best {
				best, at = e, f
			}
		}
		if math.Abs(at-c.want) > 0.001 {
			t.Errorf("%d to %d lines: frequency %.4f, want %.4f", c.from, c.to, at, c.want)
		}
		if got := q.Truth[0].Measures[Pitch]; math.Abs(1/got-c.want) > 0.0001 {
			t.Errorf("%d to %d lines: truth says a pitch of %g", c.from, c.to, got)
		}
	}
}

// Correct de-interlacers make no comb: bobbing leaves no line that stands out
// from both neighbours by the contrast of the edge, and a still picture stays
// as it is behind an adaptive one.
func TestCorrectControls(t *testing.T) {
	s := edges(400, 32, 20, 8, 60, 160, 80, 6)
	for name, q := range map[string]Sequence{"bob": Bob(s), "adaptive": Adaptive(s, 6)} {
		for k := 1; k < 19; k++ {
			p := q.At(k).Y
			for y := 1; y < 31; y++ {
				for x := range 400 {
					a, b, c := p.At(x, y-1), p.At(x, y), p.At(x, y+1)
					if (b-a)*(b-c) > 0 {
						t.Fatalf("%s, picture %d: sample %d, %d stands out: %d %d %d", name, k, x, y, a, b, c)
					}
				}
			}
		}
	}
	still := numbered(16, 16, 9)
	first := still.At(0)
	still.At = func(int) *picture.Picture { return first }
	if !reflect.DeepEqual(Adaptive(still, 6).At(4).Y, first.Y) {
		t.Error("the adaptive de-interlacer changed a still picture")
	}
	// The field's own lines are untouched by both.
	m := numbered(16, 16, 9)
	for _, q := range []Sequence{Bob(m), Adaptive(m, 6)} {
		for y := range 16 {
			if y&1 == 0 && q.At(4).Y.At(2, y) != m.At(4).Y.At(2, y) {
				t.Errorf("line %d of field 4 changed", y)
			}
		}
	}
}
