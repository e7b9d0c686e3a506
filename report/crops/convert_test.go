package crops

import (
	"bytes"
	"image"
	"math"
	"os/exec"
	"strconv"
	"testing"

	"setwitness/decode/picture"
)

// flat makes a 4:4:4 picture of one colour.
func flat(y, cb, cr, depth int) *picture.Picture {
	p := &picture.Picture{Y: picture.New(4, 4, depth), Cb: picture.New(4, 4, depth), Cr: picture.New(4, 4, depth)}
	fill(&p.Y, y)
	fill(&p.Cb, cb)
	fill(&p.Cr, cr)
	return p
}

func fill(p *picture.Plane, v int) {
	for i := range p.Pix {
		p.Pix[i] = uint8(v)
	}
	for i := range p.Pix16 {
		p.Pix16[i] = uint16(v)
	}
}

func format(w, h, depth int, matrix string) picture.Format {
	return picture.Format{W: w, H: h, Depth: depth, Colour: picture.Colour{Matrix: matrix}, RateNum: 50, RateDen: 1}
}

// 75 % colour bars in 10-bit Y, Cb, Cr: SMPTE RP 219-1 (BT.709, BT.601) and
// its BT.2020 form in RP 219-2.
func TestBars(t *testing.T) {
	colours := []string{"white", "yellow", "cyan", "green", "magenta", "red", "blue"}
	rgb := [][3]bool{{true, true, true}, {true, true, false}, {false, true, true}, {false, true, false}, {true, false, true}, {true, false, false}, {false, false, true}}
	for matrix, bars := range map[string][][3]int{
		"bt709":     {{721, 512, 512}, {674, 176, 543}, {581, 589, 176}, {534, 253, 207}, {251, 771, 817}, {204, 435, 848}, {111, 848, 481}},
		"smpte170m": {{721, 512, 512}, {646, 176, 567}, {525, 625, 176}, {450, 289, 231}, {335, 735, 793}, {260, 399, 848}, {139, 848, 457}},
		"bt2020nc":  {{721, 512, 512}, {682, 176, 539}, {548, 606, 176}, {509, 270, 203}, {276, 754, 821}, {237, 418, 848}, {103, 848, 485}},
	} {
		c := newConverter(format(4, 4, 10, matrix))
		for i, bar := range bars {
			got := c.window(flat(bar[0], bar[1], bar[2], 10), image.Rect(0, 0, 4, 4)).RGBAAt(2, 2)
			for k, v := range []uint8{got.R, got.G, got.B} {
				want := 0.0
				if rgb[i][k] {
					want = 0.75 * 255
				}
				// The codes of the bars are rounded to whole ones, a third
				// of an 8-bit code.
				if math.Abs(float64(v)-want) > 1 {
					t.Errorf("%s %s: %v, channel %d wants %.1f", matrix, colours[i], got, k, want)
				}
			}
		}
	}
}

// Black, white and what lies beyond them, at every depth and both ranges.
func TestRange(t *testing.T) {
	for depth := 8; depth <= 16; depth++ {
		step := 1 << (depth - 8)
		f := format(4, 4, depth, "bt709")
		for _, c := range []struct {
			full bool
			code int
			want uint8
		}{
			{false, 16 * step, 0}, {false, 235 * step, 255}, {false, 0, 0}, {false, 255 * step, 255},
			{true, 0, 0}, {true, 256*step - 1, 255}, {true, 128 * step, 128},
		} {
			f.Colour.FullRange = c.full
			got := newConverter(f).window(flat(c.code, 128*step, 128*step, depth), image.Rect(0, 0, 4, 4)).RGBAAt(1, 1)
			if d := int(got.G) - int(c.want); d < -1 || d > 1 || got.R != got.G || got.B != got.G || got.A != 255 {
				t.Errorf("depth %d, full %v, code %d: %v, want %d", depth, c.full, c.code, got, c.want)
			}
		}
	}
}

func TestGray(t *testing.T) {
	f := format(4, 4, 8, "")
	f.ChromaX, f.ChromaY = -1, -1
	p := flat(126, 0, 0, 8)
	p.Cb, p.Cr = picture.Plane{}, picture.Plane{}
	got := newConverter(f).window(p, image.Rect(0, 0, 4, 4)).RGBAAt(0, 0)
	if got.R != 128 || got.G != 128 || got.B != 128 {
		t.Errorf("gray picture gives %v", got)
	}
}

// FFmpeg's scaler, which knows nothing of this code, brings the same planes to
// RGB. The pictures are smooth, because the two may differ in how they
// interpolate chroma across an edge.
func TestAgainstScaler(t *testing.T) {
	const w, h = 128, 96
	for _, c := range []struct {
		pixfmt, matrix string
		name           string // of the matrix for the scaler
		cx, cy, depth  int
		full           bool
	}{
		{"yuv420p", "bt709", "bt709", 1, 1, 8, false},
		{"yuv420p", "smpte170m", "bt601", 1, 1, 8, false},
		{"yuv422p", "bt709", "bt709", 1, 0, 8, true},
		{"yuv444p", "bt2020nc", "bt2020", 0, 0, 8, false},
		{"yuv420p10le", "bt709", "bt709", 1, 1, 10, false},
		{"yuv422p12le", "bt709", "bt709", 1, 0, 12, false},
		{"yuv411p", "smpte170m", "bt601", 2, 0, 8, false},
	} {
		f := format(w, h, c.depth, c.matrix)
		f.ChromaX, f.ChromaY, f.Colour.FullRange = c.cx, c.cy, c.full
		cw, ch := w>>c.cx, h>>c.cy
		p := &picture.Picture{Y: picture.New(w, h, c.depth), Cb: picture.New(cw, ch, c.depth), Cr: picture.New(cw, ch, c.depth)}
		wave(&p.Y, 120, 60, w, h, 0)
		wave(&p.Cb, 128, 40, cw, ch, 1)
		wave(&p.Cr, 128, 40, cw, ch, 2)
		var in bytes.Buffer
		for _, plane := range []*picture.Plane{&p.Y, &p.Cb, &p.Cr} {
			for _, v := range plane.Pix {
				in.WriteByte(v)
			}
			for _, v := range plane.Pix16 {
				in.WriteByte(byte(v))
				in.WriteByte(byte(v >> 8))
			}
		}
		rng := "tv"
		if c.full {
			rng = "pc"
		}
		cmd := exec.Command("ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", c.pixfmt, "-s", strconv.Itoa(w)+"x"+strconv.Itoa(h), "-i", "-",
			"-vf", "scale=in_range="+rng+":out_range=pc:in_color_matrix="+c.name+":in_h_chr_pos=0:in_v_chr_pos="+strconv.Itoa(128*c.cy)+":flags=bilinear+accurate_rnd+full_chroma_int+full_chroma_inp,format=rgb24",
			"-f", "rawvideo", "-")
		cmd.Stdin = &in
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		want, err := cmd.Output()
		if err != nil || len(want) != w*h*3 {
			t.Fatalf("ffmpeg gave %d bytes: %v\n%s", len(want), err, stderr.Bytes())
		}
		got := newConverter(f).window(p, image.Rect(0, 0, w, h))
		worst := 0
		// Below the last line of chroma the scaler holds another value than
		// the nearest one, so the last line of luma is left out.
		for i := range w * (h - 1) {
			for k := range 3 {
				d := int(got.Pix[4*i+k]) - int(want[3*i+k])
				worst = max(worst, d, -d)
			}
		}
		// The scaler works with fixed point tables, worth about 3 codes where
		// chroma is strong, and both round to 8 bits.
		if worst > 4 {
			t.Errorf("%s %s: differs from the scaler by up to %d codes", c.pixfmt, c.matrix, worst)
		}
	}
}

// wave fills a plane with a mean and a swing in 8-bit codes.
func wave(p *picture.Plane, mean, swing float64, w, h int, phase float64) {
	step := float64(int(1) << (p.Depth - 8))
	for y := range h {
		for x := range w {
			a := math.Sin(2*math.Pi*float64(x)/float64(w)+phase) * math.Cos(2*math.Pi*float64(y)/float64(h)+phase)
			v := int((mean+swing*a)*step + 0.5)
			if p.Pix != nil {
				p.Pix[y*p.Stride+x] = uint8(v)
			} else {
				p.Pix16[y*p.Stride+x] = uint16(v)
			}
		}
	}
}

// A window is a cut of the whole, and a picture reduced by whole factors has
// the same mean.
func TestWindowAndReduced(t *testing.T) {
	f := format(64, 48, 8, "bt709")
	f.ChromaX, f.ChromaY = 1, 1
	p := &picture.Picture{Y: picture.New(64, 48, 8), Cb: picture.New(32, 24, 8), Cr: picture.New(32, 24, 8)}
	wave(&p.Y, 120, 80, 64, 48, 0)
	wave(&p.Cb, 128, 60, 32, 24, 1)
	wave(&p.Cr, 128, 60, 32, 24, 2)
	for _, parity := range []picture.Parity{picture.Frame, picture.Top, picture.Bottom} {
		p.Parity = parity
		c := newConverter(f)
		whole := c.window(p, image.Rect(0, 0, 64, 48))
		r := image.Rect(13, 7, 50, 41)
		part := c.window(p, r)
		for y := range r.Dy() {
			for x := range r.Dx() {
				if part.RGBAAt(x, y) != whole.RGBAAt(x+r.Min.X, y+r.Min.Y) {
					t.Fatalf("%s: the window differs from the whole at %d,%d", parity, x, y)
				}
			}
		}
		small := reduce(c.whole(p), 4, 2)
		if small.Rect != image.Rect(0, 0, 16, 24) {
			t.Fatalf("reduced to %v", small.Rect)
		}
		sum := 0
		for k := range 8 {
			sum += int(whole.RGBAAt(8+k%4, 10+k/4).G)
		}
		if got := int(small.RGBAAt(2, 5).G); got != (sum+4)/8 {
			t.Errorf("%s: reduced pixel is %d, mean %d", parity, got, (sum+4)/8)
		}
	}
}

// Chroma of a field lies a quarter (top) or three quarters (bottom) from one
// line of the field to the next, so a vertical ramp sampled there reads back.
func TestFieldChroma(t *testing.T) {
	f := format(4, 32, 8, "bt709")
	f.ChromaX, f.ChromaY = 1, 1
	for parity, site := range map[picture.Parity]float64{picture.Frame: 0.5, picture.Top: 0.25, picture.Bottom: 0.75} {
		plane := picture.New(2, 16, 8)
		for j := range 16 {
			for i := range 2 {
				plane.Pix[2*j+i] = uint8(math.Round(64 + 4*(2*float64(j)+site)))
			}
		}
		c := newConverter(f)
		dst := make([]float32, 4)
		for y := 2; y < 28; y++ {
			c.chroma(dst, &plane, 0, y, parity)
			if got, want := float64(dst[1])*224+128, 64+4*float64(y); math.Abs(got-want) > 0.6 {
				t.Errorf("%s line %d: chroma %.2f, want %.2f", parity, y, got, want)
			}
		}
	}
}

// Reference levels of ITU-R BT.2408: 58 % PQ and 75 % HLG are 203 cd/m2, 38 %
// of either is 26 cd/m2. PQ light from ST 2084.
func TestHDRLight(t *testing.T) {
	for transfer, levels := range map[string][][2]float64{
		pq:  {{0, 0}, {0.1, 0.324565591}, {0.5, 92.2457090}, {0.58, 201.6663}, {1, 10000}},
		hlg: {{0, 0}, {0.38, 26.24}, {0.5, 50.697}, {0.75, 203.15}, {1, 1000}},
	} {
		h := newHDR(transfer)
		for _, c := range levels {
			// The nearest entry of the table is half a step of it away at most.
			got, tolerance := referenceWhite*float64(look(h.light, float32(c[0]))), 0.003*c[1]
			if math.Abs(got-c[1]) > tolerance {
				t.Errorf("%s level %g is %.6f cd/m2, want %.6f", transfer, c[0], got, c[1])
			}
		}
	}
}

// Greys stay grey and in order, black is black, 1000 cd/m2 is white, and the
// matrix undoes that of BT.2087.
func TestHDRShow(t *testing.T) {
	for _, transfer := range []string{pq, hlg} {
		h := newHDR(transfer)
		last := float32(-1)
		for i := range 257 {
			r, g, b := h.show(float32(i)/256, float32(i)/256, float32(i)/256)
			if d := max(r, g, b) - min(r, g, b); d > 0.004 {
				t.Fatalf("%s: grey %d becomes %g %g %g", transfer, i, r, g, b)
			}
			if g < last {
				t.Fatalf("%s: level %d is shown darker than the one below", transfer, i)
			}
			last = g
		}
	}
	_, black, _ := newHDR(pq).show(0, 0, 0)
	_, white, _ := newHDR(pq).show(0.751827, 0.751827, 0.751827) // 1000 cd/m2 in ST 2084
	if black != 0 || white < 0.99 || white > 1.01 {
		t.Errorf("black is shown as %g, 1000 cd/m2 as %g", black, white)
	}
	// Red of BT.709 in BT.2020 primaries.
	h := &hdr{light: newHDR(pq).light, code: newHDR(pq).code}
	level := func(l float64) float32 { // inverse of the table, by search
		best := 0
		for i, v := range h.light {
			if math.Abs(float64(v)-l) < math.Abs(float64(h.light[best])-l) {
				best = i
			}
		}
		return float32(best) / hdrSteps
	}
	r, g, b := h.show(level(0.6274), level(0.0691), level(0.0164))
	if r < 0.5 || g > 0.1 || b > 0.1 {
		t.Errorf("red of BT.709 is shown as %.3f %.3f %.3f", r, g, b)
	}
	for _, name := range []string{"bt709", "", "smpte170m"} {
		if Mapping(name) != "" {
			t.Errorf("a mapping is stated for %q", name)
		}
	}
	if Mapping(pq) == "" || Mapping(hlg) == "" {
		t.Error("no mapping is stated for HDR")
	}
}

func BenchmarkWindow(b *testing.B) {
	f := format(1920, 1080, 8, "bt709")
	f.ChromaX, f.ChromaY = 1, 1
	p := &picture.Picture{Y: picture.New(1920, 1080, 8), Cb: picture.New(960, 540, 8), Cr: picture.New(960, 540, 8)}
	c := newConverter(f)
	for b.Loop() {
		c.window(p, image.Rect(0, 0, 1920, 1080))
	}
}
