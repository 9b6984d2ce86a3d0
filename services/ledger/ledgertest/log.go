package ledgertest

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

func logOrder(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, ask("ann", "r1", "x"), report("a", "one", ledger.Absent), report("b", "two", ledger.Absent))
	mustWrite(t, l, as("bob"), report("a", "three", 1))
	changes, err := l.Changes(t.Context(), 0, 100)
	require.NoError(t, err)
	want := []ledger.Change{
		{Seq: 1, Time: Start, Actor: "ann", Verb: "file", Name: "reports/a", Kind: "Report", Revision: 1, Body: []byte("one"), RequestID: "r1"},
		{Seq: 2, Time: Start, Actor: "ann", Verb: "file", Name: "reports/b", Kind: "Report", Revision: 1, Body: []byte("two"), RequestID: "r1"},
		{Seq: 3, Time: Start, Actor: "bob", Verb: "amend", Name: "reports/a", Kind: "Report", Revision: 2, Body: []byte("three")},
	}
	require.Len(t, changes, len(want))
	var prev [32]byte
	for i := range want {
		require.Equal(t, 2, changes[i].Salt.Format())
		want[i].Salt = changes[i].Salt
		want[i].BodyHash = ledger.BodyHash(want[i].Salt, want[i].Body)
		want[i].PrevHash = prev
		want[i].Hash = ledger.HashChange(want[i])
		prev = want[i].Hash
	}
	require.Equal(t, want, changes)
	require.Equal(t, ledger.Head{Seq: 3, Hash: prev, Time: Start}, head(t, l))

	for after := int64(0); after <= 4; after++ {
		for limit := 1; limit <= 4; limit++ {
			got, err := l.Changes(t.Context(), after, limit)
			require.NoError(t, err)
			lo := min(int(after), 3)
			hi := min(lo+limit, 3)
			require.Equal(t, append([]ledger.Change(nil), want[lo:hi]...), got, "after %d limit %d", after, limit)
		}
	}
	_, err = l.Changes(t.Context(), 0, 0)
	require.ErrorIs(t, err, ledger.ErrInvalid)
}

func historyAndAsAt(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, as("ann"), report("a", "a1", ledger.Absent)) // 1
	mustWrite(t, l, as("ann"), report("b", "b1", ledger.Absent)) // 2
	mustWrite(t, l, as("bob"), report("a", "a2", 1))             // 3
	mustWrite(t, l, as("ann"), report("a", "a3", 2))             // 4

	history, err := l.History(t.Context(), "reports/a")
	require.NoError(t, err)
	all, err := l.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Equal(t, []ledger.Change{all[0], all[2], all[3]}, history, "a history is the log of one name, hashes included")
	_, err = l.History(t.Context(), "reports/c")
	require.ErrorIs(t, err, ledger.ErrNotFound)

	for seq, want := range map[int64]string{1: "a1", 2: "a1", 3: "a2", 4: "a3"} {
		r, err := l.GetAt(t.Context(), "reports/a", seq)
		require.NoError(t, err)
		require.Equal(t, want, string(r.Body), "as at %d", seq)
	}
	r, err := l.GetAt(t.Context(), "reports/a", 3)
	require.NoError(t, err)
	require.Equal(t, ledger.Resource{Name: "reports/a", Kind: "Report", Body: []byte("a2"), Revision: 2, Seq: 3}, r)
	for _, seq := range []int64{1, 0, -1} {
		_, err = l.GetAt(t.Context(), "reports/b", seq)
		require.ErrorIs(t, err, ledger.ErrNotFound, "as at %d", seq)
	}
	_, err = l.GetAt(t.Context(), "reports/a", 5)
	require.ErrorIs(t, err, ledger.ErrAhead, "the future must not look like the present")
}

func waitAndWatch(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	require.NoError(t, l.Wait(t.Context(), 0))
	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	require.ErrorIs(t, l.Wait(short, 1), context.DeadlineExceeded)

	wake, stop := l.Watch()
	waited := make(chan error, 1)
	go func() { waited <- l.Wait(context.Background(), 2) }()
	mustWrite(t, l, as("ann"), report("a", "1", ledger.Absent))
	mustWrite(t, l, as("ann"), report("b", "2", ledger.Absent))
	require.NoError(t, <-waited)
	require.Equal(t, int64(2), head(t, l).Seq)

	<-wake
	select {
	case <-wake:
		t.Fatal("two commits nobody took must be one wake")
	default:
	}
	mustWrite(t, l, as("ann"), report("c", "3", ledger.Absent))
	<-wake
	stop()
	mustWrite(t, l, as("ann"), report("d", "4", ledger.Absent))
	select {
	case <-wake:
		t.Fatal("a stopped watch must not wake")
	default:
	}
}

func follow(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, as("ann"), report("a", "1", ledger.Absent), report("b", "2", ledger.Absent), report("c", "3", ledger.Absent))

	// A projection that stumbles: each restart goes on from what it kept.
	var kept []ledger.Change
	var cursor ledger.Cursor
	stumble := errors.New("stumbled")
	calls := 0
	apply := func(_ context.Context, changes []ledger.Change) error {
		if calls++; calls == 2 {
			return stumble
		}
		require.NotEmpty(t, changes)
		require.LessOrEqual(t, len(changes), 2)
		kept = append(kept, changes...)
		cursor.Advance(changes[len(changes)-1].Seq)
		return nil
	}
	require.ErrorIs(t, ledger.Follow(t.Context(), l, 0, 2, apply), stumble)
	require.Equal(t, int64(2), cursor.Seq())

	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := ledger.Follow(ctx, l, cursor.Seq(), 2, apply); !errors.Is(err, context.Canceled) {
			t.Errorf("Follow = %v, want its context's end", err)
		}
	})
	for i := range 40 {
		receipt := mustWrite(t, l, as("ann"), report(numbered(i), "x", ledger.Absent))
		if i%8 == 0 {
			require.NoError(t, cursor.Wait(t.Context(), receipt.Seq), "read your own write")
		}
	}
	require.NoError(t, cursor.Wait(t.Context(), 43))
	cancel()
	wg.Wait()
	all, err := l.Changes(t.Context(), 0, 100)
	require.NoError(t, err)
	require.Equal(t, all, kept, "every change once and in order, since nothing crashed after keeping")
	require.ErrorIs(t, ledger.Follow(t.Context(), l, 0, 0, apply), ledger.ErrInvalid)
}

func closing(t *testing.T, factory Factory) {
	backend, clock := factory(t), new(Clock)
	l := backend.Open(t, clock.Now)
	waited := make(chan error, 1)
	go func() { waited <- l.Wait(context.Background(), 1000) }()

	// Writes that were accepted before Close are finished, not dropped.
	const n = 50
	var wg sync.WaitGroup
	var mu sync.Mutex
	done := make(map[string]bool)
	hold, holding := make(chan struct{}), make(chan struct{})
	for i := range n {
		wg.Go(func() {
			_, err := l.Write(context.Background(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
				if i == 0 {
					close(holding)
					<-hold
				}
				return puts(report(numbered(i), "x", ledger.Absent))(ctx, tx)
			})
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil:
				done["reports/"+numbered(i)] = true
			case !errors.Is(err, ledger.ErrClosed):
				t.Error(err)
			}
		})
	}
	<-holding
	closed := make(chan error, 1)
	go func() { closed <- l.Close() }()
	close(hold)
	wg.Wait()
	require.NoError(t, <-closed)
	require.NoError(t, l.Close(), "closing twice is fine")
	require.ErrorIs(t, <-waited, ledger.ErrClosed)
	_, err := l.Write(t.Context(), as("ann"), puts())
	require.ErrorIs(t, err, ledger.ErrClosed)
	_, err = l.Get(t.Context(), "reports/x")
	require.ErrorIs(t, err, ledger.ErrClosed)

	l = backend.Open(t, clock.Now)
	list, err := l.List(t.Context(), "", "", "", 2*n)
	require.NoError(t, err)
	require.Len(t, list, len(done))
	for _, r := range list {
		require.True(t, done[r.Name], "%s was written but not acknowledged", r.Name)
	}
	sound(t, l)
	require.NoError(t, l.Close())
}
