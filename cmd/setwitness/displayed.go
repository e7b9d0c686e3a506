package main

import (
	"context"
	"fmt"
	"image"
	"math"
	"path/filepath"
	"slices"
	"sort"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/report"
	"setwitness/report/annotate"
	"setwitness/report/crops"
)

// displayed says of what each displayed picture was made, for a later reading.
func (f *filmed) displayed(doc *report.Findings, times []time.Duration) *report.Displayed {
	src, raster := f.source, f.survey.Raster
	in := src.Format()
	d := &report.Displayed{
		SHA256: doc.Take.SHA256, Raster: report.Raster{Width: raster.X, Height: raster.Y},
		Rate: fmt.Sprintf("%d/%d", max(in.RateNum, 0), max(in.RateDen, 1)), CaptureFPS: f.survey.Timing.Rate,
		Lenses: []report.CameraLens{}, Pictures: []report.MadePicture{},
	}
	for i, at := range times {
		number, ok := src.Number(i)
		if !ok {
			break
		}
		p := report.MadePicture{Number: number, Time: at, Life: src.Life(i)}
		for _, q := range src.Parts(i) {
			lens := report.CameraLens{Width: q.View.Size.X, Height: q.View.Size.Y, K1: q.View.K1}
			n := slices.Index(d.Lenses, lens)
			if n < 0 {
				n = len(d.Lenses)
				d.Lenses = append(d.Lenses, lens)
			}
			part := report.MadePart{Frame: q.Frame, Shown: q.Shown, From: q.From, To: q.To, Lens: n}
			for k, c := range q.View.Quad {
				part.Corners[2*k], part.Corners[2*k+1] = rounded(c.X), rounded(c.Y)
			}
			p.Parts = append(p.Parts, part)
		}
		d.Pictures = append(d.Pictures, p)
	}
	return d
}

// film is a take of a screen that is read again.
type film struct {
	*report.Displayed
	camera   picture.Format
	straight bool               // the rebuilt pictures are shown, else the camera's frames
	frames   []*report.MadePart // those of each camera frame that a picture was made of, in order
}

func openFilm(folder string, doc *report.Findings) (*film, error) {
	d, err := report.ReadDisplayed(filepath.Join(folder, report.DisplayedName))
	if err != nil {
		return nil, unusable{err}
	}
	if d.SHA256 != doc.Take.SHA256 {
		return nil, unusable{fmt.Errorf("%s: %s is of another take than %s; scan it again", folder, report.DisplayedName, findingsName)}
	}
	f := &film{Displayed: d}
	for i := range d.Pictures {
		for k := range d.Pictures[i].Parts {
			f.frames = append(f.frames, &d.Pictures[i].Parts[k])
		}
	}
	slices.SortStableFunc(f.frames, func(a, b *report.MadePart) int { return a.Frame - b.Frame })
	f.frames = slices.CompactFunc(f.frames, func(a, b *report.MadePart) bool { return a.Frame == b.Frame })
	return f, nil
}

// format is that of the pictures that are shown.
func (f *film) format(camera picture.Format) picture.Format {
	f.camera = camera
	rate := usualRate(f.CaptureFPS, sameRate)
	o := camera
	if f.straight {
		o.W, o.H = f.Raster.Width, f.Raster.Height
		o.SampleAspectNum, o.SampleAspectDen = 1, 1
		if camera.ChromaX >= 0 {
			o.ChromaX, o.ChromaY = 1, 1
		}
		fmt.Sscanf(f.Rate, "%d/%d", &rate.Num, &rate.Den)
	}
	if rate.Num > 0 {
		o.RateNum, o.RateDen = rate.Num, rate.Den
	}
	return o
}

// usualRate is the rate that is meant by a measured one: the nearest usual one no
// further than a share away, or else what was measured.
func usualRate(fps, within float64) annotate.Rate {
	best, near := annotate.Rate{Num: int(math.Round(fps * 1000)), Den: 1000}, within
	for _, n := range []int{24, 25, 30, 48, 50, 60, 100, 120, 200, 240, 480, 960} {
		for _, r := range []annotate.Rate{{Num: n, Den: 1}, {Num: n * 1000, Den: 1001}} {
			if off := math.Abs(r.Value()/fps - 1); off < near {
				best, near = r, off
			}
		}
	}
	return best
}

const (
	// Half of what lies between 24 and 24/1.001.
	sameRate = 5e-4
	// Phones that vary their rate miss the one they mean by about a hundredth in
	// the mean (the two in the test footage by 0.6 and 0.1 %).
	meantRate = 0.02
)

// at returns the picture that is shown at a time of the take, or the nearest.
func (f *film) at(t time.Duration) int {
	return min(max(sort.Search(len(f.Pictures), func(i int) bool { return f.Pictures[i].Time > t })-1, 0), len(f.Pictures)-1)
}

// life turns a time of the file into one of life.
func (f *film) life(t time.Duration) time.Duration {
	if len(f.Pictures) < 2 {
		return t
	}
	i := min(f.at(t), len(f.Pictures)-2)
	a, b := &f.Pictures[i], &f.Pictures[i+1]
	if b.Time <= a.Time {
		return a.Life
	}
	return a.Life + time.Duration(float64(t-a.Time)*float64(b.Life-a.Life)/float64(b.Time-a.Time))
}

// slowness is how many times slower than life the file plays round a time.
func (f *film) slowness(t time.Duration) float64 {
	const window = 100 * time.Millisecond
	from, to := max(t-window, 0), t+window
	if life := f.life(to) - f.life(from); life > 0 {
		return float64(to-from) / float64(life)
	}
	return 1
}

// view is where the screen lies in the frames of a part.
func (f *film) view(p *report.MadePart) screen.View {
	l := f.Lenses[p.Lens]
	v := screen.View{Size: image.Pt(l.Width, l.Height), K1: l.K1}
	for i := range v.Quad {
		v.Quad[i] = screen.Point{X: p.Corners[2*i], Y: p.Corners[2*i+1]}
	}
	return v
}

// parts are those of a picture, as rebuilt takes them.
func (f *film) parts(i int) []display.Part {
	var out []display.Part
	for _, p := range f.Pictures[i].Parts {
		out = append(out, display.Part{Frame: p.Frame, Shown: p.Shown, View: f.view(&p), From: p.From, To: p.To})
	}
	return out
}

// straighten calls fn with the displayed pictures from one time to another, made
// of the frames that fetch reads.
func (f *film) straighten(ctx context.Context, from, to time.Duration, fetch func(context.Context, []decode.Wanted, func(*picture.Picture) error) error, fn func(*picture.Picture) error) error {
	var wanted []crops.Wanted
	for i, p := range f.Pictures {
		if p.Time >= from && p.Time <= to {
			wanted = append(wanted, crops.Wanted{Index: i, Time: p.Time})
		}
	}
	r := &rebuilt{raster: image.Pt(f.Raster.Width, f.Raster.Height), parts: f.parts, fetch: fetch}
	return r.Fetch(ctx, wanted, fn)
}

// inFrame turns a region of the screen into pixels of a camera frame round a
// time; it is empty where no picture was rebuilt.
func (f *film) inFrame(r report.Region, t time.Duration) image.Rectangle {
	if len(f.Pictures) == 0 || len(f.Pictures[f.at(t)].Parts) == 0 {
		return image.Rectangle{}
	}
	v := f.view(&f.Pictures[f.at(t)].Parts[0])
	return annotate.Around(outline(v, r)).Intersect(image.Rect(0, 0, f.camera.W, f.camera.H))
}

// viewIn is where the screen lies in a camera frame. Between frames of which
// pictures were made, it moves steadily.
func (f *film) viewIn(frame int) (v screen.View, ok bool) {
	if len(f.frames) == 0 {
		return v, false
	}
	i, found := slices.BinarySearchFunc(f.frames, frame, func(p *report.MadePart, frame int) int { return p.Frame - frame })
	i = min(i, len(f.frames)-1)
	b := f.frames[i]
	if found || i == 0 || frame > b.Frame {
		return f.view(b), true
	}
	a := f.frames[i-1]
	v, to := f.view(a), f.view(b)
	share := float64(frame-a.Frame) / float64(b.Frame-a.Frame)
	for k := range v.Quad {
		v.Quad[k].X += share * (to.Quad[k].X - v.Quad[k].X)
		v.Quad[k].Y += share * (to.Quad[k].Y - v.Quad[k].Y)
	}
	return v, true
}

// shape returns the corners of a finding's region in camera frames.
func (f *film) shape(region, peak report.Region) func(*picture.Picture, bool) []annotate.Point {
	return func(p *picture.Picture, atPeak bool) []annotate.Point {
		v, ok := f.viewIn(p.Index)
		switch {
		case !ok:
			return nil
		case atPeak:
			return outline(v, peak)
		}
		return outline(v, region)
	}
}

// outlinePoints are drawn on each side of a region: a lens bends it.
const outlinePoints = 8

// outline is the border of a region of the screen in a camera frame.
func outline(v screen.View, r report.Region) []annotate.Point {
	sides := [4][2]float64{{r.X, r.Y}, {r.X + r.W, r.Y}, {r.X + r.W, r.Y + r.H}, {r.X, r.Y + r.H}}
	var out []annotate.Point
	for i, a := range sides {
		b := sides[(i+1)%4]
		for k := range outlinePoints {
			t := float64(k) / outlinePoints
			p := v.ToCamera(a[0]+t*(b[0]-a[0]), a[1]+t*(b[1]-a[1]))
			// The camera's pixels have their centres at whole numbers.
			out = append(out, annotate.Point{X: p.X + 0.5, Y: p.Y + 0.5})
		}
	}
	return out
}
