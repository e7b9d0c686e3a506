package crops

import (
	"image"
	"math/rand/v2"
	"strings"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/report"
)

// night is a dark picture of blocks of eight pixels that differ by a code or two,
// in its upper right quarter; the rest is lively, and a lamp stands in the middle.
func night() *picture.Picture {
	y := picture.New(640, 360, 8)
	r := rand.New(rand.NewPCG(1, 1))
	blocks := make([]uint8, 80*45)
	for i := range blocks {
		blocks[i] = uint8(19 + r.IntN(3))
	}
	for i := range y.Pix {
		x, row := i%640, i/640
		switch {
		case x >= 280 && x < 360 && row >= 140 && row < 220:
			y.Pix[i] = 235
		case x >= 320 && row < 180:
			y.Pix[i] = blocks[row/8*80+x/8]
		default:
			y.Pix[i] = uint8(40 + r.IntN(120))
		}
	}
	return &picture.Picture{Y: y}
}

var eight = grid{pitch: 8}

// A lamp and a lively part take nothing from the blocks: they are lifted until
// they show, and the plot goes through them.
func TestStepsBesideThings(t *testing.T) {
	p := night()
	all := image.Rect(0, 0, 640, 360)
	c := newConverter(picture.Format{W: 640, H: 360, Depth: 8, ChromaX: -1, ChromaY: -1})
	s := surveyOf(&p.Y, all, eight, eight, 1)
	if without := c.liftOf(p, all, &survey{}); without.gain > 2 {
		t.Fatalf("without looking for steps the gain is %.2f: the picture tests nothing", without.gain)
	}
	l := c.liftOf(p, all, s)
	if l.gain < 8 || l.from > 19 || l.to < 21 || !l.cut {
		t.Errorf("lift %+v", l)
	}
	if w := l.words(255); !strings.Contains(w, "what is darker or brighter is cut off") {
		t.Error(w)
	}
	o := profileOf(&p.Y, all, s, eight, eight)
	place := image.Rect(o.first, o.at, o.first+len(o.codes), o.at+o.lines)
	if o.down {
		place = image.Rect(o.at, o.first, o.at+o.lines, o.first+len(o.codes))
	}
	blocks := 0
	for _, v := range o.codes {
		if v >= 18 && v <= 22 {
			blocks++
		}
	}
	if blocks < len(o.codes)*9/10 || len(o.steps) < 10 {
		t.Errorf("of %d samples %d are of blocks, with %d steps: %v", len(o.codes), blocks, len(o.steps), place)
	}
	if o.high-o.low > 6 {
		t.Errorf("the plot shows codes %g to %g", o.low, o.high)
	}
}

// Where every line crosses a lamp, the plot follows the steps and says so.
func TestPlotFollowsSteps(t *testing.T) {
	p := &picture.Picture{Y: picture.New(320, 8, 8)}
	for i := range p.Y.Pix {
		switch x := i % 320; {
		case x >= 160 && x < 200:
			p.Y.Pix[i] = 200
		default:
			p.Y.Pix[i] = uint8(20 + x/8%2)
		}
	}
	r := image.Rect(0, 0, 320, 8)
	s := surveyOf(&p.Y, r, eight, grid{}, 1)
	o := profileOf(&p.Y, r, s, eight, grid{})
	if o.down || len(o.codes) != 320 || !o.cut || o.low != 20 || o.high != 21 {
		t.Errorf("down %v, %d samples, cut %v, %g to %g", o.down, len(o.codes), o.cut, o.low, o.high)
	}
	if _, err := o.plot(); err != nil {
		t.Fatal(err)
	}
}

// Of a posterised colour the plot is that of the difference of colour, in pixels
// of the raster, and colour is spread by its own steps.
func TestTint(t *testing.T) {
	p := &picture.Picture{Y: picture.New(320, 160, 8), Cb: picture.New(160, 80, 8), Cr: picture.New(160, 80, 8)}
	for i := range p.Y.Pix {
		p.Y.Pix[i] = uint8(60 + i%320/4)
	}
	for i := range p.Cb.Pix {
		p.Cb.Pix[i], p.Cr.Pix[i] = 120, uint8(110+4*(i/160/20))
	}
	c := newConverter(picture.Format{W: 320, H: 160, Depth: 8, ChromaX: 1, ChromaY: 1, Colour: picture.Colour{Matrix: "bt709"}})
	o := c.tintOf(p, image.Rect(0, 0, 320, 160), 4)
	if o == nil || o.profile.of != "Cr" || !o.profile.down || o.profile.along != 2 || o.profile.beside != 2 || len(o.profile.steps) != 3 {
		t.Fatalf("%+v", o)
	}
	if o.lift < 2 || o.lift > mostLift {
		t.Errorf("colour is lifted %.2f times", o.lift)
	}
	l := c.tinted(o.lift)
	if words := l.words(255); l.from != 16 || l.to != 235 || !strings.Contains(words, "white, as far apart as they are; colours are 2.3 times as far apart") {
		t.Error(words)
	}
	flat := &picture.Picture{Y: p.Y, Cb: picture.New(160, 80, 8), Cr: picture.New(160, 80, 8)}
	if o := c.tintOf(flat, image.Rect(0, 0, 320, 160), 4); o != nil {
		t.Errorf("in a flat colour: %+v", o)
	}
}

// The step of blocks is stated in 8-bit codes, that of contours in the take's own.
func TestStated(t *testing.T) {
	for _, c := range []struct {
		kind  detect.Kind
		codes float64
		depth int
		want  float64
	}{
		{detect.Macroblocking, 2, 8, 2}, {detect.Macroblocking, 2, 10, 8}, {detect.Macroblocking, 0.2, 8, 1}, {detect.Macroblocking, 0, 8, 1},
		{detect.Posterisation, 6, 10, 6}, {detect.NearBlackBanding, 3, 8, 3}, {detect.NearBlackBanding, 0, 8, 0},
	} {
		if got := stated(&report.Finding{Kind: c.kind, Measures: map[string]float64{"step_codes": c.codes, "top_step_codes": c.codes}}, c.depth); got != c.want {
			t.Errorf("%s, %g codes of %d bits: %g, want %g", c.kind, c.codes, c.depth, got, c.want)
		}
	}
}

// Coarse plateaus are steps, where the finding says so; else they are things.
func TestCoarseSteps(t *testing.T) {
	p := &picture.Picture{Y: picture.New(320, 160, 8)}
	for i := range p.Y.Pix {
		p.Y.Pix[i] = uint8(60 + 20*(i%320/80))
	}
	all := image.Rect(0, 0, 320, 160)
	for stated, want := range map[float64]int{20: 3, 4: 0} {
		n := 0
		if l, _ := surveyOf(&p.Y, all, grid{}, grid{}, stated).best(contoursMost); l != nil {
			n = len(l.steps)
		}
		if n != want {
			t.Errorf("steps of 20 codes where %g are stated: %d, want %d", stated, n, want)
		}
	}
}

// Whatever the place and its grid, there is a lift and a plot, inside the picture.
func TestStepsAnywhere(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	c := newConverter(picture.Format{W: 97, H: 61, Depth: 8, ChromaX: -1, ChromaY: -1})
	for range 300 {
		p := &picture.Picture{Y: picture.New(97, 61, 8)}
		spread := 1 + r.IntN(60)
		for i := range p.Y.Pix {
			p.Y.Pix[i] = uint8(30 + r.IntN(spread))
		}
		x, y := r.IntN(97), r.IntN(61)
		place := image.Rect(x, y, x+1+r.IntN(97-x), y+1+r.IntN(61-y))
		across, down := gridsOf(map[string]float64{"pitch_x_px": float64(r.IntN(20)), "phase_x_px": 3.5, "pitch_y_px": 12 * r.Float64(), "phase_y_px": r.Float64()})
		s := surveyOf(&p.Y, place, across, down, float64(r.IntN(4)))
		l := c.liftOf(p, place, s)
		if l.to <= l.from || l.gain <= 0 || l.gain > 1.1*mostLift {
			t.Fatalf("%v: lift %+v", place, l)
		}
		o := profileOf(&p.Y, place, s, across, down)
		if len(o.codes) == 0 || o.high < o.low || o.at < 0 {
			t.Fatalf("%v: profile %+v", place, o)
		}
	}
	p := &picture.Picture{Y: picture.New(97, 61, 8)}
	if o := profileOf(&p.Y, image.Rectangle{}, surveyOf(&p.Y, image.Rectangle{}, eight, eight, 1), eight, eight); len(o.codes) != 0 {
		t.Errorf("a profile of nothing: %+v", o)
	}
}
