package report

import (
	"cmp"
	"fmt"
	"image"
	"math"
	"slices"
	"time"

	"setwitness/detect"
	"setwitness/detect/origin"
	"setwitness/detect/vision"
)

// Input is what a document is built from.
type Input struct {
	Version string    // of the program
	Created time.Time // zero: not stated
	Take    Take
	Result  *detect.Result
	// View is that of a take of a screen; nil for a direct one. DirectWhy is
	// what says that it is that.
	View      *View
	DirectWhy string
	Settings  map[string]string // of the set
	// Alignment is that with a source, and Origins the verdicts on the events of
	// the result, in their order; nil without one.
	Alignment *Alignment
	Origins   []origin.Finding
	Reference *Reference
	Warnings  []string
	// Request and Interrupted are those of the document.
	Request     map[string]string
	Interrupted bool
}

// Peak says where the evidence of a finding is: the picture in which it is
// strongest, and where in that picture.
type Peak struct {
	ID      string
	Kind    detect.Kind
	Picture int             // index of the picture in the take
	Region  image.Rectangle // raster pixels
}

// The folder of the evidence, beside the document.
const cropsDir = "crops"

// NotBuilt is why a kind without a stage cannot be examined.
const NotBuilt = "not built yet"

// Build makes the document and, in the order of its findings, where the
// evidence of each is to be taken from. Findings are numbered in the order of
// time, so that a finding keeps its id when only its rank changes, and listed
// in the order of rank.
func Build(in Input) (*Findings, []Peak) {
	r := in.Result
	f := &Findings{
		Schema:  SchemaName,
		Tool:    Tool{Name: "setwitness", Version: in.Version},
		Request: in.Request, Interrupted: in.Interrupted,
		Take:       in.Take,
		View:       View{Kind: "direct", Why: in.DirectWhy, Raster: Raster{r.Format.W, r.Format.H}},
		Conditions: conditions(r.Conditions, in.Settings),
		Alignment:  in.Alignment,
		Reference:  in.Reference,
		Coverage:   coverage(r.Coverage),
		Findings:   []Finding{},
		Warnings:   append([]string{}, in.Warnings...),
	}
	if in.View != nil {
		f.View = *in.View
	}
	if !in.Created.IsZero() {
		f.Created = in.Created.UTC().Format(time.RFC3339)
	}
	for _, c := range r.Cadence {
		f.Cadence = append(f.Cadence, Cadence{
			StartS:          seconds(starts(r, c.Start)),
			EndS:            seconds(max(starts(r, c.End), starts(r, c.Start))),
			Pattern:         c.Pattern,
			NewPicturesPerS: round(c.NewPerS),
		})
	}

	order := make([]int, len(r.Events))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, k int) int {
		a, b := &r.Events[i], &r.Events[k]
		return cmp.Or(
			cmp.Compare(a.Start, b.Start),
			cmp.Compare(slices.Index(detect.Kinds, a.Kind), slices.Index(detect.Kinds, b.Kind)),
			cmp.Compare(a.Region.Min.Y, b.Region.Min.Y),
			cmp.Compare(a.Region.Min.X, b.Region.Min.X),
		)
	})
	type ranked struct {
		finding Finding
		peak    Peak
	}
	all := make([]ranked, len(order))
	for i, k := range order {
		e := r.Events[k]
		id := fmt.Sprintf("f%03d", i+1)
		n := finding(in, id, e)
		if k < len(in.Origins) {
			o := &in.Origins[k]
			n.Origin = Origin{string(o.Verdict), o.Why}
			if o.Known {
				at := seconds(o.At)
				n.SourceS = &at
			}
		}
		all[i] = ranked{n, Peak{ID: id, Kind: e.Kind, Picture: e.Peak, Region: e.PeakRegion}}
	}
	slices.SortStableFunc(all, func(a, b ranked) int { return cmp.Compare(b.finding.rank(), a.finding.rank()) })
	peaks := make([]Peak, len(all))
	for i := range all {
		f.Findings = append(f.Findings, all[i].finding)
		peaks[i] = all[i].peak
	}
	return f, peaks
}

// conditions states those of a run with the settings of the set.
func conditions(c vision.Conditions, settings map[string]string) Conditions {
	return Conditions{
		PeakNits: c.PeakNits, BlackNits: c.BlackNits, EOTF: string(c.EOTF), DistanceHeights: c.DistanceHeights,
		ResponseAssumed: c.Camera, Settings: settings,
	}
}

// rank is what puts a finding before another: how visible it is, weighed by how
// sure it is.
func (n *Finding) rank() float64 { return n.VisibilityJND * n.Confidence }

func finding(in Input, id string, e detect.Event) Finding {
	r := in.Result
	raster := image.Rect(0, 0, r.Format.W, r.Format.H)
	at := starts(r, e.Peak)
	// Times of a damaged file may run backwards.
	start, end := min(starts(r, e.Start), at), max(starts(r, e.End+1), at)
	peak := RegionOf(e.PeakRegion, raster)
	measures := map[string]float64{}
	for k, v := range e.Measures {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			measures[k] = round(v)
		}
	}
	evidence := Evidence{
		Crop:    cropsDir + "/" + id + "-crop.png",
		Context: cropsDir + "/" + id + "-context.png",
		Strip:   cropsDir + "/" + id + "-strip.png",
	}
	// What is measured in JND is a small step of code.
	if e.Kind.Unit() == "JND" {
		evidence.Lifted = cropsDir + "/" + id + "-lifted.png"
		evidence.Profile = cropsDir + "/" + id + "-profile.png"
	}
	return Finding{
		ID:            id,
		Kind:          e.Kind,
		StartS:        seconds(start),
		EndS:          seconds(end),
		PeakS:         seconds(at),
		StartFrame:    r.Frames[e.Start],
		EndFrame:      r.Frames[e.End],
		PeakFrame:     r.Frames[e.Peak],
		Region:        RegionOf(e.Region, raster),
		PeakRegion:    &peak,
		Strength:      Quantity{round(e.Strength), e.Kind.Unit()},
		VisibilityJND: round(e.Visibility),
		Confidence:    round(min(max(e.Confidence, 0), 1)),
		Origin:        Origin{"undetermined", "no source clip was given"},
		Measures:      measures,
		Evidence:      evidence,
	}
}

// starts returns when picture i comes up. The one after the last comes up a
// picture period after it.
func starts(r *detect.Result, i int) time.Duration {
	switch n := len(r.Times); {
	case n == 0:
		return 0
	case i < n:
		return r.Times[i]
	default:
		return r.Times[n-1] + period(r)
	}
}

// period is the nominal picture period, or the last one that was seen where
// the file states no rate.
func period(r *detect.Result) time.Duration {
	if rate := r.Format.Rate(); rate > 0 {
		return time.Duration(float64(time.Second) / rate)
	}
	if n := len(r.Times); n > 1 {
		return r.Times[n-1] - r.Times[n-2]
	}
	return 0
}

// coverage gives every kind its row.
func coverage(have []detect.Coverage) []Coverage {
	rows := make([]Coverage, 0, len(detect.Kinds))
	for _, k := range detect.Kinds {
		i := slices.IndexFunc(have, func(c detect.Coverage) bool { return c.Kind == k })
		if i < 0 {
			rows = append(rows, Coverage{Kind: k, State: detect.NotExaminable, Why: NotBuilt})
			continue
		}
		c := have[i]
		if c.State == "" {
			// What is not claimed to have been examined was not.
			c.State, c.Why = detect.NotExaminable, "its stage does not say what this take could have shown"
		}
		row := Coverage{Kind: k, State: c.State, Seconds: round(max(c.Seconds, 0)), Why: c.Why}
		if c.Floor > 0 {
			row.Floor = &Quantity{round(c.Floor), k.Unit()}
		}
		rows = append(rows, row)
	}
	return rows
}

// RegionOf turns raster pixels into fractions, cut to the raster.
func RegionOf(r, raster image.Rectangle) Region {
	r = r.Intersect(raster)
	w, h := float64(raster.Dx()), float64(raster.Dy())
	fraction := func(v int, of float64) float64 {
		// A millionth of a picture is far less than a pixel.
		return math.Round(float64(v)/of*1e6) / 1e6
	}
	return Region{fraction(r.Min.X, w), fraction(r.Min.Y, h), fraction(r.Dx(), w), fraction(r.Dy(), h)}
}

// seconds states a time to the microsecond, finer than any time base in use
// for video.
func seconds(t time.Duration) float64 { return float64(t.Round(time.Microsecond).Microseconds()) / 1e6 }

// round keeps five digits: more than any of the measures is good for, few
// enough that the document does not change with the order of additions.
func round(v float64) float64 {
	const digits = 5
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	p := math.Pow10(digits - 1 - int(math.Floor(math.Log10(math.Abs(v)))))
	return math.Round(v*p) / p
}
