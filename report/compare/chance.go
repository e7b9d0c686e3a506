package compare

import (
	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/statistics"
)

// What scans of repeated takes say of the same fault differs. The numbers of this
// file are what such scans gave, rounded to the safe side: `go run
// ./testdata/passes` makes the takes, with other noise, coding and start, and
// films with another stand and hold of the camera as well, and `go run
// ./testdata/comparisons/exam -passes DIR` prints what their scans say.

// ghostError is the standard deviation of the share that copies are said to have, in
// floors of the take (of 17 % of the contrast and more): how the copies are told differs from
// pass to pass, so that three equal ones are said to have 33 % and 25 %, and faint ones 22 to
// 44 %. Over 24 ghosts in six direct passes each, and five in films, it was a sixth of the
// floor altogether, and more than a quarter in one; that makes a ghost of 50 %, than which
// no copy has more, surer than one of 25 %.
const ghostError = 0.25

// deviation is the standard deviation of the logarithm of a fault's strength over
// repeated takes, where that is so many times the floor, or more; 0 if no floor is known.
func deviation(k detect.Kind, filmed bool, times float64) float64 {
	d := 0.05
	switch k {
	case detect.Ghost:
		// The peak is one of a few pictures, and which one it is changes: in one
		// film of four a ghost of black on white had two thirds of its strength, and in one
		// direct take of three a small one in a crowd.
		if d = 0.1; filmed {
			d *= 2
		}
		if times > 0 {
			d = max(d, ghostError/times)
		}
		return d
	case detect.CadenceBreak:
		// Whole pictures, but films cannot always tell one from two.
		if filmed {
			return 0.15
		}
	case detect.Macroblocking, detect.ColumnStreaks, detect.Vignetting, detect.LimiterStep:
		// Blocks follow the coding of the take itself. Kinds without a stage have
		// the number of the worst.
		d = 0.35
	}
	if filmed {
		d *= 2
	}
	return d
}

const (
	// A clear fault is at least this sure. Ghosts are the surest of all where they
	// are any, with 0.99 and more in each of 24 seen in six passes each; one of a player among others,
	// with 0.98, was missed by four passes of six. Of blocks, whose confidence grows with the area that has them,
	// weaker ones have to be surer; long contours of large steps are seen each
	// time, however sure the scan is that they were not drawn.
	clearSure, clearSureGhost, clearSureBlocks, clearSureSteps = 0.9, 0.99, 0.99, 0.75
	// In a film a ghost whose copies stand four pixels of 900 apart in a busy scene
	// is found in one pass and not in the next, the surest of them with 0.97; one of
	// 17 pixels and more is found each time, with 0.98 and more. Between the two
	// nothing was tried.
	clearSureFilmed  = 0.98
	clearShiftFilmed = 0.012 // of the width
	// A ghost that is lower or narrower than this is of a thing smaller than the tiles of 64
	// pixels that motion is told of, which has to be followed by itself among what else moves
	// there: one of a ball in a game, of 1.7 floors and with 0.997 and more, was missed by two
	// passes of five. Of things that tiles tell of, none was below 96 pixels.
	clearSide = 83 // pixels
	// How many times the floor a clear fault is: films and noise move the floors
	// of ghosts and combing, and those of steps do not say what noise hides.
	clearGhost, clearCombing, clearSteps, clearBlocks = 1.5, 3, 3, 8
	// A clear contour has a step of this many codes of 8 bits: coding and noise
	// make nothing of one or two codes.
	clearStep = 2.5
	// Its contours are together this many times as long as the picture is wide:
	// noise leaves short pieces of contours in one take and none in another.
	clearLength = 1.5
	// Of a step of so many codes, which coding and noise do not come near, a short contour
	// is clear as well.
	plainStep = 2 * clearStep
	// Where a kind was examined with limits, the place of the fault may be among
	// what was not, unless as much was examined as where it shows.
	clearShare = 0.8
)

const (
	// A fault that is sure and this many times the floor, so that half of it would show
	// too, counts as if so many more passes had shown it as do: in none of 84 pairs of direct
	// passes was one missed, of some twenty faults, of which one in five, missed half the
	// time, would have been. Of films there are too few.
	likelyFloor, likelyPasses = 2, 3
)

// likely reports whether a scan would seldom miss a fault that another one shows by
// this finding, though it is not clear.
func likely(f *report.Finding, shows, lacks *Scan) bool {
	return !lacks.filmed() && !tiny(f, shows) && examinedAlike(f, shows, lacks) && f.Confidence >= clearSure && f.Strength.Value >= likelyFloor*lacks.floor(f.Kind)
}

// tiny reports whether a finding is a ghost of a thing that is smaller than a tile.
func tiny(f *report.Finding, shows *Scan) bool {
	r := shows.Doc.View.Raster
	return f.Kind == detect.Ghost && min(f.Region.W*float64(r.Width), f.Region.H*float64(r.Height)) < clearSide
}

// examinedAlike reports whether the one scan looked at as much as the other, of what
// they have in common, for the kind of a finding of the other. What a take can show is
// much the same each time, but in films it hangs on when the camera's exposures fell as
// well: what was not examined there must be too short for the fault.
func examinedAlike(f *report.Finding, shows, lacks *Scan) bool {
	c := lacks.coverage(f.Kind)
	switch {
	case c.State != detect.Limited:
		return true
	case c.Seconds < clearShare*lengths(lacks, shows)*shows.coverage(f.Kind).Seconds:
		return false
	case lacks.filmed():
		return lacks.life()-c.Seconds < (f.EndS-f.StartS)/shows.slowness()
	}
	return true
}

// clear reports whether a scan would hardly miss a fault that another one shows
// by this finding.
func clear(f *report.Finding, shows, lacks *Scan) bool {
	if !examinedAlike(f, shows, lacks) {
		return false
	}
	floor, strength := lacks.floor(f.Kind), f.Strength.Value
	sure := f.Confidence >= clearSure
	switch f.Kind {
	case detect.Combing:
		return sure && strength >= clearCombing*floor
	case detect.Ghost:
		if tiny(f, shows) {
			return false
		}
		least := clearSureGhost
		if lacks.filmed() {
			if shift, ok := f.Measures["displacement_px"]; ok && shift < clearShiftFilmed*float64(shows.Doc.View.Raster.Width) {
				return false
			}
			least = clearSureFilmed
		}
		return f.Confidence >= least && strength >= clearGhost*floor
	case detect.CadenceBreak:
		return sure
	case detect.NearBlackBanding, detect.Posterisation:
		step, ok := f.Measures["step_codes"]
		length, ok2 := f.Measures["contour_length_px"]
		if !ok || !ok2 {
			return sure && strength >= clearSteps*floor
		}
		codes := shows.codes()
		plain := step >= plainStep*codes && f.Confidence >= clearSure || length >= clearLength*float64(shows.Doc.View.Raster.Width)
		return !lacks.filmed() && f.Confidence >= clearSureSteps && step >= clearStep*codes && plain
	case detect.Macroblocking:
		return !lacks.filmed() && (f.Confidence >= clearSureBlocks && strength > floor || sure && strength >= clearBlocks*floor)
	}
	return sure && strength >= clearSteps*floor
}

const (
	// The chance that a scan misses a clear fault, and any other one. In none of
	// some 300 pairs of the takes above was a clear one missed, which leaves this.
	clearMiss    = 0.01
	doubtfulMiss = 0.5
	// A fault is called new or fixed where an unchanged one would have been
	// missed by chance no more often than this.
	missLevel = 0.01
)

// missed is the chance that all passes that lack a fault missed it, if it were
// as it is where it is seen.
func missed(lacks, has side) float64 {
	seen, able := has.seen(), has.able()
	counted := statistics.NoneOf(lacks.able(), seen, able)
	if seen < able {
		// It comes and goes among the passes of its own side.
		return counted
	}
	chance, all := 1.0, true
	for i := range lacks.passes {
		if !lacks.passes[i].Able() {
			continue
		}
		one := clearMiss
		for j := range has.passes {
			o := &has.passes[j]
			if !o.Seen() {
				continue
			}
			if !clear(o.Findings[0], has.scans[j], lacks.scans[i]) {
				one = doubtfulMiss
			}
			all = all && likely(o.Findings[0], has.scans[j], lacks.scans[i])
		}
		chance *= one
	}
	if all {
		counted = statistics.NoneOf(lacks.able(), seen+likelyPasses, able+likelyPasses)
	}
	// Enough passes tell by themselves.
	return min(chance, counted)
}
