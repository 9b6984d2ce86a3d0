package principals

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

// Tree answers which workplaces there are.
type Tree interface {
	access.Tree
	Has(name string) bool
}

// Deps are what the room needs.
type Deps struct {
	Ledger   ledger.Ledger
	Registry *access.Registry
	Tree     Tree
	Tokens   *paging.Tokens
	Rules    func(proto.Message) fault.Violations
	Clock    func() time.Time
	// NewID mints UUIDs.
	NewID func() string
	// Slow slows down who guesses; nil makes one.
	Slow *Throttle
	// Forget destroys what a principal who leaves signs in with; nil does
	// nothing.
	Forget func(ctx context.Context, tx ledger.Tx, principal string) error
}

// Service implements PrincipalService; its tablets are [Devices].
type Service struct {
	pb.UnimplementedPrincipalServiceServer
	Deps
}

// Devices implements DeviceService.
type Devices struct {
	pb.UnimplementedDeviceServiceServer
	s *Service
}

// New returns both services.
func New(d Deps) (*Service, *Devices) {
	if d.Slow == nil {
		d.Slow = NewThrottle(d.Clock)
	}
	s := &Service{Deps: d}
	return s, &Devices{s: s}
}

// write runs one write as the caller and waits until the registry of this
// server knows it: what an administrator has just ended is ended.
func (s *Service) write(ctx context.Context, requestID string, asked proto.Message, name string, out proto.Message,
	do func(context.Context, ledger.Tx) error) error {
	r, err := record.Request(access.From(ctx).Name, requestID, asked)
	if err != nil {
		return err
	}
	if r.Actor == "" {
		r.Actor = name // a tablet that enrols is nobody yet but itself
	}
	receipt, err := s.Ledger.Write(ctx, r, do)
	if err != nil {
		return fault.FromLedger(s.missing(err, name), record.Etag)
	}
	if err := s.Registry.Wait(ctx, receipt.Seq); err != nil {
		return fault.Behind(time.Second)
	}
	if out == nil {
		return nil
	}
	stored, err := s.Ledger.GetAt(ctx, name, receipt.Seq)
	if err != nil {
		return err
	}
	return record.Read(stored.Body, stored.Revision, out)
}

// missing says of a resource that is not there that it is not there.
func (s *Service) missing(err error, name string) error {
	if errors.Is(err, ledger.ErrNotFound) {
		return fault.NotFound(name)
	}
	return err
}

// put writes one resource.
func put(ctx context.Context, tx ledger.Tx, m proto.Message, name, kind, verb string, ifRevision int64) error {
	p, err := record.Put(m, name, kind, verb, ifRevision)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, p)
	return err
}

// isAdministrator reports whether the caller looks after access.
func isAdministrator(ctx context.Context) bool {
	return access.From(ctx).Has(pb.Role_ROLE_ADMINISTRATOR)
}

// whole refuses a caller whose role is bounded to a part of the house: what
// somebody may do anywhere is decided for all of it.
func whole(ctx context.Context) error {
	if who := access.From(ctx); len(who.Workplaces) > 0 {
		return fault.Denied("this is for whoever looks after access in the whole house; your role is bounded to a part of it")
	}
	return nil
}

// ownOrAdministrator refuses a caller who asks about somebody else.
func ownOrAdministrator(ctx context.Context, principal string) error {
	if access.From(ctx).Name == principal || isAdministrator(ctx) && whole(ctx) == nil {
		return nil
	}
	return fault.Denied("that is somebody else's; only an administrator may")
}
