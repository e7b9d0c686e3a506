package display

import (
	"math"
	"slices"

	"setwitness/decode/picture"
)

// A backlight that is switched at a rate of its own lights the rows of one
// camera frame unlike those of the next, and so those of the pictures that are
// built from them. What brightens all of a band of rows by one factor, against
// the other bands, is light and no picture.
const (
	lightCols, lightBands = 64, 48
	// lightPoints is the samples each way that stand for a cell of the grid.
	lightPoints = 3
	// leastLight is the level above black, in codes of 8 bits, from which a
	// ratio can be told from noise, and fewestLit the share of a band's cells
	// that must have it.
	leastLight, fewestLit = 6.0, 0.4
	// alikeLight is how far the ratios of the middle half of a band's cells
	// may differ, beside noise, where nothing but the light changes: what moves
	// differs more.
	alikeLight = 0.03
	// quartiles is how far the quartiles of a normal distribution are apart, in
	// standard deviations.
	quartiles = 1.35
	// mostLight bounds the factor: no backlight is seen to do more over an
	// exposure, and a flash does.
	mostLight = 0.3
	// leastRipple is the factor less 1 that is left alone: less than a code of
	// 8 bits anywhere.
	leastRipple = 0.004
	// forgetLight is the share of the factor that is kept from picture to
	// picture: the first picture's own ripple is not kept up for good. Where
	// nobody follows what moves, because the refresh is not known, the first
	// pictures take the mean of their ripples instead.
	forgetLight = 0.98
	// A backlight whose beat is longer than a frame's readout lights whole
	// pictures unlike the next. Where the ratios of the middle half of all cells
	// differ by less than a share, of one scene however it moves, their median is
	// the light; so much of it stays from picture to picture, as it is a fade's
	// when it goes on for a quarter of a second.
	alikePictures, followLight = 0.3, 0.08
)

// light evens the light of one picture after the other.
type light struct {
	black  float64
	before []float64 // grid of the last picture, evened
	cells  []float64
	factor []float64 // of each band
	ratios []float64
	// taken is how many pictures in a row belong to no lock.
	taken int
}

// even divides the ripple of the light out of a picture, whose samples have a
// standard deviation of noise.
func (l *light) even(p *picture.Plane, noise float64, locked bool) {
	keep := forgetLight
	if l.taken++; locked {
		l.taken = 0
	} else {
		keep = min(keep, 1-1/float64(l.taken))
	}
	if l.cells == nil {
		l.cells = make([]float64, lightCols*lightBands)
		l.factor = make([]float64, lightBands)
	}
	l.measure(p)
	if l.before == nil {
		l.before = slices.Clone(l.cells)
		for b := range l.factor {
			l.factor[b] = 1
		}
		return
	}
	least := leastLight * float64(int(1)<<(p.Depth-8))
	var known []float64
	told := make([]bool, lightBands)
	for b := range lightBands {
		l.ratios = l.ratios[:0]
		for x := range lightCols {
			i := b*lightCols + x
			if l.before[i] > least && l.cells[i] > least/2 {
				l.ratios = append(l.ratios, l.cells[i]/l.before[i])
			}
		}
		n := len(l.ratios)
		if float64(n) < fewestLit*lightCols {
			continue
		}
		slices.Sort(l.ratios)
		if l.ratios[n*3/4]-l.ratios[n/4] > alikeLight+quartiles*math.Sqrt2*noise/lightPoints/l.mean(b) {
			continue
		}
		l.factor[b], told[b] = l.ratios[n/2], true
		known = append(known, l.ratios[n/2])
	}
	const half = lightBands / 2
	whole := 1.0
	if len(known) >= half {
		slices.Sort(known)
		whole = known[len(known)/2]
	}
	flicker := 1.0
	if locked {
		flicker = l.flicker(least)
	}
	ripple := false
	for b := range l.factor {
		if len(known) < half || !told[b] {
			l.factor[b] = 1
			continue
		}
		l.factor[b] = 1 + keep*(l.factor[b]/whole-1)
		if math.Abs(l.factor[b]-1) > mostLight {
			l.factor[b] = 1
		}
	}
	if len(known) >= half {
		l.bridge(told)
	}
	for b := range l.factor {
		l.factor[b] *= flicker
		ripple = ripple || math.Abs(l.factor[b]-1) > leastRipple
	}
	if ripple {
		l.divide(p)
	}
	for b, f := range l.factor {
		if !ripple {
			f = 1
		}
		for x := range lightCols {
			l.before[b*lightCols+x] = l.cells[b*lightCols+x] / f
		}
	}
}

// flicker returns the factor of the light of all of a picture, of which the
// slow part stays: pictures fade, and a camera's exposure follows them.
func (l *light) flicker(least float64) float64 {
	l.ratios = l.ratios[:0]
	for i, v := range l.before {
		if v > least && l.cells[i] > least/2 {
			l.ratios = append(l.ratios, l.cells[i]/v)
		}
	}
	n := len(l.ratios)
	if float64(n) < fewestLit*lightCols*lightBands {
		return 1
	}
	slices.Sort(l.ratios)
	if l.ratios[n*3/4]-l.ratios[n/4] > alikePictures {
		return 1
	}
	return min(max(math.Pow(l.ratios[n/2], 1-followLight), 1-mostLight), 1+mostLight)
}

// mean returns the mean level of a band in the picture before.
func (l *light) mean(b int) float64 {
	sum := 0.0
	for _, v := range l.before[b*lightCols : (b+1)*lightCols] {
		sum += v
	}
	return max(sum/lightCols, math.SmallestNonzeroFloat64)
}

// bridge gives bands in which something moves what lies between their
// neighbours': the light goes on evenly behind a thing.
func (l *light) bridge(told []bool) {
	last := -1
	for b := 0; b <= len(told); b++ {
		if b < len(told) && !told[b] {
			continue
		}
		for i := last + 1; i < b; i++ {
			switch {
			case last < 0 && b == len(told):
			case last < 0:
				l.factor[i] = l.factor[b]
			case b == len(told):
				l.factor[i] = l.factor[last]
			default:
				t := float64(i-last) / float64(b-last)
				l.factor[i] = (1-t)*l.factor[last] + t*l.factor[b]
			}
		}
		last = b
	}
}

// measure fills the cells with levels above black.
func (l *light) measure(p *picture.Plane) {
	for b := range lightBands {
		for x := range lightCols {
			sum := 0
			for i := range lightPoints * lightPoints {
				u := (x*lightPoints + i%lightPoints) * p.W / (lightCols * lightPoints)
				v := (b*lightPoints + i/lightPoints) * p.H / (lightBands * lightPoints)
				sum += p.At(u, v)
			}
			l.cells[b*lightCols+x] = float64(sum)/(lightPoints*lightPoints) - l.black
		}
	}
}

// divide divides the rows by the factors, which go straight from the centre of
// one band to that of the next.
func (l *light) divide(p *picture.Plane) {
	const bits = 16
	full := int64(p.Full())
	black := int64(l.black)
	for y := range p.H {
		c := (float64(y)+0.5)*lightBands/float64(p.H) - 0.5
		i := int(math.Floor(c))
		t := c - float64(i)
		f := (1-t)*l.factor[max(i, 0)] + t*l.factor[min(i+1, lightBands-1)]
		if math.Abs(f-1) < leastRipple/4 {
			continue
		}
		gain := int64(math.Round(1 / f * (1 << bits)))
		row := p.Pix16[y*p.Stride:][:p.W]
		for x, v := range row {
			row[x] = uint16(min(max(black+((int64(v)-black)*gain)>>bits, 0), full))
		}
	}
}
