package measure

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"fairlead/analytics/rate"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/cube"
	"fairlead/services/fault"
	"fairlead/services/guard"
)

// causeQuestion is a request for cause analytics, read and checked. The filter
// of the question within it is the one that was asked for.
type causeQuestion struct {
	question
	// counted picks what is counted: the filter asked for, with the period and
	// the data sets. With a cell added it leads to the reports behind a number.
	counted *pb.ReportFilter
	dims    []pb.Dimension
	// codeLevel is the level of codes, 0 as coded.
	codeLevel int32
	harms     bool
	// leads says that the caller may list the reports behind a number.
	leads bool
	// smallest is the least count that is told where small ones are held back.
	smallest int64
}

// causeRequest is what the requests for cause analytics share.
type causeRequest interface {
	GetFilter() *pb.ReportFilter
	GetPeriod() *pb.Period
	GetCodeLevel() int32
	GetCountHarms() bool
}

// side is a dimension of a request: its field, and what is wrong with it.
type side struct {
	field string
	is    pb.Dimension
	flaw  string
}

// maxCauseCells is how many cells of a filter a request may have: one less than
// a filter holds, so that one more can lead to the reports behind a number.
const maxCauseCells = 3

// readCauses reads and checks what the requests share; months is the length of
// the period that is looked at when none is given.
func (s *view) readCauses(ctx context.Context, req causeRequest, months int, sides []side, wrong fault.Violations) (*causeQuestion, error) {
	f := req.GetFilter()
	q := &causeQuestion{question: question{datasets: f.GetDatasets(), filter: f}, codeLevel: req.GetCodeLevel(), harms: req.GetCountHarms()}
	for _, d := range sides {
		switch _, known := pb.Dimension_name[int32(d.is)]; {
		case d.is == pb.Dimension_DIMENSION_UNSPECIFIED || !known:
			wrong.Add(d.field, "say by what to count; see the contract for the dimensions")
		case d.flaw != "":
			wrong.Add(d.field, d.flaw)
		}
		q.dims = append(q.dims, d.is)
	}
	if q.codeLevel < 0 || q.codeLevel > 4 {
		wrong.Add("code_level", "must be from 0 (as coded) to 4")
	}
	for field, given := range map[string]bool{"start_date": f.GetStartDate() != "", "end_date": f.GetEndDate() != ""} {
		if given {
			wrong.Add("filter."+field, "must be empty: give the period beside the filter")
		}
	}
	if f.GetIncludeVoided() {
		wrong.Add("filter.include_voided", "must be false: voided reports are in no figure")
	}
	if len(f.GetCells()) > maxCauseCells {
		wrong.Add("filter.cells", fmt.Sprintf("must be at most %d here, so that one more can lead to the reports behind a number", maxCauseCells))
	}
	s.readCommon(&q.question, req.GetPeriod(), months, &wrong)
	// Rights come before everything else that could be said.
	var err error
	if q.scope, err = s.narrow(ctx, f.GetWorkplaces()); err != nil {
		return nil, err
	}
	q.who(access.From(ctx), s.guarded(ctx, q.scope), s.smallest)
	for i, w := range f.GetWorkplaces() {
		if _, ok := s.tree.Get(w); !ok {
			wrong.Add(fmt.Sprintf("filter.workplaces[%d]", i), "there is no "+w+"; check the name")
		}
	}
	slices.SortStableFunc(wrong, func(a, b fault.Violation) int { return strings.Compare(a.Field, b.Field) })
	if err := wrong.Err(); err != nil {
		return nil, err
	}
	q.counted = &pb.ReportFilter{}
	if f != nil {
		q.counted = proto.Clone(f).(*pb.ReportFilter)
	}
	q.counted.StartDate, q.counted.EndDate = q.period.firstDay(), q.period.dayAfterLast()
	q.counted.Datasets = q.setsOrHere()
	return q, nil
}

// who notes what the caller may see.
func (q *causeQuestion) who(p access.Principal, guarded bool, smallest int64) {
	q.guarded, q.smallest = guarded, smallest
	sample := &pb.ReportFilter{Codes: q.filter.GetCodes(), Cells: append(slices.Clone(q.filter.GetCells()), q.cell(make([]string, len(q.dims))...))}
	q.leads = access.NewPolicy().Allow(p, "ReportService.ListReports") == nil && (access.ViewOf(p).Codes || !access.NeedsCodes(sample))
}

// cell is the cell with these keys on the dimensions of the question.
func (q *causeQuestion) cell(keys ...string) *pb.CellMatch {
	c := &pb.CellMatch{CodeLevel: q.codeLevel, CountHarms: q.harms}
	for i, k := range keys {
		c.Sides = append(c.Sides, &pb.CellSide{Dimension: q.dims[i], Key: k})
	}
	return c
}

// leadTo returns the filter that leads to the reports counted in a cell; nil
// when the caller may not list them.
func (q *causeQuestion) leadTo(keys ...string) *pb.ReportFilter {
	if !q.leads {
		return nil
	}
	f := proto.Clone(q.counted).(*pb.ReportFilter)
	f.Cells = append(f.Cells, q.cell(keys...))
	return f
}

// beside is what is said beside counts: what was not counted, and what was
// counted together.
type beside struct {
	// elsewhere counts what stands in data sets that nobody asked for.
	elsewhere int64
	// grave counts what could have been death or lasting harm.
	grave, total int64
}

// count counts by the dimensions given, and what stands beside, all at one
// sequence number. A cube of more cells than most has no counts.
func (s *Service) count(q *causeQuestion, most int, dims ...pb.Dimension) (*cube.Cube, beside, error) {
	of := func(f *pb.ReportFilter, most int, dims ...pb.Dimension) cube.Question {
		return cube.Question{Filter: f, Workplaces: q.scope, Dimensions: dims, Level: q.codeLevel, Harms: q.harms, Most: most}
	}
	everywhere := proto.Clone(q.counted).(*pb.ReportFilter)
	everywhere.Datasets = nil
	cubes, err := s.facts.Cubes(of(q.counted, most, dims...),
		of(q.counted, 0, pb.Dimension_DIMENSION_POTENTIAL), of(everywhere, 0, pb.Dimension_DIMENSION_DATASET))
	if err != nil {
		return nil, beside{}, err
	}
	b := beside{total: cubes[0].Total}
	for _, h := range cubes[1].Sides[0].Heads {
		switch h.GetKey() {
		case pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL.String(), pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING.String():
			b.grave += h.GetTotal()
		}
	}
	for _, h := range cubes[2].Sides[0].Heads {
		if !slices.Contains(q.counted.GetDatasets(), h.GetKey()) {
			b.elsewhere += h.GetTotal()
		}
	}
	return cubes[0], b, nil
}

// readLevel reads the coverage of an interval.
func readLevel(level float64, wrong *fault.Violations) float64 {
	if level == 0 {
		return 0.95
	}
	if !(level >= 0.5 && level <= 0.999) {
		wrong.Add("level", "must be from 0.5 to 0.999; leave it out for 0.95")
		return 0.95
	}
	return level
}

// readRate reads a rate of false finds or alarms.
func readRate(field string, v float64, wrong *fault.Violations) float64 {
	if v == 0 {
		return 0.05
	}
	if !(v >= 0.001 && v <= 0.5) {
		wrong.Add(field, "must be from 0.001 to 0.5; leave it out for 0.05")
		return 0.05
	}
	return v
}

// readCount reads a number that has a usual value and a greatest one.
func readCount(field string, v int32, usual, most int, wrong *fault.Violations) int {
	switch {
	case v == 0:
		return usual
	case v < 0 || int(v) > most:
		wrong.Add(field, fmt.Sprintf("must be from 1 to %s; leave it out for %d", whole(float64(most)), usual))
		return usual
	}
	return int(v)
}

// proportion is a share with its exact interval; hidden leaves only that there
// is one.
func proportion(count, of int64, level float64, hidden bool) (*pb.Proportion, error) {
	if hidden {
		return &pb.Proportion{Count: guard.HeldBack, Of: guard.HeldBack}, nil
	}
	x, err := rate.ShareOf(int(count), int(of), level)
	if err != nil {
		return nil, fmt.Errorf("measure: share: %w", err)
	}
	p := &pb.Proportion{Count: count, Of: of}
	if x.Defined {
		p.Value, p.Lower, p.Upper = ptr(x.Value), ptr(x.Lo), ptr(x.Hi)
	}
	return p, nil
}

// unreviewed is the share of codes on a side that a crosswalk gave and nobody
// has reviewed; nil when the side is not coded.
func unreviewed(s cube.Side, level float64, hidden bool) (*pb.Proportion, error) {
	if !coded(s.Dimension) {
		return nil, nil
	}
	var n, of int64
	for i, h := range s.Heads {
		if h.GetKey() != "" {
			n, of = n+s.Unreviewed[i], of+h.GetTotal()
		}
	}
	return proportion(n, of, level, hidden)
}

// small says whether a count must be held back from the caller.
func (q *causeQuestion) small(n int64) bool { return q.guarded && n > 0 && n < q.smallest }
