package scene

import "math"

// fill sets every sample of a layer to what paint gives for its centre, in
// samples of the raster.
func (l *layer) fill(paint func(x, y float64, i int) ink) {
	inv := 1 / l.scale
	for j := range l.h {
		for i := range l.w {
			at := j*l.w + i
			k := paint((float64(i)+0.5)*inv, (float64(j)+0.5)*inv, at)
			l.a[at], l.y[at] = 1, k.y
			if l.colour {
				l.u[at], l.v[at] = k.u, k.v
			}
		}
	}
}

// wall makes a plastered wall of a mean level, lit from one side, with a
// texture whose strength is in 8-bit codes.
func wall(w, h int, colour bool, tone ink, texture float64, seed int64) *canvas {
	l := newSheetLayer(w, h, colour, tone)
	f := newField(l.w, l.h)
	if texture > 0 {
		a := float32(texture)
		f.addNoise(float32(h), float32(h), a*1.2, uint64(seed)+1)
		f.addOctaves(40, 5, a, 0.7, uint64(seed)+2)
		f.addNoise(2.5, 2.5, a*0.8, uint64(seed)+9)
	}
	slope := tone.y * 0.12
	l.fill(func(x, y float64, i int) ink {
		k := tone
		k.y += slope*(0.5-float32(x)/float32(w)) + slope*0.6*(0.5-float32(y)/float32(h)) + f.v[i]
		return k
	})
	return newCanvas(l, w, h)
}

// foliage makes a wall of leaves, dark and out of focus behind, bright in
// front.
func foliage(w, h int, colour bool, seed int64) *canvas {
	dark := rgb(0x1a2f1b)
	l := newSheetLayer(w, h, colour, dark)
	f := newField(l.w, l.h)
	f.addOctaves(float32(h)/2, 4, 1, 0.6, uint64(seed)+3)
	l.fill(func(_, _ float64, i int) ink { return dark.lit(1.2 + f.v[i]*0.6) })
	r := random(seed, 3)
	n := w * h / 24
	greens := []ink{rgb(0x31572c), rgb(0x4f772d), rgb(0x6a994e), rgb(0x7d8f4e), rgb(0x90a955), rgb(0x2d4a22)}
	for i := range n {
		depth := float32(i) / float32(n) // 0 behind, 1 in front
		x, y := r.Float64()*float64(w), r.Float64()*float64(h)
		// Clusters: leaves hang where the noise is high.
		if d := f.at(int(x*over), int(y*over)); r.Float32() > 0.75+d*0.6 {
			continue
		}
		size := (5 + 9*r.Float64()) * (0.7 + 0.5*float64(depth))
		angle := math.Pi/2 + r.NormFloat64()*0.9
		dx, dy := math.Cos(angle)*size, math.Sin(angle)*size
		k := greens[r.IntN(len(greens))].lit((0.45 + 0.75*depth) * (0.75 + 0.5*r.Float32()))
		width := size * (0.22 + 0.12*r.Float64())
		blade := func(u, v float32) ink {
			if v > -0.12 && v < 0.12 {
				return k.lit(1.18)
			}
			return k.lit(1 + 0.16*v)
		}
		l.limb(x, y, 0.3, x+dx*0.45, y+dy*0.45, width, blade)
		l.limb(x+dx*0.45, y+dy*0.45, width, x+dx, y+dy, 0.3, blade)
	}
	return newCanvas(l, w, h)
}

// gravel makes noise of many octaves.
func gravel(w, h int, colour bool, tone ink, contrast float64, seed int64) *canvas {
	l := newSheetLayer(w, h, colour, tone)
	f := newField(l.w, l.h)
	f.addOctaves(120, 7, float32(contrast)*0.6, 0.86, uint64(seed)+5)
	l.fill(func(_, _ float64, i int) ink { k := tone; k.y = min(max(tone.y+f.v[i], 18), 234); return k })
	return newCanvas(l, w, h)
}

// street makes a row of buildings under a bright sky.
func street(w, h int, colour bool, seed int64) *canvas {
	sky, haze := rgb(0x86a9c9), rgb(0xd5dde2)
	l := newSheetLayer(w, h, colour, sky)
	f := newField(l.w, l.h)
	f.addOctaves(float32(h)/2, 6, 1, 0.6, uint64(seed)+4)
	l.fill(func(_, y float64, i int) ink {
		k := sky.mix(haze, float32(y)/float32(h))
		return k.mix(rgb(0xf2f4f5), max(0, f.v[i])*0.5)
	})
	r := random(seed, 4)
	walls := []ink{rgb(0x8d6e5a), rgb(0xa89f91), rgb(0xb5523b), rgb(0xc9b48c), rgb(0x6f7b83), rgb(0x9c8f7a), rgb(0x5d5148)}
	H := float64(h)
	for x := -20.0; x < float64(w); {
		width := (0.18 + 0.22*r.Float64()) * H
		top := (0.06 + 0.45*r.Float64()) * H
		k := walls[r.IntN(len(walls))].lit(0.7 + 0.5*r.Float32())
		cx, cy := int(x*over), int(top*over)
		l.box(x, top, x+width, H, func(u, v float32) ink {
			n := f.at((cx+int(u*float32(width)*over)*3)%l.w, (cy+int(v*float32(H)*over)*3)%l.h)
			return k.lit(1 + 0.10*n - 0.12*v)
		})
		// Windows with frames, sills and what the sky leaves in the glass.
		storey := H * (0.055 + 0.03*r.Float64())
		bay := storey * (0.7 + 0.5*r.Float64())
		ww, wh := bay*(0.42+0.2*r.Float64()), storey*(0.5+0.18*r.Float64())
		n := int((width - bay*0.4) / bay)
		left := x + (width-float64(n)*bay)/2
		for wy := top + storey*0.5; wy < H-storey; wy += storey {
			l.box(x, wy+storey*0.83, x+width, wy+storey*0.86, plain(k.lit(0.72)))
			for i := range n {
				wx := left + float64(i)*bay + (bay-ww)/2
				glass := rgb(0x1d2730).lit(0.7 + 1.3*r.Float32())
				if r.IntN(9) == 0 {
					glass = rgb(0xe8d9a8).lit(0.8)
				}
				l.box(wx-1.5, wy-1.5, wx+ww+1.5, wy+wh+1.5, plain(k.lit(1.3)))
				l.box(wx, wy, wx+ww, wy+wh, func(_, v float32) ink { return glass.lit(1.3 - 0.6*v) })
				l.box(wx+ww/2-0.6, wy, wx+ww/2+0.6, wy+wh, plain(k.lit(1.2)))
				l.box(wx, wy+wh*0.4-0.5, wx+ww, wy+wh*0.4+0.5, plain(k.lit(1.2)))
				l.box(wx-2, wy+wh+1.5, wx+ww+2, wy+wh+3.5, plain(k.lit(0.6)))
			}
		}
		l.box(x-2, top-3, x+width+2, top+2, plain(k.lit(0.55)))
		if r.IntN(2) == 0 {
			ax := x + width*(0.2+0.6*r.Float64())
			l.limb(ax, top, 0.6, ax, top-H*0.07, 0.6, plain(rgb(0x2a2a2a)))
			for i := range 4 {
				ay := top - H*0.07 + float64(i)*4
				l.limb(ax-8, ay, 0.4, ax+8, ay, 0.4, plain(rgb(0x2a2a2a)))
			}
		}
		x += width
	}
	return newCanvas(l, w, h)
}

// stripes makes parallel bars of a period in samples, upright or level, with
// some depth: the front edge of each bar catches the light.
func stripes(w, h int, colour bool, period, duty float64, upright bool, light, dark ink, texture float64, seed int64) *canvas {
	l := newSheetLayer(w, h, colour, dark)
	f := newField(l.w, l.h)
	if texture > 0 {
		f.addOctaves(60, 5, float32(texture), 0.7, uint64(seed)+6)
	}
	l.fill(func(_, _ float64, i int) ink { return ink{y: dark.y + f.v[i]*0.5} })
	n := float64(w)
	if !upright {
		n = float64(h)
	}
	for p := 0.0; p < n; p += period {
		bar := func(u, v float32) ink {
			across := u
			if !upright {
				across = v
			}
			return light.lit(1.05 - 0.12*across)
		}
		if upright {
			l.box(p, 0, p+period*duty, float64(h), bar)
		} else {
			l.box(0, p, float64(w), p+period*duty, bar)
		}
	}
	if texture > 0 {
		for i := range l.y {
			l.y[i] += f.v[i] * 0.5
		}
	}
	return newCanvas(l, w, h)
}

// tiles makes a wall of square tiles with joints.
func tiles(w, h int, colour bool, period, joint float64, face, gap ink, variety float32, seed int64) *canvas {
	l := newSheetLayer(w, h, colour, gap)
	for j := 0; float64(j)*period < float64(h); j++ {
		for i := 0; float64(i)*period < float64(w); i++ {
			k := face.lit(1 + (unit2(i, j, uint64(seed))-0.5)*variety)
			x, y := float64(i)*period, float64(j)*period
			l.box(x, y, x+period-joint, y+period-joint, func(u, v float32) ink { return k.lit(1.04 - 0.08*v) })
		}
	}
	return newCanvas(l, w, h)
}
