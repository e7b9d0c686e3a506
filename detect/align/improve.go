package align

import (
	"cmp"
	"math"
	"slices"

	"setwitness/detect/signature"
)

// belief is a way in which a take may show its source: where the source lies in
// its picture, and which of its pictures are shown when.
type belief struct {
	fit    Fit
	runs   []run
	misfit float64
}

// run is one span of a belief.
type run struct {
	first        int // picture of the take
	shown        []int
	lags         []float64
	step         float64 // s between delays
	rate, origin float64 // of the line that the lags are against
	events       int     // how often the delay changes
	jumps        int     // how often a piece begins or ends that is a picture off
}

const (
	// What a belief has to explain better, in nats for a block of one picture, for
	// each change of delay; for each place at which a picture is left out or held that
	// no path of delays asks for, which may be any of some hundred; for each run beyond the first; for a pace that no set and
	// no standard has, or only film shown at another's; and for each picture that it
	// does not explain.
	eventNats, jumpedNats, runNats, oddNats, filmNats, missingNats = 1., 3., 4., 4., 2., 1.
	// improveRounds bound the search, which ends with a round that gains less than
	// leastGain.
	improveRounds, leastGain = 15, 0.1
	// A belief at another pace that is worse by more is no better with a fit of its
	// own.
	hopefulNats = 40
	// Beliefs that are that many pictures of the source earlier or later are
	// tried, as an error of the fit looks like one of time where all moves evenly.
	mostLater = 2
	// So many of the pieces of a run in which the delay stays are tried a picture
	// earlier and later.
	mostPieces = 6
)

// pairs returns pictures of the take with those of the source that it shows.
func (b *belief) pairs() []pairing {
	var all []pairing
	for _, r := range b.runs {
		for t, j := range r.shown {
			if j >= 0 {
				all = append(all, pairing{r.first + t, j})
			}
		}
	}
	n := min(placedPairs, len(all))
	out := make([]pairing, n)
	for k := range n {
		out[k] = all[(2*k+1)*len(all)/(2*n)]
	}
	return out
}

// later is the belief that all is so many pictures of the source later.
func (b *belief) later(k, pictures int, period float64) belief {
	out := belief{fit: b.fit}
	for _, r := range b.runs {
		s := r
		s.shown = make([]int, len(r.shown))
		for t, j := range r.shown {
			if j >= 0 {
				if j += k; j < 0 || j >= pictures {
					j = -1
				}
			}
			s.shown[t] = j
		}
		s.origin += float64(k) * period
		out.runs = append(out.runs, s)
	}
	return out
}

// improver looks for better beliefs of a take and its source.
type improver struct {
	take, source *signature.Sequence
	period       float64
}

// placed is the belief with the fit that its pictures want.
func (m *improver) placed(b belief) belief {
	b.fit, _ = place(m.take, m.source, b.pairs(), b.fit)
	return b
}

// stretch is a run with the source laid by a fit.
func (m *improver) stretch(r *run, laid *signature.Sequence) *stretch {
	s := &stretch{take: m.take, source: laid, rate: r.rate, origin: r.origin, first: r.first, last: r.first + len(r.shown) - 1, of: m.period}
	s.takes = period(m.take).Seconds() * s.rate
	s.step = min(s.of, s.takes) / phases
	for k := range s.weight {
		s.weight[k] = 1
	}
	return s
}

// followed is the belief with the pictures that its fit wants, near its lines.
func (m *improver) followed(b belief) belief {
	laid := b.fit.lay(m.source)
	out := belief{fit: b.fit}
	for k := range b.runs {
		s := m.stretch(&b.runs[k], laid)
		s.origin += s.constant()
		s.respond(func(t int) int { return s.at(s.line(s.first + t)) })
		s.path(true)
		s.respond(func(t int) int { return s.shown[t] })
		s.path(true)
		out.runs = append(out.runs, s.run(s.first, s.last))
	}
	return out
}

// explained is how much of what changes in the take a belief explains.
func (m *improver) explained(b belief) float64 {
	laid := b.fit.lay(m.source)
	var sum, pictures float64
	for k := range b.runs {
		r := &b.runs[k]
		s := m.stretch(r, laid)
		s.shown = r.shown
		shown := func(t int) int { return r.shown[t] }
		s.calibrate(shown)
		s.weigh(shown)
		n := float64(len(r.shown))
		sum, pictures = sum+n*s.explains(), pictures+n
	}
	return sum / max(pictures, 1)
}

// paced is the belief at another pace, about the middle of each run.
func (m *improver) paced(b belief, rate float64) belief {
	out := belief{fit: b.fit}
	for _, r := range b.runs {
		mid := (m.take.Lives[r.first] + m.take.Lives[r.first+len(r.shown)-1]).Seconds() / 2
		r.origin += (r.rate - rate) * mid
		r.rate = rate
		out.runs = append(out.runs, r)
	}
	return out
}

// straight is the belief that each run goes on at one delay, the mean of its own, at the
// pace of sets and standards if that is like its own: what most takes do. ok is false
// where it does already.
func (m *improver) straight(b belief) (out belief, ok bool) {
	out = belief{fit: b.fit}
	for _, r := range b.runs {
		rate := m.usual(r.rate, &r)
		ok = ok || r.events+r.jumps > 0 || rate != r.rate
		sum, n := 0., 0
		for t, j := range r.shown {
			if j >= 0 {
				sum, n = sum+m.source.Lives[j].Seconds()-rate*m.take.Lives[r.first+t].Seconds(), n+1
			}
		}
		if n > 0 {
			// A picture is up from its own time to that of the next.
			r.rate, r.origin = rate, sum/float64(n)+m.period/2
		}
		s := m.stretch(&r, m.source)
		c := run{first: r.first, shown: make([]int, len(r.shown)), lags: make([]float64, len(r.shown)), step: s.step, rate: r.rate, origin: r.origin}
		for t := range c.shown {
			c.shown[t] = s.at(s.line(r.first + t))
		}
		out.runs = append(out.runs, c)
	}
	return out, ok
}

// joined are beliefs that two runs are one, along the line of the longer.
func (m *improver) joined(b belief) (out []belief) {
	for k := 1; k < len(b.runs); k++ {
		p, q := b.runs[k-1], b.runs[k]
		r := p
		if len(q.shown) > len(p.shown) {
			r = q
		}
		r.first = p.first
		r.shown = make([]int, q.first+len(q.shown)-p.first)
		c := belief{fit: b.fit}
		c.runs = append(append(append(c.runs, b.runs[:k-1]...), r), b.runs[k+1:]...)
		out = append(out, m.followed(c))
	}
	return out
}

// judged is the belief with what it leaves of the take.
func (m *improver) judged(b belief) belief {
	left, penalty, shown := 0., runNats*float64(len(b.runs)-1)+b.fit.offCentre(), 0
	for k := range b.runs {
		r := &b.runs[k]
		nats, n := misfit(m.take, m.source, b.fit, r.first, r.shown)
		left, shown = left+nats*float64(n), shown+n
		penalty += eventNats*float64(r.events) + jumpedNats*float64(r.jumps)
		switch rate := m.usual(r.rate, r); {
		case slices.Contains(films, rate):
			penalty += filmNats
		case !slices.Contains(usualRates, rate):
			penalty += oddNats
		}
	}
	// Beliefs that explain other pictures are compared as if the rest were like
	// those, and worse.
	all := float64(m.take.Len())
	b.misfit = left/float64(max(shown, 1))*all + missingNats*(all-float64(shown)) + penalty
	return b
}

const (
	// Sets cut off, and players leave, as much on one side as on the other: what of the
	// source is in the middle is in the middle of the take, but for this share of it, by
	// which corners of a filmed screen are found.
	centred = 0.0025
	// offCentreNats is what it costs that it is not. Alone it does not make anything sure:
	// one in some dozens is not centred.
	offCentreNats = 4
)

// offCentre is what a fit costs, in nats, by how far the source lies beside the middle:
// in a pan that, and the picture before or after, look the same.
func (f Fit) offCentre() float64 {
	x, y := (f.OffsetX+f.ScaleX/2-0.5)/centred, (f.OffsetY+f.ScaleY/2-0.5)/centred
	return offCentreNats * (1 - math.Exp(-(x*x+y*y)/2))
}

// usual is the pace of sets and standards that the pictures of a run cannot tell from
// a rate, or else the rate itself.
func (m *improver) usual(rate float64, r *run) float64 {
	seconds := (m.take.Lives[r.first+len(r.shown)-1] - m.take.Lives[r.first]).Seconds()
	for _, u := range append(usualRates, films...) {
		if math.Abs(rate-u)*seconds < nearRate*m.period {
			return u
		}
	}
	return rate
}

// run is the part of a stretch from one picture to another, both inclusive.
func (s *stretch) run(first, last int) run {
	from, to := first-s.first, last+1-s.first
	r := run{first: first, shown: s.shown[from:to], lags: s.lags[from:to], step: s.step, rate: s.rate, origin: s.origin}
	for t := 1; t < len(r.lags); t++ {
		if r.changes(t) {
			r.events++
		}
	}
	return r
}

// changes reports whether the delay changes before picture t.
func (r *run) changes(t int) bool { return math.Abs(r.lags[t]-r.lags[t-1]) > r.step/2 }

// apart reports whether two beliefs differ in more of the pictures that both explain
// than noise makes them.
func (m *improver) apart(a, b *belief) bool {
	p, q := a.pictures(m.take.Len()), b.pictures(m.take.Len())
	others, n := 0, 0
	for t, j := range p {
		if i := q[t]; i >= 0 && j >= 0 {
			n++
			if i != j && differ(m.source.At(i), m.source.At(j), nil) > grain*grain {
				others++
			}
		}
	}
	return float64(others) > otherPath*float64(n)
}

// pictures are those of the source that each of n of the take shows.
func (b *belief) pictures(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = -1
	}
	for _, r := range b.runs {
		copy(out[r.first:], r.shown)
	}
	return out
}

// settled is the belief that a search from the start finds with the same fit, which
// may explain more or fewer of the pictures.
func (m *improver) settled(b belief) (belief, bool) {
	laid := b.fit.lay(m.source)
	cs, rate, err := search(m.take, laid)
	if err != nil {
		return b, false
	}
	a, err := settle(m.take, laid, cs, rate)
	if err != nil {
		return b, false
	}
	return belief{fit: b.fit, runs: a.runs}, true
}

// pieces are beliefs that differ by a picture or two of the source in one piece of a
// run: a third of it, where the delay stays, or where that explains the most.
func (m *improver) pieces(b belief) (out []belief) {
	for k, r := range b.runs {
		n := len(r.shown)
		if n < 3*leastSegment || len(r.lags) != n {
			continue
		}
		all := []piece{{0, n / 3, 1}, {n / 3, 2 * n / 3, 2}, {2 * n / 3, n, 1}}
		var changes []piece
		from := 0
		for t := 1; t <= n; t++ {
			if t == n && from > 0 || t < n && r.changes(t) {
				if t-from >= leastSegment {
					changes = append(changes, piece{from, t, 0})
				}
				from = t
			}
		}
		slices.SortFunc(changes, func(a, b piece) int { return (b.to - b.from) - (a.to - a.from) })
		for _, p := range append(all, changes[:min(len(changes), mostPieces)]...) {
			for _, by := range []int{-1, 1} {
				out = append(out, b.moved(k, p, by, m.source.Len()))
			}
		}
		now := look(m.take, m.source, b.fit, r.first, r.shown)
		if len(now.own) == 0 {
			continue
		}
		j := judge(now)
		left := j.each(now)
		for by := -mostLater; by <= mostLater; by++ {
			if by == 0 {
				continue
			}
			later := b.moved(k, piece{to: n}, by, m.source.Len()).runs[k].shown
			other := j.each(look(m.take, m.source, b.fit, r.first, later))
			if p, ok := now.misplaced(left, other, n); ok {
				out = append(out, b.moved(k, p, by, m.source.Len()))
			}
		}
	}
	return out
}

// piece is a part of a run, from one picture to before another, with how many of its
// ends are new places at which the delay changes.
type piece struct{ from, to, jumps int }

// moved is the belief with a piece of one run so many of the source's pictures later.
func (b *belief) moved(k int, p piece, by, pictures int) belief {
	c := *b
	c.runs = slices.Clone(b.runs)
	s := &c.runs[k]
	s.shown, s.jumps = slices.Clone(s.shown), s.jumps+p.jumps
	for t := p.from; t < p.to; t++ {
		if j := s.shown[t] + by; s.shown[t] >= 0 && j >= 0 && j < pictures {
			s.shown[t] = j
		}
	}
	return c
}

// misplaced is the piece of a path of n pictures, so long that it makes another path,
// that gains the most, or loses the least, where it shows others: by what each picture
// looked at leaves as it is, and in the other way.
func (now *beside) misplaced(left, other []float64, n int) (best piece, ok bool) {
	least := int(otherPath*float64(len(now.own))) + 1
	// Sums of what is gained before each picture: of those that are far enough before
	// another, the one from which the piece up to there gains the most.
	sums := make([]float64, len(now.own)+1)
	most, from := math.Inf(-1), 0
	begin := func(k int) float64 {
		if k > 0 {
			return sums[k] + jumpedNats
		}
		return 0
	}
	for k := range now.own {
		sums[k+1] = sums[k] + float64(now.every)*(left[k]-other[k])
		if k+1 < least {
			continue
		}
		if b := k + 1 - least; begin(b) < begin(from) {
			from = b
		}
		gained, p := sums[k+1]-begin(from), piece{now.at[from], now.at[k] + now.every, 0}
		if from == 0 {
			p.from = 0
		} else {
			p.jumps++
		}
		if k+1 == len(now.own) {
			p.to = n
		} else {
			p.jumps++
			gained -= jumpedNats
		}
		if gained > most && p.jumps > 0 {
			best, most, ok = p, gained, true
		}
	}
	best.to = min(best.to, n)
	return best, ok
}

// refined is a belief with the fit that its pictures want, and with the pictures that
// that wants.
func (m *improver) refined(b belief) []belief {
	p := m.placed(b)
	return []belief{m.judged(p), m.judged(m.followed(p))}
}

// near are beliefs beside one: earlier or later, without bends, and at the paces of sets
// and standards.
func (m *improver) near(b belief) (out []belief) {
	try := func(c belief) { out = append(out, m.judged(c)) }
	for k := 1; k <= mostLater; k++ {
		try(m.placed(b.later(k, m.source.Len(), m.period)))
		try(m.placed(b.later(-k, m.source.Len(), m.period)))
	}
	// A path that bends suits a fit that is wrong, and that the path.
	if c, ok := m.straight(b); ok {
		for k := -mostLater; k <= mostLater; k++ {
			try(m.placed(c.later(k, m.source.Len(), m.period)))
		}
	}
	for _, rate := range append(usualRates, films...) {
		if slices.ContainsFunc(b.runs, func(r run) bool { return math.Abs(rate-r.rate) > alikeRates }) {
			c := m.judged(m.followed(m.paced(b, rate)))
			if out = append(out, c); c.misfit < b.misfit+hopefulNats {
				try(m.followed(m.placed(c)))
			}
		}
	}
	return out
}

// further are beliefs that differ in a part, or are looked for anew.
func (m *improver) further(b belief) (out []belief) {
	for _, c := range append(m.pieces(b), m.joined(b)...) {
		out = append(out, m.judged(c))
	}
	if c, ok := m.settled(b); ok {
		out = append(out, m.judged(c))
	}
	return out
}

// improve looks for a better belief, and returns those that were held against it;
// none where the search did not end.
func (m *improver) improve(b belief) (best belief, tried []belief) {
	b = m.judged(b)
	for range improveRounds {
		tried = nil
		better := false
		// What costs more is looked at where nothing else is better.
		for _, look := range []func(belief) []belief{m.refined, m.near, m.further} {
			tried = append(tried, look(b)...)
			best = slices.MinFunc(tried, func(a, b belief) int { return cmp.Compare(a.misfit, b.misfit) })
			if better = best.misfit < b.misfit-leastGain; better {
				break
			}
		}
		if !better {
			return b, tried
		}
		b = best
	}
	return b, nil
}

// margin is by how much the best of some beliefs that are apart is worse; 0 if there
// are none.
func (m *improver) margin(b *belief, tried []belief, apart func(c, b *belief) bool) float64 {
	if len(tried) == 0 {
		return 0
	}
	least := math.Inf(1)
	for k := range tried {
		if c := &tried[k]; c.misfit-b.misfit < least && apart(c, b) {
			least = max(0, c.misfit-b.misfit)
		}
	}
	return least
}

// alikeFits place each point of the picture alike to so much of it: a pixel or two,
// by which places are looked for all the same.
const alikeFits = 0.0015

// beside reports whether another belief has the source where this one has it, and
// no picture of it more than one earlier or later.
func (b *belief) beside(c *belief, pictures int) bool {
	for _, at := range []float64{0, 1} {
		x := (b.fit.ScaleX-c.fit.ScaleX)*at + b.fit.OffsetX - c.fit.OffsetX
		y := (b.fit.ScaleY-c.fit.ScaleY)*at + b.fit.OffsetY - c.fit.OffsetY
		if math.Abs(x) > alikeFits || math.Abs(y) > alikeFits {
			return false
		}
	}
	p, q := b.pictures(pictures), c.pictures(pictures)
	for t, j := range p {
		if i := q[t]; i >= 0 && j >= 0 && (i > j+1 || i < j-1) {
			return false
		}
	}
	return true
}
