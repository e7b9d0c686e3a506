package page

import (
	"fmt"
	"math"
	"strings"

	"setwitness/detect"
	"setwitness/report"
)

// strengthWords says what the strength of a kind measures.
func strengthWords(k detect.Kind) string {
	switch k {
	case detect.Combing:
		return "comb amplitude, of full scale"
	case detect.Ghost:
		return "copy, of the thing's own contrast"
	case detect.CadenceBreak:
		return "lost or repeated"
	case detect.NearBlackBanding, detect.Posterisation:
		return "step between plateaus"
	case detect.Macroblocking:
		return "step at block edges"
	case detect.ColumnStreaks:
		return "contrast of the lines"
	case detect.Vignetting:
		return "fall-off"
	case detect.LimiterStep:
		return "fall of linear light"
	}
	return ""
}

// measureUnits are the endings of the names of measures.
var measureUnits = map[string]string{
	"px": "px", "percent": "%", "pct": "%", "lines": "lines", "ms": "ms", "s": "s", "deg": "°", "hz": "Hz",
	"codes": "codes", "code": "code", "pictures": "pictures", "fields": "fields", "jnd": "JND", "nits": "cd/m²",
	"bits": "bits", "itp": "ΔE ITP", "per_s": "a second", "px_s": "px/s",
}

// measure turns the name of a measure, which ends in its unit, into words.
func measure(name string, v float64) fact {
	if name == "leading_field" {
		return fact{"earlier field", earlierField(v)}
	}
	for _, end := range []string{"per_s", "px_s"} {
		if what, ok := strings.CutSuffix(name, "_"+end); ok {
			return fact{strings.ReplaceAll(what, "_", " "), report.Number(v) + " " + measureUnits[end]}
		}
	}
	if i := strings.LastIndexByte(name, '_'); i > 0 {
		if unit, ok := measureUnits[name[i+1:]]; ok {
			return fact{strings.ReplaceAll(name[:i], "_", " "), report.Number(v) + " " + unit}
		}
		if name[i+1:] == "share" {
			return fact{strings.ReplaceAll(name[:i], "_", " "), report.Number(100*v) + " %"}
		}
	}
	return fact{strings.ReplaceAll(name, "_", " "), report.Number(v)}
}

// earlierField says which lines of a woven picture are of the earlier instant.
func earlierField(v float64) string {
	switch v {
	case 1:
		return "top"
	case 2:
		return "bottom"
	}
	return "not known"
}

func coverageNote(c report.Coverage) string {
	switch {
	case c.State == detect.NotExaminable:
		return "not examinable"
	case c.Floor != nil:
		return "floor " + c.Floor.String()
	}
	return ""
}

// coverageWords says what was looked at.
func coverageWords(c report.Coverage) string {
	why := strings.TrimSuffix(c.Why, ".")
	switch {
	case c.State == detect.NotExaminable && c.Why == report.NotBuilt:
		return "not looked for, because this is not built yet."
	case c.State == detect.NotExaminable && why == "":
		return "this take could not have shown it."
	case c.State == detect.NotExaminable:
		return "this take could not have shown it: " + why + "."
	}
	s := fmt.Sprintf("examined for %.1f s", c.Seconds)
	switch {
	case c.State == detect.Limited && why != "":
		s += ", with limits: " + why
	case c.State == detect.Limited:
		s += ", with limits"
	case why != "":
		s += " (" + why + ")"
	}
	return s + "."
}

// floorWords says what the weakest fault is that would have been found.
func floorWords(c report.Coverage) string {
	if c.State == detect.NotExaminable || c.Floor == nil {
		return ""
	}
	q := c.Floor.String()
	var s string
	switch c.Kind {
	case detect.Combing:
		s = "A comb of " + q + " of full scale or more on something that moves"
	case detect.Ghost:
		s = "A copy with " + q + " or more of the contrast of the thing that moves"
	case detect.CadenceBreak:
		s = q + " or more lost or repeated while something moves"
	case detect.NearBlackBanding, detect.Posterisation:
		s = "A step of " + q + " or more from one plateau to the next"
	case detect.Macroblocking:
		s = "A step of " + q + " or more at block edges"
	case detect.ColumnStreaks:
		s = "Lines with a contrast of " + q + " or more"
	case detect.Vignetting:
		s = "A fall-off of " + q + " or more"
	case detect.LimiterStep:
		s = "A fall of the light by " + q + " or more"
	default:
		s = q + " or more"
	}
	return s + " would have been found; less may have been missed."
}

// fieldWords says what was done about fields, which the raster and the scan
// of the take tell.
func fieldWords(doc *report.Findings) string {
	if doc.View.Kind == "screen" {
		return "Nothing: a camera's frames have none. Each picture that the set showed was rebuilt from them and examined as one."
	}
	lines := doc.Take.Height
	if doc.Take.RotationDeg%180 != 0 {
		lines = doc.Take.Width
	}
	first := "top"
	if doc.Take.Scan == report.InterlacedBottom {
		first = "bottom"
	}
	interlaced := doc.Take.Scan == report.InterlacedTop || doc.Take.Scan == report.InterlacedBottom
	split := doc.View.Kind == "direct" && (doc.View.Raster.Height == lines/2 || doc.View.Raster.Height == (lines+1)/2) && lines > 1
	switch {
	case split && interlaced:
		return "The file is flagged interlaced, " + first + " field first. Its frames were split, and each field was examined " +
			"as a picture of its own, as a set receives it. Combing between the two fields of one frame is the nature of " +
			"such a signal and no finding here."
	case split:
		return "The file is flagged progressive; its frames were split into fields because that was asked for, and each " +
			"field was examined as a picture of its own."
	case interlaced:
		return "The file is flagged interlaced, " + first + " field first; its frames were examined woven, as they are. " +
			"Combing in it may be nothing but its own fields."
	}
	return "The file is flagged progressive, and each frame was examined as one picture. Fields woven into such frames are a finding."
}

func facts(doc *report.Findings) []fact {
	t := doc.Take
	out := []fact{
		{"File", t.Path},
		{"Picture", fmt.Sprintf("%d × %d, %s", t.Width, t.Height, t.PixelFormat)},
		{"Codec", t.Codec},
	}
	add := func(name, value string) {
		if value != "" {
			out = append(out, fact{name, value})
		}
	}
	add("Container", t.Container)
	rate := rateWords(t.FrameRate)
	if t.VariableFrameRate {
		rate += ", variable"
	}
	add("Frame rate", rate)
	add("Scan", strings.NewReplacer("-tff", ", top field first", "-bff", ", bottom field first").Replace(string(t.Scan)))
	add("Length", fmt.Sprintf("%s, %d frames", report.Length(t.DurationS), t.Frames))
	if t.RotationDeg != 0 {
		add("Rotation", fmt.Sprintf("%d°", t.RotationDeg))
	}
	var colour []string
	for _, c := range []fact{{"transfer", t.Transfer}, {"primaries", t.Primaries}, {"matrix", t.Matrix}, {"range", t.Range}} {
		if c.Value != "" {
			colour = append(colour, c.Name+" "+c.Value)
		}
	}
	add("Colour", strings.Join(colour, ", "))
	add("Examined raster", fmt.Sprintf("%d × %d", doc.View.Raster.Width, doc.View.Raster.Height))
	if v := doc.View; v.Why != "" {
		of := "the signal itself"
		if v.Kind == "screen" {
			of = "a screen"
		}
		add("A take of", of+": "+v.Why)
	}
	if a := doc.Alignment; a != nil {
		add("Source", a.Path+": "+a.Words())
	}
	out = append(out, screenFacts(doc)...)
	if t.DamagedPackets > 0 {
		add("Damaged packets", fmt.Sprint(t.DamagedPackets))
	}
	add("SHA-256", t.SHA256)
	return out
}

// rateWords states a rate of frames, "30000/1001", as a number.
func rateWords(rate string) string {
	var n, d float64
	if _, err := fmt.Sscanf(rate, "%f/%f", &n, &d); err != nil || d == 0 || n == 0 {
		return "not stated"
	}
	return fmt.Sprintf("%g a second", math.Round(n/d*1000)/1000)
}
