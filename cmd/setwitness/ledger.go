package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/report/ledger"
)

func newCmdLedger(f *factory) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "ledger",
		Short: "Keep scans for good, and hold new ones against a baseline",
		Long: `The ledger is one file that keeps scans with their evidence: of which set and
firmware, what was found, and what came of every check. It holds all that a
comparison needs, so that the folders of scans may go.

The file is given by --ledger. Without it, it is setwitness/ledger.db in the
user's data folder: that of $XDG_DATA_HOME, or ~/.local/share.

What a command said that it has stored stays, even when the machine dies the
moment after. Any number of commands may read while one writes; writers wait for
each other.`,
		Example: `  setwitness scan take.mp4 --out before --setting set="living room" --setting firmware=2.1
  setwitness ledger baseline before
  setwitness scan next.mp4 --out after --setting set="living room" --setting firmware=2.2
  setwitness ledger check after`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return unusable{fmt.Errorf("unknown command %q (see %s --help)", args[0], c.CommandPath())}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	path := cmd.PersistentFlags().String("ledger", "", "`FILE` of the ledger")
	b := &books{factory: f, path: path}
	cmd.AddCommand(b.newCmdAdd(), b.newCmdList(), b.newCmdShow(), b.newCmdBaseline(), b.newCmdCheck(), b.newCmdBackup())
	return cmd
}

// books is what the commands of the ledger have in common.
type books struct {
	*factory
	path *string // from the command line
}

// file is where the ledger is.
func (b *books) file() (string, error) {
	if *b.path != "" {
		return *b.path, nil
	}
	// The XDG base directory specification has relative paths ignored.
	data := os.Getenv("XDG_DATA_HOME")
	if !filepath.IsAbs(data) {
		home, err := os.UserHomeDir()
		if err != nil {
			return "", unusable{fmt.Errorf("--ledger is not given, and there is no data folder: %w", err)}
		}
		data = filepath.Join(home, ".local", "share")
	}
	return filepath.Join(data, "setwitness", "ledger.db"), nil
}

// with opens the ledger for do, which the first interrupt breaks off.
func (b *books) with(open func(context.Context, string) (*ledger.Ledger, error), do func(context.Context, *ledger.Ledger) error) error {
	path, err := b.file()
	if err != nil {
		return err
	}
	ctx, _, stop := b.signals()
	defer stop()
	l, err := open(ctx, path)
	if err == nil {
		err = do(ctx, l)
		err = errors.Join(err, l.Close())
	}
	switch {
	case errors.Is(err, context.Canceled):
		complain(b.err, errors.New("interrupted"))
		return exit(exitInterrupted)
	case errors.As(err, new(*ledger.Fault)):
		return unusable{err}
	}
	return err
}

func (b *books) newCmdAdd() *cobra.Command {
	var settings []string
	cmd := &cobra.Command{
		Use:   "add DIR...",
		Short: "Store the folders of scans",
		Long: `Add stores the folder that setwitness scan wrote: the findings, the crops and
all else that a comparison needs, but not the page and not the take.

The settings set (which must be there), firmware and source (the name of the clip
that was played, where scan --source did not have it) say what the scan is of.
They are given when the take is scanned, or here.

A scan that is there already is not stored twice: one of the same take (by its
SHA-256), by the same version of setwitness, with the same flags, settings and
viewing conditions, that found the same. A take that was scanned anew in any
other way is one take with several scans.

Exit codes: 0 all are stored or were there; 2 one cannot be stored (others are);
1 an internal failure; 130 interrupted.`,
		Example: `  setwitness ledger add scans/*/
  setwitness ledger add scans/match --setting set="living room" --setting firmware=2.1`,
		Args: someFolders,
		RunE: func(c *cobra.Command, dirs []string) error {
			stated, err := parseSettings(settings)
			if err != nil {
				return unusable{err}
			}
			return b.with(ledger.Create, func(ctx context.Context, l *ledger.Ledger) error {
				code := exitDone
				for _, dir := range dirs {
					_, err := b.add(ctx, l, dir, stated)
					switch {
					case errors.As(err, new(*ledger.Fault)):
						complain(b.err, err)
						code = exitUnusable
					case err != nil:
						return err
					}
				}
				if code != exitDone {
					return exit(code)
				}
				return nil
			})
		},
	}
	settingFlag(cmd, &settings)
	return cmd
}

func settingFlag(c *cobra.Command, settings *[]string) {
	c.Flags().StringArrayVar(settings, "setting", nil, "what the scan was not told, key=value, such as set and firmware; may be given several times")
}

func someFolders(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return unusable{fmt.Errorf("no folder of a scan is named (see %s --help)", c.CommandPath())}
	}
	return nil
}

// add stores the scan in a folder and says so.
func (b *books) add(ctx context.Context, l *ledger.Ledger, dir string, stated map[string]string) (int64, error) {
	a, err := l.Add(ctx, dir, stated, b.now())
	if err != nil {
		return 0, err
	}
	var words strings.Builder
	if !a.Known {
		s, err := l.Scan(ctx, a.Scan)
		if err != nil {
			return 0, err
		}
		fmt.Fprintf(&words, "scan %d: %s of %s; %s\n", a.Scan, s.Take, of(s), counts(s.Findings, detect.Kinds))
	} else {
		fmt.Fprintf(&words, "scan %d: there already (same take, version of setwitness, flags, settings and viewing conditions)\n", a.Scan)
	}
	if len(a.Unlike) > 0 {
		fmt.Fprintf(&words, "  mind: %s of the same take, done in the same way, found something else\n", scansWords(a.Unlike))
	}
	for _, other := range a.Others {
		fmt.Fprintf(&words, "  mind: the same take is also there as one of set %s\n", other)
	}
	_, err = io.WriteString(b.out, plain(words.String()))
	return a.Scan, err
}

// of says what a scan is of.
func of(s ledger.Scan) string {
	words := "set " + s.Set
	if s.Firmware != "" {
		words += ", firmware " + s.Firmware
	}
	if s.Source != "" {
		words += ", source " + s.Source
	}
	return words
}

func (b *books) newCmdList() *cobra.Command {
	var set string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List scans, baselines and checks",
		Args:  none,
		RunE: func(c *cobra.Command, _ []string) error {
			return b.with(ledger.Open, func(ctx context.Context, l *ledger.Ledger) error {
				list := struct {
					Scans     []ledger.Scan     `json:"scans"`
					Baselines []ledger.Baseline `json:"baselines"`
					Checks    []ledger.Check    `json:"checks"`
				}{[]ledger.Scan{}, []ledger.Baseline{}, []ledger.Check{}}
				scans, err := l.Scans(ctx, set)
				if err != nil {
					return err
				}
				list.Scans = append(list.Scans, scans...)
				baselines, err := l.Baselines(ctx)
				if err != nil {
					return err
				}
				for _, x := range baselines {
					if set == "" || x.Set == set {
						list.Baselines = append(list.Baselines, x)
					}
				}
				checks, err := l.Checks(ctx)
				if err != nil {
					return err
				}
				for _, x := range checks {
					if set == "" || x.Baseline.Set == set {
						list.Checks = append(list.Checks, x)
					}
				}
				if asJSON {
					e := json.NewEncoder(b.out)
					e.SetIndent("", "  ")
					e.SetEscapeHTML(false)
					return e.Encode(list)
				}
				_, err = io.WriteString(b.out, plain(listTable(list.Scans, list.Baselines, list.Checks)))
				return err
			})
		},
	}
	cmd.Flags().StringVar(&set, "set", "", "only what is of this set")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of tables")
	return cmd
}

func listTable(scans []ledger.Scan, baselines []ledger.Baseline, checks []ledger.Check) string {
	if len(scans) == 0 {
		return "no scans\n"
	}
	rows := [][]string{{"scan", "set", "firmware", "source", "take", "found", "tool", "added", "baseline"}}
	for _, s := range scans {
		rows = append(rows, []string{
			strconv.FormatInt(s.ID, 10), s.Set, dash(s.Firmware), dash(s.Source), s.Take, counts(s.Findings, detect.Kinds), s.Tool, s.Added, strings.Join(s.Baselines, ", "),
		})
	}
	lines := align(rows)
	if len(baselines) > 0 {
		rows := [][]string{{"baseline", "set", "source", "scans", "made"}}
		for _, x := range baselines {
			rows = append(rows, []string{x.Name, x.Set, dash(x.Source), numbers(x.Scans), x.Made})
		}
		lines = append(append(lines, ""), align(rows)...)
	}
	if len(checks) > 0 {
		rows := [][]string{{"check", "baseline", "set", "source", "scans", "verdicts", "regressed", "made"}}
		for _, x := range checks {
			regressed := map[bool]string{false: "no", true: "yes"}[x.Regressed]
			if !x.Aligned {
				regressed = "could not be told"
			}
			rows = append(rows, []string{
				strconv.FormatInt(x.ID, 10), x.Baseline.Name, x.Baseline.Set, dash(x.Baseline.Source), numbers(x.Scans),
				counts(x.Verdicts, compare.Verdicts), regressed, x.Made,
			})
		}
		lines = append(append(lines, ""), align(rows)...)
	}
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return strings.Join(lines, "\n") + "\n"
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func numbers(ids []int64) string {
	words := make([]string, len(ids))
	for i, id := range ids {
		words[i] = strconv.FormatInt(id, 10)
	}
	return strings.Join(words, ", ")
}

// parseScan reads the number of a scan.
func parseScan(text string) (int64, error) {
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return 0, fmt.Errorf("%q is not the number of a scan (see setwitness ledger list)", text)
	}
	return id, nil
}

func (b *books) newCmdShow() *cobra.Command {
	var out string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "show SCAN",
		Short: "Show a scan, or write its folder again",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) != 1 {
				return unusable{fmt.Errorf("one scan must be named by its number (see %s --help)", c.CommandPath())}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			id, err := parseScan(args[0])
			if err == nil {
				err = noneEmpty(c)
			}
			if err != nil {
				return unusable{err}
			}
			return b.with(ledger.Open, func(ctx context.Context, l *ledger.Ledger) error {
				if out != "" {
					return b.restore(ctx, l, id, out)
				}
				doc, err := l.Document(ctx, id)
				if err != nil {
					return err
				}
				if asJSON {
					return report.Encode(b.out, doc)
				}
				s, err := l.Scan(ctx, id)
				if err != nil {
					return err
				}
				words := plain(fmt.Sprintf("scan %d, added %s\n  %s\n", id, s.Added, of(s)))
				for _, name := range s.Baselines {
					words += plain(fmt.Sprintf("  belongs to the baseline %s\n", name))
				}
				_, err = io.WriteString(b.out, words+table(doc, "", b.outColour))
				return err
			})
		},
	}
	cmd.Flags().StringVar(&out, "out", "", "write the scan's folder again, without its page, to this new `DIR`")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the findings document")
	return cmd
}

// restore writes the folder of a scan, whole or not at all.
func (b *books) restore(ctx context.Context, l *ledger.Ledger, id int64, out string) error {
	if _, err := os.Lstat(out); err == nil {
		return unusable{fmt.Errorf("%s: is there already", out)}
	}
	fold := &folder{path: out}
	stage, err := os.MkdirTemp(filepath.Dir(out), ".setwitness-")
	if err != nil {
		return fold.fault(err)
	}
	defer os.RemoveAll(stage)
	if err := l.Restore(ctx, id, stage); err != nil {
		return err
	}
	if err := errors.Join(os.Chmod(stage, 0o755), os.Rename(stage, out)); err != nil {
		return fold.fault(err)
	}
	_, err = fmt.Fprintf(b.out, "scan %d is in %s\n", id, oneLine(out))
	return err
}

func (b *books) newCmdBaseline() *cobra.Command {
	var name string
	var settings []string
	cmd := &cobra.Command{
		Use:   "baseline SCAN|DIR...",
		Short: "Make scans what later ones are held against",
		Long: `Baseline makes one or several scans what later scans of the same set and the
same source clip are held against by setwitness ledger check. Several are
repeated passes of the same thing and make every verdict surer.

SCAN is the number of a stored scan; the folder of a scan, DIR, is stored first
if it is not there yet (write ./7 for a folder called 7).

A set and a source clip have one baseline of each name, so that there can be one
for each picture mode; it replaces an earlier one, which stays for the record.`,
		Example: `  setwitness ledger baseline scans/pass-1 scans/pass-2 scans/pass-3
  setwitness ledger baseline 12 --name cinema`,
		Args: someFolders,
		RunE: func(c *cobra.Command, args []string) error {
			stated, err := parseSettings(settings)
			if err == nil {
				err = baselineName(name)
			}
			if err != nil {
				return unusable{err}
			}
			open := ledger.Open
			for _, a := range args {
				if _, err := parseScan(a); err != nil {
					open = ledger.Create
				}
			}
			return b.with(open, func(ctx context.Context, l *ledger.Ledger) error {
				var scans []int64
				for _, a := range args {
					id, err := parseScan(a)
					if err != nil {
						if id, err = b.add(ctx, l, a, stated); err != nil {
							return err
						}
					}
					scans = append(scans, id)
				}
				made, replaced, err := l.SetBaseline(ctx, name, scans, b.now())
				if err != nil {
					return err
				}
				verb := "is"
				if len(made.Scans) > 1 {
					verb = "are"
				}
				words := fmt.Sprintf("%s %s the baseline %q of set %s", scansWords(made.Scans), verb, made.Name, made.Set)
				if made.Source != "" {
					words += " and source " + made.Source
				}
				if replaced != nil {
					words += ", in place of " + scansWords(replaced.Scans)
				}
				_, err = io.WriteString(b.out, plain(words+"\n"))
				return err
			})
		},
	}
	nameFlag(cmd, &name)
	settingFlag(cmd, &settings)
	return cmd
}

func nameFlag(c *cobra.Command, name *string) {
	c.Flags().StringVar(name, "name", ledger.DefaultBaseline, "of the baseline, where a set and a source clip have several")
}

func baselineName(name string) error {
	if strings.TrimSpace(name) == "" || !printable(name) {
		return fmt.Errorf("--name %q is no name", name)
	}
	return nil
}

func scansWords(ids []int64) string {
	if len(ids) == 1 {
		return "scan " + numbers(ids)
	}
	return "scans " + numbers(ids)
}

func (b *books) newCmdCheck() *cobra.Command {
	var name, out, tolerance string
	var settings []string
	var asJSON, quiet bool
	cmd := &cobra.Command{
		Use:   "check DIR...",
		Short: "Hold new scans against their baseline",
		Long: `Check compares the folder of a new scan with the baseline of its set and source
clip, as setwitness compare does, and says what became of every fault. Several
folders are repeated passes of the same thing.

The scans and the verdicts are stored. The folder of the comparison holds
comparison.json and comparison.html; without --out it is called DIR.comparison
after the first folder.

Exit codes: 0 nothing is new or stronger; 3 something is, by more than the
tolerance; 2 there is no such baseline, a folder cannot be used, the takes
cannot be laid beside each other, or the command line is wrong; 1 an internal
failure; 130 interrupted.`,
		Example: `  setwitness ledger check scans/match
  setwitness ledger check scans/pass-1 scans/pass-2 --name cinema --tolerance 1`,
		Args: someFolders,
		RunE: func(c *cobra.Command, dirs []string) error {
			if err := noneEmpty(c); err != nil {
				return unusable{err}
			}
			stated, err := parseSettings(settings)
			if err == nil {
				err = baselineName(name)
			}
			o := compareOptions{after: dirs, out: out, json: asJSON, quiet: quiet}
			if err == nil {
				o.tolerance, err = parseTolerance(tolerance)
			}
			if err != nil {
				return unusable{err}
			}
			return b.with(ledger.Open, func(ctx context.Context, l *ledger.Ledger) error {
				return b.check(ctx, l, o, name, stated)
			})
		},
	}
	fl := cmd.Flags()
	nameFlag(cmd, &name)
	settingFlag(cmd, &settings)
	fl.StringVar(&out, "out", "", "folder of the comparison")
	fl.StringVar(&tolerance, "tolerance", "0", "a change of visibility up to this many `JND` is no regress")
	fl.BoolVar(&asJSON, "json", false, "print the document instead of a table")
	fl.BoolVar(&quiet, "quiet", false, "print nothing but errors")
	return cmd
}

// check compares folders of scans with their baseline, and stores them and what
// came of it.
func (b *books) check(ctx context.Context, l *ledger.Ledger, o compareOptions, name string, stated map[string]string) error {
	var base ledger.Baseline
	for i, dir := range o.after {
		of, err := l.BaselineOf(ctx, dir, stated, name)
		if err != nil {
			return err
		}
		if i > 0 && of.ID != base.ID {
			return unusable{fmt.Errorf("%s: has another baseline than %s", dir, o.after[0])}
		}
		base = of
	}
	work, err := os.MkdirTemp("", "setwitness-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	before, err := baselineScans(ctx, l, base, work)
	if err != nil {
		return err
	}
	after, err := loadScans(o.after)
	if err != nil {
		return err
	}
	for _, s := range after {
		settings := maps.Clone(stated)
		maps.Copy(settings, s.Doc.Conditions.Settings)
		s.Doc.Conditions.Settings = settings
	}
	c, err := compare.Compare(before, after, compare.Options{ToleranceJND: o.tolerance, Version: version, Created: b.now()})
	if err != nil {
		return err
	}
	var scans []int64
	for _, dir := range o.after {
		a, err := l.Add(ctx, dir, stated, b.now())
		if err != nil {
			return err
		}
		if slices.Contains(scans, a.Scan) {
			return unusable{fmt.Errorf("%s: is the scan that was named before", dir)}
		}
		scans = append(scans, a.Scan)
	}
	if _, err := l.Record(ctx, base, scans, c, b.now()); err != nil {
		return err
	}
	return showComparison(b.factory, o, c, before, after)
}

// baselineScans are the scans of a baseline, whose folders are written again below
// work.
func baselineScans(ctx context.Context, l *ledger.Ledger, base ledger.Baseline, work string) ([]*compare.Scan, error) {
	var scans []*compare.Scan
	for _, id := range base.Scans {
		dir := filepath.Join(work, strconv.FormatInt(id, 10))
		if err := os.Mkdir(dir, 0o755); err != nil {
			return nil, err
		}
		if err := l.Restore(ctx, id, dir); err != nil {
			return nil, err
		}
		s, err := compare.Load(dir)
		if err != nil {
			return nil, err
		}
		s.Label = fmt.Sprintf("scan %d", id)
		scans = append(scans, s)
	}
	return scans, nil
}

func (b *books) newCmdBackup() *cobra.Command {
	return &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the ledger to a file",
		Long: `Backup copies the ledger, as it is at one moment, to one file. Others may go on
writing meanwhile. The copy is looked through for damage before it gets its
name, where it replaces an earlier backup and nothing else. It is a ledger: to
go back to it, copy it to the place of the ledger, or name it with --ledger.`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return unusable{fmt.Errorf("the file of the backup must be named (see %s --help)", c.CommandPath())}
			}
			return nil
		},
		RunE: func(_ *cobra.Command, args []string) error {
			return b.with(ledger.Open, func(ctx context.Context, l *ledger.Ledger) error {
				if err := l.Backup(ctx, args[0]); err != nil {
					return err
				}
				_, err := fmt.Fprintf(b.out, "the backup is %s\n", oneLine(args[0]))
				return err
			})
		},
	}
}
