package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/statistics"
)

const (
	// leastChange of a strength is named: of two contrasts that both can be
	// seen well, a viewer tells a difference of about a tenth and none of a
	// twentieth (Legge and Foley 1980, from memory).
	leastChange = 0.05
	// namedLevel is how sure a change of strength has to be to be named: a take
	// has a dozen faults, of which one in twenty would be called stronger by
	// chance if the interval at statistics.Level were enough.
	namedLevel = 0.995
	// severalPasses on both sides are needed before their own scatter is
	// believed: that of two happens to be tiny too often.
	severalPasses = 3
	// usualPasses is for how many more passes what repeated passes differ by in general
	// counts beside them (a prior on the variance, as in moderated t tests): that of three
	// happens to be tiny, or so little known that twice the strength may be no change.
	usualPasses = 3
)

// side is the passes of one side.
type side struct {
	scans  []*Scan
	passes []Observation
}

func (s side) seen() (n int) {
	for i := range s.passes {
		if s.passes[i].Seen() {
			n++
		}
	}
	return n
}

func (s side) able() (n int) {
	for i := range s.passes {
		if s.passes[i].Able() {
			n++
		}
	}
	return n
}

// logs are the logarithms of the strengths of the passes that show the fault.
func (s side) logs() []float64 {
	var out []float64
	for i := range s.passes {
		if o := &s.passes[i]; o.Seen() && o.Strength > 0 {
			out = append(out, math.Log(o.Strength))
		}
	}
	return out
}

func mean(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// squares is the sum of squares about the mean.
func squares(v []float64) float64 {
	m, sum := mean(v), 0.0
	for _, x := range v {
		sum += (x - m) * (x - m)
	}
	return sum
}

// strength is the geometric mean of the passes that show the fault.
func (s side) strength() float64 { return math.Exp(mean(s.logs())) }

// times is how many times the floor of its take the weakest of the strengths is; 0 if a
// floor is not known.
func (s side) times(k detect.Kind) float64 {
	least := math.Inf(1)
	for i := range s.passes {
		if o := &s.passes[i]; o.Seen() && o.Strength > 0 {
			floor := s.scans[i].floor(k)
			if floor <= 0 {
				return 0
			}
			least = min(least, o.Strength/floor)
		}
	}
	return least
}

func (s side) mean(of func(*Observation) float64) float64 {
	var v []float64
	for i := range s.passes {
		if o := &s.passes[i]; o.Seen() {
			v = append(v, of(o))
		}
	}
	return mean(v)
}

// describe states a side in the document.
func (s side) describe(k detect.Kind) Side {
	d := Side{Seen: s.seen(), Of: s.able(), Findings: []Ref{}}
	i := statistics.Wilson(d.Seen, d.Of)
	d.SeenLow, d.SeenHigh = report.Round(i.Low), report.Round(i.High)
	if d.Seen > 0 {
		d.Strength = &report.Quantity{Value: report.Round(s.strength()), Unit: k.Unit()}
		d.VisibilityJND = report.Round(s.mean(func(o *Observation) float64 { return o.Visibility }))
		d.Seconds = report.Round(s.mean(func(o *Observation) float64 { return o.Seconds }))
	}
	for i := range s.passes {
		for _, f := range s.passes[i].Findings {
			d.Findings = append(d.Findings, Ref{i, f.ID, f.PeakS})
		}
		if why := s.passes[i].Unable; why != "" {
			d.Unable = append(d.Unable, Unable{i, why})
		}
	}
	return d
}

// judge gives a fault its verdict. The correction of Fisher's test for many
// faults comes later.
func judge(f *Fault, before, after side) Pair {
	p := Pair{Kind: f.Kind, Region: f.Region, Before: before.describe(f.Kind), After: after.describe(f.Kind)}
	if before.able() > 1 && after.able() > 1 {
		b, a := before.seen(), after.seen()
		// The counts come from slices and are not below zero.
		chance, _ := statistics.Fisher(b, before.able()-b, a, after.able()-a)
		chance = report.Round(chance)
		p.FisherP = &chance
	}
	switch {
	case p.Before.Of == 0:
		p.Verdict, p.Why = NotComparable, "before could not have shown it: "+reasons(before)
	case p.After.Of == 0:
		p.Verdict, p.Why = NotComparable, "after could not have shown it: "+reasons(after)
	case p.Before.Seen > 0 && p.After.Seen > 0:
		if why := unlike(f.Kind, before, after); why != "" {
			p.Verdict, p.Why = NotComparable, "both sides show it, but how strong is not the same measure: "+why
			break
		}
		p.strengths(before, after)
	case p.After.Seen > 0:
		p.oneSided(New, "before", "after", before, after)
	default:
		p.oneSided(Fixed, "after", "before", after, before)
	}
	return p
}

// unlike says why the strengths of two sides that show a fault cannot be held
// against each other; empty where they can.
func unlike(k detect.Kind, before, after side) string {
	for i := range before.passes {
		for j := range after.passes {
			if !before.passes[i].Seen() || !after.passes[j].Seen() {
				continue
			}
			if why := differs(before.scans[i], after.scans[j], k); why != "" {
				return why
			}
		}
	}
	return ""
}

// reasons are why the passes of a side could not have shown a fault, each once.
func reasons(s side) string {
	var out []string
	for i := range s.passes {
		if why := s.passes[i].Unable; why != "" && !slices.Contains(out, why) {
			out = append(out, why)
		}
	}
	return strings.Join(out, "; ")
}

// oneSided judges a fault that the passes of one side, lacks, do not show.
func (p *Pair) oneSided(verdict Verdict, lacksName, hasName string, lacks, has side) {
	strength := has.strength()
	confidence := has.mean(func(o *Observation) float64 { return o.Confidence })
	chance := missed(lacks, has)
	nearest := 0.0 // the highest floor among those that do not show it
	for i := range lacks.passes {
		if lacks.passes[i].Able() {
			nearest = max(nearest, lacks.scans[i].floor(p.Kind))
		}
	}
	floor := ""
	if nearest > 0 {
		floor = "; " + lacksName + " would have shown " + report.Quantity{Value: nearest, Unit: p.Kind.Unit()}.String() + " or more"
	}
	counts := fmt.Sprintf("seen in %s %s and in %s %s", passes(has.seen(), has.able()), hasName, passes(lacks.seen(), lacks.able()), lacksName)
	if chance <= missLevel {
		p.Verdict = verdict
		p.Why = counts + floor
		p.bound(strength, nearest)
		return
	}
	p.Verdict = NotComparable
	p.Why = fmt.Sprintf("%s, but an unchanged fault (%s, %.0f %% sure) would be missed like this with a chance of about %.0f %%%s; more passes would tell",
		counts, report.Quantity{Value: strength, Unit: p.Kind.Unit()}, 100*confidence, 100*chance, floor)
}

// bound states what the ratio of strengths can be where one side has none.
func (p *Pair) bound(strength, floor float64) {
	if floor <= 0 || strength <= 0 {
		return
	}
	if p.Verdict == Fixed {
		r := report.Round(floor / strength)
		p.RatioAtMost = &r
		p.Why += ", so that no more than " + percent(r) + " of it can be left"
		return
	}
	r := report.Round(strength / floor)
	p.RatioAtLeast = &r
	p.Why += ", so that it is " + report.Number(r) + " times as strong or more"
}

func passes(k, n int) string {
	if n == 1 {
		return fmt.Sprintf("%d of 1 pass", k)
	}
	return fmt.Sprintf("%d of %d passes", k, n)
}

// strengths judges a fault that both sides show.
func (p *Pair) strengths(before, after side) {
	p.Verdict = Persisting
	b, a := before.logs(), after.logs()
	if len(b) == 0 || len(a) == 0 {
		p.Why = "both sides show it, and one states no strength"
		return
	}
	m := mean(a) - mean(b)
	half, surely, method := halfWidth(p.Kind, before, after)
	r := &Ratio{Value: report.Round(math.Exp(m)), Low: report.Round(math.Exp(m - half)), High: report.Round(math.Exp(m + half)), Level: statistics.Level, Method: method}
	p.Ratio = r
	// Visibility follows strength, and that of the strongest picture jumps with
	// what is behind the thing in it; so the change is that of the strengths, at
	// what both sides say of visibility.
	v := math.Sqrt(p.Before.VisibilityJND * p.After.VisibilityJND)
	change := report.Round(v * 2 * math.Sinh(m/2))
	p.ChangeJND = &change
	p.Why = fmt.Sprintf("%s of the strength before (%d %% interval %s to %s)", percent(r.Value), int(100*r.Level), percent(r.Low), percent(r.High))
	switch {
	case math.Abs(m) <= surely:
		p.Why += ", which may be no change"
	case math.Abs(m) < math.Log1p(leastChange):
		p.Why += fmt.Sprintf(", which is less than the %.0f %% that a viewer could tell", 100*leastChange)
	case m > 0:
		p.Verdict = Stronger
	default:
		p.Verdict = Weaker
	}
}

func percent(ratio float64) string { return report.Number(100*ratio) + " %" }

// halfWidth is half the width of the interval of the mean difference of
// logarithms of strength, how far the difference has to lie from none to be
// named, and how both were found.
func halfWidth(k detect.Kind, before, after side) (half, surely float64, method string) {
	b, a := before.logs(), after.logs()
	n, m := float64(len(b)), float64(len(a))
	filmed := slices.ContainsFunc(slices.Concat(before.scans, after.scans), func(s *Scan) bool { return s.filmed() })
	d := deviation(k, filmed, min(before.times(k), after.times(k)))
	if len(b) >= severalPasses && len(a) >= severalPasses {
		fb, fa := n-1+usualPasses, m-1+usualPasses
		vb, va := (squares(b)+usualPasses*d*d)/fb/n, (squares(a)+usualPasses*d*d)/fa/m
		freedom := (vb + va) * (vb + va) / (vb*vb/fb + va*va/fa)
		error := math.Sqrt(vb + va)
		return statistics.Student(error, freedom, statistics.Level), statistics.Student(error, freedom, namedLevel),
			"Welch's t interval of the logarithms of the passes' strengths, whose scatter is what theirs and that of repeated passes in general say together"
	}
	// What repeated passes differ by in general, or more if these do.
	if freedom := n + m - 2; freedom > 0 {
		d = max(d, math.Sqrt((squares(b)+squares(a))/freedom))
	}
	method = fmt.Sprintf("from what repeated passes differ by in general, a standard deviation of %s %%", report.Number(100*math.Expm1(d)))
	d *= math.Sqrt(1/n + 1/m)
	return statistics.Normal(d, statistics.Level), statistics.Normal(d, namedLevel), method
}
