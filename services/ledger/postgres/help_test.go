package postgres_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
)

func openStore(tb testing.TB, address string, opts postgres.Options) *postgres.Store {
	tb.Helper()
	if opts.Readers == 0 {
		opts.Readers = 2
	}
	s, err := postgres.Open(tb.Context(), address, opts)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, s.Close()) })
	return s
}

func put(name, body string) func(context.Context, ledger.Tx) error {
	return func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, ledger.Put{Name: name, Kind: "Report", Verb: "file", Body: []byte(body), IfRevision: ledger.Any})
		return err
	}
}

var ann = ledger.Request{Actor: "people/ann"}

func mustWrite(tb testing.TB, s *postgres.Store, name, body string) ledger.Receipt {
	tb.Helper()
	r, err := s.Write(tb.Context(), ann, put(name, body))
	require.NoError(tb, err)
	return r
}

func requireSound(tb testing.TB, s *postgres.Store) ledger.Report {
	tb.Helper()
	report, err := s.Verify(tb.Context())
	require.NoError(tb, err)
	require.Empty(tb, report.Problems)
	return report
}

// send files report id and its twin with one request, as a tablet does that
// sends again until it is answered.
func send(s *postgres.Store, id string) (ledger.Receipt, error) {
	r := ledger.Request{Actor: "devices/tablet-1", ID: id, Fingerprint: sha256.Sum256([]byte(id))}
	return s.Write(context.Background(), r, func(ctx context.Context, tx ledger.Tx) error {
		for _, name := range []string{"reports/" + id, "twins/" + id} {
			if _, err := tx.Put(ctx, ledger.Put{Name: name, Kind: "Report", Verb: "file", Body: []byte(id)}); err != nil {
				return err
			}
		}
		tx.SetAnswer([]byte(id))
		return nil
	})
}

// once requires that a report and its twin are there, written once, as said.
func once(tb testing.TB, s *postgres.Store, id string, seq int64) {
	tb.Helper()
	for i, name := range []string{"reports/" + id, "twins/" + id} {
		history, err := s.History(tb.Context(), name)
		require.NoError(tb, err, "acknowledged, then lost")
		require.Len(tb, history, 1, "written twice")
		require.Equal(tb, seq-1+int64(i), history[0].Seq)
	}
}

// acks is who was told what.
type acks struct {
	mu    sync.Mutex
	acked map[string]int64
	tried []string
	errs  []error
}

// load sends from many goroutines to the stores in turn until stop is closed.
// Each goes on after an error.
func load(stores []*postgres.Store, writers int, stop <-chan struct{}) (*acks, *sync.WaitGroup) {
	a, wg := &acks{acked: map[string]int64{}}, new(sync.WaitGroup)
	for w := range writers {
		wg.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				id := fmt.Sprintf("%d-%d", w, i)
				r, err := send(stores[(w+i)%len(stores)], id)
				a.mu.Lock()
				a.tried = append(a.tried, id)
				if err != nil {
					a.errs = append(a.errs, err)
				} else {
					a.acked[id] = r.Seq
				}
				a.mu.Unlock()
			}
		})
	}
	return a, wg
}

// settle sends everything again that was tried: what was acknowledged must be
// answered from memory, what was not is written now or had been.
func (a *acks) settle(tb testing.TB, s *postgres.Store) {
	tb.Helper()
	for _, id := range a.tried {
		r, err := send(s, id)
		require.NoError(tb, err)
		if seq, ok := a.acked[id]; ok {
			require.True(tb, r.Replayed, "%s was acknowledged", id)
			require.Equal(tb, seq, r.Seq)
		}
		require.Equal(tb, id, string(r.Answer))
		once(tb, s, id, r.Seq)
	}
	report := requireSound(tb, s)
	require.Equal(tb, int64(2*len(a.tried)), report.Changes, "nothing is written twice, nothing is lost")
	require.Equal(tb, report.Changes, report.Resources)
}

// soon waits until something is so.
func soon(tb testing.TB, what string, is func() bool) {
	tb.Helper()
	require.Eventually(tb, is, 30*time.Second, 5*time.Millisecond, what)
}
