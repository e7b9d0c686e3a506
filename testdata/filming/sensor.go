package filming

import (
	"math"
	"math/rand/v2"

	"setwitness/decode/picture"
)

func (r *renderer) setUpResponse(c *Capture) {
	cam := &c.Camera
	one := func(g float64) float64 {
		if g == 0 {
			return 1
		}
		return g
	}
	red := one(cam.RedGain) * one(c.Set.RedGain)
	blue := one(cam.BlueGain) * one(c.Set.BlueGain)
	n := linearSteps
	r.luma, r.response = make([]uint8, n), make([]float32, n)
	r.redGain, r.blueGain = float32(red), float32(blue)
	r.likeWhite = make([]float32, powerSteps)
	next := 0
	for i := range n {
		x := (float64(i) + 0.5) * linearTop / linearSteps
		// BT.709-6 item 3.2.
		y := 0.2126*cam.response(red*x) + 0.7152*cam.response(x) + 0.0722*cam.response(blue*x)
		r.luma[i] = uint8(math.Round(cam.code(y)))
		r.response[i] = float32(cam.response(x))
		for next < powerSteps && y >= float64(next)/(powerSteps-1) {
			r.likeWhite[next] = float32(x)
			next++
		}
	}
	for ; next < powerSteps; next++ {
		r.likeWhite[next] = linearTop
	}
	n /= coarse
	r.cb, r.cr = make([]float32, n), make([]float32, n)
	r.sigma, r.chromaSigma = make([]float32, n), make([]float32, n)
	chroma := 224.0
	if cam.FullRange {
		chroma = 255
	}
	for i := range n {
		x := (float64(i) + 0.5) * coarse * linearTop / linearSteps
		er, eg, eb := cam.response(red*x), cam.response(x), cam.response(blue*x)
		y := 0.2126*er + 0.7152*eg + 0.0722*eb
		r.cb[i] = float32(128 + chroma*(eb-y)/1.8556)
		r.cr[i] = float32(128 + chroma*(er-y)/1.5748)
		r.sigma[i] = float32(math.Sqrt(x/cam.FullWellE + cam.ReadNoiseE*cam.ReadNoiseE/cam.FullWellE/cam.FullWellE))
		// The mean of four pixels has half of the noise.
		slope := (cam.response(x+1e-4) - cam.response(x)) / 1e-4
		r.chromaSigma[i] = float32(chroma * slope * float64(r.sigma[i]) / 2)
	}
}

// expose turns a row of linear light into luma codes, with noise.
func (r *renderer) expose(dst []uint8, light []float32, rnd *rand.Rand) {
	noise := r.noise[rnd.IntN(noiseSize):][:len(light)]
	dst = dst[:len(light)]
	sigma, luma := r.sigma[:linearSteps/coarse], r.luma[:linearSteps]
	const scale = linearSteps / linearTop
	for x, v := range light {
		k := min(max(int(v*(scale/coarse)), 0), linearSteps/coarse-1)
		v += sigma[k] * noise[x]
		k = min(max(int(v*scale), 0), linearSteps-1)
		dst[x] = luma[k]
	}
}

// tint sets the chroma of a pair of rows when the second one is in work. Where
// a coloured picture has set it before, only noise is added.
func (r *renderer) tint(c *Capture, p *picture.Picture, pics []*shown, y int, rnd *rand.Rand) {
	w := c.Camera.W / 2
	mean := r.chroma
	if y%2 == 0 {
		for x := range mean {
			mean[x] = r.out[2*x] + r.out[2*x+1]
		}
		return
	}
	noiseB := r.noise[rnd.IntN(noiseSize):][:w]
	noiseR := r.noise[rnd.IntN(noiseSize):][:w]
	cb, cr := p.Cb.Pix[y/2*w:][:w], p.Cr.Pix[y/2*w:][:w]
	const scale = linearSteps / coarse / linearTop
	colour := len(pics[0].red) > 0
	tableB, tableR, sigma := r.cb[:linearSteps/coarse], r.cr[:linearSteps/coarse], r.chromaSigma[:linearSteps/coarse]
	for x := range mean {
		v := (mean[x] + r.out[2*x] + r.out[2*x+1]) / 4
		k := min(max(int(v*scale), 0), linearSteps/coarse-1)
		b, e := tableB[k], tableR[k]
		if colour {
			b, e = r.hueB[x], r.hueR[x]
		}
		b += sigma[k]*noiseB[x] + 0.5
		e += sigma[k]*noiseR[x] + 0.5
		cb[x], cr[x] = uint8(max(0, min(255, b))), uint8(max(0, min(255, e)))
	}
}

// main returns the picture with the most light in a pixel of the row.
func (r *renderer) main(pics []*shown, x int) *shown {
	if r.only != nil {
		return r.only
	}
	var out *shown
	best := float32(0)
	for k, s := range pics {
		if w := r.weights[k][x]; w > best {
			out, best = s, w
		}
	}
	return out
}

// paint gives the row in work the colours of coloured pictures: their chroma,
// and light that a camera of white light would give the same luma. The lens's
// blur of colours is left out: chroma is coarse as it is.
func (r *renderer) paint(c *Capture, p *picture.Picture, pics []*shown, y int) {
	g := &r.grid
	us, vs := g.u[y*g.n:(y+1)*g.n], g.v[y*g.n:(y+1)*g.n]
	encode := func(x float32) float32 {
		return r.response[min(max(int(x*(linearSteps/linearTop)), 0), linearSteps-1)]
	}
	scale := float32(224)
	if c.Camera.FullRange {
		scale = 255
	}
	for x := range r.hueB {
		k, part := 2*x/node, float32(2*x%node)/node
		u := us[k] + (us[k+1]-us[k])*part
		v := vs[k] + (vs[k+1]-vs[k])*part
		red, blue := float32(1), float32(1)
		if u >= 0 && v >= 0 && u < float32(r.w/2*2) && v < float32(r.h/2*2) {
			if s := r.main(pics, 2*x); s != nil {
				at := int(v/2)*(r.w/2) + int(u/2)
				red, blue = s.red[at], s.blu[at]
			}
		}
		green := (1 - 0.2126*red - 0.0722*blue) / 0.7152
		light := (r.out[2*x] + r.out[2*x+1]) / 2
		er, eg, eb := encode(light*red*r.redGain), encode(light*green), encode(light*blue*r.blueGain)
		luma := 0.2126*er + 0.7152*eg + 0.0722*eb
		r.hueB[x], r.hueR[x] = 128+scale*(eb-luma)/1.8556, 128+scale*(er-luma)/1.5748
		if light > 0 {
			like := r.likeWhite[min(int(luma*(powerSteps-1)+0.5), powerSteps-1)] / light
			r.out[2*x] *= like
			r.out[2*x+1] *= like
		}
	}
}

// Automatic exposure would have the mean of the set's pictures at autoLevel of
// white, but follows it by half of the distance only (in stops), as cameras
// that keep night looking like night (common practice, no source).
const (
	autoLevel  = 0.18
	autoFollow = 0.5
)

// gain returns how much the exposure has drifted at a time.
func (r *renderer) gain(c *Capture, t float64) float64 {
	cam := &c.Camera
	if cam.AutoExposureS == 0 {
		return 1
	}
	d := c.current(t, 0)
	aim := func(k int) float64 {
		mean := max(r.means[k], 1e-3*c.Set.PeakNits)
		g := math.Pow(autoLevel*cam.SaturationNits/mean, autoFollow)
		return max(1/cam.AutoExposureRange, min(cam.AutoExposureRange, g))
	}
	follow := func(from float64, k int, seconds float64) float64 {
		a := aim(k)
		return a + (from-a)*math.Exp(-seconds/cam.AutoExposureS)
	}
	for k := len(r.means); k <= d; k++ {
		r.means = append(r.means, r.prepare(c, c.displayed[k].Source).mean)
		if k == 0 {
			r.gains = append(r.gains, aim(0))
			continue
		}
		r.gains = append(r.gains, follow(r.gains[k-1], k-1, c.displayed[k].StartS-c.displayed[k-1].StartS))
	}
	return follow(r.gains[d], d, t-c.displayed[d].StartS)
}
