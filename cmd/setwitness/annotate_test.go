package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/report"
)

// woven makes a take in which fields are woven, with metadata that must not be
// published, and scans it.
func woven(t *testing.T, name string, args ...string) (clip, folder string) {
	t.Helper()
	clip = filepath.Join(t.TempDir(), name)
	ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", "testsrc2=s=320x240:r=50:d=2", "-vf", "tinterlace=interleave_top,setfield=prog",
		"-metadata", "location=+50.1234+008.5678/", "-metadata", "title=kitchen", "-metadata", "com.apple.quicktime.model=A telephone",
		"-metadata", "creation_time=2026-01-02T03:04:05Z"}, args...), clip)...)
	folder = filepath.Join(t.TempDir(), "scan")
	if e := sw(t, "scan", "--quiet", "--out", folder, "--setting", "film-mode=auto", clip); e.code != exitDone {
		t.Fatal(e)
	}
	return clip, folder
}

// pictures decodes a whole clip; the pictures are released with the test.
func pictures(t *testing.T, path string) []*picture.Picture {
	t.Helper()
	take, err := decode.Open(path, decode.Options{Fields: decode.FieldsWeave})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	var out []*picture.Picture
	for {
		p, err := take.Next(context.Background())
		if err != nil {
			return out
		}
		t.Cleanup(p.Release)
		out = append(out, p)
	}
}

type stretch struct{ picture, frames int }

// runs tells which picture of a take each frame of a clip shows: the one of
// which most samples are there unchanged. The clip enlarges by k.
func runs(t *testing.T, clip, take []*picture.Picture, k int) []stretch {
	t.Helper()
	var out []stretch
	for n, f := range clip {
		best, most, all := -1, 0, 0
		for i, p := range take {
			same := 0
			all = 0
			for y := 3; y < p.Y.H; y += 7 {
				for x := 3; x < p.Y.W; x += 7 {
					all++
					if f.Y.At(x*k, y*k) == p.Y.At(x, y) && f.Y.At(x*k+k-1, y*k+k-1) == p.Y.At(x, y) {
						same++
					}
				}
			}
			if same > most {
				best, most = i, same
			}
		}
		if most < all/3 {
			t.Fatalf("frame %d shows no picture of the take: %d of %d samples are those of picture %d", n, most, all, best)
		}
		if m := len(out); m > 0 && out[m-1].picture == best {
			out[m-1].frames++
		} else {
			out = append(out, stretch{best, 1})
		}
	}
	return out
}

// A lossless clip shows each finding at full speed and then slowed: every frame
// is a picture of the take, sample by sample, and each is repeated as often as
// the others.
func TestAnnotateRepeats(t *testing.T) {
	take, folder := woven(t, "match.mkv", "-c:v", "ffv1")
	out := filepath.Join(t.TempDir(), "clip.mkv")
	e := sw(t, "annotate", folder, "--top", "1", "--slow", "6", "--codec", "ffv1", "--out", out)
	if e.code != exitDone || !strings.Contains(e.out, "1 finding") {
		t.Fatal(e)
	}
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	got := runs(t, pictures(t, out), pictures(t, take), 2)
	full := 0
	for full < len(got) && got[full].frames == 1 && (full == 0 || got[full].picture == got[full-1].picture+1) {
		full++
	}
	slow := got[full:]
	// At full speed the finding with half a second on either side.
	if f := doc.Findings[0]; full < 25 || full > 101 || got[0].picture > f.StartFrame {
		t.Errorf("%d pictures at full speed from %d for a finding of frames %d to %d", full, got[0].picture, f.StartFrame, f.EndFrame)
	}
	const hold = 38 // 1.5 s at 25 frames a second, rounded
	held := 0
	for i, r := range slow {
		want := 6
		if r.picture == doc.Findings[0].PeakFrame {
			want, held = 6+hold, held+1
		}
		if r.frames != want || i > 0 && r.picture != slow[i-1].picture+1 {
			t.Errorf("slowed picture %d: shown for %d frames, want %d", r.picture, r.frames, want)
		}
	}
	if held != 1 || len(slow) < 7 || len(slow) > 24 {
		t.Errorf("%d pictures slowed, the peak held %d times", len(slow), held)
	}
}

// A take whose pictures last unevenly is shown at the rate that editing programs have
// for its mean, each picture for as long as it lasts, and slowed by the same factor.
func TestAnnotateVariable(t *testing.T) {
	take := filepath.Join(t.TempDir(), "phone.mkv")
	// Every second picture is late by a fifth, and every tenth lasts twice as long.
	ffmpeg(t, "-f", "lavfi", "-i", "testsrc2=s=320x240:r=60:d=2", "-vf",
		"tinterlace=interleave_top,setfield=prog,setpts='(N+floor(N/10)+0.2*mod(N,2))/(33.3*TB)'", "-fps_mode", "passthrough", "-c:v", "ffv1", take)
	folder := filepath.Join(t.TempDir(), "scan")
	if e := sw(t, "scan", "--quiet", "--out", folder, take); e.code != exitDone {
		t.Fatal(e)
	}
	plant(t, folder)
	doc, err := report.Read(filepath.Join(folder, findingsName))
	if err != nil || !doc.Take.VariableFrameRate {
		t.Fatalf("the take is not known to be uneven: %+v, %v", doc.Take, err)
	}
	out := filepath.Join(t.TempDir(), "clip.mkv")
	if e := sw(t, "annotate", folder, "--slow", "4", "--codec", "ffv1", "--out", out, "--quiet"); e != (ended{}) {
		t.Fatal(e)
	}
	rate := fmt.Sprint(ffprobe(t, out).Streams[0]["avg_frame_rate"])
	if rate != "30/1" {
		t.Errorf("the clip has %s frames a second", rate)
	}
	got := runs(t, pictures(t, out), pictures(t, take), 2)
	slowed := 0
	for i, r := range got {
		if i > 0 && r.picture < got[i-1].picture {
			slowed = i
		}
	}
	if slowed == 0 {
		t.Fatalf("nothing is slowed: %v", got)
	}
	full := map[int]int{}
	for _, r := range got[:slowed] {
		full[r.picture] = r.frames
	}
	held, long := 0, 0
	for _, r := range got[slowed:] {
		if want := 4 * full[r.picture]; r.frames != want {
			held++
			if r.frames != want+45 { // 1.5 s
				t.Errorf("picture %d lasts %d frames slowed, %d at full speed", r.picture, r.frames, full[r.picture])
			}
		}
		if full[r.picture] == 2 {
			long++
		}
	}
	if held != 1 || long == 0 {
		t.Errorf("%d pictures are held, %d last longer", held, long)
	}
}

type probed struct {
	Streams []map[string]any
	Format  map[string]any
}

func ffprobe(t *testing.T, path string) (p probed) {
	t.Helper()
	out, err := exec.Command("ffprobe", "-v", "error", "-of", "json", "-show_streams", "-show_format", path).Output()
	if err != nil {
		t.Fatalf("ffprobe (ffmpeg must be installed): %v", err)
	}
	if err := json.Unmarshal(out, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// The clips are what they say, hold no metadata of the take, and keep its colour
// and its rate.
func TestAnnotateCodecs(t *testing.T) {
	_, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p",
		"-movflags", "use_metadata_tags", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv")
	for _, c := range []struct{ codec, name, form, file string }{
		{"h264", "h264", "yuv420p", "annotated.mp4"},
		{"prores", "prores", "yuv422p10le", "annotated.mov"},
		{"ffv1", "ffv1", "yuv420p", "annotated.mkv"},
	} {
		if e := sw(t, "annotate", folder, "--top", "1", "--slow", "2", "--codec", c.codec, "--quiet"); e != (ended{}) {
			t.Fatal(e)
		}
		path := filepath.Join(folder, c.file)
		p := ffprobe(t, path)
		if len(p.Streams) != 1 {
			t.Fatalf("%s: %d streams", c.codec, len(p.Streams))
		}
		for key, want := range map[string]string{
			"codec_name": c.name, "pix_fmt": c.form, "width": "640", "height": "480", "avg_frame_rate": "25/1",
			"color_range": "tv", "color_space": "bt709", "color_transfer": "bt709", "color_primaries": "bt709",
		} {
			if got := fmt.Sprint(p.Streams[0][key]); got != want {
				t.Errorf("%s: %s is %s, want %s", c.codec, key, got, want)
			}
		}
		all := strings.ToLower(fmt.Sprint(p.Format["tags"], p.Streams[0]["tags"]))
		for _, secret := range []string{"location", "50.1234", "kitchen", "apple", "telephone", "creation", "2026"} {
			if strings.Contains(all, secret) {
				t.Errorf("%s: the clip tells %q: %s", c.codec, secret, all)
			}
		}
		b := []byte(read(t, path))
		if c.codec == "h264" && strings.Index(string(b), "moov") > strings.Index(string(b), "mdat") {
			t.Error("the MP4 plays only when it is loaded whole")
		}
		for _, secret := range []string{"50.1234", "kitchen", "telephone"} {
			if strings.Contains(string(b), secret) {
				t.Errorf("%s: %q is in the file", c.codec, secret)
			}
		}
	}
	whole(t, folder)
	// Of the three browsers play one, which the page has a player for.
	if html := read(t, filepath.Join(folder, pageName)); !strings.Contains(html, `"annotated.mp4"`) || strings.Contains(html, "annotated.mov") {
		t.Error("the page has no player for the clip")
	}
}

// More than 8 bits stay more, and HDR stays tagged.
func TestAnnotateHDR(t *testing.T) {
	tags := []string{"-colorspace", "bt2020nc", "-color_primaries", "bt2020", "-color_trc", "smpte2084", "-color_range", "tv"}
	_, folder := woven(t, "hdr.mkv", append([]string{"-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p10le"}, tags...)...)
	if e := sw(t, "annotate", folder, "--top", "1", "--slow", "2", "--quiet"); e != (ended{}) {
		t.Fatal(e)
	}
	s := ffprobe(t, filepath.Join(folder, "annotated.mp4")).Streams[0]
	if got := fmt.Sprint(s["pix_fmt"], s["color_space"], s["color_primaries"], s["color_transfer"]); got != "yuv420p10lebt2020ncbt2020smpte2084" {
		t.Error(got)
	}
}

func TestAnnotateRefuses(t *testing.T) {
	clip, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast")
	inTheWay := filepath.Join(t.TempDir(), "folder.mp4")
	if err := os.Mkdir(inTheWay, 0o755); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "link.mp4")
	if err := os.Symlink(clip, link); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args   []string
		reason string
	}{
		{nil, "takes one folder"},
		{[]string{filepath.Join(folder, "nowhere")}, "no such file"},
		{[]string{folder, "--slow", "1"}, "outside 2 to 64"},
		{[]string{folder, "--slow", "1.5"}, "not a whole number"},
		{[]string{folder, "--codec", "vp9"}, "none of h264"},
		{[]string{folder, "--kind", "wobble"}, "none of the kinds"},
		{[]string{folder, "--kind", "vignetting"}, "no finding of the kind"},
		{[]string{folder, "--finding", "f099"}, "no finding \"f099\""},
		{[]string{folder, "--finding", "f001", "--top", "2"}, "--finding names"},
		{[]string{folder, "--top", "0"}, "at least one"},
		{[]string{folder, "--out", "a.mkv"}, "ends in .mp4"},
		{[]string{folder, "--out", filepath.Join(folder, "no", "a.mp4")}, "a.mp4: the clip cannot be written: no such file"},
		{[]string{folder, "--take", folder}, "is a directory"},
		{[]string{folder, "--take", filepath.Join(folder, findingsName)}, "SHA-256"},
		{[]string{folder, "--against-take", clip}, "for --against"},
		{[]string{folder, "--out", clip}, "made from"},
		{[]string{folder, "--out", inTheWay}, "is a folder"},
		{[]string{folder, "--against", folder, "--out", link}, "made from"},
	} {
		e := sw(t, append([]string{"annotate"}, c.args...)...)
		if e.code != exitUnusable || strings.Count(e.err, "\n") != 1 || !strings.Contains(e.err, c.reason) || e.out != "" {
			t.Errorf("%q: want %q; %s", c.args, c.reason, e)
		}
	}
	// A take that was moved is found beside its folder, or where the user says.
	moved := filepath.Join(filepath.Dir(folder), "match.mp4")
	if err := os.Rename(clip, moved); err != nil {
		t.Fatal(err)
	}
	if e := sw(t, "annotate", folder, "--top", "1", "--slow", "2"); e.code != exitDone {
		t.Error(e)
	}
	if err := os.Rename(moved, clip+".old.mp4"); err != nil {
		t.Fatal(err)
	}
	refused(t, sw(t, "annotate", folder), clip, "--take")
	if e := sw(t, "annotate", folder, "--top", "1", "--slow", "2", "--take", clip+".old.mp4"); e.code != exitDone {
		t.Error(e)
	}
	whole(t, folder)
}

// A scan again into the folder takes away the clip, the stills and the markers that
// showed the findings of the one before, says so, and leaves the user's files.
func TestScanAgainOutdates(t *testing.T) {
	clip, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast")
	for _, args := range [][]string{{"annotate", folder, "--top", "1", "--slow", "2"}, {"stills", folder}, {"markers", folder}} {
		if e := sw(t, append(args, "--quiet")...); e != (ended{}) {
			t.Fatal(e)
		}
	}
	write(t, filepath.Join(folder, "markers.csv"), read(t, filepath.Join(folder, "markers.csv"))+"my notes")
	write(t, filepath.Join(folder, "notes.txt"), "mine")
	e := sw(t, "scan", "--out", folder, clip)
	if e.code != exitDone || e.err != "" {
		t.Fatal(e)
	}
	for _, want := range []string{"gone with the earlier report: annotated.mp4, stills, markers.vtt, markers.edl, markers.otio;", "left as it was: markers.csv\n"} {
		if !strings.Contains(e.out, want) {
			t.Errorf("want %q; %s", want, e.out)
		}
	}
	var left []string
	for _, name := range strings.Fields(list(t, folder)) {
		if !strings.HasPrefix(name, cropsName) {
			left = append(left, name)
		}
	}
	if got := strings.Join(left, " "); got != "findings.json made.json markers.csv notes.txt report.html signatures.json" {
		t.Errorf("the folder holds %q", got)
	}
	if strings.Contains(read(t, filepath.Join(folder, pageName)), "annotated.mp4") {
		t.Error("the page has a player for a clip that is gone")
	}
}

// A full disk gives one line, and keeps the earlier clip and the rest.
func TestAnnotateDiskFull(t *testing.T) {
	_, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast")
	dir := tmpfs(t, "size=64k")
	out := filepath.Join(dir, "clip.mp4")
	write(t, out, "the earlier one")
	e := sw(t, "annotate", folder, "--out", out)
	refused(t, e, out, "o space left")
	if got := list(t, dir); got != "clip.mp4" || read(t, out) != "the earlier one" {
		t.Errorf("the folder holds %q", got)
	}
}

// Ctrl-C leaves no clip, and nothing of one.
func TestAnnotateCtrlC(t *testing.T) {
	_, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast")
	dir := t.TempDir()
	cmd := exec.Command(binary, "annotate", folder, "--slow", "64", "--out", filepath.Join(dir, "clip.mp4"))
	var errs strings.Builder
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	// Until the unfinished file is there.
	for range 3000 {
		if entries, err := os.ReadDir(dir); err != nil || len(entries) > 0 {
			break
		}
		time.Sleep(5 * time.Millisecond)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != exitInterrupted || strings.Count(errs.String(), "\n") != 1 || !strings.Contains(errs.String(), "interrupted") {
		t.Errorf("exit code %d, %q", code, errs.String())
	}
	if got := list(t, dir); got != "" {
		t.Errorf("left behind: %q", got)
	}
}

// Two takes stand side by side, the same picture of what was played on either side,
// though one begins later.
func TestAnnotateAgainst(t *testing.T) {
	clip, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p")
	other := filepath.Join(t.TempDir(), "cured.mp4")
	ffmpeg(t, "-i", clip, "-vf", "yadif,setfield=prog,trim=start_frame=5,setpts=PTS-STARTPTS", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", other)
	cured := filepath.Join(t.TempDir(), "cured")
	if e := sw(t, "scan", "--quiet", "--out", cured, "--setting", "film-mode=off", other); e.code != exitDone {
		t.Fatal(e)
	}
	out := filepath.Join(t.TempDir(), "pair.mkv")
	if e := sw(t, "annotate", folder, "--against", cured, "--top", "1", "--slow", "2", "--codec", "ffv1", "--out", out); e.code != exitDone || strings.Contains(e.out, "mind") {
		t.Fatal(e)
	}
	p := pictures(t, out)
	if w, h := p[0].Y.W, p[0].Y.H; w != 960 || h != 720 {
		t.Fatalf("%dx%d", w, h)
	}
	// Two panels of 480 x 720, which show 160 columns of each take.
	takes := [2][]*picture.Picture{pictures(t, clip), pictures(t, other)}
	tripled := func(side int) alike {
		return func(frame, q *picture.Picture, from, x, y int) bool {
			return q.Y.At(from+x/3, y/3) == frame.Y.At(side*480+x, y)
		}
	}
	for n := 0; n < len(p); n += 20 {
		left := shownOn(t, p[n], takes[0], tripled(0))
		if left >= 5 && shownOn(t, p[n], takes[1], tripled(1)) != left-5 {
			t.Errorf("frame %d shows picture %d beside another than %d", n, left, left-5)
		}
	}
}

// alike tells whether a place of a panel of 480 x 720 shows a picture of a take,
// of which columns are shown from one on.
type alike func(frame, q *picture.Picture, from, x, y int) bool

// shownOn tells which picture of a take a frame shows on one side, by the places that
// neither boxes nor the lens hide.
func shownOn(t *testing.T, frame *picture.Picture, take []*picture.Picture, same alike) int {
	t.Helper()
	best, most, all := -1, 0, 0
	for i, q := range take {
		for from := 0; from <= 160; from += 2 {
			n := 0
			all = 0
			for y := 140; y < 580; y += 11 {
				for x := 1; x < 480; x += 17 {
					all++
					if same(frame, q, from, x, y) {
						n++
					}
				}
			}
			if n > most {
				best, most = i, n
			}
		}
	}
	if most < all/2 {
		t.Errorf("%d samples of %d are those of a picture of the take", most, all)
	}
	return best
}

// A take of another size, rate and range of codes stands beside the first: at the
// times of each, in its own pixels and in the codes of the first.
func TestAnnotateAgainstAnother(t *testing.T) {
	clip, folder := woven(t, "match.mp4", "-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p")
	other := filepath.Join(t.TempDir(), "phone.mkv")
	ffmpeg(t, "-i", clip, "-vf", "scale=640:480:flags=neighbor:out_range=full,fps=25/2", "-c:v", "ffv1", "-pix_fmt", "yuvj420p", other)
	phone := filepath.Join(t.TempDir(), "phone")
	if e := sw(t, "scan", "--quiet", "--out", phone, other); e.code != exitDone {
		t.Fatal(e)
	}
	out := filepath.Join(t.TempDir(), "pair.mkv")
	e := sw(t, "annotate", folder, "--against", phone, "--top", "1", "--slow", "2", "--codec", "ffv1", "--out", out)
	if e.code != exitDone || !strings.Contains(e.out, "is shown in the codes of") || strings.Contains(e.out, "by their own times") {
		t.Fatal(e)
	}
	p, takes := pictures(t, out), [2][]*picture.Picture{pictures(t, clip), pictures(t, other)}
	// 160 of 320 columns, enlarged three times.
	left := func(frame, q *picture.Picture, from, x, y int) bool {
		return q.Y.At(from+x/3, y/3) == frame.Y.At(x, y)
	}
	// 480 of 640 columns, in 480 of 720 lines; full range is brought to limited.
	right := func(frame, q *picture.Picture, from, x, y int) bool {
		want := 16 + float64(q.Y.At(from+x, y-120))*219/255
		return math.Abs(want-float64(frame.Y.At(480+x, y))) <= 1
	}
	for n := 0; n < len(p); n += 10 {
		a, b := shownOn(t, p[n], takes[0], left), shownOn(t, p[n], takes[1], right)
		if d := a - 2*b; d < -1 || d > 1 {
			t.Errorf("frame %d shows picture %d beside picture %d of half as many", n, a, b)
		}
	}
}
