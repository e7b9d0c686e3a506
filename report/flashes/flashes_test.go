package flashes

import (
	"bytes"
	"fmt"
	"math"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"setwitness/decode/picture"
)

const w, h, rate = 192, 108, 60

var format = picture.Format{W: w, H: h, Depth: 8, ChromaX: 1, ChromaY: 1, Colour: picture.Colour{Matrix: "bt709"}}

// even is a picture of one colour.
func even(y, cb, cr int) *picture.Picture {
	p := &picture.Picture{Y: picture.New(w, h, 8), Cb: picture.New(w/2, h/2, 8), Cr: picture.New(w/2, h/2, 8)}
	for _, f := range []struct {
		p *picture.Plane
		v int
	}{{&p.Y, y}, {&p.Cb, cb}, {&p.Cr, cr}} {
		for i := range f.p.Pix {
			f.p.Pix[i] = uint8(f.v)
		}
	}
	return p
}

func gray(y int) *picture.Picture { return even(y, 128, 128) }

// patch is a gray picture with a patch of another code.
func patch(y, code, pw, ph int) *picture.Picture {
	p := gray(y)
	for j := range ph {
		for i := range pw {
			p.Y.Pix[(j+12)*w+i+12] = uint8(code)
		}
	}
	return p
}

// wave shows pictures in turn, each for half a period of so many Hz, for three
// seconds.
func wave(hz float64, list ...*picture.Picture) []*picture.Picture {
	var out []*picture.Picture
	for i := range 3 * rate {
		out = append(out, list[int(2*hz*float64(i)/rate+1e-9)%len(list)])
	}
	return out
}

func measure(f picture.Format, list []*picture.Picture) *Meter {
	s, m := NewSampler(f), NewMeter(rate)
	samples := map[*picture.Picture]*Sample{}
	for _, p := range list {
		if samples[p] == nil {
			samples[p] = s.Sample(p)
		}
		m.Show(samples[p], 1)
	}
	return m
}

// Rates: a flash is a pair of changes, and more than three in a second are too
// many (W3C WCAG 2.3.1).
func TestRates(t *testing.T) {
	for hz, want := range map[float64]float64{1: 1, 2: 2, 3: 3, 5: 5, 10: 10} {
		r := measure(format, wave(hz, gray(16), gray(235))).Result()
		if math.Abs(r.General-want) > 0.5 || r.Safe() != (hz <= 3) {
			t.Errorf("%g Hz: %+v", hz, r)
		}
	}
	if r := measure(format, wave(3, gray(16), gray(235))).Result(); r.General != 3 || !r.Safe() {
		t.Errorf("three in a second: %+v", r)
	}
	for name, list := range map[string][]*picture.Picture{
		"still": {gray(180)}, "one picture": {gray(16)},
		"a cut": append(wave(1, gray(16))[:90], wave(1, gray(235))[:90]...),
	} {
		if r := measure(format, list).Result(); r.General > 0.5 || r.Red > 0 {
			t.Errorf("%s: %+v", name, r)
		}
	}
	var fade []*picture.Picture
	for i := range 120 {
		fade = append(fade, gray(16+i))
	}
	if r := measure(format, fade).Result(); r.General > 0.5 {
		t.Errorf("a fade: %+v", r)
	}
}

// Flashes at a harmless rate that go on for more than five seconds are too many
// (Recommendation ITU-R BT.1702); a rest of more than a second ends them, a new
// one begins behind it. What is seen in a place too small to count does not.
func TestLasting(t *testing.T) {
	flicker := func(hz, seconds float64, list ...*picture.Picture) []*picture.Picture {
		var out []*picture.Picture
		for len(out) < int(seconds*rate) {
			out = append(out, wave(hz, list...)...)
		}
		return out[:int(seconds*rate)]
	}
	dark, light := gray(16), gray(235)
	rest := flicker(1, 1.2, dark)
	for _, c := range []struct {
		name string
		list []*picture.Picture
		want float64
		safe bool
	}{
		{"4.5 s of 2 Hz", flicker(2, 4.5, dark, light), 4, true},
		{"8 s of 2 Hz", flicker(2, 8, dark, light), 7.5, false},
		{"8 s of 1 Hz", flicker(1, 8, dark, light), 7, false},
		{"8 s of 0.4 Hz", flicker(0.4, 8, dark, light), 0, true},
		{"a rest between", slices.Concat(flicker(2, 4, dark, light), rest, flicker(2, 4, dark, light)), 3.5, true},
		{"a small place", flicker(2, 8, dark, patch(16, 235, 20, 16)), 0, true},
	} {
		if r := measure(format, c.list).Result(); math.Abs(r.Lasting-c.want) > 0.3 || r.Safe() != c.safe {
			t.Errorf("%s: %+v, want %g s", c.name, r, c.want)
		}
	}
}

// The codes at which changes begin to count: on a display of 200 cd/m2 by BT.1886
// 20 cd/m2 are code 99.9 of 8 bits and 160 cd/m2 code 215.6; a relative luminance
// of 0.1 of sRGB is code 89.04 of full range, 0.8 is 231.11 (computed from the
// published transfer functions).
func TestThresholds(t *testing.T) {
	count := func(q, low, high int, full bool) int {
		f := format
		f.Colour.FullRange = full
		return measure(f, wave(10, gray(low), gray(high))).most[q]
	}
	for _, c := range []struct {
		q, low, high int
		full, counts bool
	}{
		{broadcast, 16, 99, false, false}, {broadcast, 16, 101, false, true},
		// Above 160 cd/m2 a contrast of 1/17 counts: 161 to 182 cd/m2.
		{broadcast, 216, 225, false, false}, {broadcast, 216, 228, false, true},
		{relative, 0, 88, true, false}, {relative, 0, 90, true, true},
		{relative, 230, 255, true, true}, {relative, 233, 255, true, false},
	} {
		if got := count(c.q, c.low, c.high, c.full) > 6; got != c.counts {
			t.Errorf("quantity %d, codes %d and %d: counts %v", c.q, c.low, c.high, got)
		}
	}
}

// A quarter of a window counts, wherever it is: of 108 lines the window is 48 x 36.
func TestArea(t *testing.T) {
	for _, c := range []struct {
		pw, ph int
		safe   bool
	}{
		{20, 16, true},  // 19 %
		{28, 24, false}, // 39 %
		{w - 20, 5, true},
	} {
		if r := measure(format, wave(8, gray(16), patch(16, 235, c.pw, c.ph))).Result(); r.Safe() != c.safe {
			t.Errorf("%dx%d: %+v", c.pw, c.ph, r)
		}
	}
	// Two halves that flash by turns, each as often as is harmless, are one that
	// flashes too often.
	left, right := gray(16), gray(16)
	for i := range left.Y.Pix {
		if i%w < w/2 {
			left.Y.Pix[i] = 235
		} else {
			right.Y.Pix[i] = 235
		}
	}
	if r := measure(format, wave(4.5, left, gray(16), right)).Result(); r.Safe() {
		t.Errorf("halves by turns: %+v", r)
	}
	// A fine pattern that is inverted is exempt (WCAG: squares below 0.1 degree).
	fine := [2]*picture.Picture{gray(16), gray(16)}
	for k, p := range fine {
		for i := range p.Y.Pix {
			if (i%w+i/w+k)%2 == 0 {
				p.Y.Pix[i] = 235
			}
		}
	}
	if r := measure(format, wave(10, fine[0], fine[1])).Result(); !r.Safe() {
		t.Errorf("a fine pattern: %+v", r)
	}
}

// Codes of BT.709 colours (SMPTE RP 219-1, at 100 %): saturated red counts where
// its luminance does not.
func TestRed(t *testing.T) {
	red, darkRed, blue := even(63, 102, 240), even(40, 115, 184), even(32, 240, 118)
	if r := measure(format, wave(5, red, gray(16))).Result(); r.Red < 4.5 || r.Safe() {
		t.Errorf("red and black: %+v", r)
	}
	// A gray of the luminance of red (0.2126 of BT.1886 is level 0.525).
	if r := measure(format, wave(5, red, gray(16+115))).Result(); r.Red < 4.5 || r.General > 3 {
		t.Errorf("red and a gray as bright: %+v", r)
	}
	if r := measure(format, wave(5, darkRed, gray(16))).Result(); r.Red < 4.5 {
		t.Errorf("half red and black: %+v", r)
	}
	if r := measure(format, wave(5, blue, gray(16))).Result(); r.Red != 0 || r.General > 3 {
		t.Errorf("blue and black: %+v", r)
	}
}

// HDR counts by its light: PQ codes (10 bits) of 0, 15 and 25 cd/m2 (ST 2084).
func TestHDR(t *testing.T) {
	f := picture.Format{W: w, H: h, Depth: 10, ChromaX: -1, ChromaY: -1, Colour: picture.Colour{Transfer: "smpte2084"}}
	at := func(level float64) *picture.Picture {
		p := &picture.Picture{Y: picture.New(w, h, 10)}
		for i := range p.Y.Pix16 {
			p.Y.Pix16[i] = uint16(64 + 876*level)
		}
		return p
	}
	if r := measure(f, wave(10, at(0), at(0.335))).Result(); !r.Safe() {
		t.Errorf("15 cd/m2: %+v", r)
	}
	if r := measure(f, wave(10, at(0), at(0.385))).Result(); r.Safe() {
		t.Errorf("25 cd/m2: %+v", r)
	}
}

// A clone goes its own way.
func TestClone(t *testing.T) {
	s, m := NewSampler(format), NewMeter(rate)
	black, white := s.Sample(gray(16)), s.Sample(gray(235))
	m.Show(black, 3)
	c := m.Clone()
	for range 20 {
		c.Show(white, 3)
		c.Show(black, 3)
	}
	if c.Result().Safe() || m.Result().General != 0 {
		t.Errorf("the clone has %+v, the meter %+v", c.Result(), m.Result())
	}
}

// FFmpeg's filter photosensitivity, which measures in another way (the sum of
// changes over 8 x 8 fields and 30 frames), agrees where the matter is clear.
func TestAgainstFilter(t *testing.T) {
	badness := regexp.MustCompile(`photosensitivity\.badness=([0-9.]+)`)
	for _, c := range []struct {
		name string
		list []*picture.Picture
	}{
		{"still", wave(1, gray(120))},
		{"once a second, a little", wave(1, gray(110), gray(140))},
		{"10 Hz", wave(10, gray(16), gray(235))},
		{"30 Hz", wave(30, gray(16), gray(235))},
		{"7.5 Hz", wave(7.5, gray(40), gray(220))},
		{"small changes", wave(10, gray(100), gray(104))},
	} {
		var in bytes.Buffer
		for _, p := range c.list {
			in.Write(p.Y.Pix)
			in.Write(p.Cb.Pix)
			in.Write(p.Cr.Pix)
		}
		cmd := exec.Command("ffmpeg", "-v", "info", "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", fmt.Sprintf("%dx%d", w, h), "-r", strconv.Itoa(rate), "-i", "-",
			"-vf", "photosensitivity=bypass=1,metadata=print", "-f", "null", "-")
		cmd.Stdin = &in
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("ffmpeg (must be installed): %v\n%s", err, out)
		}
		found := badness.FindAllSubmatch(out, -1)
		if len(found) != len(c.list) {
			t.Fatalf("the filter says something of %d frames:\n%s", len(found), out)
		}
		most := 0.0
		// To it the first frame comes after a black one, for half a second.
		for _, f := range found[rate/2+1:] {
			if v, err := strconv.ParseFloat(string(f[1]), 64); err == nil {
				most = max(most, v)
			}
		}
		if r := measure(format, c.list).Result(); r.Safe() != (most < 1) {
			t.Errorf("%s: %+v, the filter says %g of its limit", c.name, r, most)
		}
	}
}

func BenchmarkSample(b *testing.B) {
	f := format
	f.W, f.H = 1920, 1080
	p := &picture.Picture{Y: picture.New(1920, 1080, 8), Cb: picture.New(960, 540, 8), Cr: picture.New(960, 540, 8)}
	s, m := NewSampler(f), NewMeter(rate)
	for b.Loop() {
		m.Show(s.Sample(p), 1)
	}
}
