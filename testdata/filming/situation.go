package filming

import (
	"hash/fnv"
	"math"
	"math/rand/v2"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
)

// Situation is a set, a camera and a room.
type Situation struct {
	Name   string
	Set    Set
	Camera Camera
	Room   Room
	// Bars is the height of each of two black bars in the picture, as a
	// share of its height.
	Bars float64
}

// Film films a source in the situation for some seconds (0: until it ends).
func (s Situation) Film(source faults.Sequence, seconds float64, seed int64) (*Capture, error) {
	if s.Bars > 0 {
		source = Letterboxed(source, s.Bars)
	}
	return Film(source, s.Set, s.Camera, s.Room, seconds, seed)
}

// The names of the situations that Named knows.
const (
	Stand      = "stand"       // phone on a stand, dark room
	Hand       = "hand"        // in the hand, off the axis
	Portrait   = "portrait"    // phone held upright, which reads across the frame
	CloseUp    = "close-up"    // no border in the frame, the panel's pixels show
	Dim        = "dim"         // a dim set in the dark: much noise, long exposure
	LitWall    = "lit-wall"    // the room's light is on
	Lamp       = "lamp"        // a bright lamp beside the set
	Letterbox  = "letterbox"   // black bars above and below
	Emissive   = "emissive"    // a panel with dark dips at each update
	Backlight  = "backlight"   // a backlight that is switched
	SlowPanel  = "slow-panel"  // a liquid crystal that takes its time
	Moire      = "moire"       // a coarse panel before a sharp lens
	Bumped     = "bumped"      // somebody knocks at the stand
	Slowed     = "slowed"      // stamps stretched to 30 a second
	PartSlowed = "part-slowed" // only the middle stretched
	Uneven     = "uneven"      // 120 a second, uneven times, frames missing
	Ordinary   = "ordinary"    // 60 a second, exposures longer than a refresh
)

// Names lists the situations that Named knows.
func Names() []string {
	return []string{Stand, Hand, Portrait, CloseUp, Dim, LitWall, Lamp, Letterbox,
		Emissive, Backlight, SlowPanel, Moire, Bumped, Slowed, PartSlowed, Uneven, Ordinary}
}

// draw draws values from ranges.
type draw struct{ *rand.Rand }

func (d draw) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

// ratio draws so that equal ratios are equally likely.
func (d draw) ratio(lo, hi float64) float64 { return lo * math.Pow(hi/lo, d.Float64()) }

func (d draw) sign() float64 { return float64(2*d.IntN(2) - 1) }

// fast draws a phone at 240 frames a second that films a set of a refresh rate
// in a dark room from a stand. Unless a source is named the ranges are common
// practice, no source.
func (d draw) fast(refreshHz float64) Situation {
	period := 1 / refreshHz
	peak := d.ratio(100, 450) // sets in picture modes for dark rooms
	s := Situation{
		Set: Set{
			RefreshHz: refreshHz,
			// Panels write their lines for most of a refresh.
			RollS:     period * d.between(0.65, 1),
			PhaseS:    -period * d.Float64(),
			PeakNits:  peak,
			BlackNits: peak / d.ratio(900, 100000), // liquid crystals to self-emitting
			Gamma:     d.between(2.2, 2.45),
			RedGain:   d.between(0.92, 1.08), BlueGain: d.between(0.9, 1.15),
		},
		Camera: Camera{
			W: 1280, H: 720, RateNum: 240, RateDen: 1,
			// The clocks of phones are good; the stamps are rounded to
			// the container's ticks.
			JitterS:  d.ratio(1e-6, 3e-5),
			ClockPPM: d.between(-40, 40),
			// In the dark the shutter stays open for long: 1/240 s to 1/1000 s.
			ExposureS: 1 / d.ratio(243, 1000),
			// A sensor that manages 240 frames a second reads one in less
			// than 1/240 s.
			ReadoutS: d.between(2.2e-3, 4.1e-3),
			Readout:  Direction(d.IntN(2)),
			// The main camera's 24 to 28 mm equivalent is 65 to 74 degrees;
			// fast modes crop.
			FieldOfViewDeg: d.between(52, 74),
			// What is left after the camera's own correction.
			K1: d.between(-0.04, 0.04), K2: d.between(-0.01, 0.01),
			// Fast modes join pixels of the sensor and scale: soft.
			BlurPx:  d.between(0.45, 1),
			Falloff: d.between(0.2, 1),
			Flare:   d.ratio(0.001, 0.01),
			// A pixel of about 1 um holds some 6000 electrons at base gain
			// (from memory); in the dark the gain is 1 to 8 times that.
			FullWellE: d.ratio(800, 6000), ReadNoiseE: d.between(1.5, 4),
			SaturationNits: peak * d.between(0.85, 1.8),
			Shoulder:       d.between(0.6, 0.9),
			RedGain:        d.between(0.93, 1.07), BlueGain: d.between(0.93, 1.07),
			FullRange: d.IntN(4) == 0,
			Pose: Pose{
				Fill:   d.between(0.62, 0.92),
				YawDeg: d.between(-12, 12), PitchDeg: d.between(-6, 6), RollDeg: d.between(-2, 2),
				ShiftX: d.between(-0.03, 0.03), ShiftY: d.between(-0.04, 0.04),
			},
		},
		Room: Room{
			WallNits: d.ratio(0.003, 0.2), WallSlope: d.between(-0.5, 0.5),
			Glow:  d.ratio(0.002, 0.03),
			Bezel: d.between(0.004, 0.02), BezelNits: d.ratio(0.001, 0.05), BezelMirror: d.ratio(0.003, 0.06),
			ScreenNits: d.ratio(0.001, 0.05),
		},
	}
	if d.IntN(2) == 0 {
		s.Room.BoardNits, s.Room.BoardGap = d.ratio(0.01, 0.5), d.between(0.01, 0.06)
	}
	return s
}

// inHand lets the camera move as in a hand: some px at 720 lines. Tremor lies
// at 6 to 12 Hz (physiological; from memory).
func (d draw) inHand(s *Situation) {
	px := float64(min(s.Camera.W, s.Camera.H)) / 720
	s.Camera.Motion = Motion{
		SwayPx: px * d.between(1.5, 5), ShakePx: px * d.between(0.1, 0.5), SwayDeg: d.between(0.05, 0.3),
		ZoomPerS: d.between(-0.006, 0.006),
		DriftXPx: px * d.between(-3, 3), DriftYPx: px * d.between(-2, 2),
	}
	s.Camera.Pose.YawDeg, s.Camera.Pose.PitchDeg = d.between(-15, 15), d.between(-8, 8)
	s.Camera.Pose.RollDeg = d.between(-3, 3)
	s.Camera.Pose.Fill = d.between(0.6, 0.88)
}

// Named draws the situation of a name for a set of a refresh rate; ok is false
// when nobody knows the name.
func Named(name string, refreshHz float64, seed int64) (s Situation, ok bool) {
	h := fnv.New64a()
	h.Write([]byte(name))
	d := draw{rand.New(rand.NewPCG(uint64(seed), h.Sum64()))}
	s = d.fast(refreshHz)
	s.Name = name
	cam := &s.Camera
	switch name {
	case Stand:
	case Hand:
		d.inHand(&s)
	case Portrait:
		cam.W, cam.H = cam.H, cam.W
		cam.Readout = Rightward + Direction(d.IntN(2))
		cam.Rotation = 90 + 180*d.IntN(2)
		cam.Pose.Fill = d.between(0.8, 0.95)
		if d.IntN(2) == 0 {
			fill := cam.Pose.Fill
			d.inHand(&s)
			cam.Pose.Fill = fill
		}
	case CloseUp:
		// 2.2 to 5 camera px for each of a panel's pixels.
		s.Set.PanelW, s.Set.PanelH, s.Set.PixelFill = 1920, 1080, d.between(0.7, 0.9)
		cam.Pose.Fill = d.between(2.2, 5) * 1920 / float64(cam.W)
		cam.Pose.ShiftX, cam.Pose.ShiftY = 0, 0
		cam.Pose.YawDeg, cam.Pose.PitchDeg = d.between(-5, 5), d.between(-4, 4)
	case Dim:
		s.Set.PeakNits = d.between(40, 80)
		s.Set.BlackNits = s.Set.PeakNits / 3000
		cam.SaturationNits = s.Set.PeakNits * d.between(1, 1.6)
		cam.ExposureS = 1.0 / 243
		cam.FullWellE = d.ratio(250, 600)
		s.Room.WallNits, s.Room.Glow = 0.002, 0.003
	case LitWall:
		// 5 to 60 nits is a wall in a living room's evening light.
		s.Room.WallNits = d.ratio(5, 60)
		s.Room.BezelNits, s.Room.ScreenNits = s.Room.WallNits*0.05, s.Room.WallNits*0.02
		s.Room.BoardNits = s.Room.WallNits * d.between(0.4, 1.5)
		s.Room.BoardGap = d.between(0.01, 0.06)
	case Lamp:
		s.Room.LampNits, s.Room.LampSize = d.ratio(300, 5000), d.between(0.05, 0.15)
		s.Room.LampX, s.Room.LampY = d.sign()*d.between(0.6, 0.7), d.between(-0.3, 0.2)
		cam.Pose.Fill = d.between(0.6, 0.72)
	case Letterbox:
		s.Bars = 0.128 // 2.39:1 in 16:9
	case Emissive:
		d.emissive(&s)
	case Backlight:
		d.backlight(&s)
	case Moire:
		// 1.05 to 1.3 camera px for a pixel of the panel: the alias is some
		// 4 to 20 px long.
		cam.W, cam.H = 1920, 1080
		s.Set.PanelW, s.Set.PanelH, s.Set.PixelFill = 1366, 768, d.between(0.65, 0.85)
		cam.Pose.Fill = d.between(0.75, 0.92)
		cam.BlurPx = d.between(0.2, 0.35)
	case SlowPanel:
		d.settle(&s)
	case Bumped:
		cam.Motion = Motion{BumpS: d.between(0.4, 0.7), BumpPx: d.between(10, 30)}
	case Slowed:
		cam.Stamps = Stretched
	case PartSlowed:
		cam.Stamps = MiddleStretched
	case Uneven:
		cam.RateNum, cam.JitterS, cam.DropShare = 120, 4e-4, 0.01
		cam.ReadoutS = d.between(4e-3, 8e-3)
		cam.ExposureS = 1 / d.ratio(123, 500)
	case Ordinary:
		cam.RateNum = 60
		cam.ReadoutS = d.between(8e-3, 16e-3)
		cam.ExposureS = 1.0 / 60
	default:
		return Situation{}, false
	}
	s.fit()
	return s, true
}

// Steady is for how many seconds the screen stays in the frame of a situation
// that was drawn, where the camera drifts or zooms.
const Steady = 6.0

// fit steps back until all of a 16:9 screen is in the frame, wherever the
// motion of the first seconds takes it. A close-up stays.
func (s *Situation) fit() {
	const (
		edge  = 0.012 // of the frame's width
		steps = 200
	)
	cam := &s.Camera
	if cam.Pose.Fill > 1 {
		return
	}
	m := cam.Motion
	room := edge*float64(cam.W) + 3*(m.SwayPx+m.ShakePx) + m.BumpPx
	room += Steady*math.Hypot(m.DriftXPx, m.DriftYPx) + Steady*math.Abs(m.ZoomPerS)*float64(cam.W)/2
	in := func() bool {
		const w, h = 1280, 720
		g := Geometry{Homography: cam.pose(w, h, 1), lens: cam.lens()}
		for _, p := range []Point{{0, 0}, {w, 0}, {w, h}, {0, h}} {
			c := g.ToCamera(p)
			if c.X < room || c.Y < room || c.X > float64(cam.W)-room || c.Y > float64(cam.H)-room {
				return false
			}
		}
		return true
	}
	for range steps {
		if in() {
			return
		}
		cam.Pose.Fill *= 0.99
		cam.Pose.ShiftX *= 0.98
		cam.Pose.ShiftY *= 0.98
	}
}

// emissive makes the panel one that emits light itself and dips at each
// update.
func (d draw) emissive(s *Situation) {
	s.Set.DipDepth, s.Set.DipS = d.between(0.2, 0.9), d.ratio(2e-4, 1.2e-3)
	s.Set.BlackNits = 0.0005
}

// backlight lets the set dim by switching, at a multiple of the refresh or at
// a rate of its own.
func (d draw) backlight(s *Situation) {
	s.Set.BacklightHz = s.Set.RefreshHz * float64(int(2)<<d.IntN(3))
	if d.IntN(2) == 0 {
		s.Set.BacklightHz = d.ratio(200, 1200)
	}
	s.Set.BacklightDepth, s.Set.BacklightDuty = d.between(0.1, 0.7), d.between(0.3, 0.8)
}

// settle gives the panel the time constant of a liquid crystal: from 10 to 90
// per cent takes 2.2 of them, 2 to 9 ms.
func (d draw) settle(s *Situation) { s.Set.SettleS = d.ratio(1e-3, 4e-3) }

// refresh draws a set's refresh rate for pictures of a rate: film goes by 3:2
// or 5:5, everything else is repeated once, twice or four times.
func (d draw) refresh(pictureRate float64) float64 {
	switch {
	case pictureRate < 24.5:
		return pictureRate * []float64{2.5, 5, 5}[d.IntN(3)]
	case pictureRate < 45:
		return pictureRate * []float64{2, 2, 4}[d.IntN(3)]
	case pictureRate < 75:
		return pictureRate * []float64{1, 1, 2}[d.IntN(3)]
	}
	return pictureRate
}

// Random draws a situation for pictures of a rate: any that Named knows but
// the close-up, the knock and the ordinary one, and mixtures of them, at any
// refresh that suits the rate.
func Random(pictureRate float64, seed int64) Situation {
	d := draw{rand.New(rand.NewPCG(uint64(seed), 12))}
	refresh := d.refresh(pictureRate)
	names := []string{Stand, Hand, Portrait, Dim, LitWall, Lamp, Letterbox, Emissive, Backlight, SlowPanel, Moire, Slowed}
	s, _ := Named(names[d.IntN(len(names))], refresh, seed)
	if s.Set.DipDepth+s.Set.BacklightDepth+s.Set.SettleS == 0 {
		switch d.IntN(4) {
		case 0:
			d.emissive(&s)
		case 1:
			d.backlight(&s)
		case 2:
			d.settle(&s)
		}
	}
	if s.Name != Portrait && d.IntN(4) == 0 {
		d.inHand(&s)
		if s.Room.LampNits > 0 {
			s.Camera.Pose.Fill = min(s.Camera.Pose.Fill, 0.72)
		}
	}
	switch d.IntN(6) {
	case 0:
		s.Camera.RateNum, s.Camera.RateDen = 240000, 1001
	case 1:
		s.Camera.RateNum, s.Camera.ReadoutS = 120, 2*s.Camera.ReadoutS
	}
	if d.IntN(3) == 0 {
		s.Camera.AutoExposureS, s.Camera.AutoExposureRange = d.between(0.3, 1.5), d.between(1.1, 1.6)
	}
	if d.IntN(4) == 0 && s.Camera.W < 1920 {
		s.Camera.W, s.Camera.H = s.Camera.W*3/2, s.Camera.H*3/2
		m := &s.Camera.Motion
		for _, px := range []*float64{&m.SwayPx, &m.ShakePx, &m.DriftXPx, &m.DriftYPx} {
			*px *= 1.5
		}
	}
	s.fit()
	return s
}

// Letterboxed paints black bars above and below, each a share of the height.
func Letterboxed(s faults.Sequence, share float64) faults.Sequence {
	black := 16
	if s.Format.Colour.FullRange {
		black = 0
	}
	out := s
	out.At = func(i int) *picture.Picture {
		p := s.At(i)
		return &picture.Picture{
			Index: p.Index, Frame: p.Frame, Time: p.Time,
			Y: barred(&p.Y, share, black), Cb: barred(&p.Cb, share, 128), Cr: barred(&p.Cr, share, 128),
		}
	}
	return faults.Cached(out, 2)
}

// barred returns a copy of a plane with bars of an 8-bit code.
func barred(p *picture.Plane, share float64, code int) picture.Plane {
	if p.Empty() {
		return picture.Plane{}
	}
	bar := int(math.Round(share * float64(p.H)))
	code <<= p.Depth - 8
	q := picture.New(p.W, p.H, p.Depth)
	for y := range p.H {
		dark := y < bar || y >= p.H-bar
		from, to := y*p.Stride, y*q.Stride
		switch {
		case p.Pix != nil && dark:
			fill(q.Pix[to:to+p.W], uint8(code))
		case p.Pix != nil:
			copy(q.Pix[to:to+p.W], p.Pix[from:])
		case dark:
			fill(q.Pix16[to:to+p.W], uint16(code))
		default:
			copy(q.Pix16[to:to+p.W], p.Pix16[from:])
		}
	}
	return q
}

func fill[T uint8 | uint16](row []T, v T) {
	for i := range row {
		row[i] = v
	}
}
