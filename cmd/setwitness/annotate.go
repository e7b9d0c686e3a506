package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"setwitness/decode/encode"
	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/flashes"
	"setwitness/report/page"
)

// chosen are the findings that a command is to show.
type chosen struct {
	ids  []string
	kind string
	top  int
}

func (c *chosen) flags(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringSliceVar(&c.ids, "finding", nil, "show the findings with these `IDS` (f001,f004), in this order; may be given several times")
	fl.IntVar(&c.top, "top", 0, "show the first `N` findings, the most worth looking at first (default 10)")
	fl.StringVar(&c.kind, "kind", "", "show findings of this kind alone")
}

// usualTop findings are shown where nothing is said: more would take a viewer
// minutes.
const usualTop = 10

func (c *chosen) check(cmd *cobra.Command) error {
	if c.kind != "" && !slices.Contains(detect.Kinds, detect.Kind(c.kind)) {
		return fmt.Errorf("--kind %q is none of the kinds (see setwitness stages)", c.kind)
	}
	top := cmd.Flags().Changed("top")
	switch {
	case top && c.top < 1:
		return fmt.Errorf("--top %d: at least one finding has to be shown", c.top)
	case len(c.ids) > 0 && (top || c.kind != ""):
		return errors.New("--finding names the findings; --top and --kind choose others")
	case !top:
		c.top = usualTop
	}
	return nil
}

// of returns the findings of a document that are chosen.
func (c *chosen) of(doc *report.Findings) ([]*report.Finding, error) {
	var out []*report.Finding
	for _, id := range c.ids {
		i := slices.IndexFunc(doc.Findings, func(f report.Finding) bool { return f.ID == id })
		if i < 0 {
			return nil, fmt.Errorf("there is no finding %q", id)
		}
		if f := &doc.Findings[i]; !slices.Contains(out, f) {
			out = append(out, f)
		}
	}
	for i := range doc.Findings {
		if f := &doc.Findings[i]; len(c.ids) == 0 && len(out) < c.top && (c.kind == "" || string(f.Kind) == c.kind) {
			out = append(out, f)
		}
	}
	switch {
	case len(out) > 0:
		return out, nil
	case c.kind != "":
		return nil, fmt.Errorf("there is no finding of the kind %s to show", c.kind)
	}
	return nil, errors.New("there is no finding to show")
}

// annotateOptions are the parsed flags of annotate.
type annotateOptions struct {
	chosen
	folder, against  string
	take, otherTake  string
	out, codec, view string
	slow             int
	quiet            bool
}

// The factors by which a clip may be slowed: 64 is a second for every picture of
// 60.
const leastSlow, mostSlow = 2, 64

// A codec of clips.
type clipCodec struct{ name, encoder, extension string }

var clipCodecs = []clipCodec{{"h264", "libx264", ".mp4"}, {"prores", "prores_ks", ".mov"}, {"ffv1", "ffv1", ".mkv"}}

func newCmdAnnotate(f *factory, runF func(*annotateOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *annotateOptions) error { return annotateTake(f, o) }
	}
	o := &annotateOptions{}
	cmd := &cobra.Command{
		Use:   "annotate SCAN-DIR",
		Short: "Make a slowed clip that shows findings",
		Long: `Annotate cuts a clip from the take that was scanned into SCAN-DIR: each finding
at full speed first, then slowed by a whole factor, with an outline, a caption, a
lens that enlarges its place, and the number of the displayed picture; the
strongest picture is held. Pictures are repeated, never invented or blended.

The clip is measured for flashes as it is made (W3C WCAG 2.3.1, ITU-R BT.1702).
Where a finding would flash too often it is slowed further, or shown without the
part at full speed, or left out, and a line says which.

With --against, the same times of another scanned take are shown beside it.

Nothing of the take's metadata goes into the clip, nor does its sound.`,
		Example: `  setwitness annotate match.mp4.setwitness --top 3
  setwitness annotate match.mp4.setwitness --finding f002 --slow 16 --codec prores --out ghost.mov
  setwitness annotate film-mode-auto --against film-mode-off --kind ghost`,
		Args: oneFolder,
		RunE: func(c *cobra.Command, args []string) error {
			o.folder = args[0]
			err := noneEmpty(c)
			if err == nil {
				err = o.check(c)
			}
			if err != nil {
				return unusable{err}
			}
			return runF(o)
		},
	}
	o.flags(cmd)
	fl := cmd.Flags()
	fl.IntVar(&o.slow, "slow", 8, "factor by which findings are slowed, a whole number")
	fl.StringVar(&o.codec, "codec", "h264", "how the clip is coded: h264 (MP4), prores (MOV) or ffv1 (MKV)")
	fl.StringVar(&o.view, "view", "", viewUsage)
	fl.StringVar(&o.against, "against", "", "show the take of this `SCAN-DIR` beside it")
	fl.StringVar(&o.take, "take", "", "where the take is now, if it was moved since the scan (`FILE`)")
	fl.StringVar(&o.otherTake, "against-take", "", "the same for the take of --against (`FILE`)")
	fl.StringVar(&o.out, "out", "", "name of the clip (`FILE`; default SCAN-DIR/annotated.mp4)")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	return cmd
}

// oneFolder wants one argument.
func oneFolder(c *cobra.Command, args []string) error {
	if len(args) != 1 {
		return unusable{fmt.Errorf("%s takes one folder that scan has written, %d are named (see %s --help)", c.CommandPath(), len(args), c.CommandPath())}
	}
	return nil
}

func (o *annotateOptions) check(c *cobra.Command) error {
	if err := o.chosen.check(c); err != nil {
		return err
	}
	if o.slow < leastSlow || o.slow > mostSlow {
		return fmt.Errorf("--slow %d is outside %d to %d", o.slow, leastSlow, mostSlow)
	}
	if o.otherTake != "" && o.against == "" {
		return errors.New("--against-take is for --against")
	}
	if err := checkView(o.view); err != nil {
		return err
	}
	codec, err := o.clipCodec()
	if err != nil {
		return err
	}
	switch e := filepath.Ext(o.out); {
	case o.out == "":
		o.out = filepath.Join(o.folder, annotatedName+codec.extension)
	case !strings.EqualFold(e, codec.extension):
		return fmt.Errorf("--out %s: a clip of %s ends in %s", o.out, codec.name, codec.extension)
	}
	return nil
}

func (o *annotateOptions) clipCodec() (clipCodec, error) {
	for _, c := range clipCodecs {
		if c.name == o.codec {
			return c, nil
		}
	}
	return clipCodec{}, fmt.Errorf("--codec %q is none of h264, prores and ffv1", o.codec)
}

// annotatedName is the clip's in the folder of its scan, without extension.
const annotatedName = "annotated"

func annotateTake(f *factory, o *annotateOptions) error {
	return untilInterrupted(f, "no clip was written", func(ctx context.Context) error { return makeClip(ctx, f, o) })
}

// untilInterrupted does what an interrupt ends, of which nothing is left then.
func untilInterrupted(f *factory, left string, do func(context.Context) error) error {
	ctx, _, stop := f.signals()
	defer stop()
	err := do(ctx)
	if ctx.Err() != nil {
		complain(f.err, errors.New("interrupted, "+left))
		return exit(exitInterrupted)
	}
	return err
}

func makeClip(ctx context.Context, f *factory, o *annotateOptions) error {
	left, err := openReviewed(ctx, o.folder, o.take, o.view)
	if err != nil {
		return err
	}
	list, err := o.of(left.doc)
	if err != nil {
		return unusable{fmt.Errorf("%s: %w", o.folder, err)}
	}
	c := &showing{takes: []*reviewed{left}, slow: o.slow}
	if o.against != "" {
		right, err := openReviewed(ctx, o.against, o.otherTake, o.view)
		if err != nil {
			return err
		}
		c.takes, c.beside = append(c.takes, right), layBeside(left, right)
	}
	for _, s := range c.takes {
		if err := notOver(o.out, s.folder, s.path); err != nil {
			return err
		}
	}
	if err := noFilm(o.view, c.takes...); err != nil {
		return err
	}
	codec, err := o.clipCodec()
	if err != nil {
		return err
	}
	if err := c.design(codec); err != nil {
		return unusable{err}
	}
	w, err := encode.Create(encode.Options{
		Path: o.out, W: c.output.W, H: c.output.H, RateNum: c.rate.Num, RateDen: c.rate.Den,
		Codec: codec.encoder, PixelFormat: c.pixelFormat, Colour: c.output.Colour,
		SampleAspectNum: c.output.SampleAspectNum, SampleAspectDen: c.output.SampleAspectDen,
	})
	if err != nil {
		return o.fault(err)
	}
	defer w.Abort()
	c.writer, c.meter = w, flashes.NewMeter(c.rate.Value())
	shown := 0
	defer f.working("")
	for i, n := range list {
		if !o.quiet {
			f.working(fmt.Sprintf("  %s, finding %d of %d", o.out, i+1, len(list)))
		}
		note, err := c.finding(ctx, n)
		switch {
		case err != nil:
			return err
		case note != "":
			c.notes = append(c.notes, note)
		}
		if c.shown {
			shown++
		}
	}
	if shown == 0 {
		return unusable{fmt.Errorf("%s: %s", o.folder, strings.Join(c.notes, "; "))}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return o.fault(err)
	}
	if err := noteMade(ctx, o.folder, o.out); err != nil {
		return err
	}
	if err := o.link(c.chapters); err != nil {
		return err
	}
	if o.quiet {
		return nil
	}
	f.working("")
	var b strings.Builder
	for _, n := range c.notes {
		fmt.Fprintf(&b, "  mind: %s\n", oneLine(n))
	}
	fmt.Fprintf(&b, "  clip: %s (%s, %s)\n", oneLine(o.out), findingsWords(shown), report.Length(float64(c.frames)/c.rate.Value()))
	_, err = io.WriteString(f.out, b.String())
	return err
}

// fault says of an error in writing which clip it means; the name under which it is
// written at first tells nobody anything.
func (o *annotateOptions) fault(err error) error {
	if why, ok := reason(err); ok {
		return unusable{fmt.Errorf("%s: the clip cannot be written: %w", o.out, why)}
	}
	return unusable{err}
}

// working says at a terminal what is being done, or nothing any more.
func (s streams) working(what string) {
	if s.errColumns > 0 {
		line := []rune(oneLine(what))
		fmt.Fprintf(s.err, "\r%s\x1b[K", string(line[:min(len(line), s.errColumns-1)]))
	}
}

// link puts a player into the page of the scan, for a clip that browsers play and
// that lies beside it.
func (o *annotateOptions) link(chapters []page.Chapter) error {
	name, err := filepath.Rel(o.folder, o.out)
	if o.codec != "h264" || err != nil || !filepath.IsLocal(name) {
		return nil
	}
	err = page.AddPlayer(filepath.Join(o.folder, pageName), filepath.ToSlash(name), chapters...)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // the clip is there all the same
	}
	if err != nil {
		return unusable{fmt.Errorf("%s was written, but not linked: %w", o.out, err)}
	}
	return nil
}

func findingsWords(n int) string {
	if n == 1 {
		return "1 finding"
	}
	return fmt.Sprintf("%d findings", n)
}
