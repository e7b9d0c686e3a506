package align

import (
	"math"

	"setwitness/detect/signature"
)

// even is what evidence needs of the pictures of a stretch, where all of the take
// know the same blocks and all of the source do: taking off what is smooth over the
// picture may then come before one is taken from the other, once for each.
type even struct {
	first, from  int         // pictures of the take and of the source
	take, source [][]float32 // of the blocks that both know, less what is smooth
	noise        []float32   // 1 / noise of each
	scale        float64     // from the sum over these blocks to nats
}

// even prepares a stretch for pictures of the source up to so many beside its line;
// nil where not all know the same.
func (s *stretch) even(reach int) *even {
	from := max(s.clamp(s.line(s.first))-reach, 0)
	to := min(s.clamp(s.line(s.last))+reach, s.source.Len()-1)
	x, y := s.take.At(s.first), s.source.At(from)
	for i := s.first + 1; i <= s.last; i++ {
		if !alikeKnown(x, s.take.At(i)) {
			return nil
		}
	}
	for j := from + 1; j <= to; j++ {
		if !alikeKnown(y, s.source.At(j)) {
			return nil
		}
	}
	var ones, counts grid
	var known []int
	for b := range ones {
		if x[b] != signature.Unknown && y[b] != signature.Unknown {
			ones[b] = 1
			known = append(known, b)
		}
	}
	if len(known) == 0 {
		return nil
	}
	ones.about(&counts)
	e := &even{first: s.first, from: from, scale: foldNats * signature.Blocks / float64(len(known))}
	for _, b := range known {
		e.noise = append(e.noise, float32(1/s.noise[b]))
	}
	var codes, sums grid
	rough := func(value func(b int) float64) []float32 {
		for _, b := range known {
			codes[b] = float32(value(b))
		}
		codes.about(&sums)
		out := make([]float32, len(known))
		for k, b := range known {
			out[k] = codes[b] - sums[b]/counts[b]
		}
		return out
	}
	for i := s.first; i <= s.last; i++ {
		v, offset := s.take.At(i), &s.offset[s.part(i)]
		e.take = append(e.take, rough(func(b int) float64 { return float64(v[b])/signature.Unit8 - offset[b] }))
	}
	for j := from; j <= to; j++ {
		v := s.source.At(j)
		e.source = append(e.source, rough(func(b int) float64 { return s.gain[b] * float64(v[b]) / signature.Unit8 }))
	}
	return e
}

// alikeKnown reports whether two pictures know the same blocks.
func alikeKnown(p, q []uint16) bool {
	for b, v := range p {
		if (v == signature.Unknown) != (q[b] == signature.Unknown) {
			return false
		}
	}
	return true
}

// atOnce values have their logarithm taken together: none is above 2 to the 18th, as
// codes are below 256 and their noise is not below that of coding.
const atOnce = 32

// evidence is that of the stretch.
func (e *even) evidence(i, j int) float64 {
	x, y := e.take[i-e.first], e.source[j-e.from]
	y, noise := y[:len(x)], e.noise[:len(x)]
	nats, product := 0.0, 1.0
	for k, v := range x {
		d := v - y[k]
		product *= 1 + float64(d*d*noise[k])
		if k%atOnce == atOnce-1 {
			nats += math.Log(product)
			product = 1
		}
	}
	return e.scale * (nats + math.Log(product))
}
