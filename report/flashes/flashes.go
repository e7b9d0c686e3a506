// Package flashes measures how often pictures flash when they are shown one
// after the other, against the published limits for people with photosensitive
// epilepsy.
//
// In: the pictures as they will be shown, and for how many frames each. Out: the
// most general and red flashes in any second, over an area that counts, and the
// longest time for which flashes follow each other.
//
// A general flash is a pair of opposing changes of relative luminance of 10 % or
// more, the darker below 80 % (W3C WCAG 2.3.1); on a display of 200 cd/m2 these
// are the 20 and 160 cd/m2 of Recommendation ITU-R BT.1702, which goes on above
// with a Michelson contrast of 1/17 (from memory). Both readings of a code are
// taken, that of sRGB and that of the broadcast display. A red flash is a pair of
// opposing changes of (R-G-B) x 320 of more than 20 to or from a saturated red,
// R/(R+G+B) of 0.8 or more (WCAG 2.0 to 2.1). More than three of either in a
// second over more than a quarter of a window are too many. The window is the 341 x
// 256 pixels of 1024 x 768 that WCAG takes for 10 degrees, on a display that is as
// high as the picture.
//
// Flashes that go on for more than five seconds may be a risk even where no second
// holds too many (BT.1702). That text does not say what ends such a sequence; here
// it is a second in which nothing changes by as much as a flash does.
package flashes

import (
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

const (
	// Most is the flashes in a second that are harmless (WCAG 2.3.1).
	Most = 3
	// Longest is the seconds for which flashes may follow each other (BT.1702).
	Longest = 5
	// The grid: square cells so small that a flash of a quarter of a window
	// holds tens of them, and so large that a fine pattern, which is exempt, is
	// even.
	rows = 27
	// The window is a third of the display's height, and 341/256 as wide.
	windowCols, windowRows = 12, 9
	// Lines of samples that are looked at: seven to a cell.
	sampledLines = 180

	displayPeak = 200.0 // cd/m2, the display of BT.1702
	darker      = 160.0 // cd/m2
	change      = 20.0  // cd/m2
	contrast    = 1.0 / 17
	// The same for relative luminance.
	relativeDarker, relativeChange = 0.8, 0.1
	redShare, redChange            = 0.8, 20
	redScale                       = 320
	// Transitions of a second that are kept, at each place: no more are
	// counted.
	kept = 24
)

// The quantities that are followed.
const (
	broadcast = iota
	relative
	red
	quantities
)

// Sample is what counts of a picture.
type Sample struct {
	cols      int
	value     [quantities][]float32 // of each cell, row by row
	saturated []bool
}

// Meter follows the pictures of one sequence.
type Meter struct {
	rate    float64 // frames a second
	now     int     // frames so far
	cols    int
	cells   [quantities][]follower
	windows [quantities][]counter
	most    [quantities]int // transitions in a second
	at      [quantities]int // frame
	longest int             // frames from the first to the last transition of a sequence
}

// follower follows one quantity of a cell.
type follower struct {
	counter
	low, high     float32
	lowAt, highAt bool // saturated there
	started       bool
}

// counter counts transitions that alternate.
type counter struct {
	direction int8
	n         uint8
	times     [kept]int32 // the last n
	began     int32       // when the sequence did that the last one belongs to
}

// NewMeter begins a sequence that is shown at a rate.
func NewMeter(rate float64) *Meter { return &Meter{rate: rate} }

// Clone returns a meter that goes on from here by itself.
func (m *Meter) Clone() *Meter {
	c := *m
	for q := range quantities {
		c.cells[q], c.windows[q] = slices.Clone(m.cells[q]), slices.Clone(m.windows[q])
	}
	return &c
}

// window is the number of columns of a window: a narrow picture lies within one.
func (m *Meter) window() int { return min(m.cols, windowCols) }

// Show adds a picture, of the size of those before, that is shown for a number of
// frames.
func (m *Meter) Show(s *Sample, frames int) {
	if m.cols == 0 {
		m.cols = s.cols
		for q := range quantities {
			m.cells[q] = make([]follower, m.cols*rows)
			m.windows[q] = make([]counter, (m.cols-m.window()+1)*(rows-windowRows+1))
		}
	}
	moved := make([]int8, m.cols*rows)
	for q := range quantities {
		any := false
		for i := range moved {
			if moved[i] = m.cells[q][i].follow(q, s.value[q][i], s.saturated[i]); moved[i] != 0 {
				m.cells[q][i].add(moved[i], m.now, m.rate)
				any = true
			}
		}
		if any {
			m.count(q, moved)
		}
	}
	m.now += frames
}

// follow returns in which direction the quantity has changed enough, or 0.
func (f *follower) follow(q int, v float32, saturated bool) int8 {
	if !f.started {
		f.low, f.high, f.lowAt, f.highAt, f.started = v, v, saturated, saturated, true
		return 0
	}
	if v < f.low {
		f.low, f.lowAt = v, saturated
	}
	if v > f.high {
		f.high, f.highAt = v, saturated
	}
	switch {
	case f.direction <= 0 && counts(q, f.low, v, f.lowAt || saturated):
		f.high, f.highAt = v, saturated
		return 1
	case f.direction >= 0 && counts(q, v, f.high, f.highAt || saturated):
		f.low, f.lowAt = v, saturated
		return -1
	}
	return 0
}

// counts reports whether a change between two values is one of a flash.
func counts(q int, low, high float32, saturated bool) bool {
	d := high - low
	switch q {
	case broadcast:
		if low < darker {
			return d >= change
		}
		return d >= contrast*(high+low)
	case relative:
		return low < relativeDarker && d >= relativeChange
	}
	return saturated && d > redChange
}

// add notes a transition in a sequence of the given rate.
func (c *counter) add(direction int8, now int, rate float64) {
	c.direction = direction
	if c.n == 0 || float64(now)-float64(c.times[c.n-1]) > rate {
		c.began = int32(now)
	}
	if c.n == kept {
		copy(c.times[:], c.times[1:])
		c.n--
	}
	c.times[c.n] = int32(now)
	c.n++
}

// within counts the transitions of the second that ends with frame now.
func (c *counter) within(now int, rate float64) int {
	i, _ := slices.BinarySearch(c.times[:c.n], int32(math.Floor(float64(now)-rate))+1)
	return int(c.n) - i
}

// count looks for windows of which enough flashes.
func (m *Meter) count(q int, moved []int8) {
	here := make([]int, len(moved))
	for i := range here {
		here[i] = m.cells[q][i].within(m.now, m.rate)
	}
	enough := m.window() * windowRows / 4
	up := m.areas(func(i int) bool { return moved[i] > 0 })
	down := m.areas(func(i int) bool { return moved[i] < 0 })
	for i := range m.windows[q] {
		// Cells that flash by turns make one that flashes.
		w := &m.windows[q][i]
		switch {
		case up[i] > enough && w.direction <= 0:
			w.add(1, m.now, m.rate)
		case down[i] > enough && w.direction >= 0:
			w.add(-1, m.now, m.rate)
		default:
			continue
		}
		m.found(q, w.within(m.now, m.rate))
		m.longest = max(m.longest, m.now-int(w.began))
	}
	for {
		more := m.most[q] + 1
		n := m.areas(func(i int) bool { return here[i] >= more })
		if slices.Max(n) <= enough {
			return
		}
		m.found(q, more)
	}
}

func (m *Meter) found(q, n int) {
	if n > m.most[q] {
		m.most[q], m.at[q] = n, m.now
	}
}

// areas counts, for each window, its cells of which something holds.
func (m *Meter) areas(holds func(i int) bool) []int {
	stride := m.cols + 1
	sum := make([]int, stride*(rows+1))
	for y := range rows {
		line := 0
		for x := range m.cols {
			if holds(y*m.cols + x) {
				line++
			}
			sum[(y+1)*stride+x+1] = sum[y*stride+x+1] + line
		}
	}
	w := m.window()
	var out []int
	for y := range rows - windowRows + 1 {
		for x := range m.cols - w + 1 {
			a, b := y*stride+x, (y+windowRows)*stride+x
			out = append(out, sum[b+w]-sum[b]-sum[a+w]+sum[a])
		}
	}
	return out
}

// Result is the most flashes in any second, to the half, and the frame by which
// there were that many.
type Result struct {
	General, Red     float64
	GeneralAt, RedAt int
	// Lasting is the longest time, in seconds, for which flashes follow each other.
	Lasting float64
}

// Result returns what was measured so far.
func (m *Meter) Result() Result {
	r := Result{
		General: float64(m.most[broadcast]) / 2, GeneralAt: m.at[broadcast],
		Red: float64(m.most[red]) / 2, RedAt: m.at[red],
		Lasting: float64(m.longest) / m.rate,
	}
	if g := float64(m.most[relative]) / 2; g > r.General {
		r.General, r.GeneralAt = g, m.at[relative]
	}
	return r
}

// Safe reports whether neither kind is above its limit, nor goes on for too long.
func (r Result) Safe() bool { return r.General <= Most && r.Red <= Most && r.Lasting <= Longest }

// A Sampler reduces pictures of one format.
type Sampler struct {
	luma               [4]float32 // scale and zero of luma, then of chroma
	rCr, gCb, gCr, bCb float32
	chromaX, chromaY   int
	weights            [3]float32 // of luminance
	nits, light        []float32  // by signal level
	cols               int
	sums               []struct{ nits, light, r, g, b, n float32 }
}

const levels = 1024 // entries of a table over the signal: finer than 8-bit codes

// NewSampler makes a sampler for pictures of a format.
func NewSampler(f picture.Format) *Sampler {
	kr, kb := vision.LumaWeights(f.Matrix())
	kg := 1 - kr - kb
	s := &Sampler{
		rCr: float32(2 * (1 - kr)), bCb: float32(2 * (1 - kb)),
		gCr: float32(-2 * (1 - kr) * kr / kg), gCb: float32(-2 * (1 - kb) * kb / kg),
		chromaX: f.ChromaX, chromaY: f.ChromaY,
		weights: [3]float32{float32(kr), float32(kg), float32(kb)},
		nits:    make([]float32, levels+1), light: make([]float32, levels+1),
	}
	aspect := float64(f.W) / float64(max(f.H, 1))
	if f.SampleAspectNum > 0 && f.SampleAspectDen > 0 {
		aspect *= float64(f.SampleAspectNum) / float64(f.SampleAspectDen)
	}
	s.cols = max(1, int(aspect*rows+0.5))
	s.sums = make([]struct{ nits, light, r, g, b, n float32 }, s.cols*rows)
	// Quantisation of BT.709-6 item 3 and BT.2100-2 Table 9.
	step := float64(int(1) << (f.Depth - 8))
	if f.Colour.FullRange {
		full := float32(1 / (256*step - 1))
		s.luma = [4]float32{full, 0, full, float32(128 * step)}
	} else {
		s.luma = [4]float32{float32(1 / (219 * step)), float32(16 * step), float32(1 / (224 * step)), float32(128 * step)}
	}
	c := vision.Conditions{EOTF: vision.EOTFOf(f.Colour.Transfer), PeakNits: displayPeak}
	hdr := c.EOTF == vision.PQ || c.EOTF == vision.HLG
	if hdr {
		c.PeakNits = 1000 // the nominal peak of BT.2100's HLG, and the usual one of PQ
	} else {
		c.EOTF = vision.BT1886
	}
	set := vision.NewDisplay(c)
	screen := vision.NewDisplay(vision.Conditions{EOTF: vision.SRGB, PeakNits: 1})
	for i := range s.nits {
		v := float64(i) / levels
		s.nits[i] = float32(set.Light(v))
		s.light[i] = float32(screen.Light(v))
		if hdr {
			// The codes of HDR are not those of sRGB: its light counts against
			// the same display.
			s.light[i] = s.nits[i] / displayPeak
		}
	}
	return s
}

// Sample reduces a picture.
func (s *Sampler) Sample(p *picture.Picture) *Sample {
	clear(s.sums)
	w, h := p.Y.W, p.Y.H
	step := max(1, min(h/sampledLines, w/s.cols))
	gray := s.chromaX < 0 || p.Cb.Empty() || p.Cr.Empty()
	for y := step / 2; y < h; y += step {
		row := s.sums[y*rows/h*s.cols:][:s.cols]
		for x := step / 2; x < w; x += step {
			v := (float32(p.Y.At(x, y)) - s.luma[1]) * s.luma[0]
			r, g, b := v, v, v
			if !gray {
				cx, cy := x>>s.chromaX, y>>s.chromaY
				cb := (float32(p.Cb.At(cx, cy)) - s.luma[3]) * s.luma[2]
				cr := (float32(p.Cr.At(cx, cy)) - s.luma[3]) * s.luma[2]
				r += s.rCr * cr
				g += s.gCb*cb + s.gCr*cr
				b += s.bCb * cb
			}
			ri, gi, bi := level(r), level(g), level(b)
			lr, lg, lb := s.light[ri], s.light[gi], s.light[bi]
			c := &row[x*s.cols/w]
			c.nits += s.weights[0]*s.nits[ri] + s.weights[1]*s.nits[gi] + s.weights[2]*s.nits[bi]
			c.light += s.weights[0]*lr + s.weights[1]*lg + s.weights[2]*lb
			c.r, c.g, c.b, c.n = c.r+lr, c.g+lg, c.b+lb, c.n+1
		}
	}
	out := &Sample{cols: s.cols, saturated: make([]bool, len(s.sums))}
	for q := range quantities {
		out.value[q] = make([]float32, len(s.sums))
	}
	for i := range s.sums {
		c := &s.sums[i]
		if c.n == 0 {
			continue // smaller than the grid
		}
		out.value[broadcast][i] = c.nits / c.n
		out.value[relative][i] = c.light / c.n
		out.value[red][i] = max(0, (c.r-c.g-c.b)/c.n*redScale)
		out.saturated[i] = c.r > 0 && c.r >= redShare*(c.r+c.g+c.b)
	}
	return out
}

func level(v float32) int { return min(max(int(v*levels+0.5), 0), levels) }
