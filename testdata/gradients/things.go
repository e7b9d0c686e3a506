package gradients

import "math"

// noisy is a number, -1 to 1, that belongs to a place.
func noisy(x, y int) float64 {
	v := uint32(x)*0x9e3779b1 ^ uint32(y)*0x85ebca6b
	v ^= v >> 15
	v *= 0x2c1b3c6d
	v ^= v >> 12
	v *= 0x297a2d39
	v ^= v >> 15
	return float64(v)/math.MaxUint32*2 - 1
}

// city is houses with lit windows along the lower edge.
func city(p *painter) {
	for x := 0; x < p.w; {
		wide, high := int(p.d.between(0.04, 0.1)*float64(p.w)), int(p.d.between(0.1, 0.35)*float64(p.h))
		tone := p.d.between(17, 30)
		for u := x; u < min(x+wide, p.w); u++ {
			for v := p.h - high; v < p.h; v++ {
				c := tone + 3*noisy(u/2, v/2)
				if (u-x)%16 > 9 && (v-p.h+high)%22 > 12 && noisy(u/16, v/22) > 0.2 {
					c = 140 + 20*noisy(u, v)
				}
				p.y[v*p.w+u] = float32(c)
			}
		}
		x += wide
	}
}

// ball is a textured ball that flies through the picture.
func ball(p *painter) {
	size := float64(p.h) / 9
	cx, cy := float64(p.i)*float64(p.w)/50, float64(p.h)*(0.3+0.3*math.Sin(float64(p.i)/20))
	p.disc(cx, cy, size, func(x, y int) float64 { return 120 + 30*noisy((x-int(cx))/3, (y-int(cy))/3) })
}

// disc paints a disc.
func (p *painter) disc(cx, cy, radius float64, tone func(x, y int) float64) {
	for y := max(0, int(cy-radius)); y <= min(p.h-1, int(cy+radius)); y++ {
		for x := max(0, int(cx-radius)); x <= min(p.w-1, int(cx+radius)); x++ {
			if math.Hypot(float64(x)-cx, float64(y)-cy) < radius {
				p.y[y*p.w+x] = float32(tone(x, y))
			}
		}
	}
}

// all paints every sample.
func (p *painter) all(tone func(x, y int, v float64) float64) {
	for y := range p.h {
		for x := range p.w {
			at := y*p.w + x
			p.y[at] = float32(tone(x, y, float64(p.y[at])))
		}
	}
}

// cel is balls shaded in three flat tones, as drawings are.
func cel(p *painter) { p.cel(70, 30, 26) }

func celDark(p *painter) { p.cel(22, 7, 6) }

func (p *painter) cel(tone, lighter, darker float64) {
	for range 7 {
		cx, cy, size := p.d.between(0, 1)*float64(p.w), p.d.between(0, 1)*float64(p.h), p.d.between(0.08, 0.22)*float64(p.h)
		base := tone + p.d.between(0, 60)*lighter/30
		p.disc(cx, cy, size, func(x, y int) float64 {
			n := ((float64(x)-cx)*-0.6 + (float64(y)-cy)*-0.8) / size
			switch {
			case n > 0.35:
				return base + lighter
			case n < -0.25:
				return base - darker
			}
			return base
		})
	}
}

// stairs is eleven grey bars from black to white, 8.76 % apart as in the stair
// of ITU-R BT.2111, with a margin above and below.
func stairs(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		if y < p.h/3 || y > 2*p.h/3 {
			return v
		}
		return 16 + 21.9*float64(x*11/p.w)
	})
}

// stairsDark is bars of 2 % each just above black, as in a PLUGE signal.
func stairsDark(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		if y < p.h/4 || y > 3*p.h/4 {
			return v
		}
		return 16 + 4.38*float64(x*8/p.w)
	})
}

// bars is the luma of 75 % bars (SMPTE RP 219, in 8 bits).
func bars(p *painter) {
	luma := []float64{180, 168, 145, 133, 63, 51, 28}
	p.all(func(x, _ int, _ float64) float64 { return luma[x*len(luma)/p.w] })
}

// rings is a target of alternating rings.
func rings(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		k := int(math.Hypot(float64(x-p.w/2), float64(y-p.h/2)) / float64(p.h) * 16)
		return v + 12*float64(k%2)
	})
}

// boxes is frames within frames, each a little brighter: a drawing of few tones.
func boxes(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		k := min(x, y, p.w-1-x, p.h-1-y) * 24 / p.h
		return v + []float64{0, 5, 19, 11, 16, 33, 26, 44, 39, 41, 52, 48}[min(k, 11)]
	})
}

// clouds is texture of every size.
func clouds(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		s := 0.0
		for k, size := 0, 128; size >= 4; k, size = k+1, size/2 {
			s += smooth(x, y, size) * float64(size) / 5
		}
		return v + s
	})
}

// smooth is noise of a size.
func smooth(x, y, size int) float64 {
	u, v := x/size, y/size
	a, b := float64(x%size)/float64(size), float64(y%size)/float64(size)
	a, b = a*a*(3-2*a), b*b*(3-2*b)
	top := noisy(u, v)*(1-a) + noisy(u+1, v)*a
	low := noisy(u, v+1)*(1-a) + noisy(u+1, v+1)*a
	return top*(1-b) + low*b
}

// blinds is slats, each with a flat face and an edge.
func blinds(p *painter) {
	pitch := max(p.h/22, 8)
	p.all(func(_, y int, v float64) float64 {
		switch k := y % pitch; {
		case k < pitch/3:
			return v
		case k < 2*pitch/3:
			return v + 4
		}
		return v + 8
	})
}

// letterbox is black bars.
func letterbox(p *painter) {
	p.all(func(_, y int, v float64) float64 {
		if y < p.h/8 || y >= p.h-p.h/8 {
			return 16
		}
		return v
	})
}

// mouldings is a frame of parallel edges on a wall that is lit from one side.
func mouldings(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		k := min(x, y, p.w-1-x, p.h-1-y) * 100 / p.h
		v += 1.2 * noisy(x, y)
		switch {
		case k > 12 && k < 15:
			return v + 5
		case k >= 15 && k < 18:
			return v + 9
		case k >= 18 && k < 21:
			return v + 13
		}
		return v
	})
}

// shadows is two soft edges of shade beside each other.
func shadows(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		u := float64(x) + 0.4*float64(y) - 0.4*float64(p.w)
		fall := func(at, soft float64) float64 { return 1 / (1 + math.Exp((u-at)/soft)) }
		wide := float64(p.w)
		return v - 9*fall(0, wide/60) - 9*fall(wide/8, wide/40)
	})
}

// graphic is a lower third: panels of flat tones with a bevel.
func graphic(p *painter) {
	p.all(func(x, y int, v float64) float64 {
		if y < 3*p.h/4 || y > 9*p.h/10 || x < p.w/10 || x > 8*p.w/10 {
			return v
		}
		switch k := (y - 3*p.h/4) * 20 / p.h; {
		case k < 1:
			return 60
		case k < 2:
			return 48
		}
		return 40 + 40*float64(min((x/9)%7, (y/13)%2))
	})
}
