//go:build unix

package sqlite

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// lockHandle uses flock and not fcntl: it belongs to the open file, so that
// two ledgers in one process also exclude each other.
func lockHandle(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errHeld
	}
	return err
}

// syncDir makes a new name in dir survive a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
