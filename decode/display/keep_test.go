package display

import (
	"image"
	"math/rand/v2"
	"slices"
	"testing"

	"setwitness/decode/picture"
	"setwitness/decode/screen"
)

// noisy returns a camera frame of noise.
func noisy(index int, size image.Point) *picture.Picture {
	r := rand.New(rand.NewPCG(uint64(index), 3))
	p := &picture.Picture{Frame: index, Y: picture.New(size.X, size.Y, 8), Cb: picture.New(size.X/2, size.Y/2, 8), Cr: picture.New(size.X/2, size.Y/2, 8)}
	for _, pl := range []*picture.Plane{&p.Y, &p.Cb, &p.Cr} {
		for i := range pl.Pix {
			pl.Pix[i] = uint8(r.IntN(256))
		}
	}
	return p
}

// What is kept of the camera's frames makes the same pictures as the frames do, however
// the screen lies in them.
func TestKept(t *testing.T) {
	size, raster := image.Pt(160, 90), image.Pt(96, 54)
	for name, q := range map[string]screen.Quad{
		"slanting": {{X: 20, Y: 8}, {X: 140, Y: 20}, {X: 132, Y: 80}, {X: 26, Y: 70}},
		"upright":  {{X: 120, Y: 4}, {X: 118, Y: 86}, {X: 40, Y: 84}, {X: 44, Y: 6}},
		"close-up": {{X: -0.5, Y: -0.5}, {X: 159.5, Y: -0.5}, {X: 159.5, Y: 89.5}, {X: -0.5, Y: 89.5}},
	} {
		view := screen.Whole(size)
		view.Quad = q
		frames := map[int]*picture.Picture{7: noisy(7, size), 8: noisy(8, size), 9: noisy(9, size)}
		parts := []Part{
			{Frame: 9, View: view, From: 30, To: 54}, {Frame: 8, View: view, From: 10, To: 40},
			{Frame: 7, View: view, From: 0, To: 21},
		}
		// Of each row the first frame that has it.
		from := [3]Part{{Frame: 7, From: 0, To: 21}, {Frame: 8, From: 21, To: 40}, {Frame: 9, From: 40, To: 54}}
		var o Source
		o.keeper.add(4, parts, raster.Y, func(i int) *picture.Picture { return frames[i] })
		if o.Has(4) {
			t.Errorf("%s: kept, though nobody asked for it", name)
		}
		o.Keep(5)
		if !o.Has(4) {
			t.Fatalf("%s: the picture before the one that was asked for is not kept", name)
		}
		whole := slices.Clone(frames[7].Y.Pix)
		clear(frames[7].Y.Pix) // the decoder's memory is used again
		var order []int
		luma, chroma := screen.NewRectifier(raster), screen.NewRectifier(raster.Div(2))
		err := o.Kept(4, func(c *picture.Picture) error {
			copy(frames[7].Y.Pix, whole)
			p := from[len(order)]
			order = append(order, c.Index)
			for k, planes := range [3][2]*picture.Plane{{&c.Y, &frames[c.Index].Y}, {&c.Cb, &frames[c.Index].Cb}, {&c.Cr, &frames[c.Index].Cr}} {
				r, size, first, last := luma, raster, p.From, p.To
				if k > 0 {
					r, size, first, last = chroma, raster.Div(2), p.From/2, (p.To+1)/2
				}
				got, want := picture.New(size.X, size.Y, 8), picture.New(size.X, size.Y, 8)
				if err := r.Rectify(&got, planes[0], view, first, last); err != nil {
					return err
				}
				if err := r.Rectify(&want, planes[1], view, first, last); err != nil {
					return err
				}
				if !slices.Equal(got.Pix, want.Pix) {
					t.Errorf("%s: plane %d of frame %d is not as the frame has it", name, k, c.Index)
				}
			}
			return nil
		})
		if err != nil || !slices.Equal(order, []int{7, 8, 9}) {
			t.Errorf("%s: frames %v, %v", name, order, err)
		}
		o.Drop(5)
		if o.Has(4) || o.keeper.full != 0 {
			t.Errorf("%s: still kept when nobody wants it", name)
		}
	}
}

// Pictures that come after they were asked for are kept as well, those that went by long
// ago are not, and memory is bounded.
func TestKeeperBounds(t *testing.T) {
	size := image.Pt(160, 90)
	frame := noisy(0, size)
	var o Source
	add := func(i int) {
		parts := []Part{{View: screen.Whole(size), From: 0, To: 54}}
		o.keeper.add(i, parts, 54, func(int) *picture.Picture { return frame })
	}
	for i := range 100 {
		if i == 50 {
			o.Keep(50) // itself and the one after are still to come
			o.Keep(10)
		}
		add(i)
	}
	for i, want := range map[int]bool{9: false, 10: false, 48: false, 49: true, 50: true, 51: true, 52: false} {
		if o.Has(i) != want {
			t.Errorf("picture %d is kept: %v", i, !want)
		}
	}
	if n := len(o.keeper.latest); n != latestPictures {
		t.Errorf("%d latest pictures", n)
	}
	// Two events are strongest in one picture.
	o.Keep(50)
	o.Drop(50)
	if !o.Has(50) {
		t.Error("gone, though one event still wants it")
	}
	o.Drop(50)
	if o.Has(50) {
		t.Error("still there")
	}
	o.keeper.size += mostLatest
	add(100)
	if len(o.keeper.latest) >= latestPictures {
		t.Error("memory of the latest pictures is not bounded")
	}
}
