package ghost

import (
	"math"
	"testing"
)

// TestSoftPan has the whole of a slow pan mixed: what no copy tells, its
// softness along the pan does.
func TestSoftPan(t *testing.T) {
	slow := func(pan float64) *clip {
		c := newClip(21)
		c.diameter, c.pan, c.still, c.grain = 0, pan, 18, 1
		c.paint = bar
		return c
	}
	for _, pan := range []float64{1.6, -2.3, 3} {
		c := slow(pan)
		c.mix = burst(18, 22, .25, .5, .25)
		res := scan(t, c)
		if len(res.Events) != 1 || res.Events[0].Start != 18 || res.Events[0].End != 22 {
			t.Errorf("a pan of %g pixels: events %+v, want one of pictures 18 to 22", pan, res.Events)
		}
	}
	// What is softer for another reason is no mixture.
	soften := func(c *clip, along, across float64) {
		c.soft = func(k int) (float64, float64) {
			if k < 18 || k > 22 {
				return 0, 0
			}
			return along, across
		}
	}
	for _, other := range []struct {
		name          string
		along, across float64
	}{
		{"out of focus", 0.25, 0.25},
		{"softer across the pan", 0, 0.25},
	} {
		c := slow(2)
		soften(c, other.along, other.across)
		if res := scan(t, c); len(res.Events) > 0 {
			t.Errorf("%s: %+v", other.name, res.Events)
		}
	}
	c := slow(2)
	c.wide = true
	soften(c, 0.33, 0)
	if res := scan(t, c); len(res.Events) > 0 {
		t.Errorf("softer than any mixture: %+v", res.Events)
	}
	// A pan that hurries for a moment is blurred by the shutter, and goes further.
	c = slow(2)
	c.clock = func(k int) float64 { return float64(k) + 1.5*math.Max(0, math.Min(5, float64(k-17))) }
	soften(c, 0.25, 0)
	if res := scan(t, c); len(res.Events) > 0 {
		t.Errorf("a pan that hurries: %+v", res.Events)
	}
}

// TestSoftPanTwice has pictures of a slow pan woven as if they were of film, and shown
// twice; halved motion that mixes nothing is no ghost, nor is a film that is blurred
// for a while.
func TestSoftPanTwice(t *testing.T) {
	for _, c := range []struct {
		name  string
		mixed bool
		twice func(k int) bool
		soft  bool
		want  int // events
	}{
		{"woven", true, func(k int) bool { return k >= 18 && k < 24 }, false, 1},
		{"halved", false, func(k int) bool { return k >= 18 && k < 24 }, false, 0},
		{"film", false, func(int) bool { return true }, true, 0},
	} {
		s := newClip(21)
		s.diameter, s.pan, s.still, s.grain, s.paint = 0, 2, 18, 1, bar
		s.clock = func(k int) float64 {
			if c.twice(k) {
				k = k / 2 * 2
			}
			return float64(k)
		}
		if c.mixed {
			s.mix = burst(18, 23, .25, .5, .25)
		}
		if c.soft {
			s.soft = func(k int) (float64, float64) {
				if k >= 18 && k < 24 {
					return 0.25, 0
				}
				return 0, 0
			}
		}
		events := scan(t, s).Events
		if len(events) != c.want || c.want > 0 && (events[0].Start != 18 || events[0].End != 23) {
			t.Errorf("%s: %+v", c.name, events)
		}
	}
}

// A burst that lasts ends with its mixtures, though what the pan brings in by then
// is softer than what it began with.
func TestSoftPanEnds(t *testing.T) {
	const first, last = 18, 42
	c := newClip(21)
	c.n, c.diameter, c.pan, c.still, c.grain = 60, 0, 2, 18, 1
	c.paint = bar
	c.mix = burst(first, last, .25, .5, .25)
	c.soft = func(k int) (float64, float64) { return min(0.45, max(0, 0.02*float64(k-first))), 0 }
	res := scan(t, c)
	if len(res.Events) != 1 || res.Events[0].Start != first || res.Events[0].End > last+1 {
		t.Errorf("events %+v, want one of pictures %d to %d", res.Events, first, last)
	}
}

// A conversion of rates loses detail wherever it mixes two pictures of a pan. What
// follows the same rhythm and loses none is something else.
func TestMixturesLoseDetail(t *testing.T) {
	for _, lost := range []bool{true, false} {
		c := newClip(23)
		c.n, c.diameter, c.pan, c.still, c.grain, c.convert = 60, 0, 5, 18, 1, 0.6
		c.paint = bar
		c.soft = func(k int) (float64, float64) {
			if f := math.Mod(0.6*float64(k)+1e-9, 1); !lost && f > 0.1 {
				return -0.5 * 4 * f * (1 - f), 0
			}
			return 0, 0
		}
		told := false
		for _, e := range scan(t, c).Events {
			told = told || e.Measures["source_per_s"] == 30
		}
		if told != lost {
			t.Errorf("detail lost is %v: a rhythm of 30 a second is told: %v", lost, told)
		}
	}
}

func TestDirections(t *testing.T) {
	for _, c := range []struct {
		x, y float64
		want int
	}{{5, 0, 0}, {-5, 1, 0}, {0, 3, 1}, {1, -6, 1}, {4, 4, 2}, {-3, -4, 2}, {4, -4, 3}, {-4, 3, 3}} {
		if got := along(c.x, c.y); got != c.want {
			t.Errorf("along %g, %g: direction %d, want %d", c.x, c.y, got, c.want)
		}
		d, e := neighbours[c.want], neighbours[across(c.want)]
		if d.X*e.X+d.Y*e.Y != 0 {
			t.Errorf("%v is not at right angles to %v", e, d)
		}
	}
}

func TestLine(t *testing.T) {
	next, stray := line([]float64{5, 4, 3, 2, 1})
	if math.Abs(next-5.5) > 1e-9 || stray > 1e-9 {
		t.Errorf("a line goes on to %g and strays by %g, want 5.5 and 0", next, stray)
	}
	if _, stray := line([]float64{1, 1, 4, 1, 1}); math.Abs(stray-2.4) > 1e-9 {
		t.Errorf("an outlier of 3 strays by %g, want 2.4", stray)
	}
}
