// Package blocks is a catalogue of invented and real takes with block edges on
// a known grid, and of takes without any that look as if they had some.
//
// In: a seed. Out: takes (package takes) with the truth about them. Package exam
// runs the stage over them and prints what it missed and what it made up.
package blocks

import (
	"image"
	"math"
	"math/rand/v2"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
)

// Names of the measures of a truth.
const (
	PitchX = "pitch_x_px"
	PitchY = "pitch_y_px"
	// SeenJND is how visible the blocks are by Shown: a fault that cannot be seen
	// is none, and may be found or not.
	SeenJND = "seen_jnd"
	// SeenCodes is their step by Shown, in 8-bit codes.
	SeenCodes = "seen_codes"
)

// Coding is a bad coder and what is done to its pictures afterwards.
type Coding struct {
	// W and H are the raster that it codes; the result is scaled back to that
	// of the take. 0 means the take's own.
	W, H int
	// OriginX and OriginY are where in that raster the first block begins.
	OriginX, OriginY int
	// Quality: Table quantises 8x8 transforms by the luminance table of ITU-T
	// T.81 (Table K.1) times it. Means, in 8-bit codes, instead gives each block
	// of Block samples a mean that is off by up to half of it, and keeps the
	// detail: what is left when noise is added again afterwards.
	Table, Means float64
	Block        int // of Means: 8 or 16
	// Hold is how many pictures keep their wrong means.
	Hold int
	// Up is the filter that scales back.
	Up faults.Filter
}

// Coded is what a coder that is bad in pictures first to last makes of a
// sequence, in a region or (empty) the whole picture. Before and after, only its
// scaling is seen.
func Coded(s faults.Sequence, c Coding, first, last int, region image.Rectangle, seed int64) faults.Sequence {
	f := s.Format
	if c.W == 0 {
		c.W, c.H = f.W, f.H
	}
	whole := image.Rect(0, 0, f.W, f.H)
	if region.Empty() {
		region = whole
	}
	scale := func(q faults.Sequence, w, h int, by faults.Filter) faults.Sequence {
		if q.Format.W == w && q.Format.H == h {
			return q
		}
		return faults.Scale(q, w, h, by)
	}
	small := scale(s, c.W, c.H, faults.Smooth)
	bad := small
	bad.At = func(i int) *picture.Picture {
		p := small.At(i)
		q := &picture.Picture{Index: i, Frame: i, Time: p.Time, Y: c.code(&p.Y, i, seed)}
		return q
	}
	good, bad := scale(small, f.W, f.H, c.Up), scale(bad, f.W, f.H, c.Up)
	block := 8.0
	if c.Means > 0 {
		block = float64(c.Block)
	}
	middle := (first + min(last, s.Len-1)) / 2
	scaleX, scaleY := float64(f.W)/float64(c.W), float64(f.H)/float64(c.H)
	grid := Grid{block * scaleX, float64(c.OriginX) * scaleX, block * scaleY, float64(c.OriginY) * scaleY}
	seen, codes := Shown(&good.At(middle).Y, &bad.At(middle).Y, region, grid)
	out := good
	out.Truth = append(out.Truth, faults.Truth{
		Kind: detect.Macroblocking, First: first, Last: min(last, s.Len-1), Region: region.Intersect(whole),
		Measures: map[string]float64{
			PitchX: grid.PitchX, PitchY: grid.PitchY, SeenJND: seen, SeenCodes: codes,
		},
	})
	out.At = func(i int) *picture.Picture {
		p := good.At(i)
		q := &picture.Picture{Index: i, Frame: i, Time: p.Time, Y: p.Y}
		if i < first || i > last {
			return q
		}
		b := bad.At(i)
		if region == whole {
			q.Y = b.Y
			return q
		}
		q.Y = copied(&p.Y)
		for y := region.Min.Y; y < region.Max.Y; y++ {
			if q.Y.Pix != nil {
				copy(q.Y.Pix[y*q.Y.Stride+region.Min.X:][:region.Dx()], b.Y.Pix[y*b.Y.Stride+region.Min.X:])
			} else {
				copy(q.Y.Pix16[y*q.Y.Stride+region.Min.X:][:region.Dx()], b.Y.Pix16[y*b.Y.Stride+region.Min.X:])
			}
		}
		return q
	}
	return out
}

func copied(p *picture.Plane) picture.Plane {
	q := picture.New(p.W, p.H, p.Depth)
	for y := range p.H {
		for x := range p.W {
			set(&q, x, y, p.At(x, y))
		}
	}
	return q
}

func set(p *picture.Plane, x, y, v int) {
	v = min(max(v, 0), p.Full())
	if p.Pix != nil {
		p.Pix[y*p.Stride+x] = uint8(v)
	} else {
		p.Pix16[y*p.Stride+x] = uint16(v)
	}
}

// table is Table K.1 of ITU-T T.81: what 8x8 transforms of luminance are divided
// by.
var table = [64]float64{
	16, 11, 10, 16, 24, 40, 51, 61,
	12, 12, 14, 19, 26, 58, 60, 55,
	14, 13, 16, 24, 40, 57, 69, 56,
	14, 17, 22, 29, 51, 87, 80, 62,
	18, 22, 37, 56, 68, 109, 103, 77,
	24, 35, 55, 64, 81, 104, 113, 92,
	49, 64, 78, 87, 103, 121, 120, 101,
	72, 92, 95, 98, 112, 100, 103, 99,
}

// code returns what the coder makes of picture i.
func (c Coding) code(p *picture.Plane, i int, seed int64) picture.Plane {
	q := copied(p)
	unit := float64(int(1) << (p.Depth - 8))
	if c.Means > 0 {
		hold := max(c.Hold, 1)
		r := rand.New(rand.NewPCG(uint64(seed), uint64(i/hold)))
		for y := c.OriginY - c.Block; y < p.H; y += c.Block {
			for x := c.OriginX - c.Block; x < p.W; x += c.Block {
				off := int(math.Round((r.Float64() - 0.5) * 2 * c.Means * unit))
				for v := max(y, 0); v < min(y+c.Block, p.H); v++ {
					for u := max(x, 0); u < min(x+c.Block, p.W); u++ {
						set(&q, u, v, p.At(u, v)+off)
					}
				}
			}
		}
		return q
	}
	const n = 8
	var cos [n][n]float64
	for k := range n {
		for x := range n {
			cos[k][x] = math.Cos(math.Pi*float64((2*x+1)*k)/(2*n)) / 2
			if k == 0 {
				cos[k][x] /= math.Sqrt2
			}
		}
	}
	for y := c.OriginY - n; y < p.H; y += n {
		for x := c.OriginX - n; x < p.W; x += n {
			var a, b [n][n]float64
			for v := range n {
				for u := range n {
					// Beyond the edge the last sample goes on.
					a[v][u] = float64(p.At(min(max(x+u, 0), p.W-1), min(max(y+v, 0), p.H-1))) / unit
				}
			}
			transform(&b, &a, func(k, x int) float64 { return cos[k][x] })
			for v := range n {
				for u := range n {
					by := table[v*n+u] * c.Table
					b[v][u] = math.Round(b[v][u]/by) * by
				}
			}
			transform(&a, &b, func(k, x int) float64 { return cos[x][k] })
			for v := max(y, 0); v < min(y+n, p.H); v++ {
				for u := max(x, 0); u < min(x+n, p.W); u++ {
					set(&q, u, v, int(math.Round(a[v-y][u-x]*unit)))
				}
			}
		}
	}
	return q
}

// transform sets out to the sums of in weighted along both axes.
func transform(out, in *[8][8]float64, weight func(k, x int) float64) {
	var half [8][8]float64
	for y := range 8 {
		for k := range 8 {
			for x := range 8 {
				half[y][k] += weight(k, x) * in[y][x]
			}
		}
	}
	*out = [8][8]float64{}
	for k := range 8 {
		for j := range 8 {
			for y := range 8 {
				out[j][k] += weight(j, y) * half[y][k]
			}
		}
	}
}
