package ghost

import (
	"math"
	"testing"
)

// A ghost is told in all pictures of a take, where no clean one is, by the steps
// of what moves; one that begins or ends goes on for as long as it lasts.
func TestLasting(t *testing.T) {
	straight := func(c *clip) { c.y = func(float64) float64 { return 180 } }
	for _, c := range []struct {
		name        string
		set         func(*clip)
		first, last int // of one event; -1 where none is told
	}{
		{"three, thrown", func(c *clip) { c.mix = burst(0, 99, .25, .5, .25) }, 1, 38},
		{"two, thrown", func(c *clip) { c.mix = burst(0, 99, 0, .5, .5) }, 1, 38},
		{"three, panned", func(c *clip) { c.diameter, c.pan, c.still = 0, 9, 18; c.mix = burst(0, 99, .25, .5, .25) }, 1, 38},
		{"24 pictures of a straight flight", func(c *clip) { straight(c); c.mix = burst(9, 32, .25, .5, .25) }, 9, 32},
		{"until a straight flight is half over", func(c *clip) { straight(c); c.mix = burst(0, 20, .25, .5, .25) }, 3, 20},
		{"20 pictures of a slow pan", func(c *clip) {
			c.diameter, c.pan, c.still, c.paint = 0, 3, 18, bar
			c.mix = burst(12, 31, .25, .5, .25)
		}, 12, 31},
		// Nothing tells it from three balls.
		{"three, straight", func(c *clip) { straight(c); c.mix = burst(0, 99, .25, .5, .25) }, -1, -1},
		{"a twin at the first step of a throw", func(c *clip) {
			c.paint = func(c *clip, k, x, y, v float64) float64 {
				r := math.Hypot(x-c.x(k)+14, y-c.y(k)-12)
				return v + 30*max(0, min(1, 15.5-r))
			}
		}, -1, -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			clip := newClip(11)
			c.set(clip)
			events := scan(t, clip).Events
			if c.first < 0 {
				if len(events) > 0 {
					t.Errorf("found %+v", events)
				}
				return
			}
			if len(events) != 1 {
				t.Fatalf("found %d events: %+v", len(events), events)
			}
			// The first pictures of a take have no steps before them.
			slack := 0
			if c.first <= 3 {
				slack = 2
			}
			if e := events[0]; e.Start > c.first+slack || e.Start < c.first-slack || math.Abs(float64(e.End-c.last)) > 3 {
				t.Errorf("pictures %d to %d, want %d to %d", e.Start, e.End, c.first, c.last)
			}
		})
	}
}

func TestDiffer(t *testing.T) {
	of := func(n int, dx, dy float64) (v []sighting) {
		for range n {
			v = append(v, sighting{dx: dx, dy: dy, step: math.Hypot(dx, dy)})
		}
		return v
	}
	for _, c := range []struct {
		name string
		v    []sighting
		want bool
	}{
		{"none", nil, false},
		{"one step", of(20, 10, 0), false},
		{"too few of another", append(of(20, 10, 0), of(2, 20, 0)...), false},
		{"longer", append(of(20, 10, 0), of(3, 14, 0)...), true},
		{"hardly longer", append(of(20, 10, 0), of(3, 12, 0)...), false},
		{"turned", append(of(20, 10, 0), of(3, 9, 4)...), true},
	} {
		if got := differ(c.v); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Of things that cross each other many have no peak; those that have one say where it is.
func TestLastingThings(t *testing.T) {
	for _, c := range []struct {
		name                  string
		looks, peaked, copied int
		want                  bool
	}{
		{"most have the peak", 20, 14, 13, true},
		{"half have no peak", 20, 10, 8, true},
		{"half have it elsewhere", 20, 20, 10, false},
		{"hardly any has one", 20, 5, 5, false},
		{"too few", fewestLasting - 1, 8, 8, false},
	} {
		g := gathered{looks: c.looks, peaked: c.peaked, copied: make([]sighting, c.copied)}
		if got := g.things().sure(leastLasting) >= decided; got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
