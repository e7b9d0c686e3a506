// Package compare says what became of the faults of one side of takes in
// another: before and after a change of settings or firmware, or on two sets.
//
// In: scans (the folders that setwitness scan writes), several on a side where
// they are repeated passes of the same thing. Out: a Comparison: each fault
// with a verdict, the ratio of its strengths with an interval, and in how many
// passes it was seen; its JSON, which keeps to comparison.schema.json; and a
// page with the crops of both sides.
//
// A verdict is a claim about what was shown, so the package claims nothing that
// one of the sides could not have shown: that is not comparable, with the
// reason.
package compare

import (
	_ "embed"

	"setwitness/detect"
	"setwitness/report"
)

// SchemaName is the value of the document's field "schema".
const SchemaName = "setwitness.comparison/1"

// SchemaJSON is the document's own JSON schema (draft 2020-12).
//
//go:embed comparison.schema.json
var SchemaJSON []byte

// Comparison is the document.
type Comparison struct {
	Schema  string      `json:"schema"`
	Tool    report.Tool `json:"tool"`
	Created string      `json:"created,omitempty"` // RFC 3339
	// Regressed says that a pair is new or stronger by more than the tolerance.
	Regressed bool `json:"regressed"`
	// Aligned says that every take could be laid beside the first one before.
	// Where one could not, the comparison says less than it seems to.
	Aligned      bool       `json:"aligned"`
	ToleranceJND float64    `json:"tolerance_jnd"`
	Before       []Pass     `json:"before"`
	After        []Pass     `json:"after"`
	Settings     []Setting  `json:"settings"` // those that differ between any two takes
	Pairs        []Pair     `json:"pairs"`    // what regressed first, then by how visible it is
	Overall      []Overall  `json:"overall"`
	Coverage     []Coverage `json:"coverage"` // one row for every kind
	Warnings     []string   `json:"warnings"`
}

// Pass is one take and its scan.
type Pass struct {
	Folder    string            `json:"folder"` // or the label of the scan, which has none
	Take      string            `json:"take"`
	SHA256    string            `json:"sha256"`
	View      string            `json:"view"`
	DurationS float64           `json:"duration_s"`
	Findings  int               `json:"findings"`
	Settings  map[string]string `json:"settings,omitempty"`
	// AlignedBy is how its time was laid beside that of the others, AlignedWhy
	// what that rests on.
	AlignedBy  Alignment `json:"aligned_by"`
	AlignedWhy string    `json:"aligned_why"`
	// CoversFromS and CoversToS are the stretch of common time that it covers.
	CoversFromS float64 `json:"covers_from_s"`
	CoversToS   float64 `json:"covers_to_s"`
}

// Alignment is how the time of a take was laid beside that of others.
type Alignment string

// The alignments.
const (
	BySource  Alignment = "source"   // both were aligned to the source clip
	ByContent Alignment = "content"  // the pictures of one were found in the other
	ByOwnTime Alignment = "own-time" // their times are taken for the same
	Unaligned Alignment = "none"
)

// Setting is one that differs.
type Setting struct {
	Name   string   `json:"name"`
	Before []string `json:"before"` // empty: not stated
	After  []string `json:"after"`
}

// Verdict says what became of a fault.
type Verdict string

// The verdicts.
const (
	Fixed         Verdict = "fixed"
	New           Verdict = "new"
	Persisting    Verdict = "persisting"
	Weaker        Verdict = "weaker"
	Stronger      Verdict = "stronger"
	NotComparable Verdict = "not-comparable"
)

// Verdicts lists them in the order in which a person wants to read them.
var Verdicts = []Verdict{New, Stronger, Persisting, Weaker, Fixed, NotComparable}

// Pair is one fault on both sides.
type Pair struct {
	ID     string        `json:"id"`
	Kind   detect.Kind   `json:"kind"`
	Region report.Region `json:"region"`
	// SourceS is where it is strongest in the source clip, where a scan knows
	// that. StartS and EndS are times of the first take before, or of the take
	// that shows the fault where that could not be laid beside it.
	SourceS   *float64 `json:"source_s,omitempty"`
	StartS    float64  `json:"start_s"`
	EndS      float64  `json:"end_s"`
	Verdict   Verdict  `json:"verdict"`
	Why       string   `json:"why"`
	Regressed bool     `json:"regressed"`
	Ratio     *Ratio   `json:"ratio,omitempty"` // of strengths, after to before
	// RatioAtMost is the largest ratio that is left open of a fault that is fixed,
	// RatioAtLeast the smallest of one that is new: the floor of the side that
	// does not show it stands for its strength there. Absent without a floor.
	RatioAtMost  *float64 `json:"ratio_at_most,omitempty"`
	RatioAtLeast *float64 `json:"ratio_at_least,omitempty"`
	ChangeJND    *float64 `json:"change_jnd,omitempty"` // of visibility
	// FisherP is that of Fisher's exact test of the counts of passes, two-sided,
	// where both sides have several; FisherPHolm the same corrected for how
	// many faults were tested.
	FisherP     *float64 `json:"fisher_p,omitempty"`
	FisherPHolm *float64 `json:"fisher_p_holm,omitempty"`
	Before      Side     `json:"before"`
	After       Side     `json:"after"`

	// moments are when the two sides show the place at the instant at which the
	// fault is strongest of all.
	moments [2]moment
}

// moment is a time of the take of a pass; known is false where there is none.
type moment struct {
	pass  int
	at    float64
	known bool
}

// Ratio is a ratio with its interval.
type Ratio struct {
	Value  float64 `json:"value"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Level  float64 `json:"level"` // share of such intervals that hold the true value
	Method string  `json:"method"`
}

// Side is what one side shows of a fault.
type Side struct {
	Seen     int              `json:"seen"` // passes that show it
	Of       int              `json:"of"`   // passes that could have shown it
	SeenLow  float64          `json:"seen_low"`
	SeenHigh float64          `json:"seen_high"` // Wilson interval of Seen of Of
	Strength *report.Quantity `json:"strength,omitempty"`
	// VisibilityJND and Seconds, how long it shows, are means over the passes
	// that show it.
	VisibilityJND float64  `json:"visibility_jnd,omitempty"`
	Seconds       float64  `json:"seconds,omitempty"`
	Findings      []Ref    `json:"findings"`
	Unable        []Unable `json:"unable,omitempty"` // passes that could not have shown it
}

// Ref names a finding of a pass of the side.
type Ref struct {
	Pass  int     `json:"pass"` // index among those of the side
	ID    string  `json:"id"`
	PeakS float64 `json:"peak_s"` // in its own take
}

// Unable says why a pass could not have shown a fault.
type Unable struct {
	Pass int    `json:"pass"`
	Why  string `json:"why"`
}

// Overall is what happened to a kind as a whole.
type Overall struct {
	Kind          detect.Kind `json:"kind"`
	Fixed         int         `json:"fixed"`
	New           int         `json:"new"`
	Persisting    int         `json:"persisting"` // or weaker or stronger
	NotComparable int         `json:"not_comparable"`
	// Change is that of the strength of the faults that both sides show; absent
	// where there is none.
	Change *Change `json:"change,omitempty"`
	Words  string  `json:"words"`
}

// Change is a change in percent: -38 is down by 38 %.
type Change struct {
	Percent float64 `json:"percent"`
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
	Level   float64 `json:"level"`
	Unit    string  `json:"unit"` // of the strength
	Faults  int     `json:"faults"`
	Method  string  `json:"method"`
}

// Coverage is how far each side examined a kind.
type Coverage struct {
	Kind   detect.Kind       `json:"kind"`
	Before []report.Coverage `json:"before"` // one for each pass
	After  []report.Coverage `json:"after"`
	// Differs says that one side could have shown what the other could not.
	Differs bool   `json:"differs"`
	Words   string `json:"words"`
}
