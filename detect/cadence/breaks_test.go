package cadence

import "testing"

// A picture that shows nothing of the motion around it is a repeat where things
// go on behind it, and the turn of a hand where most of them go back.
func TestTurnIsNoRepeat(t *testing.T) {
	for _, c := range []struct {
		name string
		step step
		held bool
	}{
		{"all go on", step{before: 5, after: 5, agree: 140, fit: 140, tiles: 140}, true},
		{"most go on", step{before: 5, after: 5, agree: 120, fit: 120, tiles: 140}, true},
		{"a few go on", step{before: 5, after: 3, agree: 11, fit: 11, tiles: 142}, false},
		{"all turn", step{tiles: 142}, false},
	} {
		r := record{repeat: top, shown: 0.3, cells: 1500, step: c.step}
		if odds := heldOdds(&r, true); (odds > 0) != c.held {
			t.Errorf("%s: odds %.1f", c.name, odds)
		}
	}
}

// A step of twice the length tells of a lost picture, but not where pictures
// that are mixtures of two give way to single ones: those change from one to
// the next by half as much.
func TestLongStepAfterMixtures(t *testing.T) {
	for _, c := range []struct {
		even float32
		lost bool
	}{{1, true}, {0.85, true}, {0.55, false}} {
		var new [7]fresh
		for i := range new {
			new[i].step = step{before: 8, at: 8, after: 8, ratio: 1, agree: 90, fit: 90, tiles: 90, even: 1}
		}
		new[2].step.ratio, new[4].step.ratio = 2.0/3, 2.0/3
		new[3].step.ratio, new[3].step.even = 2, c.even
		lost, odds, ok := lostBefore(&new)
		if ok = ok && odds > 0; ok != c.lost || ok && lost != 1 {
			t.Errorf("changes of %.2f: %v lost, odds %.1f, told %v; want %v", c.even, lost, odds, ok, c.lost)
		}
	}
}

// Where pictures of one pattern give way to some that repeat without any, motion
// was thinned if they repeat by ones and twos; a hand that jerks and rests makes
// longer holds.
func TestRestsAreNoThinning(t *testing.T) {
	all := patterns(false)
	one := 0
	for all[one].name != "1:1" {
		one++
	}
	for _, c := range []struct {
		holds   int
		thinned bool
	}{{12, true}, {6, true}, {5, false}, {2, false}} {
		jerk := step{at: 24, ratio: 1, agree: 40, fit: 40, tiles: 40}
		thin := step{at: 48, ratio: 2, agree: 40, fit: 40, tiles: 40}
		b := builder{chains: []chain{
			{kind: inPattern, pattern: one, end: 40, fresh: 40, lastStep: jerk},
			{kind: irregular, pattern: -1, start: 40, end: 68, fresh: 16, repeats: 12, holds: c.holds, firstSteps: [2]step{thin, thin}},
			{kind: inPattern, pattern: one, start: 68, end: 108, fresh: 40},
		}}
		told := false
		for _, x := range b.stretches(all) {
			told = told || x.odds > 0
		}
		if told != c.thinned {
			t.Errorf("12 repeats in %d holds: thinned is %v", c.holds, told)
		}
	}
}
