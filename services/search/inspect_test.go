package search_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/blevesearch/bleve/v2"
	"github.com/stretchr/testify/require"

	"fairlead/services/search"
)

// inspect copies and inspects as a check does.
func (w *world) inspect(t *testing.T) search.Inspection {
	t.Helper()
	to := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, search.Copy(t.Context(), filepath.Join(w.dir, "search"), to))
	in, err := search.Inspect(t.Context(), to, w.ledger, w.tree, w.covers)
	require.NoError(t, err)
	return in
}

// TestInspect looks at an index beside its server, and at rest.
func TestInspect(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := openWorld(t, dir, search.Options{})
	w.load(t)
	w.catchUp(t)
	require.Equal(t, search.Inspection{}, w.inspect(t), "in use, and sound")
	w.put(t, story(99, "A kerb stone rolled."))
	require.NoError(t, w.tree.CatchUp(t.Context()))
	require.NoError(t, w.covers.CatchUp(t.Context()))
	require.Equal(t, search.Inspection{}, w.inspect(t), "the copy catches up by itself")
	w.catchUp(t)
	require.NoError(t, w.index.Close())

	// Somebody takes a report out of the index.
	path := filepath.Join(dir, "search", "index")
	idx, err := bleve.Open(path)
	require.NoError(t, err)
	require.NoError(t, idx.Delete(number(2)[len("reports/"):]))
	require.NoError(t, idx.Close())
	require.Equal(t, []string{number(2) + " is not in the index"}, w.inspect(t).Problems)

	// A mark that the index broke in use, another version's index, no index.
	mark := filepath.Join(dir, "search", "damaged")
	require.NoError(t, os.WriteFile(mark, nil, 0o600))
	to := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, search.Copy(t.Context(), filepath.Join(dir, "search"), to))
	in, err := search.Inspect(t.Context(), to, w.ledger, w.tree, w.covers)
	require.NoError(t, err)
	require.Contains(t, in.Problems[0], "broke in use")
	require.NoError(t, os.Remove(mark))

	idx, err = bleve.Open(path)
	require.NoError(t, err)
	require.NoError(t, idx.SetInternal([]byte("fairlead.schema"), []byte("another")))
	require.NoError(t, idx.Close())
	require.Contains(t, w.inspect(t).Stale, "another version")

	segments, err := filepath.Glob(filepath.Join(path, "store", "*.zap"))
	require.NoError(t, err)
	for _, s := range segments {
		require.NoError(t, os.Truncate(s, 10))
	}
	require.Contains(t, w.inspect(t).Problems[0], "does not open")
	err = search.Copy(t.Context(), filepath.Join(dir, "nowhere"), filepath.Join(t.TempDir(), "copy"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.NoError(t, w.ledger.Close())
}

// TestInspect_otherLog: an index that stayed behind after a restore is not a
// fault.
func TestInspect_otherLog(t *testing.T) {
	t.Parallel()
	other, w := shire(t), shire(t)
	other.put(t, story(98, "Another log."))
	other.catchUp(t)
	to := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, search.Copy(t.Context(), filepath.Join(other.dir, "search"), to))
	in, err := search.Inspect(t.Context(), to, w.ledger, w.tree, w.covers)
	require.NoError(t, err)
	require.Contains(t, in.Stale, "another log")
}
