// Package summary says what became of a list of takes that were scanned.
//
// In: what happened to each take. Out: a Summary, and its JSON, which keeps to
// summary.schema.json.
package summary

import (
	_ "embed"
	"io"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/document"
)

// SchemaName is the value of the document's field "schema".
const SchemaName = "setwitness.summary/1"

// SchemaJSON is the document's own JSON schema (draft 2020-12).
//
//go:embed summary.schema.json
var SchemaJSON []byte

var kind = document.New(SchemaName, "summary", SchemaJSON)

// Summary is the document.
type Summary struct {
	Schema  string      `json:"schema"`
	Tool    report.Tool `json:"tool"`
	Created string      `json:"created,omitempty"` // RFC 3339
	List    string      `json:"list"`
	// Part is which part of the list it is about, index/count; empty for all.
	Part string `json:"part,omitempty"`
	// Takes are counted by state.
	Counts map[State]int `json:"counts"`
	// Found is what the scanned and skipped takes have, by kind.
	Found map[detect.Kind]Found `json:"found"`
	Takes []Take                `json:"takes"` // in the order of the list
}

// State is what became of a take.
type State string

// The states. A skipped take had been scanned before, in the same way; a
// waiting one was not reached before an interrupt.
const (
	Scanned     State = "scanned"
	Skipped     State = "skipped"
	Failed      State = "failed"
	Interrupted State = "interrupted"
	Waiting     State = "waiting"
)

// States lists them.
var States = []State{Scanned, Skipped, Failed, Interrupted, Waiting}

// Found counts findings of a kind, and the takes that have some.
type Found struct {
	Takes    int `json:"takes"`
	Findings int `json:"findings"`
}

// Take is one line of the list.
type Take struct {
	Line   int    `json:"line"`
	Path   string `json:"path"`
	Folder string `json:"folder"` // of its report, beside the summary
	State  State  `json:"state"`
	Why    string `json:"why,omitempty"` // it failed
	// What follows is of scanned and skipped ones.
	SHA256    string              `json:"sha256,omitempty"`
	DurationS float64             `json:"duration_s,omitempty"`
	Findings  map[detect.Kind]int `json:"findings,omitempty"`
	Warnings  int                 `json:"warnings,omitempty"`
}

// Tell fills in what the document of a scan says of a take.
func (t *Take) Tell(doc *report.Findings) {
	t.SHA256, t.DurationS, t.Warnings = doc.Take.SHA256, doc.Take.DurationS, len(doc.Warnings)
	t.Findings = map[detect.Kind]int{}
	for _, f := range doc.Findings {
		t.Findings[f.Kind]++
	}
}

// Count fills in the sums over the takes.
func (s *Summary) Count() {
	s.Counts, s.Found = map[State]int{}, map[detect.Kind]Found{}
	for _, t := range s.Takes {
		s.Counts[t.State]++
		for k, n := range t.Findings {
			f := s.Found[k]
			s.Found[k] = Found{f.Takes + 1, f.Findings + n}
		}
	}
}

// Encode writes the document as JSON.
func Encode(w io.Writer, s *Summary) error { return document.Encode(w, s) }

// Write writes the document to path, to a temporary name first.
func Write(path string, s *Summary) error {
	return report.WriteFile(path, func(w io.Writer) error { return Encode(w, s) })
}

// Read reads a document and holds it against the schema.
func Read(path string) (*Summary, error) {
	return document.ReadFile(path, func(r io.Reader) (*Summary, error) {
		s := &Summary{}
		return s, kind.Decode(r, s)
	})
}
