package matrix

import (
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/document"
)

var kind = document.New(SchemaName, "matrix", SchemaJSON)

// The names of what the folder of a matrix holds.
const (
	DocumentName = "matrix.json"
	TableName    = "matrix.csv"
	PageName     = "matrix.html"
)

// Encode writes the document as JSON. The same document always gives the same
// bytes.
func Encode(w io.Writer, m *Matrix) error {
	if err := m.check(); err != nil {
		return err
	}
	return document.Encode(w, m)
}

// Decode reads a document and holds it against the schema.
func Decode(r io.Reader) (*Matrix, error) {
	m := &Matrix{}
	if err := kind.Decode(r, m); err != nil {
		return nil, err
	}
	if err := m.check(); err != nil {
		return nil, err
	}
	return m, nil
}

// Validate holds JSON against the schema and reports the first place that does
// not keep to it.
func Validate(b []byte) error { return kind.Validate(b) }

// check reports what no schema can say: that rows and columns fit each other.
func (m *Matrix) check() error {
	counted := 0
	for i, c := range m.Columns {
		for _, t := range c.Takes {
			if t < 0 || t >= len(m.Takes) {
				return fmt.Errorf("column %d: there is no take %d", i, t)
			}
		}
		counted += len(c.Takes)
	}
	if counted != len(m.Takes) {
		return fmt.Errorf("the columns hold %d takes of %d", counted, len(m.Takes))
	}
	ids := map[string]bool{}
	for i := range m.Rows {
		r := &m.Rows[i]
		switch {
		case ids[r.ID]:
			return fmt.Errorf("row %d: id %q is there twice", i, r.ID)
		case len(r.Cells) != len(m.Columns):
			return fmt.Errorf("row %d (%q) has %d cells for %d columns", i, r.ID, len(r.Cells), len(m.Columns))
		case !(r.StartS <= r.EndS):
			return fmt.Errorf("row %d (%q) runs from %g to %g s", i, r.ID, r.StartS, r.EndS)
		}
		ids[r.ID] = true
		for k, c := range r.Cells {
			if c.Seen > c.Of || c.Of > len(m.Columns[k].Takes) {
				return fmt.Errorf("row %d (%q), column %d: seen in %d of %d of %d takes", i, r.ID, k, c.Seen, c.Of, len(m.Columns[k].Takes))
			}
			for _, f := range c.Findings {
				if !slices.Contains(m.Columns[k].Takes, f.Pass) {
					return fmt.Errorf("row %d (%q), column %d: take %d is not in it", i, r.ID, k, f.Pass)
				}
			}
		}
	}
	return nil
}

// Name is what a column is called.
func (c Column) Name() string {
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(c.Settings)) {
		parts = append(parts, name+"="+c.Settings[name])
	}
	if len(parts) == 0 {
		return "all takes"
	}
	return strings.Join(parts, ", ")
}

// EncodeTable writes the rows for spreadsheets (RFC 4180): for each column how
// often the fault was seen, of how many takes, and how strong.
func EncodeTable(w io.Writer, m *Matrix) error {
	t := csv.NewWriter(w)
	t.UseCRLF = true
	head := []string{"id", "kind", "start_s", "end_s", "source_s", "where", "visibility_jnd", "unit"}
	for _, c := range m.Columns {
		head = append(head, text(c.Name()+": seen"), text(c.Name()+": of"), text(c.Name()+": strength"))
	}
	rows := [][]string{append(head, "best", "p", "p_holm", "words")}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	for _, r := range m.Rows {
		source := ""
		if r.SourceS != nil {
			source = number(*r.SourceS)
		}
		line := []string{r.ID, string(r.Kind), number(r.StartS), number(r.EndS), source, r.Region.Where(), number(r.VisibilityJND), r.Kind.Unit()}
		for _, c := range r.Cells {
			strength := ""
			if c.Strength != nil {
				strength = number(c.Strength.Value)
			}
			line = append(line, strconv.Itoa(c.Seen), strconv.Itoa(c.Of), strength)
		}
		best, p, holm := "", "", ""
		if s := r.Best; s != nil {
			best, p, holm = valueWords(s.Values), number(s.P), number(s.PHolm)
		}
		rows = append(rows, append(line, text(best), p, holm, text(r.Words)))
	}
	return t.WriteAll(rows)
}

// text keeps a spreadsheet from taking a value that somebody typed for a
// formula.
func text(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// WriteFolder writes the document, the table and the page into a folder, which
// is made where it is not there yet. scans are those that m was made of. Each
// file takes its place when it is whole; the document comes last.
func WriteFolder(dir string, m *Matrix, scans []*compare.Scan) error {
	if err := m.check(); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, f := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{TableName, func(w io.Writer) error { return EncodeTable(w, m) }},
		{PageName, func(w io.Writer) error { return WritePage(w, m, scans, dir) }},
		{DocumentName, func(w io.Writer) error { return Encode(w, m) }},
	} {
		if err := report.WriteFile(filepath.Join(dir, f.name), f.write); err != nil {
			return err
		}
	}
	return nil
}
