package blocks

import (
	"image"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
)

// scene8 is a plane of a level with noise.
func scene8(sigma float64) picture.Plane {
	r := rand.New(rand.NewPCG(1, 2))
	p := picture.New(640, 384, 8)
	for i := range p.Pix {
		p.Pix[i] = uint8(60 + sigma*r.NormFloat64() + 0.5)
	}
	return p
}

// chequered adds a step to every other block of 16 samples.
func chequered(p *picture.Plane, step uint8) picture.Plane {
	q := copied(p)
	for y := range q.H {
		for x := range q.W {
			if (x/16+y/16)%2 == 1 {
				q.Pix[y*q.Stride+x] += step
			}
		}
	}
	return q
}

// Blocks are as visible as their step, less where the scene hides them, and not on
// another grid than their own; without a coder there are none.
func TestShown(t *testing.T) {
	own, other := Grid{16, 0, 16, 0}, Grid{12, 5, 12, 5}
	flat, grainy := scene8(0), scene8(20)
	shown := func(p *picture.Plane, step uint8, g Grid) float64 {
		q := chequered(p, step)
		v, _ := Shown(p, &q, image.Rect(0, 0, p.W, p.H), g)
		return v
	}
	one, three := shown(&flat, 1, own), shown(&flat, 3, own)
	if one < 1 || three < 2.8*one || three > 3.2*one {
		t.Errorf("steps of one and three codes have %.2f and %.2f JND", one, three)
	}
	if v := shown(&grainy, 3, own); v > three/2 || v == 0 {
		t.Errorf("in grain %.2f JND, without %.2f", v, three)
	}
	if v := shown(&flat, 3, other); v > three/2 {
		t.Errorf("on another grid %.2f JND, on its own %.2f", v, three)
	}
	if v := shown(&grainy, 0, own); v != 0 {
		t.Errorf("without a step %.2f JND", v)
	}
}

// What a coder takes away leaves no blocks, though its error has steps on their grid.
func TestShownOfLoss(t *testing.T) {
	flat := scene8(0)
	lost := chequered(&flat, 6)
	if v, codes := Shown(&lost, &flat, image.Rect(0, 0, flat.W, flat.H), Grid{16, 0, 16, 0}); v != 0 || codes != 0 {
		t.Errorf("%.2f JND, %.2f codes", v, codes)
	}
	if _, codes := Shown(&flat, &lost, image.Rect(0, 0, flat.W, flat.H), Grid{16, 0, 16, 0}); codes != 6 {
		t.Errorf("steps of 6 codes are %.2f", codes)
	}
}
