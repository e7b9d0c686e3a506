package main

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"setwitness/decode/picture"
	"setwitness/report"
	"setwitness/report/annotate"
	"setwitness/report/crops"
)

// stillsOptions are the parsed flags of stills.
type stillsOptions struct {
	chosen
	folder, take, out, view string
	quiet                   bool
}

// The table of the stills, beside them, and their folder in that of the scan.
const captionsName, stillsName = "captions.csv", "stills"

func newCmdStills(f *factory, runF func(*stillsOptions) error) *cobra.Command {
	if runF == nil {
		runF = func(o *stillsOptions) error { return stillsOfTake(f, o) }
	}
	o := &stillsOptions{}
	cmd := &cobra.Command{
		Use:   "stills SCAN-DIR",
		Short: "Make numbered pictures of findings, for articles",
		Long: `Stills writes two PNG files for each finding of the take that was scanned into
SCAN-DIR: the picture in which it is strongest, with its place outlined, and that
place alone, enlarged by a whole factor. Both keep the take's own pixels, and have
their caption below the picture. captions.csv says the same for programs.`,
		Example: `  setwitness stills match.mp4.setwitness
  setwitness stills match.mp4.setwitness --kind ghost --out article/figures`,
		Args: oneFolder,
		RunE: func(c *cobra.Command, args []string) error {
			o.folder = args[0]
			err := errors.Join(noneEmpty(c), o.check(c), checkView(o.view))
			if err != nil {
				return unusable{err}
			}
			if o.out == "" {
				o.out = filepath.Join(o.folder, stillsName)
			}
			return runF(o)
		},
	}
	o.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&o.view, "view", "", viewUsage)
	fl.StringVar(&o.take, "take", "", "where the take is now, if it was moved since the scan (`FILE`)")
	fl.StringVar(&o.out, "out", "", "folder of the pictures (`DIR`; default SCAN-DIR/stills)")
	fl.BoolVar(&o.quiet, "quiet", false, "print nothing but errors")
	return cmd
}

func stillsOfTake(f *factory, o *stillsOptions) error {
	return untilInterrupted(f, "no pictures were written", func(ctx context.Context) error { return makeStills(ctx, f, o) })
}

func makeStills(ctx context.Context, f *factory, o *stillsOptions) error {
	s, err := openReviewed(ctx, o.folder, o.take, o.view)
	if err != nil {
		return err
	}
	if err := noFilm(o.view, s); err != nil {
		return err
	}
	list, err := o.of(s.doc)
	if err != nil {
		return unusable{fmt.Errorf("%s: %w", o.folder, err)}
	}
	album, err := openAlbum(o.out)
	if err != nil {
		return err
	}
	defer album.discard()
	for _, n := range list {
		if err := s.still(ctx, n, album); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := album.publish(); err != nil {
		return err
	}
	if err := noteMade(ctx, o.folder, album.files()...); err != nil {
		return err
	}
	if o.quiet {
		return nil
	}
	_, err = fmt.Fprintf(f.out, "  stills: %s (%s)\n", oneLine(o.out), findingsWords(len(list)))
	return err
}

// still adds the pictures of a finding.
func (s *reviewed) still(ctx context.Context, f *report.Finding, a *album) error {
	at := seconds(f.PeakS)
	half := s.period(at) / 2
	var whole *image.RGBA
	var shown picture.Picture // without its samples
	near := time.Duration(-1)
	err := s.read(ctx, at-half, at+half, func(p *picture.Picture) error {
		if off := (p.Time - at).Abs(); near < 0 || off < near {
			near = off
			whole = crops.RGB(p, s.in, image.Rect(0, 0, p.Y.W, p.Y.H))
			shown.Index, shown.Time = p.Index, p.Time
		}
		return nil
	})
	if err != nil {
		return err
	}
	if whole == nil {
		return unusable{fmt.Errorf("%s: the picture at %s could not be read again", s.path, report.Clock(f.PeakS))}
	}
	caption := append(annotate.Caption(f, s.doc.Conditions.Settings), s.counter(&shown))
	if why := crops.Mapping(s.in.Colour.Transfer); why != "" {
		caption = append(caption, why)
	}
	story := s.story(f, nil)
	region := story.Peak
	polygon := annotate.Corners(region)
	if story.Shape != nil {
		if askew := story.Shape(&shown, true); len(askew) > 0 {
			polygon = askew
		}
	}
	ky := s.lineFactor()
	img, err := annotate.Still(whole, polygon, 1, ky, caption)
	if err != nil {
		return err
	}
	if region.Empty() {
		return a.add(s, f, img, nil)
	}
	part, k := annotate.Detail(region, whole.Rect)
	cut := image.NewRGBA(image.Rectangle{Max: part.Size()})
	for y := range part.Dy() {
		copy(cut.Pix[y*cut.Stride:][:4*part.Dx()], whole.Pix[whole.PixOffset(part.Min.X, part.Min.Y+y):])
	}
	detail, err := annotate.Still(cut, nil, k, k*ky, append(caption[:len(caption):len(caption)], annotate.Enlarged(k)))
	if err != nil {
		return err
	}
	return a.add(s, f, img, detail)
}

// album is a folder of stills that is being made.
type album struct {
	path, stage string
	rows        [][]string
	names       []string
}

var captionsHead = []string{
	"number", "file", "detail", "finding", "kind", "start_s", "peak_s", "end_s", "strength", "unit", "visibility_jnd",
	"origin", "settings", "pixel_aspect", "caption",
}

func openAlbum(path string) (*album, error) {
	path = filepath.Clean(path)
	if info, err := os.Stat(path); err == nil && !info.IsDir() {
		return nil, unusable{fmt.Errorf("%s: is not a folder, the pictures cannot go there", path)}
	}
	stage := ""
	err := os.MkdirAll(filepath.Dir(path), 0o755)
	if err == nil {
		stage, err = os.MkdirTemp(filepath.Dir(path), ".stills-")
	}
	if err == nil {
		err = os.Chmod(stage, 0o755)
	}
	a := &album{path: path, stage: stage, rows: [][]string{captionsHead}}
	if err != nil {
		return nil, a.fault(err)
	}
	return a, nil
}

// fault says of an error in writing which folder it means.
func (a *album) fault(err error) error {
	why, _ := reason(err)
	return unusable{fmt.Errorf("%s: the pictures cannot be written: %w", a.path, why)}
}

func (a *album) discard() { os.RemoveAll(a.stage) }

// add writes the pictures of a finding.
func (a *album) add(s *reviewed, f *report.Finding, img, detail *image.RGBA) error {
	n := len(a.rows)
	name := fmt.Sprintf("%02d-%s-%s", n, f.ID, f.Kind)
	files := [2]string{name + ".png"}
	images := [2]*image.RGBA{img, detail}
	if detail != nil {
		files[1] = name + "-detail.png"
	}
	for i, file := range files {
		if file == "" {
			continue
		}
		err := report.WriteFile(filepath.Join(a.stage, file), func(w io.Writer) error { return png.Encode(w, images[i]) })
		if err != nil {
			return a.fault(err)
		}
		a.names = append(a.names, file)
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	num, den := shownAspect(s.in, 1, s.lineFactor())
	a.rows = append(a.rows, []string{
		strconv.Itoa(n), files[0], files[1], f.ID, string(f.Kind), number(f.StartS), number(f.PeakS), number(f.EndS),
		number(f.Strength.Value), f.Strength.Unit, number(f.VisibilityJND), f.Origin.Verdict,
		annotate.Settings(s.doc.Conditions.Settings), fmt.Sprintf("%d:%d", num, den), report.Sentence(s.doc, f),
	})
	return nil
}

// publish moves the pictures into place. Those of an earlier time, by its table,
// give way; nothing else in the folder is touched.
func (a *album) publish() error {
	err := report.WriteFile(filepath.Join(a.stage, captionsName), func(w io.Writer) error {
		c := csv.NewWriter(w)
		return c.WriteAll(a.rows)
	})
	if err != nil {
		return a.fault(err)
	}
	if _, err := os.Stat(a.path); errors.Is(err, fs.ErrNotExist) {
		if err := os.Rename(a.stage, a.path); err != nil {
			return a.fault(err)
		}
		return nil
	}
	old := earlier(filepath.Join(a.path, captionsName))
	// The table comes last: whoever finds it finds the rest.
	for _, name := range append(a.names, captionsName) {
		if err := os.Rename(filepath.Join(a.stage, name), filepath.Join(a.path, name)); err != nil {
			return a.fault(err)
		}
		delete(old, name)
	}
	for name := range old {
		if err := os.Remove(filepath.Join(a.path, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return a.fault(err)
		}
	}
	return nil
}

// files are those that were published.
func (a *album) files() []string {
	out := []string{filepath.Join(a.path, captionsName)}
	for _, name := range a.names {
		out = append(out, filepath.Join(a.path, name))
	}
	return out
}

// earlier returns the files that a table of ours names, or none.
func earlier(path string) map[string]bool {
	out := map[string]bool{}
	f, err := os.Open(path)
	if err != nil {
		return out
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) == 0 || len(rows[0]) != len(captionsHead) || rows[0][1] != captionsHead[1] {
		return out
	}
	for _, r := range rows[1:] {
		for _, name := range r[1:3] {
			if name == filepath.Base(name) && filepath.Ext(name) == ".png" {
				out[name] = true
			}
		}
	}
	return out
}
