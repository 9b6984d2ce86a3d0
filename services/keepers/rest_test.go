package keepers_test

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// TestCloseOpenNames closes what lay open once there is a keeper: the open name
// is gone from every version, and everything else is left as it is.
func TestCloseOpenNames(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	inConfidence := w.confided("Linnet Marshwiggle")
	// Told in confidence before names went on a day; told openly; destroyed.
	old := w.file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, &pb.Teller{DisplayName: "Sedge Marshwiggle"})
	openly := w.file(pb.TellerMode_TELLER_MODE_NAMED, &pb.Teller{DisplayName: "Fern Placeholder"})
	gone := w.file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, &pb.Teller{DisplayName: "Reed Marshwiggle"})
	_, err := w.l.Write(t.Context(), ledger.Request{Actor: "principals/the-house"}, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, gone); err != nil {
			return err
		}
		p, err := record.Put(&pb.Teller{Name: gone, DisplayName: "erased"}, gone, record.KindTeller, record.VerbErase, ledger.Any)
		if err == nil {
			_, err = tx.Put(ctx, p)
		}
		return err
	})
	require.NoError(t, err)
	done, err := w.CloseOpenNames(t.Context())
	require.NoError(t, err)
	require.Zero(t, done, "nobody keeps names yet")
	require.Equal(t, "Linnet Marshwiggle", w.stored(inConfidence).GetDisplayName())

	w.keeper("ada", adas)
	done, err = w.CloseOpenNames(t.Context())
	require.NoError(t, err)
	require.Equal(t, 2, done)
	w.nowhere("Linnet Marshwiggle", "Sedge", "channel 9")
	for name, display := range map[string]string{inConfidence: "Linnet Marshwiggle", old: "Sedge Marshwiggle"} {
		who, err := w.opens("ada", adas, name)
		require.NoError(t, err)
		require.Equal(t, display, who.GetDisplayName())
		history, err := w.l.History(t.Context(), name)
		require.NoError(t, err)
		require.Len(t, history, 2)
		require.True(t, history[0].Erased)
		require.Equal(t, "principals/the-house "+record.VerbClose, history[1].Actor+" "+history[1].Verb)
	}
	require.Equal(t, "2026-06-02", w.stored(inConfidence).GetEraseDate())
	require.Equal(t, "Fern Placeholder", w.stored(openly).GetDisplayName())
	require.Equal(t, "erased", w.stored(gone).GetDisplayName())

	head, err := w.l.Head(t.Context())
	require.NoError(t, err)
	done, err = w.CloseOpenNames(t.Context())
	require.NoError(t, err)
	require.Zero(t, done)
	again, err := w.l.Head(t.Context())
	require.NoError(t, err)
	require.Equal(t, head.Seq, again.Seq, "nothing is written when there is nothing to do")
	w.sound()
}

// TestCloseOpenNames_crash loses the ledger after each number of steps: what was
// closed stays closed, the rest is closed at the next start, and nothing twice.
func TestCloseOpenNames_crash(t *testing.T) {
	t.Parallel()
	const many = 120 // three steps
	for steps := range 3 {
		t.Run(fmt.Sprint(steps, " steps"), func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			var all []string
			for n := range many {
				all = append(all, w.confided(fmt.Sprintf("Linnet Marshwiggle the %dth", n)))
			}
			w.keeper("ada", adas)
			done, err := w.over(&cut{Store: w.l, left: steps}).CloseOpenNames(t.Context())
			require.ErrorIs(t, err, errCrash)
			require.Equal(t, 50*steps, done)
			w.open()
			rest, err := w.CloseOpenNames(t.Context())
			require.NoError(t, err)
			require.Equal(t, many, done+rest)
			w.nowhere("Marshwiggle")
			for n, name := range all {
				history, err := w.l.History(t.Context(), name)
				require.NoError(t, err)
				require.Len(t, history, 2, "name %d is closed once", n)
			}
			who, err := w.opens("ada", adas, all[many-1])
			require.NoError(t, err)
			require.Equal(t, fmt.Sprintf("Linnet Marshwiggle the %dth", many-1), who.GetDisplayName())
			w.sound()
		})
	}
}

// TestCloseDaily closes by itself when somebody becomes a keeper, and at the next
// start what a filing left open that saw no keeper.
func TestCloseDaily(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	run := func() (stop func()) {
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			w.CloseDaily(ctx, slog.New(slog.DiscardHandler))
		}()
		return func() { cancel(); <-done }
	}
	closed := func(name string) {
		t.Helper()
		require.Eventually(t, func() bool { return len(w.stored(name).GetClosed()) > 0 }, 30*time.Second, 10*time.Millisecond)
	}
	first := w.confided("Linnet Marshwiggle")
	stop := run()
	w.keeper("ada", adas)
	closed(first)
	stop()
	report := "reports/" + uuid.NewString()
	late := &pb.Teller{Name: report + "/teller", DisplayName: "Sedge Marshwiggle", EraseDate: "2026-06-02"}
	w.put(&pb.Report{Name: report, TellerMode: pb.TellerMode_TELLER_MODE_CONFIDENTIAL}, late)
	stop = run()
	closed(late.GetName())
	stop()
}
