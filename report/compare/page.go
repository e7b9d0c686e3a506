package compare

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/crops"
	"setwitness/report/page"
)

//go:embed page.html
var pageSource string

//go:embed page.css
var pageStyle string

//go:embed page.js
var pageScript string

// The page is one file that a browser has to open: about 0.3 MB for a pair with
// lossless pictures, 0.05 MB with compressed ones.
const (
	losslessPairs = 40
	picturedPairs = 200
	// Reading a picture of a take once more costs the decoding of up to some
	// seconds of it.
	lookedPairs = 40
	pageQuality = 85 // of JPEG
)

// WritePage writes the page of a comparison. Crops come from the folders of the
// scans and are inside it; dir is the folder in which it will lie, from which
// it links to the pages of the scans.
func WritePage(w io.Writer, c *Comparison, before, after []*Scan, dir string) error {
	t, err := template.New("comparison").Funcs(template.FuncMap{
		"clock": report.Clock, "length": report.Length, "num": report.Number, "join": strings.Join,
	}).Parse(pageSource)
	if err != nil {
		return err
	}
	return t.Execute(w, exhibit(c, before, after, dir))
}

// view is what the template shows.
type view struct {
	Doc      *Comparison
	Title    string
	Style    template.CSS
	Script   template.JS
	Summary  string
	Overall  []overallRow
	Plot     *plot
	Pairs    []pairView
	Verdicts []verdictCount
	Coverage []coverageRow
	Sides    [2]sideView
}

type overallRow struct {
	Overall
	Name string
}

type verdictCount struct {
	Verdict Verdict
	Name    string
	Count   int
}

type pairView struct {
	Pair
	Title, Name, Where string
	Sides              [2]pairSide
	// Wipe says that the pictures of both sides show the same part of the
	// picture and may be laid over each other.
	Wipe bool
	// Apart says that the pictures show two instants of something that moves.
	Apart bool
	// Lifted says how the codes of the pictures were spread; empty where they
	// were not.
	Lifted   string
	Pictures bool
	Lossy    bool
	// Sentence says a fault that one side alone shows, to be quoted.
	Sentence string
	// The numbers of the pair in words, empty where there is none.
	RatioWords, FisherWords, ChangeWords string
}

type pairSide struct {
	Name     string // Before or After
	Seen     string
	Strength string
	Visible  string
	Picture  picture
	Note     string // in place of a picture
	Caption  string
	Links    []link
	Unable   []string
}

type picture struct {
	Src  template.URL // empty where there is none
	Alt  string
	W, H int
}

type link struct{ Name, Path string }

type coverageRow struct {
	Kind          detect.Kind
	Name          string
	Differs       bool
	Words         string
	Before, After []string
}

type sideView struct {
	Name   string
	Passes []passView
}

type passView struct {
	Pass
	Number int // from 1
	Base   string
	Link   string
}

func exhibit(c *Comparison, before, after []*Scan, dir string) *view {
	v := &view{
		Doc: c, Title: title(c), Style: page.Style() + template.CSS(pageStyle), Script: page.CopyScript() + page.JumpScript() + template.JS(pageScript),
		Verdicts: counts(c), Plot: plotOf(c),
	}
	v.Summary = summary(c, v.Verdicts)
	for _, o := range c.Overall {
		v.Overall = append(v.Overall, overallRow{o, report.KindName(o.Kind)})
	}
	for i, p := range c.Pairs {
		v.Pairs = append(v.Pairs, describePair(p, c.Settings, before, after, dir, i))
	}
	for _, k := range c.Coverage {
		r := coverageRow{Kind: k.Kind, Name: report.KindName(k.Kind), Differs: k.Differs, Words: k.Words}
		r.Before, r.After = coverageWords(k.Before), coverageWords(k.After)
		v.Coverage = append(v.Coverage, r)
	}
	for i, s := range []struct {
		name   string
		passes []Pass
		scans  []*Scan
	}{{"Before", c.Before, before}, {"After", c.After, after}} {
		v.Sides[i].Name = s.name
		for k, p := range s.passes {
			v.Sides[i].Passes = append(v.Sides[i].Passes, passView{p, k + 1, filepath.Base(p.Take), s.scans[k].PageFrom(dir)})
		}
	}
	return v
}

// coverageWords says how far the passes of a side examined a kind, once where all
// did alike.
func coverageWords(rows []report.Coverage) (out []string) {
	for _, r := range rows {
		out = append(out, r.Words())
	}
	if len(slices.Compact(slices.Clone(out))) == 1 {
		return out[:1]
	}
	for i := range out {
		out[i] = fmt.Sprintf("Pass %d: %s", i+1, out[i])
	}
	return out
}

// title says what was compared: what was changed, if that is stated, else the
// takes.
func title(c *Comparison) string {
	if len(c.Settings) == 1 && len(c.Settings[0].Before) == 1 && len(c.Settings[0].After) == 1 {
		s := c.Settings[0]
		return fmt.Sprintf("%s: %s → %s", s.Name, s.Before[0], s.After[0])
	}
	names := func(passes []Pass) string {
		s := filepath.Base(passes[0].Take)
		if n := len(passes) - 1; n > 0 {
			s += fmt.Sprintf(" and %d more", n)
		}
		return s
	}
	return names(c.Before) + " → " + names(c.After)
}

// words are those of a badge.
func (v Verdict) words() string {
	if v == NotComparable {
		return "not comparable"
	}
	return string(v)
}

// counts says how many faults have each verdict that there is.
func counts(c *Comparison) (out []verdictCount) {
	for _, verdict := range Verdicts {
		n := 0
		for i := range c.Pairs {
			if c.Pairs[i].Verdict == verdict {
				n++
			}
		}
		if n > 0 {
			out = append(out, verdictCount{verdict, verdict.words(), n})
		}
	}
	return out
}

// summary says it in a sentence.
func summary(c *Comparison, verdicts []verdictCount) string {
	var parts []string
	for _, v := range verdicts {
		parts = append(parts, fmt.Sprintf("%d %s", v.Count, v.Name))
	}
	s := c.Unchanged() + "."
	s = strings.ToUpper(s[:1]) + s[1:]
	switch {
	case !c.Aligned:
		s = "Not all takes could be laid beside each other, so that this comparison says less than it seems to."
	case c.Regressed:
		s = "It is worse after the change than before."
	}
	if len(parts) == 0 {
		return s + " Neither side shows a fault."
	}
	return s + " Faults: " + strings.Join(parts, ", ") + "."
}

// reportName is the page in the folder of a scan.
const reportName = "report.html"

// PageFrom is the way from a folder to the page of the scan; empty where there is
// none.
func (s *Scan) PageFrom(dir string) string {
	if s.Folder == "" {
		return ""
	}
	from, err := filepath.Abs(dir)
	if err != nil {
		return ""
	}
	to, err := filepath.Abs(filepath.Join(s.Folder, reportName))
	if err != nil {
		return ""
	}
	if _, err := os.Stat(to); err != nil {
		return ""
	}
	way, err := filepath.Rel(from, to)
	if err != nil {
		return ""
	}
	return filepath.ToSlash(way)
}

func describePair(p Pair, settings []Setting, before, after []*Scan, dir string, rank int) pairView {
	v := pairView{
		Pair: p, Title: report.KindName(p.Kind), Name: p.Verdict.words(), Where: p.Region.Where(),
	}
	if r := p.Ratio; r != nil {
		v.RatioWords = fmt.Sprintf("%s, %d %% interval %s to %s", report.Number(r.Value), int(math.Round(100*r.Level)), report.Number(r.Low), report.Number(r.High))
	}
	if p.ChangeJND != nil && p.Verdict != Persisting {
		v.ChangeWords = strings.Replace(fmt.Sprintf("%+.3g JND", *p.ChangeJND), "-", "−", 1)
	}
	if p.FisherP != nil {
		v.FisherWords = "p = " + report.Number(*p.FisherP)
		if p.FisherPHolm != nil && *p.FisherPHolm != *p.FisherP {
			v.FisherWords += ", corrected " + report.Number(*p.FisherPHolm)
		}
	}
	var best [2]shown
	v.Sides[0], best[0] = describeSide("Before", p.Before, before, dir)
	v.Sides[1], best[1] = describeSide("After", p.After, after, dir)
	v.Sentence = sentence(p, settings, best)
	if rank < picturedPairs {
		v.picture(before, after, best, rank)
	}
	return v
}

// sentence says a fault that is new or fixed, and where it is absent; it is empty
// for others.
func sentence(p Pair, settings []Setting, best [2]shown) string {
	side, absent := best[0], "absent afterwards"
	values := func(s Setting) []string { return s.After }
	switch p.Verdict {
	case Fixed:
	case New:
		side, absent = best[1], "absent before"
		values = func(s Setting) []string { return s.Before }
	default:
		return ""
	}
	if side.finding == nil {
		return ""
	}
	var with []string
	for _, s := range settings {
		if v := values(s); len(v) > 0 {
			with = append(with, s.Name+" "+strings.Join(v, " or "))
		}
	}
	if len(with) > 0 {
		absent += " (" + strings.Join(with, ", ") + ")"
	}
	return report.Sentence(side.scan.Doc, side.finding, absent)
}

// shown is the finding that shows a fault best on a side; the finding is nil
// where the side does not show it.
type shown struct {
	finding *report.Finding
	scan    *Scan
}

func describeSide(name string, side Side, scans []*Scan, dir string) (pairSide, shown) {
	d := pairSide{Name: name, Strength: "–", Caption: name}
	d.Seen = fmt.Sprintf("%s; %.0f to %.0f %% of such passes", passes(side.Seen, side.Of), 100*side.SeenLow, 100*side.SeenHigh)
	if side.Of == 0 {
		d.Seen = "could not have been seen"
	}
	if q := side.Strength; q != nil {
		d.Strength = q.String()
		d.Visible = fmt.Sprintf("%s JND, shown for %s", report.Number(side.VisibilityJND), report.Length(side.Seconds))
	}
	for _, u := range side.Unable {
		d.Unable = append(d.Unable, fmt.Sprintf("Pass %d: %s.", u.Pass+1, u.Why))
	}
	var best shown
	for _, r := range side.Findings {
		scan := scans[r.Pass]
		if way := scan.PageFrom(dir); way != "" {
			d.Links = append(d.Links, link{fmt.Sprintf("pass %d, %s at %s", r.Pass+1, r.ID, report.Clock(r.PeakS)), way + "#" + r.ID})
		}
		if f := scan.finding(r.ID); f != nil && (best.finding == nil || weight(f) > weight(best.finding)) {
			best = shown{f, scan}
			d.Caption = fmt.Sprintf("%s: pass %d, %s at %s", name, r.Pass+1, f.ID, report.Clock(f.PeakS))
		}
	}
	switch {
	case best.finding != nil:
		d.Note = "The crop is not there; it may be in the folder of the scan."
	case side.Of == 0:
		d.Note = "It could not have shown this."
	default:
		d.Note = "Nothing was found here, so that no crop was made."
	}
	return d, best
}

// picture finds the pictures of both sides.
func (v *pairView) picture(before, after []*Scan, best [2]shown, rank int) {
	var shots [2]*shot
	for i, b := range best {
		if b.finding != nil {
			shots[i] = open(b.scan, b.finding)
		}
	}
	// A thing that moves has to be shown at one instant on both sides to be
	// compared, and a place where nothing was found can be shown too. The side
	// that shows the fault best keeps its crop.
	for i, scans := range [2][]*Scan{before, after} {
		f, m, other := best[i].finding, v.moments[i], shots[1-i]
		apart := f != nil && m.known && moves(v.Kind) && math.Abs(f.PeakS-m.at) > sameInstant
		v.Apart = v.Apart || apart
		if f != nil && !apart || !m.known || other == nil || rank >= lookedPairs {
			continue
		}
		s := look(scans[m.pass], m.at, other)
		if s == nil {
			continue
		}
		shots[i], v.Apart = s, false
		d := &v.Sides[i]
		d.Caption = fmt.Sprintf("%s: pass %d at %s, where it was not found", d.Name, m.pass+1, report.Clock(m.at))
		if apart {
			d.Caption = fmt.Sprintf("%s: pass %d at %s, the same instant; strongest at %s", d.Name, m.pass+1, report.Clock(m.at), report.Clock(f.PeakS))
		}
	}
	if shots[0] != nil && shots[1] != nil && !v.Apart {
		v.Wipe = frameAlike(shots[0], shots[1])
	}
	// Small steps of code in the dark show on no ordinary monitor.
	if v.Kind.Unit() == "JND" {
		v.Lifted = lift(shots[:])
	}
	for i, s := range shots {
		if s == nil {
			continue
		}
		d := &v.Sides[i]
		picture, lossy := s.encode(rank < losslessPairs)
		picture.Alt = fmt.Sprintf("%s, %s: the place %s", v.ID, strings.ToLower(v.Title), strings.ToLower(d.Name))
		d.Picture, v.Lossy, v.Pictures = picture, v.Lossy || lossy, true
	}
}

func (s *Scan) finding(id string) *report.Finding {
	for i := range s.Doc.Findings {
		if s.Doc.Findings[i].ID == id {
			return &s.Doc.Findings[i]
		}
	}
	return nil
}

// shot is a crop and what of the raster it shows.
type shot struct {
	image  *image.RGBA     // its own, from 0, 0 on
	window image.Rectangle // raster pixels
	raster report.Raster
	aspect float64 // width of a raster pixel over its height
}

// open reads the crop of a finding; nil where that is not possible.
func open(s *Scan, f *report.Finding) *shot {
	if s.Folder == "" || f.Evidence.Crop == "" {
		return nil
	}
	file, err := os.Open(filepath.Join(s.Folder, filepath.FromSlash(f.Evidence.Crop)))
	if err != nil {
		return nil
	}
	defer file.Close()
	img, err := png.Decode(file)
	if err != nil {
		return nil
	}
	raster := s.Doc.View.Raster
	whole := image.Rect(0, 0, raster.Width, raster.Height)
	out := &shot{image: own(img, img.Bounds()), raster: raster, aspect: s.aspect()}
	if r := f.PeakRegion; r != nil {
		w, h := float64(raster.Width), float64(raster.Height)
		px := func(v, of float64) int { return int(math.Round(v * of)) }
		out.window = crops.Window(image.Rect(px(r.X, w), px(r.Y, h), px(r.X+r.W, w), px(r.Y+r.H, h)), whole)
	}
	// A crop of another size was cut by another rule; it shows its place all
	// the same.
	if out.window.Size() != img.Bounds().Size() {
		out.window = image.Rectangle{}
	}
	return out
}

// look reads the place of another side's crop in a take that does not show the
// fault; nil where that is not possible, which the page says.
func look(s *Scan, at float64, other *shot) *shot {
	if s.Look == nil || other.window.Empty() {
		return nil
	}
	img, err := s.Look(at)
	raster := s.Doc.View.Raster
	if err != nil || img.Bounds().Dx() != raster.Width || img.Bounds().Dy() != raster.Height {
		return nil
	}
	window := scaled(other.window, other.raster, raster).Intersect(image.Rect(0, 0, raster.Width, raster.Height))
	return &shot{image: own(img, window.Add(img.Bounds().Min)), window: window, raster: raster, aspect: s.aspect()}
}

// scaled is the same part of a raster of another size: films are straightened to
// slightly different ones.
func scaled(r image.Rectangle, from, to report.Raster) image.Rectangle {
	x, y := float64(to.Width)/float64(from.Width), float64(to.Height)/float64(from.Height)
	px := func(v int, by float64) int { return int(math.Round(float64(v) * by)) }
	return image.Rect(px(r.Min.X, x), px(r.Min.Y, y), px(r.Max.X, x), px(r.Max.Y, y))
}

// aspect is the width of a raster pixel over its height: lines of fields lie
// twice as far apart.
func (s *Scan) aspect() float64 {
	lines := s.Doc.Take.Height
	if s.Doc.Take.RotationDeg%180 != 0 {
		lines = s.Doc.Take.Width
	}
	if h := s.Doc.View.Raster.Height; !s.filmed() && lines > 1 && (h == lines/2 || h == (lines+1)/2) {
		return 0.5
	}
	return 1
}

// sameInstant is how far two times may lie apart and be those of one picture: less
// than that of 50 or 60 a second.
const sameInstant = 0.012 // s

// moves reports whether faults of a kind are on things that move.
func moves(k detect.Kind) bool {
	return k == detect.Combing || k == detect.Ghost || k == detect.CadenceBreak
}

// leastCommon is the share of each of two crops that has to show the same part
// of the picture for them to be laid over each other.
const leastCommon = 0.4

// frameAlike cuts two crops to what both show of the picture. Where that is too
// little it leaves them and returns false.
func frameAlike(a, b *shot) bool {
	if a.window.Empty() || b.window.Empty() {
		return false
	}
	common := a.window.Intersect(scaled(b.window, b.raster, a.raster))
	back := scaled(common, a.raster, b.raster).Intersect(b.window)
	area := func(r image.Rectangle) float64 { return float64(r.Dx()) * float64(r.Dy()) }
	if area(common) < leastCommon*area(a.window) || area(back) < leastCommon*area(b.window) {
		return false
	}
	a.cut(common)
	b.cut(back)
	return true
}

func (s *shot) cut(r image.Rectangle) {
	s.image, s.window = own(s.image, r.Sub(s.window.Min)), r
}

// own copies a part of a picture.
func own(img image.Image, r image.Rectangle) *image.RGBA {
	out := image.NewRGBA(image.Rectangle{Max: r.Size()})
	draw.Draw(out, out.Rect, img, r.Min, draw.Src)
	return out
}

const (
	// What a hundredth of the samples at either end has is noise, or a light in
	// the dark: it may be clipped.
	liftClipped = 0.01
	// More gain would show noise alone, less is not worth the words.
	leastLift, mostLift = 1.5, 16
)

// lift spreads the codes of the pictures of both sides alike, so that steps show
// and can be held against each other, and says how; empty where their codes fill
// the range as they are.
func lift(shots []*shot) string {
	var count [256]int
	all := 0
	each := func(fn func(v *uint8)) {
		for _, s := range shots {
			if s == nil {
				continue
			}
			pix := s.image.Pix
			for i := range pix {
				if i%4 != 3 {
					fn(&pix[i])
				}
			}
		}
	}
	each(func(v *uint8) { count[*v]++; all++ })
	edge := func(from, step int) int {
		for n := 0; from >= 0 && from < len(count); from += step {
			if n += count[from]; float64(n) > liftClipped*float64(all) {
				break
			}
		}
		return from
	}
	low, high := edge(0, 1), edge(len(count)-1, -1)
	gain := min(255/float64(max(high-low, 1)), mostLift)
	if all == 0 || gain < leastLift {
		return ""
	}
	each(func(v *uint8) { *v = uint8(min(max(math.Round(gain*float64(int(*v)-low)), 0), 255)) })
	return fmt.Sprintf("Both are lifted alike: what is %d to %d of 255 in the crops is shown as black to white.", low, low+int(math.Round(255/gain)))
}

func (s *shot) encode(lossless bool) (p picture, lossy bool) {
	var b bytes.Buffer
	kind := "image/png"
	var err error
	if lossless {
		err = (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, s.image)
	} else {
		kind = "image/jpeg"
		err = jpeg.Encode(&b, s.image, &jpeg.Options{Quality: pageQuality})
	}
	if err != nil {
		return picture{}, false
	}
	size := s.image.Bounds().Size()
	p = picture{Src: template.URL("data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(b.Bytes())), W: size.X, H: size.Y}
	if s.aspect < 1 {
		p.H = int(math.Round(float64(p.H) / s.aspect))
	}
	return p, !lossless
}

// plot draws the ratios of all faults that both sides show.
type plot struct {
	Rows   []plotRow
	Ticks  []plotTick
	H      int
	Middle float64 // percent of the width: no change
}

type plotRow struct {
	ID, Title      string
	Kind           detect.Kind
	Y              int
	Low, At, High  float64 // percent of the width
	Verdict, Words string
}

type plotTick struct {
	At    float64
	Label string
}

const (
	plotRowPx  = 26
	plotTopPx  = 8
	plotAxisPx = 24
	plotRows   = 40 // more are in the list alone
	// The axis reaches from a half to double at least, and at most to these
	// times and their share.
	plotLeast = 2.0
	plotMost  = 32.0
)

func plotOf(c *Comparison) *plot {
	p := &plot{}
	reach := plotLeast
	for i := range c.Pairs {
		if r := c.Pairs[i].Ratio; r != nil && r.Low > 0 {
			reach = max(reach, 1.05*r.Value, 1.05/r.Value, min(r.High, 2*r.Value), min(1/r.Low, 2/r.Value))
		}
	}
	reach = min(reach, plotMost)
	place := func(ratio float64) float64 {
		x := 50 + 48*math.Log(ratio)/math.Log(reach)
		return math.Round(100*min(max(x, 0), 100)) / 100
	}
	for i := range c.Pairs {
		q := &c.Pairs[i]
		r := q.Ratio
		if r == nil || r.Low <= 0 || len(p.Rows) == plotRows {
			continue
		}
		p.Rows = append(p.Rows, plotRow{
			ID: q.ID, Kind: q.Kind, Y: plotTopPx + plotRowPx*len(p.Rows) + plotRowPx/2, Low: place(r.Low), At: place(r.Value), High: place(r.High),
			Title:   fmt.Sprintf("%s %s at %s", q.ID, report.KindName(q.Kind), report.Clock(q.StartS)),
			Verdict: q.Verdict.words(),
			Words:   fmt.Sprintf("%s: strength after is %s of that before, interval %s to %s", q.ID, percent(r.Value), percent(r.Low), percent(r.High)),
		})
	}
	if len(p.Rows) == 0 {
		return nil
	}
	p.H = plotTopPx + plotRowPx*len(p.Rows) + plotAxisPx
	p.Middle = place(1)
	for _, t := range []float64{1. / 16, 1. / 8, 1. / 4, 1. / 2, 1, 2, 4, 8, 16} {
		if t <= reach && 1/t <= reach {
			p.Ticks = append(p.Ticks, plotTick{place(t), percent(t)})
		}
	}
	return p
}
