package main

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/refresh"
	"setwitness/report"
	"setwitness/report/crops"
	"setwitness/report/page"
)

// exhibit gathers what the page of a film shows of how the camera saw the set:
// it looks on while the evidence is fetched, and fetches itself only what that
// did not bring.
type exhibit struct {
	*rebuilt
	filmed *filmed
	doc    *report.Findings
	format picture.Format // of the camera
	peak   *report.Peak   // of the finding that stands first, or nil

	index int           // of the picture that is shown
	time  time.Duration // of it
	part  display.Part  // the camera frame that is shown
	from  []int         // camera frames that the picture was made of

	camera, picture crops.Image
}

// Files of what is shown, beside the crops.
const cameraName, screenName = cropsName + "/camera.png", cropsName + "/screen.png"

const (
	// shownColumns is the width from which the camera's frame is reduced: it is
	// for orientation, and the page is one file.
	shownColumns = 1280
	// shownFrames are drawn in the timing diagram: of 240 a second some seven
	// pictures of a set of 50, each frame wide enough for its number.
	shownFrames = 32
)

func newExhibit(f *filmed, r *rebuilt, doc *report.Findings, peaks []report.Peak, camera picture.Format, times []time.Duration) *exhibit {
	e := &exhibit{rebuilt: r, filmed: f, doc: doc, format: camera, index: f.typical()}
	if len(peaks) > 0 {
		e.peak, e.index = &peaks[0], peaks[0].Picture
	}
	if e.index < len(times) {
		e.time = times[e.index]
	}
	rows := 0
	for _, p := range f.source.Parts(e.index) {
		if !slices.Contains(e.from, p.Frame) {
			e.from = append(e.from, p.Frame)
		}
		if n := p.To - p.From; n > rows {
			e.part, rows = p, n
		}
	}
	slices.Sort(e.from)
	r.camera = e.see
	return e
}

// typical returns a picture for the page of a take without findings: the first
// with an update that shows, soon after the start, so that it is quickly read
// again.
func (f *filmed) typical() int {
	for from := 0; from < f.source.Facts().Frames; from += shownFrames {
		for _, s := range f.source.Seen(from, from+shownFrames) {
			for _, r := range s.Runs {
				if !s.Locked || !r.Mixed || r.Still {
					continue
				}
				if i, ok := f.source.Index(r.Picture); ok {
					return i
				}
			}
		}
	}
	return 0
}

// see keeps the camera's frame.
func (e *exhibit) see(c *picture.Picture) (err error) {
	if c.Index == e.part.Frame && e.camera.W == 0 {
		e.camera, err = crops.Whole(c, e.format, shownColumns)
	}
	return err
}

// Fetch implements crops.Pictures and keeps the picture when it comes by.
func (e *exhibit) Fetch(ctx context.Context, wanted []crops.Wanted, fn func(*picture.Picture) error) error {
	return e.rebuilt.Fetch(ctx, wanted, func(p *picture.Picture) (err error) {
		if p.Index == e.index && e.picture.W == 0 {
			if e.picture, err = crops.Whole(p, e.filmed.colour(e.format), shownColumns); err != nil {
				return err
			}
		}
		return fn(p)
	})
}

// write writes the files below folder, names them in the document and returns
// what the page shows. What cannot be read again is missing there.
func (e *exhibit) write(ctx context.Context, folder string) (*page.Screen, error) {
	if e.picture.W == 0 || e.camera.W == 0 {
		var err error
		if e.picture.W == 0 {
			err = e.Fetch(ctx, []crops.Wanted{{Index: e.index, Time: e.time}}, func(*picture.Picture) error { return nil })
		}
		if e.camera.W == 0 && err == nil {
			// What is kept of frames is the screen alone.
			err = e.fetch(ctx, []decode.Wanted{{Index: e.part.Frame, Time: e.part.Shown}}, e.see)
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			e.doc.Warnings = append(e.doc.Warnings, fmt.Sprintf("the camera's frames could not be read again: %v", err))
		}
	}
	s := &page.Screen{Timing: e.timing()}
	if e.picture.W == 0 || e.camera.W == 0 {
		return s, nil
	}
	for _, f := range []struct {
		name  string
		image crops.Image
	}{{cameraName, e.camera}, {screenName, e.picture}} {
		if err := f.image.WriteFile(filepath.Join(folder, filepath.FromSlash(f.name))); err != nil {
			return nil, err
		}
	}
	e.doc.View.Camera.Sample = &report.Sample{
		Frame: e.part.Frame, TimeS: e.part.Shown.Round(time.Microsecond).Seconds(), Corners: corners(e.part.View.Quad),
		Camera: cameraName, Picture: screenName,
	}
	s.Camera, s.Picture, s.BuiltFrom = e.camera, e.picture, e.from
	size := e.part.View.Size
	for _, p := range outline(e.part.View, report.Region{W: 1, H: 1}) {
		s.Outline = append(s.Outline, [2]float64{p.X / float64(size.X), p.Y / float64(size.Y)})
	}
	return s, nil
}

// timing is the stretch around the frame that is shown.
func (e *exhibit) timing() *page.Timing {
	src := e.filmed.source
	first := max(0, min(e.part.Frame-shownFrames/2, src.Facts().Frames-shownFrames))
	seen := src.Seen(first, first+shownFrames)
	if len(seen) == 0 {
		return nil
	}
	t := &page.Timing{Exposure: seen[len(seen)/2].Lock.Exposure}
	locks := map[int]refresh.Lock{}
	for _, s := range seen {
		f := page.Frame{Number: s.Frame, Shown: s.Shown.Seconds(), End: s.Real, Known: s.Locked}
		for _, r := range s.Runs {
			f.Runs = append(f.Runs, page.Run{To: r.To, Picture: r.Picture, Mixed: r.Mixed, Still: r.Still})
			if s.Locked {
				locks[r.Picture] = s.Lock
				if _, ok := locks[r.Picture-1]; r.Mixed && !ok {
					locks[r.Picture-1] = s.Lock
				}
			}
		}
		t.Frames = append(t.Frames, f)
	}
	// The pictures before and after reach into the stretch.
	if len(locks) > 0 {
		numbers := slices.Sorted(maps.Keys(locks))
		first, last := numbers[0], numbers[len(numbers)-1]
		locks[first-1], locks[last+1] = locks[first], locks[last]
	}
	for n, l := range locks {
		p := page.Picture{Number: n, Index: -1}
		if i, ok := src.Index(n); ok {
			p.Index = i
		}
		for k, at := range [4][2]float64{{0, 0}, {0, 1}, {1, 0}, {1, 1}} {
			p.Begin[k], p.End[k] = l.Start(n, at[0], at[1]), l.Start(n+1, at[0], at[1])
		}
		t.Pictures = append(t.Pictures, p)
	}
	slices.SortFunc(t.Pictures, func(a, b page.Picture) int { return a.Number - b.Number })
	if e.peak != nil {
		if n, ok := src.Number(e.index); ok {
			h := float64(e.filmed.survey.Raster.Y)
			t.ID, t.Peak = e.peak.ID, n
			t.Top, t.Bottom = float64(e.peak.Region.Min.Y)/h, float64(e.peak.Region.Max.Y)/h
		}
	}
	return t
}
