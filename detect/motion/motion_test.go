package motion

import (
	"context"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/vision"
)

// scene is a smooth random texture, moved by pan pixels a picture, with a disc
// that moves by step pixels a picture.
type scene struct {
	w, h, n    int
	pan, stepX float64
	stepY      float64
	diameter   float64
	contrast   float64
	cutAt      int
	oddAt      int // a picture of something else
	// rough is the standard deviation of a noise that covers all but a strip at
	// the left, as a codec leaves it where there is detail.
	rough float64
	// smooth is the share of the width, from the left, without that noise.
	smooth float64
	// tremble is the standard deviation of the place of what lies below the
	// middle, px, in a picture.
	tremble float64
	// exposure is the gain of picture i, 1 where nil.
	exposure func(i int) float64
	noise    *rand.Rand
	i        int
	wave     [8][4]float64
}

func newScene(seed uint64) *scene {
	r := rand.New(rand.NewPCG(seed, 9))
	s := &scene{w: 640, h: 360, n: 24, cutAt: -1, oddAt: -1, noise: r}
	for i := range s.wave {
		f := 0.01 + 0.3*r.Float64()
		a := 2 * math.Pi * r.Float64()
		s.wave[i] = [4]float64{f * math.Cos(a), f * math.Sin(a), 2 * math.Pi * r.Float64(), 4}
	}
	return s
}

func (s *scene) Format() picture.Format {
	return picture.Format{W: s.w, H: s.h, Depth: 8, RateNum: 50, RateDen: 1}
}

func (s *scene) Next(context.Context) (*picture.Picture, error) {
	if s.i == s.n {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: s.i, Frame: s.i, Y: picture.New(s.w, s.h, 8)}
	offset := s.pan * float64(s.i)
	if s.cutAt >= 0 && s.i >= s.cutAt {
		offset += 5000
	}
	if s.i == s.oddAt {
		offset += 9000
	}
	low := offset
	if s.tremble > 0 {
		low += s.tremble * s.noise.NormFloat64()
	}
	cx, cy := 60+s.stepX*float64(s.i), 100+s.stepY*float64(s.i)
	for y := range s.h {
		if y == s.h/2 {
			offset = low
		}
		for x := range s.w {
			v := 110.0
			for _, k := range s.wave {
				v += k[3] * math.Sin(k[0]*(float64(x)-offset)+k[1]*float64(y)+k[2])
			}
			if s.diameter > 0 {
				in := s.diameter/2 - math.Hypot(float64(x)-cx, float64(y)-cy) + 0.5
				in = max(0, min(1, in))
				v = v*(1-in) + (110+s.contrast)*in
			}
			if s.rough > 0 && float64(x) > s.smooth*float64(s.w) {
				v += s.rough * s.noise.NormFloat64()
			}
			if s.exposure != nil {
				v = 16 + (v-16)*s.exposure(s.i)
			}
			p.Y.Pix[y*s.w+x] = uint8(max(0, min(255, v)) + 0.5)
		}
	}
	s.i++
	return p, nil
}

// probe keeps what the store says.
func probe(t *testing.T, s *scene, look func(i int, m *Map)) {
	t.Helper()
	probeUnder(t, vision.Reference(vision.BT1886), s, look)
}

// probeUnder is probe for a take seen under conditions.
func probeUnder(t *testing.T, conditions vision.Conditions, s *scene, look func(i int, m *Map)) {
	t.Helper()
	var store *Store
	stage := &detect.Stage{
		Name: "probe", Title: "probe", Doc: "probe",
		Needs: []detect.Need{{Stage: Stage}},
		New: func(s *detect.Setup) (detect.State, error) {
			store = In(s)
			return stepFunc(func(w *detect.Window) error { look(w.T, store.At(w.T)); return nil }), nil
		},
	}
	if _, err := detect.RunUnder(context.Background(), conditions, s, []*detect.Stage{cells.Stage, Stage, stage}, nil, nil); err != nil {
		t.Fatal(err)
	}
}

type stepFunc func(*detect.Window) error

func (f stepFunc) Step(w *detect.Window) error { return f(w) }

func TestDisc(t *testing.T) {
	for _, c := range []struct{ dx, dy, diameter, contrast float64 }{
		{12, 0, 24, 60}, {-9.5, 4, 16, -50}, {40, -3, 30, 40}, {22, 9, 60, 15}, {4, 7, 40, 30},
	} {
		s := newScene(1)
		s.stepX, s.stepY, s.diameter, s.contrast = c.dx, c.dy, c.diameter, c.contrast
		if c.dx < 0 {
			s.stepX = c.dx
		}
		good, bad := 0, 0
		probe(t, s, func(i int, m *Map) {
			cx, cy := 60+s.stepX*float64(i), 100+s.stepY*float64(i)
			if cx < 80 || cx > 560 || cy < 40 || cy > 320 || i < 4 || i > 20 {
				return
			}
			for k := range m.Tiles {
				if tile := &m.Tiles[k]; tile.Moving {
					if math.Hypot(float64(tile.DX)-c.dx, float64(tile.DY)-c.dy) < 1.5 {
						good++
					} else {
						bad++
						t.Logf("picture %d, tile %d,%d: %+v", i, k%m.Cols, k/m.Cols, *tile)
					}
				}
			}
		})
		if good == 0 && c.dx > 0 || bad*10 > good {
			t.Errorf("%+v: %d tiles right, %d wrong", c, good, bad)
		}
	}
}

func TestPanAndCut(t *testing.T) {
	s := newScene(2)
	s.pan, s.cutAt = 7.25, 12
	cuts := 0
	probe(t, s, func(i int, m *Map) {
		if m.Cut {
			cuts++
			if i != 12 {
				t.Errorf("cut at picture %d, want 12", i)
			}
			return
		}
		if i < 2 {
			return
		}
		right := 0
		for k := range m.Tiles {
			if tile := &m.Tiles[k]; tile.Moving && math.Hypot(float64(tile.DX)-7.25, float64(tile.DY)) < 0.3 {
				right++
			}
		}
		if right*10 < 8*len(m.Tiles) {
			t.Errorf("picture %d: %d of %d tiles follow the pan", i, right, len(m.Tiles))
		}
	})
	if cuts != 1 {
		t.Errorf("%d cuts, want 1", cuts)
	}
}

// TestCarriedPan has one picture that follows no pan: the camera has not stopped
// for it.
func TestCarriedPan(t *testing.T) {
	s := newScene(5)
	s.pan, s.oddAt = 6.5, 12
	probe(t, s, func(i int, m *Map) {
		if i < 2 {
			return
		}
		if !m.Pan.Found || math.Abs(float64(m.Pan.DX)-6.5) > 0.3 || math.Abs(float64(m.Pan.DY)) > 0.3 {
			t.Errorf("picture %d: %+v, want a pan of 6.5", i, m.Pan)
		}
		if odd := i == 12 || i == 13; m.Pan.Carried != odd {
			t.Errorf("picture %d: carried is %v", i, m.Pan.Carried)
		}
	})
}

// TestCreep has pans of a third of a pixel and of one and a third a picture, too slow and
// too short for tiles to follow, of which only the disc is a thing.
func TestCreep(t *testing.T) {
	for _, pan := range []float64{-0.35, -1.3} {
		s := newScene(8)
		s.pan, s.stepX, s.diameter, s.contrast = pan, 14, 30, 70
		for i := range s.wave {
			s.wave[i][3] = 16
		}
		probe(t, s, func(i int, m *Map) {
			if i < 2 || i > 20 {
				return
			}
			if m.Pan.Found && pan > -1 {
				t.Errorf("picture %d: %+v, want none that tiles could follow", i, m.Pan)
			}
			others := 0
			for k := range m.Tiles {
				if x := k % m.Cols * 64; m.Tiles[k].Thing && (k/m.Cols > 2 || x > 80+14*i || x+64 < 40+14*i) {
					others++
				}
			}
			if others > 0 {
				t.Errorf("pan of %g, picture %d: %d tiles hold things that are none", pan, i, others)
			}
		})
	}
}

// TestCreepBehindPeople has such a pan in the upper part of the picture, and below what
// goes its own way.
func TestCreepBehindPeople(t *testing.T) {
	s := newScene(9)
	s.h, s.pan, s.tremble = 576, 0.3, 9
	for i := range s.wave {
		s.wave[i][3] = 16
	}
	probe(t, s, func(i int, m *Map) {
		if i < 2 || i > 20 {
			return
		}
		things := 0
		for k := range m.Tiles {
			if m.Tiles[k].Thing && k/m.Cols < 4 {
				things++
			}
		}
		if things > m.Cols/2 {
			t.Errorf("picture %d: %d tiles of the upper part hold things that are none", i, things)
		}
	})
}

// TestRough has a noise that the quietest parts of a picture do not show, over nearly all
// of a film and over a tenth of a direct take. Only the disc is a thing.
func TestRough(t *testing.T) {
	film := vision.Reference(vision.FilmedEOTF("bt709"))
	film.Camera = true
	for _, c := range []struct {
		conditions vision.Conditions
		smooth     float64
	}{{film, 1. / 8}, {vision.Reference(vision.BT1886), 9. / 10}} {
		s := newScene(6)
		s.stepX, s.diameter, s.contrast, s.rough, s.smooth = 18, 40, 70, 4, c.smooth
		probeUnder(t, c.conditions, s, func(i int, m *Map) {
			if i < backgroundSpan || i > 14 {
				return // fewer than six backgrounds
			}
			x, others := 60+18*i, 0
			seen := false
			for k := range m.Tiles {
				at := k % m.Cols * 64
				near := k/m.Cols <= 2 && at < x+20 && at+64 > x-20
				seen = seen || near && m.Tiles[k].Thing && m.Tiles[k].Moving
				if m.Tiles[k].Thing && !near {
					others++
				}
			}
			if !seen || others > len(m.Tiles)/20 {
				t.Errorf("smooth %.2f, picture %d: the disc is a thing that moves: %v, and so are %d other tiles of %d",
					c.smooth, i, seen, others, len(m.Tiles))
			}
		})
	}
}

// TestTremble has detail below the middle that a hand-held camera shows in a
// slightly other place in each picture. In a film only the disc above is a thing.
func TestTremble(t *testing.T) {
	s := newScene(7)
	s.stepX, s.diameter, s.contrast, s.tremble = 18, 40, 70, 0.4
	for i := range s.wave {
		s.wave[i][3] = 12
	}
	conditions := vision.Reference(vision.FilmedEOTF("bt709"))
	conditions.Camera = true
	crowded, pictures := 0, 0
	probeUnder(t, conditions, s, func(i int, m *Map) {
		if i < 6 || i > 18 {
			return
		}
		things, disc := 0, false
		for k := range m.Tiles {
			tile := &m.Tiles[k]
			if !tile.Thing {
				continue
			}
			if k/m.Cols >= 3 {
				things++
			} else if tile.Moving {
				disc = true
			}
		}
		if !disc {
			t.Errorf("picture %d: the disc does not move", i)
		}
		pictures++
		if things > m.Cols*(m.Rows-3)/4 {
			crowded++
		}
	})
	// One in five lies further from the others than they do from each other.
	if crowded > pictures/3 {
		t.Errorf("what trembles is full of things in %d of %d pictures", crowded, pictures)
	}
}

func TestStill(t *testing.T) {
	probe(t, newScene(3), func(i int, m *Map) {
		if m.Active != 0 || m.Cut {
			t.Errorf("picture %d of a still scene: %d cells changed", i, m.Active)
		}
	})
}

func TestThinRasters(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {1, 480}, {480, 1}, {2, 2}, {3, 40}} {
		s := newScene(4)
		s.w, s.h, s.pan, s.n = size[0], size[1], 7, 8
		probe(t, s, func(int, *Map) {})
	}
}

// TestStood has a thing that stood out in the picture before 12 samples to the left, and
// nowhere else.
func TestStood(t *testing.T) {
	const w, h, size = 64, 48, 6
	at := func(x, y int) *Map {
		m := &Map{HasBackground: true, StandsOut: make([]uint16, w*h)}
		for v := y; v < y+size; v++ {
			for u := x; u < x+size; u++ {
				m.StandsOut[v*w+u] = 0xffff
			}
		}
		return m
	}
	k := matcher{r: &cells.Reduced{W: w, H: h, StepX: 4, StepY: 4}, m: at(40, 20)}
	area := cells.Area{Rectangle: image.Rect(32, 16, 48, 32), RowStep: 1}
	for _, c := range []struct {
		name  string
		last  *Map
		d     image.Point
		stood bool
	}{
		{"its own step", at(28, 20), image.Pt(12, 0), true},
		{"half of it beside", at(28, 20), image.Pt(15, 0), true},
		{"more than that", at(28, 20), image.Pt(16, 0), false},
		{"the other way", at(28, 20), image.Pt(-12, 0), false},
		{"less than half a tile", at(28, 20), image.Pt(-7, 0), true},
		{"beyond the edge", at(28, 20), image.Pt(60, 0), true},
		{"no picture before", nil, image.Pt(-12, 0), true},
		{"no background there", &Map{}, image.Pt(-12, 0), true},
	} {
		k.last = c.last
		if got := k.stood(area, c.d); got != c.stood {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
