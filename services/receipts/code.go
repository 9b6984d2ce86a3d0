package receipts

import (
	"context"
	"errors"
	"net"
	"time"

	"google.golang.org/grpc/peer"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/receiptcode"
	"fairlead/services/record"
)

// noSuchCode is the resource that errors name: a code is never repeated.
const noSuchCode = "a report with this receipt code"

// byCode returns the report that a code is the receipt of.
func (s *Service) byCode(ctx context.Context, typed string) (*pb.Report, error) {
	code, err := receiptcode.Read(typed)
	if err != nil {
		return nil, fault.Invalid(fault.Violation{Field: "code",
			Description: "is not a receipt code, or has a slip in it; it has 17 letters and digits and looks like 7KQ2-MX4H-WPN8-3ZRTA"})
	}
	// Nobody tries 80 bits through; the wait keeps those who try from costing
	// anything, and holds against the address alone, so that a guesser keeps
	// no teller out elsewhere.
	key := address(ctx)
	if key != "" {
		if wait := s.Slow.Wait(key); wait > 0 {
			return nil, fault.Slowed(wait)
		}
	}
	name, err := s.Ledger.Claimed(ctx, record.SpaceReceipt, receiptcode.Hash(code))
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, fault.NotFound(noSuchCode)
	}
	if err != nil {
		return nil, err
	}
	if key != "" {
		s.Slow.Right(key)
	}
	return s.load(ctx, s.Ledger, name)
}

// address is where a call came from; "" is the house itself, whose pages bound
// tries on their own.
func address(ctx context.Context) string {
	if a := access.Address(ctx); a != "" {
		return a
	}
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return ""
	}
	tcp, ok := p.Addr.(*net.TCPAddr)
	if !ok {
		return ""
	}
	return tcp.IP.String()
}

type getter interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

// load reads a report, whoever asks.
func (s *Service) load(ctx context.Context, from getter, name string) (*pb.Report, error) {
	res, err := from.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, fault.NotFound(name)
	}
	if err != nil {
		return nil, err
	}
	r := &pb.Report{}
	if res.Kind != record.KindReport || len(res.Body) == 0 {
		return nil, fault.NotFound(name)
	}
	return r, record.Read(res.Body, res.Revision, r)
}

// read reads a report that the caller may see. One that the caller may not see
// is not there.
func (s *Service) read(ctx context.Context, name string) (*pb.Report, error) {
	r, err := s.load(ctx, s.Ledger, name)
	if err != nil {
		return nil, err
	}
	if !access.SeesReport(access.From(ctx), s.Tree, r.GetWorkplace(), name) {
		return nil, fault.NotFound(name)
	}
	return r, nil
}

// day is the day of a moment where a report happened.
func (s *Service) day(r *pb.Report, at time.Time) string {
	return at.In(s.Tree.Location(r.GetWorkplace())).Format(time.DateOnly)
}
