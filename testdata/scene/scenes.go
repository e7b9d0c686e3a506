package scene

import (
	"math"
	"strconv"
)

// Surface is what a backdrop shows.
type Surface string

// The surfaces.
const (
	Plain   Surface = "plain"   // a wall
	Foliage Surface = "foliage" // leaves
	Gravel  Surface = "gravel"  // noise of many octaves
	Street  Surface = "street"  // buildings
	Upright Surface = "upright" // bars from top to bottom: a fence
	Level   Surface = "level"   // bars from left to right: blinds
	Tiled   Surface = "tiled"   // square tiles
)

// Back says what is behind the things of a scene.
type Back struct {
	Surface Surface
	// Tone is the mean 8-bit luma code (Plain, Gravel), or that of the light
	// bars or tiles; 0 means 110.
	Tone float64
	// Contrast is the strength of the texture in 8-bit codes (Plain,
	// Gravel), or how much darker than Tone the dark bars and joints are;
	// 0 means 6 for Plain and 60 else.
	Contrast float64
	// Period of bars and tiles in samples, and the share of it that is light.
	Period, Duty float64
}

func (b Back) canvas(r Raster, w, h int) *canvas {
	tone := b.Tone
	if tone == 0 {
		tone = 110
	}
	contrast := b.Contrast
	if contrast == 0 {
		contrast = 60
		if b.Surface == Plain {
			contrast = 6
		}
	}
	duty := b.Duty
	if duty == 0 {
		duty = 0.5
	}
	period := b.Period
	if period == 0 {
		period = 24
	}
	switch b.Surface {
	case Foliage:
		return foliage(w, h, r.Colour, r.Seed)
	case Gravel:
		return gravel(w, h, r.Colour, gray(tone), contrast, r.Seed)
	case Street:
		return street(w, h, r.Colour, r.Seed)
	case Upright, Level:
		return stripes(w, h, r.Colour, period, duty, b.Surface == Upright, gray(tone), gray(tone-contrast), 4, r.Seed)
	case Tiled:
		return tiles(w, h, r.Colour, period, period*(1-duty), gray(tone), gray(tone-contrast), 0.1, r.Seed)
	}
	return wall(w, h, r.Colour, gray(tone), contrast, r.Seed)
}

// Move is how a camera moves: steadily, in samples a picture, from Start
// seconds on, with a tremble of Shake samples.
type Move struct {
	X, Y  float64
	Shake float64
	Start float64
	// Seconds is how long there is something to see; 0 means 3.
	Seconds float64
}

func (m Move) still() bool { return m.X == 0 && m.Y == 0 && m.Shake == 0 }

// set gives the scene a camera that moves so and returns how large the world
// has to be.
func (m Move) set(s *Scene) (w, h int) {
	if m.still() {
		return s.W, s.H
	}
	if m.Seconds == 0 {
		m.Seconds = 3
	}
	vx, vy := m.X*s.Rate(), m.Y*s.Rate()
	margin := math.Ceil(2*m.Shake) + 4
	left := margin + math.Max(0, -vx*m.Seconds)
	top := margin + math.Max(0, -vy*m.Seconds)
	p := random(s.Seed, 51)
	var phase [8]float64
	for i := range phase {
		phase[i] = p.Float64() * 2 * math.Pi
	}
	s.camera = func(t float64) (x, y float64) {
		run := math.Max(t-m.Start, 0)
		x, y = left+vx*run, top+vy*run
		if m.Shake > 0 {
			// A hand trembles at a few hertz and breathes slowly.
			for i, hz := range []float64{1.3, 3.1, 7.7, 11.9} {
				a := m.Shake * []float64{0.8, 0.5, 0.3, 0.15}[i]
				x += a * math.Sin(2*math.Pi*hz*t+phase[2*i])
				y += a * math.Sin(2*math.Pi*hz*1.13*t+phase[2*i+1])
			}
		}
		return x, y
	}
	return s.W + int(math.Abs(vx*m.Seconds)+2*margin), s.H + int(math.Abs(vy*m.Seconds)+2*margin)
}

// Pan makes a camera that moves over a surface.
func Pan(r Raster, back Back, move Move) *Scene {
	s := &Scene{Raster: r}
	w, h := move.set(s)
	s.elements = []element{&backdrop{sight: see(func() *canvas { return back.canvas(r, w, h) })}}
	s.things = []func(t float64) Thing{func(t float64) Thing {
		x, y := s.cam(t)
		return Thing{"surface", x + float64(r.W)/2, y + float64(r.H)/2, float64(r.W), float64(r.H)}
	}}
	return s
}

// Way is how a ball travels.
type Way int

// The ways of a ball.
const (
	Across  Way = iota // straight through the picture, and in again
	Thrown             // a parabola under gravity, thrown again and again
	Bounces            // up and down on a floor, across the picture
	Stops              // across to the middle, caught there
)

// Ball is one ball of a scene.
type Ball struct {
	Diameter float64
	// Speed is in samples a picture: at the start for Thrown, across for
	// Bounces.
	Speed float64
	// Angle is the direction in degrees: 0 to the right, 90 down.
	Angle float64
	Level float64 // 8-bit luma code
	// Marked balls carry a pattern, so that they have detail inside; they
	// roll with Spin turns a second.
	Marked bool
	Spin   float64
	Way    Way
	// X, Y is where the ball is at time zero, as a share of the picture.
	X, Y float64
	// ShadowX, ShadowY is where a shadow travels beside it, in samples, and
	// Shadow how dark it is (0 none, 1 black). Mirror is the strength of an
	// upright reflection at the same place instead.
	ShadowX, ShadowY, Shadow, Mirror float64
	// Hold draws the ball for that many pictures in one place (animation on
	// twos); 0 and 1 for each picture anew. Held balls are not blurred.
	Hold int
}

// Toss makes balls before a surface.
func Toss(r Raster, back Back, move Move, balls ...Ball) *Scene {
	s := Pan(r, back, move)
	s.things = nil
	for i, b := range balls {
		s.addBall(b, "ball "+strconv.Itoa(i+1))
	}
	return s
}

// way returns where the ball is, in samples of the picture.
func (b Ball) way(r Raster) func(t float64) (x, y float64) {
	W, H := float64(r.W), float64(r.H)
	v := b.Speed * r.Rate()
	sa, ca := math.Sincos(b.Angle * math.Pi / 180)
	x0, y0 := b.X*W, b.Y*H
	room := b.Diameter * 0.75
	wrap := func(p, size float64) float64 {
		p = math.Mod(p+room, size+2*room)
		if p < 0 {
			p += size + 2*room
		}
		return p - room
	}
	switch b.Way {
	case Thrown:
		// Flies for as long as it takes to come down to where it started.
		g := 1.6 * H // samples a second squared: a throw across a room
		up := -v * sa
		took := math.Max(2*up/g, 0.3)
		return func(t float64) (x, y float64) {
			n := math.Floor(t / took)
			u := t - n*took
			return wrap(x0+v*ca*t, W), y0 - up*u + g/2*u*u
		}
	case Bounces:
		const period = 0.62
		high := 0.45 * H
		return func(t float64) (x, y float64) {
			u := t/period - math.Floor(t/period)
			return wrap(x0+v*t, W), y0 - high*(1-(2*u-1)*(2*u-1))
		}
	case Stops:
		return func(t float64) (x, y float64) {
			x = x0 + v*ca*t
			if limit := 0.62 * W; x > limit {
				x = limit
			}
			return x, y0
		}
	}
	return func(t float64) (x, y float64) {
		x, y = x0, y0
		if ca != 0 {
			x = wrap(x0+v*ca*t, W)
		}
		if sa != 0 {
			y = wrap(y0+v*sa*t, H)
		}
		return x, y
	}
}

func (s *Scene) addBall(b Ball, name string) {
	way := b.way(s.Raster)
	held := func(t float64) float64 {
		if b.Hold > 1 {
			n := math.Floor(t*s.Rate() + 0.5)
			return math.Floor(n/float64(b.Hold)+1e-9) * float64(b.Hold) / s.Rate()
		}
		return t
	}
	// The ways are stated in the picture, also while the camera pans: it
	// follows the play.
	follow := func(t float64) (x, y float64) {
		x, y = way(held(t))
		cx, cy := s.cam(t)
		return x + cx, y + cy
	}
	radius := b.Diameter / 2
	level := b.Level
	if level == 0 {
		level = 200
	}
	shape := plain(gray(level))
	look := func(t float64) shader {
		if b.Marked {
			return sphere(gray(level), gray(16+(level-16)*0.45), 2*math.Pi*b.Spin*t, 0.5)
		}
		return shape
	}
	copyAt := func(dx, dy float64, draw func(l *layer, x, y, t float64)) *actor {
		return &actor{
			lone: true,
			bounds: func(t float64) (x0, y0, x1, y1 float64) {
				x, y := follow(t)
				return x + dx - radius - 1, y + dy - radius - 1, x + dx + radius + 1, y + dy + radius + 1
			},
			draw: func(l *layer, t float64) {
				x, y := follow(t)
				draw(l, x+dx, y+dy, held(t))
			},
		}
	}
	if b.Shadow > 0 {
		s.elements = append(s.elements, copyAt(b.ShadowX, b.ShadowY, func(l *layer, x, y, _ float64) {
			l.shade(x, y, radius, radius*0.9, float32(b.Shadow), gray(16))
		}))
	}
	if b.Mirror > 0 {
		s.elements = append(s.elements, copyAt(b.ShadowX, b.ShadowY, func(l *layer, x, y, t float64) {
			share := l.share
			l.share *= float32(b.Mirror)
			l.disc(x, y, radius, look(t))
			l.share = share
		}))
	}
	s.elements = append(s.elements, copyAt(0, 0, func(l *layer, x, y, t float64) { l.disc(x, y, radius, look(t)) }))
	s.things = append(s.things, func(t float64) Thing {
		x, y := follow(t)
		return Thing{name, x, y, b.Diameter, b.Diameter}
	})
}

// Band says how a band of text scrolls.
type Band struct {
	// Speed is in samples a picture: to the left, or upwards for a roll.
	Speed float64
	// Size is the height of the signs in samples.
	Size float64
	// Roll scrolls lines of text upwards over the whole picture; without it
	// one line runs along the lower edge.
	Roll bool
}

// Ticker makes text that scrolls over a surface.
func Ticker(r Raster, back Back, move Move, band Band) *Scene {
	s := Pan(r, back, move)
	v := band.Speed * r.Rate()
	const seconds = 4
	if band.Roll {
		w, h := r.W*6/10&^1, (r.H+int(v*seconds)+8)&^1
		paint := func() *canvas {
			l := newSheetLayer(w, h, r.Colour, rgb(0x101418))
			for i, y := 0, band.Size; y < float64(h); i, y = i+1, y+band.Size*1.7 {
				text := sentence(r.Seed+int64(i), 2+i%3)
				x := (float64(w) - textWidth(band.Size, text)) / 2
				l.text(x, y, band.Size, band.Size*0.14, text, rgb(0xf0f0ea))
			}
			return newCanvas(l, w, h)
		}
		x0 := (r.W * 2 / 10) &^ 1
		s.elements = append(s.elements, &backdrop{
			sight:  see(paint),
			offset: func(t float64) (x, y float64) { return 0, 4 + v*math.Max(t, 0) },
			window: &area{x0, 0, x0 + w, r.H},
		})
		return s
	}
	h := int(band.Size*2) &^ 1
	w := (r.W + int(v*seconds) + 8) &^ 1
	paint := func() *canvas {
		l := newSheetLayer(w, h, r.Colour, rgb(0x14283c))
		l.box(0, 0, float64(w), 2, plain(rgb(0xd9a441)))
		n := int(float64(w) / textWidth(band.Size, "MMMMM"))
		l.text(10, band.Size*0.55, band.Size, band.Size*0.15, sentence(r.Seed, n+2), rgb(0xf4f4f0))
		return newCanvas(l, w, h)
	}
	y0 := (r.H - h - r.H/14) &^ 1
	s.elements = append(s.elements, &backdrop{
		sight:  see(paint),
		offset: func(t float64) (x, y float64) { return 4 + v*math.Max(t, 0), 0 },
		window: &area{0, y0, r.W, y0 + h},
	})
	return s
}

// Pendulum makes a bob that swings on a rod; period in seconds, swing in
// degrees to either side.
func Pendulum(r Raster, back Back, period, swing, bob float64) *Scene {
	s := Pan(r, back, Move{})
	s.things = nil
	W, H := float64(r.W), float64(r.H)
	length := 0.72 * H
	at := func(t float64) (x, y float64) {
		a := swing * math.Pi / 180 * math.Sin(2*math.Pi*t/period)
		return W/2 + length*math.Sin(a), 0.05*H + length*math.Cos(a)
	}
	s.elements = append(s.elements, &actor{
		bounds: func(t float64) (x0, y0, x1, y1 float64) {
			x, y := at(t)
			return math.Min(x-bob, W/2-8), 0, math.Max(x+bob, W/2+8), y + bob
		},
		reach: swing * math.Pi / 180 * 2 * math.Pi / period * length,
		draw: func(l *layer, t float64) {
			x, y := at(t)
			l.limb(W/2, 0.05*H, 2.2, x, y, 2.2, round(rgb(0x9a8f80), 0, 0))
			l.disc(W/2, 0.05*H, 7, plain(rgb(0x40382e)))
			l.disc(x, y, bob/2, sphere(rgb(0xd4a24c), rgb(0x6e4a1c), 0.4, 0.3))
		},
	})
	s.things = append(s.things, func(t float64) Thing {
		x, y := at(t)
		return Thing{"bob", x, y, bob, bob}
	})
	return s
}

// Zoom makes a lens that zooms into a surface by a factor a second.
func Zoom(r Raster, back Back, factor, turn float64) *Scene {
	s := &Scene{Raster: r}
	w, h := (r.W*3/2)&^1, (r.H*3/2)&^1
	s.elements = []element{&lens{
		sight: see(func() *canvas { return back.canvas(r, w, h) }),
		view: func(t float64) (cx, cy, a, b float64) {
			k := 1.1 * math.Pow(factor, -t)
			sin, cos := math.Sincos(turn * math.Pi / 180 * t)
			return float64(w) / 2, float64(h) / 2, k * cos, k * sin
		},
	}}
	return s
}

// Wheel makes a wheel with spokes that turns on its place.
func Wheel(r Raster, back Back, diameter, turns float64, spokes int) *Scene {
	s := Pan(r, back, Move{})
	s.things = nil
	x, y := float64(r.W)/2, float64(r.H)/2
	R := diameter / 2
	s.elements = append(s.elements, &actor{
		bounds: func(float64) (x0, y0, x1, y1 float64) { return x - R - 2, y - R - 2, x + R + 2, y + R + 2 },
		reach:  2 * math.Pi * turns * R,
		draw: func(l *layer, t float64) {
			a0 := 2 * math.Pi * turns * t
			tyre, steel := rgb(0x2a2a2c), rgb(0xc9ccd0)
			const parts = 48
			ring := func(radius, thick float64, k ink) {
				for i := range parts {
					a, b := a0+2*math.Pi*float64(i)/parts, a0+2*math.Pi*float64(i+1)/parts
					shade := k
					if i%4 == 0 {
						shade = k.lit(1.35)
					}
					l.limb(x+radius*math.Cos(a), y+radius*math.Sin(a), thick, x+radius*math.Cos(b), y+radius*math.Sin(b), thick, plain(shade))
				}
			}
			for i := range spokes {
				a := a0 + 2*math.Pi*float64(i)/float64(spokes)
				l.limb(x, y, R*0.02+0.8, x+0.9*R*math.Cos(a), y+0.9*R*math.Sin(a), R*0.008+0.6, round(steel, 0, 0))
			}
			ring(0.86*R, 0.03*R, steel)
			ring(0.94*R, 0.06*R, tyre)
			l.disc(x, y, 0.12*R, sphere(steel, tyre, a0, 0))
		},
	})
	s.things = append(s.things, func(float64) Thing { return Thing{"wheel", x, y, diameter, diameter} })
	return s
}

// Cloth makes a striped cloth that waves and travels; stripe is the period of
// its level stripes in samples, speed in samples a picture.
func Cloth(r Raster, back Back, stripe, speed float64) *Scene {
	s := Pan(r, back, Move{})
	s.things = nil
	s.elements = append(s.elements, &cloth{stripe: stripe, speed: speed * r.Rate()})
	s.things = append(s.things, func(t float64) Thing {
		x, y, w, h := (&cloth{speed: speed * r.Rate()}).place(s, t)
		return Thing{"cloth", x + w/2, y + h/2, w, h}
	})
	return s
}

type cloth struct{ stripe, speed float64 }

func (*cloth) still(*Scene) bool { return false }

func (c *cloth) place(s *Scene, t float64) (x, y, w, h float64) {
	W, H := float64(s.W), float64(s.H)
	w, h = 0.4*W, 0.5*H
	// There and back, so that it stays in view.
	span := W - w
	p := math.Mod(0.2*W+c.speed*t, 2*span)
	if p > span {
		p = 2*span - p
	}
	return p, 0.22 * H, w, h
}

func (c *cloth) paint(s *Scene, f *frame, t0, t1 float64) {
	n := min(max(int(math.Ceil(math.Abs(c.speed)*(t1-t0)/1.5)), 2), 16)
	acc := make([]float32, f.w)
	cov := make([]float32, f.w)
	// square is the integral of a wave of 0 and 1.
	square := func(p float64) float64 {
		k := math.Floor(p)
		return k*0.5 + math.Min(p-k, 0.5)
	}
	for row := range f.h {
		y := float64(f.row+row*f.step) + 0.5
		clear(acc)
		clear(cov)
		for i := range n {
			t := t0 + (t1-t0)*(float64(i)+0.5)/float64(n)
			x0, y0, w, h := c.place(s, t)
			if y < y0-20 || y > y0+h+20 {
				continue
			}
			i0, i1 := max(int(x0), 0), min(int(x0+w)+1, f.w)
			for x := i0; x < i1; x++ {
				u := float64(x) + 0.5 - x0
				edge := math.Min(math.Min(u+0.5, w-u+0.5), 1)
				wave := 9*math.Sin(u*0.021-7*t) + 3.5*math.Sin(u*0.055+4.3*t+y*0.008)
				v := y - y0 + wave
				top := math.Min(math.Min(v+0.5, h-v+0.5), 1)
				if edge <= 0 || top <= 0 {
					continue
				}
				slope := 9*0.021*math.Cos(u*0.021-7*t) + 3.5*0.055*math.Cos(u*0.055+4.3*t+y*0.008)
				p := v / c.stripe
				half := 0.5 / c.stripe
				white := (square(p+half) - square(p-half)) / (2 * half)
				k := float32(edge * top)
				acc[x] += k * float32((70+125*white)*(1-0.9*slope))
				cov[x] += k
			}
		}
		line := f.y[row*f.w : (row+1)*f.w]
		inv := 1 / float32(n)
		for x, k := range cov {
			if k > 0 {
				line[x] = clampFine(int32(float32(line[x])*(1-k*inv) + acc[x]*inv*fine + 0.5))
			}
		}
		// The cloth has no colour.
		if at := f.row + row*f.step; f.cb != nil && at%2 == f.row {
			for i := range f.cw {
				k := cov[min(2*i, f.w-1)] * inv
				for _, c := range [][]uint16{f.cb, f.cr} {
					v := &c[at/2*f.cw+i]
					*v = clampFine(int32((float32(*v)-chromaZero)*(1-k)) + chromaZero)
				}
			}
		}
	}
}

// Particle is what falls in a Shower.
type Particle string

// The particles.
const (
	Rain     Particle = "rain"
	Confetti Particle = "confetti"
	Snow     Particle = "snow"
)

// Shower makes n particles that fall before a surface.
func Shower(r Raster, back Back, kind Particle, n int) *Scene {
	s := Pan(r, back, Move{})
	W, H := float64(r.W), float64(r.H)
	type drop struct{ x, y, vx, vy, size, spin, tone float64 }
	rnd := random(r.Seed, 61)
	drops := make([]drop, n)
	for i := range drops {
		d := &drops[i]
		d.x, d.y, d.tone = rnd.Float64()*W, rnd.Float64()*H, 120+100*rnd.Float64()
		near := 0.5 + rnd.Float64()
		switch kind {
		case Rain:
			d.vx, d.vy, d.size = 0.08*H*near, 2.6*H*near, 0.5+0.5*near
		case Snow:
			d.vx, d.vy, d.size = 0.06*H*rnd.NormFloat64(), 0.22*H*near, 1.2+1.8*near
		default:
			d.vx, d.vy, d.size = 0.10*H*rnd.NormFloat64(), 0.35*H*near, 3+4*near
			d.spin = 4 + 8*rnd.Float64()
		}
	}
	half := r.exposure() / 2
	s.elements = append(s.elements, &actor{
		bounds: func(float64) (x0, y0, x1, y1 float64) { return 0, 0, W, H },
		draw: func(l *layer, t float64) {
			for _, d := range drops {
				room := 0.1 * H
				x := math.Mod(d.x+d.vx*t+1e3*W, W)
				y := math.Mod(d.y+d.vy*t+1e3*(H+2*room), H+2*room) - room
				switch kind {
				case Confetti:
					// Turning leaves of paper; the blur of their fall is short.
					a := d.spin * t
					c, q := math.Cos(a)*d.size, math.Abs(math.Sin(a*0.7))*d.size*0.6+0.8
					sx, cx := math.Sincos(d.spin + 0.5*t)
					corner := func(u, v float64) point { return point{x + u*cx - v*sx, y + u*sx + v*cx} }
					l.polygon([]point{corner(-c, -q), corner(c, -q), corner(c, q), corner(-c, q)}, plain(gray(d.tone)))
				default:
					l.limb(x-d.vx*half, y-d.vy*half, d.size, x+d.vx*half, y+d.vy*half, d.size, plain(gray(d.tone)))
				}
			}
		},
	})
	return s
}

// Cartoon makes flat figures with outlines before flat hills, drawn anew every
// hold pictures while the hills pass by at speed samples a picture.
func Cartoon(r Raster, speed float64, hold int) *Scene {
	s := &Scene{Raster: r}
	w, h := (Move{X: speed}).set(s)
	s.elements = []element{&backdrop{sight: see(func() *canvas { return hills(r, w, h) })}}
	held := func(t float64) float64 {
		n := math.Floor(t*r.Rate() + 0.5)
		return math.Floor(n/float64(max(hold, 1))) * float64(max(hold, 1)) / r.Rate()
	}
	rw, rh := float64(r.W), float64(r.H)
	figure := func(t float64) (x, y float64) {
		x = 0.3*rw + 0.24*rw*math.Sin(1.1*t)
		return x, 0.62*rh - 0.09*rh*math.Abs(math.Sin(6*t))
	}
	line := rgb(0x181818)
	s.elements = append(s.elements, &actor{
		fixed: true,
		bounds: func(t float64) (x0, y0, x1, y1 float64) {
			x, y := figure(held(t))
			return x - 0.2*rh, y - 0.3*rh, x + 0.2*rh, y + 0.36*rh
		},
		draw: func(l *layer, t float64) {
			t = held(t)
			x, y := figure(t)
			m := 0.16 * rh
			swing := 0.7 * math.Sin(6*t)
			limb := func(ax, ay, bx, by, r float64, k ink) {
				l.limb(x+ax*m, y+ay*m, r*m+2.5, x+bx*m, y+by*m, r*m+2.5, plain(line))
				l.limb(x+ax*m, y+ay*m, r*m, x+bx*m, y+by*m, r*m, plain(k))
			}
			limb(-0.2, 0.8, -0.3+swing, 1.7, 0.13, rgb(0x3b5bdb))
			limb(0.2, 0.8, 0.3-swing, 1.7, 0.13, rgb(0x3b5bdb))
			limb(0, 0, 0, 0.75, 0.42, rgb(0xf08c00))
			limb(-0.35, 0.1, -0.9, 0.5+swing*0.6, 0.11, rgb(0xffd8a8))
			limb(0.35, 0.1, 0.9, 0.5-swing*0.6, 0.11, rgb(0xffd8a8))
			limb(0, -0.85, 0, -0.8, 0.5, rgb(0xffd8a8))
			for _, e := range []float64{-0.18, 0.22} {
				l.disc(x+e*m, y-0.9*m, 0.11*m, plain(rgb(0xffffff)))
				l.disc(x+(e+0.03)*m, y-0.88*m, 0.05*m, plain(line))
			}
			l.limb(x-0.2*m, y-0.6*m, 2, x+0.2*m, y-0.62*m, 2, plain(line))
		},
	})
	s.things = append(s.things, func(t float64) Thing {
		x, y := figure(held(t))
		cx, cy := s.cam(t)
		return Thing{"figure", x + cx, y + cy, 0.4 * rh, 0.6 * rh}
	})
	return s
}

// Graded returns the scene with its light scaled and lifted (in 8-bit codes)
// over time: flashes and fades.
func (s *Scene) Graded(grade func(t float64) (gain, lift float64)) *Scene {
	s.grade = grade
	return s
}

// Dissolved returns the scene with another one laid over it with a weight of
// 0 to 1 that changes with time.
func (s *Scene) Dissolved(o *Scene, weight func(t float64) float64) *Scene {
	s.blend, s.blendWeight = o, weight
	return s
}

// Titled returns the scene with a graphic that stands in the picture from one
// instant to another.
func (s *Scene) Titled(from, to float64) *Scene {
	W, H := float64(s.W), float64(s.H)
	s.elements = append(s.elements, &actor{
		fixed:  true,
		bounds: func(float64) (x0, y0, x1, y1 float64) { return 0.08 * W, 0.70 * H, 0.62 * W, 0.86 * H },
		draw: func(l *layer, t float64) {
			if t < from || t >= to {
				return
			}
			l.box(0.08*W, 0.71*H, 0.60*W, 0.85*H, func(u, _ float32) ink { return rgb(0x1b3a4b).lit(1.2 - 0.4*u) })
			l.box(0.08*W, 0.71*H, 0.085*W, 0.85*H, plain(rgb(0xe09f1f)))
			l.text(0.10*W, 0.735*H, 0.045*H, 0.007*H, sentence(s.Seed, 2), rgb(0xf4f4f0))
			l.text(0.10*W, 0.800*H, 0.026*H, 0.004*H, sentence(s.Seed+1, 4), rgb(0xc9d6df))
		},
	})
	return s
}

// Letterboxed returns the scene with black bars above and below, each a share
// of the height.
func (s *Scene) Letterboxed(share float64) *Scene {
	W, H := float64(s.W), float64(s.H)
	for _, y := range []float64{0, H * (1 - share)} {
		s.elements = append(s.elements, &actor{
			fixed: true, calm: true,
			bounds: func(float64) (x0, y0, x1, y1 float64) { return 0, y, W, y + H*share },
			draw:   func(l *layer, _ float64) { l.box(0, y, W, y+H*share, plain(gray(16))) },
		})
	}
	return s
}

// hills paints what a drawn figure walks in front of.
func hills(r Raster, w, h int) *canvas {
	l := newSheetLayer(w, h, r.Colour, rgb(0x9fd3f0))
	W, H := float64(w), float64(h)
	rnd := random(r.Seed, 71)
	for i, k := range []uint32{0x7fb56b, 0x5e9a4f, 0x3f7d3b} {
		pts := []point{{0, H}}
		a, b := 90+60*rnd.Float64(), rnd.Float64()*7
		for x := 0.0; x <= W+8; x += 8 {
			y := H * (0.45 + 0.16*float64(i))
			pts = append(pts, point{x, y + 0.05*H*math.Sin(x/a+b) + 0.03*H*math.Sin(x/37+b*2)})
		}
		pts = append(pts, point{W, H})
		l.polygon(pts, plain(rgb(k)))
		for j := 1; j+2 < len(pts); j++ {
			l.limb(pts[j].x, pts[j].y, 1.3, pts[j+1].x, pts[j+1].y, 1.3, plain(rgb(0x1c2b1a)))
		}
	}
	for range 4 + w/300 {
		x, y := rnd.Float64()*W, H*(0.08+0.2*rnd.Float64())
		for i := range 4 {
			l.disc(x+float64(i)*26, y+9*math.Sin(float64(i)*2), 22+4*float64(i%2), plain(rgb(0xf7fbff)))
		}
	}
	return newCanvas(l, w, h)
}
