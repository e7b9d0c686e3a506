package combing

import (
	"image"
	"math"
	"math/cmplx"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect/cells"
)

// carrier is the pattern of lines that a comb has: half of the difference
// between the fields times cos(2 pi frequency y + phase). As woven it
// alternates from line to line; a scaler stretches it, and its phase then
// depends on where on the raster the first line came to lie.
type carrier struct {
	frequency float64 // cycles a raster line
	phase     float64 // radians, at raster line 0
	// gain is by how much the difference between the fields is raised, for what
	// a scaler took of it; 0 where it took little.
	gain float64
	// inUse is set for a carrier that a scale in use makes. One that was only heard is
	// no scale's that is known to take of a comb.
	inUse bool
}

// woven is the carrier of a comb that nothing has scaled.
var woven = carrier{frequency: 0.5}

// pitch is the height of a pair of comb lines in raster lines.
func (c carrier) pitch() float64 { return 1 / c.frequency }

// raised is by how much a carrier raises the difference between the fields, and
// what noise there is in it.
func (c carrier) raised() float64 { return max(1, c.gain) }

// step is how many raster lines apart the fields are sampled: about a line of
// a field, and twice as close as their detail needs.
func (c carrier) step() int {
	if c == woven {
		return 1
	}
	return max(1, int(math.Round(c.pitch()/2)))
}

// load fills f with the part of p whose first sample is at x, y, of w samples
// by h rows that are c.step() raster lines apart.
func (f *fields) load(p *picture.Plane, c carrier, x, y, w, h int) {
	if c == woven {
		f.split(p, x, y, w, h)
	} else {
		f.resize(x, y, w, h)
		f.step = c.step()
		f.demodulate(p, c)
	}
	f.clip(p)
}

// demodulate takes lines apart along a carrier: picture = base +
// envelope * carrier, and the fields are base + envelope and base - envelope.
// Base and envelope are low-passed by a raised cosine two periods long, which
// is zero at the carrier and its harmonics; for a carrier of two lines it is
// (1 2 1)/4, and the fields are those of split.
func (f *fields) demodulate(p *picture.Plane, c carrier) {
	var room [2*mostReach + 1]float32
	taps, reach := lowPass(c.frequency, &room)
	scale := float32(unit) / float32(int(1)<<(p.Depth-8))
	lo, hi := clampColumns(f.x, f.w, p.W)
	pix := cells.Samples{Pix: p.Pix, Pix16: p.Pix16, Stride: p.Stride}
	var rows [2*mostReach + 1]int32
	var mean, swing [2*mostReach + 1]float32
	n := len(taps)
	for j := range f.h {
		y := f.y + j*f.step
		for k, t := range taps {
			line := y + k - reach
			mean[k] = scale * t
			swing[k] = 2 * mean[k] * float32(c.raised()*math.Cos(2*math.Pi*c.frequency*float64(line)+c.phase))
			// Beyond the edge the picture is mirrored, which keeps its mean
			// and, for a line or two, its carrier.
			rows[k] = int32(mirror(line, p.H)*p.Stride + f.x + lo)
		}
		even, odd := f.even[j*f.w:][:f.w], f.odd[j*f.w:][:f.w]
		f.lines.Apart(even[lo:hi], odd[lo:hi], pix, rows[:n], mean[:n], swing[:n])
		extend(even, lo, hi)
		extend(odd, lo, hi)
	}
}

// mirror returns the line inside a picture of h lines that stands for line y.
func mirror(y, h int) int {
	if y < 0 {
		y = -y
	}
	if y >= h {
		y = 2*h - 2 - y
	}
	return max(0, min(y, h-1))
}

// lowPass fills room with the raised cosine for a carrier, and returns it with
// its reach to either side.
func lowPass(frequency float64, room *[2*mostReach + 1]float32) (taps []float32, reach int) {
	reach = int(math.Ceil(1/frequency)) - 1
	var wide [2*mostReach + 1]float64
	w := wide[:2*reach+1]
	sum := 0.0
	for i := range w {
		w[i] = 1 + math.Cos(math.Pi*float64(i-reach)*frequency)
		sum += w[i]
	}
	taps = room[:len(w)]
	for i := range w {
		taps[i] = float32(w[i] / sum)
	}
	return taps, reach
}

const (
	// leastFrequency is that of 480 lines shown on 2160, a ninth, with some
	// room; below it, a comb is no pattern of lines but stripes.
	leastFrequency = 0.095
	mostFrequency  = 0.47 // above it a comb does for a woven one over 16 lines
	mostReach      = 11   // of a low-pass at leastFrequency
	// coherent is the share of the energy at a carrier that has one phase:
	// more than chance gives over a window (measured on real footage).
	coherent = 0.35
	// leastEnvelope is the root mean square at the carrier worth a look, in
	// 8-bit codes, and envelopeNoise what white noise of deviation 1 makes of
	// it: twice the root of its bandwidth, some 0.2.
	leastEnvelope, envelopeNoise = 0.35, 0.9
	// A carrier's phase is known when lockedWindows agree on it on the whole,
	// or recentWindows coherent ones of late to recentAgree.
	lockedWindows = 6
	recentWindows = 3
	recentAgree   = 0.8
	recentMemory  = 8
	// recentPictures is how long late is: two bursts of five.
	recentPictures = 10
	// forget is what remains of old windows when a new one is added.
	forget = 0.98
)

// broadcastLines are the heights of the interlaced systems: 480, 576 and 1080
// active lines (BT.601, BT.709).
var broadcastLines = [...]float64{480, 576, 1080}

// plainRatios are scales that players offer beside those that fit a raster.
var plainRatios = [...]float64{1.5, 2}

// lowest returns the lowest frequency of the tracks, or 0.5.
func (t *tracker) lowest() float64 {
	f := 0.5
	for i := range t.tracks {
		f = min(f, t.tracks[i].frequency)
	}
	return f
}

// track follows one possible carrier through a take.
type track struct {
	frequency float64
	agree     complex128 // sum of squared envelopes, of which the phase is twice the carrier's
	windows   float64
	recent    []vote
}

// vote is the phase that one coherent window had.
type vote struct {
	picture int
	phasor  complex128 // of twice the carrier's phase, of length 1
}

// tracker holds the carriers that a take may have.
type tracker struct {
	tracks []track
	fixed  int // how many come from the systems
	peaks  []float64
}

func newTracker(height int) *tracker {
	t := &tracker{}
	add := func(f float64) {
		// Lines finer than the raster fold back.
		f = math.Abs(f - math.Round(f))
		near := func(o track) bool { return math.Abs(o.frequency-f) < peakWidth }
		if f >= leastFrequency && f <= mostFrequency && !slices.ContainsFunc(t.tracks, near) {
			t.tracks = append(t.tracks, track{frequency: f})
		}
	}
	for _, lines := range broadcastLines {
		add(0.5 * lines / float64(height))
	}
	for _, ratio := range plainRatios {
		add(0.5 / ratio)
	}
	t.fixed = len(t.tracks)
	return t
}

// newOverscan has the carriers of a picture that a set shows a few per cent larger than it
// is, to hide its edges (common practice, no source): in steps that turn a carrier by no
// more than a tenth of a cycle over half a window. The first of them is that of a woven
// comb, but low-passed over two lines more than the fields are: small print that moves by
// little differs from line to line of a field by as much as the fields do.
func newOverscan() *tracker {
	t := &tracker{}
	for larger := 1.0005; larger < 1.07; larger += 0.01 {
		t.tracks = append(t.tracks, track{frequency: 0.5 / larger})
	}
	return t
}

// add takes one window's measure in picture t into the track.
func (k *track) add(t int, square complex128, energy float64) {
	k.agree = k.agree*forget + square/complex(energy, 0)
	k.windows = k.windows*forget + 1
	k.recent = slices.DeleteFunc(k.recent, func(v vote) bool { return v.picture < t-recentPictures })
	if size := cmplx.Abs(square); size > coherent*energy {
		if len(k.recent) == recentMemory {
			k.recent = slices.Delete(k.recent, 0, 1)
		}
		k.recent = append(k.recent, vote{t, square / complex(size, 0)})
	}
}

// phase returns the phase on which the windows agree, if they do.
func (k *track) phase() (float64, bool) {
	if k.windows >= lockedWindows && cmplx.Abs(k.agree) > coherent*k.windows {
		return cmplx.Phase(k.agree) / 2, true
	}
	var sum complex128
	for _, v := range k.recent {
		sum += v.phasor
	}
	return cmplx.Phase(sum) / 2, len(k.recent) >= recentWindows && cmplx.Abs(sum) > recentAgree*float64(len(k.recent))
}

// find looks for the carrier of a window of picture t: the one with most of
// its energy in one phase. known is whether other windows had that phase.
func (t *tracker) find(l *looker, p *picture.Plane, picture int, window image.Rectangle, noise float64) (c carrier, known, ok bool) {
	best := 0.0
	l.sample(p, window)
	least := leastEnvelope*leastEnvelope + envelopeNoise*envelopeNoise*noise*noise
	for i := range t.tracks {
		k := &t.tracks[i]
		square, energy := l.envelope(window.Min.Y, k.frequency)
		if energy < least {
			continue
		}
		k.add(picture, square, energy)
		size := cmplx.Abs(square)
		if size < coherent*energy || size <= best {
			continue
		}
		best = size
		phase, locked := k.phase()
		if !locked {
			phase = cmplx.Phase(square) / 2
		}
		c, known = carrier{frequency: k.frequency, phase: phase, inUse: i < t.fixed}, locked
	}
	return c, known, best > 0
}

// columnStep is how far apart the columns are at which the lines of a window
// are held against carriers and taken to spectra.
const columnStep = 4

// sample keeps every columnStep-th column of a window for envelope, in 8-bit
// codes.
func (l *looker) sample(p *picture.Plane, window image.Rectangle) {
	l.columns, l.lines = window.Dx()/columnStep, window.Dy()
	if n := l.columns * l.lines; cap(l.samples) < n {
		l.samples = make([]float32, n)
		l.turns = make([]complex64, l.lines)
		l.re, l.im = make([]float32, l.columns), make([]float32, l.columns)
	}
	if p.Pix != nil {
		sampleRows(l, p.Pix, p, window.Min)
	} else {
		sampleRows(l, p.Pix16, p, window.Min)
	}
}

func sampleRows[T sample](l *looker, pix []T, p *picture.Plane, at image.Point) {
	scale := 1 / float32(int(1)<<(p.Depth-8))
	for j := range l.lines {
		row := pix[(at.Y+j)*p.Stride+at.X:]
		to := l.samples[j*l.columns:][:l.columns]
		for i := range to {
			to[i] = scale * float32(row[i*columnStep])
		}
	}
}

// envelope returns the mean of the squared complex envelope of a carrier over
// the window last sampled, whose first line is top, and that of its squared
// magnitude, in squared 8-bit codes.
func (l *looker) envelope(top int, frequency float64) (complex128, float64) {
	var room [2*mostReach + 1]float32
	taps, reach := lowPass(frequency, &room)
	step := carrier{frequency: frequency}.step()
	turns, re, im := l.turns[:l.lines], l.re[:l.columns], l.im[:l.columns]
	for j := range turns {
		sin, cos := math.Sincos(-2 * math.Pi * frequency * float64(top+j))
		turns[j] = complex64(complex(2*cos, 2*sin))
	}
	var square complex128
	energy := 0.0
	rows := 0
	for y := reach; y < l.lines-reach; y += step {
		clear(re)
		clear(im)
		for k, t := range taps {
			line := y + k - reach
			a, b := real(turns[line])*t, imag(turns[line])*t
			row := l.samples[line*l.columns:][:len(re)]
			for i, v := range row {
				re[i] += a * v
				im[i] += b * v
			}
		}
		for i := range re {
			a, b := float64(re[i]), float64(im[i])
			square += complex(a*a-b*b, 2*a*b)
			energy += a*a + b*b
		}
		rows++
	}
	if rows == 0 {
		return 0, 0
	}
	k := float64(rows * l.columns)
	return square / complex(k, 0), energy / k
}

const (
	// spectrumLines of a window go into its spectrum.
	spectrumLines = 64
	// A peak stands out by peakRatio from what lies flank bins to its sides.
	peakRatio = 6.0
	// peakAgree peaks within peakWidth of one another, of the last
	// peakMemory, make a carrier that no broadcast system explains.
	peakAgree  = 4
	peakWidth  = 0.004
	peakMemory = 24
	// mostTracks bounds the cost of a window.
	mostTracks = 6
)

// listen takes the spectrum of the window's lines and remembers its peak; a
// peak that keeps coming becomes a track.
func (t *tracker) listen(l *looker, p *picture.Plane, window image.Rectangle) {
	f, ok := l.peak(p, window)
	if !ok {
		return
	}
	for i := range t.tracks {
		if math.Abs(t.tracks[i].frequency-f) < 2*peakWidth {
			return
		}
	}
	if len(t.peaks) == peakMemory {
		t.peaks = slices.Delete(t.peaks, 0, 1)
	}
	t.peaks = append(t.peaks, f)
	sum, n := 0.0, 0
	for _, o := range t.peaks {
		if math.Abs(o-f) < peakWidth {
			sum += o
			n++
		}
	}
	if n < peakAgree {
		return
	}
	t.peaks = slices.DeleteFunc(t.peaks, func(o float64) bool { return math.Abs(o-f) < peakWidth })
	if len(t.tracks) >= mostTracks {
		// The weakest of the learned ones makes room.
		if t.fixed >= mostTracks {
			return
		}
		weakest := t.fixed
		for i := range t.tracks[t.fixed:] {
			if cmplx.Abs(t.tracks[t.fixed+i].agree) < cmplx.Abs(t.tracks[weakest].agree) {
				weakest = t.fixed + i
			}
		}
		t.tracks = slices.Delete(t.tracks, weakest, weakest+1)
	}
	t.tracks = append(t.tracks, track{frequency: sum / float64(n)})
}

// peak returns the frequency at which the spectrum of the window's columns
// stands out.
func (l *looker) peak(p *picture.Plane, window image.Rectangle) (float64, bool) {
	const n = spectrumLines
	first, last := int(math.Ceil(leastFrequency*n)), int(math.Floor(mostFrequency*n))
	const flank = 6
	y0 := max(1, min(window.Min.Y, p.H-1-n))
	if p.H < n+2 {
		return 0, false
	}
	var power [n/2 + 1]float64
	var column [n]float64
	for x := window.Min.X; x < window.Max.X; x += columnStep {
		for j := range column {
			y := y0 + j
			// The second difference evens out the fall of natural spectra.
			d := p.At(x, y-1) - 2*p.At(x, y) + p.At(x, y+1)
			column[j] = float64(d) * (0.5 - 0.5*math.Cos(2*math.Pi*(float64(j)+0.5)/n))
		}
		for k := 2; k <= n/2; k++ {
			// Goertzel's recurrence.
			c := 2 * math.Cos(2*math.Pi*float64(k)/n)
			var s1, s2 float64
			for _, v := range column {
				s1, s2 = v+c*s1-s2, s1
			}
			power[k] += s1*s1 + s2*s2 - c*s1*s2
		}
	}
	best, at := peakRatio, 0
	for k := first; k <= last; k++ {
		if power[k] < power[k-1] || power[k] < power[k+1] {
			continue
		}
		side, m := 0.0, 0.0
		for d := flank - 1; d <= flank+1; d++ {
			if k-d >= 2 {
				side += power[k-d]
				m++
			}
			if k+d <= n/2 {
				side += power[k+d]
				m++
			}
		}
		if r := power[k] * m / (side + 1); r > best {
			best, at = r, k
		}
	}
	if at == 0 {
		return 0, false
	}
	a, b, c := math.Log(power[at-1]+1), math.Log(power[at]+1), math.Log(power[at+1]+1)
	f := float64(at)
	if bend := a - 2*b + c; bend < 0 {
		f += max(-0.5, min(0.5, (a-c)/(2*bend)))
	}
	return f / n, true
}
