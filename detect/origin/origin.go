// Package origin says whose fault an event of a take is, when the source that
// was played is at hand.
//
// In: an event; what the same stages find in the source at that time and place;
// and the difference of the two pictures there. Out: a verdict with its reason in
// numbers.
//
// A fault is the set's only where both witnesses say that the source has none of
// it: the stages on the source and the pixels. It is the source's where one of
// them finds it there at comparable strength. All else is undetermined.
package origin

import (
	"fmt"
	"image"
	"math"
	"time"

	"setwitness/detect"
	"setwitness/detect/align"
)

// Verdict says whose fault it is, by its name in the findings document.
type Verdict string

// The verdicts.
const (
	Source       Verdict = "source"
	Set          Verdict = "set"
	Capture      Verdict = "capture"
	Undetermined Verdict = "undetermined"
)

// Finding is the verdict on one event.
type Finding struct {
	Verdict Verdict
	Why     string
	// At is the time in the source, where it is known.
	At    time.Duration
	Known bool
}

// Stages is what the stages found in the source at an event's time and place.
type Stages struct {
	// Looked is set where they could have found it, and Unfit where they ran and say
	// that it could not have shown there.
	Looked, Unfit bool
	// Share is the strength of the strongest event of the kind there as a share
	// of the take's; 0 where there is none, also none that was too unsure to
	// report.
	Share float64
	// OneInstant is set where the source cannot have it: it is of fields, in each of
	// which all lines are of one instant, and the fault is of lines of two.
	OneInstant bool
}

const (
	// comparable is the share of a fault's strength at which the source has it
	// as well: what passes through a set, a camera and a codec loses and gains
	// so much.
	comparable = 0.5
	// none is the share below which the source does not have it.
	none = 0.3
	// held is how much of the fault the difference of both has to hold.
	held = 0.6
	// plain is the share of a fault that the source's pixels have where they alone
	// say enough: the stage may miss there what is a little below its floor.
	plain = 0.8
	// sure is how confident an alignment has to be that it is right to the picture,
	// and sureOfStretch for contours and blocks: they last, so that the source has
	// them in the pictures beside as well, and where an alignment is not sure it is
	// mostly between those.
	sure, sureOfStretch = 0.9, 0.7
)

// Judge weighs both witnesses.
func Judge(e *detect.Event, a *align.Alignment, s Stages, d Difference) (Verdict, string) {
	pixels := "the pixels do not tell"
	if d.Known {
		pixels = fmt.Sprintf("of %s the source has %.0f %% and the difference of both holds %.0f %%", d.What, 100*d.Share, 100*d.Left)
	} else if d.What != "" {
		pixels += " (" + d.What + ")"
	}
	stages := "the stage could not look at the source there"
	switch {
	case s.OneInstant:
		stages = "the lines of each field of the source are of one instant"
	case s.Unfit:
		stages = "in the source it could not show there"
	case s.Looked && s.Share == 0:
		stages = "the same stage finds nothing in the source there"
	case s.Looked:
		stages = fmt.Sprintf("the same stage finds it in the source there, at %.0f %% of the strength", 100*s.Share)
	}
	why := stages + "; " + pixels
	inPixels := d.Known && d.Share >= comparable && d.Left < held
	inStages := s.Looked && s.Share >= comparable
	confidence, least := a.Confidence, sure
	if d.Beside {
		confidence = a.Near
	}
	if !e.Kind.PerPicture() {
		least = sureOfStretch
	}
	switch {
	case inStages && (inPixels || !d.Known || d.Share >= none), inPixels && (s.Share > 0 || !s.Looked && !s.OneInstant):
		return Source, why
	case inStages && s.Share >= plain && (e.Kind == detect.NearBlackBanding || e.Kind == detect.Posterisation):
		// Where hardly anything is sharp the map may be so far off that contours are
		// not met; two of the same strength at one place and time are the same.
		return Source, why
	case d.Known && d.Share >= plain && d.Left <= 1-plain && (e.Kind == detect.NearBlackBanding || e.Kind == detect.Posterisation):
		// Contours are like nothing else in a picture; edges may lie on a grid,
		// and that a picture is the one due may be the alignment's word alone.
		return Source, why
	case confidence < least:
		return Undetermined, fmt.Sprintf("%s; and the alignment is sure to %.0f %% only", why, 100*confidence)
	case (s.Looked || s.OneInstant) && s.Share == 0 && d.Known && d.Share <= none && d.Left >= held:
		return Set, why
	case e.Kind == detect.Macroblocking && s.Looked && s.Share <= none && d.Known && d.Share <= 1-plain && d.Left >= comparable:
		// A source that was coded once has blocks of its own, elsewhere; and of blocks
		// the difference holds less where they took texture with them.
		return Set, why
	case s.Unfit && e.Kind == detect.Macroblocking && d.Known && d.Share <= 1-plain && d.Left >= plain:
		// Texture hides blocks, and they make it smooth: a source that has them is as
		// fit to show them as the take.
		return Set, why
	}
	return Undetermined, why
}

// Alone is the verdict on what only the comparison with the source shows, for the reason
// given: pictures beside the one named are looked at, too.
func Alone(a *align.Alignment, why string) (Verdict, string) {
	if a.Near < sure {
		return Undetermined, fmt.Sprintf("%s; but the alignment is sure to %.0f %% only", why, 100*a.Near)
	}
	return Set, why
}

const (
	// nearTime is how far, in time, an event of the source may lie from that of
	// the take: stages find some faults a picture or two late, and one that lasts
	// is found in part.
	nearTime = 250 * time.Millisecond
	// nearPlace is how far it may lie beside, as a share of the raster's width.
	nearPlace = 0.04
)

// alikeKinds reports whether an event of the source may be what a kind of fault in
// the take comes from: a comb that a set softened looks like a ghost, and
// contours near black and above differ by brightness alone.
func alikeKinds(take, source detect.Kind) bool {
	group := func(k detect.Kind) int {
		switch k {
		case detect.Combing, detect.Ghost:
			return 1
		case detect.NearBlackBanding, detect.Posterisation:
			return 2
		case detect.CadenceBreak:
			return 3
		case detect.Macroblocking:
			return 4
		}
		return 0
	}
	return take == source || group(take) != 0 && group(take) == group(source)
}

// InSource looks for an event of the take among those of a run over the source.
// place is the event's region in the source's raster, from and to its time there.
func InSource(e *detect.Event, r *detect.Result, place image.Rectangle, from, to time.Duration) Stages {
	s := Stages{}
	for _, c := range r.Coverage {
		if c.Kind == e.Kind {
			s.Looked, s.Unfit = c.State != detect.NotExaminable, c.State == detect.NotExaminable
		}
	}
	reach := int(math.Ceil(nearPlace * float64(r.Format.W)))
	place = place.Inset(-reach)
	for _, list := range [][]detect.Event{r.Events, r.Faint} {
		for i := range list {
			q := &list[i]
			if !alikeKinds(e.Kind, q.Kind) || !q.Region.Overlaps(place) {
				continue
			}
			if r.Times[q.Start] > to+nearTime || r.Times[q.End] < from-nearTime {
				continue
			}
			s.Looked, s.Unfit = true, false
			share := 1.0
			if q.Kind == e.Kind && e.Strength > 0 {
				share = q.Strength / e.Strength
			}
			s.Share = max(s.Share, share)
		}
	}
	return s
}

// OneInstant reports whether a comb of a take cannot be one of a source of fields: its
// lines alternate more finely than those of a field can. scale is how many lines of the
// source's frame a line of the take's pictures is high.
func OneInstant(e *detect.Event, scale float64) bool {
	const between = 3 // lines of the frame: those of a weave come again after 2, those of a field after 4
	pitch := e.Measures["pitch_lines"] * scale
	return e.Kind == detect.Combing && pitch > 0 && pitch < between
}

// orderBeside is how many pictures before and after an event are looked at: a
// break is noted at the picture where it shows, or the one before.
const orderBeside = 2

// Order compares the pictures of the source that are shown, around an event, with
// those that are due: where the take shows what is due at each moment, a stumble
// is the source's own.
func Order(a *align.Alignment, e *detect.Event) Difference {
	d := Difference{What: "pictures that are not the ones due"}
	from, to := max(0, e.Start-orderBeside), min(len(a.Pictures)-1, e.End+orderBeside)
	wrong, n := 0, 0
	for i := from; i <= to; i++ {
		if a.Pictures[i] < 0 || a.Due(i) < 0 {
			continue
		}
		n++
		if a.Pictures[i] != a.Due(i) {
			wrong++
		}
	}
	if n < to-from {
		return d
	}
	d.Known = true
	if wrong > 0 {
		d.Share, d.Left = 0, 1
		d.What = fmt.Sprintf("pictures that are not the ones due (%d of %d)", wrong, n)
	} else {
		d.Share, d.Left = 1, 0
	}
	return d
}

// cameraPitches are those of the blocks and transforms of camera codecs, in pixels
// of the file (Rec. ITU-T H.264 and H.265: macroblocks of 16 and transforms of 4
// to 32; from memory).
var cameraPitches = []float64{4, 8, 16, 32}

// CameraGrid reports whether block edges in a film of a screen lie on the camera's
// own grid: px is how many pixels of the camera one line of the raster is.
func CameraGrid(measures map[string]float64, px float64) (why string, own bool) {
	const off = 0.02 // of the pitch, which is measured better
	for _, name := range []string{"pitch_x_px", "pitch_y_px"} {
		pitch := measures[name] * px
		for _, c := range cameraPitches {
			if pitch > 0 && math.Abs(pitch/c-1) < off && math.Abs(measures[name]-math.Round(measures[name])) > 0.1 {
				return fmt.Sprintf("the pitch of the blocks is %.1f pixels of the camera's file, which is the grid of its codec", pitch), true
			}
		}
	}
	return "", false
}
