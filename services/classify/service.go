package classify

import (
	"context"
	"fmt"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/moment"
	"fairlead/services/record"
)

// Tree is what is asked of the tree of workplaces.
type Tree interface{ access.Tree }

// Past hands out the ledger as it stood at a moment.
type Past interface {
	Log(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, error)
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// CoverBeside covers texts that are said beside a report.
	CoverBeside(ctx context.Context, report string, texts ...*string) error
}

// Service implements ClassificationService.
type Service struct {
	pb.UnimplementedClassificationServiceServer
	// Masks cover names in notes for whoever may not know who did what; nil
	// covers nothing.
	Masks  Masks
	ledger ledger.Ledger
	tree   Tree
	past   Past
	tables *Tables
	clock  func() time.Time
}

// New returns the service.
func New(l ledger.Ledger, tree Tree, past Past, tables *Tables, clock func() time.Time) *Service {
	return &Service{ledger: l, tree: tree, past: past, tables: tables, clock: clock}
}

// ListEditions implements ClassificationService.
func (s *Service) ListEditions(context.Context, *pb.ListEditionsRequest) (*pb.ListEditionsResponse, error) {
	e := &pb.Edition{Name: s.tables.Name(), Credit: s.tables.Credit(), Sizes: map[string]int32{}}
	for _, f := range facets {
		e.Sizes[f.field] = int32(len(s.tables.table.Codes(f.table.List())))
	}
	return &pb.ListEditionsResponse{Editions: []*pb.Edition{e}}, nil
}

// ListCodes implements ClassificationService.
func (s *Service) ListCodes(_ context.Context, req *pb.ListCodesRequest) (*pb.ListCodesResponse, error) {
	f, ok := facetOf(req.GetFacet())
	if !ok {
		return nil, noFacet("is needed; give one of ")
	}
	codes, err := s.tables.list(f, req.GetParent())
	if err != nil {
		return nil, err
	}
	return &pb.ListCodesResponse{Codes: codes, Edition: s.tables.Name()}, nil
}

// LookUpCodes implements ClassificationService. Both agency facets have the
// same list, so that without a facet it is asked once.
func (s *Service) LookUpCodes(_ context.Context, req *pb.LookUpCodesRequest) (*pb.LookUpCodesResponse, error) {
	asked := []pb.Facet{pb.Facet_FACET_MECHANISM, pb.Facet_FACET_NATURE, pb.Facet_FACET_BODILY_LOCATION, pb.Facet_FACET_AGENCY}
	if req.GetFacet() != pb.Facet_FACET_UNSPECIFIED {
		if _, ok := facetOf(req.GetFacet()); !ok {
			return nil, noFacet("is not a facet; leave it out for all, or give one of ")
		}
		asked = []pb.Facet{req.GetFacet()}
	}
	codes, err := s.tables.lookUp(asked, req.GetWords(), int(req.GetLimit()))
	if err != nil {
		return nil, err
	}
	return &pb.LookUpCodesResponse{Codes: codes, Edition: s.tables.Name()}, nil
}

func noFacet(what string) error {
	var names []string
	for _, f := range facets {
		names = append(names, strings.TrimPrefix(f.pb.String(), "FACET_"))
	}
	return fault.Invalid(fault.Violation{Field: "facet", Description: what + strings.Join(names, ", ")})
}

// AssignCoding implements ClassificationService.
func (s *Service) AssignCoding(ctx context.Context, req *pb.AssignCodingRequest) (*pb.AssignCodingResponse, error) {
	who := access.From(ctx)
	if !access.ViewOf(who).Codes {
		return nil, denied()
	}
	if req.GetCoding() == nil {
		return nil, fault.Invalid(fault.Violation{Field: "coding", Description: "is needed: give a code in at least one of " + facetNames()})
	}
	before := false
	if req.GetCoding().GetBlind() {
		var err error
		if before, err = s.codedBefore(ctx, who, codingName(req)); err != nil {
			return nil, err
		}
	}
	if !req.GetValidateOnly() {
		return s.store(ctx, who, req, before)
	}
	a, err := s.prepare(ctx, s.ledger, who, req, before)
	if err != nil {
		return nil, err
	}
	return s.response(a), nil
}

func denied() error {
	return fault.Denied("codes are not open to you; ask the safety adviser")
}

// ListCodings implements ClassificationService.
func (s *Service) ListCodings(ctx context.Context, req *pb.ListCodingsRequest) (*pb.ListCodingsResponse, error) {
	who := access.From(ctx)
	view := access.ViewOf(who)
	if !view.Codes {
		return nil, denied()
	}
	// Who sees the report today sees its past.
	if _, err := s.report(ctx, s.ledger, who, req.GetParent()); err != nil {
		return nil, err
	}
	var from lister = s.ledger
	out := &pb.ListCodingsResponse{}
	past, err := moment.Listed(req.GetAsAt(), "as_at")
	if err != nil {
		return nil, err
	}
	if past {
		p, log, err := s.past.Log(ctx, req.GetAsAt(), "as_at")
		if err != nil {
			return nil, err
		}
		if _, err := s.report(ctx, log, who, req.GetParent()); err != nil {
			return nil, err
		}
		from, out.AsAt = log, p.AsAt()
	}
	// A report has at most one coding of its own and one for each harm.
	list, err := from.List(ctx, record.KindCoding, req.GetParent()+"/codings/", "", 100)
	if err != nil {
		return nil, fmt.Errorf("classify: list codings: %w", err)
	}
	seen := map[string]bool{}
	var notes []*string
	for _, res := range list {
		c := &pb.Coding{}
		if err := record.Read(res.Body, res.Revision, c); err != nil {
			return nil, err
		}
		if !view.Actors {
			c.Coder = ""
			notes = append(notes, &c.Note)
		}
		out.Codings = append(out.Codings, c)
		for _, code := range s.tables.codesOf(c) {
			if key := code.GetFacet().String() + code.GetCode(); !seen[key] {
				seen[key] = true
				out.Codes = append(out.Codes, code)
			}
		}
	}
	if len(notes) > 0 && s.Masks != nil {
		return out, s.Masks.CoverBeside(ctx, req.GetParent(), notes...)
	}
	return out, nil
}
