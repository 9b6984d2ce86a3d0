package postgres_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
	"fairlead/services/ledger/sqlite"
)

// furnish writes one of everything a ledger can hold.
func furnish(t *testing.T, l ledger.Ledger) {
	t.Helper()
	write := func(r ledger.Request, fn func(ctx context.Context, tx ledger.Tx) error) {
		t.Helper()
		_, err := l.Write(t.Context(), r, fn)
		require.NoError(t, err)
	}
	for i := range 300 {
		r := ledger.Request{Actor: "people/ann", ID: fmt.Sprintf("r%d", i), Fingerprint: [32]byte{byte(i), 1}}
		write(r, func(ctx context.Context, tx ledger.Tx) error {
			tx.SetAnswer([]byte(fmt.Sprint(i)))
			return put(fmt.Sprintf("reports/%d", i%40), string(make([]byte, 10*i)))(ctx, tx)
		})
	}
	for _, name := range []string{"people/ada", "people/bo"} {
		write(ann, func(ctx context.Context, tx ledger.Tx) error {
			_, err := tx.Put(ctx, ledger.Put{Name: name, Kind: "Person", Verb: "set", Body: []byte("Ada Quoll"), Seal: true})
			return err
		})
	}
	write(ann, func(ctx context.Context, tx ledger.Tx) error { return tx.Erase(ctx, "people/ada") })
	write(ann, func(ctx context.Context, tx ledger.Tx) error { return tx.Erase(ctx, "reports/7") })
	write(ann, func(ctx context.Context, tx ledger.Tx) error {
		return tx.Claim(ctx, "code", "k\x00\xff", "reports/1")
	})
	write(ledger.Request{Actor: "people/bo", ID: "nothing"}, func(context.Context, ledger.Tx) error { return nil })
}

// requireSame requires that two ledgers hold the same, and that the second goes
// on where the first stands.
func requireSame(t *testing.T, a, b ledger.Ledger) {
	t.Helper()
	all := func(l ledger.Ledger) ([]ledger.Change, []ledger.Resource, ledger.Report) {
		changes, err := l.Changes(t.Context(), 0, ledger.MaxList)
		require.NoError(t, err)
		list, err := l.List(t.Context(), "", "", "", ledger.MaxList)
		require.NoError(t, err)
		report, err := l.Verify(t.Context())
		require.NoError(t, err)
		require.Empty(t, report.Problems)
		return changes, list, report
	}
	changesA, listA, reportA := all(a)
	changesB, listB, reportB := all(b)
	require.Empty(t, cmp.Diff(changesA, changesB))
	require.Empty(t, cmp.Diff(listA, listB))
	require.Equal(t, reportA, reportB)
	name, err := b.Claimed(t.Context(), "code", "k\x00\xff")
	require.NoError(t, err)
	require.Equal(t, "reports/1", name)
}

// TestCopy_roundTrip moves a ledger from a file to a database, from there to
// another folder, and by a backup into a second database.
func TestCopy_roundTrip(t *testing.T) {
	file, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	defer file.Close()
	furnish(t, file)

	address := pgtest.Database(t)
	report, err := postgres.CopyInto(t.Context(), file.Store, address)
	require.NoError(t, err)
	require.Equal(t, int64(302), report.Changes)
	require.NotZero(t, report.Erased)
	there := openStore(t, address, postgres.Options{})
	requireSame(t, file, there)
	replay, err := there.Write(t.Context(), ledger.Request{Actor: "people/ann", ID: "r5", Fingerprint: [32]byte{5, 1}}, put("reports/never", "x"))
	require.NoError(t, err)
	require.True(t, replay.Replayed, "request ids came along")
	require.Equal(t, "5", string(replay.Answer))

	dir := filepath.Join(t.TempDir(), "new", "data")
	_, err = sqlite.CopyToFolder(t.Context(), there.Store, dir)
	require.NoError(t, err)
	back, err := sqlite.Open(t.Context(), dir, sqlite.Options{})
	require.NoError(t, err)
	defer back.Close()
	requireSame(t, there, back)
	r, err := back.Write(t.Context(), ann, put("reports/after", "x"))
	require.NoError(t, err)
	require.Equal(t, int64(303), r.Seq)

	out := t.TempDir()
	backup := filepath.Join(out, "backup")
	head, err := there.Backup(t.Context(), backup)
	require.NoError(t, err)
	require.Equal(t, int64(302), head.Seq)
	entries, err := os.ReadDir(out)
	require.NoError(t, err)
	require.Len(t, entries, 1, "nothing but the finished copy: %v", entries)
	info, err := os.Stat(backup)
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o077, "its owner's alone")
	second := pgtest.Database(t)
	_, err = postgres.Restore(t.Context(), backup, second)
	require.NoError(t, err)
	requireSame(t, there, openStore(t, second, postgres.Options{}))
	restored := t.TempDir()
	_, err = sqlite.Restore(t.Context(), backup, restored)
	require.NoError(t, err, "the same file serves the other backend")

	_, err = there.Backup(t.Context(), backup)
	require.ErrorContains(t, err, "there already")
}

// TestCopy_refuses keeps two ledgers apart and takes no damaged one.
func TestCopy_refuses(t *testing.T) {
	address := pgtest.Database(t)
	s := openStore(t, address, postgres.Options{})
	furnish(t, s)
	used := pgtest.Database(t)
	other, err := postgres.Open(t.Context(), used, postgres.Options{})
	require.NoError(t, err)
	mustWrite(t, other, "reports/other", "x")

	_, err = postgres.CopyInto(t.Context(), s.Store, used)
	require.ErrorIs(t, err, ledger.ErrLocked, "not into a ledger in use")
	require.NoError(t, other.Close())
	_, err = postgres.CopyInto(t.Context(), s.Store, used)
	require.ErrorContains(t, err, "holds a ledger already")
	dir := t.TempDir()
	file, err := sqlite.Open(t.Context(), dir, sqlite.Options{})
	require.NoError(t, err)
	require.NoError(t, file.Close())
	_, err = sqlite.CopyToFolder(t.Context(), s.Store, dir)
	require.ErrorContains(t, err, "ledger of its own")

	pgtest.Exec(t, address, "UPDATE fairlead.changes SET verb = 'void' WHERE seq = 3")
	empty := pgtest.Database(t)
	_, err = postgres.CopyInto(t.Context(), s.Store, empty)
	require.ErrorContains(t, err, "the check found problems")
	require.Equal(t, "0", pgtest.Query(t, empty, "SELECT count(*)::text FROM fairlead.changes"), "nothing is left of it")
	to := filepath.Join(t.TempDir(), "backup")
	_, err = s.Backup(t.Context(), to)
	require.ErrorContains(t, err, "the check found problems")
	_, err = os.Stat(to)
	require.ErrorIs(t, err, os.ErrNotExist)
}
