package hours

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/paging"
	"fairlead/services/record"
)

// Tree is what is asked of the tree of workplaces.
type Tree interface {
	access.Tree
	// Has reports whether there is such a workplace.
	Has(name string) bool
	// Below returns a workplace and all below it.
	Below(name string) []string
	// Path returns the way from the root to a workplace.
	Path(name string) []string
	// Location returns the time zone in which the months of a workplace run.
	Location(name string) *time.Location
	// Nearest returns names that look like one that is not there.
	Nearest(name string, limit int) []string
}

// Rules applies the rules that the contract puts on single fields.
type Rules func(m proto.Message) fault.Violations

// Service implements HoursService.
type Service struct {
	pb.UnimplementedHoursServiceServer
	ledger ledger.Ledger
	tree   Tree
	tokens *paging.Tokens
	rules  Rules
	clock  func() time.Time
}

// New returns the service.
func New(l ledger.Ledger, tree Tree, tokens *paging.Tokens, rules func(m proto.Message) fault.Violations, clock func() time.Time) *Service {
	return &Service{ledger: l, tree: tree, tokens: tokens, rules: rules, clock: clock}
}

// ImportHours implements HoursService.
func (s *Service) ImportHours(ctx context.Context, req *pb.ImportHoursRequest) (*pb.ImportHoursResponse, error) {
	rows, warnings, err := s.check(ctx, req)
	if err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		out, err := s.compare(ctx, s.ledger, req, rows)
		if err == nil {
			out.Warnings = warnings
		}
		return out, err
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	receipt, err := s.ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		return s.store(ctx, tx, req, rows)
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	out := &pb.ImportHoursResponse{}
	if err := proto.Unmarshal(receipt.Answer, out); err != nil {
		return nil, err
	}
	out.Warnings, out.SequenceNumber = warnings, receipt.Seq
	return out, nil
}

// ListHours implements HoursService.
func (s *Service) ListHours(ctx context.Context, req *pb.ListHoursRequest) (*pb.ListHoursResponse, error) {
	var asked []string
	if w := req.GetWorkplace(); w != "" {
		asked = []string{w}
	}
	workplaces, err := access.Narrow(access.From(ctx), s.tree, asked)
	if err != nil {
		return nil, err
	}
	if w := req.GetWorkplace(); w != "" && !s.tree.Has(w) {
		return nil, fault.NotFound(w)
	}
	size := int(req.GetPageSize())
	if size == 0 {
		size = 1000
	}
	question := proto.Clone(req).(*pb.ListHoursRequest)
	question.PageSize, question.PageToken = 0, ""
	after, err := s.tokens.Open(question, req.GetPageToken())
	if err != nil {
		return nil, fault.Invalid(fault.Violation{Field: "page_token", Description: "is not a token of this question; leave it empty to start again"})
	}
	out := &pb.ListHoursResponse{}
	if after == "" {
		after = "workplaces/"
	}
	for {
		page, err := s.ledger.List(ctx, record.KindHours, "workplaces/", after, 1000)
		if err != nil {
			return nil, err
		}
		for _, r := range page {
			after = r.Name
			h := &pb.Hours{}
			if err := record.Read(r.Body, r.Revision, h); err != nil {
				return nil, err
			}
			if !s.wanted(h, req, workplaces) {
				continue
			}
			if len(out.Hours) == size {
				out.NextPageToken = s.tokens.Make(question, out.Hours[size-1].GetName())
				return out, nil
			}
			out.Hours = append(out.Hours, h)
		}
		if len(page) < 1000 {
			return out, nil
		}
	}
}

// wanted reports whether a block of hours answers the question.
func (s *Service) wanted(h *pb.Hours, req *pb.ListHoursRequest, workplaces []string) bool {
	if m := req.GetStartMonth(); m != "" && h.GetMonth() < m {
		return false
	}
	if m := req.GetEndMonth(); m != "" && h.GetMonth() >= m {
		return false
	}
	if len(workplaces) == 0 {
		return true
	}
	for _, w := range workplaces {
		if s.tree.Within(h.GetWorkplace(), w) {
			return true
		}
	}
	return false
}

// reader reads stored hours, in or outside a transaction.
type reader interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

// stored returns the hours under a name, nil when there are none.
func stored(ctx context.Context, from reader, name string) (*pb.Hours, int64, error) {
	r, err := from.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, err
	}
	h := &pb.Hours{}
	return h, r.Revision, record.Read(r.Body, r.Revision, h)
}
