package keepers

import (
	"context"
	"errors"
	"slices"

	"filippo.io/age"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/record"
)

// mostShared is how many names one call shares: a call has only so much time.
const mostShared = 1000

// ShareClosedNames implements KeeperService.
func (s *Service) ShareClosedNames(ctx context.Context, req *pb.ShareClosedNamesRequest) (*pb.ShareClosedNamesResponse, error) {
	identity, k, err := s.own(ctx, req.GetPassphrase())
	if err != nil {
		return nil, err
	}
	out := &pb.ShareClosedNamesResponse{}
	for try := 0; try < tries; try++ {
		err = s.share(ctx, k, identity, out)
		if !errors.Is(err, errMoved) {
			break
		}
	}
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	return out, nil
}

// own opens the key of the caller.
func (s *Service) own(ctx context.Context, passphrase string) (*age.X25519Identity, *pb.Keeper, error) {
	k, err := s.keeper(ctx, nameOf(access.From(ctx).Name))
	if err != nil {
		return nil, nil, err
	}
	if k.GetRecipient() == "" {
		return nil, nil, fault.Denied("you are not a keeper with a passphrase")
	}
	identity, err := s.identity(k, passphrase, "passphrase")
	return identity, k, err
}

// share closes names that the key opens to all who are keepers now, and adds to
// out what it did.
func (s *Service) share(ctx context.Context, k *pb.Keeper, identity *age.X25519Identity, out *pb.ShareClosedNamesResponse) error {
	force, err := s.inForce(ctx, s.Ledger)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(force, func(o *pb.Keeper) bool { return o.GetRecipient() == k.GetRecipient() }) {
		return fault.State(k.GetName(), "your key was ended meanwhile")
	}
	out.Left, out.Beyond = 0, 0
	var before []kept
	var after []*pb.Teller
	flush := func() error {
		// Not the request: a passphrase never reaches the log, hashed or not.
		request, err := record.Request(k.GetPrincipal(), "", &pb.ShareClosedNamesRequest{})
		if err != nil || len(before) == 0 {
			return err
		}
		n, err := s.replace(ctx, request, record.VerbShare, force, before, after)
		out.Shared += int32(n)
		before, after = nil, nil
		return err
	}
	err = names(ctx, s.Ledger, func(one kept) error {
		if len(one.teller.GetClosed()) == 0 || isClosedTo(one.teller, force) {
			return nil
		}
		if !slices.Contains(opensTo(one.teller, force), k.GetName()) {
			out.Beyond++
			return nil
		}
		if int(out.Shared)+len(before) >= mostShared {
			out.Left++
			return nil
		}
		t, err := openWith(one.teller, identity)
		if errors.Is(err, errNotOurs) {
			out.Beyond++
			return nil
		}
		if err != nil {
			return err
		}
		closed, err := closeTo(t, force)
		if err != nil {
			return err
		}
		if before, after = append(before, one), append(after, closed); len(before) == atOnce {
			return flush()
		}
		return nil
	})
	if err != nil {
		return err
	}
	return flush()
}
