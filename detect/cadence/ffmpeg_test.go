package cadence_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cadence"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
	"setwitness/testdata/faults"
)

// Real progressive material of Debian's opencv-doc: a walk-way seen by a
// fixed camera, and an animated film.
const (
	walkway  = "/usr/share/doc/opencv-doc/examples/data/vtest.avi"
	animated = "/usr/share/doc/opencv-doc/examples/data/Megamind.avi"
)

func present(t *testing.T, path string) {
	t.Helper()
	if _, err := os.Stat(path); err != nil {
		t.Skipf("%v (Debian's opencv-doc brings it; scripts/test installs that)", err)
	}
}

const (
	// small quarters what there is to read.
	small = "scale=352:264:flags=area,"
	// pan moves a window over the first picture of the source, four pixels a
	// picture until the right edge stops it after 112 pictures: every step is
	// known.
	pan = "loop=loop=-1:size=1,setpts=N/(50*TB),crop=320:240:4*n:100,"
)

// film sends seconds of source, played at rate pictures a second, through
// filters of FFmpeg and returns the file that comes out, without loss.
func film(t *testing.T, source, rate string, seconds float64, filters string) string {
	t.Helper()
	program, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Skipf("ffmpeg is missing, which makes the material: scripts/test installs it (%v)", err)
	}
	out := filepath.Join(t.TempDir(), "film.y4m")
	c := exec.Command(program, "-nostdin", "-v", "error", "-r", rate, "-i", source, "-an",
		"-vf", fmt.Sprintf("%s,trim=duration=%g", filters, seconds), "-pix_fmt", "yuv420p", "-vsync", "passthrough", out)
	if said, err := c.CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg: %v: %s", err, said)
	}
	return out
}

type reading struct {
	*detect.Result
	places []cadence.Place
}

// all is more pictures than any file here has.
const all = math.MaxInt

// head yields the first pictures of a source.
type head struct {
	detect.Source
	left int
}

func (h *head) Next(ctx context.Context) (*picture.Picture, error) {
	if h.left == 0 {
		return nil, io.EOF
	}
	h.left--
	return h.Source.Next(ctx)
}

// read follows the cadence of the first pictures of a file.
func read(t *testing.T, path string, fields decode.Fields, pictures int) reading {
	t.Helper()
	take, err := decode.Open(path, decode.Options{Fields: fields})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	stage, places := cadence.Watched()
	res, err := detect.Run(context.Background(), &head{take, pictures}, []*detect.Stage{cells.Stage, motion.Stage, stage}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return reading{res, places()}
}

// in is the share of the moving pictures that runs of the pattern cover.
func (r reading) in(pattern string) float64 {
	var in, moving int
	for _, c := range r.Cadence {
		if c.Pattern != "static" {
			moving += c.End - c.Start
		}
		if c.Pattern == pattern {
			in += c.End - c.Start
		}
	}
	return float64(in) / float64(max(1, moving))
}

// frameTruth is what frame k repeats of the one before it when film frames
// last for so many fields each.
func frameTruth(k int, holds ...int) cadence.Place {
	top, bottom := faults.FieldMap(k, holds...)
	oldTop, oldBottom := faults.FieldMap(k-1, holds...)
	t, b := top == oldTop, bottom == oldBottom
	return cadence.Place{Repeat: t && b, EvenLines: t && !b, OddLines: b && !t}
}

// fieldOf is the film frame in field k.
func fieldOf(k int, holds ...int) int {
	top, bottom := faults.FieldMap(k/2, holds...)
	if k%2 == 0 {
		return top
	}
	return bottom
}

// pictureTruth is what picture k repeats when film frames last for so many
// pictures (or fields) each.
func pictureTruth(k int, holds ...int) cadence.Place {
	at := fieldOf(k, holds...)
	return cadence.Place{Repeat: at == fieldOf(k-1, holds...), Third: k > 1 && at == fieldOf(k-2, holds...)}
}

// What FFmpeg's telecine filter lays over fields (its documentation: pattern,
// first_field), seen as woven frames and as fields, and what its fps filter
// holds for several pictures, is read for what it is, in phase, with no break.
func TestPatternsOfFFmpeg(t *testing.T) {
	const (
		whole = iota // pictures repeat as a whole
		woven        // frames of two fields
		split        // fields
	)
	names := []string{"whole", "woven", "fields"}
	for _, c := range []struct {
		how     int
		source  string
		rate    string
		filters string
		holds   []int // of film frames, in pictures when whole and in fields else
		want    string
	}{
		{woven, walkway, "24000/1001", "telecine=pattern=23", []int{2, 3}, "3:2"},
		{woven, animated, "24000/1001", "telecine=pattern=32", []int{3, 2}, "3:2"},
		{woven, animated, "24000/1001", "telecine=pattern=2332", []int{2, 3, 3, 2}, "2:3:3:2"},
		{woven, animated, "25", "telecine=pattern=22", []int{2}, "1:1"},
		{woven, walkway, "24", "telecine=pattern=222222222223", euro, "2:2:2:2:2:2:2:2:2:2:2:3"},
		{woven, animated, "12", "telecine=pattern=55", []int{5}, "5:5"},
		{split, animated, "24000/1001", "telecine=pattern=23", []int{2, 3}, "3:2"},
		{split, walkway, "24000/1001", "telecine=pattern=32", []int{3, 2}, "3:2"},
		{split, animated, "24000/1001", "telecine=pattern=2332", []int{2, 3, 3, 2}, "2:3:3:2"},
		{split, walkway, "25", "telecine=pattern=22", []int{2}, "2:2"},
		{split, walkway, "24", "telecine=pattern=222222222223", euro, "2:2:2:2:2:2:2:2:2:2:2:3"},
		{split, animated, "50", "tinterlace=interleave_top", []int{1}, "1:1"},
		{whole, animated, "24000/1001", "fps=60000/1001", nil, "3:2"},
		{whole, walkway, "25", "fps=50", []int{2}, "2:2"},
		{whole, walkway, "50", "null", []int{1}, "1:1"},
		{whole, animated, "25", "fps=60", nil, "3:2:3:2:2"},
		{whole, animated, "24", "fps=30", nil, "1:1:1:2"},
		{whole, walkway, "24", "fps=50", nil, "2:2:2:2:2:2:2:2:2:2:2:3"},
	} {
		t.Run(fmt.Sprintf("%s %s at %s by %s", names[c.how], strings.TrimSuffix(filepath.Base(c.source), ".avi"), strings.ReplaceAll(c.rate, "/1001", ""), c.filters), func(t *testing.T) {
			present(t, c.source)
			fields := decode.FieldsWeave
			filters := c.filters + ",setfield=prog"
			if c.how == split {
				fields, filters = decode.FieldsSplit, c.filters+",setfield=tff"
			}
			r := read(t, film(t, c.source, c.rate, 2.6, small+filters), fields, 125)
			if share := r.in(c.want); share < 0.8 {
				t.Errorf("%.2f of what moves is read as %s: %v", share, c.want, r.Cadence)
			}
			for _, e := range r.Events {
				t.Errorf("break in pictures %d to %d, confidence %.2f, %v", e.Start, e.End, e.Confidence, e.Measures)
			}
			if c.holds == nil {
				return // the phase is the filter's own affair
			}
			right, said := 0, 0
			for k, p := range r.places {
				if p.Pattern != c.want || k < 2 {
					continue
				}
				truth := pictureTruth(k, c.holds...)
				if c.how == woven {
					truth = frameTruth(k, c.holds...)
				}
				truth.Pattern = c.want
				truth.Third = truth.Third && c.how == split // pictures tell of it only in fields
				p.Third = p.Third && c.how == split
				said++
				if p == truth {
					right++
				}
			}
			if said < len(r.places)/2 || right < said*95/100 {
				t.Errorf("of %d pictures, %d are in the pattern and %d in its phase", len(r.places), said, right)
			}
		})
	}
}

// euro is 24 film frames over the 50 fields of a second, twice.
var euro = append(slices.Repeat([]int{2}, 11), 3)

// A film laid over fields or held for several pictures, with something cut
// out of it or put in between by FFmpeg's select and loop filters, breaks
// there, once, and nowhere else.
func TestBreaksInEditedFilm(t *testing.T) {
	const at = 60 // picture of the edit
	drop := func(n int) string { return fmt.Sprintf("select='not(between(n,%d,%d))'", at, at+n-1) }
	repeat := fmt.Sprintf("loop=loop=1:size=1:start=%d", at)
	for _, c := range []struct {
		name, source, rate, filters, out string
		fields                           decode.Fields
	}{
		{"live pan, one dropped", walkway, "50", pan + drop(1), "50", decode.FieldsWeave},
		{"live pan, three dropped", walkway, "50", pan + drop(3), "50", decode.FieldsWeave},
		{"live pan, one repeated", walkway, "50", pan + repeat, "50", decode.FieldsWeave},
		{"live pan, one repeated and one dropped", walkway, "50", pan + repeat + ",select='not(eq(n,62))'", "50", decode.FieldsWeave},
		{"live, one repeated", animated, "50", repeat, "50", decode.FieldsWeave},
		{"2:2 held, one repeated", animated, "25", "fps=50," + repeat, "50", decode.FieldsWeave},
		{"3:2 held, one dropped", animated, "24", "fps=60," + drop(1), "60", decode.FieldsWeave},
		{"3:2 held, cut into another phase", animated, "24", "fps=60," + drop(7), "60", decode.FieldsWeave},
		{"3:2 woven, one dropped", animated, "24", "telecine=pattern=23," + drop(1), "30", decode.FieldsWeave},
		{"3:2 woven, one repeated", animated, "24", "telecine=pattern=23," + repeat, "30", decode.FieldsWeave},
		{"2:3:3:2 woven, one dropped", animated, "24", "telecine=pattern=2332," + drop(1), "30", decode.FieldsWeave},
		{"3:2 in fields, a frame dropped", animated, "24", "telecine=pattern=23," + drop(1), "30", decode.FieldsSplit},
		{"3:2 in fields of a fixed camera, a frame dropped", walkway, "24", "telecine=pattern=23," + drop(1), "30", decode.FieldsSplit},
		{"2:2 in fields, a frame repeated", animated, "25", "telecine=pattern=22," + repeat, "25", decode.FieldsSplit},
	} {
		t.Run(c.name, func(t *testing.T) {
			present(t, c.source)
			filters, seconds := small+c.filters, 3.2
			if strings.HasPrefix(c.filters, pan) {
				filters, seconds = c.filters, 2.1
			}
			r := read(t, film(t, c.source, c.rate, seconds, filters+",setpts=N/("+c.out+"*TB),setfield=tff"), c.fields, all)
			want := at
			if c.fields == decode.FieldsSplit {
				want = 2 * at
			}
			if len(r.Events) != 1 {
				t.Errorf("%d breaks, want one: %v", len(r.Events), r.Cadence)
			}
			for _, e := range r.Events {
				if off := e.Peak - want; off < -nearly || off > nearly {
					t.Errorf("break in pictures %d to %d, peak %d, want %d; confidence %.2f, %v", e.Start, e.End, e.Peak, want, e.Confidence, e.Measures)
				}
			}
		})
	}
}

// nearly is how far from an edit the place may lie at which the pattern
// breaks: what a hold lost shows at its end.
const nearly = 3
