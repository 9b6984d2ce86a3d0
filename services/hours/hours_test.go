package hours

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"buf.build/go/protovalidate"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/paging"
)

// shire is a tree by prefix: workplaces/a-b lies below workplaces/a.
type shire struct{}

var known = []string{"workplaces/shire", "workplaces/shire-north", "workplaces/shire-north-trees", "workplaces/shire-south"}

func (shire) Within(w, a string) bool { return w == a || strings.HasPrefix(w, a+"-") }
func (shire) Has(name string) bool {
	for _, k := range known {
		if k == name {
			return true
		}
	}
	return false
}
func (s shire) Below(name string) []string {
	var out []string
	for _, k := range known {
		if s.Within(k, name) {
			out = append(out, k)
		}
	}
	return out
}
func (s shire) Path(name string) []string {
	var out []string
	for _, k := range known {
		if s.Within(name, k) {
			out = append(out, k)
		}
	}
	return out
}
func (shire) Location(string) *time.Location          { return time.UTC }
func (shire) Nearest(name string, limit int) []string { return []string{"workplaces/shire-north"} }

var now = time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC)

func open(t testing.TB) (*Service, context.Context) {
	t.Helper()
	l, err := sqlite.Open(context.Background(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	validator, err := protovalidate.New()
	require.NoError(t, err)
	rules := func(m proto.Message) fault.Violations {
		var vs fault.Violations
		var invalid *protovalidate.ValidationError
		if err := validator.Validate(m); err != nil {
			require.ErrorAs(t, err, &invalid)
			for _, v := range invalid.Violations {
				vs.Add(protovalidate.FieldPathString(v.Proto.GetField()), v.Proto.GetMessage())
			}
		}
		return vs
	}
	s := New(l, shire{}, paging.New(make([]byte, 32)), rules, func() time.Time { return now })
	return s, access.With(context.Background(), access.Principal{Name: "principals/x", Roles: []pb.Role{pb.Role_ROLE_ADVISER}})
}

func block(workplace, month string, worked, heads float64) *pb.Hours {
	return &pb.Hours{Workplace: "workplaces/" + workplace, Month: month, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE,
		HoursWorked: worked, HeadCount: &heads, Source: "payroll"}
}

func rowsOf(hs ...*pb.Hours) []*pb.HoursRow {
	var out []*pb.HoursRow
	for i, h := range hs {
		out = append(out, &pb.HoursRow{Line: int64(i + 2), Hours: h})
	}
	return out
}

func violations(t *testing.T, err error) map[string]string {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	return out
}

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
		"negative":           {rowsOf(neg), "rows[0].hours.hours_worked", []string{"line 2", "column hours_worked", "0 or more"}},
		"not a number":       {rowsOf(nan), "rows[0].hours.hours_worked", []string{"line 2"}},
		"impossible":         {rowsOf(block("shire-north", "2026-02", 28*24*10+1, 10)), "rows[0].hours.hours_worked", []string{"more than the month has"}},
		"hours for nobody":   {rowsOf(block("shire-north", "2026-02", 100, 0)), "rows[0].hours.head_count", []string{"average number of people"}},
		"unknown workplace":  {rowsOf(block("shire-nort", "2026-02", 100, 1)), "rows[0].hours.workplace", []string{"did you mean workplaces/shire-north?"}},
		"future":             {rowsOf(block("shire-north", "2026-08", 100, 1)), "rows[0].hours.month", []string{"has not begun"}},
		"before 1950":        {rowsOf(block("shire-north", "1949-12", 100, 1)), "rows[0].hours.month", []string{"line 2"}},
		"bad month":          {rowsOf(block("shire-north", "2026-13", 100, 1)), "rows[0].hours.month", []string{"line 2"}},
		"public":             {rowsOf(public), "rows[0].hours.employment_group", []string{"work no hours"}},
		"unknown group":      {rowsOf(strange), "rows[0].hours.employment_group", []string{"employee, labour-hire"}},
		"twice in the file":  {rowsOf(block("shire-north", "2026-02", 100, 1), block("shire-north", "2026-02", 100, 1)), "rows[1].hours.workplace", []string{"line 3", "line 2"}},
		"within the file":    {rowsOf(block("shire-north", "2026-02", 100, 1), block("shire-north-trees", "2026-02", 50, 1)), "rows[1].hours.workplace", []string{"counted twice"}},
		"an empty row":       {[]*pb.HoursRow{{Line: 9}}, "rows[0].hours.workplace", []string{"line 9", "empty"}},
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
		require.Contains(t, violations(t, err)["rows[0].hours.workplace"], "counted twice", pair)
		_, err = s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(block(pair[1], "2026-04", 400, 3))})
		require.NoError(t, err, "another month does not clash")
	}
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
	_, err = s.ListHours(ctx, &pb.ListHoursRequest{Workplace: "workplaces/nowhere"})
	require.Equal(t, codes.NotFound, status.Code(err))
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
					require.False(rt, shire{}.Within(a.GetWorkplace(), b.GetWorkplace()), "%s within %s", a.GetName(), b.GetName())
				}
			}
		}
	})
}
