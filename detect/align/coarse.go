package align

import (
	"math"
	"slices"
	"time"

	"setwitness/detect/signature"
)

const (
	// A score of values a second, in channels of 4 by 6 blocks, tell where in a
	// source a stretch of a take is from, and a source of an hour is searched in
	// little time.
	binSeconds         = 0.05
	poolCols, poolRows = 4, 6
	channelCols        = signature.Cols / poolCols
	channels           = channelCols * signature.Rows / poolRows
)

// reduced is a sequence in bins of equal time: the mean of each channel, in
// 8-bit codes.
type reduced struct {
	n       int
	v       []float32 // channels for each bin
	squares []float64 // sum of squares before bin k
	sums    []float64 // of each channel before bin k
}

// reduce brings a sequence into bins; its time runs by rate.
func reduce(s *signature.Sequence, rate float64) *reduced {
	seconds := func(d time.Duration) float64 { return d.Seconds() * rate }
	start := s.Lives[0]
	n := int(seconds(length(s)) / binSeconds)
	r := &reduced{n: n, v: make([]float32, n*channels)}
	weight := make([]float64, n)
	last := seconds(period(s))
	held := firstKnown(s)
	var pooled [channels]float32
	for i := range s.Len() {
		pool(&pooled, &held, s.At(i))
		from := seconds(s.Lives[i] - start)
		to := from + last
		if i+1 < s.Len() {
			to = seconds(s.Lives[i+1] - start)
		}
		for k := int(from / binSeconds); k < n && float64(k)*binSeconds < to; k++ {
			in := min(to, float64(k+1)*binSeconds) - max(from, float64(k)*binSeconds)
			if in <= 0 {
				continue
			}
			weight[k] += in
			for c, v := range pooled {
				r.v[k*channels+c] += v * float32(in)
			}
		}
	}
	for k, w := range weight {
		for c := range channels {
			if w > 0 {
				r.v[k*channels+c] /= float32(w)
			}
		}
	}
	r.sum()
	return r
}

// sum adds up the bins.
func (r *reduced) sum() {
	r.squares, r.sums = make([]float64, r.n+1), make([]float64, (r.n+1)*channels)
	for k := range r.n {
		square := 0.0
		for c := range channels {
			at := k*channels + c
			square += float64(r.v[at]) * float64(r.v[at])
			r.sums[at+channels] = r.sums[at] + float64(r.v[at])
		}
		r.squares[k+1] = r.squares[k] + square
	}
}

// even takes from each bin what a change of exposure makes: an offset of all channels,
// and a gain of what they show in the mean over all bins.
func (r *reduced) even() {
	var usual [channels]float64
	mean := 0.0
	for c := range usual {
		usual[c] = r.sums[r.n*channels+c] / float64(r.n)
		mean += usual[c] / channels
	}
	square := 0.0
	for c := range usual {
		usual[c] -= mean
		square += usual[c] * usual[c]
	}
	for k := range r.n {
		bin := r.v[k*channels : (k+1)*channels]
		offset, gain := 0.0, 0.0
		for c, v := range bin {
			offset += float64(v) / channels
			if square > 0 {
				gain += float64(v) * usual[c] / square
			}
		}
		for c := range bin {
			bin[c] -= float32(offset + gain*usual[c])
		}
	}
	r.sum()
}

// energy is how much changes in bins from a to before b: the sum of squares
// about the mean of each channel.
func (r *reduced) energy(a, b int) float64 {
	e := r.squares[b] - r.squares[a]
	for c := range channels {
		m := r.sums[b*channels+c] - r.sums[a*channels+c]
		e -= m * m / float64(b-a)
	}
	return max(e, 0)
}

// changes returns bins from a to before b less the mean of each channel: what
// differs all along between a take and its source (the camera's response,
// fall-off to the corners, light in the room) is not in it.
func (r *reduced) changes(a, b int) []float32 {
	out := make([]float32, (b-a)*channels)
	for c := range channels {
		m := float32((r.sums[b*channels+c] - r.sums[a*channels+c]) / float64(b-a))
		for k := range b - a {
			out[k*channels+c] = r.v[(a+k)*channels+c] - m
		}
	}
	return out
}

// firstKnown is the first value of each block that is known: a camera catches the end of
// a picture as it starts, and nothing that would change from then on.
func firstKnown(s *signature.Sequence) (held [signature.Blocks]uint16) {
	for b := range held {
		for i := range s.Len() {
			if v := s.At(i)[b]; v != signature.Unknown {
				held[b] = v
				break
			}
		}
	}
	return held
}

// pool averages blocks into channels; a block that is not known keeps its last
// value.
func pool(out *[channels]float32, held *[signature.Blocks]uint16, blocks []uint16) {
	*out = [channels]float32{}
	for b, v := range blocks {
		if v != signature.Unknown {
			held[b] = v
		}
		x, y := b%signature.Cols, b/signature.Cols
		out[y/poolRows*channelCols+x/poolCols] += float32(held[b])
	}
	for c := range out {
		out[c] /= poolCols * poolRows * signature.Unit8
	}
}

const (
	// A window of the take is so long: enough for things to move by more than
	// their size, short enough to lie within one loop of a short source.
	windowBins = 40
	hopBins    = 16
	leastBins  = 14
	// More windows than this do not make a long take surer.
	mostWindows = 200
	// The best places of a window that are followed up.
	mostPeaks = 8
	// Below so many 8-bit codes, root mean square over the channels, nothing
	// moves: noise and the flicker of lamps reach half of it.
	stillCodes = 0.06
)

// window is a stretch of the take with where in the source it may be from.
type window struct {
	first, n int // bins of the take
	peaks    []peak
}

func (w *window) middle() float64 { return float64(w.first) + float64(w.n)/2 }

type peak struct {
	lag float64 // bins of the source less those of the take
	r   float64 // coefficient of correlation
}

// windows cuts the take into windows that hold motion and looks for each in the
// source.
func windows(take, source *reduced) []window {
	n := min(windowBins, take.n, source.n)
	if n < leastBins {
		return nil
	}
	hop := max(min(hopBins, n/2), (take.n-n)/mostWindows+1)
	var out []window
	for first := 0; ; first += hop {
		first = min(first, take.n-n)
		if take.energy(first, first+n) > stillCodes*stillCodes*float64(channels*n) {
			w := window{first: first, n: n}
			w.search(take, source)
			out = append(out, w)
		}
		if first == take.n-n {
			return out
		}
	}
}

// search finds the best places of a window.
func (w *window) search(take, source *reduced) {
	lags := source.n - w.n + 1
	r := make([]float64, lags)
	// What is taken against its mean need not be in the other as well.
	x := take.changes(w.first, w.first+w.n)
	own := take.energy(w.first, w.first+w.n)
	floor := stillCodes * stillCodes * float64(channels*w.n) / 4
	for at := range lags {
		y := source.v[at*channels : (at+w.n)*channels]
		other := source.energy(at, at+w.n)
		if other < floor {
			continue
		}
		r[at] = dot(x, y) / math.Sqrt(own*other)
	}
	for at, v := range r {
		if v <= 0 || at > 0 && r[at-1] > v || at+1 < lags && r[at+1] >= v {
			continue
		}
		w.peaks = append(w.peaks, peak{float64(at-w.first) + vertex(r, at), v})
	}
	slices.SortFunc(w.peaks, func(a, b peak) int {
		if a.r > b.r {
			return -1
		}
		return 1
	})
	w.peaks = w.peaks[:min(len(w.peaks), mostPeaks)]
}

// vertex is where between its neighbours a peak has its top.
func vertex(r []float64, at int) float64 {
	if at == 0 || at+1 == len(r) {
		return 0
	}
	bend := r[at-1] - 2*r[at] + r[at+1]
	if bend >= 0 {
		return 0
	}
	return min(max((r[at-1]-r[at+1])/(2*bend), -0.5), 0.5)
}

func dot(a, b []float32) float64 {
	var s [4]float32
	b = b[:len(a)]
	// channels is a multiple of four.
	for i := 0; i+4 <= len(a); i += 4 {
		s[0] += a[i] * b[i]
		s[1] += a[i+1] * b[i+1]
		s[2] += a[i+2] * b[i+2]
		s[3] += a[i+3] * b[i+3]
	}
	return float64(s[0]) + float64(s[1]) + float64(s[2]) + float64(s[3])
}
