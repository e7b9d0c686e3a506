package refresh

import (
	"fmt"
	"math"
	"slices"
)

// FindOptions tells Find what is known; the zero value knows nothing.
type FindOptions struct {
	// Hz is the rate of displayed pictures when it is known; Find then looks
	// for the phase and slope alone and only refines the rate.
	Hz float64

	quiet bool // nobody reads why nothing was found
}

const (
	// minFrames is the least number of frames that Find looks at: two updates
	// of film at 240 frames a second are 20 frames, and a rate needs several.
	minFrames = 48
	// lowest and highest bound the rate of new pictures, in camera frames:
	// below, changes are too rare to be a set's cadence; at half the camera's
	// rate a picture has two frames, one of which may be unmixed.
	lowest, highest = 0.02, 0.515
	// oversample is the steps of the search to one line width 1/duration.
	oversample = 4
	// slopeReach, s, is how far the slope is looked for, either way: a set
	// rolls for at most about one refresh of 50 a second, and the camera
	// reads for some milliseconds, or against it.
	slopeReach = 0.025
	// slopeStep, s, is what 16 rows of units tell apart at 120 Hz.
	slopeStep = 0.001
	// acrossStep, s; a camera reads across for the time of a frame at most.
	acrossStep = 0.002
)

// Find estimates the refresh from consecutive frames of one take. About two
// seconds are enough; more than four bring nothing.
func Find(l Layout, frames []Frame, o FindOptions) Estimate {
	// borne is the worth of what needs no other try: locks at twice the rate of
	// flashes came to 0.34.
	const borne = 0.5
	e := find(l, frames, o, reading{})
	if !e.searched || o.quiet {
		return e
	}
	// Each costs as much again, so that they are tried where all else fails.
	o.quiet = true
	if !e.Found || e.worth() < borne {
		if flash := find(l, frames, o, reading{flash: true}); flash.Found && (!e.Found || flash.worth() > e.worth()) {
			return flash
		}
	}
	if !e.Found {
		if bent := find(l, frames, o, reading{bent: true}); bent.Found {
			return bent
		}
	}
	return e
}

// reading is how changes are read.
type reading struct {
	bent  bool // light may bend along a row, see bend
	flash bool // the screen may go dark between pictures, see flashLit
}

func find(l Layout, frames []Frame, o FindOptions, r reading) Estimate {
	s := newSeries(l, len(frames)+1)
	s.reading = r
	for _, f := range frames {
		s.push(f)
	}
	if r.flash && !s.flashes() {
		return Estimate{}
	}
	e := s.find(o)
	e.reading = r
	return e
}

// spectrum holds for one frequency the sums of change over time.
type spectrum struct {
	f      float64   // Hz
	re, im []float64 // for each unit
}

// candidate is a place in frequency and slopes where changes fall together.
type candidate struct {
	f, slope, across float64
	coherent         float64 // 0 to 1
	phase            float64 // s: mean place of changes after a whole period
}

// finder carries what the steps of one search share.
type finder struct {
	s      *series
	step   float64     // s from frame to frame
	start  float64     // time that phases count from
	times  []float64   // of each change: half way between the two frames, after start
	change [][]float64 // for each frame, each unit: 0 to 1
	quiet  []bool      // for each frame: no unit changes
	total  float64
	reach  float64   // of levels
	rest   []float64 // energy of change in each unit that does not count
	units  []float64 // total change of each unit
}

// levels are how far above the floor of noise a change must stand to count, as
// multiples of its energy. Coded video has no even noise: an encoder skips
// still parts, sets them right a little later, and writes them anew at a key
// frame, which all moves much more than the quietest frames show, and in every
// frame. A few clear changes tell the rhythm; many small ones that keep none
// must not hide it. Faint changes count as long as they keep it, though: the
// strongest alone may come seldom (flashes, drawings on every second picture).
// Where it skips all of some frames and codes the noise of the others, only what
// stands out from the typical frame counts: typical.
// Where a liquid crystal takes its time each frame changes far above noise, and
// only the strongest of the unit's own changes tell when it begins: own.
// Where a small thing moves on a still screen, all of which key frames write
// anew every few pictures, only the strongest changes of any unit are pictures:
// anywhere.
var levels = [...]float64{1, 3, 10, farthest, typical, own, anywhere}

// farthest is the highest level that is a multiple of noise, own and typical
// stand for those that go by a unit's own changes, and anywhere for the one that
// goes by all units'.
const farthest, typical, own, anywhere = 40, -1, 0, -2

func (s *series) find(o FindOptions) Estimate {
	n := len(s.frames)
	if n < minFrames {
		return Estimate{Reason: fmt.Sprintf("too short: %d frames, at least %d are needed", n, minFrames)}
	}
	step := s.step()
	if !(step > 0) {
		return Estimate{Reason: "the frames' times do not rise"}
	}
	// convincing is the worth that ends the search.
	const convincing = 0.95
	var best Estimate
	var first *finder
	for i, level := range levels {
		d := &finder{s: s, step: step, reach: level, rest: s.floors(level)}
		e := d.attempt(o, i == 0)
		if i == 0 {
			first, best = d, e
		} else if e.Found && (!best.Found || e.worth() > best.worth()) {
			best = e
		}
		if best.Found && best.worth() >= convincing || i == 0 && !e.searched {
			break
		}
	}
	// doubtful is the worth below which a lock is one of the encoder's rhythm or
	// of light that is switched: such came to 0.3 at most, and right ones on
	// hand-held films of fine detail to 0.36 at least.
	const doubtful = 0.33
	if best.Found && best.worth() < doubtful {
		best = Estimate{Noise: best.Noise, Reason: irregular, searched: true}
	}
	if !best.Found && !o.quiet {
		first.explain(&best)
	}
	return best
}

// worth is the confidence of what was found, less where mixed frames do not bear
// it out.
func (e *Estimate) worth() float64 {
	// usualCost is the mean cost of a trace, in variances, that a right lock
	// has, and unborneCost stands for that of one without any.
	const usualCost, unborneCost = 2.0, 2.5
	c := e.cost
	if e.traces == 0 {
		c = unborneCost
	}
	return e.Confidence * min(1, usualCost/c)
}

// attempt searches with what stands out at one level.
func (d *finder) attempt(o FindOptions, lowest bool) Estimate {
	// Each displayed picture may change only a few units; a dozen sure ones in
	// all is the least that can show a rhythm, and a few dozen show it beyond
	// doubt.
	const enough, plenty = 12, 48
	noise := d.noise()
	d.gather()
	if d.total < enough || d.total < plenty && !lowest {
		return Estimate{Noise: noise, Reason: "nothing moves on the screen: no update can be seen"}
	}
	c, ok, why := d.choose(o)
	if !ok {
		return Estimate{Noise: noise, Reason: why, searched: true}
	}
	e := d.refine(c, noise)
	e.searched = true
	return e
}

// floors returns for each unit the energy up to which changes do not count at a
// level.
func (s *series) floors(level float64) []float64 {
	const (
		// strongShare of a unit's frames bring its strongest changes even where
		// a thing passes in a few pictures, and strongest is the share of
		// their energy that others need: a third of their amplitude.
		strongShare, strongest = 0.02, 1.0 / 16
		// outstanding is how much more energy than the typical frame others
		// need: coded noise varies by half.
		outstanding = 2
	)
	rest := s.rests()
	if level > own {
		for i := range rest {
			rest[i] *= level
		}
		return rest
	}
	if level == anywhere {
		v := make([]float64, 0, len(s.frames)*len(rest))
		for j := range s.frames {
			v = append(v, s.frames[j].change...)
		}
		slices.Sort(v)
		least := strongest * v[int((1-strongShare/float64(len(rest)))*float64(len(v)))]
		for i := range rest {
			rest[i] = max(farthest*rest[i], least)
		}
		return rest
	}
	v := make([]float64, len(s.frames))
	for i := range rest {
		for j := range s.frames {
			v[j] = s.frames[j].change[i]
		}
		slices.Sort(v)
		if level == typical {
			rest[i] = max(rest[i], outstanding*v[len(v)/2])
		} else {
			rest[i] = max(farthest*rest[i], strongest*v[int((1-strongShare)*float64(len(v)))])
		}
	}
	return rest
}

// step returns the median time from frame to frame.
func (s *series) step() float64 {
	v := make([]float64, 0, len(s.frames))
	for i := 1; i < len(s.frames); i++ {
		v = append(v, s.frames[i].frame.Time-s.frames[i-1].frame.Time)
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// noise returns the standard deviation of one grid value, from the changes that
// do not stand out.
func (d *finder) noise() float64 {
	v := make([]float64, len(d.rest))
	for u, r := range d.rest {
		sum, n := 0.0, 0.0
		for i := range d.s.frames {
			if e := d.s.frames[i].change[u]; e != dip && e < r {
				sum += e
				n++
			}
		}
		if n > 0 {
			sum /= n
		}
		v[u] = math.Sqrt(max(sum/2/d.s.freedom(&d.s.units[u]), floorNoise*floorNoise))
	}
	slices.Sort(v)
	return v[len(v)/2]
}

func (d *finder) gather() {
	f := d.s.frames
	d.start = f[0].frame.Time
	d.units = make([]float64, len(d.s.units))
	for i := 1; i < len(f); i++ {
		row := make([]float64, len(d.s.units))
		quiet := true
		for u, e := range f[i].change {
			row[u] = changed(e, d.rest[u])
			d.units[u] += row[u]
			d.total += row[u]
			quiet = quiet && row[u] == 0
		}
		d.change = append(d.change, row)
		d.quiet = append(d.quiet, quiet)
		d.times = append(d.times, (f[i].frame.Time+f[i-1].frame.Time)/2-d.start)
	}
}

func (d *finder) span() float64 { return d.times[len(d.times)-1] - d.times[0] }

// at returns the spectrum at f.
func (d *finder) at(f float64, p *spectrum) {
	p.f = f
	if p.re == nil {
		p.re, p.im = make([]float64, len(d.s.units)), make([]float64, len(d.s.units))
	}
	clear(p.re)
	clear(p.im)
	for i, t := range d.times {
		if d.quiet[i] {
			continue
		}
		turns := f * t
		sin, cos := math.Sincos(2 * math.Pi * (turns - math.Floor(turns)))
		row := d.change[i]
		re, im := p.re[:len(row)], p.im[:len(row)]
		for u, v := range row {
			re[u] += v * cos
			im[u] += v * sin
		}
	}
}

// sum adds the units' spectra after their slopes are taken out.
func (d *finder) sum(p *spectrum, slope, across float64) candidate {
	var re, im float64
	for u := range d.s.units {
		sin, cos := math.Sincos(2 * math.Pi * p.f * (slope*d.s.units[u].y + across*d.s.units[u].x))
		re += p.re[u]*cos + p.im[u]*sin
		im += p.im[u]*cos - p.re[u]*sin
	}
	return candidate{f: p.f, slope: slope, across: across,
		coherent: math.Hypot(re, im) / d.total,
		phase:    math.Atan2(im, re) / (2 * math.Pi * p.f)}
}

// best returns the slopes that bring the units of one frequency together.
func (d *finder) best(p *spectrum) candidate {
	best := candidate{}
	most := math.Inf(-1)
	for slope := -slopeReach; slope <= slopeReach; slope += slopeStep {
		c := d.sum(p, slope, 0)
		if v := d.likely(&c); v > most {
			best, most = c, v
		}
	}
	middle := best.slope
	reach := math.Ceil(d.step/acrossStep) * acrossStep
	for across := -reach; across <= reach; across += acrossStep {
		for slope := middle - slopeStep; slope <= middle+slopeStep; slope += slopeStep {
			c := d.sum(p, slope, across)
			if v := d.likely(&c); v > most {
				best, most = c, v
			}
		}
	}
	return best
}

// slopeSpread and acrossSpread, s, are the standard errors of slopes before
// anything is seen: what readout in either direction adds, and how seldom
// cameras read across.
const slopeSpread, acrossSpread = 0.005, 0.002

// likely is the coherence, less a little for slopes that are unlikely, and
// less so the more change was seen: where only a line of text moves, nothing
// else tells the slope.
func (d *finder) likely(c *candidate) float64 {
	const (
		// wrote is the share of a refresh for which panels write, from the
		// top (common practice, no source), and often the refreshes a second
		// that are assumed where pictures come less often than any set's.
		wrote, often = 0.8, 60
	)
	refresh := c.f
	if refresh < 48*(1-nominalTolerance) {
		refresh = often
	}
	y, x := (c.slope-wrote/refresh)/slopeSpread, c.across/acrossSpread
	return c.coherent - (y*y+x*x)/d.total
}

// sharpen climbs to the local maximum round c.
func (d *finder) sharpen(c candidate) candidate {
	var p spectrum
	df, ds := 1/d.span()/oversample, slopeStep/2
	for range 8 {
		moved := false
		for _, f := range [...]float64{c.f, c.f - df, c.f + df} {
			d.at(f, &p)
			for _, slope := range [...]float64{c.slope, c.slope - ds, c.slope + ds} {
				for _, across := range [...]float64{c.across, c.across - ds, c.across + ds} {
					if b := d.sum(&p, slope, across); d.likely(&b) > d.likely(&c) {
						c, moved = b, true
					}
				}
			}
		}
		if !moved {
			df, ds = df/2, ds/2
		}
	}
	return c
}

// usual prefers a rate of the trade near by that explains the changes nearly as
// well: where a single thing moves down the screen, a little more rate looks
// like a little less roll.
func (d *finder) usual(c candidate) candidate {
	const (
		lines  = 2    // line widths that a rate may be off
		nearly = 0.04 // of coherence
	)
	var p spectrum
	found, most := c, d.likely(&c)-nearly
	for _, r := range tradeRates {
		if math.Abs(r-c.f)*d.span() > lines {
			continue
		}
		d.at(r, &p)
		if b := d.best(&p); d.likely(&b) > most {
			found, most = b, d.likely(&b)
		}
	}
	return found
}

// expected is the coherence of changes that all fall on the grid: a change
// shows between two frames and over an exposure of up to as long, which
// spreads it by at most a triangle two frames wide.
func (d *finder) expected(f float64) float64 {
	x := math.Pi * f * d.step
	v := math.Sin(x) / x
	return v * v
}

// inWindow returns which share of all change falls into the best window of
// that width when time is folded by the candidate's period, less what an even
// spread would bring: 1 all, 0 even.
func (d *finder) inWindow(c candidate, width float64) float64 {
	const bins = 96
	var hist, count [bins]float64
	for i, t := range d.times {
		for u, v := range d.change[i] {
			x := c.f * (t - c.slope*d.s.units[u].y - c.across*d.s.units[u].x)
			x -= math.Floor(x)
			b := min(int(x*bins), bins-1)
			hist[b] += v
			count[b]++
		}
	}
	// Frames that keep step with the updates leave phases without any frame.
	w := min(int(math.Ceil(width*c.f*bins)), bins)
	even := float64(w) / bins
	if even > 0.9 || d.total == 0 {
		return 0
	}
	best := 0.0
	for b := range bins {
		sum := 0.0
		for j := range w {
			sum += hist[(b+j)%bins]
		}
		best = max(best, sum)
	}
	return (best/d.total - even) / (1 - even)
}

const (
	// windowFrames is the width, in frames' time, within which nearly all of
	// one update's change falls.
	windowFrames = 1.6
	// fits is the least share of change within the window for a grid to be
	// taken: a grid that misses every other update has less than half.
	fits = 0.55
	// nearly is the share of the best grid's that a coarser grid must hold.
	nearly = 0.85
	// windowed is the rate, in camera frames, up to which a window leaves
	// enough of a period outside to tell.
	windowed = 0.46
	// realTime, frames a second: cameras up to this film a set of 50 or 60 Hz
	// at its own pace, and the beat of the two then looks like pictures at
	// half of the camera's rate.
	realTime = 70
	// stands is the least coherence, as a share of the expected, that a high
	// rate must have, where windows cover the whole period.
	stands = 0.45
	// popsBelow, Hz: what changes the whole picture at once less often than
	// this is the encoder's own rhythm of pictures, not a set's.
	popsBelow = 20
	// steadySlope, s: less than this over the screen is no roll at all.
	steadySlope = 0.0004
)

// irregular is said where changes fall on no grid.
const irregular = "what changes on the screen keeps no regular time; where nothing moves, noise and light that changes keep none"

// choose picks the coarsest grid on which all changes fall.
func (d *finder) choose(o FindOptions) (candidate, bool, string) {
	df := 1 / d.span() / oversample
	lo, hi := lowest/d.step, highest/d.step
	if o.Hz > 0 {
		lo, hi = o.Hz*(1-2*nominalTolerance)-df, o.Hz*(1+2*nominalTolerance)+df
	}
	var all []candidate
	var p spectrum
	for f := lo; f <= hi; f += df {
		d.at(f, &p)
		// Without regard to slopes a unit's own coherence bounds the sum's.
		own := 0.0
		for u := range p.re {
			own += math.Hypot(p.re[u], p.im[u])
		}
		if own < 0.2*d.total*d.expected(f) {
			all = append(all, candidate{f: f})
			continue
		}
		all = append(all, d.best(&p))
	}
	var peaks []candidate
	for i, c := range all {
		// A slope of a few refreshes makes lines beside the true one; only
		// the highest within a line's width counts.
		top := c.coherent > 0
		for j := max(0, i-oversample); j <= min(len(all)-1, i+oversample); j++ {
			if all[j].coherent > c.coherent {
				top = false
			}
		}
		if top && c.coherent > stands/2*d.expected(c.f) {
			peaks = append(peaks, c)
		}
	}
	if len(peaks) == 0 {
		return candidate{}, false, irregular
	}
	if o.Hz > 0 {
		c := d.sharpen(slices.MaxFunc(peaks, func(a, b candidate) int { return cmpFloat(a.coherent, b.coherent) }))
		return c, true, ""
	}
	// A coarse grid on which most changes fall is a grid on which some do not:
	// the coarsest counts that holds nearly as much as any.
	var fine []candidate
	var within []float64
	most := 0.0
	for _, c := range peaks {
		if c.f*d.step > windowed || c.coherent < fits*0.8*d.expected(c.f) {
			continue
		}
		c = d.sharpen(c)
		fine = append(fine, c)
		within = append(within, d.inWindow(c, windowFrames*d.step))
		most = max(most, within[len(within)-1])
	}
	for i, c := range fine {
		if within[i] >= max(fits, nearly*most) {
			return d.displayed(d.pulldown(d.usual(c)))
		}
	}
	// Rates at which every second or third frame brings a picture.
	best := slices.MaxFunc(peaks, func(a, b candidate) int {
		return cmpFloat(a.coherent/d.expected(a.f), b.coherent/d.expected(b.f))
	})
	if best.f*d.step > windowed && best.f < d.limit() && best.coherent > stands*d.expected(best.f) && !d.harmonic(best) {
		return d.sharpen(best), true, ""
	}
	return candidate{}, false, irregular
}

// harmonic reports whether a high rate is a multiple of the true one: changes
// that take no longer than a frame come together at each multiple alike, and
// where every grid point brings one they do not at a part of the rate.
func (d *finder) harmonic(c candidate) bool {
	// alike is the share of the rate's coherence that a part of it must have.
	const alike, parts = 0.7, 5
	var p spectrum
	for m := 2; m <= parts; m++ {
		d.at(c.f/float64(m), &p)
		if b := d.best(&p); b.coherent > alike*c.coherent {
			return true
		}
	}
	return false
}

// limit is the highest rate that the camera can follow.
func (d *finder) limit() float64 {
	if 1/d.step < realTime {
		return windowed / d.step
	}
	return highest / d.step
}

// pulldown looks whether pictures at 24 a second are shown for three and two
// refreshes of 60 in turn: no change is then more than a quarter of a refresh
// off the even grid, which a camera of 120 a second hardly resolves.
func (d *finder) pulldown(c candidate) candidate {
	const ratio = 2.5
	if r := nominal(c.f); r == 0 || nominal(c.f*ratio) == 0 || c.f*ratio > d.limit() {
		return c
	}
	var p spectrum
	d.at(c.f*ratio, &p)
	fine := d.sharpen(d.best(&p))
	// Even pictures cancel each other at 60; uneven ones come together there,
	// and lose a fifth at 24.
	const together = 0.6
	if fine.coherent/d.expected(fine.f) > together*c.coherent/d.expected(c.f) {
		return fine
	}
	return c
}

// displayed accepts a grid, made finer where changes come less often than any
// set is driven: drawings change on every second or third picture.
func (d *finder) displayed(c candidate) (candidate, bool, string) {
	hz := c.f
	if hz < popsBelow && math.Abs(c.slope) < steadySlope && math.Abs(c.across) < steadySlope {
		return c, false, fmt.Sprintf("the whole picture changes at once %.1f times a second, which is the rhythm of the file's coding and not of a set", hz)
	}
	if hz < popsBelow {
		for m := 2; m <= 5; m++ {
			if r := nominal(float64(m) * hz); r > 0 && r < d.limit() {
				c.f *= float64(m)
				c.phase = math.Mod(c.phase, 1/c.f)
				return c, true, ""
			}
		}
		return c, false, fmt.Sprintf("the picture changes only %.1f times a second, too rarely to tell the refresh", hz)
	}
	return c, true, ""
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// explain says whether frames change all the time although no grid fits.
func (d *finder) explain(e *Estimate) {
	// Of the change against the frame before, how much more comes against the
	// one before that, and how alike neighbours in a row change: noise does
	// not grow with the distance and is each grid value's own, motion is not.
	var one, two, beside float64
	f := d.s.frames
	// Some dozen pairs tell as much as all.
	for i := 2; i < len(f); i += max(2, len(f)/64) {
		a, b, c := f[i-2].frame.Grid, f[i-1].frame.Grid, f[i].frame.Grid
		for u := range d.s.units {
			one += d.s.unlike(a, b, &d.s.units[u]) + d.s.unlike(b, c, &d.s.units[u])
			two += 2 * d.s.unlike(a, c, &d.s.units[u])
			beside += d.s.alike(a, b, &d.s.units[u]) + d.s.alike(b, c, &d.s.units[u])
		}
	}
	// grows is above the scatter of noise over a few dozen pairs and below
	// the 2 to 4 of even motion; together is above the little that a codec's
	// blocks make noise alike.
	const grows, together = 1.3, 0.25
	if one > 0 && (two > grows*one || math.Abs(beside) > together*one) {
		e.Unlike = true
		if 1/d.step > realTime {
			e.Reason = fmt.Sprintf("every frame differs from the one before, and no rhythm shows: the set has more new pictures than a camera of %.1f frames a second can tell apart, light that changes hides them, or nothing moves and what differs is noise", 1/d.step)
			return
		}
		e.Reason = fmt.Sprintf("every frame differs from the one before: at %.1f frames a second each is exposed across updates of the set, so single displayed pictures cannot be shown", 1/d.step)
	}
}
