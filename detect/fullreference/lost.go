package fullreference

import (
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
)

// Transfer is how much of the source's detail a take has over its whole length.
type Transfer struct {
	Band Band
	// Kept is the amplitude of the take's detail as a share of the source's: the
	// median over places, for each of the contrasts that Contrasts begin; 0 where
	// too few places have it.
	Kept [contrasts]float64
	// Error is how far the take's detail strays from the source's where both have
	// much of it, in codes (root mean square): coding, noise and laying together.
	Error float64
	// expected is what a place of each contrast should have kept.
	expected [contrasts]float64
	error    float64 // of coding and noise alone
}

// Ends are the shares that are kept where contrast is lowest and where it is
// highest, of those that are known; 0 where none is.
func (t *Transfer) Ends() (faint, strong float64) {
	for _, v := range t.Kept {
		if v > 0 {
			if faint == 0 {
				faint = v
			}
			strong = v
		}
	}
	return faint, strong
}

// contrasts is how many classes of contrast places are sorted into: from
// firstContrast codes on (root mean square in the band), each twice the one before.
const (
	contrasts     = 5
	firstContrast = 2.0
)

// contrast is the class of an amplitude, -1 below the first.
func contrast(amplitude float64) int {
	if amplitude < firstContrast {
		return -1
	}
	return min(contrasts-1, int(math.Log2(amplitude/firstContrast)))
}

const (
	// fewPlaces of a contrast do not say what is usual for it.
	fewPlaces = 40
	// aboveError is by how much the detail of the source in a place has to exceed
	// what coding and noise do to it elsewhere: a codec drops what is smaller than
	// half of its step, and its error where it keeps detail is a third of the step.
	aboveError = 3.5
	// lostShare of the amplitude that is usual has to be lost in a place.
	lostShare = 0.3
	// leastCoarse is the contrast of coarse detail, in codes (root mean square), that
	// a place needs to be known again, coarseKept what has to be kept of it, and
	// coarseAlike how alike it has to be (correlation): the place then shows the same.
	leastCoarse, coarseKept, coarseAlike = 1.5, 0.5, 0.7
	// square is by how little the scales across and down may differ for the same to
	// be kept of both.
	square = 0.05
)

// Transfers measures what a take keeps.
func Transfers(samples []*Sample, scaleX, scaleY float64) [Bands]Transfer {
	var out [Bands]Transfer
	for b := range out {
		t := &out[b]
		t.Band = Band(b)
		var kept [contrasts][]float64
		var errors []float64
		for _, s := range samples {
			for i := range s.Cells {
				c := &s.Cells[i]
				e := c.bands[b]
				k := contrast(e.amplitude())
				if !c.same() || k < 0 {
					continue
				}
				kept[k] = append(kept[k], e.kept())
				errors = append(errors, math.Sqrt(max(0, float64(e.take-e.both*e.both/e.source))))
			}
		}
		for k, list := range kept {
			if len(list) >= fewPlaces {
				t.Kept[k] = median(list)
			}
		}
		if len(errors) >= fewPlaces {
			t.Error = median(errors)
			t.error = t.Error
		}
		// Little contrast is not kept better than much of it, but for noise: what is
		// usual for a class is at least that of the next.
		for k := contrasts - 1; k >= 0; k-- {
			t.expected[k] = t.Kept[k]
			if k+1 < contrasts {
				t.expected[k] = max(t.Kept[k], t.expected[k+1])
			}
		}
	}
	if math.Abs(scaleX/scaleY-1) < square {
		for b := range DownFine {
			for k := range contrasts {
				most := max(out[b].expected[k], out[b+DownFine].expected[k])
				out[b].expected[k], out[b+DownFine].expected[k] = most, most
			}
			// What a set folds into one direction is no error of coding.
			least := min(out[b].Error, out[b+DownFine].Error)
			out[b].error, out[b+DownFine].error = least, least
		}
	}
	return out
}

// same reports whether a place shows the same in both.
func (c *Cell) same() bool {
	e := c.coarse
	return c.known && e.source >= leastCoarse*leastCoarse && e.take >= coarseKept*coarseKept*e.source &&
		float64(e.both) >= coarseAlike*math.Sqrt(float64(e.take)*float64(e.source))
}

// median sorts the list.
func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

// lost is how much of the amplitude that is usual a place lacks, for each band, and
// whether any could be told.
func (c *Cell) lost(t *[Bands]Transfer) (lost [Bands]float64, told bool) {
	for b := range lost {
		lost[b] = math.NaN()
		e := c.bands[b]
		k := contrast(e.amplitude())
		if !c.same() || k < 0 || t[b].expected[k] == 0 || e.amplitude()*t[b].expected[k] < aboveError*t[b].error {
			continue
		}
		lost[b], told = 1-e.kept()/t[b].expected[k], true
	}
	return lost, told
}

// What names what is lost.
type What string

// The differences.
const (
	FineDetail   What = "fine-detail"
	DownDetail   What = "vertical-detail"
	AcrossDetail What = "horizontal-detail"
)

// Difference is where and when a take lacks detail that its source has.
type Difference struct {
	What        What
	First, Last int // pictures of the take
	Peak, Of    int // picture of the take in which the most is lost, and what it shows of the source
	Region      image.Rectangle
	PeakRegion  image.Rectangle
	// Lost is how much of the amplitude is lost in the places at the peak, for each
	// band: the median of those that had any to lose; NaN where none had.
	Lost [Bands]float64
	// Codes is the amplitude that is lost, of a grating in the middle of the band
	// that lost the most codes, and Worst that band; Mean is the code of the places.
	Codes, Mean float64
	Worst       Band
	// Focus is where at the peak the most is lost, in pixels.
	Focus image.Point
	// Moving and Dark are the shares of the places where the source moves, and that
	// are dark, MovingElse and DarkElse the same among places that kept theirs.
	Moving, MovingElse, Dark, DarkElse float64
	// Places is how many cells lost detail at the peak, and Told how many there
	// had some that could have been.
	Places, Told int
	Samples      int
}

const (
	// leastCells is how many cells that touch are a place to look at: a patch of
	// fifty pixels squared and more.
	leastCells = 5
	// Most of the cells around one that lost detail in a band have to have lost it as
	// well, where they have any, and so many at least: codecs drop it here and there.
	// Around is so many cells to each side.
	aroundLost, leastAround, aroundCells = 0.6, 2, 2
	// lasting samples or more show it, or one in which a good part of all places
	// that could have lost detail did.
	lasting  = 2
	goodPart = 0.5
	// moves is by how many codes a place changes from one picture to the next to
	// move, and darkCode the code below which it is dark (a fifth of the signal's
	// range: a tenth of the light and less).
	moves, darkCode = 1.5, 60
)

// cluster is cells of one sample that touch.
type cluster struct {
	sample int // in the list
	cells  []int
	lost   [Bands]float64
	region image.Rectangle // cells
	told   int             // cells of the sample that could have lost detail
	joined bool
}

// Differences finds where detail is lost against what the take keeps elsewhere.
func Differences(samples []*Sample, t *[Bands]Transfer) []Difference {
	var all []cluster
	for i, s := range samples {
		all = append(all, s.clusters(i, t)...)
	}
	var out []Difference
	for i := range all {
		if all[i].joined {
			continue
		}
		group := []*cluster{&all[i]}
		all[i].joined = true
		for k := i + 1; k < len(all); k++ {
			newest := group[len(group)-1]
			if all[k].sample > newest.sample+1 {
				break
			}
			if !all[k].joined && touches(group, &all[k]) {
				all[k].joined = true
				group = append(group, &all[k])
			}
		}
		if d, ok := difference(samples, group, t); ok {
			out = append(out, d)
		}
	}
	return out
}

// touches reports whether a cluster lies beside one of the newest samples of a
// group.
func touches(group []*cluster, c *cluster) bool {
	for k := len(group) - 1; k >= 0 && group[k].sample >= c.sample-1; k-- {
		if group[k].region.Inset(-1).Overlaps(c.region) {
			return true
		}
	}
	return false
}

// clusters are the cells of a sample that lost detail in a band, where most of
// those around did.
func (s *Sample) clusters(at int, t *[Bands]Transfer) []cluster {
	lost := make([][Bands]float64, len(s.Cells))
	all := 0
	for i := range s.Cells {
		var told bool
		if lost[i], told = s.Cells[i].lost(t); told {
			all++
		}
	}
	solid := make([]bool, len(s.Cells))
	for i := range s.Cells {
		for b, own := range lost[i] {
			if !(own >= lostShare) {
				continue
			}
			n, of := 0, 0
			s.near(i, func(k int) {
				if v := lost[k][b]; !math.IsNaN(v) {
					of++
					if v >= lostShare {
						n++
					}
				}
			})
			solid[i] = solid[i] || n >= leastAround && float64(n) >= aroundLost*float64(of)
		}
	}
	var out []cluster
	seen := make([]bool, len(s.Cells))
	for i := range s.Cells {
		if !solid[i] || seen[i] {
			continue
		}
		c := cluster{sample: at, told: all}
		seen[i] = true
		for queue := []int{i}; len(queue) > 0; queue = queue[1:] {
			k := queue[0]
			c.cells = append(c.cells, k)
			x, y := k%s.Cols, k/s.Cols
			c.region = c.region.Union(image.Rect(x, y, x+1, y+1))
			s.near(k, func(n int) {
				if solid[n] && !seen[n] {
					seen[n] = true
					queue = append(queue, n)
				}
			})
		}
		if len(c.cells) >= leastCells {
			out = append(out, c)
		}
	}
	return out
}

// near calls do with the cells around one.
func (s *Sample) near(i int, do func(k int)) {
	x, y := i%s.Cols, i/s.Cols
	for j := max(0, y-aroundCells); j <= min(s.Rows-1, y+aroundCells); j++ {
		for k := max(0, x-aroundCells); k <= min(s.Cols-1, x+aroundCells); k++ {
			if at := j*s.Cols + k; at != i {
				do(at)
			}
		}
	}
}

// difference describes clusters that belong together.
func difference(samples []*Sample, group []*cluster, t *[Bands]Transfer) (Difference, bool) {
	d := Difference{First: samples[group[0].sample].Picture}
	var strongest *cluster
	last := -1 // newest sample
	for _, c := range group {
		if c.sample != last {
			d.Samples++
		}
		last = max(last, c.sample)
		d.Region = d.Region.Union(c.region)
		if strongest == nil || len(c.cells) > len(strongest.cells) {
			strongest = c
		}
	}
	d.Last = samples[last].Picture
	if d.Samples < lasting && float64(len(strongest.cells)) < goodPart*float64(strongest.told) {
		return d, false
	}
	s := samples[strongest.sample]
	d.Peak, d.Of, d.PeakRegion, d.Places, d.Told = s.Picture, s.Of, pixels(strongest.region), len(strongest.cells), strongest.told
	d.Region = pixels(d.Region)
	d.describe(s, strongest, t)
	return d, true
}

func pixels(cells image.Rectangle) image.Rectangle {
	return image.Rect(cells.Min.X*Side, cells.Min.Y*Side, cells.Max.X*Side, cells.Max.Y*Side)
}

// describe measures what is lost at the peak.
func (d *Difference) describe(s *Sample, c *cluster, t *[Bands]Transfer) {
	in := make([]bool, len(s.Cells))
	for _, i := range c.cells {
		in[i] = true
	}
	var lost, codes [Bands][]float64
	var means []float64
	var moving, dark, n, movingElse, darkElse, others float64
	gone := make([]float64, len(s.Cells)) // codes
	for i := range s.Cells {
		q := &s.Cells[i]
		l, told := q.lost(t)
		if !told {
			continue
		}
		count := func(v *float64, is bool) {
			if is {
				*v++
			}
		}
		if !in[i] {
			others++
			count(&movingElse, q.motion >= moves)
			count(&darkElse, q.mean < darkCode)
			continue
		}
		n++
		count(&moving, q.motion >= moves)
		count(&dark, q.mean < darkCode)
		means = append(means, float64(q.mean))
		for b := range l {
			if math.IsNaN(l[b]) {
				continue
			}
			e := q.bands[b]
			usual := t[b].expected[contrast(e.amplitude())]
			lost[b] = append(lost[b], l[b])
			v := math.Sqrt2 * (usual - e.kept()) * e.amplitude() / Band(b).gain()
			codes[b] = append(codes[b], v)
			gone[i] += v
		}
	}
	for b := range lost {
		d.Lost[b] = math.NaN()
		if 2*len(lost[b]) < int(n) {
			continue // most of the places have no such detail
		}
		d.Lost[b] = median(lost[b])
		if v := median(codes[b]); v > d.Codes {
			d.Codes, d.Worst = v, Band(b)
		}
	}
	d.Mean = median(means)
	d.Focus = s.focus(c.cells, gone)
	d.Moving, d.Dark = moving/n, dark/n
	d.MovingElse, d.DarkElse = movingElse/max(others, 1), darkElse/max(others, 1)
	across, down := most(d.Lost[AcrossFine:DownFine]), most(d.Lost[DownFine:])
	switch {
	case down >= lostShare && across < down/2:
		d.What = DownDetail
	case across >= lostShare && down < across/2:
		d.What = AcrossDetail
	default:
		d.What = FineDetail
	}
}

// focus is the middle of the cell around which the most is lost.
func (s *Sample) focus(cells []int, gone []float64) image.Point {
	best, most := cells[0], -1.0
	for _, i := range cells {
		sum := gone[i]
		s.near(i, func(k int) { sum += gone[k] })
		if sum > most {
			best, most = i, sum
		}
	}
	return image.Pt(best%s.Cols*Side+Side/2, best/s.Cols*Side+Side/2)
}

// Why says where detail is lost and where it is not, as far as that tells.
func (d *Difference) Why() string {
	s := fmt.Sprintf("%d of %d places that have such detail in the source lost it", d.Places, d.Told)
	const nearlyAll, few = 0.8, 0.5
	var which []string
	if d.Moving >= nearlyAll && d.MovingElse <= few {
		which = append(which, "move")
	}
	if d.Dark >= nearlyAll && d.DarkElse <= few {
		which = append(which, "are dark")
	}
	if len(which) > 0 && d.Places < d.Told {
		s += ", nearly all of which " + strings.Join(which, " and ") + " while most of the others do not"
	}
	return s
}

// most is the largest of values that are known, 0 where none is.
func most(list []float64) float64 {
	v := 0.0
	for _, x := range list {
		if x > v {
			v = x
		}
	}
	return v
}
