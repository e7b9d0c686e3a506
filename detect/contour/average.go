package contour

import "setwitness/detect/cells"

// average brings the noise of a camera down: the mean of reduced planes.
type average struct {
	sum  []uint32
	mean []uint16
	n    uint32
}

func (a *average) add(r *cells.Reduced) {
	if len(a.sum) != len(r.Pix) {
		a.sum, a.mean = make([]uint32, len(r.Pix)), make([]uint16, len(r.Pix))
	}
	for i, v := range r.Pix {
		a.sum[i] += uint32(v)
	}
	a.n++
}

// take returns the mean of what was added, and begins anew.
func (a *average) take() []uint16 {
	for i, v := range a.sum {
		a.mean[i] = uint16((v + a.n/2) / a.n)
	}
	clear(a.sum)
	a.n = 0
	return a.mean
}
