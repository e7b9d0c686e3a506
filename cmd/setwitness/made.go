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
	"strings"

	"setwitness/report"
)

// noteMade records files that were made from the findings of a scan, as far as
// they lie in its folder.
func noteMade(ctx context.Context, folder string, files ...string) error {
	at := filepath.Join(folder, report.MadeName)
	made, err := report.ReadMade(at)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		made = &report.Made{}
	case err != nil:
		return unusable{fmt.Errorf("what was made from the scan cannot be recorded: %w", err)}
	}
	changed := false
	for _, file := range files {
		name, ok := inFolder(folder, file)
		if !ok {
			continue
		}
		info, err := os.Stat(file)
		if err != nil {
			return unusable{err}
		}
		sum, err := sumFile(ctx, file)
		if err != nil {
			return err
		}
		made.Files = slices.DeleteFunc(made.Files, func(f report.MadeFile) bool { return f.Name == name })
		made.Files = append(made.Files, report.MadeFile{Name: name, Bytes: info.Size(), SHA256: sum})
		changed = true
	}
	if !changed {
		return nil
	}
	// Those that gave way to others are there no more.
	made.Files = slices.DeleteFunc(made.Files, func(f report.MadeFile) bool {
		_, err := os.Lstat(filepath.Join(folder, filepath.FromSlash(f.Name)))
		return errors.Is(err, fs.ErrNotExist)
	})
	if err := report.WriteMade(at, made); err != nil {
		why, _ := reason(err)
		return unusable{fmt.Errorf("%s: what was made from the scan cannot be recorded: %w", folder, why)}
	}
	return nil
}

// notOver refuses a name for a new file that is that of a folder, or would write over
// one that it is made from: a take, or a document of the scan in a folder.
func notOver(file, folder string, takes ...string) error {
	info, err := os.Stat(file)
	if err != nil {
		return nil // nothing is there
	}
	if info.IsDir() {
		return unusable{fmt.Errorf("--out %s: is a folder", file)}
	}
	for _, name := range []string{findingsName, pageName, signaturesName, report.DisplayedName, report.MadeName} {
		takes = append(takes, filepath.Join(folder, name))
	}
	for _, path := range takes {
		if other, err := os.Stat(path); err == nil && os.SameFile(info, other) {
			return unusable{fmt.Errorf("--out %s: this is what it would be made from (%s)", file, path)}
		}
	}
	return nil
}

// inFolder is the name, with slashes, of a file that lies in a folder.
func inFolder(folder, file string) (string, bool) {
	from, err := filepath.Abs(folder)
	if err != nil {
		return "", false
	}
	to, err := filepath.Abs(file)
	if err != nil {
		return "", false
	}
	name, err := filepath.Rel(from, to)
	if err != nil || !filepath.IsLocal(name) {
		return "", false
	}
	return filepath.ToSlash(name), true
}

// usualNames are those of clips and markers that were not the user's choice, and of
// the table of the stills.
func usualNames() []string {
	out := []string{stillsName + "/" + captionsName}
	for _, c := range clipCodecs {
		out = append(out, annotatedName+c.extension)
	}
	for _, m := range markerFormats {
		out = append(out, markersName+"."+m.name)
	}
	return out
}

// outdated looks for what was made from the findings that a folder holds. Removable
// is what is still as it was made, under a name of the program's own choice; kept is
// what a user may have named, changed or made.
func outdated(ctx context.Context, folder string) (removable, kept []string, err error) {
	usual := usualNames()
	made, err := report.ReadMade(filepath.Join(folder, report.MadeName))
	if err != nil {
		// Without a record nothing in the folder is known to be of the program.
		made = &report.Made{}
	}
	for _, f := range made.Files {
		file := filepath.Join(folder, filepath.FromSlash(f.Name))
		info, err := os.Lstat(file)
		if err != nil {
			continue // it was moved away
		}
		sum := ""
		if own := slices.Contains(usual, f.Name) || path.Dir(f.Name) == stillsName; own && info.Mode().IsRegular() && info.Size() == f.Bytes {
			if sum, err = sumFile(ctx, file); ctx.Err() != nil {
				return nil, nil, ctx.Err()
			}
		}
		if sum == f.SHA256 {
			removable = append(removable, f.Name)
		} else {
			kept = append(kept, f.Name)
		}
	}
	for _, name := range usual {
		_, err := os.Lstat(filepath.Join(folder, filepath.FromSlash(name)))
		if err == nil && !slices.ContainsFunc(made.Files, func(f report.MadeFile) bool { return f.Name == name }) {
			kept = append(kept, name)
		}
	}
	return removable, kept, nil
}

// named lists files for a line of text; stills, of which there may be many, as their
// folder.
func named(files []string) string {
	var out []string
	for _, f := range files {
		if path.Dir(f) == stillsName {
			f = stillsName
		}
		if !slices.Contains(out, f) {
			out = append(out, f)
		}
	}
	return oneLine(strings.Join(out, ", "))
}
