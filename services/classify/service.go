package classify

import (
	"context"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Tree is what is asked of the tree of workplaces.
type Tree interface{ access.Tree }

// Service implements ClassificationService.
type Service struct {
	pb.UnimplementedClassificationServiceServer
	ledger ledger.Ledger
	tree   Tree
	tables *Tables
	clock  func() time.Time
}

// New returns the service.
func New(l ledger.Ledger, tree Tree, tables *Tables, clock func() time.Time) *Service {
	return &Service{ledger: l, tree: tree, tables: tables, clock: clock}
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
		return nil, fault.Invalid(fault.Violation{Field: "facet", Description: "choose one of the five facets"})
	}
	out := &pb.ListCodesResponse{Edition: s.tables.Name()}
	if p := req.GetParent(); p != "" {
		above, ok := s.tables.table.Canonical(f.table.List(), p)
		if !ok {
			return nil, fault.Invalid(fault.Violation{Field: "parent", Description: "there is no code " + p + " in the list of " + f.table.Title()})
		}
		for _, c := range s.tables.table.Children(f.table.List(), above.Code) {
			out.Codes = append(out.Codes, s.tables.show(f, c))
		}
		return out, nil
	}
	for _, c := range s.tables.table.Codes(f.table.List()) {
		out.Codes = append(out.Codes, s.tables.show(f, c))
	}
	return out, nil
}

// LookUpCodes implements ClassificationService. Without a facet both agencies
// would give the same list, so the breakdown agency is left out.
func (s *Service) LookUpCodes(_ context.Context, req *pb.LookUpCodesRequest) (*pb.LookUpCodesResponse, error) {
	limit := int(req.GetLimit())
	if limit == 0 {
		limit = 5
	}
	out := &pb.LookUpCodesResponse{Edition: s.tables.Name()}
	order := []pb.Facet{pb.Facet_FACET_MECHANISM, pb.Facet_FACET_AGENCY, pb.Facet_FACET_NATURE, pb.Facet_FACET_BODILY_LOCATION}
	if one := req.GetFacet(); one != pb.Facet_FACET_UNSPECIFIED {
		order = []pb.Facet{one}
	}
	for _, want := range order {
		f, ok := facetOf(want)
		if !ok {
			return nil, fault.Invalid(fault.Violation{Field: "facet", Description: "choose one of the five facets, or none for all"})
		}
		for _, m := range s.tables.table.LookUp(f.table, req.GetWords(), limit) {
			c := s.tables.show(f, m.Code)
			c.Score = m.Score
			out.Codes = append(out.Codes, c)
		}
	}
	return out, nil
}

// AssignCoding implements ClassificationService.
func (s *Service) AssignCoding(ctx context.Context, req *pb.AssignCodingRequest) (*pb.AssignCodingResponse, error) {
	who := access.From(ctx)
	c, notes, err := s.prepare(ctx, who, req)
	if err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		return &pb.AssignCodingResponse{Coding: c, Codes: s.tables.codesOf(c), Notes: notes}, nil
	}
	return s.store(ctx, who, req, c, notes)
}

// ListCodings implements ClassificationService.
func (s *Service) ListCodings(ctx context.Context, req *pb.ListCodingsRequest) (*pb.ListCodingsResponse, error) {
	if !access.ViewOf(access.From(ctx)).Codes {
		return nil, fault.Denied("codes are not open to you")
	}
	if _, err := s.report(ctx, access.From(ctx), req.GetParent()); err != nil {
		return nil, err
	}
	list, err := s.ledger.List(ctx, record.KindCoding, req.GetParent()+"/codings/", "", 100)
	if err != nil {
		return nil, err
	}
	out := &pb.ListCodingsResponse{}
	seen := map[string]bool{}
	for _, r := range list {
		c := &pb.Coding{}
		if err := record.Read(r.Body, r.Revision, c); err != nil {
			return nil, err
		}
		if !access.ViewOf(access.From(ctx)).Actors {
			c.Coder = ""
		}
		out.Codings = append(out.Codings, c)
		for _, code := range s.tables.codesOf(c) {
			if key := code.GetFacet().String() + code.GetCode(); !seen[key] {
				seen[key] = true
				out.Codes = append(out.Codes, code)
			}
		}
	}
	return out, nil
}
