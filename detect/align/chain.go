package align

import (
	"math"
	"slices"
)

const (
	// How much a correlation says, in nats: a window holds about this many
	// values that are independent of each other, as things that move are larger
	// than a channel and slower than a bin (common practice, no source).
	independent = 10
	// Windows that follow each other are from one stretch of the source if
	// their places differ by no more bins than this and this share of the time
	// between them, which is more than any two clocks differ by.
	lagBins, lagShare = 1.5, 0.004
	// jump is what it costs, in nats, that the source did not run on: a loop or
	// a cut comes once in some hundred windows.
	jump = 6
	// noPlace is what a window is worth that is from nowhere in the source: the
	// best of some thousand places of other material is worth a little less.
	noPlace = 4
)

// chain is windows that follow each other as time does.
type chain struct {
	windows []window
	lags    []float64
	rs      []float64
}

func worth(r float64) float64 {
	r = min(r, 0.99)
	return -independent / 2 * math.Log(1-r*r)
}

func follows(a, b float64, bins float64) bool { return math.Abs(a-b) <= lagBins+lagShare*bins }

// chains finds the likeliest sequence of places, and its worth above that of no
// place anywhere.
func chains(ws []window) (out []chain, total float64) {
	// Viterbi over the peaks of each window; the last state is that it is from
	// nowhere.
	type state struct {
		score float64
		from  int
	}
	rows := make([][]state, len(ws))
	for i := range ws {
		w := &ws[i]
		rows[i] = make([]state, len(w.peaks)+1)
		for k := range rows[i] {
			own := float64(noPlace)
			if k < len(w.peaks) {
				own = worth(w.peaks[k].r)
			}
			best := state{math.Inf(-1), -1}
			if i == 0 {
				best.score = 0
			} else {
				p := &ws[i-1]
				for q, s := range rows[i-1] {
					score := s.score
					if k < len(w.peaks) && q < len(p.peaks) && follows(p.peaks[q].lag, w.peaks[k].lag, w.middle()-p.middle()) {
						// A small preference for no change at all.
						score -= 0.1 * math.Abs(p.peaks[q].lag-w.peaks[k].lag)
					} else if k < len(w.peaks) {
						score -= jump
					}
					if score > best.score {
						best = state{score, q}
					}
				}
			}
			best.score += own - noPlace
			rows[i][k] = best
		}
	}
	if len(ws) == 0 {
		return nil, 0
	}
	k := 0
	for q, s := range rows[len(ws)-1] {
		if s.score > rows[len(ws)-1][k].score {
			k = q
		}
	}
	total = rows[len(ws)-1][k].score
	picks := make([]int, len(ws))
	for i := len(ws) - 1; i >= 0; i-- {
		picks[i] = k
		k = rows[i][k].from
	}
	for i, k := range picks {
		w := ws[i]
		if k == len(w.peaks) {
			continue
		}
		p := w.peaks[k]
		// Windows from nowhere between two of one stretch do not end it.
		if n := len(out) - 1; n >= 0 {
			c := &out[n]
			last := c.windows[len(c.windows)-1]
			if follows(c.lags[len(c.lags)-1], p.lag, w.middle()-last.middle()) {
				c.windows, c.lags, c.rs = append(c.windows, w), append(c.lags, p.lag), append(c.rs, p.r)
				continue
			}
		}
		out = append(out, chain{[]window{w}, []float64{p.lag}, []float64{p.r}})
	}
	return out, total
}

// straight windows say how a chain's place drifts; a few do not.
const straight = 5

// line returns the lag at bin 0 of the take and how it changes with each bin.
func (c *chain) line() (lag, drift float64) {
	n := len(c.lags)
	if n < straight {
		sorted := slices.Sorted(slices.Values(c.lags))
		return (sorted[n/2] + sorted[(n-1)/2]) / 2, 0
	}
	var sx, sy, sxx, sxy, sw float64
	for i, w := range c.windows {
		x, y, m := w.middle(), c.lags[i], c.rs[i]*c.rs[i]
		sw += m
		sx += m * x
		sy += m * y
		sxx += m * x * x
		sxy += m * x * y
	}
	d := sw*sxx - sx*sx
	if d == 0 {
		return sy / sw, 0
	}
	drift = (sw*sxy - sx*sy) / d
	return (sy - drift*sx) / sw, drift
}
