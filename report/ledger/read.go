package ledger

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"zombiezen.com/go/sqlite"

	"setwitness/detect"
	"setwitness/report"
)

// Scan is one row of the list of scans.
type Scan struct {
	ID       int64             `json:"scan"`
	Set      string            `json:"set"`
	Firmware string            `json:"firmware,omitempty"`
	Source   string            `json:"source,omitempty"`
	Take     string            `json:"take"`
	SHA256   string            `json:"sha256"`
	Tool     string            `json:"tool"`
	Created  string            `json:"created,omitempty"`
	Added    string            `json:"added"`
	Settings map[string]string `json:"settings"` // with set, firmware and source
	// Findings are counted by kind.
	Findings map[detect.Kind]int `json:"findings"`
	// Baselines are the names of those in force that the scan belongs to.
	Baselines []string `json:"baselines,omitempty"`
}

// Scans lists what is stored, the earliest first: all, or what was of a set.
func (l *Ledger) Scans(ctx context.Context, set string) ([]Scan, error) {
	var scans []Scan
	err := l.read(ctx, func() (err error) {
		scans, err = l.scans("?1 = '' OR sets.name = ?1", set)
		return err
	})
	return scans, err
}

// Scan returns one scan.
func (l *Ledger) Scan(ctx context.Context, id int64) (Scan, error) {
	var s Scan
	err := l.read(ctx, func() (err error) {
		s, err = l.scan(id)
		return err
	})
	return s, err
}

func (l *Ledger) scan(id int64) (Scan, error) {
	found, err := l.scans("scans.id = ?1", id)
	if err != nil {
		return Scan{}, err
	}
	if len(found) == 0 {
		return Scan{}, &Fault{l.path, fmt.Sprintf("has no scan %d", id), nil}
	}
	return found[0], nil
}

func (l *Ledger) scans(where string, arg any) ([]Scan, error) {
	var scans []Scan
	err := l.query(`SELECT scans.id, sets.name, ifnull(firmware.version, ''), ifnull(sources.name, ''), takes.name, takes.sha256, scans.tool, scans.created, scans.added
		FROM scans JOIN sets ON sets.id = scans.set_id JOIN takes ON takes.id = scans.take_id
		LEFT JOIN firmware ON firmware.id = scans.firmware_id LEFT JOIN sources ON sources.id = scans.source_id
		WHERE `+where+` ORDER BY scans.id`, func(r *sqlite.Stmt) error {
		scans = append(scans, Scan{
			ID: r.ColumnInt64(0), Set: r.ColumnText(1), Firmware: r.ColumnText(2), Source: r.ColumnText(3), Take: r.ColumnText(4),
			SHA256: r.ColumnText(5), Tool: r.ColumnText(6), Created: r.ColumnText(7), Added: r.ColumnText(8),
			Settings: map[string]string{}, Findings: map[detect.Kind]int{},
		})
		return nil
	}, arg)
	if err != nil {
		return nil, err
	}
	for i := range scans {
		s := &scans[i]
		err := errors.Join(
			l.query("SELECT name, value FROM settings WHERE scan_id = ?", func(r *sqlite.Stmt) error {
				s.Settings[r.ColumnText(0)] = r.ColumnText(1)
				return nil
			}, s.ID),
			l.query("SELECT kind, count(*) FROM findings WHERE scan_id = ? GROUP BY kind", func(r *sqlite.Stmt) error {
				s.Findings[detect.Kind(r.ColumnText(0))] = r.ColumnInt(1)
				return nil
			}, s.ID),
			l.query(`SELECT baselines.name FROM baselines JOIN baseline_scans ON baseline_scans.baseline_id = baselines.id
				WHERE replaced IS NULL AND scan_id = ? ORDER BY baselines.id`, func(r *sqlite.Stmt) error {
				s.Baselines = append(s.Baselines, r.ColumnText(0))
				return nil
			}, s.ID),
		)
		if err != nil {
			return nil, err
		}
	}
	return scans, nil
}

// Document returns the findings document of a scan.
func (l *Ledger) Document(ctx context.Context, id int64) (*report.Findings, error) {
	var doc *report.Findings
	err := l.read(ctx, func() error {
		if _, err := l.scan(id); err != nil {
			return err
		}
		return l.files(id, documentName, func(_ string, b []byte) (err error) {
			doc, err = report.Decode(bytes.NewReader(b))
			return err
		})
	})
	return doc, err
}

// Restore writes the folder of a scan again, without its page, into dir, which
// is there and empty.
func (l *Ledger) Restore(ctx context.Context, id int64, dir string) error {
	return l.read(ctx, func() error { return l.restore(id, dir) })
}

func (l *Ledger) restore(id int64, dir string) error {
	if _, err := l.scan(id); err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return &Fault{dir, "cannot be written", bare(err)}
	}
	defer root.Close()
	return l.files(id, "", func(name string, b []byte) error {
		name = filepath.FromSlash(name)
		err := root.MkdirAll(filepath.Dir(name), 0o755)
		if err == nil {
			err = root.WriteFile(name, b, 0o644)
		}
		if err != nil {
			return &Fault{dir, "cannot be written", bare(err)}
		}
		return nil
	})
}

// files calls fn with each file of a scan, or with the one of that name, and
// makes sure that it is what was stored.
func (l *Ledger) files(scan int64, name string, fn func(name string, b []byte) error) error {
	return l.query("SELECT name, size, sha256, gzip, data FROM files WHERE scan_id = ?1 AND (?2 = '' OR name = ?2) ORDER BY id", func(r *sqlite.Stmt) error {
		name, size, data := r.ColumnText(0), r.ColumnInt64(1), io.Reader(r.ColumnReader(4))
		damaged := &Fault{l.path, fmt.Sprintf("%s of scan %d is not what was stored", name, scan), nil}
		if r.ColumnBool(3) {
			unpacked, err := gzip.NewReader(data)
			if err != nil {
				return damaged
			}
			data = unpacked
		}
		var b bytes.Buffer
		if _, err := io.Copy(&b, io.LimitReader(data, size+1)); err != nil || hash(b.Bytes()) != r.ColumnText(2) {
			return damaged
		}
		return fn(name, b.Bytes())
	}, scan, name)
}
