package export

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/moment"
)

// like is what a summary has in common with an earlier one that it is compared
// with: otherwise every cell would differ.
type like struct {
	// level is how fine codes are tabulated; 0 lets the number of cases say.
	level int32
	// settled is the moment at which years must have settled; zero is the moment
	// that the summary was made.
	settled time.Time
}

// source is what a summary is made from.
type source struct {
	// at is the moment that is asked of the measures; only with a count time
	// when it is about the newest change.
	at     *pb.AsAt
	log    Log
	finder Finder
	like
}

// summarise makes the summary, and says what it was made from. Its parts are
// asked for one after the other; if the log moved in between, they are asked for
// again, so that all of them reflect one sequence number. If it does not stand
// still, the summary is made as at the number that it then had.
func (s *Service) summarise(ctx context.Context, req *pb.GetSummaryRequest, field string, as like) (*pb.Summary, source, error) {
	if moment.Past(req.GetAsAt()) {
		return s.summariseThen(ctx, req, req.GetAsAt(), field, as)
	}
	counted, err := moment.Now(req.GetAsAt(), s.d.Clock(), field)
	if err != nil {
		return nil, source{}, err
	}
	from := source{at: &pb.AsAt{CountTime: timestamppb.New(counted)}, log: s.d.Log, finder: s.d.Finder, like: as}
	for try := 0; ; try++ {
		sum, whole, err := s.attempt(ctx, req, from)
		if err != nil || whole {
			return sum, from, err
		}
		if try == 3 {
			return s.summariseThen(ctx, req, sum.GetAsAt(), field, as)
		}
	}
}

// summariseThen makes the summary as at a moment.
func (s *Service) summariseThen(ctx context.Context, req *pb.GetSummaryRequest, at *pb.AsAt, field string, as like) (*pb.Summary, source, error) {
	p, log, finder, err := s.d.Past.Find(ctx, at, field)
	if err != nil {
		return nil, source{}, err
	}
	from := source{at: p.AsAt(), log: log, finder: finder, like: as}
	sum, _, err := s.attempt(ctx, req, from)
	return sum, from, err
}

// attempt makes the summary once; whole says that all of it is of one moment.
func (s *Service) attempt(ctx context.Context, req *pb.GetSummaryRequest, from source) (sum *pb.Summary, whole bool, err error) {
	sight, err := s.sight(ctx, req)
	if err != nil {
		return nil, false, err
	}
	if !sight.own {
		ctx = access.With(ctx, access.From(ctx).Outside())
	}
	datasets := req.GetDatasets()
	if len(datasets) == 0 {
		datasets = []string{"here"}
	}
	rates, err := s.d.Measures.ComputeRates(ctx, &pb.ComputeRatesRequest{
		Workplace: req.GetWorkplace(), Period: req.GetPeriod(), Convention: req.GetConvention(), Datasets: datasets,
		EmploymentGroups: req.GetEmploymentGroups(), MinSequenceNumber: req.GetMinSequenceNumber(), AsAt: from.at})
	if err != nil {
		return nil, false, err
	}
	seq := rates.GetSequenceNumber()
	sum = &pb.Summary{
		Title: "Summary of incidents, hazards and near misses",
		Scope: rates.GetScope(), Period: req.GetPeriod(), Convention: req.GetConvention(),
		Measures: rates.GetValues(), Edition: s.d.Edition, SequenceNumber: seq,
		MakeTime: from.at.GetCountTime(), Cautions: rates.GetCautions(),
		AsAt: moment.Point{Seq: seq, Count: from.at.GetCountTime().AsTime()}.AsAt(),
	}
	if sum.Convention == pb.Convention_CONVENTION_UNSPECIFIED {
		sum.Convention = pb.Convention_CONVENTION_AS_1885_1
	}
	whole = true
	if len(rates.GetValues()) > 0 {
		chart, err := s.d.Measures.ComputeChart(ctx, &pb.ComputeChartRequest{
			Measure: chartMeasure(rates.GetValues()), Workplace: req.GetWorkplace(), Period: req.GetPeriod(),
			Convention: req.GetConvention(), EmploymentGroups: req.GetEmploymentGroups(),
			Filter: &pb.ReportFilter{Datasets: datasets}, MinSequenceNumber: seq, AsAt: from.at})
		if err != nil {
			return nil, false, err
		}
		sum.Chart = chart
		whole = whole && chart.GetSequenceNumber() == seq
	}
	filter := &pb.ReportFilter{StartDate: req.GetPeriod().GetStartMonth() + "-01", EndDate: req.GetPeriod().GetEndMonth() + "-01", Datasets: datasets}
	if w := req.GetWorkplace(); w != "" {
		filter.Workplaces = []string{w}
	}
	kinds, err := s.d.Measures.Tabulate(ctx, &pb.TabulateRequest{Filter: filter, Rows: pb.Dimension_DIMENSION_KIND, MinSequenceNumber: seq, AsAt: from.at})
	if err != nil {
		return nil, false, err
	}
	whole = whole && kinds.GetSequenceNumber() == seq
	sum.Kinds = kinds
	level := from.level
	if level == 0 {
		level = levelFor(kinds)
	}
	sight.settled = from.settled
	if sight.settled.IsZero() {
		sight.settled = from.at.GetCountTime().AsTime()
	}
	tables := s.tablesOutside
	if sight.own {
		tables = s.tablesWithin
	}
	if sum.Tables, whole, err = tables(ctx, &pb.TabulateRequest{Filter: filter, CodeLevel: level, MinSequenceNumber: seq, AsAt: from.at}, sight, whole); err != nil {
		return nil, false, err
	}
	// Before the last table: when that is of the same number, so is this.
	if sum.Unknowns, err = s.unknowns(ctx, from, seq, filter); err != nil {
		return nil, false, err
	}
	last, err := s.mechanismByKind(ctx, filter, seq, from.at, sight)
	if err != nil {
		return nil, false, err
	}
	whole = whole && last.GetTable().GetSequenceNumber() == seq
	sum.Tables = append(sum.Tables, last)

	if changes, err := from.log.Changes(ctx, seq-1, 1); err == nil && seq > 0 && len(changes) == 1 {
		sum.LogHash = hex.EncodeToString(changes[0].Hash[:])
	}
	sum.MethodNotes = methodNotes(sum, sight, datasets)
	sum.Cautions = append(sum.Cautions,
		"This summary supports judgement. The law in force, the regulator and competent people decide what must be notified and what it means.")
	return sum, whole, nil
}

// levelFor is how fine codes are tabulated: groups where there are few cases,
// so that counts are large enough to be shown, and finer where there are many.
// The threshold is this project's choice.
func levelFor(kinds *pb.Table) int32 {
	if kinds.GetTotal() < 2000 {
		return 1
	}
	return 2
}

// chartMeasure is the measure that the summary charts: the first frequency
// that counts cases by hours.
func chartMeasure(values []*pb.MeasureValue) string {
	for _, v := range values {
		if v.GetDefinition().GetDenominator() == "hours worked" {
			return v.GetDefinition().GetMeasure()
		}
	}
	return values[0].GetDefinition().GetMeasure()
}

// unknowns counts the four states of the items that figures depend on.
func (s *Service) unknowns(ctx context.Context, from source, seq int64, filter *pb.ReportFilter) ([]*pb.UnknownCount, error) {
	workplaces, err := access.Narrow(access.From(ctx), s.d.Tree, filter.GetWorkplaces())
	if err != nil {
		return nil, err
	}
	c := newUnknownCounter()
	after := ""
	for {
		names, next, _, err := from.finder.Newest(filter, workplaces, after, 1000)
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			if err := countReport(ctx, from.log, seq, c, name); err != nil {
				return nil, err
			}
		}
		if next == "" || len(names) == 0 {
			return c.counts, nil
		}
		after = next
	}
}

func methodNotes(sum *pb.Summary, see sight, datasets []string) []string {
	notes := []string{
		"A report counts in the month of its event, in the time zone of its workplace; where the day of the event is not known, in the month it was received.",
		"A person hurt counts once, in the worst outcome recorded up to the sequence number below. A change of outcome moves the case; it is never counted twice.",
		"Rates are ratios of sums over the whole period, never means of monthly rates. A rate without hours for every month is undefined.",
		"Intervals of counts are exact central Poisson intervals (Garwood 1936, Biometrika 28:437-442).",
		"Not known, does not apply and not asked are three different answers and are counted apart. In tables, `not coded` holds cases without a code.",
		"Codes follow " + sum.GetEdition() + ".",
		"Data sets: " + list(datasets) + " (`here` is what was reported to this service).",
	}
	for _, v := range sum.GetMeasures() {
		d := v.GetDefinition()
		notes = append(notes, fmt.Sprintf("%s: %s. Counted: %s. Source: %s.", d.GetTitle(), d.GetFormula(), d.GetNumeratorRule(), d.GetSource()))
	}
	if !see.own {
		notes = append(notes,
			fmt.Sprintf("Counts from 1 to %d in tables by codes are held back to protect people, together with as many others as are needed so that none follows from a total.", see.least-1),
			"Who was hurt, how, is told by whole years from July to June, as recorded three months after they end: so no two summaries, of whatever periods, laid beside each other tell about few persons. What set off hazards and near misses, in which nobody was hurt, is told for the period itself.")
	}
	return notes
}

func list(words []string) string {
	out := ""
	for i, w := range words {
		if i > 0 {
			out += ", "
		}
		out += w
	}
	return out
}
