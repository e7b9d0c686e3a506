package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"setwitness/decode/picture"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/crops"
)

// compareOptions are the parsed flags of compare.
type compareOptions struct {
	before, after []string
	out           string
	tolerance     float64
	json, quiet   bool
}

func newCmdCompare(f *factory, runF func(*compareOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *compareOptions) error { return compareSides(f, o) }
	}
	o := &compareOptions{}
	var tolerance string
	cmd := &cobra.Command{
		Use:   "compare --before DIR --after DIR",
		Short: "Say what became of faults after a change",
		Long: `Compare lays the scans of takes before and after a change beside each other:
another setting, another firmware, another set. Each DIR is a folder that
setwitness scan wrote. --before and --after may be given several times: several
on a side are repeated passes of the same thing, and make every verdict surer.

Each fault gets a verdict: new, stronger, persisting, weaker, fixed, or
not-comparable, with the reason, where one side could not have shown it. The
folder of the comparison holds comparison.json (for programs) and
comparison.html (for people); without --out it is called DIR.comparison after
the first folder of --after.

Exit codes: 0 nothing is new or stronger; 3 something is, by more than the
tolerance; 2 a folder cannot be used, the takes cannot be laid beside each
other, or the command line is wrong; 1 an internal failure.`,
		Example: `  setwitness compare --before scans/fw-2.1 --after scans/fw-2.2 --out fw-2.2
  setwitness compare --before a1 --before a2 --before a3 --after b1 --after b2 --after b3 --tolerance 1`,
		Args: none,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := noneEmpty(c); err != nil {
				return unusable{err}
			}
			var err error
			switch {
			case len(o.before) == 0:
				err = fmt.Errorf("--before is missing (see %s --help)", c.CommandPath())
			case len(o.after) == 0:
				err = fmt.Errorf("--after is missing (see %s --help)", c.CommandPath())
			case slices.Contains(o.before, "") || slices.Contains(o.after, ""):
				err = errors.New("--before or --after is given without a value")
			default:
				o.tolerance, err = parseTolerance(tolerance)
			}
			if err != nil {
				return unusable{err}
			}
			return runF(o)
		},
	}
	fl := cmd.Flags()
	fl.StringArrayVar(&o.before, "before", nil, "folder of a scan before the change; may be given several times")
	fl.StringArrayVar(&o.after, "after", nil, "folder of a scan after it; may be given several times")
	fl.StringVar(&o.out, "out", "", "folder of the comparison")
	fl.StringVar(&tolerance, "tolerance", "0", "a change of visibility up to this many `JND` is no regress")
	fl.BoolVar(&o.json, "json", false, "print the document instead of a table")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	return cmd
}

// parseTolerance reads the flag --tolerance.
func parseTolerance(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("--tolerance: %q is not a number", text)
	}
	if v < 0 {
		return 0, fmt.Errorf("--tolerance %g is negative", v)
	}
	return v, nil
}

// loadScans reads the folders of scans.
func loadScans(dirs []string) ([]*compare.Scan, error) {
	var out []*compare.Scan
	for _, dir := range dirs {
		s, err := compare.Load(dir)
		if err != nil {
			return nil, unusable{err}
		}
		out = append(out, s)
	}
	return out, nil
}

func compareSides(f *factory, o *compareOptions) error {
	before, err := loadScans(o.before)
	if err != nil {
		return err
	}
	after, err := loadScans(o.after)
	if err != nil {
		return err
	}
	c, err := compare.Compare(before, after, compare.Options{ToleranceJND: o.tolerance, Version: version, Created: f.now()})
	if err != nil {
		return err
	}
	return showComparison(f, *o, c, before, after)
}

// showComparison writes the folder of a comparison, prints what it says and ends
// as it went.
func showComparison(f *factory, o compareOptions, c *compare.Comparison, before, after []*compare.Scan) (err error) {
	out := o.out
	if out == "" {
		out = filepath.Clean(o.after[0]) + ".comparison"
	}
	soft, _, stop := f.signals()
	defer stop()
	for _, s := range slices.Concat(before, after) {
		s.Look = looker(soft, s.Folder)
	}
	if err := compare.WriteFolder(out, c, before, after); err != nil {
		return (&folder{path: out}).fault(err)
	}
	switch {
	case o.json:
		err = compare.Encode(f.out, c)
	case !o.quiet:
		_, err = io.WriteString(f.out, comparisonTable(c, out, f.outColour))
	}
	if err != nil {
		return err
	}
	if soft.Err() != nil {
		complain(f.err, fmt.Errorf("%s: interrupted; pictures of takes are missing on the page", out))
		return exit(exitInterrupted)
	}
	return verdictOf(c)
}

// looker reads pictures of the take of a scan once more, where that is still what
// it was. It is opened when the first picture is asked for.
func looker(ctx context.Context, folder string) func(s float64) (image.Image, error) {
	open := sync.OnceValues(func() (*reviewed, error) { return openReviewed(ctx, folder, "", "") })
	return func(s float64) (image.Image, error) {
		r, err := open()
		if err != nil {
			return nil, err
		}
		at := time.Duration(math.Round(s * float64(time.Second)))
		half := r.period(at) / 2
		var shown crops.Image
		err = r.read(ctx, at-half, at+half, func(p *picture.Picture) (err error) {
			if shown.W == 0 {
				shown, err = crops.Whole(p, r.in, p.Y.W)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
		if shown.W == 0 {
			return nil, fmt.Errorf("%s: there is no picture at %s", r.path, report.Clock(s))
		}
		return png.Decode(bytes.NewReader(shown.Data))
	}
}

// verdictOf is how a command ends that compared takes: with an error where they
// could not be, because silence would pass for a good result.
func verdictOf(c *compare.Comparison) error {
	if !c.Aligned {
		for _, p := range slices.Concat(c.Before, c.After) {
			if p.AlignedBy == compare.Unaligned {
				return unusable{fmt.Errorf("%s: cannot be laid beside the first take before: %s", p.Folder, p.AlignedWhy)}
			}
		}
		return unusable{errors.New("the takes cannot be laid beside each other")}
	}
	if c.Regressed {
		return exit(exitRegressed)
	}
	return nil
}

// comparisonTable is what a person at a terminal is told.
func comparisonTable(c *compare.Comparison, out string, colour bool) string {
	bold, dim, off := "", "", ""
	if colour {
		bold, dim, off = "\x1b[1m", "\x1b[2m", "\x1b[0m"
	}
	var b strings.Builder
	title := c.Unchanged()
	switch {
	case !c.Aligned:
		title = "cannot be compared in full"
	case c.Regressed:
		title = "regressed"
	}
	fmt.Fprintf(&b, "%s%s%s  %d before, %d after\n", bold, title, off, len(c.Before), len(c.After))
	for _, s := range c.Settings {
		fmt.Fprintf(&b, "  %ssetting %s:%s %s -> %s\n", dim, oneLine(s.Name), off, oneLine(stated(s.Before)), oneLine(stated(s.After)))
	}
	if len(c.Pairs) == 0 {
		b.WriteString("  neither side shows a fault\n")
	} else {
		rows := [][]string{{"", "time", "kind", "verdict", "before", "after", "seen", "where"}}
		for _, p := range c.Pairs[:min(len(c.Pairs), mostRows)] {
			rows = append(rows, []string{
				p.ID, report.Clock(p.StartS), string(p.Kind), string(p.Verdict), strengthOf(p.Before), strengthOf(p.After),
				fmt.Sprintf("%d/%d, %d/%d", p.Before.Seen, p.Before.Of, p.After.Seen, p.After.Of), p.Region.Where(),
			})
		}
		for i, line := range align(rows) {
			if i == 0 {
				line = dim + line + off
			}
			b.WriteString("  " + line + "\n")
		}
		if more := len(c.Pairs) - mostRows; more > 0 {
			fmt.Fprintf(&b, "  and %d more in the comparison\n", more)
		}
		for _, p := range c.Pairs[:min(len(c.Pairs), mostRows)] {
			if p.Verdict == compare.NotComparable {
				fmt.Fprintf(&b, "  %s%s %s:%s %s\n", dim, p.ID, p.Verdict, off, oneLine(p.Why))
			}
		}
	}
	for _, o := range c.Overall {
		fmt.Fprintf(&b, "  %s\n", o.Words)
	}
	for _, k := range c.Coverage {
		if k.Differs {
			fmt.Fprintf(&b, "  %s%s:%s %s\n", dim, k.Kind, off, oneLine(k.Words))
		}
	}
	for _, w := range c.Warnings {
		fmt.Fprintf(&b, "  %smind:%s %s\n", bold, off, oneLine(w))
	}
	fmt.Fprintf(&b, "  comparison: %s\n", oneLine(filepath.Join(out, compare.PageName)))
	return b.String()
}

func stated(values []string) string {
	if len(values) == 0 {
		return "not stated"
	}
	return strings.Join(values, ", ")
}

func strengthOf(s compare.Side) string {
	if s.Strength == nil {
		return "-"
	}
	return s.Strength.String()
}
