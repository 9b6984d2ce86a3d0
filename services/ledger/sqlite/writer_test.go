package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// together makes the writer take all given writes as one batch: it holds the
// floor until they wait in the queue, in order.
func together(t *testing.T, s *Store, fns ...func(context.Context, ledger.Tx) error) []error {
	t.Helper()
	hold, holding := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		_, err := s.Write(context.Background(), ann, func(context.Context, ledger.Tx) error {
			close(holding)
			<-hold
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	})
	<-holding
	errs := make([]error, len(fns))
	for i, fn := range fns {
		wg.Go(func() { _, errs[i] = s.Write(context.Background(), ann, fn) })
		waitFor(s, i+1)
	}
	close(hold)
	wg.Wait()
	return errs
}

// waitFor returns when n writes have taken their places in the queue.
func waitFor(s *Store, n int) {
	for s.Stats().Waiting != int64(n) {
		time.Sleep(time.Millisecond)
	}
}

func TestWrite_busy(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{Queue: 2})
	hold, holding := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		_, _ = s.Write(context.Background(), ann, func(context.Context, ledger.Tx) error { close(holding); <-hold; return nil })
	})
	<-holding
	for i := range 2 {
		wg.Go(func() { _, _ = s.Write(context.Background(), ann, put(fmt.Sprintf("reports/1%d", i), "x")) })
	}
	waitFor(s, 2)
	_, err := s.Write(t.Context(), ann, put("reports/3", "x"))
	require.ErrorIs(t, err, ledger.ErrBusy)
	require.Equal(t, int64(2), s.Stats().QueueSize)
	close(hold)
	wg.Wait()
	require.Equal(t, int64(1), s.Stats().Busy)
	_, err = s.Write(t.Context(), ann, put("reports/3", "x"))
	require.NoError(t, err, "and is served when there is room")
}

// TestWrite_lockedByAnother has a database tool hold the file.
func TestWrite_lockedByAnother(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	_, err := s.Conn().ExecContext(t.Context(), "PRAGMA busy_timeout = 10")
	require.NoError(t, err)
	tool, err := sql.Open(driverName, writerDSN(s.path))
	require.NoError(t, err)
	defer tool.Close()
	tool.SetMaxOpenConns(1)
	_, err = tool.Exec("BEGIN IMMEDIATE")
	require.NoError(t, err)
	_, err = s.Write(t.Context(), ann, put("reports/1", "x"))
	require.ErrorIs(t, err, ledger.ErrBusy)
	_, err = tool.Exec("ROLLBACK")
	require.NoError(t, err)
	mustWrite(t, s, "reports/1", "x")
}

func TestWrite_groupsCommits(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{Batch: 8})
	var fns []func(context.Context, ledger.Tx) error
	for i := range 20 {
		fns = append(fns, put(fmt.Sprintf("reports/%d", i), "x"))
	}
	require.NoError(t, errors.Join(together(t, s, fns...)...))
	st := s.Stats()
	require.Equal(t, int64(3), st.Commits, "20 writes in batches of 8")
	require.Equal(t, int64(8), st.LargestBatch)
	require.Equal(t, int64(21), st.Writes)
}

// triggers make the database itself fail, as a broken disk would, for names
// that say how.
func triggers(t *testing.T, s *Store) {
	t.Helper()
	for _, text := range []string{
		`CREATE TEMP TRIGGER fails BEFORE INSERT ON changes WHEN new.name = 'reports/fails' BEGIN SELECT RAISE(ABORT, 'no'); END`,
		`CREATE TEMP TRIGGER loses BEFORE INSERT ON changes WHEN new.name = 'reports/loses' BEGIN SELECT RAISE(ROLLBACK, 'no'); END`,
		`CREATE TEMP TABLE parent (id INTEGER PRIMARY KEY)`,
		`CREATE TEMP TABLE child (id INTEGER REFERENCES parent (id) DEFERRABLE INITIALLY DEFERRED)`,
		`CREATE TEMP TRIGGER late BEFORE INSERT ON changes WHEN new.name = 'reports/late' BEGIN INSERT INTO child VALUES (1); END`,
	} {
		_, err := s.Conn().ExecContext(t.Context(), text)
		require.NoError(t, err)
	}
}

func swallow(fn func(context.Context, ledger.Tx) error) func(context.Context, ledger.Tx) error {
	return func(ctx context.Context, tx ledger.Tx) error {
		_ = fn(ctx, tx)
		return nil
	}
}

func TestWrite_storageErrorTakesOneWrite(t *testing.T) {
	for _, name := range []string{"reports/fails", "reports/loses"} {
		t.Run(name, func(t *testing.T) {
			s := openStore(t, t.TempDir(), Options{})
			triggers(t, s)
			errs := together(t, s,
				put("reports/1", "x"),
				put(name, "x"),
				put("reports/2", "x"),
				swallow(put(name, "x")),
				swallow(func(ctx context.Context, tx ledger.Tx) error {
					_ = put(name, "x")(ctx, tx)
					_, err := tx.Get(ctx, "reports/1")
					require.Error(t, err, "a spoiled tx must not go on")
					return err
				}),
				put("reports/3", "x"),
			)
			for i, err := range errs {
				if i == 0 || i == 2 || i == 5 {
					require.NoError(t, err, "write %d", i)
				} else {
					require.ErrorContains(t, err, name, "write %d", i)
				}
			}
			require.Equal(t, int64(3), requireSound(t, s).Changes)
			changes, err := s.Changes(t.Context(), 0, 10)
			require.NoError(t, err)
			for i, c := range changes {
				require.Equal(t, fmt.Sprintf("reports/%d", i+1), c.Name, "the order of the queue is kept")
			}
		})
	}
}

func TestWrite_commitFails(t *testing.T) {
	var log bytes.Buffer
	s := openStore(t, t.TempDir(), Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	triggers(t, s)
	mustWrite(t, s, "reports/0", "x")
	refused := errors.New("refused")
	errs := together(t, s,
		put("reports/1", "told in confidence"),
		put("reports/late", "told in confidence"),
		func(ctx context.Context, tx ledger.Tx) error {
			if _, err := tx.Get(ctx, "reports/1"); err != nil {
				return err
			}
			return refused
		},
	)
	for i, err := range errs {
		require.ErrorContains(t, err, "commit", "write %d: all must hear that the commit failed", i)
		require.NotErrorIs(t, err, refused, "what it was refused for never was")
	}
	_, err := s.Get(t.Context(), "reports/1")
	require.ErrorIs(t, err, ledger.ErrNotFound)
	require.Equal(t, int64(3), s.Stats().Failed)
	require.Contains(t, log.String(), "commit failed")
	require.NotContains(t, log.String(), "confidence")
	require.NotContains(t, log.String(), "reports/", "names stay out of the log as well")

	require.Equal(t, int64(2), mustWrite(t, s, "reports/1", "x").Seq, "the number is used again: no gap")
	requireSound(t, s)
}

func TestWrite_endedGoroutine(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	runs := 0
	errs := together(t, s,
		func(ctx context.Context, tx ledger.Tx) error { runs++; return put("reports/1", "x")(ctx, tx) },
		func(ctx context.Context, tx ledger.Tx) error {
			_ = put("reports/gone", "x")(ctx, tx)
			runtime.Goexit()
			return nil
		},
		put("reports/2", "x"),
	)
	require.NoError(t, errs[0])
	require.ErrorContains(t, errs[1], "ended its goroutine")
	require.NoError(t, errs[2])
	require.Equal(t, 2, runs, "the neighbour ran once more")
	require.Equal(t, int64(2), requireSound(t, s).Changes)
}

// TestWrite_full fills the file to a limit, which SQLite reports as it reports a
// full disk.
func TestWrite_full(t *testing.T) {
	s := openStore(t, t.TempDir(), Options{})
	mustWrite(t, s, "reports/0", "x")
	limit := func(pages int) {
		_, err := s.Conn().ExecContext(t.Context(), fmt.Sprintf("PRAGMA max_page_count = %d", pages))
		require.NoError(t, err)
	}
	limit(30)
	large := string(make([]byte, 1<<20))
	errs := together(t, s, put("reports/1", "x"), put("reports/large", large), put("reports/2", "x"))
	require.NoError(t, errs[0])
	require.ErrorIs(t, errs[1], ledger.ErrFull)
	require.NoError(t, errs[2])
	written := 3
	for i := 0; ; i++ {
		_, err := s.Write(t.Context(), ann, put(fmt.Sprintf("reports/small-%d", i), string(make([]byte, 900))))
		if err != nil {
			require.ErrorIs(t, err, ledger.ErrFull)
			break
		}
		written++
	}
	_, err := s.Get(t.Context(), "reports/1")
	require.NoError(t, err, "reading goes on")
	limit(1 << 30)
	mustWrite(t, s, "reports/large", large)
	require.Equal(t, int64(written+1), requireSound(t, s).Changes)
}
