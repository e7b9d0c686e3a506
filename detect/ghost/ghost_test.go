package ghost

import (
	"context"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/echo"
	"setwitness/detect/motion"
)

// clip renders an invented scene: smooth texture that pans, and a textured
// ball. mix gives the weights of the pictures k-1, k, k+1 that picture k shows;
// ballOnly restricts the mixture to the ball.
type clip struct {
	w, h, n  int
	pan      float64
	x, y     func(k float64) float64 // centre of the ball
	diameter float64
	contrast float64
	blur     float64 // share of a picture for which the shutter is open
	grain    float64
	flat     bool
	mix      func(k int) []float64 // weights of k-1, k, k+1
	fields   bool                  // of k-1/2, k, k+1/2
	convert  float64               // source pictures for each picture, blended
	from     int                   // the first picture that is blended so; those before are single
	clock    func(k int) float64   // instant of picture k, if not k
	settle   float64               // share of the picture two before in every second one
	// soft is the weight of the samples on either side, across the picture and
	// down it, that picture k is softened by.
	soft   func(k int) (across, down float64)
	wide   bool // it reaches over more samples
	paint  func(s *clip, k float64, x, y, v float64) float64
	still  float64 // amplitude of the background's texture
	noise  []float64
	i      int
	random *rand.Rand
}

func newClip(seed uint64) *clip {
	c := &clip{w: 640, h: 360, n: 40, diameter: 30, contrast: 60, blur: 0.3, grain: 0.8, still: 6}
	c.random = rand.New(rand.NewPCG(seed, 77))
	c.x = func(k float64) float64 { return 40 + 14*k }
	c.y = func(k float64) float64 { return 250 - 12*k + 0.25*k*k }
	return c
}

func (c *clip) Format() picture.Format {
	return picture.Format{W: c.w, H: c.h, Depth: 8, RateNum: 50, RateDen: 1}
}

// texture draws noise of three sizes, moved by offset.
func (c *clip) texture(dst []float64, offset float64) {
	const period = 2048
	if c.noise == nil {
		c.noise = make([]float64, period*c.h)
		for _, size := range []int{2, 7, 25} {
			gw, gh := period/size, c.h/size+2
			grid := make([]float64, gw*gh)
			for i := range grid {
				grid[i] = c.still * c.random.NormFloat64()
			}
			for y := range c.h {
				gy, fy := y/size, float64(y%size)/float64(size)
				for x := range period {
					gx, fx := x/size%gw, float64(x%size)/float64(size)
					a, b := grid[gy*gw+gx], grid[gy*gw+(gx+1)%gw]
					d, e := grid[(gy+1)*gw+gx], grid[(gy+1)*gw+(gx+1)%gw]
					c.noise[y*period+x] += (a*(1-fx)+b*fx)*(1-fy) + (d*(1-fx)+e*fx)*fy
				}
			}
		}
	}
	whole := math.Floor(offset)
	f := offset - whole
	for y := range c.h {
		row := c.noise[y*period : (y+1)*period]
		for x := range c.w {
			at := (x - int(whole) + 4*period) % period
			dst[y*c.w+x] = 100 + row[at]*(1-f) + row[(at+period-1)%period]*f
		}
	}
}

// render draws the instant k in pictures, without grain.
func (c *clip) render(k float64) []float64 {
	v := make([]float64, c.w*c.h)
	c.texture(v, c.pan*k)
	const exposures = 5
	if c.diameter > 0 {
		r := c.diameter / 2
		type put struct{ cover, light float64 }
		sum := map[int]put{}
		for e := range exposures {
			t := k + c.blur*(float64(e)/(exposures-1)-0.5)
			bx, by := c.x(t), c.y(t)
			for y := max(0, int(by-r-2)); y < min(c.h, int(by+r+3)); y++ {
				for x := max(0, int(bx-r-2)); x < min(c.w, int(bx+r+3)); x++ {
					dx, dy := float64(x)-bx, float64(y)-by
					in := max(0, min(1, r-math.Hypot(dx, dy)+0.5))
					p := sum[y*c.w+x]
					p.cover += in / exposures
					shade := 1.0
					if !c.flat {
						shade = 0.75 + 0.25*math.Sin(dx/3)*math.Cos(dy/4+1)
					}
					p.light += in / exposures * (100 + c.contrast*shade)
					sum[y*c.w+x] = p
				}
			}
		}
		for i, p := range sum {
			v[i] = v[i]*(1-p.cover) + p.light
		}
	}
	if c.paint != nil {
		for y := range c.h {
			for x := range c.w {
				v[y*c.w+x] = c.paint(c, k, float64(x), float64(y), v[y*c.w+x])
			}
		}
	}
	return v
}

func (c *clip) Next(context.Context) (*picture.Picture, error) {
	if c.i == c.n {
		return nil, io.EOF
	}
	k := c.i
	c.i++
	weights, at := []float64{0, 1, 0}, float64(k)
	if c.convert > 0 {
		whole, f := math.Modf(c.convert*float64(k) + 1e-9)
		weights, at = []float64{0, 1 - f, f}, whole
		if k < c.from {
			weights, at = []float64{0, 1, 0}, c.convert*float64(k)
		}
	}
	if c.clock != nil {
		at = c.clock(k)
	}
	if c.mix != nil {
		if w := c.mix(k); w != nil {
			weights = w
		}
	}
	v := make([]float64, c.w*c.h)
	for j, w := range weights {
		if w == 0 {
			continue
		}
		apart := float64(j - 1)
		if c.fields {
			apart /= 2
		}
		for i, s := range c.render(at + apart) {
			v[i] += w * s
		}
	}
	if c.settle > 0 && k%2 == 0 {
		for i, s := range c.render(at - 2) {
			v[i] += c.settle * (s - v[i])
		}
	}
	if c.soft != nil {
		across, down := c.soft(k)
		v = c.softened(v, 1, across)
		if c.wide {
			v = c.softened(c.softened(v, 2, across), 4, across)
		}
		v = c.softened(v, c.w, down)
	}
	p := &picture.Picture{Index: k, Frame: k, Y: picture.New(c.w, c.h, 8)}
	for i, s := range v {
		p.Y.Pix[i] = uint8(max(0, min(255, s+c.grain*c.random.NormFloat64()+0.5)))
	}
	return p, nil
}

// softened mixes each sample with those so many before and after it.
func (c *clip) softened(v []float64, apart int, weight float64) []float64 {
	if weight == 0 {
		return v
	}
	out := append([]float64(nil), v...)
	for i := apart; i < len(v)-apart; i++ {
		out[i] += weight * (v[i-apart] + v[i+apart] - 2*v[i])
	}
	return out
}

// bar leaves a bar above the picture that stays as it is, to tell the noise by.
func bar(c *clip, k, x, y, v float64) float64 {
	if y < 48 {
		return 60
	}
	return v
}

func scan(t *testing.T, c *clip) *detect.Result {
	t.Helper()
	res, err := detect.Run(context.Background(), c, []*detect.Stage{cells.Stage, motion.Stage, echo.Stage, Stage}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func burst(from, to int, w ...float64) func(int) []float64 {
	return func(k int) []float64 {
		if k >= from && k <= to {
			return w
		}
		return nil
	}
}

func TestGhosts(t *testing.T) {
	for _, c := range []struct {
		name       string
		set        func(*clip)
		start, end int
		share      float64
	}{
		{"three copies, five pictures", func(c *clip) { c.mix = burst(15, 19, .25, .5, .25) }, 15, 19, 25},
		{"three copies, two pictures", func(c *clip) { c.mix = burst(20, 21, .25, .5, .25) }, 20, 21, 25},
		{"three equal copies of a flat ball", func(c *clip) { c.flat = true; c.mix = burst(15, 18, .34, .33, .33) }, 15, 18, 33},
		{"two copies ahead", func(c *clip) { c.mix = burst(16, 19, 0, .5, .5) }, 16, 19, 50},
		{"two copies, one weak, behind", func(c *clip) { c.mix = burst(16, 19, .3, .7, 0) }, 16, 19, 30},
		{"slow large ball", func(c *clip) {
			c.diameter = 90
			c.x = func(k float64) float64 { return 100 + 7*k }
			c.mix = burst(14, 18, .25, .5, .25)
		}, 14, 18, 25},
		{"fast small dark ball", func(c *clip) {
			c.diameter, c.contrast = 14, -50
			c.x = func(k float64) float64 { return 600 - 24*k }
			c.n, c.mix = 24, burst(9, 12, .25, .5, .25)
		}, 9, 12, 25},
		{"whole picture pans, burst", func(c *clip) { c.diameter = 0; c.pan = 9; c.mix = burst(15, 19, .25, .5, .25) }, 15, 19, 25},
		{"whole picture pans, all the time", func(c *clip) {
			c.diameter = 0
			c.pan = 11
			c.mix = func(int) []float64 { return []float64{0, .5, .5} }
		}, 0, 39, 50},
		{"whole picture pans by two pixels, burst", func(c *clip) {
			c.diameter, c.pan = 0, 2
			c.mix = burst(15, 19, .25, .5, .25)
			c.paint = bar
		}, 15, 19, 25},
		{"both fields of a frame in a pan", func(c *clip) {
			c.diameter, c.pan, c.fields = 0, 9, true
			c.mix = burst(15, 18, 0, .5, .5)
		}, 15, 18, 50},
		{"both fields of a frame, a ball", func(c *clip) {
			c.fields, c.mix = true, burst(15, 17, 0, .5, .5)
			c.x = func(k float64) float64 { return 20 + 20*k }
			c.y = func(k float64) float64 { return 120 + 2*k }
			c.n, c.diameter = 30, 50
		}, 15, 17, 50},
		{"copies that touch", func(c *clip) {
			c.flat, c.diameter = true, 18
			c.y = func(float64) float64 { return 180 }
			c.x = func(k float64) float64 { return 20 + 16*k }
			c.mix = burst(15, 18, 0, .5, .5)
		}, 15, 18, 50},
		{"two pictures of copies less than two edges apart", func(c *clip) {
			c.diameter = 44
			c.y = func(float64) float64 { return 180 }
			c.x = func(k float64) float64 { return 100 + 3.6*k }
			c.mix = burst(15, 16, .34, .33, .33)
		}, 15, 16, 33},
		{"texture shows through", func(c *clip) {
			c.flat, c.diameter, c.contrast, c.still = true, 50, 120, 16
			c.x = func(k float64) float64 { return 20 + 22*k }
			c.y = func(float64) float64 { return 150 }
			c.n, c.mix = 28, burst(12, 15, .34, .33, .33)
		}, 12, 15, 33},
		{"low contrast", func(c *clip) { c.contrast = 18; c.still = 1; c.mix = burst(15, 19, .25, .5, .25) }, 15, 19, 25},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newClip(11)
			c.set(s)
			res := scan(t, s)
			if len(res.Events) != 1 {
				t.Fatalf("%d events, want 1: %+v", len(res.Events), res.Events)
			}
			e := res.Events[0]
			slack := 1
			if s.diameter > 12*7 {
				slack = 2 // the first copies hide in the ball itself
			}
			if c.end-c.start > 20 {
				slack = 4 // nothing to compare with at the ends of the take
			}
			if e.Start < c.start-slack || e.Start > c.start+slack || e.End < c.end-slack || e.End > c.end+slack {
				t.Errorf("pictures %d to %d, want %d to %d", e.Start, e.End, c.start, c.end)
			}
			tolerance := 7.0
			if s.contrast < 20 {
				tolerance = 12 // noise is a twentieth of it
			}
			if c.end-c.start > 20 {
				tolerance = 20 // nothing that is clean to compare with
			}
			if s.fields {
				tolerance = 10 // copies so close tell their weights less well
			}
			if math.Abs(e.Strength-c.share) > tolerance {
				t.Errorf("copy of %.1f %%, want %.1f %%", e.Strength, c.share)
			}
			t.Logf("confidence %.2f, %v", e.Confidence, e.Measures)
		})
	}
}

func TestConversions(t *testing.T) {
	for _, c := range []struct {
		name    string
		convert float64
		set     func(*clip)
		share   float64 // of the strongest copy
		period  float64
	}{
		{"24 to 50", 24.0 / 50, func(c *clip) { c.diameter, c.pan, c.paint = 0, 11, bar }, 48, 25},
		{"25 to 50", 25.0 / 50, func(c *clip) { c.pan = 8 }, 50, 2},
		{"30 to 50", 30.0 / 50, func(c *clip) { c.pan = 9 }, 40, 5},
		{"60 to 50", 60.0 / 50, func(c *clip) { c.diameter, c.pan = 0, 7 }, 40, 5},
		{"60 to 50, a ball alone", 60.0 / 50, func(c *clip) { c.diameter, c.n = 40, 34 }, 40, 5},
		{"60 to 50 from the middle on", 60.0 / 50, func(c *clip) { c.diameter, c.pan, c.n, c.from = 0, 7, 66, 30 }, 40, 5},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newClip(13)
			s.convert = c.convert
			c.set(s)
			res := scan(t, s)
			if len(res.Events) != 1 {
				t.Fatalf("%d events, want 1: %+v", len(res.Events), res.Events)
			}
			e := res.Events[0]
			if off := e.Start - s.from; off < -2 || off > 2 || e.End < s.n-4 {
				t.Errorf("pictures %d to %d, want all from %d on", e.Start, e.End, s.from)
			}
			if math.Abs(e.Strength-c.share) > 6 {
				t.Errorf("copy of %.1f %%, want %.1f %%", e.Strength, c.share)
			}
			if e.Measures["period_pictures"] != c.period {
				t.Errorf("period of %g pictures, want %g", e.Measures["period_pictures"], c.period)
			}
		})
	}
}

// TestPredict holds the relations of mixtures against what follows from their
// definition where no source picture resembles another.
func TestPredict(t *testing.T) {
	none := likeness(0, detail)
	for _, c := range []struct {
		name      string
		mixed     func(k int) (int, [3]float64)
		rho, lean float64
	}{
		// <S1-S0, S2-S1> = -1 over |S1-S0|^2 = 2.
		{"clean", func(k int) (int, [3]float64) { return k, [3]float64{1} }, -0.5, 0},
		// Three mixtures of the same two lie on one line: differences of 0.4.
		{"0.4 apart", func(k int) (int, [3]float64) { return 0, [3]float64{1 - 0.4*float64(k), 0.4 * float64(k)} }, 1, 0},
		// Half of S0 and S1 between the two: (S1-S0)/2 and S2-(S0+S1)/2, of
		// product 0 and energies 1/2 and 3/2.
		{"one of two", func(k int) (int, [3]float64) {
			if k == 1 {
				return 0, [3]float64{0.5, 0.5}
			}
			return k, [3]float64{1}
		}, 0, math.Log(1.0/3) / 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := predict(1, &none, c.mixed)
			if math.Abs(got.rho-c.rho) > 1e-9 || math.Abs(got.lean-c.lean) > 1e-9 {
				t.Errorf("rho %.4f lean %.4f, want %.4f and %.4f", got.rho, got.lean, c.rho, c.lean)
			}
		})
	}
}

func TestLookAlikes(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(*clip)
	}{
		{"clean flight", func(*clip) {}},
		{"open shutter", func(c *clip) { c.blur = 1 }},
		{"clean pan", func(c *clip) { c.diameter = 0; c.pan = 9 }},
		{"shadow at one step", func(c *clip) {
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				r := math.Hypot(x-c.x(k)+14, y-c.y(k)-12)
				return v * (1 - 0.4*max(0, min(1, 15.5-r)))
			}
		}},
		{"fence whose period is the step", func(c *clip) {
			c.diameter, c.pan = 0, 12
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				return v + 30*math.Tanh(6*math.Sin(2*math.Pi*(x-12*k)/12))
			}
		}},
		{"fence whose period is the step passes behind a ball", func(c *clip) {
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				if math.Hypot(x-c.x(k), y-c.y(k)) < 15 {
					return v
				}
				return v + 25*math.Tanh(6*math.Sin(2*math.Pi*x/14))
			}
		}},
		{"pan that slows down for a while", func(c *clip) {
			c.diameter, c.pan = 0, 6
			c.clock = func(k int) float64 {
				return float64(k) - 0.5*math.Max(0, math.Min(5, float64(k-15)))
			}
		}},
		{"each picture twice", func(c *clip) {
			c.pan = 4
			c.clock = func(k int) float64 { return float64(k / 2 * 2) }
		}},
		{"each picture twice on a panel that settles", func(c *clip) {
			c.pan = 4
			c.clock = func(k int) float64 { return float64(k / 2 * 2) }
			c.settle = 0.25
		}},
		{"flash", func(c *clip) {
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				if int(k) == 18 {
					return v*1.4 + 20
				}
				return v
			}
		}},
		{"dissolve", func(c *clip) {
			c.pan = 8
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				a := max(0, min(1, (k-12)/14))
				return v*(1-a) + a*(90+30*math.Sin(x/17+y/31)*math.Cos(y/11))
			}
		}},
		{"goes out of focus for a while", func(c *clip) {
			c.diameter = 44
			c.y = func(float64) float64 { return 180 }
			c.x = func(k float64) float64 { return 100 + 3.6*k }
			c.wide = true
			c.soft = func(k int) (across, down float64) {
				if k >= 15 && k <= 18 {
					return .33, .33
				}
				return 0, 0
			}
		}},
		{"shakes for a while", func(c *clip) {
			c.diameter = 44
			c.y = func(float64) float64 { return 180 }
			c.x = func(k float64) float64 { return 100 + 3.6*k }
			c.soft = func(k int) (across, down float64) {
				if k >= 15 && k <= 18 {
					return 0, .33
				}
				return 0, 0
			}
		}},
		{"bounce", func(c *clip) {
			c.y = func(k float64) float64 { return 80 + 9*math.Abs(k-20) }
		}},
		{"a cloth of fine stripes that waves", func(c *clip) {
			c.diameter = 0
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				across := x - 30 - 3*k
				if across < 0 || across > 220 || y < 60 || y > 300 {
					return v
				}
				wave := 9 * math.Sin(across/35+0.35*k) * across / 100
				return v + 60*math.Tanh(3*math.Sin(2*math.Pi*(y+wave)/4.5))
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newClip(12)
			c.set(s)
			for _, e := range scan(t, s).Events {
				t.Errorf("pictures %d to %d, confidence %.2f: %v", e.Start, e.End, e.Confidence, e.Measures)
			}
		})
	}
}

// What is opposite to itself where one copy is beside the other is no rib if the
// clean thing explains it.
func TestRibs(t *testing.T) {
	const lag, alike = 6, 0.5
	look := func(r func(k float64) float64) *echo.Look {
		l := &echo.Look{Speed: lag, SamplePx: 1, Profile: make([]float32, 4*lag)}
		for k := range l.Profile {
			l.Profile[k] = float32(r(float64(k)))
		}
		return l
	}
	clean := func(k float64) float64 { return math.Cos(k) * math.Exp(-0.25*math.Abs(k)) }
	mixed := func(k float64) float64 {
		return (clean(k) + alike*(clean(lag-k)+clean(lag+k))) / (1 + 2*alike*clean(lag))
	}
	plain := func(k float64) float64 { return math.Cos(k) * math.Exp(-0.7*math.Abs(k)) }
	stripes := func(k float64) float64 { return 0.9 * math.Cos(2*math.Pi*k/lag) }
	for _, c := range []struct {
		name  string
		shown func(float64) float64
		clean []func(float64) float64
		ribs  bool
	}{
		{"a thing", clean, nil, false},
		{"a mixture", mixed, []func(float64) float64{clean, clean}, false},
		{"a mixture with nothing to compare with", mixed, nil, true},
		{"stripes that were none before", stripes, []func(float64) float64{plain, plain}, true},
	} {
		l := look(c.shown)
		l.Main = echo.Peak{Lag: lag, R: l.At(lag)}
		var with comparison
		for _, r := range c.clean {
			with.references = append(with.references, reference{look: look(r)})
		}
		if got := with.ribbed(l); got != c.ribs {
			t.Errorf("%s: ribs %v; at half of its lag %.2f", c.name, got, l.At(lag/2))
		}
	}
}
