package screen

import (
	"math"

	"setwitness/decode/picture"
)

// The blur of a lens adds light, not code values: where a code value is half
// of the way up a blurred edge, the light is well below half. Edges are
// therefore located in light. The response is taken for that of video for
// want of a measured one; an error in it moves an edge by a small part of the
// blur, the same part in each frame.
const (
	responsePower = 2.2
	blackCode     = 16.0 / 255 // limited range; a full-range file loses its deepest shadows here
	whiteCode     = 235.0 / 255
)

// response is relative light for each code value of one depth.
type response []float32

func responseOf(depth int) response {
	r := make(response, 1<<depth)
	for i := range r {
		c := float64(i) / float64(len(r)-1)
		c = max((c-blackCode)/(whiteCode-blackCode), 0)
		r[i] = float32(math.Pow(c, responsePower))
	}
	return r
}

// frame reads light out of a plane.
type frame struct {
	*picture.Plane
	response response
}

// inside reports whether light can be read at x, y without leaving the plane.
func (f frame) inside(x, y float64) bool {
	return x >= 0 && y >= 0 && x < float64(f.W-1) && y < float64(f.H-1)
}

// light interpolates between the four pixels around x, y, which are inside.
func (f frame) light(x, y float64) float32 {
	ix, iy := int(x), int(y)
	fx, fy := float32(x-float64(ix)), float32(y-float64(iy))
	i := iy*f.Stride + ix
	var a, b, c, d float32
	if f.Pix != nil {
		a, b = f.response[f.Pix[i]], f.response[f.Pix[i+1]]
		i += f.Stride
		c, d = f.response[f.Pix[i]], f.response[f.Pix[i+1]]
	} else {
		last := len(f.response) - 1
		read := func(i int) float32 { return f.response[min(int(f.Pix16[i]), last)] }
		a, b = read(i), read(i+1)
		i += f.Stride
		c, d = read(i), read(i+1)
	}
	top, bottom := a+(b-a)*fx, c+(d-c)*fx
	return top + (bottom-top)*fy
}
