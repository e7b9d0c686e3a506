package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"setwitness/report"
	"setwitness/report/markers"
	"setwitness/report/timecode"
)

// markersOptions are the parsed flags of markers.
type markersOptions struct {
	chosen
	some    bool   // not all findings are wanted
	scan    string // folder of the scan
	formats []markerFormat
	out     string
	start   string // label of the first frame
	drop    dropping
	rate    *timecode.Count // nil: by the file
	quiet   bool
}

// dropping says whether labels are dropped.
type dropping string

const (
	dropAuto dropping = "auto" // where they can be
	dropOn   dropping = "on"
	dropOff  dropping = "off"
)

// markerFormat is one of the files; its name is the ending of the file's.
type markerFormat struct {
	name  string
	write func(*markers.List, io.Writer) error
}

var markerFormats = []markerFormat{
	{"vtt", (*markers.List).WriteVTT}, {"edl", (*markers.List).WriteEDL}, {"otio", (*markers.List).WriteOTIO}, {"csv", (*markers.List).WriteCSV},
}

// markersName is that of the files, without their ending.
const markersName = "markers"

func newCmdMarkers(f *factory, runF func(*markersOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *markersOptions) error { return writeMarkers(f, o) }
	}
	o := &markersOptions{}
	var format, drop, rate string
	cmd := &cobra.Command{
		Use:   "markers SCAN-DIR",
		Short: "Write the findings of a scan as markers for editing programs",
		Long: `Markers writes the findings of SCAN-DIR, a folder that setwitness scan wrote, for
editing programs, players and spreadsheets:

  vtt   WebVTT chapters, for players and web pages
  edl   a CMX 3600 edit decision list: the stretches that show a finding, each
        at its own place, with locators
  otio  an OpenTimelineIO time line: the take as one clip, with markers
  csv   a table (RFC 4180)

The files are called markers.vtt and so on, in SCAN-DIR or in the folder --out;
with a single --format, --out may be a file, and - is standard output.

Time code counts as the file does, in labels of SMPTE ST 12-1, and drops labels
at 29.97 and 59.94. A rate that time code does not count, as that of a camera
with 240 frames a second, is counted by the nearest that fits (60); --rate says
another, that of your time line. What was done is said in each file but the
table. Give --start-timecode the label that the first frame of the take has in
your program.`,
		Example: `  setwitness markers scans/living-room
  setwitness markers scans/living-room --format edl --start-timecode 01:00:00:00
  setwitness markers scans/film --rate 25 --format otio --out film.otio`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) != 1 {
				return unusable{fmt.Errorf("name one folder of a scan (see %s --help)", c.CommandPath())}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			o.scan = args[0]
			fl := c.Flags()
			o.some = fl.Changed("finding") || fl.Changed("top") || fl.Changed("kind")
			err := noneEmpty(c)
			if err == nil {
				err = o.check(c)
			}
			if err == nil {
				err = o.parse(format, drop, rate)
			}
			if !fl.Changed("top") {
				o.top = math.MaxInt // markers are cheap
			}
			if err != nil {
				return unusable{err}
			}
			return runF(o)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&format, "format", "all", "vtt, edl, otio, csv or all")
	fl.StringVar(&o.out, "out", "", "folder of the files or, with one format, the file; - is standard output")
	fl.StringVar(&o.start, "start-timecode", "00:00:00:00", "`LABEL` of the take's first frame")
	fl.StringVar(&drop, "drop-frame", string(dropAuto), "drop labels: on, off, or auto (at 29.97 and 59.94)")
	fl.Lookup("drop-frame").NoOptDefVal = string(dropOn)
	fl.StringVar(&rate, "rate", "auto", "labels a second of your time line: 23.976, 24, 25, 29.97, 30, 47.95, 48, 50, 59.94, 60 or auto (by the file)")
	fl.StringSliceVar(&o.ids, "finding", nil, "write the findings with these `IDS` alone (f001,f004); may be given several times")
	fl.IntVar(&o.top, "top", 0, "write the first `N` findings alone, the most worth looking at first")
	fl.StringVar(&o.kind, "kind", "", "write findings of this kind alone")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	return cmd
}

func (o *markersOptions) parse(format, drop, rate string) error {
	for _, f := range markerFormats {
		if format == f.name || format == "all" {
			o.formats = append(o.formats, f)
		}
	}
	if o.formats == nil {
		return fmt.Errorf("--format %q is none of vtt, edl, otio, csv and all", format)
	}
	if o.out == "-" && len(o.formats) > 1 {
		return errors.New("--out -: standard output takes one --format")
	}
	switch o.drop = dropping(drop); o.drop {
	case dropAuto, dropOn, dropOff:
	default:
		return fmt.Errorf("--drop-frame %q is none of auto, on and off", drop)
	}
	if rate != "auto" {
		c, ok := timecode.Standard(markers.RateOf(fractionOf(rate)))
		if !ok {
			return fmt.Errorf("--rate %q is none of 23.976, 24, 25, 29.97, 30, 47.95, 48, 50, 59.94 and 60", rate)
		}
		o.rate = &c
	}
	return nil
}

// fractionOf lets a rate be stated without a denominator.
func fractionOf(rate string) string {
	if whole, part, ok := strings.Cut(rate, "."); ok && !strings.Contains(rate, "/") && strings.Trim(part, "0123456789") == "" {
		const most = 6 // digits after the point
		if len(part) > most {
			return ""
		}
		return whole + part + "/1" + strings.Repeat("0", len(part))
	}
	if !strings.Contains(rate, "/") {
		return rate + "/1"
	}
	return rate
}

func writeMarkers(f *factory, o *markersOptions) error {
	doc, err := report.Read(filepath.Join(o.scan, findingsName))
	if err != nil {
		return unusable{err}
	}
	if o.some {
		some, err := o.of(doc)
		if err != nil {
			return unusable{fmt.Errorf("%s: %w", o.scan, err)}
		}
		var only []report.Finding
		for _, f := range some {
			only = append(only, *f)
		}
		doc.Findings = only
	}
	count, err := o.count(doc)
	if err != nil {
		return unusable{err}
	}
	dir, file := o.scan, ""
	switch info, err := os.Stat(o.out); {
	case o.out == "" || o.out == "-":
	case err == nil && info.IsDir(), len(o.formats) > 1, strings.HasSuffix(o.out, string(filepath.Separator)):
		dir = o.out
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return (&folder{path: dir}).fault(err)
		}
	default:
		dir, file = filepath.Dir(o.out), o.out
		take, err := findTake(o.scan, doc.Take.Path, "")
		if err != nil {
			take = doc.Take.Path // it is not there, and cannot be written over
		}
		if err := notOver(file, o.scan, take); err != nil {
			return err
		}
	}
	list, err := markers.New(doc, count, o.start, mediaOf(doc, o.scan, dir))
	if err != nil {
		return unusable{fmt.Errorf("--start-timecode: %w", err)}
	}
	for _, m := range o.formats {
		if o.out == "-" {
			return m.write(list, f.out)
		}
		path := file
		if path == "" {
			path = filepath.Join(dir, markersName+"."+m.name)
		}
		// What cannot be said is a fault of the program, what cannot be written
		// one of the place.
		var b bytes.Buffer
		if err := m.write(list, &b); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		if err := report.WriteFile(path, func(w io.Writer) error { _, err := b.WriteTo(w); return err }); err != nil {
			return (&folder{path: path}).fault(err)
		}
		// The files are small: nothing here is worth an interrupt.
		if err := noteMade(context.Background(), o.scan, path); err != nil {
			return err
		}
		if !o.quiet {
			fmt.Fprintf(f.out, "%s\n", oneLine(path))
		}
	}
	if !o.quiet {
		for _, n := range list.Notes {
			fmt.Fprintf(f.out, "  %s\n", oneLine(n))
		}
	}
	return nil
}

// count is that of the time line.
func (o *markersOptions) count(doc *report.Findings) (timecode.Count, error) {
	c := timecode.For(markers.Fraction(doc.Take.FrameRate))
	if o.rate != nil {
		c = *o.rate
	}
	switch o.drop {
	case dropOn:
		c, err := c.With(true)
		if err != nil {
			return c, fmt.Errorf("--drop-frame: %w", err)
		}
		return c, nil
	case dropOff:
		return c.With(false)
	}
	return c, nil
}

// mediaOf is the way from the folder of the files to the take, or its name alone
// where it is not found.
func mediaOf(doc *report.Findings, scan, folder string) string {
	name := filepath.Base(doc.Take.Path)
	take, err := findTake(scan, doc.Take.Path, "")
	if err != nil {
		return name
	}
	from, err := filepath.Abs(folder)
	if err != nil {
		return name
	}
	to, err := filepath.Abs(take)
	if err != nil {
		return name
	}
	way, err := filepath.Rel(from, to)
	if err != nil {
		return name
	}
	return way
}
