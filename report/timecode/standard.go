package timecode

import "math"

// standard are the rates that ST 12-1:2014 counts, from memory: those that
// editing programs have time lines of.
var standard = [...][2]int{
	{24000, 1001}, {24, 1}, {25, 1}, {30000, 1001}, {30, 1},
	{48000, 1001}, {48, 1}, {50, 1}, {60000, 1001}, {60, 1},
}

// same is how far apart two rates may be, as a share, and still be the same: a
// fifth of what 30 and 29.97 differ by. Files state rates with two or three
// digits after the point.
const same = 0.0002

// For chooses the count for the time line of a file of so many frames a second:
// its own rate where time code counts that; else one of which it is a whole
// multiple or part, with as few steps as there can be; else the nearest. Labels
// are dropped where they can be. A file without a rate counts 25.
func For(num, den int) Count {
	rate := 25.0
	if num > 0 && den > 0 {
		rate = float64(num) / float64(den)
	}
	const most = 100 // of frames to a label, or of labels to a frame
	for k := 1.0; k <= most; k++ {
		for _, file := range []float64{rate / k, rate * k} {
			if c, ok := Standard(file); ok {
				return c
			}
		}
	}
	return nearest(rate)
}

// Standard returns the count of a rate that time code counts, with dropped
// labels where they can be.
func Standard(rate float64) (c Count, ok bool) {
	c = nearest(rate)
	return c, math.Abs(rate/c.Rate()-1) < same
}

// nearest returns the count whose rate is nearest.
func nearest(rate float64) Count {
	best := standard[0]
	for _, s := range standard {
		if math.Abs(float64(s[0])/float64(s[1])-rate) < math.Abs(float64(best[0])/float64(best[1])-rate) {
			best = s
		}
	}
	c, err := New(best[0], best[1], true)
	if err != nil {
		c, _ = New(best[0], best[1], false) // there is no standard rate that has none
	}
	return c
}
