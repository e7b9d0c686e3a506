package align

import (
	"errors"
	"fmt"
	"math"

	"setwitness/detect/signature"
)

// The rates at which sources are shown, how many of their seconds go by in one of
// the take's: real time, which a set keeps to within a thousandth; film at 24
// shown at 25 and the reverse; and slow or quick motion that a file does not
// tell.
var (
	usualRates = []float64{1}
	films      = []float64{25. / 24, 24. / 25}
	slowMotion = []float64{0.5, 2, 1. / 4, 4, 1. / 8, 8, 0.4, 2.5, 0.2, 5}
)

// rates are those at which a source is tried, in turn: the usual ones, and any
// speed near real time that a file may have been given.
func rates() [][]float64 {
	var near []float64
	for r := 0.90; r < 1.115; r += 0.01 {
		near = append(near, r)
	}
	return [][]float64{usualRates, films, near, slowMotion}
}

const (
	// A rate is taken, and no further ones tried, where the windows that move
	// correlate so well: those of a filmed set do by more than this, those of
	// another stretch hardly ever.
	goodWorth = 5.5 // nats a window above none
	// Another rate has to fit so much better than real time.
	betterRate = 1.1
)

// errStill says that nothing moves in the take.
var errStill = errors.New("still")

// search finds the stretches of a source, laid into the take's picture, that the
// take shows, and the rate at which it does.
func search(take, source *signature.Sequence) ([]chain, float64, error) {
	// Where nothing fits, the brightness of the whole may be what changes the most: a
	// camera's exposure follows what it films.
	for _, evened := range []bool{false, true} {
		cs, rate, err := searchIn(take, source, evened)
		if len(cs) > 0 || err != nil {
			return cs, rate, err
		}
	}
	return nil, 0, fmt.Errorf("%w: no stretch of it is found there", ErrDifferent)
}

// searchIn is search by what changes, evened: but for what changes in all of the
// picture alike. Without an error there may be no chains.
func searchIn(take, source *signature.Sequence, evened bool) ([]chain, float64, error) {
	bins := func(s *signature.Sequence, rate float64) *reduced {
		r := reduce(s, rate)
		if evened {
			r.even()
		}
		return r
	}
	src := bins(source, 1)
	var best []chain
	var most, rate float64
	for _, group := range rates() {
		for _, r := range group {
			t := bins(take, r)
			ws := windows(t, src)
			if len(ws) == 0 {
				if min(t.n, src.n) < leastBins {
					continue
				}
				if r == 1 && !evened {
					return nil, 0, errStill
				}
				continue
			}
			c, total := chains(ws)
			total /= float64(len(ws))
			if total > most && (most == 0 || total > most*betterRate+0.1) {
				best, most, rate = c, total, r
			}
		}
		if most > goodWorth {
			break
		}
	}
	return best, rate, nil
}

// settle makes the alignment of chains.
func settle(take, source *signature.Sequence, cs []chain, rate float64) (*Alignment, error) {
	a := &Alignment{take: take, source: source, Pictures: make([]int, take.Len())}
	for i := range a.Pictures {
		a.Pictures[i] = -1
	}
	var doubt error
	var followed []*stretch
	var of []int // chains
	for k := range cs {
		s := chained(take, source, cs, k, rate)
		if err := s.follow(); err != nil {
			doubt = errors.Join(doubt, err)
			continue
		}
		followed, of = append(followed, s), append(of, k)
	}
	// What a stretch explains is judged by its own pictures: of one scene that comes again, those
	// of the other stretch look like its own but for what moves.
	for n := 1; n < len(followed); n++ {
		followed[n].meet(followed[n-1])
	}
	longest := 0
	var explained, pictures float64
	var good []chain
	for n, s := range followed {
		if len(s.shown) == 0 {
			continue // all of it is another's
		}
		c := &cs[of[n]]
		if err := s.rivals(c, rate); err != nil {
			doubt = errors.Join(doubt, err)
			continue
		}
		span := s.keep(a)
		n := span.Last - span.First + 1
		if n <= 0 {
			continue
		}
		a.Spans = append(a.Spans, span)
		a.runs = append(a.runs, s.run(span.First, span.Last))
		good = append(good, *c)
		if n > longest {
			longest, a.Rate = n, span.Rate
		}
		explained += s.explained * float64(n)
		pictures += float64(n)
	}
	if len(a.Spans) == 0 {
		if doubt == nil {
			doubt = ErrDifferent
		}
		return nil, doubt
	}
	if len(good) < len(cs) {
		// What the others claimed may belong to those that are left.
		return settle(take, source, good, rate)
	}
	a.Explained = explained / pictures
	return a, nil
}

// chained is the stretch that chain k tells of.
func chained(take, source *signature.Sequence, cs []chain, k int, rate float64) *stretch {
	lag, drift := cs[k].line()
	s := &stretch{take: take, source: source, rate: rate * (1 + drift)}
	// The lag counts in bins of the source from those of the take, whose
	// first is at the first picture.
	s.origin = source.Lives[0].Seconds() + lag*binSeconds - rate*(1+drift)*take.Lives[0].Seconds()
	s.first, s.last = reach(take, cs, k, rate)
	return s
}

// meet finds where, in the pictures that two stretches have in common, the one ends
// and the other begins, and leaves each its own.
func (s *stretch) meet(before *stretch) {
	first, last := s.first, min(s.last, before.last)
	if len(s.shown) == 0 || len(before.shown) == 0 || first <= before.first || first > last {
		return
	}
	// What it costs that s begins at the first, and at each one after it.
	cost, least, begin := 0.0, 0.0, first
	for i := first; i <= last; i++ {
		cost += before.shows(i) - s.shows(i)
		if cost < least {
			least, begin = cost, i+1
		}
	}
	before.crop(0, begin-1-before.first)
	before.explained = before.explains()
	if begin > s.last {
		s.shown, s.lags = nil, nil
		return
	}
	s.crop(begin-s.first, len(s.shown)-1)
	s.explained = s.explains()
}

// shows is what it costs, in nats, that the stretch has picture i.
func (s *stretch) shows(i int) float64 {
	if j := s.shown[i-s.first]; j >= 0 {
		return min(s.evidence(i, j), signature.Blocks*foldNats)
	}
	return signature.Blocks * foldNats
}

// reach is which pictures of the take may belong to chain k: those up to the
// middle of the windows beside it.
func reach(take *signature.Sequence, cs []chain, k int, rate float64) (first, last int) {
	at := func(bin float64) int {
		seconds := take.Lives[0].Seconds() + bin*binSeconds/rate
		i := 0
		for i < take.Len()-1 && take.Lives[i].Seconds() < seconds {
			i++
		}
		return i
	}
	first, last = 0, take.Len()-1
	if k > 0 {
		w := cs[k-1].windows
		first = at(w[len(w)-1].middle())
	}
	if k+1 < len(cs) {
		last = at(cs[k+1].windows[0].middle())
	}
	return first, last
}

const (
	// What stands still in both is the same if the blocks correlate so well:
	// different pictures seldom do, and the response of a camera, gain and
	// fall-off to the corners leave more.
	samePicture = 0.85
	// flatCodes is the standard deviation among the blocks, in 8-bit codes, of
	// a picture that is as good as empty.
	flatCodes = 0.5
	// alsoStill is how many times as much, in squares, as the most of what stands still the
	// source of a take that does may change: noise and coding of both differ by that.
	alsoStill = 2
	// samples of pictures are compared as they are.
	samples = 40
)

// still aligns what does not change.
func still(take, source *signature.Sequence) (*Alignment, error) {
	r, n := 0.0, 0
	for k := range samples {
		c, ok := correlation(take.At(k*take.Len()/samples), source.At(k*source.Len()/samples))
		if ok {
			r += c
			n++
		}
	}
	if n < samples/2 {
		return nil, fmt.Errorf("%w, and %w", ErrStill, ErrEmpty)
	}
	if r /= float64(n); r < samePicture {
		return nil, fmt.Errorf("%w, and it does not look like the source", ErrStill)
	}
	s := reduce(source, 1)
	if s.energy(0, s.n) > alsoStill*stillCodes*stillCodes*float64(channels*s.n) {
		return nil, fmt.Errorf("%w, so that it cannot be told from where in the source it is", ErrStill)
	}
	return &Alignment{
		take: take, source: source, Pictures: make([]int, take.Len()), Still: true, Rate: 1,
		Spans:     []Span{{Last: take.Len() - 1, Start: source.Times[0], Rate: 1}},
		Explained: r * r, Confidence: r, Near: r,
	}, nil
}

// correlation is the coefficient of correlation between the blocks of two pictures;
// none where one is as good as empty.
func correlation(a, b []uint16) (float64, bool) {
	var n, sa, sb, saa, sbb, sab float64
	for i, x := range a {
		y := b[i]
		if x == signature.Unknown || y == signature.Unknown {
			continue
		}
		p, q := float64(x)/signature.Unit8, float64(y)/signature.Unit8
		n++
		sa += p
		sb += q
		saa += p * p
		sbb += q * q
		sab += p * q
	}
	if n < signature.Blocks/4 {
		return 0, false
	}
	va, vb := saa/n-sa*sa/n/n, sbb/n-sb*sb/n/n
	if va < flatCodes*flatCodes || vb < flatCodes*flatCodes {
		return 0, false
	}
	return (sab/n - sa*sb/n/n) / math.Sqrt(va*vb), true
}
