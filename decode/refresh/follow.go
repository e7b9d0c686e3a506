package refresh

import (
	"math"
	"time"
)

// Band is what one frame shows in one band of rows.
type Band struct {
	// Picture is the number of the displayed picture; the newest where the
	// exposure saw two.
	Picture int
	// Mixed is set where the exposure may have seen more than one picture.
	Mixed bool
	// Still is set with Mixed where the band looks the same in the frames
	// before and after, so that a mixture shows nothing that either picture
	// does not.
	Still bool
	// Share is how much of the exposure saw Picture, 0 to 1; the rest saw the
	// one before.
	Share float64
	// Clear is how far the exposure lies from the nearest update, s, beyond
	// the margin that was asked for; negative where it is mixed.
	Clear float64
	// Level is the band's mean code above black.
	Level float64
}

// Decision says for one frame which displayed picture shows where. Bands may
// be read until the next call of the Follower.
type Decision struct {
	Frame int           // index in the file
	Time  float64       // real seconds of capture
	Shown time.Duration // the file's presentation time
	// Locked is false where the refresh is not known: pictures are then
	// counted on at the last rate, or at 25 a second before there was one, and
	// what changes is marked as mixed.
	Locked bool
	Period float64 // s from picture to picture
	Bands  []Band  // from the top
}

// FollowOptions are the choices of a Follower; the zero value takes the
// defaults.
type FollowOptions struct {
	// Bands is the number of bands that the screen is divided into; 0 takes
	// one for each row of the grid.
	Bands int
	// Lookahead is the number of frames that a decision waits for, so that a
	// jump is known before what follows it is decided; 0 takes 12.
	Lookahead int
	// Hz is the rate of displayed pictures when it is known.
	Hz float64
}

const (
	defaultLookahead = 12
	// freeRun is the pictures a second that are counted while the refresh is
	// not known: nothing moves then, or nothing can be told apart.
	freeRun = 25.0
	// windowSeconds is how long a Follower remembers frames: two seconds give
	// the rate to a hundredth of a hertz.
	windowSeconds = 2.0
	// maxFrames bounds the memory of a fast camera: 2 s at 480 a second.
	maxFrames = 960
	// marginSeconds is kept from every update whatever the errors are: what a
	// panel's response, a codec's lag and a band's height add. Twice that much
	// costs one band in eighty its trust.
	marginSeconds = 0.0003
	// marginErrors is the standard errors that are kept besides: three, as those
	// of a small ball's few rows come from few mixed frames.
	marginErrors = 3
	// unsure is the margin, in frames' time, beyond which a band's timing is
	// too uncertain for any of its frames to be called unmixed without it.
	unsure = 0.3
	// measureSeconds is how often the phase is measured, and at least this
	// many pictures are.
	measureSeconds, measurePictures = 0.1, 3
	// keptTraces is how much of the past a fit remembers.
	keptTraces = 3000
	// searchSeconds is how often an unlocked Follower searches at first; each
	// search that finds change but no rhythm in it doubles the wait, up to
	// seldomSeconds: a search costs as much as a few hundred frames. One for
	// the phase alone costs little, and a knocked camera comes to rest soon:
	// soonSeconds.
	searchSeconds, seldomSeconds, soonSeconds = 0.125, 4.0, 0.25
	// forget is the time constant, s, of the count of changes on and off the
	// grid, lost the share off it that ends a lock, and enoughChange the
	// count that can say so.
	forget, lost, enoughChange = 0.15, 0.4, 8.0
	// lessThanChance is the share on the grid, of what chance would bring
	// there, below which changes belong to another phase.
	lessThanChance = 0.5
	// givenUp, s, is how long a lock is carried that what moves speaks against.
	givenUp = 1.0
	// plain is how many times as much, in energy, a band has to differ from one
	// neighbour as from the other to show one picture. A share of one in nine
	// of a second picture in one of the three bands of a unit leaves no less.
	plain = 16 * 16
	// fewFrames is how many frames a picture has at most where none can be spared:
	// of more one is clear of both updates.
	fewFrames = 3
	// unsettled, s, is how long an encoder takes to set right the poor
	// picture that it begins with, in frames that keep no rhythm.
	unsettled = 0.2
)

// Follower keeps a lock on the set's refresh through a take and decides what
// each frame shows. Frames are pushed in order.
type Follower struct {
	layout  Layout
	options FollowOptions
	bands   []Band
	out     []Decision

	s       *series
	pending int // frames in the window that wait for a decision
	step    float64
	rest    []float64
	reach   float64 // how far above noise changes count, see levels
	noise   float64
	rested  int // frames until rest is measured again

	lock     Lock
	locked   bool
	last     int     // highest picture number decided
	measured int     // first picture that was not measured yet
	searched float64 // time of the last search
	wait     float64 // s from search to search
	fitted   float64 // time of the last full fit
	began    float64 // time from which frames belong to this lock
	mixer    mixer
	traces   []trace
	anchor   anchor
	on, off  float64 // recent change where the lock has an update, and elsewhere
	misfit   float64 // recent mean cost of traces
	cost     float64 // mean cost of traces where the lock was found
	doubted  float64 // time from which the lock may be doubted
	// doubting is set while what was seen speaks against the lock: it is
	// carried, but nothing that moves counts as unmixed, and another is
	// looked for. since is when that began.
	doubting bool
	since    float64
	fully    float64 // time of the last search without the rate
	fullWait float64 // s from one of these to the next
}

// NewFollower starts a Follower, with what Find found on frames of the same
// take or with nil.
func NewFollower(l Layout, e *Estimate, o FollowOptions) *Follower {
	if o.Bands <= 0 {
		o.Bands = l.Rows
	}
	if o.Lookahead <= 0 {
		o.Lookahead = defaultLookahead
	}
	f := &Follower{layout: l, options: o, s: newSeries(l, maxFrames/2), wait: searchSeconds, reach: 1}
	f.lock = Lock{Period: 1 / freeRun}
	if e != nil && e.Found {
		f.lock, f.locked, f.anchor, f.cost = e.Lock, true, e.anchor(), e.cost
		f.noise, f.rest, f.reach, f.rested = e.Noise, e.rest, e.reach, minFrames/2
		f.s.reading = e.reading
		f.measured = math.MinInt
	}
	return f
}

// Locked reports whether the refresh is known at present, and returns it.
func (f *Follower) Locked() (Lock, bool) { return f.lock, f.locked }

// free ends the lock. Pictures are counted on as they were.
func (f *Follower) free() {
	f.locked, f.doubting = false, false
	f.wait, f.fullWait = searchSeconds, 0
	f.traces = f.traces[:0]
	f.on, f.off, f.misfit = 0, 0, 0
}

// Cut says that the next frame does not follow the last: the camera was moved
// hard, or the file was edited there. The rate is kept, the phase is found
// anew.
func (f *Follower) Cut() {
	if n := len(f.s.frames); n > 0 && f.locked {
		hz := 1 / f.lock.Period
		f.free()
		if f.options.Hz == 0 {
			f.options.Hz = hz
		}
	}
	f.began = math.Inf(1)
}

// Push takes the next frame and returns the decisions that are ready.
func (f *Follower) Push(fr Frame) []Decision {
	if len(f.s.frames) == 0 && f.locked {
		f.number(fr.Time, 0)
		f.doubted = fr.Time + unsettled
	}
	if math.IsInf(f.began, 1) {
		f.began = fr.Time
		f.searched = fr.Time
	}
	f.s.push(fr)
	f.pending++
	f.rested--
	if f.step == 0 || len(f.s.frames) < minFrames {
		f.step = f.s.step()
	}
	if f.rested <= 0 {
		// Once a second, and soon after the start.
		f.step = f.s.step()
		given := f.rest
		f.rest = f.s.floors(f.reach)
		if len(f.s.frames) < maxFrames/4 {
			// Few frames may hold nothing but updates in a unit.
			for i := range given {
				f.rest[i] = max(f.rest[i], given[i])
			}
		}
		if len(f.s.frames) >= minFrames {
			d := finder{s: f.s, rest: f.rest}
			f.noise = d.noise()
		}
		f.rested = min(max(len(f.s.frames)/2, 8), maxFrames/4)
	}
	if f.locked {
		f.watch()
	}
	if f.locked && !f.doubting {
		f.measure()
	}
	if !f.locked || f.doubting {
		f.search()
	}
	f.out = f.out[:0]
	f.bands = f.bands[:0]
	for f.pending > f.options.Lookahead {
		f.decide(len(f.s.frames) - f.pending)
	}
	return f.out
}

// Flush returns the decisions on the last frames.
func (f *Follower) Flush() []Decision {
	f.out = f.out[:0]
	f.bands = f.bands[:0]
	for f.pending > 0 {
		f.decide(len(f.s.frames) - f.pending)
	}
	return f.out
}

// watch counts where change falls, and gives the lock up when too much of it
// falls where no update should be.
func (f *Follower) watch() {
	n := len(f.s.frames)
	if n < 2 {
		return
	}
	a, b := f.s.frames[n-2].frame.Time, f.s.frames[n-1].frame.Time
	fade := math.Exp(-(b - a) / forget)
	f.on *= fade
	f.off *= fade
	wide := f.lock
	slack := f.margin(b, 0.5)
	wide.Epoch -= slack
	wide.Exposure += 2 * slack
	if b < f.doubted {
		return
	}
	on, off := 0.0, 0.0
	for u := range f.s.units {
		v := changed(f.s.frames[n-1].change[u], f.rest[u])
		if v == 0 {
			continue
		}
		if wide.changes(a, b, f.s.units[u].y, f.s.units[u].x) {
			on += v
		} else {
			off += v
		}
	}
	// A single frame that changes all over (a key frame, a flash) is no rhythm.
	const single = enoughChange / 4
	bound := min(1, single/max(on+off, math.SmallestNonzeroFloat64))
	f.on += bound * on
	f.off += bound * off
	// badFit is how many times the mean cost of traces that the search left, 1
	// at least, a right lock does not reach, and goodFit a mean cost
	// that no wrong lock has: what then changes elsewhere is the encoder's.
	const badFit, goodFit = 4, 1
	bad := badFit * max(f.cost, 1)
	fits := f.misfit > 0 && f.misfit < goodFit
	// What an encoder does to a picture that stands still falls on the grid as
	// often as chance would have it. Another phase leaves less there.
	chance := min(1, (wide.Exposure+f.step)/wide.Period)
	elsewhere := max(lost, 1-lessThanChance*chance)
	switch {
	case f.on+f.off > enoughChange && f.off > elsewhere*(f.on+f.off) && !fits || f.misfit > bad:
		f.doubt(b)
	case f.doubting && f.on+f.off > enoughChange && f.off < lost*(1-chance)*(f.on+f.off):
		// It was right all the time.
		f.doubting, f.measured = false, math.MinInt
	}
}

// doubt looks for another lock from time t on, and ends the one there is where
// what moves has gone on to speak against it.
func (f *Follower) doubt(t float64) {
	if f.options.Hz == 0 {
		f.options.Hz = 1 / f.lock.Period
	}
	f.on, f.off, f.misfit = 0, 0, 0
	if !f.doubting {
		f.doubting, f.since = true, t
		f.wait, f.fullWait = searchSeconds, 0
		f.traces = f.traces[:0]
		// What led to the doubt is what the search needs.
		f.began = max(f.began, t-forget)
		f.searched = t
		return
	}
	if t-f.since > givenUp {
		f.free()
	}
}

// measure brings the lock up to date with the pictures that are complete.
func (f *Follower) measure() {
	n := len(f.s.frames)
	now := f.s.frames[n-1].frame.Time
	// Every unit has shown all pictures before this one to their end.
	done := math.MaxInt
	for _, c := range [...][2]float64{{0, 0}, {0, 1}, {1, 0}, {1, 1}} {
		k, _ := f.lock.Picture(now-f.lock.Exposure-2*f.step, c[0], c[1])
		done = min(done, k)
	}
	if f.measured == math.MinInt {
		f.measured = done
	}
	if done-f.measured < measurePictures || float64(done-f.measured)*f.lock.Period < measureSeconds {
		return
	}
	// From one picture before the first new one, wherever it begins.
	first := f.lock.Start(f.measured-1, 0, 0) + min(0, f.lock.Slope) + min(0, f.lock.Across)
	from := n - 1
	for from > 0 && f.s.frames[from-1].frame.Time >= max(first, f.began) {
		from--
	}
	f.mixer.traces = f.mixer.traces[:0]
	for u := range f.s.units {
		f.mixer.gather(f.s, &f.lock, u, from, n, f.step, f.noise, f.rest[u])
	}
	fresh := 0
	for _, r := range f.mixer.traces {
		if r.k >= f.measured && r.k < done {
			f.traces = append(f.traces, r)
			fresh++
		}
	}
	f.measured = done
	// Fewer traces than units say little about any of the parameters.
	if fresh < len(f.s.units)/4 {
		return
	}
	if extra := len(f.traces) - keptTraces; extra > 0 {
		f.traces = f.traces[:copy(f.traces, f.traces[extra:])]
	}
	recent := f.traces[max(0, len(f.traces)-fresh):]
	f.nudge(recent)
	const settle = 0.3
	f.misfit += settle * (cost(&f.lock, recent, f.anchor)/float64(fresh) - f.misfit)
	// Twice a second all parameters follow, from traces that lie far enough
	// apart to hold the rate.
	const apart = 1.5 // s
	if span := float64(done-f.traces[0].k) * f.lock.Period; now-f.fitted > 0.5 && span > apart {
		f.fitted = now
		f.lock = fitLock(f.lock, f.traces, f.step/4, f.anchor)
		f.lock.errors(f.traces, f.anchor, cost(&f.lock, f.traces, f.anchor)/float64(len(f.traces)))
		f.lock.fray(f.traces, f.step)
	}
}

// nudge moves the phase alone to where recent traces want it, half way: a
// loop that is slower than its measurements follows drift and not noise.
func (f *Follower) nudge(recent []trace) {
	const loop = 0.5
	best, least := 0.0, cost(&f.lock, recent, f.anchor)
	for i := -8; i <= 8; i++ {
		l := f.lock
		by := float64(i) * f.step / 16
		l.Epoch += by
		if c := cost(&l, recent, f.anchor); c < least {
			best, least = by, c
		}
	}
	f.lock.Epoch += loop * best
}

// search looks for a lock in what was seen since the last cut.
func (f *Follower) search() {
	n := len(f.s.frames)
	now := f.s.frames[n-1].frame.Time
	if n < minFrames || now-f.searched < f.wait {
		return
	}
	f.searched = now
	from := n - 1
	for from > 0 && f.s.frames[from-1].frame.Time >= max(f.began, now-windowSeconds) {
		from--
	}
	// fullSeconds show a rate that is not known.
	const fullSeconds = 0.5
	// known is how many frames show the phase when the rate is known.
	const known = 30
	if n-from < known {
		return
	}
	view := &series{layout: f.layout, units: f.s.units, reading: f.s.reading, frames: f.s.frames[from:]}
	var e Estimate
	if f.options.Hz > 0 {
		// The last frames alone show the phase: a knocked camera rings on.
		last := max(minFrames, int(fullSeconds/f.step))
		recent := &series{layout: f.layout, units: f.s.units, reading: f.s.reading, frames: view.frames[max(0, len(view.frames)-last):]}
		e = recent.find(FindOptions{Hz: f.options.Hz, quiet: true})
		// known is the share of change on the grid that a known rate must have.
		const known = 0.7
		if e.Confidence < known {
			e.Found = false
		}
	}
	searched := e.searched
	if !e.Found && now-max(f.began, view.frames[0].frame.Time) > fullSeconds && now-f.fully >= f.fullWait {
		e = view.find(FindOptions{quiet: true})
		searched, f.fully = searched || e.searched, now
		if e.searched {
			f.fullWait = min(max(2*f.fullWait, searchSeconds), seldomSeconds)
		}
	}
	if searched {
		f.wait = min(2*f.wait, seldomSeconds)
		if f.options.Hz > 0 {
			f.wait = min(f.wait, soonSeconds)
		}
	}
	// steady is the standard error, Hz, at which a rate carries the phase
	// over the second that follows, and sure the share of change on the grid.
	const steady, sure = 0.1, 0.75
	// Without any mixed frame the phase is known only from where changes
	// fall, which must be beyond doubt then.
	const certain = 0.9
	seen := e.EpochError < f.step/2 || e.Nominal > 0 && e.Confidence > certain
	if e.Found && e.HzError < steady && e.Confidence > sure && seen {
		f.take(e)
	}
}

// take makes an estimate the lock; its pictures are numbered on from those
// that were decided.
func (f *Follower) take(e Estimate) {
	// Where the rate is the same, pictures keep their numbers: the middle of
	// the screen goes on with the number that it would have had.
	now := f.s.frames[len(f.s.frames)-1].frame.Time
	old := f.lock
	f.lock, f.locked, f.anchor, f.cost = e.Lock, true, e.anchor(), e.cost
	f.doubting = false
	f.rest, f.reach, f.noise = e.rest, e.reach, e.Noise
	if math.Abs(old.Period-e.Period) < nominalTolerance*e.Period {
		k, since := old.Picture(now, 0.5, 0.5)
		j, other := f.lock.Picture(now, 0.5, 0.5)
		shift := j - k + int(math.Round((other-since)/e.Period))
		f.lock.Epoch += float64(shift) * f.lock.Period
		f.lock.known -= shift
	} else {
		f.number(f.s.frames[len(f.s.frames)-f.pending].frame.Time, f.last+1)
	}
	f.measured = math.MinInt
	f.traces = f.traces[:0]
	f.on, f.off, f.misfit = 0, 0, 0
	f.fitted = f.s.frames[len(f.s.frames)-1].frame.Time
}

// number counts the lock's pictures so that the oldest that shows anywhere at
// time t is that one.
func (f *Follower) number(t float64, first int) {
	low := math.MaxInt
	for _, c := range [...][2]float64{{0, 0}, {0, 1}, {1, 0}, {1, 1}} {
		k, _ := f.lock.Picture(t, c[0], c[1])
		low = min(low, k)
	}
	f.lock.Epoch -= float64(first-low) * f.lock.Period
	f.lock.known += first - low
}

// anchor holds what Find found of the geometry, which does not change while
// the camera keeps its place.
func (e *Estimate) anchor() anchor {
	// An exposure that exposure control moves little; slopes are known no
	// better than the height of a unit of a roll of a refresh.
	const slopes, exposures = 0.0005, 0.1
	k := anchor{slope: e.Slope, across: e.Across,
		slopeError:  max(slopes, math.Sqrt(e.spread[2][2])),
		acrossError: max(slopes, math.Sqrt(e.spread[3][3])),
		exposure:    e.Exposure, exposureSpread: max(exposures*e.Exposure/e.ExposureShare, math.Sqrt(e.spread[4][4])),
		period: e.Period, periodSpread: 3 * e.PeriodError}
	k.slopeSpread, k.acrossSpread = min(k.slopeError, worstSpread), min(k.acrossError, worstSpread)
	return k
}

// margin returns how far an exposure at time t must stay from an update at
// height y.
func (f *Follower) margin(t, y float64) float64 {
	l := &f.lock
	away := math.Abs(t-l.Start(l.known, 0.5, 0.5)) / l.Period
	if n := len(f.traces); n > 0 {
		// The loop has seen the phase since.
		away = min(away, math.Abs(t-l.Start(f.traces[n-1].k, 0.5, 0.5))/l.Period)
	}
	e := max(l.startError(away, y, 0.5, false), l.startError(away, y, 0.5, true))
	return min(marginSeconds+marginErrors*e, l.Period/4)
}

// decide decides frame i of the window.
func (f *Follower) decide(i int) {
	fr := &f.s.frames[i].frame
	d := Decision{Frame: fr.Index, Time: fr.Time, Shown: fr.Shown, Locked: f.locked, Period: f.lock.Period}
	n := f.options.Bands
	from := len(f.bands)
	for b := range n {
		y := (float64(b) + 0.5) / float64(n)
		var v Band
		if f.locked {
			v = f.band(i, y, f.margin(fr.Time, y))
			switch {
			case f.doubting && f.moves(i, y):
				v.Mixed = true
			case v.Mixed:
				v.Still = !f.moves(i, y)
				f.single(&v, i, y)
			}
		} else {
			v.Picture, _ = f.lock.Picture(fr.Time, y, 0)
			v.Share = 1
			v.Mixed = f.moves(i, y)
		}
		v.Level = f.level(i, b)
		f.last = max(f.last, v.Picture)
		f.bands = append(f.bands, v)
	}
	d.Bands = f.bands[from:]
	f.out = append(f.out, d)
	f.pending--
}

// band decides one band of a locked frame.
func (f *Follower) band(i int, y, margin float64) Band {
	l := &f.lock
	t := f.s.frames[i].frame.Time
	k, since := l.Picture(t, y, 0.5)
	v := Band{Picture: k, Share: min(since/l.Exposure, 1)}
	spread := f.spread()
	// free is the time to the nearest update less what the band's height and
	// the screen's width take.
	free := func(since float64) float64 {
		return min(since-l.Exposure-l.Tail, l.Period-l.Lead-since) - spread
	}
	own := free(since)
	v.Clear = own - margin
	v.Mixed = v.Clear < 0
	if !v.Mixed || own < 0 || margin > unsure*f.step {
		return v
	}
	// Only the margin is missing. Where no other frame of the picture has it
	// either, the best of them is taken.
	for _, way := range [...]int{-1, 1} {
		for j := i + way; j >= 0 && j < len(f.s.frames); j += way {
			other := since + f.s.frames[j].frame.Time - t
			if other < 0 || other >= l.Period {
				break
			}
			if o := free(other); o > own || o == own && way < 0 {
				return v
			}
		}
	}
	v.Mixed = false
	return v
}

// spread is how much earlier or later than at its centre an update comes
// within a band.
func (f *Follower) spread() float64 {
	return math.Abs(f.lock.Slope)/2/float64(f.options.Bands) + math.Abs(f.lock.Across)/2
}

// moves reports whether frame i differs at height y from a neighbour.
func (f *Follower) moves(i int, y float64) bool {
	for j := i; j <= min(i+1, len(f.s.frames)-1); j++ {
		for u := range f.s.units {
			w := &f.s.units[u]
			if h := y * float64(f.layout.Rows); h < float64(w.r0) || h >= float64(w.r1) {
				continue
			}
			if changed(f.s.frames[j].change[u], f.rest[u]) > 0 {
				return true
			}
		}
	}
	return false
}

// single takes a band that may be mixed by the timing alone for what it is where
// it looks like one of its neighbours and unlike the other: two frames in a row
// hold the same share of a new picture only where that is none or all of it.
func (f *Follower) single(v *Band, i int, y float64) {
	if i+1 >= len(f.s.frames) || v.Still || f.lock.Period > fewFrames*f.step {
		return
	}
	before, after := 0.0, 0.0 // by how much it differs from the frames there
	for u := range f.s.units {
		w := &f.s.units[u]
		if h := y * float64(f.layout.Rows); h < float64(w.r0) || h >= float64(w.r1) {
			continue
		}
		in, out := f.s.frames[i].change[u], f.s.frames[i+1].change[u]
		if in == dip || out == dip {
			return
		}
		before, after = before+in, after+out
	}
	// Near the begin of a picture the next frame shows it too, near its end the
	// last one.
	l := &f.lock
	_, since := l.Picture(f.s.frames[i].frame.Time, y, 0.5)
	if since-l.Exposure-l.Tail > l.Period-l.Lead-since {
		before, after = after, before
	}
	if before > plain*after {
		v.Mixed, v.Share, v.Clear = false, 1, min(v.Clear, 0)
	}
}

// level returns the mean code above black of band b.
func (f *Follower) level(i, b int) float64 {
	n := f.options.Bands
	r0 := b * f.layout.Rows / n
	r1 := max((b+1)*f.layout.Rows/n, r0+1)
	u := unit{r0: r0, r1: r1, c1: f.layout.Cols}
	return f.s.mean(f.s.frames[i].frame.Grid, &u) - f.layout.Black
}
