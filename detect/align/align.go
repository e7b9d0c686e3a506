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
// each block of the take follows the source's (response.go). What is found with the
// source laid into the take's picture in a few ways (fit.go), or where the pictures of
// stretches want it of which those explain too little, is improved: beliefs with
// another fit (place.go), earlier or later, or at other paces are judged by how likely
// they make the take (improve.go, judge.go).
// What fits in several places, or nearly as well a picture earlier or later, is
// said to; where pictures can be read again, small ones of a doubtful take and its
// source are held against each other (view.go, closer.go), also where the source lies beside the
// middle, as a picture earlier or later in a pan does (middle.go), and where an even pan or zoom leaves
// room for pictures further off (pan.go).
package align

import (
	"cmp"
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
	// Near is the confidence that it is right to the picture or all along to one
	// beside it, with the source where Fit says: a mixture of two pictures is either
	// as much as the other.
	Near float64
	// Still is set where neither changes at all: any picture of the source will
	// do, and Pictures name the first.
	Still bool
	// Fit is how the source was laid into the picture of the take.
	Fit Fit

	take, source *signature.Sequence
	due          []int
	runs         []run // of the spans, until they are improved
	// found is what the blocks say, and tried are the beliefs that were held against it.
	found *belief
	tried []belief
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

const (
	// nearRate is how many pictures a span may seem to gain or lose and still have
	// run in real time: where little moves a delay is known no better.
	nearRate = 1.5
	// Most pictures are due no more of the source's periods beside the first.
	dueReach = 2
)

// schedule finds for each span the delay at which most pictures are those due.
func (a *Alignment) schedule() {
	a.due = make([]int, len(a.Pictures))
	for i := range a.due {
		a.due[i] = -1
	}
	of := period(a.source).Seconds()
	for _, span := range a.Spans {
		best := -1
		for k := -dueReach * phases; k <= dueReach*phases; k++ {
			s := stretch{take: a.take, source: a.source, rate: span.Rate, of: of}
			s.origin = span.Start.Seconds() - s.rate*a.take.Lives[span.First].Seconds() + (float64(k)+0.5)/phases*of
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
	shapes := fits(take.Aspect, source.Aspect)
	if f := barred(take, source); f != full {
		shapes = append(shapes, f)
	}
	m := improver{take, source, period(source).Seconds()}
	found, twice, elsewhere, err := m.start(shapes)
	if !laidWell(found, err) {
		// What a set cuts off, or leaves beside, moves things by more than time does.
		var zoomed []Fit
		for _, f := range shapes {
			for _, z := range zooms {
				zoomed = append(zoomed, f.zoomed(z[0], z[1]))
			}
		}
		more, again, beside, _ := m.start(zoomed)
		found, elsewhere = append(found, more...), append(elsewhere, beside...)
		if again != nil && (twice == nil || again.explained > twice.explained) {
			twice = again
		}
	}
	if len(found) == 0 && twice == nil && len(elsewhere) > 0 {
		found, twice, _, _ = m.start(elsewhere)
	}
	if twice != nil && twice.above(found) {
		return nil, twice
	}
	if len(found) == 0 {
		return nil, err
	}
	best := found[0]
	if !best.Still {
		best = m.best(found)
	}
	best.source = source
	return best, nil
}

// laidWell reports whether the source lies about where it was taken to, by what was
// found there or why nothing was.
func laidWell(found []*Alignment, err error) bool {
	if len(found) > 0 {
		return found[0].Still || found[0].Explained*found[0].Known() >= wellLaid
	}
	var a *ambiguousError
	return errors.Is(err, ErrStill) || errors.As(err, &a) && a.explained >= wellLaid
}

const (
	// farthestFit is how far from where a source is taken to lie a corner of it may, in shares
	// of the picture: sets cut off a twentieth at most, and all of it on one side.
	farthestFit = 0.1
	// wellExplained is how much of what changes a source explains in all takes of
	// it but those of which a part shows something else.
	wellExplained = 0.8
	// By so many nats, for a block of one picture, another belief has to be worse for
	// a doubt of 1/e: of some hundred takes of real footage the wrong ones were
	// better than theirs by 4.2 at most, which leaves 0.15.
	sureNats = 2.2
	// Paths are the same that differ in fewer of their pictures, beyond noise.
	otherPath = 0.1
	// So many of the alignments that are found, the likeliest, are followed anew with
	// the fits that their pictures want.
	mostFollowed = 3
	// wellLaid is how much of what changes a source explains that lies about where
	// it is taken to.
	wellLaid = 0.975
)

// zooms are the sizes of a source in a take that are tried, across and down: overscan
// is a few per cent, and so is what a player leaves of a picture beside its frame, or
// a bar that is narrower than a block.
var zooms = [][2]float64{{1.035, 1.035}, {1.07, 1.07}, {0.95, 0.95}, {1, 0.95}, {0.95, 1}}

// zoomed is a fit made larger about the middle of the picture.
func (f Fit) zoomed(across, down float64) Fit {
	return Fit{f.ScaleX * across, 0.5 + (f.OffsetX-0.5)*across, f.ScaleY * down, 0.5 + (f.OffsetY-0.5)*down}
}

// start returns the alignments that are found with each of some fits, the one that
// explains most first; of those with which the take fits in several places, the one
// that explains most; the fits, elsewhere, that the pictures want of which stretches were
// found but too little explained; and if there is no alignment, why.
func (m *improver) start(tried []Fit) (found []*Alignment, twice *ambiguousError, elsewhere []Fit, err error) {
	for _, f := range tried {
		laid := f.lay(m.source)
		cs, r, e := search(m.take, laid)
		var a *Alignment
		switch {
		case errors.Is(e, errStill):
			a, e = still(m.take, laid)
		case e == nil:
			a, e = settle(m.take, laid, cs, r)
			if errors.Is(e, ErrDifferent) {
				if g, ok := m.elsewhere(f, cs, r); ok {
					elsewhere = append(elsewhere, g)
				}
			}
		}
		if a == nil {
			var here *ambiguousError
			if errors.As(e, &here) && (twice == nil || here.explained > twice.explained) {
				twice = here
			}
			if err == nil || errors.Is(err, ErrDifferent) {
				err = e
			}
			continue
		}
		a.Fit = f
		found = append(found, a)
	}
	if len(found) > 0 {
		err = nil
	}
	slices.SortStableFunc(found, func(a, b *Alignment) int {
		return cmp.Compare(b.Explained*b.Known(), a.Explained*a.Known())
	})
	return found, twice, elsewhere, err
}

// elsewhere is the fit that the pictures of chains, which were found by one, want: what
// is far beside the middle explains little of what is small and moves, though stretches are
// found by it. ok is false where that is not elsewhere, or further than sets cut off.
func (m *improver) elsewhere(f Fit, cs []chain, rate float64) (g Fit, ok bool) {
	var b belief
	for k := range cs {
		s := chained(m.take, m.source, cs, k, rate)
		s.of = m.period
		r := run{first: s.first}
		for i := s.first; i <= s.last; i++ {
			r.shown = append(r.shown, s.at(s.line(i)))
		}
		b.runs = append(b.runs, r)
	}
	b.fit = f
	g = m.placed(b).fit
	by := g.from(&f)
	return g, by > alikeFits && by < farthestFit
}

// best is the likeliest of some alignments, improved.
func (m *improver) best(found []*Alignment) *Alignment {
	type candidate struct {
		of *Alignment
		as belief
	}
	var list []candidate
	for _, f := range found {
		if f.Still {
			continue
		}
		c := belief{fit: f.Fit, runs: f.runs}
		if len(found) > 1 {
			c = m.placed(c)
		}
		list = append(list, candidate{f, m.judged(c)})
	}
	better := func(p, q candidate) int { return cmp.Compare(p.as.misfit, q.as.misfit) }
	slices.SortStableFunc(list, better)
	if len(list) > 1 {
		list = list[:min(len(list), mostFollowed)]
		for k := range list {
			list[k].as = m.judged(m.followed(list[k].as))
		}
	}
	first := slices.MinFunc(list, better)
	a, b := first.of, first.as
	b, tried := m.improve(b)
	a.state(m, b)
	a.found, a.tried = &b, tried
	a.Confidence = a.sureBy(m.margin(&b, tried, m.apart) / sureNats)
	a.Near = a.sureBy(m.margin(&b, tried, func(c, b *belief) bool { return m.apart(c, b) && !b.beside(c, m.take.Len()) }) / sureNats)
	return a
}

// state enters what a belief says.
func (a *Alignment) state(m *improver, b belief) {
	a.Pictures = b.pictures(m.take.Len())
	a.Fit, a.Spans, a.runs, a.due = b.fit, nil, nil, nil
	longest := 0
	for _, r := range b.runs {
		span := m.span(&r)
		a.Spans = append(a.Spans, span)
		if len(r.shown) > longest {
			longest, a.Rate = len(r.shown), span.Rate
		}
	}
	a.Explained = m.explained(b)
}

// sureBy is how sure a margin makes, in units of a doubt of 1/e.
func (a *Alignment) sureBy(margin float64) float64 {
	doubtful := max(0, wellExplained-a.Explained) / (wellExplained - leastExplained)
	return (1 - math.Exp(-margin)) * (1 - min(doubtful, 1))
}

// span is what a run says in short: the place of its first picture, and its pace,
// which is a usual one where the pictures cannot tell it from that.
func (m *improver) span(r *run) Span {
	s := Span{First: r.first, Last: r.first + len(r.shown) - 1}
	t := slices.IndexFunc(r.shown, func(j int) bool { return j >= 0 })
	if t < 0 {
		s.Start, s.Rate = time.Duration((r.origin+r.rate*m.take.Lives[r.first].Seconds())*float64(time.Second)), r.rate
		return s
	}
	var l straightLine
	for t, j := range r.shown {
		if j >= 0 {
			l.add(m.take.Lives[r.first+t].Seconds(), m.source.Lives[j].Seconds())
		}
	}
	_, rate := l.fit(r.origin, r.rate)
	s.Rate = m.usual(rate, r)
	before := m.take.Lives[r.first+t] - m.take.Lives[r.first]
	s.Start = m.source.Lives[r.shown[t]] - time.Duration(s.Rate*float64(before))
	return s
}

// placedPairs pictures of both are laid on each other to find where the source lies
// in the take's.
const placedPairs = 32

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
