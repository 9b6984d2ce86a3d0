package search_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	zap "github.com/blevesearch/zapx/v17"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"fairlead/services/ledger"
	"fairlead/services/record"
	"fairlead/services/search"
)

// onDisk reports whether a word is in the dictionary of any segment that lies on
// the disk, whether the index still uses it or not. The files cannot be searched
// for it as bytes: a dictionary is an automaton.
func (w *world) onDisk(t *testing.T, word string) bool {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(w.dir, "search", "index", "store", "*.zap"))
	require.NoError(t, err)
	for _, path := range paths {
		segment, err := (&zap.ZapPlugin{}).Open(path)
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(t, err)
		dict, err := segment.Dictionary("words")
		require.NoError(t, err)
		in, err := dict.Contains([]byte(word))
		require.NoError(t, err)
		require.NoError(t, segment.Close())
		if in {
			return true
		}
	}
	return false
}

// erase takes the words of a report out, as services/retention does.
func (w *world) erase(t *testing.T, n int) int64 {
	t.Helper()
	receipt, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"},
		func(ctx context.Context, tx ledger.Tx) error {
			if err := tx.Erase(ctx, number(n)); err != nil {
				return err
			}
			p, err := record.Put(story(n, "taken out"), number(n), record.KindReport, record.VerbErase, ledger.Any)
			if err == nil {
				_, err = tx.Put(ctx, p)
			}
			return err
		})
	require.NoError(t, err)
	return receipt.Seq
}

// TestErasedWordsLeaveTheDisk wants a word that was erased to be in no file of
// the index, while the server runs and after a start.
func TestErasedWordsLeaveTheDisk(t *testing.T) {
	t.Parallel()
	w := empty(t)
	for round := range 3 { // several segments
		var all []proto.Message
		for n := range 40 {
			all = append(all, story(100*round+n, fmt.Sprintf("The bandicoot gate was open, round %d.", round)))
		}
		w.put(t, all...)
		w.catchUp(t)
	}
	w.put(t, story(1, "A quokkaword stood in the mill."))
	w.put(t, story(2, "A numbatword stood in the mill."))
	w.catchUp(t)
	require.Eventually(t, func() bool { return w.onDisk(t, "quokkaword") && w.onDisk(t, "numbatword") }, 5*time.Second, 10*time.Millisecond)

	w.run(t)
	seq := w.erase(t, 1)
	require.NoError(t, w.index.Wait(t.Context(), seq))
	require.Empty(t, w.find(t, adviser(), words("quokkaword")), "not found at once")
	require.Eventually(t, func() bool { return !w.onDisk(t, "quokkaword") }, 10*time.Second, 20*time.Millisecond)
	require.True(t, w.onDisk(t, "numbatword"))
	require.Len(t, w.find(t, adviser(), words("bandicoot")), 20, "a full page of the others")
	problems, err := w.index.Check(t.Context())
	require.NoError(t, err)
	require.Empty(t, problems)
}

// TestErasedWhileStopped erases while no index follows.
func TestErasedWhileStopped(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := openWorld(t, dir, search.Options{})
	w.load(t)
	w.put(t, story(1, "A quokkaword stood in the mill."))
	w.catchUp(t)
	require.Eventually(t, func() bool { return w.onDisk(t, "quokkaword") }, 5*time.Second, 10*time.Millisecond)
	w.erase(t, 1)
	w.close(t)
	w = openWorld(t, dir, search.Options{})
	w.catchUp(t)
	require.False(t, w.onDisk(t, "quokkaword"))
	w.close(t)
}
