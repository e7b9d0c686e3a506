package compare

import (
	"fmt"
	"math"
	"strings"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/statistics"
)

// overall sums up what happened to each kind of which there is a fault.
func overall(pairs []Pair) []Overall {
	out := []Overall{}
	for _, k := range detect.Kinds {
		o := Overall{Kind: k}
		var both []*Pair
		some := false
		for i := range pairs {
			p := &pairs[i]
			if p.Kind != k {
				continue
			}
			some = true
			switch p.Verdict {
			case Fixed:
				o.Fixed++
			case New:
				o.New++
			case NotComparable:
				o.NotComparable++
			default:
				o.Persisting++
			}
			if p.Ratio != nil && p.Verdict != NotComparable {
				both = append(both, p)
			}
		}
		if !some {
			continue
		}
		o.Change = change(k, both)
		o.Words = o.words()
		out = append(out, o)
	}
	return out
}

// An interval that reaches to half and double of its middle is no sum of
// anything.
var mostHalf = math.Log(2)

// change is that of the strengths of the faults that both sides show: the mean
// of the logarithms of their ratios. Its interval is the wider of two: what the
// faults differ by among themselves (Student's t), and what the measurement of
// one leaves open. nil where that leaves too much open to speak of one change.
// The latter does not become less with the number of faults, because
// what makes one take differ from another may be common to all of them.
func change(k detect.Kind, both []*Pair) *Change {
	if len(both) == 0 {
		return nil
	}
	var logs []float64
	variance := 0.0
	n := float64(len(both))
	for _, p := range both {
		logs = append(logs, math.Log(p.Ratio.Value))
		half := math.Log(p.Ratio.High/p.Ratio.Low) / 2
		variance += half * half / n
	}
	half, method := math.Sqrt(variance), "as wide as that of one fault, because takes may differ in all of them alike"
	if len(both) > 1 {
		among := statistics.Student(math.Sqrt(squares(logs)/(n-1)/n), n-1, statistics.Level)
		if among > half {
			half, method = among, "Student's t interval of the logarithms of the faults' ratios"
		}
	}
	if half > mostHalf {
		return nil
	}
	m := mean(logs)
	c := &Change{
		Percent: report.Round(100 * math.Expm1(m)), Low: report.Round(100 * math.Expm1(m-half)), High: report.Round(100 * math.Expm1(m+half)),
		Level: statistics.Level, Unit: k.Unit(), Faults: len(both), Method: method,
	}
	return c
}

// words says it in a sentence that a reviewer can quote.
func (o *Overall) words() string {
	var parts []string
	if c := o.Change; c != nil {
		what := fmt.Sprintf("%s in %s", strings.ToLower(report.KindName(o.Kind)), unitWords(c.Unit))
		of := "the one fault that both sides show"
		if c.Faults > 1 {
			of = fmt.Sprintf("the %d faults that both sides show", c.Faults)
		}
		level := fmt.Sprintf("%d %% interval", int(math.Round(100*c.Level)))
		low, high := math.Round(c.Low), math.Round(c.High)
		switch {
		case c.High < 0:
			parts = append(parts, fmt.Sprintf("%s down %.0f %% (%s %.0f to %.0f), over %s", what, -c.Percent, level, -high, -low, of))
		case c.Low > 0:
			parts = append(parts, fmt.Sprintf("%s up %.0f %% (%s %.0f to %.0f), over %s", what, c.Percent, level, low, high, of))
		default:
			parts = append(parts, fmt.Sprintf("%s: no change shown (%s %%, %s %s to %s), over %s", what, signed(c.Percent), level, signed(low), signed(high), of))
		}
	} else if o.Persisting > 0 {
		parts = append(parts, fmt.Sprintf("%s: %d on both sides, whose changes are too few and too different for one number", strings.ToLower(report.KindName(o.Kind)), o.Persisting))
	} else {
		parts = append(parts, strings.ToLower(report.KindName(o.Kind)))
	}
	for _, n := range []struct {
		count int
		words string
	}{{o.Fixed, "fixed"}, {o.New, "new"}, {o.NotComparable, "not comparable"}} {
		if n.count > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n.count, n.words))
		}
	}
	s := strings.Join(parts, "; ")
	if o.Change == nil && o.Persisting == 0 {
		s = parts[0] + ": " + strings.Join(parts[1:], ", ")
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func unitWords(unit string) string {
	if unit == "%" {
		return "% of amplitude"
	}
	return unit
}

// signed states whole percents with their sign.
func signed(v float64) string { return strings.Replace(fmt.Sprintf("%+.0f", v), "-", "−", 1) }
