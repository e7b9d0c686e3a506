package filming

import "math"

func (r *renderer) setUpLens(c *Capture) {
	l, cam := c.lens, &c.Camera
	const steps = 2048
	half := func(n int) float64 { return (float64(n)/2 + 2*node) / l.f }
	r.shrinkTop = half(cam.W)*half(cam.W) + half(cam.H)*half(cam.H)
	r.shrink = make([]float32, steps+2)
	for i := range r.shrink {
		r.shrink[i] = float32(l.shrink(r.shrinkTop * float64(i) / steps))
	}
	r.shrinkTop /= steps
	r.falloff = make([]float32, cam.W*cam.H)
	for y := range cam.H {
		for x := range cam.W {
			dx, dy := (float64(x)+0.5-l.cx)/l.f, (float64(y)+0.5-l.cy)/l.f
			cos2 := 1 / (1 + dx*dx + dy*dy)
			r.falloff[y*cam.W+x] = float32(1 - cam.Falloff*(1-cos2*cos2))
		}
	}
}

// setUpWall renders the plane around the screen, as far as the camera may see.
func (r *renderer) setUpWall(c *Capture) {
	cam := &c.Camera
	g := Geometry{Homography: c.base, Inverse: c.base.inverse(), lens: c.lens}
	lo, hi := Point{math.Inf(1), math.Inf(1)}, Point{math.Inf(-1), math.Inf(-1)}
	margin := 4*node + 4*(cam.Motion.SwayPx+cam.Motion.ShakePx) + 2*cam.Motion.BumpPx + float64(cam.W)/50
	drift := math.Hypot(cam.Motion.DriftXPx, cam.Motion.DriftYPx) * c.times[len(c.times)-1]
	margin += drift + math.Abs(cam.Motion.ZoomPerS)*c.times[len(c.times)-1]*float64(cam.W)
	for i := range 9 {
		x := -margin + float64(i%3)/2*(float64(cam.W)+2*margin)
		y := -margin + float64(i/3)/2*(float64(cam.H)+2*margin)
		p := g.ToRaster(Point{x, y})
		lo = Point{min(lo.X, p.X), min(lo.Y, p.Y)}
		hi = Point{max(hi.X, p.X), max(hi.Y, p.Y)}
	}
	r.wallX, r.wallY = float32(lo.X), float32(lo.Y)
	r.wallW, r.wallH = cam.W/2, cam.H/2
	stepX, stepY := (hi.X-lo.X)/float64(r.wallW-1), (hi.Y-lo.Y)/float64(r.wallH-1)
	r.wallPerU, r.wallPerV = float32(1/stepX), float32(1/stepY)
	r.wallNits, r.glow = make([]float32, r.wallW*r.wallH), make([]float32, r.wallW*r.wallH)
	unit := 1 / float64(r.w)
	half := float64(r.h) / 2 * unit / c.aspect
	for j := range r.wallH {
		for i := range r.wallW {
			x := (lo.X + float64(i)*stepX - float64(r.w)/2) * unit
			y := (lo.Y + float64(j)*stepY - float64(r.h)/2) * unit / c.aspect
			n, glow := c.Room.wall(x, y, half)
			r.wallNits[j*r.wallW+i], r.glow[j*r.wallW+i] = float32(n), float32(glow)
		}
	}
}

// edgeSteps cuts the edge of something blurred, far standard deviations to
// either side, so that one step is less than a fifth of a per cent.
const edgeSteps = 2048

// setUpEdge tabulates how much of the light comes from within an edge.
func (r *renderer) setUpEdge() {
	r.edge = make([]float32, edgeSteps+1)
	for i := range r.edge {
		d := far * (2*float64(i)/edgeSteps - 1)
		r.edge[i] = float32(0.5 + 0.5*math.Erf(d/math.Sqrt2))
	}
}

// within returns how much of the light at a place comes from within an edge
// that is d standard deviations of the blur away.
func (r *renderer) within(d float32) float32 {
	if d >= far {
		return 1
	}
	if d <= -far {
		return 0
	}
	return r.edge[int((d+far)*(edgeSteps/2/far)+0.5)]
}

// covered returns how much of the light at a place comes from within the
// screen.
func (r *renderer) covered(u, v float32) float32 {
	x := r.within(min(u, float32(r.w)-u) / r.edgeX)
	if x == 0 {
		return 0
	}
	return x * r.within(min(v, float32(r.h)-v)/r.edgeY)
}

// inside reports whether a place lies so far inside the screen that its edge
// does not matter, and outside whether it lies so far outside.
func (r *renderer) inside(u, v float32) bool {
	mx, my := max(1, far*r.edgeX), max(1, far*r.edgeY)
	return u > mx && u < float32(r.w)-mx && v > my && v < float32(r.h)-my
}

// outside reports whether all between two places lies so far outside that
// neither the screen nor its bezel matters.
func (r *renderer) outside(u0, v0, u1, v1, bezel float32) bool {
	mx, my := bezel+far*r.edgeX, bezel+far*max(r.edgeX, r.edgeY)
	w, h := float32(r.w), float32(r.h)
	return u0 < -mx && u1 < -mx || u0 > w+mx && u1 > w+mx || v0 < -my && v1 < -my || v0 > h+my && v1 > h+my
}

// setRow renders what the camera sees of a picture in row y: on the screen,
// in the bezel and on the wall.
func (r *renderer) setRow(c *Capture, s *shown, y int, dst []float32) {
	mirrors := c.Room.mirrors()
	us, vs := r.grid.u[y*r.grid.n:(y+1)*r.grid.n], r.grid.v[y*r.grid.n:(y+1)*r.grid.n]
	bezel := float32(c.Room.Bezel * float64(r.w))
	for block := range r.grid.n - 1 {
		x0 := block * node
		x1 := min(x0+node, len(dst))
		u, v := us[block], vs[block]
		du, dv := (us[block+1]-u)/node, (vs[block+1]-v)/node
		part := dst[x0:x1]
		if r.inside(u, v) && r.inside(us[block+1], vs[block+1]) {
			switch {
			case r.gridX != nil:
				for i := range part {
					part[i] = r.read(s.light, u, v) * r.pixel(u, v)
					u, v = u+du, v+dv
				}
			case r.stepX < 1 || r.stepY < 1:
				for i := range part {
					part[i] = r.read(s.light, u, v)
					u, v = u+du, v+dv
				}
			default:
				r.readRow(part, s.light, u, v, du, dv)
			}
			continue
		}
		if u1, v1 := us[block+1], vs[block+1]; !mirrors && r.outside(u, v, u1, v1, bezel) {
			// The glow is smooth: its ends are enough.
			a, b := r.fromWall(r.glow, u, v)*float32(s.mean), r.fromWall(r.glow, u1, v1)*float32(s.mean)
			step := (b - a) / node
			for i := range part {
				part[i] = a
				a += step
			}
			continue
		}
		for i := range part {
			a := r.covered(u, v)
			light := float32(0)
			if a > 0 {
				light = a * r.read(s.light, u, v)
				if r.gridX != nil {
					light *= r.pixel(u, v)
				}
			}
			if a < 1 {
				light += (1 - a) * r.reflected(c, s, u, v, bezel, mirrors)
			}
			part[i] = light
			u, v = u+du, v+dv
		}
	}
}

// readRow reads the light at places well inside the screen along a line.
func (r *renderer) readRow(dst, light []float32, u, v, du, dv float32) {
	u -= 0.5
	v -= 0.5
	for i := range dst {
		x, y := int(u), int(v)
		fx, fy := u-float32(x), v-float32(y)
		k := y*r.w + x
		up := light[k : k+2 : k+2]
		down := light[k+r.w : k+r.w+2 : k+r.w+2]
		a := up[0] + (up[1]-up[0])*fx
		b := down[0] + (down[1]-down[0])*fx
		dst[i] = a + (b-a)*fy
		u, v = u+du, v+dv
	}
}

// read returns the light of a picture at a place, of its nearest samples when
// it lies outside.
func (r *renderer) read(light []float32, u, v float32) float32 {
	u = max(0, min(float32(r.w-1), u-0.5))
	v = max(0, min(float32(r.h-1), v-0.5))
	x, y := min(int(u), r.w-2), min(int(v), r.h-2)
	fx, fy := u-float32(x), v-float32(y)
	if r.stepX < 1 {
		fx = max(0, min(1, (fx-0.5)/r.stepX+0.5))
	}
	if r.stepY < 1 {
		fy = max(0, min(1, (fy-0.5)/r.stepY+0.5))
	}
	k := y*r.w + x
	a := light[k] + (light[k+1]-light[k])*fx
	b := light[k+r.w] + (light[k+r.w+1]-light[k+r.w])*fx
	return a + (b-a)*fy
}

// pixel returns the light of the panel's pixel at a place, mean 1.
func (r *renderer) pixel(u, v float32) float32 {
	x, y := u*r.panelX, v*r.panelY
	x -= float32(math.Floor(float64(x)))
	y -= float32(math.Floor(float64(y)))
	return r.gridX[int(x*gridSteps)&(gridSteps-1)] * r.gridY[int(y*gridSteps)&(gridSteps-1)]
}

// beyond returns how far a place is outside the screen, in columns.
func (r *renderer) beyond(u, v float32) float32 {
	return max(-u, u-float32(r.w), -v, v-float32(r.h))
}

// reflected returns what the bezel or the wall sends back of a picture.
func (r *renderer) reflected(c *Capture, s *shown, u, v, bezel float32, mirrors bool) float32 {
	out := r.beyond(u, v)
	a := r.onBezel(out, bezel)
	light := float32(0)
	if a > 0 {
		mu, mv := u, v
		if u < 0 {
			mu = -u
		} else if u > float32(r.w) {
			mu = 2*float32(r.w) - u
		}
		if v < 0 {
			mv = -v
		} else if v > float32(r.h) {
			mv = 2*float32(r.h) - v
		}
		light = a * float32(c.Room.BezelMirror) * r.read(s.light, mu, mv)
	}
	if a < 1 && c.Room.Glow > 0 {
		light += (1 - a) * r.fromWall(r.glow, u, v) * float32(s.mean)
	}
	if a < 1 && mirrors {
		w, h := float64(r.w), float64(r.h)
		mu, mv, share := c.Room.mirrored(float64(u)/w-0.5, (float64(v)-h/2)/w/c.aspect, h/2/w/c.aspect)
		if share > 0 {
			light += (1 - a) * float32(share) * r.read(s.light, float32(mu*w), float32(mv*h))
		}
	}
	return light
}

// onBezel returns the share of the bezel in the light of a place.
func (r *renderer) onBezel(out, bezel float32) float32 {
	if bezel == 0 {
		return 0
	}
	return r.within((bezel - out) / r.edgeX)
}

// fromWall reads a map of the plane around the screen.
func (r *renderer) fromWall(m []float32, u, v float32) float32 {
	fx := max(0, min(float32(r.wallW-1), (u-r.wallX)*r.wallPerU))
	fy := max(0, min(float32(r.wallH-1), (v-r.wallY)*r.wallPerV))
	x, y := min(int(fx), r.wallW-2), min(int(fy), r.wallH-2)
	fx -= float32(x)
	fy -= float32(y)
	k := y*r.wallW + x
	a := m[k] + (m[k+1]-m[k])*fx
	b := m[k+r.wallW] + (m[k+r.wallW+1]-m[k+r.wallW])*fx
	return a + (b-a)*fy
}

// roomRow returns the light of row y that is not the set's.
func (r *renderer) roomRow(c *Capture, y int, still bool) []float32 {
	w := c.Camera.W
	if !still {
		r.fillRoom(c, y, r.room)
		return r.room
	}
	if r.seenRoom == nil {
		r.seenRoom = make([]float32, w*c.Camera.H)
		for y := range c.Camera.H {
			r.fillRoom(c, y, r.seenRoom[y*w:(y+1)*w])
		}
	}
	return r.seenRoom[y*w : (y+1)*w]
}

func (r *renderer) fillRoom(c *Capture, y int, dst []float32) {
	us, vs := r.grid.u[y*r.grid.n:(y+1)*r.grid.n], r.grid.v[y*r.grid.n:(y+1)*r.grid.n]
	bezel := float32(c.Room.Bezel * float64(r.w))
	screen := float32(c.Room.ScreenNits)
	for block := range r.grid.n - 1 {
		x0 := block * node
		part := dst[x0:min(x0+node, len(dst))]
		u, v := us[block], vs[block]
		du, dv := (us[block+1]-u)/node, (vs[block+1]-v)/node
		if r.inside(u, v) && r.inside(us[block+1], vs[block+1]) {
			for i := range part {
				part[i] = screen
			}
			continue
		}
		if u1, v1 := us[block+1], vs[block+1]; r.outside(u, v, u1, v1, bezel) {
			a, b := r.fromWall(r.wallNits, u, v), r.fromWall(r.wallNits, u1, v1)
			middle := r.fromWall(r.wallNits, (u+u1)/2, (v+v1)/2)
			// An edge on the wall shows in one of the three.
			const even = 0.002
			if bend := a + b - 2*middle; bend < even*middle && bend > -even*middle {
				step := (b - a) / node
				for i := range part {
					part[i] = a
					a += step
				}
				continue
			}
			for i := range part {
				part[i] = r.fromWall(r.wallNits, u, v)
				u, v = u+du, v+dv
			}
			continue
		}
		for i := range part {
			a := r.covered(u, v)
			light := a * screen
			if a < 1 {
				b := r.onBezel(r.beyond(u, v), bezel)
				around := b * float32(c.Room.BezelNits)
				if b < 1 {
					around += (1 - b) * r.fromWall(r.wallNits, u, v)
				}
				light += (1 - a) * around
			}
			part[i] = light
			u, v = u+du, v+dv
		}
	}
}
