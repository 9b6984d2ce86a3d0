package measure_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// wrongFields are the fields that an error names, each with a cure.
func wrongFields(t *testing.T, err error) (out []string) {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				require.NotEmpty(t, v.GetDescription())
				out = append(out, v.GetField())
			}
		}
	}
	return out
}

// badShared is what is wrong with any request for causes, made by a function that
// puts filter, period and level into one.
var badShared = map[string]struct {
	filter *pb.ReportFilter
	period *pb.Period
	level  int32
	fields []string
}{
	"dates in the filter":    {filter: &pb.ReportFilter{StartDate: "2026-01-01", EndDate: "2026-02-01"}, fields: []string{"filter.end_date", "filter.start_date"}},
	"voided reports":         {filter: &pb.ReportFilter{IncludeVoided: true}, fields: []string{"filter.include_voided"}},
	"a place that is none":   {filter: &pb.ReportFilter{Workplaces: []string{north, "workplaces/nowhere"}}, fields: []string{"filter.workplaces[1]"}},
	"four cells":             {filter: &pb.ReportFilter{Cells: cellsOf(4)}, fields: []string{"filter.cells"}},
	"a cell without sides":   {filter: &pb.ReportFilter{Cells: []*pb.CellMatch{{}}}, fields: []string{"filter.cells[0].sides"}},
	"a cell of nothing":      {filter: &pb.ReportFilter{Cells: []*pb.CellMatch{{Sides: []*pb.CellSide{{Dimension: 99}}}}}, fields: []string{"filter.cells[0].sides[0].dimension"}},
	"no such facet":          {filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: 9, Code: "1"}}}, fields: []string{"filter.codes[0].facet"}},
	"an empty period":        {period: &pb.Period{StartMonth: "2026-03", EndMonth: "2026-03"}, fields: []string{"period.end_month"}},
	"a period backwards":     {period: &pb.Period{StartMonth: "2026-03", EndMonth: "2026-01"}, fields: []string{"period.end_month"}},
	"months that are none":   {period: &pb.Period{StartMonth: "2026-13", EndMonth: "soon"}, fields: []string{"period.end_month", "period.start_month"}},
	"before 1950":            {period: &pb.Period{StartMonth: "1949-01", EndMonth: "1951-01"}, fields: []string{"period.start_month"}},
	"too long a period":      {period: &pb.Period{StartMonth: "1951-01", EndMonth: "2026-01"}, fields: []string{"period"}},
	"a period that is ahead": {period: &pb.Period{StartMonth: "2026-01", EndMonth: "2027-01"}, fields: []string{"period.end_month"}},
	"no such level":          {level: 5, fields: []string{"code_level"}},
	"a level below nothing":  {level: -1, fields: []string{"code_level"}},
	"everything at once": {filter: &pb.ReportFilter{StartDate: "2026-01-01", IncludeVoided: true}, period: &pb.Period{StartMonth: "x", EndMonth: "2026-01"}, level: 9,
		fields: []string{"code_level", "filter.include_voided", "filter.start_date", "period.start_month"}},
}

func cellsOf(n int) (out []*pb.CellMatch) {
	for range n {
		out = append(out, &pb.CellMatch{Sides: []*pb.CellSide{{Dimension: byKind, Key: "x"}}})
	}
	return out
}

// TestBadCauseRequests: a clear error names each field and its cure, and nothing
// panics, whatever the contract's own rules let through.
func TestBadCauseRequests(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.tell(t, story{mechanism: "28", agency: "1"})
	ask := func(req proto.Message) (err error) {
		switch req := req.(type) {
		case *pb.RankCausesRequest:
			_, err = w.RankCauses(adviser, req)
		case *pb.CrossCausesRequest:
			_, err = w.CrossCauses(adviser, req)
		case *pb.FindClustersRequest:
			_, err = w.FindClusters(adviser, req)
		}
		return err
	}
	for name, c := range badShared {
		for _, req := range []proto.Message{
			&pb.RankCausesRequest{Dimension: byMechanism, Filter: c.filter, Period: c.period, CodeLevel: c.level},
			&pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, Filter: c.filter, Period: c.period, CodeLevel: c.level},
			&pb.FindClustersRequest{Category: byMechanism, Filter: c.filter, Period: c.period, CodeLevel: c.level},
		} {
			got := wrongFields(t, ask(req))
			slices.Sort(got)
			require.Equal(t, c.fields, got, "%s: %T", name, req)
		}
	}
	for name, c := range map[string]struct {
		req    proto.Message
		fields []string
	}{
		"rank nothing":             {&pb.RankCausesRequest{}, []string{"dimension"}},
		"rank by no dimension":     {&pb.RankCausesRequest{Dimension: 77}, []string{"dimension"}},
		"rank by month":            {&pb.RankCausesRequest{Dimension: byMonth}, []string{"dimension"}},
		"rank persons by group":    {&pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_EMPLOYMENT_GROUP}, []string{"dimension"}},
		"rank too many rows":       {&pb.RankCausesRequest{Dimension: byMechanism, RowLimit: 501}, []string{"row_limit"}},
		"rank fewer than no rows":  {&pb.RankCausesRequest{Dimension: byMechanism, RowLimit: -1}, []string{"row_limit"}},
		"rank at no level":         {&pb.RankCausesRequest{Dimension: byMechanism, Level: 1}, []string{"level"}},
		"cross nothing":            {&pb.CrossCausesRequest{}, []string{"columns", "rows"}},
		"cross with nothing":       {&pb.CrossCausesRequest{Rows: byMechanism}, []string{"columns"}},
		"cross with itself":        {&pb.CrossCausesRequest{Rows: byMechanism, Columns: byMechanism}, []string{"columns"}},
		"cross months with years":  {&pb.CrossCausesRequest{Rows: byMonth, Columns: pb.Dimension_DIMENSION_YEAR}, []string{"columns"}},
		"cross at no rate":         {&pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, FalseDiscoveryRate: 0.9}, []string{"false_discovery_rate"}},
		"cross at a negative rate": {&pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, FalseDiscoveryRate: -0.1}, []string{"false_discovery_rate"}},
		"cross without support":    {&pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, MinSupport: -5, PairLimit: 9999}, []string{"min_support", "pair_limit"}},
		"clusters of nothing":      {&pb.FindClustersRequest{}, []string{"category"}},
		"clusters of places":       {&pb.FindClustersRequest{Category: byWorkplace}, []string{"category"}},
		"clusters of months":       {&pb.FindClustersRequest{Category: byMonth}, []string{"category"}},
		"clusters in three months": {&pb.FindClustersRequest{Category: byMechanism, Period: &pb.Period{StartMonth: "2026-01", EndMonth: "2026-04"}}, []string{"period"}},
		"clusters of long windows": {&pb.FindClustersRequest{Category: byMechanism, Period: twoYears, LongestWindow: 13}, []string{"longest_window"}},
		"clusters of endless ones": {&pb.FindClustersRequest{Category: byMechanism, LongestWindow: 121, MinCount: -1}, []string{"longest_window", "min_count"}},
		"clusters on no basis":     {&pb.FindClustersRequest{Category: byMechanism, Basis: 9, FalseAlarmRate: 2, ClusterLimit: 101}, []string{"basis", "cluster_limit", "false_alarm_rate"}},
	} {
		got := wrongFields(t, ask(c.req))
		slices.Sort(got)
		require.Equal(t, c.fields, got, name)
	}
	// What is left out is the contract's business at the door, too.
	for _, req := range []proto.Message{&pb.RankCausesRequest{}, &pb.CrossCausesRequest{Rows: byKind}, &pb.FindClustersRequest{}, &pb.RankCausesRequest{Dimension: byMechanism, RowLimit: 501},
		&pb.RankCausesRequest{Dimension: byMechanism, Filter: &pb.ReportFilter{Cells: cellsOf(5)}}} {
		require.Error(t, protovalidate.Validate(req), "%T", req)
	}
	_, err := w.RankCauses(context.Background(), &pb.RankCausesRequest{Dimension: byMechanism})
	require.NoError(t, err, "who nobody knows is stopped at the gate, and guarded here")
}

// TestTooLarge: what nobody could read is refused with a way to narrow it.
func TestTooLarge(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	var all []story
	for i := range 210 {
		all = append(all, story{mechanism: fmt.Sprintf("%03d", i), agency: fmt.Sprintf("%03d", i)})
	}
	w.tell(t, all...)
	_, err := w.CrossCauses(adviser, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency})
	require.Equal(t, []string{"columns"}, wrongFields(t, err))
	require.Contains(t, fmt.Sprint(status.Convert(err).Proto()), "mechanism by agency of injury makes 210 × 210 pairs, more than 40,000: use a coarser code_level")
	c := w.cross(t, adviser, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, CodeLevel: 2})
	require.EqualValues(t, 21*21, c.GetTried())
	require.Len(t, c.GetPairs(), 100, "all are tried, the surest are listed")
	require.True(t, slices.IsSortedFunc(c.GetPairs(), func(a, b *pb.CausePair) int {
		if a.GetStands() != b.GetStands() {
			return map[bool]int{true: -1, false: 1}[a.GetStands()]
		}
		return 0
	}))
}
