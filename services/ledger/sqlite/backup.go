package sqlite

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"fairlead/services/ledger"
)

// Backup writes a complete, compact copy of the ledger to a new file while the
// ledger goes on working, and returns the head it holds. The file appears under
// its name only when it is whole and on disk. An existing file is never
// overwritten. The copy holds everything the ledger does: keep it as safe.
func (s *Store) Backup(ctx context.Context, dest string) (ledger.Head, error) {
	what := "back up to " + dest
	if err := absent(dest); err != nil {
		return ledger.Head{}, fmt.Errorf("ledger: %s: %w", what, err)
	}
	part, err := partFile(dest)
	if err != nil {
		return ledger.Head{}, fmt.Errorf("ledger: %s: %w", what, err)
	}
	defer os.Remove(part)
	if _, err := s.Readers().ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return ledger.Head{}, fmt.Errorf("ledger: %s: %w", what, tell(err))
	}
	head, err := headOf(ctx, part)
	if err != nil {
		return ledger.Head{}, fmt.Errorf("ledger: %s: %w", what, err)
	}
	if err := publish(part, dest); err != nil {
		return ledger.Head{}, fmt.Errorf("ledger: %s: %w", what, err)
	}
	return head, nil
}

// errUnsound is told by Restore for a file in which the check found problems.
var errUnsound = errors.New("the check found problems in it")

// Restore puts a backup into a data folder that holds no ledger yet. It checks
// the backup in full first and refuses one with problems, which the report
// lists. It never replaces a ledger: move the old folder away to do that.
func Restore(ctx context.Context, backup, dir string) (ledger.Report, error) {
	what := "restore " + backup
	from, err := OpenReadOnly(ctx, backup, Options{})
	if err != nil {
		return ledger.Report{}, fmt.Errorf("ledger: %s: %w", what, err)
	}
	defer from.Close()
	report, err := from.Verify(ctx)
	if err != nil {
		return report, fmt.Errorf("ledger: %s: %w", what, err)
	}
	if n := len(report.Problems); n > 0 {
		return report, fmt.Errorf("ledger: %s: %w: %d, the first: %s", what, errUnsound, n, report.Problems[0].What)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return report, fmt.Errorf("ledger: %s: %w", what, err)
	}
	held, err := lock(dir)
	if err != nil {
		return report, err
	}
	defer held.Close()
	dest := filepath.Join(dir, dataFile)
	// The side files count: SQLite would apply a log left by another ledger.
	for _, suffix := range []string{"-wal", "-shm", "-journal"} {
		if err := absent(dest + suffix); err != nil {
			return report, fmt.Errorf("ledger: %s: %w", what, err)
		}
	}
	// Copied by SQLite and not byte by byte: if backup is in truth someone's
	// live ledger, half of it may still be in its write-ahead log.
	if _, err := from.Backup(ctx, dest); err != nil {
		return report, fmt.Errorf("ledger: %s: %w", what, err)
	}
	return report, nil
}

func headOf(ctx context.Context, path string) (ledger.Head, error) {
	s, err := OpenReadOnly(ctx, path, Options{Readers: 1})
	if err != nil {
		return ledger.Head{}, err
	}
	defer s.Close()
	return s.Head(ctx)
}

func absent(path string) error {
	_, err := os.Lstat(path)
	switch {
	case err == nil:
		return fmt.Errorf("%s is there already: choose another name or move it away", path)
	case errors.Is(err, os.ErrNotExist):
		return nil
	}
	return err
}

// partFile makes an empty file beside dest that only its owner can read.
func partFile(dest string) (string, error) {
	f, err := os.CreateTemp(filepath.Dir(dest), "."+filepath.Base(dest)+".part-*")
	if err != nil {
		return "", err
	}
	return f.Name(), f.Close()
}

// publish makes a finished file durable and gives it its name.
func publish(part, dest string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	// Link and not rename where it can be done: it never replaces a file
	// that appeared meanwhile.
	if err := os.Link(part, dest); errors.Is(err, os.ErrExist) {
		return absent(dest)
	} else if err != nil {
		if err := os.Rename(part, dest); err != nil {
			return err
		}
	}
	return syncDir(filepath.Dir(dest))
}
