package detect

import (
	"context"
	"image"
	"io"
	"math"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

var hd = picture.Format{W: 1920, H: 1080, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}

func hdViewer(t *testing.T, change func(*vision.Conditions)) *vision.Viewer {
	t.Helper()
	c := vision.Reference(vision.BT1886)
	if change != nil {
		change(&c)
	}
	v, err := viewerOf(c, hd)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestVisibility(t *testing.T) {
	v := hdViewer(t, nil)
	mid := glance{ground: 126, thing: 170, known: true}
	place := image.Rect(800, 400, 1000, 600)
	base := Event{Kind: Combing, Strength: 10, PeakRegion: place, seen: mid, Measures: map[string]float64{"pitch_lines": 2}}
	jnd := func(v *vision.Viewer, change func(*Event), shown time.Duration) float64 {
		e := base
		e.Measures = map[string]float64{"pitch_lines": 2}
		if change != nil {
			change(&e)
		}
		return visibility(v, hd.W, &e, shown)
	}
	comb := jnd(v, nil, time.Second)
	// 10 % of 255 codes at 28 cycles a degree: the model itself.
	across, down := v.Across(200./1920), v.Degrees(200)
	if want := v.Lines(126-12.75, 126+12.75, 2, across, down); math.Abs(comb-want) > 1e-9 {
		t.Errorf("a comb of 10 %% is %g JND, want %g", comb, want)
	}
	for name, got := range map[string]float64{
		"a stronger comb":           jnd(v, func(e *Event) { e.Strength = 20 }, time.Second),
		"a coarser comb":            jnd(v, func(e *Event) { e.Measures["pitch_lines"] = 4 }, time.Second),
		"a wider one of the fields": jnd(v, func(e *Event) { e.Measures["displacement_px"] = 20 }, time.Second),
		"a larger comb":             jnd(v, func(e *Event) { e.PeakRegion = image.Rect(0, 0, 1920, 1080) }, time.Second),
		"from near":                 jnd(hdViewer(t, func(c *vision.Conditions) { c.DistanceHeights = 1.5 }), nil, time.Second),
		"on a brighter set":         jnd(hdViewer(t, func(c *vision.Conditions) { c.PeakNits = 1000 }), nil, time.Second),
	} {
		if got <= comb {
			t.Errorf("%s is %g JND, not more than %g", name, got, comb)
		}
	}
	// A comb in near black, where a code is little light, shows less than the
	// same codes at mid grey on a set whose black is grey.
	grey := hdViewer(t, func(c *vision.Conditions) { c.BlackNits = 5 })
	if dark := jnd(grey, func(e *Event) { e.seen.ground = 20 }, time.Second); dark >= jnd(grey, nil, time.Second) {
		t.Errorf("a comb in the dark is %g JND", dark)
	}
	// Bloch's law below the 0.1 s of Barten's model, and no more above it.
	if got := jnd(v, nil, 20*time.Millisecond); math.Abs(got-comb/5) > 1e-9 {
		t.Errorf("a comb of one picture is %g JND of %g", got, comb)
	}
	if got := jnd(v, nil, 100*time.Millisecond); got != comb {
		t.Errorf("a comb of 0.1 s is %g JND of %g", got, comb)
	}
	// The copy of a thing that hardly stands out is hardly seen.
	ghost := func(thing float64) float64 {
		return jnd(v, func(e *Event) { e.Kind, e.Strength, e.seen.thing = Ghost, 30, thing }, time.Second)
	}
	if !(ghost(200) > ghost(140) && ghost(140) > ghost(128) && ghost(126) == 0) {
		t.Errorf("copies of things of 200, 140, 128 and 126 codes on 126: %g, %g, %g, %g JND", ghost(200), ghost(140), ghost(128), ghost(126))
	}
	if bright, dark := ghost(156), ghost(96); dark <= 0 || bright <= 0 {
		t.Errorf("copies of a brighter and a darker thing: %g and %g JND", bright, dark)
	}
	// A copy that lies close to its thing sticks out little.
	close := jnd(v, func(e *Event) {
		e.Kind, e.Strength, e.seen.thing, e.Measures = Ghost, 30, 200, map[string]float64{"displacement_px": 4}
	}, time.Second)
	if close <= 0 || close >= ghost(200) {
		t.Errorf("a copy 4 pixels away is %g JND, one far away %g", close, ghost(200))
	}
	// These are visibilities by themselves, whatever they are shown for.
	for _, k := range []Kind{NearBlackBanding, Macroblocking, Posterisation, CadenceBreak} {
		if got := jnd(v, func(e *Event) { e.Kind, e.Strength = k, 3.5 }, time.Millisecond); got != 3.5 {
			t.Errorf("%s of 3.5 is %g JND", k, got)
		}
	}
	for _, k := range Kinds {
		for _, s := range []float64{-1, 0, 1, 100, 500} {
			for _, seen := range []glance{{}, mid, {known: true}, {ground: 255, thing: 255, known: true}} {
				for _, r := range []image.Rectangle{{}, place, image.Rect(0, 0, 1, 1)} {
					got := jnd(v, func(e *Event) { e.Kind, e.Strength, e.seen, e.PeakRegion = k, s, seen, r }, time.Second)
					if math.IsNaN(got) || math.IsInf(got, 0) || got < 0 && s >= 0 {
						t.Errorf("%s of strength %g at %v: %g JND", k, s, r, got)
					}
				}
			}
		}
	}
}

func TestGlance(t *testing.T) {
	for _, depth := range []int{8, 10} {
		unit := 1 << (depth - 8)
		p := &picture.Picture{Y: picture.New(200, 100, depth)}
		fill := func(r image.Rectangle, code int) {
			for y := r.Min.Y; y < r.Max.Y; y++ {
				for x := r.Min.X; x < r.Max.X; x++ {
					if depth == 8 {
						p.Y.Pix[y*p.Y.Stride+x] = uint8(code)
					} else {
						p.Y.Pix16[y*p.Y.Stride+x] = uint16(code * unit)
					}
				}
			}
		}
		fill(image.Rect(0, 0, 200, 100), 60)
		fill(image.Rect(50, 20, 80, 60), 200)
		fill(image.Rect(120, 20, 150, 60), 40)
		for _, c := range []struct {
			region        image.Rectangle
			ground, thing float64
		}{
			{image.Rect(0, 0, 200, 100), 60, 200},
			{image.Rect(100, 0, 300, 200), 60, 40}, // past the picture
			{image.Rect(50, 20, 80, 60), 200, 200},
			{image.Rect(0, 0, 1, 1), 60, 60},
		} {
			g := glanceAt(p, c.region)
			if !g.known || g.ground != c.ground*float64(unit) || g.thing != c.thing*float64(unit) {
				t.Errorf("%d bits, %v: %+v, want %g and %g", depth, c.region, g, c.ground, c.thing)
			}
		}
		if g := glanceAt(p, image.Rect(300, 0, 400, 100)); g.known {
			t.Errorf("outside of the picture: %+v", g)
		}
		if n := testing.AllocsPerRun(10, func() { glanceAt(p, image.Rect(0, 0, 200, 100)) }); n != 0 {
			t.Errorf("a glance allocates %g times", n)
		}
	}
	bare := &picture.Picture{Y: picture.Plane{W: 200, H: 100, Depth: 8}}
	if glanceAt(nil, image.Rect(0, 0, 9, 9)).known || glanceAt(bare, image.Rect(0, 0, 9, 9)).known || glanceAt(&picture.Picture{}, image.Rect(0, 0, 9, 9)).known {
		t.Error("nothing was looked at and is known")
	}
}

// greys yields pictures of one grey for each.
type greys struct {
	codes []uint8
	i     int
}

func (g *greys) Format() picture.Format { return hd }

func (g *greys) Next(context.Context) (*picture.Picture, error) {
	if g.i == len(g.codes) {
		return nil, io.EOF
	}
	// Played at half speed: a picture of 20 ms stays for 40.
	life := time.Duration(g.i) * 20 * time.Millisecond
	p := &picture.Picture{Index: g.i, Time: 2 * life, Slowed: life, Y: picture.New(hd.W, hd.H, 8)}
	for k := range p.Y.Pix {
		p.Y.Pix[k] = g.codes[g.i]
	}
	g.i++
	return p, nil
}

// A run states its conditions with the take's raster, hands the viewer to the
// stages, and looks at the brightness of the strongest mark, for as long as it
// was shown in life.
func TestRunUnder(t *testing.T) {
	c := vision.Reference(vision.SRGB)
	c.PeakNits, c.DistanceHeights = 200, 2
	place := image.Rect(100, 100, 400, 400)
	var viewer *vision.Viewer
	s := stage("comb", Combing, 0, 0, func(w *Window) error {
		switch w.T {
		case 1:
			w.Mark(Mark{Kind: Combing, Picture: 1, Region: place, Strength: 4, Confidence: 0.9})
		case 2:
			w.Mark(Mark{Kind: Combing, Picture: 2, Region: place, Strength: 8, Confidence: 0.9})
		}
		return nil
	})
	made := s.New
	s.New = func(u *Setup) (State, error) { viewer = u.Viewer; return made(u) }
	res, err := RunUnder(context.Background(), c, &greys{codes: []uint8{10, 30, 90, 200, 200}}, []*Stage{s}, nil, nil)
	if err != nil || len(res.Events) != 1 {
		t.Fatalf("%d events, %v", len(res.Events), err)
	}
	c.Lines = 1080
	if res.Conditions != c || viewer == nil || viewer.Conditions != c {
		t.Errorf("conditions are %+v, want %+v", res.Conditions, c)
	}
	swing := 0.08 * 255
	want := viewer.Lines(90-swing/2, 90+swing/2, 2, viewer.Across(300./1920), viewer.Degrees(300)) * 0.4
	if got := res.Events[0].Visibility; math.Abs(got-want) > 1e-9 {
		t.Errorf("visibility of %g JND, want %g", got, want)
	}
	c.PeakNits = 0
	if _, err := RunUnder(context.Background(), c, &greys{}, []*Stage{s}, nil, nil); err == nil {
		t.Error("a peak of 0 is accepted")
	}
	// Without conditions, those of the take's transfer.
	if res, err := Run(context.Background(), &reel{n: 1}, []*Stage{s}, nil, nil); err != nil || res.Conditions.EOTF != vision.BT1886 || res.Conditions.Lines != 180 {
		t.Errorf("%+v, %v", res.Conditions, err)
	}
}
