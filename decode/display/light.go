package display

import (
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/decode/refresh"
)

// A backlight that is switched at a rate of its own lights the rows of one
// camera frame unlike those of the next, and so those of the pictures that are
// built from them. What brightens all of a band of rows by one factor, against
// the other bands, is light and no picture. Where the camera is held upright it
// reads across the set's rows, and the bands of light lie at a slant: the factor
// then goes up and down along a band, too.
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
	// The spread of the factors leaves out one in spreadPart at either end, of what
	// else changes along a row. The phases of a backlight against the pictures come
	// again after a few of them: 5 where 200 Hz light 50 pictures before 240 frames.
	// The mean is over twice as many.
	spreadPart, rippleSpan = 10, 10
	// mostSlanting is the share of the bands in which a factor that changes along
	// them leaves less than half of what the best one that does not leaves, from
	// which the light lies at a slant. Of what moves none explains much.
	mostSlanting = 0.2
	// mostSlanted bounds the factor there: no flash and no shadow lies at a slant,
	// and a backlight that is off for half of an exposure does no more. slantRounds
	// are enough to come to it in steps of alikeLight. What changes slowly there is
	// a scene that dissolves, and stays as the light of all of a picture does.
	mostSlanted, slantRounds = 0.5, 16
)

// band is the factor of the light along a band of rows, by the polynomials of
// Legendre up to the third: half a wave from end to end is such a one to a
// hundredth of its height.
type band [4]float64

// legendre returns the polynomials at t, from -1 to 1.
func legendre(t float64) band {
	return band{1, t, (3*t*t - 1) / 2, (5*t*t - 3) * t / 2}
}

// at returns the factor where the polynomials are p.
func (b *band) at(p *band) float64 { return b[0]*p[0] + b[1]*p[1] + b[2]*p[2] + b[3]*p[3] }

// off is the most that the factor is off 1, within a tenth of that.
func (b *band) off() float64 {
	if b.level() {
		return math.Abs(b[0] - 1)
	}
	const places = 8
	most := 0.0
	for i := range places + 1 {
		p := legendre(2*float64(i)/places - 1)
		most = max(most, math.Abs(b.at(&p)-1))
	}
	return most
}

// level reports whether the factor is the same along all of the band.
func (b *band) level() bool { return b[1] == 0 && b[2] == 0 && b[3] == 0 }

// times multiplies the factor.
func (b *band) times(k float64) {
	for i := range b {
		b[i] *= k
	}
}

// light evens the light of one picture after the other.
type light struct {
	black  float64
	before []float64 // grid of the last picture, evened
	cells  []float64
	along  []band // the polynomials at each cell of a band
	// What the light does in each band, and whether that is known: as one factor,
	// and as one that changes along the band.
	factor, slant []band
	told, slants  []bool

	ratios, sorted []float64
	columns        []int // of the ratios
	// ripple is how far the factors of a picture's bands are apart lately, as a share
	// of the light.
	ripple float64
	gains  []int32 // of the rows of a picture
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
		l.factor, l.slant = make([]band, lightBands), make([]band, lightBands)
		l.told, l.slants = make([]bool, lightBands), make([]bool, lightBands)
		for x := range lightCols {
			l.along = append(l.along, legendre((2*float64(x)+1)/lightCols-1))
		}
	}
	l.measure(p)
	if l.before == nil {
		l.before = slices.Clone(l.cells)
		return
	}
	least := leastLight * float64(int(1)<<(p.Depth-8))
	most := mostLight
	if l.tell(noise, least) {
		most, keep = mostSlanted, min(keep, 1-followLight)
	}
	const half = lightBands / 2
	var known []float64 // factors of bands
	for b, told := range l.told {
		if told {
			known = append(known, l.factor[b][0])
		}
	}
	whole := 1.0
	if len(known) >= half {
		slices.Sort(known)
		whole = known[len(known)/2]
		n := len(known)
		spread := (known[n-1-n/spreadPart] - known[n/spreadPart]) / whole
		l.ripple += (spread - l.ripple) / rippleSpan
	}
	flicker := 1.0
	if locked {
		flicker = l.flicker(least)
	}
	ripple := false
	for b := range l.factor {
		f := &l.factor[b]
		if len(known) < half || !l.told[b] {
			*f = band{1}
			continue
		}
		f.times(keep / whole)
		if f[0] += 1 - keep; f.off() > most {
			*f, l.told[b] = band{1}, false
		}
	}
	if len(known) >= half {
		l.bridge()
	}
	for b := range l.factor {
		l.factor[b].times(flicker)
		ripple = ripple || l.factor[b].off() > leastRipple
	}
	if ripple {
		l.divide(p)
	}
	for b, f := range l.factor {
		if !ripple {
			f = band{1}
		}
		for x := range lightCols {
			l.before[b*lightCols+x] = l.cells[b*lightCols+x] / f.at(&l.along[x])
		}
	}
}

// tell finds what the light does in each band, where cells are above the level
// least, and reports whether it lies at a slant.
func (l *light) tell(noise, least float64) bool {
	slanting := 0
	for b := range lightBands {
		l.told[b], l.slants[b], l.slant[b] = false, false, band{}
		if !l.compare(b, least) {
			continue
		}
		within := l.within(b, noise)
		median, apart := l.middle()
		l.factor[b], l.told[b] = band{median}, apart <= within
		if apart > alikeLight {
			f, left := l.follow(median, within)
			if l.slant[b], l.slants[b] = f, left <= within; l.slants[b] && left < apart/2 {
				slanting++
			}
		}
	}
	if float64(slanting) <= mostSlanting*lightBands {
		return false
	}
	for b := range lightBands {
		if l.slant[b] == (band{}) && l.compare(b, least) {
			within := l.within(b, noise)
			f, left := l.follow(l.factor[b][0], within)
			l.slant[b], l.slants[b] = f, left <= within
		}
	}
	copy(l.factor, l.slant)
	copy(l.told, l.slants)
	return true
}

// compare takes the ratios of a band's cells to those of the picture before,
// and reports whether enough are lit.
func (l *light) compare(b int, least float64) bool {
	l.ratios, l.columns = l.ratios[:0], l.columns[:0]
	for x := range lightCols {
		i := b*lightCols + x
		if l.before[i] > least && l.cells[i] > least/2 {
			l.ratios, l.columns = append(l.ratios, l.cells[i]/l.before[i]), append(l.columns, x)
		}
	}
	return float64(len(l.ratios)) >= fewestLit*lightCols
}

// middle returns the median of the ratios and how far their quartiles are
// apart.
func (l *light) middle() (median, apart float64) {
	l.sorted = append(l.sorted[:0], l.ratios...)
	slices.Sort(l.sorted)
	n := len(l.sorted)
	return l.sorted[n/2], l.sorted[n*3/4] - l.sorted[n/4]
}

// uneven is how far the light of a picture's bands is apart lately, as a share of
// it, or 0 where that may as well be what moves.
func (l *light) uneven() float64 {
	if l.ripple < alikeLight {
		return 0
	}
	return l.ripple
}

// follow fits a factor that changes along the band to the ratios, from their
// median on, and returns how far the quartiles of what it leaves are apart. None
// counts for more than within: those of what moves are far off.
func (l *light) follow(median, within float64) (f band, apart float64) {
	f = band{median}
	for range slantRounds {
		var more, norm band
		for i, x := range l.columns {
			p := &l.along[x]
			d := min(max(l.ratios[i]-f.at(p), -within), within)
			for k, v := range p {
				more[k] += v * d
				norm[k] += v * v
			}
		}
		still := true
		for k := range f {
			more[k] /= norm[k]
			f[k] += more[k]
			still = still && math.Abs(more[k]) < leastRipple/4
		}
		if still {
			break
		}
	}
	for i, x := range l.columns {
		l.ratios[i] -= f.at(&l.along[x])
	}
	_, apart = l.middle()
	return f, apart
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

// within is how far the quartiles of a band's ratios may be apart.
func (l *light) within(b int, noise float64) float64 {
	sum := 0.0
	for _, v := range l.before[b*lightCols : (b+1)*lightCols] {
		sum += v
	}
	mean := max(sum/lightCols, math.SmallestNonzeroFloat64)
	return alikeLight + quartiles*math.Sqrt2*noise/lightPoints/mean
}

// bridge gives bands in which something moves what lies between their
// neighbours': the light goes on evenly behind a thing.
func (l *light) bridge() {
	last := -1
	for b := 0; b <= len(l.told); b++ {
		if b < len(l.told) && !l.told[b] {
			continue
		}
		for i := last + 1; i < b; i++ {
			switch {
			case last < 0 && b == len(l.told):
			case last < 0:
				l.factor[i] = l.factor[b]
			case b == len(l.told):
				l.factor[i] = l.factor[last]
			default:
				l.factor[i] = between(&l.factor[last], &l.factor[b], float64(i-last)/float64(b-last))
			}
		}
		last = b
	}
}

// between is the factor so far from one band to the other.
func between(a, b *band, t float64) (f band) {
	for k := range f {
		f[k] = (1-t)*a[k] + t*b[k]
	}
	return f
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
	full := int64(p.Full())
	black := int64(l.black)
	gain := func(f float64) int64 { return int64(math.Round(1 / f * (1 << refresh.GainBits))) }
	l.gains = slices.Grow(l.gains[:0], p.H)[:p.H]
	for y := range l.gains {
		l.gains[y] = 0
		c := (float64(y)+0.5)*lightBands/float64(p.H) - 0.5
		i := int(math.Floor(c))
		t := c - float64(i)
		f := between(&l.factor[max(i, 0)], &l.factor[min(i+1, lightBands-1)], t)
		if f.off() < leastRipple/4 {
			continue
		}
		if f.level() {
			l.gains[y] = int32(gain(f[0]))
			continue
		}
		row := p.Pix16[y*p.Stride:][:p.W]
		for x, v := range row {
			at := legendre((2*float64(x)+1)/float64(p.W) - 1)
			row[x] = uint16(min(max(black+((int64(v)-black)*gain(f.at(&at)))>>refresh.GainBits, 0), full))
		}
	}
	refresh.Scale(p, l.gains, int(black))
}
