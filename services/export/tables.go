package export

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/guard"
)

// facets are the tables of a summary, in order.
var facets = []struct {
	dim   pb.Dimension
	title string
}{
	{pb.Dimension_DIMENSION_MECHANISM, "Mechanism of incident"},
	{pb.Dimension_DIMENSION_BREAKDOWN_AGENCY, "Breakdown agency"},
	{pb.Dimension_DIMENSION_AGENCY, "Agency of injury"},
	{pb.Dimension_DIMENSION_NATURE, "Nature of injury or disease"},
	{pb.Dimension_DIMENSION_BODILY_LOCATION, "Bodily location"},
}

// ownEyes is the least count that asks for a summary in which nothing is held
// back.
const ownEyes = 1

// sight is what a summary tells.
type sight struct {
	// own says that it is for the eyes of who reads the reports anyway.
	own bool
	// least is the least count in tables by codes, where it is not.
	least int64
	// settled is when the years must have settled by which persons are told.
	settled time.Time
}

// sight returns what the summary tells: to who reads all the reports behind it,
// and asks for it, everything; else what may be handed on.
func (s *Service) sight(ctx context.Context, req *pb.GetSummaryRequest) (sight, error) {
	var asked []string
	if w := req.GetWorkplace(); w != "" {
		asked = []string{w}
	}
	scope, err := access.Narrow(access.From(ctx), s.d.Tree, asked)
	if err != nil {
		return sight{}, err
	}
	if req.GetSmallestCell() == ownEyes && !guard.Applies(access.From(ctx), s.d.Tree, scope) {
		return sight{own: true, least: ownEyes}, nil
	}
	return sight{least: int64(s.d.Smallest)}, nil
}

// tablesWithin crosses each facet with the outcome.
func (s *Service) tablesWithin(ctx context.Context, ask *pb.TabulateRequest, see sight, whole bool) ([]*pb.SummaryTable, bool, error) {
	var out []*pb.SummaryTable
	for _, f := range facets {
		ask.Rows, ask.Columns, ask.CountHarms = f.dim, pb.Dimension_DIMENSION_OUTCOME, true
		t, err := s.d.Measures.Tabulate(ctx, ask)
		if err != nil {
			return nil, false, err
		}
		whole = whole && t.GetSequenceNumber() == ask.GetMinSequenceNumber()
		out = append(out, summaryTable(f.title+" by outcome, persons hurt", t, see.least))
	}
	return out, whole, nil
}

// tablesOutside counts by each facet alone, by whole years that had settled when
// the summary was made: those of the period, or else the last before its end.
func (s *Service) tablesOutside(ctx context.Context, ask *pb.TabulateRequest, see sight, whole bool) ([]*pb.SummaryTable, bool, error) {
	f := proto.Clone(ask.GetFilter()).(*pb.ReportFilter)
	words := settledYears(f, see.settled)
	var out []*pb.SummaryTable
	for _, one := range facets {
		// Not as at a moment: such years are counted as they were recorded when
		// they had settled, whenever it is asked.
		t, err := s.d.Measures.Tabulate(ctx, &pb.TabulateRequest{Filter: f, Rows: one.dim, CodeLevel: 1, CountHarms: true, MinSequenceNumber: ask.GetMinSequenceNumber()})
		if err != nil {
			return nil, false, err
		}
		out = append(out, summaryTable(one.title+", persons hurt, "+words, t, see.least))
	}
	return out, whole, nil
}

// settledYears makes a filter by whole settled years of one by any period, and
// says which they are.
func settledYears(f *pb.ReportFilter, made time.Time) string {
	from, _ := time.Parse(time.DateOnly, f.GetStartDate())
	end, _ := time.Parse(time.DateOnly, f.GetEndDate())
	last := guard.LastSettled(made)
	first, after := guard.YearDays(last)
	if years := guard.Years(from, end, 10); len(years) > 0 && years[len(years)-1] <= last {
		first, after = from, end
	}
	for !first.Before(end) { // of a summary about long ago
		last--
		first, after = guard.YearDays(last)
	}
	f.StartDate, f.EndDate = first.Format(time.DateOnly), after.Format(time.DateOnly)
	return first.Format("January 2006") + " to " + after.AddDate(0, 0, -1).Format("January 2006")
}

// mechanismByKind counts reports; for outsiders those in which nobody was hurt.
func (s *Service) mechanismByKind(ctx context.Context, f *pb.ReportFilter, seq int64, at *pb.AsAt, see sight) (*pb.SummaryTable, error) {
	title := "Group of mechanisms by kind of report, all reports"
	if !see.own {
		f = proto.Clone(f).(*pb.ReportFilter)
		f.Kinds = guard.NobodyHurt()
		title = "Group of mechanisms by kind of report, hazards and near misses"
	}
	t, err := s.d.Measures.Tabulate(ctx, &pb.TabulateRequest{Filter: f, Rows: pb.Dimension_DIMENSION_MECHANISM,
		Columns: pb.Dimension_DIMENSION_KIND, CodeLevel: 1, MinSequenceNumber: seq, AsAt: at})
	if err != nil {
		return nil, err
	}
	return summaryTable(title, t, see.least), nil
}

// summaryTable guards a table, unless that was done before.
func summaryTable(title string, t *pb.Table, least int64) *pb.SummaryTable {
	if t.GetHeldBack() == 0 && t.GetTotal() != guard.HeldBack {
		t.HeldBack = guard.Table(t, least)
	}
	return &pb.SummaryTable{Title: title, Table: t, HeldBack: t.GetHeldBack()}
}
