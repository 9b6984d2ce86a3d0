package principals

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Begin begins a session of a principal and returns its secret, which is shown
// once. how says how they came in ("password", "passkey", "openid"). Whoever
// calls has made sure who it is.
func (s *Service) Begin(ctx context.Context, principal, how string, ttl time.Duration) (secret string, err error) {
	_, secret, err = s.begin(ctx, principal, how, "", ttl)
	return secret, err
}

func (s *Service) begin(ctx context.Context, principal, how, device string, ttl time.Duration) (*pb.Session, string, error) {
	p, ok := s.Registry.Principal(principal)
	if !ok || p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE {
		return nil, "", fault.Unauthenticated("this principal may not come in; ask whoever looks after access")
	}
	secret, err := access.NewSessionSecret()
	if err != nil {
		return nil, "", err
	}
	now := s.Clock().Truncate(time.Second)
	one := &pb.Session{
		Name: "sessions/" + s.NewID(), Principal: principal, How: how, Device: device,
		BeginTime: timestamppb.New(now), EndTime: timestamppb.New(now.Add(ttl)), SecretSha256: access.HashSecret(secret),
	}
	// The log says that somebody came in, and as their own doing.
	ctx = access.With(ctx, access.Principal{Name: principal})
	err = s.write(ctx, "", one, one.GetName(), nil, func(ctx context.Context, tx ledger.Tx) error {
		return put(ctx, tx, one, one.GetName(), record.KindSession, record.VerbBegin, ledger.Absent)
	})
	return one, secret, err
}

// Rotate ends the session of a secret and begins another in its place, with the
// same end.
func (s *Service) Rotate(ctx context.Context, secret string) (string, error) {
	who, err := s.Registry.ByToken(secret)
	if err != nil || who.Session == "" {
		return "", fault.Unauthenticated("the session is over; sign in again")
	}
	for _, old := range s.Registry.Sessions(who.Name) {
		if old.GetName() != who.Session {
			continue
		}
		left := old.GetEndTime().AsTime().Sub(s.Clock())
		_, next, err := s.begin(ctx, who.Name, old.GetHow(), old.GetDevice(), left)
		if err != nil {
			return "", err
		}
		return next, s.end(access.With(ctx, who), old)
	}
	return "", fault.Unauthenticated("the session is over; sign in again")
}

// End ends the session of a secret. One that is over already is fine.
func (s *Service) End(ctx context.Context, secret string) error {
	who, err := s.Registry.ByToken(secret)
	if err != nil || who.Session == "" {
		return nil
	}
	for _, one := range s.Registry.Sessions(who.Name) {
		if one.GetName() == who.Session {
			return s.end(access.With(ctx, who), one)
		}
	}
	return nil
}

// Keep moves the end of an open session.
func (s *Service) Keep(ctx context.Context, name string, until time.Time) error {
	asked := &pb.EndSessionRequest{Name: name}
	return s.write(ctx, "", asked, name, nil, func(ctx context.Context, tx ledger.Tx) error {
		r, err := tx.Get(ctx, name)
		if err != nil || r.Kind != record.KindSession {
			return fault.NotFound(name)
		}
		one := &pb.Session{}
		if err := record.Read(r.Body, r.Revision, one); err != nil {
			return err
		}
		// Ended meanwhile, here or on another server: it stays ended.
		if one.GetEnded() || !s.Clock().Before(one.GetEndTime().AsTime()) {
			return fault.Unauthenticated("the session is over; sign in again")
		}
		one.EndTime = timestamppb.New(until)
		return put(ctx, tx, one, name, record.KindSession, record.VerbKeep, r.Revision)
	})
}

// EndAll ends every session of a principal, but for the one named, if any.
func (s *Service) EndAll(ctx context.Context, principal, but string) error {
	return s.write(ctx, "", &pb.ListSessionsRequest{Principal: principal}, principal, nil, func(ctx context.Context, tx ledger.Tx) error {
		return s.endSessions(ctx, tx, principal, but)
	})
}

func (s *Service) end(ctx context.Context, one *pb.Session) error {
	one.Ended = true
	return s.write(ctx, "", one, one.GetName(), nil, func(ctx context.Context, tx ledger.Tx) error {
		return put(ctx, tx, one, one.GetName(), record.KindSession, record.VerbEnd, ledger.Any)
	})
}

// endSessions ends the sessions of a principal within a write.
func (s *Service) endSessions(ctx context.Context, tx ledger.Tx, principal, but string) error {
	for _, one := range s.Registry.Sessions(principal) {
		if one.GetName() == but {
			continue
		}
		one.Ended = true
		if err := put(ctx, tx, one, one.GetName(), record.KindSession, record.VerbEnd, ledger.Any); err != nil {
			return err
		}
	}
	return nil
}

// ListSessions implements PrincipalService.
func (s *Service) ListSessions(ctx context.Context, req *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	if err := ownOrAdministrator(ctx, req.GetPrincipal()); err != nil {
		return nil, err
	}
	out := &pb.ListSessionsResponse{Sessions: s.Registry.Sessions(req.GetPrincipal())}
	for _, one := range out.Sessions {
		one.SecretSha256, one.This = "", one.GetName() == access.From(ctx).Session
	}
	return out, nil
}

// EndSession implements PrincipalService.
func (s *Service) EndSession(ctx context.Context, req *pb.EndSessionRequest) (*pb.EndSessionResponse, error) {
	one := &pb.Session{}
	r, err := s.Ledger.Get(ctx, req.GetName())
	if err == nil && r.Kind == record.KindSession {
		err = record.Read(r.Body, r.Revision, one)
	}
	// Somebody else's session is not there, whether it is or not.
	if err != nil || ownOrAdministrator(ctx, one.GetPrincipal()) != nil {
		return nil, fault.NotFound(req.GetName())
	}
	if one.GetEnded() {
		return &pb.EndSessionResponse{}, nil
	}
	return &pb.EndSessionResponse{}, s.end(ctx, one)
}

// CreateToken implements PrincipalService.
func (s *Service) CreateToken(ctx context.Context, req *pb.CreateTokenRequest) (*pb.CreateTokenResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	p, ok := s.Registry.Principal(req.GetPrincipal())
	if !ok {
		return nil, fault.NotFound(req.GetPrincipal())
	}
	if p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE {
		return nil, fault.State(p.GetName(), "may not come in, so a token would let nobody in; make the principal active first")
	}
	now := s.Clock().Truncate(time.Second)
	if e := req.GetExpireTime(); e != nil && !e.AsTime().After(now) {
		return nil, fault.Invalid(fault.Violation{Field: "expire_time", Description: "lies in the past; choose a later one, or none"})
	}
	secret, err := access.NewTokenSecret()
	if err != nil {
		return nil, err
	}
	t := &pb.Token{
		Name: "tokens/" + s.NewID(), Principal: p.GetName(), Purpose: req.GetPurpose(),
		CreateTime: timestamppb.New(now), ExpireTime: req.GetExpireTime(), SecretSha256: access.HashSecret(secret),
	}
	err = s.write(ctx, "", t, t.GetName(), nil, func(ctx context.Context, tx ledger.Tx) error {
		return put(ctx, tx, t, t.GetName(), record.KindToken, record.VerbCreate, ledger.Absent)
	})
	if err != nil {
		return nil, err
	}
	t.SecretSha256 = ""
	return &pb.CreateTokenResponse{Token: t, Secret: secret}, nil
}

// ListTokens implements PrincipalService.
func (s *Service) ListTokens(ctx context.Context, req *pb.ListTokensRequest) (*pb.ListTokensResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	out := &pb.ListTokensResponse{Tokens: s.Registry.Tokens(req.GetPrincipal())}
	for _, t := range out.Tokens {
		t.SecretSha256 = ""
	}
	return out, nil
}

// EndToken implements PrincipalService.
func (s *Service) EndToken(ctx context.Context, req *pb.EndTokenRequest) (*pb.EndTokenResponse, error) {
	if err := whole(ctx); err != nil {
		return nil, err
	}
	return &pb.EndTokenResponse{}, s.write(ctx, "", req, req.GetName(), nil, func(ctx context.Context, tx ledger.Tx) error {
		r, err := tx.Get(ctx, req.GetName())
		if err != nil || r.Kind != record.KindToken {
			return fault.NotFound(req.GetName())
		}
		t := &pb.Token{}
		if err := record.Read(r.Body, r.Revision, t); err != nil || t.GetEnded() {
			return err
		}
		t.Ended = true
		return put(ctx, tx, t, t.GetName(), record.KindToken, record.VerbEnd, r.Revision)
	})
}
