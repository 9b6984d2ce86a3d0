package sqlite

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

func TestBackup_whileWriting(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := openStore(t, dir, Options{})
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				r := ledger.Request{Actor: "people/ann", ID: fmt.Sprintf("%d-%d", w, i)}
				if _, err := s.Write(ctx, r, put(fmt.Sprintf("reports/%d-%d", w, i), "x")); err != nil && !errors.Is(err, context.Canceled) {
					t.Error(err)
				}
			}
		})
	}
	var heads []ledger.Head
	for i := range 3 {
		require.NoError(t, s.Wait(t.Context(), int64(20*(i+1))))
		head, err := s.Backup(t.Context(), filepath.Join(out, fmt.Sprintf("copy-%d", i)))
		require.NoError(t, err)
		heads = append(heads, head)
	}
	stop()
	wg.Wait()
	all, err := s.Changes(t.Context(), 0, ledger.MaxList)
	require.NoError(t, err)
	for i, head := range heads {
		path := filepath.Join(out, fmt.Sprintf("copy-%d", i))
		restored := filepath.Join(t.TempDir(), "new", "data")
		report, err := Restore(t.Context(), path, restored)
		require.NoError(t, err)
		require.Equal(t, head.Seq, report.Changes)
		back := openStore(t, restored, Options{})
		got, err := back.Changes(t.Context(), 0, ledger.MaxList)
		require.NoError(t, err)
		require.Empty(t, cmp.Diff(all[:head.Seq], got))
		require.Equal(t, head.Seq+1, mustWrite(t, back, "reports/after", "x").Seq)
		requireSound(t, back)
		replay, err := back.Write(t.Context(), ledger.Request{Actor: "people/ann", ID: "0-0"}, put("reports/never", "x"))
		require.NoError(t, err)
		require.True(t, replay.Replayed, "request ids are restored as well")
	}
	onlyCopies(t, out, 3)
}

func onlyCopies(t *testing.T, dir string, n int) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, n, "nothing but finished copies: %v", entries)
	for _, e := range entries {
		info, err := e.Info()
		require.NoError(t, err)
		require.Zero(t, info.Mode().Perm()&0o077, "%s must be its owner's alone", e.Name())
	}
}

func TestBackup_refuses(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	mustWrite(t, s, "reports/a", "x")
	out := t.TempDir()
	taken := filepath.Join(out, "taken")
	require.NoError(t, os.WriteFile(taken, []byte("last month's"), 0o600))
	_, err := s.Backup(t.Context(), taken)
	require.ErrorContains(t, err, "there already")
	b, err := os.ReadFile(taken)
	require.NoError(t, err)
	require.Equal(t, "last month's", string(b))

	_, err = s.Backup(t.Context(), filepath.Join(out, "no", "such", "folder"))
	require.ErrorIs(t, err, os.ErrNotExist)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = s.Backup(ended, filepath.Join(out, "ended"))
	require.ErrorIs(t, err, context.Canceled)
	onlyCopies(t, out, 1)
}

func TestRestore_refuses(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := openStore(t, dir, Options{})
	for i := range 50 {
		mustWrite(t, s, fmt.Sprintf("reports/%d", i), string(make([]byte, 900)))
	}
	good := filepath.Join(out, "good")
	_, err := s.Backup(t.Context(), good)
	require.NoError(t, err)

	_, err = Restore(t.Context(), good, dir)
	require.ErrorIs(t, err, ledger.ErrLocked, "not into a ledger in use")
	require.NoError(t, s.Close())
	_, err = Restore(t.Context(), good, dir)
	require.ErrorContains(t, err, "there already", "not over a ledger")

	leftover := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(leftover, dataFile+"-wal"), []byte("log"), 0o600))
	_, err = Restore(t.Context(), good, leftover)
	require.ErrorContains(t, err, "-wal is there already")

	b, err := os.ReadFile(good)
	require.NoError(t, err)
	for name, damage := range map[string]func([]byte) []byte{
		"cut short":    func(b []byte) []byte { return b[:len(b)/2] },
		"page zeroed":  func(b []byte) []byte { clear(b[5*4096 : 6*4096]); return b },
		"byte changed": func(b []byte) []byte { b[len(b)-4096-100] ^= 1; return b },
	} {
		bad := filepath.Join(t.TempDir(), "bad")
		require.NoError(t, os.WriteFile(bad, damage(append([]byte(nil), b...)), 0o600))
		into := t.TempDir()
		_, err := Restore(t.Context(), bad, into)
		require.Error(t, err, name)
		_, err = os.Stat(filepath.Join(into, dataFile))
		require.ErrorIs(t, err, os.ErrNotExist, "%s: nothing may be restored", name)
	}
}

// TestRestore_liveFolder restores from a folder whose newest changes are still
// in the write-ahead log.
func TestRestore_liveFolder(t *testing.T) {
	dir, into := t.TempDir(), t.TempDir()
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/a", "x")
	_, err := Restore(t.Context(), dir, into)
	require.NoError(t, err)
	back := openStore(t, into, Options{})
	_, err = back.Get(t.Context(), "reports/a")
	require.NoError(t, err)
}
