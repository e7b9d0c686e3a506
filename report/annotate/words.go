package annotate

import (
	"maps"
	"slices"
	"strings"

	"setwitness/detect"
	"setwitness/report"
)

// Caption says in short lines what a finding is, how strong, when, and how the
// set was set up.
func Caption(f *report.Finding, settings map[string]string) []string {
	out := []string{report.KindName(f.Kind) + ", " + f.Strength.String() + of(f.Kind)}
	when := "at " + report.Clock(f.StartS)
	if d := f.EndS - f.StartS; d > 0 {
		when += " for " + report.Length(d)
	}
	out = append(out, when)
	if s := Settings(settings); s != "" {
		out = append(out, s)
	}
	return out
}

// of says of what a strength in % is.
func of(k detect.Kind) string {
	switch k {
	case detect.Combing:
		return " of full scale"
	case detect.Ghost:
		return " of the thing's contrast"
	case detect.CadenceBreak:
		return " lost or repeated"
	}
	return ""
}

// Settings states how the set was set up.
func Settings(s map[string]string) string {
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(s)) {
		parts = append(parts, k+": "+s[k])
	}
	return strings.Join(parts, ", ")
}
