package combing

import (
	"context"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

// clip is a textured disc that moves over a still texture, 50 pictures a
// second; woven says in which pictures the odd lines are from half a picture
// (or lead pictures) later.
type clip struct {
	n, i  int
	step  float64
	lead  float64
	woven func(k int) bool
	bars  bool // the still texture is of bars two lines apart
	r     *rand.Rand
}

const width, height = 640, 360

func newClip() *clip {
	c := &clip{n: 24, step: 12, lead: 1, r: rand.New(rand.NewPCG(5, 6)), woven: func(int) bool { return false }}
	return c
}

func (c *clip) Format() picture.Format {
	return picture.Format{W: width, H: height, Depth: 8, RateNum: 50, RateDen: 1}
}

func (c *clip) at(k float64, x, y int) float64 {
	v := 90 + 12*math.Sin(float64(x)/19)*math.Cos(float64(y)/23)
	if c.bars {
		v += 40 * float64(y%2)
	}
	dx, dy := float64(x)-80-c.step*k, float64(y)-180
	in := max(0, min(1, 25.5-math.Hypot(dx, dy)))
	return v*(1-in) + in*(170+20*math.Sin(dx/4)*math.Cos(dy/6))
}

func (c *clip) Next(context.Context) (*picture.Picture, error) {
	if c.i == c.n {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: c.i, Frame: c.i, Y: picture.New(width, height, 8)}
	for y := range height {
		k := float64(c.i)
		if c.woven(c.i) && y%2 == 1 {
			k += c.lead
		}
		for x := range width {
			p.Y.Pix[y*width+x] = uint8(c.at(k, x, y) + c.r.NormFloat64() + 0.5)
		}
	}
	c.i++
	return p, nil
}

func scan(t *testing.T, c *clip) []detect.Event {
	t.Helper()
	res, err := detect.Run(context.Background(), c, []*detect.Stage{cells.Stage, motion.Stage, Stage}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res.Events
}

// A burst of woven pictures on a small thing is one event with the
// displacement, pitch and about the amplitude that it was made with.
func TestWovenBurst(t *testing.T) {
	c := newClip()
	c.woven = func(k int) bool { return k >= 10 && k <= 13 }
	events := scan(t, c)
	if len(events) != 1 {
		t.Fatalf("%d events, want 1: %+v", len(events), events)
	}
	e := events[0]
	if e.Start != 10 || e.End != 13 {
		t.Errorf("pictures %d to %d, want 10 to 13", e.Start, e.End)
	}
	if d := e.Measures["displacement_px"]; math.Abs(d-12) > 1.5 {
		t.Errorf("displacement %.1f px, want 12", d)
	}
	if p := e.Measures["pitch_lines"]; math.Abs(p-2) > 0.04 {
		t.Errorf("pitch %.2f lines, want 2", p)
	}
	if want := 100.0 * 80 / 255; math.Abs(e.Strength-want) > 12 {
		t.Errorf("amplitude %.1f %%, want about %.1f %%", e.Strength, want)
	}
}

func TestCleanAndStillLines(t *testing.T) {
	for name, set := range map[string]func(*clip){
		"clean flight":                        func(*clip) {},
		"flight over bars two lines apart":    func(c *clip) { c.bars = true },
		"woven while nothing moves":           func(c *clip) { c.step = 0; c.woven = func(int) bool { return true } },
		"bars two lines apart, nothing moves": func(c *clip) { c.step, c.bars = 0, true },
	} {
		c := newClip()
		set(c)
		for _, e := range scan(t, c) {
			t.Errorf("%s: pictures %d to %d, confidence %.2f, %v", name, e.Start, e.End, e.Confidence, e.Measures)
		}
	}
}

// What differs between the fields of a comb moves twice as far from picture to
// picture; lines at rest stay, whatever a codec makes of them.
func TestRests(t *testing.T) {
	k := look{still: 100}
	for _, c := range []struct {
		name      string
		even, odd float64
		want      bool
	}{
		{"lines at rest", 5, 5, true},
		{"lines at rest, coded anew", 45, 55, true},
		{"one field coded anew more than the other", 32, 66, true},
		{"motion", 100, 110, false},
		{"slow motion", 70, 73, false},
		{"one field held", 0, 72, false},
		{"one field held, coded", 17, 95, false},
		{"a repeated picture", 0, 0, true},
	} {
		if got := k.rests(&course{evenRest: c.even, oddRest: c.odd}); got != c.want {
			t.Errorf("%s: at rest %v", c.name, got)
		}
	}
}

// A scaled comb that is made by a displacement down the picture, over few lines, is
// no more than an edge that passes beside a line at rest.
func TestLevelEdges(t *testing.T) {
	scaled := carrier{frequency: 0.5 * 576 / 1080}
	for _, c := range []struct {
		carrier carrier
		dx, dy  float64
		want    bool
	}{
		{scaled, 0.1, 7, true},
		{scaled, 0.1, -7, true},
		{scaled, 2, 7, false},
		{scaled, 0.1, 15, false},
		{woven, 0.1, 4, false},
	} {
		k := look{carrier: c.carrier, dx: c.dx, dy: c.dy}
		if got := k.level(); got != c.want {
			t.Errorf("%.1f lines, displacement %g,%g: %v", c.carrier.pitch(), c.dx, c.dy, got)
		}
	}
}
