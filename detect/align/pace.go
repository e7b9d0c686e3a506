package align

import (
	"cmp"
	"math"
	"slices"
)

const (
	// What it costs, in nats, that a source is not shown in real time: at the
	// speed of film shown with another standard's pictures, and at any other.
	filmPathNats, oddPathNats = 8, 20
	// alikeRates differ by no more than clocks do.
	alikeRates = 0.002
	// Lines are tried in steps of this share of a picture, over so many pictures.
	lineStep, lineSamples = 0.25, 200
)

// pace chooses the rate at which the likeliest path is the likeliest of all.
func (s *stretch) pace() {
	mid := s.middle()
	at := s.origin + s.rate*mid
	tilt := band / max((s.take.Lives[s.last]-s.take.Lives[s.first]).Seconds()/2, band)
	odd, lag := s.straight(tilt)
	tried := []float64{odd}
	if math.Abs(s.rate-odd) > alikeRates {
		tried = append(tried, s.rate)
	}
	for _, group := range [][]float64{usualRates, films, slowMotion} {
		for _, r := range group {
			if math.Abs(r-odd) < tilt && !slices.Contains(tried, r) {
				tried = append(tried, r)
			}
		}
	}
	type way struct {
		rate, nats float64
	}
	var ways []way
	for _, rate := range tried {
		r := *s
		r.rate, r.origin = rate, at+lag-rate*mid
		for _, bends := range []bool{true, false} {
			w := way{rate: rate, nats: r.path(bends)}
			switch {
			case rate == 1:
			case slices.Contains(films, rate):
				w.nats += filmPathNats
			default:
				w.nats += oddPathNats
			}
			ways = append(ways, w)
		}
	}
	best := slices.MinFunc(ways, func(a, b way) int { return cmp.Compare(a.nats, b.nats) })
	s.rate, s.origin = best.rate, at+lag-best.rate*mid
}

// middle is when in life the middle of the stretch is in the take.
func (s *stretch) middle() float64 {
	return (s.take.Lives[s.first] + s.take.Lives[s.last]).Seconds() / 2
}

// straight finds the line along which all pictures together fit best, of those
// that differ from the present one by no more than tilt: its rate, and its delay
// in the middle.
func (s *stretch) straight(tilt float64) (rate, lag float64) {
	every := (s.last-s.first)/lineSamples + 1
	mid := s.middle()
	step := lineStep * min(s.of, s.takes)
	turn := step / max((s.take.Lives[s.last]-s.take.Lives[s.first]).Seconds()/2, band)
	least := math.Inf(1)
	for k := -int(tilt / turn); k <= int(tilt/turn); k++ {
		for q := -int(band / step); q <= int(band/step); q++ {
			cost := 0.0
			for i := s.first; i <= s.last; i += every {
				shift := float64(q)*step + float64(k)*turn*(s.take.Lives[i].Seconds()-mid)
				cost += s.costs.at(i, s.at(s.line(i)+shift)).cost
				if cost >= least {
					break
				}
			}
			if cost < least {
				least, rate, lag = cost, s.rate+float64(k)*turn, float64(q)*step
			}
		}
	}
	return rate, lag
}
