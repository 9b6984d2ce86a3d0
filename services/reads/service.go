package reads

import (
	"context"
	"errors"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"
	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Service implements ReadService.
type Service struct {
	pb.UnimplementedReadServiceServer
	ledger ledger.Ledger
	tree   access.Tree
	// flush writes down what waits, so that an answer is not behind.
	flush func(ctx context.Context) error
	// Masks cover names in reasons for whoever may not know who did what; nil
	// covers nothing.
	Masks Masks
	// Called is what people call a principal; nil knows nobody's name.
	Called func(principal string) string
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// CoverBeside covers texts that are said beside a report.
	CoverBeside(ctx context.Context, report string, texts ...*string) error
}

// New returns the service. flush may be nil.
func New(l ledger.Ledger, tree access.Tree, flush func(ctx context.Context) error) *Service {
	return &Service{ledger: l, tree: tree, flush: flush}
}

// most is how many readings one answer has at most.
const most = 1000

// ListReads implements ReadService.
func (s *Service) ListReads(ctx context.Context, req *pb.ListReadsRequest) (*pb.ListReadsResponse, error) {
	prefix := "reads/"
	who := access.From(ctx)
	if req.GetReport() == "" {
		if len(who.Workplaces) > 0 {
			return nil, fault.Denied("lists are of the whole organisation, and your role is bounded to a part of it; name a report")
		}
	} else {
		prefix = req.GetReport() + "/reads/"
		if err := s.sees(ctx, who, req.GetReport()); err != nil {
			return nil, err
		}
	}
	if s.flush != nil {
		if err := s.flush(ctx); err != nil {
			return nil, fault.FromLedger(err, record.Etag)
		}
	}
	out := &pb.ListReadsResponse{}
	err := s.each(ctx, record.KindRead, prefix, func(res ledger.Resource) error {
		one := &pb.Reading{}
		out.Readings = append(out.Readings, one)
		return record.Read(res.Body, res.Revision, one)
	})
	if err == nil && req.GetReport() != "" {
		err = s.tellers(ctx, req.GetReport(), out)
	}
	if err != nil {
		return nil, err
	}
	if s.Masks != nil && req.GetReport() != "" && !access.ViewOf(who).Actors {
		var reasons []*string
		for _, one := range out.GetReadings() {
			reasons = append(reasons, &one.Reason)
		}
		if err := s.Masks.CoverBeside(ctx, req.GetReport(), reasons...); err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(out.Readings, func(a, b *pb.Reading) int { return b.GetReadTime().AsTime().Compare(a.GetReadTime().AsTime()) })
	out.Readings = out.Readings[:min(most, len(out.Readings))]
	for _, one := range out.Readings {
		if s.Called != nil {
			one.PrincipalTitle = s.Called(one.GetPrincipal())
		}
	}
	return out, nil
}

// tellers adds who looked at who told in confidence.
func (s *Service) tellers(ctx context.Context, report string, out *pb.ListReadsResponse) error {
	return s.each(ctx, record.KindTellerRead, report+"/teller/reads/", func(res ledger.Resource) error {
		changes, err := s.ledger.History(ctx, res.Name)
		if err != nil {
			return err
		}
		first, now := changes[0], changes[len(changes)-1]
		one := &pb.Reading{Name: res.Name, Principal: first.Actor, Report: report, Class: pb.ReadClass_READ_CLASS_TELLER,
			Method: "ReportService.GetTeller", ReadTime: timestamppb.New(first.Time)}
		why := &wrapperspb.StringValue{}
		if now.Verb != record.VerbErase {
			if err := record.Read(now.Body, now.Revision, why); err != nil {
				return err
			}
			one.Reason = why.GetValue()
		}
		out.Readings = append(out.Readings, one)
		return nil
	})
}

// sees refuses a report that the caller may not see.
func (s *Service) sees(ctx context.Context, who access.Principal, name string) error {
	res, err := s.ledger.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return fault.NotFound(name)
	}
	if err != nil {
		return err
	}
	r := &pb.Report{}
	if res.Kind != record.KindReport || len(res.Body) == 0 {
		return fault.NotFound(name)
	}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return err
	}
	if !access.SeesReport(who, s.tree, r.GetWorkplace(), name) {
		return fault.NotFound(name)
	}
	return nil
}

func (s *Service) each(ctx context.Context, kind, prefix string, visit func(ledger.Resource) error) error {
	const chunk = 500
	for after := ""; ; {
		page, err := s.ledger.List(ctx, kind, prefix, after, chunk)
		if err != nil {
			return err
		}
		for _, res := range page {
			if after = res.Name; !strings.HasPrefix(after, prefix) {
				continue
			}
			if err := visit(res); err != nil {
				return err
			}
		}
		if len(page) < chunk {
			return nil
		}
	}
}
