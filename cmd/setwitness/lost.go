package main

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect/fullreference"
	"setwitness/detect/vision"
	"setwitness/report"
	"setwitness/report/crops"
	"setwitness/report/page"
)

const (
	// pairW and pairH are how much of a picture is shown of a difference, in pixels.
	pairW, pairH = 320, 200
	// mostPairs differences have pictures, and mostDifferences are stated: those
	// that are seen the most.
	mostPairs, mostDifferences = 12, 40
	// leastFit is the correlation of pictures laid on each other below which a pixel
	// of the one may not be that of the other: detail would seem lost.
	leastFit = 0.95
)

// differences is the document's part of what came of going through both.
func (w *witness) differences(ctx context.Context, f *followed) (*report.Reference, []page.Pair, error) {
	r := &report.Reference{Differences: []report.Difference{}, Looks: len(f.samples)}
	times := w.result.Times
	for i, s := range f.shown {
		if (s.Clear || s.Still) && i+1 < len(times) {
			r.FollowedS += (times[i+1] - times[i]).Seconds()
		}
	}
	r.FollowedS = rounded(r.FollowedS)
	transfers := fullreference.Transfers(f.samples, w.where.ScaleX, w.where.ScaleY)
	for _, t := range transfers {
		direction, pitch := bandWords(t.Band)
		first, last := t.Ends()
		r.Detail = append(r.Detail, report.Detail{
			Direction: direction, PitchPx: pitch, KeptShare: rounded(last), FaintShare: rounded(first), ErrorCodes: rounded(t.Error),
		})
	}
	switch {
	case w.result.Format.Fields || w.ref.format.Fields:
		r.Why = "detail is not compared where pictures are fields: half of their lines are not there"
	case w.film != nil:
		r.Why = "of a film of a screen only the whole is stated: the lens loses more in one place than in another"
		return r, nil, nil
	case w.fits < leastFit:
		r.Why = fmt.Sprintf("laid on each other, the pictures correlate by %.2f only, so that no place is said to lack detail", w.fits)
		return r, nil, nil
	}
	found := fullreference.Differences(f.samples, &transfers)
	viewer, err := w.viewer()
	if err != nil {
		return nil, nil, err
	}
	var pairs []page.Pair
	for i := range found[:min(len(found), mostDifferences)] {
		d := &found[i]
		out := w.difference(d, viewer)
		out.ID = fmt.Sprintf("d%03d", i+1)
		if len(pairs) < mostPairs {
			p, err := w.pair(ctx, d)
			if ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
			if err == nil {
				p.ID = out.ID
				pairs = append(pairs, p)
				out.Evidence = report.Compared{Take: cropsName + "/" + out.ID + "-take.png", Source: cropsName + "/" + out.ID + "-source.png"}
			}
		}
		r.Differences = append(r.Differences, out)
	}
	return r, pairs, nil
}

func bandWords(b fullreference.Band) (direction string, pitch float64) {
	if b.Down() {
		return "vertical", b.Pitch()
	}
	return "horizontal", b.Pitch()
}

// difference states one.
func (w *witness) difference(d *fullreference.Difference, viewer *vision.Viewer) report.Difference {
	times := w.result.Times
	at := func(i int) float64 { return times[min(i, len(times)-1)].Round(time.Microsecond).Seconds() }
	f := w.result.Format
	raster := image.Rect(0, 0, f.W, f.H)
	out := report.Difference{
		What: string(d.What), StartS: at(d.First), EndS: at(d.Last + 1), PeakS: at(d.Peak), PeakFrame: w.result.Frames[d.Peak],
		SourceS: w.ref.times[d.Of].Round(time.Microsecond).Seconds(),
		Region:  report.RegionOf(d.Region, raster), PeakRegion: report.RegionOf(d.PeakRegion, raster), AmplitudeCodes: rounded(d.Codes), Why: d.Why(),
	}
	for b, lost := range d.Lost {
		if math.IsNaN(lost) {
			continue
		}
		direction, pitch := bandWords(fullreference.Band(b))
		out.Lost = append(out.Lost, report.Lost{Direction: direction, PitchPx: pitch, Percent: rounded(100 * lost)})
	}
	across := viewer.Across(float64(d.PeakRegion.Dx()) / float64(f.W))
	down := viewer.Degrees(float64(d.PeakRegion.Dy()))
	shown := out.EndS - out.StartS
	out.VisibilityJND = rounded(viewer.Grating(d.Mean-d.Codes, d.Mean+d.Codes, viewer.CyclesPerDegree(d.Worst.Pitch()), across, down) *
		min(1, shown/vision.IntegrationSeconds))
	return out
}

// pair cuts the place of a difference out of both, in luma: the source's in the
// take's raster and at its levels.
func (w *witness) pair(ctx context.Context, d *fullreference.Difference) (page.Pair, error) {
	size := w.result.Format
	window := image.Rect(0, 0, min(pairW, size.W), min(pairH, size.H))
	at := d.Focus.Sub(image.Pt(window.Dx()/2, window.Dy()/2))
	at.X, at.Y = min(max(at.X, 0), size.W-window.Dx()), min(max(at.Y, 0), size.H-window.Dy())
	window = window.Add(at)
	laying := fullreference.NewLaying(size.W, size.H, w.ref.format.W, w.ref.format.H, w.where)
	var take, source []float32
	var out page.Pair
	err := w.fetchTake(ctx, []int{d.Peak}, func(p *picture.Picture) { take = fullreference.Cut(fullreference.Codes(&p.Y), size.W, window) })
	if err != nil {
		return out, err
	}
	err = w.fetchSource(ctx, []int{d.Of}, func(p *picture.Picture) { source = fullreference.Cut(laying.Lay(&p.Y), size.W, window) })
	if err != nil {
		return out, err
	}
	if take == nil || source == nil {
		return out, fmt.Errorf("a picture could not be read again")
	}
	fullreference.Level(source, take)
	if out.Take, err = grey(take, window.Size()); err != nil {
		return out, err
	}
	out.Source, err = grey(source, window.Size())
	return out, err
}

func grey(pix []float32, size image.Point) (crops.Image, error) {
	img := image.NewGray(image.Rectangle{Max: size})
	for i, v := range pix {
		img.Pix[i] = uint8(min(max(v+0.5, 0), 255))
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return crops.Image{}, err
	}
	return crops.Image{Data: b.Bytes(), Type: "image/png", W: size.X, H: size.Y}, nil
}

// writePairs writes the pictures of differences below a folder.
func writePairs(folder string, pairs []page.Pair) error {
	if len(pairs) == 0 {
		return nil
	}
	dir := filepath.Join(folder, cropsName)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, p := range pairs {
		for _, f := range []struct {
			name  string
			image crops.Image
		}{{"take", p.Take}, {"source", p.Source}} {
			if err := f.image.WriteFile(filepath.Join(dir, p.ID+"-"+f.name+".png")); err != nil {
				return err
			}
		}
	}
	return nil
}
