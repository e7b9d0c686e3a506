// Package comparisons invents scans: what repeated takes of a set say of known
// faults, without takes.
//
// In: faults, and how takes of them are made. Out: the scans that such takes
// would give, with the scatter that real ones have: strengths, times, places and
// confidences that differ, faults near the floor that are missed, faults in
// pieces, false alarms.
package comparisons

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
)

// The rate of all takes.
const rate = 50

// Scan makes the scan of a direct take of some seconds in which every kind was
// examined down to a floor of 1, with findings as they are given.
func Scan(seconds float64, findings ...report.Finding) *compare.Scan {
	frames := int(math.Round(seconds * rate))
	doc := &report.Findings{
		Schema: report.SchemaName, Tool: report.Tool{Name: "setwitness", Version: "0.0.0-test"},
		Take: report.Take{
			Path: "take.mp4", SHA256: fmt.Sprintf("%064x", frames), Codec: "h264", PixelFormat: "yuv420p", Width: 1280, Height: 720,
			FrameRate: fmt.Sprintf("%d/1", rate), Scan: report.Progressive, DurationS: float64(frames) / rate, Frames: frames,
		},
		View:       report.View{Kind: "direct", Raster: report.Raster{Width: 1280, Height: 720}},
		Conditions: report.Conditions{PeakNits: 100, BlackNits: 0.05, EOTF: "bt1886", DistanceHeights: 3},
		Findings:   []report.Finding{}, Warnings: []string{},
	}
	for _, k := range detect.Kinds {
		doc.Coverage = append(doc.Coverage, report.Coverage{Kind: k, State: detect.Examined, Seconds: seconds, Floor: &report.Quantity{Value: 1, Unit: k.Unit()}})
	}
	for i, f := range findings {
		f.ID = fmt.Sprintf("f%03d", i+1)
		f.StartFrame, f.PeakFrame, f.EndFrame = int(f.StartS*rate), int(f.PeakS*rate), int(f.EndS*rate)
		f.Origin = report.Origin{Verdict: "undetermined", Why: "no source clip was given"}
		if f.Measures == nil {
			f.Measures = map[string]float64{}
		}
		doc.Findings = append(doc.Findings, f)
	}
	return &compare.Scan{Doc: doc}
}

// Finding makes a finding of 0.4 s in the middle of the picture, with all that
// makes it a clear one.
func Finding(k detect.Kind, start, strength float64) report.Finding {
	return report.Finding{
		Measures: map[string]float64{"step_codes": 4, "contour_length_px": 5000},
		Kind:     k, StartS: start, PeakS: start + 0.1, EndS: start + 0.4, Region: report.Region{X: 0.4, Y: 0.4, W: 0.2, H: 0.2},
		Strength: report.Quantity{Value: strength, Unit: k.Unit()}, VisibilityJND: strength, Confidence: 0.99,
	}
}

// Fault is one that a set makes of a clip.
type Fault struct {
	Kind            detect.Kind
	Start, Length   float64 // s of the source
	Region          report.Region
	Strength, Floor float64 // Floor is that of takes in general
}

// habit is what a kind is like.
type habit struct {
	kind                   detect.Kind
	floor, scatter, region float64
	moving                 bool
	// strays is how much of the floor the strength scatters by beside that.
	strays float64
}

// kinds are those that there are stages for, with floors and with how much the
// strength scatters from take to take (standard deviation of the logarithm) as
// scans of real passes have them (testdata/passes).
var kinds = []habit{
	{detect.Combing, 1.2, 0.03, 0.1, true, 0},
	{detect.Ghost, 20, 0.04, 0.2, true, 0.17},
	{detect.CadenceBreak, 1, 0, 1, true, 0},
	{detect.NearBlackBanding, 20, 0.05, 0.5, false, 0},
	{detect.Macroblocking, 1, 0.35, 0.6, false, 0},
	{detect.Posterisation, 13, 0.05, 0.6, false, 0},
}

// Faults draws n faults of a clip of some seconds, far enough from each other
// to be told apart.
func Faults(r *rand.Rand, n int, seconds float64) []Fault {
	var out []Fault
	for len(out) < n {
		k := kinds[r.IntN(len(kinds))]
		f := Fault{Kind: k.kind, Floor: k.floor, Start: 1 + r.Float64()*(seconds-4), Length: 0.04 + r.ExpFloat64()*0.4}
		if !k.moving {
			f.Length += 0.6
		}
		f.Length = min(f.Length, seconds-1-f.Start)
		w := max(0.05, min(1, k.region*(0.5+r.Float64())))
		f.Region = report.Region{W: w, H: w, X: r.Float64() * (1 - w), Y: r.Float64() * (1 - w)}
		f.Strength = k.floor * math.Exp(r.Float64()*math.Log(30))
		if k.kind == detect.CadenceBreak {
			f.Strength = float64(1 + r.IntN(3))
		}
		if !slices.ContainsFunc(out, func(o Fault) bool { return near(f, o) }) {
			out = append(out, f)
		}
	}
	return out
}

// near reports whether a scan might join two faults.
func near(a, b Fault) bool {
	const apart = 1.5 // s
	return a.Kind == b.Kind && a.Start < b.Start+b.Length+apart && b.Start < a.Start+a.Length+apart
}

// Takes is how takes of a clip are made.
type Takes struct {
	Seconds float64 // of the clip
	Filmed  bool
	// Late is by how much takes may start late, s.
	Late float64
	// Blind is the chance that a kind cannot be examined in a take, and False
	// how many false alarms there are in a take.
	Blind, False float64
}

// Scan makes the scan of one take of faults.
func (t Takes) Scan(r *rand.Rand, faults []Fault) *compare.Scan {
	late := math.Round(r.Float64()*t.Late*rate) / rate
	seconds := t.Seconds - late
	noise := math.Exp(0.15 * r.NormFloat64()) // of this take, in its floors
	general := 0.02 * r.NormFloat64()         // exposure: all strengths of the take
	scatter := 1.0
	if t.Filmed {
		scatter, general = 1.5, 2*general
	}
	var found []report.Finding
	blind := map[detect.Kind]bool{}
	for _, k := range kinds {
		blind[k.kind] = r.Float64() < t.Blind
	}
	see := func(f Fault) {
		k := kinds[slices.IndexFunc(kinds, func(k habit) bool { return k.kind == f.Kind })]
		strays := math.Hypot(k.scatter, k.strays*f.Floor/f.Strength)
		strength := f.Strength * math.Exp(scatter*strays*r.NormFloat64()+general)
		if f.Kind == detect.CadenceBreak {
			strength = f.Strength
		}
		// Near the floor it is a matter of luck; kinds that scatter much are a
		// matter of luck for longer.
		margin := math.Log(strength/(f.Floor*noise)) / (0.15 + k.scatter)
		if f.Kind == detect.CadenceBreak {
			margin = 7 // a whole picture is well above what noise does
		}
		if r.Float64() > 1/(1+math.Exp(-2*margin)) {
			return
		}
		confidence := min(max(1-0.5*math.Exp(-margin/1.5)+0.005*r.NormFloat64(), 0.5), 0.997)
		start, end := f.Start+0.04*r.NormFloat64(), f.Start+f.Length+0.04*r.NormFloat64()
		pieces := 1
		if end-start > 1.5 && r.Float64() < 0.2 {
			pieces = 2
		}
		for i := range pieces {
			// Between two pieces lies more than what a scan joins.
			const hole = 0.65
			a, b := start, max(end, start+1./rate)
			if pieces == 2 && i == 0 {
				b = (a + b - hole) / 2
			} else if pieces == 2 {
				a = (a + b + hole) / 2
			}
			n := report.Finding{
				Kind: f.Kind, StartS: grid(a - late), EndS: grid(b - late), Region: jitter(r, f.Region), Confidence: confidence,
				Strength: report.Quantity{Value: strength * math.Exp(-0.05*float64(i)), Unit: f.Kind.Unit()},
				// The floor of contours is a step of one code.
				Measures: map[string]float64{"step_codes": strength / f.Floor, "contour_length_px": 5000 * f.Region.W},
			}
			n.VisibilityJND = n.Strength.Value
			if f.Kind.Unit() == "%" {
				n.VisibilityJND *= 0.7
			}
			// What lies outside the take is not seen.
			n.StartS, n.EndS = max(n.StartS, 0), min(max(n.EndS, n.StartS+1./rate), seconds)
			n.PeakS = grid(n.StartS + r.Float64()*(n.EndS-n.StartS))
			// The alignment to the source is right to a picture.
			s := n.PeakS + late + float64(r.IntN(3)-1)/rate
			n.SourceS = &s
			if n.StartS < n.EndS {
				found = append(found, n)
			}
		}
	}
	for _, f := range faults {
		if !blind[f.Kind] {
			see(f)
		}
	}
	for range poisson(r, t.False) {
		f := Faults(r, 1, t.Seconds)[0]
		f.Strength = f.Floor * (0.8 + 0.6*r.Float64())
		if !blind[f.Kind] && f.Kind != detect.CadenceBreak {
			see(f)
		}
	}
	s := Scan(seconds, found...)
	for i := range s.Doc.Findings {
		s.Doc.Findings[i].SourceS = found[i].SourceS
	}
	s.Doc.Take.SHA256 = fmt.Sprintf("%032x%032x", r.Uint64(), r.Uint64())
	for i := range s.Doc.Coverage {
		c := &s.Doc.Coverage[i]
		for _, k := range kinds {
			if k.kind != c.Kind {
				continue
			}
			c.Floor.Value = k.floor * noise
			if k.kind == detect.CadenceBreak {
				c.Floor.Value = 1
			}
			c.Seconds *= 0.75 + 0.25*r.Float64()
		}
		if blind[c.Kind] {
			*c = report.Coverage{Kind: c.Kind, State: detect.NotExaminable, Why: "nothing moves in this take"}
		}
	}
	if t.Filmed {
		s.Doc.View.Kind = "screen"
	}
	return s
}

// grid is the time of the picture that is shown at a time.
func grid(s float64) float64 { return math.Round(s*rate) / rate }

func jitter(r *rand.Rand, a report.Region) report.Region {
	const by = 0.015 // of the picture
	x0, y0 := max(0, a.X+by*r.NormFloat64()), max(0, a.Y+by*r.NormFloat64())
	x1, y1 := min(1, a.X+a.W+by*r.NormFloat64()), min(1, a.Y+a.H+by*r.NormFloat64())
	return report.Region{X: x0, Y: y0, W: max(x1-x0, 0.01), H: max(y1-y0, 0.01)}
}

func poisson(r *rand.Rand, mean float64) int {
	n, left := 0, r.ExpFloat64()
	for left < mean {
		n++
		left += r.ExpFloat64()
	}
	return n
}
