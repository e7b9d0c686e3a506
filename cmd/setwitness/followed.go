package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"slices"
	"sort"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/fullreference"
	"setwitness/detect/origin"
	"setwitness/detect/vision"
	"setwitness/report"
	"setwitness/report/page"
)

// reel is the source, read in order beside the take. It keeps the newest pictures.
type reel struct {
	w    *witness
	take take
	kept map[int]*kept
	last int // newest picture that was read; -1 before the first
	end  bool
}

// kept is a picture of the source: as it is, and small, once that is asked for.
type kept struct {
	picture *picture.Picture
	small   *origin.Reduced
}

// reelReach is how many pictures of the source around the one that is looked for
// are kept: a field is filled in from those beside it.
const reelReach = fullreference.Reach + 2

// at reads on until the pictures around k are there.
func (r *reel) at(ctx context.Context, k int) error {
	for i, p := range r.kept {
		if i < k-reelReach || i > k+reelReach {
			p.picture.Release()
			delete(r.kept, i)
		}
	}
	// What lies behind is read anew, and what lies far ahead from a key frame on.
	const far = 100 // pictures: less than most key frames are apart
	if first := max(0, k-reelReach); r.take == nil || first <= r.last && r.kept[first] == nil || first > r.last+far {
		if err := r.open(ctx, first); err != nil {
			return err
		}
	}
	for r.last < k+reelReach && !r.end {
		p, err := r.take.Next(ctx)
		if errors.Is(err, io.EOF) {
			r.end = true
			return nil
		}
		if err != nil {
			return err
		}
		// After a seek a picture is known by its time.
		r.last = sort.Search(len(r.w.ref.times), func(i int) bool { return r.w.ref.times[i] >= p.Time })
		if r.last < k-reelReach || r.last >= len(r.w.ref.times) {
			p.Release()
			continue
		}
		if old := r.kept[r.last]; old != nil {
			old.picture.Release()
		}
		r.kept[r.last] = &kept{picture: p}
	}
	return nil
}

func (r *reel) open(ctx context.Context, first int) error {
	r.close()
	t, err := r.w.s.f.open(r.w.ref.path, decode.Options{Threads: r.w.s.o.threads})
	if err != nil {
		return err
	}
	r.take, r.last, r.end = t, -1, false
	if s, ok := t.(seeker); ok {
		return s.From(ctx, r.w.ref.keys, r.w.ref.times[first])
	}
	return nil
}

func (r *reel) close() {
	for i, p := range r.kept {
		p.picture.Release()
		delete(r.kept, i)
	}
	if r.take != nil {
		r.take.Close()
		r.take = nil
	}
}

// small is a picture of the source for origin and fullreference; nil where it is
// not among those that are kept.
func (r *reel) small(k int) *origin.Reduced {
	p := r.kept[k]
	if p == nil {
		return nil
	}
	if p.small == nil {
		p.small = origin.Deinterlaced(r.picture(k-1), p.picture, r.picture(k+1), registeredColumns).Soft(1)
	}
	return p.small
}

func (r *reel) picture(k int) *picture.Picture {
	if p := r.kept[k]; p != nil {
		return p.picture
	}
	return nil
}

// followed is what came of going through take and source side by side.
type followed struct {
	shown   []fullreference.Shown   // for each picture of the take
	samples []*fullreference.Sample // of their detail
}

// So much of a take, in life, goes by from one look at its detail to the next, and
// no more looks are taken: that bounds time and memory.
const (
	detailEvery = 200 * time.Millisecond
	mostLooks   = 400
)

// follow goes through take and source side by side: which picture of the source
// each of the take shows, and now and then what detail it has of it.
func (w *witness) follow(ctx context.Context) (*followed, error) {
	a := w.alignment
	out := &followed{shown: make([]fullreference.Shown, len(a.Pictures))}
	var wanted []int
	for i, j := range a.Pictures {
		if j >= 0 {
			wanted = append(wanted, i)
		}
	}
	follower := fullreference.NewFollower(w.where)
	source := &reel{w: w, kept: map[int]*kept{}}
	defer source.close()
	var detail *fullreference.Detail
	if size, of := w.result.Format, w.ref.format; !size.Fields && !of.Fields {
		detail = fullreference.NewDetail(size.W, size.H, of.W, of.H, w.where)
	}
	lives := w.result.Signatures.Lives
	every := max(detailEvery, (lives[len(lives)-1]-lives[0])/mostLooks)
	next := lives[0]
	var broken error
	err := w.fetchTake(ctx, wanted, func(p *picture.Picture) {
		if broken != nil || p.Damaged {
			return
		}
		i := p.Index
		if broken = source.at(ctx, a.Pictures[i]); broken != nil {
			return
		}
		small := origin.Small(p, registeredColumns).Soft(1)
		s := follower.See(small, a.Pictures[i], source.small)
		out.shown[i] = s
		of := source.kept[s.Picture]
		if detail == nil || of == nil || !s.Clear && !s.Still || lives[i] < next {
			return
		}
		next = lives[i] + every
		sample := detail.Compare(p, of.picture, follower.Motion(small, s.Picture))
		sample.Picture, sample.Of = i, s.Picture
		out.samples = append(out.samples, sample)
	})
	return out, errors.Join(err, broken)
}

const (
	// regularly is how far a picture may come from its time, in periods, and a gap
	// be none.
	regularly = 0.5
	// nominal is by how much a rate may differ from the one that the file states,
	// and be that: times are rounded.
	nominal = 0.003
	// drifts is how many pictures a stretch may seem to gain or lose and still have
	// been shown in real time.
	drifts = 1.5
)

// pace is the usual time from one picture to the next, in life, and whether it
// comes before each.
func pace(lives []time.Duration, rate float64) (period float64, gap func(i int) bool) {
	steps := make([]float64, 0, len(lives))
	for i := 1; i < len(lives); i++ {
		steps = append(steps, (lives[i] - lives[i-1]).Seconds())
	}
	if len(steps) == 0 {
		return 0, nil
	}
	slices.Sort(steps)
	median := steps[len(steps)/2]
	var sum float64
	n := 0
	for _, s := range steps {
		if math.Abs(s-median) < regularly*median {
			sum, n = sum+s, n+1
		}
	}
	if n == 0 {
		return 0, nil
	}
	period = sum / float64(n)
	if rate > 0 && math.Abs(period*rate-1) < nominal {
		period = 1 / rate
	}
	return period, func(i int) bool {
		return i > 0 && math.Abs((lives[i]-lives[i-1]).Seconds()-period) > regularly*period
	}
}

// stumbles finds the breaks of the cadence that only the source tells.
func (w *witness) stumbles(shown []fullreference.Shown) []fullreference.Stumble {
	if w.film != nil && exposures(w.film.survey.Estimate.Found, w.film.source.Facts().Trusted) != "" {
		return nil
	}
	takes, gap := pace(w.result.Signatures.Lives, w.result.Format.Rate())
	source, jumps := pace(w.ref.signatures.Lives, w.ref.format.Rate())
	if takes == 0 || source == 0 {
		return nil
	}
	for i := range w.ref.signatures.Lives {
		if jumps(i) {
			return nil // for how long a picture should stay is not the same throughout
		}
	}
	var out []fullreference.Stumble
	for _, span := range w.alignment.Spans {
		rate := span.Rate
		lasts := (w.result.Signatures.Lives[span.Last] - w.result.Signatures.Lives[span.First]).Seconds()
		if math.Abs(rate-1)*lasts < drifts*source {
			rate = 1
		}
		of := shown[span.First : span.Last+1]
		for _, s := range fullreference.Stumbles(of, rate*takes/source, func(i int) bool { return gap(span.First + i) }) {
			s.First, s.Last = s.First+span.First, s.Last+span.First
			// A camera's exposures, or a picture of the set that its index missed,
			// look like a single one.
			if w.film == nil || s.Period > 0 {
				out = append(out, s)
			}
		}
	}
	return out
}

// alone is an event that the comparison alone shows.
type alone struct {
	event detect.Event
	why   string
}

// join adds what the comparison alone shows to the events, each with its origin,
// and settles that of events that it shows too.
func (w *witness) join(list []alone, events []detect.Event, origins []origin.Finding) ([]detect.Event, []origin.Finding) {
	for _, a := range list {
		e := &a.event
		var f origin.Finding
		f.Verdict, f.Why = origin.Alone(w.alignment, a.why)
		if at := w.alignment.Pictures[e.Peak]; at >= 0 {
			f.At, f.Known = w.ref.times[at], true
		}
		known := false
		for k := range events {
			old := &events[k]
			if old.Start > e.End+fullreference.Beside || old.End < e.Start-fullreference.Beside {
				continue
			}
			switch {
			case old.Kind == e.Kind:
				known = true
				if origins[k].Verdict == origin.Undetermined && f.Verdict == origin.Set {
					origins[k] = f
				}
			case old.Kind == detect.Combing && e.Kind == detect.Ghost:
				known = true // lines of two pictures, seen from afar
			}
		}
		if !known {
			events, origins = append(events, *e), append(origins, f)
		}
	}
	return events, origins
}

// copies finds the ghosts that only the source tells, and what copies would have
// been found beside it.
func (w *witness) copies(shown []fullreference.Shown) (out []alone, coverage []detect.Coverage) {
	coverage = w.result.Coverage
	if w.film != nil {
		return nil, coverage // a camera's exposures mix pictures as well
	}
	ghosts, floor, told := fullreference.Ghosts(shown)
	raster := image.Rect(0, 0, w.result.Format.W, w.result.Format.H)
	for i := range ghosts {
		g := &ghosts[i]
		g.Region = inPicture(g.Region, w.result.Format)
		e := g.Event(raster)
		e.Visibility = w.copySeen(g)
		out = append(out, alone{e, g.Why()})
	}
	period, _ := pace(w.result.Times, w.result.Format.Rate())
	seconds := float64(told) * period
	coverage = slices.Clone(coverage)
	for i := range coverage {
		c := &coverage[i]
		if c.Kind != detect.Ghost || 100*floor >= c.Floor && c.State != detect.NotExaminable || seconds < mostOf*c.Seconds || seconds == 0 {
			continue
		}
		why := fmt.Sprintf("beside the source, for %.1f s", seconds)
		if c.Floor > 0 {
			why += fmt.Sprintf("; without it, anything above %.3g %% in %.1f s", c.Floor, c.Seconds)
		}
		if c.State == detect.NotExaminable {
			c.State = detect.Limited
		}
		c.Seconds = max(c.Seconds, seconds)
		c.Floor, c.Why = 100*floor, why
	}
	return out, coverage
}

// mostOf is how much of the time in which a stage could look the comparison has to
// cover for its floor to be stated.
const mostOf = 0.5

// copySeen is how visible a copy is: a patch that differs by its share of what the
// source changes by where it moves.
func (w *witness) copySeen(g *fullreference.Ghost) float64 {
	v, err := w.viewer()
	if err != nil {
		return 0
	}
	times := w.result.Times
	shown := (times[min(g.Last+1, len(times)-1)] - times[g.First]).Seconds()
	size := min(v.Across(float64(g.Region.Dx())/float64(w.result.Format.W)), v.Degrees(float64(g.Region.Dy())))
	ground := g.Mixture.Mean
	return v.Patch(ground+max(g.Mixture.Behind, g.Mixture.Ahead)*g.Mixture.Codes, ground, size) * min(1, shown/vision.IntegrationSeconds)
}

// viewer judges 8-bit codes of the take.
func (w *witness) viewer() (*vision.Viewer, error) {
	f := w.result.Format
	v, err := vision.New(w.result.Conditions, vision.Coding{Depth: 8, Full: f.Colour.FullRange},
		vision.Colour{Primaries: f.Colour.Primaries, Matrix: f.Matrix()})
	if err != nil {
		return nil, fmt.Errorf("conditions of viewing: %w", err)
	}
	return v, nil
}

// leastNear is how confident the alignment has to be that it is right to a picture: what
// is less likely right than not is not said.
const leastNear = 0.5

// fullReference adds to a document's input what only the comparison with the source
// shows, and returns the pictures of it. Only an interrupt is an error.
func (w *witness) fullReference(ctx context.Context, in *report.Input) ([]page.Pair, error) {
	// What is followed from a wrong picture, or through a wrong place, may look clear.
	if !w.laid || w.alignment.Still || w.alignment.Near < leastNear {
		return nil, nil
	}
	f, err := w.follow(ctx)
	var pairs []page.Pair
	if err == nil {
		r := *in.Result
		raster := image.Rect(0, 0, r.Format.W, r.Format.H)
		var found []alone
		for _, s := range w.stumbles(f.shown) {
			s.Region = inPicture(s.Region, w.result.Format)
			found = append(found, alone{s.Event(raster), s.Why()})
		}
		ghosts, coverage := w.copies(f.shown)
		r.Coverage = coverage
		r.Events, in.Origins = w.join(append(found, ghosts...), slices.Clone(r.Events), in.Origins)
		in.Result = &r
		in.Reference, pairs, err = w.differences(ctx, f)
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		in.Warnings = append(in.Warnings, fmt.Sprintf("The take could not be followed beside its source: %v.", err))
	}
	return pairs, nil
}
