package display

import (
	"image"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/decode/refresh"
	"setwitness/decode/screen"
)

// A picture gets the mean chroma of its camera frames, ten times a second.
func TestChroma(t *testing.T) {
	const w, h = 64, 48
	view := screen.View{Quad: screen.Quad{{X: 8, Y: 8}, {X: 56, Y: 8}, {X: 56, Y: 40}, {X: 8, Y: 40}}, Size: image.Pt(w, h)}
	o := &Source{survey: &Survey{Raster: image.Pt(48, 32)}}
	// Frames that take turns below and above 100 and 150.
	for i := range 4 {
		c := &picture.Picture{Frame: i, Y: picture.New(w, h, 8), Cb: picture.New(w/2, h/2, 8), Cr: picture.New(w/2, h/2, 8)}
		for k := range c.Cb.Pix {
			c.Cb.Pix[k], c.Cr.Pix[k] = uint8(98+4*(i%2)), uint8(147+6*(i%2))
		}
		o.held = append(o.held, held{c, view})
		o.parts = append(o.parts, Part{Frame: i, View: view, To: 32}, Part{Frame: i, View: view, To: 32})
	}
	var with []int
	for i := range 20 {
		p := &picture.Picture{Time: time.Duration(i) * 20 * time.Millisecond}
		if err := o.addChroma(p); err != nil {
			t.Fatal(err)
		}
		if p.Cb.Empty() {
			continue
		}
		with = append(with, i)
		for _, c := range []struct {
			plane *picture.Plane
			want  int
		}{{&p.Cb, 100}, {&p.Cr, 150}} {
			if c.plane.W != 24 || c.plane.H != 16 || c.plane.Depth != 8+refresh.MoreBits {
				t.Fatalf("%d by %d samples of %d bits", c.plane.W, c.plane.H, c.plane.Depth)
			}
			for y := range c.plane.H {
				for x := range c.plane.W {
					if v := c.plane.At(x, y); v != c.want<<refresh.MoreBits {
						t.Fatalf("chroma of %d at %d,%d, want %d", v, x, y, c.want<<refresh.MoreBits)
					}
				}
			}
		}
	}
	if len(with) != 4 || with[0] != 0 || with[1] != 5 {
		t.Errorf("pictures %v of 50 a second have chroma", with)
	}
	// Frames that are gone give none.
	o.held = nil
	p := &picture.Picture{Time: time.Second}
	if err := o.addChroma(p); err != nil || !p.Cb.Empty() {
		t.Errorf("chroma of no frame (%v)", err)
	}
}
