package keepers

import (
	"context"
	"errors"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// What is said of how many keepers there are.
const (
	adviceNone = "No keeper has chosen a passphrase yet. Names told in confidence lie under the house's own key, and every adviser can open them with a reason. Name two keepers."
	adviceOne  = "There is one keeper only. If they leave or forget their passphrase, the names that were told in confidence cannot be opened any more. Name a second one."
)

// overseers are told of all keepers; others only when they were named themselves.
var overseers = []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_AUDITOR, pb.Role_ROLE_ADMINISTRATOR}

// ListKeepers implements KeeperService.
func (s *Service) ListKeepers(ctx context.Context, _ *pb.ListKeepersRequest) (*pb.ListKeepersResponse, error) {
	all, err := list(ctx, s.Ledger)
	if err != nil {
		return nil, err
	}
	out := &pb.ListKeepersResponse{Advice: adviceNone}
	who, mayLook := access.From(ctx), false
	for _, role := range overseers {
		mayLook = mayLook || who.Has(role)
	}
	var force []*pb.Keeper
	for _, k := range all {
		mayLook = mayLook || k.GetPrincipal() == who.Name && k.GetEndTime() == nil
		if k.GetRecipient() != "" {
			force = append(force, k)
		}
		out.Keepers = append(out.Keepers, shown(k))
	}
	if !mayLook {
		return &pb.ListKeepersResponse{}, nil
	}
	switch n := len(force); {
	case n == 1:
		out.Advice = adviceOne
	case n > 1:
		out.Advice = ""
	}
	c, err := s.count(ctx, force)
	if err != nil {
		return nil, err
	}
	out.Closed, out.OpenNames = c.lines(), c.open
	return out, nil
}

type lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// list returns all keepers, those that ended too.
func list(ctx context.Context, from lister) ([]*pb.Keeper, error) {
	page, err := from.List(ctx, record.KindKeeper, prefix, "", 1000)
	if err != nil {
		return nil, err
	}
	var out []*pb.Keeper
	for _, res := range page {
		k := &pb.Keeper{}
		if err := record.Read(res.Body, res.Revision, k); err != nil {
			return nil, err
		}
		out = append(out, k)
	}
	return out, nil
}

// inForce returns the keepers with a key who may still come in: what is told from
// now on is not closed to somebody who has left. When all have left it is closed
// to their keys all the same: that nobody can open a name is what the teller was
// promised rather than that everybody can.
func (s *Service) inForce(ctx context.Context, from lister) ([]*pb.Keeper, error) {
	all, err := list(ctx, from)
	var here, left []*pb.Keeper
	for _, k := range all {
		if k.GetRecipient() == "" {
			continue
		}
		if _, ok := s.Principals.Active(k.GetPrincipal()); ok {
			here = append(here, k)
		} else {
			left = append(left, k)
		}
	}
	if len(here) == 0 {
		return left, err
	}
	return here, err
}

// keeper returns one keeper; an empty one when there is none of the name.
func (s *Service) keeper(ctx context.Context, name string) (*pb.Keeper, error) {
	k := &pb.Keeper{Name: name}
	res, err := s.Ledger.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return k, nil
	}
	if err != nil {
		return nil, err
	}
	return k, record.Read(res.Body, res.Revision, k)
}
