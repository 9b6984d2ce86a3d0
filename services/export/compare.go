package export

import (
	"context"
	"fmt"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/moment"
)

// CompareSummaries implements ExportService.
func (s *Service) CompareSummaries(ctx context.Context, req *pb.CompareSummariesRequest) (*pb.SummaryComparison, error) {
	if err := s.check(ctx, req.GetSummary(), "summary."); err != nil {
		return nil, err
	}
	var wrong fault.Violations
	if req.GetSummary().GetAsAt() != nil {
		wrong.Add("summary.as_at", "must be empty: say the two moments in from and to")
	}
	if !moment.Past(req.GetFrom()) {
		wrong.Add("from", "is needed: a sequence number or a time, such as that of the summary handed over")
	}
	if err := wrong.Err(); err != nil {
		return nil, err
	}
	limit := int(req.GetReportLimit())
	if limit == 0 {
		limit = 200
	}
	return s.compare(ctx, req, min(limit, 1000))
}

// compare makes the summary twice and says what differs.
func (s *Service) compare(ctx context.Context, req *pb.CompareSummariesRequest, limit int) (*pb.SummaryComparison, error) {
	ask := func(as *pb.AsAt) *pb.GetSummaryRequest {
		q := req.GetSummary()
		return &pb.GetSummaryRequest{Workplace: q.GetWorkplace(), Period: q.GetPeriod(), Convention: q.GetConvention(), Datasets: q.GetDatasets(),
			EmploymentGroups: q.GetEmploymentGroups(), SmallestCell: q.GetSmallestCell(), MinSequenceNumber: q.GetMinSequenceNumber(), AsAt: as}
	}
	was, then, err := s.summarise(ctx, ask(req.GetFrom()), "from", like{})
	if err != nil {
		return nil, err
	}
	is, now, err := s.summarise(ctx, ask(req.GetTo()), "to", like{level: levelFor(was.GetKinds()), settled: was.GetMakeTime().AsTime()})
	if err != nil {
		return nil, err
	}
	if is.GetSequenceNumber() < was.GetSequenceNumber() {
		return nil, fault.Invalid(fault.Violation{Field: "to", Description: fmt.Sprintf("is before from: change %d comes before %d; give the two the other way round",
			is.GetSequenceNumber(), was.GetSequenceNumber())})
	}
	out := &pb.SummaryComparison{From: was.GetAsAt(), To: is.GetAsAt(), Scope: is.GetScope(), Period: is.GetPeriod()}
	var compared int
	out.Figures, compared = difference(was, is)
	out.Compared = int32(compared)
	w := &between{s: s, req: req.GetSummary(), who: access.From(ctx), from: was.GetSequenceNumber(), to: is.GetSequenceNumber(), then: then, now: now, limit: limit}
	if err := w.tell(ctx, out); err != nil {
		return nil, err
	}
	out.Sentence = comparisonWords(out)
	out.Notes = append(out.Notes, fmt.Sprintf("Days of people who were not back were counted up to %s then, and up to %s now: such figures rise although nothing was recorded.",
		stamp(was.GetMakeTime().AsTime()), stamp(is.GetMakeTime().AsTime())))
	if is.GetScope() != was.GetScope() {
		out.Notes = append(out.Notes, "The scope was written otherwise then: "+was.GetScope()+". Workplaces were renamed or moved.")
	}
	out.Notes = append(out.Notes, "A difference is no error: reports come late, outcomes become known, hours are restated. Each change is in the log with its hash.")
	return out, nil
}

// comparisonWords says what came out.
func comparisonWords(c *pb.SummaryComparison) string {
	what := fmt.Sprintf("%d of %d figures differ", len(c.GetFigures()), c.GetCompared())
	switch len(c.GetFigures()) {
	case 0:
		what = fmt.Sprintf("None of %d figures differs", c.GetCompared())
	case 1:
		what = fmt.Sprintf("1 of %d figures differs", c.GetCompared())
	}
	return fmt.Sprintf("%s between change %d and change %d.", what, c.GetFrom().GetSequenceNumber(), c.GetTo().GetSequenceNumber())
}

// reach returns the workplaces of the question that the caller may see today, as
// the summaries were narrowed.
func (b *between) reach() ([]string, error) {
	var asked []string
	if w := b.req.GetWorkplace(); w != "" {
		asked = []string{w}
	}
	return access.Narrow(b.who, b.s.d.Tree, asked)
}

// filter is what the summary counts, save its workplaces.
func (b *between) filter() *pb.ReportFilter {
	f := &pb.ReportFilter{StartDate: b.req.GetPeriod().GetStartMonth() + "-01", EndDate: b.req.GetPeriod().GetEndMonth() + "-01", Datasets: b.req.GetDatasets()}
	if len(f.Datasets) == 0 {
		f.Datasets = []string{"here"}
	}
	return f
}

// add puts a word down once.
func add(list []string, word string) []string {
	if word == "" || slices.Contains(list, word) {
		return list
	}
	return append(list, word)
}
