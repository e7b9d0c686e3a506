package cadence

import (
	"cmp"
	"math"
	"slices"
)

// series is breaches of one make that come at a steady interval: a conversion
// of rates that leaves out, or repeats, every so many-th picture. It is one
// fault, however long nothing moves in between.
type series struct {
	members []int   // indices of the breaches
	period  float64 // pictures
	phase   float64 // a place of the beat, pictures
}

const (
	// So many breaches have to keep the beat before it is one. Twelve places
	// taken at random have a resultant above 0.85 once in e^(12*0.72), 5700
	// times (Rayleigh's test of directions), and some six periods are tried.
	leastBeats = 12
	// Whole pictures stray from an even beat by up to half a picture; the
	// resultant of that is sinc(1/period), and this share of it is asked for.
	onBeat = 0.9
	// A shorter period has no place off the beat.
	shortestPeriod = 3
	// A breach further from its place than rounding and one wrong picture
	// take it, is none of the series.
	offBeat = 1.0
	// So many in a row that are none end it.
	mostStrays = 4
	// Periods that a dozen beats give for one rhythm differ by less.
	samePeriod = 0.02
)

// rhythms finds the series among breaches.
func rhythms(list []breach) []series {
	var out []series
	for _, group := range makes(list) {
		used, mine := 0, len(out)
		for i := 0; i+leastBeats <= len(group); {
			s, ok := beat(list, group[i:i+leastBeats])
			if !ok {
				i++
				continue
			}
			s.grow(list, backwards(group[used:i]))
			used = i + leastBeats
			used += s.grow(list, group[used:])
			if k := len(out) - 1; k < mine || !out[k].absorb(list, &s) {
				out = append(out, s)
			}
			i = used
		}
	}
	return out
}

func backwards(v []int) []int {
	v = slices.Clone(v)
	slices.Reverse(v)
	return v
}

// grow takes in the next breaches that keep the beat, and returns how many are
// behind the last of them.
func (s *series) grow(list []breach, next []int) (used int) {
	strays := 0
	for k := 0; k < len(next) && strays < mostStrays; k++ {
		if !s.holds(float64(list[next[k]].first)) {
			strays++
			continue
		}
		s.members = append(s.members, next[k])
		s.fit(list)
		strays, used = 0, k+1
	}
	return used
}

// absorb takes in a later series that has the same beat: what lies between
// them may be too long to count the beats in it to one.
func (s *series) absorb(list []breach, o *series) bool {
	for _, more := range [3]float64{0, -1, 1} {
		both := series{members: append(slices.Clone(s.members), o.members...), phase: s.phase}
		first, last := float64(list[s.members[0]].first), float64(list[o.members[0]].first)
		from, to := s.place(first), o.place(last)
		beats := math.Round((to-from)/s.period) + more
		both.period, both.phase = (to-from)/beats, from
		both.fit(list)
		if beats > 0 && math.Abs(both.period-s.period) < samePeriod*s.period &&
			!slices.ContainsFunc(both.members, func(m int) bool { return !both.holds(float64(list[m].first)) }) {
			*s = both
			return true
		}
	}
	return false
}

// makes groups the breaches of single places by how many pictures they lose
// and repeat, each group in order of time.
func makes(list []breach) [][]int {
	type kind struct{ lost, repeated int }
	at := map[kind]int{}
	var out [][]int
	for i := range list {
		x := &list[i]
		if x.every > 0 || confidence(x.odds) < leastConfidence {
			continue
		}
		k := kind{x.lost, x.repeated}
		g, ok := at[k]
		if !ok {
			g = len(out)
			at[k] = g
			out = append(out, nil)
		}
		out[g] = append(out[g], i)
	}
	for _, g := range out {
		slices.SortFunc(g, func(a, b int) int { return cmp.Compare(list[a].first, list[b].first) })
	}
	return out
}

// beat looks for the period that some breaches keep.
func beat(list []breach, members []int) (series, bool) {
	n := len(members)
	gaps := make([]float64, 0, n-1)
	for k := 1; k < n; k++ {
		gaps = append(gaps, float64(list[members[k]].first-list[members[k-1]].first))
	}
	span := float64(list[members[n-1]].first - list[members[0]].first)
	slices.Sort(gaps)
	// Most of the shorter gaps are one period, rounded.
	near := gaps[len(gaps)/5]
	var best, phase, most float64
	if near < shortestPeriod {
		return series{}, false
	}
	// A step in frequency moves the last against the first by an eighth.
	for f := 1 / (near + 1); f <= 1/max(shortestPeriod, near-1); f += 1 / (8 * span) {
		var c, s float64
		for _, m := range members {
			sin, cos := math.Sincos(2 * math.Pi * f * float64(list[m].first))
			c, s = c+cos, s+sin
		}
		x := math.Pi * f
		if r := math.Hypot(c, s) / float64(n) * x / math.Sin(x); r > most {
			best, phase, most = 1/f, math.Atan2(s, c)/(2*math.Pi*f), r
		}
	}
	if most < onBeat {
		return series{}, false
	}
	s := series{period: best, phase: phase}
	for _, m := range members {
		if s.holds(float64(list[m].first)) {
			s.members = append(s.members, m)
		}
	}
	s.fit(list)
	return s, true
}

// place returns the beat nearest to a picture.
func (s *series) place(picture float64) float64 {
	return s.phase + s.period*math.Round((picture-s.phase)/s.period)
}

func (s *series) holds(picture float64) bool { return math.Abs(picture-s.place(picture)) <= offBeat }

// fit lays the beat through the members by least squares.
func (s *series) fit(list []breach) {
	var n, k1, k2, y1, ky float64
	for _, m := range s.members {
		y := float64(list[m].first)
		k := math.Round((y - s.phase) / s.period)
		n, k1, k2, y1, ky = n+1, k1+k, k2+k*k, y1+y, ky+k*y
	}
	if d := n*k2 - k1*k1; d > 0 {
		s.period = (n*ky - k1*y1) / d
		s.phase = (y1 - s.period*k1) / n
	}
}

// beats lists the pictures from the first member to the last at which the
// series has a place.
func (s *series) beats(list []breach) []int {
	first, last := list[s.members[0]].first, 0
	for _, m := range s.members {
		first, last = min(first, list[m].first), max(last, list[m].first)
	}
	var out []int
	for at := s.place(float64(first)); at <= float64(last)+offBeat; at += s.period {
		out = append(out, min(max(int(math.Round(at)), first), last))
	}
	return out
}
