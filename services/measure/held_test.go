package measure_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
	"fairlead/services/measure"
	"fairlead/services/moment"
)

// unmoved is the past of a record that has not moved since.
type unmoved struct{ w *world }

func (u unmoved) At(_ context.Context, as *pb.AsAt, _ string) (moment.Point, measure.Facts, measure.Tree, error) {
	return moment.Point{Seq: u.w.facts.Seq(), Count: as.GetTime().AsTime()}, u.w.facts, u.w.tree, nil
}

// hurtWorld has persons hurt in two years that are settled and one that is not.
func hurtWorld(t *testing.T) *world {
	w := testWorld(t)
	now, err := timeOf(today)
	require.NoError(t, err)
	w.Service = measure.New(w.facts, w.tree, unmoved{w}, func() time.Time { return now })
	var all []story
	for _, c := range []struct {
		n                      int
		workplace, day, nature string
		location, mechanism    string
	}{
		{7, trees, "2024-09-02", "1", "2", "1"}, {2, trees, "2024-09-03", "2", "2", "2"}, {9, trees, "2025-02-03", "3", "4", "1"},
		{12, quarry, "2024-11-04", "1", "2", "1"}, {9, quarry, "2025-05-05", "2", "4", "2"}, {30, quarry, "2025-06-06", "3", "4", "3"},
		{6, quarry, "2023-08-08", "2", "4", "2"}, {8, north, "2023-08-08", "1", "4", "1"},
		{6, quarry, "2025-08-08", "2", "4", "2"},
	} {
		for range c.n {
			all = append(all, story{workplace: c.workplace, day: c.day, nature: c.nature, location: c.location, mechanism: c.mechanism,
				kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, hurt: []*pb.Harm{hurt(lostTime, employee)}})
		}
	}
	w.tell(t, all...)
	return w
}

var committee = as(pb.Role_ROLE_COMMITTEE)

func natureOf(workplace, from, end string) *pb.TabulateRequest {
	f := &pb.ReportFilter{StartDate: from, EndDate: end}
	if workplace != "" {
		f.Workplaces = []string{workplace}
	}
	return &pb.TabulateRequest{Filter: f, Rows: pb.Dimension_DIMENSION_NATURE, CodeLevel: 1, CountHarms: true}
}

func counts(t *pb.Table) map[string]int64 {
	out := map[string]int64{}
	for i, h := range t.GetRows() {
		out[h.GetKey()] = t.GetCounts()[i]
	}
	return out
}

// TestPersonsByYears: the committee hears what was hurt by whole settled years,
// with what is small held back and what would give it away.
func TestPersonsByYears(t *testing.T) {
	t.Parallel()
	w := hurtWorld(t)
	ask := func(req *pb.TabulateRequest) *pb.Table {
		t.Helper()
		got, err := w.Tabulate(committee, req)
		require.NoError(t, err)
		return got
	}
	whole := ask(natureOf("", "2024-07-01", "2025-07-01"))
	require.Equal(t, map[string]int64{"1": 19, "2": 11, "3": 39}, counts(whole))
	require.Zero(t, whole.GetHeldBack())
	crew := ask(natureOf(trees, "2024-07-01", "2025-07-01"))
	require.NotContains(t, counts(crew), "2")
	require.Contains(t, counts(crew), "others", "together with what would give it away, and not by name")
	require.Positive(t, crew.GetHeldBack())
	require.EqualValues(t, guard.HeldBack, crew.GetRowsUnknown())
	require.Contains(t, crew.GetHeldBackReason(), "1 to 4")
	require.EqualValues(t, 18, crew.GetTotal(), "how many were hurt is told")
	require.NotContains(t, counts(ask(natureOf(quarry, "2024-07-01", "2025-07-01"))), "2", "9, from which the 2 would follow")
	// Two years are the sum of two: what is held back in one is in both.
	two := ask(natureOf(quarry, "2023-07-01", "2025-07-01"))
	require.NotContains(t, counts(two), "2")
	require.NotContains(t, counts(ask(natureOf(trees, "2023-07-01", "2025-07-01"))), "2")
	// A representative hears the same of their own group: they may meet.
	rep, err := w.Tabulate(as(pb.Role_ROLE_REPRESENTATIVE, trees), natureOf("", "2024-07-01", "2025-07-01"))
	require.NoError(t, err)
	require.Equal(t, counts(crew), counts(rep))

	for name, req := range map[string]*pb.TabulateRequest{
		"any period":      natureOf("", "2024-07-01", "2025-06-01"),
		"no period":       natureOf("", "", ""),
		"not settled":     natureOf("", "2025-07-01", "2026-07-01"),
		"two places":      {Filter: &pb.ReportFilter{StartDate: "2024-07-01", EndDate: "2025-07-01", Workplaces: []string{trees, quarry}}, Rows: pb.Dimension_DIMENSION_NATURE, CodeLevel: 1, CountHarms: true},
		"finer":           {Filter: natureOf("", "2024-07-01", "2025-07-01").GetFilter(), Rows: pb.Dimension_DIMENSION_NATURE, CodeLevel: 2, CountHarms: true},
		"of reports":      {Filter: natureOf("", "2024-07-01", "2025-07-01").GetFilter(), Rows: pb.Dimension_DIMENSION_NATURE, CodeLevel: 1},
		"as a column":     {Filter: natureOf("", "2024-07-01", "2025-07-01").GetFilter(), Rows: pb.Dimension_DIMENSION_WORKPLACE, Columns: pb.Dimension_DIMENSION_BODILY_LOCATION, CodeLevel: 1, CountHarms: true},
		"crossed":         {Filter: natureOf("", "2024-07-01", "2025-07-01").GetFilter(), Rows: pb.Dimension_DIMENSION_NATURE, Columns: pb.Dimension_DIMENSION_OUTCOME, CodeLevel: 1, CountHarms: true},
		"picked by code":  {Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_NATURE, Code: "2"}}}, Rows: pb.Dimension_DIMENSION_WORKPLACE},
		"picked by cell":  {Filter: &pb.ReportFilter{Cells: []*pb.CellMatch{{Sides: []*pb.CellSide{{Dimension: pb.Dimension_DIMENSION_NATURE, Key: "2"}}}}}, Rows: pb.Dimension_DIMENSION_MONTH},
		"with a kind":     {Filter: &pb.ReportFilter{StartDate: "2024-07-01", EndDate: "2025-07-01", Kinds: []pb.ReportKind{nearMisses}}, Rows: pb.Dimension_DIMENSION_NATURE, CodeLevel: 1, CountHarms: true},
		"another dataset": {Filter: &pb.ReportFilter{StartDate: "2024-07-01", EndDate: "2025-07-01", Datasets: []string{"other"}}, Rows: pb.Dimension_DIMENSION_NATURE, CodeLevel: 1, CountHarms: true},
	} {
		got := ask(req)
		require.Empty(t, got.GetRows(), name)
		require.Zero(t, got.GetTotal(), name)
		require.Contains(t, got.GetHeldBackReason(), "Held back", name)
	}
	// Whoever reads the reports counts as they like.
	for _, who := range []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_AUDITOR, pb.Role_ROLE_SUPERVISOR} {
		got, err := w.Tabulate(as(who), natureOf(trees, "2024-09-01", "2024-10-01"))
		require.NoError(t, err)
		require.Equal(t, map[string]int64{"1": 7, "2": 2}, counts(got))
	}
}

// TestPersonsByNoOtherWay: cause analytics and charts have nothing to say of it.
func TestPersonsByNoOtherWay(t *testing.T) {
	t.Parallel()
	w := hurtWorld(t)
	nature := &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_NATURE, Code: "2"}}}
	rank, err := w.RankCauses(committee, &pb.RankCausesRequest{Dimension: pb.Dimension_DIMENSION_NATURE, IncludeSvg: true})
	require.NoError(t, err)
	require.NotEmpty(t, rank.GetHeldBackReason())
	require.Empty(t, rank.GetRows())
	rank, err = w.RankCauses(committee, &pb.RankCausesRequest{Dimension: byMechanism, Filter: nature})
	require.NoError(t, err)
	require.NotEmpty(t, rank.GetHeldBackReason())
	cross, err := w.CrossCauses(committee, &pb.CrossCausesRequest{Rows: byMechanism, Columns: pb.Dimension_DIMENSION_BODILY_LOCATION})
	require.NoError(t, err)
	require.NotEmpty(t, cross.GetHeldBackReason())
	require.Empty(t, cross.GetCounts())
	found, err := w.FindClusters(committee, &pb.FindClustersRequest{Category: pb.Dimension_DIMENSION_NATURE})
	require.NoError(t, err)
	require.NotEmpty(t, found.GetHeldBackReason())
	require.Empty(t, found.GetClusters())
	chart, err := w.ComputeChart(committee, &pb.ComputeChartRequest{Measure: "reports", Filter: nature, IncludeSvg: true})
	require.NoError(t, err)
	require.NotEmpty(t, chart.GetHeldBackReason())
	require.Empty(t, chart.GetPoints())
	for _, c := range []*pb.ComputeChartRequest{
		{Measure: "reports", Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM, Code: "2"}}}},
		{Measure: "frequency_rate", EmploymentGroups: []pb.EmploymentGroup{employee}},
	} {
		chart, err = w.ComputeChart(committee, c)
		require.NoError(t, err)
		for _, p := range chart.GetPoints() {
			require.False(t, p.GetCount() > 0 && p.GetCount() < guard.Smallest)
		}
	}
}

// TestTablesAreGuarded: small counts of what set off hazards and near misses are
// held back in each table; what happened where and when is not.
func TestTablesAreGuarded(t *testing.T) {
	t.Parallel()
	w := smallWorld(t)
	got, err := w.Tabulate(committee, &pb.TabulateRequest{Rows: byMechanism, Filter: events()})
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"1": 45, "2": 52, "3": guard.HeldBack, "4": guard.HeldBack}, counts(got))
	require.EqualValues(t, 2, got.GetHeldBack())
	require.NotEmpty(t, got.GetHeldBackReason())
	w.injury(t, trees, "2026-03-04", hurt(lostTime, hire))
	for name, req := range map[string]*pb.TabulateRequest{
		"all causes": {Rows: byMechanism},
		"outcome":    {Rows: pb.Dimension_DIMENSION_OUTCOME, CountHarms: true}, "group": {Rows: pb.Dimension_DIMENSION_EMPLOYMENT_GROUP, CountHarms: true},
		"by an outcome":         {Rows: pb.Dimension_DIMENSION_WORKPLACE, Filter: &pb.ReportFilter{Outcomes: []pb.OutcomeClass{lostTime}}},
		"of near misses, by it": {Rows: byMechanism, Columns: pb.Dimension_DIMENSION_OUTCOME, Filter: events()},
	} {
		got, err := w.Tabulate(committee, req)
		require.NoError(t, err)
		require.Empty(t, got.GetRows(), name)
		require.Contains(t, got.GetHeldBackReason(), "by whole years", name)
		require.NotContains(t, got.GetHeldBackReason(), "  ", name)
	}
	for _, harms := range []bool{false, true} {
		got, err = w.Tabulate(committee, &pb.TabulateRequest{Rows: pb.Dimension_DIMENSION_KIND, Columns: pb.Dimension_DIMENSION_WORKPLACE, CountHarms: harms})
		require.NoError(t, err)
		require.Zero(t, got.GetHeldBack())
		require.EqualValues(t, map[bool]int{false: 119, true: 1}[harms], got.GetTotal())
	}
	// A house may ask for more, and for no less than the floor.
	w.Smallest(10)
	got, err = w.Tabulate(committee, &pb.TabulateRequest{Rows: byMechanism, Columns: byAgency, Filter: events()})
	require.NoError(t, err)
	require.NotEmpty(t, got.GetCounts())
	for _, n := range got.GetCounts() {
		require.False(t, n > 0 && n < 10)
	}
	w.Smallest(1)
	got, err = w.Tabulate(committee, &pb.TabulateRequest{Rows: byMechanism, Filter: events()})
	require.NoError(t, err)
	require.EqualValues(t, guard.HeldBack, counts(got)["4"])
}

// TestDaysAreHeldBack: how long people were away is told for the whole
// organisation, and of a workplace by settled years when it has enough cases and
// leaves enough to the others; how many were away is told.
func TestDaysAreHeldBack(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	for _, at := range []string{trees, quarry, north} {
		w.work(t, at, "2023-07", 36, employee, 9000, 50)
		w.work(t, at, "2023-07", 36, hire, 9000, 50)
	}
	for _, c := range []struct {
		n              int
		workplace, day string
		group          pb.EmploymentGroup
	}{
		{6, quarry, "2024-09-03", employee}, {5, trees, "2024-10-03", employee}, {2, north, "2024-10-03", hire}, // told of the quarry, not of the trees: two would follow
		{6, quarry, "2023-09-04", employee}, {1, trees, "2023-09-04", employee}, {5, north, "2023-09-04", hire},
		{1, trees, "2026-03-04", employee}, {6, quarry, "2026-03-04", employee},
	} {
		for range c.n {
			day, err := time.Parse(time.DateOnly, c.day)
			require.NoError(t, err)
			w.injury(t, c.workplace, c.day, away(t, hurt(lostTime, c.group), day.AddDate(0, 0, 1).Format(time.DateOnly), 13))
		}
	}
	held := func(ctx context.Context, req *pb.ComputeRatesRequest) (out []string) {
		resp, err := w.ComputeRates(ctx, req)
		require.NoError(t, err)
		for _, v := range resp.GetValues() {
			if id := v.GetDefinition().GetMeasure(); v.GetHeldBack() {
				require.EqualValues(t, guard.HeldBack, v.GetNumerator(), id)
				require.Nil(t, v.Value, id)
				require.Empty(t, v.GetNotes(), id)
				require.Contains(t, v.GetSentence(), "Held back", id)
				out = append(out, id)
			}
		}
		return out
	}
	days := []string{"average_time_lost_rate", "severity_rate", "severity_percentage"}
	year := func(from int) *pb.Period {
		return &pb.Period{StartMonth: fmt.Sprintf("%d-07", from), EndMonth: fmt.Sprintf("%d-07", from+1)}
	}
	require.Empty(t, held(committee, &pb.ComputeRatesRequest{}), "of the whole organisation everything is told")
	require.Equal(t, days, held(committee, &pb.ComputeRatesRequest{Workplace: quarry}), "the year is not settled")
	require.Equal(t, days, held(committee, &pb.ComputeRatesRequest{Workplace: quarry, Period: &pb.Period{StartMonth: "2024-08", EndMonth: "2025-07"}}))
	require.Empty(t, held(committee, &pb.ComputeRatesRequest{Workplace: quarry, Period: year(2024)}))
	require.Empty(t, held(committee, &pb.ComputeRatesRequest{Workplace: north, Period: year(2024)}), "7 with those below")
	require.Equal(t, days, held(committee, &pb.ComputeRatesRequest{Workplace: trees, Period: year(2024)}), "2 of the north would follow")
	require.Equal(t, days, held(committee, &pb.ComputeRatesRequest{Workplace: trees, Period: year(2023)}), "one person")
	require.Equal(t, days, held(committee, &pb.ComputeRatesRequest{Workplace: trees, Period: &pb.Period{StartMonth: "2023-07", EndMonth: "2025-07"}}))
	require.Empty(t, held(committee, &pb.ComputeRatesRequest{Workplace: quarry, Period: &pb.Period{StartMonth: "2023-07", EndMonth: "2025-07"}}))
	require.Empty(t, held(adviser, &pb.ComputeRatesRequest{Workplace: trees}))
	resp, err := w.ComputeRates(committee, &pb.ComputeRatesRequest{Workplace: trees})
	require.NoError(t, err)
	for _, v := range resp.GetValues() {
		if v.GetDefinition().GetMeasure() == "frequency_rate" {
			require.EqualValues(t, 1, v.GetNumerator(), "that somebody was away is told")
		}
		require.NotContains(t, v.GetSentence(), "13")
	}
	require.Contains(t, held(committee, &pb.ComputeRatesRequest{EmploymentGroups: []pb.EmploymentGroup{hire}}), "frequency_rate")
	require.Empty(t, held(adviser, &pb.ComputeRatesRequest{EmploymentGroups: []pb.EmploymentGroup{hire}}))
}

// TestOneRuleOfCases: between two conventions, of which one leaves illness out,
// stand those who were ill. Whoever does not read the reports is told the one by
// which the house goes.
func TestOneRuleOfCases(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, quarry, lastYears, 12, employee, 9000, 50)
	ill := hurt(lostTime, employee)
	ill.Illness = true
	w.injury(t, quarry, "2026-03-04", ill)
	held := func(ctx context.Context, c pb.Convention) (n int) {
		resp, err := w.ComputeRates(ctx, &pb.ComputeRatesRequest{Convention: c})
		require.NoError(t, err)
		for _, v := range resp.GetValues() {
			if v.GetHeldBack() {
				n++
			}
		}
		return n
	}
	withIllness := []pb.Convention{pb.Convention_CONVENTION_AS_1885_1, pb.Convention_CONVENTION_US, pb.Convention_CONVENTION_ANSI_Z16}
	without := []pb.Convention{pb.Convention_CONVENTION_ILO, pb.Convention_CONVENTION_WA_MINING, pb.Convention_CONVENTION_IOGP}
	for i, goesBy := range []pb.Convention{pb.Convention_CONVENTION_AS_1885_1, pb.Convention_CONVENTION_ILO} {
		require.NoError(t, w.GoesBy(goesBy))
		told, not := withIllness, append([]pb.Convention{pb.Convention_CONVENTION_UK}, without...)
		if i == 1 {
			told, not = without, append([]pb.Convention{pb.Convention_CONVENTION_UK}, withIllness...)
		}
		for _, c := range told {
			require.Zero(t, held(committee, c), c)
			require.Zero(t, held(adviser, c), c)
		}
		for _, c := range not {
			require.Positive(t, held(committee, c), c)
			require.Zero(t, held(adviser, c), c)
		}
	}
	chart, err := w.ComputeChart(committee, &pb.ComputeChartRequest{Convention: pb.Convention_CONVENTION_US, Measure: "trc"})
	require.NoError(t, err)
	require.Contains(t, chart.GetHeldBackReason(), "ILO")
	require.Empty(t, chart.GetPoints())
	require.Error(t, w.GoesBy(99))
}
