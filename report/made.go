package report

import (
	_ "embed"
	"fmt"
	"io"
	"path/filepath"

	"setwitness/report/document"
)

// MadeName is the name of the document of made files, beside that of the
// findings.
const MadeName = "made.json"

const madeSchema = "setwitness.made/1"

//go:embed made.schema.json
var madeSchemaJSON []byte

var madeKind = document.New(madeSchema, "document of made files", madeSchemaJSON)

// Made lists what was made from the findings of a scan and lies in its folder, so
// that a later scan can tell what belongs to findings that are no more.
type Made struct {
	Schema string     `json:"schema"`
	Files  []MadeFile `json:"files"`
}

// MadeFile is one of them, as it was when it was made.
type MadeFile struct {
	Name   string `json:"name"` // in the folder, with slashes
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// WriteMade writes the document to path.
func WriteMade(path string, m *Made) error {
	m.Schema = madeSchema
	if err := m.check(); err != nil {
		return err
	}
	return WriteFile(path, func(w io.Writer) error { return document.Encode(w, m) })
}

// ReadMade reads the document and holds it against its schema.
func ReadMade(path string) (*Made, error) { return document.ReadFile(path, DecodeMade) }

// DecodeMade is ReadMade for any reader.
func DecodeMade(r io.Reader) (*Made, error) {
	m := &Made{}
	if err := madeKind.Decode(r, m); err != nil {
		return nil, err
	}
	if err := m.check(); err != nil {
		return nil, err
	}
	return m, nil
}

// check reports what no schema can say.
func (m *Made) check() error {
	for _, f := range m.Files {
		if name := filepath.FromSlash(f.Name); !filepath.IsLocal(name) || filepath.Clean(name) != name || name == "." {
			return fmt.Errorf("%q is no name of a file in the folder", f.Name)
		}
	}
	return nil
}
