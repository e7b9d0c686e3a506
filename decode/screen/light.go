package screen

import (
	"math"
	"math/bits"

	"setwitness/decode/picture"
)

// The blur of a lens adds light, not code values: where a code value is half
// of the way up a blurred edge, the light is well below half. Edges are
// therefore located in light. The response is taken for that of IEC 61966-2-1
// for want of a measured one; an error in it moves an edge by a small part of
// the blur, the same part in each frame.

// response is relative light for each code value of one depth.
type response []float32

// responseOf returns the response of codes of limited or full range.
func responseOf(depth int, full bool) response {
	r := make(response, 1<<depth)
	black, white := 16./255, 235./255
	if full {
		black, white = 0, 1
	}
	for i := range r {
		v := (float64(i)/float64(len(r)-1) - black) / (white - black)
		switch {
		case v <= 0:
		case v <= 0.04045:
			r[i] = float32(v / 12.92)
		default:
			r[i] = float32(math.Pow((v+0.055)/1.055, 2.4))
		}
	}
	return r
}

// opposite returns the code of a depth that is as far from white as another is from black.
func opposite(code, depth int, full bool) int {
	black, white := 16<<(depth-8), 235<<(depth-8)
	if full {
		black, white = 0, 1<<depth-1
	}
	return min(max(black+white-code, 0), 1<<depth-1)
}

// negative returns the light of the opposite codes.
func (r response) negative(full bool) response {
	out := make(response, len(r))
	for c := range out {
		out[c] = r[opposite(c, bits.Len(uint(len(r)-1)), full)]
	}
	return out
}

// belowBlack is a code, of 8 bits, that limited range does not hold but for
// noise.
const belowBlack = 12

// toe is light, of white, below which shade is no longer a root: about three
// codes above black.
const toe = 0.001

// shade returns light on a scale that codes and eyes follow: a root, but not
// so steep in the dark as to be all noise there.
func shade(light float32) float32 {
	return float32(math.Sqrt(float64(light+toe))) - rootOfToe
}

const rootOfToe = 0.0316227766 // the square root of toe

// frame reads light out of a plane.
type frame struct {
	*picture.Plane
	response response
}

// inside reports whether light can be read at x, y without leaving the plane.
func (f frame) inside(x, y float64) bool {
	return x >= 0 && y >= 0 && x < float64(f.W-1) && y < float64(f.H-1)
}

// along returns the sum of light at n places tx, ty apart from x, y on, which are inside,
// each interpolated between the four pixels around it.
func (f *frame) along(x, y, tx, ty float64, n int) (sum float32) {
	for range n {
		ix, iy := int(x), int(y)
		fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
		i := iy*f.Stride + ix
		k := i + f.Stride
		var a, b, c, d float32
		if f.Pix != nil {
			table := (*[256]float32)(f.response)
			a, b, c, d = table[f.Pix[i]], table[f.Pix[i+1]], table[f.Pix[k]], table[f.Pix[k+1]]
		} else {
			last := uint16(len(f.response) - 1)
			a, b = f.response[min(f.Pix16[i], last)], f.response[min(f.Pix16[i+1], last)]
			c, d = f.response[min(f.Pix16[k], last)], f.response[min(f.Pix16[k+1], last)]
		}
		top, bottom := a+(b-a)*fx, c+(d-c)*fx
		sum += top + (bottom-top)*fy
		x, y = x+tx, y+ty
	}
	return sum
}
