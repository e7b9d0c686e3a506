package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/encode"
	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/all"
	"setwitness/detect/origin"
	"setwitness/detect/signing"
	"setwitness/report"
	"setwitness/testdata/blocks"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// The raster and the length of the exam's clips: three seconds are left when a
// take begins late.
const (
	examW, examH   = 640, 360
	examRate       = 30
	examPictures   = 102
	examFaultFirst = 48 // pictures
	examWays       = 3  // in which a fault of a source is passed on
)

// examined is a fault that a set makes, or a source has: kinds are those that a
// finding of it has, first and last where it is in the faulty sequence.
type examined struct {
	name          string
	kinds         []detect.Kind
	clean, faulty faults.Sequence
	first, last   int
	steps         bool // of codes
}

// examFaults names the faults of the exam; examFault draws one of a name.
var examFaults = []string{"combing", "ghost", "repeat", "drop", "halved", "blocks", "dark banding", "posterisation"}

func examFault(name string, seed int64) examined {
	d := rand.New(rand.NewPCG(uint64(seed), uint64(len(name))))
	between := func(a, b float64) float64 { return a + d.Float64()*(b-a) }
	r := scene.Raster{W: examW, H: examH, RateNum: examRate, RateDen: 1, Depth: 8, Shutter: between(0.2, 0.6), Grain: between(0.3, 1.2), Seed: seed}
	step := between(4, 12)
	if d.IntN(2) == 0 {
		step = -step
	}
	surfaces := []scene.Surface{scene.Street, scene.Foliage, scene.Gravel}
	surface := surfaces[d.IntN(len(surfaces))]
	length := examPictures / float64(examRate)
	pan := func() *scene.Scene {
		return scene.Pan(r, scene.Back{Surface: surface, Tone: 90, Contrast: 60}, scene.Move{X: step, Y: between(-1, 1), Seconds: length + 1})
	}
	toss := func() *scene.Scene {
		speed := between(9, 20)
		b := scene.Ball{Diameter: between(40, 80), Speed: speed, Level: between(180, 220), Y: between(0.35, 0.65)}
		b.X = 0.5 - speed*examFaultFirst/examW
		b.X -= math.Floor(b.X)
		return scene.Toss(r, scene.Back{Surface: surface, Tone: 80, Contrast: 40}, scene.Move{X: 0.4, Seconds: length + 1}, b)
	}
	scenes := []func() *scene.Scene{pan, toss, func() *scene.Scene { return scene.BallGame(r, scene.Game{Seconds: length + 1}) }}
	play := func(s *scene.Scene) faults.Sequence {
		return faults.Sequence{Format: s.Format(), Len: examPictures, At: s.At}
	}
	e := examined{name: name, first: examFaultFirst, last: examFaultFirst + 3 + d.IntN(8)}
	where := faults.Where{First: e.first, Last: e.last}
	if name != "dark banding" && name != "posterisation" {
		e.clean = held(play(scenes[d.IntN(len(scenes))]()))
	}
	switch name {
	case "combing":
		e.kinds = []detect.Kind{detect.Combing}
		e.faulty = faults.Weave(e.clean, where, 1-2*d.IntN(2))
	case "ghost":
		e.kinds = []detect.Kind{detect.Ghost, detect.Combing}
		taps := faults.Two(0.5, 1, 0.5)
		if d.IntN(2) == 0 {
			side := between(0.2, 0.33)
			taps = faults.Three(side, 1-2*side, side)
		}
		e.faulty = faults.Blend(e.clean, where, taps)
	case "repeat":
		e.kinds, e.last = []detect.Kind{detect.CadenceBreak}, e.first+1
		e.faulty = faults.Repeat(e.clean, e.first, 1)
	case "drop":
		e.kinds, e.last = []detect.Kind{detect.CadenceBreak}, e.first+1
		e.faulty = faults.RepeatDrop(e.clean, e.first)
	case "halved":
		e.kinds, e.last = []detect.Kind{detect.CadenceBreak}, e.first+9+d.IntN(10)
		e.faulty = faults.Halve(e.clean, e.first, e.last)
	case "blocks":
		e.kinds, e.last = []detect.Kind{detect.Macroblocking}, e.first+25
		e.faulty = blocks.Coded(e.clean, blocks.Coding{Means: between(9, 16), Block: 8 << d.IntN(2), Hold: 1 + d.IntN(4)}, e.first, e.last, image.Rectangle{}, seed)
	case "dark banding":
		e.kinds = []detect.Kind{detect.NearBlackBanding, detect.Posterisation}
		e.slope(d, 20, 3+d.IntN(3), seed)
	case "posterisation":
		e.kinds = []detect.Kind{detect.NearBlackBanding, detect.Posterisation}
		e.slope(d, between(60, 110), 3+d.IntN(4), seed)
	}
	e.faulty = held(e.faulty)
	return e
}

// slope makes a scene of soft slopes before which something moves, with dither,
// and the same in steps of so many codes without.
func (e *examined) slope(d *rand.Rand, base float64, codes int, seed int64) {
	const span, dx, dy = 24, 2.2, 0.9
	turn := 1 + d.Float64()
	f := picture.Format{W: examW, H: examH, Depth: 8, ChromaX: 1, ChromaY: 1, RateNum: examRate, RateDen: 1}
	draw := func(stepped bool) faults.Sequence {
		return held(faults.Sequence{Format: f, Len: examPictures, At: func(i int) *picture.Picture {
			n := rand.New(rand.NewPCG(uint64(seed), uint64(i)))
			p := &picture.Picture{Index: i, Y: picture.New(examW, examH, 8)}
			t := float64(i) / examRate
			const far = 0.03 // beyond it nothing of the moving thing is left
			for y := range examH {
				for x := range examW {
					u, v := float64(x)/examW, float64(y)/examH
					code := base + span*(0.5+0.5*math.Sin(turn*dx*u+dy*v+0.15*t))
					if stepped {
						code = math.Floor(code/float64(codes)) * float64(codes)
					}
					mx, my := u-0.5-0.3*math.Sin(1.7*t+float64(seed)), v-0.7
					if m := mx*mx*3 + my*my; m < far {
						code += 90 * math.Exp(-m/0.004)
					}
					if !stepped {
						// A triangle of a code either way: dither.
						code += n.Float64() + n.Float64() - 1
					}
					p.Y.Pix[y*examW+x] = uint8(min(max(code+0.5, 16), 235))
				}
			}
			return p
		}})
	}
	e.clean, e.faulty = draw(false), draw(true)
	e.first, e.last, e.steps = 0, examPictures-1, true
}

// held keeps all pictures of a sequence.
func held(s faults.Sequence) faults.Sequence {
	pictures := make([]*picture.Picture, s.Len)
	for i := range pictures {
		pictures[i] = s.At(i)
	}
	s.At = func(i int) *picture.Picture { return pictures[i] }
	return s
}

// passed is how a take passes a source on.
type passed struct {
	late              int     // pictures that it begins later
	gain, lift, gamma float64 // of luma
	noise             float64 // codes, sigma
	cut               float64 // share of the width lost on each side
	crf               int
	num, den          int // its rate
}

func examPass(seed int64) passed {
	d := rand.New(rand.NewPCG(uint64(seed), 77))
	p := passed{
		late: d.IntN(11), gain: 0.85 + 0.25*d.Float64(), lift: 6*d.Float64() - 3, gamma: 0.9 + 0.25*d.Float64(),
		noise: 1.5 * d.Float64(), crf: 12 + d.IntN(8), num: examRate, den: 1,
	}
	if d.IntN(3) == 0 {
		p.cut = 0.03 * d.Float64()
	}
	if d.IntN(3) == 0 {
		p.num, p.den = 30000, 1001
	}
	return p
}

func (p passed) String() string {
	return fmt.Sprintf("%d late, %.2f %+.1f ^%.2f, noise %.1f, cut %.3f, crf %d, %d/%d", p.late, p.gain, p.lift, p.gamma, p.noise, p.cut, p.crf, p.num, p.den)
}

// write codes what a set makes of a sequence.
func (p passed) write(path string, s faults.Sequence, seed int64) error {
	w, err := encode.Create(encode.Options{
		Path: path, W: examW, H: examH, RateNum: p.num, RateDen: p.den, PixelFormat: "yuv420p", Colour: s.Format.Colour,
		Private: map[string]string{"preset": "veryfast", "crf": strconv.Itoa(p.crf)},
	})
	if err != nil {
		return err
	}
	grey := picture.New(examW/2, examH/2, 8)
	for i := range grey.Pix {
		grey.Pix[i] = 128
	}
	const fine = 8 // steps of a code
	levels := make([]float64, 256*fine)
	for i := range levels {
		v := (float64(i)/fine - 16) / 219
		levels[i] = p.gain*219*math.Pow(max(v, 0), p.gamma) + 16 + p.lift
	}
	d := rand.New(rand.NewPCG(uint64(seed), 5))
	// Noise is drawn from a table, at another place for each picture.
	table := make([]float64, 1<<16)
	for i := range table {
		table[i] = d.NormFloat64() * p.noise
	}
	for i := p.late; i < s.Len; i++ {
		in := &s.At(i).Y
		out := picture.New(examW, examH, 8)
		k := d.IntN(len(table))
		for y := range examH {
			for x := range examW {
				k++
				v := levels[int(p.sample(in, x, y)*fine)] + table[(k*7)%len(table)]
				out.Pix[y*examW+x] = uint8(min(max(v+0.5, 1), 254))
			}
		}
		if err := w.Write(&picture.Picture{Index: i - p.late, Frame: i - p.late, Y: out, Cb: grey, Cr: grey}); err != nil {
			w.Abort()
			return err
		}
	}
	return w.Close()
}

// sample reads between pixels, linearly across; lines are cut and not stretched,
// so that a comb stays one.
func (p passed) sample(in *picture.Plane, x, y int) float64 {
	if p.cut == 0 {
		return float64(in.Pix[y*in.Stride+x])
	}
	u := p.cut*examW + (float64(x)+0.5)*(1-2*p.cut) - 0.5
	i := min(int(u), examW-2)
	a, b := float64(in.Pix[y*in.Stride+i]), float64(in.Pix[y*in.Stride+i+1])
	return a + (u-float64(i))*(b-a)
}

// shelf is a factory whose sources lie in memory and whose takes are files.
type shelf struct {
	*factory
	sources map[string]faults.Sequence
}

// clipOf is a sequence as a take.
type clipOf struct {
	faults.Sequence
	at int
}

func (c *clipOf) Format() picture.Format {
	f := c.Sequence.Format
	f.ChromaX, f.ChromaY = -1, -1
	return f
}

func (c *clipOf) Next(context.Context) (*picture.Picture, error) {
	if c.at == c.Len {
		return nil, io.EOF
	}
	c.at++
	return c.picture(c.at - 1), nil
}

func (c *clipOf) picture(i int) *picture.Picture {
	return &picture.Picture{Index: i, Frame: i, Time: time.Duration(i) * time.Second / examRate, Y: c.At(i).Y}
}

func (c *clipOf) Info() decode.Info {
	return decode.Info{W: examW, H: examH, RateNum: examRate, RateDen: 1}
}
func (c *clipOf) Summary() decode.Summary { return decode.Summary{Frames: c.Len, Pictures: c.Len} }
func (c *clipOf) Close()                  {}

func newShelf(kinds []detect.Kind) *shelf {
	s := &shelf{sources: map[string]faults.Sequence{}}
	stages := stagesOf(kinds)
	s.factory = &factory{
		open: func(path string, o decode.Options) (take, error) {
			if q, ok := s.sources[path]; ok {
				return &clipOf{Sequence: q}, nil
			}
			return decode.Open(path, o)
		},
		fetch: func(ctx context.Context, path string, o decode.Options, wanted []decode.Wanted, fn func(*picture.Picture) error) error {
			q, ok := s.sources[path]
			if !ok {
				return decode.Fetch(ctx, path, o, wanted, fn)
			}
			for _, w := range wanted {
				if err := fn((&clipOf{Sequence: q}).picture(w.Index)); err != nil {
					return err
				}
			}
			return nil
		},
		stages: func() []*detect.Stage { return stages },
	}
	return s
}

// stagesOf are those that find some kinds, what they need, and the signatures.
func stagesOf(kinds []detect.Kind) []*detect.Stage {
	list := all.Stages()
	wanted := map[string]bool{signing.Stage.Name: true}
	for i := len(list) - 1; i >= 0; i-- {
		s := list[i]
		if s.Kind != "" && slices.Contains(kinds, s.Kind) {
			wanted[s.Name] = true
		}
		if wanted[s.Name] {
			for _, n := range s.Needs {
				wanted[n.Stage.Name] = true
			}
		}
	}
	return slices.DeleteFunc(list, func(s *detect.Stage) bool { return !wanted[s.Name] })
}

// examTally counts verdicts on takes in which the fault was found.
type examTally struct{ tries, missed, right, undetermined, wrong, falseSet int }

func (t *examTally) join(o examTally) {
	t.tries += o.tries
	t.missed += o.missed
	t.right += o.right
	t.undetermined += o.undetermined
	t.wrong += o.wrong
	t.falseSet += o.falseSet
}

func (t examTally) String() string {
	told := t.right + t.undetermined + t.wrong
	return fmt.Sprintf("%4d tries %4d not found %4d findings: %4d right (%5.1f %%) %4d undetermined %4d wrong %4d falsely set",
		t.tries, t.missed, told, t.right, 100*float64(t.right)/float64(max(told, 1)), t.undetermined, t.wrong, t.falseSet)
}

// examine lays takes of a fault, passed on in some ways, beside the source. The
// first is laid beside the clean one as well: there the set made the fault.
func (e *examined) examine(t *testing.T, ways []passed, seed int64) (set, source examTally) {
	ctx := context.Background()
	dir := t.TempDir()
	path, clean, faulty := filepath.Join(dir, "take.mp4"), filepath.Join(dir, "clean"), filepath.Join(dir, "faulty")
	for _, name := range []string{clean, faulty} {
		if err := os.WriteFile(name, []byte(name), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	desk := newShelf(e.kinds)
	desk.sources[clean], desk.sources[faulty] = e.clean, e.faulty
	references := map[string]*reference{}
	for way, p := range ways {
		if err := p.write(path, e.faulty, seed); err != nil {
			t.Fatal(err)
		}
		file, err := decode.Open(path, decode.Options{Threads: 1})
		if err != nil {
			t.Fatal(err)
		}
		result, err := detect.Run(ctx, file, desk.stages(), nil, nil)
		keys := file.Summary().Keys
		file.Close()
		if err != nil {
			t.Fatal(err)
		}
		var seen bool
		for _, c := range []struct {
			source string
			want   origin.Verdict
			count  *examTally
		}{{faulty, origin.Source, &source}, {clean, origin.Set, &set}} {
			if c.want == origin.Set && way > 0 {
				continue
			}
			c.count.tries++
			if references[c.source] == nil {
				if references[c.source], err = refer(ctx, desk.factory, c.source, 1); err != nil {
					t.Fatal(err)
				}
			}
			s := &scan{f: desk.factory, o: &scanOptions{threads: 1, reference: references[c.source]}, clip: path}
			in := &report.Input{Result: result}
			if _, err := s.laySource(ctx, in, &again{s, decode.Options{Threads: 1, Keys: keys}}, nil); err != nil {
				t.Fatal(err)
			}
			// With those that the comparison alone found.
			mine := 0
			for i := range in.Result.Events {
				const late = 4 // pictures that a stage may be off
				v := &in.Result.Events[i]
				if !slices.Contains(e.kinds, v.Kind) || v.Start+p.late > e.last+late || v.End+p.late < e.first-late {
					continue
				}
				mine++
				if c.count.add(in.Origins[i].Verdict, c.want) {
					continue
				}
				t.Logf("%s, seed %d (%s): %s in pictures %d to %d is %s, not %s: %s", e.name, seed, p, v.Kind, v.Start, v.End, in.Origins[i].Verdict, c.want, in.Origins[i].Why)
			}
			if mine == 0 {
				c.count.missed++
			}
			seen = seen || mine > 0
		}
		if !seen {
			break // other ways to pass it on hardly show it
		}
	}
	return set, source
}

// add counts a verdict and reports whether it is right.
func (t *examTally) add(got, want origin.Verdict) bool {
	switch got {
	case want:
		t.right++
		return true
	case origin.Undetermined:
		t.undetermined++
	default:
		t.wrong++
		if got == origin.Set {
			t.falseSet++
		}
	}
	return false
}

// Faults that a set made and ones that its source has, passed on with other
// levels, noise, coding, edges and rates: so many of each fault as
// SETWITNESS_ORIGINS says: SETWITNESS_ORIGINS=COUNT[/SEED[/NAME]]. Without it two
// combs are tried.
func TestSourceOfFaults(t *testing.T) {
	asked := os.Getenv("SETWITNESS_ORIGINS")
	count, seed, only, err := examAsked(asked)
	if err != nil {
		t.Fatal(err)
	}
	most := examWays
	if asked == "" {
		most = 1 // is quick
	}
	names := examFaults
	if only != "" {
		names = []string{only}
	}
	var all [2]examTally
	table := ""
	for _, name := range names {
		var sum [2]examTally
		for k := range count {
			own := seed*1000 + int64(k)
			e := examFault(name, own)
			var ways []passed
			for way := range most {
				p := examPass(own + int64(way)*1e6)
				if e.steps {
					p.noise /= 3 // more of it hides contours
				}
				ways = append(ways, p)
			}
			set, source := e.examine(t, ways, own)
			sum[0].join(set)
			sum[1].join(source)
		}
		table += fmt.Sprintf("%-14s the set's    %s\n%-14s the source's %s\n", name, sum[0], "", sum[1])
		all[0].join(sum[0])
		all[1].join(sum[1])
	}
	t.Logf("\n%s%-14s the set's    %s\n%-14s the source's %s", table, "all", all[0], "", all[1])
	if all[1].falseSet > 0 {
		t.Errorf("%d faults of the source are said to be the set's", all[1].falseSet)
	}
	const least = 0.5 // of few tries; many are held to more
	if told := all[0].right + all[0].wrong + all[0].undetermined; told == 0 || float64(all[0].right) < least*float64(told) {
		t.Errorf("of %d faults of the set %d are said to be its own", told, all[0].right)
	}
}

func examAsked(s string) (count int, seed int64, only string, err error) {
	count, seed = 2, 1
	if s == "" {
		return count, seed, "combing", nil
	}
	parts := strings.SplitN(s, "/", 3)
	if count, err = strconv.Atoi(parts[0]); err != nil {
		return 0, 0, "", err
	}
	if len(parts) > 1 {
		if seed, err = strconv.ParseInt(parts[1], 10, 64); err != nil {
			return 0, 0, "", err
		}
	}
	if len(parts) > 2 {
		only = parts[2]
		if !slices.Contains(examFaults, only) {
			return 0, 0, "", errors.New("no fault of the exam is named " + only)
		}
	}
	return count, seed, only, nil
}
