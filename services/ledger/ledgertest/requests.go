package ledgertest

import (
	"context"
	"errors"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

func replay(t *testing.T, factory Factory) {
	backend, clock := factory(t), new(Clock)
	l := backend.Open(t, clock.Now)
	runs := 0
	send := func(l ledger.Ledger, r ledger.Request, body string) (ledger.Receipt, error) {
		return l.Write(t.Context(), r, func(ctx context.Context, tx ledger.Tx) error {
			runs++
			tx.SetAnswer([]byte("draft"))
			if err := puts(report("a", body, ledger.Any), report("b", body, ledger.Any))(ctx, tx); err != nil {
				return err
			}
			tx.SetAnswer([]byte("filed " + body))
			return nil
		})
	}
	mustWrite(t, l, as("ann"), report("z", "before", ledger.Absent))
	first, err := send(l, ask("ann", "r1", "x"), "one")
	require.NoError(t, err)
	require.Equal(t, ledger.Receipt{FirstSeq: 2, Seq: 3, Answer: []byte("filed one")}, first)
	mustWrite(t, l, as("bob"), report("z", "after", 1))
	before := head(t, l)

	again := first
	again.Replayed = true
	check := func(l ledger.Ledger) {
		got, err := send(l, ask("ann", "r1", "x"), "two")
		require.NoError(t, err)
		require.Equal(t, again, got, "a replay gets the first receipt")
		_, err = send(l, ask("ann", "r1", "y"), "three")
		require.ErrorIs(t, err, ledger.ErrRequestReused)
		require.Equal(t, 1, runs, "a replay must not run the callback")
		require.Equal(t, before, head(t, l), "a replay must write nothing")
	}
	check(l)
	require.NoError(t, l.Close())
	l = backend.Open(t, clock.Now)
	check(l)
	defer l.Close()

	// The id of a refused request stays free, so that it can be put right.
	refused := errors.New("refused")
	_, err = l.Write(t.Context(), ask("ann", "r2", "x"), func(ctx context.Context, tx ledger.Tx) error {
		_ = puts(report("c", "no", ledger.Absent))(ctx, tx)
		return refused
	})
	require.ErrorIs(t, err, refused)
	receipt := mustWrite(t, l, ask("ann", "r2", "y"), report("c", "yes", ledger.Absent))
	require.False(t, receipt.Replayed)

	// A request that changes nothing is remembered as well.
	nothing, err := l.Write(t.Context(), ask("ann", "r3", "x"), func(_ context.Context, tx ledger.Tx) error {
		tx.SetAnswer([]byte("nothing to do"))
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, ledger.Receipt{Seq: receipt.Seq, Answer: []byte("nothing to do")}, nothing)
	mustWrite(t, l, as("ann"), report("d", "later", ledger.Absent))
	got, err := l.Write(t.Context(), ask("ann", "r3", "x"), puts(report("e", "x", ledger.Absent)))
	require.NoError(t, err)
	nothing.Replayed = true
	require.Equal(t, nothing, got)
	_, err = l.Get(t.Context(), "reports/e")
	require.ErrorIs(t, err, ledger.ErrNotFound)

	// Many devices send the same queue at once: one is first.
	var wg sync.WaitGroup
	receipts := make([]ledger.Receipt, 16)
	for i := range receipts {
		wg.Go(func() {
			r, err := l.Write(context.Background(), ask("ann", "r4", "x"), puts(report("f", "once", ledger.Absent)))
			if err == nil {
				receipts[i] = r
			}
		})
	}
	wg.Wait()
	firsts := 0
	for _, r := range receipts {
		require.Equal(t, receipts[0].Seq, r.Seq)
		require.NotZero(t, r.FirstSeq)
		if !r.Replayed {
			firsts++
		}
	}
	require.Equal(t, 1, firsts)
	sound(t, l)
}

func requestActors(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, ask("ann", "r1", "x"), report("a", "ann's", ledger.Absent))
	receipt := mustWrite(t, l, ask("bob", "r1", "y"), report("b", "bob's", ledger.Absent))
	require.False(t, receipt.Replayed)
	_, err := l.Write(t.Context(), ask("bob", "r1", "x"), puts())
	require.ErrorIs(t, err, ledger.ErrRequestReused)
	// Without an id nothing is remembered.
	mustWrite(t, l, as("ann"), report("c", "1", ledger.Any))
	mustWrite(t, l, as("ann"), report("c", "2", ledger.Any))
	r, err := l.Get(t.Context(), "reports/c")
	require.NoError(t, err)
	require.Equal(t, int64(2), r.Revision)
	sound(t, l)
}

// replayErased: once what a request made is erased, nothing is kept that its
// content could be tried against: neither its fingerprint nor the salt of the
// body. It is still answered from memory, and what it asked is not compared.
func replayErased(t *testing.T, factory Factory) {
	backend, clock := factory(t), new(Clock)
	l := backend.Open(t, clock.Now)
	first := mustWrite(t, l, ask("ann", "r1", "x"), report("a", "ada fell", ledger.Absent), person("ada", "Ada Quoll"))
	mustWrite(t, l, ask("ann", "r2", "x"), report("b", "a branch came down", ledger.Absent))
	salt := func(l ledger.Ledger, i int) ledger.Salt {
		list, err := l.Changes(t.Context(), 0, 10)
		require.NoError(t, err)
		return list[i].Salt
	}
	was := salt(l, 0)
	_, err := l.Write(t.Context(), ask("ann", "r3", "x"), func(ctx context.Context, tx ledger.Tx) error {
		return tx.Erase(ctx, "reports/a")
	})
	require.NoError(t, err)
	check := func(l ledger.Ledger) {
		t.Helper()
		require.Equal(t, was.Who(), salt(l, 0).Who())
		require.Equal(t, make([]byte, 16), salt(l, 0).Body())
		for _, content := range []string{"x", "y"} {
			got, err := l.Write(t.Context(), ask("ann", "r1", content), puts(report("z", "again", ledger.Absent)))
			require.NoError(t, err)
			require.True(t, got.Replayed)
			require.Equal(t, first.Seq, got.Seq)
		}
		_, err := l.Write(t.Context(), ask("ann", "r2", "y"), puts())
		require.ErrorIs(t, err, ledger.ErrRequestReused, "of what was not erased it is kept")
		sound(t, l)
	}
	check(l)
	require.NoError(t, l.Close())
	l = backend.Open(t, clock.Now)
	defer l.Close()
	check(l)
}
