package intake

import (
	"context"
	"errors"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// waiter is what a read waits on to see the caller's own write.
type waiter interface {
	Wait(ctx context.Context, seq int64) error
}

// longestWait bounds a wait whose caller set no deadline of its own.
const longestWait = 10 * time.Second

// wait returns when w has reached seq.
func wait(ctx context.Context, w waiter, seq int64) error {
	if seq <= 0 {
		return nil
	}
	inner, cancel := context.WithTimeout(ctx, longestWait)
	defer cancel()
	err := w.Wait(inner, seq)
	if errors.Is(err, context.DeadlineExceeded) {
		return fault.Behind(time.Second)
	}
	return err
}

// resolve returns the resource name of a report that is given by name or by
// short code.
func (s *Service) resolve(ctx context.Context, given string) (string, error) {
	rest := strings.TrimPrefix(given, reportPrefix)
	if isUUID(strings.ToLower(rest)) {
		return reportPrefix + strings.ToLower(rest), nil
	}
	code, ok := readCode(rest)
	if !ok {
		return "", fault.Invalid(fault.Violation{Field: "name",
			Description: "is neither a report's name nor a short code without a slip; a short code looks like 7KQ-2MX-4"})
	}
	name, err := s.Ledger.Claimed(ctx, record.SpaceShortCode, code)
	if errors.Is(err, ledger.ErrNotFound) {
		return "", fault.NotFound(reportPrefix + spoken(code))
	}
	return name, err
}

// read returns a report that the caller may see. One that the caller may not
// see is not there.
func (s *Service) read(ctx context.Context, name string) (*pb.Report, error) {
	res, err := s.Ledger.Get(ctx, name)
	if err != nil {
		return nil, notFound(err, name)
	}
	if res.Kind != record.KindReport || len(res.Body) == 0 {
		return nil, fault.NotFound(name)
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, err
	}
	if !access.SeesReport(access.From(ctx), s.Tree, r.GetWorkplace(), r.GetName()) {
		return nil, fault.NotFound(name)
	}
	return r, nil
}

// show returns what the caller may read of a report. Whoever may not know who
// did what reads stories in which names are covered.
func (s *Service) show(ctx context.Context, r *pb.Report) (*pb.Report, error) {
	view := s.view(ctx, r)
	if view.Actors {
		return access.Redact(r, view), nil
	}
	out := r
	if s.Masks != nil {
		// Whole: a name that stands in what they may not read is covered in
		// what they may.
		var err error
		if out, err = s.Masks.Cover(ctx, r); err != nil {
			return nil, err
		}
	}
	if out = access.Redact(out, view); out == r {
		out = proto.Clone(r).(*pb.Report)
	}
	for _, h := range out.GetHarms() {
		for _, c := range h.GetOutcomeHistory() {
			c.Recorder = ""
		}
	}
	return out, nil
}

// view says what the caller may read of a report, where it happened.
func (s *Service) view(ctx context.Context, r *pb.Report) access.View {
	return access.ViewOf(access.From(ctx).At(s.Tree, r.GetWorkplace(), r.GetName()))
}

// listing is a question for a page of reports, read and checked.
type listing struct {
	asked *pb.ListReportsRequest
	size  int
	// after is where the page goes on.
	after string
	// workplaces are those that the caller may see of those asked for.
	workplaces []string
}

// readList reads and checks a question for a page of reports.
func (s *Service) readList(ctx context.Context, req *pb.ListReportsRequest) (*listing, error) {
	if err := s.checkFilter(ctx, req.GetFilter()).Err(); err != nil {
		return nil, err
	}
	q := &listing{size: int(req.GetPageSize()), asked: &pb.ListReportsRequest{Filter: req.GetFilter(), AsAt: req.GetAsAt()}}
	if q.size <= 0 {
		q.size = 50
	}
	q.size = min(q.size, 500)
	var err error
	if q.after, err = s.Tokens.Open(q.asked, req.GetPageToken()); err != nil {
		return nil, fault.Invalid(fault.Violation{Field: "page_token",
			Description: "does not belong to this question; ask again without it to start from the newest"})
	}
	who := access.From(ctx)
	if access.NeedsCodes(req.GetFilter()) && !access.ViewOf(who).Codes {
		return nil, fault.Denied("codes are not open to you; ask without filter.codes, and without filter.cells that are codes")
	}
	q.workplaces, err = access.Narrow(who, s.Tree, req.GetFilter().GetWorkplaces())
	return q, err
}

// list returns a page of reports.
func (s *Service) list(ctx context.Context, req *pb.ListReportsRequest) (*pb.ListReportsResponse, error) {
	q, err := s.readList(ctx, req)
	if err != nil {
		return nil, err
	}
	out := &pb.ListReportsResponse{SequenceNumber: s.Finder.Seq()}
	names, next, total, err := s.Finder.Newest(req.GetFilter(), q.workplaces, q.after, q.size)
	if err != nil {
		return nil, err
	}
	out.TotalSize = total
	return s.page(ctx, out, q, names, next, func(name string) (*pb.Report, error) { return s.read(ctx, name) })
}

// page fills a page with the named reports.
func (s *Service) page(ctx context.Context, out *pb.ListReportsResponse, q *listing, names []string, next string,
	read func(name string) (*pb.Report, error)) (*pb.ListReportsResponse, error) {
	for _, name := range names {
		r, err := read(name)
		if status.Code(err) == codes.NotFound {
			// It moved out of the caller's sight since it was found, or is no
			// longer held.
			continue
		}
		if err != nil {
			return nil, err
		}
		shown, err := s.show(ctx, r)
		if err != nil {
			return nil, err
		}
		out.Reports = append(out.Reports, shown)
	}
	if next != "" {
		out.NextPageToken = s.Tokens.Make(q.asked, next)
	}
	return out, nil
}

// checkFilter returns what the contract cannot see in a filter. A workplace
// that the caller does not see is left for Narrow to refuse, so that nothing is
// said of whether it exists.
func (s *Service) checkFilter(ctx context.Context, f *pb.ReportFilter) fault.Violations {
	var vs fault.Violations
	who := access.From(ctx)
	for i, w := range f.GetWorkplaces() {
		if len(who.Workplaces) == 0 && !s.Tree.Has(w) {
			vs.Add(index("filter.workplaces", i), unknownWorkplace(s.Tree, w))
		}
	}
	start, end := harm.NoDay, harm.NoDay
	var err error
	if f.GetStartDate() != "" {
		if start, err = harm.ParseDay(f.GetStartDate()); err != nil {
			vs.Add("filter.start_date", "is not a day that exists; write it like 2026-03-31")
		}
	}
	if f.GetEndDate() != "" {
		if end, err = harm.ParseDay(f.GetEndDate()); err != nil {
			vs.Add("filter.end_date", "is not a day that exists; write it like 2026-03-31")
		}
	}
	if start != harm.NoDay && end != harm.NoDay && end <= start {
		vs.Add("filter.end_date", "must be after start_date: it is the day after the last")
	}
	return vs
}

// notFound turns an error of reading a resource into a status.
func notFound(err error, name string) error {
	if errors.Is(err, ledger.ErrNotFound) {
		return fault.NotFound(name)
	}
	return fault.FromLedger(err, record.Etag)
}
