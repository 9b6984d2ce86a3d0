package hours

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

func TestImportTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	req := &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 4000, 28), block("shire-south", "2026-03", 3000, 20))}
	first, err := s.ImportHours(ctx, req)
	require.NoError(t, err)
	require.EqualValues(t, 2, first.GetCreated())
	again, err := s.ImportHours(ctx, req)
	require.NoError(t, err)
	require.EqualValues(t, 2, again.GetUnchanged())
	require.Equal(t, first.GetSequenceNumber(), again.GetSequenceNumber(), "nothing was written")
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	neg := block("shire-north", "2026-03", -5, 28)
	nan := block("shire-north", "2026-03", math.NaN(), 28)
	public := block("shire-north", "2026-03", 10, 1)
	public.EmploymentGroup = pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC
	strange := block("shire-north", "2026-03", 10, 1)
	strange.EmploymentGroup = 77
	for name, c := range map[string]struct {
		rows  []*pb.HoursRow
		field string
		says  []string
	}{
		"negative":           {rowsOf(neg), "rows[0].hours.hours_worked", []string{"line 2, column hours_worked: ", "from 0 to 100,000,000"}},
		"not a number":       {rowsOf(nan), "rows[0].hours.hours_worked", []string{"line 2"}},
		"impossible":         {rowsOf(block("shire-north", "2026-02", 28*24*10+1, 10)), "rows[0].hours.hours_worked", []string{"more than the 672 that the month has"}},
		"hours for nobody":   {rowsOf(block("shire-north", "2026-02", 100, 0)), "rows[0].hours.head_count", []string{"average number of people"}},
		"unknown workplace":  {rowsOf(block("shire-nort", "2026-02", 100, 1)), "rows[0].hours.workplace", []string{"did you mean workplaces/shire-north"}},
		"future":             {rowsOf(block("shire-north", "2026-08", 100, 1)), "rows[0].hours.month", []string{"has not begun"}},
		"before 1950":        {rowsOf(block("shire-north", "1949-12", 100, 1)), "rows[0].hours.month", []string{"line 2"}},
		"bad month":          {rowsOf(block("shire-north", "2026-13", 100, 1)), "rows[0].hours.month", []string{"line 2"}},
		"public":             {rowsOf(public), "rows[0].hours.employment_group", []string{"work no hours"}},
		"unknown group":      {rowsOf(strange), "rows[0].hours.employment_group", []string{"employee, labour hire"}},
		"twice in the file":  {rowsOf(block("shire-north", "2026-02", 100, 1), block("shire-north", "2026-02", 100, 1)), "rows[1].hours.workplace", []string{"line 3", "line 2"}},
		"within the file":    {rowsOf(block("shire-north", "2026-02", 100, 1), block("shire-north-trees", "2026-02", 50, 1)), "rows[1].hours.workplace", []string{"line 3", "line 2", "count twice"}},
		"an empty row":       {[]*pb.HoursRow{{Line: 9}}, "rows[0].hours", []string{"line 9", "empty"}},
		"restate, no reason": {rowsOf(block("shire-north", "2026-02", 100, 1)), "reason", []string{"why"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s, ctx := open(t)
			_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: c.rows, Restate: name == "restate, no reason"})
			got := violations(t, err)
			require.Contains(t, got, c.field)
			for _, w := range c.says {
				require.Contains(t, got[c.field], w)
			}
			list, err := s.ListHours(ctx, &pb.ListHoursRequest{})
			require.NoError(t, err)
			require.Empty(t, list.GetHours(), "nothing is half stored")
		})
	}
}

func TestAllFaultsAreSaidAtOnce(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("nowhere", "2026-02", 1, 1), block("shire-north", "2026-09", 1, 1), block("shire-south", "2026-02", 1, 1))})
	require.Len(t, violations(t, err), 2)
}

func TestWarning(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	out, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-02", 2810, 10), block("shire-south", "2026-02", 2800, 10))})
	require.NoError(t, err)
	require.Len(t, out.GetWarnings(), 1)
	require.EqualValues(t, 2, out.GetWarnings()[0].GetLine())
}

func TestRestate(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 4000, 28))})
	require.NoError(t, err)
	changed := rowsOf(block("shire-north", "2026-03", 4100, 28))
	_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: changed})
	require.Contains(t, violations(t, err)["rows[0].hours.hours_worked"], "restate")
	out, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: changed, Restate: true, Reason: "payroll run corrected"})
	require.NoError(t, err)
	require.EqualValues(t, 1, out.GetRestated())
	list, err := s.ListHours(ctx, &pb.ListHoursRequest{Workplace: "workplaces/shire-north"})
	require.NoError(t, err)
	require.Equal(t, 4100.0, list.GetHours()[0].GetHoursWorked())
	require.Equal(t, "payroll run corrected", list.GetHours()[0].GetRestateReason())
}

func TestOverlapWithStored(t *testing.T) {
	t.Parallel()
	for _, pair := range [][2]string{{"shire-north", "shire-north-trees"}, {"shire-north-trees", "shire-north"}, {"shire-north-trees", "shire"}} {
		s, ctx := open(t)
		_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block(pair[0], "2026-03", 400, 3))})
		require.NoError(t, err)
		_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block(pair[1], "2026-03", 400, 3))})
		require.Contains(t, violations(t, err)["rows[0].hours.workplace"], "count twice", pair)
		_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block(pair[1], "2026-04", 400, 3))})
		require.NoError(t, err, "another month does not clash")
	}
}

// TestOverlapBesideAnotherRow: the file names a crew in one month and, in
// another, the shire above it; hours of the other depot are stored for that one.
func TestOverlapBesideAnotherRow(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-south", "2026-03", 400, 3))})
	require.NoError(t, err)
	_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north-trees", "2026-02", 400, 3), block("shire", "2026-03", 400, 3))})
	require.Contains(t, violations(t, err)["rows[1].hours.workplace"], "count twice")
}

func TestCheckOnlyWritesNothing(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	out, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 400, 3)), ValidateOnly: true})
	require.NoError(t, err)
	require.EqualValues(t, 1, out.GetCreated())
	require.Zero(t, out.GetSequenceNumber())
	list, err := s.ListHours(ctx, &pb.ListHoursRequest{})
	require.NoError(t, err)
	require.Empty(t, list.GetHours())
}

func TestReplayAnswersTheSame(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	req := &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 400, 3)), RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"}
	first, err := s.ImportHours(ctx, req)
	require.NoError(t, err)
	again, err := s.ImportHours(ctx, req)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))
	other := proto.Clone(req).(*pb.ImportHoursRequest)
	other.Rows[0].Hours.HoursWorked++
	_, err = s.ImportHours(ctx, other)
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	require.ErrorContains(t, err, "request_id")
}

func TestScope(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 400, 3), block("shire-south", "2026-03", 300, 3))})
	require.NoError(t, err)
	north := access.With(context.Background(), access.Principal{Name: "principals/n", Roles: []pb.Role{pb.Role_ROLE_SUPERVISOR}, Workplaces: []string{"workplaces/shire-north"}})
	list, err := s.ListHours(north, &pb.ListHoursRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetHours(), 1)
	_, err = s.ListHours(north, &pb.ListHoursRequest{Workplace: "workplaces/shire-south"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = s.ImportHours(north, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-south", "2026-04", 300, 3))})
	require.Contains(t, violations(t, err), "rows[0].hours.workplace")
}

func TestPages(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	var all []*pb.Hours
	for _, m := range []string{"2026-01", "2026-02", "2026-03", "2026-04", "2026-05"} {
		all = append(all, block("shire-north", m, 400, 3))
	}
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(all...)})
	require.NoError(t, err)
	var got []string
	req := &pb.ListHoursRequest{PageSize: 2, StartMonth: "2026-02"}
	for {
		page, err := s.ListHours(ctx, req)
		require.NoError(t, err)
		for _, h := range page.GetHours() {
			got = append(got, h.GetMonth())
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	require.Equal(t, []string{"2026-02", "2026-03", "2026-04", "2026-05"}, got)
	_, err = s.ListHours(ctx, &pb.ListHoursRequest{PageToken: "nonsense"})
	require.Contains(t, violations(t, err), "page_token")
	_, err = s.ListHours(ctx, &pb.ListHoursRequest{Workplace: "workplaces/shire-norht"})
	require.Contains(t, violations(t, err)["workplace"], "did you mean workplaces/shire-north")
	_, err = s.ListHours(ctx, &pb.ListHoursRequest{StartMonth: "2026-03", EndMonth: "2026-03"})
	require.Contains(t, violations(t, err), "end_month")
}

// TestNoHoursAreCountedTwice: whatever rows are sent in whatever order, no two
// stored blocks of one month and group lie above one another.
func TestNoHoursAreCountedTwice(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(rt, "n")
		var rows []*pb.Hours
		for range n {
			rows = append(rows, block(strings.TrimPrefix(rapid.SampledFrom(known).Draw(rt, "w"), "workplaces/"),
				rapid.SampledFrom([]string{"2026-01", "2026-02", "2026-03"}).Draw(rt, "m"), float64(rapid.IntRange(0, 500).Draw(rt, "h")), 5))
		}
		_, _ = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(rows...), Restate: rapid.Bool().Draw(rt, "restate"), Reason: "because"})
		list, err := s.ListHours(ctx, &pb.ListHoursRequest{})
		require.NoError(rt, err)
		for _, a := range list.GetHours() {
			for _, b := range list.GetHours() {
				if a.GetName() != b.GetName() && a.GetMonth() == b.GetMonth() {
					require.False(rt, s.tree.Within(a.GetWorkplace(), b.GetWorkplace()), "%s within %s", a.GetName(), b.GetName())
				}
			}
		}
	})
}

func TestRefusalsSayTheLineAndAreAllThere(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-south", "2026-03", 400, 3), block("shire-north", "2026-03", 400, 3))})
	require.NoError(t, err)
	// Wrong by itself, against the file and against the record: all at once.
	changed := block("shire-south", "2026-03", 410, 4)
	changed.Source, changed.Status = "", pb.HoursStatus_HOURS_STATUS_PROVISIONAL
	rows := rowsOf(block("nowhere", "2026-03", 1, 1), changed, block("shire", "2026-03", 9, 1), block("shire-yard", "2026-03", -2, -1), nil)
	rows[3].Line = 0
	_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rows})
	got := violations(t, err)
	require.Equal(t, []string{
		"rows[0].hours.workplace",
		"rows[1].hours.head_count", "rows[1].hours.hours_worked", "rows[1].hours.source", "rows[1].hours.status",
		"rows[2].hours.workplace",
		"rows[3].hours.head_count", "rows[3].hours.hours_worked",
		"rows[4].hours",
	}, slices.Sorted(maps(got)))
	require.Equal(t, "line 3, column hours_worked: is 410 here and 400 in the record; correct the file, or import it with restate and a reason",
		got["rows[1].hours.hours_worked"])
	require.Contains(t, got["rows[1].hours.status"], "is provisional here and final in the record")
	require.Contains(t, got["rows[3].hours.hours_worked"], "row 4, column hours_worked: ")
}

func maps(m map[string]string) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func TestAFileThatIsWrongThroughout(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	var all []*pb.Hours
	for range 500 {
		all = append(all, block("nowhere", "2026-03", 1, 1))
	}
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(all...)})
	got := violations(t, err)
	require.Len(t, got, mostViolations+1)
	require.Contains(t, got["rows"], "300 more things wrong")
}

func TestRestateWantsAReason(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	for _, reason := range []string{"", "  ", " x "} {
		_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 400, 3)), Restate: true, Reason: reason})
		require.Contains(t, violations(t, err), "reason")
	}
}

func TestWarningsOfOddFigures(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	for name, c := range map[string]struct {
		h              *pb.Hours
		column, phrase string
	}{
		"month not over":     {block("shire-north", "2026-07", 400, 3), "status", "mark the figure as provisional"},
		"closed by then":     {block("shire-yard", "2026-03", 400, 3), "workplace", "was closed before that month"},
		"people, no hours":   {block("shire-south", "2026-03", 0, 3), "hours_worked", "leave the line out"},
		"seventy hours each": {block("shire-south", "2026-04", 900, 3), "hours_worked", "comes to 300 hours a head"},
	} {
		out, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(c.h)})
		require.NoError(t, err, name)
		require.Len(t, out.Warnings, 1, name)
		require.Equal(t, c.column, out.Warnings[0].Column, name)
		require.Contains(t, out.Warnings[0].Description, "line 2, column "+c.column, name)
		require.Contains(t, out.Warnings[0].Description, c.phrase, name)
	}
	provisional := block("shire-south", "2026-07", 400, 3)
	provisional.Status = pb.HoursStatus_HOURS_STATUS_PROVISIONAL
	unknown := block("shire-south", "2026-05", 4000, 3)
	unknown.HeadCount = nil
	out, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(provisional, unknown)})
	require.NoError(t, err)
	require.Empty(t, out.Warnings, "heads that are not known are not compared")
}

// TestMonthBeginsWhereTheWorkIs: the first hours of July in Sydney are still
// June in Greenwich.
func TestMonthBeginsWhereTheWorkIs(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	s.clock = func() time.Time { return time.Date(2026, 6, 30, 13, 59, 0, 0, time.UTC) }
	req := &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-07", 1, 1))}
	_, err := s.ImportHours(ctx, req)
	require.Contains(t, violations(t, err)["rows[0].hours.month"], "has not begun")
	s.clock = func() time.Time { return time.Date(2026, 6, 30, 14, 0, 0, 0, time.UTC) }
	_, err = s.ImportHours(ctx, req)
	require.NoError(t, err)
}

func TestWorkplaceAddedAMomentAgo(t *testing.T) {
	t.Parallel()
	s, ctx, plant := house(t)
	for i := range 20 {
		id := fmt.Sprintf("new-%02d", i)
		plant(&pb.Workplace{Name: "workplaces/" + id, Parent: "workplaces/shire", Title: "New", Level: 2})
		_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block(id, "2026-03", 1, 1))})
		require.NoError(t, err)
	}
}

func TestReplayOutlivesWhatCameAfter(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	req := &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 900, 3)), RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"}
	first, err := s.ImportHours(ctx, req)
	require.NoError(t, err)
	_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block("shire-north", "2026-03", 800, 3)), Restate: true, Reason: "payroll run corrected"})
	require.NoError(t, err)
	again, err := s.ImportHours(ctx, req)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again), "the answer of then, warnings too")
	list, err := s.ListHours(ctx, &pb.ListHoursRequest{})
	require.NoError(t, err)
	require.Equal(t, 800.0, list.Hours[0].HoursWorked)
}

func TestListInOrderAcrossWorkplaces(t *testing.T) {
	t.Parallel()
	s, ctx := open(t)
	var all []*pb.Hours
	for _, w := range []string{"shire-south", "shire-north-trees", "shire-yard"} {
		for _, m := range []string{"2024-12", "2025-01", "2025-02"} {
			all = append(all, block(w, m, 10, 1))
		}
	}
	_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(all...)})
	require.NoError(t, err)
	for size := int32(1); size <= 9; size++ {
		var names []string
		req := &pb.ListHoursRequest{PageSize: size, StartMonth: "2025-01", EndMonth: "2025-03"}
		for {
			page, err := s.ListHours(ctx, req)
			require.NoError(t, err)
			for _, h := range page.Hours {
				names = append(names, h.Name)
			}
			if req.PageToken = page.NextPageToken; req.PageToken == "" {
				break
			}
		}
		require.Len(t, names, 6, "pages of %d", size)
		require.True(t, slices.IsSorted(names))
	}
	one, err := s.ListHours(ctx, &pb.ListHoursRequest{Workplace: "workplaces/shire-north"})
	require.NoError(t, err)
	require.Len(t, one.Hours, 3, "with all below it")
}
