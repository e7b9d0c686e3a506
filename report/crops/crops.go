// Package crops makes the pictures that prove a finding.
//
// In: the findings document, where each finding is strongest, and a way to
// read pictures of the take again. Out: for each finding a crop at native
// raster size, the whole picture with the place outlined, and a strip of the
// pictures before, at and after the peak, as PNG files; and the smaller set
// that the page carries in itself.
//
// Nothing is resampled in a crop: one pixel of it is one sample of the
// raster, also where that is one field, whose lines lie twice as far apart.
package crops

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/report"
)

// Pictures reads pictures of a take a second time.
type Pictures interface {
	// Fetch calls fn with each wanted picture that can be read, in the order
	// of wanted. The picture is valid until fn returns.
	Fetch(ctx context.Context, wanted []Wanted, fn func(*picture.Picture) error) error
}

// Wanted names a picture of a take.
type Wanted struct {
	Index int
	Time  time.Duration
}

// Shots are the pictures of one finding that the page carries.
type Shots struct {
	// Panels show the place before, at and after the peak; one is empty where
	// the take has no such picture.
	Panels  [3]Image
	Context Image
	// Lifted is the crop with its codes spread, Profile a plot of the luma
	// across the place: for kinds that show in small steps.
	Lifted, Profile Image
	// Lift says in words how the codes were spread, Plotted what the plot is of.
	Lift, Plotted string
	// Window is what the panels show, in raster pixels.
	Window image.Rectangle
}

// Image is an encoded picture, empty when W is 0.
type Image struct {
	Data []byte
	Type string // media type
	W, H int
}

// WriteFile makes the file path of it.
func (i Image) WriteFile(path string) error {
	return report.WriteFile(path, func(w io.Writer) error {
		_, err := w.Write(i.Data)
		return err
	})
}

// Sizes in raster pixels.
const (
	// A crop reaches beyond its region by an eighth of it and no less than
	// one macroblock and a half, to show what the fault stands against.
	marginShare = 8
	marginMin   = 24
	// A region smaller than this says nothing by itself.
	cropMinW, cropMinH = 256, 192
	// Panels stand side by side three times in a strip and are kept in memory
	// until all three are there. A ninth of a picture of 1080 lines.
	panelMaxW, panelMaxH = 640, 360
	// Strips of small panels are enlarged towards this width a panel.
	panelWanted = 512
	panelGap    = 8
	// The context is for orientation.
	contextMaxW     = 1280
	pageContextMaxW = 640
)

// The page is one file that a browser has to open: about 0.6 MB for a finding
// with lossless panels, 0.15 MB with compressed ones.
const (
	losslessFindings = 40
	picturedFindings = 240
	pageQuality      = 85 // of JPEG
)

// Strip colours: what is no picture is mid grey, and the panel of the peak
// carries a bar.
var (
	stripGround = color.RGBA{96, 96, 96, 255}
	stripMark   = color.RGBA{255, 196, 64, 255}
)

type maker struct {
	folder  string
	doc     *report.Findings
	peaks   []report.Peak
	convert *converter
	raster  image.Rectangle
	aspect  float64
	encode  png.Encoder
	work    []work
	shots   []Shots
}

// work is what one finding still waits for.
type work struct {
	panels  [3]*image.RGBA
	waiting int
	seen    bool // the picture of the peak was there
}

// Make writes the evidence of every finding of doc below folder, under the
// names that doc gives it, and returns what the page carries of it, in the
// same order. peaks are those that report.Build returned with doc; times are
// those of the pictures of the take. Where a picture cannot be read again,
// the name in doc is emptied and doc gets a warning. An error is one of
// writing, or that of a ctx that ended.
func Make(ctx context.Context, folder string, doc *report.Findings, peaks []report.Peak, f picture.Format, times []time.Duration, src Pictures) ([]Shots, error) {
	m := &maker{
		folder: folder, doc: doc, peaks: peaks,
		convert: newConverter(f),
		raster:  image.Rect(0, 0, f.W, f.H),
		aspect:  PixelAspect(f),
		encode:  png.Encoder{CompressionLevel: png.BestSpeed, BufferPool: &bufferPool{}},
		work:    make([]work, len(peaks)),
		shots:   make([]Shots, len(peaks)),
	}
	if len(peaks) == 0 {
		return m.shots, nil
	}
	if err := m.makeFolders(); err != nil {
		return nil, err
	}

	type place struct{ finding, panel int }
	places := map[int][]place{}
	for i, p := range peaks {
		for k := range m.work[i].panels {
			at := p.Picture + k - 1
			if at >= 0 && at < len(times) {
				places[at] = append(places[at], place{i, k})
				m.work[i].waiting++
			}
		}
		m.shots[i].Window = panelWindow(m.crop(i), p.Region)
	}
	var wanted []Wanted
	for at := range places {
		wanted = append(wanted, Wanted{at, times[at]})
	}
	slices.SortFunc(wanted, func(a, b Wanted) int { return a.Index - b.Index })

	var broken error // of writing
	err := src.Fetch(ctx, wanted, func(p *picture.Picture) error {
		for _, at := range places[p.Index] {
			if broken = m.add(at.finding, at.panel, p); broken != nil {
				return broken
			}
		}
		delete(places, p.Index)
		return nil
	})
	if broken != nil {
		return nil, broken
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	// What could not be read again is missing from the evidence and no
	// reason to lose the rest.
	lost := 0
	for i := range m.work {
		if m.work[i].waiting > 0 {
			if err := m.finish(i); err != nil {
				return nil, err
			}
		}
		if !m.work[i].seen {
			doc.Findings[i].Evidence = report.Evidence{}
			lost++
		}
	}
	switch {
	case lost > 0 && err != nil:
		doc.Warnings = append(doc.Warnings, fmt.Sprintf("the pictures of %d of %d findings could not be read again: %v", lost, len(peaks), err))
	case lost > 0:
		doc.Warnings = append(doc.Warnings, fmt.Sprintf("the pictures of %d of %d findings could not be read again", lost, len(peaks)))
	}
	return m.shots, nil
}

// PixelAspect is the width of a raster pixel over its height when shown. The
// aspect that a take of fields states counts that its lines lie twice as far
// apart; without one, pixels of a frame are taken as square.
func PixelAspect(f picture.Format) float64 {
	switch {
	case f.SampleAspectNum > 0 && f.SampleAspectDen > 0:
		return float64(f.SampleAspectNum) / float64(f.SampleAspectDen)
	case f.Fields:
		return 0.5
	}
	return 1
}

func (m *maker) makeFolders() error {
	for _, f := range m.doc.Findings {
		for _, name := range []string{f.Evidence.Crop, f.Evidence.Context, f.Evidence.Strip, f.Evidence.Lifted, f.Evidence.Profile} {
			if err := os.MkdirAll(filepath.Dir(filepath.Join(m.folder, filepath.FromSlash(name))), 0o755); err != nil {
				return err
			}
		}
	}
	return nil
}

// add takes one of the pictures that finding i waits for.
func (m *maker) add(i, panel int, p *picture.Picture) error {
	w := &m.work[i]
	w.waiting--
	r := m.raster.Intersect(image.Rect(0, 0, p.Y.W, p.Y.H))
	window := m.shots[i].Window.Intersect(r)
	if !window.Empty() {
		w.panels[panel] = m.convert.window(p, window)
	}
	if panel == 1 && !window.Empty() {
		w.seen = true
		if err := m.peak(i, p, r); err != nil {
			return err
		}
	}
	if w.waiting == 0 {
		return m.finish(i)
	}
	return nil
}

// peak makes the crop and the context of finding i; r is what of the raster
// the picture has.
func (m *maker) peak(i int, p *picture.Picture, r image.Rectangle) error {
	name := m.doc.Findings[i].Evidence
	region := m.peaks[i].Region
	whole := m.convert.whole(p)
	if err := m.write(name.Crop, cut(whole, m.crop(i).Intersect(r))); err != nil {
		return err
	}
	if err := m.write(name.Context, m.context(whole, region, contextMaxW)); err != nil {
		return err
	}
	if i < picturedFindings {
		var err error
		if m.shots[i].Context, err = m.image(m.context(whole, region, pageContextMaxW), false); err != nil {
			return err
		}
	}
	if name.Lifted != "" {
		return m.steps(i, p, r)
	}
	return nil
}

// steps makes what shows small steps of code: the crop of finding i lifted, and
// a profile.
func (m *maker) steps(i int, p *picture.Picture, r image.Rectangle) error {
	f := m.doc.Findings[i]
	crop, region := m.crop(i).Intersect(r), m.peaks[i].Region.Intersect(r)
	if region.Empty() {
		region = r
	}
	across, down := gridsOf(f.Measures)
	size := stated(&f, p.Y.Depth)
	_, coloured := f.Measures["step_itp"]
	if coloured {
		size = 0 // it is not luma's
	}
	luma := surveyOf(&p.Y, region, across, down, size)
	l := m.convert.liftOf(p, crop, luma)
	profile := profileOf(&p.Y, region, luma, across, down)
	if coloured {
		if c := m.convert.tintOf(p, region, stated(&f, p.Y.Depth)); c != nil {
			profile, l = c.profile, m.convert.tinted(c.lift)
		}
	}
	m.shots[i].Lift = l.words(p.Y.Full())
	lifted, err := captioned(m.convert.lifted(p, crop, l, f.Kind == detect.Posterisation), "lifted: "+m.shots[i].Lift)
	if err != nil {
		return err
	}
	if err := m.write(f.Evidence.Lifted, lifted); err != nil {
		return err
	}
	plot, err := profile.plot()
	if err != nil {
		return err
	}
	if err := m.write(f.Evidence.Profile, plot); err != nil {
		return err
	}
	if i >= picturedFindings {
		return nil
	}
	if m.shots[i].Lifted, err = m.image(lifted, i < losslessFindings); err != nil {
		return err
	}
	m.shots[i].Profile, err = m.image(plot, true)
	m.shots[i].Plotted = profile.of
	return err
}

// cut returns the part r of img as an image of its own corner.
func cut(img *image.RGBA, r image.Rectangle) *image.RGBA {
	part := img.SubImage(r).(*image.RGBA)
	part.Rect = part.Rect.Sub(part.Rect.Min)
	return part
}

// finish writes the strip of finding i and encodes its panels.
func (m *maker) finish(i int) error {
	w := &m.work[i]
	w.waiting = 0
	if !w.seen {
		w.panels = [3]*image.RGBA{}
		return nil
	}
	if err := m.write(m.doc.Findings[i].Evidence.Strip, strip(w.panels)); err != nil {
		return err
	}
	if i < picturedFindings {
		for k, p := range w.panels {
			if p == nil {
				continue
			}
			var err error
			if m.shots[i].Panels[k], err = m.image(p, i < losslessFindings); err != nil {
				return err
			}
		}
	}
	w.panels = [3]*image.RGBA{}
	return nil
}

// crop is the region of finding i with its margin.
func (m *maker) crop(i int) image.Rectangle { return Window(m.peaks[i].Region, m.raster) }

// Window is what the crop of a finding shows: its region where it is strongest,
// with a margin, all in raster pixels.
func Window(region, raster image.Rectangle) image.Rectangle {
	r := region.Intersect(raster)
	if r.Empty() {
		r = raster
	}
	mx, my := max(marginMin, r.Dx()/marginShare), max(marginMin, r.Dy()/marginShare)
	mx = max(mx, (cropMinW-r.Dx()+1)/2)
	my = max(my, (cropMinH-r.Dy()+1)/2)
	return image.Rect(r.Min.X-mx, r.Min.Y-my, r.Max.X+mx, r.Max.Y+my).Intersect(raster)
}

// panelWindow cuts a crop to the size of a panel, around the middle of the
// region.
func panelWindow(crop, region image.Rectangle) image.Rectangle {
	w, h := min(crop.Dx(), panelMaxW), min(crop.Dy(), panelMaxH)
	mid := region.Min.Add(region.Max).Div(2)
	x := min(max(mid.X-w/2, crop.Min.X), crop.Max.X-w)
	y := min(max(mid.Y-h/2, crop.Min.Y), crop.Max.Y-h)
	return image.Rect(x, y, x+w, y+h)
}

// context reduces the whole picture to no more than maxW columns and outlines
// the region.
func (m *maker) context(whole *image.RGBA, region image.Rectangle, maxW int) *image.RGBA {
	fx := (whole.Rect.Dx() + maxW - 1) / maxW
	fy := min(max(1, int(float64(fx)*m.aspect+0.5)), whole.Rect.Dy())
	img := reduce(whole, fx, fy)
	if img == whole {
		img = image.NewRGBA(whole.Rect)
		copy(img.Pix, whole.Pix)
	}
	r := image.Rect(region.Min.X/fx, region.Min.Y/fy, (region.Max.X+fx-1)/fx, (region.Max.Y+fy-1)/fy)
	outline(img, r)
	return img
}

// outline draws a light line with dark edges round r, so that it stands out
// from anything; where r touches the edge of the picture it runs inside.
func outline(img *image.RGBA, r image.Rectangle) {
	const wide = 6 // pixels: one dark, four light, one dark
	outer := r.Inset(-wide).Intersect(img.Bounds())
	for i := range wide {
		c := stripMark
		if i == 0 || i == wide-1 {
			c = color.RGBA{0, 0, 0, 255}
		}
		frame(img, outer.Inset(i), c)
	}
}

func frame(img *image.RGBA, r image.Rectangle, c color.Color) {
	if r.Empty() {
		return
	}
	fill := func(x0, y0, x1, y1 int) {
		draw.Draw(img, image.Rect(x0, y0, x1, y1), image.NewUniform(c), image.Point{}, draw.Src)
	}
	fill(r.Min.X, r.Min.Y, r.Max.X, r.Min.Y+1)
	fill(r.Min.X, r.Max.Y-1, r.Max.X, r.Max.Y)
	fill(r.Min.X, r.Min.Y, r.Min.X+1, r.Max.Y)
	fill(r.Max.X-1, r.Min.Y, r.Max.X, r.Max.Y)
}

// strip puts three panels side by side, small ones enlarged by a whole
// factor. A missing one leaves its place empty.
func strip(panels [3]*image.RGBA) *image.RGBA {
	var size image.Point
	for _, p := range panels {
		if p != nil {
			size = image.Pt(max(size.X, p.Rect.Dx()), max(size.Y, p.Rect.Dy()))
		}
	}
	k := max(1, panelWanted/max(size.X, 1))
	w, h := size.X*k, size.Y*k
	img := image.NewRGBA(image.Rect(0, 0, 3*w+4*panelGap, h+2*panelGap))
	draw.Draw(img, img.Rect, image.NewUniform(stripGround), image.Point{}, draw.Src)
	for i, p := range panels {
		x := panelGap + i*(w+panelGap)
		if i == 1 {
			draw.Draw(img, image.Rect(x, 2, x+w, panelGap-2), image.NewUniform(stripMark), image.Point{}, draw.Src)
		}
		if p != nil {
			enlarge(img, image.Pt(x, panelGap), p, k)
		}
	}
	return img
}

// enlarge copies src to at, every pixel k by k times.
func enlarge(dst *image.RGBA, at image.Point, src *image.RGBA, k int) {
	w := src.Rect.Dx()
	for y := range src.Rect.Dy() {
		s := src.Pix[y*src.Stride:]
		first := dst.Pix[dst.PixOffset(at.X, at.Y+y*k):][:4*w*k]
		for x := range w * k {
			copy(first[4*x:4*x+4], s[4*(x/k):])
		}
		for j := 1; j < k; j++ {
			copy(dst.Pix[dst.PixOffset(at.X, at.Y+y*k+j):], first)
		}
	}
}

func (m *maker) write(name string, img image.Image) error {
	return report.WriteFile(filepath.Join(m.folder, filepath.FromSlash(name)), func(w io.Writer) error {
		return m.encode.Encode(w, img)
	})
}

func (m *maker) image(img *image.RGBA, lossless bool) (Image, error) {
	var b bytes.Buffer
	out := Image{W: img.Rect.Dx(), H: img.Rect.Dy()}
	var err error
	if lossless {
		out.Type = "image/png"
		err = m.encode.Encode(&b, img)
	} else {
		out.Type = "image/jpeg"
		err = jpeg.Encode(&b, img, &jpeg.Options{Quality: pageQuality})
	}
	out.Data = bytes.Clone(b.Bytes())
	return out, err
}

// bufferPool lets the encoder use its tables again: one is over a megabyte.
type bufferPool struct{ pool sync.Pool }

func (p *bufferPool) Get() *png.EncoderBuffer {
	b, _ := p.pool.Get().(*png.EncoderBuffer)
	return b
}

func (p *bufferPool) Put(b *png.EncoderBuffer) { p.pool.Put(b) }
