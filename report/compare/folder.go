package compare

import (
	"io"
	"os"
	"path/filepath"

	"setwitness/report"
)

// The names of what the folder of a comparison holds.
const (
	DocumentName = "comparison.json"
	PageName     = "comparison.html"
)

// WriteFolder writes the document and the page into a folder, which is made
// where it is not there yet. before and after are the scans that c was made of.
// Each file takes its place when it is whole; the document comes last, so that
// whoever finds it finds the page.
func WriteFolder(dir string, c *Comparison, before, after []*Scan) error {
	if err := c.check(); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	err := report.WriteFile(filepath.Join(dir, PageName), func(w io.Writer) error { return WritePage(w, c, before, after, dir) })
	if err != nil {
		return err
	}
	return Write(filepath.Join(dir, DocumentName), c)
}
