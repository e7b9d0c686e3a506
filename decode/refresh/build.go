package refresh

import (
	"fmt"
	"math"
	"slices"
	"time"

	"setwitness/decode/picture"
)

// Source gives the rows of a camera frame as the screen shows them.
type Source interface {
	// Rectify fills rows [fromRow, toRow) of dst, which has the picture's size,
	// with those of the screen in that frame of the file. Only frames from
	// Builder.Oldest on are asked for.
	Rectify(dst *picture.Plane, frame, fromRow, toRow int) error
}

// BuildOptions are the choices of a Builder.
type BuildOptions struct {
	W, H  int // of the pictures
	Depth int // bits of the samples that Rectify gives, 8 to 12
	Black int // code of no light in that depth
	// Exposures is how many unmixed exposures are averaged in a band at most,
	// Unlocked how many where the refresh is not known and nothing moves; 0
	// takes 2 and 8. More lower the noise and cost as many rectified frames.
	Exposures, Unlocked int
	// Plane returns a plane for the next picture; nil makes one each time.
	Plane func(w, h, depth int) picture.Plane
}

// Built is one displayed picture.
type Built struct {
	Picture int // number of the displayed picture, see Band
	// Frame and Time are the file's frame, and its own presentation time,
	// that first shows the middle row alone (or at its best, if none does), or
	// any row if no frame shows the middle one.
	Frame int
	Time  time.Duration
	Real  float64 // capture time of that frame, s
	Y     picture.Plane
	// Trust is, for each band from the top, 1 where unmixed exposures were
	// taken, a half where one was that keeps less than the margin from an
	// update or where nothing moves, and 0 where the band is filled with the
	// least mixed.
	Trust []float64
	// Exposures is how many exposures were averaged in each band.
	Exposures []int
	// Noise is the standard deviation of one exposure's sample, in codes of
	// the source's depth; 0 while no two exposures could be compared.
	Noise  float64
	Locked bool // the refresh was known for all of it
}

const (
	defaultExposures = 2
	// defaultUnlocked brings the noise of a camera to a third, below the steps
	// of dark gradients, and evens out what light that dips leaves in single
	// frames: at 240 a second it is most of the frames that are counted as one
	// picture.
	defaultUnlocked = 8
	// MoreBits is the depth that averaging adds to the samples: sixteen steps to a code are
	// finer than the noise of any camera over two exposures.
	MoreBits = 4
	// weightBits is the precision of the weights.
	weightBits = 12
	// narrowTrust is the trust of a band whose exposure clears the update by
	// less than the margin.
	narrowTrust = 0.5
	// leastLevel is the mean code above black below which a gain is not told
	// from noise.
	leastLevel = 4.0
	// mostGain bounds a gain and its inverse: what dims more is a dip, and
	// such exposures are not averaged.
	mostGain = 2.0
)

// exposure is one frame's view of a band of a picture.
type exposure struct {
	frame int
	clear float64 // s
	share float64 // of the exposure that saw this picture
	level float64
}

// place is what was collected for one band of a picture.
type place struct {
	pure  []exposure // the clearest first, one more than are averaged
	mixed exposure   // the least mixed, where share is not 0
}

// draft is a picture that is being collected.
type draft struct {
	number int
	bands  []place
	locked bool
	frame  int // -1 until a frame shows any of it
	time   time.Duration
	real   float64
	timed  int // 2: by an unmixed middle row, 1: by a mixed one
}

// Builder collects decisions and builds the displayed pictures, in order.
type Builder struct {
	options BuildOptions
	source  Source
	emit    func(*Built) error
	drafts  []*draft
	spare   []*draft
	done    int // highest picture number that was emitted
	any     bool
	frame   int    // last frame added
	last    *Built // emitted, without its samples
	views   []view // one for each frame of the picture that is built
	noise   float64
	merger  merger
}

// NewBuilder returns a Builder that gives each picture to emit when it is
// complete. The picture's plane belongs to emit.
func NewBuilder(o BuildOptions, source Source, emit func(*Built) error) (*Builder, error) {
	if o.W <= 0 || o.H <= 0 || o.Depth < 8 || o.Depth > 16-MoreBits {
		return nil, fmt.Errorf("pictures of %dx%d samples of %d bits cannot be built", o.W, o.H, o.Depth)
	}
	if o.Exposures <= 0 {
		o.Exposures = defaultExposures
	}
	if o.Unlocked <= 0 {
		o.Unlocked = defaultUnlocked
	}
	if o.Plane == nil {
		o.Plane = picture.New
	}
	return &Builder{options: o, source: source, emit: emit}, nil
}

// Oldest returns the lowest index of a frame that may still be asked for;
// those before it can be let go.
func (b *Builder) Oldest() int {
	oldest := b.frame
	for _, d := range b.drafts {
		for i := range d.bands {
			for _, e := range d.bands[i].pure {
				oldest = min(oldest, e.frame)
			}
			if m := &d.bands[i].mixed; len(d.bands[i].pure) == 0 && m.share > 0 {
				oldest = min(oldest, m.frame)
			}
		}
	}
	return oldest
}

// Add takes the decision on the next frame and emits what is complete.
func (b *Builder) Add(d *Decision) error {
	b.frame = d.Frame
	low := math.MaxInt
	for i := range d.Bands {
		v := &d.Bands[i]
		if v.Mixed && v.Still && d.Locked {
			// As good as unmixed, of the picture that it saw more of.
			k := v.Picture
			if v.Share < 0.5 {
				k--
			}
			b.put(d, i, k, exposure{d.Frame, min(v.Clear, 0), 1, v.Level}, false)
			low = min(low, v.Picture-1)
			continue
		}
		if v.Mixed && d.Locked {
			b.put(d, i, v.Picture, exposure{d.Frame, v.Clear, v.Share, v.Level}, true)
			b.put(d, i, v.Picture-1, exposure{d.Frame, v.Clear, 1 - v.Share, v.Level}, true)
			low = min(low, v.Picture-1)
			continue
		}
		b.put(d, i, v.Picture, exposure{d.Frame, v.Clear, 1, v.Level}, v.Mixed)
		low = min(low, v.Picture)
	}
	return b.finish(low)
}

// Flush emits what is left.
func (b *Builder) Flush() error { return b.finish(math.MaxInt) }

func (b *Builder) finish(below int) error {
	for len(b.drafts) > 0 && b.drafts[0].number < below {
		d := b.drafts[0]
		b.drafts = b.drafts[:copy(b.drafts, b.drafts[1:])]
		b.done, b.any = d.number, true
		err := b.build(d)
		b.spare = append(b.spare, d)
		if err != nil {
			return err
		}
	}
	return nil
}

// put enters one frame's view of band i of a picture.
func (b *Builder) put(d *Decision, i, number int, e exposure, mixed bool) {
	if b.any && number <= b.done {
		return // a jump of the lock came back to a picture that is out
	}
	t := b.draft(number, len(d.Bands))
	if t.frame < 0 {
		// At either end of a take no frame may show the middle row.
		t.frame, t.time, t.real = d.Frame, d.Shown, d.Time
	}
	t.locked = t.locked && d.Locked
	p := &t.bands[i]
	grade := 1
	if mixed {
		if e.share > p.mixed.share {
			p.mixed = e
		} else {
			grade = 0
		}
	} else {
		grade = 2
		at := len(p.pure)
		for at > 0 && p.pure[at-1].clear < e.clear {
			at--
		}
		p.pure = slices.Insert(p.pure, at, e)
		if most := b.most(t) + 1; len(p.pure) > most {
			p.pure = p.pure[:most]
		}
	}
	// A mixed frame before the first pure one does not give the time.
	if i == len(d.Bands)/2 && (grade > t.timed || grade == 1 && t.timed == 1) {
		t.timed, t.frame, t.time, t.real = grade, d.Frame, d.Shown, d.Time
	}
}

// most is how many exposures are averaged in a band of a picture.
func (b *Builder) most(t *draft) int {
	if t.locked {
		return b.options.Exposures
	}
	return b.options.Unlocked
}

// draft returns the draft of a picture, a new one if there is none yet.
func (b *Builder) draft(number, bands int) *draft {
	at := len(b.drafts)
	for at > 0 && b.drafts[at-1].number >= number {
		at--
	}
	if at < len(b.drafts) && b.drafts[at].number == number {
		return b.drafts[at]
	}
	var t *draft
	if n := len(b.spare); n > 0 && len(b.spare[n-1].bands) == bands {
		t, b.spare = b.spare[n-1], b.spare[:n-1]
	} else {
		t = &draft{bands: make([]place, bands)}
	}
	for i := range t.bands {
		t.bands[i] = place{pure: t.bands[i].pure[:0]}
	}
	t.number, t.locked, t.timed, t.frame = number, true, 0, -1
	b.drafts = slices.Insert(b.drafts, at, t)
	return t
}

// part is one frame's weight in each band of a picture, in 1<<weightBits,
// divided by the frame's gain.
type part struct {
	frame  int
	weight []int32
}

// build makes the picture of a draft.
func (b *Builder) build(d *draft) error {
	n := len(d.bands)
	out := &Built{Picture: d.number, Frame: d.frame, Time: d.time, Real: d.real,
		Trust: make([]float64, n), Exposures: make([]int, n), Locked: d.locked}
	// Of a picture that the take ends in only the top may show, in a frame before the
	// one that shows the middle of the picture before.
	if l := b.last; l != nil && out.Time < l.Time {
		out.Frame, out.Time, out.Real = l.Frame, l.Time, l.Real
	}
	parts := b.parts(d, out)
	if len(parts) == 0 {
		return nil
	}
	for i := range parts {
		if i == len(b.views) {
			b.views = append(b.views, view{picture.New(b.options.W, b.options.H, b.options.Depth), make([]int32, b.options.H)})
		}
		if err := b.view(&b.views[i], &parts[i], n); err != nil {
			return fmt.Errorf("displayed picture %d: frame %d: %w", d.number, parts[i].frame, err)
		}
	}
	views := b.views[:len(parts)]
	if v, ok := noiseOf(views); ok {
		b.noise = v
	}
	out.Noise = b.noise
	out.Y = b.options.Plane(b.options.W, b.options.H, b.options.Depth+MoreBits)
	b.merger.merge(&out.Y, views, b.options.Black)
	b.last = &Built{Frame: out.Frame, Time: out.Time, Real: out.Real}
	return b.emit(out)
}

// parts chooses the frames of each band and their weights.
func (b *Builder) parts(d *draft, out *Built) []part {
	var parts []part
	at := func(frame, band int) *int32 {
		for i := range parts {
			if parts[i].frame == frame {
				return &parts[i].weight[band]
			}
		}
		parts = append(parts, part{frame, make([]int32, len(d.bands))})
		return &parts[len(parts)-1].weight[band]
	}
	const one = 1 << weightBits
	var empty []int
	for i := range d.bands {
		p := &d.bands[i]
		switch {
		case len(p.pure) == 0 && p.mixed.share == 0:
			empty = append(empty, i)
			continue
		case len(p.pure) == 0:
			*at(p.mixed.frame, i) = one
			out.Exposures[i] = 1
			continue
		}
		out.Trust[i] = 1
		if p.pure[0].clear < 0 {
			out.Trust[i] = narrowTrust
		}
		// Each exposure weighs as much as it is clearer than the first that
		// is left out, so that none comes or goes at once from band to band.
		use := min(len(p.pure), b.most(d))
		base := 0.0
		if len(p.pure) > use {
			base = max(p.pure[use].clear, 0)
		}
		sum := 0.0
		for _, e := range p.pure[:use] {
			sum += max(e.clear-base, 0)
		}
		if sum <= 0 && p.pure[0].clear < 0 {
			use = 1
		}
		ref := middle(p.pure)
		for _, e := range p.pure[:use] {
			w := 1 / float64(use)
			if sum > 0 {
				w = max(e.clear-base, 0) / sum
			}
			if w == 0 {
				continue
			}
			gain := 1.0
			if e.level > leastLevel && ref > leastLevel {
				gain = min(max(e.level/ref, 1/mostGain), mostGain)
			}
			*at(e.frame, i) = int32(math.Round(w / gain * one))
			out.Exposures[i]++
		}
	}
	if len(parts) == 0 {
		return nil
	}
	// A band that no frame shows takes what a frame of its neighbours has.
	for _, i := range empty {
		best := parts[0].frame
		for j := range d.bands {
			k := i + j
			if k >= len(d.bands) || out.Exposures[k] == 0 {
				k = i - j
			}
			if k >= 0 && out.Exposures[k] > 0 {
				for _, q := range parts {
					if q.weight[k] > 0 {
						best = q.frame
					}
				}
				break
			}
		}
		*at(best, i) = one
	}
	slices.SortFunc(parts, func(a, b part) int { return a.frame - b.frame })
	return parts
}

// middle returns the median level.
func middle(e []exposure) float64 {
	var v [8]float64
	n := min(len(e), len(v))
	for i := range n {
		v[i] = e[i].level
	}
	slices.Sort(v[:n])
	return (v[(n-1)/2] + v[n/2]) / 2
}

// view is what one frame gives to a picture.
type view struct {
	rows   picture.Plane
	weight []int32 // of each row, in 1<<weightBits, divided by the gain
}

// view fills a frame's rows of weight. The weights go straight from the centre
// of one band to the centre of the next.
func (b *Builder) view(v *view, p *part, bands int) error {
	h := b.options.H
	for y := range h {
		c := (float64(y)+0.5)*float64(bands)/float64(h) - 0.5
		i := int(math.Floor(c))
		f := c - float64(i)
		above, below := p.weight[max(i, 0)], p.weight[min(i+1, bands-1)]
		v.weight[y] = int32(math.Round(float64(above)*(1-f) + float64(below)*f))
	}
	for y0 := 0; y0 < h; {
		if v.weight[y0] == 0 {
			y0++
			continue
		}
		y1 := y0
		for y1 < h && v.weight[y1] != 0 {
			y1++
		}
		if err := b.source.Rectify(&v.rows, p.frame, y0, y1); err != nil {
			return err
		}
		y0 = y1
	}
	return nil
}

const (
	// noiseRows and noiseCols thin the samples that noise is measured on.
	noiseRows, noiseCols = 8, 4
	// enoughNoise is the differences that a median needs not to wander.
	enoughNoise = 400
)

// noiseOf returns the standard deviation of one exposure's sample, from the
// rows that two exposures of like gain share.
func noiseOf(views []view) (float64, bool) {
	const one = 1 << weightBits
	var bins [64]int // of differences, in codes
	n := 0
	for y := 0; y < len(views[0].weight); y += noiseRows {
		var pair []*view
		sum := int32(0)
		for i := range views {
			if w := views[i].weight[y]; w > 0 {
				pair = append(pair, &views[i])
				sum += w
			}
		}
		// Gains that differ make the weights miss their sum.
		if len(pair) < 2 || sum < one-one/64 || sum > one+one/64 {
			continue
		}
		a, b := &pair[0].rows, &pair[1].rows
		for x := 0; x < a.W; x += noiseCols {
			d := a.At(x, y) - b.At(x, y)
			bins[min(max(d, -d), len(bins)-1)]++
			n++
		}
	}
	if n < enoughNoise {
		return 0, false
	}
	sum := 0.0
	for i, c := range bins {
		if half := float64(n) / 2; sum+float64(c) >= half {
			// The median within its code, as a share of a normal
			// distribution's deviation, for the difference of two.
			const normal = 0.6745
			from, to := max(float64(i)-0.5, 0), float64(i)+0.5
			return (from + (to-from)*(half-sum)/float64(c)) / normal / math.Sqrt2, true
		}
		sum += float64(c)
	}
	return 0, false
}
