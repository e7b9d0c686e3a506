package signing

import (
	"context"
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/signature"
)

// reel plays pictures.
type reel struct {
	format   picture.Format
	pictures []*picture.Picture
}

func (r *reel) Format() picture.Format { return r.format }

func (r *reel) Next(context.Context) (*picture.Picture, error) {
	if len(r.pictures) == 0 {
		return nil, io.EOF
	}
	p := r.pictures[0]
	r.pictures = r.pictures[1:]
	return p, nil
}

func sign(t *testing.T, f picture.Format, pictures ...*picture.Picture) *signature.Sequence {
	t.Helper()
	res, err := detect.Run(context.Background(), &reel{f, pictures}, []*detect.Stage{cells.Stage, Stage}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := res.Signatures.Check(); err != nil {
		t.Fatal(err)
	}
	return res.Signatures
}

// A plane that rises along both axes has in each block the mean that the plane
// itself has there, whatever the raster.
func TestBlocksAreMeans(t *testing.T) {
	for _, c := range []struct{ w, h, depth int }{{1920, 1080, 8}, {640, 360, 8}, {720, 576, 10}, {853, 481, 8}, {320, 180, 8}} {
		f := picture.Format{W: c.w, H: c.h, Depth: c.depth, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}
		p := &picture.Picture{Y: picture.New(c.w, c.h, c.depth)}
		code := func(x, y int) float64 {
			return math.Floor(20 + 100*float64(x)/float64(c.w) + 90*float64(y)/float64(c.h))
		}
		for y := range c.h {
			for x := range c.w {
				if c.depth == 8 {
					p.Y.Pix[y*c.w+x] = uint8(code(x, y))
				} else {
					p.Y.Pix16[y*c.w+x] = uint16(code(x, y)) << (c.depth - 8)
				}
			}
		}
		s := sign(t, f, p)
		for b, v := range s.At(0) {
			x, y := float64(b%signature.Cols)+0.5, float64(b/signature.Cols)+0.5
			want := 20 + 100*x/signature.Cols + 90*y/signature.Rows - 0.5 // the codes were rounded down
			if d := float64(v)/signature.Unit8 - want; math.Abs(d) > 0.45 {
				t.Errorf("%dx%d: block %d is %.2f, want %.2f", c.w, c.h, b, float64(v)/signature.Unit8, want)
			}
		}
	}
}

// Blocks whose edges lie between samples have the mean of what lies within them:
// that of the samples, each by its share.
func TestBlocksAreExact(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct{ w, h int }{{854, 480}, {720, 405}, {1280, 720}, {333, 211}, {40, 20}, {20, 10}} {
		f := picture.Format{W: c.w, H: c.h, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}
		p := &picture.Picture{Y: picture.New(c.w, c.h, 8)}
		for i := range p.Y.Pix {
			p.Y.Pix[i] = uint8(16 + r.IntN(220))
		}
		s := sign(t, f, p)
		for b, v := range s.At(0) {
			x0, x1 := float64(b%signature.Cols*c.w)/signature.Cols, float64((b%signature.Cols+1)*c.w)/signature.Cols
			y0, y1 := float64(b/signature.Cols*c.h)/signature.Rows, float64((b/signature.Cols+1)*c.h)/signature.Rows
			sum := 0.0
			for y := int(y0); float64(y) < y1; y++ {
				for x := int(x0); float64(x) < x1; x++ {
					share := (min(x1, float64(x+1)) - max(x0, float64(x))) * (min(y1, float64(y+1)) - max(y0, float64(y)))
					sum += share * float64(p.Y.Pix[y*p.Y.Stride+x])
				}
			}
			want := sum / (x1 - x0) / (y1 - y0)
			if d := float64(v)/signature.Unit8 - want; math.Abs(d) > 0.01 {
				t.Errorf("%dx%d: block %d is %.3f, want %.3f", c.w, c.h, b, float64(v)/signature.Unit8, want)
			}
		}
	}
}

func TestUntrustedRowsAreUnknown(t *testing.T) {
	f := picture.Format{W: 320, H: 180, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1}
	p := &picture.Picture{Y: picture.New(320, 180, 8), Trust: []float64{1, 1, 0, 1, 1, 1, 1, 1, 1}}
	large := f
	large.W, large.H = 1920, 1080
	q := &picture.Picture{Y: picture.New(1920, 1080, 8), Trust: p.Trust}
	for _, s := range []*signature.Sequence{sign(t, f, p), sign(t, large, q)} {
		for b, v := range s.At(0) {
			switch row := b / signature.Cols; {
			case (row == 4 || row == 5) && v != signature.Unknown:
				t.Errorf("block %d of rows that are not trusted is %d", b, v)
			case (row < 3 || row > 6) && v != 0:
				t.Errorf("block %d is %d", b, v)
			}
		}
	}
}

// A film all of whose exposures mix pictures still moves: its blocks are what they show
// together, and those of one in which a third of the rows are mixed stay unknown.
func TestMixedThroughout(t *testing.T) {
	f := picture.Format{W: 320, H: 180, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 60, RateDen: 1}
	for _, c := range []struct {
		trust   []float64
		unknown int
	}{{[]float64{0, 0, 0}, 0}, {[]float64{1, 0, 0}, 0}, {[]float64{1, 0, 1}, signature.Blocks / 3}} {
		var ps []*picture.Picture
		for i := range 5 {
			p := &picture.Picture{Index: i, Y: picture.New(320, 180, 8), Trust: c.trust}
			for k := range p.Y.Pix {
				p.Y.Pix[k] = uint8(40 * (i + 1))
			}
			ps = append(ps, p)
		}
		// The first is known throughout.
		ps = append([]*picture.Picture{{Y: picture.New(320, 180, 8)}}, ps...)
		s := sign(t, f, ps...)
		for i := range 6 {
			unknown := 0
			for _, v := range s.At(i) {
				switch {
				case v == signature.Unknown:
					unknown++
				case math.Abs(float64(v)-float64(40*i)*signature.Unit8) > signature.Unit8/2:
					t.Errorf("trust %v: a block of picture %d is %.1f", c.trust, i, float64(v)/signature.Unit8)
				}
			}
			if i > 0 && unknown != c.unknown || i == 0 && unknown > 0 {
				t.Errorf("trust %v: %d blocks of picture %d are unknown, want %d", c.trust, unknown, i, c.unknown)
			}
		}
	}
}

func TestTimesAndAspect(t *testing.T) {
	f := picture.Format{W: 720, H: 288, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 50, RateDen: 1, SampleAspectNum: 64, SampleAspectDen: 45, Fields: true}
	var ps []*picture.Picture
	for i, at := range []time.Duration{0, 160, 120, 480} { // the third runs backwards
		ps = append(ps, &picture.Picture{Index: i, Time: at * time.Millisecond, Slowed: at * time.Millisecond * 7 / 8, Y: picture.New(720, 288, 8)})
	}
	s := sign(t, f, ps...)
	// 720 by 576 samples of 64:45 are 16:9.
	if math.Abs(s.Aspect-16./9) > 1e-9 {
		t.Errorf("aspect %g", s.Aspect)
	}
	if s.Times[2] != 160*time.Millisecond || s.Lives[3] != 60*time.Millisecond {
		t.Errorf("times %v, in life %v", s.Times, s.Lives)
	}
}
