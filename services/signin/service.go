package signin

import (
	"context"
	"errors"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// Idle is how long a session lasts unless it is kept, Longest how long at
	// most.
	Idle    = 2 * time.Hour
	Longest = 12 * time.Hour
	// fresh is how lately somebody must have signed in to change by what they
	// sign in: a screen left open must not become a way in for good.
	fresh = 15 * time.Minute
	// mostWays bounds the credentials of one principal.
	mostWays = 20
)

// Sessions begins and ends sessions; services/principals does.
type Sessions interface {
	Begin(ctx context.Context, principal, how string, ttl time.Duration) (secret string, err error)
	Keep(ctx context.Context, session string, until time.Time) error
	EndAll(ctx context.Context, principal, but string) error
	EndSession(ctx context.Context, req *pb.EndSessionRequest) (*pb.EndSessionResponse, error)
}

// Deps are what the room needs.
type Deps struct {
	Ledger   ledger.Ledger
	Registry *access.Registry
	Sessions Sessions
	// Origin returns the address of the pages, such as
	// https://fairlead.example, or "" when it is not known: there are no
	// passkeys then, and no provider.
	Origin func() string
	// OpenID is the provider; nil: there is none.
	OpenID *Provider
	Clock  func() time.Time
	// NewID mints UUIDs.
	NewID func() string
}

// Service implements SignInService.
type Service struct {
	pb.UnimplementedSignInServiceServer
	Deps
	names, addresses *slow
	key              keeper
}

// New returns the service.
func New(d Deps) *Service {
	return &Service{Deps: d,
		// A name is tried by one person, an address may be that of a depot.
		names:     newSlow(d.Clock, 5, 5*time.Minute),
		addresses: newSlow(d.Clock, 30, 15*time.Minute)}
}

// GetSignInWays implements SignInService.
func (s *Service) GetSignInWays(context.Context, *pb.GetSignInWaysRequest) (*pb.SignInWays, error) {
	out := &pb.SignInWays{Passkeys: s.Origin() != ""}
	if s.OpenID != nil && s.Origin() != "" {
		out.OpenidTitle = s.OpenID.title()
	}
	return out, nil
}

// try counts a try at a name from the caller's address and refuses one that
// comes too soon. It counts before anything is compared, so that many at once
// get no further than one after the other.
func (s *Service) try(ctx context.Context, name string) error {
	wait := s.addresses.try(access.Address(ctx))
	if name != "" {
		wait = max(wait, s.names.try(name))
	}
	if wait > 0 {
		return fault.Slowed(wait)
	}
	return nil
}

// right says that the last try was right. The name starts anew; the address is
// forgiven this one try only, or else whoever has an account of their own could
// guess at others between two sign-ins.
func (s *Service) right(ctx context.Context, name string) {
	s.names.forget(name)
	s.addresses.forgive(access.Address(ctx))
}

// plainName is a sign-in name as it is compared.
func plainName(typed string) string { return strings.ToLower(strings.TrimSpace(typed)) }

// begin begins a session of somebody who has proved who they are.
func (s *Service) begin(ctx context.Context, principal, how string) (*pb.SignedIn, error) {
	secret, err := s.Sessions.Begin(ctx, principal, how, Idle)
	if err != nil {
		return nil, err
	}
	return &pb.SignedIn{Secret: secret, Principal: principal, EndTime: timestamppb.New(s.Clock().Add(Idle).Truncate(time.Second))}, nil
}

// mayCome reports whether a principal may come in.
func mayCome(p *pb.Principal) bool {
	return p.GetState() == pb.PrincipalState_PRINCIPAL_STATE_ACTIVE
}

// KeepSession implements SignInService.
func (s *Service) KeepSession(ctx context.Context, _ *pb.KeepSessionRequest) (*pb.KeepSessionResponse, error) {
	one, err := s.session(ctx)
	if err != nil {
		return nil, err
	}
	until := s.Clock().Add(Idle).Truncate(time.Second)
	if last := one.GetBeginTime().AsTime().Add(Longest); last.Before(until) {
		until = last
	}
	if err := s.Sessions.Keep(ctx, one.GetName(), until); err != nil {
		return nil, err
	}
	return &pb.KeepSessionResponse{EndTime: timestamppb.New(until)}, nil
}

// SignOut implements SignInService.
func (s *Service) SignOut(ctx context.Context, _ *pb.SignOutRequest) (*pb.SignOutResponse, error) {
	one, err := s.session(ctx)
	if err != nil {
		return nil, err
	}
	_, err = s.Sessions.EndSession(ctx, &pb.EndSessionRequest{Name: one.GetName()})
	return &pb.SignOutResponse{}, err
}

// session returns the session of the call.
func (s *Service) session(ctx context.Context) (*pb.Session, error) {
	who := access.From(ctx)
	for _, one := range s.Registry.Sessions(who.Name) {
		if who.Session != "" && one.GetName() == who.Session {
			return one, nil
		}
	}
	return nil, fault.State(who.Name, "has not signed in: this call carries an access token, not a session")
}

// lately refuses somebody who has not signed in lately.
func (s *Service) lately(ctx context.Context) (principal string, err error) {
	one, err := s.session(ctx)
	if err != nil {
		return "", err
	}
	if s.Clock().Sub(one.GetBeginTime().AsTime()) > fresh {
		return "", fault.State(one.GetName(), "began more than 15 minutes ago; to change how you sign in, sign out and in again first")
	}
	return one.GetPrincipal(), nil
}

// isWhole reports whether the caller is an administrator of the whole house.
func isWhole(ctx context.Context) bool {
	who := access.From(ctx)
	return who.Has(pb.Role_ROLE_ADMINISTRATOR) && len(who.Workplaces) == 0
}

// write runs one write. What was asked for is not part of what is remembered of
// it: a hash of a name and a password could be guessed at.
func (s *Service) write(ctx context.Context, actor, name string, do func(context.Context, ledger.Tx) error) error {
	r, err := record.Request(actor, "", &pb.EndCredentialRequest{Name: name})
	if err != nil {
		return err
	}
	_, err = s.Ledger.Write(ctx, r, do)
	return fault.FromLedger(err, record.Etag)
}

// replace writes a resource and makes its earlier states unreadable for good.
func replace(ctx context.Context, tx ledger.Tx, m proto.Message, name, kind, verb string) error {
	r, err := tx.Get(ctx, name)
	if err != nil && !errors.Is(err, ledger.ErrNotFound) {
		return err
	}
	if err == nil && r.Body != nil {
		if err := tx.Erase(ctx, name); err != nil {
			return err
		}
	}
	p, err := record.Put(m, name, kind, verb, ledger.Any)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, p)
	return err
}

// getter is a ledger or a write within it.
type getter interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

// read reads a resource into m; ok is false when there is none, or nothing left
// of it.
func read(ctx context.Context, from getter, name, kind string, m proto.Message) (revision int64, ok bool, err error) {
	r, err := from.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, err
	}
	if r.Kind != kind || r.Body == nil {
		return r.Revision, false, nil
	}
	return r.Revision, true, record.Read(r.Body, r.Revision, m)
}
