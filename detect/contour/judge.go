package contour

import (
	"image"
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
)

// Evidence that contours are a gradient's and not drawn. All lengths are shares
// of the height of the picture.
const (
	// fewSteps is the largest step, codes of 8 bits, of which two contours in a
	// row are enough; for each further one of moreStep, as far as steps are measured by
	// toldStep, one contour more: what keeps every fourth code has just as many. Things
	// are drawn in tones that lie apart.
	fewSteps, moreStep, toldStep = 4.0, 4.0, 0.2
	leastContours                = 2
	mostContours                 = 6
	// drawnContours are wanted where more than manyStraight of the contours are straight,
	// and drawnMore where the step is also large: so are edges of things, while few of a
	// curved slope's contours are straight by chance.
	manyStraight, drawnContours, drawnMore = 1.0 / 3, 3, 2
	// uprightContours are wanted where they run along rows or columns, and steps
	// of no more than uprightStep codes of 8 bits: so do staircases and
	// graphics, which have a dozen levels or fewer (ITU-R BT.2111: eleven).
	uprightContours, uprightStep = 13, 8.0
	// As many are wanted where the straight ones are less parallel than leastParallel, by
	// 20 degrees one way and the other: those of a slope lie side by side, while facets
	// and rays are drawn in every direction.
	leastParallel = 0.75
	// leastWide is the width of the plateaus, as a share of the width of the
	// picture, that the window of a jump needs.
	leastWide = 1.0 / 200
	// leastLength is the length of all contours together: each of the least number of
	// them goes once from top to bottom. Round a thing that is drawn in a few tones
	// they are shorter.
	leastLength = 2.0
	// filmedLength is that in what a camera saw, whose noise leaves parts of contours.
	filmedLength = 1.0
	// Plateaus of fewer raster pixels than narrow may be blocks of a codec, which
	// rounds a slope block by block, 8 or 16 wide, and those of less than twice
	// leastWide are told less surely: there have to be narrowMore contours more, and
	// as long as narrowLength.
	narrow, narrowMore, narrowLength = 20.0, 6, 4.0
	// mostGridded is the share of contours on the grid of a codec's blocks that
	// chance explains: an eighth to a quarter, as one sample or two fall on it.
	mostGridded = 0.35
	// A codec that rounds a slope block by block does so to other levels in each
	// place: what differs from contour to contour by less than agreed of the step,
	// where chance leaves 0.14 of steps that count as the same, was made by one
	// table. Of leastRepeats, chance does so once in two hundred, and of more where they
	// differ by more as well: see byTable.
	agreed, leastRepeats = 0.05, 6
	// leastTable is the least step, codes of 8 bits, of which that says something: of
	// two codes and less levels agree because they are whole codes, of the take or of
	// the 8 bits that a take of more was made from.
	leastTable = 2.5
	// mostStray is by how much of the step levels differ that no table made: those of
	// what a table broke agree to 0.04, also after a coder, and to 0.1 where it broke each
	// primary by itself; chance leaves 0.14 and more. Of fewRepeats and more, oddsStray is
	// the weight of what is more: at chance as much as three contours.
	fewRepeats, mostStray, oddsStray = 3, 0.1, 40.0
	// Weights of the evidence, natural logarithm of the odds.
	oddsContour, oddsLength, oddsMost, oddsGrid = 0.5, 3.0, 3.0, 12.0
	// leastFell is the share of the length of contours that were a slope in the look before,
	// for what shows them to have been one: a thing that appears on a plain field has as
	// much of its outermost only. Of fellSteps and more steps half is enough: that field
	// is as high as two of them. fellLength is the share of the other lengths that is wanted then.
	leastFell, halfFell, fellSteps, fellLength = 0.75, 0.5, 3, 0.5
	// mostPainted is the share of contours that part two colours by chance: where two
	// primaries lose a level at the same place. oddsPainted is the weight of more.
	mostPainted, oddsPainted = 0.25, 5.0
)

// colourStep is how many codes of chroma count as one of luma where things are
// told from gradients: colours that are drawn lie farther apart.
const colourStep = 2

// byTable reports whether levels agree as one table makes them: less than chance
// lets them once in two hundred times (Wilson and Hilferty's cube root of chi squared).
func (p *Part) byTable() bool {
	const chance, rare = 0.14, 2.58 // by how much levels differ, deviations of a normal distribution
	n := float64(p.Repeats)
	return p.Repeats >= leastRepeats && sq(p.Agree/chance) < math.Pow(1-2/(9*n)-rare*math.Sqrt(2/(9*n)), 3)
}

// odds is the evidence, natural logarithm, that a part of a gradient was broken
// into plateaus rather than drawn or left by a codec.
func (p *Part) odds(f picture.Format, c Channel) float64 {
	step := p.Step / math.Ldexp(1, f.Depth-8)
	table := step >= leastTable && p.byTable()
	if p.Wide < leastWide*float64(f.W) {
		return math.Inf(-1)
	}
	if c != Luma {
		step /= colourStep
	}
	length := leastLength
	if p.filmed {
		length = filmedLength
	}
	wanted := min(leastContours+math.Ceil(max(0, step-fewSteps-toldStep)/moreStep), mostContours)
	if p.fell {
		// Whatever it looks like: nothing that is drawn was a slope a moment ago.
		wanted, length = leastContours-1, length*fellLength
	} else if p.Straight > manyStraight {
		wanted = max(wanted, drawnContours)
		if step > fewSteps {
			wanted += drawnMore
		}
		if p.Parallel < leastParallel {
			wanted = max(wanted, uprightContours)
		}
	}
	const most = 0.5 // of the length
	// What is drawn in other colours differs in luma as well, wherever it lies.
	if p.Upright > most && c == Luma && !p.fell {
		if step > uprightStep {
			return math.Inf(-1)
		}
		wanted = max(wanted, uprightContours)
	}
	if p.Wide < max(narrow, 2*leastWide*float64(f.W)) && !table {
		wanted += narrowMore
		length = narrowLength
	}
	odds := oddsContour*(p.Levels-1-wanted+0.5) + oddsLength*min(0, p.Length/float64(f.H)/length-1)
	odds = min(odds, oddsMost)
	if p.Repeats >= fewRepeats {
		odds -= oddsStray * max(0, p.Agree-mostStray)
	}
	odds -= oddsPainted * max(0, p.Painted-mostPainted)
	if !table {
		odds -= oddsGrid * max(0, p.Gridded-mostGridded)
	}
	return odds
}

// memory is what a detector saw lately: what shows in one picture alone is left
// to chance.
type memory struct {
	look   int
	sights []sight
}

type sight struct {
	look      int
	channel   Channel
	region    image.Rectangle
	low, high float64
	// fell holds the steps of what was a slope in a look before.
	fell []stair
	// mark waits for another look that shows the same; nil once it was left.
	mark *detect.Mark
}

// lately is how many looks back a plane was looked at last: those of chroma take
// turns.
const lately = 2

// fell reports whether a part was a slope in the look before, or is much the same as one
// that was: its steps lie between the same levels, which those of what is faded in do not.
func (m *memory) fell(c Channel, p *Part) bool {
	if p.Fell >= leastFell && p.Levels > leastContours || p.Fell >= halfFell && p.FellSteps >= fellSteps {
		return true
	}
	for i := range m.sights {
		s := &m.sights[i]
		if s.look == m.look || s.channel != c || len(s.fell) == 0 || !s.region.Overlaps(p.Region) {
			continue
		}
		same := 0
		for _, a := range p.run {
			if slices.ContainsFunc(s.fell, func(b stair) bool {
				tol := levelsAgree * min(a.step(), b.step())
				return math.Abs(a.low-b.low) < tol && math.Abs(a.high-b.high) < tol
			}) {
				same++
			}
		}
		if same >= leastContours && 2*same >= len(s.fell) {
			return true
		}
	}
	return false
}

// begin starts a new picture.
func (m *memory) begin() {
	m.look++
	m.sights = slices.DeleteFunc(m.sights, func(s sight) bool { return s.look < m.look-lately })
}

// again notes a part, and the mark that would be left of it, and reports whether
// it was seen before. The marks of what was seen before and not yet left are
// given to leave.
func (m *memory) again(c Channel, p *Part, mark detect.Mark, leave func(detect.Mark)) bool {
	seen := false
	for i := range m.sights {
		s := &m.sights[i]
		if s.look == m.look || s.channel != c || !s.region.Overlaps(p.Region) || s.low >= p.High || p.Low >= s.high {
			continue
		}
		seen = true
		if s.mark != nil {
			leave(*s.mark)
			s.mark = nil
		}
	}
	s := sight{look: m.look, channel: c, region: p.Region, low: p.Low, high: p.High}
	if p.fell {
		s.fell = slices.Clone(p.run)
	}
	if !seen {
		s.mark = &mark
	}
	m.sights = append(m.sights, s)
	return seen
}

// doubtful is the most confidence in what is seen for the first time: it only
// extends an event that looks after it carry.
const doubtful = 0.45

func confidence(odds float64) float64 { return 1 / (1 + math.Exp(-odds)) }

const (
	// A cell is flat if its pixels stray by less than flatCell of the step, standard
	// deviation: a hundredth of it may then lie beyond a contour. From asideCell of
	// the step on its level is none of the plateaus beside it: a codec leaves less.
	flatCell, asideCell = 0.1, 0.2
	// mostOthers is the share of flat cells with other levels that coders leave,
	// which blend what had grain before it fell into plateaus, oddsOthers the weight
	// of what is more, and againstOthers the most that it weighs: where a table broke
	// each primary by itself, other hues have other levels.
	mostOthers, oddsOthers, againstOthers = 0.25, 8.0, 2.0
	// leastFlat is the share of the picture that flat cells have to be to say so.
	leastFlat = 0.01
)

// others is the share of the flat cells between the lowest and the highest level of
// a part, anywhere in the picture, that have none of its levels. A table leaves no
// such places; where things are drawn in a few tones, others are painted in between.
func (p *Part) others(m *cells.Map) float64 {
	flat, others := 0, 0
	for i := range m.Cells {
		c := &m.Cells[i]
		n := float64(c.Pixels)
		mean := float64(c.Sum) / n
		if mean < p.Low || mean > p.High || float64(c.SumSq)/n-sq(mean) > sq(flatCell*p.Step) {
			continue
		}
		flat++
		near := math.Inf(1)
		for _, s := range p.run {
			near = min(near, math.Abs(mean-s.low), math.Abs(mean-s.high))
		}
		if near > asideCell*p.Step {
			others++
		}
	}
	return float64(others) / max(float64(flat), leastFlat*float64(len(m.Cells)))
}
