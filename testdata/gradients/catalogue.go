package gradients

import (
	"fmt"
	"math"
	"math/rand/v2"

	"setwitness/detect"
	"setwitness/testdata/takes"
)

// All returns the catalogue of a seed: first the takes with faults, then those
// without. Another seed gives other shapes, levels, steps, sizes and times.
func All(seed int64) []takes.Take {
	var out []takes.Take
	for _, r := range append(faulty(seed), clean(seed)...) {
		out = append(out, r.take())
	}
	return out
}

// Named returns the take of that name.
func Named(seed int64, name string) (takes.Take, bool) {
	for _, r := range append(append(faulty(seed), clean(seed)...), honest(seed)) {
		if r.name == name {
			return r.take(), true
		}
	}
	return takes.Take{}, false
}

// honest is a dark gradient of 8 bits that has all of its levels and no dither:
// its contours show, and nothing was lost.
func honest(seed int64) recipe {
	r := newMaker(seed, 4).plain("honest-dark", waves, 18, 40)
	r.like = "all levels of 8 bits, dark"
	return r
}

// maker draws recipes.
type maker struct {
	draw
	seed int64
	n    uint64
}

func newMaker(seed int64, part uint64) *maker {
	return &maker{draw: draw{rand.New(rand.NewPCG(uint64(seed), part))}, seed: seed, n: 1000 * part}
}

func (m *maker) pick(s ...string) string { return s[m.IntN(len(s))] }

// plain is a take of a gradient between two levels.
func (m *maker) plain(name, shape string, from, to float64) recipe {
	m.n++
	r := recipe{name: name, shape: shape, from: from, to: to, w: 960, h: 540, depth: 8, rate: 25, frames: 40, seed: uint64(m.seed)<<16 + m.n}
	switch m.IntN(8) {
	case 0:
		r.w, r.h = 1280, 720
	case 1:
		r.w, r.h = 720, 576
	case 2:
		r.w, r.h, r.frames = 1920, 1080, 30
	}
	if m.IntN(3) == 0 {
		r.rate, r.frames = 50, 2*r.frames
	}
	return r
}

// broken gives a take a fault from one picture to another.
func (m *maker) broken(r recipe, kind detect.Kind, luma, chroma quantiser) recipe {
	r.kind, r.luma, r.chroma = kind, luma, chroma
	r.first = int(m.between(0.15, 0.4) * float64(r.frames))
	r.last = r.first + int(m.between(0.4, 0.55)*float64(r.frames))
	if m.IntN(4) == 0 {
		r.first, r.last = 0, r.frames-1
	}
	return r
}

// slope is the range of levels that gives at least n steps.
func (m *maker) slope(low, high, step, n float64) (from, to float64) {
	span := math.Min(step*m.between(n, 2*n), high-low)
	from = low + m.between(0, high-low-span)
	to = from + span
	if m.IntN(2) == 0 {
		from, to = to, from
	}
	return from, to
}

var shapes = []string{ramp, sky, glow, vignette, waves}

// Codes of 8 bits between which a signal is near black: up to 5 % of peak
// luminance, by BT.1886 (0.05^(1/2.4) of the range above 16).
const nearBlackFrom, nearBlackTo = 16, 16 + 219*0.287

func faulty(seed int64) []recipe {
	m := newMaker(seed, 1)
	offset := func(step float64) float64 { return math.Round(m.between(0, step)) }
	var out []recipe
	// Near black.
	for i, shape := range append(shapes, shapes...) {
		step := math.Round(m.between(1.6, 6.4))
		from, to := m.slope(nearBlackFrom+1, nearBlackTo-4, step, 4)
		r := m.broken(m.plain(fmt.Sprintf("dark-%s-%d", shape, i/len(shapes)), shape, from, to), detect.NearBlackBanding, quantiser{step: step, offset: offset(step)}, quantiser{})
		r.dither = m.pick(random, ordered, diffuse)
		out = append(out, r)
	}
	{ // few levels of light, as where a set works in linear light
		r := m.broken(m.plain("dark-light-levels", glow, 18, 68), detect.NearBlackBanding, quantiser{light: math.Round(m.between(500, 1200))}, quantiser{})
		r.dither = random
		out = append(out, r)
		r = m.broken(m.plain("dark-pan", waves, 20, 60), detect.NearBlackBanding, quantiser{step: 3}, quantiser{})
		r.panX, r.dither = m.between(1, 4), ordered
		out = append(out, r)
		r = m.broken(m.plain("dark-fade", glow, 17, 90), detect.NearBlackBanding, quantiser{step: 3}, quantiser{})
		r.fade, r.dither, r.first, r.last = [2]float64{0.3, 0.8}, random, 0, r.frames-1
		out = append(out, r)
		r = m.broken(m.plain("dark-city", sky, 18, 50), detect.NearBlackBanding, quantiser{step: 2}, quantiser{})
		r.over, r.dither = city, random
		out = append(out, r)
		r = m.broken(m.plain("dark-ball", waves, 18, 58), detect.NearBlackBanding, quantiser{step: 4}, quantiser{})
		r.over, r.moves, r.dither = ball, true, diffuse
		out = append(out, r)
		r = m.broken(m.plain("dark-10bit", vignette, 18, 56), detect.NearBlackBanding, quantiser{step: 2}, quantiser{})
		r.depth = 10
		out = append(out, r)
		r = m.broken(m.plain("dark-10bit-fine", ramp, 17, 40), detect.NearBlackBanding, quantiser{step: 1}, quantiser{})
		r.depth = 10
		// All along it would be a take of 8 bits.
		r.first = max(r.first, r.frames/4)
		out = append(out, r)
		r = m.broken(m.plain("dark-faint-grain", sky, 18, 60), detect.NearBlackBanding, quantiser{step: 4}, quantiser{})
		r.grain, r.dither = 0.3, random
		out = append(out, r)
	}
	// Above.
	for i, shape := range append(shapes, shapes...) {
		step := math.Round(m.between(1.6, 10))
		from, to := m.slope(nearBlackTo+8, 232, step, 5)
		r := m.broken(m.plain(fmt.Sprintf("bright-%s-%d", shape, i/len(shapes)), shape, from, to), detect.Posterisation, quantiser{step: step, offset: offset(step)}, quantiser{})
		r.dither = m.pick(none, random, ordered, diffuse)
		out = append(out, r)
	}
	{
		r := m.broken(m.plain("bright-pan", sky, 100, 180), detect.Posterisation, quantiser{step: 5}, quantiser{})
		r.panX = -m.between(1, 4)
		out = append(out, r)
		r = m.broken(m.plain("bright-city", sky, 110, 170), detect.Posterisation, quantiser{step: 4}, quantiser{})
		r.over = city
		out = append(out, r)
		r = m.broken(m.plain("bright-ball", waves, 90, 160), detect.Posterisation, quantiser{step: 6}, quantiser{})
		r.over, r.moves = ball, true
		out = append(out, r)
		r = m.broken(m.plain("bright-10bit", sky, 110, 160), detect.Posterisation, quantiser{step: 2}, quantiser{})
		r.depth = 10
		out = append(out, r)
		r = m.broken(m.plain("bright-coarse", glow, 85, 225), detect.Posterisation, quantiser{step: 16}, quantiser{})
		out = append(out, r)
		r = m.broken(m.plain("bright-fade", glow, 60, 230), detect.Posterisation, quantiser{step: 6}, quantiser{})
		r.fade, r.first, r.last = [2]float64{1, 0.7}, 0, r.frames-1
		r.or = []detect.Kind{detect.NearBlackBanding}
		out = append(out, r)
	}
	// Colour: luma stays smooth.
	for i, shape := range []string{sky, glow, waves, ramp} {
		step := math.Round(m.between(4, 9))
		r := m.plain(fmt.Sprintf("colour-%s", shape), shape, 120, 128)
		span := step * m.between(5, 8)
		r.cb = [2]float64{128 - span/2, 128 + span/2}
		if i%2 == 1 {
			r.cr, r.cb = r.cb, [2]float64{120, 118}
		}
		r.dither = random
		out = append(out, m.broken(r, detect.Posterisation, quantiser{}, quantiser{step: step}))
	}
	{
		r := m.plain("colour-both", sky, 110, 124)
		r.cb, r.cr = [2]float64{100, 156}, [2]float64{150, 116}
		r.dither = random
		out = append(out, m.broken(r, detect.Posterisation, quantiser{}, quantiser{step: 5}))
	}
	return out
}

func clean(seed int64) []recipe {
	m := newMaker(seed, 2)
	var out []recipe
	add := func(r recipe, like string) {
		r.name, r.like = "clean-"+r.name, like
		out = append(out, r)
	}
	// All levels that the take has, without dither: above the dark range that is
	// all it can show.
	for _, shape := range shapes {
		from, to := m.slope(nearBlackTo+6, 235, 1, 40)
		add(m.plain("honest-"+shape, shape, from, to), "all levels of 8 bits, "+shape)
	}
	// Dithered.
	for _, way := range []string{random, ordered, diffuse} {
		from, to := m.slope(nearBlackFrom, nearBlackTo, 1, 16)
		r := m.plain("dark-"+way, m.pick(shapes...), from, to)
		r.dither = way
		add(r, "dark, dither: "+way)
		from, to = m.slope(nearBlackTo, 235, 1, 30)
		r = m.plain("bright-"+way, m.pick(shapes...), from, to)
		r.dither = way
		add(r, "bright, dither: "+way)
	}
	for i, grain := range []float64{0.7, 1.5, 4} {
		from, to := m.slope(nearBlackFrom, nearBlackTo, 1, 20)
		r := m.plain(fmt.Sprintf("dark-grain-%d", i), m.pick(shapes...), from, to)
		r.grain = grain
		add(r, fmt.Sprintf("dark, grain of %g codes", grain))
		from, to = m.slope(nearBlackTo, 235, 1, 30)
		r = m.plain(fmt.Sprintf("bright-grain-%d", i), m.pick(shapes...), from, to)
		r.grain = grain
		add(r, fmt.Sprintf("bright, grain of %g codes", grain))
	}
	deep := func(name, shape string, from, to float64) recipe {
		r := m.plain(name, shape, from, to)
		r.depth = 10
		return r
	}
	add(deep("dark-10bit", glow, 16, 60), "dark, 10 bits")
	add(deep("dark-10bit-slow", sky, 18, 24), "dark, 10 bits, a faint slope")
	add(deep("bright-10bit", waves, 90, 200), "bright, 10 bits")
	{
		r := m.plain("expanded", sky, 60, 220)
		// The processor's own codes are brought to a wider range, so that every
		// seventh is left out.
		r.over = func(p *painter) {
			for i, v := range p.y {
				p.y[i] = float32(math.Round(math.Round(float64(v)*219/255) * 255 / 219))
			}
		}
		add(r, "limited range brought to full range")
		r = m.plain("pan", waves, 100, 160)
		r.panX = 3
		add(r, "an honest gradient, panned")
		r = m.plain("fade-up", glow, 17, 120)
		r.fade, r.dither = [2]float64{0, 1}, random
		add(r, "a fade up from black, dithered")
		r = m.plain("city", sky, 90, 160)
		r.over = city
		add(r, "houses before an honest sky")
		r = m.plain("night-city", sky, 18, 40)
		r.over, r.dither = city, random
		add(r, "houses before a night sky, dithered")
		r = m.plain("ball", waves, 90, 160)
		r.over, r.moves = ball, true
		add(r, "a ball before an honest gradient")
	}
	// Drawn things.
	for _, k := range []struct {
		name, like string
		over       func(*painter)
		from, to   float64
	}{
		{"cel", "flat-shaded drawing", cel, 80, 90},
		{"cel-dark", "flat-shaded drawing at night", celDark, 20, 22},
		{"stairs", "a grey staircase", stairs, 100, 100},
		{"stairs-dark", "steps just above black", stairsDark, 16, 16},
		{"bars", "bars of falling luma", bars, 100, 100},
		{"rings", "a target of rings", rings, 100, 100},
		{"boxes", "boxes in boxes with a step of a few codes", boxes, 40, 40},
		{"clouds", "clouds", clouds, 120, 180},
		{"blinds", "blinds in the dark", blinds, 24, 30},
		{"letterbox", "letterbox edges", letterbox, 90, 150},
		{"mouldings", "a moulded frame on a lit wall", mouldings, 90, 130},
		{"mouldings-dark", "a moulded frame on a dark wall", mouldings, 25, 50},
		{"shadows", "soft shadows of two lamps", shadows, 100, 120},
		{"graphic", "an on-screen graphic with its own few shades", graphic, 80, 150},
	} {
		r := m.plain(k.name, m.pick(shapes...), k.from, k.to)
		r.over, r.dither = k.over, random
		add(r, k.like)
	}
	{
		r := m.plain("colour-honest", sky, 110, 130)
		r.cb, r.cr = [2]float64{110, 140}, [2]float64{135, 115}
		add(r, "a colour gradient with all its levels")
		r = m.plain("colour-dithered", glow, 90, 120)
		r.cb, r.cr, r.dither = [2]float64{100, 150}, [2]float64{140, 110}, random
		add(r, "a colour gradient, dithered")
		r = m.plain("colour-10bit", waves, 90, 120)
		r.cb, r.cr, r.depth = [2]float64{100, 150}, [2]float64{140, 110}, 10
		add(r, "a colour gradient, 10 bits")
		r = m.plain("colour-steep", glow, 80, 190)
		r.cb, r.cr = [2]float64{60, 190}, [2]float64{190, 70}
		add(r, "a steep colour gradient with all its levels")
	}
	for _, k := range []struct {
		name     string
		from, to float64
	}{{"dark-8bit-in-10", 18, 40}, {"bright-8bit-in-10", 100, 130}} {
		r := deep(k.name, m.pick(shapes...), k.from, k.to)
		r.over = func(p *painter) {
			for i, v := range p.y {
				p.y[i] = float32(math.Round(float64(v)))
			}
		}
		add(r, "8 bits in a take of 10")
	}
	return out
}
