package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"runtime"

	"github.com/spf13/cobra"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/screen"
	"setwitness/report"
)

// scanOptions are the parsed flags of scan.
type scanOptions struct {
	clips    []string
	list     string // file that names takes, in place of clips
	atOnce   int
	part     part
	out      string
	asked    asked
	fields   decode.Fields
	view     display.Options
	viewing  viewing
	settings map[string]string
	options  map[string]float64
	request  map[string]string // what of the flags decides what is found
	json     bool
	quiet    bool
	threads  int
	// reference is the source that asked names, once it was read.
	reference *reference
}

// Cameras take from one frame a second to some ten thousand.
const leastCapture, mostCapture = 1, 10000

func newCmdScan(f *factory, runF func(*scanOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *scanOptions) error {
			if o.list != "" {
				return scanList(f, o)
			}
			return scanAll(f, o)
		}
	}
	o := &scanOptions{}
	a := nothingAsked()
	var part string
	cmd := &cobra.Command{
		Use:   "scan CLIP...",
		Short: "Find the faults of a set's picture in clips",
		Long: `Scan looks through each clip and writes a folder with findings.json (for
programs), report.html (for people; one file, opens without a network),
crops/ (the pictures that prove each finding) and signatures.json (by which
scans are aligned with each other without their clips).

The folder of one clip is DIR, if --out gives it; with several clips DIR gets
one folder for each, named like the clip. Without --out it stands beside the
clip and is called CLIP.setwitness. In a folder that exists, an earlier report
is replaced when the new one is whole, and what annotate, stills and markers
made of it goes with it: files of their own names that are as they were made.
Nothing else is touched.

A clip in which a camera filmed a set is told by the lit screen that stands in
it: the pictures that the set showed are rebuilt from the camera's frames, and
those are examined. Times are still those of the clip.

With --list the takes come from a file: one a line, named from the folder of the
list on; then, after tabs, what is asked of that take alone: settings key=value,
or flags --flag=value, which go before those of the command line. Spaces around
them do not count; empty lines and lines that start with # say nothing. A report
goes to a folder in DIR that is named like the take, numbered where two are the
same. Takes that were scanned already, by this version and asked the same, are
skipped: their reports are complete, and the SHA-256 of the file is that of the
report. So an interrupted list goes on where it was. DIR/summary.json, and a
table, say what became of each take; a take that cannot be used does not keep
others from being scanned. Machines that share the work take a --part each, and
write summary-INDEX-of-COUNT.json.

An interrupt (Ctrl-C) writes what was found so far and says so; a second one
leaves at once.

Exit codes: 0 all clips were scanned; 2 a clip or a folder could not be used or
the command line is wrong (one line on standard error names it and why; other
clips are still scanned); 130 interrupted; 1 an internal failure.`,
		Example: `  setwitness scan match.mp4
  setwitness scan --out reports --setting set="living room" --setting film-mode=off *.mp4
  setwitness scan --json match.mp4 | jq '.findings[].kind'
  setwitness scan --list takes.txt --out reports --at-once 4`,
		Args: func(c *cobra.Command, args []string) error {
			switch list := c.Flags().Changed("list"); {
			case len(args) == 0 && !list:
				return unusable{fmt.Errorf("no clip is named (see %s --help)", c.CommandPath())}
			case len(args) > 0 && list:
				return unusable{fmt.Errorf("%q is named beside a list", args[0])}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.clips = args
			if err := noneEmpty(c); err != nil {
				return unusable{err}
			}
			err := o.lists(c, part)
			if err == nil {
				err = o.parse(f, a)
			}
			if err != nil {
				return unusable{err}
			}
			return runF(o)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&o.out, "out", "", "folder of the report; with several clips, of their folders")
	a.bind(fl)
	fl.StringVar(&o.list, "list", "", "scan the takes that `FILE` names, in place of clips")
	fl.IntVar(&o.atOnce, "at-once", max(1, runtime.NumCPU()/2), "how many takes of a list are scanned at the same time")
	fl.StringVar(&part, "part", "", "only this part of a list, `INDEX/COUNT`, counted from 0: 2/8 is the third, the eleventh, ... take")
	fl.BoolVar(&o.json, "json", false, "print the findings documents instead of tables; of a list, its summary")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	fl.IntVar(&o.threads, "threads", 0, "threads that decode; 0 chooses")
	return cmd
}

// parse reads what is asked of a scan.
func (o *scanOptions) parse(f *factory, a asked) error {
	o.asked = a
	var err error
	if o.viewing, err = parseViewing(a.peak, a.black, a.eotf, a.distance); err != nil {
		return err
	}
	if o.view.LinesPerPx, err = parseLinesPerPx(a.lines); err != nil {
		return err
	}
	switch a.from {
	case "auto":
	case "direct":
		o.view.From = display.Direct
	case "screen":
		o.view.From = display.Screen
	default:
		return fmt.Errorf("--from %q is none of auto, direct and screen", a.from)
	}
	if a.corners != "" {
		q, err := screen.ParseCorners(a.corners)
		switch {
		case err != nil:
			return fmt.Errorf("--corners: %w", err)
		case o.view.From == display.Direct:
			return errors.New("--corners are of a screen, and --from says that there is none")
		}
		o.view.Corners = &q
	}
	if o.view.LinesPerPx > 0 && o.view.From == display.Direct {
		return errors.New("--lines-per-px are of a screen, and --from says that there is none")
	}
	o.view.CaptureRate = a.capture
	if r := a.capture; r != 0 && !(r >= leastCapture && r <= mostCapture) {
		return fmt.Errorf("--capture-fps %g is outside %g to %g", r, float64(leastCapture), float64(mostCapture))
	}
	if o.threads < 0 {
		return fmt.Errorf("--threads %d is negative", o.threads)
	}
	if o.fields, err = decode.ParseFields(a.fields); err != nil {
		return fmt.Errorf("--%w", err)
	}
	if o.settings, err = parseSettings(a.settings); err != nil {
		return err
	}
	if o.options, err = parseOptions(a.options, f.stages()); err != nil {
		return err
	}
	o.request = a.request(o.options)
	return nil
}

// scanAll scans one clip after the other. A clip that cannot be used does not
// keep the others from being scanned.
func scanAll(f *factory, o *scanOptions) error {
	soft, hard, stop := f.signals()
	defer stop()
	folders := folderNames(o.clips, o.out)
	code := exitDone
	for i, clip := range o.clips {
		label := filepath.Base(clip)
		if len(o.clips) > 1 {
			label = fmt.Sprintf("%d/%d %s", i+1, len(o.clips), label)
		}
		s := &scan{f: f, o: o, clip: clip, folder: folders[i], label: label}
		doc, err := s.run(soft, hard)
		switch {
		case errors.Is(err, context.Canceled):
			complain(f.err, fmt.Errorf("%s: interrupted, nothing was written", clip))
		case err != nil:
			complain(f.err, err)
			// An internal failure weighs more than a bad clip.
			if !errors.As(err, new(unusable)) {
				code = exitInternal
			} else if code == exitDone {
				code = exitUnusable
			}
		default:
			if err := s.print(doc); err != nil {
				return err
			}
		}
		if soft.Err() != nil {
			return exit(exitInterrupted)
		}
	}
	if code != exitDone {
		return exit(code)
	}
	return nil
}

func (s *scan) print(doc *report.Findings) error {
	switch {
	case s.o.json:
		return report.Encode(s.f.out, doc)
	case s.o.quiet:
		return nil
	}
	text := table(doc, filepath.Join(s.folder, pageName), s.f.outColour)
	if len(s.removed) > 0 {
		text += fmt.Sprintf("  gone with the earlier report: %s; setwitness annotate, stills and markers make them of this one\n", named(s.removed))
	}
	if len(s.kept) > 0 {
		text += fmt.Sprintf("  mind: not of this scan, and left as it was: %s\n", named(s.kept))
	}
	_, err := io.WriteString(s.f.out, text)
	return err
}
