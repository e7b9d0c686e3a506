package macroblocking

import (
	"fmt"
	"slices"
	"time"

	"setwitness/detect"
)

// coverage counts what the take could have shown.
type coverage struct {
	looks, smooth int           // looks, and those with enough that is smooth
	seconds       time.Duration // of these
	last          time.Duration
	step          time.Duration
	floor         float64 // sum over these, JND
	single        int     // of these, in how many what is least is a step that is no fault
	needs         []float64
	levels        []float64
}

const (
	// floorPitch is the pitch that a floor is stated for, in pixels: blocks of 8
	// samples that nobody scaled, the smallest and so the least visible.
	floorPitch = 8
	// coarse is the floor, in JND that a step would have by itself, above which a
	// place is not smooth enough to tell blocks in it.
	coarse = 12
	// limitedShare of the looks have to have something smooth, else what was seen
	// is little.
	limitedShare = 0.1
)

// count takes in a look at picture time now.
func (c *coverage) count(s *state, k *look, now time.Duration) {
	if c.looks > 0 && now > c.last {
		c.step = now - c.last
	}
	c.last = now
	c.looks++
	s.judge.prepare(grid{{pitch: floorPitch}, {pitch: floorPitch}})
	// What there is hides a step.
	c.needs, c.levels = c.needs[:0], c.levels[:0]
	for b := range k.axes[0] {
		size := k.axes[0][b].Size
		for x := range s.cols {
			part := size[x*tile : min((x+1)*tile, len(size))]
			sum := 0
			for _, v := range part {
				sum += int(v)
			}
			i := b*s.cols + x
			perCode := s.judge.jnd(k.luma[i])
			others := float64(sum) / float64(len(part)) / s.judge.unit * perCode
			if needs := leastVisible / masked(1, others); needs < coarse {
				c.needs = append(c.needs, needs)
				c.levels = append(c.levels, s.judge.least*perCode)
			}
		}
	}
	if len(c.needs) < leastTiles {
		return
	}
	slices.Sort(c.needs)
	slices.Sort(c.levels)
	c.smooth++
	c.seconds += c.step
	hidden, level := c.needs[len(c.needs)/2], c.levels[len(c.levels)/2]
	if level > hidden {
		c.single++
	}
	c.floor += max(hidden, level)
}

func (c *coverage) report(s *state) detect.Coverage {
	r := detect.Coverage{Kind: detect.Macroblocking, State: detect.NotExaminable}
	switch {
	case !s.examinable():
		r.Why = fmt.Sprintf("%d by %d pixels are too few to tell a grid", s.setup.Format.W, s.setup.Format.H)
		return r
	case c.smooth == 0:
		r.Why = "nothing is smooth enough to tell blocks in"
		return r
	}
	r.State = detect.Examined
	r.Seconds = c.seconds.Seconds()
	r.Floor = c.floor / float64(c.smooth)
	if 2*c.single > c.smooth && s.setup.Option(leastStep) >= 1 {
		r.Why = "steps of single codes of 8 bits are no fault"
	}
	switch {
	case c.looks == 1:
		r.State = detect.Limited
		r.Why = "one picture alone does not show what moves"
	case float64(c.smooth) < limitedShare*float64(c.looks):
		r.State = detect.Limited
		r.Why = fmt.Sprintf("%d of %d pictures have places smooth enough to tell blocks in", c.smooth, c.looks)
	}
	return r
}
