package crops

import (
	"cmp"
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/report"
)

// The fault of a place is a small part of it, and its brightest thing, or its
// liveliest, says nothing about it. So it is first looked for where the place is
// smooth but for steps: that tells which line to plot and which codes to spread.

// A step is where a line of the picture goes from one flat stretch to another.
type step struct {
	at     int     // index of the first sample behind it
	before float64 // mean code of the stretch before it
	after  float64 // and behind it
}

func (s step) size() float64 { return math.Abs(s.after - s.before) }

// A line is the mean over a few lines of the picture that lie beside each other.
type line struct {
	down  bool // along a column; else along a row
	at    int  // the first of the picture's lines
	lines int  // how many
	first int  // position of the first sample
	codes []float64
	steps []step
}

// A survey is what the lines of a place have in steps.
type survey struct {
	lines   []line
	typical float64 // size of its steps, in codes; 0 where there are none
}

// A grid is where the edges of blocks are, along an axis; of pitch 0 there is
// none.
type grid struct{ pitch, phase float64 }

const (
	// A line is a mean over so many, the height of the least block: noise falls to
	// a third, and an edge that leans by one in eight is still sharp to a pixel.
	profileAcross = 8
	// The stretches on either side of a block's edge have so many samples, those of
	// the least block with one left out on either side, where scaling may have
	// softened it.
	edgeSide, edgeSoft = 3, 1
	// Contours lean: over the lines of a mean one that leans by one in one takes as
	// many samples as these left out, and plateaus are wide.
	contourSide, contourSoft = 4, profileAcross/2 + 1
	// A stretch is flat when its samples differ by less than this share of the step.
	stepFlat = 0.5
	// What is a sixteenth of the range high or more, and half as high again as the
	// finding states, is the edge of a thing.
	stepMost, stepStated = 1.0 / 16, 1.5
	// A step counts up to so many times the typical one: few large ones do not
	// speak for all.
	stepCounts = 2
	// No grid of blocks is finer than this, in samples.
	finest = 2
)

// stated is the step that a finding states, in codes of so many bits.
func stated(f *report.Finding, depth int) float64 {
	if f.Kind == detect.Macroblocking {
		// In 8-bit codes; the least that shows is one code.
		return max(f.Measures["top_step_codes"]*float64(int(1)<<(depth-8)), 1)
	}
	return f.Measures["step_codes"]
}

// gridsOf reads the grids that a finding states.
func gridsOf(measures map[string]float64) (across, down grid) {
	of := func(axis string) grid {
		g := grid{measures["pitch_"+axis+"_px"], measures["phase_"+axis+"_px"]}
		if g.pitch < finest {
			return grid{}
		}
		return g
	}
	return of("x"), of("y")
}

// edges are those of a grid from a position on, before an end.
func (g grid) edges(from, to int) []float64 {
	var out []float64
	if g.pitch > 0 {
		for k := math.Ceil((float64(from) - g.phase) / g.pitch); g.phase+k*g.pitch < float64(to); k++ {
			out = append(out, g.phase+k*g.pitch)
		}
	}
	return out
}

// surveyOf looks for steps along the rows and columns of region r: at the edges of
// the grids, or anywhere where there are none. Where only one axis has a grid, the
// other is left alone. stated is the size that the finding states, in codes; where
// it does not, the median of what is found stands for it.
func surveyOf(p *picture.Plane, r image.Rectangle, across, down grid, stated float64) *survey {
	r = r.Intersect(image.Rect(0, 0, p.W, p.H))
	s := &survey{lines: linesOf(p, r)}
	most := max(stepMost*float64(p.Full()), stepStated*stated)
	var sizes []float64
	for i := range s.lines {
		l := &s.lines[i]
		g, other := across, down
		if l.down {
			g, other = down, across
		}
		if g.pitch == 0 && other.pitch > 0 {
			continue
		}
		l.find(g, most)
		for _, e := range l.steps {
			sizes = append(sizes, e.size())
		}
	}
	s.typical = stated
	if stated <= 0 && len(sizes) > 0 {
		slices.Sort(sizes)
		s.typical = sizes[len(sizes)/2]
	}
	return s
}

// linesOf takes the means over strips of rows and of columns.
func linesOf(p *picture.Plane, r image.Rectangle) []line {
	if r.Empty() {
		return nil
	}
	high, wide := min(profileAcross, r.Dy()), min(profileAcross, r.Dx())
	rows, columns := r.Dy()/high, r.Dx()/wide
	all := make([]line, rows+columns)
	for i := range rows {
		all[i] = line{at: r.Min.Y + i*high, lines: high, first: r.Min.X, codes: make([]float64, r.Dx())}
	}
	for i := range columns {
		all[rows+i] = line{down: true, at: r.Min.X + i*wide, lines: wide, first: r.Min.Y, codes: make([]float64, r.Dy())}
	}
	samples := make([]float64, r.Dx())
	for y := range r.Dy() {
		for x := range samples {
			samples[x] = float64(p.At(r.Min.X+x, r.Min.Y+y))
		}
		// What is left over at the end is in none.
		if row := y / high; row < rows {
			for x, v := range samples {
				all[row].codes[x] += v
			}
		}
		for c := range columns {
			sum := 0.0
			for _, v := range samples[c*wide : (c+1)*wide] {
				sum += v
			}
			all[rows+c].codes[y] = sum
		}
	}
	for i := range all {
		for k := range all[i].codes {
			all[i].codes[k] /= float64(all[i].lines)
		}
	}
	return all
}

// find looks for the steps of a line; most is the size from which one is the edge
// of a thing.
func (l *line) find(g grid, most float64) {
	if g.pitch > 0 {
		for _, x := range g.edges(l.first, l.first+len(l.codes)) {
			if e, ok := l.stepAt(int(math.Round(x))-l.first, edgeSide, edgeSoft, most); ok {
				l.steps = append(l.steps, e)
			}
		}
		return
	}
	// One that is sharp shows from several places: the middle one is its own.
	var run []step
	for i := range len(l.codes) + 1 {
		e, ok := l.stepAt(i, contourSide, contourSoft, most)
		if ok && (len(run) == 0 || (e.after > e.before) == (run[0].after > run[0].before)) {
			run = append(run, e)
			continue
		}
		if len(run) > 0 {
			l.steps, run = append(l.steps, run[len(run)/2]), nil
		}
	}
}

// stepAt tells whether there is a step at a sample, between stretches of side
// samples that stand soft samples from it.
func (l *line) stepAt(i, side, soft int, most float64) (e step, ok bool) {
	from, to := i-side-soft, i+side+soft
	if from < 0 || to > len(l.codes) {
		return e, false
	}
	before, spread := level(l.codes[from : from+side])
	after, other := level(l.codes[to-side : to])
	e = step{i, before, after}
	return e, e.size() > 0 && e.size() < most && max(spread, other) <= stepFlat*e.size()
}

// level is the mean of some samples, and how far they differ.
func level(v []float64) (mean, spread float64) {
	for _, x := range v {
		mean += x
	}
	return mean / float64(len(v)), span(v)
}

func span(v []float64) float64 { return slices.Max(v) - slices.Min(v) }

// weight is how much a step counts.
func (s *survey) weight(e step) float64 { return min(e.size(), stepCounts*s.typical) }

// best returns the stretch of a line, no longer than most samples, in which steps
// stand out, many of them and little else, and how much they do. It is nil where
// there are no steps.
func (s *survey) best(most int) (found *line, best float64) {
	for i := range s.lines {
		l := &s.lines[i]
		if len(l.steps) == 0 {
			continue
		}
		const hops = 4 // in a stretch
		for from := 0; ; from += max(most/hops, 1) {
			from = max(min(from, len(l.codes)-most), 0)
			to := min(from+most, len(l.codes))
			sum := 0.0
			for _, e := range l.steps {
				if e.at >= from && e.at < to {
					sum += s.weight(e)
				}
			}
			// Stairs of one direction add up to their range, blocks to many times
			// theirs, and a thing on the line has a range without steps.
			score := 0.0
			if sum > 0 {
				score = sum * sum / (span(l.codes[from:to]) + s.typical)
			}
			if score > best {
				cut := *l
				cut.first, cut.codes, cut.steps = l.first+from, l.codes[from:to], nil
				for _, e := range l.steps {
					if e.at >= from && e.at < to {
						e.at -= from
						cut.steps = append(cut.steps, e)
					}
				}
				found, best = &cut, score
			}
			if to == len(l.codes) {
				break
			}
		}
	}
	return found, best
}

// codes returns the stretch of codes, no more than width, that holds most of the
// steps, without the strays at its ends; ok is false where there are none.
func (s *survey) codes(width float64) (low, high float64, ok bool) {
	type held struct{ low, high, weight float64 }
	var all []held
	for i := range s.lines {
		for _, e := range s.lines[i].steps {
			if h := (held{min(e.before, e.after), max(e.before, e.after), s.weight(e)}); h.high-h.low <= width {
				all = append(all, h)
			}
		}
	}
	slices.SortFunc(all, func(a, b held) int { return cmp.Compare(a.low, b.low) })
	most, sum, from := 0.0, 0.0, 0
	var in []held
	for to, e := range all {
		sum += e.weight
		// By its lower side: a step is small, and few reach beyond the end.
		for e.high-all[from].low > width {
			sum -= all[from].weight
			from++
		}
		if sum > most {
			most, in = sum, all[from:to+1]
		}
	}
	if most == 0 {
		return 0, 0, false
	}
	const strays = 0.03 // of the steps, at either end
	low, high = in[0].low, in[len(in)-1].high
	left := strays * most
	for _, e := range in {
		if low, left = e.low, left-e.weight; left < 0 {
			break
		}
	}
	slices.SortFunc(in, func(a, b held) int { return cmp.Compare(b.high, a.high) })
	left = strays * most
	for _, e := range in {
		if high, left = e.high, left-e.weight; left < 0 {
			break
		}
	}
	return low, high, true
}
