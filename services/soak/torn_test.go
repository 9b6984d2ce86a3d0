package soak

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestTornLog cuts or damages the write-ahead log after a kill, as a disk does
// that said it had synced and had not. What such a disk has lost nobody can give
// back; what is required is that
//
//   - the server starts, and its log is the beginning of the one that was
//     acknowledged, to a commit: no hole, nothing else in it;
//   - search and figures follow the shorter log, although their index had seen
//     the longer one;
//   - `check` is clean in itself, and a checkpoint that was noted elsewhere shows
//     that the log was cut, whenever what it notes is gone.
func TestTornLog(t *testing.T) {
	t.Parallel()
	seed, rng := chance(t)
	h := newHouse(t, seed, filepath.Join(t.TempDir(), "data"), 6, 2*time.Millisecond)
	// In order once, so that what was there before is out of the log's reach.
	h.down(t, (*process).quit)
	h.start(t)
	h.crew.begin(t, time.Minute)
	waitFor(t, h, "writes", 150)
	noted := filepath.Join(t.TempDir(), "noted.txt")
	out, err := tool("checkpoint", "--data", h.data, "--out", noted)
	require.NoError(t, err, out)
	out, err = tool("check", "--data", h.data, "--checkpoint", noted)
	require.NoError(t, err, out)
	notedAt, err := strconv.Atoi(regexp.MustCompile(`checkpoint: change (\d+)`).FindStringSubmatch(out)[1])
	require.NoError(t, err)
	waitFor(t, h, "more writes", 300)
	h.crew.end(t)
	ctx := with(t.Context(), h.crew.token)
	all := requireChain(t, ctx, h.conn)
	h.down(t, (*process).kill)
	log, err := os.ReadFile(filepath.Join(h.data, "ledger.db-wal"))
	require.NoError(t, err)
	require.NotEmpty(t, log)

	cut, shown := 0, 0
	for i := range max(6, *kills/20) {
		torn := filepath.Join(t.TempDir(), "torn")
		require.NoError(t, os.CopyFS(torn, os.DirFS(h.data)))
		at := 32 + rng.IntN(len(log)-32) // behind the header
		damaged := append([]byte(nil), log...)
		if i%2 == 0 {
			damaged = damaged[:at]
		} else {
			damaged[at] ^= 1 << rng.IntN(8)
		}
		require.NoError(t, os.WriteFile(filepath.Join(torn, "ledger.db-wal"), damaged, 0o600))
		// Another disk has lost the other side file as well, or not.
		require.NoError(t, os.Remove(filepath.Join(torn, "ledger.db-shm")))

		p := launch(t, "--data", torn)
		conn, err := dial(p.address(t))
		require.NoError(t, err)
		left := requireChain(t, ctx, conn)
		require.GreaterOrEqual(t, int64(len(left)), h.crew.before)
		require.LessOrEqual(t, len(left), len(all))
		require.Equal(t, all[len(left)-1].GetHash(), left[len(left)-1].GetHash(), "what is left is the beginning of what was acknowledged")
		f := figuresOf(t, ctx, conn, int64(len(left)))
		require.Equal(t, f.list.GetTotalSize(), f.found.GetTotalSize())
		require.Equal(t, f.list.GetTotalSize(), f.kinds.GetTotal())
		require.NoError(t, conn.Close())
		p.quit(t)
		p.requireDiscreet(t, false)
		requireClean(t, "--data", torn)
		if len(left) < len(all) {
			cut++
		}
		out, err := tool("check", "--data", torn, "--checkpoint", noted)
		if len(left) < notedAt {
			shown++
			require.Error(t, err, out)
		} else {
			require.NoError(t, err, out)
		}
		require.NoError(t, os.RemoveAll(torn))
	}
	t.Logf("%d of %d damages cost changes; the checkpoint of change %d of %d showed %d of these, all that reach so far back", cut, max(6, *kills/20), notedAt, len(all), shown)
}
