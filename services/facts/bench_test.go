package facts_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
	"fairlead/services/facts"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// generated is a log made up in memory: benchmarks measure the projection and
// not the disk it reads from.
type generated struct {
	ledger.Bell
	changes []ledger.Change
}

func (g *generated) Changes(_ context.Context, after int64, limit int) ([]ledger.Change, error) {
	rest := g.changes[after:]
	return rest[:min(limit, len(rest))], nil
}

func (g *generated) Head(context.Context) (ledger.Head, error) {
	return ledger.Head{Seq: int64(len(g.changes))}, nil
}

// benchRows is how many reports the benchmarks are over.
const benchRows = 1_000_000

// generate makes up reports with the narrative left out: one in three has a
// person hurt, and all are coded. shuffled files them in no order of events.
func generate(n int, shuffled bool) *generated {
	g := &generated{}
	random := rand.New(rand.NewPCG(1, 2))
	add := func(name, kind string, body []byte) {
		g.changes = append(g.changes, ledger.Change{Seq: int64(len(g.changes) + 1), Name: name, Kind: kind, Revision: 1, Body: body})
	}
	for i := range 40 {
		w := &pb.Workplace{Name: fmt.Sprintf("workplaces/w%d", i), Title: "w", TimeZone: "Australia/Sydney"}
		if i > 0 {
			w.Parent = "workplaces/w0"
		}
		body, _ := record.Body(w)
		add(w.Name, record.KindWorkplace, body)
	}
	order := random.Perm(n)
	start := time.Date(2015, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range n {
		k := i
		if shuffled {
			k = order[i]
		}
		name := fmt.Sprintf("reports/%08x-%04x-7000-8000-%012x", k, i&0xffff, random.Uint64()>>16)
		r := &pb.Report{Name: name, Kind: pb.ReportKind(1 + random.IntN(6)), Workplace: fmt.Sprintf("workplaces/w%d", random.IntN(40)),
			OccurTime: timestamppb.New(start.Add(time.Duration(k) * 5 * time.Minute)), State: 1,
			Potential: pb.PotentialSeverity(random.IntN(5))}
		if random.IntN(3) == 0 {
			r.Harms = []*pb.Harm{{HarmId: "h1", Outcome: pb.OutcomeClass(1 + random.IntN(6)), EmploymentGroup: pb.EmploymentGroup(1 + random.IntN(4))}}
			if random.IntN(5) == 0 {
				r.Harms[0].Absences = []*pb.Absence{{FirstDate: "2026-03-02", ReturnDate: "2026-03-09"}}
			}
		}
		body, _ := record.Body(r)
		add(name, record.KindReport, body)
		c := &pb.Coding{Mechanism: fmt.Sprintf("%02d", random.IntN(80)), Agency: fmt.Sprintf("%03d", random.IntN(900)),
			BreakdownAgency: fmt.Sprintf("%03d", random.IntN(900))}
		if len(r.Harms) > 0 {
			c.HarmId = "h1"
			c.Nature, c.BodilyLocation = fmt.Sprintf("A%02d", random.IntN(60)), fmt.Sprintf("%03d", random.IntN(90))
		}
		body, _ = record.Body(c)
		add(name+"/codings/x", record.KindCoding, body)
	}
	return g
}

func benchFacts(b *testing.B) *facts.Facts {
	b.Helper()
	f := facts.New(generate(benchRows, false), flat{}, prefixes{})
	require.NoError(b, f.CatchUp(context.Background()))
	b.ResetTimer()
	return f
}

// flat is a tree of one root with everything right below it.
type flat struct{}

func (flat) Get(name string) (*pb.Workplace, bool) { return &pb.Workplace{Title: name}, true }
func (flat) Path(name string) []string             { return []string{"workplaces/w0", name} }
func (flat) Location(string) *time.Location        { return time.FixedZone("+10", 36000) }
func (flat) Wait(context.Context, int64) error     { return nil }
func (flat) Below(name string) (below []string)    { return []string{name} }

func BenchmarkTabulate(b *testing.B) {
	f := benchFacts(b)
	for name, q := range map[string]*pb.ReportFilter{
		"all":           nil,
		"one workplace": {},
		"filtered":      {Kinds: []pb.ReportKind{2, 3}, StartDate: "2018-01-01", Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM, Code: "1"}}},
	} {
		var within []string
		if name == "one workplace" {
			within = []string{"workplaces/w7"}
		}
		for what, d := range map[string][2]pb.Dimension{
			"month by workplace":  {pb.Dimension_DIMENSION_MONTH, pb.Dimension_DIMENSION_WORKPLACE},
			"mechanism by agency": {pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_AGENCY},
			"month":               {pb.Dimension_DIMENSION_MONTH, 0},
		} {
			b.Run(what+"/"+name, func(b *testing.B) {
				for b.Loop() {
					_, err := f.Tabulate(q, within, d[0], d[1], 0, false)
					require.NoError(b, err)
				}
			})
		}
	}
	b.Run("nature by location/persons hurt", func(b *testing.B) {
		for b.Loop() {
			_, err := f.Tabulate(nil, nil, pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_BODILY_LOCATION, 0, true)
			require.NoError(b, err)
		}
	})
}

// BenchmarkCount is what a search that found every report costs in counting.
func BenchmarkCount(b *testing.B) {
	g := generate(benchRows, false)
	f := facts.New(g, flat{}, prefixes{})
	require.NoError(b, f.CatchUp(context.Background()))
	var names []string
	for _, c := range g.changes {
		if c.Kind == record.KindReport {
			names = append(names, c.Name)
		}
	}
	three := []pb.Dimension{pb.Dimension_DIMENSION_KIND, pb.Dimension_DIMENSION_WORKPLACE, pb.Dimension_DIMENSION_MONTH}
	b.Run("three in one pass", func(b *testing.B) {
		for b.Loop() {
			f.Count(names, three...)
		}
	})
	b.Run("one after the other", func(b *testing.B) {
		for b.Loop() {
			for _, d := range three {
				f.Count(names, d)
			}
		}
	})
}

func BenchmarkNewest(b *testing.B) {
	f := benchFacts(b)
	for name, q := range map[string]*pb.ReportFilter{
		"all":  nil,
		"rare": {Kinds: []pb.ReportKind{2}, Outcomes: []pb.OutcomeClass{6}, StartDate: "2018-01-01", EndDate: "2018-03-01"},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_, _, _, err := f.Newest(q, nil, "", 50)
				require.NoError(b, err)
			}
		})
	}
}

// BenchmarkWalk is what a chart of cases costs: three years of a workplace, or
// everything.
func BenchmarkWalk(b *testing.B) {
	f := benchFacts(b)
	for name, q := range map[string]*pb.ReportFilter{
		"all":         nil,
		"three years": {StartDate: "2021-07-01", EndDate: "2024-07-01"},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				n := 0
				_, err := f.Walk(q, nil,
					func(string, string, harm.Day, pb.ReportKind) { n++ },
					func(string, string, harm.Day, *pb.Harm) { n++ },
					func(*pb.Hours) { n++ })
				require.NoError(b, err)
			}
		})
	}
}

// BenchmarkRebuild applies a log of a million reports and their codings, and
// reports the memory that the projection then holds.
func BenchmarkRebuild(b *testing.B) {
	for _, shuffled := range []bool{false, true} {
		name := "in order of events"
		if shuffled {
			name = "in no order"
		}
		g := generate(benchRows, shuffled)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				before := heap()
				f := facts.New(g, flat{}, prefixes{})
				start := time.Now()
				require.NoError(b, f.CatchUp(context.Background()))
				b.ReportMetric(float64(len(g.changes))/time.Since(start).Seconds(), "changes/s")
				b.ReportMetric(float64(heap()-before)/benchRows, "B/report")
				runtime.KeepAlive(f)
			}
		})
	}
}

func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// BenchmarkCubes is what crossing causes costs in counting: the table, what lies
// beside it, and for clusters every place by category and month.
func BenchmarkCubes(b *testing.B) {
	f := benchFacts(b)
	for name, q := range map[string]cube.Question{
		"mechanism by agency, as coded":     {Dimensions: []pb.Dimension{pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_AGENCY}},
		"mechanism by agency, groups":       {Dimensions: []pb.Dimension{pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_AGENCY}, Level: 1},
		"nature by location, persons hurt":  {Dimensions: []pb.Dimension{pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_BODILY_LOCATION}, Harms: true},
		"workplace by mechanism, all years": {Dimensions: []pb.Dimension{pb.Dimension_DIMENSION_WORKPLACE, pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_MONTH}},
	} {
		q.Most = 5_000_000
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_, err := f.Cubes(q)
				require.NoError(b, err)
			}
		})
	}
}
