package posterisation

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"os/exec"
	"testing"
	"time"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/detect/contour"
	"setwitness/testdata/gradients"
)

var stages = []*detect.Stage{cells.Stage, contour.Stage, Stage}

// Gradients that lost levels, in luma or in colour alone, are found with their
// depth; those that did not are not, nor is what was drawn.
func TestTakes(t *testing.T) {
	for _, name := range []string{
		"bright-ramp-0", "bright-10bit", "colour-sky", "clean-honest-ramp", "clean-cel",
	} {
		take, ok := gradients.Named(1, name)
		if !ok {
			t.Fatalf("no take %s", name)
		}
		res, err := detect.Run(context.Background(), take.Source(), stages, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		o := take.Score(res.Events)
		for _, m := range o.Misses {
			t.Errorf("%s: missed %+v", name, m)
		}
		for _, e := range o.False {
			t.Errorf("%s: false %+v", name, e)
		}
		for _, h := range o.Hits {
			e := h.Event
			if want := h.Truth.Measures[gradients.EffectiveBits]; math.Abs(e.Measures["effective_bits"]-want) > 0.5 {
				t.Errorf("%s: %.2f effective bits, want %.2f", name, e.Measures["effective_bits"], want)
			}
			if _, colour := e.Measures["step_itp"]; colour != (name == "colour-sky") {
				t.Errorf("%s: %v", name, e.Measures)
			}
		}
	}
}

// raw plays luma planes that lie one after the other, 25 a second.
type raw struct {
	format picture.Format
	data   []byte
	i      int
}

func (r *raw) Format() picture.Format { return r.format }

func (r *raw) Next(context.Context) (*picture.Picture, error) {
	n := r.format.W * r.format.H
	if (r.i+1)*n > len(r.data) {
		return nil, io.EOF
	}
	p := &picture.Picture{Index: r.i, Frame: r.i, Time: time.Duration(r.i) * 40 * time.Millisecond}
	p.Y = picture.Plane{Pix: r.data[r.i*n : (r.i+1)*n], Stride: r.format.W, W: r.format.W, H: r.format.H, Depth: 8}
	r.i++
	return p, nil
}

// FFmpeg's gradfun and deband filters, made to lessen banding, do lessen what is
// found: a general-purpose second opinion.
func TestDebanded(t *testing.T) {
	take, _ := gradients.Named(1, "bright-waves-1")
	f := picture.Format{W: take.Format.W, H: take.Format.H, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 25, RateDen: 1}
	var data []byte
	for i := range 8 {
		p := take.Picture(i)
		data = append(data, p.Y.Pix...)
	}
	contours := func(data []byte) float64 {
		t.Helper()
		res, err := detect.Run(context.Background(), &raw{format: f, data: data}, stages, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		length := 0.0
		for _, e := range res.Events {
			length += e.Measures["contour_length_px"]
		}
		return length
	}
	before := contours(data)
	if before == 0 {
		t.Fatal("nothing found in the banded take")
	}
	for _, filter := range []string{"gradfun=strength=6:radius=32", "deband=1thr=0.03:range=48"} {
		cmd := exec.Command("ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", "gray", "-s", fmt.Sprintf("%dx%d", f.W, f.H),
			"-i", "-", "-vf", filter, "-pix_fmt", "gray", "-f", "rawvideo", "-")
		cmd.Stdin = bytes.NewReader(data)
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("ffmpeg: %v", err)
		}
		if after := contours(out); after > before/2 {
			t.Errorf("%s: contours of %.0f px, %.0f before", filter, after, before)
		}
	}
}

// What sloped a moment before has fallen into plateaus, however few they are and though
// they look as drawn ones do; bars that are there all along, that appear or that are faded
// in are drawn.
func TestFallenSlope(t *testing.T) {
	const w, h, pictures, from = 960, 540, 20, 10
	slope := func(x int) float64 { return 90 + 60*math.Pow(float64(x)/w, 1.5) }
	bars := func(x int) float64 { return 12 * math.Round(slope(x)/12) }
	for name, c := range map[string]struct {
		level func(i, x int) float64
		fault bool
	}{
		"falls": {func(i, x int) float64 {
			if i < from {
				return slope(x)
			}
			return bars(x)
		}, true},
		"drawn": {func(_, x int) float64 { return bars(x) }, false},
		"appear": {func(i, x int) float64 {
			if i < from {
				return 110
			}
			return bars(x)
		}, false},
		"fade": {func(i, x int) float64 {
			a := min(float64(i)/pictures, 1)
			return 110 + a*(bars(x)-110)
		}, false},
		"dissolve": {func(i, x int) float64 {
			a := min(float64(i)/pictures, 1)
			return slope(w-x) + a*(bars(x)-slope(w-x))
		}, false},
	} {
		var data []byte
		for i := range pictures {
			row := make([]byte, w)
			for x := range row {
				row[x] = byte(math.Round(c.level(i, x)))
			}
			data = append(data, bytes.Repeat(row, h)...)
		}
		f := picture.Format{W: w, H: h, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: 25, RateDen: 1}
		res, err := detect.Run(context.Background(), &raw{format: f, data: data}, stages, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(res.Events); n > 1 || n > 0 != c.fault {
			t.Errorf("%s: found %+v", name, res.Events)
		} else if c.fault {
			if start := res.Events[0].Start; start < from-2 || start > from+2 {
				t.Errorf("%s: begins at picture %d", name, start)
			}
		}
	}
}
