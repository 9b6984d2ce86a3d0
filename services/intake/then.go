package intake

import (
	"context"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/moment"
	"fairlead/services/record"
)

// then returns a report as it stood. Whether the caller may see it was decided
// by the report as it stands today.
func then(ctx context.Context, log *moment.Log, name string) (*pb.Report, error) {
	res, err := log.Get(ctx, name)
	if err != nil {
		return nil, notFound(err, name)
	}
	if res.Kind != record.KindReport {
		return nil, fault.NotFound(name)
	}
	r := &pb.Report{}
	return r, record.Read(res.Body, res.Revision, r)
}

// listThen returns a page of reports as they stood: which they are, and what
// they said. Those that the caller does not see today are left out, and out of
// the count.
func (s *Service) listThen(ctx context.Context, req *pb.ListReportsRequest) (*pb.ListReportsResponse, error) {
	q, err := s.readList(ctx, req)
	if err != nil {
		return nil, err
	}
	p, log, finder, err := s.Past.Find(ctx, req.GetAsAt(), "as_at")
	if err != nil {
		return nil, err
	}
	out := &pb.ListReportsResponse{SequenceNumber: p.Seq, AsAt: p.AsAt()}
	var names []string
	var next string
	if who := access.From(ctx); len(who.Workplaces) == 0 {
		names, next, out.TotalSize, err = finder.Newest(req.GetFilter(), q.workplaces, q.after, q.size)
	} else {
		names, next, out.TotalSize, err = s.seenToday(ctx, who, finder, req.GetFilter(), q)
	}
	if err != nil {
		return nil, err
	}
	return s.page(ctx, out, q, names, next, func(name string) (*pb.Report, error) {
		if _, err := s.read(ctx, name); err != nil {
			return nil, err
		}
		return then(ctx, log, name)
	})
}

// seenToday returns a page of names that who sees today, and how many there are.
func (s *Service) seenToday(ctx context.Context, who access.Principal, finder Finder, f *pb.ReportFilter, q *listing) (names []string, next string, total int64, err error) {
	visit := func(after string, limit int, keep func(name string)) (string, error) {
		page, next, _, err := finder.Newest(f, q.workplaces, after, limit)
		if err != nil {
			return "", err
		}
		seen, err := s.Finder.MatchAll(page, &pb.ReportFilter{IncludeVoided: true}, who.Workplaces)
		if err != nil {
			return "", err
		}
		for i, name := range page {
			if seen[i] {
				keep(name)
			}
		}
		return next, ctx.Err()
	}
	const chunk = 10_000
	for at := ""; ; {
		if at, err = visit(at, chunk, func(string) { total++ }); err != nil {
			return nil, "", 0, err
		}
		if at == "" {
			break
		}
	}
	for next = q.after; ; {
		if next, err = visit(next, q.size-len(names), func(name string) { names = append(names, name) }); err != nil {
			return nil, "", 0, err
		}
		if next == "" || len(names) == q.size {
			return names, next, total, nil
		}
	}
}
