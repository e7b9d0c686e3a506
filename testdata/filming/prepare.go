package filming

import (
	"math"

	"setwitness/decode/picture"
)

// shown is a source picture in light, blurred as the camera will blur it.
type shown struct {
	source   int
	light    []float32 // nits, of each sample of the raster
	mean     float64   // nits
	red, blu []float32 // share of the light, of each 2x2 samples; nil for gray
	// seen is the picture as the camera sees it while nothing moves.
	seen []float32
}

// sampling returns how a raster is prepared for a blur of sigma samples. Each
// sample is a square of even light, of variance 1/12 itself. Reading between
// samples along a straight line stands for that square and a blur of another
// 1/12 together; what is more is blurred before, and where there is less the
// line is steeper: a step of less than a sample wide.
func sampling(sigma float64) (half []float32, step float32) {
	rest := sigma*sigma - 1.0/12
	if rest <= 0 {
		return nil, float32(sigma * math.Sqrt(12))
	}
	s := math.Sqrt(rest)
	n := int(math.Ceil(3 * s))
	sum := 0.0
	weights := make([]float64, n+1)
	for i := range weights {
		// The share of the Gaussian that falls on sample i.
		weights[i] = math.Erf((float64(i)+0.5)/s/math.Sqrt2) - math.Erf((float64(i)-0.5)/s/math.Sqrt2)
		sum += weights[i]
		if i > 0 {
			sum += weights[i]
		}
	}
	for _, w := range weights {
		half = append(half, float32(w/sum))
	}
	return half, 1
}

const (
	gridSteps  = 1024
	powerSteps = 4096
)

func flatGrid() []float32 {
	out := make([]float32, gridSteps)
	for i := range out {
		out[i] = 1
	}
	return out
}

// panelGrid returns the light across one pixel of the panel as the camera sees
// it: a lit stripe of a share fill, mean 1, after the blur of the lens and of
// the area of the camera's pixel, for a pitch in camera px. It is nil when
// nothing of it is left.
func panelGrid(fill, pitch, blurPx float64) []float32 {
	const (
		harmonics = 8
		visible   = 1e-3 // of the light: a tenth of a code
	)
	out := flatGrid()
	left := 0.0
	for n := 1; n <= harmonics; n++ {
		f := float64(n) / pitch
		a := 2 * sinc(float64(n)*fill) * math.Exp(-2*math.Pi*math.Pi*blurPx*blurPx*f*f) * sinc(f)
		left = max(left, math.Abs(a))
		for i := range out {
			phase := (float64(i)+0.5)/gridSteps - 0.5
			out[i] += float32(a * math.Cos(2*math.Pi*float64(n)*phase))
		}
	}
	if left < visible {
		return nil
	}
	return out
}

// sinc is sin(pi x)/(pi x).
func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// prepare returns a source picture in light.
func (r *renderer) prepare(c *Capture, source int) *shown {
	for i, s := range r.shown {
		if s.source == source {
			copy(r.shown[1:i+1], r.shown[:i])
			r.shown[0] = s
			return s
		}
	}
	var s *shown
	if len(r.shown) < r.keep {
		s = &shown{light: make([]float32, r.w*r.h)}
		r.shown = append(r.shown, s)
	} else {
		s = r.shown[r.keep-1]
	}
	copy(r.shown[1:], r.shown[:len(r.shown)-1])
	r.shown[0] = s
	s.source, s.seen = source, s.seen[:0]
	p := c.Source.At(source)
	sum := 0.0
	for y := range r.h {
		row := s.light[y*r.w : (y+1)*r.w]
		part := float32(0)
		if p.Y.Pix != nil {
			for x, v := range p.Y.Pix[y*p.Y.Stride:][:r.w] {
				row[x] = r.toLight[v]
				part += row[x]
			}
		} else {
			for x, v := range p.Y.Pix16[y*p.Y.Stride:][:r.w] {
				row[x] = r.toLight[v]
				part += row[x]
			}
		}
		sum += float64(part)
	}
	s.mean = sum / float64(r.w*r.h)
	s.red, s.blu = s.red[:0], s.blu[:0]
	if !p.Cb.Empty() && !p.Cr.Empty() {
		r.colour(s, p, c.Source.Format.Colour.FullRange)
	}
	r.blur(s.light)
	return s
}

// colour sets the shares of red and blue in the light of a picture, and its
// light by the sum of the three (BT.709-6 item 3.2 and BT.1886).
func (r *renderer) colour(s *shown, p *picture.Picture, fullRange bool) {
	w, h := r.w/2, r.h/2
	full := float32(p.Y.Full()) / 255
	zero, scale, black, white := float32(128)*full, 1/(224*full), 16*full, 219*full
	if fullRange {
		scale, black, white = 1/(255*full), 0, 255*full
	}
	power := func(v float32) float32 {
		return r.power[int(max(0, min(1, v))*(powerSteps-1)+0.5)]
	}
	for y := range h {
		cy := y * p.Cb.H / h
		for x := range w {
			cx := x * p.Cb.W / w
			// Dark samples carry no colour that could be told.
			luma := max(0.02, (float32(p.Y.At(2*x, 2*y))-black)/white)
			cb, cr := (float32(p.Cb.At(cx, cy))-zero)*scale, (float32(p.Cr.At(cx, cy))-zero)*scale
			er, eb := luma+1.5748*cr, luma+1.8556*cb
			eg := (luma - 0.2126*er - 0.0722*eb) / 0.7152
			red, green, blue := power(er), power(eg), power(eb)
			mean := 0.2126*red + 0.7152*green + 0.0722*blue
			if mean <= 0 {
				red, blue, mean = 1, 1, 1
			}
			s.red = append(s.red, red/mean)
			s.blu = append(s.blu, blue/mean)
			// Luma alone says too little of the light of strong colours.
			more := mean / power(luma)
			k := 2*y*r.w + 2*x
			s.light[k] *= more
			s.light[k+1] *= more
			s.light[k+r.w] *= more
			s.light[k+r.w+1] *= more
		}
	}
}

// blur does what the camera's blur does to the raster, in place.
func (r *renderer) blur(light []float32) {
	if n := len(r.blurX) - 1; n > 0 {
		line := make([]float32, r.w+2*n)
		for y := range r.h {
			row := light[y*r.w : (y+1)*r.w]
			copy(line[n:], row)
			for i := range n {
				line[i], line[n+r.w+i] = row[0], row[r.w-1]
			}
			for x := range row {
				near := line[x : x+2*n+1]
				v := near[n] * r.blurX[0]
				for k := 1; k <= n; k++ {
					v += (near[n-k] + near[n+k]) * r.blurX[k]
				}
				row[x] = v
			}
		}
	}
	if n := len(r.blurY) - 1; n > 0 {
		// The rows before the one in work are kept as they were.
		old := make([][]float32, n+1)
		for i := range old {
			old[i] = make([]float32, r.w)
		}
		at := func(y int) []float32 { return light[y*r.w : (y+1)*r.w] }
		for i := 1; i <= n; i++ {
			copy(old[i], at(0))
		}
		sum := make([]float32, r.w)
		for y := range r.h {
			copy(old[0], at(y))
			for x, v := range old[0] {
				sum[x] = v * r.blurY[0]
			}
			for k := 1; k <= n; k++ {
				above, below, weight := old[k][:len(sum)], at(min(y+k, r.h-1))[:len(sum)], r.blurY[k]
				for x := range sum {
					sum[x] += (above[x] + below[x]) * weight
				}
			}
			copy(at(y), sum)
			last := old[n]
			copy(old[1:], old[:n])
			old[0] = last
		}
	}
}
