package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"setwitness/decode"
	"setwitness/detect"
	"setwitness/report"
	"setwitness/report/crops"
)

// The tests of this file run the program itself, on clips that FFmpeg's own
// program makes.

var binary string // built once, by TestMain

func TestMain(m *testing.M) {
	flag.Parse()
	// Fuzzing starts many of these, which have no use for the program.
	if w := flag.Lookup("test.fuzzworker"); w != nil && w.Value.String() == "true" {
		os.Exit(m.Run())
	}
	code := func() int {
		dir, err := os.MkdirTemp("", "setwitness-test-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(dir)
		binary = filepath.Join(dir, "setwitness")
		if out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
			fmt.Fprintf(os.Stderr, "build: %v\n%s", err, out)
			return 1
		}
		return m.Run()
	}()
	os.Exit(code)
}

// ffmpeg makes a clip.
func ffmpeg(t *testing.T, args ...string) {
	t.Helper()
	out, err := exec.Command("ffmpeg", append([]string{"-v", "error", "-y", "-nostdin"}, args...)...).CombinedOutput()
	if err != nil {
		t.Fatalf("ffmpeg %q: %v\n%s", args, err, out)
	}
}

// small is a clip of one second that decodes fast.
func small(t *testing.T, name string, args ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", "testsrc2=s=320x180:r=25:d=1"}, args...), path)...)
	return path
}

type ended struct {
	code     int
	out, err string
}

func (e ended) String() string {
	return fmt.Sprintf("exit code %d\nstdout: %s\nstderr: %s", e.code, e.out, e.err)
}

// sw runs the program.
func sw(t *testing.T, args ...string) ended {
	t.Helper()
	cmd := exec.Command(binary, args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var e *exec.ExitError
	if err != nil && !errors.As(err, &e) {
		t.Fatal(err)
	}
	return ended{cmd.ProcessState.ExitCode(), out.String(), errs.String()}
}

// refused checks that the program ended with code 2 and one line that names
// the file and the reason.
func refused(t *testing.T, e ended, file, reason string) {
	t.Helper()
	if e.code != exitUnusable || strings.Count(e.err, "\n") != 1 || !strings.Contains(e.err, file) || !strings.Contains(e.err, reason) || e.out != "" {
		t.Errorf("want code 2 and one line with %q and %q; %s", file, reason, e)
	}
}

// scanned runs a scan that must succeed, and reads its document, its page and
// its crops.
func scanned(t *testing.T, clip string, args ...string) *report.Findings {
	t.Helper()
	out := filepath.Join(t.TempDir(), "out")
	e := sw(t, append([]string{"scan", "--out", out, clip}, args...)...)
	if e.code != exitDone || e.err != "" {
		t.Fatalf("%s: %s", clip, e)
	}
	return whole(t, out)
}

// whole reads a folder and checks that everything that belongs to it is there.
func whole(t *testing.T, out string) *report.Findings {
	t.Helper()
	doc, err := report.Read(filepath.Join(out, findingsName))
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile(filepath.Join(out, pageName))
	if err != nil || !bytes.HasSuffix(bytes.TrimSpace(page), []byte("</html>")) {
		t.Errorf("the page is not whole (%v)", err)
	}
	if len(doc.Coverage) != len(detect.Kinds) {
		t.Errorf("%d rows of coverage", len(doc.Coverage))
	}
	for _, f := range doc.Findings {
		for _, name := range []string{f.Evidence.Crop, f.Evidence.Context, f.Evidence.Strip} {
			b, err := os.ReadFile(filepath.Join(out, filepath.FromSlash(name)))
			if err != nil {
				t.Error(err)
			} else if _, err := png.Decode(bytes.NewReader(b)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		if f.EndS > doc.Take.DurationS+0.1 || f.StartS < 0 {
			t.Errorf("%s runs from %g to %g s in a take of %g s", f.ID, f.StartS, f.EndS, doc.Take.DurationS)
		}
	}
	entries, err := os.ReadDir(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			t.Errorf("left behind: %s", e.Name())
		}
	}
	return doc
}

func TestUnusableFiles(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	audio := filepath.Join(dir, "audio.mp4")
	ffmpeg(t, "-f", "lavfi", "-i", "sine=d=1", "-c:a", "aac", audio)
	cut := filepath.Join(dir, "cut.mp4")
	whole, err := os.ReadFile(small(t, "whole.mp4"))
	if err != nil {
		t.Fatal(err)
	}
	file("cut.mp4", string(whole[:len(whole)/2])) // its index is at its end
	for _, c := range []struct{ path, reason string }{
		{filepath.Join(dir, "missing.mp4"), "no such file"},
		{dir, "folder"},
		{file("empty.mp4", ""), "empty"},
		{file("text.mp4", strings.Repeat("This is a letter and no film.\n", 200)), "not a video file"},
		{audio, "no video"},
		{cut, "index"},
		{file("huge.y4m", "YUV4MPEG2 W2000000 H2000000 F25:1 Ip A1:1 C420\nFRAME\n"+strings.Repeat("x", 5000)), "absurd"},
		{file("huge2.y4m", "YUV4MPEG2 W999999999999 H-4 F25:1 Ip A1:1 C420\nFRAME\nxx"), "huge2.y4m"},
		{"/dev/null", "not a regular file"},
	} {
		t.Run(filepath.Base(c.path), func(t *testing.T) {
			refused(t, sw(t, "scan", c.path), c.path, c.reason)
		})
	}
	for _, name := range []string{"missing", "empty", "text", "audio", "cut"} {
		if _, err := os.Stat(filepath.Join(dir, name+".mp4.setwitness")); err == nil {
			t.Errorf("%s: a report was written", name)
		}
	}
}

func TestOddClips(t *testing.T) {
	for _, c := range []struct {
		name, file string
		args       []string
		frames     int
	}{
		{"one frame", "one.mp4", []string{"-frames:v", "1"}, 1},
		{"two frames", "two.mkv", []string{"-frames:v", "2", "-c:v", "ffv1"}, 2},
		{"odd size", "odd.mkv", []string{"-vf", "scale=853:479", "-c:v", "ffv1", "-pix_fmt", "yuv420p"}, 25},
		{"tiny", "tiny.mkv", []string{"-vf", "scale=18:16", "-c:v", "ffv1", "-pix_fmt", "yuv444p"}, 25},
		{"gray, 10 bits", "gray.mkv", []string{"-c:v", "ffv1", "-pix_fmt", "gray10le"}, 25},
		{"turned", "turned.mp4", []string{"-metadata:s:v", "rotate=90"}, 25},
		{"negative times", "negative.mkv", []string{"-output_ts_offset", "-0.5", "-avoid_negative_ts", "disabled"}, 25},
		{"huge times", "huge.ts", []string{"-output_ts_offset", "90000"}, 25},
		{"no rate", "still.mjpeg", []string{"-frames:v", "5"}, 5},
		{"strange name", "a \"b\" <i>&'\n\x1b[31m#?.mp4", nil, 25},
	} {
		t.Run(c.name, func(t *testing.T) {
			doc := scanned(t, small(t, c.file, c.args...))
			if doc.Take.Frames != c.frames {
				t.Errorf("%d frames, want %d; warnings %q", doc.Take.Frames, c.frames, doc.Warnings)
			}
			if doc.Take.DurationS < 0 || doc.Take.DurationS > 2 {
				t.Errorf("the take is %g s long", doc.Take.DurationS)
			}
		})
	}
}

// A cut or damaged file gives what can be read of it, and says so.
func TestDamage(t *testing.T) {
	cut := func(t *testing.T, path string, change func([]byte) []byte) string {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(t.TempDir(), "hurt"+filepath.Ext(path))
		if err := os.WriteFile(out, change(b), 0o644); err != nil {
			t.Fatal(err)
		}
		return out
	}
	t.Run("truncated MP4", func(t *testing.T) {
		clip := cut(t, small(t, "a.mp4", "-movflags", "+faststart", "-g", "5"), func(b []byte) []byte { return b[:len(b)*6/10] })
		doc := scanned(t, clip)
		if doc.Take.Frames == 0 || doc.Take.Frames >= 25 || !slices.ContainsFunc(doc.Warnings, func(w string) bool { return strings.Contains(w, "cut short") }) {
			t.Errorf("%d frames, warnings %q", doc.Take.Frames, doc.Warnings)
		}
	})
	t.Run("garbage in a transport stream", func(t *testing.T) {
		clip := cut(t, small(t, "a.ts", "-c:v", "mpeg2video", "-g", "5", "-b:v", "4M"), func(b []byte) []byte {
			for i := len(b) * 4 / 10; i < len(b)*5/10; i++ {
				b[i] = byte(i * 7919)
			}
			return b
		})
		doc := scanned(t, clip)
		if doc.Take.Frames < 10 || doc.Take.DamagedPackets == 0 || len(doc.Warnings) == 0 {
			t.Errorf("%d frames, %d damaged packets, warnings %q", doc.Take.Frames, doc.Take.DamagedPackets, doc.Warnings)
		}
	})
}

// An interlaced file is examined by fields unless that is asked otherwise.
func TestFields(t *testing.T) {
	clip := small(t, "fields.ts", "-vf", "scale=720:576,tinterlace=interleave_top", "-c:v", "mpeg2video", "-flags", "+ildct+ilme", "-top", "1", "-b:v", "5M")
	for fields, lines := range map[string]int{"auto": 288, "split": 288, "weave": 576} {
		doc := scanned(t, clip, "--fields", fields)
		if doc.Take.Scan != report.InterlacedTop || doc.View.Raster.Height != lines {
			t.Errorf("%s: %s, examined at %d lines", fields, doc.Take.Scan, doc.View.Raster.Height)
		}
		if !slices.ContainsFunc(doc.Warnings, func(w string) bool { return strings.HasPrefix(w, "fields: ") }) {
			t.Errorf("%s: warnings %q do not say what was done about fields", fields, doc.Warnings)
		}
	}
}

// The same file gives the same document and the same page, but for the time.
func TestSameAgain(t *testing.T) {
	clip := small(t, "match.mp4", "-vf", "tinterlace=interleave_top")
	var docs, pages [2]string
	for i := range docs {
		out := filepath.Join(t.TempDir(), "out")
		if e := sw(t, "scan", "--out", out, "--threads", strconv.Itoa(1+i), clip); e.code != exitDone {
			t.Fatal(e)
		}
		doc := whole(t, out)
		page := read(t, filepath.Join(out, pageName))
		pages[i] = strings.ReplaceAll(page, doc.Created, "")
		docs[i] = strings.ReplaceAll(read(t, filepath.Join(out, findingsName)), doc.Created, "")
	}
	if docs[0] != docs[1] || pages[0] != pages[1] {
		t.Error("two scans of one file differ")
	}
}

func TestSeveralClips(t *testing.T) {
	a, b := small(t, "match.mp4"), small(t, "match.mkv")
	out := filepath.Join(t.TempDir(), "reports")
	e := sw(t, "scan", "--out", out, a, "nowhere.mp4", b)
	if e.code != exitUnusable || strings.Count(e.err, "\n") != 1 || !strings.Contains(e.err, "nowhere.mp4") {
		t.Error(e)
	}
	whole(t, filepath.Join(out, "match"))
	whole(t, filepath.Join(out, "match-2"))
	e = sw(t, "scan", "--json", a)
	if e.code != exitDone || e.err != "" {
		t.Fatal(e)
	}
	doc, err := report.Decode(strings.NewReader(e.out))
	if err != nil {
		t.Fatalf("--json: %v", err)
	}
	if doc.Take.SHA256 != whole(t, a+".setwitness").Take.SHA256 {
		t.Error("--json prints another document than that beside the clip")
	}
}

func TestFolderThatCannotBeWritten(t *testing.T) {
	clip := small(t, "match.mp4")
	refused(t, sw(t, "scan", "--out", filepath.Join(clip, "out"), clip), filepath.Join(clip, "out"), "not a directory")
	refused(t, sw(t, "scan", "--out", clip, clip), clip, "not a folder")
	refused(t, sw(t, "scan", "--out", "/proc/setwitness", clip), "/proc/setwitness", "cannot be written")
}

// tmpfs mounts a small file system of its own.
func tmpfs(t *testing.T, options string) string {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("mounting a small file system needs root")
	}
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		t.Skipf("this machine does not let root mount a file system: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

func TestReadOnly(t *testing.T) {
	clip := small(t, "match.mp4")
	dir := tmpfs(t, "size=1m")
	if err := unix.Mount("", dir, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	refused(t, sw(t, "scan", "--out", filepath.Join(dir, "out"), clip), filepath.Join(dir, "out"), "read-only")
	refused(t, sw(t, "scan", "--out", dir, clip), dir, "read-only")
}

// A full disk gives one line, keeps the earlier report and leaves nothing of
// the new one.
func TestDiskFull(t *testing.T) {
	clip := small(t, "match.mp4")
	dir := tmpfs(t, "size=16k")
	fresh := filepath.Join(dir, "out")
	refused(t, sw(t, "scan", "--out", fresh, clip), fresh, "no space left")
	if got := list(t, dir); got != "" {
		t.Errorf("left behind: %q", got)
	}
	write(t, filepath.Join(fresh, findingsName), "the earlier one")
	refused(t, sw(t, "scan", "--out", fresh, clip), fresh, "no space left")
	if got := list(t, dir); got != "out out/findings.json" || read(t, filepath.Join(fresh, findingsName)) != "the earlier one" {
		t.Errorf("the folder holds %q", got)
	}
}

// terminal is a pseudo terminal: what a program prints to the far end is read
// from the near one.
func terminal(t *testing.T) (near, far *os.File) {
	t.Helper()
	near, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ENODEV) {
		t.Skip("no pseudo terminals here")
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	n, err := unix.IoctlGetInt(int(near.Fd()), unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(int(near.Fd()), unix.TIOCSPTLCK, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
	far, err = os.OpenFile("/dev/pts/"+strconv.Itoa(n), os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlSetWinsize(int(far.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Col: 120, Row: 40}); err != nil {
		t.Fatal(err)
	}
	return near, far
}

// atTerminal runs the program at a terminal. seen is called with all that
// was printed so far each time that there is more.
func atTerminal(t *testing.T, env []string, seen func(text string, p *os.Process), args ...string) ended {
	t.Helper()
	near, far := terminal(t)
	cmd := exec.Command(binary, args...)
	cmd.Stdout, cmd.Stderr = far, far
	cmd.Env = append(os.Environ(), env...)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	far.Close()
	var text strings.Builder
	block := make([]byte, 4096)
	for {
		n, err := near.Read(block)
		text.Write(block[:n])
		if seen != nil {
			seen(text.String(), cmd.Process)
		}
		if err != nil { // the far end was closed
			break
		}
	}
	err := cmd.Wait()
	var e *exec.ExitError
	if err != nil && !errors.As(err, &e) {
		t.Fatal(err)
	}
	return ended{code: cmd.ProcessState.ExitCode(), out: text.String()}
}

func TestAtTerminal(t *testing.T) {
	clip := small(t, "match.mp4")
	terms := []string{"TERM=xterm", "NO_COLOR="}
	e := atTerminal(t, terms, nil, "scan", clip)
	for _, want := range []string{"  [", "0 %", "\x1b[K", "\x1b[1m", "report: "} {
		if !strings.Contains(e.out, want) {
			t.Errorf("at a terminal, %q is missing: %s", want, e)
		}
	}
	e = atTerminal(t, []string{"TERM=xterm", "NO_COLOR=1"}, nil, "scan", clip)
	if strings.Contains(e.out, "m"+clip) || strings.Contains(e.out, "\x1b[1m") || !strings.Contains(e.out, "report: ") {
		t.Errorf("with NO_COLOR: %s", e)
	}
	e = atTerminal(t, []string{"TERM=dumb"}, nil, "scan", clip)
	if strings.Contains(e.out, "\x1b") {
		t.Errorf("at a dumb terminal: %s", e)
	}
	e = atTerminal(t, terms, nil, "scan", "--quiet", clip)
	if e.out != "" || e.code != exitDone {
		t.Errorf("--quiet: %s", e)
	}
	// Not a terminal: no bar, no codes.
	if e := sw(t, "scan", clip); strings.Contains(e.out+e.err, "\x1b") || strings.Contains(e.err, "\r") || e.err != "" {
		t.Error(e)
	}
}

// Ctrl-C half-way writes what was found so far and says that it is partial.
func TestCtrlC(t *testing.T) {
	clip := filepath.Join(t.TempDir(), "long.mp4")
	const seconds = 120
	// A short clip that is repeated without being coded again.
	piece := small(t, "piece.mp4", "-vf", "scale=1280:720", "-preset", "ultrafast")
	ffmpeg(t, "-stream_loop", strconv.Itoa(seconds-1), "-i", piece, "-c", "copy", clip)
	out := filepath.Join(t.TempDir(), "out")
	sent := false
	e := atTerminal(t, []string{"TERM=xterm"}, func(text string, p *os.Process) {
		// Bars are drawn while it runs; the second shows that it is under way.
		if !sent && strings.Count(text, "times real time") >= 2 {
			sent = true
			if err := p.Signal(os.Interrupt); err != nil {
				t.Error(err)
			}
		}
	}, "scan", "--out", out, clip)
	if !sent {
		t.Fatalf("the scan ended before it could be interrupted: %s", e)
	}
	if e.code != exitInterrupted || !strings.Contains(e.out, "partial result") {
		t.Errorf("%s", e)
	}
	doc := whole(t, out)
	if doc.Take.Frames == 0 || doc.Take.Frames >= seconds*25 || !slices.ContainsFunc(doc.Warnings, func(w string) bool { return strings.Contains(w, "partial result") }) {
		t.Errorf("%d frames, warnings %q", doc.Take.Frames, doc.Warnings)
	}
	if entries, _ := os.ReadDir(filepath.Dir(out)); len(entries) != 1 {
		t.Errorf("left behind: %q", list(t, filepath.Dir(out)))
	}
}

// --help of every command names every flag, and printing it is no error.
func TestHelp(t *testing.T) {
	for _, args := range [][]string{{"--help"}, {"scan", "--help"}, {"stages", "--help"}, {"version", "--help"}, {"compare", "--help"}, {"matrix", "--help"}} {
		e := sw(t, args...)
		if e.code != exitDone || e.err != "" || !strings.Contains(e.out, "Usage:") {
			t.Errorf("%q: %s", args, e)
		}
	}
	help := sw(t, "scan", "--help").out
	for _, flag := range []string{"--out", "--from", "--source", "--fields", "--setting", "--option", "--json", "--quiet", "--threads", "Exit codes"} {
		if !strings.Contains(help, flag) {
			t.Errorf("the help of scan does not speak of %s", flag)
		}
	}
	if e := sw(t, "stages"); e.code != exitDone || !strings.Contains(e.out, "cells: ") {
		t.Error(e)
	}
}

// A finding in a take of fields is cut from the field as it is, and the page
// gives its lines their height back.
func TestFieldAspect(t *testing.T) {
	clip := small(t, "wide.ts", "-vf", "scale=720:576,setsar=16/15,tinterlace=interleave_top", "-c:v", "mpeg2video", "-flags", "+ildct+ilme", "-top", "1")
	take, err := decode.Open(clip, decode.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer take.Close()
	if got := crops.PixelAspect(take.Format()); take.Format().H != 288 || got != 16.0/30 {
		t.Errorf("a field of %d lines is shown with an aspect of %g, want %g", take.Format().H, got, 16.0/30)
	}
}
