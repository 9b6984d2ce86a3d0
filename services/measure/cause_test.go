package measure_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"fairlead/analytics/cause"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Short names for what these tests are full of.
const (
	byMechanism = pb.Dimension_DIMENSION_MECHANISM
	byAgency    = pb.Dimension_DIMENSION_AGENCY
	byBreakdown = pb.Dimension_DIMENSION_BREAKDOWN_AGENCY
	byNature    = pb.Dimension_DIMENSION_NATURE
	byLocation  = pb.Dimension_DIMENSION_BODILY_LOCATION
	byWorkplace = pb.Dimension_DIMENSION_WORKPLACE
	byKind      = pb.Dimension_DIMENSION_KIND
	byMonth     = pb.Dimension_DIMENSION_MONTH
	byOutcome   = pb.Dimension_DIMENSION_OUTCOME
	byPotential = pb.Dimension_DIMENSION_POTENTIAL
	nearMisses  = pb.ReportKind_REPORT_KIND_NEAR_MISS
	hazards     = pb.ReportKind_REPORT_KIND_HAZARD
	injuries    = pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS
)

// story is a report with its codes; the zero values are none.
type story struct {
	workplace, day             string
	kind                       pb.ReportKind
	mechanism, agency          string
	potential                  pb.PotentialSeverity
	dataset                    string
	crosswalk                  bool
	hurt                       []*pb.Harm
	nature, location, breakage string
}

// tell files stories in one transaction and returns the reports.
func (w *world) tell(t tb, stories ...story) (names []string) {
	t.Helper()
	var all []proto.Message
	for _, s := range stories {
		if s.workplace == "" {
			s.workplace = north
		}
		if s.day == "" {
			s.day = "2026-03-02"
		}
		if s.kind == 0 {
			s.kind = nearMisses
		}
		r := w.report(t, s.workplace, s.day, s.kind, s.hurt...)
		r.Potential = s.potential
		if s.dataset != "" {
			r.Origin = &pb.Origin{Dataset: s.dataset, SourceId: r.GetName()}
		}
		all, names = append(all, r), append(names, r.GetName())
		if c := codingOf(r.GetName(), s); c != nil {
			all = append(all, c)
		}
	}
	w.put(t, all...)
	return names
}

func codingOf(report string, s story) *pb.Coding {
	if s.mechanism+s.agency+s.nature+s.location+s.breakage == "" {
		return nil
	}
	c := &pb.Coding{Name: report + "/codings/report", Mechanism: s.mechanism, Agency: s.agency, Nature: s.nature, BodilyLocation: s.location, BreakdownAgency: s.breakage,
		Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON}
	if s.crosswalk {
		c.Origin = pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED
	}
	return c
}

// times repeats a story.
func times(n int, s story) (out []story) {
	for range n {
		out = append(out, s)
	}
	return out
}

func (w *world) rank(t tb, ctx context.Context, req *pb.RankCausesRequest) *pb.CauseRanking {
	t.Helper()
	require.NoError(t, protovalidate.Validate(req))
	r, err := w.RankCauses(ctx, req)
	require.NoError(t, err)
	return r
}

func (w *world) cross(t tb, ctx context.Context, req *pb.CrossCausesRequest) *pb.CauseCross {
	t.Helper()
	require.NoError(t, protovalidate.Validate(req))
	c, err := w.CrossCauses(ctx, req)
	require.NoError(t, err)
	return c
}

func (w *world) clusters(t tb, ctx context.Context, req *pb.FindClustersRequest) *pb.CauseClusters {
	t.Helper()
	require.NoError(t, protovalidate.Validate(req))
	c, err := w.FindClusters(ctx, req)
	require.NoError(t, err)
	return c
}

// found returns how many reports a filter finds, as ListReports does.
func (w *world) found(t tb, f *pb.ReportFilter) int64 {
	t.Helper()
	require.NotNil(t, f)
	require.NoError(t, protovalidate.Validate(&pb.ListReportsRequest{Filter: f}))
	_, _, total, err := w.facts.Newest(f, f.GetWorkplaces(), "", 1)
	require.NoError(t, err)
	return total
}

func TestRank(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	var all []story
	all = append(all, times(9, story{mechanism: "28"})...)
	all = append(all, times(4, story{mechanism: "21", crosswalk: true})...)
	all = append(all, times(4, story{mechanism: "12"})...)
	all = append(all, times(1, story{mechanism: "51"})...)
	all = append(all, times(6, story{})...)
	all = append(all, times(3, story{mechanism: "28", dataset: "old-register"})...)
	all = append(all, times(2, story{mechanism: "28", day: "2020-01-05"})...)
	w.tell(t, all...)
	r := w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, IncludeSvg: true})
	require.EqualValues(t, 24, r.GetTotal(), "the last 36 whole months, filed here")
	require.EqualValues(t, 6, r.GetUnknown().GetCount())
	require.Empty(t, r.GetUnknown().GetHead().GetKey())
	require.Equal(t, "not coded", r.GetUnknown().GetHead().GetTitle())
	require.InDelta(t, 0.25, r.GetMissing().GetValue(), 1e-12)
	var got []string
	for _, row := range r.GetRows() {
		got = append(got, fmt.Sprint(row.GetHead().GetKey(), row.GetCount(), row.GetRank(), row.GetTied(), fmt.Sprintf(" %.3f", row.GetRunningShare())))
		require.Equal(t, row.GetCount(), w.found(t, row.GetFilter()))
	}
	require.Equal(t, []string{"28" + "9 1 false 0.500", "12" + "4 2 true 0.944", "21" + "4 2 true 0.944", "51" + "1 4 false 1.000"}, got)
	require.Equal(t, r.GetUnknown().GetReports(), w.found(t, r.GetUnknown().GetFilter()))
	require.EqualValues(t, 4, r.GetUnreviewed().GetCount())
	require.EqualValues(t, 18, r.GetUnreviewed().GetOf())
	require.Contains(t, r.GetCautions(), "Mechanism: 4 of 18 codes (22 %) come from a crosswalk and nobody has reviewed them.")
	require.Contains(t, r.GetCautions(), "3 records of other data sets left out; name the data set to count them.")
	require.Contains(t, strings.Join(r.GetCautions(), " "), "These are reports, not events.")
	require.Contains(t, strings.Join(r.GetCautions(), " "), "coded by one person")
	require.Equal(t, "Most often: 28 title of 28, 9 reports of 18 with a mechanism (50 %; 26 to 74 % would fit)."+
		" Its lead over 12 title of 12 (4) is no more than chance. 6 have none, enough to change what is on top.", r.GetSentence())
	require.Equal(t, "2023-07", r.GetPeriod().GetStartMonth())
	require.Equal(t, "Shire works and everything below it", r.GetScope())
	require.NotEmpty(t, r.GetMethod())
	require.NotEmpty(t, r.GetSource())
	require.Positive(t, r.GetSequenceNumber())
	for _, svg := range []string{r.GetSvg(), r.GetSvgNarrow()} {
		require.Contains(t, svg, "not coded")
		require.Contains(t, svg, "title of 28")
	}

	// Ties stay together: two of three would cut one in half.
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, RowLimit: 2})
	require.Len(t, r.GetRows(), 1)
	require.EqualValues(t, 9, r.GetOthers())
	require.EqualValues(t, 3, r.GetOtherRows())
	// What was asked for by data set and period comes from there.
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, Filter: &pb.ReportFilter{Datasets: []string{"old-register"}}})
	require.EqualValues(t, 3, r.GetTotal())
	require.NotContains(t, r.GetSentence(), "none")
	require.Contains(t, r.GetScope(), "data sets: old-register")
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, Period: &pb.Period{StartMonth: "2020-01", EndMonth: "2020-03"}})
	require.EqualValues(t, 2, r.GetTotal())
	// Nothing yet, and nothing coded yet.
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, Period: &pb.Period{StartMonth: "2001-01", EndMonth: "2001-03"}})
	require.Equal(t, "No reports in this period.", r.GetSentence())
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byAgency})
	require.Equal(t, "None of 24 reports has an agency of injury yet.", r.GetSentence())
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byWorkplace})
	require.Nil(t, r.GetUnreviewed())
	require.Contains(t, r.GetCautions()[0], "Do not rank places")
	require.NotContains(t, strings.Join(r.GetCautions(), " "), "coded by one person")
}

// TestRankUnspecified: a code that says nothing in particular is said aloud.
func TestRankUnspecified(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.tell(t, append(times(6, story{mechanism: "28"}), times(2, story{mechanism: "unspecified"})...)...)
	r := w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism})
	require.Contains(t, r.GetCautions(), "2 of 8 codes (25 %) say no more than unspecified.")
}

// TestPersons: persons are counted each, and lead to the reports they were hurt
// in, which are fewer.
func TestPersons(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	two := func() []*pb.Harm { return []*pb.Harm{hurt(lostTime, employee), hurt(firstAid, hire)} }
	w.tell(t, story{kind: injuries, mechanism: "28", hurt: two()}, story{kind: injuries, mechanism: "28", hurt: two()},
		story{kind: injuries, mechanism: "21", hurt: two()[:1]}, story{mechanism: "28"})
	r := w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, CountHarms: true})
	require.EqualValues(t, 5, r.GetTotal())
	require.EqualValues(t, 4, r.GetRows()[0].GetCount())
	require.EqualValues(t, 2, r.GetRows()[0].GetReports())
	require.EqualValues(t, 2, w.found(t, r.GetRows()[0].GetFilter()))
	require.Contains(t, r.GetSentence(), "4 persons hurt of 5 with a mechanism")
	// Conditions on the person are met by the person counted.
	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, CountHarms: true, Filter: &pb.ReportFilter{Outcomes: []pb.OutcomeClass{firstAid}}})
	require.EqualValues(t, 2, r.GetTotal())
	require.EqualValues(t, 2, w.found(t, r.GetRows()[0].GetFilter()))
	c := w.cross(t, adviser, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byOutcome, CountHarms: true})
	require.Contains(t, strings.Join(c.GetCautions(), " "), "Several persons may be hurt in one event")
	for _, p := range c.GetPairs() {
		require.Equal(t, p.GetReports(), w.found(t, p.GetFilter()))
	}
}

// TestPublishedTables makes reports that reproduce a published table of two by
// two, and holds the figures that come out of the service against those of R.
// The values are those of R 4.2.2, stats::fisher.test, as in
// analytics/published/testdata; R stops its search of the odds ratio at about
// one part in ten thousand.
func TestPublishedTables(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, source                               string
		both, rowOnly, columnOnly, neither         int
		odds, lower, upper, p, lift, tolerateLimit float64
	}{
		{"tea tasting", "Fisher 1935; R ?fisher.test TeaTasting", 3, 1, 1, 3, 6.40830886700579, 0.211732915305503, 621.933750545417, 0.485714285714286, 1.5, 0.01},
		{"convictions", "Fisher 1935/1970 p. 89; R ?fisher.test Convictions", 2, 15, 10, 3, 0.0469366088276989, 0.00332576403385931, 0.363182271474897, 0.000536724119143436, 0.294117647058824, 0.001},
		{"wet floor and slip", "synthetic, R stats::fisher.test", 14, 46, 22, 318, 4.37572168301155, 1.92689144752121, 9.69335989594308, 0.000190842228293982, 2.59259259259259, 0.001},
		{"no association", "synthetic, R stats::fisher.test", 20, 80, 40, 160, 1, 0.517926037668109, 1.88564175485749, 1, 1, 0.001},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := testWorld(t)
			var all []story
			for _, x := range []struct {
				n                 int
				mechanism, agency string
			}{{c.both, "1", "1"}, {c.rowOnly, "1", "2"}, {c.columnOnly, "2", "1"}, {c.neither, "2", "2"}} {
				all = append(all, times(x.n, story{mechanism: x.mechanism, agency: x.agency})...)
			}
			// A report without one of the codes is in no cell.
			w.tell(t, append(all, story{mechanism: "1"}, story{})...)
			r := w.cross(t, adviser, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency})
			require.EqualValues(t, len(all), r.GetKnown())
			require.EqualValues(t, 2, r.GetMissing().GetCount())
			var p *pb.CausePair
			for _, pair := range r.GetPairs() {
				if pair.GetRow() == 0 && pair.GetColumn() == 0 {
					p = pair
				}
			}
			require.EqualValues(t, c.both, p.GetCount())
			require.InEpsilon(t, c.odds, p.GetOddsRatio(), 1e-4, c.source)
			require.InEpsilon(t, c.p, p.GetPValue(), 1e-6, c.source)
			require.InEpsilon(t, c.lift, p.GetLift(), 1e-12, c.source)
			// Four cells of one table ask the same question four times.
			require.EqualValues(t, 4, r.GetTried())
			require.InEpsilon(t, c.p, p.GetQValue(), 1e-6)
			if !p.GetStands() && !p.GetApart() {
				require.InDelta(t, 0.95, p.GetOddsLevel(), 1e-12)
				require.InEpsilon(t, c.lower, p.GetOddsLower(), c.tolerateLimit, c.source)
				require.InEpsilon(t, c.upper, p.GetOddsUpper(), c.tolerateLimit, c.source)
			}
			require.Equal(t, p.GetCount(), w.found(t, p.GetFilter()))
		})
	}
}

// drawStories draws a small world of everything.
func drawStories(t *rapid.T) []story {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) story {
		code := rapid.SampledFrom([]string{"", "1", "11", "12", "2", "21"})
		s := story{workplace: rapid.SampledFrom([]string{north, trees, quarry}).Draw(t, "at"),
			day:  "2026-0" + rapid.SampledFrom([]string{"1", "2", "3", "4", "5", "6"}).Draw(t, "month") + "-10",
			kind: pb.ReportKind(rapid.IntRange(1, 4).Draw(t, "kind")), mechanism: code.Draw(t, "mechanism"), agency: code.Draw(t, "agency"),
			nature: code.Draw(t, "nature"), potential: pb.PotentialSeverity(rapid.IntRange(0, 4).Draw(t, "potential"))}
		for range rapid.IntRange(0, 2).Draw(t, "hurt") {
			s.hurt = append(s.hurt, hurt(pb.OutcomeClass(rapid.IntRange(0, 7).Draw(t, "outcome")), pb.EmploymentGroup(rapid.IntRange(0, 5).Draw(t, "group"))))
		}
		return s
	}), 1, 60).Draw(t, "stories")
}

// TestCausesAreTabulated: whatever is asked for, the counts are those that
// Tabulate gives, the figures those of analytics/cause on the same counts, and
// every number leads to its reports.
func TestCausesAreTabulated(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		dir := t.TempDir()
		w := newWorld(rt, dir)
		defer w.ledger.Close()
		w.tell(rt, drawStories(rt)...)
		for range 3 {
			period := &pb.Period{StartMonth: "2026-0" + rapid.SampledFrom([]string{"1", "3"}).Draw(rt, "from"), EndMonth: "2026-07"}
			filter := &pb.ReportFilter{}
			if rapid.Bool().Draw(rt, "narrow") {
				filter.Workplaces = []string{rapid.SampledFrom([]string{north, quarry}).Draw(rt, "within")}
			}
			if rapid.Bool().Draw(rt, "kinds") {
				filter.Kinds = []pb.ReportKind{nearMisses, injuries}
			}
			level, persons := rapid.Int32Range(0, 2).Draw(rt, "level"), rapid.Bool().Draw(rt, "persons")
			dims := rapid.SliceOfNDistinct(rapid.SampledFrom([]pb.Dimension{byMechanism, byAgency, byNature, byWorkplace, byKind, byPotential, byOutcome, byMonth}), 2, 2, rapid.ID).Draw(rt, "dims")
			table, err := w.Tabulate(adviser, &pb.TabulateRequest{Rows: dims[0], Columns: dims[1], CodeLevel: level, CountHarms: persons,
				Filter: &pb.ReportFilter{Workplaces: filter.GetWorkplaces(), Kinds: filter.GetKinds(), Datasets: []string{"here"},
					StartDate: period.GetStartMonth() + "-01", EndDate: period.GetEndMonth() + "-01"}})
			require.NoError(rt, err)

			c := w.cross(rt, adviser, &pb.CrossCausesRequest{Rows: dims[0], Columns: dims[1], CodeLevel: level, CountHarms: persons, Filter: filter, Period: period, PairLimit: 2000})
			sameAsTable(rt, c, table)
			sameAsCause(rt, c)
			for _, p := range c.GetPairs() {
				require.Equal(rt, p.GetReports(), w.found(rt, p.GetFilter()))
			}
			if !slices.Contains([]pb.Dimension{byKind, byPotential, byOutcome, byMonth}, dims[0]) {
				r := w.rank(rt, adviser, &pb.RankCausesRequest{Dimension: dims[0], CodeLevel: level, CountHarms: persons, Filter: filter, Period: period})
				sameRanking(rt, r, table)
				for _, row := range r.GetRows() {
					require.Equal(rt, row.GetReports(), w.found(rt, row.GetFilter()))
				}
			}
		}
	})
}

func sameAsTable(t *rapid.T, c *pb.CauseCross, table *pb.Table) {
	want, got := map[[2]string]int64{}, map[[2]string]int64{}
	var missing int64
	for i, r := range table.GetRows() {
		for j, k := range table.GetColumns() {
			n := table.GetCounts()[i*len(table.GetColumns())+j]
			if r.GetKey() == "" || k.GetKey() == "" {
				missing += n
			} else if n > 0 {
				want[[2]string{r.GetKey(), k.GetKey()}] = n
			}
		}
	}
	for i, r := range c.GetRowHeads() {
		for j, k := range c.GetColumnHeads() {
			if n := c.GetCounts()[i*len(c.GetColumnHeads())+j]; n > 0 {
				got[[2]string{r.GetKey(), k.GetKey()}] = n
			}
		}
	}
	require.Equal(t, want, got)
	require.Equal(t, missing, c.GetMissing().GetCount())
	require.Equal(t, table.GetTotal(), c.GetTotal())
	require.Equal(t, table.GetRowsUnknown(), c.GetRowsUnknown())
	require.Equal(t, table.GetColumnsUnknown(), c.GetColumnsUnknown())
}

func sameAsCause(t *rapid.T, c *pb.CauseCross) {
	var counts [][]int
	for i := range c.GetRowHeads() {
		var line []int
		for j := range c.GetColumnHeads() {
			line = append(line, int(c.GetCounts()[i*len(c.GetColumnHeads())+j]))
		}
		counts = append(counts, line)
	}
	want, err := cause.CrossTab(counts, int(c.GetMissing().GetCount()), cause.SearchOptions{})
	require.NoError(t, err)
	require.EqualValues(t, want.Tried, c.GetTried())
	require.EqualValues(t, want.Finds, c.GetStanding())
	require.Len(t, c.GetPairs(), want.Tried, "all that was tried is listed")
	require.Equal(t, want.Whole.Defined, c.GetWhole() != nil)
	for _, p := range c.GetPairs() {
		cell := want.Cells[p.GetRow()][p.GetColumn()]
		require.EqualValues(t, cell.Count, p.GetCount())
		require.InDelta(t, cell.Expected, p.GetExpected(), 0)
		require.InDelta(t, cell.PValue, p.GetPValue(), 0)
		require.InDelta(t, cell.Adjusted, p.GetQValue(), 0)
		require.Equal(t, cell.Marked, p.GetStands())
		require.Equal(t, cell.Scarce, p.GetApart())
		n, row, column := want.Known, want.Rows[p.GetRow()], want.Cols[p.GetColumn()]
		a, err := cause.Associate(cause.Fourfold{Both: cell.Count, ExposureOnly: row - cell.Count, OutcomeOnly: column - cell.Count, Neither: n - row - column + cell.Count}, p.GetOddsLevel())
		require.NoError(t, err)
		require.Equal(t, a.Odds().Open, p.OddsRatio == nil)
		require.InDelta(t, a.Odds().Value, p.GetOddsRatio(), 0)
	}
}

func sameRanking(t *rapid.T, r *pb.CauseRanking, table *pb.Table) {
	var categories []cause.Category
	for _, h := range table.GetRows() {
		if h.GetKey() != "" {
			categories = append(categories, cause.Category{Label: h.GetKey(), Count: int(h.GetTotal())})
		}
	}
	want, err := cause.ParetoOf(categories, int(table.GetRowsUnknown()), 0.95)
	require.NoError(t, err)
	require.Equal(t, table.GetRowsUnknown(), r.GetUnknown().GetCount())
	require.Len(t, r.GetRows(), len(want.Rows))
	if r.GetDimension() == byWorkplace {
		samePlaces(t, r, want)
		return
	}
	for i, row := range r.GetRows() {
		x := want.Rows[i]
		require.Equal(t, x.Label, row.GetHead().GetKey())
		require.EqualValues(t, x.Count, row.GetCount())
		require.EqualValues(t, x.Rank, row.GetRank())
		require.Equal(t, x.Tied, row.GetTied())
		require.InDelta(t, x.Running, row.GetRunningShare(), 0)
		require.InDelta(t, x.Share.Lo, row.GetShare().GetLower(), 0)
		require.Equal(t, i+1 < len(want.Rows), row.GapPValue != nil)
		if row.GapPValue != nil {
			require.InDelta(t, x.Apart, row.GetGapPValue(), 0)
		}
	}
}

// samePlaces checks that the rows are those of a ranking, but ranked by nothing.
func samePlaces(t *rapid.T, r *pb.CauseRanking, want cause.Pareto) {
	counts := map[string]int{}
	for _, x := range want.Rows {
		counts[x.Label] = x.Count
	}
	for _, row := range r.GetRows() {
		require.EqualValues(t, counts[row.GetHead().GetKey()], row.GetCount())
		delete(counts, row.GetHead().GetKey())
		require.Zero(t, row.GetRank())
		require.False(t, row.GetTied())
		require.Nil(t, row.RunningShare)
		require.Nil(t, row.GapPValue)
	}
	require.Empty(t, counts)
}

// TestRankPlaces: workplaces are counted, and not ranked: they stand as the tree
// is read, with their hours.
func TestRankPlaces(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.tell(t, slices.Concat(times(9, story{workplace: quarry, mechanism: "28"}), times(2, story{workplace: trees, mechanism: "28"}),
		times(5, story{workplace: north, mechanism: "28"}))...)
	w.work(t, trees, "2026-01", 6, employee, 1000, 10)
	w.work(t, quarry, "2026-01", 6, employee, 4000, 40)
	w.work(t, quarry, "2026-02", 4, hire, 500, 5)
	period := &pb.Period{StartMonth: "2026-01", EndMonth: "2026-07"}
	ask := &pb.RankCausesRequest{Dimension: byWorkplace, Period: period, IncludeSvg: true}
	r := w.rank(t, adviser, ask)
	var keys []string
	for _, row := range r.GetRows() {
		keys = append(keys, row.GetHead().GetKey())
		require.Zero(t, row.GetRank())
		require.Nil(t, row.RunningShare)
		require.Nil(t, row.GapPValue)
		require.EqualValues(t, 16, row.GetShare().GetOf())
	}
	require.Equal(t, []string{north, trees, quarry}, keys, "the fullest is not on top")
	require.Nil(t, r.GetRows()[0].Hours, "a depot whose crews keep the hours has none of its own")
	require.EqualValues(t, 6, r.GetRows()[0].GetMonthsWithoutHours())
	require.InDelta(t, 6000, r.GetRows()[1].GetHours(), 0)
	require.Nil(t, r.GetRows()[2].Hours, "labour hire has none in the last month")
	require.EqualValues(t, 1, r.GetRows()[2].GetMonthsWithoutHours())
	require.Equal(t, "16 reports at 3 workplaces, in the order of the tree and not of their counts. Places are compared by their hours, in a funnel.", r.GetSentence())
	require.Contains(t, r.GetMethod(), "nothing is ranked")
	require.NotContains(t, r.GetMethod(), "binomial")
	require.Contains(t, r.GetCautions()[0], "funnel")
	require.NotContains(t, r.GetSvg(), "running share")

	r = w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byWorkplace, Period: period, Filter: &pb.ReportFilter{EmploymentGroups: []pb.EmploymentGroup{employee}}, CountHarms: true})
	require.Empty(t, r.GetRows(), "nobody was hurt")
	ask.RowLimit = 2
	r = w.rank(t, adviser, ask)
	require.Len(t, r.GetRows(), 2)
	require.EqualValues(t, 9, r.GetOthers())
	require.EqualValues(t, 1, r.GetOtherRows())
}

// TestCausesAnswerWaits: a figure reflects what was waited for, or says that it
// is behind.
func TestCausesAnswerWaits(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.tell(t, story{mechanism: "28"})
	ctx, stop := context.WithCancel(adviser)
	stop()
	_, err := w.RankCauses(ctx, &pb.RankCausesRequest{Dimension: byMechanism, MinSequenceNumber: 1 << 40})
	require.Equal(t, codes.Canceled, status.Code(err))
	_, err = w.CrossCauses(ctx, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, MinSequenceNumber: 1 << 40})
	require.Equal(t, codes.Canceled, status.Code(err))
	_, err = w.FindClusters(ctx, &pb.FindClustersRequest{Category: byMechanism, MinSequenceNumber: 1 << 40})
	require.Equal(t, codes.Canceled, status.Code(err))
}

// TestChartOfACell: a cell is a condition wherever reports are picked; none drops
// it in silence.
func TestChartOfACell(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.tell(t, append(times(6, story{mechanism: "28"}), times(4, story{mechanism: "21"})...)...)
	cells := []*pb.CellMatch{{Sides: []*pb.CellSide{{Dimension: byMechanism, Key: "28"}}}}
	c := w.chart(t, &pb.ComputeChartRequest{Measure: "reports", Filter: &pb.ReportFilter{Cells: cells}})
	var sum int64
	for _, p := range c.GetPoints() {
		sum += p.GetCount()
	}
	require.EqualValues(t, 6, sum)
	table, err := w.Tabulate(adviser, &pb.TabulateRequest{Rows: byMechanism, Filter: &pb.ReportFilter{Cells: cells}})
	require.NoError(t, err)
	require.EqualValues(t, 6, table.GetTotal())
	r := w.rank(t, adviser, &pb.RankCausesRequest{Dimension: byMechanism, Filter: &pb.ReportFilter{Cells: cells}})
	require.EqualValues(t, 6, r.GetTotal())
	require.Contains(t, r.GetScope(), "only what the filter picks")
	require.EqualValues(t, 6, w.found(t, r.GetRows()[0].GetFilter()))
}
