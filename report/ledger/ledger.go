// Package ledger keeps scans for good: which take of which set and firmware
// was scanned, what was found, and which scan is the baseline that later ones
// are held against.
//
// In: folders that scans wrote. Out: lists of them, the folders again, and
// backups. The store is one SQLite file, which programs may read while another
// one writes. What Add or another writing call returned without an error
// survives the death of the program and of the machine.
package ledger

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitemigration"
	"zombiezen.com/go/sqlite/sqlitex"
)

// appID marks a file as a ledger, in the place that SQLite has for that. The
// bytes are the letters SWIT.
const appID = 0x53574954

// patience is how long a call waits for other programs that write. Each of them
// is done within a second or so.
const patience = time.Minute

// pause is how long a call waits before it tries again what SQLite does not wait
// for: the other is done with it in some thousandths of a second.
const pause = 5 * time.Millisecond

//go:embed migrations/*.sql
var migrations embed.FS

// schema lists the migrations in the order of their numbers. The number of them
// is the version of the schema.
func schema() (sqlitemigration.Schema, error) {
	s := sqlitemigration.Schema{AppID: appID}
	names, err := fs.Glob(migrations, "migrations/*.sql") // sorted
	if err != nil {
		return s, err
	}
	for _, name := range names {
		b, err := migrations.ReadFile(name)
		if err != nil {
			return s, err
		}
		s.Migrations = append(s.Migrations, string(b))
	}
	return s, nil
}

// Ledger is an open store. It is for one goroutine at a time; several may open
// the same file.
type Ledger struct {
	conn *sqlite.Conn
	path string
}

// Open opens the ledger at path, and brings one of an earlier version of the
// program up to date.
func Open(ctx context.Context, path string) (*Ledger, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, &Fault{path, "there is no ledger yet (ledger add makes one)", fs.ErrNotExist}
	}
	return open(ctx, path, sqlite.OpenReadWrite)
}

// Create opens the ledger at path, and makes one with its folder if there is
// none.
func Create(ctx context.Context, path string) (*Ledger, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, &Fault{path, "the ledger cannot be made", bare(err)}
	}
	return open(ctx, path, sqlite.OpenReadWrite|sqlite.OpenCreate)
}

func open(ctx context.Context, path string, flags sqlite.OpenFlags) (*Ledger, error) {
	// SQLite has meanings of its own for some names; an absolute path has none.
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if info, err := os.Stat(absolute); err == nil && !info.Mode().IsRegular() {
		return nil, &Fault{path, "is no file that could be a ledger", nil}
	}
	conn, err := sqlite.OpenConn(absolute, flags)
	if err != nil {
		return nil, fault(path, err)
	}
	l := &Ledger{conn, path}
	if err := l.wait(ctx, func() error { return l.prepare(ctx) }); err != nil {
		conn.Close()
		return nil, err
	}
	return l, nil
}

// prepare makes sure that the file is a ledger before anything is written to
// it, and brings its schema up to date.
func (l *Ledger) prepare(ctx context.Context) error {
	s, err := schema()
	if err != nil {
		return err
	}
	app, version, empty, err := l.head()
	switch {
	case err != nil:
		return err
	case app == 0 && empty:
		// Made this moment, or by a program that died at once.
	case app != appID:
		return &Fault{l.path, "is an SQLite file, but no ledger", nil}
	case version > len(s.Migrations):
		return &Fault{l.path, fmt.Sprintf("is a ledger of schema %d, and this program knows only schemas up to %d: use a newer one", version, len(s.Migrations)), nil}
	}
	// Every commit is on the disk before it is acknowledged.
	if err := errors.Join(l.pragma("foreign_keys = on"), l.pragma("synchronous = full")); err != nil {
		return err
	}
	if version == len(s.Migrations) {
		return nil
	}
	if err := l.shared(); err != nil {
		return err
	}
	return sqlitemigration.Migrate(ctx, l.conn, s)
}

// head reads what a file says of itself.
func (l *Ledger) head() (app, version int, empty bool, err error) {
	err = l.query("SELECT (SELECT application_id FROM pragma_application_id), (SELECT user_version FROM pragma_user_version), NOT EXISTS (SELECT 1 FROM sqlite_schema)",
		func(r *sqlite.Stmt) error {
			app, version, empty = r.ColumnInt(0), r.ColumnInt(1), r.ColumnBool(2)
			return nil
		})
	return app, version, empty, err
}

// Close closes the store.
func (l *Ledger) Close() error {
	if err := l.conn.Close(); err != nil {
		return fault(l.path, err)
	}
	return nil
}

// Verify looks through the whole file for damage.
func (l *Ledger) Verify(ctx context.Context) error {
	return l.during(ctx, func() error {
		var first string
		err := l.query("PRAGMA integrity_check(1)", func(r *sqlite.Stmt) error {
			first = r.ColumnText(0)
			return nil
		})
		if err != nil {
			return err
		}
		if first != "ok" {
			return &Fault{l.path, "is damaged (" + first + ")", nil}
		}
		return l.query("PRAGMA foreign_key_check", func(r *sqlite.Stmt) error {
			return &Fault{l.path, "is damaged (table " + r.ColumnText(0) + " refers to what is not there)", nil}
		})
	})
}

// shared lets readers go on while one writes. The file keeps this mode.
func (l *Ledger) shared() error { return l.pragma("journal_mode = wal") }

// during runs do, which ctx breaks off, and says of its error what a user can
// make of it.
func (l *Ledger) during(ctx context.Context, do func() error) error {
	old := l.conn.SetInterrupt(ctx.Done())
	err := do()
	l.conn.SetInterrupt(old)
	if err != nil && ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return fault(l.path, err)
}

// wait is during for what is short but for waiting for another program, and can be
// tried again: SQLite itself waits for most locks, but not where the way that a file
// is shared changes (https://sqlite.org/wal.html, "Sometimes Queries Return SQLITE_BUSY
// In WAL Mode").
func (l *Ledger) wait(ctx context.Context, do func() error) error {
	tired := &Fault{l.path, fmt.Sprintf("another program has been writing to it for %.0f s", patience.Seconds()), nil}
	ctx, cancel := context.WithTimeoutCause(ctx, patience, tired)
	defer cancel()
	return l.during(ctx, func() error {
		for {
			err := do()
			if sqlite.ErrCode(err).ToPrimary() != sqlite.ResultBusy {
				return err
			}
			select {
			case <-ctx.Done():
				return err
			case <-time.After(pause):
			}
		}
	})
}

// write runs change in a transaction of its own.
func (l *Ledger) write(ctx context.Context, change func() error) error {
	return l.during(ctx, func() (err error) {
		var end func(*error)
		err = l.wait(ctx, func() (err error) {
			if err := l.shared(); err != nil {
				return err
			}
			end, err = sqlitex.ImmediateTransaction(l.conn)
			return err
		})
		if err != nil {
			return err
		}
		defer end(&err)
		return change()
	})
}

// read runs look on one state of the store, whatever others write.
func (l *Ledger) read(ctx context.Context, look func() error) error {
	return l.during(ctx, func() (err error) {
		end := sqlitex.Transaction(l.conn)
		defer end(&err)
		return look()
	})
}

func (l *Ledger) exec(query string, args ...any) error {
	return sqlitex.Execute(l.conn, query, &sqlitex.ExecOptions{Args: args})
}

// pragma sets what belongs to the connection or the file. Some take effect when
// they are compiled, so that none is kept compiled.
func (l *Ledger) pragma(set string) error {
	return sqlitex.ExecuteTransient(l.conn, "PRAGMA "+set, nil)
}

func (l *Ledger) query(query string, row func(*sqlite.Stmt) error, args ...any) error {
	return sqlitex.Execute(l.conn, query, &sqlitex.ExecOptions{Args: args, ResultFunc: row})
}

// id is the number in the first column of the first row, or 0.
func (l *Ledger) id(query string, args ...any) (id int64, err error) {
	err = l.query(query, func(r *sqlite.Stmt) error {
		id = r.ColumnInt64(0)
		return nil
	}, args...)
	return id, err
}

// orNull is a reference to a row, which 0 is none of.
func orNull(id int64) any {
	if id == 0 {
		return nil
	}
	return id
}

// Fault is an error that whoever uses a ledger can mend: a file that is none,
// a full disk, a scan that cannot be stored.
type Fault struct {
	Path   string
	Reason string
	Err    error // or nil
}

func (f *Fault) Error() string {
	if f.Err != nil {
		return fmt.Sprintf("%s: %s: %v", f.Path, f.Reason, f.Err)
	}
	return f.Path + ": " + f.Reason
}

func (f *Fault) Unwrap() error { return f.Err }

// fault says what an error of SQLite means to a user. Those that only a mistake
// in this package can cause stay as they are.
func fault(path string, err error) error {
	if err == nil || errors.As(err, new(*Fault)) || errors.Is(err, context.Canceled) {
		return err
	}
	switch sqlite.ErrCode(err).ToPrimary() {
	case sqlite.ResultNotADB:
		return &Fault{path, "is no ledger (not an SQLite file)", nil}
	case sqlite.ResultCorrupt:
		return &Fault{path, "is damaged; a backup has what was in it", err}
	case sqlite.ResultFull:
		return &Fault{path, "cannot be written: no space left", nil}
	case sqlite.ResultReadOnly, sqlite.ResultPerm, sqlite.ResultAuth:
		return &Fault{path, "cannot be written", reason(path, err)}
	case sqlite.ResultCantOpen:
		return &Fault{path, "cannot be opened", reason(path, err)}
	case sqlite.ResultIOErr:
		return &Fault{path, "cannot be read or written", err}
	case sqlite.ResultBusy:
		return &Fault{path, "is in use by another program", nil}
	}
	return fmt.Errorf("%s: %w", path, err)
}

// reason is what the system says when the file is opened, in place of what
// SQLite makes of it.
func reason(path string, err error) error {
	f, system := os.OpenFile(path, os.O_RDWR, 0)
	if system != nil {
		return bare(system)
	}
	f.Close()
	return err
}

// bare leaves out of an error the path, which is told already.
func bare(err error) error {
	if p := (*fs.PathError)(nil); errors.As(err, &p) {
		return p.Err
	}
	return err
}
