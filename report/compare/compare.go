package compare

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/statistics"
)

// Options are those of a comparison.
type Options struct {
	// ToleranceJND is a change of visibility that is no regress.
	ToleranceJND float64
	Version      string    // of the program
	Created      time.Time // zero: not stated
}

// fisherLevel is below which a difference in how often a fault is seen is
// believed.
const fisherLevel = 1 - statistics.Level

// Compare says what became of the faults of before in after. Each side is one
// scan or several of repeated passes of the same thing.
func Compare(before, after []*Scan, o Options) (*Comparison, error) {
	if len(before) == 0 || len(after) == 0 {
		return nil, errors.New("a comparison needs a scan on either side")
	}
	if !(o.ToleranceJND >= 0) || math.IsInf(o.ToleranceJND, 0) {
		return nil, fmt.Errorf("a tolerance of %g JND is none", o.ToleranceJND)
	}
	scans := slices.Concat(before, after)
	g := Gather(scans)
	c := &Comparison{
		Schema: SchemaName, Tool: report.Tool{Name: "setwitness", Version: o.Version},
		ToleranceJND: o.ToleranceJND, Aligned: true,
		Settings: settings(before, after), Pairs: []Pair{}, Overall: []Overall{}, Warnings: Warnings(scans),
	}
	if !o.Created.IsZero() {
		c.Created = o.Created.UTC().Format(time.RFC3339)
	}
	for _, s := range c.Settings {
		if len(s.Before) > 1 || len(s.After) > 1 {
			c.Warnings = append(c.Warnings, fmt.Sprintf("the takes of a side differ in the setting %s, so that they are no repeated passes of the same thing", s.Name))
		}
	}
	for i, p := range g.Passes {
		c.Aligned = c.Aligned && p.AlignedBy != Unaligned
		if i < len(before) {
			c.Before = append(c.Before, p)
		} else {
			c.After = append(c.After, p)
		}
	}
	for i := range g.Faults {
		f := &g.Faults[i]
		p := judge(f, side{before, f.Passes[:len(before)]}, side{after, f.Passes[len(before):]})
		p.StartS, p.EndS, p.SourceS = g.Own(f)
		p.moments = [2]moment{g.moment(f, 0, len(before)), g.moment(f, len(before), len(scans))}
		c.Pairs = append(c.Pairs, p)
	}
	frequency(c.Pairs)
	for i := range c.Pairs {
		regress(&c.Pairs[i], before, after, o.ToleranceJND)
		c.Regressed = c.Regressed || c.Pairs[i].Regressed
		c.Pairs[i].ID = fmt.Sprintf("p%03d", i+1)
	}
	c.Overall = overall(c.Pairs)
	c.Coverage = coverage(before, after)
	slices.SortStableFunc(c.Pairs, func(a, b Pair) int {
		return cmp.Or(cmp.Compare(a.group(), b.group()), cmp.Compare(b.visible(), a.visible()))
	})
	return c, nil
}

// group is what comes first: what regressed, and last what cannot be compared.
func (p *Pair) group() int {
	switch {
	case p.Regressed:
		return 0
	case p.Verdict == NotComparable:
		return 2
	}
	return 1
}

func (p *Pair) visible() float64 { return max(p.Before.VisibilityJND, p.After.VisibilityJND) }

func pass(s *Scan, t clock) Pass {
	d := s.Doc
	return Pass{
		Folder: cmp.Or(s.Label, s.Folder), Take: d.Take.Path, SHA256: d.Take.SHA256, View: d.View.Kind, DurationS: d.Take.DurationS, Findings: len(d.Findings),
		Settings: d.Conditions.Settings, AlignedBy: t.by, AlignedWhy: t.why, CoversFromS: report.Round(t.from), CoversToS: report.Round(t.to),
	}
}

// frequency looks at how often faults were seen, which both sides show: one
// that comes up in more passes than before is stronger, whatever its strength.
func frequency(pairs []Pair) {
	var tested []int
	var chances []float64
	for i := range pairs {
		if pairs[i].FisherP != nil {
			tested, chances = append(tested, i), append(chances, *pairs[i].FisherP)
		}
	}
	for k, corrected := range statistics.Holm(chances) {
		p := &pairs[tested[k]]
		corrected = report.Round(corrected)
		p.FisherPHolm = &corrected
		if corrected >= fisherLevel || p.Verdict != Persisting {
			continue
		}
		words := fmt.Sprintf("seen in %s before and %s after (Fisher's exact test, p = %s after Holm's correction for %d)",
			passes(p.Before.Seen, p.Before.Of), passes(p.After.Seen, p.After.Of), report.Number(corrected), len(chances))
		if p.After.Seen*p.Before.Of > p.Before.Seen*p.After.Of {
			p.Verdict, p.Why = Stronger, "it comes up more often: "+words
		} else {
			p.Verdict, p.Why = Weaker, "it comes up less often: "+words
		}
	}
}

// Unchanged says in a few words that nothing regressed, and why what is new or stronger, if
// anything is, is none of that.
func (c *Comparison) Unchanged() string {
	source, within := false, false
	for i := range c.Pairs {
		switch p := &c.Pairs[i]; {
		case p.Verdict != New && p.Verdict != Stronger:
		case strings.HasSuffix(p.Why, inSource):
			source = true
		default:
			within = true
		}
	}
	tolerance := fmt.Sprintf("within the tolerance of %s JND", report.Number(c.ToleranceJND))
	const some = "nothing regressed: what is new or stronger is "
	switch {
	case source && within:
		return some + "in the source or " + tolerance
	case source:
		return some + "in the source"
	case within:
		return some + tolerance
	}
	return "nothing is new or stronger"
}

// inSource ends the reasons of what the set did not make.
const inSource = "; it is in the source, so that it is no regress of the set"

// regress says whether a pair is worse by more than the tolerance.
func regress(p *Pair, before, after []*Scan, tolerance float64) {
	var change float64
	switch p.Verdict {
	case New:
		change = p.After.VisibilityJND
	case Stronger:
		// More often is worse by what is seen then.
		change = p.After.VisibilityJND
		if p.ChangeJND != nil && *p.ChangeJND > 0 && p.Ratio.Low > 1 {
			change = *p.ChangeJND
		}
	default:
		return
	}
	if p.origin(after, "source") {
		p.Why += inSource
		return
	}
	if p.origin(after, "capture") {
		p.Verdict, p.Why = NotComparable, "the capture made it, which says nothing about the set: "+p.Why
		return
	}
	if change <= tolerance {
		p.Why += fmt.Sprintf("; within the tolerance of %s JND", report.Number(tolerance))
		return
	}
	p.Regressed = true
}

// origin reports whether all findings of a pair that are after have that
// origin.
func (p *Pair) origin(after []*Scan, verdict string) bool {
	for _, r := range p.After.Findings {
		i := slices.IndexFunc(after[r.Pass].Doc.Findings, func(f report.Finding) bool { return f.ID == r.ID })
		if i < 0 || after[r.Pass].Doc.Findings[i].Origin.Verdict != verdict {
			return false
		}
	}
	return len(p.After.Findings) > 0
}

// settings are those that are not the same in all takes.
func settings(before, after []*Scan) []Setting {
	names := map[string]bool{}
	for _, s := range slices.Concat(before, after) {
		for name := range s.Doc.Conditions.Settings {
			names[name] = true
		}
	}
	values := func(scans []*Scan, name string) []string {
		out := []string{}
		for _, s := range scans {
			if v, ok := s.Doc.Conditions.Settings[name]; ok && !slices.Contains(out, v) {
				out = append(out, v)
			}
		}
		return out
	}
	out := []Setting{}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		s := Setting{name, values(before, name), values(after, name)}
		if !slices.Equal(s.Before, s.After) || len(s.Before) > 1 {
			out = append(out, s)
		}
	}
	return out
}

// Warnings are what stands in the way of believing what scans say together.
func Warnings(scans []*Scan) []string {
	out := []string{}
	first := scans[0].Doc
	for _, s := range scans[1:] {
		if d := s.Doc; d.Tool.Version != first.Tool.Version {
			out = append(out, fmt.Sprintf("%s was scanned by version %s and %s by %s: a fault may differ because the program does", scans[0].Name(), first.Tool.Version, s.Name(), d.Tool.Version))
		} else if !maps.Equal(options(s), options(scans[0])) {
			out = append(out, fmt.Sprintf("%s and %s were scanned with different options: a fault may differ because of them", scans[0].Name(), s.Name()))
		}
	}
	for _, s := range scans {
		if s.Doc.Interrupted {
			out = append(out, s.Name()+" is the scan of a part of its take: it was interrupted")
		}
	}
	for i, s := range scans {
		same := func(o *Scan) bool { return o.Doc.Take.SHA256 == s.Doc.Take.SHA256 }
		if slices.ContainsFunc(scans[:i], same) || !slices.ContainsFunc(scans[i+1:], same) {
			continue
		}
		var names []string
		for _, o := range scans[i:] {
			if same(o) {
				names = append(names, o.Name())
			}
		}
		out = append(out, strings.Join(names, ", ")+" are scans of the same file, which are no repeated passes")
	}
	return out
}

// options are those parts of what was asked of a scan that decide what a stage
// calls a fault.
func options(s *Scan) map[string]string {
	out := map[string]string{}
	for name, v := range s.Doc.Request {
		if strings.HasPrefix(name, "option.") || name == "fields" {
			out[name] = v
		}
	}
	return out
}

// coverage lays beside each other what both sides examined.
func coverage(before, after []*Scan) []Coverage {
	var out []Coverage
	for _, k := range detect.Kinds {
		c := Coverage{Kind: k}
		for _, s := range before {
			c.Before = append(c.Before, s.coverage(k))
		}
		for _, s := range after {
			c.After = append(c.After, s.coverage(k))
		}
		able := func(rows []report.Coverage) bool {
			return slices.ContainsFunc(rows, func(r report.Coverage) bool { return r.State != detect.NotExaminable })
		}
		b, a := able(c.Before), able(c.After)
		c.Differs = b != a
		switch {
		case !b && !a:
			c.Words = "neither side could have shown it"
		case !b:
			c.Words = "only the takes after could have shown it, so that nothing of it is called new"
		case !a:
			c.Words = "only the takes before could have shown it, so that nothing of it is called fixed"
		default:
			c.Words = floors(c.Before, c.After)
		}
		out = append(out, c)
	}
	return out
}

// floors compares the floors of two sides in words.
func floors(before, after []report.Coverage) string {
	worst := func(rows []report.Coverage) *report.Quantity {
		var q *report.Quantity
		for i := range rows {
			if f := rows[i].Floor; f != nil && (q == nil || f.Value > q.Value) {
				q = f
			}
		}
		return q
	}
	b, a := worst(before), worst(after)
	if b == nil || a == nil {
		return "both sides could have shown it"
	}
	return fmt.Sprintf("both sides could have shown it, from %s on before and from %s on after", b, a)
}
