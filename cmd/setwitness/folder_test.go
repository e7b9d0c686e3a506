package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"setwitness/report"
)

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// fill writes a report into the stage.
func fill(t *testing.T, f *folder, text string, names ...string) {
	t.Helper()
	for _, n := range names {
		write(t, filepath.Join(f.stage, n), text)
	}
}

func TestFolderReplaces(t *testing.T) {
	path := filepath.Join(t.TempDir(), "deep", "out")
	for i, text := range []string{"one", "two"} {
		f, err := openFolder(path)
		if err != nil {
			t.Fatal(err)
		}
		fill(t, f, text, findingsName, pageName, cropsName+"/"+text+".png")
		// Until it is published, nothing of it is to be seen.
		if i == 1 && (read(t, filepath.Join(path, pageName)) != "one" || read(t, filepath.Join(path, "notes.txt")) != "mine") {
			t.Error("the earlier report is changed before the new one is whole")
		}
		if err := f.publish(context.Background()); err != nil {
			t.Fatal(err)
		}
		f.discard()
		if read(t, filepath.Join(path, findingsName)) != text || read(t, filepath.Join(path, pageName)) != text {
			t.Error("the report is not the new one")
		}
		if i == 0 {
			write(t, filepath.Join(path, "notes.txt"), "mine")
		}
	}
	if got := list(t, filepath.Dir(path)); got != "out out/crops out/crops/two.png out/findings.json out/notes.txt out/report.html" {
		t.Errorf("the folder holds %q", got)
	}
}

// A report that cannot be moved into place whole leaves the earlier one.
func TestFolderRollsBack(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out")
	write(t, filepath.Join(path, findingsName), "old")
	write(t, filepath.Join(path, pageName), "old")
	write(t, filepath.Join(path, cropsName, "old.png"), "old")
	before := list(t, path)
	f, err := openFolder(path)
	if err != nil {
		t.Fatal(err)
	}
	fill(t, f, "new", pageName, cropsName+"/new.png") // the document is missing
	var mend unusable
	if err := f.publish(context.Background()); !errors.As(err, &mend) || !strings.Contains(err.Error(), path) {
		t.Errorf("error is %v", err)
	}
	f.discard()
	if after := list(t, path); after != before || read(t, filepath.Join(path, pageName)) != "old" {
		t.Errorf("the folder holds %q, before %q", after, before)
	}
}

// What was made from the earlier scan goes with its report, as far as it is known to
// be of the program and as it was made. What else has such a name, was changed, was
// named by the user or lies elsewhere stays.
func TestFolderOutdates(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out")
	f, err := openFolder(path)
	if err != nil {
		t.Fatal(err)
	}
	fill(t, f, "one", findingsName, pageName, cropsName+"/one.png")
	if err := f.publish(context.Background()); err != nil {
		t.Fatal(err)
	}
	made := []string{"annotated.mp4", "annotated.mov", "ghost.mp4", "markers.edl", "markers.csv", "stills/captions.csv", "stills/01-f001-ghost.png", "../beside.mp4"}
	for _, name := range made {
		write(t, filepath.Join(path, name), "made "+name)
		if err := noteMade(context.Background(), path, filepath.Join(path, name)); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(path, "markers.csv"), "made markers.csv, and what the user wrote")
	write(t, filepath.Join(path, "markers.vtt"), "the user's own")
	write(t, filepath.Join(path, "stills", "notes.png"), "the user's own")
	if err := os.Remove(filepath.Join(path, "annotated.mov")); err != nil {
		t.Fatal(err)
	}
	before := list(t, dir)
	// A report that cannot be moved into place leaves all of it.
	if f, err = openFolder(path); err != nil {
		t.Fatal(err)
	}
	fill(t, f, "two", pageName)
	if err := f.publish(context.Background()); err == nil {
		t.Fatal("a report without its document was published")
	}
	f.discard()
	if got := list(t, dir); got != before {
		t.Errorf("the folder holds %q, before %q", got, before)
	}
	if f, err = openFolder(path); err != nil {
		t.Fatal(err)
	}
	fill(t, f, "two", findingsName, pageName, cropsName+"/two.png")
	if err := f.publish(context.Background()); err != nil {
		t.Fatal(err)
	}
	f.discard()
	slices.Sort(f.removed)
	slices.Sort(f.kept)
	if want := []string{"annotated.mp4", "markers.edl", "stills/01-f001-ghost.png", "stills/captions.csv"}; !slices.Equal(f.removed, want) {
		t.Errorf("gone are %q, want %q", f.removed, want)
	}
	if want := []string{"ghost.mp4", "markers.csv", "markers.vtt"}; !slices.Equal(f.kept, want) {
		t.Errorf("left are %q, want %q", f.kept, want)
	}
	const want = "beside.mp4 out out/crops out/crops/two.png out/findings.json out/ghost.mp4 out/made.json out/markers.csv out/markers.vtt out/report.html out/stills out/stills/notes.png"
	if got := list(t, dir); got != want {
		t.Errorf("the folder holds %q, want %q", got, want)
	}
	// Nothing that is left keeps the record or the folder of stills.
	for _, name := range []string{"ghost.mp4", "markers.csv", "markers.vtt", "stills/notes.png"} {
		if err := os.Remove(filepath.Join(path, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Remove(filepath.Join(path, stillsName)); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(path, stillsName, "01.png"), "made")
	if err := noteMade(context.Background(), path, filepath.Join(path, stillsName, "01.png")); err != nil {
		t.Fatal(err)
	}
	if f, err = openFolder(path); err != nil {
		t.Fatal(err)
	}
	fill(t, f, "three", findingsName, pageName, cropsName+"/three.png")
	if err := f.publish(context.Background()); err != nil {
		t.Fatal(err)
	}
	f.discard()
	if got := list(t, path); got != "crops crops/three.png findings.json report.html" {
		t.Errorf("the folder holds %q", got)
	}
}

// A record that is none of ours, or that names files elsewhere, removes nothing and
// is not written over.
func TestOutdatedByNothing(t *testing.T) {
	for _, record := range []string{
		"the user's own list",
		`{"schema":"setwitness.made/1","files":[{"name":"../clip.mp4","bytes":4,"sha256":"` + strings.Repeat("0", 64) + `"}]}`,
	} {
		path := filepath.Join(t.TempDir(), "out")
		write(t, filepath.Join(path, report.MadeName), record)
		write(t, filepath.Join(path, "annotated.mp4"), "clip")
		removable, kept, err := outdated(context.Background(), path)
		if err != nil || len(removable) != 0 || !slices.Equal(kept, []string{"annotated.mp4"}) {
			t.Errorf("%s: %q would go, %q stay, %v", record, removable, kept, err)
		}
		err = noteMade(context.Background(), path, filepath.Join(path, "annotated.mp4"))
		if !errors.As(err, new(unusable)) || !strings.Contains(err.Error(), report.MadeName) || read(t, filepath.Join(path, report.MadeName)) != record {
			t.Errorf("%s: %v", record, err)
		}
	}
}

func TestFolderRefuses(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	write(t, file, "")
	for _, path := range []string{file, filepath.Join(file, "sub"), filepath.Join(file, "sub", "deeper")} {
		_, err := openFolder(path)
		var mend unusable
		if !errors.As(err, &mend) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", path, err)
		}
	}
	if got := list(t, filepath.Dir(file)); got != "file" {
		t.Errorf("left behind: %q", got)
	}
}

func TestFolderNames(t *testing.T) {
	for _, c := range []struct {
		clips []string
		out   string
		want  []string
	}{
		{[]string{"a/match.mp4"}, "", []string{"a/match.mp4.setwitness"}},
		{[]string{"a/match.mp4", "match.mkv"}, "", []string{"a/match.mp4.setwitness", "match.mkv.setwitness"}},
		{[]string{"a/match.mp4"}, "out", []string{"out"}},
		{[]string{"a/match.mp4", "b/match.mkv", "c/Match.ts", "match-2.mp4"}, "out", []string{"out/match", "out/match-2", "out/Match-3", "out/match-2-2"}},
		{[]string{".mp4", "..", "/"}, "out", []string{"out/clip", "out/clip-2", "out/clip-3"}},
	} {
		if got := folderNames(c.clips, c.out); !slices.Equal(got, c.want) {
			t.Errorf("%q to %q: %q, want %q", c.clips, c.out, got, c.want)
		}
	}
}

// However the clips are called, each gets a folder of its own directly below
// out.
func FuzzFolderNames(f *testing.F) {
	f.Add("a/x.mp4", "b/x.mkv", "X-2")
	f.Add("..", ".", "/")
	f.Fuzz(func(t *testing.T, a, b, c string) {
		seen := map[string]bool{}
		for _, name := range folderNames([]string{a, b, c}, "out") {
			if filepath.Dir(name) != "out" || seen[strings.ToLower(name)] {
				t.Errorf("%q, %q, %q: %q", a, b, c, name)
			}
			seen[strings.ToLower(name)] = true
		}
	})
}
