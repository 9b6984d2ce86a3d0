package measure_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// events picks the reports in which nobody was hurt.
func events() *pb.ReportFilter { return &pb.ReportFilter{Kinds: guard.NobodyHurt()} }

// smallWorld has counts that point at people: 3 and 1 beside larger ones.
func smallWorld(t *testing.T) *world {
	w := testWorld(t)
	var all []story
	for _, c := range []struct {
		n                 int
		mechanism, agency string
		workplace         string
	}{
		{30, "1", "1", north}, {8, "1", "2", north}, {7, "1", "3", quarry},
		{3, "2", "1", north}, {40, "2", "2", quarry}, {9, "2", "3", north},
		{6, "3", "1", quarry}, {12, "3", "2", north}, {1, "3", "3", quarry},
		{2, "4", "1", north},
	} {
		all = append(all, times(c.n, story{mechanism: c.mechanism, agency: c.agency, workplace: c.workplace})...)
	}
	w.tell(t, all...)
	return w
}

// TestSmallCountsAreHeldBack: whoever does not read the reports sees no
// count under 5, nothing that gives one away, and how many are held back.
func TestSmallCountsAreHeldBack(t *testing.T) {
	t.Parallel()
	w := smallWorld(t)
	req := &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, PairLimit: 2000, IncludeSvg: true, Filter: events()}
	open := w.cross(t, adviser, req)
	require.Zero(t, open.GetHeldBack())
	require.NotNil(t, open.GetWhole())
	require.Len(t, open.GetPairs(), int(open.GetTried()))
	for _, role := range []pb.Role{pb.Role_ROLE_COMMITTEE, pb.Role_ROLE_OFFICER, pb.Role_ROLE_REPRESENTATIVE, pb.Role_ROLE_INTEGRATION} {
		c := w.cross(t, as(role), req)
		require.Positive(t, c.GetHeldBack(), role)
		held := int32(0)
		for i, n := range c.GetCounts() {
			if n == guard.HeldBack {
				held++
				continue
			}
			require.False(t, n > 0 && n < guard.Smallest, role)
			require.Equal(t, open.GetCounts()[i], n)
		}
		require.Equal(t, held, c.GetHeldBack())
		require.Nil(t, c.GetWhole(), "the test of the whole table would give a count away")
		require.Equal(t, open.GetTried(), c.GetTried())
		require.Contains(t, c.GetCautions()[len(c.GetCautions())-1], "held back")
		for _, p := range c.GetPairs() {
			require.NotEqual(t, int64(guard.HeldBack), c.GetCounts()[int(p.GetRow())*len(c.GetColumnHeads())+int(p.GetColumn())])
			require.GreaterOrEqual(t, p.GetCount(), int64(guard.Smallest))
			was := pairOf(open, p.GetRow(), p.GetColumn())
			require.InDelta(t, was.GetPValue(), p.GetPValue(), 0)
			require.GreaterOrEqual(t, p.GetQValue(), was.GetQValue()*(1-1e-12), "holding back never makes a find surer")
			require.False(t, p.GetStands() && !was.GetStands())
		}
		require.Contains(t, c.GetSvg(), "too few to show")
	}
	require.Zero(t, w.cross(t, as(pb.Role_ROLE_AUDITOR), req).GetHeldBack())

	r := w.rank(t, as(pb.Role_ROLE_COMMITTEE), &pb.RankCausesRequest{Dimension: byMechanism, IncludeSvg: true, Filter: events()})
	var hidden []string
	for _, row := range r.GetRows() {
		if row.GetCount() == guard.HeldBack {
			hidden = append(hidden, row.GetHead().GetKey())
			require.EqualValues(t, guard.HeldBack, row.GetReports())
			require.EqualValues(t, guard.HeldBack, row.GetHead().GetTotal())
			require.Zero(t, row.GetRank())
			require.Nil(t, row.RunningShare)
			require.Nil(t, row.Share)
		}
	}
	require.Equal(t, []string{"3", "4"}, hidden, "4 is small, and 3 would give it away")
	require.EqualValues(t, 2, r.GetHeldBack())
	require.Nil(t, r.GetRows()[1].GapPValue, "the gap to a count held back would give it away")
	require.Contains(t, r.GetSvg(), "held back")
}

func pairOf(c *pb.CauseCross, row, column int32) *pb.CausePair {
	for _, p := range c.GetPairs() {
		if p.GetRow() == row && p.GetColumn() == column {
			return p
		}
	}
	return nil
}

// TestHeldBackTellsNothing: whatever the small counts are, as long as all that is
// shown stays the same, the answer is the same to the last bit.
func TestHeldBackTellsNothing(t *testing.T) {
	t.Parallel()
	answer := func(a, b, c, d int) proto.Message {
		w := testWorld(t)
		var all []story
		for _, x := range []struct {
			n                 int
			mechanism, agency string
		}{{a, "1", "1"}, {b, "1", "2"}, {30, "1", "3"}, {c, "2", "1"}, {d, "2", "2"}, {25, "2", "3"}, {40, "3", "1"}, {45, "3", "2"}, {50, "3", "3"}} {
			all = append(all, times(x.n, story{mechanism: x.mechanism, agency: x.agency})...)
		}
		w.tell(t, all...)
		got := w.cross(t, as(pb.Role_ROLE_COMMITTEE), &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, IncludeSvg: true, Filter: events()})
		require.EqualValues(t, 4, got.GetHeldBack())
		return got
	}
	want := answer(2, 9, 9, 6)
	for _, same := range [][4]int{{3, 8, 8, 7}, {4, 7, 7, 8}, {1, 10, 10, 5}} {
		require.True(t, proto.Equal(want, answer(same[0], same[1], same[2], same[3])), "%v can be told from the answer", same)
	}
}

// TestUnknownHeldBack: where few lack a value, nothing may tell how many have one.
func TestUnknownHeldBack(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.tell(t, append(append(times(20, story{mechanism: "1", agency: "1"}), times(10, story{mechanism: "2", agency: "2"})...), times(2, story{})...)...)
	committee := as(pb.Role_ROLE_COMMITTEE)
	r := w.rank(t, committee, &pb.RankCausesRequest{Dimension: byMechanism, Filter: events()})
	require.EqualValues(t, guard.HeldBack, r.GetUnknown().GetCount())
	require.EqualValues(t, guard.HeldBack, r.GetMissing().GetOf())
	require.EqualValues(t, guard.HeldBack, r.GetUnreviewed().GetOf())
	require.EqualValues(t, 2, r.GetHeldBack())
	for _, row := range r.GetRows() {
		require.True(t, row.GetShare() == nil || row.GetShare().Value == nil)
		require.Nil(t, row.RunningShare)
	}
	require.Equal(t, "Most often: 1 title of 1, 20 reports.", r.GetSentence())
	c := w.cross(t, committee, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, Filter: events()})
	require.EqualValues(t, guard.HeldBack, c.GetTotal())
	require.EqualValues(t, guard.HeldBack, c.GetRowsUnknown())
	require.EqualValues(t, guard.HeldBack, c.GetColumnsUnknown())
	require.EqualValues(t, guard.HeldBack, c.GetMissing().GetCount())
	require.EqualValues(t, guard.HeldBack, c.GetRowsUnreviewed().GetOf())
	require.EqualValues(t, 30, c.GetKnown())
	// A handful of reports is not even counted.
	few := testWorld(t)
	few.tell(t, times(3, story{mechanism: "1"})...)
	r = few.rank(t, committee, &pb.RankCausesRequest{Dimension: byMechanism, Filter: events()})
	require.EqualValues(t, guard.HeldBack, r.GetTotal())
	require.Equal(t, "All counts are held back: they are too small to show without pointing at a person.", r.GetSentence())
	x := few.clusters(t, committee, &pb.FindClustersRequest{Category: byMechanism, Filter: events()})
	require.EqualValues(t, guard.HeldBack, x.GetTotal())
	require.EqualValues(t, 5, x.GetMinCount())
	require.Empty(t, x.GetClusters())
}

// TestCausesKeepToScope: a supervisor of one depot never sees another's.
func TestCausesKeepToScope(t *testing.T) {
	t.Parallel()
	w := smallWorld(t)
	boss := as(pb.Role_ROLE_SUPERVISOR, north)
	r := w.rank(t, boss, &pb.RankCausesRequest{Dimension: byWorkplace})
	require.Len(t, r.GetRows(), 1)
	require.Equal(t, north, r.GetRows()[0].GetHead().GetKey())
	require.Equal(t, "Northside depot and everything below it", r.GetScope())
	only := w.rank(t, boss, &pb.RankCausesRequest{Dimension: byMechanism, Filter: &pb.ReportFilter{Workplaces: []string{north}}})
	require.Equal(t, r.GetTotal(), only.GetTotal())
	shire := w.rank(t, boss, &pb.RankCausesRequest{Dimension: byMechanism, Filter: &pb.ReportFilter{Workplaces: []string{shire}}})
	require.Equal(t, r.GetTotal(), shire.GetTotal(), "what is asked for above is narrowed")
	c := w.cross(t, boss, &pb.CrossCausesRequest{Rows: byWorkplace, Columns: byMechanism})
	for _, h := range c.GetRowHeads() {
		require.Equal(t, north, h.GetKey())
	}
	x := w.clusters(t, boss, &pb.FindClustersRequest{Category: byMechanism})
	require.LessOrEqual(t, x.GetPlaces(), int32(1))
	for _, place := range []string{quarry, "workplaces/nowhere"} {
		f := &pb.ReportFilter{Workplaces: []string{place}}
		for name, ask := range map[string]func(context.Context) error{
			"rank": func(ctx context.Context) error {
				_, err := w.RankCauses(ctx, &pb.RankCausesRequest{Dimension: byMechanism, Filter: f})
				return err
			},
			"cross": func(ctx context.Context) error {
				_, err := w.CrossCauses(ctx, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, Filter: f})
				return err
			},
			"clusters": func(ctx context.Context) error {
				_, err := w.FindClusters(ctx, &pb.FindClustersRequest{Category: byMechanism, Filter: f})
				return err
			},
		} {
			require.Equal(t, codes.PermissionDenied, status.Code(ask(boss)), "%s of %s", name, place)
		}
	}
}

// TestLeads: a number leads to its reports only where the caller may list them,
// and by codes only where the caller may read codes.
func TestLeads(t *testing.T) {
	t.Parallel()
	w := smallWorld(t)
	for _, c := range []struct {
		role          pb.Role
		plain, byCode bool
	}{
		{pb.Role_ROLE_ADVISER, true, true}, {pb.Role_ROLE_AUDITOR, true, true}, {pb.Role_ROLE_SUPERVISOR, true, false},
		{pb.Role_ROLE_REPRESENTATIVE, true, false}, {pb.Role_ROLE_COMMITTEE, false, false}, {pb.Role_ROLE_INTEGRATION, false, false},
	} {
		r := w.rank(t, as(c.role), &pb.RankCausesRequest{Dimension: byMechanism, Filter: events()})
		require.Equal(t, c.byCode, r.GetRows()[0].GetFilter() != nil, c.role)
		r = w.rank(t, as(c.role), &pb.RankCausesRequest{Dimension: byWorkplace})
		require.Equal(t, c.plain, r.GetRows()[0].GetFilter() != nil, c.role)
		// A filter by codes that the caller gave is one by codes too.
		r = w.rank(t, as(c.role), &pb.RankCausesRequest{Dimension: byWorkplace, Filter: &pb.ReportFilter{Kinds: guard.NobodyHurt(), Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM, Code: "1"}}}})
		require.Equal(t, c.byCode, r.GetRows()[0].GetFilter() != nil, c.role)
	}
}
