package cadence

import (
	"image"
	"math"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/trend"
)

// Pictures that are lost need no vectors to be told, which small things, fast ones and
// crowds do not have: pictures differ by more the farther apart in time they are. Across
// a place where q pictures are lost each differs from each by as much as those do that
// are q more steps apart on either side of it, in the same cells: the two beside it, the
// ones a picture farther on either side, and the next two. What flashes, appears or is
// cut to differs by the same across it however far apart, and by no such amount.

const (
	// So many pictures on either side say what so many steps make.
	leapSide = 6
	// The picture changes by so much more than the leapNear on either side, all in all and
	// where anything moves: two steps differ by so much more than one unless what moves
	// is noise.
	leapSum, leapGrows, leapNear = 1.05, 1.1, 3
	// How far the logarithm of what pictures differ by strays at least, as edges fall
	// between samples and things speed up.
	leapStrays = 0.06
	// and at most, for it to say anything.
	mostLeapStrays = 0.2
	// mostLeapLost is how many pictures can be told: a side has one step more than that
	// makes, which is not reached.
	mostLeapLost = leapSide - 3
	// What pictures differ by lies within so many deviations of what is expected.
	leapFits = 2.5
	// All that is compared across one place shares its two pictures: so many of them
	// say what one does.
	leapShares = 2
	// leapPrior are the odds against it, as a logarithm: there are thousands of
	// pictures for one that is lost.
	leapPrior = 8
	// One picture in twelve to fifteen of a broadcast is coded anew (common practice, no
	// source): a lost one falls on it as seldom, and what a codec left out of the pictures
	// before, which comes with it, makes a step look longer. A logarithm.
	leapAnew = 2.5
	// leapOther are those for it against something that came on top of the motion, where
	// what they make is alike: what moves at random differs by the same in both.
	leapOther = 2
	// leapLikeness is the share of the likeness of the changes beside it that the change
	// has to what else moves where: what comes on top has less.
	leapLikeness = 0.5
	// Where more than this share of the change is in one direction, the light
	// changed; where so much of it is in cells that change at no other time, something
	// came on top. A longer step reaches little that nothing moves in.
	leapSigned, leapNew = 0.5, 0.25
	// Vectors speak against it where so many tiles go on as before.
	leapSteady = 3
	// decisionPoint is the confidence from which a mark is a finding.
	decisionPoint = 0.5
)

// leaper are pictures as they are shown, in the middle of which some may be lost.
type leaper struct {
	notes [2 * leapSide]*note
	maps  [2 * leapSide]*cells.Map
	where []int // the cells in which anything moves
}

// leap is a place at which pictures are lost.
type leap struct {
	first  int // the picture after it
	lost   int
	odds   float32
	region image.Rectangle
}

// stands reports whether the picture in the middle changes by more than those beside it,
// and by motion alone; then where is set to the cells in which anything moves.
func (x *leaper) stands(noise float32) bool {
	k, before := x.notes[leapSide], x.notes[leapSide-1]
	for _, o := range x.notes[leapSide-leapNear : leapSide+leapNear+1] {
		if o != k && k.sum < leapSum*o.sum {
			return false
		}
	}
	threshold := exchangedNoise*noise + changeFloor
	x.where = x.where[:0]
	var signed, all, alone float32
	for c, d := range k.diff {
		moves := false
		for _, o := range x.notes[1:] {
			moves = moves || o != k && o.diff[c] > threshold
		}
		if d > threshold {
			signed += k.mean[c] - before.mean[c]
			all += d
			if !moves {
				alone += d
			}
		} else if !moves {
			continue
		}
		x.where = append(x.where, c)
	}
	return len(x.where) >= fewestExchanged && abs(signed) < leapSigned*all && alone < leapNew*all
}

// lost looks how many pictures are lost in the middle; of odds 0 or less if none.
func (x *leaper) lost() (e leap) {
	k := x.notes[leapSide]
	noise := float32(0)
	for _, o := range x.notes {
		noise = max(noise, o.noise)
	}
	if !x.stands(noise) {
		return e
	}
	// What so many steps make in the middle, as logarithms, and how far it strays from
	// growing or shrinking steadily, as what comes nearer or slows down does.
	var usual [leapSide]float64
	var most float64
	var fit trend.Fit
	for steps := 1; steps < leapSide; steps++ {
		var list, when [2 * leapSide]float64
		pairs := 0
		for a := 0; a+steps < len(x.maps); a++ {
			if a < leapSide && a+steps >= leapSide {
				continue
			}
			d := float64(apart(x.maps[a], x.maps[a+steps], x.where, noise))
			if d <= 0 {
				return e
			}
			if near := a + 1 - leapSide; steps == 1 && max(near, -near) <= leapNear {
				most = max(most, d)
			}
			list[pairs], when[pairs] = math.Log(d), float64(a)+float64(steps)/2
			pairs++
		}
		// Pairs of each length lie evenly about the middle.
		usual[steps] = fit.Add(list[:pairs], when[:pairs])
	}
	strays := max(leapStrays, fit.Strays())
	if strays > mostLeapStrays {
		return e
	}
	// And what lies across: between the pictures beside, and farther on either side.
	type pair struct{ before, after int }
	var across [4]float64
	pairs := [len(across)]pair{{}, {1, 0}, {0, 1}, {1, 1}}
	for i, p := range pairs {
		d := float64(apart(x.maps[leapSide-1-p.before], x.maps[leapSide+p.after], x.where, noise))
		if d <= 0 || i == 0 && d < leapGrows*most {
			return e
		}
		across[i] = math.Log(d)
	}
	// unlike is by how much all of it differs from what so many pictures lost make, in
	// squares of the deviation, and the most that any does.
	unlike := func(lost int) (sum, worst float64) {
		for i, p := range pairs {
			if steps := 1 + lost + p.before + p.after; steps < leapSide {
				off := math.Abs(across[i]-usual[steps]) / strays
				sum, worst = sum+off*off, max(worst, off)
			} else {
				// More than any that are known.
				off := max(0, usual[leapSide-1]-across[i]) / strays
				sum, worst = sum+off*off, max(worst, off)
			}
		}
		return sum, worst
	}
	none, _ := unlike(0)
	// What comes on top of the motion, as a picture that is coded anew does, adds the
	// same to what pictures differ by however far apart they are.
	var other float64
	more := math.Exp(2*across[0]) - math.Exp(2*usual[1])
	for i, p := range pairs {
		off := (across[i] - math.Log(math.Exp(2*usual[1+p.before+p.after])+more)/2) / strays
		other += off * off
	}
	for lost := 1; lost <= mostLeapLost; lost++ {
		if across[0] > (usual[1+lost]+usual[2+lost])/2 {
			continue // nearer to one more
		}
		so, worst := unlike(lost)
		odds := float32((none-so)/2/leapShares) - leapPrior
		odds = min(odds, float32((other-so)/2/leapShares)+leapOther)
		if k.anew {
			odds -= leapAnew
		}
		if worst < leapFits && odds > e.odds {
			e.lost, e.odds = lost, odds
		}
	}
	if e.lost == 0 || x.likeness(leapSide) < leapLikeness*min(x.likeness(leapSide-1), x.likeness(leapSide+1)) {
		return leap{}
	}
	e.first = k.index
	threshold := k.threshold()
	cols := x.maps[leapSide].Cols
	for _, c := range x.where {
		if k.diff[c] > threshold {
			e.region = e.region.Union(image.Rect(c%cols, c/cols, c%cols+1, c/cols+1))
		}
	}
	e.region = image.Rectangle{Min: e.region.Min.Mul(cells.Size), Max: e.region.Max.Mul(cells.Size)}
	return e
}

// likeness is how much the change of a picture is where most moves in those beside the
// middle: the correlation of the cells, -1 to 1.
func (x *leaper) likeness(picture int) float64 {
	var n, own, others, ownSquares, otherSquares, both float64
	for _, c := range x.where {
		d, o := float64(x.notes[picture].diff[c]), 0.0
		for _, beside := range [...]int{-2, -1, 1, 2} {
			if p := picture + beside; p != leapSide {
				o += float64(x.notes[p].diff[c])
			}
		}
		n, own, others = n+1, own+d, others+o
		ownSquares, otherSquares, both = ownSquares+d*d, otherSquares+o*o, both+d*o
	}
	a, b := ownSquares-own*own/n, otherSquares-others*others/n
	if a <= 0 || b <= 0 {
		return 1
	}
	return (both - own*others/n) / math.Sqrt(a*b)
}

// leap takes in the pictures that end with one. Those that are built of a camera's
// frames differ as well by how each was coded and laid straight: the first after a key
// frame, or after the lock on the set was set right, from all before it as one some
// steps later does.
func (s *state) leap(last int) {
	if s.format.Fields || s.filmed || !s.together(last, s.leaper.notes[:], s.leaper.maps[:]) {
		return
	}
	e := s.leaper.lost()
	if e.lost == 0 {
		return
	}
	k, r := s.notes.at(e.first), record{}
	s.notes.displacement(k, s.notes.at(e.first-1), s.notes.at(e.first+1), &r)
	if r.step.agree >= leapSteady && r.step.ratio < 1.5 {
		return // what moves goes on as before
	}
	s.leaps = append(s.leaps, e)
}

// markLeaps leaves marks where pictures are lost that no other mark is of.
func (s *state) markLeaps() {
	raster := image.Rect(0, 0, s.format.W, s.format.H)
	told := s.left
	for _, e := range s.leaps {
		known := false
		for i := range told {
			off := told[i].Picture - e.first
			known = known || max(off, -off) <= 1 && told[i].Confidence >= decisionPoint
		}
		if known {
			continue
		}
		s.left = append(s.left, detect.Mark{
			Kind: detect.CadenceBreak, Picture: e.first, Region: e.region.Intersect(raster),
			Strength: float64(e.lost), Confidence: confidence(e.odds),
			Measures: map[string]float64{"pictures_lost": float64(e.lost)},
		})
	}
}
