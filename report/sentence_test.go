package report

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"setwitness/detect"
)

// direct is a document of a direct take of 1080 lines whose frames are its
// pictures.
func direct() *Findings {
	return &Findings{Take: Take{Width: 1920, Height: 1080}, View: View{Kind: "direct", Raster: Raster{1920, 1080}}}
}

func TestSentence(t *testing.T) {
	left := Region{X: 0.05, Y: 0.4, W: 0.1, H: 0.2}
	all := Region{X: 0, Y: 0, W: 1, H: 1}
	source := 3.2
	screen := func(d *Findings) { d.View.Kind = "screen" }
	for _, c := range []struct {
		name string
		n    Finding
		doc  func(*Findings)
		want string
	}{
		{"two copies", Finding{
			Kind: detect.Ghost, StartS: 3.22, PeakS: 3.24, EndS: 3.28, StartFrame: 161, EndFrame: 163, Region: all, PeakRegion: &left,
			Strength: Quantity{34, "%"}, VisibilityJND: 24.4, Origin: Origin{Verdict: "set"}, SourceS: &source,
			Measures: map[string]float64{"ahead_px": 14.02, "behind_px": 14.04, "ahead_pct": 34, "behind_pct": 33.98, "copies": 3},
		}, nil, "At 0:03.24 the moving picture, most of all a thing at the left of it, shows two extra copies, 14 px ahead and behind, 34 % of its contrast, for 3 pictures, obvious (24.4 JND); the source does not have it."},
		{"unequal copies", Finding{
			Kind: detect.Ghost, StartS: 3.24, PeakS: 3.24, EndS: 3.26, StartFrame: 162, EndFrame: 162, Region: left,
			Strength: Quantity{34, "%"}, VisibilityJND: 2, Origin: Origin{Verdict: "source"},
			Measures: map[string]float64{"ahead_px": 14, "behind_px": 9.5, "ahead_pct": 34, "behind_pct": 20},
		}, nil, "At 0:03.24 a moving thing at the left of the picture shows two extra copies, 14 px ahead and 9.5 px behind, up to 34 % of its contrast, for one picture, just visible (2 JND); the source has it too."},
		{"one copy, at an unknown distance", Finding{
			Kind: detect.Ghost, StartS: 1, PeakS: 2.5, EndS: 63.128, Region: all,
			Strength: Quantity{50, "%"}, VisibilityJND: 5, Origin: Origin{Verdict: "undetermined"},
			Measures: map[string]float64{"behind_pct": 50, "period_pictures": 5},
		}, nil, "From 0:01.00 to 1:03.13, strongest at 0:02.50, the moving picture shows an extra copy, behind, 50 % of its contrast, again every 5 pictures, clearly visible (5 JND); whether the set or the source made it is not known."},
		{"bare ghost of a film", Finding{Kind: detect.Ghost, StartS: 1, PeakS: 1.1, EndS: 1.16, Region: left, Strength: Quantity{20, "%"}, Origin: Origin{Verdict: "set"}},
			screen, "At 0:01.10 of the film of the screen, a moving thing at the left of the picture shows copies of itself, 20 % of its contrast, for 0.16 s, below the threshold (0 JND); the set made it."},
		{"comb of scaled lines, with settings", Finding{
			Kind: detect.Combing, StartS: 0.4, PeakS: 0.44, EndS: 0.5, StartFrame: 20, EndFrame: 24, Region: left,
			Strength: Quantity{14.235, "%"}, VisibilityJND: 9.1, Origin: Origin{Verdict: "capture"},
			Measures: map[string]float64{"displacement_px": 6.1235, "pitch_lines": 2.6667, "leading_field": 1},
		}, func(d *Findings) {
			d.Conditions.Settings = map[string]string{"set": "A \n <prototype>\x1b", "film mode": "off"}
		}, "At 0:00.44 a moving thing at the left of the picture is woven from the lines of two instants that lie 6.12 px apart, with an amplitude of 14.2 % of full scale, and repeats every 2.67 lines, for 5 pictures, clearly visible (9.1 JND); the recording made it, not the set; settings: film mode off, set A <prototype>."},
		{"comb in fields", Finding{Kind: detect.Combing, StartS: 0.4, PeakS: 0.44, EndS: 0.5, Region: left, Strength: Quantity{3, "%"}, Measures: map[string]float64{"pitch_lines": 2.001}},
			func(d *Findings) { d.View.Raster.Height = 540 },
			"At 0:00.44 a moving thing at the left of the picture is woven from the lines of two instants, with an amplitude of 3 % of full scale, for 0.1 s, below the threshold (0 JND); whether the set or the source made it is not known."},
		{"a picture shown twice and one lost", Finding{
			Kind: detect.CadenceBreak, StartS: 8, PeakS: 8, EndS: 8.02, Region: all, Strength: Quantity{1, "pictures"}, VisibilityJND: 1,
			Measures: map[string]float64{"pictures_repeated": 1, "pictures_lost": 1, "displacement_before_px": 12, "displacement_px": 24.3},
		}, nil, "At 0:08.00 motion all over the picture stumbles: one picture repeated and one picture lost, so that a step of 12 px becomes one of 24.3 px; whether the set or the source made it is not known."},
		{"half rate", Finding{
			Kind: detect.CadenceBreak, StartS: 8, PeakS: 8, EndS: 20, Region: all, Strength: Quantity{1, "pictures"},
			Measures: map[string]float64{"pictures_repeated": 1, "pictures_lost": 0, "period_pictures": 2},
		}, nil, "From 0:08.00 to 0:20.00, strongest at 0:08.00, motion all over the picture stumbles: one picture repeated, again every 2 pictures; whether the set or the source made it is not known."},
		{"wrong order", Finding{
			Kind: detect.CadenceBreak, StartS: 8, PeakS: 8, EndS: 8.6, Region: all, Strength: Quantity{30, "pictures"},
			Measures: map[string]float64{"pictures_out_of_order": 30, "displacement_back_px": 7},
		}, nil, "At 0:08.00 motion all over the picture stumbles: 30 pictures shown in the wrong order, each two in place of each other, so that every second step goes 7 px back; whether the set or the source made it is not known."},
		{"lost, no more is known", Finding{Kind: detect.CadenceBreak, Region: all, Strength: Quantity{2, "pictures"}}, nil,
			"At 0:00.00 motion all over the picture stumbles: 2 pictures lost or repeated; whether the set or the source made it is not known."},
		{"lost", Finding{Kind: detect.CadenceBreak, EndFrame: 5, Region: all, Strength: Quantity{2, "pictures"}, Measures: map[string]float64{"pictures_lost": 2}}, nil,
			"At 0:00.00 motion all over the picture stumbles: 2 pictures lost, within 6 pictures; whether the set or the source made it is not known."},
		{"banding", Finding{
			Kind: detect.NearBlackBanding, EndS: 2, Region: Region{X: 0, Y: 0.7, W: 1, H: 0.3}, Strength: Quantity{2.4, "JND"}, VisibilityJND: 2.4,
			Measures: map[string]float64{"levels_present": 6, "levels_expected": 17, "step_codes": 3, "crawl_px_s": 12},
		}, nil, "From 0:00.00 to 0:02.00, strongest at 0:00.00, a dark gradient across the lower part of the picture falls into 6 levels in place of 17, in steps of 3 codes, whose edges crawl at 12 px/s, just visible (2.4 JND); whether the set or the source made it is not known."},
		{"posterisation in luma", Finding{
			Kind: detect.Posterisation, EndS: 2, Region: Region{X: 0.7, Y: 0, W: 0.3, H: 0.3}, Strength: Quantity{3.1, "JND"}, VisibilityJND: 3.1,
			Measures: map[string]float64{"levels_present": 6, "step_codes": 1},
		}, nil, "From 0:00.00 to 0:02.00, strongest at 0:00.00, a gradient in the upper right of the picture falls into 6 levels, in steps of one code, clearly visible (3.1 JND); whether the set or the source made it is not known."},
		{"posterisation in colour", Finding{
			Kind: detect.Posterisation, EndS: 2, Region: Region{X: 0.35, Y: 0, W: 0.3, H: 0.3}, Strength: Quantity{3.1, "JND"}, VisibilityJND: 3.1,
			Measures: map[string]float64{"step_codes": 4, "step_itp": 3.1, "crawl_px_s": 0.4},
		}, nil, "From 0:00.00 to 0:02.00, strongest at 0:00.00, the colour of a gradient in the upper part of the picture falls into plateaus, in steps of 3.1 Delta E ITP, clearly visible; whether the set or the source made it is not known."},
		{"blocks", Finding{
			Kind: detect.Macroblocking, EndS: 2, Region: Region{X: 0.1, Y: 0, W: 0.8, H: 0.8}, Strength: Quantity{3.1, "JND"}, VisibilityJND: 3.1,
			Measures: map[string]float64{"pitch_x_px": 12, "pitch_y_px": 12, "step_codes": 0.7, "top_step_codes": 2.4, "dark_share": 0.8, "flicker_share": 0.7},
		}, nil, "From 0:00.00 to 0:02.00, strongest at 0:00.00, block edges show in most of the picture, mostly in the dark, on a grid of 12 × 12 px, in steps of up to 2.4 codes, and boil, clearly visible (3.1 JND); whether the set or the source made it is not known."},
		{"blocks in places", Finding{
			Kind: detect.Macroblocking, EndS: 2, Region: Region{X: 0.1, Y: 0, W: 0.8, H: 0.8}, VisibilityJND: 3.1,
			Measures: map[string]float64{"pitch_x_px": 16, "pitch_y_px": 16, "area_share": 0.18},
		}, nil, "From 0:00.00 to 0:02.00, strongest at 0:00.00, block edges show here and there in most of the picture, on a grid of 16 × 16 px, clearly visible (3.1 JND); whether the set or the source made it is not known."},
		{"blocks of one axis", Finding{
			Kind: detect.Macroblocking, EndS: 2, Region: Region{X: 0.4, Y: 0, W: 0.1, H: 0.8}, VisibilityJND: 3.1, Measures: map[string]float64{"pitch_x_px": 10.667, "pitch_y_px": 0},
		}, nil, "From 0:00.00 to 0:02.00, strongest at 0:00.00, block edges show down the middle of the picture, every 10.7 px across, clearly visible (3.1 JND); whether the set or the source made it is not known."},
		{"streaks", Finding{Kind: detect.ColumnStreaks, EndS: 2, Region: Region{X: 0.7, Y: 0, W: 0.1, H: 0.8}, Strength: Quantity{0.8, "%"}, VisibilityJND: 1.2}, nil,
			"From 0:00.00 to 0:02.00, strongest at 0:00.00, thin lines that stay in one place show down the right of the picture, with a contrast of 0.8 %, just visible (1.2 JND); whether the set or the source made it is not known."},
	} {
		t.Run(c.name, func(t *testing.T) {
			doc := direct()
			if c.doc != nil {
				c.doc(doc)
			}
			if got := Sentence(doc, &c.n); got != c.want {
				t.Errorf("\n got %s\nwant %s", got, c.want)
			}
		})
	}
}

// What else is known stands before whose fault it is.
func TestSentenceClauses(t *testing.T) {
	n := Finding{Kind: detect.Combing, Region: Region{W: 1, H: 1}, Strength: Quantity{3, "%"}, VisibilityJND: 2}
	want := "At 0:00.00 the moving picture is woven from the lines of two instants, with an amplitude of 3 % of full scale, for one picture, just visible (2 JND); " +
		"absent afterwards (film mode off); whether the set or the source made it is not known."
	if got := Sentence(direct(), &n, "absent afterwards\n(film mode off)"); got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
}

var (
	clockToken  = regexp.MustCompile(`(?:(\d+):)?(\d+):(\d\d\.\d\d)`)
	numberToken = regexp.MustCompile(`\d+(?:\.\d+)?`)
	oneToken    = regexp.MustCompile(`\bone (picture|level|code)\b`)
)

// Every number of a sentence is one of the finding's own, rounded to three
// digits or, of a time, to the hundredth of a second.
func TestSentenceNumbers(t *testing.T) {
	names := []string{
		"displacement_px", "displacement_before_px", "displacement_after_px", "pitch_lines", "ahead_pct", "ahead_px", "behind_pct", "behind_px",
		"copies", "period_pictures", "pictures_repeated", "pictures_lost", "levels_present", "levels_expected", "step_codes", "top_step_codes", "step_itp",
		"crawl_px_s", "pitch_x_px", "pitch_y_px", "dark_share", "flicker_share", "area_share", "hue_range_deg", "leading_field",
	}
	const seed = 1
	random := rand.New(rand.NewPCG(seed, 0))
	for i := range 20000 {
		kind := detect.Kinds[i%len(detect.Kinds)]
		start := random.Float64() * 5000
		n := Finding{
			Kind: kind, StartS: start, PeakS: start + random.Float64(), EndS: start + 1 + 4000*random.Float64()*float64(random.IntN(2)),
			StartFrame: random.IntN(1000), Strength: Quantity{100 * random.Float64(), kind.Unit()}, VisibilityJND: 30 * random.Float64(), Measures: map[string]float64{},
			Region: Region{random.Float64() / 2, random.Float64() / 2, random.Float64() / 2, random.Float64() / 2},
			Origin: Origin{Verdict: []string{"source", "set", "capture", "undetermined"}[random.IntN(4)]},
		}
		n.EndFrame = n.StartFrame + random.IntN(50)
		if random.IntN(2) == 0 {
			n.EndS = n.PeakS + 0.01
		}
		own := []float64{n.Strength.Value, n.VisibilityJND, n.EndS - n.StartS, float64(n.EndFrame - n.StartFrame + 1)}
		for _, name := range names {
			if random.IntN(2) == 0 {
				v := math.Round(random.ExpFloat64()*math.Pow10(random.IntN(6)-2)*100) / 100
				n.Measures[name] = v
				own = append(own, v)
			}
		}
		doc := direct()
		if random.IntN(2) == 0 {
			doc.View.Kind = "screen"
		}
		s := Sentence(doc, &n)
		rest := clockToken.ReplaceAllStringFunc(oneToken.ReplaceAllString(s, "1 $1"), func(token string) string {
			m := clockToken.FindStringSubmatch(token)
			h, _ := strconv.ParseFloat("0"+m[1], 64)
			minutes, _ := strconv.ParseFloat(m[2], 64)
			seconds, _ := strconv.ParseFloat(m[3], 64)
			at := 3600*h + 60*minutes + seconds
			for _, v := range []float64{n.StartS, n.PeakS, n.EndS} {
				if math.Abs(v-at) < 0.00501 {
					return ""
				}
			}
			t.Errorf("time %s is none of %g, %g, %g: %s", token, n.StartS, n.PeakS, n.EndS, s)
			return ""
		})
		for _, token := range numberToken.FindAllString(rest, -1) {
			v, err := strconv.ParseFloat(token, 64)
			if err != nil {
				t.Fatal(err)
			}
			found := false
			for _, o := range own {
				found = found || math.Abs(o-v) <= 0.00501*math.Abs(o)
			}
			if !found {
				t.Errorf("%s is no number of the finding %+v: %s", token, n, s)
			}
		}
		if strings.ContainsAny(s, "\n\r\t") || !strings.HasSuffix(s, ".") || strings.Contains(s, "  ") || strings.Contains(s, "NaN") {
			t.Errorf("no clean sentence: %q", s)
		}
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

func TestPlace(t *testing.T) {
	for r, want := range map[Region]string{
		{X: 0, Y: 0, W: 1, H: 1}:           "all over the picture",
		{X: 0.4, Y: 0.4, W: 0.2, H: 0.2}:   "in the middle of the picture",
		{X: 0, Y: 0, W: 0.1, H: 0.1}:       "in the upper left of the picture",
		{X: 0.9, Y: 0.45, W: 0.1, H: 0.1}:  "at the right of the picture",
		{X: 0.45, Y: 0.9, W: 0.1, H: 0.1}:  "in the lower part of the picture",
		{X: 0.1, Y: 0.45, W: 0.8, H: 0.1}:  "across the middle of the picture",
		{X: 0.45, Y: 0.1, W: 0.1, H: 0.8}:  "down the middle of the picture",
		{X: 0.1, Y: 0.1, W: 0.7, H: 0.7}:   "in most of the picture",
		{X: 0.05, Y: 0, W: 0.1, H: 0.7}:    "down the left of the picture",
		{X: 0.05, Y: 0.8, W: 0.9, H: 0.2}:  "across the lower part of the picture",
		{X: 0.05, Y: 0.05, W: 0.9, H: 0.9}: "all over the picture",
	} {
		if got := r.place(); got != want {
			t.Errorf("%+v lies %q, want %q", r, got, want)
		}
	}
}
