package refresh

import (
	"fmt"
	"math"
	"slices"

	"setwitness/decode/leastsquares"
)

// trace is what one unit of one frame says about one update: how much of the
// new picture it already shows.
type trace struct {
	t, y, x float64 // time of the frame, place of the unit
	k       int     // number of the picture that the update brings
	share   float64 // of the new picture, measured in linear light
	weight  float64 // 1/variance of share
	left    float64 // energy that no mix of old and new explains, in noise's own
}

const (
	// modelError is how well a share can be known at best: what is taken for
	// linear light is the square of the code, and a unit has a height.
	modelError = 0.05
	// outlier caps what one trace can cost, in variances: a scene whose parts
	// do not follow the model must not bend the fit.
	outlier = 9.0
	// sureSignal is how many standard deviations of noise a change must stand
	// out to be traced: most units of a talking head do not change at all,
	// and their noise must not outvote those that do.
	sureSignal = 4
	// guardFrames keeps the frames that serve as pure old and new picture
	// this far, in frames' time, from where mixing is believed to end.
	guardFrames = 0.3
	// usual is the exposure, in frames' time, that is expected in a dark room
	// before anything is seen, and usualSpread its standard error.
	usual, usualSpread = 0.8, 0.3
	// bestSpread and worstSpread, s, are how well the spectrum tells a slope
	// at best, and how far a fit may wander from it when it tells nothing:
	// rate, roll and exposure then follow each other anywhere.
	bestSpread, worstSpread = 0.001, 0.0015
	// shortest and longest bound the exposure, in frames' time. A panel's
	// response adds to what the shutter lets in.
	shortest, longest = 0.03, 1.6
)

// light takes a code to something near linear light. The square stands for
// the inverse of the camera's response, whose power is 1.9 to 2.4 over most
// of its range (BT.709 and sRGB).
func light(code float32, black float64) float64 {
	v := float64(code) - black
	return v * math.Abs(v)
}

// mixer gathers traces; its buffers are used again.
type mixer struct {
	old, new, common []float64 // light of a unit
	apart, gain      []float64 // of each row
	traces           []trace
}

// gather adds the traces of one unit over frames [from, to) under a lock.
// noise is the standard deviation of a grid value in codes, and rest the energy
// up to which a change does not count.
func (x *mixer) gather(s *series, l *Lock, unit, from, to int, step, noise, rest float64) {
	if s.flash {
		return // pictures change in the dark, and none is mixed with the next
	}
	u := &s.units[unit]
	n := u.size()
	if cap(x.old) < n {
		x.old, x.new, x.common = make([]float64, n), make([]float64, n), make([]float64, n)
		x.apart, x.gain = make([]float64, n), make([]float64, n)
	}
	guard := max(0, min(guardFrames*step, (l.Period-l.Exposure-step)/2))
	// Runs of frames that show one picture alone.
	type run struct{ k, from, to int }
	last := run{k: math.MinInt}
	for i := from; i < to; {
		k, since := l.Picture(s.frames[i].frame.Time, u.y, u.x)
		if since < l.Exposure+guard || since > l.Period-guard {
			i++
			continue
		}
		r := run{k, i, i + 1}
		for r.to < to {
			k, since := l.Picture(s.frames[r.to].frame.Time, u.y, u.x)
			if k != r.k || since > l.Period-guard {
				break
			}
			r.to++
		}
		if last.k == r.k-1 && r.from > last.to && s.stirs(unit, last.to, r.from, rest) {
			x.update(s, l, u, last.from, last.to, r.from, r.to, r.k, noise)
		}
		last, i = r, r.to
	}
}

// stirs reports whether a unit changes in one of the frames from to to, both
// inclusive, by more than rest.
func (s *series) stirs(unit, from, to int, rest float64) bool {
	for i := from; i <= to; i++ {
		if changed(s.frames[i].change[unit], rest) > 0 {
			return true
		}
	}
	return false
}

// update measures the frames between [a0, a1), which show the old picture,
// and [b0, b1), which show the new.
func (x *mixer) update(s *series, l *Lock, u *unit, a0, a1, b0, b1, k int, noise float64) {
	// Two frames each are enough to halve the noise, and cheap.
	const averaged = 2
	na, nb := min(averaged, a1-a0), min(averaged, b1-b0)
	n := u.size()
	old, new := x.old[:n], x.new[:n]
	s.collect(old, u, a1-na, a1)
	s.collect(new, u, b1-nb, b1)
	// Row by row, because a dip of the panel rolls and scales each row anew.
	// Three directions matter: old itself, the part of new that no gain of
	// old explains, and the one that old and new have in common, by which the
	// gain of any mixture of the two is told.
	rows, cols := u.r1-u.r0, u.c1-u.c0
	common := x.common[:n]
	var dark, apart float64
	for r := range rows {
		a, b, q := old[r*cols:][:cols], new[r*cols:][:cols], common[r*cols:][:cols]
		var aa, ab, bb float64
		for i, v := range a {
			aa += v * v
			ab += v * b[i]
			bb += b[i] * b[i]
			dark += math.Abs(v)
		}
		if aa <= 0 {
			return
		}
		// The middle of old and new, less its part along their difference.
		md, dd := (bb-aa)/2, aa-2*ab+bb
		along := 0.0
		if mm := (aa + 2*ab + bb) / 4; dd > 0 && md*md < mm*dd/2 {
			along = md / dd
		}
		own, qq := 0.0, 0.0
		for i, v := range a {
			q[i] = (v+b[i])/2 - along*(b[i]-v)
			qq += q[i] * (v + b[i]) / 2
			b[i] -= ab / aa * v
			own += b[i] * b[i]
		}
		x.gain[r] = qq
		x.apart[r] = own
		apart += own
	}
	// Of the square of a code with noise s the variance is (2 code s)^2.
	variance := 4*dark/float64(n)*noise*noise + 2*noise*noise*noise*noise
	free := float64(rows * (cols - 1))
	both := variance * (1/float64(na) + 1/float64(nb))
	signal := apart - free*both
	if signal < sureSignal*both*math.Sqrt(2*free) {
		return
	}
	for i := a1; i < max(b0, b1-nb); i++ {
		share, left, gains := 0.0, 0.0, 0.0
		for r := range rows {
			a, p, q := old[r*cols:][:cols], new[r*cols:][:cols], common[r*cols:][:cols]
			row := (u.r0 + r) * s.layout.Cols
			var aa, ag, qg, pg, gg float64
			for j, v := range s.frames[i].frame.Grid[row+u.c0 : row+u.c1] {
				g := light(v, s.layout.Black)
				aa += a[j] * a[j]
				ag += a[j] * g
				qg += q[j] * g
				pg += p[j] * g
				gg += g * g
			}
			gain := qg / x.gain[r]
			if gain < dimmed*dimmed {
				gains = 0
				break
			}
			gains += gain / float64(rows)
			share += pg / gain
			gg -= ag * ag / aa
			if x.apart[r] > 0 {
				gg -= pg * pg / x.apart[r]
			}
			left += max(gg, 0)
		}
		if gains == 0 {
			continue
		}
		// Noise in old and new alike draws the share to the middle.
		share = 0.5 + (share/apart-0.5)*apart/signal
		spread := 1.5*variance/signal/(gains*gains) + free*variance*both/(signal*signal)
		x.traces = append(x.traces, trace{
			t: s.frames[i].frame.Time, y: u.y, x: u.x, k: k, share: share,
			weight: 1 / (spread + modelError*modelError),
			left:   left / ((free - float64(rows)) * (variance + both/4)),
		})
	}
}

// collect averages the light of unit u over frames [from, to).
func (s *series) collect(dst []float64, u *unit, from, to int) {
	clear(dst)
	scale := 1 / float64(to-from)
	for i := from; i < to; i++ {
		j := 0
		for r := u.r0; r < u.r1; r++ {
			row := r * s.layout.Cols
			for _, v := range s.frames[i].frame.Grid[row+u.c0 : row+u.c1] {
				dst[j] += scale * light(v, s.layout.Black)
				j++
			}
		}
	}
}

// anchor is what is known of a lock besides the traces.
type anchor struct {
	slope, across  float64 // s
	slopeSpread    float64 // their standard errors for a fit, s
	acrossSpread   float64
	slopeError     float64 // and without the bounds that keep fits from wandering
	acrossError    float64
	exposure       float64 // s
	exposureSpread float64
	period         float64 // s; 0 when nothing is known
	periodSpread   float64
}

// cost is how badly traces fit a lock, in variances.
func cost(l *Lock, traces []trace, k anchor) float64 {
	dy, dx, de := (l.Slope-k.slope)/k.slopeSpread, (l.Across-k.across)/k.acrossSpread, (l.Exposure-k.exposure)/k.exposureSpread
	sum := dy*dy + dx*dx + de*de
	if k.period > 0 {
		dp := (l.Period - k.period) / k.periodSpread
		sum += dp * dp
	}
	for i := range traces {
		r := &traces[i]
		m := (r.t - l.Start(r.k, r.y, r.x)) / l.Exposure
		d := r.share - min(max(m, 0), 1)
		sum += min(d*d*r.weight, outlier)
	}
	return sum
}

// fitLock moves a lock to the least cost.
func fitLock(l Lock, traces []trace, step float64, k anchor) Lock {
	if len(traces) == 0 {
		return l
	}
	lo, hi := traces[0].k, traces[0].k
	for i := range traces {
		lo, hi = min(lo, traces[i].k), max(hi, traces[i].k)
	}
	mid, half := float64(lo+hi)/2, max(float64(hi-lo)/2, 1)
	// Each move turns about the middle of what was seen, so that the
	// parameters hardly depend on each other.
	moves := []func(l *Lock, by float64){
		func(l *Lock, by float64) { l.Epoch += by },
		func(l *Lock, by float64) { l.Period += by / half; l.Epoch -= by / half * mid },
		func(l *Lock, by float64) { l.Slope += 2 * by; l.Epoch -= by },
		func(l *Lock, by float64) { l.Across += 2 * by; l.Epoch -= by },
		func(l *Lock, by float64) {
			e := min(max(l.Exposure+by, shortest*step), longest*step)
			l.Epoch -= (e - l.Exposure) / 2
			l.Exposure = e
		},
	}
	best := cost(&l, traces, k)
	for by := step / 4; by > step/100; by /= 2 {
		for range 6 {
			moved := false
			for _, m := range moves {
				for _, d := range [...]float64{by, -by} {
					try := l
					m(&try, d)
					if c := cost(&try, traces, k); c < best {
						best, l, moved = c, try, true
						break
					}
				}
			}
			if !moved {
				break
			}
		}
	}
	// Along a narrow valley, where the frames nearly keep step with the
	// updates, only the parameters together lead down.
	damp := 1e-3
	for range 12 {
		try := newton(l, traces, k, mid, damp)
		try.Exposure = min(max(try.Exposure, shortest*step), longest*step)
		c := cost(&try, traces, k)
		if c >= best {
			damp *= 10
			continue
		}
		gain := best - c
		best, l = c, try
		damp /= 4
		if gain < 1e-3 {
			break
		}
	}
	return l
}

// parameters of a lock: epoch (of the picture in the middle of what was seen),
// period, slope, across, exposure.
const parameters = 5

// newton makes one damped Gauss-Newton step from l.
func newton(l Lock, traces []trace, k anchor, mid, damp float64) Lock {
	a := normal(&l, traces, k, mid, 1)
	for i := range a {
		a[i][i] *= 1 + damp
	}
	x := solve(&a)
	l.Period += x[1]
	l.Slope += x[2]
	l.Across += x[3]
	l.Exposure += x[4]
	// The slopes turn about the middle of the screen.
	l.Epoch += x[0] - mid*x[1] - x[2]/2 - x[3]/2
	return l
}

// normal returns the normal equations of a small change of the parameters,
// with the right side in the last column. Each trace counts as count.
func normal(l *Lock, traces []trace, k anchor, mid, count float64) (a [parameters][parameters + 1]float64) {
	add := func(d [parameters]float64, miss, weight float64) {
		for i := range d {
			if d[i] == 0 {
				continue
			}
			for j := range d {
				a[i][j] += weight * d[i] * d[j]
			}
			a[i][parameters] += weight * d[i] * miss
		}
	}
	for i := range traces {
		r := &traces[i]
		m := (r.t - l.Start(r.k, r.y, r.x)) / l.Exposure
		if m <= 0 || m >= 1 {
			continue
		}
		miss := r.share - m
		if miss*miss*r.weight > outlier {
			continue
		}
		e := -1 / l.Exposure
		add([parameters]float64{e, e * (float64(r.k) - mid), e * (r.y - 0.5), e * (r.x - 0.5), e * m}, miss, count*r.weight)
	}
	tie := func(i int, miss, spread float64) {
		var d [parameters]float64
		d[i] = 1
		add(d, miss, 1/(spread*spread))
	}
	// Ties that say next to nothing keep the system solvable: a picture more
	// or less, and a hertz at a hundred.
	tie(0, 0, l.Period)
	tie(1, 0, l.Period/100)
	if k.period > 0 {
		tie(1, k.period-l.Period, k.periodSpread)
	}
	tie(2, k.slope-l.Slope, k.slopeSpread)
	tie(3, k.across-l.Across, k.acrossSpread)
	tie(4, k.exposure-l.Exposure, k.exposureSpread)
	return a
}

// solve solves normal equations; their ties keep them positive definite.
func solve(a *[parameters][parameters + 1]float64) (x [parameters]float64) {
	var right [parameters]float64
	for i := range a {
		right[i] = a[i][parameters]
	}
	known, _ := leastsquares.Solve(func(i, k int) float64 { return a[i][k] }, right[:])
	copy(x[:], known)
	return x
}

// fitted is a lock with how well it explains the frames between updates.
type fitted struct {
	lock   Lock
	traces int
	cost   float64 // mean of a trace, in variances
	left   float64 // mean energy that no mix explains, in noise's own
	score  float64 // see judge; less is better
	anchor anchor
}

// judge scores a fit on the first n frames: mixed frames should be mixtures,
// and pure ones should not change.
func (d *finder) judge(f *fitted, n int) {
	// A frame taken for pure that is not counts like so many variances, and
	// so does each doubling of what no mix explains.
	const impure, unexplained = 20, 10
	// Between equals, sets write from the top, and shutters are not open for
	// longer than a frame.
	const upwards, long = 0.1, 4
	on, _ := d.onGrid(&f.lock, n)
	f.score = impure*(1-on) + long*max(0, f.lock.Exposure/d.step-1)
	if f.lock.Slope < 0 {
		f.score += upwards
	}
	if f.traces == 0 {
		f.score += impure // nothing speaks for it
		return
	}
	f.score += f.cost + unexplained*math.Log2(max(f.left, math.SmallestNonzeroFloat32))
}

// fit refines a lock on the first frames in one round of measuring and fitting.
func (d *finder) fit(l Lock, to int, noise float64, k anchor) fitted {
	var x mixer
	for u := range d.s.units {
		x.gather(d.s, &l, u, 0, to, d.step, noise, d.rest[u])
	}
	l = fitLock(l, x.traces, d.step, k)
	f := fitted{lock: l, traces: len(x.traces), anchor: k}
	if f.traces == 0 {
		f.lock.unmixed(d.s.frames[0].frame.Time, d.s.frames[to-1].frame.Time, d.step, k)
		return f
	}
	f.cost = cost(&l, x.traces, k) / float64(f.traces)
	for i := range x.traces {
		f.left += x.traces[i].left / float64(f.traces)
	}
	f.lock.errors(x.traces, k, f.cost)
	f.lock.fray(x.traces, d.step)
	return f
}

// fray measures how long a change goes on beyond its straight part, and sets
// from how long before it on exposures may have seen it.
func (l *Lock) fray(traces []trace, step float64) {
	const (
		// shows is the share of another picture that can be seen, in steps of a
		// share of a frame's time, told to known where that many traces of the
		// best weight are.
		shows, steps, known = 0.05, 8, 50 / (modelError * modelError)
		bins                = 4 * steps
		// early is how much of what a liquid crystal takes to settle goes by
		// before anything shows: it starts slowly, too, for an exposure.
		early = 0.5
	)
	var rest, weight [bins]float64
	for i := range traces {
		r := &traces[i]
		past := r.t - l.Start(r.k, r.y, r.x) - l.Exposure
		if past < 0 {
			continue
		}
		if b := int(past / step * steps); b < bins {
			rest[b] += r.weight * (1 - r.share)
			weight[b] += r.weight
		}
	}
	l.Tail = 0
	var sum, all float64
	for b := range bins {
		sum += rest[b]
		all += weight[b]
		if all < known {
			continue
		}
		if sum < shows*all {
			break
		}
		l.Tail = float64(b+1) * step / steps
		sum, all = 0, 0
	}
	l.Lead = early * l.Tail
}

// errors sets what is known of the errors of a fit, whose mean cost is spread.
func (l *Lock) errors(traces []trace, k anchor, spread float64) {
	// Traces of one update share the errors of its old and new picture, so
	// that only one in correlated counts.
	const correlated = 8
	lo, hi := math.MaxInt, math.MinInt
	for i := range traces {
		lo, hi = min(lo, traces[i].k), max(hi, traces[i].k)
	}
	l.known = (lo + hi) / 2
	k.slopeSpread, k.acrossSpread = k.slopeError, k.acrossError
	a := normal(l, traces, k, float64(l.known), 1/(correlated*max(spread, 1)))
	for i := range parameters {
		for j := range a {
			a[j][parameters] = 0
		}
		a[i][parameters] = 1
		l.spread[i] = solve(&a)
	}
	l.EpochError = max(math.Sqrt(max(l.spread[0][0], 0)), leastError)
	l.PeriodError = max(math.Sqrt(max(l.spread[1][1], 0)), leastError/max(float64(hi-lo), 1))
}

// unmixed sets the exposure and the errors of a lock that no mixed frame bears
// out, from frames at times from and to: that changes fall between its frames
// places it to within one.
func (l *Lock) unmixed(from, to, step float64, k anchor) {
	l.Epoch -= (k.exposure - l.Exposure) / 2
	l.Exposure = k.exposure
	l.known, _ = l.Picture((from+to)/2, 0.5, 0.5)
	even := step / math.Sqrt(12) // deviation of an even spread over a frame
	l.EpochError = even
	l.PeriodError = even / max((to-from)/l.Period, 1)
	l.spread = [parameters][parameters]float64{}
	for i, e := range [parameters]float64{l.EpochError, l.PeriodError, k.slopeError, k.acrossError, k.exposureSpread} {
		l.spread[i][i] = e * e
	}
	l.Tail, l.Lead = 0, 0
}

// leastError, s: no clock of a camera is steadier than this.
const leastError = 3e-5

// startError returns the standard error of the begin, or of the end, of a
// change at a place, so many pictures from the middle of what was seen.
func (l *Lock) startError(away, y, x float64, end bool) float64 {
	j := [parameters]float64{1, away, y - 0.5, x - 0.5, 0}
	if end {
		j[4] = 1
	}
	v := leastError * leastError
	for a := range j {
		for b := range j {
			v += j[a] * l.spread[a][b] * j[b]
		}
	}
	return math.Sqrt(max(v, 0))
}

// fitFrom returns the best of the fits that begin at a place in the spectrum.
func (d *finder) fitFrom(c candidate, noise float64) (best fitted) {
	n := len(d.s.frames)
	for _, f := range d.begin(c, noise) {
		// The longer the stretch, the closer must the rate be to begin with.
		for _, to := range [...]int{n / 2, n, n, n} {
			f = d.fit(f.lock, to, noise, f.anchor)
		}
		d.judge(&f, n)
		if best.traces == 0 || f.score < best.score {
			best = f
		}
	}
	return best
}

// fitAt fits from a rate.
func (d *finder) fitAt(rate, noise float64) fitted {
	var p spectrum
	d.at(rate, &p)
	return d.fitFrom(d.best(&p), noise)
}

// refine turns a place in the spectrum into an estimate.
func (d *finder) refine(c candidate, noise float64) Estimate {
	n := len(d.s.frames)
	best := d.fitFrom(c, noise)
	// A rate of the trade and the one beside it differ by a frame's time in some seconds,
	// less than the spectrum's lines are wide. Locks near both may come to rest where they
	// begin: then the one is right that sees many more mixed frames, and each plainly
	// better. Between such as see about as many neither tells.
	const more, plainly = 1.3, 0.95
	for _, r := range tradeRates {
		if math.Abs(r-c.f) > beside*r || math.Abs(r*best.lock.Period-1) < beside/4 {
			continue
		}
		if f := d.fitAt(r, noise); float64(f.traces) > more*float64(best.traces) && f.cost < plainly*best.cost {
			best, c.f = f, r
		}
	}
	// Where nothing but one thing moves down the screen, a little more rate looks like a
	// little less roll. Sets run at rates of the trade: one that crosses in half a second,
	// with a roll wrong by half a refresh, is no farther off, and another rate has to
	// explain what is seen twice as well to be believed.
	const crossing, better = 0.04, 2
	if hz := 1 / best.lock.Period; nominal(hz) == 0 {
		least := better * best.cost
		for _, r := range tradeRates {
			if math.Abs(r-hz) > crossing*r {
				continue
			}
			if f := d.fitAt(r, noise); f.traces > 0 && f.cost < least && nominal(1/f.lock.Period) == r {
				best, c.f, least = f, r, f.cost
			}
		}
	}
	e := Estimate{Lock: best.lock, Found: true, Noise: noise, rest: d.rest, reach: d.reach, cost: best.cost, traces: best.traces}
	// A fit that left the line that it began with explains something else.
	const strayed = 3 // line widths
	if !(math.Abs(1/best.lock.Period-c.f)*d.span() < strayed) {
		return Estimate{Noise: noise, Reason: irregular}
	}
	e.Hz = 1 / e.Period
	e.HzError = e.PeriodError * e.Hz * e.Hz
	e.Nominal = nominal(e.Hz)
	e.ExposureShare = e.Exposure / d.step
	e.FramesPerPicture = e.Period / d.step
	on, chance := d.onGrid(&e.Lock, n)
	e.Confidence = on
	// Where most frames have an update there is hardly a place off the grid.
	const most, everywhere = 0.7, 0.9
	coherent := min(1, c.coherent/d.expected(c.f))
	switch {
	case chance > everywhere:
		e.Confidence = coherent
	case chance > most:
		e.Confidence = min(on, coherent)
	}
	// Sets run at rates of the trade; another one must be seen clearly to be
	// believed (as in a file whose times are stretched).
	const clear = 0.9
	if e.Nominal == 0 && e.Confidence < clear {
		return Estimate{Noise: noise, Reason: irregular}
	}
	e.Reason = d.tell(&e)
	return e
}

// lockAt turns a place in the spectrum into a lock with that exposure, in
// frames' time.
func (d *finder) lockAt(c candidate, exposure float64) Lock {
	l := Lock{Period: 1 / c.f, Slope: c.slope, Across: c.across, Exposure: exposure * d.step}
	l.Epoch = d.start + c.phase - l.Exposure/2
	return l
}

const (
	// beginSeconds show the phase, and hardly depend on the rate.
	beginSeconds = 0.5
	// mirrored is the rate, in camera frames, above which a line and its
	// mirror image at half the camera's rate run into each other.
	mirrored = 0.45
	// finalists are fitted to all frames.
	finalists = 3
)

// turn gives the lock another rate and keeps its phase at time t.
func (l *Lock) turn(hz, t float64) {
	n := math.Round((t - l.Epoch) / l.Period)
	l.Epoch += n * (l.Period - 1/hz)
	l.Period = 1 / hz
}

// begin tries exposures, phases and, where the spectrum cannot tell a roll
// down from a roll up, slopes on the first half second, and returns the best.
func (d *finder) begin(c candidate, noise float64) []fitted {
	const (
		rollStep = 0.003 // s; finer than a quarter of a period of 120 Hz over the screen
		rolls    = 0.018 // s; more than two refreshes of 120 Hz
		phases   = 4
	)
	to := min(len(d.s.frames), max(minFrames, int(beginSeconds/d.step)))
	var all []fitted
	try := func(c candidate, exposure float64) {
		f := d.fit(d.lockAt(c, exposure), to, noise, d.anchored(c))
		d.judge(&f, to)
		for i := range all {
			// Starts that ran into the same place are one.
			if d.alike(&all[i].lock, &f.lock) {
				if f.score < all[i].score {
					all[i] = f
				}
				return
			}
		}
		all = append(all, f)
	}
	for _, exposure := range [...]float64{0.25, 0.6, 1} {
		for _, shift := range [...]float64{0, -0.3, 0.3} {
			q := c
			q.phase += shift * d.step
			try(q, exposure)
		}
	}
	nyquist := 0.5 / d.step
	if c.f*d.step > mirrored {
		for _, f := range [...]float64{c.f, 2*nyquist - c.f} {
			for roll := -rolls; roll <= rolls; roll += rollStep {
				for p := range phases {
					try(candidate{f: f, slope: roll, phase: float64(p) / phases / f}, 0.6)
				}
			}
			if math.Abs(f-nyquist)*beginSeconds < 0.05 {
				break // both are the same
			}
		}
	}
	slices.SortStableFunc(all, func(a, b fitted) int { return cmpFloat(a.score, b.score) })
	all = all[:min(len(all), finalists)]
	if c.f*d.step > mirrored {
		// The line of the spectrum may be a blur of the true one and its
		// image, so that the rates of the trade near it are tried as well.
		for _, r := range tradeRates {
			if math.Abs(r-c.f)*d.span() < 1 {
				f := all[0]
				f.lock.turn(r, d.start+beginSeconds/2)
				all = append(all, f)
			}
		}
	}
	return all
}

// anchored says how well the spectrum tells a candidate's slopes: the phases
// of units apart from each other, weighed by what changes in them.
func (d *finder) anchored(c candidate) anchor {
	var w, y, x, yy, xx float64
	for i, v := range d.units {
		u := &d.s.units[i]
		w += v
		y += v * u.y
		x += v * u.x
		yy += v * u.y * u.y
		xx += v * u.x * u.x
	}
	turn := 2 * math.Pi * c.f
	tell := func(variance, usual float64) float64 {
		information := c.coherent * w * turn * turn * max(variance, 0)
		return max(bestSpread, 1/math.Sqrt(information+1/(usual*usual)))
	}
	k := anchor{slope: c.slope, across: c.across,
		slopeError:  tell(yy/w-y*y/w/w, slopeSpread),
		acrossError: tell(xx/w-x*x/w/w, acrossSpread),
		exposure:    usual * d.step, exposureSpread: usualSpread * d.step}
	k.slopeSpread, k.acrossSpread = min(k.slopeError, worstSpread), min(k.acrossError, worstSpread)
	// Where the frames keep step with the updates, rate, roll and exposure
	// can hardly be told apart; then sets run at a rate of the trade, to the
	// precision of clocks.
	const near, clocks = 4e-4, 1e-4
	if hz := nominal(c.f); hz > 0 && math.Abs(c.f-hz) < near*hz+0.25/d.span() {
		k.period, k.periodSpread = 1/hz, clocks/hz
	}
	return k
}

// alike reports whether two locks agree to a fifth of a frame over the screen.
func (d *finder) alike(a, b *Lock) bool {
	for _, y := range [...]float64{0, 1} {
		off := math.Remainder(a.Start(0, y, 0.5)+a.Exposure/2-b.Start(0, y, 0.5)-b.Exposure/2, a.Period)
		if math.Abs(off) > d.step/5 {
			return false
		}
	}
	return math.Abs(a.Exposure-b.Exposure) < d.step/5 && math.Abs(1/a.Period-1/b.Period)*d.span() < 0.2
}

// onGrid returns the share of all change of the first n frames that lies
// where the lock has an update, less what chance would bring, and that chance.
func (d *finder) onGrid(l *Lock, n int) (share, chance float64) {
	var on, all float64
	for i, row := range d.change[:n-1] {
		for u, v := range row {
			all += v
			if l.changes(d.s.frames[i].frame.Time, d.s.frames[i+1].frame.Time, d.s.units[u].y, d.s.units[u].x) {
				on += v
				chance++
			}
		}
	}
	chance /= float64((n - 1) * len(d.s.units))
	if all == 0 || chance == 1 {
		return 1, chance
	}
	return max(0, (on/all-chance)/(1-chance)), chance
}

// changes reports whether what a frame at time a shows at a place differs by
// the lock from what a frame at b shows, b later.
func (l *Lock) changes(a, b, y, x float64) bool {
	k, since := l.Picture(b, y, x)
	first, before := l.Picture(a, y, x)
	return k != first || before < l.Exposure && since > before
}

// tell says in plain words what was found.
func (d *finder) tell(e *Estimate) string {
	rate := fmt.Sprintf("%.2f new pictures a second", e.Hz)
	if e.Nominal > 0 {
		rate += fmt.Sprintf(" (nominally %.4g)", e.Nominal)
	}
	why := fmt.Sprintf("%s, %.2f camera frames each, exposure %.0f %% of a frame", rate, e.FramesPerPicture, 100*e.ExposureShare)
	if e.Hz < 48*(1-nominalTolerance) {
		why += "; whether the set refreshes more often than that cannot be seen, pictures are counted at the rate of the changes"
	}
	return why
}
