package macroblocking

import (
	"math"
	"slices"

	"setwitness/detect/cells"
)

// tile is the edge of the squares that a picture is judged in, in pixels: as
// high as a band of a profile.
const tile = cells.Strip * cells.GridBand

// comb is where the edges of a grid lie along one axis: at phase, phase+pitch
// and so on, in pixels; an edge at x lies between samples x-1 and x.
type comb struct {
	pitch, phase float64
}

// same reports whether two combs have one pitch.
func (c comb) same(o comb) bool {
	const within = 0.02
	return math.Abs(c.pitch/o.pitch-1) < within
}

// own reports whether a comb over an axis of so many pixels is that of blocks of the
// take's own coder, 8 to 64 samples (MPEG-2, H.264, H.265), which lie from the border on.
func (c comb) own(length int) bool {
	// A pitch that is off by so much shows least in the middle.
	const within, aside = 0.008, 1
	octaves := math.Log2(c.pitch / 8)
	at := c.phase + c.pitch*math.Round((float64(length)/2-c.phase)/c.pitch)
	return octaves > -0.5 && octaves < 3.5 && math.Abs(octaves-math.Round(octaves))*math.Ln2 < within &&
		math.Abs(math.Remainder(at, 8)) < aside
}

// grid is a grid of blocks: its combs along rows and along columns.
type grid [2]comb

func (g grid) same(o grid) bool { return g[0].same(o[0]) && g[1].same(o[1]) }

// The rasters that are coded and shown in television, samples to a line by lines,
// each up to a power of two: 960x540 and 640x360 are among them, 480 lines are
// half of 960, of which 720 or 704 samples are the picture (common practice, no source).
var codedRasters = [...][2]float64{{1920, 1080}, {1440, 1080}, {1280, 720}, {1440, 576}, {1440, 960}, {1408, 576}, {1408, 960}}

// wideRasters are those of 480 or 240 lines that are 16 to 9, their samples rounded to
// even ones or to whole blocks.
var wideRasters = [...][2]float64{{854, 480}, {852, 480}, {848, 480}}

// rastersOf lists the rasters that a picture of w by h pixels may have been coded in: its
// own first.
func rastersOf(w, h float64) [][2]float64 {
	return slices.Concat([][2]float64{{w, h}}, wideRasters[:], codedRasters[:])
}

// ofSet reports whether a grid in a picture of w by h pixels can be that of a
// set, or of what came to it: along both axes a whole raster of blocks of 8
// samples, or of twice or half as many and so on, fills the picture. A camera's
// own blocks lie on the camera's pixels, of which the screen fills any number.
func (g grid) ofSet(w, h int) bool {
	for _, r := range codedRasters {
		if whole(float64(w)/g[0].pitch, r[0]) && whole(float64(h)/g[1].pitch, r[1]) {
			return true
		}
	}
	return false
}

// ofRaster reports whether a grid in a picture of w by h pixels can be that of a
// coder: its blocks are square in the picture's own samples, or in those of any raster
// that was made larger or smaller with its aspect kept, or in those of one with the
// aspect of television's that fills the picture. Of lines of fields they are twice as
// high. What things of the scene repeat after has any aspect.
func (g grid) ofRaster(w, h int) bool {
	square := func(aspect float64) bool {
		// Both pitches are told to a third of a per cent where a grid fills a quarter of
		// the picture, and 854 and 848 samples to a line pass for those of 1280.
		const within = 0.008
		octaves := math.Log2(g[0].pitch / g[1].pitch / aspect)
		return math.Abs(octaves-math.Round(octaves))*math.Ln2 < within
	}
	if square(1) {
		return true
	}
	for _, r := range codedRasters {
		if square(float64(w) / r[0] / (float64(h) / r[1])) {
			return true
		}
	}
	return false
}

// cropped reports whether a grid in a picture of w by h pixels is of blocks of 8 or 16 of
// its own samples, wherever they begin: those of a picture of which lines or columns were
// cut off after it was coded. What a scene shows repeats after any pitch.
func (g grid) cropped(w, h int) bool {
	for a, length := range [...]int{w, h} {
		// A pitch is told to a quarter of itself over the whole picture.
		p := g[a].pitch
		within := p / 4 / float64(length)
		if math.Abs(p/8-1) > within && math.Abs(p/16-1) > within {
			return false
		}
	}
	return true
}

// gridsOfRasters returns the grids of blocks that coders make in a picture of w by h
// pixels: in its own samples, or in those of a raster that fills it.
func gridsOfRasters(w, h float64) (out []grid) {
	for _, r := range rastersOf(w, h) {
		g := grid{{pitch: 8 * w / r[0]}, {pitch: 8 * h / r[1]}}
		for min(g[0].pitch, g[1].pitch) >= 2*leastPitch {
			g[0].pitch, g[1].pitch = g[0].pitch/2, g[1].pitch/2
		}
		for ; max(g[0].pitch, g[1].pitch) <= mostPitch; g[0].pitch, g[1].pitch = 2*g[0].pitch, 2*g[1].pitch {
			if min(g[0].pitch, g[1].pitch) >= leastPitch && !slices.Contains(out, g) {
				out = append(out, g)
			}
		}
	}
	return out
}

// lies reports whether along axis a, of so many pixels, a comb lies as a coder's does that
// fills it, whose blocks begin at the border: between two places, in pixels.
func (c comb) lies(a int, length, from, to float64) bool {
	const (
		within = 0.02 // a pitch is off by as much where a grid shows in little of the axis
		off    = 1.0  // pixels
	)
	for _, r := range rastersOf(length, length) { // along one axis alone
		p := length / r[a] * 8
		p *= math.Exp2(math.Round(math.Log2(c.pitch / p)))
		if p < leastPitch || math.Abs(c.pitch/p-1) > within {
			continue
		}
		k := math.Round((from - c.phase) / c.pitch)
		l := math.Round((to - c.phase) / c.pitch)
		if math.Abs(math.Remainder(c.phase+k*c.pitch, p)) <= off && math.Abs(math.Remainder(c.phase+l*c.pitch, p)) <= off {
			return true
		}
	}
	return false
}

// whole reports whether so many blocks are those of a length up to a power of two,
// to within the share to which the borders of a filmed screen are known.
func whole(count, length float64) bool {
	const within, block = 0.008, 8
	octaves := math.Log2(count * block / length)
	return math.Abs(octaves-math.Round(octaves))*math.Ln2 < within
}

// profile is cells.Profile of one picture, or the sum of several.
type profile[T int16 | int32] struct {
	edge, size, sign []T
}

func one(p *cells.Profile) profile[int16] { return profile[int16]{p.Edge, p.Size, p.Sign} }

// sums gathers a profile on a comb and beside it, in one tile.
type sums struct {
	on, off         float64 // of Edge
	offSquares      float64
	sizeOn, sizeOff float64 // of Size
	nOn, nOff       float64
}

func (s *sums) add(o *sums) {
	s.on += o.on
	s.off += o.off
	s.offSquares += o.offSquares
	s.sizeOn += o.sizeOn
	s.sizeOff += o.sizeOff
	s.nOn += o.nOn
	s.nOff += o.nOff
}

// quietEdge is the least spread of Edge that is reckoned with, in its unit,
// for one band: places without any noise have none.
const quietEdge = 8

// z is by how many standard deviations Edge is larger on the comb than beside.
func (s *sums) z() float64 {
	if s.nOn == 0 || s.nOff == 0 {
		return 0
	}
	spread := math.Sqrt(max(s.offSquares/s.nOff, quietEdge*quietEdge))
	return (s.on/s.nOn - s.off/s.nOff) / (spread * math.Sqrt(1/s.nOn+1/s.nOff))
}

// step is by how much a step on the comb is larger than beside, in the unit of
// Size.
func (s *sums) step() float64 {
	if s.nOn == 0 || s.nOff == 0 {
		return 0
	}
	return s.sizeOn/s.nOn - s.sizeOff/s.nOff
}

// stray is the standard deviation of a magnitude over its mean where chance gives
// its sign: that of the half of a normal distribution.
const stray = 0.75

// rise is the step on the comb with what is beside it taken off, in the unit of
// Size: noise and texture add to steps in squares, since neither knows the other.
// What they add by chance to the mean of a few is taken off as well.
func (s *sums) rise() float64 { return math.Sqrt(max(s.square(), 0)) }

// square is that of rise, and less than 0 where steps are smaller on the comb than
// beside.
func (s *sums) square() float64 {
	if s.nOn == 0 || s.nOff == 0 {
		return 0
	}
	on, off := s.sizeOn/s.nOn, s.sizeOff/s.nOff
	on = max(on-stray*off/math.Sqrt(s.nOn*cells.GridBand), 0)
	return on*on - off*off
}

// beside is the mean step beside the comb, in the unit of Size.
func (s *sums) beside() float64 {
	if s.nOff == 0 {
		return 0
	}
	return s.sizeOff / s.nOff
}

// contrast is how much larger a step is on the comb than beside.
func (s *sums) contrast() float64 {
	if s.nOn == 0 || s.nOff == 0 || s.sizeOn == 0 {
		return 0
	}
	// Beside there may be nothing at all.
	return s.sizeOn / s.nOn / max(s.sizeOff/s.nOff, math.SmallestNonzeroFloat64)
}

// aside is how far from an edge, in pixels, nothing of it is left in s of
// cells.Profile, if it is sharp.
const aside = 2

// gather sets out, of one row of tiles along a band, to the sums of a profile.
func gather[T int16 | int32](c comb, out []sums, p profile[T]) {
	clear(out)
	n := len(p.edge)
	from := 0
	for at := math.Mod(c.phase, c.pitch) - 1; ; at += c.pitch {
		// What is beside, up to this edge.
		for x := max(from, 0); x <= int(math.Ceil(at))-aside-1 && x < n; x++ {
			s := &out[min((x+1)/tile, len(out)-1)]
			v := float64(p.edge[x])
			s.off += v
			s.offSquares += v * v
			s.sizeOff += float64(p.size[x])
			s.nOff++
		}
		if at >= float64(n-1) {
			return
		}
		from = int(at) + aside + 1
		if at >= 0 {
			s := &out[min(int(at+1)/tile, len(out)-1)]
			s.on += between(p.edge, at)
			s.sizeOn += between(p.size, at)
			s.nOn++
		}
	}
}

// crossing sets out to what a profile has of steps that do not go on along a
// band: a line of the scene has one sign from end to end and leaves nothing,
// blocks beside each other have one each. As e of cells.Profile it is what is
// more than beside.
func crossing[T int16 | int32](out []int32, p profile[T]) []int32 {
	n := len(p.size)
	out = slices.Grow(out[:0], n)[:n]
	clear(out)
	const side = 3 // boundaries, as in cells.Profile
	odd := func(x int) int32 { return int32(p.size[x]) - max(int32(p.sign[x]), -int32(p.sign[x])) }
	for x := side; x < n-side; x++ {
		out[x] = odd(x) - (odd(x-side)+odd(x+side))/2
	}
	return out
}

// between is a value of a profile at a place between two entries.
func between[T int16 | int32](p []T, x float64) float64 {
	i := int(x)
	f := x - float64(i)
	return float64(p[i])*(1-f) + float64(p[i+1])*f
}

// on calls f with each place of the comb in a profile of n boundaries, as an
// index into it.
func (c comb) on(n int, f func(k int, at float64)) {
	k := 0
	for at := math.Mod(c.phase, c.pitch) - 1; at < float64(n-1); at += c.pitch {
		if at >= 0 {
			f(k, at)
		}
		k++
	}
}

// score is the sum of a profile on the comb as a multiple of what noise of the
// same strength gives; squares is the profile's energy.
func (c comb) score(profile []int32, squares float64) float64 {
	at := math.Mod(c.phase, c.pitch) - 1
	if at < 0 {
		at += c.pitch
	}
	var sum, n float64
	for ; at < float64(len(profile)-1); at += c.pitch {
		sum += between(profile, at)
		n++
	}
	if squares == 0 || n == 0 {
		return 0
	}
	return sum / math.Sqrt(squares/float64(len(profile))*n)
}

// energy is the sum of squares.
func energy(profile []int32) (sum float64) {
	for _, v := range profile {
		sum += float64(v) * float64(v)
	}
	return sum
}

// settle finds the comb near a pitch that fits a profile best; phase is that of
// any comb, if it is not known.
func settle(profile []int32, around comb, known bool) comb {
	squares := energy(profile)
	best, most := around, 0.0
	try := func(around comb, reach, step, phases, phaseStep float64) {
		for p := around.pitch - reach; p <= around.pitch+reach; p += step {
			for f := around.phase - phases; f <= around.phase+phases; f += phaseStep {
				c := comb{p, math.Mod(f+p, p)}
				if s := c.score(profile, squares); s > most {
					best, most = c, s
				}
			}
		}
	}
	// A pitch is told to half a pixel over the whole profile.
	fine := around.pitch / (2 * float64(len(profile)) / around.pitch)
	if !known {
		try(comb{around.pitch, around.pitch / 2}, 2*fine, fine, around.pitch/2, 1)
		try(best, fine, fine/2, 1, 0.25)
	} else {
		try(around, 4*fine, fine, around.pitch/4, 0.5)
	}
	try(best, fine, fine/4, 0.5, 0.125)
	return best
}

// parts of a pitch that a grid may have.
var parts = [...]int{4, 3, 2}

// partShare is the share that what lies between the edges of a comb has to have
// of what the edges have, for them to be edges of the same grid.
const partShare = 0.6

// turns returns the mean of a profile on the edges of a comb by turns of n, the
// least and the largest of these, and the turn of the largest.
func (c comb) turns(profile []int32, n int) (least, most float64, at int) {
	var sum, count [4]float64
	c.on(len(profile), func(k int, at float64) {
		sum[k%n] += between(profile, at)
		count[k%n]++
	})
	least, most = math.Inf(1), math.Inf(-1)
	for k := range n {
		v := sum[k] / max(count[k], 1)
		if v > most {
			most, at = v, k
		}
		least = min(least, v)
	}
	return least, most, at
}

// smallest is the comb of the smallest blocks: a pitch of which every second edge
// is none is half of it, and where there are edges at each half, third or quarter
// of a pitch, that is the pitch.
func (c comb) smallest(profile []int32) comb {
	if least, most, at := c.turns(profile, 2); least < partShare*most && 2*c.pitch < mostPitch {
		c = comb{2 * c.pitch, math.Mod(c.phase, c.pitch) + float64(at)*c.pitch}
	}
	for _, n := range parts {
		d := comb{c.pitch / float64(n), math.Mod(c.phase, c.pitch/float64(n))}
		if d.pitch < leastPitch {
			continue
		}
		if least, most, _ := d.turns(profile, n); most > 0 && least >= partShare*most {
			return d
		}
	}
	return c
}
