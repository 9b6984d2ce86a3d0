package measure_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestListMeasures(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	for id, name := range pb.Convention_name {
		c := pb.Convention(id)
		resp, err := w.ListMeasures(adviser, &pb.ListMeasuresRequest{Convention: c})
		require.NoError(t, err)
		if c == pb.Convention_CONVENTION_UNSPECIFIED {
			c = as1885
		}
		seen := map[string]bool{}
		for _, d := range resp.GetMeasures() {
			at := name + " " + d.GetMeasure()
			require.Regexp(t, "^[a-z][a-z0-9_]{0,62}$", d.GetMeasure())
			require.False(t, seen[d.GetMeasure()], at)
			seen[d.GetMeasure()] = true
			for what, text := range map[string]string{"title": d.GetTitle(), "formula": d.GetFormula(), "numerator": d.GetNumeratorRule(),
				"denominator": d.GetDenominator(), "unit": d.GetUnit(), "source": d.GetSource()} {
				require.NotEmpty(t, text, "%s has no %s", at, what)
			}
			require.Positive(t, d.GetBase(), at)
			require.Equal(t, c, d.GetConvention(), at)
			if strings.HasPrefix(d.GetMeasure(), "near_miss") || strings.HasPrefix(d.GetMeasure(), "hazard") {
				require.False(t, d.GetRiseIsWorse(), "a rising report rate is never a warning")
				require.Contains(t, d.GetSource(), "no standard fixes it")
			}
		}
		require.True(t, seen["reports"] && seen["harms"] && seen["near_miss_rate"] && seen["hazard_rate"], name)
	}
	_, err := w.ListMeasures(adviser, &pb.ListMeasuresRequest{Convention: 99})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
}

// TestConventionsDiffer puts one of each class through every convention: who
// counts deaths, whose days are charged, and who leaves illness out.
func TestConventionsDiffer(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	ill := away(t, hurt(0, employee), "2026-03-03", 4)
	ill.Illness = true
	w.injury(t, north, "2026-03-02", hurt(death, employee))
	w.injury(t, north, "2026-03-02", away(t, hurt(lasting, employee), "2026-03-03", 20))
	w.injury(t, north, "2026-03-02", away(t, hurt(0, employee), "2026-03-03", 10), ill)
	w.injury(t, north, "2026-03-02", hurt(restrict, employee), hurt(medical, employee), hurt(firstAid, employee))
	for _, c := range []struct {
		convention pb.Convention
		id         string
		numerator  float64
		base       float64
	}{
		{as1885, "frequency_rate", 4, 1e6},
		{as1885, "incidence_rate", 4, 100},
		{as1885, "severity_rate", 220 + 20 + 10 + 4, 1e6},
		{as1885, "severity_percentage", 1, 100},
		{as1885, "fatality_incidence", 1, 1e5},
		{as1885, "trifr", 6, 1e6},
		{as1885, "trifr_without_restricted", 5, 1e6},
		{as1885, "mtifr", 1, 1e6},
		{as1885, "harms", 7, 1},
		{as1885, "reports", 4, 1},
		{pb.Convention_CONVENTION_US, "trc", 5, 2e5},
		{pb.Convention_CONVENTION_US, "dart", 4, 2e5},
		{pb.Convention_CONVENTION_US, "dafwii", 3, 2e5},
		{pb.Convention_CONVENTION_US, "severity_rate", 34, 2e5},
		{pb.Convention_CONVENTION_ILO, "frequency_rate", 3, 1e6},
		{pb.Convention_CONVENTION_ILO, "frequency_rate_fatal", 1, 1e6},
		{pb.Convention_CONVENTION_ILO, "frequency_rate_non_fatal", 2, 1e6},
		{pb.Convention_CONVENTION_ILO, "incidence_rate", 3, 1000},
		{pb.Convention_CONVENTION_ILO, "severity_rate", 10, 1e6},
		{pb.Convention_CONVENTION_ILO, "average_time_lost_rate", 10, 1},
		{pb.Convention_CONVENTION_WA_MINING, "frequency_rate", 2, 1e6},
		{pb.Convention_CONVENTION_WA_MINING, "incidence_rate", 2, 1000},
		{pb.Convention_CONVENTION_WA_MINING, "average_time_lost_rate", 30, 1},
		{pb.Convention_CONVENTION_UK, "incidence_rate", 3, 1e5}, // over seven days: the ten-day case; the restricted one has no days
		{pb.Convention_CONVENTION_UK, "frequency_rate", 3, 1e5},
		{pb.Convention_CONVENTION_UK, "fatality_incidence", 1, 1e5},
		{pb.Convention_CONVENTION_ANSI_Z16, "frequency_rate", 4, 1e6},
		{pb.Convention_CONVENTION_ANSI_Z16, "severity_rate", 6000 + 20 + 10 + 4, 1e6},
		{pb.Convention_CONVENTION_IOGP, "ltif", 3, 1e6},
		{pb.Convention_CONVENTION_IOGP, "trir", 5, 1e6},
		{pb.Convention_CONVENTION_IOGP, "far", 1, 1e8},
	} {
		v := w.value(t, c.convention, c.id, year)
		at := fmt.Sprint(c.convention, " ", c.id)
		require.True(t, v.GetDefined(), at)
		require.InDelta(t, c.numerator, v.GetNumerator(), 0, at)
		require.InDelta(t, c.base, v.GetDefinition().GetBase(), 0, at)
	}
}

// TestOverSevenDays: RIDDOR 2013, regulation 4(2): more than seven consecutive
// days, the day of the accident not counted, rest days and restricted duties in.
func TestOverSevenDays(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	count := func() float64 {
		return w.value(t, pb.Convention_CONVENTION_UK, "frequency_rate", year).GetNumerator()
	}
	w.injury(t, north, "2026-03-02", away(t, hurt(0, employee), "2026-03-03", 7))
	require.Zero(t, count(), "seven days are not over seven")
	w.injury(t, north, "2026-03-02", away(t, hurt(0, employee), "2026-03-03", 8))
	require.InDelta(t, 1, count(), 0)
	both := away(t, hurt(0, employee), "2026-03-03", 4)
	both.Restrictions = []*pb.Absence{{FirstDate: "2026-03-07", ReturnDate: "2026-03-11"}}
	w.injury(t, north, "2026-03-02", both)
	require.InDelta(t, 2, count(), 0)
}

func TestAnswerSaysWhatItIs(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	seq := w.put(t, w.report(t, north, "2026-03-02", 3, hurt(lostTime, employee)))
	resp := w.rates(t, &pb.ComputeRatesRequest{Workplace: north, EmploymentGroups: []pb.EmploymentGroup{employee}, Level: 0.9, MinSequenceNumber: seq})
	require.Equal(t, seq, resp.GetSequenceNumber())
	require.Equal(t, year.String(), resp.GetPeriod().String(), "the last 12 whole months")
	require.Equal(t, "Northside depot and everything below it; employees", resp.GetScope())
	var ids []string
	for _, v := range resp.GetValues() {
		ids = append(ids, v.GetDefinition().GetMeasure())
		require.InDelta(t, 0.9, v.GetLevel(), 0)
		require.NotEmpty(t, v.GetSentence())
		require.NotEmpty(t, v.GetIntervalMethod())
	}
	require.Equal(t, "frequency_rate", ids[0])
	require.Len(t, ids, 14, "every measure of the convention, in its order")
	text := strings.Join(resp.GetCautions(), "\n")
	for _, part := range []string{"These are reports, not events.", "20 and 91 %", "Few events: read the stories, not the rate.", "Do not compare crews", "AS 1885.1-1990 is an old edition"} {
		require.Contains(t, text, part)
	}
	unfinished := w.rates(t, &pb.ComputeRatesRequest{Period: &pb.Period{StartMonth: "2025-08", EndMonth: "2026-08"}})
	require.Contains(t, unfinished.GetCautions(), "2026-07 is not over: its counts and hours are not whole.")
	order := w.rates(t, &pb.ComputeRatesRequest{Measures: []string{"mtifr", "frequency_rate", "mtifr"}})
	require.Equal(t, "frequency_rate", order.GetValues()[0].GetDefinition().GetMeasure())
	require.Len(t, order.GetValues(), 2)
}

// TestRowsByRole: whoever is bound to a workplace sees counts of it and of
// nothing else, however the question is put.
func TestRowsByRole(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2025-07", 12, employee, 10_000, 60)
	w.work(t, quarry, "2025-07", 12, employee, 5_000, 30)
	w.injury(t, north, "2026-03-02", hurt(lostTime, employee))
	w.injury(t, trees, "2026-03-02", hurt(lostTime, employee))
	for range 5 {
		w.injury(t, quarry, "2026-03-02", hurt(lostTime, employee))
	}
	for _, role := range []pb.Role{pb.Role_ROLE_SUPERVISOR, pb.Role_ROLE_REPRESENTATIVE, pb.Role_ROLE_COMMITTEE} {
		bound := as(role, north)
		for _, ask := range []string{"", shire, north} {
			resp, err := w.ComputeRates(bound, &pb.ComputeRatesRequest{Workplace: ask, Measures: []string{"frequency_rate", "reports"}})
			require.NoError(t, err)
			require.InDelta(t, 2, resp.GetValues()[0].GetNumerator(), 0)
			require.InDelta(t, 120_000, resp.GetValues()[0].GetDenominator(), 0)
			require.InDelta(t, 2, resp.GetValues()[1].GetNumerator(), 0)
			require.Equal(t, "Northside depot and everything below it", resp.GetScope(), "the scope says what was narrowed")
			chart, err := w.ComputeChart(bound, &pb.ComputeChartRequest{Workplace: ask, Measure: "reports"})
			require.NoError(t, err)
			require.Equal(t, int64(2), chart.GetPoints()[32].GetCount())
			filter := &pb.ReportFilter{}
			if ask != "" {
				filter.Workplaces = []string{ask}
			}
			table, err := w.Tabulate(bound, &pb.TabulateRequest{Filter: filter, Rows: pb.Dimension_DIMENSION_WORKPLACE})
			require.NoError(t, err)
			require.Equal(t, int64(2), table.GetTotal())
			for _, h := range table.GetRows() {
				require.NotContains(t, h.GetKey(), "quarry")
			}
		}
		for _, ask := range []string{quarry, "workplaces/no-such"} {
			_, err := w.ComputeRates(bound, &pb.ComputeRatesRequest{Workplace: ask, Measures: []string{"no-such"}})
			require.Equal(t, codes.PermissionDenied, status.Code(err), "refused before anything is looked up")
			_, err = w.ComputeChart(bound, &pb.ComputeChartRequest{Workplace: ask, Measure: "frequency_rate"})
			require.Equal(t, codes.PermissionDenied, status.Code(err))
			_, err = w.Tabulate(bound, &pb.TabulateRequest{Filter: &pb.ReportFilter{Workplaces: []string{ask}}, Rows: 1})
			require.Equal(t, codes.PermissionDenied, status.Code(err))
		}
	}
	two, err := w.ComputeRates(as(pb.Role_ROLE_SUPERVISOR, trees, quarry), &pb.ComputeRatesRequest{Measures: []string{"reports"}})
	require.NoError(t, err)
	require.InDelta(t, 6, two.GetValues()[0].GetNumerator(), 0)
	require.Equal(t, "Tree crew and Quarry Road depot, with everything below them", two.GetScope())
}

// gate does what the server does before a method runs: all rules of the
// contract, then the method.
func gate[Q proto.Message, A any](ctx context.Context, q Q, call func(context.Context, Q) (A, error)) error {
	if err := protovalidate.Validate(q); err != nil {
		return status.Error(codes.InvalidArgument, err.Error())
	}
	_, err := call(ctx, q)
	return err
}

func TestBadRates(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	period := func(a, b string) *pb.Period { return &pb.Period{StartMonth: a, EndMonth: b} }
	for name, c := range map[string]struct {
		req  *pb.ComputeRatesRequest
		code codes.Code
		says string
	}{
		"unknown workplace":        {&pb.ComputeRatesRequest{Workplace: "workplaces/no-such"}, codes.NotFound, "workplaces/no-such is not there"},
		"not a workplace":          {&pb.ComputeRatesRequest{Workplace: "no such"}, codes.InvalidArgument, "workplace"},
		"unknown measure":          {&pb.ComputeRatesRequest{Measures: []string{"frequency_rate", "ltifr"}}, codes.InvalidArgument, "measures[1]: AS 1885.1 has no such measure; it has frequency_rate"},
		"of another convention":    {&pb.ComputeRatesRequest{Measures: []string{"trc"}}, codes.InvalidArgument, "measures[0]"},
		"unknown convention":       {&pb.ComputeRatesRequest{Convention: 99}, codes.InvalidArgument, "convention"},
		"empty period":             {&pb.ComputeRatesRequest{Period: period("2026-03", "2026-03")}, codes.InvalidArgument, "period.end_month: must be after start_month"},
		"period turned round":      {&pb.ComputeRatesRequest{Period: period("2026-03", "2025-03")}, codes.InvalidArgument, "period.end_month: must be after start_month"},
		"period without months":    {&pb.ComputeRatesRequest{Period: &pb.Period{}}, codes.InvalidArgument, "start_month"},
		"words for months":         {&pb.ComputeRatesRequest{Period: period("March", "2026-04")}, codes.InvalidArgument, "start_month"},
		"thirteenth month":         {&pb.ComputeRatesRequest{Period: period("2026-13", "2026-14")}, codes.InvalidArgument, "start_month"},
		"before 1950":              {&pb.ComputeRatesRequest{Period: period("1949-12", "1950-02")}, codes.InvalidArgument, "start_month"},
		"over 50 years":            {&pb.ComputeRatesRequest{Period: period("1950-01", "2026-01")}, codes.InvalidArgument, "period: has 912 months; at most 600"},
		"months that lie ahead":    {&pb.ComputeRatesRequest{Period: period("2026-03", "2026-09")}, codes.InvalidArgument, "period.end_month: lies ahead: the last month that has begun is 2026-07, so give 2026-08 at most"},
		"level of a certainty":     {&pb.ComputeRatesRequest{Level: 1}, codes.InvalidArgument, "level"},
		"level below a half":       {&pb.ComputeRatesRequest{Level: 0.1}, codes.InvalidArgument, "level"},
		"level that is no number":  {&pb.ComputeRatesRequest{Level: nan()}, codes.InvalidArgument, "level"},
		"the public works no hour": {&pb.ComputeRatesRequest{EmploymentGroups: []pb.EmploymentGroup{public}}, codes.InvalidArgument, "employment_groups[0]"},
		"unknown group":            {&pb.ComputeRatesRequest{EmploymentGroups: []pb.EmploymentGroup{99}}, codes.InvalidArgument, "employment_groups[0]"},
		"before the beginning":     {&pb.ComputeRatesRequest{MinSequenceNumber: -1}, codes.InvalidArgument, "min_sequence_number"},
		"odd data set":             {&pb.ComputeRatesRequest{Datasets: []string{"No Such"}}, codes.InvalidArgument, "datasets[0]"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := gate(adviser, c.req, w.ComputeRates)
			require.Equal(t, c.code, status.Code(err), "%v", err)
			require.ErrorContains(t, err, c.says)
			// Without the gate it must not panic, nor answer.
			_, err = w.ComputeRates(adviser, c.req)
			if name != "before the beginning" && name != "odd data set" {
				require.Error(t, err)
			}
		})
	}
}

func nan() float64 { var zero float64; return zero / zero }

func TestBadCharts(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	for name, c := range map[string]struct {
		req  *pb.ComputeChartRequest
		says string
	}{
		"no measure":               {&pb.ComputeChartRequest{}, "measure"},
		"unknown measure":          {&pb.ComputeChartRequest{Measure: "ltifr"}, "measure: AS 1885.1 has no such measure"},
		"a measure of days":        {&pb.ComputeChartRequest{Measure: "severity_rate"}, "measure: severity_rate is not a count of cases or reports"},
		"an average":               {&pb.ComputeChartRequest{Measure: "average_time_lost_rate"}, "has no control chart"},
		"hours between":            {&pb.ComputeChartRequest{Measure: "mean_hours_between"}, "has no control chart"},
		"a share":                  {&pb.ComputeChartRequest{Measure: "severity_percentage"}, "has no control chart"},
		"no chart, on request":     {&pb.ComputeChartRequest{Measure: "reports", Kind: pb.ChartKind_CHART_KIND_TOO_FEW}, "kind: ask for a c-chart or a u-chart"},
		"unknown kind":             {&pb.ComputeChartRequest{Measure: "reports", Kind: 99}, "kind"},
		"u-chart without hours":    {&pb.ComputeChartRequest{Measure: "reports", Kind: pb.ChartKind_CHART_KIND_U}, "kind: reports has no hours"},
		"baseline below nothing":   {&pb.ComputeChartRequest{Measure: "reports", BaselineMonths: -1}, "baseline_months"},
		"baseline of a century":    {&pb.ComputeChartRequest{Measure: "reports", BaselineMonths: 1200}, "baseline_months"},
		"workplaces twice":         {&pb.ComputeChartRequest{Measure: "reports", Filter: &pb.ReportFilter{Workplaces: []string{north}}}, "filter.workplaces: must be empty"},
		"dates twice":              {&pb.ComputeChartRequest{Measure: "reports", Filter: &pb.ReportFilter{StartDate: "2026-01-01", EndDate: "2026-02-01"}}, "mending"},
		"voided":                   {&pb.ComputeChartRequest{Measure: "reports", Filter: &pb.ReportFilter{IncludeVoided: true}}, "filter.include_voided"},
		"kinds twice":              {&pb.ComputeChartRequest{Measure: "near_miss_rate", Filter: &pb.ReportFilter{Kinds: []pb.ReportKind{1}}}, "filter.kinds"},
		"groups of reports":        {&pb.ComputeChartRequest{Measure: "near_miss_rate", EmploymentGroups: []pb.EmploymentGroup{employee}}, "employment_groups: a report belongs to no employment group"},
		"groups above the line":    {&pb.ComputeChartRequest{Measure: "frequency_rate", Filter: &pb.ReportFilter{EmploymentGroups: []pb.EmploymentGroup{employee}}}, "filter.employment_groups"},
		"unknown facet":            {&pb.ComputeChartRequest{Measure: "reports", Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: 77}}}}, "filter.codes[0].facet"},
		"months that lie ahead":    {&pb.ComputeChartRequest{Measure: "reports", Period: &pb.Period{StartMonth: "2026-01", EndMonth: "2030-01"}}, "period.end_month: lies ahead"},
		"unknown convention":       {&pb.ComputeChartRequest{Measure: "reports", Convention: 99}, "convention"},
		"the public works no hour": {&pb.ComputeChartRequest{Measure: "frequency_rate", EmploymentGroups: []pb.EmploymentGroup{public}}, "employment_groups[0]"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := gate(adviser, c.req, w.ComputeChart)
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			require.ErrorContains(t, err, c.says)
			_, err = w.ComputeChart(adviser, c.req)
			require.Equal(t, codes.InvalidArgument, status.Code(err))
		})
	}
	err := gate(adviser, &pb.ComputeChartRequest{Measure: "reports", Workplace: "workplaces/no-such"}, w.ComputeChart)
	require.Equal(t, codes.NotFound, status.Code(err))

	// All that is wrong is said at once.
	_, err = w.ComputeChart(adviser, &pb.ComputeChartRequest{Measure: "severity_rate", Kind: 3, BaselineMonths: -1, Filter: &pb.ReportFilter{StartDate: "2026-01-01", IncludeVoided: true}})
	var fields []string
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				fields = append(fields, v.GetField())
			}
		}
	}
	require.Equal(t, []string{"baseline_months", "filter.include_voided", "filter.start_date", "kind", "measure"}, fields)
}

func TestBadTables(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	for name, c := range map[string]struct {
		req  *pb.TabulateRequest
		says string
	}{
		"no rows":              {&pb.TabulateRequest{}, "rows"},
		"unknown rows":         {&pb.TabulateRequest{Rows: 99}, "rows"},
		"unknown columns":      {&pb.TabulateRequest{Rows: 1, Columns: 99}, "columns"},
		"the same twice":       {&pb.TabulateRequest{Rows: 3, Columns: 3}, "columns: is the same as rows"},
		"level of no list":     {&pb.TabulateRequest{Rows: 5, CodeLevel: 5}, "code_level"},
		"level below nothing":  {&pb.TabulateRequest{Rows: 5, CodeLevel: -1}, "code_level"},
		"no such day":          {&pb.TabulateRequest{Rows: 1, Filter: &pb.ReportFilter{StartDate: "2026-02-30"}}, "filter.start_date: 2026-02-30 is not a day of the calendar"},
		"days turned round":    {&pb.TabulateRequest{Rows: 1, Filter: &pb.ReportFilter{StartDate: "2026-02-20", EndDate: "2026-02-01"}}, "filter.end_date: must be after start_date"},
		"unknown workplace":    {&pb.TabulateRequest{Rows: 1, Filter: &pb.ReportFilter{Workplaces: []string{north, "workplaces/no-such"}}}, "filter.workplaces[1]: there is no workplaces/no-such"},
		"unknown facet":        {&pb.TabulateRequest{Rows: 1, Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: 66, Code: "1"}}}}, "filter.codes[0].facet"},
		"code that is no code": {&pb.TabulateRequest{Rows: 1, Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: 1, Code: "a-b"}}}}, "filter.codes[0].code"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := gate(adviser, c.req, w.Tabulate)
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			require.ErrorContains(t, err, c.says)
		})
	}
}

func TestWaitsForWhatWasWritten(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	seq := w.put(t, w.report(t, north, "2026-03-02", 1))
	_, err := w.Tabulate(adviser, &pb.TabulateRequest{Rows: 1, MinSequenceNumber: seq})
	require.NoError(t, err)
	for name, call := range map[string]func(context.Context) error{
		"rates": func(ctx context.Context) error {
			_, err := w.ComputeRates(ctx, &pb.ComputeRatesRequest{MinSequenceNumber: seq + 1})
			return err
		},
		"chart": func(ctx context.Context) error {
			_, err := w.ComputeChart(ctx, &pb.ComputeChartRequest{Measure: "reports", MinSequenceNumber: seq + 1})
			return err
		},
		"table": func(ctx context.Context) error {
			_, err := w.Tabulate(ctx, &pb.TabulateRequest{Rows: 1, MinSequenceNumber: seq + 1})
			return err
		},
	} {
		ctx, cancel := context.WithTimeout(adviser, 10*time.Millisecond)
		require.Equal(t, codes.Unavailable, status.Code(call(ctx)), name)
		cancel()
		ctx, cancel = context.WithCancel(adviser)
		cancel()
		require.Equal(t, codes.Canceled, status.Code(call(ctx)), name)
	}
}
