package align

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"setwitness/detect/signature"
)

const (
	// Blocks of both differ by an offset each that stays so long: the camera's
	// exposure and the light of the room drift slower.
	offsetSeconds = 8
	// What a block's mean is good for at best, in codes: coding real clips at a
	// rate that looks clean (x264 at crf 23) changes it by 0.25 to 0.7, root mean
	// square.
	grain = 0.5
	// The delay of a chain is known this well, from bins and their vertex.
	band = 0.2 // s
	// Delays are told apart by this share of a picture: 50 shown in 60 a second
	// have six phases.
	phases = 8
	// A block says so many nats for each e-fold by which the square of what is
	// left of it exceeds what it usually is: half a nat for each value that is
	// independent (a normal one), of which blocks beside each other, which err
	// alike, share one (common practice, no source).
	foldNats = 0.2
	// What it costs, in nats, that the delay moves by a phase, or by a whole
	// picture (clocks that differ by a thousandth, and sets that drop or repeat
	// pictures, do so every hundred pictures or so, which alone were 5 nats; but
	// codecs and errors of geometry err alike for some pictures, which therefore
	// say no more than one), that it jumps, and that one picture alone is another
	// than its time says, more for each picture.
	driftNats, skipNats, jumpNats, otherNats, awayNats = 30, 30, 60, 5, 1
	// A single picture strays by no more than so many of the source.
	strays = 2
)

// stretch is a part of the take that one chain says where to look for.
type stretch struct {
	take, source *signature.Sequence
	rate, origin float64 // source seconds = origin + rate * take seconds, in life
	first, last  int     // pictures of the take
	takes, of    float64 // usual seconds of the source from picture to picture: in the take, in the source

	// What the take should show of the source: gain * it + offset, for each
	// block, and the offset for each part of the stretch, which begin at starts.
	gain   [signature.Blocks]float64
	offset [][signature.Blocks]float64
	starts []int
	// noise is the usual square of what is left of each block in a picture that
	// fits, and weight falls where it is more than in others.
	noise, weight [signature.Blocks]float64

	left residual // of the last picture looked at

	costs costs
	step  float64 // s between delays

	shown     []int     // of each picture from first on; -1 outside the source
	lags      []float64 // delay of each, against the line, in s
	explained float64
}

// at returns the picture of the source that is up at a time in its life, or -1.
func (s *stretch) at(u float64) int {
	d := time.Duration(u * float64(time.Second))
	l := s.source.Lives
	if d < l[0] || u >= l[len(l)-1].Seconds()+s.of {
		return -1
	}
	return sort.Search(len(l), func(i int) bool { return l[i] > d }) - 1
}

// on is at for times that rise, given the picture of the one before.
func (s *stretch) on(u float64, j int) int {
	l := s.source.Lives
	if j < 0 {
		return s.at(u)
	}
	for j+1 < len(l) && l[j+1].Seconds() <= u {
		j++
	}
	if j+1 == len(l) && u >= l[j].Seconds()+s.of {
		return -1
	}
	return j
}

// clamp is at, with the first and last picture for times beyond the source.
func (s *stretch) clamp(u float64) int {
	d := time.Duration(u * float64(time.Second))
	l := s.source.Lives
	return min(max(sort.Search(len(l), func(i int) bool { return l[i] > d })-1, 0), len(l)-1)
}

// line is the time in the source of picture i by the chain.
func (s *stretch) line(i int) float64 { return s.origin + s.rate*s.take.Lives[i].Seconds() }

// rounds are enough: the first finds most of the pictures with the line of the
// chain, the other follows the line of those that were found.
const rounds = 2

// follow finds which picture is shown when.
func (s *stretch) follow() error {
	s.of = period(s.source).Seconds()
	for round := range rounds {
		s.takes = period(s.take).Seconds() * s.rate
		// What lies beyond the source is not looked at.
		for s.first < s.last && s.line(s.first) < s.source.Lives[0].Seconds()-band {
			s.first++
		}
		for s.last > s.first && s.line(s.last) > s.source.Lives[s.source.Len()-1].Seconds()+band {
			s.last--
		}
		if s.last-s.first < fewest {
			return fmt.Errorf("%w: hardly a picture of it lies within the source", ErrDifferent)
		}
		s.step = min(s.of, s.takes) / phases
		if round == 0 {
			for b := range s.weight {
				s.weight[b] = 1
			}
		}
		s.origin += s.constant()
		s.respond(func(t int) int { return s.at(s.line(s.first + t)) })
		s.path(true)
		// Along a constant delay, more is left where it drifts; and what is none of the
		// source's says nothing of how the take responds to it.
		others := s.others()
		s.respond(func(t int) int {
			if others[t] {
				return -1
			}
			return s.shown[t]
		})
		s.path(true)
		first, last := s.belong()
		if last-first < fewest {
			return fmt.Errorf("%w: its pictures do not look like those of the source", ErrDifferent)
		}
		s.crop(first, last)
		if round < rounds-1 {
			s.pace()
		}
	}
	s.explained = s.explains()
	return nil
}

// respond finds how the take responds to the source along a path, and what it
// costs to take each picture for each of the source.
func (s *stretch) respond(shown func(t int) int) {
	s.calibrate(shown)
	s.weigh(shown)
	s.tabulate()
}

// crop leaves the pictures from first to last of those shown.
func (s *stretch) crop(first, last int) {
	s.shown, s.lags = s.shown[first:last+1], s.lags[first:last+1]
	s.first, s.last = s.first+first, s.first+last
	s.costs.crop(s.first, s.last)
	s.calibrate(func(t int) int { return s.shown[t] })
}

// fewest pictures are a stretch.
const fewest = 4

// straightLine is a fit of y = a + b*x.
type straightLine struct{ n, x, y, xx, xy, x0, y0 float64 }

func (l *straightLine) add(x, y float64) {
	if l.n == 0 {
		l.x0, l.y0 = x, y
	}
	x, y = x-l.x0, y-l.y0
	l.n, l.x, l.y, l.xx, l.xy = l.n+1, l.x+x, l.y+y, l.xx+x*x, l.xy+x*y
}

// fit returns a and b, or those given where the values do not tell.
func (l *straightLine) fit(a, b float64) (float64, float64) {
	d := l.n*l.xx - l.x*l.x
	if l.n < fewest || d <= 0 {
		return a, b
	}
	b = (l.n*l.xy - l.x*l.y) / d
	return l.y0 + (l.y-b*l.x)/l.n - b*l.x0, b
}

// What a picture costs that lies beyond the source, in nats: as much as one that
// is another altogether.
const outside = 20

// path finds the likeliest delays (Viterbi), and from them the pictures; one
// delay throughout unless it bends. It returns what they cost, in nats.
func (s *stretch) path(bends bool) float64 {
	n := s.last - s.first + 1
	states := 2*int(band/s.step) + 1
	lag := func(k int) float64 { return float64(k-states/2) * s.step }
	// A picture more or less, of the source or of the take.
	skips := []int{int(math.Round(s.of / s.step)), int(math.Round(s.takes / s.step))}
	if skips[0] == skips[1] {
		skips = skips[:1]
	}
	score, next := make([]float64, states), make([]float64, states)
	back := make([]int16, n*states)
	up := make([]int32, n*states)
	for t := range n {
		jumped, from := math.Inf(1), 0
		for k, v := range score {
			if v < jumped {
				jumped, from = v, k
			}
		}
		jumped += jumpNats
		line := s.line(s.first + t)
		j := -1
		for k := range next {
			best, b := score[k], k
			try := func(q int, nats float64) {
				if q >= 0 && q < states && score[q]+nats < best {
					best, b = score[q]+nats, q
				}
			}
			if bends {
				try(k-1, driftNats)
				try(k+1, driftNats)
				for _, d := range skips {
					try(k-d, skipNats)
					try(k+d, skipNats)
				}
				if jumped < best {
					best, b = jumped, from
				}
			}
			j = s.on(line+lag(k), j)
			up[t*states+k] = int32(j)
			next[k], back[t*states+k] = best+s.costs.at(s.first+t, j).cost, int16(b)
		}
		score, next = next, score
	}
	// Of delays that fit equally well, the middle one.
	k, ties := 0, 0
	least := slices.Min(score)
	for q, v := range score {
		if v <= least+1e-9 {
			k += q
			ties++
		}
	}
	k /= ties
	if score[k] > least+1e-9 {
		k = slices.Index(score, least)
	}
	s.shown, s.lags = make([]int, n), make([]float64, n)
	for t := n - 1; t >= 0; t-- {
		s.lags[t] = lag(k)
		s.shown[t] = s.costs.at(s.first+t, int(up[t*states+k])).shown
		k = int(back[t*states+k])
	}
	return least
}

// leastSegment is the fewest pictures at one delay of which it is asked how sure
// it is.
const leastSegment = 8

// explains is how much of what changes the path explains.
func (s *stretch) explains() float64 {
	var left, changes float64
	var all [signature.Blocks]moments
	for t, j := range s.shown {
		if j < 0 {
			continue
		}
		i := s.first + t
		offset := &s.offset[s.part(i)]
		s.codes(i, j, func(b int, x, y float64) {
			d := x - s.gain[b]*y - offset[b]
			left += s.weight[b] * d * d
			all[b].add(x, 0)
		})
	}
	for b, w := range s.weight {
		xx, _, _ := all[b].about()
		changes += w * xx
	}
	if changes == 0 {
		return 0
	}
	return max(0, 1-left/changes)
}

const (
	// A rival place is looked at closer when windows that the chain consists of
	// fit it with at least this share of what they are worth.
	rivalShare = 0.5
	// rivalNats is by how much the chain's place has to be better.
	rivalNats = 12
	// leastExplained is how much of what changes a source has to explain: half
	// is what other material of the same kind may, with a gain to choose.
	leastExplained = 0.4
)

// ambiguousError is ErrAmbiguous with where the source fits as well, and how much of
// the take it explains.
type ambiguousError struct {
	at        time.Duration
	explained float64
}

func (e *ambiguousError) Error() string {
	return fmt.Sprintf("%v: near %.2f s as well", ErrAmbiguous, e.at.Seconds())
}

func (e *ambiguousError) Unwrap() error { return ErrAmbiguous }

// above reports whether the fit with which the take is ambiguous explains more of it
// than those with which it is found in one place: an odd pace or size may suit one of
// several repeats by chance.
func (e *ambiguousError) above(found []*Alignment) bool {
	return !slices.ContainsFunc(found, func(a *Alignment) bool { return a.Still || a.Explained*a.Known() > e.explained })
}

// rivals returns an error where the stretch fits other places of the source as
// well, or fits none.
func (s *stretch) rivals(c *chain, rate float64) error {
	if s.explained < leastExplained {
		return fmt.Errorf("%w: it explains %.0f %% of what changes", ErrDifferent, 100*s.explained)
	}
	own := 0.0
	type place struct{ lag, worth float64 }
	var places []place
	for i, w := range c.windows {
		own += worth(c.rs[i])
		for _, p := range w.peaks {
			if math.Abs(p.lag-c.lags[i])*binSeconds <= 2*band {
				continue
			}
			k := slices.IndexFunc(places, func(q place) bool { return math.Abs(q.lag-p.lag) <= lagBins })
			if k < 0 {
				places = append(places, place{p.lag, 0})
				k = len(places) - 1
			}
			places[k].worth += worth(p.r)
		}
	}
	for _, q := range places {
		if q.worth < rivalShare*own {
			continue
		}
		r := *s
		lag, drift := c.line()
		r.origin += (q.lag - lag - drift*c.windows[len(c.windows)/2].middle()) * binSeconds
		first, last := s.first, s.last
		if r.follow() != nil {
			continue
		}
		// What is left is judged by what the stretch usually leaves.
		r.noise = s.noise
		// By the residuals of both, over the pictures that both have. One that has
		// come to the same place is no rival.
		better, together := 0.0, 0
		for t, j := range s.shown {
			i := first + t
			if j < 0 || i < r.first || i > r.last || r.shown[i-r.first] < 0 {
				continue
			}
			if r.shown[i-r.first] == j {
				together++
			}
			better += s.costs.trust[t] * (r.evidence(i, r.shown[i-r.first]) - s.evidence(i, j))
		}
		if 2*together < len(s.shown) && last-first < 2*(r.last-r.first) && better/2 < rivalNats {
			at := s.source.Lives[0] + time.Duration((q.lag+c.windows[0].middle())*binSeconds*float64(time.Second))
			return &ambiguousError{at, s.explained}
		}
	}
	return nil
}

const (
	// A picture belongs to the stretch when its blocks differ from the source's
	// by less than so many times what is typical, or by less than a share of how
	// they differ among themselves.
	belongs, belongsShare = 8, 0.25
	// Nor does a picture that has less than this share of the contrast, as a square, that
	// others have of the source's, a seventh: one of a lead-in of one colour, which a response
	// that such pictures blunted follows as badly as the rest. A fade whose blacks are crushed
	// keeps more.
	flatShare = 0.02
	// Where the pictures correlate with the source's, block by block, as the same ones do, one
	// that correlates by less than this is another: a menu before the clip.
	anotherPicture = 0.5
	// One picture says no more than so many nats of whether it belongs.
	mostNats = 2
)

// offsetSamples pictures say how the blocks of both differ all along.
const offsetSamples = 101

// others reports which of the pictures shown are none of the source's, by their blocks
// alone: a lead-in of one colour, a menu.
func (s *stretch) others() []bool {
	n := len(s.shown)
	out := make([]bool, n)
	alike, contrast := make([]float64, n), make([]float64, n) // of each, where it can be told
	var correlations, contrasts []float64
	for t, j := range s.shown {
		alike[t], contrast[t] = 1, math.Inf(1)
		if j < 0 {
			continue
		}
		x, y := s.take.At(s.first+t), s.source.At(j)
		if r, ok := correlation(x, y); ok {
			alike[t] = r
			correlations = append(correlations, r)
		}
		if p, q, ok := spreads(x, y); ok {
			contrast[t] = (p + grain*grain) / (q + grain*grain)
			contrasts = append(contrasts, contrast[t])
		}
	}
	same := median(correlations) >= samePicture
	usual := median(contrasts)
	for t := range out {
		out[t] = same && alike[t] < anotherPicture || contrast[t] < flatShare*usual
	}
	return out
}

// spreads are the variances of the blocks of two pictures, over those that both know.
func spreads(x, y []uint16) (p, q float64, ok bool) {
	var m moments
	for b, v := range x {
		if v != signature.Unknown && y[b] != signature.Unknown {
			m.add(float64(v)/signature.Unit8, float64(y[b])/signature.Unit8)
		}
	}
	if m.n == 0 {
		return 0, 0, false
	}
	p, q, _ = m.about()
	return p / m.n, q / m.n, true
}

// median is 0 of nothing.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}

// belong returns the first and the last of the pictures shown that do belong to
// the stretch: by their blocks, with offsets that those that do not belong move
// little.
func (s *stretch) belong() (first, last int) {
	n := len(s.shown)
	others := s.others()
	var offset [signature.Blocks]float64
	for b := range offset {
		var all []float64
		for t := 0; t < n; t += n/offsetSamples + 1 {
			if s.shown[t] < 0 || others[t] {
				continue
			}
			x, y := s.take.At(s.first + t)[b], s.source.At(s.shown[t])[b]
			if x != signature.Unknown && y != signature.Unknown {
				all = append(all, (float64(x)-s.gain[b]*float64(y))/signature.Unit8)
			}
		}
		offset[b] = median(all)
	}
	differ, spread := make([]float64, n), make([]float64, n)
	var known []float64
	for t := range n {
		if s.shown[t] < 0 {
			continue
		}
		var d, w, m, mm, k float64
		x, y := s.take.At(s.first+t), s.source.At(s.shown[t])
		for b := range x {
			if x[b] == signature.Unknown || y[b] == signature.Unknown {
				continue
			}
			v := float64(x[b]) / signature.Unit8
			e := v - s.gain[b]*float64(y[b])/signature.Unit8 - offset[b]
			d += s.weight[b] * e * e
			w += s.weight[b]
			m += v
			mm += v * v
			k++
		}
		if w > 0 {
			differ[t], spread[t] = d/w, mm/k-m*m/k/k
		}
		known = append(known, differ[t])
	}
	if len(known) == 0 {
		return 0, -1
	}
	usual := median(known) + grain*grain
	// The run of pictures that belong the most (Kadane).
	var best, sum float64
	last = -1
	from := 0
	for t := range n {
		v := -float64(mostNats)
		if s.shown[t] >= 0 && !others[t] {
			v = math.Log(max(belongs*usual, belongsShare*spread[t]) / (differ[t] + grain*grain))
			v = min(max(v, -mostNats), mostNats)
		}
		if sum <= 0 {
			sum, from = 0, t
		}
		if sum += v; sum > best {
			best, first, last = sum, from, t
		}
	}
	return first, last
}

// keep enters the pictures that no other stretch has and returns the span.
func (s *stretch) keep(a *Alignment) Span {
	first, last := 0, len(s.shown)-1
	for first <= last && a.Pictures[s.first+first] >= 0 {
		first++
	}
	for last >= first && a.Pictures[s.first+last] >= 0 {
		last--
	}
	var l straightLine
	for t := first; t <= last; t++ {
		j := s.shown[t]
		a.Pictures[s.first+t] = j
		if j >= 0 {
			l.add(s.take.Lives[s.first+t].Seconds(), s.source.Lives[j].Seconds())
		}
	}
	span := Span{First: s.first + first, Last: s.first + last}
	if last < first {
		return span
	}
	origin, rate := l.fit(s.origin, s.rate)
	start := origin + rate*s.take.Lives[span.First].Seconds()
	span.Start, span.Rate = time.Duration(start*float64(time.Second)), rate
	return span
}
