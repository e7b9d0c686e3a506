package gradients

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"path/filepath"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/takes"
)

// clip is a real clip with a soft gradient that has all its levels.
type clip struct {
	path       string
	low, high  float64 // luma of the gradient, codes of 8 bits
	skip, keep int     // pictures
}

// The real clips of the footage that have one: a dusk sky, plain walls, and a
// fade up from black of a sky.
var clips = []clip{
	{"sky/dusk_phone_hevc.mp4", 110, 170, 0, 60},
	{"ball/ball.mp4", 110, 172, 0, 60},
	{"ball/ball2.mp4", 110, 160, 0, 60},
	{"ball/ball3.mp4", 120, 190, 40, 60},
	{"ball/ball4.mp4", 120, 150, 40, 60},
	{"clips/bbb_2500ms.ts", 90, 200, 30, 28},
}

// Real returns takes of the real clips in a folder: each as it is, made dark as
// it is, and both with levels lost.
func Real(folder string, seed int64) ([]takes.Take, error) {
	m := newMaker(seed, 3)
	var out []takes.Take
	for _, c := range clips {
		pictures, format, err := c.read(folder)
		if err != nil {
			return nil, err
		}
		name := filepath.Base(c.path)
		same := func(v float64) float64 { return v }
		// Below 5 % of peak luminance.
		dark := func(v float64) float64 { return 17 + (v-16)*(nearBlackTo-20)/(c.high-16) }
		for _, k := range []struct {
			name  string
			kind  detect.Kind
			shade func(float64) float64
			step  float64
		}{
			{"clean-" + name, "", same, 0},
			{"clean-dark-" + name, "", dark, 0},
			{"bright-" + name, detect.Posterisation, same, math.Round(m.between(3.6, 8))},
			{"dark-" + name, detect.NearBlackBanding, dark, math.Round(m.between(1.6, 4))},
		} {
			t := takes.Take{Name: k.name, Format: format, Frames: len(pictures)}
			first, last := 0, len(pictures)-1
			if k.kind == "" {
				t.Negative = "a real clip that has lost nothing"
			} else {
				first = int(m.between(0.15, 0.4) * float64(len(pictures)))
				last = first + int(m.between(0.4, 0.55)*float64(len(pictures)))
				t.Truth = []faults.Truth{{Kind: k.kind, First: first, Last: last, Region: image.Rect(0, 0, format.W, format.H),
					Measures: map[string]float64{StepCodes: k.step * math.Ldexp(1, format.Depth-8)}}}
				// What the same loss makes of the rest of the picture.
				t.Truth[0].Or = []detect.Kind{detect.NearBlackBanding, detect.Posterisation}
			}
			t.Picture = func(i int) *picture.Picture {
				q := quantiser{}
				if i >= first && i <= last {
					q.step = k.step
				}
				return pictures[i].through(func(v float64) float64 { return q.apply(k.shade(v)) })
			}
			out = append(out, t)
		}
	}
	return out, nil
}

// kept is a picture of its own memory.
type kept struct{ *picture.Picture }

func (c clip) read(folder string) (out []kept, f picture.Format, err error) {
	path := filepath.Join(folder, c.path)
	take, err := decode.Open(path, decode.Options{Threads: 1})
	if err != nil {
		return nil, f, err
	}
	defer take.Close()
	f = take.Format()
	for n := 0; len(out) < c.keep; n++ {
		p, err := take.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, f, fmt.Errorf("%s: %w", path, err)
		}
		if n >= c.skip {
			i := len(out)
			k := &picture.Picture{Index: i, Frame: i, Time: time.Duration(float64(i) / f.Rate() * float64(time.Second)),
				Y: copied(&p.Y), Cb: copied(&p.Cb), Cr: copied(&p.Cr)}
			out = append(out, kept{k})
		}
		p.Release()
	}
	return out, f, nil
}

func copied(p *picture.Plane) picture.Plane {
	q := picture.New(p.W, p.H, p.Depth)
	for y := range p.H {
		if p.Pix != nil {
			copy(q.Pix[y*q.W:][:q.W], p.Pix[y*p.Stride:])
		} else {
			copy(q.Pix16[y*q.W:][:q.W], p.Pix16[y*p.Stride:])
		}
	}
	return q
}

// through returns the picture with its luma through a function of codes of 8
// bits.
func (k kept) through(of func(float64) float64) *picture.Picture {
	p := &picture.Picture{Index: k.Index, Frame: k.Frame, Time: k.Time, Y: picture.New(k.Y.W, k.Y.H, k.Y.Depth), Cb: k.Cb, Cr: k.Cr}
	scale := math.Ldexp(1, k.Y.Depth-8)
	table := make([]uint16, 1<<k.Y.Depth)
	for c := range table {
		table[c] = uint16(max(0, min(float64(k.Y.Full()), math.Round(of(float64(c)/scale)*scale))))
	}
	for i, v := range k.Y.Pix {
		p.Y.Pix[i] = uint8(table[v])
	}
	for i, v := range k.Y.Pix16 {
		p.Y.Pix16[i] = table[v]
	}
	return p
}
