package scene

import (
	"math"
	"math/rand/v2"
)

// mix64 scrambles the bits of x (the finaliser of splitmix64).
func mix64(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func hash2(x, y int, seed uint64) uint64 {
	return mix64(uint64(uint32(x)) | uint64(uint32(y))<<32 ^ seed*0xd6e8feb86659fd93)
}

// unit2 is a value in 0..1 that belongs to a point of a lattice.
func unit2(x, y int, seed uint64) float32 {
	return float32(hash2(x, y, seed)>>40) / (1 << 24)
}

func random(seed int64, stream uint64) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(seed), stream))
}

const (
	grainSize = 512
	grainUnit = 256.0 // one standard deviation in the grain tile
)

// grainTile makes a tile of noise of one standard deviation that repeats
// without a seam. Neighbours are slightly alike, as they are behind a
// camera's interpolation of colours and its lens.
func grainTile(seed int64) []int16 {
	r := random(seed, 7)
	white := make([]float32, grainSize*grainSize)
	for i := range white {
		white[i] = float32(r.NormFloat64())
	}
	const side = 0.25 // share of each of the four neighbours
	scale := float32(grainUnit / math.Sqrt(1+4*side*side))
	out := make([]int16, len(white))
	at := func(x, y int) float32 { return white[(y&(grainSize-1))*grainSize+x&(grainSize-1)] }
	for y := range grainSize {
		for x := range grainSize {
			v := at(x, y) + side*(at(x-1, y)+at(x+1, y)+at(x, y-1)+at(x, y+1))
			out[y*grainSize+x] = int16(max(-4*grainUnit, min(4*grainUnit, v*scale)))
		}
	}
	return out
}

// field is a rectangle of values.
type field struct {
	w, h int
	v    []float32
}

func newField(w, h int) *field { return &field{w: w, h: h, v: make([]float32, w*h)} }

// addNoise adds smooth noise of the given amplitude (it lies within
// -amplitude to amplitude) whose features are about cellX by cellY samples.
func (f *field) addNoise(cellX, cellY, amplitude float32, seed uint64) {
	cols := int(float32(f.w)/cellX) + 3
	top, bottom := make([]float32, f.w), make([]float32, f.w)
	row := -1
	fill := func(dst []float32, gy int) {
		g := make([]float32, cols)
		for i := range g {
			g[i] = unit2(i, gy, seed)*2 - 1
		}
		for x := range dst {
			p := float32(x) / cellX
			i := int(p)
			u := p - float32(i)
			u = u * u * (3 - 2*u)
			dst[x] = (g[i] + (g[i+1]-g[i])*u) * amplitude
		}
	}
	for y := range f.h {
		p := float32(y) / cellY
		gy := int(p)
		if gy != row {
			if gy == row+1 && row >= 0 {
				top, bottom = bottom, top
			} else {
				fill(top, gy)
			}
			fill(bottom, gy+1)
			row = gy
		}
		u := p - float32(gy)
		u = u * u * (3 - 2*u)
		out := f.v[y*f.w : (y+1)*f.w]
		for x := range out {
			out[x] += top[x] + (bottom[x]-top[x])*u
		}
	}
}

// addOctaves adds n layers of noise, each half the size and gain times the
// strength of the one before.
func (f *field) addOctaves(cell float32, n int, amplitude, gain float32, seed uint64) {
	for i := range n {
		f.addNoise(cell, cell, amplitude, seed+uint64(i)*101)
		cell /= 2
		amplitude *= gain
	}
}

func (f *field) at(x, y int) float32 {
	return f.v[min(max(y, 0), f.h-1)*f.w+min(max(x, 0), f.w-1)]
}

// blur softens the field with a box of 2r+1 samples in both directions,
// twice, which is close to a Gaussian.
func (f *field) blur(r int) {
	if r <= 0 {
		return
	}
	tmp := make([]float32, max(f.w, f.h))
	line := func(get func(i int) *float32, n int) {
		for i := range n {
			tmp[i] = *get(i)
		}
		var sum float32
		for i := -r; i <= r; i++ {
			sum += tmp[min(max(i, 0), n-1)]
		}
		for i := range n {
			*get(i) = sum / float32(2*r+1)
			sum += tmp[min(i+r+1, n-1)] - tmp[max(i-r, 0)]
		}
	}
	for range 2 {
		for y := range f.h {
			line(func(i int) *float32 { return &f.v[y*f.w+i] }, f.w)
		}
		for x := range f.w {
			line(func(i int) *float32 { return &f.v[i*f.w+x] }, f.h)
		}
	}
}
