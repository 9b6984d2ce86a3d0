package measure_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/facts"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/measure"
	"fairlead/services/record"
	"fairlead/services/workplace"
)

// Short names for what the tests are full of.
const (
	firstAid  = pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID
	medical   = pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT
	restrict  = pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK
	lostTime  = pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME
	lasting   = pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY
	death     = pb.OutcomeClass_OUTCOME_CLASS_DEATH
	employee  = pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE
	hire      = pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE
	contract  = pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR
	public    = pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC
	shire     = "workplaces/shire"
	north     = "workplaces/north"
	trees     = "workplaces/north-trees"
	quarry    = "workplaces/quarry"
	today     = "2026-07-15T02:00:00Z" // noon in Sydney
	lastYears = "2025-07"              // the start of the default period of rates
)

// tb is what testing.T and rapid.T share.
type tb interface {
	require.TestingT
	Helper()
}

// world is a whole service over a ledger in a file.
type world struct {
	ledger *sqlite.Store
	tree   *workplace.Tree
	facts  *facts.Facts
	*measure.Service
	filed int
}

func newWorld(t tb, dir string) *world {
	t.Helper()
	l, err := sqlite.Open(context.Background(), dir, sqlite.Options{})
	require.NoError(t, err)
	now, err := time.Parse(time.RFC3339, today)
	require.NoError(t, err)
	clock := func() time.Time { return now }
	w := &world{ledger: l, tree: workplace.NewTree(l, clock)}
	w.facts = facts.New(l, w.tree, prefixes{})
	w.Service = measure.New(w.facts, w.tree, nil, clock)
	w.put(t,
		&pb.Workplace{Name: shire, Title: "Shire works", Level: 1, TimeZone: "Australia/Sydney"},
		&pb.Workplace{Name: north, Parent: shire, Title: "Northside depot", Level: 2},
		&pb.Workplace{Name: trees, Parent: north, Title: "Tree crew", Level: 4},
		&pb.Workplace{Name: quarry, Parent: shire, Title: "Quarry Road depot", Level: 2},
	)
	return w
}

func testWorld(t *testing.T) *world {
	w := newWorld(t, t.TempDir())
	t.Cleanup(func() { require.NoError(t, w.ledger.Close()) })
	return w
}

// put writes resources in one transaction and lets the projections follow.
func (w *world) put(t tb, messages ...proto.Message) int64 {
	t.Helper()
	receipt, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"},
		func(ctx context.Context, tx ledger.Tx) error {
			for _, m := range messages {
				var name, kind string
				switch m := m.(type) {
				case *pb.Workplace:
					name, kind = m.GetName(), record.KindWorkplace
				case *pb.Report:
					name, kind = m.GetName(), record.KindReport
				case *pb.Hours:
					name, kind = m.GetName(), record.KindHours
				case *pb.Coding:
					name, kind = m.GetName(), record.KindCoding
				}
				p, err := record.Put(m, name, kind, record.VerbUpdate, ledger.Any)
				if err != nil {
					return err
				}
				if _, err := tx.Put(ctx, p); err != nil {
					return err
				}
			}
			return nil
		})
	require.NoError(t, err)
	require.NoError(t, w.tree.CatchUp(context.Background()))
	require.NoError(t, w.facts.CatchUp(context.Background()))
	return receipt.Seq
}

// report makes a report of what happened on a day; persons hurt are given their
// outcome as filing gives it.
func (w *world) report(t tb, workplace, day string, kind pb.ReportKind, hurt ...*pb.Harm) *pb.Report {
	t.Helper()
	w.filed++
	when, err := time.Parse(time.DateOnly, day)
	require.NoError(t, err)
	event, err := harm.ParseDay(day)
	require.NoError(t, err)
	r := &pb.Report{Name: fmt.Sprintf("reports/%08x-0000-7000-8000-000000000000", w.filed), Workplace: workplace, Kind: kind,
		OccurTime: timestamppb.New(when.Add(2 * time.Hour)), Narrative: "n", State: pb.ReportState_REPORT_STATE_RECEIVED}
	for i, h := range hurt {
		h.HarmId = fmt.Sprintf("h%d", i+1)
		h.Outcome = harm.Outcome(h, event)
		r.Harms = append(r.Harms, h)
	}
	return r
}

// injury files a case and returns it.
func (w *world) injury(t tb, workplace, day string, hurt ...*pb.Harm) *pb.Report {
	t.Helper()
	r := w.report(t, workplace, day, pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, hurt...)
	w.put(t, r)
	return r
}

// hurt is a person hurt with an outcome.
func hurt(o pb.OutcomeClass, g pb.EmploymentGroup) *pb.Harm {
	h := &pb.Harm{EmploymentGroup: g}
	if o != 0 {
		h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: o}}
	}
	return h
}

// away adds rostered days away from a day on; the calendar leaves room for them.
func away(t tb, h *pb.Harm, first string, rostered int) *pb.Harm {
	t.Helper()
	from, err := harm.ParseDay(first)
	require.NoError(t, err)
	n := int32(rostered)
	h.Absences = append(h.Absences, &pb.Absence{FirstDate: first, ReturnDate: (from + harm.Day(max(1, rostered))).String(), RosteredDays: &n})
	return h
}

func hoursOf(workplace, month string, g pb.EmploymentGroup, worked float64) *pb.Hours {
	return &pb.Hours{Name: fmt.Sprintf("%s/hours/%s.%d", workplace, month, g), Workplace: workplace, Month: month, EmploymentGroup: g, HoursWorked: worked}
}

func withHeads(h *pb.Hours, heads float64) *pb.Hours { h.HeadCount = &heads; return h }

// months returns n months from a first on.
func months(t tb, first string, n int) []string {
	t.Helper()
	m, err := time.Parse("2006-01", first)
	require.NoError(t, err)
	var out []string
	for i := range n {
		out = append(out, m.AddDate(0, i, 0).Format("2006-01"))
	}
	return out
}

// work keeps the same hours and heads for each of n months.
func (w *world) work(t tb, workplace, first string, n int, g pb.EmploymentGroup, hours, heads float64) {
	t.Helper()
	var rows []proto.Message
	for _, m := range months(t, first, n) {
		rows = append(rows, withHeads(hoursOf(workplace, m, g, hours), heads))
	}
	w.put(t, rows...)
}

// as returns a context of a principal.
func as(role pb.Role, workplaces ...string) context.Context {
	return access.With(context.Background(), access.Principal{Name: "principals/test", Roles: []pb.Role{role}, Workplaces: workplaces})
}

var adviser = as(pb.Role_ROLE_ADVISER)

// rates asks for rates as an adviser.
func (w *world) rates(t tb, req *pb.ComputeRatesRequest) *pb.ComputeRatesResponse {
	t.Helper()
	require.NoError(t, protovalidate.Validate(req))
	resp, err := w.ComputeRates(adviser, req)
	require.NoError(t, err)
	return resp
}

// value asks for one measure.
func (w *world) value(t tb, c pb.Convention, id string, period *pb.Period) *pb.MeasureValue {
	t.Helper()
	resp := w.rates(t, &pb.ComputeRatesRequest{Convention: c, Measures: []string{id}, Period: period})
	require.Len(t, resp.GetValues(), 1)
	return resp.GetValues()[0]
}

func (w *world) chart(t tb, req *pb.ComputeChartRequest) *pb.Chart {
	t.Helper()
	require.NoError(t, protovalidate.Validate(req))
	c, err := w.ComputeChart(adviser, req)
	require.NoError(t, err)
	return c
}

// prefixes is a code tree in which a code stands below each of its prefixes.
type prefixes struct{}

func (prefixes) AtLevel(_ pb.Facet, code string, level int32) (string, string) {
	above := code[:min(len(code), int(level))]
	return above, "title of " + above
}

func (prefixes) Title(_ pb.Facet, code string) string { return "title of " + code }

func timeOf(text string) (time.Time, error) { return time.Parse(time.RFC3339, text) }
