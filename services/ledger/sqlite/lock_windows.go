package sqlite

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

func lockHandle(f *os.File) error {
	const flags = windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY
	err := windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &windows.Overlapped{})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errHeld
	}
	return err
}

// syncDir does nothing: Windows has no such call, and NTFS journals names.
func syncDir(string) error { return nil }
