package ledger

import (
	"bytes"
	"context"
	"time"

	"zombiezen.com/go/sqlite"

	"setwitness/report/compare"
)

// Check is one time that scans were held against a baseline.
type Check struct {
	ID       int64    `json:"check"`
	Baseline Baseline `json:"baseline"`
	Made     string   `json:"made"`
	Tool     string   `json:"tool"`
	Scans    []int64  `json:"scans"`
	// Aligned says that the takes could be laid beside each other; where they could
	// not, that nothing regressed says nothing.
	Aligned   bool `json:"aligned"`
	Regressed bool `json:"regressed"`
	// Verdicts are counted.
	Verdicts map[compare.Verdict]int `json:"verdicts"`
}

// Record stores what came of holding scans against a baseline, and returns its
// number.
func (l *Ledger) Record(ctx context.Context, b Baseline, scans []int64, c *compare.Comparison, now time.Time) (int64, error) {
	var document bytes.Buffer
	if err := compare.Encode(&document, c); err != nil {
		return 0, err
	}
	packed, err := pack(document.Bytes())
	if err != nil {
		return 0, err
	}
	var id int64
	err = l.write(ctx, func() error {
		err := l.exec("INSERT INTO checks (baseline_id, made, tool, tolerance_jnd, aligned, regressed, document) VALUES (?, ?, ?, ?, ?, ?, ?)",
			b.ID, stamp(now), c.Tool.Version, c.ToleranceJND, c.Aligned, c.Regressed, packed)
		if err != nil {
			return err
		}
		id = l.conn.LastInsertRowID()
		for _, s := range scans {
			if err := l.exec("INSERT INTO check_scans (check_id, scan_id) VALUES (?, ?)", id, s); err != nil {
				return err
			}
		}
		for _, p := range c.Pairs {
			var source, ratio, low, high any
			if p.SourceS != nil {
				source = *p.SourceS
			}
			if r := p.Ratio; r != nil {
				ratio, low, high = r.Value, r.Low, r.High
			}
			err := l.exec(`INSERT INTO verdicts (check_id, name, kind, verdict, regressed, source_s, start_s, end_s, x, y, w, h, ratio, ratio_low, ratio_high)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
				id, p.ID, string(p.Kind), string(p.Verdict), p.Regressed, source, p.StartS, p.EndS, p.Region.X, p.Region.Y, p.Region.W, p.Region.H, ratio, low, high)
			if err != nil {
				return err
			}
		}
		return nil
	})
	return id, err
}

// Checks lists what was checked, the earliest first.
func (l *Ledger) Checks(ctx context.Context) ([]Check, error) {
	var all []Check
	err := l.read(ctx, func() error {
		var of []int64
		err := l.query("SELECT id, baseline_id, made, tool, aligned, regressed FROM checks ORDER BY id", func(r *sqlite.Stmt) error {
			all = append(all, Check{ID: r.ColumnInt64(0), Made: r.ColumnText(2), Tool: r.ColumnText(3), Aligned: r.ColumnBool(4), Regressed: r.ColumnBool(5), Verdicts: map[compare.Verdict]int{}})
			of = append(of, r.ColumnInt64(1))
			return nil
		})
		if err != nil {
			return err
		}
		for i := range all {
			c := &all[i]
			b, err := l.baselines("baselines.id = ?1", of[i])
			if err != nil {
				return err
			}
			c.Baseline = b[0]
			err = l.query("SELECT scan_id FROM check_scans WHERE check_id = ? ORDER BY scan_id", func(r *sqlite.Stmt) error {
				c.Scans = append(c.Scans, r.ColumnInt64(0))
				return nil
			}, c.ID)
			if err != nil {
				return err
			}
			err = l.query("SELECT verdict, count(*) FROM verdicts WHERE check_id = ? GROUP BY verdict", func(r *sqlite.Stmt) error {
				c.Verdicts[compare.Verdict(r.ColumnText(0))] = r.ColumnInt(1)
				return nil
			}, c.ID)
			if err != nil {
				return err
			}
		}
		return nil
	})
	return all, err
}
