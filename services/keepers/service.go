package keepers

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"filippo.io/age"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Slow slows down who guesses; see services/principals.
type Slow interface {
	// Wait returns how long to wait before the next try; 0 means now.
	Wait(key string) time.Duration
	// Right says that the last try was right.
	Right(key string)
}

// Principals answers who may come in; see services/access.
type Principals interface {
	// Active returns somebody who may come in, with their roles.
	Active(name string) (access.Principal, bool)
}

// Deps is what the room stands on. All are required; Eraser for EraseClosedNames
// only.
type Deps struct {
	Ledger ledger.Ledger
	Slow   Slow
	// Principals are those who may be named.
	Principals Principals
	Eraser     Eraser
	Clock      func() time.Time
}

// Service implements KeeperService.
type Service struct {
	pb.UnimplementedKeeperServiceServer
	Deps
	one sync.Mutex
	// became wakes the closing of what lies open.
	became chan struct{}
}

// New returns the service.
func New(d Deps) *Service { return &Service{Deps: d, became: make(chan struct{}, 1)} }

const (
	prefix = "keepers/"
	// most keepers: the named few.
	most = 20
	// shortest passphrase, in characters.
	shortest = 12
)

func nameOf(principal string) string { return prefix + strings.TrimPrefix(principal, "principals/") }

// NameKeeper implements KeeperService.
func (s *Service) NameKeeper(ctx context.Context, req *pb.NameKeeperRequest) (*pb.Keeper, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	if err := s.mayBeNamed(req.GetPrincipal()); err != nil {
		return nil, err
	}
	return s.write(ctx, req, nameOf(req.GetPrincipal()), record.VerbName, func(k *pb.Keeper, there bool, all []*pb.Keeper) error {
		switch {
		case there && k.GetEndTime() == nil:
			return nil // named before
		case len(all) >= most:
			return fault.State(k.GetName(), "there are enough keepers: a name that twenty can open is hardly told in confidence")
		}
		name := k.GetName()
		proto.Reset(k)
		k.Name, k.Principal = name, req.GetPrincipal()
		return nil
	})
}

// mayBeNamed refuses who is not there, and whose roles open no name: they could
// be named and could never choose a passphrase.
func (s *Service) mayBeNamed(principal string) error {
	who, ok := s.Principals.Active(principal)
	words := "is nobody who can sign in here; take the short name of somebody who can, such as principals/ada"
	if ok {
		if access.NewPolicy().Allow(who, "KeeperService.BecomeKeeper") == nil {
			return nil
		}
		words = "cannot keep names: that takes the role of a safety adviser, an investigator or a supervisor; give them one first, or name somebody else"
	}
	return fault.Invalid(fault.Violation{Field: "principal", Description: words})
}

// BecomeKeeper implements KeeperService.
func (s *Service) BecomeKeeper(ctx context.Context, req *pb.BecomeKeeperRequest) (*pb.Keeper, error) {
	if err := checkPassphrase(req.GetPassphrase(), "passphrase"); err != nil {
		return nil, err
	}
	name := nameOf(access.From(ctx).Name)
	k, err := s.keeper(ctx, name)
	if err != nil {
		return nil, err
	}
	// Before anything costs: scrypt is for those who are named.
	if err := mayBecome(k); err != nil {
		return nil, err
	}
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		return nil, err
	}
	closed, err := s.closeIdentity(identity, req.GetPassphrase())
	if err != nil {
		return nil, err
	}
	// A passphrase never reaches the log, hashed or not.
	out, err := s.write(ctx, &pb.BecomeKeeperRequest{}, name, record.VerbBecome, func(k *pb.Keeper, _ bool, _ []*pb.Keeper) error {
		if err := mayBecome(k); err != nil {
			return err
		}
		k.Recipient, k.ClosedIdentity, k.BeginTime = identity.Recipient().String(), closed, timestamppb.New(s.Clock().Truncate(time.Second))
		return nil
	})
	if err == nil {
		select {
		case s.became <- struct{}{}:
		default: // woken already
		}
	}
	return out, err
}

func mayBecome(k *pb.Keeper) error {
	switch {
	case k.GetPrincipal() == "" || k.GetEndTime() != nil:
		return fault.Denied("you are not named as a keeper; an administrator names them")
	case k.GetRecipient() != "":
		return fault.State(k.GetName(), "you have chosen a passphrase; change it instead")
	}
	return nil
}

// ChangePassphrase implements KeeperService.
func (s *Service) ChangePassphrase(ctx context.Context, req *pb.ChangePassphraseRequest) (*pb.Keeper, error) {
	if err := checkPassphrase(req.GetNewPassphrase(), "new_passphrase"); err != nil {
		return nil, err
	}
	name := nameOf(access.From(ctx).Name)
	before, err := s.keeper(ctx, name)
	if err != nil {
		return nil, err
	}
	if before.GetRecipient() == "" {
		return nil, fault.Denied("you are not a keeper with a passphrase")
	}
	identity, err := s.identity(before, req.GetOldPassphrase(), "old_passphrase")
	if err != nil {
		return nil, err
	}
	closed, err := s.closeIdentity(identity, req.GetNewPassphrase())
	if err != nil {
		return nil, err
	}
	return s.write(ctx, &pb.ChangePassphraseRequest{}, name, record.VerbUpdate, func(k *pb.Keeper, _ bool, _ []*pb.Keeper) error {
		if k.GetRecipient() != before.GetRecipient() {
			return fault.State(name, "the key was ended meanwhile")
		}
		k.ClosedIdentity = closed
		return nil
	})
}

// EndKeeper implements KeeperService.
func (s *Service) EndKeeper(ctx context.Context, req *pb.EndKeeperRequest) (*pb.Keeper, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return s.write(ctx, req, req.GetName(), record.VerbEnd, func(k *pb.Keeper, there bool, all []*pb.Keeper) error {
		if !there {
			return fault.NotFound(req.GetName())
		}
		if k.GetEndTime() != nil {
			return nil
		}
		last := k.GetRecipient() != ""
		for _, o := range all {
			last = last && (o.GetName() == k.GetName() || o.GetRecipient() == "")
		}
		if last && !req.GetEvenIfLast() {
			return fault.State(k.GetName(), "this is the last keeper: no name that was told in confidence could be opened after that. Let a second one become keeper first, or say that it should be so")
		}
		k.Recipient, k.ClosedIdentity, k.EndTime = "", nil, timestamppb.New(s.Clock().Truncate(time.Second))
		return nil
	})
}

// shown is a keeper as answered: nobody tries a passphrase at home.
func shown(k *pb.Keeper) *pb.Keeper {
	k.ClosedIdentity = nil
	return k
}

func checkPassphrase(p, field string) error {
	if utf8.RuneCountInString(strings.TrimSpace(p)) < shortest {
		return fault.Invalid(fault.Violation{Field: field, Description: "needs at least 12 characters: a few words that have nothing to do with each other are easy to remember and hard to guess"})
	}
	return nil
}

// whole refuses a caller whose role is bounded to a part of the house.
func whole(ctx context.Context) error {
	if len(access.From(ctx).Workplaces) > 0 {
		return fault.Denied("keepers are those of the whole organisation; your role is bounded to a part of it")
	}
	return nil
}

// write changes one keeper. A key that goes is destroyed.
func (s *Service) write(ctx context.Context, asked proto.Message, name, verb string, do func(k *pb.Keeper, there bool, all []*pb.Keeper) error) (*pb.Keeper, error) {
	request, err := record.Request(access.From(ctx).Name, "", asked)
	if err != nil {
		return nil, err
	}
	out := &pb.Keeper{}
	_, err = s.Ledger.Write(ctx, request, func(ctx context.Context, tx ledger.Tx) error {
		all, err := list(ctx, tx)
		if err != nil {
			return err
		}
		res, err := tx.Get(ctx, name)
		there := !errors.Is(err, ledger.ErrNotFound)
		if err != nil && there {
			return err
		}
		k := &pb.Keeper{Name: name}
		if there {
			if err := record.Read(res.Body, res.Revision, k); err != nil {
				return err
			}
		}
		before := proto.Clone(k)
		if err := do(k, there, all); err != nil {
			return err
		}
		proto.Reset(out)
		proto.Merge(out, k)
		if proto.Equal(before, k) {
			return nil
		}
		if len(before.(*pb.Keeper).GetClosedIdentity()) > 0 {
			if err := tx.Erase(ctx, name); err != nil {
				return err
			}
		}
		p, err := record.Put(k, name, record.KindKeeper, verb, res.Revision)
		if err != nil {
			return err
		}
		out.Etag = record.Etag(res.Revision + 1)
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	return shown(out), nil
}
