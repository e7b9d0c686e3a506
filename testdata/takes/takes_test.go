package takes

import (
	"context"
	"errors"
	"image"
	"io"
	"reflect"
	"strings"
	"testing"

	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

func ball(diameter, speed, level float64) scene.Ball {
	return scene.Ball{Diameter: diameter, Speed: speed, Level: level}
}

// The catalogue is what it promises to be: enough takes of each sort, names
// that can be told apart, truths that lie within their takes.
func TestCatalogue(t *testing.T) {
	names := map[string]bool{}
	kinds := map[detect.Kind]int{}
	likes := map[string]bool{}
	negatives := 0
	for _, k := range All(1) {
		if names[k.Name] {
			t.Errorf("two takes are called %s", k.Name)
		}
		names[k.Name] = true
		if k.Frames < 25 || k.Format.Rate() == 0 || k.Format.Depth < 8 {
			t.Errorf("%s: %d pictures, format %+v", k.Name, k.Frames, k.Format)
		}
		if (len(k.Truth) == 0) != (k.Negative != "") {
			t.Errorf("%s has %d faults and looks like %q", k.Name, len(k.Truth), k.Negative)
		}
		if k.Negative != "" {
			negatives++
			if likes[k.Negative] {
				t.Errorf("%s: another take looks like %q", k.Name, k.Negative)
			}
			likes[k.Negative] = true
		}
		for _, f := range k.Truth {
			kinds[f.Kind]++
			all := image.Rect(0, 0, k.Format.W, k.Format.H)
			if f.First < 0 || f.Last >= k.Frames || f.First > f.Last || f.Region.Empty() || !f.Region.In(all) {
				t.Errorf("%s: fault in pictures %d to %d of %d at %v", k.Name, f.First, f.Last, k.Frames, f.Region)
			}
		}
	}
	if kinds[detect.Combing] < 15 || kinds[detect.Ghost] < 15 || kinds[detect.CadenceBreak] < 10 || negatives < 40 {
		t.Errorf("faults %v, %d without", kinds, negatives)
	}
}

// Every take's pictures are of its format; a take of one seed is always the
// same and one of another seed is not.
func TestPictures(t *testing.T) {
	pick := []string{"comb-ball-dark", "ghost-convert-50-to-60", "comb-scaled-576-to-1080", "cadence-drop-two", "clean-dither"}
	for _, name := range pick {
		a, ok := Named(1, name)
		b, _ := Named(1, name)
		c, _ := Named(2, name)
		if !ok {
			t.Fatalf("no take %s", name)
		}
		p, q := a.Picture(3), b.Picture(3)
		if err := p.Y.Check(); err != nil || p.Y.W != a.Format.W || p.Y.H != a.Format.H || p.Y.Depth != a.Format.Depth {
			t.Errorf("%s: plane %dx%d of %d bits, %v", name, p.Y.W, p.Y.H, p.Y.Depth, err)
		}
		if p.Index != 3 || p.Time != when(a.Format, 3) {
			t.Errorf("%s: picture 3 is %d at %v", name, p.Index, p.Time)
		}
		if !reflect.DeepEqual(p.Y, q.Y) {
			t.Errorf("%s: one seed gives two pictures", name)
		}
		if reflect.DeepEqual(p.Y, c.Picture(3).Y) {
			t.Errorf("%s: two seeds give one picture", name)
		}
	}
}

// A local fault changes its region in its pictures and nothing else: the same
// scene without it is what the fault was made from.
func TestFaultsAreWhereTheySay(t *testing.T) {
	for _, name := range []string{"comb-ball-foliage", "ghost-three-25-50-25"} {
		k, _ := Named(1, name)
		f := k.Truth[0]
		m := maker{seed: 1}
		clean := map[string]func() Take{
			"comb-ball-foliage": func() Take {
				return from("", play(toss(m.middle(8), surface("foliage"), ball(56, 18, 215), 45), 75))
			},
			"ghost-three-25-50-25": func() Take { return from("", play(toss(m.small(41), wall(90), ball(40, 16, 205), 45), 75)) },
		}[name]()
		for i := f.First - 2; i <= f.Last+2; i++ {
			a, b := k.Picture(i).Y, clean.Picture(i).Y
			var changed image.Rectangle
			for y := range a.H {
				for x := range a.W {
					if a.At(x, y) != b.At(x, y) {
						changed = changed.Union(image.Rect(x, y, x+1, y+1))
					}
				}
			}
			if in := i >= f.First && i <= f.Last; in == changed.Empty() || !changed.In(f.Region) {
				t.Errorf("%s picture %d: changed %v, fault in %d to %d at %v", name, i, changed, f.First, f.Last, f.Region)
			}
		}
	}
}

func TestSource(t *testing.T) {
	k, _ := Named(1, "clean-still")
	k.Frames = 3
	s := k.Source()
	for i := range 3 {
		p, err := s.Next(context.Background())
		if err != nil || p.Index != i {
			t.Fatalf("picture %d: %v", i, err)
		}
	}
	if _, err := s.Next(context.Background()); !errors.Is(err, io.EOF) {
		t.Errorf("after the last picture: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := k.Source().Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func TestScore(t *testing.T) {
	k := Take{Frames: 200}
	k.Format.RateNum, k.Format.RateDen = 50, 1
	here, there := image.Rect(100, 100, 200, 200), image.Rect(400, 100, 500, 200)
	k.Truth = []faults.Truth{
		{Kind: detect.Combing, First: 50, Last: 54, Region: here},
		{Kind: detect.Ghost, Or: []detect.Kind{detect.Combing}, First: 120, Last: 124, Region: here},
	}
	event := func(kind detect.Kind, start, end int, r image.Rectangle) detect.Event {
		return detect.Event{Kind: kind, Start: start, End: end, Region: r}
	}
	for _, c := range []struct {
		name                      string
		events                    []detect.Event
		hits, misses, made, again int
	}{
		{"nothing found", nil, 0, 2, 0, 0},
		{"both", []detect.Event{event(detect.Combing, 51, 54, here), event(detect.Ghost, 120, 123, here)}, 2, 0, 0, 0},
		{"the other name", []detect.Event{event(detect.Combing, 50, 54, here), event(detect.Combing, 119, 123, here)}, 2, 0, 0, 0},
		{"wrong kind", []detect.Event{event(detect.Ghost, 50, 54, here)}, 0, 2, 1, 0},
		{"wrong place", []detect.Event{event(detect.Combing, 50, 54, there)}, 0, 2, 1, 0},
		{"at the limit", []detect.Event{event(detect.Combing, 60, 61, here)}, 1, 1, 0, 0},
		{"too late", []detect.Event{event(detect.Combing, 65, 70, here)}, 0, 2, 1, 0},
		{"too early", []detect.Event{event(detect.Combing, 39, 54, here)}, 0, 2, 1, 0},
		{"in pieces", []detect.Event{event(detect.Combing, 50, 51, here), event(detect.Combing, 54, 54, here)}, 1, 1, 0, 1},
	} {
		o := k.Score(c.events)
		again := 0
		for _, h := range o.Hits {
			again += len(h.Again)
		}
		if len(o.Hits) != c.hits || len(o.Misses) != c.misses || len(o.False) != c.made || again != c.again {
			t.Errorf("%s: %d hits, %d misses, %d false, %d again; want %d, %d, %d, %d", c.name,
				len(o.Hits), len(o.Misses), len(o.False), again, c.hits, c.misses, c.made, c.again)
		}
	}
}

// Names say what a take is.
func TestNames(t *testing.T) {
	for _, k := range All(3) {
		want := map[bool]string{true: "clean-", false: ""}[k.Negative != ""]
		if want == "" {
			want = map[detect.Kind]string{detect.Combing: "comb-", detect.Ghost: "ghost-", detect.CadenceBreak: "cadence-"}[k.Truth[0].Kind]
			// What is woven and scaled away is a ghost by its looks.
			if strings.HasPrefix(k.Name, "comb-scaled") {
				want = "comb-"
			}
		}
		if !strings.HasPrefix(k.Name, want) {
			t.Errorf("%s should begin with %s", k.Name, want)
		}
	}
}
