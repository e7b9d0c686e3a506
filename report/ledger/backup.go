package ledger

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Backup copies the ledger as it is at one moment to the file path, while
// others may go on writing. The copy is one file, complete and looked through
// before it gets its name; it takes the place of an earlier backup there, and
// of nothing else.
func (l *Ledger) Backup(ctx context.Context, path string) (err error) {
	here, err := os.Stat(l.path)
	if err != nil {
		return &Fault{l.path, "cannot be read", bare(err)}
	}
	switch there, err := os.Stat(path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return &Fault{path, "the backup cannot be written", bare(err)}
	case os.SameFile(here, there):
		return &Fault{path, "is the ledger itself, and no place for its backup", nil}
	default:
		old, err := Open(ctx, path)
		if err != nil {
			return fmt.Errorf("it is not replaced by a backup: %w", err)
		}
		if err := old.Close(); err != nil {
			return err
		}
	}
	stage, err := os.MkdirTemp(filepath.Dir(path), ".setwitness-")
	if err != nil {
		return &Fault{path, "the backup cannot be written", bare(err)}
	}
	defer os.RemoveAll(stage)
	copied := filepath.Join(stage, filepath.Base(path))
	if err := l.during(ctx, func() error { return l.exec("VACUUM INTO ?", copied) }); err != nil {
		return about(path, err)
	}
	if err := single(ctx, copied); err != nil {
		return about(path, err)
	}
	if err := flush(copied); err != nil {
		return &Fault{path, "the backup cannot be written", bare(err)}
	}
	if err := os.Rename(copied, path); err != nil {
		return &Fault{path, "the backup cannot be written", errors.Unwrap(err)}
	}
	if err := flush(filepath.Dir(path)); err != nil {
		return &Fault{path, "the backup cannot be written", bare(err)}
	}
	return nil
}

// single looks through a copy and makes it a file that needs no others beside
// it, so that it can be read where nothing can be written.
func single(ctx context.Context, path string) error {
	copied, err := Open(ctx, path)
	if err != nil {
		return err
	}
	err = copied.Verify(ctx)
	if err == nil {
		err = copied.wait(ctx, func() error { return copied.pragma("journal_mode = delete") })
	}
	return errors.Join(err, copied.Close())
}

// about says of a fault in a copy under its temporary name what it is a copy
// for.
func about(path string, err error) error {
	if f := (*Fault)(nil); errors.As(err, &f) {
		return &Fault{path, "the backup cannot be written", errors.New(f.Reason)}
	}
	return err
}

// flush makes sure that a file or folder is on the disk.
func flush(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	err = f.Sync()
	return errors.Join(err, f.Close())
}
