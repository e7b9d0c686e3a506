package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"iter"
	"slices"
	"time"

	"setwitness/decode/encode"
	"setwitness/decode/picture"
	"setwitness/detect/vision"
	"setwitness/report"
	"setwitness/report/annotate"
	"setwitness/report/flashes"
	"setwitness/report/page"
)

// showing is a clip that is being made: of one take, or of two side by side.
type showing struct {
	takes  []*reviewed
	slow   int
	beside *beside // of two

	output      annotate.Output
	pixelFormat string
	source      annotate.Rate // of the first take's pictures
	rate        annotate.Rate // of the clip
	every       int           // of the pictures, one is shown at full speed
	panels      []*annotate.Panel
	canvas      *annotate.Canvas
	peak, shift time.Duration // of the finding, and from the first take's time to the second's
	sampler     *flashes.Sampler

	writer   *encode.Writer
	meter    *flashes.Meter
	frames   int
	shown    bool // the last finding was
	chapters []page.Chapter
	notes    []string // what the viewer should know
}

// Pictures with a shorter side than this are enlarged by a whole factor, so that
// a caption can be read.
const leastSide = 400 // px

// design decides what the clip's pictures are.
func (c *showing) design(codec clipCodec) error {
	first := c.takes[0]
	in := first.in
	kx, ky := first.enlarged(len(c.takes))
	if m := in.Matrix(); kx > 1 || in.Colour.Matrix != "" && in.Colour.Matrix != m {
		// What is usual where none is stated goes by the size, which changes; RGB
		// was decoded to it.
		in.Colour.Matrix = m
	}
	o := annotate.Output{W: (in.W*kx + 1) &^ 1, H: (in.H*ky + 1) &^ 1, Colour: in.Colour}
	o.SampleAspectNum, o.SampleAspectDen = shownAspect(in, kx, ky)
	c.pixelFormat = codec.form(in, &o)
	c.output = o
	c.source = annotate.Rate{Num: in.RateNum, Den: in.RateDen}
	if in.RateNum <= 0 || in.RateDen <= 0 {
		c.source = annotate.Rate{Num: int(time.Second / first.period(0)), Den: 1}
	}
	if c.variable() {
		// The mean of what a phone managed is no rate that editing programs have.
		c.source = usualRate(c.source.Value(), meantRate)
	}
	for _, s := range c.takes[1:] {
		if why := otherColours(in, s.in); why != "" {
			return fmt.Errorf("%s: cannot be shown beside %s: %s", s.path, first.path, why)
		}
		if recoded, _ := annotate.Recoded(s.in, first.in); recoded {
			c.notes = append(c.notes, fmt.Sprintf("%s is shown in the codes of %s, which have another range or matrix: single steps may be rounded away", s.path, first.path))
		}
	}
	c.rate, c.every = c.source.Divided()
	c.canvas, c.sampler = annotate.NewCanvas(o), flashes.NewSampler(o.Format())
	width := o.W / len(c.takes) &^ 1
	for i, s := range c.takes {
		kx, ky := kx, ky
		if i > 0 {
			kx, ky = s.fitting(o.H)
		}
		p, err := annotate.NewPanel(o, s.in, image.Rect(i*width, 0, (i+1)*width, o.H), kx, ky)
		if err != nil {
			return err
		}
		c.panels = append(c.panels, p)
	}
	return nil
}

// otherColours says why pictures of two formats cannot stand on one canvas, if so.
func otherColours(a, b picture.Format) string {
	// Codes of HDR stand for light that those of SDR have not.
	hdr := func(f picture.Format) vision.EOTF {
		if e := vision.EOTFOf(f.Colour.Transfer); e == vision.PQ || e == vision.HLG {
			return e
		}
		return vision.BT1886
	}
	if hdr(a) != hdr(b) {
		return "their codes stand for light in different ways"
	}
	if _, ok := annotate.Recoded(b, a); !ok {
		return "their colours are coded by different matrices, " + a.Matrix() + " and " + b.Matrix()
	}
	return ""
}

// lineFactor is how much further apart than columns the lines of a picture lie,
// as a whole factor: those of a field twice as far.
func (s *reviewed) lineFactor() int {
	if s.in.Fields {
		return 2
	}
	return 1
}

// enlarged returns the factors by which small pictures are enlarged, of which so
// many stand side by side.
func (s *reviewed) enlarged(panels int) (kx, ky int) {
	side := min(s.in.W/panels, s.in.H*s.lineFactor())
	k := 1
	if side < leastSide {
		k = (leastSide + side - 1) / max(side, 1)
	}
	return k, k * s.lineFactor()
}

// fitting returns the largest factors by which pictures fit into so many lines, at
// least 1.
func (s *reviewed) fitting(lines int) (kx, ky int) {
	k := max(1, lines/(s.in.H*s.lineFactor()))
	return k, k * s.lineFactor()
}

// shownAspect is the shape of a sample of the clip.
func shownAspect(in picture.Format, kx, ky int) (num, den int) {
	num, den = in.SampleAspectNum*ky, in.SampleAspectDen*kx
	if num <= 0 || den <= 0 {
		return 1, 1
	}
	for a, b := num, den; ; a, b = b, a%b {
		if b == 0 {
			return num / a, den / a
		}
	}
}

// form completes an output to what a codec holds, and returns the name of its
// pixel format.
func (k clipCodec) form(in picture.Format, o *annotate.Output) string {
	switch k.name {
	case "h264":
		// More than 8 bits stay 10: with fewer a gradient would show contours
		// that the take does not have.
		o.Depth, o.ChromaX, o.ChromaY = 8, 1, 1
		if in.Depth > 8 {
			o.Depth = 10
			return "yuv420p10le"
		}
		return "yuv420p"
	case "prores":
		o.Depth, o.ChromaX, o.ChromaY = 10, 1, 0
		if in.ChromaX == 0 && in.ChromaY == 0 {
			o.ChromaX = 0
			return "yuv444p10le"
		}
		return "yuv422p10le"
	}
	// Lossless: as the take is.
	o.Depth, o.ChromaX, o.ChromaY = in.Depth, in.ChromaX, in.ChromaY
	for o.Depth < 16 && o.Depth != 8 && o.Depth != 9 && o.Depth != 10 && o.Depth != 12 && (o.Depth != 14 || in.ChromaX < 0) {
		o.Depth++
	}
	name := map[[2]int]string{{-1, -1}: "gray", {1, 1}: "yuv420p", {1, 0}: "yuv422p", {0, 0}: "yuv444p", {0, 1}: "yuv440p"}[[2]int{in.ChromaX, in.ChromaY}]
	if name == "" {
		// 4:1:1 and its kin: colour is repeated.
		o.ChromaX, o.ChromaY = 1, 0
		name = "yuv422p"
	}
	if o.Depth > 8 {
		name += fmt.Sprintf("%dle", o.Depth)
	}
	return name
}

// both are pictures of the takes that are shown together; the second is nil where
// its take has none.
type both [2]*picture.Picture

func (b both) retain() {
	for _, p := range b {
		if p != nil {
			p.Retain()
		}
	}
}

func (b both) release() {
	for _, p := range b {
		if p != nil {
			p.Release()
		}
	}
}

// each calls fn with the pictures of a span, those of the first take in turn, and
// with each the picture that the second take shows at the same time of the
// source.
func (c *showing) each(ctx context.Context, from, to time.Duration, fn func(b both) error) error {
	if len(c.takes) == 1 {
		return c.takes[0].read(ctx, from, to, func(p *picture.Picture) error { return fn(both{p}) })
	}
	first, other := c.takes[0], c.takes[1]
	// Films may play slower than life, each in its own way.
	pace := other.slowness(c.peak+c.shift) / first.slowness(c.peak)
	there := func(t time.Duration) time.Duration {
		return c.peak + c.shift + time.Duration(float64(t-c.peak)*pace)
	}
	period := other.period(c.peak + c.shift)
	slack := 2 * max(period, time.Duration(float64(first.period(c.peak))*pace))
	next, stop := other.pull(ctx, there(from)-slack, there(to)+slack)
	defer stop()
	var at, ahead *picture.Picture
	defer func() { both{at, ahead}.release() }()
	ended := false
	return first.read(ctx, from, to, func(p *picture.Picture) error {
		// The nearest, as the clocks of two takes differ by a fraction.
		due := there(p.Time) + period/2
		for !ended && (ahead == nil || ahead.Time <= due) {
			if ahead != nil {
				both{at}.release()
				at, ahead = ahead, nil
			}
			var err error
			var ok bool
			if ahead, err, ok = next(); err != nil {
				return err
			}
			ended = !ok
		}
		shown := at
		if at != nil && due-at.Time > slack {
			shown = nil // it has ended, or has nothing there
		}
		return fn(both{p, shown})
	})
}

// pull turns read inside out. The caller owns what next returns.
func (s *reviewed) pull(ctx context.Context, from, to time.Duration) (next func() (*picture.Picture, error, bool), stop func()) {
	return iter.Pull2(func(yield func(*picture.Picture, error) bool) {
		stopped := errors.New("stopped")
		err := s.read(ctx, from, to, func(p *picture.Picture) error {
			p.Retain()
			if !yield(p, nil) {
				return stopped
			}
			return nil
		})
		if err != nil && !errors.Is(err, stopped) {
			yield(nil, err)
		}
	})
}

// glance is what was seen of a finding's pictures at the first reading.
type glance struct {
	times      []time.Duration
	full, slow []*flashes.Sample // of each picture; slow is nil for those that are not slowed
	counts     []int             // frames for which each is shown at full speed
	peak       int
}

// finding adds a finding to the clip. The note says what the viewer should know,
// and shown whether it could be shown at all.
func (c *showing) finding(ctx context.Context, f *report.Finding) (note string, err error) {
	c.shown = false
	first := c.takes[0]
	c.peak = seconds(f.PeakS)
	span := annotate.SpanOf(f, first.period(c.peak), first.slowness(c.peak))
	asked := annotate.Slow(c.slow, c.every)
	words := c.legends(asked)
	paces := annotate.Paces(asked)
	most := paces[len(paces)-1].Slow
	slowest := c.legends(most)
	status := append(append(words[:], slowest[:]...), first.counter(&picture.Picture{Index: 2 * first.doc.Take.Frames, Time: span.To}))
	c.panels[0].Begin(first.story(f, status))
	if len(c.takes) > 1 {
		other := c.takes[1]
		var sure bool
		if c.shift, sure = c.beside.shift(c.peak); !sure {
			note = f.ID + ": the takes are shown beside each other by their own times, as nothing tells which pictures are the same there"
			if c.beside.why != "" {
				note += " (" + c.beside.why + ")"
			}
		}
		c.panels[1].Begin(other.counterpart(f, c.shift, status))
	}

	g, err := c.glance(ctx, span, words)
	if err != nil {
		return "", err
	}
	if !slices.ContainsFunc(g.slow, func(s *flashes.Sample) bool { return s != nil }) {
		return fmt.Sprintf("%s: left out: its pictures could not be read again", f.ID), nil
	}
	pace, why := c.choose(g, paces)
	if pace.Slow == 0 {
		return fmt.Sprintf("%s: left out: %s even slowed %d times", f.ID, why, most), nil
	}
	switch slowed := fmt.Sprintf("%s: slowed %d times", f.ID, pace.Slow); {
	case why != "":
		if !pace.Full {
			slowed += " and not shown at full speed"
		}
		note = joined(note, slowed+": else "+why)
	case pace.Slow != c.slow:
		note = joined(note, fmt.Sprintf("%s: a clip of %.4g frames a second shows each of %.4g pictures a second a whole number of times at that factor",
			slowed, c.rate.Value(), c.source.Value()))
	}
	c.shown = true
	c.chapters = append(c.chapters, page.Chapter{
		Finding: f.ID, At: float64(c.frames) / c.rate.Value(), Title: report.KindName(f.Kind) + ", " + f.Strength.String(),
	})
	return note, c.write(ctx, span, g, pace)
}

// joined puts two notes together.
func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// variable reports whether pictures of the take last for different times.
func (c *showing) variable() bool {
	return c.takes[0].film == nil && c.takes[0].doc.Take.VariableFrameRate
}

// legends are the lines of status for the parts of a finding.
func (c *showing) legends(slow int) [3]string {
	full := "full speed"
	if c.every > 1 {
		full += fmt.Sprintf(", 1 of %d pictures", c.every)
	}
	slowed := fmt.Sprintf("slowed %d×: each picture shown %d times", slow, slow/c.every)
	if c.variable() {
		slowed = fmt.Sprintf("slowed %d×: each picture shown %d times as long", slow, slow)
	}
	return [3]string{full, slowed, fmt.Sprintf("slowed %d×, strongest picture held", slow)}
}

// draw draws pictures onto the canvas.
func (c *showing) draw(b both, legend string, lens, peak bool) {
	for i, p := range c.panels {
		m := annotate.Moment{Legend: legend, Lens: lens, Peak: peak}
		if b[i] != nil {
			m.Counter = c.takes[i].counter(b[i])
		}
		p.Draw(c.canvas, b[i], m)
		if i > 0 {
			c.canvas.Divide(i * c.output.W / len(c.panels))
		}
	}
}

// glance reads the pictures of a span, draws them as they would be shown, and
// measures their light.
func (c *showing) glance(ctx context.Context, span annotate.Span, words [3]string) (*glance, error) {
	g := &glance{}
	near := span.To
	err := c.each(ctx, span.From, span.To, func(b both) error {
		at := b[0].Time
		i := len(g.times)
		g.times = append(g.times, at)
		c.draw(b, words[0], false, false)
		g.full = append(g.full, c.sampler.Sample(&c.canvas.Picture))
		g.slow = append(g.slow, nil)
		if at >= span.SlowFrom && at <= span.SlowTo {
			c.draw(b, words[1], true, false)
			g.slow[i] = c.sampler.Sample(&c.canvas.Picture)
			if off := (at - span.Peak).Abs(); off < near {
				near, g.peak = off, i
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	life := make([]time.Duration, len(g.times))
	for i, t := range g.times {
		life[i] = c.takes[0].life(t)
	}
	g.counts = annotate.Counts(life, c.source, c.variable())
	return g, nil
}

// choose returns the first pace at which the clip does not flash too often, and
// what those before it would have done. The meter goes on behind it.
func (c *showing) choose(g *glance, paces []annotate.Pace) (annotate.Pace, string) {
	why := ""
	for _, pace := range paces {
		m := c.meter.Clone()
		c.play(g, pace, func(i, frames int, slow, _ bool) {
			s := g.full[i]
			if slow {
				s = g.slow[i]
			}
			m.Show(s, frames)
		})
		r := m.Result()
		if r.Safe() {
			c.meter = m
			return pace, why
		}
		switch most := max(r.General, r.Red); {
		case why != "":
		case most > flashes.Most:
			why = fmt.Sprintf("it would flash %s times in a second", report.Number(most))
		default:
			why = fmt.Sprintf("it would go on flashing for %s s", report.Number(r.Lasting))
		}
	}
	return annotate.Pace{}, why
}

// play calls fn for each picture in the order in which a finding is shown.
func (c *showing) play(g *glance, pace annotate.Pace, fn func(i, frames int, slow, held bool)) {
	if pace.Full {
		for i, n := range g.counts {
			if every := c.every; every > 1 {
				// The picture of the peak is one of those that are shown.
				if (i-g.peak)%every != 0 {
					continue
				}
				n = max(1, n/every)
			}
			fn(i, n, false, false)
		}
	}
	for i, n := range g.counts {
		if g.slow[i] == nil {
			continue
		}
		fn(i, n*pace.Slow/c.every, true, false)
		if i == g.peak {
			fn(i, annotate.Hold(c.rate), true, true)
		}
	}
}

// write reads the pictures again and writes the frames of a finding.
func (c *showing) write(ctx context.Context, span annotate.Span, g *glance, pace annotate.Pace) error {
	type step struct {
		i, frames  int
		slow, held bool
	}
	var steps []step
	c.play(g, pace, func(i, frames int, slow, held bool) { steps = append(steps, step{i, frames, slow, held}) })
	words := c.legends(pace.Slow)
	// Pictures that are slowed are kept: they are few.
	kept := map[int]both{}
	defer func() {
		for _, b := range kept {
			b.release()
		}
	}()
	show := func(s step, b both) error {
		legend := words[0]
		switch {
		case s.held:
			legend = words[2]
		case s.slow:
			legend = words[1]
		}
		c.draw(b, legend, s.slow, s.held)
		c.canvas.Picture.Index = c.frames
		for range s.frames {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := c.writer.Write(&c.canvas.Picture); err != nil {
				return unusable{err}
			}
		}
		c.frames += s.frames
		return nil
	}
	from, to := span.From, span.To
	if !pace.Full {
		from, to = span.SlowFrom, span.SlowTo
	}
	i := 0
	for g.times[i] < from {
		i++
	}
	err := c.each(ctx, from, to, func(b both) error {
		if i >= len(g.times) || b[0].Time != g.times[i] {
			return unusable{fmt.Errorf("%s: at %s it holds another picture than a moment ago", c.takes[0].path, report.Clock(b[0].Time.Seconds()))}
		}
		if g.slow[i] != nil {
			b.retain()
			kept[i] = b
		}
		if len(steps) > 0 && !steps[0].slow && steps[0].i == i {
			if err := show(steps[0], b); err != nil {
				return err
			}
			steps = steps[1:]
		}
		i++
		return nil
	})
	for err == nil && len(steps) > 0 {
		b, ok := kept[steps[0].i]
		if !ok {
			return unusable{fmt.Errorf("%s: its pictures could not be read again", c.takes[0].path)}
		}
		err = show(steps[0], b)
		steps = steps[1:]
	}
	return err
}
