package hours

import (
	"context"
	"errors"
	"strings"
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

// Tree answers where workplaces stand; see services/workplace.
type Tree interface {
	// Root returns the name of the organisation at the top.
	Root() string
	// Has reports whether there is such a workplace.
	Has(name string) bool
	// Within reports whether workplace is ancestor or stands below it.
	Within(workplace, ancestor string) bool
	// Below returns the workplace and all below it.
	Below(name string) []string
	// Path returns the way from the root to the workplace.
	Path(name string) []string
	// Location returns the time zone in which the months of a workplace run.
	Location(name string) *time.Location
	// ClosedAt reports whether a workplace was closed at a time.
	ClosedAt(name string, at time.Time) bool
	// Nearest returns names that look like one that is not there.
	Nearest(name string, limit int) []string
	// Wait returns when the tree reflects a sequence number.
	Wait(ctx context.Context, seq int64) error
}

// Rules applies the rules that the contract puts on single fields and says what
// is wrong in plain words. Rows are checked with it one by one.
type Rules func(m proto.Message) fault.Violations

// Past hands out the ledger and the tree as they stood at a moment.
type Past interface {
	At(ctx context.Context, as *pb.AsAt, field string) (moment.Point, *moment.Log, Tree, error)
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// CoverPlain covers texts that belong to no one report.
	CoverPlain(texts ...*string)
}

// Service implements HoursService.
type Service struct {
	pb.UnimplementedHoursServiceServer
	// Masks cover names in reasons for whoever may not know who did what; nil
	// covers nothing.
	Masks  Masks
	ledger ledger.Ledger
	tree   Tree
	past   Past
	rules  Rules
	tokens *paging.Tokens
	clock  func() time.Time
}

// New returns the service.
func New(l ledger.Ledger, tree Tree, past Past, tokens *paging.Tokens, rules func(m proto.Message) fault.Violations, clock func() time.Time) *Service {
	return &Service{ledger: l, tree: tree, past: past, rules: rules, tokens: tokens, clock: clock}
}

// ImportHours implements HoursService.
func (s *Service) ImportHours(ctx context.Context, req *pb.ImportHoursRequest) (*pb.ImportHoursResponse, error) {
	if err := s.treeAtHead(ctx); err != nil {
		return nil, err
	}
	im := s.readRows(ctx, req)
	if req.GetValidateOnly() {
		p, err := im.plan(ctx, s.ledger)
		if err != nil {
			return nil, fault.FromLedger(err, record.Etag)
		}
		return p.response(), nil
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	receipt, err := s.ledger.Write(ctx, asked, im.store)
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	out := &pb.ImportHoursResponse{}
	if err := proto.Unmarshal(receipt.Answer, out); err != nil {
		return nil, err
	}
	out.SequenceNumber = receipt.Seq
	return out, nil
}

// ListHours implements HoursService.
func (s *Service) ListHours(ctx context.Context, req *pb.ListHoursRequest) (*pb.ListHoursResponse, error) {
	var vs fault.Violations
	if a, b := req.GetStartMonth(), req.GetEndMonth(); a != "" && b != "" && b <= a {
		vs.Add("end_month", "must be after start_month: it is the month after the last")
	}
	asked := &pb.ListHoursRequest{Workplace: req.GetWorkplace(), StartMonth: req.GetStartMonth(), EndMonth: req.GetEndMonth(), AsAt: req.GetAsAt()}
	after, err := s.tokens.Open(asked, req.GetPageToken())
	if err != nil {
		vs.Add("page_token", "does not belong to this question; ask again without it to start from the first page")
	}
	if len(vs) > 0 {
		return nil, vs.Err()
	}
	from, then, at, err := s.asked(ctx, req.GetAsAt())
	if err != nil {
		return nil, err
	}
	workplaces, err := s.seen(ctx, then, req.GetWorkplace())
	if err != nil {
		return nil, err
	}
	size := int(req.GetPageSize())
	if size <= 0 {
		size = 1000
	}
	size = min(size, 5000)
	rows, more, err := list(ctx, from, workplaces, req.GetStartMonth(), req.GetEndMonth(), after, size)
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	if who := access.From(ctx); s.Masks != nil && !who.Has(pb.Role_ROLE_ADMINISTRATOR) && !access.ViewOf(who).Actors {
		for _, h := range rows {
			s.Masks.CoverPlain(&h.RestateReason)
		}
	}
	out := &pb.ListHoursResponse{Hours: rows, AsAt: at}
	if more {
		out.NextPageToken = s.tokens.Make(asked, rows[len(rows)-1].GetName())
	}
	return out, nil
}

// longestWait bounds the wait for the tree; it is milliseconds behind.
const longestWait = 5 * time.Second

// treeAtHead waits until the tree knows every workplace that is in the ledger.
func (s *Service) treeAtHead(ctx context.Context) error {
	head, err := s.ledger.Head(ctx)
	if err != nil {
		return fault.FromLedger(err, record.Etag)
	}
	inner, cancel := context.WithTimeout(ctx, longestWait)
	defer cancel()
	err = s.tree.Wait(inner, head.Seq)
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		return fault.Busy(time.Second)
	}
	return err
}

// unknownWorkplace says that a workplace is not there and what it may have been
// meant to be.
func unknownWorkplace(t Tree, name string) string {
	near := t.Nearest(name, 3)
	if len(near) == 0 {
		return "is not a workplace here; add it first, or give one that is"
	}
	return "is not a workplace here; did you mean " + strings.Join(near, " or ") + "?"
}
