package facts_test

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/ledger"
)

// keys returns the heads of a table with their totals.
func keys(heads []*pb.TableHead) map[string]int64 {
	out := map[string]int64{}
	for _, h := range heads {
		out[h.GetKey()] = h.GetTotal()
	}
	return out
}

func tabulate(t *testing.T, f *facts.Facts, q *pb.ReportFilter, rows pb.Dimension, level int32, harms bool) map[string]int64 {
	t.Helper()
	table, err := f.Tabulate(q, nil, rows, 0, level, harms)
	require.NoError(t, err)
	return keys(table.GetRows())
}

func TestMonthIsThatOfTheWorkplace(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		r    *pb.Report
		want string
	}{
		"Sydney, still February in UTC": {
			&pb.Report{Workplace: "workplaces/north", OccurTime: at(t, "2026-02-28T13:30:00Z")}, "2026-03"},
		"Sydney, last minute of February": {
			&pb.Report{Workplace: "workplaces/north", OccurTime: at(t, "2026-02-28T12:59:00Z")}, "2026-02"},
		"Denver, already March in UTC": {
			&pb.Report{Workplace: "workplaces/far", OccurTime: at(t, "2026-03-01T06:59:00Z")}, "2026-02"},
		"Denver, first minute of March": {
			&pb.Report{Workplace: "workplaces/far", OccurTime: at(t, "2026-03-01T07:00:00Z")}, "2026-03"},
		"event not known: day of receipt": {
			&pb.Report{Workplace: "workplaces/far", ReceiveTime: at(t, "2026-03-01T06:59:00Z")}, "2026-02"},
		"anonymous: the day was kept, not the hour": {
			&pb.Report{Workplace: "workplaces/far", TellerMode: pb.TellerMode_TELLER_MODE_ANONYMOUS, ReceiveTime: at(t, "2026-03-01T00:00:00Z")}, "2026-03"},
		"before 1970": {
			&pb.Report{Workplace: "workplaces/north", OccurTime: at(t, "1959-12-31T14:00:00Z")}, "1960-01"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := testWorld(t)
			c.r.Name = reportName(1)
			w.put(t, c.r)
			f := w.facts(t)
			require.Equal(t, map[string]int64{c.want: 1}, tabulate(t, f, nil, pb.Dimension_DIMENSION_MONTH, 0, false))
			start := c.want + "-01"
			end, err := time.Parse(time.DateOnly, start)
			require.NoError(t, err)
			in := &pb.ReportFilter{StartDate: start, EndDate: end.AddDate(0, 1, 0).Format(time.DateOnly)}
			require.True(t, f.Match(c.r.Name, in, nil), "the filter's months are the table's")
		})
	}
}

func TestCodesOfWhomTheyAreCounted(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	one, two := reportName(1), reportName(2)
	hurt := func(id string, o pb.OutcomeClass) *pb.Harm { return &pb.Harm{HarmId: id, Outcome: o} }
	code := func(report, harm, nature, mechanism string) *pb.Coding {
		c := codingOf(report, harm)
		c.Nature, c.Mechanism = nature, mechanism
		return c
	}
	w.put(t,
		&pb.Report{Name: one, Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z"), Harms: []*pb.Harm{
			hurt("h1", pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID), hurt("h2", pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME)}},
		code(one, "", "A11", "21"), code(one, "h2", "", "42"),
		&pb.Report{Name: two, Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z"), Harms: []*pb.Harm{
			hurt("h1", pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID)}},
		code(two, "", "B22", "21"),
	)
	f := w.facts(t)
	mechanism, nature := pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_NATURE
	require.Equal(t, map[string]int64{"42": 1, "21": 1}, tabulate(t, f, nil, mechanism, 0, false), "a report counts under its worst hurt")
	require.Equal(t, map[string]int64{"42": 1, "21": 2}, tabulate(t, f, nil, mechanism, 0, true), "a person without a mechanism takes the report's")
	require.Equal(t, map[string]int64{"A11": 1, "B22": 1}, tabulate(t, f, nil, nature, 0, false))
	require.Equal(t, map[string]int64{"": 2, "B22": 1}, tabulate(t, f, nil, nature, 0, true),
		"which of two bodies a report's nature speaks of is not known")
	require.Equal(t, map[string]int64{"4": 1, "2": 1}, tabulate(t, f, nil, mechanism, 1, false))

	below := func(facet pb.Facet, codes ...string) *pb.ReportFilter {
		q := &pb.ReportFilter{}
		for _, c := range codes {
			q.Codes = append(q.Codes, &pb.CodeMatch{Facet: facet, Code: c})
		}
		return q
	}
	match := func(q *pb.ReportFilter) (out []string) {
		names, _, _, err := f.Newest(q, nil, "", 10)
		require.NoError(t, err)
		slices.Sort(names)
		return names
	}
	require.Equal(t, []string{one, two}, match(below(pb.Facet_FACET_MECHANISM, "2")), "any person's code picks a report")
	require.Equal(t, []string{one}, match(below(pb.Facet_FACET_MECHANISM, "4")))
	require.Equal(t, []string{one, two}, match(below(pb.Facet_FACET_MECHANISM, "4", "21")), "codes of a facet are alternatives")
	both := below(pb.Facet_FACET_MECHANISM, "21")
	both.Codes = append(both.Codes, &pb.CodeMatch{Facet: pb.Facet_FACET_NATURE, Code: "B"})
	require.Equal(t, []string{two}, match(both), "conditions of different facets are all met")
	require.Equal(t, []string{one, two}, match(below(pb.Facet_FACET_AGENCY, "")))
	require.Empty(t, match(below(pb.Facet_FACET_NATURE, "")))
	require.Equal(t, map[string]int64{"42": 1}, tabulate(t, f, below(pb.Facet_FACET_MECHANISM, "4"), mechanism, 0, true),
		"counting persons, a code is that of the person")

	// The coding of a report moves once, wherever it is put.
	w.put(t, code(one, "h2", "", "31"))
	w.catchUp(t, f)
	require.Equal(t, map[string]int64{"31": 1, "21": 1}, tabulate(t, f, nil, mechanism, 0, false))
}

func TestReclassifiedCaseMovesOnce(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	r := &pb.Report{Name: reportName(1), Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z"),
		Harms: []*pb.Harm{{HarmId: "h1", Outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID}}}
	w.put(t, r)
	f := w.facts(t)
	outcome := pb.Dimension_DIMENSION_OUTCOME
	require.Equal(t, map[string]int64{"OUTCOME_CLASS_FIRST_AID": 1}, tabulate(t, f, nil, outcome, 0, true))

	worse := proto.Clone(r).(*pb.Report)
	worse.Harms[0].Outcome = pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME
	w.put(t, worse)
	w.catchUp(t, f)
	require.Equal(t, map[string]int64{"OUTCOME_CLASS_LOST_TIME": 1}, tabulate(t, f, nil, outcome, 0, true))
	require.False(t, f.Match(r.Name, &pb.ReportFilter{Outcomes: []pb.OutcomeClass{pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID}}, nil))

	worse.State = pb.ReportState_REPORT_STATE_VOIDED
	w.put(t, worse)
	w.catchUp(t, f)
	require.Empty(t, tabulate(t, f, nil, outcome, 0, true), "a voided report is in nothing")
	require.Equal(t, map[string]int64{"OUTCOME_CLASS_LOST_TIME": 1}, tabulate(t, f, &pb.ReportFilter{IncludeVoided: true}, outcome, 0, true))
}

func TestTableShowsUnknownFirstAndMonthsWithoutGaps(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	for i, when := range []string{"2025-11-10T00:00:00Z", "2026-02-10T00:00:00Z", "2026-02-11T00:00:00Z"} {
		w.put(t, &pb.Report{Name: reportName(i), Workplace: "workplaces/north", OccurTime: at(t, when),
			Kind: pb.ReportKind(i), Origin: &pb.Origin{}})
	}
	coded := codingOf(reportName(2), "")
	coded.Mechanism = "21"
	w.put(t, coded)
	f := w.facts(t)

	table, err := f.Tabulate(nil, nil, pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_MONTH, 1, false)
	require.NoError(t, err)
	var rows, columns []string
	for _, h := range table.GetRows() {
		rows = append(rows, h.GetKey()+"|"+h.GetTitle())
	}
	for _, h := range table.GetColumns() {
		columns = append(columns, h.GetKey())
	}
	require.Equal(t, []string{"|not coded", "2|title of 2"}, rows)
	require.Equal(t, []string{"2025-11", "2025-12", "2026-01", "2026-02"}, columns)
	require.Equal(t, []int64{1, 0, 0, 1, 0, 0, 0, 1}, table.GetCounts())
	require.Equal(t, int64(3), table.GetTotal())
	require.Equal(t, int64(2), table.GetRowsUnknown())
	require.Equal(t, pb.Facet_FACET_MECHANISM, table.GetRows()[1].GetFacet())
	require.Contains(t, table.GetMethod(), "worst hurt, else of the report")
	require.Equal(t, f.Seq(), table.GetSequenceNumber())

	require.Equal(t, map[string]int64{"here": 3}, tabulate(t, f, nil, pb.Dimension_DIMENSION_DATASET, 0, false))
	empty, err := f.Tabulate(&pb.ReportFilter{StartDate: "2030-01-01"}, nil, pb.Dimension_DIMENSION_MONTH, pb.Dimension_DIMENSION_KIND, 0, true)
	require.NoError(t, err)
	require.Empty(t, empty.GetRows())
	require.Empty(t, empty.GetCounts())
}

func TestTableTooLarge(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	// 600 codes by months from 1950 to 2026 are over half a million cells.
	var writes []proto.Message
	for i := range 600 {
		r := &pb.Report{Name: reportName(i), Workplace: "workplaces/north", OccurTime: at(t, "2026-02-10T00:00:00Z")}
		if i == 0 {
			r.OccurTime = at(t, "1950-02-10T00:00:00Z")
		}
		c := codingOf(r.Name, "")
		c.Agency = strings.Repeat("1", 3) + string(rune('0'+i/100)) + string(rune('0'+i/10%10)) + string(rune('0'+i%10))
		writes = append(writes, r, c)
	}
	w.put(t, writes...)
	f := w.facts(t)
	_, err := f.Tabulate(nil, nil, pb.Dimension_DIMENSION_AGENCY, pb.Dimension_DIMENSION_MONTH, 0, false)
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	require.ErrorContains(t, err, "use coarser codes or years")
	// The same axes over few enough categories are counted the long way round.
	table, err := f.Tabulate(&pb.ReportFilter{StartDate: "2026-01-01"}, nil, pb.Dimension_DIMENSION_AGENCY, pb.Dimension_DIMENSION_MONTH, 0, false)
	require.NoError(t, err)
	require.Equal(t, int64(599), table.GetTotal())
	require.Len(t, table.GetCounts(), 599)
	none, err := f.Tabulate(&pb.ReportFilter{StartDate: "2027-01-01"}, nil, pb.Dimension_DIMENSION_AGENCY, pb.Dimension_DIMENSION_MONTH, 0, false)
	require.NoError(t, err)
	require.Empty(t, none.GetCounts())
}

func TestPagingIsStableUnderInserts(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	file := func(n int, when string) {
		w.put(t, &pb.Report{Name: reportName(n), Workplace: "workplaces/north", OccurTime: at(t, when)})
	}
	for n := range 6 {
		file(n, "2026-03-0"+string(rune('1'+n))+"T00:00:00Z")
	}
	f := w.facts(t)
	first, next, total, err := f.Newest(nil, nil, "", 3)
	require.NoError(t, err)
	require.Equal(t, int64(6), total)
	require.Equal(t, []string{reportName(5), reportName(4), reportName(3)}, first)

	file(20, "2026-03-09T00:00:00Z") // newer than the page: not on the next
	file(21, "2026-03-02T12:00:00Z") // between: on the next, in its place
	file(22, "2026-03-04T12:00:00Z") // on the page that is past: not repeated later
	w.catchUp(t, f)
	second, next, _, err := f.Newest(nil, nil, next, 3)
	require.NoError(t, err)
	require.Equal(t, []string{reportName(2), reportName(21), reportName(1)}, second)
	third, next, _, err := f.Newest(nil, nil, next, 3)
	require.NoError(t, err)
	require.Equal(t, []string{reportName(0)}, third)
	require.Empty(t, next)
}

func TestLateReportsFindTheirPlace(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	f := w.facts(t)
	base := at(t, "2026-01-01T00:00:00Z").AsTime()
	// More late ones than the short list holds, in small and in large writes.
	for round := range 12 {
		var writes []proto.Message
		for i := range 900 {
			n := round*900 + i
			when := base.Add(time.Duration((n*7919)%10_000) * time.Minute)
			writes = append(writes, &pb.Report{Name: reportName(n), Workplace: "workplaces/north", OccurTime: at(t, when.Format(time.RFC3339))})
		}
		w.put(t, writes...)
		w.catchUp(t, f)
	}
	want := w.naiveNewest(t)
	got, next, total, err := f.Newest(nil, nil, "", 20_000)
	require.NoError(t, err)
	require.Empty(t, next)
	require.Equal(t, int64(len(want)), total)
	require.Equal(t, want, got)
}

// naiveNewest reads all reports in pages: there are more than one List gives.
func (w *world) naiveNewest(t *testing.T) []string {
	t.Helper()
	n := w.naive(t)
	more, err := w.ledger.List(context.Background(), "Report", "reports/", n.reports[len(n.reports)-1].GetName(), 10_000)
	require.NoError(t, err)
	for _, r := range more {
		m := &pb.Report{}
		require.NoError(t, proto.Unmarshal(r.Body, m))
		n.reports = append(n.reports, m)
	}
	return n.newest(nil, nil)
}

func TestBadQuestions(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.put(t, &pb.Report{Name: reportName(1), Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z")})
	f := w.facts(t)
	for name, c := range map[string]struct {
		q    *pb.ReportFilter
		says string
	}{
		"no such day":    {&pb.ReportFilter{StartDate: "2026-02-30"}, "filter.start_date: 2026-02-30 is not a day of the calendar"},
		"words":          {&pb.ReportFilter{EndDate: "soon"}, "filter.end_date"},
		"end at start":   {&pb.ReportFilter{StartDate: "2026-03-01", EndDate: "2026-03-01"}, "filter.end_date: must be after start_date"},
		"end before":     {&pb.ReportFilter{StartDate: "2026-03-01", EndDate: "2026-02-01"}, "must be after start_date"},
		"unknown facet":  {&pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: 99}}}, "filter.codes[0].facet"},
		"facet not said": {&pb.ReportFilter{Codes: []*pb.CodeMatch{{Code: "21"}}}, "filter.codes[0].facet"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, _, _, err := f.Newest(c.q, nil, "", 10)
			require.Equal(t, codes.InvalidArgument, status.Code(err))
			require.ErrorContains(t, err, c.says)
			_, err = f.Tabulate(c.q, nil, pb.Dimension_DIMENSION_KIND, 0, 0, false)
			require.Equal(t, codes.InvalidArgument, status.Code(err))
			_, err = f.Walk(c.q, nil, nil, nil, nil)
			require.Equal(t, codes.InvalidArgument, status.Code(err))
			require.False(t, f.Match(reportName(1), c.q, nil))
		})
	}
	for _, after := range []string{"x", "1.", "1.zz", "1.00", ".00000000000000000000000000000000"} {
		_, _, _, err := f.Newest(nil, nil, after, 10)
		require.ErrorIs(t, err, facts.ErrPosition, after)
	}
	_, _, _, err := f.Newest(nil, nil, "", 0)
	require.Error(t, err)
	for _, name := range []string{"", "reports/", "reports/x", "workplaces/north", "reports/00000001-0000-7000-8000-00000000000g"} {
		require.False(t, f.Match(name, nil, nil), name)
	}
	names, _, total, err := f.Newest(nil, []string{"workplaces/no-such"}, "", 10)
	require.NoError(t, err)
	require.Empty(t, names)
	require.Zero(t, total)
	unknown := &pb.ReportFilter{Kinds: []pb.ReportKind{99}, Outcomes: []pb.OutcomeClass{99}}
	require.False(t, f.Match(reportName(1), unknown, nil))
	_, err = f.Tabulate(nil, nil, pb.Dimension(99), pb.Dimension(98), -1, true)
	require.NoError(t, err)
}

func TestLogThatCannotBeReadStops(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	_, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, ledger.Put{Name: reportName(1), Kind: "Report", Verb: "file", Body: []byte{0xff, 0xff}})
		return err
	})
	require.NoError(t, err)
	require.NoError(t, w.tree.CatchUp(context.Background()))
	f := facts.New(w.ledger, w.tree, prefixes{})
	err = f.CatchUp(context.Background())
	require.ErrorContains(t, err, "change 6")
	require.Zero(t, f.Seq(), "what was not applied is not claimed")
}

// TestReadersAndFollower runs every kind of question while the log is followed;
// the race detector and the totals are the judges.
func TestReadersAndFollower(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	f := w.facts(t)
	ctx, stop := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Add(2)
	go func() { defer done.Done(); _ = w.tree.Run(ctx) }()
	go func() { defer done.Done(); _ = f.Run(ctx) }()
	var readers sync.WaitGroup
	for range 3 {
		readers.Go(func() {
			for ctx.Err() == nil {
				table, err := f.Tabulate(nil, nil, pb.Dimension_DIMENSION_KIND, pb.Dimension_DIMENSION_MONTH, 0, false)
				if err != nil {
					t.Error(err)
					return
				}
				var sum int64
				for _, v := range table.GetCounts() {
					sum += v
				}
				if sum != table.GetTotal() {
					t.Errorf("counts %d, total %d", sum, table.GetTotal())
					return
				}
				names, _, total, err := f.Newest(nil, nil, "", 1000)
				if err != nil || int64(len(names)) != total {
					t.Errorf("%d names of %d: %v", len(names), total, err)
					return
				}
			}
		})
	}
	for n := range 40 {
		seq := w.put(t, &pb.Report{Name: reportName(n), Kind: 1, Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z")})
		wait, cancel := context.WithTimeout(ctx, 10*time.Second)
		require.NoError(t, f.Wait(wait, seq))
		cancel()
		require.True(t, f.Match(reportName(n), nil, nil), "whoever waited sees what was written")
	}
	stop()
	readers.Wait()
	done.Wait()
}

func TestFirst(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	f := w.facts(t)
	_, ok, err := f.First(nil, nil)
	require.NoError(t, err)
	require.False(t, ok)
	w.put(t,
		&pb.Report{Name: reportName(1), Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z")},
		&pb.Report{Name: reportName(2), Workplace: "workplaces/north", OccurTime: at(t, "2025-03-02T00:00:00Z"), Origin: &pb.Origin{Dataset: "old-register"}},
		&pb.Report{Name: reportName(3), Workplace: "workplaces/north", OccurTime: at(t, "2024-03-02T00:00:00Z"), State: pb.ReportState_REPORT_STATE_VOIDED})
	w.catchUp(t, f)
	for want, q := range map[string]*pb.ReportFilter{
		"2025-03-02": nil,
		"2026-03-02": {Datasets: []string{"here"}},
		"2024-03-02": {IncludeVoided: true},
	} {
		day, ok, err := f.First(q, nil)
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, want, day.String())
	}
	_, _, err = f.First(&pb.ReportFilter{StartDate: "x"}, nil)
	require.Error(t, err)
}
