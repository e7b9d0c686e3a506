package filming

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// flats are even pictures of 8-bit luma codes.
func flats(w, h, rateNum, rateDen, n int, codes ...uint8) faults.Sequence {
	kept := make([]*picture.Picture, len(codes))
	for i, code := range codes {
		p := &picture.Picture{Y: picture.New(w, h, 8)}
		fill(p.Y.Pix, code)
		kept[i] = p
	}
	return faults.Sequence{
		Format: picture.Format{W: w, H: h, Depth: 8, ChromaX: -1, ChromaY: -1, RateNum: rateNum, RateDen: rateDen},
		Len:    n,
		At:     func(i int) *picture.Picture { return kept[i%len(kept)] },
	}
}

// plainSet has no light of its own in black.
func plainSet(refreshHz float64) Set {
	return Set{RefreshHz: refreshHz, PeakNits: 200, Gamma: 2.4}
}

// plainCamera looks straight at the set and has neither noise nor faults of
// its lens. Its response ends hard.
func plainCamera(w, h, rateNum, rateDen int) Camera {
	rate := float64(rateNum) / float64(rateDen)
	return Camera{
		W: w, H: h, RateNum: rateNum, RateDen: rateDen,
		ExposureS: 0.5 / rate, ReadoutS: 0.9 / rate,
		FieldOfViewDeg: 60, FullWellE: 1e15, SaturationNits: 200, FullRange: true,
		Pose: Pose{Fill: 0.8},
	}
}

func film(t testing.TB, source faults.Sequence, set Set, camera Camera, room Room, seconds float64) *Capture {
	t.Helper()
	c, err := Film(source, set, camera, room, seconds, 1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// linear undoes the response of a camera without shoulder, after the inverse
// of IEC 61966-2-1 written out here.
func linear(fullRangeCode float64) float64 {
	v := fullRangeCode / 255
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// The holds and beats of FACTS, section 7: 240 against 50 is 24 frames for 5
// pictures, 239.76 against 59.94 is exactly 4, 240 against 59.94 is 1001 for
// 250, film by 3:2 on 60 Hz is 12 and 8 in turn.
func TestFramesPerPicture(t *testing.T) {
	for _, c := range []struct {
		name                   string
		num, den               int // camera
		srcNum, srcDen         int
		refreshHz              float64
		frames, pictures       int
		shortest, longest, try int
	}{
		{"240 and 50", 240, 1, 50, 1, 50, 24, 5, 4, 5, 50},
		{"239.76 and 59.94", 240000, 1001, 60000, 1001, 60000.0 / 1001, 4, 1, 4, 4, 60},
		{"240 and 59.94", 240, 1, 60000, 1001, 60000.0 / 1001, 1001, 250, 4, 5, 500},
		{"240 and 25 twice", 240, 1, 25, 1, 50, 48, 5, 9, 10, 25},
		{"240 and film 3:2", 240, 1, 24, 1, 60, 20, 2, 8, 12, 24},
		{"240 and film 5:5", 240, 1, 24, 1, 120, 10, 1, 10, 10, 24},
		{"120 and 50", 120, 1, 50, 1, 50, 12, 5, 2, 3, 50},
		{"240 and 100", 240, 1, 100, 1, 100, 12, 5, 2, 3, 50},
		{"60 and 50", 60, 1, 50, 1, 50, 6, 5, 1, 2, 50},
	} {
		t.Run(c.name, func(t *testing.T) {
			set := plainSet(c.refreshHz)
			set.RollS, set.PhaseS = 0.9/c.refreshHz, -0.13/c.refreshHz
			camera := plainCamera(64, 36, c.num, c.den)
			camera.ExposureS = 1e-5 // hardly anything is mixed
			n := c.pictures*2 + 20
			capture := film(t, flats(64, 36, c.srcNum, c.srcDen, n, 16, 235), set, camera, Room{}, 0)
			var holds []int
			last, run := -1, 0
			for i := range capture.Frames {
				f := capture.Frame(i)
				d, _ := f.AtRaster(Point{32, 18}).Main()
				if d != last {
					holds = append(holds, run)
					last, run = d, 0
				}
				run++
			}
			holds = holds[2:] // none before the first, and the cut one
			if len(holds) < c.pictures {
				t.Fatalf("%d pictures", len(holds))
			}
			sum := 0
			for _, h := range holds[:c.pictures] {
				sum += h
			}
			if sum != c.frames || slices.Min(holds) != c.shortest || slices.Max(holds) != c.longest {
				t.Errorf("%d frames for %d pictures, %d to %d each; want %d, %d to %d",
					sum, c.pictures, slices.Min(holds), slices.Max(holds), c.frames, c.shortest, c.longest)
			}
		})
	}
}

// With the camera at exactly four times the refresh the same rows are mixed by
// the same share in every fourth frame, for ever.
func TestNoBeat(t *testing.T) {
	set := plainSet(60000.0 / 1001)
	set.RollS, set.PhaseS = 0.012, -0.003
	capture := film(t, flats(64, 36, 60000, 1001, 200, 16, 235), set, plainCamera(64, 36, 240000, 1001), Room{}, 0)
	for i := 8; i+400 < capture.Frames; i += 100 {
		a, b := capture.Frame(i), capture.Frame(i+400)
		for row, e := range a.Rows() {
			o := b.Rows()[row]
			if o.First-e.First != 100 || len(o.Shares) != len(e.Shares) || math.Abs(o.Shares[0]-e.Shares[0]) > 1e-9 {
				t.Fatalf("frame %d row %d: %+v and 400 frames later %+v", i, row, e, o)
			}
		}
	}
}

// The line where one picture ends and the next begins, FACTS section 7: while
// all rows are read at once it moves by the share of a refresh that a frame
// takes; the readout adds to that or takes from it, by its direction.
func TestSplitLine(t *testing.T) {
	const lines, refreshHz, rate = 720.0, 60.0, 240.0
	for _, c := range []struct {
		readout  Direction
		readoutS float64
		sign     float64
	}{{Down, 0, 0}, {Down, 0.003, -1}, {Up, 0.003, 1}} {
		set := plainSet(refreshHz)
		set.RollS = 1 / refreshHz
		camera := plainCamera(64, 720, rate, 1)
		camera.ExposureS, camera.ReadoutS, camera.Readout = 1e-6, c.readoutS, c.readout
		camera.FieldOfViewDeg = 20
		camera.Pose.Fill = 20 // the screen's height is that of the frame
		capture := film(t, flats(1280, lines, 60, 1, 10, 16, 235), set, camera, Room{}, 0)
		split := func(i int) float64 {
			f := capture.Frame(i)
			first := f.AtRaster(Point{640, 0.5}).First
			for v := 0.5; v < lines; v++ {
				if f.AtRaster(Point{640, v}).First != first {
					return v
				}
			}
			return lines
		}
		// In time a line's update is roll/lines later than that of the line
		// above, and the exposure of its row is as much later or earlier as
		// the readout has it.
		want := 1 / rate / (1/refreshHz/lines + c.sign*c.readoutS/lines)
		for i := 9; i < 11; i++ {
			if got := split(i+1) - split(i); math.Abs(got-want) > 3 {
				t.Errorf("%v in %g s: split at line %g, then %g: moved by %g, want %.1f", c.readout, c.readoutS, split(i), split(i+1), got, want)
			}
		}
		if c.readoutS == 0 && math.Abs(want-refreshHz/rate*lines) > 1e-9 {
			t.Errorf("%g lines a frame", want)
		}
	}
}

// Sway and tremor have the size that they were given, a drift and a zoom their
// rates, and a knock leaves the picture a third of its throw away.
func TestMotion(t *testing.T) {
	l := (&Camera{W: 1280, H: 720, FieldOfViewDeg: 60}).lens()
	r := rand.New(rand.NewPCG(1, 1))
	m := newMover(Motion{SwayPx: 3, ShakePx: 0.5}, r)
	var square, fast, n float64
	for s := 0.0; s < 300; s += 0.01 {
		a, b := m.at(s, l).apply(Point{640, 360}), m.at(s+0.005, l).apply(Point{640, 360})
		square, n = square+(a.X-640)*(a.X-640), n+1
		fast += (b.X - a.X) * (b.X - a.X) / 0.005 / 0.005
	}
	if sd := math.Sqrt(square / n); math.Abs(sd-math.Hypot(3, 0.5)) > 0.15 {
		t.Errorf("sway of %.2f px", sd)
	}
	// A speed between those of all sway at the slowest and all at the fastest.
	if v := math.Sqrt(fast/n) / 2 / math.Pi; v < math.Hypot(3*0.5, 0.5*6) || v > math.Hypot(3*2, 0.5*12) {
		t.Errorf("moves at %.2f px times Hz", v)
	}
	m = newMover(Motion{DriftXPx: 4, DriftYPx: -2, ZoomPerS: 0.01}, r)
	p, q := m.at(2, l).apply(Point{640, 360}), m.at(2, l).apply(Point{740, 360})
	if math.Hypot(p.X-648, p.Y-356) > 1e-9 || math.Abs(q.X-p.X-100*math.Exp(0.02)) > 1e-9 {
		t.Errorf("middle at %v, 100 px beside it %v", p, q)
	}
	m = newMover(Motion{BumpS: 1, BumpPx: 30}, r)
	far := 0.0
	for s := 1.0; s < 1.2; s += 0.001 {
		at := m.at(s, l).apply(Point{640, 360})
		far = max(far, math.Hypot(at.X-640, at.Y-360))
	}
	at := m.at(3, l).apply(Point{640, 360})
	if before := m.at(0.99, l).apply(Point{640, 360}); before != (Point{640, 360}) || far < 12 || far > 40 || math.Abs(math.Hypot(at.X-640, at.Y-360)-10) > 0.1 {
		t.Errorf("before the knock at %v, then up to %.1f px off, at last at %v", before, far, at)
	}
}

// Shares held against counting the instants of an exposure one by one, over
// cameras and sets of all kinds.
func TestSharesByCounting(t *testing.T) {
	for _, c := range []struct {
		rate      int
		refreshHz float64
		exposureS float64
		readout   Direction
	}{
		{240, 50, 1.0 / 240, Down}, {240, 59.94, 1.0 / 500, Up}, {240, 120, 1.0 / 250, Down},
		{240, 100, 1.0 / 1000, Rightward}, {60, 50, 1.0 / 60, Down}, {30, 60, 1.0 / 30, Leftward}, {60, 120, 1.0 / 60, Up},
	} {
		set := plainSet(c.refreshHz)
		set.RollS, set.PhaseS = 0.8/c.refreshHz, -0.37/c.refreshHz
		camera := plainCamera(80, 60, c.rate, 1)
		camera.ExposureS, camera.Readout = c.exposureS, c.readout
		camera.Pose = Pose{Fill: 0.9, YawDeg: 10, RollDeg: 3}
		capture := film(t, flats(64, 48, 120, 1, 40, 16, 235), set, camera, Room{}, 0)
		f := capture.Frame(capture.Frames / 2)
		for _, p := range []Point{{20, 15}, {40, 30}, {41.5, 33.2}, {60, 45}, {15, 50}} {
			e := f.At(p)
			v := max(0, min(48, f.ToRaster(Point{math.Floor(p.X) + 0.5, math.Floor(p.Y) + 0.5}).Y))
			row := map[Direction]float64{Down: p.Y, Up: 60 - p.Y, Rightward: p.X, Leftward: 80 - p.X}[c.readout]
			rows := map[bool]float64{false: 60, true: 80}[c.readout.Across()]
			if c.readout == Up || c.readout == Leftward {
				row = math.Ceil(row) - 1
			}
			start := f.TimeS + math.Floor(row)/rows*camera.ReadoutS
			counts := map[int]float64{}
			const instants = 20000
			for k := range instants {
				at := start + (float64(k)+0.5)/instants*c.exposureS
				// The refresh that the line shows, and its source picture.
				refresh := math.Floor((at - set.PhaseS - set.RollS*v/48) * c.refreshHz)
				source := min(39, max(0, math.Floor(refresh*120/c.refreshHz+1e-6)))
				counts[int(source)]++
			}
			sum := 0.0
			for i, s := range e.Shares {
				sum += s
				if got := counts[capture.Displayed()[e.First+i].Source] / instants; math.Abs(got-s) > 2.0/instants {
					t.Errorf("%+v at %v: picture %d has a share of %.5f, counted %.5f", c, p, e.First+i, s, got)
				}
			}
			if math.Abs(sum-1) > 1e-9 || len(counts) != len(e.Shares) {
				t.Errorf("%+v at %v: shares %v, counted %v", c, p, e.Shares, counts)
			}
		}
	}
}

// What is rendered has the light that the truth says, on a set that shows black
// and white in turn; without dips and the like that is the share of time.
func TestRenderedShares(t *testing.T) {
	sets := map[string]Set{}
	for _, name := range []string{"plain", "dips", "backlight", "settling"} {
		set := plainSet(50)
		set.RollS, set.PhaseS = 0.017, -0.004
		switch name {
		case "dips":
			set.DipDepth, set.DipS = 0.7, 1.5e-3
		case "backlight":
			set.BacklightHz, set.BacklightDepth, set.BacklightDuty = 333, 0.5, 0.4
		case "settling":
			set.SettleS = 2e-3
		}
		sets[name] = set
	}
	for name, set := range sets {
		for _, readout := range []Direction{Down, Up, Rightward, Leftward} {
			camera := plainCamera(160, 96, 240, 1)
			camera.Readout = readout
			camera.Pose = Pose{Fill: 1.5, YawDeg: 4, RollDeg: 2}
			if readout == Up || readout == Rightward {
				camera.Motion = Motion{DriftXPx: 3}
			}
			capture := film(t, flats(160, 90, 50, 1, 12, 16, 235), set, camera, Room{}, 0)
			mixed := 0
			for _, i := range []int{9, 10, 11, 12, 13, 14, 15, 3} {
				p, f := capture.Picture(i), capture.Frame(i)
				for y := 1; y < 96; y += 7 {
					for x := 2; x < 160; x += 11 {
						at := Point{float64(x) + 0.5, float64(y) + 0.5}
						white := func(e Exposure) (sum float64) {
							for k, s := range e.Shares {
								sum += s * float64(capture.Displayed()[e.First+k].Source%2)
							}
							return sum
						}
						want := white(f.LightAt(at))
						if want > 0.01 && want < 0.99 {
							mixed++
						}
						if name == "plain" && math.Abs(want-white(f.At(at))) > 1e-6 {
							t.Fatalf("%v frame %d at %v: shares of time %+v, of light %+v", readout, i, at, f.At(at), f.LightAt(at))
						}
						// Half a code and the table's step, and what is
						// left of a picture that counts as gone.
						got, least, most := float64(p.Y.At(x, y)), 255*camera.response(want-2*nothing), 255*camera.response(want+nothing)
						if got < least-1.2 || got > most+1.2 {
							t.Fatalf("%s %v frame %d at %v: code %g for light of %.4f", name, readout, i, at, got, want)
						}
					}
				}
			}
			if mixed < 50 {
				t.Errorf("%s %v: only %d mixed places", name, readout, mixed)
			}
		}
	}
}

// A liquid crystal's light, held against stepping through its differential
// equation, in the truth and in what is rendered.
func TestSettling(t *testing.T) {
	for _, c := range []struct{ refreshHz, tau, exposureS float64 }{{50, 3e-3, 1.0 / 240}, {100, 5e-3, 1.0 / 1000}, {60, 1e-3, 1.0 / 300}} {
		set := plainSet(c.refreshHz)
		set.RollS, set.PhaseS, set.SettleS = 0.9/c.refreshHz, -0.3/c.refreshHz, c.tau
		camera := plainCamera(64, 96, 240, 1)
		camera.ExposureS, camera.Pose.Fill = c.exposureS, 3
		src := flats(160, 90, int(c.refreshHz), 1, 30, 16, 235, 126)
		light := set.light(8, false)
		capture := film(t, src, set, camera, Room{}, 0)
		for _, i := range []int{20, 21, 22, 23, 24, 31} {
			f, p := capture.Frame(i), capture.Picture(i)
			for y := 3; y < 96; y += 15 {
				at := Point{32.5, float64(y) + 0.5}
				v := max(0, min(90, f.ToRaster(at).Y))
				start := f.StartS(at)
				state, sum, steps := 0.0, 0, 0.0
				const step = 2e-6
				for now := start - 0.08; now < start+c.exposureS; now += step {
					refresh := math.Floor((now - set.PhaseS - set.RollS*v/90) * c.refreshHz)
					state += (float64(light[src.At(int(max(0, refresh))).Y.Pix[0]]) - state) * step / c.tau
					if now >= start {
						steps += state
						sum++
					}
				}
				want := steps / float64(sum) / 200
				got := 0.0
				e := f.LightAt(at)
				for k, s := range e.Shares {
					got += s * float64(light[src.At(capture.Displayed()[e.First+k].Source).Y.Pix[0]]) / 200
				}
				if math.Abs(got-want) > 0.002 {
					t.Errorf("%+v frame %d row %d: light %.4f, stepped %.4f", c, i, y, got, want)
				}
				if code := float64(p.Y.At(32, y)); math.Abs(code-255*camera.response(want)) > 1.5 {
					t.Errorf("%+v frame %d row %d: code %g, want %.1f", c, i, y, code, 255*camera.response(want))
				}
			}
		}
	}
}

// column returns the linear light of the middle column of a frame.
func column(p *picture.Picture) []float64 {
	out := make([]float64, p.Y.H)
	for y := range out {
		out[y] = linear(float64(p.Y.At(p.Y.W/2, y)))
	}
	return out
}

// fit returns amplitude and phase of a sine of a frequency (per sample) in
// values, by least squares with a constant.
func fit(values []float64, frequency float64) (amplitude, phase float64) {
	var m [3][4]float64
	for i, v := range values {
		sin, cos := math.Sincos(2 * math.Pi * frequency * float64(i))
		basis := [3]float64{1, cos, sin}
		for a := range 3 {
			for b := range 3 {
				m[a][b] += basis[a] * basis[b]
			}
			m[a][3] += basis[a] * v
		}
	}
	for a := range 3 {
		for b := range 3 {
			if b == a {
				continue
			}
			k := m[b][a] / m[a][a]
			for c := range 4 {
				m[b][c] -= k * m[a][c]
			}
		}
	}
	c, s := m[1][3]/m[1][1], m[2][3]/m[2][2]
	return math.Hypot(c, s), math.Atan2(-s, c)
}

// strongest returns the frequency between two bounds whose sine is strongest.
func strongest(values []float64, lo, hi float64) (frequency, amplitude float64) {
	const steps = 600
	for i := range steps {
		f := lo + (hi-lo)*float64(i)/(steps-1)
		if a, _ := fit(values, f); a > amplitude {
			frequency, amplitude = f, a
		}
	}
	coarse := frequency
	for i := -10; i <= 10; i++ {
		f := coarse + float64(i)/10*(hi-lo)/(steps-1)
		if a, _ := fit(values, f); a > amplitude {
			frequency, amplitude = f, a
		}
	}
	return frequency, amplitude
}

// Bands of a backlight, FACTS section 7: f times the readout in a frame, their
// pitch in rows, how far they move from frame to frame, and what the exposure
// leaves of them (sinc).
func TestBands(t *testing.T) {
	for _, c := range []struct {
		hz, readoutS, exposureS float64
		bands, pitch            float64
	}{
		{960, 4e-3, 1.0 / 2000, 3.84, 281.25},
		{1440, 4e-3, 1.0 / 4000, 5.76, 187.5},
		{1200, 4e-3, 1.0 / 3000, 4.8, 225},
		{960, 3e-3, 1.0 / 4000, 2.88, 375},
	} {
		t.Run(fmt.Sprint(c.hz), func(t *testing.T) {
			const rows, depth, duty = 1080, 0.4, 0.5
			set := plainSet(50)
			set.BacklightHz, set.BacklightDepth, set.BacklightDuty = c.hz, depth, duty
			camera := plainCamera(16, rows, 240, 1)
			camera.ReadoutS, camera.ExposureS = c.readoutS, c.exposureS
			camera.Pose.Fill = 200
			capture := film(t, flats(64, 36, 50, 1, 10, 235), set, camera, Room{}, 0)
			a := column(capture.Picture(3))
			f, _ := strongest(a, 0.5/rows, 8.0/rows)
			if math.Abs(f*rows-c.bands) > 0.03*c.bands || math.Abs(1/f-c.pitch) > 0.03*c.pitch {
				t.Errorf("%.3f bands of %.1f rows, want %.3f of %.1f", f*rows, 1/f, c.bands, c.pitch)
			}
			// The first harmonic of a square wave of that depth and duty.
			first := depth * 2 / math.Pi * math.Sin(math.Pi*duty) * sinc(c.hz*c.exposureS)
			amplitude, phase := fit(a, c.bands/rows)
			if math.Abs(amplitude-first) > 0.06*first {
				t.Errorf("amplitude %.4f, want %.4f", amplitude, first)
			}
			_, next := fit(column(capture.Picture(4)), c.bands/rows)
			moved := math.Mod((next-phase)/(2*math.Pi)-c.hz/240+40.5, 1) - 0.5
			if math.Abs(moved) > 0.01 {
				t.Errorf("bands moved by %.3f of their pitch more than %g/240 turns", moved, c.hz)
			}
		})
	}
}

// An exposure of a whole refresh collects the same light wherever it begins,
// whatever dips there are; one of a whole number of periods of the backlight,
// likewise.
func TestWholeRefresh(t *testing.T) {
	dip := plainSet(60)
	dip.RollS, dip.PhaseS, dip.DipDepth, dip.DipS = 0.014, -0.002, 0.8, 0.001
	pulsed := plainSet(60)
	pulsed.BacklightHz, pulsed.BacklightDepth, pulsed.BacklightDuty = 240, 0.6, 0.3
	for name, c := range map[string]struct {
		set  Set
		want float64
	}{
		"dips":      {dip, 1 - 0.8*0.001*60},
		"backlight": {pulsed, 1 - 0.6*0.7},
	} {
		camera := plainCamera(32, 200, 60, 1)
		camera.ExposureS, camera.ReadoutS, camera.Pose.Fill = 1.0/60, 0.013, 20
		capture := film(t, flats(64, 36, 60, 1, 20, 235), c.set, camera, Room{}, 0)
		for i := range 5 {
			for y, v := range column(capture.Picture(i)) {
				if math.Abs(v-c.want) > 0.006 {
					t.Fatalf("%s: frame %d row %d has %.4f of the light, want %.4f", name, i, y, v, c.want)
				}
			}
		}
	}
	// Summed over the frames of one refresh, short exposures without a gap
	// see all of its light.
	camera := plainCamera(32, 60, 240, 1)
	camera.ExposureS, camera.ReadoutS, camera.Pose.Fill = 1.0/240, 0.003, 20
	capture := film(t, flats(64, 36, 60, 1, 20, 235), dip, camera, Room{}, 0)
	sum := make([]float64, 60)
	for i := range 4 {
		for y, v := range column(capture.Picture(8 + i)) {
			sum[y] += v / 4
		}
	}
	for y, v := range sum {
		if math.Abs(v-(1-0.8*0.001*60)) > 0.006 {
			t.Fatalf("row %d: %.4f of the light over a refresh", y, v)
		}
	}
}

// Moire between the panel's pixels and the camera's, FACTS section 7: period
// 1/|1/p - round(1/p)| for a pitch of p camera px; from 2 px on there is no
// alias, the pixels themselves are seen.
func TestMoire(t *testing.T) {
	for _, c := range []struct{ pitch, period float64 }{{1.02, 51}, {1.05, 21}, {1.4, 3.5}, {0.9, 9}, {3.1, 3.1}, {4.3, 4.3}} {
		t.Run(fmt.Sprint(c.pitch), func(t *testing.T) {
			const width, panel, fillShare, blur = 720, 1920, 0.8, 0.15
			set := plainSet(50)
			set.PanelW, set.PanelH, set.PixelFill = panel, 1080, fillShare
			camera := plainCamera(width, 64, 240, 1)
			camera.BlurPx = blur
			camera.SaturationNits = 400
			camera.Pose.Fill = c.pitch * panel / width
			capture := film(t, flats(640, 360, 50, 1, 10, 235), set, camera, Room{}, 0)
			p := capture.Picture(0)
			row := make([]float64, width)
			for y := range 64 {
				for x := range row {
					row[x] += linear(float64(p.Y.At(x, y))) / 64 * 2
				}
			}
			// The middle rows share one phase of the upright pitch; their
			// mean over the height leaves its mean.
			f, amplitude := strongest(row, 0.01, 0.49)
			if math.Abs(1/f-c.period) > 0.02*c.period {
				t.Errorf("period %.2f px, want %.2f", 1/f, c.period)
			}
			want := 2 * sinc(fillShare) * sinc(1/c.pitch) * math.Exp(-2*math.Pi*math.Pi*blur*blur/c.pitch/c.pitch)
			if math.Abs(amplitude-math.Abs(want)) > 0.1*math.Abs(want)+0.002 {
				t.Errorf("amplitude %.4f, want %.4f", amplitude, want)
			}
		})
	}
}

// A homography of a plane has K^-1 H = [s r1, s r2, t] with r1 and r2 of one
// length and at right angles (Hartley & Zisserman, Multiple View Geometry,
// from memory).
func TestHomographyIdentity(t *testing.T) {
	for seed := range int64(40) {
		s := Random(50, seed)
		h := s.Camera.pose(1280, 720, 1)
		l := s.Camera.lens()
		var r [2][3]float64
		for j := range 2 {
			r[j] = [3]float64{(h[j] - l.cx*h[6+j]) / l.f, (h[3+j] - l.cy*h[6+j]) / l.f, h[6+j]}
		}
		dot := func(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
		n := math.Sqrt(dot(r[0], r[0]) * dot(r[1], r[1]))
		if math.Abs(dot(r[0], r[1])) > 1e-9*n || math.Abs(dot(r[0], r[0])-dot(r[1], r[1])) > 1e-9*n {
			t.Errorf("seed %d: %v %v", seed, r[0], r[1])
		}
		capture := film(t, flats(1280, 720, 50, 1, 100, 235), s.Set, s.Camera, s.Room, 1)
		f := capture.Frame(capture.Frames - 1)
		for _, p := range []Point{{0, 0}, {1280, 720}, {300, 500}} {
			c := f.ToCamera(p)
			back := f.ToRaster(c)
			if math.Hypot(back.X-p.X, back.Y-p.Y) > 1e-6 {
				t.Errorf("seed %d: %v comes back as %v", seed, p, back)
			}
			// Brown's model, written out.
			u := f.Straighten(c)
			x, y := (u.X-l.cx)/l.f, (u.Y-l.cy)/l.f
			k := 1 + l.k1*(x*x+y*y) + l.k2*(x*x+y*y)*(x*x+y*y)
			if math.Hypot(l.cx+l.f*x*k-c.X, l.cy+l.f*y*k-c.Y) > 1e-6 {
				t.Errorf("seed %d: %v straightened is %v", seed, c, u)
			}
		}
	}
}

// The edges of the screen are rendered where the truth has them, and so are
// things in the picture.
func TestPlaces(t *testing.T) {
	for seed := range int64(6) {
		s, _ := Named([]string{Hand, Stand, Portrait}[seed%3], 50, seed)
		s.Camera.FullWellE, s.Camera.ReadNoiseE, s.Camera.FullRange = 1e15, 0, true
		s.Camera.Shoulder, s.Camera.SaturationNits, s.Camera.Flare = 0, 400, 0
		s.Camera.RedGain, s.Camera.BlueGain, s.Set.RedGain, s.Set.BlueGain = 1, 1, 1, 1
		s.Set.PeakNits, s.Set.BlackNits = 300, 0
		s.Camera.K1, s.Camera.Falloff = 0.05, 0
		// Four white squares on grey.
		src := flats(1280, 720, 50, 1, 40, 150)
		white := picture.New(1280, 720, 8)
		fill(white.Pix, 150)
		squares := []Point{{200, 120}, {1080, 140}, {1060, 600}, {640, 360}}
		for _, q := range squares {
			for y := int(q.Y) - 16; y < int(q.Y)+16; y++ {
				for x := int(q.X) - 16; x < int(q.X)+16; x++ {
					white.Pix[y*1280+x] = 235
				}
			}
		}
		src.At = func(int) *picture.Picture { return &picture.Picture{Y: white} }
		capture := film(t, src, s.Set, s.Camera, Room{}, 0)
		i := capture.Frames / 2
		p, f := capture.Picture(i), capture.Frame(i)
		at := func(x, y int) float64 { return linear(float64(p.Y.At(x, y))) }
		grey := linear(float64(p.Y.At(int(f.ToCamera(Point{400, 300}).X), int(f.ToCamera(Point{400, 300}).Y))))
		for _, q := range squares {
			// The light above that of the grey around has its centre in
			// that of the square.
			m := f.ToCamera(q)
			var sum, sx, sy float64
			r := int(20 * f.PxPerColumn(q))
			around := (at(int(m.X)-r, int(m.Y)) + at(int(m.X)+r, int(m.Y)) + at(int(m.X), int(m.Y)-r) + at(int(m.X), int(m.Y)+r)) / 4
			for y := int(m.Y) - r; y <= int(m.Y)+r; y++ {
				for x := int(m.X) - r; x <= int(m.X)+r; x++ {
					v := at(x, y) - around
					sum, sx, sy = sum+v, sx+v*(float64(x)+0.5), sy+v*(float64(y)+0.5)
				}
			}
			if d := math.Hypot(sx/sum-m.X, sy/sum-m.Y); d > 0.15 {
				t.Errorf("seed %d: square %v is %.3f px off", seed, q, d)
			}
		}
		// Along the frame's rows across the left and the right edge.
		for _, v := range []float64{150, 360, 500} {
			for _, u := range []float64{0, 1280} {
				m := f.ToCamera(Point{u, v})
				y := int(m.Y)
				sum, from, to := 0.0, int(m.X)-8, int(m.X)+8
				for x := from; x < to; x++ {
					sum += at(x, y) / grey
				}
				// The light within is even but for the lens's fall-off; its
				// share tells where the edge is.
				level := at(to-1, y) / grey
				edge := float64(to) - sum/level
				if u > 0 {
					level = at(from, y) / grey
					edge = float64(from) + sum/level
				}
				want := edgeIn(&f, u, float64(y)+0.5)
				if math.Abs(edge-want) > 0.15 {
					t.Errorf("seed %d: edge at %.2f in row %d, want %.2f", seed, edge, y, want)
				}
			}
		}
	}
}

// edgeIn returns where the raster's column u crosses the middle of a row.
func edgeIn(f *Frame, u, y float64) float64 {
	lo, hi := 0.0, 720.0
	for range 60 {
		mid := (lo + hi) / 2
		if f.ToCamera(Point{u, mid}).Y < y {
			lo = mid
		} else {
			hi = mid
		}
	}
	return f.ToCamera(Point{u, lo}).X
}

// The natural fall-off at the edge and the corner of a 16:9 frame seen from 2,
// 3, 4 and 5 picture heights (FACTS section 3).
func TestFallOff(t *testing.T) {
	for _, c := range []struct{ heights, edge, corner float64 }{{2, .697, .630}, {3, .845, .804}, {4, .908, .882}, {5, .940, .922}} {
		camera := plainCamera(1280, 720, 240, 1)
		camera.FieldOfViewDeg = 2 * math.Atan(16.0/9/2/c.heights) * 180 / math.Pi
		camera.Falloff, camera.Pose.Fill = 1, 1.2
		capture := film(t, flats(64, 36, 50, 1, 10, 235), plainSet(50), camera, Room{}, 0)
		p := capture.Picture(0)
		for _, q := range []struct {
			x, y int
			want float64
		}{{640, 360, 1}, {0, 360, c.edge}, {1279, 360, c.edge}, {0, 0, c.corner}, {1279, 719, c.corner}} {
			if got := linear(float64(p.Y.At(q.x, q.y))); math.Abs(got-q.want) > 0.006 {
				t.Errorf("%g heights: %.3f at %d,%d, want %.3f", c.heights, got, q.x, q.y, q.want)
			}
		}
	}
}

// Noise of a photon count (EMVA 1288: variance = mean + read noise squared, in
// electrons), and none from frame to frame that is alike.
func TestNoise(t *testing.T) {
	for _, c := range []struct{ well, read, share float64 }{{1000, 0, 0.5}, {1000, 4, 0.1}, {300, 3, 0.7}, {4000, 2, 0.3}} {
		camera := plainCamera(320, 200, 240, 1)
		camera.FullWellE, camera.ReadNoiseE, camera.Pose.Fill = c.well, c.read, 3
		camera.SaturationNits = 200 / c.share
		capture := film(t, flats(64, 36, 50, 1, 10, 235), plainSet(50), camera, Room{}, 0)
		a, b := capture.Picture(0), capture.Picture(1)
		var sum, square, product float64
		n := float64(len(a.Y.Pix))
		for i, v := range a.Y.Pix {
			x, y := linear(float64(v))*c.well, linear(float64(b.Y.Pix[i]))*c.well
			sum, square = sum+x, square+x*x
			product += (x - c.share*c.well) * (y - c.share*c.well)
		}
		mean := sum / n
		variance := square/n - mean*mean
		slope := (linear(255*camera.response(c.share)+0.5) - linear(255*camera.response(c.share)-0.5)) * c.well // electrons a code
		want := c.share*c.well + c.read*c.read + slope*slope/12
		if math.Abs(mean-c.share*c.well) > 0.01*c.share*c.well || math.Abs(variance-want) > 0.04*want {
			t.Errorf("%+v: mean %.1f electrons, variance %.1f, want %.1f and %.1f", c, mean, variance, c.share*c.well, want)
		}
		if r := product / n / variance; math.Abs(r) > 0.03 {
			t.Errorf("%+v: noise of two frames is alike by %.3f", c, r)
		}
	}
}

// Check values of IEC 61966-2-1 and of BT.1886 (FACTS sections 1.2 and 1.3).
func TestTransfers(t *testing.T) {
	camera := Camera{}
	for x, want := range map[float64]float64{0.18: 0.461356129500442, 0.5: 0.735357, 0.00030353: 1.0 / 255, 0.83076988: 235.0 / 255} {
		if got := camera.response(x); math.Abs(got-want) > 2e-6 {
			t.Errorf("response(%g) = %.8f, want %.8f", x, got, want)
		}
	}
	for _, c := range []struct {
		black float64
		code  int
		want  float64
	}{{0, 16, 0}, {0.05, 16, 0.05}, {0, 17, .000242}, {0.05, 17, .063377}, {0.05, 26, .276170}, {0.05, 35, .683139}, {0, 32, .187423}, {0.1, 235, 100}} {
		set := Set{PeakNits: 100, BlackNits: c.black}
		if got := float64(set.light(8, false)[c.code]); math.Abs(got-c.want) > 1e-5*c.want+6e-7 {
			t.Errorf("code %d over %g nits gives %.6f nits, want %.6f", c.code, c.black, got, c.want)
		}
	}
	if got := (&Set{PeakNits: 100}).light(10, false); math.Abs(float64(got[502])-18.9465) > 0.06 {
		t.Errorf("50 %% in 10 bit gives %.4f nits", got[502])
	}
}

// Stamps: by the clock, stretched from 240 to 30 a second, or a third of the
// frames stretched.
func TestStamps(t *testing.T) {
	src := flats(64, 36, 50, 1, 51, 100)
	for _, c := range []struct {
		stamps Stamping
		last   float64
		rate   float64
	}{{RealTime, 239.0 / 240, 240}, {Stretched, 239.0 / 30, 30}, {MiddleStretched, 79.0/30 + 160.0/240, 240}} {
		camera := plainCamera(64, 36, 240, 1)
		camera.Stamps = c.stamps
		capture := film(t, src, plainSet(50), camera, Room{}, 1.0061)
		f := capture.Frame(239)
		if math.Abs(f.Stamp.Seconds()-c.last) > 0.06 || math.Abs(f.TimeS-239.0/240) > 1e-9 || capture.Format.Rate() != c.rate {
			t.Errorf("%v: frame 239 at %v (taken at %.4f s), %g a second", c.stamps, f.Stamp, f.TimeS, capture.Format.Rate())
		}
		if p := capture.Picture(200); p.Time != capture.Frame(200).Stamp || p.Index != 200 {
			t.Errorf("picture %d at %v", p.Index, p.Time)
		}
	}
}

// Uneven frames keep their order, are stamped as they were taken, and some are
// missing; a clock that is slow moves the frames and not the stamps.
func TestUneven(t *testing.T) {
	s, _ := Named(Uneven, 50, 4)
	s.Camera.DropShare, s.Camera.JitterS, s.Camera.ClockPPM = 0.05, 1e-3, 1000
	c, err := s.Film(flats(64, 36, 50, 1, 500, 100), 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	var square, steps float64
	for i := 1; i < c.Frames; i++ {
		a, b := c.Frame(i-1), c.Frame(i)
		if b.TimeS <= a.TimeS || b.Stamp <= a.Stamp {
			t.Fatalf("frame %d at %g s and %v follows %g s and %v", i, b.TimeS, b.Stamp, a.TimeS, a.Stamp)
		}
		if d := b.TimeS/1.001 - b.Stamp.Seconds(); math.Abs(d) > 1e-8 {
			t.Fatalf("frame %d at %g s is stamped %v", i, b.TimeS, b.Stamp)
		}
		if got := c.StampAt((a.TimeS + b.TimeS) / 2); math.Abs(got.Seconds()-(a.Stamp+b.Stamp).Seconds()/2) > 1e-8 {
			t.Fatalf("half way between frames %d and %d is %v", i-1, i, got)
		}
		off := b.Stamp.Seconds() * 120
		off -= math.Round(off)
		square, steps = square+off*off/120/120, steps+1
	}
	if sd := math.Sqrt(square / steps); math.Abs(sd-1e-3) > 1e-4 {
		t.Errorf("jitter of %g s", sd)
	}
	if lost := 1 - float64(c.Frames)/(10*120); lost < 0.03 || lost > 0.08 {
		t.Errorf("%.3f of the frames are missing", lost)
	}
}

// Faults are told in displayed pictures and on the raster asked for, and times
// of the file lead back to them, however it is stamped.
func TestFaultsAsDisplayed(t *testing.T) {
	for _, name := range []string{Stand, Slowed, PartSlowed} {
		s, _ := Named(name, 100, 2)
		src := flats(640, 360, 50, 1, 60, 100, 120)
		src.Truth = []faults.Truth{
			{Kind: detect.Ghost, First: 20, Last: 23, Region: image.Rect(100, 40, 200, 140), Measures: map[string]float64{faults.Displacement: 8}},
			{Kind: detect.Ghost, First: 70, Last: 80},
		}
		c, err := s.Film(src, 0, 2)
		if err != nil {
			t.Fatal(err)
		}
		got := c.Faults(960, 540)
		if len(got) != 1 || got[0].First != 20 || got[0].Last != 23 || got[0].Region != image.Rect(150, 60, 300, 210) ||
			math.Abs(got[0].Measures[faults.Displacement]-12) > 1e-9 {
			t.Errorf("%s: %+v", name, got)
		}
		for d := 1; d < 50; d++ {
			at := c.UpdateS(d, 180)
			if before, now := c.DisplayedAt(c.StampAt(at-1e-4)), c.DisplayedAt(c.StampAt(at+1e-4)); at > 0 && (before != d-1 || now != d) {
				t.Errorf("%s: pictures %d and %d around the update to %d", name, before, now, d)
			}
		}
	}
}

// Colour bars of SMPTE RP 219 (75 per cent, BT.709; FACTS section 1.5) come
// through set and camera with the light of each of their three colours.
func TestColour(t *testing.T) {
	bars := []struct{ y, cb, cr, red, green, blue float64 }{
		{721, 512, 512, 1, 1, 1}, {674, 176, 543, 1, 1, 0}, {581, 589, 176, 0, 1, 1}, {534, 253, 207, 0, 1, 0},
		{251, 771, 817, 1, 0, 1}, {204, 435, 848, 1, 0, 0}, {111, 848, 481, 0, 0, 1},
	}
	for _, gains := range [][2]float64{{1, 1}, {1.1, 0.9}} {
		for _, bar := range bars {
			p := &picture.Picture{Y: picture.New(64, 36, 8), Cb: picture.New(32, 18, 8), Cr: picture.New(32, 18, 8)}
			fill(p.Y.Pix, uint8(math.Round(bar.y/4)))
			fill(p.Cb.Pix, uint8(math.Round(bar.cb/4)))
			fill(p.Cr.Pix, uint8(math.Round(bar.cr/4)))
			src := faults.Sequence{Format: picture.Format{W: 64, H: 36, Depth: 8, ChromaX: 1, ChromaY: 1, RateNum: 50, RateDen: 1}, Len: 10,
				At: func(int) *picture.Picture { return p }}
			camera := plainCamera(64, 36, 240, 1)
			camera.Pose.Fill, camera.SaturationNits = 3, 300
			camera.RedGain, camera.BlueGain = gains[0], gains[1]
			q := film(t, src, plainSet(50), camera, Room{}, 0).Picture(0)
			light := math.Pow(0.75, 2.4) * 200 / 300
			er, eg, eb := camera.response(bar.red*light*gains[0]), camera.response(bar.green*light), camera.response(bar.blue*light*gains[1])
			y := 0.2126*er + 0.7152*eg + 0.0722*eb
			want := [3]float64{255 * y, 128 + 255*(eb-y)/1.8556, 128 + 255*(er-y)/1.5748}
			got := [3]float64{float64(q.Y.At(32, 18)), float64(q.Cb.At(16, 9)), float64(q.Cr.At(16, 9))}
			for k, tolerance := range [3]float64{3, 3, 3} {
				if math.Abs(got[k]-want[k]) > tolerance {
					t.Errorf("gains %v, bar %+v: got %.0f, want %.1f", gains, bar, got, want)
					break
				}
			}
		}
	}
}

// A source of ten bits gives the frames of its like in eight, and one with
// wide samples a screen of its own shape.
func TestSources(t *testing.T) {
	eight := flats(64, 36, 50, 1, 10, 60, 200)
	ten := eight
	ten.Format.Depth = 10
	ten.At = func(i int) *picture.Picture {
		p, q := eight.At(i), &picture.Picture{Y: picture.New(64, 36, 10)}
		for k, v := range p.Y.Pix {
			q.Y.Pix16[k] = 4 * uint16(v)
		}
		return q
	}
	camera := plainCamera(160, 90, 240, 1)
	a := film(t, Letterboxed(eight, 0.2), plainSet(50), camera, Room{}, 0)
	b := film(t, Letterboxed(ten, 0.2), plainSet(50), camera, Room{}, 0)
	for _, i := range []int{0, 9} {
		p, q := a.Picture(i), b.Picture(i)
		if !bytes.Equal(p.Y.Pix, q.Y.Pix) {
			t.Errorf("frame %d differs in ten bits", i)
		}
		f := a.Frame(i)
		bar, content := f.ToCamera(Point{32, 3}), f.ToCamera(Point{32, 18})
		if p.Y.At(int(bar.X), int(bar.Y)) > 1 || p.Y.At(int(content.X), int(content.Y)) < 30 {
			t.Errorf("frame %d: bar and content are %d and %d", i, p.Y.At(int(bar.X), int(bar.Y)), p.Y.At(int(content.X), int(content.Y)))
		}
	}
	wide := flats(720, 576, 50, 1, 10, 60)
	wide.Format.SampleAspectNum, wide.Format.SampleAspectDen = 64, 45
	f := film(t, wide, plainSet(50), camera, Room{}, 0).Frame(0)
	if shape := (f.Corners[1].X - f.Corners[0].X) / (f.Corners[3].Y - f.Corners[0].Y); math.Abs(shape-16.0/9) > 1e-6 {
		t.Errorf("720x576 samples of 64:45 make a screen of %.4f to 1", shape)
	}
}

// The room: wall, slope, bezel with its mirror, board with its own, lamp and
// things have the nits that they were given.
func TestRoom(t *testing.T) {
	camera := plainCamera(640, 480, 240, 1)
	camera.Pose.Fill, camera.SaturationNits = 0.5, 100
	room := Room{
		WallNits: 10, WallSlope: 0.4, Bezel: 0.05, BezelNits: 1, BezelMirror: 0.05, ScreenNits: 2,
		BoardNits: 30, BoardGap: 0.1, LampNits: 80, LampSize: 0.1, LampX: 0.8, LampY: -0.1,
		BoardMirror: 0.3,
		Things: []Thing{
			{X0: -0.9, Y0: -0.4, X1: -0.7, Y1: -0.2, Nits: 40},
			{X0: 0.6, Y0: 0.25, X1: 0.8, Y1: 0.4, Nits: 1, Plays: 0.4},
		},
	}
	set := plainSet(50)
	set.PeakNits = 50
	capture := film(t, flats(64, 36, 50, 1, 10, 235), set, camera, room, 0)
	p, f := capture.Picture(0), capture.Frame(0)
	halo := func(x, y float64) float64 { return 80 * haloShare * math.Exp(-math.Hypot(x-0.8, y+0.1)/haloReach) }
	for name, c := range map[string]struct{ x, y, want float64 }{
		"screen":     {0, 0, 52},
		"bezel":      {-0.525, 0, 1 + 0.05*50},
		"left wall":  {-0.7, 0.1, 10*(1-0.4*0.7) + halo(-0.7, 0.1)},
		"right wall": {0.65, 0.2, 10*(1+0.4*0.65) + halo(0.65, 0.2)},
		"board":      {0, 0.5, 30 + halo(0, 0.5)},
		"its mirror": {0, 0.65, 30 + 0.3*50 + halo(0, 0.65)},
		"poster":     {-0.8, -0.3, 40 + halo(-0.8, -0.3)},
		"2nd screen": {0.7, 0.32, 1 + 0.4*50 + halo(0.7, 0.32)},
		"lamp":       {0.8, -0.1, 80 + 10*(1+0.4*0.8) + 80*haloShare},
	} {
		at := f.ToCamera(Point{(c.x + 0.5) * 64, c.y*64 + 18})
		got := 100 * linear(float64(p.Y.At(int(at.X), int(at.Y))))
		if math.Abs(got-c.want) > 0.03*c.want {
			t.Errorf("%s: %.2f nits, want %.2f", name, got, c.want)
		}
	}
}

// A frame is the same whenever it is asked for, with every part at work.
func TestSameAgain(t *testing.T) {
	src := OfScene(scene.Pan(scene.Raster{W: 320, H: 180, RateNum: 50, RateDen: 1, Shutter: 0.5, Colour: true, Seed: 3},
		scene.Back{Surface: scene.Street}, scene.Move{X: 5}), 40)
	for _, name := range []string{Hand, Emissive, Portrait, CloseUp, SlowPanel} {
		make := func() *Capture {
			s, _ := Named(name, 50, 5)
			s.Camera.W, s.Camera.H = s.Camera.W/4, s.Camera.H/4
			s.Camera.AutoExposureS, s.Camera.AutoExposureRange = 0.3, 2
			c, err := s.Film(src, 0, 5)
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
		a, b := make(), make()
		var ordered []*picture.Picture
		for i := range 60 {
			ordered = append(ordered, a.Picture(i))
		}
		for _, i := range []int{59, 3, 40, 41, 12, 0} {
			p := b.Picture(i)
			if !bytes.Equal(p.Y.Pix, ordered[i].Y.Pix) || !bytes.Equal(p.Cb.Pix, ordered[i].Cb.Pix) || !bytes.Equal(p.Cr.Pix, ordered[i].Cr.Pix) {
				t.Errorf("%s: frame %d differs when asked for out of order", name, i)
			}
		}
	}
}

// Automatic exposure follows a step of light exponentially.
func TestAutoExposure(t *testing.T) {
	src := flats(64, 36, 50, 1, 100, 235)
	dark, bright := src.At(0), flats(64, 36, 50, 1, 1, 160).At(0)
	src.At = func(i int) *picture.Picture {
		if i < 20 {
			return dark
		}
		return bright
	}
	camera := plainCamera(64, 36, 240, 1)
	camera.AutoExposureS, camera.AutoExposureRange, camera.SaturationNits, camera.Pose.Fill = 0.4, 4, 300, 3
	capture := film(t, src, plainSet(50), camera, Room{}, 0)
	gain := func(i int) float64 {
		before := capture.Gain(i)
		p := capture.Picture(i)
		v := 1.0
		if f := capture.Frame(i); capture.Displayed()[f.At(Point{32, 18}).First].Source >= 20 {
			v = math.Pow((160.0-16)/219, 2.4)
		}
		seen := linear(float64(p.Y.At(32, 18))) * 300 / 200 / v
		if math.Abs(seen-before) > 0.012*before {
			t.Errorf("frame %d: gain %.4f, seen %.4f", i, before, seen)
		}
		return seen
	}
	from, to := gain(90), gain(460)
	aimed := math.Sqrt(0.18 * 300 / (200 * math.Pow((160.0-16)/219, 2.4)))
	if math.Abs(from-math.Sqrt(0.18*300/200)) > 0.01 || math.Abs(to-aimed) > 0.05 {
		t.Errorf("gain %.3f, then %.3f, want %.3f at last", from, to, aimed)
	}
	at := 0.4 + 0.4 // one time constant after the step
	if got, want := gain(int(at*240)), aimed+(from-aimed)*math.Exp(-1); math.Abs(got-want) > 0.02 {
		t.Errorf("gain %.3f after one time constant, want %.3f", got, want)
	}
}

// Every situation can be filmed, with the screen in the frame at all times and
// sensible light; seeds differ.
func TestSituations(t *testing.T) {
	src := flats(1280, 720, 50, 1, 50*Steady, 126)
	check := func(s Situation, seed int64) {
		c, err := s.Film(src, 0, seed)
		if err != nil {
			t.Errorf("%s %d: %v", s.Name, seed, err)
			return
		}
		for i := 0; i < c.Frames; i += 31 {
			f := c.Frame(i)
			for _, p := range f.Corners {
				in := p.X > 0 && p.Y > 0 && p.X < float64(s.Camera.W) && p.Y < float64(s.Camera.H)
				if in == (s.Name == CloseUp) {
					t.Fatalf("%s %d: corner at %v in frame %d", s.Name, seed, p, i)
				}
			}
			e := f.AtRaster(Point{640, 360})
			if d, share := e.Main(); share <= 0 || d >= len(c.Displayed()) {
				t.Fatalf("%s %d: exposure %+v", s.Name, seed, e)
			}
		}
		f := c.Frame(5)
		if fill := (f.Corners[1].X - f.Corners[0].X) / float64(s.Camera.W); s.Name != CloseUp && (fill < 0.5 || fill > 0.98) {
			t.Errorf("%s %d: fills %.2f of the frame", s.Name, seed, fill)
		}
		if seed > 0 {
			return // rendering takes its time
		}
		p := c.Picture(5)
		m := f.ToCamera(Point{640, 360})
		if v := p.Y.At(int(m.X), int(m.Y)); v < 40 || v > 235 {
			t.Errorf("%s %d: mid grey has code %d", s.Name, seed, v)
		}
	}
	for _, name := range Names() {
		for seed := range int64(12) {
			s, ok := Named(name, []float64{50, 60000.0 / 1001, 100, 120}[seed%4], seed)
			if !ok {
				t.Fatal(name)
			}
			check(s, seed)
		}
	}
	for seed := range int64(60) {
		check(Random([]float64{24, 25, 50, 60}[seed%4], seed), seed%8)
	}
	if _, ok := Named("nothing", 50, 1); ok {
		t.Error("an unknown name is known")
	}
	a, b := Random(50, 1), Random(50, 2)
	if a.Camera == b.Camera {
		t.Error("two seeds give the same camera")
	}
}

// What cannot be is refused with a reason.
func TestRefused(t *testing.T) {
	good := flats(64, 36, 50, 1, 10, 100)
	for name, change := range map[string]func(s *Set, c *Camera){
		"no refresh":           func(s *Set, c *Camera) { s.RefreshHz = 0 },
		"update too slow":      func(s *Set, c *Camera) { s.RollS = 1 },
		"late phase":           func(s *Set, c *Camera) { s.PhaseS = 1 },
		"no light":             func(s *Set, c *Camera) { s.PeakNits = 0 },
		"dips and backlight":   func(s *Set, c *Camera) { s.DipDepth, s.BacklightDepth = 0.5, 0.5 },
		"backlight unswitched": func(s *Set, c *Camera) { s.BacklightDepth = 0.5 },
		"dips that settle":     func(s *Set, c *Camera) { s.DipDepth, s.DipS, s.SettleS = 0.5, 1e-3, 1e-3 },
		"long dip":             func(s *Set, c *Camera) { s.DipDepth, s.DipS = 0.5, 1 },
		"panel without fill":   func(s *Set, c *Camera) { s.PanelW, s.PanelH = 10, 10 },
		"odd frame":            func(s *Set, c *Camera) { c.W = 63 },
		"no rate":              func(s *Set, c *Camera) { c.RateDen = 0 },
		"long exposure":        func(s *Set, c *Camera) { c.ExposureS = 1 },
		"long readout":         func(s *Set, c *Camera) { c.ReadoutS = 1 },
		"no view":              func(s *Set, c *Camera) { c.FieldOfViewDeg = 0 },
		"no electrons":         func(s *Set, c *Camera) { c.FullWellE = 0 },
		"no saturation":        func(s *Set, c *Camera) { c.SaturationNits = 0 },
		"odd turn":             func(s *Set, c *Camera) { c.Rotation = 45 },
		"no size":              func(s *Set, c *Camera) { c.Pose.Fill = 0 },
		"half exposure drift":  func(s *Set, c *Camera) { c.AutoExposureS = 1 },
		"all missing":          func(s *Set, c *Camera) { c.DropShare = 0.9 },
	} {
		s, c := plainSet(50), plainCamera(64, 36, 240, 1)
		change(&s, &c)
		if _, err := Film(good, s, c, Room{}, 0, 1); err == nil {
			t.Errorf("%s is not refused", name)
		}
	}
	if _, err := Film(faults.Sequence{}, plainSet(50), plainCamera(64, 36, 240, 1), Room{}, 0, 1); err == nil {
		t.Error("nothing to show is not refused")
	}
}

// The catalogue names what is wrong in it, can be filmed, and shows combing
// large enough to be seen.
func TestCatalogue(t *testing.T) {
	names := map[string]int{}
	for _, list := range [][]Case{Faulty(1), LookAlikes(1), Clean(1, 10, 2)} {
		for _, k := range list {
			c, err := k.Film()
			if err != nil {
				t.Errorf("%s: %v", k.Name, err)
				continue
			}
			names[k.Fault]++
			if (k.Fault == "") != (len(k.Source.Truth) == 0) {
				t.Errorf("%s: fault %q, truth %+v", k.Name, k.Fault, k.Source.Truth)
			}
			for _, truth := range k.Source.Truth {
				if _, _, ok := c.DisplayedBy(truth.First, truth.Last); !ok {
					t.Errorf("%s: the fault is not shown", k.Name)
				}
			}
			f := c.Frame(c.Frames / 2)
			middle := Point{float64(k.Source.Format.W) / 2, float64(k.Source.Format.H) / 2}
			if px := f.PxPerLine(middle); k.Fault == "comb" && px < 1.05 {
				t.Errorf("%s: %.2f px a line", k.Name, px)
			}
		}
	}
	if names["ghost"] < 20 || names["comb"] < 20 || names["cadence"] < 10 || names[""] < 20 {
		t.Errorf("captures by fault: %v", names)
	}
}
