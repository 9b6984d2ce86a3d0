package search_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestCells: words are looked for within a cell of a table, and one person hurt
// meets all that is asked of persons.
func TestCells(t *testing.T) {
	t.Parallel()
	w := shire(t)
	injury := func(n int, hurt ...*pb.Harm) *pb.Report {
		return &pb.Report{Name: number(n), Workplace: "workplaces/northside", Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS,
			Narrative: "zeppelin", State: pb.ReportState_REPORT_STATE_RECEIVED, Harms: hurt}
	}
	w.put(t,
		injury(901, &pb.Harm{HarmId: "h1", Outcome: 5, EmploymentGroup: 1}, &pb.Harm{HarmId: "h2", Outcome: 2, EmploymentGroup: 2}),
		injury(902, &pb.Harm{HarmId: "h1", Outcome: 2, EmploymentGroup: 1}),
		&pb.Coding{Name: number(901) + "/codings/h1", HarmId: "h1", Mechanism: "28", Nature: "1"},
		&pb.Coding{Name: number(901) + "/codings/h2", HarmId: "h2", Mechanism: "28", Nature: "2"},
		&pb.Coding{Name: number(902) + "/codings/h1", HarmId: "h1", Mechanism: "28", Nature: "2"})
	w.catchUp(t)
	cell := func(d pb.Dimension, key string, persons bool) *pb.CellMatch {
		return &pb.CellMatch{Sides: []*pb.CellSide{{Dimension: d, Key: key}}, CountHarms: persons}
	}
	mechanism, nature := pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_NATURE
	for name, c := range map[string]struct {
		filter *pb.ReportFilter
		want   []int
	}{
		"both are counted under 28":       {&pb.ReportFilter{Cells: []*pb.CellMatch{cell(mechanism, "28", false)}}, []int{901, 902}},
		"a report is that of the worst":   {&pb.ReportFilter{Cells: []*pb.CellMatch{cell(nature, "2", false)}}, []int{902}},
		"persons are counted each":        {&pb.ReportFilter{Cells: []*pb.CellMatch{cell(nature, "2", true)}}, []int{901, 902}},
		"with the outcome of that person": {&pb.ReportFilter{Cells: []*pb.CellMatch{cell(nature, "2", true)}, Outcomes: []pb.OutcomeClass{5}}, nil},
		"and the group":                   {&pb.ReportFilter{Cells: []*pb.CellMatch{cell(nature, "2", true)}, EmploymentGroups: []pb.EmploymentGroup{2}}, []int{901}},
		"and the month of the event":      {&pb.ReportFilter{Cells: []*pb.CellMatch{cell(nature, "2", true), cell(pb.Dimension_DIMENSION_MONTH, "1949-01", true)}}, nil},
	} {
		require.ElementsMatch(t, c.want, w.find(t, adviser(), &pb.SearchReportsRequest{Words: "zeppelin", Filter: c.filter}), name)
	}
	_, err := w.search(as(pb.Role_ROLE_SUPERVISOR), &pb.SearchReportsRequest{Words: "zeppelin", Filter: &pb.ReportFilter{Cells: []*pb.CellMatch{cell(nature, "2", true)}}})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = w.search(as(pb.Role_ROLE_SUPERVISOR), &pb.SearchReportsRequest{Words: "zeppelin", Filter: &pb.ReportFilter{Cells: []*pb.CellMatch{cell(pb.Dimension_DIMENSION_KIND, "REPORT_KIND_HAZARD", false)}}})
	require.NoError(t, err)
	// A filter that is badly made is the caller's error.
	_, err = w.service.SearchReports(adviser(), &pb.SearchReportsRequest{Words: "zeppelin", Filter: &pb.ReportFilter{Cells: []*pb.CellMatch{{}}}})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	require.Equal(t, []string{"filter.cells[0].sides"}, fields(t, err))
}
