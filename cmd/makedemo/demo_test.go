package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/detect"
)

// The demo of full size finds a place for every fault, one after the other and
// far enough apart that none can be taken for a part of another.
func TestPlan(t *testing.T) {
	d, err := newDemo(full)
	if err != nil {
		t.Fatal(err)
	}
	var kinds []detect.Kind
	end := 0
	for _, f := range d.sequence.Truth {
		kinds = append(kinds, f.Kind)
		if f.First < end+rate/2 || f.Last >= d.sequence.Len-rate/4 {
			t.Errorf("%s in pictures %d to %d, after %d, of %d", f.Kind, f.First, f.Last, end, d.sequence.Len)
		}
		end = f.Last
	}
	want := []detect.Kind{detect.Combing, detect.Ghost, detect.Ghost, detect.CadenceBreak, detect.CadenceBreak}
	if !slices.Equal(kinds, want) {
		t.Errorf("faults %v, want %v", kinds, want)
	}
}

// comb is the mean of |a-2b+c| over a region that lines above one another
// have and lines two apart have not: it doubles where fields are woven.
func comb(p *picture.Plane, r region) float64 {
	w, h := float64(p.W), float64(p.H)
	sum, n := 0, 0
	for y := max(int(r.Y*h), 1); y < min(int((r.Y+r.H)*h), p.H-1); y++ {
		for x := int(r.X * w); x < min(int((r.X+r.W)*w), p.W); x++ {
			a, b, c := p.At(x, y-1), p.At(x, y), p.At(x, y+1)
			if (b-a)*(b-c) > 0 {
				sum += min(abs(b-a), abs(b-c))
			}
			n++
		}
	}
	return float64(sum) / float64(n)
}

func abs(v int) int { return max(v, -v) }

// A small demo decodes to what its truth says: woven lines where the ball is
// woven and not before or after, equal pictures where the motion is halved.
func TestWrittenDemo(t *testing.T) {
	s := full
	s.w, s.h, s.bitRate = 480, 270, 6_000_000
	path := filepath.Join(t.TempDir(), "demo.mp4")
	if err := run(context.Background(), path, s, false); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(filepath.Dir(path), "demo.truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	var truth truthFile
	if err := json.Unmarshal(b, &truth); err != nil {
		t.Fatal(err)
	}
	if len(truth.Faults) != 5 {
		t.Fatalf("%d faults", len(truth.Faults))
	}
	woven, halved := truth.Faults[0], truth.Faults[3]

	take, err := decode.Open(path, decode.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	frames := 0
	var before picture.Plane
	for {
		p, err := take.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		i := p.Index
		if want := float64(i) / rate; abs(int(1e4*(p.Time.Seconds()-want))) > 1 {
			t.Fatalf("picture %d at %v", i, p.Time)
		}
		const strong = 3 // codes: codec and grain leave less than one here
		if c := comb(&p.Y, woven.Region); i >= woven.StartFrame && i <= woven.EndFrame && c < strong {
			t.Errorf("picture %d: comb of %.2f codes where the ball is woven", i, c)
		} else if (i == woven.StartFrame-2 || i == woven.EndFrame+2) && c > strong/2. {
			t.Errorf("picture %d: comb of %.2f codes where nothing is woven", i, c)
		}
		if i >= halved.StartFrame && i <= halved.EndFrame+2 {
			change := 0
			for y := range p.Y.H {
				for x := range p.Y.W {
					change += abs(p.Y.At(x, y) - before.At(x, y))
				}
			}
			mean := float64(change) / float64(p.Y.W*p.Y.H)
			again := i <= halved.EndFrame && (i-halved.StartFrame)%2 == 1
			if again != (mean < 1) {
				t.Errorf("picture %d differs from the one before by %.2f codes; a repeat: %v", i, mean, again)
			}
		}
		before = picture.New(p.Y.W, p.Y.H, p.Y.Depth)
		for y := range p.Y.H {
			copy(before.Pix[y*p.Y.W:(y+1)*p.Y.W], p.Y.Pix[y*p.Y.Stride:])
		}
		p.Release()
		frames++
	}
	if frames != int(s.seconds*rate) {
		t.Errorf("%d frames", frames)
	}
}

func TestRefuses(t *testing.T) {
	dir := t.TempDir()
	small := size{w: 64, h: 36, seconds: 12, bitRate: 100_000, seed: full.seed}
	if err := run(context.Background(), filepath.Join(dir, "demo.mkv"), small, false); !errors.Is(err, errName) {
		t.Errorf("a name that does not end in .mp4: %v", err)
	}
	small = full
	if err := run(context.Background(), filepath.Join(dir, "missing", "demo.mp4"), small, false); err == nil {
		t.Error("a folder that does not exist was no error")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := run(ctx, filepath.Join(dir, "demo.mp4"), small, false); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// Pictures come as they are asked for, whatever the order in which they were
// rendered, also a little backwards.
func TestAhead(t *testing.T) {
	a := newAhead(func(i int) *picture.Picture { return &picture.Picture{Index: i} }, 100)
	a.start(4)
	defer a.stop()
	for i := range 100 {
		for _, k := range []int{i, min(i+2, 99), max(i-3, 0)} {
			if got := a.at(k).Index; got != k {
				t.Fatalf("picture %d is %d", k, got)
			}
		}
	}
}

// The stretch that is filmed holds the mixed pictures, well inside.
func TestFilmed(t *testing.T) {
	d, err := newDemo(full)
	if err != nil {
		t.Fatal(err)
	}
	c, err := d.filmed()
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Source.Truth) != 1 || c.Source.Truth[0].Kind != detect.Ghost {
		t.Fatalf("faults in what is filmed: %+v", c.Source.Truth)
	}
	if f := c.Source.Truth[0]; f.First < rate/2 || f.Last > c.Source.Len-rate/2 {
		t.Errorf("mixed pictures %d to %d of %d", f.First, f.Last, c.Source.Len)
	}
	if seconds := float64(c.Frames) / c.Format.Rate(); seconds < 0.9*filmedSeconds {
		t.Errorf("%.2f s are filmed, want %.1f", seconds, filmedSeconds)
	}
}
