package refresh

// #include "kernel.h"
import "C"

import "setwitness/decode/picture"

const (
	// GainBits is the precision of the gains of Scale.
	GainBits = C.SW_REFRESH_GAIN_BITS
	// mostScaled is the depth up to which twice a sample times one in GainBits has room
	// in 32 bits.
	mostScaled = 12
)

// Scale multiplies what the samples of each row of a plane of 9 bits or more have above
// black by a gain, at most 4 in 1<<GainBits, within the range of codes. It leaves rows
// whose gain is 0 alone.
func Scale(p *picture.Plane, gains []int32, black int) {
	if p.Depth > mostScaled {
		scaleTwin(p, gains, black)
		return
	}
	C.sw_refresh_scale((*C.uint16_t)(&p.Pix16[0]), C.size_t(p.Stride), (*C.int32_t)(&gains[0]), C.int(black),
		C.int(p.Full()), C.int(p.W), C.int(p.H))
}

// scaleTwin does what the kernel does, for planes of any depth.
func scaleTwin(p *picture.Plane, gains []int32, black int) {
	full := int64(p.Full())
	for y, k := range gains[:p.H] {
		if k == 0 {
			continue
		}
		row := p.Pix16[y*p.Stride:][:p.W]
		for x, v := range row {
			row[x] = uint16(min(max(int64(black)+((int64(v)-int64(black))*int64(k))>>GainBits, 0), full))
		}
	}
}
