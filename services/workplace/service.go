package workplace

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/moment"
	"fairlead/services/paging"
	"fairlead/services/record"
)

// Service implements WorkplaceService.
type Service struct {
	pb.UnimplementedWorkplaceServiceServer
	ledger ledger.Ledger
	tree   *Tree
	past   Past
	tokens *paging.Tokens
	rules  Rules
	clock  func() time.Time
	newID  func() string
}

// Past hands out the ledger as it stood at a moment.
type Past interface {
	Log(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, error)
}

// Rules applies the rules that the contract puts on single fields and says
// what is wrong in plain words. The room needs it for what an update leads to;
// requests were checked before they came here.
type Rules func(m proto.Message) fault.Violations

// New returns the service over a ledger and the tree that follows it. newID makes
// a UUID that says nothing, for people who come without an id.
func New(l ledger.Ledger, tree *Tree, past Past, tokens *paging.Tokens, rules Rules, clock func() time.Time, newID func() string) *Service {
	return &Service{ledger: l, tree: tree, past: past, tokens: tokens, rules: rules, clock: clock, newID: newID}
}

// CreateWorkplace implements WorkplaceService.
func (s *Service) CreateWorkplace(ctx context.Context, req *pb.CreateWorkplaceRequest) (*pb.Workplace, error) {
	w, err := newWorkplace(req.GetWorkplace(), s.clock())
	if err != nil {
		return nil, err
	}
	out := &pb.Workplace{}
	return out, s.write(ctx, req.GetRequestId(), req, w.Name, out, func(ctx context.Context, tx ledger.Tx) error {
		return create(ctx, tx, w, s.clock())
	})
}

// GetWorkplace implements WorkplaceService. The workplace is as stored: what it
// has from above stays empty, so that it can be sent back on update. One that
// the caller may not see is not there.
func (s *Service) GetWorkplace(ctx context.Context, req *pb.GetWorkplaceRequest) (*pb.Workplace, error) {
	from, _, err := s.asked(ctx, req.GetAsAt())
	if err != nil {
		return nil, err
	}
	out := &pb.Workplace{}
	if err := get(ctx, from, req.GetName(), record.KindWorkplace, out); err != nil {
		return nil, err
	}
	if out = s.shown(ctx, out); out == nil {
		return nil, fault.NotFound(req.GetName())
	}
	return out, nil
}

// ListWorkplaces implements WorkplaceService.
func (s *Service) ListWorkplaces(ctx context.Context, req *pb.ListWorkplacesRequest) (*pb.ListWorkplacesResponse, error) {
	size := pageSize(req.GetPageSize(), 500, 1000)
	asked := &pb.ListWorkplacesRequest{AsAt: req.GetAsAt()}
	after, err := s.tokens.Open(asked, req.GetPageToken())
	if err != nil {
		return nil, badToken()
	}
	from, at, err := s.asked(ctx, req.GetAsAt())
	if err != nil {
		return nil, err
	}
	list, more, err := s.workplaces(ctx, from, after, size)
	if err != nil {
		return nil, err
	}
	out := &pb.ListWorkplacesResponse{Workplaces: list, AsAt: at}
	if more {
		out.NextPageToken = s.tokens.Make(asked, list[len(list)-1].GetName())
	}
	return out, nil
}

// UpdateWorkplace implements WorkplaceService.
func (s *Service) UpdateWorkplace(ctx context.Context, req *pb.UpdateWorkplaceRequest) (*pb.Workplace, error) {
	w := req.GetWorkplace()
	var vs fault.Violations
	if w == nil {
		vs.Add("workplace", "is needed")
		return nil, vs.Err()
	}
	if !named.MatchString(w.GetName()) {
		vs.Add("workplace.name", "is needed: workplaces/ and the id of the workplace to change")
	}
	revision := etag(&vs, w.GetEtag())
	if err := vs.Err(); err != nil {
		return nil, err
	}
	out := &pb.Workplace{}
	return out, s.write(ctx, req.GetRequestId(), req, w.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		return s.update(ctx, tx, req, revision)
	})
}

// CreatePerson implements WorkplaceService.
func (s *Service) CreatePerson(ctx context.Context, req *pb.CreatePersonRequest) (*pb.Person, error) {
	p, err := newPerson(req.GetPerson(), s.clock())
	if err != nil {
		return nil, err
	}
	if p.Name == "" {
		p.Name = peoplePrefix + s.newID()
	}
	out := &pb.Person{}
	return out, s.write(ctx, req.GetRequestId(), req, p.Name, out, func(ctx context.Context, tx ledger.Tx) error {
		// A replay finds the id that was made the first time.
		tx.SetAnswer([]byte(p.Name))
		return createPerson(ctx, tx, p, s.clock())
	})
}

// GetPerson implements WorkplaceService. Somebody who works where the caller
// does not see is not there.
func (s *Service) GetPerson(ctx context.Context, req *pb.GetPersonRequest) (*pb.Person, error) {
	out := &pb.Person{}
	if err := get(ctx, s.ledger, req.GetName(), record.KindPerson, out); err != nil {
		return nil, err
	}
	if !access.Sees(access.From(ctx), s.tree, out.GetWorkplace()) {
		return nil, fault.NotFound(req.GetName())
	}
	return out, nil
}

// ListPeople implements WorkplaceService.
func (s *Service) ListPeople(ctx context.Context, req *pb.ListPeopleRequest) (*pb.ListPeopleResponse, error) {
	size := pageSize(req.GetPageSize(), 100, 1000)
	asked := &pb.ListPeopleRequest{Workplace: req.GetWorkplace()}
	after, err := s.tokens.Open(asked, req.GetPageToken())
	if err != nil {
		return nil, badToken()
	}
	var only []string
	if req.GetWorkplace() != "" {
		only = []string{req.GetWorkplace()}
	}
	if only, err = access.Narrow(access.From(ctx), s.tree, only); err != nil {
		return nil, err
	}
	if _, known := s.tree.Get(req.GetWorkplace()); req.GetWorkplace() != "" && !known {
		return nil, fault.Invalid(fault.Violation{Field: "workplace", Description: unknownWorkplace(s.tree, req.GetWorkplace())})
	}
	people, more, err := s.people(ctx, only, after, size)
	if err != nil {
		return nil, err
	}
	out := &pb.ListPeopleResponse{People: people}
	if more {
		out.NextPageToken = s.tokens.Make(asked, people[len(people)-1].GetName())
	}
	return out, nil
}

// pageSize applies the default and the cap of a page.
func pageSize(asked int32, usual, most int) int {
	if asked <= 0 {
		return usual
	}
	return min(int(asked), most)
}

func badToken() error {
	return fault.Invalid(fault.Violation{Field: "page_token",
		Description: "does not belong to this question; ask again without it to start from the first page"})
}

// etag reads the etag of a workplace that is to be changed.
func etag(vs *fault.Violations, given string) int64 {
	revision, ok := record.Revision(given)
	switch {
	case given == "":
		vs.Add("workplace.etag", "is needed: read the workplace and send the etag that came with it")
	case !ok:
		vs.Add("workplace.etag", "is not an etag from here; read the workplace and send the etag that came with it")
	}
	return revision
}

// notFound turns an error of reading a resource into a status.
func notFound(err error, name string) error {
	if errors.Is(err, ledger.ErrNotFound) {
		return fault.NotFound(name)
	}
	return fault.FromLedger(err, record.Etag)
}
