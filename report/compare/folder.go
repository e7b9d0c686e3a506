package compare

import (
	"os"
	"path/filepath"
)

// The name of the document in the folder of a comparison.
const DocumentName = "comparison.json"

// WriteFolder writes the document into a folder, which is made where it is not
// there yet. before and after are the scans that c was made of.
func WriteFolder(dir string, c *Comparison, before, after []*Scan) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	return Write(filepath.Join(dir, DocumentName), c)
}
