package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"setwitness/report"
)

// The names of what a folder holds; the crops' own names are the document's.
const (
	findingsName   = "findings.json"
	pageName       = "report.html"
	cropsName      = "crops"
	signaturesName = "signatures.json"
	stagePrefix    = ".setwitness-" // of what is being written
)

// folder is where the report of one take goes. Everything is written to a
// stage beside or inside it and moved into place at the end, so that a reader
// never meets half a report.
type folder struct {
	path  string // where it goes
	stage string // where it is written
	fresh bool   // path does not exist yet

	// After publish: what was made from the earlier scan and went with it, and what
	// was left because a user may have named, changed or made it.
	removed, kept []string
}

// openFolder makes the stage, which shows early whether the place can be
// written.
func openFolder(path string) (*folder, error) {
	f := &folder{path: path}
	at := path
	switch info, err := os.Stat(path); {
	case err == nil && !info.IsDir():
		return nil, unusable{fmt.Errorf("%s: is not a folder, the report cannot go there", path)}
	case errors.Is(err, fs.ErrNotExist):
		f.fresh = true
		at = filepath.Dir(path)
		if err := os.MkdirAll(at, 0o755); err != nil {
			return nil, f.fault(err)
		}
	case err != nil:
		return nil, f.fault(err)
	}
	stage, err := os.MkdirTemp(at, stagePrefix)
	if err != nil {
		return nil, f.fault(err)
	}
	f.stage = stage
	if err := errors.Join(os.Chmod(stage, 0o755), os.Mkdir(filepath.Join(stage, cropsName), 0o755)); err != nil {
		f.discard()
		return nil, f.fault(err)
	}
	return f, nil
}

// fault says of an error in writing which folder it means; the name of the
// stage tells nobody anything.
func (f *folder) fault(err error) error {
	why, ok := reason(err)
	if !ok {
		return err
	}
	return unusable{fmt.Errorf("%s: the report cannot be written: %w", f.path, why)}
}

// reason is what the system says of a file, without its name.
func reason(err error) (error, bool) {
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.As(err, &p):
		return p.Err, true
	case errors.As(err, &l):
		return l.Err, true
	}
	return err, false
}

// discard removes what was written so far. After publish it does nothing.
func (f *folder) discard() { os.RemoveAll(f.stage) }

// publish moves the report into place. In a folder that exists it replaces the
// report of an earlier scan, with what was made from that, and touches nothing
// else; when that fails half-way, the earlier one is put back.
func (f *folder) publish(ctx context.Context) error {
	if f.fresh {
		if err := os.Rename(f.stage, f.path); err != nil {
			return f.fault(err)
		}
		return nil
	}
	defer f.discard()
	old, err := os.MkdirTemp(f.stage, "old-")
	if err != nil {
		return f.fault(err)
	}
	removed, kept, err := outdated(ctx, f.path)
	if err != nil {
		return err
	}
	var undo []func()
	move := func(from, to string) error {
		if err := os.Rename(from, to); err != nil {
			return err
		}
		undo = append(undo, func() { os.Rename(to, from) })
		return nil
	}
	rollBack := func(err error) error {
		for i := len(undo) - 1; i >= 0; i-- {
			undo[i]()
		}
		return f.fault(err)
	}
	for i, name := range removed {
		if err := move(filepath.Join(f.path, filepath.FromSlash(name)), filepath.Join(old, fmt.Sprintf("made-%d", i))); err != nil {
			return rollBack(err)
		}
	}
	// The document comes last: whoever finds it finds the rest.
	for _, name := range []string{cropsName, pageName, report.DisplayedName, signaturesName, findingsName} {
		err := move(filepath.Join(f.path, name), filepath.Join(old, name))
		if err == nil || errors.Is(err, fs.ErrNotExist) {
			err = move(filepath.Join(f.stage, name), filepath.Join(f.path, name))
		}
		if (name == report.DisplayedName || name == signaturesName) && errors.Is(err, fs.ErrNotExist) {
			err = nil // only films of a screen have the one, and takes whose stages sign pictures the other
		}
		if err != nil {
			return rollBack(err)
		}
	}
	f.removed, f.kept = removed, kept
	f.forget()
	return nil
}

// forget drops the record of what was made from the earlier scan, but for what is
// still there, and the folder of stills that were in it if nothing else is. Neither
// says anything of the new report, so that a fault in it does no harm.
func (f *folder) forget() {
	if slices.ContainsFunc(f.removed, func(name string) bool { return path.Dir(name) == stillsName }) {
		os.Remove(filepath.Join(f.path, stillsName))
	}
	at := filepath.Join(f.path, report.MadeName)
	made, err := report.ReadMade(at)
	if err != nil {
		return // none, or not ours
	}
	made.Files = slices.DeleteFunc(made.Files, func(m report.MadeFile) bool { return !slices.Contains(f.kept, m.Name) })
	if len(made.Files) == 0 || report.WriteMade(at, made) != nil {
		os.Remove(at)
	}
}

// folderNames says where the report of each clip goes. Without out it stands
// beside the clip; out is the folder of a single clip, and of several it
// holds one for each, named like the clip and numbered where two are the
// same.
func folderNames(clips []string, out string) []string {
	names := make([]string, len(clips))
	for i, stem := range stems(clips) {
		switch {
		case out == "":
			names[i] = filepath.Clean(clips[i]) + ".setwitness"
		case len(clips) == 1:
			names[i] = out
		default:
			names[i] = filepath.Join(out, stem)
		}
	}
	return names
}

// stems are names for folders, one for each clip.
func stems(clips []string) []string {
	names := make([]string, len(clips))
	taken := map[string]bool{}
	for i, c := range clips {
		base := filepath.Base(c)
		stem := strings.TrimSuffix(base, filepath.Ext(base))
		switch {
		case stem == "" || stem == "." || stem == ".." || stem == string(filepath.Separator):
			stem = "clip"
		case filepath.Ext(stem) == ".json":
			stem = base // the names of documents are not for folders
		}
		name := stem
		// Some file systems do not tell capitals from small letters.
		for n := 2; taken[strings.ToLower(name)]; n++ {
			name = stem + "-" + strconv.Itoa(n)
		}
		taken[strings.ToLower(name)] = true
		names[i] = name
	}
	return names
}
