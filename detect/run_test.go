package detect

import (
	"context"
	"errors"
	"image"
	"io"
	"math"
	"os/exec"
	"strings"
	"testing"
	"time"

	"setwitness/decode/picture"
)

// reel yields n empty pictures at 50 a second and counts what comes back.
type reel struct {
	n, i, out int
	most      int
	fail      error
	at        int
	damaged   int // a picture
	trust     []float64
}

func (r *reel) Format() picture.Format {
	return picture.Format{W: 320, H: 180, Depth: 8, RateNum: 50, RateDen: 1}
}

func (r *reel) Next(context.Context) (*picture.Picture, error) {
	if r.fail != nil && r.i == r.at {
		return nil, r.fail
	}
	if r.i == r.n {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: r.i, Time: time.Duration(r.i) * 20 * time.Millisecond}
	p.Damaged = r.damaged > 0 && r.i == r.damaged
	if p.Trust = r.trust; r.trust != nil {
		p.Y = picture.New(320, 180, 8)
	}
	p.SetRelease(func() { r.out-- })
	r.i++
	r.out++
	r.most = max(r.most, r.out)
	return p, nil
}

type stepper struct {
	step     func(*Window) error
	coverage Coverage
}

func (s stepper) Step(w *Window) error { return s.step(w) }
func (s stepper) Coverage() Coverage   { return s.coverage }

func stage(name string, kind Kind, back, ahead int, step func(*Window) error, needs ...Need) *Stage {
	return &Stage{Name: name, Title: "t", Doc: "d", Kind: kind, Back: back, Ahead: ahead, Needs: needs,
		New: func(*Setup) (State, error) { return stepper{step, Coverage{Kind: kind, State: Examined}}, nil }}
}

func nothing(*Window) error { return nil }

func TestValidate(t *testing.T) {
	a := stage("a", "", 0, 0, nothing)
	b := stage("b", "", 0, 0, nothing, Need{Stage: a})
	bad := stage("c", "", 0, 0, nothing)
	bad.Options = []Option{{Name: "x", Default: 5, Min: 0, Max: 1, Reason: "r"}}
	for _, c := range []struct {
		name   string
		stages []*Stage
		want   string
	}{
		{"in order", []*Stage{a, b}, ""},
		{"need comes later", []*Stage{b, a}, "not listed before"},
		{"twice", []*Stage{a, a}, "twice"},
		{"no name", []*Stage{stage("", "", 0, 0, nothing)}, "no name"},
		{"negative window", []*Stage{stage("n", "", -1, 0, nothing)}, "negative"},
		{"default out of range", []*Stage{bad}, "range"},
		{"no constructor", []*Stage{{Name: "x", Title: "t", Doc: "d"}}, "constructor"},
	} {
		err := Validate(c.stages)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// Every stage steps once at every picture, in order, and sees its neighbours
// and only them; all pictures are given back; memory follows the windows.
func TestWindows(t *testing.T) {
	for _, n := range []int{0, 1, 2, 5, 40} {
		var steps []int
		measure := stage("measure", "", 0, 0, nothing)
		look := stage("look", Ghost, 2, 3, func(w *Window) error {
			steps = append(steps, w.T)
			for i := w.T - 2; i <= w.T+3; i++ {
				p := w.Picture(i)
				if (p != nil) != (i >= 0 && i < n) || p != nil && p.Index != i {
					t.Errorf("%d pictures: at %d, picture %d is %v", n, w.T, i, p)
				}
			}
			if last := w.T == n-1; w.Last() != last {
				t.Errorf("%d pictures: at %d, last is %v", n, w.T, !last)
			}
			return nil
		}, Need{Stage: measure, Back: 1, Ahead: 4})
		look.Reads = true
		// What others wait for does not keep a picture's samples.
		late := stage("late", "", 0, 0, func(w *Window) error {
			if at := time.Duration(w.T) * 20 * time.Millisecond; w.Time() != at {
				t.Errorf("picture %d at %v, want %v", w.T, w.Time(), at)
			}
			return nil
		}, Need{Stage: measure, Back: 3, Ahead: 25})
		r := &reel{n: n}
		res, err := Run(context.Background(), r, []*Stage{measure, look, late}, nil, nil)
		if err != nil || res.Pictures != n || len(steps) != n {
			t.Fatalf("%d pictures: %d read, %d steps, %v", n, res.Pictures, len(steps), err)
		}
		for i, s := range steps {
			if s != i {
				t.Errorf("step %d at picture %d", i, s)
			}
		}
		if r.out != 0 {
			t.Errorf("%d pictures not given back", r.out)
		}
		if r.most > 2+4+1+1 {
			t.Errorf("%d pictures held at once", r.most)
		}
	}
}

func mustPanic(t *testing.T, what string, f func()) {
	t.Helper()
	defer func() {
		if recover() == nil {
			t.Errorf("%s does not panic", what)
		}
	}()
	f()
}

func TestProgrammingErrorsPanic(t *testing.T) {
	other := stage("other", "", 0, 0, nothing)
	far := stage("a", "", 1, 0, func(w *Window) error { w.Picture(w.T - 2); return nil })
	far.Reads = true
	for what, s := range map[string]*Stage{
		"reading outside the window": far,
		"reading undeclared":         stage("a", "", 1, 0, func(w *Window) error { w.Picture(w.T); return nil }),
		"not waiting for the next":   stage("a", "", 1, 0, func(w *Window) error { w.Last(); return nil }),
		"a mark of another kind":     stage("a", Ghost, 0, 0, func(w *Window) error { w.Mark(Mark{Kind: Combing}); return nil }),
		"an undeclared need": {Name: "a", Title: "t", Doc: "d", New: func(s *Setup) (State, error) {
			s.Needed(other)
			return nil, nil
		}},
	} {
		mustPanic(t, what, func() { _, _ = Run(context.Background(), &reel{n: 3}, []*Stage{other, s}, nil, nil) })
	}
}

func TestFailuresKeepResults(t *testing.T) {
	marks := stage("marks", Ghost, 0, 2, func(w *Window) error {
		if w.T == 5 {
			w.Mark(Mark{Kind: Ghost, Picture: 5, Region: image.Rect(0, 0, 9, 9), Strength: 30, Confidence: 0.99})
		}
		return nil
	})
	broken := errors.New("broken")
	res, err := Run(context.Background(), &reel{n: 20, fail: broken, at: 6}, []*Stage{marks}, nil, nil)
	if !errors.Is(err, broken) || len(res.Events) != 1 || res.Pictures != 6 {
		t.Errorf("source fails: %d events of %d pictures, %v", len(res.Events), res.Pictures, err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	res, err = Run(ctx, &reel{n: 20}, []*Stage{marks}, nil, func(p *picture.Picture) {
		if p.Index == 9 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) || len(res.Events) != 1 || res.Pictures != 10 {
		t.Errorf("cancelled: %d events of %d pictures, %v", len(res.Events), res.Pictures, err)
	}
	failing := stage("failing", Ghost, 0, 0, func(w *Window) error {
		if w.T == 3 {
			return broken
		}
		return nil
	})
	_, err = Run(context.Background(), &reel{n: 9}, []*Stage{failing}, nil, nil)
	if err == nil || !strings.Contains(err.Error(), "picture 3 at 0.060 s: stage failing") {
		t.Errorf("a stage fails: %v", err)
	}
	// The same after the last picture was read, where stages that look ahead
	// are still at work.
	failing.Ahead = 8
	if _, err = Run(context.Background(), &reel{n: 9}, []*Stage{failing}, nil, nil); !errors.Is(err, broken) {
		t.Errorf("a stage fails at the end: %v", err)
	}
}

func TestOptions(t *testing.T) {
	var got float64
	s := &Stage{Name: "s", Title: "t", Doc: "d",
		Options: []Option{{Name: "o", Default: 2, Min: 1, Max: 3, Reason: "r"}},
		New: func(s *Setup) (State, error) {
			got = s.Option("o")
			return stepper{step: nothing}, nil
		}}
	for _, c := range []struct {
		set  map[string]float64
		want float64
		ok   bool
	}{
		{nil, 2, true}, {map[string]float64{"s.o": 3}, 3, true},
		{map[string]float64{"s.o": 4}, 0, false}, {map[string]float64{"s.x": 1}, 0, false},
	} {
		got = 0
		_, err := Run(context.Background(), &reel{n: 1}, []*Stage{s}, c.set, nil)
		if (err == nil) != c.ok || got != c.want {
			t.Errorf("%v: %g, %v", c.set, got, err)
		}
	}
}

// Whether a picture of which most was not seen alone repeats another, nobody
// knows.
func TestDoubtIsNoBreak(t *testing.T) {
	for _, c := range []struct {
		trust []float64
		want  int
	}{{nil, 1}, {[]float64{0, 1, 1}, 1}, {[]float64{0, 0, 1}, 0}} {
		s := stage("s", CadenceBreak, 0, 1, func(w *Window) error {
			if w.Last() {
				w.Mark(Mark{Kind: CadenceBreak, Picture: 20, Region: image.Rect(0, 0, 320, 180), Strength: 1, Confidence: 0.9})
			}
			return nil
		})
		res, err := Run(context.Background(), &reel{n: 100, trust: c.trust}, []*Stage{s}, nil, nil)
		if err != nil || len(res.Events) != c.want {
			t.Errorf("trust %v: %d events, %v; want %d", c.trust, len(res.Events), err, c.want)
		}
	}
}

// What rows show that belong to no single picture is no fault of the kinds that
// are told from single pictures; contours and blocks are, all the same.
func TestDoubtedRows(t *testing.T) {
	for kind, want := range map[Kind]int{
		Combing: 0, Ghost: 0, CadenceBreak: 0, NearBlackBanding: 1, Macroblocking: 1, Posterisation: 1,
	} {
		s := stage("s", kind, 0, 0, func(w *Window) error {
			w.Mark(Mark{Kind: kind, Picture: w.T, Region: image.Rect(0, 0, 320, 180), Strength: 1, Confidence: 0.9})
			return nil
		})
		res, err := Run(context.Background(), &reel{n: 10, trust: []float64{0, 0, 0}}, []*Stage{s}, nil, nil)
		if err != nil || len(res.Events) != want {
			t.Errorf("%s: %d events, %v; want %d", kind, len(res.Events), err, want)
		}
	}
}

// Where the file lost data a decoder shows a picture again: no break of the
// set's. A comb is none of a decoder's makings. The mark comes late.
func TestDamageIsNoBreak(t *testing.T) {
	for kind, want := range map[Kind]int{CadenceBreak: 1, Combing: 2} {
		s := stage("s", kind, 0, 1, func(w *Window) error {
			for _, at := range []int{20, 90} {
				if w.Last() {
					w.Mark(Mark{Kind: kind, Picture: at, Region: image.Rect(0, 0, 320, 180), Strength: 1, Confidence: 0.9})
				}
			}
			return nil
		})
		res, err := Run(context.Background(), &reel{n: 100, damaged: 19}, []*Stage{s}, nil, nil)
		if err != nil || len(res.Events) != want {
			t.Errorf("%s: %d events, %v; want %d", kind, len(res.Events), err, want)
		}
	}
}

func TestJoining(t *testing.T) {
	box := func(x int) image.Rectangle { return image.Rect(x, 50, x+20, 70) }
	m := func(i, x int, c float64) Mark {
		return Mark{Kind: Ghost, Picture: i, Region: box(x), Strength: 25, Confidence: c}
	}
	for _, c := range []struct {
		name  string
		marks []Mark
		want  [][2]int
	}{
		{"a burst is one", []Mark{m(10, 100, .9), m(11, 110, .9), m(12, 120, .9), m(13, 130, .8), m(14, 140, .9)}, [][2]int{{10, 14}}},
		{"a gap of a few pictures is bridged", []Mark{m(10, 100, .9), m(18, 130, .9)}, [][2]int{{10, 18}}},
		{"three seconds later is another", []Mark{m(10, 100, .99), m(160, 100, .99)}, [][2]int{{10, 10}, {160, 160}}},
		{"an earlier fault left late", []Mark{m(90, 100, .9), m(91, 100, .9), m(10, 100, .9), m(11, 100, .9)}, [][2]int{{10, 11}, {90, 91}}},
		{"another kind's later mark ends nothing", []Mark{m(10, 100, .9), m(11, 100, .9), {Kind: Combing, Picture: 45, Region: box(100), Strength: 9, Confidence: .3}, m(12, 100, .9)}, [][2]int{{10, 12}}},
		{"weak marks extend", []Mark{m(10, 100, .3), m(11, 110, .9), m(12, 120, .4)}, [][2]int{{10, 12}}},
		{"what is refuted extends nothing", []Mark{m(8, 100, .01), m(10, 100, .9), m(11, 110, .9), m(13, 120, 0)}, [][2]int{{10, 11}}},
		{"a lone picture has to be sure", []Mark{m(10, 100, .9)}, nil},
		{"two that are not sure are one", []Mark{m(10, 100, .75), m(11, 110, .75)}, [][2]int{{10, 11}}},
		{"weak marks alone are none", []Mark{m(10, 100, .3), m(11, 110, .45)}, nil},
		{"far apart and long apart in length", []Mark{m(10, 10, .9), m(11, 10, .9), m(90, 290, .99)}, [][2]int{{10, 11}, {90, 90}}},
		{"a lone picture elsewhere in two bursts", []Mark{m(10, 0, .9), m(11, 10, .9), m(11, 280, .99), m(31, 10, .9), m(52, 10, .9), m(53, 10, .9)}, [][2]int{{10, 53}}},
		{"the same pictures in two places are one fault", []Mark{m(10, 0, .9), m(10, 280, .9), m(11, 0, .9), m(11, 280, .9)}, [][2]int{{10, 11}}},
	} {
		j := newJoiner((&reel{}).Format())
		for _, mark := range c.marks {
			j.add(mark)
		}
		var got [][2]int
		for _, e := range j.finish() {
			got = append(got, [2]int{e.Start, e.End})
			if e.Confidence < 0.5 || e.Confidence > 1 {
				t.Errorf("%s: confidence %g", c.name, e.Confidence)
			}
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: %v, want %v", c.name, got, c.want)
			}
		}
	}
}

func TestCombsExplainGhosts(t *testing.T) {
	for _, c := range []struct {
		name        string
		ghostEnd, x int
		want        int
	}{
		{"in the comb", 14, 100, 1}, {"elsewhere", 14, 250, 2}, {"outlasts it", 40, 100, 2},
	} {
		j := newJoiner((&reel{}).Format())
		for i := 10; i <= c.ghostEnd; i++ {
			if i <= 14 {
				j.add(Mark{Kind: Combing, Picture: i, Region: image.Rect(100, 50, 120, 70), Strength: 10, Confidence: 0.9})
			}
			j.add(Mark{Kind: Ghost, Picture: i, Region: image.Rect(c.x, 50, c.x+20, 70), Strength: 30, Confidence: 0.9})
		}
		if got := j.finish(); len(got) != c.want {
			t.Errorf("%s: %d events, want %d", c.name, len(got), c.want)
		}
	}
}

// A comb that shows in one picture of a burst, where the ghost it makes shows in all of
// them, is told of all of them.
func TestCombTakesItsGhostsExtent(t *testing.T) {
	j := newJoiner((&reel{}).Format())
	for i := 10; i <= 15; i++ {
		j.add(Mark{Kind: Ghost, Picture: i, Region: image.Rect(100, 50, 160, 70), Strength: 48, Confidence: 0.9})
		if i >= 12 && i <= 14 {
			j.add(Mark{Kind: Combing, Picture: i, Region: image.Rect(140, 50, 180, 90), Strength: 30, Confidence: 0.9})
		}
	}
	got := j.finish()
	if len(got) != 1 || got[0].Kind != Combing || got[0].Start != 10 || got[0].End != 15 ||
		got[0].Region != image.Rect(100, 50, 180, 90) || got[0].PeakRegion != image.Rect(140, 50, 180, 90) {
		t.Errorf("%+v", got)
	}
}

func TestMixturesExplainBreaks(t *testing.T) {
	for _, c := range []struct {
		name       string
		kind       Kind
		at, end, x int
		want       int
	}{
		{"where it begins", Ghost, 10, 10, 100, 1}, {"and a picture early", Combing, 9, 10, 100, 1},
		{"where it ends", Combing, 15, 15, 100, 1},
		{"in it", Ghost, 12, 12, 100, 2}, {"elsewhere", Ghost, 10, 10, 250, 2}, {"later", Ghost, 20, 20, 100, 2},
		{"it lasts", Ghost, 10, 14, 100, 2}, {"where it begins again", Ghost, 24, 24, 100, 1},
	} {
		j := newJoiner((&reel{}).Format())
		for i := 9; i <= 30; i++ {
			if i >= 10 && i <= 14 || i >= 24 && i <= 26 {
				j.add(Mark{Kind: c.kind, Picture: i, Region: image.Rect(100, 50, 120, 70), Strength: 30, Confidence: 0.9})
			}
			if i >= c.at && i <= c.end {
				j.add(Mark{Kind: CadenceBreak, Picture: i, Region: image.Rect(c.x, 50, c.x+20, 70), Strength: 1, Confidence: 0.9})
			}
		}
		if got := j.finish(); len(got) != c.want {
			t.Errorf("%s: %d events, want %d", c.name, len(got), c.want)
		}
	}
}

func TestKindsHaveUnits(t *testing.T) {
	for _, k := range Kinds {
		if k.Unit() == "" {
			t.Errorf("%s has no unit", k)
		}
	}
	mustPanic(t, "an unknown kind", func() { Kind("x").Unit() })
}

// The native bindings stay behind decode, and what lies to the left never
// knows what lies to the right.
func TestImports(t *testing.T) {
	for _, c := range []struct {
		of     string
		banned []string
	}{
		{"../detect/...", []string{"go-astiav", "gocv.io", "setwitness/report", "setwitness/cmd"}},
		{"../report/...", []string{"go-astiav", "gocv.io", "setwitness/cmd"}},
		{"../decode/...", []string{"setwitness/detect", "setwitness/report", "setwitness/cmd"}},
	} {
		out, err := exec.Command("go", "list", "-deps", c.of).Output()
		if err != nil {
			t.Fatalf("go list %s: %v", c.of, err)
		}
		for _, line := range strings.Fields(string(out)) {
			for _, b := range c.banned {
				if strings.Contains(line, b) {
					t.Errorf("%s imports %s", c.of, line)
				}
			}
		}
	}
}

// A kind of which something was found is not said to be out of reach.
func TestFoundIsCovered(t *testing.T) {
	for _, c := range []struct {
		found bool
		want  CoverageState
	}{{false, NotExaminable}, {true, Limited}} {
		s := stage("a", Ghost, 0, 0, nothing)
		s.New = func(*Setup) (State, error) {
			return stepper{func(w *Window) error {
				if c.found && w.T >= 10 && w.T < 15 {
					w.Mark(Mark{Kind: Ghost, Picture: w.T, Region: image.Rect(0, 0, 320, 180), Strength: 30, Confidence: 0.9})
				}
				return nil
			}, Coverage{Kind: Ghost, State: NotExaminable, Why: "nothing moves"}}, nil
		}
		res, err := Run(context.Background(), &reel{n: 50}, []*Stage{s}, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		got := res.Coverage[0]
		if got.State != c.want || !strings.HasSuffix(got.Why, "nothing moves") || c.found != (math.Abs(got.Seconds-0.1) < 1e-9) {
			t.Errorf("found %v: %+v", c.found, got)
		}
	}
}

// counted notes which pictures are asked for.
type counted map[int]int

func (c counted) Keep(i int) { c[i]++ }
func (c counted) Drop(i int) {
	if c[i]--; c[i] == 0 {
		delete(c, i)
	}
}

// Where events are strongest is kept, as they grow, join and turn out too unsure, and
// nothing else is.
func TestPeaksAreKept(t *testing.T) {
	left, right, all := image.Rect(0, 0, 40, 40), image.Rect(250, 0, 290, 40), image.Rect(0, 0, 290, 40)
	j := newJoiner((&reel{}).Format())
	kept := counted{}
	j.keeper = kept
	add := func(picture int, r image.Rectangle, strength, confidence float64) {
		j.add(Mark{Kind: Ghost, Picture: picture, Region: r, Strength: strength, Confidence: confidence})
	}
	expect := func(when string, want ...int) {
		t.Helper()
		if len(kept) != len(want) {
			t.Errorf("%s: %v are kept, want %v", when, kept, want)
		}
		for _, i := range want {
			if kept[i] != 1 {
				t.Errorf("%s: %v are kept, want %v", when, kept, want)
			}
		}
	}
	add(10, left, 0.2, 0.9)
	expect("one mark", 10)
	add(11, left, 0.4, 0.9)
	add(12, left, 0.1, 0.9)
	expect("stronger", 11)
	add(12, right, 0.3, 0.9)
	expect("elsewhere", 11, 12)
	add(13, all, 0.1, 0.9)
	expect("joined", 11)
	add(200, left, 0.4, 0.3)
	expect("unsure", 11, 200)
	add(300, left, 0.4, 0.9)
	add(301, left, 0.3, 0.9)
	expect("later", 11, 300)
	for _, e := range j.finish() {
		if kept[e.Peak] != 1 {
			t.Errorf("the peak of an event, %d, is not kept: %v", e.Peak, kept)
		}
	}
}
