package macroblocking

import (
	"math"
	"math/bits"
	"slices"
)

// spectrum finds what a profile repeats after.
type spectrum struct {
	re, im   []float64
	cos, sin []float64
	power    []float64
	around   []float64
	bins     []float64
}

// The pitches that are looked for, in pixels. Blocks of 8 samples that were
// scaled down to three quarters have 6; below that, a step cannot be told from
// what is beside it. Macroblocks of 16 samples that were scaled from 480 to
// 2160 lines have 72.
const (
	leastPitch = 5.5
	mostPitch  = 80.0
)

// fft transforms re and im, of a length that is a power of two, in place.
func (s *spectrum) fft() {
	n := len(s.re)
	if len(s.cos) != n/2 {
		s.cos, s.sin = make([]float64, n/2), make([]float64, n/2)
		for i := range s.cos {
			s.sin[i], s.cos[i] = math.Sincos(-2 * math.Pi * float64(i) / float64(n))
		}
	}
	shift := 64 - bits.Len(uint(n-1))
	for i := range n {
		if j := int(bits.Reverse64(uint64(i)) >> shift); j > i {
			s.re[i], s.re[j] = s.re[j], s.re[i]
			s.im[i], s.im[j] = s.im[j], s.im[i]
		}
	}
	for half := 1; half < n; half *= 2 {
		stride := n / (2 * half)
		for from := 0; from < n; from += 2 * half {
			for i := range half {
				c, d := s.cos[i*stride], s.sin[i*stride]
				a, b := from+i, from+i+half
				x, y := s.re[b]*c-s.im[b]*d, s.re[b]*d+s.im[b]*c
				s.re[b], s.im[b] = s.re[a]-x, s.im[a]-y
				s.re[a], s.im[a] = s.re[a]+x, s.im[a]+y
			}
		}
	}
}

// of sets the power at each frequency, as a multiple of what is common around
// it: what repeats in a profile has peaks, while noise has a power there that
// is distributed exponentially, with a mean of 1.
func (s *spectrum) of(profile []int32) {
	s.transform(profile)
	s.level(2 * len(s.power) / len(profile) * commonBins)
}

// transform sets the power at each frequency.
func (s *spectrum) transform(profile []int32) {
	n := 1 << bits.Len(uint(2*len(profile)-1))
	s.re, s.im = slices.Grow(s.re[:0], n)[:n], slices.Grow(s.im[:0], n)[:n]
	clear(s.re)
	clear(s.im)
	for i, v := range profile {
		s.re[i] = float64(v)
	}
	s.fft()
	s.power = slices.Grow(s.power[:0], n/2)[:n/2]
	for i := range s.power {
		s.power[i] = s.re[i]*s.re[i] + s.im[i]*s.im[i]
	}
}

// peak is the largest power over the mean.
func (s *spectrum) peak() float64 {
	var sum, most float64
	n := int(finest * float64(2*len(s.power)))
	for _, v := range s.power[:n] {
		sum += v
		most = max(most, v)
	}
	if sum == 0 {
		return 0
	}
	return most * float64(n) / sum
}

// commonBins is how many independent frequencies on either side say what is
// common.
const commonBins = 12

// level divides the power by the median of bins around, over ln 2, the median
// of what is distributed exponentially with a mean of 1.
func (s *spectrum) level(reach int) {
	n := len(s.power)
	step := max(1, reach/3)
	s.around = s.around[:0]
	for i := 0; i < n+step; i += step {
		from, to := max(i-reach, 0), min(i+reach+1, n)
		from = min(from, to-1)
		s.bins = append(s.bins[:0], s.power[from:to]...)
		s.around = append(s.around, middle(s.bins)/math.Ln2)
	}
	for i := range s.power {
		k, f := i/step, float64(i%step)/float64(step)
		common := s.around[k]*(1-f) + s.around[k+1]*f
		if common > 0 {
			s.power[i] /= common
		} else {
			s.power[i] = 0
		}
	}
}

// middle returns what stands in the middle of values in their order, of which it only puts
// as many in order as it takes (Hoare's selection).
func middle(v []float64) float64 {
	k := len(v) / 2
	for from, to := 0, len(v)-1; from < to; {
		pivot, i, j := v[(from+to)/2], from, to
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i, j = i+1, j-1
			}
		}
		if k <= j {
			to = j
		} else if k >= i {
			from = i
		} else {
			break
		}
	}
	return v[k]
}

// at is the power at a frequency in cycles a pixel.
func (s *spectrum) at(f float64) float64 {
	x := f * float64(2*len(s.power))
	i := int(x)
	if i+1 >= len(s.power) {
		return 0
	}
	return max(s.power[i], s.power[i+1])
}

const (
	// The response to a step is three pixels wide; above this frequency, in
	// cycles a pixel, little is left of it.
	finest = 0.3
	// mostHarmonics bounds how much a long pitch may gather.
	mostHarmonics = 6
)

// evidence is how unlikely the power at a pitch and its harmonics is by chance,
// in nats: the sum of n exponential variables above x has a chance of about
// exp(n - x)(x/n)^n (Chernoff's bound).
func (s *spectrum) evidence(pitch float64) float64 {
	n := min(int(finest*pitch), mostHarmonics)
	var sum float64
	for h := 1; h <= n; h++ {
		sum += s.at(float64(h) / pitch)
	}
	k := float64(n)
	if sum <= k {
		return 0
	}
	return sum - k - k*math.Log(sum/k)
}

// without takes a pitch and its harmonics out.
func (s *spectrum) without(pitch float64) {
	const aside = 2 // bins: half the length is padding, and pitches are told to a bin
	for h := 1.0; h/pitch < finest+1/pitch; h++ {
		at := int(h / pitch * float64(2*len(s.power)))
		from, to := max(at-aside, 0), min(at+aside+2, len(s.power))
		clear(s.power[min(from, to):to])
	}
}

// best returns the pitch with the most evidence for a profile of n boundaries.
func (s *spectrum) best(n int) (pitch, nats float64) {
	for p := leastPitch; p < mostPitch; {
		if e := s.evidence(p); e > nats {
			pitch, nats = p, e
		}
		p += p * p / float64(4*n)
	}
	return pitch, nats
}
