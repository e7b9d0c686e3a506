package decode_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
)

// ffmpeg runs the program, which these tests hold the decoder against and
// which scripts/test installs, and returns what it writes to stdout.
func ffmpeg(t testing.TB, args ...string) []byte {
	t.Helper()
	return program(t, "ffmpeg", append([]string{"-v", "error", "-nostdin", "-y"}, args...)...)
}

func program(t testing.TB, name string, args ...string) []byte {
	t.Helper()
	var errs bytes.Buffer
	c := exec.Command(name, args...)
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s %s: %v (it must be installed)\n%s", name, strings.Join(args, " "), err, &errs)
	}
	return out
}

// clip makes a clip with the ffmpeg program from a moving test picture.
func clip(t testing.TB, name, source string, args ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", source}, args...), path)...)
	return path
}

// split cuts a command line of plain words.
func split(s string) []string { return strings.Fields(s) }

type probe struct {
	Streams []struct {
		Codec  string `json:"codec_name"`
		PixFmt string `json:"pix_fmt"`
	}
	Frames []probeFrame
}

type probeFrame struct {
	Time       string `json:"best_effort_timestamp_time"`
	Interlaced int    `json:"interlaced_frame"`
	TopFirst   int    `json:"top_field_first"`
	Repeat     int    `json:"repeat_pict"`
}

// ffprobe reads the stream and the frames as the program sees them.
func ffprobe(t testing.TB, path string) probe {
	t.Helper()
	out := program(t, "ffprobe", "-v", "quiet", "-select_streams", "v:0", "-of", "json",
		"-show_entries", "stream=codec_name,pix_fmt:frame=best_effort_timestamp_time,interlaced_frame,top_field_first,repeat_pict", path)
	var p probe
	if err := json.Unmarshal(out, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// packetTimes are the presentation times of the frames by their packets
// alone, for clips that are slow to decode: sorted, and without those that an
// edit list discards.
func packetTimes(t testing.TB, path string) []time.Duration {
	t.Helper()
	out := program(t, "ffprobe", "-v", "quiet", "-select_streams", "v:0", "-of", "csv=p=0", "-show_entries", "packet=pts_time,flags", path)
	var seconds []float64
	for _, line := range strings.Fields(string(out)) {
		stamp, flags, _ := strings.Cut(line, ",")
		if strings.Contains(flags, "D") {
			continue
		}
		s, err := strconv.ParseFloat(stamp, 64)
		if err != nil {
			t.Fatalf("ffprobe gives no time in %q", line)
		}
		seconds = append(seconds, s)
	}
	slices.Sort(seconds)
	var times []time.Duration
	for _, s := range seconds {
		times = append(times, time.Duration(math.Round((s-seconds[0])*1e9)))
	}
	return times
}

// times are the presentation times from the first frame.
func (p probe) times(t testing.TB) []time.Duration {
	t.Helper()
	var out []time.Duration
	var first float64
	for i, f := range p.Frames {
		s, err := strconv.ParseFloat(f.Time, 64)
		if err != nil {
			t.Fatalf("ffprobe gives no time for frame %d", i)
		}
		if i == 0 {
			first = s
		}
		out = append(out, time.Duration(math.Round((s-first)*1e9)))
	}
	return out
}

// ffprobe prints microseconds, of both ends of an interval.
const probeTolerance = 2 * time.Microsecond

func sameTimes(t testing.TB, got, want []time.Duration) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%d times, ffprobe has %d", len(got), len(want))
		return
	}
	for i := range got {
		if (got[i] - want[i]).Abs() > probeTolerance {
			t.Errorf("frame %d is at %v, ffprobe says %v", i, got[i], want[i])
			return
		}
	}
}

// reading is all that a take gives.
type reading struct {
	info     decode.Info
	format   picture.Format
	summary  decode.Summary
	pictures []shown
}

type shown struct {
	index, frame         int
	time                 time.Duration
	parity               picture.Parity
	interlaced, topFirst bool
	key, damaged         bool
	samples              []byte // planes one after the other, as rawvideo has them
}

func (r reading) times() []time.Duration {
	var out []time.Duration
	for _, p := range r.pictures {
		out = append(out, p.time)
	}
	return out
}

func (r reading) samples() []byte {
	var out []byte
	for _, p := range r.pictures {
		out = append(out, p.samples...)
	}
	return out
}

// samplesOf packs the planes of a picture, two bytes little endian for more
// than 8 bits.
func samplesOf(p *picture.Picture) []byte {
	var out []byte
	for _, pl := range []picture.Plane{p.Y, p.Cb, p.Cr} {
		if pl.Empty() {
			continue
		}
		for y := range pl.H {
			at := y * pl.Stride
			if pl.Depth == 8 {
				out = append(out, pl.Pix[at:at+pl.W]...)
				continue
			}
			for _, v := range pl.Pix16[at : at+pl.W] {
				out = append(out, byte(v), byte(v>>8))
			}
		}
	}
	return out
}

func open(t testing.TB, path string, o decode.Options) *decode.Take {
	t.Helper()
	take, err := decode.Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(take.Close)
	return take
}

// read reads a take to its end and checks what holds for every take.
func read(t testing.TB, path string, o decode.Options) reading {
	t.Helper()
	return readSome(t, path, o, math.MaxInt)
}

// readSome is read that keeps the samples of the first pictures alone.
func readSome(t testing.TB, path string, o decode.Options, keep int) reading {
	t.Helper()
	take := open(t, path, o)
	r := reading{info: take.Info(), format: take.Format()}
	for {
		p, err := take.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		check(t, r.format, p)
		n := len(r.pictures)
		if p.Index != n {
			t.Errorf("picture %d has index %d", n, p.Index)
		}
		if n > 0 && p.Time <= r.pictures[n-1].time {
			t.Errorf("picture %d at %v does not follow the one at %v", n, p.Time, r.pictures[n-1].time)
		}
		q := shown{
			index: p.Index, frame: p.Frame, time: p.Time, parity: p.Parity,
			interlaced: p.Interlaced, topFirst: p.TopFirst, key: p.Key, damaged: p.Damaged,
		}
		if n < keep {
			q.samples = samplesOf(p)
		}
		r.pictures = append(r.pictures, q)
		p.Release()
	}
	if len(r.pictures) == 0 || r.pictures[0].time != 0 {
		t.Error("the first picture is not at time 0")
	}
	r.summary = take.Summary()
	if r.summary.Pictures != len(r.pictures) {
		t.Errorf("summary of %d pictures, %d were read", r.summary.Pictures, len(r.pictures))
	}
	if _, err := take.Next(context.Background()); !errors.Is(err, io.EOF) {
		t.Errorf("after the end: %v", err)
	}
	return r
}

// check holds a picture against the format of its take.
func check(t testing.TB, f picture.Format, p *picture.Picture) {
	t.Helper()
	for i, pl := range []*picture.Plane{&p.Y, &p.Cb, &p.Cr} {
		w, h := f.W, f.H
		if i > 0 {
			if f.ChromaX < 0 {
				if !pl.Empty() {
					t.Fatalf("picture %d of a gray take has chroma", p.Index)
				}
				continue
			}
			w, h = -(-w >> f.ChromaX), -(-h >> f.ChromaY)
		}
		if err := pl.Check(); err != nil {
			t.Fatalf("picture %d, plane %d: %v", p.Index, i, err)
		}
		if pl.W != w || pl.H != h || pl.Depth != f.Depth {
			t.Fatalf("picture %d, plane %d is %dx%d of %d bits, the format says %dx%d of %d",
				p.Index, i, pl.W, pl.H, pl.Depth, w, h, f.Depth)
		}
	}
	if f.Fields == (p.Parity == picture.Frame) {
		t.Fatalf("picture %d has parity %v", p.Index, p.Parity)
	}
}

// raw returns the frames as the ffmpeg program decodes them, turned upright,
// each frame once, in a pixel format.
func raw(t testing.TB, path, format string) []byte {
	t.Helper()
	return rawSome(t, path, format, math.MaxInt32)
}

// rawSome returns the first frames alone.
func rawSome(t testing.TB, path, format string, frames int) []byte {
	t.Helper()
	return ffmpeg(t, "-i", path, "-map", "0:v:0", "-fps_mode", "passthrough", "-frames:v", strconv.Itoa(frames),
		"-f", "rawvideo", "-pix_fmt", format, "-")
}

// sameSamples compares samples with those of the ffmpeg program.
func sameSamples(t testing.TB, got, want []byte) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%d bytes of samples, ffmpeg has %d", len(got), len(want))
		return
	}
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("samples differ from ffmpeg's at byte %d of %d: %d, not %d", i, len(got), got[i], want[i])
			return
		}
	}
}
