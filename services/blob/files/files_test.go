package files_test

import (
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/blob"
	"fairlead/services/blob/blobtest"
	"fairlead/services/blob/files"
)

func TestStore(t *testing.T) {
	t.Parallel()
	blobtest.Run(t, func(t *testing.T, clock func() time.Time) blob.Store {
		s, err := files.Open(filepath.Join(t.TempDir(), "files"), clock)
		require.NoError(t, err)
		return s
	})
}

// TestLayout holds the folder to what an operator is told about it.
func TestLayout(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "files")
	s, err := files.Open(dir, nil)
	require.NoError(t, err)
	ref, err := s.Put(t.Context(), strings.NewReader("a photo"))
	require.NoError(t, err)
	at, err := os.Stat(filepath.Join(dir, ref.SHA256[:2], ref.SHA256[2:]))
	require.NoError(t, err)
	if runtime.GOOS != "windows" {
		require.Equal(t, fs.FileMode(0o600), at.Mode().Perm(), "nobody else reads it")
	}
	// Files of others are left alone and not taken for ours.
	require.NoError(t, os.WriteFile(filepath.Join(dir, ref.SHA256[:2], "notes.txt"), nil, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "README"), nil, 0o600))
	require.NoError(t, s.Walk(t.Context(), func(e blob.Entry) error {
		require.Equal(t, ref, e.Ref)
		return nil
	}))
}

// TestTidy leaves what a killed Put would leave, and what is being put now.
func TestTidy(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := files.Open(dir, nil)
	require.NoError(t, err)
	old, young := filepath.Join(dir, "part-1"), filepath.Join(dir, "part-2")
	for _, f := range []string{old, young} {
		require.NoError(t, os.WriteFile(f, []byte("half a photo"), 0o600))
	}
	day := time.Now().Add(-24 * time.Hour)
	require.NoError(t, os.Chtimes(old, day.Add(-time.Hour), day.Add(-time.Hour)))
	ref, err := s.Put(t.Context(), strings.NewReader("whole"))
	require.NoError(t, err)
	n, err := s.Tidy(t.Context(), day)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	require.NoFileExists(t, old)
	require.FileExists(t, young)
	require.NoError(t, blob.Check(t.Context(), s, ref))
}

// TestSpoilt finds a file that a disk has changed, and heals it when the same
// bytes are put again.
func TestSpoilt(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := files.Open(dir, nil)
	require.NoError(t, err)
	ref, err := s.Put(t.Context(), strings.NewReader("a photo"))
	require.NoError(t, err)
	file := filepath.Join(dir, ref.SHA256[:2], ref.SHA256[2:])
	require.NoError(t, os.WriteFile(file, []byte("a phot0"), 0o600))
	require.ErrorIs(t, blob.Check(t.Context(), s, ref), blob.ErrSpoilt)
	_, err = s.Put(t.Context(), strings.NewReader("a photo"))
	require.NoError(t, err)
	require.NoError(t, blob.Check(t.Context(), s, ref))

	require.NoError(t, os.WriteFile(file, []byte("a pho"), 0o600))
	require.ErrorIs(t, blob.Check(t.Context(), s, ref), blob.ErrSpoilt)
}

// TestNothingLeft wants no file at all after a Put that its sender broke off.
func TestNothingLeft(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := files.Open(dir, nil)
	require.NoError(t, err)
	r, w := io.Pipe()
	go func() {
		_, _ = w.Write(make([]byte, 1<<16)) // it fails only when the reader is gone
		_ = w.CloseWithError(io.ErrUnexpectedEOF)
	}()
	_, err = s.Put(t.Context(), r)
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
}
