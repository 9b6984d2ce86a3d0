package measure_test

import (
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/measure"
)

// threeYears is the default period of charts.
var threeYears = &pb.Period{StartMonth: "2023-07", EndMonth: "2026-07"}

// counts files a number of lost-time cases in each month from a first on.
func (w *world) counts(t *testing.T, workplace, first string, counts ...int) {
	t.Helper()
	var writes []proto.Message
	for i, m := range months(t, first, len(counts)) {
		for k := range counts[i] {
			writes = append(writes, w.report(t, workplace, fmt.Sprintf("%s-%02d", m, 1+k%28), pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, hurt(lostTime, employee)))
		}
	}
	w.put(t, writes...)
}

func repeated(n int, pattern ...int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = pattern[i%len(pattern)]
	}
	return out
}

// unequal keeps hours that swing by half, so that counts alone would mislead.
func (w *world) unequal(t *testing.T, workplace string, n int) {
	t.Helper()
	var rows []proto.Message
	for i, m := range months(t, "2023-07", n) {
		rows = append(rows, withHeads(hoursOf(workplace, m, employee, []float64{10_000, 20_000}[i%2]), 60))
	}
	w.put(t, rows...)
}

func TestChartOfRates(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.unequal(t, north, 36)
	pattern := repeated(36, 2, 4, 1, 5, 3, 3)
	pattern[30] = 14 // one month out of line
	w.counts(t, north, "2023-07", pattern...)
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate"})

	require.Equal(t, threeYears.String(), c.GetPeriod().String())
	require.Equal(t, pb.ChartKind_CHART_KIND_U, c.GetKind())
	require.Equal(t, "lost-time cases per million hours", c.GetUnit())
	require.Contains(t, c.GetKindReason(), "hours vary by up to")
	require.Equal(t, "2023-07", c.GetBaselineStartMonth())
	require.Equal(t, "2025-06", c.GetBaselineEndMonth(), "24 months, then frozen")
	// The centre is all cases over all hours of the baseline.
	require.InDelta(t, 72*1e6/360_000, c.GetCenter(), 1e-9)
	require.Len(t, c.GetPoints(), 36)
	p := c.GetPoints()[30]
	require.Equal(t, "2026-01", p.GetMonth())
	require.Equal(t, int64(14), p.GetCount())
	require.InDelta(t, 10_000, p.GetExposure(), 0)
	require.InDelta(t, 1400, p.GetValue(), 1e-9)
	require.True(t, p.GetBeyond())
	require.False(t, p.GetBaseline())
	require.True(t, c.GetPoints()[0].GetBaseline())
	// Exact limits at a mean of 2 for 10,000 hours: P(X > 7) <= 0.00135 and no
	// lower limit (reference: R, qpois(1 - 0.00135, 2) = 7).
	require.InDelta(t, 700, p.GetUpper(), 1e-9)
	require.Nil(t, p.Lower)
	require.Len(t, c.GetSignals(), 1)
	require.Equal(t, "beyond upper limit", c.GetSignals()[0].GetRule())
	require.Equal(t, "2026-01", c.GetSignals()[0].GetStartMonth())
	require.True(t, c.GetSignals()[0].GetAbove())
	require.Contains(t, c.GetSignals()[0].GetChance(), "at most 1 month in 740")
	require.Equal(t, "Jan 2026: 14 lost-time cases in 10,000 hours (1,400 per 1,000,000), above the upper limit of 700. More than chance.", c.GetSentence())
	require.Contains(t, c.GetMethod(), "exact Poisson limits")
	require.Contains(t, c.GetMethod(), "all lost-time cases over all hours of the baseline, 2023-07 to 2025-06, then frozen")
	require.Contains(t, c.GetCautions()[0], "These are reports, not events.")
	require.Equal(t, w.facts.Seq(), c.GetSequenceNumber())
	require.Empty(t, c.GetSvg())
}

func TestChartRun(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2023-07", 36, employee, 10_000, 60)
	pattern := repeated(36, 10, 14, 12, 9, 15)
	for i := 26; i < 36; i++ {
		pattern[i] = 17
	}
	w.counts(t, north, "2023-07", pattern...)
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate"})
	require.Equal(t, pb.ChartKind_CHART_KIND_C, c.GetKind(), "hours are steady")
	require.Equal(t, "lost-time cases a month", c.GetUnit())
	require.InDelta(t, 1, c.GetPoints()[0].GetExposure(), 0)
	require.Len(t, c.GetSignals(), 1)
	s := c.GetSignals()[0]
	require.Equal(t, []any{"run of 10 above the centre", "2025-09", "2026-06", true}, []any{s.GetRule(), s.GetStartMonth(), s.GetEndMonth(), s.GetAbove()})
	require.Contains(t, c.GetSentence(), "10 months in a row above the average")

	// A longer baseline takes the rise for the level.
	all := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate", BaselineMonths: 36})
	require.Greater(t, all.GetCenter(), c.GetCenter())
	require.Equal(t, "2026-06", all.GetBaselineEndMonth())
}

func TestChartGaps(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	var rows []proto.Message
	for i, m := range months(t, "2023-07", 36) {
		if i == 20 || i == 21 {
			continue
		}
		h := hoursOf(north, m, employee, []float64{10_000, 20_000}[i%2])
		if i == 35 {
			h.Status = pb.HoursStatus_HOURS_STATUS_PROVISIONAL
		}
		rows = append(rows, h)
	}
	w.put(t, rows...)
	w.counts(t, north, "2023-07", repeated(36, 2, 4, 1, 5)...)
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate", IncludeSvg: true})
	require.Equal(t, pb.ChartKind_CHART_KIND_U, c.GetKind())
	for _, i := range []int{20, 21} {
		require.Nil(t, c.GetPoints()[i].Value, "a gap, never a zero")
		require.Nil(t, c.GetPoints()[i].Exposure)
		require.Positive(t, c.GetPoints()[i].GetCount(), "the count is known even so")
	}
	require.True(t, c.GetPoints()[35].GetProvisional())
	require.Contains(t, c.GetCautions(), "No hours for 2025-03, 2025-04: gaps, not zeros.")
	require.Contains(t, c.GetCautions(), "Months with a dotted stem rest on provisional hours and may move.")
	require.Equal(t, "2025-08", c.GetBaselineEndMonth(), "24 months with hours")

	forced := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate", Kind: pb.ChartKind_CHART_KIND_C})
	require.Equal(t, pb.ChartKind_CHART_KIND_C, forced.GetKind())
	require.NotNil(t, forced.GetPoints()[20].Value, "counts need no hours")
	require.Contains(t, strings.Join(forced.GetCautions(), "\n"), "it knows no hours")
}

func TestChartTooFew(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.work(t, north, "2023-07", 36, employee, 10_000, 60)
	w.counts(t, north, "2025-01", 1, 0, 1, 0, 0, 1)
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate", IncludeSvg: true})
	require.Equal(t, pb.ChartKind_CHART_KIND_TOO_FEW, c.GetKind())
	require.Equal(t, "3 in 360,000 hours: 8.3 per million, and anything from 1.7 to 24 would fit. Too few to say by month.", c.GetSentence())
	require.Equal(t, "3 events in 36 months: a chart needs at least 10 in 10", c.GetKindReason())
	require.Nil(t, c.Center)
	require.Len(t, c.GetPoints(), 36)
	require.Empty(t, c.GetSvg(), "there is nothing to draw")

	w.counts(t, north, "2023-07", repeated(18, 1, 0)...)
	rare := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate"})
	require.Equal(t, pb.ChartKind_CHART_KIND_TOO_FEW, rare.GetKind())
	require.Contains(t, rare.GetKindReason(), "most months are zero")

	none := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate", Workplace: quarry})
	require.Equal(t, pb.ChartKind_CHART_KIND_TOO_FEW, none.GetKind())
	require.Equal(t, "0 lost-time cases; no hours for 2023-07 to 2026-06, so there is nothing to chart.", none.GetSentence())
}

// TestChartOfImportedReports: a data set of another origin has no hours; its
// counts are charted by month as they are, from its first record on.
func TestChartOfImportedReports(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	var writes []proto.Message
	for i, m := range months(t, "2024-07", 24) {
		for k := range 4 + i%3 {
			r := w.report(t, quarry, fmt.Sprintf("%s-%02d", m, k+1), 3, hurt(lostTime, 0))
			r.Origin = &pb.Origin{Dataset: "elsewhere", SourceId: r.GetName()}
			c := &pb.Coding{Name: r.GetName() + "/codings/report", Mechanism: []string{"21", "42"}[k%2]}
			writes = append(writes, r, c)
		}
	}
	w.put(t, writes...)
	filter := &pb.ReportFilter{Datasets: []string{"elsewhere"}, Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM, Code: "2"}}}
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "reports", Filter: filter, IncludeSvg: true})
	require.Equal(t, pb.ChartKind_CHART_KIND_C, c.GetKind())
	require.Equal(t, "reports a month", c.GetUnit())
	require.Nil(t, c.GetPoints()[11].Value, "before the first record nothing is known")
	require.Equal(t, int64(2), c.GetPoints()[12].GetCount())
	require.Contains(t, strings.Join(c.GetCautions(), "\n"), "The first record here is of 2024-07; earlier months are left out, not counted as zero.")
	require.Contains(t, c.GetScope(), "data sets: elsewhere; only what the filter picks")
	require.Contains(t, c.GetSvg(), "no records")

	harms := w.chart(t, &pb.ComputeChartRequest{Measure: "harms", Filter: filter})
	require.Equal(t, "persons hurt a month", harms.GetUnit())
	here := w.chart(t, &pb.ComputeChartRequest{Measure: "reports"})
	require.Equal(t, pb.ChartKind_CHART_KIND_TOO_FEW, here.GetKind())
	require.Contains(t, here.GetCautions(), "120 records of other data sets left out; name the data set to count them.")
	require.Equal(t, "nothing is recorded yet in these months", here.GetKindReason())
}

func TestChartOfNearMissesIsNoWarning(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.unequal(t, north, 36)
	var writes []proto.Message
	for i, m := range months(t, "2023-07", 36) {
		for k := range 3 + 9*(i/30) {
			writes = append(writes, w.report(t, north, fmt.Sprintf("%s-%02d", m, k+1), pb.ReportKind_REPORT_KIND_NEAR_MISS))
		}
	}
	w.put(t, writes...)
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "near_miss_rate"})
	require.False(t, c.GetDefinition().GetRiseIsWorse())
	require.NotEmpty(t, c.GetSignals())
	require.Contains(t, c.GetCautions(), "More near-miss and hazard reports are good news or no news: a rise is not a warning.")
}

func TestDrawing(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.unequal(t, north, 36)
	pattern := repeated(36, 3, 6, 2, 7)
	pattern[32] = 30
	w.counts(t, north, "2023-07", pattern...)
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "frequency_rate", IncludeSvg: true})
	for _, svg := range []string{c.GetSvg(), c.GetSvgNarrow()} {
		d := xml.NewDecoder(strings.NewReader(svg))
		for {
			_, err := d.Token()
			if err == io.EOF {
				break
			}
			require.NoError(t, err)
		}
		require.Contains(t, svg, "Mar 2026")
		require.Contains(t, svg, "baseline")
	}
	require.NotEqual(t, c.GetSvg(), c.GetSvgNarrow())
	f, err := measure.Draw(c, figure.Print)
	require.NoError(t, err)
	require.Len(t, f.Table().Rows, 36)
	require.Equal(t, []string{"Month", "Lost-time cases", "Hours", "Lost-time cases per million hours", "Upper limit", "Remarks"}, f.Table().Headers)

	_, err = measure.Draw(&pb.Chart{Kind: pb.ChartKind_CHART_KIND_TOO_FEW}, figure.Wide)
	require.ErrorContains(t, err, "has no drawing")
	_, err = measure.Draw(&pb.Chart{Kind: pb.ChartKind_CHART_KIND_C, Points: []*pb.ChartPoint{{Month: "x"}}}, figure.Wide)
	require.ErrorContains(t, err, "points[0].month")
	_, err = measure.Draw(&pb.Chart{Kind: pb.ChartKind_CHART_KIND_C}, figure.Wide)
	require.NoError(t, err, "an empty chart draws an empty picture")
}
