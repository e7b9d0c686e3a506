package fullreference

import (
	"fmt"
	"image"
	"math"

	"setwitness/detect"
)

// Stumble is where a take shows a picture of the source too often, or leaves one
// out.
type Stumble struct {
	First, Last    int // pictures of the take, both inclusive
	Repeated, Lost int // pictures
	Region         image.Rectangle
	Margin         float64 // the smallest Shown.Margin around
	// Period is how many pictures of the take one stumble follows the other by,
	// where that is always the same; else 0.
	Period int
}

const (
	// around is how many pictures before and after have to be clear: they say
	// that the take goes on as it did.
	around = 2
	// apart pictures of the take or fewer between two stumbles make them one.
	apart = 12
	// Beside is how many pictures a stage may note a stumble earlier or later.
	Beside = 2
	// nearWhole is how far the pictures of the take to one of the source may seem
	// to be from a whole number and be one: clocks differ by less.
	nearWhole = 0.02
	// same clocks differ by less than this share.
	same = 1e-4
	// surest is how sure a stumble can be: there are repeats that a recorder makes.
	surest = 0.98
	// beat is how many stumbles, always as far apart, are a rhythm.
	beat = 3
)

// Stumbles finds where pictures are repeated or lost. perPicture is how many
// pictures of the source go by in one of the take's; gap tells where the take's
// own file leaves time out before a picture. A picture of the source may be shown
// as often as its time asks for, rounded up or down: that is what all conversions
// of rate come to that show whole pictures, 3:2 and 2:3:3:2 among them.
func Stumbles(shown []Shown, perPicture float64, gap func(i int) bool) []Stumble {
	if !(perPicture > 0) {
		return nil
	}
	var out []Stumble
	for first := 0; first < len(shown); {
		last := first
		for last+1 < len(shown) && shown[last].Clear && follows(shown, last, perPicture) && !gap(last+1) {
			last++
		}
		if shown[first].Clear && last-first >= 2*around {
			out = append(out, stumblesIn(shown[first:last+1], first, perPicture)...)
		}
		first = last + 1
	}
	return out
}

// follows reports whether the picture after i goes on from it.
func follows(shown []Shown, i int, perPicture float64) bool {
	step := shown[i+1].Picture - shown[i].Picture
	// Where little moves, what looks like a picture differs from one to the next.
	return shown[i+1].Clear && (step == 0 && shown[i+1].Held == shown[i].Held ||
		step >= shown[i].Held && float64(step) <= math.Ceil(perPicture)+Reach+float64(shown[i].Held))
}

type fault struct {
	picture        int // of the take
	repeated, lost int
}

func stumblesIn(run []Shown, first int, perPicture float64) []Stumble {
	// The first and the last of a run may have been shown before and after it.
	times := map[int]int{}
	var order []Shown // each picture of the source once
	for i, s := range run {
		times[s.Picture]++
		if i == 0 || s.Picture != run[i-1].Picture {
			order = append(order, s)
		}
	}
	var faults []fault
	at := 0 // in order
	for i := 1; i < len(run); i++ {
		was, is := run[i-1].Picture, run[i].Picture
		if was == is {
			continue
		}
		at++
		stays := asked(order, at-1) / perPicture
		most := int(math.Ceil(stays))
		if whole := math.Round(stays); math.Abs(stays-whole) < nearWhole {
			most = int(whole)
		}
		if n := times[was] - most; n > 0 && was != run[0].Picture {
			faults = append(faults, fault{i - 1, n, 0})
		}
		// Where the source has more pictures than the take, most of its steps leave
		// some out.
		if lost := is - was - max(run[i-1].Held, int(math.Ceil(perPicture-nearWhole))); lost > 0 {
			held := max(run[i-1].Held, run[i].Held) // as those between
			faults = append(faults, fault{i, 0, (lost + held - 1) / held})
		}
	}
	inside := faults[:0]
	for _, f := range faults {
		if f.picture >= around && f.picture < len(run)-around {
			inside = append(inside, f)
		}
	}
	faults = inside
	// Clocks that differ ask for a repeat or a loss now and then.
	off := math.Abs(1/perPicture - math.Round(1/perPicture))
	if off > same && off < nearWhole && len(faults) <= 1+int(off*float64(len(run))) {
		return nil
	}
	var out []Stumble
	var repeats []int // or losses where there are none, of the newest
	settle := func() {
		if n := len(out); n > 0 {
			out[n-1].Period = rhythm(repeats)
		}
	}
	for _, f := range faults {
		i := first + f.picture
		if n := len(out); n == 0 || i-out[n-1].Last > apart {
			settle()
			repeats = nil
			out = append(out, Stumble{First: i, Last: i, Margin: 1})
		}
		s := &out[len(out)-1]
		s.Last = i
		s.Repeated, s.Lost = s.Repeated+f.repeated, s.Lost+f.lost
		if f.repeated > 0 || s.Repeated == 0 {
			repeats = append(repeats, i)
		}
		for k := max(0, f.picture-around); k <= min(len(run)-1, f.picture+around); k++ {
			s.Margin = min(s.Margin, run[k].Margin)
		}
		s.Region = s.Region.Union(run[f.picture].Moving)
	}
	settle()
	return out
}

// asked is for how many pictures of the source the time of one asks: of a film that a
// source holds for three and two by turns, for as many as come on it and a neighbour, as
// a set that finds the film in it begins its own turns where it likes.
func asked(order []Shown, at int) float64 {
	own := order[at].Held
	other := own
	if at > 0 {
		other = max(other, order[at-1].Held)
	}
	if at+1 < len(order) {
		other = max(other, order[at+1].Held)
	}
	if other != own+1 || own == 1 {
		return float64(own)
	}
	return float64(own+other) / 2
}

// rhythm is by how much numbers follow each other, if always by the same.
func rhythm(at []int) int {
	if len(at) < beat {
		return 0
	}
	step := at[1] - at[0]
	for i := 2; i < len(at); i++ {
		if at[i]-at[i-1] != step {
			return 0
		}
	}
	return step
}

// seenIn is the part of a raster where something moves, and all of it where nothing
// is known to.
func seenIn(moving, raster image.Rectangle) image.Rectangle {
	if r := moving.Intersect(raster); !r.Empty() {
		return r
	}
	return raster
}

// Event is the finding of a stumble.
func (s *Stumble) Event(raster image.Rectangle) detect.Event {
	region := seenIn(s.Region, raster)
	e := detect.Event{
		Kind: detect.CadenceBreak, Start: s.First, End: s.Last, Peak: s.First, Region: region, PeakRegion: region,
		Strength: float64(max(s.Repeated, s.Lost)), Pictures: s.Repeated + s.Lost,
		Measures: map[string]float64{
			"pictures_repeated": float64(s.Repeated), "pictures_lost": float64(s.Lost),
			"margin_share": s.Margin,
		},
	}
	if s.Period > 0 {
		e.Measures["period_pictures"] = float64(s.Period)
	}
	// A picture that lies in the middle between two is neither.
	e.Confidence = min((1+s.Margin)/2, surest)
	// As for breaks that a stage finds, one picture is one that can just be seen.
	e.Visibility = e.Strength
	return e
}

// Why says what a stumble rests on.
func (s *Stumble) Why() string {
	return fmt.Sprintf("beside the source, which moves on throughout, the take shows pictures of it again (%d) or leaves them out (%d), "+
		"where its rate would have carried each; all around, what is shown lies %.2f of the way from the middle between two pictures of the source to one of them",
		s.Repeated, s.Lost, s.Margin)
}
