package compare_test

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/compare"
	"setwitness/testdata/comparisons"
)

// taken makes the scan of a direct take of 20 s in which every kind was
// examined.
func taken(findings ...report.Finding) *compare.Scan { return comparisons.Scan(20, findings...) }

// found makes a finding.
func found(k detect.Kind, start, strength float64) report.Finding {
	return comparisons.Finding(k, start, strength)
}

func at(f report.Finding, x, y float64) report.Finding {
	f.Region.X, f.Region.Y = x, y
	return f
}

func sure(f report.Finding, confidence float64) report.Finding {
	f.Confidence = confidence
	return f
}

func with(s *compare.Scan, change func(*report.Findings)) *compare.Scan {
	change(s.Doc)
	return s
}

func one(t *testing.T, before, after []*compare.Scan) compare.Pair {
	t.Helper()
	c, err := compare.Compare(before, after, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Pairs) != 1 {
		t.Fatalf("%d pairs, want one: %+v", len(c.Pairs), c.Pairs)
	}
	return c.Pairs[0]
}

func TestVerdicts(t *testing.T) {
	const kind = detect.Combing
	blind := func(k detect.Kind) func(*report.Findings) {
		return func(d *report.Findings) {
			for i := range d.Coverage {
				if d.Coverage[i].Kind == k {
					d.Coverage[i] = report.Coverage{Kind: k, State: detect.NotExaminable, Why: "nothing moves in this take"}
				}
			}
		}
	}
	floor := func(k detect.Kind, v float64) func(*report.Findings) {
		return func(d *report.Findings) {
			for i := range d.Coverage {
				if d.Coverage[i].Kind == k {
					d.Coverage[i].Floor.Value = v
				}
			}
		}
	}
	film := func(d *report.Findings) { d.View.Kind = "screen" }
	there, strong, weak := taken(found(kind, 5, 20)), taken(found(kind, 5, 40)), taken(found(kind, 5, 10))
	nothing := taken()
	for _, c := range []struct {
		name          string
		before, after *compare.Scan
		want          compare.Verdict
		why           string
		regressed     bool
	}{
		{"gone", there, nothing, compare.Fixed, "no more than 5 % of it", false},
		{"come", nothing, there, compare.New, "20 times as strong or more", true},
		{"the same", there, there, compare.Persisting, "may be no change", false},
		{"twice as strong", there, strong, compare.Stronger, "200 %", true},
		{"half as strong", there, weak, compare.Weaker, "50 %", false},
		{"not examinable after", there, with(taken(), blind(kind)), compare.NotComparable, "nothing moves in this take", false},
		{"not examinable before", with(taken(), blind(kind)), there, compare.NotComparable, "nothing moves in this take", false},
		{"another kind not examinable", there, with(taken(), blind(detect.Ghost)), compare.Fixed, "", false},
		{"below the floor after", there, with(taken(), floor(kind, 30)), compare.NotComparable, "30 %", false},
		{"hardly above the floor before", with(taken(), floor(kind, 19)), there, compare.NotComparable, "missed", false},
		{"unsure", nothing, taken(sure(found(kind, 5, 20), 0.6)), compare.NotComparable, "60 % sure", false},
		{"after the end", with(taken(), func(d *report.Findings) {
			d.Take.SHA256 = there.Doc.Take.SHA256
			d.Take.DurationS, d.Take.Frames = 4, 200
		}), there, compare.NotComparable, "covers 0:00.000 to 0:04.000", false},
		{"another length", there, with(taken(), func(d *report.Findings) { d.Take.SHA256 = strings.Repeat("1", 64); d.Take.Frames++ }), compare.NotComparable, "1001 frames", false},
		{"another raster", there, with(taken(), func(d *report.Findings) { d.View.Raster = report.Raster{Width: 1920, Height: 1080} }), compare.NotComparable, "1920", false},
		{"a film", there, with(taken(), film), compare.NotComparable, "camera", false},
		{"hardly examined", there, with(taken(), func(d *report.Findings) { d.Coverage[0].Seconds = 1 }), compare.NotComparable, "only 1 s", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := one(t, []*compare.Scan{c.before}, []*compare.Scan{c.after})
			if p.Verdict != c.want || p.Regressed != c.regressed || !strings.Contains(p.Why, c.why) {
				t.Errorf("%s (regressed %v): %s; want %s with %q", p.Verdict, p.Regressed, p.Why, c.want, c.why)
			}
		})
	}
}

// What the floor leaves open of the ratio where one side has no strength.
func TestBounds(t *testing.T) {
	there, nothing := []*compare.Scan{taken(found(detect.Combing, 5, 20))}, []*compare.Scan{taken()}
	if p := one(t, there, nothing); p.RatioAtMost == nil || *p.RatioAtMost != 0.05 || p.RatioAtLeast != nil || p.Ratio != nil {
		t.Errorf("%+v", p)
	}
	if p := one(t, nothing, there); p.RatioAtLeast == nil || *p.RatioAtLeast != 20 || p.RatioAtMost != nil {
		t.Errorf("%+v", p)
	}
}

// Three passes that show what is sure and twice the floor, and three that do not, tell;
// two and two do not, nor three of what is weaker, less sure or filmed.
func TestSeveralPasses(t *testing.T) {
	film := func(s *compare.Scan) *compare.Scan {
		return with(s, func(d *report.Findings) { d.View.Kind = "screen" })
	}
	for _, c := range []struct {
		name   string
		passes int
		scan   func(...report.Finding) *compare.Scan
		f      report.Finding
		want   compare.Verdict
	}{
		{"three", 3, taken, found(detect.Combing, 5, 2.5), compare.New},
		{"two", 2, taken, found(detect.Combing, 5, 2.5), compare.NotComparable},
		{"three of a weak one", 3, taken, found(detect.Combing, 5, 1.8), compare.NotComparable},
		{"three of an unsure one", 3, taken, sure(found(detect.Combing, 5, 2.5), 0.85), compare.NotComparable},
		{"three films", 3, func(f ...report.Finding) *compare.Scan { return film(taken(f...)) }, found(detect.Combing, 5, 2.5), compare.NotComparable},
	} {
		var before, after []*compare.Scan
		for range c.passes {
			before, after = append(before, c.scan()), append(after, c.scan(c.f))
		}
		if p := one(t, before, after); p.Verdict != c.want {
			t.Errorf("%s: %s: %s; want %s", c.name, p.Verdict, p.Why, c.want)
		}
	}
}

// Three passes a side that happen to agree to a tenth of what passes usually differ by
// do not make a change of five per cent sure; three that differ by more than usual do not
// hide that a fault has become twice as strong.
func TestScatterOfThree(t *testing.T) {
	side := func(strengths ...float64) (list []*compare.Scan) {
		for _, v := range strengths {
			list = append(list, taken(found(detect.NearBlackBanding, 5, v)))
		}
		return list
	}
	if p := one(t, side(20, 20.1, 19.9), side(21.5, 21.6, 21.4)); p.Verdict != compare.Persisting {
		t.Errorf("%s: %s", p.Verdict, p.Why)
	}
	if p := one(t, side(18, 20, 23), side(40, 36, 46)); p.Verdict != compare.Stronger {
		t.Errorf("%s: %s", p.Verdict, p.Why)
	}
}

// What share of a thing its copies are is known to so much of the floor: a faint ghost that
// is said to be twice as strong in one pass may be as it was, one far above the floor
// and one that four passes agree on is not.
func TestFaintGhost(t *testing.T) {
	side := func(floor float64, strengths ...float64) (list []*compare.Scan) {
		for _, v := range strengths {
			list = append(list, with(taken(found(detect.Ghost, 5, v)), func(d *report.Findings) {
				for i := range d.Coverage {
					if d.Coverage[i].Kind == detect.Ghost {
						d.Coverage[i].Floor.Value = floor
					}
				}
			}))
		}
		return list
	}
	for _, c := range []struct {
		name          string
		before, after []*compare.Scan
		want          compare.Verdict
	}{
		{"faint", side(20, 22), side(20, 44), compare.Persisting},
		{"strong", side(4, 22), side(4, 44), compare.Stronger},
		{"faint, four passes", side(20, 22, 25, 21, 24), side(20, 44, 46, 49, 42), compare.Stronger},
	} {
		if p := one(t, c.before, c.after); p.Verdict != c.want {
			t.Errorf("%s: %s (%s), want %s", c.name, p.Verdict, p.Why, c.want)
		}
	}
}

// What one take may miss by chance is not new in another: the bounds are those of
// chance.go.
func TestClear(t *testing.T) {
	step := func(f report.Finding, codes, length float64) report.Finding {
		f.Measures = map[string]float64{"step_codes": codes, "contour_length_px": length}
		return f
	}
	tiny := found(detect.Ghost, 5, 9)
	tiny.Region.H = 0.07
	for _, c := range []struct {
		name string
		f    report.Finding
		want compare.Verdict
	}{
		{"a ghost of a thing smaller than a tile", tiny, compare.NotComparable},
		{"a strong comb", found(detect.Combing, 5, 3), compare.New},
		{"a weak comb", found(detect.Combing, 5, 2.5), compare.NotComparable},
		{"a ghost", found(detect.Ghost, 5, 1.6), compare.New},
		{"an unsure ghost", sure(found(detect.Ghost, 5, 9), 0.98), compare.NotComparable},
		{"a step of three codes", step(found(detect.NearBlackBanding, 5, 9), 3, 5000), compare.New},
		{"a step of two codes", step(found(detect.NearBlackBanding, 5, 9), 2, 5000), compare.NotComparable},
		{"a short contour", step(found(detect.Posterisation, 5, 9), 3, 1000), compare.NotComparable},
		{"a short contour of six codes", step(found(detect.Posterisation, 5, 9), 6, 1000), compare.New},
		{"an unsure one of six codes", sure(step(found(detect.Posterisation, 5, 9), 6, 1000), 0.8), compare.NotComparable},
		{"blocks everywhere", found(detect.Macroblocking, 5, 1.2), compare.New},
		{"some blocks", sure(found(detect.Macroblocking, 5, 4), 0.95), compare.NotComparable},
		{"some strong blocks", sure(found(detect.Macroblocking, 5, 8), 0.95), compare.New},
		{"a lost picture", found(detect.CadenceBreak, 5, 1), compare.New},
		{"a kind without a stage", found(detect.Vignetting, 5, 4), compare.New},
	} {
		if p := one(t, []*compare.Scan{taken()}, []*compare.Scan{taken(c.f)}); p.Verdict != c.want {
			t.Errorf("%s: %s (%s), want %s", c.name, p.Verdict, p.Why, c.want)
		}
	}
	// Films find a ghost by luck that direct takes would not miss.
	film := func(d *report.Findings) { d.View.Kind = "screen" }
	for confidence, want := range map[float64]compare.Verdict{0.97: compare.NotComparable, 0.985: compare.New} {
		ghost := sure(found(detect.Ghost, 5, 9), confidence)
		if p := one(t, []*compare.Scan{with(taken(), film)}, []*compare.Scan{with(taken(ghost), film)}); p.Verdict != want {
			t.Errorf("a ghost in a film, %g sure: %s (%s), want %s", confidence, p.Verdict, p.Why, want)
		}
	}
	// Ten bits have four codes for each of eight.
	deep := with(taken(step(found(detect.NearBlackBanding, 5, 9), 8, 5000)), func(d *report.Findings) { d.Take.PixelFormat = "yuv420p10le" })
	if p := one(t, []*compare.Scan{taken()}, []*compare.Scan{deep}); p.Verdict != compare.NotComparable {
		t.Errorf("two codes of eight bits in ten: %s", p.Verdict)
	}
	// Half of the time that was examined where it shows.
	limited := with(taken(), func(d *report.Findings) {
		d.Coverage[0].State, d.Coverage[0].Seconds = detect.Limited, 12
	})
	if p := one(t, []*compare.Scan{limited}, []*compare.Scan{taken(found(detect.Combing, 5, 20))}); p.Verdict != compare.NotComparable {
		t.Errorf("with limits: %s (%s)", p.Verdict, p.Why)
	}
	// In a film a break may be among what was not examined if that is as long, however much
	// the other was.
	for _, c := range []struct {
		unexamined, lasts float64
		want              compare.Verdict
	}{{2, 3, compare.New}, {2, 1, compare.NotComparable}} {
		long := found(detect.CadenceBreak, 5, 9)
		long.EndS = long.StartS + c.lasts
		some := with(with(taken(), film), func(d *report.Findings) {
			for i := range d.Coverage {
				d.Coverage[i].State, d.Coverage[i].Seconds = detect.Limited, d.Take.DurationS-c.unexamined
			}
		})
		if p := one(t, []*compare.Scan{some}, []*compare.Scan{with(taken(long), film)}); p.Verdict != c.want {
			t.Errorf("a film, %g s of which were not examined, and a break of %g s: %s (%s), want %s", c.unexamined, c.lasts, p.Verdict, p.Why, c.want)
		}
	}
}

// A strength in JND holds for its conditions, one in % for any.
func TestConditions(t *testing.T) {
	bright := func(d *report.Findings) { d.Conditions.PeakNits = 300 }
	if p := one(t, []*compare.Scan{taken(found(detect.Macroblocking, 5, 20))}, []*compare.Scan{with(taken(), bright)}); p.Verdict != compare.NotComparable || !strings.Contains(p.Why, "300") {
		t.Errorf("%s: %s", p.Verdict, p.Why)
	}
	if p := one(t, []*compare.Scan{taken(found(detect.Combing, 5, 20))}, []*compare.Scan{with(taken(), bright)}); p.Verdict != compare.Fixed {
		t.Errorf("%s: %s", p.Verdict, p.Why)
	}
	// Nor are strengths compared where both sides show it.
	both := with(taken(found(detect.Macroblocking, 5, 200)), bright)
	if p := one(t, []*compare.Scan{taken(found(detect.Macroblocking, 5, 20))}, []*compare.Scan{both}); p.Verdict != compare.NotComparable || p.Regressed || p.Ratio != nil {
		t.Errorf("%s: %s", p.Verdict, p.Why)
	}
}

// What is of another kind, time or place is another fault.
func TestMatching(t *testing.T) {
	before := taken(found(detect.Combing, 5, 20), at(found(detect.Macroblocking, 5, 20), 0, 0))
	for _, c := range []struct {
		name string
		f    report.Finding
		same bool
	}{
		{"same", found(detect.Combing, 5, 20), true},
		{"a little later", found(detect.Combing, 5.6, 20), true},
		{"much later", found(detect.Combing, 5.8, 20), false},
		{"earlier", found(detect.Combing, 4, 20), false},
		{"another kind", found(detect.Ghost, 5, 20), false},
		{"a little aside", at(found(detect.Combing, 5, 20), 0.65, 0.4), true},
		{"elsewhere", at(found(detect.Combing, 5, 20), 0.8, 0.4), false},
		{"blocks aside", at(found(detect.Macroblocking, 5, 20), 0.23, 0), true},
		{"blocks elsewhere", at(found(detect.Macroblocking, 5, 20), 0.3, 0), false},
	} {
		faults := compare.Gather([]*compare.Scan{before, taken(c.f)}).Faults
		shared := 0
		for i := range faults {
			if faults[i].Passes[0].Seen() && faults[i].Passes[1].Seen() {
				shared++
			}
		}
		if (shared == 1) != c.same {
			t.Errorf("%s: %d faults in common of %d", c.name, shared, len(faults))
		}
	}
}

// A fault that one scan sees in pieces and another in one is one.
func TestPieces(t *testing.T) {
	whole := found(detect.Combing, 5, 20)
	whole.EndS = 9
	p := one(t, []*compare.Scan{taken(whole)}, []*compare.Scan{taken(found(detect.Combing, 5, 19), found(detect.Combing, 7, 21))})
	if p.Verdict != compare.Persisting || len(p.After.Findings) != 2 || p.After.Strength.Value != 21 || math.Abs(p.After.Seconds-0.8) > 1e-9 {
		t.Errorf("%s with %+v", p.Verdict, p.After)
	}
}

// A fault at the very start of a take can be seen there in another one that starts
// no later, and not in one that starts in the middle of it.
func TestAtTheStart(t *testing.T) {
	start := found(detect.Combing, 0, 20)
	start.PeakS = 0.02
	if p := one(t, []*compare.Scan{taken(start)}, []*compare.Scan{taken()}); p.Verdict != compare.Fixed {
		t.Errorf("%s: %s", p.Verdict, p.Why)
	}
	sourced := func(f report.Finding, source float64) report.Finding {
		source += f.PeakS - f.StartS
		f.SourceS = &source
		return f
	}
	later := func(source float64) *compare.Scan {
		// It starts at that time of the source, and shows something else.
		return with(taken(sourced(found(detect.Ghost, 5, 60), source+5)), func(d *report.Findings) { d.Take.SHA256 = strings.Repeat("1", 64) })
	}
	for begin, want := range map[float64]compare.Verdict{0: compare.Fixed, 0.35: compare.NotComparable} {
		c, err := compare.Compare([]*compare.Scan{taken(sourced(start, 0))}, []*compare.Scan{later(begin)}, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range c.Pairs {
			if p.Kind == detect.Combing && p.Verdict != want {
				t.Errorf("a take from %g s on: %s (%s), want %s", begin, p.Verdict, p.Why, want)
			}
		}
	}
}

// Takes that start at different times are laid beside each other by the source.
func TestSourceTime(t *testing.T) {
	sourced := func(start, source, strength float64) report.Finding {
		f := found(detect.Combing, start, strength)
		s := source + 0.1
		f.SourceS = &s
		return f
	}
	before := taken(sourced(5, 105, 20), sourced(9, 109, 20))
	after := taken(sourced(2, 105, 20), sourced(12, 115, 20))
	after.Doc.Take.SHA256, after.Doc.Take.Frames = strings.Repeat("1", 64), 800
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !c.Aligned || c.After[0].AlignedBy != compare.BySource || len(c.Pairs) != 3 {
		t.Fatalf("%+v", c)
	}
	for _, p := range c.Pairs {
		want := map[int]compare.Verdict{105: compare.Persisting, 109: compare.Fixed, 115: compare.New}[int(*p.SourceS)]
		if p.Verdict != want || math.Abs(p.StartS-(*p.SourceS-100.1)) > 1e-6 {
			t.Errorf("at %g s of the source, %g s of the take: %s, want %s (%s)", *p.SourceS, p.StartS, p.Verdict, want, p.Why)
		}
	}
}

// Repeated passes.
func TestPasses(t *testing.T) {
	there := func(strength float64) *compare.Scan { return taken(found(detect.Combing, 5, strength)) }
	gone := func() *compare.Scan { return taken() }
	for _, c := range []struct {
		name          string
		before, after []*compare.Scan
		want          compare.Verdict
		why           string
	}{
		{"all and none", []*compare.Scan{there(20), there(21), there(19)}, []*compare.Scan{gone(), gone(), gone()}, compare.Fixed, "3 of 3"},
		{"some and none", []*compare.Scan{gone(), gone(), gone()}, []*compare.Scan{there(20), gone(), there(20)}, compare.NotComparable, "chance"},
		{"many of many and none", []*compare.Scan{gone(), gone(), gone(), gone(), gone(), gone()}, []*compare.Scan{there(20), there(20), gone(), there(20), there(20), there(20)}, compare.New, "5 of 6"},
		{"doubtful each time, and never", []*compare.Scan{gone(), gone(), gone(), gone(), gone()},
			[]*compare.Scan{taken(sure(found(detect.Combing, 5, 20), 0.7)), taken(sure(found(detect.Combing, 5, 20), 0.7)), taken(sure(found(detect.Combing, 5, 20), 0.7))}, compare.New, ""},
		{"more often", []*compare.Scan{there(20), gone(), gone(), gone(), gone(), gone()}, []*compare.Scan{there(20), there(20), there(20), there(20), there(20), there(20)}, compare.Stronger, "more often"},
		{"hardly more often", []*compare.Scan{there(20), there(20), gone(), gone(), gone()}, []*compare.Scan{there(20), there(20), there(20), there(20), gone()}, compare.Persisting, ""},
		{"a little stronger, surely", []*compare.Scan{there(20), there(20.1), there(19.9), there(20)}, []*compare.Scan{there(22), there(22.1), there(21.9), there(22)}, compare.Stronger, "110 %"},
		{"surely stronger by less than can be told", slices.Repeat([]*compare.Scan{there(20), there(20.1)}, 5), slices.Repeat([]*compare.Scan{there(20.9), there(21)}, 5), compare.Persisting, "tell"},
		{"a little stronger, perhaps", []*compare.Scan{there(20), there(24), there(17)}, []*compare.Scan{there(22), there(26), there(18)}, compare.Persisting, "no change"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := one(t, c.before, c.after)
			if p.Verdict != c.want || !strings.Contains(p.Why, c.why) {
				t.Errorf("%s: %s; want %s with %q", p.Verdict, p.Why, c.want, c.why)
			}
			if p.FisherP == nil || p.FisherPHolm == nil {
				t.Error("no exact test")
			}
		})
	}
}

func TestTolerance(t *testing.T) {
	before, after := []*compare.Scan{taken(found(detect.Combing, 5, 20))}, []*compare.Scan{taken(found(detect.Combing, 5, 40))}
	for tolerance, want := range map[float64]bool{0: true, 19: true, 21: false} {
		c, err := compare.Compare(before, after, compare.Options{ToleranceJND: tolerance})
		if err != nil {
			t.Fatal(err)
		}
		if c.Regressed != want || c.Pairs[0].Verdict != compare.Stronger {
			t.Errorf("%g JND: regressed %v, %s", tolerance, c.Regressed, c.Pairs[0].Why)
		}
		if said := c.Unchanged(); !want && said != "nothing regressed: what is new or stronger is within the tolerance of 21 JND" {
			t.Errorf("%g JND: %s", tolerance, said)
		}
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		if _, err := compare.Compare(before, after, compare.Options{ToleranceJND: bad}); err == nil {
			t.Errorf("a tolerance of %g was taken", bad)
		}
	}
	if _, err := compare.Compare(nil, after, compare.Options{}); err == nil {
		t.Error("a side without a scan was taken")
	}
}

// What the source has or the camera made is no regress of the set.
func TestOrigin(t *testing.T) {
	by := func(origin string) *compare.Scan {
		return with(taken(found(detect.Combing, 5, 20)), func(d *report.Findings) { d.Findings[0].Origin.Verdict = origin })
	}
	for origin, want := range map[string]compare.Verdict{"set": compare.New, "undetermined": compare.New, "source": compare.New, "capture": compare.NotComparable} {
		c, err := compare.Compare([]*compare.Scan{taken()}, []*compare.Scan{by(origin)}, compare.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if p := c.Pairs[0]; p.Verdict != want || c.Regressed != (origin == "set" || origin == "undetermined") {
			t.Errorf("%s: %s, regressed %v", origin, p.Verdict, c.Regressed)
		}
		said := map[string]string{"source": "nothing regressed: what is new or stronger is in the source", "capture": "nothing is new or stronger"}[origin]
		if !c.Regressed && c.Unchanged() != said {
			t.Errorf("%s: %s", origin, c.Unchanged())
		}
	}
}

// The whole of a kind: three faults that each lost about two fifths.
func TestOverall(t *testing.T) {
	const kind = detect.NearBlackBanding
	before := taken(found(kind, 2, 10), found(kind, 5, 20), found(kind, 8, 30), found(kind, 11, 30))
	after := taken(found(kind, 2, 6.2), found(kind, 5, 12), found(kind, 8, 19.2))
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Overall) != 1 {
		t.Fatalf("%+v", c.Overall)
	}
	o := c.Overall[0]
	if o.Fixed != 1 || o.Persisting != 3 || o.Change == nil || o.Change.Faults != 3 {
		t.Fatalf("%+v", o)
	}
	// By hand: the geometric mean of 0.62, 0.6 and 0.64.
	want := 100 * (math.Cbrt(0.62*0.6*0.64) - 1)
	if math.Abs(o.Change.Percent-want) > 0.01 || !(o.Change.Low < want && want < o.Change.High && o.Change.High < 0) {
		t.Errorf("%+v, want %g", o.Change, want)
	}
	if !strings.HasPrefix(o.Words, "Near-black banding in JND down 38 % (95 % interval ") || !strings.HasSuffix(o.Words, "; 1 fixed") {
		t.Error(o.Words)
	}
}

// Two faults of which one doubled and the other stayed have no change in common.
func TestNoOverall(t *testing.T) {
	c, err := compare.Compare([]*compare.Scan{taken(found(detect.Combing, 2, 10), found(detect.Combing, 8, 10), found(detect.Ghost, 5, 30))},
		[]*compare.Scan{taken(found(detect.Combing, 2, 20), found(detect.Combing, 8, 10))}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if o := c.Overall[0]; o.Change != nil || !strings.Contains(o.Words, "too different") {
		t.Errorf("%+v", o)
	}
	if o := c.Overall[1]; o.Words != "Ghost: 1 fixed" {
		t.Error(o.Words)
	}
}

func TestCoverageAndSettings(t *testing.T) {
	before := with(taken(), func(d *report.Findings) { d.Conditions.Settings = map[string]string{"film": "on", "set": "prototype"} })
	after := with(taken(), func(d *report.Findings) {
		d.Conditions.Settings = map[string]string{"film": "off", "set": "prototype", "firmware": "2"}
		d.Coverage[1] = report.Coverage{Kind: detect.Ghost, State: detect.NotExaminable, Why: "nothing moves"}
	})
	c, err := compare.Compare([]*compare.Scan{before}, []*compare.Scan{after}, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(c.Settings); got != "[{film [on] [off]} {firmware [] [2]}]" {
		t.Error(got)
	}
	if len(c.Warnings) > 0 && strings.Contains(strings.Join(c.Warnings, " "), "differ in the setting") {
		t.Errorf("%q", c.Warnings)
	}
	if c, err := compare.Compare([]*compare.Scan{before, after}, []*compare.Scan{after}, compare.Options{}); err != nil || !strings.Contains(strings.Join(c.Warnings, " "), "differ in the setting film") {
		t.Errorf("%v: %+v", err, c)
	}
	if !c.Coverage[1].Differs || c.Coverage[0].Differs || !strings.Contains(c.Coverage[1].Words, "fixed") {
		t.Errorf("%+v", c.Coverage[:2])
	}
}

// What was written is read again, to the byte.
func TestRoundTrip(t *testing.T) {
	c, err := compare.Compare([]*compare.Scan{taken(found(detect.Combing, 5, 20), found(detect.Ghost, 7, 20)), taken(found(detect.Combing, 5, 22))},
		[]*compare.Scan{taken(found(detect.Combing, 5, 50)), taken(found(detect.Macroblocking, 9, 5))}, compare.Options{Version: "0.0.0-test"})
	if err != nil {
		t.Fatal(err)
	}
	var b, again bytes.Buffer
	if err := compare.Encode(&b, c); err != nil {
		t.Fatal(err)
	}
	d, err := compare.Decode(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if err := compare.Encode(&again, d); err != nil || again.String() != b.String() {
		t.Errorf("%v: another document", err)
	}
}

func FuzzDecode(f *testing.F) {
	c, err := compare.Compare([]*compare.Scan{taken(found(detect.Combing, 5, 20), found(detect.Ghost, 7, 60))}, []*compare.Scan{taken(found(detect.Combing, 5, 50))}, compare.Options{Version: "0.0.0-test"})
	if err != nil {
		f.Fatal(err)
	}
	var b bytes.Buffer
	if err := compare.Encode(&b, c); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	for _, change := range [][2]string{{`"seen": 1`, `"seen": 2`}, {`"regressed": true`, `"regressed": false`}, {`"verdict": "stronger"`, `"verdict": "worse"`}, {`"pass": 0`, `"pass": 7`}} {
		f.Add([]byte(strings.Replace(b.String(), change[0], change[1], 1)))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := compare.Decode(bytes.NewReader(b))
		if err != nil {
			return
		}
		// What is read can be written and read again.
		var out bytes.Buffer
		if err := compare.Encode(&out, c); err != nil {
			t.Fatal(err)
		}
		if _, err := compare.Decode(&out); err != nil {
			t.Fatal(err)
		}
	})
}

// What does not fit is refused with a reason.
func TestRefused(t *testing.T) {
	c, err := compare.Compare([]*compare.Scan{taken(found(detect.Combing, 5, 20))}, []*compare.Scan{taken(found(detect.Combing, 5, 50))}, compare.Options{Version: "0.0.0-test"})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := compare.Encode(&b, c); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []struct{ old, new, reason string }{
		{`"seen": 1`, `"seen": 2`, "seen in 2 of 1"},
		{`"regressed": true`, `"regressed": false`, "whether something regressed"},
		{`"verdict": "stronger"`, `"verdict": "worse"`, "value must be one of"},
		{`"verdict": "stronger"`, `"verdict": "weaker"`, "has not regressed"},
		{`"pass": 0`, `"pass": 7`, "there is no pass 7"},
		{`"id": "p001"`, `"id": "x"`, "pattern"},
		{`"why"`, `"wy"`, "unknown field"},
		{compare.SchemaName, "something.else/1", "this program reads"},
		{`"start_s": 5`, `"start_s": 9`, "runs from 9"},
	} {
		if _, err := compare.Decode(strings.NewReader(strings.Replace(b.String(), bad.old, bad.new, 1))); err == nil || !strings.Contains(err.Error(), bad.reason) {
			t.Errorf("%s: %v, want %q", bad.new, err, bad.reason)
		}
	}
	if _, err := compare.Load(t.TempDir()); err == nil || !strings.Contains(err.Error(), "findings.json") {
		t.Errorf("an empty folder: %v", err)
	}
	if _, err := compare.Load("nowhere"); err == nil || !strings.Contains(err.Error(), "no such folder") {
		t.Errorf("no folder: %v", err)
	}
}
