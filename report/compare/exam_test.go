package compare_test

import (
	"math/rand/v2"
	"testing"

	"setwitness/report/compare"
	"setwitness/testdata/comparisons"
)

// Repeated takes of the same thing differ in start, noise and luck; nothing in
// them is new, nothing fixed, and hardly anything stronger or weaker.
func TestUnchanged(t *testing.T) {
	const pairs = 150
	for name, takes := range map[string]comparisons.Takes{
		"direct": {Seconds: 40, Late: 0.5},
		"films":  {Seconds: 40, Late: 2, Filmed: true},
	} {
		r := rand.New(rand.NewPCG(77, uint64(len(name))))
		count := map[compare.Verdict]int{}
		for range pairs {
			faults := comparisons.Faults(r, 6, takes.Seconds)
			c, err := compare.Compare([]*compare.Scan{takes.Scan(r, faults)}, []*compare.Scan{takes.Scan(r, faults)}, compare.Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range c.Pairs {
				count[p.Verdict]++
			}
		}
		if count[compare.New] > 0 || count[compare.Fixed] > 0 {
			t.Errorf("%s: %v", name, count)
		}
		// One in a hundred of either is what namedLevel allows, and half of them is
		// room for luck.
		if n := count[compare.Stronger] + count[compare.Weaker]; n*100 > 2*count[compare.Persisting] {
			t.Errorf("%s: %v", name, count)
		}
		if count[compare.Persisting] < 3*pairs {
			t.Errorf("%s: too little is compared: %v", name, count)
		}
	}
}

// Of faults that went, came, doubled or halved over four passes a side, none
// persists that is well above its floor.
func TestChanged(t *testing.T) {
	r := rand.New(rand.NewPCG(78, 1))
	takes := comparisons.Takes{Seconds: 40, Late: 0.5}
	right, all := 0, 0
	for range 60 {
		faults := comparisons.Faults(r, 4, takes.Seconds)
		for i := range faults {
			faults[i].Strength = max(faults[i].Strength, 8*faults[i].Floor)
		}
		gone, stays := faults[0], faults[1:]
		var before, after []*compare.Scan
		for range 4 {
			before, after = append(before, takes.Scan(r, faults)), append(after, takes.Scan(r, stays))
		}
		c, err := compare.Compare(before, after, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range c.Pairs {
			all++
			was := p.Kind == gone.Kind && p.SourceS != nil && *p.SourceS > gone.Start-0.3 && *p.SourceS < gone.Start+gone.Length+0.3
			if was && p.Verdict == compare.Fixed || !was && p.Verdict == compare.Persisting {
				right++
			}
		}
	}
	if right*100 < 97*all {
		t.Errorf("%d of %d are right", right, all)
	}
}
