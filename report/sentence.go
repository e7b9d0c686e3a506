package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"unicode"

	"setwitness/detect"
)

// Sentence says a finding of doc in one plain sentence that can be quoted. Every
// number in it is one that the finding holds, rounded; what the finding does not
// hold is left out, and things are named only as far as the measurement knows
// them. clauses are what else is known of it: where it is absent, for instance.
func Sentence(doc *Findings, n *Finding, clauses ...string) string {
	parts := []string{n.when(doc) + " " + n.what()}
	if d := n.span(doc); d != "" {
		parts = append(parts, d)
	}
	if v := n.visible(); v != "" {
		parts = append(parts, v)
	}
	s := strings.Join(parts, ", ")
	for _, c := range append(clauses, n.blame()) {
		s += "; " + plain(c)
	}
	if settings := doc.Conditions.settings(); settings != "" {
		s += "; settings: " + settings
	}
	return s + "."
}

// long is the length, in s, from which a finding is a stretch of time and no
// moment: what is shorter is over before a viewer has looked at a clock (common
// practice, no source).
const long = 1

func (n *Finding) lasts() bool { return n.EndS-n.StartS >= long }

func (n *Finding) when(doc *Findings) string {
	s := "At " + moment(n.PeakS)
	if n.lasts() {
		s = "From " + moment(n.StartS) + " to " + moment(n.EndS) + ", strongest at " + moment(n.PeakS) + ","
	}
	if doc.View.Kind == "screen" {
		return strings.TrimSuffix(s, ",") + " of the film of the screen,"
	}
	return s
}

// moment states a time to the hundredth of a second.
func moment(s float64) string {
	c := Clock(math.Round(s*100) / 100)
	return c[:len(c)-1]
}

// span says for how long a finding shows that is too short to have a beginning
// and an end.
func (n *Finding) span(doc *Findings) string {
	if n.lasts() {
		return ""
	}
	// Only of frames that are pictures is it known how many there are.
	lines := doc.Take.Height
	if doc.Take.RotationDeg%180 != 0 {
		lines = doc.Take.Width
	}
	if doc.View.Kind != "direct" || doc.View.Raster.Height != lines {
		if n.Kind == detect.CadenceBreak {
			return "within " + Number(n.EndS-n.StartS) + " s"
		}
		return "for " + Number(n.EndS-n.StartS) + " s"
	}
	pictures := float64(n.EndFrame - n.StartFrame + 1)
	switch {
	case n.Kind != detect.CadenceBreak:
		return "for " + count(pictures, "picture")
	case pictures > 1:
		// Not each of them is lost.
		return "within " + count(pictures, "picture")
	}
	return ""
}

// count states how many of a thing there are.
func count(v float64, thing string) string {
	if Number(v) == "1" {
		return "one " + thing
	}
	return Number(v) + " " + thing + "s"
}

// what says what shows and where.
func (n *Finding) what() string {
	r := n.Region
	if n.PeakRegion != nil {
		r = *n.PeakRegion
	}
	at := r.place()
	switch n.Kind {
	case detect.Combing:
		return n.moving(r) + n.combing()
	case detect.Ghost:
		return n.moving(r) + n.ghost()
	case detect.CadenceBreak:
		return n.stumble(at)
	case detect.NearBlackBanding:
		return n.plateaus("a dark gradient " + at)
	case detect.Posterisation:
		if _, ok := n.Measures["step_itp"]; ok {
			return n.plateaus("the colour of a gradient " + at)
		}
		return n.plateaus("a gradient " + at)
	case detect.Macroblocking:
		return n.blocks(at)
	case detect.ColumnStreaks:
		return "thin lines that stay in one place show " + at + ", with a contrast of " + n.Strength.String()
	case detect.Vignetting:
		return "the light falls off " + at + ", by " + n.Strength.String()
	case detect.LimiterStep:
		return "white dims " + at + ", by " + n.Strength.String() + " of its light"
	}
	return strings.ToLower(KindName(n.Kind)) + " shows " + at + ", " + n.Strength.String()
}

// moving names what moves and shows a fault, which is clearest in region r.
func (n *Finding) moving(r Region) string {
	switch {
	case r.Whole():
		return "the moving picture"
	case n.Region.Whole():
		return "the moving picture, most of all a thing " + strings.TrimSuffix(r.place(), "the picture") + "it,"
	}
	return "a moving thing " + r.place()
}

func (n *Finding) combing() string {
	s := " is woven from the lines of two instants"
	if d := n.Measures["displacement_px"]; d > 0 {
		s += " that lie " + Number(d) + " px apart"
	}
	s += ", with an amplitude of " + n.Strength.String() + " of full scale"
	// Lines of two fields alternate, unless the picture was scaled afterwards.
	const natural = "2"
	if p := n.Measures["pitch_lines"]; p > 0 && Number(p) != natural {
		s += ", and repeats every " + Number(p) + " lines"
	}
	return s
}

func (n *Finding) ghost() string {
	s := ""
	ahead, behind := n.Measures["ahead_pct"] > 0, n.Measures["behind_pct"] > 0
	far := func(side string) string {
		if px := n.Measures[side+"_px"]; px > 0 {
			return Number(px) + " px " + side
		}
		return side
	}
	upTo := ""
	switch {
	case ahead && behind:
		s += " shows two extra copies, "
		if a, b := far("ahead"), far("behind"); strings.TrimSuffix(a, "ahead") == strings.TrimSuffix(b, "behind") {
			s += a + " and behind"
		} else {
			s += a + " and " + b
		}
		if Number(n.Measures["ahead_pct"]) != Number(n.Measures["behind_pct"]) {
			upTo = "up to "
		}
	case ahead:
		s += " shows an extra copy, " + far("ahead")
	case behind:
		s += " shows an extra copy, " + far("behind")
	default:
		s += " shows copies of itself"
	}
	s += ", " + upTo + n.Strength.String() + " of its contrast"
	if p := n.Measures["period_pictures"]; p > 0 {
		s += ", again every " + count(p, "picture")
	}
	return s
}

func (n *Finding) stumble(at string) string {
	s := "motion " + at + " stumbles: "
	repeated, lost := n.Measures["pictures_repeated"], n.Measures["pictures_lost"]
	switch {
	case n.Measures["pictures_out_of_order"] > 0:
		s += count(n.Measures["pictures_out_of_order"], "picture") + " shown in the wrong order, each two in place of each other"
		if back := n.Measures["displacement_back_px"]; back > 0 {
			s += ", so that every second step goes " + Number(back) + " px back"
		}
		return s
	case repeated > 0 && lost > 0:
		s += count(repeated, "picture") + " repeated and " + count(lost, "picture") + " lost"
	case repeated > 0:
		s += count(repeated, "picture") + " repeated"
	case lost > 0:
		s += count(lost, "picture") + " lost"
	default:
		s += n.Strength.String() + " lost or repeated"
	}
	before := n.Measures["displacement_before_px"]
	if now, ok := n.Measures["displacement_px"]; ok && before > 0 && Number(now) != Number(before) {
		s += ", so that a step of " + Number(before) + " px becomes one of " + Number(now) + " px"
	}
	if p := n.Measures["period_pictures"]; p > 0 {
		s += ", again every " + count(p, "picture")
	}
	return s
}

func (n *Finding) plateaus(gradient string) string {
	s := gradient + " falls into "
	present, expected := n.Measures["levels_present"], n.Measures["levels_expected"]
	switch {
	case present > 0 && expected > 0:
		s += count(present, "level") + " in place of " + Number(expected)
	case present > 0:
		s += count(present, "level")
	default:
		s += "plateaus"
	}
	if itp := n.Measures["step_itp"]; itp > 0 {
		s += ", in steps of " + Number(itp) + " Delta E ITP"
	} else {
		s += n.steps()
	}
	// What moves by less than a pixel in a second stands still for a viewer.
	const crawling = 1 // px/s
	if v := n.Measures["crawl_px_s"]; v >= crawling {
		s += ", whose edges crawl at " + Number(v) + " px/s"
	}
	return s
}

func (n *Finding) blocks(at string) string {
	const most = 0.5
	s := "block edges show " + at
	// The region goes round all the places that show them.
	if share := n.Measures["area_share"]; share > 0 && share < most*n.Region.W*n.Region.H {
		s = "block edges show here and there " + at
	}
	if n.Measures["dark_share"] > most {
		s += ", mostly in the dark"
	}
	x, y := n.Measures["pitch_x_px"], n.Measures["pitch_y_px"]
	switch {
	case x > 0 && y > 0:
		s += ", on a grid of " + Number(x) + " × " + Number(y) + " px"
	case x > 0:
		s += ", every " + Number(x) + " px across"
	case y > 0:
		s += ", every " + Number(y) + " px down"
	}
	if codes := n.Measures["top_step_codes"]; codes > 0 {
		s += ", in steps of up to " + count(codes, "code")
	}
	if n.Measures["flicker_share"] > most {
		s += ", and boil"
	}
	return s
}

func (n *Finding) steps() string {
	if codes := n.Measures["step_codes"]; codes > 0 {
		return ", in steps of " + count(codes, "code")
	}
	return ""
}

// visible says how well a finding can be seen. A lost picture has no threshold.
func (n *Finding) visible() string {
	if n.Kind == detect.CadenceBreak {
		return ""
	}
	s := Visible(n.VisibilityJND)
	if _, ok := n.Measures["step_itp"]; ok {
		return s // in the unit of the step
	}
	return s + " (" + Number(n.VisibilityJND) + " JND)"
}

// blame says whose fault a finding is, as far as that is known.
func (n *Finding) blame() string {
	switch n.Origin.Verdict {
	case "source":
		return "the source has it too"
	case "set":
		if n.SourceS != nil {
			return "the source does not have it"
		}
		return "the set made it"
	case "capture":
		return "the recording made it, not the set"
	}
	return "whether the set or the source made it is not known"
}

// settings lists those of the set.
func (c Conditions) settings() string {
	var all []string
	for _, k := range slices.Sorted(maps.Keys(c.Settings)) {
		all = append(all, plain(k)+" "+plain(c.Settings[k]))
	}
	return strings.Join(all, ", ")
}

// plain makes one line of a text without control characters.
func plain(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
}

// Bounds of the words for visibility, in JND. 1 is the definition of the
// unit; the two above it are common practice, no source.
const (
	justVisible    = 1
	clearlyVisible = 3
	obvious        = 10
)

// Visible says in words how well something can be seen.
func Visible(jnd float64) string {
	switch {
	case jnd < justVisible:
		return "below the threshold"
	case jnd < clearlyVisible:
		return "just visible"
	case jnd < obvious:
		return "clearly visible"
	}
	return "obvious"
}

// Sizes from which a region is a band or the whole of the picture, as shares of
// its width and height.
const whole, band = 0.9, 0.6

// Whole reports whether a region is the whole picture.
func (r Region) Whole() bool { return r.W >= whole && r.H >= whole }

// thirds names where the middle of a region lies.
func (r Region) thirds() (vertical, horizontal string) {
	third := func(middle float64, names [3]string) string { return names[min(max(int(middle*3), 0), 2)] }
	return third(r.Y+r.H/2, [3]string{"upper", "middle", "lower"}), third(r.X+r.W/2, [3]string{"left", "centre", "right"})
}

// place says where a region lies, as a part of a sentence.
func (r Region) place() string {
	v, h := r.thirds()
	switch {
	case r.Whole():
		return "all over the picture"
	case r.W >= band && r.H >= band:
		return "in most of the picture"
	case r.W >= band && v == "middle":
		return "across the middle of the picture"
	case r.W >= band:
		return "across the " + v + " part of the picture"
	case r.H >= band && h == "centre":
		return "down the middle of the picture"
	case r.H >= band:
		return "down the " + h + " of the picture"
	case v == "middle" && h == "centre":
		return "in the middle of the picture"
	case v == "middle":
		return fmt.Sprintf("at the %s of the picture", h)
	case h == "centre":
		return fmt.Sprintf("in the %s part of the picture", v)
	}
	return fmt.Sprintf("in the %s %s of the picture", v, h)
}
