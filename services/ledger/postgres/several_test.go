package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
)

// TestOpen_atOnce opens one empty database from many servers at the same moment.
func TestOpen_atOnce(t *testing.T) {
	address := pgtest.Database(t)
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			s, err := postgres.Open(context.Background(), address, postgres.Options{Readers: 1})
			if err != nil {
				t.Error(err)
				return
			}
			defer s.Close()
			if _, err := send(s, fmt.Sprint(i)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	require.Equal(t, int64(8), requireSound(t, openStore(t, address, postgres.Options{})).Changes)
}

// TestSeveral has three servers on one database written at once, with replays
// of the same requests and races for the same keys, and followed on each.
func TestSeveral(t *testing.T) {
	address := pgtest.Database(t)
	var stores []*postgres.Store
	for range 3 {
		stores = append(stores, openStore(t, address, postgres.Options{}))
	}
	ctx, cancel := context.WithCancel(t.Context())
	var following sync.WaitGroup
	logs := make([][]ledger.Change, len(stores))
	cursors := make([]ledger.Cursor, len(stores))
	for i, s := range stores {
		following.Go(func() {
			err := ledger.Follow(ctx, s, 0, 64, func(_ context.Context, changes []ledger.Change) error {
				logs[i] = append(logs[i], changes...)
				cursors[i].Advance(changes[len(changes)-1].Seq)
				return nil
			})
			if !errors.Is(err, context.Canceled) {
				t.Error(err)
			}
		})
	}

	const writers, each = 6, 20
	var wg sync.WaitGroup
	var mu sync.Mutex
	var firsts, claimed, refused int
	last := int64(0)
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				// Two servers get the same request at the same time.
				id := fmt.Sprintf("%d-%d", w, i)
				var pair sync.WaitGroup
				for _, s := range []*postgres.Store{stores[w%3], stores[(w+1+i%2)%3]} {
					pair.Go(func() {
						r, err := send(s, id)
						if err != nil {
							t.Error(err)
							return
						}
						mu.Lock()
						defer mu.Unlock()
						if !r.Replayed {
							firsts++
						}
						last = max(last, r.Seq)
					})
				}
				pair.Wait()
				// Everybody wants the same key.
				name := "reports/" + id
				_, err := stores[i%3].Write(context.Background(), ann, func(ctx context.Context, tx ledger.Tx) error {
					return tx.Claim(ctx, "code", fmt.Sprint(i), name)
				})
				mu.Lock()
				switch {
				case err == nil:
					claimed++
				case errors.Is(err, ledger.ErrClaimed):
					refused++
				default:
					t.Error(err)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	require.Equal(t, writers*each, firsts, "each request is done once")
	require.Equal(t, each, claimed, "each key has one holder")
	require.Equal(t, writers*each-each, refused)
	require.Equal(t, int64(2*writers*each), last, "no number is left out")
	for i := range stores {
		require.NoError(t, cursors[i].Wait(t.Context(), last))
	}
	cancel()
	following.Wait()
	for i := range stores {
		require.Len(t, logs[i], int(last))
		require.Empty(t, cmp.Diff(logs[0], logs[i]), "every server sees the same log")
	}
	requireSound(t, stores[0])
}

// TestWait_ofAnother reads on one server what was just written on another.
func TestWait_ofAnother(t *testing.T) {
	address := pgtest.Database(t)
	a, b := openStore(t, address, postgres.Options{}), openStore(t, address, postgres.Options{})
	for i := range 20 {
		name := fmt.Sprintf("reports/%d", i)
		r := mustWrite(t, a, name, "x")
		require.NoError(t, b.Wait(t.Context(), r.Seq))
		_, err := b.Get(t.Context(), name)
		require.NoError(t, err)
	}
	wake, stop := b.Watch()
	defer stop()
	mustWrite(t, a, "reports/wake", "x")
	select {
	case <-wake:
	case <-time.After(10 * time.Second):
		t.Fatal("a commit of another server must wake who watches")
	}
}

// TestListener_lost ends the session that listens: what is committed meanwhile
// is seen all the same, and later the listening goes on.
func TestListener_lost(t *testing.T) {
	address := pgtest.Database(t)
	a, b := openStore(t, address, postgres.Options{}), openStore(t, address, postgres.Options{})
	for i := range 3 {
		require.Positive(t, pgtest.Exec(t, address, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%' AND datname = current_database()"))
		r := mustWrite(t, a, fmt.Sprintf("reports/%d", i), "x")
		require.NoError(t, b.Wait(t.Context(), r.Seq))
		soon(t, "both listen again", func() bool {
			return pgtest.Query(t, address, "SELECT count(*)::text FROM pg_stat_activity WHERE query LIKE 'LISTEN%' AND datname = current_database()") == "2"
		})
	}
	// Anybody may ring the bell, and nobody is misled.
	pgtest.Exec(t, address, "SELECT pg_notify('fairlead_ledger', '1000000')")
	pgtest.Exec(t, address, "SELECT pg_notify('fairlead_ledger', 'nonsense')")
	short, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	require.ErrorIs(t, b.Wait(short, 1000), context.DeadlineExceeded)
}
