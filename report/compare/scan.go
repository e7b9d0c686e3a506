package compare

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"setwitness/detect"
	"setwitness/detect/signature"
	"setwitness/report"
)

// The document in the folder of a scan, and what was kept of its pictures.
const (
	findingsName   = "findings.json"
	signaturesName = "signatures.json"
)

// Scan is one scan of one take.
type Scan struct {
	Folder string // where its crops are; empty where nobody knows
	Doc    *report.Findings
	Label  string // what a person calls it, where that is not the folder
	// Look reads once more the picture that the take shows at a time, at the size
	// of the raster; nil where the take is not at hand. A page then shows the
	// place also where nothing was found.
	Look func(s float64) (image.Image, error)
	// signatures are those of the take's pictures; nil where none were kept.
	signatures *signature.Sequence
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
	s := &Scan{Folder: dir, Doc: doc}
	if s.signatures, err = report.ReadSignatures(filepath.Join(dir, signaturesName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return s, nil
}

// Name is what a person calls the scan.
func (s *Scan) Name() string { return cmp.Or(s.Label, s.Folder, s.Doc.Take.Path) }

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

// codes is how many codes of the take are one of 8 bits.
func (s *Scan) codes() float64 {
	// FFmpeg's names of pixel formats end in the depth (yuv420p10le), but those
	// of the family of nv12 in the bits of a whole pixel.
	if strings.HasPrefix(s.Doc.Take.PixelFormat, "nv") {
		return 1
	}
	for depth := 16; depth > 8; depth-- {
		if n := strconv.Itoa(depth); strings.HasSuffix(strings.TrimRight(s.Doc.Take.PixelFormat, "lbe"), n) {
			return float64(int(1) << (depth - 8))
		}
	}
	return 1
}

// filmed reports whether a camera filmed a set.
func (s *Scan) filmed() bool { return s.Doc.View.Kind == "screen" }

// life is how many seconds of life the take shows.
func (s *Scan) life() float64 { return s.Doc.Take.DurationS / s.slowness() }

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
