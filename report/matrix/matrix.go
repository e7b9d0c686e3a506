// Package matrix lays many takes with different settings of a set beside each
// other: which fault shows under which of them.
//
// In: scans that state settings. Out: a Matrix: one row for each fault, one
// column for each combination of settings, and for each row a sentence that says
// which setting best separates the takes that show it from those that do not,
// and how sure that is; its JSON, which keeps to matrix.schema.json, a table for
// spreadsheets, and a page.
package matrix

import (
	"cmp"
	_ "embed"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/statistics"
)

// SchemaName is the value of the document's field "schema".
const SchemaName = "setwitness.matrix/1"

// SchemaJSON is the document's own JSON schema (draft 2020-12).
//
//go:embed matrix.schema.json
var SchemaJSON []byte

// Matrix is the document.
type Matrix struct {
	Schema  string         `json:"schema"`
	Tool    report.Tool    `json:"tool"`
	Created string         `json:"created,omitempty"` // RFC 3339
	Takes   []compare.Pass `json:"takes"`
	// Settings are those that are not the same in all takes, Columns their
	// combinations.
	Settings []Setting `json:"settings"`
	Columns  []Column  `json:"columns"`
	// Confounded are settings that always changed together, so that nothing
	// tells which of them did it.
	Confounded [][]string `json:"confounded"`
	Rows       []Row      `json:"rows"` // the most visible first
	Words      string     `json:"words"`
	Warnings   []string   `json:"warnings"`
}

// Setting is one that differs, with its values. A take that does not state it
// has the value NotStated.
type Setting struct {
	Name   string   `json:"name"`
	Values []string `json:"values"`
}

// NotStated stands for the value of a setting that a take does not state.
const NotStated = "not stated"

// Column is one combination of settings.
type Column struct {
	Settings map[string]string `json:"settings"` // those that differ
	Takes    []int             `json:"takes"`
}

// Row is one fault.
type Row struct {
	ID      string        `json:"id"`
	Kind    detect.Kind   `json:"kind"`
	Region  report.Region `json:"region"`
	SourceS *float64      `json:"source_s,omitempty"`
	StartS  float64       `json:"start_s"` // of the first take
	EndS    float64       `json:"end_s"`
	// VisibilityJND is that of the take that shows it best.
	VisibilityJND float64     `json:"visibility_jnd"`
	Cells         []Cell      `json:"cells"` // one for each column
	Best          *Separation `json:"best,omitempty"`
	// Both is a pair of settings that separates better than any single one.
	Both  *Separation `json:"both,omitempty"`
	Words string      `json:"words"`
}

// Cell is what the takes of a column show of a fault.
type Cell struct {
	Seen     int              `json:"seen"`
	Of       int              `json:"of"` // takes that could have shown it
	SeenLow  float64          `json:"seen_low"`
	SeenHigh float64          `json:"seen_high"`          // Wilson interval
	Strength *report.Quantity `json:"strength,omitempty"` // mean of the takes that show it
	Unable   []string         `json:"unable,omitempty"`   // why takes could not have shown it
	Findings []compare.Ref    `json:"findings,omitempty"` // Pass is an index among the takes
}

// Separation is how well settings separate the takes that show a fault from
// those that do not.
type Separation struct {
	// Values are the settings and their values on one side; all other takes are
	// on the other side.
	Values map[string]string `json:"values"`
	// With of WithOf takes with these values show the fault, Without of
	// WithoutOf without.
	With      int `json:"with"`
	WithOf    int `json:"with_of"`
	Without   int `json:"without"`
	WithoutOf int `json:"without_of"`
	// P is that of Fisher's exact test, two-sided; PHolm is corrected for the
	// Tried ways to divide the takes; LeastP is what a clean division of as many
	// takes would have given.
	P      float64 `json:"p"`
	PHolm  float64 `json:"p_holm"`
	Tried  int     `json:"tried"`
	LeastP float64 `json:"least_p"`
	// Settled says that PHolm is below 0.05.
	Settled bool `json:"settled"`
}

// Options are those of a matrix.
type Options struct {
	Version string
	Created time.Time // zero: not stated
}

// settledLevel is below which a division is believed.
const settledLevel = 1 - statistics.Level

// Build lays scans beside each other.
func Build(scans []*compare.Scan, o Options) (*Matrix, error) {
	if len(scans) < 2 {
		return nil, errors.New("a matrix needs two scans or more")
	}
	g := compare.Gather(scans)
	m := &Matrix{
		Schema: SchemaName, Tool: report.Tool{Name: "setwitness", Version: o.Version}, Takes: g.Passes,
		Settings: settings(scans), Rows: []Row{}, Confounded: [][]string{}, Warnings: compare.Warnings(scans),
	}
	if !o.Created.IsZero() {
		m.Created = o.Created.UTC().Format(time.RFC3339)
	}
	for i, p := range g.Passes {
		if p.AlignedBy == compare.Unaligned {
			m.Warnings = append(m.Warnings, fmt.Sprintf("%s cannot be laid beside the first take, and counts nowhere: %s", scans[i].Name(), p.AlignedWhy))
		}
	}
	m.columns(scans)
	ways := m.divisions(scans)
	for i := range g.Faults {
		m.Rows = append(m.Rows, m.row(&g.Faults[i], g, ways))
	}
	for i := range m.Rows {
		m.Rows[i].ID = fmt.Sprintf("m%03d", i+1)
	}
	slices.SortStableFunc(m.Rows, func(a, b Row) int { return cmp.Compare(b.VisibilityJND, a.VisibilityJND) })
	m.Words = m.words()
	return m, nil
}

func value(s *compare.Scan, name string) string {
	if v, ok := s.Doc.Conditions.Settings[name]; ok {
		return v
	}
	return NotStated
}

// settings are those that are not the same in all scans.
func settings(scans []*compare.Scan) []Setting {
	names := map[string]bool{}
	for _, s := range scans {
		for name := range s.Doc.Conditions.Settings {
			names[name] = true
		}
	}
	out := []Setting{}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		x := Setting{Name: name}
		for _, s := range scans {
			if v := value(s, name); !slices.Contains(x.Values, v) {
				x.Values = append(x.Values, v)
			}
		}
		if len(x.Values) > 1 {
			slices.Sort(x.Values)
			out = append(out, x)
		}
	}
	return out
}

// columns gathers the scans of each combination, in the order of the scans.
func (m *Matrix) columns(scans []*compare.Scan) {
	for i, s := range scans {
		combination := map[string]string{}
		for _, x := range m.Settings {
			combination[x.Name] = value(s, x.Name)
		}
		k := slices.IndexFunc(m.Columns, func(c Column) bool { return maps.Equal(c.Settings, combination) })
		if k < 0 {
			k = len(m.Columns)
			m.Columns = append(m.Columns, Column{Settings: combination})
		}
		m.Columns[k].Takes = append(m.Columns[k].Takes, i)
	}
}

// division parts the scans in two by the values of one setting or two.
type division struct {
	values map[string]string
	also   []string // other settings that part the scans in the same way
	inside []bool   // of each scan
}

func (d *division) same(o []bool) bool {
	if slices.Equal(d.inside, o) {
		return true
	}
	for i := range o {
		if d.inside[i] == o[i] {
			return false
		}
	}
	return true
}

// divisions lists the ways to part the scans: by one value of a setting against
// all others, then by the values of two settings. Settings that part them in the
// same way are one, and said to be confounded.
func (m *Matrix) divisions(scans []*compare.Scan) []division {
	var ways []division
	add := func(values map[string]string, inside []bool) {
		if !slices.Contains(inside, true) || !slices.Contains(inside, false) {
			return
		}
		k := slices.IndexFunc(ways, func(d division) bool { return d.same(inside) })
		if k < 0 {
			ways = append(ways, division{values: values, inside: inside})
			return
		}
		if len(values) > 1 || len(ways[k].values) > 1 {
			return
		}
		for name := range values {
			if _, own := ways[k].values[name]; !own && !slices.Contains(ways[k].also, name) {
				ways[k].also = append(ways[k].also, name)
			}
		}
	}
	inside := func(values map[string]string) []bool {
		out := make([]bool, len(scans))
		for i, s := range scans {
			out[i] = true
			for name, v := range values {
				out[i] = out[i] && value(s, name) == v
			}
		}
		return out
	}
	for _, x := range m.Settings {
		for _, v := range x.Values {
			values := map[string]string{x.Name: v}
			add(values, inside(values))
		}
	}
	for _, d := range ways {
		if len(d.also) == 0 {
			continue
		}
		names := append(slices.Sorted(maps.Keys(d.values)), d.also...)
		if !slices.ContainsFunc(m.Confounded, func(o []string) bool { return slices.Equal(o, names) }) {
			m.Confounded = append(m.Confounded, names)
		}
	}
	for i, x := range m.Settings {
		for _, y := range m.Settings[:i] {
			for _, v := range x.Values {
				for _, w := range y.Values {
					values := map[string]string{x.Name: v, y.Name: w}
					add(values, inside(values))
				}
			}
		}
	}
	return ways
}

func (m *Matrix) row(f *compare.Fault, g *compare.Gathering, ways []division) Row {
	r := Row{Kind: f.Kind, Region: f.Region}
	r.StartS, r.EndS, r.SourceS = g.Own(f)
	for i := range f.Passes {
		r.VisibilityJND = max(r.VisibilityJND, f.Passes[i].Visibility)
	}
	for _, c := range m.Columns {
		r.Cells = append(r.Cells, cell(f, c))
	}
	r.separate(f, ways)
	return r
}

func cell(f *compare.Fault, c Column) Cell {
	out := Cell{}
	logs := 0.0
	for _, i := range c.Takes {
		o := &f.Passes[i]
		switch {
		case o.Seen():
			out.Seen++
			out.Of++
			logs += math.Log(o.Strength)
			for _, n := range o.Findings {
				out.Findings = append(out.Findings, compare.Ref{Pass: i, ID: n.ID, PeakS: n.PeakS})
			}
		case o.Able():
			out.Of++
		case !slices.Contains(out.Unable, o.Unable):
			out.Unable = append(out.Unable, o.Unable)
		}
	}
	w := statistics.Wilson(out.Seen, out.Of)
	out.SeenLow, out.SeenHigh = report.Round(w.Low), report.Round(w.High)
	if out.Seen > 0 {
		out.Strength = &report.Quantity{Value: report.Round(math.Exp(logs / float64(out.Seen))), Unit: f.Kind.Unit()}
	}
	return out
}

// separate finds the setting, and the pair of them, that best separates the
// takes that show a fault from those that do not.
func (r *Row) separate(f *compare.Fault, ways []division) {
	var all []Separation
	var index []int
	for k, d := range ways {
		s := Separation{Values: d.values}
		for i := range f.Passes {
			o := &f.Passes[i]
			if !o.Able() {
				continue
			}
			seen := 0
			if o.Seen() {
				seen = 1
			}
			if d.inside[i] {
				s.With, s.WithOf = s.With+seen, s.WithOf+1
			} else {
				s.Without, s.WithoutOf = s.Without+seen, s.WithoutOf+1
			}
		}
		if s.WithOf == 0 || s.WithoutOf == 0 {
			continue
		}
		// The counts are sums of ones.
		s.P, _ = statistics.Fisher(s.With, s.WithOf-s.With, s.Without, s.WithoutOf-s.Without)
		s.LeastP, _ = statistics.Fisher(s.WithOf, 0, 0, s.WithoutOf)
		s.P, s.LeastP = report.Round(s.P), report.Round(s.LeastP)
		all, index = append(all, s), append(index, k)
	}
	// A single setting is corrected for how many single ones there are; a pair,
	// of which there are many more, for all ways together.
	correct(all, true)
	correct(all, false)
	best, both := -1, -1
	for i := range all {
		to := &best
		if len(all[i].Values) > 1 {
			to = &both
		}
		if *to < 0 || all[i].better(&all[*to]) {
			*to = i
		}
	}
	var also []string
	if best >= 0 {
		r.Best, also = &all[best], ways[index[best]].also
	}
	if both >= 0 && best >= 0 && all[both].P < all[best].P {
		r.Both = &all[both]
	}
	r.Words = r.words(f, also)
}

// correct states the corrected chances of the single settings, or of the pairs.
func correct(all []Separation, single bool) {
	var p []float64
	var index []int
	for i := range all {
		if !single || len(all[i].Values) == 1 {
			p, index = append(p, all[i].P), append(index, i)
		}
	}
	for k, corrected := range statistics.Holm(p) {
		if s := &all[index[k]]; single == (len(s.Values) == 1) {
			s.PHolm, s.Tried, s.Settled = report.Round(corrected), len(p), corrected < settledLevel
		}
	}
}

// better puts the smaller chance first, then the larger difference.
func (s *Separation) better(o *Separation) bool {
	if s.P != o.P {
		return s.P < o.P
	}
	return s.gap() > o.gap()
}

func (s *Separation) gap() float64 {
	return math.Abs(float64(s.With)/float64(s.WithOf) - float64(s.Without)/float64(s.WithoutOf))
}

func (r *Row) words(f *compare.Fault, also []string) string {
	seen, able := 0, 0
	for i := range f.Passes {
		if f.Passes[i].Able() {
			able++
		}
		if f.Passes[i].Seen() {
			seen++
		}
	}
	switch {
	case seen == 1 && able == 1:
		return "Present in the one take that could have shown it, which says nothing of settings."
	case seen == able:
		return fmt.Sprintf("Present in all %s that could have shown it: none of these settings takes it away.", count(able, "take"))
	case r.Best == nil:
		return fmt.Sprintf("Seen in %d of %d takes; no setting parts them.", seen, able)
	}
	words := r.Best.words(also)
	if r.Both != nil {
		words += " Two settings together part them better: " + lower(r.Both.words(nil))
	}
	return words
}

// count states a number of things.
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// words says a separation as a reviewer may write it, and how sure it is.
func (s *Separation) words(also []string) string {
	name := valueWords(s.Values)
	with, without := fmt.Sprintf("%d of %s", s.With, count(s.WithOf, "take")), fmt.Sprintf("%d of %d", s.Without, s.WithoutOf)
	var b strings.Builder
	switch {
	case s.With == 0 && s.Without > 0:
		fmt.Fprintf(&b, "Gone with %s (%s), present otherwise (%s)", name, with, without)
	case s.Without == 0 && s.With > 0:
		fmt.Fprintf(&b, "Present with %s (%s), gone otherwise (%s)", name, with, without)
	case s.With*s.WithoutOf < s.Without*s.WithOf:
		fmt.Fprintf(&b, "Rarer with %s (%s) than otherwise (%s)", name, with, without)
	case s.With*s.WithoutOf > s.Without*s.WithOf:
		fmt.Fprintf(&b, "More frequent with %s (%s) than otherwise (%s)", name, with, without)
	default:
		fmt.Fprintf(&b, "As frequent with %s (%s) as otherwise (%s)", name, with, without)
	}
	fmt.Fprintf(&b, ": p = %s by Fisher's exact test", report.Number(s.P))
	if s.Tried > 1 {
		fmt.Fprintf(&b, ", %s after Holm's correction for the %d ways tried to part the takes", report.Number(s.PHolm), s.Tried)
	}
	switch {
	case s.Settled:
	case s.LeastP*float64(s.Tried) >= settledLevel:
		fmt.Fprintf(&b, "; not settled, and %s against %d can settle nothing here: a clean division of them has p = %s", count(s.WithOf, "take"), s.WithoutOf, report.Number(s.LeastP))
	default:
		b.WriteString("; not settled")
	}
	b.WriteString(".")
	if len(also) > 0 {
		fmt.Fprintf(&b, " %s changed together with %s in all takes, so that either may be it.", strings.Join(also, " and "), strings.Join(slices.Sorted(maps.Keys(s.Values)), " and "))
	}
	return b.String()
}

func valueWords(values map[string]string) string {
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if values[name] == NotStated {
			parts = append(parts, name+" not stated")
		} else {
			parts = append(parts, name+"="+values[name])
		}
	}
	return strings.Join(parts, " and ")
}

// words says it all in a sentence.
func (m *Matrix) words() string {
	if len(m.Rows) == 0 {
		return "No take shows a fault."
	}
	if len(m.Settings) == 0 {
		return "The takes do not differ in any setting that is stated, so that nothing can be said of settings."
	}
	settled := 0
	first := ""
	for i := range m.Rows {
		r := &m.Rows[i]
		if r.Best != nil && r.Best.Settled || r.Both != nil && r.Both.Settled {
			settled++
			if first == "" {
				first = report.KindName(r.Kind) + " at " + report.Clock(r.StartS) + ": " + lower(r.Words)
			}
		}
	}
	switch {
	case settled == 0:
		return fmt.Sprintf("No setting separates the takes that show a fault from the others with any certainty (%s, %s, %s).", count(len(m.Rows), "fault"), count(len(m.Settings), "setting"), count(len(m.Takes), "take"))
	case settled == 1:
		return "Settings decide over one fault. " + first
	}
	return fmt.Sprintf("Settings decide over %d of %d faults. The most visible of them: %s", settled, len(m.Rows), first)
}
