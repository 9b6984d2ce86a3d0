package ledger

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// tape is a log whose wakes can be lost.
type tape struct {
	Bell
	mu      sync.Mutex
	changes []Change
	err     error
}

func (s *tape) Changes(_ context.Context, after int64, limit int) ([]Change, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []Change
	for _, c := range s.changes {
		if c.Seq > after && len(out) < limit {
			out = append(out, c)
		}
	}
	return out, s.err
}

func (s *tape) add(seqs ...int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, seq := range seqs {
		s.changes = append(s.changes, Change{Seq: seq})
	}
}

func TestFollow_wakesAndPolls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := new(tape)
		s.add(1, 2, 3)
		var mu sync.Mutex
		var got []int64
		var sizes []int
		want := func(seqs ...int64) {
			t.Helper()
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			require.Equal(t, seqs, got)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() {
			ended <- Follow(ctx, s, 1, 2, func(_ context.Context, changes []Change) error {
				mu.Lock()
				defer mu.Unlock()
				sizes = append(sizes, len(changes))
				for _, c := range changes {
					got = append(got, c.Seq)
				}
				return nil
			})
		}()
		want(2, 3)

		s.add(4)
		s.Ring()
		want(2, 3, 4) // at once

		s.add(5, 6, 7) // and the wake is lost
		want(2, 3, 4)
		time.Sleep(PollEvery)
		want(2, 3, 4, 5, 6, 7) // found by the poll
		require.Equal(t, []int{2, 1, 2, 1}, sizes)

		cancel()
		require.ErrorIs(t, <-ended, context.Canceled)
		require.Empty(t, s.watchers, "Follow must stop watching when it ends")
	})
}

func TestFollow_errors(t *testing.T) {
	keep := func(context.Context, []Change) error { return nil }
	gap := new(tape)
	gap.add(1, 3)
	require.ErrorContains(t, Follow(t.Context(), gap, 1, 10, keep), "gap")

	broken := &tape{err: errors.New("disk gone")}
	require.ErrorIs(t, Follow(t.Context(), broken, 7, 10, keep), broken.err)

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, Follow(ended, gap, 0, 1, keep), context.Canceled)
	require.ErrorIs(t, Follow(t.Context(), gap, 0, -1, keep), ErrInvalid)
}

func TestCursor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c Cursor
		require.NoError(t, c.Wait(t.Context(), 0), "a new cursor stands at 0")
		reached := make(map[int64]bool)
		var mu sync.Mutex
		for _, seq := range []int64{1, 5, 5, 9} {
			go func() {
				if c.Wait(context.Background(), seq) == nil {
					mu.Lock()
					reached[seq] = true
					mu.Unlock()
				}
			}()
		}
		at := func(seq int64, want ...int64) {
			t.Helper()
			c.Advance(seq)
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			require.Len(t, reached, len(want))
			for _, w := range want {
				require.True(t, reached[w])
			}
		}
		at(4, 1)
		at(3, 1) // delivered again
		require.Equal(t, int64(4), c.Seq(), "a cursor never goes back")
		at(5, 1, 5)

		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		require.ErrorIs(t, c.Wait(ctx, 6), context.DeadlineExceeded)
		at(100, 1, 5, 9)
	})
}

func TestBell(t *testing.T) {
	var b Bell
	b.Ring() // nobody listens
	one, stopOne := b.Watch()
	two, stopTwo := b.Watch()
	b.Ring()
	b.Ring()
	require.Len(t, one, 1)
	require.Len(t, two, 1)
	<-one
	stopTwo()
	b.Ring()
	require.Len(t, one, 1)
	require.Len(t, two, 1, "stopping leaves a wake that was there and adds none")
	stopOne()
	stopOne()
	require.Empty(t, b.watchers)
}
