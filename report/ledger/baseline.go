package ledger

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"zombiezen.com/go/sqlite"
)

// DefaultBaseline is the name of a baseline that is given none.
const DefaultBaseline = "baseline"

// Baseline is what later scans of a set and a source clip are held against. Its
// scans are passes of the same thing.
type Baseline struct {
	ID     int64   `json:"-"`
	Name   string  `json:"name"`
	Set    string  `json:"set"`
	Source string  `json:"source,omitempty"`
	Made   string  `json:"made"`
	Scans  []int64 `json:"scans"`

	of Source
}

// SetBaseline makes scans the baseline of that name for their set and source,
// which they must have in common. The one that it replaces, if any, is
// returned with it.
func (l *Ledger) SetBaseline(ctx context.Context, name string, scans []int64, now time.Time) (made Baseline, replaced *Baseline, err error) {
	err = l.write(ctx, func() error {
		set, source, err := l.common(scans)
		if err != nil {
			return err
		}
		was, err := l.baselines("replaced IS NULL AND set_id = ?1 AND source_id IS ?2 AND baselines.name = ?3", set, orNull(source), name)
		if err != nil {
			return err
		}
		if len(was) > 0 {
			replaced = &was[0]
			if err := l.exec("UPDATE baselines SET replaced = ? WHERE id = ?", stamp(now), replaced.ID); err != nil {
				return err
			}
		}
		if err := l.exec("INSERT INTO baselines (name, set_id, source_id, made) VALUES (?, ?, ?, ?)", name, set, orNull(source), stamp(now)); err != nil {
			return err
		}
		id := l.conn.LastInsertRowID()
		for _, s := range scans {
			if err := l.exec("INSERT INTO baseline_scans (baseline_id, scan_id) VALUES (?, ?)", id, s); err != nil {
				return err
			}
		}
		all, err := l.baselines("baselines.id = ?1", id)
		if err == nil {
			made = all[0]
		}
		return err
	})
	if err != nil {
		return Baseline{}, nil, err
	}
	return made, replaced, nil
}

// common is the set and the source of scans.
func (l *Ledger) common(scans []int64) (set, source int64, err error) {
	if len(scans) == 0 {
		return 0, 0, &Fault{l.path, "a baseline needs a scan", nil}
	}
	for i, id := range scans {
		if slices.Contains(scans[:i], id) {
			return 0, 0, &Fault{l.path, fmt.Sprintf("scan %d is named twice", id), nil}
		}
		found := false
		err := l.query("SELECT set_id, ifnull(source_id, 0) FROM scans WHERE id = ?", func(r *sqlite.Stmt) error {
			a, b := r.ColumnInt64(0), r.ColumnInt64(1)
			found = true
			switch {
			case i == 0:
				set, source = a, b
			case a != set:
				return &Fault{l.path, fmt.Sprintf("scans %d and %d are of different sets", scans[0], id), nil}
			case b != source:
				return &Fault{l.path, fmt.Sprintf("scans %d and %d are of different source clips", scans[0], id), nil}
			}
			return nil
		}, id)
		if err != nil {
			return 0, 0, err
		}
		if !found {
			return 0, 0, &Fault{l.path, fmt.Sprintf("has no scan %d", id), nil}
		}
	}
	return set, source, nil
}

// Baselines lists those in force.
func (l *Ledger) Baselines(ctx context.Context) ([]Baseline, error) {
	var all []Baseline
	err := l.read(ctx, func() (err error) {
		all, err = l.baselines("replaced IS NULL")
		return err
	})
	return all, err
}

// BaselineOf returns the baseline of that name in force for the set and the
// source of the scan whose folder is dir, with what is stated beside it, as in
// Add. Nothing is stored.
func (l *Ledger) BaselineOf(ctx context.Context, dir string, stated map[string]string, name string) (Baseline, error) {
	doc, err := document(dir, stated)
	if err != nil {
		return Baseline{}, err
	}
	set, source := doc.Conditions.Settings[setSetting], sourceOf(doc)
	var b Baseline
	err = l.read(ctx, func() error {
		others, err := l.baselines("replaced IS NULL AND sets.name = ?1", set)
		if err != nil {
			return err
		}
		var has []string
		for _, o := range others {
			if o.Name == name && o.of.is(source) {
				b = o
				return nil
			}
			has = append(has, o.words())
		}
		reason := fmt.Sprintf("has no baseline %q for set %q", name, set)
		if source.Name != "" {
			reason += fmt.Sprintf(" and source clip %q", source.Name)
		}
		if len(has) > 0 {
			reason += " (of that set it has " + strings.Join(has, "; ") + ")"
		}
		return &Fault{l.path, reason, nil}
	})
	return b, err
}

func (b Baseline) words() string {
	if b.Source == "" {
		return fmt.Sprintf("%q without a source clip", b.Name)
	}
	return fmt.Sprintf("%q for source clip %q", b.Name, b.Source)
}

func (l *Ledger) baselines(where string, args ...any) ([]Baseline, error) {
	var all []Baseline
	err := l.query(`SELECT baselines.id, baselines.name, sets.name, ifnull(sources.name, ''), made, ifnull(sources.sha256, '')
		FROM baselines JOIN sets ON sets.id = set_id LEFT JOIN sources ON sources.id = source_id
		WHERE `+where+` ORDER BY baselines.id`, func(r *sqlite.Stmt) error {
		all = append(all, Baseline{
			ID: r.ColumnInt64(0), Name: r.ColumnText(1), Set: r.ColumnText(2), Source: r.ColumnText(3), Made: r.ColumnText(4),
			of: Source{r.ColumnText(3), r.ColumnText(5)},
		})
		return nil
	}, args...)
	if err != nil {
		return nil, err
	}
	for i := range all {
		b := &all[i]
		err := l.query("SELECT scan_id FROM baseline_scans WHERE baseline_id = ? ORDER BY scan_id", func(r *sqlite.Stmt) error {
			b.Scans = append(b.Scans, r.ColumnInt64(0))
			return nil
		}, b.ID)
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}
