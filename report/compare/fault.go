package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"setwitness/detect"
	"setwitness/report"
)

// Fault is what several takes show of one fault.
type Fault struct {
	Kind detect.Kind
	// Start, End and Peak are seconds of common time. Where no clock leads there
	// from the takes that show it, they are of the take of Home.
	Start, End, Peak float64
	Home             int // the scan whose finding is the strongest
	Region           report.Region
	Passes           []Observation // one for each scan
}

// Observation is what one scan says of a fault.
type Observation struct {
	// Unable is why the scan could not have shown it; empty where it could.
	Unable string
	// Findings are its findings of it, the strongest first; none where it does
	// not show.
	Findings []*report.Finding
	// Strength and Visibility are those of the strongest finding, Confidence is
	// that of the surest, and Seconds is how long all of them last.
	Strength, Visibility, Confidence, Seconds float64
}

// Seen reports whether the scan shows the fault.
func (o *Observation) Seen() bool { return len(o.Findings) > 0 }

// Able reports whether the scan shows the fault or could have.
func (o *Observation) Able() bool { return o.Seen() || o.Unable == "" }

const (
	// Two findings of different takes are the same fault when no more than this
	// lies between them. A scan joins to one fault what lies 0.6 s apart; half of
	// that keeps what a scan held apart from being joined through another take.
	nearS = 0.3 // s of life
	// Their regions may lie as far apart as this share of the picture: stages
	// cut regions from cells and tiles of up to 64 samples, a fifteenth of the
	// rasters on which they work, and films are straightened anew each time.
	nearShare = 0.04
	// What a processor decides about fields and cadence, it decides for the
	// whole picture, and it shows on whatever moves: a scan joins marks within a
	// tenth of the width.
	nearShareMoving = 0.1
)

// place is a finding in common time.
type place struct {
	scan       int
	finding    *report.Finding
	start, end float64
	known      bool // start and end are common time
	still      bool // and any other time is as good
}

// Gathering is the faults of several scans. Common time is that of the first.
type Gathering struct {
	Faults []Fault
	Passes []Pass // one for each scan

	times []clock
}

// Gather gathers the findings of scans: those of the same kind, time and place
// are one fault.
func Gather(scans []*Scan) *Gathering {
	g := &Gathering{times: clocks(scans)}
	times := g.times
	for i, s := range scans {
		g.Passes = append(g.Passes, pass(s, times[i]))
	}
	slow := scans[0].slowness()
	var places []place
	for i, s := range scans {
		for k := range s.Doc.Findings {
			f := &s.Doc.Findings[k]
			p := place{scan: i, finding: f, start: f.StartS, end: f.EndS, still: times[i].still}
			start, ok := times[i].common(f.StartS)
			end, ok2 := times[i].common(f.EndS)
			if ok && ok2 {
				p.start, p.end, p.known = start, max(start, end), true
			}
			places = append(places, p)
		}
	}
	for _, group := range groups(places, slow) {
		g.Faults = append(g.Faults, fault(scans, times, group, slow))
	}
	slices.SortStableFunc(g.Faults, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(slices.Index(detect.Kinds, a.Kind), slices.Index(detect.Kinds, b.Kind)),
			cmp.Compare(a.Region.Y, b.Region.Y), cmp.Compare(a.Region.X, b.Region.X))
	})
	return g
}

// Own returns the start and the end of a fault in the time of the first scan, or
// of the one that shows it where nothing leads from that to the first, and where
// it is strongest in the source clip, if a scan knows that.
func (g *Gathering) Own(f *Fault) (start, end float64, source *float64) {
	// What the take says that shows it best comes first.
	for i := range f.Passes {
		o := &f.Passes[(f.Home+i)%len(f.Passes)]
		if o.Seen() && o.Findings[0].SourceS != nil {
			at := microseconds(*o.Findings[0].SourceS)
			source = &at
			break
		}
	}
	return microseconds(f.Start), microseconds(f.End), source
}

// moment is when scans from one to before another show what a fault looks like
// where it is strongest of all: the scan of them that shows it best, or the first
// whose take shows the place.
func (g *Gathering) moment(f *Fault, from, to int) (m moment) {
	if g.times[f.Home].by == Unaligned {
		return moment{}
	}
	best := -1.0
	for i := from; i < to; i++ {
		at, ok := g.times[i].own(f.Peak)
		if !ok || g.times[i].still {
			continue
		}
		shows := 0.0
		if o := &f.Passes[i]; o.Seen() {
			shows = weight(o.Findings[0])
		}
		if shows > best {
			m, best = moment{i - from, at, true}, shows
		}
	}
	return m
}

func microseconds(s float64) float64 { return math.Round(s*1e6) / 1e6 }

// groups joins places that are the same fault.
func groups(places []place, slow float64) [][]place {
	leader := make([]int, len(places))
	for i := range leader {
		leader[i] = i
	}
	var lead func(i int) int
	lead = func(i int) int {
		if leader[i] != i {
			leader[i] = lead(leader[i])
		}
		return leader[i]
	}
	for i := range places {
		for k := range i {
			if same(&places[i], &places[k], slow) {
				leader[lead(i)] = lead(k)
			}
		}
	}
	index := map[int]int{}
	var out [][]place
	for i, p := range places {
		l := lead(i)
		g, ok := index[l]
		if !ok {
			g = len(out)
			index[l] = g
			out = append(out, nil)
		}
		out[g] = append(out[g], p)
	}
	return out
}

// same reports whether findings of two scans are the same fault.
func same(a, b *place, slow float64) bool {
	if a.scan == b.scan || !a.known || !b.known || a.finding.Kind != b.finding.Kind {
		return false
	}
	if max(a.start, b.start)-min(a.end, b.end) > nearS*slow && !a.still && !b.still {
		return false
	}
	share := nearShare
	if moves(a.finding.Kind) {
		share = nearShareMoving
	}
	p, q := a.finding.Region, b.finding.Region
	return max(p.X, q.X)-min(p.X+p.W, q.X+q.W) <= share && max(p.Y, q.Y)-min(p.Y+p.H, q.Y+q.H) <= share
}

// fault gathers a group.
func fault(scans []*Scan, times []clock, group []place, slow float64) Fault {
	best := group[0]
	for _, p := range group[1:] {
		if weight(p.finding) > weight(best.finding) {
			best = p
		}
	}
	f := Fault{Kind: best.finding.Kind, Home: best.scan, Start: best.start, End: best.end, Region: best.finding.Region, Passes: make([]Observation, len(scans))}
	f.Peak = best.finding.PeakS
	if at, ok := times[best.scan].common(f.Peak); ok && best.known {
		f.Peak = at
	}
	seconds := math.Inf(1) // the least for which a scan that shows it examined its kind
	for _, p := range group {
		f.Start, f.End = min(f.Start, p.start), max(f.End, p.end)
		f.Region = union(f.Region, p.finding.Region)
		o := &f.Passes[p.scan]
		o.Findings = append(o.Findings, p.finding)
		o.Seconds += p.finding.EndS - p.finding.StartS
		seconds = min(seconds, scans[p.scan].coverage(f.Kind).Seconds)
	}
	for i := range f.Passes {
		o := &f.Passes[i]
		if !o.Seen() {
			o.Unable = unable(scans, times, &f, i, best, seconds, slow)
			continue
		}
		slices.SortStableFunc(o.Findings, func(a, b *report.Finding) int { return cmp.Compare(weight(b), weight(a)) })
		o.Strength, o.Visibility = o.Findings[0].Strength.Value, o.Findings[0].VisibilityJND
		for _, n := range o.Findings {
			o.Confidence = max(o.Confidence, n.Confidence)
		}
	}
	return f
}

// weight puts the finding first that shows a fault best, as a scan's peak does.
func weight(f *report.Finding) float64 { return f.Strength.Value * f.Confidence }

func union(a, b report.Region) report.Region {
	x, y := min(a.X, b.X), min(a.Y, b.Y)
	return report.Region{X: x, Y: y, W: max(a.X+a.W, b.X+b.W) - x, H: max(a.Y+a.H, b.Y+b.H) - y}
}

// examinedShare is the least share of the seconds for which a scan that shows a
// fault examined its kind that another one needs: how long a kind can be
// examined depends on noise, and repeated passes differ by a third (common
// practice, no source).
const examinedShare = 0.5

// unable says why scan i, which does not show the fault, could not have.
func unable(scans []*Scan, times []clock, f *Fault, i int, best place, seconds, slow float64) string {
	s := scans[i]
	if !best.known {
		return "the take that shows it could not be laid beside the others: " + times[best.scan].why
	}
	if times[i].by == Unaligned {
		return "it could not be laid beside the others: " + times[i].why
	}
	if why := differs(scans[best.scan], s, f.Kind); why != "" {
		return why
	}
	if !times[i].covers(f, &times[best.scan], slow) {
		return fmt.Sprintf("it covers %s to %s of the common time, and the fault is at %s", report.Clock(times[i].from), report.Clock(times[i].to), report.Clock(f.Peak))
	}
	c := s.coverage(f.Kind)
	if c.State == detect.NotExaminable {
		if c.Why == "" {
			return "it could not have shown this kind"
		}
		return "it could not have shown this kind: " + c.Why
	}
	// A colour step has a unit of its own, and the floor is that of luma.
	_, colour := best.finding.Measures["step_itp"]
	if floor := s.floor(f.Kind); best.finding.Strength.Value < floor && !colour {
		return fmt.Sprintf("it would have shown %s or more, and the fault has %s", report.Quantity{Value: floor, Unit: f.Kind.Unit()}, best.finding.Strength)
	}
	if c.Seconds < examinedShare*lengths(s, scans[best.scan])*seconds {
		return fmt.Sprintf("it was examined for this kind for only %s, where takes that show it were for %s", report.Length(c.Seconds), report.Length(seconds))
	}
	return ""
}

// lengths is how long the take of a scan is to that of another, in life, and no
// more than one.
func lengths(s, o *Scan) float64 {
	if t := o.Doc.Take.DurationS * s.slowness(); t > 0 {
		return min(s.Doc.Take.DurationS*o.slowness()/t, 1)
	}
	return 1
}

// differs says why what two scans measured of a kind are not the same thing;
// empty where it is.
func differs(a, b *Scan, k detect.Kind) string {
	if a.filmed() != b.filmed() {
		return "one take is of a screen and the other of the signal, and what a camera sees is not what the signal holds"
	}
	p, q := a.Doc.View.Raster, b.Doc.View.Raster
	if !a.filmed() && p != q {
		return fmt.Sprintf("the takes were examined at %d × %d and at %d × %d, and strengths depend on that", p.Width, p.Height, q.Width, q.Height)
	}
	if k.Unit() == "JND" {
		c, d := a.Doc.Conditions, b.Doc.Conditions
		c.Settings, d.Settings = nil, nil
		if c.String() != d.String() {
			return "its strength is in JND, and those of the takes are for different conditions: " + c.String() + "; " + d.String()
		}
	}
	return ""
}
