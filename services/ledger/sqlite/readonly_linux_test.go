package sqlite

import (
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestOpenReadOnly_medium reads a ledger where nothing can be created beside
// it, as on a read-only medium. Root may create files anywhere, so the thread
// gives up root's rights to files for the while.
func TestOpenReadOnly_medium(t *testing.T) {
	dir, err := os.MkdirTemp("", "medium")
	require.NoError(t, err)
	defer os.RemoveAll(dir)
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/a", "x")
	require.NoError(t, s.Close())
	path := filepath.Join(dir, dataFile)
	require.NoError(t, os.Chmod(path, 0o444))

	read := func() (int, error) {
		require.NoError(t, os.Chmod(dir, 0o555))
		defer os.Chmod(dir, 0o700)
		if os.Getuid() == 0 {
			const nobody = 65534
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			require.NoError(t, syscall.Setfsuid(nobody))
			defer syscall.Setfsuid(0)
		}
		_, err := os.Create(filepath.Join(dir, "side-file"))
		require.ErrorIs(t, err, os.ErrPermission)
		medium, err := OpenReadOnly(t.Context(), path, Options{Readers: 1})
		if err != nil {
			return 0, err
		}
		defer medium.Close()
		return len(requireSound(t, medium).Problems), nil
	}
	_, err = read()
	require.NoError(t, err)

	require.NoError(t, os.WriteFile(path+"-wal", []byte("not yet folded in"), 0o444))
	_, err = read()
	require.Error(t, err, "with a log beside it the file may not be the whole ledger")
}
