package refresh

import (
	"encoding/gob"
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"

	"setwitness/testdata/filming"
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

func filmCase(tb testing.TB, c filming.Case, seconds float64) filmed {
	tb.Helper()
	name := fmt.Sprintf(os.Getenv("REFRESH_CACHE")+"/%s-%d-%g.gob", c.Name, c.Seed, seconds)
	if r, err := os.Open(name); err == nil {
		defer r.Close()
		var g stored
		if err := gob.NewDecoder(r).Decode(&g); err != nil {
			tb.Fatal(err)
		}
		out := filmed{frames: g.Frames, layout: g.Layout, timing: g.Timing}
		for _, row := range g.Truth {
			var v []seen
			for _, x := range row {
				v = append(v, seen{int(x[0]), x[1]})
			}
			out.truth = append(out.truth, v)
		}
		return out
	}
	out := filmIt(tb, c, seconds)
	g := stored{Frames: out.frames, Layout: out.layout, Timing: out.timing}
	for _, row := range out.truth {
		var v [][2]float64
		for _, x := range row {
			v = append(v, [2]float64{float64(x.source), x.other})
		}
		g.Truth = append(g.Truth, v)
	}
	w, err := os.Create(name + ".part")
	if err != nil {
		tb.Fatal(err)
	}
	gob.NewEncoder(w).Encode(g)
	w.Close()
	os.Rename(name+".part", name)
	return out
}

type stored struct {
	Frames []Frame
	Layout Layout
	Timing Timing
	Truth  [][][2]float64
}

func filmIt(tb testing.TB, c filming.Case, seconds float64) filmed {
	capture, err := c.Situation.Film(c.Source, seconds, c.Seed)
	if err != nil {
		tb.Fatal(err)
	}
	out := filmed{layout: Layout{Cols: filmCols, Rows: filmRows, Black: 16, Full: 255}}
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
}

// judgeFilmed compares decisions with the truth by the source's pictures: all
// bands that carry one number must show one picture of the source.
func judgeFilmed(f filmed, ds []Decision) verdict {
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

func TestFilmedExam(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("REFRESH_EXAM"))
	seed, _ := strconv.Atoi(os.Getenv("REFRESH_SEED"))
	var all verdict
	for _, c := range filming.Clean(int64(seed)+1, n, 2.5) {
		f := filmCase(t, c, 2.5)
		if os.Getenv("REFRESH_ONLY") != "" {
			continue
		}
		step := 1 / c.Situation.Camera.Rate()
		e := Find(f.layout, f.frames[:min(len(f.frames), int(2/step))], FindOptions{})
		fo := NewFollower(f.layout, &e, FollowOptions{})
		var ds []Decision
		keep := func(v []Decision) {
			for _, d := range v {
				d.Bands = append([]Band(nil), d.Bands...)
				ds = append(ds, d)
			}
		}
		for _, fr := range f.frames {
			keep(fo.Push(fr))
		}
		keep(fo.Flush())
		o := judgeFilmed(f, ds)
		s := c.Situation
		bad := ""
		if share(o.right, o.pure) < 0.995 || share(o.recalled, o.mixed) < 0.98 {
			bad = "BAD"
		}
		t.Logf("%-28s set %.2f Hz src %.2f cam %.2f exp %.2f roll %.1f read %.1f %v dips %.2f bl %.0f settle %.1f ms: %.3f Hz conf %.2f slope %.2f across %.2f exp %.2f noise %.2f | right %.4f of %d recalled %.4f of %d pure %.3f unlocked %.3f %s\n      %s", c.Name, s.Set.RefreshHz, c.Source.Format.Rate(), s.Camera.Rate(), s.Camera.ExposureS/step, s.Set.RollS*1e3, s.Camera.ReadoutS*1e3, s.Camera.Readout, s.Set.DipDepth, s.Set.BacklightHz*s.Set.BacklightDepth, s.Set.SettleS*1e3,
			e.Hz, e.Confidence, e.Slope*1e3, e.Across*1e3, e.ExposureShare, e.Noise, share(o.right, o.pure), o.pure, share(o.recalled, o.mixed), o.mixed, share(o.hit, o.shown), share(o.unlocked, o.bands), bad, e.Reason)
		all.right += o.right
		all.pure += o.pure
		all.recalled += o.recalled
		all.mixed += o.mixed
		all.unlocked += o.unlocked
		all.bands += o.bands
		all.hit += o.hit
		all.shown += o.shown
	}
	t.Logf("all: right %.4f of %d, recalled %.4f of %d, hit %.3f, unlocked %.3f", share(all.right, all.pure), all.pure, share(all.recalled, all.mixed), all.mixed, share(all.hit, all.shown), share(all.unlocked, all.bands))
}
