package blocks

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/testdata/faults"
	"setwitness/testdata/takes"
)

// The real clips of the footage from which takes are made: turned by three degrees,
// so that blocks of their own lie on no grid.
var realClips = []string{
	"clips/sowt-with-video.mov", "sky/dusk_phone_hevc.mp4", "ball/ball2.mp4", "ball/ball4.mp4", "hdr/hdr10-av1.mp4",
	"clips/bbb_1920x1080_60fps_vp8.webm", "clips/sample_edit_list.mp4", "clips/roadtrip-vp92-10bit.webm",
	"hdr/hdr10-video-with-sdr-container.mp4", "street/car-detection.mp4",
}

// realW and realH are the raster of takes of real clips, realPictures their length
// at 25 a second.
const realW, realH, realPictures = 640, 360, 50

// coder is one of FFmpeg's encoders, with qualities.
type coder struct {
	name      string
	args      []string
	set       string   // the option that sets its quality
	bad, good []string // values of it
}

var coders = []coder{
	{"mpeg2", []string{"-c:v", "mpeg2video", "-qmin", "1"}, "-q:v", []string{"31", "24", "18"}, []string{"2", "3"}},
	{"h264", []string{"-c:v", "libx264", "-preset", "veryfast", "-x264-params", "no-deblock=1"}, "-crf", []string{"40", "36", "32"}, []string{"15", "18"}},
	{"h264-deblocked", []string{"-c:v", "libx264", "-preset", "veryfast"}, "-crf", []string{"42", "38", "34"}, []string{"15", "18"}},
	{"mjpeg", []string{"-c:v", "mjpeg", "-strict", "unofficial"}, "-q:v", []string{"31", "22", "14"}, []string{"2", "3"}},
}

// rasters are those in which they code, of which the take's is a multiple.
var rasters = [...]image.Point{{realW, realH}, {realW, realH}, {480, 270}, {480, 360}, {426, 240}}

// well is the JND, by Shown, below which what a coder left is no fault.
const well = 0.5

// Real returns takes of the real clips in a folder that FFmpeg's encoders coded: some
// badly, for the second in the middle, some well, all along; each clip also as it
// is. How visible blocks are says Shown: what is bad by name may be no fault. Only
// takes are made that have a word in their name.
func Real(ctx context.Context, folder string, seed int64, word string) ([]takes.Take, error) {
	r := random{rand.New(rand.NewPCG(uint64(seed), 78))}
	var out []takes.Take
	for _, clip := range realClips {
		for _, gain := range [...]float64{1, 0.4} {
			name := strings.TrimSuffix(filepath.Base(clip), filepath.Ext(clip))
			if gain < 1 {
				name += "-dark"
			}
			// Grain that no coder keeps, so that what is smooth is as a camera has it.
			filter := fmt.Sprintf("setpts=N/25/TB,fps=25,trim=end_frame=%d,rotate=PI/60,crop=iw*0.85:ih*0.85,scale=%d:%d:flags=area,format=gray,lut=y=16+(val-16)*%g,noise=alls=2:allf=t:all_seed=%d,format=gray",
				realPictures, realW, realH, gain, r.IntN(1000))
			jobs := []job{r.job(name, false), r.job(name, true), r.job(name, true)}
			wanted := func(j job) bool { return strings.Contains(j.name, word) }
			if !slices.ContainsFunc(jobs, wanted) && !strings.Contains("clean-"+name, word) {
				continue
			}
			good, err := frames(ctx, []string{"-i", filepath.Join(folder, clip)}, filter, realW, realH)
			if err != nil {
				return nil, err
			}
			if len(good) < realPictures/2 {
				return nil, fmt.Errorf("%s: %d pictures are too few", clip, len(good))
			}
			if strings.Contains("clean-"+name, word) {
				out = append(out, played("clean-"+name, good, nil))
			}
			for _, j := range jobs {
				if !wanted(j) {
					continue
				}
				t, err := j.take(ctx, good)
				if err != nil {
					return nil, fmt.Errorf("%s, %s: %w", clip, j.name, err)
				}
				out = append(out, t)
			}
		}
	}
	return out, nil
}

// job is how pictures are coded: badly, for the second in the middle, or well, all
// along.
type job struct {
	coder
	name    string
	bad     bool
	quality string
	raster  image.Point
	late    int // pictures after a quarter of the take
}

// random draws jobs.
type random struct{ *rand.Rand }

func (r random) job(name string, bad bool) job {
	j := job{coder: coders[r.IntN(len(coders))], bad: bad, late: r.IntN(5), raster: rasters[r.IntN(len(rasters))]}
	qualities := j.good
	if bad {
		qualities = j.coder.bad
	}
	j.quality = qualities[r.IntN(len(qualities))]
	j.name = fmt.Sprintf("real-%s-%s-%s-%d", j.coder.name, name, j.quality, j.raster.X)
	return j
}

func (j job) take(ctx context.Context, good []picture.Plane) (takes.Take, error) {
	coded, err := j.code(ctx, good, j.raster, j.quality)
	if err != nil {
		return takes.Take{}, err
	}
	coded = coded[:min(len(coded), len(good))]
	t := faults.Truth{Kind: detect.Macroblocking, Last: len(coded) - 1, Region: image.Rect(0, 0, realW, realH)}
	if j.bad {
		t.First = len(coded)/4 + j.late
		t.Last = t.First + len(coded)/2
	}
	t.Measures = seen(good, coded, j.raster, t)
	if !j.bad && t.Measures[SeenJND] < well {
		return played("clean-"+j.name, coded, nil), nil
	}
	mixed := slices.Concat(good[:t.First], coded[t.First:t.Last+1], good[t.Last+1:])
	return played(j.name, mixed, &t), nil
}

// seen measures the smallest blocks that show, at the third and the last quarter of
// a fault.
func seen(good, coded []picture.Plane, raster image.Point, t faults.Truth) map[string]float64 {
	best := map[string]float64{}
	for _, block := range [...]float64{8, 16} {
		g := Grid{PitchX: block * realW / float64(raster.X), PitchY: block * realH / float64(raster.Y)}
		var seen, codes float64
		for _, at := range [...]int{(2*t.First + t.Last) / 3, (t.First + 3*t.Last) / 4} {
			jnd, step := Shown(&good[at], &coded[at], t.Region, g)
			seen, codes = max(seen, jnd), max(codes, step)
		}
		if seen > best[SeenJND] {
			best = map[string]float64{SeenJND: seen, SeenCodes: codes, PitchX: g.PitchX, PitchY: g.PitchY}
		}
	}
	return best
}

// code codes pictures at a raster and brings them back.
func (c coder) code(ctx context.Context, pictures []picture.Plane, raster image.Point, quality string) ([]picture.Plane, error) {
	dir, err := os.MkdirTemp("", "blocks")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "coded.mkv")
	var raw bytes.Buffer
	for _, p := range pictures {
		raw.Write(p.Pix)
	}
	args := []string{"-f", "rawvideo", "-pix_fmt", "gray", "-s", fmt.Sprintf("%dx%d", realW, realH), "-r", "25", "-i", "-",
		"-vf", fmt.Sprintf("scale=%d:%d:flags=area,format=yuv420p", raster.X, raster.Y)}
	args = append(append(append(args, c.args...), c.set, quality), path)
	if _, err := ffmpeg(ctx, &raw, args...); err != nil {
		return nil, err
	}
	return frames(ctx, []string{"-i", path}, fmt.Sprintf("scale=%d:%d:flags=bicubic,format=gray", realW, realH), realW, realH)
}

// frames reads the luma of a file through a filter.
func frames(ctx context.Context, input []string, filter string, w, h int) ([]picture.Plane, error) {
	data, err := ffmpeg(ctx, nil, append(append([]string{}, input...), "-an", "-vf", filter, "-f", "rawvideo", "-")...)
	if err != nil {
		return nil, err
	}
	var out []picture.Plane
	for ; len(data) >= w*h; data = data[w*h:] {
		out = append(out, picture.Plane{Pix: data[:w*h], Stride: w, W: w, H: h, Depth: 8})
	}
	return out, nil
}

// ffmpeg runs FFmpeg.
func ffmpeg(ctx context.Context, in *bytes.Buffer, args ...string) ([]byte, error) {
	c := exec.CommandContext(ctx, "ffmpeg", append([]string{"-v", "error", "-y", "-threads", strconv.Itoa(1)}, args...)...)
	var out, messages bytes.Buffer
	if in != nil {
		c.Stdin = in
	}
	c.Stdout, c.Stderr = &out, &messages
	if err := c.Run(); err != nil {
		return nil, fmt.Errorf("ffmpeg %s: %w\n%s", strings.Join(args, " "), err, messages.String())
	}
	return out.Bytes(), nil
}

// played is a take of pictures.
func played(name string, pictures []picture.Plane, truth *faults.Truth) takes.Take {
	s := faults.Sequence{Format: picture.Format{W: realW, H: realH, Depth: 8, RateNum: 25, RateDen: 1}, Len: len(pictures)}
	s.At = func(i int) *picture.Picture { return &picture.Picture{Index: i, Frame: i, Y: pictures[i]} }
	negative := "a real clip as it is, or coded well"
	if truth != nil {
		s.Truth, negative = append(s.Truth, *truth), ""
	}
	return take(name, negative, s)
}
