// Package page writes the findings of one take as one HTML file that opens
// anywhere without a network.
//
// In: the findings document and the pictures that prove it. Out: the file,
// with style, script and pictures inside it. The page states what the
// document holds and computes nothing of its own.
package page

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/crops"
)

//go:embed page.html
var source string

//go:embed page.css
var style string

//go:embed page.js
var script string

// Write writes the page. shots are those that crops.Make returned for doc, or
// nil for a page without pictures; aspect is the width of a raster pixel over
// its height (crops.PixelAspect); screen is nil for a direct take; pairs are the
// pictures of differences from a source.
func Write(w io.Writer, doc *report.Findings, shots []crops.Shots, aspect float64, screen *Screen, pairs []Pair) error {
	t, err := template.New("page").Funcs(template.FuncMap{
		"clock":  report.Clock,
		"length": report.Length,
		"num":    report.Number,
	}).Parse(source)
	if err != nil {
		return err
	}
	v := build(doc, shots, aspect, screen)
	v.Differences = differences(doc, pairs, aspect)
	return t.Execute(w, v)
}

// view is what the template shows.
type view struct {
	Doc      *report.Findings
	Name     string
	Slot     template.HTML // where AddPlayer puts a player
	Style    template.CSS
	Script   template.JS
	Summary  string
	Lanes    []lane
	Resting  []string // kinds without a lane
	Ticks    []tick
	Cadence  []stretch
	Findings []finding
	Kinds    []kind // of the findings, in the order of the schema
	Coverage []row
	Facts    []fact
	Screen   *exhibit // nil for a direct take
	// Differences are where the source has detail that the take lost.
	Differences []difference
	Fields      string
	Mapping     string
	Duration    float64
}

type fact struct{ Name, Value string }

type tick struct {
	At    float64 // percent of the time line
	Label string
}

type lane struct {
	kind
	Note  string
	Marks []mark
}

type mark struct {
	ID, Title   string
	Left, Width float64 // percent of the time line
}

type stretch struct {
	report.Cadence
	Left, Width float64
	Shade       int // how it is shaded, by pattern
}

type row struct {
	kind
	State        detect.CoverageState
	Words, Floor string
}

type kind struct {
	Slug  detect.Kind
	Name  string
	Count int
}

type finding struct {
	report.Finding
	Rank     int
	Title    string
	Sentence string // the finding in words, to be quoted
	What     string // what the strength measures
	Where    string
	Visible  string
	Measures []fact
	Panels   []panel // none where the page carries no pictures of it
	Context  *panel
	Spread   []panel // the crop lifted and a profile, for small steps of code
	Lossy    bool
	Files    []file
}

type panel struct {
	Name    string
	Caption string // where it says more than the name
	Alt     string
	Src     template.URL // empty: the take has no such picture
	W, H    int          // size when shown: pixels of the picture, stretched to their aspect
}

type file struct{ Name, Path string }

func build(doc *report.Findings, shots []crops.Shots, aspect float64, screen *Screen) *view {
	v := &view{
		Doc:      doc,
		Name:     filepath.Base(doc.Take.Path),
		Style:    Style(),
		Script:   CopyScript() + JumpScript() + template.JS(script),
		Slot:     slotStart + slotEnd,
		Screen:   exhibitOf(doc, screen),
		Fields:   fieldWords(doc),
		Mapping:  crops.Mapping(doc.Take.Transfer),
		Facts:    facts(doc),
		Duration: doc.Take.DurationS,
	}
	for _, f := range doc.Findings {
		v.Duration = max(v.Duration, f.EndS)
	}
	for _, c := range doc.Cadence {
		v.Duration = max(v.Duration, c.EndS)
	}
	v.Ticks = ticks(v.Duration)
	v.lanes()
	v.cadence()
	for i := range doc.Findings {
		var s crops.Shots
		if i < len(shots) {
			s = shots[i]
		}
		v.Findings = append(v.Findings, describe(doc, i, s, aspect))
	}
	v.Summary = v.summary()
	if r := doc.Reference; r.Differs() {
		v.Summary += " Detail of the source is lost " + times(len(r.Differences)) + "."
	}
	return v
}

// place gives the percentages of a stretch of time on the time line.
func (v *view) place(start, end float64) (left, width float64) {
	if v.Duration <= 0 {
		return 0, 100
	}
	share := func(s float64) float64 { return math.Round(1e5*min(max(s/v.Duration, 0), 1)) / 1e3 }
	left = share(start)
	return left, max(share(end)-left, 0)
}

func (v *view) lanes() {
	for _, c := range v.Doc.Coverage {
		k := kind{Slug: c.Kind, Name: report.KindName(c.Kind)}
		l := lane{kind: k, Note: coverageNote(c)}
		for _, f := range v.Doc.Findings {
			if f.Kind != c.Kind {
				continue
			}
			left, width := v.place(f.StartS, f.EndS)
			title := fmt.Sprintf("%s %s at %s, %s", f.ID, k.Name, report.Clock(f.PeakS), f.Strength.String())
			l.Marks = append(l.Marks, mark{f.ID, title, left, width})
		}
		slices.SortStableFunc(l.Marks, func(a, b mark) int { return strings.Compare(a.ID, b.ID) })
		l.Count = len(l.Marks)
		k.Count = l.Count
		if c.State != detect.NotExaminable || l.Count > 0 {
			v.Lanes = append(v.Lanes, l)
		} else {
			v.Resting = append(v.Resting, strings.ToLower(k.Name))
		}
		if l.Count > 0 {
			v.Kinds = append(v.Kinds, k)
		}
		v.Coverage = append(v.Coverage, row{k, c.State, coverageWords(c), floorWords(c)})
	}
}

func (v *view) cadence() {
	const shades = 4
	var patterns []string
	for _, c := range v.Doc.Cadence {
		i := slices.Index(patterns, c.Pattern)
		if i < 0 {
			i = len(patterns)
			patterns = append(patterns, c.Pattern)
		}
		left, width := v.place(c.StartS, c.EndS)
		v.Cadence = append(v.Cadence, stretch{c, left, width, i % shades})
	}
}

func (v *view) summary() string {
	n := len(v.Doc.Findings)
	took := report.Length(v.Doc.Take.DurationS)
	switch {
	case n == 0 && v.Doc.Reference.Differs():
		// Lost detail is of none of the kinds.
		return "No findings in " + took + " of this take."
	case n == 0:
		return "Nothing was found in " + took + " of this take."
	}
	var parts []string
	for _, k := range v.Kinds {
		parts = append(parts, howMany(k))
	}
	if n == 1 {
		return "One finding in " + took + ": " + strings.ToLower(v.Kinds[0].Name) + "."
	}
	return fmt.Sprintf("%d findings in %s: %s.", n, took, strings.Join(parts, ", "))
}

// howMany counts the findings of a kind. Only some kinds are things that can be
// counted.
func howMany(k kind) string {
	name := strings.ToLower(k.Name)
	switch k.Slug {
	case detect.Ghost, detect.CadenceBreak, detect.LimiterStep:
		if k.Count != 1 {
			name += "s"
		}
		return fmt.Sprintf("%d %s", k.Count, name)
	}
	return fmt.Sprintf("%d of %s", k.Count, name)
}

func describe(doc *report.Findings, i int, s crops.Shots, aspect float64) finding {
	f, raster := doc.Findings[i], doc.View.Raster
	d := finding{
		Finding:  f,
		Rank:     i + 1,
		Title:    report.KindName(f.Kind),
		Sentence: report.Sentence(doc, &f),
		What:     strengthWords(f.Kind),
		Where:    f.Region.Where(),
		Visible:  report.Visible(f.VisibilityJND),
	}
	names := make([]string, 0, len(f.Measures))
	for name := range f.Measures {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		d.Measures = append(d.Measures, measure(name, f.Measures[name]))
	}
	for _, e := range []file{{"crop", f.Evidence.Crop}, {"whole picture", f.Evidence.Context}, {"before, at and after", f.Evidence.Strip},
		{"lifted crop", f.Evidence.Lifted}, {"profile", f.Evidence.Profile}} {
		if e.Path != "" {
			d.Files = append(d.Files, e)
		}
	}
	if s.Panels[1].W == 0 {
		return d
	}
	d.Lossy = s.Panels[1].Type == "image/jpeg"
	at := [3]string{"one picture before the peak", "at the peak, " + report.Clock(f.PeakS), "one picture after the peak"}
	for i, name := range []string{"Before", "At the peak", "After"} {
		p := show(s.Panels[i], aspect)
		p.Name, p.Alt = name, fmt.Sprintf("%s, %s: the place %s", f.ID, strings.ToLower(d.Title), at[i])
		d.Panels = append(d.Panels, p)
	}
	if s.Context.W > 0 {
		// The context was reduced to about square pixels; the raster says
		// what is left.
		c := show(s.Context, aspect*float64(raster.Width*s.Context.H)/float64(raster.Height*s.Context.W))
		c.Name, c.Alt = "Whole picture", fmt.Sprintf("%s: the whole picture at %s, the place outlined, %s", f.ID, report.Clock(f.PeakS), d.Where)
		d.Context = &c
	}
	spread := "The place with its codes spread"
	if s.Lift != "" {
		spread += ": " + s.Lift
	}
	for _, e := range []struct {
		image              crops.Image
		name, caption, alt string
	}{
		{s.Lifted, "Lifted", spread, "the place with its codes spread until the steps show"},
		{s.Profile, "Profile", "Profile of " + s.Plotted + " across the place", "plot of the " + s.Plotted + " code across the place"},
	} {
		if e.image.W == 0 {
			continue
		}
		c := show(e.image, 1)
		c.Name, c.Caption, c.Alt = e.name, e.caption, fmt.Sprintf("%s, %s: %s", f.ID, strings.ToLower(d.Title), e.alt)
		d.Spread = append(d.Spread, c)
	}
	return d
}

func show(i crops.Image, aspect float64) panel {
	if i.W == 0 {
		return panel{}
	}
	w, h := float64(i.W), float64(i.H)
	// Stretched and never squeezed, so that no pixel is lost.
	if aspect >= 1 {
		w *= aspect
	} else if aspect > 0 {
		h /= aspect
	}
	src := "data:" + i.Type + ";base64," + base64.StdEncoding.EncodeToString(i.Data)
	return panel{Src: template.URL(src), W: int(math.Round(w)), H: int(math.Round(h))}
}

// ticks puts no more than a handful of round times on the time line.
func ticks(duration float64) []tick {
	const most = 6
	steps := []float64{0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400}
	if !(duration > 0) {
		return []tick{{0, "0"}}
	}
	step := steps[len(steps)-1]
	for _, s := range steps {
		if duration/s <= most {
			step = s
			break
		}
	}
	if duration/step > most {
		step = math.Ceil(duration / most)
	}
	var out []tick
	for i := 0; float64(i)*step <= duration*1.0001; i++ {
		t := float64(i) * step
		out = append(out, tick{math.Round(1e5*min(t/duration, 1)) / 1e3, shortClock(t, step)})
	}
	return out
}

// shortClock leaves out the digits that a step does not need.
func shortClock(s, step float64) string {
	c := report.Clock(s)
	switch {
	case step >= 1:
		return c[:len(c)-4]
	case step >= 0.1:
		return c[:len(c)-2]
	}
	return c[:len(c)-1]
}
