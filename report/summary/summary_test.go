package summary

import (
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"setwitness/detect"
	"setwitness/report"
)

func example() *Summary {
	s := &Summary{
		Schema: SchemaName, Tool: report.Tool{Name: "setwitness", Version: "0.1.0"}, Created: "2026-03-04T12:00:00Z", List: "takes.txt", Part: "0/2",
		Takes: []Take{
			{Line: 1, Path: "a.mp4", Folder: "a", State: Scanned, SHA256: strings.Repeat("ab", 32), DurationS: 12, Findings: map[detect.Kind]int{detect.Combing: 2, detect.Ghost: 1}},
			{Line: 3, Path: "b.mp4", Folder: "b", State: Skipped, SHA256: strings.Repeat("cd", 32), DurationS: 3, Findings: map[detect.Kind]int{detect.Combing: 1}, Warnings: 1},
			{Line: 4, Path: "c.mp4", Folder: "c", State: Failed, Why: "c.mp4: no such file"},
			{Line: 5, Path: "d.mp4", Folder: "d", State: Waiting},
		},
	}
	s.Count()
	return s
}

func TestCount(t *testing.T) {
	s := example()
	if want := map[State]int{Scanned: 1, Skipped: 1, Failed: 1, Waiting: 1}; !reflect.DeepEqual(s.Counts, want) {
		t.Errorf("counts are %v", s.Counts)
	}
	if want := map[detect.Kind]Found{detect.Combing: {2, 3}, detect.Ghost: {1, 1}}; !reflect.DeepEqual(s.Found, want) {
		t.Errorf("found are %v", s.Found)
	}
}

func TestRoundTrip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "summary.json")
	if err := Write(path, example()); err != nil {
		t.Fatal(err)
	}
	got, err := Read(path)
	if err != nil || !reflect.DeepEqual(got, example()) {
		t.Errorf("read %+v, %v", got, err)
	}
}

// What does not keep to the schema is refused, and the place named.
func TestRefused(t *testing.T) {
	for want, change := range map[string]func(*Summary){
		"schema is":   func(s *Summary) { s.Schema = "x" },
		"part":        func(s *Summary) { s.Part = "one of two" },
		"takes/0":     func(s *Summary) { s.Takes[0].Line = 0 },
		"takes/1":     func(s *Summary) { s.Takes[1].State = "lost" },
		"must be one": func(s *Summary) { s.Counts["lost"] = 1 },
		"tool":        func(s *Summary) { s.Tool.Name = "x" },
		"at /created": func(s *Summary) { s.Created = "yesterday" },
	} {
		s := example()
		change(s)
		path := filepath.Join(t.TempDir(), "summary.json")
		if err := Write(path, s); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(path); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) {
			t.Errorf("the error is %v, want %q in it", err, want)
		}
	}
}
