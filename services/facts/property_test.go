package facts_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/harm"
)

var places = []string{"workplaces/shire", "workplaces/north", "workplaces/north-trees", "workplaces/quarry", "workplaces/far"}

// TestMaintainedIsRebuiltIsRecounted lets reports, codings, hours and time zones
// change at random, and holds a projection that followed every step against one
// rebuilt from the log and against a recount of all resources.
func TestMaintainedIsRebuiltIsRecounted(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "facts")
		require.NoError(t, err)
		defer os.RemoveAll(dir)
		w := newWorld(t, dir)
		defer w.ledger.Close()
		followed := facts.New(w.ledger, w.tree, prefixes{})
		reports := map[string]*pb.Report{}
		for range rapid.IntRange(1, 4).Draw(t, "steps") {
			var writes []proto.Message
			for range rapid.IntRange(1, 15).Draw(t, "writes") {
				writes = append(writes, change(t, reports))
			}
			w.put(t, writes...)
			w.catchUp(t, followed)
		}
		seq, kept, err := followed.Digest()
		require.NoError(t, err)
		rebuiltFacts := w.facts(t)
		rebuiltSeq, rebuilt, err := rebuiltFacts.Digest()
		require.NoError(t, err)
		require.Equal(t, rebuiltSeq, seq)
		require.Equal(t, rebuilt, kept, "maintained and rebuilt differ")

		n := w.naive(t)
		for range 12 {
			askSame(t, followed, n)
		}
	})
}

// change draws one write: a report filed, amended, voided, hurt more, or one of
// a coding, a block of hours, or a workplace that moves to another time zone.
func change(t *rapid.T, reports map[string]*pb.Report) proto.Message {
	switch rapid.IntRange(0, 9).Draw(t, "what") {
	case 0:
		w := rapid.SampledFrom([]string{"north", "far"}).Draw(t, "moved")
		zone := rapid.SampledFrom([]string{"Australia/Sydney", "America/Denver", "Pacific/Kiritimati"}).Draw(t, "zone")
		return &pb.Workplace{Name: "workplaces/" + w, Parent: "workplaces/shire", Title: w, Level: 2, TimeZone: zone}
	case 1:
		return hoursOf(rapid.SampledFrom(places).Draw(t, "hours of"), "2026-0"+strconv.Itoa(rapid.IntRange(1, 9).Draw(t, "month")),
			pb.EmploymentGroup(rapid.IntRange(1, 4).Draw(t, "group")), float64(rapid.IntRange(0, 20000).Draw(t, "hours")))
	case 2, 3:
		c := codingOf(reportName(rapid.IntRange(0, 4).Draw(t, "coded")), rapid.SampledFrom([]string{"", "h1", "h2", "h3"}).Draw(t, "harm"))
		code := rapid.SampledFrom([]string{"", "1", "12", "121", "2", "21", "213"})
		c.Nature, c.BodilyLocation, c.Mechanism = code.Draw(t, "nature"), code.Draw(t, "location"), code.Draw(t, "mechanism")
		c.BreakdownAgency, c.Agency = code.Draw(t, "breakdown"), code.Draw(t, "agency")
		c.Origin = pb.CodingOrigin(rapid.IntRange(0, 3).Draw(t, "origin"))
		return c
	}
	name := reportName(rapid.IntRange(0, 4).Draw(t, "report"))
	r := reports[name]
	if r == nil {
		r = &pb.Report{Name: name, State: pb.ReportState_REPORT_STATE_RECEIVED, Narrative: "n"}
		r.ReceiveTime = someTime(t)
	}
	r = proto.Clone(r).(*pb.Report)
	switch rapid.IntRange(0, 3).Draw(t, "how") {
	case 0:
		r.State = rapid.SampledFrom([]pb.ReportState{1, 1, 2}).Draw(t, "state")
	case 1:
		r.Harms = nil
		for i := range rapid.IntRange(0, 3).Draw(t, "hurt") {
			h := &pb.Harm{HarmId: fmt.Sprintf("h%d", i+1), EmploymentGroup: pb.EmploymentGroup(rapid.IntRange(0, 5).Draw(t, "of")),
				Outcome: pb.OutcomeClass(rapid.IntRange(0, 7).Draw(t, "outcome")), Illness: rapid.Bool().Draw(t, "illness")}
			if rapid.Bool().Draw(t, "away") {
				h.Absences = []*pb.Absence{{FirstDate: "2026-03-02", ReturnDate: "2026-03-05"}}
			}
			r.Harms = append(r.Harms, h)
		}
	default:
		r.Kind = pb.ReportKind(rapid.IntRange(0, 6).Draw(t, "kind"))
		r.Workplace = rapid.SampledFrom(places).Draw(t, "place")
		r.Potential = pb.PotentialSeverity(rapid.IntRange(0, 4).Draw(t, "potential"))
		r.TellerMode = pb.TellerMode(rapid.IntRange(1, 3).Draw(t, "mode"))
		r.OccurTime = nil
		if rapid.IntRange(0, 3).Draw(t, "dated") > 0 {
			r.OccurTime = someTime(t)
		}
		r.Origin = nil
		if d := rapid.SampledFrom([]string{"", "", "old-register"}).Draw(t, "dataset"); d != "" {
			r.Origin = &pb.Origin{Dataset: d, SourceId: name}
		}
	}
	if r.Workplace == "" {
		r.Workplace = places[0]
	}
	reports[name] = r
	return r
}

// someTime draws an instant near a boundary of months, often the same one.
func someTime(t *rapid.T) *timestamppb.Timestamp {
	base := time.Date(2026, time.Month(rapid.IntRange(1, 9).Draw(t, "m")), 1, 0, 0, 0, 0, time.UTC)
	return timestamppb.New(base.Add(time.Duration(rapid.IntRange(-15, 15).Draw(t, "h")) * time.Hour))
}

func someFilter(t *rapid.T) *pb.ReportFilter {
	q := &pb.ReportFilter{IncludeVoided: rapid.Bool().Draw(t, "voided")}
	some := func(label string) bool { return rapid.IntRange(0, 3).Draw(t, label) == 0 }
	if some("from") {
		q.StartDate = rapid.SampledFrom([]string{"2026-02-01", "2026-03-01", "2025-12-31"}).Draw(t, "start")
	}
	if some("to") {
		q.EndDate = rapid.SampledFrom([]string{"2026-04-01", "2026-06-30"}).Draw(t, "end")
	}
	if some("kinds") {
		q.Kinds = []pb.ReportKind{1, 3}
	}
	if some("outcomes") {
		q.Outcomes = []pb.OutcomeClass{5, 7}
	}
	if some("potentials") {
		q.Potentials = []pb.PotentialSeverity{4}
	}
	if some("datasets") {
		q.Datasets = []string{rapid.SampledFrom([]string{"here", "old-register", "no-such"}).Draw(t, "set")}
	}
	if some("groups") {
		q.EmploymentGroups = []pb.EmploymentGroup{1, 5}
	}
	if some("cells") {
		for range rapid.IntRange(1, 2).Draw(t, "how many cells") {
			cell := &pb.CellMatch{CodeLevel: rapid.Int32Range(0, 3).Draw(t, "cell level"), CountHarms: rapid.Bool().Draw(t, "cell of persons")}
			for range rapid.IntRange(1, 2).Draw(t, "sides") {
				cell.Sides = append(cell.Sides, &pb.CellSide{Dimension: pb.Dimension(rapid.IntRange(1, 13).Draw(t, "side")),
					Key: rapid.SampledFrom([]string{"", "2", "21", "workplaces/north", "2026-03", "2026", "here", "OUTCOME_CLASS_LOST_TIME", "no such"}).Draw(t, "key")})
			}
			q.Cells = append(q.Cells, cell)
		}
	}
	for range rapid.IntRange(0, 2).Draw(t, "codes") {
		q.Codes = append(q.Codes, &pb.CodeMatch{Facet: pb.Facet(rapid.IntRange(1, 5).Draw(t, "facet")),
			Code: rapid.SampledFrom([]string{"", "1", "21", "213", "9"}).Draw(t, "code")})
	}
	return q
}

func askSame(t *rapid.T, f *facts.Facts, n *naive) {
	q := someFilter(t)
	var within []string
	if rapid.Bool().Draw(t, "narrow") {
		within = []string{rapid.SampledFrom(places).Draw(t, "within")}
	}

	var names []string
	page := rapid.IntRange(1, 4).Draw(t, "page")
	for after := ""; ; {
		more, next, total, err := f.Newest(q, within, after, page)
		require.NoError(t, err)
		require.Equal(t, len(n.newest(q, within)), int(total))
		names = append(names, more...)
		if next == "" {
			break
		}
		require.Len(t, more, page)
		after = next
	}
	require.Equal(t, n.newest(q, within), names)
	for _, r := range n.reports {
		require.Equal(t, slices.Contains(names, r.GetName()), f.Match(r.GetName(), q, within))
	}

	dimension := rapid.IntRange(1, 13)
	rows, columns := pb.Dimension(dimension.Draw(t, "rows")), pb.Dimension(rapid.IntRange(0, 13).Draw(t, "columns"))
	level, harms := rapid.IntRange(0, 3).Draw(t, "level"), rapid.Bool().Draw(t, "harms")
	table, err := f.Tabulate(q, within, rows, columns, int32(level), harms)
	require.NoError(t, err)
	want := n.tabulate(q, within, rows, columns, level, harms)
	got := counts{}
	var total, unknownRows, unknownColumns int64
	for i, row := range table.GetRows() {
		for j, column := range table.GetColumns() {
			v := table.GetCounts()[i*len(table.GetColumns())+j]
			if v != 0 {
				got[[2]string{row.GetKey(), column.GetKey()}] = v
			}
			total += v
			if row.GetKey() == "" {
				unknownRows += v
			}
			if column.GetKey() == "" {
				unknownColumns += v
			}
		}
	}
	require.Equal(t, want, got)
	require.Equal(t, total, table.GetTotal())
	require.Equal(t, unknownRows, table.GetRowsUnknown())
	require.Equal(t, unknownColumns, table.GetColumnsUnknown())

	for i, heads := range f.Count(names, rows, columns) {
		counted, again := map[string]int64{}, map[string]int64{}
		for _, h := range heads {
			if h.GetTotal() > 0 {
				counted[h.GetKey()] = h.GetTotal()
			}
		}
		for k, v := range n.tabulate(q, within, []pb.Dimension{rows, columns}[i], 0, 0, false) {
			again[k[0]] = v
		}
		require.Equal(t, again, counted, "what is named is counted, voided or not")
	}
	askWalk(t, f, n, q, within)
	askCube(t, f, n, q, within)
}

// askWalk checks that a walk meets every person hurt with the same outcome, group
// and absences, and all the hours of the branch.
func askWalk(t *rapid.T, f *facts.Facts, n *naive, q *pb.ReportFilter, within []string) {
	line := func(place, dataset, day string, h *pb.Harm) string {
		return fmt.Sprint(place, dataset, day, h.GetOutcome(), h.GetEmploymentGroup(), h.GetIllness(), len(h.GetAbsences()))
	}
	var want, got []string
	for _, r := range n.reports {
		for _, h := range r.GetHarms() {
			if n.matches(r, h, q, within) {
				want = append(want, line(r.GetWorkplace(), n.key(r, nil, pb.Dimension_DIMENSION_DATASET, 0), n.date(r), h))
			}
		}
	}
	reports := 0
	sums := map[string]float64{}
	seq, err := f.Walk(q, within,
		func(string, string, harm.Day, pb.ReportKind) { reports++ },
		func(place, dataset string, day harm.Day, h *pb.Harm) {
			got = append(got, line(place, dataset, day.String(), h))
			require.Equal(t, h.GetOutcome(), harm.Outcome(&pb.Harm{OutcomeHistory: h.GetOutcomeHistory()}, harm.NoDay))
		},
		func(h *pb.Hours) {
			sums[h.GetMonth()+" "+strconv.Itoa(int(h.GetEmploymentGroup()))] += h.GetHoursWorked()
		})
	require.NoError(t, err)
	head, err := n.w.ledger.Head(context.Background())
	require.NoError(t, err)
	require.Equal(t, head.Seq, seq)
	slices.Sort(want)
	slices.Sort(got)
	require.Equal(t, want, got)
	require.Len(t, n.newest(q, within), reports)
	require.Equal(t, n.hoursByMonth(within), sums)
}
