// Command exam judges whose fault the tool says that findings are: clips of
// invented scenes with a known fault that either the set made (the source is
// clean) or the source has (and the take passes it on, coded anew, brightened,
// scaled, cut).
//
// It runs the built program on files, as a user does.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"setwitness/decode/encode"
	"setwitness/decode/picture"
	"setwitness/report"
	"setwitness/testdata/faults"
	"setwitness/testdata/filming"
	"setwitness/testdata/scene"
)

// pair is a clean clip and the same with a fault, made by Go or by FFmpeg's
// filters from the clean one.
type pair struct {
	name   string
	kinds  []string // of findings that are the fault
	clean  faults.Sequence
	fault  func(s faults.Sequence) faults.Sequence
	filter string   // instead of fault
	code   []string // how the faulted one is coded, where coding is the fault
}

func pairs(seed int64) []pair {
	raster := func(n int64, depth int) scene.Raster {
		return scene.Raster{W: 960, H: 540, RateNum: 50, RateDen: 1, Depth: depth, Shutter: 0.5, Grain: 0.8, Seed: seed*1000 + n}
	}
	const frames = 100
	play := func(s *scene.Scene) faults.Sequence {
		return faults.Cached(faults.Sequence{Format: s.Format(), Len: frames, At: s.At}, 5)
	}
	game := func(n int64) faults.Sequence { return play(scene.BallGame(raster(n, 8), scene.Game{Seconds: 4})) }
	pan := func(n int64, surface scene.Surface, x float64) faults.Sequence {
		return play(scene.Pan(raster(n, 8), scene.Back{Surface: surface, Tone: 90, Contrast: 60}, scene.Move{X: x}))
	}
	toss := func(n int64, b scene.Ball, surface scene.Surface) faults.Sequence {
		b.X, b.Y = 0.5-b.Speed*50/960, 0.45
		return play(scene.Toss(raster(n, 8), scene.Back{Surface: surface, Tone: 80, Contrast: 40}, scene.Move{X: 0.4}, b))
	}
	where := func(first, last int, step float64) faults.Where {
		return faults.Where{First: first, Last: last, Step: step}
	}
	comb, ghost, cadence := []string{"combing"}, []string{"ghost", "combing"}, []string{"cadence-break"}
	slope := func(n int64) faults.Sequence {
		s := pan(n, scene.Plain, 0)
		r := raster(n, 8)
		s.At = func(i int) *picture.Picture { return dark(r, i) }
		return s
	}
	weave := func(first, last int, step float64) func(faults.Sequence) faults.Sequence {
		return func(s faults.Sequence) faults.Sequence { return faults.Weave(s, where(first, last, step), 1) }
	}
	blend := func(first, last int, step float64, taps []faults.Tap) func(faults.Sequence) faults.Sequence {
		return func(s faults.Sequence) faults.Sequence { return faults.Blend(s, where(first, last, step), taps) }
	}
	return []pair{
		{"comb-street", comb, pan(1, scene.Street, 8), weave(50, 54, 8), "", nil},
		{"comb-foliage", comb, pan(2, scene.Foliage, -6), weave(40, 60, 6), "", nil},
		{"comb-ball", comb, toss(3, scene.Ball{Diameter: 70, Speed: 12, Level: 210}, scene.Plain), weave(48, 53, 12), "", nil},
		{"comb-game", comb, game(4), weave(50, 54, 0), "", nil},
		{"ghost-ball", ghost, toss(5, scene.Ball{Diameter: 50, Speed: 16, Level: 205}, scene.Plain), blend(46, 52, 16, faults.Three(.25, .5, .25)), "", nil},
		{"ghost-pan", ghost, pan(6, scene.Street, 12), blend(45, 50, 12, faults.Three(.33, .34, .33)), "", nil},
		{"ghost-two", ghost, toss(7, scene.Ball{Diameter: 60, Speed: 20, Level: 215}, scene.Foliage), blend(46, 52, 20, faults.Two(.5, 1, .5)), "", nil},
		{"ghost-game", ghost, game(8), blend(48, 53, 0, faults.Three(.25, .5, .25)), "", nil},
		{"repeat", cadence, pan(9, scene.Gravel, 5), func(s faults.Sequence) faults.Sequence { return faults.Repeat(s, 50, 1) }, "", nil},
		{"drop", cadence, pan(10, scene.Street, 6), func(s faults.Sequence) faults.Sequence { return faults.RepeatDrop(s, 50) }, "", nil},
		{"halved", cadence, toss(11, scene.Ball{Diameter: 60, Speed: 10, Level: 200}, scene.Street), func(s faults.Sequence) faults.Sequence { return faults.Halve(s, 45, 64) }, "", nil},
		{"banding", []string{"near-black-banding", "posterisation"}, slope(12), nil, "gblur=sigma=5,lutyuv=y='floor((val-16)/4)*4+16'", nil},
		{"blocks", []string{"macroblocking"}, slope(13), nil, "null", []string{"-c:v", "mpeg2video", "-qscale:v", "24", "-g", "1"}},
	}
}

// dark is a slow dark slope with grain, with something that moves.
func dark(r scene.Raster, i int) *picture.Picture {
	p := &picture.Picture{Index: i, Y: picture.New(r.W, r.H, 8), Cb: picture.New(r.W/2, r.H/2, 8), Cr: picture.New(r.W/2, r.H/2, 8)}
	noise := uint32(r.Seed)*2654435761 + uint32(i)*40503 + 1
	t := float64(i) / 50
	for y := range r.H {
		for x := range r.W {
			u, v := float64(x)/float64(r.W), float64(y)/float64(r.H)
			code := 22 + 22*(0.5+0.5*math.Sin(2.2*u+0.9*v+0.15*t))
			dx, dy := u-0.5-0.3*math.Sin(1.7*t+float64(r.Seed)), v-0.7
			code += 90 * math.Exp(-(dx*dx*3+dy*dy)/0.004)
			noise ^= noise << 13
			noise ^= noise >> 17
			noise ^= noise << 5
			// A triangle of a code either way: dither.
			code += float64(noise&255)/256 + float64(noise>>8&255)/256 - 1
			p.Y.Pix[y*r.W+x] = uint8(min(max(code+0.5, 16), 235))
		}
	}
	for k := range p.Cb.Pix {
		p.Cb.Pix[k], p.Cr.Pix[k] = 128, 128
	}
	return p
}

// way is how a take passes its pictures on: FFmpeg's filters and a quality, or the
// situation in which it is filmed.
type way struct {
	name, filter string
	crf          int
}

var ways = []way{
	{"as it is", "null", 14},
	{"cut, brighter", "trim=start_frame=7,setpts=PTS-STARTPTS,eq=gamma=1.15:contrast=0.95", 18},
	{"scaled", "scale=1280:720:flags=bicubic", 18},
}

var cameras = []way{{"filmed", "", 0}, {"filmed at 60", filming.Ordinary, 0}}

func main() {
	log.SetFlags(0)
	tool := flag.String("tool", "build/setwitness", "the built program")
	work := flag.String("work", filepath.Join(os.TempDir(), "setwitness-origins"), "folder for clips that are made")
	seed := flag.Int64("seed", 1, "of the scenes")
	only := flag.String("only", "", "run the cases whose name holds this")
	filmed := flag.Int("film", 0, "so many filmed takes without a fault, with mixed exposures, in place of the cases")
	seconds := flag.Float64("seconds", 3, "of such a take")
	screen := flag.Bool("screen", false, "film the cases off a set, at 240 frames a second and with mixed exposures, in place of passing them on")
	flag.Parse()
	if *filmed > 0 {
		if err := film(*tool, *work, *seed, *filmed, *seconds); err != nil {
			log.Fatal(err)
		}
		return
	}
	if err := examine(*tool, *work, *seed, *only, *screen); err != nil {
		log.Fatal(err)
	}
}

// tally counts verdicts on findings that are the fault.
type tally struct{ right, undetermined, wrong, falseSet, cases, missed int }

func examine(tool, work string, seed int64, only string, screen bool) error {
	var all tally
	from, ways := "direct", ways
	if screen {
		from, ways = "screen", cameras
	}
	for n, p := range pairs(seed) {
		asked := false
		for _, way := range ways {
			asked = asked || strings.Contains(p.name+", "+way.name, only)
		}
		if !asked {
			continue
		}
		dir := filepath.Join(work, fmt.Sprintf("%s-%d", p.name, seed))
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		clean, faulty := filepath.Join(dir, "clean.mkv"), filepath.Join(dir, "faulty.mkv")
		if err := write(clean, p.clean); err != nil {
			return err
		}
		if p.fault != nil {
			if err := write(faulty, p.fault(p.clean)); err != nil {
				return err
			}
		} else {
			code := p.code
			if code == nil {
				code = []string{"-c:v", "ffv1"}
			}
			if err := ffmpeg(append(append([]string{"-i", clean, "-vf", p.filter}, code...), faulty)...); err != nil {
				return err
			}
		}
		for _, way := range ways {
			if title := p.name + ", " + way.name; !strings.Contains(title, only) {
				continue
			}
			take := filepath.Join(dir, "take.mp4")
			var err error
			if screen {
				take, err = filmed(faulty, dir, way.filter, seed*1000+int64(n))
			} else {
				err = ffmpeg("-i", faulty, "-vf", way.filter, "-c:v", "libx264", "-preset", "fast", "-crf", strconv.Itoa(way.crf), "-pix_fmt", "yuv420p", take)
			}
			if err != nil {
				return err
			}
			for _, c := range []struct{ want, source string }{{"set", clean}, {"source", faulty}} {
				if err := all.judge(tool, dir, from, take, c.source, c.want, p, way.name); err != nil {
					return err
				}
			}
		}
	}
	told := all.right + all.wrong + all.undetermined
	fmt.Printf("%d cases: %d without the finding; of %d findings %d right (%.1f %%), %d undetermined, %d wrong, of which %d say set for a fault of the source\n",
		all.cases, all.missed, told, all.right, 100*float64(all.right)/float64(max(told, 1)), all.undetermined, all.wrong, all.falseSet)
	return nil
}

// scan scans a take beside its source with the built program.
func scan(tool, dir, from, source, take string) (*report.Findings, error) {
	cmd := exec.Command(tool, "scan", "--from", from, "--json", "--out", filepath.Join(dir, "scan"), "--source", source, take)
	cmd.Stderr = os.Stderr
	b, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", strings.Join(cmd.Args, " "), err)
	}
	doc := &report.Findings{}
	return doc, json.Unmarshal(b, doc)
}

func (t *tally) judge(tool, dir, from, take, source, want string, p pair, way string) error {
	doc, err := scan(tool, dir, from, source, take)
	if err != nil {
		return err
	}
	t.cases++
	found := 0
	for _, f := range doc.Findings {
		mine := false
		for _, k := range p.kinds {
			mine = mine || string(f.Kind) == k
		}
		if !mine {
			continue
		}
		found++
		switch f.Origin.Verdict {
		case want:
			t.right++
			continue
		case "undetermined":
			t.undetermined++
		default:
			t.wrong++
			if f.Origin.Verdict == "set" {
				t.falseSet++
			}
		}
		fmt.Printf("%s, %s: %s at %.2f s is %s, not %s: %s\n", p.name, way, f.Kind, f.PeakS, f.Origin.Verdict, want, f.Origin.Why)
	}
	if found == 0 {
		t.missed++
		fmt.Printf("%s, %s (%s): not found\n", p.name, way, want)
	}
	return nil
}

func write(path string, s faults.Sequence) error {
	w, err := encode.Create(encode.Options{
		Path: path, W: s.Format.W, H: s.Format.H, RateNum: s.Format.RateNum, RateDen: s.Format.RateDen,
		Codec: "ffv1", PixelFormat: "yuv420p", Colour: s.Format.Colour,
	})
	if err != nil {
		return err
	}
	for i := range s.Len {
		p := s.At(i)
		q := &picture.Picture{Index: i, Frame: i, Y: p.Y, Cb: p.Cb, Cr: p.Cr}
		if p.Cb.Empty() {
			q.Cb, q.Cr = gray(s.Format), gray(s.Format)
		}
		if err := w.Write(q); err != nil {
			w.Abort()
			return fmt.Errorf("%s: picture %d: %w", path, i, err)
		}
	}
	return w.Close()
}

func gray(f picture.Format) picture.Plane {
	p := picture.New((f.W+1)/2, (f.H+1)/2, 8)
	for i := range p.Pix {
		p.Pix[i] = 128
	}
	return p
}

func ffmpeg(args ...string) error {
	cmd := exec.Command("ffmpeg", append([]string{"-v", "error", "-y"}, args...)...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("ffmpeg %s: %w: %s", strings.Join(args, " "), err, out)
	}
	return nil
}
