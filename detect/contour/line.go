package contour

import "setwitness/detect/cells"

// one is a code of 8 bits in the unit of a line's samples, whatever the depth
// of the take.
const one = cells.LineUnit

// edge is a place on a line where the level changes from one plateau to
// another.
type edge struct {
	line        int32
	at          float32 // between which samples
	left, right float32 // levels on either side
	step        float32 // right less left
	wide        float32 // the shorter of the two plateaus, samples
	next        int32   // edge on the same line at the other end of the right plateau, or -1
	before      int32   // edge of the same contour on an earlier line, or -1
	contour     int32   // or -1
}

// liner finds the edges of lines.
type liner struct {
	kernel cells.Lines
	half   int              // samples on either side over which a jump is taken
	least  *[levels]float32 // the least step at each level
	jumps  [levels]int32    // the least jump, half times
	lowest int32            // of them
	peaks  []cells.Peak     // that prominent keeps
	// drifts is set for what a camera saw: its lens darkens the corners, so that
	// plateaus slope and levels change along a contour. Steps stay.
	drifts bool
	// coarse is set where samples are means of many, so that few make a plateau.
	coarse bool
	sums   []int32 // of the samples before each
}

// levels is how many codes of 8 bits there are.
const levels = cells.LineLevels

// prepare sets what is looked for, on lines of so many samples.
func (l *liner) prepare(half int, least *[levels]float32, long int) {
	l.half, l.least = half, least
	for i, s := range least {
		l.jumps[i] = int32(peakShare * float32(half) * s)
		if i == 0 || l.jumps[i] < l.lowest {
			l.lowest = l.jumps[i]
		}
	}
	l.sums = make([]int32, long+1)
}

const (
	// An edge may take up to so many samples on either side: the samples are
	// averages of two pixels each way, a codec's deblocking filter smooths three
	// pixels on either side of a block's border, and its transform rings a few
	// more.
	leastBlurred, mostBlurred, moreBlurred = 2, 6, 2
	// crisp is how many times as wide as an edge its plateaus are at least.
	crisp = 2
	// nearBy is as much of a plateau as is looked at for its level at an edge.
	nearBy = 16
	// peakShare is the share of the least step that a jump has to have: its
	// window holds some of the transition.
	peakShare = 0.7
	// A plateau may rise or fall over its whole length by this share of the
	// step, and stray from its mean by that: what a codec leaves.
	flatDrift, flatStray = 0.3, 0.15
	// slopeShare is the share of the step by which a plateau of a few coarse samples rises
	// or falls as it goes on, from edge to edge: a slope that is steeper here and there
	// does so by most of what it takes for a step.
	slopeShare = 0.5
	// filmed is how many times as much plateaus drift and stray in what a camera
	// saw: its lens darkens the corners, and its codec is quick.
	filmed = 2
)

// find appends the edges of a line of samples to out.
func (l *liner) find(out []edge, line int, v []int32) []edge {
	peaks := l.kernel.Peaks(v, l.half, &l.jumps, l.lowest, 2*(l.half+mostBlurred), l.sums)
	if l.drifts {
		peaks = l.prominent(peaks)
	}
	last := -1 // edge that ends at the plateau in hand
	lastEnd := 0
	for i, p := range peaks {
		from, to := 0, len(v)
		if i > 0 {
			from = int(peaks[i-1].At) + leastBlurred
		}
		if i+1 < len(peaks) {
			to = int(peaks[i+1].At) - leastBlurred
		}
		a, b, ok := l.sides(v, p, from, to)
		if !ok {
			last = -1
			continue
		}
		e := edge{line: int32(line), at: float32(a+b) / 2, next: -1, before: -1, contour: -1}
		e.left, e.right = l.mean(max(from, a-nearBy), a), l.mean(b, min(to, b+nearBy))
		e.step = e.right - e.left
		e.wide = float32(min(a-from, to-b))
		// The plateau before ends at this edge, and is flat as a whole.
		if last >= 0 && out[last].step*e.step > 0 && (l.drifts || l.flat(v, lastEnd, a, min(magnitude(e.step), magnitude(out[last].step)))) {
			out[last].next = int32(len(out))
		}
		out = append(out, e)
		last, lastEnd = len(out)-1, b
	}
	return out
}

const (
	// overshadowed is the share of the jump of another nearby that a jump has at
	// least, in what a camera saw: its codec leaves small ones in every plateau.
	overshadowed = 0.45
	// nearPeaks is how far off, samples, another jump is nearby.
	nearPeaks = 80
)

// prominent returns the peaks that none nearby overshadows, in the memory of l.
func (l *liner) prominent(peaks []cells.Peak) []cells.Peak {
	l.peaks = l.peaks[:0]
	first := 0
	for i, p := range peaks {
		for peaks[first].At < p.At-nearPeaks {
			first++
		}
		most := int32(0)
		for k := first; k < len(peaks) && peaks[k].At <= p.At+nearPeaks; k++ {
			most = max(most, peaks[k].Jump, -peaks[k].Jump)
		}
		if p.Jump == 0 || magnitude(float32(p.Jump)) >= overshadowed*float32(most) {
			l.peaks = append(l.peaks, peaks[i])
		}
	}
	return l.peaks
}

// sides returns where the plateau before a peak ends and the one after it
// begins, neither of which may reach beyond from and to.
func (l *liner) sides(v []int32, p cells.Peak, from, to int) (a, b int, ok bool) {
	if p.Jump == 0 {
		return 0, 0, false
	}
	for blurred := leastBlurred; blurred <= mostBlurred; blurred += moreBlurred {
		a, b = int(p.At)-blurred, int(p.At)+blurred
		least := max(l.half, crisp*(blurred-leastBlurred))
		if a-from < least || to-b < least {
			return 0, 0, false
		}
		left, right := max(from, a-nearBy), min(to, b+nearBy)
		before, after := l.mean(left, a), l.mean(b, right)
		step := after - before
		size := magnitude(step)
		if (step > 0) != (p.Jump > 0) || size < l.leastAt((before+after)/2) {
			continue
		}
		if l.flat(v, left, a, size) && l.flat(v, b, right, size) {
			return a, b, true
		}
	}
	return 0, 0, false
}

func (l *liner) leastAt(level float32) float32 {
	return l.least[min(max(int(level/one), 0), len(l.least)-1)]
}

func (l *liner) mean(from, to int) float32 {
	return float32(l.sums[to]-l.sums[from]) / float32(to-from)
}

// flat reports whether samples from from to to are a plateau beside a step.
func (l *liner) flat(v []int32, from, to int, step float32) bool {
	n := to - from
	if n <= 0 {
		return false
	}
	if l.drifts {
		step *= filmed
	}
	if drift := magnitude(l.mean(from, from+n/2) - l.mean(to-n/2, to)); n >= 4 && drift > flatDrift*step ||
		l.coarse && n >= 2 && drift*float32(n+2*leastBlurred) > slopeShare*step*float32(n-n/2) {
		return false
	}
	m := int32(l.mean(from, to))
	var stray int32
	for _, s := range v[from:to] {
		stray += abs(s - m)
	}
	return float32(stray) <= flatStray*step*float32(n)
}

func abs(v int32) int32 { return max(v, -v) }

func magnitude(v float32) float32 { return max(v, -v) }
