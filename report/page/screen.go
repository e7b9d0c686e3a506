package page

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"setwitness/report"
	"setwitness/report/crops"
)

// Screen is what the page of a take of a screen shows besides what its document
// holds.
type Screen struct {
	Camera  crops.Image // the frame that the document has as a sample
	Picture crops.Image // the picture that the set showed in it, rebuilt and straightened
	// Outline is the border that was found in Camera, once round from its top
	// left corner, in fractions of its width and height.
	Outline [][2]float64
	// BuiltFrom are the camera frames that Picture was rebuilt from.
	BuiltFrom []int
	Timing    *Timing
}

// Timing is which camera frames show which of the set's pictures, over a
// stretch of a take. Times are seconds of life from any instant.
type Timing struct {
	Frames   []Frame
	Pictures []Picture
	Exposure float64
	// Peak is the picture in which the finding of this ID, if there is one, is
	// strongest, between two heights of the screen.
	ID          string
	Peak        int
	Top, Bottom float64
}

// Frame is one camera frame.
type Frame struct {
	Number int
	Shown  float64 // s of the file's presentation time
	End    float64 // of its exposure
	Known  bool    // which pictures it shows
	Runs   []Run   // from the top
}

// Run is rows of a camera frame that show the same.
type Run struct {
	To      float64 // where it ends, as a share of the screen's height
	Picture int     // the newer one where there are two
	Mixed   bool    // exposed across two pictures
	Still   bool    // mixed where both look the same
}

// Picture is one picture of the set.
type Picture struct {
	Number int // as Run has it
	Index  int // among those that were rebuilt, or -1
	// Begin and End are when it begins to show and when the next one does: at
	// the top left, top right, bottom left and bottom right of the screen.
	Begin, End [4]float64
}

// exhibit is what the template shows of a Screen.
type exhibit struct {
	Sample          *report.Sample
	Camera, Picture panel
	Border          string // what is drawn on Camera, if anything
	Outline         string // points of a polygon in pixels of Camera
	Corners         []corner
	Ring            float64 // radius of the ring round a corner
	Facts           []fact
	BuiltFrom       string
	Timing          *diagram
}

// corner is a place in pixels of the picture that is shown.
type corner struct{ X, Y float64 }

func exhibitOf(doc *report.Findings, s *Screen) *exhibit {
	c := doc.View.Camera
	if c == nil {
		return nil
	}
	e := &exhibit{Sample: c.Sample, Facts: cameraFacts(doc)}
	if s == nil {
		return e
	}
	if s.Timing != nil && slices.ContainsFunc(s.Timing.Frames, func(f Frame) bool { return f.Known }) {
		e.Timing = draw(s.Timing, c)
	}
	if c.Sample == nil || s.Camera.W == 0 || s.Picture.W == 0 {
		return e
	}
	at := report.Clock(c.Sample.TimeS)
	e.Camera, e.Picture = show(s.Camera, 1), show(s.Picture, 1)
	e.Camera.Name, e.Picture.Name = "Camera frame", "Screen, straightened"
	e.Camera.Alt, e.Border = fmt.Sprintf("Camera frame %d at %s", c.Sample.Frame, at), borderWords(c.Border)
	if e.Border != "" {
		e.Camera.Alt += ", with " + e.Border + " drawn on it"
	}
	e.Picture.Alt = fmt.Sprintf("The picture that the set showed at %s, rebuilt from the camera's frames and straightened", at)
	e.BuiltFrom = numbers(s.BuiltFrom)
	if e.Border == "" {
		return e
	}
	w, h := float64(s.Camera.W), float64(s.Camera.H)
	var points []string
	for _, p := range s.Outline {
		points = append(points, fmt.Sprintf("%.2f,%.2f", p[0]*w, p[1]*h))
	}
	e.Outline = strings.Join(points, " ")
	const rings = 100 // rings to the width: seen, and small against the screen
	e.Ring = w / rings
	for i := range 4 {
		if n := len(s.Outline); n >= 4 {
			p := s.Outline[i*n/4]
			e.Corners = append(e.Corners, corner{p[0] * w, p[1] * h})
		}
	}
	return e
}

func borderWords(b report.Border) string {
	switch b {
	case report.PanelBorder:
		return "the found border of the screen"
	case report.LitBorder:
		return "the border of the lit picture"
	case report.GivenBorder:
		return "the given border, as it was followed"
	}
	return ""
}

// numbers lists frames in words.
func numbers(list []int) string {
	switch n := len(list); n {
	case 0:
		return ""
	case 1:
		return "camera frame " + strconv.Itoa(list[0])
	default:
		var s []string
		for _, v := range list[:n-1] {
			s = append(s, strconv.Itoa(v))
		}
		return "camera frames " + strings.Join(s, ", ") + " and " + strconv.Itoa(list[n-1])
	}
}

// Bounds of the words for how sure the corners are: 0.5 is the point at which
// the scan warns, and a border that shows on all four sides comes above 0.8.
const fairlySure, verySure = 0.5, 0.8

func cornerWords(c *report.Camera) string {
	if c.Border == report.NoBorder {
		return "No border of a screen is in the frames: all of each frame is examined, as a close-up."
	}
	s := "Not sure"
	switch {
	case c.CornersConfidence >= verySure:
		s = "Sure"
	case c.CornersConfidence >= fairlySure:
		s = "Fairly sure"
	}
	s = fmt.Sprintf("%s (confidence %.2f).", s, c.CornersConfidence)
	switch c.Border {
	case report.GivenBorder:
		s = "Given for the first frame, and followed from there."
	case report.LitBorder:
		s += " They are those of the lit picture, because the panel's own edge could not be seen."
	}
	return s + " What one frame says of a corner strays by " + pixels(c.CornersSpreadPx) + " (root mean square) from its path " +
		"over the frames around; the path is used. An error that all frames share does not show in that: look at the drawn border."
}

// pixels states a length in the camera's frames to a hundredth of a pixel: no
// corner is known better.
func pixels(px float64) string {
	const finest = 0.01
	if px < finest {
		return "less than 0.01 camera pixels"
	}
	return report.Number(math.Round(px/finest)*finest) + " camera pixels"
}

// cameraFacts say how well the camera saw the screen.
func cameraFacts(doc *report.Findings) []fact {
	c := doc.View.Camera
	out := []fact{{"Corners", cornerWords(c)}}
	if q := doc.View.Corners; len(q) == 4 && c.Border != report.NoBorder {
		// Of the frame that is shown, if one is.
		list, of := [4][2]float64(q), "the first frame"
		if c.Sample != nil {
			list, of = c.Sample.Corners, fmt.Sprintf("frame %d", c.Sample.Frame)
		}
		var words []string
		for i, name := range [4]string{"top left", "top right", "bottom right", "bottom left"} {
			words = append(words, fmt.Sprintf("%s %.1f, %.1f", name, list[i][0], list[i][1]))
		}
		out = append(out, fact{"Place", strings.Join(words, "; ") + " (camera pixels from the upper left, in " + of + ")"})
	}
	moved := "The screen stood still in the camera's frames but for " + pixels(c.SwayPx) + "."
	if c.SwayPx >= 1 {
		moved = "The screen moved in the camera's frames, by up to " + pixels(c.SwayPx) + ", and was followed."
	}
	if c.CarriedFrames > 0 {
		moved += fmt.Sprintf(" In %s too little of its border showed, and its place was carried on from those around.", count(c.CarriedFrames, "frame"))
	}
	if c.Border != report.NoBorder {
		out = append(out, fact{"Movement", moved})
	}
	if v := doc.View.CameraPxPerLine; v > 0 {
		out = append(out, fact{"Sampling", "A line of the examined raster is as high as " + report.Number(v) + " camera pixels in the middle of the screen."})
	}
	if c.NoiseCodes > 0 {
		out = append(out, fact{"Noise", report.Number(c.NoiseCodes) + " codes (standard deviation) in one sample of one frame."})
	}
	return out
}

func count(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// screenFacts are those that the take's own list has more of a film.
func screenFacts(doc *report.Findings) []fact {
	c := doc.View.Camera
	if c == nil {
		return nil
	}
	out := []fact{{"Capture", c.Capture}}
	if c.Refresh != "" {
		out = append(out, fact{"Refresh", c.Refresh})
	}
	words := fmt.Sprintf("%d, rebuilt from the camera's frames", doc.View.DisplayedFrames)
	if c.TrustedShare > 0 {
		words += "; " + report.Number(100*c.TrustedShare) + " % of their rows were exposed to one picture alone"
	}
	return append(out, fact{"Displayed pictures", words}, fact{"Mixed frames",
		fmt.Sprintf("%d of %d frames saw two pictures in some of their rows; those rows were set aside", doc.View.MixedFrames, doc.Take.Frames)})
}

// The plot, in units of which the diagram is 960 wide: what a page shows in a
// pixel or a little more each.
const (
	plotW, plotH        = 960.0, 330.0
	plotLeft, plotRight = 64.0, 952.0
	plotTop, plotBottom = 52.0, 272.0
	labelWide           = 9.0  // a digit with some air
	widestBar           = 0.86 // of a frame's time: bars stay apart
	leastZone           = 0.1  // of a frame's time: narrower is a line
)

// diagram is the timing, drawn.
type diagram struct {
	W, H                  float64
	Left, Top, Bottom     float64
	PlotW, PlotH          float64
	Fields                []field
	Bars                  []bar
	Labels                []label
	Frames, Times         []label
	Mark                  string // points round what is marked
	ID                    string
	Summary               string
	Slope                 string
	Narrowed              bool
	Across                bool
	Mixed, Still, Unknown bool
	Rows                  []timingRow
}

// field is when one picture is on the screen.
type field struct {
	Class  string
	Points string
	X1, X2 float64 // of its beginning at the top and the bottom
	Zone   string  // while it begins across the width
}

// bar is one frame's exposure.
type bar struct {
	Title    string
	X, W     float64
	Segments []segment
}

type segment struct {
	Class string
	Y, H  float64
}

type label struct {
	X    float64
	Text string
	Peak bool
}

// timingRow says in words what the diagram shows of a picture.
type timingRow struct {
	Picture, Alone, Mixed string
}

func draw(t *Timing, c *report.Camera) *diagram {
	n := len(t.Frames)
	if n < 2 {
		return nil
	}
	step := (t.Frames[n-1].End - t.Frames[0].End) / float64(n-1)
	if !(step > 0) {
		return nil
	}
	wide := t.Exposure
	d := &diagram{W: plotW, H: plotH, Left: plotLeft, Top: plotTop, Bottom: plotBottom,
		PlotW: plotRight - plotLeft, PlotH: plotBottom - plotTop, ID: t.ID}
	if !(wide > 0) || wide > widestBar*step {
		wide, d.Narrowed = widestBar*step, wide > widestBar*step
	}
	from, to := t.Frames[0].End-step, t.Frames[n-1].End+step/2
	x := func(s float64) float64 {
		return math.Round(10*(plotLeft+(s-from)/(to-from)*(plotRight-plotLeft))) / 10
	}
	y := func(h float64) float64 { return math.Round(10*(plotTop+h*(plotBottom-plotTop))) / 10 }
	points := func(p ...[2]float64) string {
		var s []string
		for _, q := range p {
			s = append(s, fmt.Sprintf("%g,%g", x(q[0]), y(q[1])))
		}
		return strings.Join(s, " ")
	}
	mid := func(c [4]float64, h float64) float64 {
		return (1-h)*(c[0]+c[1])/2 + h*(c[2]+c[3])/2
	}
	d.pictures(t, x, step, points, mid)
	for _, f := range t.Frames {
		d.bar(t, f, x, y, wide)
	}
	d.axis(t, x)
	d.words(t)
	d.Slope = d.slope(c)
	return d
}

func (d *diagram) pictures(t *Timing, x func(float64) float64, step float64, points func(...[2]float64) string, mid func([4]float64, float64) float64) {
	for _, p := range t.Pictures {
		f := field{
			Class: tint(p.Number),
			Points: points([2]float64{mid(p.Begin, 0), 0}, [2]float64{mid(p.End, 0), 0},
				[2]float64{mid(p.End, 1), 1}, [2]float64{mid(p.Begin, 1), 1}),
			X1: x(mid(p.Begin, 0)), X2: x(mid(p.Begin, 1)),
		}
		if math.Abs(p.Begin[1]-p.Begin[0]) > leastZone*step {
			d.Across = true
			f.Zone = points([2]float64{p.Begin[0], 0}, [2]float64{p.Begin[1], 0}, [2]float64{p.Begin[3], 1}, [2]float64{p.Begin[2], 1})
		}
		d.Fields = append(d.Fields, f)
		peak := t.ID != "" && p.Number == t.Peak
		if peak {
			d.Mark = points([2]float64{mid(p.Begin, t.Top), t.Top}, [2]float64{mid(p.End, t.Top), t.Top},
				[2]float64{mid(p.End, t.Bottom), t.Bottom}, [2]float64{mid(p.Begin, t.Bottom), t.Bottom})
		}
		left, right := max(x(mid(p.Begin, 0)), plotLeft), min(x(mid(p.End, 0)), plotRight)
		text := pictureName(p)
		if p.Index >= 0 && right-left < labelWide*float64(len(text)) {
			text = strconv.Itoa(p.Index)
		}
		if right-left >= labelWide*float64(len(text)) {
			d.Labels = append(d.Labels, label{X: (left + right) / 2, Text: text, Peak: peak})
		}
	}
}

func pictureName(p Picture) string {
	if p.Index < 0 {
		return "not rebuilt"
	}
	return "picture " + strconv.Itoa(p.Index)
}

// tint lets neighbours differ.
func tint(number int) string {
	if number%2 == 0 {
		return "even"
	}
	return "odd"
}

func (d *diagram) bar(t *Timing, f Frame, x, y func(float64) float64, wide float64) {
	b := bar{X: x(f.End - wide)}
	b.W = math.Round(10*(x(f.End)-b.X)) / 10
	var words []string
	top := 0.0
	for _, r := range f.Runs {
		s := segment{Class: tint(r.Picture), Y: y(top)}
		s.H = math.Round(10*(y(r.To)-s.Y)) / 10
		says := t.name(r.Picture)
		switch {
		case !f.Known:
			s.Class, says, d.Unknown = "unknown", "not known", true
		case r.Mixed && r.Still:
			s.Class, says, d.Still = "still", t.name(r.Picture-1)+" or "+says+", which look the same there", true
		case r.Mixed:
			s.Class, says, d.Mixed = "mixed", t.name(r.Picture-1)+" mixed with "+says, true
		}
		b.Segments = append(b.Segments, s)
		words = append(words, fmt.Sprintf("down to %.0f %% of the height %s", 100*r.To, says))
		top = r.To
	}
	b.Title = fmt.Sprintf("Frame %d at %s: %s", f.Number, report.Clock(f.Shown), strings.Join(words, "; "))
	d.Bars = append(d.Bars, b)
}

// name is that of a picture by its number.
func (t *Timing) name(number int) string {
	i := slices.IndexFunc(t.Pictures, func(p Picture) bool { return p.Number == number })
	if i < 0 || t.Pictures[i].Index < 0 {
		return "a picture that was not rebuilt"
	}
	return pictureName(t.Pictures[i])
}

// axis numbers as many frames as there is room for.
func (d *diagram) axis(t *Timing, x func(float64) float64) {
	n := len(t.Frames)
	each := (x(t.Frames[n-1].End) - x(t.Frames[0].End)) / float64(n-1)
	every := func(text string) int {
		room := int(math.Ceil(labelWide * float64(len(text)+1) / each))
		for _, k := range []int{1, 2, 5, 10, 20, 50} {
			if k >= room {
				return k
			}
		}
		return n
	}
	frames, times := every(strconv.Itoa(t.Frames[n-1].Number)), every(report.Clock(t.Frames[n-1].Shown))
	for i, f := range t.Frames {
		at := d.Bars[i].X + d.Bars[i].W/2
		if i%frames == 0 {
			d.Frames = append(d.Frames, label{X: at, Text: strconv.Itoa(f.Number)})
		}
		text := report.Clock(f.Shown)
		if half := labelWide * float64(len(text)) / 2; i%times == times/2 && at-half > plotLeft && at+half < plotW {
			d.Times = append(d.Times, label{X: at, Text: text})
		}
	}
}

func (d *diagram) words(t *Timing) {
	first, last := t.Frames[0], t.Frames[len(t.Frames)-1]
	d.Summary = fmt.Sprintf("Camera frames %d to %d (%s to %s) against the pictures of the set", first.Number, last.Number, report.Clock(first.Shown), report.Clock(last.Shown))
	if t.ID != "" {
		d.Summary += ", around the peak of " + t.ID
	}
	for _, p := range t.Pictures {
		row := timingRow{Picture: pictureName(p)}
		var alone, mixed []int
		for _, f := range t.Frames {
			if !f.Known {
				continue
			}
			isAlone, isMixed := false, false
			for _, r := range f.Runs {
				switch {
				case !r.Mixed || r.Still:
					isAlone = isAlone || r.Picture == p.Number
				default:
					isMixed = isMixed || r.Picture == p.Number || r.Picture-1 == p.Number
				}
			}
			if isAlone {
				alone = append(alone, f.Number)
			}
			if isMixed {
				mixed = append(mixed, f.Number)
			}
		}
		if len(alone)+len(mixed) == 0 {
			continue
		}
		row.Alone, row.Mixed = spans(alone), spans(mixed)
		d.Rows = append(d.Rows, row)
	}
}

// slope is empty where the document does not hold it.
func (d *diagram) slope(c *report.Camera) string {
	if c.Refresh == "" {
		return ""
	}
	s := "A new picture begins to show " + lag(c.DownMs, "at the top", "at the bottom")
	if d.Across {
		s += ", and " + lag(c.AcrossMs, "on the left", "on the right")
	}
	return s + ". This is the set's own update less the camera's readout, of which only the difference can be seen: the camera's " +
		"frames are drawn upright, and the updates with the slope of both."
}

// lag says where something begins, and how much later elsewhere.
func lag(ms float64, first, last string) string {
	const atOnce = 0.05 // ms: a third of a unit of the diagram at 240 frames a second
	if math.Abs(ms) < atOnce {
		return first + " and " + last + " at once"
	}
	if ms < 0 {
		first, last, ms = last, first, -ms
	}
	return first + " and " + report.Number(ms) + " ms later " + last
}

// spans writes numbers that rise, runs of them short.
func spans(list []int) string {
	if len(list) == 0 {
		return "none"
	}
	var out []string
	for i := 0; i < len(list); {
		j := i
		for j+1 < len(list) && list[j+1] == list[j]+1 {
			j++
		}
		switch j - i {
		case 0:
			out = append(out, strconv.Itoa(list[i]))
		case 1:
			out = append(out, strconv.Itoa(list[i]), strconv.Itoa(list[j]))
		default:
			out = append(out, fmt.Sprintf("%d to %d", list[i], list[j]))
		}
		i = j + 1
	}
	return strings.Join(out, ", ")
}
