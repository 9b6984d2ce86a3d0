package postgres_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"fairlead/services/blob"
	"fairlead/services/blob/blobtest"
	"fairlead/services/blob/postgres"
	"fairlead/services/ledger/postgres/pgtest"
)

// database returns a pool on a database of the test's own.
func database(t *testing.T) *pgxpool.Pool {
	t.Helper()
	address := pgtest.Database(t)
	pool, err := pgxpool.New(t.Context(), address)
	require.NoError(t, err)
	t.Cleanup(func() {
		pool.Close()
		pgtest.Exec(t, address, "SELECT lo_unlink(oid) FROM pg_largeobject_metadata")
		pgtest.Exec(t, address, "DROP SCHEMA IF EXISTS fairlead_files CASCADE")
	})
	return pool
}

func TestStore(t *testing.T) {
	t.Parallel()
	blobtest.Run(t, func(t *testing.T, clock func() time.Time) blob.Store {
		s, err := postgres.Open(t.Context(), database(t), clock)
		require.NoError(t, err)
		return s
	})
}

// objects is how many large objects the database holds.
func objects(t *testing.T, pool *pgxpool.Pool) (n int) {
	t.Helper()
	require.NoError(t, pool.QueryRow(t.Context(), "SELECT count(*) FROM pg_largeobject_metadata").Scan(&n))
	return n
}

// TestNothingLeft wants one object for each hash and none beside, whatever
// happened.
func TestNothingLeft(t *testing.T) {
	t.Parallel()
	pool := database(t)
	s, err := postgres.Open(t.Context(), pool, nil)
	require.NoError(t, err)
	for range 3 {
		_, err = s.Put(t.Context(), strings.NewReader("the same"))
		require.NoError(t, err)
	}
	require.Equal(t, 1, objects(t, pool))
	_, err = s.Put(t.Context(), io.MultiReader(strings.NewReader(strings.Repeat("half", 1<<18)), iotest.ErrReader(errors.New("the line broke"))))
	require.Error(t, err)
	ended, stop := context.WithCancel(t.Context())
	stop()
	_, err = s.Put(ended, strings.NewReader("late"))
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, 1, objects(t, pool))
	ref, err := s.Put(t.Context(), strings.NewReader("another"))
	require.NoError(t, err)
	require.NoError(t, s.Remove(t.Context(), ref.SHA256))
	require.Equal(t, 1, objects(t, pool))
	// Opened again, what was there is there.
	s, err = postgres.Open(t.Context(), pool, nil)
	require.NoError(t, err)
	n := 0
	require.NoError(t, s.Walk(t.Context(), func(blob.Entry) error { n++; return nil }))
	require.Equal(t, 1, n)
}

// TestRemovedWhileRead reads on what somebody removes meanwhile.
func TestRemovedWhileRead(t *testing.T) {
	t.Parallel()
	s, err := postgres.Open(t.Context(), database(t), nil)
	require.NoError(t, err)
	text := strings.Repeat("branch ", 100_000)
	ref, err := s.Put(t.Context(), strings.NewReader(text))
	require.NoError(t, err)
	r, _, err := s.Open(t.Context(), ref.SHA256)
	require.NoError(t, err)
	defer r.Close()
	require.NoError(t, s.Remove(t.Context(), ref.SHA256))
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	require.Equal(t, text, string(b))
}

// TestSpoilt finds bytes that were changed behind the store's back.
func TestSpoilt(t *testing.T) {
	t.Parallel()
	pool := database(t)
	s, err := postgres.Open(t.Context(), pool, nil)
	require.NoError(t, err)
	ref, err := s.Put(t.Context(), strings.NewReader("a photo"))
	require.NoError(t, err)
	_, err = pool.Exec(t.Context(), "SELECT lo_put(object, 2, 'P') FROM fairlead_files.blob")
	require.NoError(t, err)
	require.ErrorIs(t, blob.Check(t.Context(), s, ref), blob.ErrSpoilt)
	_, err = s.Put(t.Context(), strings.NewReader("a photo"))
	require.NoError(t, err)
	require.NoError(t, blob.Check(t.Context(), s, ref), "put again, it is whole")
}

// TestTogether opens one empty database many times at once.
func TestTogether(t *testing.T) {
	t.Parallel()
	pool := database(t)
	done := make(chan error, 8)
	for range cap(done) {
		go func() {
			_, err := postgres.Open(t.Context(), pool, nil)
			done <- err
		}()
	}
	for range cap(done) {
		require.NoError(t, <-done)
	}
}

// TestAway says that nobody answers, so that callers try again.
func TestAway(t *testing.T) {
	t.Parallel()
	pool, err := pgxpool.New(t.Context(), "postgres://nobody@127.0.0.1:1/nothing")
	require.NoError(t, err)
	defer pool.Close()
	_, err = postgres.Existing(pool).Put(t.Context(), strings.NewReader("a photo"))
	require.ErrorIs(t, err, blob.ErrAway)
	_, _, err = postgres.Existing(pool).Open(t.Context(), strings.Repeat("0", 64))
	require.ErrorIs(t, err, blob.ErrAway)
}
