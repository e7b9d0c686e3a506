package scene

import (
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
)

// Game says how a ball game is played and filmed.
type Game struct {
	// PanWidth is how far the camera swings to either side, in samples, and
	// PanPeriod how many seconds a swing there and back takes; without a
	// period the camera follows the ball within that width. No width is a
	// camera on a tripod.
	PanWidth, PanPeriod float64
	// Zoom is the size of a metre in the middle of the court, as a share of
	// the height of the picture; 0 means 0.14.
	Zoom float64
	// NoScore leaves out the score bar.
	NoScore bool
	// Seconds is how long the play has to last; 0 means 15.
	Seconds float64
}

// The court, in metres: x along the near line, z away from the camera, y up.
// It is a game of our own: two teams of five, a goal with a net at either
// end, a ring in the middle.
const (
	gravity      = 9.81
	courtLength  = 26.0
	courtDepth   = 12.0
	nearLine     = 22.0 // distance of the near line from the camera
	cameraHeight = 7.0
	boardsAt     = 35.2
	boardsHigh   = 0.85
	ballRadius   = 0.13
	handHeight   = 1.15
)

// view projects the court onto the world in samples.
type view struct {
	f, cx, cy float64
}

func (v view) metre(z float64) float64 { return v.f / z }

func (v view) project(x, y, z float64) (px, py float64) {
	s := v.f / z
	return v.cx + x*s, v.cy + (cameraHeight-y)*s
}

// runner is a player's run across the court: a table of places over time.
type runner struct {
	kit    kit
	seed   uint64
	x, z   []float64 // every 1/tableRate second
	stride []float64 // phase of the stride
	reach  []float64 // 0 arms swing, 1 arms at the ball
}

const tableRate = 50

func (r *runner) at(table []float64, t float64) float64 {
	p := math.Max(t+1, 0) * tableRate
	i := min(int(p), len(table)-2)
	return table[i] + (table[i+1]-table[i])*math.Min(p-float64(i), 1)
}

// leg is one stretch of the ball's way: free flight from one point to another.
type leg struct {
	t0, t1     float64
	x0, y0, z0 float64
	x1, y1, z1 float64
	carrier    int // runner who holds the ball, -1 in flight
	dribble    float64
}

// BallGame makes a ball game in a hall.
func BallGame(r Raster, g Game) *Scene {
	if g.Zoom == 0 {
		g.Zoom = 0.14
	}
	if g.Seconds == 0 {
		g.Seconds = 15
	}
	W, H := float64(r.W), float64(r.H)
	width := W + 2*g.PanWidth + 8
	v := view{f: g.Zoom * H * (nearLine + courtDepth/2), cx: width / 2}
	// The near line lies just inside the picture.
	v.cy = 0.945*H - v.f*cameraHeight/(nearLine-0.4)

	s := &Scene{Raster: r}
	if g.PanWidth > 0 && g.PanPeriod > 0 {
		s.camera = func(t float64) (x, y float64) {
			return g.PanWidth + 4 + g.PanWidth*math.Sin(2*math.Pi*t/g.PanPeriod), 0
		}
	}
	rnd := random(r.Seed, 11)
	s.elements = append(s.elements, &backdrop{sight: see(func() *canvas { return hall(r, v, int(width), random(r.Seed, 12)) })})

	half := W / 2 / v.metre(nearLine+courtDepth/2)
	players := cast(rnd, half, g.Seconds)
	legs := play(rnd, players, g.Seconds)
	ballAt := func(t float64) (x, y, z float64) { return ballPlace(legs, players, t) }

	if g.PanWidth > 0 && g.PanPeriod == 0 {
		s.camera = follow(ballAt, v, g, W)
	}

	c := &crowd{}
	for _, p := range players {
		c.add(playerActor(p, v, ballAt), func(t float64) float64 { return p.at(p.z, t) })
	}
	ball := ballActor(v, ballAt)
	c.add(ball, func(t float64) float64 { _, _, z := ballAt(t); return z - 0.3 })
	for _, p := range players {
		s.elements = append(s.elements, contact(v, func(t float64) (x, y, z float64) {
			return p.at(p.x, t), 0, p.at(p.z, t)
		}, 0.42))
	}
	s.elements = append(s.elements, contact(v, ballAt, 0.2), c)
	if !g.NoScore {
		s.elements = append(s.elements, scoreBar(r)...)
	}
	s.things = append(s.things, func(t float64) Thing {
		x, y, z := ballAt(t)
		px, py := v.project(x, y, z)
		d := 2 * ballRadius * v.metre(z)
		return Thing{"ball", px, py, d, d}
	})
	for i, p := range players {
		s.things = append(s.things, func(t float64) Thing {
			m := v.metre(p.at(p.z, t))
			px, py := v.project(p.at(p.x, t), bodyHeight/2, p.at(p.z, t))
			return Thing{"player " + strconv.Itoa(i+1), px, py, 1.3 * m, (bodyHeight + 0.1) * m}
		})
	}
	s.flights = func() [][2]float64 {
		var out [][2]float64
		for _, l := range legs {
			if l.carrier < 0 {
				out = append(out, [2]float64{l.t0, l.t1})
			}
		}
		return out
	}
	return s
}

// ClearFlights returns, for each flight of the game's ball whose middle lies
// between two times, the picture in its middle, if the ball can be seen well
// for two pictures on either side: it moves by fast samples a picture at
// least, lies in the picture, and no player is before or behind it.
func (s *Scene) ClearFlights(from, to, fast float64) []int {
	const (
		beside = 2    // pictures on either side
		body   = 0.5  // share of a player's width without the arms
		length = 0.16 // seconds that a flight has to last
	)
	edge := s.H / 18 // samples to the edge of the picture
	var out []int
	for _, f := range s.Flights() {
		mid := int(math.Round((f[0] + f[1]) / 2 * s.Rate()))
		if t := s.Instant(mid); t < from || t > to || f[1]-f[0] < length {
			continue
		}
		clear := true
		for i := mid - beside; i <= mid+beside; i++ {
			things := s.Things(s.Instant(i))
			ball := things[0]
			last, _ := s.Thing("ball", s.Instant(i-1))
			clear = clear && math.Hypot(ball.X-last.X, ball.Y-last.Y) >= fast
			clear = clear && ball.Rect().In(image.Rect(edge, edge, s.W-edge, s.H-edge))
			for _, player := range things[1:] {
				player.W *= body
				clear = clear && !player.Rect().Overlaps(ball.Rect())
			}
		}
		if clear {
			out = append(out, mid)
		}
	}
	return out
}

// cast makes two teams and their runs.
func cast(rnd *rand.Rand, half, seconds float64) []*runner {
	amber := kit{shirt: rgb(0xe09f1f), trim: rgb(0x3a2a10), shorts: rgb(0x2b2118), shoes: rgb(0xf2efe6)}
	teal := kit{shirt: rgb(0x0f8b8d), trim: rgb(0xf1f5f4), shorts: rgb(0xe6ecec), shoes: rgb(0x202020), stripes: 4.5}
	var out []*runner
	n := int((seconds + 4) * tableRate)
	for i := range 10 {
		k := amber
		if i%2 == 1 {
			k = teal
		}
		k.skin = rgb(skins[rnd.IntN(len(skins))])
		k.hair = rgb(hairs[rnd.IntN(len(hairs))])
		k.number = strconv.Itoa(2 + rnd.IntN(28))
		p := &runner{kit: k, seed: rnd.Uint64()}
		homeX := (float64(i)-4.5)/5*half*0.95 + rnd.NormFloat64()*0.5
		homeZ := nearLine + 1 + (courtDepth-2)*math.Mod(float64(i)*0.381966+0.2, 1)
		type wave struct{ a, w, p float64 }
		var wx, wz [2]wave
		for j := range wx {
			wx[j] = wave{(1.9 - 1.1*float64(j)) * (0.6 + 0.6*rnd.Float64()), (0.9 + 0.9*float64(j)) * (0.8 + 0.4*rnd.Float64()), rnd.Float64() * 7}
			wz[j] = wave{0.8 * rnd.Float64(), 0.6 + rnd.Float64(), rnd.Float64() * 7}
		}
		phase := rnd.Float64() * 7
		for j := range n {
			t := float64(j)/tableRate - 1
			x, z := homeX, homeZ
			for q := range wx {
				x += wx[q].a * math.Sin(wx[q].w*t+wx[q].p)
				z += wz[q].a * math.Sin(wz[q].w*t+wz[q].p)
			}
			z = math.Min(math.Max(z, nearLine+0.4), nearLine+courtDepth-0.4)
			if j > 0 {
				// A stride of two steps covers more ground the faster it is.
				d := math.Hypot(x-p.x[j-1], z-p.z[j-1])
				phase += 2 * math.Pi * d / (1.3 + 0.25*d*tableRate)
			}
			p.x, p.z = append(p.x, x), append(p.z, z)
			p.stride = append(p.stride, phase)
		}
		p.reach = make([]float64, n)
		out = append(out, p)
	}
	return out
}

// play makes the ball's way: held, thrown, sometimes by way of the floor.
func play(rnd *rand.Rand, players []*runner, seconds float64) []leg {
	var legs []leg
	t, carrier := -1.0, 0
	for t < seconds+1.5 {
		hold := 0.35 + 0.45*rnd.Float64()
		legs = append(legs, leg{t0: t, t1: t + hold, carrier: carrier, dribble: hold})
		t += hold
		// The pass goes to a team mate who is far enough to make it worth
		// while and near enough to be seen.
		next, best := carrier, math.Inf(1)
		x0, z0 := handOf(players[carrier], t)
		for i, p := range players {
			if i == carrier || i%2 != carrier%2 {
				continue
			}
			x, z := handOf(p, t)
			if d := math.Abs(math.Hypot(x-x0, z-z0) - (4 + 4*rnd.Float64())); d < best {
				next, best = i, d
			}
		}
		x, z := handOf(players[next], t)
		speed := 7.5 + 4.5*rnd.Float64()
		took := math.Max(math.Hypot(x-x0, z-z0)/speed, 0.4)
		x1, z1 := handOf(players[next], t+took)
		l := leg{t0: t, t1: t + took, x0: x0, y0: handHeight, z0: z0, x1: x1, y1: handHeight + 0.1, z1: z1, carrier: -1}
		if rnd.IntN(3) == 0 && took > 0.5 {
			// By way of the floor.
			u := 0.62
			b := l
			b.t0, b.x0, b.y0, b.z0 = t+took*u, x0+(x1-x0)*u, ballRadius, z0+(z1-z0)*u
			l.t1, l.x1, l.y1, l.z1 = b.t0, b.x0, b.y0, b.z0
			legs = append(legs, l, b)
		} else {
			legs = append(legs, l)
		}
		for _, who := range []int{carrier, next} {
			when := t
			if who == next {
				when = t + took
			}
			p := players[who]
			for j := range p.reach {
				d := math.Abs(float64(j)/tableRate - 1 - when)
				p.reach[j] = math.Max(p.reach[j], math.Min(math.Max(1.5-d/0.25, 0), 1))
			}
		}
		t += took
		carrier = next
	}
	return legs
}

// follow makes the path of a camera that keeps the ball in the picture with
// the calm of a heavy tripod head.
func follow(ball func(t float64) (x, y, z float64), v view, g Game, width float64) func(t float64) (x, y float64) {
	n := int((g.Seconds + 4) * tableRate)
	path := make([]float64, n)
	for i := range path {
		x, y, z := ball(float64(i)/tableRate - 1)
		px, _ := v.project(x, y, z)
		path[i] = math.Min(math.Max(px-width/2, 4), 2*g.PanWidth+4)
	}
	// Four passes of a running mean over 0.6 s: no corner is left.
	const half = tableRate * 3 / 10
	for range 4 {
		smooth := make([]float64, n)
		for i := range smooth {
			sum := 0.0
			for j := -half; j <= half; j++ {
				sum += path[min(max(i+j, 0), n-1)]
			}
			smooth[i] = sum / (2*half + 1)
		}
		path = smooth
	}
	r := runner{x: path}
	return func(t float64) (x, y float64) { return r.at(r.x, t), 0 }
}

func handOf(p *runner, t float64) (x, z float64) { return p.at(p.x, t) + 0.42, p.at(p.z, t) - 0.05 }

func ballPlace(legs []leg, players []*runner, t float64) (x, y, z float64) {
	i, found := slices.BinarySearchFunc(legs, t, func(l leg, t float64) int {
		switch {
		case l.t1 <= t:
			return -1
		case l.t0 > t:
			return 1
		}
		return 0
	})
	if !found {
		i = min(max(i, 0), len(legs)-1)
	}
	l := legs[i]
	if l.carrier >= 0 {
		// Bounced once or more, from the hand to the floor and back.
		x, z = handOf(players[l.carrier], t)
		n := math.Max(math.Round(l.dribble/0.7), 1)
		u := (t - l.t0) / l.dribble * n
		u -= math.Floor(u)
		drop := 1 - (2*u-1)*(2*u-1)
		return x, handHeight - (handHeight-ballRadius)*drop, z
	}
	took := l.t1 - l.t0
	u := math.Min(math.Max((t-l.t0)/took, 0), 1)
	y = l.y0 + (l.y1-l.y0)*u + gravity/2*took*took*u*(1-u)
	return l.x0 + (l.x1-l.x0)*u, y, l.z0 + (l.z1-l.z0)*u
}

func playerActor(p *runner, v view, ball func(t float64) (x, y, z float64)) *actor {
	return &actor{
		bounds: func(t float64) (x0, y0, x1, y1 float64) {
			z := p.at(p.z, t)
			m := v.metre(z)
			x, ground := v.project(p.at(p.x, t), 0, z)
			return x - 0.85*m, ground - 2.15*m, x + 0.85*m, ground + 0.12*m
		},
		reach: 2.2 * v.metre(nearLine+courtDepth/2),
		draw: func(l *layer, t float64) {
			z := p.at(p.z, t)
			x, ground := v.project(p.at(p.x, t), 0, z)
			const dt = 0.04
			vx := (p.at(p.x, t+dt) - p.at(p.x, t-dt)) / (2 * dt)
			vz := (p.at(p.z, t+dt) - p.at(p.z, t-dt)) / (2 * dt)
			bx, by, _ := ball(t)
			q := pose{x: x, ground: ground, metre: v.metre(z), phase: p.at(p.stride, t), reach: p.at(p.reach, t)}
			q.gait = math.Min(math.Hypot(vx, vz)/4, 1)
			// Facing turns through the front, so that nobody flips over.
			want := vx / 0.8
			want += (4*(bx-p.at(p.x, t)) - want) * q.reach
			q.facing = math.Min(math.Max(want, -1), 1)
			if math.Abs(q.facing) < 0.15 {
				q.facing = math.Copysign(0.15, q.facing)
			}
			q.aim = math.Min(math.Max((by-1.4)*1.2, -0.6), 0.9)
			drawPlayer(l, &p.kit, q, p.seed)
		},
	}
}

func ballActor(v view, at func(t float64) (x, y, z float64)) *actor {
	body, band := rgb(0xf3e3a0), rgb(0x7a2e1d)
	return &actor{
		lone: true,
		bounds: func(t float64) (x0, y0, x1, y1 float64) {
			x, y, z := at(t)
			px, py := v.project(x, y, z)
			d := ballRadius*v.metre(z) + 1
			return px - d, py - d, px + d, py + d
		},
		draw: func(l *layer, t float64) {
			x, y, z := at(t)
			px, py := v.project(x, y, z)
			l.disc(px, py, ballRadius*v.metre(z), sphere(body, band, 9*t, 0.5+2*t))
		},
	}
}

// sphere shades a ball with two crossing bands, turned by two angles.
func sphere(body, band ink, a, b float64) shader {
	sa, ca := math.Sincos(a)
	sb, cb := math.Sincos(b)
	return func(u, v float32) ink {
		n2 := u*u + v*v
		w := sqrt32(max(1-n2, 0))
		x := float64(u)*ca - float64(v)*sa
		y := float64(u)*sa + float64(v)*ca
		z := float64(w)
		x, z = x*cb-z*sb, x*sb+z*cb
		k := body
		if math.Abs(x) < 0.16 || math.Abs(y*y-x*x*0.5-0.25) < 0.1 && z > 0 {
			k = band
		}
		return k.lit(0.62 + 0.45*w - 0.12*u - 0.18*v)
	}
}

// contact is the soft shadow under a thing, fainter the higher it is.
func contact(v view, at func(t float64) (x, y, z float64), radius float64) *actor {
	spread := func(t float64) (px, py, rx, ry float64, strength float32) {
		x, y, z := at(t)
		px, py = v.project(x, 0, z)
		m := v.metre(z)
		grow := 1 + 0.35*y
		return px, py, radius * m * grow, radius * m * 0.27 * grow, float32(0.62 / (1 + y))
	}
	return &actor{
		lone: true,
		bounds: func(t float64) (x0, y0, x1, y1 float64) {
			px, py, rx, ry, _ := spread(t)
			return px - rx, py - ry, px + rx, py + ry
		},
		draw: func(l *layer, t float64) {
			px, py, rx, ry, strength := spread(t)
			l.shade(px, py, rx, ry, strength, rgb(0x1b0f08))
		},
	}
}

// crowd paints actors from back to front.
type crowd struct {
	actors []*actor
	depth  []func(t float64) float64
}

func (c *crowd) add(a *actor, depth func(t float64) float64) {
	c.actors = append(c.actors, a)
	c.depth = append(c.depth, depth)
}

func (c *crowd) still(*Scene) bool { return false }

func (c *crowd) paint(s *Scene, f *frame, t0, t1 float64) {
	order := make([]int, len(c.actors))
	z := make([]float64, len(c.actors))
	for i := range order {
		order[i], z[i] = i, c.depth[i]((t0+t1)/2)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case z[a] > z[b]:
			return -1
		case z[a] < z[b]:
			return 1
		}
		return 0
	})
	for _, i := range order {
		c.actors[i].paint(s, f, t0, t1)
	}
}

// hall paints the floor, the boards and the stands.
func hall(r Raster, v view, width int, rnd *rand.Rand) *canvas {
	H := float64(r.H)
	l := newSheetLayer(width, r.H, r.Colour, rgb(0x15171c))
	stands(l, v, float64(width), H, rnd)
	floor(l, v, H, uint64(r.Seed))
	boards(l, v, float64(width), rnd)
	goals(l, v)
	return newCanvas(l, width, r.H)
}

func stands(l *layer, v view, width, H float64, rnd *rand.Rand) {
	cloth := []uint32{0x6b2d2a, 0x2d4a6b, 0x3a3a3f, 0x8a8578, 0x55603a, 0xb0a48c, 0x7a5a2c, 0x20242c, 0x94744c, 0x4c3f5c, 0xc9c4b8, 0x1d6a6c}
	_, bottom := v.project(0, 0, boardsAt)
	// A dim gallery with a row of lamps at the top.
	l.fill(func(x, y float64, i int) ink {
		return rgb(0x1a1c22).lit(float32(0.7 + 0.8*y/math.Max(bottom, 1)))
	})
	z := boardsAt + 16.0
	for row := 0; z > boardsAt+0.8; row++ {
		m := v.metre(z)
		y := (z - boardsAt) * 0.42 // the stands climb
		_, seat := v.project(0, y, z)
		if seat > -m {
			// The step that the row sits on.
			l.box(0, seat-0.05*m, width, seat+0.75*m, func(_, v float32) ink { return rgb(0x3b3733).lit(0.8 - 0.4*v) })
			l.box(0, seat-0.08*m, width, seat-0.02*m, plain(rgb(0x807868)))
			for x := rnd.Float64() * 0.5 * m; x < width; x += (0.52 + 0.1*rnd.Float64()) * m {
				if rnd.IntN(8) == 0 {
					// An empty seat.
					l.box(x-0.2*m, seat-0.42*m, x+0.2*m, seat, plain(rgb(0x27506a).lit(0.6)))
					continue
				}
				k := rgb(cloth[rnd.IntN(len(cloth))]).lit(0.5 + 0.25*rnd.Float32())
				skin := rgb(skins[rnd.IntN(len(skins))]).lit(0.5 + 0.15*rnd.Float32())
				hair := rgb(hairs[rnd.IntN(len(hairs))]).lit(0.6)
				lean := rnd.NormFloat64() * 0.05 * m
				rise := rnd.Float64() * 0.12 * m
				l.limb(x, seat-0.05*m, 0.19*m, x+lean, seat-0.45*m-rise, 0.16*m, round(k, 0.4, rnd.Uint64()))
				if rnd.IntN(5) == 0 {
					side := math.Copysign(1, rnd.Float64()-0.5)
					l.limb(x+lean+side*0.15*m, seat-0.45*m-rise, 0.05*m, x+lean+side*0.25*m, seat-0.9*m-rise, 0.04*m, round(skin, 0, 1))
				}
				hx, hy := x+lean*1.4, seat-0.75*m-rise
				l.disc(hx, hy, 0.115*m, func(u, v float32) ink {
					f := 0.8 + 0.3*sqrt32(max(1-u*u-v*v, 0)) - 0.1*u
					if v < -0.2 {
						return hair.lit(f)
					}
					return skin.lit(f)
				})
			}
		}
		z -= 0.95
	}
	// The stands lie behind the plane of focus.
	f := &field{w: l.w, h: l.h, v: l.y}
	f.blur(max(int(H/720), 1))
}

func floor(l *layer, v view, H float64, seed uint64) {
	wood, apron, ring := rgb(0xb98d5c), rgb(0x22505a), rgb(0xa8743f)
	white := rgb(0xf2f0ea)
	_, top := v.project(0, 0, boardsAt)
	f := newField(l.w, l.h)
	f.addNoise(260, 60, 0.06, seed+21)
	const (
		plank, plankLength = 0.12, 2.2
		line               = 0.06
		far                = nearLine + courtDepth
		mid                = nearLine + courtDepth/2
	)
	// cover is the share of a sample of size px (metres) that a line of that
	// width at distance d from its middle covers.
	cover := func(d, px float64) float32 {
		return float32(math.Min(math.Max((line/2+px/2-math.Abs(d))/px, 0), math.Min(line/px, 1)))
	}
	l.fill(func(x, y float64, i int) ink {
		if y < top {
			return ink{l.y[i], l.u[i], l.v[i]}
		}
		z := v.f * cameraHeight / (y - v.cy)
		X := (x - v.cx) * z / v.f
		px := z / v.f / over
		pz := z * z / (v.f * cameraHeight) / over
		row := int(math.Floor(z / plank))
		shift := float64(unit2(row, 0, seed)) * plankLength
		board := int(math.Floor((X + shift) / plankLength))
		k := wood.lit(0.93 + 0.14*unit2(row, board, seed+1) + f.v[i])
		// The grain of the wood and the seams, as far as they can be seen.
		k.y += 3 * (foldNoise(float32(X*2), float32(z*40), seed+2) - 0.5) * float32(math.Min(0.03/pz, 1))
		seam := math.Abs(z/plank-math.Floor(z/plank)-0.5) * plank
		if seam = plank/2 - seam; seam < pz {
			k = k.lit(1 - 0.10*float32(math.Min(0.006/pz, 1)))
		}
		inside := math.Abs(X) < courtLength/2 && z > nearLine && z < far
		r := math.Hypot(X, z-mid)
		switch {
		case !inside:
			k = apron.lit(0.95 + f.v[i])
		case r < 1.8:
			k = k.mix(ring, 0.8)
		}
		// Lines: edges, middle, ring, an arc before each goal.
		w := float32(0)
		if math.Abs(X) < courtLength/2+line {
			w = max(w, cover(z-nearLine, pz), cover(z-far, pz))
		}
		if z > nearLine && z < far {
			w = max(w, cover(math.Abs(X)-courtLength/2, px), cover(X, px))
			slope := math.Hypot((z-mid)*pz, X*px) / math.Max(r, 1e-3)
			w = max(w, cover(r-1.8, slope))
			g := math.Hypot(math.Abs(X)-courtLength/2, z-mid)
			w = max(w, cover(g-7, math.Hypot((z-mid)*pz, (math.Abs(X)-courtLength/2)*px)/math.Max(g, 1e-3)))
		}
		k = k.mix(white.lit(0.97+f.v[i]), w*0.92)
		// Lamps mirrored in the varnish.
		for n := -2; n <= 2; n++ {
			lx := X - float64(n)*5.2
			if lx*lx > 8 {
				continue // nothing to be seen any more
			}
			g := math.Exp(-lx*lx/1.4) * math.Exp(-(z-30)*(z-30)/22)
			k.y += float32(14 * g)
		}
		k.y = min(k.y, 233)
		return k
	})
}

func boards(l *layer, v view, width float64, rnd *rand.Rand) {
	m := v.metre(boardsAt)
	x, top := 0.0, 0.0
	_, top = v.project(0, boardsHigh, boardsAt)
	_, bottom := v.project(0, 0, boardsAt)
	faces := [][2]uint32{{0x16324f, 0xf4f1de}, {0xf4f1de, 0x9b2226}, {0x9b2226, 0xf4f1de}, {0x0a7e6c, 0xfff3c4}, {0x2b2d42, 0xe9c46a}, {0xe9c46a, 0x2b2d42}}
	for i := 0; x < width; i++ {
		c := faces[(i+rnd.IntN(2))%len(faces)]
		word := words[rnd.IntN(20)]
		size := (bottom - top) * 0.46
		w := textWidth(size, word) + 1.6*m
		l.box(x, top, x+w, bottom, func(_, v float32) ink { return rgb(c[0]).lit(0.95 - 0.2*v) })
		l.text(x+0.55*m, top+(bottom-top)*0.27, size, size*0.15, word, rgb(c[1]).lit(0.95))
		l.disc(x+0.26*m, (top+bottom)/2, 0.15*m, plain(rgb(c[1])))
		l.box(x+w-0.04*m, top, x+w, bottom, plain(rgb(0x101010)))
		x += w
	}
	l.box(0, top-0.05*m, width, top, plain(rgb(0xb8b8b8)))
	l.box(0, bottom, width, bottom+0.06*m, plain(rgb(0x14262b)))
}

// goals are frames with a net at both ends.
func goals(l *layer, v view) {
	for _, side := range []float64{-1, 1} {
		const z0, z1, high, deep = 26.6, 29.4, 2.0, 1.0
		at := func(x, y, z float64) (px, py float64) { return v.project(side*(courtLength/2+x), y, z) }
		bar := func(x0, y0, z0, x1, y1, z1, r float64, k ink) {
			ax, ay := at(x0, y0, z0)
			bx, by := at(x1, y1, z1)
			l.limb(ax, ay, r*v.metre(z0), bx, by, r*v.metre(z1), round(k, 0, 0))
		}
		net := rgb(0xd8dcd8)
		for i := 0; i <= 20; i++ {
			z := z0 + (z1-z0)*float64(i)/20
			bar(0, high, z, deep, high*0.8, z, 0.008, net)
			bar(deep, high*0.8, z, deep, 0, z, 0.008, net)
		}
		for i := 0; i <= 14; i++ {
			y := high * 0.8 * float64(i) / 14
			bar(deep, y, z0, deep, y, z1, 0.008, net)
			if i%2 == 0 {
				bar(0, high*float64(i)/14, z1, deep, y, z1, 0.008, net)
				bar(0, high*float64(i)/14, z0, deep, y, z0, 0.008, net)
			}
		}
		for i := range 8 {
			k := rgb(0xf5f5f0)
			if i%2 == 1 {
				k = rgb(0x0f8b8d)
			}
			y := high * float64(i) / 8
			bar(0, y, z1, 0, y+high/8, z1, 0.045, k)
			bar(0, y, z0, 0, y+high/8, z0, 0.045, k)
			z := z0 + (z1-z0)*float64(i)/8
			bar(0, high, z, 0, high, z+(z1-z0)/8, 0.045, k)
		}
	}
}

// scoreBar is the graphic in the corner: names, points and a clock.
func scoreBar(r Raster) []element {
	unit := float64(r.H) / 720
	x, y := 64*unit, 44*unit
	h := 38 * unit
	size := 17 * unit
	ty := y + (h-size)/2
	fixed := &actor{
		fixed: true, calm: true,
		bounds: func(float64) (x0, y0, x1, y1 float64) { return x - 4, y - 4, x + 430*unit, y + h + 8*unit },
		draw: func(l *layer, _ float64) {
			l.box(x, y, x+300*unit, y+h, func(_, v float32) ink { return rgb(0x12202b).lit(1.2 - 0.5*v) })
			l.box(x, y, x+6*unit, y+h, plain(rgb(0xe09f1f)))
			l.box(x+150*unit, y, x+156*unit, y+h, plain(rgb(0x0f8b8d)))
			l.box(x+300*unit, y, x+420*unit, y+h, func(_, v float32) ink { return rgb(0xe9ecef).lit(1.0 - 0.12*v) })
			l.box(x, y+h, x+420*unit, y+h+3*unit, plain(rgb(0xc44536)))
			white := rgb(0xf2f4f5)
			l.text(x+18*unit, ty, size, 2.6*unit, "AMB", white)
			l.text(x+168*unit, ty, size, 2.6*unit, "TEA", white)
			l.text(x+96*unit, ty, size, 3*unit, "31", rgb(0xffd166))
			l.text(x+246*unit, ty, size, 3*unit, "28", rgb(0xffd166))
		},
	}
	clock := &actor{
		fixed:  true,
		bounds: func(float64) (x0, y0, x1, y1 float64) { return x + 310*unit, y + 2, x + 418*unit, y + h },
		draw: func(l *layer, t float64) {
			left := 437 - int(math.Floor(t))
			text := strconv.Itoa(left/60) + ":" + strconv.Itoa(left%60/10) + strconv.Itoa(left%10)
			l.text(x+322*unit, ty, size, 2.6*unit, text, rgb(0x12202b))
		},
	}
	return []element{fixed, clock}
}
