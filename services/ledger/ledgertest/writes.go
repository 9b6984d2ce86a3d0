package ledgertest

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

func abort(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, as("ann"), report("a", "kept", ledger.Absent))
	before := head(t, l)
	refused := errors.New("refused by the service")
	_, err := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		require.NoError(t, puts(report("a", "lost", 1), report("b", "lost", ledger.Absent))(ctx, tx))
		require.NoError(t, tx.Claim(ctx, "badge", "1", "people/x"))
		return fmt.Errorf("later: %w", refused)
	})
	require.ErrorIs(t, err, refused)
	require.Equal(t, before, head(t, l))
	r, err := l.Get(t.Context(), "reports/a")
	require.NoError(t, err)
	require.Equal(t, "kept", string(r.Body))
	_, err = l.Get(t.Context(), "reports/b")
	require.ErrorIs(t, err, ledger.ErrNotFound)
	_, err = l.Claimed(t.Context(), "badge", "1")
	require.ErrorIs(t, err, ledger.ErrNotFound)

	// A refused put may be handled by the callback, which then goes on.
	receipt, err := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, report("a", "x", ledger.Absent))
		require.ErrorIs(t, err, ledger.ErrExists)
		_, err = tx.Put(ctx, report("a", "second", 1))
		return err
	})
	require.NoError(t, err)
	require.Equal(t, before.Seq+1, receipt.Seq)
	sound(t, l)
}

func ownPuts(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, as("ann"), report("a", "one", ledger.Absent))
	receipt, err := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		require.NoError(t, puts(report("a", "two", 1), report("b", "new", ledger.Absent), report("a", "three", 2))(ctx, tx))
		r, err := tx.Get(ctx, "reports/a")
		require.NoError(t, err)
		require.Equal(t, ledger.Resource{Name: "reports/a", Kind: "Report", Body: []byte("three"), Revision: 3, Seq: 4}, r)
		list, err := tx.List(ctx, "Report", "reports/", "", 10)
		require.NoError(t, err)
		require.Equal(t, []string{"reports/a", "reports/b"}, names(list))
		_, err = tx.Get(ctx, "reports/c")
		require.ErrorIs(t, err, ledger.ErrNotFound)

		// Nobody else sees them yet.
		r, err = l.Get(ctx, "reports/a")
		require.NoError(t, err)
		require.Equal(t, "one", string(r.Body))
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, ledger.Receipt{FirstSeq: 2, Seq: 4}, receipt)
	sound(t, l)
}

func panicAndExit(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	_, err := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		_ = puts(report("a", "lost", ledger.Absent))(ctx, tx)
		panic("what somebody told")
	})
	var p *ledger.PanicError
	require.ErrorAs(t, err, &p)
	require.ErrorIs(t, err, ledger.ErrPanic)
	require.NotEmpty(t, p.Stack)
	require.NotContains(t, err.Error(), "somebody", "a panic's value must not reach an error text")

	_, err = l.Write(t.Context(), as("ann"), func(context.Context, ledger.Tx) error {
		var none []int
		_ = none[len(t.Name())]
		return nil
	})
	require.ErrorContains(t, err, "index out of range")

	// A callback that ends its goroutine, as a test's FailNow does.
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		_, _ = l.Write(context.Background(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
			_ = puts(report("a", "lost", ledger.Absent))(ctx, tx)
			runtime.Goexit()
			return nil
		})
	}()
	<-gone
	receipt := mustWrite(t, l, as("ann"), report("a", "kept", ledger.Absent))
	require.Equal(t, int64(1), receipt.Seq)
	sound(t, l)
}

func misuse(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	var kept ledger.Tx
	_, err := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		kept = tx
		_, err := l.Write(ctx, as("ann"), puts(report("a", "inner", ledger.Absent)))
		return err
	})
	require.ErrorIs(t, err, ledger.ErrNested, "a write inside a write must not wait for itself")
	_, err = kept.Put(t.Context(), report("a", "late", ledger.Absent))
	require.ErrorIs(t, err, ledger.ErrTxDone)
	_, err = kept.Get(t.Context(), "reports/a")
	require.ErrorIs(t, err, ledger.ErrTxDone)
	_, err = kept.List(t.Context(), "", "", "", 1)
	require.ErrorIs(t, err, ledger.ErrTxDone)
	require.ErrorIs(t, kept.Claim(t.Context(), "badge", "1", "people/ann"), ledger.ErrTxDone)
	require.ErrorIs(t, kept.Release(t.Context(), "badge", "1"), ledger.ErrTxDone)
	require.Zero(t, head(t, l).Seq)
}

func contexts(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for range 20 {
		_, err := l.Write(ended, as("ann"), puts(report("a", "x", ledger.Any)))
		require.ErrorIs(t, err, context.Canceled)
	}
	require.Zero(t, head(t, l).Seq, "an ended context must write nothing")

	// While one write holds the floor, another gives up its place.
	hold, holding := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		_, err := l.Write(context.Background(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
			close(holding)
			<-hold
			return puts(report("held", "x", ledger.Absent))(ctx, tx)
		})
		if err != nil {
			t.Error(err)
		}
	})
	<-holding
	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	_, err := l.Write(short, as("ann"), puts(report("given-up", "x", ledger.Absent)))
	require.ErrorIs(t, err, context.DeadlineExceeded)
	close(hold)
	wg.Wait()
	_, err = l.Get(t.Context(), "reports/given-up")
	require.ErrorIs(t, err, ledger.ErrNotFound)

	// Ended after the callback has done its work: the write counts, and its
	// caller is told so.
	ctx, cancel := context.WithCancel(t.Context())
	receipt, err := l.Write(ctx, as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		err := puts(report("b", "x", ledger.Absent))(ctx, tx)
		cancel()
		time.Sleep(20 * time.Millisecond) // for an impatient Write to return
		return err
	})
	require.NoError(t, err)
	require.Equal(t, int64(2), receipt.Seq)

	// Ended in the middle: the next step refuses, and the callback with it.
	ctx, cancel = context.WithCancel(t.Context())
	_, err = l.Write(ctx, as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		cancel()
		return puts(report("c", "x", ledger.Absent))(ctx, tx)
	})
	require.ErrorIs(t, err, context.Canceled)
	sound(t, l)
}

// neighbours checks that bad writes sharing a transaction with good ones take
// nothing with them.
func neighbours(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	hold, holding := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		_, _ = l.Write(context.Background(), as("ann"), func(context.Context, ledger.Tx) error {
			close(holding)
			<-hold
			return nil
		})
	})
	<-holding
	refused := errors.New("refused")
	const each = 12
	errs := make([]error, 4*each)
	for i := range errs {
		wg.Go(func() {
			_, errs[i] = l.Write(context.Background(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
				if err := puts(report(numbered(i), "x", ledger.Absent), report("shared", numbered(i), ledger.Any))(ctx, tx); err != nil {
					return err
				}
				switch i % 4 {
				case 0:
					return refused
				case 1:
					panic("bad")
				case 2:
					_, err := tx.Put(ctx, report("shared", "x", 1_000_000))
					return err
				}
				return nil
			})
		})
	}
	close(hold)
	wg.Wait()
	for i, err := range errs {
		switch i % 4 {
		case 0:
			require.ErrorIs(t, err, refused)
		case 1:
			require.ErrorIs(t, err, ledger.ErrPanic)
		case 2:
			require.ErrorIs(t, err, ledger.ErrStale)
		default:
			require.NoError(t, err)
		}
		_, err = l.Get(t.Context(), "reports/"+numbered(i))
		if i%4 == 3 {
			require.NoError(t, err)
		} else {
			require.ErrorIs(t, err, ledger.ErrNotFound)
		}
	}
	require.Equal(t, int64(2*each), head(t, l).Seq)
	r, err := l.Get(t.Context(), "reports/shared")
	require.NoError(t, err)
	require.Equal(t, int64(each), r.Revision)
	sound(t, l)
}

func manyWriters(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	const writers, each = 16, 25
	var wg sync.WaitGroup
	var stale atomic.Int64
	spans := make([][]ledger.Receipt, writers)
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				id := fmt.Sprintf("%02d-%03d", w, i)
				r, err := l.Write(context.Background(), ask("ann", id, id), func(ctx context.Context, tx ledger.Tx) error {
					// A counter that every writer reads and moves.
					count, err := tx.Get(ctx, "counters/1")
					if err != nil && !errors.Is(err, ledger.ErrNotFound) {
						return err
					}
					return puts(report(id, "x", ledger.Absent),
						ledger.Put{Name: "counters/1", Kind: "Counter", Verb: "count", IfRevision: count.Revision})(ctx, tx)
				})
				if err != nil {
					stale.Add(1)
					t.Error(err)
					return
				}
				spans[w] = append(spans[w], r)
			}
		})
	}
	wg.Wait()
	require.Zero(t, stale.Load(), "a revision read inside a write must hold until it commits")
	r, err := l.Get(t.Context(), "counters/1")
	require.NoError(t, err)
	require.Equal(t, int64(writers*each), r.Revision)

	seen := make(map[int64]bool)
	for _, list := range spans {
		last := int64(0)
		for _, r := range list {
			require.Equal(t, r.FirstSeq+1, r.Seq, "the changes of one write are consecutive")
			require.Greater(t, r.FirstSeq, last, "a later write has later numbers")
			last = r.Seq
			for seq := r.FirstSeq; seq <= r.Seq; seq++ {
				require.False(t, seen[seq], "number %d given twice", seq)
				seen[seq] = true
			}
		}
	}
	require.Len(t, seen, 2*writers*each)
	require.Equal(t, int64(2*writers*each), head(t, l).Seq, "numbers have no gaps")
	sound(t, l)
}

func times(t *testing.T, factory Factory) {
	backend, clock := factory(t), new(Clock)
	l := backend.Open(t, clock.Now)
	write := func(requestTime time.Time) []time.Time {
		r := ledger.Request{Actor: "ann", Time: requestTime}
		receipt := mustWrite(t, l, r, report("a", "x", ledger.Any), report("b", "x", ledger.Any))
		changes, err := l.Changes(t.Context(), receipt.FirstSeq-1, 10)
		require.NoError(t, err)
		require.Len(t, changes, 2)
		for _, c := range changes {
			require.Equal(t, time.UTC, c.Time.Location())
		}
		return []time.Time{changes[0].Time, changes[1].Time}
	}
	at := func(d time.Duration) []time.Time { return []time.Time{Start.Add(d), Start.Add(d)} }

	clock.Add(1234 * time.Nanosecond)
	require.Equal(t, at(time.Microsecond), write(time.Time{}), "microseconds, one stamp for one write")
	clock.Add(time.Hour)
	require.Equal(t, at(time.Hour+time.Microsecond), write(time.Time{}))
	clock.Add(-30 * time.Minute)
	require.Equal(t, at(time.Hour+2*time.Microsecond), write(time.Time{}), "held while the clock is behind")
	require.NoError(t, l.Close())
	l = backend.Open(t, clock.Now)
	defer func() { require.NoError(t, l.Close()) }()
	require.Equal(t, at(time.Hour+3*time.Microsecond), write(time.Time{}), "held across a restart")
	require.Equal(t, int64(1), l.Stats().ClockHeld)
	clock.Add(time.Hour)
	east := time.FixedZone("east", 10*3600)
	require.Equal(t, at(80*time.Minute), write(Start.Add(80*time.Minute).In(east)), "the request's own time, in UTC")
	require.Equal(t, at(80*time.Minute+time.Microsecond), write(Start), "but never backwards")
	require.Equal(t, at(90*time.Minute+time.Microsecond), write(Start.Add(24*time.Hour)), "and never ahead of the clock")
	sound(t, l)
}
