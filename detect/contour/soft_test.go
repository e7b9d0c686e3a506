package contour

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/vision"
)

// grainy is a hill near black that had grain when it fell into plateaus of four
// codes: contours in which both levels mix, forty pixels wide.
func grainy(grain float64) picture.Plane {
	r := rand.New(rand.NewPCG(5, 6))
	return drawn(1280, 720, 8, func(x, y float64) float64 {
		d := math.Hypot(x-0.5, 0.6*(y-0.45))
		return 16 + 4*math.Floor(((24-44*d)+grain*r.NormFloat64())/4)
	})
}

// Contours that grain made soft are found near black, as long as there are
// plateaus between them: grain of a step's size leaves none.
func TestSoftContours(t *testing.T) {
	for _, c := range []struct {
		grain        float64
		least, most  float64 // levels
		leastHeights float64 // length of all contours over the height
	}{
		{0, 4, 8, 4}, {0.6, 4, 8, 3}, {3, 0, 0, 0},
	} {
		y := grainy(c.grain)
		_, f := look(t, y)
		p := everything(f)
		if p.Levels < c.least || p.Levels > c.most || p.Length < c.leastHeights*720 {
			t.Errorf("grain of %g codes: %g levels, contours of %.1f heights", c.grain, p.Levels, p.Length/720)
		}
		if p.Levels > 0 && math.Abs(p.Step-4) > 0.4 {
			t.Errorf("grain of %g codes: a step of %.2f codes", c.grain, p.Step)
		}
	}
}

// Above the dark range they are found where their steps are large.
func TestSoftContoursAbove(t *testing.T) {
	for _, c := range []struct {
		step  float64
		found bool
	}{{6, true}, {1.2, false}} {
		r := rand.New(rand.NewPCG(5, 6))
		_, f := look(t, drawn(1280, 720, 8, func(x, y float64) float64 {
			d := math.Hypot(x-0.5, 0.6*(y-0.45))
			return 190 - c.step*math.Round(11*d+0.15*r.NormFloat64())
		}))
		if p := everything(f); p.Length > 3*720 != c.found {
			t.Errorf("a step of %g codes: contours of %.1f heights", c.step, p.Length/720)
		}
	}
}

// A slope that lacks a code here and there has no plateaus, however coarsely it is seen.
func TestMissingCodes(t *testing.T) {
	_, f := look(t, drawn(1280, 720, 8, func(x, y float64) float64 {
		// From a limited range to a full one.
		return math.Round(math.Round(60+60*y+8*x) * 255 / 219)
	}))
	for i := range f.Gradients {
		if k := &f.Gradients[i].Contours[0]; k.Step() > 3 {
			t.Errorf("a contour of %.1f codes", k.Step())
		}
	}
}

// What is seen sharply and softly counts once.
func TestSeenTwice(t *testing.T) {
	var sharp, soft []Gradient
	for _, length := range []float64{400, 500} {
		g := Gradient{Contours: []Contour{{Low: 20, High: 24, Length: length}, {Low: 24, High: 28, Length: length}}}
		for i := range g.Contours {
			g.Contours[i].Region.Max.X, g.Contours[i].Region.Max.Y = 100, 100
			g.Region = g.Region.Union(g.Contours[i].Region)
		}
		sharp, soft = soft, []Gradient{g}
	}
	total := func(gs []Gradient) (sum float64) {
		for i := range gs {
			sum += gs[i].length()
		}
		return sum
	}
	if got := total(better(append(sharp, soft...), 0, 1, 10)); got != 1000 {
		t.Errorf("more was seen softly: contours of %g px, want 1000", got)
	}
	soft[0].Contours[0].Length = 100
	sharp[0].Contours = []Contour{{Low: 20, High: 24, Length: 800, Region: sharp[0].Region}}
	if got := total(better(append(sharp, soft...), 0, 1, 10)); got != 800 {
		t.Errorf("more was seen sharply: contours of %g px, want 800", got)
	}
}

// Of one table all contours have its levels; of a coder each has its own.
func TestAgreement(t *testing.T) {
	table := []stair{{20, 24}, {20.02, 24.01}, {19.99, 24}, {24, 28}, {24.03, 28}}
	if n, stray := agreement(table); n != 3 || stray > 0.01 {
		t.Errorf("a table: %d repeats that stray by %.3f", n, stray)
	}
	coder := []stair{{20, 24}, {20.6, 24.6}, {21.5, 25.5}, {24.3, 28.3}, {25.4, 29}}
	if n, stray := agreement(coder); n != 3 || stray < 0.1 {
		t.Errorf("a coder: %d repeats that stray by %.3f", n, stray)
	}
	// Where a thing's edge runs along two contours, both are one step of twice the size.
	if n, stray := agreement(append(table, stair{20, 28})); n != 3 || stray > 0.01 {
		t.Errorf("a table with two steps at once: %d repeats that stray by %.3f", n, stray)
	}
	// The blocks of a take's coder hold the contours of a table up to their grid.
	f := picture.Format{W: 1920, H: 1080, Depth: 8}
	p := Part{Contours: 12, Levels: 5, Step: 4, Length: 4000, Wide: 60, Gridded: 0.8, Repeats: 8, Agree: 0.01}
	if odds := p.odds(f, Luma); odds < 0 {
		t.Errorf("a table's contours on the grid: odds of %.1f", odds)
	}
	// Those of two codes agree because codes are whole.
	p.Step = 2
	if odds := p.odds(f, Luma); odds > 0 {
		t.Errorf("contours of two codes on the grid: odds of %.1f", odds)
	}
	p.Step, p.Agree = 4, 0.12
	if odds := p.odds(f, Luma); odds > 0 {
		t.Errorf("a coder's own: odds of %.1f", odds)
	}
}

// A disc in a few tones beside a slope that has all levels is drawn; beside what
// has none but its levels it is not.
func TestOthers(t *testing.T) {
	for _, c := range []struct {
		step        float64 // of the ground
		least, most float64
	}{{0.25, 0.5, 1}, {7, 0, 0.1}} {
		y := drawn(1280, 720, 8, func(x, y float64) float64 {
			d := math.Hypot(1280*(x-0.8), 720*(y-0.5))
			if d < 160 {
				return 20 + 7*(3-math.Floor(d/40))
			}
			return 20 + c.step*math.Round(21*x/c.step)
		})
		s, f := look(t, y)
		disc := &Field{}
		for _, g := range f.Gradients {
			if g.Contours[0].Step() > 5 {
				disc.Gradients = append(disc.Gradients, g)
			}
		}
		p := everything(disc)
		if p.Levels < 3 {
			t.Fatalf("no disc: %+v", f.Gradients)
		}
		if got := p.others(s.cells.At(0)); got < c.least || got > c.most {
			t.Errorf("a ground in steps of %g: %.2f have other levels", c.step, got)
		}
	}
}

// What a processor leaves of a slope changes in luma alone, or by a level of one primary
// or two; a thing has another colour than the one beside it.
func TestPainted(t *testing.T) {
	v, err := vision.New(vision.Reference(vision.BT1886), vision.Coding{Depth: 8}, vision.Colour{Matrix: "bt709"})
	if err != nil {
		t.Fatal(err)
	}
	s := &Store{viewer: v, scale: 1}
	const red, blue = 0.2126, 0.0722
	for _, c := range []struct {
		name string
		rgb  [3]float64 // what is added to R', G', B', codes of 8 bits
		want bool
	}{
		{"grey", [3]float64{5, 5, 5}, false},
		{"nearly grey", [3]float64{5, 5.5, 4.5}, false},
		{"a level of red", [3]float64{10, 0, 0}, false},
		{"a level of green", [3]float64{0, 6, 0}, false},
		{"a level of two", [3]float64{6, 6, 0}, false},
		{"less light on red cloth", [3]float64{20, 9, 6}, true},
		{"two tones of a sky", [3]float64{-12, -10, 60}, true},
		{"blue over grey", [3]float64{8, 6, 20}, true},
	} {
		y := red*c.rgb[0] + (1-red-blue)*c.rgb[1] + blue*c.rgb[2]
		jump := [2]float64{(c.rgb[2] - y) / (2 * (1 - blue)) * 224 / 219, (c.rgb[0] - y) / (2 * (1 - red)) * 224 / 219}
		if got := s.painted(&Contour{Low: 80, High: 80 + y}, jump); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// A disc in a few tones of grey has short contours, a drawing in colours painted ones.
	f := picture.Format{W: 1920, H: 1080, Depth: 8}
	p := Part{Contours: 8, Levels: 3, Step: 4.02, Length: 2400, Wide: 60}
	if odds := p.odds(f, Luma); odds <= 0 {
		t.Errorf("a slope in three levels: odds of %.1f", odds)
	}
	p.Length = 1100
	if odds := p.odds(f, Luma); odds > 0 {
		t.Errorf("a small thing in three tones: odds of %.1f", odds)
	}
	p.filmed = true
	if odds := p.odds(f, Luma); odds <= 0 {
		t.Errorf("a slope of which a camera saw parts: odds of %.1f", odds)
	}
	p.filmed = false
	p.Length, p.Painted = 2400, 1
	if odds := p.odds(f, Luma); odds > 0 {
		t.Errorf("three colours: odds of %.1f", odds)
	}
}

// A slope's straight contours lie side by side; rays and rings in a few tones are drawn.
func TestStraightContours(t *testing.T) {
	const tones, step = 8, 6.0
	slope := func(x, y float64) float64 { return math.Floor(tones * (0.8*x + 0.2*y)) }
	rays := func(x, y float64) float64 {
		x, y = 16.0/9*(x-0.45), y-1.05
		if r := math.Hypot(x, y); r < 0.4 {
			return math.Floor(20 * (0.4 - r))
		}
		k := math.Mod(math.Floor(24*math.Atan2(-y, x)/math.Pi), 2*tones-2)
		return min(k, 2*tones-2-k)
	}
	for name, c := range map[string]struct {
		tone  func(x, y float64) float64
		fault bool
	}{"slope": {slope, true}, "rays": {rays, false}} {
		_, f := look(t, drawn(1280, 720, 8, func(x, y float64) float64 { return 20 + step*c.tone(x, y) }))
		p := everything(f)
		if odds := p.odds(picture.Format{W: 1280, H: 720, Depth: 8}, Luma); odds > 0 != c.fault {
			t.Errorf("%s: odds of %.1f, %.2f straight, %.2f of it parallel, %g levels", name, odds, p.Straight, p.Parallel, p.Levels)
		}
	}
}

// Contours along the rows are a graphic's, but in colour alone: what is drawn in other
// colours differs in luma as well.
func TestUprightContours(t *testing.T) {
	f := picture.Format{W: 1280, H: 720, Depth: 8}
	p := Part{Levels: 6, Step: 6, Length: 6 * 1280, Wide: 40, Straight: 1, Upright: 1, Parallel: 1}
	if odds := p.odds(f, Luma); odds > 0 {
		t.Errorf("in luma: odds of %.1f", odds)
	}
	if odds := p.odds(f, Red); odds <= 0 {
		t.Errorf("in colour: odds of %.1f", odds)
	}
}

// Where each primary lost levels by itself, green's steps follow each other with those of
// red and blue between, which are too small to count; where a contour is left out they
// do not.
func TestStepsOfGreen(t *testing.T) {
	const whole, green, others = 4.0, 4 * 0.7152, 4 * (1 - 0.7152)
	for missing, want := range map[int]float64{-1: 7, 3: 4} {
		var all []Contour
		for i := range 6 {
			if low := 20 + whole*float64(i) + others; i != missing {
				all = append(all, Contour{Low: low, High: low + green, Length: 800})
			}
		}
		var p Part
		p.measure(all, func(*Contour) bool { return true }, func(float64) float64 { return 1 }, false)
		if p.Levels != want {
			t.Errorf("contour %d left out: %g levels, want %g", missing, p.Levels, want)
		}
	}
}

// Levels that differ from contour to contour are not those of one table.
func TestStrayingLevels(t *testing.T) {
	f := picture.Format{W: 1280, H: 720, Depth: 8}
	p := Part{Levels: 9, Step: 5, Length: 2400, Wide: 33, Repeats: 4, Agree: 0.03}
	if odds := p.odds(f, Luma); odds <= 0 {
		t.Errorf("one table: odds of %.1f", odds)
	}
	p.Agree = 0.25
	if odds := p.odds(f, Luma); odds > 0 {
		t.Errorf("facets of a solid, each in its tone: odds of %.1f", odds)
	}
}

// Narrow plateaus are a gradient's where their levels are those of one table: the more
// contours say so the less they have to agree.
func TestOneTable(t *testing.T) {
	f := picture.Format{W: 1280, H: 720, Depth: 8}
	p := Part{Levels: 8, Step: 5, Length: 6000, Wide: 16.7, Agree: 0.06}
	for repeats, want := range map[int]bool{5: false, 6: false, 12: true} {
		p.Repeats = repeats
		if odds := p.odds(f, Luma); odds > 0 != want {
			t.Errorf("%d repeat levels: odds of %.1f", repeats, odds)
		}
	}
}

// Plateaus of less than a hundredth of the width need many contours.
func TestNarrowPlateaus(t *testing.T) {
	f := picture.Format{W: 3840, H: 2160, Depth: 8}
	for levels, want := range map[float64]bool{5: false, 12: true} {
		p := Part{Levels: levels, Step: 2, Length: 10000, Wide: 27}
		if odds := p.odds(f, Luma); odds > 0 != want {
			t.Errorf("%g levels: odds of %.1f", levels, odds)
		}
	}
}

// A part was a slope in the look before if nearly all of it was, or half of it and more
// steps than those next to the level of a plain field on which a thing appears.
func TestFell(t *testing.T) {
	var m memory
	for _, c := range []struct {
		part Part
		want bool
	}{
		{Part{Levels: 8, Fell: 0.7, FellSteps: 5}, true},
		{Part{Levels: 3, Fell: 0.8, FellSteps: 2}, true},
		{Part{Levels: 8, Fell: 0.7, FellSteps: 2}, false},
		{Part{Levels: 8, Fell: 0.3, FellSteps: 3}, false},
	} {
		if got := m.fell(Luma, &c.part); got != c.want {
			t.Errorf("%+v: %v", c.part, got)
		}
	}
}

// inBlue returns what is asked of the contours in Cb, in all looks at a take.
func inBlue(t *testing.T, src detect.Source, ask func(Contour) float64) (all []float64) {
	t.Helper()
	keep := *Stage
	keep.New = func(s *detect.Setup) (detect.State, error) {
		state, err := Stage.New(s)
		return judged(func(w *detect.Window) error {
			err := state.Step(w)
			if f := state.(*Store).At(w.T); f != nil {
				for _, g := range f.Gradients {
					for _, k := range g.Contours {
						if g.Channel == Blue {
							all = append(all, ask(k))
						}
					}
				}
			}
			return err
		}), err
	}
	if _, err := detect.Run(context.Background(), src, []*detect.Stage{cells.Stage, &keep}, nil, nil); err != nil {
		t.Fatal(err)
	}
	return all
}

// Contours that grain made soft are found in colour too.
func TestSoftContoursInColour(t *testing.T) {
	const w, h, step, heights = 1280, 720, 8, 4
	for _, c := range []struct {
		grain float64 // shares of a step
		found bool
	}{{0.15, true}, {1, false}} {
		r := rand.New(rand.NewPCG(5, 6))
		flat := func(w, h int, v float64) picture.Plane {
			return drawn(w, h, 8, func(float64, float64) float64 { return v })
		}
		// Of one look.
		src := &still{n: 1, format: picture.Format{W: w, H: h, Depth: 8, ChromaX: 1, ChromaY: 1, RateNum: 5, RateDen: 1}, p: &picture.Picture{
			Y: flat(w, h, 90), Cr: flat(w/2, h/2, 128),
			Cb: drawn(w/2, h/2, 8, func(x, y float64) float64 {
				return 180 - step*math.Round(11*math.Hypot(x-0.5, 0.6*(y-0.45))+c.grain*r.NormFloat64())
			}),
		}}
		length := 0.0
		for _, v := range inBlue(t, src, func(k Contour) float64 { return k.Length }) {
			length += v
		}
		if length > heights*h != c.found {
			t.Errorf("grain of %g steps: contours of %.1f heights", c.grain, length/h)
		}
	}
}

// Across a contour in colour a slope of luma is no step, as an edge is.
func TestLumaStep(t *testing.T) {
	const w, h, step = 1280, 720, 8
	bands := func(x, y float64) float64 { return math.Floor(5 * (0.9*x + 0.1*y)) }
	for name, c := range map[string]struct {
		luma        func(x, y float64) float64
		least, most float64
	}{
		"slope": {func(x, y float64) float64 { return 40 + 160*x }, 0, 1},
		"edges": {func(x, y float64) float64 { return 60 + 6*bands(x, y) }, 5, 7},
	} {
		grey := drawn(w/2, h/2, 8, func(float64, float64) float64 { return 128 })
		src := &still{n: 3, format: picture.Format{W: w, H: h, Depth: 8, ChromaX: 1, ChromaY: 1, RateNum: 5, RateDen: 1}, p: &picture.Picture{
			Y: drawn(w, h, 8, c.luma), Cr: grey,
			Cb: drawn(w/2, h/2, 8, func(x, y float64) float64 { return 100 + step*bands(x, y) }),
		}}
		steps := inBlue(t, src, func(k Contour) float64 { return k.LumaStep })
		if len(steps) < 3 {
			t.Fatalf("%s: %d contours", name, len(steps))
		}
		for _, s := range steps {
			if s < c.least || s > c.most {
				t.Errorf("%s: luma differs by %.2f codes", name, s)
			}
		}
	}
}
