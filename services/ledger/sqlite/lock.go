package sqlite

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"fairlead/services/ledger"
)

const lockFile = "ledger.lock"

// errHeld is what the platform's lockFile code returns for "someone else".
var errHeld = errors.New("held by another process")

// lock takes the data folder for writing. The operating system lets go of it
// when the process ends, however it ends, so a crash leaves nothing to clear.
func lock(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("ledger: open lock: %w", err)
	}
	if err := lockHandle(f); err != nil {
		f.Close()
		if errors.Is(err, errHeld) {
			return nil, fmt.Errorf("ledger: %s: %w: stop it first, or open for reading only", dir, ledger.ErrLocked)
		}
		return nil, fmt.Errorf("ledger: lock %s: %w", path, err)
	}
	return f, nil
}

// Hold takes a data folder whose ledger is elsewhere, as Open takes one with a
// ledger in it: what is in the folder belongs to one process at a time. Closing
// lets go of it.
func Hold(dir string) (io.Closer, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("ledger: make data folder: %w", err)
	}
	if err := absent(filepath.Join(dir, dataFile)); err != nil {
		return nil, fmt.Errorf("ledger: the folder has a ledger of its own, which would not be used: move it into the database or choose another folder: %w", err)
	}
	return lock(dir)
}
