package main

import (
	"context"
	"errors"
	"image"
	"slices"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/report/crops"
)

// cameraFrame is a frame in which every sample tells the frame and the row.
func cameraFrame(i int, size image.Point) *picture.Picture {
	p := &picture.Picture{Index: i, Frame: i, Y: picture.New(size.X, size.Y, 8), Cb: picture.New(size.X/2, size.Y/2, 8), Cr: picture.New(size.X/2, size.Y/2, 8)}
	for k, pl := range []*picture.Plane{&p.Y, &p.Cb, &p.Cr} {
		for y := range pl.H {
			for x := range pl.W {
				pl.Pix[y*pl.Stride+x] = uint8(40*k + 7*i + y)
			}
		}
	}
	return p
}

// The pictures of all findings are rebuilt in one pass through the camera's
// frames, each handed over with its last frame, and are those that a pass for
// each alone makes.
func TestRebuilt(t *testing.T) {
	size := image.Pt(64, 48)
	view := screen.Whole(size)
	// Five camera frames to four pictures: every fifth frame shows two.
	parts := func(i int) []display.Part {
		if i == 7 {
			return nil // no exposure shows it alone
		}
		var list []display.Part
		add := func(frame, from, to int) {
			list = append(list, display.Part{Frame: frame, Shown: time.Duration(frame) * time.Millisecond, View: view, From: from, To: to})
		}
		f, k := i/4*5, i%4*12
		// The frame that is preferred comes first, though it is the later one.
		add(f+i%4+1, 0, k+12)
		add(f+i%4, k, 48)
		add(f+i%4, 0, 0)
		return list
	}
	passes, read, last := 0, 0, 0
	r := &rebuilt{raster: size, parts: parts, fetch: func(_ context.Context, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
		passes++
		for i, w := range wanted {
			if i > 0 && w.Index <= wanted[i-1].Index || w.Time != time.Duration(w.Index)*time.Millisecond {
				t.Errorf("frame %d at %v is wanted after frame %d", w.Index, w.Time, wanted[max(i-1, 0)].Index)
			}
			read, last = read+1, w.Index
			if err := fn(cameraFrame(w.Index, size)); err != nil {
				return err
			}
		}
		return nil
	}}
	collect := func(wanted ...int) map[int][3][]uint8 {
		t.Helper()
		var list []crops.Wanted
		for _, i := range wanted {
			list = append(list, crops.Wanted{Index: i, Time: time.Duration(i) * time.Second})
		}
		got := map[int][3][]uint8{}
		var order []int
		err := r.Fetch(context.Background(), list, func(p *picture.Picture) error {
			if p.Time != time.Duration(p.Index)*time.Second {
				t.Errorf("picture %d at %v", p.Index, p.Time)
			}
			if end := parts(p.Index)[0].Frame; last != end {
				t.Errorf("picture %d is handed over with frame %d, its last is %d", p.Index, last, end)
			}
			order = append(order, p.Index)
			got[p.Index] = [3][]uint8{slices.Clone(p.Y.Pix), slices.Clone(p.Cb.Pix), slices.Clone(p.Cr.Pix)}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if want := slices.DeleteFunc(slices.Clone(wanted), func(i int) bool { return i == 7 }); !slices.Equal(order, want) {
			t.Errorf("pictures %v, want %v", order, want)
		}
		return got
	}
	wanted := []int{1, 2, 3, 6, 7, 8, 40, 41, 42, 400}
	got := collect(wanted...)
	if passes != 1 {
		t.Errorf("%d passes through the file", passes)
	}
	if read != 14 {
		t.Errorf("%d frames were read", read)
	}
	for _, i := range wanted {
		alone := collect(i)[i]
		for k := range alone {
			if !slices.Equal(got[i][k], alone[k]) {
				t.Errorf("picture %d, plane %d differs from the one rebuilt alone", i, k)
			}
		}
		// The earlier frame has the rows that both show.
		if list := parts(i); list != nil {
			if top := got[i][0][0]; top != uint8(7*list[0].Frame) && list[1].From > 0 {
				t.Errorf("picture %d begins with %d", i, top)
			}
			if y := list[1].From; got[i][0][y*size.X] != uint8(7*list[1].Frame+y) {
				t.Errorf("picture %d, row %d is %d", i, y, got[i][0][y*size.X])
			}
		}
	}
	stop := errors.New("the disk is full")
	if err := r.Fetch(context.Background(), []crops.Wanted{{Index: 1}}, func(*picture.Picture) error { return stop }); err != stop {
		t.Errorf("the reader's error comes back as %v", err)
	}
}
