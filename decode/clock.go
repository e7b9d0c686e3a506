package decode

import (
	"fmt"
	"math/bits"
	"time"
)

// clock turns the timestamps of a stream into presentation times that start
// at its first frame and rise. Timestamps that are missing, stand still or
// start anew are bridged with the nominal period, and counted.
type clock struct {
	num, den int64         // seconds of one tick
	period   time.Duration // nominal, of one frame; 0 when not known
	restarts bool          // the container's own clock may start anew or jump

	started bool
	origin  int64 // timestamp of time 0, less shift
	shift   time.Duration
	running bool // last is the time of a frame
	last    time.Duration
	shown   time.Duration // how long that frame is nominally shown

	missing, unordered, anew int
	gap, gapAt               time.Duration // longest step without a frame
}

const (
	// A step back of more than this is a clock that starts anew; less is one
	// bad stamp. MPEG systems send a new stamp at least every 0.7 s
	// (ISO/IEC 13818-1, 2.7.4; from memory).
	stepBack = time.Second
	// Where a container's clock may jump, a step forward of more than this
	// is a jump and not a pause (FFmpeg's default dts_delta_threshold).
	stepForward = 10 * time.Second
	// A quarter of what a time.Duration holds, so that sums stay within.
	longest = time.Duration(1 << 61)
)

// at returns the time of a frame with timestamp ts, which is nominally shown
// for that long.
func (c *clock) at(ts int64, timed bool, shown time.Duration) time.Duration {
	next := time.Duration(0)
	if c.running {
		next = c.last + c.shown
	}
	t := next
	switch {
	case !timed:
		c.missing++
	case !c.started:
		c.started, c.origin, c.shift = true, ts, next
	default:
		t = c.follow(ts, next)
	}
	c.running, c.last, c.shown = true, t, shown
	return t
}

// follow returns the time of timestamp ts after the frame at c.last.
func (c *clock) follow(ts int64, next time.Duration) time.Duration {
	t, ok := c.raw(ts)
	if !c.running {
		return t
	}
	step := t - c.last
	if !ok || step < -stepBack || c.restarts && step > stepForward {
		c.anew++
		c.origin, c.shift = ts, next
		return next
	}
	if step <= 0 {
		c.unordered++
		// Half way to where the next frame belongs, so that a single bad
		// stamp leaves the order as it is and moves no other.
		return c.last + max(c.shown/2, 1)
	}
	if step > c.gap {
		c.gap, c.gapAt = step, c.last
	}
	return t
}

func (c *clock) raw(ts int64) (time.Duration, bool) {
	d := ts - c.origin
	if (d < 0) != (ts < c.origin) {
		return 0, false // the difference overflows
	}
	t, ok := scale(d, c.num, c.den)
	return t + c.shift, ok && t.Abs() < longest && c.shift < longest
}

// peek returns the time that a timestamp would have.
func (c *clock) peek(ts int64) time.Duration {
	if !c.started {
		return 0
	}
	if t, ok := c.raw(ts); ok {
		return t
	}
	return c.last
}

// forget makes the next frame follow nothing, as after a seek.
func (c *clock) forget() { c.running = false }

// steady reports whether every time came from a timestamp of its own.
func (c *clock) steady() bool { return c.missing == 0 && c.unordered == 0 && c.anew == 0 }

func (c *clock) warnings() []string {
	var w []string
	add := func(n int, one, many string) {
		switch {
		case n == 1:
			w = append(w, "1 frame "+one)
		case n > 1:
			w = append(w, fmt.Sprintf("%d frames %s", n, many))
		}
	}
	add(c.missing, "has no time in the file; it was placed at the nominal rate",
		"have no time in the file; they were placed at the nominal rate")
	add(c.unordered, "has a time that does not follow the frame before; it was moved",
		"have times that do not follow the frame before; they were moved")
	add(c.anew, "starts the file's clock anew; the times go on from there",
		"start the file's clock anew; the times go on from there")
	if c.gap > stepForward {
		w = append(w, fmt.Sprintf("no frame for %.1f s after %.3f s", c.gap.Seconds(), c.gapAt.Seconds()))
	}
	return w
}

// scale returns ticks of num/den seconds as a time, rounded to the nearest
// nanosecond; false when it does not fit.
func scale(ticks, num, den int64) (time.Duration, bool) {
	if num <= 0 || den <= 0 || num > int64(1<<62)/int64(time.Second) {
		return 0, false
	}
	u := uint64(ticks)
	if ticks < 0 {
		u = -u
	}
	hi, lo := bits.Mul64(u, uint64(num)*uint64(time.Second))
	lo, carry := bits.Add64(lo, uint64(den)/2, 0)
	hi += carry
	if hi >= uint64(den) {
		return 0, false
	}
	q, _ := bits.Div64(hi, lo, uint64(den))
	if q > 1<<63-1 {
		return 0, false
	}
	if ticks < 0 {
		return -time.Duration(q), true
	}
	return time.Duration(q), true
}
