package moment_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/moment"
)

var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

// book is a ledger whose changes are an hour apart: change 1 at noon.
func book(t *testing.T, changes int) *sqlite.Store {
	t.Helper()
	now := noon
	l, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{Clock: func() time.Time { return now }})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	for i := range changes {
		now = noon.Add(time.Duration(i) * time.Hour)
		write(t, l, ledger.Put{Name: fmt.Sprintf("things/%d", i%3), Kind: "Thing", Verb: "file", Body: fmt.Appendf(nil, "body %d", i+1), IfRevision: ledger.Any})
	}
	return l
}

func write(t require.TestingT, l ledger.Ledger, p ledger.Put) {
	_, err := l.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, p)
		return err
	})
	require.NoError(t, err)
}

func number(n int64) *pb.AsAt {
	return &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: n}}
}
func instant(t time.Time) *pb.AsAt {
	return &pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(t)}}
}

func TestResolve(t *testing.T) {
	t.Parallel()
	l := book(t, 5)
	now := noon.AddDate(0, 0, 10)
	counted := func(as *pb.AsAt, t time.Time) *pb.AsAt { as.CountTime = timestamppb.New(t); return as }
	hour := func(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }
	for name, c := range map[string]struct {
		as    *pb.AsAt
		seq   int64
		count time.Time
	}{
		"a number":                         {number(3), 3, hour(2)},
		"the newest":                       {number(5), 5, hour(4)},
		"before the first":                 {number(0), 0, hour(0)},
		"a time between two":               {instant(hour(1.5)), 2, hour(1.5)},
		"the time of a change":             {instant(hour(1)), 2, hour(1)},
		"just before a change":             {instant(hour(1).Add(-time.Microsecond)), 1, hour(1).Add(-time.Microsecond)},
		"a time before all":                {instant(hour(-1)), 0, hour(-1)},
		"a time after all":                 {instant(hour(100)), 5, hour(100)},
		"now":                              {instant(now), 5, now},
		"a number, counted further":        {counted(number(3), hour(50)), 3, hour(50)},
		"a time, counted further":          {counted(instant(hour(1.5)), hour(50)), 2, hour(50)},
		"a clock that was put back a bit":  {counted(number(5), hour(3)), 5, hour(3)},
		"before the first, counted to now": {counted(number(0), now), 0, now},
	} {
		p, err := moment.Resolve(t.Context(), l, now, c.as, "as_at")
		require.NoError(t, err, name)
		require.Equal(t, c.seq, p.Seq, name)
		require.True(t, c.count.Equal(p.Count), "%s: counted to %s", name, p.Count)
		again, err := moment.Resolve(t.Context(), l, now.AddDate(1, 0, 0), p.AsAt(), "as_at")
		require.NoError(t, err, name)
		require.Equal(t, p.Seq, again.Seq, "%s: asked again with what was answered", name)
		require.True(t, p.Count.Equal(again.Count), name)
	}
	for name, c := range map[string]struct {
		as          *pb.AsAt
		field, says string
	}{
		"a number to come":      {number(6), "from.sequence_number", "newest change is 5"},
		"a number below 0":      {number(-1), "from.sequence_number", "0 or more"},
		"a time to come":        {instant(now.Add(time.Second)), "from.time", "has not come yet"},
		"a time before 1950":    {instant(time.Date(1949, 12, 31, 0, 0, 0, 0, time.UTC)), "from.time", "1950"},
		"no time at all":        {&pb.AsAt{Moment: &pb.AsAt_Time{Time: &timestamppb.Timestamp{Nanos: -1}}}, "from.time", "exists"},
		"counted to the future": {counted(number(3), now.Add(time.Hour)), "from.count_time", "has not come yet"},
		"counted to long ago":   {counted(number(3), hour(-48)), "from.count_time", "before the change"},
	} {
		_, err := moment.Resolve(t.Context(), l, now, c.as, "from")
		require.Equal(t, codes.InvalidArgument, status.Code(err), "%s: %v", name, err)
		br := status.Convert(err).Details()[1].(*errdetails.BadRequest)
		require.Equal(t, c.field, br.GetFieldViolations()[0].GetField(), name)
		require.Contains(t, br.GetFieldViolations()[0].GetDescription(), c.says, name)
	}
	p, err := moment.Resolve(t.Context(), book(t, 0), now, number(0), "as_at")
	require.NoError(t, err)
	require.Equal(t, moment.Point{Count: now}, p, "of an empty log, now")
}

func TestNowIsInWholeSeconds(t *testing.T) {
	t.Parallel()
	at, err := moment.Now(nil, noon.Add(1500*time.Millisecond), "as_at")
	require.NoError(t, err)
	require.Equal(t, noon.Add(time.Second), at)
	_, err = moment.Now(&pb.AsAt{CountTime: timestamppb.New(noon.Add(time.Hour))}, noon, "as_at")
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	past, err := moment.Listed(&pb.AsAt{}, "as_at")
	require.NoError(t, err)
	require.False(t, past)
	_, err = moment.Listed(&pb.AsAt{CountTime: timestamppb.New(noon)}, "as_at")
	require.Equal(t, codes.InvalidArgument, status.Code(err))
}

// TestLogIsTheLedgerThatStopped holds the log as at a number against a plain map
// that was filled with the changes up to it, for random writes.
func TestLogIsTheLedgerThatStopped(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	runs := 0
	rapid.Check(t, func(t *rapid.T) {
		runs++
		l, err := sqlite.Open(context.Background(), fmt.Sprintf("%s/%d", dir, runs), sqlite.Options{})
		require.NoError(t, err)
		defer l.Close()
		total := rapid.IntRange(1, 20).Draw(t, "changes")
		seq := rapid.IntRange(0, total).Draw(t, "as at")
		want := map[string]string{}
		for i := range total {
			name := fmt.Sprintf("things/%02d", rapid.IntRange(0, 9).Draw(t, "name"))
			body := fmt.Sprint("body ", i)
			write(t, l, ledger.Put{Name: name, Kind: "Thing", Verb: "file", Body: []byte(body), IfRevision: ledger.Any})
			if i < seq {
				want[name] = body
			}
		}
		log := moment.NewLog(l, moment.Point{Seq: int64(seq)})
		ctx := context.Background()
		head, err := log.Head(ctx)
		require.NoError(t, err)
		require.EqualValues(t, seq, head.Seq)
		size := rapid.IntRange(1, 12).Draw(t, "page")
		got := map[string]string{}
		for after := ""; ; {
			page, err := log.List(ctx, "Thing", "things/", after, size)
			require.NoError(t, err)
			for _, r := range page {
				require.Greater(t, r.Name, after)
				got[r.Name], after = string(r.Body), r.Name
				one, err := log.Get(ctx, r.Name)
				require.NoError(t, err)
				require.Equal(t, r, one)
			}
			if len(page) < size {
				break
			}
		}
		require.Equal(t, want, got)
		n := 0
		for after := int64(0); ; {
			changes, err := log.Changes(ctx, after, size)
			require.NoError(t, err)
			if len(changes) == 0 {
				break
			}
			n, after = n+len(changes), changes[len(changes)-1].Seq
		}
		require.Equal(t, seq, n)
	})
}

func TestErasedIsNotInTheLog(t *testing.T) {
	t.Parallel()
	l := book(t, 6)
	_, err := l.Write(t.Context(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		return tx.Erase(ctx, "things/1")
	})
	require.NoError(t, err)
	log := moment.NewLog(l, moment.Point{Seq: 5})
	_, err = log.Get(t.Context(), "things/1")
	require.ErrorIs(t, err, ledger.ErrNotFound)
	list, err := log.List(t.Context(), "", "", "", 10)
	require.NoError(t, err)
	require.Len(t, list, 2)
}
