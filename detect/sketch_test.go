package detect

import (
	"context"
	"image"
	"io"
	"testing"

	"setwitness/decode/picture"
)

// The sketch of a picture shows what the picture does, where the thing is of a
// ball's size.
func TestSketch(t *testing.T) {
	for _, depth := range []int{8, 10, 16} {
		for _, size := range []image.Point{{1920, 1080}, {1280, 720}, {3840, 2160}, {200, 100}, {853, 479}, {1, 1}} {
			p := &picture.Picture{Y: picture.New(size.X, size.Y, depth)}
			set := func(r image.Rectangle, code int) {
				for y := r.Min.Y; y < r.Max.Y; y++ {
					for x := r.Min.X; x < r.Max.X; x++ {
						if depth == 8 {
							p.Y.Pix[y*p.Y.Stride+x] = uint8(code)
						} else {
							p.Y.Pix16[y*p.Y.Stride+x] = uint16(code << (depth - 8))
						}
					}
				}
			}
			whole := image.Rect(0, 0, size.X, size.Y)
			set(whole, 40)
			side := max(size.X/30, 1)
			ball := image.Rect(0, 0, side, side).Add(size.Div(3)).Intersect(whole)
			set(ball, 200)
			var s sketch
			s.draw(&p.Y)
			for _, r := range []image.Rectangle{whole, ball, ball.Inset(-side / 2), whole.Add(size)} {
				if got, want := s.glance(r, depth), glanceAt(p, r); got != want {
					t.Errorf("%d bits, %v at %v: %+v, want %+v", depth, size, r, got, want)
				}
			}
			if n := testing.AllocsPerRun(5, func() { s.draw(&p.Y); s.glance(whole, depth) }); n != 0 {
				t.Errorf("%d bits, %v: %v allocations", depth, size, n)
			}
		}
	}
}

// blocks yields pictures of 8 bits whose left half gets brighter by one code
// each.
type blocks struct{ i, n int }

func (b *blocks) Format() picture.Format { return picture.Format{W: 320, H: 180, Depth: 8} }

func (b *blocks) Next(context.Context) (*picture.Picture, error) {
	if b.i == b.n {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: b.i, Y: picture.New(320, 180, 8)}
	for y := range 180 {
		for x := range 160 {
			p.Y.Pix[y*320+x] = uint8(b.i)
		}
	}
	b.i++
	return p, nil
}

// A mark sees its picture also where it comes so late that the samples went.
func TestLateMarkSees(t *testing.T) {
	for _, late := range []int{0, 9} {
		measure := stage("measure", "", 0, 0, nothing)
		mark := stage("mark", Ghost, 0, 0, func(w *Window) error {
			if w.T == 20 {
				w.Mark(Mark{Kind: Ghost, Picture: w.T, Region: image.Rect(0, 0, 160, 180), Strength: 50, Confidence: 0.99})
			}
			return nil
		}, Need{Stage: measure, Ahead: late})
		res, err := Run(context.Background(), &blocks{n: 40}, []*Stage{measure, mark}, nil, nil)
		if err != nil || len(res.Events) != 1 {
			t.Fatalf("%d pictures late: %d events, %v", late, len(res.Events), err)
		}
		if g := res.Events[0].seen; !g.known || g.ground != 20 {
			t.Errorf("%d pictures late: saw %+v, want code 20", late, g)
		}
	}
}
