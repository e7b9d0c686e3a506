// Package align lays a take beside the source that it shows, or beside another
// take of it, by what the pictures hold: which picture of the source is shown at
// each moment of the take.
//
// In: the signatures of both. Out: an Alignment, or an error that says in words
// why there is none. Nothing is assumed of where the take begins, whether the
// source was looped, shown at another rate, or had pictures dropped, repeated or
// pulled down.
//
// The way: stretches of the take, reduced to a few channels and a dozen values a
// second, are looked for everywhere in the source (coarse.go); those that follow
// each other as time does make spans (chain.go); within a span the likeliest path
// of small delays says which picture is shown when (fine.go, pace.go), by how well
// each block of the take follows the source's (response.go). Where the source lies
// in the take's picture and when it is shown are found in turn (fit.go, place.go).
// What fits in several places, or nearly as well a picture earlier or later, is
// said to.
package align

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"setwitness/detect/signature"
)

// Why two sequences cannot be aligned. The errors of Sequences wrap one of them
// with the numbers behind it.
var (
	ErrShort = errors.New("too short to be aligned")
	ErrStill = errors.New("hardly anything moves in it")
	// ErrEmpty comes with ErrStill: such a take looks like any other of its kind.
	ErrEmpty     = errors.New("it is as good as empty")
	ErrAmbiguous = errors.New("it fits the source in more than one place")
	ErrDifferent = errors.New("it shows something else than the source")
)

// Span is a stretch of the take in which the source ran on.
type Span struct {
	First, Last int // pictures of the take, both inclusive
	// Start is the time in the source of picture First, and Rate how many
	// seconds of the source go by in one of the take's, in life.
	Start time.Duration
	Rate  float64
}

// Alignment says which picture of a source each picture of a take shows.
type Alignment struct {
	// Pictures are the places in the source, one for each picture of the take;
	// -1 where the take shows something else or it cannot be told.
	Pictures []int
	Spans    []Span
	// Rate is that of the longest span.
	Rate float64
	// Explained is how much of what changes in the take the source explains, 0
	// to 1.
	Explained float64
	// Confidence that the alignment is right to the picture, 0 to 1.
	Confidence float64
	// Still is set where neither changes at all: any picture of the source will
	// do, and Pictures name the first.
	Still bool
	// Fit is how the source was laid into the picture of the take.
	Fit Fit

	take, source *signature.Sequence
	due          []int
}

// Due returns the picture of the source that would be up at picture i of the take
// if each were shown for as long as its time says, at one delay throughout the
// span; -1 outside of the spans. A take that drops or repeats pictures shows
// others.
func (a *Alignment) Due(i int) int {
	if a.due == nil {
		a.schedule()
	}
	return a.due[i]
}

// nearRate is how many pictures a span may seem to gain or lose and still have
// run in real time: where little moves a delay is known no better.
const nearRate = 1.5

// schedule finds for each span the delay at which most pictures are those due.
func (a *Alignment) schedule() {
	a.due = make([]int, len(a.Pictures))
	for i := range a.due {
		a.due[i] = -1
	}
	of := period(a.source).Seconds()
	for _, span := range a.Spans {
		best := -1
		for k := -phases; k <= phases; k++ {
			s := stretch{take: a.take, source: a.source, rate: span.Rate, of: of}
			if math.Abs(span.Rate-1)*(a.take.Lives[span.Last]-a.take.Lives[span.First]).Seconds() < nearRate*of {
				s.rate = 1
			}
			mid := (a.take.Lives[span.First] + a.take.Lives[span.Last]).Seconds() / 2
			first := a.take.Lives[span.First].Seconds()
			s.origin = span.Start.Seconds() + span.Rate*(mid-first) - s.rate*mid + (float64(k)+0.5)/phases*of
			right := 0
			for i := span.First; i <= span.Last; i++ {
				if s.at(s.line(i)) == a.Pictures[i] {
					right++
				}
			}
			if right > best {
				best = right
				for i := span.First; i <= span.Last; i++ {
					a.due[i] = s.at(s.line(i))
				}
			}
		}
	}
}

// Source returns the time in the source of what the take shows at its
// presentation time t, and whether that is known.
func (a *Alignment) Source(t time.Duration) (s time.Duration, ok bool) {
	i := sort.Search(len(a.take.Times), func(i int) bool { return a.take.Times[i] > t }) - 1
	if i < 0 || a.Pictures[i] < 0 {
		return 0, false
	}
	return a.source.Times[a.Pictures[i]], true
}

// Known returns the share of the take's pictures whose place is known.
func (a *Alignment) Known() float64 {
	n := 0
	for _, j := range a.Pictures {
		if j >= 0 {
			n++
		}
	}
	return float64(n) / float64(max(len(a.Pictures), 1))
}

// leastSeconds is how much of a take, and of a source, there has to be. Shorter
// stretches of different things resemble each other too often.
const leastSeconds = 0.8

// Sequences aligns a take to a source.
func Sequences(take, source *signature.Sequence) (*Alignment, error) {
	for _, s := range []*signature.Sequence{take, source} {
		if s == nil {
			return nil, errors.New("there are no signatures")
		}
		if err := s.Check(); err != nil {
			return nil, fmt.Errorf("signatures: %w", err)
		}
	}
	for _, s := range []struct {
		name string
		of   *signature.Sequence
	}{{"take", take}, {"source", source}} {
		if l := length(s.of).Seconds(); l < leastSeconds {
			return nil, fmt.Errorf("%w: the %s has %.2f s", ErrShort, s.name, l)
		}
	}
	var best *Alignment
	var err error
	tried := fits(take.Aspect, source.Aspect)
	if f := barred(take, source); f != full {
		tried = append(tried, f)
	}
	for _, f := range tried {
		laid := f.lay(source)
		cs, r, e := search(take, laid)
		var a *Alignment
		switch {
		case errors.Is(e, errStill):
			a, e = still(take, laid)
		case e == nil:
			a, e = settle(take, laid, cs, r)
		}
		if best == nil && (err == nil || errors.Is(err, ErrDifferent)) {
			err = e
		}
		if a != nil && (best == nil || a.Explained*a.Known() > best.Explained*best.Known()) {
			best, err = a, nil
			best.Fit = f
		}
	}
	if best == nil {
		return nil, err
	}
	if !best.Still {
		best = placed(best, source)
	}
	best.source = source
	return best, nil
}

const (
	// So many pictures of both are laid on each other to find where the source
	// lies in the take's.
	placedPairs = 32
	// Where the source lies and when are found in turn, so many times at most.
	placedRounds = 4
	// A picture more or less moves things, which moves the fit: so many to either
	// side are tried.
	placedShifts = 2
	// alikeFits move no edge by more than this share of the picture.
	alikeFits = 0.001
)

// placed finds out more exactly where the source lies in the take's picture, and
// from that, when: things that lie beside their place by a part of their motion
// look early or late.
func placed(a *Alignment, source *signature.Sequence) *Alignment {
	for range placedRounds {
		f, most := a.Fit, 0.0
		for k := -placedShifts; k <= placedShifts; k++ {
			g, r := place(a.take, source, a.pairs(k), a.Fit)
			if r > most {
				f, most = g, r
			}
		}
		laid := f.lay(source)
		cs, rate, err := search(a.take, laid)
		if err != nil {
			return a
		}
		b, err := settle(a.take, laid, cs, rate)
		if err != nil || b.Explained*b.Known() < a.Explained*a.Known() {
			return a
		}
		b.Fit = f
		settled := slices.Equal(a.Pictures, b.Pictures) && alike(a.Fit, f)
		if a = b; settled {
			break
		}
	}
	return a
}

// pairs returns pictures of the take with those of the source that are up so many
// pictures later.
func (a *Alignment) pairs(later int) []pairing {
	var known []int
	for i, j := range a.Pictures {
		if j >= 0 && j+later >= 0 && j+later < a.source.Len() {
			known = append(known, i)
		}
	}
	n := min(placedPairs, len(known))
	out := make([]pairing, n)
	for k := range n {
		i := known[(2*k+1)*len(known)/(2*n)]
		out[k] = pairing{i, a.Pictures[i] + later}
	}
	return out
}

// alike reports whether two fits are the same but for what cannot be told.
func alike(f, g Fit) bool {
	return max(math.Abs(f.OffsetX-g.OffsetX), math.Abs(f.OffsetX+f.ScaleX-g.OffsetX-g.ScaleX),
		math.Abs(f.OffsetY-g.OffsetY), math.Abs(f.OffsetY+f.ScaleY-g.OffsetY-g.ScaleY)) < alikeFits
}

// length is how long a sequence lasts in life, with its last picture.
func length(s *signature.Sequence) time.Duration {
	n := s.Len()
	if n < 2 {
		return 0
	}
	return s.Lives[n-1] - s.Lives[0] + period(s)
}

// period is the usual time from one picture to the next, in life.
func period(s *signature.Sequence) time.Duration {
	const enough = 400 // pictures tell it
	n := min(s.Len(), enough)
	steps := make([]time.Duration, 0, n)
	for i := 1; i < n; i++ {
		if d := s.Lives[i] - s.Lives[i-1]; d > 0 {
			steps = append(steps, d)
		}
	}
	if len(steps) == 0 {
		return time.Second / 50
	}
	slices.Sort(steps)
	// Times in whole milliseconds scatter about the period.
	return (steps[len(steps)/2] + steps[(len(steps)-1)/2]) / 2
}
