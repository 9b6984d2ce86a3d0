package retention

import (
	"context"
	"errors"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Tree answers where workplaces stand; see services/workplace.
type Tree interface {
	// Root returns the organisation at the top.
	Root() string
	// Has reports whether there is such a workplace.
	Has(name string) bool
	// Within reports whether workplace is ancestor or stands below it.
	Within(workplace, ancestor string) bool
	// Location returns the time zone in which the days of a workplace run.
	Location(name string) *time.Location
}

// Facts answers which reports a filter picks; see services/facts.
type Facts interface {
	// MatchAll says for each of the named reports whether it is there and
	// matches; workplaces stand in the place of those of the filter.
	MatchAll(names []string, f *pb.ReportFilter, workplaces []string) ([]bool, error)
	// Wait returns when the facts reflect a sequence number.
	Wait(ctx context.Context, seq int64) error
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// CoverPlain covers texts that belong to no one report.
	CoverPlain(texts ...*string)
}

// Deps is what the room stands on. All are required but Masks: without them
// everybody reads reasons as they were given.
type Deps struct {
	Masks  Masks
	Ledger ledger.Ledger
	Tree   Tree
	Facts  Facts
	Clock  func() time.Time
	NewID  func() string
}

// Service implements RetentionService.
type Service struct {
	pb.UnimplementedRetentionServiceServer
	Deps
	// known is Ledger with what remains of erased versions in their place.
	known     Kept
	suggested []*pb.RetentionClass
}

// New returns the service.
func New(d Deps) (*Service, error) {
	list, err := suggestions()
	if err != nil {
		return nil, err
	}
	return &Service{Deps: d, known: NewKept(d.Ledger), suggested: list}, nil
}

// ListRetentionClasses implements RetentionService.
func (s *Service) ListRetentionClasses(ctx context.Context, _ *pb.ListRetentionClassesRequest) (*pb.ListRetentionClassesResponse, error) {
	list, err := s.classes(ctx, s.Ledger)
	for _, c := range list {
		s.cover(ctx, &c.ChangeReason)
	}
	return &pb.ListRetentionClassesResponse{Classes: list}, err
}

// SetRetentionClass implements RetentionService.
func (s *Service) SetRetentionClass(ctx context.Context, req *pb.SetRetentionClassRequest) (*pb.WriteRetentionClassResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	if err := s.checkClass(req).Err(); err != nil {
		return nil, err
	}
	return s.setClass(ctx, req)
}

// AgreeRetentionClass implements RetentionService.
func (s *Service) AgreeRetentionClass(ctx context.Context, req *pb.AgreeRetentionClassRequest) (*pb.WriteRetentionClassResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return s.agree(ctx, req)
}

// StopRetentionClass implements RetentionService.
func (s *Service) StopRetentionClass(ctx context.Context, req *pb.StopRetentionClassRequest) (*pb.WriteRetentionClassResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return s.stop(ctx, req)
}

// cover covers the names of the house in reasons for whoever may not know who did
// what. An administrator keeps the names of people.
func (s *Service) cover(ctx context.Context, texts ...*string) {
	who := access.From(ctx)
	if s.Masks != nil && !who.Has(pb.Role_ROLE_ADMINISTRATOR) && !access.ViewOf(who).Actors {
		s.Masks.CoverPlain(texts...)
	}
}

// ListLegalHolds implements RetentionService.
func (s *Service) ListLegalHolds(ctx context.Context, _ *pb.ListLegalHoldsRequest) (*pb.ListLegalHoldsResponse, error) {
	list, err := s.holds(ctx, s.Ledger)
	if err != nil {
		return nil, err
	}
	if !everywhere(ctx, pb.Role_ROLE_ADVISER) {
		for _, h := range list {
			h.Reports, h.People = nil, nil
		}
	}
	for _, h := range list {
		s.cover(ctx, &h.Reason, &h.AskedBy, &h.ReleaseReason)
	}
	return &pb.ListLegalHoldsResponse{LegalHolds: list}, nil
}

// PlaceLegalHold implements RetentionService.
func (s *Service) PlaceLegalHold(ctx context.Context, req *pb.PlaceLegalHoldRequest) (*pb.WriteLegalHoldResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	if err := s.checkHold(req.GetLegalHold()).Err(); err != nil {
		return nil, err
	}
	return s.place(ctx, req)
}

// ReleaseLegalHold implements RetentionService.
func (s *Service) ReleaseLegalHold(ctx context.Context, req *pb.ReleaseLegalHoldRequest) (*pb.WriteLegalHoldResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return s.release(ctx, req)
}

// PreviewRetention implements RetentionService.
func (s *Service) PreviewRetention(ctx context.Context, req *pb.PreviewRetentionRequest) (*pb.PreviewRetentionResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	d, err := s.due(ctx, req.GetDate(), req.GetClasses())
	if err != nil {
		return nil, err
	}
	return d.preview(everywhere(ctx, pb.Role_ROLE_ADVISER)), nil
}

// ApplyRetention implements RetentionService.
func (s *Service) ApplyRetention(ctx context.Context, req *pb.ApplyRetentionRequest) (*pb.ApplyRetentionResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return s.apply(ctx, req)
}

// ErasePerson implements RetentionService.
func (s *Service) ErasePerson(ctx context.Context, req *pb.ErasePersonRequest) (*pb.EraseResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return s.erasePerson(ctx, req)
}

// EraseTeller implements RetentionService.
func (s *Service) EraseTeller(ctx context.Context, req *pb.EraseTellerRequest) (*pb.EraseResponse, error) {
	return s.eraseTeller(ctx, req)
}

// EraseReportText implements RetentionService.
func (s *Service) EraseReportText(ctx context.Context, req *pb.EraseReportTextRequest) (*pb.EraseResponse, error) {
	return s.eraseText(ctx, req)
}

// whole refuses whoever is bounded to part of the tree: classes, holds and
// people are those of the whole organisation.
func whole(ctx context.Context) error {
	if len(access.From(ctx).Workplaces) > 0 {
		return fault.Denied("keeping and forgetting is for people whose role reaches the whole organisation; ask one of them")
	}
	return nil
}

// everywhere reports whether the caller holds a role for the whole organisation:
// who is an auditor of all and an adviser of one depot is not an adviser of all.
func everywhere(ctx context.Context, role pb.Role) bool {
	who := access.From(ctx).As([]pb.Role{role})
	return who.Has(role) && len(who.Workplaces) == 0
}

// report reads a report that the caller may see; one that the caller may not
// see is not there.
func (s *Service) report(ctx context.Context, name string) (*pb.Report, error) {
	res, err := s.Ledger.Get(ctx, name)
	if err != nil {
		return nil, outside(err, name)
	}
	r := &pb.Report{}
	if res.Kind != record.KindReport || len(res.Body) == 0 {
		return nil, fault.NotFound(name)
	}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, err
	}
	if !access.SeesReport(access.From(ctx), s.Tree, r.GetWorkplace(), name) {
		return nil, fault.NotFound(name)
	}
	return r, nil
}

// outside turns an error of the ledger into a status.
func outside(err error, name string) error {
	if errors.Is(err, ledger.ErrNotFound) {
		return fault.NotFound(name)
	}
	return fault.FromLedger(err, record.Etag)
}

// list calls visit with every resource of a kind below a prefix.
func list(ctx context.Context, from lister, kind, prefix string, visit func(ledger.Resource) error) error {
	const chunk = 1000
	for after := ""; ; {
		page, err := from.List(ctx, kind, prefix, after, chunk)
		if err != nil {
			return err
		}
		for _, res := range page {
			after = res.Name
			if err := visit(res); err != nil {
				return err
			}
		}
		if len(page) < chunk {
			return nil
		}
	}
}

// lister is what resources are listed from: the ledger, or a write under way.
type lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}
