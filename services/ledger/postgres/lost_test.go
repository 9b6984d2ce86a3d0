package postgres_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
)

// TestCommit_connectionLost loses the connection around a commit, in each way,
// and wants the write done once and acknowledged.
func TestCommit_connectionLost(t *testing.T) {
	for name, c := range map[string]cut{
		"before the database hears of it": {},
		"while the database commits":      {forward: true},
		"after the database committed":    {forward: true, answered: true},
	} {
		t.Run(name, func(t *testing.T) {
			address := pgtest.Database(t)
			p, through := newProxy(t, address)
			var log bytes.Buffer
			s := openStore(t, through, postgres.Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
			if c.forward && !c.answered {
				// The commit takes a while, and the driver's request to cancel
				// what it no longer hears of goes astray.
				p.deaf.Store(true)
				for _, text := range []string{
					`CREATE FUNCTION fairlead.slowly() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN PERFORM pg_sleep(0.3); RETURN NULL; END'`,
					`CREATE CONSTRAINT TRIGGER slow AFTER INSERT ON fairlead.changes DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION fairlead.slowly()`,
				} {
					pgtest.Exec(t, address, text)
				}
			}
			mustWrite(t, s, "reports/0", "x")
			runs := 0
			r, err := s.Write(t.Context(), ledger.Request{Actor: "people/ann", ID: "r1"}, func(ctx context.Context, tx ledger.Tx) error {
				runs++
				if err := put("reports/1", "told in confidence")(ctx, tx); err != nil {
					return err
				}
				if runs == 1 {
					p.arm(c) // the next message holds the commit
				}
				return nil
			})
			require.NoError(t, err)
			require.Equal(t, ledger.Receipt{FirstSeq: 2, Seq: 2}, r, "first, not replayed")
			want := 1
			if !c.forward {
				want = 2
			}
			require.Equal(t, want, runs, "it runs again only if it was not kept")
			require.Equal(t, int64(2), requireSound(t, s).Changes)
			require.Equal(t, int64(3), mustWrite(t, s, "reports/2", "x").Seq)
			require.Contains(t, log.String(), "connection to the database lost")
			require.NotContains(t, log.String(), "confidence")
		})
	}
}

// TestCommit_lostWithoutChange loses the commit of a write that leaves no change
// but a remembered request and a claim.
func TestCommit_lostWithoutChange(t *testing.T) {
	for name, c := range map[string]cut{"before": {}, "after": {forward: true, answered: true}} {
		t.Run(name, func(t *testing.T) {
			p, through := newProxy(t, pgtest.Database(t))
			s := openStore(t, through, postgres.Options{})
			mustWrite(t, s, "reports/0", "x")
			armed := false
			_, err := s.Write(t.Context(), ledger.Request{Actor: "people/ann", ID: "r1"}, func(ctx context.Context, tx ledger.Tx) error {
				if err := tx.Claim(ctx, "code", "k", "reports/0"); err != nil {
					return err
				}
				if !armed {
					armed = true
					p.arm(c)
				}
				return nil
			})
			require.NoError(t, err)
			holder, err := s.Claimed(t.Context(), "code", "k")
			require.NoError(t, err)
			require.Equal(t, "reports/0", holder, "acknowledged and kept")
			again, err := s.Write(t.Context(), ledger.Request{Actor: "people/ann", ID: "r1"}, put("reports/1", "x"))
			require.NoError(t, err)
			require.True(t, again.Replayed)
		})
	}
}

// TestCommit_unknown loses the connection during a commit and gets none back:
// the caller is told that it is not known, and the same request settles it.
func TestCommit_unknown(t *testing.T) {
	for name, c := range map[string]cut{"not kept": {}, "kept": {forward: true, answered: true}} {
		t.Run(name, func(t *testing.T) {
			p, through := newProxy(t, pgtest.Database(t))
			s := openStore(t, through, postgres.Options{Patience: 200 * time.Millisecond})
			r := ledger.Request{Actor: "people/ann", ID: "r1"}
			_, err := s.Write(t.Context(), r, func(ctx context.Context, tx ledger.Tx) error {
				err := put("reports/1", "x")(ctx, tx)
				p.closed.Store(true)
				p.arm(c) // the next message holds the commit
				return err
			})
			require.ErrorIs(t, err, ledger.ErrUnknown)
			require.NotErrorIs(t, err, ledger.ErrAway, "that would say that nothing was written")
			p.closed.Store(false)
			var got ledger.Receipt
			soon(t, "the request is answered", func() bool {
				got, err = s.Write(t.Context(), r, put("reports/1", "x"))
				return err == nil
			})
			require.Equal(t, ledger.Receipt{FirstSeq: 1, Seq: 1, Replayed: c.forward}, got)
			require.Equal(t, int64(1), requireSound(t, s).Changes)
		})
	}
}

// TestCut_anywhere cuts every connection again and again while two servers are
// written to.
func TestCut_anywhere(t *testing.T) {
	p, through := newProxy(t, pgtest.Database(t))
	stores := []*postgres.Store{openStore(t, through, postgres.Options{}), openStore(t, through, postgres.Options{})}
	stop := make(chan struct{})
	a, writing := load(stores, 8, stop)
	for range 25 {
		time.Sleep(time.Duration(10+rand.IntN(60)) * time.Millisecond)
		switch rand.IntN(3) {
		case 0:
			p.cutAll()
		case 1:
			p.arm(cut{forward: true})
		default:
			p.arm(cut{forward: true, answered: true})
		}
	}
	close(stop)
	writing.Wait()
	requireKinds(t, a.errs)
	a.settle(t, stores[0])
	t.Logf("%d writes, %d of them not acknowledged", len(a.tried), len(a.errs))
}

// TestTerminated has an administrator end sessions at random moments.
func TestTerminated(t *testing.T) {
	address := pgtest.Database(t)
	stores := []*postgres.Store{openStore(t, address, postgres.Options{}), openStore(t, address, postgres.Options{})}
	stop := make(chan struct{})
	a, writing := load(stores, 8, stop)
	for range 20 {
		time.Sleep(time.Duration(10+rand.IntN(50)) * time.Millisecond)
		pgtest.Exec(t, address, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'fairlead' AND datname = current_database() AND random() < 0.7")
	}
	close(stop)
	writing.Wait()
	requireKinds(t, a.errs)
	a.settle(t, stores[1])
	t.Logf("%d writes, %d of them not acknowledged", len(a.tried), len(a.errs))
}

// requireKinds requires that who was not answered was told why in a way that a
// caller can act on: try again.
func requireKinds(t *testing.T, errs []error) {
	t.Helper()
	for _, err := range errs {
		require.True(t, errors.Is(err, ledger.ErrAway) || errors.Is(err, ledger.ErrUnknown) || errors.Is(err, ledger.ErrBusy), "%v", err)
		require.NotContains(t, err.Error(), "password")
	}
}

// TestRestart cuts the power of the database under load, several times.
func TestRestart(t *testing.T) {
	server := pgtest.Start(t)
	address := server.Database()
	stores := []*postgres.Store{openStore(t, address, postgres.Options{}), openStore(t, address, postgres.Options{})}
	stop := make(chan struct{})
	a, writing := load(stores, 8, stop)
	for _, end := range []func(){server.Kill, server.Stop, server.Kill} {
		time.Sleep(time.Duration(100+rand.IntN(200)) * time.Millisecond)
		end()
		time.Sleep(50 * time.Millisecond)
		server.Again()
	}
	time.Sleep(100 * time.Millisecond)
	close(stop)
	writing.Wait()
	requireKinds(t, a.errs)
	a.settle(t, stores[0])
	t.Logf("%d writes, %d of them not acknowledged", len(a.tried), len(a.errs))
}

// TestAway leaves the database away for longer than a write waits.
func TestAway(t *testing.T) {
	server := pgtest.Start(t)
	var log bytes.Buffer
	address := server.Database()
	s := openStore(t, address, postgres.Options{Patience: 300 * time.Millisecond, Log: slog.New(slog.NewTextHandler(&log, nil))})
	mustWrite(t, s, "reports/0", "x")
	server.Stop()
	for range 2 {
		_, err := s.Write(t.Context(), ann, put("reports/1", "told in confidence"))
		require.ErrorIs(t, err, ledger.ErrAway)
		require.NotErrorIs(t, err, ledger.ErrUnknown)
		_, err = s.Get(t.Context(), "reports/0")
		require.ErrorIs(t, err, ledger.ErrAway)
		_, err = s.Verify(t.Context())
		require.ErrorIs(t, err, ledger.ErrAway)
	}
	_, err := postgres.Open(t.Context(), address, postgres.Options{})
	require.ErrorIs(t, err, ledger.ErrAway)
	server.Again()
	soon(t, "writes go on", func() bool {
		_, err := s.Write(t.Context(), ann, put("reports/1", "x"))
		return err == nil
	})
	require.Equal(t, int64(2), requireSound(t, s).Changes)
	require.False(t, strings.Contains(log.String(), "confidence"))
}
