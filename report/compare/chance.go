package compare

import (
	"math"

	"setwitness/detect"
	"setwitness/report/statistics"
)

// repeat is how well a scan of one more take of the same thing repeats what a
// scan said of a fault of some kind.
type repeat struct {
	// deviation is the standard deviation of the logarithm of the strength.
	deviation float64
	// A fault that is at least floors times the floor of a take, and of which
	// another scan is at least sure, is clear: it is hardly ever missed.
	floors, sure float64
}

// repeats are what scans of repeated takes gave, rounded to the safe side:
// `go run ./testdata/passes` makes the takes, with other noise, coding and
// start, and films with another stand and hold of the camera as well, and
// `go run ./testdata/comparisons/exam -passes DIR` prints what their scans say.
// Kinds without a stage have the numbers of the worst.
func repeats(k detect.Kind, filmed bool) repeat {
	var r repeat
	switch k {
	case detect.Combing:
		r = repeat{0.05, 3, 0.95}
	case detect.Ghost:
		r = repeat{0.05, 1.5, 0.95}
	case detect.CadenceBreak:
		r = repeat{0.05, 1, 0.95} // whole pictures
	case detect.NearBlackBanding, detect.Posterisation:
		r = repeat{0.05, 3, 0.9}
	default:
		r = repeat{0.6, 8, 0.95}
	}
	if filmed {
		r.deviation = math.Max(2*r.deviation, 0.1)
	}
	return r
}

const (
	// The chance that a scan misses a clear fault, and any other one. Nothing
	// clear was missed in the takes above; this is what their number leaves open.
	clearMiss    = 0.01
	doubtfulMiss = 0.5
	// A fault is called new or fixed where an unchanged one would have been
	// missed by chance no more often than this.
	missLevel = 0.01
)

// missed is the chance that all passes that lack a fault missed it, if it were
// as it is where it is seen.
func missed(lacks, has side, k detect.Kind, strength, confidence float64) float64 {
	seen, able := has.seen(), has.able()
	counted := statistics.NoneOf(lacks.able(), seen, able)
	if seen < able {
		// It comes and goes among the passes of its own side.
		return counted
	}
	chance := 1.0
	for i := range lacks.passes {
		if !lacks.passes[i].Able() {
			continue
		}
		s := lacks.scans[i]
		r := repeats(k, s.filmed())
		if confidence >= r.sure && strength >= r.floors*s.floor(k) {
			chance *= clearMiss
		} else {
			chance *= doubtfulMiss
		}
	}
	// Enough passes tell by themselves.
	return min(chance, counted)
}
