package ledger

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"zombiezen.com/go/sqlite"

	"setwitness/report"
)

// The files of a scan's folder that are kept. The page is not: it is made of
// these.
const (
	documentName = "findings.json"
	cropsFolder  = "crops"
)

// mostFile bounds a kept file. SQLite takes up to 10^9 bytes; a crop has less
// than a hundredth of that.
const mostFile = 256 << 20 // bytes

// The settings of a document that say what was scanned.
const (
	setSetting      = "set"
	firmwareSetting = "firmware"
	sourceSetting   = "source"
)

// Added says what became of a scan.
type Added struct {
	Scan int64
	// Known is true where the same scan was there already: one of the same take,
	// by the same version of the tool, with the same request, settings and
	// viewing conditions, that found the same. Nothing was stored then.
	Known bool
	// Unlike are scans that are the same but for what they found, as builds of
	// one version may do.
	Unlike []int64
	// Others are sets under which the same take was stored before.
	Others []string
}

// Add stores the scan whose folder is dir. stated are settings that the scan
// was not told, such as set and firmware; they may not contradict those of the
// document.
func (l *Ledger) Add(ctx context.Context, dir string, stated map[string]string, now time.Time) (Added, error) {
	doc, err := document(dir, stated)
	if err != nil {
		return Added{}, err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return Added{}, &Fault{dir, "cannot be read", bare(err)}
	}
	defer root.Close()
	names, err := kept(root.FS(), doc)
	if err != nil {
		return Added{}, &Fault{dir, "is not the whole folder of a scan", err}
	}
	identity, content, err := marks(doc)
	if err != nil {
		return Added{}, err
	}
	var a Added
	err = l.write(ctx, func() error {
		if a, err = l.known(identity, content); err != nil || a.Known {
			return err
		}
		if a.Scan, err = l.insert(doc, identity, content, now); err != nil {
			return err
		}
		if a.Others, err = l.others(a.Scan); err != nil {
			return err
		}
		for _, name := range names {
			b, err := read(root.FS(), name)
			if err != nil {
				return &Fault{filepath.Join(dir, filepath.FromSlash(name)), "cannot be read", bare(err)}
			}
			if err := l.keep(a.Scan, name, b); err != nil {
				return err
			}
		}
		var b bytes.Buffer
		if err := report.Encode(&b, doc); err != nil {
			return err
		}
		return l.keep(a.Scan, documentName, b.Bytes())
	})
	if err != nil {
		return Added{}, err
	}
	return a, nil
}

// document reads the document of a folder and adds what is stated beside it.
func document(dir string, stated map[string]string) (*report.Findings, error) {
	doc, err := report.Read(filepath.Join(dir, documentName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &Fault{dir, "is no folder of a scan", errors.New("it has no " + documentName)}
	}
	if err != nil {
		return nil, &Fault{dir, "cannot be used", err}
	}
	settings := maps.Clone(doc.Conditions.Settings)
	if settings == nil {
		settings = map[string]string{}
	}
	for k, v := range stated {
		if had, ok := settings[k]; ok && had != v {
			return nil, &Fault{dir, fmt.Sprintf("was scanned with the setting %s=%s, which is not %s", k, had, v), nil}
		}
		settings[k] = v
	}
	doc.Conditions.Settings = settings
	switch {
	case settings[setSetting] == "":
		return nil, &Fault{dir, "does not say which set it is of, nor is that stated", nil}
	case doc.Interrupted:
		return nil, &Fault{dir, "is of a scan that was interrupted: scan the take again", nil}
	}
	return doc, nil
}

// kept lists the files beside the document, and makes sure that those which the
// document names are there.
func kept(folder fs.FS, doc *report.Findings) ([]string, error) {
	var names []string
	there := map[string]bool{}
	err := fs.WalkDir(folder, ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir():
			// Stages of a scan that is on its way have names with a dot.
			if name != "." && name != cropsFolder && !strings.HasPrefix(name, cropsFolder+"/") {
				return fs.SkipDir
			}
		case !d.Type().IsRegular() || strings.HasPrefix(path.Base(name), "."):
		case name != documentName && (path.Dir(name) != "." || path.Ext(name) == ".json"):
			names = append(names, name)
			there[name] = true
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var wanted []string
	for _, f := range doc.Findings {
		e := f.Evidence
		wanted = append(wanted, e.Crop, e.Context, e.Strip, e.Lifted, e.Profile)
	}
	if c := doc.View.Camera; c != nil && c.Sample != nil {
		wanted = append(wanted, c.Sample.Camera, c.Sample.Picture)
	}
	for _, name := range wanted {
		if name != "" && !there[path.Clean(name)] {
			return nil, fmt.Errorf("%s is missing", name)
		}
	}
	return names, nil
}

// read reads a file of a folder.
func read(folder fs.FS, name string) ([]byte, error) {
	f, err := folder.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, mostFile+1))
	if err != nil {
		return nil, err
	}
	if len(b) > mostFile {
		return nil, fmt.Errorf("it is larger than %d bytes", mostFile)
	}
	return b, nil
}

// marks tell documents of the same scan, and documents that say the same.
func marks(doc *report.Findings) (identity, content string, err error) {
	identity, err = sum(struct {
		Take, Source, Tool string
		Request            map[string]string
		Conditions         report.Conditions
	}{doc.Take.SHA256, sourceOf(doc).SHA256, doc.Tool.Version, doc.Request, doc.Conditions})
	if err != nil {
		return "", "", err
	}
	// When it was scanned, and where the files lay, is nothing that was found.
	bare := *doc
	bare.Created, bare.Take.Path = "", ""
	if a := doc.Alignment; a != nil {
		elsewhere := *a
		elsewhere.Path = ""
		bare.Alignment = &elsewhere
	}
	content, err = sum(bare)
	return identity, content, err
}

func sum(v any) (string, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return "", err
	}
	return hash(b), nil
}

func hash(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// insert stores the document in the tables that are searched.
func (l *Ledger) insert(doc *report.Findings, identity, content string, now time.Time) (int64, error) {
	settings := doc.Conditions.Settings
	set, err := l.set(settings[setSetting])
	if err != nil {
		return 0, err
	}
	firmware, err := l.firmware(set, settings[firmwareSetting])
	if err != nil {
		return 0, err
	}
	source, err := l.source(sourceOf(doc))
	if err != nil {
		return 0, err
	}
	take, err := l.take(doc.Take)
	if err != nil {
		return 0, err
	}
	err = l.exec("INSERT INTO scans (identity, content, take_id, set_id, firmware_id, source_id, tool, created, added) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
		identity, content, take, set, orNull(firmware), orNull(source), doc.Tool.Version, doc.Created, stamp(now))
	if err != nil {
		return 0, err
	}
	scan := l.conn.LastInsertRowID()
	for k, v := range settings {
		if err := l.exec("INSERT INTO settings (scan_id, name, value) VALUES (?, ?, ?)", scan, k, v); err != nil {
			return 0, err
		}
	}
	for _, f := range doc.Findings {
		var sourceS any
		if f.SourceS != nil {
			sourceS = *f.SourceS
		}
		err := l.exec(`INSERT INTO findings (scan_id, name, kind, start_s, end_s, peak_s, source_s, x, y, w, h, strength, unit, visibility_jnd, confidence, origin)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			scan, f.ID, string(f.Kind), f.StartS, f.EndS, f.PeakS, sourceS, f.Region.X, f.Region.Y, f.Region.W, f.Region.H,
			f.Strength.Value, f.Strength.Unit, f.VisibilityJND, f.Confidence, f.Origin.Verdict)
		if err != nil {
			return 0, err
		}
	}
	return scan, nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// keep stores a file. Text shrinks to a fraction; pictures are packed already.
func (l *Ledger) keep(scan int64, name string, b []byte) error {
	data, text := b, path.Ext(name) == ".json"
	if text {
		var err error
		if data, err = pack(b); err != nil {
			return err
		}
	}
	return l.exec("INSERT INTO files (scan_id, name, size, sha256, gzip, data) VALUES (?, ?, ?, ?, ?, ?)", scan, name, len(b), hash(b), text, data)
}

func pack(b []byte) ([]byte, error) {
	var packed bytes.Buffer
	w := gzip.NewWriter(&packed)
	_, err := w.Write(b)
	err = errors.Join(err, w.Close())
	return packed.Bytes(), err
}

// known looks for scans that are the same.
func (l *Ledger) known(identity, content string) (a Added, err error) {
	err = l.query("SELECT id, content FROM scans WHERE identity = ? ORDER BY id", func(r *sqlite.Stmt) error {
		if r.ColumnText(1) == content {
			a.Scan, a.Known = r.ColumnInt64(0), true
		} else {
			a.Unlike = append(a.Unlike, r.ColumnInt64(0))
		}
		return nil
	}, identity)
	return a, err
}

// others are the sets under which the take of a scan was stored before.
func (l *Ledger) others(scan int64) (sets []string, err error) {
	err = l.query(`SELECT DISTINCT sets.name FROM scans AS a JOIN scans AS b USING (take_id) JOIN sets ON sets.id = b.set_id
		WHERE a.id = ? AND b.set_id != a.set_id ORDER BY sets.name`, func(r *sqlite.Stmt) error {
		sets = append(sets, r.ColumnText(0))
		return nil
	}, scan)
	return sets, err
}

// The rows of these are made when they are first named.

func (l *Ledger) set(name string) (int64, error) {
	return l.id("INSERT INTO sets (name) VALUES (?) ON CONFLICT (name) DO UPDATE SET name = name RETURNING id", name)
}

func (l *Ledger) firmware(set int64, version string) (int64, error) {
	if version == "" {
		return 0, nil
	}
	return l.id("INSERT INTO firmware (set_id, version) VALUES (?, ?) ON CONFLICT (set_id, version) DO UPDATE SET version = version RETURNING id", set, version)
}

func (l *Ledger) take(t report.Take) (int64, error) {
	return l.id("INSERT INTO takes (sha256, name, duration_s) VALUES (?, ?, ?) ON CONFLICT (sha256) DO UPDATE SET name = name RETURNING id",
		t.SHA256, filepath.Base(t.Path), t.DurationS)
}

// Source is the clip that was played: its name, and the checksum where it was
// at hand.
type Source struct{ Name, SHA256 string }

// is reports whether two are the same clip.
func (s Source) is(other Source) bool {
	if s.SHA256 != "" || other.SHA256 != "" {
		return s.SHA256 == other.SHA256
	}
	return s.Name == other.Name
}

// sourceOf is the source that a document names.
func sourceOf(doc *report.Findings) Source {
	s := Source{Name: doc.Conditions.Settings[sourceSetting]}
	if a := doc.Alignment; a != nil {
		s.Name, s.SHA256 = cmp.Or(s.Name, filepath.Base(a.Path)), a.SHA256
	}
	return s
}

func (l *Ledger) source(s Source) (int64, error) {
	switch {
	case s.SHA256 != "":
		return l.id("INSERT INTO sources (name, sha256) VALUES (?, ?) ON CONFLICT (sha256) DO UPDATE SET name = name RETURNING id", s.Name, s.SHA256)
	case s.Name != "":
		return l.id("INSERT INTO sources (name) VALUES (?) ON CONFLICT (name) WHERE sha256 IS NULL DO UPDATE SET name = name RETURNING id", s.Name)
	}
	return 0, nil
}
