package refresh

import (
	"fmt"
	"math"
	"testing"
	"time"

	"setwitness/testdata/filming"
	"setwitness/testdata/scene"
)

// filmed is a capture by the project's own camera in software, which shares
// no code with this package, reduced to grids at the true place of the screen.
type filmed struct {
	frames []Frame
	truth  [][]seen // for each frame and row
	layout Layout
	timing Timing
}

// seen is what a row of the grid was exposed to: the source picture with the
// largest share in its middle, and the largest share of any other over its
// width.
type seen struct {
	source int
	other  float64
}

const filmCols, filmRows = 64, 48

func film(tb testing.TB, c filming.Case, seconds float64) filmed {
	tb.Helper()
	capture, err := c.Situation.Film(c.Source, seconds, c.Seed)
	if err != nil {
		tb.Fatal(err)
	}
	out := filmed{layout: Layout{Cols: filmCols, Rows: filmRows, Black: 16}}
	if capture.Format.Colour.FullRange {
		out.layout.Black = 0
	}
	var stamps []time.Duration
	for i := range capture.Frames {
		stamps = append(stamps, capture.Frame(i).Stamp)
	}
	tags := map[string]string{}
	if c.Situation.Camera.Stamps != filming.RealTime {
		tags[keyCaptureRate] = fmt.Sprintf("%f", c.Situation.Camera.Rate())
	}
	out.timing = RealTimes(stamps, tags, 0)
	w, h := float64(c.Source.Format.W), float64(c.Source.Format.H)
	for i := range capture.Frames {
		f := capture.Frame(i)
		p := capture.Picture(i)
		fr := Frame{Index: i, Time: out.timing.Real[i], Shown: f.Stamp, Grid: make([]float32, filmCols*filmRows)}
		rows := make([]seen, filmRows)
		for r := range filmRows {
			for q := range filmCols {
				// 4x4 places to a cell, the nearest camera pixel each.
				const n = 4
				sum := 0
				for a := range n {
					for b := range n {
						at := f.ToCamera(filming.Point{X: w * (float64(q) + (float64(b)+.5)/n) / filmCols, Y: h * (float64(r) + (float64(a)+.5)/n) / filmRows})
						x, y := min(max(int(at.X), 0), p.Y.W-1), min(max(int(at.Y), 0), p.Y.H-1)
						sum += p.Y.At(x, y)
					}
				}
				fr.Grid[r*filmCols+q] = float32(sum) / (n * n)
			}
			rows[r] = rowTruth(capture, &f, w, h*(float64(r)+.5)/filmRows)
		}
		out.frames = append(out.frames, fr)
		out.truth = append(out.truth, rows)
	}
	return out
}

func rowTruth(c *filming.Capture, f *filming.Frame, w, y float64) seen {
	shown := c.Displayed()
	shares := func(x float64) map[int]float64 {
		e := f.AtRaster(filming.Point{X: x, Y: y})
		m := map[int]float64{}
		for i, s := range e.Shares {
			m[shown[e.First+i].Source] += s
		}
		return m
	}
	var t seen
	most := -1.0
	for s, v := range shares(w / 2) {
		if v > most {
			t.source, most = s, v
		}
	}
	for _, x := range []float64{0.02 * w, w / 2, 0.98 * w} {
		for s, v := range shares(x) {
			if s != t.source {
				t.other = max(t.other, v)
			}
		}
	}
	return t
}

type verdict struct {
	right, pure, recalled, mixed, unlocked, bands, shown, hit int
	visible, seen                                             int // mixed bands whose pictures differ; of those marked
}

// judgeFilmed compares decisions with the truth by the source's pictures: all
// bands that carry one number must show one picture of the source.
func judgeFilmed(f filmed, ds []Decision, noise float64) verdict {
	votes := map[int]map[int]int{}
	for _, d := range ds {
		for b, v := range d.Bands {
			if t := f.truth[d.Frame][b]; d.Locked && t.other < traceShare {
				if votes[v.Picture] == nil {
					votes[v.Picture] = map[int]int{}
				}
				votes[v.Picture][t.source]++
			}
		}
	}
	main := map[int]int{}
	for k, m := range votes {
		most := 0
		for s, n := range m {
			if n > most {
				main[k], most = s, n
			}
		}
	}
	var o verdict
	type place struct{ s, b int }
	// The mean row of each source picture, for what a mixture would show.
	sum, count := map[place][]float64{}, map[place]float64{}
	for i, rows := range f.truth {
		for b, t := range rows {
			if t.other >= traceShare {
				continue
			}
			p := place{t.source, b}
			if sum[p] == nil {
				sum[p] = make([]float64, f.layout.Cols)
			}
			count[p]++
			for x, v := range f.frames[i].Grid[b*f.layout.Cols : (b+1)*f.layout.Cols] {
				sum[p][x] += float64(v)
			}
		}
	}
	differs := func(s, b int, noise float64) bool {
		for _, n := range []int{s - 1, s + 1} {
			p, q := place{s, b}, place{n, b}
			if count[p] == 0 || count[q] == 0 {
				continue
			}
			for x := range sum[p] {
				// Five deviations in a single cell of 64 are no accident.
				if d := sum[p][x]/count[p] - sum[q][x]/count[q]; d*d > 25*noise*noise*(1/count[p]+1/count[q]) {
					return true
				}
			}
		}
		return false
	}
	shown, hit := map[place]bool{}, map[place]bool{}
	for _, d := range ds {
		o.bands += len(d.Bands)
		for b, v := range d.Bands {
			t := f.truth[d.Frame][b]
			mixed := t.other >= traceShare
			if !mixed {
				shown[place{t.source, b}] = true
			}
			if !d.Locked {
				o.unlocked++
				continue
			}
			if mixed {
				o.mixed++
				if v.Mixed {
					o.recalled++
				}
				if differs(t.source, b, noise) {
					o.visible++
					if v.Mixed {
						o.seen++
					}
				}
			}
			if !v.Mixed {
				o.pure++
				if main[v.Picture] == t.source || mixed && (main[v.Picture]-t.source == 1 || main[v.Picture]-t.source == -1) {
					o.right++
					hit[place{t.source, b}] = true
				}
			}
		}
	}
	o.shown = len(shown)
	for p := range shown {
		if hit[p] {
			o.hit++
		}
	}
	return o
}

// followFilmed is what a caller does with a take.
func followFilmed(f filmed, step float64) (Estimate, verdict) {
	e := Find(f.layout, f.frames[:min(len(f.frames), int(2/step))], FindOptions{})
	follower := NewFollower(f.layout, &e, FollowOptions{})
	var all []Decision
	for _, fr := range f.frames {
		all = keep(all, follower.Push(fr))
	}
	all = keep(all, follower.Flush())
	return e, judgeFilmed(f, all, e.Noise)
}

func TestFilmed(t *testing.T) {
	const rate, seconds = 50, 0.9
	situation, _ := filming.Named(filming.Stand, rate, 3)
	situation.Camera.W, situation.Camera.H = 480, 270 // for speed
	s := scene.Pan(scene.Raster{W: 960, H: 540, RateNum: rate, RateDen: 1, Shutter: 0.5, Grain: 0.8, Seed: 3},
		scene.Back{Surface: scene.Street}, scene.Move{X: 6, Seconds: 2})
	f := film(t, filming.Case{Situation: situation, Source: filming.OfScene(s, rate), Seed: 3}, seconds)
	e, v := followFilmed(f, 1/situation.Camera.Rate())
	if !e.Found || math.Abs(e.Hz-rate) > rateGoal {
		t.Fatalf("%.3f Hz: %s", e.Hz, e.Reason)
	}
	if got, want := e.ExposureShare, situation.Camera.ExposureS*situation.Camera.Rate(); math.Abs(got-want) > 0.1 {
		t.Errorf("exposure of %.2f of a frame, want %.2f", got, want)
	}
	if v.pure == 0 || v.unlocked > 0 || share(v.right, v.pure) < rightGoal || share(v.recalled, v.mixed) < recallGoal {
		t.Errorf("right %.4f of %d, recalled %.4f of %d, %d unlocked", share(v.right, v.pure), v.pure, share(v.recalled, v.mixed), v.mixed, v.unlocked)
	}
}

// BenchmarkFilmed prints the figures of captures that the camera's catalogue
// draws: sets, cameras, rooms and scenes of wide ranges.
func BenchmarkFilmed(b *testing.B) {
	for b.Loop() {
		var all verdict
		for _, c := range filming.Clean(1, 10, 2.5) {
			f := film(b, c, 2.5)
			s := c.Situation
			step := 1 / s.Camera.Rate()
			e, v := followFilmed(f, step)
			fmt.Printf("%-26s set %.2f Hz, pictures %.2f, camera %.2f, exposure %.2f: %.3f Hz, exposure %.2f, slope %.1f ms, across %.1f ms; right %.4f of %d, recalled %.4f of %d (visible %.4f of %d), shown and kept %.3f, unlocked %.3f: %s\n",
				c.Name, s.Set.RefreshHz, c.Source.Format.Rate(), s.Camera.Rate(), s.Camera.ExposureS/step,
				e.Hz, e.ExposureShare, e.Slope*1e3, e.Across*1e3, share(v.right, v.pure), v.pure, share(v.recalled, v.mixed), v.mixed,
				share(v.seen, v.visible), v.visible, share(v.hit, v.shown), share(v.unlocked, v.bands), e.Reason)
			all.add(v)
		}
		fmt.Printf("all: right %.4f of %d, recalled %.4f of %d (visible %.4f of %d), shown and kept %.3f, unlocked %.3f\n",
			share(all.right, all.pure), all.pure, share(all.recalled, all.mixed), all.mixed,
			share(all.seen, all.visible), all.visible, share(all.hit, all.shown), share(all.unlocked, all.bands))
	}
}

func (v *verdict) add(o verdict) {
	v.right += o.right
	v.pure += o.pure
	v.recalled += o.recalled
	v.mixed += o.mixed
	v.visible += o.visible
	v.seen += o.seen
	v.unlocked += o.unlocked
	v.bands += o.bands
	v.shown += o.shown
	v.hit += o.hit
}
