package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"slices"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/detect"
	content "setwitness/detect/align"
	"setwitness/detect/cells"
	"setwitness/detect/origin"
	"setwitness/detect/signature"
	"setwitness/detect/signing"
	"setwitness/report"
	"setwitness/report/crops"
	"setwitness/report/page"
)

// reference is the clip that was played.
type reference struct {
	path, sha256 string
	format       picture.Format
	info         decode.Info
	keys         []decode.Key
	times        []time.Duration
	signatures   *signature.Sequence
}

// frame is the size of a frame, also where pictures are fields.
func frame(f picture.Format) image.Point {
	if f.Fields {
		return image.Pt(f.W, 2*f.H)
	}
	return image.Pt(f.W, f.H)
}

// refer reads the source once for the signatures of its pictures.
func refer(ctx context.Context, f *factory, path string, threads int) (*reference, error) {
	summing, stop := context.WithCancel(ctx)
	defer stop()
	sum := checksum(summing, path)
	t, err := f.open(path, decode.Options{Threads: threads})
	if err != nil {
		return nil, unusable{fmt.Errorf("--source: %w", err)}
	}
	defer t.Close()
	r := &reference{path: path, format: t.Format(), info: t.Info()}
	result, err := detect.Run(ctx, t, []*detect.Stage{cells.Stage, signing.Stage}, nil, nil)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		return nil, unusable{fmt.Errorf("--source: %s: %w", path, err)}
	case result.Pictures == 0:
		return nil, unusable{fmt.Errorf("--source: %s: %w", path, decode.ErrNoPictures)}
	}
	r.signatures, r.times, r.keys = result.Signatures, result.Times, t.Summary().Keys
	if r.sha256, err = sum(); err != nil {
		return nil, fmt.Errorf("--source: %w", err)
	}
	return r, nil
}

// witness says whose fault each event of a take is.
type witness struct {
	s         *scan
	ref       *reference
	result    *detect.Result
	take      crops.Pictures
	film      *filmed // nil for a direct take
	alignment *content.Alignment
	where     origin.Map
	fits      float64 // correlation of both pictures, laid on each other
	laid      bool
}

// laySource lays the take beside its source and asks both witnesses about each
// event. It fills in the document's input, and returns the pictures of what the comparison
// alone shows; only an interrupt is an error.
func (s *scan) laySource(ctx context.Context, in *report.Input, take crops.Pictures, film *filmed) ([]page.Pair, error) {
	w := &witness{s: s, ref: s.o.reference, result: in.Result, take: take, film: film}
	facts := &report.Alignment{Path: w.ref.path, SHA256: w.ref.sha256}
	in.Alignment = facts
	in.Origins = make([]origin.Finding, len(in.Result.Events))
	undetermined := func(why string) {
		for i := range in.Origins {
			in.Origins[i] = origin.Finding{Verdict: origin.Undetermined, Why: why}
		}
	}
	var err error
	if w.alignment, err = content.Sequences(in.Result.Signatures, w.ref.signatures); err != nil {
		facts.Why = err.Error()
		undetermined("the take could not be aligned with its source: " + facts.Why)
		in.Warnings = append(in.Warnings, "The take could not be aligned with its source: "+facts.Why+". Whose fault a finding is stays undetermined.")
		return nil, nil
	}
	if err := w.alignment.LookCloser(ctx, w); err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		in.Warnings = append(in.Warnings, fmt.Sprintf("Take and source could not be read again to align them more closely: %v.", err))
	}
	if err := w.register(ctx); err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		in.Warnings = append(in.Warnings, fmt.Sprintf("The take's pictures could not be laid on the source's: %v.", err))
	}
	w.describe(facts)
	if err := w.events(ctx, in); err != nil {
		return nil, err
	}
	return w.fullReference(ctx, in)
}

// events judges whose fault each event of the result is.
func (w *witness) events(ctx context.Context, in *report.Input) error {
	if len(in.Result.Events) == 0 {
		return nil
	}
	found, err := w.stages(ctx)
	if err != nil {
		return err
	}
	differ, err := w.pixels(ctx)
	if err != nil {
		return err
	}
	for i := range in.Result.Events {
		in.Origins[i] = w.judge(&in.Result.Events[i], found[i], differ[i])
	}
	return nil
}

// describe states the alignment.
func (w *witness) describe(out *report.Alignment) {
	a := w.alignment
	out.Confidence, out.Explained = rounded(a.Confidence), rounded(a.Explained)
	out.KnownShare, out.Rate, out.Still = rounded(a.Known()), math.Round(a.Rate*1e6)/1e6, a.Still
	for _, span := range a.Spans {
		end := min(span.Last+1, len(w.result.Times)-1)
		out.Spans = append(out.Spans, report.AlignedSpan{
			StartS: w.result.Times[span.First].Round(time.Microsecond).Seconds(), EndS: w.result.Times[end].Round(time.Microsecond).Seconds(),
			SourceS: span.Start.Round(time.Microsecond).Seconds(),
		})
	}
	if w.laid {
		m := w.where
		out.Raster = &report.RasterMap{
			ScaleX: m.ScaleX, OffsetX: m.OffsetX, ScaleY: m.ScaleY, OffsetY: m.OffsetY, Correlation: rounded(w.fits),
		}
	}
}

const (
	// So many pictures of both are laid on each other to find where the source's
	// lies, reduced to so many columns.
	registered        = 4
	registeredColumns = 320
)

// register finds where the source lies in the take's raster.
func (w *witness) register(ctx context.Context) error {
	a := w.alignment
	f := a.Fit
	if a.Still || f.ScaleX == 0 {
		f.ScaleX, f.ScaleY = 1, 1
	}
	w.where = origin.Between(frame(w.result.Format), frame(w.ref.format), f.ScaleX, f.OffsetX, f.ScaleY, f.OffsetY)
	var known []int
	for i, j := range a.Pictures {
		if j >= 0 {
			known = append(known, i)
		}
	}
	var mine, theirs []int
	for k := range registered {
		i := known[(2*k+1)*len(known)/(2*registered)]
		if !slices.Contains(mine, i) {
			mine, theirs = append(mine, i), append(theirs, a.Pictures[i])
		}
	}
	takes, sources := map[int]*origin.Reduced{}, map[int]*origin.Reduced{}
	if err := w.fetchTake(ctx, mine, func(p *picture.Picture) { takes[p.Index] = origin.Small(p, registeredColumns) }); err != nil {
		return err
	}
	if err := w.fetchSource(ctx, theirs, func(p *picture.Picture) { sources[p.Index] = origin.Small(p, registeredColumns) }); err != nil {
		return err
	}
	var pairs []origin.Pair
	for k, i := range mine {
		if t, s := takes[i], sources[theirs[k]]; t != nil && s != nil {
			pairs = append(pairs, origin.Pair{Take: t, Source: s})
		}
	}
	if len(pairs) == 0 {
		return errors.New("no picture could be read again")
	}
	m, r, err := origin.Register(pairs, w.where)
	if err != nil {
		return fmt.Errorf("%w: correlation of %.2f", err, r)
	}
	w.where, w.fits, w.laid = m, r, true
	return nil
}

// Take and Source give views of pictures for a closer look at the alignment.
func (w *witness) Take(ctx context.Context, pictures []int, do func(i int, v *content.View)) error {
	return w.fetchTake(ctx, pictures, func(p *picture.Picture) { do(p.Index, content.NewView(p)) })
}

// Source is Take for the source.
func (w *witness) Source(ctx context.Context, pictures []int, do func(j int, v *content.View)) error {
	return w.fetchSource(ctx, pictures, func(p *picture.Picture) { do(p.Index, content.NewView(p)) })
}

// fetchTake reads pictures of the take again, in any order given.
func (w *witness) fetchTake(ctx context.Context, pictures []int, do func(*picture.Picture)) error {
	var list []crops.Wanted
	for _, i := range ascending(pictures) {
		list = append(list, crops.Wanted{Index: i, Time: w.result.Times[i]})
	}
	return w.take.Fetch(ctx, list, func(p *picture.Picture) error { do(p); return nil })
}

func (w *witness) fetchSource(ctx context.Context, pictures []int, do func(*picture.Picture)) error {
	var list []decode.Wanted
	for _, i := range ascending(pictures) {
		list = append(list, decode.Wanted{Index: i, Time: w.ref.times[i]})
	}
	o := decode.Options{Threads: w.s.o.threads, Keys: w.ref.keys}
	return w.s.f.fetch(ctx, w.ref.path, o, list, func(p *picture.Picture) error { do(p); return nil })
}

func ascending(pictures []int) []int {
	out := slices.Clone(pictures)
	slices.Sort(out)
	return slices.Compact(out)
}

// sourceTimes are those of an event in the source; not known where the take shows
// something else.
func (w *witness) sourceTimes(e *detect.Event) (from, to, peak time.Duration, ok bool) {
	a := w.alignment
	from, to = math.MaxInt64, math.MinInt64
	for i := e.Start; i <= e.End && i < len(a.Pictures); i++ {
		if j := a.Pictures[i]; j >= 0 {
			from, to = min(from, w.ref.times[j]), max(to, w.ref.times[j])
		}
	}
	if e.Peak >= len(a.Pictures) || a.Pictures[e.Peak] < 0 || from > to {
		return 0, 0, 0, false
	}
	return from, to, w.ref.times[a.Pictures[e.Peak]], true
}

// inSource is a region of the take's raster in that of the source's pictures.
func (w *witness) inSource(r image.Rectangle) image.Rectangle {
	r = inFrame(r, w.result.Format)
	x0, y0 := w.where.At(float64(r.Min.X), float64(r.Min.Y))
	x1, y1 := w.where.At(float64(r.Max.X), float64(r.Max.Y))
	return inPicture(image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1)), int(math.Ceil(y1))), w.ref.format)
}

// inFrame is a region of a picture in its frame.
func inFrame(r image.Rectangle, f picture.Format) image.Rectangle {
	if f.Fields {
		r.Min.Y, r.Max.Y = 2*r.Min.Y, 2*r.Max.Y
	}
	return r
}

// inPicture is a region of a frame in its pictures.
func inPicture(r image.Rectangle, f picture.Format) image.Rectangle {
	if f.Fields {
		r.Min.Y, r.Max.Y = r.Min.Y/2, (r.Max.Y+1)/2
	}
	return r
}

// leadIn and leadOut are what the stages need of the source before and after an
// event to know it: a cadence takes a second to be one.
const leadIn, leadOut = 1500 * time.Millisecond, 1000 * time.Millisecond

// sourcePart is a stretch of the source that the stages look at.
type sourcePart struct{ from, to time.Duration }

// stages runs the stages over the stretches of the source that events are from.
func (w *witness) stages(ctx context.Context) ([]origin.Stages, error) {
	var list []sourcePart
	for i := range w.result.Events {
		if from, to, _, ok := w.sourceTimes(&w.result.Events[i]); ok {
			list = append(list, sourcePart{max(0, from-leadIn), to + leadOut})
		}
	}
	slices.SortFunc(list, func(a, b sourcePart) int { return int(a.from.Microseconds() - b.from.Microseconds()) })
	var joined []sourcePart
	for _, s := range list {
		if n := len(joined); n > 0 && s.from <= joined[n-1].to+leadIn {
			joined[n-1].to = max(joined[n-1].to, s.to)
			continue
		}
		joined = append(joined, s)
	}
	out := make([]origin.Stages, len(w.result.Events))
	for _, within := range joined {
		r, err := w.run(ctx, within)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil || r.Pictures == 0 {
			continue // out says that they could not look
		}
		for i := range w.result.Events {
			e := &w.result.Events[i]
			from, to, _, ok := w.sourceTimes(e)
			if !ok || from < within.from || to > within.to {
				continue
			}
			out[i] = origin.InSource(e, r, w.inSource(e.Region), from, to)
			if out[i].Unfit && w.ref.format.Fields {
				scale := w.where.ScaleY
				if w.result.Format.Fields {
					scale *= 2
				}
				out[i].OneInstant = w.laid && origin.OneInstant(e, scale)
			}
		}
	}
	return out, nil
}

// run looks at a stretch of the source as the scan does at the take.
func (w *witness) run(ctx context.Context, within sourcePart) (*detect.Result, error) {
	t, err := w.s.f.open(w.ref.path, decode.Options{Threads: w.s.o.threads})
	if err != nil {
		return nil, err
	}
	defer t.Close()
	if s, ok := t.(seeker); ok {
		if err := s.From(ctx, w.ref.keys, within.from); err != nil {
			return nil, err
		}
	}
	c := w.s.o.viewing.conditions(w.ref.info.Colour.Transfer, false)
	return detect.RunUnder(ctx, c, &piece{t, within}, w.s.f.stages(), w.s.o.options, nil)
}

// seeker is a take that need not be read from its start.
type seeker interface {
	From(ctx context.Context, keys []decode.Key, at time.Duration) error
}

// piece is the pictures of a take in a stretch.
type piece struct {
	take
	within sourcePart
}

func (p *piece) Next(ctx context.Context) (*picture.Picture, error) {
	for {
		q, err := p.take.Next(ctx)
		if err != nil {
			return nil, err
		}
		switch {
		case q.Time > p.within.to:
			q.Release()
			return nil, io.EOF
		case q.Time >= p.within.from:
			return q, nil
		}
		q.Release()
	}
}

const (
	// Places are compared in windows of the peak's region, with a margin, no
	// larger than this, so many at a time: that bounds the memory.
	placeMargin        = 24
	placeMaxW          = 512
	placeMaxH          = 384
	placesAtOnce       = 16
	placeReach         = 12 // pixels of the source around
	neighbours         = 2  // pictures of the source before and after
	mostPlacesCompared = 400
)

// place is the window around the peak of an event, in the frame.
func (w *witness) place(e *detect.Event) image.Rectangle {
	r := inFrame(e.PeakRegion, w.result.Format).Inset(-placeMargin)
	mid := r.Min.Add(r.Max).Div(2)
	r = r.Intersect(image.Rect(mid.X-placeMaxW/2, mid.Y-placeMaxH/2, mid.X+placeMaxW/2, mid.Y+placeMaxH/2))
	return r.Intersect(image.Rectangle{Max: frame(w.result.Format)})
}

// pixels compares the pictures of both at the peak of each event.
func (w *witness) pixels(ctx context.Context) ([]origin.Difference, error) {
	out := make([]origin.Difference, len(w.result.Events))
	var wanted []int // events
	for i := range w.result.Events {
		e := &w.result.Events[i]
		switch {
		case e.Kind == detect.CadenceBreak:
			out[i] = w.order(ctx, e)
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
		case !w.laid:
			out[i].What = "they could not be laid on each other"
		case e.Peak < len(w.alignment.Pictures) && w.alignment.Pictures[e.Peak] >= 0 && len(wanted) < mostPlacesCompared:
			wanted = append(wanted, i)
		}
	}
	for len(wanted) > 0 {
		batch := wanted[:min(len(wanted), placesAtOnce)]
		wanted = wanted[len(batch):]
		if err := w.compare(ctx, batch, out); err != nil {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			for _, i := range batch {
				out[i].What = err.Error()
			}
		}
	}
	return out, nil
}

// playedBeside is how many pictures before and after a break show at what delay the
// take is, and playedMost how many of a long one are looked at.
const playedBeside, playedMost = 4, 24

// order compares the pictures that are shown around a break with those due: by
// what moves in them, where that tells, and else by the alignment.
func (w *witness) order(ctx context.Context, e *detect.Event) origin.Difference {
	a := w.alignment
	aligned := origin.Order(a, e)
	if !w.laid {
		return aligned
	}
	from := max(0, e.Start-playedBeside)
	to := min(len(a.Pictures)-1, e.End+playedBeside, from+playedMost-1)
	var mine, theirs []int
	first := math.MaxInt
	for i := from; i <= to; i++ {
		j := a.Due(i)
		if j < 0 {
			return aligned
		}
		mine = append(mine, i)
		for k := max(0, j-origin.DueReach); k <= min(len(w.ref.times)-1, j+origin.DueReach); k++ {
			theirs = append(theirs, k)
			first = min(first, k)
		}
	}
	if len(theirs) == 0 {
		return aligned
	}
	takes := map[int]*origin.Reduced{}
	sources := make([]*origin.Reduced, slices.Max(theirs)-first+1)
	err := w.fetchTake(ctx, mine, func(p *picture.Picture) { takes[p.Index] = origin.Small(p, registeredColumns) })
	if err == nil {
		err = w.fetchSource(ctx, theirs, func(p *picture.Picture) { sources[p.Index-first] = origin.Small(p, registeredColumns) })
	}
	if err != nil {
		return aligned
	}
	var list []origin.Showing
	for _, i := range mine {
		list = append(list, origin.Showing{Take: takes[i], Due: a.Due(i) - first})
	}
	if d := origin.Played(list, sources, w.where); d.Known {
		return d
	}
	return aligned
}

func (w *witness) compare(ctx context.Context, batch []int, out []origin.Difference) error {
	takes := map[int]*origin.Patch{}     // by event
	sources := map[int][]*origin.Patch{} // by event
	shown := map[int]int{}               // by event, place in sources
	var mine, theirs []int
	near := map[int][]int{} // pictures of the source, by event
	for _, i := range batch {
		e := &w.result.Events[i]
		mine = append(mine, e.Peak)
		j := w.alignment.Pictures[e.Peak]
		for k := max(0, j-neighbours); k <= min(len(w.ref.times)-1, j+neighbours); k++ {
			if k == j {
				shown[i] = len(near[i])
			}
			near[i] = append(near[i], k)
		}
		sources[i] = make([]*origin.Patch, len(near[i]))
		theirs = append(theirs, near[i]...)
	}
	err := w.fetchTake(ctx, mine, func(p *picture.Picture) {
		for _, i := range batch {
			if e := &w.result.Events[i]; e.Peak == p.Index {
				takes[i] = origin.Cut(p, w.place(e))
			}
		}
	})
	if err != nil {
		return err
	}
	err = w.fetchSource(ctx, theirs, func(p *picture.Picture) {
		for _, i := range batch {
			if k := slices.Index(near[i], p.Index); k >= 0 {
				r := w.place(&w.result.Events[i])
				x0, y0 := w.where.At(float64(r.Min.X), float64(r.Min.Y))
				x1, y1 := w.where.At(float64(r.Max.X), float64(r.Max.Y))
				sources[i][k] = origin.Cut(p, image.Rect(int(x0), int(y0), int(x1)+1, int(y1)+1).Inset(-placeReach))
			}
		}
	})
	if err != nil {
		return err
	}
	for _, i := range batch {
		if takes[i] == nil || slices.Contains(sources[i], nil) {
			out[i].What = "a picture could not be read again"
			continue
		}
		e := &w.result.Events[i]
		out[i] = origin.Compare(e.Kind, e.Measures, &origin.Place{Take: takes[i], Source: sources[i], Shown: shown[i], Map: w.where})
	}
	return nil
}

// judge makes the verdict on an event.
func (w *witness) judge(e *detect.Event, s origin.Stages, d origin.Difference) origin.Finding {
	_, _, at, ok := w.sourceTimes(e)
	if !ok {
		return origin.Finding{Verdict: origin.Undetermined, Why: "what the take shows at that time is not known in the source"}
	}
	f := origin.Finding{At: at, Known: !w.alignment.Still}
	if w.film != nil && e.Kind == detect.Macroblocking {
		if why, own := origin.CameraGrid(e.Measures, w.film.survey.Found.View.MiddlePxPerLine(w.film.survey.Raster.Y)); own {
			f.Verdict, f.Why = origin.Capture, why
			return f
		}
	}
	f.Verdict, f.Why = origin.Judge(e, w.alignment, s, d)
	if f.Verdict == origin.Set && w.film != nil && e.Kind.PerPicture() {
		known := w.film.survey.Estimate.Found
		if why := exposures(known, min(w.film.source.Facts().Trusted, w.alone(e))); why != "" {
			f.Verdict, f.Why = explained(e.Kind, known), f.Why+"; but "+why
		}
	}
	return f
}

// explained is the verdict on what the source does not have where the camera's
// exposures mix pictures: a mixture is what they make, lines of two instants and
// repeats they do not.
func explained(kind detect.Kind, refreshKnown bool) origin.Verdict {
	if kind == detect.Ghost && refreshKnown {
		return origin.Capture
	}
	return origin.Undetermined
}

// alone is which share of the exposures that saw the rows of an event, in the
// picture of its peak, saw no other picture there that looks different; 1 where
// that is not known.
func (w *witness) alone(e *detect.Event) float64 {
	const around = 4 // camera frames that may see the picture before and after those it was rebuilt from
	number, ok := w.film.source.Number(e.Peak)
	parts := w.film.source.Parts(e.Peak)
	if !ok || len(parts) == 0 {
		return 1
	}
	first, last := parts[0].Frame, parts[0].Frame
	for _, p := range parts {
		first, last = min(first, p.Frame), max(last, p.Frame)
	}
	height := float64(w.result.Format.H)
	top, bottom := float64(e.PeakRegion.Min.Y)/height, float64(e.PeakRegion.Max.Y)/height
	return exposedAlone(w.film.source.Seen(first-around, last+around+1), number, top, bottom)
}

// exposedAlone is which share of what exposures saw of a picture between two
// heights, 0 to 1 from the top, they saw of it alone.
func exposedAlone(seen []display.Seen, number int, top, bottom float64) float64 {
	var alone, mixed float64
	for _, s := range seen {
		from := 0.0
		for _, r := range s.Runs {
			rows := min(r.To, bottom) - max(from, top)
			from = r.To
			switch {
			case rows <= 0 || !s.Locked:
			case r.Mixed && !r.Still && (r.Picture == number || r.Picture == number+1):
				mixed += rows // the newer of both is named
			case r.Picture == number:
				alone += rows
			}
		}
	}
	if alone+mixed == 0 {
		return 1
	}
	return alone / (alone + mixed)
}

// exposures says why a camera's exposures may have made what a single picture
// seems to show: mixed ones look like a mixture, or a repeat, of a set's. Which rows are
// mixed is known where the refresh is, and well where few are.
func exposures(refreshKnown bool, trusted float64) string {
	switch {
	case !refreshKnown:
		return "which of the camera's exposures mix pictures is not known"
	case trusted < leastTrusted:
		return fmt.Sprintf("the camera's exposures mix pictures: %.0f %% of what they saw there, or anywhere, shows one alone", 100*trusted)
	}
	return ""
}
