package contour

import (
	"cmp"
	"image"
	"math"
	"math/cmplx"
	"slices"

	"setwitness/detect/vision"
)

// Part is what contours of one gradient that follow each other have in common.
type Part struct {
	Contours int
	// Levels is how many plateaus there are, Expected how many levels a gradient
	// over the same range has that has lost none.
	Levels, Expected float64
	Low, High        float64 // code values
	// Step is the mean distance of the levels, code values, and Lost how many
	// times that of a gradient that has lost none.
	Step, Lost float64
	// Length is that of all contours, raster pixels.
	Length float64
	Wide   float64 // mean width of the plateaus, raster pixels
	Region image.Rectangle
	// Upright is the share of the length that is straight along rows or
	// columns, Straight the share that is straight at all.
	Straight, Upright float64
	// Parallel is 1 where all straight ones have one direction, and 0 where any.
	Parallel float64
	Speed    float64 // mean, pixels a second
	LumaStep float64 // mean, code values
	// Gridded is the share of the length on the grid of a codec's blocks.
	Gridded float64
	// Painted is the share of the length that parts two colours.
	Painted float64
	// Fell is the share of the length where the look before had a slope instead, and
	// FellSteps how many of the steps it had one at.
	Fell      float64
	FellSteps int
	// Repeats is how many contours there are between levels that another one has
	// already, and Agree the standard deviation of their levels, as a share of the
	// step.
	Repeats int
	Agree   float64

	fell   bool // of a slope, a moment ago
	filmed bool // levels drift from place to place
	stairs []stair
	run    []stair // those of them that follow each other without a gap
}

// stair is a step between two plateaus.
type stair struct{ low, high float64 }

// gapless is how many times its own step a level may lie above the one before
// it: contours that are left out, or were not seen, break a run. What breaks each
// primary by itself has steps of green, 0.7152 of a whole one (ITU-R BT.709-6), with
// those of red and blue between, which alone may be too small to count; and levels
// stray by a twentieth.
const gapless = 1.05 / 0.7152

// measure sums up the contours that keep holds good, as far as their levels
// follow each other without a gap: the longest such run. unit is the step, at a
// level, of a gradient that has lost none. Where levels drift from place to
// place, the contours' ranks count instead.
func (p *Part) measure(contours []Contour, keep func(*Contour) bool, unit func(level float64) float64, drift bool) {
	*p = Part{filmed: drift, stairs: p.stairs[:0]}
	for i := range contours {
		if c := &contours[i]; keep(c) {
			p.stairs = append(p.stairs, stair{c.Low, c.High})
		}
	}
	if len(p.stairs) == 0 {
		return
	}
	var run []stair
	if drift {
		run = p.stairs
	} else {
		sortStairs(p.stairs)
		p.Repeats, p.Agree = agreement(p.stairs)
		run = longest(p.stairs)
	}
	p.run = run
	var lost float64
	for _, s := range run {
		p.Step += s.high - s.low
		lost += unit((s.low + s.high) / 2)
	}
	distinct := float64(len(run))
	p.Lost = p.Step / lost
	p.Step /= distinct
	p.Low, p.High = run[0].low, run[len(run)-1].high
	if drift {
		least, most := contours[0].Rank, contours[0].Rank
		for i := range contours {
			least, most = min(least, contours[i].Rank), max(most, contours[i].Rank)
			p.Low, p.High = min(p.Low, contours[i].Low), max(p.High, contours[i].High)
		}
		distinct = float64(most - least + 1)
	}
	p.Levels, p.Expected = 1+distinct, 1+distinct*p.Lost
	moving := 0.0
	var directions complex128
	for i := range contours {
		c := &contours[i]
		mid := (c.Low + c.High) / 2
		if mid < p.Low || mid > p.High || !keep(c) {
			continue
		}
		p.Contours++
		p.Length += c.Length
		p.Wide += c.Wide
		p.Region = p.Region.Union(c.Region)
		if c.Straight {
			p.Straight += c.Length
			// A line has one direction both ways.
			directions += cmplx.Rect(c.Length, 2*c.Angle)
		}
		if c.Upright {
			p.Upright += c.Length
		}
		if c.Speed > 0 {
			p.Speed += c.Speed
			moving++
		}
		p.LumaStep += c.LumaStep
		p.Gridded += c.Gridded * c.Length
		if c.Painted {
			p.Painted += c.Length
		}
		if c.Fell {
			p.Fell += c.Length
		}
	}
	for _, s := range run {
		if slices.ContainsFunc(contours, func(c Contour) bool {
			return c.Fell && math.Abs((c.Low+c.High)/2-s.middle()) < s.step()/2 && keep(&c)
		}) {
			p.FellSteps++
		}
	}
	n := float64(p.Contours)
	p.Wide, p.LumaStep = p.Wide/n, p.LumaStep/n
	p.Speed /= max(moving, 1)
	p.Parallel = cmplx.Abs(directions) / max(p.Straight, 1)
	p.Straight, p.Upright = p.Straight/max(p.Length, 1), p.Upright/max(p.Length, 1)
	p.Gridded, p.Painted, p.Fell = p.Gridded/max(p.Length, 1), p.Painted/max(p.Length, 1), p.Fell/max(p.Length, 1)
}

// sortStairs puts the lowest first.
func sortStairs(s []stair) {
	slices.SortFunc(s, func(a, b stair) int { return cmp.Compare(a.low+a.high, b.low+b.high) })
}

// double is how many times the step of most a step is at least that is taken for
// two, whose contours run side by side along a thing's edge: halfway by ratio.
const double = math.Sqrt2

// agreement returns how many steps there are, lowest first, between levels that
// another one has already, and by how much these stray from each other, as a share
// of the step. What is two steps at once has no levels to share with single ones.
func agreement(s []stair) (repeats int, stray float64) {
	single := double * medianStep(s)
	var squares float64
	for i := 0; i < len(s); {
		n, kept, sum := i, 0, 0.0
		for ; n < len(s) && s[n].middle()-s[i].middle() < s[i].step()/2; n++ {
			if s[n].step() < single {
				kept++
				sum += s[n].middle()
			}
		}
		for _, k := range s[i:n] {
			if k.step() < single {
				squares += sq((k.middle() - sum/float64(kept)) / k.step())
			}
		}
		repeats += max(kept-1, 0)
		i = n
	}
	return repeats, math.Sqrt(squares / float64(max(repeats, 1)))
}

// medianStep is the median of the steps.
func medianStep(s []stair) float64 {
	if len(s) == 0 {
		return 0
	}
	steps := make([]float64, len(s))
	for i := range s {
		steps[i] = s[i].step()
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

func (s stair) middle() float64 { return (s.low + s.high) / 2 }

func (s stair) step() float64 { return s.high - s.low }

// longest returns the most of the steps, lowest first, that follow each other;
// those of the same levels, on either side of a hill, are one.
func longest(s []stair) []stair {
	n, from, best, most := 0, 0, 0, 0
	for _, c := range s {
		if n > 0 {
			last := &s[n-1]
			rise, step := (c.low+c.high-last.low-last.high)/2, max(c.high-c.low, last.high-last.low)
			if rise < step/2 {
				continue
			}
			if rise > gapless*step {
				from = n
			}
		}
		s[n] = c
		n++
		if n-from > most {
			best, most = from, n-from
		}
	}
	return s[best : best+most]
}

// Measures are the numbers behind a finding, by name.
func (p *Part) Measures(v *vision.Viewer) map[string]float64 {
	return map[string]float64{
		"step_codes":        v.Stated(p.Step),
		"contours":          float64(p.Contours),
		"contour_length_px": p.Length,
		"plateau_px":        p.Wide,
		"levels_present":    p.Levels,
		"levels_expected":   math.Round(p.Expected),
		"crawl_px_s":        p.Speed,
	}
}
