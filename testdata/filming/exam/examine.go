package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/all"
	"setwitness/detect/vision"
	"setwitness/testdata/faults"
	"setwitness/testdata/filming"
	"setwitness/testdata/filming/codec"
	"setwitness/testdata/scene"
	"setwitness/testdata/takes"
)

// result is what became of one capture.
type result struct {
	name, situation       string
	refresh, rate, camera float64
	err                   error

	screen, found bool
	why           string
	hz, off       float64 // off is from the rate that it stands for
	exposure      float64 // of a frame, as found
	exposed       float64 // as filmed
	corners       float64 // median error, camera px
	locked        float64 // share of frames
	trusted       float64 // share of bands
	// Of the trusted bands, how many show only what most of their picture
	// shows.
	pure, bands int
	// Pictures of the source that the set showed, and that came out alone.
	shown, kept int
	disorder    int // pictures that show an earlier one than the one before

	mixing mixing

	outcome takes.Outcome // in pictures of the source
	cadence []detect.CadenceRun
	seconds float64
	spent   struct{ decode, examine, source, stages float64 }
}

// leak is the share of an exposure that may belong to another picture before a
// band counts as mixed.
const leak = 0.06

func examine(ctx context.Context, c filming.Case, set, dir string, keep bool) (r result) {
	s := c.Situation
	r = result{name: c.Name, situation: s.Name, refresh: s.Set.RefreshHz, rate: c.Source.Format.Rate(), camera: s.Camera.Rate()}
	r.exposed = s.Camera.ExposureS * s.Camera.Rate()
	capture, err := c.Film()
	if err != nil {
		r.err = err
		return r
	}
	name := set + "-" + strings.ReplaceAll(c.Name, "/", "-")
	path := filepath.Join(dir, name+".mp4")
	if _, err := os.Stat(path); err != nil {
		if path, err = codec.Write(capture, dir, name, codec.Options{CaptureRate: true}); err != nil {
			r.err = err
			return r
		}
	}
	if !keep {
		defer os.Remove(path)
	}
	r.err = r.scan(ctx, path, capture, s.Bars)
	return r
}

func (r *result) scan(ctx context.Context, path string, c *filming.Capture, bars float64) error {
	stamps := func(ctx context.Context) ([]time.Duration, map[string]string, error) { return decode.Stamps(ctx, path) }
	start := time.Now()
	if err := decodeAlone(ctx, path); err != nil {
		return err
	}
	r.spent.decode = time.Since(start).Seconds()
	take, err := decode.Open(path, decode.Options{Threads: 1})
	if err != nil {
		return err
	}
	start = time.Now()
	survey, err := display.Examine(ctx, take, stamps, display.Options{})
	take.Close()
	if err != nil {
		return err
	}
	r.spent.examine = time.Since(start).Seconds()
	r.screen, r.why = survey.Screen, survey.Why
	if !survey.Screen {
		return nil
	}
	e := &survey.Estimate
	r.found, r.hz, r.exposure = e.Found, e.Hz, e.ExposureShare
	if !e.Found {
		r.why = e.Reason
	}
	r.off = offRate(r.hz, r.rate, r.refresh)
	if take, err = decode.Open(path, decode.Options{Threads: 1}); err != nil {
		return err
	}
	defer take.Close()
	source, err := survey.Source(take)
	if err != nil {
		return err
	}
	defer source.Close()
	watch := &watched{source: source}
	start = time.Now()
	conditions := vision.Reference(vision.FilmedEOTF(source.Format().Colour.Transfer))
	conditions.Camera = true
	found, err := detect.RunUnder(ctx, conditions, watch, all.Stages(), nil, nil)
	if err != nil {
		return err
	}
	r.spent.source = watch.spent.Seconds()
	r.spent.stages = time.Since(start).Seconds() - r.spent.source
	facts := source.Facts()
	r.locked, r.trusted = 1-share(facts.Unlocked, facts.Frames), facts.Trusted
	r.seconds = float64(c.Frames) / c.Camera.Rate()
	r.cadence = found.Cadence
	r.compare(c, source, watch.trust, survey)
	if float64(survey.Raster.Y)*float64(c.Source.Format.W) > (1-bars)*float64(survey.Raster.X)*float64(c.Source.Format.H) {
		bars = 0 // the scan took them in
	}
	r.mixing = mixingOf(c, source.Seen(0, c.Frames), bars)
	// Events in pictures of the source.
	events := slices.Clone(found.Events)
	for i := range events {
		events[i].Start = sourceAt(c, found.Times[events[i].Start])
		events[i].End = sourceAt(c, found.Times[events[i].End])
	}
	f := source.Format()
	truth := filmedTake(c, f)
	r.outcome = truth.Score(events)
	return nil
}

// filmedTake returns the take that the set was given, its faults on the raster that
// was rebuilt and as far as they were filmed.
func filmedTake(c *filming.Capture, f picture.Format) takes.Take {
	t := takes.Take{Format: c.Source.Format}
	last := sourceAt(c, c.Frame(c.Frames-1).Stamp)
	for _, truth := range faults.Scale(c.Source, f.W, f.H, faults.Smooth).Truth {
		if truth.First < last {
			t.Truth = append(t.Truth, truth)
		}
	}
	return t
}

// decodeAlone decodes all of a file.
func decodeAlone(ctx context.Context, path string) error {
	take, err := decode.Open(path, decode.Options{Threads: 1})
	if err != nil {
		return err
	}
	defer take.Close()
	for {
		p, err := take.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		p.Release()
	}
}

// watched notes what passes.
type watched struct {
	source *display.Source
	trust  [][]float64
	spent  time.Duration
}

func (w *watched) Format() picture.Format { return w.source.Format() }

func (w *watched) Next(ctx context.Context) (*picture.Picture, error) {
	start := time.Now()
	p, err := w.source.Next(ctx)
	w.spent += time.Since(start)
	if err == nil {
		w.trust = append(w.trust, slices.Clone(p.Trust))
	}
	return p, err
}

// offRate returns how far a rate is from the nearest that a set may be said to
// have: that of new pictures, that of its updates, or a divisor of these.
func offRate(hz, rate, refresh float64) float64 {
	best := math.Inf(1)
	for _, r := range []float64{rate, refresh, refresh / 2} {
		if r >= rate-0.01 && math.Abs(hz-r) < math.Abs(best) {
			best = hz - r
		}
	}
	return best
}

// sourceAt returns the picture of the source that the middle of the screen
// showed at a time of the file.
func sourceAt(c *filming.Capture, stamp time.Duration) int {
	return c.Displayed()[c.DisplayedAt(stamp)].Source
}

// compare holds the rebuilt pictures against what the set showed.
func (r *result) compare(c *filming.Capture, source *display.Source, trust [][]float64, survey *display.Survey) {
	shown := c.Displayed()
	w, h := float64(c.Source.Format.W), float64(c.Source.Format.H)
	kept := map[int]bool{}
	var errs []float64
	before := -1
	for i, bands := range trust {
		type band struct {
			source int
			mixed  bool
		}
		var list []band
		votes := map[int]int{}
		parts := source.Parts(i)
		for b, t := range bands {
			if t == 0 {
				continue
			}
			y := (float64(b) + 0.5) / float64(len(bands))
			row := int(y * float64(survey.Raster.Y))
			for _, p := range parts {
				if row < p.From || row >= p.To {
					continue
				}
				f := c.Frame(p.Frame)
				e := f.AtRaster(filming.Point{X: w / 2, Y: y * h})
				shares := map[int]float64{}
				main, most := 0, 0.0
				for k, s := range e.Shares {
					n := shown[e.First+k].Source
					shares[n] += s
					if shares[n] > most {
						main, most = n, shares[n]
					}
				}
				list = append(list, band{main, 1-most > leak})
				votes[main]++
			}
		}
		main, most := -1, 0
		for s, n := range votes {
			if n > most {
				main, most = s, n
			}
		}
		for _, b := range list {
			r.bands++
			if b.source == main && !b.mixed {
				r.pure++
			}
		}
		if main >= 0 {
			kept[main] = true
			if main < before {
				r.disorder++
			}
			before = main
		}
		if len(parts) > 0 {
			f := c.Frame(parts[0].Frame)
			worst := 0.0
			for k, q := range parts[0].View.Quad {
				// The package counts from the centre of the first pixel.
				worst = max(worst, math.Hypot(q.X+0.5-f.Corners[k].X, q.Y+0.5-f.Corners[k].Y))
			}
			errs = append(errs, worst)
		}
	}
	if len(errs) > 0 {
		slices.Sort(errs)
		r.corners = errs[len(errs)/2]
	}
	all := map[int]bool{}
	end := c.Frame(c.Frames - 1).TimeS
	for k := range shown {
		if at := c.UpdateS(k, h/2); at > 0 && at < end-1/r.rate {
			all[shown[k].Source] = true
		}
	}
	r.shown = len(all)
	for s := range all {
		if kept[s] {
			r.kept++
		}
	}
}

// rates returns captures without faults of sets and cameras of all rates, in
// all situations in turn.
func rates(seed int64, n int, seconds float64) []filming.Case {
	pictures := [...][2]int{{24, 1}, {25, 1}, {30000, 1001}, {50, 1}, {60000, 1001}, {60, 1}}
	cameras := [...][2]int{{240, 1}, {240000, 1001}, {120, 1}, {240, 1}, {60, 1}}
	names := filming.Names()
	var out []filming.Case
	for i := range n {
		own := seed*1000 + int64(i)
		rate, camera := pictures[i%len(pictures)], cameras[i%len(cameras)]
		raster := scene.Raster{W: 1280, H: 720, RateNum: rate[0], RateDen: rate[1], Shutter: 0.5, Grain: 0.8, Seed: own}
		hz := raster.Rate()
		if hz < 40 {
			hz *= 2
		}
		s, ok := filming.Named(names[i%len(names)], hz, own)
		if !ok {
			continue
		}
		// The exposure and the readout keep their share of a frame.
		k := s.Camera.Rate() * float64(camera[1]) / float64(camera[0])
		s.Camera.RateNum, s.Camera.RateDen = camera[0], camera[1]
		s.Camera.ExposureS *= k
		s.Camera.ReadoutS *= k
		game := scene.BallGame(raster, scene.Game{PanWidth: 250, PanPeriod: 5, Seconds: seconds + 1})
		out = append(out, filming.Case{Name: fmt.Sprintf("%02d-%s", i, s.Name), Situation: s, Source: filming.OfScene(game, int(seconds*raster.Rate())+2), Seed: own})
	}
	return out
}
