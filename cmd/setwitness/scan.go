package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/screen"
	"setwitness/report"
)

// scanOptions are the parsed flags of scan.
type scanOptions struct {
	clips    []string
	out      string
	fields   decode.Fields
	view     display.Options
	viewing  viewing
	settings map[string]string
	options  map[string]float64
	request  map[string]string // what of the flags decides what is found
	json     bool
	quiet    bool
	threads  int
}

// Cameras take from one frame a second to some ten thousand.
const leastCapture, mostCapture = 1, 10000

func newCmdScan(f *factory, runF func(*scanOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *scanOptions) error { return scanAll(f, o) }
	}
	o := &scanOptions{}
	var from, source, fields, corners string
	var peak, black, eotf, distance, lines string
	var settings, options []string
	cmd := &cobra.Command{
		Use:   "scan CLIP...",
		Short: "Find combing, ghosts and cadence faults in clips",
		Long: `Scan looks through each clip and writes a folder with findings.json (for
programs), report.html (for people; one file, opens without a network),
crops/ (the pictures that prove each finding) and signatures.json (by which
scans are aligned with each other without their clips).

The folder of one clip is DIR, if --out gives it; with several clips DIR gets
one folder for each, named like the clip. Without --out it stands beside the
clip and is called CLIP.setwitness. In a folder that exists, an earlier report
is replaced when the new one is whole, and nothing else is touched.

A clip in which a camera filmed a set is told by the lit screen that stands in
it: the pictures that the set showed are rebuilt from the camera's frames, and
those are examined. Times are still those of the clip.

An interrupt (Ctrl-C) writes what was found so far and says so; a second one
leaves at once.

Exit codes: 0 all clips were scanned; 2 a clip or a folder could not be used or
the command line is wrong (one line on standard error names it and why; other
clips are still scanned); 130 interrupted; 1 an internal failure.`,
		Example: `  setwitness scan match.mp4
  setwitness scan --out reports --setting set="living room" --setting film-mode=off *.mp4
  setwitness scan --json match.mp4 | jq '.findings[].kind'`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return unusable{fmt.Errorf("no clip is named (see %s --help)", c.CommandPath())}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.clips = args
			if err := noneEmpty(c); err != nil {
				return unusable{err}
			}
			var err error
			if o.viewing, err = parseViewing(peak, black, eotf, distance); err != nil {
				return unusable{err}
			}
			if o.view.LinesPerPx, err = parseLinesPerPx(lines); err != nil {
				return unusable{err}
			}
			if err := o.parse(f, from, source, fields, corners, settings, options); err != nil {
				return unusable{err}
			}
			o.request = request(c.Flags(), o.options)
			return runF(o)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&o.out, "out", "", "folder of the report; with several clips, of their folders")
	fl.StringVar(&from, "from", "auto", "where the clips come from: direct (a file or a recording of a signal), screen (a camera that filmed a set) or auto (found out)")
	fl.StringVar(&corners, "corners", "", "where the screen is in the first frame of a camera, as \"x,y x,y x,y x,y\" from the top left corner clockwise")
	fl.StringVar(&lines, "lines-per-px", "", "how many of the set's `LINES` a camera pixel is high, for close-ups in which neither the screen's border nor the panel's pixels tell it")
	fl.Float64Var(&o.view.CaptureRate, "capture-fps", 0, "frames a second that the camera took, where the file does not say or says it wrongly")
	fl.StringVar(&source, "source", "", "the clip that was played (takes cannot be compared with it yet)")
	fl.StringVar(&fields, "fields", "auto", "what to do with the fields of interlaced files: auto, weave or split")
	fl.StringVar(&peak, "peak-nits", "", "white of the set in `CD/M2`, for visibility (default 100; for PQ and HLG 1000)")
	fl.StringVar(&black, "black-nits", "", "black of the set in `CD/M2` (default 0.05; for PQ and HLG 0.005)")
	fl.StringVar(&eotf, "eotf", "auto", "transfer function by which the set turns codes into light: bt1886, srgb, pq, hlg or auto (as the clip is tagged, else bt1886; of a film of a screen srgb, unless it is tagged pq or hlg)")
	fl.StringVar(&distance, "distance", "", "viewing distance in picture `HEIGHTS` (default 3)")
	fl.StringArrayVar(&settings, "setting", nil, "how the set was set up, key=value; may be given several times")
	fl.StringArrayVar(&options, "option", nil, "a parameter of a stage, stage.name=value (see setwitness stages); may be given several times")
	fl.BoolVar(&o.json, "json", false, "print the findings documents instead of tables")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	fl.IntVar(&o.threads, "threads", 0, "threads that decode; 0 chooses")
	return cmd
}

func (o *scanOptions) parse(f *factory, from, source, fields, corners string, settings, options []string) error {
	switch from {
	case "auto":
	case "direct":
		o.view.From = display.Direct
	case "screen":
		o.view.From = display.Screen
	default:
		return fmt.Errorf("--from %q is none of auto, direct and screen", from)
	}
	if corners != "" {
		q, err := screen.ParseCorners(corners)
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
	if r := o.view.CaptureRate; r != 0 && !(r >= leastCapture && r <= mostCapture) {
		return fmt.Errorf("--capture-fps %g is outside %g to %g", r, float64(leastCapture), float64(mostCapture))
	}
	if source != "" {
		return errors.New("--source: takes cannot be compared with the clip that was played yet")
	}
	if o.threads < 0 {
		return fmt.Errorf("--threads %d is negative", o.threads)
	}
	var err error
	if o.fields, err = decode.ParseFields(fields); err != nil {
		return fmt.Errorf("--%w", err)
	}
	if o.settings, err = parseSettings(settings); err != nil {
		return err
	}
	o.options, err = parseOptions(options, f.stages())
	return err
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
	_, err := io.WriteString(s.f.out, table(doc, filepath.Join(s.folder, pageName), s.f.outColour))
	return err
}
