package cadence

import (
	"testing"

	"setwitness/detect/cells"
	"setwitness/detect/motion"
)

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
		tiles, even float32
		lost        bool
	}{{90, 1, true}, {90, 0.85, true}, {90, 0.7, false}, {90, 0.55, false}, {4, 0.7, true}, {4, 0.55, false}} {
		var new [7]fresh
		for i := range new {
			new[i].step = step{before: 8, at: 8, after: 8, ratio: 1, agree: c.tiles, fit: c.tiles, tiles: c.tiles, even: 1}
		}
		new[2].step.ratio, new[4].step.ratio = 2.0/3, 2.0/3
		new[3].step.ratio, new[3].step.even = 2, c.even
		lost, odds, ok := lostBefore(&new)
		if ok = ok && odds > 0; ok != c.lost || ok && lost != 1 {
			t.Errorf("changes of %.2f in %g tiles: %v lost, odds %.1f, told %v; want %v", c.even, c.tiles, lost, odds, ok, c.lost)
		}
	}
}

// A camera that rests for some pictures holds nothing else that moves, and what
// is held as a whole does not change at all.
func TestRestOfACamera(t *testing.T) {
	for _, c := range []struct {
		name   string
		shown  float32
		alive  float32
		frozen bool
		step   step
		held   bool
	}{
		{"nothing moves", 0.3, 0, false, step{before: 7, after: 7, agree: 8, fit: 8, tiles: 15}, true},
		{"other things move on", 0.3, 7, false, step{before: 7, after: 7, agree: 8, fit: 8, tiles: 15}, false},
		{"a hand turns", 0.3, 0, false, step{before: 4, after: 2, agree: 5, fit: 5, tiles: 11}, false},
		{"nothing changes at all", 0.3, 0, true, step{before: 4, after: 4, agree: 5, fit: 5, tiles: 11}, true},
		{"all of it bounces", 0.3, 0, true, step{tiles: 11}, false},
		{"things go on and some of it shows", 0.6, 0, false, step{before: 22, after: 22, agree: 4, fit: 4, tiles: 6}, false},
		{"things go on and hardly anything changes", 0.6, 0, true, step{before: 22, after: 22, agree: 4, fit: 4, tiles: 6}, true},
		{"a small thing rests", 0.3, 0, false, step{}, false},
		{"a small thing freezes", 0.3, 0, true, step{}, true},
	} {
		r := record{repeat: 9, shown: c.shown, cells: 20, alive: c.alive, frozen: c.frozen, step: c.step}
		if odds := heldOdds(&r, true); (odds > 0) != c.held {
			t.Errorf("%s: odds %.1f", c.name, odds)
		}
	}
}

// A few pictures of halved motion are no pattern yet, but a break of the one
// around them: where things go twice as far after each held picture.
func TestHaltsOfAFewPictures(t *testing.T) {
	patterns := patterns(false)
	whole := 0
	for len(patterns[whole].places) != 1 {
		whole++
	}
	one := func(ratio float32) step {
		return step{before: 8, at: 8 * ratio, after: 8, ratio: ratio, agree: 9, fit: 9, tiles: 9}
	}
	for _, c := range []struct {
		name  string
		step  float32 // of the pictures between the held ones
		alive float32
		last  step // before them
		found bool
	}{
		{"things make up for it", 2, 0, one(2.0 / 3), true},
		{"things have come to rest", 0.5, 0, one(2.0 / 3), false},
		{"things are where they were", 1, 0, one(2.0 / 3), false},
		{"other things move on", 2, 9 * 4, one(2.0 / 3), false},
		{"mixtures of two are held", 2, 0, step{before: 8, at: 12, after: 16, ratio: 1, agree: 9, fit: 9, tiles: 9}, true},
		{"things were as fast before", 2, 0, step{before: 15, at: 16, after: 16, ratio: 1, agree: 9, fit: 9, tiles: 9}, false},
	} {
		steady := chain{kind: inPattern, pattern: whole, fresh: 40, end: 40, steps: edge, lastStep: c.last}
		for i := range steady.tail {
			steady.head[i], steady.tail[i] = 8, 8
		}
		after := steady
		after.start, after.end = 47, 90
		halting := chain{kind: irregular, pattern: -1, start: 40, end: 47, fresh: 3, repeats: 4, alive: c.alive, steps: 3,
			firstSteps: [2]step{one(1.35), one(1)}}
		if c.last.ratio == 1 {
			halting.firstSteps[0] = one(1)
		}
		for i := range halting.steps {
			halting.head[i] = 8 * c.step
		}
		b := builder{chains: []chain{steady, halting, after}}
		found := b.halts(patterns)
		if ok := len(found) == 1 && confidence(found[0].odds) > 0.5; ok != c.found {
			t.Errorf("%s: %+v", c.name, found)
		}
		if c.found && (found[0].lost != 4 || found[0].first != 40 || found[0].last != 46) {
			t.Errorf("%s: %+v", c.name, found[0])
		}
	}
}

// A picture is held too long where things move up to it, and is one of a rest where
// they came to one before. Where the next new picture shows things far from where
// they were, few cells change before and after the one that is held, too.
func TestRestIsNoHold(t *testing.T) {
	for _, c := range []struct {
		before float32
		slows  bool
		newest int
		held   bool
	}{
		{1000, true, 20, true}, {900, true, 20, true}, {470, true, 20, false}, {12, true, 20, false},
		{470, false, 20, true}, {470, false, 22, false},
	} {
		b := builder{chains: []chain{{}}, moved: c.before, newest: c.newest}
		r := record{index: 23, repeat: top, shown: 0.3, cells: 1000, after: 20, slows: c.slows,
			step: step{before: 5, after: 5, agree: 90, fit: 90, tiles: 90}}
		b.hold(&r, 0, 20, true)
		if odds := b.breaches[0].odds; (odds > 0) != c.held {
			t.Errorf("%g of 1000 cells before, slowing down %v, picture %d the newest: odds %.1f", c.before, c.slows, c.newest, odds)
		}
	}
}

// Where new pictures change plainly, what a trembling camera leaves everywhere in
// one that is held is no motion of its own; what moves by as much elsewhere is.
func TestTrembleIsNoMotion(t *testing.T) {
	const cols, rows = 40, 20
	n := newNotes(false, 8)
	n.cols, n.rows, n.tileCols = cols, rows, cols/motion.TileCells
	noted := func(index, from, to int, diff float32) *note {
		k := &n.ring[index]
		*k = note{index: index, noise: cells.Unit8, diff: make([]float32, cols*rows), tiles: make([]motion.Tile, n.tileCols*rows/motion.TileCells)}
		for c := from; c < to; c++ {
			k.diff[c], k.changed = diff, append(k.changed, c)
			w := weigh(diff, k.threshold())
			if k.active += w; diff > evident {
				k.moved += w
			}
		}
		return k
	}
	b, a := noted(1, 0, 40, 2*evident), noted(3, 0, 40, 2*evident)
	for _, c := range []struct {
		to   int
		diff float32
		held bool
	}{{400, 0.9 * evident, true}, {100, 2 * evident, false}} {
		share, _ := n.share(noted(2, 50, c.to, c.diff), b, a)
		if (share < undecided) != c.held {
			t.Errorf("cells 50 to %d change by %g: %.2f of the motion shows, held %v", c.to, c.diff, share, c.held)
		}
	}
}

// Things that go on after pictures that were held make up for all of them.
func TestStepAfterHold(t *testing.T) {
	for _, c := range []struct {
		before, after float32
		apart         int
		along         bool
	}{{6, 12, 2, true}, {6, 24, 4, true}, {6, 24, 2, false}, {24, 6, 4, false}, {6, -6, 4, false}} {
		if got := along(&motion.Tile{DX: c.before}, &motion.Tile{DX: c.after}, c.apart); got != c.along {
			t.Errorf("%+v: %v", c, got)
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

// A frame of a film whose camera rests for a moment repeats nothing, if it changes
// more than the pattern's own repeats do.
func TestRestOfAFilm(t *testing.T) {
	for _, c := range []struct{ stirs, held bool }{{false, true}, {true, false}} {
		r := record{repeat: 9, cells: 600, stirs: c.stirs, step: step{before: 2, after: 2, agree: 6, fit: 6, tiles: 20}}
		if odds := heldOdds(&r, false); (odds > 0) != c.held {
			t.Errorf("stirs %v: odds %.1f", c.stirs, odds)
		}
	}
}

// Beside a picture that is held all of the motion shows; a camera that comes to rest,
// and goes on, shows by and by less of it, and more.
func TestCoasts(t *testing.T) {
	for _, c := range []struct {
		name          string
		before, after float32 // shares that show
		held          bool
	}{
		{"held", 1, 1, true},
		{"held in grain", 0.86, 0.85, true},
		{"comes to rest", 0.48, 1, false},
		{"goes on by and by", 0.9, 0.5, false},
	} {
		b := builder{chains: []chain{{}}, moved: 400, newest: 7, hidden: 1 - c.before}
		r := record{index: 8, repeat: top - 1, cells: 400, after: 7, step: step{before: 5, after: 5, agree: 20, fit: 20, tiles: 20}}
		b.hold(&r, 0, 7, true)
		b.resume(&record{index: 9, repeat: -top, cells: 400, shown: c.after})
		if held := b.breaches[0].odds > 0; held != c.held {
			t.Errorf("%s: odds %.1f", c.name, b.breaches[0].odds)
		}
	}
}

// A rest between two moves begins and ends with short steps; what a set holds has
// steps as long as any beside it.
func TestRestTapers(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []float32 // of the new pictures before the held one, and after it
		held  bool
	}{
		{"held", []float32{9, 9, 9, 9, 9, 9, 9}, true},
		{"held, and pictures lost", []float32{9, 9, 9, 18, 9, 9, 9}, true},
		{"held while all slows down", []float32{9, 7, 5, 4, 3, 2, 1}, true},
		{"slows down to a rest and goes on", []float32{13, 9, 4.5, 4.5, 9, 13, 17}, false},
	} {
		b := builder{chains: []chain{{}}}
		held := len(c.steps) / 2
		for i, v := range c.steps {
			picture := 10 + i
			if i == held {
				b.breaches = append(b.breaches, breach{first: picture, last: picture, live: true, odds: 3})
			}
			if i >= held {
				picture++
			}
			copy(b.recent[:], b.recent[1:])
			b.recent[len(b.recent)-1] = fresh{picture: picture, step: step{at: v, agree: 9}}
			b.rest()
		}
		if got := b.breaches[0].odds > 0; got != c.held {
			t.Errorf("%s: odds %.1f", c.name, b.breaches[0].odds)
		}
	}
}

// Motion that is halved goes on as fast: its steps are twice as long. Where few tiles
// move, a step at the joint may be misread, and those around it tell.
func TestGoesOn(t *testing.T) {
	chainOf := func(length float32) chain {
		c := chain{steps: edge}
		for i := range edge {
			c.head[i], c.tail[i] = length, length
		}
		return c
	}
	for _, c := range []struct {
		name                string
		after               float32 // steps, of 10 before
		last, first, second float32 // over the mean of those beside
		goesOn              bool
	}{
		{"halved", 20, 0.99, 0.83, 1.19, true},
		{"halved, a step at the joint misread", 20, 0.99, 0.84, 0.93, true},
		{"begins to move slowly", 10, 0.99, 1, 1, false},
		{"a little faster, no step twice as long", 13, 0.99, 1.02, 1.04, false},
	} {
		a, b := chainOf(10), chainOf(c.after)
		a.lastStep = step{before: 10, after: 10, ratio: c.last, agree: 4}
		b.firstSteps = [2]step{{ratio: c.first, agree: 4}, {ratio: c.second, agree: 2}}
		if got := goesOn(&a, &b, 2); (got >= 0) != c.goesOn {
			t.Errorf("%s: evidence %.2f", c.name, got)
		}
	}
}
