package refresh

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"setwitness/decode/picture"
)

// flat is a source whose frames show one level each, in 8 bits, with noise.
type flat struct {
	level func(frame, row int) float64
	noise float64
	rand  *rand.Rand
	asked map[int]bool
	err   error
}

func (s *flat) Rectify(dst *picture.Plane, frame, from, to int) error {
	if from < 0 || to > dst.H {
		return errors.New("the plane has other rows")
	}
	s.asked[frame] = true
	for y := from; y < to; y++ {
		for x := range dst.W {
			v := s.level(frame, y) + s.noise*s.rand.NormFloat64()
			dst.Pix[y*dst.Stride+x] = uint8(min(max(math.Round(v), 0), 255))
		}
	}
	return s.err
}

const buildW, buildH, buildBands = 192, 120, 12

func decision(frame int, band func(b int) Band) *Decision {
	d := &Decision{Frame: frame, Time: float64(frame) / 240, Shown: time.Duration(frame) * time.Second / 30, Locked: true, Period: 1. / 60}
	for b := range buildBands {
		d.Bands = append(d.Bands, band(b))
	}
	return d
}

// builder makes a Builder that adds what it builds to a list.
func builder(t *testing.T, src Source, built *[]*Built) *Builder {
	t.Helper()
	b, err := NewBuilder(BuildOptions{W: buildW, H: buildH, Depth: 8, Black: 16}, src, func(p *Built) error {
		*built = append(*built, p)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The take ends in a picture of which only the top shows, before the middle of the one
// before shows unmixed.
func TestBuilderTimesRise(t *testing.T) {
	src := &flat{rand: rand.New(rand.NewPCG(1, 2)), asked: map[int]bool{}, level: func(int, int) float64 { return 100 }}
	var built []*Built
	b := builder(t, src, &built)
	for frame := range 6 {
		err := b.Add(decision(frame, func(band int) Band {
			v := Band{Share: 1, Clear: 0.001, Level: 84}
			if band == 0 && frame >= 3 {
				v.Picture = 1
			}
			if band > 0 && frame < 5 {
				v.Mixed, v.Share, v.Clear = true, 0.6, -0.001
			}
			return v
		}))
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Flush(); err != nil {
		t.Fatal(err)
	}
	for i := range built[1:] {
		if p, q := built[i], built[i+1]; q.Time < p.Time {
			t.Errorf("picture %d at %v, after it %d at %v", p.Picture, p.Time, q.Picture, q.Time)
		}
	}
	if n := len(built); built[n-1].Picture != 1 {
		t.Errorf("the last picture is %d", built[n-1].Picture)
	}
}

func TestBuilder(t *testing.T) {
	const gainOf11 = 0.7 // frame 11 is in a dip
	src := &flat{noise: 1.5, rand: rand.New(rand.NewPCG(1, 2)), asked: map[int]bool{}}
	src.level = func(frame, row int) float64 {
		v := 16 + 100.0 + 20*float64(frame/4) // four frames a picture
		if frame == 11 {
			v = 16 + (v-16)*gainOf11
		}
		return v
	}
	var built []*Built
	b := builder(t, src, &built)
	for frame := range 12 {
		err := b.Add(decision(frame, func(band int) Band {
			v := Band{Picture: frame / 4, Share: 1, Clear: 0.001 * float64(1+frame%4), Level: src.level(frame, 0) - 16}
			if frame%4 == 0 {
				v.Mixed, v.Share, v.Clear = true, 0.5, -0.001
			}
			if frame/4 == 1 && band == 7 { // no unmixed exposure of picture 1 here
				v.Mixed, v.Share = true, 0.2*float64(1+frame%4)
			}
			return v
		}))
		if err != nil {
			t.Fatal(err)
		}
		if o := b.Oldest(); frame-o > 6 {
			t.Errorf("after frame %d frame %d is still held", frame, o)
		}
	}
	if err := b.Flush(); err != nil {
		t.Fatal(err)
	}
	// Picture -1 shows in the mixture of frame 0 alone, and is built of it.
	if len(built) != 4 || built[0].Picture != -1 {
		t.Fatalf("%d pictures, the first %d", len(built), built[0].Picture)
	}
	for _, v := range built[0].Trust {
		if v != 0 {
			t.Fatal("a mixture is trusted")
		}
	}
	for i, p := range built[1:] {
		if p.Picture != i || p.Frame != 4*i+1 || p.Time != time.Duration(4*i+1)*time.Second/30 {
			t.Errorf("picture %d: number %d, frame %d at %v", i, p.Picture, p.Frame, p.Time)
		}
		if p.Y.Depth != 12 || p.Y.Check() != nil {
			t.Fatalf("picture %d: depth %d, %v", i, p.Y.Depth, p.Y.Check())
		}
		want := 16 * (16 + 100.0 + 20*float64(i)) // 12 bits
		sum := 0.0
		for y := range buildH {
			for x := range buildW {
				sum += float64(p.Y.At(x, y))
			}
		}
		if got := sum / buildW / buildH; math.Abs(got-want) > 6 {
			t.Errorf("picture %d: mean %.1f, want %.1f (12 bits): the dip must not show", i, got, want)
		}
		for band, v := range p.Trust {
			hidden := i == 1 && band == 7
			if hidden != (v == 0) || !hidden && (v != 1 || p.Exposures[band] != 2) {
				t.Errorf("picture %d band %d: trust %g, %d exposures", i, band, v, p.Exposures[band])
			}
		}
		// Noise of one exposure: normal, and that of rounding (1/sqrt 12).
		if want := math.Hypot(1.5, math.Sqrt(1./12)); math.Abs(p.Noise-want) > 0.2 {
			t.Errorf("picture %d: noise %.2f, want %.2f", i, p.Noise, want)
		}
	}
}

// A picture whose middle row no frame shows, as at either end of a take, has the
// time of the frame that first shows any of it.
func TestBuilderEnds(t *testing.T) {
	src := &flat{level: func(int, int) float64 { return 100 }, rand: rand.New(rand.NewPCG(1, 2)), asked: map[int]bool{}}
	var built []*Built
	b := builder(t, src, &built)
	// Four frames a picture, which takes nearly as long to come down; the last
	// shows in the top band alone.
	for frame := range 4*6 + 1 {
		err := b.Add(decision(frame, func(band int) Band {
			return Band{Picture: int(math.Floor(float64(frame)/4 - 0.9*float64(band)/buildBands)), Share: 1, Clear: 0.001, Level: 84}
		}))
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Flush(); err != nil {
		t.Fatal(err)
	}
	if first := built[0]; first.Picture != -1 || first.Frame != 0 || first.Time != 0 {
		t.Errorf("the first picture is number %d of frame %d at %v", first.Picture, first.Frame, first.Time)
	}
	for i, p := range built {
		if p.Time != time.Duration(p.Frame)*time.Second/30 || p.Real != float64(p.Frame)/240 {
			t.Errorf("picture %d of frame %d is said to be at %v, %g s", p.Picture, p.Frame, p.Time, p.Real)
		}
		if i > 0 && p.Time < built[i-1].Time {
			t.Errorf("picture %d at %v comes after one at %v", p.Picture, p.Time, built[i-1].Time)
		}
	}
	if last := built[len(built)-1]; last.Picture != 6 || last.Frame != 24 {
		t.Errorf("the last picture is number %d of frame %d", last.Picture, last.Frame)
	}
}

// Where the exposures change over from band to band no step may show: a frame
// that is brighter by a code comes in by and by.
func TestBuilderSeams(t *testing.T) {
	src := &flat{rand: rand.New(rand.NewPCG(1, 2)), asked: map[int]bool{}}
	src.level = func(frame, row int) float64 { return 100 + 8*float64(frame) }
	var got *Built
	b, _ := NewBuilder(BuildOptions{W: buildW, H: buildH, Depth: 8}, src, func(p *Built) error { got = p; return nil })
	for frame := range 4 {
		// The clear stretch rolls down: frame f is clearest at band 3f.
		err := b.Add(decision(frame, func(band int) Band {
			c := 0.004 - 0.001*math.Abs(float64(band)-3*float64(frame))
			return Band{Picture: 0, Mixed: c < 0, Share: 1, Clear: c}
		}))
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Flush(); err != nil {
		t.Fatal(err)
	}
	for y := 1; y < buildH; y++ {
		if d := got.Y.At(0, y) - got.Y.At(0, y-1); d < -1 || d > 16*8*2/10 {
			t.Errorf("row %d: step of %d sixteenths of a code", y, d)
		}
	}
	if d := got.Y.At(0, buildH-1) - got.Y.At(0, 0); d < 16*16 {
		t.Errorf("from top to bottom %d sixteenths, the frames differ by more", d)
	}
}

func TestBuilderErrors(t *testing.T) {
	if _, err := NewBuilder(BuildOptions{W: 1, H: 0, Depth: 8}, nil, nil); err == nil {
		t.Error("a builder of no rows")
	}
	if _, err := NewBuilder(BuildOptions{W: 8, H: 8, Depth: 16}, nil, nil); err == nil {
		t.Error("a builder of 20 bits")
	}
	broken := errors.New("lost")
	src := &flat{rand: rand.New(rand.NewPCG(1, 2)), asked: map[int]bool{}, err: broken, level: func(int, int) float64 { return 50 }}
	b, _ := NewBuilder(BuildOptions{W: buildW, H: buildH, Depth: 8}, src, func(*Built) error { return nil })
	if err := b.Add(decision(0, func(int) Band { return Band{Share: 1} })); err != nil {
		t.Fatal(err)
	}
	if err := b.Flush(); !errors.Is(err, broken) {
		t.Errorf("error %v", err)
	}
}

// blank is a source that costs nothing.
type blank struct{}

func (blank) Rectify(*picture.Plane, int, int, int) error { return nil }

// BenchmarkBuilder is the cost of a 1080-line picture of two exposures beside
// the caller's rectifying.
// The kernels and their plain twins agree to the bit, over odd sizes, padding and what
// is out of range.
func TestMergeTwins(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 100 {
		w, h, rows := 1+r.IntN(70), 20, 1+r.IntN(mergeRows)
		from := r.IntN(h - rows + 1)
		p := picture.Plane{Pix: make([]uint8, (w+3)*h), Stride: w + 3, W: w, H: h, Depth: 8}
		for i := range p.Pix {
			p.Pix[i] = uint8(r.IntN(256))
		}
		weight, got := make([]int32, rows), make([]int32, w*rows+1)
		for i := range weight {
			weight[i] = int32(r.IntN(2) * (r.IntN(3<<weightBits) - 1<<weightBits))
		}
		for i := range got {
			got[i] = int32(r.IntN(1 << weightBits))
		}
		want := slices.Clone(got)
		add(got[:w*rows], &p, from, weight)
		addTwin(want, &p, from, weight)
		if !slices.Equal(got, want) {
			t.Fatalf("%d rows of %d samples: sums differ", rows, w)
		}
		const shift = weightBits - MoreBits
		a := picture.Plane{Pix16: make([]uint16, (w+3)*h), Stride: w + 3, W: w, H: h, Depth: 8 + MoreBits}
		b := a
		b.Pix16 = slices.Clone(a.Pix16)
		round(&a, from, got[:w*rows], weight, shift)
		roundTwin(&b, from, want[:w*rows], weight, shift)
		if !slices.Equal(a.Pix16, b.Pix16) {
			t.Fatalf("%d rows of %d samples: rounded sums differ", rows, w)
		}
	}
}

func BenchmarkBuilder(b *testing.B) {
	plane := picture.New(1920, 1080, 12)
	builder, err := NewBuilder(BuildOptions{W: 1920, H: 1080, Depth: 8, Black: 16,
		Plane: func(int, int, int) picture.Plane { return plane }}, blank{}, func(*Built) error { return nil })
	if err != nil {
		b.Fatal(err)
	}
	frame := 0
	for b.Loop() {
		for i := range 4 {
			d := decision(frame, func(band int) Band {
				return Band{Picture: frame / 4, Mixed: i == 0, Share: 1, Clear: 0.001 * float64(i+1), Level: 80}
			})
			if err := builder.Add(d); err != nil {
				b.Fatal(err)
			}
			frame++
		}
	}
}
