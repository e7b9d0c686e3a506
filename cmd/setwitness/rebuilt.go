package main

import (
	"context"
	"image"
	"slices"
	"time"

	"setwitness/decode"
	"setwitness/decode/display"
	"setwitness/decode/picture"
	"setwitness/decode/screen"
	"setwitness/report/crops"
)

// rebuilt makes displayed pictures once more, in colour and of one exposure in
// each row, in one pass through the camera's frames.
type rebuilt struct {
	raster image.Point
	// parts are the rows of camera frames that a picture is made of.
	parts func(i int) []display.Part
	// kept, if not nil, has what some pictures are made of.
	kept interface {
		Has(i int) bool
		Kept(i int, fn func(*picture.Picture) error) error
	}
	// fetch reads camera frames, given in ascending order, again.
	fetch func(ctx context.Context, wanted []decode.Wanted, fn func(*picture.Picture) error) error
	// camera, if not nil, looks at each frame that is read, not at what was kept.
	camera func(*picture.Picture) error
}

// building is a picture that is being made.
type building struct {
	out    *picture.Picture // nil until its first frame
	index  int
	at     time.Duration
	parts  []display.Part
	filled []bool
	frames int // still to come
}

// Fetch implements crops.Pictures. Pictures that follow each other share camera
// frames; no more of them are in memory than share one.
func (r *rebuilt) Fetch(ctx context.Context, wanted []crops.Wanted, fn func(*picture.Picture) error) error {
	var list []*building // not handed over yet, in order
	users := map[int][]*building{}
	var frames []decode.Wanted
	luma, chroma := screen.NewRectifier(r.raster), screen.NewRectifier(r.raster.Div(2))
	hand := func() error {
		for len(list) > 0 && list[0].frames == 0 {
			b := list[0]
			list = list[1:]
			if b.out == nil {
				err := r.kept.Kept(b.index, func(c *picture.Picture) error { return b.add(c, r.raster, luma, chroma) })
				if err != nil {
					return err
				}
			}
			p := b.out
			b.out = nil
			if err := fn(p); err != nil {
				return err
			}
		}
		return nil
	}
	for _, w := range wanted {
		b := &building{index: w.Index, at: w.Time, parts: r.parts(w.Index)}
		if len(b.parts) == 0 {
			continue
		}
		list = append(list, b)
		if r.kept != nil && r.kept.Has(w.Index) {
			continue
		}
		for _, p := range b.parts {
			u := users[p.Frame]
			if len(u) == 0 {
				frames = append(frames, decode.Wanted{Index: p.Frame, Time: p.Shown})
			}
			if len(u) == 0 || u[len(u)-1] != b {
				users[p.Frame] = append(u, b)
				b.frames++
			}
		}
	}
	if err := hand(); err != nil || len(frames) == 0 {
		return err
	}
	slices.SortFunc(frames, func(a, b decode.Wanted) int { return a.Index - b.Index })
	return r.fetch(ctx, frames, func(c *picture.Picture) error {
		if r.camera != nil {
			if err := r.camera(c); err != nil {
				return err
			}
		}
		for _, b := range users[c.Index] {
			if err := b.add(c, r.raster, luma, chroma); err != nil {
				return err
			}
			b.frames--
		}
		delete(users, c.Index)
		return hand()
	})
}

// add fills the rows that a camera frame has of the picture and none before
// had.
func (b *building) add(c *picture.Picture, raster image.Point, luma, chroma *screen.Rectifier) error {
	if b.out == nil {
		b.out = &picture.Picture{Index: b.index, Frame: b.parts[0].Frame, Time: b.at}
		b.out.Y = picture.New(raster.X, raster.Y, c.Y.Depth)
		if !c.Cb.Empty() {
			b.out.Cb = picture.New(raster.X/2, raster.Y/2, c.Y.Depth)
			b.out.Cr = picture.New(raster.X/2, raster.Y/2, c.Y.Depth)
		}
		b.filled = make([]bool, raster.Y)
	}
	for _, p := range b.parts {
		if p.Frame != c.Index {
			continue
		}
		for from := p.From; from < p.To; {
			if b.filled[from] {
				from++
				continue
			}
			to := from
			for to < p.To && !b.filled[to] {
				b.filled[to] = true
				to++
			}
			if err := luma.Rectify(&b.out.Y, &c.Y, p.View, from, to); err != nil {
				return err
			}
			if !b.out.Cb.Empty() {
				for _, pl := range [2][2]*picture.Plane{{&b.out.Cb, &c.Cb}, {&b.out.Cr, &c.Cr}} {
					if err := chroma.Rectify(pl[0], pl[1], p.View, from/2, min((to+1)/2, raster.Y/2)); err != nil {
						return err
					}
				}
			}
			from = to
		}
	}
	return nil
}
