package compare

import (
	"setwitness/detect"
)

// What repeated passes of the same thing say of a fault differs. The numbers
// of this file are those that `go run ./testdata/passes` (takes) and
// `go run ./testdata/comparisons/spread` (what scans of them say) gave, rounded
// up.

// deviation is the standard deviation of the logarithm of a fault's strength
// over repeated passes.
func deviation(k detect.Kind, filmed bool) float64 {
	direct, film := 0.1, 0.2
	switch k {
	case detect.CadenceBreak:
		direct, film = 0.02, 0.1 // whole pictures
	}
	if filmed {
		return film
	}
	return direct
}

const (
	// A scan may miss a fault that it could have shown, and the more so the
	// nearer the fault is to its floor and the less sure another scan is of it.
	// What is at least clearFloors times the floor and at least clearConfidence
	// sure is missed with the chance clearMiss, by films filmMiss.
	clearFloors     = 1.5
	clearConfidence = 0.9
	clearMiss       = 0.02
	filmMiss        = 0.04
	doubtfulMiss    = 0.5 // anything else
	// A fault is called new or fixed where an unchanged one would have been
	// missed with no more than this chance.
	missLevel = 0.05
)

// missed is the chance that a scan misses a fault that is there as strong and
// as sure as another one saw it.
func missed(k detect.Kind, filmed bool, strength, confidence, floor float64) float64 {
	if confidence < clearConfidence || strength < clearFloors*floor {
		return doubtfulMiss
	}
	if filmed {
		return filmMiss
	}
	return clearMiss
}

// commonShare is the share of the variance of a ratio that all faults of one
// take have in common: a camera that stands elsewhere sees all of them
// otherwise.
func commonShare(k detect.Kind, filmed bool) float64 {
	if filmed {
		return 0.5
	}
	return 0.2
}
