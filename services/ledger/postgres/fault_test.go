package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
)

// together makes the writer take all given writes as one batch: it holds the
// floor until they wait in the queue, in order.
func together(t *testing.T, s *postgres.Store, fns ...func(context.Context, ledger.Tx) error) []error {
	t.Helper()
	hold, holding := make(chan struct{}), make(chan struct{})
	var begun sync.Once
	var wg sync.WaitGroup
	wg.Go(func() {
		_, err := s.Write(context.Background(), ann, func(context.Context, ledger.Tx) error {
			begun.Do(func() { close(holding) })
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
		for s.Stats().Waiting != int64(i+1) {
			time.Sleep(time.Millisecond)
		}
	}
	close(hold)
	wg.Wait()
	return errs
}

// fail makes the database fail with an error code whenever a change of a name is
// written, the first times only if times is positive: a sequence counts, which
// no rollback takes back.
func fail(t *testing.T, address, name, code string, times int) {
	t.Helper()
	if times > 0 {
		pgtest.Exec(t, address, "CREATE SEQUENCE fairlead.failures")
	}
	when := "true"
	if times > 0 {
		when = fmt.Sprintf("nextval(''fairlead.failures'') <= %d", times)
	}
	pgtest.Exec(t, address, fmt.Sprintf(`CREATE FUNCTION fairlead.fails_%[1]s() RETURNS trigger LANGUAGE plpgsql AS
		'BEGIN IF new.name = ''%[2]s'' AND %[3]s THEN RAISE SQLSTATE ''%[1]s''; END IF; RETURN new; END'`, code, name, when))
	pgtest.Exec(t, address, fmt.Sprintf(`CREATE TRIGGER fails_%[1]s BEFORE INSERT ON fairlead.changes FOR EACH ROW EXECUTE FUNCTION fairlead.fails_%[1]s()`, code))
}

// TestAgain has the database undo a transaction by no fault of the writes.
func TestAgain(t *testing.T) {
	for _, code := range []string{"40001", "40P01", "57014"} {
		t.Run(code, func(t *testing.T) {
			address := pgtest.Database(t)
			s := openStore(t, address, postgres.Options{})
			fail(t, address, "reports/1", code, 2)
			errs := together(t, s, put("reports/0", "x"), put("reports/1", "x"), put("reports/2", "x"))
			require.NoError(t, errors.Join(errs...))
			require.Equal(t, int64(3), requireSound(t, s).Changes)
			changes, err := s.Changes(t.Context(), 0, 10)
			require.NoError(t, err)
			for i, c := range changes {
				require.Equal(t, fmt.Sprintf("reports/%d", i), c.Name, "the order of the queue is kept")
			}
		})
	}
	t.Run("not for ever", func(t *testing.T) {
		address := pgtest.Database(t)
		s := openStore(t, address, postgres.Options{})
		fail(t, address, "reports/1", "40001", 100)
		_, err := s.Write(t.Context(), ann, put("reports/1", "x"))
		require.ErrorContains(t, err, "40001")
		mustWrite(t, s, "reports/2", "x")
	})
}

// TestErrors_kinds turns the database's codes into kinds a caller can act on.
func TestErrors_kinds(t *testing.T) {
	for code, want := range map[string]error{"53100": ledger.ErrFull, "55P03": ledger.ErrBusy} {
		address := pgtest.Database(t)
		s := openStore(t, address, postgres.Options{})
		fail(t, address, "reports/1", code, 0)
		errs := together(t, s, put("reports/0", "x"), put("reports/1", "x"), put("reports/2", "x"))
		require.NoError(t, errs[0])
		require.ErrorIs(t, errs[1], want)
		require.NoError(t, errs[2])
		require.Equal(t, int64(2), requireSound(t, s).Changes)
	}
}

func swallow(fn func(context.Context, ledger.Tx) error) func(context.Context, ledger.Tx) error {
	return func(ctx context.Context, tx ledger.Tx) error {
		_ = fn(ctx, tx)
		return nil
	}
}

// TestWrite_storageErrorTakesOneWrite fails one write of a batch whose
// statements travel together, and wants the error to be that write's alone.
func TestWrite_storageErrorTakesOneWrite(t *testing.T) {
	address := pgtest.Database(t)
	s := openStore(t, address, postgres.Options{})
	fail(t, address, "reports/fails", "P0001", 0)
	refused := errors.New("refused")
	errs := together(t, s,
		put("reports/1", "x"),
		put("reports/fails", "x"),
		put("reports/2", "x"),
		swallow(put("reports/fails", "x")),
		swallow(func(ctx context.Context, tx ledger.Tx) error {
			_ = put("reports/fails", "x")(ctx, tx)
			_, err := tx.Get(ctx, "reports/1")
			require.Error(t, err, "a spoiled tx must not go on")
			return err
		}),
		func(ctx context.Context, tx ledger.Tx) error {
			_ = put("reports/fails", "x")(ctx, tx)
			return refused
		},
		put("reports/3", "x"),
	)
	for i, err := range errs {
		switch i {
		case 0, 2, 6:
			require.NoError(t, err, "write %d", i)
		case 5:
			require.Error(t, err)
		default:
			require.ErrorContains(t, err, "P0001", "write %d", i)
		}
	}
	require.Equal(t, int64(3), requireSound(t, s).Changes)
	changes, err := s.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	for i, c := range changes {
		require.Equal(t, fmt.Sprintf("reports/%d", i+1), c.Name, "the order of the queue is kept")
	}
}

// TestWrite_commitFails has the commit itself refused: all must hear of it.
func TestWrite_commitFails(t *testing.T) {
	address := pgtest.Database(t)
	s := openStore(t, address, postgres.Options{})
	mustWrite(t, s, "reports/0", "x")
	pgtest.Exec(t, address, `CREATE FUNCTION fairlead.late() RETURNS trigger LANGUAGE plpgsql AS
		'BEGIN IF new.name = ''reports/late'' THEN RAISE SQLSTATE ''P0001''; END IF; RETURN NULL; END'`)
	pgtest.Exec(t, address, `CREATE CONSTRAINT TRIGGER late AFTER INSERT ON fairlead.changes DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION fairlead.late()`)
	refused := errors.New("refused")
	errs := together(t, s, put("reports/1", "x"), put("reports/late", "x"), func(ctx context.Context, tx ledger.Tx) error {
		if _, err := tx.Get(ctx, "reports/1"); err != nil {
			return err
		}
		return refused
	})
	for i, err := range errs {
		require.ErrorContains(t, err, "commit", "write %d", i)
		require.NotErrorIs(t, err, refused, "what it was refused for never was")
	}
	require.Equal(t, int64(2), mustWrite(t, s, "reports/1", "x").Seq, "the number is used again: no gap")
	requireSound(t, s)
}

// TestWrite_lockedByAnother has a program stand still in a transaction that
// holds the writers' lock.
func TestWrite_lockedByAnother(t *testing.T) {
	address := pgtest.Database(t)
	a, b := openStore(t, address, postgres.Options{}), openStore(t, address, postgres.Options{})
	hold, holding := make(chan struct{}), make(chan struct{})
	done := make(chan error, 1)
	var once sync.Once
	go func() {
		_, err := a.Write(context.Background(), ann, func(ctx context.Context, tx ledger.Tx) error {
			once.Do(func() { close(holding) })
			<-hold
			return put("reports/a", "x")(ctx, tx)
		})
		done <- err
	}()
	<-holding
	written := make(chan error, 1)
	go func() {
		_, err := b.Write(context.Background(), ann, put("reports/b", "x"))
		written <- err
	}()
	select {
	case err := <-written:
		t.Fatalf("two writers at once: %v", err)
	case <-time.After(200 * time.Millisecond):
	}
	close(hold)
	require.NoError(t, <-done)
	require.NoError(t, <-written)
	changes, err := b.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Equal(t, "reports/a", changes[0].Name, "first come, first numbered")
	requireSound(t, b)
}
