package combing

import (
	"fmt"
	"time"

	"setwitness/detect"
)

// coverage counts what the take could have shown.
type coverage struct {
	pictures int
	moving   int           // pictures in which something moved
	seconds  time.Duration // of them
	last     time.Duration
	step     time.Duration
	floor    float64 // sum over the moving pictures, 8-bit codes
	first    float64 // floor of the first picture
}

const (
	// A comb in a quarter of a cell is found when its share in the cell's
	// alternation passes the limit for suspects.
	partOfCell = 0.25
	// limitedShare of the take has to move, else what was seen is little.
	limitedShare = 0.1
)

func (c *coverage) count(s *state, w *detect.Window) {
	now := w.Time()
	if c.pictures > 0 && now > c.last {
		c.step = now - c.last
	}
	c.last = now
	c.pictures++
	z := s.suspects.zigzag
	cell := (noiseRatio*z + suspectFloor - (1-partOfCell)*z) / partOfCell
	floor := max(cell, maskFloor, maskNoise*smoothNoise*s.suspects.noise)
	if c.pictures == 1 {
		c.first = floor
	}
	if !s.suspects.moving {
		return
	}
	c.moving++
	c.seconds += c.step
	c.floor += floor
}

func (c *coverage) report(s *state) detect.Coverage {
	r := detect.Coverage{Kind: detect.Combing, State: detect.NotExaminable}
	switch {
	case s.format.Fields:
		r.Why = "fields were examined one by one; combing between them is the signal's nature"
		return r
	case !s.examinable():
		r.Why = fmt.Sprintf("%d lines are too few to tell a comb from detail", s.format.H)
		return r
	case c.pictures == 1:
		r.State, r.Floor = detect.Limited, 100*c.first/255
		r.Why = "one picture alone does not show what moves"
		return r
	case c.moving == 0:
		r.Why = "nothing moves"
		return r
	}
	r.State = detect.Examined
	r.Seconds = c.seconds.Seconds()
	r.Floor = 100 * c.floor / float64(c.moving) / 255
	if float64(c.moving) < limitedShare*float64(c.pictures) {
		r.State = detect.Limited
		r.Why = fmt.Sprintf("something moves in %d of %d pictures only", c.moving, c.pictures)
	}
	return r
}
