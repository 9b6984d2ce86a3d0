package sqlite

import (
	"context"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// TestUpgrade opens a ledger that the first version wrote (testdata/schema1.db:
// made by its own Write and Backup on 2026-11-25, 14 changes) and requires that
// nothing in it is lost, that its chain still holds, and that it goes on.
func TestUpgrade(t *testing.T) {
	old, err := os.ReadFile(filepath.Join("testdata", "schema1.db"))
	require.NoError(t, err)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, dataFile), old, 0o600))

	_, err = OpenReadOnly(t.Context(), dir, Options{})
	require.ErrorContains(t, err, "migrate", "who only reads does not migrate, and says what to do")

	s := openStore(t, dir, Options{})
	report := requireSound(t, s)
	require.Equal(t, int64(14), report.Changes)
	require.Equal(t, "da2e4225c7afcdbd349d3206e89034e6a516b1c5985037ec6b60681b1b5bdd91", hex.EncodeToString(report.HeadHash[:]),
		"as the first version printed it")
	changes, err := s.Changes(t.Context(), 0, 100)
	require.NoError(t, err)
	require.Equal(t, "a branch came down, told 0", string(changes[0].Body))
	require.Equal(t, 1, changes[0].Salt.Format())
	name, err := s.Claimed(t.Context(), "short-code", "Kr3")
	require.NoError(t, err)
	require.Equal(t, "reports/r3", name)

	// A replay of the old version's request is still answered from memory.
	replay := ledger.Request{Actor: "principals/ada", ID: "request-0"}
	_, err = s.Write(t.Context(), replay, put("reports/r9", "x"))
	require.ErrorIs(t, err, ledger.ErrRequestReused)

	// What the first version wrote in the open can be erased too.
	_, err = s.Write(t.Context(), ann, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, "reports/r2/teller"); err != nil {
			return err
		}
		_, err := tx.Put(ctx, ledger.Put{Name: "reports/r2/teller", Kind: "Teller", Verb: "erase", IfRevision: ledger.Any, Seal: true})
		return err
	})
	require.NoError(t, err)
	report = requireSound(t, s)
	require.Equal(t, int64(15), report.Changes)
	require.Equal(t, int64(2), report.Erased)
	requireNowhere(t, dir, "Ada Quoll")
	requireSomewhere(t, dir, "a branch came down")
}

// TestErase_bytes looks into the files themselves.
func TestErase_bytes(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, Options{})
	for range 3 {
		mustWrite(t, s, "reports/a", "the wombat burrow gave way under the mower")
		mustWrite(t, s, "reports/b", "the culvert grate was missing")
	}
	requireSomewhere(t, dir, "wombat")
	key := func() []byte {
		var key []byte
		require.NoError(t, s.Readers().QueryRow("SELECT key FROM seals WHERE name = 'people/ada'").Scan(&key))
		return key
	}
	seal := ledger.Put{Name: "people/ada", Kind: "Person", Verb: "set", Body: []byte("Ada Quoll"), IfRevision: ledger.Any, Seal: true}
	_, err := s.Write(t.Context(), ann, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, seal)
		return err
	})
	require.NoError(t, err)
	requireNowhere(t, dir, "Ada Quoll")
	was := string(key())
	requireSomewhere(t, dir, was)
	_, err = s.Write(t.Context(), ann, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, "people/ada"); err != nil {
			return err
		}
		return tx.Erase(ctx, "reports/a")
	})
	require.NoError(t, err)
	require.Nil(t, key())
	requireNowhere(t, dir, was)
	requireNowhere(t, dir, "wombat")
	requireSomewhere(t, dir, "culvert")
	requireSound(t, s)
}

func holds(t *testing.T, dir, what string) bool {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		if strings.Contains(string(b), what) {
			return true
		}
	}
	return false
}

func requireNowhere(t *testing.T, dir, what string) {
	t.Helper()
	require.False(t, holds(t, dir, what), "no file of the ledger may hold it")
}

func requireSomewhere(t *testing.T, dir, what string) {
	t.Helper()
	require.True(t, holds(t, dir, what))
}
