package measure_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
	"fairlead/services/measure"
)

// secretWorld is a house in which few were hurt in each year. Where, when and in
// which class of AS 1885.1 is the same whatever the seed; how, by what, where on
// the body, of which employment group, whether ill, and who of two was away for
// how long is by the seed.
func secretWorld(t *testing.T, seed uint64) *world {
	w := testWorld(t)
	now, err := timeOf(today)
	require.NoError(t, err)
	w.Service = measure.New(w.facts, w.tree, unmoved{w}, func() time.Time { return now })
	any := rand.New(rand.NewPCG(seed, 7))
	pick := func(codes ...string) string { return codes[any.IntN(len(codes))] }
	for _, at := range []string{trees, quarry, north} {
		for _, g := range []pb.EmploymentGroup{employee, hire, contract} {
			w.work(t, at, "2022-07", 50, g, 4000, 25)
		}
	}
	var all []story
	for _, year := range []string{"2023", "2024", "2025"} {
		for _, c := range []struct {
			workplace, day string
			outcome        pb.OutcomeClass
		}{{trees, "-09-02", lostTime}, {quarry, "-09-02", lostTime}, {quarry, "-11-20", medical}, {north, "-12-05", firstAid}} {
			h := hurt(c.outcome, []pb.EmploymentGroup{employee, hire, contract}[any.IntN(3)])
			h.Illness = any.IntN(2) == 1
			all = append(all, story{workplace: c.workplace, day: year + c.day, kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, hurt: []*pb.Harm{h},
				mechanism: pick("1", "2", "3"), agency: pick("1", "2"), breakage: pick("1", "2"), nature: pick("1", "2", "3"), location: pick("2", "4")})
		}
		long := any.IntN(2)
		for i := range 2 {
			days := 2
			if i == long {
				days = 80
			}
			away(t, all[len(all)-4+i].hurt[0], year+"-09-03", days)
		}
	}
	// A year in which enough were hurt, all of it known, so that sums of years are
	// told at all.
	for _, code := range []string{"1", "2"} {
		all = append(all, times(20, story{workplace: quarry, day: "2022-10-10", kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, hurt: []*pb.Harm{hurt(lostTime, employee)},
			mechanism: code, agency: code, breakage: code, nature: code, location: "2"})...)
	}
	// What nobody was hurt by is the same, and there is enough of it to show.
	for _, m := range []string{"2023-08-08", "2024-10-09", "2026-03-02"} {
		all = append(all, times(7, story{day: m, mechanism: "2", agency: "1", breakage: "1", workplace: trees})...)
		all = append(all, times(6, story{day: m, mechanism: "1", agency: "2", workplace: quarry, kind: pb.ReportKind_REPORT_KIND_HAZARD})...)
		all = append(all, times(2, story{day: m, mechanism: "3", agency: "2", workplace: quarry})...)
	}
	w.tell(t, all...)
	return w
}

// questions makes any question that can be asked about figures.
type questions struct{ *rand.Rand }

func (q questions) one(from ...string) string { return from[q.IntN(len(from))] }

func (q questions) dimension() pb.Dimension {
	return pb.Dimension(1 + q.IntN(len(pb.Dimension_name)-1))
}

func (q questions) place() string { return q.one("", shire, north, trees, quarry) }

func (q questions) month() string { return fmt.Sprintf("%d-%02d", 2022+q.IntN(4), 1+q.IntN(12)) }

func (q questions) period() *pb.Period {
	if q.IntN(3) == 0 {
		y := 2022 + q.IntN(3)
		return &pb.Period{StartMonth: fmt.Sprintf("%d-07", y), EndMonth: fmt.Sprintf("%d-07", y+1+q.IntN(2))}
	}
	return &pb.Period{StartMonth: q.month(), EndMonth: "2026-0" + q.one("1", "4", "7")}
}

func (q questions) groups() []pb.EmploymentGroup {
	if q.IntN(3) > 0 {
		return nil
	}
	return []pb.EmploymentGroup{[]pb.EmploymentGroup{employee, hire, contract}[q.IntN(3)]}
}

// filter is any filter; dates and places are left to those that cannot take them
// elsewhere.
func (q questions) filter(dated bool) *pb.ReportFilter {
	f := &pb.ReportFilter{}
	if q.IntN(3) == 0 {
		f.Kinds = [][]pb.ReportKind{guard.NobodyHurt(), {pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS}, {nearMisses}, {nearMisses, pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS}}[q.IntN(4)]
	}
	if q.IntN(6) == 0 {
		f.Outcomes = []pb.OutcomeClass{[]pb.OutcomeClass{firstAid, medical, lostTime}[q.IntN(3)]}
	}
	if q.IntN(6) == 0 {
		f.EmploymentGroups = q.groups()
	}
	if q.IntN(4) == 0 {
		f.Codes = []*pb.CodeMatch{{Facet: pb.Facet(1 + q.IntN(5)), Code: q.one("", "1", "2", "3", "4")}}
	}
	if q.IntN(6) == 0 {
		f.Cells = []*pb.CellMatch{{CodeLevel: 1, CountHarms: q.IntN(2) == 0, Sides: []*pb.CellSide{{Dimension: q.dimension(), Key: q.one("", "1", "2")}}}}
	}
	if dated {
		if q.IntN(2) == 0 {
			f.StartDate, f.EndDate = q.period().GetStartMonth()+"-01", "2026-07-01"
			if q.IntN(2) == 0 {
				f.StartDate, f.EndDate = "202"+q.one("2", "3")+"-07-01", "202"+q.one("4", "5")+"-07-01"
			}
		}
		if p := q.place(); p != "" {
			f.Workplaces = []string{p}
		}
	}
	return f
}

// ask asks any question, of any of the houses.
func (q questions) ask() func(context.Context, *world) (proto.Message, error) {
	convention := pb.Convention(q.IntN(len(pb.Convention_name)))
	period, place, groups := q.period(), q.place(), q.groups()
	level := int32(q.IntN(3))
	switch q.IntN(8) {
	case 0, 1:
		req := &pb.ComputeRatesRequest{Workplace: place, Period: period, EmploymentGroups: groups, Convention: convention}
		return func(ctx context.Context, w *world) (proto.Message, error) { return w.ComputeRates(ctx, req) }
	case 2:
		req := &pb.ComputeChartRequest{Measure: q.one("reports", "harms", "frequency_rate", "trifr", "near_miss_rate", "incidence_rate", "ltif"), Workplace: place,
			Period: period, EmploymentGroups: groups, Convention: convention, Filter: q.filter(false), IncludeSvg: true}
		return func(ctx context.Context, w *world) (proto.Message, error) { return w.ComputeChart(ctx, req) }
	case 3, 4:
		req := &pb.TabulateRequest{Rows: q.dimension(), CodeLevel: level, CountHarms: q.IntN(2) == 0, Filter: q.filter(true)}
		if q.IntN(2) == 0 {
			req.Columns = q.dimension()
		}
		if q.IntN(3) == 0 { // as such questions must be
			req.Filter, req.Columns, req.CountHarms, req.CodeLevel = &pb.ReportFilter{StartDate: "202" + q.one("2", "3") + "-07-01", EndDate: "202" + q.one("4", "5") + "-07-01"}, 0, true, 1
		}
		return func(ctx context.Context, w *world) (proto.Message, error) { return w.Tabulate(ctx, req) }
	case 5:
		req := &pb.RankCausesRequest{Dimension: q.dimension(), CodeLevel: level, CountHarms: q.IntN(2) == 0, Filter: q.filter(false), Period: period, IncludeSvg: true}
		return func(ctx context.Context, w *world) (proto.Message, error) { return w.RankCauses(ctx, req) }
	case 6:
		req := &pb.CrossCausesRequest{Rows: q.dimension(), Columns: q.dimension(), CodeLevel: level, CountHarms: q.IntN(2) == 0, Filter: q.filter(false), Period: period, IncludeSvg: true}
		return func(ctx context.Context, w *world) (proto.Message, error) { return w.CrossCauses(ctx, req) }
	}
	req := &pb.FindClustersRequest{Category: q.dimension(), CodeLevel: level, CountHarms: q.IntN(2) == 0, Filter: q.filter(false), Period: period}
	return func(ctx context.Context, w *world) (proto.Message, error) { return w.FindClusters(ctx, req) }
}

// TestNothingToldOfFew: whoever does not read the reports gets the same answer,
// to the last bit, whatever befell the few who were hurt, however they ask: so no
// two answers, and no two hundred laid beside each other, tell it. This is what a
// differencing attack would need to be otherwise.
func TestNothingToldOfFew(t *testing.T) {
	t.Parallel()
	one, other := secretWorld(t, 1), secretWorld(t, 2)
	ways := []context.Context{as(pb.Role_ROLE_COMMITTEE), as(pb.Role_ROLE_OFFICER, north), as(pb.Role_ROLE_REPRESENTATIVE, trees), as(pb.Role_ROLE_INTEGRATION)}
	q := questions{rand.New(rand.NewPCG(3, 11))}
	answered, differ := 0, 0
	for n := range 6000 {
		ask := q.ask()
		who := ways[n%len(ways)]
		a, errA := ask(who, one)
		b, errB := ask(who, other)
		require.Equal(t, fmt.Sprint(errA), fmt.Sprint(errB))
		if errA != nil {
			continue
		}
		answered++
		require.True(t, proto.Equal(a, b), "question %d tells the two houses apart:\n%v\n%v", n, a, b)
		// The adviser's answers do differ: the houses are not the same.
		a, errA = ask(adviser, one)
		b, errB = ask(adviser, other)
		if errA == nil && errB == nil && !proto.Equal(a, b) {
			differ++
		}
	}
	require.Greater(t, answered, 2500)
	require.Greater(t, differ, 500)
}
