package detect

import (
	"cmp"
	"image"
	"math"
	"slices"
	"time"

	"setwitness/decode/picture"
)

// Event is marks of one kind that belong together: one fault.
type Event struct {
	Kind              Kind
	Start, End, Peak  int             // pictures, End inclusive
	Region            image.Rectangle // union of the marks, raster pixels
	PeakRegion        image.Rectangle // of the strongest mark
	Strength          float64         // of the strongest mark, Kind.Unit
	Confidence        float64         // 0.5 to 1
	Visibility        float64         // JND under the conditions of the run
	Pictures          int             // pictures that carry a mark
	Measures          map[string]float64
	strongest, second float64 // confidences of the two surest pictures
	last              image.Rectangle
	pauses            []int  // pictures without a mark that follow one, and with one that follow none
	seen              glance // of the strongest mark
}

// Two marks of one kind belong to one fault when no more time than this lies
// between them. A viewer needs about a quarter of a second to look somewhere
// and a field-rate fault comes back within half a second or not at all
// (conversion patterns repeat after at most 25 pictures of 50 a second), so
// half a second and a margin for one lost picture; a fault that comes back
// seconds later stays another one (common practice, no source).
const joinGap = 600 * time.Millisecond

// A thing that crosses the picture takes a second or more to do so, so a mark
// a picture later lies within a share of the width that is the picture period
// over a second; this share a picture is used with a floor for the reach of
// the copies of a thing.
const (
	joinReach        = 1.0 / 10 // of the raster width
	joinReachPicture = 1.0 / 40 // of the raster width, for each picture between
)

// joiner gathers marks into events while a take runs. Memory grows with the
// number of events, not with the length of the take.
type joiner struct {
	width  int
	gap    int // pictures
	open   []*Event
	closed []Event
	faint  []Event // not sure enough
	keeper Keeper  // nil where nothing is kept
}

func newJoiner(f picture.Format) *joiner {
	rate := f.Rate()
	if rate <= 0 {
		rate = 50 // a take without a rate; only the joining gap depends on it
	}
	return &joiner{width: f.W, gap: max(1, int(math.Round(joinGap.Seconds()*rate)))}
}

// leastExtends is the confidence of a mark that extends an event. Beside a fault,
// which bursts of two to five pictures are, a picture has it as likely as not, where
// the stages reckon with one that seldom does; less than this is against it even so,
// and would only give the event a wrong start and place.
const leastExtends = 0.2

func (j *joiner) add(m Mark) {
	if m.Confidence < leastExtends {
		return
	}
	j.close(m.Kind, m.Picture)
	var home *Event
	for _, e := range j.open {
		if e.Kind == m.Kind && j.near(e, m) {
			if home == nil {
				home = e
				continue
			}
			// The mark joins what were two events.
			was := home.Peak
			home.absorb(e)
			if home.Peak == was {
				was = e.Peak
			}
			j.drop(was)
			e.Pictures = 0
		}
	}
	j.open = slices.DeleteFunc(j.open, func(e *Event) bool { return e.Pictures == 0 })
	if home == nil {
		home = &Event{Kind: m.Kind, Start: m.Picture, End: m.Picture - 1, Strength: -1}
		j.open = append(j.open, home)
	}
	was, first := home.Peak, home.Pictures == 0
	home.take(m)
	switch {
	case j.keeper == nil:
	case first:
		j.keeper.Keep(home.Peak)
	case home.Peak != was:
		j.keeper.Keep(home.Peak)
		j.keeper.Drop(was)
	}
}

// drop says that no event is strongest in a picture any more, by one that was.
func (j *joiner) drop(peak int) {
	if j.keeper != nil {
		j.keeper.Drop(peak)
	}
}

// near reports whether a mark belongs to an event by time and place. A stage
// that decides late may leave marks behind ones of a later time.
func (j *joiner) near(e *Event, m Mark) bool {
	if m.Picture > e.End+j.gap || m.Picture < e.Start-j.gap {
		return false
	}
	reach := int(float64(j.width) * (joinReach + joinReachPicture*float64(max(0, m.Picture-e.End))))
	return m.Region.Overlaps(e.last.Inset(-reach))
}

func (e *Event) take(m Mark) {
	if m.Picture > e.End {
		if m.Picture > e.End+1 {
			e.pauses = append(e.pauses, e.End+1, m.Picture)
		}
		e.Pictures++
		e.last = m.Region
	} else {
		e.last = e.last.Union(m.Region)
	}
	e.End = max(e.End, m.Picture)
	e.Start = min(e.Start, m.Picture)
	e.Region = e.Region.Union(m.Region)
	if m.Confidence > e.strongest {
		e.second, e.strongest = e.strongest, m.Confidence
	} else if m.Confidence > e.second {
		e.second = m.Confidence
	}
	// The peak is the strongest mark that is sure of itself; weak marks
	// only extend.
	if m.Strength*m.Confidence > e.Strength*e.Confidence {
		e.Strength, e.Confidence = m.Strength, m.Confidence
		e.Peak, e.PeakRegion, e.Measures, e.seen = m.Picture, m.Region, m.Measures, m.seen
	}
}

func (e *Event) absorb(o *Event) {
	if o.Strength*o.Confidence > e.Strength*e.Confidence {
		e.Strength, e.Confidence = o.Strength, o.Confidence
		e.Peak, e.PeakRegion, e.Measures, e.seen = o.Peak, o.PeakRegion, o.Measures, o.seen
	}
	for _, c := range []float64{o.strongest, o.second} {
		if c > e.strongest {
			e.second, e.strongest = e.strongest, c
		} else if c > e.second {
			e.second = c
		}
	}
	e.pauses = append(append(e.pauses, o.edges()...), e.Start, e.End+1)
	e.Start, e.End = min(e.Start, o.Start), max(e.End, o.End)
	e.Region, e.last = e.Region.Union(o.Region), e.last.Union(o.last)
	e.Pictures = max(e.Pictures, o.Pictures)
}

// close ends the events of a kind that picture t can no longer join. Stages that leave
// marks of other kinds may be behind by more than the gap.
func (j *joiner) close(kind Kind, t int) {
	j.open = slices.DeleteFunc(j.open, func(e *Event) bool {
		if e.Kind != kind || t-e.End <= j.gap {
			return false
		}
		j.keep(e)
		return true
	})
}

// loneGhost is the odds against a ghost that a single picture shows: a
// processor that takes up a wrong cadence holds it for two pictures or more
// (common practice, no source), while of the hundred looks a second chance makes
// single ones that would be right in nine cases of ten by themselves.
const loneGhost = 24

func (j *joiner) keep(e *Event) {
	if e.Kind == Ghost && e.Pictures == 1 {
		e.strongest /= e.strongest + loneGhost*(1-e.strongest)
	}
	// The second picture is not independent of the first (same thing, same
	// noise), so it counts half.
	e.Confidence = 1 - (1-e.strongest)*(1-e.second/2)
	// One lone picture below the point of decision stays below it.
	if e.strongest < 0.5 {
		j.faint = append(j.faint, *e)
		j.drop(e.Peak)
		return
	}
	j.closed = append(j.closed, *e)
}

// finish closes what is open and merges events of one kind that came and
// went together: one wrong decision of a processor shows wherever something
// moves.
func (j *joiner) finish() []Event {
	for _, e := range j.open {
		j.keep(e)
	}
	j.open = nil
	slices.SortFunc(j.closed, func(a, b Event) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(b.End, a.End), cmp.Compare(a.Kind, b.Kind))
	})
	var out []Event
	for _, e := range j.closed {
		i := slices.IndexFunc(out, func(o Event) bool { return o.Kind == e.Kind && together(o, e, j.gap) })
		if i < 0 {
			out = append(out, e)
			continue
		}
		if e.lone() {
			continue // it tells nothing of where else
		}
		c := max(out[i].Confidence, e.Confidence)
		out[i].absorb(&e)
		out[i].Confidence = c
	}
	// By what a comb shows itself, not by what it takes on of ghosts.
	alone, combed := slices.Clone(out), make([]bool, len(out))
	for i, e := range alone {
		for k, c := range alone {
			if e.combedBy(&c) {
				combed[i] = true
				out[k].Start, out[k].End = min(out[k].Start, e.Start), max(out[k].End, e.End)
				out[k].Region = out[k].Region.Union(e.Region)
			}
		}
	}
	var faults []Event
	for i, e := range out {
		if !combed[i] && !(e.Kind == CadenceBreak && entered(e, out)) {
			faults = append(faults, e)
		}
	}
	return faults
}

// lone reports whether an event is a ghost in a single picture.
func (e *Event) lone() bool { return e.Kind == Ghost && e.Pictures == 1 }

// combedBy reports whether an event is a ghost, and what a comb looks like to an eye that
// does not resolve its lines: a woven picture shows a thing in two places, and
// the comb is the fault to name, in all pictures and places that either shows. A
// ghost that outlasts the comb twice stays.
func (e *Event) combedBy(c *Event) bool {
	overlap := min(c.End, e.End) - max(c.Start, e.Start) + 1
	return e.Kind == Ghost && c.Kind == Combing && 2*overlap >= e.End-e.Start+1 && c.Region.Overlaps(e.Region)
}

// edgeSlack is by how many pictures the ends of two events of one fault differ, where one
// of them is told by steps between pictures and the other by what the pictures show.
const edgeSlack = 1

// entered reports whether a break of the cadence is the longer or shorter step with which
// pictures that are mixed or woven of two begin or end: half a picture's way more, or less.
func entered(b Event, events []Event) bool {
	if b.End-b.Start > edgeSlack {
		return false
	}
	return slices.ContainsFunc(events, func(e Event) bool {
		return (e.Kind == Ghost || e.Kind == Combing) && e.Region.Overlaps(b.Region) &&
			slices.ContainsFunc(e.edges(), func(t int) bool { return b.Start >= t-edgeSlack && b.Start <= t+edgeSlack })
	})
}

// edges are the pictures at which an event begins, and those after which it ends, with
// those at its pauses.
func (e *Event) edges() []int { return append(slices.Clone(e.pauses), e.Start, e.End+1) }

// together reports whether b lies inside the time of a and either fills most
// of it, give or take the pictures at either end that only one of them shows,
// or lies inside its place too. A ghost in a single picture goes with any.
func together(a, b Event, gap int) bool {
	if b.Start >= a.Start && b.End <= a.End {
		if b.lone() {
			return true // by itself it would have to be very sure
		}
		in := a.Region.Intersect(b.Region)
		if 2*in.Dx()*in.Dy() >= b.Region.Dx()*b.Region.Dy() {
			return true
		}
	}
	overlap := min(a.End, b.End) - max(a.Start, b.Start) + 1
	shorter := min(a.End-a.Start, b.End-b.Start) + 1
	longer := max(a.End-a.Start, b.End-b.Start) + 1
	return overlap*2 >= shorter && (longer-shorter <= gap || shorter*2 >= longer)
}
