package scene

import "math"

// kit is what a player wears.
type kit struct {
	shirt, trim, shorts, shoes, skin, hair ink
	stripes                                float32 // bands across the shirt; 0 for none
	number                                 string
}

// pose is how a player stands at one instant.
type pose struct {
	x, ground, metre float64 // foot point and samples a metre
	facing           float64 // -1 left, 1 right
	phase            float64 // of the stride, radians
	gait             float64 // 0 stands, 1 runs
	reach            float64 // 0 arms swing, 1 arms stretch to the ball
	aim              float64 // angle of the stretched arms, radians above level
}

// The light comes from above and a little from the left.
func round(k ink, rough float32, seed uint64) shader {
	return func(u, v float32) ink {
		f := 0.66 + 0.40*sqrt32(max(1-v*v, 0)) - 0.10*v
		if rough > 0 {
			// Folds of the cloth, fixed to it.
			n := foldNoise(u*3, v*1.5+1.5, seed)
			f += rough * (n - 0.5)
		}
		return k.lit(f)
	}
}

const foldSize = 64

// folds is a tile of values of 0..1 that foldNoise joins smoothly.
var folds = func() (tile [foldSize * foldSize]float32) {
	for i := range tile {
		tile[i] = unit2(i%foldSize, i/foldSize, 17)
	}
	return tile
}()

// foldNoise is smooth noise of 0..1 in two dimensions.
func foldNoise(u, v float32, seed uint64) float32 {
	u += float32(seed & (foldSize - 1))
	v += float32(seed >> 8 & (foldSize - 1))
	iu, iv := int(u), int(v)
	if u < 0 {
		iu--
	}
	if v < 0 {
		iv--
	}
	fu, fv := u-float32(iu), v-float32(iv)
	top, bottom := iv&(foldSize-1)*foldSize, (iv+1)&(foldSize-1)*foldSize
	left, right := iu&(foldSize-1), (iu+1)&(foldSize-1)
	a, b := folds[top+left], folds[top+right]
	c, d := folds[bottom+left], folds[bottom+right]
	return a + (b-a)*fu + (c-a+(a-b-c+d)*fu)*fv
}

// Sizes of the body in metres.
const (
	upperLeg, lowerLeg, footLength = 0.46, 0.47, 0.20
	torsoLength                    = 0.55
	upperArm, lowerArm             = 0.31, 0.29
	headRadius                     = 0.115
	bodyHeight                     = 1.90
)

func drawPlayer(l *layer, k *kit, p pose, seed uint64) {
	m := p.metre
	hipX := p.x
	bob := 0.035 * p.gait * math.Cos(2*p.phase)
	hipY := p.ground - (upperLeg+lowerLeg-0.02-0.06*p.gait+bob)*m
	lean := p.facing * (0.05 + 0.20*p.gait)
	chestX, chestY := hipX+math.Sin(lean)*torsoLength*m, hipY-math.Cos(lean)*torsoLength*m

	leg := func(phase float64, dim float32) {
		swing := p.gait*0.75*math.Sin(phase) + 0.08*p.gait
		bend := 0.08 + p.gait*(0.35+0.75*math.Max(0, math.Cos(phase+0.6)))
		a := p.facing * swing
		kneeX, kneeY := hipX+math.Sin(a)*upperLeg*m, hipY+math.Cos(a)*upperLeg*m
		b := p.facing * (swing - bend)
		ankleX, ankleY := kneeX+math.Sin(b)*lowerLeg*m, kneeY+math.Cos(b)*lowerLeg*m
		c := p.facing * (swing - bend + 0.2)
		toeX, toeY := ankleX+p.facing*math.Cos(c)*footLength*m, ankleY-p.facing*math.Sin(c)*footLength*m*0.6+0.02*m
		l.limb(kneeX, kneeY, 0.062*m, ankleX, ankleY, 0.042*m, round(k.skin.lit(dim), 0.05, seed))
		l.limb(kneeX+(ankleX-kneeX)*0.62, kneeY+(ankleY-kneeY)*0.62, 0.052*m, ankleX, ankleY, 0.046*m, round(rgb(0xe9e6df).lit(dim), 0.1, seed+1))
		l.limb(ankleX, ankleY+0.02*m, 0.050*m, toeX, toeY, 0.036*m, round(k.shoes.lit(dim), 0.1, seed+2))
		l.limb(hipX, hipY, 0.095*m, kneeX, kneeY, 0.066*m, round(k.skin.lit(dim), 0.05, seed+3))
		l.limb(hipX, hipY, 0.125*m, hipX+(kneeX-hipX)*0.68, hipY+(kneeY-hipY)*0.68, 0.105*m, round(k.shorts.lit(dim), 0.35, seed+4))
	}
	arm := func(phase float64, dim float32, shift float64) {
		sx, sy := chestX+shift*m, chestY+0.05*m
		swing := -p.gait * 0.8 * math.Sin(phase)
		a := p.facing * swing
		bend := p.facing * (0.35 + 0.95*p.gait)
		// Towards the ball: the arm turns from hanging to its aim.
		target := p.facing * (math.Pi/2 + p.aim)
		a += (target - a) * p.reach
		b := a + bend*(1-p.reach) + p.facing*0.15*p.reach
		ex, ey := sx+math.Sin(a)*upperArm*m, sy+math.Cos(a)*upperArm*m
		hx, hy := ex+math.Sin(b)*lowerArm*m, ey+math.Cos(b)*lowerArm*m
		l.limb(ex, ey, 0.042*m, hx, hy, 0.032*m, round(k.skin.lit(dim), 0.05, seed+5))
		l.disc(hx, hy, 0.045*m, func(u, v float32) ink { return k.skin.lit(dim * (0.95 - 0.15*v)) })
		l.limb(sx, sy, 0.055*m, ex, ey, 0.042*m, round(k.skin.lit(dim), 0.05, seed+6))
		l.limb(sx, sy, 0.075*m, sx+(ex-sx)*0.55, sy+(ey-sy)*0.55, 0.066*m, round(k.shirt.lit(dim), 0.3, seed+7))
	}

	arm(p.phase+math.Pi, 0.72, 0.05*p.facing)
	leg(p.phase+math.Pi, 0.74)
	leg(p.phase, 1)
	// The torso, with bands across the shirt.
	body := round(k.shirt, 0.32, seed+8)
	l.limb(hipX, hipY-0.05*m, 0.150*m, chestX, chestY+0.06*m, 0.185*m, func(u, v float32) ink {
		out := body(u*2, v)
		if k.stripes > 0 {
			if s := u * k.stripes; s-float32(int(s)) < 0.42 {
				out = round(k.trim, 0.32, seed+8)(u*2, v)
			}
		}
		return out
	})
	if k.number != "" {
		size := 0.17 * m
		w := textWidth(size, k.number)
		l.text((hipX+chestX)/2-w/2-0.03*m*p.facing, (hipY+chestY)/2-size*0.9, size, size*0.17, k.number, k.trim.lit(0.95))
	}
	headX, headY := chestX+math.Sin(lean)*0.24*m+p.facing*0.03*m, chestY-0.23*m
	l.limb(chestX, chestY-0.08*m, 0.065*m, headX, headY, 0.06*m, round(k.skin.lit(0.8), 0, seed))
	l.disc(headX, headY, headRadius*m, func(u, v float32) ink {
		f := 0.70 + 0.35*sqrt32(max(1-u*u-v*v, 0)) - 0.10*u - 0.12*v
		// Hair above and behind, the face in front.
		if v < -0.30 || float64(u)*p.facing < -0.35 && v < 0.35 {
			return k.hair.lit(f)
		}
		return k.skin.lit(f)
	})
	arm(p.phase, 1, -0.05*p.facing)
}

var skins = []uint32{0xf1c9a5, 0xe0ac80, 0xc68642, 0x8d5524, 0x5e3a1d, 0xd9a57a}
var hairs = []uint32{0x1c1410, 0x3b2717, 0x6b4a2b, 0xa67c4a, 0x111111, 0x8a8a8a}
