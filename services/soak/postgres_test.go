package soak

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger/postgres/pgtest"
)

// TestTwoServers runs two servers on one PostgreSQL while clients write through
// both. Servers are killed, one or both, and so is the database.
func TestTwoServers(t *testing.T) {
	t.Parallel()
	seed, rng := chance(t)
	rounds := max(3, *kills/10)
	pg := pgtest.Start(t)
	address := pg.Database()
	dir := t.TempDir()
	one := newHouse(t, seed, filepath.Join(dir, "one"), 6, 12*time.Millisecond, "--database", address)
	one.calm = false
	other := &house{n: 1, data: filepath.Join(dir, "other"), crew: one.crew}
	other.args = []string{"--data", other.data, "--database", address}
	// Both know the same people.
	require.NoError(t, os.Mkdir(other.data, 0o700))
	directory, err := os.ReadFile(filepath.Join(one.data, "access.yaml"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(other.data, "access.yaml"), directory, 0o600))
	other.start(t)

	c := one.crew
	c.begin(t, time.Hour)
	databases := 0
	for i := range rounds {
		time.Sleep(time.Duration(50+rng.IntN(400)) * time.Millisecond)
		c.alive(t)
		down := []*house{one, other}[rng.IntN(2):]
		if i%3 < 2 {
			down = down[:1]
		}
		if i%3 != 1 {
			for _, h := range down {
				h.down(t, (*process).kill)
			}
		}
		if i%3 > 0 {
			databases++
			pg.Kill()
			time.Sleep(time.Duration(rng.IntN(500)) * time.Millisecond)
			pg.Again()
		} else {
			// The other server serves alone.
			c.reach(t, c.tally.acked.Load()+20)
		}
		if i%3 != 1 {
			for _, h := range down {
				h.start(t)
			}
		}
		c.reach(t, c.tally.acked.Load()+40)
	}
	c.end(t)
	at := head(t, with(t.Context(), c.token), one.conn)
	ctx := with(t.Context(), c.token)
	figuresOf(t, ctx, one.conn, at).requireSame(t, figuresOf(t, ctx, other.conn, at))
	c.requireAll(t, one.conn)
	c.requireAll(t, other.conn)
	other.requireRebuilt(t)
	for _, h := range []*house{one, other} {
		h.down(t, (*process).quit)
		requireClean(t, h.args...)
	}
	t.Logf("%d rounds, the database killed %d times: %v", rounds, databases, &c.tally)
	require.NotZero(t, c.tally.unheard.Load())
}
