package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"setwitness/detect"
	"setwitness/detect/vision"
)

// Clock states a time as h:mm:ss.mmm.
func Clock(s float64) string {
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	ms := int64(math.Round(s * 1000))
	h, m, rest := ms/3_600_000, ms/60_000%60, ms%60_000
	if h > 0 {
		return fmt.Sprintf("%s%d:%02d:%02d.%03d", sign, h, m, rest/1000, rest%1000)
	}
	return fmt.Sprintf("%s%d:%02d.%03d", sign, m, rest/1000, rest%1000)
}

// Length states how long something takes, to the tenth of a second.
func Length(s float64) string {
	const minute = 60
	if s < minute {
		return strconv.FormatFloat(math.Round(s*100)/100, 'f', -1, 64) + " s"
	}
	c := Clock(math.Round(s*10) / 10)
	return c[:len(c)-2]
}

// Number states a number with three digits, and large ones whole.
func Number(v float64) string {
	const digits = 3
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	decimals := max(0, digits-1-int(math.Floor(math.Log10(math.Abs(v)))))
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Round keeps the digits that documents keep: five, more than any measure is good
// for.
func Round(v float64) float64 { return round(v) }

// String states what visibility was computed for.
func (c Conditions) String() string {
	return vision.Conditions{
		PeakNits: c.PeakNits, BlackNits: c.BlackNits, EOTF: vision.EOTF(c.EOTF), DistanceHeights: c.DistanceHeights,
		Camera: c.ResponseAssumed,
	}.String()
}

// KindName is the name of a kind as a heading has it.
func KindName(k detect.Kind) string {
	s := strings.ReplaceAll(string(k), "-", " ")
	if k == detect.NearBlackBanding {
		s = "near-black banding"
	}
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// String states a quantity with its unit.
func (q Quantity) String() string {
	unit := q.Unit
	if unit == "pictures" && q.Value == 1 {
		unit = "picture"
	}
	return Number(q.Value) + " " + unit
}

// Where says in words where a region lies.
func (r Region) Where() string {
	size := fmt.Sprintf("%s × %s %% of the picture", Number(100*r.W), Number(100*r.H))
	if r.Whole() {
		return "whole picture"
	}
	v, h := r.thirds()
	if v == "middle" && h == "centre" {
		return "centre, " + size
	}
	return v + " " + h + ", " + size
}

// Words says what "nothing found" is worth.
func (c Coverage) Words() string {
	if c.State == detect.NotExaminable {
		return withReason("not examined", c.Why) + "."
	}
	s := fmt.Sprintf("examined for %.1f s", c.Seconds)
	if c.State == detect.Limited {
		s = withReason(s+", with limits", c.Why)
	} else if c.Why != "" {
		s = withReason(s, c.Why)
	}
	if c.Floor != nil {
		s += "; anything above " + c.Floor.String() + " would have shown"
	}
	return s + "."
}

func withReason(s, why string) string {
	if why == "" {
		return s
	}
	return s + " (" + strings.TrimSuffix(why, ".") + ")"
}
