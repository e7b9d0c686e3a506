package takes

import (
	"math"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// lookAlikes are takes without any fault that look as if they had one.
func lookAlikes(m maker) []Take {
	var out []Take
	add := func(name, like string, s faults.Sequence) {
		t := from("clean-"+name, s)
		t.Negative = like
		out = append(out, t)
	}
	ramp := func(from, to float64) func(t float64) float64 {
		return func(t float64) float64 { return math.Min(math.Max((t-from)/(to-from), 0), 1) }
	}
	pan := func(r scene.Raster, s scene.Surface, x, y float64) *scene.Scene {
		return scene.Pan(r, surface(s), scene.Move{X: x, Y: y})
	}
	ball := func(r scene.Raster, d, v, level float64) *scene.Scene {
		return toss(r, wall(90), scene.Ball{Diameter: d, Speed: v, Level: level}, 40)
	}

	// Pictures laid over each other.
	add("dissolve", "dissolve", play(ball(m.small(201), 60, 12, 200).
		Dissolved(pan(m.small(202), scene.Street, 0, 0), ramp(0.5, 1.1)), 80))
	add("cross-fade", "cross-fade between two moving scenes", play(pan(m.small(203), scene.Foliage, 5, 0).
		Dissolved(pan(m.small(204), scene.Street, -7, 0), ramp(0.4, 1.2)), 85))
	add("fade-in", "fade from black", play(pan(m.small(205), scene.Street, 4, 0).
		Graded(func(t float64) (gain, lift float64) { return ramp(0.2, 1.0)(t), 0 }), 75))
	add("fade-out", "fade to black over a moving ball", play(ball(m.small(206), 60, 10, 200).
		Graded(func(t float64) (gain, lift float64) { return 1 - ramp(0.5, 1.1)(t), 0 }), 75))
	flash := func(at ...float64) func(t float64) (gain, lift float64) {
		return func(t float64) (gain, lift float64) {
			gain = 1
			for _, a := range at {
				// Full for one picture, with a weak rest in the next.
				if d := t - a; d >= 0 && d < 0.02 {
					gain, lift = gain+0.9, 25
				} else if d >= 0.02 && d < 0.04 {
					gain += 0.15
				}
			}
			return gain, lift
		}
	}
	{
		s := scene.BallGame(m.middle(207), scene.Game{Seconds: 3})
		add("flashes", "photographers' flashes", play(s.Graded(flash(0.505, 0.86, 0.94, 1.3)), 85))
	}
	add("flashes-ball", "flashes on a fast ball", play(ball(m.small(208), 50, 30, 180).Graded(flash(0.7, 0.82)), 70))

	// Blur.
	add("blur-ball", "strong motion blur", play(ball(shutter(m.small(211), 1), 40, 36, 210), 75))
	add("blur-pan", "strong motion blur of the whole picture", play(pan(shutter(m.small(212), 1), scene.Street, 16, 0), 70))
	add("blur-small", "a streak longer than the thing", play(ball(shutter(m.middle(213), 1), 14, 45, 220), 70))

	// Fine lines.
	lines := func(period, duty float64) scene.Back {
		return scene.Back{Surface: scene.Level, Tone: 190, Contrast: 120, Period: period, Duty: duty}
	}
	add("lines-static", "fine horizontal lines", play(scene.Pan(m.small(221), lines(2, 0.5), scene.Move{}), 50))
	add("lines-static-ball", "a ball before fine horizontal lines", play(toss(m.small(222), lines(2, 0.5), scene.Ball{Diameter: 60, Speed: 14, Level: 230}, 35), 70))
	add("lines-drift", "fine horizontal lines that drift", play(scene.Pan(m.small(223), lines(2.5, 0.5), scene.Move{Y: 0.25}), 70))
	add("lines-step", "horizontal lines that move by half their period", play(scene.Pan(m.small(224), lines(4, 0.5), scene.Move{Y: 2}), 60))
	add("lines-one", "horizontal lines that move by one line a picture", play(scene.Pan(m.small(225), lines(5, 0.4), scene.Move{Y: 1}), 70))
	add("lines-panned", "fine horizontal lines panned along", play(scene.Pan(m.small(226), lines(2, 0.5), scene.Move{X: 5}), 60))
	add("lines-slanting", "blinds panned slowly and aslant", play(scene.Pan(m.small(227), lines(3, 0.6), scene.Move{X: 2, Y: 0.3}), 70))
	add("facade", "a facade of thin lines, camera creeping", play(pan(m.middle(228), scene.Street, 0.6, 0.35), 75))
	add("cloth", "striped cloth that waves and moves", play(scene.Cloth(m.small(229), surface(scene.Foliage), 7, 5), 75))
	add("cloth-fine", "finely striped cloth", play(scene.Cloth(m.small(230), surface(scene.Plain), 3.2, 3), 75))
	add("nets", "goal net and court lines", play(scene.BallGame(m.middle(231), scene.Game{PanWidth: 420, PanPeriod: 9, Zoom: 0.11, Seconds: 4}), 90))

	// Text.
	add("ticker", "scrolling ticker", play(scene.Ticker(m.small(236), surface(scene.Street), scene.Move{}, scene.Band{Speed: 5, Size: 26}), 75))
	add("ticker-fast-small", "fast small ticker over a pan", play(scene.Ticker(m.middle(237), surface(scene.Foliage), scene.Move{X: 3}, scene.Band{Speed: 12, Size: 16}), 75))
	add("roll", "credits that roll upwards", play(scene.Ticker(m.small(238), surface(scene.Foliage), scene.Move{}, scene.Band{Speed: 2, Size: 24, Roll: true}), 75))
	add("roll-odd", "small credits, an odd number of lines a picture", play(scene.Ticker(m.small(239), surface(scene.Plain), scene.Move{}, scene.Band{Speed: 3, Size: 14, Roll: true}), 75))
	add("graphic", "graphics that pop in and out", play(scene.Pan(m.small(240), surface(scene.Street), scene.Move{X: 4}).Titled(0.61, 1.21), 85))

	// Sampling.
	{
		r := m.small(246)
		r.W, r.H = 1920, 1080
		add("aliasing", "aliasing of a picture scaled without a filter",
			faults.Scale(play(scene.Pan(r, surface(scene.Street), scene.Move{X: 7, Y: 0.6}), 60), 960, 540, faults.Nearest))
	}
	add("line-flicker", "interlace flicker of still lines", faults.Bob(play(scene.Pan(m.small(247), lines(3, 0.4), scene.Move{}), 50)))
	add("line-flicker-game", "line flicker of a whole game", faults.Bob(faults.Soften(play(scene.BallGame(m.middle(248), scene.Game{Seconds: 3}), 75))))

	// Copies that belong there.
	companion := func(n int64, b scene.Ball) *scene.Scene {
		b.Level, b.Y = 200, 0.45
		if b.Diameter == 0 {
			b.Diameter = 50
		}
		return toss(m.small(n), wall(110), b, 40)
	}
	add("shadow", "a shadow at a fixed offset", play(companion(251, scene.Ball{Speed: 14, ShadowX: 40, ShadowY: 30, Shadow: 0.6}), 75))
	add("shadow-at-step", "a shadow exactly one step behind", play(companion(252, scene.Ball{Speed: 30, ShadowX: -30, Shadow: 0.5}), 65))
	add("mirror", "a reflection below", play(companion(253, scene.Ball{Speed: 16, ShadowY: 70, Mirror: 0.35}), 75))
	add("mirror-at-step", "a faint twin exactly one step ahead", play(companion(254, scene.Ball{Diameter: 30, Speed: 34, ShadowX: 34, Mirror: 0.3}), 65))
	{
		r := m.small(255)
		const step = 42.0
		a := crossing(r, scene.Ball{Diameter: 34, Speed: step, Level: 205, Y: 0.5}, 30)
		b := a
		b.X -= step / float64(r.W)
		add("twins", "two identical things, one a step behind the other", play(scene.Toss(r, wall(90), scene.Move{}, a, b), 60))
		r = m.small(256)
		var row []scene.Ball
		for i := range 5 {
			c := crossing(r, scene.Ball{Diameter: 30, Speed: 18, Level: 205, Y: 0.5}, 30)
			c.X -= 36 * float64(i) / float64(r.W)
			row = append(row, c)
		}
		add("row", "a row of things two steps apart", play(scene.Toss(r, wall(90), scene.Move{}, row...), 65))
	}

	// Periodic textures.
	bars := func(s scene.Surface, period, duty float64) scene.Back {
		return scene.Back{Surface: s, Tone: 170, Contrast: 90, Period: period, Duty: duty}
	}
	add("fence-at-step", "a fence whose period is the step", play(scene.Pan(m.small(261), bars(scene.Upright, 12, 0.5), scene.Move{X: 12}), 60))
	add("fence-at-two-steps", "a fence whose period is two steps", play(scene.Pan(m.small(262), bars(scene.Upright, 24, 0.4), scene.Move{X: 12}), 60))
	add("fence-at-half", "a fence whose period is half the step", play(scene.Pan(shutter(m.small(263), 0.15), bars(scene.Upright, 8, 0.5), scene.Move{X: 16}), 60))
	add("fence-near-step", "a fence whose period is nearly the step", play(scene.Pan(m.small(264), bars(scene.Upright, 20, 0.5), scene.Move{X: 19}), 60))
	add("blinds-at-step", "blinds that move by their period", play(scene.Pan(m.small(265), bars(scene.Level, 9, 0.5), scene.Move{Y: 9}), 50))
	add("tiles-at-step", "tiles that move by their size", play(scene.Pan(m.small(266), bars(scene.Tiled, 20, 0.9), scene.Move{X: 20}), 55))
	add("tiles-panned", "tiles panned", play(scene.Pan(m.small(267), bars(scene.Tiled, 34, 0.92), scene.Move{X: 5, Y: 1}), 65))
	add("ball-over-fence", "a ball before a fence whose period is its step", play(toss(m.small(268), bars(scene.Upright, 22, 0.5), scene.Ball{Diameter: 60, Speed: 22, Level: 225}, 35), 65))
	add("windows-at-step", "a row of windows, the step near their distance", play(pan(m.small(269), scene.Street, 26, 0), 45))

	// Noise and drawings.
	add("grain-static", "strong grain, nothing moves", play(pan(grainy(m.small(271), 5), scene.Foliage, 0, 0), 50))
	add("grain-moving", "strong grain on a moving ball", play(toss(grainy(m.small(272), 5), wall(60), scene.Ball{Diameter: 60, Speed: 9, Level: 150}, 40), 75))
	add("dither", "ordered dither in gradients", dithered(play(scene.Pan(grainy(m.small(273), 0), scene.Back{Surface: scene.Gravel, Tone: 70, Contrast: 12}, scene.Move{X: 3}), 65)))
	add("cartoon", "flat-shaded drawing", play(scene.Cartoon(grainy(m.small(274), 0), 0, 1), 75))
	add("cartoon-panned", "flat-shaded drawing, panned", play(scene.Cartoon(grainy(m.small(275), 0.4), 6, 1), 75))
	add("on-twos", "animation drawn on twos over a moving background", play(scene.Cartoon(grainy(m.small(276), 0.4), 4, 2), 90))
	{
		r := m.small(277)
		b := crossing(r, scene.Ball{Diameter: 50, Speed: 8, Level: 215, Hold: 2}, 45)
		add("held-ball", "a drawn ball on twos over a moving background", play(scene.Toss(r, surface(scene.Foliage), scene.Move{X: 5}, b), 90))
	}
	add("letterbox", "letterbox edges over a pan", play(pan(m.small(278), scene.Street, 6, 0).Letterboxed(0.11), 70))
	add("letterbox-vertical", "letterbox edges over a vertical pan", play(scene.Pan(m.small(279), surface(scene.Foliage), scene.Move{Y: -4}).Letterboxed(0.11), 65))

	// Movement of every kind.
	add("shake", "camera shake", play(scene.Pan(m.small(281), surface(scene.Street), scene.Move{Shake: 9}), 90))
	add("zoom", "zoom", play(scene.Zoom(m.small(282), surface(scene.Street), 1.6, 0), 70))
	add("turn", "turning camera", play(scene.Zoom(m.small(283), surface(scene.Foliage), 1.1, 40), 60))
	add("rain", "rain", play(scene.Shower(m.small(284), surface(scene.Street), scene.Rain, 300), 60))
	add("confetti", "confetti", play(scene.Shower(m.small(285), wall(50), scene.Confetti, 260), 70))
	add("snow", "snow over foliage", play(scene.Shower(m.small(286), surface(scene.Foliage), scene.Snow, 400), 70))
	{
		r := m.small(287)
		add("bounce", "a ball that bounces", play(scene.Toss(r, wall(90), scene.Move{}, scene.Ball{Diameter: 40, Speed: 6, Level: 205, X: 0.1, Y: 0.85, Way: scene.Bounces}), 100))
		r = m.small(288)
		add("stops", "a ball that is caught", play(scene.Toss(r, wall(90), scene.Move{}, scene.Ball{Diameter: 40, Speed: 9, Level: 205, X: 0.1, Y: 0.5, Way: scene.Stops}), 100))
	}
	jerks := func(i int) (seconds float64) {
		// Faster and slower, with rests of a quarter of a second in which it is not
		// quite still.
		const period, rest = 24, 0.03
		for k := range i {
			seconds += max(rest, 1.4*math.Sin(2*math.Pi*float64(k)/period)) / 50
		}
		return seconds
	}
	add("jerks", "a hand that jerks the camera and rests", shifted(pan(m.small(280), scene.Street, 9, 2), 100, jerks))
	add("starts", "a camera that starts to pan", play(scene.Pan(m.small(289), surface(scene.Street), scene.Move{X: 8, Start: 0.7}), 85))
	add("wheel", "a wheel", play(scene.Wheel(m.small(290), wall(100), 400, 1.1, 14), 70))
	add("wheel-stroboscopic", "a wheel whose spokes stand still", play(scene.Wheel(m.small(291), wall(100), 400, 50.0/14, 14), 60))
	add("pendulum", "a pendulum", play(scene.Pendulum(m.small(292), wall(100), 1.3, 38, 80), 100))
	add("slow", "low motion", play(scene.Pan(m.small(293), surface(scene.Foliage), scene.Move{X: 0.15}), 75))
	add("still", "nothing moves", play(pan(m.small(294), scene.Street, 0, 0), 50))
	{
		s := scene.BallGame(m.middle(295), scene.Game{Seconds: 3})
		add("slow-motion", "slow motion", shifted(s, 90, func(i int) float64 { return 0.5 + s.Instant(i)/6 }))
	}
	add("cuts", "scene cuts in quick succession", cut(17,
		play(pan(m.small(296), scene.Street, 6, 0), 90), play(pan(m.small(297), scene.Foliage, -5, 0), 90),
		play(ball(m.small(298), 60, 14, 200), 90), play(scene.Cartoon(m.small(299), 3, 1), 90)))
	return out
}

// controls are takes of every kind of scene, correctly processed.
func controls(m maker) []Take {
	var out []Take
	add := func(name, like string, s faults.Sequence) {
		t := from("clean-"+name, s)
		t.Negative = like
		out = append(out, t)
	}
	add("game", "correct ball game", play(scene.BallGame(m.middle(301), scene.Game{PanWidth: 320, Seconds: 5}), 110))
	add("game-bob", "a game, interpolated from fields", faults.Bob(faults.Soften(play(scene.BallGame(m.middle(302), scene.Game{PanWidth: 320, PanPeriod: 7, Seconds: 4}), 90))))
	add("ball-adaptive", "a ball behind an adaptive de-interlacer", faults.Adaptive(faults.Soften(play(toss(m.small(303), wall(90), scene.Ball{Diameter: 60, Speed: 16, Level: 200}, 40), 75)), 8))
	add("pan-bob", "a pan, interpolated from fields", faults.Bob(faults.Soften(play(scene.Pan(m.small(304), surface(scene.Street), scene.Move{X: 7}), 70))))
	add("pulldown-32", "3:2 pulldown of whole pictures", faults.Hold(play(scene.Pan(rate(m.small(305), 24, 1), surface(scene.Street), scene.Move{X: 9}), 40), 60, 1, 3, 2))
	add("pulldown-22", "2:2 pulldown of whole pictures", faults.Hold(play(toss(rate(m.small(306), 25, 1), wall(90), scene.Ball{Diameter: 60, Speed: 18, Level: 200}, 22), 45), 50, 1, 2))
	add("pulldown-2332", "2:3:3:2 pulldown of whole pictures", faults.Hold(play(scene.Pan(rate(m.small(307), 24, 1), surface(scene.Foliage), scene.Move{X: 8}), 40), 60, 1, 2, 3, 3, 2))
	add("ball-1080", "correct, 1080 lines", play(toss(m.full(308), wall(90), scene.Ball{Diameter: 80, Speed: 34, Level: 205, Marked: true, Spin: 2}, 20), 45))
	add("ball-576", "correct, 576 lines", play(toss(m.standard(309), surface(scene.Foliage), scene.Ball{Diameter: 36, Speed: 14, Level: 215}, 35), 70))
	add("scaled-576-to-1080", "correct, scaled up", faults.Scale(play(scene.Pan(m.standard(310), surface(scene.Street), scene.Move{X: 5}), 45), 1920, 1080, faults.Bicubic))
	add("dark-10bit", "correct, dark", play(toss(tenBit(grainy(m.middle(311), 0.5)), scene.Back{Surface: scene.Plain, Tone: 28, Contrast: 1}, scene.Ball{Diameter: 70, Speed: 24, Level: 46}, 35), 70))
	add("diagonal", "slow slanting pan", play(scene.Pan(m.small(312), surface(scene.Street), scene.Move{X: 1.3, Y: 0.9}), 75))
	add("vertical", "vertical pan", play(scene.Pan(m.small(313), surface(scene.Foliage), scene.Move{Y: 6}), 65))
	{
		r := m.middle(314)
		add("three-balls", "three balls", play(scene.Toss(r, surface(scene.Gravel), scene.Move{},
			crossing(r, scene.Ball{Diameter: 30, Speed: 10, Level: 215, Y: 0.25}, 35),
			crossing(r, scene.Ball{Diameter: 60, Speed: 17, Level: 40, Angle: 180, Y: 0.5}, 35),
			crossing(r, scene.Ball{Diameter: 90, Speed: 25, Level: 200, Y: 0.8}, 35)), 70))
	}
	add("film-24", "24 pictures a second, fast pan", play(scene.Pan(rate(m.small(315), 24, 1), surface(scene.Street), scene.Move{X: 14}), 45))
	add("fields-ball", "the fields of an interlaced take", fields(toss(m.middle(316), wall(90), scene.Ball{Diameter: 60, Speed: 16, Level: 200}, 40), 75))
	add("fields-pan", "the fields of an interlaced pan", fields(scene.Pan(m.standard(317), surface(scene.Street), scene.Move{X: 6}), 70))
	add("fields-game", "the fields of a ball game", fields(scene.BallGame(m.middle(318), scene.Game{Seconds: 3}), 60))
	return out
}

// fields plays the fields of a scene, top first, one for each instant.
func fields(s *scene.Scene, n int) faults.Sequence {
	f := s.Format()
	f.H, f.Fields = f.H/2, true
	return faults.Cached(faults.Sequence{Format: f, Len: n, At: func(i int) *picture.Picture {
		p := s.Picture(s.Instant(i), []picture.Parity{picture.Top, picture.Bottom}[i&1])
		p.Index, p.Frame = i, i/2
		return p
	}}, kept)
}

// dithered adds a fixed pattern of two by two samples of up to a code and a
// half, as a display's or an encoder's ordered dither leaves it.
func dithered(s faults.Sequence) faults.Sequence {
	at := s.At
	s.At = func(i int) *picture.Picture {
		p := at(i)
		q := picture.New(p.Y.W, p.Y.H, p.Y.Depth)
		for y := range q.H {
			for x := range q.W {
				d := [2][2]int{{0, 2}, {3, 1}}[y&1][x&1]
				q.Pix[y*q.Stride+x] = uint8(min(p.Y.At(x, y)+d, 255))
			}
		}
		return &picture.Picture{Index: i, Frame: i, Y: q}
	}
	return s
}

// cut plays n pictures of each sequence in turn.
func cut(n int, scenes ...faults.Sequence) faults.Sequence {
	s := scenes[0]
	s.At = func(i int) *picture.Picture { return scenes[i/n%len(scenes)].At(i) }
	return s
}
