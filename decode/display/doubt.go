package display

import (
	"time"

	"setwitness/decode/picture"
	"setwitness/decode/screen"
)

// A Doubt is left where the first frames of a take show no screen, but not for
// sure: nearly still or dark ones. It is settled while the take is read as a
// direct one, which nearly all such takes are, so that these need not be decoded
// twice.
type Doubt struct {
	finder *screen.Finder
	every  int // of the frames, one is looked at
	frames int
	first  time.Duration
}

// mostDirect is the rate of capture, frames a second, up to which a take may be
// left in doubt: the fastest that a signal has, with the tolerance of clocks. At
// higher ones the frames of a slow-motion camera are looked at for longer.
const mostDirect = 61

// Add looks at the next frame of the take, of which the first is the first of
// all, and reports whether the frames seen are enough.
func (d *Doubt) Add(p *picture.Picture) (enough bool) {
	if d.frames == 0 {
		d.first = p.Time
	}
	// Those of the glance are known.
	if d.frames >= glanceFrames && d.frames%d.every == 0 {
		d.finder.Add(&p.Y)
	}
	d.frames++
	return (p.Time - d.first).Seconds() >= probeSeconds
}

// Screen reports whether the take is of a screen after all, and why.
func (d *Doubt) Screen() (bool, string, error) {
	found, err := d.finder.Result()
	return found.Kind != screen.Direct, found.Why, err
}
