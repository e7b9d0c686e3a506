package origin

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/align"
)

// scene draws a picture of w by h with soft things, of which one has moved by
// shift pixels; noise of a code.
func scene(w, h int, shift float64, seed uint64) *picture.Picture {
	r := rand.New(rand.NewPCG(seed, 5))
	p := &picture.Picture{Y: picture.New(w, h, 8)}
	for y := range h {
		for x := range w {
			u, v := float64(x)/float64(w), float64(y)/float64(h)
			code := 70 + 25*math.Sin(9*u+3*v) + 20*math.Cos(11*v-4*u*u)
			dx, dy := u-0.45-shift/float64(w), v-0.5
			if dx*dx*3+dy*dy < 0.02 {
				code += 80
			}
			p.Y.Pix[y*w+x] = uint8(code + r.Float64())
		}
	}
	return p
}

func TestRegister(t *testing.T) {
	source := scene(640, 360, 0, 1)
	for _, c := range []struct {
		name string
		want Map // from the take's raster to the source
		w, h int
	}{
		{"the same", Map{1, 0, 1, 0}, 640, 360},
		{"half of it", Between(image.Pt(320, 180), image.Pt(640, 360), 1, 0, 1, 0), 320, 180},
		{"three per cent cut off", Map{0.94, 19.2, 0.94, 10.8}, 640, 360},
		{"a shift", Map{1, 3.3, 1, -2.4}, 640, 360},
	} {
		p := &Patch{Rect: image.Rect(0, 0, 640, 360), Lines: 1}
		for _, v := range source.Y.Pix {
			p.Pix = append(p.Pix, float32(v))
		}
		take := &picture.Picture{Y: picture.New(c.w, c.h, 8)}
		for y := range c.h {
			for x := range c.w {
				v, _ := p.cubic(c.want.At(float64(x), float64(y)))
				take.Y.Pix[y*c.w+x] = uint8(min(max(0.8*v+20, 0), 255)) // a gain as well
			}
		}
		start := Between(image.Pt(c.w, c.h), image.Pt(640, 360), 1, 0, 1, 0)
		got, r, err := Register([]Pair{{Take: Small(take, 320), Source: Small(source, 320)}}, start)
		if err != nil {
			t.Errorf("%s: %v at %.3f", c.name, err, r)
			continue
		}
		for _, at := range [][2]float64{{0.1, 0.1}, {0.9, 0.2}, {0.5, 0.9}} {
			gx, gy := got.At(at[0]*float64(c.w), at[1]*float64(c.h))
			wx, wy := c.want.At(at[0]*float64(c.w), at[1]*float64(c.h))
			if math.Hypot(gx-wx, gy-wy) > 1 { // each place is searched by more
				t.Errorf("%s: %v is at %.2f,%.2f, not %.2f,%.2f", c.name, at, gx, gy, wx, wy)
			}
		}
	}
	if _, r, err := Register([]Pair{{Take: Small(scene(640, 360, 0, 1), 320), Source: Small(&picture.Picture{Y: stripes(640, 360)}, 320)}}, Map{1, 0, 1, 0}); err == nil {
		t.Errorf("stripes are registered at %.2f", r)
	}
}

func stripes(w, h int) picture.Plane {
	p := picture.New(w, h, 8)
	for i := range p.Pix {
		p.Pix[i] = uint8(40 + 100*(i%w/40%2))
	}
	return p
}

// woven takes the odd lines from another picture.
func woven(a, b *picture.Picture) *picture.Picture {
	o := &picture.Picture{Y: picture.New(a.Y.W, a.Y.H, 8)}
	for i := range o.Y.Pix {
		o.Y.Pix[i] = a.Y.Pix[i]
		if i/a.Y.W%2 == 1 {
			o.Y.Pix[i] = b.Y.Pix[i]
		}
	}
	return o
}

func mixed(a, b *picture.Picture, w float64) *picture.Picture {
	o := &picture.Picture{Y: picture.New(a.Y.W, a.Y.H, 8)}
	for i := range o.Y.Pix {
		o.Y.Pix[i] = uint8(math.Round((1-w)*float64(a.Y.Pix[i]) + w*float64(b.Y.Pix[i])))
	}
	return o
}

// stepped keeps every fourth code, blocky adds steps on a grid of 8.
func changed(p *picture.Picture, f func(x, y int, v uint8) uint8) *picture.Picture {
	o := &picture.Picture{Y: picture.New(p.Y.W, p.Y.H, 8)}
	for i, v := range p.Y.Pix {
		o.Y.Pix[i] = f(i%p.Y.W, i/p.Y.W, v)
	}
	return o
}

// Both ways round: the fault in the take alone, and in both.
func TestCompare(t *testing.T) {
	const w, h = 480, 270
	now, next := scene(w, h, 0, 1), scene(w, h, 14, 2)
	other := scene(w, h, 0, 3) // the same without the same noise
	steps := func(_, _ int, v uint8) uint8 { return v / 4 * 4 }
	blocks := func(x, y int, v uint8) uint8 { return v + uint8(3*((x/8+y/8)%2)) }
	for _, c := range []struct {
		name        string
		kind        detect.Kind
		measures    map[string]float64
		take, clean *picture.Picture
		has         *picture.Picture // the source with the fault
	}{
		{"comb", detect.Combing, map[string]float64{"pitch_lines": 2}, woven(now, next), other, woven(other, next)},
		{"ghost", detect.Ghost, nil, mixed(now, next, 0.4), other, mixed(other, next, 0.4)},
		{"contours", detect.Posterisation, map[string]float64{"step_codes": 4}, changed(now, steps), other, changed(other, steps)},
		{"blocks", detect.Macroblocking, map[string]float64{"pitch_x_px": 8, "pitch_y_px": 8}, changed(now, blocks), other, changed(other, blocks)},
	} {
		r := image.Rect(100, 60, 400, 220)
		in := func(s *picture.Picture, shown int) Difference {
			p := &Place{Take: Cut(c.take, r), Shown: shown, Map: Map{1, 0, 1, 0}}
			for _, q := range []*picture.Picture{s, next} {
				p.Source = append(p.Source, Cut(q, r.Inset(-8)))
			}
			return Compare(c.kind, c.measures, p)
		}
		for shown := range 2 {
			if d := in(c.clean, shown); !d.Known || d.Share > none || d.Left < held {
				t.Errorf("%s that the source lacks, %d off: %+v", c.name, shown, d)
			}
			if d := in(c.has, shown); !d.Known || d.Share < comparable || d.Left > held {
				t.Errorf("%s that the source has, %d off: %+v", c.name, shown, d)
			}
		}
	}
}

// Contours on a slope are met where the map is some pixels off, or its scale a little: nothing
// else in it tells where it lies.
func TestContoursOffTheMap(t *testing.T) {
	slope := func(stepped bool, seed uint64) *picture.Picture {
		r := rand.New(rand.NewPCG(seed, 9))
		p := &picture.Picture{Y: picture.New(480, 270, 8)}
		for i := range p.Y.Pix {
			code := 60 + 0.12*float64(i%480) + 0.05*float64(i/480)
			if stepped {
				code = math.Floor(code/4) * 4
			}
			p.Y.Pix[i] = uint8(code + r.Float64())
		}
		return p
	}
	r := image.Rect(100, 60, 400, 220)
	for _, c := range []struct{ scale, off float64 }{{1, -4}, {1, -2}, {1, 0}, {1, 2}, {1, 4}, {0.985, 4}, {1.015, -4}} {
		off, scale := c.off, c.scale
		in := func(s *picture.Picture) Difference {
			return Compare(detect.Posterisation, map[string]float64{"step_codes": 4},
				&Place{Take: Cut(slope(true, 1), r), Source: []*Patch{Cut(s, r.Inset(-12))}, Map: Map{scale, off, 1, 0}})
		}
		if d := in(slope(false, 2)); !d.Known || d.Share > none || d.Left < held {
			t.Errorf("%g px off, scale %g, contours that the source lacks: %+v", off, scale, d)
		}
		if d := in(slope(true, 2)); !d.Known || d.Share < plain || d.Left > 1-plain {
			t.Errorf("%g px off, scale %g, contours that the source has: %+v", off, scale, d)
		}
	}
	// Half way between two contours none is met, and the source has as many.
	far := &Place{Take: Cut(slope(true, 1), r), Source: []*Patch{Cut(slope(true, 2), r.Inset(-30))}, Map: Map{1, 16, 1, 0}}
	if d := Compare(detect.Posterisation, map[string]float64{"step_codes": 4}, far); d.Known {
		t.Errorf("16 px off, contours that the source has: %+v", d)
	}
}

// A field is laid on the frame's lines that it holds.
func TestFieldOfSource(t *testing.T) {
	whole := scene(480, 270, 0, 1)
	for parity, line := range map[picture.Parity]int{picture.Top: 0, picture.Bottom: 1} {
		field := &picture.Picture{Parity: parity, Y: picture.New(480, 135, 8)}
		for y := range 135 {
			copy(field.Y.Pix[y*480:(y+1)*480], whole.Y.Pix[(2*y+line)*480:])
		}
		r := image.Rect(120, 80, 360, 200)
		p := &Place{Take: Cut(whole, r), Source: []*Patch{Cut(field, r.Inset(-8))}, Map: Map{1, 0, 1, 0}}
		pix, has := p.laid(0, 0, 0)
		sum, n := 0.0, 0.0
		for i, ok := range has {
			if ok {
				sum += math.Abs(float64(pix[i] - p.Take.Pix[i]))
				n++
			}
		}
		// A line off would be some codes at the edges of the thing.
		if n < 20000 || sum/n > 1 {
			t.Errorf("%s: %.2f codes off over %g pixels", parity, sum/n, n)
		}
	}
}

func TestJudge(t *testing.T) {
	e := &detect.Event{Kind: detect.Combing, Strength: 20}
	gone := Difference{Known: true, Share: 0.05, Left: 0.95}
	there := Difference{Known: true, Share: 0.9, Left: 0.1}
	for _, c := range []struct {
		name       string
		confidence float64
		s          Stages
		d          Difference
		want       Verdict
	}{
		{"neither finds it", 1, Stages{Looked: true}, gone, Set},
		{"both find it", 1, Stages{Looked: true, Share: 0.9}, there, Source},
		{"the stage finds it, the pixels do not tell", 1, Stages{Looked: true, Share: 1.2}, Difference{}, Source},
		{"the stage finds nothing, the pixels do not tell", 1, Stages{Looked: true}, Difference{}, Undetermined},
		{"the stage finds nothing, the pixels do", 1, Stages{Looked: true}, there, Undetermined},
		{"the stage finds it, the pixels do not", 1, Stages{Looked: true, Share: 0.9}, gone, Undetermined},
		{"a faint one is in the source", 1, Stages{Looked: true, Share: 0.1}, gone, Undetermined},
		{"the stage could not look", 1, Stages{}, gone, Undetermined},
		{"the stage could not look, the pixels have it", 1, Stages{}, there, Source},
		{"the alignment is not sure", 0.5, Stages{Looked: true}, gone, Undetermined},
		{"something between", 1, Stages{Looked: true}, Difference{Known: true, Share: 0.4, Left: 0.7}, Undetermined},
	} {
		if got, why := Judge(e, &align.Alignment{Confidence: c.confidence}, c.s, c.d); got != c.want || why == "" {
			t.Errorf("%s: %s (%s), want %s", c.name, got, why, c.want)
		}
	}
}

// An alignment that may be a picture off does for what lasts, not for one picture.
func TestJudgeUnsure(t *testing.T) {
	gone := Difference{Known: true, Share: 0.05, Left: 0.95}
	for _, c := range []struct {
		kind       detect.Kind
		confidence float64
		want       Verdict
	}{
		{detect.Combing, 0.8, Undetermined}, {detect.Ghost, 0.8, Undetermined}, {detect.CadenceBreak, 0.8, Undetermined},
		{detect.Macroblocking, 0.8, Set}, {detect.NearBlackBanding, 0.8, Set}, {detect.Posterisation, 0.8, Set},
		{detect.Posterisation, 0.6, Undetermined},
	} {
		if got, why := Judge(&detect.Event{Kind: c.kind, Strength: 20}, &align.Alignment{Confidence: c.confidence}, Stages{Looked: true}, gone); got != c.want {
			t.Errorf("%s, sure to %g: %s (%s), want %s", c.kind, c.confidence, got, why, c.want)
		}
	}
}

// A comparison that looked at the pictures beside too holds though it may be one of
// them.
func TestJudgeBeside(t *testing.T) {
	e := &detect.Event{Kind: detect.Ghost, Strength: 20}
	a := &align.Alignment{Confidence: 0.1, Near: 0.99}
	d := Difference{Known: true, Share: 0.05, Left: 0.95}
	if got, why := Judge(e, a, Stages{Looked: true}, d); got != Undetermined {
		t.Errorf("of one picture: %s (%s)", got, why)
	}
	d.Beside = true
	if got, why := Judge(e, a, Stages{Looked: true}, d); got != Set {
		t.Errorf("of those beside as well: %s (%s)", got, why)
	}
}

// A source that was coded once has weaker blocks of its own, and blocks take texture
// with them that the difference then holds; a comb leaves all of itself in it.
func TestJudgeBlocks(t *testing.T) {
	for _, c := range []struct {
		kind  detect.Kind
		share float64 // of the stage
		d     Difference
		want  Verdict
	}{
		{detect.Macroblocking, 0, Difference{Known: true, Share: 0, Left: 0.55}, Set},
		{detect.Macroblocking, 0.29, Difference{Known: true, Share: 0.04, Left: 0.72}, Set},
		{detect.Macroblocking, 0.29, Difference{Known: true, Share: 0.25, Left: 0.72}, Undetermined},
		{detect.Macroblocking, 0.8, Difference{Known: true, Share: 0, Left: 0.59}, Undetermined},
		{detect.Macroblocking, 0, Difference{Known: true, Share: 0.04, Left: 0.4}, Undetermined},
		{detect.Combing, 0, Difference{Known: true, Share: 0, Left: 0.55}, Undetermined},
		{detect.Combing, 0.29, Difference{Known: true, Share: 0.04, Left: 0.72}, Undetermined},
	} {
		got, why := Judge(&detect.Event{Kind: c.kind, Strength: 2}, &align.Alignment{Confidence: 1}, Stages{Looked: true, Share: c.share}, c.d)
		if got != c.want {
			t.Errorf("%s, %g, %+v: %s (%s), want %s", c.kind, c.share, c.d, got, why, c.want)
		}
	}
}

// Blocks that could not show in the source are the set's where its pixels plainly have
// none.
func TestJudgeUnfit(t *testing.T) {
	for _, c := range []struct {
		kind  detect.Kind
		s     Stages
		share float64
		want  Verdict
	}{
		{detect.Macroblocking, Stages{Unfit: true}, 0.05, Set},
		{detect.Macroblocking, Stages{Unfit: true}, 0.28, Undetermined},
		{detect.Macroblocking, Stages{}, 0.05, Undetermined},
		{detect.Posterisation, Stages{Unfit: true}, 0.05, Undetermined},
	} {
		e := &detect.Event{Kind: c.kind, Strength: 20}
		if got, why := Judge(e, &align.Alignment{Confidence: 1}, c.s, Difference{Known: true, Share: c.share, Left: 1 - c.share}); got != c.want {
			t.Errorf("%s, %+v, share %g: %s (%s), want %s", c.kind, c.s, c.share, got, why, c.want)
		}
	}
}

// A comb whose lines are the frame's cannot come from a source of fields, and is the set's where the
// pixels agree; one of lines that are two apart may be in each field.
func TestJudgeCombsOfFields(t *testing.T) {
	for _, c := range []struct {
		pitch, scale, share float64
		want                Verdict
	}{
		{2, 1, 0.05, Set},
		{2, 1, 0.5, Undetermined},
		{3, 480. / 720, 0.05, Set}, // scaled up by half
		{2, 2, 0.05, Undetermined},
		{4, 1, 0.05, Undetermined},
	} {
		e := &detect.Event{Kind: detect.Combing, Strength: 40, Measures: map[string]float64{"pitch_lines": c.pitch}}
		s := Stages{Unfit: true, OneInstant: OneInstant(e, c.scale)}
		if got, why := Judge(e, &align.Alignment{Confidence: 1}, s, Difference{Known: true, Share: c.share, Left: 1 - c.share}); got != c.want {
			t.Errorf("%+v: %s (%s), want %s", c, got, why, c.want)
		}
	}
}

// The pixels alone tell contours, where they have them plainly, and the stage alone where the
// source has them as strong.
func TestJudgeContours(t *testing.T) {
	e := &detect.Event{Kind: detect.Posterisation, Strength: 20}
	for share, want := range map[float64]Verdict{1.1: Source, 0.6: Undetermined, 0: Set} {
		if got, why := Judge(e, &align.Alignment{Confidence: 1}, Stages{Looked: true, Share: share}, Difference{Known: true, Share: 0.2, Left: 0.8}); got != want {
			t.Errorf("stage %g: %s (%s), want %s", share, got, why, want)
		}
	}
	for share, want := range map[float64]Verdict{0.9: Source, 0.7: Undetermined} {
		if got, why := Judge(e, &align.Alignment{Confidence: 1}, Stages{Looked: true}, Difference{Known: true, Share: share, Left: 1 - share}); got != want {
			t.Errorf("%g: %s (%s), want %s", share, got, why, want)
		}
	}
}

func TestInSource(t *testing.T) {
	at := func(ms int) time.Duration { return time.Duration(ms) * time.Millisecond }
	r := &detect.Result{Format: picture.Format{W: 1000, H: 500}}
	for i := range 100 {
		r.Times = append(r.Times, at(20*i))
	}
	r.Events = []detect.Event{{Kind: detect.Combing, Start: 50, End: 54, Strength: 10, Region: image.Rect(100, 100, 200, 200)}}
	r.Faint = []detect.Event{{Kind: detect.CadenceBreak, Start: 80, End: 80, Strength: 1, Region: image.Rect(0, 0, 1000, 500)}}
	r.Coverage = []detect.Coverage{{Kind: detect.Combing, State: detect.Examined}, {Kind: detect.Macroblocking, State: detect.NotExaminable}}
	for _, c := range []struct {
		name     string
		kind     detect.Kind
		place    image.Rectangle
		from, to time.Duration
		want     Stages
	}{
		{"there", detect.Combing, image.Rect(150, 150, 260, 260), at(1000), at(1080), Stages{Looked: true, Share: 0.5}},
		{"elsewhere", detect.Combing, image.Rect(600, 150, 700, 260), at(1000), at(1080), Stages{Looked: true}},
		{"at another time", detect.Combing, image.Rect(150, 150, 260, 260), at(1500), at(1600), Stages{Looked: true}},
		{"a comb for a ghost", detect.Ghost, image.Rect(150, 150, 260, 260), at(1000), at(1080), Stages{Looked: true, Share: 1}},
		{"a faint break", detect.CadenceBreak, image.Rect(0, 0, 1000, 500), at(1580), at(1600), Stages{Looked: true, Share: 0.05}},
		{"not to be seen there", detect.Macroblocking, image.Rect(0, 0, 1000, 500), at(0), at(2000), Stages{Unfit: true}},
	} {
		if got := InSource(&detect.Event{Kind: c.kind, Strength: 20}, r, c.place, c.from, c.to); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

func TestCameraGrid(t *testing.T) {
	for _, c := range []struct {
		pitch, px float64
		want      bool
	}{{12.8, 1.25, true}, {8, 2, false}, {8, 1.3, false}, {21.33, 0.75, true}} {
		if why, got := CameraGrid(map[string]float64{"pitch_x_px": c.pitch}, c.px); got != c.want {
			t.Errorf("pitch %g at %g: %v %s", c.pitch, c.px, got, why)
		}
	}
}

// What the comparison alone shows is the set's where the alignment is sure to a picture.
func TestAlone(t *testing.T) {
	for _, c := range []struct {
		near float64
		want Verdict
	}{{1, Set}, {0.95, Set}, {0.8, Undetermined}, {0, Undetermined}} {
		if got, why := Alone(&align.Alignment{Near: c.near}, "because"); got != c.want || (why == "because") != (got == Set) {
			t.Errorf("sure to %.2f: %s, %q", c.near, got, why)
		}
	}
}
