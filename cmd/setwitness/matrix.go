package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/matrix"
)

// matrixOptions are the parsed flags of matrix.
type matrixOptions struct {
	dirs        []string
	out         string
	json, quiet bool
}

func newCmdMatrix(f *factory, runF func(*matrixOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *matrixOptions) error { return matrixOf(f, o) }
	}
	o := &matrixOptions{}
	cmd := &cobra.Command{
		Use:   "matrix DIR...",
		Short: "Say under which settings faults show",
		Long: `Matrix lays the scans of many takes with different settings of a set beside
each other. Each DIR is a folder that setwitness scan wrote; what was set is what
--setting said when the take was scanned. One row is a fault, one column a
combination of settings; cells say in how many takes it was seen, and how strong
it was. For each fault a sentence says which setting best separates the takes
that show it from the others, and how sure that is (Fisher's exact test, after
Holm's correction for the number of settings).

The folder of the matrix holds matrix.json (for programs), matrix.csv (for
spreadsheets) and matrix.html (for people); without --out it is called
DIR.matrix after the first folder.

Exit codes: 0 the matrix was made; 2 a folder cannot be used, no two takes can
be laid beside each other, or the command line is wrong; 1 an internal failure.`,
		Example: `  setwitness scan --setting film=off --setting input=1080i --out off-1 off-1.mp4
  setwitness matrix off-1 off-2 off-3 off-4 on-1 on-2 on-3 on-4 --out film-mode`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) < 2 {
				return unusable{fmt.Errorf("a matrix needs two folders of scans or more (see %s --help)", c.CommandPath())}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.dirs = args
			if err := noneEmpty(c); err != nil {
				return unusable{err}
			}
			return runF(o)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&o.out, "out", "", "folder of the matrix")
	fl.BoolVar(&o.json, "json", false, "print the document instead of a table")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	return cmd
}

func matrixOf(f *factory, o *matrixOptions) error {
	scans, err := loadScans(o.dirs)
	if err != nil {
		return err
	}
	m, err := matrix.Build(scans, matrix.Options{Version: version, Created: f.now()})
	if err != nil {
		return err
	}
	out := o.out
	if out == "" {
		out = filepath.Clean(o.dirs[0]) + ".matrix"
	}
	if err := matrix.WriteFolder(out, m, scans); err != nil {
		return (&folder{path: out}).fault(err)
	}
	switch {
	case o.json:
		err = matrix.Encode(f.out, m)
	case !o.quiet:
		_, err = io.WriteString(f.out, matrixTable(m, out, f.outColour))
	}
	if err != nil {
		return err
	}
	for _, t := range m.Takes[1:] {
		if t.AlignedBy != compare.Unaligned {
			return nil
		}
	}
	return unusable{errors.New("no take can be laid beside the first one: " + m.Takes[1].AlignedWhy)}
}

// matrixTable is what a person at a terminal is told.
func matrixTable(m *matrix.Matrix, out string, colour bool) string {
	bold, dim, off := "", "", ""
	if colour {
		bold, dim, off = "\x1b[1m", "\x1b[2m", "\x1b[0m"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s%d takes, %d combinations of settings%s\n", bold, len(m.Takes), len(m.Columns), off)
	for i, c := range m.Columns {
		fmt.Fprintf(&b, "  %scolumn %d:%s %s\n", dim, i+1, off, oneLine(c.Name()))
	}
	if len(m.Rows) > 0 {
		head := []string{"", "time", "kind"}
		for i := range m.Columns {
			head = append(head, strconv.Itoa(i+1))
		}
		rows := [][]string{head}
		for _, r := range m.Rows[:min(len(m.Rows), mostRows)] {
			row := []string{r.ID, report.Clock(r.StartS), string(r.Kind)}
			for _, c := range r.Cells {
				cell := "-"
				if c.Of > 0 {
					cell = fmt.Sprintf("%d/%d", c.Seen, c.Of)
				}
				if c.Strength != nil {
					cell += " " + c.Strength.String()
				}
				row = append(row, cell)
			}
			rows = append(rows, row)
		}
		for i, line := range align(rows) {
			if i == 0 {
				line = dim + line + off
			}
			b.WriteString("  " + line + "\n")
		}
		if more := len(m.Rows) - mostRows; more > 0 {
			fmt.Fprintf(&b, "  and %d more in the matrix\n", more)
		}
		for _, r := range m.Rows[:min(len(m.Rows), mostRows)] {
			fmt.Fprintf(&b, "  %s%s:%s %s\n", dim, r.ID, off, oneLine(r.Words))
		}
	}
	fmt.Fprintf(&b, "  %s\n", oneLine(m.Words))
	for _, names := range m.Confounded {
		fmt.Fprintf(&b, "  %smind:%s these settings always changed together, so that nothing tells which of them did it: %s\n", bold, off, oneLine(strings.Join(names, ", ")))
	}
	for _, w := range m.Warnings {
		fmt.Fprintf(&b, "  %smind:%s %s\n", bold, off, oneLine(w))
	}
	fmt.Fprintf(&b, "  matrix: %s\n", oneLine(filepath.Join(out, matrix.PageName)))
	return b.String()
}
