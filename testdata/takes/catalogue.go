package takes

import (
	"math"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// All returns the catalogue: first the takes with faults, then those without.
// One seed always gives the same takes; another one gives takes of the same
// kinds with other textures, grain and places. Nothing is rendered before a
// take is played.
func All(seed int64) []Take {
	var out []Take
	for _, part := range []func(m maker) []Take{combs, ghosts, stumbles, lasting, afterCuts, lookAlikes, controls} {
		out = append(out, part(maker{seed: seed})...)
	}
	return out
}

// Named returns the take of that name.
func Named(seed int64, name string) (Take, bool) {
	for _, t := range All(seed) {
		if t.Name == name {
			return t, true
		}
	}
	return Take{}, false
}

// maker makes rasters and scenes for the catalogue.
type maker struct{ seed int64 }

// small and its like are the rasters that most takes use: 540 lines keep the
// catalogue quick to run.
func (m maker) small(n int64) scene.Raster {
	return scene.Raster{W: 960, H: 540, RateNum: 50, RateDen: 1, Shutter: 0.5, Grain: 0.8, Seed: m.seed*1000 + n}
}

func (m maker) middle(n int64) scene.Raster {
	r := m.small(n)
	r.W, r.H = 1280, 720
	return r
}

func (m maker) full(n int64) scene.Raster {
	r := m.small(n)
	r.W, r.H = 1920, 1080
	return r
}

func (m maker) standard(n int64) scene.Raster {
	r := m.small(n)
	r.W, r.H = 720, 576
	return r
}

func rate(r scene.Raster, num, den int) scene.Raster {
	r.RateNum, r.RateDen = num, den
	return r
}

func tenBit(r scene.Raster) scene.Raster {
	r.Depth = 10
	return r
}

func grainy(r scene.Raster, sigma float64) scene.Raster {
	r.Grain = sigma
	return r
}

func shutter(r scene.Raster, share float64) scene.Raster {
	r.Shutter = share
	return r
}

// kept is how many pictures a take keeps: faults ask for the neighbours of
// each.
const kept = 5

// play makes a sequence of n pictures of a scene.
func play(s *scene.Scene, n int) faults.Sequence {
	return faults.Cached(faults.Sequence{Format: s.Format(), Len: n, At: s.At}, kept)
}

// where is a whole-picture burst.
func where(first, last int, step float64) faults.Where {
	return faults.Where{First: first, Last: last, Step: step}
}

// around is a burst that only a thing of the scene and its surroundings show,
// as where a motion-adaptive processor decides wrongly.
func around(s *scene.Scene, name string, first, last int, contrast float64) faults.Where {
	place := func(i int) (x, y, w, h float64) {
		th, _ := s.Thing(name, s.Instant(i))
		return th.X, th.Y, th.W, th.H
	}
	mid := (first + last) / 2
	ax, ay, _, _ := place(mid)
	bx, by, _, _ := place(mid + 1)
	const margin = 6 // samples: the decision spreads a little beyond the thing
	return faults.Where{
		First: first, Last: last,
		Region:   faults.Around(thing(place), 1, margin),
		Step:     math.Hypot(bx-ax, by-ay),
		Contrast: contrast * float64(int(1)<<(s.Format().Depth-8)),
	}
}

// crossing is a ball that flies straight through the picture and is in its
// middle at picture mid.
func crossing(r scene.Raster, b scene.Ball, mid int) scene.Ball {
	sin, cos := math.Sincos(b.Angle * math.Pi / 180)
	if b.Y == 0 {
		b.Y = 0.5
	}
	b.X = 0.5 - b.Speed*cos*float64(mid)/float64(r.W)
	b.Y -= b.Speed * sin * float64(mid) / float64(r.H)
	return b
}

// gameWithFlight makes a ball game, with a camera on a tripod, and returns the
// picture in the middle of a flight of its ball that can be seen well. It tries
// games of other seeds until one has such a flight early on.
func gameWithFlight(r scene.Raster) (s *scene.Scene, mid int) {
	const (
		tries = 100
		fast  = 8 // samples a picture
	)
	for range tries {
		s = scene.BallGame(r, scene.Game{Seconds: 4})
		if clear := s.ClearFlights(0.7, 2.6, fast); len(clear) > 0 {
			return s, clear[0]
		}
		r.Seed += 1 << 20
	}
	return s, 60
}

// wall is a plain wall of a level.
func wall(tone float64) scene.Back { return scene.Back{Surface: scene.Plain, Tone: tone} }

func surface(s scene.Surface) scene.Back { return scene.Back{Surface: s} }

// toss makes one ball that crosses before a still surface.
func toss(r scene.Raster, back scene.Back, b scene.Ball, mid int) *scene.Scene {
	return scene.Toss(r, back, scene.Move{}, crossing(r, b, mid))
}

const ballName = "ball 1"

// combs are takes with woven fields.
func combs(m maker) []Take {
	var out []Take
	add := func(name string, s faults.Sequence) { out = append(out, from("comb-"+name, s)) }

	ball := func(name string, r scene.Raster, back scene.Back, tone float64, b scene.Ball, n, from int) {
		s := toss(r, back, b, 45)
		first := 45 - n/2
		add(name, faults.Weave(play(s, 75), around(s, ballName, first, first+n-1, b.Level-tone), from))
	}
	ball("ball-24px", m.small(1), wall(90), 90, scene.Ball{Diameter: 24, Speed: 9, Level: 200}, 3, 1)
	ball("ball-120px", m.middle(2), wall(70), 70, scene.Ball{Diameter: 120, Speed: 24, Level: 190, Angle: 12, Marked: true, Spin: 1}, 5, 1)
	ball("ball-fast", shutter(m.middle(3), 0.25), wall(80), 80, scene.Ball{Diameter: 44, Speed: 80, Level: 210}, 2, 1)
	ball("ball-slow", m.small(4), wall(100), 100, scene.Ball{Diameter: 60, Speed: 3, Level: 200}, 5, -1)
	ball("ball-dark", tenBit(grainy(m.middle(5), 0.5)), scene.Back{Surface: scene.Plain, Tone: 28, Contrast: 1}, 28, scene.Ball{Diameter: 70, Speed: 14, Level: 44}, 4, 1)
	ball("ball-black-on-white", m.small(6), wall(190), 190, scene.Ball{Diameter: 40, Speed: 16, Level: 30, Angle: 30, Y: 0.6}, 3, -1)
	ball("ball-grain", grainy(m.small(7), 3), wall(90), 90, scene.Ball{Diameter: 48, Speed: 12, Level: 170}, 4, 1)
	ball("ball-foliage", m.middle(8), surface(scene.Foliage), 80, scene.Ball{Diameter: 56, Speed: 18, Level: 215}, 4, 1)
	ball("ball-576", m.standard(9), wall(90), 90, scene.Ball{Diameter: 36, Speed: 14, Level: 200}, 3, 1)
	ball("ball-60", rate(m.middle(10), 60000, 1001), surface(scene.Street), 100, scene.Ball{Diameter: 36, Speed: 22, Level: 30, Y: 0.3}, 3, -1)

	{
		r := m.middle(11)
		s := scene.Toss(r, surface(scene.Foliage), scene.Move{X: 6}, crossing(r, scene.Ball{Diameter: 50, Speed: 20, Level: 215}, 45))
		add("ball-panning", faults.Weave(play(s, 75), around(s, ballName, 43, 46, 130), 1))
	}
	{
		r := m.full(12)
		s := toss(r, wall(90), scene.Ball{Diameter: 80, Speed: 30, Level: 205, Marked: true, Spin: 2}, 25)
		add("ball-1080", faults.Weave(play(s, 45), around(s, ballName, 24, 27, 115), 1))
	}
	add("pan-street", faults.Weave(play(scene.Pan(m.small(13), surface(scene.Street), scene.Move{X: 8}), 70), where(40, 43, 8), 1))
	add("pan-foliage-long", faults.Weave(play(scene.Pan(m.small(14), surface(scene.Foliage), scene.Move{X: -4}), 75), where(30, 65, 4), -1))
	add("pan-gravel-10bit", faults.Weave(play(scene.Pan(tenBit(m.small(15)), scene.Back{Surface: scene.Gravel, Tone: 60, Contrast: 30}, scene.Move{X: 12}), 70), where(35, 39, 12), 1))
	add("diagonal", faults.Weave(play(scene.Pan(m.small(16), surface(scene.Street), scene.Move{X: 3.2, Y: 1.1}), 70), where(40, 44, 3.4), 1))
	{
		s := scene.BallGame(m.middle(17), scene.Game{PanWidth: 300, PanPeriod: 6, Seconds: 4})
		add("game-whole", faults.Weave(play(s, 90), where(50, 54, 0), 1))
	}
	{
		s, mid := gameWithFlight(m.middle(18))
		add("game-ball", faults.Weave(play(s, mid+35), around(s, "ball", mid-2, mid+2, 70), 1))
	}
	add("wheel", faults.Weave(play(scene.Wheel(m.small(19), surface(scene.Plain), 380, 0.9, 12), 70), where(35, 38, 0), 1))
	{
		s := scene.Pendulum(m.small(20), wall(100), 1.4, 35, 90)
		add("pendulum", faults.Weave(play(s, 80), around(s, "bob", 33, 37, 55), 1))
	}
	{
		r := m.small(21)
		s := scene.Ticker(r, surface(scene.Street), scene.Move{}, scene.Band{Speed: 5, Size: 26})
		add("ticker", faults.Weave(play(s, 75), where(30, 60, 5), 1))
	}
	film := func(name string, n int64, num int, pattern ...int) {
		r := rate(shutter(m.small(n), 0.5), 24, 1)
		s := scene.Pan(r, surface(scene.Street), scene.Move{X: 7})
		q := faults.Telecine(play(s, 50), num, 1, pattern...)
		q.Truth[0].Measures[faults.Displacement] = 7
		q.Truth[0].Measures[faults.Period] = float64(num) / 6
		add(name, q)
	}
	film("telecine-23", 22, 30, 2, 3)
	film("telecine-2332", 23, 30, 2, 3, 3, 2)
	film("telecine-euro", 24, 25, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 3)

	scaled := func(name string, r scene.Raster, w, h int, f faults.Filter, n int) {
		s := toss(r, surface(scene.Foliage), scene.Ball{Diameter: float64(r.H) / 9, Speed: 14, Level: 215}, 25)
		q := faults.Weave(play(s, 45), around(s, ballName, 25-n/2, 24-n/2+n, 130), 1)
		add(name, faults.Scale(q, w, h, f))
	}
	scaled("scaled-576-to-1080", m.standard(25), 1920, 1080, faults.Bicubic, 5)
	scaled("scaled-480-to-720", scene.Raster{W: 720, H: 480, RateNum: 60000, RateDen: 1001, Shutter: 0.5, Grain: 0.8, Seed: m.seed*1000 + 26}, 1280, 720, faults.Bilinear, 4)
	scaled("scaled-540-to-1080", m.small(27), 1920, 1080, faults.Bilinear, 4)
	{
		s := scene.Pan(m.standard(28), surface(scene.Street), scene.Move{X: 6})
		add("scaled-pan", faults.Scale(faults.Weave(play(s, 45), where(25, 29, 6), 1), 1280, 720, faults.Bicubic))
	}
	{
		r := m.small(29)
		s := toss(r, wall(90), scene.Ball{Diameter: 50, Speed: 6, Level: 200}, 55)
		q := play(s, 110)
		q = faults.Weave(q, around(s, ballName, 25, 28, 110), 1)
		q = faults.Weave(q, around(s, ballName, 88, 91, 110), 1)
		add("twice", q)
	}
	{
		r := m.middle(30)
		s := scene.Toss(r, surface(scene.Gravel), scene.Move{},
			crossing(r, scene.Ball{Diameter: 30, Speed: 10, Level: 215, Y: 0.25}, 45),
			crossing(r, scene.Ball{Diameter: 60, Speed: 17, Level: 40, Angle: 180, Y: 0.5}, 45),
			crossing(r, scene.Ball{Diameter: 90, Speed: 25, Level: 200, Y: 0.8}, 45))
		add("three-balls", faults.Weave(play(s, 75), where(43, 46, 17), 1))
	}
	{
		r := m.small(31)
		s := scene.Toss(r, wall(90), scene.Move{}, scene.Ball{Diameter: 44, Speed: 16, Level: 200, Angle: -60, X: 0.2, Y: 0.9, Way: scene.Thrown})
		add("thrown", faults.Weave(play(s, 75), around(s, ballName, 38, 42, 110), 1))
	}
	return out
}

// ghosts are takes with copies of what moves.
func ghosts(m maker) []Take {
	var out []Take
	add := func(name string, s faults.Sequence) { out = append(out, from("ghost-"+name, s)) }
	ball := func(name string, r scene.Raster, back scene.Back, b scene.Ball, n int, taps []faults.Tap) {
		s := toss(r, back, b, 45)
		first := 45 - n/2
		add(name, faults.Blend(play(s, 75), around(s, ballName, first, first+n-1, 0), taps))
	}
	ball("three-25-50-25", m.small(41), wall(90), scene.Ball{Diameter: 40, Speed: 16, Level: 205}, 3, faults.Three(.25, .5, .25))
	ball("three-33", m.middle(42), wall(80), scene.Ball{Diameter: 60, Speed: 40, Level: 205}, 4, faults.Three(.33, .34, .33))
	ball("three-15-70-15", m.small(43), wall(70), scene.Ball{Diameter: 120, Speed: 28, Level: 200, Marked: true, Spin: 1}, 5, faults.Three(.15, .7, .15))
	ball("two-50-50", m.small(44), wall(100), scene.Ball{Diameter: 24, Speed: 20, Level: 210}, 3, faults.Two(.5, 1, .5))
	ball("two-70-30-ahead", m.small(45), wall(90), scene.Ball{Diameter: 50, Speed: 18, Level: 200}, 4, faults.Two(.7, 1, .3))
	ball("two-30-70-behind", m.small(46), wall(90), scene.Ball{Diameter: 36, Speed: 25, Level: 200, Angle: 20}, 3, faults.Two(.3, -1, .7))
	ball("dark", tenBit(grainy(m.middle(47), 0.5)), scene.Back{Surface: scene.Plain, Tone: 28, Contrast: 1}, scene.Ball{Diameter: 70, Speed: 30, Level: 46}, 5, faults.Three(.25, .5, .25))
	ball("black-on-white", m.small(48), wall(190), scene.Ball{Diameter: 40, Speed: 22, Level: 30}, 4, faults.Three(.25, .5, .25))
	ball("grain", grainy(m.small(49), 3), wall(90), scene.Ball{Diameter: 60, Speed: 20, Level: 190}, 5, faults.Three(.25, .5, .25))
	ball("foliage", m.middle(50), surface(scene.Foliage), scene.Ball{Diameter: 70, Speed: 35, Level: 220}, 5, faults.Three(.33, .34, .33))
	ball("burst-of-two", shutter(m.middle(51), 0.25), wall(80), scene.Ball{Diameter: 44, Speed: 60, Level: 210}, 2, faults.Three(.25, .5, .25))
	ball("slow", m.small(52), wall(90), scene.Ball{Diameter: 20, Speed: 7, Level: 210}, 5, faults.Three(.33, .34, .33))
	ball("60", rate(m.middle(53), 60000, 1001), surface(scene.Street), scene.Ball{Diameter: 50, Speed: 26, Level: 230, Y: 0.3}, 4, faults.Two(.5, -1, .5))
	{
		s := toss(m.small(54), wall(90), scene.Ball{Diameter: 40, Speed: 14, Level: 200}, 45)
		add("woven-ball", faults.WeaveBlend(play(s, 75), around(s, ballName, 43, 46, 110), 1))
	}
	add("woven-pan", faults.WeaveBlend(play(scene.Pan(m.small(55), surface(scene.Foliage), scene.Move{X: 9}), 70), where(38, 42, 9), -1))
	add("pan-three", faults.Blend(play(scene.Pan(m.small(56), surface(scene.Street), scene.Move{X: 12}), 70), where(40, 44, 12), faults.Three(.33, .34, .33)))
	{
		r := m.middle(57)
		s := scene.Toss(r, surface(scene.Foliage), scene.Move{X: 5}, crossing(r, scene.Ball{Diameter: 60, Speed: 28, Level: 220}, 45))
		add("ball-panning", faults.Blend(play(s, 75), around(s, ballName, 43, 47, 0), faults.Three(.25, .5, .25)))
	}
	{
		s, mid := gameWithFlight(m.middle(58))
		add("game-ball", faults.Blend(play(s, mid+35), around(s, "ball", mid-2, mid+2, 0), faults.Three(.25, .5, .25)))
	}
	{
		s := scene.BallGame(m.middle(59), scene.Game{PanWidth: 300, PanPeriod: 5, Seconds: 4})
		add("game-whole", faults.Blend(play(s, 90), where(48, 52, 0), faults.Three(.25, .5, .25)))
	}
	{
		s := toss(m.full(60), wall(90), scene.Ball{Diameter: 90, Speed: 45, Level: 205}, 25)
		add("1080", faults.Blend(play(s, 45), around(s, ballName, 23, 27, 0), faults.Three(.25, .5, .25)))
	}
	{
		s := scene.Pendulum(m.small(61), wall(100), 1.2, 40, 70)
		add("pendulum", faults.Blend(play(s, 85), around(s, "bob", 28, 32, 0), faults.Three(.25, .5, .25)))
	}
	{
		// Woven at 1080 lines and scaled down: the comb's lines melt.
		s := toss(m.full(62), wall(90), scene.Ball{Diameter: 110, Speed: 36, Level: 205}, 25)
		add("scaled-1080-to-720", faults.Scale(faults.Weave(play(s, 45), around(s, ballName, 23, 27, 0), 1), 1280, 720, faults.Smooth))
	}
	convert := func(name string, s *scene.Scene, n, num int, step float64) {
		q := faults.ConvertRate(play(s, n), num, 1)
		q.Truth[0].Measures[faults.Displacement] = step
		add("convert-"+name, q)
	}
	convert("60-to-50", scene.Pan(rate(m.small(63), 60, 1), surface(scene.Street), scene.Move{X: 9}), 85, 50, 9)
	convert("50-to-60", toss(m.small(64), wall(90), scene.Ball{Diameter: 50, Speed: 18, Level: 200}, 30), 70, 60, 18)
	convert("24-to-60", scene.Pan(rate(m.small(65), 24, 1), surface(scene.Foliage), scene.Move{X: 12}), 32, 60, 12)
	convert("24-to-30", scene.BallGame(rate(m.middle(66), 24, 1), scene.Game{PanWidth: 250, PanPeriod: 6, Seconds: 4}), 50, 30, 0)
	{
		s := toss(m.small(67), wall(90), scene.Ball{Diameter: 36, Speed: 9, Level: 200}, 55)
		q := play(s, 110)
		q = faults.Blend(q, around(s, ballName, 24, 27, 0), faults.Three(.25, .5, .25))
		q = faults.Blend(q, around(s, ballName, 86, 89, 0), faults.Three(.25, .5, .25))
		add("twice", q)
	}
	return out
}

// stumbles are takes whose pictures follow each other wrongly.
func stumbles(m maker) []Take {
	var out []Take
	add := func(name string, s faults.Sequence) { out = append(out, from("cadence-"+name, s)) }
	pan := func(n int64, v float64) faults.Sequence {
		return play(scene.Pan(m.small(n), surface(scene.Street), scene.Move{X: v}), 80)
	}
	add("repeat-ball", faults.Repeat(play(toss(m.small(81), wall(90), scene.Ball{Diameter: 40, Speed: 12, Level: 200}, 40), 80), 40, 1))
	add("repeat-10bit", faults.Repeat(play(scene.Pan(tenBit(m.small(82)), surface(scene.Gravel), scene.Move{X: 5}), 80), 45, 1))
	add("drop-pan", faults.Drop(pan(83, 7), 42, 1))
	add("drop-two", faults.Drop(pan(84, 5), 42, 2))
	add("repeat-and-drop", faults.RepeatDrop(pan(85, 8), 40))
	{
		s := scene.BallGame(m.middle(86), scene.Game{PanWidth: 300, PanPeriod: 6, Seconds: 4})
		add("repeat-then-drop-game", faults.RepeatThenDrop(play(s, 95), 45, 52))
	}
	add("halved-ball", faults.Halve(play(toss(m.small(87), wall(90), scene.Ball{Diameter: 50, Speed: 10, Level: 200}, 45), 90), 30, 59))
	add("halved-pan", faults.Halve(play(scene.Pan(m.small(88), surface(scene.Foliage), scene.Move{X: -6}), 90), 34, 57))
	{
		s := scene.BallGame(m.middle(89), scene.Game{PanWidth: 320, PanPeriod: 7, Seconds: 4})
		add("halved-game", faults.Halve(play(s, 100), 40, 67))
	}
	{
		r := rate(m.small(90), 24, 1)
		q := faults.Hold(play(scene.Pan(r, surface(scene.Street), scene.Move{X: 9}), 44), 60, 1, 3, 2)
		add("film-32-dropped", faults.Drop(q, 62, 1))
	}
	{
		r := rate(m.small(91), 25, 1)
		q := faults.Hold(play(scene.Pan(r, surface(scene.Foliage), scene.Move{X: 8}), 50), 50, 1, 2)
		add("film-22-repeated", faults.Repeat(q, 52, 1))
	}
	add("repeat-24", faults.Repeat(play(scene.Pan(rate(m.small(92), 24, 1), surface(scene.Street), scene.Move{X: 10}), 50), 25, 1))
	add("repeat-grain", faults.Repeat(play(scene.Pan(grainy(m.small(93), 3), surface(scene.Street), scene.Move{X: 6}), 80), 40, 1))
	return out
}

// shifted plays a scene by a clock of its own.
func shifted(s *scene.Scene, n int, clock func(i int) float64) faults.Sequence {
	return faults.Cached(faults.Sequence{Format: s.Format(), Len: n, At: func(i int) *picture.Picture {
		p := s.Picture(clock(i), picture.Frame)
		p.Index, p.Frame = i, i
		return p
	}}, kept)
}
