package ghost

import (
	"image"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/echo"
)

const (
	// A burst of wrong pictures is held against so many relations before and
	// after it, of which at least some must be known, and these must be alike.
	besides, leastBesides = 5, 4
	leastAfter            = 2
	besidesDiffer         = 0.35
	// It has from shortest to longest pictures; one or two have too few
	// relations to be told from a picture that is coded worse.
	shortest, longest = 3, 9
	// So many relations on either side of a burst are fitted with it.
	margin = 3
	// The correlation rises by so much in a burst, and by so many times what
	// the relations beside it stray.
	leastRise, riseStrays = 0.12, 4
	// A mixture explains this share of how the relations of a burst differ
	// from those beside it; a wrong start or length leaves a quarter or more, and grain on a pan of lights
	// made one of 0.856.
	// Few pictures have few relations and have to be explained better.
	leastBurst, leastOfThree = 0.865, 0.89
	burstSlack               = 0.03
	// Dilution has to explain so much more to be believed.
	diluted = 0.06
	// A mixture loses some share of the detail that its weights take;
	// what stands still and noise lose none.
	leastSoftened = 0.1
	// What differs from the pan by less than this share of its step goes with
	// it.
	panSlack = 0.25
	// A mixture comes and goes at once, which the energies of the differences
	// show: so much of how these change must follow it. Things that slow down
	// for a while change both by and by.
	leastLeant = 0.6
	// What else moves takes from the swing of the relations, down to this
	// share; a little more is chance.
	leastSeen, mostSeen = 0.6, 1.1
	// Least copy in a mixture.
	leastCopy = 0.12
	// A coarse mixture of less confidence than this is not refined.
	doubtful = 0.02
	// Where the looks at a burst are not to be had, those of so many pictures
	// before tell where the thing goes.
	foresight = 2
)

// mixture is the weights of the picture before, the picture itself and the one
// after in a wrong picture. Of the two fields of a frame, which are half a step
// apart, it is those of the field before and the one after.
type mixture struct {
	behind, ahead float64
	fields        bool
}

// mixtures are those that a burst is tried with at first.
var mixtures = [...]mixture{
	{.15, .15, false}, {.25, .25, false}, {.33, .33, false},
	{.3, 0, false}, {.5, 0, false}, {.7, 0, false}, {0, .3, false}, {0, .5, false}, {0, .7, false},
	{.5, 0, true}, {0, .5, true},
}

// spell is a burst: a run of pictures that are mixtures of their neighbours.
type spell struct {
	first, n  int
	mixture   mixture
	explained float64
}

// trial is the relations of a thing around the first picture of what may be a
// burst, from besides+1 pictures before it on.
type trial struct {
	relations [2*besides + longest + 3]relation
	like      [8]float64
	fields    [8]float64 // that of pictures half a step apart
	before    float64    // rho beside the burst, before it
	single    float64    // rho of pictures of that likeness which are no mixtures
}

// at returns the relation of picture k, from the first picture of the burst.
func (t *trial) at(k int) relation { return t.relations[k+besides+1] }

// median is of the rho of pictures from one to another, and how many are
// known.
func (s *state) beside(t *trial, from, to int) (rho, stray float64, n int) {
	v := s.baseline[:0]
	for k := from; k <= to; k++ {
		if r := t.at(k); r.known {
			v = append(v, r.rho)
		}
	}
	s.baseline = v
	if len(v) == 0 {
		return 0, 0, 0
	}
	rho, stray = middling(v)
	return rho, stray, len(v)
}

// middling returns the median of values and the median of what they differ from it,
// which the values become.
func middling(v []float64) (middle, stray float64) {
	middle = median(v)
	for i := range v {
		v[i] = math.Abs(v[i] - middle)
	}
	return middle, median(v)
}

// changes is where picture t changes conspicuously, raster pixels.
func (s *state) changes(t int) image.Rectangle {
	return inPixels(s.successions.at(t).conspicuous.all()).Intersect(s.raster)
}

// tryBurst returns the burst that begins at picture first, in the whole picture
// or in the thing of a look at picture t.
func (s *state) tryBurst(first, at int, l *echo.Look) (best spell, ok bool) {
	t := &s.trial
	*t = trial{}
	for k := -besides - 1; k <= -2; k++ {
		t.relations[k+besides+1] = s.of(at, l, first+k)
	}
	before, stray, n := s.beside(t, -besides-1, -2)
	if n < leastBesides {
		return best, false
	}
	a := s.expected(at, l, first)
	if !a.known {
		return best, false
	}
	b := s.expected(at, l, first+1)
	if !b.known || max(a.rho, b.rho)-before < max(leastRise, riseStrays*stray) {
		return best, false
	}
	for k := -1; k < len(t.relations)-besides-1; k++ {
		t.relations[k+besides+1] = s.expected(at, l, first+k)
	}
	t.before = before
	for n := shortest; n <= longest; n++ {
		after, _, known := s.beside(t, n+1, n+besides)
		if known < leastAfter || math.Abs(after-before) > besidesDiffer {
			continue
		}
		t.alike((before+after)/2, detail)
		for _, m := range mixtures {
			if e := t.explained(n, after, m, true); e > best.explained {
				best = spell{first, n, m, e}
			}
		}
	}
	if best.confidence() < doubtful {
		return best, false
	}
	after, _, _ := s.beside(t, best.n+1, best.n+besides)
	base := (before + after) / 2
	// What dilutes the swing of the relations looks much like weights that
	// differ less: those without it are believed where they explain as much.
	rough := best
	best.explained = 0
	for _, kind := range [...]float64{detail, sharp, soft} {
		t.alike(base, kind)
		one := rough
		one.refine(t, after, false)
		if one.explained > best.explained {
			best = one
		}
	}
	if best.explained < rough.explained-diluted {
		t.alike(base, detail)
		best = rough
		best.refine(t, after, true)
	}
	if l == nil && !s.growsNoLarger(first, best.n) || !s.softened(best, at, l, t.of(best.mixture)) {
		return best, false
	}
	return best, best.confidence() >= leastMarked && max(best.mixture.behind, best.mixture.ahead) >= leastCopy
}

// softened reports whether the pictures of a burst have less detail than those
// beside it, as mixtures have: what slows down for a moment relates them in
// much the same way. A whole picture tells where it pans; of a thing it is the
// energy of its looks.
func (s *state) softened(b spell, t int, l *echo.Look, like *[8]float64) bool {
	m := s.motion.At(b.first - margin)
	all := inPixels(s.successions.at(b.first).conspicuous.all())
	wide := 2*all.Dx()*all.Dy() > s.raster.Dx()*s.raster.Dy()
	if l == nil && (!wide || m == nil || !m.Pan.Found) {
		return true
	}
	steep := func(from, to int) float64 {
		v := s.baseline[:0]
		for i := from; i < to; i++ {
			if l == nil && s.cells.At(i) != nil && s.successions.at(i).whole.known {
				v = append(v, s.steepness(i))
			} else if l != nil {
				if o := s.same(t, l, i); o != nil {
					v = append(v, o.Energy)
				}
			}
		}
		s.baseline = v
		if len(v) == 0 {
			return 0
		}
		return median(v)
	}
	last := b.first + b.n
	if l == nil && !s.softerAlong(b.first, b.n) {
		return false
	}
	before, after := steep(b.first-margin, b.first), steep(last, last+margin)
	beside := (before + after) / 2
	if before == 0 || after == 0 {
		if l == nil || !wide {
			return true // nothing to compare with
		}
		l = nil
		before, after = steep(b.first-margin, b.first), steep(last, last+margin)
		beside = (before + after) / 2
	}
	own := 1 - b.mixture.behind - b.mixture.ahead
	kept := own*own + b.mixture.behind*b.mixture.behind + b.mixture.ahead*b.mixture.ahead +
		2*own*(b.mixture.behind+b.mixture.ahead)*like[1] + 2*b.mixture.behind*b.mixture.ahead*like[2]
	return 1-steep(b.first, last)/beside > leastSoftened*(1-kept)
}

// confidence is that of the marks of a burst.
func (b *spell) confidence() float64 {
	least := leastBurst
	if b.n == shortest {
		least = leastOfThree
	}
	return squash((b.explained - least) / burstSlack)
}

// refine walks to the weights that explain most.
func (b *spell) refine(t *trial, after float64, dilute bool) {
	b.explained = t.explained(b.n, after, b.mixture, dilute)
	for step := 0.04; step > 0.004; step /= 2 {
		for moved := true; moved; {
			moved = false
			for _, d := range [...]struct{ behind, ahead float64 }{{step, step}, {-step, -step}, {step, 0}, {-step, 0}, {0, step}, {0, -step}} {
				m := b.mixture
				m.behind, m.ahead = m.behind+d.behind, m.ahead+d.ahead
				if m.behind < 0 || m.ahead < 0 || m.behind+m.ahead > 0.8 {
					continue
				}
				if e := t.explained(b.n, after, m, dilute); e > b.explained+1e-4 {
					b.mixture, b.explained, moved = m, e, true
				}
			}
		}
	}
}

// alike takes the likeness of pictures whose relation has about this rho.
func (t *trial) alike(rho, detail float64) {
	t.like, t.single = alikeAt(rho, detail)
	t.fields = likeness(math.Pow(t.like[1], math.Exp2(-detail)), detail)
}

// of returns the likeness of what a mixture is of.
func (t *trial) of(m mixture) *[8]float64 {
	if m.fields {
		return &t.fields
	}
	return &t.like
}

// alikeAt returns the likeness of pictures whose relation has about this rho,
// and the rho that they have.
func alikeAt(rho, detail float64) (like [8]float64, single float64) {
	// It grows with the likeness of the next.
	at := func(next float64) float64 {
		return (2*next - 1 - math.Pow(next, math.Exp2(detail))) / (2 * (1 - next))
	}
	const halvings = 8
	least, most := 0.0, 0.98
	for range halvings {
		if next := (least + most) / 2; at(next) < rho {
			least = next
		} else {
			most = next
		}
	}
	next := (least + most) / 2
	return likeness(next, detail), at(next)
}

// explained is the share of the difference of the relations from those beside
// that a burst of n pictures explains, its swing diluted or not; 0 where too few
// are known.
func (t *trial) explained(n int, after float64, m mixture, dilute bool) float64 {
	var all, cross, own float64
	var leans, leant, predicted float64
	known := 0
	for k := -margin; k < n+margin; k++ {
		r := t.at(k)
		if !r.known {
			if k >= -1 && k <= n {
				return 0
			}
			continue
		}
		known++
		p := predict(k, t.of(m), func(k int) (int, [3]float64) {
			first := k - 1
			if m.fields {
				first = 2*k - 1
			}
			if k < 0 || k >= n {
				return first, [3]float64{0, 1, 0}
			}
			return first, [3]float64{m.behind, 1 - m.behind - m.ahead, m.ahead}
		})
		// A line from the middle of those before to that of those after.
		base := t.before + (after-t.before)*float64(k+besides/2+2)/float64(n+besides+2)
		rho, seen := p.rho-t.single, r.rho-base
		all += seen*seen + r.lean*r.lean
		cross += seen*rho + r.lean*p.lean
		own += rho*rho + p.lean*p.lean
		leans += r.lean * r.lean
		leant += r.lean * p.lean
		predicted += p.lean * p.lean
	}
	if all == 0 || own == 0 || known < n+margin {
		return 0
	}
	if leant <= 0 || leant*leant < leastLeant*leans*predicted {
		return 0
	}
	gain := 1.0
	if dilute {
		gain = max(leastSeen, min(mostSeen, cross/own))
	}
	return (2*gain*cross - gain*gain*own) / all
}

// markBursts marks the bursts that begin at a picture.
func (s *state) markBursts(w *detect.Window) {
	s.spells = slices.DeleteFunc(s.spells, func(b told) bool { return b.first+b.n <= w.T })
	looks := s.echo.At(w.T)
	for i := range looks {
		s.markBurst(w, w.T, &looks[i])
	}
	for i := range s.echo.At(w.T - foresight) {
		l := &s.echo.At(w.T - foresight)[i]
		if !l.Whole && s.same(w.T-foresight, l, w.T) == nil {
			s.markBurst(w, w.T-foresight, l)
		}
	}
	s.markBurst(w, w.T, nil)
}

// pans reports whether a look at picture t is at something that goes with the
// pan before: no thing, but what the picture as a whole tells better.
func (s *state) pans(t int, l *echo.Look) bool {
	m := s.motion.At(t - margin)
	return m != nil && m.Pan.Found && math.Hypot(l.DX-float64(m.Pan.DX), l.DY-float64(m.Pan.DY)) < panSlack*l.Speed
}

// told is a burst that was marked, and where.
type told struct {
	spell
	region image.Rectangle // in its first picture
	dx, dy float64
}

// covered reports whether a burst that is told already covers most of a region
// in a picture.
func (s *state) covered(t int, r image.Rectangle) bool {
	for i := range s.spells {
		b := &s.spells[i]
		if t < b.first || t >= b.first+b.n || b.confidence() < 0.5 {
			continue
		}
		in := b.at(t).Intersect(r)
		if 2*in.Dx()*in.Dy() >= r.Dx()*r.Dy() {
			return true
		}
	}
	return false
}

// at is where a burst is in picture t.
func (b *told) at(t int) image.Rectangle {
	k := float64(t - b.first)
	return b.region.Add(image.Pt(int(k*b.dx), int(k*b.dy)))
}

// markBurst marks the pictures of a burst that begins at a picture, in the
// whole of them or in the thing of a look at picture t.
func (s *state) markBurst(w *detect.Window, t int, l *echo.Look) {
	b := told{}
	px := 0.0
	if l != nil {
		if l.Whole || s.pans(w.T, l) {
			return
		}
		k := float64(w.T - t)
		b.region, b.dx, b.dy = l.Region.Add(image.Pt(int(k*l.DX), int(k*l.DY))), l.DX, l.DY
		px = l.Speed
	} else {
		b.region = s.changes(w.T)
		px = s.step(w.T)
	}
	if s.covered(w.T, b.region) {
		return
	}
	var ok bool
	if b.spell, ok = s.tryBurst(w.T, t, l); !ok {
		return
	}
	// One picture early explains much of a burst, too.
	if next, ok := s.tryBurst(w.T+1, t, l); ok && next.explained > b.explained {
		return
	}
	if l != nil && s.keepsDetail(b.first, b.n, b.at(b.first).Union(b.at(b.first+b.n-1)).Intersect(s.raster), b.mixture) {
		return
	}
	s.spells = append(s.spells, b)
	m := detect.Mark{Kind: detect.Ghost, Strength: 100 * max(b.mixture.behind, b.mixture.ahead), Confidence: b.confidence()}
	for i := b.first; i < b.first+b.n; i++ {
		m.Picture = i
		m.Measures = b.mixture.measures(px)
		if l != nil {
			if m.Region = b.at(i).Intersect(s.raster); !m.Region.Empty() {
				w.Mark(m)
			}
			continue
		}
		for _, r := range s.successions.at(i).conspicuous {
			if m.Region = inPixels(r).Intersect(s.raster); !m.Region.Empty() {
				w.Mark(m)
			}
		}
	}
}

// measures are the numbers of a mixture whose copies lie so far apart; 0 where
// that is not known.
func (x mixture) measures(px float64) map[string]float64 {
	if x.fields {
		px /= 2
	}
	m := map[string]float64{"copies": 1}
	if px > 0 {
		m["displacement_px"] = px
	}
	for _, side := range [...]struct {
		name  string
		share float64
	}{{"behind", x.behind}, {"ahead", x.ahead}} {
		// A trace beside the other copy is none.
		if side.share < bothSides*max(x.behind, x.ahead) {
			continue
		}
		m["copies"]++
		m[side.name+"_pct"] = 100 * side.share
		if px > 0 {
			m[side.name+"_px"] = px
		}
	}
	return m
}

// inPixels turns a rectangle of cells into one of raster pixels.
func inPixels(r image.Rectangle) image.Rectangle {
	return image.Rectangle{r.Min.Mul(cells.Size), r.Max.Mul(cells.Size)}
}

// inReduced is the length of a displacement in raster pixels, in reduced samples.
func inReduced(dx, dy float32, r *cells.Reduced) float64 {
	return math.Hypot(float64(dx)/float64(r.StepX), float64(dy)/float64(r.StepY))
}

// inSamples turns a rectangle of raster pixels into one of reduced samples.
func inSamples(p image.Rectangle, r *cells.Reduced) image.Rectangle {
	return image.Rect(p.Min.X/r.StepX, p.Min.Y/r.StepY, p.Max.X/r.StepX, p.Max.Y/r.StepY)
}

// path returns the window of a look in reduced samples, and the unit vector of its path
// there.
func path(l *echo.Look, r *cells.Reduced) (win image.Rectangle, ux, uy float64) {
	speed := l.Steps()
	return inSamples(l.Region, r), l.DX / float64(r.StepX) / speed, l.DY / float64(r.StepY) / speed
}
