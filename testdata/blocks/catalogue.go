package blocks

import (
	"image"
	"math"
	"math/rand/v2"
	"time"

	"setwitness/decode/picture"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
	"setwitness/testdata/takes"
)

// All returns the takes of a seed: with faults first, then without.
func All(seed int64) []takes.Take {
	m := maker{seed: seed, r: rand.New(rand.NewPCG(uint64(seed), 77))}
	return append(m.bad(), m.clean()...)
}

type maker struct {
	seed int64
	r    *rand.Rand
	n    int64
}

// take makes a take of a sequence.
func take(name, negative string, s faults.Sequence) takes.Take {
	return takes.Take{Name: name, Format: s.Format, Frames: s.Len, Truth: s.Truth, Negative: negative, Picture: func(i int) *picture.Picture {
		p := s.At(i)
		return &picture.Picture{
			Index: i, Frame: i, Parity: p.Parity, Y: p.Y, Cb: p.Cb, Cr: p.Cr,
			Time: time.Duration(int64(i) * int64(s.Format.RateDen) * int64(time.Second) / int64(s.Format.RateNum)),
		}
	}}
}

// raster is one of 540 lines, which keeps the catalogue quick to run: at the
// same distance, its blocks look like those of twice the size at 1080 lines.
func (m *maker) raster() scene.Raster {
	m.n++
	rates := []int{25, 50, 30, 24, 60}
	return scene.Raster{W: 960, H: 540, RateNum: rates[m.r.IntN(len(rates))], RateDen: 1, Shutter: 0.5, Grain: 0.3 + 0.4*m.r.Float64(), Seed: m.seed*1000 + m.n}
}

// between is a number of a range.
func (m *maker) between(a, b float64) float64 { return a + (b-a)*m.r.Float64() }

// cached keeps pictures for what is scaled and coded apart.
func cached(s *scene.Scene, seconds float64) faults.Sequence {
	f := s.Format()
	return faults.Cached(faults.Sequence{Format: f, Len: int(math.Round(seconds * f.Rate())), At: s.At}, 3)
}

// length of every take, in seconds.
const length = 2.4

// dark is one of the scenes that the dark is like: soft walls, a night street
// with a ball, foliage at dusk.
func (m *maker) dark(r scene.Raster) faults.Sequence {
	tone := m.between(24, 46)
	var s *scene.Scene
	move := scene.Move{X: m.between(-4, 4), Y: m.between(-1, 1)}
	switch m.r.IntN(5) {
	case 0:
		s = scene.Pan(r, scene.Back{Surface: scene.Plain, Tone: tone, Contrast: m.between(3, 8)}, scene.Move{})
	case 1:
		s = scene.Pan(r, scene.Back{Surface: scene.Plain, Tone: tone, Contrast: m.between(4, 9)}, move)
	case 2:
		s = scene.Toss(r, scene.Back{Surface: scene.Plain, Tone: tone, Contrast: 5}, scene.Move{},
			scene.Ball{Diameter: 60, Speed: m.between(3, 9), Level: tone + 60, X: 0.2, Y: 0.5})
	case 3:
		// A street by night: all of it, only darker.
		s = scene.Pan(r, scene.Back{Surface: scene.Foliage}, move).Graded(func(float64) (gain, lift float64) { return 0.22, 0 })
	case 4:
		s = scene.BallGame(r, scene.Game{PanWidth: 200, PanPeriod: 6, Seconds: 4, NoScore: true}).
			Graded(func(float64) (gain, lift float64) { return 0.35, 0 })
	}
	return m.lit(cached(s, length))
}

// lit adds soft light, brighter in one place, so that walls are not flat.
func (m *maker) lit(s faults.Sequence) faults.Sequence {
	cx, cy, reach, gain := m.between(0.2, 0.8), m.between(0.2, 0.8), m.between(0.4, 0.8), m.between(10, 22)
	at := s.At
	f := s.Format
	unit := float64(int(1) << (f.Depth - 8))
	noise := rand.New(rand.NewPCG(uint64(m.seed), uint64(m.n)))
	// A tenth of a code of noise, so that the light is not banded.
	grain := make([]float64, 1<<16)
	for i := range grain {
		grain[i] = noise.NormFloat64() * 0.4
	}
	light := make([]float64, f.W*f.H)
	for y := range f.H {
		for x := range f.W {
			d := math.Hypot(float64(x)/float64(f.W)-cx, (float64(y)/float64(f.H)-cy)*float64(f.H)/float64(f.W)) / reach
			light[y*f.W+x] = gain * math.Exp(-d*d*3)
		}
	}
	s.At = func(i int) *picture.Picture {
		p := at(i)
		q := &picture.Picture{Index: i, Frame: i, Time: p.Time, Y: picture.New(f.W, f.H, f.Depth)}
		shift := i * 7919
		for y := range f.H {
			for x := range f.W {
				k := y*f.W + x
				set(&q.Y, x, y, int(math.Round(float64(p.Y.At(x, y))+unit*(light[k]+grain[(k*31+shift+k>>9)&0xffff]))))
			}
		}
		return q
	}
	return faults.Cached(s, 3)
}

// bad returns the takes with faults.
func (m *maker) bad() []takes.Take {
	var out []takes.Take
	add := func(name string, r scene.Raster, c Coding, region image.Rectangle) {
		s := m.dark(r)
		rate := s.Format.Rate()
		first := int(m.between(0.5, 1.0) * rate)
		last := first + int(m.between(0.9, 1.2)*rate)
		out = append(out, take("blocks-"+name, "", Coded(s, c, first, last, region, m.seed*1000+m.n)))
	}
	whole := image.Rectangle{}
	add("own-8", m.raster(), Coding{Table: 2}, whole)
	add("own-8-coarse", m.raster(), Coding{Table: 4}, whole)
	add("own-8-cropped", m.raster(), Coding{Table: 2.5, OriginX: 3, OriginY: 5}, whole)
	add("own-8-left", m.raster(), Coding{Table: 3}, image.Rect(0, 0, 400, 540))
	add("own-8-place", m.raster(), Coding{Table: 3}, image.Rect(320, 128, 736, 448))
	add("means-16", m.raster(), Coding{Means: 2.5, Block: 16, Hold: 12}, whole)
	add("means-16-boil", m.raster(), Coding{Means: 2.5, Block: 16, Hold: 2}, whole)
	add("means-16-place", m.raster(), Coding{Means: 3, Block: 16, Hold: 1000}, image.Rect(500, 200, 900, 500))
	add("means-8", m.raster(), Coding{Means: 3, Block: 8, Hold: 8}, whole)
	add("means-16-cropped", m.raster(), Coding{Means: 3, Block: 16, Hold: 5, OriginX: 7, OriginY: 2}, whole)
	add("3:2", m.raster(), Coding{W: 640, H: 360, Table: 1.8, Up: faults.Bicubic}, whole)
	add("3:2-bilinear", m.raster(), Coding{W: 640, H: 360, Table: 2, Up: faults.Bilinear}, whole)
	add("3:2-nearest", m.raster(), Coding{W: 640, H: 360, Table: 2, Up: faults.Nearest}, whole)
	add("3:2-means", m.raster(), Coding{W: 640, H: 360, Means: 2.5, Block: 16, Hold: 6, Up: faults.Bicubic}, whole)
	add("4:3", m.raster(), Coding{W: 720, H: 540, Table: 2, Up: faults.Bicubic}, whole)
	add("4:3-place", m.raster(), Coding{W: 720, H: 540, Table: 3, Up: faults.Bicubic}, image.Rect(64, 64, 576, 480))
	add("4:3-means", m.raster(), Coding{W: 720, H: 540, Means: 2.5, Block: 8, Hold: 4, Up: faults.Bilinear}, whole)
	add("2:1", m.raster(), Coding{W: 480, H: 270, Table: 1.6, Up: faults.Bicubic}, whole)
	add("9:4", m.raster(), Coding{W: 426, H: 240, Table: 1.5, Up: faults.Bicubic}, whole)
	add("dvd", m.raster(), Coding{W: 720, H: 480, Table: 2, Up: faults.Bicubic}, whole)
	add("down", m.raster(), Coding{W: 1200, H: 675, Means: 3, Block: 16, Hold: 6, Up: faults.Bicubic}, whole)
	add("odd-ratio", m.raster(), Coding{W: 682, H: 401, Table: 2, Up: faults.Bicubic, OriginX: 2, OriginY: 6}, whole)
	ten := func() scene.Raster { r := m.raster(); r.Depth = 10; return r }
	add("10bit", ten(), Coding{Table: 2}, whole)
	add("10bit-means", ten(), Coding{W: 640, H: 360, Means: 2, Block: 16, Hold: 9, Up: faults.Bicubic}, whole)
	large := func(w, h int) scene.Raster { r := m.raster(); r.W, r.H, r.RateNum = w, h, 25; return r }
	add("720", large(1280, 720), Coding{Table: 3}, whole)
	add("1080", large(1920, 1080), Coding{W: 1280, H: 720, Table: 3, Up: faults.Bicubic}, whole)
	add("1080-place", large(1920, 1080), Coding{W: 1440, H: 1080, Means: 3, Block: 16, Hold: 5, Up: faults.Bicubic}, image.Rect(900, 300, 1700, 900))
	add("576", large(720, 576), Coding{Table: 2.5}, whole)
	grainy := func() scene.Raster { r := m.raster(); r.Grain = 1.2; return r }
	add("grain-after", grainy(), Coding{Means: 3, Block: 16, Hold: 6}, whole)
	add("grain-before", grainy(), Coding{Table: 2}, whole)
	return out
}

// clean returns the takes without.
func (m *maker) clean() []takes.Take {
	var out []takes.Take
	add := func(name, like string, s faults.Sequence) { out = append(out, take("clean-"+name, like, s)) }
	still, slow := scene.Move{}, scene.Move{X: 1.5, Y: 0.5}
	pan := func(back scene.Back, move scene.Move) faults.Sequence {
		return cached(scene.Pan(m.raster(), back, move), length)
	}
	bars := func(s scene.Surface, period, duty, tone, contrast float64) scene.Back {
		return scene.Back{Surface: s, Tone: tone, Contrast: contrast, Period: period, Duty: duty}
	}
	add("tiles-dark", "dark tiles with fine joints", pan(bars(scene.Tiled, 16, 0.9, 40, 6), still))
	add("tiles-dark-panned", "dark tiles, panned", pan(bars(scene.Tiled, 24, 0.92, 44, 8), slow))
	add("tiles-large", "large tiles", pan(bars(scene.Tiled, 40, 0.95, 60, 25), still))
	add("tiles-faint", "tiles that are hardly seen", pan(bars(scene.Tiled, 12, 0.85, 50, 3), still))
	add("blinds", "blinds", pan(bars(scene.Level, 12, 0.5, 60, 12), still))
	add("fence", "a fence", pan(bars(scene.Upright, 16, 0.5, 60, 10), slow))
	add("fence-at-step", "a fence that moves by its period", pan(bars(scene.Upright, 12, 0.5, 50, 8), scene.Move{X: 12}))
	add("street-night", "rows of windows by night", m.graded(scene.Street, still, 0.3))
	add("street-night-panned", "rows of windows by night, panned", m.graded(scene.Street, scene.Move{X: 3}, 0.3))
	add("street", "rows of windows", pan(scene.Back{Surface: scene.Street}, still))
	add("foliage-dark", "foliage by night", m.graded(scene.Foliage, slow, 0.25))
	add("gravel", "gravel", pan(scene.Back{Surface: scene.Gravel, Tone: 50, Contrast: 12}, slow))
	add("game", "a ball game", cached(scene.BallGame(m.raster(), scene.Game{PanWidth: 200, Seconds: 4}), length))
	add("cartoon", "a flat-shaded drawing", cached(scene.Cartoon(m.raster(), 3, 2), length))
	add("ticker", "text", cached(scene.Ticker(m.raster(), scene.Back{Surface: scene.Plain, Tone: 30}, still, scene.Band{Speed: 4, Size: 24}), length))
	add("letterbox", "letterbox edges", cached(scene.Pan(m.raster(), scene.Back{Surface: scene.Plain, Tone: 40}, slow).Letterboxed(0.12), length))
	for i := range 4 {
		add("dark-"+string(rune('a'+i)), "a dark scene, correct", m.dark(m.raster()))
	}
	add("coded-well", "coded well", m.well(Coding{Table: 0.1}))
	add("coded-well-scaled", "coded well and scaled", m.well(Coding{W: 640, H: 360, Table: 0.1, Up: faults.Bicubic}))
	add("coded-fairly", "coded so that nobody sees it", m.well(Coding{Table: 0.2}))
	add("scaled-nearest", "scaled by repeating samples", m.well(Coding{W: 640, H: 360, Table: 0.05, Up: faults.Nearest}))

	m.drawn(add, "windows-grid", "lit windows in a regular grid", func(x, y, t float64) float64 {
		if math.Mod(x, 24) < 14 && math.Mod(y, 32) < 18 {
			return 34 + 10*hash(m.seed, math.Floor(x/24), math.Floor(y/32))
		}
		return 28
	})
	m.drawn(add, "mosaic-panned", "a mosaic of plain tiles, panned", func(x, y, t float64) float64 {
		x += 40 * t
		y += 11 * t
		return 30 + 5*hash(m.seed, math.Floor(x/16), math.Floor(y/16))
	})
	m.drawn(add, "mosaic-strong", "a mosaic of tiles of many tones", func(x, y, t float64) float64 {
		return 40 + 110*hash(m.seed, math.Floor(x/16), math.Floor(y/16))
	})
	m.drawn(add, "checks", "a chequered floor", func(x, y, t float64) float64 {
		return 32 + 7*math.Mod(math.Floor(x/16)+math.Floor(y/16), 2)
	})
	m.drawn(add, "checks-panned", "a chequered cloth, panned", func(x, y, t float64) float64 {
		x += 30 * t
		return 36 + 5*math.Mod(math.Floor(x/12)+math.Floor(y/12), 2)
	})
	m.drawn(add, "halftone", "a halftone print", func(x, y, t float64) float64 {
		d := math.Hypot(math.Mod(x, 8)-4, math.Mod(y, 8)-4)
		return 50 - 14*math.Max(0, math.Min(1, 3-d))
	})
	m.drawn(add, "moire", "moire between two gratings", func(x, y, t float64) float64 {
		return 40 + 3*math.Sin(2*math.Pi*(x+3*t)/13)*math.Sin(2*math.Pi*y/13)
	})
	m.drawn(add, "plaid", "chequered cloth of soft stripes", func(x, y, t float64) float64 {
		return 44 + 4*math.Sin(2*math.Pi*x/20) + 4*math.Sin(2*math.Pi*y/20)
	})
	m.drawn(add, "panel-grid", "a filmed grid of a panel's pixels", func(x, y, t float64) float64 {
		if math.Mod(x, 6) < 1 || math.Mod(y, 6) < 1 {
			return 30
		}
		return 36
	})
	m.drawn(add, "bricks", "a brick wall", func(x, y, t float64) float64 {
		row := math.Floor(y / 12)
		x += 16 * math.Mod(row, 2)
		if math.Mod(x, 32) < 2 || math.Mod(y, 12) < 2 {
			return 50
		}
		return 38 + 4*hash(m.seed, math.Floor(x/32), row)
	})
	m.drawn(add, "lattice", "a synthetic texture, blended from point to point of a lattice", func(x, y, t float64) float64 {
		return 60 + 90*blended(m.seed, x/40, y/40) + 30*blended(m.seed, x/9, y/9)
	})
	m.drawn(add, "lattice-fine", "a synthetic texture with points as close as small blocks", func(x, y, t float64) float64 {
		return 50 + 60*blended(m.seed, x/6.75, y/6.75)
	})
	m.drawn(add, "banded", "a dark gradient in bands", func(x, y, t float64) float64 {
		return math.Floor(22 + 8*x/960 + 6*y/540)
	})
	m.drawn(add, "grid-lines", "a drawn grid of lines", func(x, y, t float64) float64 {
		if math.Mod(x, 16) < 1 || math.Mod(y, 16) < 1 {
			return 40
		}
		return 32
	})
	return out
}

// hash is a number from 0 to 1 for a place.
func hash(seed int64, x, y float64) float64 {
	r := rand.New(rand.NewPCG(uint64(seed), uint64(int64(x))<<32^uint64(int64(y))&0xffffffff))
	return r.Float64()
}

// blended is a number from 0 to 1 for each point of a lattice of whole numbers, and
// runs smoothly from one point to the next.
func blended(seed int64, x, y float64) float64 {
	u, v := math.Floor(x), math.Floor(y)
	smooth := func(f float64) float64 { return f * f * (3 - 2*f) }
	fx, fy := smooth(x-u), smooth(y-v)
	above := hash(seed, u, v)*(1-fx) + hash(seed, u+1, v)*fx
	below := hash(seed, u, v+1)*(1-fx) + hash(seed, u+1, v+1)*fx
	return above*(1-fy) + below*fy
}

// drawn adds a take of what a function of place and time gives, in 8-bit codes,
// with a little grain.
func (m *maker) drawn(add func(name, like string, s faults.Sequence), name, like string, tone func(x, y, t float64) float64) {
	r := m.raster()
	r.Grain = 0
	f := r.Format()
	grain := rand.New(rand.NewPCG(uint64(r.Seed), 5))
	noise := make([]float64, 1<<16)
	for i := range noise {
		noise[i] = 0.5 * grain.NormFloat64()
	}
	s := faults.Sequence{Format: f, Len: int(length * f.Rate())}
	s.At = func(i int) *picture.Picture {
		p := &picture.Picture{Index: i, Frame: i, Y: picture.New(f.W, f.H, f.Depth)}
		t := float64(i) / f.Rate()
		shift := i * 7919
		for y := range f.H {
			for x := range f.W {
				k := y*f.W + x
				set(&p.Y, x, y, int(math.Round(tone(float64(x)+960, float64(y)+540, t)+noise[(k*31+shift+k>>9)&0xffff])))
			}
		}
		return p
	}
	add(name, like, faults.Cached(s, 3))
}

// graded is a surface with less light.
func (m *maker) graded(surface scene.Surface, move scene.Move, gain float64) faults.Sequence {
	return cached(scene.Pan(m.raster(), scene.Back{Surface: surface}, move).
		Graded(func(float64) (float64, float64) { return gain, 0 }), length)
}

// well is a dark scene that a coder codes throughout, with no fault to be seen.
func (m *maker) well(c Coding) faults.Sequence {
	s := m.dark(m.raster())
	s = Coded(s, c, 0, s.Len-1, image.Rectangle{}, m.seed)
	s.Truth = nil
	return s
}
