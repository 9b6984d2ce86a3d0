package facts_test

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/moment"
	"fairlead/services/record"
	"fairlead/services/workplace"
)

// then returns the facts as they stood after a change, built from the log that
// has gone on since.
func (w *world) then(t tb, seq int64) *facts.Facts {
	t.Helper()
	log := moment.NewLog(w.ledger, moment.Point{Seq: seq})
	tree := workplace.NewTree(log, time.Now)
	require.NoError(t, tree.CatchUp(context.Background()))
	f := facts.New(log, tree, prefixes{})
	require.NoError(t, f.CatchUp(context.Background()))
	return f
}

// upTo makes another world, which was never told more than the first changes.
func (w *world) upTo(t tb, dir string, seq int64) *world {
	t.Helper()
	l, err := sqlite.Open(context.Background(), dir, sqlite.Options{})
	require.NoError(t, err)
	changes, err := w.ledger.Changes(context.Background(), 0, int(seq)+1)
	require.NoError(t, err)
	for _, c := range changes[:seq] {
		_, err := l.Write(context.Background(), ledger.Request{Actor: c.Actor}, func(ctx context.Context, tx ledger.Tx) error {
			_, err := tx.Put(ctx, ledger.Put{Name: c.Name, Kind: c.Kind, Verb: c.Verb, Body: c.Body, IfRevision: ledger.Any})
			return err
		})
		require.NoError(t, err)
	}
	return &world{ledger: l, tree: workplace.NewTree(l, time.Now), at: map[string]int64{}}
}

// TestThenIsAsIfNothingMoreCame lets a world change at random, asks for it as at a
// random change, and holds the answer against a world that stopped there and
// against a recount of its resources.
func TestThenIsAsIfNothingMoreCame(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dirs := [2]string{}
		for i := range dirs {
			dir, err := os.MkdirTemp("", "facts")
			require.NoError(t, err)
			defer os.RemoveAll(dir)
			dirs[i] = dir
		}
		w := newWorld(t, dirs[0])
		defer w.ledger.Close()
		reports := map[string]*pb.Report{}
		var last int64
		for range rapid.IntRange(1, 4).Draw(t, "steps") {
			var writes []proto.Message
			for range rapid.IntRange(1, 15).Draw(t, "writes") {
				writes = append(writes, change(t, reports))
			}
			last = w.put(t, writes...)
		}
		seq := rapid.Int64Range(5, last).Draw(t, "as at")
		stopped := w.upTo(t, dirs[1], seq)
		defer stopped.ledger.Close()
		fresh := stopped.facts(t)
		frozen := w.then(t, seq)

		at, want, err := fresh.Digest()
		require.NoError(t, err)
		require.Equal(t, seq, at)
		at, got, err := frozen.Digest()
		require.NoError(t, err)
		require.Equal(t, seq, at)
		require.Equal(t, want, got, "as at %d is not what stood at %d", seq, seq)
		n := stopped.naive(t)
		for range 4 {
			askSame(t, frozen, n)
		}
	})
}

// TestErasedIsNowhere: what the ledger no longer holds is in no list and in no
// figure of any moment, whether the projection saw it before or not.
func TestErasedIsNowhere(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	followed := facts.New(w.ledger, w.tree, prefixes{})
	report := func(n int) *pb.Report {
		return &pb.Report{Name: reportName(n), Workplace: "workplaces/north", State: pb.ReportState_REPORT_STATE_RECEIVED, Kind: 3,
			OccurTime: at(t, "2026-03-04T09:00:00Z"), Harms: []*pb.Harm{{HarmId: "h1", Outcome: 5}}}
	}
	coding := codingOf(reportName(1), "h1")
	coding.Mechanism = "21"
	before := w.put(t, report(1), report(2), coding)
	w.catchUp(t, followed)
	_, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		for _, name := range []string{reportName(1), coding.GetName()} {
			if err := tx.Erase(ctx, name); err != nil {
				return err
			}
		}
		left := &pb.Report{Name: reportName(1), Workplace: "workplaces/north", State: pb.ReportState_REPORT_STATE_VOIDED}
		p, err := record.Put(left, left.GetName(), record.KindReport, record.VerbErase, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	require.NoError(t, err)
	require.Zero(t, followed.Erasures())
	w.catchUp(t, followed)
	require.EqualValues(t, 1, followed.Erasures(), "what was built before is old")

	then := w.then(t, before)
	require.EqualValues(t, 1, then.Erased())
	names, _, total, err := then.Newest(nil, nil, "", 10)
	require.NoError(t, err)
	require.EqualValues(t, 1, total)
	require.Equal(t, []string{reportName(2)}, names)
	table, err := then.Tabulate(nil, nil, pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_OUTCOME, 0, true)
	require.NoError(t, err)
	require.EqualValues(t, 1, table.GetTotal())
	require.EqualValues(t, 1, table.GetRowsUnknown())

	for _, f := range []*facts.Facts{followed, w.facts(t)} {
		require.Zero(t, f.Erased(), "what remains of it is there")
		_, _, total, err := f.Newest(&pb.ReportFilter{IncludeVoided: true}, nil, "", 10)
		require.NoError(t, err)
		require.EqualValues(t, 2, total)
	}
}
