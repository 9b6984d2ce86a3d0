package keep

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server"
)

// TestDatabase checks a house whose record and photos are in PostgreSQL, backs
// it up, and puts it back into a folder: one kind of backup serves both.
func TestDatabase(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	t.Cleanup(func() { pgtest.Exec(t, database, "DROP SCHEMA IF EXISTS fairlead_files CASCADE") })
	l, err := postgres.Open(t.Context(), database, postgres.Options{})
	require.NoError(t, err)
	dir := t.TempDir()
	store, done, err := server.OpenFiles(t.Context(), dir, database, false, nil)
	require.NoError(t, err)
	defer done.Close()
	h := furnish(t, dir, l, store)
	h.report(1, "loose gravel")
	h.photo(1, "a photo")
	h.person("ada", "Ada Quoll")
	h.forget("ada")
	c, err := Check(t.Context(), l, CheckPlan{Data: dir, Files: store, Codes: codes()})
	require.NoError(t, err)
	require.True(t, c.Sound(), "%v", c)
	require.EqualValues(t, 1, c.Reports)
	require.Equal(t, 1, c.Attachments)
	all, err := l.Changes(t.Context(), 0, ledger.MaxList)
	require.NoError(t, err)

	copied := filepath.Join(t.TempDir(), "copy.tar")
	made, err := Backup(t.Context(), l, BackupPlan{Data: dir, Dest: copied, Files: store})
	require.NoError(t, err)
	require.True(t, made.Signed)
	require.Equal(t, 1, made.Attachments)
	into := filepath.Join(t.TempDir(), "data")
	r, err := Restore(t.Context(), RestorePlan{Source: copied, Data: into})
	require.NoError(t, err)
	require.Equal(t, made.Head.Seq, r.Head.Seq)
	require.True(t, checked(t, into).Sound())
	back, err := sqlite.OpenReadOnly(t.Context(), into, sqlite.Options{})
	require.NoError(t, err)
	defer back.Close()
	got, err := back.Changes(t.Context(), 0, ledger.MaxList)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(all, got))
}
