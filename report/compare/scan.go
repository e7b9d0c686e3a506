package compare

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"setwitness/detect"
	"setwitness/report"
)

// findingsName is the document in the folder of a scan.
const findingsName = "findings.json"

// Scan is one scan of one take.
type Scan struct {
	Folder string // where its crops are; empty where nobody knows
	Doc    *report.Findings
}

// Load reads the folder that setwitness scan wrote.
func Load(dir string) (*Scan, error) {
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: no such folder", dir)
	case err != nil:
		return nil, err
	case !info.IsDir():
		return nil, fmt.Errorf("%s: is not the folder of a scan", dir)
	}
	doc, err := report.Read(filepath.Join(dir, findingsName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: is not the folder of a scan: it holds no %s", dir, findingsName)
	}
	if err != nil {
		return nil, err
	}
	return &Scan{Folder: dir, Doc: doc}, nil
}

// Name is what a person calls the scan.
func (s *Scan) Name() string {
	if s.Folder != "" {
		return s.Folder
	}
	return s.Doc.Take.Path
}

func (s *Scan) coverage(k detect.Kind) report.Coverage {
	for _, c := range s.Doc.Coverage {
		if c.Kind == k {
			return c
		}
	}
	return report.Coverage{Kind: k, State: detect.NotExaminable, Why: report.NotBuilt}
}

// floor is the weakest strength that the scan could have shown of a kind; 0
// where it states none.
func (s *Scan) floor(k detect.Kind) float64 {
	if c := s.coverage(k); c.Floor != nil {
		return c.Floor.Value
	}
	return 0
}

// filmed reports whether a camera filmed a set.
func (s *Scan) filmed() bool { return s.Doc.View.Kind == "screen" }

// slowness is how many seconds of the take's own time a second of life lasts:
// films are stored slowed down.
func (s *Scan) slowness() float64 {
	v := s.Doc.View
	if !s.filmed() || v.RefreshHz <= 0 || v.DisplayedFrames <= 0 {
		return 1
	}
	slow := s.Doc.Take.DurationS * v.RefreshHz / float64(v.DisplayedFrames)
	// A set may repeat pictures, of which the film shows one; only slow motion
	// of a factor and more is told by this.
	const least = 1.5
	if slow < least {
		return 1
	}
	return slow
}
