package fullreference

import (
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect/origin"
)

// none says that a take's file leaves no time out.
func none(int) bool { return false }

// told are pictures that were told without doubt.
func told(pictures []int) []Shown {
	out := make([]Shown, len(pictures))
	for i, p := range pictures {
		out[i] = Shown{Picture: p, Held: 1, Clear: true, Margin: 1, Moving: image.Rect(0, 0, 10, 10)}
	}
	return out
}

// held shows a source with as many pictures of the take to one of it as its time
// asks for.
func held(n int, perPicture, phase float64) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = int(math.Floor(float64(i)*perPicture + phase))
	}
	return out
}

// pattern shows pictures as often as it says, over and over.
func pattern(n int, times ...int) []int {
	var out []int
	for k := 0; len(out) < n; k++ {
		for range times[k%len(times)] {
			out = append(out, k)
		}
	}
	return out[:n]
}

// Conversions that show whole pictures are right, whatever their phase.
func TestStumblesOfConversions(t *testing.T) {
	for _, c := range []struct {
		name         string
		source, take float64
	}{
		{"as it is", 50, 50}, {"3:2", 24, 60}, {"3:2 of video rates", 24000. / 1001, 60000. / 1001}, {"24 in 50", 24, 50},
		{"2:2", 25, 50}, {"25 in 60", 25, 60}, {"50 in 60", 50, 60}, {"60 in 50", 60, 50}, {"half of it", 50, 25}, {"30 in 24", 30, 24},
		{"59.94 in 60", 60000. / 1001, 60}, {"60 in 59.94", 60, 60000. / 1001},
	} {
		for phase := 0.0; phase < 1; phase += 0.05 {
			if s := Stumbles(told(held(400, c.source/c.take, phase)), c.source/c.take, none); len(s) > 0 {
				t.Errorf("%s, phase %.2f: %+v", c.name, phase, s)
			}
		}
	}
	for _, times := range [][]int{{2, 3}, {2, 3, 3, 2}, {3, 2, 2, 3}} {
		if s := Stumbles(told(pattern(200, times...)), 24./60, none); len(s) > 0 {
			t.Errorf("%v: %+v", times, s)
		}
	}
}

// filmed is what is shown of a source that holds each picture of a film so often,
// over and over.
func filmed(shown []int, times ...int) []Shown {
	out := told(shown)
	for i := range out {
		at := 0
		for k := 0; ; k++ {
			n := times[k%len(times)]
			if at+n > out[i].Picture {
				out[i].Picture, out[i].Held = at, n
				break
			}
			at += n
		}
	}
	return out
}

// A source of film holds its pictures itself.
func TestStumblesOfFilm(t *testing.T) {
	straight := held(120, 1, 0)
	late := slices.Clone(straight)
	for i := 62; i < 65; i++ {
		late[i] = late[61]
	}
	// The turns of the set begin elsewhere than those of the source.
	for _, film := range []struct{ source, take []int }{{[]int{2, 3}, []int{3, 2}}, {[]int{2, 3, 3, 2}, []int{2, 2, 3, 3}}, {[]int{2, 3}, []int{2, 3, 3, 2}}} {
		at, last := []int{0}, 0
		for k := range 60 {
			last += film.source[k%len(film.source)]
			at = append(at, last)
		}
		var shown []int
		for k := range 50 {
			for range film.take[k%len(film.take)] {
				shown = append(shown, at[k])
			}
		}
		if got := Stumbles(filmed(shown, film.source...), 1, none); len(got) != 0 {
			t.Errorf("%v as %v: %+v", film.source, film.take, got)
		}
		shown[61] = shown[60]
		shown = slices.Insert(shown, 61, shown[60], shown[60])
		if got := Stumbles(filmed(shown, film.source...), 1, none); len(got) != 1 {
			t.Errorf("%v as %v, one held: %+v", film.source, film.take, got)
		}
	}
	for _, c := range []struct {
		name       string
		shown      []int
		perPicture float64
		want       int
	}{
		{"as it is", straight, 1, 0},
		{"at half the rate", held(120, 2, 0), 2, 0},
		{"one too long, one lost", late, 1, 1},
	} {
		for _, times := range [][]int{{2}, {2, 3}, {3}} {
			if got := Stumbles(filmed(c.shown, times...), c.perPicture, none); len(got) != c.want {
				t.Errorf("%s, %v: %+v", c.name, times, got)
			}
		}
	}
}

func TestStumbles(t *testing.T) {
	straight := held(60, 1, 0.5)
	with := func(change func(p []int) []int) []int { return change(slices.Clone(straight)) }
	for _, c := range []struct {
		name       string
		shown      []int
		perPicture float64
		gap        int // before this picture; 0 is none
		want       []Stumble
	}{
		{"as it is", straight, 1, 0, nil},
		{"a repeat and a loss", with(func(p []int) []int { p[30] = p[29]; return p }), 1, 0,
			[]Stumble{{First: 30, Last: 31, Repeated: 1, Lost: 1}}},
		{"late from then on", with(func(p []int) []int { return slices.Insert(p, 30, p[29]) }), 1, 0,
			[]Stumble{{First: 30, Last: 30, Repeated: 1}}},
		{"one lost", with(func(p []int) []int { return slices.Delete(p, 30, 31) }), 1, 0,
			[]Stumble{{First: 30, Last: 30, Lost: 1}}},
		{"lost where the file leaves its time out", with(func(p []int) []int { return slices.Delete(p, 30, 31) }), 1, 30, nil},
		{"halved for a while", with(func(p []int) []int {
			for i := 21; i < 40; i += 2 {
				p[i] = p[i-1]
			}
			return p
		}), 1, 0, []Stumble{{First: 21, Last: 40, Repeated: 10, Lost: 10, Period: 2}}},
		{"two apart", with(func(p []int) []int { p[15], p[45] = p[14], p[44]; return p }), 1, 0,
			[]Stumble{{First: 15, Last: 16, Repeated: 1, Lost: 1}, {First: 45, Last: 46, Repeated: 1, Lost: 1}}},
		{"film in 2:2 that stays for four", func() []int {
			p := held(80, 0.5, 0)
			for i := 40; i < 44; i++ {
				p[i] = p[40]
			}
			return p
		}(), 0.5, 0, []Stumble{{First: 43, Last: 44, Repeated: 2, Lost: 1}}},
		{"60 in 50 with a repeat", func() []int {
			p := held(60, 1.2, 0)
			p[30] = p[29]
			return p
		}(), 1.2, 0, []Stumble{{First: 30, Last: 31, Repeated: 1, Lost: 1}}},
		{"no rate", straight, 0, 0, nil},
	} {
		got := Stumbles(told(c.shown), c.perPicture, func(i int) bool { return c.gap > 0 && i == c.gap })
		if len(got) != len(c.want) {
			t.Errorf("%s: %+v", c.name, got)
			continue
		}
		for i, g := range got {
			w := c.want[i]
			if g.First != w.First || g.Last != w.Last || g.Repeated != w.Repeated || g.Lost != w.Lost || g.Period != w.Period {
				t.Errorf("%s: %+v, want %+v", c.name, g, w)
			}
		}
	}
}

// Where it is not clear what is shown, nothing is said.
func TestStumblesOfDoubt(t *testing.T) {
	shown := told(held(60, 1, 0))
	shown[30].Picture = 29
	for _, at := range []int{29, 30, 31, 32} {
		s := slices.Clone(shown)
		s[at].Clear = false
		if got := Stumbles(s, 1, none); len(got) > 0 {
			t.Errorf("picture %d is not clear: %+v", at, got)
		}
	}
	if got := Stumbles(shown, 1, none); len(got) != 1 {
		t.Errorf("all clear: %+v", got)
	}
}

func TestEvent(t *testing.T) {
	s := Stumble{First: 21, Last: 40, Repeated: 10, Lost: 9, Margin: 0.8, Period: 2, Region: image.Rect(5, 5, 500, 500)}
	e := s.Event(image.Rect(0, 0, 320, 180))
	if e.Start != 21 || e.End != 40 || e.Strength != 10 || e.Confidence != 0.9 || e.Region != image.Rect(5, 5, 320, 180) ||
		e.Measures["period_pictures"] != 2 || e.Measures["pictures_lost"] != 9 {
		t.Errorf("%+v", e)
	}
}

// scene is a bright thing on a patterned ground, with noise of its own, in codes.
func scene(w, h int, at float64, noise float64, seed uint64) *picture.Picture {
	r := rand.New(rand.NewPCG(seed, 9))
	p := &picture.Picture{Y: picture.New(w, h, 8)}
	for y := range h {
		for x := range w {
			code := 90 + 30*math.Sin(float64(x)/7)*math.Cos(float64(y)/9)
			dx, dy := float64(x)-at, float64(y)-float64(h)/2
			if dx*dx+dy*dy < 400 {
				code = 200
			}
			p.Y.Pix[y*w+x] = uint8(min(max(code+noise*r.NormFloat64()+0.5, 0), 255))
		}
	}
	return p
}

// The picture shown is told in noise and at other levels; a mixture of two is
// told to be none, and so is what does not move.
func TestSee(t *testing.T) {
	const w, h = 320, 180
	speed := 4.0
	source := func(k int) *origin.Reduced {
		if k < 0 || k > 20 {
			return nil
		}
		if speed < 0 { // in twos
			k &^= 1
		}
		return origin.Small(scene(w, h, 100+speed*float64(k), 1, uint64(k)), w).Soft(1)
	}
	for _, c := range []struct {
		name  string
		shown float64
		speed float64
		near  int
		noise float64
		clear bool
	}{
		{"the one named", 8, 4, 8, 1, true},
		{"one before", 7, 4, 8, 1, true},
		{"two after, noise", 10, 4, 8, 6, true},
		{"slow", 9, 1, 8, 2, true},
		{"between two", 8.5, 4, 8, 1, false},
		{"at rest", 8, 0, 8, 1, false},
		{"of a film", 8, -6, 8, 1, true},
		{"at the end of the source", 20, 4, 20, 1, false},
	} {
		speed = c.speed
		take := scene(w, h, 100+speed*c.shown, c.noise, 77)
		for i, v := range take.Y.Pix {
			take.Y.Pix[i] = uint8(0.8*float64(v) + 20)
		}
		s := NewFollower(origin.Map{ScaleX: 1, ScaleY: 1}).See(origin.Small(take, w).Soft(1), c.near, source)
		if s.Clear != c.clear || s.Clear && s.Picture != int(c.shown) {
			t.Errorf("%s: %+v", c.name, s)
		}
	}
}
