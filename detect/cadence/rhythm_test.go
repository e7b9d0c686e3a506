package cadence

import (
	"math"
	"math/rand/v2"
	"testing"
)

func lost(at ...int) []breach {
	var out []breach
	for _, p := range at {
		out = append(out, breach{first: p, last: p, lost: 1, odds: 3})
	}
	return out
}

// A conversion of rates from r to s pictures a second (r > s) leaves out one
// picture in r/(r-s), so that the pictures shown stumble every s/(r-s).
func TestRhythmsOfConversions(t *testing.T) {
	for _, c := range []struct{ from, to float64 }{{30, 24}, {29.83, 24}, {60, 50}, {59.94, 50}, {25, 24}, {30, 25}} {
		period := c.to / (c.from - c.to)
		var at []int
		for k := range 60 {
			if k > 20 && k < 35 || k%5 == 3 { // nothing moves, or not enough
				continue
			}
			at = append(at, int(math.Round(7.3+float64(k)*period)))
		}
		list := lost(at...)
		// Two others between, off the beat.
		list = append(list, lost(int(7.3+2.5*period), int(7.3+40.5*period))...)
		got := rhythms(list)
		if len(got) != 1 {
			t.Errorf("%g to %g: %d series, want 1: %+v", c.from, c.to, len(got), got)
			continue
		}
		if math.Abs(got[0].period-period) > 0.02*period || len(got[0].members) < len(at) {
			t.Errorf("%g to %g: period %.3f, want %.3f; %d members of %d", c.from, c.to, got[0].period, period, len(got[0].members), len(at))
		}
		beats := got[0].beats(list)
		if want := 59*period/got[0].period + 1; math.Abs(float64(len(beats))-want) > 1 {
			t.Errorf("%g to %g: %d beats, want %.0f", c.from, c.to, len(beats), want)
		}
	}
}

// Breaches by chance keep no beat.
func TestNoRhythmByChance(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	found := 0
	for range 300 {
		at, p := []int{}, 0
		for range 20 {
			p += 4 + r.IntN(30)
			at = append(at, p)
		}
		found += len(rhythms(lost(at...)))
	}
	if found > 6 { // two in a hundred takes that stumble twenty times
		t.Errorf("%d of 300 takes with breaches by chance have a rhythm", found)
	}
}

func TestFewBreachesHaveNoRhythm(t *testing.T) {
	if got := rhythms(lost(10, 20, 30, 40, 50)); len(got) != 0 {
		t.Errorf("five breaches: %+v", got)
	}
}
