package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"setwitness/report/document"
)

var kind = document.New(SchemaName, "findings document", SchemaJSON)

// Encode writes the document as JSON. The same document always gives the same
// bytes.
func Encode(w io.Writer, f *Findings) error {
	if err := f.check(); err != nil {
		return err
	}
	return document.Encode(w, f)
}

// Write writes the document to path: to a temporary name first, so that a
// reader sees the old file or the whole new one.
func Write(path string, f *Findings) error {
	return WriteFile(path, func(w io.Writer) error { return Encode(w, f) })
}

// WriteFile makes the file path with what write puts into it: to a temporary
// name in the same folder first, which takes the place of path when
// everything is on the disk. When write fails, nothing is left behind.
func WriteFile(path string, write func(io.Writer) error) (err error) {
	t, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			t.Close()
			os.Remove(t.Name())
		}
	}()
	if err := write(t); err != nil {
		return err
	}
	// A temporary file is for its owner alone; a report is for whoever may
	// read the folder.
	if err := t.Chmod(0o644); err != nil {
		return err
	}
	// A full disk may show only when the file is closed.
	if err := t.Close(); err != nil {
		return err
	}
	return os.Rename(t.Name(), path)
}

// Read reads a document and holds it against the schema. It refuses fields
// that it does not know, so that a misspelt one is not lost in silence.
func Read(path string) (*Findings, error) {
	return document.ReadFile(path, Decode)
}

// Decode is Read for any reader.
func Decode(r io.Reader) (*Findings, error) {
	f := &Findings{}
	if err := kind.Decode(r, f); err != nil {
		return nil, err
	}
	if err := f.check(); err != nil {
		return nil, err
	}
	return f, nil
}

// Validate holds JSON against the schema and reports the first place that
// does not keep to it.
func Validate(b []byte) error { return kind.Validate(b) }

// check reports what no schema can say: that numbers are finite, times in
// order, regions inside the picture, ids unique and evidence beside the
// document.
func (f *Findings) check() error {
	ids := map[string]bool{}
	for i := range f.Findings {
		n := &f.Findings[i]
		if err := n.check(); err != nil {
			return fmt.Errorf("finding %d (%q): %w", i, n.ID, err)
		}
		if ids[n.ID] {
			return fmt.Errorf("finding %d: id %q is there twice", i, n.ID)
		}
		ids[n.ID] = true
	}
	if c := f.View.Camera; c != nil && c.Sample != nil {
		if err := local(c.Sample.Camera, c.Sample.Picture); err != nil {
			return err
		}
	}
	if a := f.Alignment; a != nil && a.Why == "" && !a.Still && len(a.Spans) == 0 {
		return errors.New("it is aligned to a source in no span")
	}
	for i, c := range f.Cadence {
		if !(c.StartS <= c.EndS) {
			return fmt.Errorf("cadence %d: it ends before it starts", i)
		}
	}
	return nil
}

func (n *Finding) check() error {
	switch {
	case n.ID == "":
		return errors.New("it has no id")
	case !(n.StartS <= n.PeakS && n.PeakS <= n.EndS):
		return fmt.Errorf("times %g, %g, %g s are not start, peak and end in order", n.StartS, n.PeakS, n.EndS)
	case !(n.StartFrame <= n.PeakFrame && n.PeakFrame <= n.EndFrame):
		return fmt.Errorf("frames %d, %d, %d are not start, peak and end in order", n.StartFrame, n.PeakFrame, n.EndFrame)
	}
	for _, r := range []*Region{&n.Region, n.PeakRegion} {
		if r != nil && !r.inside() {
			return fmt.Errorf("region %g,%g %gx%g is not inside the picture", r.X, r.Y, r.W, r.H)
		}
	}
	for _, v := range []float64{n.Strength.Value, n.VisibilityJND} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return errors.New("its strength or visibility is no number")
		}
	}
	return local(n.Evidence.Crop, n.Evidence.Context, n.Evidence.Strip)
}

// local reports a name that leads away from the document.
func local(names ...string) error {
	for _, name := range names {
		if name != "" && !filepath.IsLocal(filepath.FromSlash(name)) {
			return fmt.Errorf("evidence %q does not lie beside the document", name)
		}
	}
	return nil
}

// inside allows for fractions that were rounded.
func (r *Region) inside() bool {
	const slack = 1e-5
	return r.X >= 0 && r.Y >= 0 && r.W >= 0 && r.H >= 0 && r.X+r.W <= 1+slack && r.Y+r.H <= 1+slack
}
