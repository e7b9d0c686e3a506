package crops

import (
	"image"
	"math"
	"strings"
	"testing"

	"setwitness/decode/picture"
)

// staircase is a dark picture whose luma rises by one code every eight columns,
// from 20 of 8 bits.
func staircase(depth int) *picture.Picture {
	y := picture.New(256, 96, depth)
	for i := range 96 {
		for x := range 256 {
			code := (20 + x/8) << (depth - 8)
			if depth == 8 {
				y.Pix[i*256+x] = uint8(code)
			} else {
				y.Pix16[i*256+x] = uint16(code)
			}
		}
	}
	return &picture.Picture{Y: y}
}

// Whatever the depth, a lift of the same picture is the same, keeps the order of
// the codes and makes steps of one code as far apart as it says.
func TestLifted(t *testing.T) {
	r := image.Rect(0, 0, 256, 96)
	for _, depth := range []int{8, 10, 12} {
		p := staircase(depth)
		c := newConverter(picture.Format{W: 256, H: 96, Depth: depth, ChromaX: -1, ChromaY: -1})
		l := c.liftOf(p, r, &survey{})
		img := c.lifted(p, r, l, false)
		step := float64(img.RGBAAt(132, 5).R) - float64(img.RGBAAt(124, 5).R)
		if want := l.gain * 255 / 219; math.Abs(step-want) > 1 {
			t.Errorf("%d bits: a code is %g levels high, want %.2f", depth, step, want)
		}
		if l.gain < 6 || l.gain > 7.5 {
			// 32 codes, of which the outermost may be clipped, over 219.
			t.Errorf("%d bits: gain %.2f", depth, l.gain)
		}
		for x := 1; x < 256; x++ {
			if img.RGBAAt(x, 7).R < img.RGBAAt(x-1, 7).R {
				t.Fatalf("%d bits: column %d is darker than the one before", depth, x)
			}
		}
		if img.RGBAAt(0, 0).R > 8 || img.RGBAAt(255, 0).R < 247 {
			t.Errorf("%d bits: from %d to %d", depth, img.RGBAAt(0, 0).R, img.RGBAAt(255, 0).R)
		}
	}
}

// A flat place has no range to spread: noise must not fill the page.
func TestLiftOfFlat(t *testing.T) {
	p := &picture.Picture{Y: picture.New(64, 64, 8)}
	for i := range p.Y.Pix {
		p.Y.Pix[i] = 40
	}
	c := newConverter(picture.Format{W: 64, H: 64, Depth: 8, ChromaX: -1, ChromaY: -1})
	l := c.liftOf(p, image.Rect(0, 0, 64, 64), &survey{})
	if l.gain > mostLift*1.05 || l.gain < mostLift*0.9 {
		t.Errorf("gain %.1f", l.gain)
	}
	if v := c.lifted(p, image.Rect(0, 0, 64, 64), l, false).RGBAAt(3, 3).R; v < 100 || v > 155 {
		t.Errorf("a flat place became %d", v)
	}
}

// Nothing of the range is spent on codes below black, which a set does not show.
func TestLiftFromBlack(t *testing.T) {
	p := &picture.Picture{Y: picture.New(64, 64, 8)}
	for i := range p.Y.Pix {
		p.Y.Pix[i] = uint8(13 + i%8)
	}
	c := newConverter(picture.Format{W: 64, H: 64, Depth: 8, ChromaX: -1, ChromaY: -1})
	if l := c.liftOf(p, image.Rect(0, 0, 64, 64), &survey{}); l.from != 16 || l.to < 20 || l.gain > mostLift*1.05 {
		t.Errorf("codes 13 to 20: %+v", l)
	}
}

func TestCaption(t *testing.T) {
	for _, w := range []int{640, 120} {
		img := image.NewRGBA(image.Rect(0, 0, w, 40))
		out, err := captioned(img, lift{from: 20, to: 52, gain: 6.84, colour: 6.84}.words(255))
		if err != nil {
			t.Fatal(err)
		}
		if out.Rect.Dx() != w || out.Rect.Dy() <= 50 {
			t.Fatalf("%d wide: %v", w, out.Rect)
		}
		ink := 0
		for y := 40; y < out.Rect.Dy(); y++ {
			for x := range w {
				if out.RGBAAt(x, y).R > 180 {
					ink++
				}
			}
		}
		// Some seventy letters of about twenty dark pixels each.
		if ink < 700 || ink > 4000 {
			t.Errorf("%d wide: %d pixels of ink", w, ink)
		}
	}
	if s := (lift{from: 64, to: 150, gain: 10.2, colour: 10.2}).words(1023); !strings.Contains(s, "64 to 150 of 1023") || !strings.Contains(s, "10 times") {
		t.Error(s)
	}
}

func TestProfile(t *testing.T) {
	p := staircase(10)
	region := image.Rect(16, 8, 200, 88)
	// The lines are all alike: the first is taken.
	o := profileOf(&p.Y, region, surveyOf(&p.Y, region, grid{}, grid{}, 4), grid{}, grid{})
	if o.down || o.first != 16 || len(o.codes) != 184 || o.lines != profileAcross || o.at != 8 || len(o.steps) != 21 {
		t.Fatalf("profile %+v", o)
	}
	for i, c := range o.codes {
		if want := float64((20 + (16+i)/8) * 4); c != want {
			t.Fatalf("column %d: %g, want %g", 16+i, c, want)
		}
	}
	if len(o.grid) != 0 {
		t.Errorf("edges of no grid: %v", o.grid)
	}
	// Blocks of 10.67 lines: the profile goes along their axis.
	across, down := gridsOf(map[string]float64{"pitch_y_px": 32.0 / 3, "phase_y_px": 2})
	o = profileOf(&p.Y, region, surveyOf(&p.Y, region, across, down, 4), across, down)
	if !o.down || len(o.grid) != 8 || math.Abs(o.grid[0]-(2+32.0/3)) > 1e-9 {
		t.Errorf("down %v, edges %v", o.down, o.grid)
	}
	img, err := o.plot()
	if err != nil {
		t.Fatal(err)
	}
	if img.Rect.Dx() != plotW*plotDPI/72 || img.Rect.Dy() != plotH*plotDPI/72 {
		t.Errorf("plot of %v", img.Rect)
	}
	line, grid := 0, 0
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			switch img.RGBAAt(x, y) {
			case plotLine:
				line++
			case plotGrid:
				grid++
			}
		}
	}
	if line < 300 || grid < 150 {
		t.Errorf("%d pixels of the line, %d of the grid", line, grid)
	}
}
