package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"setwitness/detect"
)

// What scripts/run does without arguments: the demo's faults are all found, in
// their place in time, and nothing else is.
func TestDemo(t *testing.T) {
	if testing.Short() {
		t.Skip("makes and scans twelve seconds of 720 lines")
	}
	clip := filepath.Join(t.TempDir(), "demo.mp4")
	if out, err := exec.Command("go", "run", "../makedemo", clip).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	b, err := os.ReadFile(filepath.Join(filepath.Dir(clip), "demo.truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	var truth struct {
		Faults []struct {
			Kind       detect.Kind
			StartFrame int `json:"start_frame"`
			EndFrame   int `json:"end_frame"`
		}
	}
	if err := json.Unmarshal(b, &truth); err != nil || len(truth.Faults) < 5 {
		t.Fatalf("%d faults, %v", len(truth.Faults), err)
	}
	doc := scanned(t, clip)
	// The outermost pictures of a burst hold a faint copy or none.
	const slack = 3
	found := make([]bool, len(truth.Faults))
	for _, f := range doc.Findings {
		known := false
		for i, w := range truth.Faults {
			if f.Kind == w.Kind && f.StartFrame <= w.EndFrame && f.EndFrame >= w.StartFrame &&
				f.StartFrame >= w.StartFrame-slack && f.EndFrame <= w.EndFrame+slack {
				known, found[i] = true, true
			}
		}
		if !known {
			t.Errorf("%s of frames %d to %d is none of the demo's faults", f.Kind, f.StartFrame, f.EndFrame)
		}
	}
	for i, w := range truth.Faults {
		if !found[i] {
			t.Errorf("%s of frames %d to %d was not found", w.Kind, w.StartFrame, w.EndFrame)
		}
	}
}
