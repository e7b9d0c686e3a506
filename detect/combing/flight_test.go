package combing

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cells"
	"setwitness/testdata/faults"
)

// flight is a disc that crosses a still, gently shaded ground; in the pictures
// first to last the odd lines are from later pictures later.
type flight struct {
	w, h, n     int
	diameter    float64
	x, y        float64 // sample units, how far it moves from picture to picture
	contrast    float64 // codes, flat
	texture     float64 // codes, on the disc
	noise       float64 // deviation, codes
	lines       float64 // codes by which every other line of the ground is brighter, in its middle
	first, last int
	later       float64
	stands      bool // it does not move but for the odd lines from first to last
}

// plainFlight is one that every test below varies.
func plainFlight() flight {
	return flight{w: 480, h: 270, n: 16, diameter: 60, x: 10, contrast: 70, noise: 1, first: 6, last: 9, later: 1}
}

func (f flight) sequence() faults.Sequence {
	ground := make([]float64, f.w*f.h)
	for y := range f.h {
		for x := range f.w {
			ground[y*f.w+x] = 90 + 10*math.Sin(float64(x)/29)*math.Cos(float64(y)/23)
			if abs(y-f.h/2) < 50 && y%2 == 1 {
				ground[y*f.w+x] += f.lines
			}
		}
	}
	// The disc is in the middle in the middle of the fault.
	mid := float64(f.first+f.last) / 2
	at := func(i int) *picture.Picture {
		p := &picture.Picture{Index: i, Frame: i, Y: picture.New(f.w, f.h, 8)}
		r := rand.New(rand.NewPCG(7, uint64(i)))
		for y := range f.h {
			t := float64(i) - mid
			if f.stands {
				t = 0
			}
			if y%2 == 1 && i >= f.first && i <= f.last {
				t += f.later
			}
			cx, cy := float64(f.w)/2+f.x*t, float64(f.h)/2+f.y*t
			for x := range f.w {
				v := ground[y*f.w+x]
				dx, dy := float64(x)-cx, float64(y)-cy
				if dx*dx+dy*dy < f.diameter*f.diameter/4+f.diameter {
					in := max(0, min(1, f.diameter/2+0.5-math.Hypot(dx, dy)))
					v += in * (f.contrast + f.texture*math.Sin(dx/5)*math.Cos(dy/7))
				}
				p.Y.Pix[y*f.w+x] = uint8(max(0, min(255, v+f.noise*r.NormFloat64()+0.5)))
			}
		}
		return p
	}
	return faults.Sequence{Format: picture.Format{W: f.w, H: f.h, Depth: 8, RateNum: 50, RateDen: 1}, Len: f.n, At: at}
}

// reel plays a sequence.
type reel struct {
	faults.Sequence
	next int
}

func (r *reel) Format() picture.Format { return r.Sequence.Format }

func (r *reel) Next(context.Context) (*picture.Picture, error) {
	if r.next == r.Len {
		return nil, io.EOF
	}
	r.next++
	return r.At(r.next - 1), nil
}

func examine(t *testing.T, s faults.Sequence) *detect.Result {
	t.Helper()
	res, err := detect.Run(context.Background(), &reel{Sequence: s}, []*detect.Stage{cells.Stage, Stage}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// only returns the one event of a sequence.
func only(t *testing.T, s faults.Sequence) detect.Event {
	t.Helper()
	events := examine(t, s).Events
	if len(events) != 1 {
		t.Fatalf("%d findings, want 1: %+v", len(events), events)
	}
	return events[0]
}

// A burst of any length is one finding with the pictures that it has.
func TestBurstIsOneFinding(t *testing.T) {
	for _, n := range []int{1, 2, 5} {
		f := plainFlight()
		f.last = f.first + n - 1
		if e := only(t, f.sequence()); e.Start != f.first || e.End != f.last || e.Pictures != n {
			t.Errorf("pictures %d to %d, %d of them marked; want %d to %d", e.Start, e.End, e.Pictures, f.first, f.last)
		}
	}
}

// The field that leads, the amplitude and the displacement are those that the
// take was made with. Tolerances: the amplitude of a plain disc within a tenth
// of itself or two codes (noise and the slope of the ground add a little), the
// displacement of a marked one within a pixel: along a plain edge anything may
// have moved.
func TestMeasures(t *testing.T) {
	for _, c := range []struct {
		name  string
		set   func(*flight)
		leads float64
	}{
		{"even field first", func(*flight) {}, 1},
		{"odd field first", func(f *flight) { f.later = -1 }, 2},
		{"to the left", func(f *flight) { f.x = -10 }, 1},
		{"slow", func(f *flight) { f.x = 4 }, 1},
		{"fast", func(f *flight) { f.x = 15 }, 1},
		{"down", func(f *flight) { f.x, f.y = 0, 7 }, 1},
		{"up, odd field first", func(f *flight) { f.x, f.y, f.later = 0, -7, -1 }, 2},
		{"slanting", func(f *flight) { f.x, f.y = 9, 5 }, 1},
		{"faint", func(f *flight) { f.contrast = 12 }, 1},
		{"strong", func(f *flight) { f.contrast = 130 }, 1},
		{"darker than the ground", func(f *flight) { f.contrast = -50 }, 1},
		{"noise", func(f *flight) { f.noise = 3 }, 1},
		{"no noise", func(f *flight) { f.noise = 0 }, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := plainFlight()
			c.set(&f)
			e := only(t, f.sequence())
			if e.Start != f.first || e.End != f.last {
				t.Errorf("pictures %d to %d, want %d to %d", e.Start, e.End, f.first, f.last)
			}
			m := e.Measures
			if m["leading_field"] != c.leads {
				t.Errorf("field %g leads, want %g", m["leading_field"], c.leads)
			}
			want := 100 * math.Abs(f.contrast) / 255
			if off := math.Abs(e.Strength - want); off > max(want/10, 200.0/255) {
				t.Errorf("amplitude %.2f %%, want %.2f %%", e.Strength, want)
			}
			if m["pitch_lines"] != 2 {
				t.Errorf("pitch %.2f lines, want 2", m["pitch_lines"])
			}
			f.texture = math.Abs(f.contrast) / 3
			m = only(t, f.sequence()).Measures
			if d, want := m["displacement_px"], math.Hypot(f.x, f.y); math.Abs(d-want) > 1 {
				t.Errorf("displacement %.2f px, want %.2f: %v", d, want, m)
			}
		})
	}
}

// What a take could have shown is what it shows: a comb of twice the stated
// floor is found, and one of half of it is not.
func TestFloorIsWhereItIsStated(t *testing.T) {
	for _, noise := range []float64{0.5, 1.5, 3} {
		f := plainFlight()
		f.noise = noise
		row := examine(t, f.sequence()).Coverage[0]
		if row.State != detect.Examined || row.Floor <= 0 {
			t.Fatalf("noise %g: coverage %+v", noise, row)
		}
		for _, c := range []struct {
			times float64
			found int
		}{{2, 1}, {0.5, 0}} {
			f.contrast = c.times * row.Floor / 100 * 255
			if got := len(examine(t, f.sequence()).Events); got != c.found {
				t.Errorf("noise %g, floor %.2f %%, comb of %.2f %%: %d findings, want %d", noise, row.Floor, c.times*row.Floor, got, c.found)
			}
		}
	}
}

// Lines at rest that are as fine as a comb hide none that passes in front of
// them, and make none of a correct flight.
func TestBeforeLinesAtRest(t *testing.T) {
	f := plainFlight()
	f.lines = 24
	if e := only(t, f.sequence()); e.Start < f.first || e.End > f.last {
		t.Errorf("pictures %d to %d, want %d to %d", e.Start, e.End, f.first, f.last)
	}
	f.later = 0
	if events := examine(t, f.sequence()).Events; len(events) > 0 {
		t.Errorf("a correct flight: %+v", events)
	}
}

// A small faint comb in two pictures is found although chance has a say in one.
func TestSmall(t *testing.T) {
	for _, c := range []struct{ diameter, x, contrast float64 }{{16, 5, 20}, {12, 5, 70}, {16, 12, 20}} {
		f := plainFlight()
		f.w, f.h, f.noise, f.last = 960, 540, 1.5, f.first+1
		f.diameter, f.x, f.contrast, f.texture = c.diameter, c.x, c.contrast, c.contrast/3
		if e := only(t, f.sequence()); e.Start != f.first || e.End != f.last {
			t.Errorf("%+v: pictures %d to %d, want %d to %d", c, e.Start, e.End, f.first, f.last)
		}
	}
}

// What comes from one side and leaves to the same side is no motion, and a
// field that shows it is less of a comb.
func TestThereAndBack(t *testing.T) {
	f := plainFlight()
	f.diameter, f.last, f.texture = 24, f.first, 25
	moves := only(t, f.sequence()).Confidence
	f.stands = true
	if stands := only(t, f.sequence()).Confidence; stands >= moves {
		t.Errorf("confidence %.3f when the field jumps there and back, %.3f when the thing moves", stands, moves)
	}
}

// A neighbour has one field of a picture when that is left unchanged and the
// other is not.
func TestHeld(t *testing.T) {
	const still, noise = 600, 10
	scaled := carrier{frequency: 0.4}
	for _, c := range []struct {
		name      string
		carrier   carrier
		even, odd float64 // what is left when nothing moves
		want      int
	}{
		{"the even field", woven, noise, still, 1},
		{"the odd field", woven, still, noise, -1},
		{"both: nothing changed", woven, noise, noise, 0},
		{"neither: all moves", woven, still, still, 0},
		{"the even one, moved a little", woven, still / 5, still, 0},
		{"the even one, the odd one moved a little", woven, noise, still / 5, 0},
		{"the even one, scaled", scaled, still / 4, still, 1},
		{"the odd one, scaled", scaled, still, still / 4, -1},
		{"neither, scaled", scaled, still / 2, still, 0},
		{"both, scaled", scaled, still / 20, still / 5, 0},
	} {
		k := look{still: still, carrier: c.carrier}
		if got := k.held(&course{evenRest: c.even, oddRest: c.odd}, noise); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// A picture alone shows no motion, and the take says so whether or not a comb
// is found in it.
func TestOnePicture(t *testing.T) {
	for _, later := range []float64{0, 1} {
		f := plainFlight()
		f.n, f.first, f.last, f.later, f.texture = 1, 0, 0, later, 25
		res := examine(t, f.sequence())
		if row := res.Coverage[0]; row.State != detect.Limited || row.Why == "" || row.Floor <= 0 {
			t.Errorf("later %g: coverage %+v", later, row)
		}
		if len(res.Events) != int(later) {
			t.Errorf("later %g: %d findings: %+v", later, len(res.Events), res.Events)
		}
	}
}

// altered returns the sequence with every plane changed.
func altered(s faults.Sequence, change func(in, out *picture.Plane)) faults.Sequence {
	at := s.At
	s.At = func(i int) *picture.Picture {
		p := at(i)
		q := &picture.Picture{Index: i, Frame: i, Y: picture.New(p.Y.W, p.Y.H, p.Y.Depth)}
		change(&p.Y, &q.Y)
		return q
	}
	return s
}

func mirrored(in, out *picture.Plane) {
	for y := range in.H {
		for x := range in.W {
			out.Pix[y*out.Stride+in.W-1-x] = in.Pix[y*in.Stride+x]
		}
	}
}

func lifted(in, out *picture.Plane) {
	for i, v := range in.Pix {
		out.Pix[i] = v + 25
	}
}

func lowered(in, out *picture.Plane) {
	for y := range in.H {
		copy(out.Pix[y*out.Stride:][:in.W], in.Pix[max(y-1, 0)*in.Stride:][:in.W])
	}
}

// A take that is mirrored, brighter, or a line lower has the same comb: found
// in the same pictures, as strong (to a seventh) and as wide (to a
// quarter: other windows are looked at). Mirrored, the displacement
// points the other way; a line lower, the other field leads.
func TestSymmetries(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 1))
	for range 3 {
		f := plainFlight()
		// Small rasters are searched 16 samples far.
		f.x, f.y = 5+9*r.Float64(), 4*r.Float64()
		f.diameter, f.contrast = 40+50*r.Float64(), 25+75*r.Float64()
		f.texture = f.contrast / 3
		name := fmt.Sprintf("seed %d: %+v", seed, f)
		s := faults.Cached(f.sequence(), f.n)
		plain := only(t, s)
		for _, c := range []struct {
			name   string
			change func(in, out *picture.Plane)
			turned float64 // sign of the displacement along the line
			leads  float64
		}{
			{"mirrored", mirrored, -1, 1},
			{"lifted", lifted, 1, 1},
			{"a line lower", lowered, 1, 2},
		} {
			e := only(t, altered(s, c.change))
			if e.Start != plain.Start || e.End != plain.End {
				t.Errorf("%s\n%s: pictures %d to %d, before %d to %d", name, c.name, e.Start, e.End, plain.Start, plain.End)
			}
			if math.Abs(e.Strength-plain.Strength) > plain.Strength/7 {
				t.Errorf("%s\n%s: amplitude %.2f %%, before %.2f %%", name, c.name, e.Strength, plain.Strength)
			}
			if math.Abs(e.Measures["displacement_px"]-plain.Measures["displacement_px"]) > plain.Measures["displacement_px"]/4 {
				t.Errorf("%s\n%s: displacement %.2f px, before %.2f", name, c.name, e.Measures["displacement_px"], plain.Measures["displacement_px"])
			}
			// dx leads from the even field to the odd one, so it turns when
			// the fields change places too.
			turned := c.turned
			if c.leads != plain.Measures["leading_field"] {
				turned = -turned
			}
			if turned*e.Measures["dx_px"]*plain.Measures["dx_px"] <= 0 {
				t.Errorf("%s\n%s: displacement along the line %.2f px, before %.2f", name, c.name, e.Measures["dx_px"], plain.Measures["dx_px"])
			}
			if e.Measures["leading_field"] != c.leads {
				t.Errorf("%s\n%s: field %g leads, want %g", name, c.name, e.Measures["leading_field"], c.leads)
			}
		}
	}
}

// A scaler stretches the comb's lines from 2 to 2*out/in; those that come out
// finer than two lines fold back, as every sampled pattern does. The pitch is
// measured to 2 %.
func TestPitchOfScaledCombs(t *testing.T) {
	for _, c := range []struct {
		in, out int
		filter  faults.Filter
	}{
		{576, 1080, faults.Bicubic},
		{576, 1080, faults.Bilinear},
		{480, 1080, faults.Bicubic},
		{480, 720, faults.Bilinear},
		{576, 720, faults.Bicubic},
		{540, 1080, faults.Bilinear},
		{1080, 720, faults.Bilinear},
		{1080, 810, faults.Bilinear},
		{720, 540, faults.Bicubic},
		{360, 512, faults.Bicubic}, // a window on a desktop: no system's ratio
	} {
		t.Run(fmt.Sprintf("%d to %d filter %d", c.in, c.out, c.filter), func(t *testing.T) {
			f := plainFlight()
			f.w, f.h, f.n, f.first, f.last = 360, c.in, 30, 5, 24
			f.diameter, f.texture, f.x = float64(c.in)/3, 15, 6
			s := faults.Scale(f.sequence(), 360, c.out, c.filter)
			frequency := float64(c.in) / float64(2*c.out)
			frequency = math.Abs(frequency - math.Round(frequency))
			e := only(t, s)
			if p := e.Measures["pitch_lines"]; math.Abs(p*frequency-1) > 0.02 {
				t.Errorf("pitch %.3f lines, want %.3f", p, 1/frequency)
			}
			// A soft scaler leaves a part of each field in the other, which
			// draws what is found towards nothing.
			if d := e.Measures["displacement_px"]; d < 4 || d > 7 {
				t.Errorf("displacement %.2f px, want 6", d)
			}
		})
	}
}

// The same take without a comb says nothing after any scaler.
func TestScaledWithoutComb(t *testing.T) {
	for _, out := range []int{405, 270 * 15 / 8, 1080} {
		f := plainFlight()
		f.first, f.last, f.texture, f.x = 0, -1, 15, 6
		if events := examine(t, faults.Scale(f.sequence(), 480, out, faults.Bicubic)).Events; len(events) > 0 {
			t.Errorf("to %d lines: %+v", out, events)
		}
	}
}

// Pictures without combs cost no memory each: a take twice as long allocates
// what the lists of a result need to grow.
func TestNothingAllocatedPerPicture(t *testing.T) {
	f := plainFlight()
	f.first, f.last, f.texture, f.noise = 0, -1, 30, 3
	s := f.sequence()
	pictures := make([]*picture.Picture, f.n)
	for i := range pictures {
		pictures[i] = s.At(i)
	}
	// There and back again: motion goes on.
	s.At = func(i int) *picture.Picture {
		i %= 2*f.n - 2
		return pictures[min(i, 2*f.n-2-i)]
	}
	allocations := func(n int) float64 {
		s.Len = n
		return testing.AllocsPerRun(1, func() { examine(t, s) })
	}
	const n, growth = 60, 10
	short, long := allocations(n), allocations(2*n)
	if long-short > growth {
		t.Errorf("%d pictures more make %.0f allocations more", n, long-short)
	}
}
